"""Atomic files, printable names, tables, locks."""

import errno
import os
import subprocess
import sys

import numpy as np
import pytest
from astropy.table import Table

from pipeline.card.table import write_inventory
from pipeline.errors import InputError
from pipeline.files import is_named, original, read_json, replacing, reserve, shown, write_json
from pipeline.run.locks import hold_run, no_jobs, share_jobs
from pipeline.run.scratch import mosaic_bytes
from pipeline.run.telling import duration
from pipeline.tables import read_table, rows_of, table_from_rows, write_table

HOSTILE = [
    b"a b",
    b"-rf",
    b"q'u\"o",
    b"new\nline",
    b"$(touch x)",
    "Mañana ☾".encode(),
    b"latin\xe9",
    b"back\\slash\\x41",
    b"tab\t",
    b"  a b .dng",
    b"a  b.dng ",
    b" sub / / c.dng",
    b" ",
    "\u00a0wide\u3000.dng".encode(),
]


@pytest.mark.parametrize("name", HOSTILE)
def test_a_shown_name_is_printable_and_gives_the_name_back(name):
    """Any bytes survive the way to text and back; the text has no control characters."""
    text = shown(name)
    assert text.encode("utf-8").decode("utf-8") == text
    assert all(c.isprintable() for c in text)
    assert os.fsencode(original(text)) == name


def test_a_shown_name_outlives_a_table(tmp_path):
    """Blanks at a name's ends are there again after a table, and no two names become one."""
    names = [*HOSTILE, b"a b .dng", b"a b.dng"]
    path = tmp_path / "t.ecsv"
    write_table(
        table_from_rows([{"n": 1, "file": shown(name)} for name in names], {"n": (int, None), "file": (str, None)}),
        path,
    )
    assert [os.fsencode(original(row["file"])) for row in rows_of(read_table(path))] == names
    # nor does a page, which shows several blanks as one, and none at the ends
    assert len({" ".join(shown(name).split()) for name in names}) == len(names)
    assert shown(b"one blank between.dng") == "one blank between.dng"


@pytest.mark.parametrize(
    ("pattern", "means"),
    [
        ("  a b .dng", True),
        ("  a b ", True),
        ("  a*", True),
        (" night /  a b .dng", True),
        (r"\x20\x20a b .dng", True),
        (r"\x20night\x20/*", True),
        ("a b .dng", False),
        (" a*", False),
    ],
)
def test_a_name_with_blanks_is_meant_as_it_is_and_as_it_is_shown(pattern, means):
    """What the trip file names may be copied from the disk or from the page."""
    assert is_named(shown(" night /  a b .dng"), [pattern]) is means


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path):
    """An exception inside `replacing` keeps what was there."""
    target = tmp_path / "a.txt"
    target.write_text("old")

    def write_half():
        with replacing(target) as temporary:
            temporary.write_text("ne")
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        write_half()
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_replaced_file_has_ordinary_permissions(tmp_path):
    """The result is as readable as any file the user makes."""
    with replacing(tmp_path / "a") as temporary:
        temporary.write_text("x")
    (tmp_path / "b").write_text("x")
    assert (tmp_path / "a").stat().st_mode == (tmp_path / "b").stat().st_mode


def test_json_that_did_not_change_keeps_its_time(tmp_path):
    """`only_if_changed` leaves an equal file alone."""
    path = tmp_path / "a.json"
    assert write_json(path, {"b": 1, "a": [1.5]}, only_if_changed=True)
    os.utime(path, (1, 1))
    assert not write_json(path, {"a": [1.5], "b": 1}, only_if_changed=True)
    assert path.stat().st_mtime == 1
    assert read_json(path) == {"a": [1.5], "b": 1}


def test_what_is_no_text_is_written_over(tmp_path):
    """A table saved again by a program with letters of its own, a plan that a disk has spoiled: both are made anew."""
    for write, name in ((write_json, "a.json"), (lambda path, rows, **_: write_inventory(path, rows, {}), "a.ecsv")):
        path = tmp_path / name
        path.write_bytes(b"20 \xb0C")
        write(path, [], only_if_changed=True)
        assert b"\xb0" not in path.read_bytes()
        path.read_text(encoding="utf-8")


def test_a_name_that_is_no_utf8_survives_json(tmp_path):
    """Surrogate-escaped names go through a plan file unchanged."""
    name = os.fsdecode(b"caf\xe9")
    write_json(tmp_path / "a.json", {"file": name})
    assert read_json(tmp_path / "a.json")["file"] == name


def test_reserved_space_is_taken(tmp_path):
    """The file has its blocks before anything is written."""
    reserve(tmp_path / "a", 1_000_000)
    assert (tmp_path / "a").stat().st_blocks * 512 >= 1_000_000


