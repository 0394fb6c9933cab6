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
from pipeline.pixels.positions import GRID_STEP, positions
from pipeline.pixels.resample import NOT_COVERED, STEP, row_of_nodes

# Share of the full level from which a pixel counts as full: full wells differ by a few per cent across a sensor.
FULL = 0.95
# How far ringing of demosaic (2) and Lanczos (3) reaches, px.
REACH = 5


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
        for x in range(width):
            if mosaic[y, x] >= level:
                near[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1] = True
    return near


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
        for x in range(width):
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
    for i in range(height):
        y = origin[0] + i
        positions(shift, lagrange, y, origin[1], xs, ys, nodes)
        row_of_nodes(area, y, scale, gains)
        for c in range(count):
            row_of_nodes(offset[colour + c], y, np.float32(1), added[c])
        for j in range(width):
            if codes[i, j] == NOT_COVERED:
                continue
            ix, iy = np.int64(xs[j]), np.int64(ys[j])
            row, column = iy - source_origin[0], ix - source_origin[1]
            if row < REACH_BEFORE or column < REACH_BEFORE or row + 3 >= rows or column + 3 >= columns:
                continue
            if not near[row, column]:
                continue
            k, into = (origin[1] + j) // GRID_STEP + 1, np.float32((origin[1] + j) % GRID_STEP) * STEP
            gain = gains[k] + into * (gains[k + 1] - gains[k])
            for c in range(count):
                low, high = np.float32(np.inf), np.float32(-np.inf)
                for dy in range(4):
                    for dx in range(4):
                        v = planes[colour + c, row - 1 + dy, column - 1 + dx]
                        low, high = min(low, v), max(high, v)
                more = added[c, k] + into * (added[c, k + 1] - added[c, k])
                values[colour + c, i, j] = min(max(values[colour + c, i, j], gain * low + more), gain * high + more)
