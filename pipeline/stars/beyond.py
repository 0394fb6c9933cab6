"""What one frame shows and its neighbours in time do not, neither at the same stars nor at the same pixels.

Stars, the Milky Way and its lanes stay with the stars, land, lamps and the sensor's defects with the pixels; what is
left when both are taken away is what passes: satellites, aircraft, meteors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from pipeline.pixels.regression import MAD_TO_SIGMA
from pipeline.stars.detect import KERNEL_NOISE, Detections, smoothed
from pipeline.stars.objects import find_objects

SIDE = 2  # half-size px a side of a block
STEP = 2 * SIDE  # px of the mosaic
# Of the range of the blocks about a place, by which a star laid between them is missed, twinkles or swells.
MISSED = 0.5
CELL = 4  # blocks a side over which what is broad is taken off
CLIP = 3.0  # standard deviations that a block counts there at most
AROUND = 3  # cells
TAIL, TAIL_SIGMA = 0.98, 2.054  # share of a normal distribution below so many standard deviations
RIM = 2  # blocks at the edges of the picture
SAMPLED = 7  # every so many blocks tell the spread


@dataclass(frozen=True)
class Glance:
    """What is kept of a frame for its neighbours.

    `light` (rows, columns) float32: means of blocks of `STEP` px of the mosaic above the sky, ADU; `noise` of one.
    """

    light: NDArray[np.float32]
    noise: float


@dataclass(frozen=True)
class Witness:
    """A neighbour laid on a frame.

    `terms` (6, 2) float64: where a place of the frame lies in the neighbour less the place itself, in blocks, by
    1, x, y, x^2, xy, y^2 of the place in blocks.
    """

    glance: Glance
    terms: NDArray[np.float64]


@numba.njit(cache=True, nogil=True)
def _means(image: Any, out: Any) -> None:
    """``image.reshape(h, 2, w, 2).mean(axis=(1, 3))``."""
    for i in range(out.shape[0]):
        upper, lower = image[2 * i], image[2 * i + 1]
        for j in range(out.shape[1]):
            out[i, j] = np.float32(0.25) * (upper[2 * j] + upper[2 * j + 1] + lower[2 * j] + lower[2 * j + 1])


def glance_of(found: Detections) -> Glance:
    """What is kept of a frame."""
    height, width = (n // SIDE for n in found.residual.shape)
    light = np.empty((height, width), np.float32)
    _means(found.residual, light)
    return Glance(light, found.noise / SIDE)


@numba.njit(cache=True, nogil=True)
def _beyond(light: Any, other: Any, terms: Any, most: Any, least: Any, spread: Any) -> None:
    """One neighbour taken in: the most that any shows at the same stars, the least at the same pixels, and the range of
    the blocks about the same stars."""
    height, width = light.shape
    for i in range(height):
        x0, x1 = terms[0, 0] + i * (terms[2, 0] + i * terms[5, 0]), terms[1, 0] + i * terms[4, 0]
        y0, y1 = terms[0, 1] + i * (terms[2, 1] + i * terms[5, 1]), terms[1, 1] + i * terms[4, 1]
        for j in range(width):
            least[i, j] = min(least[i, j], other[i, j])
            x = j + x0 + j * (x1 + j * terms[3, 0])
            y = i + y0 + j * (y1 + j * terms[3, 1])
            if x < 0 or y < 0 or x >= width - 1 or y >= height - 1:
                continue
            row, column = int(y), int(x)
            down, right = np.float32(y - row), np.float32(x - column)
            a, b = other[row, column], other[row, column + 1]
            c, d = other[row + 1, column], other[row + 1, column + 1]
            upper, lower = a + right * (b - a), c + right * (d - c)
            most[i, j] = max(most[i, j], upper + down * (lower - upper))
            spread[i, j] = max(spread[i, j], max(max(a, b), max(c, d)) - min(min(a, b), min(c, d)))


def unlike(glance: Glance, witnesses: Sequence[Witness]) -> NDArray[np.float32]:
    """What a frame shows beyond its neighbours, over its error.

    Stars are never laid on one another exactly: the error there grows with what the blocks about differ.

    Parameters
    ----------
    glance : of the frame
    witnesses : one and more

    Returns
    -------
    (rows, columns) float32 array: differences of blocks from the brighter of what the neighbours show at the same stars
    and at the same pixels (there the darkest of them: stars pass over pixels), over their error, broad structure taken
    off; 0 where no neighbour shows the same stars
    """
    light = glance.light
    most = np.full_like(light, -np.inf)
    least = np.full_like(light, np.inf)
    spread = np.zeros_like(light)
    for witness in witnesses:
        _beyond(light, witness.glance.light, witness.terms, most, least, spread)
    noise = np.float32(max(glance.noise, 1e-6))
    over = light - np.maximum(most, least)
    over /= np.sqrt(noise * noise + (np.float32(MISSED) * spread) ** 2)
    over[np.isneginf(most)] = 0
    return _flat(over)


def _flat(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """The image less the mean over `AROUND` cells, in which no block counts for more than `CLIP`, in its own spread."""
    rows, columns = (n // CELL for n in image.shape)
    if min(rows, columns) < 1:
        return np.zeros_like(image)
    sample = image[::SAMPLED, ::SAMPLED]
    middle, high = np.percentile(sample, [50, 100 * TAIL])
    image -= middle
    # what is left of stars makes the tail heavier than that of noise
    image /= max(MAD_TO_SIGMA * float(np.median(np.abs(sample))), (high - middle) / TAIL_SIGMA, 1e-6)
    cut = image[: rows * CELL, : columns * CELL]
    cut = np.where(cut < -CLIP, 0, np.minimum(cut, CLIP))
    cells = uniform_filter(cut.reshape(rows, CELL, columns, CELL).mean(axis=(1, 3)), AROUND)
    row = np.minimum(np.arange(image.shape[0]) // CELL, rows - 1)
    column = np.minimum(np.arange(image.shape[1]) // CELL, columns - 1)
    image -= cells[row[:, None], column[None]]
    # what passes through a neighbour alone is nothing here, and must leave no rim
    image[image < -CLIP] = 0
    # the mesh of the sky tells least at the edges
    for edge in (image[:RIM], image[-RIM:], image[:, :RIM], image[:, -RIM:]):
        edge[:] = 0
    return image


def beyond_neighbours(found: Detections, glance: Glance, witnesses: Sequence[Witness], sigma: float) -> Detections:
    """What stands out of a frame beside its neighbours, as a picture of `STEP` px a pixel of noise 1.

    Parameters
    ----------
    found : of the frame's half-size image
    glance : of the frame
    witnesses : one and more
    sigma : threshold in standard deviations of the noise of the smoothed picture
    """
    image = unlike(glance, witnesses)
    objects, segments = find_objects(smoothed(image), sigma * KERNEL_NOISE)
    return Detections(objects, segments, found.sky, image, 1.0)


def laid_on(glance: Glance, coefficients: NDArray[np.float64], scale: float) -> Witness:
    """A neighbour with where the frame's places lie in it.

    Parameters
    ----------
    glance : of the neighbour
    coefficients : (1, 3 or 6, 2) float64 array: how much farther along x and y a place of the frame lies in the
        neighbour, px, by 1, x, y, x^2, xy, y^2 of the place over `scale`
    scale : px
    """
    c = np.zeros((6, 2))
    c[: len(coefficients)] = coefficients
    # a block n lies at STEP n + (STEP - 1) / 2
    a, b = STEP / scale, (STEP - 1) / 2 / scale
    terms = np.stack(
        [
            c[0] + b * (c[1] + c[2]) + b * b * (c[3] + c[4] + c[5]),
            a * (c[1] + 2 * b * c[3] + b * c[4]),
            a * (c[2] + b * c[4] + 2 * b * c[5]),
            a * a * c[3],
            a * a * c[4],
            a * a * c[5],
        ]
    )
    return Witness(glance, terms / STEP)
