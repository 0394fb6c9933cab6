"""What lights the ground changes while the frames are taken, and its water with it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy import ndimage

from pipeline.config import Trip
from pipeline.console import Progress
from pipeline.pixels.background import Survey
from pipeline.pixels.noise import PhotonTransfer
from pipeline.pixels.positions import position_grid
from pipeline.scene import groundpicture
from pipeline.sensor.mosaic import write_mosaic
from pipeline.stack.groundfile import read_ground
from pipeline.stack.lighting import light_factor, one_light
from pipeline.stack.matching import match_frames
from tests.planted_scenes import Camera, drifting, header, read_out
from tests.test_combine import inputs_of
from tests.test_ground import GAIN, READ, Stand


def test_ground_is_the_mean_of_its_frames_whatever_lights_it(tmp_path: Path) -> None:
    """Moonrise over a strip of land, dark beside light, before water in which the sky's glow moves along: the level is
    the plain mean of the frames' (elementary) to 1 % over either and next to nothing is rejected."""
    rng = np.random.default_rng(8)
    shape = (352, 512)
    geometry = drifting(8, shape, (2.3, 1.9), 0.001)
    stand = Stand(geometry, (0.0, 0.0))
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    # a roof rises above the strip
    share = ((y > 150) | ((y > 80) & (np.abs(x - 250) < 60))).astype(np.float32)
    water = y > 270
    dark = np.where(np.sin(x / 23) * np.sin(y / 17) > 0, 60.0, 240.0)
    camera = Camera(gain=GAIN, read_noise=READ)
    mean = np.zeros(shape)
    for number, frame in enumerate(geometry.frames):
        moon = 0.7 + 0.1 * number
        glint = 300 * moon * (1 + 0.03 * number * (x / shape[1] - 0.5))
        light = np.where(share > 0, np.where(water, glint, dark * moon), 500.0 * moon)
        mean += light / 8
        pixels = read_out(rng, camera, light)
        write_mosaic(tmp_path / f"{frame}.fits", pixels, header(camera, frame))
    inputs = inputs_of(tmp_path, geometry, camera)
    path = tmp_path / "ground.fits"
    told = groundpicture.make_ground(inputs, geometry, stand, share, path, Trip(), 2, Progress(None, "ground", "s"))
    opened = read_ground(path)
    assert opened is not None
    box = opened.box
    window = (slice(box.top, box.top + box.height), slice(box.left, box.left + box.width))
    error = opened.planes[1] * GAIN / mean[window] - 1
    deep, wet = (ndimage.minimum_filter(plane, 17)[window] > 0 for plane in (share, water))
    for where in (deep & ~ndimage.maximum_filter(water, 17)[window], wet):
        light, pixels = (
            ndimage.gaussian_filter(np.where(where, v, 0.0), 10)[where] for v in (error, np.ones(where.shape))
        )
        assert np.abs(light / pixels).max() < 0.03
        assert abs(np.mean(error[where])) < 0.008
    assert told["rejected_share"] < 0.02


def test_light_multiplies_and_a_black_level_adds() -> None:
    """A planted factor comes back to 1 %; a planted constant, or too few blocks, leaves the levels as they are."""
    rng = np.random.default_rng(3)
    base = rng.uniform(20, 200, (3, 400))
    noise = rng.normal(0, 1.0, base.shape)
    assert abs(light_factor(1.6 * base + noise, base) * 1.6 - 1) < 0.01
    assert light_factor(base + 9 + noise, base) == 1.0
    assert light_factor((1.6 * base + noise)[:, :10], base[:, :10]) == 1.0
    flat = np.full(base.shape, 50.0)
    assert light_factor(1.1 * flat + noise, flat) == 1.0


def test_frames_in_another_light_are_told() -> None:
    """Of twenty frames seven show a beam over a third of the land, the reference among them: just these are told, and
    the base is none of them; of a moon that doubles the light of all none is; where no land is seen, nothing is."""
    rng = np.random.default_rng(4)
    land = rng.uniform(20, 200, (3, 400))
    beam = 1 + 8 * (np.arange(400) < 130)
    lit = range(5, 12)
    frames = [land * (beam if k in lit else 1.0) + rng.normal(0, 2.0, land.shape) for k in range(20)]
    frames[2][:, 50:60] = np.nan
    told = one_light(frames, 10)
    assert [k for k in range(20) if not told.alike[k]] == list(lit)
    assert told.base not in lit
    rising = [land * (1 + k / 20) + rng.normal(0, 2.0, land.shape) for k in range(20)]
    told = one_light(rising, 0)
    assert told.alike.all()
    np.testing.assert_allclose(told.factors * (1 + np.arange(20) / 20), 1 + told.base / 20, rtol=0.02)
    told = one_light([np.full((3, 5), np.nan)] * 4, 3)
    assert told.alike.all()
    assert told.base == 3
    assert (told.factors == 1).all()


def test_a_flash_over_all_of_the_land_is_told() -> None:
    """Lightning lights the eighth of 20 frames, and the first, 2.2 times as bright all over, which a factor would make
    like the others (planted): just these are left out, while the moon comes out of cloud over the last nine."""
    rng = np.random.default_rng(7)
    land = rng.uniform(20, 200, (3, 400))
    light = [1.0] * 11 + [1.3, 1.7] + [2.0] * 7
    light[0] = light[7] = 2.2
    told = one_light([land * m + rng.normal(0, 2.0, land.shape) for m in light], 10)
    assert np.flatnonzero(~told.alike).tolist() == [0, 7]


