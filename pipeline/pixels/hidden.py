"""Values that show what does not move with the stars: left out, and given back where there is nothing else.

A frame's value counts for nothing where the frame shows land. Where some other frame shows the sky, it is as if the
frame did not reach there; where none does, all count as if nothing were known of land: the picture has no hole, and a
mask that takes sky for land does it no harm there.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import positions
from pipeline.pixels.resample import NOT_COVERED


@njit(cache=True, nogil=True, error_model="numpy")
def hide_plane(near, side, shift, lagrange, origin, codes, hidden):  # type: ignore[no-untyped-def]
    """Take one frame's values out where it shows land.

    Parameters
    ----------
    near : (rows, columns) uint8 array of cells, 1 where land is near
    side : of a cell, px
    shift, lagrange : position grid of where the frame's picture lies on them, px from the first, by pixel of the result
    origin : (row, column) of the tile's first pixel in the result
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
        positions(shift, lagrange, origin[0] + i, origin[1], xs, ys, nodes)
        for j in range(columns):
            x, y = xs[j], ys[j]
            if codes[i, j] == NOT_COVERED or not (np.isfinite(x) and np.isfinite(y)):
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


__all__ = ["give_back", "hide_plane", "hide_slow"]
