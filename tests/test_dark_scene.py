"""A scene's dark factors, offsets and defects: planted sensors under planted skies, and real frames."""

from dataclasses import asdict
from pathlib import Path

import numpy as np
import pytest
import rawpy
from astropy.io import fits
from scipy import ndimage
from scipy.special import erf

from pipeline.dark import main
from pipeline.files import write_json
from pipeline.plan import DarkSet, PlannedFrame, ScenePlan
from pipeline.scene.signal import Signal
from pipeline.scene.watched import Watched
from pipeline.sensor import defects, persistence
from pipeline.sensor.banding import Banding
from pipeline.sensor.calibrate import calibrate, dark_signal
from pipeline.sensor.clipped import clipped
from pipeline.sensor.defects import COLD, HOT
from pipeline.sensor.doubling import expected_share
from pipeline.sensor.master import empty_master, read_master, read_usable_master
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader, colour_planes, write_mosaic
from pipeline.sensor.patternfile import read_dark_glow
from pipeline.sensor.warm import WarmPixels, dark_factor
from pipeline.tables import read_table, table_from_rows, write_table

SHAPE = (320, 480)
BLACK = 512.0
READ = 8.0
SKY = 400.0
GAIN = 0.5  # ADU^2 of variance per ADU
REAL = Path(__file__).parents[2] / "shared" / "real-sky"
COLOUR = {"R": 0.55, "G": 1.0, "B": 0.7}


def responses(cfa, shape=SHAPE):
    """How much of white light each pixel takes."""
    plane = np.ones(shape)
    if cfa != "MONO":
        for colour, places in colour_planes(cfa).items():
            for row, column in places:
                plane[row::2, column::2] = COLOUR[colour]
    return plane


def stars(shape, xs, ys, fluxes, fwhm):
    """Gaussian stars integrated over pixels, of unit response."""
    plane = np.zeros(shape)
    sigma = fwhm / 2.3548
    for x0, y0, flux in zip(xs, ys, fluxes, strict=True):
        x, y = round(x0), round(y0)
        columns = np.arange(max(0, x - 8), min(shape[1], x + 9))
        rows = np.arange(max(0, y - 8), min(shape[0], y + 9))
        if columns.size == 0 or rows.size == 0:
            continue
        across = np.diff(0.5 * erf((np.append(columns, columns[-1] + 1) - 0.5 - x0) / sigma / np.sqrt(2)))
        down = np.diff(0.5 * erf((np.append(rows, rows[-1] + 1) - 0.5 - y0) / sigma / np.sqrt(2)))
        plane[np.ix_(rows, columns)] += flux * np.outer(down, across)
    return plane


class Sensor:
    """A sensor with dark signal and hot pixels that takes darks and lights."""

    def __init__(self, seed, cfa="RGGB", hot=0.003, shape=SHAPE):
        self.rng = np.random.default_rng(seed)
        self.cfa, self.shape = cfa, shape
        self.signal = 3 + self.rng.normal(0, 0.3, shape)
        rows, columns = np.indices(shape)
        self.signal += 40 * np.exp(-np.hypot(rows - shape[0], columns - shape[1]) / 50)  # an amplifier's glow
        self.hot = self.rng.random(shape) < hot
        self.signal[self.hot] += 60 + self.rng.exponential(250, self.hot.sum())
        self.response = responses(cfa, shape)
        n = 160
        self.xs, self.ys = self.rng.uniform(0, shape[1], n), self.rng.uniform(0, shape[0], n)
        self.fluxes = 10 ** self.rng.uniform(2.3, 4.8, n)

    def expose(self, light, scale):
        mean = light * self.response + scale * self.signal
        noise = np.sqrt(READ**2 + GAIN * mean)
        return np.clip(np.round(BLACK + mean + self.rng.normal(0, noise)), 0, 16383).astype(np.uint16)

    def dark(self):
        return self.expose(0.0, 1.0)

    def sky(self, shift=(0.0, 0.0), fwhm=2.2):
        columns = np.linspace(-1, 1, self.shape[1])
        return SKY * (1 + 0.1 * columns) + stars(self.shape, self.xs + shift[0], self.ys + shift[1], self.fluxes, fwhm)

    def star_mask(self, reach=3):
        """Pixels within reach of the middle of a star that stands out at rest."""
        mask = np.zeros(self.shape, bool)
        for x, y, flux in zip(self.xs, self.ys, self.fluxes, strict=True):
            if flux > 100:
                mask[
                    max(0, round(y) - reach) : round(y) + reach + 1, max(0, round(x) - reach) : round(x) + reach + 1
                ] = 1
        return mask


def write(folder, sensor, lights, darks=(), masked=None, subtracted=(), stated=True, celsius=None):
    """Write the mosaics and plan files of a scene and its darks."""

    def header(name, level=None):
        black = (BLACK if stated else 0.0,) * 4
        return MosaicHeader(
            name, sensor.cfa, black, 16383.0, exposure_s=30.0, iso=1600, masked_level=level, black_stated=stated,
            temperature_c=celsius,
        )  # fmt: skip

    planned = {"light": [], "dark": []}
    for kind, frames in (("light", lights), ("dark", darks)):
        for n, pixels in enumerate(frames):
            name = f"{kind}{n:03d}"
            level = None if masked is None else masked[kind][n]
            write_mosaic(folder / "m" / f"{name}.fits", pixels, header(name, level))
            planned[kind].append(PlannedFrame(name, name, name, kind, camera_subtracted=n in subtracted))
    write_json(folder / "set.json", asdict(DarkSet("set", "dark", ("m",), tuple(planned["dark"]))))
    write_json(folder / "scene.json", asdict(ScenePlan("scene", ("m",), tuple(planned["light"]), dark_set="set")))
    rows = [{"frame": f.id, "verdict": "kept"} for f in planned["light"]]
    write_table(table_from_rows(rows, {"frame": (str, None), "verdict": (str, None)}), folder / "verdicts.ecsv")


