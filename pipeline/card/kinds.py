"""What each frame is: light, dark, flat, bias or something else, from its header and from a look at its pixels.

Decoding every frame to sort it would double the cost of a night, so pixels are looked at where they are needed. Frames
of one body with the same settings that follow one another without a pause are a run. Of a small run every frame is
looked at (`LOOK_ALL_PIXELS`); of a larger one the first, the last, one in `STRIDE` between, those whose file size or
embedded preview stands out among their neighbours and steps from one frame to the next, those beside such a step, and
the middle of the longest stretch without one; wherever two of the frames looked at differ, the one halfway
between them is looked at too, until the border is found. What was not looked at is what both its neighbours are. A
frame that hides from this (covered for one exposure, in a file as large as the others) is found by its grades.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.card.frame import CardFrame, Look, in_order, median, near_values, seconds

# Runs of at most this many pixels are looked at whole: about 3 s of decoding and looking on one core.
LOOK_ALL_PIXELS = 100_000_000
STRIDE = 64
# A pause between the end of one exposure and the start of the next that ends a run, s. Long enough for a camera that
# takes its own dark after each exposure of a few minutes.
RUN_PAUSE_S = 400.0
RUN_EXPOSURE_TOLERANCE = 0.03

# No star trail is photographed at less than this, s; daylight pictures of fine detail pass for star fields otherwise
# (22,711 star-like points in a 1/640 s picture of 18 megapixels).
LIGHT_EXPOSURE_MIN_S = 0.2
BIAS_EXPOSURE_MAX_S = 0.1
FLAT_EXPOSURE_MAX_S = 10.0

# Level above black, as a share of the range, up to which a frame can be covered. Measured on a cooled CCD: darks
# 0.0008-0.0011 (its header's black is off by as much), the sky 0.042-0.048 in the same 60 s.
DARK_LEVEL_MAX = 0.015
# Share of the range within which a level is said to be black's: some ADU of 16,384.
AT_BLACK = 5e-4
# Star-like points that make a star field at a dark level; ten real darks of 60 s had 3-18 (cosmic rays, pairs of hot
# pixels among 2,000), the sky beside them 779-864.
STARS_MIN = 25
# The same where there is light.
STARS_MIN_BRIGHT = 8
# Pairs and crosses of hot pixels: what share of the single ones may pass for stars.
HOT_SHARE = 0.02

FLAT_LEVELS = (0.03, 0.9)
# Blocks that show nothing: at least this share in a flat, ...
FLAT_SMOOTH = 0.9
# ... which falls off towards its corners by this share of its level at most, ...
FLAT_SPREAD = 0.8
# ... and this in a frame of stars: ground by night is dark, and smooth too. Rendered starry frames with a wood in the
# lower quarter had 0.87-1.0; real daylight pictures 0.07 and 0.33 (with 7,500 star-like points in that third).
SKY_SMOOTH = 0.4
# A covered frame among uncovered ones of the same settings has less than this share of their level or noise.
COVERED_LEVEL = 0.5
COVERED_NOISE = 0.7

# What is darker than this, as an exposure value at ISO 100, no lamp lights: -2 to -3 under a full moon, -6 by starlight
# alone, 1 and more beside street lamps (common practice). A middling grey lies at this share of the range.
NIGHT_EV, GREY = -2.0, 0.12
# Taken where the header does not tell it; night is not photographed at much more.
F_NUMBER = 2.8

# File sizes and previews that differ from the median of their neighbours by more than this share stand out.
SIZE_STANDS_OUT = 0.03
AROUND = 5  # frames on either side, against which one stands out
PREVIEW_STANDS_OUT = 0.25
# ... of at least this share of white: previews of darks are almost black, their noise is most of them (0.004-0.012
# measured, of lights under a dark sky 0.053).
PREVIEW_FLOOR = 0.05
# A preview brighter than this share of white is no covered frame's.
DAYLIGHT_PREVIEW = 0.1


@dataclass(frozen=True)
class Verdict:
    """What a frame is, and why, in words."""

    kind: str
    reason: str


def runs_of(frames: Iterable[CardFrame]) -> list[list[CardFrame]]:
    """Group frames into runs: one body, same settings, no pause; frames without a time by folder, in order of name."""
    frames = list(frames)
    exposures = near_values((f.facts.exposure_s for f in frames), RUN_EXPOSURE_TOLERANCE)
    groups: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        facts = frame.facts
        folder = frame.path.rpartition("/")[0] if frame.start is None else ""
        key = (
            frame.body,
            facts.width,
            facts.height,
            facts.sensitivity,
            exposures[facts.exposure_s],
            facts.image_type,
            folder,
        )
        groups[key].append(frame)
    runs: list[list[CardFrame]] = []
    for members in groups.values():
        runs.append([members[0]])
        for before, frame in itertools.pairwise(members):
            if (frame.start or 0.0) - (before.start or 0.0) - before.exposure > RUN_PAUSE_S:
                runs.append([])
            runs[-1].append(frame)
    return runs


def standing_out(values: Sequence[float | None], share: float) -> list[int]:
    """Places whose value differs from the median of the `AROUND` places on either side by more than `share` of it."""
    found = []
    for n, value in enumerate(values):
        around = median(values[max(0, n - AROUND) : n] + values[n + 1 : n + 1 + AROUND])  # type: ignore[operator]
        if value is not None and around is not None and abs(value - around) > share * abs(around):
            found.append(n)
    return found


def at_steps(values: Sequence[float | None], places: Iterable[int], share: float, floor: float = 0.0) -> set[int]:
    """Those of some places that differ from the next or the one before, and these.

    Frames that stand out together (the darks after a run's lights) are told by the first and the last of them.

    Parameters
    ----------
    values : sizes of files or levels of previews, in order of time
    places : those that stand out
    share, floor : float
        Two values differ by more than `share` of the larger one, or of `floor` where that is more.
    """
    found: set[int] = set()
    for n in places:
        value = values[n]
        for beside in (n - 1, n + 1):
            other = values[beside] if 0 <= beside < len(values) else value
            if value is None or other is None or abs(value - other) > share * max(abs(value), abs(other), floor):
                found |= {n, beside}
    return found


def first_places(length: int, extra: Iterable[int]) -> list[int]:
    """The places of a run to look at first: both ends, `extra`, the middle of the longest stretch between these, and
    one in `STRIDE`."""
    ends = sorted({0, length - 1, *extra})
    gaps = [(b - a, -a) for a, b in itertools.pairwise(ends)]
    longest, left = max(gaps, default=(0, 0))
    return sorted({*ends, -left + longest // 2, *range(STRIDE // 2, length, STRIDE)})


def sample(places: Sequence[int], seen: Callable[[int], str]) -> dict[int, str]:
    """Look at places of a run, and between those that differ, until every border between different ones is found.

    Parameters
    ----------
    places : the places to begin with, in order, see `first_places`
    seen : callable
        Looks at a place and says what it is.

    Returns
    -------
    dict
        What is at every place that was looked at; between two of them that agree, the same is to be supposed.
    """
    known = {n: seen(n) for n in places}
    for left, right in itertools.pairwise(places):
        pairs = [(left, right)]
        while pairs:
            a, b = pairs.pop()
            if b - a > 1 and known[a] != known[b]:
                middle = (a + b) // 2
                known[middle] = seen(middle)
                pairs += [(a, middle), (middle, b)]
    return known


def impression(look: Look, exposure_s: float | None) -> str:
    """What one look suggests: `stars`, `dark`, `even`, `blank` (light without any feature) or `picture`."""
    needed = (STARS_MIN if look.level <= DARK_LEVEL_MAX else STARS_MIN_BRIGHT) + HOT_SHARE * look.points
    long_enough = not exposure_s or exposure_s >= LIGHT_EXPOSURE_MIN_S
    if long_enough and look.stars >= needed and look.smooth >= SKY_SMOOTH:
        return "stars"
    if look.smooth < FLAT_SMOOTH:
        return "picture"
    if look.level <= DARK_LEVEL_MAX and look.stars < needed:
        return "dark"
    if look.stars >= needed and not long_enough:
        return "picture"
    lit = FLAT_LEVELS[0] <= look.level <= FLAT_LEVELS[1] and look.spread <= FLAT_SPREAD * look.level
    if lit and (exposure_s or 0.0) <= FLAT_EXPOSURE_MAX_S:
        return "even"
    return "blank"


@dataclass
class _Seen:
    """What has been seen of a card: looks at sound frames, at damaged ones, and what each frame is guessed to be."""

    looks: dict[str, Look] = field(default_factory=dict)
    spoiled: dict[str, Look] = field(default_factory=dict)
    guesses: dict[str, str] = field(default_factory=dict)


class Sorter:
    """Sorts the frames of a card whose kind is not given by hand.

    Parameters
    ----------
    look_at_all : callable
        Is told of frames that will be looked at, to decode several at once.
    look : callable
        Gives a frame's `Look`, or None where it cannot be decoded.
    broken : callable
        Says what is wrong with a frame that was looked at, or None.
    preview : callable
        Gives the mean level of a frame's embedded preview as a share of white, or None.
    """

    def __init__(
        self,
        look_at_all: Callable[[Sequence[CardFrame]], None],
        look: Callable[[CardFrame], Look | None],
        broken: Callable[[CardFrame], str | None],
        preview: Callable[[CardFrame], float | None],
    ) -> None:
        self._look_at_all, self._look, self._broken, self._preview = look_at_all, look, broken, preview

    def sort(self, frames: Iterable[CardFrame]) -> dict[str, Verdict]:
        """The verdict of each frame, by id."""
        runs = runs_of(frames)
        seen = _Seen()
        first_looks = {}
        for n, run in enumerate(runs):
            if self._by_daylight(run):
                seen.guesses |= {frame.id: "picture" for frame in run}
            else:
                first_looks[n] = first_places(len(run), self._standing_out(run))
        self._look_at_all([runs[n][k] for n, places in first_looks.items() for k in places])
        for n, places in first_looks.items():
            self._look_at_run(runs[n], places, seen)
        levels = self._sky_levels(runs, seen)
        verdicts: dict[str, Verdict] = {}
        for run in runs:
            verdicts |= self._judge_run(run, seen, levels[_settings(run[0])])
        return verdicts

    def _standing_out(self, run: list[CardFrame]) -> list[int]:
        if sum(frame.pixels for frame in run) <= LOOK_ALL_PIXELS:
            return list(range(len(run)))
        sizes: list[float | None] = [float(f.size) for f in run]
        previews = [self._preview(f) for f in run]
        by_size, by_preview = standing_out(sizes, SIZE_STANDS_OUT), standing_out(previews, PREVIEW_STANDS_OUT)
        return sorted(
            at_steps(sizes, by_size, SIZE_STANDS_OUT)
            | at_steps(previews, by_preview, PREVIEW_STANDS_OUT, PREVIEW_FLOOR)
        )

    def _look_at_run(self, run: list[CardFrame], places: list[int], seen: _Seen) -> None:
        def impression_of(n: int) -> str:
            frame = run[n]
            look = self._look(frame)
            if look is None:
                return "broken"
            if self._broken(frame) is not None:
                seen.spoiled[frame.id] = look
                return "broken"
            seen.looks[frame.id] = look
            seen.guesses[frame.id] = impression(look, frame.facts.exposure_s)
            return seen.guesses[frame.id]

        known = sample(places, impression_of)
        if all(guess == "broken" for guess in known.values()):
            for frame in run:
                if frame.id in seen.spoiled:
                    seen.looks[frame.id] = seen.spoiled[frame.id]
                    seen.guesses[frame.id] = impression(seen.looks[frame.id], frame.facts.exposure_s)

    def _by_daylight(self, run: list[CardFrame]) -> bool:
        """A picture or two, too short for stars and too bright for a cap, by their previews: nothing to look at."""
        exposure = run[0].facts.exposure_s
        if not exposure or exposure >= LIGHT_EXPOSURE_MIN_S or len(run) > 2:
            return False
        previews = [self._preview(frame) for frame in run]
        return all(level is not None and level > DAYLIGHT_PREVIEW for level in previews)

    @staticmethod
    def _sky_levels(runs: list[list[CardFrame]], seen: _Seen) -> dict[tuple[object, ...], tuple[float, float] | None]:
        """Median level and noise of the frames with stars, by settings."""
        found: dict[tuple[object, ...], list[Look]] = defaultdict(list)
        for run in runs:
            starry = [f for f in run if f.id in seen.looks and seen.guesses[f.id] == "stars"]
            found[_settings(run[0])] += [seen.looks[f.id] for f in starry]
        return {
            key: (float(np.median([x.level for x in looks])), float(np.median([x.noise for x in looks])))
            if looks
            else None
            for key, looks in found.items()
        }

    def _judge_run(self, run: list[CardFrame], seen: _Seen, sky: tuple[float, float] | None) -> dict[str, Verdict]:
        starry = any(seen.guesses.get(f.id) == "stars" for f in run)
        looked = [n for n, f in enumerate(run) if f.id in seen.looks]
        verdicts = {
            run[n].id: _verdict(run[n], seen.guesses[run[n].id], seen.looks[run[n].id], starry, sky) for n in looked
        }
        how = f"as its neighbours: {len(looked)} of these {len(run)} frames of the same settings were looked at"
        for n, frame in enumerate(run):
            broken = self._broken(frame)
            if frame.id in verdicts:
                if broken is not None:
                    verdicts[frame.id] = Verdict(verdicts[frame.id].kind, f"{verdicts[frame.id].reason}; {broken}")
            elif looked:
                nearest = run[min(looked, key=lambda k: abs(k - n))]
                reason = how if broken is None else f"{how}; {broken}"
                verdicts[frame.id] = Verdict(verdicts[nearest.id].kind, reason)
            elif broken is not None:
                verdicts[frame.id] = Verdict("unreadable", broken)
            else:
                verdicts[frame.id] = _verdict(frame, "picture", None, starry, sky)
        return verdicts


def _settings(frame: CardFrame) -> tuple[object, ...]:
    facts = frame.facts
    exposure = None if not facts.exposure_s else round(np.log(facts.exposure_s) / RUN_EXPOSURE_TOLERANCE)
    return (frame.body, facts.width, facts.height, facts.sensitivity, exposure)


def night_value(frame: CardFrame, level: float) -> float:
    """How bright what a frame shows was, as the exposure value at ISO 100 that makes it a middling grey
    (APEX: EV = log2(N^2 / t) - log2(ISO / 100)); infinite where its exposure or sensitivity is not known.

    Parameters
    ----------
    level : its mean, share of the range above black
    """
    facts = frame.facts
    if not facts.exposure_s or not facts.iso or level <= 0:
        return np.inf
    value = (facts.f_number or F_NUMBER) ** 2 / facts.exposure_s * 100 / facts.iso * level / GREY
    return float(np.log2(value))


def level_said(level: float) -> str:
    """A frame's level, as a share of the range from black to white, in words."""
    if abs(level) < AT_BLACK:
        return "level at black"
    percents = 100 * level
    return f"level {percents:.{0 if percents >= 10 else 1 if percents >= 1 else 2}f} % of the way from black to white"


def _verdict(
    frame: CardFrame, guess: str, look: Look | None, starry_run: bool, sky: tuple[float, float] | None
) -> Verdict:
    facts = frame.facts
    exposure, hint = facts.exposure_s, facts.image_type
    level = "" if look is None else level_said(look.level)
    if guess == "stars":
        return Verdict("light", "stars" if look is None else f"{look.stars} star-like points, {level}")
    covered = guess == "dark"
    if look is not None and sky is not None:
        # full pixels have no noise either
        below = look.level < COVERED_LEVEL * sky[0] or (look.noise < COVERED_NOISE * sky[1] and look.level <= sky[0])
        covered = below and guess in ("dark", "blank", "even")
    if covered or (guess == "blank" and not starry_run and hint in ("dark", "bias")):
        if hint == "bias" or (exposure is not None and exposure <= BIAS_EXPOSURE_MAX_S):
            return Verdict("bias", f"no light in {seconds(exposure)}, {level}")
        return Verdict("dark", f"no stars and no sky in {seconds(exposure)}, {level}")
    if starry_run or (sky is not None and guess in ("dark", "blank")):
        return Verdict("light", f"few stars or none (cloud?), {level}; others of the same settings show stars")
    if guess == "even" or (guess == "blank" and hint == "flat"):
        return Verdict("flat", f"evenly bright without stars, {level}")
    if hint == "light" and guess == "blank":
        return Verdict("light", f"few stars or none (cloud?), {level}; its header says it is a light")
    if exposure and exposure < LIGHT_EXPOSURE_MIN_S:
        return Verdict("other", f"exposed {seconds(exposure)}: too short for stars; a picture by daylight or lamps")
    if guess == "picture" and look is not None and night_value(frame, look.level) < NIGHT_EV:
        return Verdict("light", f"much detail in which stars are not told, {level}: as dark as a view by night")
    if guess == "picture" and hint == "light":
        return Verdict("light", f"much detail in which stars are not told, {level}; its header says it is a light")
    if guess == "picture":
        return Verdict("other", "no stars: a picture by daylight or lamps" + (f", {level}" if level else ""))
    return Verdict("other", f"no stars, but some light (cloud, haze, twilight or a closed room?), {level}")
