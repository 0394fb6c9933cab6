"""What a motion during the exposure does to the shape of a star, as the fit of `shapes` sees it, and back.

A Gaussian of unit variance drawn out evenly over a length l has, along the motion, the profile
(Phi(x + l/2) - Phi(x - l/2)) / l. The Gaussian of variance m that fits it best by least squares makes
sqrt(m) erf(z)^2 as large as possible, z = l / sqrt(8 (m + 1)), from which

    (m + 1) / m = 4 z exp(-z^2) / (sqrt(pi) erf(z)).

Across the motion nothing changes, and a linear map carries both the star and its fit along; so for any Gaussian star
of moments S and any motion d the fit gives S + gain(l) d d^T with l^2 = d^T S^-1 d and gain = (m - 1) / l^2.
For short motions the gain is 1/12, the variance of an even distribution; it rises to 0.144 and falls again.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import erf


def _table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lengths and fitted variances, both in units of the star's own sigma and variance."""
    # the ratio falls from 2 at z = 0 to 1 at z = 0.99, where the length is infinite
    z = 0.9896 * (1 - np.geomspace(1, 1e-4, 4000))[1:]
    ratio = 4 * z * np.exp(-(z**2)) / (np.sqrt(np.pi) * erf(z))
    good = ratio > 1 + 1e-4
    variance = 1 / (ratio[good] - 1)
    length = z[good] * np.sqrt(8 * (variance + 1))
    return np.concatenate([[0.0], length]), np.concatenate([[1.0], variance])


_LENGTH, _VARIANCE = _table()
_GAIN = np.concatenate([[1 / 12], (_VARIANCE[1:] - 1) / _LENGTH[1:] ** 2])
_GAIN[1:20] = 1 / 12  # below l = 0.1 the difference above is lost in rounding; the series gives 1/12 to 1e-3


def trail_length(variance: ArrayLike) -> NDArray[np.float64]:
    """Length of the motion along which a star of unit variance has a fitted variance; 0 for 1 and below."""
    return np.interp(np.asarray(variance, np.float64), _VARIANCE, _LENGTH)


def trail_gain(length: ArrayLike) -> NDArray[np.float64]:
    """What the fitted variance of a star of unit variance gains along a motion, over the square of its length."""
    return np.interp(np.asarray(length, np.float64), _LENGTH, _GAIN)


def drawn_out(star: NDArray[Any], motion: NDArray[Any]) -> NDArray[np.float64]:
    """Second moments that the fit gives of stars drawn out by a motion.

    Parameters
    ----------
    star : (..., 3) array of mxx, mxy, myy, px^2, without the motion
    motion : (..., 2) array, px

    Returns
    -------
    (..., 3) array of mxx, mxy, myy, px^2
    """
    star, motion = np.asarray(star, np.float64), np.asarray(motion, np.float64)
    sxx, sxy, syy = star[..., 0], star[..., 1], star[..., 2]
    dx, dy = motion[..., 0], motion[..., 1]
    square = (syy * dx**2 - 2 * sxy * dx * dy + sxx * dy**2) / (sxx * syy - sxy**2)
    gain = trail_gain(np.sqrt(np.maximum(square, 0)))
    return np.stack([sxx + gain * dx**2, sxy + gain * dx * dy, syy + gain * dy**2], axis=-1)
