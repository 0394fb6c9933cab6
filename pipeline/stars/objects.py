"""Connected groups of pixels above a threshold, those of several stars taken apart, and their moments."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.vector import fetch_at
from pipeline.stars.connected import label, places_above, root_of

OBJECT_DTYPE = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("x2", "f8"),
        ("y2", "f8"),
        ("xy", "f8"),
        ("flux", "f8"),
        ("peak", "f8"),
        ("xpeak", "i4"),
        ("ypeak", "i4"),
        ("npix", "i4"),
    ]
)
PIXEL_VARIANCE = 1 / 12  # px^2, of a pixel's own width: the least that an object is wide
FEW = 48  # pixels that are put in order one by one
AHEAD = 6  # groups, that pixels are asked for


@leaf
def _summits(image: Any, places: Any, begin: int, end: int) -> int:
    """Number of local maxima among a group's pixels, those from one place to another; of equal neighbours the first
    counts."""
    height, width = image.shape
    number = 0
    for n in range(begin, end):
        i, j = places[n, 0], places[n, 1]
        value = image[i, j]
        # what lies beside the group is lower than all of it
        if 0 < i < height - 1 and 0 < j < width - 1:  # without a branch, which would often be guessed wrong
            beaten = (image[i - 1, j - 1] >= value) | (image[i - 1, j] >= value) | (image[i - 1, j + 1] >= value)
            beaten |= (image[i, j - 1] >= value) | (image[i, j + 1] > value)
            beaten |= (image[i + 1, j - 1] > value) | (image[i + 1, j] > value) | (image[i + 1, j + 1] > value)
            number += not beaten
            continue
        highest = True
        for y in range(max(i - 1, 0), min(i + 2, height)):
            for x in range(max(j - 1, 0), min(j + 2, width)):
                other = image[y, x]
                if other > value or (other == value and (y < i or (y == i and x < j))):
                    highest = False
                    break
            if not highest:
                break
        number += highest
    return number


@leaf
def _ask_for_group(image: Any, grouped: Any, bounds: Any, group: int) -> None:
    """Begin to fetch the pixels of a group: its rows lie far apart in memory."""
    if group + 1 < bounds.shape[0]:
        for n in range(bounds[group], bounds[group + 1]):
            fetch_at(image, grouped[n, 0], grouped[n, 1])


@leaf
def _order_few(values: Any, order: Any, size: int) -> None:
    """``order[:size] = np.argsort(-values[:size], kind="stable")`` for tens of values."""
    for n in range(size):
        held, k = values[n], n
        while k > 0 and values[order[k - 1]] < held:
            order[k] = order[k - 1]
            k -= 1
        order[k] = n


@leaf
def _split(
    image: Any, labels: Any, grouped: Any, begin: int, size: int, order: Any, total: float, summits: int, group: int,
    spare: int, contrast: float, dip: float, rise: float, whole_numbers: Any, numbers: Any,
) -> int:  # fmt: skip
    """Take one group apart in place; returns how many numbers from `spare` on it took. See `find_objects`.

    The group are `size` places from `begin` on, `order` says which comes first, `total` is its flux; `whole_numbers`
    and `numbers` are room.
    """
    height, width = image.shape
    parent, names, apart = whole_numbers[0], whole_numbers[1], whole_numbers[2]
    flux, count, peak = numbers[0], numbers[1], numbers[2]
    for n in range(summits):
        parent[n], names[n], apart[n] = n, 0, 0
        flux[n], count[n], peak[n] = 0.0, 0.0, 0.0
    basins = 0
    roots, whole, tops = whole_numbers[3], whole_numbers[4], numbers[3]
    for turn in range(size):
        i, j = grouped[begin + order[turn], 0], grouped[begin + order[turn], 1]
        value = image[i, j]
        # the basins that the pixel touches, each with its highest pixel beside it
        touched = 0
        for down in range(-1, 2):
            for right in range(-1, 2):
                y, x = i + down, j + right
                if y < 0 or x < 0 or y >= height or x >= width or labels[y, x] >= 0:
                    continue
                root = root_of(parent, -labels[y, x] - 1)
                known = False
                for k in range(touched):
                    if roots[k] == root:
                        known = True
                        tops[k] = max(tops[k], image[y, x])
                if not known:
                    roots[touched], tops[touched] = root, image[y, x]
                    touched += 1
        if touched == 0:
            mine = basins
            basins += 1
            peak[mine] = value
        elif touched == 1:
            mine = roots[0]
        else:
            separate, mine, best = 0, -1, -np.inf
            for k in range(touched):
                b = roots[k]
                stands = peak[b] > (1.0 + dip) * value and peak[b] - value > rise
                whole[k] = apart[b] != 0 or (stands and flux[b] - count[b] * value > contrast * total)
                if whole[k] == 0:
                    continue
                separate += 1
                if tops[k] > best:
                    mine, best = b, tops[k]
            if separate >= 2:
                for k in range(touched):
                    apart[roots[k]] = whole[k]
            if separate == 0:
                for k in range(touched):
                    if mine < 0 or peak[roots[k]] > peak[mine]:
                        mine = roots[k]
            for k in range(touched):
                b = roots[k]
                if b != mine and not (separate >= 2 and apart[b] != 0):
                    parent[b] = mine
                    flux[mine] += flux[b]
                    count[mine] += count[b]
                    peak[mine] = max(peak[mine], peak[b])
        labels[i, j] = -mine - 1
        flux[mine] += value
        count[mine] += 1
    taken = -1
    for n in range(size):
        i, j = grouped[begin + n, 0], grouped[begin + n, 1]
        root = root_of(parent, -labels[i, j] - 1)
        if names[root] == 0:
            names[root] = group if taken < 0 else spare + taken
            taken += 1
        labels[i, j] = names[root]
    return taken


@leaf
def _measure(image: Any, labels: Any, grouped: Any, bounds: Any, parts: Any, out: Any) -> None:
    """Sums over each object's pixels: rows of `OBJECT_DTYPE` as float64, then its first pixel; `parts` says of each
    group how many numbers more than one it took."""
    for g in range(bounds.shape[0] - 1):
        _ask_for_group(image, grouped, bounds, g + AHEAD)
        if parts[g] > 0:
            _measure_parts(image, labels, grouped, bounds[g], bounds[g + 1], out)
            continue
        # places from the first pixel of the object on, so that squares lose no digits
        i0, j0 = grouped[bounds[g], 0], grouped[bounds[g], 1]
        top, left, peak = i0, j0, image[i0, j0]
        x, y, xx, yy, xy, flux = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for n in range(bounds[g], bounds[g + 1]):
            i, j = grouped[n, 0], grouped[n, 1]
            value = image[i, j]
            dx, dy = float(j - j0), float(i - i0)
            if value > peak:
                top, left, peak = i, j, value
            x += value * dx
            y += value * dy
            xx += value * dx * dx
            yy += value * dy * dy
            xy += value * dx * dy
            flux += value
        out[0, g], out[1, g], out[2, g], out[3, g], out[4, g], out[5, g] = x, y, xx, yy, xy, flux
        out[6, g], out[7, g], out[8, g], out[9, g] = peak, left, top, bounds[g + 1] - bounds[g]
        out[10, g], out[11, g] = j0, i0


@leaf
def _measure_parts(image: Any, labels: Any, grouped: Any, begin: int, end: int, out: Any) -> None:
    """As `_measure`, of a group of several objects; their columns of `out` are 0 before."""
    for n in range(begin, end):
        i, j = grouped[n, 0], grouped[n, 1]
        k = labels[i, j] - 1
        value = image[i, j]
        if out[9, k] == 0:
            out[7, k], out[8, k], out[6, k] = j, i, value
        dx, dy = j - out[10, k], i - out[11, k]
        if out[9, k] == 0:
            out[10, k], out[11, k] = j, i
            dx, dy = 0.0, 0.0
        if value > out[6, k]:
            out[7, k], out[8, k], out[6, k] = j, i, value
        out[0, k] += value * dx
        out[1, k] += value * dy
        out[2, k] += value * dx * dx
        out[3, k] += value * dy * dy
        out[4, k] += value * dx * dy
        out[5, k] += value
        out[9, k] += 1


@numba.njit(cache=True, nogil=True)
def _split_all(
    image: Any, labels: Any, grouped: Any, bounds: Any, contrast: float, dip: float, rise: float, parts: Any
) -> int:
    """Take groups apart; fills `parts`, how many numbers more than one each took, and returns the highest number."""
    groups = bounds.shape[0] - 1
    number, largest = groups, 8
    for g in range(groups):
        largest = max(largest, bounds[g + 1] - bounds[g])
    whole_numbers, numbers = np.empty((5, largest), np.int64), np.empty((4, largest))
    values, order = np.empty(largest), np.empty(largest, np.int64)
    for g in range(groups):
        _ask_for_group(image, grouped, bounds, g + AHEAD)
        begin, size = bounds[g], bounds[g + 1] - bounds[g]
        # two summits need four pixels and more between them
        if size < 4:
            continue
        summits = _summits(image, grouped, begin, begin + size)
        if summits > 1:
            total = 0.0
            for n in range(size):
                i, j = grouped[begin + n, 0], grouped[begin + n, 1]
                fetch_at(labels, i, j)
                values[n] = image[i, j]
                total += values[n]
            if size <= FEW:
                _order_few(values, order, size)
            else:
                order[:size] = np.argsort(-values[:size], kind="mergesort")
            parts[g] = _split(
                image, labels, grouped, begin, size, order, total, summits, g + 1, number + 1, contrast, dip, rise,
                whole_numbers, numbers,
            )  # fmt: skip
            number += parts[g]
    return number


def find_objects(
    image: NDArray[np.float32], threshold: float, contrast: float = 1.0, dip: float = 0.0, rise: float = 0.0
) -> tuple[NDArray[Any], NDArray[np.int32]]:
    """Find the 8-connected groups of pixels above a threshold and take apart those that hold several stars.

    A group's pixels are gone through from the highest down, each added to the basin it touches. Where basins meet,
    those stay apart which at that level hold more than `contrast` of the group's flux above it, and whose peak stands
    `dip` of the level and `rise` above it; the others join the higher one. (The deblending of Bertin & Arnouts 1996,
    A&AS 117:393, at every level instead of a few.)

    Parameters
    ----------
    image : (height, width) float32 array, sky taken off
    threshold : in the image's unit
    contrast : 1 takes nothing apart
    dip, rise : share of the level; in the image's unit

    Returns
    -------
    objects : `OBJECT_DTYPE` array: flux-weighted mean place and second moments (px, px^2), sum, highest pixel, number
        of pixels
    labels : (height, width) int32 array: 0 where there is nothing, n + 1 in the pixels of object n
    """
    image = np.ascontiguousarray(image, dtype=np.float32)
    labels = np.zeros(image.shape, np.int32)
    grouped, bounds = label(places_above(image, np.float32(threshold)), labels)
    number = len(bounds) - 1
    parts = np.zeros(number, np.int32)
    if contrast < 1:
        number = _split_all(image, labels, grouped, bounds, contrast, dip, rise, parts)
    sums = np.zeros((12, number))
    _measure(image, labels, grouped, bounds, parts, sums)
    objects = np.zeros(number, OBJECT_DTYPE)
    flux = sums[5]
    x, y = sums[0] / flux, sums[1] / flux
    objects["x"], objects["y"] = sums[10] + x, sums[11] + y
    objects["x2"] = np.maximum(sums[2] / flux - x * x, 0)
    objects["y2"] = np.maximum(sums[3] / flux - y * y, 0)
    objects["xy"] = sums[4] / flux - x * y
    # what is one pixel wide has that pixel's own width
    thin = objects["x2"] * objects["y2"] - objects["xy"] ** 2 < PIXEL_VARIANCE**2
    objects["x2"][thin] += PIXEL_VARIANCE
    objects["y2"][thin] += PIXEL_VARIANCE
    objects["flux"], objects["peak"] = flux, sums[6]
    objects["xpeak"], objects["ypeak"], objects["npix"] = sums[7], sums[8], sums[9]
    return objects, labels


def axes(objects: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Root second moments along and across the long axis (px), and its angle from +x towards +y (radians)."""
    mean, half = (objects["x2"] + objects["y2"]) / 2, (objects["x2"] - objects["y2"]) / 2
    spread = np.hypot(half, objects["xy"])
    return np.sqrt(mean + spread), np.sqrt(np.maximum(mean - spread, 0)), 0.5 * np.arctan2(objects["xy"], half)
