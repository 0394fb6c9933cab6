"""The inventory as a step: on rendered and on real frames, and on everything that a card may hold."""

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from example_project.maker import write_dng
from pipeline import inventory
from pipeline.card.sentences import passed_over
from pipeline.plan import read_batch, read_scene, read_set
from pipeline.sensor.worker import Decoder
from pipeline.tables import read_table
from tests import raw_files
from tests.cards import SHARED

needs_shared = pytest.mark.skipif(not SHARED.is_dir(), reason="the shared real frames are not here")


@pytest.fixture(autouse=True)
def unsolved(monkeypatch):
    """A second a frame is saved where nothing depends on the solution."""
    monkeypatch.setattr(inventory, "solve_stars", lambda *arguments: None)


def take(project: Path, text: str | None = None) -> int:
    """Run the step; its exit status."""
    if text is not None:
        project.mkdir(parents=True, exist_ok=True)
        (project / "trip.yaml").write_text(text)
    return inventory.main(["--project", str(project)])


def rows(project: Path) -> dict[str, dict]:
    """The table by file name."""
    table = read_table(project / "results" / "inventory.ecsv")
    return {
        row["file"]: {k: None if row[k] is table[k].fill_value else row[k] for k in table.colnames} for row in table
    }


def kinds(project: Path) -> dict[str, str]:
    return {name: str(row["kind"]) for name, row in rows(project).items()}


def plan(project: Path) -> dict:
    return json.loads((project / "work" / "plan" / "plan.json").read_text())


def times(project: Path) -> dict[str, int]:
    """When each file of the results and of the plan was written."""
    files = [*(project / "results").rglob("*"), *(project / "work" / "plan").rglob("*")]
    return {str(f.relative_to(project)): f.stat().st_mtime_ns for f in files if f.is_file()}


def test_the_solver_is_asked_and_its_answer_kept(small_frames, tmp_path, monkeypatch):
    """The tracked scene at 50 mm is solved: its centre and scale stand in the plan; so they do the second time."""
    monkeypatch.undo()
    (tmp_path / "raw").mkdir()
    for path in small_frames[0].glob("tracker*"):
        shutil.copyfile(path, tmp_path / "raw" / path.name)
    assert take(tmp_path, "frames: [raw]\n") == 0
    (path,) = (tmp_path / "work/plan/scenes").iterdir()
    first = read_scene(path)
    # the renderer's sensor is 36 mm wide: 50 mm on 720 px are 206 arcsec a pixel
    assert first.look.pixel_scale_arcsec == pytest.approx(np.degrees(36 / 720 / 50) * 3600, rel=0.03)
    assert first.look.centre_dec_deg is not None
    monkeypatch.setattr(inventory, "_open_decoder", lambda: pytest.fail("a frame was read again"))
    monkeypatch.setattr(inventory, "solve_stars", lambda *arguments: pytest.fail("solved again"))
    assert take(tmp_path) == 0
    assert read_scene(path) == first


@pytest.fixture(scope="module")
def trip(small_frames, tmp_path_factory):
    """A project with two scenes and darks, sorted once."""
    project = tmp_path_factory.mktemp("inventory") / "trip"
    shutil.copytree(small_frames[0], project / "raw")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(inventory, "solve_stars", lambda *arguments: None)
        assert take(project, "frames: [raw]\n") == 0
    return project


@pytest.fixture
def copied(trip, tmp_path):
    """A copy of it, file times kept."""
    return shutil.copytree(trip, tmp_path / "trip")


# ---- what is found


def test_a_trip_is_sorted(trip):
    """Two scenes and their darks, told by their pixels and headers alone; every file has a row."""
    found = kinds(trip)
    assert len(found) == len(list((trip / "raw").iterdir()))
    for name, kind in found.items():
        assert kind == ("dark" if name.startswith("dark") else "light"), name
    scenes = plan(trip)["scenes"]
    assert [name.split("_")[1] for name in scenes] == ["24mm", "50mm"]
    assert [entry["frames"] for entry in scenes.values()] == [5, 4]
    assert [entry["kind"] for entry in plan(trip)["sets"].values()] == ["dark"]
    # what is told while it is done counts each file once, header and pixels together
    assert json.loads((trip / "work/timings/inventory-trip.json").read_text())["units"] == len(found)


