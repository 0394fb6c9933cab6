"""Rejection with known noise: which values of a pixel the noise cannot explain.

The noise of a value is known, not taken from the values compared: read and photon noise of its frame at its level,
times what interpolation does at its place, plus a part proportional to the brightest star pixel nearby (`scatter`:
extinction and seeing change star cores from frame to frame by more than noise). That part is what the most unsteady
cores ask for; where `OWN_MIN` frames or more cover a pixel it is brought down to what the pixel itself scatters
(`own_scatter`), or among crowded stars nothing would ever be rejected. With known noise the mean of all values is
itself a sound centre to begin from: the value that fits worst leaves first, one by one, and the mean follows. That
keeps 97 % of the light or more, where a median would lose a third, and one wild value of three cannot hide.

`mask` (n, height, width) uint8: bit c is set where colour c was rejected, `MILD` where green was by little, `GROWN`
where a trail was grown (`grow.py`).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.pixels.leaf import leaf
from pipeline.pixels.outliers import (
    CLOSE,
    LONELY,
    MILD_SIGMA,
    OWN_COUNTS,
    OWN_LEAST,
    OWN_MIN,
    OWN_MOST,
    UNLIMITED,
    alone,
    any_beyond,
    lasting_scatter,
    one_by_one,
    own_scatter,
    stood_before,
)  # fmt: skip
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.variance import fill_bases, row_cells
from pipeline.pixels.vector import fetch_row

GROWN = 16  # bit of the mask: rejected for all colours because it lies on a trail
MILD = 32  # bit of the mask: rejected in green, but not by more than `MILD_SIGMA`: mostly by chance
SINGLE = GROWN - 1  # bits of the mask: rejected in one of up to four colours, or places of the pattern
# Side of the square about a pixel in which the pixels rejected beside it are looked at.
CLUSTER_SIDE = 7


@njit(cache=True, nogil=True, error_model="numpy")
def reject(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factor, offsets, members, sky, signal, peak, scatter, sigma, origin, broad,
    mask, unsteady, lasting=False
):  # fmt: skip
    """Mark values that the noise cannot explain.

    Parameters
    ----------
    values, codes, floor, slope, factor, offsets, members, sky, origin : as in `variance`
    weights : (n,) float32 array
    signal, peak : of `star_signal`
    scatter : (colours,) float32 array
        Standard deviation of the most unsteady star cores between frames over their peak. Red and blue, a pixel in
        four, catch a sharp star's core or miss it: theirs is several times green's.
    sigma : float
        Limit in standard deviations.
    broad : (colours, height, width) float32 array
        Variance that values are allowed where the sky itself changes (`scatter` of `restless.settle`), 0 elsewhere; of
        no size where it does not at all. From `OWN_MIN` frames on a pixel's own scatter has no limit there.
    mask : (n, height, width) uint8 array, bits set, `MILD` among them
    unsteady : (height, width) float32 array, filled
        Variance that green was allowed beyond the noise.
    lasting : bool
        Values of what stands still: what a quarter of them or more show is no passer-by (`lasting_scatter`), unless it
        is dark (`stood_before`).
    """
    n, colours, _, width = values.shape
    # a value that is not covered has no weight and no limit
    factors = factor.copy()
    factors[:, NOT_COVERED] = np.float32(10 * UNLIMITED)
    least_factors = np.empty(colours, np.float32)
    for c in range(colours):
        least_factors[c] = factors[c].min()
    edges, columns = row_cells(origin[1], width)
    _reject_rows(
        values, codes, weights, floor, slope, factors, least_factors, offsets, members, sky, signal, peak, scatter,
        np.float32(sigma * sigma), origin, broad, mask, unsteady, lasting, edges, columns,
        np.empty((colours, n, len(columns)), np.float32), np.empty((4, width), np.float32), np.empty(width, np.int32),
        np.empty((4, n), np.float32), np.empty(n, np.bool_), np.empty(2 * OWN_MOST, np.float32),
    )  # fmt: skip


@leaf
def _reject_rows(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factors, least_factors, offsets, members, sky, signal, peak, scatter, limit,
    origin, broad, mask, unsteady, lasting, edges, columns, bases, of_row, close, of_pixel, keep, room,
):  # fmt: skip
    """`reject` with the factors of what is not covered, each colour's least one, and scratch, from `bases` on."""
    n, colours, height, width = values.shape
    frames = offsets.shape[0]  # of the scene: how many of them a tile holds goes by how it is cut
    mean, inverse, cores, noise = of_row[0], of_row[1], of_row[2], of_row[3]
    own, variance, share, ratio = of_pixel[0], of_pixel[1], of_pixel[2], of_pixel[3]
    heaviest, known = np.float32(0), -1
    for k in range(n):
        heaviest = max(heaviest, weights[k])
    nearly = limit * np.float32((1 - LONELY / max(n, LONELY)) ** 2)
    for i in range(height):
        row = (origin[0] + i + GRID_STEP) // GRID_STEP
        if row != known:
            fill_bases(floor, slope, offsets, members, sky, row, columns, bases)
            known = row
        inverse[:] = np.float32(0)
        for k in range(n):
            _add_weight(codes[k, i], weights[k], inverse)
        for j in range(np.uint64(width)):
            inverse[j] = np.float32(1) / max(inverse[j], np.float32(1e-30))
        for c in range(colours):
            mean[:], close[:] = np.float32(0), np.int32(0)
            for k in range(n):
                fetch_row(values, k + 2, c, i)
                _add(values[k, c, i], codes[k, i], weights[k], mean)
            share_of_peak = scatter[c] if frames < OWN_MIN else OWN_LEAST
            for j in range(np.uint64(width)):
                mean[j] *= inverse[j]
                core = share_of_peak * peak[c, i, j]
                cores[j] = core * core
            if broad.size > 0:
                for j in range(np.uint64(width)):
                    cores[j] = max(cores[j], broad[c, i, j])
            for k in range(n):
                _look_up(factors[c], codes[k, i], noise)
                _test(
                    values[k, c, i], noise, bases[c, k], edges, slope[k], signal[c, i], cores, mean, inverse,
                    weights[k], nearly, np.int32(CLOSE + k), close,
                )  # fmt: skip
            unsteadiest = scatter[c] if frames >= OWN_MIN else np.float32(0)
            for cell in range(len(columns)):
                least_here = np.float32(np.inf)
                for k in range(n):
                    least_here = min(least_here, bases[c, k, cell] * least_factors[c])
                for j in range(edges[cell], edges[cell + 1]):
                    if close[j] == 0:
                        continue
                    most = unsteadiest * peak[c, i, j]
                    settled = (most * most <= OWN_COUNTS * least_here) & (broad.size == 0) & (not lasting)
                    if close[j] < 2 * CLOSE and settled:
                        number = np.int64(close[j]) - CLOSE
                        apart, total = values[number, c, i, j] - mean[j], np.float32(1) / inverse[j]
                        noise_of = bases[c, number, cell] + slope[number] * signal[c, i, j]
                        noise_of = noise_of * factors[c, codes[number, i, j]] + cores[j]
                        told = alone(
                            apart, mean[j], noise_of, least_here, weights[number], heaviest, total, limit, nearly
                        )
                        if told > 0:
                            mask[number, i, j] |= np.uint8(1 << c) if c != colours // 2 else np.uint8(1 << c | MILD)
                        if told >= 0:
                            continue
                    least = np.float32(UNLIMITED)
                    for k in range(n):
                        code = codes[k, i, j]
                        # against the mean of all, so that single precision holds the differences
                        own[k] = values[k, c, i, j] - mean[j]
                        keep[k] = code != NOT_COVERED
                        share[k] = weights[k] if keep[k] else np.float32(0)
                        variance[k] = (bases[c, k, cell] + slope[k] * signal[c, i, j]) * factors[c, code]
                        least = min(least, variance[k])
                    if not any_beyond(own, variance, weights, cores[j], inverse[j], limit):
                        continue
                    if frames >= OWN_MIN:
                        most *= most
                        if broad.size > 0 and broad[c, i, j] > 0:
                            most = np.float32(np.inf)
                        if most > OWN_COUNTS * least:
                            cores[j] = max(min(most, own_scatter(own, variance, keep, room)), cores[j])
                        if lasting:
                            cores[j] = max(lasting_scatter(own, variance, keep, ratio), cores[j])
                    for k in range(n):
                        variance[k] += cores[j]
                    kept = one_by_one(own, variance, weights, share, ratio, keep, limit)
                    if lasting and frames >= OWN_MIN:
                        stood_before(own, variance, cores[j], members, keep, ratio)
                    for k in range(n):
                        if not keep[k] and codes[k, i, j] != NOT_COVERED:
                            bits = np.uint8(1 << c)
                            apart = own[k] - kept[0]
                            if c == colours // 2 and apart * apart <= MILD_SIGMA**2 * variance[k] * (
                                1.0 + weights[k] / kept[1]
                            ):
                                bits |= np.uint8(MILD)
                            mask[k, i, j] |= bits
            if c == colours // 2:
                for j in range(np.uint64(width)):
                    unsteady[i, j] = cores[j]


