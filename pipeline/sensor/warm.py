"""The dark factor of a light, told by the light itself through the sensor's warm pixels. Arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.sensor.coarse import coarse_level, spread_about, standing_out
from pipeline.sensor.darks import LINEAR_SHARE
from pipeline.sensor.defects import UNSTABLE, Pixels, same_colour_excess

# A pixel is warm from this many standard errors of the master above its like; chosen so that its selection by its own
# noise biases the factor by less than 1/64 before, and nothing after, the correction in `dark_factor`.
WARM_SIGMA = 8.0
# The warmest this many are enough: 8,000 pixels of 8 sigma give the factor to 0.15 %.
WARM_MAX = 8_000
# Fewer than this say nothing.
WARM_FEWEST = 12
# A factor less certain than this is not used.
FACTOR_ERROR_MAX = 0.05

# Variance of a pixel less the trimmed mean of eight like it, which has that of a mean of about 6.5.
RIM_VARIANCE = 1 + 1 / 6.5

_RIM = ((-2, -2), (-2, 0), (-2, 2), (0, -2), (0, 2), (2, -2), (2, 0), (2, 2))


@dataclass(frozen=True)
class WarmPixels:
    """Where a master is warm: rows, columns, excess over the eight like pixels two away and its standard error, ADU.

    Of what colder darks are less than a master: `base`, what the colder ones show there, and its part of the error.
    """

    ys: NDArray[np.int64]
    xs: NDArray[np.int64]
    excess: NDArray[np.float32]
    error: NDArray[np.float32]
    base: NDArray[np.float32] | float = 0.0
    base_error: NDArray[np.float32] | float = 0.0

    def __len__(self) -> int:
        return len(self.ys)


@dataclass(frozen=True)
class DarkFactor:
    """A factor, its standard error and the number of pixels it rests on; None where they say nothing."""

    factor: float | None
    error: float | None
    pixels: int


def warm_pixels(
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    defects: NDArray[np.uint8],
    full_scale: float,
    base: NDArray[np.float32] | None = None,
    base_noise: NDArray[np.float32] | None = None,
) -> WarmPixels:
    """Choose the warm pixels of a master dark: well above their like, stable, linear, none warm among their like.

    Parameters
    ----------
    mean, noise : (height, width) float32 arrays, ADU above black and ADU
    defects : (height, width) uint8 array
    full_scale : float
        Level above black of saturation, ADU.
    base, base_noise : (height, width) float32 arrays, optional
        Master of colder darks, where `mean` is what another shows above it, and its noise, which `noise` contains.
    """
    height, width = mean.shape
    coarse = coarse_level(mean)
    spread = spread_about(mean, coarse)
    ys, xs = standing_out(mean, coarse, 0.75 * WARM_SIGMA * spread, below=False)
    inside = (ys >= 2) & (ys < height - 2) & (xs >= 2) & (xs < width - 2)
    ys, xs = ys[inside], xs[inside]
    limit = WARM_SIGMA * np.maximum(noise[ys, xs], np.float32(spread))
    alone = mean[ys, xs] - coarse.at(ys, xs) > 0.75 * limit
    for dy, dx in _RIM:
        alone &= mean[ys + dy, xs + dx] - coarse.at(ys + dy, xs + dx) <= 0.5 * limit
    level = mean[ys, xs] if base is None else mean[ys, xs] + base[ys, xs]
    good = alone & (defects[ys, xs] & UNSTABLE == 0) & (level < LINEAR_SHARE * full_scale)
    ys, xs, limit = ys[good], xs[good], limit[good]
    strong = same_colour_excess(mean, ys, xs) > limit
    ys, xs = ys[strong], xs[strong]
    excess = rim_excess(mean, ys, xs)[0]
    # an error common to all pixels: their own spread about the smooth level, which the eight like pixels share
    error = np.hypot(noise[ys, xs], np.float32(spread / np.sqrt(8))).astype(np.float32)
    order = np.lexsort((xs, ys, -excess))[:WARM_MAX]
    order.sort()
    ys, xs, excess, error = ys[order], xs[order], excess[order], error[order]
    if base is None or base_noise is None:
        return WarmPixels(ys, xs, excess, error)
    base_error = base_noise[ys, xs] * np.float32(np.sqrt(RIM_VARIANCE))
    return WarmPixels(ys, xs, excess, error, rim_excess(base, ys, xs)[0], base_error)


def rim_excess(
    values: Pixels, ys: NDArray[np.int64], xs: NDArray[np.int64]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Pixels less the mean of the middle four of their eight like pixels two away, and how far those middle six spread.

    The rim's trimmed mean leaves out a star or a hot pixel on either side. Pixels must lie two away from every edge.
    """
    rim = np.stack([values[ys + dy, xs + dx] for dy, dx in _RIM], axis=1).astype(np.float32)
    rim.sort(axis=1)
    return values[ys, xs].astype(np.float32) - rim[:, 2:6].mean(axis=1), rim[:, 6] - rim[:, 1]


