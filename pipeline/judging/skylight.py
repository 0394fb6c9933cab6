"""How bright the sky was in each frame: its level where no land stands before it, and light that falls on a part."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import JudgeSettings
from pipeline.judging.clouds import LAND_SHARE, Sky
from pipeline.judging.graded import Graded
from pipeline.judging.verdicts import REFERENCE, SMALL_SCENE, Figures
from pipeline.pixels.regression import column_quantiles
from pipeline.stars.tiles import TILES, tile_of

DARKEST = 0.5  # of the scene's sky: no part of open sky is darker, so that land that moves out of it sets no measure
# What light beyond the limit counts for at most: of twice the limit it halves the share that may be lit. The lit parts
# of a frame lose to noise what the others win where their share is 1 / (k - 1), k being their light over the scene's:
# a third at 4 times, a seventh at 8.
GLARE_MOST = 2.0
PARTS_LEAST = 6  # of the grid, and
STARS_LEAST = 5  # stars, that tell the level of the sky


def sky_figures(figures: Sequence[Figures], frames: Sequence[Graded], sky: Sky, settings: JudgeSettings) -> None:
    """Fill in each frame's sky level, and the share of its sky that is far above the scene's in the same part.

    Parts that are land in a frame are left out of both.
    """
    levels = np.array([json.loads(frame.row["tile_sky_adu"]) for frame in frames], np.float64)
    open_sky = np.array([sky.land_share(n) < LAND_SHARE for n in range(len(frames))])
    for n, (f, frame, level, there) in enumerate(zip(figures, frames, levels, open_sky, strict=True)):
        sky_adu = _level(frame, sky.above_land(n, frame.stars), level, there)
        if sky_adu is not None:
            f.sky_adu = sky_adu
        if f.sky_adu is not None:
            f.sky = f.sky_adu / sky.sensitivity[n] / (frame.row["exposure_s"] or 1.0)
    if len(frames) < SMALL_SCENE:
        return
    shares = np.array(sky.light)
    levels /= shares[:, None, None]
    known = [f.sky_adu / share for f, share in zip(figures, shares, strict=True) if f.sky_adu is not None]
    noise = float(np.median([frame.row["noise_adu"] / share for frame, share in zip(frames, shares, strict=True)]))
    floor = max(noise, DARKEST * float(np.quantile(known, REFERENCE))) if known else noise
    masked = np.where(open_sky, levels, np.nan)
    seen = open_sky.any(axis=0)
    reference = np.full(levels.shape[1:], np.inf)
    reference[seen] = np.maximum(column_quantiles(masked[:, seen], REFERENCE), floor)
    for f, level, there in zip(figures, levels, open_sky, strict=True):
        if there.any():
            beyond = (level / (settings.sky_max * reference))[there]
            lit = beyond > 1
            f.glare = float(np.mean(lit))
            f.glare_times = float(np.mean(np.minimum(beyond[lit], GLARE_MOST))) if lit.any() else 1.0


def scene_gain(frames: Sequence[Graded], sensitivity: Sequence[float]) -> float | None:
    """Electrons per ADU of a scene's camera as it is usually set, the median of its batches; None where none tells.

    Parameters
    ----------
    sensitivity : what light makes in each frame in a second, over what it makes in a usual one
    """
    told = [frame.row.get("electrons_per_adu") for frame in frames]
    known = [value * by for value, by in zip(told, sensitivity, strict=True) if value]
    return float(np.median(known)) if known else None


def _level(frame: Graded, stars: NDArray[Any], level: NDArray[np.float64], open_sky: NDArray[np.bool_]) -> float | None:
    """The sky's level, ADU: of the parts that show stars; where those are few, behind the stars; None without any."""
    shown = np.zeros(TILES, bool)
    shown[tile_of(stars["x"], stars["y"], frame.row["width"], frame.row["height"])] = True
    there = open_sky & shown
    if there.sum() >= PARTS_LEAST:
        return float(np.median(level[there]))
    if len(stars) >= STARS_LEAST:
        return float(np.median(stars["background"]))
    return float(np.median(level[open_sky])) if open_sky.any() and len(frame.stars) >= STARS_LEAST else None
