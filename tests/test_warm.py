"""Jobs forked from a process that is loaded already are the jobs that a new process would be."""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version

import numpy as np
import psutil
import pytest

from pipeline.config import Trip
from pipeline.run.night import Night, _jobs_of
from pipeline.run.warm import Warm, command
from pipeline.sensor.mosaic import to_stored

SLEEP = ("-n", "1", "-r", "1", "import time; time.sleep(60)")


@pytest.fixture(scope="module")
def warm(tmp_path_factory):
    """A process that has everything loaded; of one compiled function at least there is machine code kept."""
    to_stored(np.zeros((1, 1), np.uint16), np.zeros((1, 1), np.uint16))
    process = Warm(tmp_path_factory.mktemp("project"))
    yield process
    process.close()


def asked(address, module, *arguments, **settings):
    """A command handed over; the asker as a `Popen`."""
    words = [*command(module, address), *arguments]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **settings)


def wait_for(condition, seconds=30.0):
    """Wait until a condition holds; whether it did."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.05)
    return False


@pytest.mark.parametrize("through", [True, False])
def test_a_job_has_its_askers_streams_folder_and_environment(warm, through, tmp_path):
    """Output, errors, status, folder and environment are the asker's, with the loaded process and without."""
    text = "import os, sys; print(os.getcwd(), os.environ['WORD']); print('wrong', file=sys.stderr)"
    address = warm.address if through else str(tmp_path / "nobody")
    job = asked(address, "timeit", "-n", "1", "-r", "1", text, cwd=tmp_path, env=os.environ | {"WORD": "heard"})
    out, errors = job.communicate(timeout=60)
    assert out.splitlines()[0] == f"{tmp_path} heard"
    assert errors.splitlines()[0] == "wrong"
    assert job.returncode == 0


@pytest.mark.parametrize("through", [True, False])
def test_the_engine_starts_either_way(warm, through, tmp_path):
    """The engine's own command line works through the loaded process and where nobody answers."""
    address = warm.address if through else str(tmp_path / "nobody")
    out, _ = asked(address, "snakemake", "--version").communicate(timeout=60)
    assert out.strip() == version("snakemake")


def test_machine_code_that_is_kept_is_loaded_once_for_all_jobs(warm):
    """A job finds compiled functions loaded that it has not called."""
    text = "from pipeline.sensor import mosaic; print(len(mosaic._to_stored.overloads))"

    def loaded() -> bool:
        out, _ = asked(warm.address, "timeit", "-n", "1", "-r", "1", text).communicate(timeout=60)
        return int(out.split()[0]) > 0

    assert wait_for(loaded)  # it is asked while it goes on loading


def test_a_steps_status_comes_back(warm, tmp_path):
    """A step that fails does so for its asker, with its sentence."""
    files = [word for name in ("scene", "grades", "stars", "out") for word in (f"--{name}", name)]
    job = asked(warm.address, "pipeline.judge", "--project", str(tmp_path / "none"), *files)
    _, errors = job.communicate(timeout=60)
    assert job.returncode == 1
    assert "is not a folder" in errors


def test_a_job_ends_with_its_asker(warm):
    """A job whose asker is killed is killed; a job that is killed takes the signal as its asker's status."""
    before = len(warm.children())
    job = asked(warm.address, "timeit", *SLEEP)
    assert wait_for(lambda: len(warm.children()) == before + 1)
    job.kill()
    job.communicate()
    assert wait_for(lambda: len(warm.children()) == before)
    job = asked(warm.address, "timeit", *SLEEP)
    assert wait_for(lambda: len(warm.children()) == before + 1)
    warm.children()[0].kill()
    job.communicate(timeout=60)
    assert job.returncode == 128 + signal.SIGKILL


def test_a_wish_to_end_reaches_the_job(warm):
    """SIGTERM to the asker is SIGTERM to the job."""
    job = asked(warm.address, "timeit", *SLEEP)
    assert wait_for(lambda: warm.children())
    job.terminate()
    job.communicate(timeout=60)
    assert job.returncode == 128 + signal.SIGTERM


