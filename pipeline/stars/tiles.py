"""The coarse grid in which sky and clouds are told."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TILES = (6, 8)  # rows, columns of the coarse grid: 750 px a side at 24 MP, the size of a small cloud at 24 mm


def tile_of(
    x: NDArray[np.float64], y: NDArray[np.float64], width: int, height: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of the coarse grid at a position."""
    rows = np.clip((np.asarray(y) + 0.5) * TILES[0] / height, 0, TILES[0] - 1).astype(np.int64)
    columns = np.clip((np.asarray(x) + 0.5) * TILES[1] / width, 0, TILES[1] - 1).astype(np.int64)
    return rows, columns
