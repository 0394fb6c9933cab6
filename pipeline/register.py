"""register: star lists of a scene's kept frames to one camera and one attitude a frame.

python -m pipeline.register --project DIR --scene SCENE.json --verdicts V.ecsv --stars A.stars.fits ... --out G.json

and, to carry positions by a geometry that is made already:

python -m pipeline.register --geometry G.json --from ID --to ID --xy X Y [--xy X Y ...]
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.config import RegisterSettings, Site, load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import InputError, SceneError
from pipeline.files import shown
from pipeline.plan import PlannedFrame, ScenePlan, read_scene
from pipeline.sky import times
from pipeline.sky.adjust import Adjusted, Known, adjust
from pipeline.sky.camera import Camera
from pipeline.sky.colour import Lateral, largest_shift, lateral_colour
from pipeline.sky.geometry import Geometry, Placement
from pipeline.sky.mount import mount_figures
from pipeline.sky.photometry import flux_scale
from pipeline.sky.place import Placed, assumed_camera, place
from pipeline.sky.solve import solve
from pipeline.sky.table import FrameStars, centroid_sigma
from pipeline.sky.wcs import constellation
from pipeline.stars.colours import NOT_MEASURED, OFFSET_DTYPE, PER_PIXEL
from pipeline.tables import read_table, row_values

Floats = NDArray[np.float64]

KEPT = "kept"
# A frame that shares less than this of the reference's picture shows another field.
OVERLAP_MIN = 0.3
# A frame is placed by at least this many stars; fewer agree by chance or leave its rotation loose.
STARS_MIN = 6
# Weights in the choice of the reference: one tenth of lost light counts as 20 % of star size, the whole half of the
# sequence's length away from its middle as 15 %.
CLOUD_COST, MIDDLE_COST = 2.0, 0.15
CLEAR = 0.95
WIDTH_GUESS_FWHM = 2.5
STAR_FIELDS = ("x", "y", "flux", "flux_error", "saturated")


def register(
    plan: ScenePlan,
    lists: Mapping[str, FrameStars],
    order: Sequence[str],
    width: int,
    height: int,
    focal_px: float | None,
    settings: RegisterSettings,
    site: Site,
) -> Geometry:
    """Place the frames of a scene.

    Parameters
    ----------
    plan : the scene
    lists : star lists of the kept frames by id, in order of time
    order : the same ids, best first, as `rank` gives them
    width, height : of the frames, pixels
    focal_px : focal length by Exif, pixels; None where unknown
    settings, site : of the trip file

    Raises
    ------
    SceneError
        No frame to place.
    """
    ids = list(lists)
    if not ids:
        raise SceneError(
            f"{plan.scene}: no frame of this scene was kept; see the reasons on its page, and 'keep' in trip.yaml"
        )
    frames = [lists[i] for i in ids]
    ranking = [ids.index(i) for i in order]
    known = _known(plan, ids, ranking[0], site)
    if len(frames) == 1:
        return _alone(frames[0], width, height, focal_px, known)
    placed = place(frames, width, height, focal_px, order=ranking, pole=None if known is None else known.axes[2])
    left_out = {ids[n]: why for n, why in placed.missing.items()}
    group, reference, elsewhere = _pointing(frames, placed, ranking)
    left_out.update({ids[n]: why for n, why in elsewhere.items()})
    return _settle(plan, frames, group, reference, placed, left_out, settings, site)


def _settle(
    plan: ScenePlan,
    frames: list[FrameStars],
    group: list[int],
    reference: int,
    placed: Placed,
    left_out: dict[str, str],
    settings: RegisterSettings,
    site: Site,
) -> Geometry:
    """Fit the frames of one pointing; frames that do not fit are left out, and the rest is fitted without them."""
    ids = [f.frame for f in frames]
    attitudes = placed.attitudes
    while True:
        mine = [frames[n] for n in group]
        ref = group.index(reference)
        known = _known(plan, [ids[n] for n in group], ref, site)
        result = adjust(mine, placed.camera, [attitudes[n] for n in group], ref, known=known, solved=placed.solved)
        bad = _unfit(mine, result, ref, placed.camera, settings)
        if not bad:
            break
        left_out.update({mine[n].frame: why for n, why in bad.items()})
        spoiled = len(bad) > 0.05 * len(group)
        group = [n for place_in, n in enumerate(group) if place_in not in bad]
        if not spoiled or len(group) < 2:
            # few enough not to have bent the fit: what they leave behind is used as it is
            result = _without(result, bad)
            break
    mine = [frames[n] for n in group]
    ref = group.index(reference)
    known = _known(plan, [ids[n] for n in group], ref, site)
    return _geometry(mine, result, ref, placed, left_out, known, site)


def _without(result: Adjusted, bad: Mapping[int, str]) -> Adjusted:
    keep = np.array([n for n in range(len(result.rms_px)) if n not in bad], np.intp)
    bundle = replace(result.bundle, attitudes=result.bundle.attitudes[keep])
    if bundle.air is not None:
        bundle = replace(bundle, air=replace(bundle.air, seconds=bundle.air.seconds[keep]))
    return Adjusted(
        bundle,
        None if result.zeniths is None else result.zeniths[keep],
        result.rms_px[keep],
        result.matched[keep],
        [result.rows[n] for n in keep],
        result.tied,
    )


def _unfit(
    frames: Sequence[FrameStars], result: Adjusted, reference: int, camera: Camera, settings: RegisterSettings
) -> dict[int, str]:
    """Frames whose stars do not lie where the fit has them, with a sentence each."""
    bad: dict[int, str] = {}
    for n, stars in enumerate(frames):
        if n == reference:
            continue
        count, rms = int(result.matched[n]), float(result.rms_px[n])
        if count < min(STARS_MIN, max(3, len(stars) // 2)):
            bad[n] = f"only {count} of its {len(stars)} stars are stars of the scene"
        elif rms > settings.rms_max_px:
            bad[n] = f"its stars miss their places by {rms:.2f} px (register.rms_max_px is {settings.rms_max_px:g})"
    return bad


def _geometry(
    frames: Sequence[FrameStars],
    result: Adjusted,
    reference: int,
    placed: Placed,
    left_out: Mapping[str, str],
    known: Known | None,
    site: Site,
) -> Geometry:
    bundle = result.bundle
    attitudes = bundle.attitudes
    scales = flux_scale(frames, result.rows, reference)
    colours = lateral_colour(frames, bundle.camera)
    placements = {}
    for n, stars in enumerate(frames):
        scale, error = scales[n]
        placements[stars.frame] = Placement(
            attitude=_quaternion(attitudes[n]),
            rms_px=float(result.rms_px[n]) if np.isfinite(result.rms_px[n]) else None,
            stars=int(result.matched[n]),
            flux_scale=scale,
            flux_scale_error=error,
            zenith=None if result.zeniths is None else result.zeniths[n],
            colour_shift=colours.shifts[n],
        )
    geometry = Geometry(
        reference=frames[reference].frame,
        solved=placed.solved,
        camera=bundle.camera,
        frames=placements,
        left_out=dict(left_out),
        strength=0.0 if bundle.air is None else bundle.air.strength,
        velocity=known.velocity if known is not None and placed.solved else np.zeros(3),
        lateral_colour=colours.terms,
    )
    learned: dict[str, Any] = {
        "stars_in_table": len(bundle.stars),
        "stars_in_catalogue": result.tied,
        "distortion_corner": _corner_distortion(bundle.camera),
        "lateral_colour": _colour_figures(colours),
        "refraction": None,
        "mount": None,
    }
    if bundle.air is not None:
        learned["refraction"] = {
            "latitude_deg": round(float(np.degrees(bundle.air.latitude)), 3),
            "sidereal_deg": round(float(np.degrees(bundle.air.angle) % 360.0), 3),
            "strength": round(bundle.air.strength, 4),
            "place": "site" if known is not None and known.latitude is not None else "stars",
        }
        learned["clock_error_min"] = _clock_error(bundle.air.angle, known, site)
    if placed.solved:
        learned.update(sky_figures(geometry))
        seconds = [f.seconds for f in frames]
        if known is not None and None not in seconds:
            at = np.array(seconds, np.float64) - float(seconds[reference] or 0.0)
            zenith = None if result.zeniths is None else result.zeniths[reference]
            learned.update(mount_figures(attitudes, at, known.axes, zenith))
    return replace(geometry, learned=learned)


def _colour_figures(colours: Lateral) -> dict[str, Any] | None:
    """What the lens and the air do to colours, pixels; None where no star told."""
    if not colours.stars:
        return None
    return {
        "corner_px": {c: round(colours.corner_px.get(c, 0.0), 3) for c in "RB"},
        "shift_px": {c: round(largest_shift(colours.shifts, c) or 0.0, 3) for c in "RB"},
        "scatter_px": None if colours.scatter_px is None else round(colours.scatter_px, 3),
        "offsets": colours.stars,
    }


def sky_figures(geometry: Geometry) -> dict[str, Any]:
    """What the reference shows: centre, constellation, scale, and where north is."""
    camera, ref = geometry.camera, geometry.reference
    x, y = (camera.width - 1) / 2, (camera.height - 1) / 2
    ra, dec = (float(a) for a in geometry.to_sky(ref, x, y))
    # position angle of the picture's up, from north through east
    a, d = (float(v) for v in geometry.to_sky(ref, x, y - 1.0))
    east, north = np.radians((a - ra + 180.0) % 360.0 - 180.0) * np.cos(np.radians(dec)), np.radians(d - dec)
    return {
        "centre_ra_deg": round(ra, 6),
        "centre_dec_deg": round(dec, 6),
        "rotation_deg": round(float(np.degrees(np.arctan2(east, north)) % 360.0), 4),
        "pixel_scale_arcsec": round(camera.scale_arcsec, 5),
        "constellation": constellation(ra, dec),
    }


def _clock_error(angle: float, known: Known | None, site: Site) -> float | None:
    """Minutes by which the camera's clock runs ahead of the sidereal time that refraction shows; None where unknown."""
    if known is None or known.angle is None:
        return None
    ahead = (known.angle - angle + np.pi) % (2 * np.pi) - np.pi
    return round(float(ahead / times.SIDEREAL_RATE / 60.0), 1)


