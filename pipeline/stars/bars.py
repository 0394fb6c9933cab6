"""Bars: short straight lines lit all along and darker on both sides, whatever stars run together with them.

A detection's moments tell a line only while it stands alone: in a field of any richness stars that touch it widen its
object, and the parting of stars cuts it to pieces. So lines are followed pixel by pixel instead.
"""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.stars.detect import KERNEL_NOISE, Detections, smoothed
from pipeline.stars.followed import strip_of

DIRECTIONS = 72  # over half a turn: 0.5 px at the end of the shortest bar
SIDE = 5.0  # half-size px to either side; an aircraft's two lamps lie within
STEEP = 2.0  # times as bright as either side
LIT = 3.0  # standard deviations of the smoothed image
SEEDS = 6  # every so many rows and columns
PROBES = 6, 11  # px from a seed on one side or the other, which a bar has lit: most directions end there
MISSED = 2  # px in a row where it is not: the end
SHARE = 0.9  # of its px are lit
ROUGH = 0.25  # of its light, by which it changes from px to px; stars in a row 0.3 and more
GAPS = 0.3  # of its light, left at its faintest tenth; stars in a row 0.25


@numba.njit(cache=True, nogil=True)
def _stands_out(image: Any, x: float, y: float, dx: float, dy: float, floor: float) -> bool:
    """Whether the image at (x, y) is lit and `STEEP` times as bright as on both sides of a line in this direction."""
    left, up, right, down = x - SIDE * dy, y + SIDE * dx, x + SIDE * dy, y - SIDE * dx
    if min(left, right, up, down, x, y) < 0:
        return False
    if max(left, right, x) > image.shape[1] - 1 or max(up, down, y) > image.shape[0] - 1:
        return False
    value = image[int(y + 0.5), int(x + 0.5)]
    return (
        value > floor
        and value > STEEP * image[int(up + 0.5), int(left + 0.5)]
        and value > STEEP * image[int(down + 0.5), int(right + 0.5)]
    )


@numba.njit(cache=True, nogil=True)
def _run(image: Any, i: int, j: int, dx: float, dy: float, floor: float, hits: Any) -> int:
    """Px from (i, j) on until `MISSED` in a row do not stand out; `hits[0]` of them do."""
    last, missed, here, step = 0, 0, 0, 0
    while missed < MISSED:
        step += 1
        if _stands_out(image, j + step * dx, i + step * dy, dx, dy, floor):
            here += 1
            missed = 0
            last = step
        else:
            missed += 1
    hits[0] = here
    return last


@numba.njit(cache=True, nogil=True)
def _lit(image: Any, i: int, j: int, dx: float, dy: float, floor: float) -> bool:
    """Whether the image is lit at the `PROBES` from (i, j)."""
    for step in PROBES:
        y, x = int(i + step * dy + 0.5), int(j + step * dx + 0.5)
        if y < 0 or x < 0 or y >= image.shape[0] or x >= image.shape[1] or image[y, x] <= floor:
            return False
    return True


@numba.njit(cache=True, nogil=True)
def _bars(image: Any, floor: float, cosines: Any, sines: Any, least: int, out: Any) -> int:
    """Fill `out` with x1, y1, x2, y2 of bars and return their number; see `find_bars`."""
    height, width = image.shape
    used = np.zeros((height, width), np.bool_)
    hits = np.zeros(1, np.int64)
    number = 0
    directions = cosines.shape[0]
    for i in range(1, height - 1):
        for j in range(1, width - 1):
            value = image[i, j]
            if (i % SEEDS and j % SEEDS) or value <= floor or used[i, j]:
                continue
            # a steep bar crosses rows, and is highest there; a level one columns
            steep = i % SEEDS == 0 and value >= image[i, j - 1] and value > image[i, j + 1]
            level = j % SEEDS == 0 and value >= image[i - 1, j] and value > image[i + 1, j]
            longest, chosen, back, ahead = 0, 0, 0, 0
            for k in range(directions):
                if not (steep if directions <= 4 * k <= 3 * directions else level):
                    continue
                dx, dy = cosines[k], sines[k]
                if not _stands_out(image, float(j), float(i), dx, dy, floor):
                    continue
                if not (_lit(image, i, j, dx, dy, floor) or _lit(image, i, j, -dx, -dy, floor)):
                    continue
                first = _run(image, i, j, -dx, -dy, floor, hits)
                lit = hits[0] + 1
                last = _run(image, i, j, dx, dy, floor, hits)
                lit += hits[0]
                length = first + last + 1
                if length > longest and lit >= SHARE * length:
                    longest, chosen, back, ahead = length, k, first, last
            if longest < least:
                continue
            dx, dy = cosines[chosen], sines[chosen]
            for step in range(-back, ahead + 1):
                y, x = int(i + step * dy + 0.5), int(j + step * dx + 0.5)
                used[max(0, y - 3) : y + 4, max(0, x - 3) : x + 4] = True
            out[number, 0], out[number, 1] = j - back * dx, i - back * dy
            out[number, 2], out[number, 3] = j + ahead * dx, i + ahead * dy
            number += 1
            if number == out.shape[0]:
                return number
    return number


def find_bars(found: Detections, least: float, most: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Straight lines of `least` px and more, lit all along and darker on both sides.

    Parameters
    ----------
    found : of the half-size image
    least : length, half-size px
    most : number at which the search ends

    Returns
    -------
    bars : (n, 4) float64 array: x1, y1, x2, y2, half-size px
    heights : (n,) float64 array: their median light above the sky, ADU
    """
    angles = np.arange(DIRECTIONS) * math.pi / DIRECTIONS
    out = np.zeros((most, 4))
    image = smoothed(found.residual)
    floor = LIT * KERNEL_NOISE * found.noise
    number = _bars(image, floor, np.cos(angles), np.sin(angles), math.ceil(least), out)
    heights = np.array([_even_height(image, line) for line in out[:number]])
    return out[:number][heights > 0], heights[heights > 0]


def _even_height(image: NDArray[np.float32], line: NDArray[np.float64]) -> float:
    """Median height of a line whose light changes little from px to px and has no gaps; 0 of stars in a row."""
    length = math.hypot(line[2] - line[0], line[3] - line[1])
    direction = (line[2] - line[0]) / length, (line[3] - line[1]) / length
    light = strip_of(image, (line[0], line[1]), direction, np.arange(length), 1).max(axis=1)
    typical = float(np.median(light))
    even = np.median(np.abs(np.diff(light))) < ROUGH * typical and np.percentile(light, 10) > GAPS * typical
    return typical if even else 0.0
