"""From pixels to square cells and back: sums over cells, values between their middles, local planes through them.

Cell (i, j) of side s holds pixels (s i ... s i + s - 1, s j ... s j + s - 1); its middle lies at s i + (s - 1) / 2.
What a picture lacks of its last cells counts as nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Doubles = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Added to the spread of the cells about a place, cells^2, so that a row of cells has no slope across.
SPREAD_LEAST = 0.3
# The slope is followed so many reaches from the middle of what is known, no further.
FOLLOWED = 2.0


def in_cells(plane: NDArray[Any], side: int) -> NDArray[Any]:
    """(rows, side, columns, side) view of a (height, width) plane by cells, filled up with zeros at the far ends."""
    height, width = plane.shape
    rows, columns = -(-height // side), -(-width // side)
    if (rows * side, columns * side) != (height, width):
        plane = np.pad(plane, ((0, rows * side - height), (0, columns * side - width)))
    return plane.reshape(rows, side, columns, side)


def cell_sums(plane: NDArray[np.number[Any]], side: int) -> Doubles:
    """(rows, columns) float64 sums over the cells of a (height, width) plane, added up in the plane's own type."""
    return np.asarray(in_cells(plane, side).sum(axis=(1, 3)), np.float64)


def any_in_cells(pixels: Bools, side: int) -> Bools:
    """(rows, columns) bool array: whether a cell of a (height, width) bool array holds a true pixel."""
    return np.asarray(in_cells(pixels, side).view(np.uint8).max(axis=(1, 3)) > 0)


def nearest_known(values: NDArray[Any], known: Bools) -> NDArray[Any]:
    """What is not `known`, (rows, columns), of (..., rows, columns) values as the nearest that is; where nothing is
    known, the values as they are."""
    if known.all() or not known.any():
        return values
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[(..., *nearest)])


def between(
    cells: NDArray[np.floating], side: float, shape: tuple[int, int], top: int = 0, beyond: float = 0.0
) -> NDArray[np.float32]:
    """Values at pixels, linearly between the cells' middles.

    Parameters
    ----------
    cells : (..., rows, columns) float array
    side : of a cell, px
    shape : (height, width) of the result, from row `top` on
    beyond : cells by which the slope is followed beyond the outermost middles; farther out values stay as they are

    Returns
    -------
    (..., height, width) float32 array
    """
    values = np.asarray(cells, np.float32)
    for axis, first, length in ((-1, 0, shape[1]), (-2, top, shape[0])):
        number = values.shape[axis]
        at = np.clip((np.arange(first, first + length) - (side - 1) / 2) / side, -beyond, number - 1 + beyond)
        low = np.clip(at.astype(int), 0, max(number - 2, 0))
        part = (at - low).astype(np.float32)
        part = part[:, None] if axis == -2 else part
        high = np.take(values, np.minimum(low + 1, number - 1), axis)
        values = np.take(values, low, axis) * (1 - part) + high * part
    return values


def smoothed(values: Doubles, reach: float) -> Doubles:
    """Sums weighted by a Gaussian of `reach` cells; there is nothing beyond the edge."""
    return np.asarray(ndimage.gaussian_filter(values, reach, mode="constant", truncate=4))


def local_plane(values: Doubles, weight: Doubles, reach: float) -> tuple[Doubles, Doubles, Doubles]:
    """At each cell the least-squares plane through the cells about it: a level goes on beyond its edge with its slope.

    Cells count by `weight` times a Gaussian of `reach` cells (normalised convolution of first order: Knutsson, H. &
    Westin, C.-F. 1993, Proc. CVPR, 515).

    Parameters
    ----------
    values, weight : (rows, columns) float64 arrays; values of weight 0 say nothing but must be numbers
    reach : cells

    Returns
    -------
    plane, mean, total : (rows, columns) float64 arrays: the plane's value at the cell, the weighted mean of what is
        about, and the smoothed weight; where that is next to nothing the others mean nothing
    """
    y, x = np.meshgrid(np.arange(values.shape[0], dtype=float), np.arange(values.shape[1], dtype=float), indexing="ij")
    total = smoothed(weight, reach)
    safe = np.maximum(total, 1e-12)
    mx, my, mean = (smoothed(weight * v, reach) / safe for v in (x, y, values))
    xx = smoothed(weight * x * x, reach) / safe - mx**2 + SPREAD_LEAST
    yy = smoothed(weight * y * y, reach) / safe - my**2 + SPREAD_LEAST
    xy = smoothed(weight * x * y, reach) / safe - mx * my
    xv = smoothed(weight * x * values, reach) / safe - mx * mean
    yv = smoothed(weight * y * values, reach) / safe - my * mean
    det = np.maximum(xx * yy - xy**2, 1e-9)
    most = FOLLOWED * reach
    dx, dy = np.clip(x - mx, -most, most), np.clip(y - my, -most, most)
    plane = mean + ((yy * xv - xy * yv) * dx + (xx * yv - xy * xv) * dy) / det
    return plane, mean, total
