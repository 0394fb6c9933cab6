"""Connected groups of pixels above a threshold."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from pipeline.pixels.leaf import leaf

AT_ONCE = 32  # pixels that are looked at together: few of them hold any that stands out


@leaf
def _add_places(image: Any, row: int, threshold: Any, places: Any, number: int) -> int:
    """Add the pixels of a row above a threshold to those places; returns their new number."""
    line = image[row]
    width = line.shape[0]
    for left in range(0, width, AT_ONCE):
        right = min(left + AT_ONCE, width)
        above = np.int32(0)
        # without a way out, so that it is done many pixels at a time
        for j in range(np.uint64(left), np.uint64(right)):
            above += np.int32(line[j] > threshold)
        if above:
            for j in range(left, right):  # without a branch, which would often be guessed wrong
                places[number, 0], places[number, 1] = row, j
                number += line[j] > threshold
    return number


@numba.njit(cache=True, nogil=True)
def places_above(image: Any, threshold: Any) -> Any:
    """``np.argwhere(image > threshold)`` as int32."""
    height, width = image.shape
    places, number = np.empty((max(image.size // 16, width), 2), np.int32), 0
    for row in range(height):
        if number + width > places.shape[0]:
            more = np.empty((2 * places.shape[0], 2), np.int32)
            more[:number] = places[:number]
            places = more
        number = _add_places(image, row, threshold, places, number)
    return places[:number]


@leaf
def root_of(parent: Any, n: int) -> int:
    """The number that stands for all that were found to be one with `n`."""
    while parent[n] != n:
        parent[n] = parent[parent[n]]
        n = parent[n]
    return n


@leaf
def _clear(lines: Any, line: int, places: Any, begin: int, end: int) -> None:
    for n in range(begin, end):
        lines[line, places[n, 1] + 1] = 0


@numba.njit(cache=True, nogil=True)
def label(places: Any, labels: Any) -> Any:
    """Number the 8-connected groups of pixels in the order of their first ones; `labels` is all 0 before.

    ``scipy.ndimage.label(mask, np.ones((3, 3)))`` for ``places = np.argwhere(mask)``. Returns the places group after
    group, and where each group begins among them.
    """
    width = labels.shape[1]
    seen = places.shape[0]
    parent, own = np.empty(seen + 1, np.int32), np.empty(seen, np.int32)
    # numbers of this row's pixels and of those above, one more at either end: a row stays in the nearest memory
    lines = np.zeros((2, width + 2), np.int32)
    row, here, begin, begin_above = -2, 0, 0, 0
    number = 0
    for n in range(seen):
        i, j = places[n, 0], places[n, 1]
        if i != row:
            _clear(lines, 1 - here, places, begin_above, begin)
            if i > row + 1:
                _clear(lines, here, places, begin, n)
            here, begin_above, begin, row = 1 - here, begin, n, i
        north = lines[1 - here, j + 1]
        if north:
            own[n] = lines[here, j + 1] = north
            continue
        east, west = lines[1 - here, j + 2], lines[here, j]
        if west == 0:
            west = lines[1 - here, j]
        if east and west:
            a, b = root_of(parent, east), root_of(parent, west)
            low, high = min(a, b), max(a, b)
            parent[high] = low
            mine = low
        elif east or west:
            mine = max(east, west)
        else:
            number += 1
            parent[number] = number
            mine = number
        own[n] = lines[here, j + 1] = mine
    final = np.zeros(number + 1, np.int32)
    groups = 0
    for n in range(1, number + 1):
        root = root_of(parent, n)
        if root == n:
            groups += 1
            final[n] = groups
        else:
            final[n] = final[root]
    bounds = np.zeros(groups + 2, np.int64)
    for n in range(seen):
        own[n] = final[own[n]]
        bounds[own[n] + 1] += 1
    for n in range(1, groups + 2):
        bounds[n] += bounds[n - 1]
    grouped = np.empty_like(places)
    fill = bounds[:-1].copy()
    for n in range(seen):
        group, i, j = own[n], places[n, 0], places[n, 1]
        labels[i, j] = group
        grouped[fill[group], 0], grouped[fill[group], 1] = i, j
        fill[group] += 1
    return grouped, bounds[1:]
