"""The page of one scene: what its template is filled with."""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from pipeline.pages import figures as fig
from pipeline.pages.advice import CAUTION, advise
from pipeline.pages.ground import ground_facts, ground_sentence
from pipeline.pages.passing import streak_pictures, streak_rows, streak_sentence
from pipeline.pages.placed import Facts, clock_note, lens_facts, mount_facts, pointing_notes
from pipeline.pages.plots import Panel, Point, noise_curve, over_time
from pipeline.pages.render import REASON_MEANINGS, page
from pipeline.pages.words import (
    UNKNOWN,
    coordinates,
    count,
    duration,
    link,
    moment,
    number,
    percent,
    setting,
    unit_words,
)
from pipeline.records import SceneRecord

NOISE_LOW = 0.85  # below it frames are not independent
NOISE_HIGH = 1.10  # the main claim is within 10 % of theory
SIZE_HIGH = 1.10
CODES_LOW = 3.0  # fewer 16-bit codes a sigma than this would show as steps after strong editing
THUMBS_MAX = 24
FILES = {
    "combined.tif": "16-bit RGB for your editor",
    "combined.fits": "linear, camera colours, with noise and coverage planes",
    "composite.tif": "sharp sky over sharp ground, for your editor",
    "composite.fits": "the same, linear, with its noise and the mask",
    "composite.jpg": "the same for the eye",
    "ground.tif": "the ground alone, to join by hand",
    "ground_mask.png": "where the ground lies",
    "preview.jpg": "for the eye",
    "frames.ecsv": "what was measured in every frame",
    "streaks.ecsv": "what passed through single frames: ends, width, brightness, kind",
    "scene.json": "this page's figures, for programs",
    "timings.json": "how long each step took",
}


def warnings(figures: Mapping[str, Any]) -> list[str]:
    """What somebody should know about a scene before using it, a sentence each."""
    found, kept = figures.get("frames_found") or 0, figures.get("frames_kept")
    result = [_sentence(note) for note in figures.get("notes") or []]
    if kept == 1:
        done = "dark-subtracted and finished" if (figures.get("darks") or {}).get("used") else "finished"
        result.append(f"Only one frame could be used: the picture is that frame, {done} but not combined.")
    elif kept is not None and kept * 2 < found:
        result.append(
            f"Only {number(kept)} of {count(found, 'frame')} could be used; the reasons stand on the scene's page."
        )
    ratio = figures.get("noise_ratio")
    if isinstance(ratio, (int, float)) and ratio > NOISE_HIGH:
        result.append(f"The combined noise is {number(ratio, '×', decimals=2)} what the frames' own noise predicts.")
    if isinstance(ratio, (int, float)) and ratio < NOISE_LOW:
        result.append(
            f"The combined noise is only {number(ratio, '×', decimals=2)} what independent frames could give: "
            "some of these frames may be copies of one another, and then the figures of noise do not hold."
        )
    size = figures.get("size_ratio")
    if isinstance(size, (int, float)) and size > SIZE_HIGH:
        result.append(f"Stars came out {number(size, '×', decimals=2)} as wide as in the reference frame.")
    clock = clock_note(figures)
    result += [clock] if clock else []
    darks = figures.get("darks") or {}
    if darks.get("camera_subtracted"):
        result.append("The camera had already subtracted a dark from these frames, so no master dark was used.")
    elif not darks.get("used"):
        result.append("No matching darks: hot pixels were found from the lights alone.")
    return result


