"""Meteors kept: the light of a streak in one frame laid back over the picture from which rejection took it.

Along the streak the picture is replaced by what its frame shows there, as it was registered and matched, with a soft
edge across and beyond the ends: above the sky the streak is as bright as in the frame, and the sky under it is the sky,
with one frame's noise, which NOISE and COVERAGE say.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.positions import LAGRANGE, positions
from pipeline.pixels.resample import NOT_COVERED
from pipeline.stack.sources import Frame

# Across: whole so many of the streak's widths (FWHM) to either side and this many px at least, then the soft edge, px.
WIDTHS, HALF_LEAST, SOFT = 1.0, 3.0, 4.0
# Ends are found some px short of where the light fades: so much of the length and px are added, softly.
BEYOND_SHARE, BEYOND = 0.05, 8.0
# Kinds that a frame named by hand may have: what it shows is not always told.
BY_NAME = ("meteor", "unknown")


@dataclass(frozen=True)
class Meteor:
    """A streak to be kept: the number of its frame among the scene's, its ends and half width in the frame, px."""

    number: int
    ends: tuple[float, float, float, float]
    half: float


def meteors_of(
    frames: Sequence[Frame], streaks: Mapping[str, Sequence[Mapping[str, Any]]], named: frozenset[str], told: bool
) -> list[Meteor]:
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
                ends = tuple(float(streak[key]) for key in ("x1", "y1", "x2", "y2"))
                half = max(WIDTHS * float(streak.get("width_px") or 0.0), HALF_LEAST)
                found.append(Meteor(number, ends, half))  # type: ignore[arg-type]
    return found


def share_of(meteor: Meteor, x: NDArray[np.floating], y: NDArray[np.floating]) -> NDArray[np.float32]:
    """How much of a frame's pixel at (x, y) is laid over: 1 on the streak, 0 away from it, smooth between."""
    x1, y1, x2, y2 = meteor.ends
    length = max(float(np.hypot(x2 - x1, y2 - y1)), 1.0)
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    along = (x - x1) * ux + (y - y1) * uy
    across = np.abs((y - y1) * ux - (x - x1) * uy)
    beyond = np.maximum(np.maximum(-along, along - length), 0) / (BEYOND + BEYOND_SHARE * length)
    off = np.clip(np.maximum((across - meteor.half) / SOFT, beyond), 0, 1)
    return np.nan_to_num(0.5 + 0.5 * np.cos(np.pi * off)).astype(np.float32)


def frame_positions(
    frame: Frame, origin: tuple[int, int], shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where in a frame lie the result's pixels from `origin` on, green: two arrays, NaN where nowhere."""
    shift = frame.grids[len(frame.grids) // 2].shift
    xs, ys = np.empty(shape, np.float32), np.empty(shape, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    for i in range(shape[0]):
        positions(shift, LAGRANGE, origin[0] + i, origin[1], xs[i], ys[i], nodes)
    return xs, ys


def reaches(meteor: Meteor, frame: Frame, origin: tuple[int, int], shape: tuple[int, int]) -> bool:
    """Whether the streak may come into a tile of the result."""
    bounds = frame.grids[len(frame.grids) // 2].region(origin[0], origin[0] + shape[0], origin[1], origin[1] + shape[1])
    if bounds is None:
        return False
    y0, y1, x0, x1 = bounds
    ends = np.array(meteor.ends).reshape(2, 2)
    far = meteor.half + SOFT + BEYOND + BEYOND_SHARE * float(np.hypot(*(ends[1] - ends[0]))) + 2
    low, high = ends.min(axis=0) - far, ends.max(axis=0) + far
    return bool(low[0] <= x1 and high[0] >= x0 and low[1] <= y1 and high[1] >= y0)


def lay_over(
    meteor: Meteor,
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


__all__ = ["Meteor", "frame_positions", "lay_over", "meteors_of", "reaches", "share_of"]
