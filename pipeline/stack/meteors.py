"""Meteors kept: the light of a streak in one frame laid back over the picture from which rejection took it.

Along the streak the picture is replaced by what its frame shows there, as it was registered and matched, with a soft
edge across and beyond the ends: above the sky the streak is as bright as in the frame, and the sky under it is the sky,
with one frame's noise, which NOISE and COVERAGE say.

What single pixels of that frame show beside it and no light could draw, so sharp is it, would be laid back with it, a
ring about it from resampling: a pixel that flickers is in no map of defects that the scene's frames or darks tell. Such
pixels are told in the frame itself and repaired before it is demosaiced, in all frames alike.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.resample import NOT_COVERED
from pipeline.sensor.defects import HOT, REACH, stray_pixels
from pipeline.stack.bands import Band, band_of, beside
from pipeline.stack.sources import Frame, Inputs, calibrated

# Across: whole so many of the streak's widths (FWHM) to either side and this many px at least, then so many times that
# the soft edge: at 1.2 widths, where a Gaussian profile has 2 % of its peak, half is the frame's, with its noise.
WIDTHS, HALF_LEAST, SOFT = 0.6, 2.0, 2.0
# Ends are found some px short of where the light fades: so much of the length and px are added, softly.
BEYOND_SHARE, BEYOND = 0.05, 8.0
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
    """How much of a frame's pixel at (x, y) is laid over: 1 on the streak, 0 away from it, smooth between."""
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


def lay_over(
    meteor: Band,
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
    here = share > 0
    picture[:] = np.where(here, picture + share * (values - picture), picture)
    noise[:] = np.where(here, np.sqrt(((1 - share) * noise) ** 2 + share**2 * variance), noise)
    # the frames that the value comes from, by its weights: one on the streak
    shown = np.round(1 + (1 - share) * (coverage.astype(np.float32) - 1)).astype(np.uint16)
    coverage[:] = np.where(here & (coverage > 0), shown, coverage)
    rejected[:] = np.where(here, np.minimum(np.round((1 - share) * rejected), coverage), rejected)
