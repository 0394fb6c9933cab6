"""Passes taken out: a streak that grading has found leaves its frame whole, however few frames there are.

Rejection judges value by value, and among three to seven frames a faint satellite stays below its limit all along: a
quarter of its light would remain. But a line of a thousand pixels is certain where each of them is not. So within the
band of a listed streak its frame gives nothing, bright or dark, which cannot lean the mean to either side, as a lower
limit would; the cost is one frame along a narrow band, and NOISE and COVERAGE say it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.reject import GROWN, MILD
from pipeline.pixels.resample import NOT_COVERED
from pipeline.stack.bands import Band, band_of, beside
from pipeline.stack.sources import Frame

# To either side so many of the streak's widths (FWHM; of a Gaussian profile 6 % of the peak are left there), px at
# least, and what a line told on the half-size picture may lie off, px.
WIDTHS, HALF_LEAST, ASTRAY = 1.0, 2.5, 1.5
# Ends are found some px short of where the light fades: so much of the length and px are taken more.
BEYOND_SHARE, BEYOND = 0.05, 10.0
# Values that must be left of a pixel.
LEFT_LEAST = 2
# Of a frame of which more than this share would go the list is believed to be of something else: land, cloud, aurora.
AREA_MOST = 0.05


def passes_of(
    frames: Sequence[Frame], streaks: Mapping[str, Sequence[Mapping[str, Any]]], kept: Sequence[Band]
) -> list[Band]:
    """The bands to take out.

    Parameters
    ----------
    frames : the scene's
    streaks : of each frame, as judge tells them
    kept : meteors that stay in the picture
    """
    ends_kept = {(band.number, band.ends) for band in kept}
    found = []
    for number, frame in enumerate(frames):
        bands = [band_of(number, streak, WIDTHS, HALF_LEAST) for streak in streaks.get(frame.id, ())]
        if sum(2 * band.half * band.length for band in bands) <= AREA_MOST * frame.shape[0] * frame.shape[1]:
            found += [band for band in bands if (number, band.ends) not in ends_kept]
    return found


def reach_of(band: Band) -> float:
    """How far from its ends and line a pass is taken out, px at most."""
    return band.half + ASTRAY + BEYOND + BEYOND_SHARE * band.length


def take_out(
    band: Band,
    k: int,
    places: tuple[NDArray[np.float32], NDArray[np.float32]],
    codes: NDArray[np.uint8],
    mask: NDArray[np.uint8],
    unless: NDArray[np.bool_],
) -> None:
    """Reject a streak's band in its frame, where `LEFT_LEAST` values are left without it.

    Parameters
    ----------
    band, k : the streak, and its frame's number among the tile's
    places : x and y in the frame of the tile's pixels, (rows, columns) (`frame_positions`)
    codes, mask : (n, rows, columns) uint8 arrays; as in `pixels.reject`, the mask is changed in place
    unless : (rows, columns) bool array
        Pixels left as they are.
    """
    across, beyond = beside(band, *places)
    rows, columns = np.nonzero(
        (across <= band.half + ASTRAY) & (beyond <= BEYOND + BEYOND_SHARE * band.length) & ~unless
    )
    left = (codes[:, rows, columns] != NOT_COVERED) & ((mask[:, rows, columns] & ~np.uint8(MILD)) == 0)
    enough = left.sum(axis=0) - left[k] >= LEFT_LEAST
    mask[k, rows[enough], columns[enough]] |= np.uint8(GROWN)
