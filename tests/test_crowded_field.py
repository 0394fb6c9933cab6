"""Combination where no pixel is free of stars: noise told rightly, and a satellite that does not stay."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from pipeline.pixels.outliers import OWN_LEFT_OUT, OWN_MIN, OWN_MOST, own_scatter
from pipeline.stack.checked import transfer_of
from tests.planted_scenes import Camera, Place, PlantedGeometry, frame_ids, write_scene
from tests.test_combine import Made

SHAPE, FRAMES = (320, 448), 12
CAMERA = Camera(gain=1.0, read_noise=3.0, sky=(900.0, 1500.0, 1100.0), slope=0.1)
STARS_A_PIXEL, FWHM = 0.05, 2.3


def crowd(rng: np.random.Generator) -> NDArray[np.complex128]:
    """The Fourier transform of a field of stars, 400 to 40,000 electrons, twice as faint twice as many [trade]."""
    height, width = SHAPE
    count = int(STARS_A_PIXEL * height * width)
    light = np.minimum(400 / rng.uniform(0, 1, count), 40_000)
    field = np.zeros((4 * height, 4 * width))
    np.add.at(field, (rng.integers(0, 4 * height, count), rng.integers(0, 4 * width, count)), light)
    wave = np.fft.fft2(field)
    rows, columns = np.arange(-height // 2, height // 2), np.arange(-width // 2, width // 2)
    return np.asarray(wave[np.ix_(rows, columns)])


def laid(wave: NDArray[np.complex128], place: Place) -> NDArray[np.float64]:
    """Electrons of the field in a frame: moved by the place's shift, stars Gaussian, even over pixels."""
    height, width = SHAPE
    fy = np.arange(-height // 2, height // 2)[:, None] / height
    fx = np.arange(-width // 2, width // 2)[None] / width
    sigma = FWHM / 2.3548
    star = np.exp(-2 * np.pi**2 * sigma**2 * (fx**2 + fy**2)) * np.sinc(fx) * np.sinc(fy)
    moved = wave * star * np.exp(-2j * np.pi * (fx * place.dx + fy * place.dy))
    return np.clip(np.fft.ifft2(np.fft.ifftshift(moved)).real, 0, None)


@pytest.fixture(scope="module")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> tuple[Made, Made, Made, NDArray[np.float64]]:
    """The same field three times: twice with other noise, once more with a satellite in one frame; and its distance."""
    rng = np.random.default_rng(4)
    ids = frame_ids(FRAMES)
    places = {name: Place(*rng.normal(0, 3, 2)) if n else Place() for n, name in enumerate(ids)}
    geometry = PlantedGeometry(ids[0], places, SHAPE)
    wave = crowd(rng)
    extras = {name: laid(wave, place) for name, place in places.items()}
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    off = (y - 60) * np.cos(0.4) - (x - 20) * np.sin(0.4)
    made = []
    for seed, satellite in ((1, 0.0), (2, 0.0), (1, 240.0)):
        folder = tmp_path_factory.mktemp("crowded")
        light = dict(extras)
        here = places[ids[5]]
        there = off - here.dy * np.cos(0.4) + here.dx * np.sin(0.4)
        light[ids[5]] = extras[ids[5]] + satellite * np.exp(-(there**2) / 2 / 1.1**2)
        write_scene(folder, np.random.default_rng(seed), CAMERA, geometry, extras=light)
        made.append(Made(folder, geometry, CAMERA, threads=2))
    return made[0], made[1], made[2], off


def test_noise_of_a_crowded_field(crowded: tuple[Made, Made, Made, NDArray[np.float64]]) -> None:
    """NOISE agrees with what two pictures of one field differ by, and the gain with the one planted."""
    one, other, _, _ = crowded
    assert one.figures["electrons_per_adu"] == pytest.approx(CAMERA.gain, rel=0.15)
    for c in range(3):
        apart = (one.picture[c] - other.picture[c])[32:-32, 32:-32]
        rows, columns = apart.shape[0] // 16, apart.shape[1] // 16
        means = apart[: rows * 16, : columns * 16].reshape(rows, 16, columns, 16).mean(axis=(1, 3)) * 16
        stated = np.sqrt(2 * np.mean(one.noise[c][32:-32, 32:-32] ** 2))
        # 384 blocks: 3.6 %
        assert stated / stats.median_abs_deviation(means, axis=None, scale="normal") == pytest.approx(1, abs=0.13)


def test_a_satellite_in_a_crowded_field(crowded: tuple[Made, Made, Made, NDArray[np.float64]]) -> None:
    """Six standard deviations of a frame, fainter than the stars that it passes: a fifth of its light stays at most."""
    without, _, with_it, off = crowded
    inner = np.zeros(SHAPE, bool)
    inner[32:-32, 32:-32] = True
    core = inner & (np.abs(off) < 1)
    left = float(np.mean((with_it.picture[1] - without.picture[1])[core]))
    assert left < 0.2 * 240 / CAMERA.gain / FRAMES * 0.87, left


def test_own_scatter_is_what_lies_beyond_the_noise() -> None:
    """Values of known variance beyond a known noise give it back; one wild value changes little."""
    rng = np.random.default_rng(3)
    room = np.empty(2 * OWN_MOST, np.float32)
    for n in (OWN_MIN, 16, 64, 200):
        found = []
        for wild in (0.0, 1e4):
            trials = []
            for _ in range(2000):
                values = rng.normal(0, np.sqrt(1 + 8), n).astype(np.float32)
                values[n // 2] += wild
                trials.append(own_scatter(values, np.ones(n, np.float32), np.ones(n, bool), room))
            found.append(np.mean(np.sqrt(trials)) ** 2)
        assert found[0] == pytest.approx(8, rel=0.12), n
        assert found[1] < 1.7 * 8, n


def test_own_scatter_goes_by_the_ends_of_the_sorted_values() -> None:
    """Any number of values, some that take no part, many alike: as sorting them tells, at both ends."""
    rng = np.random.default_rng(4)
    room = np.empty(2 * OWN_MOST, np.float32)
    for _ in range(3000):
        n = int(rng.integers(OWN_MIN, 150))
        values = rng.normal(0, 3, n).astype(np.float32)
        if rng.random() < 0.3:
            values = np.round(values)
        variance = rng.uniform(0.1, 0.3, n).astype(np.float32)
        keep = rng.random(n) > rng.choice([0.0, 0.3])
        told = own_scatter(values, variance, keep, room)
        if keep.sum() < OWN_MIN:
            assert told == np.inf
            continue
        step = -(-int(keep.sum()) // OWN_MOST)
        some = np.sort(values[keep][::step])
        out = max(1, len(some) // OWN_LEFT_OUT)
        # where the last value kept at an end lies, as Blom 1958 has it (see `outliers`)
        usual = -2 * stats.norm.ppf((out + 0.625) / (len(some) + 0.25))
        square = ((some[-1 - out] - some[out]) / usual) ** 2
        assert told == pytest.approx(max(square - variance[keep][::step].mean(), 0), rel=1e-4, abs=1e-4)


def test_transfer_from_the_frames_scatter() -> None:
    """A gain planted in variances of 20 values comes back, whatever bright stars add; too few frames tell nothing."""
    rng = np.random.default_rng(5)
    count = 40_000
    colour = rng.integers(0, 3, count)
    level = np.array([900.0, 1500.0, 1100.0])[colour] + 300 * rng.random(count)
    peak = 400 * rng.pareto(1.5, count)
    variance = (25 + 0.8 * level + (0.1 * peak * rng.random(count)) ** 2) * rng.chisquare(19, count) / 19
    points = np.stack([colour, level, variance, peak], axis=1)
    told = transfer_of(points, 20)
    assert told is not None
    assert told.adu_per_electron == pytest.approx(0.8, rel=0.1)
    assert transfer_of(points, OWN_MIN - 1) is None
    # no light that differs, no slope
    assert transfer_of(np.stack([colour, np.full(count, 1000.0), variance, peak], axis=1), 20) is None
