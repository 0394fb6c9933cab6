"""What is told beforehand of place and time, and how the stars agree with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.sky import times
from pipeline.sky.fit import Air

Floats = NDArray[np.float64]

# Where the camera may stand: sea level to 2,500 m, any night's temperature.
AIR_STRENGTH, AIR_SIGMA = 0.92, 0.12
# Air further from the usual than this is none.
STRENGTH_SIGMAS = 3.0
# A clock's error is told where the stars show the time to this, minutes, or where it is so many of its standard
# deviations.
CLOCK_SIGMA_MIN, CLOCK_SURE = 4.0, 5.0
# Refraction raises what stands on the horizon by 0.6 degrees, from a mountain one looks 2 degrees below it: half of a
# field's stars this far below are not seen from there.
BELOW_DEG = 5.0


@dataclass(frozen=True)
class Known:
    """What is known of place and time beforehand.

    Parameters
    ----------
    latitude : radians, or None
    angle : sidereal angle of the zenith at the reference's time, radians, or None
    axes : (3, 3), rows are the axes of the equator of date in ICRS
    velocity : (3,) the Earth's, over that of light
    angle_if_utc : where the clock's zone is not known: the same angle if the clock showed UTC
    """

    axes: Floats
    velocity: Floats
    latitude: float | None = None
    angle: float | None = None
    angle_if_utc: float | None = None


@dataclass(frozen=True)
class Doubt:
    """Where the stars contradict the latitude that was told, or may do so.

    Parameters
    ----------
    told : radians
    sure : whether no clock and no longitude mend it; the place was not used then
    better : the latitude that agrees with the stars, radians; None where they do not tell
    sigma : its standard deviation, radians
    below : whether the field never rises at the latitude told
    """

    told: float
    sure: bool
    better: float | None = None
    sigma: float = np.inf
    below: bool = False


def never_up(stars: Floats, known: Known) -> bool:
    """Whether a field, unit vectors (n, 3), stays below the horizon of the latitude told at any hour."""
    if known.latitude is None or not len(stars):
        return False
    declination = np.arcsin(np.clip(stars @ known.axes[2], -1.0, 1.0))
    highest = np.pi / 2 - np.abs(known.latitude - declination)
    return bool(np.median(highest) < -np.radians(BELOW_DEG))


def below_horizon(stars: Floats, known: Known) -> bool:
    """Whether a field, unit vectors (n, 3), is below the horizon of the place told, at the time told."""
    if known.latitude is None or known.angle is None or not len(stars):
        return False
    zenith = times.zenith_from_angles(known.latitude, known.angle, known.axes)
    return bool(np.median(stars @ zenith) < -np.sin(np.radians(BELOW_DEG)))


def stars_angle(air: Air, sigma: float) -> tuple[float, float]:
    """Sidereal angle of the zenith as the stars alone show it, and its standard deviation, radians.

    What was known beforehand is taken out of the fit again (both as normal distributions): a place and a clock that
    hold the fit fast say nothing of whether they are right. Infinite where the air is none that can be: then the fit
    has only weakened what it could not turn.
    """
    if abs(air.strength - AIR_STRENGTH) > STRENGTH_SIGMAS * AIR_SIGMA:
        return air.angle, float("inf")
    return _by_stars_alone(air.angle, sigma, air.known[1], air.sigma[1])


def stars_latitude(air: Air, sigma: float) -> tuple[float, float]:
    """The same of the latitude, radians."""
    return _by_stars_alone(air.latitude, sigma, air.known[0], air.sigma[0])


def _by_stars_alone(fitted: float, sigma: float, known: float, prior: float) -> tuple[float, float]:
    """A value and its standard deviation without what was known of it beforehand, which has the deviation `prior`."""
    information = 1.0 / sigma**2 - 1.0 / prior**2 if sigma and prior else 0.0
    if information <= 0:
        return fitted, float("inf")
    return (fitted / sigma**2 - known / prior**2) / information, information**-0.5


def clock_error(air: Air, sigma: float, known: Known | None) -> tuple[float, float] | None:
    """Minutes by which the clock runs ahead of the stars, and their standard deviation; None where it is not told.

    Parameters
    ----------
    air : as fitted; `sigma` its angle's standard deviation, radians
    """
    angle, unsure = stars_angle(air, sigma)
    sigma_min = unsure / times.SIDEREAL_RATE / 60.0
    error = None if known is None or not np.isfinite(sigma_min) else ahead_min(angle, known.angle)
    if error is None or (sigma_min > CLOCK_SIGMA_MIN and abs(error) < CLOCK_SURE * sigma_min):
        return None
    return error, sigma_min


def ahead_min(angle: float, said: float | None) -> float | None:
    """Minutes by which a clock runs ahead of the sidereal time that refraction shows; None where it says nothing."""
    if said is None:
        return None
    ahead = (said - angle + np.pi) % (2 * np.pi) - np.pi
    return round(float(ahead / times.SIDEREAL_RATE / 60.0), 1)
