"""What the pixels of a frame show, coarsely: how bright, how smooth, whether there are stars.

Enough to tell a dark from a light and the night from the day; the grades of a frame are measured elsewhere.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.card.frame import Look
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.sensor.mosaic import colour_planes
from pipeline.stars.peaks import count_peaks

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

# Offsets of whole rows and columns are the sensor's and show nothing. They are told where less than this is smooth, as
# what a line has beyond the ordinary one of the so many beside it on either side (edges of things are wider).
BANDED_SMOOTH = 0.9
LINES_BESIDE = 32

# Where stars stand so close that hardly a block is smooth (0.04 of them a pixel, measured on rendered frames), it is
# the bright tail of a block's cells that tells: a sky full of stars has much far above its middle, nothing far below.
# Shares of blocks whose 99th percentile lies more than TAIL times as far above the median as the 10th below it: crowded
# skies 0.89-0.94, three real pictures with lamps and by daylight 0.21, 0.37, 0.60; spread over level, which vignetting
# and gradients make: 0.55 there and 1.9-6 here.
TAIL = 6.0
CROWDED_SHARE = 0.75
CROWDED_SPREAD = 1.2
CROWDED_SMOOTH = 0.4  # only where fewer blocks than this are smooth is a frame asked

# A peak counts as a star when it rises this many standard deviations of its block's noise, ...
PEAK_SIGMA = 6.0
# ... its four neighbours, which have other colours on a Bayer sensor, together rise significantly, ...
NEIGHBOURS_SIGMA = 3.5
# ... and one in its row and one in its column by this share of the peak: at FWHM 2 px each has 0.5 of a centred peak;
# the neighbours of a hot pixel have nothing.
NEIGHBOUR_SHARE = 0.2


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
    greens = [_plane(cells, black, 2 * r + c) for r, c in colour_planes(cfa)["G"]]
    green = sum(greens[1:], greens[0])
    green /= np.float32(len(greens))
    # whole numbers a noise's width apart have no least fifth: spread over the step between them they have one again
    dither = np.random.default_rng(0).random((block, block), np.float32) - np.float32(0.5)
    green += np.tile(dither / np.float32(len(greens)), (rows, columns))
    span = max(saturation - float(np.mean(black)), 1.0)

    coarse, smooth = _texture(_blocks(green, block))
    if smooth.mean() < BANDED_SMOOTH:
        without = _texture(_blocks(_without_lines(green), block))
        if without[1].mean() >= BANDED_SMOOTH:
            coarse, smooth = without
    blocks = _blocks(green, block)
    levels = _median(blocks[..., ::THIN, ::THIN])
    noise = _step(blocks[..., ::THIN, :])
    low, high = np.percentile(levels, (5, 95))
    if smooth.mean() < CROWDED_SMOOTH and high - low <= CROWDED_SPREAD * float(np.median(levels)):
        tail, middle, least = (_ranked(coarse, q) for q in (0.99, 0.5, 0.1))
        crowded = tail - middle > TAIL * np.maximum(middle - least, 1e-3)
        if crowded.mean() >= CROWDED_SHARE:
            smooth |= crowded
    thinned = [_thinned(cells, black, n, block) for n in range(4)]
    peak_levels = np.stack([_median(plane) for plane in thinned])
    steps = (np.abs(plane - level[..., None, None]) for plane, level in zip(thinned, peak_levels, strict=True))
    noises = np.maximum(np.float32(MAD_TO_SIGMA) * np.stack([_median(each) for each in steps]), np.float32(0.5))
    stars, points = count_peaks(
        cells, black, peak_levels, noises, 2 * block, smooth, PEAK_SIGMA, NEIGHBOURS_SIGMA, NEIGHBOUR_SHARE
    )
    return Look(
        level=round(float(np.median(levels)) / span, 6),
        spread=round(float(high - low) / span, 6),
        noise=round(float(np.median(noise)) / span, 6),
        smooth=round(float(smooth.mean()), 4),
        stars=stars,
        points=points,
    )


def _texture(blocks: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Means of 2 x 2 cells of each block, and which blocks show nothing but noise and points."""
    side = blocks.shape[-1] // 2
    four = [blocks[..., y : 2 * side : 2, x : 2 * side : 2] for y in (0, 1) for x in (0, 1)]
    coarse = (four[0] + four[1] + four[2] + four[3]) / np.float32(4)
    fine = _least_steps(blocks[..., ::THIN, :])
    # quantisation bounds the noise from below: a third of a count, as of a uniform error of one count
    return coarse, 2 * _least_steps(coarse) < TEXTURE_MAX * np.maximum(fine, 0.3)


def _without_lines(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """The plane without what whole rows and columns have beyond the ones about them."""
    for axis, thinned in ((0, plane[::THIN]), (1, plane[:, ::THIN])):
        level = np.median(thinned, axis=axis, keepdims=True)
        size = [1, 1]
        size[1 - axis] = 2 * LINES_BESIDE + 1
        plane = plane - (level - ndimage.median_filter(level, size))
    return np.ascontiguousarray(plane)


def _plane(cells: NDArray[np.uint16], black: tuple[float, float, float, float], n: int) -> NDArray[np.float32]:
    """The pixels of one CFA position, ADU above black."""
    return cells[n // 2 :: 2, n % 2 :: 2].astype(np.float32) - np.float32(black[n])


def _thinned(
    cells: NDArray[np.uint16], black: tuple[float, float, float, float], n: int, block: int
) -> NDArray[np.float32]:
    """Every so-manieth row and column of the blocks of one CFA position, ADU above black."""
    return _blocks(cells[n // 2 :: 2, n % 2 :: 2], block)[..., ::THIN, ::THIN].astype(np.float32) - np.float32(black[n])


def _blocks(plane: NDArray[Any], block: int) -> NDArray[Any]:
    rows, columns = plane.shape[0] // block, plane.shape[1] // block
    down, right = plane.strides
    shape, strides = (rows, columns, block, block), (down * block, right * block, down, right)
    return np.lib.stride_tricks.as_strided(plane, shape, strides, writeable=False)


def _step(blocks: NDArray[np.float32]) -> NDArray[np.float32]:
    """Noise from the differences of neighbours, their median taken out: neither stars (few) nor gradients move it."""
    steps = np.diff(blocks, axis=3)
    return (MAD_TO_SIGMA / np.sqrt(2)) * _median(np.abs(steps - _median(steps)[..., None, None]))


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
