"""Maps by the nodes of the position grid, and by blocks of a frame, at other places."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.pixels.background import sample_map
from pipeline.pixels.positions import GRID_STEP, PositionGrid

# A pixel's place is told by nodes up to 2.8 steps away: so far past its picture, px, a lens's map must go on, and half
# as far again where nodes lie further apart in the frame. Where it ends, pixels 180 px within it may have no place.
NODES_REACH = 4 * GRID_STEP


def grid_positions(
    grid: PositionGrid, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions at any pixels of the result, linearly between the nodes: for what is coarse anyway."""
    shift = between_nodes(grid.shift, x, y)
    return x + shift[:, 0], y + shift[:, 1]


def between_nodes(nodes: NDArray[np.floating], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Node maps (rows, columns, m) at n pixels of the result, linearly: (n, m)."""
    u, v = np.asarray(x) / GRID_STEP + 1, np.asarray(y) / GRID_STEP + 1
    rows, columns = nodes.shape[:2]
    j, i = np.clip(u.astype(int), 0, columns - 2), np.clip(v.astype(int), 0, rows - 2)
    fu, fv = (u - j)[:, None], (v - i)[:, None]
    s = nodes.astype(np.float64)
    top, bottom = (1 - fu) * s[i, j] + fu * s[i, j + 1], (1 - fu) * s[i + 1, j] + fu * s[i + 1, j + 1]
    return np.asarray((1 - fv) * top + fv * bottom)


def to_the_edge(
    level: NDArray[np.floating], block: int, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """A block map at any places: beyond the outermost blocks' middles as it goes on, for half a block, then even."""
    rows, columns = level.shape
    on = np.pad(level, 1, mode="reflect", reflect_type="odd")
    u, v = np.clip(x, -0.5, columns * block - 0.5), np.clip(y, -0.5, rows * block - 0.5)
    return sample_map(on, block, u.ravel() + block, v.ravel() + block).reshape(x.shape)


def held_near(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    known_x: NDArray[np.float64],
    known_y: NDArray[np.float64],
    most: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places drawn towards the nearest known one until they are `most` px from it: a polynomial runs away beyond."""
    if not len(known_x):
        return x, y
    where = np.stack([x.ravel(), y.ravel()], axis=1)
    known = np.stack([known_x, known_y], axis=1)
    distance, index = cKDTree(known).query(where)
    share = np.minimum(most / np.maximum(distance, most), 1.0)[:, None]
    held = known[index] + share * (where - known[index])
    return held[:, 0].reshape(x.shape), held[:, 1].reshape(y.shape)


def where_shown(
    seen: NDArray[np.bool_], x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Where a frame's surface is read for the places (x, y): there, or at the nearest of those that it shows (`seen`);
    None where it shows none.

    So every frame counts everywhere. Where frames end within the picture and are not alike, a mean of those alone that
    show a place has a step there, and the surface through it waves across the whole picture.
    """
    if seen.all():
        return x, y
    if not seen.any():
        return None
    index = np.arange(len(x))
    places = np.stack([x, y], axis=1)
    index[~seen] = index[seen][cKDTree(places[seen]).query(places[~seen])[1]]
    return x[index], y[index]
