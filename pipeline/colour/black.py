"""How far below zero the noise of a picture reaches: what must be laid under it so that none is cut at black.

Told by regions, from the level and spread of their dark pixels. Single pixels tell nothing: beside a lamp interpolation
leaves a few far below black, and a few of a colour that the space does not hold are negative, with no noise in them; a
pedestal made for these would lay a fog over the whole picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

# Side of a region, in pixels of the sample: enough for a quantile, few enough for a strip of dark land.
REGION = 16
# Share of a region's pixels at or below its dark level, so that land that covers a fifth of it counts, rings do not; at
# or below the level that tells how its dark pixels spread; and the least share of its pixels that must have a value.
DARK, TAIL, COVERED = 0.1, 0.02, 0.25
# The noise that is kept, standard deviations below the level: three pixels of ten million are lower.
KEPT_SIGMA = 5.0
# Share of the regions that may be darker than what is laid under the picture provides for: the whole of one is lit by a
# coloured lamp before more than one in so many is dark land.
FEW = 0.005


def lowest_noise(
    rgb: NDArray[np.floating], sigma: NDArray[np.floating], good: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """How low the noise of a picture reaches, (3,), in its own units.

    Parameters
    ----------
    rgb : (3, height, width) array, a sample of the picture
    sigma : (3, height, width) array, its noise, or (3, 1, 1)
    good : (height, width) bool array, which pixels count
    """
    sigma = np.broadcast_to(sigma, rgb.shape)
    whole, cut = _regions(good)
    levels = [_reach(*(_cut_out(plane, whole) for plane in (rgb, sigma)))] if len(whole) else []
    for top, left in cut:
        here = (slice(top, top + REGION), slice(left, left + REGION))
        levels.append(_reach(*(plane[:, *here][:, good[here]][:, None] for plane in (rgb, sigma))))
    if not levels:
        return np.zeros(3)
    return np.asarray(np.quantile(np.concatenate(levels, axis=1), FEW, axis=1))


def _regions(good: NDArray[np.bool_]) -> tuple[NDArray[np.intp], list[tuple[int, int]]]:
    """First row and column of the regions of which every pixel counts, (n, 2), and of those of which enough do."""
    whole, cut = [], []
    for top in range(0, good.shape[0], REGION):
        for left in range(0, good.shape[1], REGION):
            counts = good[top : top + REGION, left : left + REGION]
            number = np.count_nonzero(counts)
            if number == REGION**2:
                whole.append((top, left))
            # a region that the picture's edge cuts short counts as far as it goes
            elif number and number >= COVERED * counts.size:
                cut.append((top, left))
    return np.array(whole, np.intp).reshape(-1, 2), cut


def _cut_out(plane: NDArray[np.floating], regions: NDArray[np.intp]) -> NDArray[np.floating]:
    """The pixels of whole regions, (3, regions, REGION**2)."""
    windows = np.lib.stride_tricks.sliding_window_view(plane, (REGION, REGION), axis=(1, 2))
    return windows[:, regions[:, 0], regions[:, 1]].reshape(3, len(regions), REGION**2)


def _reach(rgb: NDArray[np.floating], sigma: NDArray[np.floating]) -> NDArray[np.floating]:
    """How low the noise of regions reaches, (3, regions), of their pixels (3, regions, pixels)."""
    # numpy sorts short rows several times as fast as it picks single values from them
    rgb, sigma = np.sort(rgb, axis=2), np.sort(sigma, axis=2)
    lower, dark = np.quantile(rgb, (TAIL, DARK), axis=2)
    # uneven light spreads more than its noise, and what is told of noise is too much where the sky itself
    # changes; the dark level of even light lies below its middle by noise already
    spread = (lower - dark) / (ndtri(TAIL) - ndtri(DARK))
    scatter = np.minimum(np.median(sigma, axis=2), spread)
    return np.asarray(dark - (KEPT_SIGMA + ndtri(DARK)) * scatter)
