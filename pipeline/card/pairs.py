"""Darks of two temperatures for lights between them: which two, and what is said of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.card.beside import DARKS_ENOUGH, held_against
from pipeline.card.calibration_sets import CalibrationSet
from pipeline.card.frame import CardFrame, count
from pipeline.card.likeness import TEMPERATURE_STEP_C, days_apart, degrees, set_described, temperatures_of, when
from pipeline.sensor.doubling import DOUBLING_C, expected_share

# Where some lights are nearer to another set, both serve together at up to so many times the variance of the smaller
# one's mean: as if it had half as many darks. One alone would leave what does not go with temperature, in every light.
SPARED = 2.0


@dataclass(frozen=True)
class Pair:
    """Darks of two temperatures for lights between them.

    `beyond` is how far lights lie outside, degrees C; `shares` what each light with a temperature is expected to take
    of the warmer; `noise` that of both masters in a light, over a dark's.
    """

    colder: CalibrationSet
    warmer: CalibrationSet
    beyond: float
    shares: tuple[float, ...]
    noise: float

    @property
    def fewer(self) -> int:
        """Darks of the smaller set, as `_worth` counts them: alone, its noise in a light is that of a dark over the
        root of these."""
        return min(_worth(self.colder), _worth(self.warmer))


def _worth(s: CalibrationSet) -> int:
    """How many darks' noise a set's master has: of one or two hardly more than of three, for what ordinary pixels have
    of their own is not taken from so few (`sensor/likeliest.py`; noise of a light less it over its own 1.04 and 1.03).
    """
    return max(len(s.frames), DARKS_ENOUGH)


def best_pair(lights: Sequence[CardFrame], alike: Sequence[CalibrationSet]) -> Pair | None:
    """The two sets nearest about the lights' temperatures whose masters' noise is less than that of `DARKS_ENOUGH`;
    sets of fewer where none of more reach as far."""
    wanted = temperatures_of(lights)
    if not wanted:
        return None
    usable = [(s.temperature_c, s) for s in alike if s.temperature_c is not None]
    best: tuple[tuple[object, ...], Pair] | None = None
    for cold, colder in usable:
        for warm, warmer in usable:
            if warm - cold < TEMPERATURE_STEP_C:
                continue
            shares = tuple(expected_share(t, cold, warm) for t in wanted)
            variance = sum(x**2 / _worth(warmer) + (1 - x) ** 2 / _worth(colder) for x in shares) / len(shares)
            if variance > 1 / DARKS_ENOUGH:
                continue
            beyond = max(cold - min(wanted), max(wanted) - warm, 0.0)
            nights = [days_apart(lights, s.frames) for s in (colder, warmer)]
            rank = (
                round(beyond / TEMPERATURE_STEP_C),
                sum(len(s.frames) < DARKS_ENOUGH for s in (colder, warmer)),
                round((warm - cold) / TEMPERATURE_STEP_C),
                None in nights,
                sum(n or 0 for n in nights),
                -len(colder.frames) - len(warmer.frames),
                colder.name,
                warmer.name,
            )
            if best is None or rank < best[0]:
                best = rank, Pair(colder, warmer, beyond, shares, math.sqrt(variance))
    return None if best is None else best[1]


def serves_nearer(lights: Sequence[CardFrame], pair: Pair, chosen: CalibrationSet) -> bool:
    """Whether some lights are nearer to a set of the pair than to the chosen one, and the pair is not much noisier."""
    at, wanted = chosen.temperature_c, temperatures_of(lights)
    if at is None or not any(nearer(lights, s, chosen) for s in (pair.colder, pair.warmer)):
        return False
    scaled = math.sqrt(sum(4 ** ((t - at) / DOUBLING_C) for t in wanted) / len(wanted) / len(chosen.frames))
    return pair.noise <= max(math.sqrt(SPARED / pair.fewer), scaled)


def nearer(lights: Sequence[CardFrame], s: CalibrationSet, chosen: CalibrationSet) -> int:
    """How many lights are nearer in temperature to a set than to the chosen one."""
    a, b = s.temperature_c, chosen.temperature_c
    if a is None or b is None:
        return 0
    return sum(abs(t - b) - abs(t - a) >= TEMPERATURE_STEP_C for t in temperatures_of(lights))


def pair_described(
    lights: Sequence[CardFrame],
    pair: Pair,
    alike: Sequence[CalibrationSet],
    sets: Sequence[CalibrationSet],
    exposure_tolerance: float,
) -> str:
    """The sentence that says which two sets were taken, what each light takes of them, and what that costs."""
    why = (
        f"{set_described(pair.warmer)}, {when(lights, pair.warmer.frames)}, and "
        f"{count(len(pair.colder.frames), 'dark')} at {pair.colder.temperature_c:.0f} °C, "
        f"{when(lights, pair.colder.frames)}, for lights whose sensor was at {degrees(lights)}: each "
        "light takes off the colder ones and the share of what the warmer show above them that its own warm pixels ask "
        f"for, about {max(pair.shares):.2f} to {min(pair.shares):.2f}; their noise in a light is {pair.noise:.2f} "
        "times a dark's"
    )
    both = (pair.warmer, pair.colder)
    why += "".join(held_described(s, sets, exposure_tolerance) for s in both)
    told = {s.name for s in both} | {other.name for s in both if (other := held_against(s, sets, exposure_tolerance))}
    ends = sorted(_temperature(s) for s in both)
    between = [s for s in alike if s.name not in told and ends[0] < _temperature(s) < ends[1]]
    if between:
        at = sorted({f"{s.temperature_c:.0f}" for s in between}, key=int)
        why += (
            f"; {count(sum(len(s.frames) for s in between), 'dark')} at {' and '.join(at)} °C, between these, are not "
            "taken: the two leave no more"
        )
    return why


def _temperature(s: CalibrationSet) -> float:
    """A set's temperature, degrees C; NaN, which lies between none, where it is not known."""
    return math.nan if s.temperature_c is None else s.temperature_c


def held_described(s: CalibrationSet, sets: Sequence[CalibrationSet], exposure_tolerance: float) -> str:
    """What is said of a set of few darks: what they are held against, or that they are held against nothing."""
    other, few = held_against(s, sets, exposure_tolerance), count(len(s.frames), "dark")
    at = "" if s.temperature_c is None else f" at {s.temperature_c:.0f} °C"
    if other is None:
        if len(s.frames) >= DARKS_ENOUGH:
            return ""
        costs = "it tells hot pixels and glow only" if len(s.frames) == 1 else "their noise goes into the picture"
        return f"; only {few}{at}: {costs}, and there are no more to tell hits in {_them(s)} from hot pixels"
    than = "" if other.temperature_c is None else f" at {other.temperature_c:.0f} °C"
    only = "only " if len(s.frames) < DARKS_ENOUGH else ""
    return (
        f"; {only}{few}{at}: what single pixels of {_them(s)} show is held against {len(other.frames)}{than}, so that "
        "hits leave no holes and warm pixels less noise"
    )


def _them(s: CalibrationSet) -> str:
    return "it" if len(s.frames) == 1 else "them"
