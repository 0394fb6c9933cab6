"""Sky over ground: a picture of the stars and one of the land, joined in linear light.

Both pictures know the sky beside the skyline: in the one stars stand still, in the other the land does, and stars that
moved past were rejected. A pixel that is part land, ``share * land + (1 - share) * sky``, is right in the picture of
the land but for its stars. So the sky's share of its smooth level is taken out there, and put back from the picture of
the stars:

    joined = (1 - share) * stars + ground - (1 - share) * level

An error of the mask then moves starlight, and no edge: what the pixel shows of land comes from the picture itself. No
pixel is taken to show more sky than all its light could be.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.pixels.cells import any_in_cells, between, local_plane, nearest_known
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.regression import row_medians

Floats = NDArray[np.float32]

# Cells in which the sky's level beside the ground is measured, px, and how far from the ground it is looked at, cells.
CELL, REACH_CELLS = 8, 6
# Pixels of a cell that must be open sky.
CELL_PIXELS = 12
# Reach of the straight planes through the cells' levels, cells.
PLANE_REACH = 2.5
# A cell is left out that lies more than so many times further from the median of so many about it than the usual one.
STRANGE, ABOUT = 8.0, 12
# Below this share of land, what the picture of the land shows fades out: its noise comes on top of the sky's.
FADE = 0.1
# Standard deviations by which a pixel may fall short of the sky that it is said to show.
SURE = 3.0


@dataclass(frozen=True)
class Levels:
    """The sky's smooth level in a box of the picture, at the middles of cells: (colours, rows, columns) float32."""

    cells: Floats

    def at(self, top: int, rows: int, columns: int) -> Floats:
        """(colours, rows, columns) from row `top` of the box on, linearly between the middles."""
        return between(self.cells, CELL, (rows, columns), top)


def seam_cells(land: NDArray[np.bool_], sky: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """(rows, columns) of the cells near a skyline: within reach of pixels with ground and of pixels with sky."""

    def near(pixels: NDArray[np.bool_]) -> NDArray[np.bool_]:
        return np.asarray(ndimage.maximum_filter(any_in_cells(pixels, CELL), 2 * REACH_CELLS + 1))

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
    centre = row_medians(values)[..., None]
    apart = np.abs(values - centre)
    scale = MAD_TO_SIGMA * row_medians(apart)[..., None]
    return np.asarray(np.nanmean(np.where(apart <= 2.5 * scale + 1e-6, values, np.nan), axis=-1), np.float64)


def _plane_through(values: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Local straight planes; beyond them the nearest one's mean."""
    if not weight.any():
        return values
    weight = np.where(_strange(values, weight > 0), 0.0, weight)
    plane, mean, total = local_plane(values, weight, PLANE_REACH)
    good = total > 0.02
    if good.all() or not good.any():
        return plane if good.any() else np.full(values.shape, float((values * weight).sum() / weight.sum()))
    return np.where(good, plane, nearest_known(mean, good))


def _strange(values: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Cells far from the median of the known ones about them: a bright star fills a cell of few open pixels, and a
    plane through it runs away behind the land."""
    where = np.argwhere(known)
    level = values[known]
    result = np.zeros(known.shape, bool)
    if len(where) > ABOUT:
        about = cKDTree(where).query(where, ABOUT + 1)[1][:, 1:]
        apart = np.abs(level - np.median(level[about], axis=1))
        result[known] = apart > STRANGE * np.median(apart)
    return result


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
    # where the frames' light was brought to that of the land, the skies differ: what is land after all turns black
    with np.errstate(divide="ignore"):
        most = np.where(ground_level > 0, (ground + SURE * ground_noise) / ground_level, np.float32(1)).min(axis=0)
    sky = np.minimum(1 - share, np.maximum(most, np.float32(0)))
    fade = np.clip(share / np.float32(FADE), 0, 1)
    both = sky * stars + fade * (ground - sky * ground_level)
    both_noise = np.sqrt((sky * stars_noise) ** 2 + (fade * ground_noise) ** 2)
    # where no frame shows the sky, it is as the land's picture has it, without stars
    alone = ground + sky * (stars_level - ground_level)
    return (
        np.where(seen, both, alone).astype(np.float32),
        np.where(seen, both_noise, ground_noise).astype(np.float32),
    )
