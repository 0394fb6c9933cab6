"""Meteors kept: the light of a streak in one frame laid back over the picture from which rejection took it.

Along the streak the picture is replaced by what its frame shows there, as it was registered and matched, with a soft
edge across and beyond the ends: above the sky the streak is as bright as in the frame, and the sky under it is the sky,
with one frame's noise, which NOISE and COVERAGE say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.resample import NOT_COVERED
from pipeline.stack.bands import Band, band_of, beside
from pipeline.stack.sources import Frame

# Across: whole so many of the streak's widths (FWHM) to either side and this many px at least, then so many times that
# the soft edge: at 1.2 widths, where a Gaussian profile has 2 % of its peak, half is the frame's, with its noise.
WIDTHS, HALF_LEAST, SOFT = 0.6, 2.0, 2.0
# Ends are found some px short of where the light fades: so much of the length and px are added, softly.
BEYOND_SHARE, BEYOND = 0.05, 8.0
# Kinds that a frame named by hand may have: what it shows is not always told.
BY_NAME = ("meteor", "unknown")


def meteors_of(
    frames: Sequence[Frame], streaks: Mapping[str, Sequence[Mapping[str, Any]]], named: frozenset[str], told: bool
) -> list[Band]:
    """The streaks to keep.

    Parameters
    ----------
    frames : the scene's
    streaks : of each frame, as judge tells them
    named : ids of frames whose streaks are kept though not told for meteors, aircraft and satellites apart
    told : whether what is told for a meteor is kept
    """
    found = []
    for number, frame in enumerate(frames):
        kinds = (("meteor",) if told else ()) + (BY_NAME if frame.id in named else ())
        for streak in streaks.get(frame.id, ()):
            if streak.get("kind") in kinds:
                found.append(band_of(number, streak, WIDTHS, HALF_LEAST))
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
