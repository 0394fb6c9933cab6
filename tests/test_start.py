"""`moonless start`: what it writes and what it says."""

import os
import shlex
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipeline import inventory, versions
from pipeline.config import load_trip
from pipeline.errors import InputError
from pipeline.moonless import main, usable_cores
from pipeline.start import _scene_lines, frame_folders, start
from tests.cards import run


@pytest.fixture(autouse=True)
def unsolved(monkeypatch):
    """A second a frame is saved where nothing depends on the solution."""
    monkeypatch.setattr(inventory, "solve_stars", lambda *arguments: None)


def put(path, content=b"x"):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)


def test_it_says_what_a_folder_holds_and_writes_its_trip_file(small_frames, tmp_path, capsys):
    """Counts, scenes, nights, focal lengths and darks are told; the file is valid and the inventory follows it."""
    shutil.copytree(small_frames[0], tmp_path / "card" / "DCIM")
    put(tmp_path / "card" / "DCIM" / "holiday.jpg", b"\xff\xd8\xff\xe0")
    start(tmp_path / "card")
    told = capsys.readouterr().out
    for words in (
        "14 files: 9 lights, 4 darks, 1 not a frame",
        "2 scenes, 1 night (2026-08-14), focal lengths: 24 mm, 50 mm",
        "scene 2026-08-14_24mm_a: 5 frames of 15 s, ISO 1600, f/2.8",
        "darks: 4 darks of 15 s at ISO 1600",
        "then: moonless run",
    ):
        assert words in told
    trip = load_trip(tmp_path / "card")
    assert trip.frames == ["DCIM"]
    assert inventory.main(["--project", str(tmp_path / "card")]) == 0
    scenes = (tmp_path / "card/work/plan/scenes").iterdir()
    assert sorted(path.stem for path in scenes) == ["2026-08-14_24mm_a", "2026-08-14_50mm_a"]


