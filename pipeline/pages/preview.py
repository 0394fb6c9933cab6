"""A pleasing small picture of a linear one: sky neutral and dark grey, stars in their colours, faint things visible.

It decides nothing: the TIFF is untouched by what happens here.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.colour import curves
from pipeline.pages.gradient import LEVEL_SAMPLE, LUMINANCE, gradient, robust_level
from pipeline.pixels.cells import between, nearest_known
from pipeline.pixels.regression import row_medians

SKY_CODE = 0.18  # where the sky lands on the 0..1 scale of the encoded picture: dark, yet faint nebulae stay visible
# What one sigma of the preview's noise may span there: above it grain shows, below it faint light is lost.
NOISE_CODE = 0.014
# What the sky's own structure (Milky Way, nebulae, with the gradient taken out) may span, one sigma.
STRUCTURE_CODE = 0.03
# What is left of the smooth gradient's brightness: at most this share, and at most this span from darkest to brightest.
# All of it taken out looks cut out, since a bright horizon is real. Its colour goes entirely: it is a cast.
GRADIENT_LEFT = 0.25
GRADIENT_CODE = 0.10
# Lanczos undershoots by some per cent of a star's peak, which only stars this bright show above the noise.
RING_STAR_SIGMA = 50.0
RING_SIGMA = 2.0
RING_PX = 4
FLANK_COLOUR = 4.0  # at most, a colour's share in the light of a star's flank over the middle one's
RING_BLOCK = 24  # px, over which the sky about a star is measured
# ... and about a pixel beside one, px, where so much of that lies beside none.
RING_OUTSIDE, OUTSIDE_LEAST = 4 * RING_PX + 1, np.float32(0.1)
TOP_CODE = 0.97  # where the brightest stars land
SATURATION = 1.25
LAND_POWER = 0.4  # land of a twentieth of the sky's light stands at a third of its code
LAND_COLOUR = 0.7  # of land's own colour: by night the eye sees little of it
# So far from land, of the longer side, the sky is lifted where it is drawn too dark, to this share of
# the code that land as bright has: that of land of half the light.
LIFT_REACH, LIFT_SHARE = 1 / 8, 0.75
LIFT_ELSEWHERE = 0.8  # of that, away from land
EDGE_PX = 8  # so far from land colours fade into those of their own light
# ... where they are off the light of the sky about by more than the one share of it, and all of it from the other on.
LIKE_SKY, UNLIKE_SKY = 0.08, 0.25


T = TypeVar("T")


@dataclass(frozen=True)
class Stretch:
    """What was done, for finish.json."""

    sky: tuple[float, float, float]
    noise: float
    gradient_share: float
    softening: float
    white: float


def area_mean(strip: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Means over factor x factor pixels of a (3, rows, columns) strip; what does not fill a block is left out.

    A block counts its finite pixels only; without any it is NaN.
    """
    rows, columns = strip.shape[1] // factor, strip.shape[2] // factor
    blocks = strip[:, : rows * factor, : columns * factor].reshape(3, rows, factor, columns, factor)
    total = blocks.sum(axis=(2, 4), dtype=np.float32)
    if np.isfinite(total).all():
        return total / np.float32(factor * factor)
    good = np.isfinite(blocks)
    number = good.sum(axis=(2, 4))
    total = np.where(good, blocks, 0).sum(axis=(2, 4), dtype=np.float32)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan).astype(np.float32)


def pixel_noise(plane: NDArray[np.floating]) -> float:
    """Noise of a (height, width) plane from differences of pixels two apart, blind to anything smooth."""
    if plane.shape[1] < 4:
        return 0.0
    _, sigma = robust_level(plane[:, 2:] - plane[:, :-2])
    return sigma / float(np.sqrt(2))