def test_unknown_figures_are_masked_and_come_back_as_none(tmp_path):
    """None and NaN are masked in the table, never 0 or NaN; units and types survive."""
    columns = {"frame": (str, None), "n": (int, None), "fwhm_px": (float, "pix"), "ok": (bool, None)}
    rows = [{"frame": "a", "n": 3, "fwhm_px": 2.5, "ok": True}, {"frame": 'b, "c"', "n": None, "fwhm_px": float("nan")}]
    write_table(table_from_rows(rows, columns), tmp_path / "t.ecsv")
    table = read_table(tmp_path / "t.ecsv")
    assert str(table["fwhm_px"].unit) == "pix"
    unknown = {"frame": 'b, "c"', "n": None, "fwhm_px": None, "ok": None}
    assert rows_of(table) == [{"frame": "a", "n": 3, "fwhm_px": 2.5, "ok": True}, unknown]
    assert rows_of(table, ("n",)) == [{"n": 3}, {"n": None}]
    # an independent reader: astropy's own
    assert np.all(Table.read(tmp_path / "t.ecsv")["frame"] == table["frame"])


def test_a_table_without_rows_keeps_its_columns(tmp_path):
    """An empty table can be written and read."""
    write_table(table_from_rows([], {"frame": (str, None), "x": (float, "pix")}), tmp_path / "e.ecsv")
    empty = read_table(tmp_path / "e.ecsv")
    assert len(empty) == 0
    assert empty.colnames == ["frame", "x"]


def test_the_same_rows_give_the_same_bytes(tmp_path):
    """Tables are deterministic."""
    columns = {"a": (float, "s")}
    for name in ("1", "2"):
        write_table(table_from_rows([{"a": 1 / 3}], columns, {"k": [1, 2]}), tmp_path / name)
    assert (tmp_path / "1").read_bytes() == (tmp_path / "2").read_bytes()


def test_a_folder_is_held_once_and_freed_by_death(tmp_path):
    """A second run is refused with the first one's process number; a killed run frees the folder."""
    code = (
        "import pipeline.run.locks as l, pathlib, time\n"
        f"h = l.hold_run(pathlib.Path({str(tmp_path)!r})); print('held', flush=True); time.sleep(60)"
    )
    with subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE) as other:
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(InputError, match=rf"another run is working on this folder \(process {other.pid}\)"):
            hold_run(tmp_path)
        other.kill()
        other.wait()
    hold_run(tmp_path).close()


def test_running_jobs_are_seen(tmp_path):
    """The shared lock of a job shows until it ends."""
    assert no_jobs(tmp_path)
    with share_jobs(tmp_path), share_jobs(tmp_path):
        assert not no_jobs(tmp_path)
    assert no_jobs(tmp_path)


@pytest.mark.parametrize(
    ("seconds", "words"), [(0, "0 s"), (89.4, "89 s"), (91, "2 min"), (5399, "1 h 30 min"), (11100, "3 h 05 min")]
)
def test_durations_read_like_words(seconds, words):
    """Seconds, minutes, hours."""
    assert duration(seconds) == words


def test_scratch_counts_darks_with_the_lights_they_are_for() -> None:
    """Two bytes a pixel, by scene and by set; a frame of unknown size counts nowhere."""
    table = Table(
        {
            "kind": ["light", "light", "dark", "other", "light"],
            "scene": ["one", "one", "", "", "one"],
            "dark_set": ["set", "set", "set", "", "set"],
            "width": [30, 30, 30, 30, -1],
            "height": [20, 20, 20, 20, -1],
        },
        masked=True,
    )
    table["width"].mask[4] = True
    table["scene"].mask[2:4] = table["dark_set"].mask[3] = True
    assert mosaic_bytes(table) == {"one": 2400, "set": 1200}


def test_a_file_for_which_there_is_no_room_is_named(tmp_path):
    """By its own name, whatever the system says; other errors stay as they are."""
    wanted = str(tmp_path / "a.fits")
    for given in (OSError(errno.EFBIG, "File too large"), OSError("12 requested and 3 written")):
        with pytest.raises(OSError, match=r"too large|be written whole") as told, replacing(wanted):
            raise given
        assert told.value.filename == wanted
    with pytest.raises(FileNotFoundError) as told, replacing(wanted):
        (tmp_path / "b.fits").read_bytes()
    assert told.value.filename == str(tmp_path / "b.fits")
    with pytest.raises(OSError, match=r"large|space") as told, replacing(wanted) as temporary:
        reserve(temporary, 1 << 62)
    assert told.value.filename == wanted
    assert list(tmp_path.iterdir()) == []
