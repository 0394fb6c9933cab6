"""A scene's frames on one another: one camera, an attitude a frame, and which frames cannot be placed, and why."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.card.pointing import overlap_solved
from pipeline.config import RegisterSettings, Site
from pipeline.errors import SceneError
from pipeline.plan import ScenePlan
from pipeline.scene.starlists import figure, middle_of
from pipeline.sky import times
from pipeline.sky.adjust import Adjusted, adjust
from pipeline.sky.breathing import jumps
from pipeline.sky.colour import lateral_colour
from pipeline.sky.geometry import Geometry, Placement
from pipeline.sky.learned import learned
from pipeline.sky.photometry import flux_scale
from pipeline.sky.place import Placed, assumed_camera, place
from pipeline.sky.solve import solve
from pipeline.sky.table import FrameStars
from pipeline.sky.told import Known
from pipeline.sky.vignetting import Vignetting, measure_vignetting, response

Floats = NDArray[np.float64]
J2000 = 2451545.0  # Julian date from which the stars' times are counted (`starlists.read_stars`)

# A frame that shares less than this of the reference's picture shows another field.
OVERLAP_MIN = 0.3
# So does one that shares less than this with every frame before it: panels of a panorama overlap by a third to a half
# (common practice). A camera that stood still is not aimed anew, whatever time has passed.
LINKED, STOOD_STILL = 0.6, 0.9
# A frame is placed by at least this many stars; fewer agree by chance or leave its rotation loose.
STARS_MIN = 6
# A frame is badly placed where its stars miss their places by so many times what the scene's frames do (each against
# what its own stars let expect), and by enough to be seen: with a tenth of a pixel nothing is lost.
RELATIVE_MAX, RELATIVE_MIN_PX = 3.0, 0.3
# Weights in the choice of the reference: one tenth of lost light counts as 20 % of star size, the whole half of the
# sequence's length away from its middle as 15 %.
CLOUD_COST, MIDDLE_COST = 2.0, 0.15
CLEAR = 0.95


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
    pole = None if known is None else known.axes[2]
    placed = place(frames, width, height, focal_px, order=ranking, pole=pole)
    left_out = {ids[n]: why for n, why in placed.missing.items()}
    (group, reference, _), *others = pointings(frames, placed, ranking, pole if placed.solved else None)
    for mine, _, share in others:
        left_out.update({ids[n]: _elsewhere(share, len(mine)) for n in mine})
    geometry = _settle(plan, frames, group, reference, placed, left_out, settings, site)
    apart = sorted([*(mine for mine, _, _ in others), *placed.apart])
    return replace(geometry, elsewhere=tuple(tuple(ids[n] for n in mine) for mine in apart))


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
        scales = jumps([placed.scales.get(n) for n in group])
        result = adjust(
            mine, placed.camera, [attitudes[n] for n in group], ref, known=known, solved=placed.solved, scales=scales
        )
        bad = _unfit(mine, result, ref, settings)
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
    return replace(
        result,
        bundle=bundle,
        zeniths=None if result.zeniths is None else result.zeniths[keep],
        rms_px=result.rms_px[keep],
        matched=result.matched[keep],
        rows=[result.rows[n] for n in keep],
        scales=result.scales[keep],
    )


def _unfit(
    frames: Sequence[FrameStars], result: Adjusted, reference: int, settings: RegisterSettings
) -> dict[int, str]:
    """Frames whose stars do not lie where the fit has them, with a sentence each."""
    bad: dict[int, str] = {}
    # faint stars scatter more: what counts is a frame's scatter over that which its own stars let expect
    expected = np.array([_expected(stars, rows) for stars, rows in zip(frames, result.rows, strict=True)])
    ratio = result.rms_px / expected
    usual = float(np.nanmedian(ratio)) if np.isfinite(ratio).any() else np.nan
    for n, stars in enumerate(frames):
        if n == reference:
            continue
        count, rms = int(result.matched[n]), float(result.rms_px[n])
        if count < min(STARS_MIN, max(3, len(stars) // 2)):
            bad[n] = f"only {count} of its {len(stars)} stars are stars of the scene"
        elif rms > settings.rms_max_px:
            bad[n] = f"its stars miss their places by {rms:.2f} px (register.rms_max_px is {settings.rms_max_px:g})"
        elif rms > RELATIVE_MIN_PX and ratio[n] > RELATIVE_MAX * usual:
            bad[n] = (
                f"its stars miss their places by {rms:.2f} px, {ratio[n] / usual:.1f} times as far as those of the "
                "scene's other frames"
            )
    return bad


def _expected(stars: FrameStars, rows: NDArray[np.intp]) -> float:
    """Root mean square distance of a frame's matched stars by their own errors alone, weighted as `rms_px` is."""
    sigma = stars.sigma[rows >= 0]
    return float(np.sqrt(2 * len(sigma) / np.sum(1.0 / sigma**2))) if len(sigma) else np.nan


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
            scale=float(result.scales[n]),
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
    seconds = [f.seconds for f in frames]
    told = learned(geometry, result, seconds, reference, colours, known)
    lens = _vignetting(frames, result, geometry, known, site, told["mount"])
    if lens.refused is None:
        flat = [replace(f, flux=f.flux / response(lens.terms, lens.middle, geometry.camera, *f.xy.T)) for f in frames]
        for stars, (scale, _) in zip(flat, flux_scale(flat, result.rows, reference), strict=True):
            placements[stars.frame] = replace(placements[stars.frame], flux_scale_flat=scale)
        geometry = replace(geometry, frames=placements)
    return replace(geometry, learned={**told, "vignetting": lens.to_json(geometry.camera)})