def dark_factor(values: Pixels, warm: WarmPixels, sigma: float, top: float) -> DarkFactor:
    """What the warm pixels of a light are times those of the master.

    Weighted regression through the origin, ``k = sum(w y m) / sum(w (m**2 - e**2))``, of the light's excesses y on the
    master's m with standard errors e (whose square would else pull k down), weights ``1 / (sigma**2 + (s m)**2)`` in
    which s, fitted, is how differently warm pixels follow temperature. Above colder darks the errors b of these are in
    y and in m: ``k = sum(w (y m - b**2)) / sum(w (m**2 - e**2))``. Pixels off the line by more than 3.5 of their
    standard deviations (stars, flickering pixels) are left out, as are those whose like pixels are starlit. The error
    is the sandwich estimate from the residuals.

    Parameters
    ----------
    values : (height, width) array, ADU, black level and all: constant parts fall out
    warm : WarmPixels
    sigma : float
        Noise of a pixel of the light, ADU.
    top : float
        Level of `values` above which a pixel is not linear, ADU.
    """
    if len(warm) < WARM_FEWEST:
        return DarkFactor(None, None, len(warm))
    light, rim_spread = rim_excess(values, warm.ys, warm.xs)
    # the middle six of eight normal values span 1.7 sigma on average, 4 once in 1,000
    usable = (rim_spread < 4 * max(sigma, 0.5)) & (values[warm.ys, warm.xs] < top)
    base_error = np.broadcast_to(np.float32(warm.base_error), light.shape)
    y, m, e, b = (a[usable].astype(np.float64) for a in (light - warm.base, warm.excess, warm.error, base_error))
    if y.size < WARM_FEWEST:
        return DarkFactor(None, None, int(y.size))
    noise = sigma**2 * RIM_VARIANCE
    scatter = 0.05
    inside = np.ones(y.size, bool)
    strong = m >= np.median(m)
    factor = float(np.median(y[strong] / m[strong]))
    for _ in range(20):
        chance = noise + (factor * e) ** 2 + (1 - 2 * factor) * b**2
        variance = chance + (scatter * m) ** 2
        residual = y - factor * m
        inside = residual**2 < 3.5**2 * variance
        if inside.sum() < WARM_FEWEST:
            return DarkFactor(None, None, int(inside.sum()))
        w = 1 / variance[inside]
        mm = np.sum(w * (m[inside] ** 2 - e[inside] ** 2))
        if mm <= 0:
            return DarkFactor(None, None, int(inside.sum()))
        new = float((np.sum(w * y[inside] * m[inside]) - np.sum(w * b[inside] ** 2)) / mm)
        # scatter beyond noise, by the median of residuals of the strongest quarter
        hot = m >= np.percentile(m, 75)
        beyond = np.median(np.abs(residual[hot])) ** 2 / 0.455 - np.median(chance[hot])
        scatter = float(np.clip(np.sqrt(max(beyond, 0.0)) / np.median(m[hot]), 0.005, 0.5))
        done = abs(new - factor) < 1e-7
        factor = new
        if done:
            break
    residual = (y - factor * m)[inside]
    error = float(np.sqrt(np.sum((w * residual * m[inside]) ** 2)) / mm)
    if error > FACTOR_ERROR_MAX:
        return DarkFactor(None, error, int(inside.sum()))
    return DarkFactor(factor, error, int(inside.sum()))