def lead(figures: Mapping[str, Any]) -> str:
    """One or two sentences that say what was made of what."""
    found, kept = figures.get("frames_found") or 0, figures.get("frames_kept")
    if kept is None:
        return f"{count(found, 'frame')} belong to this scene; how many of them are sound is not known."
    if kept == 0:
        return f"None of {count(found, 'frame')} could be used."
    total, each = figures.get("exposure_total_s"), figures.get("exposure_s")
    if not figures.get("made"):
        return (
            f"{number(kept)} of {count(found, 'frame')} passed their checks before this scene stopped: "
            f"{duration(figures.get('exposure_total_s'))} of light."
        )
    verb = "combined" if kept > 1 else "used"
    text = (
        f"{number(kept)} of {count(found, 'frame')} {'were' if kept > 1 else 'was'} {verb}: {duration(total)} of light"
    )
    how = [setting(each, "s")] if each else []
    how += [f"ISO{chr(0x202F)}{figures['iso']}"] if figures.get("iso") else []
    how += [f"f/{setting(figures['f_number'])}"] if figures.get("f_number") else []
    how += [setting(figures["focal_mm"], "mm")] if figures.get("focal_mm") else []
    text += f" (frames of {', '.join(how)})." if how else "."
    gain = noise_gain(figures)
    if gain is not None and kept > 1:
        text += f" The noise is {number(gain, '×', digits=2)} lower than in one frame"
        ratio = figures.get("noise_ratio")
        text += f", {number(ratio, '×', decimals=2)} of what theory expects." if ratio else "."
    return text


def noise_gain(figures: Mapping[str, Any]) -> float | None:
    """Noise of one frame over that of the combined picture."""
    one, all_ = figures.get("noise_frame"), figures.get("noise_combined")
    return (
        float(one) / float(all_)
        if isinstance(one, (int, float)) and isinstance(all_, (int, float)) and all_ > 0
        else None
    )


def scene_page(
    record: SceneRecord,
    rows: list[dict[str, Any]],
    figures: dict[str, Any],
    sizes: Mapping[str, int | None],
) -> str:
    """The HTML of a scene's page.

    Parameters
    ----------
    record : SceneRecord
    rows : list of rows, as `figures.frame_rows` gives them
    figures : the content of scene.json
    sizes : sizes in bytes of the files that stand beside the page; None for those that do not, negative to show none
    """
    reasons = figures.get("frames_set_aside") or {}
    aside = [row for row in rows if row.get("verdict") == fig.ASIDE]
    advice = advise(figures, reasons)
    streaks = streak_rows(rows)
    known = figures.get("frames_kept") is not None
    sky_unit = unit_words(record.verdicts.units.get("sky_e_s") or "adu / s")
    first, last = _span(record)
    dates = first is None or last is None or (last - first).total_seconds() > 86_400
    view = {
        "title": figures["title"],
        "scene": record.scene,
        "made": record.made,
        "pictures": record.pictures & {"combined.tif", "preview.jpg", "composite.jpg"},
        "failures": record.failures,
        "lead": lead(figures),
        "tiles": _tiles(figures),
        "notes": warnings(figures) if known else [_sentence(note) for note in figures["notes"]],
        "pointings": pointing_notes(figures),
        "verdict_sentence": _verdict_sentence(figures, aside),
        "reasons": [(r, count(n, "frame"), REASON_MEANINGS.get(r, "")) for r, n in reasons.items()],
        "aside_columns": _columns(ASIDE_COLUMNS, sky_unit, _clock(record)),
        "aside_rows": [_cells(row, dates) for row in aside],
        "all_columns": _columns(ALL_COLUMNS, sky_unit, _clock(record)),
        "all_rows": [_cells(row, dates) for row in rows],
        "time_plot": _time_plot(rows, figures, sky_unit, _clock(record)),
        "thumbs": _thumbs(record, aside),
        "streak_sentence": streak_sentence(streaks),
        "streak_pictures": streak_pictures(record, streaks),
        "noise_sentence": _noise_sentence(figures),
        "noise_plot": _noise_plot(figures),
        "star_facts": _star_facts(record, figures),
        "dark_sentence": _dark_sentence(figures),
        "dark_facts": _dark_facts(figures),
        "ground_sentence": ground_sentence(figures.get("ground")),
        "ground_facts": ground_facts(figures.get("ground")),
        "colour_sentence": _colour_sentence(record.finish),
        "colour_facts": _colour_facts(record.finish),
        "files": [
            {"name": name, "href": link(name), "what": what, "size": _size(sizes[name])}
            for name, what in FILES.items()
            if sizes.get(name) is not None
        ],
        "advice": advice,
        "no_advice": (
            "Nothing stands out: more nights like this one."
            if record.made
            else "The figures do not go far enough for advice."
        ),
        "caution": CAUTION if any(item.outdoors for item in advice) else None,
        "made_facts": _made_facts(record, figures),
        "settings": json.dumps(figures["settings"], indent=1, sort_keys=True, ensure_ascii=True),
        "versions": json.dumps(figures["versions"], indent=1, sort_keys=True),
    }
    return page("scene.html.j2", view)


