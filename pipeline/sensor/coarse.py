"""The coarse level of a master, colour by colour, and which pixels stand out of it. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanes import bits_of, lanes_of
from pipeline.pixels.leaf import leaf
from pipeline.pixels.ordering import STRIP, sort_columns, sorting_network
from pipeline.pixels.vector import lowest_bit
from pipeline.sensor.clipped import clipped

# Side of the blocks whose medians are the coarse level that candidates are found against.
COARSE = 64


@dataclass(frozen=True)
class Coarse:
    """Levels by blocks of `side` px, (rows, 2, columns, 2) float32 by the row's and the column's parity."""

    blocks: NDArray[np.float32]
    side: int

    def at(self, ys: NDArray[np.int64], xs: NDArray[np.int64]) -> NDArray[np.float32]:
        """Levels at pixels given by rows and columns."""
        return self.blocks[ys // self.side, ys % 2, xs // self.side, xs % 2]

    def rows(self, ys: NDArray[np.int64], width: int) -> NDArray[np.float32]:
        """Levels of whole rows, (number, width)."""
        xs = np.arange(width)
        return self.at(ys[:, None], xs)


def coarse_level(values: NDArray[np.float32], side: int = COARSE) -> Coarse:
    """Upper medians over blocks of `side` x `side`, each CFA position its own.

    Of every CFA position each fourth pixel is looked at (every second row and column of its plane): for blocks from
    (top, left), ``np.sort(values[top + row : top + side : 4, left + column : left + side : 4].ravel())[n // 2]`` with n
    the number of values; 0 where a block has none.

    Parameters
    ----------
    values : (height, width) float32 array of finite numbers
    side : even
    """
    height, width = values.shape
    blocks = np.empty((-(-height // side), 2, -(-width // side), 2), np.float32)
    _coarse_level(values, side, sorting_network((-(-side // 4)) ** 2), blocks.reshape(-1))
    return Coarse(blocks, side)


def spread_about(values: NDArray[np.float32], coarse: Coarse) -> float:
    """Standard deviation of ordinary pixels about their coarse level, from some 256 rows."""
    rows = np.arange(0, len(values), max(1, len(values) // 256))
    return clipped(values[rows] - coarse.rows(rows, values.shape[1]))[1]


def standing_out(
    values: NDArray[np.float32], coarse: Coarse | None, limit: float, below: bool = True
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """``np.nonzero(np.abs(values - level) > limit)``, without a whole picture of anything.

    Parameters
    ----------
    values : (height, width) float32 array
    coarse : what they are held against; 0 where None
    limit : float, rounded to float32
    below : whether what lies below the level counts too; else ``values - level > limit``
    """
    if coarse is None:
        coarse = Coarse(np.zeros((1, 2, 1, 2), np.float32), 2 * max(values.shape))
    return _standing_out(np.ascontiguousarray(values), coarse.blocks, coarse.side, np.float32(limit), below)


@njit(cache=True, nogil=True, error_model="numpy")
def _coarse_level(values, side, network, levels):  # type: ignore[no-untyped-def]
    height, width = values.shape
    number = (width + side - 1) // side
    most = ((side + 3) // 4) ** 2
    held, counts = np.empty((most, STRIP), np.float32), np.empty(STRIP, np.int64)
    for begin in range(0, len(levels), STRIP):
        end = min(begin + STRIP, len(levels))
        for at in range(begin, end):
            top, left = at // (4 * number) * side, at // 2 % number * side
            row, column = at // (2 * number) % 2, at % 2
            k = 0
            for y in range(top + row, min(top + side, height), 4):
                for x in range(left + column, min(left + side, width), 4):
                    held[k, at - begin] = values[y, x]
                    k += 1
            counts[at - begin] = k
            for n in range(k, most):  # what a block at the edge lacks is larger than all
                held[n, at - begin] = np.inf
        sort_columns(held, end - begin, network)
        for at in range(begin, end):
            count = counts[at - begin]
            levels[at] = held[count // 2, at - begin] if count > 0 else np.float32(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _standing_out(values, blocks, side, limit, below):  # type: ignore[no-untyped-def]
    height, width = values.shape
    ys, xs = np.empty(1024, np.int64), np.empty(1024, np.int64)
    level, out = np.empty((2, width), np.float32), np.zeros((width + 63) // 64 * 64, np.uint8)
    count = 0
    for y in range(height):
        if y % side < 2:
            for x in range(width):
                level[y & 1, x] = blocks[y // side, y & 1, x // side, x & 1]
        some = _mark(values[y], level[y & 1], limit, below, out)
        if some == 0:
            continue
        if count + some > len(ys):
            room = 2 * (count + some)
            more_ys, more_xs = np.empty(room, np.int64), np.empty(room, np.int64)
            more_ys[:count], more_xs[:count] = ys[:count], xs[:count]
            ys, xs = more_ys, more_xs
        for begin in range(0, len(out), 64):
            bits = bits_of(lanes_of(out, np.uint64(begin), 64) != np.uint8(0))
            while bits != 0:
                ys[count], xs[count] = y, begin + lowest_bit(bits)  # type: ignore[call-arg]
                bits &= bits - np.uint64(1)
                count += 1
    return ys[:count].copy(), xs[:count].copy()


@leaf
def _mark(row, level, limit, below, out):  # type: ignore[no-untyped-def]
    """1 where a row's pixel stands out, and how many do."""
    count = np.int32(0)
    if below:
        for x in range(np.uint64(len(row))):
            found = abs(row[x] - level[x]) > limit
            out[x] = found
            count = np.int32(count + found)
    else:
        for x in range(np.uint64(len(row))):
            found = row[x] - level[x] > limit
            out[x] = found
            count = np.int32(count + found)
    return count
