"""What befell the sky of a scene: haze, cloud that passes or breaks, a hand, dew, twilight, moonlight, a lamp.

Frames are put side by side in the order of time: the transparency of each part of the field, the level of the sky in
each part, the width of the stars. A verdict says whether a frame hurts; this says what came, when, and how much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.judging.events import CAUSES, Course, Event, extreme, rank, runs
from pipeline.judging.glow import STEADY, glow
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.regression import column_quantiles

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FEWEST = 4  # frames, below which no course can be told
DIMMED = 0.90  # transparency of a frame below which something took its light
PART_DIMMED = 0.13  # of the logarithm of a part's light, or
PART_SIGMAS = 4.0  # times its scatter from frame to frame: the part is dimmed
LEAST_LIGHT = 0.02  # below it nothing is told apart
SHARE_DIMMED = 0.1  # of the parts, that make a frame whose middle star is clear a dimmed one
NONE_LOST = 0.97  # transparency of a frame that as a whole lost nothing worth telling
ALL = 0.9  # of the parts
MOST_TELL = 0.5  # of the parts that the scene knows, that must be told in a frame for their share to be its clouded one
EVEN = 0.3  # spread over the parts, in shares of what is lost, up to which the loss is even
UNEVEN = 0.15  # of the places, in a frame that shows most of its light, that lack much of it: no haze lies so
MOST_LIGHT = 0.85  # of it
THICKEST = 0.05  # quantile of the parts, that tells how thick a cloud is
MOSTLY_EVEN = 0.6  # share of frames whose loss is even, that make a spell of haze
GAP = 2  # frames in between that are clear, or not told, and part no event in two
OPAQUE = 0.2  # of a part's dark level: cloud scatters more of the sky's light down, or a town's; a hand none
PASSING = 0.15  # of the scene's frames, or
PASSING_FRAMES = 3  # frames, within which what comes and goes passes
WISPS = 3  # such, from which on the sky was one of broken cloud
GROWING = 0.8  # rank correlation with time of what grows
GROWING_LEAST = 5  # frames
CREEPS = 0.02  # of the logarithm of the light: a loss that thickens begins with the first frame that lacks so much
DEW_LOSS = 0.15  # of the logarithm of the light, and
DEW_WIDER = 1.05  # times the star width: droplets take light and blur, thin cloud only takes
DEW_FOLLOWS = 0.5  # rank correlation of width and time
AIR_MOST = 0.35  # of the logarithm of the light: what sinking towards the horizon may take in a scene, and
AIR_LEFT = 0.2  # where airmass is taken out at the extinction of clear air, which is not every night's
# Of the change of a field that sinks, that straight lines in time, and a bowl over the field, may leave.
SLOW_LEFT = 0.15
LEAST_CHANGE = 0.1  # of the logarithm of the light, below which nothing sinks
BOWL_PARTS = 12  # that tell whether the change over the field is smooth
FIELD_MIDDLE = 0.5  # of the half diagonal
FIRST_SIGN = 0.5  # of the loss at its greatest: frames up to there tell where it began
RIM_PARTS = 12  # of the field, that tell its middle from its rim
BEGAN = 0.3  # of the loss, by which middle and rim must differ
LAMP = 1.5  # times the sky of the frames around, in
LAMP_SHARE = 0.1  # of the parts: a lamp, unless cloud came to the same parts and
LAMP_IN_CLOUD = 4.0  # times is not reached: a town lights its clouds
LAMP_AROUND = 3  # frames on each side
GLOWING, GLOWING_SHARE = 1.3, 0.3  # times a part's dark level, in that share of the parts: the sky glowed already
BURST_MOST = 6.0  # times the sky of the frames around, in half of the parts: lightning's, no burst of an aurora
BRIGHTER = 1.25  # times the scene's dark quarter: a sky that brightens
BRIGHTER_LEAST = 4  # frames, or
BRIGHTER_STEADY = 3  # at the scene's beginning or end, where it falls or rises from frame to frame (`glow.STEADY`)
COURSE = 0.7  # rank correlation with time of what takes a course
BRIGHTER_UNTOLD = 1.5  # where neither Sun nor Moon can be asked: what a field sinking into haze shows by itself
SUN_DARK = -17.0  # degrees of altitude; below -18 twilight has ended (astronomical twilight)
SUN_STRONG = -13.0  # above it twilight outshines the Moon
DARK_AS = 1.1  # times the scene's dark quarter: frames that show how dark the sky was with the Moon where it stood then
MOON_ALLOWS = 2.0  # times: extinction near the horizon lets its light grow faster than the sine of its altitude
MOON_LIT = 0.05  # of its disc: a thinner one lights no sky


@dataclass(frozen=True)
class _Light:
    """Of each frame: `loss` of the logarithm of its light, `rel` the same by parts (negative where lost), `covered`
    1 for parts that are dimmed or, in a dimmed frame, show none of their stars, 0 for those that shine, NaN for those
    that do not tell, `share` of the parts dimmed, `even` whether all parts lost alike, `dimmed`."""

    loss: Floats
    rel: Floats
    covered: Floats
    share: Floats
    even: Bools
    dimmed: Bools


def weather(course: Course) -> list[Event]:
    """The events of a scene, in the order of time; none for fewer than `FEWEST` frames."""
    if len(course.seconds) < FEWEST:
        return []
    light = _light(course)
    lamps = _lamps(course, light)
    hidden = _obstructed(course, light)
    light = replace(light, dimmed=light.dimmed & ~hidden)
    events = [_obstruction_event(light, run) for run in runs(hidden, 0)]
    events += [*_dimming(course, light), *_brightening(course, light, lamps)]
    if lamps.any():
        for run in runs(lamps, 0):
            events.append(_lamp_event(course, run))
    told = lamps.copy()
    for event in events:
        if event.cause in ("twilight", "moonlight", "brightening"):
            told[list(event.frames)] = True
    events += glow(course, light.covered, told)
    return sorted(events, key=lambda e: (e.frames[0], e.cause))


def frame_causes(events: Sequence[Event], frames: int) -> list[str]:
    """The causes that befell each frame, `; ` between them."""
    told: list[list[str]] = [[] for _ in range(frames)]
    for event in events:
        for n in event.frames:
            if event.cause not in told[n]:
                told[n].append(event.cause)
    return ["; ".join(sorted(causes, key=CAUSES.index)) for causes in told]


def _light(course: Course) -> _Light:
    """What each frame and part lost against its own best."""
    n = len(course.seconds)
    flat = course.parts.reshape(n, -1)
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.log(np.maximum(flat, LEAST_LIGHT))
        loss = -np.log(np.maximum(course.clear, LEAST_LIGHT))
    rel = np.full_like(log, np.nan)
    known = np.isfinite(log).sum(axis=0) >= max(3, n // 3)
    if known.any():
        rel[:, known] = log[:, known] - column_quantiles(log[:, known], 0.9 if n >= 10 else 0.75)
    step = np.abs(np.diff(rel, axis=0))
    noise = MAD_TO_SIGMA / np.sqrt(2) * float(np.median(step[np.isfinite(step)])) if np.isfinite(step).any() else 0.03
    limit = max(PART_DIMMED, PART_SIGMAS * min(noise, 0.1))
    struck = rel < -limit
    there = np.isfinite(rel)
    count = there.sum(axis=1)
    # where few parts tell, the places do; what they lack in most frames alike, behind trees, is no cloud
    own = course.share
    if np.isfinite(own).any():
        own = np.maximum(own - np.nanmedian(own), 0.0)
    enough = count >= max(4.0, MOST_TELL * known.sum())
    share = np.where(enough, struck.sum(axis=1) / np.maximum(count, 1), own)
    # a part behind thick cloud tells nothing, and lacks among those struck
    most = (struck.sum(axis=1) + known.sum() - count) / max(known.sum(), 1)
    share = np.fmax(share, np.minimum(own, most))
    even = np.zeros(n, bool)
    for k in range(n):
        values = rel[k][there[k]]
        if len(values) < 4:
            even[k] = not UNEVEN < share[k] < 1 - UNEVEN
            continue
        low, middle, high = np.quantile(values, [0.16, 0.5, 0.84])
        even[k] = (high - low) / 2 < max(2 * noise, EVEN * abs(middle)) and high < -0.3 * abs(middle)
    # where the frame as a whole shows most of its light, what a good part of its places lack lies unevenly
    even &= ~((own > UNEVEN) & (own < 1 - UNEVEN) & (course.clear > MOST_LIGHT))
    # what all parts lost alike the frame as a whole has lost
    share = np.where(even & (share > ALL) & (course.clear >= DIMMED), 0.0, share)
    # an even loss is the frame's as a whole: where that is none, what few places lack is their own
    none = even & (np.nan_to_num(course.share) <= UNEVEN) & (course.clear > NONE_LOST)
    least = np.where(none, UNEVEN, SHARE_DIMMED)
    dimmed = course.told & ((course.clear < DIMMED) | (np.nan_to_num(share) > least))
    # of opaque cloud the stars that are missing tell
    hidden = known & ~there & dimmed[:, None]
    covered = np.where(hidden | struck, 1.0, np.where(there, 0.0, np.nan))
    return _Light(loss, rel, covered, share, even, dimmed)


def _dimming(course: Course, light: _Light) -> list[Event]:
    """Events that take starlight."""
    frames = len(course.seconds)
    told = np.flatnonzero(course.told)
    events: list[Event] = []
    slow = 0.0 if course.air_known else _slow(course, light)
    for run in _spells(course, light):
        dew = _dew(course, light, run)
        if dew is not None:
            events.append(dew)
            continue
        cause, words = "broken cloud", ""
        if slow and not _is_even(light, run):
            cause, words = "haze", "sinks" if slow > 0 else "rises"
        elif _is_even(light, run):
            if _only_air(course, light, run, told):
                continue
            cause = "haze"
            grows = len(run) >= GROWING_LEAST and rank(course.seconds[run], light.loss[run]) > GROWING
            if grows and run[-1] >= told[-1] - 1:
                words, run = "thickens", _from_its_beginning(course, light, run)
        elif run[0] > told[0] and run[-1] < told[-1] and len(run) <= max(PASSING_FRAMES, PASSING * frames):
            cause = "passing cloud"
        elif abs(trend := rank(course.seconds[run], light.share[run])) > GROWING and len(run) >= GROWING_LEAST:
            cause, words = "cloud", "comes" if trend > 0 else "goes"
        events.append(_dimmed_event(course, light, run, cause, words))
    wisps = [e for e in events if e.cause == "passing cloud"]
    broken = [e for e in events if e.cause in ("passing cloud", "broken cloud")]
    if len(wisps) >= WISPS or (len(broken) > 1 and len(wisps) < len(broken)):
        whole = np.array(sorted({n for e in broken for n in e.frames}))
        events = [e for e in events if e not in broken]
        events.append(_dimmed_event(course, light, whole, "broken cloud", ""))
    return events


def _from_its_beginning(course: Course, light: _Light, run: NDArray[np.int64]) -> NDArray[np.int64]:
    """A run of frames that lose more and more, with those before it that lost too little to be called dimmed."""
    told = np.flatnonzero(course.told & np.isfinite(light.loss))
    before = []
    later = float(light.loss[run[0]])
    for n in told[told < run[0]][::-1]:
        if not CREEPS < light.loss[n] < later:
            break
        before.append(n)
        later = float(light.loss[n])
    return np.concatenate([np.array(before[::-1], np.int64), run])


def _is_even(light: _Light, run: NDArray[np.int64]) -> bool:
    return float(np.mean(light.even[run])) >= MOSTLY_EVEN


def _spells(course: Course, light: _Light) -> list[NDArray[np.int64]]:
    """Runs of dimmed frames; those that are near and alike, even or uneven, are one."""
    spells: list[NDArray[np.int64]] = []
    for run in runs(light.dimmed, 0, course.told):
        if spells:
            before = spells[-1]
            near = int(course.told[before[-1] + 1 : run[0]].sum()) <= GAP
            if near and _is_even(light, before) == _is_even(light, run):
                spells[-1] = np.concatenate([before, run])
                continue
        spells.append(run)
    return spells


def _dimmed_event(course: Course, light: _Light, run: NDArray[np.int64], cause: str, words: str) -> Event:
    least = course.clear[run]
    if cause != "haze" and np.isfinite(light.rel[run]).any():
        parts = [np.quantile(r[np.isfinite(r)], THICKEST) if np.isfinite(r).any() else np.nan for r in light.rel[run]]
        # where it is thickest no star may be left to tell by parts: then the frame as a whole knows of more lost
        least = np.fmin(least, np.exp(parts))
    if cause != "haze" and course.thickest is not None:
        # nor do parts tell that a cloud's edges cross, as all do of a cloud in shreds
        least = np.fmin(least, np.maximum(course.thickest[run], LEAST_LIGHT))
    return Event(
        cause,
        tuple(int(n) for n in run),
        words,
        clear_least=extreme(least, least=True),
        share_most=1.0 if cause == "haze" else extreme(light.share[run]),
    )


def _obstructed(course: Course, light: _Light) -> Bools:
    """Dimmed frames in which the sky's light went with the stars: something dark stood before the lens."""
    levels = course.sky_parts.reshape(len(course.seconds), -1)
    dark = column_quantiles(levels, 0.25)
    with np.errstate(invalid="ignore"):
        gone = ((levels < OPAQUE * dark) & (dark > 0)).sum(axis=1)
    return light.dimmed & (gone > SHARE_DIMMED * np.maximum(np.isfinite(levels).sum(axis=1), 1))


