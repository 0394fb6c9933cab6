"""What stays with the sensor where no dark can be had: an amplifier's glow, and the offsets of rows and columns.

On a tripod light that stays with the ground stays with the sensor as well, so that standing still tells nothing. Glow
is told by its colour: electrons that no light made are as many under red, green and blue filters alike, which no light
from the sky or the land is. Of the light two colours are learned from the frame itself (the sky's and a dome's, say);
the combination of red, green and blue that is blind to both is the one of least variance over the frame whose weights
sum to 1, and what stands out in it is grey, or light of a third colour. It is believed to be glow where it falls off
evenly from a place at the sensor's edge and is the same in the earlier and the later frames; otherwise nothing is done.

Rows and columns are told by what both halves of each show alike against the lines beside: neither stars nor land are as
straight as that, but for a level horizon, which is told by being broad.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.sensor.darks import clipped

# ---- glow -----------------------------------------------------------------------------------------------------------

# Share of the blocks, those nearest to the middle of all, from which the colours of the scene's light are learned.
TYPICAL = 0.7
ROUNDS = 6
# Standard deviations of the smoothed grey map above which a block glows, and what the peak must reach at least.
GLOWS_SIGMA, PEAK_SIGMA = 3.0, 8.0
# ... and, over a frame's noise: fainter glow is not worth the risk.
PEAK_MIN = 0.25
# Share of the frame beyond which it is no amplifier's.
GLOW_SHARE_MAX = 0.5
# Fewer blocks than this tell no colours.
BLOCKS_MIN = 60
# Error of the smoothed map, over a frame's noise, beyond which glow may be off by more than a fifth of that: where it
# was 0.035 up to 0.35 was left, below 0.03 at most 0.17.
ERROR_MAX = 0.03
# What the fall-off may leave of the glow, rms over the peak; how far inside the frame it may begin and how long it may
# be, as shares of the frame's sides.
LEFT_MAX, INSIDE_MAX, LENGTH_MAX = 0.07, 0.05, 0.5
# Where the light itself is brighter than in the rest of the frame, glow must be this share of what it is brighter by:
# two colours make up a dome of light but for some hundredths.
OVER_LIGHT = 0.08
# What later frames may show of the earlier ones' glow: sensors warm up and cool by some degrees.
STEADY = (0.65, 1.5)
# Blocks about a region that its fall-off is fitted to as well.
AROUND = 4


@dataclass(frozen=True)
class Glow:
    """Glow by block, ADU, (rows, columns) float32, 0 where there is none; None where none was found or none is told.

    `why` says in words what was found or why nothing was done; `error` is that of a block, ADU.
    """

    level: NDArray[np.float32] | None
    why: str
    error: float | None = None


def grey_weights(levels: NDArray[np.float64], chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """The weights, of sum 1, of the combination of colours whose variance over the chosen blocks is least.

    ``C^-1 1 / (1' C^-1 1)`` with C the covariance of the colours.

    Parameters
    ----------
    levels : (3, blocks) float64 array, ADU
    chosen : (blocks,) bool array

    References
    ----------
    Bennett et al. 2003, ApJS 148:97, section 4 (internal linear combination).
    """
    covariance = np.cov(levels[:, chosen])
    inverse = np.linalg.pinv(covariance + 1e-9 * np.trace(covariance) * np.eye(3))
    return np.asarray(inverse.sum(axis=1) / inverse.sum())


def find_glow(halves: NDArray[np.floating], noise: float) -> Glow:
    """Find what is grey at the edges of the sensor.

    Parameters
    ----------
    halves : (2, 3, rows, columns) array, ADU above black
        Level of red, green and blue in blocks of the sensor in the earlier and in the later frames, between which the
        sky moved (`colour_levels`); NaN where a block has none.
    noise : float
        Of a pixel of one frame, ADU.
    """
    shape = halves.shape[2:]
    by_half = halves.reshape(2, 3, -1).astype(np.float64)
    flat = by_half.mean(axis=0)
    known = np.isfinite(flat).all(axis=0)
    if known.sum() < BLOCKS_MIN:
        return Glow(None, "the frames are too small to tell an amplifier's glow")
    glowing = np.zeros(shape, bool)
    for _ in range(ROUNDS):
        typical = _typical(flat, known & ~glowing.ravel())
        weights = grey_weights(flat, typical)
        raw = _grey(weights, flat, known, typical, shape)
        grey = _smoothed(raw, known.reshape(shape))
        spread = max(1.4826 * float(np.median(np.abs(grey.ravel()[typical]))), 1e-6)
        seeds = ndimage.binary_dilation(grey > GLOWS_SIGMA * spread)
        if (seeds == glowing).all():
            break
        glowing = seeds
    if spread > ERROR_MAX * noise:
        return Glow(None, "the light of the scene has too many colours to tell an amplifier's glow from it", spread)
    parts = [_grey(weights, half, known, typical, shape) for half in by_half]
    light = (flat[1] - np.median(flat[1, typical])).reshape(shape)
    level, refused = np.zeros(shape), 0
    regions, count = ndimage.label(glowing)
    for region in range(1, count + 1):
        here = regions == region
        peak = float(np.where(here, grey, 0).max())
        if peak < max(PEAK_SIGMA * spread, PEAK_MIN * noise):
            continue
        around = ndimage.binary_dilation(here, iterations=AROUND) & known.reshape(shape)
        fall = _fall_off(grey, around, peak, spread) if here.mean() < GLOW_SHARE_MAX else None
        one, other = (part[here] for part in parts)
        steady = STEADY[0] < (one * other).sum() / (one * one).sum() < STEADY[1]
        brighter = float(np.nanmedian((light - grey)[here & (grey > 0.5 * peak)]))
        if fall is None or not steady or peak < OVER_LIGHT * brighter:
            refused += 1
            continue
        left = _smoothed(np.where(here, raw - fall, 0), known.reshape(shape))
        level += np.where(here, np.maximum(fall + left, 0), np.where(glowing, 0, fall))
    if not level.any():
        told = "something grey stands in the frame, but it cannot be told from light" if refused else ""
        return Glow(None, told or "no glow stands out", spread)
    share = float((level > GLOWS_SIGMA * spread).mean())
    return Glow(level.astype(np.float32), f"up to {level.max():.1f} ADU, in {100 * share:.0f} % of the frame", spread)


def _grey(
    weights: NDArray[np.float64],
    flat: NDArray[np.float64],
    known: NDArray[np.bool_],
    typical: NDArray[np.bool_],
    shape: tuple[int, ...],
) -> NDArray[np.float64]:
    combined = np.where(known, weights @ np.where(known, flat, 0), 0.0)
    combined -= np.median(combined[typical])
    return combined.reshape(shape)


def _fall_off(
    grey: NDArray[np.float64], around: NDArray[np.bool_], peak: float, spread: float
) -> NDArray[np.float64] | None:
    """Glow that falls off exponentially from a place at the edge, everywhere; None where a region is not like that."""
    from scipy.optimize import least_squares  # takes a third of a second to load, and few scenes need it

    y, x = np.nonzero(around)
    height, width = grey.shape
    v, u = (y + 0.5) / height, (x + 0.5) / width
    shown = grey[around]
    at = int(np.argmax(shown))

    def model(p: NDArray[np.float64], u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(p[0] * np.exp(-np.hypot((u - p[1]) / p[3], (v - p[2]) / p[4])))

    fit = least_squares(
        lambda p: (model(p, u, v) - shown) / (spread + 0.03 * peak),
        [1.5 * peak, float(u[at]), float(v[at]), 0.2, 0.2],
        bounds=([0, -0.15, -0.15, 0.01, 0.01], [50 * peak, 1.15, 1.15, 2.0, 2.0]),
        x_scale=[peak, 0.1, 0.1, 0.1, 0.1],
        loss="soft_l1",
    )
    left = float(np.sqrt(np.mean((model(fit.x, u, v) - shown) ** 2)))
    edge = min(fit.x[1], 1 - fit.x[1], fit.x[2], 1 - fit.x[2])
    if left > LEFT_MAX * peak + 0.4 * spread or edge > INSIDE_MAX or max(fit.x[3:]) > LENGTH_MAX:
        return None
    v, u = (np.indices(grey.shape) + 0.5) / np.array(grey.shape)[:, None, None]
    return model(fit.x, u, v)


def _typical(flat: NDArray[np.float64], usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The blocks whose colours lie nearest together, by Mahalanobis distance, found by concentration.

    References
    ----------
    Rousseeuw & Van Driessen 1999, Technometrics 41:212 (concentration steps).
    """
    chosen = usable.copy()
    number = max(int(TYPICAL * usable.sum()), 10)
    for _ in range(8):
        centre = np.median(flat[:, chosen], axis=1)
        covariance = np.cov(flat[:, chosen])
        inverse = np.linalg.pinv(covariance + 1e-9 * np.trace(covariance) * np.eye(3))
        apart = np.nan_to_num(flat) - centre[:, None]
        distance = np.einsum("ib,ij,jb->b", apart, inverse, apart)
        distance[~usable] = np.inf
        nearest = np.zeros_like(usable)
        nearest[np.argsort(distance, kind="stable")[:number]] = True
        if (nearest == chosen).all():
            break
        chosen = nearest
    return chosen


def _smoothed(values: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Means over 3 x 3 blocks of the known ones."""
    weight = ndimage.uniform_filter(known.astype(float), 3, mode="constant")
    total = ndimage.uniform_filter(np.where(known, values, 0), 3, mode="constant")
    return np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)


def spread_blocks(level: NDArray[np.float32], block: int, shape: tuple[int, int]) -> NDArray[np.float32]:
    """A block map at every pixel, linearly between block centres and beyond the outermost, not below 0."""
    down, across = (_between(n, size, block) for n, size in zip(level.shape, shape, strict=True))
    return np.maximum((down @ level.astype(np.float32)) @ across.T, 0)


def _between(number: int, size: int, block: int) -> NDArray[np.float32]:
    """(size, number) weights of block centres at every pixel of an axis."""
    place = (np.arange(size) - (block - 1) / 2) / block
    low = np.clip(np.floor(place), 0, max(number - 2, 0)).astype(int)
    share = np.clip(place - low, -0.5, 1.5) if number > 1 else np.zeros(size)
    weights = np.zeros((size, number), np.float32)
    weights[np.arange(size), low] = 1 - share
    if number > 1:
        weights[np.arange(size), low + 1] += share.astype(np.float32)
    return weights


# ---- rows and columns -----------------------------------------------------------------------------------------------

# Lines of the same colours to either side that a line is set against, every second one.
BESIDE = 8
# Values further than this from one beside are left out (stars, edges of land), in standard deviations of a pixel; what
# is left of a small offset then, noise being normal: with c = cut / sqrt(2), 1 - 2 c phi(c) / (2 Phi(c) - 1).
LINE_CUT, LINE_LEFT = 3.0, 0.8149
# Lines across that are looked at in a frame, about: with 16 frames a line is known to 0.01 of a frame's noise.
ACROSS = 1000
# Correlation of the halves, over that of chance, from which lines have offsets of their own.
LINES_SIGMA = 6.0
SHIFTS = 200
# Outliers and broad structures (a level horizon) by their robust standard deviations; such lines are left alone.
OFF_SIGMA, BROAD_SIGMA, BROAD, WAVE = 6.0, 5.0, 9, 33


class Lines:
    """Sums over frames of what columns (or rows) differ by from those beside, each half of them by itself."""

    def __init__(self, length: int) -> None:
        self.sums = np.zeros((2, length))
        self.counts = np.zeros((2, length))

    def add(self, values: NDArray[np.float32], sigma: float) -> None:
        """Take in a frame whose last axis is the one of these lines; about `ACROSS` lines across are looked at.

        Parameters
        ----------
        values : (across, length) float32 array, ADU above black
        sigma : noise of a pixel, ADU
        """
        step = max(1, values.shape[0] // ACROSS) | 1  # odd: both colours of each line
        part = np.ascontiguousarray(values[::step])
        _add_lines(part, np.float32(LINE_CUT * max(sigma, 1e-3)), self.sums, self.counts)


@njit(cache=True, nogil=True)
def _add_lines(values, limit, sums, counts):  # type: ignore[no-untyped-def]
    """Sums and numbers of the differences ``v[x] - v[x + k]`` that are below the limit, k = +-2 ... +-2 `BESIDE`.

    What one line of a pair gains the other loses, so that stars, left out or not, shift no mean over lines.
    """
    height, width = values.shape
    reach = 2 * BESIDE
    for y in range(height):
        half = 0 if 2 * y < height else 1
        row = values[y]
        for k in range(2, reach + 1, 2):
            for x in range(width - k):
                apart = row[x + k] - row[x]
                if abs(apart) < limit:
                    sums[half, x + k] += apart
                    sums[half, x] -= apart
                    counts[half, x + k] += 1
                    counts[half, x] += 1


def line_offsets(lines: Lines) -> NDArray[np.float32] | None:
    """Offsets of the lines, ADU, as far as they are told from noise; None where none are.

    Lines that a broad structure crosses (within `BROAD` lines the mean stands out), whose halves disagree or that lie
    at the edges have 0; the others are drawn towards 0 by what noise makes of them.
    """
    halves = lines.sums / np.maximum(lines.counts, 1) / LINE_LEFT
    usable = lines.counts.min(axis=0) > 0.25 * np.median(lines.counts)
    usable[: 2 * BESIDE] = usable[-2 * BESIDE :] = False
    if usable.sum() < 64:
        return None
    one, other = (np.where(usable, h - np.median(h[usable]), 0) for h in halves)
    mean, apart = (one + other) / 2, one - other
    # curved skies show as broad waves; so do level horizons, which are left alone whole
    wave = ndimage.median_filter(mean, WAVE)
    one, other, mean = one - wave, other - wave, mean - wave
    error = clipped(apart[usable])[1] / 2
    broad = ndimage.uniform_filter1d(mean, BROAD)
    wide = np.abs(broad) > BROAD_SIGMA * max(_spread(broad[usable]), error / np.sqrt(BROAD))
    usable &= ~ndimage.binary_dilation(wide, iterations=2 * BESIDE)
    usable &= np.abs(apart) < 2 * OFF_SIGMA * max(error, 1e-6)
    if usable.sum() < 64:
        return None
    # single lines far off are no pattern, and must not make one by themselves
    near = usable & (np.abs(mean) < OFF_SIGMA * max(_spread(mean[usable]), 1e-6))
    shared = float(np.mean(one[near] * other[near]))
    # stars leave their mark on neighbouring lines: what chance gives is seen where the halves are shifted
    a, b = np.where(near, one, 0), np.where(near, other, 0)
    shifts = range(WAVE, len(a) - WAVE, max(1, (len(a) - 2 * WAVE) // SHIFTS))
    by_chance = float(np.std([a @ np.roll(b, k) for k in shifts])) / near.sum()
    if shared < LINES_SIGMA * max(by_chance, 1e-12):
        return None
    offsets = mean.copy()
    for _ in range(2):  # what the lines beside have of their own was taken off with them
        around = sum(np.roll(offsets, k) for s in range(2, 2 * BESIDE + 1, 2) for k in (-s, s)) / (2 * BESIDE)
        offsets = mean + np.where(usable, around, 0)
    offsets *= shared / (shared + error**2)
    return np.where(usable, offsets, 0).astype(np.float32)


def _spread(values: NDArray[np.floating]) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


# ---- both -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pattern:
    """What is taken off every frame of a scene without a dark; ADU. `glow` is by blocks of `block` px, None as all."""

    glow: NDArray[np.float32] | None = None
    block: int = 0
    rows: NDArray[np.float32] | None = None
    columns: NDArray[np.float32] | None = None

    def __bool__(self) -> bool:
        return self.glow is not None or self.rows is not None or self.columns is not None

    def at_pixels(self, shape: tuple[int, int]) -> NDArray[np.float32]:
        """The sum of all, (height, width) float32, ADU."""
        total = np.zeros(shape, np.float32) if self.glow is None else spread_blocks(self.glow, self.block, shape)
        if self.rows is not None:
            total += self.rows[:, None]
        if self.columns is not None:
            total += self.columns
        return total


def colour_levels(surveys: Sequence[NDArray[np.float32]], cfa: str) -> NDArray[np.float64]:
    """Medians over the earlier and over the later frames of the levels of red, green and blue.

    Frames are set to one sky level first, so that one of them with cloud or haze does not shift what the median takes.

    Parameters
    ----------
    surveys : n of (rows, columns, 4), ADU above black, by CFA position

    Returns
    -------
    (2, 3, rows, columns) float64 array
    """
    planes = []
    middle = (len(surveys) + 1) // 2
    for colour in "RGB":
        places = [n for n in range(4) if cfa[n] == colour]
        frames = np.stack([level[..., places].mean(axis=-1) for level in surveys]).astype(np.float64)
        middles = np.nanmedian(frames, axis=(1, 2), keepdims=True)
        frames += np.median(middles) - middles
        planes.append([np.median(part, axis=0) for part in (frames[:middle], frames[middle:])])
    return np.stack(planes, axis=1)


__all__ = ["Glow", "Lines", "Pattern", "colour_levels", "find_glow", "grey_weights", "line_offsets", "spread_blocks"]
