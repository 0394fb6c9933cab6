"""A master of few darks held against one of more, of another temperature: what its single pixels have. Arrays only.

Of one or two darks a cosmic hit is not told from a hot pixel, and laid into every light it is a hole; and a warm pixel
has that dark's noise. Darks of another temperature show the same pixels: dark signal grows by about as much in all of
them, and what many darks show times that is what few may be expected to show. Each pixel takes the mean of both,
weighted by their errors; one that lies too far off (a hit, a pixel that flickers or is new) is unstable, and repaired.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.sensor.clipped import clipped
from pipeline.sensor.coarse import standing_out
from pipeline.sensor.darks import LINEAR_SHARE

# What lies above the structure by so many standard deviations is noted of a master, for others to be held against; and
# by so many times what ordinary pixels differ by of their own, for that is mostly the black level's, which does not
# grow with temperature: noted from 2 times on, pixels that differ by half of a frame's noise were drawn to four times
# what they have.
SHOWN_SIGMA, SHOWN_OWN = 2.0, 4.0
# Pixels farther than this from what is expected are unstable: of a normal distribution one in 16,000, which costs
# nothing to repair; a hit below it is drawn in with the noise.
APART_SIGMA = 4.0
# The factor between two masters is told by pixels of this many standard errors of the one of more darks, so many at
# least; and how differently they grow, over what they grow by, is never taken for less or for more.
STRONG_SIGMA, STRONG_FEWEST = 8.0, 12
# A factor of fewer of its standard errors than this is none: the masters are of two sensors, or all pixels changed.
TOLD_SIGMA = 3.0
SCATTER_LEAST, SCATTER_MOST = 0.03, 0.5


@dataclass(frozen=True)
class Standing:
    """Pixels that stand out of a master's structure: rows, columns, by how much and the standard error, ADU, and what
    share of it is taken for real rather than noise, all (number,), in order of rows; `usual` is the error of an
    ordinary pixel, `own` what ordinary pixels differ by beyond it, ADU, `shape` the master's."""

    ys: NDArray[np.int64]
    xs: NDArray[np.int64]
    excess: NDArray[np.float32]
    error: NDArray[np.float32]
    real: NDArray[np.float32]
    usual: float
    own: float
    shape: tuple[int, ...]


@dataclass(frozen=True)
class Beside:
    """What a master of few darks has in single pixels, beside another's.

    `ys`, `xs`, (number,) int64; `excess` above the structure and its standard error, (number,) float32, ADU; `apart`,
    (number,) bool, where both do not go together. `factor` is how many times the other's dark signal it has, `scatter`
    by what share of that pixels differ.
    """

    ys: NDArray[np.int64]
    xs: NDArray[np.int64]
    excess: NDArray[np.float32]
    error: NDArray[np.float32]
    apart: NDArray[np.bool_]
    factor: float
    scatter: float


def standing(
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    structure: NDArray[np.float32],
    unstable: NDArray[np.bool_],
    full_scale: float,
) -> Standing:
    """Which pixels stand out of a master's structure; those that are unstable, or not linear, tell nothing.

    Parameters
    ----------
    mean, noise, structure : (height, width) float32 arrays, ADU above black
        Mean of the darks, its standard error, and what of it is not of single pixels (`likeliest.Structure`).
    unstable : (height, width) bool array
    full_scale : float
        Level above black of saturation, ADU.
    """
    rest = mean - structure
    usual, own = _ordinary(rest, noise)
    ys, xs = standing_out(rest, None, max(SHOWN_SIGMA * float(np.hypot(usual, own)), SHOWN_OWN * own), below=False)
    good = ~unstable[ys, xs] & (mean[ys, xs] < LINEAR_SHARE * full_scale)
    ys, xs = ys[good], xs[good]
    excess = rest[ys, xs]
    return Standing(ys, xs, excess, noise[ys, xs], np.ones_like(excess), usual, own, mean.shape)


