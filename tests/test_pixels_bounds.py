"""Around full pixels nothing rings; elsewhere nothing changes."""

import numpy as np
import pytest

from pipeline.pixels.bounds import bound_resampled, near_full, near_full_slow
from pipeline.pixels.positions import LAGRANGE, position_grid, positions
from pipeline.pixels.resample import NOT_COVERED
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


@pytest.mark.parametrize(
    ("turn", "bend", "top", "left"), [(0.0, 0.0, 0, 0), (0.03, 2e-5, 64, 117), (-0.2, 1e-4, 501, 9)]
)
def test_only_values_from_near_full_pixels_are_held(turn, bend, top, left):
    """Where cells, rows and stretches are passed over none is missed: each pixel by itself, at its place."""
    rng = np.random.default_rng(int(1000 * turn) % 97)
    height, width, rows, columns = 150, 170, 230, 260

    def there(x, y):
        u, v = x - left - 80, y - top - 70
        return left + 120 + u * np.cos(turn) - v * np.sin(turn) + bend * u * u, top + 105 + u * np.sin(turn) + v

    grid = position_grid(there, (top + height, left + width))
    planes = rng.normal(500, 30, (3, rows, columns)).astype(np.float32)
    near = np.zeros((rows, columns), bool)
    for y, x in rng.integers(5, 225, (7, 2)):
        near[y - 5 : y + 6, x - 5 : x + 6] = True
    values = rng.normal(500, 200, (3, height, width)).astype(np.float32)
    codes = np.where(rng.random((height, width)) < 0.05, NOT_COVERED, 7).astype(np.uint8)
    area, offset = np.ones(grid.shift.shape[:2], np.float32), np.zeros((3, *grid.shift.shape[:2]), np.float32)
    expected = values.copy()
    xs, ys, nodes = np.zeros(width, np.float32), np.zeros(width, np.float32), np.zeros((2, 99), np.float32)
    for i in range(height):
        positions(grid.shift, LAGRANGE, top + i, left, xs, ys, nodes)
        for j in range(width):
            row, column = int(ys[j]) - top, int(xs[j]) - left
            inside = 2 <= row < rows - 3 and 2 <= column < columns - 3
            if inside and near[row, column] and codes[i, j] != NOT_COVERED:
                around = planes[:, row - 1 : row + 3, column - 1 : column + 3].reshape(3, -1)
                expected[:, i, j] = np.clip(values[:, i, j], around.min(axis=1), around.max(axis=1))
    assert 0.01 < (expected != values).mean() < 0.1
    place = (top, left)
    bound_resampled(
        planes, near, place, grid.shift, LAGRANGE, place, 0, 3, np.float32(1), area, offset, values, codes
    )  # fmt: skip
    np.testing.assert_array_equal(values, expected)
