"""Master darks and biases: what each frame of a set shows, which do not belong, and their robust mean. Arrays only.

Values are ADU above black. A cosmic hit, a leak of light or a pixel that flickers moves no scale used here: clipping
goes by a noise model fitted to the whole set, not by the scatter of a pixel's own few values (which for N <= 10 can
reject nothing at 4.5 sigma: max |z| = (N - 1) / sqrt(N)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import chdtri

from pipeline.pixels.regression import MAD_TO_SIGMA
from pipeline.sensor.ordering import median_first

# A value farther than this from its pixel's median is a hit. Costs 1e-5 of the frames' weight on Gaussian noise.
CLIP_SIGMA = 4.5
# One sound pixel in a million may look unstable by chance (24 in a frame of 24 MP, which cost nothing to repair).
UNSTABLE_CHANCE = 1e-6
# How many frames' worth of belief the noise model has against a pixel's own temporal variance in the NOISE plane
# (moderated variance, Smyth 2004): with 10 darks a pixel's own variance is 47 % uncertain, moderated 14 %.
MODEL_WEIGHT = 30.0
# Pixels of a frame that are looked at before the mean is taken, in strips of two rows over the whole frame, and the
# fewest rows: eight groups of two strips show the shading of a light leak.
SAMPLE_PIXELS = 300_000
SAMPLE_ROWS_MIN = 32
# Fewer warm pixels than this in the sample tell no factor.
WARM_MIN = 20


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


@dataclass(frozen=True)
class FrameFigures:
    """What one frame of a set shows against the set's median; ADU, or shares. None where it cannot be told."""

    level: float  # above the set's median level
    noise: float  # standard deviation of its difference from the set's median
    pattern: float  # largest departure of a block's mean from the frame's level, glow that follows `factor` apart
    pattern_error: float  # what noise alone makes of `pattern`, one sigma of a block
    spots: float  # share of pixels more than 6 sigma above the set in this frame only
    factor: float | None  # its warm pixels over the set's


