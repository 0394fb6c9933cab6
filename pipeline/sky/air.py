"""Whether the air takes part in a scene's fit, and from where: the place that is told, unless the stars contradict it,
or where they put the zenith themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.sky import times
from pipeline.sky.camera import Camera
from pipeline.sky.fit import Air, Bundle, Observations, bundle_cost, fit
from pipeline.sky.told import (
    AIR_SIGMA,
    AIR_STRENGTH,
    Doubt,
    Known,
    below_horizon,
    clock_error,
    never_up,
    stars_latitude,
)
from pipeline.sky.zenith import seek_zenith

Floats = NDArray[np.float64]

# Refraction must lower the robust sum by this much to be kept, and may raise it by no more where the place is told:
# the square of its significance in standard deviations.
GAIN = 36.0
# Another latitude explains as well as another time what the stars contradict, where its sum is larger by no more.
AS_WELL = 9.0
# Refraction moves stars against each other by about a part in a thousand of their distance at 30 degrees altitude;
# what that makes of the turn of the field must exceed this before the zenith is sought, pixels.
AIR_MATTERS_PX = 0.02
# Steps of the fit in which the air stands.
STANDING_STEPS = 6
# How well a latitude and a clock that are told are known, radians; and what is not told.
SURE_LATITUDE, SURE_ANGLE, LOOSE = float(np.radians(0.3)), float(np.radians(0.6)), 1.0
# A latitude is looked at again where the stars draw it this far off, in its standard deviations and in radians:
# planted stars of two hours at 45 degrees of altitude put it 1.9 degrees wrong, with 0.7 for its deviation.
LATITUDE_SURE, LATITUDE_OFF = 5.0, float(np.radians(5.0))
# An error of the clock below this, minutes, is worth no second look at the latitude.
WORTH_MIN = 12.0


@dataclass(frozen=True)
class Fitting:
    """What every fit of a scene with air shares.

    Parameters
    ----------
    obs, catalogue, free, hold, prior : as for `fit`
    known : place and time
    seconds : (frames,) against the reference's time
    """

    obs: Observations
    catalogue: Floats
    free: list[bool]
    hold: int | None
    prior: Camera | None
    known: Known
    seconds: Floats

    def fitted(self, bundle: Bundle, steps: int) -> Bundle:
        """The bundle after so many steps."""
        return fit(
            bundle, self.obs, self.catalogue, free=self.free, hold_frame=self.hold, hold_camera=self.prior, steps=steps
        )

    def settled(self, bundle: Bundle, start: Air, steps: int) -> Bundle:
        """The bundle with air."""
        # all else gives way to the air first: else its strength, held least, gives way to a lens fitted without it
        begun = self.fitted(replace(bundle, air=replace(start, sigma=(0.0, 0.0, 0.0))), STANDING_STEPS)
        return self.fitted(replace(begun, air=start), steps)

    def cost(self, bundle: Bundle, scale: Floats) -> float:
        """What two fits are compared by: the robust sum, and how unusual the air's strength is."""
        unusual = 0.0 if bundle.air is None else (bundle.air.strength - AIR_STRENGTH) / AIR_SIGMA
        return bundle_cost(bundle, self.obs, scale) + unusual**2

    def afresh(self, without: Bundle) -> Bundle:
        """The bundle with the catalogue's stars in their places: without air they have been drawn off them, where
        robust ties would hold them."""
        tied = np.isfinite(self.catalogue[:, :1])
        return replace(without, stars=np.where(tied, self.catalogue, without.stars))

    def sought(self, without: Bundle, latitude: float | None, angle: float | None = None) -> Bundle | None:
        """The fit with air from where the stars put the zenith, one of its angles held where it is given; None where
        there are too few stars."""
        begun = seek_zenith(
            without, self.obs, self.catalogue, self.free, self.known.axes, self.seconds,
            latitude, AIR_STRENGTH, AIR_SIGMA, angle,
        )  # fmt: skip
        if begun is None:
            return None
        found, camera = begun
        loose = (LOOSE if latitude is None else SURE_LATITUDE, LOOSE if angle is None else SURE_ANGLE, AIR_SIGMA)
        if angle is not None:
            # the same turn of the Earth: a zenith's angle is told within one
            found = replace(found, angle=angle + (found.angle - angle + np.pi) % (2 * np.pi) - np.pi)
        held = (
            found.latitude if latitude is None else latitude,
            found.angle if angle is None else angle,
            AIR_STRENGTH,
        )
        start = replace(found, sigma=loose, known=held)
        return self.settled(replace(self.afresh(without), camera=camera), start, 12)


def with_air(without: Bundle, fitting: Fitting) -> tuple[Bundle, Doubt | None]:
    """The bundle with refraction, where the stars ask for it or the place is known; and where they contradict that.

    Parameters
    ----------
    without : a fit without air, solved
    """
    known, camera = fitting.known, without.camera
    doubt = None
    if known.latitude is not None and never_up(without.stars, known):
        # as if no place were given
        doubt = Doubt(known.latitude, sure=True, below=True)
        known = replace(known, latitude=None, angle=None)
    half = float(np.hypot(camera.width, camera.height)) / 2
    turn = times.SIDEREAL_RATE * float(np.ptp(fitting.seconds))
    if 1e-3 * half * min(turn, 1.0) < AIR_MATTERS_PX and half / camera.focal_px < 0.2:
        return without, doubt
    none = fitting.fitted(without, 8)
    if known.latitude is None:
        found = _asked_for(fitting.sought(without, None), none, without, fitting)
        if doubt is not None and found.air is not None:
            doubt = replace(doubt, better=found.air.latitude, sigma=float(found.air_sigma[0]))
        return found, doubt
    told: Bundle | None = None
    if known.angle is not None and not below_horizon(without.stars, known):
        start = Air(
            known.axes, fitting.seconds, known.latitude, known.angle, AIR_STRENGTH,
            (SURE_LATITUDE, SURE_ANGLE, AIR_SIGMA), (known.latitude, known.angle, AIR_STRENGTH),
        )  # fmt: skip
        told = fitting.settled(fitting.afresh(without), start, 8)
        # written so that a sum that is no number does not pass
        if not fitting.cost(told, none.scale) <= fitting.cost(none, none.scale) + GAIN:
            told = None
        elif told.air is not None and (
            abs(told.air.angle - known.angle) < SURE_ANGLE and abs(told.air.latitude - known.latitude) < SURE_LATITUDE
        ):
            return told, None
    return _another_time(told, none, without, fitting, known.latitude)


