"""Calibration and repair of a mosaic."""

import numpy as np
import pytest

from pipeline.scene.inputs import above_pedestal, take_pedestal
from pipeline.sensor.calibrate import CHESS, FULL, REPAIR_MARGIN, SPARSE, calibrate, dark_signal, lattices, repair
from pipeline.sensor.cfa import CFA_PATTERNS
from pipeline.sensor.mosaic import MosaicHeader, colour_planes
from pipeline.stack.sources import Calibration

BLACK = (500.0, 501.0, 502.25, 503.0)


def colour_map(cfa, shape):
    """The colour of every pixel, as a number."""
    colours = np.zeros(shape, int)
    for number, places in enumerate(colour_planes(cfa).values()):
        for row, column in places:
            colours[row::2, column::2] = number
    return colours


def slow_repair(values, defects, cfa):
    """What `repair` states, pixel by pixel: nearest opposite pairs of the colour, then the nearest ring's median."""
    colours = colour_map(cfa, (2, 2))
    result = values.copy()
    height, width = values.shape

    def same(y, x, dy, dx):
        return colours[y % 2, x % 2] == colours[(y + dy) % 2, (x + dx) % 2]

    def sound(y, x):
        return 0 <= y < height and 0 <= x < width and not defects[y, x]

    for y, x in np.argwhere(defects):
        half = [(0, 1), (1, 0), (1, 1), (1, -1), (0, 2), (2, 0), (2, 2), (2, -2)]
        offsets = [(dy, dx) for dy, dx in half if same(y, x, dy, dx)][:4]
        pairs = [(values[y - dy, x - dx], values[y + dy, x + dx]) for dy, dx in offsets
                 if sound(y - dy, x - dx) and sound(y + dy, x + dx)]  # fmt: skip
        if pairs:
            one, other = min(pairs, key=lambda pair: abs(pair[0] - pair[1]))
            result[y, x] = np.float32(0.5) * (one + other)
            continue
        for radius in range(1, REPAIR_MARGIN + 1):
            span = range(-radius, radius + 1)
            ring = [values[y + dy, x + dx] for dy in span for dx in span
                    if max(abs(dy), abs(dx)) == radius and same(y, x, dy, dx) and sound(y + dy, x + dx)]  # fmt: skip
            if ring:
                result[y, x] = np.median(np.array(ring, float))
                break
    return result


@pytest.mark.parametrize("cfa", [*CFA_PATTERNS, "MONO"])
def test_repair_equals_its_slow_statement(cfa):
    """The compiled repair gives what the slow statement gives, on dense and sparse defects and at the edges."""
    rng = np.random.default_rng(5)
    for share in (0.02, 0.4, 0.85, 0.99):
        values = rng.normal(100, 20, (37, 42)).astype(np.float32)
        defects = (rng.random(values.shape) < share).astype(np.uint8)
        expected = slow_repair(values, defects, cfa)
        np.testing.assert_array_equal(repair(values.copy(), defects, cfa), expected)


@pytest.mark.parametrize("cfa", [*CFA_PATTERNS, "MONO"])
def test_repair_stays_within_a_colour(cfa):
    """Each colour at a level of its own comes back exactly where most pixels are defects."""
    rng = np.random.default_rng(6)
    truth = (100.0 * (1 + colour_map(cfa, (60, 60)))).astype(np.float32)
    defects = (rng.random(truth.shape) < 0.5).astype(np.uint8)
    spoiled = np.where(defects > 0, np.float32(60000), truth)
    np.testing.assert_array_equal(repair(spoiled, defects, cfa), truth)


def test_calibration_equals_its_formula():
    """Levels by CFA position, offset, scaled dark and flat give the docstring's formula within float32."""
    rng = np.random.default_rng(7)
    pixels = rng.integers(400, 16000, (31, 46), dtype=np.uint16)
    dark = rng.normal(20, 30, pixels.shape).astype(np.float32)
    flat = rng.uniform(0.4, 1.1, pixels.shape).astype(np.float32)
    rows, columns = np.indices(pixels.shape)
    black = np.array(BLACK)[2 * (rows % 2) + columns % 2]
    expected = (pixels - black - 1.5 - 0.7 * dark.astype(float)) / flat
    got = calibrate(pixels, BLACK, dark, 0.7, 1.5, None, "RGGB", flat)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, expected, rtol=3e-7, atol=4e-3)
    np.testing.assert_allclose(calibrate(pixels, BLACK), pixels - black, rtol=1e-6, atol=1e-3)
    assert calibrate(pixels, BLACK).min() < 0  # values below black are data


