"""Rejection with known noise, growth of rejections along trails, and the weighted mean.

All kernels work on one tile with all its frames: `values` (n, colours, height, width) float32, matched in sky and
scale; `codes` (n, height, width) uint8, where each value comes from (`resample.noise_code`), `NOT_COVERED` where the
frame has none; `mask` (n, height, width) uint8, bit c set where colour c was rejected, `GROWN` where a trail
was grown, `MILD` where green was rejected by little.

The noise of a value is known, not taken from the values compared: read and photon noise of its frame at its level,
times what interpolation does at its place, plus a part proportional to the brightest star pixel nearby (`star_scatter`:
extinction and seeing change star cores from frame to frame by more than noise). With known noise the mean of all
values is itself a sound centre to begin from: the value that fits worst leaves first, one by one, and the mean follows.
That keeps 97 % of the light or more, where a median would lose a third, and one wild value of three cannot hide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED

GROWN = 8  # bit of the mask: rejected for all colours because it lies on a trail
MILD = 16  # bit of the mask: rejected in green, but not by more than `MILD_SIGMA`: mostly by chance
MILD_SIGMA = 5.0

# Frames whose median tells where stars are and how bright: robust against one or two trails, cheap.
MEDIAN_FRAMES = 5
# Ringing of the interpolation about a bright star, which changes with its place among the pixels: up to a fifth of what
# the peak itself varies (seen on real stars of FWHM 2.3), to five pixels: two of the demosaic, three of Lanczos.
RING_PX = 5
RING_SHARE = np.float32(0.2)
# Two values that differ by more than this many standard deviations of their difference: the brighter one goes. There is
# no third to judge by; trails, cosmic hits and hot pixels are always bright.
PAIR_SIGMA = 5.0
# From this many values on, those nearly as bad as the worst (0.9 of its deviation) leave with it.
ONE_BY_ONE = 32
_NEARLY = 0.81

# A trail is told by rejections that lie close together: at least 9 of the 49 pixels about one. By chance 0.8 % of the
# pixels are rejected in one colour or another, in clumps of up to four where interpolation ties neighbours together.
CLUSTER_SIDE = 7
CLUSTER_MIN = 9
# How far a trail's rejections are grown, px: from where the profile falls below three standard deviations of a frame
# to where nothing of it is left.
GROW_PX = 3
# Pixels about a tile that growth needs to be the same whatever the tiles are.
GROW_MARGIN = CLUSTER_SIDE // 2 + GROW_PX + RING_PX


@dataclass(frozen=True)
class NoiseModel:
    """What is known of every frame's noise, in the result's scale.

    Variance of a mosaic pixel of frame n and colour c where the matched picture has `level`:
    ``floor[n, c] + slope[n] * (level - offset[n, c])``, `offset` being what matching added to the frame at that place.

    Attributes
    ----------
    floor : (n, colours) float32 array, ADU^2
    slope : (n,) float32 array, ADU
    factor : (colours, 256) float32 array
        What interpolation makes of it, by code.
    block : (colours,) float32 array
        The same for means over large blocks: pixels of the mosaic for one of its colour's.
    star_scatter : (colours,) float32 array
        Standard deviation of star cores between frames over their peak. Red and blue, a pixel in four, catch a sharp
        star's core or miss it: theirs is several times green's.
    """

    floor: NDArray[np.float32]
    slope: NDArray[np.float32]
    factor: NDArray[np.float32]
    block: NDArray[np.float32]
    star_scatter: NDArray[np.float32]


@njit(cache=True, nogil=True, error_model="numpy")
def star_signal(values, codes, chosen, sky, origin, signal, peak):  # type: ignore[no-untyped-def]
    """What lies above the smooth sky, and how bright a star is nearby.

    Parameters
    ----------
    chosen : (m,) int64 array, m at most `MEDIAN_FRAMES`
        Frames whose (lower) median is taken; of two values it is the lower one.
    sky : (colours, rows, columns) float32 array
        The result's smooth sky at the nodes of the position grid.
    origin : (row, column) of the tile's first pixel in the result
    signal : (colours, height, width) float32 array, filled; not below 0
    peak : (colours, height, width) float32 array, filled
        The largest signal within one pixel, or `RING_SHARE` of the largest within `RING_PX`.
    """
    colours, height, width = signal.shape
    edges, columns = row_cells(origin[1], width)
    sorted_rows, count = np.empty((MEDIAN_FRAMES, width), np.float32), np.empty(width, np.int64)
    near, far = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    for c in range(colours):
        for i in range(height):
            row = (origin[0] + i + GRID_STEP) // GRID_STEP
            sorted_rows[:] = np.float32(np.inf)
            count[:] = 0
            for k in range(len(chosen)):
                # one more value into each pixel's sorted few, smallest first
                _insert(sorted_rows, values[chosen[k], c, i], codes[chosen[k], i], k, count)
            for cell in range(len(columns)):
                level = _cell(sky[c], row, columns[cell])
                for j in range(edges[cell], edges[cell + 1]):
                    middle = np.float32(0)
                    if count[j] > 0:
                        middle = max(sorted_rows[(count[j] - 1) // 2, j] - level, np.float32(0))
                    signal[c, i, j] = middle
            _widen(signal[c, i], 1, near[i])
            _widen(signal[c, i], RING_PX, far[i])
        for i in range(height):
            for j in range(width):
                peak[c, i, j] = np.float32(0)
            for y in range(max(i - RING_PX, 0), min(i + RING_PX + 1, height)):
                close = abs(y - i) <= 1
                for j in range(width):
                    wide = RING_SHARE * far[y, j]
                    peak[c, i, j] = max(peak[c, i, j], max(wide, near[y, j]) if close else wide)


@njit(cache=True, nogil=True, error_model="numpy")
def _insert(rows, values, codes, filled, count):  # type: ignore[no-untyped-def]
    for j in range(len(values)):
        covered = codes[j] != NOT_COVERED
        value = values[j] if covered else np.float32(np.inf)
        count[j] += covered
        for k in range(filled + 1):
            low, value = min(rows[k, j], value), max(rows[k, j], value)
            rows[k, j] = low


@njit(cache=True, nogil=True, error_model="numpy")
def _widen(values, reach, out):  # type: ignore[no-untyped-def]
    """The largest value within `reach` pixels along a row."""
    width = len(values)
    out[:] = values
    for step in range(1, reach + 1):
        for j in range(width - step):
            out[j] = max(out[j], values[j + step])
        for j in range(step, width):
            out[j] = max(out[j], values[j - step])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _cell(nodes, row, column):  # type: ignore[no-untyped-def]
    """A node map in the middle of the cell that begins with node (row, column)."""
    return np.float32(0.25) * (
        nodes[row, column] + nodes[row, column + 1] + nodes[row + 1, column] + nodes[row + 1, column + 1]
    )


@njit(cache=True, nogil=True, error_model="numpy")
def reject(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factor, offsets, members, sky, signal, peak, scatter, sigma, origin, mask
):
    """Mark values that the noise cannot explain.

    Parameters
    ----------
    weights : (n,) float32 array
    floor, slope, factor : as in `NoiseModel`, of this tile's frames
    offsets : (frames, colours, rows, columns) float32 array
        What matching added, at the nodes of the grid; frame k of the tile is number ``members[k]`` in it.
    sky, signal, peak, origin : as in `star_signal`
    scatter : (colours,) float32 array
        `NoiseModel.star_scatter`.
    sigma : float
        Limit in standard deviations.
    mask : (n, height, width) uint8 array, bits set, `MILD` among them
    """
    n, colours, height, width = values.shape
    limit = np.float32(sigma * sigma)
    total, weight = np.empty(width, np.float32), np.empty(width, np.float32)
    cores, worst = np.empty(width, np.float32), np.empty(width, np.float32)
    own, variance, keep = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.bool_)
    edges, columns = row_cells(origin[1], width)
    bases, known = np.empty((colours, n, len(columns)), np.float32), -1
    # a value that is not covered has no weight and no limit
    factors = factor.copy()
    factors[:, NOT_COVERED] = np.float32(1e30)
    for i in range(height):
        row = (origin[0] + i + GRID_STEP) // GRID_STEP
        if row != known:
            fill_bases(floor, slope, offsets, members, sky, row, columns, bases)
            known = row
        for c in range(colours):
            total[:] = np.float32(0)
            weight[:] = np.float32(0)
            for k in range(n):
                _add(values[k, c, i], codes[k, i], weights[k], total, weight)
            for j in range(np.uint64(width)):
                inverse = np.float32(1) / max(weight[j], np.float32(1e-30))
                total[j] *= inverse
                weight[j] = inverse
                core = scatter[c] * peak[c, i, j]
                cores[j] = core * core
                worst[j] = np.float32(0)
            for k in range(n):
                _test(
                    values[k, c, i], codes[k, i], factors[c], bases[c, k], edges, slope[k], signal[c, i], cores, total,
                    weight, weights[k], limit, worst,
                )  # fmt: skip
            for cell in range(len(columns)):
                for j in range(edges[cell], edges[cell + 1]):
                    if worst[j] > 0:
                        for k in range(n):
                            code = codes[k, i, j]
                            keep[k] = code != NOT_COVERED
                            own[k] = values[k, c, i, j]
                            variance[k] = (bases[c, k, cell] + slope[k] * signal[c, i, j]) * factors[c, code] + cores[j]
                        _one_by_one(own, variance, weights, keep, limit)
                        _mark(own, variance, weights, keep, codes[:, i, j], mask[:, i, j], c, c == colours // 2)


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(own, variance, weights, keep, codes, mask, c, green):  # type: ignore[no-untyped-def]
    """Set the bits of one pixel's rejected values."""
    kept, kept_weight = 0.0, 0.0
    for k in range(len(own)):
        if keep[k]:
            kept += weights[k] * own[k]
            kept_weight += weights[k]
    for k in range(len(own)):
        if not keep[k] and codes[k] != NOT_COVERED:
            mask[k] |= np.uint8(1 << c)
            apart = own[k] - kept / kept_weight
            noise = variance[k] * (1.0 + weights[k] / kept_weight)
            if green and apart * apart <= MILD_SIGMA**2 * noise:
                mask[k] |= np.uint8(MILD)


