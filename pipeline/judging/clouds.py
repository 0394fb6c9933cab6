"""How clear the sky was: each frame's stars against the scene's clearest frames, airmass taken out."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import JudgeSettings, Site
from pipeline.judging.air import KNOWN, asked, coefficient, paths
from pipeline.judging.graded import Graded
from pipeline.judging.land import Land, find_land, fine_cell, fine_grid
from pipeline.judging.settings import sensitivities, settings_of, shown_shares, stated_shares
from pipeline.judging.tracks import Tracks
from pipeline.judging.verdicts import Figures, in_focus, overexposed, usual_width
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.sky.motion import airmass, altitude_deg
from pipeline.sky.times import julian_date, parse
from pipeline.stars.broad import reaches
from pipeline.stars.motion import BLOB
from pipeline.stars.tiles import TILES, tile_of
from pipeline.stars.transparency import Clearness, Sightings, clearness, rank_transparency

CLEAREST = 0.9  # quantile of a frame's places that tells how clear it is where no cloud stands
THICKEST = 0.05  # and how clear where cloud is thickest
# Of what the whole sky must let through: below it a place of a hazy frame is clouded. Even haze scatters.
EVEN = 0.95
SOFT = 1.15  # times the scene's star width: a wider frame does not say what is clear, its fluxes come out larger
COVERS = 3.0  # standard deviations of a blob of full pixels, within which no star is looked for
# Transparency above which a frame's cannot be: of 900 frames in focus of planted trips all read less but one in the
# brightest twilight (1.10); the stars are not those they are held against, or their fluxes are none.
CLEAREST_MOST = 1.05
# Of the clear frames' stars: an unlinked one that shows more of them looks at other stars, not through a cloud
OTHER_STARS = 0.5
RANKED = 5  # clear frames that an unlinked one is compared with
SATURATED_MOST = 2.0  # times full: from the flanks, a star's flux is right to 3 % up to there, 20 % low at ten times
DEEP_SHARE = 0.2  # of its sightings that are fuller than that: the star is left out altogether
NOISIER = 1.4  # times the clear frames' noise: beyond, fewer stars are found under a clear sky as well
# Change of clear air's natural logarithm over a scene from which on it is asked of the stars; by how many times as wide
# the frames in between the outermost fifths scatter with it given back, where it is not believed.
AIR_MATTERS, AIR_WORSE, MOST_FRAMES = 0.04, 1.5, (0.8, 0.2)
LONE_STARS = 0.5  # of a frame's stars that count as independent when they tell its clouded share
LEAST_SKY = 0.02  # of a frame that is taken to be open, where land seems to hide all
LAND_SHARE = 0.5  # of a part of the grid, from which on it counts as land


@dataclass(frozen=True)
class Sky:
    """What the stars of a scene tell of its sky: all sightings of them, and the land before it (None: not told)."""

    seen: Sightings
    outshone: NDArray[np.bool_]  # which of them are not found where light broader than stars stands
    factor: tuple[float, ...]  # by which each frame's fluxes are raised for what clear air takes, to the usual exposure
    land: Land | None
    light: tuple[float, ...] = ()  # what the same light makes in each frame, over what it makes in a usual one
    sensitivity: tuple[float, ...] = ()  # and in a second of each
    air: bool = False  # whether what clear air takes is in `factor`

    def above_land(self, frame: int, stars: NDArray[Any]) -> NDArray[Any]:
        """The stars of a frame's list without those that stand on land."""
        return stars if self.land is None else stars[~self.land.on[frame]]

    def on_land(self, frame: int, places: NDArray[np.float64], width: int, height: int) -> NDArray[np.bool_]:
        """Which places, (n, 2) px, of a frame of this size show land."""
        if self.land is None:
            return np.zeros(len(places), bool)
        return np.asarray(self.land.fine[(frame, *fine_cell(places[:, 0], places[:, 1], width, height))])

    def land_share(self, frame: int) -> NDArray[np.float64]:
        """Share of each part of the grid that is land in a frame."""
        return np.zeros(TILES) if self.land is None else self.land.tiles(frame)


