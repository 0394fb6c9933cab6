"""Sky over ground: a picture of the stars and one of the land, joined in linear light.

Both pictures know the sky beside the skyline: in the one stars stand still, in the other the land does, and stars that
moved past were rejected. A pixel that is part land, ``share * land + (1 - share) * sky``, is right in the picture of
the land but for its stars. So the sky's share of its smooth level is taken out there, and put back from the picture of
the stars:

    joined = (1 - share) * stars + ground - (1 - share) * level

An error of the mask then moves starlight, and no edge: what the pixel shows of land comes from the picture itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]

# Cells in which the sky's level beside the ground is measured, px, and how far from the ground it is looked at, cells.
CELL, REACH_CELLS = 8, 6
# Pixels of a cell that must be open sky.
CELL_PIXELS = 12
# Reach of the straight planes through the cells' levels, cells.
PLANE_REACH = 2.5
# Below this share of land, what the picture of the land shows fades out: its noise comes on top of the sky's.
FADE = 0.1


@dataclass(frozen=True)
class Levels:
    """The sky's smooth level in a box of the picture, at the middles of cells: (colours, rows, columns) float32."""

    cells: Floats

    def at(self, top: int, rows: int, columns: int) -> Floats:
        """(colours, rows, columns) from row `top` of the box on, linearly between the middles."""
        _, high, wide = self.cells.shape
        y = np.clip((np.arange(top, top + rows) - (CELL - 1) / 2) / CELL, 0, high - 1)
        x = np.clip((np.arange(columns) - (CELL - 1) / 2) / CELL, 0, wide - 1)
        i, j = np.minimum(y.astype(int), max(high - 2, 0)), np.minimum(x.astype(int), max(wide - 2, 0))
        fy, fx = (y - i).astype(np.float32)[:, None], (x - j).astype(np.float32)[None, :]
        i1, j1 = np.minimum(i + 1, high - 1), np.minimum(j + 1, wide - 1)
        across = self.cells[:, :, j] * (1 - fx) + self.cells[:, :, j1] * fx
        return np.asarray(across[:, i] * (1 - fy) + across[:, i1] * fy, np.float32)


