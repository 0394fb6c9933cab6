"""What lights the ground changes while the frames are taken, and its water with it."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.config import Trip
from pipeline.console import Progress
from pipeline.pixels.noise import BLOCK, PhotonTransfer
from pipeline.pixels.positions import position_grid
from pipeline.pixels.resample import block_variance
from pipeline.pixels.survey import Survey
from pipeline.scene import groundpicture
from pipeline.sensor.demosaic import response
from pipeline.sensor.mosaic import write_mosaic
from pipeline.stack.checked import of_the_quiet
from pipeline.stack.groundfile import read_ground
from pipeline.stack.lighting import light_factor, one_light
from pipeline.stack.matching import match_frames
from pipeline.stack.sources import Calibration
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


SHAPE = (352, 512)
LIGHTS = (0.0, 1.0, 3.0, 6.0, 10.0, 25.0, 50.0, 150.0, 1000.0)  # edges of the bins of light, ADU


def told_over_planted(
    folder: Path,
    light: NDArray[np.float64],
    read: float,
    n: int,
    calibration: Calibration | None = None,
    creep: tuple[float, float] = (0.0, 0.0),
    scale: float = 1.0,
) -> NDArray[np.float64]:
    """NOISE of land over what it is, green, root of the mean squares over pixels of each bin of light; NaN where few.

    Parameters
    ----------
    light : of the land, ADU, on a canvas that goes on by 8 px on every side
    read : noise of a pixel, ADU
    calibration : its dark is planted, electrons and all
    scale : what the frames are multiplied by
    """
    rng, gain = np.random.default_rng(15), 1.5
    geometry = drifting(n, SHAPE, (2.3, 1.9), 0.001)
    stand, camera = Stand(geometry, creep), Camera(gain=gain, read_noise=read * gain)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    dark = 0.0 if calibration is None or calibration.dark is None else calibration.dark
    flat = 1.0 if calibration is None or calibration.flat is None else calibration.flat
    for frame in geometry.frames:
        dx, dy = stand._moved(frame)
        here = light if creep == (0.0, 0.0) else ndimage.shift(light, (dy, dx), order=3, mode="nearest")
        shown = np.where(y > 60, np.maximum(here[8:-8, 8:-8], 0), 300.0) * flat + dark
        write_mosaic(folder / f"{frame}.fits", read_out(rng, camera, shown * gain), header(camera, frame))
    inputs = inputs_of(folder, geometry, camera, calibration)
    share, path = (y > 60).astype(np.float32), folder / "ground.fits"
    groundpicture.make_ground(
        inputs, geometry, stand, share, path, Trip(), 1, Progress(None, "ground", "s"), scale  # type: ignore[arg-type]
    )  # fmt: skip
    opened = read_ground(path)
    assert opened is not None
    box = opened.box
    window = (slice(box.top, box.top + box.height), slice(box.left, box.left + box.width))
    here = light[8:-8, 8:-8]
    # photons of light and dark, reading, rounding, divided by the flat; of blocks of a demosaiced mosaic
    mixed = block_variance(response("RGGB"), np.array([[0, 1], [1, 2]]), BLOCK)[1].sum()
    variance = ((here * flat + dark) / gain + read**2 + 1 / 12) / np.asarray(flat) ** 2
    planted = scale**2 * mixed / n * ndimage.uniform_filter(variance, 3)
    inner = (y > 90) & (x > 12) & (x < SHAPE[1] - 12) & (y < SHAPE[0] - 12)
    result = []
    for low, high in pairwise(LIGHTS):
        chosen = inner & (here >= low) & (here < high)
        told = (opened.noise[1].astype(float) ** 2)[chosen[window]].sum()
        result.append(float(np.sqrt(told / planted[chosen].sum())) if chosen.sum() > 400 else np.nan)
    return np.array(result)


def slopes_with_bushes() -> NDArray[np.float64]:
    """Moonlit slopes from 300 ADU down to 1 and up again every 400 px, with bushes of a twentieth of the light."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[: SHAPE[0] + 16, : SHAPE[1] + 16].astype(float)
    slopes = 300.0 ** (0.5 + 0.5 * np.sin(2 * np.pi * (x + 0.3 * y) / 400))
    bushes = np.kron(rng.choice([0.05, 0.3, 1.0], (31, 44)), np.ones((12, 12)))[: SHAPE[0] + 16, : SHAPE[1] + 16]
    texture = ndimage.gaussian_filter(rng.normal(size=x.shape), 1.0)
    return np.asarray(
        slopes * ndimage.gaussian_filter(bushes, 0.75) * np.clip(1 + 0.3 * texture / texture.std(), 0.1, None)
    )


@pytest.mark.parametrize(
    ("read", "n", "creep", "scale"),
    [(4.0, 12, (0.0, 0.0), 1.0), (0.6, 5, (0.0, 0.0), 1.0), (0.6, 12, (0.11, -0.07), 0.25)],
)
def test_noise_of_dark_land_is_told_where_its_level_changes(
    tmp_path: Path, read: float, n: int, creep: tuple[float, float], scale: float
) -> None:
    """From no light to 300 ADU, and more or less of it within the 64 px over which the level is even: NOISE is what
    was planted to 5 % in every bin of light, of creeping frames of another exposure, whose edges are interpolated, to
    7 %. By levels that are not the pixel's own it was 0.86 to 0.94, 1.00 to 1.38 and 0.83 to 1.34 of it."""
    told = told_over_planted(tmp_path, slopes_with_bushes(), read, n, creep=creep, scale=scale)
    assert np.isfinite(told).all()
    np.testing.assert_allclose(told, 1, atol=0.05 if creep == (0.0, 0.0) else 0.07)


