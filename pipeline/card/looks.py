"""What the pixels of a frame show, coarsely: how bright, how smooth, whether there are stars.

Enough to tell a dark from a light and the night from the day; the grades of a frame are measured elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.sensor.mosaic import colour_planes

# Side of the blocks in which background and noise are taken, in 2 x 2 cells: large against a star, small against
# vignetting and twilight gradients.
BLOCK = 64
# Medians of a block are taken of every so-manieth row and column: of 256 cells, which gives its noise to 6 %.
THIN = 4

# A block whose differences between means of 2 x 2 cells exceed what its pixel noise explains by this factor shows
# things, not sky. The least fifth of the differences tells, as crowded stars reach the median. Measured, median over
# the blocks of a frame: darks 1.0, starry sky 1.1-1.3 (the most crowded blocks 1.7), daylight pictures 2.1-2.6.
TEXTURE_MAX = 1.8
TEXTURE_QUANTILE = 0.2
LEAST_OF_NORMAL = 0.25335  # a fifth of a normal distribution lies within this many standard deviations

# A peak counts as a star when it rises this many standard deviations of its block's noise, ...
PEAK_SIGMA = 6.0
# ... its four neighbours, which have other colours on a Bayer sensor, together rise significantly, ...
NEIGHBOURS_SIGMA = 3.5
# ... and at least two of them by this share of the peak: at FWHM 2 px each has 0.5 of a centred peak; the neighbours
# of a hot pixel have nothing, and one in 13 of 2,000 hot pixels on a 0.8-megapixel sensor has two hot neighbours.
NEIGHBOUR_SHARE = 0.2


@dataclass(frozen=True)
class Look:
    """A coarse look at a frame.

    `level` is the median above black as a share of the range from black to saturation, `spread` the same of the
    difference between bright and faint blocks (5 % to 95 %), `noise` the same of a green cell's noise; `smooth` is
    the share of blocks that show nothing but noise and points; in those, `stars` is the number of star-like points and
    `points` that of single bright pixels.
    """

    level: float
    spread: float
    noise: float
    smooth: float
    stars: int
    points: int


def look_at(pixels: NDArray[np.uint16], cfa: str, black: tuple[float, float, float, float], saturation: float) -> Look:
    """Look at a mosaic.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    cfa : str
        `RGGB`, `BGGR`, `GRBG`, `GBRG` or `MONO`.
    black : four levels, ADU, by CFA position (0,0), (0,1), (1,0), (1,1)
    saturation : float
        ADU.
    """
    height, width = (n // 2 for n in pixels.shape)
    if min(height, width) < 16:
        return Look(0.0, 0.0, 0.0, 0.0, 0, 0)
    block = min(BLOCK, height, width)
    rows, columns = height // block, width // block
    cells = pixels[: 2 * rows * block, : 2 * columns * block]
    planes = [cells[n // 2 :: 2, n % 2 :: 2].astype(np.float32) - np.float32(black[n]) for n in range(4)]
    greens = [planes[2 * r + c] for r, c in colour_planes(cfa)["G"]]
    green = (sum(greens[1:], greens[0]) / np.float32(len(greens))).astype(np.float32, copy=False)
    span = max(saturation - float(np.mean(black)), 1.0)

    blocks = _blocks(green, block)
    levels = _median(blocks[..., ::THIN, ::THIN])
    noise = _step(blocks[..., ::THIN, :])
    side = block // 2
    coarse = blocks[..., : 2 * side, : 2 * side].reshape(rows, columns, side, 2, side, 2).mean(axis=(3, 5))
    fine = _least_steps(blocks[..., ::THIN, :])
    # quantisation bounds the noise from below: a third of a count, as of a uniform error of one count
    smooth = 2 * _least_steps(coarse) < TEXTURE_MAX * np.maximum(fine, 0.3)
    low, high = np.percentile(levels, (5, 95))
    stars, points = _count_peaks(planes, block, smooth)
    return Look(
        level=round(float(np.median(levels)) / span, 6),
        spread=round(float(high - low) / span, 6),
        noise=round(float(np.median(noise)) / span, 6),
        smooth=round(float(smooth.mean()), 4),
        stars=stars,
        points=points,
    )


def _blocks(plane: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    rows, columns = plane.shape[0] // block, plane.shape[1] // block
    return plane.reshape(rows, block, columns, block).swapaxes(1, 2)


def _step(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Noise from the differences of neighbours, their median taken out: neither stars (few) nor gradients move it."""
    steps = np.diff(blocks, axis=3)
    return (1.4826 / np.sqrt(2)) * _median(np.abs(steps - _median(steps)[..., None, None]))


def _least_steps(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """As `_step`, from the least fifth of the differences."""
    steps = np.diff(blocks, axis=3)
    steps = np.abs(steps - _median(steps)[..., None, None])
    return (1 / np.sqrt(2) / LEAST_OF_NORMAL) * _ranked(steps, TEXTURE_QUANTILE)


def _median(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """The median of each block."""
    return _ranked(blocks, 0.5)


def _ranked(blocks: NDArray[np.float32], share: float) -> NDArray[np.float32]:
    """The value of each block below which a share of its values lies."""
    rows, columns = blocks.shape[:2]
    values = np.ascontiguousarray(blocks).reshape(rows * columns, -1)
    place = int(values.shape[1] * share)
    return np.partition(values, place, axis=1)[:, place].reshape(rows, columns)


def _count_peaks(planes: list[NDArray[np.float32]], block: int, smooth: NDArray[np.bool_]) -> tuple[int, int]:
    """Count the peaks that are spread over several pixels and those that are not, in the blocks that are smooth."""
    height, width = planes[0].shape
    rise = np.empty((2 * height, 2 * width), np.float32)
    for n, plane in enumerate(planes):
        blocks = _blocks(plane, block)
        thinned = blocks[..., ::THIN, ::THIN]
        level = _median(thinned)[:, :, None, None]
        noise = 1.4826 * _median(np.abs(thinned - level))[:, :, None, None]
        scaled = (blocks - level) / np.maximum(noise, 0.5)
        rise[n // 2 :: 2, n % 2 :: 2] = scaled.swapaxes(1, 2).reshape(height, width)
    rows, columns = np.nonzero(rise[1:-1, 1:-1] > PEAK_SIGMA)
    rows, columns = rows + 1, columns + 1
    inside = smooth[rows // (2 * block), columns // (2 * block)]
    rows, columns = rows[inside], columns[inside]
    peak = rise[rows, columns]
    is_peak = np.ones(len(peak), bool)
    for y in (-1, 0, 1):
        for x in (-1, 0, 1):
            if (y, x) < (0, 0):
                is_peak &= peak > rise[rows + y, columns + x]
            elif (y, x) > (0, 0):
                is_peak &= peak >= rise[rows + y, columns + x]
    rows, columns, peak = rows[is_peak], columns[is_peak], peak[is_peak]
    around = np.sort(
        [rise[rows - 1, columns], rise[rows + 1, columns], rise[rows, columns - 1], rise[rows, columns + 1]], axis=0
    )
    spread_out = (around.sum(axis=0) > 2 * NEIGHBOURS_SIGMA) & (around[2] > NEIGHBOUR_SHARE * peak)
    stars = int(np.count_nonzero(spread_out))
    return stars, len(peak) - stars
