"""What is told of the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Told:
    """What was told.

    Attributes
    ----------
    mask : (height, width) float32 array of 0-1, the share of a pixel that is ground; None where no ground is found
    confidence : share of the skyline that is a sharp standing edge, 0-1; None where nothing was looked at
    why : a sentence
    share : of the picture that is ground
    """

    mask: Floats | None
    confidence: float | None
    why: str
    share: float = 0.0
