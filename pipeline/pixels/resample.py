"""One resampling: positions from a coarse grid, Lanczos3 with a table of weights, and what it does to noise.

A position is a pixel of the result's grid seen in a source frame, pixel centres at whole numbers. Weights are
normalised to a sum of 1, so that a flat sky stays flat.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.curves import (
    MIDDLES,
    MOVED,
    NARROW,
    ROWS_ROOM,
    STEEP,
    TWICE,
    UNITS_ROOM,
    WIDE,
    cell_curves,
    rows_of_units,
)
from pipeline.pixels.lanczos import LANCZOS, OVERREAD, PHASES, REACH_AFTER, REACH_BEFORE, ROW
from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP, LAGRANGE, PixelMap, position_grid, positions
from pipeline.pixels.separable import NOISE_PHASES, stretch, stretch_scratch
from pipeline.pixels.vector import weighted_6x8, weighted_6x8_rgb

# Code of a pixel that the source frame does not cover.
NOT_COVERED = 255
STEP = np.float32(1 / GRID_STEP)


def interpolation_variance(response: NDArray[np.float32], places: NDArray[np.int64]) -> NDArray[np.float64]:
    """Variance of a demosaiced and resampled pixel for unit variance of each colour of the mosaic.

    A resampled value is a fixed sum over mosaic pixels, demosaicing and resampling taken together; its variance is the
    sum of the squared weights. It depends on where the value lies among the mosaic's pixels.

    Parameters
    ----------
    response : (colours, 2, 2, 5, 5) float32 array
        Weights of mosaic pixels in demosaiced ones, by CFA place.
    places : (2, 2) int64 array
        Which colour the mosaic has at each CFA place.

    Returns
    -------
    (colours, colours, 256) float64 array
        [c, d, code] is what unit variance of mosaic colour d gives to colour c; codes as `noise_code`, unused ones
        hold the mean of the others.
    """
    colours = response.shape[0]
    table = LANCZOS.reshape(PHASES + 1, ROW)[:, :6].astype(np.float64)
    weights = table[np.round(np.arange(NOISE_PHASES) * PHASES / NOISE_PHASES).astype(int)]
    separable = np.einsum("ya,xb->yxab", weights, weights)  # (phases, phases, 6, 6)
    result = np.zeros((colours, colours, 256))
    half = response.shape[-1] // 2
    size = 6 + 2 * half
    for i in range(2):
        for j in range(2):
            # the six taps begin REACH_BEFORE (an even number) before the pixel: they keep its place's parity
            site_colour = np.empty((size, size), int)
            for y in range(size):
                for x in range(size):
                    site_colour[y, x] = places[(i + y - half) % 2, (j + x - half) % 2]
            for c in range(colours):
                total = np.zeros((NOISE_PHASES, NOISE_PHASES, size, size))
                for a in range(6):
                    for b in range(6):
                        kernel = response[c, (i + a) % 2, (j + b) % 2].astype(np.float64)
                        total[:, :, a : a + 2 * half + 1, b : b + 2 * half + 1] += (
                            separable[:, :, a, b, None, None] * kernel
                        )
                first = (i * 2 + j) * NOISE_PHASES**2
                for d in range(colours):
                    squares = (total**2 * (site_colour == d)).sum(axis=(2, 3))
                    result[c, d, first : first + NOISE_PHASES**2] = squares.ravel()
    used = 4 * NOISE_PHASES**2
    result[:, :, used:] = result[:, :, :used].mean(axis=2, keepdims=True)
    return result


def block_variance(response: NDArray[np.float32], places: NDArray[np.int64], side: int) -> NDArray[np.float64]:
    """Variance of the mean over a block of demosaiced and resampled pixels, times its number of pixels.

    For unit variance of each colour of the mosaic, the mean over all places of the block among the pixels. Large blocks
    come to the number of mosaic pixels for one of the colour (4, 2, 4); smaller ones to less, as interpolation carries
    a part of the edge pixels' noise out of the block.

    Parameters
    ----------
    response, places : as for `interpolation_variance`
    side : int
        Of the block, px.

    Returns
    -------
    (colours, colours) float64 array
        [c, d] is what unit variance of mosaic colour d gives to colour c.
    """
    colours = response.shape[0]
    table = LANCZOS.reshape(PHASES + 1, ROW)[:, :6].astype(np.float64)
    weights = table[np.round(np.arange(NOISE_PHASES) * PHASES / NOISE_PHASES).astype(int)]
    # what each demosaiced pixel of a row adds to the block's sum, for every sub-pixel position
    line = np.zeros((NOISE_PHASES, side + 5))
    for first in range(side):
        line[:, first : first + 6] += weights
    patch = np.einsum("ya,xb->yxab", line, line)
    half, length = response.shape[-1] // 2, side + 5
    result = np.zeros((colours, colours))
    for i in range(2):
        for j in range(2):
            rows = (np.arange(length + 2 * half) + i - half) % 2
            columns = (np.arange(length + 2 * half) + j - half) % 2
            site = places[rows[:, None], columns[None, :]]
            for c in range(colours):
                total = np.zeros((NOISE_PHASES, NOISE_PHASES, length + 2 * half, length + 2 * half))
                for a in range(2):
                    for b in range(2):
                        kernel = response[c, (i + a) % 2, (j + b) % 2].astype(np.float64)
                        part = patch[:, :, a::2, b::2]
                        high, wide = part.shape[2:]
                        for dy in range(2 * half + 1):
                            for dx in range(2 * half + 1):
                                rows_at = slice(a + dy, a + dy + 2 * high, 2)
                                columns_at = slice(b + dx, b + dx + 2 * wide, 2)
                                total[:, :, rows_at, columns_at] += kernel[dy, dx] * part
                for d in range(colours):
                    result[c, d] += (total**2 * (site == d)).sum(axis=(2, 3)).mean() / (4 * side * side)
    return result


def resample(
    planes: NDArray[np.float32],
    mapping: PixelMap,
    shape: tuple[int, int] | None = None,
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Resample whole planes; the plain face of what `combine` does tile by tile.

    Parameters
    ----------
    planes : (colours, height, width) float32 array
    mapping : callable
        As for `position_grid`.
    shape : (height, width) of the result, optional
        That of the planes by default.

    Returns
    -------
    values : (colours, height, width) float32 array
        0 where the planes do not reach. Beyond the planes' edges their reflection is taken.
    codes : (height, width) uint8 array
        Which step of sub-pixel position each value comes from (`noise_code`); `NOT_COVERED` where none.
    """
    colours, height, width = planes.shape
    shape = shape or (height, width)
    grid = position_grid(mapping, shape)
    padded = np.pad(planes, ((0, 0), (REACH_BEFORE, REACH_AFTER), (REACH_BEFORE, REACH_AFTER)), mode="reflect")
    source = np.concatenate([padded.ravel(), np.zeros(OVERREAD, np.float32)])
    values = np.empty((colours, *shape), np.float32)
    codes = np.empty(shape, np.uint8)
    for colour in range(colours):
        resample_plane(
            source, padded.shape[1:], (-REACH_BEFORE, -REACH_BEFORE), (height, width), grid.shift, LAGRANGE, LANCZOS,
            (0, 0), colour, 1, np.float32(1), np.ones(grid.shift.shape[:2], np.float32),
            np.zeros((colours, *grid.shift.shape[:2]), np.float32), values, codes, True,
        )  # fmt: skip
    return values, codes


