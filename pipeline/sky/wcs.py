"""The celestial WCS of a frame (TAN-SIP, of a fisheye ARC-SIP), and the constellation its middle lies in."""

from __future__ import annotations

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.sky.geometry import Geometry

Floats = NDArray[np.float64]

# The standard stops at 9. Lower orders are kept where they do as well: an order is enough when no point of the frame
# is further off than this.
ORDER_MAX = 9
ENOUGH_PX = 0.01
# Nodes along each side at which the polynomials are fitted.
NODES = 48
# Lower than this refraction bends too sharply for any polynomial: those directions (mostly ground) count little, so
# that they do not spoil the sky above.
GROUND_DEG, GROUND_WEIGHT = 5.0, 1e-2


def wcs_header(geometry: Geometry) -> fits.Header:
    """Cards of a celestial WCS for the reference's pixel grid.

    Two axes, RA---TAN-SIP and DEC--TAN-SIP, ICRS, of a fisheye RA---ARC-SIP and DEC--ARC-SIP: the gnomonic plane ends
    at 90 degrees, the zenithal equidistant one has the angle itself for its radius. With forward and inverse
    polynomials of the lowest order that describes lens and refraction to 0.01 px, at most 9. `WCSRMSPX` and `WCSMAXPX`
    say how well, over the sky part of the frame.

    Parameters
    ----------
    geometry : a solved scene

    Raises
    ------
    InputError
        The scene was not solved.

    References
    ----------
    Calabretta, M. R. & Greisen, E. W. 2002, "Representations of celestial coordinates in FITS", A&A 395, 1077, 5.1.3
    (TAN) and 5.1.5 (ARC).
    Shupe, D. L. et al. 2005, "The SIP convention for representing distortion in FITS image headers", ASP Conf. Ser.
    347, 491.
    """
    frame, camera = geometry.reference, geometry.camera
    half_w, half_h = camera.width / 2, camera.height / 2
    middle = np.array([(camera.width - 1) / 2, (camera.height - 1) / 2])
    # Chebyshev nodes and the very edge: the largest residual stays near the smallest possible
    nodes = np.concatenate([[-1.0], -np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES), [1.0]])
    u, v = (a.ravel() for a in np.meshgrid(nodes * half_w, nodes * half_h))
    x, y = middle[0] + u, middle[1] + v
    ra0, dec0 = (float(a) for a in geometry.to_sky(frame, middle[0], middle[1]))
    plane = _standard(*geometry.to_sky(frame, x, y), ra0, dec0, camera.fisheye)
    good = np.isfinite(plane).all(axis=1)
    weight = np.ones(len(u))
    zenith = geometry.frames[frame].zenith
    if zenith is not None:
        altitude = np.degrees(np.arcsin(np.clip(geometry.directions(frame, x, y) @ zenith, -1, 1)))
        low = altitude < GROUND_DEG
        # a long lens aimed at the horizon shows nothing else
        if not low[good].all():
            weight[low] = GROUND_WEIGHT
    u, v, plane, weight = u[good], v[good], plane[good], weight[good]
    sky = weight == 1.0
    for order in range(2, ORDER_MAX + 1):
        powers = _powers(order, lowest=1)
        terms = _terms(u / half_w, v / half_h, powers)
        coefficients = np.asarray(
            np.linalg.lstsq(terms * weight[:, None], plane * weight[:, None], rcond=None)[0], np.float64
        )
        linear = coefficients[:2].T / [half_w, half_h]
        off = (terms @ coefficients - plane) @ np.linalg.inv(linear).T
        distance = np.hypot(*off.T)[sky]
        rms, largest = float(np.sqrt(np.mean(distance**2))), float(distance.max())
        if largest < ENOUGH_PX:
            break
    cd = coefficients[:2].T / [half_w, half_h]  # plane (deg) per pixel, linear part
    higher = coefficients[2:] @ np.linalg.inv(cd).T  # pixels
    header = fits.Header()
    header["WCSAXES"] = 2
    projection = "ARC" if camera.fisheye else "TAN"
    header["CTYPE1"], header["CTYPE2"] = f"RA---{projection}-SIP", f"DEC--{projection}-SIP"
    header["CUNIT1"], header["CUNIT2"] = "deg", "deg"
    header["CRPIX1"], header["CRPIX2"] = float(middle[0]) + 1, float(middle[1]) + 1
    header["CRVAL1"], header["CRVAL2"] = ra0, dec0
    for i in (0, 1):
        for j in (0, 1):
            header[f"CD{i + 1}_{j + 1}"] = float(cd[i, j])
    header["RADESYS"] = "ICRS"
    header["A_ORDER"], header["B_ORDER"] = order, order
    for (p, q), (a, b) in zip(powers[2:], higher, strict=True):
        factor = half_w**p * half_h**q
        header[f"A_{p}_{q}"], header[f"B_{p}_{q}"] = float(a / factor), float(b / factor)
    # the way back: pixels from the linear plane
    linear = plane @ np.linalg.inv(cd).T
    reach = np.abs(linear).max(axis=0)
    inverse = _powers(order, lowest=1)
    terms = _terms(linear[:, 0] / reach[0], linear[:, 1] / reach[1], inverse)
    target = np.stack([u, v], axis=1) - linear
    back = np.linalg.lstsq(terms * weight[:, None], target * weight[:, None], rcond=None)[0]
    header["AP_ORDER"], header["BP_ORDER"] = order, order
    for (p, q), (a, b) in zip(inverse, back, strict=True):
        factor = reach[0] ** p * reach[1] ** q
        header[f"AP_{p}_{q}"], header[f"BP_{p}_{q}"] = float(a / factor), float(b / factor)
    header["WCSRMSPX"] = (round(rms, 4), "[px] rms of the WCS against the fitted camera")
    header["WCSMAXPX"] = (round(largest, 4), "[px] largest difference, over the sky")
    return header


