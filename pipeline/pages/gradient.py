"""The sky's level, and the smooth gradient that glow and lens lay over it, for pictures that are looked at."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import any_in_cells, between
from pipeline.pixels.normal import MAD_TO_SIGMA

LEVEL_SAMPLE = 200_000  # values enough to know a median to 0.3 % of the scatter
BLOCK_SAMPLE = 3_000  # values enough for a block: its level to 2 % of the scatter, and some 200 blocks are fitted
BLOCKS = 18  # blocks over the long side of which the gradient is measured
# What is off the surface is followed where it is as broad as this, blocks, in so many rounds; and a block below this
# share of the sky's level is land (a lens leaves half and more of it in its corners).
BROAD_BLOCKS, BROAD_ROUNDS, LAND_LIKE = 1.0, 4, 0.35
LEAST_BLOCKS = 12
SKY_SHARE = 0.25  # of a block, from which it tells the sky: what is left beside land may be land
LAND_QUANTILE = 0.25  # of the sky's levels; land is held against none lower
CAST_TERMS = 6  # of the surface: colours turn with the second order at most
# What colour broad light may keep, per brightness that it stands above the surface (a town's dome 0.5-0.7 measured on
# rendered skies, airglow alone 1.2) or that blocks scatter about it: more is a cast.
COLOUR_OF_LIGHT = 0.7
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # of linear sRGB (IEC 61966-2-1)
FINE = 8  # the surface is worked out at the middles of cells of so many pixels, straight lines between them
ORDINARY = 1.3  # standard deviations of the blocks by which noise and structure may be off
# Squared distance from the middle, in half diagonals, from which, and from which all of, what is darker is followed;
# what is brighter, which may be the Milky Way.
RIM, CORNERS = (0.25, 0.6), (0.5, 0.9)


def robust_level(values: NDArray[np.floating], sample: int = LEVEL_SAMPLE) -> tuple[float, float]:
    """Sky level and scatter of pixel values in which stars are a bright tail.

    Median and scale of the lower half, after clipping. At most about `sample` values are looked at,
    evenly spaced.
    """
    values = values.reshape(-1)
    values = values[:: max(1, values.size // sample)]
    values = np.sort(values[np.isfinite(values)].astype(float))
    if values.size == 0:
        return 0.0, 0.0
    for _ in range(4):
        middle = _median(values)
        sigma = MAD_TO_SIGMA * _median(middle - values[: np.searchsorted(values, middle, "right")])
        keep = np.abs(values - middle) <= 3 * sigma
        if sigma <= 0 or keep.all():
            break
        values = values[keep]
    return middle, sigma


def _median(ordered: NDArray[np.floating]) -> float:
    """The median of values in order, rising or falling."""
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def gradient(light: NDArray[np.floating]) -> NDArray[np.float32]:
    """The smooth gradient of a (height, width, 3) picture in linear light, (height, width, 3), medians 0.

    Its brightness, in the sky's own colour (a lens dims all colours alike), and a cast of colour that turns slowly over
    the picture, as far as the picture tells one: light in bands, such as airglow, is nothing that a wide surface could
    take away without leaving its complement beside it.
    """
    height, width = light.shape[:2]
    size = max(4, -(-max(height, width) // BLOCKS))
    shape = -(-height // size), -(-width // size)
    levels = np.full((*shape, 3), np.nan)
    for i, j in np.ndindex(*shape):
        block = light[i * size : (i + 1) * size, j * size : (j + 1) * size]
        if np.isfinite(block[..., 0]).mean() >= SKY_SHARE:
            levels[i, j] = [robust_level(block[..., channel], BLOCK_SAMPLE)[0] for channel in range(3)]
    known = np.asarray(np.isfinite(levels).all(axis=2))
    if np.count_nonzero(known) < LEAST_BLOCKS:
        return np.zeros(light.shape, np.float32)
    places = _Places(height, width, size, known, np.isfinite(light[..., 0]))
    bright = levels @ LUMINANCE
    middle = np.median(levels[known], axis=0)
    tint = middle / (middle @ LUMINANCE) if (middle > 0).all() else np.ones(3)
    surface, fit = _brightness(bright, places)
    cast = _cast(levels[known] - bright[known][:, None] * tint, surface, fit, places)
    cells = surface[..., None] * tint + cast
    cells -= np.median(cells, axis=(0, 1))
    return np.moveaxis(between(np.moveaxis(cells, 2, 0), FINE, (height, width), beyond=0.5), 0, 2)


class _Places:
    """Where blocks and the finer cells of a surface lie, half diagonals from the picture's middle."""

    def __init__(self, height: int, width: int, size: int, known: NDArray[np.bool_], sky: NDArray[np.bool_]) -> None:
        half = math.hypot(height, width) / 2
        rows, columns = np.nonzero(known)
        self.known = known
        self.per_block = size / FINE
        self.y = (np.minimum(rows * size + size / 2, height) - height / 2) / half
        self.x = (np.minimum(columns * size + size / 2, width) - width / 2) / half
        self.shape = -(-height // FINE), -(-width // FINE)
        row, column = (np.arange(n) * FINE // size for n in self.shape)
        self.in_sky = known[row[:, None], column]
        # straight lines between cells reach into the next one
        self.beside_sky = ndimage.binary_dilation(any_in_cells(sky, FINE), np.ones((3, 3)))
        self.yy = (np.arange(self.shape[0])[:, None] * FINE + FINE / 2 - height / 2) / half
        self.xx = (np.arange(self.shape[1])[None, :] * FINE + FINE / 2 - width / 2) / half

    def over(self, fit: _Fit) -> NDArray[np.floating]:
        """A fitted surface at the cells, (rows, columns, k): over land within what it is in the sky."""
        terms = np.stack(np.broadcast_arrays(*_each_term(self.xx, self.yy)[: len(fit.coefficients)]), axis=-1)
        surface = terms @ fit.coefficients
        in_sky = surface[self.in_sky]
        return np.clip(surface, in_sky.min(axis=0), in_sky.max(axis=0))

    def between(self, blocks: NDArray[np.floating]) -> NDArray[np.float32]:
        """Values of blocks at the cells."""
        return between(blocks, self.per_block, self.shape, beyond=0.5)


@dataclass(frozen=True)
class _Fit:
    """A surface through blocks' values (n, k): coefficients, its values there, what they are off, the scale of that,
    and the weights (n,) of the blocks."""

    coefficients: NDArray[np.floating]
    values: NDArray[np.floating]
    off: NDArray[np.floating]
    scale: float
    weight: NDArray[np.floating]


def _robust_fit(terms: NDArray[np.floating], z: NDArray[np.floating], prior: NDArray[np.floating]) -> _Fit:
    """Least squares, by given weights, in which a block far off in any of its k values loses its weight in all."""
    weight = prior
    for _ in range(12):
        fit = np.linalg.lstsq(terms * weight[:, None], z * weight[:, None], rcond=None)[0]
        values = terms @ fit
        off = z - values
        size = np.sqrt((off**2).mean(axis=1))
        scale = MAD_TO_SIGMA * float(np.median(size)) + 1e-12
        weight = prior / (1 + (size / (2.5 * scale)) ** 2)
    return _Fit(fit, values, off, scale, weight)


def _brightness(bright: NDArray[np.floating], places: _Places) -> tuple[NDArray[np.floating], _Fit]:
    """The surface of brightness at the cells, and the fit to the known blocks behind it.

    The fit is robust (blocks on bright clouds of the Milky Way or on black ground lose their weight), and its terms,
    a plane bent once and what a lens's fall-off makes of a plane, cannot follow them. Where they do not follow the
    lens either the sky would be drawn black at the rim, or glow in the corners: there what is broadly off the surface
    is followed.
    """
    known = places.known
    z = bright[known]
    fit = _robust_fit(_terms(places.x, places.y), z[:, None], np.ones_like(z))
    surface = places.over(fit)[..., 0]
    # land that nobody told of is black, and no corner of a lens is
    sky = known.copy()
    sky[known] = z > LAND_LIKE * np.median(z)
    left = np.zeros(known.shape)
    left[known] = fit.off[:, 0]
    darker = _broadly(np.minimum(left + ORDINARY * fit.scale, 0), sky)
    brighter = _broadly(np.maximum(left - ORDINARY * fit.scale, 0), sky)
    # the Milky Way and its dark clouds stay: only towards the rim is it the lens
    r2 = places.xx**2 + places.yy**2
    for follow, (begins, whole) in ((darker, RIM), (brighter, CORNERS)):
        surface += np.clip((r2 - begins) / (whole - begins), 0, 1) * places.between(follow)
    # land in a lens's dark corner is no brighter than its sky: raised as that sky is, it would glow
    least = np.quantile(surface[places.in_sky], LAND_QUANTILE)
    return np.where(places.in_sky | places.beside_sky, surface, np.maximum(surface, least)), fit


def _cast(
    colour: NDArray[np.floating], surface: NDArray[np.floating], brightness: _Fit, places: _Places
) -> NDArray[np.floating]:
    """The cast, (rows, columns, 3) at the cells, of what the known blocks' light (n, 3) is off the sky's own colour.

    A bent plane that dims with the sky's surface (rows, columns), by the share of the blocks' spread that it explains,
    and what is left over broad places beyond the colour that the sky's light has.
    """
    usual = max(float(np.median(brightness.values)), 1e-30)
    terms = _terms(places.x, places.y)[:, :CAST_TERMS] * np.maximum(brightness.values, 0) / usual
    fit = _robust_fit(terms, colour, brightness.weight)
    spread = colour - np.average(colour, axis=0, weights=fit.weight)
    told = 1 - _middle_square(fit.off) / max(_middle_square(spread), 1e-30)
    told = max(told, 0.0)
    left = colour - told * fit.values
    most = COLOUR_OF_LIGHT * (brightness.scale + np.maximum(brightness.off, 0))
    left *= 1 - np.minimum(1, most / np.maximum(np.sqrt((left**2).sum(axis=1, keepdims=True)), 1e-30))
    cast = told * places.over(fit) * np.maximum(surface, 0)[..., None] / usual
    for n in range(3):
        beyond = np.zeros(places.known.shape)
        beyond[places.known] = left[:, n]
        cast[..., n] += places.between(_broadly(beyond, places.known))
    return cast


def _middle_square(values: NDArray[np.floating]) -> float:
    """Median over rows (n, k) of the sum of squares."""
    return float(np.median((values**2).sum(axis=1)))


def _broadly(off: NDArray[np.floating], sky: NDArray[np.bool_]) -> NDArray[np.floating]:
    """What blocks of sky lie off a surface, as far as it is broad."""
    share = np.maximum(ndimage.gaussian_filter(sky.astype(float), BROAD_BLOCKS), 0.05)
    followed = np.zeros_like(off)
    for _ in range(BROAD_ROUNDS):
        followed += ndimage.gaussian_filter(np.where(sky, off - followed, 0.0), BROAD_BLOCKS) / share
    return followed


def _each_term(x: NDArray[np.floating], y: NDArray[np.floating]) -> tuple[NDArray[np.floating] | float, ...]:
    """Terms of the surface at places, half diagonals from the middle: second order, and a plane behind a lens whose
    light falls with the squares of the distance and of that."""
    r2 = x * x + y * y
    return 1.0, x, y, x * x, x * y, y * y, r2 * x, r2 * y, r2 * r2, r2**3


def _terms(x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.floating]:
    return np.stack(np.broadcast_arrays(*_each_term(x, y)), axis=-1)
