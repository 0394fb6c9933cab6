"""A plane seen through a smooth field of small displacements, on its own grid."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanczos import LANCZOS, PHASES, REACH_AFTER, REACH_BEFORE, ROW, lanczos3
from pipeline.pixels.positions import GRID_STEP, LAGRANGE, PixelMap, PositionGrid, position_grid, positions
from pipeline.pixels.vector import weighted_6x8

# Pixels beyond the frame to each side for which the displacement is known: its reflection is asked for there.
BEYOND = GRID_STEP


def displacement_grid(
    mapping: PixelMap,
    shape: tuple[int, int],
) -> PositionGrid:
    """A frame's map onto itself on the nodes of a grid that begins `BEYOND` pixels before the frame.

    Parameters
    ----------
    mapping : callable
        Takes x and y of the frame (float64 arrays of one shape), returns x and y in it.
    shape : (height, width) of the frame
    """

    def moved(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        there = mapping(x - BEYOND, y - BEYOND)
        return there[0] + BEYOND, there[1] + BEYOND

    return position_grid(moved, (shape[0] + 2 * BEYOND, shape[1] + 2 * BEYOND))


def displaced(
    source: NDArray[np.float32],
    number: int,
    shape: tuple[int, int],
    origin: tuple[int, int],
    grid: PositionGrid,
    scale: float,
    margin: int,
    out: NDArray[np.float32],
    spared: tuple[int, int] = (2, 2),
) -> None:
    """Fill `out` with `scale` times the plane at displaced places (Lanczos3).

    Parameters
    ----------
    source : 1-D float32 array
        Planes of `shape`, one behind the other, and `OVERREAD` floats more.
    number : int
        Of the plane.
    origin : (row, column) of the planes' first pixel in the frame
    grid : of `displacement_grid`
    margin : int
        Pixels that `out` reaches further than the planes on each side.
    out : (height + 2 margin, width + 2 margin) float32 array
        Places beyond what the planes carry take the nearest that they do.
    spared : (row, column), 0 or 1 each
        Which of each 2 x 2 pixels of `out` is left as it was; any other numbers: none.
    """
    _displaced(source, number, shape, origin, grid.shift, LAGRANGE, LANCZOS, np.float32(scale), margin, out, spared)


@njit(cache=True, nogil=True, error_model="numpy")
def _displaced(source, number, shape, origin, shift, lagrange, table, scale, margin, out, spared):  # type: ignore[no-untyped-def]
    height, width = out.shape
    stride = np.uint64(shape[1])
    begin = np.uint64(number) * np.uint64(shape[0] * shape[1])
    xs, ys = np.empty(width, np.float32), np.empty(width, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    across, down, first = np.empty(width, np.int32), np.empty(width, np.int32), np.empty(width, np.int32)
    top, left = np.float32(origin[0] + BEYOND), np.float32(origin[1] + BEYOND)
    low, half, phases = np.float32(REACH_BEFORE), np.float32(0.5), np.float32(PHASES)
    high_y, high_x = np.float32(shape[0] - 1 - REACH_AFTER), np.float32(shape[1] - 1 - REACH_AFTER)
    for i in range(height):
        positions(shift, lagrange, origin[0] + BEYOND - margin + i, origin[1] + BEYOND - margin, xs, ys, nodes)
        for j in range(np.uint64(width)):
            x, y = min(max(xs[j] - left, low), high_x), min(max(ys[j] - top, low), high_y)
            ix, iy = np.int32(x), np.int32(y)
            across[j] = np.int32((x - np.float32(ix)) * phases + half) * np.int32(ROW)
            down[j] = np.int32((y - np.float32(iy)) * phases + half) * np.int32(ROW)
            first[j] = (iy - np.int32(REACH_BEFORE)) * np.int32(shape[1]) + ix - np.int32(REACH_BEFORE)
        begin_at, step = (1 - spared[1], 2) if i & 1 == spared[0] else (0, 1)
        for j in range(begin_at, width, step):
            at = begin + np.uint64(first[j])
            wx, wy = np.uint64(across[j]), np.uint64(down[j])
            out[i, j] = scale * weighted_6x8(source, at, stride, table, wx, wy)  # type: ignore[call-arg]


def displaced_slow(plane: NDArray[Any], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """What `displaced` computes at places (x, y) of a plane, pixel by pixel, places kept within it."""
    height, width = plane.shape
    x = np.clip(x, REACH_BEFORE, width - 1 - REACH_AFTER)
    y = np.clip(y, REACH_BEFORE, height - 1 - REACH_AFTER)
    result = np.zeros(x.shape)
    for at in np.ndindex(x.shape):
        ix, iy = int(x[at]), int(y[at])
        offsets = np.arange(-REACH_BEFORE, REACH_AFTER + 1)
        across, down = lanczos3(offsets - (x[at] - ix)), lanczos3(offsets - (y[at] - iy))
        patch = plane[iy - REACH_BEFORE : iy + REACH_AFTER + 1, ix - REACH_BEFORE : ix + REACH_AFTER + 1]
        result[at] = (down / down.sum()) @ patch @ (across / across.sum())
    return result


__all__ = ["BEYOND", "displaced", "displaced_slow", "displacement_grid"]
