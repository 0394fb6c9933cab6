"""What a user may give by mistake, and what is said of it."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from pipeline.config import parse_trip
from pipeline.errors import SettingsError
from pipeline.pages.headline import warnings
from pipeline.pages.noise import gain_beyond
from tests.conftest import ROOT, moonless


def project(folder: Path, trip: str = "frames: [raw]\n") -> Path:
    (folder / "raw").mkdir(parents=True)
    (folder / "trip.yaml").write_text(trip)
    return folder


def refused(*arguments: object) -> str:
    """The one sentence of a run that could not start."""
    done = moonless(*arguments, check=2)
    assert "Traceback" not in done.stderr
    lines = done.stderr.splitlines()
    assert len(lines) == 1, done.stderr
    return lines[0]


def test_places_that_are_no_project(tmp_path: Path) -> None:
    """A link to itself, a path through a file and a folder without a trip file are each refused in a sentence."""
    (tmp_path / "file").touch()
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "bare").mkdir()
    for name in ("loop", "file/below"):
        assert refused("run", tmp_path / name).endswith("is not a folder; give the folder that holds trip.yaml")
    assert "there is no trip file; 'moonless start FOLDER' writes one" in refused("run", tmp_path / "bare")
    assert list((tmp_path / "bare").iterdir()) == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("frames: " + "[" * 3000, "nested too deeply"),
        ("limits: {memory_mb: " + "9" * 5000 + "}", "cannot be .more digits than any number here has.; put quotes"),
        ("scenes: {trip.json: {}}", "scenes.trip.json: is the name of a file in results/"),
        ("scenes: {../up: {}}", "a scene's name becomes a folder"),
        ('combine: {clip_sigma: "3"}', r"combine.clip_sigma: must be a number \(got '3'\); take the quotes away$"),
        ("limits: {memory_mb: true}", r"limits.memory_mb: must be a whole number \(got true\)$"),
        ("combine: 5", r"combine: must hold keys and values \(got 5\)"),
        ("frames:\n\t- raw", "line 2: not valid YAML .a tab stands where only spaces may; indent with spaces"),
        ("frames: [a]\nframes: [b]", "the key 'frames' stands twice"),
        ("frames: [raw]\x07", r"not valid YAML \(it holds a control character \(number 7\); take it out\)$"),
        (
            'drop: !!python/object/apply:os.system ["touch made"]',
            "line 1: .*begins with ! means a command, and none is followed; put it in quotes",
        ),
    ],
)
def test_trip_files_that_cannot_be(text: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is wrong with a trip file is said in one line, and nothing in it is executed."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SettingsError, match=said) as caught:
        parse_trip(text)
    assert "\n" not in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_of_photographs(tmp_path: Path) -> None:
    """Pictures, links to nowhere, pipes and devices make no scene; each stands in the inventory with a reason."""
    raw = project(tmp_path / "photos") / "raw"
    picture = np.indices((60, 90)).sum(0).astype(np.uint8)
    Image.fromarray(picture).save(raw / "a.jpg")
    Image.fromarray(picture).save(raw / "b.dng", format="JPEG")
    tifffile.imwrite(raw / "c.tif", picture.astype(np.uint16))
    os.mkfifo(raw / "pipe.dng")
    (raw / "endless.dng").symlink_to("/dev/zero")
    (raw / "nowhere.dng").symlink_to("nowhere")
    (raw / "again").symlink_to(".")
    (raw / "empty.dng").touch()
    sentence = refused("run", tmp_path / "photos")
    assert sentence.endswith(
        "no frame can be read: 3 files unreadable (first: b.dng: is a picture as cameras and editors write it, not a "
        "raw frame); if these are the camera's raw files, copy the card again"
    )
    table = (tmp_path / "photos" / "results" / "inventory.ecsv").read_text()
    for name in ("a.jpg", "b.dng", "c.tif", "pipe.dng", "endless.dng", "nowhere.dng", "again/", "empty.dng"):
        assert f" {name} raw" in table


def test_frames_folders_that_are_not_there(tmp_path: Path) -> None:
    """A folder under `frames` that is missing or empty is named, with what to do."""
    missing = project(tmp_path / "missing", "frames: [card]\n")
    assert "frames: card: there is no such folder" in refused("run", missing)
    assert "there are no files in the folders under 'frames'" in refused("run", project(tmp_path / "empty"))


def test_what_is_wrong_with_a_command_is_one_sentence(tmp_path: Path) -> None:
    """No dump of how it is used; a trip file is called as its folder was given, by whatever step it is refused."""
    folder = project(tmp_path / "trip", "frames: [card]\n")
    assert refused("run", folder, "--cores", "x") == (
        "moonless: argument --cores: must be a whole number, at least 1 (got 'x'); see moonless run --help"
    )
    assert refused().endswith("required: command; see moonless --help")
    given = os.path.relpath(folder, ROOT)
    assert refused("run", given).startswith(f"moonless: {given}/trip.yaml: frames: card: there is no such folder")
    (folder / "trip.yaml").write_text("frames: [raw]\nlimits: {memory_mb: 1}\n")
    assert refused("run", given).startswith(f"moonless: {given}/trip.yaml: limits.memory_mb: must be at least 300")
    (folder / "trip.yaml").write_text("frames: [raw, a: b\n")
    assert refused("run", given).startswith(f"moonless: {given}/trip.yaml, line ")
    (folder / "trip.yaml").write_text("frames: [/]\n")
    said = f"moonless: {given}/trip.yaml: frames: /: is the whole disk; name the folder that holds the frames"
    assert refused("run", given) == said
    assert refused("start", "/").endswith("/: is the whole disk; name the folder that holds the frames")


def test_names_that_bite(small_frames: tuple[Path, dict], tmp_path: Path) -> None:
    """Names with quotes, newlines, options, patterns, commands and bytes that are no UTF-8 are frames like others."""
    folder = project(tmp_path / "a {b} 'c' $(touch made)", "frames: [raw]\ndrop: [nothing*]\n")
    names = [b"-rf.dng", b"new\nline.dng", b"{batch}*?[a].dng", b"\xff\xe9.dng", b"$(touch made);`id` \"'.dng"]
    frames = sorted(small_frames[0].glob("tripod_*"))
    for name, frame in zip(names, frames, strict=True):
        os.link(frame, os.path.join(os.fsencode(folder / "raw"), name))
    done = moonless("run", folder, "--dry-run", check=0)
    assert "found 5 files: 5 light" in done.stdout
    assert "5 frames, no darks" in done.stdout
    assert "drop: no light frame is named 'nothing*'" in done.stdout
    assert not list(tmp_path.rglob("made"))
    assert sorted(os.listdir(os.fsencode(folder / "raw"))) == sorted(names)


def test_a_place_for_results_that_cannot_be_written_to(small_frames: tuple[Path, dict], tmp_path: Path) -> None:
    """It is said before any work, not at the end of a night."""
    folder = project(tmp_path / "trip")
    for frame in small_frames[0].glob("tripod_*"):
        os.link(frame, folder / "raw" / frame.name)
    moonless("run", folder, "--dry-run", check=0)
    (scene,) = json.loads((folder / "work" / "plan" / "plan.json").read_text())["scenes"]
    (folder / "results" / scene).write_text("in the way")
    sentence = refused("run", folder)
    assert f"{scene}: nothing can be written there (Not a directory); make it a folder" in sentence
    assert not list((folder / "work").glob("mosaics/*"))


def test_darks_only(small_frames: tuple[Path, dict], tmp_path: Path) -> None:
    """Darks without lights make no scene, and the sentence says what to add."""
    folder = project(tmp_path / "caps")
    for dark in small_frames[0].glob("dark*"):
        os.link(dark, folder / "raw" / dark.name)
    assert "no light frames, only 4 darks; add the folder of the lights under 'frames'" in refused("run", folder)


def test_two_runs_at_once(small_frames: tuple[Path, dict], tmp_path: Path) -> None:
    """A second run on a folder is refused while the first works, and a killed run leaves no lock."""
    folder = project(tmp_path / "trip")
    for frame in small_frames[0].glob("tripod_*"):
        os.link(frame, folder / "raw" / frame.name)
    command = [sys.executable, "-m", "pipeline.moonless", "run", str(folder), "--dry-run"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as first:
        assert first.stdout is not None
        first.stdout.readline()  # "sorting the card"
        until = time.monotonic() + 30
        while not (folder / "work" / "locks" / "run").is_file() and time.monotonic() < until:
            time.sleep(0.05)
        first.send_signal(signal.SIGSTOP)
        try:
            sentence = refused("run", folder, "--dry-run")
        finally:
            first.kill()
    assert f"another run is working on this folder (process {first.pid})" in sentence
    assert "5 light" in moonless("run", folder, "--dry-run", check=0).stdout


def test_noise_below_what_frames_can_give() -> None:
    """Noise far below theory is no success: the page says that frames may be copies of one another."""
    figures = {"frames_found": 6, "frames_kept": 6, "darks": {"used": True}}
    assert any("copies of one another" in line for line in warnings(figures | {"noise_ratio": 0.4}))
    assert not warnings(figures | {"noise_ratio": 0.97})
    # of 70 blocks that tell it to 10 %
    assert not warnings(figures | {"noise_ratio": 0.78, "noise_blocks": 70})
    assert warnings(figures | {"noise_ratio": 0.78, "noise_blocks": 7000})


def test_a_gain_that_no_frames_can_give_is_told() -> None:
    """Nine frames lower the noise three times at most (one over the root of their number): 4.7 is never left unsaid."""
    figures = {"frames_found": 9, "frames_kept": 9, "darks": {"used": True}, "noise_combined": 2.0}
    for one, beyond in ((9.4, pytest.approx(4.7 / 3, abs=1e-3)), (6.1, None), (5.0, None)):
        told = figures | {"noise_frame": one, "noise_gain_beyond": gain_beyond(figures | {"noise_frame": one})}
        assert told["noise_gain_beyond"] == beyond
        assert any("lower at most" in line for line in warnings(told)) == (beyond is not None)
    # 1.18 times what is possible, of 70 blocks that tell it to 10 %, and of 7,000 that tell it to 1 %
    few = figures | {"frames_kept": 31, "noise_frame": 15.0, "noise_combined": 2.284}
    assert gain_beyond(few | {"noise_blocks": 70}) is None
    # crowded stars, whose remains are in one frame's noise: 10 % are no claim
    assert (
        gain_beyond(few | {"noise_blocks": 7000, "noise_scale": 0.9, "noise_frame": 0.95 * few["noise_frame"]}) is None
    )
    assert gain_beyond(few | {"noise_blocks": 7000}) == pytest.approx(1.18, abs=0.005)
    assert gain_beyond(figures) is None
    assert gain_beyond(figures | {"frames_kept": 1, "noise_frame": 9.4}) is None


def test_a_gain_of_unlike_frames_is_told_as_theirs() -> None:
    """Frames of a dusk, by weight fewer than they are, whose noise is what each lets expect: no stars, no lens is to
    blame."""
    figures = {"frames_found": 8, "frames_kept": 8, "darks": {"used": True}, "noise_combined": 2.615}
    figures |= {"noise_frame": 7.78, "noise_ratio": 0.997, "noise_gain_beyond": 1.052}
    (said,) = warnings(figures | {"effective_frames": 6.96})
    assert "the frames are not alike" in said
    assert "lens" not in said
    for other in ({"effective_frames": 7.9}, {"effective_frames": 6.96, "noise_ratio": 1.08}):
        assert any("not found on the sky" in line for line in warnings(figures | other))


def test_a_lone_frame_without_darks() -> None:
    """A scene of one frame is called dark-subtracted only where a dark was used."""
    alone = {"frames_found": 1, "frames_kept": 1}
    assert not any("dark-subtracted" in line for line in warnings(alone | {"darks": {"used": False}}))
    assert any("dark-subtracted" in line for line in warnings(alone | {"darks": {"used": True}}))


def test_results_that_were_deleted(trip_copy: Path) -> None:
    """Pictures and figures that were deleted are made again, and nothing that is still there but the page."""
    scene = min(path for path in (trip_copy / "results").iterdir() if path.is_dir())
    (scene / "preview.jpg").unlink()
    (scene / "scene.json").unlink()
    note = trip_copy / "work" / "scenes" / scene.name / "finish.json"
    note.write_text(json.dumps({**json.loads(note.read_text()), "star_trails": True}))  # whose pictures are not there
    before = sorted(str(path) for path in (trip_copy / "work").rglob("*"))
    plan = moonless("run", trip_copy, "--dry-run", check=0).stdout
    assert {line.split("would run ")[1] for line in plan.splitlines() if "would run" in line} == {
        "finish: 1 job",
        "summarise: 1 job",
    }
    assert sorted(str(path) for path in (trip_copy / "work").rglob("*")) == before  # a dry run changes nothing
