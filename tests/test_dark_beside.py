"""Masters of few darks that are held against more of another temperature: planted pixels, hits, and the step."""

from dataclasses import asdict

import numpy as np
import pytest
from astropy.io import fits

from pipeline.dark import main
from pipeline.files import write_json
from pipeline.plan import DarkSet, PlannedFrame
from pipeline.sensor.beside import Standing, beside, standing, with_real
from pipeline.sensor.darkset import shading_against
from pipeline.sensor.defects import UNSTABLE
from pipeline.sensor.master import read_master, read_standing
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from tests.test_dark_scene import BLACK, GAIN, READ, SHAPE, SKY, Sensor, run_scene, write


def planted(rng, factor, few=1, many=30, shape=(400, 600), warm=0.01, scatter=0.12, offset=0.0):
    """Excess of pixels, what few and many darks of noise 8 ADU show of it `factor` apart, and the two errors. `offset`,
    ADU, is what every pixel's black level differs by, at either temperature alike."""
    truth = np.where(rng.random(shape) < warm, rng.exponential(25, shape), 0.0)
    own = factor * truth * np.exp(rng.normal(0, scatter, shape))
    if offset:
        level = rng.normal(0, offset, shape)
        own, truth = own + level, truth + level
    errors = [8 / np.sqrt(few), 8 / np.sqrt(many)]
    seen = [(a + rng.normal(0, e, shape)).astype(np.float32) for a, e in zip((own, truth), errors, strict=True)]
    return own, seen, [np.full(shape, e, np.float32) for e in errors]


def shown_by(values, error):
    """What a master shows of single pixels, drawn to none as a real one would be: none of noise, all of 4 sigma."""
    flat = np.zeros_like(values)
    found = standing(values, error, flat, np.zeros(values.shape, bool), 1e4)
    drawn = found.excess / (1 + np.exp(-2.5 * (found.excess / found.error - 3.2)))
    return with_real(found, drawn.astype(np.float32))


@pytest.mark.parametrize("factor", [0.3, 3.5])
@pytest.mark.parametrize("few", [1, 2])
def test_pixels_of_few_darks_come_back_with_what_more_show(factor, few):
    """Factor to 4 %, scatter to 0.05; warm pixels come nearer to the truth than by the few darks, with their error."""
    rng = np.random.default_rng(4)
    own, (mean, more), (noise, error) = planted(rng, factor, few)
    flat = np.zeros_like(mean)
    found = beside(mean, noise, flat, shown_by(more, error), 1e4)
    assert found.factor == pytest.approx(factor, rel=0.04)
    assert found.scatter == pytest.approx(0.12, abs=0.05)
    assert found.apart.mean() < 0.01
    warm = (own[found.ys, found.xs] > 10 * factor) & ~found.apart
    off = (found.excess - own[found.ys, found.xs])[warm]
    before = (mean - own)[found.ys, found.xs][warm]
    assert np.sqrt(np.mean(off**2)) < (0.45 if factor < 1 else 0.93) * np.sqrt(np.mean(before**2))
    assert np.sqrt(np.mean(off**2)) == pytest.approx(np.sqrt(np.mean(found.error[warm] ** 2)), rel=0.25)


def test_hits_and_new_pixels_are_apart_and_hot_ones_are_not():
    """Hits of 60 to 400 ADU in one dark: all told apart and taken out, wherever the others show anything or nothing; of
    hot pixels that both show none is."""
    rng = np.random.default_rng(5)
    own, (mean, more), (noise, error) = planted(rng, 3.5)
    places = rng.integers(0, 400, 300), rng.integers(0, 600, 300)
    clean = own[places] == 0
    mean[places] += rng.uniform(60, 400, 300).astype(np.float32)
    found = beside(mean, noise, np.zeros_like(mean), shown_by(more, error), 1e4)
    apart = np.zeros(mean.shape, bool)
    apart[found.ys, found.xs] = found.apart
    assert apart[places][clean].mean() > 0.99
    left = np.zeros(mean.shape, np.float32)
    left[found.ys, found.xs] = found.excess
    assert np.abs(left[places][clean & apart[places]]).max() < 12
    hot = own > 120
    hot[places] = False
    assert apart[hot].mean() < 0.02