def _obstruction_event(light: _Light, run: NDArray[np.int64]) -> Event:
    return Event("obstruction", tuple(int(n) for n in run), share_most=extreme(light.share[run]))


def _only_air(course: Course, light: _Light, run: NDArray[np.int64], told: NDArray[np.int64]) -> bool:
    """Whether a field that sinks or rises explains an even loss."""
    if run[0] > told[0] + 1 and run[-1] < told[-1] - 1:
        return False
    known = told[np.isfinite(light.loss[told])]
    slow = abs(rank(course.seconds[known], light.loss[known])) > GROWING
    return bool(slow and np.nanmax(light.loss[run]) < (AIR_LEFT if course.air_known else AIR_MOST))


def _slow(course: Course, light: _Light) -> float:
    """What the field lost from the scene's beginning to its end, where that went on as a field that sinks loses it (or
    one that rises wins it: negative): every part steadily with time, and more towards one side of the field; else 0.

    A cloud's edge comes to one part after the other, and to each at once.
    """
    known = np.flatnonzero(course.told & np.isfinite(light.loss))
    rel = light.rel[known]
    parts = np.flatnonzero(np.isfinite(rel).mean(axis=0) > 0.5) if len(known) else known
    if len(known) < GROWING_LEAST or len(parts) < BOWL_PARTS or not np.ptp(course.seconds[known]) > 0:
        return 0.0
    time = (course.seconds[known] - course.seconds[known].mean()) / np.ptp(course.seconds[known])
    change, left = np.empty(len(parts)), []
    for n, part in enumerate(parts):
        there = np.isfinite(rel[:, part])
        line = np.polyfit(time[there], -rel[there, part], 1)
        change[n] = line[0]
        left.append(-rel[there, part] - np.polyval(line, time[there]))
    rows, columns = course.parts.shape[1:]
    v, u = parts // columns / max(rows - 1, 1) - 0.5, parts % columns / max(columns - 1, 1) - 0.5
    bowl = np.column_stack([np.ones(len(parts)), u, v, u * u, u * v, v * v])
    uneven = change - bowl @ np.linalg.lstsq(bowl, change, rcond=None)[0]
    middle = float(np.median(change))
    if abs(middle) < LEAST_CHANGE or np.mean(np.sign(change) == np.sign(middle)) < ALL:
        return 0.0
    by_time, over_field = (MAD_TO_SIGMA * float(np.median(np.abs(r))) for r in (np.concatenate(left), uneven))
    return middle if max(by_time, over_field) < SLOW_LEFT * abs(middle) else 0.0