def run_scene(folder, *, darks=True, colder=None, master=None):
    """Make the master (where there are darks) and the scene; its table and defect map. `colder`, `master`: paths of
    masters that are there."""
    common = ["--mosaics", str(folder / "m")]
    more = [] if master is None else ["--master", str(master)]
    if darks:
        assert main(["master", "--set", str(folder / "set.json"), *common, "--out", str(folder / "master.fits")]) == 0
        more = ["--master", str(folder / "master.fits")]
    if colder is not None:
        more += ["--bias", str(colder)]
    status = main(
        ["scene", "--scene", str(folder / "scene.json"), "--verdicts", str(folder / "verdicts.ecsv"), *common, *more,
         "--out", str(folder / "calibration.ecsv"), "--defects", str(folder / "defects.fits")]
    )  # fmt: skip
    assert status == 0
    return read_table(folder / "calibration.ecsv"), fits.getdata(folder / "defects.fits")


# ---- arrays ---------------------------------------------------------------------------------------------------------


def test_factor_from_planted_excesses():
    """The factor comes back without the bias that a noisy master gives, with an honest error, outliers or not."""
    rng = np.random.default_rng(1)
    ratios, errors = [], []
    for _ in range(30):
        n = 400
        truth = 40 + rng.exponential(80, n)
        values = np.full((5, 5 * n), 500.0)
        values += rng.normal(0, 20, values.shape)
        xs, ys = 5 * np.arange(n) + 2, np.full(n, 2)
        values[ys, xs] += 1.3 * truth
        values[2, 5 * np.arange(0, n, 15) + 2] += 900  # stars on warm pixels
        noisy = (truth + rng.normal(0, 10, n)).astype(np.float32)
        warm = WarmPixels(ys, xs, noisy, np.full(n, 10, np.float32))
        found = dark_factor(values.astype(np.float32), warm, 20.0, 1e9)
        ratios.append(found.factor / 1.3)
        errors.append(found.error / 1.3)
    assert np.mean(ratios) == pytest.approx(1, abs=0.006)
    assert np.std(ratios) == pytest.approx(np.mean(errors), rel=0.4)


def test_share_of_the_warmer_darks_from_planted_excesses():
    """Noise of the colder darks, which stands in light and master alike, does not draw the share; nor do stars."""
    rng = np.random.default_rng(3)
    n, shares = 1600, []
    xs, ys = 5 * np.arange(n) + 2, np.full(n, 2)
    for _ in range(30):
        below = rng.exponential(30, n) + 20
        above = 2.5 * below
        values = 500 + rng.normal(0, 20, (5, 5 * n))
        values[ys, xs] += below + 0.2 * (above - below)
        cold = below + rng.normal(0, 8, n)
        warm = above + rng.normal(0, 8, n)
        errors = (np.full(n, e, np.float32) for e in (np.sqrt(128), 8))
        excess, error, base, base_error = (warm - cold).astype(np.float32), next(errors), cold, next(errors)
        pixels = WarmPixels(ys, xs, excess, error, base.astype(np.float32), base_error)
        shares.append(dark_factor(values.astype(np.float32), pixels, 20.0, 1e9).factor)
    assert np.mean(shares) == pytest.approx(0.2, abs=0.004)


def test_share_that_temperatures_let_expect():
    """Dark signal doubles in 6 degrees (check-values.md, 5): of 1 and 4 at 13 and 25 degrees, 2 at 19 is a third."""
    assert [expected_share(c, 13, 25) for c in (13, 19, 25, 31)] == pytest.approx([0, 1 / 3, 1, 7 / 3])


def test_persistence_equals_its_slow_statement():
    """The compiled sum is that of the docstring, edges included."""
    rng = np.random.default_rng(2)
    values = rng.normal(0, 10, (21, 34)).astype(np.float32)
    values[10, 10] = 5000
    total = np.zeros_like(values)
    persistence.add_persistence(total, values, 10.0)
    wide = np.pad(values, 2, mode="reflect")
    # beyond an edge the pixel on the other side, two away, stands in
    wide[:2, 2:-2], wide[-2:, 2:-2] = values[2:4], values[-4:-2]
    wide[2:-2, :2], wide[2:-2, -2:] = values[:, 2:4], values[:, -4:-2]
    mean = (wide[:-4, 2:-2] + wide[4:, 2:-2] + wide[2:-2, :-4] + wide[2:-2, 4:]) / 4
    np.testing.assert_allclose(total, np.clip((values - mean) / np.sqrt(1.25) / 10, -4, 4), atol=1e-4)


def naive_hot(values, sigma):
    """The rule of check-values.md, 5: exceeds all eight same-colour neighbours by 5 sigma."""
    wide = np.pad(values, 2, mode="reflect")
    height, width = values.shape
    around = [wide[2 + dy : 2 + dy + height, 2 + dx : 2 + dx + width]
              for dy in (-2, 0, 2) for dx in (-2, 0, 2) if dy or dx]  # fmt: skip
    return values > np.max(around, axis=0) + 5 * sigma


