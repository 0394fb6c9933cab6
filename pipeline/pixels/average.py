"""The weighted mean of a tile's frames, its noise, and the differences that show the noise as it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanes import bits_of, count_bits, lanes_of, no_lanes, put_lanes, where
from pipeline.pixels.noise import BLOCK
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.reject import GROWN, MILD
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.variance import FLOOR_SHARE, along_row, cell_mean, fill_bases, fill_unlit, row_cells
from pipeline.pixels.vector import CACHE_LINE, fetch

# A pixel with a star brighter than this many standard deviations (of the median of a few frames) is left out of the
# noise's measurement.
STAR_SIGMA = 4.0
# Values of a pair of frames that differ by more than this many standard deviations are no noise.
PAIR_CUT = 6.0
NO_GROUP = 255
PAIRS_MAX = 4  # differences of two frames that are kept
# Pixels of a row that are summed, and that are counted, at once; frames that are added to them meanwhile.
SIDE_BY_SIDE, COUNTED, TOGETHER = 32, 64, 4
COUNTS_MAX = 255  # frames that a byte counts


@dataclass(frozen=True)
class NoisePlan:
    """Which frames are set against which to see the noise.

    Frames are numbered in order of time. The halves are the even and the odd ones, of the sets too: for 2, 4, 8 ...
    frames pairs of neighbours, spread evenly from the middle on, each set of 2^k holding that of 2^(k-1). What changes
    slowly, airglow or thin cloud, is then in both halves alike, in few frames as in all. A pair gives the noise of one
    frame.

    Attributes
    ----------
    groups : (n,) uint8 array
        k where the frame is added by the set of 2^k frames, `NO_GROUP` where it belongs to none.
    sizes : tuple of int
        2^k, from 2 on.
    pairs : (m, 2) int64 array
    """

    groups: NDArray[np.uint8]
    sizes: tuple[int, ...]
    pairs: NDArray[np.int64]

    @property
    def rows(self) -> int:
        """How many block maps there are: halves, sets, pairs."""
        return 1 + len(self.sizes) + len(self.pairs)

    def members(self, size: int) -> NDArray[np.int64]:
        """The frames of the set of so many."""
        return np.flatnonzero(self.groups <= size.bit_length() - 1)


def noise_plan(frames: int) -> NoisePlan:
    """Plan the differences for so many frames."""
    groups = np.full(frames, NO_GROUP, np.uint8)
    top = frames.bit_length() - 1
    neighbours = frames // 2
    for j in range(2**top // 2):
        # the number of times 2 divides j tells which set the pair joins; the middle one begins them all
        first = 2 * ((j * 2 * neighbours // 2**top + neighbours // 2) % neighbours)
        groups[first : first + 2] = 1 if j == 0 else top - ((j & -j).bit_length() - 1)
    sizes = tuple(2**k for k in range(1, top + 1))
    number = min(PAIRS_MAX, frames // 2)
    # neighbours in time, far from other pairs
    firsts = [2 * (m * (frames // 2) // max(number, 1)) for m in range(number)]
    return NoisePlan(groups, sizes, np.array([(a, a + 1) for a in firsts], np.int64).reshape(-1, 2))


@njit(cache=True, nogil=True, error_model="numpy")
def average(  # type: ignore[no-untyped-def]
    values, codes, mask, weights, floor, slope, block_factor, common, offsets, members, sky, light, signal, peak,
    origin, usual, inside, groups, group_count, pairs, picture, noise, coverage, rejected, sums, counts, model, tally
):  # fmt: skip
    """Average what was kept.

    Parameters
    ----------
    values, codes, mask, weights, floor, slope, offsets, members, sky, signal, peak, origin
        As in `reject`. Of land the variance goes by the light that the mean itself shows, not by `signal`.
    light : as in `variance`
    block_factor : (colours,) float32 array
        What interpolation makes of a mosaic pixel's variance in means over blocks: pixels of the mosaic for one of its
        colour's.
    common : (colours,) float32 array
        Variance that all frames share (the master dark's noise), in blocks.
    usual : (floor by colour, slope), of all of the scene's frames: what counts for a star, and how noise goes with the
        level, must not go by which of them a tile holds. Of sky their means; of land the sums of what each frame adds
        to the mean's variance, weights squared times it, over the sum of weights
    inside : (top, left) of the part of the tile that is wanted; a multiple of `BLOCK` in the result
    groups, pairs : as in `NoisePlan`, for the whole scene
    picture, noise : (colours, h, w) float32 arrays, filled: the mean, and its standard deviation as blocks show it;
        both 0 where nothing covers
    coverage, rejected : (h, w) uint16 arrays, filled: frames that cover, frames rejected in some colour
    sums, counts : (rows, h / 16, w / 16) float64 and int32 arrays, filled
        Green: sums over a block's pixels of half differences scaled to the noise of the mean; halves, sets, pairs.
    model : (2 + pairs, h / 16, w / 16) float64 array, filled
        Sums of the noise model's variances over the same pixels: of the mean, its number of pixels, of the pairs.
    tally : (n, 2) int64 array, added to: values covered, values rejected
    """
    n, colours = values.shape[0], values.shape[1]
    height, width = coverage.shape
    green = colours // 2
    total, weight, spread = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    halves, half_weights = np.empty((2, width), np.float32), np.empty((2, width), np.float32)
    # last those of no set
    set_total = np.empty((2, group_count + 1, width), np.float32)
    set_weight = np.empty((2, group_count + 1, width), np.float32)
    set_frames, set_ends = _parts(members, groups, group_count)
    few_covered, few_rejected = np.empty(width, np.uint8), np.empty(width, np.uint8)
    usable, difference = np.empty(width, np.bool_), np.empty(width, np.float32)
    levels, gains, lights = np.empty(width, np.float32), np.empty(width, np.float32), np.zeros(width, np.float32)
    lit = light.unlit.size > 0
    x0, x1 = inside[1], inside[1] + width
    edges, columns = row_cells(origin[1] + x0, width)
    bases, known = np.empty((colours, n, len(columns)), np.float32), -1
    place = np.full(offsets.shape[0], -1, np.int64)
    for k in range(n):
        place[members[k]] = k
    for i in range(height):
        y = inside[0] + i
        row = (origin[0] + y + GRID_STEP) // GRID_STEP
        if row != known:
            if lit:
                fill_unlit(floor, slope, offsets, members, row, columns, bases)
            else:
                fill_bases(floor, slope, offsets, members, sky, row, columns, bases)
            known = row
        for c in range(colours):
            bit = np.uint8((1 << c) | GROWN)
            here_signal = signal[c, y, x0:x1]
            if lit:
                # the mean's own light is added when that is known
                lights[:] = np.float32(0)
                here_signal = lights
            total[:], weight[:], spread[:] = np.float32(0), np.float32(0), np.float32(0)
            for first in range(0, n, TOGETHER):
                _add_frames(
                    values, codes, mask, first, c, y, x0, bit, weights, bases[c], edges, slope, here_signal,
                    total, weight, spread,
                )  # fmt: skip
            if lit:
                along_row(light.unlit[c], origin[0] + y, origin[1] + x0, levels)
                along_row(light.gain[c], origin[0] + y, origin[1] + x0, gains)
                _follow_light(total, weight, spread, levels, gains, usual[0][c], usual[1], lights)
            else:
                along_row(sky[c], origin[0] + y, origin[1] + x0, levels)
                _follow_sky(spread, levels, sky[c], row, edges, columns, usual[0][c], usual[1])
            _finish_row(total, weight, spread, block_factor[c], common[c], picture[c, i], noise[c, i])
            for cell in range(len(columns)):
                for j in range(edges[cell], edges[cell + 1]):
                    if weight[j] <= 0:
                        _rescue(
                            values, codes, mask, weights, bases[c, :, cell], slope, signal[c, y, x0 + j], lit,
                            levels[j], gains[j], FLOOR_SHARE * usual[0][c], usual[1], c, y, x0 + j, i, j,
                            block_factor, common, picture, noise,
                        )  # fmt: skip
            if c != green:
                continue
            for cell in range(len(columns)):
                level = max(cell_mean(sky[c], row, columns[cell]), np.float32(0))
                faint = np.float32(STAR_SIGMA) * np.sqrt(usual[0][c] + usual[1] * level)
                for j in range(edges[cell], edges[cell + 1]):
                    usable[j] = (weight[j] > 0) & (peak[c, y, x0 + j] <= faint)
            block_row = i // BLOCK
            _add_model(weight, spread, block_factor[c], usable, model[0, block_row], model[1, block_row])
            for half in range(2):
                halves[half], half_weights[half] = np.float32(0), np.float32(0)
                for group in range(group_count + 1):
                    at = half * (group_count + 1) + group
                    _add_part(
                        values, codes, mask, c, y, x0, bit, weights, set_frames[set_ends[at] : set_ends[at + 1]],
                        set_total[half, group], set_weight[half, group],
                    )  # fmt: skip
                    _add_row(set_total[half, group], halves[half])
                    _add_row(set_weight[half, group], half_weights[half])
            _difference(halves[0], half_weights[0], halves[1], half_weights[1], usable, difference,
                        sums[0, block_row], counts[0, block_row])  # fmt: skip
            for g in range(1, group_count):
                # what the sets before hold, and what this one adds
                for half in range(2):
                    _add_row(set_total[half, g], set_total[half, 0])
                    _add_row(set_weight[half, g], set_weight[half, 0])
                _difference(set_total[0, 0], set_weight[0, 0], set_total[1, 0], set_weight[1, 0], usable, difference,
                            sums[g, block_row], counts[g, block_row])  # fmt: skip
            for p in range(len(pairs)):
                one, other = place[pairs[p, 0]], place[pairs[p, 1]]
                if one < 0 or other < 0:
                    continue
                for cell in range(len(columns)):
                    base, rise = bases[c, one, cell] + bases[c, other, cell], slope[one] + slope[other]
                    least = FLOOR_SHARE * (floor[one, c] + floor[other, c])
                    for j in range(edges[cell], edges[cell + 1]):
                        x = x0 + j
                        if not usable[j] or codes[one, y, x] == NOT_COVERED or codes[other, y, x] == NOT_COVERED:
                            continue
                        both = max(base + rise * here_signal[j], least)
                        apart = np.float64(values[one, c, y, x] - values[other, c, y, x])
                        # a wide cut of its own: three standard deviations would make one frame look less noisy
                        grown = (mask[one, y, x] | mask[other, y, x]) & np.uint8(GROWN)
                        if grown == 0 and apart * apart < PAIR_CUT * PAIR_CUT * both:
                            at, block = group_count + p, j // np.uint64(BLOCK)
                            sums[at, block_row, block] += apart / np.sqrt(2.0)
                            counts[at, block_row, block] += 1
                            model[2 + p, block_row, block] += 0.5 * block_factor[c] * both
        _count_row(codes, mask, y, x0, few_covered, few_rejected, coverage[i], rejected[i], tally, colours)


@njit(cache=True, nogil=True, error_model="numpy")
def _parts(members, groups, group_count):  # type: ignore[no-untyped-def]
    """The tile's frames, in their order, of each half's groups, last those of none: numbers, and where each ends."""
    frames, ends = np.empty(len(members), np.int64), np.zeros(2 * (group_count + 1) + 1, np.int64)
    told = 0
    for half in range(2):
        for group in range(group_count + 1):
            for k in range(len(members)):
                own = min(np.int64(groups[members[k]]), group_count)
                if members[k] & 1 == half and own == group:
                    frames[told] = k
                    told += 1
            ends[half * (group_count + 1) + group + 1] = told
    return frames, ends


@njit(cache=True, nogil=True, error_model="numpy")
def _add_row(row, total):  # type: ignore[no-untyped-def]
    for j in range(np.uint64(len(row))):
        total[j] += row[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _add_frames(  # type: ignore[no-untyped-def]
    values, codes, mask, first, c, y, x0, bit, weights, bases, edges, slope, signal, total, weight, spread
):
    """`_accumulate` for `TOGETHER` frames from number `first` on, in their order; the sums stay in registers."""
    n, colours, height, width = values.shape
    frames = range(first, min(first + TOGETHER, n))
    plane, page = np.uint64(colours * height * width), np.uint64(height * width)
    # the next frames' pixels are asked for meanwhile: frames lie far apart in memory
    plane_ahead, page_ahead = np.uint64(TOGETHER) * plane, np.uint64(TOGETHER) * page
    for cell in range(bases.shape[1]):
        begin, end = edges[cell], edges[cell + 1]
        while begin + np.uint64(SIDE_BY_SIDE) <= end:
            at = np.uint64(((first * colours + c) * height + y) * width + x0) + begin
            pixel = np.uint64((first * height + y) * width + x0) + begin
            stars = lanes_of(signal, begin, SIDE_BY_SIDE)
            totals = lanes_of(total, begin, SIDE_BY_SIDE)
            sums = lanes_of(weight, begin, SIDE_BY_SIDE)
            spreads = lanes_of(spread, begin, SIDE_BY_SIDE)
            for k in frames:
                for line in range(0, SIDE_BY_SIDE, CACHE_LINE):
                    fetch(values, at + plane_ahead + np.uint64(line))  # type: ignore[call-arg]
                fetch(codes, pixel + page_ahead)  # type: ignore[call-arg]
                fetch(mask, pixel + page_ahead)
                covered = lanes_of(codes, pixel, SIDE_BY_SIDE) != np.uint8(NOT_COVERED)
                kept = covered & ((lanes_of(mask, pixel, SIDE_BY_SIDE) & bit) == np.uint8(0))
                own = where(kept, weights[k])
                totals = totals + own * lanes_of(values, at, SIDE_BY_SIDE)
                sums = sums + own
                variances = (stars * slope[k] + bases[k, cell]) * (weights[k] * weights[k])
                spreads = spreads + where(kept, variances)
                at += plane
                pixel += page
            put_lanes(total, begin, totals)
            put_lanes(weight, begin, sums)
            put_lanes(spread, begin, spreads)
            begin += np.uint64(SIDE_BY_SIDE)
        if begin < end:
            left, right = x0 + np.int64(begin), x0 + np.int64(end)
            for k in frames:
                _accumulate(
                    values[k, c, y, left:right], codes[k, y, left:right], mask[k, y, left:right], bit, weights[k],
                    bases[k, cell], slope[k], signal[begin:end], total[begin:end], weight[begin:end], spread[begin:end],
                )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _accumulate(values, codes, mask, bit, own, base, slope, signal, total, weight, spread):  # type: ignore[no-untyped-def]
    square = own * own
    for j in range(np.uint64(len(values))):
        kept = (codes[j] != NOT_COVERED) & ((mask[j] & bit) == 0)
        w = own if kept else np.float32(0)
        total[j] += w * values[j]
        weight[j] += w
        spread[j] += square * (base + slope * signal[j]) if kept else np.float32(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _follow_sky(spread, levels, sky, row, edges, columns, floor, slope):  # type: ignore[no-untyped-def]
    """Bring a row's variances, which take the sky of a cell as even, to its `levels` at the pixels."""
    for cell in range(len(columns)):
        even = np.float32(1) / (floor + slope * max(cell_mean(sky, row, columns[cell]), np.float32(0)))
        for j in range(edges[cell], edges[cell + 1]):
            spread[j] *= (floor + slope * max(levels[j], np.float32(0))) * even


@njit(cache=True, nogil=True, error_model="numpy")
def _follow_light(total, weight, spread, unlit, gains, floor, slope, lights):  # type: ignore[no-untyped-def]
    """Bring a row's variances, of level 0 so far, to the light of the mean, which fills `lights`; where some values
    were rejected by the slope that all have."""
    for j in range(np.uint64(len(lights))):
        mean = total[j] / max(weight[j], np.float32(1e-30))
        lights[j] = unlit[j] + gains[j] * mean
        spread[j] = max(spread[j] + slope * weight[j] * lights[j], FLOOR_SHARE * floor * weight[j])


@njit(cache=True, nogil=True, error_model="numpy")
def _finish_row(total, weight, spread, block_factor, common, picture, noise):  # type: ignore[no-untyped-def]
    """The mean and its standard deviation; both 0 where nothing has weight."""
    for j in range(np.uint64(len(picture))):
        inverse = np.float32(1) / max(weight[j], np.float32(1e-30))
        some = weight[j] > 0
        picture[j] = total[j] * inverse if some else np.float32(0)
        noise[j] = np.sqrt(block_factor * spread[j] * inverse * inverse + common) if some else np.float32(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_model(weight, spread, block_factor, usable, variances, counts):  # type: ignore[no-untyped-def]
    """Sum the mean's variance, and the number of pixels, over a row's blocks."""
    for j in range(np.uint64(len(weight))):
        if usable[j]:
            variances[j // np.uint64(BLOCK)] += block_factor * spread[j] / (weight[j] * weight[j])
            counts[j // np.uint64(BLOCK)] += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _add_part(values, codes, mask, c, y, x0, bit, weights, part, total, weight):  # type: ignore[no-untyped-def]
    """Sums over some of the frames for a row of one colour, of what shows the noise (`_add_kept`)."""
    _, colours, height, width = values.shape
    plane, page = np.uint64(colours * height * width), np.uint64(height * width)
    begin, end = np.uint64(0), np.uint64(len(total))
    while begin + np.uint64(SIDE_BY_SIDE) <= end:
        at, pixel = np.uint64((c * height + y) * width + x0) + begin, np.uint64(y * width + x0) + begin
        totals = no_lanes(SIDE_BY_SIDE)
        sums = no_lanes(SIDE_BY_SIDE)
        for k in part:
            here = pixel + np.uint64(k) * page
            marks = lanes_of(mask, here, SIDE_BY_SIDE)
            kept = ((marks & bit) == np.uint8(0)) | ((marks & np.uint8(MILD | GROWN)) == np.uint8(MILD))
            own = where((lanes_of(codes, here, SIDE_BY_SIDE) != np.uint8(NOT_COVERED)) & kept, weights[k])
            totals = totals + own * lanes_of(values, at + np.uint64(k) * plane, SIDE_BY_SIDE)
            sums = sums + own
        put_lanes(total, begin, totals)
        put_lanes(weight, begin, sums)
        begin += np.uint64(SIDE_BY_SIDE)
    total[begin:], weight[begin:] = np.float32(0), np.float32(0)
    first, after = x0 + np.int64(begin), x0 + np.int64(end)
    for k in part:
        _add_kept(
            values[k, c, y, first:after], codes[k, y, first:after], mask[k, y, first:after], bit, weights[k],
            total[begin:], weight[begin:],
        )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def _add_kept(values, codes, mask, bit, own, total, weight):  # type: ignore[no-untyped-def]
    """Add what shows the noise: also what was rejected by little, on no trail.

    The mean's error does not depend on how far its values lie apart, their differences do: cutting the far ones would
    make the differences, and the noise told by them, too small.
    """
    for j in range(np.uint64(len(values))):
        kept = ((mask[j] & bit) == 0) | ((mask[j] & np.uint8(MILD | GROWN)) == MILD)
        w = own if (codes[j] != NOT_COVERED) & kept else np.float32(0)
        total[j] += w * values[j]
        weight[j] += w


@njit(cache=True, nogil=True, error_model="numpy")
def _difference(one, one_weight, other, other_weight, usable, scratch, sums, counts):  # type: ignore[no-untyped-def]
    """Add a row's differences of two weighted means, scaled so that their noise is that of the mean of all."""
    for j in range(np.uint64(len(one))):
        first, second = max(one_weight[j], np.float32(1e-30)), max(other_weight[j], np.float32(1e-30))
        apart = one[j] / first - other[j] / second
        scratch[j] = apart * np.sqrt(first * second) / (first + second)
    for j in range(np.uint64(len(one))):
        if usable[j] and one_weight[j] > 0 and other_weight[j] > 0:
            sums[j // np.uint64(BLOCK)] += np.float64(scratch[j])
            counts[j // np.uint64(BLOCK)] += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _count_row(  # type: ignore[no-untyped-def]
    codes, mask, y, left, few_covered, few_rejected, coverage, rejected, tally, colours
):
    """Count a row's frames that cover and that are rejected; `few_covered` and `few_rejected` are scratch, uint8."""
    n, height, width = codes.shape
    whole = len(coverage) // COUNTED * COUNTED
    coverage[:], rejected[:] = np.uint16(0), np.uint16(0)
    for begin in range(0, n, COUNTS_MAX):
        few_covered[:], few_rejected[:] = np.uint8(0), np.uint8(0)
        for k in range(begin, min(begin + COUNTS_MAX, n)):
            covered, lost, start = np.int64(0), np.int64(0), (k * height + y) * width + left
            for j in range(0, whole, COUNTED):
                there, at = np.uint64(j), np.uint64(start + j)
                inside = lanes_of(codes, at, COUNTED) != np.uint8(NOT_COVERED)
                marks = lanes_of(mask, at, COUNTED)
                out = inside & (marks != np.uint8(0))
                put_lanes(few_covered, there, lanes_of(few_covered, there, COUNTED) + where(inside, np.uint8(1)))
                put_lanes(few_rejected, there, lanes_of(few_rejected, there, COUNTED) + where(out, np.uint8(1)))
                covered += colours * count_bits(bits_of(inside))
                for c in range(colours):
                    lost += count_bits(bits_of(inside & ((marks & np.uint8((1 << c) | GROWN)) != np.uint8(0))))
            for j in range(whole, len(coverage)):
                inside, marks = codes[k, y, left + j] != NOT_COVERED, mask[k, y, left + j]
                few_covered[j] += np.uint8(inside)
                few_rejected[j] += np.uint8(inside & (marks != 0))
                covered += np.int64(colours) * np.int64(inside)
                for c in range(colours):
                    lost += np.int64(inside & ((marks & ((1 << c) | GROWN)) != 0))
            tally[k, 0] += covered
            tally[k, 1] += lost
        for j in range(np.uint64(len(coverage))):
            coverage[j] += np.uint16(few_covered[j])
            rejected[j] += np.uint16(few_rejected[j])


def tally_of(codes: NDArray[np.uint8], mask: NDArray[np.uint8], colours: int) -> NDArray[np.int64]:
    """What some pixels add to the tally: (n, 2), values covered and values rejected, of (n, pixels) codes and mask."""
    there = codes != NOT_COVERED
    single = sum((mask >> c) & 1 for c in range(colours))
    lost = np.where(mask & GROWN, colours, single)
    return np.stack([colours * there.sum(axis=1), (lost * there).sum(axis=1, dtype=np.int64)], axis=1)


@njit(cache=True, nogil=True, error_model="numpy")
def _rescue(  # type: ignore[no-untyped-def]
    values, codes, mask, weights, bases, slope, signal, lit, unlit, gain, least, rise, c, y, x, i, j, block_factor,
    common, picture, noise
):  # fmt: skip
    """Where growth left nothing, only single rejections count; where nothing covers, all is 0.

    Parameters
    ----------
    signal : of the pixel; for land (`lit`) its `unlit` and `gain` count, and the `least` variance and the `rise` with
        the light that a unit of weight gives
    """
    total, weight, spread = np.float32(0), np.float32(0), np.float32(0)
    for k in range(values.shape[0]):
        if codes[k, y, x] != NOT_COVERED and (mask[k, y, x] & (1 << c)) == 0:
            total += weights[k] * values[k, c, y, x]
            weight += weights[k]
            spread += weights[k] * weights[k] * (bases[k] + (np.float32(0) if lit else slope[k] * signal))
    if weight > 0:
        if lit:
            spread = max(spread + rise * weight * (unlit + gain * total / weight), least * weight)
        picture[c, i, j] = total / weight
        noise[c, i, j] = np.sqrt(block_factor[c] * spread / (weight * weight) + common[c])
    else:
        picture[c, i, j] = np.float32(0)
        noise[c, i, j] = np.float32(0)
