"""The sky behind the stars of one half-size image: a mesh of levels that stars do not lift."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import maximum_filter, median_filter, uniform_filter

from pipeline.pixels.leaf import leaf

SIDE = 32  # px of the half-size image: 64 leaves the Milky Way and treetops in, 32 still clears discs of 28 px radius
SAMPLE = 64  # pixels of a block that say where its histogram lies
BINS = 80
BINS_SIGMA = 8.0  # to a standard deviation; the median between bins is then good to 0.002 of it
CLIP = 3.0
CLIPPED_SPREAD = 0.98658  # standard deviation of a unit normal distribution clipped at 3
# Mode of a skewed distribution by Pearson's rule, 2.5 median - 1.5 mean in its form for clipped samples, as long as
# mean and median are so near each other (in standard deviations); beyond, the median (Da Costa 1992, ASP Conf. 23:90).
SKEW_MAX = 0.3
ROUNDS = 6
FINE_SIDE = 8  # px of the half-size image, of blocks where the sky itself has structure
FINE_NOISE = 1.5  # times the noise that goes with a block's light: beyond, it holds more than noise
FINE_REACH = 3  # of the broad blocks, so far the median over 3 x 3 of them and the lines between carry what light does
FINE_AROUND, FINE_LEAST = 3, 0.3  # blocks a side that stand in for a spoiled one, and the share of them that must tell


@numba.njit(cache=True, nogil=True, fastmath={"reassoc"})
def _sums(counts: Any, low: int, high: int) -> Any:
    """Sums of whole numbers, which are exact in any order: number, first and second moments of part of a histogram."""
    number, total, square = 0.0, 0.0, 0.0
    for k in range(low, high):
        number += counts[k]
        total += counts[k] * k
        square += counts[k] * k * k
    return number, total, square


@numba.njit(cache=True, nogil=True)
def _statistics(counts: Any, first: float, step: float, own: float) -> Any:
    """Mode and spread of a histogram, clipped about the median; `own` is the variance that a bin hides (bins^2)."""
    low, high = 0, counts.shape[0]
    middle, mean, spread = 0.0, 0.0, 0.0
    for _ in range(ROUNDS):
        number, total, square = _sums(counts, low, high)
        if number == 0:
            break
        mean = total / number
        spread = np.sqrt(max(square / number - mean * mean, 0.0))
        half, running, k = number / 2, 0.0, low
        while running + counts[k] < half:
            running += counts[k]
            k += 1
        middle = k - 0.5 + (half - running) / max(counts[k], 1)
        new_low = max(low, int(np.ceil(middle - CLIP * spread - 0.5)))
        new_high = min(high, int(np.floor(middle + CLIP * spread + 0.5)) + 1)
        if new_low == low and new_high == high:
            break
        low, high = new_low, new_high
    spread = np.sqrt(max(spread * spread - own, 0.0))
    mode = middle
    if abs(mean - middle) < SKEW_MAX * max(spread, 0.5):
        mode = 2.5 * middle - 1.5 * mean
    return first + step * mode, step * spread


@numba.njit(cache=True, nogil=True)
def _samples(image: Any, tops: Any, lefts: Any, samples: Any) -> None:
    """Pixels of each block on an 8 x 8 lattice, shifted from row to row so that no pattern of the sensor falls in."""
    for i in range(samples.shape[0]):
        for j in range(samples.shape[1]):
            top, left = tops[i], lefts[j]
            tall, wide = tops[i + 1] - top, lefts[j + 1] - left
            for n in range(SAMPLE):
                a, b = n // 8, n % 8
                row, column = top + (8 * a + b) * tall // SAMPLE, left + (8 * b + (3 * a) % 8) * wide // SAMPLE
                samples[i, j, n] = image[row, column]


@numba.njit(cache=True, nogil=True)
def _bins(sample: Any, quantum: float) -> Any:
    """Where a block's histogram begins, the width of its bins, and the variance that a bin hides (bins^2).

    `sample` holds some of the block's values in their order. The width is 0 where they are all alike.
    """
    centre = (sample[31] + sample[32]) / 2
    step = (sample[48] - sample[15]) / 1.349 / BINS_SIGMA
    if not quantum > 0:
        return centre - step * (BINS // 2), step, 1 / 12
    # bins as wide as a whole number of the steps that levels come in, or they fill unevenly
    step = quantum * max(1.0, np.round(step / quantum))
    first = sample[0] + quantum * np.round((centre - step * (BINS // 2) - sample[0]) / quantum)
    first += quantum * 0.5 * (np.round(step / quantum) - 1)
    return first, step, (1 - (quantum / step) ** 2) / 12


@numba.njit(cache=True, nogil=True)
def _levels(image: Any, quantum: float, tops: Any, lefts: Any, samples: Any, level: Any, spread: Any) -> None:
    """The compiled loop of `sky_mesh`; `samples` of each block in the order of their values.

    Whole rows of the image are turned into numbers of bins before these are counted: many at once, and with the counts
    of neighbouring blocks apart.
    """
    rows, columns = level.shape
    width = image.shape[1]
    scale, offset, bins = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.uint8)
    # values beyond the histogram fall into a bin at either end of it that is not looked at
    tally, counts = np.empty((columns, BINS + 2), np.int32), np.empty(BINS)
    first, step, own = np.empty(columns), np.empty(columns), np.empty(columns)
    for i in range(rows):
        for j in range(columns):
            first[j], step[j], own[j] = _bins(samples[i, j], quantum)
            here = slice(lefts[j], lefts[j + 1])
            scale[here] = np.float32(1 / step[j]) if step[j] > 0 else np.float32(0)
            offset[here] = np.float32(1.5 - first[j] / step[j]) if step[j] > 0 else np.float32(0)
        tally[:] = 0
        for row in range(tops[i], tops[i + 1]):
            line = image[row]
            for column in range(width):
                k = np.int32(line[column] * scale[column] + offset[column])
                bins[column] = min(max(k, np.int32(0)), np.int32(BINS + 1))
            for j in range(columns):
                number = tally[j]
                for column in range(lefts[j], lefts[j + 1]):
                    number[bins[column]] += 1
        for j in range(columns):
            if step[j] > 0:
                counts[:] = tally[j, 1:-1]
                level[i, j], spread[i, j] = _statistics(counts, first[j], step[j], own[j])
            else:
                level[i, j], spread[i, j] = samples[i, j, SAMPLE // 2], 0.0


@leaf
def _take_off(image: Any, y: int, begin: int, end: int, left: Any, share: Any, rise: Any) -> None:
    row = image[y]
    for x in range(np.uint64(begin), np.uint64(end)):
        row[x] = row[x] - (left + share[x] * rise)


@numba.njit(cache=True, nogil=True)
def _subtract(image: Any, mesh: Any, centre_y: Any, centre_x: Any) -> None:
    """``image -= (mesh between the centres, linearly; beyond the outermost ones along the same line)``.

    In place: where what is read and what is written may be one array or two, no vector code is made.
    """
    rows, columns = mesh.shape
    height, width = image.shape
    line = np.empty(columns, np.float32)
    # between one pair of crossings and the next; a row's pixels there are worked on together
    stretches = max(columns - 1, 1)
    begin, share = np.zeros(stretches + 1, np.int64), np.empty(width, np.float32)
    j = 0
    for x in range(width):
        while j < columns - 2 and x > centre_x[j + 1]:
            j += 1
            begin[j] = x
        share[x] = (x - centre_x[j]) / (centre_x[j + 1] - centre_x[j]) if columns > 1 else 0.0
    begin[stretches] = width
    i = 0
    for y in range(height):
        while i < rows - 2 and y > centre_y[i + 1]:
            i += 1
        down = np.float32((y - centre_y[i]) / (centre_y[i + 1] - centre_y[i])) if rows > 1 else np.float32(0)
        below = min(i + 1, rows - 1)
        for k in range(columns):
            line[k] = mesh[i, k] + down * (mesh[below, k] - mesh[i, k])
        for k in range(stretches):
            left, rise = line[k], line[min(k + 1, columns - 1)] - line[k]
            _take_off(image, y, begin[k], begin[k + 1], left, share, rise)


@dataclass(frozen=True)
class SkyMesh:
    """`level` (rows, columns) float32 sky levels at the crossings of `y` and `x`, px; `noise` of one pixel."""

    level: NDArray[np.float32]
    y: NDArray[np.float64]
    x: NDArray[np.float64]
    noise: float

    def at(self, y: ArrayLike, x: ArrayLike) -> NDArray[np.float64]:
        """Sky at places (row, column), linearly between the crossings."""

        def between(centres: NDArray[np.float64], place: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
            values = np.asarray(place, np.float64)
            if len(centres) == 1:
                return np.zeros(values.shape, np.int64), np.zeros(values.shape)
            first = np.clip(np.searchsorted(centres, values) - 1, 0, len(centres) - 2)
            return first, (values - centres[first]) / (centres[first + 1] - centres[first])

        i, down = between(self.y, y)
        j, right = between(self.x, x)
        level = self.level.astype(np.float64)
        i1, j1 = np.minimum(i + 1, len(self.y) - 1), np.minimum(j + 1, len(self.x) - 1)
        above = level[i, j] + right * (level[i, j1] - level[i, j])
        under = level[i1, j] + right * (level[i1, j1] - level[i1, j])
        return above + down * (under - above)

    def subtracted(self, image: NDArray[np.float32], out: NDArray[np.float32]) -> NDArray[np.float32]:
        """`image` less the sky, into `out` (which may be `image`)."""
        if out is not image:
            out[:] = image
        _subtract(out, self.level, self.y, self.x)
        return out


def _blocks(
    image: NDArray[np.float32], quantum: float, side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32], list[NDArray[np.float64]]]:
    """Modes and spreads of an image's blocks of about `side` px, and the middles of their rows and columns."""
    # blocks at the far edges are larger by what is left, up to half a block
    edges = []
    for n in image.shape:
        number = max(1, round(n / max(8, min(side, n))))
        edges.append(np.rint(np.linspace(0, n, number + 1)).astype(np.int64))
    level = np.empty((len(edges[0]) - 1, len(edges[1]) - 1), np.float32)
    spread = np.empty_like(level)
    samples = np.empty((*level.shape, SAMPLE), np.float32)
    _samples(image, edges[0], edges[1], samples)
    samples.sort(axis=2)
    _levels(image, quantum, edges[0], edges[1], samples, level, spread)
    return level, spread, [(e[1:] + e[:-1] - 1) / 2 for e in edges]


