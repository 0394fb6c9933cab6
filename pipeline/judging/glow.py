"""Light that wanders over a sky and dims no star: aurora, thin cloud that a town lights, lamps that pass far off."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.judging.events import Bools, Course, Event, Floats, extreme, rank, runs
from pipeline.pixels.regression import column_quantiles

DARK = 0.25  # quantile of a part's levels over the frames that counts as dark
LIT = 1.3  # times a part's own dark level: the part is lit
SHARE = 0.1  # of the parts lit, that make a frame one under a glow
LEAST = 3  # frames, whose stars tell that they did not dim
GAP = 2  # frames in between that are dark
DIMMED_SHARE = 0.5  # of the lit parts that tell whose stars are dimmed as well: cloud, lit from below
STEADY = 0.9  # rank correlation with time of what grows or falls all through the scene: the field sinks, or dawn comes


def glow(course: Course, covered: Floats, told: Bools) -> list[Event]:
    """Spells in which parts of the sky brightened and their stars did not dim.

    Parameters
    ----------
    course : of the scene
    covered : (n, parts) 1 where stars of a part of `course.parts` are dimmed or hidden, 0 where they shine, NaN untold
    told : (n,) frames whose light has another name
    """
    frames = len(course.seconds)
    levels = course.sky_parts.reshape(frames, -1)
    known = np.isfinite(levels).sum(axis=0) > frames / 2
    if not known.any() or np.nanmedian(levels) <= 0:
        return []
    levels = levels[:, known]
    dark = np.maximum(column_quantiles(levels, DARK), 0.5 * float(np.nanmedian(levels)))
    ratio = levels / dark
    lit = np.nan_to_num(ratio) > LIT
    share = lit.mean(axis=1)
    rows, columns = course.parts.shape[1:]
    part = _part_of(course.sky_parts.shape[1:], rows, columns)[known]
    behind = np.where(lit, covered[:, part], np.nan)
    dimmed = np.nansum(behind, axis=1) / np.maximum(np.isfinite(behind).sum(axis=1), 1)
    under = (share > SHARE) & (dimmed < DIMMED_SHARE) & ~told
    if abs(rank(course.seconds, share)) > STEADY:
        return []
    return [
        Event("glow", tuple(int(n) for n in run), share_most=extreme(share[run]), sky_most=extreme(ratio[run].ravel()))
        for run in runs(under, GAP)
        if np.count_nonzero(course.told[run]) >= LEAST
    ]


def _part_of(grid: Sequence[int], rows: int, columns: int) -> NDArray[np.int64]:
    """Which part of a coarser grid the middle of each part of `grid` lies in."""
    down = ((np.arange(grid[0]) + 0.5) * rows / grid[0]).astype(np.int64)
    across = ((np.arange(grid[1]) + 0.5) * columns / grid[1]).astype(np.int64)
    return (down[:, None] * columns + across).ravel()