@njit(cache=True, nogil=True, error_model="numpy")
def row_cells(left, width):  # type: ignore[no-untyped-def]
    """The cells of the position grid that a row from column `left` on crosses: where each begins, their nodes."""
    first = (left + GRID_STEP) // GRID_STEP
    count = (left + width - 1 + GRID_STEP) // GRID_STEP - first + 1
    edges, columns = np.empty(count + 1, np.uint64), np.empty(count, np.int64)
    for cell in range(count):
        columns[cell] = first + cell
        edges[cell] = np.uint64(max((first + cell - 1) * GRID_STEP - left, 0))
    edges[count] = np.uint64(width)
    return edges, columns


@njit(cache=True, nogil=True, error_model="numpy")
def fill_bases(floor, slope, offsets, members, sky, row, columns, bases):  # type: ignore[no-untyped-def]
    """Variances of the frames' mosaic pixels at the sky of a row of cells: (colours, n, cells)."""
    for c in range(bases.shape[0]):
        for k in range(bases.shape[1]):
            for cell in range(len(columns)):
                level = _cell(sky[c], row, columns[cell])
                bases[c, k, cell] = _base(floor[k, c], slope[k], level, offsets[members[k], c], row, columns[cell])


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _base(floor, slope, level, offsets, row, column):  # type: ignore[no-untyped-def]
    """Variance of a frame's mosaic pixel at the sky of one cell."""
    return floor + slope * max(level - _cell(offsets, row, column), np.float32(0))


