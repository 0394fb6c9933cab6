"""What lights the land changes: the frames' factors that bring it to one brightness, and frames in another light.

A drift of the black level adds the same everywhere; moonlight, dusk and glow multiply what the land shows, so that no
smooth surface takes the difference away where land is dark beside light. What a passing car or a lamp throws on it has
a shape of its own: no factor makes such frames like the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA

# A factor is believed where it leaves less than this share of the scatter that a constant leaves, and within this
# range; and from so many blocks on.
LESS, GAIN_RANGE, BLOCKS_LEAST = 0.9, (0.05, 20.0), 20
# Land is lit otherwise in a frame where, brought to one brightness, more than this share of its blocks are off by more
# than so many times what the steadier quarter of frames of like brightness differ by, and this share of the light.
OTHERWISE_BLOCKS, OTHERWISE, OTHERWISE_SHARE = 0.2, 5.0, 0.25
# Where fewer than this share of the frames are in one light, so many others are tried for the one to begin from.
MOST, TRIED = 0.7, 24
# A flash shows the land so many times as bright as each of the frames just before and after it, so many each way.
FLASH, FLASH_ABOUT = 1.5, 2
# A picture of fewer frames is not made of those alone: nothing that passes could be told from the land.
ALIKE_LEAST = 3


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
    levels : n of (colours, blocks), ADU above black, of the same land, in order of time; NaN where a frame does not
        show it
    reference : the base where nothing tells
    """
    n, green = len(levels), len(levels[0]) // 2
    shown = [level[green][np.isfinite(level[green])] for level in levels]
    bright = np.array([np.median(one) if one.size else np.nan for one in shown])
    known = np.flatnonzero(np.isfinite(bright))
    if not len(known):
        return OneLight(reference, np.ones(n), np.ones(n, bool))
    by_brightness = known[np.argsort(bright[known], kind="stable")]
    steps = [_apart(levels[one], levels[other])[1] for one, other in pairwise(by_brightness.tolist())]
    noise = OTHERWISE * float(np.quantile([np.median(off) for off in steps if off.size] or [0.0], 0.25))
    best = _from(levels, int(by_brightness[(len(known) - 1) // 2]), noise)
    if best.alike.mean() < MOST:
        # the light changed for good, as when the moon rose: the largest set of frames that agree
        tried = by_brightness[np.unique(np.linspace(0, len(known) - 1, min(len(known), TRIED)).round().astype(int))]
        found = [best, *(_from(levels, int(k), noise) for k in tried)]
        # of as many the one that begins from the middle of them
        best = max(found, key=lambda one: (one.alike.sum(), -abs(bright[one.base] - np.nanmedian(bright[one.alike]))))
    best = replace(best, alike=best.alike & ~_flashes(best))
    return best if best.alike.sum() >= min(ALIKE_LEAST, n) else replace(best, alike=np.ones(n, bool))


def _flashes(light: OneLight) -> NDArray[np.bool_]:
    """Frames, (n,) bool, in which the land is much brighter than before and after: lightning may light all of it alike,
    and a factor makes such a frame like the others, but it would lift the mean that all are brought to."""
    bright, flash = 1 / light.factors, np.zeros(len(light.factors), bool)
    for k, here in enumerate(bright):
        about = np.concatenate([bright[max(k - FLASH_ABOUT, 0) : k], bright[k + 1 : k + 1 + FLASH_ABOUT]])
        flash[k] = about.size > 0 and here > FLASH * about.max()
    return flash & (np.arange(len(flash)) != light.base)


def _from(levels: Sequence[NDArray[np.floating]], base: int, noise: float) -> OneLight:
    """The frames against one of them; what differs by less than `noise`, ADU, does not count."""
    factors, alike = np.ones(len(levels)), np.ones(len(levels), bool)
    for k, here in enumerate(levels):
        if k == base:
            continue
        factors[k], off, light = _apart(here, levels[base])
        if off.size:
            alike[k] = (off > np.maximum(OTHERWISE_SHARE * light, noise)).any(axis=0).mean() <= OTHERWISE_BLOCKS
    return OneLight(base, factors, alike)


def _apart(
    here: NDArray[np.floating], base: NDArray[np.floating]
) -> tuple[float, NDArray[np.floating], NDArray[np.floating]]:
    """The factor of a frame's levels, and in the blocks that both show by what they are off then, a constant apart, and
    the lesser of their lights."""
    factor = light_factor(here, base)
    off = factor * here - base
    both = np.isfinite(off).all(axis=0)
    if not both.any():
        return factor, off[:, both], off[:, both]
    off = off[:, both]
    light = np.minimum(np.abs(base), np.abs(factor * here))[:, both]
    return factor, np.abs(off - np.median(off, axis=1, keepdims=True)), light


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