def seam_cells(land: NDArray[np.bool_], sky: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(rows, columns) of the cells near a skyline: within reach of pixels with ground and of pixels with sky."""
    rows, columns = -(-land.shape[0] // CELL), -(-land.shape[1] // CELL)

    def near(pixels: NDArray[np.bool_]) -> NDArray[np.bool_]:
        padded = np.pad(pixels, ((0, rows * CELL - pixels.shape[0]), (0, columns * CELL - pixels.shape[1])))
        blocks = padded.reshape(rows, CELL, columns, CELL).view(np.uint8).max(axis=(1, 3)) > 0
        return np.asarray(ndimage.maximum_filter(blocks, 2 * REACH_CELLS + 1))

    return near(land) & near(sky)


def sky_levels(planes: NDArray[np.floating], open_sky: NDArray[np.bool_], near: NDArray[np.bool_]) -> Levels:
    """Follow the sky's level along a skyline and on behind it.

    Parameters
    ----------
    planes : (colours, height, width), may be mapped from disk
    open_sky : (height, width), pixels that show nothing else
    near : cells to look at, as `seam_cells`

    Returns
    -------
    Levels
        In cells without open sky anywhere near, that of the nearest ones.
    """
    width = open_sky.shape[1]
    rows, columns = near.shape
    level = np.zeros((len(planes), rows, columns))
    weight = np.zeros((rows, columns))
    for row in np.flatnonzero(near.any(axis=1)):
        top = row * CELL
        cells = np.flatnonzero(near[row])
        strip = np.asarray(planes[:, top : top + CELL], np.float32)
        free = open_sky[top : top + CELL]
        high = free.shape[0]
        extra = columns * CELL - width
        free = np.pad(free, ((0, 0), (0, extra))).reshape(high, columns, CELL)[:, cells]
        number = free.sum(axis=(0, 2))
        known = number >= CELL_PIXELS
        if not known.any():
            continue
        strip = np.pad(strip, ((0, 0), (0, 0), (0, extra))).reshape(len(planes), high, columns, CELL)[
            :, :, cells[known]
        ]
        values = (
            np.where(free[None, :, known], strip, np.nan).transpose(0, 2, 1, 3).reshape(len(planes), known.sum(), -1)
        )
        level[:, row, cells[known]] = _middle(values)
        weight[row, cells[known]] = number[known] / CELL**2
    return Levels(np.stack([_plane_through(values, weight) for values in level]).astype(np.float32))


def _middle(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """Mean of what lies within 2.5 robust standard deviations of the median, over the last axis; NaN left out."""
    centre = np.nanmedian(values, axis=-1, keepdims=True)
    apart = np.abs(values - centre)
    scale = 1.4826 * np.nanmedian(apart, axis=-1, keepdims=True)
    return np.asarray(np.nanmean(np.where(apart <= 2.5 * scale + 1e-6, values, np.nan), axis=-1), np.float64)


def _plane_through(values: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Local straight planes, weighted by a Gaussian of `PLANE_REACH` cells; beyond them the nearest one's mean.

    Normalised convolution of first order (Knutsson & Westin 1993, CVPR 515): a level continues with its slope.
    """
    if not weight.any():
        return values
    y, x = np.meshgrid(np.arange(values.shape[0], dtype=float), np.arange(values.shape[1], dtype=float), indexing="ij")

    def smooth(a: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(ndimage.gaussian_filter(a, PLANE_REACH, mode="constant", truncate=4))

    total = smooth(weight)
    safe = np.maximum(total, 1e-12)
    mx, my, mv = smooth(weight * x) / safe, smooth(weight * y) / safe, smooth(weight * values) / safe
    # a little is added to the spread, so that a single row of cells has no slope across
    xx, yy = smooth(weight * x * x) / safe - mx**2 + 0.5, smooth(weight * y * y) / safe - my**2 + 0.5
    xy = smooth(weight * x * y) / safe - mx * my
    xv, yv = smooth(weight * x * values) / safe - mx * mv, smooth(weight * y * values) / safe - my * mv
    det = np.maximum(xx * yy - xy**2, 1e-9)
    a, b = (yy * xv - xy * yv) / det, (xx * yv - xy * xv) / det
    limit = 2 * PLANE_REACH
    result = mv + a * np.clip(x - mx, -limit, limit) + b * np.clip(y - my, -limit, limit)
    good = total > 0.02
    if good.all() or not good.any():
        return result if good.any() else np.full(values.shape, float((values * weight).sum() / weight.sum()))
    nearest = ndimage.distance_transform_edt(~good, return_distances=False, return_indices=True)
    return np.asarray(np.where(good, result, mv[tuple(nearest)]))


def join(
    stars: Floats,
    stars_noise: Floats,
    seen: NDArray[np.bool_],
    ground: Floats,
    ground_noise: Floats,
    share: Floats,
    stars_level: Floats,
    ground_level: Floats,
) -> tuple[Floats, Floats]:
    """Join a part of the two pictures.

    Parameters
    ----------
    stars, stars_noise : (colours, height, width), the picture in which stars stand still, and its noise
    seen : (height, width), where it shows sky
    ground, ground_noise : as the first two, the picture in which the land stands still
    share : (height, width) of 0-1, how much of each pixel is land
    stars_level, ground_level : (colours, height, width), the sky's smooth level in either

    Returns
    -------
    joined, noise : (colours, height, width) float32 arrays
    """
    sky = 1 - share
    fade = np.clip(share / np.float32(FADE), 0, 1)
    both = sky * stars + fade * (ground - sky * ground_level)
    both_noise = np.sqrt((sky * stars_noise) ** 2 + (fade * ground_noise) ** 2)
    # where no frame shows the sky, it is as the land's picture has it, without stars
    alone = ground + sky * (stars_level - ground_level)
    return (
        np.where(seen, both, alone).astype(np.float32),
        np.where(seen, both_noise, ground_noise).astype(np.float32),
    )


__all__ = ["CELL", "FADE", "Levels", "join", "seam_cells", "sky_levels"]
