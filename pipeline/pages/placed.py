"""What placing the frames says of the lens, the mount and the clock, and which frames show another field: figures for
`scene.json`, and the same in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, TypeGuard

from pipeline.config import quoted
from pipeline.pages.words import count, number, percent
from pipeline.pixels.orientation import ORIENTATIONS, up_turned_deg
from pipeline.scene.records import SceneRecord

Facts = list[tuple[str, str]]

# Minutes: refraction tells the time to some minutes, a zone or summer time forgotten is half an hour at least.
CLOCK_WRONG_MIN = 12.0
# A drift below this, px in the middle of the frame over an hour, is nobody's concern.
CREEP_PX_H = 0.3
# A polar error of fewer of its own standard deviations is not told from none.
SURE_SIGMAS = 3.0
RATE_ERROR_MIN = 5e-4
COLOUR_PX_MIN = 0.05
# The longest field whose stars are not sure to be found in the catalogue: of 5 degrees 18 of 20 were. Its stars reach
# magnitude 10, so many a square degree.
NARROW_DEG, CATALOGUE_PER_DEG2 = 5.0, 482_176 / 41_253
# From here on a lens's own bending, unknown without the catalogue, moves stars by more than one sees.
WIDE_DEG = 50.0
# A latitude that the stars show no better than this is not named, degrees.
LATITUDE_TOLD_DEG = 10.0
NAMED = 6  # knocks that are named
# A turn of the camera that is told in degrees; less is a knock.
TURNED_DEG = 1.0

MOUNT_KEYS = (
    "creep_arcsec_h",
    "creep_scatter_arcsec",
    "pole_offset_arcmin",
    "sidereal_ratio",
    "polar_error_deg",
    "polar_error_sigma_deg",
    "polar_error_up_deg",
    "polar_error_east_deg",
    "rate_error",
    "rate_error_sigma",
    "drift_arcsec_h",
    "drift_scatter_arcsec",
    "drift_sigma_arcsec_h",
)


def placed_figures(record: SceneRecord, files: Mapping[str, str]) -> dict[str, Any]:
    """Keys of `scene.json` that the geometry fills; null where it does not tell.

    Parameters
    ----------
    record : what the steps wrote
    files : what each frame is called for its reader, by id
    """
    learned = record.geometry.get("learned")
    learned = learned if isinstance(learned, Mapping) else {}
    placed = record.geometry.get("frames")
    names = list(placed) if isinstance(placed, Mapping) else []
    mount = None
    if learned.get("mount"):
        mount = {"kind": learned["mount"], **{key: learned[key] for key in MOUNT_KEYS if key in learned}}
        told = learned.get("knocks")
        knocks = [k for k in told if isinstance(k, int) and 0 <= k < len(names)] if isinstance(told, list) else []
        mount["knocked_before"] = [files.get(names[k], names[k]) for k in knocks]
        turns = learned.get("knock_deg")
        known = isinstance(turns, list) and isinstance(told, list) and len(turns) == len(told) == len(knocks)
        mount["knocked_by_deg"] = turns if known else None
    colour = learned.get("lateral_colour")
    return {
        "rotation_deg": _upward(learned.get("rotation_deg"), record),
        "distortion_corner": learned.get("distortion_corner"),
        "focal_change": learned.get("scale_range"),
        "lateral_colour_px": colour.get("corner_px") if isinstance(colour, Mapping) else None,
        "refraction": learned.get("refraction"),
        "clock_error_min": learned.get("clock_error_min"),
        "clock_sigma_min": learned.get("clock_sigma_min"),
        "clock_minus_utc_h": learned.get("clock_minus_utc_h"),
        "latitude": learned.get("latitude"),
        "mount": mount,
        "mirrored": _of_camera(record, "mirrored"),
        "fisheye": _of_camera(record, "fisheye"),
        "pointings": _pointings(record, files),
    }


def _of_camera(record: SceneRecord, key: str) -> bool | None:
    """Whether the picture is a mirror image of the sky, or the lens a fisheye; None where the scene was not found."""
    camera = record.geometry.get("camera")
    if not record.geometry.get("solved") or not isinstance(camera, Mapping):
        return None
    return bool(camera.get(key))


def _pointings(record: SceneRecord, files: Mapping[str, str]) -> list[dict[str, Any]]:
    """Frames that show another field than the scene, and the lines of trip.yaml that make each a scene."""
    groups = record.geometry.get("elsewhere")
    result = []
    for number_, group in enumerate(groups if isinstance(groups, list) else [], 2):
        mine = [files.get(f, f) for f in group if isinstance(f, str)] if isinstance(group, list) else []
        listed = ", ".join(map(quoted, mine))
        if mine:
            lines = f"scenes:\n  {record.scene}-{number_}:\n    frames: [{listed}]"
            result.append({"files": mine, "lines": lines})
    return result


def _upward(rotation: Any, record: SceneRecord) -> Any:
    """Position angle of the upward direction of the pictures, which are turned upright."""
    orientation = record.finish.get("orientation")
    if not isinstance(rotation, (int, float)) or orientation not in ORIENTATIONS:
        return rotation
    # the position angle grows anticlockwise, in a mirror image clockwise
    turned = up_turned_deg(orientation) * (-1 if _of_camera(record, "mirrored") else 1)
    return round((rotation + turned) % 360.0, 4)


def pointing_notes(figures: Mapping[str, Any]) -> list[dict[str, str]]:
    """For each other field: a sentence, and the lines to put into trip.yaml."""
    notes = []
    for item in figures.get("pointings") or []:
        first, last, n = item["files"][0], item["files"][-1], len(item["files"])
        which = f"One frame, {first}, shows" if n == 1 else f"{count(n, 'frame')}, {first} to {last}, show"
        them = "it" if n == 1 else "them"
        text = (
            f"{which} another field than this scene, or the same at another focal length, and "
            f"{'is' if n == 1 else 'are'} not in its picture. To make a picture of {them}, put these lines into "
            "trip.yaml (below the line “scenes:” where there is one already) and run again:"
        )
        notes.append({"text": text, "lines": str(item["lines"])})
    return notes


def mirror_note(figures: Mapping[str, Any]) -> str | None:
    """A sentence where the frames are mirror images of the sky."""
    if not figures.get("mirrored"):
        return None
    return (
        "The frames are mirror images of the sky: their files hold the rows from the bottom up and do not say so "
        "(ROWORDER in a FITS header), or a mirror stood before the camera. The pictures lie on the rows as they were "
        "read; turn them over in your editor (top to bottom). The WCS holds as it is."
    )


def unsolved_note(figures: Mapping[str, Any]) -> str | None:
    """A sentence where the scene was not found on the sky, with the likely reason."""
    if figures.get("solved") is not False:
        return None
    text = "This scene was not found in the star catalogue, so it has no sky coordinates and no constellation: "
    field, focal = figures.get("field_deg"), figures.get("focal_mm")
    if not field:
        lacks = "name a focal length but not the size of their pixels" if focal else "name no focal length"
        tried = "none that was tried" if not focal else "no size that was tried"
        return text + f"its frames {lacks}, and {tried} fits their stars, or they show too few."
    wide, high = sorted(field, reverse=True)
    size = f"{number(wide, '°', digits=2)} by {number(high, '°', digits=2)}"
    if wide < NARROW_DEG:
        held = count(round(CATALOGUE_PER_DEG2 * wide * high), "star")
        text += f"its field, {size} by its focal length, is a small one, and the catalogue holds about {held} there."
        several = " The frames were matched to one another, which serves a field this small as well."
        return text if figures.get("frames_kept") == 1 else text + several
    text += (
        f"no place of {size} (by its focal length) fits its stars: they are too few, or too many that pass for them "
    )
    text += "are lamps, noise or cloud."
    if wide > WIDE_DEG and figures.get("frames_kept") != 1:
        text += (
            " How the lens bends the picture is therefore not known, a fisheye's least of all: away from the middle "
            "the frames may not lie on one another."
        )
    return text


def clock_note(figures: Mapping[str, Any]) -> str | None:
    """A sentence where the camera's clock and the sky disagree."""
    off = figures.get("clock_error_min")
    if not isinstance(off, (int, float)) or abs(off) < CLOCK_WRONG_MIN:
        return None
    way = "ahead of" if off > 0 else "behind"
    return (
        f"The camera's clock, with what is said of its zone, runs {span(abs(off))} {way} the stars, whose refraction "
        "shows the true sidereal time to some minutes: look at the clock, and at utc_offset_hours and longitude under "
        f"“site:” in trip.yaml.{_or_latitude(figures)} The frames were placed by the stars' time."
    )


