"""Noise: gain from photon transfer, block noise, and what a drifting dark leaves."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.pixels.average import NO_GROUP, noise_plan, tally_of
from pipeline.pixels.noise import BLOCK_ERROR, _against_neighbours, block_noise, photon_transfer, shared_share
from pipeline.pixels.reject import GROWN, MILD
from pipeline.pixels.resample import NOT_COVERED


def test_gain_and_read_noise_come_back() -> None:
    """A planted 2.5 electrons per ADU and 12 ADU^2 of read noise are found within 2 % and 10 %, outliers or not."""
    rng = np.random.default_rng(1)
    levels = rng.uniform(80, 400, 4000)
    variances = (12 + levels / 2.5) * rng.chisquare(200, 4000) / 200
    variances[:400] *= rng.uniform(1.5, 5, 400)  # blocks full of stars
    found = photon_transfer(levels, variances)
    assert found.measured
    assert 1 / found.adu_per_electron == pytest.approx(2.5, rel=0.02)
    assert found.read_variance == pytest.approx(12, rel=0.15)


def test_a_level_that_never_changes_tells_no_gain() -> None:
    """Where all blocks have one level the gain is assumed, said to be so, and the variance is still the sky's."""
    rng = np.random.default_rng(2)
    levels = rng.normal(200, 0.3, 500)
    found = photon_transfer(levels, 90 * rng.chisquare(200, 500) / 200)
    assert not found.measured
    assert found.read_variance + 200 * found.adu_per_electron == pytest.approx(90, rel=0.03)


@pytest.mark.parametrize("values", [np.zeros(0), np.full(50, np.nan)])
def test_nothing_to_fit_gives_nothing(values: np.ndarray) -> None:
    """Without blocks there is no gain and no noise."""
    found = photon_transfer(values, values)
    assert not found.measured
    assert found.adu_per_electron == 0.0


def test_block_noise_of_white_noise() -> None:
    """White noise of sigma 3 reads 3 from its block sums within 4 standard errors, a few contaminated blocks or not."""
    rng = np.random.default_rng(3)
    pixels = rng.normal(0, 3, (80, 16, 90, 16))
    used = rng.random(pixels.shape) < 0.9
    sums, counts = (pixels * used).sum(axis=(1, 3)), used.sum(axis=(1, 3))
    sums[3, :20] += 5000
    counts[10, :] = 40  # too few pixels free of stars
    found = block_noise(sums, counts)
    assert found.blocks == 79 * 90
    assert found.noise == pytest.approx(3, rel=4 / np.sqrt(2 * found.blocks))


