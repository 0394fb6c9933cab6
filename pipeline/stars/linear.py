"""Small systems of equations, solved inside compiled loops."""

from __future__ import annotations

from typing import Any

import numpy as np

from pipeline.pixels.leaf import leaf

# Share of a diagonal element that must be left of it: what is smaller is rounding.
LEAST_LEFT = 1e-14


@leaf
def solve_positive(matrix: Any, vector: Any, out: Any, low: Any) -> bool:
    """Solve a symmetric positive definite system by Cholesky, as ``np.linalg.solve`` does.

    Parameters
    ----------
    matrix : (n, n) float64 array; its lower half is read
    vector : (n,) float64 array
    out : (n,) float64 array, filled
    low : (n, n) float64 array, room for the triangular factor; what it holds before does not matter

    Returns
    -------
    bool
        False where the matrix is not positive; `out` holds nothing of use then.
    """
    n = vector.shape[0]
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j]
            for k in range(j):
                total -= low[i, k] * low[j, k]
            if i == j:
                if total <= LEAST_LEFT * abs(matrix[i, i]) or total <= 0.0:
                    return False
                low[i, i] = np.sqrt(total)
            else:
                low[i, j] = total / low[j, j]
    for i in range(n):
        total = vector[i]
        for k in range(i):
            total -= low[i, k] * out[k]
        out[i] = total / low[i, i]
    for i in range(n - 1, -1, -1):
        total = out[i]
        for k in range(i + 1, n):
            total -= low[k, i] * out[k]
        out[i] = total / low[i, i]
    return True