def sky_mesh(image: NDArray[np.float32], quantum: float = 0.0) -> SkyMesh:
    """Measure the sky of an image in blocks of `SIDE` px.

    A block's level is the mode of its values clipped at 3 standard deviations; a median over 3 x 3 blocks takes out
    what single bright stars still lift.

    Parameters
    ----------
    image : (height, width) float32 array
    quantum : the steps that its values come in; 0 where they come in none
    """
    level, spread, centres = _blocks(image, quantum, SIDE)
    # beyond the edge a slope goes on: the median of a corner block repeated would be that of the blocks inside of it
    padded = np.pad(level, [(1, 1) if n > 1 else (0, 0) for n in level.shape], "reflect", reflect_type="odd")
    inner = tuple(slice(1, -1) if n > 1 else slice(None) for n in level.shape)
    level = np.ascontiguousarray(median_filter(padded, 3, mode="nearest")[inner])
    return SkyMesh(level, centres[0], centres[1], float(np.median(spread)) / CLIPPED_SPREAD)


def finer_mesh(
    sky: SkyMesh, residual: NDArray[np.float32], broad: Callable[[NDArray[Any], NDArray[Any]], Any]
) -> SkyMesh:
    """The sky where light stands that is broader than stars and that the mesh does not follow, as an aurora's rays.

    Blocks of `FINE_SIDE` px whose values jump from pixel to pixel as noise alone does say how far it is off there;
    land, trees and crowds of stars are rougher, and stay as they are.

    Parameters
    ----------
    sky, residual : the mesh of an image, and what it leaves of it
    broad : of places (rows, columns), whether such light was met there

    Returns
    -------
    the mesh with the middles of finer blocks as its crossings
    """
    level, _, (y, x) = _blocks(residual, 0.0, FINE_SIDE)
    # a slope makes no jumps, but it widens the blocks of the mesh
    _, jumps, _ = _blocks(np.diff(residual, axis=1, append=residual[:, -1:]), 0.0, FINE_SIDE)
    jumps /= np.sqrt(2) * CLIPPED_SPREAD
    noise = min(sky.noise, float(np.median(jumps)))
    coarse = sky.at(y[:, None], x)
    light = np.maximum((coarse + level) / max(float(np.median(sky.level)), 1e-6), 1.0)
    smooth = jumps < FINE_NOISE * noise * np.sqrt(light)
    met = broad(np.rint(y).astype(np.int64)[:, None], np.rint(x).astype(np.int64))
    near = maximum_filter(met, 2 * (FINE_REACH * SIDE // FINE_SIDE) + 1)
    told = (smooth & near).astype(np.float64)
    # of what a star spoils the blocks around tell
    share = uniform_filter(told, FINE_AROUND)
    around = uniform_filter(told * level, FINE_AROUND) / np.maximum(share, 1e-9)
    off = np.where(told > 0, level, np.where(near & (share > FINE_LEAST), around, 0.0))
    return SkyMesh((coarse + off).astype(np.float32), y, x, sky.noise)
