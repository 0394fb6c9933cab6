"""A sky that changes within minutes (aurora, lit cloud) brought to its own mean: what is broad in a frame's difference
from the others is light and no outlier; only what is narrow can be told for one.

Where the sky is restless is told from coarse maps (`restlessness`); there each frame's difference from the mean of all
is taken in blocks of `SIDE` px, by their medians, and taken off, smoothly between them (`settle`). Medians are blind to
stars and to a trail of up to a quarter of the block. The mean of all frames stays what it was, and goes on where some
frames show land instead of the sky, or end: those that are left, an hour's light, would stand there beside it as a line
along the skyline.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED

# Side of the blocks, px.
SIDE = 16
# A block counts where at least this share of its pixels is covered.
COVERED = 0.5
# Times that levels of pixels and of frames are fitted in turn in a block of which some frames show a part only.
PASSES = 4
# Steps from block to block by which what all frames tell is carried to where some show none of the sky.
STEPS = 2
# Pixels about a tile that must be there for what comes out within it: a block, the next one, one that fills it, and
# those that tell the mean of all.
SETTLE_MARGIN = (3 + STEPS) * SIDE
# Coarse differences of frames from each other, in standard deviations of a pixel's noise (rms, the largest left out),
# from which the sky begins to be restless, and from which it wholly is: blocks of quiet skies scatter by 0.1 to 0.2.
RESTLESS_FROM, RESTLESS_AT = 0.5, 1.0
FRAMES_MIN = 3


def restlessness(left: NDArray[np.floating], noise: NDArray[np.floating]) -> NDArray[np.float64]:
    """How restless the sky is, 0 to 1, from what smooth surfaces leave of the frames' differences.

    Parameters
    ----------
    left : (n, m) array
        Differences of n frames to one of them in m places; NaN where a frame shows nothing there.
    noise : (n,) array
        Standard deviation of a pixel of each frame at its sky, in the same units.

    Returns
    -------
    (m,) float64 array; NaN where fewer than `FRAMES_MIN` frames show anything, or than half as many as elsewhere
    """
    known = np.isfinite(left)
    shown = known.sum(axis=0)
    # behind twigs few frames show sky, and perhaps only those of a quiet hour
    enough = shown >= max(FRAMES_MIN, 0.5 * shown.max(initial=0))
    result = np.full(left.shape[1], np.nan)
    if not enough.any():
        return result
    here = np.asarray(left[:, enough], np.float64)
    apart = (here - np.nanmedian(here, axis=0)) / np.asarray(noise, np.float64)[:, None]
    squares = np.sort(np.nan_to_num(apart**2), axis=0)
    number = shown[enough]
    # one frame that differs (a passing lamp, a lone cloud) is for the rejection
    rms = np.sqrt(squares[:-1].sum(axis=0) / (number - 1))
    result[enough] = np.clip((rms - RESTLESS_FROM) / (RESTLESS_AT - RESTLESS_FROM), 0, 1)
    return result


def carried(restless: NDArray[np.float64], shown: NDArray[np.integer]) -> NDArray[np.float64]:
    """Where some frames show none of the sky it is at least as restless as beside that where more do: the frames that
    are left may be those of a quiet hour.

    Parameters
    ----------
    restless : (rows, columns) array of blocks, NaN where it is not known
    shown : (rows, columns) array, how many frames show each of them

    Returns
    -------
    (rows, columns) float64 array
    """
    result = np.asarray(restless, np.float64)
    rows, columns = result.shape
    numbers = np.pad(shown, 1)
    for _ in range(STEPS):
        wide, before = np.pad(result, 1, constant_values=np.nan), result
        for i, j in np.ndindex(3, 3):
            there = (slice(i, i + rows), slice(j, j + columns))
            result = np.fmax(result, np.where(numbers[there] > shown, wide[there], before))
    return result


def restless_pixels(
    restless: NDArray[np.float32], origin: tuple[int, int], shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """Which pixels of a part of the picture lie in cells of the position grid with a restless node: (height, width)."""
    some = restless > 0
    cells = some[:-1, :-1] | some[1:, :-1] | some[:-1, 1:] | some[1:, 1:]
    rows = np.clip((origin[0] + np.arange(shape[0])) // GRID_STEP + 1, 0, cells.shape[0] - 1)
    columns = np.clip((origin[1] + np.arange(shape[1])) // GRID_STEP + 1, 0, cells.shape[1] - 1)
    return np.asarray(cells[np.ix_(rows, columns)])


@njit(cache=True, nogil=True, error_model="numpy")
def settle(values, codes, weights, restless, origin, never, scatter):  # type: ignore[no-untyped-def]
    """Take off, in place, what is broad in each frame's difference from the mean of all, where the sky is restless.

    What is finer than a block stays, and is told by how far the frames lie apart in most of the block's pixels.

    Parameters
    ----------
    values, codes : as in `variance`; the part begins at a multiple of `SIDE`, or at the picture's edge
    weights : (n,) float32 array
    restless : (rows, columns) float32 array
        How restless the sky is at the nodes of the position grid.
    origin : as in `variance`
    never : (height, width) bool array
        Pixels that no frame shows without land: they tell nothing of the sky.
    scatter : (colours, height, width) float32 array, filled
        The values' variance among the frames, the median over the block's pixels; 0 where the sky is quiet.
    """
    n, colours, height, width = values.shape
    rows, columns = (height + SIDE - 1) // SIDE, (width + SIDE - 1) // SIDE
    mean, weight = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    blocks, number = np.empty((n, rows, columns), np.float32), np.empty((rows, columns), np.int64)
    few = np.empty(SIDE * SIDE, np.float32)
    for c in range(colours):
        for i in range(rows):
            for j in range(columns):
                number[i, j] = _block_differences(values[:, c], codes, weights, never, i, j, few, blocks[:, i, j])
        _level_of_all(blocks, weights, number)
        for k in range(n):
            _fill(blocks[k])
            _take_off(values[k, c], blocks[k], restless, origin)
        mean[:], weight[:] = np.float32(0), np.float32(0)
        for k in range(n):
            for i in range(height):
                for j in range(width):
                    if codes[k, i, j] != NOT_COVERED:
                        mean[i, j] += weights[k] * values[k, c, i, j]
                        weight[i, j] += weights[k]
        for i in range(height):
            for j in range(width):
                mean[i, j] /= max(weight[i, j], np.float32(1e-30))
        _block_scatter(values[:, c], codes, mean, never, few, restless, origin, scatter[c])


@njit(cache=True, nogil=True, error_model="numpy")
def _block_differences(values, codes, weights, never, row, column, few, found):  # type: ignore[no-untyped-def]
    """By what each frame lies above the mean of those that show a block; how many these are.

    A level a pixel and one a frame are fitted in turn: a pixel that some of the frames do not reach has their mean
    taken from what the others are off by, so that none is told to be off by what the missing ones are.

    Parameters
    ----------
    values : (n, height, width) float32 array, one colour
    found : (n,) float32 array, filled; NaN where too little of the block is covered
    """
    n, height, width = values.shape
    top, left = row * SIDE, column * SIDE
    bottom, right = min(top + SIDE, height), min(left + SIDE, width)
    area, number, whole = (bottom - top) * (right - left), 0, True
    for k in range(n):
        count = 0
        for i in range(top, bottom):
            for j in range(left, right):
                if codes[k, i, j] != NOT_COVERED and not never[i, j]:
                    count += 1
        found[k] = np.nan
        if count >= COVERED * area and count > 0:
            found[k] = np.float32(0)
            number += 1
            whole &= count == area
    if number == 0:
        return 0
    mean, weight = np.empty((SIDE, SIDE), np.float32), np.empty((SIDE, SIDE), np.float32)
    for _ in range(1 if whole else PASSES):
        mean[:], weight[:] = np.float32(0), np.float32(0)
        for k in range(n):
            if np.isnan(found[k]):
                continue
            for i in range(top, bottom):
                for j in range(left, right):
                    if codes[k, i, j] != NOT_COVERED:
                        mean[i - top, j - left] += weights[k] * (values[k, i, j] - found[k])
                        weight[i - top, j - left] += weights[k]
        total, known = np.float32(0), np.float32(0)
        for k in range(n):
            if np.isnan(found[k]):
                continue
            count = 0
            for i in range(top, bottom):
                for j in range(left, right):
                    if codes[k, i, j] != NOT_COVERED and not never[i, j]:
                        few[count] = values[k, i, j] - mean[i - top, j - left] / weight[i - top, j - left]
                        count += 1
            found[k] = np.median(few[:count])
            total += weights[k] * found[k]
            known += weights[k]
        # what all frames together are off their mean by stays
        for k in range(n):
            found[k] -= total / known
    return number


@njit(cache=True, nogil=True, error_model="numpy")
def _level_of_all(blocks, weights, number):  # type: ignore[no-untyped-def]
    """Let blocks that some frames do not show have the mean of all, as the blocks beside them have it that more do:
    there the same frames tell by how much their own mean is off it.

    Parameters
    ----------
    blocks : (n, rows, columns) float32 array, changed in place
    number : (rows, columns) int64 array, how many frames show each block
    """
    n, rows, columns = blocks.shape
    for _ in range(STEPS):
        before = blocks.copy()
        for i in range(rows):
            for j in range(columns):
                off, known = np.float32(0), np.float32(0)
                for y in range(max(i - 1, 0), min(i + 2, rows)):
                    for x in range(max(j - 1, 0), min(j + 2, columns)):
                        if number[y, x] <= number[i, j]:
                            continue
                        for k in range(n):
                            apart = before[k, y, x] - before[k, i, j]
                            if not np.isnan(apart):
                                off += weights[k] * apart
                                known += weights[k]
                if known > 0:
                    for k in range(n):
                        blocks[k, i, j] += off / known


@njit(cache=True, nogil=True, error_model="numpy")
def _block_scatter(values, codes, mean, never, few, restless, origin, scatter):  # type: ignore[no-untyped-def]
    """Median over each block of the pixels' variances among the frames, where the sky is restless."""
    n, height, width = values.shape
    for top in range(0, height, SIDE):
        for left in range(0, width, SIDE):
            count = 0
            bottom, right = min(top + SIDE, height), min(left + SIDE, width)
            # land's only where there is nothing else
            land = never[top:bottom, left:right].all()
            for i in range(top, bottom):
                for j in range(left, right):
                    if never[i, j] and not land:
                        continue
                    total, covering = np.float32(0), 0
                    for k in range(n):
                        if codes[k, i, j] != NOT_COVERED:
                            apart = values[k, i, j] - mean[i, j]
                            total += apart * apart
                            covering += 1
                    if covering > 1:
                        few[count] = total / np.float32(covering - 1)
                        count += 1
            middle = np.median(few[:count]) if count > 0 else np.float32(0)
            for i in range(top, bottom):
                row = (origin[0] + i) // GRID_STEP + 1
                for j in range(left, right):
                    column = (origin[1] + j) // GRID_STEP + 1
                    near = restless[row : row + 2, column : column + 2]
                    scatter[i, j] = middle if near.max() > 0 else np.float32(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _fill(blocks):  # type: ignore[no-untyped-def]
    """Blocks that are not known get the mean of the known ones beside them, 0 where there is none."""
    rows, columns = blocks.shape
    before = blocks.copy()
    for i in range(rows):
        for j in range(columns):
            if not np.isnan(before[i, j]):
                continue
            total, count = np.float32(0), 0
            for y in range(max(i - 1, 0), min(i + 2, rows)):
                for x in range(max(j - 1, 0), min(j + 2, columns)):
                    if not np.isnan(before[y, x]):
                        total += before[y, x]
                        count += 1
            blocks[i, j] = total / np.float32(max(count, 1))


@njit(cache=True, nogil=True, error_model="numpy")
def _take_off(values, blocks, restless, origin):  # type: ignore[no-untyped-def]
    """Take a block map off, linearly between the blocks' middles, times the restlessness there."""
    height, width = values.shape
    rows, columns = blocks.shape
    half = np.float32(0.5 * (SIDE - 1))
    for i in range(height):
        v = min(max((np.float32(i) - half) / np.float32(SIDE), np.float32(0)), np.float32(rows - 1))
        top = min(int(v), max(rows - 2, 0))
        down, below = v - np.float32(top), min(top + 1, rows - 1)
        node_v = np.float32(origin[0] + i) / np.float32(GRID_STEP) + np.float32(1)
        node_top = min(int(node_v), restless.shape[0] - 2)
        node_down = node_v - np.float32(node_top)
        for j in range(width):
            node_u = np.float32(origin[1] + j) / np.float32(GRID_STEP) + np.float32(1)
            at = min(int(node_u), restless.shape[1] - 2)
            right = node_u - np.float32(at)
            upper = restless[node_top, at] + right * (restless[node_top, at + 1] - restless[node_top, at])
            lower = restless[node_top + 1, at] + right * (restless[node_top + 1, at + 1] - restless[node_top + 1, at])
            share = upper + node_down * (lower - upper)
            if share <= 0:
                continue
            u = min(max((np.float32(j) - half) / np.float32(SIDE), np.float32(0)), np.float32(columns - 1))
            left = min(int(u), max(columns - 2, 0))
            across, beside = u - np.float32(left), min(left + 1, columns - 1)
            first = blocks[top, left] + across * (blocks[top, beside] - blocks[top, left])
            second = blocks[below, left] + across * (blocks[below, beside] - blocks[below, left])
            values[i, j] -= share * (first + down * (second - first))
