"""The step finish: TIFF and preview read back by other programs, and what is stated about them."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image, ImageCms
from scipy import ndimage

from pipeline import finish
from pipeline.colour import curves
from pipeline.colour.cores import TOUCHED, find_cores
from pipeline.colour.spaces import BT2020, rgb_to_xyz
from pipeline.pages import starrings
from pipeline.pages.finished import colour_facts
from pipeline.pages.gradient import gradient, robust_level
from pipeline.pages.preview import area_mean, stretch
from pipeline.scene.developing import choose, read_combined
from pipeline.scene.pictures import fill_rim
from pipeline.sensor.colourcards import BALANCE_CARDS, MATRIX_CARDS

MATRIX = np.array([[0.9, -0.3, -0.1], [-0.45, 1.25, 0.22], [-0.1, 0.2, 0.6]])  # invented, of a usual shape
BALANCE = np.array([2.0, 1.0, 1.55])
SATURATION = 15000.0


def write_combined(path: Path, planes: np.ndarray, **changes: Any) -> Path:
    """A combined.fits as combine writes it; a header key given as None is left out."""
    cards: dict[str, Any] = {"BUNIT": "adu", "SATURATE": SATURATION, "ORIENTAT": 1}
    cards |= dict(zip(BALANCE_CARDS, BALANCE, strict=True)) | dict(zip(MATRIX_CARDS, MATRIX.ravel(), strict=True))
    noise = changes.pop("noise", 3.0)
    header = fits.Header()
    for key, value in (cards | changes).items():
        if value is not None:
            header[key] = value
    hdus = [fits.PrimaryHDU(planes.astype(np.float32), header)]
    if noise is not None:
        hdus.append(fits.ImageHDU(np.full((3, 8, 8), noise, np.float32), name="NOISE"))
    fits.HDUList(hdus).writeto(path)
    return path


def night(shape: tuple[int, int] = (120, 180), stars: int = 30) -> np.ndarray:
    """A sky of balanced grey with noise and some stars, camera values above black."""
    rng = np.random.default_rng(1)
    y, x = np.mgrid[-8:9, -8:9]
    light = np.full((shape[0] + 16, shape[1] + 16), 600.0)
    for _ in range(stars):
        row, column, peak = rng.integers(shape[0]), rng.integers(shape[1]), 10 ** rng.uniform(2, 4)
        part = light[row : row + 17, column : column + 17]
        part += peak * np.exp(-((x - rng.uniform(-0.5, 0.5)) ** 2 + (y - rng.uniform(-0.5, 0.5)) ** 2) / (2 * 1.1**2))
    light = light[8:-8, 8:-8]
    planes = light / BALANCE[:, None, None]
    return np.minimum(planes + rng.normal(0, 3.0, (3, *shape)), SATURATION)


def run(tmp_path: Path, combined: Path, *more: str) -> dict[str, Any]:
    status = finish.main(
        [
            *("--combined", str(combined)),
            *("--tiff", str(tmp_path / "o.tif")),
            *("--preview", str(tmp_path / "o.jpg")),
            *("--figures", str(tmp_path / "o.json")),
            *more,
        ]
    )
    assert status == 0
    content: dict[str, Any] = json.loads((tmp_path / "o.json").read_text())
    return content


def linear_of(path: Path, figures: dict[str, Any]) -> np.ndarray:
    """Camera values that the TIFF holds, worked back by hand."""
    codes = tifffile.imread(path) / 65535
    rgb = curves.decode(codes) * (1 + figures["pedestal"]) - figures["pedestal"]
    to_xyz = rgb_to_xyz(BT2020)
    seen = MATRIX @ np.array([0.3127 / 0.3290, 1, (1 - 0.3127 - 0.3290) / 0.3290])
    camera_to_xyz = np.linalg.inv(MATRIX / seen[:, None])
    camera = rgb @ (np.linalg.inv(camera_to_xyz) @ to_xyz).T / BALANCE
    result: np.ndarray = np.moveaxis(camera, -1, 0) * figures["white_level"]
    return result


def test_tiff_carries_the_linear_values(tmp_path: Path) -> None:
    """Undoing curve, pedestal, matrix and balance by hand gives the combined values to half a code or so."""
    planes = night()
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes))
    back = linear_of(tmp_path / "o.tif", figures)
    plain = (planes * BALANCE[:, None, None] < 0.5 * SATURATION).all(axis=0)
    # one code at the sky is 1/50 of sigma here; the inverse matrix widens half a code of each channel
    assert np.abs(back - planes)[:, plain & (planes[1] < 1000)].max() < 0.15
    np.testing.assert_allclose(back[:, plain], planes[:, plain], rtol=2e-3)


def test_tiff_tags(tmp_path: Path) -> None:
    """16-bit RGB, profile in tag 34675 of type UNDEFINED, software, description and resolution, and no date."""
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", night()))
    with tifffile.TiffFile(tmp_path / "o.tif") as tiff:
        tags = tiff.pages[0].tags
        assert tags[34675].dtype == tifffile.DATATYPE.UNDEFINED
        profile = ImageCms.ImageCmsProfile(io.BytesIO(tags[34675].value))
        assert "BT.2020" in ImageCms.getProfileName(profile)
        assert tags["BitsPerSample"].value == (16, 16, 16)
        assert tags["SamplesPerPixel"].value == 3
        assert tags["PhotometricInterpretation"].value == 2
        assert tags["Compression"].value == 1
        assert tags["XResolution"].value == (300, 1)
        assert tags["Software"].value.startswith("moonless ")
        assert "pedestal" in tags["ImageDescription"].value
        assert 306 not in tags
        assert tiff.pages[0].shape == (120, 180, 3)
    assert (figures["width"], figures["height"]) == (180, 120)


def test_other_readers_agree_on_the_tiff(tmp_path: Path) -> None:
    """imagecodecs reads the same 16-bit numbers, and Pillow opens it with the profile (its pixels in 8 bits only)."""
    import imagecodecs

    run(tmp_path, write_combined(tmp_path / "c.fits", night()))
    codes = tifffile.imread(tmp_path / "o.tif")
    np.testing.assert_array_equal(imagecodecs.tiff_decode((tmp_path / "o.tif").read_bytes()), codes)
    with Image.open(tmp_path / "o.tif") as image:
        assert image.size == (180, 120)
        assert len(image.info["icc_profile"]) > 300
        assert np.abs(np.asarray(image, int) - (codes >> 8)).max() <= 1


def test_no_posterisation(tmp_path: Path) -> None:
    """The noise of a deep, dark sky spans at least ten codes a sigma, as stated and as found in the file."""
    planes = np.random.default_rng(3).normal(40.0, 0.25, (3, 400, 400)) / BALANCE[:, None, None]
    planes += np.random.default_rng(4).normal(0, 0.25, planes.shape)
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes, noise=None))
    codes = tifffile.imread(tmp_path / "o.tif").reshape(-1, 3).astype(float)
    assert min(figures["codes_per_sigma"]) >= 10
    np.testing.assert_allclose(codes.std(axis=0), figures["codes_per_sigma"], rtol=0.05)


@pytest.mark.parametrize("sky", [0.0, -5.0, 2.0])
def test_negative_noise_is_not_cut(tmp_path: Path, sky: float) -> None:
    """Where the sky is at or below zero a pedestal holds all noise above black, and the mean comes back unbiased."""
    planes = np.random.default_rng(5).normal(sky, 3.0, (3, 200, 200))
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes))
    assert figures["pedestal"] > 0
    assert figures["below_black_pixels"] == 0
    assert tifffile.imread(tmp_path / "o.tif").min() > 0
    np.testing.assert_allclose(
        linear_of(tmp_path / "o.tif", figures).mean(axis=(1, 2)), planes.mean(axis=(1, 2)), atol=0.02
    )


@pytest.mark.parametrize(("told", "lamp"), [(3.0, True), (40.0, False)])
def test_what_is_laid_under_the_picture_goes_by_its_noise(tmp_path: Path, told: float, lamp: bool) -> None:
    """Planted: noise of 3 ADU about a level of 6 in the darkest fifth. Neither a ring of 108 pixels at -900 ADU about a
    lit window, 0.14 % of the picture, nor light of a colour that no screen shows lays a fog over it; nor does more
    noise told of than there is."""
    rng = np.random.default_rng(8)
    light = np.full((240, 320), 200.0)
    light[190:] = 6.0
    planes = light + rng.normal(0, 3.0, (3, *light.shape))
    if lamp:
        planes[:, 205:217, 100:112] = -900.0
        planes[:, 208:214, 103:109] = 12_000.0
        planes[:, 200:210, 200:220] = np.array([8_000.0, 20.0, 2.0])[:, None, None]
    path = write_combined(tmp_path / "c.fits", planes, noise=told)
    figures = run(tmp_path, path)
    noise = np.sqrt((choose(read_combined(path)).colour.whole ** 2).sum(axis=1)) * 3.0 / figures["white_level"]
    assert 0 < figures["pedestal"] < 6 * noise.max()
    land = np.ones(light.shape, bool)
    land[195:235, 90:250] = False
    assert tifffile.imread(tmp_path / "o.tif")[land].min() > 0


def test_bright_sky_needs_no_pedestal_and_is_kept(tmp_path: Path) -> None:
    """A sky far above its noise gets no pedestal, be there a rim that no frame reached; its gradient stands in the TIFF
    as it was."""
    planes = night() + np.linspace(0, 400, 180) / BALANCE[:, None, None]
    planes[:, 0], planes[:, :, 0] = 0.0, 0.0
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes))
    assert figures["pedestal"] == 0.0
    back = linear_of(tmp_path / "o.tif", figures)
    rise = np.median(back[1][:, -10:]) - np.median(back[1][:, :10])
    assert rise == pytest.approx(400 * 170 / 180, rel=0.03)


# black bodies of 6,000, 13,000 and 2,900 K, by Planck's law at 605, 535 and 462 nm
@pytest.mark.parametrize("star", [(1.0, 1.0, 1.0), (0.552, 0.706, 1.0), (1.0, 0.579, 0.273)])
def test_saturated_star_has_its_own_colour(star: tuple[float, float, float]) -> None:
    """A saturated star takes the colour told of it, in its core and where full values were carried to (planted: the
    star's light, cut at saturation, blurred as linear demosaicing blurs red and blue more than green)."""
    y, x = np.mgrid[0:60, 0:60] - 30.0
    light = 80_000 * np.exp(-(x**2 + y**2) / (2 * 1.4**2))
    colour = np.array(star)[:, None, None] / BALANCE[:, None, None]
    full = np.minimum(500.0 + light * colour, SATURATION)
    planes = np.stack([ndimage.gaussian_filter(p, s) for p, s in zip(full, (0.9, 0.6, 0.9), strict=True)])
    touched = (planes >= TOUCHED * SATURATION).any(axis=0)
    ratios = [np.log(colour[c, 0, 0] / colour[1, 0, 0]) for c in (0, 2)]
    found = find_cores(
        touched, planes, np.full(3, 500.0), SATURATION, tuple(BALANCE), np.array([[30.2, 29.7, *ratios]])
    )
    assert (found.stars, found.measured, found.neutral) == (1, 1, 0)
    strip = (planes / SATURATION).astype(np.float32)
    found.restore(strip, 0, tuple(BALANCE))
    near = (np.hypot(x, y) < 6) & (light > 300)
    above = ((strip - 500 / SATURATION) * BALANCE[:, None, None])[:, near]
    above /= above.max(axis=0)
    # in the core no sky is taken off: it is a hundredth of what is there
    assert np.abs(above - np.array(star)[:, None]).max() < 0.05
    before = ((planes - 500) * BALANCE[:, None, None])[:, near]
    before /= before.max(axis=0)
    assert np.abs(before - np.array(star)[:, None]).max() > 0.25


@pytest.mark.parametrize(("off", "expected"), [(0.3, 0.15), (-0.3, -0.15), (1.2, 0.0), (-2.0, 0.0)])
def test_what_mosaics_and_picture_tell_of_a_full_star_is_weighed(off: float, expected: float) -> None:
    """Mosaics that miss the star's red over blue (by a natural logarithm) meet the picture halfway, or, as where a
    neighbour stood in their ring, are not believed."""
    y, x = np.mgrid[0:60, 0:60] - 30.0
    light = 80_000 * np.exp(-(x**2 + y**2) / (2 * 1.4**2))
    colour = np.array([0.8, 0.9, 1.0])[:, None, None] / BALANCE[:, None, None]
    planes = np.minimum(500.0 + light * colour, SATURATION)
    touched = (planes >= TOUCHED * SATURATION).any(axis=0)
    red, blue = (np.log(colour[c, 0, 0] / colour[1, 0, 0]) for c in (0, 2))
    told = np.array([[30.0, 30.0, red + off / 2, blue - off / 2]])
    found = find_cores(touched, planes, np.full(3, 500.0), SATURATION, tuple(BALANCE), told)
    ratio = np.log(found.colour[0, 0] / found.colour[0, 2])
    assert ratio == pytest.approx(np.log(0.8) + expected, abs=0.02)


def test_a_bright_sky_is_no_saturated_star(tmp_path: Path) -> None:
    """Moonlight up to 0.82 of saturation in the middle of the frame, half of it at the sides, comes out as it is."""
    y, x = np.mgrid[0:480, 0:600]
    sky = SATURATION * (0.45 + 0.37 * np.exp(-((x - 300) ** 2 + (y - 240) ** 2) / (2 * 130**2)))
    planes = sky * np.array([0.45, 1.0, 0.6])[:, None, None]
    planes += np.random.default_rng(4).normal(0, 20.0, planes.shape)
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes, noise=20.0))
    assert figures["saturated_cores"] == 0
    camera = linear_of(tmp_path / "o.tif", figures)
    middle = (slice(None), slice(230, 250), slice(290, 310))
    np.testing.assert_allclose(camera[middle].mean(axis=(1, 2)), planes[middle].mean(axis=(1, 2)), rtol=0.01)


