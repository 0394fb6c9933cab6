"""judge: the grades of a scene to a verdict a frame, with reasons and the measured value against its limit.

python -m pipeline.judge --project DIR --scene SCENE.json --grades A.ecsv ... --stars A.stars.fits ... --out V.ecsv

or in two halves, so that a frame dropped or kept by hand has no frame compared again:

python -m pipeline.judge --project DIR --scene SCENE.json --grades A.ecsv ... --stars ... --as-measured --out M.ecsv
python -m pipeline.judge --project DIR --scene SCENE.json --measured M.ecsv --out V.ecsv
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.config import JudgeSettings, Site, load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import InputError
from pipeline.files import shown
from pipeline.judging.air import believed
from pipeline.judging.byhand import lay_by_hand, share_notes
from pipeline.judging.clouds import Sky, cloud_figures, see_sky
from pipeline.judging.course import event_values, scene_course
from pipeline.judging.focus import focus_course
from pipeline.judging.graded import Graded, exposure_shares, read_graded
from pipeline.judging.movement import doubled_figures, expected_motion, motion_figures, unsure_fluxes
from pipeline.judging.passing import passing_streaks, without_flashes, without_unlikely
from pipeline.judging.skylight import scene_gain, sky_figures
from pipeline.judging.tracks import follow
from pipeline.judging.verdicts import SHAPE_STARS, UNLIKE, Figures, Verdict, decide, fluxes_tell, of_dew, usual
from pipeline.judging.weather import frame_causes, weather
from pipeline.plan import ScenePlan, most_common, read_scene
from pipeline.stars.motion import learn_pattern, star_sized, usable
from pipeline.stars.transparency import Clearness
from pipeline.tables import read_table, rows_of, table_from_rows, write_table

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
    # electron / s where the photon transfer tells electrons per ADU; else ADU as the usual settings make of it
    "sky_e_s": (float, "adu / s"),
    "sensitivity": (float, None),  # what light makes in a second, over what it makes with the scene's usual settings
    "transparency": (float, None),
    "cloud_fraction": (float, None),
    "saturated_fraction": (float, None),
    "streaks": (int, None),
    "streak_list": (str, None),
    "balance_red": (float, None),
    "balance_blue": (float, None),
    "balance_stars": (int, None),
    "verdict": (str, None),
    "reasons": (str, None),
    "margin": (float, None),
    "detail": (str, None),
    "cause": (str, None),  # what befell the sky, of `weather.CAUSES`; empty: nothing
}


# Times the star width of the sharpest frame; kicks of a third of a degree at 24 mm widened stars from 2.5 to 8.3 px.
WIDE = 2.0
BLURRED = {"trailed", "out of focus"}  # stars of such frames are no points: they make lines


def judge_scene(
    frames: Sequence[Graded], scene: ScenePlan, settings: JudgeSettings, site: Site | None
) -> tuple[list[dict[str, Any]], list[str], list[dict[str, Any]]]:
    """Judge the frames of a scene by what they show; `judging.byhand` lays the lists by hand over it.

    Parameters
    ----------
    frames : in the order of time
    scene : its plan (what the look at its stars gave)

    Returns
    -------
    rows : values of `COLUMNS`, in the order given
    notes : sentences about the scene as a whole
    events : what befell its sky, as `course.event_values` gives it
    """
    figures = [_figures(frame) for frame in frames]
    site = believed(site, [frame.plan for frame in frames], scene.look)
    notes: list[str] = []
    alike = _mark_unlike(frames, figures)
    ours = [figures[n] for n in alike]
    compared = _compare([frames[n] for n in alike], ours, scene, settings, site, notes) if alike else None
    sensitivity = [1.0] * len(frames)
    if compared is not None:
        for n, by in zip(alike, compared.sky.sensitivity, strict=True):
            sensitivity[n] = by
    gain = scene_gain(frames, sensitivity)
    normal = usual(figures, settings)
    unsure_fluxes(figures, normal, settings)
    verdicts = [decide(f, normal, settings) for f in figures]
    if compared is not None:
        blurred = [not BLURRED.isdisjoint(verdicts[n].reasons) for n in alike]
        without_unlikely(ours, blurred, compared.sky, *(frames[alike[0]].row[side] for side in ("width", "height")))
    rows = [_row(*each, gain) for each in zip(frames, figures, verdicts, sensitivity, strict=True)]
    events = []
    if compared is not None:
        reasons = [rows[n]["reasons"].split("; ") for n in alike]
        notes += _focus_notes(compared, ours, reasons)
        tells = [fluxes_tell(figures[n], verdicts[n], normal) for n in range(len(frames))]
        course = scene_course(
            compared.frames, ours, reasons, compared.sky, compared.clear, site, [tells[n] for n in alike]
        )
        events = weather(course)
        for n, cause in zip(alike, frame_causes(events, len(alike)), strict=True):
            rows[n]["cause"] = cause
            if of_dew(rows[n]):
                rows[n]["detail"] = f"dew or fog on the lens: {rows[n]['detail']}"
            # dew widens stars and takes their light: of what it spoiled the loss is real
            if not (tells[n] or "dew" in cause.split("; ")):
                rows[n]["transparency"] = rows[n]["cloud_fraction"] = None
    return (
        rows,
        notes,
        event_values(events, [frame.plan.id for frame in compared.frames] if compared is not None else []),
    )


@dataclass(frozen=True)
class _Compared:
    """Frames side by side: without passing lights, with what was told of their sky and how clear it is."""

    frames: list[Graded]
    sky: Sky
    clear: Clearness | None


def _mark_unlike(frames: Sequence[Graded], figures: list[Figures]) -> list[int]:
    """Which of the sound frames have the size and pattern that most have; the others are marked."""
    forms = {n: (f.row["width"], f.row["height"], f.row["cfa"]) for n, f in enumerate(frames) if f.sound}
    if not forms:
        return []
    width, height, cfa = usual_form = most_common(list(forms.values()))
    for n, form in forms.items():
        if form != usual_form:
            figures[n].status = UNLIKE
            figures[n].detail = "is {} x {} px {}".format(*form) + (
                f"; the scene's frames are {width} x {height} px {cfa}"
            )
    return [n for n, form in forms.items() if form == usual_form]


def _compare(
    frames: list[Graded],
    figures: list[Figures],
    scene: ScenePlan,
    settings: JudgeSettings,
    site: Site | None,
    notes: list[str],
) -> _Compared:
    """Compare the frames with one another: motion, doubling, clouds and sky go into their figures."""
    width, height = frames[0].row["width"], frames[0].row["height"]
    passing_streaks(figures, frames)
    frames = [without_flashes(frame, f.streak_list) for frame, f in zip(frames, figures, strict=True)]
    frames = [replace(frame, stars=frame.stars[star_sized(frame.stars)]) for frame in frames]
    tracks = follow([frame.stars for frame in frames], width, height)
    sky = see_sky(frames, tracks, scene, settings, site)
    shapes = [usable(sky.above_land(n, frame.stars)) for n, frame in enumerate(frames)]
    median = expected_motion(frames, shapes, tracks, scene, settings, max(width, height), notes)
    expected = [median.times(share) for share in exposure_shares(frames)]
    motions = [sky_motion.at(s) for sky_motion, s in zip(expected, shapes, strict=True)]
    sharp = _sharp(frames)
    pattern = learn_pattern([shapes[n] for n in sharp], [motions[n] for n in sharp], width, height)
    motion_figures(figures, shapes, motions, pattern, expected, notes)
    doubled_figures(figures, frames)
    sky_figures(figures, frames, sky, settings)
    clear = cloud_figures(figures, frames, sky, settings)
    return _Compared(frames, sky, clear)


def _sharp(frames: Sequence[Graded]) -> list[int]:
    """Positions of the frames whose stars tell what the lens does to them: not those drawn twice by a kick, which of
    two or three frames may be most."""
    widths = [frame.row["fwhm_px"] or math.inf for frame in frames]
    return [n for n, width in enumerate(widths) if width <= WIDE * min(widths)]


def _row(frame: Graded, f: Figures, verdict: Verdict, sensitivity: float, gain: float | None) -> dict[str, Any]:
    """A row of the table of verdicts; `cause` is told later."""
    return {
        "frame": f.frame,
        "stars": f.stars,
        "fwhm_px": f.fwhm_px,
        "width_px": f.width_px,
        "motion_px": f.motion_px,
        "motion_angle_deg": f.motion_angle_deg,
        "motion_expected_px": f.motion_expected_px,
        "motion_excess_px": f.excess_px,
        "lens_ellipticity": f.lens_ellipticity,
        "sky_e_s": None if frame.row["sky_adu_s"] is None or f.sky is None else f.sky * (gain or 1.0),
        "sensitivity": sensitivity,
        "transparency": f.transparency,
        "cloud_fraction": f.cloud_fraction,
        "saturated_fraction": f.saturated_fraction,
        "streaks": f.streaks,
        "streak_list": json.dumps(f.streak_list) if frame.sound else None,
        **{key: frame.row.get(key) for key in ("balance_red", "balance_blue", "balance_stars")},
        "verdict": verdict.verdict,
        "reasons": "; ".join(verdict.reasons),
        "margin": verdict.margin,
        "detail": verdict.detail,
    }


def _focus_notes(compared: _Compared, figures: list[Figures], reasons: list[list[str]]) -> list[str]:
    """How the focus went over the scene. What a kick spoils is no focus."""
    told = [f.shape_stars >= SHAPE_STARS and "trailed" not in why for f, why in zip(figures, reasons, strict=True)]
    widths = [f.width_px if tells else None for f, tells in zip(figures, told, strict=True)]
    course = focus_course(widths, [frame.plan.shown for frame in compared.frames])
    return [course] if course else []


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


def _work(arguments: argparse.Namespace) -> None:
    trip = load_trip(arguments.project)
    scene = read_scene(arguments.scene)
    if arguments.measured is not None:
        _write(*_read_measured(arguments.measured), arguments.out, scene)
        return
    if not (arguments.grades and arguments.stars):
        raise InputError("give --grades and --stars, or --measured in their place")
    with Progress(arguments.project, "judge", scene.scene, 1, scene.scene):
        frames = read_graded(scene, arguments.grades, arguments.stars)
        rows, notes, events = judge_scene(frames, scene, trip.judge, trip.site)
        for note in notes:
            log.info("%s: %s", scene.scene, note)
        gain = scene_gain(frames, [row["sensitivity"] for row in rows])
        meta = {"notes": notes, "events": events, "electrons_per_adu": gain}
        _write(rows, meta, arguments.out, None if arguments.as_measured else scene)


def _read_measured(path: Path) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Verdicts that were given without the lists by hand, and the header of their table."""
    table = read_table(path)
    missing = [name for name in COLUMNS if name not in table.colnames]
    if missing:
        raise InputError(f"{shown(path)}: column {missing[0]!r} is missing; run judge again")
    return rows_of(table), dict(table.meta)