def _size(size: int | None) -> str:
    if size is None or size < 0:
        return ""
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= scale:
            return number(size / scale, unit)
    return number(size, "bytes")


def _tile(name: str, text: str, small: str = "") -> dict[str, str]:
    return {"name": name, "text": text, "small": small}


def _tiles(figures: Mapping[str, Any]) -> list[dict[str, str]]:
    kept, found = figures.get("frames_kept"), figures.get("frames_found")
    tiles = [_tile("frames kept", f"{number(kept)} of {number(found)}" if kept is not None else UNKNOWN)]
    tiles.append(_tile("light gathered", duration(figures.get("exposure_total_s"))))
    gain = noise_gain(figures)
    if gain is not None:
        ratio = figures.get("noise_ratio")
        against = f"{number(ratio, '×', decimals=2)} of theory" if ratio else "theory not known"
        tiles.append(_tile("noise lowered by", number(gain, "×", digits=3), against))
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


def _verdict_sentence(figures: Mapping[str, Any], aside: Sequence[Mapping[str, Any]]) -> str:
    kept, found = figures.get("frames_kept"), figures.get("frames_found")
    if kept is None:
        return "No verdicts were written for this scene."
    if not aside:
        if kept == found == 1:
            return "The one frame was kept."
        return f"All {count(int(found or 0), 'frame')} were kept." if kept == found else f"{count(kept, 'frame')} kept."
    by_hand = sum("by hand" in str(row.get("reasons")) for row in aside)
    text = f"{count(kept, 'frame')} kept, {number(len(aside))} set aside"
    text += f", {number(by_hand)} of them by hand." if by_hand else "."
    return text + " A frame may have more than one reason; no raw file was changed or moved."


ASIDE_COLUMNS = ("file", "taken", "reasons", "detail", "margin", "fwhm_px", "motion_px", "sky_e_s", "transparency")
ALL_COLUMNS = (
    "file",
    "taken",
    "verdict",
    "stars",
    "fwhm_px",
    "motion_px",
    "motion_expected_px",
    "sky_e_s",
    "transparency",
    "cloud_fraction",
    "streaks",
    "registration_rms_px",
    "weight",
    "rejected_share",
)
_HEADS = {
    "file": ("frame", "name"),
    "reasons": ("why", ""),
    "detail": ("measured, and the limit", "why"),
    "verdict": ("verdict", ""),
    "stars": ("stars", "n"),
    "fwhm_px": ("star size, px", "n"),
    "motion_px": ("motion, px", "n"),
    "motion_expected_px": ("expected, px", "n"),
    "transparency": ("transparency", "n"),
    "cloud_fraction": ("cloud, % of field", "n"),
    "streaks": ("streaks", "n"),
    "registration_rms_px": ("placed to, px", "n"),
    "weight": ("weight", "n"),
    "rejected_share": ("rejected, %", "n"),
    "margin": ("room to the limit, %", "n"),
}


def _columns(keys: Sequence[str], sky_unit: str, clock: str) -> list[dict[str, str]]:
    heads = {**_HEADS, "sky_e_s": (f"sky, {sky_unit}", "n"), "taken": (f"taken, {clock}", "t")}
    return [{"key": key, "name": heads[key][0], "kind": heads[key][1]} for key in keys]


