"""One resampling: positions from a coarse grid, Lanczos3 with a table of weights, and what it does to noise.

A position is a pixel of the result's grid seen in a source frame, pixel centres at whole numbers. Weights are
normalised to a sum of 1, so that a flat sky stays flat.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.vector import weighted_6x8, weighted_6x8_rgb

# Pixels of the source that a resampled pixel reaches to each side of the pixel it lies in.
REACH_BEFORE, REACH_AFTER = 2, 3
# Floats that must lie readable behind the last source pixel: the vector code reads 8 columns where 6 have weight.
OVERREAD = 8

# Steps of the weight table in one pixel: positions are rounded to 1/1024 px at most, 0.0003 px rms.
PHASES = 512
_ROW = 8  # floats a phase takes in the table

# Spacing of the grid of positions, px. Four-point Lagrange interpolation across it errs by 3/128 h^4 d4x/dx4, which
# for a 14 mm lens with 8 % distortion is below 1e-4 px.
GRID_STEP = 64

# Steps of the sub-pixel position that noise is told apart by; variances differ by less than 3 % between steps.
NOISE_PHASES = 7
# Code of a pixel that the source frame does not cover.
NOT_COVERED = 255


# Takes x and y of some pixels, returns x and y of where they lie elsewhere.
PixelMap = Callable[[NDArray[np.float64], NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]]]


def lanczos3(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The Lanczos kernel of three lobes, ``sinc(x) sinc(x / 3)`` for |x| < 3, not normalised."""
    x = np.asarray(x, np.float64)
    return np.where(np.abs(x) < 3, np.sinc(x) * np.sinc(x / 3), 0.0)


def lanczos_table(phases: int = PHASES) -> NDArray[np.float32]:
    """Normalised weights of the six pixels -2 .. 3 about a position 0 .. 1 px right of pixel 0, in steps of 1/phases.

    Returns
    -------
    ((phases + 1) * 8,) float32 array: for each step six weights and two zeros
    """
    offsets = np.arange(-REACH_BEFORE, REACH_AFTER + 1) - np.arange(phases + 1)[:, None] / phases
    weights = lanczos3(offsets)
    table = np.zeros((phases + 1, _ROW), np.float32)
    table[:, :6] = weights / weights.sum(axis=1, keepdims=True)
    table[0, :6] = (0, 0, 1, 0, 0, 0)
    table[phases, :6] = (0, 0, 0, 1, 0, 0)
    return table.ravel()


def lagrange_table(step: int = GRID_STEP) -> NDArray[np.float32]:
    """Weights of grid nodes -1, 0, 1, 2 at places 0 .. step - 1 of the cell from node 0 to node 1.

    Returns
    -------
    (4, step) float32 array
    """
    t = np.arange(step) / step
    return np.stack(
        [
            -t * (t - 1) * (t - 2) / 6,
            (t + 1) * (t - 1) * (t - 2) / 2,
            -(t + 1) * t * (t - 2) / 2,
            (t + 1) * t * (t - 1) / 6,
        ],
    ).astype(np.float32)


@dataclass(frozen=True)
class PositionGrid:
    """Where the pixels of the result lie in one source frame.

    `shift` is a (rows, columns, 2) float32 array: what is to be added to x and y of grid node (i, j), which lies at
    pixel ((j - 1) * 64, (i - 1) * 64) of the result; one node beyond the result on the near side, two or more on the
    far.
    """

    shift: NDArray[np.float32]

    def region(self, top: int, bottom: int, left: int, right: int) -> tuple[float, float, float, float] | None:
        """Bounds (y0, y1, x0, x1) in the source frame of rows top..bottom-1 and columns left..right-1 of the result.

        Accurate to the bend of the map within 16 px; None where the map is not defined.
        """
        bounds = _bounds(self.shift, LAGRANGE, top, bottom, left, right)
        return None if not np.isfinite(bounds).all() else tuple(bounds.tolist())


