"""What the engine plans: nothing twice, nothing too little."""

import base64
import os
import re
import shutil
import sys

import pytest
from astropy.io import fits

from pipeline.config import Trip
from pipeline.decode import decode_batch
from pipeline.files import read_json, write_json
from pipeline.run import scratch
from pipeline.run.engine import DRY, HELD, KEEP, Workflow, forget_unrecorded, put_back, step, step_key
from pipeline.run.reach import back_in_reach
from pipeline.run.scratch import staying_darks
from pipeline.tables import read_table, rows_of, table_from_rows, write_table
from tests.conftest import moonless, planned


def test_running_again_does_nothing(made_trip):
    """A second run plans no job, says so, and changes no file."""
    before = {p: p.stat().st_mtime_ns for p in (made_trip / "results").rglob("*") if p.is_file()}
    assert planned(made_trip) == {}
    done = moonless("run", made_trip, check=0)
    assert "everything is up to date" in done.stdout
    assert before == {p: p.stat().st_mtime_ns for p in (made_trip / "results").rglob("*") if p.is_file()}


def test_the_mosaics_of_one_scene_at_most_are_left(made_trip):
    """Those of darks and of all scenes but the one made last are gone when their scenes are done."""
    (left,) = {path.name.rpartition("-")[0] for path in (made_trip / "work" / "mosaics").glob("*")}
    scenes = sorted(path.name for path in (made_trip / "results").iterdir() if path.is_dir())
    assert left == scenes[-1]


def test_a_setting_redoes_only_what_depends_on_it(trip_copy):
    """The preview's size redoes pictures and pages; the limits of the judge grade nothing again."""
    (trip_copy / "trip.yaml").write_text("frames: [raw]\nfinish: {preview_px: 900}\n")
    assert planned(trip_copy) == {"finish": 2, "summarise": 2}
    (trip_copy / "trip.yaml").write_text("frames: [raw]\njudge: {mount: tripod}\n")
    jobs = planned(trip_copy)
    assert jobs["judge"] == jobs["register"] == jobs["combine"] == 2
    assert jobs["grade"] == jobs["dark_master"] == 0
    (trip_copy / "trip.yaml").write_text("frames: [raw]\ngrade: {stars_max: 1000}\n")
    jobs = planned(trip_copy)
    assert jobs["grade"] >= 2
    assert jobs["dark_master"] == 0


def test_an_added_frame_redoes_its_batch_and_its_scene(trip_copy):
    """One batch is graded, one scene is made; darks and the other scene stay."""
    shutil.move(next((trip_copy / "later").glob("tripod_*")), trip_copy / "raw")
    jobs = planned(trip_copy)
    assert jobs["grade"] == 1
    assert jobs["judge"] == jobs["register"] == jobs["combine"] == jobs["finish"] == 1
    assert jobs["dark_master"] == 0


def test_new_darks_redo_no_grading(trip_copy):
    """A further dark redoes the master, calibration and combination of both scenes, and grades nothing."""
    shutil.move(next((trip_copy / "later").glob("dark*")), trip_copy / "raw")
    jobs = planned(trip_copy)
    assert jobs["dark_master"] == 1
    assert jobs["dark_scene"] == jobs["combine"] == jobs["finish"] == 2
    assert jobs["grade"] == jobs["judge"] == jobs["register"] == 0


def test_frames_that_were_away_are_decoded_when_they_are_back(trip_copy):
    """A light and a dark that could not be opened: the same files, so that no key tells that they are there again."""
    assert planned(trip_copy) == {}
    work = trip_copy / "work"
    batch = next(work.glob("plan/batches/2026-08-14_24mm_a-*.json"))
    light, grades = read_json(batch)["frames"][0], work / "grades" / f"{batch.stem}.ecsv"
    master = next(work.glob("darks/*.fits"))
    dark = read_json(work / "plan" / "darks" / f"{master.stem}.json")["frames"][-1]
    away = "cannot be opened (No such file or directory)"
    times = {path: path.stat().st_mtime_ns for path in (grades, master)}
    table = rows_of(read_table(grades))
    units = dict.fromkeys(("frame", "status", "detail"), (str, None))
    table[0] |= {"frame": light["id"], "status": "unreadable", "detail": away}
    write_table(table_from_rows(table, units), grades)
    with fits.open(master, mode="update") as hdus:
        hdus[0].header["HISTORY"] = f"{dark['id']} left out: it could not be decoded: {away}"
    entries = read_json(work / "plan" / "plan.json")
    for path in (light["file"], dark["file"]):
        os.rename(path, f"{path}.away")
    assert back_in_reach(trip_copy, entries["scenes"], entries["sets"]) == []
    for path in (light["file"], dark["file"]):
        os.rename(f"{path}.away", path)
    assert batch.stem in back_in_reach(trip_copy, entries["scenes"], entries["sets"])
    for path, when in times.items():  # nothing but the key tells
        os.utime(path, ns=(when, when))
    before = sorted(work.rglob("*"))
    jobs = planned(trip_copy)
    assert (jobs["grade"], jobs["judge"], jobs["dark_master"], jobs["dark_scene"]) == (1, 1, 1, 2)
    assert sorted(work.rglob("*")) == before  # a dry run changes nothing


