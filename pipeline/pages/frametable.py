"""One row a frame from what the steps left: the contract's columns, and what is counted over the rows."""

from __future__ import annotations

import json
import math
import statistics
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from pipeline.judging.verdicts import CLOSEST, REASONS, of_dew
from pipeline.scene.records import SceneRecord
from pipeline.scene.skyzero import dark_adu

# name: (type, unit); the contract's columns in the contract's order, then what is added to them.
# The unit of sky_e_s is what the grades state (electrons or ADU per second).
CONTRACT_COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "file": (str, None),
    "taken": (str, None),
    "exposure_s": (float, "s"),
    "iso": (int, None),
    "f_number": (float, None),
    "focal_mm": (float, "mm"),
    "temperature_c": (float, "deg_C"),
    "stars": (int, None),
    "fwhm_px": (float, "pix"),
    "motion_px": (float, "pix"),
    "motion_angle_deg": (float, "deg"),
    "motion_expected_px": (float, "pix"),
    "lens_ellipticity": (float, None),
    "sky_e_s": (float, "adu / s"),
    "sky_mag_arcsec2": (float, "mag / arcsec2"),
    "transparency": (float, None),
    "cloud_fraction": (float, None),
    "saturated_fraction": (float, None),
    "streaks": (int, None),
    "registration_rms_px": (float, "pix"),
    "verdict": (str, None),
    "reasons": (str, None),
}
ADDED_COLUMNS: dict[str, tuple[type, str | None]] = {
    "margin": (float, None),
    "detail": (str, None),
    "cause": (str, None),  # what befell the sky, of `judging.weather.CAUSES`
    "flux_scale": (float, None),
    "weight": (float, None),
    "rejected_share": (float, None),
    "dark_scale": (float, None),
    "dark_offset": (float, "adu"),
}
KEPT, ASIDE = "kept", "set aside"


def frame_columns(record: SceneRecord) -> dict[str, tuple[type, str | None]]:
    """The columns of frames.ecsv for a scene, with the sky's unit as its grades state it."""
    columns = {**CONTRACT_COLUMNS, **ADDED_COLUMNS}
    unit = record.verdicts.units.get("sky_e_s")
    if unit:
        columns["sky_e_s"] = (float, unit)
    return columns


def frame_rows(record: SceneRecord) -> list[dict[str, Any]]:
    """One row a light frame of the plan (or of the verdicts, where there is no plan), by time then id.

    A frame that registration left out is set aside as `not registered`, whatever the verdict said before it.
    """
    verdicts = {str(row.get("frame")): row for row in record.verdicts.rows}
    calibration = {str(row.get("frame")): row for row in record.calibration.rows}
    placed = mapping(record.geometry.get("frames"))
    left_out = mapping(record.geometry.get("left_out"))
    combined = mapping(record.combine.get("frames"))
    of_land = mapping(record.ground.get("streaks_of_land"))
    planned = {frame.id: frame for frame in record.plan.frames} if record.plan is not None else {}
    rows = []
    for name in [*planned, *(n for n in verdicts if n not in planned)]:
        row: dict[str, Any] = {}
        if name in planned:
            frame = planned[name]
            row = {
                "file": frame.shown,
                "taken": frame.taken,
                "exposure_s": frame.exposure_s,
                "iso": frame.iso,
                "f_number": frame.f_number,
                "focal_mm": frame.focal_mm,
                "temperature_c": frame.temperature_c,
            }
        given = verdicts.get(name, {})
        row |= {
            key: value for key, value in given.items() if value is not None and (key != "file" or "file" not in row)
        }
        row["frame"] = name
        if name in of_land:
            _leave_out(row, of_land[name])
        place = mapping(placed.get(name))
        if place.get("rms_px") is not None:
            row["registration_rms_px"] = place["rms_px"]
        row["flux_scale"] = place.get("flux_scale")
        _sky(record, row)
        row |= {key: calibration.get(name, {}).get(key) for key in ("dark_scale", "dark_offset")}
        row |= {key: mapping(combined.get(name)).get(key) for key in ("weight", "rejected_share")}
        if name in left_out and row.get("verdict") != ASIDE:
            row["verdict"], row["reasons"] = ASIDE, "not registered"
            # what would have kept it says nothing here; that it was kept by hand does
            before = str(row.get("detail") or "")
            before = "" if before.startswith(CLOSEST) else before
            row["detail"] = "; ".join(part for part in (before, str(left_out[name])) if part)
        if row.get("verdict") == KEPT:
            row["reasons"] = row.get("reasons") or ""
        rows.append(row)
    return sorted(rows, key=lambda row: (row.get("taken") or "~", row["frame"]))


