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

from pipeline.pixels.lanes import lanes_of, no_lanes, put_lanes
from pipeline.pixels.leaf import leaf
from pipeline.pixels.ordering import median_by_counts
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
def tell_blocks(values, codes, weights, never, blocks, number):  # type: ignore[no-untyped-def]
    """By what each frame lies above the mean of all that show a block, block by block.

    Parameters
    ----------
    values, codes : as in `variance`; the part begins at a multiple of `SIDE`, or at the picture's edge
    weights : (n,) float32 array
    never : (height, width) bool array
        Pixels that no frame shows without land: they tell nothing of the sky.
    blocks : (colours, n, rows, columns) float32 array, filled; NaN where too little of a block is covered
    number : (rows, columns) int64 array, filled: how many frames show a block
    """
    height, width = never.shape
    few, found = np.empty(SIDE * SIDE, np.float32), np.empty(len(weights), np.float32)
    shown = np.empty(len(weights), np.bool_)
    for i in range(blocks.shape[2]):
        for j in range(blocks.shape[3]):
            number[i, j], whole = _frames_of_block(codes, never, i, j, shown)
            full = whole & ((i + 1) * SIDE <= height) & ((j + 1) * SIDE <= width)
            for c in range(blocks.shape[0]):
                if full:
                    _full_block(values, c, weights, shown, i * SIDE * width + j * SIDE, few, found)
                else:
                    _block(values[:, c], codes, weights, never, shown, whole, i, j, few, found)
                blocks[c, :, i, j] = found


@njit(cache=True, nogil=True, error_model="numpy")
def _frames_of_block(codes, never, row, column, shown):  # type: ignore[no-untyped-def]
    """Which frames show enough of a block, how many these are, and whether each of them shows all of it."""
    top, left = row * SIDE, column * SIDE
    bottom, right = min(top + SIDE, never.shape[0]), min(left + SIDE, never.shape[1])
    area, number, whole = (bottom - top) * (right - left), 0, True
    for k in range(len(shown)):
        count = 0
        for i in range(top, bottom):
            count += _covered(codes[k, i, left:right], never[i, left:right])
        shown[k] = count >= COVERED * area and count > 0
        number += int(shown[k])
        whole &= not shown[k] or count == area
    return number, whole


@leaf
def _covered(codes, never):  # type: ignore[no-untyped-def]
    count = np.int32(0)
    for j in range(np.uint64(len(codes))):
        count += np.int32((codes[j] != NOT_COVERED) & (not never[j]))
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _full_block(values, colour, weights, shown, begin, few, found):  # type: ignore[no-untyped-def]
    """`_block` of SIDE x SIDE pixels that all the frames show wholly, which begins at such a place of a plane."""
    n, colours, height, width = values.shape
    plane, frame = height * width, colours * height * width
    all_weights, total, known = np.float32(0), np.float32(0), np.float32(0)
    for k in range(n):
        if shown[k]:
            all_weights += weights[k]
    mean = np.empty(SIDE * SIDE, np.float32)
    for i in range(SIDE):
        row, sums = colour * plane + begin + i * width, no_lanes(SIDE)
        for k in range(n):
            if shown[k]:
                sums = sums + lanes_of(values, np.uint64(k * frame + row), SIDE) * weights[k]
        put_lanes(mean, np.uint64(i * SIDE), sums)
    for x in range(SIDE * SIDE):
        mean[x] = mean[x] / all_weights
    for k in range(n):
        found[k] = np.nan
        if not shown[k]:
            continue
        for i in range(SIDE):
            here = lanes_of(values, np.uint64(k * frame + colour * plane + begin + i * width), SIDE)
            put_lanes(few, np.uint64(i * SIDE), here - lanes_of(mean, np.uint64(i * SIDE), SIDE))
        found[k] = median_by_counts(few)
        total += weights[k] * found[k]
        known += weights[k]
    for k in range(n):
        found[k] -= total / known