def test_frames_that_were_away_when_they_were_decoded_again_are_decoded_when_they_are_back(trip_copy):
    """Their grades are of a time at which they could be opened, and the mosaics that lie there lack one of them."""
    work = trip_copy / "work"
    (kept,) = (work / "mosaics").iterdir()
    batch, entries = work / "plan" / "batches" / f"{kept.name}.json", read_json(work / "plan" / "plan.json")
    light = read_json(batch)["frames"][0]
    os.rename(light["file"], f"{light['file']}.away")
    key = (kept / "key").read_text()
    decode_batch(batch, kept, trip_copy)
    (kept / "key").write_text(key)
    assert back_in_reach(trip_copy, entries["scenes"], entries["sets"]) == []
    os.rename(f"{light['file']}.away", light["file"])
    assert back_in_reach(trip_copy, entries["scenes"], entries["sets"]) == [kept.name]
    jobs = planned(trip_copy)
    assert (jobs["decode"], jobs["grade"], jobs["judge"], jobs["combine"]) == (1, 1, 1, 1)
    decode_batch(batch, kept, trip_copy)
    assert back_in_reach(trip_copy, entries["scenes"], entries["sets"]) == []


def test_a_frame_dropped_by_hand_redoes_its_scene_alone(trip_copy):
    """`drop` reaches the verdicts of the frame's scene and no other, and has no frame compared again."""
    (trip_copy / "trip.yaml").write_text("frames: [raw]\ndrop: ['tripod_*0001*']\n")
    jobs = planned(trip_copy)
    assert jobs["judge_by_hand"] == jobs["combine"] == jobs["decode"] == 1
    assert jobs["judge"] == jobs["grade"] == jobs["dark_master"] == 0


def test_the_scene_made_last_is_not_decoded_again(trip_copy):
    """Its mosaics are still there, when a frame of it is dropped and when its darks change."""
    (trip_copy / "trip.yaml").write_text("frames: [raw]\ndrop: ['tracker_*0001*']\n")
    jobs = planned(trip_copy)
    assert jobs["judge_by_hand"] == jobs["combine"] == 1
    assert jobs["judge"] == jobs["decode"] == jobs["decode_calibration"] == 0
    shutil.move(next((trip_copy / "later").glob("dark*")), trip_copy / "raw")
    jobs = planned(trip_copy)
    assert jobs["combine"] == 2
    assert jobs["decode"] == 1


def test_some_darks_stay_with_their_scene(trip_copy, monkeypatch):
    """Of a scene's darks as many batches as take no more than the share of its lights; they are decoded by the rule
    whose mosaics stay, and by no other."""
    plan = read_json(trip_copy / "work" / "plan" / "plan.json")
    scene = list(plan["scenes"])[-1]
    name = plan["scenes"][scene]["dark_set"]
    lights, darks = plan["scenes"][scene]["frames"], plan["sets"][name]["frames"]
    assert staying_darks(trip_copy, plan, scene) == []  # less than one frame's room
    monkeypatch.setattr(scratch, "STAYING_SHARE", (darks + 0.5) / lights)
    assert staying_darks(trip_copy, plan, scene) == plan["sets"][name]["batches"]
    monkeypatch.setenv(HELD, "1")
    monkeypatch.setenv(KEEP, scene)
    workflow = Workflow(trip_copy)
    assert workflow.staying == set(plan["sets"][name]["batches"])
    for batch in workflow.staying:
        assert re.fullmatch(workflow.pattern(workflow.of_lights | workflow.staying), batch)
        assert not re.fullmatch(workflow.pattern(workflow.of_sets - workflow.staying), batch)
    workflow._shared.close()


def test_darks_that_stay_take_a_tenth_at_most(tmp_path):
    """Of 64 lights' darks in batches of 4, 3, 2 and 1 those of 4 and 2; of few lights none."""
    for batch, frames in (("a", 4), ("b", 3), ("c", 2), ("d", 1)):
        write_json(tmp_path / "work" / "plan" / "batches" / f"{batch}.json", {"frames": [{}] * frames})
    scene = {"frames": 64, "dark_set": "s", "bias_set": None}
    plan = {"scenes": {"x": scene, "y": scene | {"frames": 9}}, "sets": {"s": {"batches": ["a", "b", "c", "d"]}}}
    assert staying_darks(tmp_path, plan, "x") == ["a", "c"]
    assert staying_darks(tmp_path, plan, "y") == []