def stretch(
    linear: NDArray[np.floating],
    land: NDArray[np.floating] | None = None,
    own_curve: bool = True,
    threads: int = 1,
) -> tuple[NDArray[np.uint8], Stretch]:
    """Render linear sRGB light as an 8-bit sRGB picture.

    One curve, asinh, acts on the brightness; the colours of a pixel above its sky keep their ratios in linear light
    (after Lupton et al. 2004, PASP 116:133), so that bright stars do not bleach.

    Parameters
    ----------
    linear : (height, width, 3), linear sRGB; may be negative, not clipped; NaN where nothing is known
    land : (height, width), optional
        Share of each pixel that is land, 0-1: it says nothing of the sky.
    own_curve : whether land is shown by a curve of its own
    threads : the same picture for any number

    Returns
    -------
    picture : (height, width, 3) uint8
    done : Stretch
    """
    light = np.array(linear, np.float32)
    unknown = ~_in_all(np.isfinite(light))
    open_sky = ~unknown if land is None else ~unknown & (land <= 0)
    if not open_sky.any():
        open_sky = np.ones_like(unknown)
    light[unknown] = 0.0
    standing = light.copy()
    shown = light @ LUMINANCE.astype(np.float32)
    seen = np.where(open_sky[..., None], light, np.float32(np.nan))
    surface = gradient(seen)
    light -= surface
    sky = _sky(light, open_sky, threads)
    light -= sky.astype(np.float32)
    del seen
    light[unknown] = 0.0
    brightness = light @ LUMINANCE.astype(np.float32)
    noise = max(pixel_noise(np.where(open_sky, brightness, np.float32(np.nan))), 1e-9)
    edge = None if land is None else ndimage.maximum_filter(land, 2 * RING_PX + 1) > 0
    brightness = _fill_rings(light, noise, edge, threads)
    seen = brightness[open_sky]
    _, structure = robust_level(seen)
    white = max(float(np.quantile(seen, 0.9995)), 30 * noise)
    # slope of the encoded curve at the sky
    gain = min(NOISE_CODE / noise, STRUCTURE_CODE / max(structure, 1e-9))
    smooth_light = surface @ LUMINANCE.astype(np.float32)
    span = float(np.ptp(smooth_light)) * gain
    left = min(GRADIENT_LEFT, GRADIENT_CODE / span) if span > 0 else GRADIENT_LEFT
    del surface
    smooth_light *= np.float32(left)
    light += smooth_light[..., None]
    brightness += smooth_light
    softening = _softening(gain, white, TOP_CODE - SKY_CODE)
    code = SKY_CODE + gain * softening * np.arcsinh(brightness / np.float32(softening))
    raised = _raised(code, shown, open_sky, land, float(LUMINANCE @ sky))
    own = np.clip((raised - code) / np.maximum(raised, np.float32(1e-6)), 0, 1)
    if land is not None:
        # beside land the mask may be off by some px, and land by the sky's curve glows in colour; the sky itself there
        # would be grey before the colours of a dome of light
        beside = np.clip(1 - ndimage.distance_transform_edt(land <= 0) / EDGE_PX, 0, 1)
        about = np.maximum(_around(np.where(open_sky, shown, np.float32(np.nan))), np.float32(1e-9))
        unlike = (np.abs(ndimage.uniform_filter(shown, 3) / about - 1) - LIKE_SKY) / (UNLIKE_SKY - LIKE_SKY)
        # with the pixels beside: an edge passes through the sky's light
        own = np.maximum(own, beside * np.clip(ndimage.maximum_filter(unlike, 3), 0, 1))
    code = raised
    grey = curves.decode(np.clip(code, 0.0, 1.0)).astype(np.float32)
    base = np.float32(curves.decode(np.array(SKY_CODE)))
    # what one unit of light above the sky becomes, the same for the three colours; at the sky the slope itself
    slope = np.float32((curves.decode(np.array(SKY_CODE + 1e-4)) - base) / 1e-4 * gain)
    small = np.abs(brightness) < noise
    factor = np.where(small, slope, (grey - base) / np.where(small, np.float32(1.0), brightness))
    # colour noise of an empty sky pleases nobody: colour fades in where the smoothed brightness rises above its noise
    smooth = ndimage.gaussian_filter(np.clip(brightness, -5 * noise, 8 * noise), 2.0)
    rise = (np.maximum(smooth, 0) / np.float32(3 * max(pixel_noise(smooth), 0.2 * noise))) ** 2
    star = (np.maximum(brightness, 0) / np.float32(6 * noise)) ** 2
    factor *= np.float32(SATURATION) * (0.35 + 0.65 * np.maximum(rise / (1 + rise), star / (1 + star)))
    light -= brightness[..., None]
    light *= factor[..., None]
    # what the curve would draw black has no colour above the sky that could be kept: its own, as land has
    own = own.astype(np.float32)
    at = np.flatnonzero(own)
    colours = light.reshape(-1, 3)
    theirs = _own_colour(standing.reshape(-1, 3)[at], shown.reshape(-1)[at], grey.reshape(-1)[at])
    colours[at] += own.reshape(-1)[at, None] * (theirs - colours[at])
    _into_range(light, grey)
    if land is not None and own_curve:
        share = np.clip(land, 0, 1).astype(np.float32)[..., None]
        light = (1 - share) * light + share * _land(standing, shown, float(LUMINANCE @ sky))
    done = Stretch((float(sky[0]), float(sky[1]), float(sky[2])), noise, 1 - left, softening, white)
    return quantise(light), done


