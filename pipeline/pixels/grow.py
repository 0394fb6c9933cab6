"""Growth of rejections along trails: the flanks of a trail lie below the limit, but beside what was rejected."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.pixels.lanes import bits_of, count_bits, lanes_of
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.reject import CLUSTER_SIDE, GROWN, SINGLE
from pipeline.pixels.starlight import RING_PX
from pipeline.pixels.variance import base_variance, cell_mean, row_cells
from pipeline.pixels.vector import lowest_bit

# A trail is told by rejections that lie close together: at least 9 of the 49 pixels about one. By chance 0.8 % of the
# pixels are rejected in one colour or another, in clumps of up to four where interpolation ties neighbours together.
CLUSTER_MIN = 9
HALF = CLUSTER_SIDE // 2
# How far a trail's rejections are grown, px: from where the profile falls below three standard deviations of a frame
# to where nothing of it is left.
GROW_PX = 3
# Pixels about a tile that growth needs to be the same whatever the tiles are.
GROW_MARGIN = HALF + GROW_PX + RING_PX


@njit(cache=True, nogil=True, error_model="numpy")
def grow(mask, cores, floor, slope, offsets, members, sky, origin):  # type: ignore[no-untyped-def]
    """Grow clustered rejections of each frame by `GROW_PX` pixels, for all colours (`GROWN` in the mask).

    Star cores take no part: pixels that vary beyond their noise by more than the sky's noise. There each value
    is judged by itself only.

    Parameters
    ----------
    mask : (n, height, width) uint8 array of `reject`, changed in place
    cores : (height, width) float32 array
        `unsteady` of `reject`.
    floor, slope, offsets, members, sky, origin : as in `reject`
    """
    n, height, width = mask.shape
    green = sky.shape[0] // 2
    rows, cells = row_cells(origin[0], height)[1], row_cells(origin[1], width)[1]
    bases = np.empty((n, len(rows), len(cells)), np.float32)
    for k in range(n):
        for i in range(len(rows)):
            for j in range(len(cells)):
                level = cell_mean(sky[green], rows[i], cells[j])
                bases[k, i, j] = base_variance(
                    floor[k, green], slope[k], level, offsets[members[k], green], rows[i], cells[j]
                )
    corner = GRID_STEP * (rows[0] - 1) - origin[0], GRID_STEP * (cells[0] - 1) - origin[1]
    words = (width + 2 * HALF) // 64 + 2
    # a bit a pixel: what is a star's core in some frame
    bright = np.zeros((height, words), np.uint64)
    _mark_bright(cores, bases, corner, bright)
    # a bit a pixel, with half a square of nothing around; how many bits a word has set, and it has in as many rows as a
    # square, with a word before and behind
    hits = np.zeros((height + 2 * HALF, words), np.uint64)
    numbers, counts = np.zeros((height + 2 * HALF, words), np.int32), np.empty(words + 2, np.int32)
    for k in range(n):
        for y in range(height):
            _mark_hits(mask, k, y, cores, bases[k], corner, bright, hits, numbers)
        counts[:] = np.int32(0)
        for y in range(2 * HALF):
            _count(numbers[y], np.int32(1), counts)
        for y in range(height):
            _count(numbers[y + 2 * HALF], np.int32(1), counts)
            for word in range(words):
                # most hits lie alone
                if counts[word] + counts[word + 1] + counts[word + 2] < CLUSTER_MIN or hits[y + HALF, word] == 0:
                    continue
                bits = hits[y + HALF, word]
                while bits != 0:
                    x = 64 * word + lowest_bit(bits) - HALF  # type: ignore[call-arg]
                    bits &= bits - np.uint64(1)
                    if _in_square(hits, y, x) >= CLUSTER_MIN:
                        _grow_about(mask[k], y, x, cores, bases[k], corner)
            _count(numbers[y], np.int32(-1), counts)


@njit(cache=True, nogil=True, error_model="numpy")
def _is_core(y, x, cores, bases, corner):  # type: ignore[no-untyped-def]
    """Whether a pixel is a star's core; `corner` is where the first cell of `bases` begins in the tile."""
    return not cores[y, x] <= bases[(y - corner[0]) // GRID_STEP, (x - corner[1]) // GRID_STEP]


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_bright(cores, bases, corner, bright):  # type: ignore[no-untyped-def]
    """Set the bits of pixels that are cores where the noise is least."""
    least = np.empty(bases.shape[1:], np.float32)
    for i in range(bases.shape[1]):
        for j in range(bases.shape[2]):
            least[i, j] = bases[:, i, j].min()
    for y in range(cores.shape[0]):
        for x in range(cores.shape[1]):
            at = x + HALF
            bright[y, at // 64] |= np.uint64(_is_core(y, x, cores, least, corner)) << np.uint64(at % 64)


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_hits(mask, k, y, cores, bases, corner, bright, hits, numbers):  # type: ignore[no-untyped-def]
    """Set the bits, `HALF` further on, of a row's pixels that were rejected and are no star's core, and count them."""
    _, height, width = mask.shape
    line, after = hits[y + HALF], 0
    line[:] = np.uint64(0)
    while after < width:
        # the last pixels with some before them once more
        begin = max(min(after, width - 64), 0)
        after, word, shift = begin + 64, (begin + HALF) // 64, np.uint64((begin + HALF) % 64)
        if after <= width:
            marks = lanes_of(mask, np.uint64((k * height + y) * width + begin), 64)
            bits = bits_of((marks & np.uint8(SINGLE)) != np.uint8(0))
        else:
            bits = np.uint64(0)
            for x in range(width):
                bits |= np.uint64(mask[k, y, x] & SINGLE != 0) << np.uint64(x)
        line[word] |= bits << shift
        if shift > 0:
            line[word + 1] |= bits >> (np.uint64(64) - shift)
    for word in range(len(line)):
        doubtful = line[word] & bright[y, word]
        while doubtful != 0:
            lowest = doubtful & (~doubtful + np.uint64(1))
            doubtful ^= lowest
            if _is_core(y, 64 * word + lowest_bit(lowest) - HALF, cores, bases, corner):  # type: ignore[call-arg]
                line[word] ^= lowest
        numbers[y + HALF, word] = count_bits(line[word])


@njit(cache=True, nogil=True, error_model="numpy")
def _count(numbers, sign, counts):  # type: ignore[no-untyped-def]
    for word in range(np.uint64(len(numbers))):
        counts[word + np.uint64(1)] += sign * numbers[word]


@njit(cache=True, nogil=True, error_model="numpy")
def _in_square(hits, y, x):  # type: ignore[no-untyped-def]
    """Hits in the square about a pixel."""
    word, shift, number = x // 64, np.uint64(x % 64), 0
    for row in range(y, y + CLUSTER_SIDE):
        bits = hits[row, word] >> shift
        if shift > 64 - CLUSTER_SIDE:
            bits |= hits[row, word + 1] << (np.uint64(64) - shift)
        number += count_bits(bits & np.uint64((1 << CLUSTER_SIDE) - 1))
    return number


@njit(cache=True, nogil=True, error_model="numpy")
def _grow_about(mask, i, j, cores, bases, corner):  # type: ignore[no-untyped-def]
    height, width = mask.shape
    for y in range(max(i - GROW_PX, 0), min(i + GROW_PX + 1, height)):
        for x in range(max(j - GROW_PX, 0), min(j + GROW_PX + 1, width)):
            near = (y - i) ** 2 + (x - j) ** 2 <= GROW_PX * GROW_PX + 1
            if near and not _is_core(y, x, cores, bases, corner):
                mask[y, x] |= np.uint8(GROWN)
