"""Smooth surfaces between the coarse maps of the sky (`pixels/survey.py`) of two frames: how frames are matched.

What a frame's sky map shows is the sky's own glow and nebulae, which turn with the stars, and light pollution and
vignetting, which stay with the ground and the lens. In the difference of two frames' maps at the same stars the first
kind cancels; what is left is smooth. It is taken as a polynomial of few terms (`Surface`), fitted robustly to hundreds
of blocks, so that neither the noise of the frame compared with nor anything of small scale can be imprinted on the
other: fifteen terms from a thousand blocks carry a thousandth of the sky's noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA

# Terms of the highest surface: total degree 4. Differences of vignetting between shifted frames are cubic.
DEGREE_MAX = 4
# Blocks a term of a surface needs at least.
BLOCKS_PER_TERM = 6
# Tukey's bisquare: 95 % efficiency.
BISQUARE = 4.685
# Rounds of weights at most, and the change (of the scatter) below which they end.
ROUNDS, CONVERGED = 20, 1e-3
# A surface that leaves the range of the values by more than so many times the scatter about it has run away where most
# of them were left out: a sky full of moving light is no polynomial.
AWAY = 3.0
# Share of the values taken for their scatter where they fit exactly.
EXACT = 1e-6


def sample_map(
    values: NDArray[np.floating], block: int, x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Read a block map at pixel positions, linearly between block centres; NaN beyond the outermost centres.

    Parameters
    ----------
    values : (rows, columns, ...) array
    x, y : (n,) float64 arrays, px

    Returns
    -------
    (n, ...) float64 array
    """
    rows, columns = values.shape[:2]
    half = (block - 1) / 2
    u, v = (np.asarray(x) - half) / block, (np.asarray(y) - half) / block
    tolerance = 1e-6
    with np.errstate(invalid="ignore"):
        inside = (u >= -tolerance) & (u <= columns - 1 + tolerance) & (v >= -tolerance) & (v <= rows - 1 + tolerance)
    u, v = np.where(inside, u, 0.0).clip(0, columns - 1), np.where(inside, v, 0.0).clip(0, rows - 1)
    j, i = np.minimum(u.astype(int), max(columns - 2, 0)), np.minimum(v.astype(int), max(rows - 2, 0))
    j1, i1 = np.minimum(j + 1, columns - 1), np.minimum(i + 1, rows - 1)
    extra = (slice(None),) + (None,) * (values.ndim - 2)
    fu, fv = (u - j)[extra], (v - i)[extra]
    data = np.asarray(values, np.float64)
    result = (1 - fv) * ((1 - fu) * data[i, j] + fu * data[i, j1]) + fv * ((1 - fu) * data[i1, j] + fu * data[i1, j1])
    result[~inside] = np.nan
    return result


