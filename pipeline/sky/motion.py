"""Sidereal motion across the sensor of a camera that stands still."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.sky.times import SIDEREAL_RATE

ARCSEC = math.pi / 180 / 3600


def trail_px(
    focal_px: float | None = None,
    exposure_s: float = 1.0,
    declination_deg: float = 0.0,
    *,
    scale_arcsec: float | None = None,
) -> float:
    """Length of a star's trail near the optical axis of a camera that stands still, px.

    Parameters
    ----------
    focal_px : focal length over pixel pitch; or give `scale_arcsec`, the angle of a pixel on the axis
    exposure_s : seconds
    declination_deg : of the stars; 0 gives the longest trail

    Raises
    ------
    ValueError
        Where neither or both of `focal_px` and `scale_arcsec` are given.
    """
    if (focal_px is None) == (scale_arcsec is None):
        raise ValueError(f"give focal_px or scale_arcsec (got {focal_px!r} and {scale_arcsec!r})")
    if focal_px is None:
        assert scale_arcsec is not None
        focal_px = 1.0 / math.tan(scale_arcsec * ARCSEC)
    return SIDEREAL_RATE * exposure_s * focal_px * math.cos(math.radians(declination_deg))


def pole_direction(declination_deg: float, north_deg: float) -> NDArray[np.float64]:
    """The celestial north pole as a unit vector of the camera (+X right, +Y down, +Z out of the lens).

    Parameters
    ----------
    declination_deg : of the field's centre
    north_deg : direction of north at the centre, from +x (0) towards +y (90)
    """
    declination, north = math.radians(declination_deg), math.radians(north_deg)
    return np.array(
        [
            math.cos(declination) * math.cos(north),
            math.cos(declination) * math.sin(north),
            math.sin(declination),
        ]
    )


def altitude_deg(
    ra_deg: float, dec_deg: float, latitude_deg: float, longitude_deg: float, julian_date_ut1: float
) -> float:
    """Altitude of a direction above the horizon, without refraction, to 0.3 degrees (precession left out).

    Sidereal time by the linear term of the Earth rotation angle, IERS Conventions 2010, eq. 5.15.
    """
    days = julian_date_ut1 - 2451545.0
    rotation = 2 * math.pi * (0.7790572732640 + 1.00273781191135448 * days)
    hour_angle = rotation + math.radians(longitude_deg - ra_deg)
    latitude, declination = math.radians(latitude_deg), math.radians(dec_deg)
    sine = math.sin(latitude) * math.sin(declination) + math.cos(latitude) * math.cos(declination) * math.cos(
        hour_angle
    )
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def airmass(altitude: float) -> float:
    """Relative path through the air at an altitude in degrees (Kasten & Young 1989, doi:10.1364/AO.28.004735)."""
    altitude = max(altitude, 0.0)
    return 1.0 / (math.sin(math.radians(altitude)) + 0.50572 * (altitude + 6.07995) ** -1.6364)