def _corner_distortion(camera: Camera) -> float:
    """Relative displacement of the picture's corners by the lens (negative: barrel)."""
    x, y = camera.outline(2)
    u, v = camera.to_plane(x, y)
    plain = np.hypot(u, v) * camera.focal_px
    seen = np.hypot(x - camera.centre_x, y - camera.centre_y)
    return round(float(np.mean(seen / plain - 1.0)), 6)


def _quaternion(matrix: Floats) -> Floats:
    return np.asarray(Rotation.from_matrix(matrix).as_quat(canonical=True, scalar_first=True))


def _alone(stars: FrameStars, width: int, height: int, focal_px: float | None, known: Known | None) -> Geometry:
    """A scene of one frame: solved if it can be."""
    found = solve(stars.xy[:, 0], stars.xy[:, 1], stars.flux, width, height, focal_px)
    if found is None:
        only = Placement(np.array([1.0, 0.0, 0.0, 0.0]), flux_scale=1.0, flux_scale_error=0.0)
        return Geometry(stars.frame, False, assumed_camera(width, height, focal_px), {stars.frame: only})
    attitude = Rotation.from_quat(found.attitude, scalar_first=True).as_matrix()
    result = adjust([stars], found.camera, [attitude], 0, known=known, solved=True)
    return _geometry([stars], result, 0, Placed(found.camera, {0: attitude}, {}, True), {}, known, Site())


