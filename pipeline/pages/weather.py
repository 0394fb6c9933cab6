"""What befell the sky of a scene, in words: what came, when, how much of the light it cost."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any

from pipeline.judging.verdicts import REASONS
from pipeline.judging.weather import SUN_DARK
from pipeline.pages.words import count, duration, moment, number, percent
from pipeline.scene.records import SceneRecord
from pipeline.sensor.alike import numbered

# Reasons that a cause can give a frame; whatever else it was set aside for is not the sky's doing.
OF_LIGHT = {"bright sky", "overexposed"}
OF_CLOUD = {"cloud", "few stars", "not registered"}
REASONS_OF = {
    "haze": OF_CLOUD,
    "broken cloud": OF_CLOUD,
    "passing cloud": OF_CLOUD,
    "cloud": OF_CLOUD,
    "obstruction": OF_CLOUD,
    "dew": OF_CLOUD | {"out of focus"},
    "twilight": OF_LIGHT,
    "moonlight": OF_LIGHT,
    "brightening": OF_LIGHT,
    "glow": OF_LIGHT,
    "lamp": OF_LIGHT,
}
THIN = 0.7  # transparency, above which haze is thin
LOST_LEAST_S = 1.0  # of light lost by weights, below which nothing is said
WEIGHTS_ALIKE = 0.05  # weights of equal frames differ by this much and less: what they are made of is measured


BRIGHTENS = {cause for cause, reasons in REASONS_OF.items() if reasons is OF_LIGHT}
RAISED_SEEN = 0.03  # of the combined sky's level, from which on it is said
OTHERS_LEAST = 3  # frames that nothing brightened, to hold it against


def sky_events(record: SceneRecord, rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """The key `sky_events` of scene.json: what `judge` saw of the sky, with times, costs and a sentence.

    Parameters
    ----------
    rows : of `frametable.frame_rows`
    """
    told = record.verdicts.meta.get("events")
    by_id = {row["frame"]: row for row in rows}
    usual = usual_weights(rows)
    result = []
    for event in told if isinstance(told, list) else []:
        if not isinstance(event, Mapping) or event.get("cause") not in REASONS_OF:
            continue
        mine = [by_id[name] for name in event.get("frames") or [] if name in by_id]
        if not mine:
            continue
        lost = [row for row in mine if row.get("verdict") == "set aside" and _reasons(row) & REASONS_OF[event["cause"]]]
        values = {key: value for key, value in event.items() if key != "frames"} | {
            "frames": len(mine),
            "first_file": mine[0].get("file"),
            "last_file": mine[-1].get("file"),
            "begins": mine[0].get("taken"),
            "ends": mine[-1].get("taken"),
            "frames_set_aside": len(lost),
            "set_aside_s": _seconds(lost),
            "lost_by_weight_s": _lost_by_weight(mine, usual),
        }
        result.append(values | {"sentence": _sentence(values)})
    return result


def exposure_lost(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The key `exposure_lost` of scene.json: what setting aside and low weights cost; null where not known."""
    aside = [row for row in rows if row.get("verdict") == "set aside"]
    return {
        "frames_set_aside": len(aside),
        "set_aside_s": _seconds(aside),
        "by_weight_s": _lost_by_weight(rows, usual_weights(rows)),
    }


def lost_sentence(lost: Mapping[str, Any] | None) -> str:
    """What setting aside and low weights cost; empty where nothing was lost."""
    if not lost:
        return ""
    parts = []
    if lost.get("frames_set_aside"):
        many = lost["frames_set_aside"]
        parts.append(f"{duration(lost['set_aside_s'])} in {count(many, 'frame')} set aside")
    by_weight = lost.get("by_weight_s")
    if isinstance(by_weight, (int, float)) and by_weight >= LOST_LEAST_S:
        equal = f"as much as {duration(by_weight)} of clear, dark exposure"
        parts.append(f"{equal} by the lower weights of hazy, bright or noisy frames")
    return f"Light lost: {'; '.join(parts)}." if parts else ""