def _leave_out(row: dict[str, Any], numbers: Collection[int]) -> None:
    """Take streaks of these numbers off a frame's: lights on land, edges of land that moves through the picture."""
    try:
        listed = [s for s in json.loads(row.get("streak_list") or "[]") if s.get("number") not in numbers]
    except (TypeError, ValueError, AttributeError):
        return
    row["streak_list"], row["streaks"] = json.dumps(listed), len(listed)


def _sky(record: SceneRecord, row: dict[str, Any]) -> None:
    """Take the dark's share off the sky's level, and tell the sky in magnitudes where the stars did."""
    level, exposure = row.get("sky_e_s"), row.get("exposure_s")
    if not isinstance(level, (int, float)) or not exposure:
        return
    gain = positive(record.verdicts.meta.get("electrons_per_adu")) or 1.0
    own = gain / (positive(row.get("sensitivity")) or 1.0)
    row["sky_e_s"] = level - own * dark_adu(record, row["frame"]) / exposure
    zero = record.sky_zero.get("magnitude")
    # with the camera's pedestal in it the level is not the sky's: as a magnitude it would pass for a measurement
    if zero is not None and row["sky_e_s"] > 0 and not record.calibration.meta.get("black_left"):
        row["sky_mag_arcsec2"] = round(zero - 2.5 * math.log10(row["sky_e_s"] / gain), 3)


def mapping(value: Any) -> Mapping[str, Any]:
    """The value where it is a mapping, else an empty one: what steps left is read tolerantly."""
    return value if isinstance(value, Mapping) else {}


def kept(rows: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """The rows that went into the picture."""
    return [row for row in rows if row.get("verdict") == KEPT]


def median(rows: Iterable[Mapping[str, Any]], key: str) -> float | None:
    """Median of a column over the rows that have it; None where none has."""
    values = [row[key] for row in rows if isinstance(row.get(key), (int, float))]
    return float(statistics.median(values)) if values else None


def common(rows: Iterable[Mapping[str, Any]], key: str) -> Any:
    """The most frequent value of a column (the smallest of equals); None where none has one."""
    counts = Counter(row[key] for row in rows if row.get(key) is not None)
    return min(counts, key=lambda value: (-counts[value], value)) if counts else None


def reason_counts(rows: Iterable[Mapping[str, Any]]) -> dict[str, int]:
    """How many frames carry each reason, the contract's words first, others as they are."""
    counts: Counter[str] = Counter()
    for row in rows:
        if row.get("verdict") == ASIDE:
            counts.update(word.strip() for word in str(row.get("reasons") or "").split(";") if word.strip())
    order = {reason: n for n, reason in enumerate(REASONS)}
    return dict(sorted(counts.items(), key=lambda item: (order.get(item[0], len(order)), item[0])))


def reasons_said(row: Mapping[str, Any]) -> str:
    """A frame's reasons as a page names them: what the contract's word `cloud` stands for, where that is dew."""
    reasons = str(row.get("reasons") or "")
    return reasons.replace("cloud", "cloud (dew)") if of_dew(row) else reasons


def positive(value: Any) -> float | None:
    """The value where it is a number above zero, else None."""
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value) or value <= 0:
        return None
    return float(value)
