"""What stays with the sensor where no dark can be had: glow and offsets of lines, told from light."""

from dataclasses import replace

import numpy as np
import pytest

from example_project.maker.sensor import fixed_maps
from example_project.maker.sky import Glow as SkyGlow
from pipeline.pixels.survey import block_size
from pipeline.sensor.glow import colour_levels, find_glow, grey_weights
from pipeline.sensor.lineoffsets import Lines, line_offsets
from pipeline.sensor.pattern import Pattern
from pipeline.sensor.patternfile import pattern_hdus, read_pattern
from tests.glowing_lights import HEIGHT, WIDTH, looked_at


def seen(glow_e=0.0, **changes):
    """Glow as told from ten lights of a tripod, what was planted (ADU), and a frame's noise."""
    sensor, surveys, noise, seconds = looked_at(glow_e, **changes)
    found = find_glow(colour_levels(surveys, sensor.cfa), noise)
    plain = fixed_maps(replace(sensor, glow_e=0.0)).dark
    planted = (fixed_maps(sensor).dark - plain) * seconds / sensor.gain
    return found, planted, noise


def blocks(values, side=16):
    """Means over blocks."""
    height, width = (n // side * side for n in values.shape)
    return values[:height, :width].reshape(height // side, side, width // side, side).mean(axis=(1, 3))


@pytest.mark.parametrize(("glow_e", "changes"), [(6.0, {}), (12.0, {"seed": 3}), (6.0, {"lens_mm": 85.0, "seed": 2})])
def test_glow_is_brought_below_a_fifth_of_a_frames_noise(glow_e, changes):
    """An amplifier's glow in a corner, once to twice a frame's noise, is known to 0.2 of it everywhere."""
    found, planted, noise = seen(glow_e, **changes)
    assert planted.max() > 0.8 * noise
    assert found.level is not None, found.why
    left = planted - Pattern(found.level, block_size((HEIGHT, WIDTH))).at_pixels((HEIGHT, WIDTH))
    assert np.abs(blocks(left)).max() < 0.2 * noise


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"glow": SkyGlow(lamps=3.2), "azimuth_deg": 230.0, "altitude_deg": 30.0, "seed": 4},
        {"ground": 0.2, "lens_mm": 50.0, "azimuth_deg": 230.0, "altitude_deg": 25.0},
    ],
    ids=["clear", "a dome of light", "land before a dome of light"],
)
def test_what_stands_with_the_ground_is_no_glow(changes):
    """A sensor without glow: neither sky, nor a town's dome at the edge of the frame, nor land is taken for it."""
    found, _, _ = seen(**changes)
    assert found.level is None


def smooth_sky(beside):
    """Levels (2, 3, 25, 37), ADU, of a vignetted sky with a dome and a broad Milky Way, light of three colours, 700 ADU
    in the middle, in two halves of blocks known to 1.5 ADU; with what `beside` gives of the position, by colour."""
    v, u = (np.indices((25, 37)) + 0.5) / np.array([25, 37])[:, None, None]
    across = ((u - 0.5) ** 2 + (v - 0.5) ** 2 * 0.44) / 0.36
    lens = 1 - 0.55 * across
    sky, dome = 600 * np.ones_like(u), 250 * np.exp((v - 1) / 0.4)
    stars = 40 * np.exp(-(((u + 0.4 * v - 0.85) / 0.25) ** 2))
    colours = np.array([[0.48, 1, 0.66], [0.65, 1, 0.36], [0.55, 0.95, 0.80]])
    light = lens * np.einsum("lc,lij->cij", colours, np.stack([sky, dome, stars]))
    light += np.asarray(beside)[:, None, None] * np.exp(-np.hypot(u - 1, (v - 0.62) * 0.67) / 0.09)
    return light + np.random.default_rng(7).normal(0, 1.5, (2, 3, 25, 37))


def test_glow_is_told_beside_smooth_light_of_three_colours():
    """A glow of 120 ADU in the brightest block at one edge, a frame's noise 74: no more than a quarter of it is left,
    and nowhere more taken off than a tenth of a frame's noise (a hole is worse)."""
    plain, glowing = smooth_sky([0, 0, 0]), smooth_sky([140, 140, 140])
    found = find_glow(glowing, 74.0)
    assert found.level is not None, found.why
    left = (glowing - plain)[0, 0] - found.level
    assert left.max() < 0.25 * 120
    assert left.min() > -0.1 * 74


