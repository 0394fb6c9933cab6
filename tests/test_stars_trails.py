"""What motion does to shapes, against a numerical fit and the check values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.special import ndtr

from pipeline.stars.shapes import fit_shapes
from pipeline.stars.trails import drawn_out, trail_gain, trail_length
from tests.starfields import Field, render


@pytest.mark.parametrize("length", [0.5, 2.0, 5.0, 12.0, 40.0])
def test_variance_is_that_of_the_best_gaussian(length):
    """The closed form equals a least-squares fit of a Gaussian to a drawn-out one on a fine grid."""
    x = np.linspace(-60, 60, 24001)
    profile = (ndtr(x + length / 2) - ndtr(x - length / 2)) / length
    fit = least_squares(lambda p: p[0] * np.exp(-(x**2) / (2 * p[1])) - profile, [profile.max(), 1 + length**2 / 12])
    assert float(1 + trail_gain(length) * length**2) == pytest.approx(fit.x[1], rel=2e-3)


# check-values.md section 3: at FWHM 2.5 a length of 3, 5, 8 px reads back as 3.23, 5.70, 9.52 by L^2 / 12
@pytest.mark.parametrize(("length", "read"), [(3.0, 3.23), (5.0, 5.70), (8.0, 9.52)])
def test_plain_reading_is_wrong_as_published(length, read):
    """Read by L^2 / 12 the fit gives the check values; by its inverse the length itself."""
    sigma = 2.5 / 2.3548
    variance = float(1 + trail_gain(length / sigma) * (length / sigma) ** 2)
    assert sigma * np.sqrt(12 * (variance - 1)) == pytest.approx(read, abs=0.012)
    assert sigma * float(trail_length(variance)) == pytest.approx(length, rel=1e-3)


def test_short_motions_add_their_variance():
    """For short motions the gain is 1/12, without a step where the table begins."""
    lengths = np.linspace(0, 3, 400)
    gain = trail_gain(lengths)
    assert gain[0] == pytest.approx(1 / 12)
    assert np.abs(np.diff(gain)).max() < 2e-3
    assert float(trail_length(0.9)) == 0.0


def test_elliptical_stars_follow_by_affine_maps():
    """A drawn-out elliptical star, rendered and fitted, has the moments that the model gives."""
    star = np.array([2.2, 0.5, 1.4])
    motion = np.array([3.0, -2.0])
    steps = 200
    rng = np.random.default_rng(1)
    # an elliptical star as a sum of many small round ones
    root = np.linalg.cholesky(np.array([[star[0] - 0.7, star[1]], [star[1], star[2] - 0.7]]))
    offsets = rng.normal(size=(4000, 2))
    offsets = (offsets - offsets.mean(axis=0)) / offsets.std(axis=0)
    places = offsets @ root.T + motion * ((np.arange(4000) % steps + 0.5) / steps - 0.5)[:, None]
    field = Field(30 + places[:, 0], 30 + places[:, 1], np.full(4000, 100.0))
    light = render((61, 61), field, 2.3548 * np.sqrt(0.7 - 1 / 12))
    start = np.array([[light.max(), 30.0, 30.0, 3.0, 0.0, 2.0]])
    fit = fit_shapes(light.astype(np.float32), np.ones((2, 2), bool), np.zeros(4), np.inf, start, np.zeros(1))[0]
    expected = drawn_out(star, motion)
    np.testing.assert_allclose([fit["mxx"], fit["mxy"], fit["myy"]], expected, atol=0.06)