def test_of_a_light_that_changes_for_good_the_frames_of_one_light_are_taken() -> None:
    """A tent shines on a quarter of the land in all of 20 frames; over the last eleven the moon rises to eight times
    the light that was there, and a lamp shines on everything in the third. No factor makes tent and moonlight alike:
    what is taken is the eight dark frames."""
    rng = np.random.default_rng(6)
    land, tent = rng.uniform(20, 200, (3, 400)), 400.0 * (np.arange(400) < 100)
    moon = [1.0] * 9 + [1.0 + 0.7 * k for k in range(1, 12)]
    frames = [land * m + tent + rng.normal(0, 2.0, land.shape) for m in moon]
    frames[2] = frames[2] + rng.uniform(5000, 9000, land.shape)
    told = one_light(frames, 10)
    assert np.flatnonzero(told.alike).tolist() == [0, 1, 3, 4, 5, 6, 7, 8]
    assert (told.factors[told.alike] == 1).all()


def test_a_frame_that_shows_no_sky_is_as_noisy_as_the_others() -> None:
    """Blocks in which land was left out tell nothing, and of one frame none tells any: its floor is what the sky's
    blocks of the others have, 50 ADU^2 less 0.5 a level of 60 ADU (elementary), and it weighs no more than they do."""
    shape, side, frames = (512, 768), 32, 4
    rows, columns = shape[0] // side, shape[1] // side
    grid = position_grid(lambda x, y: (x, y), shape)
    surveys = []
    for k in range(frames):
        sky = (np.arange(rows) < (10 if k != 2 else 0))[:, None, None] * np.ones((rows, columns, 4))
        light, variance = (np.where(sky > 0, value, np.nan).astype(np.float32) for value in (60.0, 50.0))
        surveys.append(Survey(light, variance, side))
    matching = match_frames(
        surveys, [grid] * frames, [1.0] * frames, ["RGGB"] * frames, 0, shape, [0.0] * frames,
        [np.ones(grid.shift.shape[:2], np.float32)] * frames, PhotonTransfer(0.5, 20.0, True), partly=True,
    )  # fmt: skip
    np.testing.assert_allclose(matching.floor, 20.0, rtol=1e-5)
    np.testing.assert_allclose(matching.weights, 1.0, rtol=1e-5)
    assert np.abs(matching.offsets).max() < 1e-3


def test_the_reference_is_matched_at_the_scale_of_the_others() -> None:
    """Five frames that show the same, all of them multiplied by 0.25 or by 4: nothing is added to any of them, the
    reference among them, and the sky is that of the multiplied frames (elementary)."""
    rng = np.random.default_rng(1)
    shape, side, frames = (512, 768), 32, 5
    rows, columns = np.mgrid[: shape[0] // side, : shape[1] // side]
    light = (60.0 + 8.0 * columns + 2.0 * rows)[..., None] * np.ones(4)
    surveys = [
        Survey((light + rng.normal(0, 0.5, light.shape)).astype(np.float32), (50 + light).astype(np.float32), side)
        for _ in range(frames)
    ]
    grid = position_grid(lambda x, y: (x, y), shape)
    even = np.ones(grid.shift.shape[:2], np.float32)
    for scale in (0.25, 4.0):
        matching = match_frames(
            surveys, [grid] * frames, [scale] * frames, ["RGGB"] * frames, 2, shape, [0.0] * frames, [even] * frames,
            degree_max=1,
        )  # fmt: skip
        assert np.abs(matching.offsets).max() < 1.0 * scale  # the blocks' noise is half of that
        assert abs(np.median(matching.sky) / np.median(scale * light) - 1) < 0.01


def test_noise_of_land_is_told_at_every_brightness(tmp_path: Path) -> None:
    """Land of patches from a tenth to three times its mean light, before a camera that stands: NOISE goes with the
    light of each pixel (read noise and photons, as planted) and not with the level of its surroundings."""
    rng = np.random.default_rng(15)
    shape, n = (352, 512), 12
    geometry = drifting(n, shape, (2.3, 1.9), 0.001)
    y = np.mgrid[: shape[0], : shape[1]][0]
    share = (y > 60).astype(np.float32)
    levels = np.array([20.0, 60.0, 200.0, 600.0])
    patches = np.kron(rng.integers(0, 4, (22, 32)), np.ones((16, 16), int))
    light = np.where(share > 0, levels[patches], 500.0)
    camera = Camera(gain=GAIN, read_noise=READ)
    for frame in geometry.frames:
        write_mosaic(tmp_path / f"{frame}.fits", read_out(rng, camera, light), header(camera, frame))
    inputs, path = inputs_of(tmp_path, geometry, camera), tmp_path / "ground.fits"
    groundpicture.make_ground(
        inputs, geometry, Stand(geometry, (0.0, 0.0)), share, path, Trip(), 2, Progress(None, "ground", "s")
    )
    opened = read_ground(path)
    assert opened is not None
    box = opened.box
    window = (slice(box.top, box.top + box.height), slice(box.left, box.left + box.width))
    inner = (ndimage.maximum_filter(patches, 7) == ndimage.minimum_filter(patches, 7))[window] & (y[window] > 90)
    # the photons' and the reading's variance, and green samples on every other pixel: the noise of means over blocks
    planted = np.sqrt(2 * (light[window] + READ**2) / n)
    told = [np.median((opened.noise[1] * GAIN / planted)[inner & (patches[window] == k)]) for k in range(4)]
    np.testing.assert_allclose(told, 1, atol=0.07)