def test_a_region_with_margin_equals_the_whole():
    """A tile with the stated margin gives the same bytes as the whole frame, also across wide bad columns."""
    rng = np.random.default_rng(8)
    pixels = rng.integers(400, 16000, (80, 96), dtype=np.uint16)
    defects = (rng.random(pixels.shape) < 0.1).astype(np.uint8)
    defects[:, 40:46] = 1
    whole = calibrate(pixels, BLACK, None, 1, 0, defects, "GBRG")
    top, left, size, margin = 24, 36, 20, REPAIR_MARGIN
    tile = (slice(top - margin, top + size + margin), slice(left - margin, left + size + margin))
    part = calibrate(pixels[tile], BLACK, None, 1, 0, defects[tile], "GBRG")
    np.testing.assert_array_equal(part[margin:-margin, margin:-margin], whole[top : top + size, left : left + size])


@pytest.mark.parametrize(("with_dark", "with_bias"), [(True, True), (True, False), (False, True)])
def test_a_pedestal_that_no_file_states_becomes_the_black_level(with_dark, with_bias):
    """What is taken off a frame is the same to rounding, in whatever master the pedestal of 500 is; the black level is
    that to 1 ADU. A frame whose camera took its own dark off stays as it is, and without masters there is none."""
    rng = np.random.default_rng(4)
    shape = (64, 80)
    pixels = rng.integers(900, 1500, shape).astype(np.uint16)
    bias = rng.normal(500, 3, shape).astype(np.float32)
    signal = rng.gamma(2.0, 4.0, shape).astype(np.float32)
    for scale in (0.7, 0.0):
        dark = (signal if with_bias else bias + signal) if with_dark else None
        held = Calibration(dark=dark, bias=bias.copy() if with_bias else None)
        header, offset = MosaicHeader("f", "RGGB", (0.0,) * 4, 16383.0, black_stated=False), 2.5

        def calibrated(header, offset, held=held, scale=scale):
            return calibrate(pixels, header.black, *dark_signal(held.dark, held.bias, scale), offset)

        before = calibrated(header, offset)
        pedestal = take_pedestal(held)
        after, left = above_pedestal(header, offset, scale, pedestal, held)
        np.testing.assert_allclose(calibrated(after, left), before, atol=1e-3)
        expected = 0.0 if scale == 0 else 500.0 if with_bias else float(np.median(dark) + pedestal)
        assert after.black == pytest.approx((expected,) * 4, abs=1)
    assert take_pedestal(Calibration()) == 0.0


def test_repair_follows_an_edge_and_a_bad_column():
    """A bad column crossed by bright lines is refilled along them, where the plain mean of neighbours blurs them."""
    rows, _columns = np.indices((64, 64))
    scene = np.where((rows // 4) % 2 == 0, 1000.0, 100.0).astype(np.float32)
    defects = np.zeros(scene.shape, np.uint8)
    defects[:, 31] = 1
    spoiled = scene + np.float32(5000) * defects
    np.testing.assert_array_equal(repair(spoiled, defects, "RGGB"), scene)


def test_a_pixel_out_of_reach_keeps_its_value():
    """Where no sound pixel of the colour lies within reach nothing is invented."""
    values = np.arange(36, dtype=np.float32).reshape(6, 6)
    np.testing.assert_array_equal(repair(values.copy(), np.ones(values.shape, np.uint8), "RGGB"), values)


def test_lattices():
    """Green is a chessboard, red and blue one pixel in four, mono all."""
    assert lattices("GRBG").tolist() == [CHESS, SPARSE, SPARSE, CHESS]
    assert lattices("MONO").tolist() == [FULL] * 4


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"pixels": np.zeros((4, 4), np.float32)}, "pixels must be a 2-D uint16 array"),
        ({"dark": np.zeros((4, 5), np.float32)}, "dark must have the shape of pixels"),
        ({"flat": np.zeros((3, 4), np.float32)}, "flat must have the shape of pixels"),
        ({"scale": float("nan")}, "scale and offset must be finite"),
        ({"cfa": "XTRANS"}, "cfa must be MONO or one of RGGB"),
    ],
)
def test_wrong_arguments_are_named(arguments, text):
    """A wrong argument is named with what was got."""
    with pytest.raises(ValueError, match=text):
        calibrate(**{"pixels": np.zeros((4, 4), np.uint16), "black": BLACK, **arguments})
