"""Lanes: each holds to the last bit what the plain sentence gives for a single number."""

import numpy as np
import pytest
from numba import njit
from numba.core.errors import TypingError

from pipeline.pixels.average import (
    COUNTS_MAX,
    GROWN,
    MILD,
    NOT_COVERED,
    TOGETHER,
    _accumulate,
    _add_frames,
    _add_kept,
    _add_part,
    _count_row,
    tally_of,
)
from pipeline.pixels.lanes import (
    bits_of,
    count_bits,
    counting,
    float_lanes,
    greater,
    greatest_of,
    in_all,
    lanes_of,
    least_of,
    lesser,
    multiply_add_lanes,
    no_lanes,
    one_lane,
    put_first_lanes,
    put_lanes,
    sum_of,
    where,
    whole_lanes,
)
from pipeline.pixels.vector import larger, multiply_add, smaller


@njit
def _sentence(a, b, marks, out):
    at = np.uint64(3)
    x, y, m = lanes_of(a, at, 64), lanes_of(b, at, 64), lanes_of(marks, at, 64)
    some = ((m & np.uint8(6)) != np.uint8(0)) & (m != np.uint8(7)) | (m == np.uint8(1))
    put_lanes(out, at, no_lanes(64) + where(some, x * y + np.float32(0.1)) * np.float32(3))
    return count_bits(bits_of(some))


def test_operators_go_lane_by_lane():
    """Against NumPy in float32."""
    rng = np.random.default_rng(1)
    a, b, marks = rng.normal(size=70), rng.normal(size=70), rng.integers(0, 8, 70).astype(np.uint8)
    a, b, out = a.astype(np.float32), b.astype(np.float32), np.zeros(70, np.float32)
    number = _sentence(a, b, marks, out)
    some = ((marks & 6) != 0) & (marks != 7) | (marks == 1)
    expected = np.where(some, a * b + np.float32(0.1), np.float32(0)) * np.float32(3)
    expected[:3], expected[67:] = 0, 0
    np.testing.assert_array_equal(out, expected)
    assert number == some[3:67].sum()


@njit
def _steps(a, b, out, single):
    x = lanes_of(a, np.uint64(1), 8)
    sums = multiply_add_lanes(x - counting(8), lanes_of(b, np.uint64(0), 8), one_lane(x, 2, 8))
    put_lanes(out, np.uint64(0), sums)
    for n in range(8):
        single[n] = multiply_add(a[1 + n] - np.float32(n), b[n], a[3])


def test_products_are_added_as_those_of_single_numbers():
    """In one step or two, as the machine does it for one number."""
    rng = np.random.default_rng(5)
    a, b, out, single = rng.normal(size=(4, 9)).astype(np.float32)
    _steps(a, b, out, single)
    np.testing.assert_array_equal(out[:8], single[:8])
    np.testing.assert_allclose(single[:8], (a[1:] - np.arange(8)) * b[:8] + a[3], rtol=1e-5, atol=1e-6)


@njit
def _parts(a, whole, rest, number):
    x = lanes_of(a, np.uint64(0), 16)
    inner = whole_lanes(x)
    put_lanes(whole, np.uint64(1), inner - in_all(np.int32(2), 16))
    put_first_lanes(rest, np.uint64(2), x - float_lanes(inner) + in_all(np.float32(1), 16), number)
    return bits_of(lanes_of(whole, np.uint64(1), 16) != lanes_of(whole, np.uint64(2), 16))


@pytest.mark.parametrize("number", [-3, 0, 1, 7, 15, 16, 40])
def test_whole_numbers_and_the_first_of_some_lanes(number):
    """Whole parts go towards zero, as NumPy's; of the rest only so many are written."""
    a = np.random.default_rng(number + 9).uniform(-3, 9, 16).astype(np.float32)
    whole, rest = np.full(18, 99, np.int32), np.full(20, 99, np.float32)
    bits = _parts(a, whole, rest, np.int32(number))
    np.testing.assert_array_equal(whole[1:17], a.astype(np.int32) - 2)
    written = min(max(number, 0), 16)
    expected = a - a.astype(np.int32).astype(np.float32) + np.float32(1)
    np.testing.assert_array_equal(rest[2 : 2 + written], expected[:written])
    assert (rest[2 + written :] == 99).all()
    assert (rest[:2] == 99).all()
    assert bits == sum(1 << n for n in range(16) if whole[1 + n] != whole[2 + n])


@njit
def _of_two_and_of_all(a, b, out):
    x, y = lanes_of(a, np.uint64(0), 8), lanes_of(b, np.uint64(0), 8)
    put_lanes(out, np.uint64(0), lesser(x, y))
    put_lanes(out, np.uint64(8), greater(x, y))
    return least_of(x), greatest_of(x), sum_of(x), bits_of(x == y)


