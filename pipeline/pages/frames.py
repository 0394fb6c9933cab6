"""A scene's frames on its page: the tables, the plot over time, pictures of those set aside."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.pages.frametable import ASIDE, KEPT, reasons_said
from pipeline.pages.plots import Panel, Point, over_time
from pipeline.pages.render import picture_data
from pipeline.pages.words import UNKNOWN, count, moment, motion, number
from pipeline.scene.records import SceneRecord

THUMBS_MAX = 24
# How a frame's detail begins that was kept by hand, and how many of these are named.
BY_HAND, NAMED = "kept by hand", 6
ASIDE_COLUMNS = ("file", "taken", "reasons", "detail", "margin", "fwhm_px", "motion_px", "sky", "transparency")
ALL_COLUMNS = (
    "file",
    "taken",
    "verdict",
    "stars",
    "fwhm_px",
    "motion_px",
    "motion_expected_px",
    "sky",
    "transparency",
    "cloud_fraction",
    "cause",
    "streaks",
    "registration_rms_px",
    "weight",
    "rejected_share",
)
_HEADS = {
    "file": ("frame", "name"),
    "reasons": ("why", ""),
    "detail": ("measured, and the limit", "why"),
    "verdict": ("verdict", "t"),
    "stars": ("stars", "n"),
    "fwhm_px": ("star size, px", "n"),
    "motion_px": ("motion, px", "n"),
    "motion_expected_px": ("expected, px", "n"),
    "transparency": ("transparency", "n"),
    "cloud_fraction": ("dimmed, % of field", "n"),
    "cause": ("befell the sky", ""),
    "streaks": ("streaks", "n"),
    "registration_rms_px": ("placed to, px", "n"),
    "weight": ("weight", "n"),
    "rejected_share": ("rejected, %", "n"),
    "margin": ("room to the limit, %", "n"),
}


def by_hand_sentence(rows: Sequence[Mapping[str, Any]]) -> str:
    """Which frames were kept by hand, and against what; empty where none was."""
    told = []
    for row in rows:
        detail = str(row.get("detail") or "")
        if row.get("verdict") == KEPT and detail.startswith(BY_HAND):
            against = detail.removeprefix(BY_HAND).strip(", ")
            name = str(row.get("file") or row["frame"])
            told.append(f"{name} ({against})" if against else name)
    if not told:
        return ""
    return f"Kept by hand: {'; '.join(told[:NAMED])}{' and others' if len(told) > NAMED else ''}."


def verdict_sentence(figures: Mapping[str, Any], aside: Sequence[Mapping[str, Any]]) -> str:
    """How many frames were kept and how many set aside."""
    kept, found = figures.get("frames_kept"), figures.get("frames_found")
    if kept is None:
        return "No verdicts were written for this scene."
    if not aside:
        if kept == found and found in (1, 2):
            return "The one frame was kept." if found == 1 else "Both frames were kept."
        return f"All {count(int(found or 0), 'frame')} were kept." if kept == found else f"{count(kept, 'frame')} kept."
    by_hand = sum("by hand" in str(row.get("reasons")) for row in aside)
    text = f"{count(kept, 'frame')} kept, {number(len(aside))} set aside"
    text += f", {number(by_hand)} of them by hand." if by_hand else "."
    return text + " A frame may have more than one reason; no raw file was changed or moved."


def columns(keys: Sequence[str], sky_unit: str, clock: str) -> list[dict[str, str]]:
    """Heads of a table: `key`, `name`, and the `kind` of its cells."""
    heads = {**_HEADS, "sky": (f"sky, {sky_unit}", "n"), "taken": (f"taken, {clock}", "t")}
    return [{"key": key, "name": heads[key][0], "kind": heads[key][1]} for key in keys]


def sky_shown(rows: Sequence[Mapping[str, Any]], sky_unit: str) -> tuple[str, str]:
    """Which of its columns tells a scene's sky on the page, and its unit: magnitudes where stars give them, which
    compare from night to night though one tells its electrons and another does not."""
    if any(row.get("sky_mag_arcsec2") is not None for row in rows):
        return "sky_mag_arcsec2", "mag/arcsec\N{SUPERSCRIPT TWO}"
    return "sky_e_s", sky_unit


def cells(row: Mapping[str, Any], dates: bool, sky: str, stars_max: float = math.inf) -> dict[str, str]:
    """The printed cells of a frame's row; with `dates` the day stands before the time; `sky` names the column of its
    level; of more than `stars_max` stars no more were measured."""

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
        "reasons": reasons_said(row) or "no reason recorded",
        "detail": str(row.get("detail") or "–"),
        "stars": cell("stars") + (" or more" if (row.get("stars") or 0) >= stars_max else ""),
        "fwhm_px": cell("fwhm_px", decimals=2),
        "motion_px": motion(row.get("motion_px"), decimals=2),
        # a tracked frame's is none at all
        "motion_expected_px": "0" if row.get("motion_expected_px") == 0 else cell("motion_expected_px", decimals=2),
        "sky": cell(sky, decimals=2) if sky == "sky_mag_arcsec2" else cell(sky),
        "transparency": cell("transparency", decimals=2),
        "cloud_fraction": cell("cloud_fraction", decimals=0, scale=100.0),
        "cause": str(row.get("cause") or "–"),
        "streaks": cell("streaks"),
        "registration_rms_px": cell("registration_rms_px", decimals=2),
        "weight": cell("weight"),
        "rejected_share": cell("rejected_share", decimals=2, scale=100.0),
        "margin": cell("margin", decimals=0, scale=100.0),
    }


def time_plot(rows: Sequence[Mapping[str, Any]], figures: Mapping[str, Any], sky_unit: str, clock: str) -> str:
    """Star size, motion, sky and transparency of every frame over the time it was taken; empty for one frame."""
    if len(rows) < 2:
        return ""
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
            why = f" set aside: {reasons_said(row)}" if row.get("verdict") == ASIDE else ""
            label = f"{row.get('file') or row['frame']}: {number(value)}{why}"
            result.append(Point(place[row["frame"]], float(value), row.get("verdict") != ASIDE, label))
        return result

    sky = points("sky_e_s")
    sizes = (points("fwhm_px"), 1.0, figures.get("fwhm_px_frames"), "median of the frames kept")
    motions = (points("motion_px"), 1.0, figures.get("motion_expected_px"), "expected from the turning sky")
    return over_time(
        [
            Panel("Star size (FWHM)", "px", *sizes),
            Panel("Motion during the exposure", "px", *motions),
            Panel("Sky", sky_unit, sky, 0.2 * max((abs(point.y) for point in sky if point.kept), default=1.0) or 1.0),
            Panel("Transparency", "1 is clear", points("transparency"), 0.2, 1.0, "clear"),
        ],
        x_name,
    )


def thumbs(record: SceneRecord, aside: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Small pictures of frames set aside, the first `THUMBS_MAX`."""
    result: list[dict[str, str]] = []
    for row in aside:
        path = record.thumbs.get(row["frame"])
        if path is None or len(result) == THUMBS_MAX:
            continue
        result.append({"data": picture_data(path), "file": str(row.get("file")), "reasons": reasons_said(row)})
    return result