def test_the_plan_reads_back(trip):
    """Batches hold each frame once; scenes name their batches and darks; the look is right."""
    wanted = plan(trip)
    for name, entry in wanted["scenes"].items():
        scene = read_scene(trip / "work" / "plan" / "scenes" / f"{name}.json")
        frames = [f for b in scene.batches for f in read_batch(trip / f"work/plan/batches/{b}.json").frames]
        assert sorted(f.id for f in frames) == sorted(f.id for f in scene.frames)
        assert all(Path(f.file).is_file() for f in frames)
        assert scene.batches == tuple(entry["batches"])
    (dark,) = wanted["sets"]
    assert len(read_set(trip / f"work/plan/darks/{dark}.json").frames) == 4


def test_sorting_twice_in_place(copied, monkeypatch):
    """The second time nothing is read and nothing written."""
    assert take(copied) == 0
    before = times(copied)
    monkeypatch.setattr(inventory, "_open_decoder", lambda: pytest.fail("a frame was read again"))
    assert take(copied) == 0
    assert times(copied) == before


def test_the_same_frames_give_the_same_bytes(trip, copied):
    """Sorting from nothing gives the same table, and plans that differ in the folder's path only."""
    shutil.rmtree(copied / "work")
    shutil.rmtree(copied / "results")
    assert take(copied) == 0
    assert (copied / "results/inventory.ecsv").read_bytes() == (trip / "results/inventory.ecsv").read_bytes()
    for path in (trip / "work" / "plan" / "batches").iterdir():
        other = (copied / "work" / "plan" / "batches" / path.name).read_text()
        assert other.replace(str(copied), str(trip)) == path.read_text()


def test_names_outlive_the_scratch(copied):
    """With `work/` deleted and a frame of the first scene gone, scenes and sets keep their names."""
    names = plan(copied)
    shutil.rmtree(copied / "work")
    min((copied / "raw").glob("tripod*")).unlink()
    assert take(copied) == 0
    assert list(plan(copied)["scenes"]) == list(names["scenes"])
    assert list(plan(copied)["sets"]) == list(names["sets"])


def test_an_added_frame_changes_its_batch_and_its_scene(copied):
    """All other batches, scenes and sets keep their files."""
    kept = min((copied / "raw").glob("tripod*"))
    kept.rename(copied / "kept")
    assert take(copied) == 0
    before = times(copied)
    (copied / "kept").rename(kept)
    assert take(copied) == 0
    after = times(copied)
    changed = {name for name in after if after[name] != before.get(name)} | (set(before) - set(after))
    assert sum("/batches/" in name for name in changed) == 1
    assert sum("/scenes/" in name for name in changed) == 1
    assert not any("/darks/" in name for name in changed)


def test_copies_beside_their_originals_change_no_plan(copied):
    """Copies of frames, of a folder and under a longer name, leave scenes, batches and sets to the byte; `drop:` by
    the original's name still means the frame."""
    first = min((copied / "raw").glob("tripod*"))
    assert take(copied) == 0
    before = times(copied)
    for name in (f"{first.stem} copy.dng", f"{first.stem} (1).dng", f"0 {first.name}", f"Copy/{first.name}"):
        (copied / "raw" / name).parent.mkdir(exist_ok=True)
        shutil.copyfile(first, copied / "raw" / name)
    assert take(copied) == 0
    after = times(copied)
    assert {name: after[name] for name in before if "/plan/" in name and "looks" not in name} == {
        name: before[name] for name in before if "/plan/" in name and "looks" not in name
    }
    assert sum(row["kind"] == "duplicate" for row in rows(copied).values()) == 4
    with (copied / "trip.yaml").open("a") as handle:
        handle.write(f'\ndrop: ["{first.name}"]\n')
    assert take(copied) == 0
    assert sum(len(read_scene(path).drop) for path in (copied / "work/plan/scenes").iterdir()) == 1


# ---- what else may lie on a card

HOSTILE = [
    b"with space.dng",
    b"'; touch owned; '.dng",
    b"$(touch owned).dng",
    b"new\nline.dng",
    b"-rf.dng",
    b" leading.dng",
    b"{batch}.dng",
    b'"quoted".dng',
    b"\xff\xfe not utf-8.dng",
    b"back\\slash.dng",
    "snow \u2603.dng".encode(),
    b"%s%n.dng",
    b"tab\there.dng",
]


