"""From a clock to the sky: the Earth's axis, zenith and velocity in ICRS. Nothing is downloaded.

Times are UTC; UT1 is taken as equal to it (within 0.9 s, 14 arcsec of sidereal angle, which no camera's clock keeps).
"""

from __future__ import annotations

from datetime import UTC, datetime

import erfa  # type: ignore[import-untyped]
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.sky.directions import unit_vectors

Floats = NDArray[np.float64]

SIDEREAL_DAY_S = 86164.0905  # mean sidereal day; IERS conventions, Aoki et al. 1982, A&A 105, 359
SIDEREAL_RATE = 2 * np.pi / SIDEREAL_DAY_S  # rad/s
# TT minus UTC since 2017; a second more or less moves nothing here.
TT_MINUS_UTC_S = 69.184
# Aberration: the Earth's velocity over that of light, from erfa's own ephemeris (better than 1 m/s here).
_AU_PER_DAY_OVER_C = 149597870.7 / 86400.0 / 299792.458


def parse(taken: str | None) -> datetime | None:
    """A time of a table (ISO 8601), as UTC where it bears a zone, else as it stands; None where there is none."""
    if not taken:
        return None
    try:
        moment = datetime.fromisoformat(taken)
    except ValueError:
        return None
    return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)


def julian_date(moment: datetime) -> float:
    """Julian date of a moment, UTC (days of 86,400 s)."""
    return 2440587.5 + moment.timestamp() / 86400.0


def celestial_frame(jd_utc: float) -> Floats:
    """(3, 3) rotation from ICRS to the true equator and equinox of date; its last row is the Earth's axis in ICRS.

    References
    ----------
    IAU 2006/2000A precession-nutation, as in ERFA `pnm06a`.
    """
    return np.asarray(erfa.pnm06a(jd_utc, TT_MINUS_UTC_S / 86400.0))


def sidereal_angle(jd_utc: ArrayLike, longitude_deg: float) -> Floats:
    """Apparent sidereal time, radians, east longitude positive."""
    jd = np.asarray(jd_utc, np.float64)
    days = np.floor(jd)
    greenwich = erfa.gst06a(days, jd - days, days, jd - days + TT_MINUS_UTC_S / 86400.0)
    return np.asarray((greenwich + np.radians(longitude_deg)) % (2 * np.pi))


def zenith_from_angles(latitude_rad: ArrayLike, sidereal_rad: ArrayLike, frame: Floats) -> Floats:
    """Zenith (..., 3) in ICRS of a latitude and a local sidereal time; `frame` as `celestial_frame`."""
    return unit_vectors(*np.broadcast_arrays(sidereal_rad, latitude_rad)) @ frame


def zenith(jd_utc: ArrayLike, latitude_deg: float, longitude_deg: float) -> Floats:
    """Zenith (..., 3) in ICRS of a place at times.

    Geodetic latitude: where a plumb line points, which is what the air lies along.
    """
    jd = np.asarray(jd_utc, np.float64)
    frame = celestial_frame(float(np.mean(jd)))
    return zenith_from_angles(np.radians(latitude_deg), sidereal_angle(jd, longitude_deg), frame)


def earth_velocity(jd_utc: float) -> Floats:
    """The Earth's velocity (3,) in ICRS in units of the velocity of light."""
    _, barycentric = erfa.epv00(jd_utc, TT_MINUS_UTC_S / 86400.0)
    return np.asarray(barycentric["v"]) * _AU_PER_DAY_OVER_C


def aberrated(vectors: Floats, velocity: Floats) -> Floats:
    """Directions (..., 3) as the moving Earth sees them, to first order (second order: 0.001 arcsec)."""
    moved = vectors + velocity
    return moved / np.linalg.norm(moved, axis=-1, keepdims=True)


def unaberrated(vectors: Floats, velocity: Floats) -> Floats:
    """The inverse of `aberrated`: the length that was divided away is found from the direction."""
    along = vectors @ velocity
    length = along + np.sqrt(along * along + 1.0 - velocity @ velocity)
    return vectors * np.asarray(length)[..., None] - velocity
