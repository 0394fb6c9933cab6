"""Levels read off the pixels: the histogram by CFA position and the level of saturation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

_LEVELS = 65536
# A pile-up is looked for in steps of these shares of the range above black. The narrow one is wider than the gaps that
# lossy raw compression leaves in the histogram (32 of 16383); the wide one holds a sensor that clips before its
# converter does, with the noise of its readout (40 of 4095 in a real frame). It is asked only where the narrow one
# finds no sharp edge.
_NARROW, _WIDE = 1 / 256, 1 / 64
# Fewer pixels than this may be a star's core or a few hot pixels that happen to be alike.
_PILE_MIN = {_NARROW: 16, _WIDE: 256}
# The pile-up stands this much above the equally wide step below it. Histograms of stars fall off smoothly (ratio about
# 1); in the real frames that clip the ratio is 12 and more.
_OVER_BELOW = 8.0
# Above the pile-up lie at most this share of its pixels: sharpened edges of lossy compression in a real frame 0.3.
_ABOVE = 0.34
# Saturation lies in the upper half of the range that the header states.
_UPPER = 0.5
# A heap that is spread over several levels and holds more of the pixels than this may be an evenly lit area (sky at
# dusk, a flat); it counts only where another colour, which such an area would show at another level, piles up nearby.
_SHARE = 0.02
# ... within this share of the range (2.7 % in a real frame that scales its channels after clipping).
_NEARBY = 0.04
# One level that holds this share of a heap is where the converter clips; the others of the heap only lie near.
_SHARP = 0.5
# Levels that hold at least this share of a narrow heap's fullest level belong to it; a wide one begins where this share
# of its pixels lies below.
_EDGE = 0.05
# Of a frame whose file states no white: what lies above its heap, over the heap. Without light a frame's numbers pile
# up as well, about its pedestal, but on both sides of it.
_ABOVE_UNSTATED = 0.02
# Least levels of a heap of clipped stars (10 bits and less are not used for the night sky), and of one that holds most
# of the pixels: pedestals reach some thousand ADU, and a frame clipped all over lies at 12 bits or more.
_UNSTATED_LEAST, _WHOLE_LEAST = 900, 4000
# What converters of 12, 14 and 16 bits give at most.
_CONVERTERS = (4095, 16383, 65535)
_TAIL = 0.02


@njit(cache=True, nogil=True)
def _histogram(pixels: NDArray[np.uint16], counts: NDArray[np.int64]) -> None:
    height, width = pixels.shape
    # two rows at once: the same level comes again and again, and four counters wait for one another less than two
    for row in range(0, height - 1, 2):
        upper, lower = pixels[row], pixels[row + 1]
        for pair in range(width // 2):
            counts[0, upper[2 * pair]] += 1
            counts[1, upper[2 * pair + 1]] += 1
            counts[2, lower[2 * pair]] += 1
            counts[3, lower[2 * pair + 1]] += 1
        if width % 2:
            counts[0, upper[width - 1]] += 1
            counts[2, lower[width - 1]] += 1
    if height % 2:
        for column in range(width):
            counts[column % 2, pixels[height - 1, column]] += 1


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


@dataclass(frozen=True)
class PileUp:
    """A heap at the top of a histogram: lowest level, share of all pixels, whether one level holds most of it."""

    level: int
    share: float
    sharp: bool


def pile_up(
    counts: NDArray[np.int64], black: float, white: float, step: float = _NARROW, above_most: float = _ABOVE
) -> PileUp | None:
    """The heap at the top of a histogram; None where there is none.

    Parameters
    ----------
    counts : (65536,) int array, pixels by level
    black, white : float, ADU
        As the header states them; they set the scale only.
    step : float
        Width of the heap as a share of the range, 1/256 or 1/64.
    above_most : float
        What may lie above the heap, over what it holds.

    Returns
    -------
    PileUp or None

    Notes
    -----
    A heap is a step in the upper half of the range that holds 16 pixels or more (256 for the wide one), eight times as
    many as the step below it and three times as many as lie above it.
    """
    lowest = int(black + _UPPER * (white - black))
    occupied = np.flatnonzero(counts[lowest:]) + lowest
    if occupied.size == 0:
        return None
    below = np.concatenate(([0], np.cumsum(counts)))  # [v]: pixels below level v
    width = max(2, round((white - black) * step))
    end = np.minimum(occupied + width, _LEVELS)
    inside = below[end] - below[occupied]
    beneath = below[occupied] - below[np.maximum(occupied - width, 0)]
    above = below[-1] - below[end]
    good = (inside >= _PILE_MIN[step]) & (inside >= _OVER_BELOW * beneath) & (above <= above_most * inside)
    if not good.any():
        return None
    best = int(np.argmax(np.where(good, inside, -1)))
    start = int(occupied[best])
    heap = counts[start : start + width]
    if heap.max() >= _SHARP * inside[best]:
        return PileUp(start + int(np.argmax(heap)), float(inside[best] / below[-1]), True)
    in_heap = np.flatnonzero(heap >= _EDGE * heap.max())
    first = in_heap[0] if step == _NARROW else np.searchsorted(np.cumsum(heap), _TAIL * inside[best])
    return PileUp(start + int(first), float(inside[best] / below[-1]), False)


def saturation_level(counts: NDArray[np.int64], cfa: str, black: float, white: float) -> float:
    """The raw level from which a pixel is not to be believed.

    Header white levels err both ways, so the pixels are asked first: the lowest heap at the top of the histograms of
    the four CFA positions and of all together (channels that a camera scales clip at different levels). Without a heap
    the frame holds no clipped pixels in number, and the header's white stands, even where single pixels exceed it.

    Parameters
    ----------
    counts : (4, 65536) int array from `histogram`
    cfa : str
        Four letters, or MONO.
    black, white : float, ADU

    Returns
    -------
    float
        ADU.
    """
    white = min(white, float(_LEVELS - 1))
    levels = _heaps(counts, cfa, black, white)
    return float(min(levels)) if levels else white


def _heaps(counts: NDArray[np.int64], cfa: str, black: float, white: float, above: float = _ABOVE) -> list[int]:
    colours = cfa if cfa != "MONO" else "GGGG"
    near = _NEARBY * (white - black)
    levels: list[int] = []
    for step in (_NARROW, _WIDE):
        by_position = [pile_up(part, black, white, step, above) for part in counts]
        together = pile_up(counts.sum(0), black, white, step, above)
        if together is not None and (together.sharp or together.share < _SHARE):
            levels.append(together.level)
        for number, heap in enumerate(by_position):
            if heap is None:
                continue
            confirmed = any(
                other is not None and colours[n] != colours[number] and abs(other.level - heap.level) <= near
                for n, other in enumerate(by_position)
            )
            if heap.sharp or heap.share < _SHARE or confirmed:
                levels.append(heap.level)
        if any(heap is not None and heap.sharp for heap in (*by_position, together)):
            break
    return levels


def unstated_saturation(counts: NDArray[np.int64], cfa: str) -> tuple[float, str]:
    """The level of saturation of a frame whose file says nothing of it, and where it comes from.

    A heap at the top of the frame's own range, with hardly anything above it: "pixels". Without one, the largest number
    of the fewest bits, in use by converters, that hold all of its pixels: "guess".

    Parameters
    ----------
    counts : (4, 65536) int array from `histogram`
    cfa : str
        Four letters, or MONO.

    Returns
    -------
    level : float, ADU
    source : "pixels" or "guess"
    """
    together = counts.sum(0)
    top = int(np.flatnonzero(together)[-1])
    for level in sorted(_heaps(counts, cfa, 0.0, float(max(top, 1)), _ABOVE_UNSTATED)):
        whole = float(together[level:].sum() / together.sum()) > 0.5
        if level >= (_WHOLE_LEAST if whole else _UNSTATED_LEAST):
            return float(level), "pixels"
    return float(next(full for full in _CONVERTERS if full >= top)), "guess"


def settled_saturation(levels: Sequence[tuple[float, str]]) -> tuple[float, str]:
    """The saturation of a camera at one setting from what its frames gave (`unstated_saturation`).

    The lowest that pixels show; where none do, the largest guess.
    """
    shown = [level for level, source in levels if source == "pixels"]
    return (min(shown), "pixels") if shown else (max(level for level, _ in levels), "guess")
