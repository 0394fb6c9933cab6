"""Land in the frames of a scene: where each shows it, so that what moves past it is not mixed with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from pipeline.pixels.background import Survey
from pipeline.pixels.cells import any_in_cells
from pipeline.pixels.hidden import hide_plane
from pipeline.pixels.positions import LAGRANGE, PositionGrid, position_grid
from pipeline.stack.sources import Frame, Map

# A pixel of which more than this is ground counts as ground, of which less as sky.
SHARE_LEAST = 0.02
# How far a value reaches that is demosaiced (2 px) and resampled (3 px, of which the outer lobes carry a few per cent).
REACH_PX = 4
# Cells in which it is looked up whether land is anywhere near, px.
CELL = 16


class Standing(Protocol):
    """What is asked of how the camera stood (`skyline.hold.Hold`)."""

    def from_reference(
        self, frame_id: str, x: ArrayLike, y: ArrayLike, colour: str = "G"
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where in a frame lies the ground that the reference shows at (x, y)."""

    def to_reference(
        self, frame_id: str, x: ArrayLike, y: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The inverse, green."""


@dataclass(frozen=True)
class Land:
    """Where what is to be left out lies on the reference's grid, and how the frames' pictures lie on it.

    Attributes
    ----------
    near : (height, width) uint8 array, 1 where a value that is resampled there holds some of it
    cells : (rows, columns) bool array, whether a cell of `CELL` px holds any of that
    standing : how the camera stood
    grids : a position grid a frame: where on the reference's grid lies the ground that the frame shows at a pixel of
        the result; none where frames are laid on the ground itself
    """

    near: NDArray[np.uint8]
    cells: NDArray[np.bool_]
    standing: Standing
    grids: tuple[PositionGrid, ...] = ()

    def hide(self, number: int, origin: tuple[int, int], codes: NDArray[np.uint8], hidden: NDArray[np.uint8]) -> bool:
        """Take frame `number`'s values of a tile out where it shows land (see `hide_plane`); whether it does."""
        rows, columns = codes.shape
        bounds = self.grids[number].region(origin[0], origin[0] + rows, origin[1], origin[1] + columns)
        if bounds is not None and not self._any(*bounds):
            return False
        return bool(hide_plane(self.near, self.grids[number].shift, LAGRANGE, origin, codes, hidden))

    def _any(self, y0: float, y1: float, x0: float, x1: float) -> bool:
        rows, columns = self.cells.shape
        # one pixel to spare for the bend of the map between the rows that were looked at
        i0, i1 = (int(np.clip((y + s) // CELL, 0, rows - 1)) for y, s in ((y0, -1), (y1, 2)))
        j0, j1 = (int(np.clip((x + s) // CELL, 0, columns - 1)) for x, s in ((x0, -1), (x1, 2)))
        return bool(self.cells[i0 : i1 + 1, j0 : j1 + 1].any())

    def free_blocks(self, frame: str, survey: Survey) -> NDArray[np.bool_]:
        """(rows, columns) of the blocks of a frame's survey that hold none of it."""
        x, y = np.meshgrid(*survey.centres())
        xs, ys = self.standing.to_reference(frame, x.ravel(), y.ravel())
        reach = int(np.ceil(0.5 + survey.block / 2 / CELL))
        wide = ndimage.maximum_filter(self.cells, 2 * reach + 1)
        known = np.isfinite(xs) & np.isfinite(ys)
        i = np.clip(np.where(known, ys, 0) // CELL, 0, wide.shape[0] - 1).astype(int)
        j = np.clip(np.where(known, xs, 0) // CELL, 0, wide.shape[1] - 1).astype(int)
        return np.asarray((known & ~wide[i, j]).reshape(x.shape))


def land_in(
    mask: NDArray[np.floating], stars: Map, standing: Standing, frames: Sequence[Frame], ground: bool = False
) -> Land:
    """What is to be left out of a picture.

    Parameters
    ----------
    mask : (height, width), share of ground 0-1 on the reference's grid
    stars : the scene's geometry
    standing : how the camera stood
    frames : the scene's
    ground : the picture is that of the ground, and what is left out the sky; else the other way round
    """
    shape = mask.shape
    other = mask < 1 - SHARE_LEAST if ground else mask > SHARE_LEAST
    near = ndimage.maximum_filter(other.view(np.uint8), 2 * REACH_PX + 1)
    cells = any_in_cells(near > 0, CELL)
    if ground:
        return Land(near, cells, standing)

    def grid(frame: str) -> PositionGrid:
        return position_grid(lambda x, y: standing.to_reference(frame, *stars.from_reference(frame, x, y)), shape)

    return Land(near, cells, standing, tuple(grid(frame.id) for frame in frames))


__all__ = ["CELL", "REACH_PX", "SHARE_LEAST", "Land", "Standing", "land_in"]