def _pointing(
    frames: Sequence[FrameStars], placed: Placed, ranking: Sequence[int]
) -> tuple[list[int], int, dict[int, str]]:
    """The frames that show one field, its best frame as reference, and a sentence for each frame that shows another."""
    waiting = sorted(placed.attitudes)
    plain = Geometry(
        frames[waiting[0]].frame,
        placed.solved,
        placed.camera,
        {frames[n].frame: Placement(_quaternion(placed.attitudes[n])) for n in waiting},
    )
    groups: list[tuple[int, list[int]]] = []
    while waiting:
        # the best frame of those that are left, and all that overlap with it
        best = next(n for n in ranking if n in waiting)
        mine = [n for n in waiting if plain.overlap(frames[n].frame, frames[best].frame, steps=12) >= OVERLAP_MIN]
        mine = mine if best in mine else sorted([best, *mine])
        groups.append((best, mine))
        waiting = [n for n in waiting if n not in mine]
    reference, group = max(groups, key=lambda g: (len(g[1]), -ranking.index(g[0])))
    elsewhere: dict[int, str] = {}
    for _, mine in groups:
        if mine is group:
            continue
        name = frames[mine[0]].frame if len(mine) == 1 else f"{frames[mine[0]].frame} to {frames[mine[-1]].frame}"
        count = "this one frame points" if len(mine) == 1 else f"{len(mine)} frames ({name}) point"
        them = "it" if len(mine) == 1 else "them"
        for n in mine:
            share = plain.overlap(frames[n].frame, frames[reference].frame, steps=12)
            elsewhere[n] = (
                f"shows {share:.0%} of the scene's field: {count} elsewhere; "
                f"name {them} under 'scenes' in trip.yaml to make a picture of {them}"
            )
    return group, reference, elsewhere


