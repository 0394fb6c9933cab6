"""Meteors kept: the light of a streak in one frame laid back over the picture from which rejection took it.

What is laid over is what the frame, registered and matched, shows above the picture. Its light is first smoothed along
the streak (`Light`): that is all of it that can be told where it does not stand above the noise of the frame's pixels,
at its flanks and where it is faint. As far as it stands above that noise the frame's own pixels take its place, with
one frame's noise, which NOISE and COVERAGE say; where there is no light the picture stays as it was. With the frame's
pixels all over the strip a meteor of nine times the noise lay between two rims of noise, darker than the sky to the
eye: light only adds.

What single pixels of that frame show beside it and no light could draw, so sharp is it, would be laid back with it, a
ring about it from resampling: a pixel that flickers is in no map of defects that the scene's frames or darks tell. Such
pixels are told in the frame itself and repaired before it is demosaiced, in all frames alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.resample import NOT_COVERED
from pipeline.sensor.defects import HOT, REACH, stray_pixels
from pipeline.stack.bands import Band, band_of, beside, line_places
from pipeline.stack.sources import Frame, Inputs, calibrated

# Across: whole so many of the streak's widths (FWHM) to either side and this many px at least, then so many times that
# the soft edge: at 1.2 widths, where a Gaussian profile has 2 % of its peak, half of the light is laid over.
WIDTHS, HALF_LEAST, SOFT = 0.6, 2.0, 2.0
# Ends are found some px short of where the light fades: so much of the length and px are added, softly.
BEYOND_SHARE, BEYOND = 0.05, 8.0
# The light is smoothed along and across (standard deviations, px), in cells of so many px: across less than a sharp
# streak is wide, along as its brightness changes. What lies within so many px beside the soft edge tells its noise.
SMOOTH_ALONG, SMOOTH_ACROSS, STEP_ALONG, STEP_ACROSS = 8.0, 0.7, 2.0, 0.5
FLANK = 4.0
# Smoothed light that stands so many times its own noise above the picture counts by half.
SURE = 2.0
# Length of the pieces that are searched for stray pixels, px.
PIECE = 256
# Kinds of streaks that are kept of a frame named by hand, those of the first line if it shows any: what a streak is is
# not always told rightly, and the hand wins. Lights that blink are no meteor's.
BY_NAME = (("meteor", "unknown"), ("satellite",))


def meteors_of(
    frames: Sequence[Frame], streaks: Mapping[str, Sequence[Mapping[str, Any]]], named: frozenset[str], told: bool
) -> list[Band]:
    """The streaks to keep.

    Parameters
    ----------
    frames : the scene's
    streaks : of each frame, as judge tells them
    named : ids of frames whose streaks are kept though not told for meteors (`BY_NAME`)
    told : whether what is told for a meteor is kept
    """
    found = []
    for number, frame in enumerate(frames):
        listed = streaks.get(frame.id, ())
        shown = {streak.get("kind") for streak in listed}
        kinds: tuple[str, ...] = ("meteor",) if told else ()
        if frame.id in named:
            kinds += next((some for some in BY_NAME if shown & set(some)), ())
        found += [band_of(number, streak, WIDTHS, HALF_LEAST) for streak in listed if streak.get("kind") in kinds]
    return found


def reach_of(meteor: Band) -> float:
    """How far from its ends and line a meteor is laid over, px at most."""
    return (1 + SOFT) * meteor.half + BEYOND + BEYOND_SHARE * meteor.length + 2


def share_of(meteor: Band, x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.float32]:
    """How much of a frame's light at (x, y) is laid over: 1 on the streak, 0 away from it, smooth between."""
    across, beyond = beside(meteor, x, y)
    aside = np.maximum(across / meteor.half - 1, 0) / SOFT
    off = np.minimum(np.hypot(aside, beyond / (BEYOND + BEYOND_SHARE * meteor.length)), 1)
    return np.nan_to_num(0.5 + 0.5 * np.cos(np.pi * off)).astype(np.float32)


