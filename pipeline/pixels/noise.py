"""Noise: the sensor's from the frames themselves, and the picture's as means over blocks show it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA

# Side of the blocks that noise is told from, px: large enough that interpolation cannot hide it.
BLOCK = 16
# A block counts if at least this share of its pixels is free of stars and covered by both halves.
BLOCK_SHARE = 0.5
# Cut of the block means, in standard deviations: what is left of a star or a cloud's edge does not count as noise.
BLOCK_CLIP = 4.0
# What blocks have in common with those around them is no noise: a cloud, an airglow or a gradient that one frame shows
# more of than another. Each is set against the mean of its neighbours (3 x 3), and what is left against theirs: such
# light is even over some blocks, noise has no memory beyond one. Where a moving airglow bends within 80 px, once leaves
# a seventh too much noise, once over 5 x 5 blocks two fifths. The sound ones of the eight neighbours must have so many
# pixels, those of four blocks that just count: where stars are crowded (0.04 a pixel) a third of the blocks count, of
# which one in ten has four such blocks beside it, and nine in ten so many pixels.
NEIGHBOURS_LEAST = int(4 * BLOCK_SHARE * BLOCK**2)
# What is left of neighbours is not independent: the standard error of the noise over 1/sqrt(2 blocks), simulated; 1.3
# where all blocks count, 1.2 where a third do.
BLOCK_ERROR = 1.25
_BLOCK_KEPT = 0.998930  # variance of a unit Gaussian cut at 4
# A slope of variance against level is believed from this many of its standard errors.
SLOPE_SIGNIFICANT = 5.0
# Share of the sky's variance taken for photon noise where the frames do not tell.
PHOTON_SHARE_ASSUMED = 0.8


def noise_error(blocks: int) -> float:
    """Standard error of the noise told from so many blocks, as a share of it."""
    return BLOCK_ERROR / float(2 * blocks) ** 0.5


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
        scale = max(MAD_TO_SIGMA * float(np.median(np.abs(relative - np.median(relative)))), 1e-6)
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
        its pixels were, and is set against others with as many pixels as each has.

    Returns
    -------
    BlockNoise
        The noise that white noise of the pixels has, and how many blocks told it; None, and how many blocks there were,
        where there are fewer than 10.
    """
    used = counts >= BLOCK_SHARE * BLOCK * BLOCK
    number = int(used.sum())
    if number < 10:
        return BlockNoise(None, number)
    values = _against_neighbours(np.asarray(sums, np.float64), counts, used)
    values = values[np.isfinite(values)]
    if len(values) < 10:  # too few stand together
        # the mean of n pixels times sqrt(n): for a whole block that is its mean times its side
        values = sums[used] / np.sqrt(counts[used])
    centre = np.median(values)
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(values - centre)))
    for _ in range(10):
        kept = np.abs(values - centre) <= BLOCK_CLIP * sigma
        if sigma == 0 or not kept.any():
            break
        centre = values[kept].mean()
        previous, sigma = sigma, float(np.sqrt(((values[kept] - centre) ** 2).mean() / _BLOCK_KEPT))
        if abs(sigma - previous) < 1e-9 * sigma:
            break
    return BlockNoise(sigma, len(values))


def _against_neighbours(
    sums: NDArray[np.float64], counts: NDArray[np.integer], used: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """What blocks have that those around them do not, scaled so that unit white noise of the pixels stays it.

    With `A` the matrix that gives each block the mean of all pixels of its sound neighbours, and ``K = (1 - A) @ (1 -
    A)``: ``(K @ (sums / counts)) / sqrt((K**2 / counts).sum(axis=1))``; NaN for blocks that are not used, and where one
    that takes part has less than `NEIGHBOURS_LEAST` pixels about it. Sound is what lies near the median of all.
    """
    # for a whole block this is its mean times its side
    values = sums / np.sqrt(np.maximum(counts, 1))
    centre = float(np.median(values[used]))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(values[used] - centre)))
    pixels = np.where(np.abs(values - centre) <= BLOCK_CLIP * sigma, counts, 0)
    result = np.full(values.shape, np.nan)
    _twice_against(
        np.pad(sums, 2), np.pad(counts.astype(np.int64), 2), np.pad(pixels.astype(np.int64), 2), used, result
    )
    return result


@njit(cache=True, nogil=True)
def _twice_against(sums, counts, sound, used, result):  # type: ignore[no-untyped-def]
    height, width = used.shape
    around = np.zeros(sound.shape, np.int64)
    for y in range(1, height + 3):
        for x in range(1, width + 3):
            around[y, x] = np.sum(sound[y - 1 : y + 2, x - 1 : x + 2]) - sound[y, x]
    kernel = np.empty((5, 5))
    for y in range(height):
        for x in range(width):
            own = around[y + 2, x + 2]
            if not used[y, x] or own < NEIGHBOURS_LEAST:
                continue
            kernel[:] = 0
            kernel[2, 2] = 1
            enough = True
            for j in range(9):
                v, u = 1 + j // 3, 1 + j % 3
                share = sound[y + v, x + u] / own
                if j == 4 or share == 0:
                    continue
                theirs = around[y + v, x + u]
                if theirs < NEIGHBOURS_LEAST:
                    enough = False
                    break
                kernel[v, u] -= 2 * share
                for k in range(9):
                    w, t = v - 1 + k // 3, u - 1 + k % 3
                    if k != 4:
                        kernel[w, t] += share * sound[y + w, x + t] / theirs
            if enough:
                value, variance = 0.0, 0.0
                for v in range(5):
                    for u in range(5):
                        if kernel[v, u] != 0:
                            value += kernel[v, u] * sums[y + v, x + u] / counts[y + v, x + u]
                            variance += kernel[v, u] ** 2 / counts[y + v, x + u]
                result[y, x] = value / np.sqrt(variance)


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
