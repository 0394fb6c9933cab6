"""What a scene's geometry says in figures: of the lens, the air, the clock, and what holds the camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.sky import times
from pipeline.sky.adjust import Adjusted
from pipeline.sky.colour import Lateral, largest_shift
from pipeline.sky.geometry import Geometry
from pipeline.sky.mount import mount_figures
from pipeline.sky.told import Doubt, Known, ahead_min, clock_error, stars_angle
from pipeline.sky.wcs import constellation

Floats = NDArray[np.float64]

# A clock's zone is told where the stars show the time to this, minutes: quarters of an hour part zones.
ZONE_SIGMA_MIN = 2.5


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
        "latitude": _latitude(result.doubt),
        "mount": None,
    }
    placed = known
    if known is not None and result.doubt is not None and result.doubt.sure:
        # what a place says that is none tells nothing of the clock
        placed = replace(known, latitude=None, angle=None, angle_if_utc=None)
    if bundle.air is not None:
        figures["refraction"] = {
            "latitude_deg": round(float(np.degrees(bundle.air.latitude)), 3),
            "sidereal_deg": round(float(np.degrees(bundle.air.angle) % 360.0), 3),
            "strength": round(bundle.air.strength, 4),
            "place": "site" if placed is not None and placed.latitude is not None else "stars",
        }
        sigma = float(bundle.air_sigma[1])
        off = clock_error(bundle.air, sigma, placed)
        figures["clock_error_min"] = None if off is None else off[0]
        figures["clock_sigma_min"] = None if off is None else round(off[1], 1)
        angle, unsure = stars_angle(bundle.air, sigma)
        zoned = unsure / times.SIDEREAL_RATE / 60.0 <= ZONE_SIGMA_MIN
        local = ahead_min(angle, placed.angle_if_utc) if zoned and placed is not None else None
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


def _latitude(doubt: Doubt | None) -> dict[str, Any] | None:
    """What the stars say of the latitude that was told, where they contradict it or may do so."""
    if doubt is None:
        return None
    told = None if doubt.better is None else round(float(np.degrees(doubt.better)), 1)
    return {
        "told_deg": round(float(np.degrees(doubt.told)), 4),
        "wrong": doubt.sure,
        "never_up": doubt.below,
        "by_stars_deg": told,
        "by_stars_sigma_deg": None if told is None else round(float(np.degrees(doubt.sigma)), 1),
    }


def _rounded(value: float) -> float | None:
    """Six places; None for what is not seen."""
    return round(value, 6) if np.isfinite(value) else None
