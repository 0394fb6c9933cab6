"""A block of an uncompressed raw file that stands in it twice, as bad cards and copies leave it.

It is equal to the bit, noise and all, and displaced by any number of pixels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Places are marked by the pixels themselves, so that a copy is marked where its original is, whatever lies between:
# a mix of twelve successive values of which one in 1024 stands out. It is made of differences within a colour (areas of
# one value are never marked) and judged by its upper bits (values that are all multiples of 4 or 256 mix as well).
# Noise of 1 ADU marks one pixel in 1010, of 0.5 ADU one in 4600.
_FIRST, _SECOND, _FIFTH, _NINTH = np.uint16(0x9E37), np.uint16(0x6D2B), np.uint16(0xC2B5), np.uint16(0x85EB)
_MARK, _BELOW = np.uint16(0x5B00), np.uint16(64)
_MIXED = 12
_BLOCK = 64  # pixels looked at together; one block in 16 holds a mark
# A mark is known by so many values, its own twelve first; noise of 3 ADU gives them 115 bits, one of 0.5 ADU 30. So
# many of them must differ from their neighbour of the same colour.
WINDOW = 32
_CHANGES = 8
# No more marks than one in so many pixels are kept: pictures of a few values have many more places that mix alike. What
# is left out goes by the mark's hash, so that a copy keeps those that its original keeps.
_SPARSE = 256
# So many marks with one and the same displacement are looked into: a block of 8192 pixels (16 kB, a page of a card's
# memory) holds eight.
_LEAST_MARKS, _MOST_VECTORS = 3, 8
# Then the frame is compared with itself: what counts are runs of so many equal pixels, of which an eighth differ from
# their neighbour, and so many in all. Noise makes none: even where it is of two values, equally frequent, 128 pixels
# agree with a chance of 2^-128.
RUN, LIVELY, LEAST = 128, 8, 2048
# What columns, rows or textures alone draw, noise being rounded away, is equal two pixels further too; a copy is not.
_ASIDE = ((-2, 0), (2, 0), (0, -2), (0, 2))
_ASIDE_SHARE = 0.1


@dataclass(frozen=True)
class Repeat:
    """Rows that hold a second time what rows before them hold.

    `rows`, `sources` are row numbers; `columns` is the displacement along the row, px (positive to the right).
    """

    rows: NDArray[np.intp]
    sources: NDArray[np.intp]
    columns: int


@njit(cache=True, nogil=True)
def _mix(row: Any, pairs: Any, mixed: Any) -> None:
    for j in range(pairs.shape[0]):
        first, second = np.uint16(row[j] - row[j + 2]), np.uint16(row[j + 1] - row[j + 3])
        pairs[j] = np.uint16(np.uint16(first * _FIRST) + np.uint16(second * _SECOND))
    for j in range(mixed.shape[0]):
        fifth, ninth = np.uint16(pairs[j + 4] * _FIFTH), np.uint16(pairs[j + 8] * _NINTH)
        mixed[j] = np.uint16(np.uint16(np.uint16(pairs[j] + fifth) + ninth) ^ _MARK)


@njit(cache=True, nogil=True)
def _least(mixed: Any) -> Any:
    least = np.uint16(65535)
    for j in range(_BLOCK):
        least = min(least, mixed[j])
    return least


@njit(cache=True, nogil=True)
def _hash(row: Any, j: int, saturation: int) -> Any:
    """Hash of the window; 0 where it is full or changes little."""
    hashed, changes = np.uint64(0xCBF29CE484222325), 0
    for i in range(j, j + WINDOW):
        if row[i] >= saturation:
            return np.uint64(0)
        changes += i >= j + 2 and row[i] != row[i - 2]
        hashed = np.uint64(np.uint64(hashed ^ np.uint64(row[i])) * np.uint64(0x9E3779B97F4A7C15))
        hashed ^= hashed >> np.uint64(29)
    return hashed if changes >= _CHANGES else np.uint64(0)


@njit(cache=True, nogil=True)
def _mark(pixels: Any, saturation: int, hashes: Any, places: Any) -> int:
    width = pixels.shape[1]
    pairs, mixed = np.empty(width - 3, np.uint16), np.empty(width - _MIXED + 1, np.uint16)
    windows = width - WINDOW + 1  # places at which one can begin
    number, kept = 0, np.uint64(0)
    for r in range(pixels.shape[0]):
        row = pixels[r]
        _mix(row, pairs, mixed)
        for block in range(0, windows, _BLOCK):
            end = min(block + _BLOCK, windows)
            if end == block + _BLOCK and _least(mixed[block:end]) >= _BELOW:
                continue
            for j in range(block, end):
                if mixed[j] >= _BELOW:
                    continue
                hashed = _hash(row, j, saturation)
                if hashed == 0 or hashed & kept:
                    continue
                if number == hashes.shape[0]:
                    kept = np.uint64(np.uint64(2) * kept + np.uint64(1))
                    old, number = number, 0
                    for k in range(old):
                        if not hashes[k] & kept:
                            hashes[number], places[number] = hashes[k], places[k]
                            number += 1
                    if hashed & kept or number == old:
                        continue
                hashes[number], places[number] = hashed, r * width + j
                number += 1
    return number


@njit(cache=True, nogil=True)
def _equal(pixels: Any, down: int, right: int, saturation: int, counts: Any) -> None:
    height, width = pixels.shape
    for r in range(max(0, down), min(height, height + down)):
        run, lively = 0, 0
        for c in range(max(0, right), min(width, width + right)):
            value = pixels[r, c]
            if value == pixels[r - down, c - right]:
                run += 1
                lively += c >= 2 and value != pixels[r, c - 2] and value < saturation
            else:
                if run >= RUN and LIVELY * lively >= run:
                    counts[r] += run
                run, lively = 0, 0
        if run >= RUN and LIVELY * lively >= run:
            counts[r] += run


def equal_stretches(pixels: NDArray[np.uint16], down: int, right: int, saturation: float) -> NDArray[np.int64]:
    """Count in each row the pixels that stand in long runs equal to those `down` rows and `right` columns before.

    What it computes: with ``same = pixels[r, c] == pixels[r - down, c - right]``, the sum of the lengths of the runs of
    True along row r that are 128 and more long and in an eighth of whose pixels ``pixels[r, c] != pixels[r, c - 2]``
    and below saturation.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    down, right : int
    saturation : float, ADU

    Returns
    -------
    (height,) int64 array
    """
    counts = np.zeros(pixels.shape[0], np.int64)
    _equal(pixels, down, right, int(min(saturation, 65535)), counts)
    return counts


def _displacements(pixels: NDArray[np.uint16], saturation: float) -> list[tuple[int, int]]:
    """Displacements (rows, columns) at which marked places come twice, the most frequent first."""
    room = max(1024, pixels.size // _SPARSE)
    hashes, places = np.empty(room, np.uint64), np.empty(room, np.int64)
    number = _mark(pixels, int(min(saturation, 65535)), hashes, places)
    order = np.argsort(hashes[:number], kind="stable")
    again = hashes[order[1:]] == hashes[order[:-1]]
    width = pixels.shape[1]
    rows, columns = np.divmod(places[order], width)
    down, right = np.diff(rows)[again], np.diff(columns)[again]
    vectors, times = np.unique(down * (2 * width) + right + width, return_counts=True)
    found = vectors[np.argsort(-times, kind="stable")][: min(_MOST_VECTORS, int((times >= _LEAST_MARKS).sum()))]
    return [(int(v) // (2 * width), int(v) % (2 * width) - width) for v in found]


def find_repeats(pixels: NDArray[np.uint16], saturation: float) -> list[Repeat]:
    """Find stretches of a mosaic that stand in it twice, to the bit.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    saturation : float, ADU

    Returns
    -------
    list of Repeat
        The longest first; of a stretch that a row's end cuts, displaced in two ways, the longer part tells.
    """
    if pixels.shape[1] < max(RUN, WINDOW + _BLOCK):
        return []
    found = []
    for down, right in _displacements(pixels, saturation):
        counts = equal_stretches(pixels, down, right, saturation)
        total = int(counts.sum())
        if total < LEAST:
            continue
        aside = [equal_stretches(pixels, down + r, right + c, saturation).sum() for r, c in _ASIDE]
        if max(aside) <= _ASIDE_SHARE * total:
            found.append((total, np.flatnonzero(counts), down, right))
    known = np.zeros(pixels.shape[0] + 2, bool)  # a row more at either end: where a stretch begins within a row
    repeats = []
    for _, rows, down, right in sorted(found, key=lambda each: -each[0]):
        if known[rows + 1].all():
            continue
        known[rows], known[rows + 1], known[rows + 2] = True, True, True
        repeats.append(Repeat(rows, rows - down, right))
    return repeats
