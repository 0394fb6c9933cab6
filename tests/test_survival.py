"""What befalls a night: a full disk, a killed run; the next run goes on where it was."""

import base64
import resource
import signal
import subprocess
import sys
import time

import pytest

from example_project.maker import make_scenario, write_dng
from tests.conftest import ROOT, moonless

FULL_AT = 600_000  # bytes a file may have: mosaics fit, pictures do not


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    """Three small frames."""
    folder = tmp_path_factory.mktemp("night") / "trip"
    (folder / "raw").mkdir(parents=True)
    scenario = make_scenario(lens_mm=24, width=480, height=320, n=3, mount="tripod", exposure_s=15, seed=1)
    for frame in scenario.frames():
        write_dng(folder / "raw" / frame.name, frame.mosaic, frame.meta)
    (folder / "trip.yaml").write_text("frames: [raw]\n")
    return folder


def start(project, **settings):
    """The front door on its way."""
    words = [sys.executable, "-m", "pipeline.moonless", "run", str(project)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
    # tests that were started in the background ignore Ctrl-C, and what they start would too
    settings = {"preexec_fn": lambda: signal.signal(signal.SIGINT, signal.default_int_handler), **settings}
    return subprocess.Popen(words, cwd=ROOT, text=True, **pipes, **settings)


def wait_for_step(project, *steps):
    """Until a job of one of the steps is at work."""
    end = time.monotonic() + 300
    while time.monotonic() < end:
        if any(path.name.startswith(steps) for path in (project / "work" / "progress").glob("*.json")):
            return
        time.sleep(0.02)
    raise AssertionError("the step did not begin")


def test_what_befalls_a_night_costs_no_more_than_the_job_at_work(project):
    """A disk that fills up ends the scene with a sentence and leaves no rubbish; a run that is killed is taken over at
    once, and nothing that was done is done again.
    """

    def little_room():
        resource.setrlimit(resource.RLIMIT_FSIZE, (FULL_AT, FULL_AT))

    text, _ = (full := start(project, preexec_fn=little_room)).communicate(timeout=600)
    assert full.returncode == 1
    assert "NOT MADE: combine: " in text
    assert "/combined.fits: File too large; raise the limit on the size of files (ulimit -f)" in text
    assert "1 of 1 scenes not made, after" in text
    (scene,) = (path for path in (project / "results").iterdir() if path.is_dir())
    assert not [path for path in project.rglob("*") if path.name.startswith(".part")]
    assert not (scene / "combined.fits").exists()
    assert (scene / "not-made.html").is_file()
    grades = {path: path.stat().st_mtime_ns for path in (project / "work" / "grades").iterdir()}

    killed = start(project)
    wait_for_step(project, "combine")
    killed.send_signal(signal.SIGKILL)
    killed.communicate()
    # as if the run had been killed just before the engine took its mark of a decoding that had ended away
    (mosaics,) = (path for path in (project / "work" / "mosaics").iterdir() if not path.name.startswith("."))
    name = base64.b64encode(str(mosaics.relative_to(project)).encode()).decode()
    assert "/" not in name
    (project / ".snakemake" / "incomplete" / name).write_text('{"external_jobid": null}')
    done = moonless("run", project, check=0)
    assert "3 of 3 frames kept" in done.stdout
    assert (scene / "combined.tif").is_file()
    assert not (scene / "not-made.html").exists()
    assert not list(project.rglob(".part-*"))
    assert grades == {path: path.stat().st_mtime_ns for path in grades}


def test_a_run_that_is_asked_to_end_does(project):
    """Ctrl-C while the card is sorted, SIGTERM while a job is at work: a sentence, status 130, no process left."""
    (project / "trip.yaml").write_text("frames: [raw]\nfinish: {preview_px: 300}\n")
    run = start(project)
    wait_for_step(project, "inventory")
    run.send_signal(signal.SIGINT)
    text, _ = run.communicate(timeout=120)
    assert run.returncode == 130
    assert "moonless: stopped; run the same command again" in text
    run = start(project)
    wait_for_step(project, "finish", "summarise")
    run.terminate()
    text, _ = run.communicate(timeout=120)
    assert run.returncode == 130
    assert "stopping when the running jobs have ended" in text
    assert "run the same command again to go on where it was" in text
    assert moonless("run", project, check=0).stdout.count("kept") == 1
