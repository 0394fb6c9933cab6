"""How many times a master dark's glow lights have, told by their colours before planted skies."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from example_project.maker.sensor import fixed_maps
from example_project.maker.sky import Glow as SkyGlow
from pipeline.pixels.survey import block_size
from pipeline.scene.glowscale import scene_glow
from pipeline.sensor.darkglow import (
    GlowFactor,
    dark_glow,
    glow_factor,
    glow_power,
    glow_rise,
    glow_scale,
    glow_share,
)
from pipeline.sensor.glow import colour_levels
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader, write_mosaic
from pipeline.sensor.pattern import glow_at_pixels
from pipeline.sensor.patternfile import dark_glow_hdus, read_dark_glow
from tests.glowing_lights import HEIGHT, WIDTH, looked_at

DARK_S = 10.0  # seconds of glow in the dark


@pytest.mark.parametrize("glow_e", [0.0, 12.0])
@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"lens_mm": 85.0, "seed": 2},
        {"glow": SkyGlow(lamps=3.2), "azimuth_deg": 230.0, "altitude_deg": 30.0, "seed": 4},
        {"ground": 0.2, "lens_mm": 50.0, "azimuth_deg": 230.0, "altitude_deg": 25.0},
    ],
    ids=["clear", "narrow", "a dome of light", "land before a dome of light"],
)
def test_the_factor_of_a_known_glow_comes_back_before_any_sky(glow_e, changes):
    """Glow of twice a frame's noise, and none: the factor is right to three of its errors, which is 0.2 of a frame's
    noise where the glow is brightest, 0.3 before a dome of light."""
    sensor, surveys, noise, seconds = looked_at(glow_e, **changes)
    shown = replace(sensor, glow_e=12.0)
    a_second = (fixed_maps(shown).dark - fixed_maps(replace(shown, glow_e=0.0)).dark) / sensor.gain
    blocks = dark_glow((DARK_S * a_second).astype(np.float32), block_size((HEIGHT, WIDTH)))
    found = glow_factor(colour_levels(surveys, sensor.cfa).mean(axis=0), blocks, noise)
    planted = seconds / DARK_S if glow_e else 0.0
    assert abs(found.factor - planted) < 3 * found.error
    assert abs(found.factor - planted) * blocks.max() < (0.3 if "azimuth_deg" in changes else 0.2) * noise


@pytest.mark.parametrize(("lamps", "seed"), [(2.0, 18), (3.2, 19)])
def test_glow_that_ends_near_its_edge_is_told_beside_what_the_sky_is_made_of(lamps, seed):
    """Land before a dome and the Milky Way, light of three colours; glow that falls off over a tenth of the frame: told
    to 0.2 of a frame's noise where it is brightest, 0.38 beside planes alone."""
    changes = {"ground": 0.2, "lens_mm": 24.0, "azimuth_deg": 230.0, "altitude_deg": 25.0 + 5 * (seed % 3)}
    sensor, surveys, noise, _ = looked_at(0.0, glow=SkyGlow(lamps=lamps), seed=seed, **changes)
    levels = colour_levels(surveys, sensor.cfa).mean(axis=0)
    shape = levels.shape[1:]
    v, u = (np.indices(shape) + 0.5) / np.array(shape)[:, None, None]
    glow = 2 * noise * (np.exp(-np.hypot(u - 1, (v - 0.62) * HEIGHT / WIDTH) / 0.09) + 0.35 * np.exp((v - 1) / 0.03))
    glow -= np.median(glow)
    found = glow_factor(levels + 0.8 * glow, glow.astype(np.float32), noise)
    assert abs(found.factor - 0.8) < 3 * found.error
    assert abs(found.factor - 0.8) * glow.max() < 0.2 * noise


def test_glow_by_blocks_is_the_masters_own_and_no_hot_pixel():
    """A glow that falls off over four blocks comes back to 2 % of its peak, one pixel in a hundred hot or not."""
    rng = np.random.default_rng(1)
    y, x = np.indices((320, 480))
    glow = 100 * np.exp(-np.hypot(320 - y, 480 - x) / 64)
    dark = 7 + glow + np.where(rng.random(glow.shape) < 0.01, 500, 0)
    back = glow_at_pixels(dark_glow(dark.astype(np.float32), 16), 16, glow.shape)
    level = np.median(back - glow)
    np.testing.assert_allclose((back - glow - level)[:-16, :-16], 0, atol=2.0)


def test_the_power_is_what_the_lights_tell_and_else_the_safest():
    """Factors of 3.6 to 1.8 with glow by their root: a measured mean tells the power; one that is worthless leaves it
    at 0, so that nothing is overcorrected; one between says which is likelier (Bayes' rule)."""
    scales, alone = np.linspace(3.6, 1.8, 20), np.ones(20)
    told = float(np.mean(scales**0.5))
    sure = glow_power(scales, alone, GlowFactor(told, 0.005))
    assert sure.power == pytest.approx(0.5, abs=0.02)
    assert sure.error < 0.02
    for nothing in (None, GlowFactor(9.0, 1e3)):
        unsure = glow_power(scales, alone, nothing)
        assert unsure.power == 0
        assert unsure.error > 0.3
    assert 0 < glow_power(scales, alone, GlowFactor(told, 0.4)).power < 0.5
    # of another exposure alone, whatever the power
    assert glow_scale(0.25, 0.25, 0.3) == pytest.approx(0.25)