@njit(cache=True, nogil=True, error_model="numpy")
def _add(values, codes, own, total, weight):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(values))):
        w = own if codes[j] != NOT_COVERED else np.float32(0)
        total[j] += w * values[j]
        weight[j] += w


@njit(cache=True, nogil=True, error_model="numpy")
def _test(  # type: ignore[no-untyped-def]
    values, codes, factors, bases, edges, slope, signal, cores, mean, inverse, own, limit, worst
):
    for cell in range(len(bases)):
        base = bases[cell]
        for j in range(edges[cell], edges[cell + 1]):
            residual = values[j] - mean[j]
            variance = (base + slope * signal[j]) * factors[codes[j]] + cores[j]
            # the mean holds the value itself: their difference varies less than the value
            excess = residual * residual - limit * variance * (np.float32(1) - own * inverse[j])
            worst[j] = max(worst[j], excess)


@njit(cache=True, nogil=True, error_model="numpy")
def _one_by_one(values, variance, weights, keep, limit):  # type: ignore[no-untyped-def]
    """Reject the value that fits worst until all fit; then take back what fits the mean that is left.

    `keep` is True for the values that take part and is changed in place. See `one_by_one_slow`.
    """
    n = len(values)
    total, weight, count = 0.0, 0.0, 0
    for k in range(n):
        if keep[k]:
            total += weights[k] * values[k]
            weight += weights[k]
            count += 1
    rejected = 0
    while count > 2:
        mean = total / weight
        worst, where = 0.0, -1
        for k in range(n):
            if keep[k]:
                ratio = (values[k] - mean) ** 2 / (variance[k] * (1.0 - weights[k] / weight))
                if ratio > worst:
                    worst, where = ratio, k
        if worst <= limit:
            break
        least = worst if count <= ONE_BY_ONE else max(_NEARLY * worst, limit)
        for k in range(n):
            if keep[k] and (
                k == where
                or (count > ONE_BY_ONE and (values[k] - mean) ** 2 > least * variance[k] * (1.0 - weights[k] / weight))
            ):
                keep[k] = False
                rejected += 1
        total, weight, count = 0.0, 0.0, 0
        for k in range(n):
            if keep[k]:
                total += weights[k] * values[k]
                weight += weights[k]
                count += 1
    if count == 2:
        _pair(values, variance, keep)
        return
    if rejected > 1 and count > 2:
        mean = total / weight
        for k in range(n):
            # variance of what is not covered is huge: such values are told by it and stay out
            if not keep[k] and variance[k] < 1e29:
                fits = (values[k] - mean) ** 2 <= limit * variance[k] * (1.0 + weights[k] / weight)
                keep[k] = fits


