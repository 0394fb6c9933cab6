"""A mosaic's lines in stretches: means that stars and hot pixels do not move, of which banding is told. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.ordering import STRIP, sorted_medians, sorting_network
from pipeline.sensor.mosaic import stored_value

# Stretches that a line is cut into, and the least that one holds, px: what one shows alone is no banding.
STRETCHES, STRETCH_LEAST = 24, 16
# A value counts within so many standard deviations of its block's, told from so many of its lines each way; what is
# left of a small offset then, noise being normal: 1 - 2 c phi(c) / (2 Phi(c) - 1).
HELD, HELD_LEFT, SAMPLES = 3.0, 0.9733, 12


@dataclass(frozen=True)
class Strips:
    """Means over stretches of lines: `rows` (stretches, 2, height) by the column's parity, `columns` (stretches, 2,
    width) by the row's; float32, ADU."""

    rows: NDArray[np.float32]
    columns: NDArray[np.float32]


def strips_of(
    values: NDArray[np.uint16],
    dark: NDArray[np.float32] | None = None,
    factor: float = 1.0,
    bias: NDArray[np.float32] | None = None,
) -> Strips:
    """Means over stretches of a mosaic's lines, stars and hot pixels left out.

    One star among a line's thirty pixels is more than most banding. A value counts that lies within `HELD` standard
    deviations of the median of its colour in its block of the frame; of these deviations the banding itself is part.
    What touches a value above that does not count either: it is the same star's.
    Where less than half of a stretch counts, it is taken for as much of the median as is missing to half.

    Parameters
    ----------
    values : (height, width) big-endian uint16 array as FITS stores it, the sign bit turned
    dark, bias : what is taken off before, `factor` times the one and the other, (height, width) float32, ADU
    """
    height, width = values.shape
    across, down = _stretch(width), _stretch(height)
    masters = [(part, np.float32(by)) for part, by in ((dark, factor), (bias, 1.0)) if part is not None]
    rows = np.zeros((width // across, 2, height), np.float32)
    columns = np.zeros((height // down, 2, width), np.float32)
    if not rows.size or not columns.size:
        return Strips(rows, columns)
    (one, by_one), (other, by_other) = (*masters, *[(np.zeros((0, width), np.float32), np.float32(0))] * 2)[:2]
    stored = values.view(np.uint16)
    middle, reach = _held(stored, one, by_one, other, by_other, across, down)
    _add_strips(stored, one, by_one, other, by_other, middle, reach, across, down, rows, columns)
    return Strips(rows, columns)


def _held(
    stored: NDArray[np.uint16],
    one: NDArray[np.float32],
    by_one: np.float32,
    other: NDArray[np.float32],
    by_other: np.float32,
    across: int,
    down: int,
) -> NDArray[np.float32]:
    """Medians of blocks and how far off values count, (2, stretches down, 2, width) by the row's parity; ADU."""
    height, width = stored.shape
    limits = np.empty((2, height // down, 2, width), np.float32)
    blocks = width // across
    place = np.minimum(np.arange(width) // across, blocks - 1)
    down_at, across_at = (
        np.unique(np.linspace(0, length // 2 - 1, SAMPLES).astype(int)) * 2 for length in (down, across)
    )
    levels = np.empty((2, height // down, 2, 2, blocks), np.float32)
    network = sorting_network(down_at.size * across_at.size)
    _block_medians(
        stored, one, by_one, other, by_other, across, down, down_at, across_at, network, levels.reshape(2, -1)
    )
    # of values in whole ADU, most alike, the median says nothing of their scatter
    levels[1] = HELD * np.maximum(MAD_TO_SIGMA * levels[1], 1.0)
    for column in (0, 1):
        limits[..., column::2] = levels[:, :, :, column, place[column::2]]
    return limits


def _stretch(length: int) -> int:
    """Length of a stretch of a line, px."""
    return max(length // STRETCHES, STRETCH_LEAST) & ~1


@njit(cache=True, nogil=True, error_model="numpy")
def _block_medians(stored, one, by_one, other, by_other, across, down, rows, columns, network, medians):  # type: ignore[no-untyped-def]
    """Medians of samples of blocks of each CFA position, and of what these lie off them.

    `medians`, (2, n), is filled in the order block row, row's parity, column's parity, block column: of `levels`, the
    sample in float32, ``np.median(levels)`` and ``np.median(np.abs(levels - np.median(levels)))``.
    """
    number, size = stored.shape[1] // across, len(rows) * len(columns)
    ordered = np.empty((size, STRIP), np.float32)
    for begin in range(0, medians.shape[1], STRIP):
        end = min(begin + STRIP, medians.shape[1])
        for at in range(begin, end):
            top, left = at // (4 * number) * down + at // (2 * number) % 2, at % number * across + at // number % 2
            k = 0
            for row in rows:
                y = top + row
                for column in columns:
                    x = left + column
                    value = stored_value(stored[y, x])
                    if len(one):
                        value -= by_one * one[y, x]
                    if len(other):
                        value -= by_other * other[y, x]
                    ordered[k, at - begin] = value
                    k += 1
        sorted_medians(ordered, end - begin, network, medians[0, begin:end])
        _take_off(ordered, medians[0, begin:end])
        sorted_medians(ordered, end - begin, network, medians[1, begin:end])


@leaf
def _take_off(values, medians):  # type: ignore[no-untyped-def]
    for k in range(len(values)):
        for x in range(np.uint64(len(medians))):
            values[k, x] = abs(values[k, x] - medians[x])


@njit(cache=True, nogil=True, error_model="numpy")
def _add_strips(stored, one, by_one, other, by_other, middle, reach, across, down, rows, columns):  # type: ignore[no-untyped-def]
    height, width = stored.shape
    # three rows at once: of the one in the middle all that lie beside bright values are known
    offs = np.zeros((3, width), np.float32)
    insides, brights = np.zeros((3, width), np.uint8), np.zeros((3, width), np.uint8)
    counted, lit = np.empty(width, np.uint8), np.zeros(width + 2, np.uint8)
    numbers = np.zeros((2, width), np.int16)
    half_across, half_down = np.float32(across // 4), np.float32(down // 4)
    for ahead in range(height + 1):
        if ahead < height:
            block, parity = min(ahead // down, len(columns) - 1), ahead & 1
            _off_level(
                stored[ahead], one[min(ahead, len(one)) :], by_one, other[min(ahead, len(other)) :], by_other,
                middle[block, parity], reach[block, parity], offs[ahead % 3], insides[ahead % 3], brights[ahead % 3],
            )  # fmt: skip
        else:
            brights[ahead % 3] = 0
        if ahead == 0:
            continue
        y = ahead - 1
        _count(insides[y % 3], brights, lit, counted)
        block, parity = min(y // down, len(columns) - 1), y & 1
        line, level = offs[y % 3], middle[block, parity]
        if y // down < len(columns):
            total, number = columns[block, parity], numbers[parity]
            _add_line(line, counted, total, number)
            if y % down >= down - 2:
                for x in range(np.uint64(width)):
                    total[x] = level[x] + total[x] / max(np.float32(number[x]), half_down)
                number[:] = 0
        else:
            _keep_counted(line, counted)
        _add_stretches(line, counted, level, across, half_across, rows[:, :, y])


@leaf
def _off_level(source, one, by_one, other, by_other, level, far, off, inside, bright):  # type: ignore[no-untyped-def]
    """How far a row's values lie off their blocks' medians, 1 where one counts, and 1 where it is a star's or hot."""
    width = len(source)
    if len(other):
        taken, too = one[0], other[0]
        for x in range(np.uint64(width)):
            apart = stored_value(source[x]) - level[x] - by_one * taken[x] - by_other * too[x]
            off[x], inside[x], bright[x] = apart, abs(apart) < far[x], apart >= far[x]
    elif len(one):
        taken = one[0]
        for x in range(np.uint64(width)):
            apart = stored_value(source[x]) - level[x] - by_one * taken[x]
            off[x], inside[x], bright[x] = apart, abs(apart) < far[x], apart >= far[x]
    else:
        for x in range(np.uint64(width)):
            apart = stored_value(source[x]) - level[x]
            off[x], inside[x], bright[x] = apart, abs(apart) < far[x], apart >= far[x]


@leaf
def _count(inside, brights, lit, counted):  # type: ignore[no-untyped-def]
    """1 where a value counts: it lies near the median, and none that touches it is bright."""
    for x in range(np.uint64(len(inside))):
        lit[x + np.uint64(1)] = brights[0, x] | brights[1, x] | brights[2, x]
    for x in range(np.uint64(len(inside))):
        beside = lit[x] | lit[x + np.uint64(1)] | lit[x + np.uint64(2)]
        counted[x] = inside[x] & (beside ^ np.uint8(1))


@leaf
def _add_line(line, counted, total, number):  # type: ignore[no-untyped-def]
    """Leave of a row what counts, and add it to the sums of its columns and to their numbers."""
    for x in range(np.uint64(len(line))):
        line[x] *= np.float32(counted[x])
        total[x] += line[x]
        number[x] = np.int16(number[x] + counted[x])


@leaf
def _keep_counted(line, counted):  # type: ignore[no-untyped-def]
    for x in range(np.uint64(len(line))):
        line[x] *= np.float32(counted[x])


@leaf
def _add_stretches(line, counted, level, across, half, rows):  # type: ignore[no-untyped-def]
    """Means over stretches of a row by the column's parity.

    The sums of four stretches run beside one another: each is a chain of additions that wait for the one before.
    """
    across, number = np.uint64(across), np.uint64(rows.shape[0])
    fours = number // np.uint64(4)
    for four in range(fours):
        first = np.uint64(4) * four * across
        a, b, c = first + across, first + np.uint64(2) * across, first + np.uint64(3) * across
        even, odd, even_a, odd_a = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
        even_b, odd_b, even_c, odd_c = np.float32(0), np.float32(0), np.float32(0), np.float32(0)
        for x in range(np.uint64(0), across, np.uint64(2)):
            even += line[first + x]
            odd += line[first + x + np.uint64(1)]
            even_a += line[a + x]
            odd_a += line[a + x + np.uint64(1)]
            even_b += line[b + x]
            odd_b += line[b + x + np.uint64(1)]
            even_c += line[c + x]
            odd_c += line[c + x + np.uint64(1)]
        n = np.uint64(4) * four
        rows[n, 0], rows[n, 1] = even, odd
        rows[n + np.uint64(1), 0], rows[n + np.uint64(1), 1] = even_a, odd_a
        rows[n + np.uint64(2), 0], rows[n + np.uint64(2), 1] = even_b, odd_b
        rows[n + np.uint64(3), 0], rows[n + np.uint64(3), 1] = even_c, odd_c
    for k in range(np.uint64(4) * fours, number):
        even, odd = np.float32(0), np.float32(0)
        for x in range(k * across, (k + np.uint64(1)) * across, np.uint64(2)):
            even += line[x]
            odd += line[x + np.uint64(1)]
        rows[k, 0], rows[k, 1] = even, odd
    for k in range(number):
        first, of_even, of_odd = k * across, np.int32(0), np.int32(0)
        for x in range(first, first + across, np.uint64(2)):
            of_even = np.int32(of_even + counted[x])
            of_odd = np.int32(of_odd + counted[x + np.uint64(1)])
        rows[k, 0] = level[first] + rows[k, 0] / max(np.float32(of_even), half)
        rows[k, 1] = level[first + np.uint64(1)] + rows[k, 1] / max(np.float32(of_odd), half)