@pytest.mark.parametrize("factor", [0.3, 3.5])
@pytest.mark.parametrize("few", [1, 2])
def test_what_the_black_level_of_pixels_differs_by_does_not_grow_with_temperature(factor, few):
    """Pixels that differ by a frame's noise, 8 ADU, in both masters: the factor is that of the warm ones, none is drawn
    to as many times its offset, and none but warm ones that the offsets hide in the other are taken for hits."""
    rng = np.random.default_rng(7)
    own, (mean, more), (noise, error) = planted(rng, factor, few, offset=8.0)
    if few == 1:  # all its scatter counts as noise
        noise = np.hypot(noise, np.float32(8.0))
    found = beside(mean, noise, np.zeros_like(mean), shown_by(more, error), 1e4)
    assert found.factor == pytest.approx(factor, rel=0.08)
    assert found.apart.sum() < 0.004 * mean.size
    kept = ~found.apart
    off = (found.excess - own[found.ys, found.xs])[kept]
    before = (mean - own)[found.ys, found.xs][kept]
    assert np.sqrt(np.mean(off**2)) < 1.1 * np.sqrt(np.mean(before**2))
    assert np.count_nonzero(np.abs(off) > 25) < 0.0005 * mean.size


def test_masters_of_two_sensors_are_not_held_against_one_another():
    """Where hot pixels are elsewhere none tells a factor, whichever way the noise lies."""
    for seed in range(8):
        rng = np.random.default_rng(seed)
        _, (mean, _), (noise, error) = planted(rng, 3.5)
        _, (_, more), _ = planted(rng, 3.5)
        assert beside(mean, noise, np.zeros_like(mean), shown_by(more, error), 1e4) is None


def test_without_pixels_that_tell_the_factor_nothing_is_held_against_anything():
    """A sensor without warm pixels; and masters of two sizes are an error that shows both."""
    rng = np.random.default_rng(6)
    _, (mean, more), (noise, error) = planted(rng, 3.5, warm=0.0)
    flat = np.zeros_like(mean)
    shows = shown_by(more, error)
    assert beside(mean, noise, flat, shows, 1e4) is None
    with pytest.raises(ValueError, match=r"one size \(got \(400, 600\) and \(4, 4\)\)"):
        beside(mean, noise, flat, Standing(*[shows.ys] * 2, *[shows.excess] * 3, 1.0, 0.0, (4, 4)), 1e4)


class Rising(Sensor):
    """A sensor whose pixels double each in its own 5 to 7 degrees (0.73 to 1.02 eV), with columns of 3 ADU; hits."""

    def __init__(self, seed):
        super().__init__(seed)
        self.doubling = self.rng.uniform(5.0, 7.0, SHAPE)
        faint = self.rng.random(SHAPE) < 0.01
        self.signal[faint] += self.rng.exponential(30, faint.sum())
        self.at_24 = self.signal.copy()
        self.columns = np.round(self.rng.normal(0, 3, (1, SHAPE[1])))

    def at(self, celsius):
        """Dark signal, ADU."""
        return self.at_24 * 2 ** ((celsius - 24) / self.doubling)

    def frame(self, light, celsius, hits=0):
        """A frame, so many hits in it."""
        self.signal = self.at(celsius)
        pixels = self.expose(light, 1.0) + self.columns
        ys, xs = (self.rng.integers(0, n, hits) for n in SHAPE)
        pixels[ys, xs] += np.round(10 + self.rng.exponential(150, hits))
        return np.clip(pixels, 0, 16383).astype(np.uint16)