@njit(cache=True, nogil=True, error_model="numpy")
def resample_plane(  # type: ignore[no-untyped-def]
    source,
    source_shape,
    source_origin,
    frame_shape,
    shift,
    lagrange,
    table,
    origin,
    colour,
    count,
    scale,
    area,
    offset,
    values,
    codes,
    places,
):
    """Resample `count` planes from number `colour` on into `values`, all at the same positions.

    Parameters
    ----------
    source : 1-D float32 array
        Planes of `source_shape`, one behind the other, and `OVERREAD` floats more; all finite.
    source_origin : (row, column) of the planes' first pixel in the frame
    frame_shape : (height, width) of the frame: a position outside its pixels is not covered
    shift, lagrange : the position grid and its interpolation weights
    table : weights of `lanczos_table`
    origin : (row, column) of the first pixel of `values` in the result
    scale : float32
    area : (rows, columns) float32 array
        As `area.pixel_area`, at the nodes of the position grid; between them linear, as the offset.
    offset : (colours, rows, columns) float32 array
    values : (colours, height, width) float32 array, filled: scale times area times the resampled value, plus the
        offset; 0 where not covered
    codes : (height, width) uint8 array, filled (`noise_code`)
    places : bool
        Where False, only what is not covered is told for certain in `codes`.

    Returns
    -------
    bool
        Every pixel is covered.
    """
    width = codes.shape[1]
    xs, ys, own = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    across, down, first = np.empty(width, np.int32), np.empty(width, np.int32), np.empty(width, np.int32)
    grid_row, nodes = np.zeros((2, shift.shape[1]), np.float32), np.empty(8 * GRID_STEP, np.float32)
    rows, units = np.empty(ROWS_ROOM, np.float32), np.empty(UNITS_ROOM, np.float32)
    kinds, levels = np.empty(GRID_STEP, np.int32), np.empty((2 + 2 * count) * GRID_STEP, np.float32)
    work, whole = stretch_scratch(count)
    frame_low, frame_high = np.zeros(2, np.float32), np.array([frame_shape[0] - 1, frame_shape[1] - 1], np.float32)
    low = np.array([max(0, source_origin[0] + REACH_BEFORE), max(0, source_origin[1] + REACH_BEFORE)], np.float32)
    high = np.array(
        [
            min(frame_shape[0] - 1, source_origin[0] + source_shape[0] - 1 - REACH_AFTER),
            min(frame_shape[1] - 1, source_origin[1] + source_shape[1] - 1 - REACH_AFTER),
        ],
        np.float32,
    )
    return _resample_cells(
        source, source_shape, source_origin, low, high, frame_low, frame_high, shift, lagrange, MIDDLES, table, origin,
        colour, count, scale, area, offset, values, codes, places, grid_row, nodes, rows, units, kinds, levels,
        work, whole, xs, ys, own, across, down, first,
    )  # fmt: skip


