"""A scene's figures in the order of time, as `weather` reads them, and its events as plain values for the pages."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import Site
from pipeline.judging.clouds import Sky
from pipeline.judging.events import Course, Event
from pipeline.judging.graded import Graded
from pipeline.judging.verdicts import SHAPE_STARS, Figures
from pipeline.scene.starlists import middle_of
from pipeline.sky.sunmoon import sun_and_moon
from pipeline.sky.times import parse
from pipeline.stars.tiles import TILES
from pipeline.stars.transparency import Clearness

LAND_NEAR = 0.1  # share of land in a part, above which it is left out
DRAWN_OUT = 0.33  # of the star width, that a kick or wind moved them: a twentieth to a sixth of their light is missed
# Reasons that spoil star images, so that fluxes tell nothing of the sky, unless `cloud` is told beside them. Out of
# focus they tell it as well (`verdicts.far_blurred`).
SPOILED = {"trailed", "underexposed", "damaged", "unreadable"}


def scene_course(
    frames: Sequence[Graded],
    figures: Sequence[Figures],
    reasons: Sequence[Sequence[str]],
    sky: Sky,
    clear: Clearness | None,
    site: Site | None,
    tells: Sequence[bool] | None = None,
) -> Course:
    """Put the figures of frames side by side.

    Parameters
    ----------
    frames, figures, reasons : of the frames that were compared, in the order of time
    clear : None where there is one frame
    tells : whose fluxes are the sky's (`verdicts.fluxes_tell`); all where None
    """
    n = len(frames)
    begun = [parse(frame.plan.taken) for frame in frames]
    if all(b is not None for b in begun):
        seconds = np.array([b.timestamp() for b in begun if b is not None])
    else:
        seconds = np.arange(n, dtype=np.float64)
    levels = np.array([json.loads(frame.row["tile_sky_adu"]) for frame in frames], np.float64).reshape(n, *TILES)
    for k, frame in enumerate(frames):
        levels[k] /= sky.sensitivity[k] * (frame.row["exposure_s"] or 1.0)
        levels[k][sky.land_share(k) > LAND_NEAR] = np.nan
    sun, moon, lit = _sun_and_moon(frames, site)
    return Course(
        seconds=seconds,
        clear=_column([f.transparency for f in figures]),
        share=_column([f.cloud_fraction for f in figures]),
        parts=np.full((n, 1, 1), np.nan) if clear is None else _open_parts(clear, sky),
        sky=_column([f.sky for f in figures]),
        sky_parts=levels,
        width=_column([f.width_px if f.shape_stars >= SHAPE_STARS else None for f in figures]),
        told=np.array(
            [
                f.transparency is not None and ("cloud" in given or not (SPOILED & set(given) or _drawn_out(f)))
                for f, given in zip(figures, reasons, strict=True)
            ],
            bool,
        )
        & (True if tells is None else np.array(tells, bool)),
        sun=sun,
        moon=moon,
        lit=lit,
        thickest=_column([f.clear_least for f in figures]),
        air_known=sky.air,
    )


def _drawn_out(f: Figures) -> bool:
    """Whether part of the stars' light lies beside what is measured of them, which looks like a thin haze."""
    return f.excess_px is not None and f.width_px is not None and f.excess_px > DRAWN_OUT * f.width_px


def _open_parts(clear: Clearness, sky: Sky) -> NDArray[np.float64]:
    """Transparency of parts, NaN where land reaches into them: what moves with it is no cloud."""
    parts = np.where(np.isfinite(clear.error), clear.parts, np.nan)
    if sky.land is None:
        return parts
    frames, rows, columns = clear.parts.shape
    fine = sky.land.fine
    down = np.arange(fine.shape[1]) * rows // fine.shape[1]
    across = np.arange(fine.shape[2]) * columns // fine.shape[2]
    part = (down[:, None] * columns + across[None]).ravel()
    number = np.bincount(part, minlength=rows * columns)
    land = np.array([np.bincount(part, f.ravel(), minlength=rows * columns) for f in fine]) / number
    return np.where(land.reshape(frames, rows, columns) > LAND_NEAR, np.nan, parts)


def _column(values: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([np.nan if v is None else v for v in values], np.float64)


def _sun_and_moon(
    frames: Sequence[Graded], site: Site | None
) -> tuple[NDArray[np.float64] | None, NDArray[np.float64] | None, NDArray[np.float64] | None]:
    if site is None or site.latitude is None or site.longitude is None:
        return None, None, None
    moments = [middle_of(frame.plan, site) for frame in frames]
    if any(m is None or not m[1] for m in moments):
        return None, None, None
    told = sun_and_moon([m[0] for m in moments if m is not None], site.latitude, site.longitude)
    return told.sun_deg, told.moon_deg, told.lit


def event_values(events: Sequence[Event], ids: Sequence[str]) -> list[dict[str, Any]]:
    """Events as plain values: `frames` by id, figures rounded; what cannot be had is null."""
    out = []
    for event in events:
        values = asdict(event) | {"frames": [ids[n] for n in event.frames]}
        out.append({k: round(v, 3) if isinstance(v, float) else v for k, v in values.items()})
    return out
