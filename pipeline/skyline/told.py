"""What is told of the ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.cells import between

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Told:
    """What was told.

    Attributes
    ----------
    cells : (rows, columns) float32 array of 0-1, the share of a cell that is ground; None where no ground is found
    confidence : share of the skyline that is a sharp standing edge, 0-1; None where nothing was looked at
    why : a sentence
    side : of a cell, px
    """

    cells: Floats | None
    confidence: float | None
    why: str
    side: int = 1

    def mask(self, shape: tuple[int, int]) -> Floats | None:
        """(height, width) float32 array of 0-1, the share of a pixel that is ground; None where none is found."""
        return None if self.cells is None else between(self.cells, self.side, shape)

    @property
    def share(self) -> float:
        """Of the picture that is ground."""
        return 0.0 if self.cells is None else float(self.cells.mean(dtype=np.float64))
