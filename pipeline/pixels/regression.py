"""Regression that outliers cannot move, and medians of what is known."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.ordering import select_first

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
    a, b = design * root[:, None], values * root
    down = np.ones(len(b))
    solution: NDArray[np.float64] = np.zeros(design.shape[1])
    scale = 1.0
    # columns of no spread (too few stars, all in one place) must not stop the fit
    ridge = 1e-12 * np.eye(design.shape[1]) * max(float(np.einsum("ij,ij->", a, a)), 1e-300)
    for _ in range(ROUNDS):
        weighted = a * down[:, None]
        new: NDArray[np.float64] = np.asarray(np.linalg.solve(weighted.T @ a + ridge, weighted.T @ b), np.float64)
        residual = np.abs(b - a @ new)
        scale = max(MAD_TO_SIGMA * float(np.partition(residual, len(residual) // 2)[len(residual) // 2]), 1e-12)
        down = np.minimum(1.0, HUBER * scale / np.maximum(residual, 1e-12))
        done = float(np.abs(new - solution).max()) < 1e-6 * float(np.abs(new).max()) + 1e-9
        solution = new
        if done:
            break
    inverse = np.linalg.inv((a * down[:, None]).T @ a + ridge)
    # 1.03: what the down-weighting adds to the variance of a normal sample, rounded up
    return solution, 1.03 * scale * np.sqrt(np.maximum(np.diag(inverse), 0))


def robust_mean(values: NDArray[np.float64], weight: NDArray[np.float64]) -> tuple[float, float]:
    """`robust_fit` of a constant, to rounding, six times as fast: the mean of (n,) values, and its standard error."""
    mean, error = _robust_mean(values, np.sqrt(weight))
    return float(mean), float(error)


@njit(cache=True, nogil=True, error_model="numpy")
def _robust_mean(values, root):  # type: ignore[no-untyped-def]
    number = len(values)
    down, residual, ordered = np.ones(number), np.empty(number), np.empty(number)
    ridge = 1e-12 * max(np.sum(root * root), 1e-300)
    mean, scale = 0.0, 1.0
    for _ in range(ROUNDS):
        total, precision = 0.0, ridge
        for n in range(number):
            total += down[n] * root[n] * root[n] * values[n]
            precision += down[n] * root[n] * root[n]
        new = total / precision
        for n in range(number):
            residual[n] = abs(root[n] * (values[n] - new))
            ordered[n] = residual[n]
        scale = max(MAD_TO_SIGMA * select_first(ordered, number, number // 2), 1e-12)
        for n in range(number):
            down[n] = min(1.0, HUBER * scale / max(residual[n], 1e-12))
        done = abs(new - mean) < 1e-6 * abs(new) + 1e-9
        mean = new
        if done:
            break
    precision = ridge
    for n in range(number):
        precision += down[n] * root[n] * root[n]
    return mean, 1.03 * scale / np.sqrt(precision)


def row_medians(values: NDArray[Any]) -> NDArray[Any]:
    """``np.nanmedian(values, axis=-1)``, the lower of two middle ones; 0 where a row has none. Ten times as fast."""
    number = np.count_nonzero(~np.isnan(values), axis=-1)
    size = values.shape[-1]
    if size and np.all(number == size):
        return np.partition(values, (size - 1) // 2, axis=-1)[..., (size - 1) // 2].copy()
    ordered = np.sort(values, axis=-1)  # what is not known comes last
    middle = np.take_along_axis(ordered, (np.maximum(number - 1, 0) // 2)[..., None], axis=-1)[..., 0]
    return np.where(number > 0, middle, middle.dtype.type(0))


def column_quantiles(values: NDArray[Any], share: float) -> NDArray[Any]:
    """``np.nanquantile(values, share, axis=0)`` of (n, m) values, NaN where a column has none; 30 times as fast."""
    ordered = np.sort(values, axis=0)  # what is not known comes last
    last = np.maximum(np.count_nonzero(~np.isnan(values), axis=0) - 1, 0)
    place = share * last
    below = place.astype(int)
    low = np.take_along_axis(ordered, below[None], axis=0)[0]
    high = np.take_along_axis(ordered, np.minimum(below + 1, last)[None], axis=0)[0]
    return np.asarray(low + (high - low) * (place - below))
