"""Around full pixels nothing rings; elsewhere nothing changes."""

import numpy as np
import pytest

from pipeline.pixels.bounds import near_full, near_full_slow
from pipeline.pixels.positions import position_grid
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader, write_mosaic
from pipeline.stack.sources import Calibration, Frame, Part, Scratch, load_tile

SKY, FULL_LEVEL, BLACK = 800.0, 15000.0, 512.0
SHIFT = (0.37, -0.61)


def mosaic_of(peak, cfa="RGGB", size=64, fwhm=2.2):
    """A frame of one star, clipped at full, ADU with black; red and blue at half the green's light."""
    y, x = np.mgrid[:size, :size]
    star = np.exp(-((x - 31.3) ** 2 + (y - 30.6) ** 2) / (2 * (fwhm / 2.3548) ** 2))
    light = SKY + peak * star * np.tile([[0.5, 1.0], [1.0, 0.5]], (size // 2, size // 2))
    return np.rint(np.minimum(light, FULL_LEVEL) + BLACK).astype(np.uint16)


def combined(path, pixels, cfa="RGGB"):
    """What `combine` makes of one frame at a sub-pixel shift: (3, h, w), codes."""
    header = MosaicHeader("a", cfa, (BLACK,) * 4, FULL_LEVEL + BLACK)
    write_mosaic(path, pixels, header)
    shape = pixels.shape
    grid = position_grid(lambda x, y: (x + SHIFT[0], y + SHIFT[1]), shape)
    frame = Frame("a", header, shape, 1.0, 1.0, 0.0, (grid,))
    colours = 1 if cfa == "MONO" else 3
    values, codes = np.zeros((colours, *shape), np.float32), np.zeros(shape, np.uint8)
    offset = np.zeros((colours, *grid.shift.shape[:2]), np.float32)
    part = Part(offset, (0, 0), values, codes)
    assert load_tile(MosaicFile(path), frame, Calibration(None, None, None), part, Scratch())
    return values


@pytest.mark.parametrize("reach", [0, 2, 5])
def test_the_neighbourhood_of_full_pixels_is_what_the_slow_sentence_says(reach):
    """The compiled loop equals its NumPy statement, at the edges too."""
    mosaic = np.random.default_rng(3).normal(size=(40, 31)).astype(np.float32)
    level = np.float32(2.3)
    assert (mosaic >= level).any()
    np.testing.assert_array_equal(near_full(mosaic, level, reach), near_full_slow(mosaic, level, reach))


@pytest.mark.parametrize("cfa", ["RGGB", "MONO"])
def test_beside_a_full_core_nothing_is_darker_than_the_sky(tmp_path, cfa):
    """A star that fills its pixels leaves no value below the sky and none above full, in any colour."""
    values = combined(tmp_path / "a.fits", mosaic_of(200_000.0), cfa)[:, 2:-2, 2:-2]  # edges are not covered
    assert values.min() >= SKY - 3e-4 * FULL_LEVEL
    assert values.max() <= FULL_LEVEL + 1


def test_a_star_that_fills_no_pixel_is_left_alone(tmp_path, monkeypatch):
    """Below full not one bit changes: fluxes stay linear."""
    pixels = mosaic_of(10_000.0)
    bounded = combined(tmp_path / "a.fits", pixels)
    monkeypatch.setattr("pipeline.stack.sources.FULL", 1e9)
    np.testing.assert_array_equal(bounded, combined(tmp_path / "b.fits", pixels))


def test_far_from_a_full_core_nothing_changes(tmp_path, monkeypatch):
    """Ten pixels off the core the values are those of the plain sums."""
    pixels = mosaic_of(200_000.0)
    bounded = combined(tmp_path / "a.fits", pixels)
    monkeypatch.setattr("pipeline.stack.sources.FULL", 1e9)
    plain = combined(tmp_path / "b.fits", pixels)
    assert plain[:, 2:-2, 2:-2].min() < SKY - 200  # without the bounds it does ring
    away = np.ones(plain.shape[1:], bool)
    away[15:46, 16:47] = False
    np.testing.assert_array_equal(bounded[:, away], plain[:, away])
