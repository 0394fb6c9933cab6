"""How many times a master dark's glow a scene's lights have, where that is not how many times its pixels' own."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.survey import block_size, survey_mosaic
from pipeline.sensor import defects
from pipeline.sensor.darkglow import GlowFactor, GlowLaw, dark_glow, glow_factor, glow_power, glow_rise
from pipeline.sensor.glow import colour_levels
from pipeline.sensor.mosaic import MosaicFile

# Lights that are asked, and what the two factors must differ by, over a frame's noise, for one to be asked for.
ASKED, LEAST = 16, 0.02
# A master's broad light that is this many times a frame's noise is looked for in the lights in any case: where they
# have less than this share of what they should, for certain by so many standard errors, it came in as the darks were
# taken, and is no glow.
LARGE, LEAK_SHARE, SURE = 0.5, 0.5, 4.0
DARKEST = 0.05  # of its blocks, that have next to none of it
# Side of the blocks that a master's glow is kept by, px: narrower than glow falls off, of few enough darks still sure.
GLOW_BLOCK = 16
# What may be off over a frame's noise where the power of the glow counts as told.
TOLD = 0.2


@dataclass(frozen=True)
class SceneGlow:
    """A master's glow by blocks of `block` px, ADU; how its factor follows from the pixels', and what it is in each
    light (None: the pixels')."""

    blocks: NDArray[np.float32]
    block: int
    law: GlowLaw
    scales: list[float | None]
    told: dict[str, Any]


def scene_glow(
    mosaics: Sequence[MosaicFile],
    scales: Sequence[float | None],
    lasting: Sequence[float],
    dark: NDArray[np.float32],
    bias: NDArray[np.float32] | None,
    pool: Executor,
) -> SceneGlow | None:
    """The glow's own factors; None where there is too little of it, or of what the factors differ by, to matter.

    Parameters
    ----------
    mosaics : the scene's lights
    scales : their dark factors; None or 0 where no dark is taken off
    lasting : what the exposures alone let expect
    dark : (height, width) float32 array, ADU above the bias
    bias : (height, width) float32 array, ADU above black, or None
    """
    taken = [n for n, scale in enumerate(scales) if scale]
    if not taken:
        return None
    some = [taken[k] for k in np.unique(np.linspace(0, len(taken) - 1, min(ASKED, len(taken))).round().astype(int))]
    block = block_size(dark.shape)
    blocks = dark_glow(dark, block)
    noise = float(np.median([defects.cross_residual_sigma(mosaics[n]) for n in some[:: max(1, len(some) // 3)]]))
    own = np.array([scales[n] for n in taken], np.float64)
    alone = np.array([lasting[n] for n in taken], np.float64)
    peak = float(np.abs(blocks).max(initial=0))
    alike, large = np.abs(own - alone).max() * peak < LEAST * noise, peak >= LARGE * noise
    if alike and not large:
        return None

    def look(n: int) -> NDArray[np.float32]:
        header = mosaics[n].header
        return survey_mosaic(mosaics[n].stored, header.black, bias, saturation=header.saturation, block=block).level

    cfa, found = mosaics[0].header.cfa, None
    if cfa != "MONO":
        levels = list(pool.map(look, some))
        found = glow_factor(colour_levels(levels if len(levels) > 1 else 2 * levels, cfa).mean(axis=0), blocks, noise)
    least = float(np.minimum(own, alone).min())
    if found is not None and large and found.factor + SURE * found.error < LEAK_SHARE * least:
        return _leak(found, dark, scales, taken)
    if alike:
        return None
    asked = [taken.index(n) for n in some]
    power = glow_power(own[asked], alone[asked], found)
    law = GlowLaw(power.power)
    factors = [float(law.factor(scale, of)) for scale, of in zip(own, alone, strict=True)]
    off = power.error * float(np.median(np.abs(np.log(own / alone)) * factors)) * peak
    middle = float(np.median(factors))
    told = {
        "dark_glow_scale": round(middle, 4),
        "dark_glow_error": round(off / peak, 4),
        "dark_glow_told": bool(off < TOLD * noise),
        "dark_glow_adu": round(middle * peak, 2),
        "dark_glow_power": power.power,
        "dark_glow_power_error": round(power.error, 4),
    }
    return SceneGlow(dark_glow(dark, GLOW_BLOCK), GLOW_BLOCK, law, _by_light(scales, taken, factors), told)


def _leak(
    found: GlowFactor, dark: NDArray[np.float32], scales: Sequence[float | None], taken: Sequence[int]
) -> SceneGlow:
    """The broad light of darks that lights hardly have: only what these have is taken off, as far as that is sure.

    Light adds everywhere: what the darkest part of the master shows is its level, not the median.
    """
    blocks = dark_glow(dark, GLOW_BLOCK)
    blocks -= np.float32(np.quantile(blocks, DARKEST))
    share = found.factor if found.factor > SURE * found.error else 0.0
    told = {
        "dark_glow_scale": round(share, 4),
        "dark_glow_error": round(found.error, 4),
        "dark_glow_told": True,
        "dark_glow_adu": round(float(blocks.max()), 2),
        "dark_glow_leaked": True,
    }
    law = GlowLaw(0.0, leaked=share)
    return SceneGlow(blocks, GLOW_BLOCK, law, _by_light(scales, taken, [share] * len(taken)), told)


def glow_between(
    mosaics: Sequence[MosaicFile],
    scales: Sequence[float | None],
    risen: NDArray[np.float32],
    colder: NDArray[np.float32],
    rise: float,
) -> SceneGlow | None:
    """The glow's own shares between darks of two temperatures; None where the pixels' are as good.

    The two masters tell by how much less than the pixels the glow has risen; the pixels' share would be off by the bend
    of what is between: for glow that doubles in 12 degrees, between darks 16 degrees apart, by 0.06 of the warmer's.

    Parameters
    ----------
    mosaics : the scene's lights
    scales : their shares of what the warmer show above the colder; None or 0 where no dark is taken off
    risen : (height, width) float32 array, ADU: what the warmer darks show above the colder
    colder : (height, width) float32 array, ADU above black
    rise : float
        How many times the colder ones' dark signal the pixels of the warmer have.
    """
    taken = [n for n, scale in enumerate(scales) if scale]
    blocks = dark_glow(risen, GLOW_BLOCK)
    own = glow_rise(dark_glow(colder, GLOW_BLOCK), blocks)
    if not taken or own is None or not 1 < rise < np.inf:
        return None
    law = GlowLaw(float(np.clip(np.log(own) / np.log(rise), 0, 1)), rise)
    shares = np.array([scales[n] for n in taken], np.float64)
    factors = [law.factor(share) for share in shares]
    noise = float(np.median([defects.cross_residual_sigma(mosaics[n]) for n in taken[:: max(1, len(taken) // 3)]]))
    peak = float(np.abs(blocks).max(initial=0))
    if np.abs(shares - factors).max() * peak < LEAST * noise:
        return None
    middle = float(np.median(factors))
    told = {
        "dark_glow_scale": round(middle, 4),
        "dark_glow_told": True,
        "dark_glow_adu": round((middle + 1 / (own - 1)) * peak, 2),
        "dark_glow_power": round(law.power, 4),
    }
    return SceneGlow(blocks, GLOW_BLOCK, law, _by_light(scales, taken, factors), told)


def _by_light(scales: Sequence[float | None], taken: Sequence[int], factors: Sequence[float]) -> list[float | None]:
    """The factors in their lights' places; None where no dark is taken off."""
    by_light: list[float | None] = [None] * len(scales)
    for n, factor in zip(taken, factors, strict=True):
        by_light[n] = factor
    return by_light