@dataclass(frozen=True)
class Surface:
    """A polynomial of total degree `degree` over a picture of `shape`, in Legendre terms of x and y from -1 to 1."""

    coefficients: NDArray[np.float64]
    degree: int
    shape: tuple[int, int]

    def __call__(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values at pixel positions, arrays of one shape."""
        return np.asarray(legendre_terms(x, y, self.degree, self.shape) @ self.coefficients)


def legendre_terms(
    x: NDArray[np.float64], y: NDArray[np.float64], degree: int, shape: tuple[int, int]
) -> NDArray[np.float64]:
    """(n, terms) Legendre polynomials of places of a picture of `shape`, in order of their total degree."""
    height, width = shape
    across = np.polynomial.legendre.legvander(2 * np.asarray(x) / max(width - 1, 1) - 1, degree)
    down = np.polynomial.legendre.legvander(2 * np.asarray(y) / max(height - 1, 1) - 1, degree)
    return np.stack([across[..., i] * down[..., n - i] for n in range(degree + 1) for i in range(n + 1)], axis=-1)


def fit_surface(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    values: NDArray[np.float64],
    shape: tuple[int, int],
    degree_max: int = DEGREE_MAX,
) -> tuple[Surface, float]:
    """Fit the smooth surface behind values of which a part is not to be trusted (ground, cloud, edges).

    Degree by degree from a constant up, each time with Tukey's bisquare weights and the scale of the residuals of the
    degree before; a higher degree is taken where Schwarz's criterion finds that its terms pay and it keeps to the
    values' range.

    Parameters
    ----------
    x, y, values : (n,) float64 arrays; values that are not finite are left out
    shape : (height, width) of the picture that `x` and `y` lie in
    degree_max : int

    Returns
    -------
    surface : Surface
        Zero everywhere where there are no values.
    scatter : float
        Robust standard deviation of the residuals; NaN where there are none.

    References
    ----------
    Beaton & Tukey 1974, Technometrics 16:147 (bisquare); Schwarz 1978, Ann. Stat. 6:461.
    """
    good = np.isfinite(values) & np.isfinite(x) & np.isfinite(y)
    x, y, values = x[good], y[good], values[good]
    if len(values) == 0:
        return Surface(np.zeros(1), 0, shape), np.nan
    residual = values - np.median(values)
    best = Surface(np.array([np.median(values)]), 0, shape)
    best_score, scatter = np.inf, _scale(residual)
    least, most = values.min(), values.max()
    every_term = legendre_terms(x, y, degree_max, shape)  # in order of their degree
    for degree in range(degree_max + 1):
        terms = every_term[:, : (degree + 1) * (degree + 2) // 2]
        if degree > 0 and len(values) < BLOCKS_PER_TERM * terms.shape[1]:
            break
        coefficients, residual = bisquare(np.ascontiguousarray(terms), values, residual)
        scale, fitted = _scale(residual), values - residual
        if fitted.min() < least - AWAY * scale or fitted.max() > most + AWAY * scale:
            continue
        score = len(values) * np.log(max(scale, 1e-9) ** 2) + terms.shape[1] * np.log(len(values))
        if score < best_score:
            best, best_score, scatter = Surface(coefficients, degree, shape), score, scale
    return best, scatter


def _scale(residual: NDArray[np.float64]) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(residual)))


def bisquare_slow(
    terms: NDArray[np.float64], values: NDArray[np.float64], residual: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the compiled fit computes, in NumPy: coefficients and residuals after iterated bisquare weights.

    Parameters
    ----------
    terms : (n, m) float64 array
    values : (n,) float64 array
    residual : (n,) float64 array
        Where to begin from.
    """
    coefficients: NDArray[np.float64] = np.zeros(terms.shape[1])
    for _ in range(ROUNDS):
        scale = max(_scale(residual), EXACT * (1 + float(np.abs(values).max())))
        root = np.clip(1 - (residual / (BISQUARE * scale)) ** 2, 0, None)  # root of the bisquare weight
        previous = coefficients
        coefficients = np.asarray(np.linalg.lstsq(terms * root[:, None], values * root, rcond=None)[0], np.float64)
        residual = values - terms @ coefficients
        if np.abs(terms @ (coefficients - previous)).max() < CONVERGED * scale:
            break
    return coefficients, residual


@njit(cache=True, nogil=True, error_model="numpy")
def bisquare(terms, values, residual):  # type: ignore[no-untyped-def]
    """Compiled `bisquare_slow`."""
    count, size = terms.shape
    coefficients = np.zeros(size)
    least = EXACT * (1 + np.abs(values).max())
    residual = residual.copy()
    for _ in range(ROUNDS):
        scale = max(MAD_TO_SIGMA * np.median(np.abs(residual)), least)
        # Legendre terms are all but orthogonal: the normal equations lose nothing
        matrix, right = np.zeros((size, size)), np.zeros(size)
        for k in range(count):
            root = 1 - (residual[k] / (BISQUARE * scale)) ** 2
            if root <= 0:
                continue
            weight = root * root
            for i in range(size):
                term = weight * terms[k, i]
                right[i] += term * values[k]
                for j in range(i + 1):
                    matrix[i, j] += term * terms[k, j]
        solution = _solve_symmetric(matrix, right)
        moved = 0.0
        for k in range(count):
            fitted, step = 0.0, 0.0
            for i in range(size):
                fitted += terms[k, i] * solution[i]
                step += terms[k, i] * (solution[i] - coefficients[i])
            residual[k] = values[k] - fitted
            moved = max(moved, abs(step))
        coefficients = solution
        if moved < CONVERGED * scale:
            break
    return coefficients, residual


@njit(cache=True, nogil=True, error_model="numpy")
def _solve_symmetric(matrix, right):  # type: ignore[no-untyped-def]
    """Solve by Cholesky's factors from the lower triangle; terms that nothing determines get 0."""
    size = len(right)
    solution = right.copy()
    least = 0.0
    for i in range(size):
        least = max(least, 1e-12 * matrix[i, i])
    for i in range(size):
        for j in range(i):
            total = matrix[i, j]
            for k in range(j):
                total -= matrix[i, k] * matrix[j, k]
            matrix[i, j] = total / matrix[j, j]
        total = matrix[i, i]
        for k in range(i):
            total -= matrix[i, k] ** 2
        matrix[i, i] = np.sqrt(total) if total > least else 1e150
    for i in range(size):
        for k in range(i):
            solution[i] -= matrix[i, k] * solution[k]
        solution[i] /= matrix[i, i]
    for i in range(size - 1, -1, -1):
        for k in range(i + 1, size):
            solution[i] -= matrix[k, i] * solution[k]
        solution[i] /= matrix[i, i]
    return solution