@pytest.mark.parametrize(("wide", "high", "within"), [(25, 3, 0.04), (8, 3, 0.06), (12, 6, 0.06)])
def test_what_is_wider_than_blocks_is_no_noise(wide: int, high: float, within: float) -> None:
    """A cloud's structure or a moving airglow's, 128 to 400 px wide, some times the noise of a block, is no noise."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0:80, 0:90]
    cloud = 3 * high * np.sin(2 * np.pi * y / wide) * np.cos(2 * np.pi * x / 25 + 1)  # of sums over 256 px, a root
    sums = 16 * (rng.normal(0, 3, (80, 90)) + cloud)
    assert block_noise(sums, np.full((80, 90), 256)).noise == pytest.approx(3, rel=within)
    assert block_noise(sums / 10, np.full((80, 90), 256)).noise == pytest.approx(0.3, rel=within)


def test_blocks_against_their_neighbours() -> None:
    """The loop gives what its slow sentence says, a matrix applied twice; its standard error is as stated."""
    rng = np.random.default_rng(6)
    counts = np.where(rng.random((12, 15)) < 0.7, rng.integers(128, 257, (12, 15)), rng.integers(0, 128, (12, 15)))
    sums, used = rng.normal(0, 2, (12, 15)) * np.sqrt(counts), counts >= 128
    sums[4, 5], counts[4, 5] = 90.0 * 16, 256
    places = np.argwhere(np.ones_like(used))
    near = np.abs(places[:, None] - places).max(axis=2) == 1
    pixels = near * np.where(np.abs(sums) < 30 * np.sqrt(np.maximum(counts, 1)), counts, 0).ravel()
    number = pixels.sum(axis=1)
    away = np.eye(len(near)) - pixels / number[:, None]
    kernel = away @ away
    told = used.ravel() & (number >= 512) & ~((pixels > 0) & (number < 512)).any(axis=1)
    error = np.sqrt((kernel**2 / np.maximum(counts.ravel(), 1)).sum(axis=1))
    expected = np.where(told, kernel @ (sums / np.maximum(counts, 1)).ravel() / error, np.nan)
    assert 50 < told.sum() < used.sum()
    np.testing.assert_allclose(_against_neighbours(sums, counts, used).ravel(), expected)


@pytest.mark.parametrize("free", [1.0, 0.65, 0.45])
def test_the_error_of_a_noise_is_as_stated(free: float) -> None:
    """Nearly every block that counts tells, and how well, whether all count or a third as in a crowded field."""
    rng = np.random.default_rng(7)
    counts = np.minimum(np.maximum(rng.normal(256 * free, 40, (40, 50)), 0), 256).astype(int)
    if free == 1.0:
        counts[:] = 256
    found = [block_noise(rng.normal(0, 1, counts.shape) * np.sqrt(counts), counts) for _ in range(600)]
    assert 0.8 * (counts >= 128).sum() <= found[0].blocks <= (counts >= 128).sum()
    assert np.mean([f.noise for f in found]) == pytest.approx(1, abs=0.01)
    # the spread of 600 is good to 3 %
    spread = np.std([f.noise for f in found]) * np.sqrt(2 * found[0].blocks)
    assert spread == pytest.approx(BLOCK_ERROR, rel=0.12)


def test_too_few_blocks_give_no_noise() -> None:
    """A figure that cannot be had is None."""
    assert block_noise(np.ones((2, 3)), np.full((2, 3), 256)).noise is None


def test_what_a_dark_leaves_follows_the_drift() -> None:
    """Undithered frames keep all of the dark's noise, frames a block apart 1/N; simulated drifts agree."""
    rng = np.random.default_rng(4)
    n = 8
    still = np.zeros(n)
    assert shared_share(still, still, np.ones(n)) == pytest.approx(1.0)
    # frames that have the pattern the other way round take it out
    assert shared_share(still, still, np.where(np.arange(n) % 2, 1.0, -1.0)) == pytest.approx(0.0, abs=1e-12)
    assert shared_share(np.arange(n) * 16.0, still, np.ones(n)) == pytest.approx(1 / n)
    x, y = np.cumsum(rng.uniform(0, 6, n)), np.cumsum(rng.uniform(-3, 3, n))
    x, y = np.round(x).astype(int), np.round(y).astype(int)
    halves = np.arange(n) % 2
    mean, hidden = [], []
    for _ in range(6):
        dark = rng.normal(size=(800, 800))
        frames = np.stack([np.roll(dark, (-b, -a), (0, 1)) for a, b in zip(x, y, strict=True)])
        blocks = frames[:, :784, :784].reshape(n, 49, 16, 49, 16).mean(axis=(2, 4)) * 16
        one, other = (blocks[halves == h].mean(axis=0) for h in (0, 1))
        mean.append(blocks.mean(axis=0).var())
        hidden.append(blocks.mean(axis=0).var() - ((one - other) / 2).var())
    assert shared_share(x, y, np.ones(n)) == pytest.approx(np.mean(mean), rel=0.05)
    assert shared_share(x, y, np.ones(n), halves) == pytest.approx(np.mean(hidden), rel=0.08)


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 8, 24, 100])
def test_plan_of_differences(frames: int) -> None:
    """Sets of 2, 4, 8 ... frames hold one another and are pairs of neighbours, spread over the sequence (common
    practice)."""
    plan = noise_plan(frames)
    for size in plan.sizes:
        members = plan.members(size)
        assert len(members) == size
        assert set(plan.members(size // 2)) <= set(members)
        pairs = members.reshape(-1, 2)
        assert (pairs[:, 0] % 2 == 0).all()
        assert (pairs[:, 1] == pairs[:, 0] + 1).all()
        steps = np.diff(np.append(pairs[:, 0] // 2, pairs[0, 0] // 2 + frames // 2))
        assert np.ptp(steps) <= 1
    assert (plan.groups != NO_GROUP).sum() == (2 ** (frames.bit_length() - 1) if frames > 1 else 0)
    assert len({int(k) for pair in plan.pairs for k in pair}) == 2 * len(plan.pairs)
    assert (plan.pairs < frames).all()


def test_the_tally_of_some_pixels_is_what_they_were_counted_as():
    """A pixel covered counts its colours; rejected are the colours whose bits are set, all of them on a trail."""
    codes = np.array([[0, 5, NOT_COVERED, 7], [1, 1, 1, 1]], np.uint8)
    mask = np.array([[0, 1 | 4, 2, GROWN | 1], [2 | MILD, 0, 7, 0]], np.uint8)
    assert tally_of(codes, mask, 3).tolist() == [[9, 5], [12, 4]]