def clipped(values: NDArray[np.floating], sigma: float = 4.0, rounds: int = 8) -> tuple[float, float]:
    """Mean and standard deviation without outliers; unlike the median and the MAD true for coarsely rounded numbers.

    Starts from the median and the quartiles, then clips at `sigma` standard deviations until nothing changes.
    """
    values = np.asarray(values, np.float32).ravel()
    if values.size == 0:
        raise ValueError("values must not be empty")
    # the start may be rough: a sample will do
    low, centre, high = np.percentile(values[:: max(1, values.size // 20_000)], (25, 50, 75))
    # rounding to whole numbers can make the quartiles equal; one unit is then the least sensible width
    spread = max(float(high - low) / 1.349, 0.5)
    return _clip_rounds(values, float(centre), spread, sigma, rounds)


@njit(cache=True, nogil=True)
def _clip_rounds(values, centre, spread, sigma, rounds):  # type: ignore[no-untyped-def]
    last = -1
    for _ in range(rounds):
        limit = sigma * spread
        count = 0
        total = 0.0
        square = 0.0
        for v in values:
            d = np.float64(v) - centre
            if abs(d) <= limit:
                count += 1
                total += d
                square += d * d
        if count < 2:
            break
        shift = total / count
        centre += shift
        spread = np.sqrt(max(square / count - shift * shift, 0.0))
        if count == last or spread == 0:
            break
        last = count
    return centre, spread


def sample_rows(height: int, width: int) -> NDArray[np.int64]:
    """Rows of strips of two, spread evenly over the frame, each strip beginning at an even row."""
    if height < 2:
        return np.zeros(1, np.int64)
    strips = min(height // 2, max(SAMPLE_ROWS_MIN, SAMPLE_PIXELS // max(width, 1)) // 2)
    tops = (np.linspace(0, height // 2 - 1, strips) + 0.5).astype(np.int64) * 2
    return np.stack([tops, tops + 1], axis=1).ravel()


def set_centre(sample: NDArray[np.float32]) -> NDArray[np.float32]:
    """The sample's middle over frames: the median; of two frames the mean."""
    if sample.shape[0] <= 2:
        return sample.mean(axis=0, dtype=np.float32)
    return np.median(sample, axis=0).astype(np.float32)


def frame_figures(sample: NDArray[np.float32]) -> list[FrameFigures]:
    """Compare every frame of a set with the set's middle.

    Parameters
    ----------
    sample : (frames, rows, width) float32 array, ADU above black, rows as `sample_rows` gives them
    """
    centre = set_centre(sample)
    middle, spread = clipped(centre)
    warm = centre - np.float32(middle)
    sigma = _successive_sigma(sample) if sample.shape[0] > 1 else spread
    # errors of the centre itself must not make a warm pixel
    is_warm = warm > 8 * max(sigma, 1e-6)
    centred, noises, spotted = [], [], []
    for frame in sample:
        difference = frame - centre
        level, noise = clipped(difference)
        noises.append((level, noise))
        centred.append(difference - np.float32(level))
        spotted.append((centred[-1] > 6 * max(noise, sigma, 1e-6)) & ~is_warm)
    # a pixel that flickers shows in several frames
    once = np.sum(spotted, axis=0) == 1
    result = []
    for (level, noise), deviation, spots in zip(noises, centred, spotted, strict=True):
        factor = None
        if int(is_warm.sum()) >= WARM_MIN:
            factor = 1.0 + float(np.median(deviation[is_warm] / warm[is_warm]))
            # another temperature brightens glow as well, which is no leak
            deviation = deviation - np.float32(factor - 1) * warm
        blocks, size = _block_means(np.clip(deviation, -4 * noise, 4 * noise))
        result.append(
            FrameFigures(
                level=level,
                noise=noise,
                pattern=float(np.abs(blocks).max()),
                pattern_error=noise / float(np.sqrt(size)),
                spots=float(np.mean(spots & once)),
                factor=factor,
            )
        )
    return result


def _block_means(values: NDArray[np.float32]) -> tuple[NDArray[np.float64], int]:
    """Means over an 8 x 8 grid of blocks (fewer on tiny samples), and how many values the smallest block holds."""
    rows = np.array_split(np.arange(values.shape[0]), min(8, values.shape[0]))
    columns = np.array_split(np.arange(values.shape[1]), min(8, values.shape[1]))
    means = np.array(
        [[values[r[0] : r[-1] + 1, c[0] : c[-1] + 1].mean(dtype=np.float64) for c in columns] for r in rows]
    )
    return means, min(len(r) for r in rows) * min(len(c) for c in columns)


def _successive_sigma(sample: NDArray[np.float32]) -> float:
    """Temporal noise of one frame from differences of neighbouring frames; the median over the pairs."""
    differences = [clipped(sample[i + 1] - sample[i])[1] for i in range(sample.shape[0] - 1)]
    return float(np.median(differences)) / float(np.sqrt(2))


def left_out(figures: Sequence[FrameFigures], sigma: float) -> dict[int, str]:
    """Which frames do not belong to their set, and why, in words.

    Level differences alone are harmless (the frames are levelled before the mean) and count only where they are so
    large that light must have come in. One frame is never left out; of two that disagree the brighter is.

    Parameters
    ----------
    figures : what `frame_figures` gave
    sigma : temporal noise of one frame, ADU
    """
    count = len(figures)
    if count < 2:
        return {}
    reasons: dict[int, str] = {}
    if count == 2:
        bright = int(figures[1].level > figures[0].level)
        difference = abs(figures[1].level - figures[0].level)
        pattern = max(f.pattern / f.pattern_error if f.pattern_error > 0 else 0.0 for f in figures)
        if difference > 3 * sigma:
            reasons[bright] = f"lies {difference:.1f} ADU above the only other frame: light has come in"
        elif pattern > 10 and max(f.pattern for f in figures) > 0.25 * sigma:
            reasons[bright] = "is shaded against the only other frame: light has come in"
        return reasons
    levels = np.array([f.level for f in figures])
    level_limit = max(6 * _spread(levels), 3 * sigma)
    patterns = np.array([f.pattern for f in figures])
    # the middle of four frames has a third of a leak in it: 2.5 times the others', not more
    pattern_limit = max(2.5 * float(np.median(patterns)), 0.15 * sigma)
    spots = np.array([f.spots for f in figures])
    spots_limit = 10 * float(np.median(spots)) + 1e-3
    noises = np.array([f.noise for f in figures])
    noise_limit = 1.5 * float(np.median(noises))
    factors = np.array([np.nan if f.factor is None else f.factor for f in figures])
    known = np.isfinite(factors)
    middle_factor = float(np.median(factors[known])) if known.any() else 1.0
    factor_limit = max(0.25, 6 * _spread(factors[known]) if known.sum() >= 3 else 0.25)
    for n, f in enumerate(figures):
        off = f.level - float(np.median(levels))
        if abs(off) > level_limit:
            why = "light has come in" if off > 0 else "its black level is another"
            reasons[n] = f"lies {abs(off):.1f} ADU {'above' if off > 0 else 'below'} the others: {why}"
        elif f.factor is not None and abs(f.factor / middle_factor - 1) > factor_limit:
            reasons[n] = (
                f"has warm pixels {f.factor / middle_factor:.2f} times as bright as the others': "
                "another exposure or sensor temperature"
            )
        elif f.pattern > pattern_limit and f.pattern > 6 * f.pattern_error:
            reasons[n] = f"is shaded against the others by up to {f.pattern:.1f} ADU: light has come in"
        elif f.spots > spots_limit:
            reasons[n] = (
                f"shows bright spots ({1e6 * f.spots:.0f} per megapixel) that the others do not: stars or light"
            )
        elif f.noise > noise_limit:
            reasons[n] = f"is noisier than the others ({f.noise:.1f} against {np.median(noises):.1f} ADU)"
    # a majority that is at odds with itself tells nothing: keep all rather than choose by chance
    return reasons if len(reasons) < count / 2 else {}


def _spread(values: NDArray[np.float64]) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values)))) if values.size else 0.0


def fit_noise(sample: NDArray[np.float32]) -> NoiseModel:
    """Fit the temporal noise of a set against the pixels' level.

    From differences of neighbouring frames, binned by level. One frame alone gives its spatial scatter, in which fixed
    pattern and temporal noise are one: an upper limit.

    Parameters
    ----------
    sample : (frames, rows, width) float32 array, ADU above black, levelled
    """
    frames = sample.shape[0]
    if frames == 1:
        bulk, spread = clipped(sample)
        pairs = sample[0, :, 2:] - sample[0, :, :-2] if sample.shape[2] > 2 else np.array([spread], np.float32)
        return NoiseModel(read=max(clipped(pairs)[1] ** 2 / 2, 1e-3), bulk=bulk)
    centre = set_centre(sample)
    bulk, spread = clipped(centre)
    excess = centre - np.float32(bulk)
    read = max(_successive_sigma(sample[:, excess < max(4 * spread, 1.0)]) ** 2, 1.0 / 12)  # rounding to whole numbers
    edges = np.geomspace(max(4 * spread, 1.0), max(float(excess.max()), 8 * spread, 2.0) * 1.001, 9)
    levels, variances, weights = [0.0], [read], [1e3]
    for low, high in pairwise(edges):
        chosen = (excess >= low) & (excess < high)
        if chosen.sum() < 12:
            continue
        differences = np.diff(sample[:, chosen], axis=0)
        variance = clipped(differences, sigma=3.0)[1] ** 2 / 2
        levels.append(float(excess[chosen].mean()))
        variances.append(max(variance, read))
        weights.append(float(chosen.sum()))
    level, variance_, weight = np.array(levels), np.array(variances), np.array(weights)
    scale = np.sqrt(weight) / variance_
    design = np.stack([np.ones_like(level), level, level**2], axis=1) * scale[:, None]
    size = np.maximum(np.linalg.norm(design, axis=0), 1e-30)
    from scipy.optimize import nnls  # takes a third of a second to load, and masters alone need it

    (a, b, c), _ = nnls(design / size, variance_ * scale)
    return NoiseModel(
        read=max(float(a / size[0]), 1.0 / 12), gain=float(b / size[1]), drift=float(c / size[2]), bulk=bulk
    )


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
    clip: float = CLIP_SIGMA,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint16], NDArray[np.bool_]]:
    """Mean over frames without hits.

    For three frames and more it computes, for values ``v = stack - levels`` of a pixel and ``s`` the noise model at
    their mean or median, whichever is less: ``v[abs(v - median(v)) <= clip * s].mean()``; the variance of the same
    values; and whether the pixel is unstable: ``v`` without the value farthest from the median has a variance above
    ``unstable_ratio`` times the model's, or two values or more were rejected (both from four frames on). Where all
    values lie too far from their median (an even number in two camps): the median, as one value used. Two values
    that differ by more than ``clip * sqrt(2) * s`` give the lower one: a hit only adds.

    The fast way round, exact because mean and median never differ by more than the standard deviation: where
    ``max(v) - mean`` and ``mean - min(v)``, each with the standard deviation added, stay within the limit, nothing
    can be rejected and no sorting is needed.

    Parameters
    ----------
    stack : (frames, rows, width) uint16 or float32 array, ADU; row 0 at an even row
    levels : (frames, 2, width) float32 array
        What is taken from even and odd rows of each frame: black level and the frame's own level.
    model : NoiseModel
    clip : float

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
    _robust_mean(stack, levels, noise, np.float32(clip), np.float32(ratio), mean, variance, used, unstable)
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
                low[x] = min(low[x], d)
                high[x] = max(high[x], d)
        for x in range(width):
            centre = total[x] / np.float32(frames)
            spread2 = max(square[x] / np.float32(frames) - centre * centre, np.float32(0))
            level = pivot[x] + centre
            spread = np.sqrt(spread2)
            # the median, and so the level that the noise is taken at, may lie one spread below the mean
            sigma = np.sqrt(_model_variance(noise, level - spread))
            far = max(high[x] - centre, centre - low[x]) + spread
            if frames == 1 or far <= clip * sigma:
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
    freedom = used.astype(np.float32) - 1
    moderated = (np.float32(MODEL_WEIGHT) * model.variance(mean) + freedom * variance) / (MODEL_WEIGHT + freedom)
    return np.sqrt(moderated / used, dtype=np.float32)


def block_rows(frames: int, width: int, memory_mb: float) -> int:
    """Rows (even, at least 2) of a stack of `frames` that fit the memory given."""
    rows = int(memory_mb * 1e6 / (2 * frames * width + 32 * width))
    return max(2, rows // 2 * 2)


__all__ = [
    "CLIP_SIGMA",
    "FrameFigures",
    "NoiseModel",
    "block_rows",
    "clipped",
    "fit_noise",
    "frame_figures",
    "left_out",
    "robust_mean",
    "sample_rows",
    "set_centre",
    "standard_error",
    "unstable_ratio",
]