def test_a_full_star_before_a_bright_sky_keeps_its_colour() -> None:
    """Its light stands on the sky, whose own colour is another: a red star before a sky of half of saturation."""
    y, x = np.mgrid[0:60, 0:60] - 30.0
    light = 60_000 * np.exp(-(x**2 + y**2) / (2 * 1.6**2))
    colour = np.array([1.0, 0.6, 0.3]) / BALANCE
    sky = np.array([0.25, 0.5, 0.3]) * SATURATION
    planes = np.minimum(sky[:, None, None] + light * colour[:, None, None], SATURATION)
    limit = sky + TOUCHED * (SATURATION - sky)
    touched = (planes >= limit[:, None, None]).any(axis=0)
    told = np.array([[30.0, 30.0, *(np.log(colour[c] / colour[1]) for c in (0, 2))]])
    found = find_cores(touched, planes, sky, SATURATION, tuple(BALANCE), told)
    strip = (planes / SATURATION).astype(np.float32)
    found.restore(strip, 0, tuple(BALANCE))
    above = (strip[:, 30, 30] - sky / SATURATION) * BALANCE
    np.testing.assert_allclose(above / above[0], [1.0, 0.6, 0.3], atol=0.06)


def test_a_saturated_core_of_which_nothing_tells_is_neutral(tmp_path: Path) -> None:
    """A sharp core without flanks comes out white, where full pixels times multipliers are magenta."""
    y, x = np.mgrid[0:60, 0:60] - 30.0
    light = 500.0 + 80_000 * np.exp(-(x**2 + y**2) / (2 * 1.4**2))
    planes = np.minimum(light / BALANCE[:, None, None], SATURATION)
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes))
    core = curves.decode(tifffile.imread(tmp_path / "o.tif")[30, 30] / 65535)
    assert core.max() == pytest.approx(1.0, abs=1e-4)
    assert core.min() > 0.95
    assert (figures["saturated_cores"], figures["saturated_cores_measured"]) == (1, 0)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied(tmp_path: Path, orientation: int) -> None:
    """TIFF and preview are turned as Pillow turns a picture of that Exif orientation."""
    from PIL import ImageOps

    planes = np.full((3, 24, 36), 600.0) / BALANCE[:, None, None]
    planes[:, 2:8, 3:12] *= 5
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes, ORIENTAT=orientation))
    mark = Image.fromarray((planes[1] > 1000).astype(np.uint8) * 255)
    exif = mark.getexif()
    exif[274] = orientation
    held = io.BytesIO()
    mark.save(held, format="png", exif=exif)
    want = np.asarray(ImageOps.exif_transpose(Image.open(held))) > 0
    codes = tifffile.imread(tmp_path / "o.tif")
    np.testing.assert_array_equal(codes[..., 1] > codes[..., 1].min(), want)
    with Image.open(tmp_path / "o.jpg") as preview:
        assert preview.size == want.shape[::-1]
    assert figures["orientation"] == orientation


