"""Sky maps and surfaces: levels and noise under stars, smooth surfaces beside ground and cloud."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.pixels.background import Surface, bisquare, bisquare_slow, fit_surface, legendre_terms, sample_map
from pipeline.pixels.survey import LEVEL_CLIP, NOISE_CLIP, block_size, survey_mosaic
from tests.planted_scenes import add_star


def test_level_and_noise_of_a_starry_sky() -> None:
    """Blocks give the sky's level within 0.1 sigma and its variance within 3 % under a hundred bright stars."""
    rng = np.random.default_rng(1)
    light = np.full((512, 768), 400.0)
    for x, y in zip(rng.uniform(0, 767, 100), rng.uniform(0, 511, 100), strict=True):
        add_star(light, x, y, 20_000.0, 3.0)
    pixels = np.round(rng.poisson(light) / 2.0 + 512 + rng.normal(0, 3, light.shape)).astype(np.uint16)
    survey = survey_mosaic(pixels, (512.0,) * 4, block=64)
    sigma = np.sqrt(400 / 4 + 9 + 1 / 12)
    assert abs(np.median(survey.level) - 200) < 0.1 * sigma
    assert np.median(survey.variance) == pytest.approx(sigma**2, rel=0.03)


def test_mapped_and_native_mosaics_give_the_same_numbers() -> None:
    """The FITS form, big-endian with the sign bit turned, is read as the camera's numbers."""
    pixels = np.random.default_rng(2).integers(300, 900, (128, 160)).astype(np.uint16)
    stored = (pixels ^ np.uint16(0x8000)).astype(">u2")
    native, mapped = (survey_mosaic(a, (100.0, 110.0, 120.0, 130.0), block=32) for a in (pixels, stored))
    assert np.array_equal(native.level, mapped.level)
    assert np.array_equal(native.variance, mapped.variance)


