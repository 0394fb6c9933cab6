"""judge: the grades of a scene to a verdict a frame, with reasons and the measured value against its limit.

python -m pipeline.judge --project DIR --scene SCENE.json --grades A.ecsv ... --stars A.stars.fits ... --out V.ecsv
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from pipeline.config import JudgeSettings, Site, load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import InputError
from pipeline.grade import tile_of
from pipeline.plan import PlannedFrame, ScenePlan, read_scene
from pipeline.sky.motion import airmass, altitude_deg, trail_px
from pipeline.sky.times import julian_date, parse
from pipeline.stars.measure import STAR_DTYPE
from pipeline.stars.motion import FrameShape, LensPattern, Shapes, frame_shape, learn_pattern, usable, visible_excess
from pipeline.stars.transparency import Clearness, Sightings, clearness, rank_transparency
from pipeline.tables import read_table, row_values, table_from_rows, write_table
from pipeline.tracks import Tracks, drift, drift_at, follow
from pipeline.verdicts import SHAPE_STARS, SMALL_SCENE, Figures, decide, focus_course, usual

COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "stars": (int, None),
    "fwhm_px": (float, "pix"),
    "width_px": (float, "pix"),
    "motion_px": (float, "pix"),
    "motion_angle_deg": (float, "deg"),
    "motion_expected_px": (float, "pix"),
    "motion_excess_px": (float, "pix"),
    "lens_ellipticity": (float, None),
    "sky_e_s": (float, "adu / s"),
    "transparency": (float, None),
    "cloud_fraction": (float, None),
    "saturated_fraction": (float, None),
    "streaks": (int, None),
    "streak_list": (str, None),
    "verdict": (str, None),
    "reasons": (str, None),
    "margin": (float, None),
    "detail": (str, None),
}

STILL_SHARE = 0.3  # of the equator's rate: a field that moves so fast on average is not tracked (its pole apart)
STEADY = 0.3  # spread of the drift from step to step over its length, of a camera that stands still
BASE_SHARE = (
    0.5  # of the frames, the least drawn out, say what is usual: all of them sound if no more than half are bad
)
PITCH_MAX_UM = 12.0  # no sensor in use behind a lens has larger pixels, so the sky moves over it at least so fast
BASE_MAX = 1.3  # star widths; a usual motion longer than that is nothing to get used to
BASE_FEWEST = 3
PERSISTENT = 3  # frames with a streak in the same place: it belongs to the ground
SAME_LINE = 15.0  # px
RANKED = 5  # clear frames that an unlinked one is compared with
GRADE_FIGURES = (
    "status",
    "detail",
    "width",
    "height",
    "exposure_s",
    "focal_mm",
    "pixel_um",
    "stars",
    "fwhm_px",
    "sky_adu",
    "sky_adu_s",
    "noise_adu",
    "room_adu",
    "saturated_fraction",
    "streaks",
    "streak_list",
    "double_px",
    "double_angle_deg",
    "tile_stars",
    "tile_sky_adu",
)


@dataclass(frozen=True)
class Graded:
    """One frame of the scene: its plan, its grade row, its stars."""

    plan: PlannedFrame
    row: Mapping[str, Any]
    stars: NDArray[Any]

    @property
    def sound(self) -> bool:
        """Whether there is anything to judge by."""
        return self.row["status"] == "ok"


@dataclass(frozen=True)
class Expected:
    """The motion that a camera standing still would see: `at(x, y)` px, or a length alone; both None if tracked."""

    length: float | None
    field: NDArray[np.float64] | None = None  # of `drift_at`, px a second times the exposure
    extent: float = 1.0

    def at(self, shapes: Shapes) -> NDArray[np.float64] | None:
        """(n, 2) motion of each star, where its direction is known."""
        return None if self.field is None else drift_at(self.field, shapes.x, shapes.y, self.extent)


def judge_scene(
    frames: Sequence[Graded], scene: ScenePlan, settings: JudgeSettings, site: Site | None = None
) -> tuple[list[dict[str, Any]], list[str]]:
    """Judge the frames of a scene.

    Parameters
    ----------
    frames : in the order of time
    scene : its plan (what the look at its stars gave, the lists by hand)

    Returns
    -------
    rows : values of `COLUMNS`, in the order given
    notes : sentences about the scene as a whole
    """
    figures = [_figures(frame) for frame in frames]
    notes: list[str] = []
    sound = [n for n, frame in enumerate(frames) if frame.sound]
    if sound:
        width, height = (_common([frames[n].row[key] for n in sound]) for key in ("width", "height"))
        # a frame of another size cannot be compared; register says so
        alike = [n for n in sound if (frames[n].row["width"], frames[n].row["height"]) == (width, height)]
        chosen = [frames[n] for n in alike]
        tracks = follow([frame.stars for frame in chosen], width, height)
        shapes = [usable(frame.stars) for frame in chosen]
        expected = _expected(chosen, tracks, scene, settings, max(width, height), notes)
        motions = [expected.at(s) for s in shapes]
        pattern = learn_pattern(shapes, motions, width, height)
        _motion_figures([figures[n] for n in alike], shapes, motions, pattern, expected, notes)
        _doubled_figures([figures[n] for n in alike], chosen)
        _cloud_figures([figures[n] for n in alike], chosen, tracks, scene, settings, site)
        _glare_figures([figures[n] for n in alike], chosen, settings)
        _passing_streaks([figures[n] for n in alike], chosen)
        names = [frame.plan.shown for frame in chosen]
        course = focus_course(
            [figures[n].width_px if figures[n].shape_stars >= SHAPE_STARS else None for n in alike], names
        )
        if course:
            notes.append(course)
    normal = usual(figures)
    rows = []
    for frame, f in zip(frames, figures, strict=True):
        verdict = decide(f, normal, settings, keep=f.frame in scene.keep, drop=f.frame in scene.drop)
        rows.append(
            {
                "frame": f.frame,
                "stars": f.stars,
                "fwhm_px": f.fwhm_px,
                "width_px": f.width_px,
                "motion_px": f.motion_px,
                "motion_angle_deg": f.motion_angle_deg,
                "motion_expected_px": f.motion_expected_px,
                "motion_excess_px": f.excess_px,
                "lens_ellipticity": f.lens_ellipticity,
                "sky_e_s": frame.row["sky_adu_s"],
                "transparency": f.transparency,
                "cloud_fraction": f.cloud_fraction,
                "saturated_fraction": f.saturated_fraction,
                "streaks": f.streaks,
                "streak_list": json.dumps(f.streak_list) if frame.sound else None,
                "verdict": verdict.verdict,
                "reasons": "; ".join(verdict.reasons),
                "margin": verdict.margin,
                "detail": verdict.detail,
            }
        )
    set_aside = sum(row["verdict"] == "set aside" for row in rows)
    if len(rows) >= SMALL_SCENE and set_aside == len(rows):
        notes.append(f"All {len(rows)} frames are set aside; their reasons stand in the table.")
    elif set_aside > len(rows) / 2:
        notes.append(
            f"{set_aside} of {len(rows)} frames are set aside: what is usual is taken from the better quarter."
        )
    return rows, notes


def _common(values: Sequence[Any]) -> Any:
    return max(sorted(set(values)), key=list(values).count)


def _figures(frame: Graded) -> Figures:
    row = frame.row
    sky = row["sky_adu_s"] if row["sky_adu_s"] is not None else row["sky_adu"]
    names = ("stars", "fwhm_px", "sky_adu", "noise_adu", "room_adu", "saturated_fraction", "streaks")
    return Figures(
        frame=frame.plan.id,
        status=row["status"] or "unreadable",
        detail=row["detail"] or "",
        sky=sky,
        **{name: row[name] for name in names},
    )


def _expected(
    frames: Sequence[Graded],
    tracks: Tracks,
    scene: ScenePlan,
    settings: JudgeSettings,
    extent: int,
    notes: list[str],
) -> Expected:
    """What the turning of the sky does during an exposure.

    Best of all the drift between the frames says it, direction and all; where frames cannot be laid on one another,
    scale and declination do; else focal length and pixel size, for stars at the equator (the longest trails).
    """
    first = frames[0].row
    exposures = [f.row["exposure_s"] or f.plan.exposure_s for f in frames]
    known = [e for e in exposures if e]
    exposure = float(np.median(known)) if known else None
    look = scene.look
    ceiling = None
    if exposure is not None:
        if look.pixel_scale_arcsec:
            ceiling = trail_px(exposure_s=exposure, scale_arcsec=look.pixel_scale_arcsec)
        elif first["focal_mm"] and first["pixel_um"]:
            ceiling = trail_px(1000 * first["focal_mm"] / first["pixel_um"], exposure)
    begun = [parse(f.plan.taken) for f in frames]
    times = [None if b is None else (b - datetime(2000, 1, 1, tzinfo=b.tzinfo)).total_seconds() for b in begun]
    # the least that a camera standing still shows of stars at the equator
    floor = ceiling
    if floor is None and exposure is not None and first["focal_mm"]:
        floor = trail_px(1000 * first["focal_mm"] / PITCH_MAX_UM, exposure)
    moved = drift(tracks, times, float(extent))
    still, measured = False, None
    if moved is not None and exposure is not None:
        measured, spread = moved
        grid = np.linspace(0.1, 0.9, 5) * extent
        across, down = (a.ravel() for a in np.meshgrid(grid, grid))
        rate = float(np.hypot(*drift_at(measured, across, down, extent).T).mean())
        # a mount that tracks, or one moved about between frames, has no steady drift near the sky's rate
        enough = floor is None or rate * exposure > STILL_SHARE * floor
        near = ceiling is None or rate * exposure < 2 * ceiling
        still = enough and near and spread < STEADY
    if look.tracked is not None and moved is None:
        still = not look.tracked
    if settings.mount == "tripod":
        still = True
    elif settings.mount == "tracker" and still:
        notes.append(
            "The stars drift at the rate of the sky: the camera stood still where a tracker was meant. "
            "The frames are judged as from a tripod."
        )
    if look.tracked and settings.mount != "tripod" and not still:
        return Expected(0.0)
    if not still:
        known_mount = settings.mount == "tracker" or moved is not None
        if known_mount:
            return Expected(0.0)
        # nothing tells: the sky may explain as much as it can
        return Expected(_at_declination(ceiling, look.centre_dec_deg))
    if measured is not None and exposure is not None and moved is not None and moved[1] < STEADY:
        middle = float(np.hypot(*drift_at(measured * exposure, *_middle(frames), extent)[0]))
        return Expected(middle, measured * exposure, float(extent))
    return Expected(_at_declination(ceiling, look.centre_dec_deg))


def _middle(frames: Sequence[Graded]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    row = frames[0].row
    return np.array([(row["width"] - 1) / 2]), np.array([(row["height"] - 1) / 2])


def _at_declination(equator: float | None, declination_deg: float | None) -> float | None:
    if equator is None or declination_deg is None:
        return equator
    return equator * math.cos(math.radians(declination_deg))


def _motion_figures(
    figures: Sequence[Figures],
    shapes: Sequence[Shapes],
    motions: Sequence[NDArray[np.float64] | None],
    pattern: LensPattern,
    expected: Expected,
    notes: list[str],
) -> None:
    """Fill in sizes and motions; what the steadiest frames share is the scene's usual, and no frame's fault."""
    known = [[] if m is None else [m] for m in motions]
    parts = [frame_shape(s, pattern, k) for s, k in zip(shapes, known, strict=True)]
    usual_part = _usual_motion(parts, expected)
    sizes = [part.size for part in parts if part is not None and part.stars >= SHAPE_STARS]
    usual_size = float(np.quantile(sizes, 0.5)) if sizes else None
    for f, s, k, part in zip(figures, shapes, known, parts, strict=True):
        f.motion_expected_px = expected.length
        if part is None:
            continue
        f.shape_stars = part.stars
        f.width_px, f.lens_ellipticity = part.fwhm_px, part.lens_ellipticity
        f.motion_px, f.motion_angle_deg = part.length, part.angle_deg
        f.excess_px = part.extra
        explained = list(k)
        if usual_part is not None:
            explained.append(np.broadcast_to(usual_part, (len(s.x), 2)))
            again = frame_shape(s, pattern, explained)
            f.excess_px = min(f.excess_px, part.extra if again is None else again.extra)
            part = part if again is None else again
        elif not k and expected.length:
            # length known, direction not: the sky explains what is no longer than its trail; squares add up
            f.excess_px = math.sqrt(max(part.length**2 - expected.length**2, 0.0))
        if explained and usual_size is not None:
            f.excess_px = min(f.excess_px, visible_excess(part, usual_size))
    if usual_part is not None and expected.field is None:
        length = float(np.hypot(*usual_part))
        widths = [part.fwhm_px for part in parts if part is not None]
        if length > 0.5 * float(np.median(widths)) and not expected.length:
            notes.append(
                f"Even the steadiest frames show stars drawn out by {length:.1f} px in one direction; "
                "only what exceeds that is held against a frame."
            )


def _doubled_figures(figures: Sequence[Figures], frames: Sequence[Graded]) -> None:
    """A star drawn twice is two round stars to the shapes; their common separation is the motion."""
    for f, frame in zip(figures, frames, strict=True):
        length = frame.row["double_px"]
        if length is not None:
            f.motion_px, f.motion_angle_deg = length, frame.row["double_angle_deg"]
            f.excess_px = length


def _usual_motion(parts: Sequence[FrameShape | None], expected: Expected) -> NDArray[np.float64] | None:
    """The motion that the least drawn-out frames share beyond the expected, px; None where that says nothing."""
    good = sorted((p for p in parts if p is not None and p.stars >= SHAPE_STARS), key=lambda p: p.extra)
    if len(good) < SMALL_SCENE:
        return None
    base = good[: max(BASE_FEWEST, round(BASE_SHARE * len(good)))]
    q = np.median(
        [
            [
                p.extra**2 * math.cos(2 * math.radians(p.extra_angle_deg)),
                p.extra**2 * math.sin(2 * math.radians(p.extra_angle_deg)),
            ]
            for p in base
        ],
        axis=0,
    )
    length = math.sqrt(math.hypot(*q))
    width = float(np.median([p.fwhm_px for p in base]))
    allowed = BASE_MAX * width
    if expected.field is None and expected.length:
        allowed = max(allowed, 1.15 * expected.length)
    if length > allowed:
        return None
    angle = 0.5 * math.atan2(q[1], q[0])
    return length * np.array([math.cos(angle), math.sin(angle)])


def _cloud_figures(
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


def _passing_streaks(figures: Sequence[Figures], frames: Sequence[Graded]) -> None:
    """Leave out streaks that lie in the same place in several frames: edges of the foreground, defects."""
    lists = [json.loads(frame.row["streak_list"] or "[]") for frame in frames]
    places = [np.array([[s["x1"], s["y1"], s["x2"], s["y2"]] for s in found]).reshape(-1, 4) for found in lists]
    for f, found, here in zip(figures, lists, places, strict=True):
        again = np.array([sum(_same_line(line, other) for other in places) for line in here])
        f.streak_list = [s for s, times in zip(found, again, strict=True) if times < PERSISTENT]
        f.streaks = len(f.streak_list)


def _same_line(line: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Whether both ends of a line lie within `SAME_LINE` px of the lines through any of the others."""
    direction = others[:, 2:] - others[:, :2]
    length = np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-9)
    off = [
        np.abs((line[k] - others[:, 0]) * direction[:, 1] - (line[k + 1] - others[:, 1]) * direction[:, 0]) / length
        for k in (0, 2)
    ]
    return bool(((off[0] < SAME_LINE) & (off[1] < SAME_LINE)).any())


