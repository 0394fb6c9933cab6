"""Regression against least squares, and under outliers."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.regression import column_quantiles, robust_fit, robust_mean, row_medians


def test_median_absolute_deviation_of_a_normal_distribution():
    """The constant is one over the third quartile of the unit normal distribution, 0.67449 (handbook value)."""
    assert abs(MAD_TO_SIGMA * 0.6744897501960817 - 1) < 1e-5


def test_robust_fit_agrees_with_least_squares_and_resists():
    """On clean data the fit equals least squares; one tenth of wild values moves it by less than two errors."""
    rng = np.random.default_rng(5)
    design = np.column_stack([np.ones(500), rng.normal(size=500)])
    values = design @ [2.0, -1.0] + rng.normal(0, 0.1, 500)
    solution, error = robust_fit(design, values, np.ones(500))
    plain = np.linalg.lstsq(design, values, rcond=None)[0]
    np.testing.assert_allclose(solution, plain, atol=0.4 * 0.1 / math.sqrt(500))
    np.testing.assert_allclose(error, 0.1 / math.sqrt(500), rtol=0.15)
    values[:50] += 30
    np.testing.assert_allclose(robust_fit(design, values, np.ones(500))[0], [2, -1], atol=0.025)


def test_robust_mean_is_the_robust_fit_of_a_constant():
    """Value and error equal those of the regression on a column of ones, with wild values among them and without."""
    rng = np.random.default_rng(6)
    for number in (3, 40, 1501):
        values, weight = rng.normal(3, 0.2, number), rng.uniform(0.2, 4, number)
        values[: number // 5] += 40
        (mean,), (error,) = robust_fit(np.ones((number, 1)), values, weight)
        np.testing.assert_allclose(robust_mean(values, weight), (mean, error), rtol=1e-9)


def test_row_medians_equal_numpy():
    """The medians of rows equal numpy's lower median of the finite values; a row without any is 0."""
    rng = np.random.default_rng(5)
    values = rng.normal(size=(9, 41))
    values[rng.random(values.shape) < 0.3] = np.nan
    values[3] = np.nan
    slow = [np.percentile(v[np.isfinite(v)], 50, method="lower") if np.isfinite(v).any() else 0.0 for v in values]
    np.testing.assert_array_equal(row_medians(values), slow)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.9, 1.0])
def test_column_quantiles_equal_numpy(share):
    """Some, one and none of a column's values known; NumPy's `nanquantile`, by its default (linear) rule."""
    rng = np.random.default_rng(3)
    values = rng.normal(size=(9, 40))
    values[rng.random(values.shape) < 0.4] = np.nan
    values[1:, 0], values[:, 1] = np.nan, np.nan
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        expected = np.nanquantile(values, share, axis=0)
    np.testing.assert_allclose(column_quantiles(values, share), expected, rtol=1e-12, atol=1e-15)