@pytest.mark.parametrize(
    ("warm", "cold", "celsius"),
    [((24.0, 1), (13.0, 30), (21.0, 18.0)), ((24.0, 30), (13.0, 1), (16.0, 12.0))],
    ids=["one warm dark", "one cold dark"],
)
def test_one_dark_beside_many_leaves_neither_holes_nor_hot_pixels(tmp_path, warm, cold, celsius):
    """Sets of 1 and 30 darks, 60 hits a dark, eight lights between the two: the mean of what is taken off is within 5
    sigma of the result at every pixel that is not repaired (the limit is one in a million); held against nothing it is
    not, and warm pixels are off by more."""
    sensor = Rising(21)
    lights = [sensor.frame(sensor.sky((7.3 * n, 2.1 * n)), c) for n, c in enumerate(np.linspace(*celsius, 8))]
    write(tmp_path, sensor, lights)
    names = {}
    for at, number in (warm, cold):
        # as long as the inventory makes them: the name of a set must leave a card no room to overflow
        names[at] = f"dark_2026-08-15_30s_iso1600_{at:.0f}"
        frames = []
        for n in range(number):
            name = f"{names[at]}_{n:02d}"
            header = MosaicHeader(name, "RGGB", (BLACK,) * 4, 16383.0, exposure_s=30.0, iso=1600, temperature_c=at)
            write_mosaic(tmp_path / "m" / f"{name}.fits", sensor.frame(0.0, at, 60), header)
            frames.append(PlannedFrame(name, name, name, "dark", temperature_c=at))
        few = number == 1
        other = f"dark_2026-08-15_30s_iso1600_{cold[0] if at == warm[0] else warm[0]:.0f}" if few else None
        write_json(tmp_path / f"{names[at]}.json", asdict(DarkSet(names[at], "dark", ("m",), tuple(frames), other)))
    many, few = (names[c] for c, _ in sorted((warm, cold), key=lambda s: -s[1]))

    def left(*held):
        for name, more in ((many, ()), (few, held)):
            given = ["--set", str(tmp_path / f"{name}.json"), "--mosaics", str(tmp_path / "m"), *more]
            assert main(["master", *given, "--out", str(tmp_path / f"{name}.fits")]) == 0
        (tmp_path / f"{names[warm[0]]}.fits").replace(tmp_path / "master.fits")
        colder = tmp_path / f"{names[cold[0]]}.fits"
        table, flags = run_scene(tmp_path, darks=False, colder=colder, master=tmp_path / "master.fits")
        master, base = read_master(tmp_path / "master.fits"), read_master(colder)
        off, truth = np.zeros(SHAPE), np.zeros(SHAPE)
        for at, share in zip(np.linspace(*celsius, 8), table["dark_scale"], strict=True):
            off += (base.mean + share * (master.mean - base.mean) - sensor.columns - sensor.at(at)) / 8
            truth += sensor.at(at) / 8
        off -= np.median(off)
        sigma = np.sqrt((READ**2 + GAIN * (SKY * sensor.response + truth)) / 8)
        sound = flags == 0
        faint = sound & (sensor.at_24 > 8)
        return np.count_nonzero((np.abs(off) > 5 * sigma) & sound), off[faint].std(), (base, master)

    alone, warm_alone, _ = left()
    beside_more, warm_beside, masters = left("--dark", str(tmp_path / f"{many}.fits"))
    assert beside_more == 0 < alone
    assert warm_beside < 0.75 * warm_alone
    held = masters[warm[1] == 1].header
    assert held["BESIDE"] == many
    assert 20 < held["BSAPART"] < 100
    assert np.count_nonzero(masters[warm[1] == 1].defects & UNSTABLE) >= held["BSAPART"]


def of_temperatures(rng, rise, power=1.0, glow=40.0, rows=128, width=600):
    """A dark of noise 12 ADU and a master of thirty, `rise` times colder, with warm pixels and glow in a corner."""
    y, x = np.mgrid[:rows, :width]
    shape = np.exp(-np.hypot((y - rows) / rows, (x - width) / width) / 0.2)
    warm = np.where(rng.random((rows, width)) < 0.01, rng.exponential(25, (rows, width)), 0.0)
    cold = warm + glow * shape + rng.normal(0, 12 / np.sqrt(30), warm.shape)
    dark = rise * warm + rise**power * glow * shape + 5 + rng.normal(0, 12, warm.shape)
    return dark.astype(np.float32), cold.astype(np.float32), x / width


