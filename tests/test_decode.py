"""The decode step: a batch of files in, mosaics and a table out, whatever the files are."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

import pipeline.decode
import pipeline.sensor.worker
from pipeline.decode import main
from pipeline.errors import FrameError
from pipeline.files import write_json
from pipeline.plan import Batch, PlannedFrame
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader, to_stored, write_mosaic
from pipeline.tables import read_table, rows_of
from tests.raw_files import ASCII, starry_mosaic, write_dng

ROOT = Path(__file__).resolve().parents[1]


def plan_batch(folder: Path, paths: list[Path | str], **more) -> Path:
    """Write a batch file of these frames, ids f0, f1 ..."""
    frames = tuple(PlannedFrame(f"f{n}", str(path), f"shown {n}", "light", **more) for n, path in enumerate(paths))
    write_json(folder / "batch.json", asdict(Batch("b1", "light", frames)))
    return folder / "batch.json"


def decoded_rows(out: Path) -> list[dict]:
    """The table's rows as plain values."""
    return rows_of(read_table(out / "decoded.ecsv"))


def test_bad_frames_become_rows(tmp_path):
    """Sound, damaged, unreadable and missing frames all have a row; mosaics stand for those that decode."""
    pixels = starry_mosaic()
    sound = write_dng(tmp_path / "a.dng", pixels)
    broken = pixels.copy()
    broken[100:120] = 0
    damaged = write_dng(tmp_path / "b.dng", broken)
    (tmp_path / "c.dng").write_bytes(b"nothing")
    hostile = os.fsdecode(os.fsencode(tmp_path) + b"/\xff $(x)\n.dng")
    write_dng(tmp_path / "d.dng", pixels, "GBRG")
    os.rename(tmp_path / "d.dng", hostile)
    batch = plan_batch(
        tmp_path, [sound, damaged, tmp_path / "c.dng", tmp_path / "none.dng", hostile], temperature_c=7.5
    )
    out = tmp_path / "mosaics" / "b1"
    assert main(["--batch", str(batch), "--out", str(out)]) == 0
    assert sorted(os.listdir(out)) == ["decoded.ecsv", "f0.fits", "f1.fits", "f4.fits"]
    rows = decoded_rows(out)
    assert [row["frame"] for row in rows] == ["f0", "f1", "f2", "f3", "f4"]
    assert [row["status"] for row in rows] == ["ok", "damaged", "unreadable", "unreadable", "ok"]
    assert rows[1]["detail"].startswith("rows 100 to 119 of 256 hold no picture")
    assert rows[2]["detail"].startswith("is no raw frame")  # the table's reader knows the file's name
    assert "cannot be opened" in rows[3]["detail"]
    assert (rows[0]["black_3"], rows[0]["saturation"], rows[4]["cfa"]) == (512.0, 16383.0, "GBRG")
    assert rows[0]["masked_level"] is None
    assert rows[2]["black_1"] is None
    assert not [name for name in os.listdir(out.parent) if name.startswith(".part")]
    mosaic = MosaicFile(out / "f4.fits")
    np.testing.assert_array_equal(mosaic.pixels(), pixels)
    assert mosaic.header.temperature_c == 7.5


