"""How high Sun and Moon stand, and how much of the Moon is lit. Nothing is downloaded."""

from __future__ import annotations

from dataclasses import dataclass

import erfa  # type: ignore[import-untyped]
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.sky.times import TT_MINUS_UTC_S, zenith

Floats = NDArray[np.float64]

EARTH_RADIUS_AU = 6378.137 / 149597870.7  # IAU 2015 nominal equatorial radius; the Moon's parallax is up to 1 degree


@dataclass(frozen=True)
class SunMoon:
    """`sun_deg`, `moon_deg` (n,) altitudes of their middles without refraction; `lit` (n,) share of the Moon's disc."""

    sun_deg: Floats
    moon_deg: Floats
    lit: Floats


def sun_and_moon(jd_utc: ArrayLike, latitude_deg: float, longitude_deg: float) -> SunMoon:
    """Altitudes of Sun and Moon at a place, good to 0.02 degrees.

    Parameters
    ----------
    jd_utc : (n,) Julian dates
    latitude_deg, longitude_deg : geodetic, east positive

    References
    ----------
    Sun: ERFA `epv00`; Moon: ERFA `moon98` (Meeus 1998, Astronomical Algorithms, chapter 47), seen from the place, not
    from the Earth's centre.
    """
    jd = np.atleast_1d(np.asarray(jd_utc, np.float64))
    heliocentric, _ = erfa.epv00(jd, TT_MINUS_UTC_S / 86400.0)
    up = zenith(jd, latitude_deg, longitude_deg)
    sun = _unit(-heliocentric["p"])
    moon = _unit(erfa.moon98(jd, TT_MINUS_UTC_S / 86400.0)["p"] - EARTH_RADIUS_AU * up)
    between = np.sum(sun * moon, axis=-1)
    return SunMoon(_altitude(sun, up), _altitude(moon, up), (1 - between) / 2)


def _unit(vectors: Floats) -> Floats:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def _altitude(vectors: Floats, up: Floats) -> Floats:
    return np.degrees(np.arcsin(np.clip(np.sum(vectors * up, axis=-1), -1, 1)))