@njit(cache=True, nogil=True, error_model="numpy")
def _pair(values, variance, keep):  # type: ignore[no-untyped-def]
    one, other = -1, -1
    for k in range(len(values)):
        if keep[k]:
            one, other = (k, other) if one < 0 else (one, k)
    if (values[one] - values[other]) ** 2 > PAIR_SIGMA**2 * (variance[one] + variance[other]):
        keep[one if values[one] > values[other] else other] = False


@njit(cache=True, nogil=True, error_model="numpy")
def settle_pairs(values, codes, mask):  # type: ignore[no-untyped-def]
    """Where there are two frames only, let the neighbourhood say which of them is wrong.

    Beside a bright streak interpolation rings below the sky; there the streak's frame is the darker one. In the square
    of `CLUSTER_SIDE` about a rejected pixel the frame goes that is brighter by the larger sum of squares.

    Parameters
    ----------
    values : (2, colours, height, width) float32 array
    codes, mask : (2, height, width) uint8 arrays; the mask is changed in place
    """
    _, colours, height, width = values.shape
    half = CLUSTER_SIDE // 2
    before = mask.copy()
    for i in range(height):
        for j in range(width):
            if ((before[0, i, j] | before[1, i, j]) & 7) == 0:
                continue
            for c in range(colours):
                bit = np.uint8(1 << c)
                if ((before[0, i, j] | before[1, i, j]) & bit) == 0:
                    continue
                balance = 0.0
                for y in range(max(i - half, 0), min(i + half + 1, height)):
                    for x in range(max(j - half, 0), min(j + half + 1, width)):
                        if ((before[0, y, x] | before[1, y, x]) & bit) != 0:
                            apart = np.float64(values[0, c, y, x] - values[1, c, y, x])
                            balance += apart * abs(apart)
                bad = 0 if balance > 0 else 1
                mask[bad, i, j] |= bit
                mask[1 - bad, i, j] &= ~bit


def one_by_one_slow(
    values: NDArray[np.floating], variance: NDArray[np.floating], weights: NDArray[np.floating], sigma: float
) -> NDArray[np.bool_]:
    """What the compiled rejection does to one pixel, in NumPy: which of its values are kept.

    Parameters
    ----------
    values, variance, weights : (n,) arrays
    sigma : float
    """
    keep = np.ones(len(values), bool)
    while keep.sum() > 2:
        w = weights[keep]
        mean = np.average(values[keep], weights=w)
        ratio = np.zeros(len(values))
        ratio[keep] = (values[keep] - mean) ** 2 / (variance[keep] * (1 - w / w.sum()))
        if ratio.max() <= sigma**2:
            break
        if keep.sum() <= ONE_BY_ONE:
            keep[np.argmax(ratio)] = False
        else:
            keep &= ~((ratio > max(_NEARLY * ratio.max(), sigma**2)) | (ratio == ratio.max()))
    if keep.sum() == 2:
        one, other = np.flatnonzero(keep)
        if (values[one] - values[other]) ** 2 > PAIR_SIGMA**2 * (variance[one] + variance[other]):
            keep[one if values[one] > values[other] else other] = False
    elif (~keep).sum() > 1:
        w = weights[keep]
        mean = np.average(values[keep], weights=w)
        keep |= (values - mean) ** 2 <= sigma**2 * variance * (1 + weights / w.sum())
    return keep


