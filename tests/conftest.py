"""A small trip, made once and run once, for the tests of the whole chain."""

import re
import shutil
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from example_project.maker import make_scenario, write_dng

ROOT = Path(__file__).parents[1]


def moonless(*arguments, check=None):
    """Run the front door as a user does; text of both streams and the status."""
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.moonless", *map(str, arguments)],
        cwd=ROOT, capture_output=True, text=True, errors="replace", stdin=subprocess.DEVNULL, check=False,
    )  # fmt: skip
    if check is not None and done.returncode != check:
        raise AssertionError(f"status {done.returncode}, not {check}:\n{done.stdout}\n{done.stderr}")
    return done


def planned(project):
    """Jobs a rule that a run would do."""
    text = moonless("run", project, "--dry-run", check=0).stdout
    jobs = Counter({rule: int(n) for rule, n in re.findall(r"would run (\w+): (\d+) job", text)})
    assert jobs or "everything is up to date" in text
    return jobs


@pytest.fixture(scope="session")
def small_frames(tmp_path_factory):
    """Raw files of two scenes (a tripod at 24 mm, a tracker at 50 mm) and darks, with their truth, by scene."""
    folder = tmp_path_factory.mktemp("card")
    truth = {}
    for name, lens, mount, n, seed in (("tripod", 24.0, "tripod", 5, 1), ("tracker", 50.0, "tracked", 4, 2)):
        scenario = make_scenario(lens_mm=lens, width=720, height=480, n=n, mount=mount, exposure_s=15, seed=seed)
        truth[name] = []
        for frame in scenario.frames():
            write_dng(folder / f"{name}_{frame.name}", frame.mosaic, frame.meta)
            truth[name].append(frame.truth)
    for frame in scenario.darks(4):
        write_dng(folder / frame.name, frame.mosaic, frame.meta)
    return folder, truth


@pytest.fixture(scope="session")
def made_trip(small_frames, tmp_path_factory):
    """A project folder on which the whole job has been done."""
    project = tmp_path_factory.mktemp("trip") / "my trip"
    shutil.copytree(small_frames[0], project / "raw")
    # one frame is kept back, to be added later
    (project / "later").mkdir()
    last = max((project / "raw").glob("tripod_*"))
    last.rename(project / "later" / last.name)
    dark = max((project / "raw").glob("dark*"))
    dark.rename(project / "later" / dark.name)
    (project / "trip.yaml").write_text("frames: [raw]\n")
    moonless("run", project, "--cores", 2, check=0)
    return project


@pytest.fixture
def trip_copy(made_trip, tmp_path):
    """A copy of it to change, file times kept."""
    project = tmp_path / "my trip"
    shutil.copytree(made_trip, project, symlinks=True)
    return project
