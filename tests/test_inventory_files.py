"""Finding files, telling copies and companions, remembering what was learned."""

import os
import signal
import threading
import time
from dataclasses import replace

import pytest
from astropy.table import Table

from pipeline.card.duplicates import companions, duplicates
from pipeline.card.frame import Facts, Look
from pipeline.card.memory import Memory, Record
from pipeline.card.reading import Reader
from pipeline.card.sentences import left_out, named_in_vain
from pipeline.card.table import KINDS, write_inventory
from pipeline.card.walk import BLOCK_BYTES, WHOLE_BYTES, content_hash, find_files, roots_of
from pipeline.errors import InputError
from tests.cards import frame


def found(project, **folders):
    return find_files(roots_of(project, {"frames": ["."], **folders}))


def put(path, content=b"x"):
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def test_every_file_is_found_once_in_order(tmp_path):
    """Folders are searched through; the order does not depend on the disk."""
    for name in ("b/2.raw", "b/1.raw", "a/deep/er/3.raw", "z.raw"):
        put(tmp_path / name)
    assert [f.shown for f in found(tmp_path)] == ["a/deep/er/3.raw", "b/1.raw", "b/2.raw", "z.raw"]


def test_the_pipelines_own_folders_are_passed_over(tmp_path):
    """Results, scratch and logs of this project and of any project below are no frames; folders of that name without
    a trip file beside them are searched."""
    for name in (
        *("trip.yaml", "results/s/combined.fits", "work/a.fits", "logs/x.log", ".snakemake/y", "raw/1.raw"),
        *("older/trip.yaml", "older/results/s/combined.fits", "older/2.raw", "raw/results/3.raw"),
    ):
        put(tmp_path / name)
    files = found(tmp_path)
    assert [f.shown for f in files if f.skip is None] == ["older/2.raw", "raw/1.raw", "raw/results/3.raw"]
    assert [f.shown for f in files if f.skip] == ["older/trip.yaml", "trip.yaml"]


def test_hidden_files_are_told_and_not_used(tmp_path):
    """Files that begin with a dot, or lie in such a folder, are listed as ignored."""
    for name in ("._IMG_1.raw", ".Trash/2.raw", "3.raw"):
        put(tmp_path / name)
    assert {f.shown: f.skip for f in found(tmp_path)} == {
        "._IMG_1.raw": "a hidden file (its name begins with a dot)",
        ".Trash/2.raw": "in a hidden folder (its name begins with a dot)",
        "3.raw": None,
    }


def test_links_loops_pipes_and_dangling_links(tmp_path):
    """A loop of links ends, a pipe is not opened, a link that leads nowhere is told."""
    put(tmp_path / "a/1.raw")
    (tmp_path / "a/up").symlink_to(tmp_path)
    (tmp_path / "gone.raw").symlink_to(tmp_path / "nowhere.raw")
    os.mkfifo(tmp_path / "pipe.raw")
    (tmp_path / "self").symlink_to("self")
    files = {f.shown: (f.skip, f.problem) for f in found(tmp_path)}
    assert files["a/1.raw"] == (None, None)
    assert files["pipe.raw"] == ("a pipe or a device, not a file", None)
    assert files["gone.raw"] == (None, "a link that leads nowhere")
    assert "loop" in files["self"][1] or files["self"][1] == "a link that leads nowhere"
    assert [name for name, (skip, _) in files.items() if skip and "leads back" in skip] == ["a/up/"]


def test_a_link_to_above_the_searched_folder_is_a_loop(tmp_path):
    """Nothing of the project beside its folder of frames is walked or counted."""
    put(tmp_path / "raw/1.raw")
    put(tmp_path / "notes.txt")
    put(tmp_path / "trip.yaml")
    (tmp_path / "raw/loop").symlink_to("..")
    files = find_files(roots_of(tmp_path, {"frames": ["raw"]}))
    assert [(f.shown, f.skip) for f in files] == [
        ("1.raw", None),
        ("loop/", "a link that leads back to a folder above it"),
    ]


