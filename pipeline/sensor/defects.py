"""Defective pixels: what a master dark shows, and what stays with the sensor while the sky moves. Arrays only.

A defect map is a uint8 array of the flags HOT, COLD and UNSTABLE. No star may ever enter it: whatever is found in
lights must be sharper than any star (`looks_like_defect`), because under a tracked or polar sky stars stay put too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.ordering import median_first, put_in_order, select_first, sorting_network
from pipeline.sensor.calibrate import CHESS, lattices
from pipeline.sensor.clipped import clipped

HOT, COLD, UNSTABLE = 1, 2, 4


class Pixels(Protocol):
    """A two-dimensional array or what can be indexed like one."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Height and width."""

    def __getitem__(self, index: Any, /) -> NDArray[Any]:
        """Pixels as a NumPy array indexes them."""


# Side of the blocks whose medians are the coarse level that candidates are found against.
COARSE = 64
# Patches around candidates reach this far: the same-colour pixels that a candidate is compared with lie on the rim.
REACH = 2
# Limit of one frame's say in the persistence sum, in sigma: a passing star counts no more than this.
SAY_LIMIT = 4.0


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
    deviation = mean - coarse
    rows = slice(0, None, max(1, mean.shape[0] // 256))
    _, spread = clipped(deviation[rows])
    limit = hot_sigma * float(np.hypot(sigma, spread))
    ys, xs = np.nonzero(np.abs(deviation) > 0.5 * limit)
    excess = same_colour_excess(mean, ys, xs)
    flags = np.where(excess > limit, HOT, 0) | np.where(excess < -limit, COLD, 0)
    flags |= np.where(mean[ys, xs] >= 0.98 * full_scale, HOT, 0)
    defects[ys, xs] |= flags.astype(np.uint8)
    return defects


def coarse_level(values: NDArray[np.float32], side: int = COARSE) -> NDArray[np.float32]:
    """Upper medians over blocks of `side` x `side`, each CFA position its own, full size and blockwise constant.

    Of every CFA position each fourth pixel is looked at (every second row and column of its plane): for blocks from
    (top, left), ``np.sort(values[top + row : top + side : 4, left + column : left + side : 4].ravel())[n // 2]`` with n
    the number of values; 0 where a block has none.
    """
    result = np.empty(values.shape, np.float32)
    _coarse_level(np.ascontiguousarray(values, np.float32), side, result)
    return result


@njit(cache=True, nogil=True)
def _coarse_level(values, side, result):  # type: ignore[no-untyped-def]
    height, width = values.shape
    sample, levels = np.empty((side // 4 + 1) ** 2, np.float32), np.empty((2, 2), np.float32)
    for top in range(0, height, side):
        bottom = min(top + side, height)
        for left in range(0, width, side):
            right = min(left + side, width)
            for row in range(2):
                for column in range(2):
                    count = 0
                    for y in range(top + row, bottom, 4):
                        for x in range(left + column, right, 4):
                            sample[count] = values[y, x]
                            count += 1
                    levels[row, column] = select_first(sample, count, count // 2) if count > 0 else np.float32(0)
            for y in range(top, bottom):
                even, odd = levels[(y - top) & 1, 0], levels[(y - top) & 1, 1]
                for x in range(left, right):
                    result[y, x] = odd if (x - left) & 1 else even


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


def add_persistence(total: NDArray[np.float32], values: NDArray[np.float32], sigma: float) -> None:
    """Add one frame's say: ``clip((v - mean of v two rows or columns away) / (sqrt(1.25) sigma), -4, 4)``.

    Beyond an edge the pixel on the other side stands in. Over frames the sum grows with their number for what stays
    with the sensor, and with its root for noise.

    Parameters
    ----------
    total : (height, width) float32 array, added to in place
    values : (height, width) float32 array, ADU above black
    sigma : float
        Noise of a pixel, ADU.
    """
    if min(values.shape) < 4:
        return
    _add_persistence(total, values, np.float32(1.0 / (np.sqrt(1.25) * max(sigma, 1e-6))), np.float32(SAY_LIMIT))


@njit(cache=True, nogil=True, error_model="numpy")
def _add_persistence(total, values, factor, limit):  # type: ignore[no-untyped-def]
    height, width = values.shape
    for y in range(height):
        row, out = values[y], total[y]
        above, below = values[y - 2 if y >= 2 else y + 2], values[y + 2 if y + 2 < height else y - 2]
        within = slice(2, width - 2)
        _add_say(row[within], above[within], below[within], row[: width - 4], row[4:], factor, limit, out[within])
        for x in (0, 1, width - 2, width - 1):
            left, right = x - 2 if x >= 2 else x + 2, x + 2 if x + 2 < width else x - 2
            here, one, other = slice(x, x + 1), slice(left, left + 1), slice(right, right + 1)
            _add_say(row[here], above[here], below[here], row[one], row[other], factor, limit, out[here])


@njit(cache=True, nogil=True, error_model="numpy")
def _add_say(row, above, below, left, right, factor, limit, out):  # type: ignore[no-untyped-def]
    quarter = np.float32(0.25)
    for x in range(np.uint64(len(out))):
        e = (row[x] - quarter * (above[x] + below[x] + left[x] + right[x])) * factor
        e = e if e > -limit else -limit
        out[x] += e if e < limit else limit


def persistence_candidates(
    total: NDArray[np.float32], frames: int, sigma: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pixels whose sum over frames departs from chance by `sigma` standard deviations; rows and columns."""
    step = max(1, total.shape[0] // 256)
    _, spread = clipped(total[::step])
    limit = sigma * max(float(np.sqrt(frames)), spread)
    # four frames of the fullest say must be able to reach it
    limit = min(limit, 0.98 * SAY_LIMIT * frames)
    ys, xs = np.nonzero(np.abs(total) > limit)
    return ys, xs


def gather_patches(values: Pixels, ys: NDArray[np.int64], xs: NDArray[np.int64]) -> NDArray[Any]:
    """5 x 5 patches around pixels, (number, 25); beyond an edge the mirrored pixel, which keeps the CFA position."""
    offsets = np.arange(-REACH, REACH + 1)
    rows = _mirrored(ys[:, None] + offsets, values.shape[0])
    columns = _mirrored(xs[:, None] + offsets, values.shape[1])
    return values[rows[:, :, None], columns[:, None, :]].reshape(len(ys), _GRID.size)


def _mirrored(index: NDArray[np.int64], size: int) -> NDArray[np.int64]:
    index = np.abs(index)
    return np.clip(np.where(index >= size, 2 * (size - 1) - index, index), 0, size - 1)


_GRID = np.arange(25).reshape(5, 5)
_CENTRE = 12
_RIM = _GRID[::2, ::2].ravel()[[0, 1, 2, 3, 5, 6, 7, 8]]  # the same CFA position, two pixels away
_BESIDE = np.array([_GRID[2, 1], _GRID[2, 3], _GRID[1, 2], _GRID[3, 2]])
_DIAGONAL = np.array([_GRID[1, 1], _GRID[1, 3], _GRID[3, 1], _GRID[3, 3]])
# the pixels of the same CFA position as those beside, two pixels off across
_BESIDE_RIM = np.array(
    [
        [_GRID[0, 1], _GRID[0, 3], _GRID[4, 1], _GRID[4, 3]],
        [_GRID[0, 1], _GRID[0, 3], _GRID[4, 1], _GRID[4, 3]],
        [_GRID[1, 0], _GRID[3, 0], _GRID[1, 4], _GRID[3, 4]],
        [_GRID[1, 0], _GRID[3, 0], _GRID[1, 4], _GRID[3, 4]],
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
    sign = np.sign(patches[:, _CENTRE] - middle)
    sides = patches * sign[:, None]  # cold pixels become hot ones
    middle = middle * sign
    size = sides[:, _CENTRE] - middle
    second = np.sort(np.where(sound[:, _RIM], sides[:, _RIM], -np.inf), axis=1)[:, 6]
    off = np.where(sound[:, _BESIDE], sides[:, _BESIDE] - _mean(sides, sound, _BESIDE_RIM), 0)
    beside = off.sum(axis=1) / np.maximum(_number(sound, _BESIDE), 1)
    diagonal = np.where(same_diagonal, _mean(sides, sound, _DIAGONAL) - middle, 0)
    # variances of the mean of those beside, of the two means of four that two by two share, and of a median of eight
    parts = 1 / np.maximum(_number(sound, _BESIDE), 1) + 0.125
    parts += np.where(same_diagonal, 1 / np.maximum(_number(sound, _DIAGONAL), 1) + np.pi / 16, 0)
    sharp = np.abs(beside + diagonal) + SHARE_MARGIN * sigma * np.sqrt(parts) < STAR_SHARE * size
    alone = sides[:, _CENTRE] - second > 0.5 * size
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


# A column (row) is bad along a window when the median of its persistence stands out by this many standard errors...
LINE_SIGMA = 6.0
# ... and its level by at least this share of one frame's noise: less than that is noise like any other pattern.
LINE_LEAST = 0.15
# What the lines next to it may show of it: a bad line is alone. Stars that a tripod lets run along a line reach the
# next one by 0.42 of their height and more (FWHM 1.8 px), and so do their dark halos.
LINE_NARROW = 0.35
# ... and what single frames must show of it: stars cover a few pixels of a line in each frame, over all frames the most
# of it, and two that run four lines apart leave a dark one between them.
LINE_SHOWN = 0.5
LINE_BLOCK = 32
# Columns that are sorted beside one another: their values stay in the nearest cache.
STRIP = 256
LINE_EDGE = 8
LINE_BLOCKS = (2, 8, 32)
# Columns about one that tell how unlike columns are there, by that quantile of their sizes; its value of unit spread.
LINE_ABOUT, LINE_USUAL, LINE_UNIT = 48, 0.9, 1.645
# More than this share of the frame is never given up for lines; the strongest go first.
LINE_SHARE_MAX = 0.01


def line_level(patches: Sequence[NDArray[np.floating]], sigmas: Sequence[float], rows: bool) -> float:
    """How far pixels along a column (row) lie above the mean of those two pixels off on either side, in sigma.

    The median over frames of the median over that half of the pixels that the columns (rows) next to it show least
    light about: stars that run along those two off let the line look dark. `patches` as `gather_patches` gives them,
    (number, 25), a frame.
    """
    grid = _GRID.T if rows else _GRID
    next_to, two_off = grid[:, 1::2].ravel(), grid[2, ::4]
    levels = []
    for patch, sigma in zip(patches, sigmas, strict=True):
        light = patch[:, next_to].mean(axis=1)
        dark = light <= np.median(light)
        levels.append(np.median(patch[dark, _CENTRE] - patch[dark][:, two_off].mean(axis=1)) / sigma)
    return float(np.median(levels))


def bad_columns(
    total: NDArray[np.float32], frames: int, shown: Callable[[NDArray[np.int64], NDArray[np.int64]], float]
) -> NDArray[np.bool_]:
    """Columns, whole or in part, that keep a level of their own while the sky moves.

    Medians of the persistence over blocks of 32 rows, over windows of 2, 8 and 32 of these. A column off by c sigma
    has a persistence of ``c / 2 / sqrt(1.25)`` a frame, as the pixels above and below share it; the columns two away
    have half of that with the other sign, and are not taken for bad themselves. What the next column shows as well is
    stars that run along it. The outer eight columns, where sensors fall off, are not judged.

    Parameters
    ----------
    total : (height, width) float32 array, as `add_persistence` sums it
    frames : int
    shown : callable
        What `line_level` says of pixels given by rows and columns.

    Returns
    -------
    (height, width) bool array
    """
    height, width = total.shape
    bad = np.zeros(total.shape, bool)
    if width < 2 * LINE_EDGE + 1 or height < 4:
        return bad
    block = min(LINE_BLOCK, height // 2)
    blocks = height // block
    medians = np.empty((blocks, width), np.float32)
    _column_medians(np.ascontiguousarray(total, np.float32), block, sorting_network(block), medians)
    contrasts = _beside_contrast(medians)
    spread = clipped(contrasts)[1]
    least = LINE_LEAST / 2 / float(np.sqrt(1.25)) * frames
    found: list[tuple[float, int, int, int, float]] = []
    for window in sorted({min(w, blocks) for w in LINE_BLOCKS}):
        error = (1.2533 if window > 2 else 1.0) * spread / float(np.sqrt(window))
        for first in _window_tops(blocks, window):
            part = contrasts[first : first + window]
            contrast = np.median(part, axis=0)
            halves = np.median(part[: window // 2], axis=0), np.median(part[window - window // 2 :], axis=0)
            # a column that is bad in one half only is left to shorter windows
            whole = np.minimum(*(half * np.sign(contrast) for half in halves)) > 0.6 * np.abs(contrast)
            size = np.abs(contrast)
            # rock and snow before a tripod have columns of their own as well, beside one another
            unlike = np.maximum(error, _usual_about(size) / LINE_UNIT)
            padded = np.pad(size, 2)
            peak = size > 1.2 * np.maximum(padded[:-4], padded[4:])
            # a trail of stars along the line is as wide as they are
            beside = np.pad(size, 1)
            peak &= np.maximum(beside[:-2], beside[2:]) < LINE_NARROW * size
            peak[: LINE_EDGE - 4] = peak[4 - LINE_EDGE :] = False
            for x in np.nonzero(peak & whole & (size > np.maximum(LINE_SIGMA * unlike, least)))[0].tolist():
                found.append((-float(size[x] / unlike[x]), first, window, x + 4, float(contrast[x])))
    budget = max(LINE_SHARE_MAX * total.size, max(total.shape))
    for _, first, window, x, stands_out in sorted(found):
        bottom = height if first + window == blocks else (first + window) * block
        if bad.sum() + bottom - first * block > budget:
            break
        if bad[first * block : bottom, x].all():
            continue
        ys = np.arange(first * block, bottom)
        level = stands_out * 2 * float(np.sqrt(1.25)) / frames
        if shown(ys, np.full(len(ys), x)) * np.sign(level) > LINE_SHOWN * abs(level):
            bad[ys, x] = True
    return bad


@njit(cache=True, nogil=True, error_model="numpy")
def _column_medians(total, block, network, medians):  # type: ignore[no-untyped-def]
    """``medians[n] = np.median(total[n * block : (n + 1) * block], axis=0)`` (the upper one of an even number)."""
    width = total.shape[1]
    rows = np.empty((block, STRIP), np.float32)
    for n in range(medians.shape[0]):
        for left in range(0, width, STRIP):
            size = min(STRIP, width - left)
            rows[:, :size] = total[n * block : (n + 1) * block, left : left + size]
            for pair in range(len(network)):
                put_in_order(rows[network[pair, 0], :size], rows[network[pair, 1], :size])
            medians[n, left : left + size] = rows[block // 2, :size]


def _beside_contrast(medians: NDArray[np.float32]) -> NDArray[np.float32]:
    """Each column's value less the median of the columns beside it, four to either side, for all but the outer four.

    The columns two away are left out: a bad column has its mirror image there. Bright stars have broad dark halos in a
    persistence sum: what the columns beside show of one is taken off the size of the contrast a second time.
    """
    near = np.lib.stride_tricks.sliding_window_view(medians, 9, axis=1)
    beside = np.median(near[:, :, [0, 1, 3, 5, 7, 8]], axis=2)
    contrast = near[:, :, 4] - beside
    broad = np.maximum(np.abs(beside) - 2 * clipped(beside)[1], 0)
    return np.asarray(np.sign(contrast) * np.maximum(np.abs(contrast) - broad, 0), np.float32)


def _usual_about(size: NDArray[np.float32]) -> NDArray[np.float32]:
    """Usual sizes in stretches of `LINE_ABOUT` columns: of a column's own stretch and of the two beside the largest."""
    number = -(-len(size) // LINE_ABOUT)
    padded = np.pad(size, (0, number * LINE_ABOUT - len(size)), mode="edge")
    usual = np.quantile(padded.reshape(number, LINE_ABOUT), LINE_USUAL, axis=1)
    wide = np.pad(usual, 1, mode="edge")
    largest = np.maximum(np.maximum(wide[:-2], wide[2:]), usual)
    return np.asarray(np.repeat(largest, LINE_ABOUT)[: len(size)], np.float32)


def _window_tops(height: int, window: int) -> list[int]:
    """Tops of windows that overlap by half and reach the last row."""
    tops = list(range(0, height - window + 1, max(1, window // 2)))
    return tops if tops[-1] + window == height else [*tops, height - window]