def _cells(row: Mapping[str, Any], dates: bool) -> dict[str, str]:
    """The printed cells of a frame's row; with `dates` the day stands before the time."""

    def cell(key: str, digits: int = 3, decimals: int | None = None, scale: float = 1.0) -> str:
        value = row.get(key)
        if not isinstance(value, (int, float)) or isinstance(value, bool):
            return "–"
        return number(value if scale == 1.0 else value * scale, digits=digits, decimals=decimals)

    when = moment(row.get("taken"))
    return {
        "file": str(row.get("file") or row["frame"]),
        "taken": when.strftime("%Y-%m-%d %H:%M:%S" if dates else "%H:%M:%S") if when else "–",
        "verdict": str(row.get("verdict") or UNKNOWN),
        "reasons": str(row.get("reasons") or "no reason recorded"),
        "detail": str(row.get("detail") or "–"),
        "stars": cell("stars"),
        "fwhm_px": cell("fwhm_px", decimals=2),
        "motion_px": cell("motion_px", decimals=2),
        "motion_expected_px": cell("motion_expected_px", decimals=2),
        "sky_e_s": cell("sky_e_s"),
        "transparency": cell("transparency", decimals=2),
        "cloud_fraction": cell("cloud_fraction", decimals=0, scale=100.0),
        "streaks": cell("streaks"),
        "registration_rms_px": cell("registration_rms_px", decimals=2),
        "weight": cell("weight"),
        "rejected_share": cell("rejected_share", decimals=2, scale=100.0),
        "margin": cell("margin", decimals=0, scale=100.0),
    }


def _time_plot(rows: Sequence[Mapping[str, Any]], figures: Mapping[str, Any], sky_unit: str, clock: str) -> str:
    times = {row["frame"]: when for row in rows if (when := moment(row.get("taken"))) is not None}
    begin = min(times.values(), default=None)
    if begin is not None and len(times) == len(rows):
        place = {name: (when - begin).total_seconds() / 60 for name, when in times.items()}
        x_name = f"minutes after {begin:%Y-%m-%d %H:%M:%S}, {clock}"
    else:
        place = {row["frame"]: float(n) for n, row in enumerate(rows, 1)}
        x_name = "frame, in order (not every frame has a time)"

    def points(key: str) -> list[Point]:
        result = []
        for row in rows:
            value = row.get(key)
            if not isinstance(value, (int, float)) or isinstance(value, bool):
                continue
            why = f" set aside: {row.get('reasons')}" if row.get("verdict") == fig.ASIDE else ""
            label = f"{row.get('file') or row['frame']}: {number(value)}{why}"
            result.append(Point(place[row["frame"]], float(value), row.get("verdict") != fig.ASIDE, label))
        return result

    return over_time(
        [
            Panel(
                "Star size (FWHM)", "px", points("fwhm_px"), figures.get("fwhm_px_frames"), "median of the frames kept"
            ),
            Panel(
                "Motion during the exposure",
                "px",
                points("motion_px"),
                figures.get("motion_expected_px"),
                "expected from the turning sky",
            ),
            Panel("Sky", sky_unit, points("sky_e_s")),
            Panel("Transparency", "1 is clear", points("transparency"), 1.0, "clear"),
        ],
        x_name,
    )


