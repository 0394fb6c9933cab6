"""Order statistics of few values against NumPy's sort."""

from __future__ import annotations

import numpy as np

from pipeline.pixels.ordering import (
    column_medians,
    first_of,
    median_by_counts,
    median_first,
    select_by_counts,
    select_first,
    sorting_network,
)


def test_select_and_median_equal_numpy():
    """Of 1 to 40 values, many alike, every place and the median are those of the sorted values."""
    rng = np.random.default_rng(1)
    for count in range(1, 41):
        values = rng.integers(0, 12, count).astype(np.float32)
        ordered = np.sort(values)
        assert [select_first(values.copy(), count, k) for k in range(count)] == ordered.tolist()
        assert median_first(values.copy(), count) == np.median(ordered.astype(float))


def test_the_median_by_counts_is_that_of_the_sorted_values():
    """Of 1 to 200 values, great and small, above and below 0, some alike; what was given stays as it was."""
    rng = np.random.default_rng(2)
    for count in range(1, 201):
        values = (rng.normal(size=count) * 10.0 ** rng.uniform(-3, 4) + rng.choice([0, 500, -30])).astype(np.float32)
        for given in (values, np.round(values), np.abs(values), np.zeros(count, np.float32)):
            ordered = np.sort(given)
            low, high = ordered[(count - 1) // 2], ordered[count // 2]
            kept = given.copy()
            assert median_by_counts(given) == (low if count % 2 else np.float64(low + high) / 2)
            np.testing.assert_array_equal(given, kept)


def test_selection_by_counts_is_that_of_sorted_numbers():
    """Every place of 1 to 40 whole numbers, far apart and alike, comes out, and the greatest."""
    rng = np.random.default_rng(4)
    for count in range(1, 41):
        for keys in (rng.integers(-(2**31), 2**31, count), rng.integers(-3, 3, count)):
            ordered = np.sort(keys)
            got = [select_by_counts(keys.astype(np.int32), count, k) for k in range(count)]
            assert got == [(value, ordered[-1]) for value in ordered]


def test_the_highest_are_the_first_of_all_in_order():
    """Any number of the highest of 0 to 40 values, many alike, some not known, in the order of a stable sort."""
    rng = np.random.default_rng(6)
    for count in range(41):
        values = rng.integers(0, 12, count).astype(np.float64)
        for given in (values, np.where(values == 3, np.nan, values)):
            ordered = np.argsort(-given, kind="stable")
            for number in range(count + 2):
                np.testing.assert_array_equal(first_of(given, number), ordered[:number])


def test_the_network_sorts_everything():
    """A network sorts all numbers if all of zeros and ones (Knuth, The Art of Computer Programming 3, 5.3.4)."""
    for size in range(1, 15):
        rows = np.array([[n >> k & 1 for n in range(2**size)] for k in range(size)])
        ordered = np.sort(rows, axis=0)
        for lower, upper in sorting_network(size):
            rows[lower], rows[upper] = np.minimum(rows[lower], rows[upper]), np.maximum(rows[lower], rows[upper])
        np.testing.assert_array_equal(rows, ordered)


def test_medians_of_columns_are_numpys():
    """Of 1 to 40 values in many columns, to the last bit."""
    rng = np.random.default_rng(3)
    for count in range(1, 41):
        values = rng.normal(0, 5, (count, 7, 61)).astype(np.float32)
        np.testing.assert_array_equal(column_medians(values), np.median(values, axis=0))
