"""A master of least error: what a few darks do not tell of a pixel is not believed. Arrays only.

The mean of few darks has noise that most pixels' true differences are far below; taken off every light as it stands,
that noise stays in all that does not move over the sensor. So a pixel's mean is drawn to what its surroundings, its row
and its column let expect, as far as the noise of the mean accounts for the scatter about that; a pixel that stands out
(warm, hot, cold) stays as it is. Two estimates follow each other, both by what the master itself shows:

1. The structure (glow, shading, rows, columns, readout channels): the cosine transform of each CFA position, shrunk by
   blocks of frequencies, each by the share of its power above the floor of white scatter; and the levels of single rows
   and columns that stand out.
2. What single pixels have of their own: Tweedie's formula, from the frequency of such values in this master.

Of one dark alone noise is not told from what ordinary pixels differ by; given its whole scatter as noise, only glow,
lines and pixels that stand out are left of it. Its error then is that of these alone.

References
----------
Cavalier & Tsybakov 2001, Mathematical Methods of Statistics 10, 247 (Stein's rule by blocks of frequencies);
Efron & Morris 1973, doi:10.1080/01621459.1973.10481350 (Stein's rule as empirical Bayes);
Efron 2011, doi:10.1198/jasa.2011.tm11181 (Tweedie's formula).
"""

from __future__ import annotations

import functools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import fft

from pipeline.pixels.noise import BLOCK
from pipeline.sensor.clipped import clipped
from pipeline.sensor.coarse import coarse_level, spread_about, standing_out
from pipeline.sensor.defects import same_colour_excess

# Pixels that stand out by this many standard deviations are no part of the structure.
STANDS_OUT = 4.0
# Noise is what means over blocks have that the blocks about them, so many a side, do not: what is wider is a gradient.
AROUND = 5
# A block of frequencies, or a line, holds structure where it lies above what noise makes by this many standard errors:
# what chance gives many small blocks would be broad noise, the more seen the broader.
STRUCTURE_SIGMA = 4.0
# Side of tiles whose structure is looked at by itself, px: that of glow in a corner is little of the whole picture's.
# Where what is told already rises over a tile by this share of the white scatter, more of it is expected, and none is
# left out for being unsure: half way up a glow of 400 ADU what was left out made 1.6 times the error told. Where it
# rises by half of the scatter, parts of a tile are looked at too: at the tip of a glow in a corner.
TILE, RISES, STEEP, FINE = 256, 0.4, 0.5, 16
# Blocks (a side, px) whose scatter is looked at by itself: where glow is, pixels differ more.
SIDE = 64
# Ordinary pixels are those within so many standard deviations, and what that leaves of a normal variance: farther out,
# warm pixels would speak for all.
CORE, CORE_LEFT = 3.0, 0.97334
# A block's scatter is its own where it differs from the usual one by this many of its standard errors.
OWN_SIGMA = 4.0
# Variances, times that of ordinary pixels, of the normal distributions that together make the pixels' values up.
VARIANCES = 2.0 ** np.arange(7)
# Values are counted in bins of this width up to this value, in standard deviations; what lies beyond stays as it is.
BIN, VALUES_TO = 0.1, 15.0
ROUNDS = 300
# CFA positions in work at once: two keep two cores busy.
AT_ONCE = 2
# Rows that are drawn to the structure in one go.
BAND = 256


@dataclass(frozen=True)
class Structure:
    """What of a master is not of single pixels, (height, width) float32, ADU; the share of the mean's noise, as means
    over blocks show it, that stays in it, (rows, columns) float32 by tiles of `sides` px."""

    value: NDArray[np.float32]
    kept: NDArray[np.float32]
    sides: tuple[int, int]


