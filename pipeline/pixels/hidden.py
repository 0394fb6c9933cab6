"""Values that show what does not move with the stars: left out, and given back where there is nothing else.

A frame's value counts for nothing where the frame shows land. Where some other frame shows the sky, it is as if the
frame did not reach there; where none does, all count as if nothing were known of land: the picture has no hole, and a
mask that takes sky for land does it no harm there.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP, positions
from pipeline.pixels.resample import NOT_COVERED

# Cells of the result in which it is told whether a frame shows land, px, and what of it.
CELL = 16
NOTHING, SOME, WHOLE = 0, 1, 2
# What the bend of a map between a cell's corners is allowed, px.
BEND = 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def shown_in_cells(sums, side, shift, shown):  # type: ignore[no-untyped-def]
    """Tell of each cell of the result whether a frame shows nothing of what is to be hidden, some of it, or it alone.

    Parameters
    ----------
    sums : (rows + 1, columns + 1) int32 array
        ``sums[i, j]`` is how many of the places of `near` before row i and column j are to be hidden (see
        `hide_plane`); beyond the last they go on as these are.
    side, shift : as of `hide_plane`
    shown : (rows, columns) uint8 array, filled; `SOME` where the map is not known all over
    """
    height, width = sums.shape[0] - 1, sums.shape[1] - 1
    low, high = np.empty(2), np.empty(2)
    for i in range(shown.shape[0]):
        for j in range(shown.shape[1]):
            # a cell lies between four nodes; the map there is of sixteen
            row, column = i * CELL // GRID_STEP + 1, j * CELL // GRID_STEP + 1
            if not np.isfinite(shift[row - 1 : row + 3, column - 1 : column + 3].sum()):
                shown[i, j] = SOME
                continue
            low[:], high[:] = np.inf, -np.inf
            for corner in range(4):
                y, x = i * CELL + corner // 2 * (CELL - 1), j * CELL + corner % 2 * (CELL - 1)
                down, right = y % GRID_STEP / GRID_STEP, x % GRID_STEP / GRID_STEP
                for axis in range(2):
                    upper = (1 - right) * shift[row, column, axis] + right * shift[row, column + 1, axis]
                    lower = (1 - right) * shift[row + 1, column, axis] + right * shift[row + 1, column + 1, axis]
                    place = (x if axis == 0 else y) + (1 - down) * upper + down * lower
                    low[axis] = min(low[axis], place)
                    high[axis] = max(high[axis], place)
            u0, v0 = (low + 0.5 - BEND) / side
            u1, v1 = (high + 0.5 + BEND) / side
            left, beyond = min(max(int(np.floor(u0)), 0), width - 1), min(max(int(np.floor(u1)), 0), width - 1) + 1
            top, bottom = min(max(int(np.floor(v0)), 0), height - 1), min(max(int(np.floor(v1)), 0), height - 1) + 1
            number = sums[bottom, beyond] - sums[top, beyond] - sums[bottom, left] + sums[top, left]
            if number == 0:
                shown[i, j] = NOTHING
            else:
                shown[i, j] = WHOLE if number == (bottom - top) * (beyond - left) else SOME


@njit(cache=True, nogil=True, error_model="numpy")
def hide_plane(near, side, shift, lagrange, origin, shown, codes, hidden):  # type: ignore[no-untyped-def]
    """Take one frame's values out where it shows land.

    Parameters
    ----------
    near : (rows, columns) uint8 array of cells, 1 where land is near
    side : of a cell, px
    shift, lagrange : position grid of where the frame's picture lies on them, px from the first, by pixel of the result
    origin : (row, column) of the tile's first pixel in the result
    shown : of `shown_in_cells`, for the whole result
    codes : (rows, columns) uint8 array; `NOT_COVERED` is set
    hidden : (rows, columns) uint8 array, 0 before; the code that was there plus 1 is put in

    Returns
    -------
    bool
        Whether any was.
    """
    rows, columns = codes.shape
    xs, ys = np.empty(columns, np.float32), np.empty(columns, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    found = False
    for i in range(rows):
        cells = shown[(origin[0] + i) // CELL, origin[1] // CELL : (origin[1] + columns - 1) // CELL + 1]
        if (cells == NOTHING).all():
            continue
        if (cells == SOME).any():
            positions(shift, lagrange, origin[0] + i, origin[1], xs, ys, nodes)
        for j in range(columns):
            cell = cells[(origin[1] + j) // CELL - origin[1] // CELL]
            if cell == NOTHING or codes[i, j] == NOT_COVERED:
                continue
            if cell == WHOLE:
                hidden[i, j] = codes[i, j] + np.uint8(1)
                codes[i, j] = np.uint8(NOT_COVERED)
                found = True
                continue
            x, y = xs[j], ys[j]
            if not (np.isfinite(x) and np.isfinite(y)):
                continue
            # land goes on beyond the last cell
            u = np.int64(min(max((x + np.float32(0.5)) / side, np.float32(0)), np.float32(near.shape[1] - 1)))
            v = np.int64(min(max((y + np.float32(0.5)) / side, np.float32(0)), np.float32(near.shape[0] - 1)))
            if near[v, u] != 0:
                hidden[i, j] = codes[i, j] + np.uint8(1)
                codes[i, j] = np.uint8(NOT_COVERED)
                found = True
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def give_back(codes, hidden, never):  # type: ignore[no-untyped-def]
    """Let hidden values count in the pixels that some frame shows as land and none as anything else.

    Parameters
    ----------
    codes, hidden : (n, rows, columns) uint8 arrays, after `hide_plane`; codes are put back, `hidden` is cleared
    never : (rows, columns) bool array, filled: which pixels these are
    """
    n, rows, columns = codes.shape
    for i in range(rows):
        for j in range(columns):
            some, covered = False, False
            for k in range(n):
                some |= hidden[k, i, j] != 0
                covered |= codes[k, i, j] != NOT_COVERED
            never[i, j] = some and not covered
            if some:
                for k in range(n):
                    if never[i, j] and hidden[k, i, j] != 0:
                        codes[k, i, j] = hidden[k, i, j] - np.uint8(1)
                    hidden[k, i, j] = np.uint8(0)


def hide_slow(codes: NDArray[np.uint8], land: NDArray[np.bool_]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """What the two do together, in NumPy: codes, and where no frame shows anything but land.

    Parameters
    ----------
    codes : (n, rows, columns) uint8 array
    land : (n, rows, columns) bool array, where each frame shows land
    """
    there = codes != NOT_COVERED
    open_ = there & ~land
    never = (there & land).any(axis=0) & ~open_.any(axis=0)
    return np.where(open_ | (there & never), codes, NOT_COVERED).astype(np.uint8), never
