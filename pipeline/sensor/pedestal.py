"""The pedestal of a camera whose files state no black level, from how its noise grows with the light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.noise import photon_transfer

# Read noise taken for granted, and its range, electrons (common practice: cameras of the last twenty years).
READ_NOISE, READ_NOISE_RANGE = 3.0, (1.0, 8.0)
# Parts of the blocks that tell it each for itself, and the error, over the sky's height above it, that is of use.
PARTS, ERROR_MAX = 4, 0.1


@dataclass(frozen=True)
class Pedestal:
    """What the camera adds to every pixel, and how well it is known, ADU."""

    level: float
    error: float


def pedestal(levels: NDArray[np.floating], variances: NDArray[np.floating]) -> Pedestal | None:
    """Tell the pedestal from the line of variance against level; None where the blocks do not tell it to a tenth.

    Photon noise is nothing where there is no light: the line meets no variance at the pedestal less the read noise's
    square over the slope, which is some ADU.

    Parameters
    ----------
    levels, variances : (n,) arrays, ADU as the camera wrote them and ADU^2 of one pixel (`transfer.transfer_blocks`)
    """
    if len(levels) < 20 * PARTS:
        return None
    lowest = float(np.percentile(levels, 1))
    crossings, slopes = [], []
    for part in range(PARTS):
        # measured from the lowest level, where the variance is above nothing
        line = photon_transfer(levels[part::PARTS] - lowest, variances[part::PARTS])
        if not line.measured:
            return None
        crossings.append(lowest - line.read_variance / line.adu_per_electron)
        slopes.append(line.adu_per_electron)
    slope = float(np.mean(slopes))
    level = float(np.mean(crossings)) + slope * READ_NOISE**2
    own = slope * max(READ_NOISE_RANGE[1] ** 2 - READ_NOISE**2, READ_NOISE**2 - READ_NOISE_RANGE[0] ** 2) / 2
    error = float(np.hypot(np.std(crossings, ddof=1) / np.sqrt(PARTS), own))
    sky = float(np.median(levels)) - level
    if level < 0 or error > ERROR_MAX * sky:
        return None
    return Pedestal(min(level, lowest), error)
