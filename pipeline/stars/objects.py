"""Connected groups of pixels above a threshold, those of several stars taken apart, and their moments."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

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


@numba.njit(cache=True, nogil=True)
def _root(parent: Any, n: int) -> int:
    while parent[n] != n:
        parent[n] = parent[parent[n]]
        n = parent[n]
    return n


@numba.njit(cache=True, nogil=True)
def _label(places: Any, labels: Any) -> Any:
    """Number the 8-connected groups of pixels in the order of their first ones; `labels` is all 0 before.

    ``scipy.ndimage.label(mask, np.ones((3, 3)))`` for ``places = np.argwhere(mask)``. Returns the places group after
    group, and where each group begins among them.
    """
    width = labels.shape[1]
    seen = places.shape[0]
    parent = np.empty(seen + 1, np.int32)
    number = 0
    for n in range(seen):
        i, j = places[n, 0], places[n, 1]
        north = labels[i - 1, j] if i > 0 else 0
        if north:
            labels[i, j] = north
            continue
        east = labels[i - 1, j + 1] if i > 0 and j < width - 1 else 0
        west = labels[i, j - 1] if j > 0 else 0
        if west == 0 and i > 0 and j > 0:
            west = labels[i - 1, j - 1]
        if east and west:
            a, b = _root(parent, east), _root(parent, west)
            low, high = min(a, b), max(a, b)
            parent[high] = low
            labels[i, j] = low
        elif east or west:
            labels[i, j] = max(east, west)
        else:
            number += 1
            parent[number] = number
            labels[i, j] = number
    final = np.zeros(number + 1, np.int32)
    groups = 0
    for n in range(1, number + 1):
        root = _root(parent, n)
        if root == n:
            groups += 1
            final[n] = groups
        else:
            final[n] = final[root]
    bounds = np.zeros(groups + 2, np.int64)
    for n in range(seen):
        i, j = places[n, 0], places[n, 1]
        group = final[labels[i, j]]
        labels[i, j] = group
        bounds[group + 1] += 1
    for n in range(1, groups + 2):
        bounds[n] += bounds[n - 1]
    grouped = np.empty_like(places)
    fill = bounds[:-1].copy()
    for n in range(seen):
        group = labels[places[n, 0], places[n, 1]]
        grouped[fill[group], 0], grouped[fill[group], 1] = places[n, 0], places[n, 1]
        fill[group] += 1
    return grouped, bounds[1:]


@numba.njit(cache=True, nogil=True)
def _summits(image: Any, places: Any) -> int:
    """Number of local maxima among a group's pixels; of equal neighbours the first counts."""
    height, width = image.shape
    number = 0
    for n in range(places.shape[0]):
        i, j = places[n, 0], places[n, 1]
        value = image[i, j]
        highest = True
        # what lies beside the group is lower than all of it
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


@numba.njit(cache=True, nogil=True)
def _split(
    image: Any, labels: Any, places: Any, summits: int, group: int, spare: int, contrast: float, dip: float, rise: float
) -> int:
    """Take one group apart in place; returns how many numbers from `spare` on it took. See `find_objects`."""
    height, width = image.shape
    size = places.shape[0]
    values = np.empty(size)
    total = 0.0
    for n in range(size):
        values[n] = image[places[n, 0], places[n, 1]]
        total += values[n]
    order = np.argsort(-values, kind="mergesort")
    parent = np.arange(summits)
    flux, count, peak = np.zeros(summits), np.zeros(summits), np.zeros(summits)
    apart = np.zeros(summits, np.bool_)
    basins = 0
    roots, tops, whole = np.empty(8, np.int64), np.empty(8), np.empty(8, np.bool_)
    for turn in range(size):
        i, j = places[order[turn], 0], places[order[turn], 1]
        value = image[i, j]
        # the basins that the pixel touches, each with its highest pixel beside it
        touched = 0
        for down in range(-1, 2):
            for right in range(-1, 2):
                y, x = i + down, j + right
                if y < 0 or x < 0 or y >= height or x >= width or labels[y, x] >= 0:
                    continue
                root = _root(parent, -labels[y, x] - 1)
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
                whole[k] = apart[b] or (stands and flux[b] - count[b] * value > contrast * total)
                if not whole[k]:
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
                if b != mine and not (separate >= 2 and apart[b]):
                    parent[b] = mine
                    flux[mine] += flux[b]
                    count[mine] += count[b]
                    peak[mine] = max(peak[mine], peak[b])
        labels[i, j] = -mine - 1
        flux[mine] += value
        count[mine] += 1
    names = np.zeros(summits, np.int32)
    taken = -1
    for n in range(size):
        i, j = places[n, 0], places[n, 1]
        root = _root(parent, -labels[i, j] - 1)
        if names[root] == 0:
            names[root] = group if taken < 0 else spare + taken
            taken += 1
        labels[i, j] = names[root]
    return taken


