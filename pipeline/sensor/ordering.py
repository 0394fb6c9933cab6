"""Medians of a few values inside compiled loops. NumPy's take ten seconds to compile and are no faster here."""

from __future__ import annotations

import numpy as np
from numba import njit


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


__all__ = ["median_first", "sort_first"]