def _ordinary(rest: NDArray[np.float32], noise: NDArray[np.float32]) -> tuple[float, float]:
    """Error of ordinary pixels, and what they differ by beyond it, ADU; `rest` is what a master has above its
    structure."""
    _, spread = clipped(rest[:: max(1, len(rest) // 256)])
    usual = float(np.median(noise[::4, ::4]))
    return usual, float(np.sqrt(max(spread**2 - usual**2, 0.0)))


def with_real(shows: Standing, drawn: NDArray[np.float32]) -> Standing:
    """The same with the share that is real, from the pixels' values above the structure when they are drawn to it:
    ``drawn / excess``, within 0 and 1."""
    return replace(shows, real=np.clip(drawn / shows.excess, 0, 1).astype(np.float32))


def beside(
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    structure: NDArray[np.float32],
    other: Standing,
    full_scale: float,
) -> Beside | None:
    """Hold a master of few darks against another; None where the pixels do not tell by what factor.

    With x what the other shows of a pixel above its structure and e its error, f the factor and s the scatter, ``f x``
    is expected, give or take ``t = hypot(f e, s f x, (1 - f) o)``, o what ordinary pixels of the other differ by, which
    does not grow with temperature; of the few darks' own y with error n both say
    ``v = (f x n**2 + y t**2) / (t**2 + n**2)``. That x is real is as likely as the other master took it for, r, and y
    tells more: the pixel takes ``p v``, ``p = r a / (r a + (1 - r) b)``, with a and b the normal densities of y about
    ``f x`` with variance ``n**2 + t**2`` and about 0 with n**2. Where y is apart by more than `APART_SIGMA` of both
    errors, from ``f x`` and from 0, it takes ``r f x``. Where the other shows nothing, x is 0 and e its usual error,
    and y is left as it is or taken for apart.

    Parameters
    ----------
    mean, noise, structure : (height, width) float32 arrays, ADU above black, of the few darks as in `standing`
    other : Standing
        Of the other master, of the same size.
    full_scale : float
        Level above black of saturation, ADU.

    Raises
    ------
    ValueError
        Where the masters are of different sizes.
    """
    if mean.shape != other.shape:
        raise ValueError(f"both masters must be of one size (got {mean.shape} and {other.shape})")
    y = mean[other.ys, other.xs] - structure[other.ys, other.xs]
    n = noise[other.ys, other.xs]
    linear = mean[other.ys, other.xs] < LINEAR_SHARE * full_scale
    told = _factor(y[linear], n[linear], other.excess[linear], other.error[linear], other.own)
    if told is None:
        return None
    factor, scatter = np.float32(told[0]), np.float32(told[1])
    expected = factor * other.excess
    give = np.hypot(np.hypot(factor * other.error, scatter * expected), (1 - factor) * np.float32(other.own))
    both = give**2 + n**2
    share = give**2 / np.maximum(both, np.float32(1e-12))
    off = y - expected
    # logarithm of what y says for x being real
    told_by = 0.5 * (np.log(n**2 / both) + (y / n) ** 2 - off**2 / both)
    odds = np.log(np.clip(other.real, 1e-6, 1 - 1e-6) / np.clip(1 - other.real, 1e-6, 1)) + told_by
    real = 1 / (1 + np.exp(-np.clip(odds, -40, 40)))
    value = expected + share * off
    excess, error = real * value, np.sqrt(real * share * n**2 + real * (1 - real) * value**2)
    far = np.float32(APART_SIGMA)
    apart = linear & (np.abs(off) > far * np.sqrt(both)) & (np.abs(y) > far * n)
    excess, error = np.where(apart, other.real * expected, excess), np.where(apart, give, error)
    # what is not linear here stays as it is, and is hot enough to be repaired
    excess, error = np.where(linear, excess, y), np.where(linear, error, n)
    alone = _alone(mean, noise, structure, other, float(factor))
    none, usual = np.zeros(len(alone[0]), np.float32), np.full(len(alone[0]), factor * other.usual, np.float32)
    return Beside(
        np.concatenate([other.ys, alone[0]]),
        np.concatenate([other.xs, alone[1]]),
        np.concatenate([excess, none]).astype(np.float32),
        np.concatenate([error, usual]).astype(np.float32),
        np.concatenate([apart, np.ones(len(alone[0]), np.bool_)]),
        float(factor),
        float(scatter),
    )


def _factor(
    y: NDArray[np.float32], n: NDArray[np.float32], x: NDArray[np.float32], e: NDArray[np.float32], own: float
) -> tuple[float, float] | None:
    """How many times the other's dark signal there is, by the stronger half of its strong pixels; and by what share of
    that these differ beyond their errors and what ordinary pixels differ by. Medians, as hits are among them."""
    strong = x > STRONG_SIGMA * np.hypot(e, np.float32(own))
    if strong.sum() < 2 * STRONG_FEWEST:
        return None
    strong &= x >= np.median(x[strong])
    y, n, x, e = y[strong], n[strong], x[strong], e[strong]
    factor = float(np.median(y / x))
    # standard error of a median, by the median of the deviations
    error = MEDIAN_ERROR * MAD_TO_SIGMA * float(np.median(np.abs(y / x - factor))) / np.sqrt(len(x))
    if factor <= TOLD_SIGMA * error:
        return None
    # each pixel's own: the strongest tell it, and the weakest would say nothing but their noise
    off = (y - factor * x) ** 2 / 0.455 - (n**2 + (factor * e) ** 2 + ((1 - factor) * own) ** 2)
    scatter = np.sqrt(max(float(np.median(off / (factor * x) ** 2)), 0.0))
    return factor, float(np.clip(scatter, SCATTER_LEAST, SCATTER_MOST))


def _alone(
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    structure: NDArray[np.float32],
    other: Standing,
    factor: float,
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pixels that stand out far here, either way, where the other shows nothing: beyond what ordinary ones differ by,
    which both may have."""
    rest = mean - structure
    usual, own = _ordinary(rest, noise)
    give = float(np.hypot(own, factor * other.usual))
    ys, xs = standing_out(rest, None, APART_SIGMA * float(np.hypot(usual, give)))
    far = np.abs(rest[ys, xs]) > np.float32(APART_SIGMA) * np.hypot(noise[ys, xs], np.float32(give))
    width = mean.shape[1]
    far &= ~np.isin(ys * width + xs, other.ys * width + other.xs)
    return ys[far], xs[far]
