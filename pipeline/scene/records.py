"""What the steps left behind for a scene or a trip, read together; anything missing is None or empty, never an error.

The page of a night that went wrong is read by somebody who wants to know why, so reading must not fail on what a step
did not get to write.
"""

from __future__ import annotations

import json
import logging
import os
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from astropy.io import fits

from pipeline.errors import MoonlessError
from pipeline.files import read_json, shown
from pipeline.plan import FINISHED, JOINED, PlannedFrame, ScenePlan, names_of, read_scene, read_set
from pipeline.tables import read_table, rows_of

log = logging.getLogger("moonless")
T = TypeVar("T")
# What reading a half-written or foreign file may raise; a fault of the reader itself still shows.
UNREADABLE = (OSError, ValueError, KeyError, TypeError, IndexError, AttributeError, MoonlessError)

# What a scene takes of the one whose frames show its ground.
LAND_STEPS = ("decode", "grade", "judge", "dark")


@dataclass(frozen=True)
class Rows:
    """A table as plain rows (None where masked), with its units and its header's notes."""

    rows: tuple[dict[str, Any], ...] = ()
    units: dict[str, str] = field(default_factory=dict)
    meta: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class SceneRecord:
    """Everything the steps wrote about one scene."""

    scene: str
    plan: ScenePlan | None
    verdicts: Rows
    geometry: dict[str, Any]
    calibration: Rows
    combine: dict[str, Any]
    finish: dict[str, Any]
    combined: dict[str, Any]  # header of combined.fits
    master: dict[str, Any]  # header of the master dark
    defects: int | None  # pixels marked in the scene's defect map
    failures: tuple[dict[str, Any], ...]
    timings: tuple[dict[str, Any], ...]
    made: bool  # every picture is there and no step failed since
    pictures: frozenset[str]  # which of the result files are there
    thumbs: dict[str, Path]
    bias: dict[str, Any] = field(default_factory=dict)  # header of the master bias
    flat: dict[str, Any] = field(default_factory=dict)  # ... and flat
    ground: dict[str, Any] = field(default_factory=dict)
    joined: dict[str, Any] = field(default_factory=dict)
    sky_zero: dict[str, Any] = field(default_factory=dict)  # of `skyzero.sky_zero_of`; empty where it is not told
    left_out: dict[str, dict[str, str]] = field(default_factory=dict)  # of "dark", "bias", "flat": file to why


def tolerant(read: Callable[[Path], T], path: Path, otherwise: T) -> T:
    """What `read` makes of a file; `otherwise` where there is none or it cannot be read."""
    if not path.is_file():
        return otherwise
    try:
        return read(path)
    except UNREADABLE as error:
        log.warning("%s: cannot be read (%s: %s)", path.name, type(error).__name__, error)
        return otherwise


def read_rows(path: Path) -> Rows:
    """Read an ECSV table as plain rows; empty where there is none."""

    def read(path: Path) -> Rows:
        table = read_table(path)
        names = table.colnames
        units = {name: str(table[name].unit) for name in names if table[name].unit is not None}
        return Rows(tuple({k: _plain(v) for k, v in row.items()} for row in rows_of(table)), units, dict(table.meta))

    return tolerant(read, path, Rows())


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not np.isfinite(value) else value


def read_object(path: Path) -> dict[str, Any]:
    """Read a JSON object; empty where there is none."""

    def read(path: Path) -> dict[str, Any]:
        content = read_json(path)
        if not isinstance(content, dict):
            raise ValueError("is no object")
        # NaN and infinity are not JSON, but Python reads them; they are as good as unknown
        cleaned: dict[str, Any] = json.loads(json.dumps(content), parse_constant=lambda _: None)
        return cleaned

    return tolerant(read, path, {})


def read_header(path: Path) -> dict[str, Any]:
    """Read the primary header of a FITS file as plain values; empty where there is none."""

    def read(path: Path) -> dict[str, Any]:
        header = fits.getheader(path, 0)
        return {key: header[key] for key in header if key not in ("", "COMMENT", "HISTORY")}

    return tolerant(read, path, {})


def read_left_out(work: Path, name: str) -> dict[str, str]:
    """Why frames of a calibration set were left out of its master, by file (by frame id where the plan tells none).

    Empty where there is no master.
    """

    def read(path: Path) -> dict[str, str]:
        rows = fits.getdata(path, "FRAMES")
        return {str(row["frame"]): str(row["why"]) for row in rows if str(row["why"])}

    nothing: dict[str, str] = {}
    why = tolerant(read, work / "darks" / f"{name}.fits", nothing)
    planned = tolerant(read_set, work / "plan" / "darks" / f"{name}.json", None)
    files = file_names(planned.frames) if planned is not None else {}
    return {files.get(key, key): text for key, text in why.items()}


def file_names(frames: Sequence[PlannedFrame]) -> dict[str, str]:
    """What to call frames, by id: the file; its folder as well where several are called so, or else the id."""
    names = {frame.id: frame.shown for frame in frames}
    for longer in (lambda frame: shown("/".join(Path(frame.file).parts[-2:])), lambda frame: frame.id):
        several = Counter(names.values())
        names |= {frame.id: longer(frame) for frame in frames if several[names[frame.id]] > 1}
    return names


