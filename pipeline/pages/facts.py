"""Figures of a scene in rows of a name and a value: stars and motion, darks and flats, how it was made."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from pipeline.config import Trip
from pipeline.pages.placed import Facts, lens_facts, mount_facts
from pipeline.pages.words import UNKNOWN, count, moment, motion, number, percent, sentence, setting
from pipeline.scene.records import SceneRecord


def star_facts(record: SceneRecord, figures: Mapping[str, Any]) -> Facts:
    """Star sizes, motion, placing, lens, mount and streaks."""
    width = figures.get("fwhm_px_frames")
    facts = [("star size in the frames kept", UNKNOWN if width is None else number(width, "px") + " (FWHM, median)")]
    several = figures.get("frames_kept") != 1
    if figures.get("fwhm_px_combined") is not None and several:
        text = (
            f"{number(figures['fwhm_px_combined'], 'px')} (reference frame "
            f"{number(figures.get('fwhm_px_reference'), 'px')})"
        )
        if figures.get("size_ratio") is not None:
            text += f"; {number(figures['size_ratio'], '×', decimals=3)} star by star"
        if figures.get("size_ratio_corners") is not None:
            text += f", {number(figures['size_ratio_corners'], '×', decimals=3)} in the corners"
        if figures.get("stars_compared") is not None:
            text += f", {count(int(figures['stars_compared']), 'star')} compared"
        facts.append(("in the combined picture", text))
        keys = ("fwhm_px_middle", "fwhm_px_corners", "elongation_middle", "elongation_corners")
        if all(figures.get(key) is not None for key in keys):
            middle, corners, long, long_corners = (figures[key] for key in keys)
            text = f"{number(middle, 'px')} wide in the middle, {number(corners, 'px')} in the corners; "
            text += f"{number(long, decimals=2)} and {number(long_corners, decimals=2)} times as long as wide"
            facts.append(("to the corners", text))
    moved, expected = figures.get("motion_px"), figures.get("motion_expected_px")
    if moved is not None:
        text = f"{motion(moved, 'px')} during an exposure (median of the frames kept)"
        if expected is not None and expected > 0:
            text += f"; a fixed camera under the turning sky would show {number(expected, 'px')}"
        elif expected is not None and (figures.get("mount") or {}).get("kind") != "tripod":
            text += "; none is expected of a tracked camera"
        facts.append(("motion", text))
    else:
        facts.append(("motion", UNKNOWN))
    placed = figures.get("registration_rms_px")
    if several:
        facts.append(("frames placed to", UNKNOWN if placed is None else number(placed, "px") + " rms (median)"))
    if figures.get("solved") is not None:
        facts.append(
            ("matched to the star catalogue", "yes" if figures["solved"] else "no: frames were matched to one another")
        )
    if figures.get("pixel_scale_arcsec") is not None:
        facts.append(("scale at the centre", number(figures["pixel_scale_arcsec"], "″") + " a pixel"))
    facts += lens_facts(figures) + mount_facts(figures)
    if figures.get("reference_file"):
        facts.append(("reference frame", figures["reference_file"]))
    if figures.get("streaks") is not None:
        text = (
            "none seen"
            if figures["streaks"] == 0
            else f"{count(figures['streaks'], 'streak')} of aircraft, satellites or meteors"
        )
        facts.append(
            ("streaks in the frames kept", text + ("; they cost pixels, not frames" if figures["streaks"] else ""))
        )
    left_out = record.geometry.get("left_out")
    if isinstance(left_out, Mapping) and left_out:
        facts.append(("could not be placed", count(len(left_out), "frame")))
    return facts


def dark_sentence(figures: Mapping[str, Any]) -> str:
    """Whether and why darks were taken off, and what lines were off by from frame to frame."""
    return _dark_taken(figures) + _banding(figures["darks"].get("banding") or {})


def _banding(told: Mapping[str, Any]) -> str:
    lines = _lines(told)
    if not lines:
        return ""
    return (
        f" The readout shifted whole lines, in each frame otherwise ({lines} rms, in "
        f"{count(told['frames'], 'frame')}); this was measured and taken off."
    )


def _lines(told: Mapping[str, Any]) -> str:
    """How far rows and columns are off, as far as they are."""
    return ", ".join(
        f"{name} by {number(told[key], 'ADU', digits=2)}"
        for name, key in (("rows", "rows_adu"), ("columns", "columns_adu"))
        if told.get(key)
    )


def _dark_taken(figures: Mapping[str, Any]) -> str:
    darks = figures["darks"]
    if darks["camera_subtracted"]:
        return (
            "The camera had subtracted a dark of its own from each frame, so none was subtracted again. Its noise "
            "stays in."
        )
    if darks["used"]:
        own = darks["camera_subtracted_frames"]
        but = f" but {count(own, 'frame')} of which the camera had subtracted a dark of its own" if own else ""
        what = "A share of two master darks" if darks.get("colder") else "A master dark"
        text = f"{what} is subtracted from every frame{but} before anything else is done to it."
        return f"{text} {sentence(darks['why'])}" if darks["why"] else text
    text = "No master dark was subtracted" + (", only a bias." if darks["bias_set"] else ".")
    if figures["made"]:
        how = "by their sharpness" if figures.get("frames_kept") == 1 else "from what stays while stars move"
        text += f" Hot pixels were found {how}, and repaired."
        text += _without_dark(darks.get("without") or {})
    return f"{text} Why none: {sentence(darks['why'])}" if darks["why"] else text


def _without_dark(told: Mapping[str, Any]) -> str:
    """What else was taken off without a dark, and what was not and why."""
    if told.get("glow_adu"):
        text = f" An amplifier's glow was told from light by its colour and taken off: {told['glow']}."
    else:
        why = told.get("glow") or "it was not looked for"
        text = f" An amplifier's glow, if there is any, is still in the picture: {why}."
    lines = _lines(told)
    if lines:
        return f"{text} Offsets that whole lines keep were taken off ({lines} rms)."
    return f"{text} Whole rows or columns with offsets of their own did not stand out."


def _glow_facts(glow: Mapping[str, Any]) -> Facts:
    """The factor of the dark's smooth part, where it has one of its own."""
    if glow.get("scale") is None:
        return []
    if glow.get("leaked"):
        text = (
            f"up to {number(glow['adu'], 'adu')}; the lights have {number(glow['scale'], '×', digits=2)} of it, give "
            f"or take {number(glow['error'], digits=2)}: no more than that of it is taken off"
        )
        return [("light that came in while the darks were taken", text)]
    text = f"{number(glow['scale'], '×', digits=3)} (median), give or take {number(glow['error'], digits=2)}"
    if not glow["told"]:
        text += "; the lights hardly tell it, so no more than exposure makes is taken off, and some may be left"
    return [("its glow (amplifier's light) by", f"{text}; up to {number(glow['adu'], 'adu')}")]


