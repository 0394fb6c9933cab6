"""The variance that a frame's values are known to have: read and photon noise of the mosaic, at the sky of each cell.

What every kernel of a tile's stack is given:

- `values` (n, colours, height, width) float32: the tile with all its frames, matched in sky and scale
- `codes` (n, height, width) uint8: where each value comes from (`resample.noise_code`), `NOT_COVERED` where the frame
  has none
- `floor` (n, colours) float32, ADU^2, and `slope` (n,) float32, ADU: variance of a mosaic pixel of frame k and colour c
  where the matched picture has `level` is ``floor[k, c] + slope[k] * (level - offset)``, `offset` being what matching
  added to the frame at that place
- `factor` (colours, 256) float32: what demosaicing and interpolation make of it, by code
- `offsets` (frames, colours, rows, columns) float32: what matching added, at the nodes of the position grid; frame k
  of the tile is number ``members[k]`` in it
- `sky` (colours, rows, columns) float32: the result's smooth sky at the nodes
- `origin` (row, column): of the tile's first pixel in the result
- `light`: a `LandLight`, by which the variance of land goes

For rejection sky and offset are taken as even over a cell of the grid.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP

# A pixel's variance is no less than this share of the floor, however dark its mean comes out: noise makes the mean of
# no light negative as often as not, and cut at no light it would be too bright, and its noise too high, on average.
FLOOR_SHARE = np.float32(0.25)


class LandLight(NamedTuple):
    """What the variance of land goes by: there is no sky whose level a pixel's light would be near to.

    The level that goes into the noise model where the picture has `value` is ``unlit + gain * value``.

    Attributes
    ----------
    dark : (colours,) float32 array, the picture's level of no light, ADU; infinite where the frames show sky
    unlit : (colours, rows, columns) float32 array, at the nodes, ADU; of no size where the frames show sky
    gain : (colours, rows, columns) float32 array, at the nodes, likewise
    """

    dark: NDArray[np.float32]
    unlit: NDArray[np.float32]
    gain: NDArray[np.float32]


def of_sky(colours: int) -> LandLight:
    """The one of frames that show sky."""
    nothing = np.zeros((0, 0, 0), np.float32)
    return LandLight(np.full(colours, np.inf, np.float32), nothing, nothing)


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def cell_mean(nodes, row, column):  # type: ignore[no-untyped-def]
    """A node map in the middle of the cell that begins with node (row, column)."""
    return np.float32(0.25) * (
        nodes[row, column] + nodes[row, column + 1] + nodes[row + 1, column] + nodes[row + 1, column + 1]
    )


@njit(cache=True, nogil=True, error_model="numpy")
def along_row(nodes, y, left, out):  # type: ignore[no-untyped-def]
    """Fill `out` with a node map along row `y` from column `left` on, linear between the nodes."""
    edges, columns = row_cells(left, len(out))
    row, step = (y + GRID_STEP) // GRID_STEP, np.float32(1.0 / GRID_STEP)
    down = np.float32(y % GRID_STEP) * step
    for cell in range(len(columns)):
        column = columns[cell]
        first = nodes[row, column] + down * (nodes[row + 1, column] - nodes[row, column])
        last = nodes[row, column + 1] + down * (nodes[row + 1, column + 1] - nodes[row, column + 1])
        rise, begin = (last - first) * step, left - (column - 1) * GRID_STEP
        for j in range(edges[cell], edges[cell + 1]):
            out[j] = first + rise * np.float32(begin + np.int64(j))


@njit(cache=True, nogil=True, error_model="numpy")
def row_cells(left, width):  # type: ignore[no-untyped-def]
    """The cells of the position grid that a row from column `left` on crosses: where each begins, their nodes."""
    first = (left + GRID_STEP) // GRID_STEP
    count = (left + width - 1 + GRID_STEP) // GRID_STEP - first + 1
    edges, columns = np.empty(count + 1, np.uint64), np.empty(count, np.int64)
    for cell in range(count):
        columns[cell] = first + cell
        edges[cell] = np.uint64(max((first + cell - 1) * GRID_STEP - left, 0))
    edges[count] = np.uint64(width)
    return edges, columns


@leaf
def fill_bases(floor, slope, offsets, members, sky, row, columns, bases):  # type: ignore[no-untyped-def]
    """Variances of the frames' mosaic pixels at the sky of a row of cells: (colours, n, cells)."""
    for c in range(bases.shape[0]):
        for k in range(bases.shape[1]):
            for cell in range(len(columns)):
                column = columns[cell]
                level = cell_mean(sky[c], row, column)
                bases[c, k, cell] = base_variance(floor[k, c], slope[k], level, offsets[members[k], c], row, column)


@leaf
def fill_unlit(floor, slope, offsets, members, row, columns, bases):  # type: ignore[no-untyped-def]
    """What the variances of the frames' mosaic pixels are at level 0 of the picture, as the model goes on to there:
    (colours, n, cells)."""
    for c in range(bases.shape[0]):
        for k in range(bases.shape[1]):
            for cell in range(len(columns)):
                offset = cell_mean(offsets[members[k], c], row, columns[cell])
                bases[c, k, cell] = floor[k, c] - slope[k] * offset


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def base_variance(floor, slope, level, offsets, row, column):  # type: ignore[no-untyped-def]
    """Variance of a frame's mosaic pixel at the sky of one cell."""
    return floor + slope * max(level - cell_mean(offsets, row, column), np.float32(0))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def light_variance(floor, slope, level, offsets, row, column):  # type: ignore[no-untyped-def]
    """Variance of a frame's mosaic pixel at a level of its own."""
    return max(floor + slope * (level - cell_mean(offsets, row, column)), FLOOR_SHARE * floor)
