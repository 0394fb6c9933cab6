"""Streaks among crowded stars, whose detections a streak runs together with and is cut to pieces by."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from pipeline.pixels.regression import MAD_TO_SIGMA
from pipeline.stars.blocks import ANGLES, BESIDE, BLOCK, farthest, flattened, line_sums
from pipeline.stars.detect import Detections

CROWDED = 0.07  # of the pixels are stars'; of usual frames 0.01 to 0.055
STAR_PIXELS = 150  # of a detection; land, cloud and aurora make larger ones
CAP_SIGMA = 2.0  # of a pixel's noise: a star's core counts for no more than a line's pixel
CAP_SPREAD = 2.0  # of a block's
LENGTH_MIN = 40  # blocks
LIMIT = 6.3  # standard deviations of all lines; the fullest without a streak reach 5.6
LIMIT_KNOWN = 4.5  # ... of the hundred or so on which a piece lies that was found otherwise
KNOWN_OFF = 2.0  # blocks that such a line may lie off at either end of its piece, and off the line at its middle
LIT = 0.4  # spreads above the sky: a line is lit where it is so bright on average
UPRIGHT = 0.02  # sine of the angle to a row or column, within which lines are the sensor's
SIDE = 4  # blocks from the line its surroundings are taken
STANDS_OUT = 0.5  # of a line's height above the field about it, above the brighter side
LINES_MAX = 4


def crowded(found: Detections) -> bool:
    """Whether stars cover so much of a frame that streaks are looked for among them."""
    sizes = found.objects["npix"]
    return bool(sizes[sizes <= STAR_PIXELS].sum() > CROWDED * found.segments.size)


@numba.njit(cache=True, nogil=True)
def _capped_means(image: Any, cap: float, out: Any) -> None:
    """``np.clip(image, -cap, cap).reshape(h, 4, w, 4).mean(axis=(1, 3))``."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            total = 0.0
            for row in range(i * BLOCK, (i + 1) * BLOCK):
                for column in range(j * BLOCK, (j + 1) * BLOCK):
                    total += min(max(image[row, column], -cap), cap)
            out[i, j] = total / (BLOCK * BLOCK)


def _sums(values: NDArray[np.float64]) -> NDArray[np.float64]:
    rows, columns = np.indices(values.shape)
    return line_sums(rows.ravel(), columns.ravel(), values.ravel(), values.shape)


@lru_cache(maxsize=2)
def _numbers(height: int, width: int) -> NDArray[np.float64]:
    """How many blocks lie on each line; the same for every frame."""
    return _sums(np.ones((height, width)))


def _limits(pieces: NDArray[np.float64], shape: tuple[int, ...], offset: int) -> NDArray[np.float64]:
    """What each line must reach: less where a piece of a streak lies on it."""
    limits = np.full(shape, LIMIT)
    for x1, y1, x2, y2 in pieces:
        middle = (math.atan2(y2 - y1, x2 - x1) + math.pi / 2) / math.pi * ANGLES
        apart = math.atan2(2 * KNOWN_OFF, math.hypot(x2 - x1, y2 - y1)) / math.pi * ANGLES
        for k in np.arange(math.floor(middle - apart), math.ceil(middle + apart) + 1) % ANGLES:
            angle = k * math.pi / ANGLES
            r = (x1 + x2) / 2 * math.cos(angle) + (y1 + y2) / 2 * math.sin(angle) + offset
            limits[k, max(0, math.floor(r - KNOWN_OFF)) : math.ceil(r + KNOWN_OFF) + 1] = LIMIT_KNOWN
    return limits


def lines_in_crowds(
    found: Detections, pieces: NDArray[np.float64]
) -> list[tuple[float, float, float, float, float, float]]:
    """Straight lines that are brighter all along than the field beside them, detections and all.

    Every pixel is clipped low, so that a line, which is lit everywhere, stands out from stars, which are not.

    Parameters
    ----------
    found : of the half-size image
    pieces : (n, 4) x1, y1, x2, y2 of streaks found otherwise, blocks

    Returns
    -------
    list of offset, cosine, sine (x cos + y sin = offset, blocks), first and last place along the line (blocks), and
    its mean height over the noise of a pixel
    """
    height, width = (n // BLOCK for n in found.residual.shape)
    if min(height, width) < LENGTH_MIN:
        return []
    blocks = np.empty((height, width))
    _capped_means(found.residual, CAP_SIGMA * found.noise, blocks)
    light = blocks.copy()
    blocks, spread = flattened(blocks)
    blocks = np.clip(blocks / spread, -CAP_SPREAD, CAP_SPREAD)
    blocks -= blocks.mean()
    sums, numbers = _sums(blocks), _numbers(height, width)
    # what parallel lines nearby hold: treetops and star clouds light all of them
    nearby = uniform_filter1d(sums, BESIDE, axis=1) / np.maximum(uniform_filter1d(numbers, BESIDE, axis=1), 1)
    excess = (sums - nearby * numbers) / np.sqrt(np.maximum(numbers, LENGTH_MIN))
    excess /= max(MAD_TO_SIGMA * float(np.median(np.abs(excess[numbers > LENGTH_MIN]))), 1e-9)
    rows, columns = np.mgrid[0:height, 0:width]
    offset = farthest(height, width)
    above_limit = excess - _limits(pieces, excess.shape, offset)
    lines = []
    for _ in range(LINES_MAX):
        k, r = np.unravel_index(int(np.argmax(above_limit)), excess.shape)
        if above_limit[k, r] < 0:
            break
        cosine, sine = math.cos(k * math.pi / ANGLES), math.sin(k * math.pi / ANGLES)
        across = np.rint(columns * cosine + rows * sine) - (r - offset)
        along = rows * cosine - columns * sine
        on = across == 0
        order = np.argsort(along[on], kind="stable")
        place, course = along[on][order], blocks[on][order]
        first, last = _lit_stretch(course)
        within = (along >= place[first]) & (along <= place[last])
        beside = [light[within & (np.abs(across - shift) <= 1)] for shift in (-SIDE, SIDE)]
        height_of = float(np.mean(course[first : last + 1])) * spread
        # beside an edge of land one side is as bright as the line; so may be that of the picture
        alone = min(len(side) for side in beside) > 0
        if alone and last - first > LENGTH_MIN and min(abs(cosine), abs(sine)) >= UPRIGHT:
            above = float(np.mean(light[within & on])) - max(float(np.mean(side)) for side in beside)
            if above > STANDS_OUT * height_of:
                signal = height_of / found.noise
                lines.append((float(r - offset), cosine, sine, float(place[first]), float(place[last]), signal))
        above_limit[max(0, k - 8) : k + 9, max(0, r - 12) : r + 13] = -np.inf
    return lines


def _lit_stretch(light: NDArray[np.float64]) -> tuple[int, int]:
    """First and last of the values whose sum above `LIT` is largest."""
    total = np.concatenate([[0.0], np.cumsum(light - LIT)])
    least = np.minimum.accumulate(total[:-1])
    last = int(np.argmax(total[1:] - least))
    return int(np.argmin(total[: last + 1])), last