def count_defects(path: Path) -> int | None:
    """Count the pixels that a defect map marks; None where there is none."""

    def read(path: Path) -> int | None:
        with fits.open(path) as hdus:
            data = next((hdu.data for hdu in hdus if hdu.data is not None and hdu.data.ndim == 2), None)
            return None if data is None else int(np.count_nonzero(data))

    return tolerant(read, path, None)


def read_all(folder: Path) -> list[dict[str, Any]]:
    """All JSON objects of a folder, by name."""
    return [content for path in sorted(folder.glob("*.json")) if (content := read_object(path))]


def belonging(items: Iterable[dict[str, Any]], names: Collection[str]) -> tuple[dict[str, Any], ...]:
    """Those notes (failures, timings) that are of some names (see `plan.names_of`)."""
    return tuple(item for item in items if item.get("scene") in names or item.get("name") in names)


def _names(work: Path, scene: str) -> set[str]:
    try:
        return names_of(read_object(work / "plan" / "plan.json"), scene)
    except UNREADABLE:
        return {scene}


def scene_failures(
    work: Path, scene: str, ground_from: str | None, failures: Sequence[dict[str, Any]]
) -> tuple[dict[str, Any], ...]:
    """Those failures for which a scene is not made: its own, and those of the frames that show its ground."""
    own = belonging(failures, _names(work, scene))
    if ground_from is None:
        return own
    land = [failure for failure in failures if failure.get("step") in LAND_STEPS]
    return (*own, *belonging(land, _names(work, ground_from)))


def read_failures(work: Path) -> list[dict[str, Any]]:
    """What steps that failed have left; those of `summarise` apart, which is at work again."""
    return [failure for failure in read_all(work / "failures") if failure.get("step") != "summarise"]


def standing_failures(work: Path) -> list[dict[str, Any]]:
    """Those failures that are of the trip or of something its plan still has: no later job takes back the others."""
    failures = read_failures(work)
    scenes = read_object(work / "plan" / "plan.json").get("scenes")
    if not isinstance(scenes, dict):
        return failures
    return list(belonging(failures, {"trip"}.union(*(_names(work, scene) for scene in scenes))))


PICTURES = ("combined.tif", "combined.fits", "preview.jpg", *JOINED, *FINISHED)


def read_scene_record(project: Path, scene_file: Path) -> SceneRecord:
    """Read everything about a scene.

    Parameters
    ----------
    project : Path
    scene_file : Path
        The scene's plan (`work/plan/scenes/<scene>.json`); its name names the scene where it cannot be read.
    """
    plan = tolerant(read_scene, scene_file, None)
    scene = plan.scene if plan is not None else scene_file.stem
    work, results = project / "work", project / "results" / scene
    here = work / "scenes" / scene
    failures = scene_failures(work, scene, plan.ground_from if plan is not None else None, read_failures(work))
    pictures = frozenset(name for name in PICTURES if (results / name).is_file())
    dark_set = plan.dark_set if plan is not None else None
    sets = {} if plan is None else {"dark": plan.dark_set, "bias": plan.bias_set, "flat": plan.flat_set}
    thumbs = {}
    if plan is not None:
        for frame in plan.frames:
            path = work / "thumbs" / f"{frame.id}.jpg"
            if path.is_file():
                thumbs[frame.id] = path
    return SceneRecord(
        scene=scene,
        plan=plan,
        verdicts=read_rows(here / "verdicts.ecsv"),
        geometry=read_object(here / "geometry.json"),
        calibration=read_rows(here / "calibration.ecsv"),
        combine=read_object(here / "combine.json"),
        finish=read_object(here / "finish.json"),
        ground=read_object(here / "ground.json"),
        joined=read_object(here / "join.json"),
        combined=read_header(results / "combined.fits"),
        master=read_header(work / "darks" / f"{dark_set}.fits") if dark_set else {},
        defects=count_defects(here / "defects.fits"),
        failures=failures,
        timings=belonging(read_all(work / "timings"), _names(work, scene)),
        made=not failures and {"combined.tif", "combined.fits"} <= pictures,
        pictures=pictures,
        thumbs=thumbs,
        bias=read_header(work / "darks" / f"{sets['bias']}.fits") if sets.get("bias") else {},
        flat=read_header(work / "darks" / f"{sets['flat']}.fits") if sets.get("flat") else {},
        left_out={kind: read_left_out(work, name) for kind, name in sets.items() if name},
    )


def scene_files(project: Path) -> list[Path]:
    """The plans of all scenes that are made, in the order of plan.json where it tells one."""
    folder = project / "work" / "plan" / "scenes"
    told = read_object(project / "work" / "plan" / "plan.json").get("scenes") or {}
    order = list(told)
    # what is there for another scene's ground alone is not made
    given = {name for name, entry in told.items() if isinstance(entry, dict) and entry.get("gives_ground_to")}
    found = {path.stem: path for path in sorted(folder.glob("*.json")) if path.stem not in given}
    return [found.pop(name) for name in order if name in found] + list(found.values())


def size_of(path: Path) -> int | None:
    """Size of a file in bytes, None where it is not there."""
    try:
        return os.stat(path).st_size
    except OSError:
        return None
