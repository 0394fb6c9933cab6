"""The ground: a ridge with conifers before the sky."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TABLE = 36000  # profile entries, 0.01 degree of azimuth apart


@dataclass(frozen=True)
class Ground:
    """What hides the lower part of the sky.

    Parameters
    ----------
    share : of the frame that it hides, about (`Scenario` sets the ridge's height by it)
    trees_deg : height of the trees
    light : brightness of the ground over that of the sky at the frame's middle
    sway_deg : how far the wind moves the tree tops from frame to frame
    """

    share: float = 0.12
    trees_deg: float = 2.2
    light: float = 0.05
    sway_deg: float = 0.0
    seed: int = 5


@lru_cache(maxsize=4)
def ridge(ground: Ground, sway: float = 0.0) -> Floats:
    """Altitude of the skyline above the ridge's foot, degrees, every 0.01 degree of azimuth, (36000,)."""
    rng = np.random.default_rng([ground.seed, 3])
    azimuth = np.arange(TABLE) / 100.0
    profile = np.zeros(TABLE)
    for k in range(2, 60):
        profile += rng.normal(0, 4.5 / k**1.1) * np.cos(np.radians(k * azimuth) + rng.uniform(0, 2 * np.pi))
    count = 900
    top = rng.uniform(0, 360, count)
    height = ground.trees_deg * rng.uniform(0.25, 1.0, count) ** 1.3
    lean = rng.uniform(0.6, 1.4, count) * sway
    crown = profile.copy()
    for at, high, shift in zip(top, height, lean, strict=True):
        foot = profile[int(at * 100) % TABLE]
        half = int(100 * 0.30 * high) + 2
        columns = np.arange(int(at * 100) - half, int(at * 100) + half + 1)
        away = np.abs(columns / 100 - at - shift) / (0.26 * high)
        # a conifer: a cone with ragged branches
        ragged = 0.07 * high * np.sin(95 * away + at)
        cone = foot + high * (1 - away) + ragged * (away > 0.08)
        crown[columns % TABLE] = np.maximum(crown[columns % TABLE], np.where(away < 1, cone, -90))
    return crown


@numba.njit(cache=True, nogil=True)
def hide(
    image: NDArray[np.float32],
    colours: NDArray[np.int64],
    directions: Floats,
    step: int,
    skyline: Floats,
    soft_deg: float,
    ground: Floats,
) -> None:
    """Put the ground before the sky: `image = image * open + ground * (1 - open)`.

    Parameters
    ----------
    image : (height, width) float32, changed in place
    colours : (2, 2) int64
    directions : (rows, columns, 3) east, north, up on the coarse grid, grid point (a, b) at pixel (a step, b step)
    skyline : (36000,) altitude, degrees, every 0.01 degree of azimuth
    soft_deg : degrees of altitude over which the edge goes from open to hidden (a pixel)
    ground : (rows, columns, 3) electrons of the ground, coarse grid
    """
    above_all = math.sin(math.radians(min(skyline.max() + soft_deg, 90.0)))
    for i in range(image.shape[0]):
        a = i // step
        f = (i - a * step) / step
        for j in range(image.shape[1]):
            b = j // step
            g = (j - b * step) / step
            w0, w1, w2, w3 = (1 - f) * (1 - g), (1 - f) * g, f * (1 - g), f * g
            e = w0 * directions[a, b, 0] + w1 * directions[a, b + 1, 0] + w2 * directions[a + 1, b, 0]
            e += w3 * directions[a + 1, b + 1, 0]
            n = w0 * directions[a, b, 1] + w1 * directions[a, b + 1, 1] + w2 * directions[a + 1, b, 1]
            n += w3 * directions[a + 1, b + 1, 1]
            u = w0 * directions[a, b, 2] + w1 * directions[a, b + 1, 2] + w2 * directions[a + 1, b, 2]
            u += w3 * directions[a + 1, b + 1, 2]
            if u > above_all * math.sqrt(e * e + n * n + u * u):
                continue
            altitude = math.degrees(math.atan2(u, math.sqrt(e * e + n * n)))
            place = (math.degrees(math.atan2(e, n)) % 360.0) * 100.0
            k = int(place)
            h = skyline[k % TABLE] + (place - k) * (skyline[(k + 1) % TABLE] - skyline[k % TABLE])
            hidden = 0.5 + (h - altitude) / soft_deg
            if hidden <= 0:
                continue
            hidden = min(hidden, 1.0)
            c = colours[i & 1, j & 1]
            light = (
                w0 * ground[a, b, c]
                + w1 * ground[a, b + 1, c]
                + w2 * ground[a + 1, b, c]
                + w3 * ground[a + 1, b + 1, c]
            )
            image[i, j] = np.float32(image[i, j] * (1 - hidden) + light * hidden)


def hidden_share(directions: Floats, skyline: Floats, soft_deg: float) -> Floats:
    """Share (0-1) that the ground hides, in given directions (..., 3): what `hide` does, for single places."""
    altitude = np.degrees(np.arctan2(directions[..., 2], np.hypot(directions[..., 0], directions[..., 1])))
    place = (np.degrees(np.arctan2(directions[..., 0], directions[..., 1])) % 360.0) * 100.0
    k = place.astype(int)
    h = skyline[k % TABLE] + (place - k) * (skyline[(k + 1) % TABLE] - skyline[k % TABLE])
    return np.clip(0.5 + (h - altitude) / soft_deg, 0, 1)