def test_a_file_under_two_folders_counts_to_the_innermost(tmp_path):
    """`darks` inside `frames` are darks."""
    put(tmp_path / "raw/caps/1.raw")
    put(tmp_path / "raw/2.raw")
    files = find_files(roots_of(tmp_path, {"frames": ["raw"], "darks": ["raw/caps"]}))
    assert {f.shown: f.root.role for f in files} == {"1.raw": "darks", "2.raw": "frames"}
    same = find_files(roots_of(tmp_path, {"frames": ["raw/caps"], "darks": ["raw/caps"]}))
    assert [f.root.role for f in same] == ["darks"]


def test_a_folder_that_cannot_be_opened_is_told(tmp_path, monkeypatch):
    """It is a row of its own; the rest is found."""
    put(tmp_path / "locked/1.raw")
    put(tmp_path / "2.raw")
    plain = os.scandir

    def scandir(path):
        if str(path).endswith("locked"):
            raise PermissionError(13, "Permission denied", path)
        return plain(path)

    monkeypatch.setattr(os, "scandir", scandir)
    assert {f.shown: f.problem for f in found(tmp_path)} == {
        "2.raw": None,
        "locked/": "folder cannot be opened (Permission denied)",
    }


@pytest.mark.parametrize(
    ("name", "words"),
    [("missing", "there is no such folder"), ("file", "is not a folder"), ("a\nb", "a.x0ab: there is no such folder")],
)
def test_a_folder_that_is_none(tmp_path, name, words):
    """The sentence names the key, the folder and what to do, on one line."""
    put(tmp_path / "file")
    with pytest.raises(InputError, match=f"trip.yaml: frames: .*{words}") as error:
        roots_of(tmp_path, {"frames": [name]})
    assert "\n" not in str(error.value)


def test_hashes_tell_content_from_content(tmp_path):
    """Small files are hashed whole; large ones by blocks, ends and size included."""
    small, large = os.urandom(5000), os.urandom(WHOLE_BYTES + 3 * BLOCK_BYTES)
    a = put(tmp_path / "a", small)
    b = put(tmp_path / "b", small[:-1] + bytes([small[-1] ^ 1]))
    assert content_hash(a, 5000) != content_hash(b, 5000)
    c, d = put(tmp_path / "c", large), put(tmp_path / "d", large)
    assert content_hash(c, len(large)) == content_hash(d, len(large))
    for cut in (large[:-1], bytes([large[0] ^ 1]) + large[1:], large[:-1] + bytes([large[-1] ^ 1])):
        assert content_hash(put(tmp_path / "e", cut), len(cut)) != content_hash(c, len(large))
    middle = WHOLE_BYTES // 2 + 200
    changed = bytearray(large)
    changed[middle] ^= 1
    e = put(tmp_path / "e", bytes(changed))
    assert content_hash(e, len(large), whole=True) != content_hash(c, len(large), whole=True)


def test_companions_share_the_stem_or_the_whole_name():
    """A JPEG of the same stem and a sidecar after the whole name go along; files of other folders or stems do not."""
    others = ["/a/1.JPG", "/a/1.raw.xmp", "/a/1.xmp", "/b/1.jpg", "/a/12.jpg", "/a/readme.txt"]
    assert companions(others, ["/a/1.raw", "/a/2.raw"]) == {
        "/a/1.JPG": "/a/1.raw",
        "/a/1.raw.xmp": "/a/1.raw",
        "/a/1.xmp": "/a/1.raw",
    }


def copies(*frames, hashes=None, pixels=lambda frame: None):
    hashes = hashes or [f.id for f in frames]
    return duplicates(frames, {f.path: h for f, h in zip(frames, hashes, strict=True)}, pixels)


def test_the_same_content_is_one_frame():
    """Where names do not tell which is the original, the first in order of search stays."""
    marked = copies(frame(0, name="a/1.raw"), frame(0, name="b/9.raw"), hashes=["x", "x"])
    assert marked == {"/card/b/9.raw": ("/card/a/1.raw", "same content as")}