def _glare_figures(figures: Sequence[Figures], frames: Sequence[Graded], settings: JudgeSettings) -> None:
    """Fill in the share of the field whose sky is far above the scene's in the same part."""
    if len(frames) < SMALL_SCENE:
        return
    skies = np.array([json.loads(frame.row["tile_sky_adu"]) for frame in frames])
    noise = float(np.median([frame.row["noise_adu"] for frame in frames]))
    reference = np.maximum(np.quantile(skies, 0.25, axis=0), noise)
    for f, sky in zip(figures, skies, strict=True):
        f.glare = float(np.mean(sky > settings.sky_max * reference))


def read_graded(scene: ScenePlan, grades: Sequence[Path], stars: Sequence[Path]) -> list[Graded]:
    """The frames of a scene with their grades and stars, in the order of time.

    Raises
    ------
    InputError
        Where the tables lack a column.
    """
    rows: dict[str, dict[str, Any]] = {}
    for path in grades:
        table = read_table(path)
        missing = [name for name in ("frame", *GRADE_FIGURES) if name not in table.colnames]
        if missing:
            raise InputError(f"{path.name}: column {missing[0]!r} is missing; run grade again")
        rows.update({str(row["frame"]): row_values(row, GRADE_FIGURES) for row in table})
    lists: dict[str, NDArray[Any]] = {}
    for path in stars:
        table = Table.read(path, format="fits")
        ids = np.char.strip(np.asarray(table["frame"]).astype(str)) if len(table) else np.empty(0, str)
        found = np.zeros(len(table), STAR_DTYPE)
        for name in STAR_DTYPE.names or ():
            if name not in table.colnames:
                raise InputError(f"{path.name}: column {name!r} is missing; run grade again")
            found[name] = np.asarray(table[name])
        lists.update({str(i): found[ids == i] for i in np.unique(ids)})
    absent = dict.fromkeys(GRADE_FIGURES) | {"status": "unreadable", "detail": "was not graded"}
    frames = [
        Graded(frame, rows.get(frame.id, absent), lists.get(frame.id, np.zeros(0, STAR_DTYPE)))
        for frame in scene.frames
    ]
    return sorted(frames, key=lambda f: (f.plan.taken or "", f.plan.id))


def _work(arguments: argparse.Namespace) -> None:
    trip = load_trip(arguments.project)
    scene = read_scene(arguments.scene)
    with Progress(arguments.project, "judge", scene.scene, 1, scene.scene):
        frames = read_graded(scene, arguments.grades, arguments.stars)
        rows, notes = judge_scene(frames, scene, trip.judge, trip.site)
        for note in notes:
            log.info("%s: %s", scene.scene, note)
        write_table(table_from_rows(rows, COLUMNS, {"notes": notes}), arguments.out)


def main(argv: Sequence[str] | None = None) -> int:
    """Command line of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.judge", description=__doc__.splitlines()[0])
    project_argument(parser)
    parser.add_argument("--scene", type=Path, required=True, help="scene file of the plan")
    parser.add_argument("--grades", type=Path, nargs="+", required=True, help="tables of grades of its batches")
    parser.add_argument("--stars", type=Path, nargs="+", required=True, help="star lists of its batches")
    parser.add_argument("--out", type=Path, required=True, help="table of verdicts to write (ECSV)")
    return run_step("judge", parser, _work, argv)


if __name__ == "__main__":
    sys.exit(main())