def test_hostile_names(small_frames, tmp_path):
    """Whatever a file is called, it is sorted, planned under a plain id, and nothing is executed."""
    project = tmp_path / "trip"
    folder = os.fsencode(project / "raw")
    os.makedirs(folder)
    frames = sorted(small_frames[0].iterdir())[: len(HOSTILE)]
    assert len(frames) == len(HOSTILE)
    for name, source in zip(HOSTILE, frames, strict=True):
        shutil.copyfile(source, os.path.join(folder, name))
    assert take(project, "frames: [raw]\n") == 0
    found = kinds(project)
    assert len(found) == len(HOSTILE)
    assert set(found.values()) == {"light", "dark"}
    assert all(name.isprintable() for name in found)
    planned = [f for b in (project / "work/plan/batches").iterdir() for f in read_batch(b).frames]
    assert sorted(os.fsencode(os.path.basename(f.file)) for f in planned) == sorted(HOSTILE)
    assert all(Path(f.file).is_file() and f.id.replace("-", "").replace("T", "").isalnum() for f in planned)
    assert not list(tmp_path.rglob("owned"))


def test_companions_copies_and_what_is_no_frame(copied, capsys):
    """Each file that is no frame of its own is listed with the reason."""
    raw = copied / "raw"
    first = min(raw.glob("tripod*"))
    (raw / f"{first.stem}.JPG").write_bytes(b"\xff\xd8\xff\xe0 a picture")
    (raw / f"{first.name}.xmp").write_text("<x/>")
    (raw / "holiday.jpg").write_bytes(b"\xff\xd8\xff\xe0 a picture")
    (raw / "notes.txt").write_text("hello")
    (raw / "._x.dng").write_bytes(b"\0")
    (raw / ".frame.dng").write_bytes(b"\0")
    (raw / "empty.dng").write_bytes(b"")
    (raw / "garbage.nef").write_bytes(b"no raw frame at all" * 1000)
    (raw / "unknown.zzz").write_bytes(b"something")
    (raw / "again").mkdir()
    shutil.copyfile(first, raw / "again" / "renamed.dng")
    (raw / "cut").mkdir()
    shutil.copyfile(first, raw / "cut" / first.name)
    os.truncate(raw / "cut" / first.name, first.stat().st_size // 2)
    assert take(copied) == 0
    said = capsys.readouterr().err.replace("\u202f", " ")
    assert "1 hidden file (its own or its folder's name begins with a dot) was passed over (first: .frame.dng)" in said
    found = rows(copied)
    wanted = {
        f"{first.stem}.JPG": ("companion", first.name),
        f"{first.name}.xmp": ("companion", first.name),
        "holiday.jpg": ("not a frame", "a picture"),
        "notes.txt": ("not a frame", "not a raw frame"),
        "._x.dng": ("ignored", "hidden"),
        ".frame.dng": ("ignored", "hidden"),
        "empty.dng": ("unreadable", "empty"),
        "garbage.nef": ("unreadable", ""),
        "unknown.zzz": ("not a frame", ""),
        "again/renamed.dng": ("duplicate", "same content as"),
        f"cut/{first.name}": ("duplicate", "same body, time and settings"),
        first.name: ("light", "stars"),
    }
    for name, (kind, words) in wanted.items():
        assert str(found[name]["kind"]) == kind, (name, found[name])
        assert words.rstrip("s") in str(found[name]["reason"]), (name, found[name])
    assert [entry["frames"] for entry in plan(copied)["scenes"].values()] == [5, 4]


def test_a_frame_cut_short_stays_in_its_scene(copied):
    """A broken frame is a row of its scene, so that its page tells of it; the inventory says what is wrong."""
    first = min((copied / "raw").glob("tripod*"))
    os.truncate(first, first.stat().st_size * 7 // 10)
    assert take(copied) == 0
    row = rows(copied)[first.name]
    assert (row["kind"], row["state"]) == ("light", "unreadable")
    assert "as its neighbours" in row["reason"]
    assert "cut short" in row["reason"]


def three_capped(project: Path, exposure_s: float, name: str) -> Path:
    """A folder `more` with three FITS frames taken with the cap on, name0.fits and so on."""
    more = project / "more"
    more.mkdir()
    for n in range(3):
        hdu = fits.PrimaryHDU(np.random.default_rng(n).normal(500, 5, (200, 300)).astype(np.uint16))
        hdu.header.update({"EXPTIME": exposure_s, "DATE-OBS": f"2026-08-14T20:0{n}:00", "INSTRUME": "cold"})
        hdu.writeto(more / f"{name}{n}.fits")
    return more


def test_a_dark_cut_short_is_in_no_set(copied):
    """Of a form that is looked at and of one whose header tells (FITS), by its looks and by its folder."""
    raw = copied / "raw"
    whole = sorted(raw.glob("dark*"))
    os.truncate(whole[2], whole[2].stat().st_size * 7 // 10)
    more = three_capped(copied, 60.0, "d")
    needed = 2880 + 2 * 200 * 300
    os.truncate(more / "d1.fits", needed - 2)
    os.truncate(more / "d2.fits", needed)  # only the last block's padding is missing
    assert take(copied, "frames: [raw]\ndarks: [more]\n") == 0
    found = rows(copied)
    why = {whole[2].name: "ends before its picture does", "d1.fits": f"({needed - 2} of {needed} bytes)"}
    for name, words in why.items():
        assert (found[name]["kind"], found[name]["state"]) == ("dark", "unreadable")
        assert words in found[name]["reason"]
        assert str(found[name]["problem"]).startswith("ends before its picture does")
        assert found[name]["dark_set"] is np.ma.masked
    assert found["d2.fits"]["state"] is np.ma.masked
    assert sorted(entry["frames"] for entry in plan(copied)["sets"].values()) == [2, len(whole) - 1]


def test_a_card_pulled_out_while_it_is_sorted_is_sorted_when_it_is_back(small_frames, tmp_path, monkeypatch):
    """From the third look on no file can be opened. They are the same files afterwards, and none is held to be broken
    for it, no dark left out of its set."""
    shutil.copytree(small_frames[0], tmp_path / "raw")
    (there, away), looks = (tmp_path / "raw", tmp_path / "away"), []

    class Pulled(Decoder):
        def decode(self, path, frame_id):
            looks.append(path)
            if len(looks) == 3:
                there.rename(away)
            return super().decode(path, frame_id)

    with monkeypatch.context() as patch:
        patch.setattr(inventory, "_open_decoder", Pulled)
        take(tmp_path, "frames: [raw]\n")
    assert sum("cannot be opened" in str(row["reason"]) for row in rows(tmp_path).values()) > 2
    away.rename(there)
    assert take(tmp_path) == 0
    found = rows(tmp_path)
    assert not any(row["state"] for row in found.values())
    assert {str(row["kind"]) for row in found.values()} == {"light", "dark"}
    assert sum(entry["frames"] for entry in plan(tmp_path)["scenes"].values()) == 9
    assert [entry["frames"] for entry in plan(tmp_path)["sets"].values()] == [4]


def test_biases_exposed_for_no_time(copied):
    """EXPTIME 0 is an exposure, that of a bias, in a folder of darks without any other sign; a light stays one."""
    three_capped(copied, 0.0, "b")
    with Decoder() as decoder:
        stars = fits.PrimaryHDU(decoder.decode(min((copied / "raw").glob("tripod*")), "a").pixels)
    stars.header.update({"EXPTIME": 0.0, "BAYERPAT": "RGGB", "DATE-OBS": "2026-08-14T22:00:00", "INSTRUME": "cold"})
    stars.writeto(copied / "raw" / "sky.fits")
    assert take(copied, "frames: [raw]\ndarks: [more]\n") == 0
    found = rows(copied)
    assert {str(found[f"b{n}.fits"]["kind"]) for n in range(3)} == {"bias"}
    assert found["b0.fits"]["exposure_s"] == 0
    assert str(found["b0.fits"]["dark_set"]).startswith("bias_2026-08-14_0s")
    assert str(found["sky.fits"]["kind"]) == "light"
    scene = read_scene(copied / "work" / "plan" / "scenes" / f"{found['sky.fits']['scene']}.json")
    assert scene.frames[0].exposure_s is None


def test_the_project_folder_itself_can_be_searched(copied):
    """With `frames: ['.']` what the pipeline made is not taken for frames."""
    write = copied / "results" / "2026-01-01_24mm_z"
    write.mkdir()
    shutil.copyfile(min((copied / "raw").glob("dark*")), write / "combined.fits")
    assert take(copied, "frames: ['.']\n") == 0
    found = kinds(copied)
    assert len([kind for kind in found.values() if kind in ("light", "dark")]) == 13
    assert found["trip.yaml"] == "ignored"
    assert not any(name.startswith("results") for name in found)


def test_roles_by_hand_win(copied):
    """What the trip file says of a folder is so, whatever the pixels show."""
    (copied / "raw" / "odd").mkdir()
    for path in (copied / "raw").glob("tracker*"):
        path.rename(copied / "raw" / "odd" / path.name)
    assert take(copied, "frames: [raw]\nroles: {raw/odd: dark}\n") == 0
    found = rows(copied)
    odd = [row for name, row in found.items() if name.startswith("odd/")]
    assert {str(row["kind"]) for row in odd} == {"dark"}
    assert all("by hand" in row["reason"] for row in odd)
    assert take(copied, "frames: [raw]\nroles: {odd: ignore}\n") == 0
    assert {kind for name, kind in kinds(copied).items() if name.startswith("odd/")} == {"ignored"}
    assert len(plan(copied)["scenes"]) == 1


def test_a_library_of_darks_elsewhere(copied, tmp_path):
    """Darks of a folder under `darks` are matched as those on the card are."""
    library = tmp_path / "library"
    library.mkdir()
    for path in (copied / "raw").glob("dark*"):
        path.rename(library / path.name)
    assert take(copied, f"frames: [raw]\ndarks: [{json.dumps(str(library))}]\n") == 0
    assert all(entry["dark_set"] for entry in plan(copied)["scenes"].values())
    dark = next(row for row in rows(copied).values() if row["kind"] == "dark")
    assert dark["role"] == "darks"
    assert dark["folder"] == str(library)


def test_darks_among_flats_by_their_header(copied, tmp_path):
    """A FITS file in a folder under `flats` whose IMAGETYP says dark or bias is that; the others are flats."""
    library = tmp_path / "library"
    library.mkdir()
    rng = np.random.default_rng(1)
    for n, (what, level) in enumerate((("Flat Field", 9000), ("Dark Frame", 500), ("Bias Frame", 500), (None, 9000))):
        header = fits.Header({"EXPTIME": 2.0, "BAYERPAT": "RGGB"} | ({"IMAGETYP": what} if what else {}))
        pixels = rng.normal(level, 30, (480, 720)).astype(np.uint16)
        fits.writeto(library / f"{n}.fits", pixels, header)
    assert take(copied, f"frames: [raw]\nflats: [{json.dumps(str(library))}]\n") == 0
    found = kinds(copied)
    assert [found[f"{n}.fits"] for n in range(4)] == ["flat", "dark", "bias", "flat"]


def test_darks_among_flats_by_what_they_show(copied, tmp_path):
    """Covered frames kept beside their flats are darks of them, without a word in their headers."""
    library = tmp_path / "library"
    library.mkdir()
    rng = np.random.default_rng(1)
    for n, (level, noise) in enumerate(((7000, 40), (7000, 40), (7000, 40), (512, 2), (512, 2), (512, 2))):
        pixels = rng.normal(level, noise, (480, 720)).astype(np.uint16)
        raw_files.write_dng(library / f"{n}.dng", pixels, exposure_s=0.5, iso=100)
    assert take(copied, f"frames: [raw]\nflats: [{json.dumps(str(library))}]\n") == 0
    found = kinds(copied)
    assert [found[f"{n}.dng"] for n in range(6)] == 3 * ["flat"] + 3 * ["dark"]
    assert "among the flats" in rows(copied)["3.dng"]["reason"]


def test_lights_of_two_sizes_are_two_scenes(copied, small_frames):
    """A frame of another size is a scene of one."""
    from example_project.maker import make_scenario

    (odd,) = make_scenario(lens_mm=24.0, width=600, height=400, n=1, mount="tripod", exposure_s=15, seed=1).frames()
    write_dng(copied / "raw" / "odd.dng", odd.mosaic, odd.meta)
    assert take(copied) == 0
    assert sorted(entry["frames"] for entry in plan(copied)["scenes"].values()) == [1, 4, 5]


# ---- what cannot be done


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({}, "there are no files in the folders under 'frames'"),
        ({"a.jpg": b"\xff\xd8\xff\xe0", "b.jpg": b"\xff\xd8\xff\xe0"}, "no raw frames among 2 files in raw"),
        ({"a.nef": b"junk" * 100, "b.nef": b""}, "no frame can be read: 2 files unreadable"),
    ],
)
def test_nothing_to_make(tmp_path, capsys, files, words):
    """One sentence says what is wrong; the table is there."""
    (tmp_path / "raw").mkdir()
    for name, content in files.items():
        (tmp_path / "raw" / name).write_bytes(content)
    assert take(tmp_path, "frames: [raw]\n") == 1
    last = capsys.readouterr().err.strip().splitlines()[-1]
    assert last.startswith("inventory: ")
    assert words in last
    assert len(kinds(tmp_path)) == len(files)


def test_darks_only(copied, capsys):
    """Darks alone make no picture, and the sentence says what is missing."""
    for path in [*(copied / "raw").glob("t*")]:
        path.unlink()
    assert take(copied) == 1
    assert "no light frames, only 4 darks" in capsys.readouterr().err
    assert set(kinds(copied).values()) == {"dark"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("frames: [gone]\n", "trip.yaml: frames: gone: there is no such folder"),
        ("frames: [raw]\nroles: {caps: dark}\n", "trip.yaml: roles.caps: there is no such folder"),
        ("frames: [raw]\ndarks: [trip.yaml]\n", "trip.yaml: darks: trip.yaml: is not a folder"),
        ("frame: [raw]\n", "unknown key"),
    ],
)
def test_a_trip_file_that_cannot_be_followed(tmp_path, capsys, text, words):
    """The key, the value and what to do, before anything is read."""
    (tmp_path / "raw").mkdir()
    assert take(tmp_path, text) == 1
    assert words in capsys.readouterr().err


