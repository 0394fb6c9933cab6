"""Frames of a camera that stood still, combined as their mosaics' planes and made into a picture once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from pipeline.config import Trip
from pipeline.console import Progress
from pipeline.pixels.positions import GRID_STEP, grid_nodes
from pipeline.scene import groundpicture
from pipeline.sensor.cfa import CFA_PATTERNS
from pipeline.sensor.demosaic import demosaic
from pipeline.sensor.mosaic import write_mosaic
from pipeline.stack.groundfile import read_ground
from pipeline.stack.planes import COLOUR_OF, UNMOVED_PX, half_nodes, half_shape, part_planes, places_of, unmoved
from tests.planted_scenes import BLACK, Camera, drifting, header, read_out
from tests.test_combine import inputs_of
from tests.test_ground import GAIN, READ, Stand

N = 8


@pytest.mark.parametrize("shape", [(300, 420), (301, 419), (64, 65)])
def test_a_plane_at_the_nodes_is_one_at_the_planes_nodes(shape: tuple[int, int]) -> None:
    """Straight surfaces (elementary) are the same surfaces, also beyond the picture's last nodes."""
    xs, ys = grid_nodes(shape)
    surface = np.float32(3 + 0.5 * ys[:, None] - 0.25 * xs[None])
    half = half_nodes(surface[None], shape)[0]
    rows, columns = half_shape(shape)
    assert half.shape == ((rows - 1) // GRID_STEP + 4, (columns - 1) // GRID_STEP + 4)
    v, u = (2.0 * (np.arange(size) - 1) * GRID_STEP for size in half.shape)
    np.testing.assert_allclose(half, 3 + 0.5 * v[:, None] - 0.25 * u[None], atol=1e-3)


@pytest.mark.parametrize("cfa", CFA_PATTERNS)
def test_a_mosaic_is_parted_by_its_pattern(cfa: str) -> None:
    """Every pixel comes in the plane of its colour, times the scale, plus what its colour's straight surface has there
    (elementary), in whatever tile it lies."""
    rng = np.random.default_rng(1)
    pixels = rng.uniform(0, 100, (80, 150)).astype(np.float32)
    top, left = 50, 61
    v, u = (2.0 * (np.arange(size) - 1) * GRID_STEP for size in (6, 7))
    nodes = np.stack([0.02 * (c + 1) * v[:, None] - 0.01 * u[None] for c in COLOUR_OF]).astype(np.float32)
    values = np.empty((4, 40, 75), np.float32)
    part_planes(pixels, places_of(cfa), np.float32(1.5), nodes, (top, left), values)
    for plane, colour, (row, column) in zip(values, COLOUR_OF, places_of(cfa), strict=True):
        assert "RGB".index(cfa[2 * row + column]) == colour
        y, x = np.mgrid[:40, :75]
        added = 0.02 * (colour + 1) * 2 * (y + top) - 0.01 * 2 * (x + left)
        np.testing.assert_allclose(plane, 1.5 * pixels[row::2, column::2] + added, atol=1e-3)


@pytest.mark.parametrize(("cfa", "shape"), [("RGGB", (320, 448)), ("GRBG", (321, 447))])
def test_unmoved_ground_is_the_picture_of_its_mean_mosaic(
    tmp_path: Path, cfa: str, shape: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Eight frames before which somebody with a lamp walks past. The picture is the mean of the mosaics, in NumPy,
    demosaiced after Malvar, He & Cutler (2004) by `demosaic`; where the lamp shone in one frame each it is that of the
    other seven. NOISE agrees with the planted error in blocks. Threads and tiles change no byte."""
    rng = np.random.default_rng(2)
    geometry = drifting(N, shape, (2.3, 1.9), 0.0)
    stand = Stand(geometry, (0.0, 0.0))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    share = (y > 90).astype(np.float32)
    texture = ndimage.gaussian_filter(rng.normal(size=shape), 1.2)
    land = np.clip(300 * (1 + 0.3 * texture / texture.std()), 20, None)
    camera = Camera(gain=GAIN, read_noise=READ)
    frames, lit = [], np.zeros((N, *shape), bool)
    for number, frame in enumerate(geometry.frames):
        lamp = 6000 * np.exp(-((x - 40 - 45 * number) ** 2 + (y - 200) ** 2) / (2 * 4.0**2))
        lit[number] = lamp > 1
        pixels = read_out(rng, camera, land + lamp)
        write_mosaic(tmp_path / f"{frame}.fits", pixels, replace(header(camera, frame), cfa=cfa))
        frames.append(pixels.astype(np.float32) - BLACK)
    inputs = inputs_of(tmp_path, geometry, camera)
    path = tmp_path / "ground.fits"
    told = groundpicture.make_ground(inputs, geometry, stand, share, path, Trip(), 2, Progress(None, "ground", "s"))
    opened = read_ground(path)
    assert opened is not None
    box = opened.box
    window = (slice(box.top, box.top + box.height), slice(box.left, box.left + box.width))
    mean = np.where(lit, 0, frames).sum(axis=0) / (~lit).sum(axis=0)
    picture = demosaic(mean.astype(np.float32), cfa)[(slice(None), *window)]
    # weights told from the noise differ by a few per cent, and three in a thousand values of each pixel are rejected
    deep = (y > 110)[window]
    apart = np.where(deep, opened.planes - picture, 0) / np.where(deep, opened.noise, 1)
    assert np.abs(np.median(apart[:, deep], axis=1)).max() < 0.02
    assert apart[:, deep].std(axis=1).max() < 0.25
    passed = ndimage.minimum_filter(lit.any(axis=0), 3)[window] & deep
    assert np.abs(apart[:, passed].mean(axis=1)).max() < 0.05
    true = demosaic((land / GAIN).astype(np.float32), cfa)[(slice(None), *window)]
    error = np.where(deep, opened.planes - true, 0) / np.where(deep, opened.noise, 1)
    error = error[:, 48 + int(np.argmax(deep.any(axis=1))) : -1, :-1]
    rows, columns = (size // 16 * 16 for size in error.shape[1:])
    blocks = error[:, :rows, :columns].reshape(3, rows // 16, 16, columns // 16, 16).mean(axis=(2, 4)) * 16
    assert 0.88 < blocks.std() < 1.12  # some 1,000 blocks of three colours: good to 2.5 %, and the mean mosaic's own
    assert abs(told["noise_ratio"] - 1) < 0.15
    assert told["rejected_share"] < 0.06
    monkeypatch.setattr(groundpicture, "side_of_tiles", lambda *_: 64)
    again = tmp_path / "again.fits"
    assert told == groundpicture.make_ground(
        inputs, geometry, stand, share, again, Trip(), 1, Progress(None, "ground", "s")
    )
    assert again.read_bytes() == path.read_bytes()


def test_no_colour_rings_at_a_skyline(tmp_path: Path) -> None:
    """Dark land before a bright coloured sky, planted with an edge as sharp as the pixels: no colour of the picture
    lies below the land's level or above the sky's by more than noise and what sampling leaves."""
    rng = np.random.default_rng(3)
    shape = (192, 256)
    geometry = drifting(N, shape, (2.3, 1.9), 0.0)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    share = ndimage.gaussian_filter((y > 90 + 0.37 * x).astype(float), 0.5)
    sky = np.array([9000.0, 11000.0, 7000.0])
    light = np.empty(shape)
    for place, colour in enumerate("RGGB"):
        here = (slice(place // 2, None, 2), slice(place % 2, None, 2))
        light[here] = share[here] * 800 + (1 - share[here]) * sky["RGB".index(colour)]
    camera = Camera(gain=GAIN, read_noise=READ)
    for frame in geometry.frames:
        write_mosaic(tmp_path / f"{frame}.fits", read_out(rng, camera, light), header(camera, frame))
    inputs, path = inputs_of(tmp_path, geometry, camera), tmp_path / "ground.fits"
    stand = Stand(geometry, (0.0, 0.0))
    mask = share.astype(np.float32)
    groundpicture.make_ground(inputs, geometry, stand, mask, path, Trip(), 2, Progress(None, "ground", "s"))
    opened = read_ground(path)
    assert opened is not None
    box = opened.box
    rim = ((share > 0.02) & (share < 0.98))[box.top : box.top + box.height, box.left : box.left + box.width]
    electrons = opened.planes[:, rim] * GAIN
    assert electrons.min() > 600
    assert (electrons.max(axis=1) / sky).max() < 1.03


def test_frames_that_moved_are_not_taken_for_unmoved(tmp_path: Path) -> None:
    """At the limit and beyond it, by either axis; a camera without colours is left to the usual way."""
    shape = (128, 128)
    geometry = drifting(3, shape, (1.0, 0.0), 0.0)
    camera = Camera()
    for frame in geometry.frames:
        write_mosaic(tmp_path / f"{frame}.fits", np.full(shape, BLACK, np.uint16), header(camera, frame))
    inputs = inputs_of(tmp_path, geometry, camera)
    for moved, whether in ((0.9 * UNMOVED_PX, True), (1.1 * UNMOVED_PX, False)):
        for step in ((moved, 0.0), (0.0, -moved)):
            frames = groundpicture.on_ground(inputs, geometry, Stand(geometry, step)).frames  # type: ignore[arg-type]
            assert unmoved(frames) is whether
    grey = [replace(frame, header=replace(frame.header, cfa="MONO")) for frame in inputs.frames[:1]]
    assert not unmoved(grey)
