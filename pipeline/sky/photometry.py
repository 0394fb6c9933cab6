"""How bright one frame is against another, from the stars they have in common."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.sky.table import FrameStars

# Stars fainter than this scatter more than they tell, and are found only where noise lifts them.
SNR_MIN = 10.0
ROUNDS = 3
FEWEST = 5


def flux_scale(
    frames: Sequence[FrameStars], rows: Sequence[NDArray[np.intp]], reference: int
) -> list[tuple[float | None, float | None]]:
    """What each frame's values are multiplied by to match the reference's, with its standard error.

    Median of the ratio reference / frame over stars that are saturated in neither and of signal to noise 10 in both, as
    the weighted mean of both tells: its noise is none of their difference's. Cut by each frame's own flux, the fainter
    frame keeps of its faint stars those that noise lifts (Malmquist's bias, half a per cent of light halved).

    Parameters
    ----------
    frames : their star lists
    rows : for each frame (n,), the star's row in the common table, -1 where none
    reference : position of the reference

    Returns
    -------
    list of (scale, error), None where fewer than five stars tell; (1, 0) for the reference
    """
    size = 1 + max((int(r.max(initial=-1)) for r in rows), default=-1)
    level, noise = np.full(size, np.nan), np.full(size, np.nan)
    good = _usable(frames[reference], rows[reference])
    level[rows[reference][good]] = frames[reference].flux[good]
    noise[rows[reference][good]] = frames[reference].flux_error[good]
    result: list[tuple[float | None, float | None]] = []
    for n, (stars, mine) in enumerate(zip(frames, rows, strict=True)):
        if n == reference:
            result.append((1.0, 0.0))
            continue
        use = _usable(stars, mine)
        use = use[np.isfinite(level[mine[use]])]
        there, here = level[mine[use]], stars.flux[use]
        there_error, here_error = noise[mine[use]], stars.flux_error[use]
        ratio = there / here
        for _ in range(ROUNDS if len(use) else 0):
            scale = float(np.median(ratio)) if len(ratio) else 1.0
            weight = (there_error / (scale * here_error)) ** 2
            light = (there + weight * scale * here) / (1 + weight)
            ratio = (there / here)[light >= SNR_MIN * np.maximum(there_error, scale * here_error)]
        if len(ratio) < FEWEST:
            result.append((None, None))
            continue
        middle = float(np.median(ratio))
        spread = MAD_TO_SIGMA * float(np.median(np.abs(ratio - middle)))
        result.append((middle, MEDIAN_ERROR * spread / float(np.sqrt(len(ratio)))))
    return result


def _usable(stars: FrameStars, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    return np.flatnonzero((rows >= 0) & ~stars.saturated & (stars.flux > 0))
