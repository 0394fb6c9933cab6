"""Finding what stands out of the sky, on the half-size green image of a mosaic, hot pixels repaired on the way."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.ordering import first_of, median_by_counts
from pipeline.stars.mesh import FINE_SIDE, SIDE, SkyMesh, finer_mesh, sky_mesh
from pipeline.stars.objects import find_objects

HOT_SIGMA = 8.0  # a single pixel below this does not pass a 5-sigma detection on the smoothed half-size image
HOT_RISE = 0.12  # stars of FWHM 1.5 px in the weaker colours rise by 0.15 and more of their excess, measured
DEBLEND_CONTRAST = 0.02  # 0.005 finds 10 % more stars in the Milky Way, and cuts one trail of 30 px in three to pieces
DEBLEND_DIP = 0.2  # of the level between two stars, and
DEBLEND_SIGMA = 4.0  # of the smoothed image: noise on a trail makes bumps of 3
# matched to FWHM 1.7 px of the half-size image
KERNEL = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32) / np.float32(16)
KERNEL_NOISE = float(np.sqrt((KERNEL**2).sum()))  # what it leaves of white noise
KERNEL_VARIANCE = 0.5  # px^2 along x and y, what it adds to moments
# Of the frame under broad light, below which it is not worth following (half of grading's time again): 0.2 under an
# aurora, 0.005 to 0.03 where towns and land meet the sky. The gaps beside it are some three times as large.
BROAD_SHARE = 0.03
BRIGHTEST = 50  # detections that tell how large stars are
CLIP = 3.5
LOW = np.uint32(0xFFFF)
NOISE_ROWS = 64
CLIPPED_SHARE = 0.99694  # standard deviation of a unit normal distribution clipped at 3.5


def green_places(cfa: str) -> NDArray[np.bool_]:
    """Which places of the 2 x 2 cell are green, as a (2, 2) bool array; all of them for `MONO`."""
    if cfa == "MONO":
        return np.ones((2, 2), bool)
    if sorted(cfa) != ["B", "G", "G", "R"]:
        raise ValueError(f"cfa must be MONO or a pattern of R, G, G, B (got {cfa!r})")
    return np.array([letter == "G" for letter in cfa]).reshape(2, 2)


@leaf
def is_hot(pixels: Any, row: int, column: int, black: Any, excess_limit: float) -> bool:
    """Whether one pixel stands alone: above its diagonal neighbours by the limit, while its direct ones do not rise.

    The diagonal neighbours of a green pixel are green; the direct ones are the other colours, and rise with a star.
    Their rise is taken against the pixels of the same colours three steps away.
    """
    height, width = pixels.shape
    if row < 3 or column < 3 or row >= height - 3 or column >= width - 3:
        return False
    level = pixels[row, column] - black[(row & 1) * 2 + (column & 1)]
    # the four diagonals lie on the places of the other green (or, for one colour, anything): one black level
    other = black[((row + 1) & 1) * 2 + ((column + 1) & 1)]
    diagonal = (
        max(
            max(pixels[row - 1, column - 1], pixels[row - 1, column + 1]),
            max(pixels[row + 1, column - 1], pixels[row + 1, column + 1]),
        )
        - other
    )
    excess = level - diagonal
    if excess < excess_limit:
        return False
    near = 0.0 + pixels[row - 1, column] + pixels[row + 1, column] + pixels[row, column - 1] + pixels[row, column + 1]
    far = 0.0 + pixels[row - 3, column] + pixels[row + 3, column] + pixels[row, column - 3] + pixels[row, column + 3]
    return (near - far) / 4 < HOT_RISE * excess


@leaf
def _repaired(
    pixels: Any, i: int, first: int, lone: Any, black: Any, places: Any, excess_limit: float, line: Any
) -> int:
    """Row `i` of the half-size image without hot pixels, where some of eight places from `first` on are marked; returns
    the number of those met."""
    hot = 0
    for j in range(first, min(first + 8, line.shape[0])):
        if not lone[j]:
            continue
        total, number, least = 0.0, 0, np.inf
        for n in range(places.shape[0]):
            k = places[n]
            row, column = 2 * i + k // 2, 2 * j + k % 2
            value = pixels[row, column] - black[k]
            least = min(least, value)
            if is_hot(pixels, row, column, black, excess_limit):
                hot += 1
            else:
                total += value
                number += 1
        line[j] = total / number if number else least
    return hot


@numba.njit(cache=True, nogil=True)
def _half(pixels: Any, pairs: Any, black: Any, places: Any, excess_limit: float, out: Any) -> int:
    """The compiled loop of `green_half`; returns the number of hot pixels met.

    `pairs` is `pixels` two by two as numbers of 32 bits, the left one low: of every second pixel of a row no vector
    code is made.
    """
    hot = 0
    height, width = out.shape
    greens = places.shape[0]
    eights = np.zeros(-(-width // 8), np.uint64)  # places are looked at by eights: few of them hold any that is marked
    lone = eights.view(np.uint8)[:width]
    share = np.float32(1 / greens)
    for i in range(height):
        line = out[i]
        line[:] = np.float32(0)
        eights[:] = 0
        for n in range(greens):
            k = places[n]
            row, right = 2 * i + k // 2, k % 2
            here, level, shift = pairs[row], np.float32(black[k]), np.uint32(16 * right)
            for j in range(width):
                line[j] += share * (np.float32(np.int32((here[j] >> shift) & LOW)) - level)
            if row > 0:
                # most pixels are no candidates: cheap comparison first, with the pixel above and left
                limit = np.int32(np.floor(min(excess_limit + black[k] - black[3 - k], 1e6)))
                first = 1 - right
                above = pairs[row - 1, : width - first]
                for j in range(above.shape[0]):
                    value = np.int32((here[j + first] >> shift) & LOW)
                    lone[j + first] |= value - np.int32((above[j] >> (np.uint32(16) - shift)) & LOW) > limit
        for eight in range(eights.shape[0]):
            if eights[eight]:
                hot += _repaired(pixels, i, 8 * eight, lone, black, places, excess_limit, line)
    return hot


def green_half(
    pixels: NDArray[np.uint16], cfa: str, black: NDArray[np.float64], hot_excess: float = np.inf
) -> tuple[NDArray[np.float32], int]:
    """Mean of the green pixels of every 2 x 2 cell, above black, hot pixels left out.

    With `hot_excess` infinite this is, for `RGGB`,
    ``(pixels[0::2, 1::2] - black[1] + pixels[1::2, 0::2] - black[2]) / 2``.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    cfa : pattern of the first cell, or ``MONO`` (mean of all four)
    black : 4 levels, ADU
    hot_excess : ADU above its neighbours from which a pixel that stands alone is hot

    Returns
    -------
    half : (height // 2, width // 2) float32 array, ADU above black; its pixel (i, j) lies at (2j + 0.5, 2i + 0.5)
    hot : number of hot pixels left out
    """
    out = np.empty((pixels.shape[0] // 2, pixels.shape[1] // 2), np.float32)
    places = np.flatnonzero(green_places(cfa).ravel())
    pairs = np.ascontiguousarray(pixels[:, : 2 * out.shape[1]]).view(np.uint32)
    hot = _half(pixels, pairs, np.asarray(black, np.float64), places, hot_excess, out)
    return out, int(hot)


def pixel_noise(pixels: NDArray[np.uint16], cfa: str, black: NDArray[np.float64]) -> float:
    """Standard deviation of one green pixel of the sky, ADU, from differences inside the 2 x 2 cells of some rows.

    Neighbours share sky and gradient; stars are too few to move the median absolute difference.
    """
    places = np.argwhere(green_places(cfa))
    (r0, c0), (r1, c1) = places[0], places[-1]
    height, width = (n // 2 * 2 for n in pixels.shape)
    # 200,000 differences of a large frame know the noise to 0.2 %
    step = 2 * max(1, height // (2 * NOISE_ROWS))
    first = pixels[r0:height:step, c0:width:2].astype(np.float32)
    second = pixels[r1:height:step, c1:width:2].astype(np.float32)
    difference = (first - second)[: len(first)] - np.float32(black[2 * r0 + c0] - black[2 * r1 + c1])
    if difference.size == 0:
        return 0.0
    difference = difference.ravel()
    difference -= np.float32(median_by_counts(difference))
    # the median of whole numbers is a whole number: it only says where to clip
    size = np.abs(difference)
    limit = CLIP * max(MAD_TO_SIGMA * median_by_counts(size), 1.0)
    for _ in range(2):
        inside = difference[size <= limit]
        spread = float(np.sqrt(np.mean(np.square(inside, dtype=np.float64))))
        limit = CLIP * max(spread, 0.5)
    # rounding alone is 0.29 ADU
    return max(spread / CLIPPED_SHARE / math.sqrt(2), 12**-0.5)


@numba.njit(cache=True, nogil=True)
def _smooth(image: Any, out: Any) -> None:
    """The compiled loop of `smoothed`."""
    height, width = image.shape
    down = np.empty(width, np.float32)
    for i in range(height):
        above, below = image[max(i - 1, 0)], image[min(i + 1, height - 1)]
        top, bottom = np.float32(i > 0), np.float32(i < height - 1)
        for j in range(width):
            down[j] = np.float32(0.25) * (top * above[j] + bottom * below[j]) + np.float32(0.5) * image[i, j]
        for j in range(1, width - 1):
            out[i, j] = np.float32(0.25) * (down[j - 1] + down[j + 1]) + np.float32(0.5) * down[j]
        out[i, 0] = np.float32(0.5) * down[0] + np.float32(0.25) * down[1]
        out[i, width - 1] = np.float32(0.5) * down[width - 1] + np.float32(0.25) * down[width - 2]


def smoothed(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """`scipy.ndimage.convolve(image, KERNEL)` of a float32 image, nothing beyond the edges; in a fifth of the time."""
    # memory from NumPy comes in large pages; a compiled loop's own takes longer to get than to fill
    out = np.empty_like(image)
    _smooth(image, out)
    return out


@dataclass(frozen=True)
class Detections:
    """What stands out of the sky of one half-size image.

    `objects` is `find_objects`' table of the smoothed image, in half-size px; `segments` numbers the pixels of object
    n with n + 1; `sky` is the mesh of its sky (ADU above black) and `residual` what is left of the image above it;
    `noise` that of one of its pixels.
    """

    objects: NDArray[Any]
    segments: NDArray[np.int32]
    sky: SkyMesh
    residual: NDArray[np.float32]
    noise: float


def detect(half: NDArray[np.float32], sigma: float, quantum: float) -> Detections:
    """Find what rises `sigma` standard deviations above the smoothed sky.

    Parameters
    ----------
    half : (height, width) float32 array; its memory is used for `residual`
    sigma : threshold in standard deviations of the noise of the smoothed image
    quantum : the steps that its values come in, ADU; 0 where they come in none
    """
    sky = sky_mesh(half, quantum)
    residual = sky.subtracted(half, half)
    noise = sky.noise
    if not noise > 0:
        noise = max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), 1e-3)
    return Detections(*_objects(residual, noise, sigma), sky, residual, noise)


def _objects(residual: NDArray[np.float32], noise: float, sigma: float) -> tuple[NDArray[Any], NDArray[np.int32]]:
    step = KERNEL_NOISE * noise
    return find_objects(smoothed(residual), sigma * step, DEBLEND_CONTRAST, DEBLEND_DIP, DEBLEND_SIGMA * step)


def within_broad_light(found: Detections, sigma: float) -> Detections:
    """What `detect` finds once the sky is followed into light broader than stars: they run together with it else.

    Edges of land are sharp lines then: what looks for streaks keeps to `found`. It is returned where such light covers
    little, as a town's beside land, and where stars themselves are no smaller than what would be taken for sky: out of
    focus.
    """
    # larger than a block of the mesh, and not taken for sky by it
    broad = np.append(False, found.objects["npix"] > SIDE**2)
    small = np.flatnonzero(~broad[1:])
    stars = found.objects[small[first_of(found.objects["peak"][small], BRIGHTEST)]]
    covered = found.objects["npix"][broad[1:]].sum() / found.segments.size
    if covered < BROAD_SHARE or not len(stars) or np.median(stars["x2"] + stars["y2"]) / 2 > (FINE_SIDE / 4) ** 2:
        return found
    sky = finer_mesh(found.sky, found.residual, lambda y, x: broad[found.segments[y, x]])
    off = sky.level - found.sky.at(sky.y[:, None], sky.x).astype(np.float32)
    residual = replace(sky, level=off).subtracted(found.residual, np.empty_like(found.residual))
    # slopes that the mesh did not follow widened its blocks; what is left of them counts
    noise = min(found.noise, sky_mesh(residual).noise)
    return Detections(*_objects(residual, noise, sigma), sky, residual, noise)
