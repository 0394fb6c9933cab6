"""The sky seen between trunks: no block of a frame is free of them, and its level is told from what lies between."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.survey import CELL, survey_mosaic
from pipeline.stack.land import land_in
from tests.planted_scenes import Camera, drifting, write_scene
from tests.test_combine import Made, inputs_of, sky_truth
from tests.test_ground import Stand

SHAPE, FRAMES = (384, 512), 12
CAMERA = Camera(slope=0.2)
# Of the trunks: from which row, px; one in so many px, so many wide.
FROM, EVERY, WIDE = 140, 30, 13


def trunks() -> NDArray[np.bool_]:
    """Where the trunks stand."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    return np.asarray((y >= FROM) & (x % EVERY < WIDE))


def glow(k: int, y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Electrons of an airglow that rises from the horizon and fades, in frame k: none above the trees."""
    return np.asarray(500 * (0.5 + 0.5 * np.sin(0.9 * k)) * np.clip((y - FROM) / 240, 0, None) ** 2)


def test_the_sky_between_trunks_is_the_mean_of_what_the_frames_show(tmp_path: Path) -> None:
    """In gaps half a block wide the result is the mean of all frames' light, though each pixel shows only some."""
    geometry = drifting(FRAMES, SHAPE, (1.1, 0.0))
    stand = Stand(geometry, creep=(0.0, 0.0))
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    land, extras = trunks(), {}
    for k, name in enumerate(geometry.frames):
        extras[name] = np.where(land, -220.0, glow(k, y))
    write_scene(tmp_path, np.random.default_rng(5), CAMERA, geometry, extras=extras)
    frames = inputs_of(tmp_path, geometry, CAMERA).frames
    land_left_out = land_in(land.astype(np.float32), geometry, stand, frames)
    made = Made(tmp_path, geometry, CAMERA, threads=2, land=land_left_out)

    truth = sky_truth(geometry, CAMERA)[1]
    for k, name in enumerate(geometry.frames):
        truth = truth + made.figures["frames"][name]["weight"] * glow(k, y) / CAMERA.gain / FRAMES
    behind = (y > FROM + 30) & (y < SHAPE[0] - 16) & (x > 24) & (x < SHAPE[1] - 24) & (made.coverage > 0)
    errors = [
        np.median((made.picture[1] - truth)[behind & (x // 5 == column) & (y // 48 == row)])
        for row in range(4, 8)
        for column in range(6, 96)
        if (behind & (x // 5 == column) & (y // 48 == row)).sum() > 60
    ]
    # the glow differs by up to 300 ADU from frame to frame there
    assert len(errors) > 100
    assert np.sqrt(np.mean(np.square(errors))) < 3
    assert np.abs(errors).max() < 15


def test_a_block_tells_the_level_of_what_is_not_left_out() -> None:
    """Dark trunks over 60 % of a block change its level by less than 0.15 of a pixel's noise, its variance not at all;
    of a block that shows less than a fifth of sky nothing is told."""
    rng = np.random.default_rng(6)
    x = np.tile(np.arange(256), (256, 1))
    land = (x % 40 < 24) | (x >= 192)
    pixels = np.round(np.where(land, 540, 800) + rng.normal(0, 12, land.shape)).astype(np.uint16)
    left_out = land.reshape(256 // CELL, CELL, 256 // CELL, CELL).any(axis=(1, 3)).view(np.uint8)
    survey = survey_mosaic(pixels, (500.0,) * 4, block=64, left_out=left_out)
    assert np.isnan(survey.level[:, 3]).all()
    np.testing.assert_allclose(survey.level[:, :3], 300, atol=0.15 * 12)
    np.testing.assert_allclose(np.mean(survey.variance[:, :3]), 144 + 1 / 12, rtol=0.05)
