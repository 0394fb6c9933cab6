"""Cells: sums against plain loops, values between their middles against NumPy's, planes against least squares."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.pixels.cells import SPREAD_LEAST, any_in_cells, between, cell_sums, local_plane, nearest_known


def test_sums_are_those_of_plain_loops():
    """Cells at the far ends count the pixels that there are."""
    plane = np.random.default_rng(1).normal(size=(13, 22)).astype(np.float32)
    slow = np.array([[plane[i : i + 5, j : j + 5].sum() for j in range(0, 22, 5)] for i in range(0, 13, 5)])
    np.testing.assert_allclose(cell_sums(plane, 5), slow, rtol=1e-5)
    spots = plane > 1.5
    slow_any = np.array([[spots[i : i + 5, j : j + 5].any() for j in range(0, 22, 5)] for i in range(0, 13, 5)])
    np.testing.assert_array_equal(any_in_cells(spots, 5), slow_any)
    assert 0 < slow_any.sum() < slow_any.size


@pytest.mark.parametrize("side", [2, 8, 24])
@pytest.mark.parametrize("top", [0, 7])
def test_values_between_the_middles_are_straight_lines(side, top):
    """Along rows and along columns as NumPy's linear interpolation (numpy.interp), ends held."""
    cells = np.random.default_rng(2).normal(size=(2, 4, 6)).astype(np.float32)
    height, width = 3 * side + 1, 5 * side + 3
    found = between(cells, side, (height, width), top)
    y = [side * i + (side - 1) / 2 for i in range(4)]
    x = [side * j + (side - 1) / 2 for j in range(6)]
    rows = np.stack([[np.interp(np.arange(width), x, row) for row in plane] for plane in cells])
    slow = np.empty((2, height, width))
    for c in range(2):
        for j in range(width):
            slow[c, :, j] = np.interp(np.arange(top, top + height), y, rows[c, :, j])
    np.testing.assert_allclose(found, slow, atol=1e-5)
    assert found.dtype == np.float32


def test_one_row_of_cells_is_spread_over_all_rows():
    """A single cell has no neighbour to go to."""
    np.testing.assert_array_equal(between(np.array([[3.0]]), 8, (5, 4)), np.full((5, 4), 3, np.float32))


def test_the_local_plane_is_the_weighted_least_squares_one():
    """At a cell within reach it equals numpy.linalg.lstsq with the Gaussian's weights, but for the spread added."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:30, 0:40].astype(float)
    values = 100 + 2 * x - 3 * y + rng.normal(0, 1, x.shape)
    weight = rng.uniform(0.2, 1, x.shape) * (y < 18)
    reach, at = 2.5, (19, 17)
    plane, mean, total = local_plane(values, weight, reach)
    spot = np.zeros(x.shape)
    spot[at] = 1
    w = weight * ndimage.gaussian_filter(spot, reach, mode="constant", truncate=4)
    assert total[at] == pytest.approx(w.sum())
    assert mean[at] == pytest.approx((w * values).sum() / w.sum())
    middle_x, middle_y = (w * x).sum() / w.sum(), (w * y).sum() / w.sum()
    # the spread added is that of a ridge: as many further sights of no slope
    ridge = np.sqrt(SPREAD_LEAST * w.sum())
    terms = np.column_stack([np.ones(x.size), (x - middle_x).ravel(), (y - middle_y).ravel()])
    root = np.sqrt(w).ravel()
    left = np.vstack([terms * root[:, None], [[0, ridge, 0], [0, 0, ridge]]])
    fit = np.linalg.lstsq(left, np.concatenate([values.ravel() * root, [0, 0]]), rcond=None)[0]
    assert plane[at] == pytest.approx(fit @ [1, at[1] - middle_x, at[0] - middle_y], rel=1e-9)


def test_a_slope_goes_on_beyond_its_edge():
    """Two cells beyond the last known one a slope of 5 a cell is followed to 3; the mean is off by more than 10."""
    y = np.mgrid[0:30, 0:40][0].astype(float)
    plane, mean, _ = local_plane(5 * y, (y < 18).astype(float), 2.5)
    assert np.abs(plane[19, 10:30] - 95).max() < 3
    assert mean[19, 20] < 85


def test_what_is_not_known_is_the_nearest_that_is():
    """Against a search tree of SciPy's over the known places; where nothing is known nothing changes."""
    rng = np.random.default_rng(2)
    values = rng.normal(size=(3, 20, 30))
    known = rng.random((20, 30)) < 0.1
    places, every = np.argwhere(known), np.argwhere(np.ones_like(known))
    filled = nearest_known(values, known)
    distance, _ = cKDTree(places).query(every)
    for place, least in zip(every, distance, strict=True):
        nearest = places[np.hypot(*(places - place).T) <= least + 1e-9]
        assert any((values[:, i, j] == filled[:, *place]).all() for i, j in nearest)
    np.testing.assert_array_equal(nearest_known(values, np.zeros_like(known)), values)