@njit(cache=True, nogil=True, error_model="numpy")
def residuals(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factor, offsets, members, sky, signal, peak, origin, faint, bright, step,
    ratios, counts, scatters, cores
):  # fmt: skip
    """How far values lie from their mean, in a sample of pixels: what the noise model is checked by.

    Parameters
    ----------
    faint, bright : float
        Pixels of the sky have a `peak` below, star cores a `signal` above so many standard deviations of the sky.
    step : int
        Every so many pixels each way are taken from the sky; of star cores all.
    ratios : (n, m) float32 array, filled
        Squared residuals of green over what the model expects, of each frame, the first ``counts[k]`` of row k.
    counts : (n,) int64 array, filled
    scatters : (colours, m) float32 array, filled
        For each colour's star cores: the values' variance among the frames less the noise, over the signal's square.
    cores : (colours,) int64 array, filled
        How many of `scatters` were filled.
    """
    n, colours, height, width = values.shape
    counts[:], cores[:] = 0, 0
    for i in range(height):
        row = (origin[0] + i + GRID_STEP) // GRID_STEP
        for j in range(width):
            column = (origin[1] + j + GRID_STEP) // GRID_STEP
            for c in range(colours):
                level = _cell(sky[c], row, column)
                base = _base(floor[0, c], slope[0], level, offsets[members[0], c], row, column)
                is_sky = c == colours // 2 and peak[c, i, j] < faint * np.sqrt(base) and i % step == 0 and j % step == 0
                is_core = signal[c, i, j] > bright * np.sqrt(base) and signal[c, i, j] >= peak[c, i, j]
                if not (is_sky or is_core):
                    continue
                total, weight, covered = 0.0, 0.0, 0
                for k in range(n):
                    if codes[k, i, j] != NOT_COVERED:
                        total += weights[k] * values[k, c, i, j]
                        weight += weights[k]
                        covered += 1
                if covered < 2:
                    continue
                mean, squares, noise = total / weight, 0.0, 0.0
                for k in range(n):
                    code = codes[k, i, j]
                    if code == NOT_COVERED:
                        continue
                    own = _base(floor[k, c], slope[k], level, offsets[members[k], c], row, column)
                    variance = (own + slope[k] * signal[c, i, j]) * factor[c, code] * (1 - weights[k] / weight)
                    square = (values[k, c, i, j] - mean) ** 2
                    squares += square
                    noise += variance
                    if is_sky and counts[k] < ratios.shape[1]:
                        ratios[k, counts[k]] = square / variance
                        counts[k] += 1
                if is_core and covered > 2 and cores[c] < scatters.shape[1]:
                    scatters[c, cores[c]] = (squares - noise) / (covered - 1) / (signal[c, i, j] * signal[c, i, j])
                    cores[c] += 1


@njit(cache=True, nogil=True, error_model="numpy")
def grow(mask, peak, floor, slope, offsets, members, sky, scatter, origin):  # type: ignore[no-untyped-def]
    """Grow clustered rejections of each frame by `GROW_PX` pixels, for all colours (`GROWN` in the mask).

    Star cores take no part: pixels where the proportional part of the noise is larger than the sky's. There each value
    is judged by itself only.

    Parameters
    ----------
    mask : (n, height, width) uint8 array, changed in place
    peak : (colours, height, width) float32 array
    others : as in `reject`
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
                base = _base(
                    floor[k, green], slope[k], _cell(sky[green], row, column), offsets[members[k], green], row, column
                )
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


__all__ = [
    "GROWN",
    "GROW_MARGIN",
    "MEDIAN_FRAMES",
    "MILD",
    "NoiseModel",
    "fill_bases",
    "grow",
    "one_by_one_slow",
    "reject",
    "residuals",
    "row_cells",
    "settle_pairs",
    "star_signal",
]
