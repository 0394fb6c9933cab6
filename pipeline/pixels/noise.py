"""Noise: the sensor's from the frames themselves, and the picture's as means over blocks show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

# Side of the blocks that noise is told from, px: large enough that interpolation cannot hide it.
BLOCK = 16
# A block counts if at least this share of its pixels is free of stars and covered by both halves.
BLOCK_SHARE = 0.5
# Cut of the block means, in standard deviations: what is left of a star or a cloud's edge does not count as noise.
BLOCK_CLIP = 4.0
# What blocks have in common with those around them (5 x 5) is no noise: a cloud or a gradient that one frame shows more
# of than another. Such differences are wider than 80 px; noise has no memory over that distance.
AROUND = 5
AROUND_MIN = 8
_BLOCK_KEPT = 0.998930  # variance of a unit Gaussian cut at 4
# A slope of variance against level is believed from this many of its standard errors.
SLOPE_SIGNIFICANT = 5.0
# Share of the sky's variance taken for photon noise where the frames do not tell.
PHOTON_SHARE_ASSUMED = 0.8


@dataclass(frozen=True)
class PhotonTransfer:
    """Variance of a mosaic pixel against its level: ``read_variance + level * adu_per_electron`` (ADU^2, ADU).

    `measured` is False where the frames' levels differ too little and the slope was assumed.
    """

    adu_per_electron: float
    read_variance: float
    measured: bool

    @property
    def electrons_per_adu(self) -> float | None:
        """The camera's gain, where the frames tell it."""
        return 1 / self.adu_per_electron if self.measured and self.adu_per_electron > 0 else None


def photon_transfer(levels: NDArray[np.floating], variances: NDArray[np.floating]) -> PhotonTransfer:
    """Fit the line of variance against level through many blocks of sky, robustly.

    Parameters
    ----------
    levels, variances : (n,) arrays, ADU above black and ADU^2 of one pixel; what is not finite is left out

    Returns
    -------
    PhotonTransfer
        Where the slope is not significant, or would make the read noise's square negative by more than its error, the
        larger part (0.8) of the variance is taken for photon noise.

    References
    ----------
    Janesick 2007, Photon Transfer, SPIE PM170, chapter 5.
    """
    levels, variances = np.asarray(levels, np.float64).ravel(), np.asarray(variances, np.float64).ravel()
    good = np.isfinite(levels) & np.isfinite(variances) & (variances > 0)
    levels, variances = levels[good], variances[good]
    if len(levels) == 0:
        return PhotonTransfer(0.0, 0.0, False)
    middle, spread = float(np.median(levels)), float(np.median(variances))
    assumed = PHOTON_SHARE_ASSUMED * spread / middle if middle > 0 else 0.0
    fallback = PhotonTransfer(assumed, max(spread - assumed * middle, 0.0), False)
    if len(levels) < 20:
        return fallback
    terms = np.stack([np.ones_like(levels), levels - middle], axis=1)
    model = np.full(len(levels), spread)
    line = np.array([spread, 0.0])
    weight = np.ones(len(levels))
    for _ in range(20):
        # the error of a variance is proportional to the variance
        relative = variances / model - 1
        scale = max(float(np.median(np.abs(relative - np.median(relative)))) / 0.6745, 1e-6)
        weight = np.clip(1 - ((relative - np.median(relative)) / (4.685 * scale)) ** 2, 0, None) ** 2 / model**2
        root = np.sqrt(weight)
        previous = line
        line = np.linalg.lstsq(terms * root[:, None], variances * root, rcond=None)[0]
        model = np.maximum(terms @ line, 0.05 * spread)
        if np.abs(line - previous)[0] < 1e-6 * spread and abs(line[1] - previous[1]) * middle < 1e-6 * spread:
            break
    covariance = np.linalg.pinv((terms * weight[:, None]).T @ terms)
    residual = (variances - terms @ line) * np.sqrt(weight)
    error = float(np.sqrt(covariance[1, 1] * (residual**2).sum() / max((weight > 0).sum() - 2, 1)))
    slope = float(line[1])
    read = float(line[0] - slope * middle)
    if slope < SLOPE_SIGNIFICANT * error or read < -max(3 * error * middle, 0.1 * spread):
        return fallback
    return PhotonTransfer(slope, max(read, 0.0), True)