def rank(rows: Mapping[str, Mapping[str, Any]], lists: Mapping[str, FrameStars]) -> list[str]:
    """Ids of frames, the best reference first: sharp, clear, near the middle in time.

    Parameters
    ----------
    rows : figures of `verdicts.ecsv` by frame; `fwhm_px`, `motion_px`, `transparency`, `stars` are used where they are
    lists : star lists in order of time
    """
    ids = list(lists)
    if not ids:
        return []
    sizes = np.array([_number(rows.get(i, {}), "fwhm_px") for i in ids])
    clear = np.array([_number(rows.get(i, {}), "transparency") for i in ids])
    counts = np.array([len(lists[i]) for i in ids], np.float64)
    size = np.where(np.isfinite(sizes), sizes, np.nan)
    typical = float(np.nanmedian(size)) if np.isfinite(size).any() else 1.0
    cost = np.where(np.isfinite(size), size / typical, 1.5)
    best_clear = float(np.nanmax(clear)) if np.isfinite(clear).any() else np.nan
    lost = np.where(np.isfinite(clear), np.maximum(0.0, CLEAR - clear / best_clear), 0.0)
    few = np.maximum(0.0, 0.7 - counts / max(float(np.median(counts)), 1.0))
    away = np.abs(np.linspace(-1.0, 1.0, len(ids))) if len(ids) > 1 else np.zeros(1)
    cost = cost + CLOUD_COST * (lost + few) + MIDDLE_COST * away**2
    return [ids[n] for n in np.argsort(np.round(cost, 9), kind="stable")]


def _number(row: Mapping[str, Any], key: str) -> float:
    value = row.get(key)
    return float(value) if value is not None else np.nan


def _known(plan: ScenePlan, ids: Sequence[str], reference: int, site: Site) -> Known | None:
    """Date, place and the Earth's axis, as far as the frames and the trip file tell."""
    by_id = {f.id: f for f in plan.frames}
    frame = by_id.get(ids[reference])
    if frame is None:
        return None
    moment = _middle(frame, site)
    if moment is None:
        return None
    jd, utc = moment
    latitude = None if site.latitude is None else float(np.radians(site.latitude))
    angle = None
    if utc and site.longitude is not None and latitude is not None:
        angle = float(times.sidereal_angle(jd, site.longitude))
    return Known(times.celestial_frame(jd), times.earth_velocity(jd), latitude, angle)


def _middle(frame: PlannedFrame, site: Site) -> tuple[float, bool] | None:
    """Julian date of the middle of a frame's exposure, and whether it is UTC; None without a time."""
    moment = times.parse(frame.taken)
    if moment is None or not 1990 <= moment.year <= 2100:
        return None
    jd = times.julian_date(moment) + (frame.exposure_s or 0.0) / 2 / 86400.0
    if frame.utc:
        return jd, True
    if site.utc_offset_hours is not None:
        return jd - site.utc_offset_hours / 24.0, True
    return jd, False


