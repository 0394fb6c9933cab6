"""Master darks and biases: the noise of a set of frames, and their robust mean. Arrays only.

Values are ADU above black. A cosmic hit, a leak of light or a pixel that flickers moves no scale used here: clipping
goes by a noise model fitted to the whole set, not by the scatter of a pixel's own few values (which for N <= 10 can
reject nothing at 4.5 sigma: max |z| = (N - 1) / sqrt(N)).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import chdtri

from pipeline.pixels.ordering import median_first
from pipeline.pixels.vector import larger, smaller
from pipeline.sensor.clipped import clipped
from pipeline.sensor.darkset import set_centre, successive_sigma

# A value farther than this from its pixel's median is a hit. Costs 1e-5 of the frames' weight on Gaussian noise.
CLIP_SIGMA = 4.5
# One sound pixel in a million may look unstable by chance (24 in a frame of 24 MP, which cost nothing to repair).
UNSTABLE_CHANCE = 1e-6
# Above this share of saturation pixels are no longer linear enough.
LINEAR_SHARE = 0.7
# Pixels of a row whose median is the level that one dark alone has there.
LEVEL_PX = 64
# How many frames' worth of belief the noise model has against a pixel's own temporal variance in the NOISE plane
# (moderated variance, Smyth 2004): with 10 darks a pixel's own variance is 47 % uncertain, moderated 14 %.
MODEL_WEIGHT = 30.0


@dataclass(frozen=True)
class NoiseModel:
    """Temporal variance of one frame's pixel at level L above the bulk: ``read + gain * L + drift * L**2``, ADU^2.

    `bulk` is the level of an ordinary pixel, ADU above black; L is 0 for pixels below it.
    """

    read: float
    gain: float = 0.0
    drift: float = 0.0
    bulk: float = 0.0

    @property
    def sigma(self) -> float:
        """Temporal noise of an ordinary pixel, ADU."""
        return float(np.sqrt(self.read))

    def variance(self, level: NDArray[np.float32]) -> NDArray[np.float32]:
        """Variance at a level in ADU above black, ADU^2."""
        excess = np.maximum(level - np.float32(self.bulk), 0, dtype=np.float32)
        return (np.float32(self.read) + excess * (np.float32(self.gain) + np.float32(self.drift) * excess)).astype(
            np.float32
        )


def fit_noise(sample: NDArray[np.float32], full_scale: float = np.inf) -> NoiseModel:
    """Fit the temporal noise of a set against the pixels' level.

    From differences of neighbouring frames, binned by level. One frame alone gives its spatial scatter, in which fixed
    pattern and temporal noise are one: an upper limit, binned by the level about, which rises where it glows.

    Parameters
    ----------
    sample : (frames, rows, width) float32 array, ADU above black, levelled
    full_scale : float
        Level above black of saturation, ADU: full pixels have no noise, and say nothing.
    """
    alone = sample.shape[0] == 1
    if alone and sample.shape[2] < 2 * LEVEL_PX:
        bulk, spread = clipped(sample)
        return NoiseModel(read=max(spread**2, 1e-3), bulk=bulk)
    if alone:
        # pixels two columns apart stand for two frames, the level about them for their own
        centre, differences = _level_about(sample[0])[:, 2:], sample[:, :, 2:] - sample[:, :, :-2]
    else:
        centre, differences = set_centre(sample), np.diff(sample, axis=0)
    bulk, spread = clipped(centre)
    excess = centre - np.float32(bulk)
    # those about the bulk by their mean (who is near by the median differs less from frame to frame): their noise is
    # that of their mean level, which lies off the bulk where glow is wide
    mean = centre if alone else sample.mean(axis=0, dtype=np.float32)
    usual = np.abs(mean - clipped(mean)[0]) < max(spread, 1.0)
    sigma = clipped(differences[:, usual])[1] / np.sqrt(2) if alone else successive_sigma(sample[:, usual])
    read = max(float(sigma) ** 2, 1.0 / 12)  # rounding to whole numbers
    least = max(4 * spread, float(np.sqrt(read)) if alone else 1.0)
    edges = np.geomspace(least, max(float(excess.max()), 2 * least) * 1.001, 9)
    levels, variances, weights = [float(excess[usual].mean())], [read], [float(usual.sum())]
    linear = centre < LINEAR_SHARE * full_scale
    for low, high in pairwise(edges):
        chosen = (excess >= low) & (excess < high) & linear
        if chosen.sum() < 12:
            continue
        variance = clipped(differences[:, chosen], sigma=3.0)[1] ** 2 / 2
        levels.append(float(excess[chosen].mean()))
        variances.append(max(variance, read))
        weights.append(float(chosen.sum()))
    level, variance_, weight = np.array(levels), np.array(variances), np.array(weights)
    scale = np.sqrt(weight) / variance_
    # of one frame, whose warm pixels do not tell, no square: it would go far beyond the levels of glow
    design = np.stack([np.ones_like(level), level, level**2 * (not alone)], axis=1) * scale[:, None]
    size = np.maximum(np.linalg.norm(design, axis=0), 1e-30)
    from scipy.optimize import nnls  # takes a third of a second to load, and masters alone need it

    (a, b, c), _ = nnls(design / size, variance_ * scale)
    return NoiseModel(
        read=max(float(a / size[0]), 1.0 / 12), gain=float(b / size[1]), drift=float(c / size[2]), bulk=bulk
    )


def _level_about(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """Medians of stretches of `LEVEL_PX` pixels of a row, (rows, width); what is left of it has the last one's."""
    rows, width = plane.shape
    parts = plane[:, : width // LEVEL_PX * LEVEL_PX].reshape(rows, -1, LEVEL_PX)
    level = np.repeat(np.median(parts, axis=2), LEVEL_PX, axis=1)
    return np.pad(level, ((0, 0), (0, width - level.shape[1])), mode="edge").astype(np.float32)


def unstable_ratio(frames: int) -> float:
    """Variance without the worst value, over the model's, above which a pixel is unstable; inf below 4 frames."""
    if frames < 4:
        return float("inf")
    freedom = frames - 2
    return float(chdtri(freedom, UNSTABLE_CHANCE) / freedom)


def robust_mean(
    stack: NDArray[np.uint16] | NDArray[np.float32],
    levels: NDArray[np.float32],
    model: NoiseModel,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint16], NDArray[np.bool_]]:
    """Mean over frames without hits.

    For three frames and more it computes, for values ``v = stack - levels`` of a pixel and ``s`` the noise model at
    their mean or median, whichever is less: ``v[abs(v - median(v)) <= CLIP_SIGMA * s].mean()``; the variance of the
    same values; and whether the pixel is unstable: ``v`` without the value farthest from the median has a variance
    above ``unstable_ratio`` times the model's, or two values or more were rejected (both from four frames on). Where
    all values lie too far from their median (an even number in two camps): the median, as one value used. Two values
    that differ by more than ``CLIP_SIGMA * sqrt(2) * s`` give the lower one: a hit only adds.

    The fast way round, exact because mean and median never differ by more than the standard deviation: where
    ``max(v) - mean`` and ``mean - min(v)``, each with the standard deviation added, stay within the limit, nothing
    can be rejected; where their variance about it, one value less, is no more than an unstable pixel's, it is none, for
    without the farthest value they have no more; and no sorting is needed.

    Parameters
    ----------
    stack : (frames, rows, width) uint16 or float32 array, ADU; row 0 at an even row
    levels : (frames, 2, width) float32 array
        What is taken from even and odd rows of each frame: black level and the frame's own level.
    model : NoiseModel

    Returns
    -------
    mean : (rows, width) float32 array, ADU
    variance : (rows, width) float32 array, ADU^2
        Of the values used, of one frame; the model's where one value was used.
    used : (rows, width) uint16 array
    unstable : (rows, width) bool array
    """
    frames, rows, width = stack.shape
    mean = np.empty((rows, width), np.float32)
    variance = np.empty((rows, width), np.float32)
    used = np.empty((rows, width), np.uint16)
    unstable = np.zeros((rows, width), np.bool_)
    ratio = unstable_ratio(frames)
    noise = np.array([model.read, model.gain, model.drift, model.bulk], np.float32)
    _robust_mean(stack, levels, noise, np.float32(CLIP_SIGMA), np.float32(ratio), mean, variance, used, unstable)
    return mean, variance, used, unstable


