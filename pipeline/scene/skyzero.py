"""The magnitude of a scene's sky: what summarise needs of star lists, geometry and darks for `sky.brightness`."""

from __future__ import annotations

import logging
import math
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import Site
from pipeline.judging.clouds import SOFT
from pipeline.plan import PlannedFrame
from pipeline.scene.records import UNREADABLE, SceneRecord
from pipeline.scene.starlists import STAR_FIELDS, middle_of, read_lists
from pipeline.sky import times
from pipeline.sky.brightness import Frame, sky_zero
from pipeline.sky.geometry import Geometry

log = logging.getLogger("moonless")

CLEAREST = 5  # frames whose stars tell; more make the error no smaller than the stars' own colours do
FIELDS = np.dtype([*STAR_FIELDS.descr, ("background", "f8")])


def sky_zero_of(project: Path, record: SceneRecord, site: Site) -> dict[str, Any]:
    """What a sky of 1 ADU a second is, in magnitudes per arcsec^2; empty where that is not told.

    Returns
    -------
    dict
        `magnitude`, `error`, `extinction`, `measured`, `stars`, `star_zero`, `star_zero_error`, as
        `sky.brightness.Brightness`; `zenith`: whether it was known where that lies; `taken_with`: camera, focal length,
        f-number and ISO, where all frames share them.
    """
    plan = record.plan
    if plan is None or not record.geometry.get("solved"):
        return {}
    try:
        geometry = Geometry.from_json(record.geometry)
        rows = {str(r["frame"]): r for r in record.verdicts.rows if r.get("sky_e_s") and r.get("transparency")}
        able = [f for f in plan.frames if f.id in geometry.frames and f.id in rows and f.exposure_s]
        able = _in_focus(able, rows)
        able.sort(key=lambda f: (-float(rows[f.id]["transparency"]), f.id))
        chosen = {f.id: f for f in able[:CLEAREST]}
        gain = float(record.verdicts.meta.get("electrons_per_adu") or 1.0)
        frames = []
        grades = project / "work" / "grades"
        lists = [path for batch in plan.batches if (path := grades / f"{batch}.stars.fits").is_file()]
        for name, stars in read_lists(lists if chosen else [], FIELDS, chosen).items():
            frame, dark = chosen[name], dark_adu(record, name)
            # in seconds of the usual settings
            exposure = float(frame.exposure_s or 0.0) * float(rows[name].get("sensitivity") or 1.0)
            level = float(rows[name]["sky_e_s"]) / gain * exposure - dark
            frames.append(Frame(name, stars, exposure, level, dark, _zenith(frame, geometry, site)))
        frames.sort(key=lambda f: f.id)
        told = sky_zero(frames, geometry)
    except UNREADABLE as error:
        log.warning("%s: the sky's magnitude is not told (%s: %s)", record.scene, type(error).__name__, error)
        return {}
    if told is None:
        return {}
    return {
        "magnitude": round(told.magnitude, 3),
        "error": round(told.error, 3),
        "extinction": round(told.extinction, 3),
        "measured": told.measured,
        "stars": told.stars,
        "zenith": all(frame.zenith is not None for frame in frames),
        "star_zero": round(told.star_zero, 3),
        "star_zero_error": round(told.star_zero_error, 3),
        "taken_with": _taken_with(plan.frames),
    }


def _in_focus(frames: list[PlannedFrame], rows: Mapping[str, Mapping[str, Any]]) -> list[PlannedFrame]:
    """The frames whose stars are near the narrowest of them: of stars twice as wide 4 % too much light is found,
    which would pass for the clearest sky."""
    widths = {f.id: float(width) for f in frames if isinstance(width := rows[f.id].get("width_px"), (int, float))}
    most = SOFT * min(widths.values(), default=math.inf)
    return [f for f in frames if widths.get(f.id, 0.0) <= most]


def _taken_with(frames: Sequence[PlannedFrame]) -> list[Any] | None:
    """What a star's flux depends on beside the sky: camera, focal length (mm), f-number, ISO; None where it differs."""
    kinds = {(f.camera, f.focal_mm, f.f_number, f.iso) for f in frames}
    known = len(kinds) == 1 and None not in next(iter(kinds))
    return list(kinds.pop()) if known else None


def dark_adu(record: SceneRecord, frame: str) -> float:
    """Level of what is taken off an ordinary pixel of a frame, ADU above black: the bias's, what the dark shows above
    that times the frame's factor, and the frame's offset.

    A frame that was set aside was given neither factor nor offset: it has the scene's medians.
    """

    def told(key: str, otherwise: float) -> float:
        known = {
            str(row.get("frame")): float(value)
            for row in record.calibration.rows
            if isinstance(value := row.get(key), (int, float))
        }
        return known.get(frame, statistics.median(known.values()) if known else otherwise)

    scale, offset = told("dark_scale", 1.0), told("dark_offset", 0.0)
    if scale == 0:  # the camera has taken its own dark off
        return offset
    bias, dark = (header.get("DLEVEL") for header in (record.bias, record.master))
    base = float(bias) if isinstance(bias, (int, float)) else 0.0
    return offset + base + (scale * (float(dark) - base) if isinstance(dark, (int, float)) else 0.0)


def _zenith(frame: PlannedFrame, geometry: Geometry, site: Site) -> Any:
    placed = geometry.frames[frame.id].zenith
    if placed is not None:
        return placed
    moment = middle_of(frame, site)
    contradicted = (geometry.learned.get("latitude") or {}).get("wrong")
    if contradicted or moment is None or not moment[1] or site.latitude is None or site.longitude is None:
        return None
    return times.zenith(moment[0], site.latitude, site.longitude)