def _thumbs(record: SceneRecord, aside: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    result: list[dict[str, str]] = []
    for row in aside:
        path = record.thumbs.get(row["frame"])
        if path is None or len(result) == THUMBS_MAX:
            continue
        data = "data:image/jpeg;base64," + b64encode(path.read_bytes()).decode("ascii")
        result.append({"data": data, "file": str(row.get("file")), "reasons": str(row.get("reasons"))})
    return result


def _noise_sentence(figures: Mapping[str, Any]) -> str:
    kept = figures.get("frames_kept")
    combined, one, expected = (figures.get(k) for k in ("noise_combined", "noise_frame", "noise_expected"))
    unit = figures.get("bunit") or "adu"
    if combined is None and one is None:
        return "The noise of this scene is not known."
    if combined is None or kept == 1:
        return (
            f"One frame has a noise of {number(one if one is not None else combined, unit)} a pixel; nothing was "
            f"combined."
        )
    text = f"One frame has a noise of {number(one, unit)} a pixel, the combined picture {number(combined, unit)}"
    if expected is not None:
        text += f"; the frames' own noise, their weights and what was rejected let expect {number(expected, unit)}"
        text += f" (ratio {number(figures.get('noise_ratio'), decimals=3)})."
    else:
        text += "; what to expect is not known."
    if isinstance(figures.get("noise_notes"), list):
        text += "".join(f" {_sentence(note)}" for note in figures["noise_notes"])
    effective = figures.get("effective_frames")
    if isinstance(effective, (int, float)) and kept:
        text += f" By weight the {number(kept)} frames kept count as {number(float(effective))} equal ones."
    return text


def _noise_plot(figures: Mapping[str, Any]) -> str:
    curve = [
        (float(pair[0]), float(pair[1]))
        for pair in figures.get("noise_curve") or []
        if isinstance(pair, list) and len(pair) == 2 and all(isinstance(v, (int, float)) for v in pair)
    ]
    one = figures.get("noise_frame")
    if len(curve) < 2 or not isinstance(one, (int, float)):
        return ""
    return noise_curve(curve, float(one), unit_words(figures.get("bunit") or "adu"))


def _star_facts(record: SceneRecord, figures: Mapping[str, Any]) -> Facts:
    width = figures.get("fwhm_px_frames")
    facts = [("star size in the frames kept", UNKNOWN if width is None else number(width, "px") + " (FWHM, median)")]
    if figures.get("fwhm_px_combined") is not None:
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
    motion, expected = figures.get("motion_px"), figures.get("motion_expected_px")
    if motion is not None:
        text = f"{number(motion, 'px')} during an exposure (median of the frames kept)"
        if expected is not None and expected > 0:
            text += f"; a fixed camera under the turning sky would show {number(expected, 'px')}"
        elif expected is not None:
            text += "; none is expected of a tracked camera"
        facts.append(("motion", text))
    else:
        facts.append(("motion", UNKNOWN))
    placed = figures.get("registration_rms_px")
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


def _dark_sentence(figures: Mapping[str, Any]) -> str:
    darks = figures["darks"]
    if darks["camera_subtracted"]:
        return (
            "The camera had subtracted a dark of its own from each frame, so none was subtracted again. Its noise "
            "stays in."
        )
    if darks["used"]:
        text = "A master dark is subtracted from every frame before anything else is done to it."
        return f"{text} {_sentence(darks['why'])}" if darks["why"] else text
    text = "No darks matched: nothing was subtracted."
    if figures["made"]:
        text += (
            " Hot pixels were found from what stays on the sensor while the stars move, and repaired; glow and "
            "fixed pattern are still in the picture."
        )
    return f"{text} Why none: {_sentence(darks['why'])}" if darks["why"] else text


def _sentence(text: Any) -> str:
    text = str(text).strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def _dark_facts(figures: Mapping[str, Any]) -> Facts:
    darks = figures["darks"]
    facts: Facts = []
    if darks["used"]:
        facts.append(
            (
                "master",
                f"{darks['set']}: {count(darks['number'], 'dark')}"
                if isinstance(darks["number"], int)
                else str(darks["set"]),
            )
        )
        exposure = setting(darks["exposure_s"], "s")
        facts.append(
            (
                "exposure, ISO, sensor",
                f"{exposure}, ISO {darks['iso'] or UNKNOWN}, {number(darks['temperature_c'], '°C')}",
            )
        )
        if isinstance(darks["left_out"], int):
            facts.append(("darks left out", count(darks["left_out"], "frame")))
        if darks["scale_median"] is not None:
            facts.append(("scaled to the lights by", number(darks["scale_median"], "×", digits=4) + " (median)"))
        if isinstance(darks["number"], int) and darks["number"] >= 1:
            share = (1 + 1 / darks["number"]) ** 0.5 - 1
            facts.append(("its own noise adds", f"{percent(share)} to one dark-noise-limited frame"))
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


def _colour_sentence(finish: Mapping[str, Any]) -> str:
    if not finish:
        return "No picture was finished, so no colour was chosen."
    low = min([code for code in finish.get("codes_per_sigma") or [] if code is not None], default=0.0)
    text = (
        f"The TIFF holds linear light in {finish.get('space')} through the curve of its embedded profile. One sigma "
        f"of its noise "
        f"spans {number(low, digits=2)} or more of 65{chr(0x202F)}536 codes at the sky's level"
    )
    text += (
        ", so that strong curves show no steps."
        if low >= CODES_LOW
        else ", which strong curves may show as steps: edit in 32 bits from combined.fits instead."
    )
    return text


def _colour_facts(finish: Mapping[str, Any]) -> Facts:
    if not finish:
        return []
    codes = finish.get("codes_per_sigma") or []
    balance = finish.get("white_balance") or []
    unit = finish.get("unit") or "adu"
    rgb = ("red", "green", "blue")
    cores = finish.get("saturated_cores")
    facts = [
        ("colour space", f"{finish.get('space')}, white {finish.get('white_point')}: {finish.get('space_why')}"),
        ("transfer curve", str(finish.get("transfer_curve"))),
        (
            "white balance",
            ", ".join(f"{c} {number(b, '×', decimals=3)}" for c, b in zip(rgb, balance, strict=False))
            + f"; {finish.get('white_balance_from')}",
        ),
        ("colour matrix", str(finish.get("matrix_from"))),
        ("white", f"{number(finish.get('white_level'), unit, digits=5)}: {finish.get('white_level_from')}"),
        (
            "held at white",
            f"{percent(finish.get('held_at_white_share'), 3)} of the pixels: brighter than white, drawn down with "
            f"their colour kept",
        ),
        (
            "sky",
            "kept as it is, gradient and all; codes "
            + ", ".join(f"{c} {number(v)}" for c, v in zip(rgb, finish.get("sky_code") or [], strict=False))
            + f" of 65{chr(0x202F)}535",
        ),
        (
            "pedestal",
            (
                f"{percent(finish.get('pedestal'), 3)} of white, so that no noise is cut off at black"
                if finish.get("pedestal")
                else "none needed: the sky itself keeps the noise clear of black"
            )
            + f"; {count(int(finish.get('below_black_pixels') or 0), 'pixel')} below black",
        ),
        (
            "16-bit codes a sigma",
            ", ".join(f"{c} {number(v, digits=3)}" for c, v in zip(rgb, codes, strict=False))
            + f" ({finish.get('noise_from')})",
        ),
        ("saturated stars", f"{number(cores)} {finish.get('saturated_cores_how')}" if cores is not None else UNKNOWN),
        ("orientation", str(finish.get("orientation_how"))),
    ]
    return facts


def _made_facts(record: SceneRecord, figures: Mapping[str, Any]) -> Facts:
    facts = []
    if record.plan is not None:
        facts.append(("batches", number(len(record.plan.batches))))
        cameras = sorted({frame.camera for frame in record.plan.frames if frame.camera})
        facts.append(("camera", ", ".join(cameras) if cameras else UNKNOWN))
    first, last = _span(record)
    if first and last:
        facts.append(("taken", f"{first:%Y-%m-%d %H:%M:%S} to {last:%Y-%m-%d %H:%M:%S} ({_clock(record)})"))
    facts.append(("settings changed in trip.yaml", _changed(figures["settings"])))
    return facts


def _span(record: SceneRecord) -> tuple[datetime | None, datetime | None]:
    times = [when for frame in (record.plan.frames if record.plan else ()) if (when := moment(frame.taken)) is not None]
    return min(times, default=None), max(times, default=None)


def _clock(record: SceneRecord) -> str:
    return "UTC" if record.plan and all(frame.utc for frame in record.plan.frames) else "the camera's clock"


def _changed(settings: Mapping[str, Any]) -> str:
    from pipeline.config import SECTIONS, Trip

    defaults = Trip().model_dump(by_alias=True)
    changed = [
        f"{section}.{key} {value}"
        for section in SECTIONS
        for key, value in (settings.get(section) or {}).items()
        if value != defaults[section].get(key)
    ]
    return "; ".join(changed) if changed else "none: the defaults hold"


__all__ = ["FILES", "lead", "noise_gain", "scene_page", "warnings"]