@pytest.mark.parametrize(
    "lamp", [[0, 0, 0], [160, 140, 25], [40, 90, 110], [100, 30, 10], [150, 150, 100], [100, 150, 150]], ids=str
)
def test_light_of_a_lamp_at_the_edge_is_no_glow(lamp):
    """Light of any colour that falls off as an amplifier's does is left alone before the same sky."""
    assert find_glow(smooth_sky(lamp), 74.0).level is None


def test_the_weights_are_blind_to_two_colours_of_light():
    """Two lights in any mixture cancel, and grey comes out as it is (the definition; Bennett et al. 2003)."""
    rng = np.random.default_rng(1)
    lights = np.array([[0.6, 1.0, 0.7], [1.4, 1.0, 0.3]])
    levels = lights.T @ rng.uniform(50, 400, (2, 500)) + rng.normal(0, 0.01, (3, 500))
    weights = grey_weights(levels, np.ones(500, bool))
    assert weights.sum() == pytest.approx(1)
    np.testing.assert_allclose(lights @ weights, 0, atol=1e-3)


def lines_of(pattern, axis, frames=6, shape=(400, 900)):
    """Lines along an axis from frames of noise 10 ADU with drifting stars, on lines of these offsets."""
    rng = np.random.default_rng(5)
    lines = Lines(shape[axis])
    xs, ys, light = rng.uniform(0, shape[1], 200), rng.uniform(0, shape[0], 200), rng.uniform(50, 3000, 200)
    y, x = np.mgrid[-5:6, -5:6]
    for n in range(frames):
        values = rng.normal(100, 10, shape)
        values += np.expand_dims(pattern, 1 - axis)
        for cx, cy, flux in zip(xs + 9 * n, ys + 4 * n, light, strict=True):
            i, j = round(cy) % shape[0], round(cx) % shape[1]
            part = values[max(i - 5, 0) : i + 6, max(j - 5, 0) : j + 6]
            star = flux * np.exp(-(x**2 + y**2) / 2 / 1.1**2) / 7.6
            part += star[-part.shape[0] :, -part.shape[1] :]
        lines.add((values if axis == 1 else values.T).astype(np.float32), 10.0)
    return line_offsets(lines)


@pytest.mark.parametrize("axis", [0, 1], ids=["rows", "columns"])
def test_offsets_of_lines_come_back(axis):
    """Planted offsets of 1.5 ADU rms are halved at least, stars or not; a sensor without any has none."""
    shape = (400, 900)
    pattern = np.random.default_rng(2).normal(0, 1.5, shape[axis])
    found = lines_of(pattern, axis)
    inner = slice(20, -20)
    assert np.std((pattern - found)[inner]) < 0.5 * np.std(pattern[inner])
    assert lines_of(np.zeros(shape[axis]), axis) is None


def test_a_level_horizon_makes_no_lines():
    """A step between rows, and a sky that curves towards it, are left as they are."""
    rows = np.arange(400.0)
    assert lines_of(np.where(rows > 250, -40.0, 30 * ((rows - 100) / 100) ** 2), 0) is None


def test_a_pattern_is_kept_in_the_file_of_defects(tmp_path):
    """What is written comes back, and adds up at every pixel."""
    from astropy.io import fits

    pattern = Pattern(np.full((3, 4), 2.0, np.float32), 32, None, np.arange(128, dtype=np.float32))
    flags = fits.PrimaryHDU(np.zeros((96, 128), np.uint8))
    fits.HDUList([flags, *pattern_hdus(pattern)]).writeto(tmp_path / "defects.fits")
    back = read_pattern(tmp_path / "defects.fits")
    assert back
    np.testing.assert_allclose(back.at_pixels((96, 128)), 2 + np.arange(128) * np.ones((96, 1)))
    flags.writeto(tmp_path / "plain.fits")
    assert not read_pattern(tmp_path / "plain.fits")
