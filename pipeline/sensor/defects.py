"""Defective pixels: what a master dark shows, and what stays with the sensor while the sky moves. Arrays only.

A defect map is a uint8 array of the flags HOT, COLD and UNSTABLE. No star may ever enter it: whatever is found in
lights must be sharper than any star (`looks_like_defect`), because under a tracked or polar sky stars stay put too.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.ordering import median_first
from pipeline.sensor.calibrate import CHESS, lattices
from pipeline.sensor.clipped import clipped
from pipeline.sensor.coarse import coarse_level, spread_about, standing_out

HOT, COLD, UNSTABLE = 1, 2, 4


class Pixels(Protocol):
    """A two-dimensional array or what can be indexed like one."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Height and width."""

    def __getitem__(self, index: Any, /) -> NDArray[Any]:
        """Pixels as a NumPy array indexes them."""


# Patches around candidates reach this far: the same-colour pixels that a candidate is compared with lie on the rim.
REACH = 2


def master_defects(
    mean: NDArray[np.float32],
    unstable: NDArray[np.bool_],
    sigma: float,
    cfa: str,
    hot_sigma: float,
    full_scale: float,
) -> NDArray[np.uint8]:
    """Defects that a master dark shows.

    Hot (cold) is what lies `hot_sigma` standard deviations of one frame, the spread of ordinary pixels of the master
    included, above (below) the median of its same-colour neighbours; hot too what is saturated. Warm pixels below
    that are left to subtraction, which removes them to their shot noise. A frame's noise and not the master's is
    the measure, because with many darks the latter would give up pixels that are perfectly good.

    Parameters
    ----------
    mean : (height, width) float32 array, ADU above black
    unstable : (height, width) bool array
    sigma : float
        Temporal noise of one frame, ADU.
    cfa : str
    hot_sigma : float
    full_scale : float
        Level above black of saturation, ADU.

    Returns
    -------
    (height, width) uint8 array of HOT, COLD and UNSTABLE flags
    """
    lattices(cfa)  # refuses an unknown pattern
    defects = np.where(unstable, np.uint8(UNSTABLE), np.uint8(0))
    coarse = coarse_level(mean)
    limit = hot_sigma * float(np.hypot(sigma, spread_about(mean, coarse)))
    ys, xs = standing_out(mean, coarse, 0.5 * limit)
    excess = same_colour_excess(mean, ys, xs)
    flags = np.where(excess > limit, HOT, 0) | np.where(excess < -limit, COLD, 0)
    flags |= np.where(mean[ys, xs] >= 0.98 * full_scale, HOT, 0)
    defects[ys, xs] |= flags.astype(np.uint8)
    return defects


def same_colour_excess(
    values: NDArray[np.float32], ys: NDArray[np.int64], xs: NDArray[np.int64]
) -> NDArray[np.float32]:
    """How far pixels lie above the median of the 24 nearest pixels of their own CFA position.

    ``values[y, x] - median(values[y - 4 : y + 5 : 2, x - 4 : x + 5 : 2])``, the pixel itself left out; at the edges
    fewer.
    """
    out = np.zeros(len(ys), np.float32)
    _same_colour_excess(values, np.asarray(ys, np.int64), np.asarray(xs, np.int64), out)
    return out


@njit(cache=True, nogil=True)
def _same_colour_excess(values, ys, xs, out):  # type: ignore[no-untyped-def]
    height, width = values.shape
    ring = np.empty(24, np.float32)
    for n in range(ys.size):
        count = 0
        for dy in range(-4, 5, 2):
            for dx in range(-4, 5, 2):
                y, x = ys[n] + dy, xs[n] + dx
                if (dy != 0 or dx != 0) and 0 <= y < height and 0 <= x < width:
                    ring[count] = values[y, x]
                    count += 1
        if count > 0:
            out[n] = values[ys[n], xs[n]] - median_first(ring, count)


