"""Random bytes in a raw file: decoders turn them into values that jump from pixel to pixel as behind no lens."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.mad import MAD_TO_SIGMA

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
        up, row, down = pixels[STEP * i], pixels[STEP * i + 2], pixels[STEP * i + 4]
        for s in range(counts.shape[1]):
            number = np.int32(0)
            start = 2 + s * SEGMENT
            for j in range(start, start + SEGMENT):
                here = np.int32(row[j])
                left, right, over, under = (
                    here - np.int32(row[j - 2]),
                    here - np.int32(row[j + 2]),
                    here - np.int32(up[j]),
                    here - np.int32(down[j]),
                )
                lowest = min(min(left, right), min(over, under))
                highest = max(max(left, right), max(over, under))
                number += np.int32((lowest > jump) | (highest < -jump))
            counts[i, s] = number


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
    _count(pixels, np.int32(jump), counts)
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
    some = pixels[::NOISE_ROWS].astype(np.int32)
    noise = MAD_TO_DIFFERENCE * float(np.median(np.abs(some[:, 2:] - some[:, :-2])))
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
