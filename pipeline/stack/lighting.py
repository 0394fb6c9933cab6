"""What lights the land changes: the frames' factors that bring it to one brightness.

A drift of the black level adds the same everywhere; moonlight, dusk and glow multiply what the land shows, so that no
smooth surface takes the difference away where land is dark beside light.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.regression import MAD_TO_SIGMA

# A factor is believed where it leaves less than this share of the scatter that a constant leaves, and within this
# range; and from so many blocks on.
LESS, GAIN_RANGE, BLOCKS_LEAST = 0.9, (0.05, 20.0), 20


def light_factor(here: NDArray[np.floating], base: NDArray[np.floating]) -> float:
    """By what a frame's levels of the land are to be multiplied to be the reference's; 1 where a constant does as well.

    Parameters
    ----------
    here, base : (colours, n) arrays, ADU above black, of blocks that show the same land; NaN where one does not
    """
    good = np.isfinite(here).all(axis=0) & np.isfinite(base).all(axis=0) & (base > 0).all(axis=0)
    if good.sum() < BLOCKS_LEAST:
        return 1.0
    here, base = np.asarray(here[:, good], np.float64), np.asarray(base[:, good], np.float64)
    gain = float(np.median(here / base))
    if not GAIN_RANGE[0] < gain < GAIN_RANGE[1]:
        return 1.0
    # each over its own gain: noise that a gain scales is not a worse fit
    added, multiplied = _scatter(here - base), _scatter(here / gain - base)
    return 1 / gain if multiplied < LESS * added else 1.0


def _scatter(differences: NDArray[np.float64]) -> float:
    """Robust standard deviation about each colour's median."""
    about: Sequence[NDArray[np.float64]] = [row - np.median(row) for row in differences]
    return MAD_TO_SIGMA * float(np.median(np.abs(np.concatenate(about))))


__all__ = ["light_factor"]
