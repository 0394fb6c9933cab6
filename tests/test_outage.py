"""A machine that goes down during a run: what may not have reached the disk is made again."""

import os
from pathlib import Path

import pytest

from pipeline.config import Trip
from pipeline.run import outage
from pipeline.run.night import Night
from pipeline.run.warm import Warm

NAMES = {
    "work/mosaics/b1/1.fits": -600.0,
    "work/mosaics/b1/decoded.ecsv": -600.0,
    "work/mosaics/b2/1.fits": -600.0,  # the last of its folder is young
    "work/mosaics/b2/2.fits": -100.0,
    "work/grades/b1.ecsv": -590.0,
    "work/darks/d1.fits": -130.0,
    "work/scenes/s/geometry.json": -5.0,
    "results/s/combined.fits": 0.0,
    "results/s/my notes.txt": -1.0,
    "results/inventory.ecsv": -1.0,
    "work/plan/plan.json": -1.0,
}
YOUNG = {"work/mosaics/b2/1.fits", "work/mosaics/b2/2.fits", "work/scenes/s/geometry.json", "results/s/combined.fits"}


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder in which a run is at work; times are seconds before its last file. The machine will be up again an hour
    after that."""
    monkeypatch.setattr("psutil.boot_time", lambda: 1.8e9 + 3600)
    monkeypatch.setattr("time.time", lambda: 1.8e9 + 7200)
    for name, age_s in NAMES.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
        os.utime(path, (1.8e9 + age_s, 1.8e9 + age_s))
    for folder in ("b1", "b2"):
        os.utime(tmp_path / "work" / "mosaics" / folder, (1.8e9 - 600, 1.8e9 - 600))
    outage.begin(tmp_path)
    return tmp_path


def left(project: Path) -> set[str]:
    return {name for name in NAMES if (project / name).is_file()}


def test_what_was_made_last_is_made_again_after_another_start(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Planted: an empty file under a final name; so it is with delayed allocation (ext4(5): auto_da_alloc, for a name
    that was not there before). What is older, the plan and what the user keeps there stay."""
    (project / "other").write_text("another start")
    monkeypatch.setattr(outage, "BOOT_ID", project / "other")
    assert outage.distrust(project) == 3
    assert left(project) == NAMES.keys() - YOUNG


def test_what_was_changed_since_is_not_of_that_run(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A picture that was worked on since the machine is up again stays, and hides nothing of what the run made last."""
    edited = project / "results" / "other" / "combined.tif"
    edited.parent.mkdir()
    edited.write_text("worked on")
    os.utime(edited, (1.8e9 + 5000, 1.8e9 + 5000))
    (project / "other").write_text("another start")
    monkeypatch.setattr(outage, "BOOT_ID", project / "other")
    assert outage.distrust(project) == 3
    assert left(project) == NAMES.keys() - YOUNG
    assert edited.is_file()


def test_nothing_is_made_again_on_the_same_start_or_after_an_end(
    project: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run that was killed, and one that ended before the machine did."""
    assert outage.distrust(project) == 0
    outage.end(project)
    (project / "other").write_text("another start")
    monkeypatch.setattr(outage, "BOOT_ID", project / "other")
    assert outage.distrust(project) == 0
    assert left(project) == NAMES.keys()


def test_a_system_that_tells_no_start_is_trusted(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no number of the start nothing is noted and nothing removed."""
    monkeypatch.setattr(outage, "BOOT_ID", project / "nowhere")
    outage.begin(project)
    assert outage.distrust(project) == 0


def test_a_run_says_what_it_makes_again(
    project: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Once; a dry run touches nothing."""
    (project / "other").write_text("another start")
    monkeypatch.setattr(outage, "BOOT_ID", project / "other")
    with Night(project, Trip(), 1, dry=True):
        assert left(project) == NAMES.keys()
    said = "the machine went down during an earlier run: 3 files of its last minutes made again"
    for times in (1, 0):
        with Night(project, Trip(), 1, warm=Warm.begun(project)):
            assert left(project) == NAMES.keys() - YOUNG
        assert capsys.readouterr().out.count(said) == times
        assert not (project / "work" / "boot_id").exists()
