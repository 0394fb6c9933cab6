"""Master flats: the sensor's and lens's response, one per CFA colour, gradients kept. Arrays only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.sensor.darks import clipped
from pipeline.sensor.defects import COLD, HOT, coarse_level, same_colour_excess
from pipeline.sensor.mosaic import colour_planes

# A pixel that answers to light by this share more or less than its like is given up: division would also multiply its
# noise, and such pixels are as a rule not linear.
RESPONSE_LIMIT = 0.4
# Below this share of the brightest the flat is too dark to divide by (outside a fish-eye's circle).
FLAT_FLOOR = 0.02
# Flats count as exposed between these shares of full scale: above, they are no longer linear, below, noise rules.
FLAT_LOW, FLAT_HIGH = 0.02, 0.9


def flat_level(rows: NDArray[np.float32]) -> float:
    """Level of a flat, ADU above black: the mean over all colours, outliers clipped, of a sample of rows."""
    return clipped(rows, sigma=5.0)[0]


def unusable_flat(level: float, saturated: float, full_scale: float) -> str | None:
    """Why a flat cannot be used, in words; None where it can.

    Parameters
    ----------
    level : float
        ADU above black.
    saturated : float
        Share of saturated pixels.
    full_scale : float
        Saturation above black, ADU.
    """
    if saturated > 0.001 or level > FLAT_HIGH * full_scale:
        return "is overexposed"
    if level < FLAT_LOW * full_scale:
        return f"is too dark ({level:.0f} ADU above black)"
    return None


def normalise(
    mean: NDArray[np.float32], error: NDArray[np.float32], cfa: str
) -> tuple[NDArray[np.float32], NDArray[np.float32], dict[str, float]]:
    """Divide a mean flat by each CFA colour's own mean, so that every colour's flat has mean 1.

    The colour of the light that the flat was taken in falls out; its gradient stays, as nothing in the flat alone can
    tell it from the lens's.

    Parameters
    ----------
    mean, error : (height, width) float32 arrays, ADU above black
    cfa : str

    Returns
    -------
    flat, error : (height, width) float32 arrays, 1 on average
    levels : dict
        Colour to its mean, ADU above black.
    """
    flat, relative = mean.copy(), error.copy()
    levels = {}
    for colour, places in colour_planes(cfa).items():
        level = float(np.mean([mean[r::2, c::2].mean(dtype=np.float64) for r, c in places]))
        if not level > 0:
            raise ValueError(f"the flat's {colour} pixels have no light (mean {level:.1f} ADU above black)")
        levels[colour] = level
        for r, c in places:
            flat[r::2, c::2] /= np.float32(level)
            relative[r::2, c::2] /= np.float32(level)
    return flat, relative, levels


def flat_defects(flat: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Pixels whose response differs from their like by more than `RESPONSE_LIMIT`; COLD where less, HOT where more."""
    defects = np.zeros(flat.shape, np.uint8)
    coarse = coarse_level(flat)
    ys, xs = np.nonzero(np.abs(flat - coarse) > 0.5 * RESPONSE_LIMIT * np.abs(coarse))
    excess = same_colour_excess(flat, ys, xs)
    like = flat[ys, xs] - excess
    flags = np.where(excess > RESPONSE_LIMIT * like, HOT, 0) | np.where(excess < -RESPONSE_LIMIT * like, COLD, 0)
    defects[ys, xs] = flags.astype(np.uint8)
    return defects


def usable(flat: NDArray[np.float32]) -> NDArray[np.float32]:
    """The flat with 0 (which `calibrate` leaves undivided) where it is too dark to divide by."""
    return np.where(flat > FLAT_FLOOR * float(np.percentile(flat[::8, ::8], 99)), flat, np.float32(0))


__all__ = ["flat_defects", "flat_level", "normalise", "unusable_flat", "usable"]