def see_sky(
    frames: Sequence[Graded], tracks: Tracks, scene: ScenePlan, settings: JudgeSettings, site: Site | None
) -> Sky:
    """Gather every star in every frame, and tell the land."""
    kinds = settings_of(frames)
    stated = stated_shares(frames, kinds)
    levels = [float(np.median(json.loads(frame.row["tile_sky_adu"]))) for frame in frames]
    seen = _sightings(frames, tracks, [1 / s for s in stated])
    # what clear air takes is given back, so that a setting field does not read as cloud
    clear, each = _air(frames, scene, site, seen, settings)
    shares = stated
    if kinds.any():
        shares = shown_shares(
            stated, kinds, _times(seen, each), [level / s for level, s in zip(levels, stated, strict=True)]
        )
        seen = _sightings(frames, tracks, [1 / s for s in shares])
    seen = _times(seen, each)
    factor = tuple(c / share for c, share in zip(clear, shares, strict=True))
    row, look = frames[0].row, scene.look
    focal_px = None
    if look.pixel_scale_arcsec:
        focal_px = 1 / math.tan(math.radians(look.pixel_scale_arcsec / 3600))
    elif row["focal_mm"] and row["pixel_um"]:
        focal_px = 1000 * row["focal_mm"] / row["pixel_um"]
    begun = [parse(frame.plan.taken) for frame in frames]
    seconds = [None if b is None else b.timestamp() for b in begun]
    land = find_land(
        seen, seconds, row["width"], row["height"], focal_px, look.centre_dec_deg, [f.stars for f in frames]
    )
    outshone = np.isnan(seen.flux)
    for n, frame in enumerate(frames):
        here = np.flatnonzero(outshone & (seen.frame == n))
        outshone[here] = reaches(frame.row["broad_light"], seen.x[here], seen.y[here], row["width"], row["height"])
    sensitivity = tuple(sensitivities(frames, kinds, shares))
    return Sky(seen, outshone, factor, land, tuple(shares), sensitivity, any(c != 1.0 for c in clear))


def cloud_figures(
    figures: Sequence[Figures], frames: Sequence[Graded], sky: Sky, settings: JudgeSettings
) -> Clearness | None:
    """Fill in transparency and the clouded share of the sky, relative to the scene's clearest frames.

    Returns
    -------
    Clearness of every part, which the figures are of; None for a single frame
    """
    if len(frames) < 2:
        return None
    behind = sky.outshone if sky.land is None else sky.outshone | sky.land.behind
    usual = usual_width(in_focus(figures, settings)) or np.inf
    sharp = np.array([f.width_px is None or f.width_px <= SOFT * usual for f in figures])
    clear = clearness(sky.seen, len(frames), frames[0].row["width"], frames[0].row["height"], behind, sharp)
    linked = [n for n in range(len(frames)) if np.isfinite(clear.overall[n])]
    # a kick shares out the light of every star
    sound = [n for n in linked if sharp[n] and not figures[n].doubled and clear.overall[n] <= CLEAREST_MOST]
    best = sorted(sound or linked, key=lambda n: -clear.overall[n])[:RANKED]
    for n, f in enumerate(figures):
        if overexposed(f, settings):
            continue  # of a sky near saturation no star's light is left to measure
        if n in linked:
            if clear.overall[n] > CLEAREST_MOST:
                continue
            f.transparency = float(clear.overall[n])
            places = _places(clear, n, sky, frames[n])
            f.cloud_fraction, f.clear_limit = _clouded_share(places, settings)
            f.clear_least = float(np.quantile(places, THICKEST)) if len(places) else None
            f.cloud_error = _share_error(f.cloud_fraction, len(clear.deficit[n]) * LONE_STARS)
        elif best and f.stars is not None:
            reference = [sky.above_land(k, frames[k].stars)["flux"] * sky.factor[k] / clear.overall[k] for k in best]
            # as many of the brightest as of a sky as large: land hides the rest
            seen = [max(1 - float(sky.land_share(k).mean()), LEAST_SKY) for k in (n, *best)]
            own = sky.above_land(n, frames[n].stars)["flux"] * sky.factor[n]
            found = np.median([len(r) / s for r, s in zip(reference, seen[1:], strict=True)])
            if len(own) / seen[0] > OTHER_STARS * found:
                continue
            through = rank_transparency(own, reference, [s / seen[0] for s in seen[1:]])
            if through is not None and through > CLEAREST_MOST:
                continue
            f.transparency = through
            there = sky.land_share(n) < LAND_SHARE
            noise = [frames[k].row["noise_adu"] / sky.light[k] for k in (n, *best)]
            if noise[0] < NOISIER * float(np.median(noise[1:])):
                f.cloud_fraction = _bare_share(frames[n], [frames[k] for k in best], there)
                f.cloud_error = _share_error(f.cloud_fraction, float(there.sum()))
    return clear


