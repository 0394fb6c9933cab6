"""What clear air takes from each star: its path through the air, and the coefficient that the stars themselves show."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.config import Site
from pipeline.pixels.regression import robust_fit
from pipeline.plan import Look, PlannedFrame, ScenePlan
from pipeline.scene.starlists import middle_of
from pipeline.sky.camera import Camera
from pipeline.sky.motion import airmass, altitude_deg
from pipeline.sky.refraction import bending
from pipeline.sky.times import SIDEREAL_RATE, julian_date, parse, zenith
from pipeline.sky.told import BELOW_DEG
from pipeline.stars.ownlight import LIFTED, SCATTER, Sightings

Floats = NDArray[np.float64]

# Magnitudes an airmass that clear air takes in V, medians of sites (common practice; 0.17 is the default). What the
# stars show beyond that is haze, which is to be told.
CLEAR_AIR = (0.13, 0.20)
MAGNITUDE = 0.4 * float(np.log(10))  # of the natural logarithm
# Standard error of the coefficient, magnitudes an airmass, up to which the stars are believed, and how many of it they
# must be off before air that they do not show is not given back.
KNOWN, UNLIKE = 0.01, 4.0
LOWEST_DEG = 1.0  # of altitude; below it nothing is worth telling
NODES_DEG = 0.05  # step of the table of airmass by altitude


def believed(site: Site | None, frames: Sequence[PlannedFrame], look: Look) -> Site | None:
    """The site, unless the field that was found on the sky is far below its horizon in every frame: a wrong latitude,
    longitude or clock, by which no altitude is worth telling."""
    if site is None or site.latitude is None or site.longitude is None:
        return site
    if look.centre_ra_deg is None or look.centre_dec_deg is None:
        return site
    moments = [m for m in (middle_of(frame, site) for frame in frames) if m is not None and m[1]]
    heights = [
        altitude_deg(look.centre_ra_deg, look.centre_dec_deg, site.latitude, site.longitude, jd) for jd, _ in moments
    ]
    return None if heights and max(heights) < -BELOW_DEG else site


def paths(frames: Sequence[PlannedFrame], scene: ScenePlan, site: Site | None, seen: Sightings) -> Floats | None:
    """Airmass of each sighting (n,); None where site, time, mount or direction are not known.

    The frame that the look solved tells where each pixel points; a tracked camera keeps that, a standing one turns with
    the Earth.
    """
    look = scene.look
    if site is None or site.latitude is None or site.longitude is None or look.tracked is None:
        return None
    of = next((f for f in scene.frames if f.id == look.of), None)
    begun = [parse(f.taken) if f.utc else None for f in frames]
    then = parse(of.taken) if of is not None and of.utc else None
    if look.attitude is None or look.lens is None or then is None or None in begun:
        return None
    lens = Camera.from_json(look.lens)
    attitude = Rotation.from_quat(look.attitude, scalar_first=True)
    ahead = lens.unproject(seen.x, seen.y)
    masses = np.full(len(seen.x), np.nan)
    for n, moment in enumerate(begun):
        if moment is None:
            return None
        here = np.flatnonzero(seen.frame == n)
        turned = 0.0 if look.tracked else SIDEREAL_RATE * (moment - then).total_seconds()
        up = zenith(julian_date(moment), site.latitude, site.longitude)
        up = (attitude * Rotation.from_euler("z", -turned)).apply(up)
        true = np.degrees(np.arcsin(np.clip(ahead[here] @ up, -1, 1)))
        masses[here] = _airmasses(true + bending(true))
    return masses


def _airmasses(altitude_deg: Floats) -> Floats:
    """Airmass at altitudes as seen, from a table; that of `LOWEST_DEG` below it, 1 where there is none."""
    return np.interp(np.nan_to_num(altitude_deg, nan=90.0), *_table())


@cache
def _table() -> tuple[Floats, Floats]:
    """Altitudes, deg, and the airmass at each."""
    nodes = np.arange(LOWEST_DEG, 90 + NODES_DEG, NODES_DEG)
    return nodes, np.array([airmass(float(a)) for a in nodes])


def coefficient(seen: Sightings, masses: Floats, width: int, height: int) -> tuple[float, float]:
    """Magnitudes an airmass that the stars of a scene lose, and its standard error; 0 and inf where none tells.

    A straight line in airmass, beside the lens's falloff, by what changes within a star and is not the same for a whole
    frame: neither a star's own light nor what haze takes from all alike can feign it; what cloud takes here and there
    counts as outlying.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        use = np.flatnonzero((seen.flux > LIFTED * seen.error) & np.isfinite(masses))
        light = np.log(seen.flux[use])
        weight = 1 / ((seen.error[use] / seen.flux[use]) ** 2 + SCATTER**2)
    star, frame = seen.star[use], seen.frame[use]
    if len(use) < 3:
        return 0.0, np.inf
    half = np.hypot(width, height) / 2
    rho2 = ((seen.x[use] - (width - 1) / 2) / half) ** 2 + ((seen.y[use] - (height - 1) / 2) / half) ** 2
    columns = np.column_stack([masses[use], rho2, rho2**2, light])
    for group in (star, frame) * 3:
        total = np.maximum(np.bincount(group, weight), 1e-300)
        columns = columns - np.column_stack([np.bincount(group, weight * c) / total for c in columns.T])[group]
    if not weight @ columns[:, 0] ** 2 > 0:
        return 0.0, np.inf
    slope, error = robust_fit(columns[:, :3], columns[:, 3], weight)
    return -float(slope[0]) / MAGNITUDE, float(error[0]) / MAGNITUDE


def asked(found: float, error: float, stated: float) -> float:
    """The coefficient to give back: what the stars show, within that of clear air; 0 where they show none.

    Parameters
    ----------
    found, error : of `coefficient`
    stated : of the settings; it stands where the stars do not tell, or where it is none of clear air
    """
    if not error < KNOWN:
        return stated
    if found < CLEAR_AIR[0] / 2 - UNLIKE * error:
        return 0.0
    if not CLEAR_AIR[0] <= stated <= CLEAR_AIR[1]:
        return stated
    return float(np.clip(found, *CLEAR_AIR))