def test_the_lesser_of_two_lanes_and_one_number_of_all():
    """Against NumPy; a sum goes from lane to lane."""
    rng = np.random.default_rng(7)
    a, b = rng.integers(-3, 4, (2, 8)).astype(np.float32) + np.float32(0.1)
    a[3], b[5] = np.inf, -np.inf
    out = np.empty(16, np.float32)
    least, greatest, _, same = _of_two_and_of_all(a, b, out)
    np.testing.assert_array_equal(out, [*np.minimum(a, b), *np.maximum(a, b)])
    assert (least, greatest) == (a.min(), a.max())
    assert same == sum(1 << n for n in range(8) if a[n] == b[n])
    a = rng.normal(size=8).astype(np.float32)
    expected = np.float32(0)
    for number in a:
        expected += number
    assert _of_two_and_of_all(a, b, out)[2] == expected


@njit(error_model="numpy")
def put_larger_and_smaller(above, below, values):
    for j in range(np.uint64(len(values))):
        above[j], below[j] = larger(above[j], values[j]), smaller(below[j], values[j])


@pytest.mark.parametrize("number", [1, 7, 8, 61])
def test_the_larger_is_put_where_one_of_two_stands(number):
    values, held = np.random.default_rng(number).normal(size=(2, number)).astype(np.float32)
    held[0], values[-1] = np.inf, -np.inf
    above, below = held.copy(), held.copy()
    put_larger_and_smaller(above, below, values)
    np.testing.assert_array_equal(above, np.maximum(held, values))
    np.testing.assert_array_equal(below, np.minimum(held, values))


def test_lanes_ask_for_a_contiguous_array():
    """Of any other they would be wrong numbers."""
    with pytest.raises(TypingError, match="contiguous"):
        _sentence(*np.zeros((2, 140), np.float32)[:, ::2], np.zeros(70, np.uint8), np.zeros(70, np.float32))


@pytest.fixture(scope="module")
def stack():
    """Nine frames of two colours; values, codes, mask, weights."""
    rng = np.random.default_rng(2)
    values = rng.normal(100, 9, (9, 2, 3, 150)).astype(np.float32)
    codes = rng.choice(np.array([0, 40, NOT_COVERED], np.uint8), (9, 3, 150))
    mask = rng.choice(np.array([0, 0, 1, 2, GROWN, MILD, MILD | 2, MILD | GROWN], np.uint8), (9, 3, 150))
    return values, codes, mask, rng.uniform(0.1, 1, 9).astype(np.float32)


def test_frames_added_together_are_frames_added_one_by_one(stack):
    """Cells whose ends fall beside the lanes', and a last group of one frame."""
    values, codes, mask, weights = stack
    rng, x0, bit = np.random.default_rng(3), 5, np.uint8(2 | GROWN)
    edges, slope = np.array([0, 11, 75, 139], np.uint64), rng.uniform(size=9).astype(np.float32)
    bases, signal = rng.uniform(size=(9, 3)).astype(np.float32), rng.uniform(size=139).astype(np.float32)
    together, single = np.zeros((3, 139), np.float32), np.zeros((3, 139), np.float32)
    for first in range(0, 9, TOGETHER):
        _add_frames(values, codes, mask, first, 1, 2, x0, bit, weights, bases, edges, slope, signal, *together)
    for k in range(9):
        for cell in range(3):
            here = slice(int(edges[cell]), int(edges[cell + 1]))
            of = slice(x0 + here.start, x0 + here.stop)
            _accumulate(
                values[k, 1, 2, of], codes[k, 2, of], mask[k, 2, of], bit, weights[k], bases[k, cell], slope[k],
                signal[here], *(sums[here] for sums in single),
            )  # fmt: skip
    np.testing.assert_array_equal(together, single)


def test_a_part_is_added_as_its_frames_one_by_one(stack):
    """Every other frame; what was rejected by little counts."""
    values, codes, mask, weights = stack
    bit, part = np.uint8(1 | GROWN), np.array([1, 3, 5, 7])
    together, single = np.ones((2, 139), np.float32), np.zeros((2, 139), np.float32)
    _add_part(values, codes, mask, 0, 1, 5, bit, weights, part, *together)
    for k in part:
        _add_kept(values[k, 0, 1, 5:144], codes[k, 1, 5:144], mask[k, 1, 5:144], bit, weights[k], *single)
    np.testing.assert_array_equal(together, single)


def test_a_row_is_counted():
    """More frames than a byte counts; all that is counted against NumPy."""
    rng, n = np.random.default_rng(4), COUNTS_MAX + 5
    codes = rng.choice(np.array([0, 40, NOT_COVERED], np.uint8), (n, 2, 150), p=(0.6, 0.3, 0.1))
    mask = rng.choice(np.array([0, 1, 2, 3, GROWN, MILD | 2], np.uint8), (n, 2, 150))
    coverage, rejected = np.zeros(139, np.uint16), np.zeros(139, np.uint16)
    tally, scratch = np.zeros((n, 2), np.int64), np.zeros((2, 139), np.uint8)
    _count_row(codes, mask, 1, 5, *scratch, coverage, rejected, tally, 3)
    there, marks = codes[:, 1, 5:144] != NOT_COVERED, mask[:, 1, 5:144]
    np.testing.assert_array_equal(coverage, there.sum(axis=0))
    assert coverage.max() > 0.9 * COUNTS_MAX
    np.testing.assert_array_equal(rejected, (there & (marks != 0)).sum(axis=0))
    np.testing.assert_array_equal(tally, tally_of(codes[:, 1, 5:144], marks, 3))