@pytest.mark.parametrize("error", [errno.ENOENT, errno.EIO])
def test_a_card_that_is_taken_away_is_laid_on_no_frame(tmp_path, monkeypatch, capsys, error):
    """Where no file of a batch can be read any more, from the second on or all, the job fails and says so."""
    paths = [write_dng(tmp_path / name, starry_mosaic()) for name in ("a.dng", "b.dng")]
    batch = plan_batch(tmp_path, paths)
    ask, plain_open, pulled = pipeline.sensor.worker.Decoder._ask, open, []

    def pull(self, what, path):
        if pulled or str(path).endswith("b.dng"):
            pulled.append(path)
            raise FrameError(f"cannot be opened ({os.strerror(error)})")
        return ask(self, what, path)

    def opened(path, *arguments, **settings):
        if pulled and str(path).endswith(".dng"):
            raise OSError(error, os.strerror(error), path)
        return plain_open(path, *arguments, **settings)

    monkeypatch.setattr(pipeline.sensor.worker.Decoder, "_ask", pull)
    monkeypatch.setattr("builtins.open", opened)
    assert main(["--batch", str(batch), "--out", str(tmp_path / "out")]) == 1
    assert "shown 1: cannot be read any more; is the card or disk still connected?" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_mosaic_is_read_by_astropy(tmp_path):
    """An independent reader finds the pixels and the keywords that are in wide use."""
    pixels = starry_mosaic()
    exif = {36881: (ASCII, "+02:00"), 37521: (ASCII, "250")}
    path = write_dng(tmp_path / "a.dng", pixels, "BGGR", exposure_s=8.0, iso=3200, exif=exif)
    assert main(["--file", str(path), "--out-file", str(tmp_path / "x.fits")]) == 0
    with fits.open(tmp_path / "x.fits") as hdus:
        np.testing.assert_array_equal(hdus[0].data, pixels)
        header = hdus[0].header
        assert header["BAYERPAT"] == "BGGR"
        assert (header["EXPTIME"], header["ISOSPEED"], header["FNUMBER"], header["FOCALLEN"]) == (8.0, 3200, 2.8, 24.0)
        assert header["DATE-OBS"] == "2026-08-14T20:15:03.250"
        assert [header[f"BLACK{n}"] for n in (1, 2, 3, 4)] == [512.0] * 4
        assert (header["SATURATE"], header["WB_R"], header["CM11"]) == pytest.approx((16383.0, 2.0, 0.9), rel=1e-4)


@pytest.mark.parametrize("shape", [(64, 65), (67, 64)])
def test_mosaic_file_holds_the_bytes_that_astropy_writes(tmp_path, shape):
    """A mosaic's bytes are those of astropy's own writer; any region reads back as it was, odd sides included."""
    pixels = np.random.default_rng(4).integers(0, 65536, shape).astype(np.uint16)
    header = MosaicHeader("f1", "RGGB", (512.0, 512.25, 511.0, 512.0), 16383.0, exposure_s=13.0, camera="Body 1")
    write_mosaic(tmp_path / "ours.fits", pixels, header)
    fits.PrimaryHDU(pixels, header.cards()).writeto(tmp_path / "theirs.fits")
    assert (tmp_path / "ours.fits").read_bytes() == (tmp_path / "theirs.fits").read_bytes()
    mosaic = MosaicFile(tmp_path / "ours.fits")
    np.testing.assert_array_equal(mosaic.pixels(), pixels)
    np.testing.assert_array_equal(mosaic.region(3, 40, 5, 64), pixels[3:40, 5:64])
    np.testing.assert_array_equal(mosaic[[3, 8], [5, 6]], pixels[[3, 8], [5, 6]])


def test_stored_numbers_equal_their_slow_statement():
    """Turning numbers to what FITS keeps equals NumPy's byteswap with the sign bit turned over."""
    pixels = np.arange(65536, dtype=np.uint16).reshape(256, 256)
    stored = np.empty_like(pixels)
    to_stored(pixels, stored)
    np.testing.assert_array_equal(stored, (pixels ^ np.uint16(0x8000)).byteswap())


def test_mosaics_are_input_again(tmp_path):
    """A mosaic of this project is a FITS frame like any other: its pixels, levels and colours come back."""
    path = write_dng(tmp_path / "a.dng", starry_mosaic(), "GRBG", black=(500, 510, 520, 530))
    assert main(["--file", str(path), "--out-file", str(tmp_path / "x.fits")]) == 0
    assert main(["--file", str(tmp_path / "x.fits"), "--out-file", str(tmp_path / "y.fits")]) == 0
    first, second = MosaicFile(tmp_path / "x.fits"), MosaicFile(tmp_path / "y.fits")
    np.testing.assert_array_equal(first.pixels(), second.pixels())
    assert second.header.with_frame("x") == first.header