def latitude_of(figures: Mapping[str, Any]) -> Mapping[str, Any]:
    """What the stars say of the latitude given; empty where they do not contradict it."""
    told = figures.get("latitude")
    return told if isinstance(told, Mapping) and isinstance(told.get("told_deg"), (int, float)) else {}


def _or_latitude(figures: Mapping[str, Any]) -> str:
    """That the latitude may be wrong in place of the clock."""
    told = latitude_of(figures)
    if not told or told.get("wrong"):
        return ""
    text = " Or look at the latitude there: if that is wrong, the clock may be right"
    better = _by_stars(told)
    return (
        f"{text} ({better} in place of {_degrees(told['told_deg'])} agrees with it and with the stars)."
        if better
        else f"{text}."
    )


def _by_stars(told: Mapping[str, Any]) -> str:
    """The latitude that the stars show, with its error, where they show it."""
    better, sigma = told.get("by_stars_deg"), told.get("by_stars_sigma_deg")
    if not isinstance(better, (int, float)) or not isinstance(sigma, (int, float)) or sigma > LATITUDE_TOLD_DEG:
        return ""
    return f"{_degrees(round(better))} ± {number(max(sigma, 1.0), '°', decimals=0)}"


def _degrees(value: float) -> str:
    sign = "\u2212" if value < 0 else ""
    return f"{sign}{abs(value):g}°"