@pytest.mark.parametrize("cfa", ["RGGB", "GBRG", "MONO"])
@pytest.mark.parametrize("fwhm", [1.8, 2.0, 2.5, 3.0])
def test_stars_of_one_frame_are_spared_where_the_naive_rule_hits_them(fwhm, cfa):
    """The naive rule marks most bright stars (98.8 % at FWHM 2.0, check-values.md); ours none, and finds hot pixels."""
    rng = np.random.default_rng(int(10 * fwhm))
    rows, columns = np.mgrid[12:388:16, 12:588:16]
    ys, xs = (a.ravel() + rng.uniform(-1, 1, a.size) for a in (rows, columns))
    shape = (400, 600)
    flux = 10 ** rng.uniform(3.2, 5.0, ys.size)
    hot_ys, hot_xs = (a.ravel() for a in np.mgrid[4:388:16, 4:588:16])
    light = (100 + stars(shape, xs, ys, flux, fwhm)) * responses(cfa, shape)
    noise = np.sqrt(READ**2 + GAIN * light)
    light[hot_ys, hot_xs] += 10 ** rng.uniform(2.3, 4.0, hot_ys.size)
    values = (light + rng.normal(0, 1, shape) * noise).astype(np.float32)
    sigma = defects.cross_residual_sigma(values)
    marked = naive_hot(values, sigma)
    hit = [marked[round(y) - 1 : round(y) + 2, round(x) - 1 : round(x) + 2].any() for x, y in zip(xs, ys, strict=True)]
    if fwhm <= 2.0 and cfa != "MONO":
        assert np.mean(hit) > 0.95
    every_y, every_x = (a.ravel() for a in np.indices(shape))
    patches = defects.gather_patches(values, every_y, every_x)
    hot, cold = (f.reshape(shape) for f in defects.looks_like_defect(patches, every_y, every_x, cfa, sigma, 6.0))
    near = np.zeros(shape, bool)
    for x, y in zip(xs, ys, strict=True):
        near[round(y) - 4 : round(y) + 5, round(x) - 4 : round(x) + 5] = True
    near[hot_ys, hot_xs] = False
    assert np.count_nonzero((hot | cold) & near) == 0
    assert hot[hot_ys, hot_xs].mean() > 0.95


@pytest.mark.parametrize("with_dark", [False, True])
def test_lights_add_up_in_bands_as_whole_frames_do(tmp_path, with_dark):
    """Whatever the bands: every bit is that of the sum of frames calibrated as a whole."""
    rng = np.random.default_rng(12)
    shape, black = (38, 57), (510.0, 512.0, 511.0, 513.0)
    dark = rng.normal(20, 9, shape).astype(np.float32) if with_dark else None
    banding = Banding(rng.normal(0, 2, (38, 2)).astype(np.float32), rng.normal(0, 2, (2, 57)).astype(np.float32))
    lights, total = [], np.zeros(shape, np.float32)
    for n in range(3):
        pixels = rng.poisson(900, shape).astype(np.uint16)
        write_mosaic(tmp_path / f"{n}.fits", pixels, MosaicHeader(str(n), "RGGB", black, 60000.0))
        own = banding if n == 1 else None
        light = Watched(MosaicFile(tmp_path / f"{n}.fits"), Signal(dark), 0.7, 1.5, own)
        values = calibrate(pixels, black, *dark_signal(dark, None, 0.7, banding=own), 1.5)
        np.testing.assert_array_equal(light.values(), values)
        rows = np.array([0, 5, 6, 37])
        np.testing.assert_array_equal(light[rows], values[rows])
        sky = [[np.median(values[row::2, column::2]) for column in (0, 1)] for row in (0, 1)]
        np.testing.assert_array_equal(light.sky, np.array(sky, np.float32) + 1.5)
        persistence.add_persistence(total, values, light.sigma)
        lights.append(light)
    for rows in (2, 6, 38):
        got = np.zeros(shape, np.float32)
        for top in range(0, 38, rows):
            for light in lights:
                light.add_to(got[top : top + rows], top)
        np.testing.assert_array_equal(got, total)


def shown_by(frames, rows=False):
    """What frames of noise 20 show of a line."""

    def shown(ys, xs):
        at = (xs, ys) if rows else (ys, xs)
        return persistence.line_level([defects.gather_patches(f, *at) for f in frames], [20.0] * len(frames), rows)

    return shown


def test_rocks_that_stand_still_are_no_bad_columns():
    """Rock and snow over the lowest quarter in 12 frames of a tripod, cracks down and across among them; a column of
    the sensor that is 1 sigma off is told all the same, where there is sky."""
    rng = np.random.default_rng(6)
    land = np.zeros((1024, 500), np.float32)
    for down, across in ((30, 1.2), (1.2, 30), (6, 6)):
        land[768:] += (
            ndimage.gaussian_filter(rng.standard_t(3, (256, 500)), (down, across)) * np.sqrt(down * across) * 40
        )
    total, frames = np.zeros(land.shape, np.float32), []
    for _ in range(12):
        frame = (land + rng.normal(0, 20, land.shape)).astype(np.float32)
        frame[:, 333] += 20
        persistence.add_persistence(total, frame, 20.0)
        frames.append(frame)
    bad = persistence.bad_columns(total, 12, shown_by(frames))
    assert bad[:700, 333].all()
    assert np.count_nonzero(np.delete(bad, 333, axis=1)) < 100


def test_bad_columns_whole_and_in_part():
    """A column that is bad from one row on is marked there and nowhere else; stars and noise give none."""
    rng = np.random.default_rng(4)
    total, frames = np.zeros((640, 400), np.float32), []
    for _ in range(12):
        values = rng.normal(0, 20, total.shape).astype(np.float32)
        values += stars(total.shape, [200.3], [300.2], [4e5], 6.0).astype(np.float32)
        values[256:, 90] += 20
        values[:, 150] -= 14
        persistence.add_persistence(total, values, 20.0)
        frames.append(values)
    bad = persistence.bad_columns(total, 12, shown_by(frames))
    assert bad[256:, 90].all()
    assert not bad[:224, 90].any()
    assert bad[:, 150].all()
    bad[:, [90, 150]] = False
    assert not bad.any()


