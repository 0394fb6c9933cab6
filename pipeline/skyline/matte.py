"""Soft edges: the share of a pixel that is ground, from where its level lies between the ground's and the sky's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# Pixels on either side of the skyline that may be shared.
BAND = 2
# Contrast of ground and sky over the noise from which a pixel may be shared between them; shares below that of so many
# standard deviations are none.
CONTRAST, SURE = 6.0, 2.5


def soften(ground: Bools, picture: Floats, sky: tuple[Floats, Floats], land: Floats) -> Floats:
    """Make a soft mask of a hard one.

    Parameters
    ----------
    ground : (rows, columns) bool array
    picture : (colours, rows, columns) float32 array
    sky : the sky's level and its scatter, arrays like `picture`
    land : the ground's level, likewise

    Returns
    -------
    (rows, columns) float32 array, 0-1; as `ground` beyond a narrow band about the skyline, where contrast is poor, and
    where a pixel is no mixture of the two: a lamp, a star
    """
    band = ndimage.binary_dilation(ground, iterations=BAND)
    band &= ~ndimage.binary_erosion(ground, iterations=BAND, border_value=1)
    top, contrast = np.zeros(ground.shape, np.float32), np.zeros(ground.shape, np.float32)
    for plane, level, sigma, own in zip(picture, *sky, land, strict=True):
        step = (own - level) / sigma
        top += step * (plane - level) / sigma
        contrast += step**2
    contrast = np.maximum(contrast, np.float32(1e-6))
    share, sure = top / contrast, SURE / np.sqrt(contrast)
    good = band & (contrast > CONTRAST**2) & (share > -2 * sure - 0.1)
    soft = ground.astype(np.float32)
    soft[good] = np.clip(np.where(share < sure, 0, share), 0, 1)[good]
    return soft


__all__ = ["soften"]
