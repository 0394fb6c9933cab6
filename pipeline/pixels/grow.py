"""Growth of rejections along trails: the flanks of a trail lie below the limit, but beside what was rejected."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.reject import CLUSTER_SIDE, GROWN
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
def grow(mask, peak, floor, slope, offsets, members, sky, scatter, origin):  # type: ignore[no-untyped-def]
    """Grow clustered rejections of each frame by `GROW_PX` pixels, for all colours (`GROWN` in the mask).

    Star cores take no part: pixels where the proportional part of the noise is larger than the sky's. There each value
    is judged by itself only.

    Parameters
    ----------
    mask : (n, height, width) uint8 array of `reject`, changed in place
    peak, floor, slope, offsets, members, sky, scatter, origin : as in `reject`
    """
    n, height, width = mask.shape
    half = CLUSTER_SIDE // 2
    edges, cells = row_cells(origin[1], width)
    hits, columns = np.empty((height, width), np.uint8), np.empty(width, np.uint8)
    free = np.empty((height, width), np.uint8)
    seeds = np.empty((height, width), np.uint8)
    green = peak.shape[0] // 2
    for k in range(n):
        found = 0
        for i in range(height):
            for j in range(width):
                hit = (mask[k, i, j] & np.uint8(7)) != 0
                hits[i, j] = np.uint8(hit)
                found += hit
        if found < CLUSTER_MIN:
            continue
        for i in range(height):
            row = (origin[0] + i + GRID_STEP) // GRID_STEP
            for cell in range(len(cells)):
                column = cells[cell]
                level = cell_mean(sky[green], row, column)
                base = base_variance(floor[k, green], slope[k], level, offsets[members[k], green], row, column)
                for j in range(edges[cell], edges[cell + 1]):
                    free[i, j] = np.uint8((scatter[green] * peak[green, i, j]) ** 2 <= base)
                    hits[i, j] &= free[i, j]
        any_seed = False
        for i in range(height):
            top, bottom = max(i - half, 0), min(i + half + 1, height)
            columns[:] = np.uint8(0)
            for y in range(top, bottom):
                for j in range(width):
                    columns[j] += hits[y, j]
            seeds[i] = np.uint8(0)
            for j in range(width):
                if hits[i, j] != 0:
                    count = 0
                    for x in range(max(j - half, 0), min(j + half + 1, width)):
                        count += columns[x]
                    if count >= CLUSTER_MIN:
                        seeds[i, j] = np.uint8(1)
                        any_seed = True
        if not any_seed:
            continue
        for i in range(height):
            for j in range(width):
                if seeds[i, j] != 0:
                    for y in range(max(i - GROW_PX, 0), min(i + GROW_PX + 1, height)):
                        for x in range(max(j - GROW_PX, 0), min(j + GROW_PX + 1, width)):
                            near = (y - i) ** 2 + (x - j) ** 2 <= GROW_PX * GROW_PX + 1
                            if near and free[y, x] != 0:
                                mask[k, y, x] |= np.uint8(GROWN)


__all__ = ["GROW_MARGIN", "grow"]
