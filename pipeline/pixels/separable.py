"""Lanczos resampling in two passes, down the columns and then along the rows: 12 products a pixel instead of 36.

A row of the result lies in the source frame as a curve. Where it runs nearly level, the source is first interpolated
down every column at the height of the curve there, then along the curve at the row's own places. The kernel is the
product of two Lanczos kernels as ever, only that its upright axis leans by the curve's slope: three pixels from the
middle it is off by three times the slope. What the sum of 6 x 6 does is thereby done by another kernel of the same
quality; `curves.SLOPE_MAX` says how far that is believed. The rows of a unit share the heights, and their weights.

All is worked out cell by cell of the position grid, in numbers that know nothing of where a tile was cut.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.curves import NARROW, TALLEST, cubic_lanes
from pipeline.pixels.lanczos import POLYNOMIALS, REACH_AFTER, REACH_BEFORE, short_weights
from pipeline.pixels.lanes import (
    byte_lanes,
    choose,
    counting,
    float_lanes,
    in_all,
    lanes_of,
    least_of,
    multiply_add_lanes,
    no_lanes,
    put_first_lanes,
    put_lanes,
    whole_lanes,
)
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.vector import CACHE_LINE, fetch

# Steps of the sub-pixel position that noise is told apart by; variances differ by less than 3 % between steps.
NOISE_PHASES = 7
# Source columns that the rows of a unit touch at most: 64 stretched by a tenth, and what the kernel reaches.
MOST = 96
# Room for so many, and what vectors reach beyond. Where in the scratch stand: places between pixels, along by row and
# down, and what the columns give, by plane and row; and whole pixels along and down, and a unit's noise steps.
ROOM = MOST + 32
_DOWN, _STRIP, _STEPS = TALLEST * ROOM, (TALLEST + 1) * ROOM, (TALLEST + 1) * ROOM
# Last the least of the whole pixels of what is summed at once: at most so many times in a row.
VECTORS, _LEAST = MOST // NARROW + 1, (TALLEST + 3) * ROOM


@njit(cache=True, nogil=True, error_model="numpy")
def stretch_scratch(count):  # type: ignore[no-untyped-def]
    """Memory for `stretch` of so many planes: work and whole."""
    return np.zeros((TALLEST + 1 + count * TALLEST) * ROOM, np.float32), np.zeros(
        _LEAST + (TALLEST + 1) * VECTORS, np.int32
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _places_along(rows, row, start, size, work, whole, to, wide):  # type: ignore[no-untyped-def]
    """How many columns a row's pixels lie from their own number, and where between the columns, less a half."""
    for begin in range(0, size, wide):
        at = max(min(begin, size - wide), 0)
        number = counting(wide) + np.float32(np.int32(at))
        p = number + np.float32(np.int32(start))
        x = p + cubic_lanes(p, rows, 0, row, wide)
        inner = whole_lanes(x)
        from_here = inner - whole_lanes(number)
        put_lanes(whole, np.uint64(to + at), from_here)
        whole[np.uint64(_LEAST + to // ROOM * VECTORS + begin // wide)] = least_of(from_here)
        put_lanes(work, np.uint64(to + at), x - float_lanes(inner) - np.float32(0.5))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _places_down(units, unit, first, size, work, whole, wide):  # type: ignore[no-untyped-def]
    """Rows in which the curve crosses the columns from `first` on, and where between the rows, less a half."""
    for begin in range(0, size, wide):
        at = max(min(begin, size - wide), 0)
        y = cubic_lanes(counting(wide) + np.float32(np.int32(at + first)), units, 4, unit, wide)
        inner = whole_lanes(y)
        put_lanes(whole, np.uint64(_DOWN + at), inner)
        whole[np.uint64(_LEAST + TALLEST * VECTORS + begin // wide)] = least_of(inner)
        put_lanes(work, np.uint64(_DOWN + at), y - float_lanes(inner) - np.float32(0.5))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _pair(square, k, wide):  # type: ignore[no-untyped-def]
    """The even and the odd part of the weights of pixels -2 + k and 3 - k."""
    return (
        multiply_add_lanes(square, in_all(POLYNOMIALS[k, 0, 1], wide), in_all(POLYNOMIALS[k, 0, 0], wide)),
        multiply_add_lanes(square, in_all(POLYNOMIALS[k, 1, 1], wide), in_all(POLYNOMIALS[k, 1, 0], wide)),
    )


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _weights(place, further, wide):  # type: ignore[no-untyped-def]
    """The weights of places between two pixels, less a half, by `lanczos.POLYNOMIALS`, as those of seven pixels.

    They are those of the first six or, where it says `further`, of the last six: places of neighbours lie in one pixel
    or the next. They stay in registers: to store and read them again takes longer.
    """
    square, back = place * place, place * np.float32(-1)
    (e0, o0), (e1, o1), (e2, o2) = _pair(square, 0, wide), _pair(square, 1, wide), _pair(square, 2, wide)
    w0, w1, w2 = multiply_add_lanes(place, o0, e0), multiply_add_lanes(place, o1, e1), multiply_add_lanes(place, o2, e2)
    w3, w4, w5 = multiply_add_lanes(back, o2, e2), multiply_add_lanes(back, o1, e1), multiply_add_lanes(back, o0, e0)
    none = no_lanes(wide)
    return (
        choose(further, none, w0), choose(further, w0, w1), choose(further, w1, w2), choose(further, w2, w3),
        choose(further, w3, w4), choose(further, w4, w5), choose(further, w5, none),
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _weighted(source, at, step, w, wide):  # type: ignore[no-untyped-def]
    """``sum over j < 7 of source[at + j * step + x] * w[j]`` for `wide` neighbours x."""
    two, four = step + step, np.uint64(4) * step
    total = lanes_of(source, at, wide) * w[0]
    total = multiply_add_lanes(lanes_of(source, at + step, wide), w[1], total)
    total = multiply_add_lanes(lanes_of(source, at + two, wide), w[2], total)
    total = multiply_add_lanes(lanes_of(source, at + two + step, wide), w[3], total)
    total = multiply_add_lanes(lanes_of(source, at + four, wide), w[4], total)
    total = multiply_add_lanes(lanes_of(source, at + four + step, wide), w[5], total)
    return multiply_add_lanes(lanes_of(source, at + four + two, wide), w[6], total)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _down(source, corner, plane, stride, count, tall, size, work, whole, wide):  # type: ignore[no-untyped-def]
    """The first pass: so many columns for every row of a unit.

    `corner` is where in the source the first column has the row that lies on the curve where that is 0.
    """
    for begin in range(0, size, wide):
        at = max(min(begin, size - wide), 0)
        inner = lanes_of(whole, np.uint64(_DOWN + at), wide)
        nearest = whole[np.uint64(_LEAST + TALLEST * VECTORS + begin // wide)]
        weights = _weights(lanes_of(work, np.uint64(_DOWN + at), wide), inner != in_all(nearest, wide), wide)
        nearest_row = corner + (nearest - REACH_BEFORE) * stride + at
        for c in range(count):
            for r in range(tall):
                here = np.uint64(nearest_row + c * plane + r * stride)
                sums = _weighted(source, here, np.uint64(stride), weights, wide)
                put_lanes(work, np.uint64(_STRIP + (c * TALLEST + r) * ROOM + at), sums)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _along(  # type: ignore[no-untyped-def]
    count, r, row, start, size, first, work, whole, levels, values, to, apart, free, wide
):  # fmt: skip
    """The second pass: row r of a unit from what the columns gave, which begin with number `first`."""
    place, kinds = r * ROOM, np.uint64(row)
    gain, growth = levels[kinds], levels[kinds + np.uint64(GRID_STEP)]
    for begin in range(0, size, wide):
        # the last ones may be worked out once more, with what is before them; fewer are stored by mask, which is slow
        at = max(min(begin, size - wide), 0)
        inner = lanes_of(whole, np.uint64(place + at), wide)
        nearest = whole[np.uint64(_LEAST + r * VECTORS + begin // wide)]
        weights = _weights(lanes_of(work, np.uint64(place + at), wide), inner != in_all(nearest, wide), wide)
        p = counting(wide) + np.float32(np.int32(at + start))
        factor = p * growth + gain
        here = np.uint64(_STRIP + r * ROOM + nearest - REACH_BEFORE - first + at)
        out, kind = np.uint64(to + at), kinds + np.uint64(2 * GRID_STEP)
        for _ in range(count):
            base, rise = levels[kind], levels[kind + np.uint64(GRID_STEP)]
            sums = factor * _weighted(work, here, np.uint64(1), weights, wide) + (p * rise + base)
            if free | (size >= wide):
                put_lanes(values, out, sums)
            else:
                put_first_lanes(values, out, sums, np.int32(size))
            here += np.uint64(TALLEST * ROOM)
            out += np.uint64(apart)
            kind += np.uint64(2 * GRID_STEP)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _step(between, wide):  # type: ignore[no-untyped-def]
    """The noise step of places behind a pixel, and 1 where it is that of the next pixel's middle, else 0.

    In whole numbers throughout: of comparisons LLVM makes twice as much code.
    """
    step = whole_lanes(between * np.float32(NOISE_PHASES) + np.float32(0.5))
    over = (step + np.int32(1)) >> np.int32(3)
    return step - _times(over, NOISE_PHASES), over


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _times(bit, number):  # type: ignore[no-untyped-def]
    """A number where lanes hold 1, 0 where they hold 0."""
    return (bit * np.int32(-1)) & np.int32(number)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _steps_down(units, unit, start, size, whole, wide):  # type: ignore[no-untyped-def]
    """Of a unit's pixels along a row: the row of the source that they are nearest to, and the noise step from there."""
    for begin in range(0, size, wide):
        at = max(min(begin, size - wide), 0)
        y = cubic_lanes(counting(wide) + np.float32(np.int32(at + start)), units, 0, unit, wide)
        inner = whole_lanes(y)
        step, over = _step(y - float_lanes(inner), wide)
        put_lanes(whole, np.uint64(_STEPS + at), inner + over)
        put_lanes(whole, np.uint64(_STEPS + ROOM + at), step * np.int32(NOISE_PHASES))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _codes(r, size, column, down, work, whole, codes, to, free, wide):  # type: ignore[no-untyped-def]
    """Noise codes of row r of a unit, as `resample.noise_code`; columns and rows of the source begin with these."""
    for begin in range(0, size, wide):
        at = max(min(begin, size - wide), 0)
        step, over = _step(lanes_of(work, np.uint64(r * ROOM + at), wide) + np.float32(0.5), wide)
        number = whole_lanes(counting(wide)) + np.int32(at + column)
        x = lanes_of(whole, np.uint64(r * ROOM + at), wide) + number + over
        y = lanes_of(whole, np.uint64(_STEPS + at), wide) + np.int32(down)
        code = step + lanes_of(whole, np.uint64(_STEPS + ROOM + at), wide)
        code = code + _times(x & np.int32(1), NOISE_PHASES**2) + _times(y & np.int32(1), 2 * NOISE_PHASES**2)
        if free | (size >= wide):
            put_lanes(codes, np.uint64(to + at), byte_lanes(code))
        else:
            put_first_lanes(codes, np.uint64(to + at), byte_lanes(code), np.int32(size))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def stretch(  # type: ignore[no-untyped-def]
    source, begin, plane, stride, high, count, rows, units, unit, row, tall, start, size, column, down, source_origin,
    work, whole, levels, values, to, wide_row, apart, free, codes, told, wide,
):  # fmt: skip
    """Resample the rows of a unit in a cell, or a part of them.

    Parameters
    ----------
    source : 1-D float32 array
    begin, plane, stride : index of the first plane's first pixel, from plane to plane, from row to row
    high : rows of a plane
    count : planes
    rows, units, unit : of `cell_curves`, and the unit's number
    row, tall : first row in the cell, and how many
    start, size : first pixel in the cell, and how many
    column, down : where in the frame the cell's first column, and the row, would lie without the curves
    source_origin : (row, column) of the planes' first pixel in the frame
    work, whole : of `stretch_scratch`
    levels : ((2 + 2 count) 64,) float32 array
        By row of the cell what the sums are multiplied by at its first pixel, then how it grows from pixel to pixel;
        and likewise what is then added, plane by plane.
    values, to, wide_row, apart : contiguous float32 array, where in it, laid out flat, the results go, from row to row
        and from plane to plane
    free : bool
        What lies to the right of the cell in `values` and `codes` may be written over.
    codes, told : contiguous uint8 array, where in it the noise codes go (rows as those of `values`); not if negative
    wide : how many neighbours at once, a number or a constant of the module

    Returns
    -------
    bool
        False where the planes do not reach so far; nothing is filled then.
    """
    first, last = np.int64(MOST), np.int64(-MOST)
    for r in range(tall):
        at = r * ROOM
        _places_along(rows, row + r, start, size, work, whole, at, wide)
        first, last = min(first, np.int64(whole[at])), max(last, np.int64(whole[at + size - 1]))
    first, last = first - REACH_BEFORE, last + size - 1 + REACH_AFTER
    columns = last - first + 1
    at_row, at_column = down - source_origin[0], column - source_origin[1] + first
    if columns > MOST or at_column < 0 or at_column + columns > stride:
        return False
    _places_down(units, unit, first, columns, work, whole, wide)
    # the line bends by less than a pixel between its ends (BEND_MAX); the last of seven rows may be read in vain, and
    # what the line would do beyond few columns
    one, other = np.int64(whole[_DOWN]), np.int64(whole[_DOWN + columns - 1])
    least, most = min(one, other) - 1 - np.int64(columns < wide), max(one, other) + tall + 1
    if at_row + least < REACH_BEFORE or at_row + most + REACH_AFTER >= high:
        return False
    corner = begin + at_row * stride + at_column
    for at in range(0, columns, CACHE_LINE):
        # the rows that are new to the next unit's sums come from far memory: called for now, they are there by then
        behind = corner + (whole[_DOWN + at] + REACH_AFTER + tall) * stride + at
        for c in range(count):
            for r in range(tall):
                fetch(source, np.uint64(behind + c * plane + r * stride))  # type: ignore[call-arg]
    _down(source, corner, plane, stride, count, tall, columns, work, whole, wide)
    if told >= 0:
        _steps_down(units, unit, start, size, whole, wide)
        for r in range(tall):
            _codes(r, size, column, down + r, work, whole, codes, told + r * wide_row, free, wide)
    for r in range(tall):
        _along(count, r, row + r, start, size, first, work, whole, levels, values, to + r * wide_row, apart, free, wide)
    return True


def stretch_slow(
    plane: NDArray[np.floating],
    x: NDArray[np.float64],
    line: tuple[NDArray[np.float64], NDArray[np.float64]],
    columns: NDArray[np.int64],
) -> NDArray[np.float64]:
    """What two passes give along one row of the result, in NumPy.

    Parameters
    ----------
    plane : (height, width) array
    x : (n,) float64 array
        In which columns of the plane the row's pixels lie, rising; n includes some pixels to either side.
    line : (2, n) float64 arrays
        Along which line, x and y, the columns are summed: that of the unit's middle, moved to the row.
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
        for tap, weight in zip(taps, short_weights(x[column] % 1), strict=True):
            height = np.interp(tap, *line)
            result[number] += weight * short_weights(height % 1) @ plane[int(height) + reach, tap]
    return result