def without_strays(inputs: Inputs, meteors: Sequence[Band]) -> Inputs:
    """The frames of a scene with the stray pixels beside its meteors among its defects."""
    found = [_strays(inputs, meteor) for meteor in meteors]
    if not any(len(ys) for ys, _ in found):
        return inputs
    known = inputs.calibration.defects
    defects = np.zeros(inputs.shape, np.uint8) if known is None else known.copy()
    for ys, xs in found:
        defects[ys, xs] |= HOT
    return replace(inputs, calibration=replace(inputs.calibration, defects=defects))


def _strays(inputs: Inputs, meteor: Band) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the stray pixels in a meteor's band, piece by piece along it."""
    frame, mosaic = inputs.frames[meteor.number], inputs.mosaics[meteor.number]
    height, width = frame.shape
    ends = np.array(meteor.ends).reshape(2, 2)
    cuts = np.linspace(0, 1, max(2, int(meteor.length / PIECE) + 2))[:, None]
    nodes = (1 - cuts) * ends[0] + cuts * ends[1]
    far = reach_of(meteor) + 2 * REACH
    result: list[NDArray[np.int64]] = [np.zeros((2, 0), np.int64)]
    for one, other in pairwise(nodes):
        left, top = (int(max(v, 0)) & ~1 for v in np.floor(np.minimum(one, other) - far))
        right, bottom = (int(v) + 1 for v in np.minimum(np.maximum(one, other) + far, (width - 1, height - 1)))
        if bottom - top <= 2 * REACH or right - left <= 2 * REACH:
            continue
        values = calibrated(mosaic, frame, inputs.calibration, top, bottom, left, right)
        y, x = np.mgrid[top:bottom, left:right].astype(np.float32)
        rows, columns = stray_pixels(values, frame.header.cfa)
        near = share_of(meteor, x, y)[rows, columns] > 0
        result.append(np.stack([rows[near] + top, columns[near] + left]))
    ys, xs = np.unique(np.concatenate(result, axis=1), axis=1)
    return ys, xs


@dataclass(frozen=True)
class Strip:
    """What a part of the result has of a streak and beside it, pixel by pixel.

    Attributes
    ----------
    along, across : (n,) float32 arrays, places in the frame (`line_places`)
    light : (colours, n) float32 array, what the frame shows above the picture, ADU
    variance : (colours, n) float32 array, of a single frame's pixel and of how stars differ between frames, ADU squared
    """

    along: NDArray[np.float32]
    across: NDArray[np.float32]
    light: NDArray[np.float32]
    variance: NDArray[np.float32]


@dataclass(frozen=True)
class Light:
    """A streak's light, smoothed: (colours, across, along) float32 array, ADU, and the place of its first cell."""

    cells: NDArray[np.float32]
    across: float
    along: float

    def at(self, along: NDArray[np.floating], across: NDArray[np.floating]) -> NDArray[np.float32]:
        """The light at places along and across, (colours, *shape of these), 0 beyond what is known."""
        places = np.nan_to_num(
            np.stack([(across - self.across) / STEP_ACROSS, (along - self.along) / STEP_ALONG]), nan=-9.0
        )
        planes = [ndimage.map_coordinates(plane, places, order=1, mode="constant") for plane in self.cells]
        return np.stack(planes).astype(np.float32)


def strip_of(
    meteor: Band,
    places: tuple[NDArray[np.float32], NDArray[np.float32]],
    values: NDArray[np.float32],
    codes: NDArray[np.uint8],
    variance: NDArray[np.float32],
    picture: NDArray[np.float32],
    star_scatter: NDArray[np.float32],
) -> Strip:
    """What a part of the result has of a streak, from the same arrays as `lay_over`.

    Parameters
    ----------
    star_scatter : (colours,) float32 array, how far stars differ between frames, as a share of their light
    """
    along, across = line_places(meteor, *places)
    beyond = np.maximum(-along, along - meteor.length)
    with np.errstate(invalid="ignore"):
        here = (np.abs(across) <= (1 + SOFT) * meteor.half + FLANK) & (beyond <= reach_of(meteor))
    here &= codes != NOT_COVERED
    under = picture[:, here]
    stars = under - np.median(under, axis=1, keepdims=True) if under.size else under
    unlike = (star_scatter[:, None] * np.maximum(stars, 0)) ** 2
    return Strip(along[here], across[here], values[:, here] - under, variance[:, here] + unlike)


