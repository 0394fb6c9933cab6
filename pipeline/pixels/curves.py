"""How the rows of a cell of the position grid lie in the source frame: as cubics, row by row and for units of rows.

A unit is up to eight rows of the result that lie in the source frame below one another, as good as a pixel apart each:
what is interpolated down the columns for one of them is for the others the same a row further down, with the same
weights. `SHARED` says how far that may be from the truth.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanes import in_all, multiply_add_lanes
from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP, LAGRANGE
from pipeline.pixels.vector import multiply_add

# Slope of a row in the source up to which two passes are taken.
SLOPE_MAX = np.float32(0.12)
# Change of the scale along a row, and bend of a row over a cell in px (second difference), up to which they are.
STRETCH_MAX, BEND_MAX = np.float32(0.1), np.float32(2)
# Rows of a unit at most, and how far one of them may lie beside where the unit has it, px.
TALLEST, SHARED = 8, np.float32(0.015)
# How far the places of so many neighbours may lie apart beyond their number: less than a pixel.
WIDE, NARROW = 16, 8
# Pixels between a unit's outermost places and the frame's edge: for a line's bend, its slope beyond the cell, places
# beside the shared ones, and rows that are read in vain.
SPARE = np.float32(3)
# Room for a cell's curves: 4 coefficients of each row, 8 of each unit, 64 numbers of a kind one behind the other.
ROWS_ROOM, UNITS_ROOM = 4 * GRID_STEP, 8 * GRID_STEP
# What becomes of a unit: each pixel for itself, two passes by `WIDE` or by `NARROW` neighbours, a move by whole pixels.
SINGLY, TWICE, STEEP, MOVED = 0, 1, 2, 3


def _middles() -> NDArray[np.float32]:
    """Weights of four grid nodes for the middle of each unit of 1, 2, 4 and 8 rows of a cell, (4, 4, 64)."""
    weights = np.zeros((TALLEST.bit_length(), 4, GRID_STEP))
    for number, own in enumerate(weights):
        own[:, : GRID_STEP >> number] = LAGRANGE.reshape(4, -1, 1 << number).mean(axis=2)
    return weights.astype(np.float32)


MIDDLES = _middles()


@leaf
def rows_of_units(shift, row, column):  # type: ignore[no-untyped-def]
    """How many rows a unit of a cell has: 8, 4, 2 or 1.

    Parameters
    ----------
    shift : of `PositionGrid`
    row, column : of the grid; the cell lies between its nodes (row + 1, column + 1) and (row + 2, column + 2)
    """
    apart, aside, slope = np.float32(0), np.float32(0), np.float32(0)
    for i in range(4):
        for j in range(4):
            if i < 3:
                apart = max(apart, abs(shift[row + i + 1, column + j, 1] - shift[row + i, column + j, 1]))
                aside = max(aside, abs(shift[row + i + 1, column + j, 0] - shift[row + i, column + j, 0]))
            if j < 3:
                slope = max(slope, abs(shift[row + i, column + j + 1, 1] - shift[row + i, column + j, 1]))
    # a row that lies aside crosses a column where it has another height
    step = np.float32(1 / GRID_STEP)
    each = (apart + aside * slope * step) * step
    tall = TALLEST
    while tall > 1 and not each * np.float32(tall - 1) <= 2 * SHARED:
        tall //= 2
    return tall


@leaf
def cell_curves(shift, lagrange, middles, row, column, tall, low, high, nodes, rows, units, kinds):  # type: ignore[no-untyped-def]
    """How a cell lies in the source frame, as cubics, and where two passes may be taken.

    Parameters
    ----------
    shift, row, column : as for `rows_of_units`
    lagrange, middles : `LAGRANGE` and `MIDDLES`
    tall : rows of a unit
    low, high : (2,) float32 arrays, least and greatest row and column of the source frame
    nodes : (8 * 64,) float32 array of scratch
    rows : (`ROWS_ROOM`,) float32 array, filled, 64 numbers of a kind one behind the other
        By row: coefficients of x's shift by the pixel in the cell, lowest power first.
    units : (`UNITS_ROOM`,) float32 array, filled likewise
        By unit: those of y's shift by the pixel in the cell, and of y's shift by x.
    kinds : (64,) int32 array, filled
        By unit: `SINGLY`, `TWICE`, `STEEP` or `MOVED`.

    Returns
    -------
    (int, int)
        Whole pixels that are taken from x and y: by so much the cell lies further to the right and down.
    """
    count, own = GRID_STEP // tall, middles[0]
    for number in range(1, len(middles)):
        own = middles[number] if tall == 1 << number else own
    least_x, least_y, still = shift[row, column, 0], shift[row, column, 1], True
    first_x, first_y, known = least_x, least_y, np.float32(0)
    for i in range(4):
        for j in range(4):
            x, y = shift[row + i, column + j, 0], shift[row + i, column + j, 1]
            least_x, least_y, known = min(least_x, x), min(least_y, y), known + np.float32(0) * (x + y)
            still &= (x == first_x) & (y == first_y)
    if known != 0:
        # some node is no number
        kinds[:count] = SINGLY
        return 0, 0
    still &= (first_x == np.floor(first_x)) & (first_y == np.floor(first_y))
    # the curves stay above so many whole pixels, some columns beyond the cell too
    whole_x, whole_y = np.floor(least_x - np.float32(1)), np.floor(least_y - np.float32(3))
    for k in range(4):
        _at_rows(shift, row, column + k, 0, lagrange, whole_x, nodes, k * GRID_STEP, GRID_STEP)
    _x_curves(nodes, rows)
    for k in range(4):
        _at_rows(shift, row, column + k, 0, own, whole_x, nodes, k * GRID_STEP, count)
        _at_rows(shift, row, column + k, 1, own, whole_y, nodes, (k + 4) * GRID_STEP, count)
    # by the frame alone; planes that reach as far as it hold all that is read of such a unit: a part of one at a tile's
    # edge must not go another way than all of it
    least_x, most_x = low[1] + SPARE, high[1] - SPARE - np.float32(GRID_STEP)
    least_y, most_y = low[0] + SPARE, high[0] - SPARE - np.float32(tall - 1)
    begin_x, begin_y = np.float32(column * GRID_STEP) + whole_x, np.float32(row * GRID_STEP) + whole_y
    _unit_curves(nodes, count, np.float32(tall), begin_x, begin_y, least_x, most_x, least_y, most_y, units, kinds)
    if still:
        for u in range(count):
            kinds[u] = MOVED if kinds[u] != SINGLY else SINGLY
    return np.int64(whole_x), np.int64(whole_y)


@leaf
def _at_rows(shift, row, column, axis, weights, less, out, at, count):  # type: ignore[no-untyped-def]
    """The shift in a column of nodes at a cell's rows, or its units' middles, less a number."""
    a, b = shift[row, column, axis] - less, shift[row + 1, column, axis] - less
    c, d = shift[row + 2, column, axis] - less, shift[row + 3, column, axis] - less
    one, two, three, four = weights[0], weights[1], weights[2], weights[3]
    begin = np.uint64(at)
    for y in range(np.uint64(count)):
        out[begin + y] = one[y] * a + two[y] * b + three[y] * c + four[y] * d


@leaf
def _x_curves(nodes, rows):  # type: ignore[no-untyped-def]
    """The cubics of x's shift through four nodes of every row (Lagrange), as `cell_curves` fills them."""
    step, half, sixth, third = np.float32(1 / GRID_STEP), np.float32(0.5), np.float32(1 / 6), np.float32(1 / 3)
    one, two, three = np.uint64(GRID_STEP), np.uint64(2 * GRID_STEP), np.uint64(3 * GRID_STEP)
    for y in range(np.uint64(GRID_STEP)):
        a, b, c, d = nodes[y], nodes[one + y], nodes[two + y], nodes[three + y]
        rows[y], rows[one + y] = b, (c - b * half - a * third - d * sixth) * step
        rows[two + y] = ((a + c) * half - b) * step * step
        rows[three + y] = ((d - a) * sixth + (b - c) * half) * step * step * step


