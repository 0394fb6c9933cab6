"""Land in the frames of a scene: where each shows it, so that what moves past it is not mixed with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from pipeline.pixels.cells import any_in_cells
from pipeline.pixels.hidden import CELL, LAND, NOTHING, WHOLE, hide_plane, shown_in_cells
from pipeline.pixels.positions import LAGRANGE, PositionGrid, position_grid
from pipeline.pixels.survey import CELL as SURVEY_CELL
from pipeline.stack.sources import Frame, Map

Bools = NDArray[np.bool_]

# A pixel of which more than this is ground counts as ground, of which less as sky.
SHARE_LEAST = 0.02
# Side of the squares in which it is told whether cells of a frame must be looked at one by one, px.
BROAD_PX = 64
# How far a value reaches that is demosaiced (2 px) and resampled (3 px, of which the outer lobes carry a few per cent):
# beyond so many px of what is ground it is off by 0.01 % of the step between sky and land. Where no frame shows the sky
# as far off, those serve that do beyond the second of these: off by 0.3 % (rms at all sub-pixel places, edges blurred
# by 0.75 px); beyond 1 px it would be 1.5 %, and beside edges as sharp as the sensor draws them 3 % of the sky.
REACH_PX = 4
REACHES = (REACH_PX, 2)  # as many as `hidden.LAND`


class Standing(Protocol):
    """What is asked of how the camera stood (`skyline.hold.Hold`)."""

    def from_reference(
        self, frame_id: str, x: ArrayLike, y: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where in a frame lies the ground that the reference shows at (x, y)."""

    def to_reference(
        self, frame_id: str, x: ArrayLike, y: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The inverse, green."""


@dataclass(frozen=True)
class Canvas:
    """Land about the picture of one frame, the knot, where it moves through the picture.

    `share` : (rows, columns) uint8 array, share of ground in 1/255, cells of `side` px; the first begins `margin` px
    beyond the knot's picture on either side
    """

    knot: str
    share: NDArray[np.uint8]
    side: int
    margin: int


@dataclass(frozen=True)
class Area:
    """Where what is to be left out lies on the grid of some frame's picture.

    Attributes
    ----------
    near : (rows, columns) uint8 array, within how many of `REACHES` of a value that is resampled there it lies
    standing : how the camera stood; its reference is that frame
    side : of the cells of `near`, px
    margin : px from their first to the picture's
    cells : (rows, columns) bool array, whether a cell of `coarse` px holds any of that
    """

    near: NDArray[np.uint8]
    standing: Standing
    side: int
    margin: int
    cells: NDArray[np.bool_]
    coarse: int

    def in_cells(self, grids: Sequence[PositionGrid], shape: tuple[int, int]) -> list[NDArray[np.uint8]]:
        """What frames show of it in cells of a result of `shape`, an array each (`shown_in_cells`).

        Parameters
        ----------
        grids : where on these cells, from the first on, lies what a frame shows at a pixel of the result
        """
        sums, whole = _summed(self.near > 0), _summed(self.near == LAND)
        cells = (-(-shape[0] // CELL), -(-shape[1] // CELL))
        result = [np.empty(cells, np.uint8) for _ in grids]
        for grid, shown in zip(grids, result, strict=True):
            shown_in_cells(sums, whole, self.side, grid.shift, shown)
        return result

    def at(self, frame: str, x: ArrayLike, y: ArrayLike, unknown: bool = False) -> NDArray[np.bool_]:
        """Whether places in a frame, px, are some of it or next to it; `unknown` where that is not known."""
        xs, ys = self.standing.to_reference(frame, x, y)
        known = np.isfinite(xs) & np.isfinite(ys)
        i, j = (
            np.clip((np.where(known, v, 0) + self.margin + 0.5) // self.side, 0, size - 1).astype(int)
            for v, size in zip((ys, xs), self.near.shape, strict=True)
        )
        return np.asarray(np.where(known, self.near[i, j] > 0, unknown))

    def about(self, frame: str, x: ArrayLike, y: ArrayLike, reach: float) -> tuple[Bools, Bools]:
        """Whether there is some within so many px of places in a frame; and where that is known.

        Parameters
        ----------
        x, y : arrays of one shape, px
        """
        xs, ys = self.standing.to_reference(frame, x, y)
        known = np.isfinite(xs) & np.isfinite(ys)
        wide = ndimage.maximum_filter(self.cells, 2 * int(np.ceil(0.5 + reach / self.coarse)) + 1)
        i, j = (
            np.clip((np.where(known, v, 0) + self.margin) // self.coarse, 0, size - 1).astype(int)
            for v, size in zip((ys, xs), wide.shape, strict=True)
        )
        return known & wide[i, j], known


def _summed(places: Bools) -> NDArray[np.int32]:
    """(rows + 1, columns + 1): how many there are before each row and column."""
    sums = np.zeros((places.shape[0] + 1, places.shape[1] + 1), np.int32)
    np.cumsum(places, axis=0, dtype=np.int32, out=sums[1:, 1:])
    np.cumsum(sums[1:, 1:], axis=1, out=sums[1:, 1:])
    return sums


def area_of(other: NDArray[np.bool_], standing: Standing, side: int = 1, margin: int = 0) -> Area:
    """Make one of what is to be left out.

    Parameters
    ----------
    other : (rows, columns) bool array, cells of `side` px
    """
    near = np.zeros(other.shape, np.uint8)
    for reach in REACHES:
        near += ndimage.maximum_filter(other.view(np.uint8), 2 * -(-reach // side) + 1)
    times = max(CELL // side, 1)
    return Area(near, standing, side, margin, any_in_cells(near > 0, times), times * side)


@dataclass(frozen=True)
class Land:
    """What of a scene's frames is to be left out, and how their pictures lie on it.

    Attributes
    ----------
    areas : a frame's own
    grids : a position grid a frame: where on its area's picture, from the first cell on, lies the ground that the frame
        shows at a pixel of the result; none where frames are laid on the ground itself
    shown : what each frame shows of it in cells of the result; as many as `grids`
    replaced : pixels that no frame shows without it come from elsewhere
    """

    areas: tuple[Area, ...]
    grids: tuple[PositionGrid, ...] = ()
    shown: tuple[NDArray[np.uint8], ...] = ()
    replaced: bool = False

    @property
    def nbytes(self) -> int:
        """Memory that it takes."""
        held = {id(area): area.near.nbytes for area in self.areas}
        return sum(held.values()) + sum(cells.nbytes for cells in self.shown)

    def rows(self) -> tuple[int, int] | None:
        """The first row of the ground's picture that shows some, and the row after the last; None where none does."""
        free = np.flatnonzero((self.areas[0].near == 0).any(axis=1))
        return (int(free[0]), int(free[-1]) + 1) if len(free) else None

    def hide(self, number: int, origin: tuple[int, int], codes: NDArray[np.uint8], hidden: NDArray[np.uint8]) -> bool:
        """Tell how near to land frame `number`'s values of a tile are (see `hide_plane`); whether any is."""
        area, grid = self.areas[number], self.grids[number]
        if not self.shows(number, origin, (codes.shape[0], codes.shape[1])):
            return False
        return bool(hide_plane(area.near, area.side, grid.shift, LAGRANGE, origin, self.shown[number], codes, hidden))

    def shows(self, number: int, origin: tuple[int, int], shape: tuple[int, int]) -> bool:
        """Whether frame `number` may show land in a tile."""
        return bool((self._cells(number, origin, shape) != NOTHING).any())

    def skips(self, number: int, origin: tuple[int, int], shape: tuple[int, int]) -> bool:
        """Whether frame `number` need not be read for a tile: it shows nothing else there, and that is replaced."""
        return bool(self.replaced and self.grids and (self._cells(number, origin, shape) == WHOLE).all())

    def _cells(self, number: int, origin: tuple[int, int], shape: tuple[int, int]) -> NDArray[np.uint8]:
        (top, left), (height, width) = origin, shape
        return self.shown[number][
            top // CELL : (top + height - 1) // CELL + 1, left // CELL : (left + width - 1) // CELL + 1
        ]

    def left_out(self, number: int, frame: str, shape: tuple[int, int]) -> NDArray[np.uint8]:
        """Cells of a frame of (height, width) that show it, or where that is not known: (rows, columns), 1 or 0."""
        rows, columns = -(-shape[0] // SURVEY_CELL), -(-shape[1] // SURVEY_CELL)
        out = np.zeros((rows, columns), np.uint8)
        # cell by cell only where there is some about
        wide = BROAD_PX // SURVEY_CELL
        x, y = np.meshgrid(*(np.arange(-(-n // wide)) * BROAD_PX + (BROAD_PX - 1) / 2 for n in (columns, rows)))
        some, known = self.areas[number].about(frame, x, y, BROAD_PX / 2)
        i, j = np.nonzero(np.kron(some | ~known, np.ones((wide, wide), bool))[:rows, :columns])
        middle = (SURVEY_CELL - 1) / 2
        out[i, j] = self.areas[number].at(frame, j * SURVEY_CELL + middle, i * SURVEY_CELL + middle, unknown=True)
        return out


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
    area = area_of(mask < 1 - SHARE_LEAST if ground else mask > SHARE_LEAST, standing)
    areas = (area,) * len(frames)
    return Land(areas) if ground else land_over(areas, stars, frames)


def land_over(areas: Sequence[Area], stars: Map, frames: Sequence[Frame]) -> Land:
    """Land to be left out of the stars' picture, each frame's in an area of its own; arguments as of `land_in`."""
    shape = frames[0].shape
    grids = _grids(areas, stars, frames, shape)
    shown: dict[int, NDArray[np.uint8]] = {}
    for area in {id(area): area for area in areas}.values():
        mine = [k for k, other in enumerate(areas) if other is area]
        shown |= dict(zip(mine, area.in_cells([grids[k] for k in mine], shape), strict=True))
    return Land(tuple(areas), grids, tuple(shown[k] for k in range(len(areas))))


def _grids(
    areas: Sequence[Area], stars: Map, frames: Sequence[Frame], shape: tuple[int, int]
) -> tuple[PositionGrid, ...]:
    result = []
    for area, frame in zip(areas, frames, strict=True):
        grid = position_grid(
            lambda x, y, a=area, f=frame: a.standing.to_reference(f.id, *stars.from_reference(f.id, x, y)),  # type: ignore[misc]
            shape,
        )
        result.append(replace(grid, shift=grid.shift + np.float32(area.margin)))
    return tuple(result)
