"""How clear the sky was: each frame's stars against the scene's clearest frames, airmass taken out."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import JudgeSettings, Site
from pipeline.judging.graded import Graded
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.sky.motion import airmass, altitude_deg
from pipeline.sky.times import julian_date, parse
from pipeline.stars.tiles import tile_of
from pipeline.stars.transparency import Clearness, Sightings, clearness, rank_transparency
from pipeline.tracks import Tracks
from pipeline.verdicts import Figures

RANKED = 5  # clear frames that an unlinked one is compared with


def cloud_figures(
    figures: Sequence[Figures],
    frames: Sequence[Graded],
    tracks: Tracks,
    scene: ScenePlan,
    settings: JudgeSettings,
    site: Site | None,
) -> None:
    """Fill in transparency and the clouded share of the sky, relative to the scene's clearest frames."""
    if len(frames) < 2:
        return
    air = [_airmass(frame.plan, scene, site) for frame in frames]
    # what clear air takes is given back, so that a setting field does not read as cloud
    factor = [1.0 if a is None or None in air else 10 ** (0.4 * settings.extinction * a) for a in air]
    clear = clearness(_sightings(frames, tracks, factor), len(frames), frames[0].row["width"], frames[0].row["height"])
    linked = [n for n in range(len(frames)) if np.isfinite(clear.overall[n])]
    best = sorted(linked, key=lambda n: -clear.overall[n])[:RANKED]
    for n, f in enumerate(figures):
        if n in linked:
            f.transparency = float(min(clear.overall[n], 1.2))
            f.cloud_fraction = _clouded_share(clear, n, settings.clear_min)
        elif best and f.stars is not None:
            reference = [frames[k].stars["flux"] * factor[k] / clear.overall[k] for k in best]
            f.transparency = rank_transparency(frames[n].stars["flux"] * factor[n], reference)
            f.cloud_fraction = _bare_share(frames[n], [frames[k] for k in best])


def _clouded_share(clear: Clearness, n: int, limit: float) -> float | None:
    parts = clear.parts[n][clear.sky]
    parts = parts[np.isfinite(parts)]
    return float(np.mean(parts < limit)) if len(parts) else None


def _bare_share(frame: Graded, others: Sequence[Graded]) -> float | None:
    """Share of the parts that usually show stars and show less than a third of them."""
    usual_count = np.median([json.loads(o.row["tile_stars"]) for o in others], axis=0)
    there = usual_count >= 3
    if not there.any():
        return None
    return float(np.mean((np.array(json.loads(frame.row["tile_stars"])) < usual_count / 3)[there]))


def _sightings(frames: Sequence[Graded], tracks: Tracks, factor: Sequence[float]) -> Sightings:
    columns: list[list[NDArray[Any]]] = [[] for _ in range(6)]
    for n, frame in enumerate(frames):
        rows = tracks.rows[n]
        there = rows >= 0
        flux = np.full(len(rows), np.nan)
        error = np.full(len(rows), np.nan)
        clean = np.zeros(len(rows), bool)
        clean[there] = ~frame.stars["saturated"][rows[there]]
        flux[there] = frame.stars["flux"][rows[there]] * factor[n]
        error[there] = frame.stars["flux_error"][rows[there]] * factor[n]
        error[~there] = _error_at(frame, tracks.x[n][~there], tracks.y[n][~there]) * factor[n]
        use = clean | ~there
        for column, values in zip(
            columns, (tracks.ids[n], np.full(len(rows), n), flux, error, tracks.x[n], tracks.y[n]), strict=True
        ):
            column.append(values[use])
    star, number, flux, error, x, y = (np.concatenate(c) for c in columns)
    return Sightings(star, number, flux, error, x, y)


def _error_at(frame: Graded, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Error of the flux that a faint star would have at a place: the frame's faint stars', by the sky's light."""
    if len(frame.stars) == 0 or len(x) == 0:
        return np.full(len(x), np.inf)
    faint = frame.stars[len(frame.stars) // 2 :]
    sky = np.maximum(np.array(json.loads(frame.row["tile_sky_adu"])), 1.0)
    rows, columns = tile_of(x, y, frame.row["width"], frame.row["height"])
    usual_sky = max(float(np.median(faint["background"])), 1.0)
    return float(np.median(faint["flux_error"])) * np.sqrt(np.maximum(sky[rows, columns] / usual_sky, 1.0))


def _airmass(frame: PlannedFrame, scene: ScenePlan, site: Site | None) -> float | None:
    look, moment = scene.look, parse(frame.taken) if frame.utc else None
    if site is None or site.latitude is None or site.longitude is None or moment is None:
        return None
    if look.centre_ra_deg is None or look.centre_dec_deg is None:
        return None
    altitude = altitude_deg(look.centre_ra_deg, look.centre_dec_deg, site.latitude, site.longitude, julian_date(moment))
    return airmass(altitude) if altitude > 3 else None
