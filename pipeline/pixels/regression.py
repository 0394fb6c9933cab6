"""Regression that outliers cannot move."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

MAD_TO_SIGMA = 1.4826  # from a median absolute deviation to the standard deviation of a normal distribution

HUBER = 1.345  # standard deviations; 95 % efficient on normal errors (Huber 1981)
ROUNDS = 12


def robust_fit(
    design: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Huber regression by reweighting, its scale from the residuals.

    Parameters
    ----------
    design : (n, k) array
    values : (n,) array
    weight : (n,) inverse variances, up to a factor; all alike where None

    Returns
    -------
    (k,) coefficients and (k,) standard errors

    References
    ----------
    Huber, P. J. 1981, "Robust Statistics", Wiley, chapter 7.
    """
    root = np.ones(len(values)) if weight is None else np.sqrt(weight)
    return _huber(np.ascontiguousarray(design * root[:, None], np.float64), np.asarray(values * root, np.float64))


@njit(cache=True, nogil=True, error_model="numpy")
def _huber(a, b):  # type: ignore[no-untyped-def]
    count, size = a.shape
    solution, new, right = np.zeros(size), np.zeros(size), np.zeros(size)
    residual, down, matrix = np.empty(count), np.ones(count), np.zeros((size, size))
    total = 0.0
    for i in range(count):
        for k in range(size):
            total += a[i, k] * a[i, k]
    # columns of no spread (too few stars, all in one place) must not stop the fit
    ridge, scale = 1e-12 * max(total, 1e-300), 1.0
    for _ in range(ROUNDS):
        _normal(a, b, down, ridge, matrix, right)
        new = np.linalg.solve(matrix, right)
        for i in range(count):
            left = b[i]
            for k in range(size):
                left -= a[i, k] * new[k]
            residual[i] = abs(left)
        scale = max(MAD_TO_SIGMA * np.partition(residual, count // 2)[count // 2], 1e-12)
        for i in range(count):
            down[i] = min(1.0, HUBER * scale / max(residual[i], 1e-12))
        moved, most = 0.0, 0.0
        for k in range(size):
            moved, most = max(moved, abs(new[k] - solution[k])), max(most, abs(new[k]))
        solution = new
        if moved < 1e-6 * most + 1e-9:
            break
    _normal(a, b, down, ridge, matrix, right)
    inverse, error = np.linalg.inv(matrix), np.empty(size)
    for k in range(size):
        # 1.03: what the down-weighting adds to the variance of a normal sample, rounded up
        error[k] = 1.03 * scale * np.sqrt(max(inverse[k, k], 0.0))
    return solution, error


@njit(cache=True, nogil=True, error_model="numpy")
def _normal(a, b, down, ridge, matrix, right):  # type: ignore[no-untyped-def]
    """Normal equations of weighted least squares."""
    count, size = a.shape
    matrix[:], right[:] = 0.0, 0.0
    for i in range(count):
        for k in range(size):
            weighted = down[i] * a[i, k]
            right[k] += weighted * b[i]
            for m in range(size):
                matrix[k, m] += weighted * a[i, m]
    for k in range(size):
        matrix[k, k] += ridge


__all__ = ["MAD_TO_SIGMA", "robust_fit"]
