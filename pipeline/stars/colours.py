"""How far a star's red and its blue picture lie from its green one, measured on the mosaic without interpolation."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.pixels.leaf import leaf
from pipeline.stars.linear import solve_positive

# Offsets in thousandths of a pixel: whole numbers have a value for "not measured" in FITS, floats only NaN.
PER_PIXEL = 1000
NOT_MEASURED = -32768
OFFSET_DTYPE = np.dtype([(f"{c}_{v}", "i2") for c in ("red", "blue") for v in ("dx", "dy", "error")])

# Of each frame the brightest that nothing saturates, so many in each of so many parts: vignetted corners, where colours
# lie furthest apart, hold few of the brightest stars.
PARTS = (6, 8)  # rows, columns
STARS_A_PART = 8
SNR_MIN = 20.0  # in green; fainter ones say nothing
# The search begins on a grid this fine and this wide, px: steps of 1.5 are within reach of the fit for stars of FWHM
# 1.8 and more; cheap wide lenses are off by 3 px in their corners.
START_STEP, START_REACH = 1.5, 4.5
START_Q = 9.0  # where the shape ends, and the standard deviations along an axis that hold all of it, rounding and all
START_EDGE = 3.01
# The window: 3.2 times the root of the larger second moment and the distance of two like pixels.
WINDOW_SIGMAS, WINDOW_PLUS = 3.2, 2.0
WINDOW_MAX = 16.0
ITERATIONS = 12
SETTLED = 1e-3
# The picture of a colour may miss the fit by this share of its own power: its width may differ from green's by a fifth.
MISFIT_MAX = 0.15
ERROR_MAX = 0.5  # px


@leaf
def _gather(
    pixels: Any, black: float, row0: int, column0: int, x: float, y: float, radius: float, saturation: float, out: Any
) -> int:
    """Pixels of one colour (every second row and column from row0, column0) within a radius; -1 where one is full."""
    height, width = pixels.shape
    top, left = max(0, int(np.ceil(y - radius))), max(0, int(np.ceil(x - radius)))
    bottom, right = min(height - 1, int(np.floor(y + radius))), min(width - 1, int(np.floor(x + radius)))
    top += (top + row0) & 1
    left += (left + column0) & 1
    n = 0
    for row in range(top, bottom + 1, 2):
        for column in range(left, right + 1, 2):
            if (column - x) ** 2 + (row - y) ** 2 > radius * radius:
                continue
            if pixels[row, column] >= saturation:
                return -1
            out[0, n], out[1, n], out[2, n] = column, row, pixels[row, column] - black
            n += 1
    return n


@leaf
def _start(
    window: Any, n: int, mean: float, x0: float, y0: float, mxx: float, myy: float, shape: Any, half: int, sums: Any
) -> tuple[float, float]:
    """The place on the grid about (x0, y0) where a Gaussian of the given moments and inverse matrix `shape` collects
    most light for its power. Every pixel is laid on the few places that are near it; `sums` is room."""
    wxx, wxy, wyy = shape
    wide, tall = START_EDGE * np.sqrt(mxx), START_EDGE * np.sqrt(myy)
    for a in range(2 * half + 1):
        for b in range(2 * half + 1):
            sums[0, a, b] = sums[1, a, b] = 0.0
    for i in range(n):
        off_x, off_y = window[0, i] - x0, window[1, i] - y0
        first = max(-half, int(np.ceil((off_x - wide) / START_STEP)))
        last = min(half, int(np.floor((off_x + wide) / START_STEP)))
        top = max(-half, int(np.ceil((off_y - tall) / START_STEP)))
        bottom = min(half, int(np.floor((off_y + tall) / START_STEP)))
        light = window[2, i] - mean
        for a in range(first, last + 1):
            dx = off_x - a * START_STEP
            for b in range(top, bottom + 1):
                dy = off_y - b * START_STEP
                q = wxx * dx * dx + 2 * wxy * dx * dy + wyy * dy * dy
                if q < START_Q:
                    weight = np.exp(-0.5 * q)
                    sums[0, a + half, b + half] += weight * light
                    sums[1, a + half, b + half] += weight * weight
    best, x, y = -np.inf, x0, y0
    for a in range(-half, half + 1):
        for b in range(-half, half + 1):
            total, power = sums[0, a + half, b + half], sums[1, a + half, b + half]
            if power > 0.0 and total / np.sqrt(power) > best:
                best, x, y = total / np.sqrt(power), x0 + a * START_STEP, y0 + b * START_STEP
    return x, y


@numba.njit(cache=True, nogil=True)
def _fit_all(
    pixels: Any, black: float, row0: int, column0: int, saturation: float, search: float, stars: Any, out: Any
) -> None:
    """Fill out (n, 3) with dx, dy and the error of either for stars (n, 5) of x, y, mxx, mxy, myy; NaN where none."""
    window = np.empty((3, 1200))
    matrix, low = np.empty((4, 4)), np.empty((4, 4))
    vector, step, unit, j = np.empty(4), np.empty(4), np.empty(4), np.empty(4)
    half = int(search / START_STEP)
    sums = np.empty((2, 2 * half + 1, 2 * half + 1))
    for s in range(stars.shape[0]):
        out[s, :] = np.nan
        x0, y0, mxx, mxy, myy = stars[s]
        determinant = mxx * myy - mxy * mxy
        if not determinant > 0.0:
            continue
        wxx, wxy, wyy = myy / determinant, -mxy / determinant, mxx / determinant
        radius = min(WINDOW_MAX, WINDOW_SIGMAS * np.sqrt(max(mxx, myy)) + WINDOW_PLUS)
        # where to begin: the place at which the green shape collects most light of this colour
        n = _gather(pixels, black, row0, column0, x0, y0, radius + search, saturation, window)
        if n < 12:
            continue
        mean = 0.0
        for i in range(n):
            mean += window[2, i] / n
        x, y = _start(window, n, mean, x0, y0, mxx, myy, (wxx, wxy, wyy), half, sums)
        # amplitude, sky, x, y by Gauss-Newton on a window that is gathered once about the beginning
        n = _gather(pixels, black, row0, column0, x, y, radius, saturation, window)
        if n < 9:
            continue
        settled, amplitude, square, power = False, 0.0, 0.0, 0.0
        sky = mean
        for turn in range(ITERATIONS):
            matrix[:] = 0.0
            vector[:] = 0.0
            square, power = 0.0, 0.0
            for i in range(n):
                dx, dy = window[0, i] - x, window[1, i] - y
                u, v = wxx * dx + wxy * dy, wxy * dx + wyy * dy
                shape = np.exp(-0.5 * (u * dx + v * dy))
                j[0], j[1] = shape, 1.0
                j[2], j[3] = amplitude * shape * u, amplitude * shape * v
                miss = window[2, i] - sky - amplitude * shape
                square += miss * miss
                power += (amplitude * shape) ** 2
                # amplitude and sky alone in the first turn: without an amplitude the place has no slope
                for a in range(2 if turn == 0 else 4):
                    vector[a] += j[a] * miss
                    for b in range(a + 1):  # the other half is not read
                        matrix[a, b] += j[a] * j[b]
            if turn == 0:
                matrix[2, 2] = matrix[3, 3] = 1.0
            if not solve_positive(matrix, vector, step, low):
                break
            amplitude += step[0]
            sky += step[1]
            x += min(1.0, max(-1.0, step[2]))
            y += min(1.0, max(-1.0, step[3]))
            if amplitude <= 0.0 or abs(x - x0) > search + 1.5 or abs(y - y0) > search + 1.5:
                break
            if turn > 1 and abs(step[2]) < SETTLED and abs(step[3]) < SETTLED:
                settled = True
                break
        if not settled or square > MISFIT_MAX * power:
            continue
        error = 0.0
        for a in range(2, 4):
            unit[:] = 0.0
            unit[a] = 1.0
            if not solve_positive(matrix, unit, step, low):
                error = np.inf
                break
            error = max(error, step[a] * square / (n - 4))
        error = np.sqrt(error)
        if error < ERROR_MAX:
            out[s, 0], out[s, 1], out[s, 2] = x - x0, y - y0, error


def colour_offsets(
    pixels: NDArray[np.uint16], cfa: str, black: ArrayLike, saturation: float, stars: NDArray[Any]
) -> NDArray[Any]:
    """Red and blue against green for the brightest unsaturated stars of a mosaic.

    To each colour's own pixels a Gaussian of the star's green shape is fitted, its height, place and a flat sky free,
    by least squares: ``scipy.optimize.least_squares`` over ``sky + height * exp(-q / 2)`` comes to the same place.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    cfa : pattern of the first cell; ``MONO`` has no colours
    black : 4 levels by place of the cell, ADU
    saturation : stars with a pixel of the colour from this level on are left out, ADU
    stars : (n,) star list with x, y, flux, flux_error, mxx, mxy, myy, saturated, brightest first

    Returns
    -------
    (n,) array of `OFFSET_DTYPE`, thousandths of a pixel, `NOT_MEASURED` where there is none; `error` is the standard
    deviation of either axis
    """
    result = np.full(len(stars), NOT_MEASURED, np.int16).astype(OFFSET_DTYPE)
    if cfa == "MONO" or not len(stars):
        return result
    levels = np.asarray(black, np.float64)
    chosen = _chosen(stars, pixels.shape)
    shapes = np.ascontiguousarray(
        np.stack([stars[name][chosen] for name in ("x", "y", "mxx", "mxy", "myy")], axis=1), np.float64
    )

    def measured(place: int, search: float) -> NDArray[np.float64]:
        found = np.empty((len(chosen), 3))
        _fit_all(pixels, levels[place], place // 2, place % 2, float(saturation), search, shapes, found)
        return found

    # green by the same means, from either of its lattices: what coma and coarse sampling do to a place then cancels
    one, other = (measured(n, 0.0) for n, letter in enumerate(cfa) if letter == "G")
    green = np.stack([*((one + other)[:, :2] / 2).T, np.hypot(one[:, 2], other[:, 2]) / 2], axis=1)
    for name, letter in (("red", "R"), ("blue", "B")):
        found = measured(cfa.index(letter), START_REACH)
        found = np.stack([*(found - green)[:, :2].T, np.hypot(found[:, 2], green[:, 2])], axis=1)
        good = np.isfinite(found).all(axis=1)
        whole = np.rint(found[good] * PER_PIXEL).astype(np.int16)
        for column, field in enumerate(("dx", "dy", "error")):
            result[f"{name}_{field}"][chosen[good]] = whole[:, column]
    return result


def _chosen(stars: NDArray[Any], shape: tuple[int, ...]) -> NDArray[np.intp]:
    """Rows of the brightest stars of each part of the frame."""
    rows = np.flatnonzero(~stars["saturated"] & (stars["flux"] > SNR_MIN * stars["flux_error"]))
    down = np.clip(stars["y"][rows] / shape[0] * PARTS[0], 0, PARTS[0] - 1).astype(np.intp)
    along = np.clip(stars["x"][rows] / shape[1] * PARTS[1], 0, PARTS[1] - 1).astype(np.intp)
    part = down * PARTS[1] + along
    order = np.argsort(part, kind="stable")
    first = np.searchsorted(part[order], part[order])
    return np.sort(rows[order[np.arange(len(order)) - first < STARS_A_PART]])
