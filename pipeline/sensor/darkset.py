"""A set of darks, biases or flats: what each frame shows against the others, and which do not belong. Arrays only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.sensor.clipped import clipped

# Pixels of a frame that are looked at before the mean is taken, in strips of two rows over the whole frame, and the
# fewest rows: eight groups of two strips show the shading of a light leak.
SAMPLE_PIXELS = 300_000
SAMPLE_ROWS_MIN = 32
# Fewer warm pixels than this in the sample tell no factor.
WARM_MIN = 20
# Fewer darks than this do not tell by one another which of them light has come into.
COMPARED_MIN = 3
# Set against a master of others a dark is shaded by so many errors of a block's median, and by more than a tenth of
# what glow has grown by, whose shape is not the same to the last; by a frame's noise, or so much of it beside the
# blocks of the same rows: in one frame rows alone may be off.
SHADED_ERRORS, SHADED_GROWN, SHADED_BESIDE = 10.0, 0.1, 0.3


@dataclass(frozen=True)
class FrameFigures:
    """What one frame of a set shows against the set's median; ADU, or shares. None where it cannot be told."""

    level: float  # above the set's median level
    noise: float  # standard deviation of its difference from the set's median
    pattern: float  # largest departure of a block's mean from the frame's level, glow that follows `factor` apart
    pattern_error: float  # what noise alone makes of `pattern`, one sigma of a block
    spots: float  # share of pixels more than 6 sigma above the set in this frame only
    factor: float | None  # its warm pixels over the set's


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
    sigma = successive_sigma(sample) if sample.shape[0] > 1 else spread
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


def left_out_against(
    sample: NDArray[np.float32], master: NDArray[np.float32], sigma: float, name: str
) -> dict[int, str]:
    """Which darks of a set too small for `left_out` are shaded where the master of another is not, and why, in words.

    Parameters
    ----------
    sample : (frames, rows, width) float32 array, ADU above black, rows as `sample_rows` gives them
    master : (rows, width) float32 array, the same rows of the master, ADU above black
    sigma : temporal noise of one frame, ADU
    name : of the other set
    """
    if len(sample) >= COMPARED_MIN:
        return {}
    told = ((n, shading_against(frame, master, sigma)) for n, frame in enumerate(sample))
    return {
        n: f"is shaded against {name} by up to {shading:.1f} ADU: light has come in"
        for n, shading in told
        if shading is not None
    }


def shading_against(frame: NDArray[np.float32], master: NDArray[np.float32], sigma: float) -> float | None:
    """By how much a dark is shaded where a master of others is not, ADU; None where it is not.

    Glow is in both, however much it has grown: what goes with the master's own blocks is no light that has come in.

    Parameters
    ----------
    frame, master : (rows, width) float32 arrays, ADU above black, rows as `sample_rows` gives them
    sigma : temporal noise of one frame, ADU
    """
    difference = frame - master
    apart, size = _block_medians(difference)
    own, _ = _block_medians(master)
    terms = np.stack([own.ravel(), np.ones(own.size)], axis=1)
    grown, level = np.linalg.lstsq(terms, apart.ravel(), rcond=None)[0]
    left = apart - level - grown * own
    # standard error of a median
    error = MEDIAN_ERROR * clipped(difference)[1] / np.sqrt(size)
    least = max(SHADED_ERRORS * error, SHADED_GROWN * abs(grown) * float(np.ptp(own)))
    shading = float(np.abs(left).max())
    beside = float(np.abs(left - np.median(left, axis=1, keepdims=True)).max())
    return shading if shading > max(least, sigma) or beside > max(least, SHADED_BESIDE * sigma) else None


def _block_medians(values: NDArray[np.float32]) -> tuple[NDArray[np.float64], int]:
    """As `_block_means`, medians."""
    rows, columns = _eighths(values.shape[0]), _eighths(values.shape[1])
    medians = [[float(np.median(values[r, c])) for c in columns] for r in rows]
    return np.array(medians), _fewest(rows) * _fewest(columns)


def _eighths(size: int) -> list[slice]:
    """So many rows or columns in eight stretches, or fewer."""
    return [slice(int(part[0]), int(part[-1]) + 1) for part in np.array_split(np.arange(size), min(8, size))]


def _fewest(parts: list[slice]) -> int:
    return min(part.stop - part.start for part in parts)


def _block_means(values: NDArray[np.float32]) -> tuple[NDArray[np.float64], int]:
    """Means over an 8 x 8 grid of blocks (fewer on tiny samples), and how many values the smallest block holds."""
    rows, columns = _eighths(values.shape[0]), _eighths(values.shape[1])
    means = np.array([[values[r, c].mean(dtype=np.float64) for c in columns] for r in rows])
    return means, _fewest(rows) * _fewest(columns)


def successive_sigma(sample: NDArray[np.float32]) -> float:
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
