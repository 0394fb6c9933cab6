"""Rejection: efficiency, trails, star cores; reference estimators against the published table."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from astropy.stats import sigma_clip
from numpy.typing import NDArray
from scipy import stats

from pipeline.pixels.average import average, noise_plan
from pipeline.pixels.grow import grow
from pipeline.pixels.outliers import alone, one_by_one, one_by_one_slow
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.reject import GROWN, reject
from pipeline.pixels.resample import NOT_COVERED, interpolation_variance, resample
from pipeline.pixels.residuals import residuals
from pipeline.pixels.starlight import MEDIAN_FRAMES, RING_PX, RING_SHARE, spread, star_signal
from pipeline.pixels.variance import LandLight, of_sky
from pipeline.sensor.demosaic import demosaic, response
from pipeline.stack.checked import star_scatter

SKY, SIGMA = 100.0, 10.0
STARS = of_sky(3)  # nothing counts that is darker than the sky
FACTOR = interpolation_variance(response("RGGB"), np.array([[0, 1], [1, 2]])).sum(axis=1).astype(np.float32)


def noise_stack(
    n: int, size: int, seed: int, light: Callable[[int, NDArray, NDArray], NDArray] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """n noisy mosaics, shifted, demosaiced and resampled; `light` adds to frame k at its pixels (x, y)."""
    rng = np.random.default_rng(seed)
    values = np.empty((n, 3, size, size), np.float32)
    codes = np.empty((n, size, size), np.uint8)
    y, x = np.mgrid[0 : size + 8, 0 : size + 8].astype(float)
    for k in range(n):
        dx, dy = rng.uniform(0, 3, 2) if k else (0.0, 0.0)
        mosaic = rng.normal(SKY, SIGMA, x.shape)
        if light is not None:
            mosaic += light(k, x - 4 - dx, y - 4 - dy)
        planes = demosaic(mosaic.astype(np.float32), "RGGB")
        values[k], codes[k] = resample(planes, lambda u, v, dx=dx, dy=dy: (u + 4 + dx, v + 4 + dy), (size, size))
    return values, codes


class Clipped:
    """One stack clipped and averaged by the project's kernels."""

    def __init__(
        self, values: NDArray[np.float32], codes: NDArray[np.uint8], sigma: float = 3.0, scatter: float = 0.05,
        growing: bool = True, weights: NDArray[np.float32] | None = None, lasting: bool = False,
    ) -> None:  # fmt: skip
        n, colours, height, width = values.shape
        nodes = (height // 64 + 4, width // 64 + 4)
        sky = np.full((colours, *nodes), SKY, np.float32)
        offsets = np.zeros((n, colours, *nodes), np.float32)
        members = np.arange(n)
        weights = np.ones(n, np.float32) if weights is None else weights
        # half of the variance goes with the level, half does not
        floor = np.full((n, colours), SIGMA**2 / 2, np.float32)
        slope = np.full(n, SIGMA**2 / 2 / SKY, np.float32)
        self.signal, self.peak = np.empty((2, colours, height, width), np.float32)
        self.mask = np.zeros((n, height, width), np.uint8)
        chosen = np.unique(np.linspace(0, n - 1, min(n, MEDIAN_FRAMES)).round().astype(np.int64))
        star_signal(values, codes, chosen, sky, sky, (0, 0), STARS, self.signal, self.peak)
        share, unsteady = np.full(values.shape[1], scatter, np.float32), np.empty((height, width), np.float32)
        if n > 1:
            reject(
                values, codes, weights, floor, slope, FACTOR[:colours], offsets, members, sky, self.signal, self.peak,
                share, sigma, (0, 0), np.zeros((0, 0, 0), np.float32), self.mask, unsteady, lasting,
            )  # fmt: skip
            if growing:
                grow(self.mask, unsteady, floor, slope, offsets, members, sky, (0, 0))
        plan = noise_plan(n)
        blocks = (-(-height // 16), -(-width // 16))
        self.picture, self.noise = np.empty((2, colours, height, width), np.float32)
        self.coverage, self.rejected = np.empty((2, height, width), np.uint16)
        self.sums, self.counts = np.zeros((plan.rows, *blocks)), np.zeros((plan.rows, *blocks), np.int32)
        self.tally = np.zeros((n, 2), np.int64)
        average(
            values, codes, self.mask, weights, floor, slope, np.ones(colours, np.float32),
            np.zeros(colours, np.float32), offsets, members, sky, STARS, self.signal, self.peak, (0, 0),
            (floor[0], slope[0]), (0, 0), plan.groups, 1 + len(plan.sizes), plan.pairs, self.picture, self.noise,
            self.coverage, self.rejected, self.sums, self.counts, np.zeros((2 + len(plan.pairs), *blocks)), self.tally,
        )  # fmt: skip
        self.inputs = (values, codes, weights, floor, slope, FACTOR[:colours], offsets, members, sky)


@pytest.mark.parametrize("lit", [15, 10, 4])
def test_a_lamp_that_is_lit_in_many_frames_leaves_their_mean_in_all_colours(lit: int) -> None:
    """Light that falls off over still ground in `lit` of 29 frames (planted, up to 60 times the noise): where that is
    more than a quarter the picture is the plain mean, in all colours and from pixel to pixel; a passer-by is gone.
    Taken for passers-by the lit values, or the others, are lost from place to place."""
    rng = np.random.default_rng(5)
    size = 64
    fall = np.exp(-np.hypot(*(np.mgrid[:size, :size] - 31.5)) / 12)
    glow = SIGMA * np.array([60.0, 35.0, 10.0])[:, None, None] * fall
    values = SKY + rng.normal(0, SIGMA, (29, 3, size, size)) + (np.arange(29) < lit)[:, None, None, None] * glow
    whole = np.ascontiguousarray(values.astype(np.float32))
    # places between pixels of which an interpolation takes nothing but the pixel: its noise is the mosaic's
    codes = np.full((29, size, size), int(np.argmin(np.abs(FACTOR - 1).max(axis=0))), np.uint8)
    made = Clipped(whole, codes, lasting=True)
    near = glow > 8 * SIGMA
    error = (made.picture - (whole.mean(axis=0) if lit > 7 else SKY))[near] / SIGMA
    assert np.abs(error).max() < (0.5 if lit > 7 else 1.5)
    if lit > 7:
        assert np.abs(Clipped(whole, codes).picture - whole.mean(axis=0))[near].max() > 5 * SIGMA


@pytest.mark.parametrize("stood", [8, 10, 12])
def test_who_stands_before_the_land_for_a_third_of_the_frames_is_gone(stood: int) -> None:
    """A dark shape, 6 standard deviations of a pixel below the land, in `stood` of 29 frames (planted): the picture is
    the land's to 0.2 on average, where the plain mean is 1.7 to 2.5 below; beside it nothing is lost."""
    rng = np.random.default_rng(15)
    values = SKY + rng.normal(0, SIGMA, (29, 3, 64, 64))
    values[np.ix_(np.arange(3, 3 + stood), range(3), range(20, 40), range(20, 40))] -= 6 * SIGMA
    codes = np.full((29, 64, 64), int(np.argmin(np.abs(FACTOR - 1).max(axis=0))), np.uint8)
    made = Clipped(np.ascontiguousarray(values.astype(np.float32)), codes, lasting=True)
    error = (made.picture - SKY) / SIGMA
    assert abs(error[:, 20:40, 20:40].mean()) < 0.2
    assert abs(error[:, :18].mean()) < 0.05
    assert made.rejected[:18].mean() < 0.02 * 29


def test_a_lamp_that_goes_out_leaves_no_contour() -> None:
    """A lamp that is out in 9 of 29 frames (planted, up to 20 times the noise): from where its light cannot be told to
    where the dark frames go the picture rises steadily."""
    rng = np.random.default_rng(16)
    size = 192
    glow = np.broadcast_to(SIGMA * np.linspace(0, 20, size), (3, 64, size))
    values = SKY + rng.normal(0, SIGMA, (29, 3, 64, size)) + (np.arange(29) >= 9)[:, None, None, None] * glow
    codes = np.full((29, 64, size), int(np.argmin(np.abs(FACTOR - 1).max(axis=0))), np.uint8)
    made = Clipped(np.ascontiguousarray(values.astype(np.float32)), codes, lasting=True)
    share = (made.picture - SKY).mean(axis=(0, 1))[8:] / glow[0, 0, 8:]
    assert share[:6].mean() == pytest.approx(20 / 29, abs=0.1)
    assert share[-20:].mean() == pytest.approx(1, abs=0.01)
    # of nine frames one goes after the other
    assert np.abs(np.diff((made.picture - SKY).mean(axis=(0, 1)).reshape(-1, 4).mean(axis=1))).max() < 1.2 * SIGMA


# ---- reference estimators: the table of check-values.md, 8 ----------------------------------------------------------


def _winsorised(data: NDArray[np.float64]) -> NDArray[np.float64]:
    """Clip at 3 of a sigma from values winsorised at 1.5 about the median, times 1.134 [trade], again and again."""
    keep = np.ones(data.shape, bool)
    for _ in range(5):
        left = np.where(keep, data, np.nan)
        centre, scale = np.nanmedian(left, axis=1), np.nanstd(left, axis=1, ddof=1)
        for _ in range(20):
            low, high = centre - 1.5 * scale, centre + 1.5 * scale
            scale = 1.134 * np.nanstd(np.clip(left, low[:, None], high[:, None]), axis=1, ddof=1)
        keep &= np.abs(data - centre[:, None]) <= 3 * scale[:, None]
    return _mean_of(data, keep)


def _mean_of(data: NDArray[np.float64], keep: NDArray[np.bool_]) -> NDArray[np.float64]:
    return (data * keep).sum(axis=1) / np.maximum(keep.sum(axis=1), 1)


def _astropy(data: NDArray[np.float64], scale: str) -> NDArray[np.float64]:
    clipped = sigma_clip(data, sigma=3, maxiters=5, cenfunc="median", stdfunc=scale, axis=1, masked=True)
    return np.asarray(np.ma.mean(clipped, axis=1))


def _efficiency(estimate: Callable[[NDArray[np.float64]], NDArray[np.float64]], n: int, trials: int = 40_000) -> float:
    rng = np.random.default_rng(n)
    data = rng.normal(size=(trials, n))
    return float(data.mean(axis=1).var() / estimate(data).var())


@pytest.mark.parametrize(
    ("n", "median", "std", "mad"),
    [(8, 0.743, 1.000, 0.813), (16, 0.691, 0.991, 0.856), (32, 0.663, 0.982, 0.909)],
)
def test_efficiency_table_is_reproduced(n: int, median: float, std: float, mad: float) -> None:
    """Median and 3-sigma clips by astropy have the published efficiencies within 0.01 (check-values.md, 8)."""
    assert _efficiency(lambda d: np.median(d, axis=1), n) == pytest.approx(median, abs=0.01)
    assert _efficiency(lambda d: _astropy(d, "std"), n, 30_000) == pytest.approx(std, abs=0.01)
    assert _efficiency(lambda d: _astropy(d, "mad_std"), n, 30_000) == pytest.approx(mad, abs=0.01)


@pytest.mark.parametrize(("n", "winsorised"), [(8, 0.920), (16, 0.934), (32, 0.952)])
def test_efficiency_of_winsorised_clipping(n: int, winsorised: float) -> None:
    """Winsorised sigma clipping has the published efficiency within 0.01 (check-values.md, 8)."""
    assert _efficiency(_winsorised, n) == pytest.approx(winsorised, abs=0.01)


def test_a_plain_clip_of_few_frames_rejects_nothing() -> None:
    """No value of N lies further than (N - 1)/sqrt(N) standard deviations from the mean: below 3 up to N = 10."""
    rng = np.random.default_rng(1)
    for n in (3, 8, 10):
        data = rng.normal(size=(2000, n))
        data[:, 0] += 50
        z = np.abs(stats.zscore(data, axis=1, ddof=1)).max(axis=1)
        assert z.max() <= (n - 1) / np.sqrt(n) + 1e-9
        assert not sigma_clip(data, sigma=3, cenfunc="mean", axis=1, masked=True, maxiters=1).mask.any() or n == 10
    assert (10 - 1) / np.sqrt(10) < 3 < (11 - 1) / np.sqrt(11) + 0.02


# ---- one pixel ------------------------------------------------------------------------------------------------------


def test_compiled_rejection_equals_its_slow_statement() -> None:
    """Outliers of every kind among 2 to 60 values of unlike noise and weight are told as NumPy tells them."""
    rng = np.random.default_rng(2)
    for trial in range(400):
        n = int(rng.integers(2, 60))
        variance = rng.uniform(0.5, 3, n).astype(np.float32)
        weights = (1 / variance * rng.uniform(0.8, 1.2, n)).astype(np.float32)
        values = (rng.normal(size=n) * np.sqrt(variance)).astype(np.float32)
        bad = rng.random(n) < rng.choice([0, 0.05, 0.3])
        values[bad] += (rng.choice([4, 10, 100]) * rng.uniform(0.7, 1.3, bad.sum())).astype(np.float32)
        keep = np.ones(n, bool)
        mean, weight = one_by_one(
            values, variance, weights, weights.copy(), np.empty(n, np.float32), keep, np.float32(9)
        )
        slow = one_by_one_slow(values.astype(float), variance.astype(float), weights.astype(float), 3.0)
        assert np.array_equal(keep, slow), trial
        assert weight == pytest.approx(weights[keep].sum(), rel=1e-4)
        assert mean == pytest.approx(np.average(values[keep], weights=weights[keep]), abs=1e-3)


def test_a_lonely_value_is_judged_as_all_are() -> None:
    """What is told of one value without the others is what the slow statement tells from all of them."""
    rng = np.random.default_rng(11)
    told = []
    for trial in range(4000):
        n = int(rng.integers(8, 80))
        variance = rng.uniform(0.8, 1.6, n).astype(np.float32)
        weights = (1 / variance * rng.uniform(0.9, 1.1, n)).astype(np.float32)
        values = (rng.normal(size=n) * np.sqrt(variance)).astype(np.float32)
        values -= np.float32(np.average(values, weights=weights))
        nearly = np.float32(9 * (1 - 2 / n) ** 2)
        fits = 1 - weights / weights.sum()
        close = np.flatnonzero(values**2 > nearly * variance * fits)
        if len(close) != 1:
            continue
        k = close[0]
        outcome = alone(
            values[k], np.float32(100), variance[k], variance.min(), weights[k], weights.max(), weights.sum(),
            np.float32(9), nearly,
        )  # fmt: skip
        told.append(outcome)
        if outcome >= 0:
            keep = one_by_one_slow(values.astype(float), variance.astype(float), weights.astype(float), 3.0)
            assert keep.sum() == n - outcome, trial
            assert keep[k] == (outcome == 0), trial
    assert len(told) > 500
    assert np.mean(np.array(told) >= 0) > 0.9


@pytest.mark.parametrize("n", [3, 4, 5, 8, 16])
def test_one_wild_value_cannot_hide(n: int) -> None:
    """A value 50 sigma off is rejected at any number from three on, and nothing else with it."""
    values = np.linspace(-1, 1, n)
    values[n // 2] = 50
    keep = one_by_one_slow(values, np.ones(n), np.ones(n), 3.0)
    assert not keep[n // 2]
    assert keep.sum() == n - 1


def test_three_of_sixteen_cannot_hide() -> None:
    """Three frames of 16 at +10 sigma leave nothing, where a plain clip leaves 7.5 (check-values.md, 8)."""
    rng = np.random.default_rng(3)
    left = []
    for _ in range(300):
        values = rng.normal(size=16)
        values[:3] += 10
        keep = one_by_one_slow(values, np.ones(16), np.ones(16), 3.0)
        left.append(values[keep].mean() * 4)
    assert abs(np.mean(left)) < 0.2  # of the result's sigma; its own scatter is 1/sqrt(300) = 0.06
    assert np.mean(left) == pytest.approx(0, abs=0.25)


def test_of_two_values_far_apart_the_dark_one_stays() -> None:
    """Two frames: what differs by more than 5 sigma loses its brighter value; less is averaged."""
    assert one_by_one_slow(np.array([100.0, 120.0]), np.array([4.0, 4.0]), np.ones(2), 3.0).tolist() == [True, False]
    assert one_by_one_slow(np.array([100.0, 110.0]), np.array([4.0, 4.0]), np.ones(2), 3.0).all()


# ---- stacks ---------------------------------------------------------------------------------------------------------


@cache
def _plain(n: int) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    return noise_stack(n, 200, seed=n)


@pytest.mark.parametrize("n", [2, 3, 5, 8, 16, 32])
def test_efficiency_at_every_number(n: int) -> None:
    """Demosaiced and resampled noise loses at most 5 % of the light at any number; chance grows 1 in 10,000."""
    values, codes = _plain(n)
    clipped = Clipped(values, codes)
    efficiency = values.mean(axis=0).var(axis=(1, 2)) / clipped.picture.var(axis=(1, 2))
    assert (efficiency > 0.95).all()
    assert (clipped.mask & GROWN > 0).mean() < 1e-4
    if n > 2:
        share = [(clipped.mask & (1 << c) > 0).mean() for c in range(3)]
        np.testing.assert_allclose(share, 2 * stats.norm.sf(3), atol=0.0007)  # the noise is known, place by place


def _trail(frame: int, angle: float, amplitude: float, fwhm: float) -> Callable[[int, NDArray, NDArray], NDArray]:
    def light(k: int, x: NDArray, y: NDArray) -> NDArray:
        if k != frame:
            return np.zeros_like(x)
        off = _off_trail(x, y, angle)
        return amplitude * SIGMA * np.exp(-(off**2) / 2 / (fwhm / 2.3548) ** 2)

    return light


def _off_trail(x: NDArray, y: NDArray, angle: float) -> NDArray:
    return (x - 100) * np.sin(angle) - (y - 100) * np.cos(angle)


@pytest.mark.parametrize(
    ("n", "amplitude", "core", "profile"),
    [(3, 50, 0.25, 0.25), (5, 50, 0.25, 0.25), (8, 50, 0.25, 0.25), (16, 5, 0.1, 0.1), (32, 5, 0.1, 0.1)],
)
def test_trails_leave_nothing(n: int, amplitude: float, core: float, profile: float) -> None:
    """What a trail leaves in its core and anywhere in its profile, in sigma of the result, at two angles.

    Asked: 0.1 in the core and 0.3 in the profile for +5 sigma among 16 and more, 0.5 for +50 among 3, 5, 8.
    """
    cores, flanks = [], []
    y, x = np.mgrid[0:200, 0:200].astype(float)
    for angle in (0.0, 0.6):
        values, codes = noise_stack(n, 200, 10 + n, _trail(n // 2, angle, amplitude, 2.5))
        clipped = Clipped(values, codes)
        off = np.abs(_off_trail(x, y, angle))
        inside = (np.abs(x - 100) < 80) & (np.abs(y - 100) < 80)
        sigma = SIGMA / np.sqrt(n)
        cores.append((clipped.picture[:, inside & (off < 0.6)] - SKY).mean() / sigma)
        flanks.append(
            [(clipped.picture[:, inside & (off >= a) & (off < a + 1)] - SKY).mean() / sigma for a in (0.6, 1.6, 2.6)]
        )
    assert abs(np.mean(cores)) < core
    assert np.abs(np.mean(flanks, axis=0)).max() < profile


def test_flanks_are_why_rejections_grow() -> None:
    """Without growth the flanks of a +5 sigma trail among 16 leave over 0.1 sigma more than with it."""
    values, codes = noise_stack(16, 200, 26, _trail(8, 0.6, 5, 2.5))
    y, x = np.mgrid[0:200, 0:200].astype(float)
    off = np.abs(_off_trail(x, y, 0.6))
    flank = (np.abs(x - 100) < 80) & (np.abs(y - 100) < 80) & (off > 0.6) & (off < 2.2)
    left = [(Clipped(values, codes, growing=g).picture[:, flank] - SKY).mean() / (SIGMA / 4) for g in (False, True)]
    assert left[0] - left[1] > 0.1
    assert abs(left[1]) < 0.1


def test_star_cores_survive_changing_extinction_and_seeing() -> None:
    """Stars whose light varies by 5 % and whose width varies by 4 % keep their mean flux within 0.3 %, ungrown."""
    rng = np.random.default_rng(5)
    n = 16
    light, width = 1 + 0.05 * rng.normal(size=n), 1.2 * (1 + 0.04 * rng.normal(size=n))
    places = [(30.3 + 40 * i, 31.7 + 40 * j) for i in range(4) for j in range(4)]

    def stars(k: int, x: NDArray, y: NDArray) -> NDArray:
        total = np.zeros_like(x)
        for cx, cy in places:
            r2 = (x - cx) ** 2 + (y - cy) ** 2
            total += light[k] * 60_000 / (2 * np.pi * width[k] ** 2) * np.exp(-r2 / 2 / width[k] ** 2)
        return total

    values, codes = noise_stack(n, 200, 6, stars)
    clipped = Clipped(values, codes, scatter=0.12)
    y, x = np.mgrid[0:200, 0:200]
    ratios = []
    for cx, cy in places:
        aperture = (x - cx) ** 2 + (y - cy) ** 2 < 8**2
        plain, kept = (float((p[1][aperture] - SKY).sum()) for p in (values.mean(axis=0), clipped.picture))
        ratios.append(kept / plain)
    assert abs(np.mean(ratios) - 1) < 0.003
    assert np.std(ratios) < 0.004
    assert (clipped.mask & GROWN == 0).all()


def test_noise_and_counts_of_the_mean() -> None:
    """NOISE is the weighted root sum of the kept values' variances; coverage and rejections are counted."""
    values, codes = _plain(8)
    values, codes = values.copy(), codes.copy()
    codes[5, :, 150:] = NOT_COVERED
    codes[:, 0, 0] = NOT_COVERED
    values[2, :, 40, 40] += 500
    weights = np.linspace(0.5, 1.5, 8).astype(np.float32)
    clipped = Clipped(values, codes, weights=weights)
    y, x = 80, 170
    kept = (codes[:, y, x] != NOT_COVERED) & (clipped.mask[:, y, x] & 2 == 0)
    w = weights[kept].astype(float)
    variance = SIGMA**2 + SIGMA**2 / 2 / SKY * clipped.signal[1, y, x]
    assert clipped.picture[1, y, x] == pytest.approx(float(w @ values[kept, 1, y, x]) / w.sum(), rel=1e-5)
    assert clipped.noise[1, y, x] == pytest.approx(np.sqrt(variance * (w**2).sum()) / w.sum(), rel=1e-4)
    assert clipped.coverage[10, 149] == 8
    assert clipped.coverage[10, 150] == 7
    assert clipped.rejected[40, 40] >= 1
    assert (clipped.picture[:, 0, 0] == 0).all()
    assert (clipped.noise[:, 0, 0] == 0).all()
    assert clipped.coverage[0, 0] == 0
    assert np.array_equal(clipped.tally[:, 0], 3 * (codes != NOT_COVERED).sum(axis=(1, 2)))


def test_half_differences_show_the_noise() -> None:
    """Half differences of interleaved halves, sets and pairs give the noise of as many frames, 3 % on the whole."""
    n, size = 16, 400
    rng = np.random.default_rng(7)
    values = rng.normal(SKY, SIGMA, (n, 3, size, size)).astype(np.float32)
    # the code of a green pixel that nothing was interpolated for
    clipped = Clipped(values, np.full((n, size, size), 7 * 7, np.uint8), sigma=4.0)
    plan = noise_plan(n)
    noise = [np.std(s / np.sqrt(c)) for s, c in zip(clipped.sums, clipped.counts, strict=True)]
    expected = [n, *plan.sizes] + [1] * len(plan.pairs)
    np.testing.assert_allclose(noise, SIGMA / np.sqrt(expected), rtol=4 / np.sqrt(2 * 625))
    assert np.mean(np.array(noise) * np.sqrt(expected)) == pytest.approx(SIGMA, rel=0.03)


def test_a_sky_that_changes_slowly_is_no_noise_of_few_frames() -> None:
    """Patches of 100 px that grow from frame to frame (planted): sets of 2, 4, 8 ... frames show the noise of as many
    to 12 %, where a first frame against one of the middle would show a third more."""
    n, size = 16, 400
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:size, :size]
    patches = np.sin(x / 16) * np.sin(y / 16)
    values = rng.normal(SKY, SIGMA, (n, 3, size, size)) + 0.02 * SIGMA * np.arange(n)[:, None, None, None] * patches
    clipped = Clipped(values.astype(np.float32), np.full((n, size, size), 7 * 7, np.uint8), sigma=6.0)
    plan = noise_plan(n)
    rows = slice(1, 1 + len(plan.sizes))
    noise = [np.std(s / np.sqrt(c)) for s, c in zip(clipped.sums[rows], clipped.counts[rows], strict=True)]
    np.testing.assert_allclose(noise, SIGMA / np.sqrt(plan.sizes), rtol=0.12)


def test_residuals_tell_noise_and_star_scatter() -> None:
    """In units of the model squared residuals have the median of chi-squared; star cores give their own scatter."""
    rng = np.random.default_rng(8)
    light = 1 + 0.08 * rng.normal(size=12)

    def stars(k: int, x: NDArray, y: NDArray) -> NDArray:
        total = np.zeros_like(x)
        for i in range(6):
            for j in range(6):
                r2 = (x - 15.3 - 30 * i) ** 2 + (y - 16.2 - 30 * j) ** 2
                total += light[k] * 8000 * np.exp(-r2 / 2 / 1.3**2)
        return total

    values, codes = noise_stack(12, 200, 9, stars)
    clipped = Clipped(values, codes)
    v, c, w, floor, slope, factor, offsets, members, sky = clipped.inputs
    ratios, counts = np.empty((12, 70 * 70), np.float32), np.zeros(12, np.int64)
    colours = v.shape[1]
    scatters, cores = np.empty((colours, 5000), np.float32), np.zeros(colours, np.int64)
    residuals(
        v, c, w, floor, slope, factor, offsets, members, sky, STARS, clipped.signal, clipped.peak, (0, 0), 3.0, 30.0, 3,
        ratios, counts, scatters, cores, np.empty((0, 4), np.float32),
    )  # fmt: skip
    assert counts.min() > 1000
    medians = [np.median(r[:count]) for r, count in zip(ratios, counts, strict=True)]
    np.testing.assert_allclose(medians, stats.chi2.median(1), rtol=0.12)
    found = [star_scatter(row[:count], 12) for row, count in zip(scatters, cores, strict=True)]
    # what was planted, and what demosaicing makes of the cores' places among the pixels
    assert 0.8 * np.std(light, ddof=1) < min(found), found
    assert max(found) < 1.6 * np.std(light, ddof=1), found


def test_star_signal_equals_its_slow_statement() -> None:
    """The median of the chosen frames above the sky, and the largest nearby, as scipy's filters have them."""
    from scipy import ndimage

    values, codes = _plain(5)
    clipped = Clipped(values, codes)
    signal = np.maximum(np.median(values, axis=0) - SKY, 0)
    np.testing.assert_allclose(clipped.signal, signal, atol=1e-4)
    side = 2 * RING_PX + 1
    for c in range(3):
        near = ndimage.maximum_filter(signal[c], 3, mode="nearest")
        far = ndimage.maximum_filter(signal[c], side, mode="nearest")
        np.testing.assert_allclose(clipped.peak[c], np.maximum(near, RING_SHARE * far), atol=1e-4)


def test_land_that_is_darker_than_its_level_about_has_less_noise_down_to_no_light() -> None:
    """Below the level counts as well as above, but nothing below where there is no light. With the cell's even level,
    which the variance begins from, it is the pixel's own light, however the level runs within the cell."""
    values, codes = _plain(5)
    values = values + np.where(np.arange(values.shape[3]) % 7 < 3, -60, 20).astype(np.float32)
    sky = np.broadcast_to(SKY + np.arange(-40, 80, 20, np.float32), (3, 6, 6)).copy()
    dark, nodes = np.array([0, 30, 60], np.float32), np.ones((3, 6, 6), np.float32)
    signal, peak, plain, same = np.empty((4, *values.shape[1:]), np.float32)
    star_signal(values, codes, np.arange(5), sky, sky, (0, 0), LandLight(dark, 0 * nodes, nodes), signal, peak)
    even = SKY + np.repeat(np.arange(-40, 80, 20)[1:-1] + 10, GRID_STEP)[: values.shape[3]]
    light = np.maximum(np.median(values, axis=0), dark[:, None, None])
    np.testing.assert_allclose(signal, light - even, atol=1e-3)
    assert (light[0] < 30).any()
    star_signal(values, codes, np.arange(5), sky, sky, (0, 0), STARS, plain, same)
    np.testing.assert_array_equal(peak, same)
    # frames that a flat multiplied by 1.5, with noise as of 40 ADU without any light
    star_signal(
        values, codes, np.arange(5), sky, sky, (0, 0), LandLight(dark, 40 * nodes, 1.5 * nodes), signal, peak
    )  # fmt: skip
    np.testing.assert_allclose(signal, 40 + 1.5 * light - even, atol=1e-3)


@pytest.mark.parametrize(("read", "frames"), [(4.0, 16), (0.5, 5), (0.5, 64)])
def test_the_noise_of_land_goes_with_the_light_of_each_pixel(read: float, frames: int) -> None:
    """Land of 0 to 100 ADU (planted: read noise, photons at 0.7 ADU each) where the level about it is anything from 5
    to 300 ADU, frames that were brought to one level: NOISE squared is the frames' variance over their number
    (elementary), to 2 % on the average of each light, though noise puts every other mean of no light below 0."""
    rng = np.random.default_rng(6)
    slope, height, width = 0.7, 120, 240
    light = rng.choice([0.0, 2.0, 4.0, 8.0, 15.0, 35.0, 100.0], (height, width))
    offset = 0.1 * read**2 * rng.normal(size=frames)
    offset -= offset.mean()
    deviation = np.sqrt(read**2 + slope * light)
    values = (light + rng.normal(0, 1, (frames, 3, height, width)) * deviation).astype(np.float32)
    codes, nodes = np.zeros((frames, height, width), np.uint8), (height // GRID_STEP + 4, width // GRID_STEP + 4)
    sky = rng.uniform(5, 300, (3, *nodes)).astype(np.float32)
    floor, rise = np.full((frames, 3), read**2, np.float32), np.full(frames, slope, np.float32)
    # what a frame shows lies lower by what was added to it, and so does what its variance goes by
    floor += np.float32(slope) * offset[:, None].astype(np.float32)
    offsets = np.broadcast_to(offset[:, None, None, None], (frames, 3, *nodes)).astype(np.float32)
    plan, blocks = noise_plan(frames), (-(-height // 16), -(-width // 16))
    picture, noise, signal, peak = np.zeros((4, 3, height, width), np.float32)
    coverage, rejected = np.zeros((2, height, width), np.uint16)
    ones, weights = np.ones(3, np.float32), np.ones(frames, np.float32)
    of_land = LandLight(0 * ones, np.zeros((3, *nodes), np.float32), np.ones((3, *nodes), np.float32))
    average(
        values, codes, np.zeros(codes.shape, np.uint8), weights, floor, rise, ones, 0 * ones, offsets,
        np.arange(frames), sky, of_land, signal, peak, (0, 0), (floor.mean(axis=0), np.float32(slope)), (0, 0),
        plan.groups, 1 + len(plan.sizes), plan.pairs, picture, noise, coverage, rejected,
        np.zeros((plan.rows, *blocks)), np.zeros((plan.rows, *blocks), np.int32),
        np.zeros((2 + len(plan.pairs), *blocks)), np.zeros((frames, 2), np.int64),
    )  # fmt: skip
    for one in np.unique(light):
        told = (noise[:, light == one].astype(float) ** 2).mean() / (read**2 + slope * one) * frames
        assert abs(told - 1) < (0.02 if one > 0 or frames > 5 else 0.06)


def test_a_frame_that_covers_nothing_changes_no_star_signal() -> None:
    """Which frames the median is of goes by pixels: those that miss a tile, or a part of it, do not count."""
    values, codes = _plain(16)
    codes = codes.copy()
    order = spread(16)
    codes[order[1]] = NOT_COVERED
    codes[order[0], :, :50] = NOT_COVERED
    sky = np.full((3, 6, 6), SKY, np.float32)
    whole, part, peak = (np.empty(values.shape[1:], np.float32) for _ in range(3))
    star_signal(values, codes, order, sky, sky, (0, 0), STARS, whole, peak)
    star_signal(values, codes, np.delete(order, 1), sky, sky, (0, 0), STARS, part, peak)
    np.testing.assert_array_equal(part, whole)
    for first, columns in ((1, slice(None, 50)), (0, slice(50, None))):
        used = np.delete(order, 1)[first:][:MEDIAN_FRAMES]
        median = np.maximum(np.median(values[used][..., columns], axis=0) - SKY, 0)
        np.testing.assert_allclose(whole[..., columns], median, atol=1e-4)


def test_frames_are_spread_over_the_scene() -> None:
    """However few are taken they lie far apart, and every frame comes once."""
    assert spread(64)[:5].tolist() == [0, 32, 16, 48, 8]
    for n in (1, 2, 5, 37):
        assert sorted(spread(n).tolist()) == list(range(n))
