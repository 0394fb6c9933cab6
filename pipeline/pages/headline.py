"""The head of a scene's page: what was made of what, its first figures, and what to know before using it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.pages.adviceoptics import width_at_rest
from pipeline.pages.noise import frames_unlike, lowered, noise_gain, one_frame, unsure_by
from pipeline.pages.placed import clock_note, latitude_note, mirror_note, unsolved_note
from pipeline.pages.words import UNKNOWN, coordinates, count, duration, number, percent, sentence, setting

NOISE_LOW = 0.85  # below it frames are not independent
NOISE_HIGH = 1.10  # the main claim is within 10 % of theory
SIZE_HIGH = 1.10
PLACED_BADLY = 0.3  # px rms, of a star from frame to frame; ordinary lenses reach 0.01 to 0.1
ALONE_HIGH = 0.05  # of the picture in one frame only; where all are placed, the edges have 0.00 to 0.02
REJECTED_HIGH = 0.12  # of all values; quiet nights have 0.0 to 0.03, a rising Moon 0.06, an aurora had 0.29


def warnings(figures: Mapping[str, Any]) -> list[str]:
    """What somebody should know about a scene before using it, a sentence each."""
    found, kept = figures.get("frames_found") or 0, figures.get("frames_kept")
    graded = found - ((figures.get("frames_set_aside") or {}).get("by hand") or 0)
    result = [sentence(note) for note in figures.get("notes") or []]
    if kept == 1:
        done = "dark-subtracted and finished" if (figures.get("darks") or {}).get("used") else "finished"
        result.append(f"Only one frame could be used: the picture is that frame, {done} but not combined.")
    elif kept is not None and kept * 2 < graded:
        result.append(
            f"Only {number(kept)} of {count(graded, 'frame')} could be used; why stands in the scene's list of frames."
        )
    moved, width = figures.get("motion_expected_px"), width_at_rest(figures)
    if kept and moved is not None and width is not None and moved > width:
        result.append(
            f"Every star is a bar: the sky turned by {number(moved, 'px')} during each exposure, and stars are "
            f"{number(width, 'px')} wide. That is no frame's fault, and no frame is set aside for it."
        )
    ratio = figures.get("noise_ratio")
    if isinstance(ratio, (int, float)) and ratio > NOISE_HIGH:
        result.append(f"The combined noise is {number(ratio, '×', decimals=2)} what the frames' own noise predicts.")
    if isinstance(ratio, (int, float)) and ratio < min(NOISE_LOW, 1 - unsure_by(figures)):
        result.append(
            f"The combined noise is only {number(ratio, '×', decimals=2)} what independent frames could give: "
            "some of these frames may be copies of one another, and then the figures of noise do not hold."
        )
    if figures.get("noise_gain_beyond") and frames_unlike(figures):
        result.append(
            f"The noise is {number(noise_gain(figures), '×', digits=2)} lower than in one frame, where "
            f"{count(kept or 0, 'frame')} alike would make it {number((kept or 0) ** 0.5, '×', digits=2)} lower at "
            "most: the frames are not alike, for the sky was brighter in some than in others, and the one told of is "
            f"not among the best. The combined noise is {number(ratio, '×', decimals=2)} what their own noise predicts."
        )
    elif figures.get("noise_gain_beyond"):
        result.append(
            f"The noise is told to be {number(noise_gain(figures), '×', digits=2)} lower than in one frame, and "
            f"{count(kept or 0, 'frame')} alike can make it {number((kept or 0) ** 0.5, '×', digits=2)} lower at most: "
            "what differs between two of these frames is not noise alone (stars that do not fall on one another, a "
            "lens that was not found on the sky, moving cloud), or the frames are unlike. The combined picture's noise "
            "holds; the gain does not."
        )
    lost = figures.get("rejected_share")
    if isinstance(lost, (int, float)) and lost > REJECTED_HIGH:
        result.append(
            f"{percent(lost)} of all values were rejected: more than what passes through single frames explains. The "
            "sky itself may have changed from frame to frame (aurora, airglow, lit cloud); where it did, the picture "
            "is patched from different moments. Look at it closely; combine: {clip_sigma: 8} rejects less."
        )
    size = figures.get("size_ratio")
    if isinstance(size, (int, float)) and size > SIZE_HIGH:
        result.append(f"Stars came out {number(size, '×', decimals=2)} as wide as in the reference frame.")
    placed = figures.get("registration_rms_px")
    if kept and kept > 1 and isinstance(placed, (int, float)) and placed > PLACED_BADLY:
        result.append(
            f"The frames lie on one another to {number(placed, 'px')} only, which draws stars out; others are placed "
            "to 0.1 px and less."
        )
    alone = figures.get("one_frame_share")
    if kept and kept > 2 and isinstance(alone, (int, float)) and alone > ALONE_HIGH:
        result.append(
            f"{percent(alone)} of the sky in the picture is shown by one frame only and as noisy as that; plane "
            "COVERAGE of combined.fits says where."
        )
    notes = (unsolved_note(figures), latitude_note(figures), clock_note(figures), mirror_note(figures))
    result += [note for note in notes if note]
    darks = figures.get("darks") or {}
    if darks.get("camera_subtracted"):
        result.append("The camera had already subtracted a dark from these frames, so no master dark was used.")
    elif not darks.get("used"):
        result.append("No matching darks: hot pixels were found from the lights alone.")
    return result


def light_of(total_s: Any) -> str:
    """`12 min of light`, or that the exposure is not known."""
    return f"{duration(total_s)} of light" if isinstance(total_s, (int, float)) else "exposure not known"


def lead(figures: Mapping[str, Any]) -> str:
    """One or two sentences that say what was made of what."""
    found, kept = figures.get("frames_found") or 0, figures.get("frames_kept")
    if kept is None:
        return f"{count(found, 'frame')} belong to this scene; how many of them are sound is not known."
    if kept == 0:
        return f"None of {count(found, 'frame')} could be used."
    total, each, spread = (figures.get(key) for key in ("exposure_total_s", "exposure_s", "exposure_range_s"))
    if not figures.get("made"):
        return (
            f"{number(kept)} of {count(found, 'frame')} passed their checks before this scene stopped: "
            f"{light_of(figures.get('exposure_total_s'))}."
        )
    verb = "combined" if kept > 1 else "used"
    text = f"{number(kept)} of {count(found, 'frame')} {'were' if kept > 1 else 'was'} {verb}: {light_of(total)}"
    how = [setting(each, "s")] if each else []
    if spread and not each:
        how = [f"{setting(spread[0])} to {setting(spread[1], 's')}"]
    isos = [figures["iso"]] if figures.get("iso") else figures.get("iso_range") or []
    how += [f"ISO{chr(0x202F)}{' to '.join(str(iso) for iso in isos)}"] if isos else []
    how += [f"f/{setting(figures['f_number'])}"] if figures.get("f_number") else []
    how += [setting(figures["focal_mm"], "mm")] if figures.get("focal_mm") else []
    how += [f"filter {figures['filter']}"] if figures.get("filter") else []
    text += f" (frames of {', '.join(how)})." if how else "."
    gain = noise_gain(figures)
    if gain is not None and kept > 1:
        text += f" The noise is {lowered(gain)} than in {one_frame(figures)}"
        ratio = figures.get("noise_ratio")
        text += f", {number(ratio, '×', decimals=2)} the noise that theory expects." if ratio else "."
    return text


def tiles(figures: Mapping[str, Any]) -> list[dict[str, str]]:
    """The first figures: `name`, `text` and `small` of each."""
    kept, found = figures.get("frames_kept"), figures.get("frames_found")
    tiles = [_tile("frames kept", f"{number(kept)} of {number(found)}" if kept is not None else UNKNOWN)]
    tiles.append(_tile("light gathered", duration(figures.get("exposure_total_s"))))
    gain = noise_gain(figures)
    if gain is not None:
        ratio = figures.get("noise_ratio")
        against = f"{number(ratio, '×', decimals=2)} the noise of theory" if ratio else "theory not known"
        name, times = ("noise lowered by", gain) if gain >= 1 else ("noise raised by", 1 / gain)
        tiles.append(_tile(name, number(times, "×", digits=3), against))
    width = figures.get("fwhm_px_combined") or figures.get("fwhm_px_frames")
    scale = figures.get("pixel_scale_arcsec")
    tiles.append(
        _tile("star size (FWHM)", number(width, "px"), number(width * scale, "″", digits=3) if width and scale else "")
    )
    if figures.get("sky_mag_arcsec2") is not None:
        tiles.append(
            _tile(
                "sky brightness",
                number(figures["sky_mag_arcsec2"]),
                "mag/arcsec², give or take 0.2; a natural dark sky has 22",
            )
        )
    if figures.get("constellation"):
        tiles.append(
            _tile("centre", figures["constellation"], coordinates(figures["centre_ra_deg"], figures["centre_dec_deg"]))
        )
    return tiles


def _tile(name: str, text: str, small: str = "") -> dict[str, str]:
    return {"name": name, "text": text, "small": small}
