"""What the air does to directions: stars stand a little nearer the zenith than they are."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# The formula holds to about a degree below the horizon; lower directions (ground in the picture) are bent as there.
LOWEST_DEG = -1.0
# The inversion gains a factor of 5 a step at the horizon, of 100 and more above 10 degrees.
INVERSE_STEPS = 6


def bending(true_altitude_deg: ArrayLike, strength: float = 1.0) -> Floats:
    """By how much a star stands too high, degrees, from its true altitude.

    Parameters
    ----------
    true_altitude_deg : altitude without air, degrees
    strength : 1 at 1010 hPa and 10 C; goes as pressure over absolute temperature, 0.75 at 2,500 m

    References
    ----------
    Saemundsson, Th. 1986, "Astronomical refraction", Sky and Telescope 72, 70.
    """
    h = np.maximum(np.asarray(true_altitude_deg, np.float64), LOWEST_DEG)
    return strength * (1.02 / 60.0) / np.tan(np.radians(h + 10.3 / (h + 5.11)))


def strength(pressure_hpa: float, temperature_c: float) -> float:
    """Strength of the air against 1010 hPa and 10 C."""
    return pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c)


def true_altitude(apparent_altitude_deg: ArrayLike, strength: float = 1.0) -> Floats:
    """Altitude without air, degrees, of what is seen at an altitude: the inverse of h + bending(h)."""
    seen = np.asarray(apparent_altitude_deg, np.float64)
    h = seen
    for _ in range(INVERSE_STEPS):
        h = seen - bending(h, strength)
    return h


def _turned(vectors: Floats, zenith: Floats, sine: Floats, by_rad: Floats) -> Floats:
    """Directions raised towards the zenith by an angle; `sine` is the sine of their altitude."""
    cosine = np.sqrt(np.maximum(1.0 - sine * sine, 1e-24))
    c, s = np.cos(by_rad), np.sin(by_rad)
    return (c - s * sine / cosine)[..., None] * vectors + (s / cosine)[..., None] * zenith


def refract(vectors: ArrayLike, zenith: ArrayLike, strength: float = 1.0) -> Floats:
    """Directions as seen through the air.

    Parameters
    ----------
    vectors : (..., 3), unit vectors without air
    zenith : (3,) or (..., 3), unit vectors to the zenith, in the same frame
    """
    vectors, zenith = np.asarray(vectors, np.float64), np.asarray(zenith, np.float64)
    sine = np.clip(np.sum(vectors * zenith, axis=-1), -1.0, 1.0)
    return _turned(vectors, zenith, sine, np.radians(bending(np.degrees(np.arcsin(sine)), strength)))


def unrefract(vectors: ArrayLike, zenith: ArrayLike, strength: float = 1.0) -> Floats:
    """Directions without air of what is seen: the inverse of `refract`."""
    vectors, zenith = np.asarray(vectors, np.float64), np.asarray(zenith, np.float64)
    sine = np.clip(np.sum(vectors * zenith, axis=-1), -1.0, 1.0)
    seen = np.degrees(np.arcsin(sine))
    return _turned(vectors, zenith, sine, -np.radians(seen - true_altitude(seen, strength)))
