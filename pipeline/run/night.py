"""One run of the engine over a project folder, scene by scene, told in words a person can read."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import re
import signal
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import psutil

from pipeline.compiled import anything_kept
from pipeline.config import Trip
from pipeline.errors import InputError, MoonlessError
from pipeline.files import check_writable, read_json, shown
from pipeline.plan import NOTES, RESULTS, names_of
from pipeline.run import outage
from pipeline.run.engine import AHEAD, DRY, HELD, KEEP, put_back
from pipeline.run.locks import hold_run, no_jobs
from pipeline.run.scratch import check_room, clear, clear_halves, mosaic_bytes, staying_darks
from pipeline.run.telling import Teller, duration
from pipeline.run.timeleft import Job, JobLines, Left
from pipeline.run.warm import ADDRESS, Warm, command
from pipeline.scene.handmask import check_masks

# Files of no use that are named on the terminal.
NAMED = 5
SNAKEFILE = Path(__file__).parents[2] / "Snakefile"

DOING = {
    "inventory": "sorting the card",
    "decode": "decoding frames",
    "grade": "grading frames",
    "judge": "judging frames",
    "dark": "darks and hot pixels",
    "register": "placing frames on the sky",
    "ground": "looking for ground",
    "combine": "combining",
    "join": "joining sky and ground",
    "finish": "making the picture",
    "summarise": "writing the pages",
}

# Steps whose jobs count darks here and lights there, or frames first and then parts of the picture: told in per cent.
IN_PARTS = ("dark", "ground", "combine")


def _targets(scene: str) -> list[str]:
    """The files that a scene is done with."""
    return [*(f"results/{scene}/{name}" for name in RESULTS), *(f"work/scenes/{scene}/{name}" for name in NOTES)]


def _some(number: int, word: str) -> str:
    """`1 frame`, `2 frames`; the card's and the pages' own ways of it would load libraries that the start can spare."""
    return f"{number} {word}{'' if number == 1 else 's'}"


class Night:
    """Holds the folder's lock while it lasts; use as a context manager.

    Parameters
    ----------
    project : Path
    trip : Trip
    cores : int
    dry : bool
        Nothing but the plan is asked for.
    warm : Warm, optional
        What programs are asked of; ended with this.
    """

    def __init__(self, project: Path, trip: Trip, cores: int, dry: bool = False, warm: Warm | None = None) -> None:
        self.project, self.trip, self.cores = project, trip, cores
        self.teller = Teller()
        self.plan: dict[str, Any] = {}
        self._dry = dry
        self._warm = warm
        self._running: subprocess.Popen[str] | None = None  # the engine at work
        self._stopping = False
        self._failed: set[str] = set()
        self._broken: dict[str, str] = {}  # by scene, the first step that ended without a sentence of its own

    def __enter__(self) -> Night:
        self._lock = hold_run(self.project)
        self._end_orphans()
        put_back(self.project)  # a dry run may have been killed
        clear_halves(self.project)
        if not self._dry:
            if number := outage.distrust(self.project):
                what = _some(number, "file")
                self.teller.say(f"the machine went down during an earlier run: {what} of its last minutes made again")
            outage.begin(self.project)
        for leftover in (self.project / "work" / "progress").glob("*.json"):
            leftover.unlink(missing_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.teller.end()
        if not self._dry:
            outage.end(self.project)
        if self._warm is not None:
            self._warm.close(at_once=kind is not None)
        self._lock.close()

    @property
    def _address(self) -> str | None:
        return None if self._warm is None else self._warm.address

    # ---- before the engine

    def _end_orphans(self) -> None:
        """End jobs that outlived a run which was killed; they hold a shared lock as long as they live."""
        for attempt in range(60):
            if no_jobs(self.project):
                return
            if attempt == 0:
                self.teller.say("an earlier run was interrupted; ending the jobs that it left behind")
            for pid in _jobs_of(self.project):
                with contextlib.suppress(OSError):
                    os.kill(pid, signal.SIGTERM if attempt < 20 else signal.SIGKILL)
            time.sleep(0.5)
        raise InputError(
            f"{shown(self.project)}: jobs of an interrupted run are still writing here and cannot be ended; "
            "wait for them, or restart the machine"
        )

    def sort_card(self) -> None:
        """Run the inventory and read its plan."""
        words = [*command("pipeline.inventory", self._address), "--project", str(self.project)]
        (self.project / "logs").mkdir(exist_ok=True)
        if not anything_kept():
            self.teller.say("the first run of an installation compiles its loops as it meets them: some minutes, once")
        before = _inventory_time(self.project)
        with (self.project / "logs" / "inventory.log").open("wb") as log, self._watching(None):
            inventory = subprocess.Popen(
                words, stdin=subprocess.DEVNULL, stdout=log, stderr=log, start_new_session=True
            )
            # only here: what it loads takes a second, in which the card is being sorted
            from pipeline.tables import read_table

            status = self._wait(inventory)
        if status:
            text = (self.project / "logs" / "inventory.log").read_text(encoding="utf-8", errors="replace")
            lines = [line for line in text.splitlines() if line.startswith("inventory: ")]
            raise InputError(
                lines[-1].removeprefix("inventory: ")
                if lines
                else f"the card could not be sorted; see {shown(self.project)}/logs/inventory.log"
            )
        self._card_changed = _inventory_time(self.project) != before
        self.plan = read_json(self.project / "work" / "plan" / "plan.json")
        table = read_table(self.project / "results" / "inventory.ecsv")
        states = [str(state) for state in table["state"].filled("")]
        kinds = Counter(state or str(kind) for state, kind in zip(states, table["kind"], strict=True))
        # of lights alone: darks that cannot be used are in no set
        bad = Counter(str(scene) for state, scene in zip(states, table["scene"].filled(""), strict=True) if state)
        self.teller.say(f"found {len(table)} files: " + ", ".join(f"{n} {kind}" for kind, n in kinds.most_common()))
        for warning in table.meta.get("warnings", []):
            self.teller.say(f"  note: {warning}")
        if not self.plan["scenes"]:
            raise InputError(
                f"{shown(self.project)}: no scene to make; results/inventory.ecsv says of every file "
                "why. Where its folder is known to hold lights: roles: {FOLDER: light} in trip.yaml"
            )
        self._bytes = mosaic_bytes(table)
        self._need = dict(self._bytes)
        for scene, entry in self.plan["scenes"].items():
            sets = [s for s in (entry["dark_set"], entry["bias_set"]) if s and self.plan["sets"][s]["kind"] == "dark"]
            darks = " and ".join(f"{_some(self.plan['sets'][s]['frames'], 'dark')} ({s})" for s in sets) or "no darks"
            other = ""
            if entry.get("gives_ground_to"):
                other = f", for the ground of {entry['gives_ground_to']} alone"
            elif entry.get("ground_from"):
                other = f", its ground from {entry['ground_from']}"
                self._need[scene] = self._need.get(scene, 0) + self._need.get(entry["ground_from"], 0)
            spoiled = f" ({bad[scene]} of them cannot be used)" if bad[scene] else ""
            self.teller.say(f"  scene {scene}: {_some(entry['frames'], 'frame')}{spoiled}, {darks}{other}")
        check_masks(self.trip, self.project, list(self.plan["scenes"]), table)

    # ---- the engine

    def _engine(self, *arguments: str, keep: str = "", ahead: Sequence[str] = ()) -> subprocess.Popen[str]:
        words = [
            *command("snakemake", self._address), "--snakefile", str(SNAKEFILE), "--directory",
            str(self.project), "--cores", str(self.cores), "--nolock", "--nocolor", *arguments,
        ]  # fmt: skip
        return subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            start_new_session=True,
            env=os.environ
            | {HELD: "1", ADDRESS: self._address or "", KEEP: keep, DRY: "1" if self._dry else ""}
            | {AHEAD: json.dumps(list(ahead))},
        )

    def _pending(self) -> list[Job]:
        """The jobs that there are to run."""
        engine = self._engine("--dry-run")
        text, _ = engine.communicate()
        if engine.returncode:
            raise MoonlessError(f"the engine could not plan the work:\n{text.strip()}")
        jobs = JobLines()
        for line in text.splitlines():
            jobs.read(line)
        return list(jobs.begun.values())

    def tell_plan(self) -> None:
        """Say what a run would do."""
        try:
            pending = self._pending()
        finally:
            put_back(self.project)
        if not pending:
            self.teller.say("everything is up to date: nothing would be done")
        for rule, count in Counter(job.rule for job in pending).items():
            self.teller.say(f"  would run {rule}: {_some(count, 'job')}")

    def make_scenes(self) -> list[str]:
        """Make every scene, one after the other so that scratch holds one; returns those that failed."""
        self._check_folders()
        pending = self._pending()
        if not pending:
            self._renew_trip_page()
            self.teller.say("everything is up to date: nothing to do")
            return self._not_made()
        # whatever is done for a scene ends with its page
        waiting = {job.name for job in pending if job.rule == "summarise"}
        decoded = {job.name for job in pending if job.rule == "decode_calibration"}
        need = {scene: self._room(scene, decoded) for scene in waiting if scene in self._need}
        check_room(self.project, need, self.trip.limits.scratch_mb)
        frames = self._frames()
        self._left = Left(pending, frames, self._megapixels(frames))
        handlers = {s: signal.signal(s, self._on_signal) for s in (signal.SIGINT, signal.SIGTERM)}
        try:
            todo = [scene for scene in self._scenes() if scene in waiting]
            for n, scene in enumerate(todo):
                if self._stopping:
                    break
                self._make(scene, todo[n + 1 :])
        finally:
            for number, handler in handlers.items():
                signal.signal(number, handler)
        self.teller.end()
        failed = self._not_made()
        if self._stopping:
            raise KeyboardInterrupt
        self._tell_end(failed)
        return failed

    def _room(self, scene: str, decoded: set[str]) -> int:
        """What a scene's mosaics take, with those of darks, biases and flats that are to be decoded for it."""
        source = self.plan["scenes"][scene].get("ground_from")
        names = names_of(self.plan, scene) | (names_of(self.plan, source) if source else set())
        sets = [name for name, entry in self.plan["sets"].items() if name in names and decoded & set(entry["batches"])]
        return self._need[scene] + sum(self._need.get(name, 0) for name in sets)

    def _check_folders(self) -> None:
        """Stop before any work where a folder cannot be written to: the engine would meet it at the end of a scene."""
        results = self.project / "results"
        for folder in (results, *sorted(path for path in results.iterdir() if path.name in self.plan["scenes"])):
            try:
                check_writable(folder)
            except OSError as error:
                raise InputError(
                    f"{shown(folder)}: nothing can be written there ({error.strerror}); make it a folder that you may "
                    "write to, or move it away"
                ) from None

    def _make(self, scene: str, ahead: Sequence[str]) -> None:
        keep = self._need.get(scene, 0) <= self.trip.limits.keep_mb * 1e6
        # scratch holds one scene: what the one before left goes now, and what this one leaves where it is too much
        staying = staying_darks(self.project, self.plan, scene) if keep else []
        own = [scene, source] if (source := self.plan["scenes"][scene].get("ground_from")) else [scene]
        clear(self.project, but=[*(b for name in own for b in self.plan["scenes"][name]["batches"]), *staying])
        engine = self._engine(*_targets(scene), keep=scene if keep else "", ahead=ahead)
        self._running = engine
        if self._stopping:  # asked to while scratch was cleared
            engine.terminate()
        with (self.project / "logs" / "engine.log").open("a", encoding="utf-8") as log, self._watching(scene):
            assert engine.stdout is not None
            jobs = JobLines()
            for line in engine.stdout:
                with contextlib.suppress(OSError):  # a full disk must not leave the engine without its master
                    log.write(line)
                    log.flush()
                if broken := re.match(r"Error in rule (\w+):", line):
                    self._broken.setdefault(scene, broken.group(1))
                ended = jobs.read(line)
                if ended is not None:
                    self._left.finished(ended)
            if engine.wait():
                self._failed.add(scene)

    def _wait(self, process: subprocess.Popen[Any]) -> int:
        try:
            return process.wait()
        except KeyboardInterrupt:
            process.terminate()
            process.wait()
            raise

    def _on_signal(self, number: int, frame: object) -> None:
        again, self._stopping = self._stopping, True
        if not again:
            self.teller.say("stopping when the running jobs have ended; once more stops at once")
        if self._running is not None and self._running.returncode is None:
            with contextlib.suppress(OSError):
                if again:
                    os.killpg(self._running.pid, signal.SIGKILL)
                else:
                    self._running.terminate()

    @contextlib.contextmanager
    def _watching(self, scene: str | None) -> Iterator[None]:
        """Tell the progress of running jobs while the block lasts."""
        over = threading.Event()

        def watch() -> None:
            while not over.wait(0.5):
                jobs = _progress(self.project)
                if jobs:
                    self.teller.status(_phrase(jobs, scene), self._left.phrase(jobs) if scene else "")

        thread = threading.Thread(target=watch, daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()
            self.teller.clear()

    def _renew_trip_page(self) -> None:
        """Make the trip's page where no scene gives the engine reason to: it was deleted, or the card has changed."""
        pages = [self.project / "results" / name for name in ("index.html", "trip.json")]
        sorted_at = _inventory_time(self.project)
        # times tell of an earlier run that was stopped before it; a clock that was set back would hide this one's
        newer = all(page.is_file() and page.stat().st_mtime_ns >= sorted_at for page in pages)
        if newer and not self._card_changed:
            return
        words = [*command("pipeline.summarise", self._address), "trip", "--project", str(self.project)]
        if subprocess.run(words, stdin=subprocess.DEVNULL, check=False).returncode:
            raise MoonlessError(f"{shown(self.project)}: the trip's page could not be written")

    def _frames(self) -> dict[str, int]:
        """How many frames there are in each batch, set and scene."""
        plan = self.project / "work" / "plan"
        frames = {path.stem: len(read_json(path)["frames"]) for path in plan.glob("batches/*.json")}
        for name, entry in (*self.plan["scenes"].items(), *self.plan["sets"].items()):
            frames[name] = sum(frames[batch] for batch in entry["batches"])
        return frames

    def _megapixels(self, frames: Mapping[str, int]) -> dict[str, float]:
        """Of one frame, in each batch, set and scene, where it is known."""
        sizes: dict[str, float] = {}
        for name, entry in (*self.plan["scenes"].items(), *self.plan["sets"].items()):
            if name in self._bytes and frames[name]:
                size = self._bytes[name] / 2e6 / frames[name]
                sizes |= dict.fromkeys((name, *entry["batches"]), size)
        return sizes

    # ---- afterwards

    def _not_made(self) -> list[str]:
        made = {s for s in self._scenes() if (self.project / "results" / s / "combined.tif").is_file()}
        return [s for s in self._scenes() if s in self._failed or s not in made]

    def _scenes(self) -> list[str]:
        """The scenes that are made: those that are there for another's ground alone are not."""
        return [s for s, entry in self.plan["scenes"].items() if not entry.get("gives_ground_to")]

    def _failures(self, scene: str) -> list[str]:
        from pipeline.scene.records import read_all, scene_failures  # only here: see `sort_card`

        work, source = self.project / "work", self.plan["scenes"][scene].get("ground_from")
        found = scene_failures(work, scene, source, read_all(work / "failures"))
        return [f"{failure.get('step')}: {failure.get('sentence')}" for failure in found]

    def _tell_end(self, failed: list[str]) -> None:
        results = self.project / "results"
        for scene in self._scenes():
            if scene in failed:
                step = self._broken.get(scene)
                ended = f"the step {step} ended without a word (killed, out of memory?); " if step else ""
                why = self._failures(scene) or [f"{ended}run again, and see logs/engine.log in {shown(self.project)}"]
                self.teller.say(f"scene {scene}: NOT MADE: {why[0]}")
                continue
            figures = read_json(results / scene / "scene.json")
            noise = ""
            if figures.get("noise_ratio") is not None and figures.get("noise_frame"):
                gain = figures["noise_frame"] / figures["noise_combined"]
                lower = f"{gain:.1f} times lower" if gain >= 1 else f"{1 / gain:.1f} times HIGHER"
                exposure, iso = (figures.get(f"noise_frame_{key}") for key in ("exposure_s", "iso"))
                which = f" of {exposure:g} s" + (f" at ISO {iso}" if iso else "") if exposure else ""
                noise = f", noise {lower} than in one frame{which}"
                noise += f" ({figures['noise_ratio']:.2f} of the noise that theory expects)"
                if figures.get("noise_gain_beyond"):
                    from pipeline.pages.noise import frames_unlike  # here: pages are loaded for the last job anyway

                    unlike = "; more than equal frames could give, for these are unlike"
                    noise += unlike if frames_unlike(figures) else "; no such gain is possible, its page says why"
            found = figures.get("frames_found")
            frames = _some(found, "frame")
            self.teller.say(f"scene {scene}: {figures.get('frames_kept')} of {frames} kept{noise}")
            if (figures.get("latitude") or {}).get("wrong"):
                from pipeline.pages.placed import latitude_note  # here: see above

                self.teller.say(f"scene {scene}: {latitude_note(figures)}")
        for line in _of_no_use(results / "trip.json"):
            self.teller.say(line)
        page = f"; open {shown(results / 'index.html')}" if (results / "index.html").is_file() else ""
        # from the start of the command: loading and sorting the card are waited for as well
        took = duration(time.time() - psutil.Process().create_time())
        of = f"{len(failed)} of {len(self._scenes())} scenes not made, after" if failed else "done in"
        self.teller.say(f"{of} {took}{page}")


def _inventory_time(project: Path) -> int:
    """When the inventory's table was written, which it is where it has something else to say; 0 where there is none."""
    try:
        return (project / "results" / "inventory.ecsv").stat().st_mtime_ns
    except OSError:
        return 0


def _of_no_use(trip: Path) -> list[str]:
    """Lines on files that could not be used, known from their sorting or since: nobody should have to look for it that
    a card goes bad, or that a frame went away while the run went on."""
    try:
        files = read_json(trip)["unusable"]
    except (OSError, ValueError, KeyError):
        return []  # that the page was not written is told elsewhere
    kinds = [f" ({each['kind']})" if each["kind"] != "unreadable" else "" for each in files]
    lines = [f"  {each['file']}{kind}: {each['why']}" for each, kind in zip(files[:NAMED], kinds, strict=False)]
    if len(files) > NAMED:
        lines.append(f"  and {len(files) - NAMED} more, named on the trip's page")
    return [f"{_some(len(files), 'file')} could not be used:", *lines] if files else []


def _progress(project: Path) -> list[dict[str, Any]]:
    jobs = []
    for path in sorted((project / "work" / "progress").glob("[!.]*.json")):
        with contextlib.suppress(OSError, json.JSONDecodeError):
            jobs.append(read_json(path))
    return jobs


def _phrase(jobs: list[dict[str, Any]], scene: str | None) -> str:
    """What is being done, for which scene, how many of how many, and what a job says of it."""
    steps = Counter(job["step"] for job in jobs)
    parts = []
    for step in DOING:
        if step in steps:
            done = sum(j["done"] for j in jobs if j["step"] == step)
            total = sum(j["total"] for j in jobs if j["step"] == step)
            told = (
                f", {min(100 * done / max(total, 1), 100):.0f}\u202f%" if step in IN_PARTS else f", {done} of {total}"
            )
            parts.append(DOING[step] + (told if total > 1 else ""))
            parts[-1] += "".join(f" ({j['note']})" for j in jobs if j["step"] == step and j.get("note"))
    return (f"scene {scene}: " if scene else "") + "; ".join(parts)


def _jobs_of(project: Path) -> list[int]:
    """Engines and steps of this pipeline that are at work in this folder, this process and what it started apart."""
    found = []
    for process in psutil.process_iter(["pid", "ppid", "cwd", "cmdline"]):
        words = process.info["cmdline"] or []
        modules = [name for flag, name in itertools.pairwise(words) if flag == "-m"]
        ours = any(name == "snakemake" or name.startswith("pipeline.") for name in modules)
        own = os.getpid() in (process.info["pid"], process.info["ppid"])
        if ours and process.info["cwd"] == str(project) and not own:
            found.append(int(process.info["pid"]))
    return found