def _places(clear: Clearness, n: int, sky: Sky, frame: Graded) -> NDArray[np.float64]:
    """Transparency of the places of a frame's open sky, of which it is known."""
    width, height = frame.row["width"], frame.row["height"]
    x, y = fine_grid(width, height)
    if sky.land is not None:
        there = ~sky.land.fine[n].ravel()
        x, y = x[there], y[there]
    places = clear.at(n, x, y, float(width * height))
    return places[np.isfinite(places)]


def _clouded_share(places: NDArray[np.float64], settings: JudgeSettings) -> tuple[float | None, float]:
    """Share of a frame's sky that is clouded, and the transparency below which that is.

    Cloud is uneven: it is told against the clearest places of the frame itself, so that haze over the whole field
    counts as cloud only where it is thicker than the frame as a whole may be.

    Parameters
    ----------
    places : of `_places`
    """
    if not len(places):
        return None, settings.clear_min
    clearest = min(float(np.quantile(places, CLEAREST)), 1.0)
    limit = max(settings.clear_min * clearest, EVEN * settings.transparency_min)
    return float(np.mean(places < limit)), limit


def _share_error(share: float | None, witnesses: float) -> float:
    """Standard deviation of a share that so many independent ones tell."""
    return 0.0 if share is None else math.sqrt(share * (1 - share) / max(witnesses, 1.0))


def _bare_share(frame: Graded, others: Sequence[Graded], sky: NDArray[np.bool_]) -> float | None:
    """Share of the parts that usually show stars and show less than a third of them."""
    usual_count = np.median([json.loads(o.row["tile_stars"]) for o in others], axis=0)
    there = (usual_count >= 3) & sky
    if not there.any():
        return None
    return float(np.mean((np.array(json.loads(frame.row["tile_stars"])) < usual_count / 3)[there]))


def _sightings(frames: Sequence[Graded], tracks: Tracks, factor: Sequence[float]) -> Sightings:
    columns: list[list[NDArray[Any]]] = [[] for _ in range(6)]
    deep_columns: list[NDArray[np.bool_]] = []
    for n, frame in enumerate(frames):
        rows = tracks.rows[n]
        there = rows >= 0
        flux = np.full(len(rows), np.nan)
        error = np.full(len(rows), np.nan)
        deep = np.zeros(len(rows), bool)
        stars = frame.stars[rows[there]]
        deep[there] = stars["saturated"] & ~(stars["peak"] < SATURATED_MOST * (frame.row["room_adu"] or 0.0))
        flux[there] = stars["flux"] * factor[n]
        error[there] = stars["flux_error"] * factor[n]
        error[~there] = _error_at(frame, tracks.x[n][~there], tracks.y[n][~there]) * factor[n]
        for column, values in zip(
            columns, (tracks.ids[n], np.full(len(rows), n), flux, error, tracks.x[n], tracks.y[n]), strict=True
        ):
            column.append(values)
        deep_columns.append(deep)
    star, number, flux, error, x, y = (np.concatenate(c) for c in columns)
    deep = np.concatenate(deep_columns)
    # a star that is measured only where cloud dims it would set its own measure
    times = np.maximum(np.bincount(star, np.isfinite(flux), minlength=tracks.number), 1)
    spoiled = np.bincount(star, deep, minlength=tracks.number) > DEEP_SHARE * times
    use = ~deep & ~spoiled[star]
    for n, frame in enumerate(frames):
        lost = np.flatnonzero((number == n) & np.isnan(flux))
        use[lost[_covered(frame.stars, x[lost], y[lost])]] = False
    return Sightings(star[use], number[use], flux[use], error[use], x[use], y[use])