@pytest.mark.parametrize(
    ("stays", "others"),
    [
        ("a/IMG_1.raw", ["a/IMG_1 copy.raw"]),  # in order of search the copy comes first
        ("a/IMG_1.raw", ["a/IMG_1 (1).raw", "a/IMG_1 copy 2.raw", "a/IMG_1-1.raw"]),
        ("a/img_1.RAW", ["a/Copy of IMG_1.raw"]),
        ("a/IMG_1.raw", ["a/IMG_1 copy.raw", "0/IMG_1 copy.raw"]),  # the name tells more than the folder
        ("101 CARD/1.raw", ["101 CARD (1)/1.raw", "101 CARD copy/1.raw"]),
        ("1.raw", ["backup/1.raw"]),
        ("dcim/101/1.raw", ["card/dcim/101/1.raw"]),
        ("backup/1.raw", ["card/1.raw"]),  # neither adds to the other: in order of search
        ("a/long.raw", ["b/1.raw"]),
        ("a/1.raw", ["a/0long.raw"]),  # in one folder the shorter one
        ("a/img_0001.raw", ["a/b\\xff.raw"]),  # as a name of bytes that are no UTF-8 is shown
    ],
)
def test_of_equal_files_the_plainest_name_is_the_frame(stays, others):
    """A copy's name adds to the original's, which trip file and notes name (common practice of file managers)."""
    order = sorted([stays, *others], key=str.encode)
    marked = copies(*(frame(0, name=name) for name in order), hashes=["x"] * len(order))
    assert marked == {f"/card/{name}": (f"/card/{stays}", "same content as") for name in others}


def test_of_a_link_and_the_file_that_it_leads_to_the_file_is_the_frame(tmp_path):
    """Whatever their names: a link is no camera's."""
    (tmp_path / "Y0000.raw").write_bytes(b"x")
    (tmp_path / "a.raw").symlink_to("Y0000.raw")
    link, real = (replace(frame(0, name=name), path=str(tmp_path / name)) for name in ("a.raw", "Y0000.raw"))
    assert list(copies(link, real, hashes=["x", "x"])) == [str(tmp_path / "a.raw")]


def test_of_folders_in_the_trip_file_the_first_stays():
    """What a frame is may hang on the key its folder stands under: a plainer name elsewhere changes nothing."""
    first = frame(0, name="card/1 copy.raw")
    other = replace(frame(0, name="old/1.raw"), folder="old", role="darks")
    assert list(copies(first, other, hashes=["x", "x"])) == ["/card/old/1.raw"]


def test_a_copy_cut_short_is_a_duplicate_of_the_whole_one():
    """Same body, time and settings under the same name: the larger file stays, wherever it stands."""
    short, whole = frame(0, name="a/1.raw", size=100), frame(0, name="b/1.raw", size=200)
    assert list(copies(short, whole)) == ["/card/a/1.raw"]
    assert list(copies(whole, short)) == ["/card/a/1.raw"]


def test_what_is_not_sure_is_no_duplicate():
    """Whole seconds under other names, unknown bodies, other settings, exposures shorter than the clock's step."""
    assert not copies(frame(0, name="a/1.raw"), frame(0, name="b/2.raw"))
    assert not copies(frame(0, name="a/1.raw", serial=None), frame(0, name="b/1.raw", serial=None))
    assert not copies(frame(0, name="a/1.raw", iso=100), frame(0, name="b/1.raw"))
    assert not copies(frame(0, name="a/1.raw", exposure_s=0.1), frame(0, name="b/1.raw", exposure_s=0.1))
    assert not copies(frame(None, name="a/1.raw"), frame(None, name="b/1.raw"))
    assert not copies(frame(0, name="a/1.raw", serial="1"), frame(0, name="b/1.raw", serial="2"))