def test_the_project_folder_is_never_imported_from(tmp_path):
    """A file in the folder that is named like a module of Python's is not run."""
    (tmp_path / "random.py").write_text("raise SystemExit('run')")
    done = subprocess.run(
        [*command("pipeline.judge", None), "--help"], cwd=tmp_path, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(p for p in sys.path if p)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_a_folder_that_is_too_deep_for_a_socket(tmp_path, monkeypatch):
    """The name of a socket has 107 bytes at most: nothing is left behind, and the front door does without."""
    deep = tmp_path / ("d" * 100)
    deep.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(deep))
    (tmp_path / "results" / "a").mkdir(parents=True)
    (tmp_path / "results" / "a" / ".part-x.fits").write_bytes(b"left by a killed job")
    with Night(tmp_path, Trip(), 1, warm=Warm.begun(tmp_path)) as night:
        assert list((tmp_path / "results" / "a").iterdir()) == []
        assert night._address is None
        night._on_signal(signal.SIGINT, None)  # a wish to end before the engine is there
        assert night._stopping
    assert list(deep.iterdir()) == []


def test_the_time_told_is_that_of_the_whole_command(tmp_path, monkeypatch, capsys):
    """What goes before the engine counts: a process three hours old tells three hours."""
    monkeypatch.setattr(psutil.Process, "create_time", lambda _: time.time() - 3 * 3600)
    night = Night(tmp_path, Trip(), 1)
    night.plan = {"scenes": {}}
    night._tell_end([])
    assert "done in 3 h 00 min" in capsys.readouterr().out


def test_a_latitude_that_the_stars_contradict_is_told_at_the_end(tmp_path, capsys):
    """Beside its scene, with where to look."""
    (tmp_path / "results" / "a").mkdir(parents=True)
    told = {"told_deg": 48.0, "wrong": True, "never_up": True, "by_stars_deg": None, "by_stars_sigma_deg": None}
    (tmp_path / "results" / "a" / "scene.json").write_text(json.dumps({"frames_kept": 3, "latitude": told}))
    night = Night(tmp_path, Trip(), 1)
    night.plan = {"scenes": {"a": {}}}
    night._tell_end([])
    assert "scene a: The stars contradict the latitude given" in capsys.readouterr().out


def test_a_process_that_nothing_runs_in_ends_while_it_loads(tmp_path, monkeypatch):
    """The front door waits for no library that nobody needs; nothing is left, and ending it twice is no fault."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    alone = Warm(tmp_path)
    alone.close()
    assert list(tmp_path.iterdir()) == []
    alone.close()


def test_jobs_left_behind_are_told_from_ones_own(tmp_path):
    """The front door ends what an interrupted run has left in the folder, but not the process that it has begun."""
    folder = tmp_path.resolve()
    own = Warm(folder)
    words = [sys.executable, "-c", SLEEP[-1], "-m", "snakemake"]
    text = f"import subprocess; print(subprocess.Popen({words}, stdout=subprocess.DEVNULL).pid)"
    done = subprocess.run([sys.executable, "-c", text], cwd=folder, stdout=subprocess.PIPE, check=True)
    other = int(done.stdout)
    try:
        assert _jobs_of(folder) == [other]
    finally:
        os.kill(other, signal.SIGKILL)
        own.close()


def test_nothing_is_left_where_the_front_door_was_killed(tmp_path):
    """The process that is ended from outside takes its socket's folder with it."""
    alone = Warm(tmp_path)
    asked(alone.address, "timeit", "-n", "1", "-r", "1", "pass").communicate(timeout=120)
    assert os.path.exists(alone.address)
    alone._process.terminate()
    alone._process.wait(timeout=60)
    assert not os.path.exists(os.path.dirname(alone.address))
    alone.close()


def test_no_job_goes_on_without_the_process_that_tells_its_end(tmp_path):
    """Its asker has told of a failure by then: two would write the same file."""
    alone = Warm(tmp_path)
    job = asked(alone.address, "timeit", *SLEEP)
    assert wait_for(alone.children)
    (child,) = alone.children()
    alone._process.kill()
    job.communicate(timeout=60)
    assert job.returncode == 1
    assert wait_for(lambda: not child.is_running() or child.status() == psutil.STATUS_ZOMBIE)
    alone.close()