@leaf
def _resample_cells(  # type: ignore[no-untyped-def]
    source, source_shape, source_origin, low, high, frame_low, frame_high, shift, lagrange, middles, table, origin,
    colour, count, scale, area, offset, values, codes, places, grid_row, nodes, rows, units, kinds, levels, work, whole,
    xs, ys, own, across, down, first,
):  # fmt: skip
    """`resample_plane` with its scratch: cell by cell of the position grid, and in a cell unit by unit."""
    covered, (height, width), (top, left) = True, codes.shape, origin
    plane, stride = source_shape[0] * source_shape[1], source_shape[1]
    for row in range(top // GRID_STEP, (top + height - 1) // GRID_STEP + 1):
        for column in range(left // GRID_STEP, (left + width - 1) // GRID_STEP + 1):
            tall = rows_of_units(shift, row, column)
            moved_x, moved_y = cell_curves(
                shift, lagrange, middles, row, column, tall, frame_low, frame_high, nodes, rows, units, kinds
            )
            _levels(area, row, column, scale, 0, levels)
            for c in range(count):
                _levels(offset[colour + c], row, column, np.float32(1), 2 + 2 * c, levels)
            begin, end = max(column * GRID_STEP - left, 0), min((column + 1) * GRID_STEP - left, width)
            # counted from the cell's first pixel, so that a tile's own edge cannot change the last bit
            into, size = left + begin - column * GRID_STEP, end - begin
            # the next cell's pixels come later
            free = end + WIDE <= width
            x, next_y = column * GRID_STEP + moved_x, max(row * GRID_STEP, top)
            while next_y < min((row + 1) * GRID_STEP, top + height):
                y, in_cell = next_y, next_y - row * GRID_STEP
                unit = in_cell // tall
                next_y = min(row * GRID_STEP + (unit + 1) * tall, top + height)
                i, some = y - top, next_y - y
                kind, done = kinds[unit], False
                to, told = (colour * height + i) * width + begin, i * width + begin if places else -1
                if kind == TWICE:
                    done = stretch(
                        source, colour * plane, plane, stride, source_shape[0], count, rows, units, unit, in_cell, some,
                        into, size, x, y + moved_y, source_origin, work, whole, levels, values, to, width,
                        height * width, free, codes, told, WIDE,
                    )  # fmt: skip
                elif kind == STEEP:
                    done = stretch(
                        source, colour * plane, plane, stride, source_shape[0], count, rows, units, unit, in_cell, some,
                        into, size, x, y + moved_y, source_origin, work, whole, levels, values, to, width,
                        height * width, free, codes, told, NARROW,
                    )  # fmt: skip
                if done and not places:
                    codes[i : i + some, begin:end] = np.uint8(0)
                for r in range(0 if done else some):
                    seen, out = codes[i + r, begin:end], values[:, i + r, begin:end]
                    if kind == MOVED:
                        at_x, at_y = left + begin + np.int64(shift[row, column, 0]), np.int64(shift[row, column, 1])
                        _move(
                            source, source_origin, plane, stride, at_x, y + r + at_y, in_cell + r, into, colour, count,
                            levels, out, seen,
                        )  # fmt: skip
                        continue
                    positions(shift, lagrange, y + r, left + begin, xs[:size], ys[:size], grid_row)
                    _addresses(
                        xs[:size], ys[:size], low, high, source_origin, stride, seen, across[:size], down[:size],
                        first[:size],
                    )  # fmt: skip
                    covered &= _gains(seen, in_cell + r, into, levels, own[:size])
                    _direct(
                        source, first[:size], np.uint64(stride), np.uint64(plane), table, across[:size], down[:size],
                        own[:size], colour, count, out,
                    )  # fmt: skip
                    for c in range(count):
                        _add(seen, in_cell + r, into, 2 + 2 * c, levels, out[colour + c])
    return covered


@leaf
def _levels(nodes, row, column, scale, kind, out):  # type: ignore[no-untyped-def]
    """A map of nodes in a cell, times a number: what it is at the first pixel of each row, and how it grows along it.

    `out` is filled from `kind` on, `GRID_STEP` numbers of a kind one behind the other.
    """
    a, b = scale * nodes[row + 1, column + 1], scale * nodes[row + 2, column + 1]
    c, d = scale * nodes[row + 1, column + 2], scale * nodes[row + 2, column + 2]
    at, grows = np.uint64(kind * GRID_STEP), np.uint64((kind + 1) * GRID_STEP)
    for y in range(np.uint64(GRID_STEP)):
        t = np.float32(np.int32(y)) * STEP
        near, far = a + t * (b - a), c + t * (d - c)
        out[at + y], out[grows + y] = near, (far - near) * STEP


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _level_at(levels, kind, row, p):  # type: ignore[no-untyped-def]
    """One of `_levels` at a pixel of a cell's row."""
    return levels[kind * GRID_STEP + row] + levels[(kind + 1) * GRID_STEP + row] * p


@leaf
def _move(  # type: ignore[no-untyped-def]
    source, source_origin, plane, stride, column, row, in_cell, into, colour, count, levels, values, codes
):  # fmt: skip
    """A part of a row of pixels as they are from (row, column) of the frame on, times their gain, and what is added."""
    at = (row - source_origin[0]) * stride + column - source_origin[1]
    for c in range(count):
        begin, out = np.uint64((colour + c) * plane + at), values[colour + c]
        for k in range(np.uint64(len(codes))):
            p = np.float32(np.int32(np.int32(k) + np.int32(into)))
            own = _level_at(levels, 0, in_cell, p) * source[begin + k]
            out[k] = own + _level_at(levels, 2 + 2 * c, in_cell, p)
    for k in range(len(codes)):
        # weights of 0 and 1 would give the same to the last bit
        codes[k] = noise_code(column + k, row, np.float32(0), np.float32(0))


@leaf
def _gains(codes, in_cell, into, levels, gains):  # type: ignore[no-untyped-def]
    """What a part of a row is multiplied by, 0 where it is not covered; whether all of it is covered."""
    covered = True
    for k in range(len(codes)):
        # what is not covered has the address of a pixel that is there
        inside = codes[k] != NOT_COVERED
        covered &= inside
        gains[k] = _level_at(levels, 0, in_cell, np.float32(np.int32(into + k))) if inside else np.float32(0)
    return covered


@leaf
def _add(codes, in_cell, into, kind, levels, values):  # type: ignore[no-untyped-def]
    """Add what is to be added to a part of a row."""
    for k in range(len(codes)):
        more = _level_at(levels, kind, in_cell, np.float32(np.int32(into + k)))
        values[k] += more if codes[k] != NOT_COVERED else np.float32(0)


@leaf
def _direct(source, first, stride, plane, table, across, down, gains, colour, count, values):  # type: ignore[no-untyped-def]
    """Sums over 6 x 6 pixels at any position, times the gains."""
    if count == 3:
        _three(source, first, stride, plane, table, across, down, gains, values[0], values[1], values[2])
    else:
        for c in range(colour, colour + count):
            _one(source, np.uint64(c) * plane, first, stride, table, across, down, gains, values[c])


@leaf
def _one(source, begin, first, stride, table, across, down, gains, values):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(gains))):
        at, wx, wy = begin + np.uint64(first[j]), np.uint64(across[j]), np.uint64(down[j])
        values[j] = gains[j] * weighted_6x8(source, at, stride, table, wx, wy)  # type: ignore[call-arg]


