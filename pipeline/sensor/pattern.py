"""What stays with the sensor and is taken off every frame of a scene that has no dark."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.cells import between


def glow_at_pixels(glow: NDArray[np.float32], block: int, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Glow by blocks of `block` px as (height, width) float32, linear between their middles."""
    # it is brightest at the very edge, beyond the outermost blocks' middles
    return between(glow, block, shape, beyond=0.5)


@dataclass(frozen=True)
class Pattern:
    """What is taken off every frame of a scene without a dark; ADU. `glow` is by blocks of `block` px, None as all."""

    glow: NDArray[np.float32] | None = None
    block: int = 0
    rows: NDArray[np.float32] | None = None
    columns: NDArray[np.float32] | None = None

    def __bool__(self) -> bool:
        return self.glow is not None or self.rows is not None or self.columns is not None

    def at_pixels(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        """The sum of all, (height, width) float32, ADU."""
        total = np.zeros(shape, np.float32)
        if self.glow is not None:
            total += np.maximum(glow_at_pixels(self.glow, self.block, shape), 0)
        if self.rows is not None:
            total += self.rows[:, None]
        if self.columns is not None:
            total += self.columns
        return total