@pytest.mark.parametrize("fwhm", [1.8, 2.5, 3.5])
def test_stars_that_run_along_a_line_make_no_bad_line(fwhm):
    """Before a tripod that looks south stars move along the rows, five px from frame to frame: no line is bad.

    Nor is the dark one between two stars that run four rows apart.
    """
    rng = np.random.default_rng(9)
    total, frames = np.zeros((320, 480), np.float32), []
    xs, ys, flux = rng.uniform(0, 480, 60), rng.uniform(0, 320, 60), 10 ** rng.uniform(3, 5, 60)
    xs, ys, flux = np.append(xs, xs), np.append(ys, ys + 4), np.append(flux, flux)
    for n in range(12):
        values = rng.normal(0, 20, total.shape) + stars(total.shape, xs + 5.2 * n, ys, flux, fwhm)
        frames.append(values.astype(np.float32))
        persistence.add_persistence(total, frames[-1], 20.0)
    assert not persistence.bad_columns(np.ascontiguousarray(total.T), 12, shown_by(frames, rows=True)).any()
    assert not persistence.bad_columns(total, 12, shown_by(frames)).any()


# ---- the step -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mount", ["tripod", "tracker"])
def test_factor_residuals_and_stars(tmp_path, mount):
    """Scale within 2 %, at most 1 residual hot pixel a megapixel, glow gone, no star changed, drifting or tracked."""
    sensor = Sensor(5)
    scales = [0.6, 0.8, 1.0, 1.0, 1.3, 1.6]
    shifts = [(7.3 * n, 2.1 * n) if mount == "tripod" else (0.1 * n, 0.0) for n in range(len(scales))]
    lights = [sensor.expose(sensor.sky(shift), k) for shift, k in zip(shifts, scales, strict=True)]
    # pixels that have turned hot or died since the darks were taken
    new_ys, new_xs = np.arange(20, 300, 40), np.arange(25, 460, 60)
    keep_off = sensor.star_mask(6)
    fresh = [(y, x) for y in new_ys for x in new_xs if not keep_off[y, x]]
    for n, pixels in enumerate(lights):
        for y, x in fresh[::2]:
            pixels[y, x] += 300
        for y, x in fresh[1::2]:
            pixels[y, x] = BLACK + sensor.rng.normal(0, READ)
        lights[n] = pixels
    write(tmp_path, sensor, lights, [sensor.dark() for _ in range(16)])
    table, flags = run_scene(tmp_path)
    np.testing.assert_allclose(table["dark_scale"], scales, rtol=0.02)
    assert (np.abs(table["dark_scale"] - scales) < 4 * table["dark_scale_error"]).all()
    assert all(flags[y, x] & HOT for y, x in fresh[::2])
    assert all(flags[y, x] & COLD for y, x in fresh[1::2])
    # what the lights added, apart from those, lies on no star
    master = read_master(tmp_path / "master.fits")
    added = (flags > 0) & (master.defects == 0) & ~sensor.hot
    for y, x in fresh:
        added[y, x] = False
    assert np.count_nonzero(added & sensor.star_mask()) == 0
    assert np.count_nonzero(added) <= 3
    residuals = []
    for n, pixels in enumerate(lights):
        values = calibrate(pixels, (BLACK,) * 4, master.mean, float(table["dark_scale"][n]), 0.0, flags, "RGGB")
        truth = sensor.sky(shifts[n]) * sensor.response
        noise = np.sqrt(READ**2 + GAIN * (truth + scales[n] * sensor.signal))
        residual = values - truth
        sound = ~sensor.star_mask() if mount == "tracker" else stars(SHAPE, sensor.xs + shifts[n][0],
            sensor.ys + shifts[n][1], sensor.fluxes, 2.2) < 1  # fmt: skip
        residuals.append(np.where(sound, residual / noise, 0))
        corner, middle = residual[-30:, -30:], residual[100:200, 200:300]
        assert abs(clipped(corner)[0] - clipped(middle)[0]) < 0.2 * np.sqrt(READ**2 + GAIN * SKY)
        # no star is changed: pixels that are no defect are the light less the scaled dark, to rounding
        plain = pixels - BLACK - float(table["dark_scale"][n]) * master.mean.astype(float)
        np.testing.assert_allclose(values[flags == 0], plain[flags == 0], atol=2e-3)
    frames = np.array(residuals)
    assert np.count_nonzero(frames.mean(axis=0) * np.sqrt(len(frames)) > 5.5) <= 1
    assert np.count_nonzero(frames > 5.5) / frames.size * 1e6 <= 1


def test_without_darks_hot_pixels_come_from_the_lights(tmp_path):
    """A drifting sky gives the hot pixels away without a dark; factor and offset are masked and the note says so."""
    sensor = Sensor(6)
    lights = [sensor.expose(sensor.sky((5.2 * n, 1.3 * n)), 1.0) for n in range(8)]
    write(tmp_path, sensor, lights)
    table, flags = run_scene(tmp_path, darks=False)
    assert table["dark_scale"].mask.all()
    assert table["dark_offset"].mask.all()
    assert "defects are found from the lights" in table["note"][0]
    strong = sensor.hot & (sensor.signal > 150)
    assert (flags[strong] > 0).mean() > 0.93
    assert np.count_nonzero((flags > 0) & ~sensor.hot) <= 4


