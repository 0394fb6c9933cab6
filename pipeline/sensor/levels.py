"""Levels read off the pixels: the histogram by CFA position and the level of saturation."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

_LEVELS = 65536
# A pile-up is looked for in steps of this share of the range above black: wider than the gaps that lossy raw
# compression leaves in the histogram (32 of 16383), and than the spread of a clipped channel that the camera scaled
# afterwards (15 of 4095 in a real frame).
_STEP = 1 / 256
# Fewer pixels than this may be a star's core or a few hot pixels that happen to be equal.
_PILE_MIN = 16
# The pile-up stands this much above the equally wide step below it. Histograms of stars fall off smoothly (ratio about
# 1); in real frames that clip the ratio is 12 and more.
_OVER_BELOW = 8.0
# Above the pile-up lie at most this share of its pixels: sharpened edges of lossy compression in a real frame 0.3.
_ABOVE = 0.34
# Saturation lies in the upper half of the range that the header states.
_UPPER = 0.5


@njit(cache=True, nogil=True)
def _histogram(pixels: NDArray[np.uint16], counts: NDArray[np.int64]) -> None:
    height, width = pixels.shape
    for row in range(height):
        base = 2 * (row % 2)
        even = counts[base]
        odd = counts[base + 1]
        for column in range(0, width - 1, 2):
            even[pixels[row, column]] += 1
            odd[pixels[row, column + 1]] += 1
        if width % 2:
            even[pixels[row, width - 1]] += 1


def histogram(pixels: NDArray[np.uint16]) -> NDArray[np.int64]:
    """Count pixels by CFA position and level.

    What it computes: ``np.bincount(pixels[p // 2 :: 2, p % 2 :: 2].ravel(), minlength=65536)`` for p = 0..3.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU

    Returns
    -------
    (4, 65536) int64 array
    """
    counts = np.zeros((4, _LEVELS), np.int64)
    _histogram(pixels, counts)
    return counts


def pile_up(counts: NDArray[np.int64], black: float, white: float) -> int | None:
    """Lowest level of a pile-up at the top of a histogram; None where there is none.

    Parameters
    ----------
    counts : (65536,) int array, pixels by level
    black, white : float, ADU
        As the header states them; they set the scale only.

    Returns
    -------
    int or None
        ADU.

    Notes
    -----
    A pile-up is a step of 1/256 of the range that holds 16 pixels or more, eight times as many as the step below it
    and three times as many as lie above it. Half of all pixels in a heap well below the header's white is an evenly lit
    frame, not a pile-up, unless they are all on one level.
    """
    width = max(2, round((white - black) * _STEP))
    lowest = int(black + _UPPER * (white - black))
    occupied = np.flatnonzero(counts[lowest:]) + lowest
    if occupied.size == 0:
        return None
    below_or_at = np.concatenate(([0], np.cumsum(counts)))  # [v]: pixels below level v
    total = below_or_at[-1]
    inside = below_or_at[np.minimum(occupied + width, _LEVELS)] - below_or_at[occupied]
    beneath = below_or_at[occupied] - below_or_at[occupied - width]
    above = total - below_or_at[np.minimum(occupied + width, _LEVELS)]
    good = (inside >= _PILE_MIN) & (inside >= _OVER_BELOW * beneath) & (above <= _ABOVE * inside)
    if not good.any():
        return None
    # of the steps that hold the heap, the one with most of it; its lower edge is where the heap has begun to rise
    best = int(np.argmax(np.where(good, inside, -1)))
    start = int(occupied[best])
    heap = counts[start : start + width]
    edge = start + int(np.flatnonzero(heap >= 0.05 * heap.max())[0])
    spread = np.count_nonzero(heap >= 0.05 * heap.max())
    if inside[best] > 0.5 * total and spread > 2 and edge < black + 0.9 * (white - black):
        return None
    return edge


def saturation_level(counts: NDArray[np.int64], black: float, white: float) -> float:
    """The raw level from which a pixel is not to be believed.

    Header white levels err both ways, so the pixels are asked first: the lowest pile-up at the top of the histograms of
    the four CFA positions and of all together (channels that a camera scales clip at different levels). Without a
    pile-up the frame holds no clipped pixels in number, and the header's white stands, even where single pixels exceed
    it.

    Parameters
    ----------
    counts : (4, 65536) int array from `histogram`
    black, white : float, ADU

    Returns
    -------
    float
        ADU.
    """
    found = [pile_up(part, black, white) for part in (*counts, counts.sum(0))]
    levels = [level for level in found if level is not None]
    return float(min(levels)) if levels else float(min(white, _LEVELS - 1))