def test_pixels_make_it_sure_where_nothing_else_does():
    """A copy under another name whose notes were changed, of a body without a serial: it would count twice. Of two
    bodies that began at the same second each stays; nothing is asked of frames that can only be one, or two."""
    asked = []

    def pixels(one):
        asked.append(one.shown)
        return {"a/1.raw": "sky", "b/x.raw": "sky", "c/1.raw": "other sky"}.get(one.shown)

    three = [frame(0, name=name, serial=None) for name in ("a/1.raw", "b/x.raw", "c/1.raw")]
    (marked,) = copies(*three, pixels=pixels).items()
    assert marked[0] == "/card/b/x.raw"
    assert marked[1][0] == "/card/a/1.raw"
    assert "same time, settings and pixels" in marked[1][1]
    asked.clear()
    copies(frame(0, name="a/1.raw"), frame(0, name="b/1.raw"), pixels=pixels)
    copies(frame(0, name="a/1.raw", serial=None), frame(0, name="b/x.raw", serial=None, width=10), pixels=pixels)
    copies(frame(0, name="a/1.raw", serial=None), frame(60, name="b/x.raw", serial=None), pixels=pixels)
    copies(*(frame(0, name=name, serial=None, exposure_s=0.001) for name in ("a/1.raw", "b/x.raw")), pixels=pixels)
    assert not asked


def test_of_converted_copies_of_one_size_the_plainest_name_stays():
    """Other bytes of the same size, the clock read to hundredths: a copy whose notes were changed."""
    when = "2026-08-14T22:00:00.250"
    pair = frame(0, name="a/1 copy.raw", taken=when), frame(0, name="a/1.raw", taken=when)
    assert list(copies(*pair)) == ["/card/a/1 copy.raw"]


def test_fractions_of_a_second_make_it_sure():
    """One body cannot begin two exposures at the same hundredth of a second: a renamed and converted copy."""
    when = "2026-08-14T22:00:00.250"
    marked = copies(frame(0, name="a/1.raw", taken=when), frame(0, name="b/x.dng", taken=when, size=5))
    assert list(marked) == ["/card/b/x.dng"]


def test_memory_keeps_what_it_was_told(tmp_path):
    """Records come back equal, also for names that are no UTF-8; changed files are forgotten."""
    path = tmp_path / "looks.json"
    name = os.fsdecode(b"/card/\xff\n.raw")
    record = Record(
        10,
        20,
        "abc",
        Facts(100, 50, exposure_s=30.0),
        look=Look(0.1, 0.2, 0.3, 0.4, 5, 6),
        stars=((1.5, 2.5, 3.0),),
        solved={},
    )
    memory = Memory(path)
    memory.keep(name, record)
    assert memory.match("a", "b", lambda: [1.0, 0.0, 2.0, 3.0]) == [1.0, 0.0, 2.0, 3.0]
    memory.save()
    again = Memory(path)
    assert again.recall(name, 10, 20) == record
    assert again.recall(name, 11, 20) is None
    assert again.match("a", "b", lambda: pytest.fail("asked twice")) == [1.0, 0.0, 2.0, 3.0]
    before = path.stat().st_mtime_ns
    again.save()
    assert path.stat().st_mtime_ns == before


def test_ctrl_c_leaves_what_is_still_to_be_read(tmp_path):
    """Of 400 files those at hand are finished; no thread goes on with the others when the command has said that it is
    stopped."""
    done: list[int] = []

    class Idle:
        def __enter__(self):
            return self

        def __exit__(self, *_):
            pass

    def work(number, decoder):
        done.append(number)
        if len(done) == 3:
            signal.pthread_kill(threading.main_thread().ident, signal.SIGINT)
        time.sleep(0.02)

    with pytest.raises(KeyboardInterrupt), Reader(Memory(tmp_path / "looks.json"), Idle, *[None] * 5) as reader:
        reader._each(range(400), work)
    number = len(done)
    assert number < 400
    time.sleep(0.5)
    assert len(done) == number


