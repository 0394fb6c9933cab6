"""Around full pixels, values kept within their neighbours'.

A full core is a cliff, and the sums that are right for stars (gradient-corrected demosaicing, Lanczos) ring at a
cliff: beside a saturated star they leave pixels darker than black, in another place for every colour. A full core has
no flux to keep, so there, and only there, results are held between the least and the greatest of what they were made
of.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanczos import REACH_BEFORE
from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP, positions
from pipeline.pixels.resample import NOT_COVERED, STEP, row_of_nodes

# Share of the full level from which a pixel counts as full: full wells differ by a few per cent across a sensor.
FULL = 0.95
# How far ringing of demosaic (2) and Lanczos (3) reaches, px.
REACH = 5
# Pixels of a row that are looked at together at first.
STRETCH = 32


def near_full_slow(mosaic: NDArray[np.float32], level: float, reach: int) -> NDArray[np.bool_]:
    """What `near_full` computes, in NumPy."""
    full = np.pad(mosaic >= level, reach)
    near = np.zeros(mosaic.shape, bool)
    for dy in range(2 * reach + 1):
        for dx in range(2 * reach + 1):
            near |= full[dy : dy + mosaic.shape[0], dx : dx + mosaic.shape[1]]
    return near


@njit(cache=True, nogil=True, error_model="numpy")
def near_full(mosaic, level, reach):  # type: ignore[no-untyped-def]
    """Pixels within `reach` rows and columns of one at or above `level`.

    Parameters
    ----------
    mosaic : (height, width) float32 array
    level : float32
    reach : int

    Returns
    -------
    (height, width) bool array
    """
    height, width = mosaic.shape
    near = np.zeros((height, width), np.bool_)
    for y in range(height):
        number = np.int32(0)  # counted, as that is vector code; most rows hold none
        for x in range(np.uint64(width)):
            number += np.int32(mosaic[y, x] >= level)
        for x in range(width if number else 0):
            if mosaic[y, x] >= level:
                near[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1] = True
    return near


@leaf
def _holds_any(row):  # type: ignore[no-untyped-def]
    number = np.int32(0)
    for x in range(np.uint64(len(row))):
        number += np.int32(row[x])
    return number > 0


@njit(cache=True, nogil=True, error_model="numpy")
def bound_demosaiced(padded, near, sites, planes):  # type: ignore[no-untyped-def]
    """Hold demosaiced colours between the samples of their colour in the 5 x 5 mosaic pixels around, in place.

    Parameters
    ----------
    padded : (height + 4, width + 4) float32 array, the mosaic with a margin of 2
    near : (height + 4, width + 4) bool array, which pixels to look at
    sites : (2, 2) int64 array, which plane the mosaic samples at an even or odd row and column of `planes`
    planes : (colours, height, width) float32 array
    """
    colours, height, width = planes.shape
    for y in range(height):
        for begin in range(0, width if _holds_any(near[y + 2]) else 0, STRETCH):
            end = min(begin + STRETCH, width)
            if not _holds_any(near[y + 2, begin + 2 : end + 2]):
                continue
            for x in range(begin, end):
                if near[y + 2, x + 2]:
                    for c in range(colours):
                        low, high = np.float32(np.inf), np.float32(-np.inf)
                        for dy in range(5):
                            for dx in range(5):
                                if sites[(y + dy) & 1, (x + dx) & 1] == c:
                                    low, high = min(low, padded[y + dy, x + dx]), max(high, padded[y + dy, x + dx])
                        planes[c, y, x] = min(max(planes[c, y, x], low), high)


@njit(cache=True, nogil=True, error_model="numpy")
def bound_resampled(  # type: ignore[no-untyped-def]
    planes, near, source_origin, shift, lagrange, origin, colour, count, scale, area, offset, values, codes
):
    """Hold resampled values between the 4 x 4 source pixels around their position, in place.

    Parameters
    ----------
    planes : (colours, rows, columns) float32 array, what was resampled
    near : (rows, columns) bool array, which source pixels to look at
    source_origin, shift, lagrange, origin, colour, count, scale, area, offset, values, codes
        As `resample_plane` was given them and left them.
    """
    height, width = codes.shape
    xs, ys = np.empty(width, np.float32), np.empty(width, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    gains, added = np.empty(shift.shape[1], np.float32), np.empty((count, shift.shape[1]), np.float32)
    rows, columns = near.shape
    stretches = _stretches_with_any(near)
    # cells of the position grid, and of a band of them which to look at: all but few lie far from full pixels
    first_cell, last_cell = origin[1] // GRID_STEP, (origin[1] + width - 1) // GRID_STEP
    looked_at = np.empty(last_cell - first_cell + 1, np.bool_)
    for band in range(origin[0] // GRID_STEP, (origin[0] + height - 1) // GRID_STEP + 1):
        some = False
        for cell in range(len(looked_at)):
            looked_at[cell] = _may_touch(
                stretches, *_reach_of(shift, 1, band, first_cell + cell, band * GRID_STEP - source_origin[0]),
                *_reach_of(shift, 0, band, first_cell + cell, (first_cell + cell) * GRID_STEP - source_origin[1]),
            )  # fmt: skip
            some |= looked_at[cell]
        if not some:
            continue
        for i in range(max(band * GRID_STEP - origin[0], 0), min((band + 1) * GRID_STEP - origin[0], height)):
            y = origin[0] + i
            row_of_nodes(area, y, scale, gains)
            for c in range(count):
                row_of_nodes(offset[colour + c], y, np.float32(1), added[c])
            for cell in range(len(looked_at)):
                if not looked_at[cell]:
                    continue
                k = first_cell + cell + 1
                begin, end = max((k - 1) * GRID_STEP - origin[1], 0), min(k * GRID_STEP - origin[1], width)
                positions(shift, lagrange, y, origin[1] + begin, xs[begin:end], ys[begin:end], nodes)
                if not _row_may_touch(stretches, xs[begin:end], ys[begin:end], source_origin):
                    continue
                for j in range(begin, end):
                    if codes[i, j] == NOT_COVERED:
                        continue
                    ix, iy = np.int64(xs[j]), np.int64(ys[j])
                    row, column = iy - source_origin[0], ix - source_origin[1]
                    if row < REACH_BEFORE or column < REACH_BEFORE or row + 3 >= rows or column + 3 >= columns:
                        continue
                    if not near[row, column]:
                        continue
                    into = np.float32((origin[1] + j) % GRID_STEP) * STEP
                    gain = gains[k] + into * (gains[k + 1] - gains[k])
                    for c in range(count):
                        low, high = np.float32(np.inf), np.float32(-np.inf)
                        for dy in range(4):
                            for dx in range(4):
                                v = planes[colour + c, row - 1 + dy, column - 1 + dx]
                                low, high = min(low, v), max(high, v)
                        more = added[c, k] + into * (added[c, k + 1] - added[c, k])
                        held = min(max(values[colour + c, i, j], gain * low + more), gain * high + more)
                        values[colour + c, i, j] = held


@njit(cache=True, nogil=True, error_model="numpy")
def _stretches_with_any(near):  # type: ignore[no-untyped-def]
    """Which stretches of `STRETCH` pixels of each row hold any that is set."""
    stretches = np.zeros((near.shape[0], -(-near.shape[1] // STRETCH)), np.bool_)
    for y in range(near.shape[0]):
        for x in range(near.shape[1] if _holds_any(near[y]) else 0):
            if near[y, x]:
                stretches[y, x // STRETCH] = True
    return stretches


@leaf
def _may_touch(stretches, first_y, last_y, first_x, last_x):  # type: ignore[no-untyped-def]
    """Whether any stretch between these places, ends included, is set."""
    for row in range(max(int(first_y), 0), min(int(last_y) + 1, stretches.shape[0])):
        for number in range(max(int(first_x) // STRETCH, 0), min(int(last_x) // STRETCH + 1, stretches.shape[1])):
            if stretches[row, number]:
                return True
    return False


@leaf
def _row_may_touch(stretches, xs, ys, source_origin):  # type: ignore[no-untyped-def]
    """The same of a row of positions in the frame."""
    top, bottom, left, right = np.int32(2**30), np.int32(-(2**30)), np.int32(2**30), np.int32(-(2**30))
    for x in range(np.uint64(len(xs))):
        row, column = np.int32(ys[x]), np.int32(xs[x])
        top, bottom, left, right = min(top, row), max(bottom, row), min(left, column), max(right, column)
    first, begin = np.int32(source_origin[0]), np.int32(source_origin[1])
    return _may_touch(stretches, top - first, bottom - first, left - begin, right - begin)


@leaf
def _reach_of(shift, axis, band, cell, begin):  # type: ignore[no-untyped-def]
    """The least and the greatest position along an axis (0 x, 1 y) in a cell that would begin at `begin` unshifted.

    Within the cell shifts lie between those of its four nodes, but for an eighth of the map's second differences along
    each axis. Of nodes that are no numbers a cell has no pixel that is covered.
    """
    least, greatest, bend = np.float32(np.inf), np.float32(-np.inf), np.float32(0)
    for i in range(4):
        for j in range(4):
            here = shift[band + i, cell + j, axis]
            if 0 < i < 3 and 0 < j < 3:
                least, greatest = min(least, here), max(greatest, here)
            if 0 < i < 3:
                beside = shift[band + i - 1, cell + j, axis] + shift[band + i + 1, cell + j, axis]
                bend = max(bend, abs(beside - 2 * here))
            if 0 < j < 3:
                beside = shift[band + i, cell + j - 1, axis] + shift[band + i, cell + j + 1, axis]
                bend = max(bend, abs(beside - 2 * here))
    return np.float64(begin + least - bend - 1), np.float64(begin + GRID_STEP + greatest + bend + 1)