def test_mosaics_of_another_make_do_not_stay(trip_copy):
    """What another version of decode left does not count, so that grading sees its mosaics made anew."""
    (kept,) = (trip_copy / "work" / "mosaics").iterdir()
    assert planned(trip_copy) == {}
    assert kept.is_dir()
    (kept / "key").write_text("older")
    assert planned(trip_copy) == {}
    assert kept.is_dir()  # a dry run removes nothing
    (trip_copy / "trip.yaml").write_text("frames: [raw]\ngrade: {stars_max: 1000}\n")
    jobs = planned(trip_copy)
    assert jobs["decode"] == jobs["grade"] >= 2


@pytest.mark.parametrize("dry", ["", "1"])
def test_what_the_engine_did_not_record_is_made_again(tmp_path, monkeypatch, dry):
    """A run killed between a job's last file and the engine's record of it: the key that is recorded is of an older
    file. A dry run puts it aside and back; mosaics, which hold their key, and what bears no mark stay."""
    monkeypatch.setenv(DRY, dry)
    long = "work/scenes/" + 200 * "s" + "/geometry.json"
    marked = ["work/grades/b.ecsv", "work/grades/b.key", "work/darks/d.fits", "results/s/combined.fits", long]
    kept = ["work/grades/c.key", "work/mosaics/b/decoded.ecsv", "notes.txt"]
    for name in (*marked, *kept):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("x")
    for name in (*marked, "work/mosaics/b", "notes.txt", "work/grades/gone.key"):
        coded = base64.urlsafe_b64encode(name.encode()).decode()
        parts = [coded[n : n + 200] for n in range(0, len(coded), 200)]  # as the engine divides long names
        mark = tmp_path.joinpath(".snakemake", "incomplete", *(f"@{part}" for part in parts[:-1]), parts[-1])
        mark.parent.mkdir(parents=True, exist_ok=True)
        mark.write_text("{}")
    forget_unrecorded(tmp_path)
    assert [name for name in (*marked, *kept) if (tmp_path / name).exists()] == kept
    put_back(tmp_path)
    assert [name for name in (*marked, *kept) if (tmp_path / name).exists()] == [*(marked if dry else ()), *kept]


def test_a_moved_folder_is_up_to_date_and_what_was_deleted_is_made(trip_copy):
    """Wherever the folder lies nothing is done again but what makes a picture that was deleted."""
    moved = trip_copy.with_name("moved")
    trip_copy.rename(moved)
    assert planned(moved) == {}
    (picture,) = (moved / "results").glob("*_24mm_a/combined.tif")
    picture.unlink()
    assert planned(moved) == {"finish": 1, "summarise": 1}


def test_the_trips_page_follows_the_card_though_the_clock_was_set_back(trip_copy):
    """A file that makes no job is told of, also where the page bears a time that is still to come."""
    results = trip_copy / "results"
    for name in ("index.html", "trip.json"):
        os.utime(results / name, (4e9, 4e9))
    (trip_copy / "raw" / "torn.dng").write_bytes(b"II*\0" + bytes(500))
    done = moonless("run", trip_copy, check=0)
    assert "everything is up to date" in done.stdout
    assert "torn.dng" in (results / "trip.json").read_text()


def test_work_may_be_deleted(trip_copy):
    """Without `work/` the next run makes everything again, under the same scene names."""
    scenes = sorted(p.name for p in (trip_copy / "results").iterdir() if p.is_dir())
    shutil.rmtree(trip_copy / "work")
    jobs = planned(trip_copy)
    assert jobs["decode"] == jobs["grade"] == jobs["judge"] == jobs["combine"] == 2
    assert jobs["dark_master"] == 1
    assert sorted(p.name for p in (trip_copy / "results").iterdir() if p.is_dir()) == scenes


def test_the_site_redoes_what_looks_at_the_sky():
    """Where the camera stood, and what its clock showed, judge and register take; grading does not."""
    here, told = Trip(), Trip(site={"latitude": 46.5, "longitude": 8.0, "utc_offset_hours": 2})
    steps = ("decode", "grade", "judge", "dark", "register")
    redone = {name for name in steps if step_key(here, name) != step_key(told, name)}
    assert redone == {"judge", "register"}


def test_a_folder_with_braces_is_no_mark_of_the_engine(monkeypatch):
    """The command of a step comes through the engine's formatting as the shell must get it."""
    monkeypatch.delenv("MOONLESS_WARM", raising=False)
    monkeypatch.setattr(sys, "executable", "/opt/{night}/bin/python")
    assert step("grade").format() == "'/opt/{night}/bin/python' -P -m pipeline.grade"