def _vignetting(
    frames: Sequence[FrameStars],
    result: Adjusted,
    geometry: Geometry,
    known: Known | None,
    site: Site,
    mount: str | None,
) -> Vignetting:
    """The lens's fall-off as the scene's stars show it; the zenith by refraction, else by place and time."""
    zeniths = result.zeniths
    told = geometry.solved and known is not None and known.angle is not None
    told = told and not (result.doubt is not None and result.doubt.sure)
    if zeniths is None and told and site.latitude is not None and site.longitude is not None:
        moments = [f.seconds for f in frames if f.seconds is not None]
        if len(moments) == len(frames):
            days = [J2000 + seconds / 86400.0 for seconds in moments]
            zeniths = np.array([times.zenith(day, site.latitude, site.longitude) for day in days])
    altitudes = None
    if zeniths is not None:
        altitudes = [geometry.directions(f.frame, *f.xy.T) @ zenith for f, zenith in zip(frames, zeniths, strict=True)]
    return measure_vignetting(frames, result.rows, geometry.camera, altitudes, mount == "tracked")


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


def pointings(
    frames: Sequence[FrameStars], placed: Placed, ranking: Sequence[int], pole: Floats | None
) -> list[tuple[list[int], int, float]]:
    """Placed frames by the field they show, the scene's own first.

    A camera that was aimed anew shows another field, though a panorama's panels share a third or half of it: such
    frames averaged would make a picture with a seam. What drifts does so from frame to frame; of frames far apart in a
    long run those belong to the picture that show enough of its reference's field.

    Parameters
    ----------
    frames : stars of each frame, in order of time
    placed : first attitudes
    ranking : positions of frames, best first
    pole : (3,) the Earth's axis in the frame of the attitudes; None where frames have no times

    Returns
    -------
    list
        Of each field: positions of its frames, of the best of them, and the share of the scene's field that one shows.
    """
    camera = placed.camera
    turns = {n: Rotation.from_matrix(placed.attitudes[n]) for n in sorted(placed.attitudes)}

    def overlap(n: int, other: Rotation) -> float:
        return overlap_solved(camera, other, turns[n], camera.width, camera.height)

    def linked(n: int, other: int) -> bool:
        if overlap(n, turns[other]) >= LINKED:
            return True
        now, then = frames[n].seconds, frames[other].seconds
        if pole is None or now is None or then is None:
            return False
        stood = turns[other] * Rotation.from_rotvec(-times.SIDEREAL_RATE * (now - then) * pole)
        return overlap(n, stood) >= STOOD_STILL

    groups: list[tuple[list[int], int]] = []
    for piece in _pieces(list(turns), linked):
        waiting = piece
        while waiting:
            # the best frame of those that are left, and all that overlap with it
            best = next(n for n in ranking if n in waiting)
            mine = [n for n in waiting if n == best or overlap(n, turns[best]) >= OVERLAP_MIN]
            groups.append((mine, best))
            waiting = [n for n in waiting if n not in mine]
    groups.sort(key=lambda g: (-len(g[0]), ranking.index(g[1])))
    return [(mine, best, overlap(best, turns[groups[0][1]])) for mine, best in groups]


