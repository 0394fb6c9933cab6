"""What lies above the smooth sky in a tile: where stars are, and how bright; told by the median of a few frames."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.variance import along_row, cell_mean, row_cells
from pipeline.pixels.vector import larger, smaller

# Frames whose median tells where stars are and how bright: robust against one or two trails, cheap.
MEDIAN_FRAMES = 5
# Ringing of the interpolation about a bright star, which changes with its place among the pixels: up to a fifth of what
# the peak itself varies (seen on real stars of FWHM 2.3), to five pixels: two of the demosaic, three of Lanczos.
RING_PX = 5
RING_SHARE = np.float32(0.2)


@njit(cache=True, nogil=True, error_model="numpy")
def star_signal(values, codes, chosen, sky, noise_sky, origin, light, signal, peak):  # type: ignore[no-untyped-def]
    """What lies above the smooth sky, and how bright a star is nearby.

    Parameters
    ----------
    values, codes, sky, origin : as in `variance`
    chosen : (m,) int64 array
        Frames in an order of preference (`spread`): of each pixel the (lower) median of the first `MEDIAN_FRAMES` that
        cover it is taken. A frame that covers nothing may be missing: what comes out does not depend on it.
    noise_sky : (colours, rows, columns) float32 array
        The sky that the noise is reckoned from.
    light : `variance.LandLight`
    signal : (colours, height, width) float32 array, filled
        Of sky not below 0. Of land, which may be darker than its level about as well as brighter, what lies above or
        below `noise_sky` as it is even over a cell: with that it makes the light that the variance goes by, which is
        not taken for less than none.
    peak : (colours, height, width) float32 array, filled
        What lies above the smooth sky at most within one pixel, or `RING_SHARE` of that within `RING_PX`.
    """
    colours, height, width = signal.shape
    sorted_rows, count = np.empty((MEDIAN_FRAMES, width), np.float32), np.empty(width, np.int32)
    near, far = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    levels, unlit, gains = np.empty(width, np.float32), np.empty(width, np.float32), np.empty(width, np.float32)
    moved = np.empty(width, np.float32)
    edges, columns = row_cells(origin[1], width)
    for c in range(colours):
        for i in range(height):
            sorted_rows[:] = np.float32(np.inf)
            count[:] = 0
            for k in range(len(chosen)):
                if k >= MEDIAN_FRAMES and _all_full(count):
                    break
                filled = min(k, MEDIAN_FRAMES - 1)
                _insert(sorted_rows, values[chosen[k], c, i], codes[chosen[k], i], filled, count, moved)
            along_row(sky[c], origin[0] + i, origin[1], levels)
            _above(sorted_rows, count, levels, signal[c, i])
            _widen(signal[c, i], 1, near[i])
            _widen(signal[c, i], RING_PX, far[i])
            if light.unlit.size > 0:
                along_row(light.unlit[c], origin[0] + i, origin[1], unlit)
                along_row(light.gain[c], origin[0] + i, origin[1], gains)
                row = (origin[0] + i + GRID_STEP) // GRID_STEP
                for cell in range(len(columns)):
                    # what the variance begins from, which is no less than without light
                    even = cell_mean(noise_sky[c], row, columns[cell])
                    begin, end = edges[cell], edges[cell + 1]
                    _lit(sorted_rows, count, begin, end, light.dark[c], unlit, gains, even, signal[c, i])
        for i in range(height):
            _largest_about(near, far, i, peak[c, i])


def spread(frames: int) -> NDArray[np.int64]:
    """The numbers 0 .. frames - 1, so ordered that the first few lie far apart, however few they are.

    Counted with the binary digits read backwards: 0, 1/2, 1/4, 3/4, 1/8 of the way and so on.
    """
    digits = max(frames - 1, 1).bit_length()
    turned = (int(f"{k:0{digits}b}"[::-1], 2) for k in range(2**digits))
    return np.array([k for k in turned if k < frames], np.int64)


@leaf
def _all_full(count):  # type: ignore[no-untyped-def]
    least = np.int32(MEDIAN_FRAMES)
    for j in range(np.uint64(len(count))):
        least = min(least, count[j])
    return least >= MEDIAN_FRAMES


@leaf
def _insert(rows, values, codes, filled, count, moved):  # type: ignore[no-untyped-def]
    """Put one more value into each pixel's sorted few, smallest first; `moved` is scratch of a row."""
    for j in range(np.uint64(len(values))):
        covered = (codes[j] != NOT_COVERED) & (count[j] < MEDIAN_FRAMES)
        moved[j] = values[j] if covered else np.float32(np.inf)
        count[j] += np.int32(covered)
    for k in range(filled + 1):
        row = rows[k]
        for j in range(np.uint64(len(values))):
            one, other = row[j], moved[j]
            row[j], moved[j] = smaller(one, other), larger(one, other)


@leaf
def _above(rows, count, levels, signal):  # type: ignore[no-untyped-def]
    """How far each pixel's lower median lies above its level; 0 where nothing covers it."""
    lowest, second, third = rows[0], rows[1], rows[2]  # of one or two values, of three or four, of five
    for j in range(np.uint64(len(signal))):
        middle = third[j] if count[j] > 4 else second[j] if count[j] > 2 else lowest[j]
        signal[j] = max(middle - levels[j], np.float32(0)) if count[j] > 0 else np.float32(0)


@leaf
def _lit(rows, count, begin, end, dark, unlit, gains, even, signal):  # type: ignore[no-untyped-def]
    """How far the light of each pixel of a cell lies from the level `even` there; 0 where nothing covers it."""
    lowest, second, third = rows[0], rows[1], rows[2]
    for j in range(begin, end):
        middle = third[j] if count[j] > 4 else second[j] if count[j] > 2 else lowest[j]
        above = unlit[j] + gains[j] * max(middle, dark) - max(even, dark)
        signal[j] = above if count[j] > 0 else np.float32(0)


@leaf
def _widen(values, reach, out):  # type: ignore[no-untyped-def]
    """The largest value within `reach` pixels along a row."""
    width = len(values)
    for j in range(np.uint64(width)):
        out[j] = values[j]
    for step in range(np.uint64(1), np.uint64(reach + 1)):
        # places without a sign: the compiler need not look for those counted from the end, and makes vector code
        for j in range(np.uint64(width) - step):
            out[j] = larger(out[j], values[j + step])
        for j in range(np.uint64(width) - step):
            out[j + step] = larger(out[j + step], values[j])


@leaf
def _largest_about(near, far, i, largest):  # type: ignore[no-untyped-def]
    """Fill row i of `peak` from the widened rows about it."""
    for j in range(np.uint64(len(largest))):
        largest[j] = np.float32(0)
    for y in range(max(i - RING_PX, 0), min(i + RING_PX + 1, near.shape[0])):
        wide, narrow = far[y], near[y]
        if abs(y - i) <= 1:
            for j in range(np.uint64(len(largest))):
                largest[j] = larger(largest[j], larger(RING_SHARE * wide[j], narrow[j]))
        else:
            for j in range(np.uint64(len(largest))):
                largest[j] = larger(largest[j], RING_SHARE * wide[j])
