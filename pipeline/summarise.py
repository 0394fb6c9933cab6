"""The step `summarise`: tables, JSON and pages of a scene or of the whole trip, from what the other steps left."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.config import Trip, load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import InputError, SettingsError
from pipeline.files import shown, write_json, write_text
from pipeline.pages import figures as fig
from pipeline.pages.frametable import frame_columns, frame_rows
from pipeline.pages.passing import STREAK_COLUMNS, streak_rows
from pipeline.pages.scene import FILES, scene_page
from pipeline.pages.trip import SceneEntry, trip_figures, trip_page
from pipeline.plan import scene_settings
from pipeline.run.engine import AHEAD
from pipeline.scene.records import (
    SceneRecord,
    read_object,
    read_rows,
    read_scene_record,
    scene_files,
    size_of,
    standing_failures,
)
from pipeline.scene.skyzero import sky_zero_of
from pipeline.scene.spoiled import read_spoiled, unusable, with_spoiled
from pipeline.tables import table_from_rows, write_table
from pipeline.versions import versions

PAGE = "index.html"
WRITTEN_HERE = ("scene.json", "timings.json", "frames.ecsv", "streaks.ecsv")
# The page of a scene that could not be made has a name of its own: an index.html would tell the engine that all is
# done.
FAILED_PAGE = "not-made.html"


def write_scene(project: Path, record: SceneRecord, trip: Trip, page: str) -> dict[str, Any]:
    """Write frames.ecsv, scene.json and the page of a scene; timings.json where the scene was made.

    Returns
    -------
    dict
        The content of scene.json.
    """
    folder = project / "results" / record.scene
    rows = frame_rows(record)
    settings = scene_settings(trip, record.plan) if record.plan is not None else {}
    content = fig.scene_figures(record, rows, settings, versions())
    write_table(table_from_rows(rows, frame_columns(record), {"scene": record.scene}), folder / "frames.ecsv")
    write_json(folder / "scene.json", content)
    if page == PAGE:
        streaks = table_from_rows(streak_rows(rows), STREAK_COLUMNS, {"scene": record.scene})
        write_table(streaks, folder / "streaks.ecsv")
        write_json(folder / "timings.json", fig.timings(record))
        (folder / FAILED_PAGE).unlink(missing_ok=True)
    sizes = {name: size_of(folder / name) for name in FILES if name not in WRITTEN_HERE}
    # sizes of the others would change with every run's times or with themselves; those of pictures are wanted
    sizes |= {name: -1 for name in WRITTEN_HERE if (folder / name).is_file()}
    write_text(folder / page, scene_page(record, rows, content, sizes))
    return content


def run_scene(arguments: argparse.Namespace) -> None:
    """Write what belongs to one scene."""
    project = _project(arguments)
    record = read_scene_record(project, arguments.scene)
    if record.plan is None:
        raise InputError(f"{arguments.scene.name}: cannot be read as the plan of a scene; run the inventory again")
    trip = load_trip(project)
    with Progress(project, "summarise", record.scene, 1, record.scene) as progress:
        record = replace(record, sky_zero=sky_zero_of(project, record, trip.site))
        write_scene(project, record, trip, PAGE)
        progress.advance()


def run_trip(arguments: argparse.Namespace) -> None:
    """Write what belongs to the trip; never stopped by what a failed run left out."""
    project = _project(arguments)
    results = project / "results"
    try:
        trip = load_trip(project)
    except SettingsError:
        trip = Trip()  # the run has stopped because of it and said so; the page still tells what there is
    ahead = json.loads(os.environ.get(AHEAD) or "[]")
    entries, seen = [], []
    for path in scene_files(project):
        record = read_scene_record(project, path)
        seen.append(record.scene)
        folder = results / record.scene
        failures = record.failures
        page: str | None
        content = read_object(folder / "scene.json") if record.made and (folder / PAGE).is_file() else {}
        if content:
            page = PAGE
        else:
            page, content, failures = _not_made(project, record, trip)
        made = page == PAGE
        # of a scene with land the registered frames alone show it smeared
        preview = next((name for name in ("composite.jpg", "preview.jpg") if name in record.pictures), None)
        to_come = record.scene in ahead and not failures
        entries.append(SceneEntry(record.scene, content, made, page, preview, failures, to_come))
    told = [failure for entry in entries for failure in entry.failures]
    elsewhere = [failure for failure in standing_failures(project / "work") if failure not in told]
    stale = sorted(shown(p.name) for p in results.glob("*/") if p.name not in seen and (p / "scene.json").is_file())
    table = read_rows(results / "inventory.ecsv")
    inventory = with_spoiled(table, read_spoiled(project / "work"))
    found = table.meta.get("warnings")
    warned = [str(warning) for warning in found] if isinstance(found, list) else []
    settings = trip.model_dump(by_alias=True, mode="json")
    content = trip_figures(entries, inventory, elsewhere, stale, warned, settings, versions())
    content["unusable"] = unusable(inventory)
    write_json(results / "trip.json", content)
    downloads = [name for name in ("trip.json", "inventory.ecsv") if (results / name).is_file()]
    write_text(results / PAGE, trip_page(content, entries, inventory, downloads))


def _not_made(
    project: Path, record: SceneRecord, trip: Trip
) -> tuple[str | None, dict[str, Any], tuple[dict[str, Any], ...]]:
    """Write the page of a scene that was not made: page, figures, reasons; no page where even that fails.

    Anything may be wrong with what a failed step has left; the trip's page is wanted all the same.
    """
    failures = record.failures
    if record.made:
        sentence = f"the scene's page was not written; logs/summarise/{record.scene}.log says why"
        failures = ({"step": "summarise", "name": record.scene, "sentence": sentence},)
    try:
        return (
            FAILED_PAGE,
            write_scene(project, replace(record, failures=failures, made=False), trip, FAILED_PAGE),
            failures,
        )
    except Exception as error:
        log.exception("summarise: %s", record.scene)
        sentence = f"the figures of this scene cannot be shown ({type(error).__name__})"
        return None, {}, (*failures, {"step": "summarise", "name": record.scene, "sentence": sentence})


def _project(arguments: argparse.Namespace) -> Path:
    project: Path | None = arguments.project
    if project is None:
        raise InputError("summarise needs --project, the folder that holds work/ and results/")
    return project


def run(arguments: argparse.Namespace) -> None:
    """Dispatch to scene or trip."""
    (run_scene if arguments.what == "scene" else run_trip)(arguments)


def build_parser() -> argparse.ArgumentParser:
    """Arguments of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.summarise", description=__doc__)
    what = parser.add_subparsers(dest="what", required=True, metavar="{scene,trip}")
    scene = what.add_parser("scene", help="frames.ecsv, scene.json, timings.json and the page of a scene")
    project_argument(scene)
    scene.add_argument("--scene", type=Path, required=True, metavar="SCENE.json", help="the scene's plan")
    trip = what.add_parser("trip", help="trip.json and the trip's page, and a page for every scene that was not made")
    project_argument(trip)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step."""
    return run_step("summarise", build_parser(), run, argv)


if __name__ == "__main__":
    sys.exit(main())
