"""The sky's level about each pixel of a picture that is looked at, and dark rings about its stars raised to it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pages.gradient import LUMINANCE
from pipeline.pixels.cells import between, nearest_known
from pipeline.pixels.regression import row_medians

# Lanczos undershoots by some per cent of a star's peak, which only stars this bright show above the noise.
RING_STAR_SIGMA = 50.0
RING_SIGMA = 2.0
RING_PX = 4
FLANK_COLOUR = 4.0  # at most, a colour's share in the light of a star's flank over the middle one's
BLOCK = 24  # px, over which the sky about a star is measured
# ... and about a pixel beside one, px, where so much of that lies beside none.
RING_OUTSIDE, OUTSIDE_LEAST = 4 * RING_PX + 1, np.float32(0.1)

T = TypeVar("T")


def fill_rings(
    light: NDArray[np.float32], noise: float, edge: NDArray[np.bool_] | None, threads: int
) -> NDArray[np.float32]:
    """Raise the dark rings that interpolation leaves around undersampled bright stars, in place; the new brightness.

    Only pixels darker than the sky about them by RING_SIGMA beside a star are touched, so that dark clouds, ground and
    vignetted corners stay; none near `edge`, known land.
    """
    around = np.empty_like(light)

    def look(channel: int) -> None:
        around[..., channel] = level_about(light[..., channel], lower=True)

    of_channels(look, threads)
    above = (light - around) @ LUMINANCE.astype(np.float32)
    ring = _beside(above > np.float32(RING_STAR_SIGMA * noise), RING_PX)
    outside = ndimage.uniform_filter((~ring).astype(np.float32), RING_OUTSIDE)

    def no_brighter_than_outside(channel: int) -> None:
        # a dark lane is narrower than a block: rings in it are no lighter than what lies just beyond them
        total = ndimage.uniform_filter(np.where(ring, np.float32(0), light[..., channel]), RING_OUTSIDE)
        level = np.where(outside > OUTSIDE_LEAST, total / np.maximum(outside, OUTSIDE_LEAST), np.float32(np.inf))
        np.minimum(around[..., channel], level, out=around[..., channel])

    of_channels(no_brighter_than_outside, threads)
    offset = light - around
    low = offset < np.float32(-RING_SIGMA * noise)
    ring &= low[..., 0] | low[..., 1] | low[..., 2]
    if edge is not None:
        ring &= ~edge
    # where one colour undershoots the others are wrong as well: the middle one's offset is taken, in the colour of the
    # light about where it stands above the sky, as in a star's flank
    at = np.flatnonzero(ring)
    middle = np.maximum(_middle(offset.reshape(-1, 3)[at]), np.float32(-RING_SIGMA * noise))

    def mean_about(channel: int) -> NDArray[np.float32]:
        return np.asarray(ndimage.uniform_filter(offset[..., channel], 2 * RING_PX + 1).reshape(-1)[at])

    flank = np.stack(of_channels(mean_about, threads), axis=1)
    colour = np.maximum(flank, 0) / np.maximum(_middle(flank), np.float32(noise))[:, None]
    colour = np.where(middle[:, None] > 0, np.minimum(colour, FLANK_COLOUR), 1)
    light.reshape(-1, 3)[at] = around.reshape(-1, 3)[at] + middle[:, None] * colour
    raised: NDArray[np.float32] = light @ LUMINANCE.astype(np.float32)
    return raised


def _middle(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """``np.median(values, axis=1)`` of (n, 3) numbers."""
    one, other, third = values.T
    return np.maximum(np.minimum(one, other), np.minimum(np.maximum(one, other), third))


def _beside(places: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """``ndimage.maximum_filter(places, 2 * reach + 1)``: what lies in a square about a place."""
    for axis in (0, 1):
        near = places.copy()
        given, out = np.moveaxis(places, axis, 0), np.moveaxis(near, axis, 0)
        for k in range(1, reach + 1):
            out[k:] |= given[:-k]
            out[:-k] |= given[k:]
        places = near
    return places


def level_about(plane: NDArray[np.floating], lower: bool = False) -> NDArray[np.float32]:
    """The level about each pixel: medians over blocks of BLOCK, straight lines between their middles.

    What is no number counts nowhere; blocks of nothing else have the nearest one's. `lower`: at most the
    median of 3 x 3 blocks, the sky about a cluster of stars.
    """
    levels, known = block_levels(plane)
    levels = nearest_known(levels, known)
    if lower:
        levels = np.minimum(levels, ndimage.median_filter(levels, 3))
    return between(levels, BLOCK, plane.shape)


def block_levels(plane: NDArray[np.floating]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Medians over blocks of BLOCK, and which blocks have a number at all."""
    height, width = plane.shape
    rows, columns = -(-height // BLOCK), -(-width // BLOCK)
    padded = np.pad(plane, ((0, rows * BLOCK - height), (0, columns * BLOCK - width)), mode="edge")
    blocks = padded.reshape(rows, BLOCK, columns, BLOCK).swapaxes(1, 2).reshape(rows, columns, -1)
    known = np.asarray(np.isfinite(blocks).any(axis=2))
    levels = np.zeros((rows, columns), np.float32)
    levels[known] = row_medians(blocks[known])
    return levels, known


def of_channels(work: Callable[[int], T], threads: int) -> list[T]:
    """What `work` gives of each channel."""
    with ThreadPoolExecutor(max(1, threads)) as pool:
        return list(pool.map(work, range(3)))
