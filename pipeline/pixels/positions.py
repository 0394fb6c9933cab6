"""Where the result's pixels lie in a source frame: a coarse grid of shifts, followed smoothly between its nodes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf

# Spacing of the grid of positions, px. Four-point Lagrange interpolation across it errs by 3/128 h^4 d4x/dx4, which
# for a 14 mm lens with 8 % distortion is below 1e-4 px.
GRID_STEP = 64

# Takes x and y of some pixels, returns x and y of where they lie elsewhere.
PixelMap = Callable[[NDArray[np.float64], NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]]


def lagrange_table() -> NDArray[np.float32]:
    """Weights of grid nodes -1, 0, 1, 2 at places 0 .. GRID_STEP - 1 of the cell from node 0 to node 1.

    Returns
    -------
    (4, GRID_STEP) float32 array
    """
    t = np.arange(GRID_STEP) / GRID_STEP
    return np.stack(
        [
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        ],
    ).astype(np.float32)


# Rows and columns of the result, px apart, whose places tell what region of a frame a tile needs.
APART = 16


@dataclass(frozen=True)
class PositionGrid:
    """Where the pixels of the result lie in one source frame.

    `shift` is a (rows, columns, 2) float32 array: what is to be added to x and y of grid node (i, j), which lies at
    pixel ((j - 1) * 64, (i - 1) * 64) of the result; one node beyond the result on the near side, two or more on the
    far.
    """

    shift: NDArray[np.float32]

    def region(self, top: int, bottom: int, left: int, right: int) -> tuple[float, float, float, float] | None:
        """Bounds (y0, y1, x0, x1) in the source frame of rows top..bottom-1 and columns left..right-1 of the result.

        Accurate to the bend of the map within `APART` px, wider where it is not defined all over; None where nowhere.
        """
        bounds = _bounds(self.shift, LAGRANGE, top, bottom, left, right)
        return None if not np.isfinite(bounds).all() else tuple(bounds.tolist())


def grid_nodes(shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """x of the node columns and y of the node rows for a result of (height, width)."""
    ys = (np.arange((shape[0] - 1) // GRID_STEP + 4, dtype=np.float64) - 1) * GRID_STEP
    xs = (np.arange((shape[1] - 1) // GRID_STEP + 4, dtype=np.float64) - 1) * GRID_STEP
    return xs, ys


def position_grid(
    mapping: PixelMap,
    shape: tuple[int, int],
) -> PositionGrid:
    """Evaluate a map on the nodes of a grid.

    Parameters
    ----------
    mapping : callable
        Takes x and y of the result (float64 arrays of one shape), returns x and y in the source frame.
    shape : (height, width) of the result
    """
    x, y = np.meshgrid(*grid_nodes(shape))
    return grid_through(*mapping(x.ravel(), y.ravel()), shape)


def grid_through(mapped_x: NDArray[np.float64], mapped_y: NDArray[np.float64], shape: tuple[int, int]) -> PositionGrid:
    """The grid whose nodes (`grid_nodes`, row by row) lie at these places in the source frame, (n,) arrays, px."""
    x, y = np.meshgrid(*grid_nodes(shape))
    shift = np.stack([np.reshape(mapped_x, x.shape) - x, np.reshape(mapped_y, y.shape) - y], axis=-1)
    return PositionGrid(np.ascontiguousarray(shift, np.float32))


@leaf
def node_row(shift, lagrange, y, first, last, nodes):  # type: ignore[no-untyped-def]
    """Shifts of row y at the node columns first .. last - 1: `nodes` (2, columns), x and y."""
    row = (y + GRID_STEP) // GRID_STEP - 1  # y may be a little above the first row
    down = y - row * GRID_STEP
    for j in range(first, last):
        for axis in range(2):
            nodes[axis, j] = (
                lagrange[0, down] * shift[row, j, axis]
                + lagrange[1, down] * shift[row + 1, j, axis]
                + lagrange[2, down] * shift[row + 2, j, axis]
                + lagrange[3, down] * shift[row + 3, j, axis]
            )


@leaf
def positions(shift, lagrange, y, left, xs, ys, nodes):  # type: ignore[no-untyped-def]
    """Positions of the pixels left .. left + len(xs) - 1 of row y; `nodes` is scratch of 2 x grid columns."""
    width = len(xs)
    first = (left + GRID_STEP) // GRID_STEP - 1
    last = (left + width - 1) // GRID_STEP + 4
    node_row(shift, lagrange, y, first, last, nodes)
    for k in range(first, last - 3):
        begin, end = max(k * GRID_STEP, left), min((k + 1) * GRID_STEP, left + width)
        into, at, size = np.uint64(begin - k * GRID_STEP), np.uint64(begin - left), np.uint64(end - begin)
        _cell_positions(lagrange, into, nodes[0, k : k + 4], np.float32(begin), np.float32(1), xs, at, size)
        _cell_positions(lagrange, into, nodes[1, k : k + 4], np.float32(y), np.float32(0), ys, at, size)


@leaf
def _cell_positions(lagrange, into, nodes, base, step, out, at, size):  # type: ignore[no-untyped-def]
    a, b, c, d = nodes[0], nodes[1], nodes[2], nodes[3]
    one, two, three, four = lagrange[0], lagrange[1], lagrange[2], lagrange[3]
    for x in range(size):
        k = into + x
        shift = one[k] * a + two[k] * b + three[k] * c + four[k] * d
        # whole numbers first: where a tile begins must not change the last bit
        out[at + x] = (base + step * np.float32(np.int32(x))) + shift


@njit(cache=True, nogil=True, error_model="numpy")
def _bounds(shift, lagrange, top, bottom, left, right):  # type: ignore[no-untyped-def]
    xs, ys = np.empty(right - left, np.float32), np.empty(right - left, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    result = np.array([np.inf, -np.inf, np.inf, -np.inf])
    # the last ones too: none of the grid's cells is missed
    rows = np.append(np.arange(top, bottom - 1, APART), bottom - 1)
    columns = np.append(np.arange(0, len(xs) - 1, APART), len(xs) - 1)
    known = True
    for row in rows:
        positions(shift, lagrange, row, left, xs, ys, nodes)
        for column in columns:
            x, y = xs[column], ys[column]
            if not (np.isfinite(x) and np.isfinite(y)):
                known = False
                continue
            result[0], result[1] = min(result[0], y), max(result[1], y)
            result[2], result[3] = min(result[2], x), max(result[3], x)
    if not known:
        # it may be so for some pixels more, between those looked at, stretched by a half at most
        result[0], result[1] = result[0] - 1.5 * APART, result[1] + 1.5 * APART
        result[2], result[3] = result[2] - 1.5 * APART, result[3] + 1.5 * APART
    return result


LAGRANGE = lagrange_table()