@pytest.mark.parametrize("block", [3, 16])
def test_glow_by_blocks_is_medians(block):
    """To the last bit, what does not fill a block left out."""
    dark = np.random.default_rng(3).normal(5, 2, (53, 70)).astype(np.float32)
    rows, columns = 53 // block, 70 // block
    blocks = dark[: rows * block, : columns * block].reshape(rows, block, columns, block)
    level = np.median(blocks.swapaxes(1, 2).reshape(rows, columns, -1), axis=2)
    np.testing.assert_array_equal(dark_glow(dark, block), level - np.median(level))


@pytest.mark.parametrize("power", [0.0, 0.3, 0.5, 1.0])
def test_the_glows_share_between_two_darks_follows_its_own_power(power):
    """Pixels that double in 6 degrees, glow in 6 / power, darks at 24 and 8: the share at every temperature, within and
    beyond, is what the glow's own law gives; of 1 it is the pixels', of 0 the temperature's."""
    celsius = np.array([4.0, 8.0, 13.0, 16.0, 24.0, 27.0])
    rise = 2 ** (16 / 6)
    pixels = (2 ** ((celsius - 8) / 6) - 1) / (rise - 1)
    shares = [glow_share(share, rise, power) for share in pixels]
    glow = 2 ** (power * (celsius - 8) / 6)
    expected = (celsius - 8) / 16 if power == 0 else (glow - 1) / (2 ** (power * 16 / 6) - 1)
    np.testing.assert_allclose(shares, expected, atol=1e-9)
    # colder than anything: a number all the same
    assert np.isfinite(glow_share(-5.0, rise, power))


def test_what_glow_has_risen_by_is_told_beside_a_shading_of_the_black_level():
    """Glow of 40 and 100 ADU in a corner under a shading of 5 ADU along the rows and noise of 0.3: the ratio to 3 %;
    where there is no glow in either, or none in the colder, nothing."""
    rng = np.random.default_rng(3)
    rows, columns = np.indices((50, 75))
    shape = np.exp(-np.hypot(rows, columns) / 10)
    shading = 5 * np.sin(columns / 12)
    colder = 40 * shape + shading + rng.normal(0, 0.3, shape.shape)
    risen = 60 * shape + rng.normal(0, 0.3, shape.shape)
    assert glow_rise(colder, risen) == pytest.approx(2.5, rel=0.03)
    assert glow_rise(np.zeros_like(risen), risen) is None
    assert glow_rise(colder, np.zeros_like(risen)) is None


@pytest.mark.parametrize("leaked", [True, False])
def test_light_in_the_darks_is_no_glow(tmp_path, leaked):
    """Darks that leaked alike show broad light along an edge, as glow does; the lights tell which it is. Of light no
    more is taken off than they have, down to the level of the master's darkest part."""
    shape, rng = (512, 768), np.random.default_rng(7)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    broad, level = 120 * np.exp(-y / 60), 20.0
    red, blue = 0.5 - 0.1 * x / shape[1], 0.7 + 0.1 * y / shape[0]
    colour = np.ones(shape)
    colour[::2, ::2], colour[1::2, 1::2] = red[::2, ::2], blue[1::2, 1::2]
    mosaics = []
    for n in range(4):
        sky = colour * (150 - 40 * ((y / shape[0] - 0.5) ** 2 + (x / shape[1] - 0.5) ** 2)) + level
        light = rng.poisson(sky + (0 if leaked else broad)) + 512
        path = tmp_path / f"light{n}.fits"
        write_mosaic(path, light.astype(np.uint16), MosaicHeader(f"f{n}", "RGGB", (512.0,) * 4, 15000.0))
        mosaics.append(MosaicFile(path))
    dark = (level + broad + rng.normal(0, 3, shape)).astype(np.float32)
    with ThreadPoolExecutor(2) as pool:
        glow = scene_glow(mosaics, [1.0, 1.001, None, 0.999], [1.0] * 4, dark, None, pool)
    if not leaked:
        assert glow is None or "dark_glow_leaked" not in glow.told
        return
    assert glow is not None
    assert glow.told["dark_glow_leaked"] is True
    assert glow.scales == [0.0, 0.0, None, 0.0]
    left = dark - glow_at_pixels(glow.blocks, glow.block, shape)
    assert np.median(left[:40]) == pytest.approx(level, abs=2)
    assert np.median(left[-100:]) == pytest.approx(level, abs=1)
    # and read back it is the same law
    written = tmp_path / "defects.fits"
    fits.HDUList([fits.PrimaryHDU(), *dark_glow_hdus(glow.blocks, glow.block, glow.law)]).writeto(written)
    _, law = read_dark_glow(written, shape)
    assert law.factor(1.7, 2.0) == 0.0
