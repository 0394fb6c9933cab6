"""Bright peaks of a mosaic, counted: those spread over several pixels, as stars are, and those that are not."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Pixels below the limit by this share of a standard deviation need no look at rounding.
_SLACK = np.float32(0.01)


@njit(cache=True, nogil=True)
def _rise(
    pixels: NDArray[np.uint16],
    row: int,
    column: int,
    black: NDArray[np.float32],
    levels: NDArray[np.float32],
    noises: NDArray[np.float32],
    side: int,
) -> np.float32:
    """How far a pixel rises above its block, in standard deviations of the block's pixels of its colour."""
    place = 2 * (row % 2) + column % 2
    value = np.float32(pixels[row, column]) - black[place]
    i, j = row // side, column // side
    return np.float32((value - levels[place, i, j]) / noises[place, i, j])


@njit(cache=True, nogil=True)
def _judge(
    pixels: NDArray[np.uint16],
    row: int,
    column: int,
    black: NDArray[np.float32],
    levels: NDArray[np.float32],
    noises: NDArray[np.float32],
    side: int,
    peak_sigma: np.float32,
    neighbours_sigma: np.float32,
    neighbour_share: np.float32,
) -> int:
    """0 no peak, 1 a peak that stands alone, 2 one that is spread out."""
    peak = _rise(pixels, row, column, black, levels, noises, side)
    if not peak > peak_sigma:
        return 0
    total = along = down = np.float32(0)
    for y in range(-1, 2):
        for x in range(-1, 2):
            if y == 0 and x == 0:
                continue
            rise = _rise(pixels, row + y, column + x, black, levels, noises, side)
            before = y < 0 or (y == 0 and x < 0)
            if (before and not peak > rise) or (not before and not peak >= rise):
                return 0
            if y == 0:
                total, along = total + rise, max(along, rise)
            elif x == 0:
                total, down = total + rise, max(down, rise)
    return 2 if total > np.float32(2) * neighbours_sigma and min(along, down) > neighbour_share * peak else 1


@njit(cache=True, nogil=True)
def _count(
    pixels: NDArray[np.uint16],
    black: NDArray[np.float32],
    levels: NDArray[np.float32],
    noises: NDArray[np.float32],
    side: int,
    allowed: NDArray[np.bool_],
    peak_sigma: np.float32,
    neighbours_sigma: np.float32,
    neighbour_share: np.float32,
) -> tuple[int, int]:
    stars = 0
    points = 0
    rows, columns = allowed.shape
    limits = np.empty((2, side), np.uint16)
    for i in range(rows):
        for j in range(columns):
            if not allowed[i, j]:
                continue
            for place in range(4):
                limit = black[place] + levels[place, i, j] + (peak_sigma - _SLACK) * noises[place, i, j]
                limits[place // 2, place % 2 :: 2] = np.uint16(min(max(limit, np.float32(0)), np.float32(65535)))
            left = max(1, j * side)
            right = min(columns * side - 1, (j + 1) * side)
            for row in range(max(1, i * side), min(rows * side - 1, (i + 1) * side)):
                part, bounds = pixels[row, left:right], limits[row % 2, left - j * side : right - j * side]
                above = 0
                for n in range(len(part)):  # without a way out, so that it is done many pixels at a time
                    above += part[n] >= bounds[n]
                if not above:
                    continue
                for column in range(left, right):
                    if part[column - left] >= bounds[column - left]:
                        found = _judge(
                            pixels, row, column, black, levels, noises, side,
                            peak_sigma, neighbours_sigma, neighbour_share,
                        )  # fmt: skip
                        stars += found == 2
                        points += found == 1
    return stars, points


def count_peaks(
    pixels: NDArray[np.uint16],
    black: tuple[float, float, float, float],
    levels: NDArray[np.float32],
    noises: NDArray[np.float32],
    side: int,
    allowed: NDArray[np.bool_],
    peak_sigma: float,
    neighbours_sigma: float,
    neighbour_share: float,
) -> tuple[int, int]:
    """Count peaks that are spread over several pixels and those that are not.

    What it computes: with ``rise = (pixels - black - level) / noise``, each pixel by the level and the noise of its
    colour in its block, the pixels with ``rise > peak_sigma`` that none of their eight neighbours outdoes (of equal
    ones the first in reading order). Spread out is a peak whose four neighbours beside it rise by
    ``2 * neighbours_sigma`` together, and one of them in its row and one in its column at least by `neighbour_share` of
    the peak: a hot column is no row of stars. The outermost rows and columns of the blocks are left out.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU, not smaller than the blocks together
    black : ADU, by CFA position
    levels, noises : (4, rows, columns) float32 arrays, ADU above black and ADU, by CFA position and block
    side : int
        Pixels along a block, even.
    allowed : (rows, columns) bool array
        The blocks in which peaks are counted.

    Returns
    -------
    stars, points : int
    """
    stars, points = _count(
        pixels,
        np.asarray(black, np.float32),
        levels,
        noises,
        side,
        allowed,
        np.float32(peak_sigma),
        np.float32(neighbours_sigma),
        np.float32(neighbour_share),
    )
    return int(stars), int(points)
