"""The example from card to pictures, held against what its maker knows and against outside readers."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import sep
import tifffile
from astropy.io import fits
from astropy.table import Table
from astropy.wcs import WCS
from PIL import Image

from example_project.maker.__main__ import main as make_card
from example_project.maker.truth import SceneTruth
from pipeline.files import read_json
from tests.conftest import ROOT, moonless

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def example(tmp_path_factory):
    """The example's project folder with its results; MOONLESS_EXAMPLE names one that is made already."""
    made = os.environ.get("MOONLESS_EXAMPLE")
    if made:
        return Path(made)
    project = tmp_path_factory.mktemp("example")
    make_card(["--out", str(project)])
    shutil.copy(ROOT / "example_project" / "trip.yaml", project)
    moonless("run", project, check=0)
    return project


@pytest.fixture(scope="module", params=["tripod", "tracker"])
def scene(request, example):
    """One scene: its results' folder, its truth, its figures."""
    truth = SceneTruth(example / "truth" / request.param)
    mine = set(truth.frames)
    for folder in sorted((example / "results").iterdir()):
        if folder.is_dir():
            rows = Table.read(folder / "frames.ecsv", format="ascii.ecsv")
            if Path(str(rows["file"][0])).name in mine:
                return folder, truth, read_json(folder / "scene.json"), rows
    raise AssertionError(f"no scene holds the frames of {request.param}")


def stars_of(plane, threshold):
    """Stars by a general library: windowed centroids of SEP, unsaturated, apart from others."""
    plane = np.ascontiguousarray(plane, dtype=np.float32)
    background = sep.Background(plane)
    found = sep.extract(plane - background.back(), threshold, err=background.globalrms)
    found = found[(found["flag"] == 0) & (found["a"] < 2.5)]
    x, y, _ = sep.winpos(plane - background.back(), found["x"], found["y"], np.full(len(found), 1.1))
    return x, y, found["peak"]


def test_two_scenes_and_every_file_accounted_for(example):
    """Each file of the card is in the inventory once, as what it is."""
    inventory = Table.read(example / "results" / "inventory.ecsv", format="ascii.ecsv")
    truth = read_json(example / "truth" / "trip.json")["files"]
    assert len(inventory) == len(truth)
    kinds = {
        "light": "light",
        "dark": "dark",
        "daylight": "other",
        "note": "companion",
        "companion": "companion",
        "copy": "duplicate",
    }
    known = {Path(f["file"]).relative_to("raw").as_posix(): f["what"] for f in truth}
    for row in inventory:
        assert row["kind"] == kinds.get(known[row["file"]], known[row["file"]]), row["file"]
    assert len(read_json(example / "results" / "trip.json")["scenes"]) == 2


def test_the_right_frames_are_set_aside_for_the_right_reasons(example, scene):
    """Every spoiled frame is set aside with an admissible reason, every sound one kept (truth of the maker)."""
    _, _, _, rows = scene
    verdicts = {Path(str(r["file"])).name: r for r in rows}
    truth = {
        Path(f["file"]).name: f for f in read_json(example / "truth" / "trip.json")["files"] if f["what"] == "light"
    }
    for name, row in verdicts.items():
        expected = truth[name]
        assert row["verdict"] == expected["verdict"], (name, expected["fault"], row["reasons"], row["detail"])
        if expected["verdict"] == "set aside":
            assert str(row["reasons"]).split("; ")[0] in expected["reasons"], (name, expected["fault"], row["reasons"])


def test_combined_stars_stand_where_the_reference_frame_has_them(scene):
    """Positions by SEP's windowed centroids against the reference's exact ones: 0.15 px rms over the field."""
    folder, truth, figures, _ = scene
    name = Path(figures["reference_file"]).name
    stars = truth.stars(name)
    green = fits.getdata(folder / "combined.fits")[1]
    x, y, peak = stars_of(green, 30.0)
    apart = np.hypot(stars.x[:, 1, None] - stars.x[None, :, 1], stars.y[:, 1, None] - stars.y[None, :, 1])
    np.fill_diagonal(apart, 99)
    alone = (apart.min(1) > 8) & (stars.hidden == 0)
    tx, ty = stars.x[alone, 1], stars.y[alone, 1]
    distance = np.hypot(x[:, None] - tx, y[:, None] - ty)
    nearest = distance.argmin(1)
    use = (distance.min(1) < 1.5) & (peak < 0.8 * fits.getheader(folder / "combined.fits")["SATURATE"])
    assert use.sum() > 200
    dx, dy = x[use] - tx[nearest[use]], y[use] - ty[nearest[use]]
    assert np.sqrt(np.mean(dx**2 + dy**2)) < 0.15
    # the corners too
    height, width = green.shape
    corner = np.hypot(x[use] - width / 2, y[use] - height / 2) > 0.4 * np.hypot(width, height)
    assert corner.sum() > 15
    assert np.sqrt(np.mean((dx**2 + dy**2)[corner])) < 0.15


def test_stars_are_as_small_as_in_one_frame(scene):
    """Star by star against the reference frame demosaiced the same way: within 3 %, 5 % in the corners."""
    _, _, figures, _ = scene
    assert figures["stars_compared"] > 100
    assert figures["size_ratio"] == pytest.approx(1, abs=0.03)
    assert figures["size_ratio_corners"] == pytest.approx(1, abs=0.05)