def test_same_input_same_bytes(tmp_path: Path) -> None:
    """Two runs, with one thread and with two, write the same TIFF, preview and figures."""
    combined = write_combined(tmp_path / "c.fits", night((700, 300)))
    run(tmp_path, combined, "--threads", "1")
    first = [(tmp_path / name).read_bytes() for name in ("o.tif", "o.jpg", "o.json")]
    run(tmp_path, combined, "--threads", "2")
    assert [(tmp_path / name).read_bytes() for name in ("o.tif", "o.jpg", "o.json")] == first


def test_missing_values_take_the_sky(tmp_path: Path) -> None:
    """Pixels without a value get the sky's colour and are counted, in the TIFF and in the preview."""
    planes = night()
    planes[:, 50:60, 60:70] = np.nan
    planes[:, 50:60, 70:80] = 0.0  # as combine leaves what no frame reached
    figures = run(tmp_path, write_combined(tmp_path / "c.fits", planes))
    assert figures["without_value_pixels"] == 140  # of the second hundred the rim takes what lies beside
    codes = tifffile.imread(tmp_path / "o.tif")[55, [65, 75]]
    assert np.abs(codes.astype(int) - figures["sky_code"]).max() <= 2


def test_an_edge_that_no_frame_reached_goes_on_as_it_is_beside() -> None:
    """A row at the edge takes its neighbours' values, not a hairline of another level; what is far is not known."""
    strip = np.random.default_rng(2).uniform(0.1, 0.2, (3, 30, 40)).astype(np.float32)
    whole = strip.copy()
    strip[:, 0, 10:30] = 0.0
    strip[:, 10:, 30:] = 0.0
    fill_rim(strip)
    np.testing.assert_array_equal(strip[:, 0, 13:27], whole[:, 1, 13:27])
    assert np.isnan(strip[:, 20:, 36:]).all()
    assert np.isfinite(strip[:, 20:, 31]).all()


