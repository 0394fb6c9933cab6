"""How bright the sky is, in magnitudes per square arcsecond, from the catalogue's stars before it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.pixels.normal import MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.pixels.regression import robust_fit
from pipeline.sky import catalogue
from pipeline.sky.directions import unit_vectors
from pipeline.sky.geometry import Geometry
from pipeline.sky.motion import airmass

Floats = NDArray[np.float64]

ARCSEC = 206264.806
NEAR_PX = 3.0  # a star and its place in the catalogue; the fit places them to a tenth of that
SNR_LEAST = 20.0
FEWEST = 20  # stars before a zero point is told
EXTINCTION = 0.17  # magnitudes an airmass of clear air, in green (check: a good site's value in V)
EXTINCTION_RANGE = (0.05, 1.5)  # that is believed of what the field's own spread in airmass tells
EXTINCTION_ERROR = 0.04  # with which it must be told to be used
AIRMASS_USUAL = 1.4  # where nothing tells where the zenith is: of a field 45 degrees high
AIRMASS_MOST = 8.0  # lower stars are left out


@dataclass(frozen=True)
class Brightness:
    """`magnitude` per arcsec^2, of the catalogue's band (G), of a sky of 1 ADU a second and pixel, as above the air;
    `error` of it by the scatter of the stars; `extinction` magnitudes an airmass, and whether it was `measured` in the
    field; `stars` that told. `star_zero` the magnitude of a star that gives 1 ADU a second on the axis of the lens, as
    above clear air, and its `star_zero_error`: haze makes it smaller."""

    magnitude: float
    error: float
    extinction: float
    measured: bool
    stars: int
    star_zero: float
    star_zero_error: float


@dataclass(frozen=True)
class Frame:
    """What a frame gives: star list (x, y, flux, flux_error, background, saturated), exposure, the level of its sky
    that is to be told in magnitudes, dark signal taken off, and what that adds, ADU; `zenith` (3,) ICRS or None."""

    id: str
    stars: NDArray[Any]
    exposure_s: float
    level_adu: float
    dark_adu: float = 0.0
    zenith: Floats | None = None


def sky_zero(frames: Sequence[Frame], geometry: Geometry) -> Brightness | None:
    """What a sky of 1 ADU a second and pixel is in magnitudes per arcsec^2.

    Each star of known magnitude G, with flux F, says of the sky B behind it, in pixels of A arcsec^2, that it has
    ``G + 2.5 log10(F / B) + 2.5 log10 A`` magnitudes per arcsec^2; vignetting dims both alike. The median over stars is
    the sky's of a frame whose level is `Frame.level_adu`. What the air takes from the star (extinction times airmass)
    is given back, so that the sky is told as one outside the air would look.

    Colours are not told apart: a sky that is redder or bluer than the stars is off by what green and G then differ,
    0.15 mag for one of 5,200 K before stars as they are found (measured on the maker's frames).

    Parameters
    ----------
    frames : a few clear ones
    geometry : solved

    Returns
    -------
    Brightness or None where fewer than `FEWEST` stars tell
    """
    values, levels, air, rho2, areas = [], [], [], [], []
    for frame in frames:
        told = _stars(frame, geometry)
        if told is not None:
            z_frame, sky, mass_frame, r2_frame, area = told
            values.append(z_frame)
            # at a star's place the sky has the falloff of the place; what is told is that of the frame's level
            levels.append(sky / frame.level_adu)
            air.append(mass_frame)
            rho2.append(r2_frame)
            areas.append(area)
    if not values:
        return None
    z, level, mass, r2, square = (np.concatenate(part) for part in (values, levels, air, rho2, areas))
    if len(z) < FEWEST:
        return None
    extinction, measured = EXTINCTION, False
    # the lens's falloff dims stars with the distance from the axis, the air with airmass: both are fitted together
    design = np.column_stack([np.ones_like(z), -mass, r2, r2**2])
    told_k = _fit(design, z)
    if told_k is not None:
        k, error = told_k
        if error < EXTINCTION_ERROR and EXTINCTION_RANGE[0] < k < EXTINCTION_RANGE[1]:
            extinction, measured = k, True
    magnitudes = z + extinction * mass - 2.5 * np.log10(level)
    middle = float(np.median(magnitudes))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(magnitudes - middle)))
    # clear air's extinction, not the measured one: what haze takes is to show
    stars = z - 2.5 * np.log10(square) + EXTINCTION * mass
    zero, errors = robust_fit(np.column_stack([np.ones_like(z), r2, r2**2]), stars)
    error = MEDIAN_ERROR * spread / float(np.sqrt(len(z)))
    return Brightness(middle, error, extinction, measured, len(z), float(zero[0]), float(errors[0]))


def _stars(frame: Frame, geometry: Geometry) -> tuple[Floats, Floats, Floats, Floats, Floats] | None:
    """Of a frame's catalogue stars: G + 2.5 log10 of flux a second and pixel's arcsec^2; sky, ADU; airmass; rho^2; a
    pixel's arcsec^2."""
    stars = frame.stars
    sky = np.asarray(stars["background"], np.float64) - frame.dark_adu
    good = ~np.asarray(stars["saturated"], bool) & (stars["flux"] > SNR_LEAST * stars["flux_error"]) & (sky > 0)
    stars, sky = stars[good], sky[good]
    if not len(stars) or frame.exposure_s <= 0 or frame.level_adu <= 0:
        return None
    x, y = np.asarray(stars["x"], np.float64), np.asarray(stars["y"], np.float64)
    vectors = unit_vectors(*np.radians(geometry.to_sky(frame.id, x, y)))
    seen = np.asarray(np.isfinite(vectors).all(axis=1))
    if seen.sum() < 3:
        return None
    centre = vectors[seen].mean(axis=0)
    centre /= np.linalg.norm(centre)
    stored = catalogue.load()
    reach = float(np.arccos(np.clip((vectors[seen] @ centre).min(), -1, 1))) + 0.01
    near = stored.within(centre, reach)
    if not len(near):
        return None
    distance, which = cKDTree(stored.vectors[near]).query(np.where(seen[:, None], vectors, 2.0))
    hit = seen & (distance < NEAR_PX / geometry.camera.focal_px)
    if not hit.any():
        return None
    x, y, vectors, sky = x[hit], y[hit], vectors[hit], sky[hit]
    camera = geometry.camera
    here, right, down = (camera.unproject(x + a, y + b) for a, b in ((0, 0), (1, 0), (0, 1)))
    area = np.linalg.norm(np.cross(right - here, down - here), axis=1) * ARCSEC**2
    mass = np.full(len(x), AIRMASS_USUAL)
    if frame.zenith is not None:
        mass = np.array([airmass(a) for a in np.degrees(np.arcsin(np.clip(vectors @ frame.zenith, -1, 1)))])
    z = stored.magnitudes[near[which[hit]]] + 2.5 * np.log10(stars["flux"][hit] / frame.exposure_s * area)
    r2 = 4 * ((x - camera.centre_x) ** 2 + (y - camera.centre_y) ** 2) / (camera.width**2 + camera.height**2)
    use = (mass < AIRMASS_MOST) & np.isfinite(z)
    return z[use], sky[use], mass[use], r2[use], area[use]


def _fit(design: Floats, target: Floats) -> tuple[float, float] | None:
    """The second coefficient of a robust fit (Huber) and its standard error; None where the terms do not part."""
    if float(np.ptp(design[:, 1])) < 0.2:
        return None
    solution, errors = robust_fit(design, target)
    return float(solution[1]), float(errors[1])
