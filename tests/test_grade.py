"""The step grade on files: rows, star lists, frames that cannot be read."""

from __future__ import annotations

import json

import numpy as np
import pytest
from astropy.table import Table
from PIL import Image

from pipeline import grade
from pipeline.config import GradeSettings
from pipeline.grade import COLUMNS
from pipeline.plan import Batch, PlannedFrame, write_plan
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.tables import read_table, table_from_rows, write_table
from tests.starfields import grade_mosaic, mosaic, random_field, render, star_flux

BLACK = (512.0, 512.0, 512.0, 512.0)
SHAPE = (600, 900)


def header(frame="f1", **more):
    """A header of the test's frames."""
    return MosaicHeader(frame, "RGGB", BLACK, 16000.0, **{"exposure_s": 20.0, **more})


@pytest.fixture
def batch_on_disk(tmp_path):
    """A batch of five: two sound frames, one damaged, one whose mosaic is missing, one whose mosaic is broken."""
    rng = np.random.default_rng(1)
    field = random_field(rng, SHAPE, 120, (star_flux(60, 2.4, 10.0), star_flux(2000, 2.4, 10.0)), apart=20)
    ids = ["good1", "good2", "hurt", "gone", "broken"]
    frames = tuple(PlannedFrame(i, f"/none/{i}", i, "light", exposure_s=20.0) for i in ids)
    write_plan(tmp_path, [Batch("b", "light", frames)], [], [])
    folder = tmp_path / "mosaics"
    for name in ("good1", "good2"):
        write_mosaic(folder / f"{name}.fits", mosaic(rng, render(SHAPE, field, 2.4)), header(name))
    (folder / "broken.fits").write_bytes(b"no fits")
    rows = [
        {"frame": i, "status": "damaged" if i == "hurt" else "ok", "detail": "half" if i == "hurt" else ""} for i in ids
    ]
    columns = {"frame": (str, None), "status": (str, None), "detail": (str, None)}
    write_table(table_from_rows(rows, columns), folder / "decoded.ecsv")
    return tmp_path


def run(folder, out):
    """The step on the batch."""
    return grade.main(
        [
            *("--batch", str(folder / "batches" / "b.json")),
            *("--mosaics", str(folder / "mosaics")),
            *("--out", str(out / "g.ecsv")),
            *("--stars", str(out / "g.stars.fits")),
        ]
    )


def test_a_row_for_every_frame(batch_on_disk):
    """Sound frames are measured; damaged, missing and broken ones keep their row and cost no other frame."""
    assert run(batch_on_disk, batch_on_disk) == 0
    table = read_table(batch_on_disk / "g.ecsv")
    assert list(table["frame"]) == ["good1", "good2", "hurt", "gone", "broken"]
    assert list(table["status"]) == ["ok", "ok", "damaged", "unreadable", "unreadable"]
    assert table["detail"][2] == "half"
    assert "cannot be graded" in table["detail"][3]
    assert table["stars"].mask.tolist() == [False, False, True, True, True]
    assert table["fwhm_px"][0] == pytest.approx(2.3548 * np.sqrt((2.4 / 2.3548) ** 2 + 1 / 12), rel=0.01)
    assert table["sky_adu"][0] == pytest.approx(300, rel=0.02)
    assert table["sky_adu_s"][0] == pytest.approx(15, rel=0.02)
    assert table["noise_adu"][0] == pytest.approx(10, rel=0.03)
    assert set(COLUMNS) == set(table.colnames)


def test_star_lists_have_the_stated_form(batch_on_disk):
    """The star lists hold the frames that were measured, brightest first, by plain FITS readers."""
    run(batch_on_disk, batch_on_disk)
    stars = Table.read(batch_on_disk / "g.stars.fits")
    assert stars.colnames == [
        "frame", "x", "y", "flux", "flux_error", "mxx", "mxy", "myy", "peak", "background", "saturated",
        "red_dx", "red_dy", "red_error", "blue_dx", "blue_dy", "blue_error", "full_red", "full_blue",
    ]  # fmt: skip
    for name in ("good1", "good2"):
        mine = stars[np.char.strip(np.asarray(stars["frame"]).astype(str)) == name]
        assert 110 <= len(mine) <= 125
        assert (np.diff(mine["flux"]) <= 0).all()


