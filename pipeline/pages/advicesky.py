"""Advice on the sky: cloud, dew, twilight, the moon, what was too bright."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.judging.verdicts import CLOUDS
from pipeline.pages.advicebase import Advice, value_of, were
from pipeline.pages.words import count, moment, number, percent

SHARE_SEEN = 0.05  # a reason that costs this share of the frames is worth a sentence
SATURATED_SEEN = 0.002
NO_CLOUD = {"dew", "obstruction"}  # of `judging.events.CAUSES`: they cost frames their starlight under any sky


def _hour(event: Mapping[str, Any], key: str, clock: str) -> str:
    """`22:14 (UTC)`; empty where the time is not known."""
    when = moment(event.get(key))
    return "" if when is None else f"{when:%H:%M} ({clock})"


def _darker_hour(event: Mapping[str, Any], clock: str) -> str:
    """When to begin or to stop, by what brightened the sky."""
    begins, ends = _hour(event, "begins", clock), _hour(event, "ends", clock)
    most, course = number(event.get("sky_most"), "×", digits=2), event.get("course")
    if event["cause"] == "twilight" and course == "dusk":
        return f"The first frames were taken before the sky was dark{f': begin after {ends}' if ends else ''}."
    if event["cause"] == "twilight":
        return f"Dawn brightened the sky to {most}{f': by {begins} the dark hours are over' if begins else ''}."
    if event["cause"] == "moonlight":
        when = {
            "moonrise": f" from {begins} on" if begins else "",
            "moonset": f" until {ends}" if ends else "",
        }.get(str(course), "")
        return f"The Moon brightened the sky to {most}{when}: plan for the hours, or the week, without it."
    if event.get("sun_deg") is not None:
        return (
            f"The sky brightened to {most}, by more than Sun and Moon explain: look what shone there (a lamp, a town "
            "through mist), and turn the camera away from it."
        )
    if course == "falls":
        until = f", and grew darker until {ends}" if ends else ""
        return (
            f"The sky was {most} as bright at first as when dark{until}: if that was dusk, the Sun still close below "
            "the horizon, begin later; if the Moon, after it has set."
        )
    return (
        f"The sky brightened to {most}: look up moonrise and the end of twilight beforehand, and turn the camera away "
        "from towns."
    )


def light(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int, clock: str) -> list[Advice]:
    """What the sky did: cloud, dew, moon, twilight, and what was too bright."""
    events = figures.get("sky_events") or []
    befell = {event["cause"]: event for event in events}
    return [
        *_lens_or_cloud(events, befell, reasons.get("cloud", 0), found, clock),
        *_bright_sky(events, befell, reasons.get("bright sky", 0), found, clock),
        *_exposure(figures, reasons.get("underexposed", 0), found),
    ]


def _lens_or_cloud(
    events: Sequence[Mapping[str, Any]], befell: Mapping[str, Mapping[str, Any]], cloudy: int, found: int, clock: str
) -> list[Advice]:
    """What took starlight: dew, what passes for it, cloud."""
    result = []
    cloudy -= sum(event.get("frames_set_aside") or 0 for event in events if event["cause"] in NO_CLOUD)
    dew = befell.get("dew")
    creeps = next((e for e in events if e["cause"] == "haze" and e.get("course") == "thickens"), None)
    if dew is None and creeps is not None:
        cloudy -= creeps.get("frames_set_aside") or 0
        began = _hour(creeps, "begins", clock)
        result.append(
            Advice(
                "Keep the lens warm",
                f"The light was lost slowly and evenly{f' from {began} on' if began else ''}, as dew on the lens and "
                "thickening haze both take it: look at the glass every half hour, and keep a heated band round the "
                "lens from the first frame on. If the glass stays dry it was the air.",
            )
        )
    if dew is not None:
        began = _hour(dew, "begins", clock)
        result.append(
            Advice(
                "Keep the lens warm",
                f"Dew or fog settled on the lens{f' from {began} on' if began else ''}: a heated band round it "
                "from the first frame on, a long hood, and a look at the glass every half hour. Wiping helps for "
                "minutes only.",
            )
        )
    if found and cloudy / found >= SHARE_SEEN and (dew is None or CLOUDS & befell.keys()):
        dewy = "" if dew is not None or creeps is not None else ", and a heated band on the lens where dew is likely,"
        result.append(
            Advice(
                "Cloud",
                f"{count(cloudy, 'frame')} of {number(found)} {were(cloudy)} lost to cloud or fog: a forecast "
                f"of the cloud cover by height{dewy} save{'' if dewy else 's'} nights.",
            )
        )
    return result


def _bright_sky(
    events: Sequence[Mapping[str, Any]], befell: Mapping[str, Mapping[str, Any]], bright: int, found: int, clock: str
) -> list[Advice]:
    """What added light: Moon, twilight, towns, lamps."""
    result = []
    slow = next((befell[cause] for cause in ("twilight", "moonlight", "brightening") if cause in befell), None)
    if slow is not None:
        result.append(Advice("A darker hour", _darker_hour(slow, clock)))
    elif found and bright / found >= SHARE_SEEN and "lamp" not in befell:
        result.append(
            Advice(
                "A darker hour",
                f"{count(bright, 'frame')} of {number(found)} {were(bright)} too bright: look up moonrise and "
                "the end of twilight beforehand, and turn the camera away from towns.",
            )
        )
    if "lamp" in befell:
        caught = sum(event["frames"] for event in events if event["cause"] == "lamp")
        result.append(
            Advice(
                "Away from lamps",
                f"{count(caught, 'frame')} caught headlights or a torch, if it was no lightning: a "
                "place off the road, a hood on the lens, and red lamps held low while the shutter is open. In a "
                "thunderstorm go to shelter.",
            )
        )
    return result


def _exposure(figures: Mapping[str, Any], dim: int, found: int) -> list[Advice]:
    """Too little light, or too much of it in the stars."""
    result = []
    if found and dim / found >= SHARE_SEEN:
        result.append(
            Advice(
                "More light",
                f"{count(dim, 'frame')} of {number(found)} {were(dim)} underexposed: open the aperture, raise the "
                "ISO until the histogram's hump is clear of the left edge.",
            )
        )
    saturated = value_of(figures, "saturated_fraction")
    if saturated is not None and saturated > SATURATED_SEEN:
        result.append(
            Advice(
                "Lower ISO keeps star colours",
                f"{percent(saturated, 2)} of the pixels were saturated. A stop or two less ISO loses "
                "little in the faint end where the sky is bright, and keeps the colours of bright stars.",
            )
        )
    return result
