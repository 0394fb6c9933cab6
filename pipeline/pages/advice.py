"""What to do differently next time, derived from the figures of a scene. No figure, no advice."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.judging.verdicts import CLOUDS
from pipeline.pages.placed import CLOCK_WRONG_MIN, latitude_of, span
from pipeline.pages.words import count, moment, number, percent, setting
from pipeline.sky import exposure

# A drift below this cannot be seen beside the width of a star: at FWHM 2.5 px it adds 4 % to one axis (check: L^2/12).
DRIFT_SEEN_PX = 1.5
TRACKER_SEEN_PX, TRACKER_SURE = (
    0.5,
    3.0,
)  # what a tracker lets the picture drift in a frame, and its standard deviations
CREEP_SEEN_PX_H = 5.0  # a tripod that creeps by this much an hour gives way somewhere; sound ones stay below 1
ZONE_NEAR_H = 0.1  # a clock's error so near to whole hours may be its zone's or summer time's
FWHM_SOFT_PX = 3.6  # stars wider than this at the middle of the scene mean focus, haze or a lens wide open
# Stars in the corners so many times as wide as in the middle are worth a word, if they are no wider than in single
# frames by more than this; from this aperture on a lens is stopped down already, and up to that it is fast.
WIDE_CORNERS, PLACED_WELL, STOPPED_DOWN, FAST = 1.5, 1.1, 5.6, 2.0
FEW_FRAMES = 20
DARKS_WANTED = 25  # the master's noise then adds 2 % to one frame's (sqrt(1 + 1/25) = 1.0198)
DARKS_COST = 1.10  # more noise than this through the master is worth more darks
SKY_CHANGED = 0.2  # where the sky itself changed over more of the picture, its changes are in the noise measured
NOISE_EXCESS = 1.10  # more than this over theory is worth a sentence
SHARE_SEEN = 0.05  # a reason that costs this share of the frames is worth a sentence
SATURATED_SEEN = 0.002
LIT_SEEN = 0.2  # as are lamps on the land in this share of the frames kept
NO_CLOUD = {"dew", "obstruction"}  # of `judging.events.CAUSES`: they cost frames their starlight under any sky


@dataclass(frozen=True)
class Advice:
    """One piece of advice; `outdoors` where it sends somebody out at night again."""

    head: str
    text: str
    outdoors: bool = True


CAUTION = (
    "Before you go out again at night: follow the rules of the place and its owners, ask people who know the ground "
    "and the "
    "season, look at the weather, dress for colder than forecast, keep off water, cliffs, roads and rails in the "
    "dark, tell "
    "somebody where you are and when you are back, and do not go alone. Their word goes before anything written here."
)


def advise(figures: Mapping[str, Any], reasons: Mapping[str, int], clock: str = "the camera's clock") -> list[Advice]:
    """Advice for the next night, the weightiest first.

    Parameters
    ----------
    figures : mapping
        The content of scene.json.
    reasons : mapping
        Frames set aside, by reason.
    clock : str
        Which clock the times of `figures` are of.
    """
    found = int(figures.get("frames_found") or 0)
    parts = [
        *_trailing(figures, reasons, found),
        *_tracking(figures),
        *_standing(figures, reasons, found),
        *_clock(figures),
        *_focus(figures, reasons, found),
        *_corners(figures),
        *_darks(figures),
        *_frames(figures),
        *_read_noise(figures),
        *_lamps(figures),
        *_light(figures, reasons, found, clock),
    ]
    return parts


def _value(figures: Mapping[str, Any], key: str) -> float | None:
    value = figures.get(key)
    return (
        float(value)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
        else None
    )


def _were(n: int) -> str:
    return "was" if n == 1 else "were"


def width_at_rest(figures: Mapping[str, Any]) -> float | None:
    """FWHM of the frames' stars, px, without what they move during an exposure.

    A uniform motion L adds L^2/12 to the second moment along it, and half of that to the mean of both axes; a FWHM
    squared is 8 ln 2 times a Gaussian's second moment. 0 where stars are no wider than that.
    """
    width, moved = _value(figures, "fwhm_px_frames"), _value(figures, "motion_px") or 0.0
    if width is None:
        return None
    return math.sqrt(max(width**2 - 8 * math.log(2) * moved**2 / 24, 0.0))


def _trailing(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int) -> list[Advice]:
    result = []
    expected, time = _value(figures, "motion_expected_px"), _value(figures, "exposure_s")
    focal, f_number, pixel = _value(figures, "focal_mm"), _value(figures, "f_number"), _value(figures, "pixel_um")
    dec = _value(figures, "centre_dec_deg")
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


def _tracking(figures: Mapping[str, Any]) -> list[Advice]:
    """What to do about a tracker that lets the picture drift."""
    mount, scale, time = figures.get("mount"), _value(figures, "pixel_scale_arcsec"), _value(figures, "exposure_s")
    if not isinstance(mount, Mapping) or mount.get("kind") != "tracked" or not scale or not time:
        return []
    drift = mount.get("drift_arcsec_h")
    if not isinstance(drift, Sequence) or len(drift) != 3:
        return []
    speed, unsure = math.hypot(drift[0], drift[1]), _value(mount, "drift_sigma_arcsec_h") or 0.0
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


def _standing(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int) -> list[Advice]:
    """What to do about a tripod that creeps or was knocked within the scene."""
    mount, scale = figures.get("mount"), _value(figures, "pixel_scale_arcsec")
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


def _clock(figures: Mapping[str, Any]) -> list[Advice]:
    """What to do about a clock that the stars contradict: set it, or mend the zone that is said of it."""
    off = _value(figures, "clock_error_min")
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


def _focus(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int) -> list[Advice]:
    soft, width = reasons.get("out of focus", 0), width_at_rest(figures)
    # dew makes stars wide as well
    soft -= sum(e.get("frames_set_aside") or 0 for e in figures.get("sky_events") or [] if e["cause"] == "dew")
    kept_soft = figures.get("soft_kept")
    if isinstance(kept_soft, Mapping):
        n, of = int(kept_soft["frames"]), int(figures.get("frames_kept") or 0)
        which = "The frame" if of == 1 else f"{number(n)} of the {number(of)} frames"
        return [
            Advice(
                "Leave the soft frames out",
                f"{which} kept {'is' if n == 1 else 'are'} out of focus, with stars up to "
                f"{number(kept_soft['times'], '×', digits=2)} as wide as in the scene's sharpest frame: that is why "
                f"the picture's stars are wide. Name {'it' if n == 1 else 'them'} under drop: in trip.yaml and run "
                "again.",
                outdoors=False,
            )
        ]
    if found and soft / found >= SHARE_SEEN:
        return [
            Advice(
                "Check the focus more often",
                f"{count(soft, 'frame')} of {number(found)} {_were(soft)} out of focus. Focus anew on a bright star "
                "every half hour and whenever it gets colder; a strip of tape holds the ring, a warm band keeps dew "
                "off.",
            )
        ]
    if width is not None and width > FWHM_SOFT_PX:
        return [
            Advice(
                "Sharper stars",
                f"The stars are {number(width, 'px')} wide in the frames kept, their motion taken out. Focus at the "
                f"highest magnification "
                f"on a bright star, "
                "and try the lens one stop down.",
            )
        ]
    return []


def _corners(figures: Mapping[str, Any]) -> list[Advice]:
    """A lens that draws stars wide in the corners, if it is that: what placing frames does there, single ones lack."""
    middle, corners, long, ratio, aperture = (
        _value(figures, key)
        for key in ("fwhm_px_middle", "fwhm_px_corners", "elongation_corners", "size_ratio_corners", "f_number")
    )
    if not middle or not corners or not long or corners < WIDE_CORNERS * middle or (ratio or 1) > PLACED_WELL:
        return []
    if aperture is not None and aperture >= STOPPED_DOWN:
        return []
    at = "" if aperture is None else f" at f/{aperture:g}"
    return [
        Advice(
            "Stars in the corners",
            f"In the corners stars are {number(corners, 'px')} wide, {number(corners / middle, '×', digits=2)} as wide "
            f"as in the middle, and {number(long, '×', digits=2)} as long as wide, in each single frame too: the lens "
            f"draws them so{at}. A stop or two down makes them smaller there, for less light in every frame; or leave "
            "the outermost part out of the picture.",
        )
    ]


def _darks(figures: Mapping[str, Any]) -> list[Advice]:
    darks = figures.get("darks") or {}
    kept = _value(figures, "frames_kept")
    if darks.get("camera_subtracted"):
        return [
            Advice(
                "Switch off the camera's own dark subtraction",
                "The camera took a dark after every frame and subtracted it: half the night went to darks, and each "
                "frame got the "
                f"noise of a single one. Switch long-exposure noise reduction off and take {DARKS_WANTED} darks at "
                f"the end instead.",
            )
        ]
    if not darks.get("used") and darks.get("lacking") == "another sensor temperature":
        low, high = (number(ends, "°C", decimals=0) for ends in darks["lights_temperature_c"])
        ran = f"at {low}" if low == high else f"between {low} and {high}"
        return [
            Advice(
                "Take darks at the lights' temperatures",
                f"The sensor was {ran}, and the darks are too far from that. {DARKS_WANTED} or more before the first "
                "light and as many after the last, when it has cooled, serve everything between; bias frames let darks "
                "of another temperature be scaled.",
            )
        ]
    if not darks.get("used"):
        return [
            Advice(
                "Take darks",
                f"No matching darks could be used. {DARKS_WANTED} frames with the cap on, same exposure and ISO, taken "
                f"right after the "
                "lights so that the sensor is as warm, remove hot pixels and glow; they can be taken while packing up.",
            )
        ]
    number_of = darks.get("number")
    if number_of == 1:
        return [
            Advice(
                "Take more darks",
                f"One dark tells hot pixels and glow, not what ordinary pixels have of their own. {DARKS_WANTED} or "
                "more cost only time, and serve other nights of the same exposure, ISO and temperature.",
                outdoors=False,
            )
        ]
    if isinstance(number_of, int) and number_of > 1 and kept:
        shared, noise = _value(figures, "noise_dark_shared"), _value(figures, "noise_combined")
        if shared is not None and noise is not None and shared < noise:
            # measured: what of the master's noise is left in the picture, after the frames moved over it
            cost, how = noise / math.sqrt(noise**2 - shared**2), "it makes the result"
        else:
            # the worst case, where stars stay on the same pixels and dark noise bounds: sqrt(1/N + 1/Nd) over sqrt(1/N)
            cost = exposure.undithered_noise(kept, number_of) * math.sqrt(kept)
            how = "where the picture hardly moved over the sensor it makes the result up to"
        if number_of < DARKS_WANTED and cost > DARKS_COST:
            return [
                Advice(
                    "Take more darks",
                    f"The master was made of {count(number_of, 'dark')}: {how} {number(cost, '×', decimals=2)} as "
                    f"noisy as perfect darks would. {DARKS_WANTED} or more cost only time, and serve other nights of "
                    "the same exposure, ISO and temperature.",
                    outdoors=False,
                )
            ]
    return []


def _frames(figures: Mapping[str, Any]) -> list[Advice]:
    result = []
    kept, ratio = _value(figures, "frames_kept"), _value(figures, "noise_ratio")
    if kept == 1:
        result.append(
            Advice(
                "Take more frames",
                "One frame cannot be combined with anything. Sixteen frames have a quarter of its noise, and "
                "satellites vanish.",
            )
        )
    elif kept is not None and 1 < kept < FEW_FRAMES and (_value(figures, "frames_found") or kept) < FEW_FRAMES:
        times = FEW_FRAMES * 2
        result.append(
            Advice(
                "Take more frames",
                f"{number(int(kept))} frames went in. Noise falls as 1/√N: {times} frames would have "
                f"{number(math.sqrt(kept / times), '×', decimals=2)} of this noise, and satellites are told from "
                f"stars with more certainty.",
            )
        )
    changing = _value(figures, "restless_share") or 0.0
    # soft frames among sharp ones make such noise of the stars themselves
    if ratio is not None and ratio > NOISE_EXCESS and changing < SKY_CHANGED and not figures.get("soft_kept"):
        result.append(
            Advice(
                "Something besides light makes noise",
                f"The combined noise is {number(ratio, '×', decimals=2)} what the kept frames' own noise predicts: "
                f"something is common "
                "to all frames (pattern of the sensor, too few darks, a changing sky). Move the framing by some ten "
                "pixels every few "
                "frames, and take more darks; further frames alone will help less than they should.",
            )
        )
    return result


def _lamps(figures: Mapping[str, Any]) -> list[Advice]:
    """Land that was lit otherwise in a good part of the frames."""
    ground, kept = figures.get("ground"), _value(figures, "frames_kept")
    lit = ground.get("frames_lit_otherwise") if isinstance(ground, Mapping) else None
    if not lit or not kept or lit < LIT_SEEN * kept:
        return []
    return [
        Advice(
            "Land in one light",
            f"{count(lit, 'frame')} of {number(int(kept))} showed the land in another light than most (a lamp, a car, "
            "the moon, dusk): they count for the sky, the land was made without them. Keep lamps off while frames are "
            "taken and tell others there that you are at it; or take some frames for the land alone, one after "
            "another, in the light that you like (“ground_from:” in trip.yaml).",
        )
    ]


def _read_noise(figures: Mapping[str, Any]) -> list[Advice]:
    read, sky, time = (_value(figures, key) for key in ("read_noise_e", "sky_e_s_median", "exposure_s"))
    if not read or not sky or not time:
        return []
    needed = exposure.read_noise_exposure(read, sky)
    if needed <= time:
        return []
    aperture = _value(figures, "f_number")
    helps = "A tracker helps" if aperture is not None and aperture <= FAST else "A faster aperture or a tracker helps"
    return [
        Advice(
            "Longer frames, if the stars allow",
            f"Read noise of {number(read, 'e⁻')} adds more than 5 % to the sky's own noise below "
            f"{number(needed, 's')} of exposure "
            f"(sky {number(sky, 'e⁻/s')} a pixel); these frames had {setting(time, 's')}. {helps}; on a fixed "
            "tripod round stars come first, and more frames make up for it.",
        )
    ]


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


def _light(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int, clock: str) -> list[Advice]:
    result = []
    cloudy, bright = reasons.get("cloud", 0), reasons.get("bright sky", 0)
    events = figures.get("sky_events") or []
    befell = {event["cause"]: event for event in events}
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
                f"{count(cloudy, 'frame')} of {number(found)} {_were(cloudy)} lost to cloud or fog: a forecast "
                f"of the cloud cover by height{dewy} save{'' if dewy else 's'} nights.",
            )
        )
    slow = next((befell[cause] for cause in ("twilight", "moonlight", "brightening") if cause in befell), None)
    if slow is not None:
        result.append(Advice("A darker hour", _darker_hour(slow, clock)))
    elif found and bright / found >= SHARE_SEEN and "lamp" not in befell:
        result.append(
            Advice(
                "A darker hour",
                f"{count(bright, 'frame')} of {number(found)} {_were(bright)} too bright: look up moonrise and "
                "the end of twilight beforehand, and turn the camera away from towns.",
            )
        )
    if "lamp" in befell:
        result.append(
            Advice(
                "Away from lamps",
                f"{count(befell['lamp']['frames'], 'frame')} caught headlights or a torch, if it was no lightning: a "
                "place off the road, a hood on the lens, and red lamps held low while the shutter is open. In a "
                "thunderstorm go to shelter.",
            )
        )
    if found and reasons.get("underexposed", 0) / found >= SHARE_SEEN:
        result.append(
            Advice(
                "More light",
                f"{count(reasons['underexposed'], 'frame')} of {number(found)} {_were(reasons['underexposed'])} "
                "underexposed: open the aperture, raise the ISO until the histogram's hump is clear of the left edge.",
            )
        )
    saturated = _value(figures, "saturated_fraction")
    if saturated is not None and saturated > SATURATED_SEEN:
        result.append(
            Advice(
                "Lower ISO keeps star colours",
                f"{percent(saturated, 2)} of the pixels were saturated. A stop or two less ISO loses "
                "little in the faint end where the sky is bright, and keeps the colours of bright stars.",
            )
        )
    return result
