"""How long to expose: rules for round stars on a fixed camera, and against read noise."""

from __future__ import annotations

import math


def rule_of_500(focal_mm: float, crop: float = 1.0) -> float:
    """Longest exposure by the rule of 500, seconds (common practice): 500 / (focal length in mm x crop factor).

    It allows a trail of 36.5 um on the sensor at the celestial equator, whatever the focal length: 8 px of 4.4 um.
    """
    return 500.0 / (focal_mm * crop)


def npf_full(f_number: float, pixel_um: float, focal_mm: float, declination_deg: float = 0.0, k: float = 1.0) -> float:
    """Longest exposure, seconds: k (16.9 N + 0.1 f + 13.7 p) / (f cos(dec)); k = 1 points, 3 trails just visible.

    Near a pole the sky hardly moves and the rule gives very long times; infinite at the pole itself.

    References
    ----------
    F. Michaud, Societe Astronomique du Havre, "regle NPF".
    """
    lever = focal_mm * math.cos(math.radians(declination_deg))
    if lever <= 1e-9 * focal_mm:
        return math.inf
    return k * (16.9 * f_number + 0.1 * focal_mm + 13.7 * pixel_um) / lever


def read_noise_exposure(read_noise_e: float, sky_e_s: float, share: float = 0.05) -> float:
    """Shortest exposure for which read noise adds no more than `share` to the sky's own noise, seconds.

    sqrt(S t + RN^2) <= (1 + p) sqrt(S t) gives t >= RN^2 / (S ((1 + p)^2 - 1)).

    Parameters
    ----------
    read_noise_e : float
        Electrons, rms.
    sky_e_s : float
        Sky (and dark current), electrons a second and pixel.
    share : float
    """
    return read_noise_e**2 / (sky_e_s * ((1.0 + share) ** 2 - 1.0))


def undithered_noise(lights: float, darks: float) -> float:
    """Noise of a dark-noise-limited stack that stays on the same pixels, in units of one frame's: sqrt(1/N + 1/Nd)."""
    return math.sqrt(1.0 / lights + 1.0 / darks)
