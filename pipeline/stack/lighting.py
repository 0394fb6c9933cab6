"""What lights the land changes: the frames' factors that bring it to one brightness, and frames in another light.

A drift of the black level adds the same everywhere; moonlight, dusk and glow multiply what the land shows, so that no
smooth surface takes the difference away where land is dark beside light. What a passing car or a lamp throws on it has
a shape of its own: no factor makes such frames like the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.regression import MAD_TO_SIGMA

# A factor is believed where it leaves less than this share of the scatter that a constant leaves, and within this
# range; and from so many blocks on.
LESS, GAIN_RANGE, BLOCKS_LEAST = 0.9, (0.05, 20.0), 20
# Land is lit otherwise in a frame where, brought to one brightness, a fifth of its blocks are off by more than so many
# times what they are in most frames, and by more than this share of the land's level.
OTHERWISE, OTHERWISE_SHARE = 5.0, 0.1


@dataclass(frozen=True)
class OneLight:
    """`base`: number of the frame of middling brightness; `factors` (n,) that bring the others to it; `alike` (n,),
    whether a frame shows the land in the light that most do."""

    base: int
    factors: NDArray[np.float64]
    alike: NDArray[np.bool_]


def one_light(levels: Sequence[NDArray[np.floating]], reference: int) -> OneLight:
    """Compare what n frames show of the land.

    Parameters
    ----------
    levels : n of (colours, blocks), ADU above black, of the same land; NaN where a frame does not show it
    reference : the base where nothing tells
    """
    n, green = len(levels), len(levels[0]) // 2
    shown = [level[green][np.isfinite(level[green])] for level in levels]
    bright = np.array([np.median(one) if one.size else np.nan for one in shown])
    factors, off = np.ones(n), np.zeros(n)
    if np.isfinite(bright).any():
        reference = int(np.nanargmin(np.abs(bright - np.nanmedian(bright))))
    base = levels[reference]
    for k in range(n):
        if k == reference:
            continue
        factors[k] = light_factor(levels[k], base)
        apart = factors[k] * levels[k] - base
        apart = apart[:, np.isfinite(apart).all(axis=0)]
        if apart.size:
            off[k] = np.quantile(np.abs(apart - np.median(apart, axis=1, keepdims=True)), 0.8)
    least = max(OTHERWISE * float(np.median(off)), OTHERWISE_SHARE * float(np.nan_to_num(bright[reference])))
    return OneLight(reference, factors, off <= least)


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


__all__ = ["OneLight", "light_factor", "one_light"]