def test_little_is_known(tmp_path: Path) -> None:
    """Without balance, matrix, saturation and noise plane a grey picture comes out, and each gap is stated."""
    names = [*BALANCE_CARDS, *MATRIX_CARDS, "SATURATE", "BUNIT"]
    figures = run(
        tmp_path, write_combined(tmp_path / "c.fits", night((400, 600), 600), noise=None, **dict.fromkeys(names))
    )
    assert "grey on average over the light of the stars" in figures["white_balance_from"]
    np.testing.assert_allclose(figures["white_balance"], BALANCE / BALANCE.min(), rtol=0.05)
    assert figures["matrix_from"].startswith("none known")
    assert "not known" in figures["white_level_from"]
    assert "not known" in figures["saturated_cores_how"]


def test_monochrome_stays_grey(tmp_path: Path) -> None:
    """Three equal planes without balance come out grey to one code; where combine says that they are one plane, to the
    code, and nothing is said of colours."""
    names = [*BALANCE_CARDS, *MATRIX_CARDS]
    planes = np.repeat(night()[1:2], 3, axis=0)
    run(tmp_path, write_combined(tmp_path / "c.fits", planes, **dict.fromkeys(names)))
    codes = tifffile.imread(tmp_path / "o.tif").astype(int)
    assert np.ptp(codes, axis=2).max() <= 1
    figures = run(tmp_path, write_combined(tmp_path / "m.fits", planes, COLORTYP="MONO"))
    assert np.ptp(tifffile.imread(tmp_path / "o.tif"), axis=2).max() == 0
    assert figures["white_balance"] == [1, 1, 1]
    said = " ".join(text for _, text in colour_facts(figures))
    assert not re.search(r"\b(red|green|blue|multipliers|their colour)\b", said)


