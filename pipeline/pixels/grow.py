"""Growth of rejections along trails: the flanks of a trail lie below the limit, but beside what was rejected."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.reject import CLUSTER_SIDE, GROWN, SINGLE
from pipeline.pixels.starlight import RING_PX
from pipeline.pixels.variance import base_variance, cell_mean, row_cells

# A trail is told by rejections that lie close together: at least 9 of the 49 pixels about one. By chance 0.8 % of the
# pixels are rejected in one colour or another, in clumps of up to four where interpolation ties neighbours together.
CLUSTER_MIN = 9
# How far a trail's rejections are grown, px: from where the profile falls below three standard deviations of a frame
# to where nothing of it is left.
GROW_PX = 3
# Pixels about a tile that growth needs to be the same whatever the tiles are.
GROW_MARGIN = CLUSTER_SIDE // 2 + GROW_PX + RING_PX


@njit(cache=True, nogil=True, error_model="numpy")
def grow(mask, cores, floor, slope, offsets, members, sky, origin):  # type: ignore[no-untyped-def]
    """Grow clustered rejections of each frame by `GROW_PX` pixels, for all colours (`GROWN` in the mask).

    Star cores take no part: pixels that vary beyond their noise by more than the sky's noise. There each value
    is judged by itself only.

    Parameters
    ----------
    mask : (n, height, width) uint8 array of `reject`, changed in place
    cores : (height, width) float32 array
        `unsteady` of `reject`.
    floor, slope, offsets, members, sky, origin : as in `reject`
    """
    n, height, width = mask.shape
    half, green = CLUSTER_SIDE // 2, sky.shape[0] // 2
    edges, cells = row_cells(origin[1], width)
    # with half a square of nothing around
    hits = np.zeros((height + 2 * half, width + 2 * half), np.uint8)
    columns, square = np.empty(width + 2 * half, np.uint8), np.empty(width, np.uint8)
    seeds = np.empty((height, width), np.uint8)
    bases, known = np.empty((height, len(cells)), np.float32), -1
    for k in range(n):
        for i in range(height):
            row = (origin[0] + i + GRID_STEP) // GRID_STEP
            for cell in range(len(cells)):
                if row == known:
                    bases[i, cell] = bases[i - 1, cell]
                    continue
                level = cell_mean(sky[green], row, cells[cell])
                bases[i, cell] = base_variance(
                    floor[k, green], slope[k], level, offsets[members[k], green], row, cells[cell]
                )
            known = row
            _mark_hits(mask[k, i], cores[i], bases[i], edges, hits[half + i, half:])
        known = -1
        columns[:] = np.uint8(0)
        for y in range(2 * half):
            _add_row(hits[y], columns)
        found = False
        for i in range(height):
            _add_row(hits[i + 2 * half], columns)
            square[:] = np.uint8(0)
            for x in range(CLUSTER_SIDE):
                _add_row(columns[x:], square)
            found |= _find_seeds(hits[half + i, half:], square, seeds[i])
            _take_row(hits[i], columns)
        if not found:
            continue
        for i in range(height):
            for j in range(width):
                if seeds[i, j] != 0:
                    for y in range(max(i - GROW_PX, 0), min(i + GROW_PX + 1, height)):
                        for x in range(max(j - GROW_PX, 0), min(j + GROW_PX + 1, width)):
                            near = (y - i) ** 2 + (x - j) ** 2 <= GROW_PX * GROW_PX + 1
                            cell = (origin[1] + x + GRID_STEP) // GRID_STEP - cells[0]
                            if near and cores[y, x] <= bases[y, cell]:
                                mask[k, y, x] |= np.uint8(GROWN)


@njit(cache=True, nogil=True, error_model="numpy")
def _mark_hits(mask, cores, bases, edges, hits):  # type: ignore[no-untyped-def]
    for cell in range(len(bases)):
        base = bases[cell]
        for j in range(edges[cell], edges[cell + 1]):
            hits[j] = np.uint8(((mask[j] & np.uint8(SINGLE)) != 0) & (cores[j] <= base))


@njit(cache=True, nogil=True, error_model="numpy")
def _add_row(row, sums):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(sums))):
        sums[j] = np.uint8(sums[j] + row[j])


@njit(cache=True, nogil=True, error_model="numpy")
def _take_row(row, sums):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(sums))):
        sums[j] = np.uint8(sums[j] - row[j])


@njit(cache=True, nogil=True, error_model="numpy")
def _find_seeds(hits, square, seeds):  # type: ignore[no-untyped-def]
    """Hits with enough others in the square about them."""
    found = np.uint8(0)
    for j in range(np.uint64(len(seeds))):
        seeds[j] = hits[j] if square[j] >= np.uint8(CLUSTER_MIN) else np.uint8(0)
        found = np.uint8(found | seeds[j])
    return found != 0
