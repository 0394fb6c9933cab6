"""Frames without black level, white level and darks, a meteor over a ridge, a lens that vignettes: the whole chain."""

import json

import numpy as np
import pytest
from astropy.io import fits

from example_project.maker import Fault, make_scenario
from example_project.maker.sensor import Sensor
from pipeline.files import read_json
from pipeline.sky.camera import Camera
from pipeline.sky.vignetting import response
from pipeline.tables import read_table
from tests.conftest import moonless

BLACK, FULL, METEOR, CLIPPED = 480.0, 15800, 4, 6


def write_fits(path, pixels, meta):
    """A FITS mosaic as plain capture programs leave it: no black level, no white level."""
    header = fits.Header()
    header["BAYERPAT"], header["ROWORDER"] = "RGGB", "TOP-DOWN"
    header["EXPTIME"], header["DATE-OBS"] = meta.exposure_s, meta.taken.replace(tzinfo=None).isoformat()
    header["FOCALLEN"], header["XPIXSZ"], header["INSTRUME"] = meta.focal_mm, meta.pitch_um, "Plain One"
    fits.PrimaryHDU(pixels, header).writeto(path)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A trip of nine such frames over an hour, made; its folder, its scenario and the truth of its frames."""
    project = tmp_path_factory.mktemp("light") / "trip"
    (project / "raw").mkdir(parents=True)
    sensor = Sensor(720, 480, black=(BLACK,) * 4, saturation=FULL, column_pattern=0.0, hot_share=2e-4)
    scenario = make_scenario(
        width=720, height=480, n=9, interval_s=450.0, sensor=sensor, ground=0.12, f_number=2.0, stars_max=1500,
        faults={METEOR: Fault("meteor", 2.0, angle_deg=100.0)}, altitude_deg=50.0, seed=4,
    )  # fmt: skip
    truths = []
    for n, frame in enumerate(scenario.frames()):
        pixels = np.full_like(frame.mosaic, FULL) if n == CLIPPED else frame.mosaic
        write_fits(project / "raw" / f"f{n:02d}.fits", pixels, frame.meta)
        truths.append(frame.truth)
    (project / "trip.yaml").write_text(
        "frames: [raw]\nsite: {latitude: 45, longitude: -30}\ncombine: {meteors: keep, vignetting: stars}\n"
    )
    moonless("run", project, "--cores", 2, check=0)
    (results,) = (path.parent for path in (project / "results").glob("*/combined.fits"))
    return project, results, scenario, truths


def test_the_pedestal_is_told_and_taken_off(made):
    """What the camera adds is told from the noise to 15 ADU and taken off; inventory and page say so."""
    project, results, _, _ = made
    figures = read_json(results / "scene.json")
    assert figures["black"]["black_adu"] == pytest.approx(BLACK, abs=15)
    assert "state no black level" in (results / "index.html").read_text()
    warnings = read_table(project / "results" / "inventory.ecsv").meta["warnings"]
    assert any("state no black level" in warning for warning in warnings)
    assert figures["electrons_per_adu"] == pytest.approx(1.2, rel=0.1)


def test_a_frame_full_all_over_is_overexposed_not_damaged(made):
    """The level of saturation comes from the pixels of its like; such a frame is neither broken nor a dark."""
    _, results, _, _ = made
    rows = {row["file"]: row for row in read_table(results / "frames.ecsv")}
    assert rows[f"f{CLIPPED:02d}.fits"]["reasons"].split("; ")[-1] == "overexposed"
    assert sum(row["verdict"] == "kept" for row in rows.values()) == 8
    header = fits.getheader(results / "combined.fits")
    assert header["SATURATE"] < FULL - BLACK + 20


def test_the_meteor_is_in_the_picture_and_stops_at_the_ridge(made):
    """Its light lies along its course among the stars, as bright as in its frame; the page says that it stays."""
    project, results, _, truths = made
    (kept,) = read_json(next((project / "work" / "scenes").glob("*/combine.json")))["meteors"]
    assert "in the picture, in place among the stars" in (results / "index.html").read_text()
    ends = np.array(truths[METEOR].figures["streak"])
    found = np.array(kept["ends"])
    if np.hypot(*(found[:2] - ends[:2])) > np.hypot(*(found[2:] - ends[:2])):
        found = np.roll(found, 2)
    assert np.hypot(*(found[2:] - ends[2:])) < 40  # it fades in slowly at its other end


def test_the_lens_is_divided_out_as_far_as_stars_show_it(made):
    """The fall-off that stars show is the planted one to 3.5 % over the field."""
    project, results, scenario, _ = made
    geometry = json.loads(next((project / "work" / "scenes").glob("*/geometry.json")).read_text())
    told, camera = geometry["learned"]["vignetting"], geometry["camera"]
    assert told["refused"] is None
    y, x = np.mgrid[0 : camera["height"] : 20, 0 : camera["width"] : 20]
    found = response(told["terms"], told["middle"], Camera.from_json(camera), x, y) / scenario.optics.throughput(x, y)
    np.testing.assert_allclose(found / found.mean(), 1, atol=0.035)
    assert "divided out" in (results / "index.html").read_text()