def test_preview_size_and_form(tmp_path: Path) -> None:
    """The preview's long side is the setting, 4:4:4, with an sRGB profile and no Exif; small pictures stay small."""
    (tmp_path / "trip.yaml").write_text("finish: {preview_px: 250}\n")
    run(tmp_path, write_combined(tmp_path / "c.fits", night((400, 600))), "--project", str(tmp_path))
    with Image.open(tmp_path / "o.jpg") as preview:
        assert preview.size == (250, 167)
        assert preview.layer == [("R", 1, 1, 0)] or {layer[1:3] for layer in preview.layer} == {(1, 1)}
        assert "icc_profile" in preview.info
        assert not preview.getexif()


def test_preview_sky_is_neutral_and_dark() -> None:
    """An orange sky with a gradient becomes a neutral dark grey, even to a few codes from corner to corner."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[0:200, 0:300] / 300.0
    base = (0.05 + 0.04 * y + 0.02 * x)[..., None] * np.array([1.4, 1.0, 0.7])
    picture, done = stretch(base + rng.normal(0, 4e-4, base.shape))
    corners = np.array(
        [picture[a, b].reshape(-1, 3).mean(0) for a in (np.s_[:40], np.s_[-40:]) for b in (np.s_[:40], np.s_[-40:])]
    )
    assert np.ptp(corners, axis=1).max() < 2.0
    assert 20 < corners.mean() < 60
    assert np.ptp(corners.mean(axis=1)) < 28
    assert done.noise == pytest.approx(4e-4 * np.sqrt(0.2126**2 + 0.7152**2 + 0.0722**2), rel=0.05)


def test_preview_keeps_star_colours() -> None:
    """Stars of red, white and blue keep their order of colours over a range of a hundred in brightness."""
    rng = np.random.default_rng(8)
    light = np.full((120, 160, 3), 0.02) + rng.normal(0, 2e-4, (120, 160, 3))
    y, x = np.mgrid[0:120, 0:160]
    for n, colour in enumerate(([1.0, 0.7, 0.4], [1.0, 1.0, 1.0], [0.6, 0.8, 1.0])):
        for m, peak in enumerate((0.02, 0.2, 1.5)):
            shape = np.exp(-((x - 30 - 50 * n) ** 2 + (y - 20 - 40 * m) ** 2) / 8)
            light += peak * shape[..., None] * np.array(colour)
    picture, _ = stretch(light)
    for m in range(3):
        red, white, blue = (picture[20 + 40 * m, 30 + 50 * n].astype(int) for n in range(3))
        assert red[0] - red[2] > 25
        assert blue[2] - blue[0] > 12
        assert np.ptp(white) < 12


def test_preview_shows_no_dark_rings() -> None:
    """The undershoot of interpolation beside a bright star is raised to the sky; a dark cloud away from stars stays."""
    light = np.full((60, 80, 3), 0.02) + np.random.default_rng(11).normal(0, 2e-4, (60, 80, 3))
    light[30, 20] += 1.0
    light[30, 22] -= 0.015
    light[20:40, 50:70] -= 0.003
    picture, _ = stretch(light)
    sky = np.median(picture[:10].reshape(-1, 3), axis=0)
    assert (picture[30, 22] > sky - 12).all()
    assert (picture[25:35, 55:65].mean(axis=(0, 1)) < sky - 15).all()


def test_stars_in_coloured_light_stand_in_no_grey_squares() -> None:
    """What is raised beside a star in a town's orange dome has the colour of the dome there."""
    y, x = np.mgrid[0:240, 0:360]
    dome = 0.1 * np.exp(-((x - 180) ** 2 + (y - 240) ** 2) / (2 * 60**2))
    light = (
        0.02 + dome[..., None] * np.array([1.0, 0.5, 0.25]) + np.random.default_rng(12).normal(0, 2e-4, (240, 360, 3))
    )
    light[200, 180] += 1.0
    light[200, 182] -= [0.015, 0.015, 0.005]
    picture, _ = stretch(light)
    beside = picture[194:207, 192:200].reshape(-1, 3).mean(axis=0)
    assert beside[0] - beside[2] > 40
    about = np.abs(picture[196:205, 176:185] - beside).max(axis=2)
    assert np.sum(about > 15) == 1


