"""Master flats."""

from dataclasses import asdict

import numpy as np
import pytest

from pipeline.dark import main
from pipeline.files import write_json
from pipeline.plan import DarkSet, PlannedFrame
from pipeline.sensor import flats
from pipeline.sensor.calibrate import calibrate
from pipeline.sensor.defects import COLD
from pipeline.sensor.master import read_master, read_usable_master
from pipeline.sensor.mosaic import MosaicHeader, colour_planes, write_mosaic

SHAPE = (160, 240)
BLACK = (512.0,) * 4


def lens(shape=SHAPE):
    """Vignetting with a gradient, and some dust."""
    rows, columns = np.indices(shape)
    radius = np.hypot(rows - shape[0] / 2, columns - shape[1] / 2) / np.hypot(*shape) * 2
    response = 1 / (1 + 0.8 * radius**2) ** 2 * (1 + 0.05 * columns / shape[1])
    return response * (1 - 0.08 * np.exp(-(np.hypot(rows - 60, columns - 90) ** 2) / 60))


def write_set(folder, frames, kind="flat", cfa="RGGB"):
    """Write mosaics and their set file."""
    planned = []
    for n, pixels in enumerate(frames):
        name = f"{kind}{n:03d}"
        write_mosaic(folder / "m" / f"{name}.fits", pixels, MosaicHeader(name, cfa, BLACK, 16383.0, exposure_s=0.1 * n))
        planned.append(PlannedFrame(name, name, name, kind))
    write_json(folder / f"{kind}.json", asdict(DarkSet(kind, kind, ("m",), tuple(planned))))


def master(folder, kind="flat", *more):
    """Run the step."""
    return main(
        ["master", "--set", str(folder / f"{kind}.json"), "--mosaics", str(folder / "m"),
         "--out", str(folder / f"{kind}.fits"), *more]
    )  # fmt: skip


def light_colours(cfa="RGGB"):
    """A warm panel: what each CFA position takes."""
    plane = np.ones(SHAPE)
    for colour, places in colour_planes(cfa).items():
        for row, column in places:
            plane[row::2, column::2] = {"R": 0.9, "G": 1.0, "B": 0.35}[colour]
    return plane


@pytest.mark.parametrize("count", [1, 2, 3, 8])
def test_flat_of_planted_lens(tmp_path, count):
    """The lens's response comes back for every colour, whatever the panel's colour and the frames' brightness."""
    rng = np.random.default_rng(count)
    scene = lens() * light_colours()
    bias = rng.normal(8, 3, SHAPE)  # a fixed pattern that only bias frames show
    frames = []
    for n in range(count):
        mean = 7000 * (1 - 0.06 * n) * scene
        frames.append(
            np.clip(np.round(512 + bias + mean + rng.normal(0, np.sqrt(30 + 0.5 * mean))), 0, 16383).astype(np.uint16)
        )
    frames[0][80, 100] = 16000  # a cosmic hit
    write_set(tmp_path, frames)
    write_set(tmp_path, [np.round(512 + bias + rng.normal(0, 5, SHAPE)).astype(np.uint16) for _ in range(12)], "bias")
    assert master(tmp_path, "bias") == 0
    assert master(tmp_path, "flat", "--dark", str(tmp_path / "bias.fits")) == 0
    flat = read_master(tmp_path / "flat.fits")
    assert flat.header["NFRAMES"] == count
    assert flat.header["FLATDARK"] is True
    truth = lens()
    for places in colour_planes("RGGB").values():
        level = np.mean([truth[r::2, c::2].mean() for r, c in places])
        for r, c in places:
            part = flat.mean[r::2, c::2] / (truth[r::2, c::2] / level)
            assert abs(np.median(part) - 1) < 2e-3
            ratio = np.std(part) / np.mean(flat.noise[r::2, c::2] / flat.mean[r::2, c::2])
            # one flat's noise is taken over all colours at once: an upper limit for the fainter ones
            assert 0.6 < ratio < 1.35 if count > 1 else ratio < 1.35
    # a frame of the panel divided by its flat is even in every colour: gradients were kept in the flat
    even = calibrate(frames[-1], BLACK, flat=flat.mean)[0::2, 0::2]
    assert abs(even[:20, :20].mean() / even[35:45, 55:65].mean() - 1) < 0.01
    if count >= 2:
        assert abs(flat.mean[80, 100] / flat.mean[80, 102] - 1) < 0.1


def test_dead_pixels_of_a_flat(tmp_path):
    """Pixels that answer to light far less than their like become cold defects; dust does not."""
    rng = np.random.default_rng(3)
    mean = 7000 * lens() * light_colours()
    mean[33, 44] *= 0.2
    mean[120, 200] *= 0.5
    frames = [np.round(512 + mean + rng.normal(0, np.sqrt(30 + 0.5 * mean))).astype(np.uint16) for _ in range(5)]
    write_set(tmp_path, frames)
    assert master(tmp_path) == 0
    flags = read_master(tmp_path / "flat.fits").defects
    assert flags[33, 44] == flags[120, 200] == COLD
    assert np.count_nonzero(flags) == 2


def test_unusable_flats_are_left_out(tmp_path, capsys):
    """Overexposed and dark flats are left out with their reason; where none remains a sentence says so."""
    rng = np.random.default_rng(4)
    mean = 7000 * lens() * light_colours()
    good = [np.round(512 + mean + rng.normal(0, 60, SHAPE)).astype(np.uint16) for _ in range(3)]
    over, under = np.full(SHAPE, 16383, np.uint16), np.full(SHAPE, 530, np.uint16)
    write_set(tmp_path, [*good, over, under])
    assert master(tmp_path) == 0
    header = read_master(tmp_path / "flat.fits").header
    assert header["NFRAMES"] == 3
    history = " ".join(str(header["HISTORY"]).split())
    assert "overexposed" in history
    assert "too dark" in history
    write_set(tmp_path, [over, under])
    assert master(tmp_path) == 0
    assert "none of its 2 frames is usable; the first is overexposed" in capsys.readouterr().err
    assert read_usable_master(tmp_path / "flat.fits") is None


def test_black_corners_are_not_divided():
    """Outside a fish-eye's circle the flat is 0, which calibration leaves undivided."""
    flat = np.ones((40, 40), np.float32)
    flat[:8, :8] = 0.001
    kept = flats.usable(flat)
    assert (kept[:8, :8] == 0).all()
    pixels = np.full((40, 40), 600, np.uint16)
    np.testing.assert_array_equal(calibrate(pixels, BLACK, flat=kept), np.full((40, 40), 88, np.float32))


def test_a_flat_without_light_is_refused():
    """A colour without light cannot be normalised."""
    with pytest.raises(ValueError, match="R pixels have no light"):
        flats.normalise(np.zeros((4, 4), np.float32), np.ones((4, 4), np.float32), "RGGB")