def least_error(
    mean: NDArray[np.float32], noise: NDArray[np.float32], cfa: str
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The values of least expected error, and their standard errors: ``drawn(mean, noise, structure_of(mean, cfa))``.

    Parameters
    ----------
    mean, noise : (height, width) float32 arrays
        Mean of the darks, ADU above black, and its standard error, ADU.
    cfa : str
        RGGB, BGGR, GRBG, GBRG or MONO.
    """
    return drawn(mean, noise, structure_of(mean, cfa))


def structure_of(mean: NDArray[np.float32], cfa: str) -> Structure:
    """The structure of a master; `mean` (height, width) float32, ADU above black, `cfa` as in `least_error`."""
    step = 1 if cfa == "MONO" else 2
    value = _without_standing_out(mean)
    # even tiles: a narrow last one tells little
    high, wide = (-(-n // (step * max(1, round(n / TILE)))) for n in mean.shape)
    planes = [value[row::step, column::step] for row in range(step) for column in range(step)]
    with ThreadPoolExecutor(AT_ONCE) as pool:
        shares = list(pool.map(lambda plane: _plane_structure(plane, (high, wide), BLOCK // step), planes))
    # share of the mean's noise, as means over blocks show it, that stays in the structure, by tiles: glow keeps more
    kept = np.zeros_like(shares[0][1])
    for share, by_tile in shares:
        kept += share / step**2
        kept += by_tile / step**2
    return Structure(value, kept, (step * high, step * wide))


def drawn(
    mean: NDArray[np.float32], noise: NDArray[np.float32], structure: Structure
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Pixels drawn to the structure as far as their noise accounts for the scatter.

    Parameters
    ----------
    mean, noise : (height, width) float32 arrays, as in `least_error`
    structure : Structure
        Its array is taken for the result.

    Returns
    -------
    value, error : (height, width) float32 arrays, ADU
        The error is that which means over blocks of `BLOCK` px show, a pixel: what the estimate takes from a pixel's
        surroundings it shares with them.
    """
    value = structure.value
    scatter = _scatter(mean, value)
    error = np.empty_like(value)
    belief = _belief(mean, value, scatter)

    def draw(top: int) -> None:
        rows = slice(top, top + BAND)
        _draw(mean[rows], noise[rows], scatter, belief, structure.kept, structure.sides, top, value[rows], error[rows])

    with ThreadPoolExecutor(AT_ONCE) as pool:
        list(pool.map(draw, range(0, len(value), BAND)))
    return value, error


def _plane_structure(
    plane: NDArray[np.float32], tile: tuple[int, int], block: int
) -> tuple[float, NDArray[np.float32]]:
    """Put a CFA position's structure in its place; what of white noise is kept by that of the whole, and by tiles."""
    whole, share = structure(plane, block)
    _, spread = clipped((plane - whole)[:: max(1, plane.shape[0] // 256)])
    kept = np.zeros([-(-n // side) for n, side in zip(plane.shape, tile, strict=True)], np.float32)
    for i, j in np.ndindex(*kept.shape):
        part = (slice(i * tile[0], (i + 1) * tile[0]), slice(j * tile[1], (j + 1) * tile[1]))
        kept[i, j] = _tile(plane[part], whole[part], spread, block)
    whole += _lines(plane - whole, TILE * block // BLOCK)
    plane[:] = whole
    return share, kept


def _tile(plane: NDArray[np.float32], whole: NDArray[np.float32], spread: float, block: int) -> float:
    """Add to a tile's structure, in place, what the tile tells by itself, and where it is steep what its parts do; the
    share of white noise that this keeps."""
    rise = float(whole.std())
    found, kept = structure(plane - whole, block, 0.0 if rise > RISES * spread else STRUCTURE_SIGMA)
    whole += found
    if rise > STEEP * spread:
        for y, x in np.ndindex(*(-(-n // FINE) for n in plane.shape)):
            part = tuple(slice(k * FINE, (k + 1) * FINE) for k in (y, x))
            found, share = structure(plane[part] - whole[part], block)
            whole[part] += found
            kept += share * found.size / plane.size
    return kept


def _without_standing_out(mean: NDArray[np.float32]) -> NDArray[np.float32]:
    """The master with pixels that stand out replaced by the median of their like."""
    coarse = coarse_level(mean)
    spread = spread_about(mean, coarse)
    ys, xs = standing_out(mean, coarse, 0.75 * STANDS_OUT * spread)
    excess = same_colour_excess(mean, ys, xs)
    out = np.abs(excess) > STANDS_OUT * spread
    filled = mean.copy()
    filled[ys[out], xs[out]] -= excess[out]
    return filled


def structure(
    plane: NDArray[np.float32], block: int, sure: float = STRUCTURE_SIGMA
) -> tuple[NDArray[np.float32], float]:
    """What of a plane is more than white scatter, and the share of white noise that it keeps where noise is told.

    The orthonormal cosine transform, its coefficients multiplied by ``1 - floor / power``: `power` is their mean square
    in a block of frequencies (0, 1, 2-3, 4-7, ... along each axis), `floor` that of the upper half along both. Where
    power lies above the floor by no more than `sure` standard errors, by 0.

    Parameters
    ----------
    plane : (height, width) float32 array
    block : int
        Side, in pixels of the plane, of the blocks whose means, against those around, tell noise (`pixels/noise.py`).
    """
    starts = [_octaves(n) for n in plane.shape]
    waves = fft.dctn(plane, norm="ortho")
    power = np.add.reduceat(np.square(waves), starts[0], axis=0, dtype=np.float64)
    power = np.add.reduceat(power, starts[1], axis=1)
    sizes = [np.diff([*s, n]) for s, n in zip(starts, plane.shape, strict=True)]
    numbers = np.outer(*sizes)
    power /= numbers
    # not that of the last block, which may be of few
    floor = float(np.mean(np.square(waves[waves.shape[0] // 2 :, waves.shape[1] // 2 :]), dtype=np.float64))
    above = power > floor * (1 + sure * np.sqrt(2 / numbers))
    told = np.where(above, 1 - floor / np.maximum(power, 1e-30), 0)
    waves *= np.repeat(np.repeat(told.astype(np.float32), sizes[0], axis=0), sizes[1], axis=1)
    passed = [_noise_passes(n, block) for n in plane.shape]
    # |own - around|^2, own and around each a product of what either axis passes
    parts = [(1, 0), (-2, 1), (1, 2)]
    kept = sum(times * float(passed[0][n] @ told @ passed[1][n]) for times, n in parts)
    whole = sum(times * float(passed[0][n].sum() * passed[1][n].sum()) for times, n in parts)
    return fft.idctn(waves, norm="ortho", overwrite_x=True), kept / whole if whole > 0 else 1.0


def _lines(rest: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    """Levels of single rows and columns, and of stretches of `side` and `side // 4` pixels, where they stand out.

    What one line of thousands has is little of any block of frequencies; its own mean tells it.
    """
    _, spread = clipped(rest[:: max(1, rest.shape[0] // 256)])
    found, least = np.zeros_like(rest), side // 4
    sums = _stretch_sums(rest, found, least)
    for length in (max(rest.shape), side, least):
        for axis in (0, 1):
            starts = np.arange(0, rest.shape[axis], length)
            sizes = np.diff([*starts, rest.shape[axis]])
            numbers = sizes[:, None] if axis == 0 else sizes
            means = np.add.reduceat(sums[axis], starts // least, axis=axis) / numbers
            ys, xs = np.nonzero(np.abs(means) > STRUCTURE_SIGMA * spread / np.sqrt(numbers))
            for y, x, mean in zip(ys, xs, means[ys, xs].astype(np.float32), strict=True):
                start = (y, x)[axis] * length
                stretch = slice(start, start + length)
                found[(stretch, x) if axis == 0 else (y, stretch)] += mean
            if len(ys):
                sums = _stretch_sums(rest, found, least)
    return found


def _stretch_sums(
    rest: NDArray[np.float32], found: NDArray[np.float32], length: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sums of ``rest - found`` over stretches of columns, (stretches, width), and of rows, (height, stretches)."""
    down, across = (-(-n // length) for n in rest.shape)
    columns, rows = np.zeros((down, rest.shape[1])), np.zeros((rest.shape[0], across))
    _add_stretches(rest, found, length, columns, rows)
    return columns, rows


@njit(cache=True, nogil=True)
def _add_stretches(rest, found, length, columns, rows):  # type: ignore[no-untyped-def]
    for y in range(rest.shape[0]):
        for n in range(rows.shape[1]):
            total = 0.0
            for x in range(n * length, min((n + 1) * length, rest.shape[1])):
                value = np.float64(rest[y, x] - found[y, x])
                columns[y // length, x] += value
                total += value
            rows[y, n] += total


def _octaves(length: int) -> NDArray[np.int64]:
    """Where the blocks of frequencies begin."""
    return np.array([0, *(2**k for k in range(length.bit_length()) if 2**k < length)])


@functools.cache
def _noise_passes(length: int, block: int) -> NDArray[np.float64]:
    """What means over `block` pixels of a line, and over `AROUND` blocks, pass of its cosine transform: sums over the
    blocks of frequencies of own squared, own times around, around squared (Dirichlet's kernels)."""
    half = np.pi * np.arange(length) / (2 * length)
    half[0] = 1e-9
    own, around = (np.sin(side * half) / (side * np.sin(half)) for side in (block, AROUND * block))
    return np.add.reduceat(np.stack([own * own, own * around, around * around]), _octaves(length), axis=1)


def _scatter(mean: NDArray[np.float32], value: NDArray[np.float32]) -> NDArray[np.float32]:
    """Standard deviation of ordinary pixels about the structure by blocks of `SIDE` px, (rows, columns)."""
    some = slice(None, None, max(1, mean.shape[0] // 256))
    _, spread = clipped(mean[some] - value[some])
    sums, numbers = np.zeros((2, -(-mean.shape[0] // SIDE), -(-mean.shape[1] // SIDE)))
    _block_squares(mean, value, np.float32(CORE * spread), sums, numbers)
    variance = sums / np.maximum(numbers, 1) / CORE_LEFT
    usual = float(np.median(variance))
    own = np.abs(variance - usual) > OWN_SIGMA * usual * np.sqrt(2 / np.maximum(numbers, 1))
    return np.sqrt(np.maximum(np.where(own, variance, usual), 1e-6)).astype(np.float32)


@njit(cache=True, nogil=True)
def _block_squares(mean, value, limit, sums, numbers):  # type: ignore[no-untyped-def]
    for y in range(mean.shape[0]):
        for x in range(mean.shape[1]):
            rest = mean[y, x] - value[y, x]
            if abs(rest) < limit:
                sums[y // SIDE, x // SIDE] += rest * rest
                numbers[y // SIDE, x // SIDE] += 1


def _belief(mean: NDArray[np.float32], value: NDArray[np.float32], scatter: NDArray[np.float32]) -> NDArray[np.float32]:
    """What of ordinary pixels' shrinkage holds at each distance from the structure, below and above it.

    The distances, in standard deviations of ordinary pixels, are taken for a mixture of normal distributions of
    `VARIANCES` about 0 (each side its own, fitted by EM): with q(z) the mean of 1/v under the weights that a distance z
    leaves them, -d log f / dz is z q(z).

    Returns
    -------
    (2 sides, 2, bins) float32 array: q, and d (z q) / dz, at the bins' middles
    """
    counts = np.zeros((2, round(VALUES_TO / BIN)), np.int64)
    _count(mean, value, scatter, counts)
    z = (np.arange(counts.shape[1]) + 0.5)[:, None] * BIN
    density = np.exp(-(z**2) / (2 * VARIANCES)) / np.sqrt(VARIANCES)
    result = np.zeros((2, 2, counts.shape[1]), np.float32)
    for side, number in enumerate(counts):
        weights = np.full(len(VARIANCES), 1 / len(VARIANCES))
        for _ in range(ROUNDS):
            parts = density * weights
            parts /= np.maximum(parts.sum(axis=1, keepdims=True), 1e-300)
            weights = number @ parts / max(number.sum(), 1)
        q = parts @ (1 / VARIANCES)
        result[side] = q, np.gradient(z[:, 0] * q, BIN)
    return result


@njit(cache=True, nogil=True)
def _count(mean, value, scatter, counts):  # type: ignore[no-untyped-def]
    for y in range(mean.shape[0]):
        for x in range(mean.shape[1]):
            z = (mean[y, x] - value[y, x]) / scatter[y // SIDE, x // SIDE]
            number = int(abs(z) / BIN)
            if number < counts.shape[1]:
                counts[int(z > 0), number] += 1


@njit(cache=True, nogil=True)
def _draw(mean, noise, scatter, belief, kept, tile, top, value, error):  # type: ignore[no-untyped-def]
    """Draw pixels to the structure that `value` holds, in place: ``mean - noise**2 / s * z q(z)``, z in units of s.

    The variance is ``noise**2 * (1 - noise**2 / s**2 * d (z q) / dz)``, and what the structure keeps of the rest. The
    arrays of pixels hold rows from `top` on.
    """
    for y in range(mean.shape[0]):
        for x in range(mean.shape[1]):
            s = scatter[(top + y) // SIDE, x // SIDE]
            rest = mean[y, x] - value[y, x]
            number = int(abs(rest) / s / BIN)
            variance = noise[y, x] * noise[y, x]
            own = np.float32(1)
            if number < belief.shape[2]:
                share = min(variance / (s * s), np.float32(1))
                side = int(rest > 0)
                rest *= 1 - share * belief[side, 0, number]
                own = max(1 - share * belief[side, 1, number], np.float32(0))
            value[y, x] += rest
            shared = (1 - min(own, np.float32(1))) * kept[(top + y) // tile[0], x // tile[1]]
            error[y, x] = np.sqrt(variance * (own + shared))
