"""The lens's fall-off on planted stars: told where they cross the field, refused where they do not."""

import numpy as np
import pytest

from pipeline.sky.camera import Camera
from pipeline.sky.table import FrameStars
from pipeline.sky.vignetting import measure_vignetting, response

TERMS = -0.3, -0.23  # 59 % in the corners
CAMERA = Camera.simple(3400.0, 1440, 960)


def measured(drift_px, middle=(0.0, 0.0), frames=10, stars=400, sinking=0.0, tracked=False, land=0):
    """What stars tell of the planted lens that drift across a narrow field, no zenith known; the air dims one side by
    `sinking` in the last frame; the lowest `land` rows show no stars."""
    rng = np.random.default_rng(0)
    places = rng.uniform([-300, -300], [1740, 1260], (stars, 2))
    levels = np.exp(rng.uniform(8, 11, stars))
    lists, rows = [], []
    for n in range(frames):
        along = rng.permutation(frames)[0] if tracked else n
        xy = places + np.array([0.8, 0.6]) * drift_px * along / (frames - 1)
        seen = np.flatnonzero(((xy > 0) & (xy < [1440, 960 - land])).all(axis=1))
        flux = levels[seen] * response(TERMS, middle, CAMERA, *xy[seen].T) * (1 - 0.02 * n)
        flux *= rng.normal(1, 0.015, len(seen)) * (1 - sinking * n / (frames - 1) * xy[seen, 1] / 960)
        none = np.zeros(len(seen), bool)
        lists.append(FrameStars(str(n), xy[seen], flux, flux / 300, np.full(len(seen), 0.1), none))
        rows.append(seen)
    return measure_vignetting(lists, rows, CAMERA, None, tracked)


def worst(got, middle=(0.0, 0.0)):
    """Largest error over the frame, one level apart."""
    x, y = np.meshgrid(np.arange(0, 1440, 40), np.arange(0, 960, 40))
    ratio = response(got.terms, got.middle, CAMERA, x, y) / response(TERMS, middle, CAMERA, x, y)
    return np.abs(ratio / ratio.mean() - 1).max()


@pytest.mark.parametrize(("drift_px", "told"), [(0.0, False), (2.0, False), (60.0, True), (600.0, True)])
def test_stars_that_hardly_cross_the_field_do_not_tell_the_lens(drift_px, told):
    """What is said holds within its error; a field that stands still is not taken for an even one."""
    got = measured(drift_px)
    assert (got.refused is None) == told
    assert told or "the sky moved too little" in got.refused
    assert "not at all" not in str(got.refused)
    assert worst(got) < 3 * got.error


@pytest.mark.parametrize("middle", [(0.0, 0.0), (0.06, -0.05), (-0.08, 0.0)])
def test_the_fall_offs_middle_is_found_beside_the_axis(middle):
    """A hood or filter off centre: its middle comes back within its error, the response to 2 % in every corner."""
    got = measured(600.0, middle, stars=1500)
    assert np.hypot(*np.subtract(got.middle, middle)) < 3 * got.middle_error < 0.05
    assert worst(got, middle) < 0.02
    assert any(got.middle) == any(middle)


def test_beside_land_the_middle_stays_on_the_axis():
    """Over half a frame of land a shifted middle would be told by the other half alone, and light the land by what is
    wrong there: it is left on the axis, with the difference for its error, and not corrected where that is large; a
    middle on the axis is corrected as ever."""
    assert any(measured(600.0, (0.06, -0.05), stars=1500).middle)
    got = measured(600.0, (0.06, -0.05), stars=1500, land=400)
    assert got.middle == (0, 0)
    assert worst(got, (0.06, -0.05)) < 3 * got.error
    assert got.refused is not None
    assert "beside land" in got.refused
    assert measured(600.0, stars=1500, land=400).refused is None


def test_air_that_changes_over_a_tracked_field_is_not_the_lens():
    """A field that sinks by some degrees: one side dims with the hours, by what the lens would not."""
    got = measured(80.0, sinking=0.08, tracked=True, stars=1500)
    assert worst(got) < 3 * got.error
    assert worst(measured(80.0, sinking=0.08, stars=1500)) > 2 * worst(got)


def test_two_frames_are_too_few_whatever_they_show():
    """That is said, and not how many stars there are."""
    assert measured(600.0, frames=2).refused == "it takes 3 frames"
    assert measured(600.0, stars=9).refused.startswith("only ")
