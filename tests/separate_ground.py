"""A tracked scene and, from a tripod that stood up to 50 px aside, frames for its ground at a quarter of the ISO."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from example_project.maker import write_dng
from example_project.maker.ground import Ground, hidden_share, ridge
from example_project.maker.mount import Mount, small_turn
from example_project.maker.scene import Scenario, make_scenario
from example_project.maker.sensor import Sensor

SHAPE = (320, 480)
TRACKED, STANDING = 6, 2
MOVED = (36.0, -29.0)  # px by which the ground lies further right and down in the tripod's frames


def tracked() -> Scenario:
    """Six frames of 30 s, a ridge in all of them."""
    return make_scenario(
        lens_mm=50.0, width=SHAPE[1], height=SHAPE[0], n=TRACKED, mount="tracked", exposure_s=30.0, interval_s=100.0,
        azimuth_deg=250.0, altitude_deg=25.0, seed=11, ground=Ground(share=0.2, trees_deg=1.5, light=0.25),
        start=datetime(2026, 8, 14, 21, 0, tzinfo=UTC), sensor=Sensor(SHAPE[1], SHAPE[0], gain=4.0, read_noise=8.0),
        iso=1600,
    )  # fmt: skip


def standing(sky: Scenario, reference: int = TRACKED // 2) -> Scenario:
    """Frames of four times the exposure at a quarter of the ISO: as bright, the camera aside of where it stood."""
    camera = sky.mount.camera(sky.middle(reference), sky.site.latitude)
    camera = small_turn(*MOVED, sky.optics.focal_px) @ camera
    forward = camera[2]
    azimuth, altitude = np.degrees(np.arctan2(forward[0], forward[1])), np.degrees(np.arcsin(forward[2]))
    right = np.array([np.cos(np.radians(azimuth)), -np.sin(np.radians(azimuth)), 0.0])
    roll = np.degrees(np.arctan2(camera[0] @ np.cross(forward, right), camera[0] @ right))
    made = replace(
        sky,
        mount=Mount("tripod", float(azimuth), float(altitude), float(roll)),
        start=sky.start + timedelta(minutes=10),
        exposure_s=120.0,
        interval_s=124.0,
        count=STANDING,
        iso=400,
        sensor=replace(sky.sensor, gain=16.0, read_noise=16.0),
        seed=12,
    )
    made.__dict__["_skyline_base"] = sky._skyline_base  # the same ridge
    return made


def hidden(made: Scenario, index: int, seconds: float | None = None) -> NDArray[np.float64]:
    """Share of each pixel that the ridge hides at a moment, the middle of the exposure by default."""
    assert made.ground is not None
    seconds = made.middle(index) if seconds is None else seconds
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    seen = made.optics.unproject(x, y) @ made.geometry(index, seconds).attitude @ made.turning.horizon(seconds).T
    return hidden_share(seen, ridge(made.ground) + made._skyline_base, float(np.degrees(1 / made.optics.focal_px)))


def write_card(folder: Path) -> tuple[Scenario, Scenario]:
    """Raw files of both; what made them."""
    folder.mkdir(parents=True)
    sky = tracked()
    land = standing(sky)
    for name, made in (("sky", sky), ("land", land)):
        for frame in made.frames():
            write_dng(folder / f"{name}_{frame.name}", frame.mosaic, frame.meta)
    return sky, land
