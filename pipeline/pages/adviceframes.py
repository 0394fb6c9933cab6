"""Advice on darks and flats, on how many and how long frames, and on lamps."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from pipeline.pages.advicebase import Advice, value_of
from pipeline.pages.words import count, number, setting
from pipeline.plan import NO_FLATS_FIT
from pipeline.sky import exposure

FAST = 2.0  # aperture up to which a lens is fast
FEW_FRAMES = 20
DARKS_WANTED = 25  # the master's noise then adds 2 % to one frame's (sqrt(1 + 1/25) = 1.0198)
DARKS_COST = 1.10  # more noise than this through the master is worth more darks
OPTICS = ("lens", "focal length", "aperture", "filter")  # that flats go by, as the inventory calls them
SKY_CHANGED = 0.2  # where the sky itself changed over more of the picture, its changes are in the noise measured
NOISE_EXCESS = 1.10  # more than this over theory is worth a sentence
LIT_SEEN = 0.2  # as are lamps on the land in this share of the frames kept


def darks_wanted(figures: Mapping[str, Any]) -> list[Advice]:
    """More darks, or darks that fit better."""
    darks = figures.get("darks") or {}
    kept = value_of(figures, "frames_kept")
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
    if (darks.get("glow") or {}).get("leaked"):
        return [
            Advice(
                "Darks without light",
                "Light came in while the darks were taken: they show broad light that the lights do not have. It was "
                "left out, but for its noise. Take them again with the cap on, the eyepiece closed, and a dark "
                "cloth over the camera, or in the dark.",
                outdoors=False,
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
        shared, noise = value_of(figures, "noise_dark_shared"), value_of(figures, "noise_combined")
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


def flats_wanted(figures: Mapping[str, Any]) -> list[Advice]:
    """Flats of the scene's own optics, where others were taken."""
    flats = figures.get("flats") or {}
    why = str(flats.get("why") or "")
    other = why.rpartition(": ")[2].removeprefix("another ")
    if flats.get("used") or not why.startswith(NO_FLATS_FIT) or other not in OPTICS:
        return []
    return [
        Advice(
            f"Flats of this {other}",
            f"The flats there are were taken with another {other} and could not be used: dust and the dark corners "
            "are still in the picture. Flats fit only lights of the same lens, focal length, aperture, focus and "
            "filter: take some fifteen of an evenly lit surface before anything is changed.",
            outdoors=False,
        )
    ]


def more_frames(figures: Mapping[str, Any]) -> list[Advice]:
    """How many more frames would tell, or what else makes noise."""
    result = []
    kept, ratio = value_of(figures, "frames_kept"), value_of(figures, "noise_ratio")
    if kept == 1:
        result.append(
            Advice(
                "Take more frames",
                "One frame cannot be combined with anything. Sixteen frames have a quarter of its noise, and "
                "satellites vanish.",
            )
        )
    elif kept is not None and 1 < kept < FEW_FRAMES and (value_of(figures, "frames_found") or kept) < FEW_FRAMES:
        times = FEW_FRAMES * 2
        result.append(
            Advice(
                "Take more frames",
                f"{number(int(kept))} frames went in. Noise falls as 1/√N: {times} frames would have "
                f"{number(math.sqrt(kept / times), '×', decimals=2)} of this noise, and satellites are told from "
                f"stars with more certainty.",
            )
        )
    changing = value_of(figures, "restless_share") or 0.0
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


def lamps(figures: Mapping[str, Any]) -> list[Advice]:
    """Land that was lit otherwise in a good part of the frames."""
    ground, kept = figures.get("ground"), value_of(figures, "frames_kept")
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


def read_noise(figures: Mapping[str, Any]) -> list[Advice]:
    """Frames so short that reading them adds noise."""
    read, sky, time = (value_of(figures, key) for key in ("read_noise_e", "sky_e_s_median", "exposure_s"))
    if not read or not sky or not time:
        return []
    needed = exposure.read_noise_exposure(read, sky)
    if needed <= time:
        return []
    aperture = value_of(figures, "f_number")
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