def grid_nodes(shape: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """x of the node columns and y of the node rows for a result of (height, width)."""
    ys = (np.arange((shape[0] - 1) // GRID_STEP + 4, dtype=np.float64) - 1) * GRID_STEP
    xs = (np.arange((shape[1] - 1) // GRID_STEP + 4, dtype=np.float64) - 1) * GRID_STEP
    return xs, ys


def position_grid(
    mapping: PixelMap,
    shape: tuple[int, int],
) -> PositionGrid:
    """Evaluate a map on the nodes of a grid.

    Parameters
    ----------
    mapping : callable
        Takes x and y of the result (float64 arrays of one shape), returns x and y in the source frame.
    shape : (height, width) of the result
    """
    xs, ys = grid_nodes(shape)
    x, y = np.meshgrid(xs, ys)
    mapped_x, mapped_y = mapping(x.ravel(), y.ravel())
    shift = np.stack([np.reshape(mapped_x, x.shape) - x, np.reshape(mapped_y, y.shape) - y], axis=-1)
    return PositionGrid(np.ascontiguousarray(shift, np.float32))


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
    table = LANCZOS.reshape(PHASES + 1, _ROW)[:, :6].astype(np.float64)
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
    table = LANCZOS.reshape(PHASES + 1, _ROW)[:, :6].astype(np.float64)
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
            (0, 0), colour, 1, np.float32(1), np.zeros((colours, *grid.shift.shape[:2]), np.float32), values, codes,
        )  # fmt: skip
    return values, codes


@njit(cache=True, nogil=True, error_model="numpy")
def _positions(shift, lagrange, y, left, xs, ys, nodes):  # type: ignore[no-untyped-def]
    """Positions of the pixels left .. left + len(xs) - 1 of row y; `nodes` is scratch of 2 x grid columns."""
    width = len(xs)
    row = (y + GRID_STEP) // GRID_STEP - 1  # y may be a little above the first row
    down = y - row * GRID_STEP
    first = (left + GRID_STEP) // GRID_STEP - 1
    last = (left + width - 1) // GRID_STEP + 4
    for j in range(first, last):
        for axis in range(2):
            nodes[axis, j] = (
                lagrange[0, down] * shift[row, j, axis]
                + lagrange[1, down] * shift[row + 1, j, axis]
                + lagrange[2, down] * shift[row + 2, j, axis]
                + lagrange[3, down] * shift[row + 3, j, axis]
            )
    for k in range(first, last - 3):
        begin, end = max(k * GRID_STEP, left), min((k + 1) * GRID_STEP, left + width)
        into, at, size = np.uint64(begin - k * GRID_STEP), np.uint64(begin - left), np.uint64(end - begin)
        _cell_positions(lagrange, into, nodes[0, k : k + 4], np.float32(begin), np.float32(1), xs, at, size)
        _cell_positions(lagrange, into, nodes[1, k : k + 4], np.float32(y), np.float32(0), ys, at, size)


@njit(cache=True, nogil=True, error_model="numpy")
def _cell_positions(lagrange, into, nodes, base, step, out, at, size):  # type: ignore[no-untyped-def]
    a, b, c, d = nodes[0], nodes[1], nodes[2], nodes[3]
    one, two, three, four = lagrange[0], lagrange[1], lagrange[2], lagrange[3]
    for x in range(size):
        k = into + x
        shift = one[k] * a + two[k] * b + three[k] * c + four[k] * d
        out[at + x] = base + shift + step * np.float32(np.int32(x))


@njit(cache=True, nogil=True, error_model="numpy")
def _bounds(shift, lagrange, top, bottom, left, right):  # type: ignore[no-untyped-def]
    xs, ys = np.empty(right - left, np.float32), np.empty(right - left, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    result = np.array([np.inf, -np.inf, np.inf, -np.inf])
    rows = np.append(np.arange(top, bottom - 1, 16), bottom - 1)
    for row in rows:
        _positions(shift, lagrange, row, left, xs, ys, nodes)
        if not (np.isfinite(xs.sum()) and np.isfinite(ys.sum())):
            return np.full(4, np.nan)
        result[0], result[1] = min(result[0], ys.min()), max(result[1], ys.max())
        result[2], result[3] = min(result[2], xs.min()), max(result[3], xs.max())
    return result


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
    offset,
    values,
    codes,
):
    """Resample `count` planes from number `colour` on into `values`, all at the same positions.

    Parameters
    ----------
    source : 1-D float32 array
        Planes of `source_shape`, one behind the other, and `OVERREAD` floats more; all finite.
    source_origin : (row, column) of the planes' first pixel in the frame
    frame_shape : (height, width) of the frame: a position outside it is not covered
    shift, lagrange : the position grid and its interpolation weights
    table : weights of `lanczos_table`
    origin : (row, column) of the first pixel of `values` in the result
    scale : float32
    offset : (colours, rows, columns) float32 array
        At the nodes of the position grid; between them linear.
    values : (colours, height, width) float32 array, filled: scale times the resampled value plus the offset; 0 where
        not covered
    codes : (height, width) uint8 array, filled (`noise_code`)
    """
    height, width = codes.shape
    plane = np.uint64(source_shape[0] * source_shape[1])
    stride = np.uint64(source_shape[1])
    xs, ys = np.empty(width, np.float32), np.empty(width, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    across, down, first = np.empty(width, np.int32), np.empty(width, np.int32), np.empty(width, np.int32)
    low = np.array([max(0, source_origin[0] + REACH_BEFORE), max(0, source_origin[1] + REACH_BEFORE)], np.float32)
    high = np.array(
        [
            min(frame_shape[0] - 1, source_origin[0] + source_shape[0] - 1 - REACH_AFTER),
            min(frame_shape[1] - 1, source_origin[1] + source_shape[1] - 1 - REACH_AFTER),
        ],
        np.float32,
    )
    for i in range(height):
        _positions(shift, lagrange, origin[0] + i, origin[1], xs, ys, nodes)
        _addresses(xs, ys, low, high, source_origin, source_shape[1], codes[i], across, down, first)
        if count == 3:
            _three(
                source, first, stride, plane, table, across, down, scale, codes[i],
                values[0, i], values[1, i], values[2, i],
            )  # fmt: skip
        else:
            for c in range(colour, colour + count):
                begin = np.uint64(c) * plane
                _one(source, begin, first, stride, table, across, down, scale, codes[i], values[c, i])
        for c in range(colour, colour + count):
            _add_offset(offset[c], origin[0] + i, origin[1], codes[i], values[c, i])


@njit(cache=True, nogil=True, error_model="numpy")
def _one(source, begin, first, stride, table, across, down, scale, codes, values):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(codes))):
        # what is not covered has the address of a pixel that is there, and weight 0
        own = scale if codes[j] != NOT_COVERED else np.float32(0)
        at, wx, wy = begin + np.uint64(first[j]), np.uint64(across[j]), np.uint64(down[j])
        values[j] = own * weighted_6x8(source, at, stride, table, wx, wy)  # type: ignore[call-arg, operator]


@njit(cache=True, nogil=True, error_model="numpy")
def _three(source, first, stride, plane, table, across, down, scale, codes, red, green, blue):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(codes))):
        own = scale if codes[j] != NOT_COVERED else np.float32(0)
        at, wx, wy = np.uint64(first[j]), np.uint64(across[j]), np.uint64(down[j])
        sums = weighted_6x8_rgb(source, at, stride, plane, table, wx, wy)  # type: ignore[call-arg, var-annotated]
        red[j], green[j], blue[j] = own * sums[0], own * sums[1], own * sums[2]


@njit(cache=True, nogil=True, error_model="numpy")
def _addresses(xs, ys, low, high, source_origin, stride, codes, across, down, first):  # type: ignore[no-untyped-def]
    """For a row of positions: noise code, where the weights stand in the table, index of the first of 6 x 6 pixels."""
    low_y, low_x, high_y, high_x = low[0], low[1], high[0], high[1]
    # half a step of the table beyond the outermost pixel centre counts as on it
    slack = np.float32(0.5 / PHASES)
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
        across[j] = np.int32(fx * phases + half) * np.int32(_ROW)
        down[j] = np.int32(fy * phases + half) * np.int32(_ROW)
        first[j] = (iy - top) * width + (ix - left)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_offset(nodes, y, left, codes, values):  # type: ignore[no-untyped-def]
    """Add a node map to one row, linearly between nodes, where the row is covered."""
    row = y // GRID_STEP + 1
    t = np.float32(y - (row - 1) * GRID_STEP) / np.float32(GRID_STEP)
    begin, width = 0, len(values)
    while begin < width:
        column = (left + begin) // GRID_STEP + 1
        end = min(width, column * GRID_STEP - left)
        first = nodes[row, column] + t * (nodes[row + 1, column] - nodes[row, column])
        last = nodes[row, column + 1] + t * (nodes[row + 1, column + 1] - nodes[row, column + 1])
        slope = (last - first) / np.float32(GRID_STEP)
        # counted from the node, so that a tile's own edge cannot change the last bit
        into = left - (column - 1) * GRID_STEP + begin
        at = np.uint64(begin)
        for x in range(np.uint64(end - begin)):
            added = first + slope * np.float32(np.int32(x) + np.int32(into))
            values[at + x] += added if codes[at + x] != NOT_COVERED else np.float32(0)
        begin = end


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


LANCZOS = lanczos_table()
LAGRANGE = lagrange_table()

__all__ = [
    "GRID_STEP",
    "LAGRANGE",
    "LANCZOS",
    "NOISE_PHASES",
    "NOT_COVERED",
    "OVERREAD",
    "REACH_AFTER",
    "REACH_BEFORE",
    "PixelMap",
    "PositionGrid",
    "block_variance",
    "grid_nodes",
    "interpolation_variance",
    "lagrange_table",
    "lanczos3",
    "lanczos_table",
    "noise_code",
    "position_grid",
    "resample",
    "resample_plane",
]
