"""Master darks and biases: robust mean, noise, outliers, defects, and the step that makes them."""

import tracemalloc
from dataclasses import asdict

import numpy as np
import pytest
from astropy.io import fits
from astropy.stats import sigma_clipped_stats

from pipeline.dark import main
from pipeline.errors import InputError
from pipeline.files import write_json
from pipeline.pixels.noise import block_noise
from pipeline.plan import DarkSet, PlannedFrame
from pipeline.sensor import darks, darkset
from pipeline.sensor.clipped import clipped
from pipeline.sensor.coarse import coarse_level, standing_out
from pipeline.sensor.darks import CLIP_SIGMA, NoiseModel
from pipeline.sensor.defects import COLD, HOT, UNSTABLE, master_defects, same_colour_excess
from pipeline.sensor.likeliest import least_error
from pipeline.sensor.master import read_master, read_usable_master
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.tables import table_from_rows, write_table

BLACK = (512.0, 513.0, 511.5, 512.0)
READ = 8.0


def header(frame, **more):
    """A mosaic's header with sensible defaults."""
    return MosaicHeader(**{
        "frame": frame, "cfa": "RGGB", "black": BLACK, "saturation": 16383.0, "exposure_s": 30.0, "iso": 1600, **more
    })  # fmt: skip


def black_plane(shape):
    """The black level of every pixel."""
    rows, columns = np.indices(shape)
    return np.array(BLACK)[2 * (rows % 2) + columns % 2]


def sensor(rng, shape=(240, 360), hot=0.003):
    """A dark signal (ADU) with hot pixels and an amplifier's glow, and where the hot ones are."""
    signal = 3 + rng.normal(0, 0.4, shape)
    rows, columns = np.indices(shape)
    signal += 12 * np.exp(-np.hypot(rows - shape[0], columns - shape[1]) / 60)
    places = rng.random(shape) < hot
    signal[places] += 150 + rng.exponential(300, places.sum())
    return signal, places


def take(rng, signal, level=0.0, scale=1.0, gain=0.5):
    """One dark frame of that signal, raw ADU."""
    mean = scale * signal
    noise = np.sqrt(READ**2 + gain * np.maximum(mean, 0))
    return np.clip(np.round(black_plane(signal.shape) + level + mean + rng.normal(0, noise)), 0, 16383).astype(
        np.uint16
    )


