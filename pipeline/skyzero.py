"""The magnitude of a scene's sky: what summarise needs of star lists, geometry and darks for `sky.brightness`."""

from __future__ import annotations

import logging
import statistics
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.config import Site
from pipeline.plan import PlannedFrame
from pipeline.records import UNREADABLE, SceneRecord
from pipeline.sky import times
from pipeline.sky.brightness import Frame, sky_zero
from pipeline.sky.geometry import Geometry
from pipeline.starlists import STAR_FIELDS, middle_of, read_lists

log = logging.getLogger("moonless")

CLEAREST = 5  # frames whose stars tell; more make the error no smaller than the stars' own colours do
FIELDS = np.dtype([*STAR_FIELDS.descr, ("background", "f8")])


def sky_zero_of(project: Path, record: SceneRecord, site: Site) -> dict[str, Any]:
    """What a sky of 1 ADU a second is, in magnitudes per arcsec^2; empty where that is not told.

    Returns
    -------
    dict
        `magnitude`, `error`, `extinction`, `measured`, `stars`, as `sky.brightness.Brightness`, and `zenith`: whether
        it was known where that lies.
    """
    plan = record.plan
    if plan is None or not record.geometry.get("solved"):
        return {}
    try:
        geometry = Geometry.from_json(record.geometry)
        rows = {str(r["frame"]): r for r in record.verdicts.rows if r.get("sky_e_s") and r.get("transparency")}
        able = [f for f in plan.frames if f.id in geometry.frames and f.id in rows and f.exposure_s]
        able.sort(key=lambda f: (-float(rows[f.id]["transparency"]), f.id))
        chosen = {f.id: f for f in able[:CLEAREST]}
        gain = float(record.verdicts.meta.get("electrons_per_adu") or 1.0)
        frames = []
        grades = project / "work" / "grades"
        lists = [path for batch in plan.batches if (path := grades / f"{batch}.stars.fits").is_file()]
        for name, stars in read_lists(lists if chosen else [], FIELDS, chosen).items():
            frame, dark = chosen[name], dark_adu(record, name)
            exposure = float(frame.exposure_s or 0.0)
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
    }


def dark_adu(record: SceneRecord, frame: str) -> float:
    """Level of the dark signal in a frame, ADU: the master's level as it was scaled to it; 0 without one.

    A frame that was set aside was scaled to nothing: it is given the scene's median.
    """
    pedestal = record.calibration.meta.get("black_adu")
    if isinstance(pedestal, (int, float)):
        return float(pedestal)  # told from the lights, since there is no master
    level = record.master.get("DLEVEL")
    scales = {
        str(r.get("frame")): float(scale)
        for r in record.calibration.rows
        if isinstance(scale := r.get("dark_scale"), (int, float))
    }
    if not isinstance(level, (int, float)) or not scales:
        return 0.0
    return float(level) * scales.get(frame, statistics.median(scales.values()))


def _zenith(frame: PlannedFrame, geometry: Geometry, site: Site) -> Any:
    placed = geometry.frames[frame.id].zenith
    if placed is not None:
        return placed
    moment = middle_of(frame, site)
    if moment is None or not moment[1] or site.latitude is None or site.longitude is None:
        return None
    return times.zenith(moment[0], site.latitude, site.longitude)