@njit(cache=True, nogil=True, error_model="numpy")
def _block(values, codes, weights, never, shown, whole, row, column, few, found):  # type: ignore[no-untyped-def]
    """By what each frame lies above the mean of those that show a block.

    A level a pixel and one a frame are fitted in turn: a pixel that some of the frames do not reach has their mean
    taken from what the others are off by, so that none is told to be off by what the missing ones are.

    Parameters
    ----------
    values : (n, height, width) float32 array, one colour
    shown, whole : of `_frames_of_block`
    found : (n,) float32 array, filled; NaN where too little of the block is covered
    """
    n, height, width = values.shape
    top, left = row * SIDE, column * SIDE
    bottom, right = min(top + SIDE, height), min(left + SIDE, width)
    for k in range(n):
        found[k] = np.float32(0) if shown[k] else np.nan
    if not shown.any():
        return
    mean, weight = np.empty((SIDE, SIDE), np.float32), np.empty((SIDE, SIDE), np.float32)
    for _ in range(1 if whole else PASSES):
        mean[:], weight[:] = np.float32(0), np.float32(0)
        for k in range(n):
            if not shown[k]:
                continue
            for i in range(top, bottom):
                for j in range(left, right):
                    if codes[k, i, j] != NOT_COVERED:
                        mean[i - top, j - left] += weights[k] * (values[k, i, j] - found[k])
                        weight[i - top, j - left] += weights[k]
        total, known = np.float32(0), np.float32(0)
        for k in range(n):
            if not shown[k]:
                continue
            count = 0
            for i in range(top, bottom):
                for j in range(left, right):
                    if codes[k, i, j] != NOT_COVERED and not never[i, j]:
                        few[count] = values[k, i, j] - mean[i - top, j - left] / weight[i - top, j - left]
                        count += 1
            found[k] = median_by_counts(few[:count])
            total += weights[k] * found[k]
            known += weights[k]
        # what all frames together are off their mean by stays
        for k in range(n):
            found[k] -= total / known


@njit(cache=True, nogil=True, error_model="numpy")
def even_blocks(blocks, weights, number):  # type: ignore[no-untyped-def]
    """Carry blocks of `tell_blocks`, in place, to where some or all frames show none of the sky.

    Of a part of the picture that is right but for `STEPS` blocks and one along edges that are not the picture's.
    """
    for c in range(blocks.shape[0]):
        _level_of_all(blocks[c], weights, number)
        for k in range(blocks.shape[1]):
            _fill(blocks[c, k])


@njit(cache=True, nogil=True, error_model="numpy")
def settle(values, codes, weights, blocks, first, restless, origin, never, scatter):  # type: ignore[no-untyped-def]
    """Take off, in place, what is broad in each frame's difference from the mean of all, where the sky is restless.

    What is finer than a block stays, and is told by how far the frames lie apart in most of the block's pixels.

    Parameters
    ----------
    values, codes, weights, never : as in `tell_blocks`
    blocks : (colours, n, rows, columns) float32 array, of `even_blocks`
        Of the part, and one block more to each side where the picture goes on.
    first : (row, column) of the part's first block among them
    restless : (rows, columns) float32 array
        How restless the sky is at the nodes of the position grid.
    origin : as in `variance`
    scatter : (colours, height, width) float32 array, filled
        The values' variance among the frames, the median over the block's pixels; 0 where the sky is quiet.
    """
    n, colours, height, width = values.shape
    mean, weight = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    few, share = np.empty(SIDE * SIDE, np.float32), np.empty((height, width), np.float32)
    lines = np.empty((blocks.shape[2], width), np.float32)
    _shares(restless, origin, share)
    for c in range(colours):
        for k in range(n):
            _take_off(values[k, c], blocks[c, k], first, share, lines)
        mean[:], weight[:] = np.float32(0), np.float32(0)
        for i in range(height):
            for k in range(n):
                _add_row(values[k, c, i], codes[k, i], weights[k], mean[i], weight[i])
            for j in range(width):
                mean[i, j] /= max(weight[i, j], np.float32(1e-30))
        _block_scatter(values[:, c], codes, mean, never, few, restless, origin, scatter[c])


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