@njit(cache=True, nogil=True)
def _model_variance(noise, level):  # type: ignore[no-untyped-def]
    excess = max(level - noise[3], np.float32(0))
    return noise[0] + excess * (noise[1] + noise[2] * excess)


@njit(cache=True, nogil=True)
def _robust_mean(stack, levels, noise, clip, ratio, mean, variance, used, unstable):  # type: ignore[no-untyped-def]
    frames, rows, width = stack.shape
    pivot = np.empty(width, np.float32)
    total = np.empty(width, np.float32)
    square = np.empty(width, np.float32)
    low = np.empty(width, np.float32)
    high = np.empty(width, np.float32)
    values = np.empty(frames, np.float32)
    ordered = np.empty(frames, np.float32)
    for y in range(rows):
        parity = y & 1
        for x in range(width):
            pivot[x] = np.float32(stack[0, y, x]) - levels[0, parity, x]
            total[x] = 0
            square[x] = 0
            low[x] = 0
            high[x] = 0
        for i in range(1, frames):
            for x in range(width):
                d = np.float32(stack[i, y, x]) - levels[i, parity, x] - pivot[x]
                total[x] += d
                square[x] += d * d
                low[x] = smaller(low[x], d)
                high[x] = larger(high[x], d)
        for x in range(width):
            centre = total[x] / np.float32(frames)
            spread2 = max(square[x] / np.float32(frames) - centre * centre, np.float32(0))
            level = pivot[x] + centre
            spread = np.sqrt(spread2)
            # the median, and so the level that the noise is taken at, may lie one spread below the mean
            sigma = np.sqrt(_model_variance(noise, level - spread))
            far = max(high[x] - centre, centre - low[x]) + spread
            steady = frames < 4 or spread2 * np.float32(frames) <= ratio * sigma * sigma * np.float32(frames - 2)
            if frames == 1 or (far <= clip * sigma and steady):
                mean[y, x] = level
                used[y, x] = frames
                if frames > 1:
                    variance[y, x] = spread2 * np.float32(frames / (frames - 1.0))
                else:
                    variance[y, x] = _model_variance(noise, level)
                continue
            for i in range(frames):
                values[i] = np.float32(stack[i, y, x]) - levels[i, parity, x]
            _settle(values, ordered, noise, clip, ratio, y, x, mean, variance, used, unstable)


