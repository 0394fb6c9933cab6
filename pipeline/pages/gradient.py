"""The sky's level, and the smooth gradient that glow and lens lay over it, for pictures that are looked at."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import between
from pipeline.pixels.regression import MAD_TO_SIGMA

LEVEL_SAMPLE = 200_000  # values enough to know a median to 0.3 % of the scatter
BLOCK_SAMPLE = 3_000  # values enough for a block: its level to 2 % of the scatter, and some 200 blocks are fitted
BLOCKS = 18  # blocks over the long side of which the gradient is measured
# What is off the surface is followed where it is as broad as this, blocks, in so many rounds; and a block below this
# share of the sky's level is land (a lens leaves half and more of it in its corners).
BROAD_BLOCKS, BROAD_ROUNDS, LAND_LIKE = 1.0, 4, 0.35
FINE = 8  # the surface is worked out at the middles of cells of so many pixels, straight lines between them
ORDINARY = 1.3  # standard deviations of the blocks by which noise and structure may be off
# Squared distance from the middle, in half diagonals, from which, and from which all of, what is darker is followed;
# what is brighter, which may be the Milky Way.
RIM, CORNERS = (0.25, 0.6), (0.5, 0.9)


def robust_level(values: NDArray[np.floating], sample: int = LEVEL_SAMPLE) -> tuple[float, float]:
    """Sky level and scatter of pixel values in which stars are a bright tail.

    Median and scale of the lower half, after clipping. At most about `sample` values are looked at,
    evenly spaced.
    """
    values = values.reshape(-1)
    values = values[:: max(1, values.size // sample)]
    values = values[np.isfinite(values)].astype(float)
    if values.size == 0:
        return 0.0, 0.0
    for _ in range(4):
        middle = float(np.median(values))
        sigma = MAD_TO_SIGMA * float(np.median(middle - values[values <= middle]))
        keep = np.abs(values - middle) <= 3 * sigma
        if sigma <= 0 or keep.all():
            break
        values = values[keep]
    return middle, sigma


def gradient(plane: NDArray[np.floating]) -> NDArray[np.float32]:
    """The smooth gradient of a (height, width) plane: a surface through the medians of blocks, and at the rim what is
    off that over wide areas.

    The fit is robust (blocks on bright clouds of the Milky Way or on black ground lose their weight), and its terms,
    a plane bent once and what a lens's fall-off makes of a plane, cannot follow them. Where they do not follow the
    lens either the sky would be drawn black at the rim, or glow in the corners: there what is broadly off the surface
    is followed.
    """
    height, width = plane.shape
    size = max(4, -(-max(height, width) // BLOCKS))
    shape = -(-height // size), -(-width // size)
    levels = np.full(shape, np.nan)
    for i, j in np.ndindex(*shape):
        block = plane[i * size : (i + 1) * size, j * size : (j + 1) * size]
        if np.isfinite(block).any():
            levels[i, j], _ = robust_level(block, BLOCK_SAMPLE)
    known = np.isfinite(levels)
    z = levels[known]
    if z.size < 12:
        return np.zeros(plane.shape, np.float32)
    rows, columns = np.nonzero(known)
    half = math.hypot(height, width) / 2
    y = (np.minimum(rows * size + size / 2, height) - height / 2) / half
    x = (np.minimum(columns * size + size / 2, width) - width / 2) / half
    terms = _terms(x, y)
    weight = np.ones_like(z)
    for _ in range(12):
        fit = np.linalg.lstsq(terms * weight[:, None], z * weight, rcond=None)[0]
        off = z - terms @ fit
        scale = MAD_TO_SIGMA * float(np.median(np.abs(off))) + 1e-12
        weight = 1 / (1 + (off / (2.5 * scale)) ** 2)
    rows, columns = -(-height // FINE), -(-width // FINE)
    yy = (np.arange(rows)[:, None] * FINE + FINE / 2 - height / 2) / half
    xx = (np.arange(columns)[None, :] * FINE + FINE / 2 - width / 2) / half
    surface = np.asarray(sum(c * term for c, term in zip(fit, _each_term(xx, yy), strict=True)))
    # land that nobody told of is black, and no corner of a lens is
    sky = known.copy()
    sky[known] = z > LAND_LIKE * np.median(z)
    left = np.zeros(shape)
    left[known] = off
    darker = _broadly(np.minimum(left + ORDINARY * scale, 0), sky)
    brighter = _broadly(np.maximum(left - ORDINARY * scale, 0), sky)
    # the Milky Way and its dark clouds stay: only towards the rim is it the lens
    r2 = xx**2 + yy**2
    for follow, (begins, whole) in ((darker, RIM), (brighter, CORNERS)):
        there = between(follow, size / FINE, (rows, columns), beyond=0.5)
        surface += np.clip((r2 - begins) / (whole - begins), 0, 1) * there
    surface -= np.median(surface)
    return between(surface, FINE, (height, width), beyond=0.5)


def _broadly(off: NDArray[np.float64], sky: NDArray[np.bool_]) -> NDArray[np.float64]:
    """What blocks of sky lie off a surface, as far as it is broad."""
    share = np.maximum(ndimage.gaussian_filter(sky.astype(float), BROAD_BLOCKS), 0.05)
    followed = np.zeros_like(off)
    for _ in range(BROAD_ROUNDS):
        followed += ndimage.gaussian_filter(np.where(sky, off - followed, 0.0), BROAD_BLOCKS) / share
    return followed


def _each_term(x: NDArray[np.floating], y: NDArray[np.floating]) -> tuple[NDArray[np.floating] | float, ...]:
    """Terms of the surface at places, half diagonals from the middle: second order, and a plane behind a lens whose
    light falls with the squares of the distance and of that."""
    r2 = x * x + y * y
    return 1.0, x, y, x * x, x * y, y * y, r2 * x, r2 * y, r2 * r2, r2**3


def _terms(x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.stack(np.broadcast_arrays(*_each_term(x, y)), axis=-1)


__all__ = ["gradient", "robust_level"]
