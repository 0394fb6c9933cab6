"""Flats, flat-darks, biases and darks of another exposure, from the card to the picture."""

import shutil

import numpy as np
import pytest
from astropy.io import fits

from pipeline.files import read_json
from tests.calibrated_trips import dusty_lens, rig, star_ratios
from tests.conftest import moonless, planned

LIGHTS = 6


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A trip with every kind of calibration frame, made; its folder, its rig and the truth of its lights."""
    project = tmp_path_factory.mktemp("calibrated") / "trip"
    for folder in ("raw", "flats", "darks"):
        (project / folder).mkdir(parents=True)
    planted = rig(dusty_lens((480, 720)), mount="tracked", exposure_s=15.0, n=LIGHTS)
    truths = planted.lights(project / "raw")
    planted.covered(project / "darks", 8, 30.0, "dark")
    planted.covered(project / "darks", 10, 1 / 4000, "bias")
    planted.covered(project / "darks", 6, 0.04, "flatdark", iso=100)
    planted.flats(project / "flats", spoil={5: np.float32(4.0)})
    (project / "trip.yaml").write_text("frames: [raw]\nflats: [flats]\ndarks: [darks]\n")
    moonless("run", project, "--cores", 2, check=0)
    (result,) = (project / "results").glob("*/combined.fits")
    return project, result.parent, planted, truths


def test_flats_take_the_response_off(made):
    """The master flat is the planted response to 1 % in every colour; star fluxes depend on no place to 1 %."""
    project, results, planted, truths = made
    figures = read_json(results / "scene.json")
    assert figures["flats"]["used"]
    assert figures["frames_kept"] == LIGHTS
    assert any("overexposed" in why and name.endswith(".dng") for name, why in figures["flats"]["left_out_why"].items())
    (path,) = (project / "work" / "darks").glob("flat*.fits")
    flat, header = fits.getdata(path), fits.getheader(path)
    assert header["FLATDARK"]
    assert header["NFRAMES"] == 5
    for row, column in np.ndindex(2, 2):
        ratio = flat[row::2, column::2] / planted.response[row::2, column::2]
        blocks = ratio[:240, :360].reshape(12, 20, 18, 20).mean(axis=(1, 3))
        np.testing.assert_allclose(blocks / ratio.mean(), 1, atol=0.01)
    reference = int(figures["reference_file"].split("_")[1][:3])
    picture = fits.getdata(results / "combined.fits")[1]
    x, y, ratio = star_ratios(picture, truths, reference, 60_000.0)
    ratio = ratio / np.median(ratio)
    rho = np.hypot(x - 359.5, y - 239.5)
    for halves in (x < 360, y < 240, rho < np.median(rho)):
        assert abs(np.median(ratio[halves]) - np.median(ratio[~halves])) < 0.01
    response = planted.response[y.round().astype(int), x.round().astype(int)]
    # the response of these stars' places spans far more than is left
    assert np.ptp(response) > 0.15
    assert 1.4826 * np.median(np.abs(ratio - 1)) < 0.015


def test_darks_of_another_exposure_are_scaled_to_the_lights(made):
    """Darks of 30 s stand in for 15 s: the factor that the lights ask for is the planted one to 2 %."""
    _, results, planted, _ = made
    figures = read_json(results / "scene.json")
    darks = figures["darks"]
    assert darks["used"]
    assert darks["bias_set"].startswith("bias")
    assert "scaled to each light, about 0.5" in darks["why"]
    s = planted.scenario
    warmer = np.mean([s.temperature(n) for n in range(s.count)]) - s.temperature(s.count)
    assert darks["scale_median"] == pytest.approx(15 / 30 * 2 ** (warmer / 6.0), rel=0.02)
    page = (results / "index.html").read_text()
    assert "without its bias" in page
    assert "overexposed" in page


def test_a_calibration_frame_more_redoes_its_master_and_what_takes_it(made, tmp_path):
    """A further flat or bias: its own master alone, calibration, combination and pictures; nothing before them."""
    project, _, planted, _ = made
    copy = tmp_path / "trip"
    shutil.copytree(project, copy)
    (tmp_path / "more").mkdir()
    planted.flats(tmp_path / "more", 7)
    shutil.move(tmp_path / "more" / "flat_006.dng", copy / "flats")
    after = planned(copy)
    planted.covered(tmp_path / "more", 11, 1 / 4000, "bias")
    shutil.move(tmp_path / "more" / "bias_010.dng", copy / "darks")
    (copy / "flats" / "flat_006.dng").unlink()
    for jobs in (after, planned(copy)):
        assert jobs["dark_master"] == 1
        assert jobs["dark_scene"] == jobs["combine"] == jobs["finish"] == jobs["summarise"] == 1
        assert jobs["grade"] == jobs["judge"] == jobs["register"] == jobs["decode"] == 0