@pytest.mark.parametrize("spoiled", [False, True])
def test_a_block_is_measured_as_numpy_does(spoiled: bool) -> None:
    """Medians, cuts and means of every other pixel, with full and defective ones among them and without."""
    rng = np.random.default_rng(11)
    pixels = rng.normal(600, 12, (32, 64)).round().astype(np.uint16)
    pixels[4:8, 40:44] += 300  # a star
    dark, defects = rng.normal(3, 1, pixels.shape).astype(np.float32), np.zeros(pixels.shape, np.uint8)
    if spoiled:
        pixels[10, 3], pixels[21, 30], defects[14, 50], defects[15, 7] = 4000, 4000, 1, 4
    found = survey_mosaic(pixels, (500.0, 501.0, 502.0, 503.0), dark, 0.5, 1.5, defects, 4000.0, 32)
    for j, place in np.ndindex(2, 4):
        here = np.s_[place // 2 :: 2, 32 * j + place % 2 : 32 * j + 32 : 2]
        values = pixels[here] - (500.0 + place) - 1.5 - 0.5 * dark[here]
        values[(pixels[here] >= 4000) | (defects[here] > 0)] = np.nan
        steps = np.diff(values, axis=1)
        steps, values = steps[np.isfinite(steps)], values[np.isfinite(values)]
        sigma = np.median(np.abs(steps)) / 0.6745 + 0.5
        for _ in range(3):
            # what a Gaussian cut there keeps of its variance
            sigma = np.sqrt(np.mean(steps[np.abs(steps) <= NOISE_CLIP * sigma] ** 2) / 0.993889)
        level = np.median(values)
        for _ in range(3):
            level = values[np.abs(values - level) <= LEVEL_CLIP * sigma / np.sqrt(2) + 0.5].mean()
        assert found.variance[0, j, place] == pytest.approx(sigma**2 / 2, rel=1e-4)
        assert found.level[0, j, place] == pytest.approx(level, abs=1e-3)


def test_dark_offset_defects_and_saturation_are_seen() -> None:
    """The dark is taken off with its factor and offset; defective and saturated pixels do not count."""
    rng = np.random.default_rng(3)
    glow = rng.uniform(0, 200, (128, 128)).astype(np.float32)
    pixels = np.round(1000 + 1.5 * glow + 7 + rng.normal(0, 5, glow.shape)).astype(np.uint16)
    defects = (rng.random(glow.shape) < 0.05).astype(np.uint8)
    pixels[defects > 0] = 9000
    pixels[:, :4] = 60000
    survey = survey_mosaic(pixels, (512.0,) * 4, glow, 1.5, 7.0, defects, 50000.0, 64)
    np.testing.assert_allclose(survey.level, 488, atol=2)
    np.testing.assert_allclose(survey.variance, 25.1, rtol=0.35)
    dead = survey_mosaic(pixels, (512.0,) * 4, defects=np.ones_like(defects), block=64)
    assert np.isnan(dead.level).all()


@pytest.mark.parametrize(
    ("shape", "side"), [((4000, 6000), 128), ((736, 1092), 32), ((100, 120), 32), ((1424, 2144), 32)]
)
def test_block_sides(shape: tuple[int, int], side: int) -> None:
    """Large frames have blocks of 128 px, small ones of 32."""
    assert block_size(shape) == side


def test_maps_are_read_between_block_centres_only() -> None:
    """A linear map comes back exactly inside, and as not a number beyond the outermost centres."""
    rows, columns = np.mgrid[0:5, 0:7]
    values = np.stack([rows * 3.0 + columns, columns * 2.0], axis=-1)
    x, y = np.array([15.5, 100.0, 15.4, 207.5, 207.6]), np.array([15.5, 77.7, 50.0, 143.5, 100.0])
    found = sample_map(values, 32, x, y)
    inside = np.array([True, True, False, True, False])
    np.testing.assert_allclose(found[inside, 0], ((y - 15.5) / 32 * 3 + (x - 15.5) / 32)[inside], atol=1e-9)
    assert np.isnan(found[~inside]).all()


def _nodes(shape: tuple[int, int] = (800, 1200)) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.meshgrid(np.arange(16, shape[1], 32.0), np.arange(16, shape[0], 32.0))
    return x.ravel(), y.ravel()


def test_compiled_fit_equals_its_slow_statement() -> None:
    """Coefficients and residuals are those of NumPy's least squares with the same weights."""
    rng = np.random.default_rng(4)
    x, y = _nodes()
    terms = np.ascontiguousarray(legendre_terms(x, y, 3, (800, 1200)))
    values = terms @ rng.normal(0, 10, terms.shape[1]) + rng.normal(0, 1, len(x))
    values[:150] += 80
    start = values - np.median(values)
    fast, slow = bisquare(terms, values, start), bisquare_slow(terms, values, start)
    np.testing.assert_allclose(fast[0], slow[0], atol=1e-6)
    np.testing.assert_allclose(fast[1], slow[1], atol=1e-6)


def test_a_surface_is_found_beside_ground_and_cloud() -> None:
    """With a third of the blocks ground and a tenth cloud, the sky's gradient is found within a tenth of its noise."""
    rng = np.random.default_rng(5)
    shape = (800, 1200)
    x, y = _nodes(shape)
    truth = Surface(np.array([20.0, 8.0, -5.0, 2.0, 1.0, -3.0]), 2, shape)
    values = truth(x, y) + rng.normal(0, 0.5, len(x))
    ground = y > 540
    values[ground] = rng.uniform(-100, 100, ground.sum())
    cloud = (x - 300) ** 2 + (y - 200) ** 2 < 120**2
    values[cloud] += 15
    surface, scatter = fit_surface(x, y, values, shape)
    sky = ~ground & ~cloud
    assert np.abs((surface(x, y) - truth(x, y))[sky]).max() < 0.5
    assert np.std((surface(x, y) - truth(x, y))[sky]) < 0.1
    assert scatter < 1.5


def test_noise_and_small_structure_are_not_imprinted() -> None:
    """Of pure noise no more enters a surface than 15 of 925 blocks carry, of a nebula not a tenth."""
    rng = np.random.default_rng(6)
    shape = (800, 1200)
    x, y = _nodes(shape)
    surface, _ = fit_surface(x, y, rng.normal(0, 1, len(x)), shape)
    assert np.std(surface(x, y)) < 2 * np.sqrt(15 / len(x))
    nebula = 10 * np.exp(-((x - 700) ** 2 + (y - 300) ** 2) / (2 * 60**2))
    surface, _ = fit_surface(x, y, nebula + rng.normal(0, 1, len(x)), shape)
    assert np.abs(surface(np.array([700.0]), np.array([300.0])))[0] < 1.0  # under the nebula's peak of 10


def test_a_surface_does_not_run_away_from_waves_that_are_no_polynomial() -> None:
    """Of airglow's waves above a slanting skyline (planted) the fit leaves a corner out; what it says there keeps to
    the values' range."""
    rng = np.random.default_rng(1)
    shape = (800, 1200)
    x, y = _nodes(shape)
    along = (x * np.cos(0.5) + y * np.sin(0.5)) / 900 + rng.uniform()
    values = 200 * np.sin(2 * np.pi * along) * (y / 800) ** 2 + rng.normal(0, 3, len(x))
    sky = y <= 650 - 0.1 * x
    surface, _ = fit_surface(x, y, np.where(sky, values, np.nan), shape)
    told = surface(x, y)[sky]
    assert np.abs(told).max() < 1.5 * np.abs(values[sky]).max()
    assert np.abs(told - values[sky]).max() < 200


def test_few_or_no_values_give_few_or_no_terms() -> None:
    """Without values the surface is zero; five values carry a constant only."""
    x, y = _nodes()
    nothing, scatter = fit_surface(x, y, np.full(len(x), np.nan), (800, 1200))
    assert nothing(x, y).tolist() == [0.0] * len(x)
    assert np.isnan(scatter)
    few, _ = fit_surface(x[:5], y[:5], np.array([3.0, 3.1, 2.9, 3.0, 3.0]), (800, 1200))
    assert few.degree == 0
    assert few(x[:1], y[:1])[0] == pytest.approx(3.0, abs=0.05)
