"""What a scene's geometry says in figures: of the lens, the air, the clock, and what holds the camera."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.sky import times
from pipeline.sky.adjust import AIR_SIGMA, AIR_STRENGTH, Adjusted, Known
from pipeline.sky.colour import Lateral, largest_shift
from pipeline.sky.fit import Air
from pipeline.sky.geometry import Geometry
from pipeline.sky.mount import mount_figures
from pipeline.sky.wcs import constellation

Floats = NDArray[np.float64]

# A clock's error is told where the stars show the time to this, minutes, or where it is so many of its standard
# deviations; its zone where quarters of an hour part.
CLOCK_SIGMA_MIN, CLOCK_SURE, ZONE_SIGMA_MIN = 4.0, 5.0, 2.5
# Air further from the usual than this is none.
STRENGTH_SIGMAS = 3.0


def learned(
    geometry: Geometry,
    result: Adjusted,
    seconds: Sequence[float | None],
    reference: int,
    colours: Lateral,
    known: Known | None,
) -> dict[str, Any]:
    """The `learned` of `geometry.json`: plain values for pages.

    Parameters
    ----------
    geometry : as fitted
    result : the fit's outcome, frames in order of time
    seconds : of the frames, s; None where a time is unknown
    reference : position of the reference among them
    colours : what the lens and the air do to colours
    known : date and place, as far as told
    """
    bundle = result.bundle
    figures: dict[str, Any] = {
        "stars_in_table": len(bundle.stars),
        "stars_in_catalogue": result.tied,
        "distortion_corner": _rounded(bundle.camera.bent()) if geometry.solved else None,
        "lateral_colour": _colour_figures(colours),
        "scale_range": round(float(np.ptp(result.scales)), 7),
        "refraction": None,
        "mount": None,
    }
    if bundle.air is not None:
        figures["refraction"] = {
            "latitude_deg": round(float(np.degrees(bundle.air.latitude)), 3),
            "sidereal_deg": round(float(np.degrees(bundle.air.angle) % 360.0), 3),
            "strength": round(bundle.air.strength, 4),
            "place": "site" if known is not None and known.latitude is not None else "stars",
        }
        angle, sigma = stars_angle(bundle.air, float(bundle.air_sigma[1]))
        sigma_min = sigma / times.SIDEREAL_RATE / 60.0
        error = None if known is None or not np.isfinite(sigma_min) else _ahead(angle, known.angle)
        if error is not None and sigma_min > CLOCK_SIGMA_MIN and abs(error) < CLOCK_SURE * sigma_min:
            error = None
        figures["clock_error_min"] = error
        figures["clock_sigma_min"] = None if error is None else round(sigma_min, 1)
        local = None if known is None or sigma_min > ZONE_SIGMA_MIN else _ahead(angle, known.angle_if_utc)
        # zones differ by quarters of an hour
        figures["clock_minus_utc_h"] = None if local is None else round(local / 15.0) / 4.0
    if geometry.solved:
        figures.update(sky_figures(geometry))
        if known is not None and None not in seconds:
            at = np.array(seconds, np.float64) - float(seconds[reference] or 0.0)
            zenith = None if result.zeniths is None else result.zeniths[reference]
            figures.update(mount_figures(bundle.attitudes, at, known.axes, zenith))
    return figures


def _colour_figures(colours: Lateral) -> dict[str, Any] | None:
    """What the lens and the air do to colours, pixels; None where no star told."""
    if not colours.stars:
        return None
    return {
        "corner_px": {c: round(colours.corner_px.get(c, 0.0), 3) for c in "RB"},
        "shift_px": {c: round(largest_shift(colours.shifts, c) or 0.0, 3) for c in "RB"},
        "scatter_px": None if colours.scatter_px is None else round(colours.scatter_px, 3),
        "offsets": colours.stars,
    }


def sky_figures(geometry: Geometry) -> dict[str, Any]:
    """What the reference shows: centre, constellation, scale, and where north is."""
    camera, ref = geometry.camera, geometry.reference
    x, y = (camera.width - 1) / 2, (camera.height - 1) / 2
    ra, dec = (float(a) for a in geometry.to_sky(ref, x, y))
    # position angle of the picture's up, from north through east
    a, d = (float(v) for v in geometry.to_sky(ref, x, y - 1.0))
    east, north = np.radians((a - ra + 180.0) % 360.0 - 180.0) * np.cos(np.radians(dec)), np.radians(d - dec)
    return {
        "centre_ra_deg": round(ra, 6),
        "centre_dec_deg": round(dec, 6),
        "rotation_deg": round(float(np.degrees(np.arctan2(east, north)) % 360.0), 4),
        "pixel_scale_arcsec": round(camera.scale_arcsec, 5),
        "constellation": constellation(ra, dec),
    }


def stars_angle(air: Air, sigma: float) -> tuple[float, float]:
    """Sidereal angle of the zenith as the stars alone show it, and its standard deviation, radians.

    What was known beforehand is taken out of the fit again (both as normal distributions): a place and a clock that
    hold the fit fast say nothing of whether they are right. Infinite where the air is none that can be: then the fit
    has only weakened what it could not turn.
    """
    prior = air.sigma[1]
    if not sigma or not prior or abs(air.strength - AIR_STRENGTH) > STRENGTH_SIGMAS * AIR_SIGMA:
        return air.angle, float("inf")
    information = 1.0 / sigma**2 - 1.0 / prior**2
    if information <= 0:
        return air.angle, float("inf")
    return (air.angle / sigma**2 - air.known[1] / prior**2) / information, information**-0.5


def _ahead(angle: float, said: float | None) -> float | None:
    """Minutes by which a clock runs ahead of the sidereal time that refraction shows; None where it says nothing."""
    if said is None:
        return None
    ahead = (said - angle + np.pi) % (2 * np.pi) - np.pi
    return round(float(ahead / times.SIDEREAL_RATE / 60.0), 1)


def _rounded(value: float) -> float | None:
    """Six places; None for what is not seen."""
    return round(value, 6) if np.isfinite(value) else None
