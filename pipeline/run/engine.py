"""What the Snakefile needs: the plan, the order of scenes, the commands and keys of the steps."""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pipeline.config import SECTIONS, Trip, load_trip
from pipeline.errors import InputError
from pipeline.files import read_json, write_json
from pipeline.plan import FINISHED, JOINED, TRAILS, TRAILS_FITS, read_scene, scene_settings
from pipeline.run.locks import hold_run, share_jobs
from pipeline.run.reach import back_in_reach
from pipeline.run.scratch import staying_darks
from pipeline.run.warm import shell_command
from pipeline.scene.handmask import digest, mask_of

# Raise a step's number when its results change for the same input: the engine does not watch package code.
STEP_VERSIONS = {
    "inventory": 28,
    "decode": 5,
    "grade": 38,
    "judge": 64,
    "dark": 31,
    "register": 24,
    "ground": 57,
    "combine": 59,
    "join": 6,
    "finish": 23,
    "summarise": 61,
}

# Set by the front door for the engine that it starts: it holds the lock and has made the plan.
HELD = "MOONLESS_FRONT_DOOR"
# Set by it where nothing but the plan is asked for: what a run would remove is put aside under a name that begins so.
DRY, ASIDE = "MOONLESS_DRY", ".aside-"
# Set by it to the scenes, a JSON list, that it makes after the one that the engine makes.
AHEAD = "MOONLESS_AHEAD"
# Set by it for a scene whose mosaics may stay when it is made.
KEEP = "MOONLESS_KEEP"


def step(name: str) -> str:
    """The command of a step, as a rule takes it: braces are the engine's own marks, and folders may bear them."""
    return shell_command(f"pipeline.{name}").replace("{", "{{").replace("}", "}}")


# Of a scene's steps: what of the plan their results depend on (a change elsewhere in it must not run them again), and
# the steps whose results they take; a step is done again whenever one of these is.
_SCENE_STEPS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "judge": (("look",), ()),
    "judge_by_hand": (("keep", "drop"), ("judge",)),
    "dark": (("dark_set", "bias_set", "flat_set"), ("judge_by_hand",)),
    "register": ((), ("judge_by_hand",)),
    "ground": (("ground_from",), ("dark", "register")),
    "combine": ((), ("ground",)),
    "join": ((), ("combine",)),
    "finish": ((), ("join",)),
    "summarise": (("frames", "dark_why", "dark_lacking", "flat_why", "notes", "title", "apart"), ("finish",)),
}


# What of combine's settings the ground's picture takes, which is stacked by the same means.
_GROUND_SETTINGS = ("clip_sigma", "vignetting")


def step_key(trip: Trip, name: str, subject: Any = None) -> str:
    """What a step's results depend on besides its input files, as one line: its version, its settings, its subject.

    Parameters
    ----------
    trip : Trip
    name : str
        Step.
    subject : JSON value, optional
        What of the plan it works on.
    """
    also = {"grade": ("decode", "grade"), "ground": ("ground", "combine"), "judge_by_hand": ("judge",)}
    steps = also.get(name, (name,))
    settings = {s: trip.section(s) for s in steps if s in SECTIONS}
    if name == "ground":
        settings["combine"] = {key: settings["combine"][key] for key in _GROUND_SETTINGS}
    if name in ("judge", "register"):
        settings["site"] = trip.site.model_dump()  # extinction, Sun and Moon; the zenith, hence refraction
    content = {"versions": {s: STEP_VERSIONS[s] for s in steps}, "settings": settings, "subject": subject}
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


def _master_file(name: str | None) -> list[str]:
    return [] if name is None else [f"work/darks/{name}.fits"]


def _remove(path: Path) -> None:
    """Remove a file or a folder, if it is there; in a dry run for as long as that lasts (`put_back`)."""
    if os.environ.get(DRY):
        with contextlib.suppress(FileNotFoundError):
            path.rename(path.with_name(ASIDE + path.name))
    elif path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def put_back(project: Path) -> None:
    """Give what a dry run put aside its name again."""
    places = ("work/mosaics", "work/grades", "work/darks", "work/scenes/*", "results/*")
    for path in (path for place in places for path in project.glob(f"{place}/{ASIDE}*")):
        own = path.with_name(path.name.removeprefix(ASIDE))
        if not own.exists():
            path.rename(own)
        elif path.is_dir():  # it was made anew meanwhile
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink()


def forget_unrecorded(project: Path) -> None:
    """Remove what jobs left whose end the engine, killed in that moment, did not record.

    It goes by the key that it recorded last: with another setting, or the one before, it would take for made, or for
    still to be graded from mosaics that nobody asks for, what is not. Mosaics hold their key themselves.
    """
    marks = project / ".snakemake" / "incomplete"
    for mark in sorted(path for path in marks.rglob("*") if path.is_file()):
        # the engine's name of a file, in folders where it is long
        coded = "".join(part.removeprefix("@") for part in mark.relative_to(marks).parts)
        try:
            name = base64.urlsafe_b64decode(coded).decode()
        except ValueError:
            continue
        path = project / name
        if not name.startswith(("work/", "results/")) or path.is_dir():
            continue
        _remove(path)
        if not os.environ.get(DRY):
            mark.unlink(missing_ok=True)


