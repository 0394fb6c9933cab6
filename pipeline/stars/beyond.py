"""What one frame shows and its neighbours in time do not, neither at the same stars nor at the same pixels.

Stars, the Milky Way and its lanes stay with the stars, land, lamps and the sensor's defects with the pixels; what is
left when both are taken away is what passes: satellites, aircraft, meteors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import spline_filter, uniform_filter

from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.ordering import select_by_counts
from pipeline.pixels.vector import larger, smaller
from pipeline.stars.detect import KERNEL_NOISE, Detections, smoothed
from pipeline.stars.objects import find_objects

SIDE = 2  # half-size px a side of a block
STEP = 2 * SIDE  # px of the mosaic
SIGMA = 3.0  # of the smoothed picture's noise: stars on a streak's way cut it, and what is searched are its pieces
# By how much of the range of the blocks about a place a star laid between them is missed, twinkles or swells: so many
# times what is missed on average in that part of the picture, where a place counts `OFF_MOST` at most, within bounds.
# Steady stars come to the lower bound, trees that wind moves to the upper.
MISSED_TIMES, MISSED, OFF_MOST = 4.0, (0.06, 0.5), 0.3
NEAR = 16  # blocks a side of the cells over which that is told; 3 x 3 of them count
TOLD, UNTOLD = 0.05, 0.2  # share of a part's blocks that must tell it; what is taken where fewer do
RANGE, QUIET = 10.0, 1.5  # times a block's noise: what range tells of it, and what is noise in what it is off by
LEVEL = 8  # blocks a side, whose median is the level of light broader than a streak: an aurora's rays move every second
CELL = 4  # blocks a side over which what is broad is taken off
CLIP = 3.0  # standard deviations that a block counts there at most
AROUND = 3  # cells, whose median is the level about one
DARK = -0.6  # of a cell, whose noise is a quarter of a block's: what a neighbour's streak crosses is darker
TAIL, TAIL_SIGMA = 0.98, 2.054  # share of a normal distribution below so many standard deviations
MEAN_SIZE, SPREAD_LEAST = 0.8, 0.1  # of values of a standard deviation of 1; of a part's spread against the whole's
CELL_BLOCKS = LEVEL * LEVEL
# Powers of x and y of a map of places, by degree: what a wide lens does to a turning sky is even about its axis, and
# bends towards the edges with the fourth.
ORDER = 4
POWERS = tuple((d - q, q) for d in range(ORDER + 1) for q in range(d + 1))
RIM = 2  # blocks at the edges of the picture, where the sky's mesh tells least
RUN = 16  # blocks, over which the sky moves alike to a fiftieth of one
SAMPLED = 7  # every so many blocks tell the spread


@dataclass(frozen=True)
class Glance:
    """What is kept of a frame for its neighbours.

    `light` (rows, columns) float32: means of blocks of `STEP` px of the mosaic above what is broad, ADU; `noise` of
    one.
    """

    light: NDArray[np.float32]
    noise: float


@dataclass(frozen=True)
class Witness:
    """A neighbour laid on a frame.

    `terms` (`ORDER` + 1, `ORDER` + 1, 2) float64: where a place of the frame lies in the neighbour less the place
    itself, in blocks, by powers of x (first) and y (second) of the place in blocks.
    """

    glance: Glance
    terms: NDArray[np.float64]


@dataclass(frozen=True)
class Beyond(Detections):
    """What a frame shows beyond its neighbours, in px of `STEP` px of the mosaic and of noise 1.

    `missed` (rows, columns) float32, by cells of `NEAR` of them: by how much of the range about it a star is missed.
    """

    missed: NDArray[np.float32]

    def missed_along(self, ends: NDArray[np.float64]) -> float:
        """The most that is missed at the ends, (2, 2) float64 x, y, and in the middle of a line."""
        places = np.array([ends[0], ends.mean(axis=0), ends[1]]) / NEAR
        columns, rows = np.clip(places.astype(np.intp).T, 0, np.array(self.missed.shape)[::-1, None] - 1)
        return float(self.missed[rows, columns].max())


@leaf
def _means(image: Any, out: Any) -> None:
    """``image.reshape(h, 2, w, 2).mean(axis=(1, 3))``."""
    for i in range(out.shape[0]):
        upper, lower = image[2 * i], image[2 * i + 1]
        for j in range(out.shape[1]):
            out[i, j] = np.float32(0.25) * (upper[2 * j] + upper[2 * j + 1] + lower[2 * j] + lower[2 * j + 1])


def block_means(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Means of blocks of `SIDE` px a side."""
    out = np.empty((image.shape[0] // SIDE, image.shape[1] // SIDE), np.float32)
    _means(image, out)
    return out


@numba.njit(cache=True, nogil=True)
def _levels(image: Any, out: Any) -> None:
    """Median of every cell of `LEVEL` blocks a side, the lower of two middle ones; both arrays float32 seen as int32,
    which are in the same order once the lower bits of what is below 0 are turned over."""
    most, sign = np.int32(0x7FFFFFFF), np.int32(31)
    keys = np.empty(CELL_BLOCKS, np.int32)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            for row in range(LEVEL):
                for column in range(LEVEL):
                    value = image[i * LEVEL + row, j * LEVEL + column]
                    keys[row * LEVEL + column] = value ^ ((value >> sign) & most)
            key = np.int32(select_by_counts(keys, CELL_BLOCKS, (CELL_BLOCKS - 1) // 2)[0])
            out[i, j] = key ^ ((key >> sign) & most)


@numba.njit(cache=True, nogil=True)
def _taps(blocks: int, cells: int) -> Any:
    """Of every block the first of the four coefficients of a cubic spline that count there, and their weights; beyond
    the outermost cells' middles those of there."""
    first, weights = np.empty(blocks, np.int64), np.empty((blocks, 4), np.float32)
    for n in range(blocks):
        place = min(max((n + 0.5) / LEVEL - 0.5, 0.0), cells - 1.0)
        first[n] = int(place)
        t = place - first[n]
        weights[n, 0], weights[n, 3] = (1 - t) ** 3 / 6, t**3 / 6
        weights[n, 1], weights[n, 2] = 2 / 3 - t * t + t**3 / 2, 2 / 3 - (1 - t) ** 2 + (1 - t) ** 3 / 2
    return first, weights


@numba.njit(cache=True, nogil=True)
def _less_spline(image: Any, spline: Any) -> None:
    """Take off a cubic spline, in place; `spline` its coefficients, one more before and two more behind."""
    height, width = image.shape
    up, down = _taps(height, spline.shape[0] - 3)
    left, right = _taps(width, spline.shape[1] - 3)
    for i in range(height):
        line = down[i, 0] * spline[up[i]]
        for k in range(1, 4):
            line += down[i, k] * spline[up[i] + k]
        row = image[i]
        for j in range(width):
            n, weight = left[j], right[j]
            row[j] -= weight[0] * line[n] + weight[1] * line[n + 1] + weight[2] * line[n + 2] + weight[3] * line[n + 3]


def narrow(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Blocks above the level of the light about them, in place: what is broader than a streak may change from frame to
    frame (an aurora's rays, lit cloud), and a neighbour's ray would hide what passes here.

    The level is a cubic spline through the medians of cells: straight lines between them leave creases, which look like
    streaks along rows and columns.
    """
    rows, columns = (n // LEVEL for n in image.shape)
    if min(rows, columns) > 1:
        levels = np.empty((rows, columns), np.float32)
        _levels(image.view(np.int32), levels.view(np.int32))
        spline = spline_filter(levels, 3, output=np.float32, mode="mirror")
        _less_spline(image, np.pad(spline, (1, 2), mode="reflect"))
    return image


def glance_of(found: Detections) -> Glance:
    """What is kept of a frame."""
    return Glance(narrow(block_means(found.residual)), found.noise / SIDE)


@leaf
def _take_in(other: Any, terms: Any, i: int, most: Any, least: Any, spread: Any) -> None:
    """One neighbour's light about the places of row `i` taken in; see `unlike`. Within `RUN` blocks the neighbour is
    laid by one shift."""
    height, width = other.shape
    here = other[i]
    for j in range(width):
        least[j] = smaller(least[j], here[j])
    for start in range(0, width, RUN):
        stop = min(start + RUN, width)
        j = (start + stop - 1) / 2
        x = y = 0.0
        for p in range(ORDER, -1, -1):
            part_x = part_y = 0.0
            for q in range(ORDER - p, -1, -1):
                part_x, part_y = part_x * i + terms[p, q, 0], part_y * i + terms[p, q, 1]
            x, y = x * j + part_x, y * j + part_y
        if not (abs(x) < width and abs(y) < height):
            continue
        row, shift = i + int(np.floor(y)), int(np.floor(x))
        first, last = max(start, -shift), min(stop, width - 1 - shift)
        if row < 0 or row >= height - 1 or first >= last:
            continue
        down, right = np.float32(y - np.floor(y)), np.float32(x - np.floor(x))
        upper, lower = other[row, first + shift : last + shift + 1], other[row + 1, first + shift : last + shift + 1]
        high, wide = most[first:last], spread[first:last]
        for k in range(last - first):
            a, b, c, d = upper[k], upper[k + 1], lower[k], lower[k + 1]
            above, below = a + right * (b - a), c + right * (d - c)
            high[k] = larger(high[k], above + down * (below - above))
            span = larger(larger(a, b), larger(c, d)) - smaller(smaller(a, b), smaller(c, d))
            wide[k] = larger(wide[k], span)


@numba.njit(cache=True, nogil=True)
def _differences(light: Any, one: Any, its: Any, two: Any, theirs: Any, noise: float, out: Any, spreads: Any) -> Any:
    """Differences of `unlike` from two neighbours laid by their terms, and the range about each place in them; -1 there
    where neither shows the same stars.

    Returns
    -------
    (2, rows, columns) float64 array, by cells of `NEAR` blocks: sum of what they are off by in shares of the range, and
    how many tell it
    """
    height, width = light.shape
    most, least = np.empty(width, np.float32), np.empty(width, np.float32)
    off = np.zeros((2, height // NEAR + 1, width // NEAR + 1))
    told, quiet, cap = np.float32(RANGE * noise), np.float32(QUIET * noise), np.float32(OFF_MOST)
    for i in range(height):
        most[:] = -np.inf
        least[:] = np.inf
        spread = spreads[i]
        spread[:] = 0
        _take_in(one, its, i, most, least, spread)
        _take_in(two, theirs, i, most, least, spread)
        here, row = light[i], out[i]
        for j in range(width):
            row[j] = here[j] - max(most[j], least[j])
            spread[j] = spread[j] if most[j] > -np.inf else np.float32(-1)
            if spread[j] > told:
                off[0, i // NEAR, j // NEAR] += min(max(abs(row[j]) - quiet, np.float32(0)) / spread[j], cap)
                off[1, i // NEAR, j // NEAR] += 1
    return off


@leaf
def _over_error(out: Any, spreads: Any, missed: Any, noise: float) -> None:
    """Differences over their error, in place; 0 where there is none."""
    own, width = np.float32(noise * noise), out.shape[1]
    for i in range(out.shape[0]):
        row, spread = out[i], spreads[i]
        for start in range(0, width, NEAR):
            near = missed[i // NEAR, start // NEAR]
            for j in range(np.uint64(start), np.uint64(min(start + NEAR, width))):
                error = near * spread[j]
                value = row[j] / np.sqrt(own + error * error)
                row[j] = value if spread[j] >= 0 else np.float32(0)


def unlike(glance: Glance, witnesses: Sequence[Witness]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What a frame shows beyond its neighbours, over its error.

    Stars are never laid on one another exactly: the error there grows with what the blocks about differ, in the measure
    that it does so in this part of the picture.

    Parameters
    ----------
    glance : of the frame
    witnesses : one or two

    Returns
    -------
    (rows, columns) float32 array: differences of blocks from the brighter of what the neighbours show at the same stars
    (the brightest, linear between blocks) and at the same pixels (the darkest of them: stars pass over pixels), over
    their error; 0 where no neighbour shows the same stars; and `Beyond.missed`
    """
    one, two = witnesses[0], witnesses[-1]
    out, spreads = np.empty_like(glance.light), np.empty_like(glance.light)
    noise = max(glance.noise, 1e-6)
    off = _differences(glance.light, one.glance.light, one.terms, two.glance.light, two.terms, noise, out, spreads)
    total, number = (uniform_filter(part, 3, mode="constant") for part in off)
    missed = np.clip(MISSED_TIMES * total / np.maximum(number, 1 / 9), *MISSED).astype(np.float32)
    _over_error(out, spreads, missed, noise)
    return out, np.where(number > TOLD * NEAR * NEAR, missed, np.float32(UNTOLD))


@leaf
def _cells(image: Any, middle: float, scale: float, out: Any) -> None:
    """Means over cells of ``(image - middle) / scale``, no block counting for more than `CLIP`, none below -`CLIP`."""
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            total = np.float32(0)
            for row in range(CELL * i, CELL * (i + 1)):
                for column in range(CELL * j, CELL * (j + 1)):
                    value = (image[row, column] - np.float32(middle)) * np.float32(1 / scale)
                    total += np.float32(0) if value < -CLIP else min(value, np.float32(CLIP))
            out[i, j] = total / (CELL * CELL)


@leaf
def _less_cells(image: Any, middle: float, scale: float, cells: Any) -> None:
    """``(image - middle) / scale`` less its cell's value, in place; what is below -`CLIP` and at the edges is 0."""
    height, width = image.shape
    rows, columns = cells.shape
    for i in range(height):
        line, cell = image[i], cells[min(i // CELL, rows - 1)]
        for j in range(width):
            value = (line[j] - np.float32(middle)) * np.float32(1 / scale) - cell[min(j // CELL, columns - 1)]
            inside = RIM <= i < height - RIM and RIM <= j < width - RIM
            line[j] = value if inside and value > -CLIP else np.float32(0)


@leaf
def _sizes(image: Any, out: Any) -> None:
    """By cells of `NEAR` blocks: sum of the sizes of what is not 0, none counting for more than `CLIP`, and their
    number."""
    height, width = image.shape
    for i in range(height):
        line = image[i]
        for j in range(width):
            if line[j] != 0:
                out[0, i // NEAR, j // NEAR] += min(abs(line[j]), np.float32(CLIP))
                out[1, i // NEAR, j // NEAR] += 1


def _about(cells: NDArray[np.float32]) -> NDArray[np.float32]:
    """The median over `AROUND` x `AROUND` cells of those that are not `DARK`; 0 where all are."""
    height, width = cells.shape
    padded = np.pad(np.where(cells > DARK, cells, np.float32(np.inf)), AROUND // 2, mode="edge")
    near = np.sort([padded[i : i + height, j : j + width] for i in range(AROUND) for j in range(AROUND)], axis=0)
    number = np.isfinite(near).sum(axis=0)
    lower, upper = (
        np.take_along_axis(near, np.maximum(k, 0)[None], axis=0)[0] for k in ((number - 1) // 2, number // 2)
    )
    return np.where(number > 0, (lower + upper) / 2, 0).astype(np.float32)


def flat(image: NDArray[np.float32]) -> None:
    """Put a picture into its own spread, part by part, and take off the level about it (`_about`), in place.

    What passes through a neighbour alone is far below nothing: it becomes nothing, and leaves no rim: a bright one's
    flanks, counted for the level, had a band beside it stand out by a fifth of a block's noise, along which chance made
    a streak. Where the sky itself changes, or trees move, a part has more of a spread than others.
    """
    rows, columns = (n // CELL for n in image.shape)
    if min(rows, columns) < 1:
        image[:] = 0
        return
    sample = image[::SAMPLED, ::SAMPLED]
    middle, high = np.percentile(sample, [50, 100 * TAIL])
    # what is left of stars makes the tail heavier than that of noise
    scale = max(MAD_TO_SIGMA * float(np.median(np.abs(sample - middle))), (high - middle) / TAIL_SIGMA, 1e-6)
    cells = np.empty((rows, columns), np.float32)
    _cells(image, middle, scale, cells)
    _less_cells(image, middle, scale, _about(cells))
    sizes = np.zeros((2, *(n // NEAR + 1 for n in image.shape)))
    _sizes(image, sizes)
    total, number = (uniform_filter(part, 3, mode="constant") for part in sizes)
    spread = np.maximum(total / np.maximum(number, 1 / 9) / MEAN_SIZE, SPREAD_LEAST).astype(np.float32)
    for i in range(spread.shape[0]):
        image[i * NEAR : (i + 1) * NEAR] /= np.repeat(spread[i], NEAR)[: image.shape[1]]


def beyond_neighbours(found: Detections, glance: Glance, witnesses: Sequence[Witness]) -> Beyond:
    """What stands out of a frame beside its neighbours.

    Parameters
    ----------
    found : of the frame's half-size image
    glance : of the frame
    witnesses : one or two
    """
    image, missed = unlike(glance, witnesses)
    flat(image)
    objects, segments = find_objects(smoothed(image), SIGMA * KERNEL_NOISE)
    return Beyond(objects, segments, found.sky, image, 1.0, missed)


def laid_on(glance: Glance, coefficients: NDArray[np.float64], scale: float) -> Witness:
    """A neighbour with where the frame's places lie in it.

    Parameters
    ----------
    glance : of the neighbour
    coefficients : (n, 2) float64 array: how much farther along x and y a place of the frame lies in the neighbour, px,
        by the first of `POWERS` of the place over `scale`
    scale : px
    """
    grid = np.zeros((ORDER + 1, ORDER + 1, 2))
    for (p, q), values in zip(POWERS, coefficients, strict=False):
        grid[p, q] = values
    # a block n lies at STEP n + (STEP - 1) / 2
    a, b = STEP / scale, (STEP - 1) / 2 / scale
    orders = range(ORDER + 1)
    powers = np.array([[math.comb(p, r) * a**r * b ** max(p - r, 0) for r in orders] for p in orders])
    return Witness(glance, np.einsum("pqk,pr,qs->rsk", grid, powers, powers) / STEP)
