"""Electrons per ADU from pairs of lights: crowded skies and uneven sensors rendered apart from the pipeline."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.sensor.transfer import line_through, transfer_blocks
from tests.crowded_sky import CrowdedSky, Sensor, expose

SHAPE = (576, 832)
BLACK = (512.0,) * 4


def moving(sky: CrowdedSky) -> list[np.ndarray]:
    """The light of two frames of a sky that moved by some pixels in between."""
    return [sky.light(SHAPE, 7.3 * k, -2.1 * k) for k in (0, 1)]


def pair(sensor: Sensor, lights: list[np.ndarray]) -> list[np.ndarray]:
    """Two mosaics."""
    rng = np.random.default_rng(2)
    return [expose(rng, sensor, light) for light in lights]


def starless(level: tuple[float, float, float], **smooth: float) -> list[np.ndarray]:
    """The light of two frames without a star."""
    none = np.zeros(0)
    return moving(CrowdedSky(none, none, none, np.zeros((0, 3)), sky=level, **smooth))


@pytest.fixture(scope="module")
def crowded() -> list[np.ndarray]:
    """Twenty-four thousand stars, most of them too faint to be told apart."""
    return moving(CrowdedSky.milky_way(np.random.default_rng(1), SHAPE, 0.05))


@pytest.mark.parametrize(
    ("sensor", "share"),
    [
        (Sensor(gain=2.0), 0.05),
        (Sensor(gain=0.35), 0.05),
        (Sensor(gain=2.0, dark=150.0, cfa="GBRG"), 0.06),
        (Sensor(gain=2.0, cfa="MONO"), 0.08),
    ],
    ids=["plain", "high ISO", "warm, no dark taken off", "mono"],
)
def test_gain_of_a_crowded_sky(sensor: Sensor, share: float, crowded: list[np.ndarray]) -> None:
    """Under stars too faint to see, unlike pixels, vignetting and a gradient the planted gain comes back."""
    one, other = pair(sensor, crowded)
    found = line_through([transfer_blocks(one, other, sensor.cfa, BLACK, 16383.0)])
    assert found.electrons_per_adu == pytest.approx(sensor.gain, rel=share)


def test_read_noise_comes_with_it() -> None:
    """Of a sky without stars the line's foot is the read noise's and the rounding's variance."""
    one, other = pair(Sensor(gain=1.0, read_noise=6.0), starless((20.0, 60.0, 30.0)))
    found = line_through([transfer_blocks(one, other, "RGGB", BLACK, 16383.0)])
    assert found.measured
    assert found.read_variance == pytest.approx(36 + 1 / 12, rel=0.06)
    assert found.electrons_per_adu == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize("axis", [0, 1], ids=["rows", "columns"])
def test_gain_under_banding(axis: int) -> None:
    """Lines shifted in each frame scatter levels too; they do not flatten a faint sky's line (0.59, 0.62 if left)."""
    rng = np.random.default_rng(3)
    light = starless((0.0, 12.0, 0.0), vignetting=0.6, gradient=0.0)[0]
    pairs = []
    for _ in range(4):
        mosaics = []
        for _ in range(2):
            clean = expose(rng, Sensor(gain=0.5, read_noise=4.0, cfa="MONO"), light)
            shifts = np.rint(rng.normal(0, 16, SHAPE[axis])).astype(int)
            mosaics.append((clean + (shifts[:, None] if axis == 0 else shifts)).astype(np.uint16))
        pairs.append(transfer_blocks(mosaics[0], mosaics[1], "MONO", BLACK, 16383.0))
    assert line_through(pairs).electrons_per_adu == pytest.approx(0.5, rel=0.15)


def test_a_single_frame_counts_its_pattern_as_noise() -> None:
    """What differs from pixel to pixel cancels in a pair: 1.5 % of 1,200 electrons is a quarter of the variance."""
    one, other = pair(Sensor(gain=2.0, response=0.015), starless((1200.0,) * 3, vignetting=0.0))
    both, alone = (np.median(transfer_blocks(one, b, "RGGB", BLACK, 16383.0)[1]) for b in (other, None))
    assert both == pytest.approx((1200 + 9) / 4 + 1 / 12, rel=0.02)
    assert alone / both == pytest.approx(1 + 18**2 / 1209, rel=0.04)


def test_what_does_not_tell_gives_none() -> None:
    """A sky of one level, full pixels, a frame smaller than a block: no gain is made up."""
    level = pair(Sensor(), starless((500.0,) * 3, vignetting=0.0, gradient=0.0))
    full = np.full(SHAPE, 16383, np.uint16)
    for one, other in (level, (full, full), (level[0][:60, :60], level[1][:60, :60])):
        assert line_through([transfer_blocks(one, other, "RGGB", BLACK, 16383.0)]).electrons_per_adu is None
    assert line_through([]).electrons_per_adu is None