def test_noise_falls_as_theory_says(scene):
    """Combined noise within 10 % of what the frames' weights and rejection let expect (1/sqrt(N), elementary)."""
    _, _, figures, _ = scene
    assert figures["noise_ratio"] == pytest.approx(1, abs=0.1)
    assert figures["noise_frame"] / figures["noise_combined"] == pytest.approx(
        np.sqrt(figures["frames_kept"]), rel=0.12
    )


def test_nothing_is_left_of_aircraft_and_satellites(scene):
    """Along every planted streak no more than 0.5 sigma of the combined picture is left above what lies beside it, or
    than the stars let bands beside it differ; nor is more than a sigma taken away."""
    folder, truth, figures, rows = scene
    green = fits.getdata(folder / "combined.fits")[1]
    reference = truth.geometry(Path(figures["reference_file"]).name)
    kept = {Path(str(r["file"])).name for r in rows if r["verdict"] == "kept"}
    sigma = np.median(fits.getdata(folder / "combined.fits", "NOISE")[1])
    checked = 0
    for name in kept:
        if truth.frames[name].get("streak"):
            ends = np.array(truth.frames[name]["streak"]).reshape(2, 2)
            length = np.hypot(*(ends[1] - ends[0]))
            line = ends[0] + np.linspace(0, 1, 3000)[:, None] * (ends[1] - ends[0])
            across = np.array([-(ends[1] - ends[0])[1], (ends[1] - ends[0])[0]]) / length

            def level(middle, name=name, line=line, across=across):
                """Median of each of three lines 2 px apart, their mean; how many points of them are inside."""
                medians = []
                for offset in (middle - 2, middle, middle + 2):
                    x, y = truth.geometry(name).to_frame(reference, *(line + offset * across).T)
                    inside = (x > 5) & (y > 5) & (x < green.shape[1] - 6) & (y < 0.75 * green.shape[0])
                    medians.append(np.median(green[np.rint(y[inside]).astype(int), np.rint(x[inside]).astype(int)]))
                return np.mean(medians), inside.sum()

            on, points = level(0)
            # a short streak crosses too few pixels between stars to tell half a sigma
            if points > 300 and length > 600:
                checked += 1
                offsets = np.array([side * offset for side in (-1, 1) for offset in range(10, 41, 6)])
                beside = np.array([level(offset)[0] for offset in offsets])
                course = np.polynomial.Polynomial.fit(offsets, beside, 2)
                chance = np.sqrt(np.sum((beside - course(offsets)) ** 2) / (len(beside) - 3))
                assert -sigma < on - course(0.0) < max(0.5 * sigma, 2.5 * chance), name
    assert checked >= 1


def test_the_picture_is_a_16_bit_tiff_with_its_profile(scene):
    """Read by tifffile: three 16-bit channels, ICC profile in tag 34675 of type UNDEFINED (TIFF 6.0)."""
    folder, truth, _, _ = scene
    with tifffile.TiffFile(folder / "combined.tif") as tiff:
        page = tiff.pages[0]
        assert page.dtype == np.uint16
        assert page.shape == (truth.optics.height, truth.optics.width, 3)
        assert page.tags[34675].dtype == 7
        picture = page.asarray()
    # the faint end is neither cut nor posterised: hardly a zero (rims of coloured stars), many levels within the sky
    sky = picture[100:400, 400:900, 1]
    assert (picture == 0).mean() < 1e-4
    assert len(np.unique(sky)) > 200


def test_sky_coordinates_are_those_of_the_stars(scene):
    """astropy's WCS puts the frame's catalogue stars within 0.3 px rms of their images."""
    folder, truth, figures, _ = scene
    geometry = truth.geometry(Path(figures["reference_file"]).name)
    wcs = WCS(fits.getheader(folder / "combined.fits"), naxis=2)
    height, width = truth.optics.height, truth.optics.width
    x, y = np.meshgrid(np.linspace(20, width - 20, 12), np.linspace(20, 0.7 * height, 9))
    ra, dec = geometry.to_sky(x, y)
    wx, wy = wcs.all_world2pix(ra, dec, 0)
    assert np.sqrt(np.mean((wx - x) ** 2 + (wy - y) ** 2)) < 0.3


def test_the_scene_with_a_ridge_has_a_composite(scene):
    """The tripod's ridge is told from the sky at its stars and has a composite; the tracker's scene has none."""
    folder, truth, figures, _ = scene
    names = ("composite.fits", "composite.tif", "composite.jpg", "ground.tif", "ground_mask.png")
    stars = truth.stars(Path(figures["reference_file"]).name)
    x, y = np.rint(stars.x[:, 1]).astype(int), np.rint(stars.y[:, 1]).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < truth.optics.width) & (y < truth.optics.height)
    if not (stars.hidden[inside] > 0.5).any():
        assert figures["ground"]["found"] is False
        assert not any((folder / name).exists() for name in names)
        return
    assert figures["ground"]["found"]
    assert all((folder / name).is_file() for name in names)
    mask = np.asarray(Image.open(folder / "ground_mask.png"))
    assert mask.shape == (truth.optics.height, truth.optics.width)
    hidden, told = stars.hidden[inside], mask[y[inside], x[inside]]
    assert (told[hidden == 0] < 128).mean() > 0.99
    assert (told[hidden > 0.99] >= 128).mean() > 0.95  # the ridge leaves the picture at its lower edge
    assert figures["ground"]["noise_ratio"] == pytest.approx(1, abs=0.15)
    composite, combined = fits.getdata(folder / "composite.fits"), fits.getdata(folder / "combined.fits")
    assert (composite[:, :300] == combined[:, :300]).all()
