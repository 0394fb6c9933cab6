"""A pleasing small picture of a linear one: sky neutral and dark grey, stars in their colours, faint things visible.

It decides nothing: the TIFF is untouched by what happens here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.colour import curves
from pipeline.pages.gradient import LEVEL_SAMPLE, LUMINANCE, gradient, robust_level
from pipeline.pages.starrings import RING_PX, block_levels, fill_rings, level_about, of_channels

SKY_CODE = 0.18  # where the sky lands on the 0..1 scale of the encoded picture: dark, yet faint nebulae stay visible
# What one sigma of the preview's noise may span there: above it grain shows, below it faint light is lost.
NOISE_CODE = 0.014
# What the sky's own structure (Milky Way, nebulae, with the gradient taken out) may span, one sigma.
STRUCTURE_CODE = 0.03
# What is left of the smooth gradient's brightness: at most this share, and at most this span from darkest to brightest.
# All of it taken out looks cut out, since a bright horizon is real. Its colour goes entirely: it is a cast.
GRADIENT_LEFT = 0.25
GRADIENT_CODE = 0.10
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
    smooth, sky = _flatten(light, unknown, open_sky, threads)
    at_sky = float(LUMINANCE @ sky)
    brightness = light @ LUMINANCE.astype(np.float32)
    noise = max(pixel_noise(np.where(open_sky, brightness, np.float32(np.nan))), 1e-9)
    edge = None if land is None else ndimage.maximum_filter(land, 2 * RING_PX + 1) > 0
    brightness = fill_rings(light, noise, edge, threads)
    curve = _curve_of(brightness[open_sky], noise, float(np.ptp(smooth)))
    smooth *= np.float32(curve.left)
    light += smooth[..., None]
    brightness += smooth
    code = curve.code(brightness)
    raised = _raised(code, shown, open_sky, land, at_sky)
    own = _own_share(code, raised, shown, open_sky, land)
    grey = curves.decode(np.clip(raised, 0.0, 1.0)).astype(np.float32)
    _tint(light, brightness, grey, noise, curve.gain)
    # what the curve would draw black has no colour above the sky that could be kept: its own, as land has
    at = np.flatnonzero(own)
    colours = light.reshape(-1, 3)
    theirs = _own_colour(standing.reshape(-1, 3)[at], shown.reshape(-1)[at], grey.reshape(-1)[at])
    colours[at] += own.reshape(-1)[at, None] * (theirs - colours[at])
    _into_range(light, grey)
    if land is not None and own_curve:
        share = np.clip(land, 0, 1).astype(np.float32)[..., None]
        light = (1 - share) * light + share * _land(standing, shown, at_sky)
    done = Stretch((float(sky[0]), float(sky[1]), float(sky[2])), noise, 1 - curve.left, curve.softening, curve.white)
    return quantise(light), done


def _flatten(
    light: NDArray[np.float32], unknown: NDArray[np.bool_], open_sky: NDArray[np.bool_], threads: int
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Take the gradient and the sky's level off the light, in place: the brightness of the one, and the other."""
    surface = gradient(np.where(open_sky[..., None], light, np.float32(np.nan)))
    light -= surface
    sky = _sky(light, open_sky, threads)
    light -= sky.astype(np.float32)
    light[unknown] = 0.0
    return surface @ LUMINANCE.astype(np.float32), sky


@dataclass(frozen=True)
class _Curve:
    """The curve that acts on brightness above the sky."""

    gain: float  # slope of the encoded curve at the sky
    white: float  # brightness of the brightest stars
    softening: float
    left: float  # share of the gradient's brightness that stays

    def code(self, brightness: NDArray[np.float32]) -> NDArray[np.floating]:
        """Where brightness lands on the 0..1 scale of the encoded picture."""
        return np.asarray(SKY_CODE + self.gain * self.softening * np.arcsinh(brightness / np.float32(self.softening)))


def _curve_of(seen: NDArray[np.float32], noise: float, span: float) -> _Curve:
    """The curve for the brightness seen in the open sky, and the span of its gradient."""
    _, structure = robust_level(seen)
    white = max(float(np.quantile(seen, 0.9995)), 30 * noise)
    gain = min(NOISE_CODE / noise, STRUCTURE_CODE / max(structure, 1e-9))
    left = min(GRADIENT_LEFT, GRADIENT_CODE / (span * gain)) if span * gain > 0 else GRADIENT_LEFT
    return _Curve(gain, white, _softening(gain, white, TOP_CODE - SKY_CODE), left)


def _own_share(
    code: NDArray[np.floating],
    raised: NDArray[np.float32],
    shown: NDArray[np.float32],
    open_sky: NDArray[np.bool_],
    land: NDArray[np.floating] | None,
) -> NDArray[np.float32]:
    """How much of its own colour each pixel has, not that of what it is above the sky.

    Parameters
    ----------
    code, raised : (height, width), as drawn by the curve, and raised to what land as bright would be
    shown, open_sky, land : as in `_raised`
    """
    own = np.clip((raised - code) / np.maximum(raised, np.float32(1e-6)), 0, 1)
    if land is not None:
        # beside land the mask may be off by some px, and land by the sky's curve glows in colour; the sky itself there
        # would be grey before the colours of a dome of light
        beside = np.clip(1 - ndimage.distance_transform_edt(land <= 0) / EDGE_PX, 0, 1)
        about = np.maximum(level_about(np.where(open_sky, shown, np.float32(np.nan))), np.float32(1e-9))
        unlike = (np.abs(ndimage.uniform_filter(shown, 3) / about - 1) - LIKE_SKY) / (UNLIKE_SKY - LIKE_SKY)
        # with the pixels beside: an edge passes through the sky's light
        own = np.maximum(own, beside * np.clip(ndimage.maximum_filter(unlike, 3), 0, 1))
    return own.astype(np.float32)


def _tint(
    light: NDArray[np.float32],
    brightness: NDArray[np.float32],
    grey: NDArray[np.float32],
    noise: float,
    gain: float,
) -> None:
    """Make of light what its colours are off `grey`, in place: their ratios above the sky are kept in linear light."""
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


def _in_all(channels: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """``channels.all(axis=2)`` of (height, width, 3): along an axis of three NumPy's own is ten times as slow."""
    return channels[..., 0] & channels[..., 1] & channels[..., 2]


def _sky(light: NDArray[np.float32], open_sky: NDArray[np.bool_], threads: int) -> NDArray[np.float64]:
    """The sky's level, (3,): its middle brightness, in the colour of its darker half, where there is least of the Milky
    Way's light and of bands of airglow."""

    def levels_of(channel: int) -> NDArray[np.float32]:
        levels, known = block_levels(np.where(open_sky, light[..., channel], np.float32(np.nan)))
        return levels[known]

    levels = np.stack(of_channels(levels_of, threads), axis=1)
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
    drawn, light = (level_about(np.where(open_sky, plane, np.float32(np.nan))) for plane in (code, brightness))
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
