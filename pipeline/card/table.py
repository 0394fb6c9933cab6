"""`results/inventory.ecsv`: a row for every file found; and what an earlier one tells of names."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.card.frame import CardFrame, Facts, taken_text
from pipeline.card.planning import Before
from pipeline.files import holds, write_text
from pipeline.plan import read_scene
from pipeline.tables import read_table, table_from_rows

KINDS = (
    "light", "dark", "flat", "bias", "companion", "duplicate", "not a frame", "unreadable", "other", "ignored",
)  # fmt: skip

# A line that begins with # is a comment: no row may begin with the name of a file.
COLUMNS: dict[str, tuple[type, str | None]] = {
    "kind": (str, None),  # one of KINDS
    "state": (str, None),  # unreadable or damaged: of a frame whose kind is known and that cannot be used all the same
    "file": (str, None),  # printable, relative to its folder
    "folder": (str, None),  # as it stands in trip.yaml
    "role": (str, None),  # the key of trip.yaml under which the folder stands: frames, darks, flats
    "id": (str, None),
    "scene": (str, None),
    "dark_set": (str, None),  # of a light: the darks of its scene; of a dark, flat or bias: the set it is in
    "bias_set": (str, None),
    "flat_set": (str, None),
    "taken": (str, None),  # ISO 8601; UTC where `utc`, the camera's clock otherwise
    "utc": (bool, None),
    "exposure_s": (float, "s"),
    "iso": (int, None),
    "gain": (float, None),
    "f_number": (float, None),
    "focal_mm": (float, "mm"),
    "temperature_c": (float, "deg_C"),
    "camera": (str, None),
    "serial": (str, None),
    "lens": (str, None),
    "filter": (str, None),
    "width": (int, "pix"),
    "height": (int, "pix"),
    "camera_subtracted": (bool, None),
    "reason": (str, None),
    "problem": (str, None),  # where there is a state: what is wrong with the file
}


def facts_row(facts: Facts | None, site_offset_hours: float | None) -> dict[str, Any]:
    """The columns that a frame's header fills."""
    if facts is None:
        return {}
    taken, utc = taken_text(facts, site_offset_hours)
    return {
        "taken": taken,
        "utc": utc if taken is not None else None,
        **{
            name: getattr(facts, name)
            for name in (
                *("exposure_s", "iso", "gain", "f_number", "focal_mm", "temperature_c", "camera", "serial"),
                *("lens", "filter", "width", "height", "camera_subtracted"),
            )
        },
    }


def frame_row(frame: CardFrame, site_offset_hours: float | None) -> dict[str, Any]:
    """The columns of a sorted frame, but for its sets and the reason."""
    return {"id": frame.id, "kind": frame.kind, "state": frame.state, **facts_row(frame.facts, site_offset_hours)}


def write_inventory(path: Path, rows: Iterable[Mapping[str, Any]], meta: Mapping[str, Any]) -> None:
    """Write the table, unless it says the same already."""
    table = table_from_rows(rows, COLUMNS, meta)
    text = io.StringIO()
    table.write(text, format="ascii.ecsv")
    if not holds(path, text.getvalue()):
        write_text(path, text.getvalue())


def read_before(project: Path, settings: Mapping[str, Any]) -> Before:
    """What an earlier inventory decided, from its table, else from the plan, else from the scenes' own tables.

    A division of scenes made under other settings is not held on to, but names are.
    """
    results = project / "results"
    scenes: dict[str, str] = {}
    sets: dict[str, str] = {}
    same_settings = True
    try:
        table = read_table(results / "inventory.ecsv")
        same_settings = dict(table.meta.get("settings", {})) == dict(settings)
        columns = (table[name].filled("").tolist() for name in ("id", "kind", "scene", "dark_set"))
        for id_, kind, scene_name, set_name in zip(*columns, strict=True):
            if id_ and scene_name:
                scenes[id_] = scene_name
            elif id_ and set_name and kind in ("dark", "bias", "flat"):
                sets[id_] = set_name
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        # no such table, or none that can be read
        for plan in sorted((project / "work" / "plan" / "scenes").glob("*.json")):
            try:
                scene = read_scene(plan)
            except (OSError, ValueError, KeyError, TypeError):
                continue
            scenes |= {frame.id: scene.scene for frame in scene.frames}
        for frames in sorted(results.glob("*/frames.ecsv")):
            try:
                ids = read_table(frames)["frame"]
            except (OSError, ValueError, KeyError, TypeError):
                continue
            scenes |= {str(id_): frames.parent.name for id_ in np.ma.compressed(ids) if str(id_) not in scenes}
    folders = [entry.name for entry in os.scandir(results) if entry.is_dir()] if results.is_dir() else []
    return Before(scenes, sets, frozenset(folders) - set(scenes.values()), same_settings)