def _powers(order: int, lowest: int) -> list[tuple[int, int]]:
    """Exponents (p, q) by total order; x before y among the linear ones."""
    return [(n - q, q) for n in range(lowest, order + 1) for q in range(n + 1)]


def _terms(u: Floats, v: Floats, powers: list[tuple[int, int]]) -> Floats:
    return np.stack([u**p * v**q for p, q in powers], axis=1)


def _standard(ra_deg: Floats, dec_deg: Floats, ra0_deg: float, dec0_deg: float, fisheye: bool) -> Floats:
    """(n, 2) standard coordinates, degrees: gnomonic, NaN beyond 89 degrees, or of a fisheye zenithal equidistant."""
    ra, dec, dec0 = np.radians(ra_deg - ra0_deg), np.radians(dec_deg), np.radians(dec0_deg)
    along = np.sin(dec0) * np.sin(dec) + np.cos(dec0) * np.cos(dec) * np.cos(ra)
    xi = np.cos(dec) * np.sin(ra)
    eta = np.cos(dec0) * np.sin(dec) - np.sin(dec0) * np.cos(dec) * np.cos(ra)
    if fisheye:
        across = np.hypot(xi, eta)
        stretch = np.where(across > 0, np.arctan2(across, along) / np.where(across > 0, across, 1.0), 1.0)
        return np.degrees(np.stack([xi * stretch, eta * stretch], axis=-1))
    along = np.where(along > np.cos(np.radians(89)), along, np.nan)
    return np.degrees(np.stack([xi / along, eta / along], axis=-1))


def constellation(ra_deg: float, dec_deg: float) -> str:
    """The constellation (Latin name) of a place on the sky, offline.

    References
    ----------
    Roman, N. G. 1987, "Identification of a constellation from a position", PASP 99, 695 (as in astropy).
    """
    from astropy.coordinates import SkyCoord, get_constellation
    from astropy.utils import iers

    with iers.conf.set_temp("auto_download", False):
        name = str(get_constellation(SkyCoord(ra_deg, dec_deg, unit="deg", frame="icrs")))
    return "Ophiuchus" if name == "Ophiucus" else name  # astropy's table misspells it