@leaf
def _add_weight(codes, own, weight):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(codes))):
        weight[j] += own if codes[j] != NOT_COVERED else np.float32(0)


@leaf
def _add(values, codes, own, total):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(values))):
        w = own if codes[j] != NOT_COVERED else np.float32(0)
        total[j] += w * values[j]


@leaf
def _look_up(factors, codes, noise):  # type: ignore[no-untyped-def]
    """By itself, so that the rest of the test is vector code."""
    for j in range(np.uint64(len(codes))):
        noise[j] = factors[codes[j]]


@leaf
def _test(  # type: ignore[no-untyped-def]
    values, noise, bases, edges, slope, signal, cores, mean, inverse, own, limit, number, close
):
    """Add the frame's number to `close` where its value is beyond the limit."""
    for cell in range(len(bases)):
        base = bases[cell]
        for j in range(edges[cell], edges[cell + 1]):
            residual = values[j] - mean[j]
            variance = (base + slope * signal[j]) * noise[j] + cores[j]
            # the mean holds the value itself: their difference varies less than the value
            beyond = residual * residual > limit * variance * (np.float32(1) - own * inverse[j])
            # a sum where the greatest would do: of that the compiler makes stores by mask, which are slow
            close[j] += number if beyond else np.int32(0)


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
            if ((before[0, i, j] | before[1, i, j]) & SINGLE) == 0:
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
                mask[1 - bad, i, j] &= ~(bit | np.uint8(MILD))