def latitude_note(figures: Mapping[str, Any]) -> str | None:
    """A sentence where the stars contradict the latitude that was given."""
    told = latitude_of(figures)
    if not told.get("wrong"):
        return None
    why = (
        "this scene's field never rises there"
        if told.get("never_up")
        else "the air would bend the field otherwise there, at any time"
    )
    better = _by_stars(told)
    return (
        f"The stars contradict the latitude given under “site:” in trip.yaml, {_degrees(told['told_deg'])}: {why}"
        f"{f'; a latitude of {better} agrees with them' if better else ''}. Look at latitude (north is positive, south "
        "negative) and longitude there. The frames were placed as if no site were given."
    )


def span(minutes: float) -> str:
    """`63 min`, `5.4 h`."""
    return number(minutes, "min", decimals=0) if minutes < 90 else number(minutes / 60, "h", decimals=1)


def lens_facts(figures: Mapping[str, Any]) -> Facts:
    """Focal length, distortion and lateral colour of the lens, and how the picture lies on the sky."""
    facts: Facts = []
    if figures.get("focal_measured_mm") is not None:
        facts.append(("focal length by the stars", number(figures["focal_measured_mm"], "mm", digits=4)))
    if figures.get("fisheye"):
        facts.append(("lens", "a fisheye, by the stars: distances from the axis go with the angle, not its tangent"))
    change = figures.get("focal_change")
    if isinstance(change, (int, float)) and change > 0:
        text = f"by {percent(change, 3)} over the run (focus, temperature); taken out"
        facts.append(("focal length changed", text))
    bent = figures.get("distortion_corner")
    if isinstance(bent, (int, float)):
        kind = "barrel" if bent < 0 else "pincushion"
        named = f" ({kind})" if abs(bent) >= 5e-4 else ""
        against = " against equal angles" if figures.get("fisheye") else ""
        facts.append(("distortion in the corners", percent(bent, 2) + named + against))
    colour = figures.get("lateral_colour_px")
    if isinstance(colour, Mapping):
        told = [
            f"{word} {number(abs(colour[key]), 'px', decimals=2)} {'outwards' if colour[key] > 0 else 'inwards'}"
            for key, word in (("R", "red"), ("B", "blue"))
            if isinstance(colour.get(key), (int, float)) and abs(colour[key]) >= COLOUR_PX_MIN
        ]
        facts.append(
            ("lateral colour in the corners", f"{', '.join(told)}; taken out" if told else "below a twentieth of a px")
        )
    if figures.get("frames_kept") != 1:  # stars that cross the field tell it
        facts += _fall_off(figures.get("vignetting"), bool((figures.get("flats") or {}).get("used")))
    if isinstance(figures.get("rotation_deg"), (int, float)):
        facts.append(
            (
                "picture's upward direction",
                number(figures["rotation_deg"], "°", decimals=1) + " from north through east",
            )
        )
    return facts