@pytest.mark.parametrize("drift", [0.0, 5.2])
def test_hot_pixels_that_touch_are_told_without_darks(tmp_path, drift):
    """Of pairs, beside or diagonal, both are found and no star, whether the sky moves or stays; full ones too."""
    sensor = Sensor(22, hot=0.0)
    rng = np.random.default_rng(7)
    ys, xs = (a.ravel() for a in np.mgrid[8:312:9, 8:312:9])
    free = ~sensor.star_mask(6)[ys, xs]
    ys, xs = ys[free], xs[free]
    steps = np.array([(0, 1), (1, 0), (1, 1), (-1, 1), (1, -1)])[np.arange(len(ys)) % 5]
    strong = 10 ** rng.uniform(3.2, 4.0, len(ys))
    strong[:10], weak = 1e6, strong * rng.uniform(0.1, 0.7, len(ys))
    sensor.signal[ys, xs] += strong
    sensor.signal[ys + steps[:, 0], xs + steps[:, 1]] += weak
    lights = [sensor.expose(sensor.sky((drift * n, 1.3 / 5.2 * drift * n)), 1.0) for n in range(8)]
    write(tmp_path, sensor, lights)
    flags = run_scene(tmp_path, darks=False)[1]
    assert (flags[ys, xs] > 0).mean() > 0.98
    assert (flags[ys, xs][:10] > 0).all()
    assert (flags[ys + steps[:, 0], xs + steps[:, 1]] > 0).mean() > 0.97
    flags[ys, xs] = flags[ys + steps[:, 0], xs + steps[:, 1]] = 0
    assert np.count_nonzero(flags[sensor.star_mask(3)]) <= 1
    assert np.count_nonzero(flags) <= 5


def test_of_three_lights_what_flickers_is_repaired_and_no_star(tmp_path):
    """Pixels that are hot in one or two of three frames are told in those frames; stars as sharp as lenses draw not."""
    sensor = Sensor(21, hot=0.0)
    places = np.random.default_rng(5).integers(8, 312, (60, 2))
    away = sensor.star_mask(4)
    places = places[~away[places[:, 0], places[:, 1]]]
    lights = []
    for n in range(3):
        pixels = sensor.expose(sensor.sky(fwhm=2.0), 0.0)
        some = places[np.arange(len(places)) % 3 <= n]
        pixels[some[:, 0], some[:, 1]] += 600
        lights.append(pixels)
    write(tmp_path, sensor, lights)
    _, flags = run_scene(tmp_path, darks=False)[:2]
    assert (flags[places[:, 0], places[:, 1]] > 0).mean() > 0.95
    flags[places[:, 0], places[:, 1]] = 0
    assert np.count_nonzero(flags[sensor.star_mask(3)]) <= 1
    assert np.count_nonzero(flags) <= 5


def test_one_light(tmp_path):
    """A lone light gets its factor and the single-frame rule: hot pixels that came since, no star."""
    sensor = Sensor(7)
    pixels = sensor.expose(sensor.sky(), 1.2)
    keep_off = sensor.star_mask(5)
    fresh = [(y, x) for y in range(30, 300, 50) for x in range(31, 450, 50) if not keep_off[y, x]]
    for y, x in fresh:
        pixels[y, x] += 500
    write(tmp_path, sensor, [pixels], [sensor.dark() for _ in range(5)])
    table, flags = run_scene(tmp_path)
    assert table["dark_scale"][0] == pytest.approx(1.2, rel=0.02)
    assert np.mean([flags[y, x] > 0 for y, x in fresh]) > 0.9
    known = read_master(tmp_path / "master.fits").defects > 0
    assert np.count_nonzero((flags > 0) & ~known & ~sensor.hot & sensor.star_mask()) == 0


def test_offsets_from_masked_columns_and_camera_subtracted_frames(tmp_path):
    """A black level that drifts is read from the masked columns; a frame whose camera took a dark away gets none."""
    sensor = Sensor(8)
    lights = [sensor.expose(sensor.sky(), 1.0) + np.uint16(n) for n in (0, 6)] + [sensor.expose(sensor.sky(), 0.0)]
    darks = [sensor.dark() for _ in range(4)]
    masked = {"light": [512.5, 518.5, 512.0], "dark": [512.5] * 4}
    write(tmp_path, sensor, lights, darks, masked, subtracted=(2,))
    table, _ = run_scene(tmp_path)
    np.testing.assert_allclose(table["dark_offset"], [0, 6, 0], atol=1e-6)
    assert table["dark_scale"][2] == 0
    assert "the camera has subtracted a dark" in table["note"][2]