def in_blocks(plane):
    """Sums over blocks of 16 px; what is left over at the edges is left out."""
    rows, columns = (n // 16 for n in plane.shape)
    return plane[: 16 * rows, : 16 * columns].reshape(rows, 16, columns, 16).sum(axis=(1, 3))


def write_set(folder, frames, kind="dark", headers=None):
    """Write mosaics and their set file; the frames' ids."""
    ids = [f"{kind}{n:03d}" for n in range(len(frames))]
    for n, (name, pixels) in enumerate(zip(ids, frames, strict=True)):
        write_mosaic(folder / "m" / f"{name}.fits", pixels, (headers or {}).get(n, header(name)).with_frame(name))
    planned = tuple(PlannedFrame(name, name, name, kind, temperature_c=10.0) for name in ids)
    write_json(folder / "set.json", asdict(DarkSet("set", kind, ("m",), planned)))
    return ids


def run_master(folder, *more):
    """Run the step on what `write_set` wrote."""
    arguments = ["master", "--set", folder / "set.json", "--mosaics", folder / "m", "--out", folder / "master.fits"]
    return main([str(a) for a in (*arguments, *more)])


# ---- arrays ---------------------------------------------------------------------------------------------------------


def slow_mean(values, model):
    """What `robust_mean` states for three frames and more: mean, variance, number used, unstable."""
    median, average = np.median(values, axis=0), values.mean(axis=0)
    variance = model.variance(np.minimum(median, average).astype(np.float32)).astype(float)
    inside = np.abs(values - median) <= CLIP_SIGMA * np.sqrt(variance)
    number = inside.sum(axis=0)
    mean = np.where(inside, values, 0).sum(axis=0) / np.maximum(number, 1)
    mean[number == 0] = median[number == 0]
    spread = np.where(inside, (values - mean) ** 2, 0).sum(axis=0) / np.maximum(number - 1, 1)
    frames = len(values)
    worst = np.argmax(np.abs(values - median), axis=0)
    others = np.arange(frames)[:, None, None] != worst
    rest = np.array([[values[others[:, y, x], y, x].var(ddof=1) for x in range(values.shape[2])]
                     for y in range(values.shape[1])])  # fmt: skip
    unstable = (frames >= 4) & ((frames - number >= 2) | (rest > darks.unstable_ratio(frames) * variance))
    return mean, spread, np.maximum(number, 1), unstable


@pytest.mark.parametrize("frames", [3, 4, 9, 30, 100])
def test_robust_mean_equals_its_slow_statement(frames):
    """Sorted or not, the compiled mean gives the slow statement's mean, variance, number and verdict."""
    rng = np.random.default_rng(frames)
    model = NoiseModel(READ**2, 0.5, 0.0, 3.0)
    stack = rng.normal(530, READ, (frames, 8, 60))
    stack[:, :, ::7] += 400  # hot
    stack[rng.random(stack.shape) < 0.02] += 300  # hits
    stack[::2, :, 5] += 120  # telegraph noise
    # of which no value lies far from the mean
    stack[:, :, 11] = 530 + 1.5 * READ * (-1.0) ** np.arange(frames)[:, None]
    stack = np.round(stack).astype(np.uint16)
    levels = np.broadcast_to(np.float32([[510], [512]]), (frames, 2, 60)).astype(np.float32)
    values = stack - np.tile(levels[:, :, :], (1, 4, 1)).astype(float)
    mean, variance, used, unstable = darks.robust_mean(stack, levels, model)
    expected = slow_mean(values, model)
    np.testing.assert_array_equal(used, expected[2])
    np.testing.assert_array_equal(unstable, expected[3])
    np.testing.assert_allclose(mean, expected[0], rtol=1e-5, atol=1e-3)
    several = used > 1
    np.testing.assert_allclose(variance[several], expected[1][several], rtol=2e-3, atol=1e-2)
    if frames >= 9:
        assert unstable[:, 5].all()


def test_two_frames_give_the_lower_where_they_disagree_and_one_gives_itself():
    """A hit in one of two darks is left out; one dark is what it is."""
    model = NoiseModel(READ**2)
    stack = np.full((2, 2, 6), 520, np.uint16)
    stack[1, 0, 3] = 900
    stack[1, 1, 1] = 530
    levels = np.full((2, 2, 6), 512, np.float32)
    mean, _, used, _ = darks.robust_mean(stack, levels, model)
    assert mean[0, 3] == 8
    assert used[0, 3] == 1
    assert mean[1, 1] == 13
    assert used.sum() == 2 * 12 - 1
    mean, variance, used, unstable = darks.robust_mean(stack[1:], levels[1:], model)
    assert mean[0, 3] == 388
    assert (variance == np.float32(READ**2)).all()
    assert (used == 1).all()
    assert not unstable.any()


def test_clipped_agrees_with_astropy_and_survives_rounding():
    """Mean and deviation agree with astropy's clipping; rounding to coarse steps does not make the deviation 0."""
    rng = np.random.default_rng(1)
    values = rng.normal(20, 3, 40_000)
    values[:2000] += 500
    mean, _, deviation = sigma_clipped_stats(values, sigma=4, maxiters=20)
    assert clipped(values, rounds=20) == pytest.approx((mean, deviation), rel=2e-3)
    coarse = np.round(rng.normal(0, 0.6, 40_000))
    assert clipped(coarse)[1] == pytest.approx(np.sqrt(0.36 + 1 / 12), rel=0.03)


def test_noise_model_is_recovered():
    """Read noise and the growth of variance with dark signal come back from ten darks."""
    rng = np.random.default_rng(2)
    signal, _ = sensor(rng, (96, 1500), hot=0.02)
    sample = np.stack([take(rng, signal) for _ in range(10)]) - black_plane(signal.shape)
    model = darks.fit_noise(sample.astype(np.float32))
    assert model.sigma == pytest.approx(np.sqrt(READ**2 + 0.5 * 3 + 1 / 12), rel=0.01)
    assert model.variance(np.float32([500]))[0] == pytest.approx(READ**2 + 250, rel=0.1)


@pytest.mark.parametrize("own", [0.5, 12.0])
def test_noise_model_of_a_warm_sensor_is_recovered(own):
    """Glow over a sixth of the frame, pixels that differ by as much as the noise, and hot ones, a tenth of which are
    full (and have no noise): read noise and gain come back to 10 %."""
    rng = np.random.default_rng(11)
    level = 50 + rng.lognormal(0, 0.3, (64, 1400)) / 0.3 * own + 600 * np.exp(-np.arange(1400) / 150)
    hot = rng.random(level.shape) < 0.005
    level[hot] += rng.exponential(6500, hot.sum())
    frames = np.minimum(rng.normal(level, np.sqrt(60 + 2.0 * level), (8, *level.shape)), 15871)
    model = darks.fit_noise(np.round(frames).astype(np.float32), 15871.0)
    for above in (0, 100, 1000):
        told = float(model.variance(np.array([model.bulk + above], np.float32))[0])
        assert told == pytest.approx(60 + 2.0 * (model.bulk + above), rel=0.1)


def test_one_dark_tells_how_its_glow_scatters():
    """Of one frame the noise at the brightest glow, and of most pixels, is the planted photon noise to 5 %."""
    rng = np.random.default_rng(3)
    level = 20 + np.broadcast_to(400 * np.exp(-np.arange(2048) / 100), (128, 2048))
    sample = rng.normal(level, np.sqrt(100 + 0.6 * (level - 20)))[None].astype(np.float32)
    model = darks.fit_noise(sample)
    told = np.sqrt(model.variance(np.array([20.0, 420.0], np.float32)))
    assert told == pytest.approx(np.sqrt([100, 340]), rel=0.05)


@pytest.mark.parametrize("count", [4, 10])
def test_outliers_are_told_and_sound_frames_kept(count):
    """A leak, an uncapped frame, another exposure, stars: each left out for its reason; drifting levels stay."""
    rng = np.random.default_rng(count)
    signal, _ = sensor(rng, (96, 800))
    black = black_plane(signal.shape)

    def sample(spoil=None, n=1):
        frames = [take(rng, signal, level=0.7 * i).astype(np.float32) - black for i in range(count)]
        if spoil is not None:
            frames[n] = spoil(frames[n])
        return np.stack(frames).astype(np.float32)

    def reasons(stack):
        figures = darkset.frame_figures(stack)
        return darkset.left_out(figures, darks.fit_noise(stack).sigma)

    leak = np.linspace(0, 12, signal.shape[1])
    stars = np.zeros(signal.shape)
    stars[::12, ::12] = 200
    assert reasons(sample()) == {}
    for spoil, text in (
        (lambda f: f + leak, "light has come in"),
        (lambda f: f + 900, "light has come in"),
        (lambda f: f - 90, "its black level is another"),
        (lambda f: f + stars, "stars or light"),
        (lambda f: take(rng, signal, scale=2.0) - black, "another exposure or sensor temperature"),
        (lambda f: f + rng.normal(0, 20, f.shape), "noisier than the others"),
    ):
        found = reasons(sample(spoil))
        assert list(found) == [1]
        assert text in found[1]


def test_of_two_darks_that_disagree_the_darker_is_kept():
    """With two frames a leak only adds: the brighter is left out; one frame alone stays."""
    rng = np.random.default_rng(3)
    signal, _ = sensor(rng, (64, 400))
    frames = [take(rng, signal) - black_plane(signal.shape), take(rng, signal, level=80) - black_plane(signal.shape)]
    stack = np.stack(frames).astype(np.float32)
    assert list(darkset.left_out(darkset.frame_figures(stack), READ)) == [1]
    assert list(darkset.left_out(darkset.frame_figures(stack[::-1]), READ)) == [0]
    assert darkset.left_out(darkset.frame_figures(stack[:1]), READ) == {}


def test_coarse_level_and_excess_equal_their_slow_statements():
    """Block levels and same-colour excesses are what their docstrings say."""
    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, (70, 101)).astype(np.float32)
    coarse = coarse_level(values, 32)
    got = coarse.rows(np.arange(70), 101)
    for limit, below in ((2.0, True), (0.5, False), (9.0, True)):
        off = np.abs(values - got) if below else values - got
        np.testing.assert_array_equal(standing_out(values, coarse, limit, below), np.nonzero(off > limit))
    np.testing.assert_array_equal(standing_out(values, None, 2.0), np.nonzero(np.abs(values) > 2))
    for top in range(0, 70, 32):
        for left in range(0, 101, 32):
            for row, column in ((0, 0), (0, 1), (1, 0), (1, 1)):
                part = values[top + row : min(top + 32, 70) : 4, left + column : min(left + 32, 101) : 4].ravel()
                assert got[top + row, left + column] == np.sort(part)[part.size // 2]
    ring = values[10:19:2, 20:29:2].ravel()
    expected = values[14, 24] - np.median(np.delete(ring, 12))
    assert same_colour_excess(values, np.array([14]), np.array([24]))[0] == expected


def test_planted_hot_cold_and_saturated_pixels_are_found_and_no_other():
    """Hot and cold pixels of a noisy master are found, on glow too; ordinary pixels are not."""
    rng = np.random.default_rng(5)
    signal, _ = sensor(rng, (300, 400), hot=0)
    mean = (signal + rng.normal(0, READ / np.sqrt(20), signal.shape)).astype(np.float32)
    mean[50, 60], mean[290, 391], mean[100, 100] = 80, 95, -90
    mean[120:126, 200:206] = 15900  # a saturated spot
    flags = master_defects(mean, np.zeros(mean.shape, bool), READ, "RGGB", 6.0, 15871.0)
    assert flags[50, 60] == HOT
    assert flags[290, 391] == HOT
    assert flags[100, 100] == COLD
    assert (flags[120:126, 200:206] & HOT).all()
    assert np.count_nonzero(flags) == 3 + 36


@pytest.mark.parametrize("spread", [0.3, 1.0, 3.0])
@pytest.mark.parametrize("count", [4, 8, 32])
def test_few_darks_are_believed_as_far_as_they_tell(count, spread):
    """Normal pixels of known spread: the error is that of the best linear estimator (Wiener), ``1 / (1/s^2 + 1/t^2)``,
    to a hundredth of the mean's own, and land of 64 frames loses by it what it must."""
    rng, noise = np.random.default_rng(count), 10 / np.sqrt(count)
    truth = rng.normal(5, spread, (512, 640))
    mean = (truth + rng.normal(0, noise, truth.shape)).astype(np.float32)
    value, error = least_error(mean, np.full_like(mean, noise), "RGGB")
    best = 1 / (1 / noise**2 + 1 / spread**2)
    assert np.mean((value - truth) ** 2) - best < 0.01 * noise**2
    assert np.median(error) ** 2 == pytest.approx(best, rel=0.1, abs=0.02 * noise**2)
    land = rng.normal(0, 10 / 8, truth.shape)  # the mean of 64 frames, less its light
    least = np.sqrt(100 / 64 + best)
    assert np.std(land - (value - truth)) == pytest.approx(least, rel=0.05)
    assert np.std(in_blocks(land - (value - truth))) / 16 == pytest.approx(least, rel=0.1)


@pytest.mark.parametrize("cfa", ["GRBG", "MONO"])
def test_what_stands_out_of_few_darks_stays(cfa):
    """Hot pixels, an amplifier's glow whose pixels differ by 3 %, and offsets of rows and columns are kept."""
    rng, noise, shape = np.random.default_rng(3), 10 / np.sqrt(8), (800, 1000)
    rows, columns = np.indices(shape)
    glow = 120 * np.exp(-np.hypot(rows - shape[0], columns) / 100)
    lines = rng.normal(0, 2, shape[0])[:, None] + rng.normal(0, 2, shape[1])
    truth = rng.normal(0, 0.5, shape) + glow * (1 + rng.normal(0, 0.03, shape)) + lines
    hot = rng.random(shape) < 0.002
    truth[hot] += 60 + rng.exponential(300, hot.sum())
    plain = rng.normal(0, noise, shape)
    mean = (truth + plain).astype(np.float32)
    value, error = least_error(mean, np.full(shape, noise, np.float32), cfa)
    assert np.abs(value[hot] - mean[hot]).max() < 0.3 * noise
    assert np.median(error[hot]) == pytest.approx(noise, rel=0.01)
    lost = value - truth
    corner = (glow > 20) & ~hot
    assert np.std(lost[corner]) < 0.6 * noise
    assert np.abs(in_blocks(np.where(corner, lost, 0)) / 256).max() < 0.35 * noise  # of 120 ADU
    away = np.where(hot | (glow > 1), np.nan, lost)
    for axis in (0, 1):  # a line's own mean is as good as the plain mean's
        of_lines, of_plain = (
            np.nanstd(np.nanmean(np.where(np.isnan(away), np.nan, a), axis=axis)) for a in (lost, plain)
        )
        assert of_lines < 1.5 * of_plain + 0.05
    assert np.nanstd(away) < 0.35 * noise


@pytest.mark.parametrize(("spread", "most"), [(0.4, 1.02), (2.0, 1.05), (8.0, 1.43)])
def test_one_dark_brings_no_noise_but_what_stands_out_of_it(tmp_path, spread, most):
    """A light less one dark has sqrt(2) of its noise where that is taken as it stands; less what stands out of it, no
    more than what pixels have of their own; where that is as much as the noise, not more than before. Hot pixels
    and glow are taken off."""
    rng = np.random.default_rng(37)
    signal, hot = sensor(rng)
    signal += rng.normal(0, spread, signal.shape)
    write_set(tmp_path, [take(rng, signal)])
    assert run_master(tmp_path) == 0
    master = read_master(tmp_path / "master.fits")
    noise = np.sqrt(READ**2 + 1.5)
    off = (master.mean - signal)[~hot & (master.defects == 0)]
    assert np.hypot(clipped(off)[1], noise) / noise < most
    assert np.abs((master.mean - signal)[hot]).max() < 8 * np.sqrt(READ**2 + 0.5 * signal.max())
    corner = (master.mean - signal)[-24:, -24:]
    assert abs(np.median(corner - np.median(off))) < 0.3 * noise  # of 10 ADU
    # the error that it tells is that of what it takes off
    assert np.median(master.noise[hot]) > 0.9 * noise
    assert np.median(master.noise[~hot]) < 0.3 * noise


def test_a_line_that_stands_out_of_few_darks_keeps_its_level():
    """One row, one column and a third of a row that lie 3 ADU off among pixels of a noise of 3.5: each is wrong by no
    more than its own mean can be, the third by no more than it is at its ends."""
    rng, noise = np.random.default_rng(8), 10 / np.sqrt(8)
    off = np.zeros((640, 768))
    off[:, 333], off[78], off[401, :256] = 3.0, -3.0, 3.0
    truth = rng.normal(0, 1.0, off.shape) + off
    mean = (truth + rng.normal(0, noise, off.shape)).astype(np.float32)
    lost = least_error(mean, np.full(off.shape, noise, np.float32), "RGGB")[0] - truth
    assert abs(lost[:, 333].mean()) < 4 * noise / np.sqrt(640)
    assert abs(lost[78].mean()) < 4 * noise / np.sqrt(768)
    assert abs(lost[401, :256].mean()) < 1.0


# ---- the step -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 3, 10])
def test_master_of_few_and_many(tmp_path, count):
    """Mean, noise and hot pixels come back from 1, 2, 3 and 10 darks, hits and all; the header says what was used."""
    rng = np.random.default_rng(20 + count)
    signal, hot = sensor(rng)
    frames = [take(rng, signal, level=rng.normal(0, 2)) for _ in range(count)]
    hits = [tuple(rng.integers(4, 230, 2)) for _ in range(40)]
    for n, (y, x) in enumerate(hits):
        frames[n % count][y, x] += 3000
    write_set(tmp_path, frames)
    assert run_master(tmp_path) == 0
    master = read_master(tmp_path / "master.fits")
    assert (master.header["NFRAMES"], master.header["EXPTIME"], master.header["ISOSPEED"]) == (count, 30.0, 1600)
    assert master.header["CCD-TEMP"] == 10.0
    if count > 1:
        assert master.header["TNOISE"] == pytest.approx(np.sqrt(READ**2 + 1.5 + 1 / 12), rel=0.02)
        assert max(abs(master.mean[y, x] - signal[y, x]) for y, x in hits) < 8 * READ
    ordinary = ~hot
    for y, x in hits:
        ordinary[y, x] = False
    error = (master.mean - signal)[ordinary]
    error -= np.median(error)
    told = np.sqrt(np.mean(master.noise[ordinary] ** 2.0))
    # as means over blocks show it, which share what rows and surroundings tell; 330 blocks: good to 4 %
    sums, counts = (in_blocks(np.where(ordinary, a, 0)) for a in (master.mean - signal, 1))
    assert np.std(error) < told
    assert 0.5 < block_noise(sums, counts).noise / told < 1.7
    assert (master.defects[hot] > 0).mean() > 0.99
    assert np.count_nonzero(master.defects[ordinary]) <= (count == 1) * 40
    if count >= 4:
        assert master.header["NHITS"] >= 40


def test_unstable_pixels_are_found_and_hits_are_none(tmp_path):
    """Pixels that flicker in several of ten darks are unstable; a pixel hit once is not."""
    rng = np.random.default_rng(31)
    signal, _ = sensor(rng, hot=0)
    frames = [take(rng, signal) for _ in range(10)]
    for n in range(10):
        if n % 3 == 0:
            frames[n][20:40:4, 20:200:4] += 90
    frames[4][101, 57] += 4000
    write_set(tmp_path, frames)
    assert run_master(tmp_path) == 0
    flags = read_master(tmp_path / "master.fits").defects
    assert (flags[20:40:4, 20:200:4] & UNSTABLE).mean() == UNSTABLE
    assert flags[101, 57] == 0
    assert np.count_nonzero(flags) == 5 * 45


def test_left_out_frames_are_named_and_the_same_bytes_come_twice(tmp_path):
    """A leak, another ISO, another size and a missing mosaic are left out with a reason; a second run is identical."""
    rng = np.random.default_rng(32)
    signal, _ = sensor(rng)
    frames = [take(rng, signal) for _ in range(8)]
    frames[2] = (frames[2] + np.linspace(0, 60, signal.shape[1])).astype(np.uint16)
    frames[5] = frames[5][:100]
    ids = write_set(tmp_path, frames, headers={4: header("x", iso=800)})
    (tmp_path / "m" / f"{ids[7]}.fits").unlink()
    assert run_master(tmp_path) == 0
    first = (tmp_path / "master.fits").read_bytes()
    with fits.open(tmp_path / "master.fits") as hdus:
        why = dict(zip(hdus["FRAMES"].data["frame"], hdus["FRAMES"].data["why"], strict=True))
        history = " ".join(str(hdus[0].header["HISTORY"]).split())
        assert hdus[0].header["NFRAMES"] == 4
    assert "light has come in" in why[ids[2]]
    assert "another ISO" in why[ids[4]]
    assert "another size" in why[ids[5]]
    assert why[ids[7]] == "could not be decoded"
    assert why[ids[0]] == ""
    assert ids[2] in history
    assert run_master(tmp_path) == 0
    assert (tmp_path / "master.fits").read_bytes() == first


def test_darks_whose_shutter_was_timed_are_one_set(tmp_path):
    """Exposures noted to the millisecond, no two the same, leave no dark out."""
    rng = np.random.default_rng(35)
    signal, _ = sensor(rng)
    write_set(
        tmp_path,
        [take(rng, signal) for _ in range(5)],
        headers={n: header("x", exposure_s=30 + n / 700) for n in range(5)},
    )
    assert run_master(tmp_path) == 0
    assert read_master(tmp_path / "master.fits").header["NFRAMES"] == 5


def test_a_damaged_dark_is_left_out(tmp_path):
    """A dark that decode called damaged or could not read is not used, and the master says why."""
    rng = np.random.default_rng(34)
    signal, _ = sensor(rng)
    ids = write_set(tmp_path, [take(rng, signal) for _ in range(5)])
    (tmp_path / "m" / f"{ids[3]}.fits").unlink()
    rows = [{"frame": ids[2], "status": "damaged", "detail": "rows 100 to 239 are repeated"}]
    rows.append({"frame": ids[3], "status": "unreadable", "detail": "ends early"})
    columns = {"frame": (str, None), "status": (str, None), "detail": (str, None)}
    write_table(table_from_rows(rows, columns), tmp_path / "m" / "decoded.ecsv")
    assert run_master(tmp_path) == 0
    header = read_master(tmp_path / "master.fits").header
    assert (header["NFRAMES"], header["NLEFTOUT"]) == (3, 2)
    history = " ".join(str(header["HISTORY"]).split())
    assert "is damaged: rows 100 to 239 are repeated" in history
    assert "could not be decoded: ends early" in history


def test_a_set_without_mosaics_is_one_sentence(tmp_path, capsys):
    """No decodable frame, and a file that is no master, are said in one sentence each."""
    rng = np.random.default_rng(33)
    ids = write_set(tmp_path, [take(rng, sensor(rng)[0])])
    assert run_master(tmp_path, "--dark", str(tmp_path / "set.json")) == 1
    assert "not a master that 'dark master' wrote" in capsys.readouterr().err
    (tmp_path / "m" / f"{ids[0]}.fits").unlink()
    assert run_master(tmp_path) == 0
    words = "none of its 1 frames is usable; the first could not be decoded"
    assert words in capsys.readouterr().err
    assert read_usable_master(tmp_path / "master.fits") is None
    with pytest.raises(InputError, match=words):
        read_master(tmp_path / "master.fits")


def test_memory_does_not_grow_with_the_number_of_darks(tmp_path):
    """Blocks of rows keep the peak of 40 darks near that of 10."""
    rng = np.random.default_rng(34)
    signal, _ = sensor(rng, (600, 800))
    frames = [take(rng, signal) for _ in range(4)]
    peaks = []
    for count in (10, 40):
        folder = tmp_path / str(count)
        write_set(folder, [frames[n % 4] for n in range(count)])
        tracemalloc.start()
        assert run_master(folder) == 0
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # the sample of rows and one block of each thread grow, up to a bound; the frames themselves would add 29 MB
    assert darks.block_rows(400, 6000, 64) * 400 * 6000 * 2 <= 64e6
    assert peaks[1] < 4 * peaks[0]


def test_noise_after_subtraction_is_below_that_of_a_mean(tmp_path):
    """A dark less the mean of 10 has sqrt(1 + 1/10) of its noise (1.0488); less a master that believes single pixels as
    far as they differ (0.4 ADU here, where the mean is good to 2.6), 1.001."""
    rng = np.random.default_rng(35)
    signal, hot = sensor(rng)
    write_set(tmp_path, [take(rng, signal) for _ in range(10)])
    assert run_master(tmp_path) == 0
    master = read_master(tmp_path / "master.fits")
    other = take(rng, signal) - black_plane(signal.shape)
    ratio = clipped((other - master.mean)[~hot])[1] / clipped((other - signal)[~hot])[1]
    assert 0.998 < ratio < 1.008


def test_bias_makes_a_master_too(tmp_path):
    """A set of biases of differing exposure times is one set."""
    rng = np.random.default_rng(36)
    frames = [take(rng, np.zeros((64, 96))) for _ in range(5)]
    write_set(tmp_path, frames, "bias", {n: header("x", exposure_s=1 / (1000 + n)) for n in range(5)})
    assert run_master(tmp_path) == 0
    master = read_master(tmp_path / "master.fits")
    assert master.header["IMAGETYP"] == "master bias"
    assert master.header["NFRAMES"] == 5
    assert abs(np.median(master.mean)) < 1


def test_the_standard_error_equals_its_statement():
    """Temporal variance moderated by the model's, over the number of values."""
    rng = np.random.default_rng(9)
    mean, variance = (rng.uniform(0, 50, (5, 30)).astype(np.float32) for _ in range(2))
    used = rng.integers(1, 12, mean.shape).astype(np.uint16)
    model = darks.NoiseModel(9.0, 0.3, 0.01, 12.0)
    weight, freedom = darks.MODEL_WEIGHT, used.astype(float) - 1
    expected = np.sqrt((weight * model.variance(mean) + freedom * variance) / (weight + freedom) / used)
    np.testing.assert_allclose(darks.standard_error(mean, variance, used, model), expected, rtol=1e-6)
