"""Medians of a few values inside compiled loops. NumPy's take ten seconds to compile and are no faster here."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.vector import larger, smaller


@njit(cache=True, nogil=True)
def sort_first(values, count):  # type: ignore[no-untyped-def]
    """Sort the first `count` of `values` in place by insertion: for tens of values, hundreds at the most."""
    for i in range(1, count):
        held = values[i]
        j = i
        while j > 0 and values[j - 1] > held:
            values[j] = values[j - 1]
            j -= 1
        values[j] = held


@njit(cache=True, nogil=True)
def median_first(values, count):  # type: ignore[no-untyped-def]
    """``np.median(values[:count].astype(float))`` for count > 0; leaves them sorted."""
    sort_first(values, count)
    upper = values[count // 2]
    lower = upper if count % 2 == 1 else values[count // 2 - 1]
    return (np.float64(lower) + upper) / 2


@njit(cache=True, nogil=True)
def select_first(values, count, k):  # type: ignore[no-untyped-def]
    """``np.sort(values[:count])[k]``; leaves them in another order (Hoare 1961, Algorithm 65: Find)."""
    low, high = 0, count - 1
    while low < high:
        pivot, i, j = values[k], low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while pivot < values[j]:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if j < k:
            low = i
        if k < i:
            high = j
    return values[k]


@njit(cache=True, nogil=True, error_model="numpy")
def median_by_counts(values):  # type: ignore[no-untyped-def]
    """``np.median(values)`` of finite float32 numbers as float64, the sum of a middle two in float32.

    By halving what is left between the least and the greatest: to count is vector code, to put in order is not. 256
    numbers take a sixth of the time that NumPy's median takes in compiled code.
    """
    size, most = np.uint64(len(values)), np.int32(0x7FFFFFFF)
    # whole numbers in the order of the float32 of the same bits
    keys = values.copy().view(np.int32)
    for x in range(size):
        keys[x] ^= (keys[x] >> np.int32(31)) & most
    k = (len(values) - 1) // 2
    low, greatest = select_by_counts(keys, size, k)
    ends = np.empty(2, np.int32)
    ends[:] = np.int32(low)
    if len(values) % 2 == 0 and _count_up_to(keys, size, ends[0]) == k + 1:
        after, upper = ends[0], np.int32(greatest)
        for x in range(size):
            upper = min(upper, keys[x] if keys[x] > after else np.int32(greatest))
        ends[1] = upper
    for x in range(2):
        ends[x] ^= (ends[x] >> np.int32(31)) & most
    middles = ends.view(np.float32)
    return np.float64(middles[0]) if len(values) % 2 == 1 else np.float64(middles[0] + middles[1]) / 2


@leaf
def select_by_counts(keys, size, k):  # type: ignore[no-untyped-def]
    """``np.sort(keys[:size])[k]`` and ``keys[:size].max()`` of int32 numbers as int64, as `median_by_counts` does it.

    Parameters
    ----------
    size : uint64; with a constant the compiler makes one stretch of vector code
    """
    least, greatest = keys[0], keys[0]
    for x in range(size):
        least, greatest = min(least, keys[x]), max(greatest, keys[x])
    low, high = np.int64(least), np.int64(greatest)
    below, up_to = np.int64(0), np.int64(size)
    while low < high and up_to - below > 1:
        middle = (low + high) >> 1
        number = np.int64(_count_up_to(keys, size, np.int32(middle)))
        if number > k:
            high, up_to = middle, number
        else:
            low, below = middle + 1, number
    if low < high:  # one alone is left between them
        first, place = np.int32(low), greatest
        for x in range(size):
            place = min(place, keys[x] if keys[x] >= first else greatest)
        low = np.int64(place)
    return low, np.int64(greatest)


@leaf
def _count_up_to(keys, size, most):  # type: ignore[no-untyped-def]
    number = np.int32(0)
    for x in range(size):
        number = np.int32(number + np.int32(keys[x] <= most))
    return number


@njit(cache=True, nogil=True, error_model="numpy")
def put_in_order(lower, upper):  # type: ignore[no-untyped-def]
    """Exchange values of two float32 rows, none NaN, where the first has the greater: vector code."""
    for x in range(np.uint64(len(lower))):
        one, other = lower[x], upper[x]
        lower[x], upper[x] = smaller(one, other), larger(one, other)


def first_of(values: NDArray[Any], number: int) -> NDArray[np.intp]:
    """``np.argsort(-values, kind="stable")[:number]``, where only those are put in order."""
    if len(values) <= number:
        return np.argsort(-values, kind="stable")
    least = -np.partition(-values, number - 1)[number - 1] if number > 0 else np.inf
    among = np.flatnonzero(~(values < least))
    return among[np.argsort(-values[among], kind="stable")[:number]]


@functools.cache
def sorting_network(size: int) -> NDArray[np.int64]:
    """Which pairs to put in order, one after the other, so that `size` values end up sorted: (n, 2), lower first.

    Unlike other ways it asks for the same steps whatever the values, so that many columns are sorted by vector code.

    References
    ----------
    Batcher 1968, "Sorting networks and their applications", AFIPS 32, 307: odd-even merging; pairs with what lies
    beyond the size, which counts as greatest, are left out.
    """
    pairs = []
    merged = 1
    while merged < size:
        step = merged
        while step >= 1:
            for first in range(step % merged, size - step, 2 * step):
                for low in range(first, min(first + step, size - step)):
                    if low // (2 * merged) == (low + step) // (2 * merged):
                        pairs.append((low, low + step))
            step //= 2
        merged *= 2
    network = np.array(pairs, np.int64).reshape(-1, 2)
    network.flags.writeable = False
    return network


# Columns that are sorted beside one another: the values of a few stay in the nearest cache.
STRIP = 256


def column_medians(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """``np.median(values, axis=0)`` of finite float32 numbers, the sum of a middle two in float32.

    Parameters
    ----------
    values : (n, ...) float32 array, n some hundred at the most

    Returns
    -------
    (...) float32 array
    """
    result = np.empty(values.shape[1:], np.float32)
    _column_medians(values.reshape(len(values), -1), sorting_network(len(values)), result.reshape(-1))
    return result


@njit(cache=True, nogil=True, error_model="numpy")
def _column_medians(values, network, medians):  # type: ignore[no-untyped-def]
    held = np.empty((len(values), STRIP), np.float32)
    for first in range(0, len(medians), STRIP):
        width = min(STRIP, len(medians) - first)
        held[:, :width] = values[:, first : first + width]
        sorted_medians(held, width, network, medians[first : first + width])


@leaf
def sorted_medians(values, width, network, medians):  # type: ignore[no-untyped-def]
    """``medians[:] = np.median(values[:, :width], axis=0)``; leaves the columns sorted."""
    sort_columns(values, width, network)
    upper = len(values) // 2
    lower = upper if len(values) % 2 == 1 else upper - 1
    for x in range(np.uint64(width)):
        medians[x] = (values[lower, x] + values[upper, x]) / np.float32(2)


@leaf
def sort_columns(values, width, network):  # type: ignore[no-untyped-def]
    """``values[:, :width].sort(axis=0)``, `network` being the `sorting_network` of their number."""
    for pair in range(len(network)):
        put_in_order(values[network[pair, 0], :width], values[network[pair, 1], :width])
