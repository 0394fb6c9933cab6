"""The whole chain on frames of camera size, step by step, beside the plain script on the same files in the same run.

    python -m tests.benchmarks.chain --out /somewhere/with/10/GB [--frames 16] [--width 6000 --height 4000] [--again]
    python -m tests.benchmarks.chain --out ... --frames 32 128 512 --width 1800 --height 1200 --plain 0

Prints seconds a frame by step and in all, peak memory (proportional set size, summed over every process of the run and
of the largest one), scratch, and ratios: to the plain script, to plain decoding of the same files, to a copy of one
frame as float32 RGB. Absolute seconds depend on the machine, wall seconds on what else it does; compare ratios of
processor seconds. With --again the finished scene is made anew after a frame is dropped by hand, and after a dark is
added: the time of each over that of the first run. Of several numbers of frames each is run; a table at the end says
what a frame costs at each.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from collections import defaultdict
from datetime import datetime
from pathlib import Path
from typing import Any

import psutil
import rawpy

from example_project.maker import make_scenario, write_dng
from tests.benchmarks.copies import copy_seconds

ROOT = Path(__file__).parents[2]


def make_frames(folder: Path, arguments: argparse.Namespace) -> list[Path]:
    """Lights and darks as raw files; kept from an earlier run of the same size."""
    scenario = make_scenario(
        lens_mm=arguments.lens, width=arguments.width, height=arguments.height, n=arguments.frames,
        mount=arguments.mount, exposure_s=15, altitude_deg=45, seed=1,
    )  # fmt: skip
    wanted = json.dumps({k: str(v) for k, v in vars(arguments).items() if k not in ("plain", "out", "again")})
    note = folder / "made-from.json"
    if not (note.is_file() and note.read_text() == wanted):
        shutil.rmtree(folder, ignore_errors=True)
        (folder / "raw").mkdir(parents=True)
        for frame in (*scenario.frames(), *scenario.darks(arguments.darks)):
            write_dng(folder / "raw" / frame.name, frame.mosaic, frame.meta, compressed=True)
        *_, later = scenario.darks(arguments.darks + 1)
        (folder / "later").mkdir()
        write_dng(folder / "later" / later.name, later.mosaic, later.meta, compressed=True)
        note.write_text(wanted)
    return sorted((folder / "raw").glob("light*"))


# A look at the processes' memory takes locks that they need: so many times as long as it took is waited after each.
LOOKS_APART = 20


def held_memory(pid: int) -> int:
    """Proportional set size of a process in bytes, mapped mosaics apart; 0 where it has ended."""
    folder = Path(f"/proc/{pid}")
    try:
        # the sum is cheap, its parts are not: they are read only where a mosaic is mapped
        text, mapped = (folder / "smaps_rollup").read_text(errors="replace"), False
        # looked at behind it: a mosaic that was mapped meanwhile must not count
        if b"/mosaics/" in (folder / "maps").read_bytes():
            text, mapped = (folder / "smaps").read_text(errors="replace"), True
    except OSError:
        return 0
    held, counts = 0, True
    for line in text.splitlines():
        if line.startswith("Pss:"):
            held += int(line.split()[1]) * 1024 if counts else 0
        elif mapped and "-" in line.split(" ", 1)[0]:
            counts = "/mosaics/" not in line
    return held


def size_on_disk(folder: Path) -> int:
    """Bytes that the files in a folder take, as far as they are still there when they are looked at."""
    held = 0
    for at, _, names in os.walk(folder):  # passes over folders that go meanwhile
        for name in names:
            with contextlib.suppress(OSError):
                held += os.lstat(os.path.join(at, name)).st_blocks * 512
    return held


class Watch:
    """Peak memory of a process and all its children, and peak size of a folder, sampled up to twice a second."""

    def __init__(self, command: list[str], scratch: Path | None = None) -> None:
        self.one = self.all = self.scratch = 0
        begun = time.time()
        process = psutil.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        over = threading.Event()

        def sample() -> None:
            pause = 0.5
            while not over.wait(pause):
                looked = time.thread_time()
                try:
                    sizes = [held_memory(p.pid) for p in (process, *process.children(recursive=True))]
                except psutil.Error:
                    continue
                self.one, self.all = max(self.one, *sizes), max(self.all, sum(sizes))
                if scratch is not None:
                    self.scratch = max(self.scratch, size_on_disk(scratch))
                pause = max(0.5, LOOKS_APART * (time.thread_time() - looked))

        thread = threading.Thread(target=sample)
        thread.start()
        before = os.times()
        self.output, _ = process.communicate()
        after = os.times()
        self.cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
        over.set()
        thread.join()
        self.seconds = time.time() - begun
        if process.returncode:
            sys.exit(f"{' '.join(command)} failed:\n{self.output}")


def timings(project: Path) -> list[dict[str, Any]]:
    """What each job noted of itself when it ended, of the last run that ran it."""
    return [json.loads(path.read_text()) for path in (project / "work" / "timings").glob("*.json")]


def draw(jobs: list[dict[str, Any]], columns: int = 100) -> None:
    """Each job's span as a line of text, one under another."""
    begun = {id(j): datetime.fromisoformat(j["begun"]).timestamp() for j in jobs}
    first = min(begun.values())
    span = max(begun[id(j)] + j["wall_s"] for j in jobs) - first
    for job in sorted(jobs, key=lambda j: begun[id(j)]):
        left = round((begun[id(job)] - first) / span * columns)
        width = max(1, round(job["wall_s"] / span * columns))
        bar = " " * left + "#" * width
        print(f"{job['step']:<10}{bar:<{columns + 1}} {begun[id(job)] - first:6.1f} s +{job['wall_s']:.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--frames", type=int, default=[16], nargs="+")
    parser.add_argument("--darks", type=int, default=8)
    parser.add_argument("--width", type=int, default=6000)
    parser.add_argument("--height", type=int, default=4000)
    parser.add_argument("--lens", type=float, default=24.0)
    parser.add_argument("--mount", choices=("tripod", "tracked"), default="tripod")
    parser.add_argument("--again", action="store_true", help="also drop a frame, then add a dark, and run again")
    parser.add_argument("--plain", type=int, default=16, help="frames for the plain script; 0 leaves it out")
    arguments = parser.parse_args()
    costs: dict[int, dict[str, float]] = {}
    for frames in arguments.frames:
        costs[frames] = measure(argparse.Namespace(**{**vars(arguments), "frames": frames}))
    if len(costs) > 1:
        print(f"\n{'cpu s a frame':<12}" + "".join(f"{f'N = {n}':>10}" for n in costs))
        for step in dict.fromkeys(step for cost in costs.values() for step in cost):
            print(f"{step:<13}" + "".join(f"{cost.get(step, 0.0):>10.3f}" for cost in costs.values()))


