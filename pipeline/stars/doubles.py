"""Doubled stars: a camera kicked during the exposure draws every star twice or more, the same way apart."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

STARS_USED = 400  # the highest peaks below saturation
STARS_MIN = 12
REACH = 24  # half-size px; kicks that go further leave stars that are laid on their neighbours' places instead
NEAREST = 2.0  # half-size px; companions nearer than that only draw the star out, which its shape shows
SHARE = 0.7  # quantile over stars: either of two equal images may be the higher one
HEIGHT_MIN = 0.12  # of the star's own peak; a companion of a tenth of the light costs no frame
NOISE_SIGMA = 6.0  # of the stars' mean noise under that quantile
# Between a star and its companion falls less light than this share of the companion's. A companion as bright as the
# star must stand clearer: long trails, drawn in steps by the pixels, show equal bumps with dips of 0.60 to 1.
DIP, DIP_EQUAL = 0.85, 0.55
EQUAL = 0.8


@dataclass(frozen=True)
class Doubling:
    """Separation (px), its direction (degrees from +x towards +y, 0 to 180), the companion's height over the star's."""

    length: float
    angle_deg: float
    height: float


def doubling(
    residual: NDArray[np.float32], rows: NDArray[Any], columns: NDArray[Any], noise: float, ceiling: float
) -> Doubling | None:
    """Find a companion that all stars of a frame have in the same place.

    The light around every bright star, over its own peak, is laid over one another; the 0.7 quantile leaves what at
    least three stars in ten show, and chance neighbours go.

    Parameters
    ----------
    residual : (height, width) float32 half-size image above its sky, ADU
    rows, columns : peaks of the detections in it
    noise : of one pixel of it, ADU
    ceiling : peaks from here on may be saturated, ADU

    Returns
    -------
    None where there is no such companion.
    """
    rows, columns = np.asarray(rows, np.int64), np.asarray(columns, np.int64)
    height, width = residual.shape
    inside = (rows >= REACH) & (columns >= REACH) & (rows < height - REACH) & (columns < width - REACH)
    rows, columns = rows[inside], columns[inside]
    peaks = residual[rows, columns]
    good = (peaks < ceiling) & (peaks > 8 * noise)
    rows, columns, peaks = rows[good], columns[good], peaks[good]
    best = np.argsort(-peaks, kind="stable")[:STARS_USED]
    if len(best) < STARS_MIN:
        return None
    reach = np.arange(-REACH, REACH + 1)
    stamps = residual[rows[best][:, None, None] + reach[:, None], columns[best][:, None, None] + reach[None]]
    over_peak = np.ascontiguousarray((stamps / peaks[best][:, None, None]).reshape(len(best), -1).T)
    rank = round(SHARE * (len(best) - 1))
    light = np.partition(over_peak, rank, axis=1)[:, rank].reshape(len(reach), len(reach))
    # in a crowd the quantile of empty places is above zero
    light = light - np.median(light)
    floor = max(HEIGHT_MIN, NOISE_SIGMA * noise / float(np.median(peaks[best])) / math.sqrt(len(best)))
    distance = np.hypot(reach[:, None], reach[None])
    inner = light[1:-1, 1:-1]
    highest = np.ones_like(inner, bool)
    for down in (-1, 0, 1):
        for right in (-1, 0, 1):
            if down or right:
                highest &= inner >= light[1 + down : light.shape[0] - 1 + down, 1 + right : light.shape[1] - 1 + right]
    candidate = highest & (inner > floor) & (distance[1:-1, 1:-1] >= NEAREST)
    if not candidate.any():
        return None
    i, j = np.unravel_index(int(np.argmax(np.where(candidate, inner, 0))), inner.shape)
    i, j = i + 1, j + 1
    steps = np.linspace(0, 1, 4 * REACH)
    path = light[np.rint(REACH + steps * (i - REACH)).astype(int), np.rint(REACH + steps * (j - REACH)).astype(int)]
    if path.min() > (DIP_EQUAL if light[i, j] > EQUAL else DIP) * light[i, j]:
        return None
    near = np.maximum(light[i - 1 : i + 2, j - 1 : j + 2], 0)
    dy = float((near.sum(axis=1) * reach[i - 1 : i + 2]).sum() / near.sum())
    dx = float((near.sum(axis=0) * reach[j - 1 : j + 2]).sum() / near.sum())
    return Doubling(2 * math.hypot(dx, dy), math.degrees(math.atan2(dy, dx)) % 180.0, float(light[i, j]))