def _covered(stars: NDArray[Any], x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which places lie under full pixels that no star is as large as: a star's glare, a crowd that ran together."""
    size = (stars["mxx"] + stars["myy"]) / 2
    plain = np.isfinite(size) & ~stars["saturated"]
    covered = np.zeros(len(x), bool)
    if not plain.any():
        return covered
    for blob in stars[stars["saturated"] & (size > BLOB * np.percentile(size[plain], 25))]:
        dx, dy = x - blob["x"], y - blob["y"]
        square = blob["myy"] * dx**2 - 2 * blob["mxy"] * dx * dy + blob["mxx"] * dy**2
        covered |= square < COVERS**2 * (blob["mxx"] * blob["myy"] - blob["mxy"] ** 2)
    return covered


def _error_at(frame: Graded, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Error of the flux that a faint star would have at a place: the frame's faint stars', by the sky's light."""
    if len(frame.stars) == 0 or len(x) == 0:
        return np.full(len(x), np.inf)
    faint = frame.stars[len(frame.stars) // 2 :]
    sky = np.maximum(np.array(json.loads(frame.row["tile_sky_adu"])), 1.0)
    rows, columns = tile_of(x, y, frame.row["width"], frame.row["height"])
    usual_sky = max(float(np.median(faint["background"])), 1.0)
    return float(np.median(faint["flux_error"])) * np.sqrt(np.maximum(sky[rows, columns] / usual_sky, 1.0))


def _air(
    frames: Sequence[Graded], scene: ScenePlan, site: Site | None, seen: Sightings, settings: JudgeSettings
) -> tuple[list[float], NDArray[np.float64]]:
    """By what the fluxes of each frame (a list) and of each sighting (n,) are raised for what clear air takes."""
    plans = [frame.plan for frame in frames]
    masses = paths(plans, scene, site, seen)
    if masses is not None:
        row = frames[0].row
        found, error = coefficient(seen, masses, row["width"], row["height"])
        each = 10 ** (0.4 * asked(found, error, settings.extinction) * masses)
        of_frame = [each[seen.frame == n] for n in range(len(frames))]
        if error < KNOWN:
            return [float(np.median(e)) if len(e) else float(np.median(each)) for e in of_frame], each
    air = [_airmass(plan, scene, site) for plan in plans]
    clear = [1.0 if a is None or None in air else 10 ** (0.4 * settings.extinction * a) for a in air]
    each = np.array(clear)[seen.frame]
    if not _air_is_seen(_times(seen, each), np.log(clear)):
        return [1.0] * len(frames), np.ones(len(seen.frame))
    return clear, each


def _times(seen: Sightings, by: NDArray[np.float64]) -> Sightings:
    """The sightings with their light raised."""
    return replace(seen, flux=seen.flux * by, error=seen.error * by)


def _air_is_seen(seen: Sightings, given_back: NDArray[np.float64]) -> bool:
    """Whether stars keep their light better with the air given back than without: by a clock or a longitude that is
    hours wrong a field that rises is taken for one that sets.

    Parameters
    ----------
    seen : with it; `given_back` (frames,) natural logarithms
    """
    if np.ptp(given_back) < AIR_MATTERS:
        return True
    found = np.flatnonzero(seen.flux > 0)
    star, frame, light = seen.star[found], seen.frame[found], np.log(seen.flux[found])
    usual = np.bincount(star, light) / np.maximum(np.bincount(star), 1)
    order = np.argsort(frame, kind="stable")
    bounds = np.searchsorted(frame[order], np.arange(1, len(given_back)))
    left = np.array([np.median(v) if len(v) else np.nan for v in np.split((light - usual[star])[order], bounds)])
    spreads = [np.subtract(*np.nanquantile(v, MOST_FRAMES)) for v in (left, left - given_back)]
    return bool(spreads[0] < AIR_WORSE * spreads[1] + AIR_MATTERS / 2)


def _airmass(frame: PlannedFrame, scene: ScenePlan, site: Site | None) -> float | None:
    look, moment = scene.look, parse(frame.taken) if frame.utc else None
    if site is None or site.latitude is None or site.longitude is None or moment is None:
        return None
    if look.centre_ra_deg is None or look.centre_dec_deg is None:
        return None
    altitude = altitude_deg(look.centre_ra_deg, look.centre_dec_deg, site.latitude, site.longitude, julian_date(moment))
    return airmass(altitude) if altitude > 3 else None