def read_stars(
    paths: Sequence[Path], wanted: Sequence[PlannedFrame], rows: Mapping[str, Mapping[str, Any]], limit: int, site: Site
) -> dict[str, FrameStars]:
    """Star lists of the wanted frames, by id in order of time; a frame without stars has an empty list."""
    found: dict[str, NDArray[Any]] = {}
    names = {f.id for f in wanted}
    for path in paths:
        try:
            with fits.open(path, memmap=False) as hdus:
                data = hdus[1].data
                column = np.char.strip(np.asarray(data["frame"]).astype("U"))
                # lists of other programs may lack the colours
                fields = (*STAR_FIELDS, *(n for n in OFFSET_DTYPE.names or () if n in data.names))
                values = {name: np.asarray(data[name]) for name in fields}
        except (OSError, KeyError, IndexError) as error:
            raise InputError(f"{shown(path)}: is not a table of stars ({error}); run grade again") from error
        for name in np.unique(column):
            if str(name) in names:
                mine = column == name
                stars = np.empty(int(mine.sum()), [(f, "?" if f == "saturated" else "f8") for f in fields])
                for field in fields:
                    stars[field] = values[field][mine]
                found[str(name)] = stars
    lists: dict[str, FrameStars] = {}
    for frame in sorted(wanted, key=lambda f: (f.taken or "", f.id)):
        middle = _middle(frame, site)
        fwhm = _number(rows.get(frame.id, {}), "fwhm_px")
        lists[frame.id] = frame_stars(
            frame.id,
            found.get(frame.id),
            limit,
            fwhm if np.isfinite(fwhm) else WIDTH_GUESS_FWHM,
            None if middle is None else (middle[0] - 2451545.0) * 86400.0,
        )
    return lists


def frame_stars(
    frame: str, stars: NDArray[Any] | None, limit: int, fwhm_px: float, seconds: float | None
) -> FrameStars:
    """The brightest stars of a list (`STAR_FIELDS`, and `OFFSET_DTYPE`'s where measured), as the fit needs them."""
    if stars is None or not len(stars):
        empty = np.zeros(0)
        return FrameStars(frame, np.zeros((0, 2)), empty, empty, empty, np.zeros(0, bool), seconds)
    good = np.isfinite(stars["x"]) & np.isfinite(stars["y"]) & np.isfinite(stars["flux"]) & (stars["flux"] > 0)
    chosen = np.flatnonzero(good)
    chosen = chosen[np.argsort(-stars["flux"][chosen], kind="stable")][:limit]
    flux, error, full = (np.asarray(stars[k][chosen]) for k in ("flux", "flux_error", "saturated"))
    return FrameStars(
        frame,
        np.stack([stars["x"][chosen], stars["y"][chosen]], axis=1),
        flux,
        error,
        centroid_sigma(flux, error, fwhm_px, full),
        full.astype(bool),
        seconds,
        _offsets(stars[good]),
    )


def _offsets(stars: NDArray[Any]) -> Floats | None:
    """(k, 2, 5) of `FrameStars.offsets`, of the stars that have one."""
    names = OFFSET_DTYPE.names or ()
    if not set(names) <= set(stars.dtype.names or ()):
        return None
    values = np.stack([np.asarray(stars[name], np.float64) for name in names], axis=1)
    values = np.where(values == NOT_MEASURED, np.nan, values / PER_PIXEL).reshape(-1, 2, 3)
    places = np.stack([stars["x"], stars["y"]], axis=1)[:, None].repeat(2, axis=1)
    return np.concatenate([places, values], axis=2)[np.isfinite(values).any(axis=(1, 2))]


def _sizes(
    rows: Mapping[str, Mapping[str, Any]], stars: Sequence[Path], lists: Mapping[str, FrameStars]
) -> tuple[dict[str, tuple[int, int]], float | None]:
    """Width and height of frames by id, and the pixel pitch (um): from the grades that lie beside the star lists.

    A frame of which nothing is told has the size of the others, or that which its stars span.
    """
    figures: dict[str, dict[str, Any]] = {i: dict(rows.get(i, {})) for i in lists}
    for path in stars:
        grades = path.with_name(path.name.removesuffix(".stars.fits") + ".ecsv")
        if path.name.endswith(".stars.fits") and grades.is_file():
            table = read_table(grades)
            names = [n for n in ("width", "height", "pixel_um") if n in table.colnames]
            for row in table:
                if str(row["frame"]) in figures:
                    figures[str(row["frame"])].update(row_values(row, names))
    sizes = {i: (int(f["width"]), int(f["height"])) for i, f in figures.items() if f.get("width") and f.get("height")}
    pitch = next((float(f["pixel_um"]) for f in figures.values() if f.get("pixel_um")), None)
    if not sizes:
        spans = [s.xy.max(axis=0) for s in lists.values() if len(s)] or [np.zeros(2)]
        width, height = np.max(spans, axis=0)
        sizes = {i: (int(width) + 2, int(height) + 2) for i in lists}
    common = Counter(sizes.values()).most_common(1)[0][0] if sizes else (1, 1)
    return {i: sizes.get(i, common) for i in lists}, pitch