@njit(cache=True, nogil=True)
def _settle(values, ordered, noise, clip, ratio, y, x, mean, variance, used, unstable):  # type: ignore[no-untyped-def]
    frames = values.size
    if frames == 2:
        one, other = min(values[0], values[1]), max(values[0], values[1])
        model = _model_variance(noise, one)
        if other - one > clip * np.sqrt(np.float32(2) * model):
            mean[y, x], variance[y, x], used[y, x] = one, model, 1
        else:
            mean[y, x] = np.float32(0.5) * (one + other)
            variance[y, x] = np.float32(0.5) * (other - one) ** 2
            used[y, x] = 2
        return
    average = np.mean(values)
    for i in range(frames):
        ordered[i] = values[i]
    median = median_first(ordered, frames)
    model = _model_variance(noise, min(median, average))
    limit = clip * np.sqrt(model)
    count = 0
    total = 0.0
    worst = 0
    for i in range(frames):
        if abs(values[i] - median) > abs(values[worst] - median):
            worst = i
        if abs(values[i] - median) <= limit:
            count += 1
            total += values[i]
    if count == 0:  # an even number of values in two camps far apart
        mean[y, x], variance[y, x], used[y, x], unstable[y, x] = median, model, 1, True
        return
    centre = total / count
    square = 0.0
    rest = 0.0
    rest_square = 0.0
    for i in range(frames):
        if abs(values[i] - median) <= limit:
            square += (values[i] - centre) ** 2
        if i != worst:
            rest += values[i] - median
            rest_square += (values[i] - median) ** 2
    mean[y, x] = centre
    used[y, x] = count
    variance[y, x] = square / (count - 1) if count > 1 else model
    if frames >= 4:
        trimmed = (rest_square - rest * rest / (frames - 1)) / (frames - 2)
        unstable[y, x] = frames - count >= 2 or trimmed > ratio * model


def standard_error(
    mean: NDArray[np.float32], variance: NDArray[np.float32], used: NDArray[np.uint16], model: NoiseModel
) -> NDArray[np.float32]:
    """Standard error of the mean a pixel: its temporal variance, moderated by the model's, over the values used.

    ``sqrt((w * model + (used - 1) * variance) / (w + used - 1) / used)`` with ``w = MODEL_WEIGHT``.

    References
    ----------
    Smyth 2004, doi:10.2202/1544-6115.1027 (moderated variance).
    """
    result = np.empty(mean.shape, np.float32)
    noise = np.array([model.read, model.gain, model.drift, model.bulk], np.float32)
    flat = mean.reshape(-1), variance.reshape(-1), used.reshape(-1)
    _standard_error(flat[0], flat[1], flat[2], result.reshape(-1), noise, np.float32(MODEL_WEIGHT))
    return result


@njit(cache=True, nogil=True, error_model="numpy")
def _standard_error(mean, variance, used, result, noise, weight):  # type: ignore[no-untyped-def]
    for x in range(np.uint64(len(result))):
        number = np.float32(used[x])
        freedom = number - np.float32(1)
        moderated = (weight * _model_variance(noise, mean[x]) + freedom * variance[x]) / (weight + freedom)
        result[x] = np.sqrt(moderated / number)


def block_rows(frames: int, width: int, memory_mb: float) -> int:
    """Rows (even, at least 2) of a stack of `frames` that fit the memory given."""
    rows = int(memory_mb * 1e6 / (2 * frames * width + 32 * width))
    return max(2, rows // 2 * 2)
