"""What clear air takes, planted star by star and recovered: path through the air, coefficient, what is left."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.config import Site
from pipeline.judging.air import asked, believed, coefficient, paths
from pipeline.plan import Look, PlannedFrame, ScenePlan
from pipeline.sky.camera import Camera
from pipeline.sky.motion import airmass
from pipeline.sky.times import SIDEREAL_RATE, julian_date, zenith
from pipeline.stars.ownlight import Sightings
from pipeline.stars.transparency import clearness

WIDTH, HEIGHT, FRAMES = 1002, 668, 20
SITE = Site(latitude=-33.0, longitude=20.0)
BEGIN = datetime(2026, 4, 12, 18, 30, tzinfo=UTC)
CAMERA = Camera.simple(2917.0, WIDTH, HEIGHT)


def standing(extinction: float, tracked: bool = False, stars: int = 4000):
    """A field of 19 degrees whose middle stands 15 degrees high in the first of 20 frames within an hour, its stars
    under air of so many magnitudes an airmass: sightings, frames, scene."""
    rng = np.random.default_rng(3)
    moments = [BEGIN + timedelta(seconds=180 * n) for n in range(FRAMES)]
    ups = [zenith(julian_date(m), SITE.latitude, SITE.longitude) for m in moments]
    # the camera's axes in the sky at the beginning: down along the vertical circle, its axis 75 degrees off the zenith
    side = np.cross(ups[0], np.cross([0.0, 0.0, 1.0], ups[0]))
    side /= np.linalg.norm(side)
    ahead = Rotation.from_rotvec(np.radians(75) * side).apply(ups[0])
    across = np.cross(ahead, ups[0])
    across /= np.linalg.norm(across)
    first = Rotation.from_matrix([across, np.cross(ahead, across), ahead])
    vectors = first.inv().apply(np.column_stack([rng.uniform(-0.5, 0.5, (stars, 2)), np.ones(stars)]))
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    true = 2000 * (rng.pareto(1.2, stars) + 1)
    columns: list[list[np.ndarray]] = [[] for _ in range(6)]
    for n, up in enumerate(ups):
        attitude = first if tracked else first * Rotation.from_euler("z", -SIDEREAL_RATE * 180 * n)
        x, y = CAMERA.project(attitude.apply(vectors))
        inside = (x > 0) & (x < WIDTH) & (y > 0) & (y < HEIGHT)
        altitude = np.degrees(np.arcsin(vectors @ up))
        inside &= altitude > 2
        mass = np.array([airmass(a) for a in altitude[inside]])
        flux = true[inside] * 10 ** (-0.4 * extinction * mass)
        error = np.full(len(flux), 20.0)
        flux = flux + rng.normal(0, error)
        row = np.flatnonzero(inside)
        for column, values in zip(
            columns, (row, np.full(len(row), n), np.where(flux > 100, flux, np.nan), error, x[inside], y[inside]),
            strict=True,
        ):  # fmt: skip
            column.append(values)
    plans = tuple(
        PlannedFrame(
            f"f{n}", f"f{n}.raw", f"f{n}.raw", "light", m.isoformat(), True, 8.0, 3200, 2.8, 35.0, None, None, None
        )
        for n, m in enumerate(moments)
    )
    quaternion = tuple(first.as_quat(canonical=True, scalar_first=True))
    look = Look(CAMERA.scale_arcsec, 0.0, 0.0, tracked, quaternion, CAMERA.to_json(), "f0")
    return Sightings(*(np.concatenate(c) for c in columns)), plans, ScenePlan("s", (), plans, look=look)


@pytest.mark.parametrize("tracked", [False, True])
def test_the_coefficient_is_asked_of_the_stars(tracked):
    """0.20 and 0.14 magnitudes an airmass come back within 0.01, and what is left is clear in all places and frames."""
    for extinction in (0.14, 0.20):
        seen, plans, scene = standing(extinction, tracked)
        masses = paths(plans, scene, SITE, seen)
        assert masses.max() > 6
        found, error = coefficient(seen, masses, WIDTH, HEIGHT)
        assert found == pytest.approx(extinction, abs=0.012)
        assert error < 0.01
        by = 10 ** (0.4 * asked(found, error, 0.17) * masses)
        got = clearness(replace(seen, flux=seen.flux * by, error=seen.error * by), FRAMES, WIDTH, HEIGHT)
        np.testing.assert_allclose(got.overall, 1, atol=0.025)
        assert np.nanmin(got.parts[np.isfinite(got.error)]) > 0.93
    assert np.ptp(clearness(seen, FRAMES, WIDTH, HEIGHT).overall) > 0.15


def test_haze_and_wrong_clocks_are_not_taken_for_clear_air():
    """Within 0.13 to 0.20 the stars say, beyond it is haze; what is set outside stands; air that they do not show is
    not given back."""
    assert asked(0.20, 0.003, 0.17) == 0.20
    assert asked(0.45, 0.003, 0.17) == 0.20
    assert asked(0.19, 0.05, 0.17) == 0.17
    assert asked(0.19, 0.003, 0.35) == 0.35
    assert asked(0.0, 0.003, 0.17) == 0.0
    seen, plans, scene = standing(0.0)
    assert asked(*coefficient(seen, paths(plans, scene, SITE, seen), WIDTH, HEIGHT), 0.17) == 0.0


def test_a_field_below_the_horizon_of_the_site_leaves_it_unbelieved():
    """A field at 80 degrees south from 33 south, never up from 48 north; what was not looked at tells nothing."""
    look = Look(40.0, 0.0, -80.0)
    frames = [PlannedFrame("f0", "a", "a", "light", BEGIN.isoformat(), True)]
    north = Site(latitude=48.0, longitude=11.0)
    assert believed(SITE, frames, look) is SITE
    assert believed(north, frames, look) is None
    assert believed(north, frames, Look()) is north


def test_without_site_mount_or_solution_no_path_is_known():
    """Each of them is needed."""
    seen, plans, scene = standing(0.2, stars=300)
    assert paths(plans, scene, SITE, seen) is not None
    assert paths(plans, scene, Site(), seen) is None
    assert paths(plans, scene, None, seen) is None
    for look in ({"tracked": None}, {"attitude": None}, {"of": "another"}):
        assert paths(plans, replace(scene, look=replace(scene.look, **look)), SITE, seen) is None
    assert paths([replace(p, utc=False) for p in plans], scene, SITE, seen) is None
