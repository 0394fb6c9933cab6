"""Lanczos resampling in two passes, down the columns and then along the rows: 12 products a pixel instead of 36.

A row of the result lies in the source frame as a curve. Where it runs nearly level, the source is first interpolated
down every column at the height of the curve there, then along the curve at the row's own places. The kernel is the
product of two Lanczos kernels as ever, only that its upright axis leans by the curve's slope: three pixels from the
middle it is off by three times the slope. What the sum of 6 x 6 does is thereby done by another kernel of the same
quality; `SLOPE_MAX` says how far that is believed.

All is worked out cell by cell of the position grid, in numbers that know nothing of where a tile was cut.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanczos import POLYNOMIALS, REACH_AFTER, REACH_BEFORE, lanczos3
from pipeline.pixels.lanes import (
    bits_of,
    counting,
    float_lanes,
    in_all,
    lanes_of,
    multiply_add_lanes,
    put_first_lanes,
    put_lanes,
    whole_lanes,
)
from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.vector import fetch, lowest_bit, multiply_add

# Slope of a row in the source up to which two passes are taken.
SLOPE_MAX = np.float32(0.12)
# Change of the scale along a row, and bend of a row over a cell in px (second difference), up to which they are.
STRETCH_MAX, BEND_MAX = np.float32(0.1), np.float32(2)

# Cells of a row whose curves are worked out at once, and neighbours that are summed at once.
CELLS, WIDE = 16, 16
# Source columns that the row of a cell touches at most: 64 stretched by a tenth, and what the kernel reaches.
MOST = 96
# Room for so many and what the vectors reach beyond. Where in the scratch stand: places between pixels, along and down,
# and what the columns give, three planes.
ROOM = MOST + 2 * WIDE
_ACROSS, _DOWN, _STRIP = 0, ROOM, 2 * ROOM


@njit(cache=True, nogil=True, error_model="numpy")
def stretch_scratch():  # type: ignore[no-untyped-def]
    """Memory for `stretch`: work and whole; vectors may reach a little beyond what they are meant for."""
    return np.zeros(5 * ROOM, np.float32), np.zeros(2 * MOST + 40, np.int32)


@leaf
def row_curves(nodes, begin, row, low, high, curves, whole):  # type: ignore[no-untyped-def]
    """How one row lies in the source frame, as cubics cell by cell, and where two passes may be taken: `CELLS` cells.

    Parameters
    ----------
    nodes : (2, columns) float32 array of `node_row`, and room for `CELLS` columns more
    begin : first cell; cell k begins at column ``k * 64`` of the result and node column k + 1
    row : of the result
    low, high : (2,) float32 arrays, least and greatest row and column of the source frame
    curves : (12 CELLS,) float32 array, filled, `CELLS` numbers of a kind one behind the other
        Coefficients of x's shift and of y by the pixel in the cell, and of y by x, lowest power first. From x and y are
        taken the whole pixels of
    whole : (3 CELLS,) int32 array, filled
        x and y: where the cell's first pixel would lie if its curve began at 0. Last how calm the cell is: 1 where two
        passes may be taken, 2 where whole pixels are only moved, else 0.
    """
    step, half, sixth, third = np.float32(1 / GRID_STEP), np.float32(0.5), np.float32(1 / 6), np.float32(1 / 3)
    one, two, three = np.float32(GRID_STEP / 3), np.float32(2 * GRID_STEP / 3), np.float32(GRID_STEP)
    stretch_most, slope_most = STRETCH_MAX * np.float32(GRID_STEP), SLOPE_MAX * np.float32(GRID_STEP)
    low_y, low_x, high_y, high_x = low[0] + 1, low[1] + 1, high[0] - 1, high[1] - 1
    begin_y, first, xs, ys = np.float32(row), np.int32(begin), nodes[0, begin:], nodes[1, begin:]
    for k in range(np.uint64(CELLS)):
        a, b, c, d = xs[k], xs[k + np.uint64(1)], xs[k + np.uint64(2)], xs[k + np.uint64(3)]
        e, f, g, h = ys[k], ys[k + np.uint64(1)], ys[k + np.uint64(2)], ys[k + np.uint64(3)]
        stretched = max(max(abs(b - a), abs(c - b)), abs(d - c))
        sloping = max(max(abs(f - e), abs(g - f)), abs(h - g))
        bent = max(max(abs(a - b - b + c), abs(b - c - c + d)), max(abs(e - f - f + g), abs(f - g - g + h)))
        begin_x = np.float32(np.int32((first + np.int32(k)) * np.int32(GRID_STEP)))
        inside = (begin_x + b >= low_x) & (begin_x + np.float32(GRID_STEP) + c <= high_x)
        inside &= (begin_y + min(f, g) >= low_y) & (begin_y + max(f, g) <= high_y)
        copied = (stretched == 0) & (sloping == 0) & (b == np.floor(b)) & (f == np.floor(f))
        sound = (stretched <= stretch_most) & (sloping <= slope_most) & (bent <= BEND_MAX) & inside
        # the curve stays above so many whole pixels, some columns beyond the cell too
        whole_x = np.floor(b) if sound else np.float32(0)
        whole_y = np.floor(min(f, g) - np.float32(3)) if sound else np.float32(0)
        whole[k] = np.int32(whole_x)
        whole[np.uint64(CELLS) + k] = np.int32(whole_y)
        whole[np.uint64(2 * CELLS) + k] = np.int32(sound) + np.int32(sound & copied)
        x0, x1 = b - whole_x, (c - b * half - a * third - d * sixth) * step
        x2, x3 = ((a + c) * half - b) * step * step, ((d - a) * sixth + (b - c) * half) * step * step * step
        y0, y1 = f - whole_y, (g - f * half - e * third - h * sixth) * step
        y2, y3 = ((e + g) * half - f) * step * step, ((h - e) * sixth + (f - g) * half) * step * step * step
        # the same line as y of x, through four of its points (Newton's divided differences)
        px, py = x0, y0
        qx, qy = one + cubic(one, x0, x1, x2, x3), cubic(one, y0, y1, y2, y3)
        rx, ry = two + cubic(two, x0, x1, x2, x3), cubic(two, y0, y1, y2, y3)
        sx, sy = three + cubic(three, x0, x1, x2, x3), cubic(three, y0, y1, y2, y3)
        pq, qr, rs = (qy - py) / (qx - px), (ry - qy) / (rx - qx), (sy - ry) / (sx - rx)
        pqr, qrs = (qr - pq) / (rx - px), (rs - qr) / (sx - qx)
        curves[k], curves[np.uint64(CELLS) + k] = x0, x1
        curves[np.uint64(2 * CELLS) + k], curves[np.uint64(3 * CELLS) + k] = x2, x3
        curves[np.uint64(4 * CELLS) + k], curves[np.uint64(5 * CELLS) + k] = y0, y1
        curves[np.uint64(6 * CELLS) + k], curves[np.uint64(7 * CELLS) + k] = y2, y3
        steepest = (qrs - pqr) / (sx - px)
        curves[np.uint64(8 * CELLS) + k] = py - px * (pq - qx * (pqr - rx * steepest))
        curves[np.uint64(9 * CELLS) + k] = pq - (px + qx) * pqr + (px * qx + px * rx + qx * rx) * steepest
        curves[np.uint64(10 * CELLS) + k] = pqr - (px + qx + rx) * steepest
        curves[np.uint64(11 * CELLS) + k] = steepest


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cubic(p, c0, c1, c2, c3):  # type: ignore[no-untyped-def]
    """A cubic at p, lowest power first."""
    return multiply_add(p, multiply_add(p, multiply_add(p, c3, c2), c1), c0)  # type: ignore[call-arg]


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def curve_of(curves, kind, cell):  # type: ignore[no-untyped-def]
    """Four coefficients of `row_curves` from one kind on, of a cell of those that were filled."""
    return (
        curves[kind * CELLS + cell], curves[(kind + 1) * CELLS + cell], curves[(kind + 2) * CELLS + cell],
        curves[(kind + 3) * CELLS + cell],
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cubic_lanes(p, curves, kind, cell):  # type: ignore[no-untyped-def]
    """`cubic` of many p, by `curve_of` curves."""
    c0, c1, c2, c3 = curve_of(curves, kind, cell)
    value = multiply_add_lanes(p, in_all(c3, WIDE), in_all(c2, WIDE))
    return multiply_add_lanes(p, multiply_add_lanes(p, value, in_all(c1, WIDE)), in_all(c0, WIDE))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _places_along(curves, cell, start, size, work, whole):  # type: ignore[no-untyped-def]
    """How many columns a row's pixels lie from their own number, and where between the columns, less a half."""
    for k in range(np.uint64(0), np.uint64(size), np.uint64(WIDE)):
        number = counting(WIDE) + np.float32(np.int32(k))
        p = number + np.float32(start)
        x = p + cubic_lanes(p, curves, 0, cell)
        inner = whole_lanes(x)
        put_lanes(whole, k, inner - whole_lanes(number))
        put_lanes(work, np.uint64(_ACROSS) + k, x - float_lanes(inner) - np.float32(0.5))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _places_down(curves, cell, first, size, work, whole):  # type: ignore[no-untyped-def]
    """Rows in which the curve crosses the columns from `first` on, and where between the rows, less a half."""
    for t in range(np.uint64(0), np.uint64(size), np.uint64(WIDE)):
        y = cubic_lanes(counting(WIDE) + np.float32(np.int32(np.int32(t) + first)), curves, 8, cell)
        inner = whole_lanes(y)
        put_lanes(whole, np.uint64(MOST) + t, inner)
        put_lanes(work, np.uint64(_DOWN) + t, y - float_lanes(inner) - np.float32(0.5))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _pair(square, k):  # type: ignore[no-untyped-def]
    """The even and the odd part of the weights of pixels -2 + k and 3 - k."""
    even = multiply_add_lanes(square, in_all(POLYNOMIALS[k, 0, 2], WIDE), in_all(POLYNOMIALS[k, 0, 1], WIDE))
    odd = multiply_add_lanes(square, in_all(POLYNOMIALS[k, 1, 2], WIDE), in_all(POLYNOMIALS[k, 1, 1], WIDE))
    return (
        multiply_add_lanes(square, even, in_all(POLYNOMIALS[k, 0, 0], WIDE)),
        multiply_add_lanes(square, odd, in_all(POLYNOMIALS[k, 1, 0], WIDE)),
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _weights(place):  # type: ignore[no-untyped-def]
    """The six weights of places between two pixels, less a half, by `lanczos.POLYNOMIALS`.

    They stay in registers: to store and read them again takes longer.
    """
    square, back = place * place, place * np.float32(-1)
    (e0, o0), (e1, o1), (e2, o2) = _pair(square, 0), _pair(square, 1), _pair(square, 2)
    return (
        multiply_add_lanes(place, o0, e0), multiply_add_lanes(place, o1, e1), multiply_add_lanes(place, o2, e2),
        multiply_add_lanes(back, o2, e2), multiply_add_lanes(back, o1, e1), multiply_add_lanes(back, o0, e0),
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _weighted(source, at, step, w):  # type: ignore[no-untyped-def]
    """``sum over j < 6 of source[at + j * step + x] * w[j]`` for `WIDE` neighbours x."""
    at, step = np.uint64(at), np.uint64(step)
    two, four = step + step, np.uint64(4) * step
    total = lanes_of(source, at, WIDE) * w[0]
    total = multiply_add_lanes(lanes_of(source, at + step, WIDE), w[1], total)
    total = multiply_add_lanes(lanes_of(source, at + two, WIDE), w[2], total)
    total = multiply_add_lanes(lanes_of(source, at + two + step, WIDE), w[3], total)
    total = multiply_add_lanes(lanes_of(source, at + four, WIDE), w[4], total)
    return multiply_add_lanes(lanes_of(source, at + four + step, WIDE), w[5], total)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def stretch(  # type: ignore[no-untyped-def]
    source, begin, plane, stride, rows, count, curves, cell, start, size, column, row, work, whole,
    gain, growth, added, node, values, to, apart,
):  # fmt: skip
    """Resample one row of a cell, or a part of it.

    Parameters
    ----------
    source : 1-D float32 array
    begin, plane, stride : index of the first plane's first pixel, from plane to plane, from row to row
    rows : of a plane
    count : planes
    curves, cell : of `row_curves`, and the cell's number
    start, size : first pixel in the cell, and how many
    column, row : where in the planes the cell's first pixel would lie without its shift's curve
    work, whole : of `stretch_scratch`
    gain, growth : what the sums are multiplied by at the cell's first pixel, and how it grows from pixel to pixel
    added, node : (count, nodes) float32 array, what is then added at the cell's first pixel and, one node on, the next
        one's; and which node
    values, to, apart : contiguous float32 array, where in it, laid out flat, the results go, and from plane to plane

    Returns
    -------
    bool
        False where the planes do not reach so far; nothing is filled then.
    """
    _places_along(curves, cell, np.int32(start), size, work, whole)
    first, last = np.int64(whole[0]) - REACH_BEFORE, np.int64(whole[size - 1]) + size - 1 + REACH_AFTER
    count_down = last - first + 1
    if count_down > MOST - 8 or column + first < 0 or column + last >= stride:
        return False
    _places_down(curves, cell, np.int32(first), count_down, work, whole)
    # the line bends by less than a pixel between its ends (BEND_MAX)
    least = min(whole[MOST], whole[MOST + count_down - 1]) - 1
    most = max(whole[MOST], whole[MOST + count_down - 1]) + 1
    if row + least < REACH_BEFORE or row + most + REACH_AFTER >= rows:
        return False
    # runs of columns from the same rows, sixteen at a time; what is too much at the end of a run the next writes over
    for at in range(0, count_down, 16):
        # the row that is new to the next one's sums comes from far memory: called for now, it is there by then
        behind = begin + (row + whole[MOST + at] + REACH_AFTER + 1) * stride + column + first + at
        for c in range(count):
            fetch(source, np.uint64(behind + c * plane))  # type: ignore[call-arg]
    near, far = _changes(whole, MOST), _changes(whole, MOST + 64)
    t = 0
    while t < count_down:
        end = min(_run_end(near, far, t), count_down)
        corner = begin + (row + whole[MOST + t] - REACH_BEFORE) * stride + column + first
        for at in range(t, end, WIDE):
            weights = _weights(lanes_of(work, np.uint64(_DOWN + at), WIDE))
            for c in range(count):
                sums = _weighted(source, corner + at + c * plane, stride, weights)
                put_lanes(work, np.uint64(_STRIP + at + c * ROOM), sums)
        t = end
    near = _changes(whole, 0)
    k = 0
    while k < size:
        end = min(_run_end(near, np.uint64(0), k), size)
        tap = whole[k] - REACH_BEFORE - first
        for at in range(k, end, WIDE):
            weights = _weights(lanes_of(work, np.uint64(_ACROSS + at), WIDE))
            p = counting(WIDE) + np.float32(np.int32(at + start))
            factor = p * growth + gain
            for c in range(count):
                base, rise = added[c, node], (added[c, node + 1] - added[c, node]) * np.float32(1 / GRID_STEP)
                sums = factor * _weighted(work, _STRIP + tap + at + c * ROOM, 1, weights) + (p * rise + base)
                # stores by mask are slow where registers are narrow
                if at + WIDE <= size:
                    put_lanes(values, np.uint64(to + at + c * apart), sums)
                else:
                    put_first_lanes(values, np.uint64(to + at + c * apart), sums, np.int32(size - at))
        k = end
    return True


def stretch_slow(
    plane: NDArray[np.floating], x: NDArray[np.float64], y: NDArray[np.float64], columns: NDArray[np.int64]
) -> NDArray[np.float64]:
    """What two passes give along one row of the result, in NumPy.

    Parameters
    ----------
    plane : (height, width) array
    x, y : (n,) float64 arrays
        Where the row's pixels lie in the plane, x rising; n includes some pixels to either side of those wanted.
    columns : (m,) int64 array
        Which of the n are wanted.

    Returns
    -------
    (m,) float64 array
    """
    reach = np.arange(-REACH_BEFORE, REACH_AFTER + 1)
    result = np.zeros(len(columns))
    for number, column in enumerate(columns):
        taps = int(x[column]) + reach
        across = lanczos3(taps - x[column])
        for tap, weight in zip(taps, across / across.sum(), strict=True):
            height = np.interp(tap, x, y)
            rows = int(height) + reach
            down = lanczos3(rows - height)
            result[number] += weight * (down / down.sum()) @ plane[rows, tap]
    return result


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _changes(whole, begin):  # type: ignore[no-untyped-def]
    """Bit x is set where number begin + x differs from the next, for 64 numbers."""
    at = np.uint64(begin)
    bits = bits_of(lanes_of(whole, at, WIDE) != lanes_of(whole, at + np.uint64(1), WIDE))
    for group in (16, 32, 48):
        here = at + np.uint64(group)
        differ = bits_of(lanes_of(whole, here, WIDE) != lanes_of(whole, here + np.uint64(1), WIDE))
        bits |= differ << np.uint64(group)
    return bits


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _run_end(near, far, t):  # type: ignore[no-untyped-def]
    """First place behind t whose number is another; `near` and `far` are `_changes` from 0 and from 64 on."""
    if t < 64:
        left = near >> np.uint64(t)
        if left != np.uint64(0):
            return t + 1 + lowest_bit(left)  # type: ignore[call-arg]
        t = 64
    left = far >> np.uint64(t - 64)
    return t + 1 + lowest_bit(left)  # type: ignore[call-arg]