def _glow_share(glow: Mapping[str, Any]) -> Facts:
    """The share of its own that the glow has between darks of two temperatures, where it has one."""
    if glow.get("scale") is None:
        return []
    text = f"{number(glow['scale'], decimals=2)} (median), as both masters tell how it goes with temperature"
    return [("share of its glow (amplifier's light)", f"{text}; up to {number(glow['adu'], 'adu')}")]


def dark_facts(figures: Mapping[str, Any]) -> Facts:
    """The master dark, the flats, what was left out of them and why."""
    darks = figures["darks"]
    facts: Facts = []
    colder = darks["colder"]
    if darks["used"]:
        name = f"{darks['set']} and {colder['set']}" if colder else str(darks["set"])
        facts.append(
            (
                "masters" if colder else "master",
                f"{name}: {count(darks['number'], 'dark')}" if isinstance(darks["number"], int) else name,
            )
        )
        exposure = setting(darks["exposure_s"], "s")
        facts.append(
            (
                "exposure, ISO, sensor",
                f"{exposure}, ISO {darks['iso'] or UNKNOWN}, {number(darks['temperature_c'], '°C')}"
                + (f" and {number(colder['temperature_c'], '°C')}" if colder else ""),
            )
        )
        if isinstance(darks["left_out"], int):
            facts.append(("darks left out", count(darks["left_out"], "frame")))
        if colder and colder["shares"]:
            low, high = (number(share, decimals=2) for share in colder["shares"])
            middle = number(darks["scale_median"], decimals=2)
            facts.append(("share of the warmer above the colder", f"{low} to {high} by frame (median {middle})"))
            facts += _glow_share(darks.get("glow") or {})
        elif darks["scale_median"] is not None:
            facts.append(("scaled to the lights by", number(darks["scale_median"], "×", digits=4) + " (median)"))
            facts += _glow_facts(darks.get("glow") or {})
        if darks["own_noise"] is not None:
            share = (1 + darks["own_noise"] ** 2) ** 0.5 - 1
            facts.append(("its own noise adds", f"{percent(share)} to one dark-noise-limited frame"))
    for held in darks.get("held") or []:
        text = f"{held['set']} against {held['against']}"
        if held["apart"] is None:
            text = f"not {text}: {held['why_not']}"
        else:
            text += f": {count(held['apart'], 'pixel')} that did not go together, as hits do, repaired"
        facts.append(("few darks held against more", text))
    if darks["lights_temperature_c"]:
        low, high = (number(ends, "°C", decimals=0) for ends in darks["lights_temperature_c"])
        ran = low if low == high else f"{low} to {high}"
        facts.append(("sensor while the frames were taken", ran))
    for name, why in sorted((darks.get("left_out_why") or {}).items()):
        facts.append(("left out", f"{name}: it {why}"))
    if darks.get("bias_set"):
        facts.append(("bias", str(darks["bias_set"])))
    flats = figures["flats"]
    for name, why in sorted((flats.get("left_out_why") or {}).items()):
        facts.append(("flat left out", f"{name}: it {why}"))
    if flats["used"]:
        facts.append(("flats", f"{flats['set']}{': ' + flats['why'] if flats['why'] else ''}"))
    else:
        facts.append(("flats", f"none used{': ' + flats['why'] if flats['why'] else ''}"))
    hot = figures.get("hot_pixels")
    facts.append(("defective pixels repaired", UNKNOWN if hot is None else number(hot)))
    return facts