@leaf
def _three(source, first, stride, plane, table, across, down, gains, red, green, blue):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(gains))):
        own, at, wx, wy = gains[j], np.uint64(first[j]), np.uint64(across[j]), np.uint64(down[j])
        sums = weighted_6x8_rgb(source, at, stride, plane, table, wx, wy)  # type: ignore[call-arg, var-annotated]
        red[j], green[j], blue[j] = own * sums[0], own * sums[1], own * sums[2]


@leaf
def _addresses(xs, ys, low, high, source_origin, stride, codes, across, down, first):  # type: ignore[no-untyped-def]
    """For a row of positions: noise code, where the weights stand in the table, index of the first of 6 x 6 pixels."""
    low_y, low_x, high_y, high_x = low[0], low[1], high[0], high[1]
    # what lies on the outermost pixel, if beyond its centre, counts as on that: else colours that a lens draws apart,
    # or a creep, leave a land's picture a black rim
    slack = np.float32(0.5)
    top, left = np.int32(source_origin[0] + REACH_BEFORE), np.int32(source_origin[1] + REACH_BEFORE)
    width = np.int32(stride)
    phases, half = np.float32(PHASES), np.float32(0.5)
    for j in range(np.uint64(len(xs))):
        x, y = xs[j], ys[j]
        # written so that a position that is not a number is not covered either
        inside = (y >= low_y - slack) & (y <= high_y + slack) & (x >= low_x - slack) & (x <= high_x + slack)
        x = min(max(x, low_x), high_x) if inside else low_x
        y = min(max(y, low_y), high_y) if inside else low_y
        ix, iy = np.int32(x), np.int32(y)
        fx, fy = x - np.float32(ix), y - np.float32(iy)
        codes[j] = noise_code(ix, iy, fx, fy) if inside else np.uint8(NOT_COVERED)
        across[j] = np.int32(fx * phases + half) * np.int32(ROW)
        down[j] = np.int32(fy * phases + half) * np.int32(ROW)
        first[j] = (iy - top) * width + (ix - left)


