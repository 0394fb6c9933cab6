"""What a scene's page says of its noise."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.pages.plots import noise_curve
from pipeline.pages.words import number, sentence, setting, unit_words
from pipeline.pixels.noise import BLOCK, noise_error

# Small pictures tell the noise to 3 %; of few blocks it must lie so many of its standard errors beyond.
GAIN_BEYOND, ERRORS_BEYOND = 1.05, 3.0
# Where stars are so crowded that the noise plane is scaled to what blocks show, what is left of stars too faint to be
# told is in one frame's noise too, more or less as neighbours in time were dithered apart: 10 % measured.
CROWDED = 0.15
# Frames that count as fewer equal ones by this share differ; where the combined noise is then what each frame's own
# noise lets expect to this, the frames' difference alone is behind a gain that equal ones could not give.
UNLIKE, AS_EXPECTED = 0.95, 0.05
PLACES_SHARE = 0.5  # pixels' own pattern averages like noise where as large a share of the frames met other pixels


def noise_gain(figures: Mapping[str, Any]) -> float | None:
    """Noise of one frame over that of the combined picture."""
    one, all_ = figures.get("noise_frame"), figures.get("noise_combined")
    return (
        float(one) / float(all_)
        if isinstance(one, (int, float)) and isinstance(all_, (int, float)) and one > 0 and all_ > 0
        else None
    )


def lowered(gain: float) -> str:
    """`4.1× lower`, or how many times higher."""
    return f"{number(gain, '×', digits=2)} lower" if gain >= 1 else f"{number(1 / gain, '×', digits=2)} higher"


def one_frame(figures: Mapping[str, Any]) -> str:
    """`one frame`; where they were taken with several settings, with which."""
    exposure, iso = figures.get("noise_frame_exposure_s"), figures.get("noise_frame_iso")
    if not figures.get("frames_alike") or not exposure:
        return "one frame"
    return f"one frame of {setting(exposure, 's')}" + (f" at ISO {iso}" if iso else "")


def gain_beyond(figures: Mapping[str, Any]) -> float | None:
    """By what factor the noise is told to have fallen further than so many frames alike can make it; None if it is not.

    Noise falls as one over the root of the number of frames (elementary statistics): more is no gain. Frames of several
    settings count as so many of the reference's.
    """
    gain, kept = noise_gain(figures), figures.get("frames_kept")
    if gain is None or not kept or kept < 2:
        return None
    beyond = gain / float(figures.get("frames_alike") or kept) ** 0.5
    return round(beyond, 3) if beyond > max(GAIN_BEYOND, 1 + unsure_by(figures)) else None


def frames_unlike(figures: Mapping[str, Any]) -> bool:
    """Whether the noise fell further than that of equal frames because these are not, as at dusk."""
    effective, kept, ratio = (figures.get(key) for key in ("effective_frames", "frames_kept", "noise_ratio"))
    if not all(isinstance(value, (int, float)) for value in (effective, kept, ratio)):
        return False
    return bool(effective < UNLIKE * kept and abs(ratio - 1) <= AS_EXPECTED)  # type: ignore[operator]


def unsure_by(figures: Mapping[str, Any]) -> float:
    """What the noise may be off, as a share: by chance `ERRORS_BEYOND` of its standard errors, 0 where not known; by
    stars that are crowded."""
    blocks, scale = figures.get("noise_blocks"), figures.get("noise_scale")
    crowded = CROWDED if isinstance(scale, (int, float)) and scale != 1.0 else 0.0
    return max(ERRORS_BEYOND * noise_error(blocks) if blocks else 0.0, crowded)


def noise_sentence(figures: Mapping[str, Any]) -> str:
    """What the noise is in one frame and in the combined picture, and what was to be expected."""
    kept = figures.get("frames_kept")
    combined, one, expected = (figures.get(k) for k in ("noise_combined", "noise_frame", "noise_expected"))
    unit = figures.get("bunit") or "adu"
    if kept == 1:
        return (
            "There is no second frame to measure the noise of this one against; the plane NOISE of combined.fits holds "
            "what its light and the sensor let expect."
        )
    told = figures.get("noise_notes")
    notes = "".join(f" {sentence(note)}" for note in told) if isinstance(told, list) else ""
    if combined is None and one is None:
        return f"The noise of this scene is not known.{notes}"
    if combined is None:
        return f"One frame has a noise of {number(one, unit)} a pixel; nothing was combined."
    which = one_frame(figures)
    text = f"{which[0].upper()}{which[1:]} has a noise of {number(one, unit)} a pixel, "
    text += f"the combined picture {number(combined, unit)}"
    if expected is not None:
        text += f"; the frames' own noise, their weights and what was rejected let expect {number(expected, unit)}"
        text += f" (ratio {number(figures.get('noise_ratio'), decimals=3)})."
    else:
        text += "; what to expect is not known."
    text += notes
    effective = figures.get("effective_frames")
    if isinstance(effective, (int, float)) and kept:
        text += f" By weight the {number(kept)} frames kept count as {number(float(effective))} equal ones."
    if figures.get("frames_alike"):
        text += (
            f" Frames of several settings were combined: by their noise they count as {number(figures['frames_alike'])}"
            " of the one told of, and single sets of them may lie beside the curve of equal frames."
        )
    return text + _own_pattern(figures)


def _own_pattern(figures: Mapping[str, Any]) -> str:
    """That what pixels have of their own is in no figure, where frames met the same pixels and nothing took it off."""
    places, kept = figures.get("sensor_places"), figures.get("frames_kept")
    flats, darks = figures.get("flats") or {}, figures.get("darks") or {}
    lacking = [] if flats.get("used") else ["no flats"]
    if not darks.get("used") and not darks.get("camera_subtracted"):
        lacking.append("no darks")
    elif darks.get("number") == 1:
        lacking.append("one dark, which tells hot pixels and glow only")
    if not lacking or not isinstance(places, (int, float)) or not kept or places > PLACES_SHARE * kept:
        return ""
    return (
        f" What each pixel of the sensor has of its own ({' and '.join(lacking)}) is in none of these figures: the sky "
        f"moved so little over the sensor that in means over {BLOCK} × {BLOCK} px it averages as over "
        f"{number(places, digits=2)} frames, not {number(kept)}. Moving the framing by some twenty pixels between "
        "frames would average it with the rest."
    )


def noise_plot(figures: Mapping[str, Any]) -> str:
    """The curve of noise over the number of frames; empty where it was not measured."""
    curve = [
        (float(pair[0]), float(pair[1]))
        for pair in figures.get("noise_curve") or []
        if isinstance(pair, list) and len(pair) == 2 and all(isinstance(v, (int, float)) for v in pair)
    ]
    one = figures.get("noise_frame")
    if len(curve) < 2 or not isinstance(one, (int, float)):
        return ""
    return noise_curve(curve, float(one), unit_words(figures.get("bunit") or "adu"))
