"""Sidereal motion against the standard values."""

from __future__ import annotations

import math

import erfa
import numpy as np
import pytest

from pipeline.sky.motion import airmass, altitude_deg, pole_direction, trail_px
from pipeline.sky.times import SIDEREAL_RATE
from tests.labelled import sidereal_velocity


def test_sidereal_rate():
    """The rate is the published one, in both units (check-values.md section 2)."""
    assert pytest.approx(7.2921159e-5, abs=5e-13) == SIDEREAL_RATE
    assert np.degrees(SIDEREAL_RATE) * 3600 == pytest.approx(15.0410686, abs=2e-7)


@pytest.mark.parametrize(
    ("focal_mm", "rate"), [(14, 0.2326), (20, 0.3322), (24, 0.3987), (35, 0.5814), (50, 0.8305), (85, 1.4119)]
)
def test_trail_on_the_axis(focal_mm, rate):
    """Trails in px a second at 4.39 um, declination 0, are the check values' (section 2)."""
    assert trail_px(1000 * focal_mm / 4.39) == pytest.approx(rate, abs=6e-5)
    scale = np.degrees(np.arctan(4.39e-3 / focal_mm)) * 3600
    assert trail_px(scale_arcsec=scale) == pytest.approx(rate, abs=6e-5)
    assert trail_px(1000 * focal_mm / 4.39, declination_deg=60) == pytest.approx(rate / 2, abs=6e-5)


def test_rule_of_500_trail():
    """The rule of 500 allows 36.46 um at the equator whatever the lens (check-values.md section 1)."""
    for focal_mm in (14, 50, 85):
        assert trail_px(focal_mm / 1e-3, 500 / focal_mm) == pytest.approx(36.46, abs=0.01)


def test_trails_grow_off_the_axis():
    """At 14 mm, 5.94 um, 20 s the trail is 3.44 px in the middle, 9.02 at the edge, 9.76 in the corner (section 2)."""
    focal = 14000 / 5.94
    x, y = np.array([0.0, 3000.0, 3000.0]), np.array([0.0, 0.0, 2000.0])
    vx, vy = sidereal_velocity(x, y, focal, pole_direction(0.0, -90.0))
    np.testing.assert_allclose(20 * np.hypot(vx, vy), [3.44, 9.02, 9.76], atol=0.02)


def test_stars_turn_about_the_pole():
    """Aimed at the pole the trail is rate times radius at any focal length, counter-clockwise as the sky is seen."""
    for focal in (2000.0, 9000.0):
        vx, vy = sidereal_velocity(np.array([500.0, 0.0]), np.array([0.0, 500.0]), focal, pole_direction(90.0, 0.0))
        np.testing.assert_allclose(np.hypot(vx, vy), SIDEREAL_RATE * 500)
        # a star right of the pole moves up: y is down
        assert vy[0] < 0
        assert vx[1] > 0


def test_velocity_is_the_derivative_of_a_rotation():
    """The velocity equals the difference of places after a rotation about the pole."""
    pole = pole_direction(35.0, -70.0)
    focal, x, y = 3000.0, np.array([400.0, -900.0]), np.array([300.0, 700.0])
    rays = np.stack([x, y, np.full(2, focal)], axis=1)
    angle = -SIDEREAL_RATE * 1.0
    turned = (
        rays * np.cos(angle)
        + np.cross(pole, rays) * np.sin(angle)
        + pole * (rays @ pole)[:, None] * (1 - np.cos(angle))
    )
    moved = focal * turned[:, :2] / turned[:, 2:]
    vx, vy = sidereal_velocity(x, y, focal, pole)
    np.testing.assert_allclose(np.stack([vx, vy], axis=1), moved - np.stack([x, y], axis=1), rtol=2e-3, atol=1e-4)


def test_altitude_agrees_with_erfa():
    """Altitudes agree within 0.3 degrees with the IAU 2006 precession and sidereal time of ERFA."""
    jd, latitude, longitude = 2461267.4166, math.radians(45), math.radians(-30)
    of_date = erfa.pnm06a(jd, 0.0) @ erfa.s2c(math.radians(279.76), math.radians(-7.7))
    ra, dec = erfa.c2s(of_date)
    hour_angle = erfa.gst06a(jd, 0.0, jd, 0.0) + longitude - ra
    _, altitude = erfa.hd2ae(hour_angle, dec, latitude)
    assert altitude_deg(279.76, -7.7, 45, -30, jd) == pytest.approx(math.degrees(altitude), abs=0.3)


def test_airmass():
    """Airmass is 1 overhead, 2 at 30 degrees and 37.9 at the horizon (Kasten & Young 1989, from memory)."""
    assert airmass(90) == pytest.approx(1.0, abs=1e-3)
    assert airmass(30) == pytest.approx(1.994, abs=2e-3)
    assert airmass(0) == pytest.approx(37.9, abs=0.1)


def test_one_scale_only():
    """Both or neither of focal length and scale is an error."""
    with pytest.raises(ValueError, match="focal_px or scale_arcsec"):
        trail_px()
