"""What a frame's settings make of light: exposure, ISO and aperture, as they are stated and as the stars show them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.judging.graded import Graded, exposure_shares
from pipeline.sensor.alike import numbered
from pipeline.stars.ownlight import Sightings, frame_levels, weighted_medians

Floats = NDArray[np.float64]

TELLING, TELLING_SHARE = 3, 0.25  # frames of a setting, and share of them, whose clearest say what it makes of light
AGREEING = 0.05  # of the logarithm, within which these lie: under cloud exposures of one setting differ by more
# Of the logarithm, that real settings are off what is stated: ISO by 10 to 20 %, 30 s that are 32 by 7. What is off by
# more (an extended ISO that is a number alone) the sky's light must show too: haze takes the stars', not the sky's.
OFF_MOST, SKY_FOLLOWS = 0.25, 0.15
ROUNDS = 6


def settings_of(frames: Sequence[Graded]) -> NDArray[np.int64]:
    """Number of each frame's setting."""
    return numbered([(_exposure(frame), frame.plan.iso, frame.plan.f_number) for frame in frames])


def stated_shares(frames: Sequence[Graded], settings: NDArray[np.int64]) -> list[float]:
    """What the same light makes in each frame, ADU, over what it makes in those of the commonest setting, by what is
    stated: exposure times ISO over the f-number's square. What is not known of all frames is taken as the same; of one
    setting alone the exposures over their median tell."""
    if settings.max(initial=0) == 0:
        return exposure_shares(frames)
    light = np.ones(len(frames))
    for stated, power in (
        ([_exposure(frame) for frame in frames], 1),
        ([frame.plan.iso for frame in frames], 1),
        ([frame.plan.f_number for frame in frames], -2),
    ):
        if all(stated):
            light *= np.array(stated, np.float64) ** power
    return [float(share) for share in light / np.median(light[settings == _commonest(settings)])]


def shown_shares(
    stated: Sequence[float], settings: NDArray[np.int64], seen: Sightings, levels: Sequence[float]
) -> list[float]:
    """The same as the stars show it: between settings by the clearest frames of each, where these agree; within one by
    the exposures, so that a setting whose frames all stand under cloud stays as it is stated, and they dimmed.

    Parameters
    ----------
    stated : of `stated_shares`
    seen : the stars of the frames, fluxes in the light that is stated
    levels : of the sky of each frame, in that light
    """
    if settings.max(initial=0) == 0:
        return list(stated)
    star, sky = _star_levels(seen, len(settings)), np.log(np.maximum(levels, 1e-9))
    clear = {n: told for n in range(settings.max() + 1) if (told := _clear(star, settings == n)) is not None}
    off = np.zeros(settings.max() + 1)
    usual = max(clear, key=lambda n: (np.count_nonzero(settings == n), -n)) if clear else 0
    for n, level in clear.items():
        beside = level - clear[usual]
        beyond = np.median(sky[settings == n]) - np.median(sky[settings == usual])
        if abs(beside) < OFF_MOST or abs(beyond - beside) < SKY_FOLLOWS:
            off[n] = beside
    return [share * math.exp(off[n]) for share, n in zip(stated, settings, strict=True)]


def sensitivities(frames: Sequence[Graded], settings: NDArray[np.int64], shares: Sequence[float]) -> list[float]:
    """What light makes in each frame in a second, over what it makes in those of the commonest setting."""
    if settings.max(initial=0) == 0:
        return [1.0] * len(frames)
    times = np.array([_exposure(frame) or math.nan for frame in frames])
    if np.isnan(times).any():
        return list(shares)
    usual = np.median(times[settings == _commonest(settings)])
    return [float(share * usual / time) for share, time in zip(shares, times, strict=True)]


def _exposure(frame: Graded) -> float | None:
    return frame.row["exposure_s"] or frame.plan.exposure_s


def _commonest(settings: NDArray[np.int64]) -> int:
    return int(np.argmax(np.bincount(settings)))


def _star_levels(seen: Sightings, frames: int) -> Floats:
    """Logarithm of the stars' light in each frame; NaN where none tells."""
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.where(seen.flux > 0, np.log(seen.flux), np.nan)
        sound = np.where(np.isfinite(log), np.minimum(seen.flux / seen.error, 30.0) ** 2, 0.0)
    if not len(log):
        return np.full(frames, np.nan)
    level = frame_levels(seen, log, frames)
    for _ in range(ROUNDS):
        star = weighted_medians(log - level[seen.frame], sound, seen.star, int(seen.star.max()) + 1)
        level = weighted_medians(log - star[seen.star], sound, seen.frame, frames)
    return level


def _clear(level: Floats, of: NDArray[np.bool_]) -> float | None:
    """The level of a setting's clearest frames; None where they are too few or differ."""
    known = np.sort(level[of & np.isfinite(level)])[::-1]
    best = known[: max(TELLING, round(TELLING_SHARE * len(known)))]
    return float(np.median(best)) if len(best) >= TELLING and best[0] - best[-1] < AGREEING else None
