"""Random bytes in a raw file: decoders turn them into values that jump from pixel to pixel as behind no lens."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA

# A pixel stands alone where it lies above all four neighbours of its colour, or below all four, by this share of the
# range from black to white and by so many standard deviations of the noise. Of uniform random values
# (2 / 5) (1 - 1 / 16)^5 = 0.29 do.
JUMP = 1 / 16
JUMP_SIGMA = 8.0
JUMP_MAX = 1 / 4  # of the range; where most of the frame is random the noise cannot be told from it
RANDOM_ALONE = 0.29
STEP = 3  # every third row is looked at; random bytes come in sectors of a card or flash block, not in single pixels
SEGMENT = 128  # pixels of a row that are counted together
# Of the segments of sound frames none has more than 0.19 of its pixels alone, 0.15 % have more than 0.1 (sharp foliage
# by day; of night frames none); random bytes make 0.25 to 0.5, in a block-compressed form 0.1 to 0.3.
SEGMENT_RANDOM, RANDOM_LEAST = 0.25, 3
SEGMENT_UNLIKELY, UNLIKELY_SHARE = 0.1, 0.01
# Single bytes here and there: sound frames have up to 0.0033 of their pixels alone (night frames 0.0005; the warmest
# sensors 0.02); one random byte in ten makes 0.066 and more.
ALONE_SHARE = 0.03
MAD_TO_DIFFERENCE = MAD_TO_SIGMA / np.sqrt(2)  # of a median absolute difference to the standard deviation of one pixel
NOISE_ROWS = 64  # every so many-th row tells the noise


@njit(cache=True, nogil=True)
def _count(pixels: Any, jump: Any, counts: Any) -> None:
    for i in range(counts.shape[0]):
        row = pixels[STEP * i + 2]
        _count_row(pixels[STEP * i, 2:], pixels[STEP * i + 4, 2:], row, row[4:], row[2:], jump, counts[i])


@njit(cache=True, nogil=True)
def _count_row(over: Any, under: Any, left: Any, right: Any, row: Any, jump: Any, counts: Any) -> None:
    for s in range(counts.shape[0]):
        start, number = np.uintp(s * SEGMENT), np.uint16(0)
        for k in range(SEGMENT):
            # numbers of 16 bits without a sign, in the values and in the index: the loop becomes vector code
            j = start + np.uintp(k)
            here = row[j]
            lowest = min(min(left[j], right[j]), min(over[j], under[j]))
            highest = max(max(left[j], right[j]), max(over[j], under[j]))
            above, below = np.uint16(here - min(here, highest)), np.uint16(lowest - min(here, lowest))
            number += np.uint16((above > jump) | (below > jump))
        counts[s] = number


@njit(cache=True, nogil=True)
def _step_counts(pixels: Any, counts: Any) -> None:
    """Count the absolute differences of every NOISE_ROWS-th row's pixels to those two places on."""
    for row in range(0, pixels.shape[0], NOISE_ROWS):
        for column in range(2, pixels.shape[1]):
            step = np.int32(pixels[row, column]) - np.int32(pixels[row, column - 2])
            counts[abs(step)] += 1


def _median_step(pixels: NDArray[np.uint16]) -> float:
    counts = np.zeros(65536, np.int64)
    _step_counts(pixels, counts)
    below = np.cumsum(counts)
    middle = [int(np.searchsorted(below, rank, "right")) for rank in ((below[-1] - 1) // 2, below[-1] // 2)]
    return sum(middle) / 2


def lone_pixels(pixels: NDArray[np.uint16], jump: int) -> NDArray[np.int32]:
    """Count the pixels that stand alone by more than `jump` in every stretch of 128 px of rows 2, 5, 8 and so on.

    What it computes: with `d` the four differences of ``pixels[2:-2, 2:-2]`` to the pixels two places to the left and
    right, above and below it, in whole segments of 128 of every third row,
    ``((d.min(0) > jump) | (d.max(0) < -jump)).sum()``.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    jump : ADU

    Returns
    -------
    ((height - 2) // 3, (width - 4) // 128) int32 array
    """
    counts = np.zeros((max(0, pixels.shape[0] - 2) // STEP, max(0, pixels.shape[1] - 4) // SEGMENT), np.int32)
    _count(pixels, np.uint16(jump), counts)
    return counts


def _rows(segments: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Rows of the mosaic, those between the rows that were looked at shared out."""
    middle = 2 + STEP * np.flatnonzero(segments.any(axis=1))
    return (middle[:, None] + np.arange(-(STEP // 2), STEP // 2 + 1)).ravel()


def find_garble(pixels: NDArray[np.uint16], black: float, white: float) -> tuple[NDArray[np.intp], float] | None:
    """Find what random bytes left of a mosaic.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    black, white : levels of the header, ADU

    Returns
    -------
    rows : the rows that hold stretches of random values; empty where they are strewn over the whole frame
    share : of the frame's pixels that stand alone, over what random values do: about the share that is random
    None for a sound frame.
    """
    if pixels.shape[1] < SEGMENT + 4 or pixels.shape[0] < 5 or white <= black:
        return None
    noise = MAD_TO_DIFFERENCE * _median_step(pixels)
    span = white - black
    jump = int(min(max(JUMP * span, JUMP_SIGMA * noise), JUMP_MAX * span))
    alone = lone_pixels(pixels, jump) / SEGMENT
    share = min(1.0, float(alone.mean()) / RANDOM_ALONE)
    random, unlikely = alone > SEGMENT_RANDOM, alone > SEGMENT_UNLIKELY
    strewn = alone.mean() > ALONE_SHARE and float(random.mean()) < share / 4
    if strewn:
        return np.empty(0, np.intp), share
    if unlikely.mean() > UNLIKELY_SHARE:
        return _rows(unlikely), share
    if random.sum() >= RANDOM_LEAST:
        return _rows(random), share
    return None
