"""A plane seen through a smooth field of small displacements, on its own grid."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanczos import LANCZOS, PHASES, REACH_AFTER, REACH_BEFORE, ROW, lanczos3
from pipeline.pixels.lanes import counting, lanes_of, multiply_add_lanes, one_lane, put_lanes
from pipeline.pixels.positions import GRID_STEP, LAGRANGE, PixelMap, PositionGrid, node_row, position_grid, positions
from pipeline.pixels.vector import weighted_6x8

# Pixels beyond the frame to each side for which the displacement is known: its reflection is asked for there.
BEYOND = GRID_STEP
# Change of the displacement from a cell to the next, px, up to which weights are taken to change evenly along a row:
# they err by 1.2e-3 at most then, the table's steps by 1e-3.
EVEN = np.float32(0.05)
# Pixels from the planes' edge in which places may reach beyond them: three pixels about a place, which is displaced by
# less than three.
EDGE = 6
# Pixels that are summed at once, and what is summed down for a cell: the cell, and what its last pixels read beyond it.
SIDE_BY_SIDE = 16
# Rows that share their places, those of their middle: a pixel lies so many pixels beside the place at most.
TOGETHER, SHARED = 16, np.float32(0.01)
# Rows of the pieces that a cell is cut into where its displacements change too fast for that.
FEWER = 4
STRIP = GRID_STEP + 2 * SIDE_BY_SIDE


def displacement_grid(
    mapping: PixelMap,
    shape: tuple[int, int],
) -> PositionGrid:
    """A frame's map onto itself on the nodes of a grid that begins `BEYOND` pixels before the frame.

    Parameters
    ----------
    mapping : callable
        Takes x and y of the frame (float64 arrays of one shape), returns x and y in it.
    shape : (height, width) of the frame
    """

    def moved(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        there = mapping(x - BEYOND, y - BEYOND)
        return there[0] + BEYOND, there[1] + BEYOND

    return position_grid(moved, (shape[0] + 2 * BEYOND, shape[1] + 2 * BEYOND))


def displaced(
    source: NDArray[np.float32],
    number: int,
    shape: tuple[int, int],
    origin: tuple[int, int],
    grid: PositionGrid,
    scale: float,
    margin: int,
    out: NDArray[np.float32],
) -> None:
    """Fill `out` with `scale` times the plane at displaced places (Lanczos3).

    Parameters
    ----------
    source : 1-D float32 array
        Planes of `shape`, one behind the other, and `OVERREAD` floats more.
    number : int
        Of the plane.
    origin : (row, column) of the planes' first pixel in the frame
    grid : of `displacement_grid`
    margin : int
        Pixels that `out` reaches further than the planes on each side.
    out : (height + 2 margin, width + 2 margin) float32 array
        The outermost `EDGE` pixels of the planes, and what is beyond them, are left as they were.
    """
    _displaced(source, number, shape, origin, grid.shift, LAGRANGE, LANCZOS, np.float32(scale), margin, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _displaced(source, number, shape, origin, shift, lagrange, table, scale, margin, out):  # type: ignore[no-untyped-def]
    height, width = out.shape
    begin, stride = number * shape[0] * shape[1], shape[1]
    nodes, last_nodes = np.empty((2, shift.shape[1]), np.float32), np.empty((2, shift.shape[1]), np.float32)
    grid_row = np.empty((2, shift.shape[1]), np.float32)
    places = np.empty((4, GRID_STEP + 1), np.float32)
    # row and column of the grid at which the planes begin
    above, before = origin[0] + BEYOND, origin[1] + BEYOND
    left, edge, most = before - margin, EDGE + margin, np.float32(EDGE - REACH_AFTER)
    cells = (left + GRID_STEP) // GRID_STEP - 1, (left + width - 1) // GRID_STEP + 1
    # of two kinds of array, or the compiler would make one `_blend` for both and call it: that takes half its time
    strip, lines = np.empty((1, TOGETHER * STRIP), np.float32), np.empty(TOGETHER * (width + SIDE_BY_SIDE), np.float32)
    apart, next_i = width + SIDE_BY_SIDE, edge
    while next_i < height - edge:
        i, y = next_i, above - margin + next_i
        top = y // TOGETHER * TOGETHER
        next_i = min(i + top + TOGETHER - y, height - edge)
        node_row(shift, lagrange, top, cells[0], cells[1] + 3, nodes)
        node_row(shift, lagrange, top + TOGETHER - 1, cells[0], cells[1] + 3, last_nodes)
        for k in range(cells[0], cells[1]):
            first, last = max(k * GRID_STEP - left, edge), min((k + 1) * GRID_STEP - left, width - edge)
            if first >= last:
                continue
            x0, x1 = _middle(nodes, last_nodes, 0, k + 1), _middle(nodes, last_nodes, 0, k + 2)
            y0, y1 = _middle(nodes, last_nodes, 1, k + 1), _middle(nodes, last_nodes, 1, k + 2)
            even = _is_even(x0, x1, y0, y1, most)
            for axis in range(2):
                even &= abs(last_nodes[axis, k + 1] - nodes[axis, k + 1]) <= SHARED
            if even:
                corner = begin + (y - above) * stride + left - before + first
                _piece(
                    source, corner, stride, next_i - i, table, x0, x1, y0, y1, np.float32(GRID_STEP),
                    left + first - k * GRID_STEP, last - first, scale, strip, lines, first, apart,
                )  # fmt: skip
            else:
                r = 0
                while r < next_i - i:
                    group = (y + r) // FEWER * FEWER
                    some = min(group + FEWER - y, next_i - i) - r
                    _finer(
                        source, begin, shape, shift, lagrange, table, scale, (above, before), y + r, some, left + first,
                        left + last, k * GRID_STEP, most, places, grid_row, strip, lines, r * apart - left, apart,
                    )  # fmt: skip
                    r += some
        for r in range(next_i - i):
            row, line = out[i + r], lines[r * apart : (r + 1) * apart]
            for j in range(np.uint64(edge), np.uint64(width - edge)):
                row[j] = line[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _finer(  # type: ignore[no-untyped-def]
    source, begin, shape, shift, lagrange, table, scale, planes_at, y, rows, first, last, cell, most, places, grid_row,
    strip, lines, to, apart,
):  # fmt: skip
    """A part of a cell in which the displacement changes faster: pieces of `FEWER` rows and `SIDE_BY_SIDE` columns.

    Parameters
    ----------
    planes_at : row and column of the grid at which the planes begin
    y, rows : the first row, in the grid, and how many of a group of `FEWER`
    first, last, cell : first column, the one after the last, and the cell's first, in the grid
    places : (4, 65) float32 array of scratch
    lines, to, apart : where the results go, laid out flat: column 0 of the grid, and from row to row
    """
    (above, before), stride, top = planes_at, shape[1], y // FEWER * FEWER
    xs, ys, last_xs, last_ys = places[0], places[1], places[2], places[3]
    positions(shift, lagrange, top, cell, xs, ys, grid_row)
    positions(shift, lagrange, top + FEWER - 1, cell, last_xs, last_ys, grid_row)
    for p in range(0, GRID_STEP, SIDE_BY_SIDE):
        a, b, q = max(first, cell + p), min(last, cell + p + SIDE_BY_SIDE), p + SIDE_BY_SIDE
        if a >= b:
            continue
        # displacements of the group's middle at the piece's first column and the next one's
        x0, y0 = _moved(xs, last_xs, p, cell + p), _moved(ys, last_ys, p, top + 0.5 * (FEWER - 1))
        x1, y1 = _moved(xs, last_xs, q, cell + q), _moved(ys, last_ys, q, top + 0.5 * (FEWER - 1))
        even = _is_even(x0, x1, y0, y1, most)
        even &= abs(last_xs[p] - xs[p]) <= SHARED and abs(last_ys[p] - ys[p] - np.float32(FEWER - 1)) <= SHARED
        if even:
            _piece(
                source, begin + (y - above) * stride + a - before, stride, rows, table, x0, x1, y0, y1,
                np.float32(SIDE_BY_SIDE), a - cell - p, b - a, scale, strip, lines, to + a, apart,
            )  # fmt: skip
            continue
        own_x, own_y = np.empty(b - a, np.float32), np.empty(b - a, np.float32)
        for r in range(rows):
            positions(shift, lagrange, y + r, a, own_x, own_y, grid_row)
            out = lines[to + r * apart + a : to + r * apart + b]
            _each(source, begin, shape, above, before, table, scale, own_x, own_y, out)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _is_even(x0, x1, y0, y1, most):  # type: ignore[no-untyped-def]
    """Whether weights may be taken to change evenly between two pixels that are displaced by these x and y."""
    whole_x, whole_y = np.floor(x0), np.floor(y0)
    even = (np.floor(x1) == whole_x) & (np.floor(y1) == whole_y)
    return even & (abs(x1 - x0) <= EVEN) & (abs(y1 - y0) <= EVEN) & (max(abs(whole_x), abs(whole_y)) < most)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _piece(  # type: ignore[no-untyped-def]
    source, corner, stride, rows, table, x0, x1, y0, y1, length, into, size, scale, strip, lines, to, apart
):  # fmt: skip
    """Some pixels of some rows, summed down the columns and then along the rows.

    Parameters
    ----------
    corner : where in the source the first pixel lies, not displaced
    x0, x1, y0, y1, length : displacements at the pixel that `into` counts from, and so many further on
    into, size, to, apart : as in `_blend`, of the second sums
    """
    whole_x, whole_y = np.floor(x0), np.floor(y0)
    at = corner + (np.int64(whole_y) - REACH_BEFORE) * stride + np.int64(whole_x) - REACH_BEFORE
    y0, y1, x0, x1 = y0 - whole_y, y1 - whole_y, x0 - whole_x, x1 - whole_x
    start, one = into - REACH_BEFORE, np.float32(1)
    _blend(source, at, stride, stride, rows, table, y0, y1, length, start, size + ROW, one, strip, 0, STRIP)
    _blend(strip, 0, 1, STRIP, rows, table, x0, x1, length, into, size, scale, lines, to, apart)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _moved(one, other, column, by):  # type: ignore[no-untyped-def]
    """How far midway between two rows of places lies beside a pixel."""
    return np.float32(0.5) * (one[column] + other[column]) - np.float32(by)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _middle(one, other, axis, column):  # type: ignore[no-untyped-def]
    """Midway between two rows of nodes."""
    return np.float32(0.5) * (one[axis, column] + other[axis, column])


@njit(cache=True, nogil=True, error_model="numpy")
def _blend(source, at, step, apart, rows, table, place, end, length, into, size, scale, out, to, apart_out):  # type: ignore[no-untyped-def]
    """Sums over six values, `step` apart, whose weights go evenly from those of one place to those of another.

    Parameters
    ----------
    rows, apart : for how many rows the same is done, and how far they lie apart in the source
    place, end, length : places between the third and the fourth value, at the first pixel of the cell and so many
        further on
    into : the cell's pixel that the sums begin with
    size : how many are wanted; up to `SIDE_BY_SIDE` - 1 more are read and written
    out, to, apart_out : contiguous array, where in it, laid out flat, the sums go, and from row to row
    """
    first = np.int64(place * np.float32(PHASES) + np.float32(0.5)) * ROW
    last = np.int64(end * np.float32(PHASES) + np.float32(0.5)) * ROW
    start = lanes_of(table, np.uint64(first), ROW) * scale
    rate = lanes_of(table, np.uint64(last), ROW) * (scale / length)
    rate = rate - start * (np.float32(1) / length)
    a0, a1, a2 = one_lane(start, 0, SIDE_BY_SIDE), one_lane(start, 1, SIDE_BY_SIDE), one_lane(start, 2, SIDE_BY_SIDE)
    a3, a4, a5 = one_lane(start, 3, SIDE_BY_SIDE), one_lane(start, 4, SIDE_BY_SIDE), one_lane(start, 5, SIDE_BY_SIDE)
    b0, b1, b2 = one_lane(rate, 0, SIDE_BY_SIDE), one_lane(rate, 1, SIDE_BY_SIDE), one_lane(rate, 2, SIDE_BY_SIDE)
    b3, b4, b5 = one_lane(rate, 3, SIDE_BY_SIDE), one_lane(rate, 4, SIDE_BY_SIDE), one_lane(rate, 5, SIDE_BY_SIDE)
    one, two, four = np.uint64(step), np.uint64(2 * step), np.uint64(4 * step)
    steps = counting(SIDE_BY_SIDE)
    for n in range((size + SIDE_BY_SIDE - 1) // SIDE_BY_SIDE):
        t = np.uint64(n * SIDE_BY_SIDE)
        p = steps + np.float32(np.int32(n * SIDE_BY_SIDE + into))
        w0, w1, w2 = multiply_add_lanes(p, b0, a0), multiply_add_lanes(p, b1, a1), multiply_add_lanes(p, b2, a2)
        w3, w4, w5 = multiply_add_lanes(p, b3, a3), multiply_add_lanes(p, b4, a4), multiply_add_lanes(p, b5, a5)
        for r in range(rows):
            v = np.uint64(at + r * apart) + t
            sums = w0 * lanes_of(source, v, SIDE_BY_SIDE)
            sums = multiply_add_lanes(w1, lanes_of(source, v + one, SIDE_BY_SIDE), sums)
            sums = multiply_add_lanes(w2, lanes_of(source, v + two, SIDE_BY_SIDE), sums)
            sums = multiply_add_lanes(w3, lanes_of(source, v + two + one, SIDE_BY_SIDE), sums)
            sums = multiply_add_lanes(w4, lanes_of(source, v + four, SIDE_BY_SIDE), sums)
            sums = multiply_add_lanes(w5, lanes_of(source, v + four + one, SIDE_BY_SIDE), sums)
            put_lanes(out, np.uint64(to + r * apart_out) + t, sums)


@njit(cache=True, nogil=True, error_model="numpy")
def _each(source, begin, shape, above, before, table, scale, xs, ys, out):  # type: ignore[no-untyped-def]
    """Each place for itself, over 6 x 6 pixels; places beyond the planes are taken from the nearest in them."""
    low, half, phases = np.float32(REACH_BEFORE), np.float32(0.5), np.float32(PHASES)
    high_y, high_x = np.float32(shape[0] - 1 - REACH_AFTER), np.float32(shape[1] - 1 - REACH_AFTER)
    stride = np.uint64(shape[1])
    for j in range(len(out)):
        u = min(max(xs[j] - np.float32(before), low), high_x)
        v = min(max(ys[j] - np.float32(above), low), high_y)
        iu, iv = np.int64(u), np.int64(v)
        across = np.uint64(np.int64((u - np.float32(iu)) * phases + half) * ROW)
        down = np.uint64(np.int64((v - np.float32(iv)) * phases + half) * ROW)
        at = np.uint64(begin + (iv - REACH_BEFORE) * shape[1] + iu - REACH_BEFORE)
        out[j] = scale * weighted_6x8(source, at, stride, table, across, down)  # type: ignore[call-arg]


def displaced_slow(plane: NDArray[Any], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """What `displaced` computes at places (x, y) of a plane, pixel by pixel, places kept within it."""
    height, width = plane.shape
    x = np.clip(x, REACH_BEFORE, width - 1 - REACH_AFTER)
    y = np.clip(y, REACH_BEFORE, height - 1 - REACH_AFTER)
    result = np.zeros(x.shape)
    for at in np.ndindex(x.shape):
        ix, iy = int(x[at]), int(y[at])
        offsets = np.arange(-REACH_BEFORE, REACH_AFTER + 1)
        across, down = lanczos3(offsets - (x[at] - ix)), lanczos3(offsets - (y[at] - iy))
        patch = plane[iy - REACH_BEFORE : iy + REACH_AFTER + 1, ix - REACH_BEFORE : ix + REACH_AFTER + 1]
        result[at] = (down / down.sum()) @ patch @ (across / across.sum())
    return result