def test_the_same_frames_give_the_same_bytes(batch_on_disk, tmp_path):
    """Grading again gives equal files."""
    first, second = tmp_path / "one", tmp_path / "two"
    for folder in (first, second):
        folder.mkdir()
        assert run(batch_on_disk, folder) == 0
    for name in ("g.ecsv", "g.stars.fits"):
        assert (first / name).read_bytes() == (second / name).read_bytes()


def test_pictures_stand_in_the_project(batch_on_disk):
    """With a project folder every graded frame leaves a small picture in work/thumbs, the same bytes each time."""
    arguments = ["--project", str(batch_on_disk), "--batch", str(batch_on_disk / "batches" / "b.json")]
    arguments += ["--mosaics", str(batch_on_disk / "mosaics"), "--out", str(batch_on_disk / "g.ecsv")]
    (batch_on_disk / "trip.yaml").write_text("frames: [raw]\n")
    seen = []
    for _ in range(2):
        assert grade.main([*arguments, "--stars", str(batch_on_disk / "g.stars.fits")]) == 0
        thumbs = sorted((batch_on_disk / "work" / "thumbs").glob("*.jpg"))
        assert [p.stem for p in thumbs] == ["good1", "good2"]
        seen.append([p.read_bytes() for p in thumbs])
    assert seen[0] == seen[1]
    with Image.open(thumbs[0]) as picture:
        assert picture.size == (225 + 150, 150)


def test_missing_batch_is_one_sentence(tmp_path, capsys):
    """A batch file that is not there ends with status 1 and its name."""
    assert run(tmp_path, tmp_path) == 1
    assert "b.json" in capsys.readouterr().err


def test_sky_level_and_gradient():
    """Sky level within 2 %, tiles within 2 %, gradient and saturated share as planted."""
    rng = np.random.default_rng(2)
    ramp = np.broadcast_to(np.linspace(0, 300, SHAPE[1]), SHAPE)
    pixels = mosaic(rng, ramp, sky=200.0, saturation=15000)
    row, stars = grade_mosaic(pixels, header(), GradeSettings())
    assert row["sky_adu"] == pytest.approx(350, rel=0.02)
    tiles = np.array(json.loads(row["tile_sky_adu"]))
    np.testing.assert_allclose(tiles[3], 200 + 300 * (np.arange(8) + 0.5) / 8, rtol=0.02)
    assert row["sky_gradient"] == pytest.approx(0.9 * 300 / 350, rel=0.08)
    assert len(stars) <= 2
    pixels[:60, :90] = 16000
    row, _ = grade_mosaic(pixels, header(), GradeSettings())
    assert row["saturated_fraction"] == pytest.approx(0.01, abs=0.003)


def test_frames_without_light_have_masked_figures_not_zeros():
    """A black frame has no stars, no FWHM and no gradient; its level is not clipped at zero."""
    pixels = np.full(SHAPE, 510, np.uint16)
    row, stars = grade_mosaic(pixels, header(exposure_s=None), GradeSettings())
    assert len(stars) == 0
    assert row["stars"] == 0
    assert row.get("fwhm_px") is None
    assert row["sky_gradient"] is None
    assert row["sky_adu_s"] is None
    assert row["sky_adu"] == pytest.approx(-2)


def test_star_counts_by_tiles():
    """Star counts of the coarse grid add up to the stars."""
    rng = np.random.default_rng(3)
    field = random_field(rng, SHAPE, 100, (3000, 30000))
    row, stars = grade_mosaic(mosaic(rng, render(SHAPE, field, 2.2)), header(), GradeSettings())
    counts = np.array(json.loads(row["tile_stars"]))
    assert counts.shape == (6, 8)
    assert counts.sum() == len(stars) == row["stars"]
