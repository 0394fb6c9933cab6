"""Who works on a project folder."""

import signal
import subprocess
import sys
from types import SimpleNamespace

import pytest

from pipeline.errors import InputError
from pipeline.run import night
from pipeline.run.locks import hold_run, no_jobs, share_jobs


def test_a_folder_is_taken_once_even_where_work_is_deleted(tmp_path):
    """A second run is refused with the process that has the folder, without `work/` too, and let in afterwards."""
    held = hold_run(tmp_path)
    asked = [sys.executable, "-c", "import sys; from pathlib import Path; from pipeline.run.locks import hold_run\n"
             "hold_run(Path(sys.argv[1]))", str(tmp_path)]  # fmt: skip
    done = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert "another run is working on this folder (process " in done.stderr
    (tmp_path / "work" / "locks" / "run").unlink()
    done = subprocess.run(asked, capture_output=True, text=True, check=False)
    assert "another run is working on this folder (process unknown)" in done.stderr
    held.close()
    assert subprocess.run(asked, check=False).returncode == 0


def test_jobs_are_seen_as_long_as_they_run(tmp_path):
    """The lock of jobs is shared, and free when all are done."""
    assert no_jobs(tmp_path)
    with share_jobs(tmp_path), share_jobs(tmp_path):
        assert not no_jobs(tmp_path)
    assert no_jobs(tmp_path)


def test_a_folder_that_cannot_be_written_to_is_refused(tmp_path):
    """The sentence says what to do."""
    (tmp_path / "work").write_text("a file where the folder should be")
    with pytest.raises(InputError, match=r"cannot be written to .*put trip.yaml into a folder of your own"):
        hold_run(tmp_path)


def test_jobs_that_cannot_be_ended_are_said(tmp_path, monkeypatch):
    """They are told to end, then killed; after half a minute of that the run is refused, with what to do."""
    sent, said = [], []
    monkeypatch.setattr(night, "_jobs_of", lambda project: [4_000_000])
    monkeypatch.setattr(night.os, "kill", lambda pid, which: sent.append(which))
    monkeypatch.setattr(night.time, "sleep", lambda seconds: None)
    run = SimpleNamespace(project=tmp_path, teller=SimpleNamespace(say=said.append))
    with (
        share_jobs(tmp_path),
        pytest.raises(InputError, match="still writing here and cannot be ended; wait"),
    ):
        night.Night._end_orphans(run)
    assert set(sent[:20]) == {signal.SIGTERM}
    assert set(sent[20:]) == {signal.SIGKILL}
    assert said == ["an earlier run was interrupted; ending the jobs that it left behind"]
    night.Night._end_orphans(run)
    assert len(said) == 1
