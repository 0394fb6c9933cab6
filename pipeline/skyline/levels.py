"""The level of the sky, or of the ground, followed smoothly from where it is known to where it is asked for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import between, cell_sums, local_plane, nearest_known, smoothed
from pipeline.pixels.normal import MAD_TO_SIGMA

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Blocks along the picture's longer side, and the least side of one, pixels: the sky changes over a tenth of a picture.
BLOCKS, BLOCK_MIN = 100, 8
# Blocks that depart from the surface by more than this many times the scatter are not of its kind.
OUTLIER = 4.0
# Side of the squares in which it is told how rough a picture is, pixels, and what is rough: in 3 x 225 values of noise
# alone the ratio scatters by 0.04, and land is rough where its texture is as deep as 0.6 of its noise.
ROUGH_SIDE, ROUGH = 15, 1.35
# Standard deviations of the ground's own scatter, a colour, from which its level is not the sky's.
APART = 3.0


def block_side(shape: tuple[int, ...]) -> int:
    """Side of the blocks on which levels of a picture (..., rows, columns) are followed, pixels."""
    return max(BLOCK_MIN, max(shape[-2:]) // BLOCKS)


def follow(
    picture: Floats,
    use: Bools,
    noise: Floats,
    reach: float,
    rough: float,
    most: float = np.inf,
    side: int | None = None,
) -> tuple[Floats, Floats] | None:
    """Follow the level of one kind of pixels: local straight planes through block means.

    Parameters
    ----------
    picture : (colours, rows, columns) float32 array
    use : (rows, columns) bool array, pixels of the kind
    noise : (colours,) standard deviation of a pixel
    reach : of the smoothing, blocks
    rough : what the level departs from a plane, as a share of it
    most : departures of a pixel count up to so many times the noise: stars are not the sky's scatter
    side : of the blocks, pixels; `block_side` of the picture by default

    Returns
    -------
    level, sigma : (colours, rows, columns) float32 arrays, the level and the scatter of pixels about it; None where
        fewer than eight blocks hold such pixels
    """
    side, shape = side or block_side(picture.shape), (picture.shape[1], picture.shape[2])
    weight = cell_sums(use.astype(np.float32), side)
    if (weight > 0).sum() < 8:
        return None
    levels, sigmas = [], []
    for plane, sigma in zip(picture, noise, strict=True):
        mean = cell_sums(np.where(use, plane, 0).astype(np.float32), side) / np.maximum(weight, 1)
        w = weight
        for _ in range(3):
            surface = _plane_through(mean, w, reach, side)
            off = mean - surface
            scale = MAD_TO_SIGMA * float(np.median(np.abs(off[w > 0]))) + 0.3 * float(sigma) + rough * np.abs(surface)
            w = np.where(np.abs(off) < OUTLIER * scale, weight, 0.0)
        level = between(_plane_through(mean, w, reach, side), side, shape)
        square = np.where(use, np.minimum((plane - level) ** 2, (most * sigma) ** 2), 0).astype(np.float32)
        variance = _mean_through(cell_sums(square, side) / np.maximum(weight, 1), w, reach, side)
        levels.append(level)
        spread = np.maximum(between(variance, side, shape), sigma**2) + (rough * level) ** 2
        sigmas.append(np.sqrt(spread).astype(np.float32))
    return np.stack(levels), np.stack(sigmas)


def apart(sky: tuple[Floats, Floats], land: tuple[Floats, Floats], times: float = APART) -> Bools:
    """Where ground has nowhere the sky's level: their levels, as `follow` gives them, differ by so many times its
    scatter.

    Returns
    -------
    (rows, columns) bool array
    """
    total = np.zeros(sky[0].shape[1:], np.float32)
    for s, ss, g, gs in zip(*sky, *land, strict=True):
        total += (g - s) ** 2 / (ss**2 + gs**2)
    return np.asarray(total > len(sky[0]) * times**2)


def rough(picture: Floats) -> Bools:
    """Where a picture has texture: what departs from the mean of a square is more than neighbours' differences make of
    noise, the same at every level of light (the ratio of von Neumann, J. 1941, Ann. Math. Stat. 12, 367, upside down).

    Parameters
    ----------
    picture : (colours, rows, columns) float32 array, without NaN, of pixels whose noise is their own

    Returns
    -------
    (rows, columns) bool array, without what is smooth itself and lies beside an edge or texture
    """
    total = np.zeros(picture.shape[1:], np.float32)
    for plane in picture:
        off = plane - ndimage.uniform_filter(plane, ROUGH_SIDE)
        steps = np.zeros_like(plane)
        steps[:, 1:] += np.diff(plane, axis=1) ** 2 / 4
        steps[1:] += np.diff(plane, axis=0) ** 2 / 4
        spread, noise = (ndimage.uniform_filter(v, ROUGH_SIDE) for v in (off**2, steps))
        total += spread / np.maximum(noise, np.float32(1e-6))
    # so far from what is smooth as two squares reach
    return np.asarray(ndimage.minimum_filter(total, 2 * ROUGH_SIDE - 1) > ROUGH * len(picture))


def darkness(picture: Floats, sky: Bools, side: int) -> Floats | None:
    """What share of the nearest sky's light each pixel, a square of 3 x 3 about it, shows.

    No plane is drawn on: far from what is known it would go anywhere, and a sky that brightens towards the horizon only
    makes what stands before it look less dark than it is.

    Parameters
    ----------
    picture : (colours, rows, columns) float32 array
    sky : (rows, columns) bool array, where it is sky for certain
    side : of the blocks of which the sky's means are taken, pixels

    Returns
    -------
    (rows, columns) float32 array, the mean of the colours; None where no block is half sky
    """
    number = cell_sums(sky.astype(np.float32), side)
    known = number >= side**2 / 2
    if not known.any():
        return None
    sums = np.stack([cell_sums(np.where(sky, plane, 0).astype(np.float32), side) for plane in picture])
    means = nearest_known((sums / np.maximum(number, 1)).astype(np.float32), known)
    result = np.zeros(picture.shape[1:], np.float32)
    for plane, mean in zip(picture, means, strict=True):
        light = between(ndimage.uniform_filter(mean, 3), side, (picture.shape[1], picture.shape[2]))
        result += ndimage.uniform_filter(plane, 3) / np.maximum(light, np.float32(1e-3))
    return np.asarray(result / np.float32(len(picture)), np.float32)


def _mean_through(values: Doubles, weight: Doubles, reach: float, side: int) -> Doubles:
    """Smoothed values, those without weight filled from ever further away."""
    result = np.full(values.shape, np.nan)
    for wide in (reach, 3 * reach, 9 * reach, 27 * reach):
        open_ = np.isnan(result)
        if not open_.any():
            return result
        bottom = smoothed(weight, wide)
        fill = open_ & (bottom > 1e-3 * side**2)
        result[fill] = smoothed(values * weight, wide)[fill] / bottom[fill]
    mean = float((values * weight).sum() / max(weight.sum(), 1e-9))
    return np.where(np.isnan(result), mean, result)


def _plane_through(values: Doubles, weight: Doubles, reach: float, side: int) -> Doubles:
    """Local straight planes; further off with ever wider ones, and at last the mean of what is near. Planes that are
    drawn on beyond what is known go nowhere beyond the levels that are.
    """
    result = np.full(values.shape, np.nan)
    known = values[weight > 0]
    least, most = (known.min(), known.max()) if known.size else (-np.inf, np.inf)
    for wide in (reach, 2 * reach, 4 * reach):
        open_ = np.isnan(result)
        if not open_.any():
            return result
        plane, _, total = local_plane(values, weight, wide)
        fill = open_ & (total > 0.05 * side**2)
        result[fill] = np.clip(plane[fill], least, most)
    return np.where(np.isnan(result), _mean_through(values, weight, 4 * reach, side), result)