def _fall_off(told: Any, flats: bool) -> Facts:
    """What the lens passes in the corners, as the stars show it, and whether it was divided out."""
    if not isinstance(told, Mapping) or "refused" not in told or flats:
        return []
    if told["refused"] is not None:
        return [("light in the corners", f"not told by the stars: {told['refused']}")]
    text = f"{percent(told['corner'], 1)} of the middle's, give or take {percent(told['error'], 1)}, by "
    text += count(int(told["stars"]), "star")
    away = math.hypot(*told["middle"])
    text += f", about {f'a middle {percent(away, 1)} of half the diagonal beside ' if away else ''}the lens's axis"
    done = "; divided out" if told.get("corrected") else "; kept (combine.vignetting: stars divides it out)"
    return [("light in the corners", text + done)]


def mount_facts(figures: Mapping[str, Any]) -> Facts:
    """How the tripod or the tracker held the camera, and what the clock said."""
    mount = figures.get("mount")
    facts: Facts = []
    if isinstance(mount, Mapping):
        scale = figures.get("pixel_scale_arcsec")
        facts += _tripod(mount, scale) if mount.get("kind") == "tripod" else _tracker(mount, scale)
    off, zone = figures.get("clock_error_min"), figures.get("clock_minus_utc_h")
    if isinstance(off, (int, float)) and abs(off) < CLOCK_WRONG_MIN:
        sigma = figures.get("clock_sigma_min")
        within = max(abs(off), 2 * sigma if isinstance(sigma, (int, float)) else 0.0, 1.0)
        facts.append(("camera's clock", f"agrees with the stars' time to {number(within, 'min', decimals=0)}"))
    elif isinstance(zone, (int, float)):
        sign = "+" if zone >= 0 else "\u2212"
        facts.append(
            ("camera's clock", f"shows about UTC{sign}{abs(zone):g} h, by the stars; site.utc_offset_hours says it")
        )
    return facts


def _tripod(mount: Mapping[str, Any], scale: Any) -> Facts:
    facts: Facts = [("mount", "fixed tripod: the sky turned past it at the sidereal rate")]
    creep = mount.get("creep_arcsec_h")
    if _numbers(creep, 3):
        x, y, z = creep  # about the camera's axes right, down, ahead: the picture's content turns the other way
        shift = math.hypot(x, y) / scale if isinstance(scale, (int, float)) and scale > 0 else None
        parts = [
            f"{number(abs(value), '″', decimals=0)} {positive if value > 0 else negative}"
            for value, positive, negative in (
                (x, "downwards", "upwards"),
                (y, "to the left", "to the right"),
                (z, "of roll anticlockwise", "of roll clockwise"),
            )
            if abs(value) >= 0.5
        ]
        text = f"{', '.join(parts)} an hour" if parts else "less than 1″ an hour"
        if shift is not None:
            text += f": {number(shift, 'px', digits=2)} an hour in the middle of the frame"
            text += ", taken out" if shift >= CREEP_PX_H else ", nothing to mind"
        facts.append(("creep of the camera", text))
    facts += _knocked(mount, "knocked")
    turned = [mount.get("sidereal_ratio"), mount.get("pole_offset_arcmin")]
    if _numbers(turned, 2):
        rate, off = number(turned[0], "×", decimals=4), number(turned[1], "′", digits=2)
        facts.append(
            ("check against the turning Earth", f"{rate} the sidereal rate, about an axis {off} from the Earth's")
        )
    return facts