@leaf
def _unit_curves(nodes, count, tall, begin_x, begin_y, least_x, most_x, least_y, most_y, units, kinds):  # type: ignore[no-untyped-def]
    """The cubics of every unit through four nodes of its middle, and its kind, as `cell_curves` fills them.

    `begin_x` and `begin_y` are where the cell's first pixel would lie if the shifts were 0; a unit's first pixel must
    lie between the least and the most.
    """
    step, half, sixth, third = np.float32(1 / GRID_STEP), np.float32(0.5), np.float32(1 / 6), np.float32(1 / 3)
    one, two, three = np.float32(GRID_STEP / 3), np.float32(2 * GRID_STEP / 3), np.float32(GRID_STEP)
    stretch_most, slope_most = STRETCH_MAX * np.float32(GRID_STEP), SLOPE_MAX * np.float32(GRID_STEP)
    k1, k2, k3 = np.uint64(GRID_STEP), np.uint64(2 * GRID_STEP), np.uint64(3 * GRID_STEP)
    k4, k5, k6, k7 = k2 + k2, k2 + k3, k3 + k3, k2 + k2 + k3
    for u in range(np.uint64(count)):
        a, b, c, d = nodes[u], nodes[k1 + u], nodes[k2 + u], nodes[k3 + u]
        e, f, g, h = nodes[k4 + u], nodes[k5 + u], nodes[k6 + u], nodes[k7 + u]
        stretched = max(max(abs(b - a), abs(c - b)), abs(d - c))
        sloping = max(max(abs(f - e), abs(g - f)), abs(h - g))
        bent = max(max(abs(a - b - b + c), abs(b - c - c + d)), max(abs(e - f - f + g), abs(f - g - g + h)))
        y = begin_y + np.float32(np.int32(u)) * tall
        inside = (begin_x + b >= least_x) & (begin_x + c <= most_x)
        inside &= (y + min(f, g) >= least_y) & (y + max(f, g) <= most_y)
        sound = (stretched <= stretch_most) & (sloping <= slope_most) & (bent <= BEND_MAX) & inside
        gentle = max(stretched, sloping) + bent <= np.float32(GRID_STEP / WIDE)
        kinds[u] = np.int32(sound) * (np.int32(2) - np.int32(gentle))
        x1 = (c - b * half - a * third - d * sixth) * step
        x2, x3 = ((a + c) * half - b) * step * step, ((d - a) * sixth + (b - c) * half) * step * step * step
        y1 = (g - f * half - e * third - h * sixth) * step
        y2, y3 = ((e + g) * half - f) * step * step, ((h - e) * sixth + (f - g) * half) * step * step * step
        # the same line as y of x, through four of its points (Newton's divided differences)
        qx, qy = one + cubic(one, b, x1, x2, x3), cubic(one, f, y1, y2, y3)
        rx, ry = two + cubic(two, b, x1, x2, x3), cubic(two, f, y1, y2, y3)
        sx, sy = three + cubic(three, b, x1, x2, x3), cubic(three, f, y1, y2, y3)
        pq, qr, rs = (qy - f) / (qx - b), (ry - qy) / (rx - qx), (sy - ry) / (sx - rx)
        pqr, qrs = (qr - pq) / (rx - b), (rs - qr) / (sx - qx)
        steepest = (qrs - pqr) / (sx - b)
        units[u], units[k1 + u], units[k2 + u], units[k3 + u] = f, y1, y2, y3
        units[k4 + u] = f - b * (pq - qx * (pqr - rx * steepest))
        units[k5 + u] = pq - (b + qx) * pqr + (b * qx + b * rx + qx * rx) * steepest
        units[k6 + u] = pqr - (b + qx + rx) * steepest
        units[k7 + u] = steepest


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cubic(p, c0, c1, c2, c3):  # type: ignore[no-untyped-def]
    """A cubic at p, lowest power first."""
    return multiply_add(p, multiply_add(p, multiply_add(p, c3, c2), c1), c0)  # type: ignore[call-arg]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def curve_of(curves, kind, number):  # type: ignore[no-untyped-def]
    """Four coefficients of `cell_curves` from one kind on, of a row or unit."""
    at, apart = np.uint64(kind * GRID_STEP + number), np.uint64(GRID_STEP)
    return curves[at], curves[at + apart], curves[at + apart + apart], curves[at + apart + apart + apart]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cubic_lanes(p, curves, kind, number, wide):  # type: ignore[no-untyped-def]
    """`cubic` of `wide` p, by `curve_of` curves."""
    c0, c1, c2, c3 = curve_of(curves, kind, number)
    value = multiply_add_lanes(p, in_all(c3, wide), in_all(c2, wide))
    return multiply_add_lanes(p, multiply_add_lanes(p, value, in_all(c1, wide)), in_all(c0, wide))
