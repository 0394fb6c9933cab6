"""Doubled stars: a camera kicked during the exposure draws every star twice or more, the same way apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from pipeline.pixels.ordering import first_of
from pipeline.stars.lines import fullest_line, on_lines
from pipeline.stars.votes import count_votes

STARS_USED = 400  # the highest peaks below saturation
STARS_MIN = 12
REACH = 24  # half-size px; kicks that go further are found by `far_doubling`
NEAREST = 2.0  # half-size px; companions nearer than that only draw the star out, which its shape shows
SHARE = 0.7  # quantile over stars: either of two equal images may be the higher one
HEIGHT_MIN = 0.12  # of the star's own peak; a companion of a tenth of the light costs no frame
NOISE_SIGMA = 6.0  # of the stars' mean noise under that quantile
# Between a star and its companion falls less light than this share of the companion's. A companion as bright as the
# star must stand clearer: long trails, drawn in steps by the pixels, show equal bumps with dips of 0.60 to 1.
DIP, DIP_EQUAL = 0.85, 0.55
EQUAL = 0.8
# Of a doubled frame's stars 0.77 and more show the companion on one side or the other, measured; an aircraft's double
# flashes can be two thirds of the peaks of a sparse field, but they lie on one line, which is left out.
MAJORITY = 0.6
# Of sharp stars a companion nearer than so many half-size px is drawn into the star's own foot. It is told by standing
# on one side alone, higher than this (of a companion of a sixth of the light the pixels leave 0.11, of a twelfth 0.08);
# half way to it is less than this share of what is there.
NEAR_REACH, ONE_SIDED_MIN, ONE_SIDED_DIP = 6, 0.1, 0.6
MEDIAN_ERROR = 1.7724539  # of a difference of two values, in standard deviations of one: sqrt(2) times sqrt(pi / 2)
HALF = 0.5  # of the companion's height counts as showing it
SUPPORT_SIGMA = 5.0  # of the mean of 3 x 3 px; of fainter stars half a companion cannot be told from none
FAR_STARS = 150  # the brightest, held against all others
FAR_REACH = 0.12  # of the frame's width: a kick that goes further takes the scene to another field
FAR_NEAREST = 30.0  # px
FAR_BIN = 4.0  # px; over a wide lens the two images of a star are not everywhere equally far apart
FAR_RATIO = 0.35  # of the logarithm of the two images' light, about its median
STREAK_WIDTH = 6.0  # half-size px from a streak's line within which peaks are its flashes and glare
ON_LINE = 3.0  # half-size px, of the peaks that are left out with the line that most of them lie on


@dataclass(frozen=True)
class Doubling:
    """Separation (px), its direction (degrees from +x towards +y, 0 to 180), the companion's height over the star's."""

    length: float
    angle_deg: float
    height: float


def doubling(
    residual: NDArray[np.float32],
    rows: NDArray[Any],
    columns: NDArray[Any],
    noise: float,
    ceiling: float,
    lines: NDArray[np.float64] | None = None,
) -> Doubling | None:
    """Find a companion that all stars of a frame have in the same place.

    The light around every bright star, over its own peak, is laid over one another; the 0.7 quantile leaves what at
    least three stars in ten show, and chance neighbours go. What is left must be seen beside most stars, whatever lies
    on the straight line through the most of them left out. A companion too near for that shows on one side alone.

    Parameters
    ----------
    residual : (height, width) float32 half-size image above its sky, ADU
    rows, columns : peaks of the detections in it
    noise : of one pixel of it, ADU
    ceiling : peaks from here on may be saturated, ADU
    lines : (n, 4) x1, y1, x2, y2 of the frame's streaks, px of `residual`; peaks on their lines are no stars

    Returns
    -------
    None where there is no such companion.
    """
    rows, columns = np.asarray(rows, np.int64), np.asarray(columns, np.int64)
    height, width = residual.shape
    inside = (rows >= REACH) & (columns >= REACH) & (rows < height - REACH) & (columns < width - REACH)
    rows, columns = rows[inside], columns[inside]
    peaks = residual[rows, columns]
    good = (peaks < ceiling) & (peaks > 8 * noise)
    if lines is not None:
        good &= ~on_lines(columns, rows, lines, STREAK_WIDTH)
    rows, columns, peaks = rows[good], columns[good], peaks[good]
    best = first_of(peaks, STARS_USED)
    if len(best) < STARS_MIN:
        return None
    reach = np.arange(-REACH, REACH + 1)
    side = len(reach)
    stamps = sliding_window_view(residual, (side, side))[rows[best] - REACH, columns[best] - REACH]
    over_peak = np.ascontiguousarray((stamps / peaks[best][:, None, None]).reshape(len(best), -1).T)
    typical_noise = noise / float(np.median(peaks[best])) / math.sqrt(len(best))
    rank = round(SHARE * (len(best) - 1))
    light = np.partition(over_peak, rank, axis=1)[:, rank].reshape(side, side)
    # in a crowd the quantile of empty places is above zero
    light = light - np.median(light)
    floor = max(HEIGHT_MIN, NOISE_SIGMA * typical_noise)
    distance = np.hypot(reach[:, None], reach[None])
    inner = light[1:-1, 1:-1]
    highest = np.ones_like(inner, bool)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            if down or right:
                highest &= inner >= light[1 + down : light.shape[0] - 1 + down, 1 + right : light.shape[1] - 1 + right]
    candidate = highest & (inner > floor) & (distance[1:-1, 1:-1] >= NEAREST)
    double = None
    if candidate.any():
        row, column = np.unravel_index(int(np.argmax(np.where(candidate, inner, 0))), inner.shape)
        i, j = int(row) + 1, int(column) + 1
        steps = np.linspace(0, 1, 4 * REACH)
        path = light[np.rint(REACH + steps * (i - REACH)).astype(int), np.rint(REACH + steps * (j - REACH)).astype(int)]
        clear = path.min() <= (DIP_EQUAL if light[i, j] > EQUAL else DIP) * light[i, j]
        if clear and _shared(stamps, peaks[best], columns[best], rows[best], (i, j), float(light[i, j]), noise):
            double = _at(light, i, j)
    if double is None:
        near = slice(REACH - NEAR_REACH, REACH + NEAR_REACH + 1)
        double = _one_sided(stamps[:, near, near] / peaks[best][:, None, None], typical_noise)
    return double


def _at(light: NDArray[Any], i: int, j: int) -> Doubling:
    """The companion about this place of stars laid over one another, where their light is its own."""
    near = np.maximum(light[i - 1 : i + 2, j - 1 : j + 2], 0)
    reach = np.arange(-1, 2)
    dy = i - light.shape[0] // 2 + float((near.sum(axis=1) * reach).sum() / near.sum())
    dx = j - light.shape[1] // 2 + float((near.sum(axis=0) * reach).sum() / near.sum())
    return Doubling(2 * math.hypot(dx, dy), math.degrees(math.atan2(dy, dx)) % 180.0, float(light[i, j]))


def _one_sided(over_peak: NDArray[np.float32], noise: float) -> Doubling | None:
    """A companion in the star's own foot, that stands on one side of most stars and not on the other.

    A star's image is as bright on one side as on the other, a trail's end is as likely to be its peak as the other, and
    what a lens makes of it points elsewhere in other parts of the picture.

    Parameters
    ----------
    over_peak : (n, side, side) float32 array: light about stars over their peaks
    noise : of a mean over the stars
    """
    odd = over_peak - over_peak[:, ::-1, ::-1]
    light = np.median(odd, axis=0)
    row, column = np.unravel_index(int(np.argmax(light[1:-1, 1:-1])), (2 * NEAR_REACH - 1,) * 2)
    i, j = int(row) + 1, int(column) + 1
    height, y, x = float(light[i, j]), i - NEAR_REACH, j - NEAR_REACH
    if height < max(ONE_SIDED_MIN, NOISE_SIGMA * MEDIAN_ERROR * noise) or math.hypot(x, y) < NEAREST:
        return None
    between = map_coordinates(light, [[NEAR_REACH + y / 2], [NEAR_REACH + x / 2]], order=1)[0]
    if between > ONE_SIDED_DIP * height or np.mean(odd[:, i, j] > HALF * height) < MAJORITY:
        return None
    return _at(light, i, j)


@numba.njit(cache=True, nogil=True)
def _near_pairs(x: Any, y: Any, first: int, reach: float) -> Any:
    """Of the first stars and all, which lie so near each other along x and y: numbers of the one and the other, as from
    ``np.nonzero((abs(x - x[:first, None]) < reach) & (abs(y - y[:first, None]) < reach))``."""
    pairs, number = np.empty((2, first * x.shape[0]), np.int64), 0
    for a in range(first):
        for b in range(x.shape[0]):  # without a branch, which would often be guessed wrong
            pairs[0, number], pairs[1, number] = a, b
            number += (abs(x[b] - x[a]) < reach) & (abs(y[b] - y[a]) < reach)
    return pairs[0, :number], pairs[1, :number]


def far_doubling(
    stars: NDArray[Any], width: int, height: int, lines: NDArray[np.float64] | None = None
) -> Doubling | None:
    """As `doubling`, for companions farther off: the difference of places that most of the bright stars share.

    Parameters
    ----------
    stars : `STAR_DTYPE` array, brightest first
    width, height : of the frame, px
    lines : (n, 4) x1, y1, x2, y2 of the frame's streaks, px
    """
    if lines is not None:
        stars = stars[~on_lines(stars["x"], stars["y"], lines, 2 * STREAK_WIDTH)]
    bright = stars[: min(FAR_STARS, len(stars) // 2)]
    if len(bright) < STARS_MIN:
        return None
    reach = FAR_REACH * width
    owner, other = _near_pairs(stars["x"], stars["y"], len(bright), reach)
    x, y = stars["x"][other] - stars["x"][owner], stars["y"][other] - stars["y"][owner]
    apart = np.hypot(x, y) > FAR_NEAREST
    if apart.sum() < STARS_MIN:
        return None
    owner, other, x, y = owner[apart], other[apart], x[apart], y[apart]
    # either image may be the brighter one: all differences are turned towards +y
    sign = np.where((y > 0) | ((y == 0) & (x > 0)), 1.0, -1.0)
    x, y = x * sign, y * sign
    bins = int(2 * reach / FAR_BIN) + 1
    shared = count_votes(x, y, (bins, bins // 2 + 1), ((-reach, reach), (0.0, reach))).place
    chosen = np.flatnonzero(np.hypot(x - shared[0], y - shared[1]) < 1.5 * FAR_BIN)
    if len(chosen) < STARS_MIN:
        return None
    ratio = (np.log(stars["flux"][other] / bright["flux"][owner]) * sign)[chosen]
    alike = np.abs(ratio - np.median(ratio)) < FAR_RATIO
    if alike.sum() < STARS_MIN:
        return None
    of = owner[chosen[alike]]
    at = np.median([x[chosen[alike]], y[chosen[alike]]], axis=1)
    # a star whose companion would lie outside the frame on one side says nothing by having none on the other
    inside = np.zeros(len(bright), bool)
    for way in (1, -1):
        there = bright["x"] + way * at[0], bright["y"] + way * at[1]
        inside |= (there[0] > 0) & (there[1] > 0) & (there[0] < width - 1) & (there[1] < height - 1)
    inside[of] = True
    if len(np.unique(of)) < max(STARS_MIN, MAJORITY * inside.sum()):
        return None
    height_of = math.exp(-abs(float(np.median(ratio[alike]))))
    return Doubling(math.hypot(*at), math.degrees(math.atan2(at[1], at[0])) % 180.0, height_of)


def _shared(
    stamps: NDArray[np.float32],
    peaks: NDArray[np.float32],
    x: NDArray[np.int64],
    y: NDArray[np.int64],
    place: tuple[int, int],
    height: float,
    noise: float,
) -> bool:
    """Whether most of the stars show the companion, on one side or the other, and not only those on one line."""
    seen = []
    for i, j in (place, (2 * REACH - place[0], 2 * REACH - place[1])):
        box = stamps[:, max(0, i - 1) : i + 2, max(0, j - 1) : j + 2]
        seen.append(box.max(axis=(1, 2)))
    # beside the lower of two images of a star stands the higher one: beside half the stars the ratio is turned over
    wanted = HALF * min(height, 1 / height) * peaks
    telling = wanted > SUPPORT_SIGMA * noise
    if telling.sum() < STARS_MIN:
        telling = np.zeros(len(peaks), bool)
        telling[:STARS_MIN] = True
    shows = np.maximum(*seen) > np.maximum(wanted, SUPPORT_SIGMA * noise / 2)
    shows, x, y = shows[telling], x[telling], y[telling]
    if shows.mean() < MAJORITY:
        return False
    off = ~on_lines(x, y, fullest_line(x[shows], y[shows], ON_LINE)[0], ON_LINE)
    return bool(off.sum() >= STARS_MIN / 2 and shows[off].mean() >= MAJORITY)