def test_darks_of_two_temperatures_serve_lights_between_and_about_them(tmp_path):
    """Sets at 24 and 13 degrees, lights from 26 to 11, a pattern of the black level, and glow that does not go with
    temperature: dark signal comes back to 2 %, glow to 0.2 sigma and no hot pixel above 5 sigma is left, though pixels
    double in 5.5 to 7 degrees (0.73 to 0.93 eV; common practice: 0.7 to 0.9)."""
    sensor = Sensor(12)
    rng = np.random.default_rng(12)
    doubling = rng.uniform(5.5, 7.0, SHAPE)
    pattern = np.round(rng.normal(0, 5, (1, SHAPE[1]))).astype(np.int64)
    warm, glow = sensor.signal, 30 * np.exp(-np.hypot(*np.indices(SHAPE)) / 60)

    def expose(light, celsius):
        sensor.signal = warm * 2 ** ((celsius - 24) / doubling) + glow
        return (sensor.expose(light, 1.0) + pattern).astype(np.uint16)

    celsius = [26.0, 21.0, 16.0, 11.0]
    lights = [expose(sensor.sky((7.3 * n, 2.1 * n)), at) for n, at in enumerate(celsius)]
    write(tmp_path / "cold", sensor, lights[:1], [expose(0.0, 13.0) for _ in range(10)], celsius=13.0)
    run_scene(tmp_path / "cold")
    write(tmp_path, sensor, lights, [expose(0.0, 24.0) for _ in range(10)], celsius=24.0)
    table, flags = run_scene(tmp_path, colder=tmp_path / "cold" / "master.fits")
    colder, warmer = read_master(tmp_path / "cold" / "master.fits"), read_master(tmp_path / "master.fits")
    left = 0
    for at, share in zip(celsius, table["dark_scale"], strict=True):
        own = warm * 2 ** ((at - 24) / doubling)
        off = colder.mean + share * (warmer.mean - colder.mean) - pattern - own - glow
        assert np.median((off / own)[sensor.hot]) == pytest.approx(0, abs=0.02)
        noise = np.sqrt(READ**2 + GAIN * (SKY * sensor.response + own + glow))
        blocks = off.reshape(10, 32, 15, 32).transpose(0, 2, 1, 3).reshape(150, -1)
        assert np.abs(np.median(blocks, axis=1)).max() < 0.2 * np.median(noise)
        left += np.count_nonzero((np.abs(off) > 5 * noise) & (flags == 0))
    assert left == 0
    # the warmer darks all damaged: the colder ones are a master like any other
    empty_master(fits.Header({"NFRAMES": 0}), "none", fits.BinTableHDU()).writeto(tmp_path / "none.fits")
    alone = Signal.of(read_usable_master(tmp_path / "none.fits"), colder, 16383.0)
    assert alone.bias is None
    np.testing.assert_array_equal(alone.dark, colder.mean)


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("cfa", ["RGGB", "MONO"])
def test_glow_of_warmer_lights_is_told_apart_from_pixels(tmp_path, cfa, power):
    """Darks and biases of 16 degrees, lights of 27 to 22: pixels double in 6 degrees, glow in 6 / power (common
    practice: an amplifier's light goes with time, hardly with temperature). Both factors come back to 2 %, what is left
    of the glow is 0.2 sigma of a frame beside that; without colours it cannot be told, and no more than the exposure
    makes is taken off."""
    sensor = Sensor(13, cfa)
    rows, columns = np.indices(SHAPE)
    glow = 350 * np.exp(-np.hypot(rows - SHAPE[0], columns - SHAPE[1]) / 100)
    warm = sensor.signal.copy()
    # what Sensor calls its glow is of the same place, and belongs to it
    warm -= 40 * np.exp(-np.hypot(rows - SHAPE[0], columns - SHAPE[1]) / 50)

    def expose(light, celsius):
        scale = 2 ** ((celsius - 16) / 6)
        sensor.signal = warm * scale + glow * scale**power
        return sensor.expose(light, 1.0)

    celsius = np.linspace(27, 22, 6)
    lights = [expose(sensor.sky((7.3 * n, 2.1 * n)), at) for n, at in enumerate(celsius)]
    biases = [sensor.expose(0.0, 0.0) for _ in range(10)]
    write(tmp_path / "bias", sensor, lights[:1], biases)
    run_scene(tmp_path / "bias")
    bias = tmp_path / "bias" / "master.fits"
    with fits.open(bias, mode="update") as hdus:
        hdus[0].header["IMAGETYP"] = "master bias"
    write(tmp_path, sensor, lights, [expose(0.0, 16.0) for _ in range(10)])
    table, _ = run_scene(tmp_path, colder=bias)
    pixels = 2 ** ((celsius - 16) / 6)
    np.testing.assert_allclose(table["dark_scale"], pixels, rtol=0.02)
    if cfa == "MONO":
        np.testing.assert_allclose(table["glow_scale"], 1.0, rtol=1e-6)
        assert not table.meta["dark_glow_told"]
        return
    if power < 1:
        np.testing.assert_allclose(table["glow_scale"], pixels**power, rtol=0.02)
    assert table.meta["dark_glow_told"]
    # what is taken off the first light, as the next steps take it
    found = read_dark_glow(tmp_path / "defects.fits", SHAPE)
    signal = Signal.of(read_master(tmp_path / "master.fits"), read_master(bias), 16383.0)
    taken, factor = dark_signal(
        signal.dark, signal.bias, table["dark_scale"][0], glow=found[0], glow_scale=table["glow_scale"][0]
    )
    off = factor * taken - warm * pixels[0] - glow * pixels[0] ** power
    truth = glow * pixels[0] ** power
    blocks, glows = (np.median(a.reshape(20, 16, 30, 16), axis=(1, 3)) for a in (off, truth))
    # a level is not told from the sky's
    noise = np.sqrt(READ**2 + GAIN * (SKY + glows))
    assert (np.abs(blocks - np.median(blocks)) < 0.2 * noise + 0.02 * glows).all()


