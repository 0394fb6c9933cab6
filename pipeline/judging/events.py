"""What befalls a sky, as `weather` and `glow` tell it, and what both need to tell it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Course:
    """A scene in the order of time; NaN where a figure cannot be had.

    `seconds` (n,) on any clock; `clear` (n,) transparency; `share` (n,) clouded share of the field; `parts`
    (n, rows, columns) transparency; `sky` (n,) level; `sky_parts` (n, rows, columns), NaN where land stands; `width`
    (n,) star width, px; `told` (n,) whether fluxes tell of the sky: star images are not spoiled; `sun`, `moon` (n,)
    altitudes, degrees, `lit` (n,) share of the Moon's disc, None where site or time are not known; `air_known` whether
    airmass is taken out of the transparencies; `thickest` (n,) transparency where cloud is thickest, by places finer
    than the parts, None where that is not known of any frame.
    """

    seconds: Floats
    clear: Floats
    share: Floats
    parts: Floats
    sky: Floats
    sky_parts: Floats
    width: Floats
    told: Bools
    sun: Floats | None = None
    moon: Floats | None = None
    lit: Floats | None = None
    air_known: bool = False
    thickest: Floats | None = None


@dataclass(frozen=True)
class Event:
    """`cause` one of `CAUSES`, the `frames` it befell (numbers, in order), and what was measured.

    `clear_least` least transparency, of the field or where cloud is thickest; `share_most` largest share of the field
    dimmed; `sky_most` times the dark sky; `wider` times the star width before; `course` in words: `thickens`, `sinks`,
    `rises`, `comes`, `goes`, `middle`, `rim`, `dawn`, `dusk`, `moonrise`, `moonset`, `falls` (a sky that
    grows dark), or empty; `sun_deg`, `moon_deg` altitude at its brightest, `lit` the Moon's share.
    """

    cause: str
    frames: tuple[int, ...]
    course: str = ""
    clear_least: float | None = None
    share_most: float | None = None
    sky_most: float | None = None
    wider: float | None = None
    sun_deg: float | None = None
    moon_deg: float | None = None
    lit: float | None = None


CAUSES = (
    "haze",
    "broken cloud",
    "passing cloud",
    "cloud",
    "obstruction",
    "dew",
    "twilight",
    "moonlight",
    "brightening",
    "glow",
    "lamp",
)


def runs(flags: Bools, gap: int, told: Bools | None = None) -> list[NDArray[np.int64]]:
    """Numbers of flagged frames, parted where more than `gap` others that tell lie between."""
    marked = np.flatnonzero(flags)
    if not len(marked):
        return []
    counted = np.cumsum(np.ones(len(flags), int) if told is None else (told | flags).astype(int))
    apart = np.flatnonzero(np.diff(counted[marked]) > gap + 1) + 1
    return list(np.split(marked, apart))


def rank(first: Floats, second: Floats) -> float:
    """Spearman's rank correlation; 0 where it cannot be told."""
    good = np.isfinite(first) & np.isfinite(second)
    if good.sum() < 3 or np.ptp(first[good]) == 0 or np.ptp(second[good]) == 0:
        return 0.0
    return float(np.corrcoef(_ranks(first[good]), _ranks(second[good]))[0, 1])


def _ranks(values: Floats) -> Floats:
    """Places in order, from 1 on; equal values share the mean of theirs."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    return (np.cumsum(counts) - (counts - 1) / 2)[inverse]


def extreme(values: Floats, least: bool = False) -> float | None:
    """The greatest, or the least, of those that are numbers; None where none is."""
    good = values[np.isfinite(values)]
    if not len(good):
        return None
    return float(good.min() if least else good.max())
