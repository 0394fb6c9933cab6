"""judge: the grades of a scene to a verdict a frame, with reasons and the measured value against its limit.

python -m pipeline.judge --project DIR --scene SCENE.json --grades A.ecsv ... --stars A.stars.fits ... --out V.ecsv
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.config import JudgeSettings, Site, load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.judging.clouds import cloud_figures, see_sky
from pipeline.judging.course import event_values, scene_course
from pipeline.judging.focus import focus_course
from pipeline.judging.graded import Graded, exposure_shares, read_graded
from pipeline.judging.movement import doubled_figures, expected_motion, motion_figures, unsure_fluxes
from pipeline.judging.passing import passing_streaks, without_flashes, without_unlikely_names
from pipeline.judging.skylight import scene_gain, sky_figures
from pipeline.judging.tracks import follow
from pipeline.judging.verdicts import SHAPE_STARS, SMALL_SCENE, UNLIKE, Figures, decide, of_dew, usual
from pipeline.judging.weather import frame_causes, weather
from pipeline.plan import ScenePlan, most_common, read_scene
from pipeline.stars.motion import learn_pattern, star_sized, usable
from pipeline.tables import table_from_rows, write_table

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
    "sky_e_s": (float, "adu / s"),  # electron / s where the photon transfer tells electrons per ADU
    "transparency": (float, None),
    "cloud_fraction": (float, None),
    "saturated_fraction": (float, None),
    "streaks": (int, None),
    "streak_list": (str, None),
    "verdict": (str, None),
    "reasons": (str, None),
    "margin": (float, None),
    "detail": (str, None),
    "cause": (str, None),  # what befell the sky, of `weather.CAUSES`; empty: nothing
}


def judge_scene(
    frames: Sequence[Graded], scene: ScenePlan, settings: JudgeSettings, site: Site | None = None
) -> tuple[list[dict[str, Any]], list[str], list[dict[str, Any]]]:
    """Judge the frames of a scene.

    Parameters
    ----------
    frames : in the order of time
    scene : its plan (what the look at its stars gave, the lists by hand)

    Returns
    -------
    rows : values of `COLUMNS`, in the order given
    notes : sentences about the scene as a whole
    events : what befell its sky, as `course.event_values` gives it
    """
    figures = [_figures(frame) for frame in frames]
    notes: list[str] = []
    sound = [n for n, frame in enumerate(frames) if frame.sound]
    if sound:
        forms = {n: (frames[n].row["width"], frames[n].row["height"], frames[n].row["cfa"]) for n in sound}
        width, height, cfa = most_common(list(forms.values()))
        alike = [n for n in sound if forms[n] == (width, height, cfa)]
        for n in set(sound) - set(alike):
            figures[n].status = UNLIKE
            figures[n].detail = "is {} x {} px {}".format(*forms[n]) + (
                f"; the scene's frames are {width} x {height} px {cfa}"
            )
        passing_streaks([figures[n] for n in alike], [frames[n] for n in alike])
        chosen = [without_flashes(frames[n], figures[n].streak_list) for n in alike]
        chosen = [replace(frame, stars=frame.stars[star_sized(frame.stars)]) for frame in chosen]
        tracks = follow([frame.stars for frame in chosen], width, height)
        sky = see_sky(chosen, tracks, scene, settings, site)
        shapes = [usable(sky.above_land(n, frame.stars)) for n, frame in enumerate(chosen)]
        median = expected_motion(chosen, shapes, tracks, scene, settings, max(width, height), notes)
        expected = [median.times(share) for share in exposure_shares(chosen)]
        motions = [sky_motion.at(s) for sky_motion, s in zip(expected, shapes, strict=True)]
        pattern = learn_pattern(shapes, motions, width, height)
        motion_figures([figures[n] for n in alike], shapes, motions, pattern, expected, notes)
        doubled_figures([figures[n] for n in alike], chosen)
        without_unlikely_names([figures[n] for n in alike], sky, width, height)
        clear = cloud_figures([figures[n] for n in alike], chosen, sky, settings)
        sky_figures([figures[n] for n in alike], chosen, sky, settings)
    gain = scene_gain(frames)
    normal = usual(figures)
    unsure_fluxes(figures, normal, settings)
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
                "sky_e_s": None if frame.row["sky_adu_s"] is None or f.sky is None else f.sky * (gain or 1.0),
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
    events = []
    if sound:
        ours = [figures[n] for n in alike]
        reasons = [str(rows[n]["reasons"]).split("; ") for n in alike]
        # what a kick spoils is no focus
        told = [f.shape_stars >= SHAPE_STARS and "trailed" not in why for f, why in zip(ours, reasons, strict=True)]
        widths = [f.width_px if tells else None for f, tells in zip(ours, told, strict=True)]
        course = focus_course(widths, [frame.plan.shown for frame in chosen])
        if course:
            notes.append(course)
        events = weather(scene_course(chosen, ours, reasons, sky, clear, site))
        for n, cause in zip(alike, frame_causes(events, len(alike)), strict=True):
            rows[n]["cause"] = cause
            if of_dew(rows[n]):
                rows[n]["detail"] = f"dew or fog on the lens: {rows[n]['detail']}"
    graded = [row for row in rows if row["reasons"] != "by hand"]
    set_aside = sum(row["verdict"] == "set aside" for row in graded)
    if len(graded) >= SMALL_SCENE and set_aside == len(graded):
        notes.append(f"All {len(graded)} frames are set aside; their reasons stand in the table.")
    elif set_aside > len(graded) / 2:
        notes.append(
            f"{set_aside} of {len(graded)} frames are set aside. Frames are held against the best quarter of their "
            "scene (sharpest stars, darkest sky, most stars); what is good enough all the same goes under keep: in "
            "trip.yaml."
        )
    return rows, notes, event_values(events, [frame.plan.id for frame in chosen] if sound else [])


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
    with Progress(arguments.project, "judge", scene.scene, 1, scene.scene):
        frames = read_graded(scene, arguments.grades, arguments.stars)
        rows, notes, events = judge_scene(frames, scene, trip.judge, trip.site)
        for note in notes:
            log.info("%s: %s", scene.scene, note)
        gain = scene_gain(frames)
        columns = COLUMNS if gain is None else {**COLUMNS, "sky_e_s": (float, "electron / s")}
        meta = {"notes": notes, "events": events, "electrons_per_adu": gain}
        write_table(table_from_rows(rows, columns, meta), arguments.out)


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