def test_noise_of_land_counts_the_electrons_of_the_dark_and_the_flat(tmp_path: Path) -> None:
    """A dark of 12 ADU, 200 more in a corner, and a flat that falls to 0.5: NOISE holds to 5 % in every bin of light.
    Without the electrons of the dark that lies everywhere, and with texture for read noise that the flat multiplies, it
    was 1.03 of it in the dark and 0.61 in the light."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    dark = 12 + 200 * np.exp(-np.hypot(x - SHAPE[1], y - SHAPE[0]) / 100)
    flat = 1 - 0.5 * ((y / SHAPE[0] - 0.5) ** 2 + (x / SHAPE[1] - 0.5) ** 2) / 0.5
    known = Calibration(dark=dark.astype(np.float32), flat=flat.astype(np.float32))
    told = told_over_planted(tmp_path, slopes_with_bushes(), 4.0, 12, known)
    np.testing.assert_allclose(told, 1, atol=0.05)


def test_noise_of_land_that_one_frame_does_not_tell_is_told_by_all(tmp_path: Path) -> None:
    """Land of 4 ADU with bright specks, which single mosaics take for stars, so that they tell no gain: the frames'
    scatter tells it, and NOISE holds to 6 % of dark and of light (of the light it was 2.3 times what it is)."""
    rng = np.random.default_rng(3)
    specks = np.kron(rng.choice([4.0, 190.0], (31, 44), p=[0.9, 0.1]), np.ones((12, 12)))
    told = told_over_planted(tmp_path, specks[: SHAPE[0] + 16, : SHAPE[1] + 16], 4.0, 12)
    np.testing.assert_allclose(told[[2, 7]], 1, atol=0.06)


def test_noise_of_black_land_is_told_of_whole_numbers(tmp_path: Path) -> None:
    """Land without light before a camera that reads with 0.6 ADU: most of a pixel's values are the same, and NOISE is
    that of reading and rounding to 5 % (by medians of residuals it was 0.63 of it)."""
    told = told_over_planted(tmp_path, np.zeros((SHAPE[0] + 16, SHAPE[1] + 16)), 0.6, 12)
    np.testing.assert_allclose(told[0], 1, atol=0.05)


def test_noise_of_still_land_is_not_that_of_the_stars_in_a_lake(tmp_path: Path) -> None:
    """Stars mirrored in a lake, two thirds of the land, move by 3 px from frame to frame: NOISE of the still shore is
    what was planted to 10 % (by the residuals of all land it was 1.56 times it)."""
    rng, n, gain, read = np.random.default_rng(21), 12, 1.5, 3.0
    geometry, camera = drifting(n, SHAPE, (2.3, 1.9), 0.001), Camera(gain=gain, read_noise=read * gain)
    y = np.mgrid[: SHAPE[0], : SHAPE[1]][0].astype(float)
    land = np.where(y > 60, np.where(y > 150, 55.0, 12.0), 300.0)
    stars = np.zeros((SHAPE[0], SHAPE[1] + 3 * n))
    stars[rng.integers(160, SHAPE[0] - 4, 900), rng.integers(0, stars.shape[1], 900)] = rng.exponential(900, 900)
    stars = ndimage.gaussian_filter(stars, 1.8)
    for number, frame in enumerate(geometry.frames):
        light = land + stars[:, 3 * number : 3 * number + SHAPE[1]]
        write_mosaic(tmp_path / f"{frame}.fits", read_out(rng, camera, light * gain), header(camera, frame))
    inputs, path = inputs_of(tmp_path, geometry, camera), tmp_path / "ground.fits"
    stand, share = Stand(geometry, (0.0, 0.0)), (y > 60).astype(np.float32)
    groundpicture.make_ground(inputs, geometry, stand, share, path, Trip(), 2, Progress(None, "ground", "s"))
    opened = read_ground(path)
    assert opened is not None
    top = 80 - opened.box.top
    mixed = block_variance(response("RGGB"), np.array([[0, 1], [1, 2]]), BLOCK)[1].sum()
    planted = np.sqrt(mixed / n * (12 / gain + read**2 + 1 / 12))
    assert np.median(opened.noise[1][top : top + 60]) == pytest.approx(planted, rel=0.10)


def test_land_that_moves_does_not_tell_noise_where_some_stands() -> None:
    """Of six windows of land three show leaves: what unit noise has comes from the others, 1 within 2 %; of windows too
    small to be told apart all count, as they do of a frame that the quiet ones lack."""
    rng = np.random.default_rng(2)

    def window(moves: float, each: int, frames: int = 12) -> list[NDArray[np.float64]]:
        return [(rng.normal(0, 1, each) ** 2) * (1 + moves) for _ in range(frames)]

    windows = [window(0.0 if k % 2 else 2.0, 900) for k in range(6)]
    told = of_the_quiet(windows)
    assert [len(of_frame) for of_frame in told] == [2700] * 12
    assert np.mean([of_frame.mean() for of_frame in told]) == pytest.approx(1, abs=0.02)
    small = of_the_quiet([window(0.0, 60) for _ in range(12)])
    assert [len(of_frame) for of_frame in small] == [720] * 12
    for k in (1, 3, 5):
        windows[k][7] = windows[k][7][:50]
    assert len(of_the_quiet(windows)[7]) == 3 * 900 + 3 * 50
