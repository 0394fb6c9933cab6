"""The lens's fall-off on planted stars: told where they cross the field, refused where they do not."""

import numpy as np
import pytest

from pipeline.sky.camera import Camera
from pipeline.sky.table import FrameStars
from pipeline.sky.vignetting import measure_vignetting

TERMS = -0.3, -0.23  # 59 % in the corners


def measured(drift_px, seed=0, frames=10, stars=400):
    """What stars tell of the planted lens that drift across a narrow field, no zenith known."""
    rng = np.random.default_rng(seed)
    camera = Camera.simple(3400.0, 1440, 960)
    half2 = (1440**2 + 960**2) / 4
    places = rng.uniform([-300, -300], [1740, 1260], (stars, 2))
    levels = np.exp(rng.uniform(8, 11, stars))
    lists, rows = [], []
    for n in range(frames):
        xy = places + np.array([0.8, 0.6]) * drift_px * n / (frames - 1)
        seen = np.flatnonzero(((xy > 0) & (xy < [1440, 960])).all(axis=1))
        q2 = ((xy[seen] - [camera.centre_x, camera.centre_y]) ** 2).sum(axis=1) / half2
        flux = levels[seen] * np.exp(TERMS[0] * q2 + TERMS[1] * q2**2) * (1 - 0.02 * n)
        flux *= rng.normal(1, 0.015, len(seen))
        none = np.zeros(len(seen), bool)
        lists.append(FrameStars(str(n), xy[seen], flux, flux / 300, np.full(len(seen), 0.1), none))
        rows.append(seen)
    return measure_vignetting(lists, rows, camera, None)


@pytest.mark.parametrize(("drift_px", "told"), [(0.0, False), (2.0, False), (60.0, True), (600.0, True)])
def test_stars_that_hardly_cross_the_field_do_not_tell_the_lens(drift_px, told):
    """What is said holds within its error; a field that stands still is not taken for an even one."""
    got = measured(drift_px)
    assert (got.refused is None) == told
    assert abs(np.exp(sum(got.terms)) - np.exp(sum(TERMS))) < 3 * got.error
