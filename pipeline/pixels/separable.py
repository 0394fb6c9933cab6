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

from pipeline.pixels.lanczos import REACH_AFTER, REACH_BEFORE, lanczos3
from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.vector import WIDE, changes_8, fetch, lanczos_16, lanczos_16_rgb, lowest_bit, multiply_add

# Slope of a row in the source up to which two passes are taken.
SLOPE_MAX = np.float32(0.12)
# Change of the scale along a row, and bend of a row over a cell in px (second difference), up to which they are.
STRETCH_MAX, BEND_MAX = np.float32(0.1), np.float32(2)

# Cells of a row whose curves are worked out at once.
CELLS = 16
# Source columns that the row of a cell touches at most: 64 stretched by a tenth, and what the kernel reaches.
MOST = 96
# Room for so many and what the vectors reach beyond. Where in the scratch stand: places between pixels, along and down,
# what the columns give and what the rows, three planes each.
ROOM = MOST + 2 * WIDE
_ACROSS, _DOWN, _STRIP, OUT = 0, ROOM, 2 * ROOM, 5 * ROOM


@njit(cache=True, nogil=True, error_model="numpy")
def stretch_scratch():  # type: ignore[no-untyped-def]
    """Memory for `stretch`: work and whole; vectors may reach a little beyond what they are meant for."""
    return np.zeros(8 * ROOM, np.float32), np.zeros(2 * MOST + 40, np.int32)


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
def _filled(size):  # type: ignore[no-untyped-def]
    """So many that the vectors of a loop come out even: what is left over would be done one by one."""
    return np.uint64((size + 31) // 32 * 32)


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


@leaf
def _places_along(curves, cell, start, size, work, whole):  # type: ignore[no-untyped-def]
    """How many columns a row's pixels lie from their own number, and where between the columns, less a half."""
    c0, c1, c2, c3 = curve_of(curves, 0, cell)
    for k in range(size):
        number = np.int32(k)
        p = np.float32(np.int32(number + start))
        x = p + cubic(p, c0, c1, c2, c3)
        inner = np.int32(x)
        whole[k] = np.int32(inner - number)
        work[np.uint64(_ACROSS) + k] = x - np.float32(inner) - np.float32(0.5)


@leaf
def _places_down(curves, cell, first, size, work, whole):  # type: ignore[no-untyped-def]
    """Rows in which the curve crosses the columns from `first` on, and where between the rows, less a half."""
    y0, y1, y2, y3 = curve_of(curves, 8, cell)
    for t in range(size):
        y = cubic(np.float32(np.int32(np.int32(t) + first)), y0, y1, y2, y3)
        inner = np.int32(y)
        whole[np.uint64(MOST) + t] = inner
        work[np.uint64(_DOWN) + t] = y - np.float32(inner) - np.float32(0.5)


@leaf
def stretch(  # type: ignore[no-untyped-def]
    source, begin, plane, stride, rows, count, curves, cell, start, size, column, row, work, whole
):  # fmt: skip
    """Resample one row of a cell, or a part of it.

    Parameters
    ----------
    source : 1-D float32 array
    begin, plane, stride : index of the first plane's first pixel, from plane to plane, from row to row
    rows : of a plane
    count : planes, 1 or 3
    curves, cell : of `row_curves`, and the cell's number
    start, size : first pixel in the cell, and how many
    column, row : where in the planes the cell's first pixel would lie without its shift's curve
    work, whole : of `stretch_scratch`
        Plane c of the result stands in `work` from ``OUT + c * ROOM`` on.

    Returns
    -------
    bool
        False where the planes do not reach so far; nothing is filled then.
    """
    _places_along(curves, cell, np.int32(start), _filled(size), work, whole)
    first, last = np.int64(whole[0]) - REACH_BEFORE, np.int64(whole[size - 1]) + size - 1 + REACH_AFTER
    count_down = last - first + 1
    if count_down > MOST - 8 or column + first < 0 or column + last >= stride:
        return False
    _places_down(curves, cell, np.int32(first), _filled(count_down), work, whole)
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
            if count == 3:
                lanczos_16_rgb(  # type: ignore[call-arg]
                    source, np.uint64(corner + at), np.uint64(stride), np.uint64(plane), work, np.uint64(_DOWN + at),
                    work, np.uint64(_STRIP + at), np.uint64(ROOM),
                )  # fmt: skip
            else:
                lanczos_16(  # type: ignore[call-arg]
                    source, np.uint64(corner + at), np.uint64(stride), work, np.uint64(_DOWN + at), work,
                    np.uint64(_STRIP + at),
                )  # fmt: skip
        t = end
    near = _changes(whole, 0)
    k = 0
    while k < size:
        end = min(_run_end(near, np.uint64(0), k), size)
        tap = whole[k] - REACH_BEFORE - first
        for at in range(k, end, WIDE):
            if count == 3:
                lanczos_16_rgb(  # type: ignore[call-arg]
                    work, np.uint64(_STRIP + tap + at), np.uint64(1), np.uint64(ROOM), work, np.uint64(_ACROSS + at),
                    work, np.uint64(OUT + at), np.uint64(ROOM),
                )  # fmt: skip
            else:
                lanczos_16(  # type: ignore[call-arg]
                    work, np.uint64(_STRIP + tap + at), np.uint64(1), work, np.uint64(_ACROSS + at), work,
                    np.uint64(OUT + at),
                )  # fmt: skip
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
    bits = np.uint64(0)
    for group in range(8):
        bits |= changes_8(whole, np.uint64(begin + 8 * group)) << np.uint64(8 * group)  # type: ignore[call-arg]
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
