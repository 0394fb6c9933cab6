"""Values that show what does not move with the stars: left out, and given back where there is nothing else.

A frame's value counts for nothing where the frame shows land, or shows it so near that the value holds some of it.
Where some other frame shows the sky further from land, it is as if the frame did not reach there; where none does,
those that show it furthest from land count; where all show land, all count as if nothing were known of it: the picture
has no hole, and a mask that takes sky for land does it no harm there.
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
# How near a frame shows land to a value, from 0: not at all; this where the value is land's.
LAND = 2
# What the bend of a map between a cell's corners is allowed, px.
BEND = 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def shown_in_cells(sums, whole, side, shift, shown):  # type: ignore[no-untyped-def]
    """Tell of each cell of the result whether a frame shows nothing of what is to be hidden, some of it, or it alone.

    Parameters
    ----------
    sums : (rows + 1, columns + 1) int32 array
        ``sums[i, j]`` is how many of the places of `near` before row i and column j may be hidden (see
        `hide_plane`); beyond the last they go on as these are.
    whole : (rows + 1, columns + 1) int32 array
        The same of those that are land.
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
            if sums[bottom, beyond] - sums[top, beyond] - sums[bottom, left] + sums[top, left] == 0:
                shown[i, j] = NOTHING
                continue
            number = whole[bottom, beyond] - whole[top, beyond] - whole[bottom, left] + whole[top, left]
            shown[i, j] = WHOLE if number == (bottom - top) * (beyond - left) else SOME


@njit(cache=True, nogil=True, error_model="numpy")
def hide_plane(near, side, shift, lagrange, origin, shown, codes, hidden):  # type: ignore[no-untyped-def]
    """Tell of one frame's values how near it shows land there.

    Parameters
    ----------
    near : (rows, columns) uint8 array of cells, from 0 far from land to `LAND`
    side : of a cell, px
    shift, lagrange : position grid of where the frame's picture lies on them, px from the first, by pixel of the result
    origin : (row, column) of the tile's first pixel in the result
    shown : of `shown_in_cells`, for the whole result
    codes : (rows, columns) uint8 array, `NOT_COVERED` where the frame shows nothing
    hidden : (rows, columns) uint8 array, 0 before; what `near` says is put in

    Returns
    -------
    bool
        Whether there is any near.
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
                hidden[i, j] = np.uint8(LAND)
                found = True
                continue
            x, y = xs[j], ys[j]
            if not (np.isfinite(x) and np.isfinite(y)):
                continue
            # land goes on beyond the last cell
            u = np.int64(min(max((x + np.float32(0.5)) / side, np.float32(0)), np.float32(near.shape[1] - 1)))
            v = np.int64(min(max((y + np.float32(0.5)) / side, np.float32(0)), np.float32(near.shape[0] - 1)))
            if near[v, u] != 0:
                hidden[i, j] = near[v, u]
                found = True
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def clearest(codes, hidden, never):  # type: ignore[no-untyped-def]
    """Of the values of every pixel let those count that show land least near, all where every one shows land itself.

    Parameters
    ----------
    codes, hidden : (n, rows, columns) uint8 arrays, of `hide_plane`; `NOT_COVERED` is put into codes, `hidden` is
        cleared
    never : (rows, columns) bool array, filled: which pixels are land in every frame that covers them, and in some
    """
    n, rows, columns = codes.shape
    for i in range(rows):
        for j in range(columns):
            least, most = np.uint8(NOT_COVERED), np.uint8(0)
            for k in range(n):
                if codes[k, i, j] != NOT_COVERED:
                    least = min(least, hidden[k, i, j])
                    most = max(most, hidden[k, i, j])
            never[i, j] = most == LAND and least == LAND
            if most != 0:
                for k in range(n):
                    if hidden[k, i, j] > least:
                        codes[k, i, j] = np.uint8(NOT_COVERED)
                    hidden[k, i, j] = np.uint8(0)


def clearest_slow(codes: NDArray[np.uint8], hidden: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """What `clearest` does, in NumPy: codes, and where no frame shows anything but land."""
    nearness = np.where(codes != NOT_COVERED, hidden.astype(int), LAND + 1)
    least = nearness.min(axis=0)
    return np.where(nearness > least, NOT_COVERED, codes).astype(np.uint8), least == LAND
