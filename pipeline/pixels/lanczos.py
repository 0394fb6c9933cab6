"""The Lanczos kernel of three lobes: its weights as a table, and as short polynomials for vector code."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

# Pixels of the source that a resampled pixel reaches to each side of the pixel it lies in.
REACH_BEFORE, REACH_AFTER = 2, 3
# Floats that must lie readable behind the last source pixel: the vector code reads 16 columns where one has weight.
OVERREAD = 16

# Steps of the weight table in one pixel: positions are rounded to 1/1024 px at most, 0.0003 px rms.
PHASES = 512
ROW = 8  # floats a phase takes in the table

# Terms of the weights as polynomials, even and odd: they err by 2.4e-3 at most, 9e-4 rms, and pass waves of 3.3 pixels
# and more as the kernel does to 0.0032, where that itself is off by up to 0.025. With a third term resampling takes a
# seventh longer.
TERMS = 2


def lanczos3(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The Lanczos kernel of three lobes, ``sinc(x) sinc(x / 3)`` for |x| < 3, not normalised."""
    x = np.asarray(x, np.float64)
    return np.where(np.abs(x) < 3, np.sinc(x) * np.sinc(x / 3), 0.0)


def lanczos_table() -> NDArray[np.float32]:
    """Normalised weights of the six pixels -2 .. 3 about a position 0 .. 1 px right of pixel 0, in steps of 1/PHASES.

    Returns
    -------
    ((PHASES + 1) * 8,) float32 array: for each step six weights and two zeros
    """
    offsets = np.arange(-REACH_BEFORE, REACH_AFTER + 1) - np.arange(PHASES + 1)[:, None] / PHASES
    weights = lanczos3(offsets)
    table = np.zeros((PHASES + 1, ROW), np.float32)
    table[:, :6] = weights / weights.sum(axis=1, keepdims=True)
    table[0, :6] = (0, 0, 1, 0, 0, 0)
    table[PHASES, :6] = (0, 0, 0, 1, 0, 0)
    return table.ravel()


def lanczos_polynomials() -> NDArray[np.float32]:
    """The normalised weights as polynomials of the place between two pixels.

    About the middle between pixels 0 and 1 the six weights are three pairs of mirror images: with g = place - 1/2,
    those of pixels -2 + k and 3 - k are ``even(g^2) + g odd(g^2)`` and ``even(g^2) - g odd(g^2)``.

    Returns
    -------
    (3, 2, TERMS) float32 array
        [k, 0] are the coefficients of `even`, [k, 1] those of `odd`, lowest power first.
    """
    g = 0.5 * np.cos(np.pi * (np.arange(400) + 0.5) / 400)  # Chebyshev's points
    weights = lanczos3(np.arange(-REACH_BEFORE, REACH_AFTER + 1)[:, None] - (g + 0.5))
    weights /= weights.sum(axis=0)
    powers = np.vander(g * g, TERMS, increasing=True)
    even = np.linalg.lstsq(powers, (weights[:3] + weights[:2:-1]).T / 2, rcond=None)[0]
    odd = np.linalg.lstsq(powers * g[:, None], (weights[:3] - weights[:2:-1]).T / 2, rcond=None)[0]
    return np.ascontiguousarray(np.stack([even, odd]).transpose(2, 0, 1), np.float32)


def short_weights(place: float) -> NDArray[np.float64]:
    """The six weights of a place 0 .. 1 behind pixel 0, by `lanczos_polynomials`."""
    g = place - 0.5
    even, odd = (POLYNOMIALS[:, n].astype(np.float64) @ (g * g) ** np.arange(TERMS) for n in (0, 1))
    return np.concatenate([even + g * odd, (even - g * odd)[::-1]])


LANCZOS = lanczos_table()
POLYNOMIALS = lanczos_polynomials()