def _in_all(channels: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """``channels.all(axis=2)`` of (height, width, 3): along an axis of three NumPy's own is ten times as slow."""
    return channels[..., 0] & channels[..., 1] & channels[..., 2]


def _for_each(work: Callable[[int], T], threads: int) -> list[T]:
    """What `work` gives of each channel."""
    with ThreadPoolExecutor(max(1, threads)) as pool:
        return list(pool.map(work, range(3)))


def _sky(light: NDArray[np.float32], open_sky: NDArray[np.bool_], threads: int) -> NDArray[np.float64]:
    """The sky's level, (3,): its middle brightness, in the colour of its darker half, where there is least of the Milky
    Way's light and of bands of airglow."""

    def levels_of(channel: int) -> NDArray[np.float32]:
        levels, known = _blocks(np.where(open_sky, light[..., channel], np.float32(np.nan)))
        return levels[known]

    levels = np.stack(_for_each(levels_of, threads), axis=1)
    if not len(levels):
        return np.zeros(3)
    brightness = levels @ LUMINANCE
    dark = np.median(levels[brightness <= np.median(brightness)], axis=0)
    # of what `robust_level` looks at no more than that is gathered
    places = np.flatnonzero(open_sky)
    sample = light.reshape(-1, 3)[places[:: max(1, places.size // LEVEL_SAMPLE)]]
    middle = np.array([robust_level(sample[:, channel])[0] for channel in range(3)])
    return np.asarray(dark + LUMINANCE @ (middle - dark))


def _land_code(brightness: NDArray[np.floating], sky: float) -> NDArray[np.floating]:
    """Where land of some brightness lands on the 0..1 scale of the encoded picture."""
    return np.minimum(SKY_CODE * (np.maximum(brightness, 0) / max(sky, 1e-9)) ** LAND_POWER, TOP_CODE)


def _raised(
    code: NDArray[np.floating],
    brightness: NDArray[np.floating],
    open_sky: NDArray[np.bool_],
    land: NDArray[np.floating] | None,
    sky: float,
) -> NDArray[np.float32]:
    """The codes with nothing drawn much darker than land as bright would be.

    Where lens and air dim the sky beside a ridge the gradient is too stiff to follow it down, and leaves it black: the
    sky is lifted there as a whole. Left black would be, too, pixels that are part land or of which nobody told that
    they are, and dark clouds of a Milky Way in a corner, of which the gradient takes a part for the lens.

    Parameters
    ----------
    code : (height, width), as drawn
    brightness : (height, width), linear, with the gradient
    open_sky : (height, width), pixels that are neither land nor unknown
    land : (height, width), share of each pixel that is land
    sky : brightness that is drawn at `SKY_CODE`
    """
    least = LIFT_SHARE * _land_code(brightness, sky)
    if land is None or not (land > 0).any():
        return np.asarray(np.maximum(code, LIFT_ELSEWHERE * least), np.float32)
    drawn, light = (_around(np.where(open_sky, plane, np.float32(np.nan))) for plane in (code, brightness))
    reach = LIFT_REACH * max(code.shape)
    near = np.clip(2 - ndimage.distance_transform_edt(land <= 0) / reach, 0, 1).astype(np.float32)
    result = code + near * np.maximum(LIFT_SHARE * _land_code(light, sky) - drawn, 0)
    return np.asarray(np.maximum(result, np.maximum(near, LIFT_ELSEWHERE) * least), np.float32)


def _land(light: NDArray[np.float32], shown: NDArray[np.float32], sky: float) -> NDArray[np.float32]:
    """Land as linear light 0..1: by a power of its ratio to the sky, so that dark land is seen; in its own colours."""
    grey = curves.decode(_land_code(np.maximum(shown, 0), sky)).astype(np.float32)
    result = _own_colour(light, shown, grey)
    _into_range(result, grey)
    return result


def _own_colour(
    light: NDArray[np.float32], shown: NDArray[np.float32], grey: NDArray[np.float32]
) -> NDArray[np.float32]:
    """What the colours of linear light (..., 3), its brightness `shown`, are off `grey` where that is drawn in its
    place."""
    brightness = np.maximum(shown, np.float32(1e-9))
    offset = (light / brightness[..., None] - 1) * grey[..., None] * np.float32(LAND_COLOUR)
    return np.clip(offset, -1, 1).astype(np.float32)


def _fill_rings(
    light: NDArray[np.float32], noise: float, edge: NDArray[np.bool_] | None, threads: int
) -> NDArray[np.float32]:
    """Raise the dark rings that interpolation leaves around undersampled bright stars, in place; the new brightness.

    Only pixels darker than the sky about them by RING_SIGMA beside a star are touched, so that dark clouds, ground and
    vignetted corners stay; none near `edge`, known land.
    """
    around = np.empty_like(light)

    def look(channel: int) -> None:
        around[..., channel] = _around(light[..., channel], lower=True)

    _for_each(look, threads)
    above = (light - around) @ LUMINANCE.astype(np.float32)
    ring = _beside(above > np.float32(RING_STAR_SIGMA * noise), RING_PX)
    outside = ndimage.uniform_filter((~ring).astype(np.float32), RING_OUTSIDE)

    def no_brighter_than_outside(channel: int) -> None:
        # a dark lane is narrower than a block: rings in it are no lighter than what lies just beyond them
        total = ndimage.uniform_filter(np.where(ring, np.float32(0), light[..., channel]), RING_OUTSIDE)
        level = np.where(outside > OUTSIDE_LEAST, total / np.maximum(outside, OUTSIDE_LEAST), np.float32(np.inf))
        np.minimum(around[..., channel], level, out=around[..., channel])

    _for_each(no_brighter_than_outside, threads)
    offset = light - around
    low = offset < np.float32(-RING_SIGMA * noise)
    ring &= low[..., 0] | low[..., 1] | low[..., 2]
    if edge is not None:
        ring &= ~edge
    # where one colour undershoots the others are wrong as well: the middle one's offset is taken, in the colour of the
    # light about where it stands above the sky, as in a star's flank
    at = np.flatnonzero(ring)
    middle = np.maximum(_middle(offset.reshape(-1, 3)[at]), np.float32(-RING_SIGMA * noise))

    def mean_about(channel: int) -> NDArray[np.float32]:
        return np.asarray(ndimage.uniform_filter(offset[..., channel], 2 * RING_PX + 1).reshape(-1)[at])

    flank = np.stack(_for_each(mean_about, threads), axis=1)
    colour = np.maximum(flank, 0) / np.maximum(_middle(flank), np.float32(noise))[:, None]
    colour = np.where(middle[:, None] > 0, np.minimum(colour, FLANK_COLOUR), 1)
    light.reshape(-1, 3)[at] = around.reshape(-1, 3)[at] + middle[:, None] * colour
    raised: NDArray[np.float32] = light @ LUMINANCE.astype(np.float32)
    return raised


def _middle(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """``np.median(values, axis=1)`` of (n, 3) numbers."""
    one, other, third = values.T
    return np.maximum(np.minimum(one, other), np.minimum(np.maximum(one, other), third))


def _beside(places: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """``ndimage.maximum_filter(places, 2 * reach + 1)``: what lies in a square about a place."""
    for axis in (0, 1):
        near = places.copy()
        given, out = np.moveaxis(places, axis, 0), np.moveaxis(near, axis, 0)
        for k in range(1, reach + 1):
            out[k:] |= given[:-k]
            out[:-k] |= given[k:]
        places = near
    return places


def _around(plane: NDArray[np.floating], lower: bool = False) -> NDArray[np.float32]:
    """The level about each pixel: medians over blocks of RING_BLOCK, straight lines between their middles.

    What is no number counts nowhere; blocks of nothing else have the nearest one's. `lower`: at most the
    median of 3 x 3 blocks, the sky about a cluster of stars.
    """
    levels, known = _blocks(plane)
    levels = nearest_known(levels, known)
    if lower:
        levels = np.minimum(levels, ndimage.median_filter(levels, 3))
    return between(levels, RING_BLOCK, plane.shape)


def _blocks(plane: NDArray[np.floating]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Medians over blocks of RING_BLOCK, and which blocks have a number at all."""
    height, width = plane.shape
    rows, columns = -(-height // RING_BLOCK), -(-width // RING_BLOCK)
    padded = np.pad(plane, ((0, rows * RING_BLOCK - height), (0, columns * RING_BLOCK - width)), mode="edge")
    blocks = padded.reshape(rows, RING_BLOCK, columns, RING_BLOCK).swapaxes(1, 2).reshape(rows, columns, -1)
    known = np.asarray(np.isfinite(blocks).any(axis=2))
    levels = np.zeros((rows, columns), np.float32)
    levels[known] = row_medians(blocks[known])
    return levels, known


def quantise(light: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Linear light 0..1 as 8-bit sRGB codes, through a table fine enough that no code is missed (steps of 1/65536)."""
    table = np.floor(curves.encode(np.arange(65537) / 65536) * 255 + 0.5).astype(np.uint8)
    return table[(np.clip(light, 0.0, 1.0) * 65536 + 0.5).astype(np.int32)]


def _softening(gain: float, white: float, height: float) -> float:
    """Solve gain * b * asinh(white / b) = height for b (the left side grows with b, from 0 to gain * white)."""
    if gain * white <= height:
        return 1e3 * white  # a straight line does not reach the top: no bend needed
    low, high = 1e-9 * white, 1e3 * white
    for _ in range(100):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if gain * middle * np.arcsinh(white / middle) < height else (low, middle)
    return low


def _into_range(offset: NDArray[np.float32], grey: NDArray[np.float32]) -> None:
    """Fit `grey` plus the colour offsets (height, width, 3) into 0..1; `offset` becomes that sum, in place.

    Below black, saturation gives way; above white, brightness does, so that bright stars keep their colour.
    """
    # channel by channel: along an axis of three NumPy's own is ten times as slow
    red, green, blue = (offset[..., channel] for channel in range(3))
    with np.errstate(divide="ignore", invalid="ignore"):
        room = -grey / np.minimum(np.minimum(red, green), blue)
    offset *= np.clip(np.where(np.isfinite(room), room, 1.0), 0.0, 1.0)[..., None].astype(np.float32)
    offset += grey[..., None]
    offset /= np.maximum(np.maximum(np.maximum(red, green), blue), np.float32(1.0))[..., None]