def _give_or_take(error: Any, unit: str, decimals: int) -> str:
    """An error behind its value, never below the last digit that is printed: it would read as none."""
    if not isinstance(error, (int, float)):
        return ""
    return f" ± {number(max(float(error), 10.0**-decimals), unit, decimals=decimals)}"


def _tracker(mount: Mapping[str, Any], scale: Any) -> Facts:
    facts: Facts = [("mount", "tracker: the camera followed the stars")]
    error, sigma = mount.get("polar_error_deg"), mount.get("polar_error_sigma_deg")
    if isinstance(error, (int, float)):
        spread = sigma if isinstance(sigma, (int, float)) else 0.0
        text = f"{number(error, '°', decimals=2)}{_give_or_take(sigma, '°', 2)} from the pole"
        off = [mount.get("polar_error_up_deg"), mount.get("polar_error_east_deg")]
        if error < SURE_SIGMAS * spread:
            text += ", too little to tell in this time"
        elif _numbers(off, 2):
            up, east = off
            text += (
                f": {number(abs(up), '°', decimals=2)} too {'high' if up > 0 else 'low'}, "
                f"{number(abs(east), '°', decimals=2)} too far {'east' if east > 0 else 'west'}"
            )
        facts.append(("polar axis", text))
    drift = mount.get("drift_arcsec_h")
    if _numbers(drift, 3):
        speed = math.hypot(drift[0], drift[1])
        told = mount.get("drift_sigma_arcsec_h")
        spread = float(told) if isinstance(told, (int, float)) else 0.0
        text = f"{number(speed, '″', decimals=0)}{_give_or_take(told, '″', 0)} an hour"
        if speed < SURE_SIGMAS * spread:
            text += ", too little to tell in this time"
        elif isinstance(scale, (int, float)) and scale > 0:
            text += f" ({number(speed / scale, 'px', digits=2)})"
        about = mount.get("drift_scatter_arcsec")
        if isinstance(about, (int, float)):
            text += f", {number(about, '″', decimals=0)} rms about it (the drive, and small dithers)"
        facts.append(("drift of the picture", text))
    facts += _knocked(mount, "jumped")
    rate = mount.get("rate_error")
    unsure = mount.get("rate_error_sigma")
    least = max(RATE_ERROR_MIN, SURE_SIGMAS * unsure if isinstance(unsure, (int, float)) else 0.0)
    if isinstance(rate, (int, float)) and abs(rate) >= least:
        facts.append(("tracking rate", f"{percent(abs(rate), 2)} too {'fast' if rate > 0 else 'slow'}"))
    return facts


def _knocked(mount: Mapping[str, Any], word: str) -> Facts:
    """Before which frames it was."""
    knocked = mount.get("knocked_before")
    if not isinstance(knocked, Sequence) or not knocked:
        return []
    turns = mount.get("knocked_by_deg")
    turns = turns if isinstance(turns, Sequence) and len(turns) == len(knocked) else [None] * len(knocked)
    named = [
        f"{name} (turned by {number(turn, '°', decimals=0)})"
        if isinstance(turn, float) and turn >= TURNED_DEG
        else name
        for name, turn in zip(map(str, knocked[:NAMED]), turns, strict=False)
    ]
    return [(word, f"before {', '.join(named)}{' and others' if len(knocked) > NAMED else ''}")]


def _numbers(values: Any, n: int) -> TypeGuard[Sequence[float]]:
    return (
        isinstance(values, Sequence)
        and len(values) == n
        and all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in values)
    )
