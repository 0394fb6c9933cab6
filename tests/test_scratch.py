"""Room for mosaics, and what a dry run puts aside."""

from collections import namedtuple

import pytest

from pipeline.errors import InputError
from pipeline.run import scratch
from pipeline.run.engine import ASIDE, put_back

NEED = {"a": 40_000_000, "b": 90_000_000}
Usage = namedtuple("Usage", "total used free")


def disk_with(monkeypatch, free):
    """A disk on which so many bytes are free."""
    monkeypatch.setattr(scratch.shutil, "disk_usage", lambda path: Usage(10**9, 10**9 - free, free))


def test_a_scene_larger_than_its_allowance_stops_the_run(tmp_path):
    """By the largest scene, at the very byte; the sentence names the key, the scene, both sizes and a way out."""
    scratch.check_room(tmp_path, NEED, 90)
    with pytest.raises(InputError, match=r"limits\.scratch_mb: scene b needs 90 MB of scratch \(got 89\); raise it"):
        scratch.check_room(tmp_path, NEED, 89)


def test_a_scene_larger_than_the_disk_stops_the_run(tmp_path, monkeypatch):
    """What mosaics of an earlier run take counts as free: they may go."""
    disk_with(monkeypatch, 60_000_000)
    with pytest.raises(InputError, match=r"scene b needs 90 MB of scratch, and the disk has 60 MB for it; make room"):
        scratch.check_room(tmp_path, NEED, None)
    batch = tmp_path / "work" / "mosaics" / "a-0"
    batch.mkdir(parents=True)
    (batch / "one.fits").write_bytes(bytes(31_000_000))
    scratch.check_room(tmp_path, NEED, None)


def test_nothing_to_make_needs_no_room(tmp_path, monkeypatch):
    """A disk that is full does not matter then."""
    disk_with(monkeypatch, 0)
    scratch.check_room(tmp_path, {}, 0)


def test_what_a_dry_run_put_aside_comes_back_but_over_nothing_newer(tmp_path):
    """A file and a folder of the name that are there are newer: they stay."""
    scene, mosaics = tmp_path / "work" / "scenes" / "a", tmp_path / "work" / "mosaics"
    for folder in (scene, mosaics / f"{ASIDE}a-0", mosaics / f"{ASIDE}a-1", mosaics / "a-1"):
        folder.mkdir(parents=True)
    for path, text in (
        (scene / f"{ASIDE}geometry.json", "old"),
        (scene / f"{ASIDE}verdicts.ecsv", "old"),
        (scene / "verdicts.ecsv", "new"),
        (mosaics / f"{ASIDE}a-0" / "one.fits", "old"),
        (mosaics / f"{ASIDE}a-1" / "one.fits", "old"),
        (mosaics / "a-1" / "one.fits", "new"),
    ):
        path.write_text(text)
    put_back(tmp_path)
    found = {str(p.relative_to(tmp_path / "work")): p.read_text() for p in tmp_path.rglob("*") if p.is_file()}
    assert found == {
        "scenes/a/geometry.json": "old",
        "scenes/a/verdicts.ecsv": "new",
        "mosaics/a-0/one.fits": "old",
        "mosaics/a-1/one.fits": "new",
    }
