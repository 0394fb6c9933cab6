"""Values that show what does not move with the stars: kept out of rejection, given back where there is nothing else.

A frame's value counts for nothing where the frame shows land. Where some other frame shows the sky, it is as if the
frame did not reach there; where none does, the values come back after rejection, so that the picture has no hole.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.resample import NOT_COVERED, _positions

HIDDEN = 32  # bit of the mask: the frame shows land here


@njit(cache=True, nogil=True, error_model="numpy")
def hide_plane(near, shift, lagrange, origin, codes, mask):  # type: ignore[no-untyped-def]
    """Take one frame's values out where it shows land.

    Parameters
    ----------
    near : (height, width) uint8 array, 1 where land is near on the reference's grid
    shift, lagrange : position grid of where the frame's picture lies on it, by pixel of the result
    origin : (row, column) of the tile's first pixel in the result
    codes : (rows, columns) uint8 array; `NOT_COVERED` is set
    mask : (rows, columns) uint8 array; bit `HIDDEN` is set where a value was there

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
        _positions(shift, lagrange, origin[0] + i, origin[1], xs, ys, nodes)
        for j in range(columns):
            x, y = xs[j], ys[j]
            if codes[i, j] == NOT_COVERED or not (np.isfinite(x) and np.isfinite(y)):
                continue
            # land goes on beyond the reference's edge
            u = np.int64(min(max(x + np.float32(0.5), np.float32(0)), np.float32(near.shape[1] - 1)))
            v = np.int64(min(max(y + np.float32(0.5), np.float32(0)), np.float32(near.shape[0] - 1)))
            if near[v, u] != 0:
                codes[i, j] = np.uint8(NOT_COVERED)
                mask[i, j] = np.uint8(HIDDEN)
                found = True
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def never_open(codes, mask, never):  # type: ignore[no-untyped-def]
    """Find the pixels of which some frame shows land and none anything else.

    Parameters
    ----------
    codes, mask : (n, rows, columns) uint8 arrays, after `hide_plane`
    never : (rows, columns) bool array, filled
    """
    n, rows, columns = codes.shape
    for i in range(rows):
        for j in range(columns):
            hidden, covered = False, False
            for k in range(n):
                hidden |= (mask[k, i, j] & HIDDEN) != 0
                covered |= codes[k, i, j] != NOT_COVERED
            never[i, j] = hidden and not covered


@njit(cache=True, nogil=True, error_model="numpy")
def give_back(codes, mask, never):  # type: ignore[no-untyped-def]
    """Let hidden values count where there is nothing else; the bit is taken off everywhere, in place."""
    n, rows, columns = codes.shape
    for k in range(n):
        for i in range(rows):
            for j in range(columns):
                if mask[k, i, j] & HIDDEN:
                    mask[k, i, j] &= np.uint8(255 - HIDDEN)
                    if never[i, j]:
                        # which step of sub-pixel position it was no longer matters: rejection is over
                        codes[k, i, j] = np.uint8(0)


def hide_slow(
    codes: NDArray[np.uint8], land: NDArray[np.bool_], mask: NDArray[np.uint8]
) -> tuple[NDArray[np.uint8], NDArray[np.bool_]]:
    """What the three do together to values that rejection leaves alone, in NumPy: codes, and where none is open.

    Parameters
    ----------
    codes, mask : (n, rows, columns) uint8 arrays
    land : (n, rows, columns) bool array, where each frame shows land
    """
    there = codes != NOT_COVERED
    open_ = there & ~land
    never = (there & land).any(axis=0) & ~open_.any(axis=0)
    result = np.where(open_, codes, NOT_COVERED).astype(np.uint8)
    result[there & land & never] = 0
    return result, never


__all__ = ["HIDDEN", "give_back", "hide_plane", "hide_slow", "never_open"]