def made_facts(record: SceneRecord, figures: Mapping[str, Any]) -> Facts:
    """Batches, camera, times, and which settings differ from their defaults."""
    facts = []
    if record.plan is not None:
        facts.append(("batches", number(len(record.plan.batches))))
        cameras = sorted({frame.camera for frame in record.plan.frames if frame.camera})
        facts.append(("camera", ", ".join(cameras) if cameras else UNKNOWN))
    first, last = span(record)
    if first and last:
        facts.append(("taken", f"{first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} ({clock(record)})"))
    facts.append(("settings changed in trip.yaml", _changed(figures["settings"])))
    return facts


def span(record: SceneRecord) -> tuple[datetime | None, datetime | None]:
    """When a scene's first and last frames were taken; None where no time is known."""
    times = [when for frame in (record.plan.frames if record.plan else ()) if (when := moment(frame.taken)) is not None]
    return min(times, default=None), max(times, default=None)


def clock(record: SceneRecord) -> str:
    """Which clock the times of a scene are of."""
    return "UTC" if record.plan and all(frame.utc for frame in record.plan.frames) else "the camera's clock"


def _changed(settings: Mapping[str, Any]) -> str:
    """What of a scene's settings differs from the defaults."""
    changed = []
    for name, default in Trip().model_dump(by_alias=True, mode="json").items():
        value = settings.get(name)
        if value is None or value == default:
            continue
        if isinstance(value, Mapping):
            changed += [f"{name}.{key} {_plain(v)}" for key, v in value.items() if v != default.get(key)]
        else:
            changed.append(f"{name} {_plain(value)}")
    return "; ".join(changed) if changed else "none but where files lie: the defaults hold"


def _plain(value: Any) -> str:
    """A setting in one line; of several values those that are set."""
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_plain(v)}" for key, v in value.items() if v is not None)
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)
