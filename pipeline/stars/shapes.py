"""Shapes of stars: the elliptical Gaussian that fits the green pixels of the mosaic best, without interpolation."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf
from pipeline.pixels.normal import FWHM_PER_SIGMA
from pipeline.pixels.vector import fetch_at
from pipeline.stars.detect import is_hot
from pipeline.stars.linear import solve_positive

WINDOW_Q = 12.5  # the window ends where exp(-q / 2) is 0.002: beyond it there is noise and the neighbours
WINDOW_MIN = 2.6  # px; holds nine or more green pixels of a star of any phase
ROUNDS = 4  # of the window; three settle it to 1 % of the size for every start tried
ITERATIONS = 25
CONVERGED = 1e-4  # of the size, and px; steps shrink at least tenfold, so the minimum lies nearer still
WORK = 30_000  # pixels times steps that one fit may cost; stars settle within 6,000, treetops never
SIZE_MIN, SIZE_MAX = 0.02, 400.0  # px^2, of a principal second moment; a trail of 65 px fits to 360
GROWTH, GROWTH_PLUS = 6.0, 4.0  # a fit beyond so many times its start, and px^2 more, has left its star for the sky
MAX_PIXELS = 8_000  # green pixels in a window; a trail of 65 px has 2,000


@numba.njit(  # type: ignore[call-overload]  # a leaf
    cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"}, _nrt=False
)
def _normal(p: Any, n: int, xs: Any, ys: Any, vs: Any, rows: Any, matrix: Any, vector: Any) -> float:
    """Fill the normal equations of the parameters (amplitude, x, y, mxx, mxy, myy); return the sum of squares.

    The exponential is its series to the seventh power at a 64th of the argument, squared six times, which the
    compiler does for several pixels at once: true to 1e-9 down to exp(-8), to 1e-5 of nothing beyond.
    """
    determinant = p[3] * p[5] - p[4] * p[4]
    wxx, wxy, wyy = p[5] / determinant, -p[4] / determinant, p[3] / determinant
    p0, p1, p2 = p[0], p[1], p[2]
    square = 0.0
    r0, r1, r2, r3, r4, r5, miss = rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6]
    for i in range(n):
        dx, dy = xs[i] - p1, ys[i] - p2
        u, v = wxx * dx + wxy * dy, wxy * dx + wyy * dy
        t = max(-0.5 * (u * dx + v * dy), -30.0) * 0.015625
        e = 1.0 + t * (1.0 + t * (1 / 2 + t * (1 / 6 + t * (1 / 24 + t * (1 / 120 + t * (1 / 720 + t * (1 / 5040)))))))
        e *= e
        e *= e
        e *= e
        e *= e
        e *= e
        e *= e
        model = p0 * e
        left = vs[i] - model
        square += left * left
        r0[i], r1[i], r2[i] = e, model * u, model * v
        r3[i], r4[i], r5[i] = 0.5 * model * u * u, model * u * v, 0.5 * model * v * v
        miss[i] = left
    for a in range(6):
        first = rows[a]
        total = 0.0
        for i in range(n):
            total += first[i] * miss[i]
        vector[a] = total
        for b in range(a + 1):
            second = rows[b]
            total = 0.0
            for i in range(n):
                total += first[i] * second[i]
            matrix[a, b] = total
            matrix[b, a] = total
    return square


@leaf
def _minor(mxx: float, mxy: float, myy: float) -> float:
    return 0.5 * (mxx + myy - np.sqrt((mxx - myy) ** 2 + 4 * mxy * mxy))


@leaf
def _fit_one(
    p: Any, n: int, xs: Any, ys: Any, vs: Any, rows: Any, matrix: Any, reach: float, vectors: Any, matrices: Any
) -> bool:
    """Levenberg-Marquardt from `p`, in place; False where it ran away. `vectors` (4, 6) and `matrices` (3, 6, 6) are
    room."""
    vector, step, trial, ahead = vectors[0], vectors[1], vectors[2], vectors[3]
    damped, there, low = matrices[0], matrices[1], matrices[2]
    x0, y0 = p[1], p[2]
    largest = min(2 * SIZE_MAX, GROWTH * (p[3] + p[5]) + GROWTH_PLUS)
    damping, astray = 1e-3, False
    square = _normal(p, n, xs, ys, vs, rows, matrix, vector)
    for _ in range(min(ITERATIONS, max(6, WORK // n))):
        for a in range(6):
            for b in range(6):
                damped[a, b] = matrix[a, b]
            damped[a, a] *= 1.0 + damping
        good = solve_positive(damped, vector, step, low)
        if good:
            for a in range(6):
                trial[a] = p[a] + step[a]
            size = _minor(trial[3], trial[4], trial[5])
            good = (
                trial[0] > 0.0
                and size > SIZE_MIN
                and trial[3] + trial[5] - size < SIZE_MAX
                and trial[3] + trial[5] < largest
                and (trial[1] - x0) ** 2 + (trial[2] - y0) ** 2 < reach * reach
            )
        astray = not good
        if good:
            new = _normal(trial, n, xs, ys, vs, rows, there, ahead)
            if new <= square:
                change = abs(step[3]) + abs(step[4]) + abs(step[5])
                shift = abs(step[1]) + abs(step[2])
                for a in range(6):
                    p[a], vector[a] = trial[a], ahead[a]
                    for b in range(6):
                        matrix[a, b] = there[a, b]
                square = new
                if change < CONVERGED * (p[3] + p[5]) and shift < CONVERGED:
                    return True
                damping = max(damping * 0.1, 1e-9)
                continue
        damping *= 10.0
        if damping > 1e8:
            # nothing better nearby: a minimum as far as the numbers go, unless every step led out of bounds
            return not astray
    return True


@leaf
def _ask_for_window(pixels: Any, segments: Any, start: Any) -> None:
    """Begin to fetch what `_fit_all` reads first of a star: nearly all of it lies in memory that is far off."""
    wide = max(np.sqrt(WINDOW_Q * max(start[3], 1e-6)), WINDOW_MIN) + 1.0
    tall = max(np.sqrt(WINDOW_Q * max(start[5], 1e-6)), WINDOW_MIN) + 1.0
    height, width = pixels.shape
    left, right = max(0, int(start[1] - wide)), min(width - 1, int(start[1] + wide) + 1)
    for row in range(max(0, int(start[2] - tall)), min(height - 1, int(start[2] + tall) + 1) + 1):
        fetch_at(pixels, row, left)
        fetch_at(pixels, row, right)
        if segments.shape[0] > 1 and row & 1 == 0:
            i = min(row >> 1, segments.shape[0] - 1)
            fetch_at(segments, i, min(left >> 1, segments.shape[1] - 1))
            fetch_at(segments, i, min(right >> 1, segments.shape[1] - 1))


@numba.njit(cache=True, nogil=True)
def _fit_all(
    pixels: Any,
    green: Any,
    black: Any,
    saturation: float,
    hot_excess: float,
    segments: Any,
    numbers: Any,
    starts: Any,
    skies: Any,
    out: Any,
) -> None:
    """The compiled loop of `fit_shapes`."""
    height, width = pixels.shape
    xs, ys, vs = np.empty(MAX_PIXELS), np.empty(MAX_PIXELS), np.empty(MAX_PIXELS)
    rows = np.empty((7, MAX_PIXELS))
    matrix, unit, column = np.empty((6, 6)), np.empty(6), np.empty(6)
    vectors, matrices = np.empty((4, 6)), np.empty((3, 6, 6))
    p, before = np.empty(6), np.empty(6)
    for s in range(starts.shape[0]):
        out[s, :] = np.nan
        p[:] = starts[s]
        if s + 1 < starts.shape[0]:
            _ask_for_window(pixels, segments, starts[s + 1])
        sky = skies[s]
        good, n, masked = False, 0, 0
        for turn in range(ROUNDS):
            before[:] = p
            wide = np.sqrt(WINDOW_Q * max(p[3], 1e-6))
            tall = np.sqrt(WINDOW_Q * max(p[5], 1e-6))
            wide, tall = max(wide, WINDOW_MIN), max(tall, WINDOW_MIN)
            determinant = p[3] * p[5] - p[4] * p[4]
            wxx, wxy, wyy = p[5] / determinant, -p[4] / determinant, p[3] / determinant
            n, masked = 0, 0
            for row in range(max(0, int(p[2] - tall)), min(height, int(p[2] + tall) + 2)):
                for col in range(max(0, int(p[1] - wide)), min(width, int(p[1] + wide) + 2)):
                    if not green[row & 1, col & 1]:
                        continue
                    dx, dy = col - p[1], row - p[2]
                    if (
                        wxx * dx * dx + 2 * wxy * dx * dy + wyy * dy * dy > WINDOW_Q
                        and dx * dx + dy * dy > WINDOW_MIN * WINDOW_MIN
                    ):
                        continue
                    if pixels[row, col] >= saturation:
                        masked += 1
                        continue
                    if segments.shape[0] > 1:
                        i, j = min(row >> 1, segments.shape[0] - 1), min(col >> 1, segments.shape[1] - 1)
                        if segments[i, j] != 0 and segments[i, j] != numbers[s]:
                            continue
                    if is_hot(pixels, row, col, black, hot_excess):
                        continue
                    if n < MAX_PIXELS:
                        xs[n], ys[n] = col, row
                        vs[n] = pixels[row, col] - black[(row & 1) * 2 + (col & 1)] - sky
                        n += 1
            if n < 8:
                good = False
                break
            good = _fit_one(p, n, xs, ys, vs, rows, matrix, max(3.0, min(wide, tall)), vectors, matrices)
            if not good:
                break
            if turn == 1 and n > WORK // 20:
                break
            if abs(p[3] + p[5] - before[3] - before[5]) < 0.01 * (p[3] + p[5]):
                break
        if not good:
            continue
        # error of the flux for unit noise: the gradient of 2 pi a sqrt(det) in the metric of the inverse normal matrix
        determinant = p[3] * p[5] - p[4] * p[4]
        root = np.sqrt(determinant)
        flux = 2 * np.pi * p[0] * root
        column[0], column[1], column[2] = flux / p[0], 0.0, 0.0
        column[3] = 0.5 * flux * p[5] / determinant
        column[4] = -flux * p[4] / determinant
        column[5] = 0.5 * flux * p[3] / determinant
        if not solve_positive(matrix, column, unit, matrices[2]):
            continue
        variance = 0.0
        for a in range(6):
            variance += unit[a] * column[a]
        square, power, missed, held = 0.0, 0.0, 0.0, 0.0
        wxx, wxy, wyy = p[5] / determinant, -p[4] / determinant, p[3] / determinant
        for i in range(n):
            dx, dy = xs[i] - p[1], ys[i] - p[2]
            model = p[0] * np.exp(-0.5 * (wxx * dx * dx + 2 * wxy * dx * dy + wyy * dy * dy))
            square += (vs[i] - model) ** 2
            power += model * model
            missed += vs[i] - model
            held += model
        out[s, 0:6] = p
        out[s, 6] = variance**0.5
        out[s, 7] = square
        out[s, 8] = power
        out[s, 9] = n
        out[s, 10] = masked
        out[s, 11] = missed / held


FIT_DTYPE = np.dtype(
    [
        ("amplitude", "f8"),
        ("x", "f8"),
        ("y", "f8"),
        ("mxx", "f8"),
        ("mxy", "f8"),
        ("myy", "f8"),
        ("flux_error", "f8"),
        ("square", "f8"),
        ("power", "f8"),
        ("pixels", "f8"),
        ("masked", "f8"),
        ("missed", "f8"),
    ]
)
_NO_SEGMENTS = np.zeros((1, 1), np.int32)


def fit_shapes(
    pixels: NDArray[Any],
    green: NDArray[np.bool_],
    black: NDArray[np.float64],
    saturation: float,
    starts: NDArray[np.float64],
    skies: NDArray[np.float64],
    *,
    hot_excess: float = np.inf,
    segments: NDArray[np.int32] | None = None,
    numbers: NDArray[np.int32] | None = None,
) -> NDArray[Any]:
    """Fit one elliptical Gaussian to each star by unweighted least squares on its green pixels.

    The minimum is where the moments under the Gaussian's own weight equal half of its own [1]_: these are the adaptive
    moments, up to the sampling. The fit needs no pixel between the pixels, so the mosaic is not interpolated.
    `gaussian` is the model; the tests hold this loop to `scipy.optimize.least_squares` on it.

    Parameters
    ----------
    pixels : (height, width) uint16 or float32 array, ADU
    green : (2, 2) bool array, the places of the cell that count
    black : 4 levels by place of the cell, ADU
    saturation : pixels from this level on are left out, ADU
    starts : (n, 6) float64 array of amplitude (ADU above sky), x, y (px), mxx, mxy, myy (px^2)
    skies : (n,) float64 array, sky above black at each star, ADU
    hot_excess : see `detect.is_hot`
    segments, numbers : map of who owns the pixels of the half-size image, and the star's own number; others' are left
        out

    Returns
    -------
    (n,) array of `FIT_DTYPE`; `flux_error` is for noise of 1 ADU a pixel, `square` the sum of squared misses and
    `power` that of the model (ADU^2), `pixels` the number used, `masked` the number of saturated ones, `missed` the
    light that the used ones hold beyond the model's, over the model's; NaN where no Gaussian fits

    References
    ----------
    .. [1] Bernstein & Jarvis 2002, AJ 123, 583, doi:10.1086/338085
    """
    # one float64 a field of FIT_DTYPE
    out = np.empty((len(starts), 12))
    if numbers is None:
        numbers = np.zeros(len(starts), np.int32)
    _fit_all(
        pixels,
        green,
        np.asarray(black, np.float64),
        float(saturation),
        float(hot_excess),
        _NO_SEGMENTS if segments is None else segments,
        numbers,
        np.ascontiguousarray(starts, dtype=np.float64),
        np.asarray(skies, np.float64),
        out,
    )
    return out.view(FIT_DTYPE)[:, 0]


def fwhm_px(mxx: Any, myy: Any) -> Any:
    """`FWHM_PER_SIGMA` times the root of the mean second moment, px."""
    return FWHM_PER_SIGMA * np.sqrt((np.asarray(mxx) + np.asarray(myy)) / 2)