def _asked_for(sought: Bundle | None, none: Bundle, without: Bundle, fitting: Fitting) -> Bundle:
    """The fit with air where the stars ask for it, else that without."""
    if sought is None:
        return without
    gain = fitting.cost(none, sought.scale) - fitting.cost(sought, sought.scale)
    return sought if gain > GAIN else none


def _another_time(
    told: Bundle | None, none: Bundle, without: Bundle, fitting: Fitting, latitude: float
) -> tuple[Bundle, Doubt | None]:
    """The fit at a latitude that is told, at the time that the stars show (a clock an hour wrong, a zone that is not
    known); where they contradict the latitude as well, the fit without either.

    Parameters
    ----------
    told : the fit with place and clock, if there is one and the stars do not contradict it
    """
    sought = fitting.sought(without, latitude)
    if told is not None:
        if sought is None:
            return told, None
        gain = fitting.cost(told, sought.scale) - fitting.cost(sought, sought.scale)
        return (sought if gain > GAIN else told), None
    # what is found where no place is told may say otherwise
    free = fitting.sought(without, None)
    if free is None:
        return without, None
    rival = min(none, free, key=lambda bundle: fitting.cost(bundle, none.scale))
    # no zenith of that latitude above which the field stands, or none that agrees
    if sought is not None and fitting.cost(sought, none.scale) <= fitting.cost(rival, none.scale) + GAIN:
        # a clock that the stars contradict says that there is air all the same
        return (sought if fitting.known.angle is not None else _asked_for(sought, none, without, fitting)), None
    found, doubt = _asked_for(free, none, without, fitting), Doubt(latitude, sure=True)
    if found.air is not None:
        doubt = replace(doubt, better=found.air.latitude, sigma=float(found.air_sigma[0]))
    return found, doubt


def latitude_shown(bundle: Bundle, fitting: Fitting) -> tuple[Bundle, Doubt | None]:
    """Where the stars draw a latitude that is told away from what it was held to: whether they contradict it at any
    time, and the fit at theirs.

    Parameters
    ----------
    bundle : the finished fit
    """
    known, air = fitting.known, bundle.air
    if air is None or known.latitude is None:
        return bundle, None
    shown, sigma = stars_latitude(air, float(bundle.air_sigma[0]))
    if not abs(shown - known.latitude) > max(LATITUDE_SURE * sigma, LATITUDE_OFF):
        return bundle, None
    held = replace(air, latitude=known.latitude, sigma=(0.0, LOOSE, AIR_SIGMA))
    free = replace(air, sigma=(LOOSE, LOOSE, AIR_SIGMA), known=(shown, air.angle, AIR_STRENGTH))
    at_told, at_shown = (fitting.fitted(replace(bundle, air=each), 12) for each in (held, free))
    if at_shown.air is None or fitting.cost(at_told, bundle.scale) - fitting.cost(at_shown, bundle.scale) <= GAIN:
        return bundle, None
    return at_shown, Doubt(known.latitude, sure=True, better=at_shown.air.latitude, sigma=float(at_shown.air_sigma[0]))


def latitude_instead(bundle: Bundle, fitting: Fitting) -> tuple[Bundle, Doubt | None]:
    """Where the stars contradict the clock: whether another latitude explains it, as well or better.

    Parameters
    ----------
    bundle : the finished fit

    Returns
    -------
    bundle : that at the other latitude, where the clock's error is none
    Doubt, or None where the latitude is not in question
    """
    known, air = fitting.known, bundle.air
    if air is None or known.latitude is None or known.angle is None:
        return bundle, None
    off = clock_error(air, float(bundle.air_sigma[1]), known)
    if off is None or abs(off[0]) < WORTH_MIN:
        return bundle, None
    # what is told stands fast in either: else a little of it gives way to what it is held against
    at_told = replace(air, latitude=known.latitude, sigma=(0.0, LOOSE, AIR_SIGMA), known=air.known)
    by_clock = fitting.fitted(replace(bundle, air=at_told), 12)
    by_latitude = fitting.sought(fitting.fitted(replace(bundle, air=None), 8), None, known.angle)
    if by_latitude is None or by_latitude.air is None:
        return bundle, None
    at_told = replace(by_latitude.air, angle=known.angle, sigma=(LOOSE, 0.0, AIR_SIGMA))
    by_latitude = fitting.fitted(replace(by_latitude, air=at_told), 12)
    if by_latitude.air is None or abs(by_latitude.air.latitude - known.latitude) < LATITUDE_OFF:
        return bundle, None
    more = fitting.cost(by_latitude, bundle.scale) - fitting.cost(by_clock, bundle.scale)
    if more > GAIN:
        return bundle, None
    if more > AS_WELL:
        return bundle, Doubt(known.latitude, sure=False)
    told = Doubt(
        known.latitude, sure=more < -GAIN, better=by_latitude.air.latitude, sigma=float(by_latitude.air_sigma[0])
    )
    return (by_latitude if told.sure else bundle), told