@pytest.mark.parametrize("power", [0.0, 0.5, 1.0])
def test_glow_between_darks_of_two_temperatures_has_a_share_of_its_own(tmp_path, power):
    """Darks at 24 and at 8 degrees, lights from 25 to 7: pixels double in 6 degrees, glow of 20 times a frame's noise
    in 6 / power. The darks tell the power to 0.02, what is left of the glow is 0.2 sigma of a frame at most (the
    pixels' share leaves more where the power is 0.5), and the step alone takes off the same."""
    sensor = Sensor(14)
    rows, columns = np.indices(SHAPE)
    glow = 350 * np.exp(-np.hypot(rows - SHAPE[0], columns - SHAPE[1]) / 100)
    # what Sensor calls its glow is of the same place, and belongs to it
    warm = sensor.signal - 40 * np.exp(-np.hypot(rows - SHAPE[0], columns - SHAPE[1]) / 50)

    def expose(light, celsius):
        scale = 2 ** ((celsius - 24) / 6)
        sensor.signal = warm * scale + glow * scale**power
        return sensor.expose(light, 1.0)

    celsius = [25.0, 20.0, 16.0, 12.0, 7.0]
    lights = [expose(sensor.sky((7.3 * n, 2.1 * n)), at) for n, at in enumerate(celsius)]
    write(tmp_path / "cold", sensor, lights[:1], [expose(0.0, 8.0) for _ in range(10)], celsius=8.0)
    run_scene(tmp_path / "cold")
    cold = tmp_path / "cold" / "master.fits"
    write(tmp_path, sensor, lights, [expose(0.0, 24.0) for _ in range(10)], celsius=24.0)
    table, _ = run_scene(tmp_path, colder=cold)
    signal = Signal.of(read_master(tmp_path / "master.fits"), read_master(cold), 16383.0)
    found = read_dark_glow(tmp_path / "defects.fits", SHAPE)
    assert (found is not None) == (power == 0.5)  # of 0 it has not risen, of 1 it has as the pixels
    if found is not None:
        assert found[1].power == pytest.approx(power, abs=0.02)
        assert found[1].rise == pytest.approx(2 ** (16 / 6), rel=0.02)
    for at, share, glows in zip(celsius, table["dark_scale"], table["glow_scale"], strict=True):
        own = None if found is None else float(glows)
        plane = None if found is None else found[0]
        taken, factor = dark_signal(signal.dark, signal.bias, float(share), glow=plane, glow_scale=own)
        truth = glow * 2 ** (power * (at - 24) / 6)
        alike = signal.bias + share * signal.dark
        offs = [a - warm * 2 ** ((at - 24) / 6) - truth for a in (factor * taken, alike)]
        blocks, before, levels = (np.median(a.reshape(20, 16, 30, 16), axis=(1, 3)) for a in (*offs, truth))
        noise = np.sqrt(READ**2 + GAIN * (SKY + levels))
        assert (np.abs(blocks - np.median(blocks)) < 0.2 * noise).all()
        if at == 16:
            assert (np.abs(before - np.median(before)) > 0.8 * noise).any() == (power == 0.5)
    out, given = tmp_path / "one.fits", ["--scale", repr(float(table["dark_scale"][4]))]
    paths = {
        "mosaic": "m/light004.fits",
        "master": "master.fits",
        "bias": "cold/master.fits",
        "defects": "defects.fits",
    }
    for name, path in paths.items():
        given += [f"--{name}", str(tmp_path / path)]
    assert main(["calibrate", *given, "--out", str(out)]) == 0
    flags = fits.getdata(tmp_path / "defects.fits")
    expected = calibrate(lights[4], (BLACK,) * 4, taken, factor, 0.0, flags, "RGGB")
    np.testing.assert_allclose(fits.getdata(out), expected, atol=0.01)


def test_a_pedestal_that_no_file_states_is_not_scaled(tmp_path):
    """Lights at 0.6 and 1.4 times the dark's temperature, no black level stated, no bias: factors come back to 2 %, and
    the sky's level to the dark's own 3 ADU, though a pedestal of 512 is in lights and darks alike."""
    sensor = Sensor(10)
    scales = (0.6, 1.4)
    lights = [sensor.expose(sensor.sky(), scale) for scale in scales]
    write(tmp_path, sensor, lights, [sensor.dark() for _ in range(8)], stated=False)
    table, flags = run_scene(tmp_path)
    np.testing.assert_allclose(table["dark_scale"], scales, rtol=0.02)
    master, truth = read_master(tmp_path / "master.fits").mean, sensor.sky() * sensor.response
    for pixels, row in zip(lights, table, strict=True):
        scale, offset = float(row["dark_scale"]), float(row["dark_offset"])
        values = calibrate(pixels, (0.0,) * 4, master, scale, offset, flags, sensor.cfa)
        assert abs(clipped((values - truth)[~sensor.star_mask()])[0]) < 3


def test_without_warm_pixels_the_factor_is_one(tmp_path):
    """A sensor without warm pixels gives factor 1 and says why."""
    sensor = Sensor(9, hot=0.0)
    write(tmp_path, sensor, [sensor.expose(sensor.sky(), 1.0)] * 2, [sensor.dark() for _ in range(4)])
    table, _ = run_scene(tmp_path)
    assert (table["dark_scale"] == 1).all()
    assert "factor 1 taken" in table["note"][0]


def test_one_calibrated_frame(tmp_path, capsys):
    """The step alone writes a calibrated frame with its header; a master of another size is refused in a sentence."""
    sensor = Sensor(10)
    light = sensor.expose(sensor.sky(), 1.4)
    write(tmp_path, sensor, [light], [sensor.dark() for _ in range(5)])
    _, flags = run_scene(tmp_path)
    mosaic, out = tmp_path / "m" / "light000.fits", tmp_path / "calibrated.fits"
    common = ["calibrate", "--mosaic", str(mosaic), "--out", str(out)]
    assert main([*common, "--master", str(tmp_path / "master.fits"), "--defects", str(tmp_path / "defects.fits")]) == 0
    with fits.open(out) as hdus:
        values, header = hdus[0].data, hdus[0].header
        assert values.dtype.kind == "f"
        assert header["DKSCALE"] == pytest.approx(1.4, rel=0.02)
        assert (header["EXPTIME"], header["BAYERPAT"], header["NDARKS"]) == (30.0, "RGGB", 5)
        assert header["NREPAIR"] == np.count_nonzero(flags)
        master = read_master(tmp_path / "master.fits")
        expected = calibrate(light, (BLACK,) * 4, master.mean, header["DKSCALE"], 0.0, flags, "RGGB")
    np.testing.assert_array_equal(values, expected)
    write_mosaic(mosaic, light[:100], MosaicHeader("light000", "RGGB", (BLACK,) * 4, 16383.0))
    assert main([*common, "--master", str(tmp_path / "master.fits")]) == 1
    assert "has another size than the frame" in capsys.readouterr().err


