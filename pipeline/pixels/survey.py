"""Coarse maps of the sky under the stars, straight from a mosaic."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanes import bits_of, count_bits, greater, in_all, lanes_of, lesser, no_lanes, sum_of, where
from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.ordering import median_by_counts

# Blocks along the long side of a frame, about; their size is 32, 64, 96 or 128 px.
BLOCKS_LONG = 48
# Samples of each CFA place that a block is measured from, about: its level is then known to 0.08 of a pixel's noise.
SAMPLES = 256
# Side of the cells by which pixels are left out, px, and the share of a block that must be left for its level.
CELL, PART_LEAST = 4, 0.2
# Values further than this from the middle are left out of a block's level.
LEVEL_CLIP = 2.5
# Differences further than this are left out of a block's noise; what a Gaussian loses by it is put back.
NOISE_CLIP = 3.5
_NOISE_KEPT = 0.993889  # variance of a unit Gaussian cut at 3.5
_AT_ONCE = 16  # values that are looked at at once


@dataclass(frozen=True)
class Survey:
    """Coarse measures of one mosaic, by block and CFA place.

    `level` (ADU above black) and `variance` (ADU^2 of one pixel) are (rows, columns, 4) float32 arrays, NaN where a
    block has too few sound pixels; block (i, j) covers the `block` pixels from (i * block, j * block) on. Both are of
    the pixels as they are; `response`, (rows, columns, 4), is the flat that they are to be divided by, if there is one,
    and `dark`, (rows, columns), how far the dark that was taken off lies above its usual level.
    """

    level: NDArray[np.float32]
    variance: NDArray[np.float32]
    block: int
    response: NDArray[np.float32] | None = None
    dark: NDArray[np.float32] | None = None

    def centres(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """x of the block columns and y of the block rows, px."""
        rows, columns = self.level.shape[:2]
        half = (self.block - 1) / 2
        return np.arange(columns, dtype=np.float64) * self.block + half, np.arange(
            rows, dtype=np.float64
        ) * self.block + half


def block_size(shape: tuple[int, int]) -> int:
    """The block side for a frame of (height, width): about `BLOCKS_LONG` on the long side."""
    return int(np.clip(round(max(shape) / BLOCKS_LONG / 32), 1, 4)) * 32


def survey_mosaic(
    stored: NDArray[np.uint16],
    black: tuple[float, float, float, float],
    dark: NDArray[np.float32] | None = None,
    scale: float = 1.0,
    offset: float = 0.0,
    defects: NDArray[np.uint8] | None = None,
    saturation: float = np.inf,
    block: int | None = None,
    part: tuple[int, int] | None = None,
    left_out: NDArray[np.uint8] | None = None,
) -> Survey:
    """Measure the sky's level and a pixel's noise in the blocks of a mosaic, from a part of the rows.

    The level is the mean of what lies within 2.5 standard deviations of the median; the noise comes from differences
    of neighbouring pixels of the same CFA place, so that gradients and, mostly, stars do not enter.

    Parameters
    ----------
    stored : (height, width) uint16 array, ADU; big-endian with the sign bit turned (FITS) or native
    black, scale, offset, dark, defects
        As for calibration: ``value - black - offset - scale * dark``; pixels with a defect are left out.
    saturation : float
        Raw level from which a pixel is left out.
    block : int, optional
        Block side, px, even.
    part : (first, last), optional
        Rows of the mosaic that are wanted; of blocks that hold none of these nothing is told.
    left_out : (rows, columns) uint8 array, optional
        Cells of `CELL` px, 1 where the pixels show what is not to be measured. Of blocks of which less than
        `PART_LEAST` is left nothing is told.
    """
    block = block or block_size(stored.shape)
    foreign = stored.dtype.byteorder == ">"
    rows, columns = stored.shape[0] // block, stored.shape[1] // block
    level = np.full((rows, columns, 4), np.nan, np.float32)
    variance = np.full((rows, columns, 4), np.nan, np.float32)
    first, last = (0, rows) if part is None else (part[0] // block, min(-(-part[1] // block), rows))
    cells = (block // 2) ** 2
    step = max(1, cells // SAMPLES)
    outside = np.zeros((0, 0), np.uint8) if left_out is None else left_out
    no_dark, no_defects = np.zeros((0, 0), np.float32), np.zeros((0, 0), np.uint8)
    _survey(
        stored.view(np.uint16) if foreign else stored,
        foreign,
        np.asarray(black, np.float32) + np.float32(offset),
        no_dark if dark is None else dark,
        np.float32(scale),
        no_defects if defects is None else defects,
        np.float32(saturation),
        block,
        step,
        outside,
        first,
        last,
        level,
        variance,
    )
    return Survey(level, variance, block)


@njit(cache=True, nogil=True, error_model="numpy")
def _survey(  # type: ignore[no-untyped-def]
    stored, foreign, black, dark, scale, defects, saturation, block, most_step, outside, first, last, level, variance
):
    cells = block // 2
    buffer, steps = np.empty(cells * cells, np.float32), np.empty(cells * cells, np.float32)
    good, no_dark = np.empty(cells, np.bool_), np.zeros(block, np.float32)
    for i in range(first, last):
        for j in range(level.shape[1]):
            step = most_step
            if outside.size > 0:
                part = outside[i * block // CELL : (i + 1) * block // CELL, j * block // CELL : (j + 1) * block // CELL]
                share = 1 - part.sum() / part.size
                if share < PART_LEAST:
                    continue
                # as many samples from fewer pixels
                step = max(1, int(most_step * share))
            left, right = j * block, (j + 1) * block
            for place in range(4):
                count, pairs, begin = 0, 0, left + place % 2
                # the rows sampled differ from block to block, so that no banding of the sensor falls in with them
                for cell_row in range((i * 5 + j * 3) % step, cells, step):
                    y = i * block + 2 * cell_row + place // 2
                    of_dark = no_dark if dark.size == 0 else dark[y, left:right]
                    row = buffer[count : count + cells]
                    whole = _values(stored[y, left:right], foreign, black[place], saturation, of_dark, scale,
                                    place % 2, row, good)  # fmt: skip
                    if defects.size > 0 and _some(defects[y, left:right]):
                        whole = False
                        for cell in range(cells):
                            good[cell] &= defects[y, begin + 2 * cell] == 0
                    if outside.size > 0:
                        for cell in range(cells):
                            good[cell] &= outside[y // CELL, (begin + 2 * cell) // CELL] == 0
                        whole = False
                    if whole:
                        _steps(row, steps[pairs : pairs + cells - 1])
                        count, pairs = count + cells, pairs + cells - 1
                        continue
                    before = False
                    for cell in range(cells):
                        if good[cell]:
                            value = row[cell]
                            if before:
                                steps[pairs] = value - buffer[count - 1]
                                pairs += 1
                            buffer[count] = value
                            count += 1
                        before = good[cell]
                if pairs < 16:
                    continue
                noise = _difference_variance(steps[:pairs])
                variance[i, j, place] = noise
                level[i, j, place] = _clipped_level(buffer[:count], np.sqrt(noise))


@leaf
def _values(stored, foreign, black, saturation, dark, scale, place, out, good):  # type: ignore[no-untyped-def]
    """Every other pixel of a row after black and dark, and whether it is below saturation; whether all of them are."""
    full, at = np.int32(0), np.uint64(place)
    for cell in range(np.uint64(len(out))):
        raw = stored[at + cell + cell]
        if foreign:
            raw = np.uint16(((raw >> 8) | (raw << 8)) & 0xFFFF) ^ np.uint16(0x8000)
        value = np.float32(raw)
        good[cell] = value < saturation
        full += np.int32(value >= saturation)
        out[cell] = (value - black) - scale * dark[at + cell + cell]
    return full == 0


@leaf
def _some(flags):  # type: ignore[no-untyped-def]
    """Whether some are not 0."""
    found = np.uint8(0)
    for x in range(np.uint64(len(flags))):
        found |= flags[x]
    return found != 0


@leaf
def _steps(values, out):  # type: ignore[no-untyped-def]
    """From each value to the next."""
    for x in range(np.uint64(len(out))):
        out[x] = values[x + np.uint64(1)] - values[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _difference_variance(steps):  # type: ignore[no-untyped-def]
    """Half the variance of differences, cut at 3.5 standard deviations."""
    sizes = np.empty_like(steps)
    for x in range(np.uint64(len(steps))):
        sizes[x] = abs(steps[x])
    # whole numbers make a median of small differences coarse: half a unit more keeps the first cut wide enough
    sigma = np.float32(MAD_TO_SIGMA * median_by_counts(sizes) + 0.5)
    for x in range(np.uint64(len(steps))):
        sizes[x] *= sizes[x]
    for _ in range(3):
        total, count = _within(sizes, np.float32(0), np.float32((NOISE_CLIP * sigma) ** 2))
        sigma = np.float32(np.sqrt(max(total, 1e-12) / max(count, 1) / _NOISE_KEPT))
    return sigma * sigma / np.float32(2)


@njit(cache=True, nogil=True, error_model="numpy")
def _clipped_level(values, sigma):  # type: ignore[no-untyped-def]
    centre = np.float32(median_by_counts(values))
    for _ in range(3):
        total, count = _within(values, centre, np.float32(LEVEL_CLIP) * sigma + np.float32(0.5))
        if count == 0:
            break
        centre += np.float32(total / count)
    return centre


@leaf
def _within(values, centre, most):  # type: ignore[no-untyped-def]
    """Of the values that lie within so much of a centre the sum of what they are off it by, and how many they are."""
    whole = len(values) // _AT_ONCE * _AT_ONCE
    sums, limit, count = no_lanes(_AT_ONCE), in_all(most, _AT_ONCE), np.int64(0)
    for x in range(np.uint64(0), np.uint64(whole), np.uint64(_AT_ONCE)):
        apart = lanes_of(values, x, _AT_ONCE) - centre
        far = greater(apart, apart * np.float32(-1))
        inside = lesser(far, limit) == far
        sums = sums + where(inside, apart)
        count += count_bits(bits_of(inside))
    total = sum_of(sums)
    for x in range(whole, len(values)):
        apart = values[x] - centre
        if abs(apart) <= most:
            total += apart
            count += 1
    return total, count