def _pieces(order: Sequence[int], linked: Callable[[int, int], bool]) -> list[list[int]]:
    """Frames in pieces within which each is linked to one before it: the last of a piece, its first or its middle."""
    pieces: list[list[int]] = []
    for n in order:
        # the piece of the frame before comes first
        for piece in sorted(pieces, key=lambda piece: -piece[-1]):
            if any(linked(n, k) for k in dict.fromkeys((piece[-1], piece[0], piece[len(piece) // 2]))):
                piece.append(n)
                break
        else:
            pieces.append([n])
    return pieces


def _elsewhere(share: float, count: int) -> str:
    beside = "" if count == 1 else " with one other" if count == 2 else f" with {count - 1} others"
    return f"shows {100 * share:.0f} % of the scene's field: it points elsewhere{beside}"


def rank(rows: Mapping[str, Mapping[str, Any]], lists: Mapping[str, FrameStars]) -> list[str]:
    """Ids of frames, the best reference first: sharp, clear, near the middle in time; last those that were kept by hand
    against their grade.

    Parameters
    ----------
    rows : figures of `verdicts.ecsv` by frame; `fwhm_px`, `transparency`, `cloud_fraction` and `margin` are used where
        they are
    lists : star lists in order of time
    """
    ids = list(lists)
    if not ids:
        return []
    sizes = np.array([figure(rows.get(i, {}), "fwhm_px") for i in ids])
    clear = np.array([figure(rows.get(i, {}), "transparency") for i in ids])
    counts = np.array([len(lists[i]) for i in ids], np.float64)
    size = np.where(np.isfinite(sizes), sizes, np.nan)
    typical = float(np.nanmedian(size)) if np.isfinite(size).any() else 1.0
    cost = np.where(np.isfinite(size), size / typical, 1.5)
    best_clear = float(np.nanmax(clear)) if np.isfinite(clear).any() else np.nan
    lost = np.where(np.isfinite(clear), np.maximum(0.0, CLEAR - clear / best_clear), 0.0)
    # the whole picture is brought to its light, clouded parts included
    cloud = np.nan_to_num(np.array([figure(rows.get(i, {}), "cloud_fraction") for i in ids]))
    few = np.maximum(0.0, 0.7 - counts / max(float(np.median(counts)), 1.0))
    away = np.abs(np.linspace(-1.0, 1.0, len(ids))) if len(ids) > 1 else np.zeros(1)
    cost = cost + CLOUD_COST * (lost + few + cloud) + MIDDLE_COST * away**2
    against = np.array([figure(rows.get(i, {}), "margin") < 0 for i in ids])
    return [ids[n] for n in np.lexsort((np.round(cost, 9), against))]


def _known(plan: ScenePlan, ids: Sequence[str], reference: int, site: Site) -> Known | None:
    """Date, place and the Earth's axis, as far as the frames and the trip file tell."""
    by_id = {f.id: f for f in plan.frames}
    frame = by_id.get(ids[reference])
    if frame is None:
        return None
    moment = middle_of(frame, site)
    if moment is None:
        return None
    jd, utc = moment
    latitude = None if site.latitude is None else float(np.radians(site.latitude))
    angle = local = None
    if site.longitude is not None and latitude is not None:
        angle = float(times.sidereal_angle(jd, site.longitude))
        angle, local = (angle, None) if utc else (None, angle)
    return Known(times.celestial_frame(jd), times.earth_velocity(jd), latitude, angle, local)
