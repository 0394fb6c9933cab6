"""Made scenes through judge and summarise: what a reader is told of them."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import summarise
from pipeline.config import JudgeSettings, Site
from pipeline.files import write_json
from pipeline.judge import COLUMNS, Graded, judge_scene
from pipeline.judging.byhand import share_notes
from pipeline.plan import write_plan
from pipeline.tables import read_table, table_from_rows, write_table
from tests.labelled import Fault, Setting, make_scene

FRAMES = 24


@dataclass(frozen=True)
class Told:
    """What a reader gets: frames.ecsv as rows, scene.json, the page's text without its tags."""

    rows: list[dict[str, Any]]
    figures: dict[str, Any]
    text: str

    @property
    def causes(self) -> list[str]:
        return [event["cause"] for event in self.figures["sky_events"]]


def told(
    folder: Path,
    faults: Mapping[int, Fault],
    *,
    seed: int = 1,
    begin: datetime | None = None,
    site: Site | None = None,
    **setting: Any,
) -> Told:
    """A made scene through judge and summarise; `begin` shifts its clock, which is then UTC."""
    scene_setting = Setting(
        **{"focal_mm": 24.0, "stars": 400, "frames": FRAMES, "exposure_s": 13.0, "interval_s": 20.0} | setting,
        faults=dict(faults),
    )
    frames, plan = make_scene(scene_setting, seed)
    if begin is not None:
        moments = [begin + timedelta(seconds=n * scene_setting.interval_s) for n in range(len(frames))]
        frames = [
            Graded(replace(f.plan, taken=m.isoformat(), utc=True), f.row, f.stars)
            for f, m in zip(frames, moments, strict=True)
        ]
        plan = replace(plan, frames=tuple(f.plan for f in frames))
    # the made frames lie in air that takes nothing
    rows, notes, events = judge_scene(frames, plan, JudgeSettings(extinction=0.0), site or Site())
    write_plan(folder / "work" / "plan", [], [plan], [])
    where = f"site: {{latitude: {site.latitude}, longitude: {site.longitude}}}\n" if site else ""
    (folder / "trip.yaml").write_text(f"frames: [raw]\n{where}")
    here = folder / "work" / "scenes" / plan.scene
    here.mkdir(parents=True)
    write_table(
        table_from_rows(rows, COLUMNS, {"notes": [*notes, *share_notes(rows)], "events": events}),
        here / "verdicts.ecsv",
    )
    # frames count by the square of their light over the noise of their sky, as combine weighs them
    usual = np.median([row["sky_e_s"] for row in rows])
    weights = {
        row["frame"]: {"weight": (row["transparency"] or 1.0) ** 2 / (row["sky_e_s"] / usual)}
        for row in rows
        if row["verdict"] == "kept"
    }
    write_json(here / "combine.json", {"frames": weights})
    path = folder / "work" / "plan" / "scenes" / f"{plan.scene}.json"
    assert summarise.main(["scene", "--project", str(folder), "--scene", str(path)]) == 0
    results = folder / "results" / plan.scene
    table = read_table(results / "frames.ecsv")
    listed = [{k: None if row[k] is np.ma.masked else row[k] for k in table.colnames} for row in table]
    text = re.sub(r"<[^>]*>", " ", (results / "index.html").read_text()).replace("\u202f", " ")
    return Told(listed, json.loads((results / "scene.json").read_text()), " ".join(text.split()))
