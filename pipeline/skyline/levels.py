"""The level of the sky, or of the ground, followed smoothly from where it is known to where it is asked for."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Blocks along the picture's longer side, and the least side of one, pixels: the sky changes over a tenth of a picture.
BLOCKS, BLOCK_MIN = 100, 8
# Blocks that depart from the surface by more than this many times the scatter are not of its kind.
OUTLIER = 4.0
# Standard deviations of the ground's own scatter, a colour, from which its level is not the sky's.
APART = 3.0


def block_side(shape: tuple[int, ...]) -> int:
    """Side of the blocks on which levels of a picture (..., rows, columns) are followed, pixels."""
    return max(BLOCK_MIN, max(shape[-2:]) // BLOCKS)


def follow(
    picture: Floats, use: Bools, noise: Floats, reach: float, rough: float, most: float = np.inf
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

    Returns
    -------
    level, sigma : (colours, rows, columns) float32 arrays, the level and the scatter of pixels about it; None where
        fewer than eight blocks hold such pixels
    """
    side, shape = block_side(picture.shape), (picture.shape[1], picture.shape[2])
    weight = _blocks(use.astype(np.float32), side)
    if (weight > 0).sum() < 8:
        return None
    levels, sigmas = [], []
    for plane, sigma in zip(picture, noise, strict=True):
        mean = _blocks(np.where(use, plane, 0).astype(np.float32), side) / np.maximum(weight, 1)
        w = weight
        for _ in range(3):
            surface = _plane_through(mean, w, reach, side)
            off = mean - surface
            scale = 1.4826 * float(np.median(np.abs(off[w > 0]))) + 0.3 * float(sigma) + rough * np.abs(surface)
            w = np.where(np.abs(off) < OUTLIER * scale, weight, 0.0)
        level = _spread(_plane_through(mean, w, reach, side), shape, side)
        square = np.where(use, np.minimum((plane - level) ** 2, (most * sigma) ** 2), 0).astype(np.float32)
        variance = _mean_through(_blocks(square, side) / np.maximum(weight, 1), w, reach, side)
        levels.append(level)
        spread = np.maximum(_spread(variance, shape, side), sigma**2) + (rough * level) ** 2
        sigmas.append(np.sqrt(spread).astype(np.float32))
    return np.stack(levels), np.stack(sigmas)


def apart(sky: tuple[Floats, Floats], land: tuple[Floats, Floats]) -> Bools:
    """Where ground has nowhere the sky's level: their levels, as `follow` gives them, differ by `APART` of its scatter.

    Returns
    -------
    (rows, columns) bool array
    """
    total = np.zeros(sky[0].shape[1:], np.float32)
    for s, ss, g, gs in zip(*sky, *land, strict=True):
        total += (g - s) ** 2 / (ss**2 + gs**2)
    return np.asarray(total > len(sky[0]) * APART**2)


def _blocks(plane: Floats, side: int) -> Doubles:
    """Sums over blocks."""
    rows, columns = -(-plane.shape[0] // side) * side, -(-plane.shape[1] // side) * side
    padded = np.pad(plane, ((0, rows - plane.shape[0]), (0, columns - plane.shape[1])))
    return np.asarray(padded.reshape(rows // side, side, columns // side, side).sum(axis=(1, 3)), np.float64)


def _spread(blocks: Doubles, shape: tuple[int, int], side: int) -> Floats:
    """Block values between the blocks' middles, linearly."""
    values = blocks.astype(np.float32)
    for axis, length in enumerate(shape):
        at = np.clip((np.arange(length) - (side - 1) / 2) / side, 0, values.shape[axis] - 1)
        low = np.minimum(at.astype(int), max(values.shape[axis] - 2, 0))
        high = np.minimum(low + 1, values.shape[axis] - 1)
        part = (at - low).astype(np.float32)
        part = part[:, None] if axis == 0 else part[None, :]
        values = np.take(values, low, axis) * (1 - part) + np.take(values, high, axis) * part
    return np.asarray(values, np.float32)


def _smooth(values: Doubles, reach: float) -> Doubles:
    return np.asarray(ndimage.gaussian_filter(values, reach, mode="constant", truncate=3))


def _mean_through(values: Doubles, weight: Doubles, reach: float, side: int) -> Doubles:
    """Smoothed values, those without weight filled from ever further away."""
    result = np.full(values.shape, np.nan)
    for wide in (reach, 3 * reach, 9 * reach, 27 * reach):
        bottom = _smooth(weight, wide)
        fill = np.isnan(result) & (bottom > 1e-3 * side**2)
        result[fill] = _smooth(values * weight, wide)[fill] / bottom[fill]
    mean = float((values * weight).sum() / max(weight.sum(), 1e-9))
    return np.where(np.isnan(result), mean, result)


def _plane_through(values: Doubles, weight: Doubles, reach: float, side: int) -> Doubles:
    """Local straight planes, weighted by a Gaussian of `reach` blocks, so that a level continues beyond its edge with
    its slope; further off with ever wider ones, and at last the mean of what is near.

    Normalised convolution of first order (Knutsson & Westin 1993, Proc. CVPR, 515).
    """
    y, x = np.meshgrid(np.arange(values.shape[0], dtype=float), np.arange(values.shape[1], dtype=float), indexing="ij")
    result = np.full(values.shape, np.nan)
    for wide in (reach, 2 * reach, 4 * reach):
        w = _smooth(weight, wide)
        fill = np.isnan(result) & (w > 0.05 * side**2)
        safe = np.maximum(w, 1e-9)
        mx, my, mv = (_smooth(weight * v, wide) / safe for v in (x, y, values))
        # a little is added to the spread, so that a row of blocks has no slope across
        xx = _smooth(weight * x * x, wide) / safe - mx**2 + 0.3
        yy = _smooth(weight * y * y, wide) / safe - my**2 + 0.3
        xy = _smooth(weight * x * y, wide) / safe - mx * my
        xv = _smooth(weight * x * values, wide) / safe - mx * mv
        yv = _smooth(weight * y * values, wide) / safe - my * mv
        det = xx * yy - xy**2
        # the slope is followed two reaches from the middle of what is known, no further
        dx, dy = np.clip(x - mx, -2 * wide, 2 * wide), np.clip(y - my, -2 * wide, 2 * wide)
        plane = mv + ((yy * xv - xy * yv) * dx + (xx * yv - xy * xv) * dy) / det
        result[fill] = plane[fill]
    return np.where(np.isnan(result), _mean_through(values, weight, 4 * reach, side), result)


__all__ = ["apart", "block_side", "follow"]