def _focal_px(frame: PlannedFrame, pitch_um: float | None, width: int) -> float | None:
    """Focal length in pixels by Exif; a sensor of unknown pitch is taken for 36 mm wide (others are tried after it)."""
    if not frame.focal_mm or frame.focal_mm <= 0:
        return None
    return frame.focal_mm * 1e3 / pitch_um if pitch_um else frame.focal_mm / 36.0 * width


def _work(arguments: argparse.Namespace) -> None:
    if arguments.geometry is not None:
        _carry(arguments)
        return
    missing = [f"--{k}" for k in ("scene", "verdicts", "stars", "out") if not getattr(arguments, k)]
    if missing:
        raise InputError(f"{', '.join(missing)} must be given (or --geometry to carry positions); see --help")
    trip = load_trip(arguments.project)
    settings = trip.register_
    plan = read_scene(arguments.scene)
    table = read_table(arguments.verdicts)
    rows = {str(row["frame"]): row_values(row, table.colnames) for row in table}
    kept = [f for f in plan.frames if rows.get(f.id, {}).get("verdict") == KEPT]
    with Progress(arguments.project, "register", plan.scene, len(kept), plan.scene) as progress:
        lists = read_stars(arguments.stars, kept, rows, settings.stars, trip.site)
        sizes, pitch = _sizes(rows, arguments.stars, lists)
        width, height = Counter(sizes.values()).most_common(1)[0][0] if sizes else (1, 1)
        other = {
            i: f"is {w} x {h} px; the scene's frames are {width} x {height}"
            for i, (w, h) in sizes.items()
            if (w, h) != (width, height)
        }
        lists = {i: stars for i, stars in lists.items() if i not in other}
        order = rank(rows, lists)
        by_id = {f.id: f for f in plan.frames}
        focal = _focal_px(by_id[order[0]], pitch, width) if order else None
        geometry = register(plan, lists, order, width, height, focal, settings, trip.site)
        geometry = replace(geometry, left_out={**geometry.left_out, **other})
        for frame, why in geometry.left_out.items():
            log.info("%s: not registered: %s", by_id[frame].shown, why)
        rms = [p.rms_px for p in geometry.frames.values() if p.rms_px is not None]
        log.info(
            "%d of %d frames placed, %s, %s px rms",
            len(geometry.frames),
            len(kept),
            "found on the sky" if geometry.solved else "not found on the sky, matched to one another",
            f"{np.median(rms):.3f}" if rms else "no",
        )
        geometry.save(arguments.out)
        progress.advance(len(kept))


def _carry(arguments: argparse.Namespace) -> None:
    """Print positions of one frame in another, or on the sky."""
    geometry = Geometry.load(arguments.geometry)
    if not arguments.xy:
        raise InputError("--xy X Y must be given with --geometry, as often as there are positions")
    x, y = np.array(arguments.xy, np.float64).T
    source = arguments.source or geometry.reference
    target = arguments.target or geometry.reference
    if target == "sky":
        values, digits = geometry.to_sky(source, x, y), 7
    else:
        values, digits = geometry.positions(target, geometry.directions(source, x, y)), 4
    for a, b in zip(*values, strict=True):
        print(f"{a:.{digits}f} {b:.{digits}f}")


def main(argv: Sequence[str] | None = None) -> int:
    """Command line of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.register", description=(__doc__ or "").splitlines()[0])
    project_argument(parser)
    parser.add_argument("--scene", type=Path, help="scene file of the plan")
    parser.add_argument("--verdicts", type=Path, help="verdicts of the scene's frames (ECSV)")
    parser.add_argument("--stars", type=Path, nargs="+", default=[], help="star lists of its batches (FITS)")
    parser.add_argument("--out", type=Path, help="geometry to write (JSON)")
    carry = parser.add_argument_group("carrying positions")
    carry.add_argument("--geometry", type=Path, help="a geometry that is made already")
    carry.add_argument("--from", dest="source", metavar="ID", help="frame the positions are of (the reference)")
    carry.add_argument(
        "--to",
        dest="target",
        metavar="ID",
        help="frame they are wanted in (the reference), or 'sky' (RA, Dec in degrees)",
    )
    carry.add_argument("--xy", type=float, nargs=2, action="append", metavar=("X", "Y"), help="a position, px")
    return run_step("register", parser, _work, argv)


if __name__ == "__main__":
    sys.exit(main())
