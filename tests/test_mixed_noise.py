"""Frames of two ISO in one picture: weights, expected noise and gain by elementary statistics of photon and read noise.

A pixel's variance is that of its electrons, read noise and rounding: light + read^2 + gain^2 / 12 (Janesick 2007,
Photon Transfer, chapter 5); a mean by weights has the least noise where these go with one over the variances.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipeline.pages.noise import gain_beyond, noise_sentence, one_frame
from pipeline.sensor.alike import numbered
from pipeline.sensor.mosaic import write_mosaic
from tests.planted_scenes import Camera, drifting, expose, header
from tests.test_combine import Made

NARROW = chr(0x202F)  # narrow no-break space
LOW, HIGH = Camera(gain=3.2, read_noise=12.0), Camera(gain=0.8, read_noise=3.0)
FEW, MANY = 5, 7  # frames of either


@pytest.fixture(scope="module")
def combined(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Figures of frames of ISO 800 and, after them, of ISO 3200, the reference among these."""
    folder, rng = tmp_path_factory.mktemp("mixed"), np.random.default_rng(11)
    geometry, places = drifting(FEW + MANY, (480, 640)), {}
    for n, (frame, place) in enumerate(geometry.frames.items()):
        camera, iso = (LOW, 800) if n < FEW else (HIGH, 3200)
        pixels = expose(rng, camera, geometry, frame)
        write_mosaic(folder / f"{frame}.fits", pixels, replace(header(camera, frame), iso=iso))
        # an ADU of the low ISO is four of the high one's
        places[frame] = replace(place, transparency=HIGH.gain / camera.gain)
    return Made(folder, replace(geometry, frames=places), HIGH, threads=2).figures


def share() -> float:
    """Weight of a frame of the low ISO over one of the high; it has one for its three colours."""
    low, high = (np.log([sky + c.read_noise**2 + c.gain**2 / 12 for sky in c.sky]).mean() for c in (LOW, HIGH))
    return float(np.exp(high - low))


def test_frames_of_two_iso_are_weighted_by_their_own_noise(combined: dict[str, Any]) -> None:
    weights = np.array([frame["weight"] for frame in combined["frames"].values()])
    assert np.median(weights[:FEW]) / np.median(weights[FEW:]) == pytest.approx(share(), rel=0.04)
    assert combined["noise_ratio"] == pytest.approx(1.0, abs=0.05)


def test_one_frame_s_noise_is_that_of_the_reference_s_settings(combined: dict[str, Any]) -> None:
    """Of frames alike the noise falls as one over the root of their number: others count for what they weigh."""
    alike = MANY + FEW * share()
    assert combined["frames_alike"] == pytest.approx(alike, rel=0.02)
    assert combined["noise_frame"] / combined["noise_combined"] == pytest.approx(alike**0.5, rel=0.06)
    assert (combined["noise_frame_exposure_s"], combined["noise_frame_iso"]) == (30.0, 3200)
    # what is measured of the high ISO's alone: a green pixel's noise, of which a block holds every other one
    alone = np.sqrt(2 * (HIGH.sky[1] + HIGH.read_noise**2 + HIGH.gain**2 / 12)) / HIGH.gain
    assert combined["noise_frame"] == pytest.approx(alone, rel=0.05)
    assert gain_beyond(combined) is None
    assert one_frame(combined) == f"one frame of 30{NARROW}s at ISO 3200"
    assert "several settings" in noise_sentence(combined)


def test_settings_are_told_by_iso_aperture_and_exposure_to_three_per_cent() -> None:
    stated = [(30.0, 800, 2.8), (30.5, 800, 2.8), (75.0, 800, 2.8), (30.2, 3200, 2.8), (30.0, 800, 4.0)]
    kinds = numbered(stated).tolist()
    assert kinds[0] == kinds[1]
    assert len(set(kinds)) == 4
    assert not numbered([(None, None, None)] * 3).any()
