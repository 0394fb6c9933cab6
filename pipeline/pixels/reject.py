"""Rejection with known noise: which values of a pixel the noise cannot explain.

The noise of a value is known, not taken from the values compared: read and photon noise of its frame at its level,
times what interpolation does at its place, plus a part proportional to the brightest star pixel nearby (`scatter`:
extinction and seeing change star cores from frame to frame by more than noise). With known noise the mean of all
values is itself a sound centre to begin from: the value that fits worst leaves first, one by one, and the mean follows.
That keeps 97 % of the light or more, where a median would lose a third, and one wild value of three cannot hide.

`mask` (n, height, width) uint8: bit c is set where colour c was rejected, `MILD` where green was by little, `GROWN`
where a trail was grown (`grow.py`).
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.variance import fill_bases, row_cells

GROWN = 8  # bit of the mask: rejected for all colours because it lies on a trail
MILD = 16  # bit of the mask: rejected in green, but not by more than `MILD_SIGMA`: mostly by chance
MILD_SIGMA = 5.0
# Two values that differ by more than this many standard deviations of their difference: the brighter one goes. There is
# no third to judge by; trails, cosmic hits and hot pixels are always bright.
PAIR_SIGMA = 5.0
# From this many values on, those nearly as bad as the worst (0.9 of its deviation) leave with it.
ONE_BY_ONE = 32
_NEARLY = 0.81
# Side of the square about a pixel in which the pixels rejected beside it are looked at.
CLUSTER_SIDE = 7


@njit(cache=True, nogil=True, error_model="numpy")
def reject(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factor, offsets, members, sky, signal, peak, scatter, sigma, origin, mask
):
    """Mark values that the noise cannot explain.

    Parameters
    ----------
    values, codes, floor, slope, factor, offsets, members, sky, origin : as in `variance`
    weights : (n,) float32 array
    signal, peak : of `star_signal`
    scatter : (colours,) float32 array
        Standard deviation of star cores between frames over their peak. Red and blue, a pixel in four, catch a sharp
        star's core or miss it: theirs is several times green's.
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


__all__ = ["CLUSTER_SIDE", "GROWN", "MILD", "one_by_one_slow", "reject", "settle_pairs"]