@leaf
def row_of_nodes(nodes, y, scale, out):  # type: ignore[no-untyped-def]
    """A map of nodes, times a number, at row y of the result, for every column of nodes; between them it is linear."""
    row = y // GRID_STEP + 1
    t = np.float32(y - (row - 1) * GRID_STEP) * STEP
    for k in range(np.uint64(len(out))):
        out[k] = scale * (nodes[row, k] + t * (nodes[row + 1, k] - nodes[row, k]))


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def noise_code(ix, iy, fx, fy):  # type: ignore[no-untyped-def]
    """Number of the noise step: which of the four CFA places, and which of 7 x 7 sub-pixel positions."""
    steps, half = np.float32(NOISE_PHASES), np.float32(0.5)
    # rounding up to the next pixel changes the place's parity
    qx, qy = np.int32(fx * steps + half), np.int32(fy * steps + half)
    over_x, over_y = np.int32(qx == NOISE_PHASES), np.int32(qy == NOISE_PHASES)
    qx, qy = qx * (np.int32(1) - over_x), qy * (np.int32(1) - over_y)
    place = ((iy + over_y) & np.int32(1)) * np.int32(2) + ((ix + over_x) & np.int32(1))
    return np.uint8((place * np.int32(NOISE_PHASES) + qy) * np.int32(NOISE_PHASES) + qx)
