"""What stays with the sensor over lights between which the sky moves: pixels that stand out, and whole lines. Arrays
only."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import MEDIAN_ERROR
from pipeline.pixels.ordering import STRIP, column_medians, sort_columns, sorting_network
from pipeline.sensor.calibrate import black_levels
from pipeline.sensor.clipped import clipped
from pipeline.sensor.coarse import standing_out
from pipeline.sensor.defects import CENTRE, GRID
from pipeline.sensor.mosaic import stored_value

# Limit of one frame's say in the persistence sum, in sigma: a passing star counts no more than this.
SAY_LIMIT = 4.0
# Smaller frames have no rows and columns on either side.
LEAST_SIDE = 4


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
    if min(values.shape) < LEAST_SIDE:
        return
    _add_persistence(total, values, _factor(sigma), np.float32(SAY_LIMIT))


def add_light(
    total: NDArray[np.float32],
    top: int,
    stored: NDArray[np.uint16],
    black: tuple[float, float, float, float],
    offset: float,
    dark: NDArray[np.float32] | None,
    scale: float,
    sigma: float,
) -> None:
    """`add_persistence` of what `calibrate` makes of a mosaic, for some of its rows; a few rows are held at a time.

    Parameters
    ----------
    total : (rows, width) float32 array, the sum's rows from `top` on, added to in place
    stored : (height, width) big-endian uint16 array as FITS stores it, the sign bit turned; the whole mosaic
    black, offset, scale : as `calibrate` takes them
    dark : (rows, width) float32 array, optional
        The mosaic's rows `rows_about` says.
    sigma : as for `add_persistence`
    """
    if min(stored.shape) < LEAST_SIDE:
        return
    levels = black_levels(black, offset, stored.shape[1])
    taken = np.zeros((0, stored.shape[1]), np.float32) if dark is None else dark
    limits = _factor(sigma), np.float32(SAY_LIMIT)
    _add_light(total, top, stored.view(np.uint16), levels, taken, np.float32(scale), *limits)


def rows_about(top: int, bottom: int, height: int) -> tuple[int, int]:
    """First row, and the one behind the last, that what rows top..bottom-1 say is told from."""
    return max(top - 2, 0), min(bottom + 2, height)


def _factor(sigma: float) -> np.float32:
    return np.float32(1.0 / (np.sqrt(1.25) * max(sigma, 1e-6)))


@njit(cache=True, nogil=True, error_model="numpy")
def _add_persistence(total, values, factor, limit):  # type: ignore[no-untyped-def]
    height = len(values)
    for y in range(height):
        above, below = values[y - 2 if y >= 2 else y + 2], values[y + 2 if y + 2 < height else y - 2]
        _add_row(values[y], above, below, factor, limit, total[y])


@njit(cache=True, nogil=True, error_model="numpy")
def _add_light(total, top, stored, levels, dark, scale, factor, limit):  # type: ignore[no-untyped-def]
    height, width = stored.shape
    bottom = top + len(total)
    first, last = max(top - 2, 0), min(bottom + 2, height)
    held = np.empty((5, width), np.float32)
    for ahead in range(first, bottom + 2):
        if ahead < last:
            _calibrate_row(
                stored[ahead], levels[ahead & 1], dark[min(ahead - first, len(dark)) :], scale, held[ahead % 5]
            )
        y = ahead - 2
        if y >= top:
            above, below = held[(y - 2 if y >= 2 else y + 2) % 5], held[(y + 2 if y + 2 < height else y - 2) % 5]
            _add_row(held[y % 5], above, below, factor, limit, total[y - top])


@leaf
def _calibrate_row(source, levels, dark, scale, out):  # type: ignore[no-untyped-def]
    if len(dark):
        taken = dark[0]
        for x in range(np.uint64(len(out))):
            out[x] = stored_value(source[x]) - levels[x] - scale * taken[x]
    else:
        for x in range(np.uint64(len(out))):
            out[x] = stored_value(source[x]) - levels[x]


@leaf
def _add_row(row, above, below, factor, limit, out):  # type: ignore[no-untyped-def]
    width = len(row)
    within = slice(2, width - 2)
    _add_say(row[within], above[within], below[within], row[: width - 4], row[4:], factor, limit, out[within])
    for x in (0, 1, width - 2, width - 1):
        left, right = x - 2 if x >= 2 else x + 2, x + 2 if x + 2 < width else x - 2
        here, one, other = slice(x, x + 1), slice(left, left + 1), slice(right, right + 1)
        _add_say(row[here], above[here], below[here], row[one], row[other], factor, limit, out[here])


@leaf
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
    return standing_out(total, None, limit)


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
    grid = GRID.T if rows else GRID
    next_to, two_off = grid[:, 1::2].ravel(), grid[2, ::4]
    levels = []
    for patch, sigma in zip(patches, sigmas, strict=True):
        light = patch[:, next_to].mean(axis=1)
        dark = light <= np.median(light)
        levels.append(np.median(patch[dark, CENTRE] - patch[dark][:, two_off].mean(axis=1)) / sigma)
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
    _column_medians(total, block, sorting_network(block), medians)
    contrasts = _beside_contrast(medians)
    spread = clipped(contrasts)[1]
    least = LINE_LEAST / 2 / float(np.sqrt(1.25)) * frames
    found: list[tuple[float, int, int, int, float]] = []
    for window in sorted({min(w, blocks) for w in LINE_BLOCKS}):
        error = (MEDIAN_ERROR if window > 2 else 1.0) * spread / float(np.sqrt(window))
        for first in _window_tops(blocks, window):
            part = contrasts[first : first + window]
            contrast = column_medians(part)
            halves = column_medians(part[: window // 2]), column_medians(part[window - window // 2 :])
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
    budget, marked = max(LINE_SHARE_MAX * total.size, max(total.shape)), 0
    for _, first, window, x, stands_out in sorted(found):
        bottom = height if first + window == blocks else (first + window) * block
        if marked + bottom - first * block > budget:
            break
        rest = bottom - first * block - int(np.count_nonzero(bad[first * block : bottom, x]))
        if rest == 0:
            continue
        ys = np.arange(first * block, bottom)
        level = stands_out * 2 * float(np.sqrt(1.25)) / frames
        if shown(ys, np.full(len(ys), x)) * np.sign(level) > LINE_SHOWN * abs(level):
            bad[ys, x] = True
            marked += rest
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
            sort_columns(rows, size, network)
            medians[n, left : left + size] = rows[block // 2, :size]


def _beside_contrast(medians: NDArray[np.float32]) -> NDArray[np.float32]:
    """Each column's value less the median of the columns beside it, four to either side, for all but the outer four.

    The columns two away are left out: a bad column has its mirror image there. Bright stars have broad dark halos in a
    persistence sum: what the columns beside show of one is taken off the size of the contrast a second time.
    """
    width = medians.shape[1] - 8
    beside = column_medians(np.stack([medians[:, k : k + width] for k in (0, 1, 3, 5, 7, 8)]))
    contrast = medians[:, 4 : 4 + width] - beside
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
