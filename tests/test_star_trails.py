"""Star trails: gaps between exposures are filled along the known motion, land stays, threads change nothing."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sensor.mosaic import write_mosaic
from pipeline.sky.camera import Camera as Lens
from pipeline.sky.geometry import Geometry, Placement
from pipeline.stack.sources import Calibration, Frame, Inputs, Mosaics, frame_grids
from pipeline.stack.trails import copies, star_trails
from tests.planted_scenes import Camera, add_star, frame_ids, header, read_out

SHAPE, COUNT, FOCAL = (96, 160), 3, 1000.0
# A sidereal second moves the sky by 0.073 px at this focal length: 8 s of exposure every 200 s, 14.6 px from frame to
# frame, of which 0.6 during the exposure.
EXPOSURE, EVERY = 8.0, 200.0
RATE = 7.2921159e-5  # rad/s (IERS conventions)


def planted(folder: Path) -> tuple[Inputs, Geometry, NDArray[np.float64]]:
    """A star that moves to the right over a dark sky, above land with a lamp."""
    ids, camera = frame_ids(COUNT), Camera()
    lens = Lens.simple(FOCAL, SHAPE[1], SHAPE[0])
    rng = np.random.default_rng(3)
    frames, xs = {}, []
    for n, name in enumerate(ids):
        turn = Rotation.from_rotvec([0.0, RATE * EVERY * (n - 1), 0.0])
        frames[name] = Placement(turn.as_quat(scalar_first=True))
        direction = lens.unproject(np.array([80.0]), np.array([30.0]))
        x, y = lens.project(direction @ turn.as_matrix().T)
        xs.append(float(x[0]))
        light = np.full(SHAPE, 100.0)
        add_star(light, float(x[0]), float(y[0]), 40_000.0, 2.6)
        light[70:] = 30.0
        light[85, 40] = 3000.0
        pixels = read_out(rng, camera, light)
        write_mosaic(folder / f"{name}.fits", pixels, header(camera, name))
    geometry = Geometry(ids[1], False, lens, frames)
    mosaics = Mosaics([folder / f"{name}.fits" for name in ids])
    opened = [
        Frame(name, mosaics[k].header, SHAPE, 1.0, 1.0, 0.0, frame_grids(geometry, name, SHAPE, 3))
        for k, name in enumerate(ids)
    ]
    return Inputs("trails", opened, mosaics, Calibration(), 1), geometry, np.array(xs)


def test_gaps_are_filled_with_as_many_copies_as_they_ask_for() -> None:
    """No gap, no copy; a gap of two exposures takes two; where exposures move the sky by less than 1 px, one a px."""
    assert [c.after for c in copies([0, 60], [60, 60], 700.0)] == [0, 0]
    assert [(c.number, c.after) for c in copies([0, 180], [60, 60], 5000.0)[2:]] == [(0, 60.0), (1, -60.0)]
    filled = copies([0.0, EVERY], [EXPOSURE, EXPOSURE], FOCAL)
    assert len(filled) - 2 == np.ceil((EVERY - EXPOSURE) * RATE * FOCAL)
    assert copies([0, 1e6], [30, 30], 700.0)[2:] == []


def test_a_trail_has_no_gaps_and_the_land_no_trail(tmp_path: Path) -> None:
    """Along the planted star's path the trail never falls below 70 % of the star's peak, the plain maximum to the sky;
    a lamp on the land stays a point; one thread makes the bytes of two."""
    inputs, geometry, xs = planted(tmp_path)
    begins, exposures = [n * EVERY for n in range(COUNT)], [EXPOSURE] * COUNT
    mask = np.zeros(SHAPE, np.float32)
    mask[70:] = 1
    filled = star_trails(inputs, geometry, begins, exposures, mask, 2)
    plain = star_trails(inputs, geometry, begins, [EVERY] * COUNT, mask, 2)  # as if there were no gaps
    row, dotted = filled[1][28:33].max(axis=0), plain[1][28:33].max(axis=0)
    first, last = round(min(xs)), round(max(xs))
    assert last - first == pytest.approx(2 * RATE * EVERY * FOCAL, abs=1.5)
    assert row[first : last + 1].min() > 0.7 * np.median(row[np.rint(xs).astype(int)])
    assert dotted[first : last + 1].min() < 0.1 * row.max()
    lamp = filled[1][83:88, 30:60]
    assert (lamp > 0.2 * lamp.max()).sum() <= 9
    assert (star_trails(inputs, geometry, begins, exposures, mask, 1) == filled).all()