@dataclass(frozen=True)
class BlockNoise:
    """Standard deviation of a pixel as means over blocks show it: theirs, times the block's side."""

    noise: float | None
    blocks: int


def block_noise(sums: NDArray[np.floating], counts: NDArray[np.integer]) -> BlockNoise:
    """Noise from the sums of differences over blocks, each set against the mean of those around it.

    Parameters
    ----------
    sums, counts : (rows, columns) arrays
        Sum over the used pixels of each block of `BLOCK` px a side, and how many were used; a block counts if half of
        its pixels were.

    Returns
    -------
    BlockNoise
        None, and how many blocks there were, where there are fewer than 10.
    """
    used = counts >= BLOCK_SHARE * BLOCK * BLOCK
    number = int(used.sum())
    if number < 10:
        return BlockNoise(None, number)
    # the mean of n pixels times sqrt(n): for a whole block that is its mean times its side
    means = np.asarray(sums, np.float64) / np.sqrt(np.maximum(counts, 1))
    values = _against_neighbours(np.where(used, means, 0.0), used)[used]
    centre = np.median(values)
    sigma = float(np.median(np.abs(values - centre)) / 0.6745)
    for _ in range(10):
        kept = np.abs(values - centre) <= BLOCK_CLIP * sigma
        if sigma == 0 or not kept.any():
            break
        centre = values[kept].mean()
        previous, sigma = sigma, float(np.sqrt(((values[kept] - centre) ** 2).mean() / _BLOCK_KEPT))
        if abs(sigma - previous) < 1e-9 * sigma:
            break
    return BlockNoise(sigma, number)


def _against_neighbours(values: NDArray[np.float64], used: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Values less the mean of the used ones around each, scaled so that unit white noise stays it.

    Where fewer than `AROUND_MIN` blocks around are used, the values' median is taken off instead.
    """
    centre = float(np.median(values[used]))
    sigma = float(np.median(np.abs(values[used] - centre)) / 0.6745)
    sound = used & (np.abs(values - centre) <= BLOCK_CLIP * sigma)
    area = AROUND * AROUND
    own = np.where(sound, values, 0.0)
    number = np.rint(area * uniform_filter(sound.astype(np.float64), AROUND, mode="constant")) - sound
    total = area * uniform_filter(own, AROUND, mode="constant") - own
    enough = number >= AROUND_MIN
    around = np.divide(total, number, out=np.full(values.shape, centre), where=enough)
    # the mean around has noise of its own
    return (values - around) / np.where(enough, np.sqrt(1 + 1 / np.maximum(number, 1)), 1.0)


def shared_share(
    x: NDArray[np.floating],
    y: NDArray[np.floating],
    weights: NDArray[np.floating],
    halves: NDArray[np.integer] | None = None,
) -> float:
    """How much of a pattern fixed to the sensor (a dark's noise, white) is left in means over blocks of a combination.

    With every frame at the same place all of it stays (1); frames a block's side apart share nothing (1/N).

    Parameters
    ----------
    x, y : (n,) arrays
        Where one pixel of the result lies in each frame, px.
    weights : (n,) array
        Relative; of either sign, where a frame has the pattern with another one.
    halves : (n,) array of 0 and 1, optional
        Given: the part that half the difference of the two halves' means hides, their covariance.

    Returns
    -------
    float
        Variance of the combination's block means over that of one frame's.
    """
    w = np.asarray(weights, np.float64) / np.sum(np.abs(weights))
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    total = 0.0
    for i in range(len(w)):  # a row at a time: a thousand frames make a million pairs
        common = np.clip(1 - np.abs(x - x[i]) / BLOCK, 0, None) * np.clip(1 - np.abs(y - y[i]) / BLOCK, 0, None)
        pairs = w if halves is None else w * (halves != halves[i])
        total += w[i] * float(common @ pairs)
    return total if halves is None else 2 * total
