"""A picture in blocks of pixels, for what is too faint to be seen pixel by pixel."""

from __future__ import annotations

import math
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.regression import row_medians

BLOCK_PX = 8  # px of the mosaic a side
SMOOTH = 9  # blocks; structure wider than this is no line
TILE = 24  # blocks a side, whose own spread they are held against: a lamp-lit horizon is noisier than the dark corners
QUIET = 0.3  # of the picture's spread, no tile has less
ANGLES = 360  # of lines, over half a turn
BESIDE = 41  # blocks across a line, of the parallel lines it is held against
AT_ONCE = 1024


@numba.njit(cache=True, nogil=True)
def free_means(image: Any, segments: Any, side: int) -> Any:
    """Mean of every block over the pixels of no detection; NaN where fewer than half are left.

    ``np.where(segments == 0, image, nan).reshape(h, side, w, side)``, its ``nanmean`` over axes 1 and 3.
    """
    height, width = image.shape[0] // side, image.shape[1] // side
    out = np.empty((height, width))
    for i in range(height):
        for j in range(width):
            total, number = 0.0, 0
            for row in range(i * side, (i + 1) * side):
                for column in range(j * side, (j + 1) * side):
                    if segments[row, column] == 0:
                        total += image[row, column]
                        number += 1
            out[i, j] = total / number if 2 * number >= side * side else np.nan
    return out


def flattened(blocks: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Means of blocks less what is no narrow line, and their spread.

    Defective columns and rows go, with what the sky's mesh left of edges that run along them; so does the wider
    structure of the Milky Way.

    Parameters
    ----------
    blocks : (rows, columns) float64 array, used up; NaN where nothing is known
    """
    blocks -= row_medians(np.ascontiguousarray(blocks.T))[None, :]
    blocks -= row_medians(blocks)[:, None]
    known = np.isfinite(blocks)
    if known.all():
        blocks -= uniform_filter(blocks, SMOOTH)
    else:
        filled = np.where(known, blocks, 0.0)
        blocks -= uniform_filter(filled, SMOOTH) / np.maximum(uniform_filter(known.astype(float), SMOOTH), 0.05)
    return blocks, max(MAD_TO_SIGMA * float(row_medians(np.abs(blocks).reshape(1, -1))[0]), 1e-9)


def over_spread(blocks: NDArray[np.float64], spread: float) -> NDArray[np.float64]:
    """Blocks of `flattened` over the spread of the tile about each; NaN where nothing is known."""
    rows, columns = (-(-n // TILE) for n in blocks.shape)
    size = np.abs(blocks)
    padded = np.full((rows * TILE, columns * TILE), np.nan)
    padded[: size.shape[0], : size.shape[1]] = size
    tiles = padded.reshape(rows, TILE, columns, TILE).swapaxes(1, 2).reshape(rows * columns, TILE * TILE)
    spreads = np.maximum(MAD_TO_SIGMA * row_medians(tiles), QUIET * spread).reshape(rows, columns)
    about = np.repeat(np.repeat(spreads, TILE, axis=0), TILE, axis=1)
    return np.asarray(blocks / about[: size.shape[0], : size.shape[1]])


def farthest(height: int, width: int) -> int:
    """Offset of the farthest line that meets the picture."""
    return int(math.hypot(height, width)) + 2


@leaf
def _line_sums(
    rows: Any, columns: Any, values: Any, cosines: Any, sines: Any, offset: int, nearest: Any, sums: Any
) -> None:
    """The compiled loop of `line_sums`; so many points at a time as `nearest` has room for: their lines stay in the
    nearest memory."""
    for begin in range(0, rows.shape[0], AT_ONCE):
        end = min(begin + AT_ONCE, rows.shape[0])
        for k in range(cosines.shape[0]):
            cosine, sine, line = cosines[k], sines[k], sums[k]
            here, down, across, value = nearest[: end - begin], rows[begin:end], columns[begin:end], values[begin:end]
            for n in range(np.uint64(end - begin)):
                here[n] = np.int32(across[n] * cosine + down[n] * sine + (offset + 0.5))
            for n in range(np.uint64(end - begin)):
                line[np.uint64(here[n])] += value[n]


def line_sums(
    rows: NDArray[np.integer], columns: NDArray[np.integer], values: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Add each point's value to every line through it.

    Parameters
    ----------
    rows, columns, values : (n,) arrays
    shape : (rows, columns) of the blocks

    Returns
    -------
    (`ANGLES`, 2 `farthest` + 1) float64 array: [k, round(x cos + y sin) + farthest], the angle k half turns / `ANGLES`
    """
    offset = farthest(*shape)
    angles = np.arange(ANGLES) * math.pi / ANGLES
    sums = np.zeros((ANGLES, 2 * offset + 1))
    places = rows.astype(np.float64), columns.astype(np.float64)
    _line_sums(
        *places, np.ascontiguousarray(values), np.cos(angles), np.sin(angles), offset, np.empty(AT_ONCE, np.int32), sums
    )
    return sums
