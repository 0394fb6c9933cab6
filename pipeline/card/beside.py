"""Which darks the single pixels of few darks are held against: more of the same exposure, of another temperature."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.card.calibration_sets import CalibrationSet
from pipeline.card.likeness import near, same_sensor, sieve
from pipeline.sensor.doubling import DOUBLING_C

# A master of fewer darks than this is not enough by itself: of one or two a cosmic hit is not told from a hot pixel.
DARKS_ENOUGH = 3
# From so many darks on their own mean tells warm pixels as well as others do. Below, those are held against that are
# at least so many times as many: of 8 beside 40 at 8 degrees from them warm pixels were off by half as much.
HELD_BELOW, HELD_TIMES = 10, 2.0
# What pixels differ by from what is expected of them, a degree, over a dark's noise: those that double in 5 to 7
# degrees differ by 0.012 of their signal, and what is not hot enough to be repaired has some 2 times the noise.
DIFFER_C = 0.025


def held_against(
    few: CalibrationSet, sets: Sequence[CalibrationSet], exposure_tolerance: float
) -> CalibrationSet | None:
    """The set that a set of few darks is held against (`sensor/beside.py`); None where it is not few, or there is none.

    Same body, size, ISO and exposure, and more of them; of these the one that tells the few ones' pixels best: warmer
    ones show more, and pixels go together the better the nearer both temperatures are. No two sets are held against
    one another, in whatever roundabout way: of sets of one number the colder against the warmer, and only of one or
    two darks.
    """
    number = len(few.frames)
    if few.kind != "dark" or number >= HELD_BELOW:
        return None
    same = ("another exposure", lambda s: near(s.exposure_s, few.exposure_s, exposure_tolerance))
    fitting, lacking = sieve([s for s in sets if s.kind == "dark"], [*same_sensor(few.frames[0]), same])
    if lacking is not None:
        return None

    def more(s: CalibrationSet) -> bool:
        if number < DARKS_ENOUGH:
            return _order(s) > _order(few)
        return len(s.frames) >= HELD_TIMES * number

    def rank(s: CalibrationSet) -> tuple[bool, float, str]:
        if s.temperature_c is None or few.temperature_c is None:
            return True, 1 / len(s.frames), s.name
        colder = few.temperature_c - s.temperature_c
        noise = 2 ** (colder / DOUBLING_C) / math.sqrt(len(s.frames))
        return False, math.hypot(noise, DIFFER_C * colder), s.name

    return min((s for s in fitting if more(s)), key=rank, default=None)


def _order(s: CalibrationSet) -> tuple[int, float, str]:
    return len(s.frames), -math.inf if s.temperature_c is None else s.temperature_c, s.name
