"""The values of one pixel: which of them noise cannot explain, and how far they scatter beyond it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import ndtri

from pipeline.pixels.lanes import (
    bits_of,
    choose,
    counting,
    greater,
    greatest_of,
    in_all,
    lanes_of,
    least_of,
    lesser,
    no_lanes,
    sum_of,
)
from pipeline.pixels.leaf import leaf
from pipeline.pixels.ordering import select_first
from pipeline.pixels.vector import lowest_bit

MILD_SIGMA = 5.0  # what is rejected by no more than this is mostly by chance
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
_SIDE_BY_SIDE = 8  # values that are looked at at once
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


@leaf
def own_scatter(values, variance, keep, room):  # type: ignore[no-untyped-def]
    """Variance of a pixel's values beyond their noise, from where the ends of the sorted values lie.

    Of more than `OWN_MOST` values every second, third ... is looked at. One value in sixteen may be wild at either end.

    Parameters
    ----------
    values, variance : (n,) float32 arrays
    keep : (n,) bool array
        Which take part; of fewer than `OWN_MIN` nothing is told, and what comes out has no limit.
    room : (2 * `OWN_MOST`,) float32 array of scratch
    """
    n, covering = len(values), 0
    for k in range(np.uint64(n)):
        covering += keep[k]
    if covering < OWN_MIN:
        return np.float32(np.inf)
    step = (covering - 1) // OWN_MOST + 1
    count = (covering - 1) // step + 1
    noise = np.float32(0)
    if covering == n and step == 1:
        for k in range(np.uint64(n)):
            room[k] = values[k]
        noise = _total(variance)
    else:
        at, wait = 0, 0
        for k in range(n):
            if not keep[k]:
                continue
            if wait > 0:
                wait -= 1
                continue
            wait = step - 1
            room[at] = values[k]
            noise += variance[k]
            at += 1
    # the greatest are found as the least of the values turned about
    for k in range(np.uint64(count)):
        room[OWN_MOST + k] = -room[k]
    full = -(-count // _SIDE_BY_SIDE) * _SIDE_BY_SIDE
    for k in range(count, full):
        room[k] = room[OWN_MOST + k] = np.float32(np.inf)
    out = max(1, count // OWN_LEFT_OUT)
    apart = -_next_least(room, OWN_MOST, full, out) - _next_least(room, 0, full, out)
    half = np.float32(0.5) * apart / _ENDS[count]
    return max(half * half - noise / np.float32(count), np.float32(0))


@leaf
def _total(numbers):  # type: ignore[no-untyped-def]
    """The sum of a float32 array, as sums of every eighth number."""
    whole = len(numbers) // _SIDE_BY_SIDE * _SIDE_BY_SIDE
    sums = no_lanes(_SIDE_BY_SIDE)
    for k in range(np.uint64(0), np.uint64(whole), np.uint64(_SIDE_BY_SIDE)):
        sums = sums + lanes_of(numbers, k, _SIDE_BY_SIDE)
    total = sum_of(sums)
    for k in range(whole, len(numbers)):
        total += numbers[k]
    return total


@leaf
def _greatest(numbers):  # type: ignore[no-untyped-def]
    """The greatest of a float32 array of numbers that are not negative; 0 of none."""
    whole = len(numbers) // _SIDE_BY_SIDE * _SIDE_BY_SIDE
    most = no_lanes(_SIDE_BY_SIDE)
    for k in range(np.uint64(0), np.uint64(whole), np.uint64(_SIDE_BY_SIDE)):
        most = greater(most, lanes_of(numbers, k, _SIDE_BY_SIDE))
    result = greatest_of(most)
    for k in range(whole, len(numbers)):
        result = max(result, numbers[k])
    return result


@leaf
def _next_least(numbers, first, count, out):  # type: ignore[no-untyped-def]
    """The least of `count` numbers (whole eights) from `first` on when the `out` least, four at most, are left out.

    Eight columns side by side keep their five least in order; of what they keep the least are taken one by one.
    """
    a = in_all(np.float32(np.inf), _SIDE_BY_SIDE)
    b, c, d, e = a, a, a, a
    for k in range(np.uint64(first), np.uint64(first + count), np.uint64(_SIDE_BY_SIDE)):
        new = lanes_of(numbers, k, _SIDE_BY_SIDE)
        a, new = lesser(a, new), greater(a, new)
        b, new = lesser(b, new), greater(b, new)
        c, new = lesser(c, new), greater(c, new)
        d, new = lesser(d, new), greater(d, new)
        e = lesser(e, new)
    for _ in range(out):
        column = np.float32(lowest_bit(bits_of(a == least_of(a))))  # type: ignore[call-arg]
        taken = counting(_SIDE_BY_SIDE) == column
        a, b, c, d = choose(taken, b, a), choose(taken, c, b), choose(taken, d, c), choose(taken, e, d)
    return least_of(a)


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
    n, count = len(values), 0
    for k in range(np.uint64(n)):
        ratio[k] = share[k] * values[k]
        count += keep[k]
    total, weight = 1.0 * _total(ratio), 1.0 * _total(share)  # 1.0: in double precision from here on
    begun = count
    while count > 2:
        mean, inverse = np.float32(total / weight), np.float32(1 / weight)
        for k in range(np.uint64(n)):
            apart = values[k] - mean
            square = apart * apart if keep[k] else np.float32(0)
            ratio[k] = square / (variance[k] * (np.float32(1) - share[k] * inverse))
        worst = _greatest(ratio)
        if worst <= limit:
            break
        where = 0
        while ratio[where] < worst:
            where += 1
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