def _dew(course: Course, light: _Light, run: NDArray[np.int64]) -> Event | None:
    """Dew, where the loss grows and the stars with it; all frames count, blurred ones too. Stars that grew already as
    the focus drifted tell of dew what they grow beyond that."""
    first = int(run[0])
    last = int(run[-1])
    while last + 1 < len(course.seconds) and not course.told[last + 1]:
        last += 1  # stars too blurred to tell of the sky: the dew goes on
    whole = np.arange(first, last + 1)
    known = whole[np.isfinite(light.loss[whole]) & np.isfinite(course.width[whole])]
    before = np.flatnonzero(np.isfinite(course.width[:first]))
    if len(known) < GROWING_LEAST or len(before) < 2:
        return None
    loss, time = light.loss[known], course.seconds[known]
    usual = np.full(len(known), float(np.median(course.width[before])))
    if len(before) >= GROWING_LEAST and abs(rank(course.seconds[before], course.width[before])) > GROWING:
        line = np.polyfit(course.seconds[before] - time[0], course.width[before], 1)
        usual = np.maximum(np.polyval(line, time - time[0]), 0.5 * usual)
    width = course.width[known] / usual
    third = max(2, len(known) // 3)
    wider = float(np.median(width[-third:]))
    grows = rank(time, loss) > GROWING and rank(time, width) > DEW_FOLLOWS
    if not (grows and wider > DEW_WIDER and np.max(loss) > DEW_LOSS):
        return None
    return Event(
        "dew",
        tuple(int(n) for n in whole),
        _where_it_began(light, known, course.parts.shape[1:]),
        clear_least=extreme(course.clear[whole], least=True),
        share_most=extreme(light.share[whole]),
        wider=wider,
    )


def _where_it_began(light: _Light, run: NDArray[np.int64], grid: tuple[int, ...]) -> str:
    """`middle` or `rim`, by what parts lost while little was lost; empty where both lost alike or none tells."""
    early = run[light.loss[run] < FIRST_SIGN * float(np.max(light.loss[run]))]
    rows, columns = grid
    if not len(early) or rows * columns < RIM_PARTS:
        return ""
    down, across = np.meshgrid((np.arange(rows) + 0.5) / rows * 2 - 1, (np.arange(columns) + 0.5) / columns * 2 - 1)
    inside = (np.hypot(down, across) / np.sqrt(2) < FIELD_MIDDLE).T.ravel()
    middle, rim = light.rel[early][:, inside], light.rel[early][:, ~inside]
    if not np.isfinite(middle).any() or not np.isfinite(rim).any():
        return ""
    lost_in, lost_out = -float(np.nanmedian(middle)), -float(np.nanmedian(rim))
    if abs(lost_in - lost_out) < BEGAN * max(lost_in, lost_out):
        return ""
    return "middle" if lost_in > lost_out else "rim"


def _lamps(course: Course, light: _Light) -> Bools:
    """Frames on which a lamp shone: parts far above the same parts of the frames before and after."""
    frames = len(course.seconds)
    levels = course.sky_parts.reshape(frames, -1)
    lamps = np.zeros(frames, bool)
    # without a sky above black there is nothing to be so many times as bright as
    if not np.isfinite(levels).any() or np.nanmedian(levels) <= 0:
        return lamps
    usual = np.maximum(_middle(levels), 0.5 * float(np.nanmedian(levels)))
    levels = np.maximum(levels, 0.5 * float(np.nanmedian(levels)))
    dark = column_quantiles(levels, 0.25)
    for n in range(frames):
        before, after = levels[max(0, n - LAMP_AROUND) : n], levels[n + 1 : n + 1 + LAMP_AROUND]
        around = np.full(levels.shape[1], -np.inf)
        for side in (before[::-1], after):
            if len(side):
                around = np.fmax(around, _middle(side))
            else:
                # at the scene's end: what a twilight that goes on as it did would reach
                other = after if side is not after else before[::-1]
                around = np.fmax(around, _going_on(other))
        with np.errstate(invalid="ignore"):
            ratio = levels[n] / around
        here = np.isfinite(ratio)
        if not here.any():
            continue
        # where frames about are the dimmed ones, the usual level is no lamp's
        lit = (ratio[here] > LAMP) & (levels[n] > LAMP * usual)[here]
        clouded = np.nan_to_num(light.share[n]) > SHARE_DIMMED and not light.even[n]
        if lit.mean() > LAMP_SHARE and (not clouded or np.max(ratio[here]) > LAMP_IN_CLOUD):
            # under an aurora a burst of it is no lamp, unless it outshines the frames about all over the field
            glowed = np.mean(around[here] > GLOWING * dark[here]) >= GLOWING_SHARE
            lamps[n] = not glowed or np.median(ratio[here]) > BURST_MOST
    return lamps


def _middle(levels: Floats) -> Floats:
    """Median over frames of each part, NaN where none tells."""
    return column_quantiles(levels, 0.5)


def _going_on(nearest_first: Floats) -> Floats:
    """The level that each part would reach if it changed by the same factor once more, or stayed."""
    if len(nearest_first) < 2:
        return nearest_first[0] if len(nearest_first) else np.full(nearest_first.shape[1], np.nan)
    return np.fmax(nearest_first[0], nearest_first[0] ** 2 / nearest_first[1])


def _lamp_event(course: Course, run: NDArray[np.int64]) -> Event:
    levels = course.sky_parts.reshape(len(course.seconds), -1)
    usual = np.maximum(_middle(levels), 0.5 * float(np.nanmedian(levels)))
    ratio = levels[run] / usual
    return Event(
        "lamp",
        tuple(int(n) for n in run),
        share_most=float(np.nanmax([np.mean(r[np.isfinite(r)] > LAMP) for r in ratio if np.isfinite(r).any()])),
        sky_most=extreme(ratio.ravel()),
    )


def _brightening(course: Course, light: _Light, lamps: Bools) -> list[Event]:
    """Slow changes of the sky's level: twilight, moonlight, or what cannot be told."""
    known = np.flatnonzero(np.isfinite(course.sky) & (course.sky > 0) & ~lamps)
    if len(known) < BRIGHTER_LEAST + 1:
        return []
    dark = float(np.quantile(course.sky[known], 0.25))
    ratio = np.full(len(course.sky), np.nan)
    ratio[known] = course.sky[known] / dark
    bright = np.nan_to_num(ratio) > BRIGHTER
    events = []
    for run in runs(bright, 1, ~lamps & np.isfinite(ratio)):
        begins, ends = run[0] <= known[min(1, len(known) - 1)], run[-1] >= known[max(-2, -len(known))]
        around = known[(known >= run[0] - 3) & (known <= run[-1] + 3)]
        trend = rank(course.seconds[around], ratio[around])
        way = rank(course.seconds[run], ratio[run])
        steady = (way > STEADY and run[-1] == known[-1]) or (way < -STEADY and run[0] == known[0])
        if len(run) < (BRIGHTER_STEADY if steady else BRIGHTER_LEAST):
            continue
        clouded = float(np.mean(np.nan_to_num(light.share[run]) > SHARE_DIMMED)) > 0.5
        event = _by_sun_and_moon(course, run, ratio, trend)
        if event is None and not clouded and (begins or ends) and abs(trend) > COURSE:
            most = extreme(ratio[run])
            if course.sun is not None or (most is not None and most > BRIGHTER_UNTOLD):
                sun, moon = (None if v is None else float(v[run[-1]]) for v in (course.sun, course.moon))
                frames = tuple(int(n) for n in run)
                words = "falls" if trend < 0 else ""
                event = Event("brightening", frames, words, sky_most=most, sun_deg=sun, moon_deg=moon)
        if event is not None:
            events.append(event)
    return events


def _by_sun_and_moon(course: Course, run: NDArray[np.int64], ratio: Floats, trend: float) -> Event | None:
    """Twilight or moonlight, by where Sun and Moon stood; None where neither explains it or nothing is known."""
    if course.sun is None or course.moon is None or course.lit is None:
        return None
    brightest = int(run[np.nanargmax(ratio[run])])
    sun, moon, lit = (float(v[brightest]) for v in (course.sun, course.moon, course.lit))
    shines = moon > 0 and lit > MOON_LIT
    if sun <= SUN_DARK and not shines:
        return None
    if shines and sun <= SUN_STRONG:
        # the sky's light grows at most as the Moon's height does
        height = np.sin(np.radians(np.maximum(course.moon, 0))) * course.lit
        dark = height[np.nan_to_num(ratio, nan=np.inf) <= DARK_AS]
        if len(dark) and float(ratio[brightest]) * float(np.median(dark)) > MOON_ALLOWS * height[brightest]:
            return None
    figures = {"sky_most": extreme(ratio[run]), "sun_deg": sun, "moon_deg": moon, "lit": lit}
    frames = tuple(int(n) for n in run)
    if sun > SUN_STRONG or not shines:
        rises = bool(course.sun[run[-1]] > course.sun[run[0]])
        if (-trend if rises else trend) > COURSE:
            return None  # a sky that brightens while the Sun sinks: another light, or the clock is wrong
        return Event("twilight", frames, "dawn" if rises else "dusk", **figures)
    rose = course.moon.min() < 0
    words = ("moonrise" if course.moon[-1] > course.moon[0] else "moonset") if rose and abs(trend) > 0.5 else ""
    return Event("moonlight", frames, words, **figures)