@numba.njit(cache=True, nogil=True)
def _measure(image: Any, labels: Any, grouped: Any, out: Any) -> None:
    """Sums over each object's pixels: columns of `OBJECT_DTYPE` as float64."""
    for n in range(grouped.shape[0]):
        i, j = grouped[n, 0], grouped[n, 1]
        k = labels[i, j] - 1
        value = image[i, j]
        if out[k, 9] == 0:
            out[k, 7], out[k, 8], out[k, 6] = j, i, value
        # places from the first pixel of the object on, so that squares lose no digits
        dx, dy = j - out[k, 10], i - out[k, 11]
        if out[k, 9] == 0:
            out[k, 10], out[k, 11] = j, i
            dx, dy = 0.0, 0.0
        if value > out[k, 6]:
            out[k, 7], out[k, 8], out[k, 6] = j, i, value
        out[k, 0] += value * dx
        out[k, 1] += value * dy
        out[k, 2] += value * dx * dx
        out[k, 3] += value * dy * dy
        out[k, 4] += value * dx * dy
        out[k, 5] += value
        out[k, 9] += 1


@numba.njit(cache=True, nogil=True)
def _split_all(image: Any, labels: Any, grouped: Any, bounds: Any, contrast: float, dip: float, rise: float) -> int:
    groups = bounds.shape[0] - 1
    number = groups
    for g in range(groups):
        places = grouped[bounds[g] : bounds[g + 1]]
        # two summits need four pixels and more between them
        if places.shape[0] < 4:
            continue
        summits = _summits(image, places)
        if summits > 1:
            number += _split(image, labels, places, summits, g + 1, number + 1, contrast, dip, rise)
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
    above = np.flatnonzero(image.ravel() > np.float32(threshold)).astype(np.int32)
    grouped, bounds = _label(np.stack(np.divmod(above, np.int32(image.shape[1])), axis=1), labels)
    number = len(bounds) - 1
    if contrast < 1:
        number = _split_all(image, labels, grouped, bounds, contrast, dip, rise)
    sums = np.zeros((number, 12))
    _measure(image, labels, grouped, sums)
    objects = np.zeros(number, OBJECT_DTYPE)
    flux = sums[:, 5]
    x, y = sums[:, 0] / flux, sums[:, 1] / flux
    objects["x"], objects["y"] = sums[:, 10] + x, sums[:, 11] + y
    objects["x2"] = np.maximum(sums[:, 2] / flux - x * x, 0)
    objects["y2"] = np.maximum(sums[:, 3] / flux - y * y, 0)
    objects["xy"] = sums[:, 4] / flux - x * y
    # what is one pixel wide has that pixel's own width
    thin = objects["x2"] * objects["y2"] - objects["xy"] ** 2 < PIXEL_VARIANCE**2
    objects["x2"][thin] += PIXEL_VARIANCE
    objects["y2"][thin] += PIXEL_VARIANCE
    objects["flux"], objects["peak"] = flux, sums[:, 6]
    objects["xpeak"], objects["ypeak"], objects["npix"] = sums[:, 7], sums[:, 8], sums[:, 9]
    return objects, labels


def axes(objects: NDArray[Any]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Root second moments along and across the long axis (px), and its angle from +x towards +y (radians)."""
    mean, half = (objects["x2"] + objects["y2"]) / 2, (objects["x2"] - objects["y2"]) / 2
    spread = np.hypot(half, objects["xy"])
    return np.sqrt(mean + spread), np.sqrt(np.maximum(mean - spread, 0)), 0.5 * np.arctan2(objects["xy"], half)