def cross_residual_sigma(values: Pixels) -> float:
    """Noise of one pixel from ``v - mean of the four pixels two rows or columns away``, stars clipped away.

    A sample of rows; the factor is sqrt(1 + 1/4).
    """
    step = max(1, (values.shape[0] - 4) // 64)
    rows = np.arange(2, values.shape[0] - 2, step)
    if rows.size == 0 or values.shape[1] < 5:
        return clipped(values[:].astype(np.float32))[1]
    above, row, below = (values[rows + step].astype(np.float32) for step in (-2, 0, 2))
    around = above[:, 2:-2] + below[:, 2:-2] + row[:, :-4] + row[:, 4:]
    return clipped(row[:, 2:-2] - np.float32(0.25) * around, sigma=3.0)[1] / float(np.sqrt(1.25))


def gather_patches(values: Pixels, ys: NDArray[np.int64], xs: NDArray[np.int64]) -> NDArray[Any]:
    """5 x 5 patches around pixels, (number, 25); beyond an edge the mirrored pixel, which keeps the CFA position."""
    offsets = np.arange(-REACH, REACH + 1)
    rows = _mirrored(ys[:, None] + offsets, values.shape[0])
    columns = _mirrored(xs[:, None] + offsets, values.shape[1])
    return values[rows[:, :, None], columns[:, None, :]].reshape(len(ys), GRID.size)


def _mirrored(index: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    index = np.abs(index)
    return np.clip(np.where(index >= size, 2 * (size - 1) - index, index), 0, size - 1)


GRID = np.arange(25).reshape(5, 5)
CENTRE = 12
_RIM = GRID[::2, ::2].ravel()[[0, 1, 2, 3, 5, 6, 7, 8]]  # the same CFA position, two pixels away
_BESIDE = np.array([GRID[2, 1], GRID[2, 3], GRID[1, 2], GRID[3, 2]])
_DIAGONAL = np.array([GRID[1, 1], GRID[1, 3], GRID[3, 1], GRID[3, 3]])
# the pixels of the same CFA position as those beside, two pixels off across
_BESIDE_RIM = np.array(
    [
        [GRID[0, 1], GRID[0, 3], GRID[4, 1], GRID[4, 3]],
        [GRID[0, 1], GRID[0, 3], GRID[4, 1], GRID[4, 3]],
        [GRID[1, 0], GRID[3, 0], GRID[1, 4], GRID[3, 4]],
        [GRID[1, 0], GRID[3, 0], GRID[1, 4], GRID[3, 4]],
    ]
)
# What a star adds to its neighbours as a share of its own excess: the mean over the four pixels beside and, where the
# diagonal ones are of its colour (green, mono), the mean over those too. Least shares over 4,000 phases and star
# colours (R and B 0.3 to 1.1 times G) at FWHM 1.8, the worst: red and blue pixels 0.42, green 0.38, mono 0.67.
STAR_SHARE = 0.25
# With one of the neighbours left out, the one that takes most: 0.32, 0.32, 0.63; with one of either kind 0.32, 0.28,
# 0.54. Of those beside and of the diagonal ones each so many must be sound.
SOUND_LEAST = 3
# Standard deviations of the share that are held against the pixel: a star in noise must not pass for a defect.
SHARE_MARGIN = 1.5


def looks_like_defect(
    patches: NDArray[np.float32],
    ys: NDArray[np.int64],
    xs: NDArray[np.int64],
    cfa: str,
    sigma: float | NDArray[np.floating],
    limit: float,
    known: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell hot and cold pixels from stars by sharpness.

    Excess: centre minus the median of the eight pixels of its CFA position two pixels away; it must exceed
    `limit` of its own standard deviations. Share: mean of the four pixels beside it, each less the mean of four of its
    own CFA position two pixels off across, plus, on green and mono pixels, the mean of the diagonal four less the
    median above; over the excess. A defect is what has ``abs(share) + 1.5 standard deviations < 0.25`` and stands by at
    least half its excess above all but one of the eight (one may be a defect itself); the flanks of stars do not.
    Pixels known for defects count for nothing in all of this: of two that touch the weaker is told once the stronger is
    known.

    Parameters
    ----------
    patches : (number, 25) float32 array, medians over frames of what `gather_patches` gave
    ys, xs : (number,) int arrays
    cfa : str
    sigma : float, or (number,) array
        Noise of a value of `patches`, ADU.
    limit : float
    known : (number, 25) bool array, optional
        Which values are those of known defects.

    Returns
    -------
    hot, cold : (number,) bool arrays
    """
    same_diagonal = lattices(cfa)[2 * (ys % 2) + xs % 2] >= CHESS
    sound = np.ones(patches.shape, bool) if known is None else ~known
    order = np.sort(np.where(sound[:, _RIM], patches[:, _RIM], np.inf), axis=1)
    number = sound[:, _RIM].sum(axis=1)
    each = np.arange(len(patches))
    middle = 0.5 * (order[each, np.maximum(number - 1, 0) // 2] + order[each, np.minimum(number // 2, 7)])
    enough = (number >= 4) & (_number(sound, _BESIDE) >= SOUND_LEAST)
    enough &= (_number(sound, _DIAGONAL) >= SOUND_LEAST) | ~same_diagonal
    middle = np.where(enough, middle, 0)
    sign = np.sign(patches[:, CENTRE] - middle)
    sides = patches * sign[:, None]  # cold pixels become hot ones
    middle = middle * sign
    size = sides[:, CENTRE] - middle
    second = np.sort(np.where(sound[:, _RIM], sides[:, _RIM], -np.inf), axis=1)[:, 6]
    off = np.where(sound[:, _BESIDE], sides[:, _BESIDE] - _mean(sides, sound, _BESIDE_RIM), 0)
    beside = off.sum(axis=1) / np.maximum(_number(sound, _BESIDE), 1)
    diagonal = np.where(same_diagonal, _mean(sides, sound, _DIAGONAL) - middle, 0)
    # variances of the mean of those beside, of the two means of four that two by two share, and of a median of eight
    parts = 1 / np.maximum(_number(sound, _BESIDE), 1) + 0.125
    parts += np.where(same_diagonal, 1 / np.maximum(_number(sound, _DIAGONAL), 1) + np.pi / 16, 0)
    sharp = np.abs(beside + diagonal) + SHARE_MARGIN * sigma * np.sqrt(parts) < STAR_SHARE * size
    alone = sides[:, CENTRE] - second > 0.5 * size
    found = enough & sharp & alone & (size > limit * sigma * np.sqrt(1 + np.pi / 16))
    return found & (sign > 0), found & (sign < 0)


def _number(sound: NDArray[np.bool_], places: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.asarray(sound[:, places].sum(axis=-1))


def _mean(values: NDArray[np.floating], sound: NDArray[np.bool_], places: NDArray[np.int64]) -> NDArray[np.floating]:
    """Means over the sound of some places of patches, along the places' last axis."""
    total = np.where(sound[:, places], values[:, places], 0).sum(axis=-1)
    return np.asarray(total / np.maximum(_number(sound, places), 1))


def full_beside(patches: NDArray[np.floating], known: NDArray[np.bool_], level: float) -> NDArray[np.bool_]:
    """Whether a pixel has one of that level beside it in its row or column, known defects left out.

    A saturated star bleeds along its column (its row, where the sensor stands on its side), as sharp as any defect.
    """
    return np.asarray(((patches[:, _BESIDE] >= level) & ~known[:, _BESIDE]).any(axis=1))


# How far a pixel of a single frame must stand out alone, standard deviations: of noise one in a thousand million does.
STRAY_SIGMA = 6.0


def stray_pixels(values: NDArray[np.float32], cfa: str) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pixels of one frame that stand out alone, sharper than the lens draws light: those that flicker, and hits.

    Parameters
    ----------
    values : (height, width) float32 array, calibrated, ADU above black, from an even row and column of the frame on
    cfa : str

    Returns
    -------
    their rows and columns
    """
    sigma = max(cross_residual_sigma(values), 1e-3)
    inner = slice(REACH, -REACH)
    around = values[: -2 * REACH, inner] + values[2 * REACH :, inner]
    around += values[inner, : -2 * REACH] + values[inner, 2 * REACH :]
    # of the four a second one may be a defect, a fourth of which is taken off
    ys, xs = np.nonzero(np.abs(values[inner, inner] - np.float32(0.25) * around) > 0.6 * STRAY_SIGMA * sigma)
    ys, xs = ys + REACH, xs + REACH
    patches = gather_patches(values, ys, xs).astype(np.float32)
    rim = np.sort(patches[:, _RIM], axis=1)
    sky = np.array([[np.median(values[r::2, c::2]) for c in (0, 1)] for r in (0, 1)])[ys % 2, xs % 2]
    # where light is above the sky its own noise is too: at most all of the sky's noise is light's
    noise = sigma * np.sqrt(np.maximum(rim[:, -2] / np.maximum(sky, sigma), 1))
    hot, cold = looks_like_defect(patches, ys, xs, cfa, noise, STRAY_SIGMA)
    return ys[hot | cold], xs[hot | cold]