def light_of(meteor: Band, strips: Sequence[Strip], colours: int) -> Light:
    """A streak's light above the picture, smoothed along it, where it stands above its own noise."""
    wide, far = (1 + SOFT) * meteor.half + FLANK, reach_of(meteor)
    shape = (int(2 * wide / STEP_ACROSS) + 2, int((meteor.length + 2 * far) / STEP_ALONG) + 2)
    sums, weights = np.zeros((2, colours, *shape))
    for strip in strips:
        rows = np.round((strip.across + wide) / STEP_ACROSS).astype(int)
        columns = np.round((strip.along + far) / STEP_ALONG).astype(int)
        for c in range(colours):
            weight = 1 / np.maximum(strip.variance[c], 1e-6)
            np.add.at(sums[c], (rows, columns), weight * strip.light[c])
            np.add.at(weights[c], (rows, columns), weight)
    sigma = (0, SMOOTH_ACROSS / STEP_ACROSS, SMOOTH_ALONG / STEP_ALONG)
    total = ndimage.gaussian_filter(weights, sigma, mode="constant")
    known = total > 0.01 * total.max(initial=0)
    light = ndimage.gaussian_filter(sums, sigma, mode="constant") / np.where(known, total, np.inf)
    beside_it = np.abs(np.arange(shape[0]) * STEP_ACROSS - wide) > (1 + SOFT) * meteor.half
    sure = np.zeros(shape)
    for plane, there in zip(light, known, strict=True):
        flank = plane[beside_it][there[beside_it]]
        own = MAD_TO_SIGMA * float(np.median(np.abs(flank))) if len(flank) else 0.0
        sure += (plane / max(own, 1e-6)) ** 2 / colours
    # all colours alike: a faint one left out would change the streak's hue
    light *= sure / (sure + SURE**2)
    return Light(np.maximum(light, 0).astype(np.float32), -wide, -far)


def lay_over(
    meteor: Band,
    light: Light,
    places: tuple[NDArray[np.float32], NDArray[np.float32]],
    values: NDArray[np.float32],
    codes: NDArray[np.uint8],
    variance: NDArray[np.float32],
    picture: NDArray[np.float32],
    noise: NDArray[np.float32],
    coverage: NDArray[np.uint16],
    rejected: NDArray[np.uint16],
) -> None:
    """Lay a streak's light over a part of the result, in place.

    Parameters
    ----------
    light : the streak's, smoothed
    places : x and y in the frame of the part's pixels, (rows, columns) (`frame_positions`)
    values : (colours, rows, columns) float32 array, the frame's matched values
    codes : (rows, columns) uint8 array; where the frame shows nothing of the sky (land, or beyond it) nothing is laid
    variance : (colours, rows, columns) float32 array, of the frame as blocks show it
    picture, noise, coverage, rejected : of the result, as `average` fills them
    """
    share = share_of(meteor, *places)
    share[codes == NOT_COVERED] = 0
    if not share.any():
        return
    smooth = light.at(*line_places(meteor, *places))
    # what the frame shows beside the smoothed light counts as far as that stands above the noise of its pixels
    own = share * smooth**2 / np.maximum(smooth**2 + variance, 1e-12)
    added = share * smooth + own * (values - picture - smooth)
    own[added <= 0] = 0
    picture += np.maximum(added, 0)
    noise[:] = np.where(own > 0, np.sqrt(((1 - own) * noise) ** 2 + own**2 * variance), noise)
    # frames as good as whose mean the value is, by its weights: one on the streak
    most = own.max(axis=0)
    here = (most > 0) & (coverage > 0)
    alike = 1 / (most**2 + (1 - most) ** 2 / np.maximum(coverage, 1))
    coverage[:] = np.where(here, np.maximum(np.round(alike), 1), coverage)
    rejected[:] = np.where(most > 0, np.minimum(np.round((1 - most) * rejected), coverage), rejected)
