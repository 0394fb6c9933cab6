"""How much sky a pixel of a frame covers against the pixel of the result that it is drawn into.

A lens spreads the sky unevenly: the same star stands on more or fewer pixels at another place of the picture. A frame's
values are light per pixel; drawn on another grid they must be multiplied by how many of its pixels one of the result's
covers, or stars come out that much too bright or faint (a star that moved from 30 to 35 degrees off the axis: 18 %).
The smooth sky, whose light per pixel goes with the same area, is brought to the reference's by it too.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP, PositionGrid

# Areas that differ by less than this from one are taken for one: a tenth of what fluxes are good to.
SAME_AREA = 1e-3


def pixel_area(grid: PositionGrid) -> NDArray[np.float32]:
    """Pixels of the frame that one of the result covers, at the nodes of the grid; exactly one where nowhere another.

    The determinant of the map's derivative, from central differences between nodes (at the outermost from one side); 1
    where the map is not defined.

    Returns
    -------
    (rows, columns) float32 array
    """
    shift = grid.shift.astype(np.float64)
    with np.errstate(invalid="ignore"):
        down, across = (np.gradient(shift, GRID_STEP, axis=axis) for axis in (0, 1))
        area = (1 + across[..., 0]) * (1 + down[..., 1]) - across[..., 1] * down[..., 0]
    area = np.where(np.isfinite(area) & (area > 0), area, 1.0)
    return np.ones(area.shape, np.float32) if np.abs(area - 1).max() < SAME_AREA else area.astype(np.float32)
