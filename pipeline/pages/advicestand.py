"""Advice on how the camera stood and what its clock said."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.pages.advicebase import Advice, value_of
from pipeline.pages.placed import CLOCK_WRONG_MIN, latitude_of, span
from pipeline.pages.words import count, number, setting
from pipeline.sky import exposure

# A drift below this cannot be seen beside the width of a star: at FWHM 2.5 px it adds 4 % to one axis (check: L^2/12).
DRIFT_SEEN_PX = 1.5
TRACKER_SEEN_PX, TRACKER_SURE = (
    0.5,
    3.0,
)  # what a tracker lets the picture drift in a frame, and its standard deviations
CREEP_SEEN_PX_H = 5.0  # a tripod that creeps by this much an hour gives way somewhere; sound ones stay below 1
ZONE_NEAR_H = 0.1  # a clock's error so near to whole hours may be its zone's or summer time's
SHARE_SEEN = 0.05  # a reason that costs this share of the frames is worth a sentence


def trailing(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int) -> list[Advice]:
    """Stars that are drawn out: exposure, wind, a tripod that is touched."""
    result = []
    expected, time = value_of(figures, "motion_expected_px"), value_of(figures, "exposure_s")
    focal, f_number, pixel = value_of(figures, "focal_mm"), value_of(figures, "f_number"), value_of(figures, "pixel_um")
    dec = value_of(figures, "centre_dec_deg")
    if expected is not None and expected >= DRIFT_SEEN_PX and time:
        rule, points = "They are points while that is less than a pixel or two.", 0.0
        if focal and f_number and pixel:
            points = exposure.npf_full(f_number, pixel, focal, dec or 0.0)
            where = "at the celestial equator" if dec is None else f"at declination {number(dec, '°', decimals=0)}"
            rule = (
                f"For points, the NPF rule (f/{setting(f_number)}, {setting(focal, 'mm')}, {number(pixel, 'µm')} "
                f"pixels, {where}) gives {number(points, 's')}; trails are just visible at {number(3 * points, 's')}. "
                f"The rule of 500 gives {number(exposure.rule_of_500(focal), 's')} on a full frame; it is older and "
                "kinder."
            )
        if points < time:
            result.append(
                Advice(
                    "Expose shorter for round stars",
                    f"In {setting(time, 's')} the stars moved {number(expected, 'px')} over the sensor. {rule} More, "
                    "shorter frames of the same total lose nothing while the sky is brighter than the read noise.",
                )
            )
    trailed = reasons.get("trailed", 0)
    if found and trailed / found >= SHARE_SEEN:
        mount = figures.get("mount")
        told = mount.get("kind") if isinstance(mount, Mapping) else None
        # a scene that was not found on the sky has no mount told, but a look that found it tracked expects no motion
        tracked = told == "tracked" or (told is None and expected == 0)
        along = figures.get("trailed_along") if tracked else None
        stand = (
            "Balance the tracker a little heavy on one side so that its gear stays in mesh, tighten what can turn, "
            "align it on the pole, and expose shorter where its gear swings (its drive repeats every few minutes); "
            "shield it from the wind and release by timer or cable."
            if tracked
            else "Weigh the tripod down, keep its legs short, release by timer or cable, take off the strap, stand out "
            "of the wind" + ("." if told == "tripod" else "; with a tracker, check its balance and polar alignment.")
        )
        moved = f"{count(trailed, 'frame')} of {number(found)} moved more than the turning of the sky explains"
        if along:
            moved += (
                ", mostly along one line of the picture, as a drive does whose worm swings about the axis of right "
                "ascension (wind and hands push either way): guide it, or let it learn its period"
            )
        result.append(
            Advice(
                "Steady the drive" if along else "Steady the camera",
                f"{moved}. {stand}",
            )
        )
    return result


def tracking(figures: Mapping[str, Any]) -> list[Advice]:
    """What to do about a tracker that lets the picture drift."""
    mount, scale, time = figures.get("mount"), value_of(figures, "pixel_scale_arcsec"), value_of(figures, "exposure_s")
    if not isinstance(mount, Mapping) or mount.get("kind") != "tracked" or not scale or not time:
        return []
    drift = mount.get("drift_arcsec_h")
    if not isinstance(drift, Sequence) or len(drift) != 3:
        return []
    speed, unsure = math.hypot(drift[0], drift[1]), value_of(mount, "drift_sigma_arcsec_h") or 0.0
    moved = speed / 3600 * time / scale
    if moved < TRACKER_SEEN_PX or speed < TRACKER_SURE * unsure:
        return []
    return [
        Advice(
            "Align the tracker on the pole",
            f"The picture drifted by {number(speed / scale, 'px', digits=2)} an hour, "
            f"{number(moved, 'px', digits=2)} in each frame of {setting(time, 's')}: the stars are drawn out by it, "
            "and the frames' common field shrinks. Set the tracker's axis on the pole anew "
            "once the camera is mounted and aimed, tighten what can turn, and "
            "see that nothing gives way as it turns.",
        )
    ]


def standing(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int) -> list[Advice]:
    """What to do about a tripod that creeps or was knocked within the scene."""
    mount, scale = figures.get("mount"), value_of(figures, "pixel_scale_arcsec")
    if not isinstance(mount, Mapping) or mount.get("kind") != "tripod":
        return []
    result = []
    creep = mount.get("creep_arcsec_h")
    if scale and isinstance(creep, Sequence) and len(creep) == 3:
        speed = math.hypot(creep[0], creep[1]) / scale
        if speed >= CREEP_SEEN_PX_H:
            result.append(
                Advice(
                    "Fasten the camera",
                    f"The camera crept by {number(speed, 'px', digits=2)} an hour. The pictures do not show it, but "
                    "the frames' common field shrinks, and what creeps gives way to wind too. Tighten the tripod's "
                    "head and the plate below the camera, put a heavy lens's weight over the middle, weigh the tripod "
                    "down on firm ground, and let it settle for some minutes before the first frame.",
                )
            )
    knocked = mount.get("knocked_before")
    steadied = bool(found) and reasons.get("trailed", 0) / found >= SHARE_SEEN  # advised already
    if isinstance(knocked, Sequence) and knocked and not steadied:
        times = "" if len(knocked) == 1 else f", and {number(len(knocked) - 1)} more such moves"
        result.append(
            Advice(
                "Let nothing touch the tripod",
                f"Before {knocked[0]} the camera was moved, by a knock or by hand{times}. The frames before and after "
                "are in one picture, which is deep only where both show the same. Weigh the tripod down, walk round "
                "it, let no strap hang, and release by timer or cable.",
            )
        )
    return result


def clock_error(figures: Mapping[str, Any]) -> list[Advice]:
    """What to do about a clock that the stars contradict: set it, or mend the zone that is said of it."""
    off = value_of(figures, "clock_error_min")
    if off is None or abs(off) < CLOCK_WRONG_MIN:
        return []
    hours, settings = off / 60, figures.get("settings")
    unless = ", unless the latitude in trip.yaml is wrong" if latitude_of(figures) else ""
    text = (
        f"By the stars the clock runs {span(abs(off))} {'ahead' if off > 0 else 'behind'}{unless}. Set it to the "
        "minute before the next night."
    )
    step = round(hours)
    if step and abs(hours - step) <= ZONE_NEAR_H:
        site = settings.get("site") if isinstance(settings, Mapping) else None
        told = site.get("utc_offset_hours") if isinstance(site, Mapping) else None
        text += " An error of whole hours may as well be the time zone's or summer time's: if the clock "
        text += "is right, mend utc_offset_hours under “site:” in trip.yaml"
        if isinstance(told, (int, float)):
            zone = (told + step + 12) % 24 - 12
            text += f" ({zone:g} in place of {told:g} agrees with the stars)"
        text += "."
    else:
        text += " If it was right, look at the longitude and utc_offset_hours in trip.yaml."
    return [Advice("Set the camera's clock", text, outdoors=False)]
