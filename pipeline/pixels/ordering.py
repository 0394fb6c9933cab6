"""Medians of a few values inside compiled loops. NumPy's take ten seconds to compile and are no faster here."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


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
def put_in_order(lower, upper):  # type: ignore[no-untyped-def]
    """Exchange values of two rows where the first has the greater: vector code."""
    for x in range(np.uint64(len(lower))):
        one, other = lower[x], upper[x]
        lower[x] = one if one < other else other
        upper[x] = other if one < other else one


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
    return np.array(pairs, np.int64).reshape(-1, 2)