def test_frames_cut_short_are_not_counted_as_sound(small_frames, tmp_path, capsys):
    """A light and a dark: neither among the lights and darks, both named."""
    shutil.copytree(small_frames[0], tmp_path / "raw")
    for pattern in ("tripod*", "dark*"):
        path = min((tmp_path / "raw").glob(pattern))
        os.truncate(path, path.stat().st_size // 2)
    start(tmp_path)
    told = capsys.readouterr().out
    for words in (
        "13 files: 8 lights, 3 darks, 2 unreadable",
        "5 frames of 15 s, 1 of them cannot be used",
        "darks: 3 darks of 15 s",
    ):
        assert words in told
    assert told.count("ends before its picture does") == 2


def test_it_tells_what_is_missing(small_frames, tmp_path, capsys):
    """Lights without darks: said of the scene."""
    for path in small_frames[0].glob("tracker*"):
        shutil.copyfile(path, tmp_path / path.name)
    start(tmp_path)
    assert "no darks were found" in capsys.readouterr().out
    assert load_trip(tmp_path).frames == ["."]


@pytest.mark.parametrize(("exposure_s", "said"), [(30.0, "in all"), (None, "exposure not known")])
def test_an_exposure_that_no_frame_states_is_not_known(exposure_s, said):
    """Not `0 s in all`."""
    scene = SimpleNamespace(scene="s", dark_why="no darks", flat_set=None, flat_why="", notes=())
    assert said in next(iter(_scene_lines(scene, run(4, exposure_s=exposure_s))))


@pytest.mark.parametrize("name", ["trip", "N's \"tr$(touch HACK) `x` é", "-rf night"])
def test_the_command_it_names_can_be_pasted_into_a_shell(name, tmp_path, monkeypatch):
    """A shell (`shlex`: POSIX rules) reads the folder's name from it as one word, which is no option."""
    monkeypatch.chdir(tmp_path)
    put(tmp_path / name / "1.dng")
    put(tmp_path / name / "trip.yaml", b"mine")
    with pytest.raises(InputError) as told:
        start(Path(name))
    words = shlex.split(str(told.value).partition("go on with: ")[2])
    assert words[:2] == ["moonless", "run"]
    assert len(words) == 3
    assert not words[2].startswith("-")
    assert os.path.samefile(words[2], tmp_path / name)


def test_letters_stand_in_the_trip_file_as_they_are(small_frames, tmp_path):
    """Not as their codes, which nobody reads; bytes that are no UTF-8 have no other form."""
    for name in ("Nächte", "b\udcff"):
        (tmp_path / name).mkdir()
        for path in small_frames[0].glob("tracker*0.dng" if name == "b\udcff" else "tripod*"):
            shutil.copyfile(path, tmp_path / name / path.name)
    start(tmp_path)
    assert 'frames: ["Nächte", "b\\uDCFF"]' in (tmp_path / "trip.yaml").read_text(encoding="utf-8")
    assert load_trip(tmp_path).frames == ["Nächte", "b\udcff"]


def test_an_existing_trip_file_is_left_alone(tmp_path):
    """Also one that is a link to nowhere."""
    put(tmp_path / "1.dng")
    put(tmp_path / "trip.yaml", b"mine")
    with pytest.raises(InputError, match="is there already and is left as it is"):
        start(tmp_path)
    assert (tmp_path / "trip.yaml").read_bytes() == b"mine"
    (tmp_path / "trip.yaml").unlink()
    (tmp_path / "trip.yaml").symlink_to("nowhere")
    with pytest.raises(InputError, match="is there already"):
        start(tmp_path)


@pytest.mark.parametrize(
    ("files", "words"),
    [((), "no files at all"), (("a.jpg", "b/c.jpg", "d.txt"), r"found 2 \.jpg, 1 \.txt")],
)
def test_a_folder_without_raw_frames(tmp_path, files, words):
    """The sentence says what there is instead; nothing is written."""
    for name in files:
        put(tmp_path / name)
    with pytest.raises(InputError, match=f"no raw frames in it or in the folders below .*{words}"):
        start(tmp_path)
    assert not (tmp_path / "trip.yaml").exists()
    assert not (tmp_path / "work").exists()


def test_no_folder(tmp_path):
    """A file, or nothing, is no folder."""
    put(tmp_path / "file")
    for name in ("file", "gone"):
        with pytest.raises(InputError, match="there is no such folder"):
            start(tmp_path / name)


@pytest.mark.parametrize(
    ("files", "folders"),
    [
        (("1.dng", "darks/2.dng"), ["."]),
        (("lights/1.dng", "darks/2.nef", "jpegs/3.jpg"), ["darks", "lights"]),
        (("DCIM/100/1.cr2", "DCIM/101/2.cr2"), ["DCIM"]),
        (("results/1.fits", "raw/1.dng"), ["raw"]),
        (("~/1.dng", "~root/1.dng", "a~/1.dng"), ["a~", "./~", "./~root"]),  # else they would mean somebody's home
        (tuple(f"night{n}/1.dng" for n in range(20)), ["."]),
    ],
)
def test_the_folders_of_frames(tmp_path, files, folders):
    """The folder itself where frames lie in it; else its folders that hold any, and never the pipeline's own."""
    for name in files:
        put(tmp_path / name)
    assert frame_folders(tmp_path) == folders


def test_hostile_folder_names_come_back_from_the_trip_file(small_frames, tmp_path):
    """Quotes, newlines, hashes, colons, pictographs and bytes that are no UTF-8 survive the way through YAML."""
    names = [b"a'b", b'"q"', b"new\nline", b"# no: comment", b"\xff\xfe", b"- dash", b"\xc3\xa9t\xc3\xa9"]
    names.append("\N{CAMERA}".encode())
    source = min(small_frames[0].glob("tripod*"))
    for name in names:
        folder = os.path.join(os.fsencode(tmp_path), name)
        os.mkdir(folder)
        shutil.copyfile(source, os.path.join(folder, b"1.dng"))
    start(tmp_path)
    assert sorted(os.fsencode(name) for name in load_trip(tmp_path).frames) == sorted(names)


def test_a_folder_without_night_sky_gets_no_trip_file(small_frames, tmp_path):
    """Darks alone make no scene: it is said, and nothing is written that `run` could not use."""
    shutil.copyfile(min(small_frames[0].glob("dark*")), tmp_path / "1.dng")
    with pytest.raises(
        InputError, match=r"holds no frame of the night sky to make a scene of; trip\.yaml is not written"
    ):
        start(tmp_path)
    assert not (tmp_path / "trip.yaml").exists()


def test_the_version_is_told(capsys):
    """Of the installed package, as everywhere."""
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"moonless {versions.moonless()}\n"


def test_cores_go_by_memory(monkeypatch):
    """Thirty-two cores over eight gigabytes are eight; a machine with little memory has one still (arithmetic)."""
    monkeypatch.setattr("os.sched_getaffinity", lambda _: set(range(32)))
    pages = {"SC_PHYS_PAGES": 2_000_000, "SC_PAGE_SIZE": 4096}
    monkeypatch.setattr("os.sysconf", pages.__getitem__)
    assert usable_cores() == 8
    pages["SC_PHYS_PAGES"] = 100_000
    assert usable_cores() == 1