def measure(arguments: argparse.Namespace) -> dict[str, float]:
    """Run the chain on one number of frames and print; processor seconds a frame by step, and of all together."""
    project = arguments.out / "trip"
    paths = make_frames(project, arguments)
    for made in ("results", "work", "logs", ".snakemake"):
        shutil.rmtree(project / made, ignore_errors=True)
    (project / "trip.yaml").write_text("frames: [raw]\n")
    n = len(paths)

    copy, anew = copy_seconds(arguments.height, arguments.width)
    begun = time.process_time()
    for path in paths[:8]:
        with rawpy.imread(str(path)) as raw:
            raw.raw_image_visible.copy()
    decode = (time.process_time() - begun) / min(8, n)

    run = [sys.executable, "-m", "pipeline.moonless", "run", str(project)]
    chain = Watch(run, project / "work" / "mosaics")
    steps: dict[str, float] = defaultdict(float)
    cpu: dict[str, float] = defaultdict(float)
    jobs = timings(project)
    for record in jobs:
        steps[record["step"]] += record["wall_s"]
        cpu[record["step"]] += record["cpu_s"]
    print(chain.output)
    print(f"{n} lights, {arguments.darks} darks, {arguments.width} x {arguments.height}")
    print(f"copy of one frame {copy:.3f} s ({anew:.3f} into new memory), plain decoding {decode:.3f} cpu s a frame")
    print(f"{'step':<12}{'job s a frame':>15}{'cpu s a frame':>15}{'x decoding':>12}{'x copy':>9}")
    for step, seconds in sorted(cpu.items(), key=lambda item: -item[1]):
        a_frame = seconds / n
        print(f"{step:<12}{steps[step] / n:>15.3f}{a_frame:>15.3f}{a_frame / decode:>12.2f}{a_frame / copy:>9.1f}")
    a_frame = chain.cpu_s / n
    print(f"{'all, cpu':<27}{a_frame:>15.3f}{a_frame / decode:>12.2f}{a_frame / copy:>9.1f}")
    wall = chain.seconds / n
    print(f"{'all, wall':<12}{wall:>15.3f}{wall / decode:>27.2f}{wall / copy:>9.1f}")
    draw(jobs)
    print(f"peak memory: largest process {chain.one / 1e6:.0f} MB, all {chain.all / 1e6:.0f} MB")
    print(f"scratch: {chain.scratch / (2e0 * n * arguments.width * arguments.height):.2f} 16-bit mosaics a frame")
    if arguments.plain:
        chosen = [str(p) for p in paths[: arguments.plain]]
        plain = Watch(
            [sys.executable, str(Path(__file__).with_name("plain.py")), str(arguments.out / "plain.npy"), *chosen]
        )
        each, seconds = plain.cpu_s / len(chosen), plain.seconds / len(chosen)
        print(
            f"plain script: {seconds:.2f} s a frame, {each:.2f} s of processor time, "
            f"{plain.one / len(chosen) / 1e9:.2f} GB a frame"
        )
        print(
            f"the chain takes {a_frame / each:.2f} of its processor time and {wall / seconds:.2f} of its time a frame"
        )
    if arguments.again:
        drop = f"drop: [{paths[n // 3].name}]\n"
        for what, settings in (("a frame dropped", drop), ("a dark more", drop + "darks: [later]\n")):
            (project / "trip.yaml").write_text("frames: [raw]\n" + settings)
            begun = time.time()
            again = Watch(run)
            print(f"{what}: {again.seconds / chain.seconds:.0%} of the first run's time, "
                  f"{again.cpu_s / chain.cpu_s:.0%} of its processor seconds ({again.seconds:.1f} s)")  # fmt: skip
            draw([job for job in timings(project) if datetime.fromisoformat(job["begun"]).timestamp() > begun])
    return {**{step: seconds / n for step, seconds in cpu.items()}, "all": a_frame}


if __name__ == "__main__":
    main()