class Workflow:
    """The plan of one project folder as the rules of the Snakefile ask for it; makes the plan first if need be."""

    def __init__(self, project: Path) -> None:
        self.project = project
        self.trip = load_trip(project)
        alone = HELD not in os.environ
        if alone:
            self._lock = hold_run(project)
        # an engine whose front door was killed must be seen by the next one, as its jobs are
        self._shared = share_jobs(project)
        if alone:
            made = subprocess.run(
                [sys.executable, "-m", "pipeline.inventory", "--project", str(project)],
                stderr=subprocess.PIPE,
                check=False,
            )
            if made.returncode:
                said = made.stderr.decode(errors="replace").strip().splitlines()
                raise InputError(said[-1] if said else "the card could not be sorted: that was ended from outside")
        plan = read_json(project / "work" / "plan" / "plan.json")
        self.scenes: dict[str, dict[str, Any]] = plan["scenes"]
        self.sets: dict[str, dict[str, Any]] = plan["sets"]
        self._keys: dict[tuple[str, str], str] = {}
        keeps = os.environ.get(KEEP)  # the scene whose mosaics stay for another run
        self.keeps, self.staying = bool(keeps), set(staying_darks(project, plan, keeps)) if keeps else set[str]()
        # what is there for another's ground alone is not made itself
        self.made = [scene for scene, entry in self.scenes.items() if entry.get("gives_ground_to") is None]
        forget_unrecorded(project)
        for scene in self.scenes:
            self._forget_incomplete(scene)
        self._again: dict[str, int] = {}
        self._have_decoded_again()
        self._forget_outdated()
        self._scene_of = {batch: scene for scene, entry in self.scenes.items() for batch in entry["batches"]}
        self.of_lights = set(self._scene_of)
        self.of_sets = {batch for entry in self.sets.values() for batch in entry["batches"]}

    def pattern(self, batches: Iterable[str]) -> str:
        """A pattern that matches the names of these batches, and nothing else."""
        return "|".join(re.escape(batch) for batch in sorted(batches)) or "(?!)"

    def _forget_incomplete(self, scene: str) -> None:
        """Have the composite and the star trails made again where a file of them was deleted.

        Not every scene has them, which no plan can know: the steps that make them declare their notes alone.
        """
        notes, results = self.project / "work" / "scenes" / scene, self.project / "results" / scene
        made = (
            ("combine.json", (), (TRAILS_FITS,)),
            ("join.json", JOINED, ()),
            ("finish.json", FINISHED, TRAILS),
        )
        for note, joined, trails in made:
            try:
                told = read_json(notes / note)
                wanted = (*(joined if told.get("composite") else ()), *(trails if told.get("star_trails") else ()))
            except (OSError, ValueError, AttributeError):
                continue
            if not all((results / name).is_file() for name in wanted):
                _remove(notes / note)

    def _forget_outdated(self) -> None:
        """Remove kept mosaics that another make of decode left.

        Where the engine makes them again itself, it sees in them nothing but scratch, and spares what is graded from
        them for its unchanged inputs, whatever its key.
        """
        for entry in (*self.scenes.values(), *self.sets.values()):
            for batch in entry["batches"]:
                folder = self.project / "work" / "mosaics" / batch
                key = folder / "key"
                there = key.read_text(encoding="ascii", errors="replace") if key.is_file() else ""
                if folder.is_dir() and there != self.batch_key("decode", batch):
                    _remove(folder)

    def _have_decoded_again(self) -> None:
        """Give batches another key whose frames were away when they were decoded, and are back: a number that stays."""
        folder = self.project / "work" / "again"
        for path in folder.glob("*.json"):
            with contextlib.suppress(OSError, ValueError):
                self._again[path.stem] = int(read_json(path))
        for batch in back_in_reach(self.project, self.scenes, self.sets):
            self._again[batch] = self._again.get(batch, 0) + 1
            if not os.environ.get(DRY):
                write_json(folder / f"{batch}.json", self._again[batch])

    def batch_key(self, step_name: str, batch: str) -> str:
        """See `step_key`; the subject is the frames themselves, so that an added frame dirties its batch alone."""
        again = self._again.get(batch)
        frames = self._frames("batches", batch)
        return step_key(self.trip, step_name, frames if again is None else [frames, again])

    def set_key(self, name: str) -> str:
        """See `step_key`, for a master; its frames', and that of the master that it is made with."""
        dark = self.sets[name]["dark_set"]
        batches = [self.batch_key("decode", batch) for batch in self.sets[name]["batches"]]
        return step_key(self.trip, "dark", [batches, dark and self.set_key(dark)])

    def scene_key(self, step_name: str, scene: str) -> str:
        """See `step_key`; the subject is that part of the scene's plan on which the step depends, and the keys of all
        that it takes: what an interrupted run has left is never taken for new, even if the clock went backwards.
        """
        if (step_name, scene) not in self._keys:
            fields, takes = _SCENE_STEPS[step_name]
            plan = self._plan_file("scenes", scene)
            subject = {field: plan.get(field) for field in fields}
            for frame in subject.get("frames") or ():
                del frame["file"]  # where the folder lies on this machine is no part of any result
            if step_name == "ground":
                mask = mask_of(self.trip, self.project, scene)
                subject["mask"] = None if mask is None else digest(mask) or "missing"
            taken = [self.scene_key(name, scene) for name in takes]
            if step_name == "ground" and subject["ground_from"] is not None:
                taken.append(self.scene_key("dark", subject["ground_from"]))
            if step_name == "summarise":  # scene.json tells them
                path = self.project / "work" / "plan" / "scenes" / f"{scene}.json"
                subject["settings"] = scene_settings(self.trip, read_scene(path))
            if step_name == "judge":
                taken += [self.batch_key("grade", batch) for batch in self.scenes[scene]["batches"]]
            if step_name == "dark":
                sets = [self.scenes[scene][f"{kind}_set"] for kind in ("dark", "bias", "flat")]
                taken += [self.set_key(name) for name in sets if name is not None]
            self._keys[step_name, scene] = step_key(self.trip, step_name, [subject, taken])
        return self._keys[step_name, scene]

    def mosaics_to_grade(self, batch: str) -> list[str]:
        """The batch's scratch folder where grading has still to be done, nothing where it is done for these frames.

        A mosaic that was removed and is made again for `combine` would run `grade` again (the engine spares it only
        where the `ancient()` input still exists), so a graded batch does not ask for it.
        """
        graded = self.project / "work" / "grades" / f"{batch}.key"
        there = all(graded.with_suffix(suffix).is_file() for suffix in (".key", ".ecsv", ".stars.fits"))
        if there and graded.read_text(encoding="ascii") == self.batch_key("grade", batch):
            return []
        return [f"work/mosaics/{batch}"]

    def _plan_file(self, kind: str, name: str) -> dict[str, Any]:
        return read_json(self.project / "work" / "plan" / kind / f"{name}.json")

    def _frames(self, kind: str, name: str) -> list[str]:
        return [frame["id"] for frame in self._plan_file(kind, name)["frames"]]

    def mosaics(self, owner: str) -> list[str]:
        """The scratch folders of a scene's or a set's batches."""
        entry = self.scenes.get(owner) or self.sets[owner]
        return [f"work/mosaics/{batch}" for batch in entry["batches"]]

    def grades(self, scene: str, suffix: str) -> list[str]:
        """The grade files of a scene's batches."""
        return [f"work/grades/{batch}{suffix}" for batch in self.scenes[scene]["batches"]]

    def master(self, scene: str, kind: str = "dark") -> list[str]:
        """The master that a scene is given, as a list of one path or none."""
        return _master_file(self.scenes[scene][f"{kind}_set"])

    def masters_given(self, scene: str, prefix: str = "") -> str:
        """The arguments that name a scene's masters."""
        given = (
            (flag, self.master(scene, kind)) for flag, kind in (("master", "dark"), ("bias", "bias"), ("flat", "flat"))
        )
        return " ".join(f"--{prefix}{flag} {files[0]}" for flag, files in given if files)

    def land_files(self, scene: str) -> list[str]:
        """What the step `ground` takes of the scene whose frames show this one's ground, where there is one."""
        source = self.scenes[scene].get("ground_from")
        if source is None:
            return []
        masters = [name for kind in ("dark", "bias", "flat") for name in self.master(source, kind)]
        work = f"work/scenes/{source}"
        return [f"{work}/verdicts.ecsv", f"{work}/calibration.ecsv", f"{work}/defects.fits", *masters]

    def land_mosaics(self, scene: str) -> list[str]:
        """The scratch folders of that scene's frames."""
        source = self.scenes[scene].get("ground_from")
        return [] if source is None else self.mosaics(source)

    def land_given(self, scene: str) -> str:
        """The arguments that name all of it."""
        source = self.scenes[scene].get("ground_from")
        if source is None:
            return ""
        work = f"work/scenes/{source}"
        return (
            f"--from-scene work/plan/scenes/{source}.json --from-verdicts {work}/verdicts.ecsv"
            f" --from-calibration {work}/calibration.ecsv --from-defects {work}/defects.fits"
            f" {self.masters_given(source, 'from-')} --from-mosaics {' '.join(self.mosaics(source))}"
        )

    def dark_of_set(self, name: str) -> list[str]:
        """The master that a set is given to be made with (of flats what is taken off them, of few darks one of more),
        as a list of one path or none."""
        return _master_file(self.sets[name]["dark_set"])

    def priority(self, owner: str) -> int:
        """Earlier scenes first, so that scratch holds one scene; calibration sets before all."""
        scene = self._scene_of.get(owner, owner)
        order = list(self.scenes)
        return len(order) - order.index(scene) if scene in self.scenes else len(order) + 1