def _write(rows: list[dict[str, Any]], meta: dict[str, Any], path: Path, lists: ScenePlan | None) -> None:
    """Write the table of verdicts, the lists of a scene's plan laid over them where they are to be."""
    if lists is not None:
        rows = lay_by_hand(rows, lists.keep, lists.drop)
        said = share_notes(rows)
        for note in said:
            log.info("%s: %s", lists.scene, note)
        meta = meta | {"notes": [*meta.get("notes", []), *said]}
    in_electrons = meta.get("electrons_per_adu") is not None
    columns = {**COLUMNS, "sky_e_s": (float, "electron / s")} if in_electrons else COLUMNS
    write_table(table_from_rows(rows, columns, meta), path)


def main(argv: Sequence[str] | None = None) -> int:
    """Command line of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.judge", description=__doc__.splitlines()[0])
    project_argument(parser)
    parser.add_argument("--scene", type=Path, required=True, help="scene file of the plan")
    parser.add_argument("--grades", type=Path, nargs="+", default=[], help="tables of grades of its batches")
    parser.add_argument("--stars", type=Path, nargs="+", default=[], help="star lists of its batches")
    parser.add_argument(
        "--measured", type=Path, help="in place of both: the table that --as-measured wrote; the lists are laid over it"
    )
    parser.add_argument(
        "--as-measured", action="store_true", help="what the frames show alone, without the lists by hand (keep, drop)"
    )
    parser.add_argument("--out", type=Path, required=True, help="table of verdicts to write (ECSV)")
    return run_step("judge", parser, _work, argv)


if __name__ == "__main__":
    sys.exit(main())