@pytest.mark.parametrize(("rise", "power", "glow"), [(3.5, 1.0, 40), (3.5, 1.5, 200), (0.3, 0.7, 200), (3.5, 1.0, 0)])
def test_a_dark_that_light_has_come_into_is_told_by_a_master_of_others(rise, power, glow):
    """A gradient of 15 ADU across the frame, whose noise is 12, is told to 3, light at an edge above a tenth of what
    the glow has grown by; glow that has grown or waned, by another power than the pixels, and rows off by 6 ADU rms
    are none."""
    rng = np.random.default_rng(25)
    dark, cold, across = of_temperatures(rng, rise, power, glow)
    assert shading_against(dark, cold, 12.0) is None
    assert shading_against(dark + rng.normal(0, 6, (128, 1)).astype(np.float32), cold, 12.0) is None
    leak = 0.0 if glow else 15.0
    found = shading_against(dark + np.float32(leak) * across.astype(np.float32), cold, 12.0)
    assert found == pytest.approx(7.5, abs=3) if leak else found is None
    edge = np.exp(-across / 0.1).astype(np.float32)
    light = 40 + 0.2 * glow * abs(rise**power - 1)
    assert shading_against(dark + np.float32(light) * edge, cold, 12.0) > 0.25 * light


def test_an_only_dark_that_light_has_come_into_is_left_out(tmp_path):
    """Held against eight of another temperature; the master says why it is none. Without them it cannot be told."""
    sensor = Rising(26)
    leak = 200 * np.exp(-np.arange(SHAPE[1]) / 40)
    for name, at, number, more in (("many", 13.0, 8, None), ("few", 24.0, 1, "many")):
        frames = [
            PlannedFrame(f"{name}{n}", f"{name}{n}", f"{name}{n}", "dark", temperature_c=at) for n in range(number)
        ]
        for frame in frames:
            header = MosaicHeader(frame.id, "RGGB", (BLACK,) * 4, 16383.0, exposure_s=30.0, iso=1600, temperature_c=at)
            pixels = sensor.frame(0.0, at) + (leak if number == 1 else 0)
            (tmp_path / "m").mkdir(exist_ok=True)
            write_mosaic(tmp_path / "m" / f"{frame.id}.fits", pixels.astype(np.uint16), header)
        write_json(tmp_path / f"{name}.json", asdict(DarkSet(name, "dark", ("m",), tuple(frames), more)))
        given = ["master", "--set", str(tmp_path / f"{name}.json"), "--mosaics", str(tmp_path / "m")]
        held = ["--dark", str(tmp_path / "many.fits")] if more else []
        assert main([*given, *held, "--out", str(tmp_path / f"{name}.fits")]) == 0
    with fits.open(tmp_path / "few.fits") as hdus:
        assert hdus[0].header["NFRAMES"] == 0
        assert "is shaded against many by up to" in str(hdus[0].header)
    assert main([*given, "--out", str(tmp_path / "alone.fits")]) == 0
    assert read_master(tmp_path / "alone.fits").header["NFRAMES"] == 1


def test_what_stands_out_of_darks_is_noted_in_their_master(tmp_path, capsys):
    """Of darks, not of biases; a file that is none, or of another size, is one sentence."""
    sensor = Sensor(22, shape=(64, 64))
    write(tmp_path, sensor, [sensor.dark()], [sensor.dark() for _ in range(4)])
    run_scene(tmp_path)
    found = read_standing(tmp_path / "master.fits")
    assert found.shape == (64, 64)
    assert ((found.real >= 0) & (found.real <= 1)).all()
    strong = found.excess > 12 * found.error
    assert strong.any()
    assert found.real[strong] == pytest.approx(1, abs=0.02)
    with fits.open(tmp_path / "master.fits") as hdus:
        del hdus["STANDING"]
        hdus.writeto(tmp_path / "old.fits")
    assert read_standing(tmp_path / "old.fits") is None
    other = Sensor(23, shape=(32, 64))
    folder = tmp_path / "other"
    write(folder, other, [other.dark()], [other.dark()])
    given = [
        "master",
        "--set",
        str(folder / "set.json"),
        "--mosaics",
        str(folder / "m"),
        "--out",
        str(folder / "m.fits"),
    ]
    assert main([*given, "--dark", str(tmp_path / "master.fits")]) == 1
    assert "another size than the frames (got (64, 64) and (32, 64))" in capsys.readouterr().err
    for path, words in ((tmp_path / "none.fits", "no such master"), (tmp_path / "set.json", "not a master")):
        assert main([*given, "--dark", str(path)]) == 1
        assert words in capsys.readouterr().err
