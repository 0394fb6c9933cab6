"""How much sky a pixel of a frame covers against the pixel of the result that it is drawn into.

A lens spreads the sky unevenly: the same star stands on more or fewer pixels at another place of the picture. A frame's
values are light per pixel; drawn on another grid they must be multiplied by how many of its pixels one of the result's
covers, or stars come out that much too bright or faint (a star that moved from 30 to 35 degrees off the axis: 18 %).
The smooth sky, whose light per pixel goes with the same area, is brought to the reference's by it too.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP, PositionGrid
from pipeline.pixels.resample import NOT_COVERED

# Areas that differ by less than this from one are taken for one: a tenth of what fluxes are good to.
SAME_AREA = 1e-3


def pixel_area(grid: PositionGrid) -> NDArray[np.float32] | None:
    """Pixels of the frame that one of the result covers, at the nodes of the grid; None where it is one everywhere.

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
    return None if np.abs(area - 1).max() < SAME_AREA else area.astype(np.float32)


def scale_by_area_slow(
    values: NDArray[np.float32],
    codes: NDArray[np.uint8],
    area: NDArray[np.float32],
    offset: NDArray[np.float32],
    origin: tuple[int, int],
) -> None:
    """What `scale_by_area` computes, in NumPy."""
    y, x = (np.arange(n) + first for n, first in zip(codes.shape, origin, strict=True))
    v, u = y / GRID_STEP + 1, x / GRID_STEP + 1
    i, j = v.astype(int), u.astype(int)
    fv, fu = (v - i)[:, None], (u - j)[None]

    def between(nodes: NDArray[np.float32]) -> NDArray[np.float64]:
        top = (1 - fu) * nodes[np.ix_(i, j)] + fu * nodes[np.ix_(i, j + 1)]
        bottom = (1 - fu) * nodes[np.ix_(i + 1, j)] + fu * nodes[np.ix_(i + 1, j + 1)]
        return (1 - fv) * top + fv * bottom

    factor = between(area)
    for c in range(len(values)):
        added = between(offset[c])
        values[c] = np.where(codes == NOT_COVERED, values[c], factor * (values[c] - added) + added)


@njit(cache=True, nogil=True, error_model="numpy")
def scale_by_area(values, codes, area, offset, origin):  # type: ignore[no-untyped-def]
    """Multiply what a frame gave, before matching added to it, by the area: ``area * (values - offset) + offset``.

    Parameters
    ----------
    values : (colours, height, width) float32 array, changed in place where covered
    codes : (height, width) uint8 array
    area : (rows, columns) float32 array
        At the nodes of the position grid, between them linear, as `offset`.
    offset : (colours, rows, columns) float32 array
        What matching added.
    origin : (row, column) of the first pixel in the result
    """
    height, width = codes.shape
    factors, rest = np.empty(width, np.float32), np.empty(width, np.float32)
    for i in range(height):
        _between(area, origin[0] + i, origin[1], factors)
        for c in range(values.shape[0]):
            _between(offset[c], origin[0] + i, origin[1], rest)
            for j in range(np.uint64(width)):
                inside = codes[i, j] != NOT_COVERED
                scaled = factors[j] * (values[c, i, j] - rest[j]) + rest[j]
                values[c, i, j] = scaled if inside else values[c, i, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _between(nodes, y, left, out):  # type: ignore[no-untyped-def]
    """A node map along one row, linearly between nodes."""
    row = y // GRID_STEP + 1
    t = np.float32(y - (row - 1) * GRID_STEP) / np.float32(GRID_STEP)
    begin, width = 0, len(out)
    while begin < width:
        column = (left + begin) // GRID_STEP + 1
        end = min(width, column * GRID_STEP - left)
        first = nodes[row, column] + t * (nodes[row + 1, column] - nodes[row, column])
        last = nodes[row, column + 1] + t * (nodes[row + 1, column + 1] - nodes[row, column + 1])
        slope = (last - first) / np.float32(GRID_STEP)
        # counted from the node, so that a tile's own edge cannot change the last bit
        into = left - (column - 1) * GRID_STEP + begin
        at = np.uint64(begin)
        for x in range(np.uint64(end - begin)):
            out[at + x] = first + slope * np.float32(np.int32(x) + np.int32(into))
        begin = end


__all__ = ["pixel_area", "scale_by_area", "scale_by_area_slow"]