def sky_raised(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The key `sky_raised` of scene.json: by what share the brightened frames that were kept raise the combined sky.

    The mean of the matched frames' skies by weight, over the same of those that nothing brightened; None where none was
    brightened or too few were not.
    """
    known = [
        (row, row["weight"], row["sky_e_s"] * row["exposure_s"] * (row.get("sensitivity") or 1.0) * row["flux_scale"])
        for row in _weighed(rows)
        if _is_number(row.get("sky_e_s")) and _is_number(row.get("flux_scale"))
    ]
    dark = [part for part in known if part[0].get("cause") not in BRIGHTENS]
    if len(dark) < OTHERS_LEAST or len(dark) == len(known):
        return None
    every, usual = (
        sum(weight * level for _, weight, level in part) / (sum(weight for _, weight, _ in part) or math.inf)
        for part in (known, dark)
    )
    if usual <= 0:
        return None
    bright = [row for row, *_ in known if row.get("cause") in BRIGHTENS]
    return {
        "share": round(every / usual - 1, 4),
        "frames": len(bright),
        "others": len(dark),
        "exposure_s": _seconds(bright),
    }


def raised_sentence(raised: Mapping[str, Any] | None) -> str:
    """What the brightened frames do to the combined sky; empty where it is little."""
    if not raised or raised["share"] < RAISED_SEEN:
        return ""
    n = raised["frames"]
    bright = "The brightened frame that was kept" if n == 1 else f"The {number(n)} brightened frames that were kept"
    return (
        f"{bright} ({duration(raised['exposure_s'])} of light) raise{'s' if n == 1 else ''} the combined picture's sky "
        f"by {percent(raised['share'], 0)} against the {number(raised['others'])} others alone. "
        f"{'It counts' if n == 1 else 'They count'} less than those and {'takes' if n == 1 else 'take'} nothing from "
        f"the depth; for a darker and more even sky name {'it' if n == 1 else 'them'} under drop: in trip.yaml and run "
        "again."
    )


def usual_weights(rows: Sequence[Mapping[str, Any]]) -> dict[str | None, float]:
    """The weight, a second of exposure, of a kept frame of the same settings that nothing befell, by frame: their
    median; where none of these settings is, of any; where none is, of the better half of all."""
    known = _weighed(rows)
    kinds = numbered([(row["exposure_s"], row.get("iso"), row.get("f_number")) for row in known]).tolist()
    each = [row["weight"] / row["exposure_s"] for row in known]
    clear = [(kind, weight) for kind, weight, row in zip(kinds, each, known, strict=True) if not row.get("cause")]
    any_of = [weight for _, weight in clear] or sorted(each)[len(each) // 2 :]
    usual = {k: statistics.median([weight for kind, weight in clear if kind == k] or any_of) for k in set(kinds)}
    return {row.get("frame"): usual[kind] for row, kind in zip(known, kinds, strict=True)}


def _lost_by_weight(rows: Sequence[Mapping[str, Any]], usual: Mapping[str | None, float]) -> float | None:
    """Seconds of usual exposure by which the kept frames' weights fall short; those near it and above are usual."""
    if not usual or min(usual.values()) <= 0:
        return None
    short = ((row["exposure_s"], row["exposure_s"] - row["weight"] / usual[row.get("frame")]) for row in _weighed(rows))
    return round(sum(lost for exposure, lost in short if lost > WEIGHTS_ALIKE * exposure), 3)


def _weighed(rows: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The kept frames whose weight and exposure are known."""
    kept = (row for row in rows if row.get("verdict") == "kept" and _is_number(row.get("weight")))
    return [row for row in kept if _is_number(row.get("exposure_s")) and row["exposure_s"] > 0]


def _seconds(rows: Sequence[Mapping[str, Any]]) -> float | None:
    known = [row["exposure_s"] for row in rows if _is_number(row.get("exposure_s"))]
    return round(sum(known), 3) if len(known) == len(rows) else None


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _reasons(row: Mapping[str, Any]) -> set[str]:
    return set(str(row.get("reasons") or "").split("; ")) & set(REASONS)


def _sentence(event: Mapping[str, Any]) -> str:
    """One event in words."""
    text = _WORDS[event["cause"]](event, _when(event))
    costs = []
    aside = event["frames_set_aside"]
    if aside:
        which = "it was" if event["frames"] == 1 else f"{number(aside)} of them"
        costs.append(f"{which} set aside ({duration(event['set_aside_s'])} of light)")
    by_weight = event["lost_by_weight_s"]
    if _is_number(by_weight) and by_weight >= LOST_LEAST_S:
        they = "by its weight it counts" if event["frames"] == 1 else "by their weights they count"
        costs.append(f"{'those kept count' if aside else they} {duration(by_weight)} less")
    return f"{text}{'; ' if costs else ''}{', '.join(costs)}."


def _when(event: Mapping[str, Any]) -> str:
    """`from 22:14 to 22:40 (8 frames)`."""
    first, last, n = moment(event["begins"]), moment(event["ends"]), event["frames"]
    frames = count(n, "frame")
    if first is None or last is None:
        return f"in {frames}, {event['first_file']} to {event['last_file']}" if n > 1 else f"in {event['first_file']}"
    if _clock(first) == _clock(last):
        return f"at {_clock(first)} ({frames})"
    return f"from {_clock(first)} to {_clock(last)} ({frames})"


def _clock(when: datetime) -> str:
    return f"{when:%H:%M}"


def _haze(event: Mapping[str, Any], when: str) -> str:
    least = event.get("clear_least")
    if event.get("course") in ("sinks", "rises"):
        way, fell = ("sinking towards", "fell") if event["course"] == "sinks" else ("rising from", "grew")
        return (
            f"Haze, or the field {way} the horizon {when}: the starlight {fell} steadily, more on one side of the "
            f"field, and was least at {percent(least, 0)} (with site and utc_offset_hours in trip.yaml this page tells "
            "which)"
        )
    if event.get("course") == "thickens":
        return (
            f"Haze or fog thickened over the whole field {when}, or dew settled on the lens without blurring the stars "
            f"(they do not tell which): their light was lost slowly and evenly, down to {percent(least, 0)} of it"
        )
    thin = isinstance(least, (int, float)) and least > THIN
    return (
        f"{'Thin haze' if thin else 'Haze'} over the whole field alike {when}: at its thickest {percent(least, 0)} of "
        "the starlight"
    )


def _cloud(event: Mapping[str, Any], when: str) -> str:
    head = {"passing cloud": "A cloud passed", "broken cloud": "Broken cloud"}.get(event["cause"], "A bank of cloud")
    head += {"comes": " came in", "goes": " drew away"}.get(str(event.get("course")), "")
    most = event.get("share_most")
    # by the parts of the field, which are coarser than what a frame's own row counts
    share = percent(max(5 * round(20 * most), 5) / 100, 0) if isinstance(most, (int, float)) else percent(most, 0)
    return (
        f"{head} {when}: up to about {share} of the field dimmed at once, "
        f"at most {percent(event.get('clear_least'), 0)} of the starlight left where it was thickest"
    )


def _obstruction(event: Mapping[str, Any], when: str) -> str:
    return (
        f"Something dark stood before the lens {when} (a hand, a cap, a branch), for the sky's light went with the "
        f"stars: up to {percent(event.get('share_most'), 0)} of the field hidden at once"
    )


def _dew(event: Mapping[str, Any], when: str) -> str:
    began = {"middle": ", from the middle of the lens outwards", "rim": ", from the rim of the field inwards"}
    return (
        f"Dew or fog on the lens {when}: the starlight fell steadily to {percent(event.get('clear_least'), 0)} and "
        f"the stars grew to {number(event.get('wider'), '×', decimals=2)} their width"
        f"{began.get(str(event.get('course')), '')}"
    )


def _twilight(event: Mapping[str, Any], when: str) -> str:
    return (
        f"{'Dawn' if event.get('course') == 'dawn' else 'Dusk'} {when}: the sky up to {_times(event)} as bright as "
        f"when dark; the Sun stood {_degrees(event.get('sun_deg'))} at the brightest"
    )


def _moonlight(event: Mapping[str, Any], when: str) -> str:
    head = {"moonrise": "Moonrise", "moonset": "The Moon setting"}.get(str(event.get("course")), "Moonlight")
    return (
        f"{head} {when}: the sky up to {_times(event)} as bright as when dark; the Moon stood "
        f"{_degrees(event.get('moon_deg'))} at the brightest, {percent(event.get('lit'), 0)} of it lit"
    )


def _brightening(event: Mapping[str, Any], when: str) -> str:
    falls = event.get("course") == "falls"
    head = f"Under clear air the sky grew up to {_times(event)} as bright {when}"
    if falls:
        head = f"Under clear air the sky grew darker {when}, at first up to {_times(event)} as bright as when dark"
    if event.get("sun_deg") is None and falls:
        return (
            f"{head}: dusk, a Moon that set, a light that went out, or a field that rose out of a town's light; with "
            "site and utc_offset_hours in trip.yaml this page tells which"
        )
    if event.get("sun_deg") is None:
        return (
            f"{head}: moonrise or moonset, dawn or dusk, a light that came on, or a field that sank into a town's "
            "light; with site and utc_offset_hours in trip.yaml this page tells which"
        )
    shone = (event.get("moon_deg") or -1.0) > 0 or event["sun_deg"] > SUN_DARK
    light = "a light that went out" if falls else "a light that came on"
    return (
        f"{head}, {'more than Sun and Moon explain' if shone else 'and neither Sun nor Moon was up'}: {light}, the "
        "light of a town, mist that scatters it, airglow or aurora; if the clock or the site is wrong, dawn, dusk or "
        "the Moon"
    )


def _glow(event: Mapping[str, Any], when: str) -> str:
    return (
        f"The sky brightened in places {when} and its stars did not dim: up to {percent(event.get('share_most'), 0)} "
        f"of the field lit at once, up to {_times(event)} as bright as when dark: aurora, thin cloud lit from below, "
        "or lights that passed"
    )


def _lamp(event: Mapping[str, Any], when: str) -> str:
    return (
        f"A lamp (headlights, a torch), lightning or a fireball shone {when}: "
        f"{percent(event.get('share_most'), 0)} of the field lit, up to {_times(event)} as bright as usual"
    )


def _times(event: Mapping[str, Any]) -> str:
    return number(event.get("sky_most"), "×", digits=2)


def _degrees(altitude: Any) -> str:
    if not _is_number(altitude):
        return "at an unknown height"
    return f"{number(abs(float(altitude)), '°', decimals=0)} {'above' if altitude >= 0 else 'below'} the horizon"


_WORDS: dict[str, Callable[[Mapping[str, Any], str], str]] = {
    "haze": _haze,
    "broken cloud": _cloud,
    "passing cloud": _cloud,
    "cloud": _cloud,
    "obstruction": _obstruction,
    "dew": _dew,
    "twilight": _twilight,
    "moonlight": _moonlight,
    "brightening": _brightening,
    "glow": _glow,
    "lamp": _lamp,
}
