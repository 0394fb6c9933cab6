"""Photon transfer: electrons per ADU and read noise, from pairs of lights as they come from the camera.

Of two frames the difference, pixel by pixel of the sensor, holds their noise and what moved: whatever stays with the
sensor (its pixels' unlike responses, its dark, vignetting, a gradient) is gone, and no dark or flat is needed. Against
stars, which move: where either frame shows one, nothing is taken; the rest is seen through a second difference along
both axes of the colour's own lattice, which leaves noise white pixels have and takes out most of what is spread over
several; and what stars too faint to be seen leave is told by what neighbours share, and taken off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.noise import PhotonTransfer, photon_transfer
from pipeline.pixels.normal import FWHM_PER_SIGMA, MAD_TO_SIGMA
from pipeline.sensor.banding import SIGMAS
from pipeline.sensor.mosaic import colour_planes

# Side of the blocks, px, and how many of them are looked at: 400 give the slope to 1 % where colours differ by half.
SIDE = 64
BLOCKS = 400
PART = 32  # of them that are worked on together
# A 2 x 2 cell brighter than this many standard deviations above its block is a star, and so are the eight around it.
CELL_SIGMA = 3.5
# Second differences beyond this are no noise; what a unit Gaussian's variance loses by the cut.
CUT_SIGMA, KEPT = 4.0, 0.998930
# Share of a block that must be free of stars.
FREE_SHARE = 0.15
# Second difference along two axes of a lattice, and its variance in units of a pixel's.
_WEIGHTS = ((0, 0, 1.0), (1, 0, -0.5), (-1, 0, -0.5), (0, 1, -0.5), (0, -1, -0.5),
            (1, 1, 0.25), (1, -1, 0.25), (-1, 1, 0.25), (-1, -1, 0.25))  # fmt: skip
_GAIN = sum(w * w for _, _, w in _WEIGHTS)
# Axes of a lattice (row, column), by how many of the cell's four pixels the colour has: red or blue, green, mono.
_AXES = {1: ((0, 2), (2, 0)), 2: ((1, 1), (1, -1)), 4: ((0, 1), (1, 0))}
# Widths of stars (FWHM, px) that are believed, the one taken where their neighbours do not tell, and a lag along rows
# at which stars share nothing any more.
FWHM_RANGE, FWHM_USUAL, FAR = (1.5, 6.0), 2.5, 10
# Rows of blocks from which on a parabola through their means leaves some to tell their scatter from.
LEAST_ROWS = 6
# What neighbours share tells the stars' width from this share of the variance on.
SHARED_LEAST = 0.01


class Pixels(Protocol):
    """A mosaic in memory or a `MosaicFile`: indexed as an array."""

    shape: tuple[int, int]

    def __getitem__(self, index: Any, /) -> NDArray[np.uint16]: ...


def line_through(blocks: Iterable[tuple[NDArray[np.float64], NDArray[np.float64]]]) -> PhotonTransfer:
    """The line of variance against level through the blocks of all pairs.

    Parameters
    ----------
    blocks
        Levels and variances as `transfer_blocks` gives them; two to four pairs of frames are enough.

    References
    ----------
    Janesick 2007, Photon Transfer, SPIE PM170, chapter 5 (difference of two frames); Immerkaer 1996, Computer Vision
    and Image Understanding 64:300 (noise through a second difference along both axes).
    """
    pairs = list(blocks)
    none = np.zeros(0)
    return photon_transfer(*(np.concatenate([none, *(pair[n] for pair in pairs)]) for n in (0, 1)))


def transfer_blocks(
    first: Pixels, second: Pixels | None, cfa: str, black: tuple[float, float, float, float], saturation: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Level and variance of a pixel in blocks of two frames, each colour by itself.

    Parameters
    ----------
    first, second : (height, width) uint16 arrays or mosaics, ADU
        Frames of the same camera and ISO, best of the same exposure and near in time. Without a second the first
        alone is taken: the pixels' unlike responses then count as noise.
    cfa : str
        RGGB, BGGR, GRBG, GBRG or MONO.
    black : 4 floats, ADU, by CFA position 00, 01, 10, 11
    saturation : float
        Raw level from which a pixel is full, ADU.

    Returns
    -------
    levels, variances : (n,) float64 arrays, ADU above black and ADU^2 of one pixel of one frame
    """
    places = _corners(first.shape)
    if not len(places):
        return np.zeros(0), np.zeros(0)
    boxes = [(slice(top, top + SIDE), slice(left, left + SIDE)) for top, left in places.tolist()]
    frames = [np.stack([f[box] for box in boxes]).astype(np.float32) for f in (first, second) if f is not None]
    free = np.ones((len(places), SIDE, SIDE), bool)
    levels = np.tile(np.asarray(black, np.float32).reshape(2, 2), (SIDE // 2, SIDE // 2))
    for n, frame in enumerate(frames):
        free &= _by_parts(lambda part: _free(part, saturation), frame)
        frames[n] = frame - levels
    apart = frames[0] if len(frames) == 1 else frames[0] - frames[1]
    level = frames[0] if len(frames) == 1 else np.float32(0.5) * (frames[0] + frames[1])
    if len(frames) > 1:
        _take_banding(apart, level, free, len(np.unique(places[:, 0])))
    colours = colour_planes(cfa)
    masks = {c: _lattice(sites) for c, sites in colours.items()}
    fwhm = _star_width(apart, free, masks["G"], len(colours["G"]))
    found_levels, found = [], []
    for colour, sites in colours.items():
        of_colour = partial(_noise, mask=masks[colour], size=len(sites), fwhm=fwhm)
        variance, means = _by_parts(of_colour, apart, level, free).T
        found.append(variance / len(frames))
        found_levels.append(means)
    levels, variances = np.concatenate(found_levels), np.concatenate(found)
    good = np.isfinite(levels) & np.isfinite(variances)
    return levels[good].astype(np.float64), variances[good].astype(np.float64)


def _by_parts(work: Callable[..., NDArray[Any]], *blocks: NDArray[Any]) -> NDArray[Any]:
    """What some work makes of blocks (n, `SIDE`, `SIDE`), done on a few at a time, which stay in a core's cache."""
    parts = range(0, len(blocks[0]), PART)
    return np.concatenate([work(*(block[first : first + PART] for block in blocks)) for first in parts])


def _number(chosen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """``np.count_nonzero(chosen, axis=(1, 2))``, which makes whole numbers of all first, in a tenth of the time."""
    return np.array([np.count_nonzero(block) for block in chosen], np.int64)


def _corners(shape: tuple[int, int]) -> NDArray[np.int64]:
    """Even top and left corners of up to `BLOCKS` blocks spread over a frame."""
    rows, columns = shape[0] // SIDE, shape[1] // SIDE
    if rows * columns == 0:
        return np.zeros((0, 2), np.int64)
    share = min(1.0, np.sqrt(BLOCKS / (rows * columns)))
    down, across = max(1, int(rows * share)), max(1, int(columns * share))
    top = np.linspace(0, shape[0] - SIDE, down).astype(np.int64) & ~1
    left = np.linspace(0, shape[1] - SIDE, across).astype(np.int64) & ~1
    return np.stack(np.meshgrid(top, left, indexing="ij"), axis=-1).reshape(-1, 2)


def _lattice(sites: tuple[tuple[int, int], ...]) -> NDArray[np.bool_]:
    mask = np.zeros((SIDE, SIDE), bool)
    for row, column in sites:
        mask[row::2, column::2] = True
    return mask


def _medians(values: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    """``np.median(values, axis, keepdims=True)`` of an even number of values, of few a fifth of the time."""
    middle = values.shape[axis] // 2
    both = np.sort(values, axis=axis).take((middle - 1, middle), axis)
    return np.asarray(both.mean(axis=axis, keepdims=True), np.float32)


def _free(frame: NDArray[np.float32], saturation: float) -> NDArray[np.bool_]:
    """Where blocks of a frame (n, `SIDE`, `SIDE`), ADU, show neither a star nor a full pixel."""
    one, two, three, four = (frame[:, row::2, column::2] for row in (0, 1) for column in (0, 1))
    total = (one + two) + (three + four)
    highest = np.maximum(np.maximum(one, two), np.maximum(three, four))
    # gradients within a block are no stars: rows and columns are set to one level
    total -= _medians(total, 2)
    total -= _medians(total, 1)
    spread = MAD_TO_SIGMA * _medians(np.abs(total).reshape(len(total), 1, -1), 2) + 0.5
    bright = (np.abs(total) > CELL_SIGMA * spread) | (highest >= saturation)
    wide = np.pad(bright, ((0, 0), (1, 1), (1, 1)))
    wide = wide[:, :-2] | wide[:, 1:-1] | wide[:, 2:]
    wide = wide[:, :, :-2] | wide[:, :, 1:-1] | wide[:, :, 2:]
    return ~np.repeat(np.repeat(wide, 2, axis=1), 2, axis=2)


def _take_banding(apart: NDArray[np.float32], level: NDArray[np.float32], free: NDArray[np.bool_], down: int) -> None:
    """Take off differences and levels, in place, what whole rows and columns are off by: it is no pixel's noise.

    Blocks beside one another show the same rows: what both halves of these have in common, where that stands out.
    """
    grid = (down, len(apart) // down, SIDE, SIDE)
    for axes in ((0, 1, 2, 3), (1, 0, 3, 2)):
        values, seen = apart.reshape(grid).transpose(axes), free.reshape(grid).transpose(axes)
        if values.shape[1] < 2:
            continue
        banded = 0.0
        for parity in (0, 1):
            part, known = values[..., parity::2], seen[..., parity::2]
            means = (part * known).sum(axis=3) / np.maximum(known.sum(axis=3), 1)
            # a colour's level is its own
            means = means.reshape(*means.shape[:2], -1, 2)
            means = (means - means.mean(axis=2, keepdims=True)).reshape(*means.shape[:2], -1)
            halves = np.stack([means[:, k::2].mean(axis=1) for k in (0, 1)], axis=1).astype(np.float64)
            between = halves[:, 0] - halves[:, 1]
            noise = float(np.mean(between**2)) / 2  # of either; what both have is not in their difference
            shared = float(np.mean(halves[:, 0] * halves[:, 1]))
            if shared > SIGMAS * noise / np.sqrt(halves[:, 0].size):
                lines = halves.mean(axis=1) * (shared / (shared + noise / 2))
                part -= lines[:, None, :, None].astype(np.float32)
                banded += shared / 2
        # a block's level is off by the mean of its lines, of two frames half of what their difference is
        if banded > 0:
            _straighten(level.reshape(grid).transpose(axes), seen, banded / 4 / SIDE)


def _straighten(level: NDArray[np.float32], free: NDArray[np.bool_], expected: float) -> None:
    """Take off rows of blocks, in place, what their means scatter beside a parabola, up to the variance `expected`.

    Levels that scatter for no photon's sake would flatten the line of variance against level.

    Parameters
    ----------
    level, free : (rows, columns, `SIDE`, `SIDE`)
    expected : variance of a row's mean, ADU^2
    """
    means = (level * free).sum(axis=(1, 2, 3), dtype=np.float64) / np.maximum(free.sum(axis=(1, 2, 3)), 1)
    number = np.arange(len(means), dtype=np.float64)
    if len(means) < LEAST_ROWS:
        return
    beside = means - np.polynomial.Polynomial.fit(number, means, 2)(number)
    share = min(1.0, expected / max(float(np.mean(beside**2)), 1e-9))
    level -= (share * beside).astype(np.float32)[:, None, None, None]


def _shared(values: NDArray[np.float32], free: NDArray[np.bool_], lag: tuple[int, int]) -> NDArray[np.float64]:
    """Covariance of pixels so far apart (row, column), by block; values of mean 0, and 0 where not free."""
    down, across = lag[0], lag[1]
    one = (slice(None), slice(0, SIDE - down), slice(max(-across, 0), SIDE - max(across, 0)))
    other = (slice(None), slice(down, SIDE), slice(max(across, 0), SIDE - max(-across, 0)))
    total = (values[one] * values[other]).sum(axis=(1, 2), dtype=np.float64)
    return total / np.maximum(_number(free[one] & free[other]), 1)


def _centred(apart: NDArray[np.float32], free: NDArray[np.bool_]) -> NDArray[np.float32]:
    number = np.maximum(_number(free), 1)
    mean = np.where(free, apart, 0).sum(axis=(1, 2), dtype=np.float64) / number
    return np.where(free, apart - mean.astype(np.float32)[:, None, None], np.float32(0))


def _star_width(apart: NDArray[np.float32], free: NDArray[np.bool_], mask: NDArray[np.bool_], size: int) -> float:
    """FWHM (px) of what neighbours of one colour share, from how it falls with distance; the usual one if unclear."""
    axes = _AXES[size]
    # the axes' sum and difference lie sqrt(2) times as far apart
    wide = (axes[0][0] + axes[1][0], axes[0][1] + axes[1][1]), (abs(axes[0][0] - axes[1][0]), axes[0][1] - axes[1][1])

    def covariances(apart: NDArray[np.float32], free: NDArray[np.bool_]) -> NDArray[np.float64]:
        free = free & mask
        values = _centred(apart, free)
        far = _shared(values, free, (0, FAR))
        near = np.mean([_shared(values, free, axis) for axis in axes], axis=0) - far
        further = np.mean([_shared(values, free, axis) for axis in wide], axis=0) - far
        return np.stack([near, further, _shared(values, free, (0, 0))], axis=1)

    near, further, total = np.ascontiguousarray(_by_parts(covariances, apart, free).T)
    if near.sum() < SHARED_LEAST * total.sum() or further.sum() <= 0 or near.sum() <= further.sum():
        return FWHM_USUAL
    step = float(axes[0][0] ** 2 + axes[0][1] ** 2)
    # a Gaussian's own correlation at distance r is exp(-r^2 / 4 s^2); the distances' squares differ by `step`
    width = np.sqrt(step / 4 / np.log(near.sum() / further.sum()))
    return float(np.clip(FWHM_PER_SIGMA * width, *FWHM_RANGE))


def _noise(
    apart: NDArray[np.float32],
    level: NDArray[np.float32],
    free: NDArray[np.bool_],
    mask: NDArray[np.bool_],
    size: int,
    fwhm: float,
) -> NDArray[np.float64]:
    """Variance of a pixel of `apart` and mean of `level` in blocks, (n, 2), of the colour of `mask`; NaN where stars
    leave too little."""
    free = free & mask
    axes = _AXES[size]
    edge = axes[1][0] + axes[0][0]
    inner = slice(edge, SIDE - edge)
    high = np.zeros((len(apart), SIDE - 2 * edge, SIDE - 2 * edge), np.float32)
    used = np.ones(high.shape, bool)
    for u, v, weight in _WEIGHTS:
        down, across = u * axes[0][0] + v * axes[1][0], u * axes[0][1] + v * axes[1][1]
        at = (slice(None), slice(edge + down, SIDE - edge + down), slice(edge + across, SIDE - edge + across))
        high += np.float32(weight) * apart[at]
        used &= free[at]
    number = _number(used)
    enough = number >= FREE_SHARE * high[0].size * size / 4
    squares = np.where(used, high * high, np.float32(0))
    variance = squares.sum(axis=(1, 2), dtype=np.float64) / np.maximum(number, 1)
    for _ in range(2):
        kept = used & (squares <= (CUT_SIGMA**2 * variance).astype(np.float32)[:, None, None])
        total = np.where(kept, squares, 0).sum(axis=(1, 2), dtype=np.float64)
        variance = total / np.maximum(_number(kept), 1) / KEPT
    # what stars leave: their own variance, from what neighbours share of it, through the same second difference
    near, far = _correlation(axes, fwhm)
    values = _centred(apart, free)
    shared = np.mean([_shared(values, free, axis) for axis in axes], axis=0) - _shared(values, free, (0, FAR))
    left = (1.5 - 2 * near + 0.5 * far) ** 2  # of the star's variance, both axes alike
    noise = (variance - left * shared / near) / _GAIN
    means = np.where(used, level[:, inner, inner], 0).sum(axis=(1, 2), dtype=np.float64) / np.maximum(number, 1)
    return np.where(enough[:, None], np.stack([noise, means], axis=1), np.nan)


def _correlation(axes: tuple[tuple[int, int], ...], fwhm: float) -> tuple[float, float]:
    """A Gaussian star's correlation with itself one step and two steps along an axis away."""
    variance = (fwhm / FWHM_PER_SIGMA) ** 2
    step = axes[0][0] ** 2 + axes[0][1] ** 2
    return float(np.exp(-step / 4 / variance)), float(np.exp(-step / variance))