@leaf
def _add_row(values, codes, weight, sums, weights):  # type: ignore[no-untyped-def]
    """Add a frame's row of values, times its weight, where it is covered, and its weight."""
    for j in range(np.uint64(len(sums))):
        own = weight if codes[j] != NOT_COVERED else np.float32(0)
        sums[j] += own * values[j]
        weights[j] += own


@leaf
def _add_squares(values, codes, mean, squares, number):  # type: ignore[no-untyped-def]
    """Add the squares of what a frame's row is off the mean by, where it is covered, and how many they are."""
    for j in range(np.uint64(len(mean))):
        apart = values[j] - mean[j] if codes[j] != NOT_COVERED else np.float32(0)
        squares[j] += apart * apart
        number[j] += np.int32(codes[j] != NOT_COVERED)


@njit(cache=True, nogil=True, error_model="numpy")
def _block_scatter(values, codes, mean, never, few, restless, origin, scatter):  # type: ignore[no-untyped-def]
    """Median over each block of the pixels' variances among the frames, where the sky is restless."""
    n, height, width = values.shape
    squares, number = np.empty((SIDE, width), np.float32), np.empty((SIDE, width), np.int32)
    for top in range(0, height, SIDE):
        bottom = min(top + SIDE, height)
        squares[:], number[:] = np.float32(0), np.int32(0)
        for i in range(top, bottom):
            for k in range(n):
                _add_squares(values[k, i], codes[k, i], mean[i], squares[i - top], number[i - top])
        for left in range(0, width, SIDE):
            right, count = min(left + SIDE, width), 0
            # land's only where there is nothing else
            land = never[top:bottom, left:right].all()
            for i in range(top, bottom):
                for j in range(left, right):
                    if (land or not never[i, j]) and number[i - top, j] > 1:
                        few[count] = squares[i - top, j] / np.float32(number[i - top, j] - 1)
                        count += 1
            middle = np.float32(median_by_counts(few[:count])) if count > 0 else np.float32(0)
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
def _shares(restless, origin, share):  # type: ignore[no-untyped-def]
    """How restless the sky is in every pixel of a part: linear between the nodes."""
    height, width = share.shape
    for i in range(height):
        v = np.float32(origin[0] + i) / np.float32(GRID_STEP) + np.float32(1)
        top = min(int(v), restless.shape[0] - 2)
        down = v - np.float32(top)
        for j in range(width):
            u = np.float32(origin[1] + j) / np.float32(GRID_STEP) + np.float32(1)
            at = min(int(u), restless.shape[1] - 2)
            right = u - np.float32(at)
            upper = restless[top, at] + right * (restless[top, at + 1] - restless[top, at])
            lower = restless[top + 1, at] + right * (restless[top + 1, at + 1] - restless[top + 1, at])
            share[i, j] = upper + down * (lower - upper)


@njit(cache=True, nogil=True, error_model="numpy")
def _take_off(values, blocks, first, share, lines):  # type: ignore[no-untyped-def]
    """Take a block map off, linearly between the blocks' middles, times the restlessness there.

    `lines` (rows, width) is scratch: the rows of blocks, at every column of pixels.
    """
    rows, columns = blocks.shape
    for r in range(rows):
        for j in range(values.shape[1]):
            left, beside, across = _between(first[1] * SIDE + j, columns)
            lines[r, j] = blocks[r, left] + across * (blocks[r, beside] - blocks[r, left])
    for i in range(values.shape[0]):
        top, below, down = _between(first[0] * SIDE + i, rows)
        _take_row(values[i], lines[top], lines[below], down, share[i])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _between(pixel, count):  # type: ignore[no-untyped-def]
    """The blocks of a line before and behind a pixel, and how far it lies from the one's middle to the other's."""
    half = np.float32(0.5 * (SIDE - 1))
    at = min(max((np.float32(pixel) - half) / np.float32(SIDE), np.float32(0)), np.float32(count - 1))
    before = min(int(at), max(count - 2, 0))
    return before, min(before + 1, count - 1), at - np.float32(before)


@leaf
def _take_row(values, above, below, down, share):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(values))):
        values[j] -= share[j] * (above[j] + down * (below[j] - above[j]))