def test_frames_whose_stars_trail_are_calibrated_where_none_was_kept(tmp_path):
    """Long exposures of the land for another scene: set aside as trailed they serve all the same, a damaged one not."""
    sensor = Sensor(11, shape=(64, 64))
    write(tmp_path, sensor, [sensor.expose(0.0, 1.0) for _ in range(3)])
    rows = [
        {"frame": f"light00{n}", "verdict": "set aside", "reasons": why}
        for n, why in enumerate(("trailed", "trailed; cloud", "damaged"))
    ]
    write_table(table_from_rows(rows, dict.fromkeys(rows[0], (str, None))), tmp_path / "verdicts.ecsv")
    table, _ = run_scene(tmp_path, darks=False)
    assert list(table["frame"]) == ["light000", "light001"]


@pytest.mark.parametrize("spoil", ["verdicts", "mosaic", "cfa"])
def test_foreseeable_faults_are_sentences(tmp_path, capsys, spoil):
    """No kept frame, a mosaic that vanished and a frame of another CFA are one sentence each."""
    sensor = Sensor(11, shape=(64, 64))
    write(tmp_path, sensor, [sensor.expose(0.0, 1.0) for _ in range(2)])
    text = {"verdicts": "no frame was kept", "mosaic": "its mosaic is missing", "cfa": "another size or CFA"}[spoil]
    if spoil == "verdicts":
        rows = [{"frame": "light000", "verdict": "set aside", "reasons": "damaged"}]
        columns = dict.fromkeys(rows[0], (str, None))
        write_table(table_from_rows(rows, columns), tmp_path / "verdicts.ecsv")
    elif spoil == "mosaic":
        (tmp_path / "m" / "light001.fits").unlink()
    else:
        pixels = np.zeros((64, 64), np.uint16)
        write_mosaic(tmp_path / "m" / "light001.fits", pixels, MosaicHeader("light001", "BGGR", (BLACK,) * 4, 16383.0))
    status = main(
        ["scene", "--scene", str(tmp_path / "scene.json"), "--verdicts", str(tmp_path / "verdicts.ecsv"),
         "--mosaics", str(tmp_path / "m"), "--out", str(tmp_path / "c.ecsv"), "--defects", str(tmp_path / "d.fits")]
    )  # fmt: skip
    assert status == 1
    error = capsys.readouterr().err
    assert text in error
    assert "Traceback" not in error
    assert not (tmp_path / "c.ecsv").exists()


# ---- real frames ----------------------------------------------------------------------------------------------------


@pytest.mark.skipif(not REAL.is_dir(), reason="the shared real frames are not beside the checkout")
def test_real_darks_and_lights(tmp_path):
    """On real CCD frames: noise about 11.4 ADU, about 2,000 hot pixels, factor 1, none left, no star touched."""

    def read(path):
        with rawpy.imread(str(path)) as raw:
            return raw.raw_image_visible.copy()

    def level(frames):
        return [MosaicHeader(p.stem, "RGGB", (100.0,) * 4, 59000.0, exposure_s=60.0) for p in frames]

    caps, field = sorted((REAL / "caps").glob("*.dng")), sorted((REAL / "field").glob("*.dng"))[::3]
    planned = {}
    for kind, paths in (("dark", caps), ("light", field)):
        for path, header in zip(paths, level(paths), strict=True):
            write_mosaic(tmp_path / "m" / f"{path.stem}.fits", read(path), header)
        planned[kind] = tuple(PlannedFrame(p.stem, p.name, p.name, kind) for p in paths)
    write_json(tmp_path / "set.json", asdict(DarkSet("set", "dark", ("m",), planned["dark"])))
    write_json(tmp_path / "scene.json", asdict(ScenePlan("scene", ("m",), planned["light"], dark_set="set")))
    rows = [{"frame": f.id, "verdict": "kept"} for f in planned["light"]]
    write_table(table_from_rows(rows, {"frame": (str, None), "verdict": (str, None)}), tmp_path / "verdicts.ecsv")
    table, flags = run_scene(tmp_path)
    master = read_master(tmp_path / "master.fits")
    assert master.header["NFRAMES"] == 10
    assert master.header["TNOISE"] == pytest.approx(11.4, rel=0.05)
    bulk = clipped(master.mean)[0]
    assert 1900 < np.count_nonzero(master.mean > bulk + 100) < 2400
    np.testing.assert_allclose(table["dark_scale"], 1, atol=0.02)
    assert np.count_nonzero((flags > 0) & (master.defects == 0)) < 30
    calibrated = [calibrate(read(p), (100.0,) * 4, master.mean, 1.0, 0.0, flags, "RGGB") for p in field]
    middle = np.median(calibrated, axis=0)
    ys, xs = (a.ravel() for a in np.indices(middle.shape))
    sigma = defects.cross_residual_sigma(middle)
    hot, _ = defects.looks_like_defect(defects.gather_patches(middle, ys, xs), ys, xs, "RGGB", sigma, 5.0)
    # of 0.8 megapixels; before calibration it is more than five hundred
    assert np.count_nonzero(hot) <= 3
    raw = np.median([read(p) for p in field], axis=0).astype(np.float32)
    before, _ = defects.looks_like_defect(defects.gather_patches(raw, ys, xs), ys, xs, "RGGB", sigma, 5.0)
    assert np.count_nonzero(before) > 500