def test_a_project_folder_can_be_moved(tmp_path):
    """Records of files in the folder go with it."""
    old = Memory(tmp_path / "looks.json", tmp_path / "here")
    old.keep(str(tmp_path / "here/raw/1.raw"), Record(1, 2, "x"))
    old.keep("/elsewhere/2.raw", Record(3, 4, "y"))
    old.save()
    new = Memory(tmp_path / "looks.json", tmp_path / "there")
    assert new.recall(str(tmp_path / "there/raw/1.raw"), 1, 2) is not None
    assert new.recall("/elsewhere/2.raw", 3, 4) is not None
    assert new.recall(str(tmp_path / "here/raw/1.raw"), 1, 2) is None


@pytest.mark.parametrize(
    "content", ["", "{", "[]", '{"form": 1}', '{"form": 1, "files": {"a": {"x": 1}}, "matches": {}}']
)
def test_a_broken_memory_is_none(tmp_path, content):
    """What cannot be read is learned again."""
    path = tmp_path / "looks.json"
    path.write_text(content)
    assert Memory(path).recall("a", 1, 1) is None


def test_no_name_hides_its_row(tmp_path):
    """Names that ECSV would take for a comment or a quote come back, by a reader of ECSV and line by line."""
    names = ["#first.dng", "# a b.dng", "##", '"quoted".dng', "plain.dng", "a # b.dng", "%d.dng"]
    rows = [{"file": name, "kind": kind} for name, kind in zip(names, KINDS, strict=False)]
    path = tmp_path / "inventory.ecsv"
    write_inventory(path, rows, {})
    table = Table.read(path, format="ascii.ecsv")
    assert [str(name) for name in table["file"]] == names
    assert [str(kind) for kind in table["kind"]] == [row["kind"] for row in rows]
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    assert len(lines) == 1 + len(names)
    assert all(name.replace('"', '""') in line for name, line in zip(names, lines[1:], strict=True))


def test_a_series_of_long_exposures_that_are_no_lights_is_told():
    """Ten pictures of 30 s in one folder are worth a line; three are not, nor ten of a second."""
    row = {"kind": "other", "reason": "no stars: a picture by daylight or lamps"}
    night = [{**row, "file": f"night/{n}.raw", "exposure_s": 30.0} for n in range(10)]
    assert left_out(night) == (
        "10 long exposures in series are not taken for lights (first: night/0.raw: no stars: a picture by daylight or "
        "lamps); if they show the night sky, name their folder under 'roles' in trip.yaml as light"
    )
    assert left_out(night[:3]) is None
    assert left_out([{**r, "exposure_s": 1.0} for r in night]) is None
    assert left_out([{**r, "exposure_s": None} for r in night]) is None
    assert left_out([{**r, "kind": "light"} for r in night]) is None


def test_a_name_that_means_no_light_is_told_what_it_is():
    """A copy named under `drop` does nothing: the sentence says whose copy it is. Names of lights, and of no file, are
    told elsewhere or not at all."""
    card = [
        {"file": "101/IMG_1.dng", "kind": "light", "reason": "stars"},
        {"file": "101/IMG_1 copy.dng", "kind": "duplicate", "reason": "same content as 101/IMG_1.dng"},
        {"file": "101/D1.dng", "kind": "dark", "reason": "no stars"},
        {"file": "102/D1.dng", "kind": "dark", "reason": "no stars"},
    ]
    assert named_in_vain(card, "drop", ["IMG_1 copy.dng", "D1", "IMG_1*", "IMG_1.dng", "nothing"]) == [
        "trip.yaml: drop: 'IMG_1 copy.dng': 101/IMG_1 copy.dng is no light frame (duplicate: same content as "
        "101/IMG_1.dng)",
        "trip.yaml: drop: 'D1': 101/D1.dng, the first of 2 files so named, is no light frame (dark: no stars)",
    ]
    copy = [{"file": r"101/\x20\x20copy.dng", "kind": "duplicate", "reason": "same content as IMG_1.dng"}]
    assert named_in_vain(copy, "drop", ["  copy.dng"]) == [
        r"trip.yaml: drop: '  copy.dng': 101/\x20\x20copy.dng is no light frame (duplicate: same content as IMG_1.dng)"
    ]