def test_stars_in_a_narrow_dark_lane_stand_in_no_squares() -> None:
    """A lane of 5 px across light: beside the stars in it the picture is as dark as along it, and the ring that
    interpolation leaves at one of them is raised to that."""
    y, x = np.mgrid[0:240, 0:360]
    lane = 0.012 * np.exp(-(((x - 0.5 * y - 120) / 3.0) ** 2))
    light = np.repeat((0.03 - lane)[..., None], 3, axis=2) + np.random.default_rng(23).normal(0, 1e-4, (240, 360, 3))
    dark, _ = stretch(light.copy())
    places = [(row, 120 + row // 2) for row in (50, 100, 150, 200)]
    for row, column in places:
        light[row, column] += 1.0
    light[50, 147] -= 0.012
    picture, _ = stretch(light)
    for row, column in places:
        here = (slice(row - 4, row + 5), slice(column - 4, column + 5))
        raised = (picture[here].astype(int) - dark[here]).mean(axis=2)
        raised[4, 4] = 0
        assert np.abs(raised).max() < 8
        assert abs(np.median(raised)) < 1


def test_no_bright_patch_stands_about_a_cluster() -> None:
    """Between the stars of a bright cluster on a deep sky the picture is as dark as beside it, and the flank of an
    orange star whose blue undershoots there is not grey (with the cluster's own level for the sky both fail)."""
    rng = np.random.default_rng(21)
    y, x = np.mgrid[0:240, 0:360]
    light = np.full((240, 360, 3), 0.06) + rng.normal(0, 3e-4, (240, 360, 3))
    for row, column in rng.integers(100, 136, (30, 2)):
        light += 0.2 * np.exp(-((x - column) ** 2 + (y - row) ** 2) / 3)[..., None]
    light += 0.5 * np.exp(-((x - 250) ** 2 + (y - 60) ** 2) / 3)[..., None] * np.array([1.0, 0.5, 0.2])
    light[60, 252] = 0.06 + np.array([0.10, 0.05, -0.01])
    true = light[100:136, 100:136, 1] - 0.06
    picture, _ = stretch(light)
    dark = picture[100:136, 100:136, 1][true < 0.0006].astype(int)
    assert dark.size > 50
    assert dark.max() <= np.quantile(picture[:60, :200, 1], 0.999) + 3
    red, _, blue = picture[60, 252].astype(int)
    assert red > 2 * blue


def test_bands_of_green_airglow_leave_no_magenta() -> None:
    """A white Milky Way under a green band, behind a lens of a tenth in the corners and above land: it is drawn white,
    the corners of sky neutral, the land of the picture of stars black (colour by colour the removed surfaces took the
    band in green alone: 14 codes of magenta, and land glowed in the corners)."""
    rng = np.random.default_rng(22)
    y, x = ((n - (size - 1) / 2) / 360 for n, size in zip(np.mgrid[0:400, 0:600], (400, 600), strict=True))
    lens = np.exp(-2.2 * (x * x + y * y))
    way = 0.5 * np.exp(-(((0.8 * x + 0.6 * y) / 0.12) ** 2))
    band = 0.7 * np.exp(-(((y - 0.12 - 0.1 * x) / 0.1) ** 2)) * (0.6 + 0.4 * np.tanh(4 * x))
    sky = (1 + way)[..., None] + band[..., None] * np.array([0.1, 1.0, 0.1])
    light = 0.05 * sky * np.array([1.2, 1.0, 0.9]) * lens[..., None] + rng.normal(0, 1e-3, (400, 600, 3))
    land = (y > 0.36).astype(np.float32)
    light[land > 0] = rng.normal(0.001, 2e-4, (int(land.sum()), 3))
    picture, _ = stretch(light, land, own_curve=False)
    here = (way > 0.45) & (band < 0.03) & (land == 0)
    red, green, blue = picture[here].mean(axis=0)
    assert (red + blue) / 2 - green < 8
    assert red >= green >= blue
    for corner in (picture[:40, :40], picture[:40, -40:]):
        assert np.ptp(corner.reshape(-1, 3).mean(axis=0)) < 3
    assert picture[np.asarray(y > 0.38)].max() < 16
    # a cast from side to side dims with the lens as well, and leaves nothing in its corners (additive: 30 codes)
    cast = np.stack([1 + 0.3 * x, np.ones_like(x), 1 - 0.3 * x], axis=2)
    light = 0.05 * sky * cast * np.array([1.2, 1.0, 0.9]) * lens[..., None] + rng.normal(0, 2e-4, (400, 600, 3))
    picture, _ = stretch(light)
    ends = (slice(12), slice(-12, None))
    corners = (picture[rows, columns] for rows in ends for columns in ends)
    assert np.mean([np.ptp(corner.reshape(-1, 3).mean(axis=0)) for corner in corners]) < 12


@pytest.mark.parametrize("light", [np.zeros((30, 40, 3)), np.full((30, 40, 3), np.nan), np.ones((1, 1, 3))])
def test_preview_of_nothing(light: np.ndarray) -> None:
    """An empty, unknown or one-pixel picture gives an even grey and no warning."""
    picture, _ = stretch(light)
    assert picture.shape == light.shape
    assert np.ptp(picture) == 0


def test_area_mean_counts_known_pixels_only() -> None:
    """Block means leave out what is not finite; a block of nothing is NaN; ragged edges are left out."""
    values = np.arange(3 * 5 * 7, dtype=np.float32).reshape(3, 5, 7)
    values[0, 0, 0] = np.nan
    values[1, :2, :2] = np.nan
    small = area_mean(values, 2)
    assert small.shape == (3, 2, 3)
    assert small[0, 0, 0] == pytest.approx(np.mean([1, 7, 8]))
    assert np.isnan(small[1, 0, 0])
    assert small[2, 1, 2] == pytest.approx(values[2, 2:4, 4:6].mean())


def test_robust_level_ignores_stars() -> None:
    """Level and scatter of a sky with 3 % of bright pixels come out to 2 % of sigma and 3 %."""
    rng = np.random.default_rng(9)
    values = rng.normal(100, 5, 100_000)
    values[:3000] += rng.exponential(500, 3000)
    level, sigma = robust_level(values)
    assert level == pytest.approx(100, abs=0.2)
    assert sigma == pytest.approx(5, rel=0.03)


def test_a_lens_s_dark_corners_are_not_drawn_black() -> None:
    """Half the light in the corners (common practice for fast lenses), a slope and a bright band: no part of the open
    sky is nearly black (a second-order surface alone leaves a twelfth of the sky's code); black land stays black."""
    rng = np.random.default_rng(12)
    y, x = np.mgrid[0:400, 0:600]
    rho2 = ((x - 300) ** 2 + (y - 200) ** 2) / (300**2 + 200**2)
    sky = (1 + 0.4 * (x / 600 - 0.5)) * (1 - 0.5 * rho2**2) + 0.3 * np.exp(-(((x + y - 300) / 80) ** 2))
    light = np.stack([sky] * 3, axis=2) + rng.normal(0, 0.02, (400, 600, 3))
    light[370:] = 0.02
    picture, _ = stretch(light)
    parts = picture[:360].reshape(18, 20, 30, 20, 3).mean(axis=(1, 3, 4)) / 255
    assert parts.min() > 0.2 * 0.18
    assert picture[380:].mean() / 255 < 0.03


def test_pixels_that_are_part_land_are_no_black_rim() -> None:
    """Land of half the sky's light, a border of two pixels of both, of which the mask knows the half: they are drawn
    between land and sky (the sky's curve alone drew them black)."""
    rng = np.random.default_rng(31)
    y, _ = np.mgrid[0:400, 0:600]
    share = np.clip((y - 298) / 4, 0, 1)
    light = np.stack([share * 0.5 + (1 - share) * 1.0] * 3, axis=2) + rng.normal(0, 0.01, (400, 600, 3))
    picture, _ = stretch(light, np.where(y > 300, share, 0).astype(np.float32))
    rows = picture.mean(axis=(1, 2))
    assert rows[310:].mean() > 20
    assert rows[295:306].min() > 0.7 * rows[310:].mean()


def test_a_dome_of_light_keeps_its_colour_beside_land() -> None:
    """A red dome over the middle of a ridge with a mast before it: the sky within 3 to 7 px of either is as red as the
    sky beyond (with the colours of its own light it was grey, 25 codes off, a halo about everything)."""
    rng = np.random.default_rng(33)
    y, x = np.mgrid[0:400, 0:600]
    dome = 1.5 * np.exp(-(((x - 300) / 90) ** 2) - ((y - 320) / 90) ** 2)[..., None] * np.array([1.0, 0.75, 0.6])
    light = np.array([0.8, 1.0, 1.2]) + dome + rng.normal(0, 0.01, (400, 600, 3))
    land = ((y > 300) | ((np.abs(x - 300) < 3) & (y > 200))).astype(np.float32)
    light[land > 0] = 0.05
    picture, _ = stretch(light, land)
    redness = picture[..., 0].astype(float) - picture[..., 2]
    off = ndimage.distance_transform_edt(land == 0)
    near, far = (off >= 3) & (off <= 7), (off >= 12) & (off <= 17)
    above = (y > 220) & (y < 290) & (np.abs(x - 300) < 30)
    assert redness[far & above].mean() > 25
    assert redness[near & above].mean() == pytest.approx(redness[far & above].mean(), abs=6)


def test_sky_left_in_a_corner_of_land_is_no_box() -> None:
    """A strip of sky 12 px wide between the picture's edge and land, in the dark corner of a lens: its brightness
    runs on from the sky above with no step."""
    rng = np.random.default_rng(32)
    y, x = np.mgrid[0:600, 0:900]
    lens = np.exp(-0.9 * (((x - 450) / 541) ** 2 + ((y - 300) / 541) ** 2))
    land = (((y > 400) & (x > 11)) | (y > 500)).astype(np.float32)
    sky = lens[..., None] * np.ones(3) + rng.normal(0, 0.004, (600, 900, 3))
    picture, _ = stretch(np.where(land[..., None] > 0, 0.02, sky), land)
    column = picture[300:492, 2:9].mean(axis=(1, 2)).reshape(-1, 4).mean(axis=1)
    assert np.abs(np.diff(column)).max() < 6


def test_the_sky_beside_a_ridge_is_drawn_no_darker_than_the_ridge() -> None:
    """A sky that lens and air dim to a fifth at a ridge, itself of a twentieth: beside it no part is drawn darker than
    the land by more than a tenth (without the lift it is black); a dark cloud in the open stays as dark."""
    rng = np.random.default_rng(13)
    y, x = np.mgrid[0:400, 0:600]
    sky = 0.2 + 0.8 * np.clip((x - 80) / 90, 0, 1) ** 0.7
    sky = sky * np.where((np.abs(x - 400) < 50) & (np.abs(y - 200) < 60), 0.85, 1.0)
    land = (x < 80).astype(np.float32)
    light = np.stack([np.where(land > 0, 0.05, sky)] * 3, axis=2) + rng.normal(0, 0.01, (400, 600, 3))
    picture, _ = stretch(light, land)
    codes = picture.reshape(20, 20, 30, 20, 3).mean(axis=(1, 3, 4))
    assert codes[:, 4:9].min() > 0.9 * codes[:, :4].mean()
    assert codes[9, 19] < 0.8 * codes[9, 25]


def test_gradient_recovers_a_planted_slope() -> None:
    """A planted second-order gradient comes back to 3 % under noise, a bright band and black ground."""
    rng = np.random.default_rng(10)
    y, x = np.mgrid[0:240, 0:360]
    planted = 0.3 * (x / 360 - 0.5) + 0.2 * (y / 240 - 0.5) ** 2
    plane = 1 + planted + rng.normal(0, 0.02, planted.shape)
    plane[:, 150:170] += 0.3
    plane[220:, :] = 0.0
    found = gradient(np.stack([plane] * 3, axis=2))[..., 1]
    left, right = found[60:180, 30].mean(), found[60:180, 330].mean()
    assert right - left == pytest.approx(0.25, rel=0.06)


@pytest.mark.parametrize("falloff", [0.6, 1.3])
def test_a_fast_lens_leaves_corners_neither_black_nor_aglow(falloff: float) -> None:
    """Behind a planted lens (0.5 and 0.2 of the light in the corners) a sloping sky is level to 5 % of its middle in
    corners and at edges; of the Milky Way across it more than a third stays."""
    rng = np.random.default_rng(3)
    y, x = ((n - (size - 1) / 2) / 360 for n, size in zip(np.mgrid[0:400, 0:600], (400, 600), strict=True))
    r2 = x * x + y * y
    band = 0.25 * np.exp(-(((0.8 * x - 0.6 * y) / 0.18) ** 2))
    light = (1 + 0.5 * y + 0.2 * x + 0.3 * y * y + band) * np.exp(-falloff * r2 - 0.3 * falloff * r2 * r2)
    plane = light + rng.normal(0, 0.02, light.shape)
    left = plane - gradient(np.stack([plane] * 3, axis=2))[..., 1]
    level = np.median(left)
    for rows in (slice(0, 40), slice(180, 220), slice(-40, None)):
        for columns in (slice(0, 40), slice(280, 320), slice(-40, None)):
            here = float(np.median(left[rows, columns]) - level)
            if rows.start == 180 and columns.start == 280:
                assert here > 0.08
            else:
                assert abs(here) < 0.05, (rows, columns, here)


def test_pixels_whose_noise_is_not_known_do_not_spoil_the_rest(tmp_path: Path) -> None:
    """Noise without a number over a corner of the picture: what is laid under it is what it is without that corner."""
    planes = night() - 600 / BALANCE[:, None, None]
    noise = np.full(planes.shape, 3.0, np.float32)
    figures = []
    for name, known in (("whole", True), ("part", False)):
        (tmp_path / name).mkdir()
        noise[:, :40, :60] = 3.0 if known else np.nan
        combined = write_combined(tmp_path / name / "c.fits", planes, noise=None)
        with fits.open(combined, mode="append") as hdus:
            hdus.append(fits.ImageHDU(noise, name="NOISE"))
        figures.append(run(tmp_path / name, combined))
    assert figures[1]["pedestal"] == pytest.approx(figures[0]["pedestal"], rel=0.1)
    assert figures[1]["noise_level"] == figures[0]["noise_level"]


@pytest.mark.parametrize(
    ("write", "text"),
    [
        (lambda p: p.write_bytes(b"nonsense"), "cannot be read as the picture that combine writes"),
        (lambda p: fits.PrimaryHDU(np.zeros((5, 5), np.float32)).writeto(p), "must hold three planes"),
        (lambda p: fits.PrimaryHDU(np.full((3, 5, 5), np.nan, np.float32)).writeto(p), "holds no pixel with a value"),
        (lambda p: write_combined(p, night(), noise=np.nan), "no pixel of its plane NOISE holds a number"),
        (lambda p: None, "No such file"),
    ],
)
def test_unusable_input_is_one_sentence(tmp_path: Path, capsys, write, text) -> None:  # type: ignore[no-untyped-def]
    """What is no combined picture ends with status 1, one sentence and no output files."""
    write(tmp_path / "c.fits")
    arguments = ["--combined", str(tmp_path / "c.fits")]
    for name in ("tiff", "preview", "figures"):
        arguments += [f"--{name}", str(tmp_path / name)]
    assert finish.main(arguments) == 1
    error = capsys.readouterr().err
    assert text in error
    assert "Traceback" not in error
    assert sorted(p.name for p in tmp_path.iterdir()) in ([], ["c.fits"])


def test_rings_and_stars_are_looked_for_as_scipy_does() -> None:
    """Squares about places and the middle of three channels, edges included."""
    rng = np.random.default_rng(5)
    places = rng.random((23, 41)) < 0.02
    places[0, 0] = places[-1, 5] = True
    for reach in (1, 4):
        np.testing.assert_array_equal(starrings._beside(places, reach), ndimage.maximum_filter(places, 2 * reach + 1))
    values = rng.normal(0, 1, (500, 3)).astype(np.float32)
    np.testing.assert_array_equal(starrings._middle(values), np.median(values, axis=1))


def test_the_preview_is_the_same_for_any_number_of_threads() -> None:
    """To the last byte."""
    rng = np.random.default_rng(6)
    light = 0.02 + rng.normal(0, 4e-4, (120, 180, 3))
    light[60:63, 90:93] += 0.8
    np.testing.assert_array_equal(stretch(light, threads=1)[0], stretch(light, threads=3)[0])
