"""What the inventory tells the steps: batches, scenes and dark sets, as JSON files under `work/plan/`."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from pipeline.config import Trip
from pipeline.files import read_json, write_json

# Results that only a scene with ground has, by the step that makes them: `join` and `finish`.
JOINED = ("composite.fits",)
# The star trails, where they are asked for: of `combine`, of `finish`.
TRAILS_FITS = "star_trails.fits"
TRAILS = ("star_trails.tif", "star_trails.jpg")
FINISHED = ("composite.tif", "composite.jpg", "ground.tif", "ground_mask.png")


# What is made of every scene; each is asked for, so that one that was deleted is made again.
RESULTS = (
    *("combined.fits", "combined.tif", "preview.jpg", "index.html"),
    *("frames.ecsv", "streaks.ecsv", "scene.json", "timings.json"),
)
# Notes of the steps whose pictures only scenes with ground have; see Workflow._forget_incomplete.
NOTES = ("join.json", "finish.json")
# How the sentence begins that says why flats which are there serve a scene not at all; what differs ends it.
NO_FLATS_FIT = "no flats fit: "


@dataclass(frozen=True)
class PlannedFrame:
    """One frame as the steps need it. `file` may hold surrogate-escaped bytes; only `shown` is ever printed."""

    id: str
    file: str
    shown: str
    kind: str
    taken: str | None = None  # ISO 8601, UTC where the zone is known
    utc: bool = False  # whether `taken` is UTC
    exposure_s: float | None = None
    iso: int | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    temperature_c: float | None = None
    camera: str | None = None
    filter: str | None = None
    camera_subtracted: bool | None = None  # the camera has taken a dark away already


@dataclass(frozen=True)
class Batch:
    """Frames that one job decodes and grades."""

    batch: str
    kind: str
    frames: tuple[PlannedFrame, ...]


@dataclass(frozen=True)
class Look:
    """What a coarse look at a scene's stars gave; None where it gave nothing.

    `attitude` ([w, x, y, z], ICRS to camera) and `lens` (`Camera.to_json`) are those of the frame `of`.
    """

    pixel_scale_arcsec: float | None = None
    centre_ra_deg: float | None = None
    centre_dec_deg: float | None = None
    tracked: bool | None = None
    attitude: tuple[float, ...] | None = None
    lens: dict[str, Any] | None = None
    of: str | None = None


@dataclass(frozen=True)
class ScenePlan:
    """One scene."""

    scene: str
    batches: tuple[str, ...]
    frames: tuple[PlannedFrame, ...]
    keep: tuple[str, ...] = ()
    drop: tuple[str, ...] = ()
    dark_set: str | None = None
    bias_set: str | None = None  # of darks of two temperatures the colder stand here
    dark_why: str = ""
    dark_lacking: str = ""  # in what the nearest darks differ from the lights, where none are taken
    flat_set: str | None = None
    flat_why: str = ""
    look: Look = field(default_factory=Look)
    notes: tuple[str, ...] = ()
    title: str | None = None
    apart: str = ""  # what a title says besides to tell the scene from others of its night and lens
    ground_from: str | None = None  # the scene whose frames show this one's ground
    gives_ground_to: str | None = None  # the scene for which alone this one is there: it is not made itself


@dataclass(frozen=True)
class DarkSet:
    """Calibration frames of one kind that belong together."""

    set: str
    kind: str  # dark, flat or bias
    batches: tuple[str, ...]
    frames: tuple[PlannedFrame, ...]
    # for flats: the darks or biases that are taken off them; for few darks: those of more that they are held against
    dark_set: str | None = None


def most_common(values: Sequence[Any]) -> Any:
    """What most frames of a scene have (sizes, patterns), the smaller of equally common ones."""
    return min(set(values), key=lambda value: (-values.count(value), value))


def names_of(plan: Mapping[str, Any], scene: str) -> set[str]:
    """What jobs work on for a scene: itself, its batches, its calibration sets, those that their masters are made with
    in turn, and their batches.

    Parameters
    ----------
    plan : content of plan.json
    """
    entry, sets = plan["scenes"][scene], plan["sets"]
    given = {entry[f"{kind}_set"] for kind in ("dark", "bias", "flat")} - {None}
    while more := {sets[name]["dark_set"] for name in given} - {None} - given:
        given |= more
    return {scene, *entry["batches"], *given, *(batch for name in given for batch in sets[name]["batches"])}


def _frames(items: list[dict[str, Any]]) -> tuple[PlannedFrame, ...]:
    return tuple(PlannedFrame(**item) for item in items)


def read_batch(path: str | os.PathLike[str]) -> Batch:
    """Read a batch file."""
    content = read_json(path)
    return Batch(content["batch"], content["kind"], _frames(content["frames"]))


def read_scene(path: str | os.PathLike[str]) -> ScenePlan:
    """Read a scene file."""
    content = read_json(path)
    content["frames"] = _frames(content["frames"])
    content["look"] = Look(**content["look"])
    if content["look"].attitude is not None:
        content["look"] = replace(content["look"], attitude=tuple(content["look"].attitude))
    for key in ("batches", "keep", "drop", "notes"):
        content[key] = tuple(content[key])
    return ScenePlan(**content)


def scene_settings(trip: Trip, plan: ScenePlan) -> dict[str, Any]:
    """The settings that concern a scene: of what is named by hand, what is its own; where files lie and what the run
    may use is none of them."""
    values = trip.model_dump(by_alias=True, mode="json", exclude={"frames", "darks", "flats", "limits"})
    shown = {frame.id: frame.shown for frame in plan.frames}
    values["keep"], values["drop"] = ([shown[i] for i in ids if i in shown] for ids in (plan.keep, plan.drop))
    values["scenes"] = {name: entry for name, entry in values["scenes"].items() if name == plan.scene}
    return values


def read_set(path: str | os.PathLike[str]) -> DarkSet:
    """Read a dark-set file."""
    content = read_json(path)
    return DarkSet(
        content["set"],
        content["kind"],
        tuple(content["batches"]),
        _frames(content["frames"]),
        content.get("dark_set"),
    )


def write_plan(work: Path, batches: list[Batch], scenes: list[ScenePlan], sets: list[DarkSet]) -> None:
    """Write every plan file that changed, `plan.json` last, and remove those that no longer belong."""
    wanted: dict[Path, Any] = {}
    for batch in batches:
        wanted[work / "batches" / f"{batch.batch}.json"] = batch
    for scene in scenes:
        wanted[work / "scenes" / f"{scene.scene}.json"] = scene
    for dark_set in sets:
        wanted[work / "darks" / f"{dark_set.set}.json"] = dark_set
    for path, content in wanted.items():
        write_json(path, asdict(content), only_if_changed=True)
    write_json(
        work / "plan.json",
        {
            "scenes": {
                s.scene: {
                    "batches": s.batches,
                    "dark_set": s.dark_set,
                    "bias_set": s.bias_set,
                    "flat_set": s.flat_set,
                    "frames": len(s.frames),
                    "ground_from": s.ground_from,
                    "gives_ground_to": s.gives_ground_to,
                }
                for s in scenes
            },
            "sets": {
                s.set: {"batches": s.batches, "kind": s.kind, "dark_set": s.dark_set, "frames": len(s.frames)}
                for s in sets
            },
        },
        only_if_changed=True,
    )
    for folder in ("batches", "scenes", "darks"):
        for path in sorted((work / folder).glob("*.json")):
            if path not in wanted:
                path.unlink()
