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
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.pixels.leaf import leaf
from pipeline.pixels.ordering import select_first
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.variance import fill_bases, row_cells
from pipeline.pixels.vector import fetch_row

GROWN = 16  # bit of the mask: rejected for all colours because it lies on a trail
MILD = 32  # bit of the mask: rejected in green, but not by more than `MILD_SIGMA`: mostly by chance
MILD_SIGMA = 5.0
SINGLE = GROWN - 1  # bits of the mask: rejected in one of up to four colours, or places of the pattern
# Two values that differ by more than this many standard deviations of their difference: the brighter one goes. There is
# no third to judge by; trails, cosmic hits and hot pixels are always bright.
PAIR_SIGMA = 5.0
# From this many values on, those nearly as bad as the worst (0.9 of its deviation) leave with it.
ONE_BY_ONE = 32
_NEARLY = 0.81
# From this many frames on a pixel's own scatter is believed, told from this many values at most, one in sixteen (at
# least one) left out at either end; what star cores are allowed at least, as a share of their height.
OWN_MIN, OWN_MOST, OWN_LEFT_OUT, OWN_LEAST = 8, 64, 16, np.float32(0.03)
# ... and it is not asked for where the most it could add is this share of the least noise: that moves no limit by 2 %.
OWN_COUNTS = np.float32(0.03)
OWN_ENDS = OWN_MOST // OWN_LEFT_OUT + 1
# Where the last value kept at an end lies in a Gaussian sample of n, standard deviations: Blom 1958, Statistical
# Estimates and Transformed Beta-Variables, (i - 3/8) / (n + 1/4).
_ENDS = np.array(
    [0.0, 0.0] + [-ndtri((max(1, n // OWN_LEFT_OUT) + 0.625) / (n + 0.25)) for n in range(2, OWN_MOST + 1)], np.float32
)
# From how far apart quartiles lie, standard deviations of a value (those of a Gaussian lie 1.35 apart), values of what
# stands still are of two kinds, and from which for certain; the dark kind is what somebody hid who stood there if it is
# at most this share of them. The golden section spreads frames evenly.
TWO_KINDS, DARK_MOST, GOLDEN = (2.7, 4.5), 0.45, 0.6180339887498949
# Factor of the variance of what is not covered, far beyond any other's.
UNLIMITED = 1e29
# A pixel's n values are looked at one by one where two or more lie within 2/n of the limit, or one beyond it and others
# may follow. What is added for each of those, so that of one its number is told; sums of more are beyond twice that.
LONELY, CLOSE = 2, 1 << 16
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
    edges, columns = row_cells(origin[1], width)
    _reject_rows(
        values, codes, weights, floor, slope, factors, offsets, members, sky, signal, peak, scatter,
        np.float32(sigma * sigma), origin, broad, mask, unsteady, lasting, edges, columns,
        np.empty((colours, n, len(columns)), np.float32), np.empty((4, width), np.float32), np.empty(width, np.int32),
        np.empty((4, n), np.float32), np.empty(n, np.bool_), np.empty((2, OWN_ENDS), np.float32),
    )  # fmt: skip


@leaf
def _reject_rows(  # type: ignore[no-untyped-def]
    values, codes, weights, floor, slope, factors, offsets, members, sky, signal, peak, scatter, limit, origin, broad,
    mask, unsteady, lasting, edges, columns, bases, of_row, close, of_pixel, keep, ends,
):  # fmt: skip
    """`reject` with its scratch, from `bases` on, and the factors of what is not covered."""
    n, colours, height, width = values.shape
    frames = offsets.shape[0]  # of the scene: how many of them a tile holds goes by how it is cut
    mean, inverse, cores, noise = of_row[0], of_row[1], of_row[2], of_row[3]
    own, variance, share, ratio = of_pixel[0], of_pixel[1], of_pixel[2], of_pixel[3]
    low, high = ends[0], ends[1]
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
            unsteadiest, least_factor = scatter[c] if frames >= OWN_MIN else np.float32(0), factors[c, 0]
            for code in range(256):
                least_factor = min(least_factor, factors[c, code])
            for cell in range(len(columns)):
                least_here = np.float32(np.inf)
                for k in range(n):
                    least_here = min(least_here, bases[c, k, cell] * least_factor)
                for j in range(edges[cell], edges[cell + 1]):
                    if close[j] == 0:
                        continue
                    most = unsteadiest * peak[c, i, j]
                    settled = (most * most <= OWN_COUNTS * least_here) & (broad.size == 0) & (not lasting)
                    if close[j] < 2 * CLOSE and settled:
                        number = np.int64(close[j]) - CLOSE
                        noise_of = (bases[c, number, cell] + slope[number] * signal[c, i, j]) * factors[
                            c, codes[number, i, j]
                        ]
                        apart, total = values[number, c, i, j] - mean[j], np.float32(1) / inverse[j]
                        told = alone(
                            apart,
                            mean[j],
                            noise_of + cores[j],
                            least_here,
                            weights[number],
                            heaviest,
                            total,
                            limit,
                            nearly,
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
                            cores[j] = max(min(most, own_scatter(own, variance, keep, low, high)), cores[j])
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
def own_scatter(values, variance, keep, low, high):  # type: ignore[no-untyped-def]
    """Variance of a pixel's values beyond their noise, from where the ends of the sorted values lie.

    Of more than `OWN_MOST` values every second, third ... is looked at. One value in sixteen may be wild at either end.

    Parameters
    ----------
    values, variance : (n,) float32 arrays
    keep : (n,) bool array
        Which take part; of fewer than `OWN_MIN` nothing is told, and what comes out has no limit.
    low, high : (`OWN_ENDS`,) float32 arrays of scratch
    """
    covering = 0
    for k in range(len(values)):
        covering += keep[k]
    if covering < OWN_MIN:
        return np.float32(np.inf)
    step = (covering - 1) // OWN_MOST + 1
    count = (covering - 1) // step + 1
    out = max(1, count // OWN_LEFT_OUT)
    # only the ends are sorted: most values are in neither
    low[:], high[:] = np.float32(np.inf), np.float32(-np.inf)
    noise, wait = np.float32(0), 0
    for k in range(len(values)):
        if not keep[k]:
            continue
        if wait > 0:
            wait -= 1
            continue
        wait = step - 1
        value = values[k]
        noise += variance[k]
        if value < low[out]:
            at = out
            while at > 0 and low[at - 1] > value:
                low[at] = low[at - 1]
                at -= 1
            low[at] = value
        if value > high[out]:
            at = out
            while at > 0 and high[at - 1] < value:
                high[at] = high[at - 1]
                at -= 1
            high[at] = value
    half = np.float32(0.5) * (high[out] - low[out]) / _ENDS[count]
    return max(half * half - noise / np.float32(count), np.float32(0))


@leaf
def lasting_scatter(values, variance, keep, order):  # type: ignore[no-untyped-def]
    """Variance of a pixel's values beyond their noise, from how far apart their quartiles lie.

    A lamp that is lit in some of the frames leaves two kinds of values, and neither is wrong: where each is a quarter
    of them or more the quartiles lie one in either, and half of what they are apart is the scatter about the mean.
    Else a lonely value of one colour would decide which kind stays there.

    Parameters
    ----------
    values, variance : (n,) float32 arrays
    keep : (n,) bool array
        Which take part; of fewer than `OWN_MIN` nothing is told.
    order : (n,) float32 array of scratch
    """
    count, noise = 0, np.float32(0)
    for k in range(len(values)):
        if keep[k]:
            order[count] = values[k]
            noise += variance[k]
            count += 1
    if count < OWN_MIN:
        return np.float32(0)
    low = select_first(order, count, count // 4)
    half = np.float32(0.5) * (select_first(order, count, count - 1 - count // 4) - low)
    return max(half * half - noise / np.float32(count), np.float32(0))


@leaf
def stood_before(values, variance, allowed, members, keep, order):  # type: ignore[no-untyped-def]
    """Take out what somebody hid who stood there for a good part of the time: a dark minority of two kinds of values.

    The more the kinds differ the more of the dark ones go, frame by frame in an order of the frames' own: all at once
    would leave a contour where a lamp that went out had lit the land.

    Parameters
    ----------
    values, variance : (n,) float32 arrays; the variance as allowed to `one_by_one`
    allowed : float32
        What of it is no noise.
    members : (n,) int64 array, the frames' numbers
    keep : (n,) bool array, changed in place
    order : (n,) float32 array of scratch
    """
    count, noise = 0, np.float32(0)
    for k in range(len(values)):
        if variance[k] < UNLIMITED:
            order[count] = values[k]
            noise += variance[k] - allowed
            count += 1
    if count < OWN_MIN:
        return
    low = select_first(order, count, count // 4)
    high = select_first(order, count, count - 1 - count // 4)
    apart = (high - low) / np.sqrt(max(noise / np.float32(count), np.float32(1e-30)))
    middle = np.float32(0.5) * (low + high)
    dark = 0
    for k in range(count):
        dark += order[k] < middle
    if apart <= TWO_KINDS[0] or dark > DARK_MOST * count:
        return
    going = (apart - TWO_KINDS[0]) / (TWO_KINDS[1] - TWO_KINDS[0])
    for k in range(len(values)):
        if values[k] < middle and (members[k] + 1) * GOLDEN % 1.0 < going:
            keep[k] = False


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


@njit(cache=True, nogil=True, error_model="numpy", inline="always")
def alone(apart, level, variance, least, weight, heaviest, total, limit, nearly):  # type: ignore[no-untyped-def]
    """What becomes of the one value of a pixel that comes near the limit, where it takes no other to tell.

    If it leaves, the mean moves; here that is too little to bring another beyond the limit. It saves looking at every
    value of a pixel: among 64 frames noise alone puts one of them beyond in every sixth pixel.

    Parameters
    ----------
    apart, variance, weight : float32, of the value; from the mean of all
    level : float32, the mean: what single precision leaves of the differences goes with it
    least : float32, the least variance that another can have
    heaviest, total : float32, the greatest weight of a frame, the sum of them here
    limit, nearly : float32, as squares; all others are within `nearly`

    Returns
    -------
    int : 1 where it leaves, and is no more than `MILD_SIGMA` off; 0 where all stay; -1 where `one_by_one` must tell
    """
    rounding, far = np.float32(1e-5) * abs(level), abs(apart)
    at = limit * variance * (np.float32(1) - weight / total)
    if (far + rounding) ** 2 < np.float32(0.9999) * at:
        return 0
    left = total - weight
    if left < np.float32(4) * heaviest or (far - rounding) ** 2 < np.float32(1.0001) * at:
        return -1
    moved = weight * far / left
    if (far + moved + rounding) ** 2 > np.float32(0.999 * MILD_SIGMA**2) * variance:
        return -1
    before, after = np.float32(1) - heaviest / total, np.float32(1) - heaviest / left
    others = np.sqrt(nearly * before / after) + (moved + rounding) / np.sqrt(least * after)
    return 1 if others < np.float32(0.999) * np.sqrt(limit) else -1


@leaf
def any_beyond(apart, variance, weights, extra, inverse, limit):  # type: ignore[no-untyped-def]
    """Whether some value lies beyond the limit; (n,) float32 arrays, apart from the mean of all."""
    many = 0
    for k in range(np.uint64(len(apart))):
        most = limit * (variance[k] + extra) * (np.float32(1) - weights[k] * inverse)
        many += 1 if apart[k] * apart[k] > most else 0
    return many > 0


@leaf
def one_by_one(values, variance, weights, share, ratio, keep, limit):  # type: ignore[no-untyped-def]
    """Reject the value that fits worst until all fit; then take back what fits the mean that is left.

    Parameters
    ----------
    values, variance : (n,) float32 arrays; the variance of what takes no part is `UNLIMITED` or more
    weights : (n,) float32 array
    share : (n,) float32 array
        The weights of what takes part, 0 for the rest; what is rejected is set to 0.
    ratio : (n,) float32 array of scratch
    keep : (n,) bool array
        True for the values that take part; changed in place to those that are kept, as `one_by_one_slow` has them.

    Returns
    -------
    The weighted mean of what is kept, and the sum of its weights.
    """
    n = len(values)
    total, weight, count = 0.0, 0.0, 0
    for k in range(n):
        total += share[k] * values[k]
        weight += share[k]
        count += keep[k]
    begun = count
    while count > 2:
        mean, inverse = np.float32(total / weight), np.float32(1 / weight)
        for k in range(np.uint64(n)):
            apart = values[k] - mean
            square = apart * apart if keep[k] else np.float32(0)
            ratio[k] = square / (variance[k] * (np.float32(1) - share[k] * inverse))
        worst, where = np.float32(0), 0
        for k in range(n):
            if ratio[k] > worst:
                worst, where = ratio[k], k
        if worst <= limit:
            break
        least = worst if count <= ONE_BY_ONE else max(np.float32(_NEARLY) * worst, limit)
        for k in range(where, n) if count <= ONE_BY_ONE else range(n):
            if ratio[k] > least or k == where:
                total -= share[k] * values[k]
                weight -= share[k]
                share[k] = np.float32(0)
                keep[k] = False
                count -= 1
    if count == 2:
        _pair(values, variance, keep)
    elif begun - count > 1:
        mean, inverse = np.float32(total / weight), np.float32(1 / weight)
        for k in range(n):
            apart = values[k] - mean
            fits = apart * apart <= limit * variance[k] * (np.float32(1) + weights[k] * inverse)
            if not keep[k] and variance[k] < UNLIMITED and fits:
                keep[k] = True
                total += weights[k] * values[k]
                weight += weights[k]
    if count == 2:
        total, weight = 0.0, 0.0
        for k in range(n):
            if keep[k]:
                total += weights[k] * values[k]
                weight += weights[k]
    return total / weight, weight


@leaf
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