# ---- real frames


@needs_shared
def test_real_sky(tmp_path):
    """Real CCD frames without names to go by: one scene of 24 lights, 10 darks in one set that fits."""
    assert take(tmp_path, f"frames: [{json.dumps(str(SHARED / 'real-sky'))}]\n") == 0
    found = rows(tmp_path)
    assert {name for name, row in found.items() if row["kind"] == "dark"} == {n for n in found if n.startswith("caps/")}
    assert {name for name, row in found.items() if row["kind"] == "light"} == {
        n for n in found if n.startswith("field/")
    }
    ((scene, entry),) = plan(tmp_path)["scenes"].items()
    assert scene == "2012-06-16_700mm_a"
    assert entry["frames"] == 24
    assert len(read_set(tmp_path / f"work/plan/darks/{entry['dark_set']}.json").frames) == 10
    assert read_scene(tmp_path / f"work/plan/scenes/{scene}.json").look.tracked is True


@needs_shared
def test_real_photographs(tmp_path, caplog):
    """Three daylight frames are other, none a scene, and all of what they say of themselves is listed."""
    assert take(tmp_path, f"frames: [{json.dumps(str(SHARED / 'real-frames'))}]\n") == 0
    found = rows(tmp_path)
    assert {str(row["kind"]) for row in found.values()} == {"other"}
    assert plan(tmp_path)["scenes"] == {}
    sizes = {name: (int(row["width"]), int(row["height"])) for name, row in found.items()}
    assert sizes == {
        "old-dslr.nef": (2012, 1324),
        "early-dslr-5s.crw": (2176, 1448),
        "mirrorless-18mp.arw": (5184, 3464),
    }
    assert found["early-dslr-5s.crw"]["exposure_s"] == pytest.approx(5, abs=0.1)


def test_hidden_files_are_spoken_of_in_their_number():
    """One has a name, two have names."""
    files = [{"file": name, "kind": "ignored", "reason": "a hidden file"} for name in (".a.dng", ".b/c.dng")]
    one, two = passed_over(files[:1]), passed_over(files)
    assert one.startswith("1 hidden file (its own or its folder's name begins with a dot) was passed over (first: .a")
    assert two.startswith("2 hidden files (their own or their folders' names begin with a dot) were passed over (first")