def test_same_frames_give_the_same_bytes(tmp_path):
    """Decoding twice, over what stands there already, gives equal files."""
    batch = plan_batch(tmp_path, [write_dng(tmp_path / "a.dng", starry_mosaic()), tmp_path / "none"])
    out = tmp_path / "out"
    (tmp_path / ".part-out").mkdir()
    (tmp_path / ".part-out" / "f9.fits").write_bytes(b"left by a killed run")
    seen = []
    for _ in range(2):
        assert main(["--batch", str(batch), "--out", str(out)]) == 0
        seen.append({path.name: path.read_bytes() for path in out.iterdir()})
    assert seen[0] == seen[1]
    assert sorted(seen[0]) == ["decoded.ecsv", "f0.fits"]


def test_empty_batch_gives_an_empty_table(tmp_path):
    """A batch of no frames is no error."""
    assert main(["--batch", str(plan_batch(tmp_path, [])), "--out", str(tmp_path / "out")]) == 0
    assert decoded_rows(tmp_path / "out") == []


def test_project_gets_timings(tmp_path):
    """With a project folder the wall time is written under work/timings and nowhere else."""
    batch = plan_batch(tmp_path, [write_dng(tmp_path / "a.dng", starry_mosaic())])
    assert main(["--project", str(tmp_path), "--batch", str(batch), "--out", str(tmp_path / "out")]) == 0
    assert (tmp_path / "work" / "timings" / "decode-b1.json").is_file()


def test_full_disk_is_a_sentence(tmp_path, monkeypatch, capsys):
    """Without space the step ends with status 1, says how far it came, and leaves nothing behind."""

    def fail(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    batch = plan_batch(tmp_path, [write_dng(tmp_path / "a.dng", starry_mosaic())] * 2)
    monkeypatch.setattr(pipeline.decode, "write_mosaic", fail)
    assert main(["--batch", str(batch), "--out", str(tmp_path / "all" / "out")]) == 1
    assert "no space left on the disk after 0 of 2 mosaics; free some" in capsys.readouterr().err
    assert os.listdir(tmp_path / "all") == []


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["--batch", "{0}/none.json", "--out", "{0}/out"], "there is no such batch file"),
        (["--batch", "{0}/bad.json", "--out", "{0}/out"], "is no batch file"),
        (["--batch", "{0}/bad.json"], "--batch needs --out"),
        (["--file", "{0}/none.dng"], "--file needs --out-file"),
        (["--file", "{0}/none.dng", "--out-file", "{0}/x.fits"], "none.dng: cannot be opened"),
        (["--file", "{0}/bad.json", "--out-file", "{0}/x.fits"], "bad.json: is no raw frame"),
    ],
)
def test_wrong_arguments_are_sentences(tmp_path, capsys, arguments, sentence):
    """Foreseeable mistakes end with status 1, one sentence, and no file."""
    (tmp_path / "bad.json").write_text("[1]" * 100)
    assert main([text.format(tmp_path) for text in arguments]) == 1
    error = capsys.readouterr().err.strip()
    assert sentence in error
    assert len(error.splitlines()) == 1
    assert os.listdir(tmp_path) == ["bad.json"]


def test_runs_from_any_folder(tmp_path):
    """The command works with another working directory, even one that holds files named like modules."""
    for name in ("json.py", "numpy.py", "rawpy.py", "mmap.py"):
        (tmp_path / name).write_text("raise SystemExit(9)\n")
    write_dng(tmp_path / "a.dng", starry_mosaic())
    code = (
        f"import sys; sys.path[:] = [{str(ROOT)!r}] + sys.path[1:]; from pipeline.decode import main; sys.exit(main())"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code, "--file", "a.dng", "--out-file", "x.fits"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert MosaicFile(tmp_path / "x.fits").shape == (256, 384)
