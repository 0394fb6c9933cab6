"""Passes taken out of their frames: nothing of a faint one stays, and the cost is told."""

import numpy as np
import pytest

from pipeline.pixels.reject import GROWN
from pipeline.stack.bands import Band
from pipeline.stack.passes import passes_of, take_out
from tests.planted_scenes import Camera, drifting, random_stars, write_scene
from tests.test_combine import Made, inputs_of, sky_truth
from tests.test_meteors import streak

SHAPE = (256, 384)
ENDS = (20.0, 40.0, 350.0, 210.0)
WIDTH = 3.0


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    """Four frames, a satellite of one and a half standard deviations of a pixel through one of them."""
    folder = tmp_path_factory.mktemp("pass")
    camera, geometry = Camera(slope=0.2), drifting(4, SHAPE, (2.3, -1.1), 0.002)
    rng = np.random.default_rng(11)
    frame = list(geometry.frames)[1]
    height = 1.5 * np.sqrt(camera.sky[1] + camera.read_noise**2)
    light, _, _ = streak(SHAPE, ENDS, height * WIDTH / 2.3548 * np.sqrt(2 * np.pi), WIDTH)
    write_scene(folder, rng, camera, geometry, random_stars(rng, 10, SHAPE), {frame: light})
    # told a pixel off on either side, as a line on the half-size picture may be
    ends = dict(zip(("x1", "y1", "x2", "y2"), (20.0, 41.0, 350.0, 209.0), strict=True))
    passes = passes_of(
        inputs_of(folder, geometry, camera, None).frames,
        {frame: [{"kind": "satellite", "width_px": WIDTH, **ends}]},
        (),
    )
    made = [Made(folder, geometry, camera, threads=1, passes=found) for found in ((), passes)]
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    xs, ys = geometry.from_reference(frame, x, y)
    length = np.hypot(ENDS[2] - ENDS[0], ENDS[3] - ENDS[1])
    across = ((ys - ENDS[1]) * (ENDS[2] - ENDS[0]) - (xs - ENDS[0]) * (ENDS[3] - ENDS[1])) / length
    along = ((xs - ENDS[0]) * (ENDS[2] - ENDS[0]) + (ys - ENDS[1]) * (ENDS[3] - ENDS[1])) / length
    inside = (along > 10) & (along < length - 10) & (made[0].coverage == 4)
    return made, across, inside, height / camera.gain, sky_truth(geometry, camera)[1]


def _left(made, across, inside, truth):
    """Green light left on the line over that beside it, ADU, by medians against stars."""
    error = made.picture[1] - truth
    on, off = inside & (np.abs(across) < 1), inside & (np.abs(across) > 9) & (np.abs(across) < 20)
    return np.median(error[on]) - np.median(error[off])


def test_nothing_of_a_faint_pass_is_left_among_four_frames(scene):
    """Of its height in its frame a quarter is the mean of four's; a twentieth may be left (planted; chance: 0.035)."""
    (without, made), across, inside, height, truth = scene
    assert _left(without, across, inside, truth) > 0.12 * height
    assert abs(_left(made, across, inside, truth)) < 0.05 * height


def test_its_cost_is_told_and_nothing_else_changes(scene):
    """Three values of four along the band, NOISE sqrt(4/3) times as large (statistics of means); off it the same."""
    (without, made), across, inside, _, _ = scene
    band, off = inside & (np.abs(across) < 3), np.abs(across) > 9
    assert np.median(made.rejected[band]) == 1
    ratio = np.median(made.noise[1][band] / without.noise[1][inside & off & (without.rejected == 0)].mean())
    assert ratio == pytest.approx(np.sqrt(4 / 3), rel=0.03)
    np.testing.assert_array_equal(made.picture[:, off], without.picture[:, off])


def test_what_is_not_taken_out():
    """Never the last two values of a pixel; no meteor that stays; nothing where a list fills a frame."""
    x, y = np.meshgrid(np.arange(40.0), np.arange(30.0))
    band = Band(0, (5.0, 15.0, 35.0, 15.0), 2.0)
    codes, mask = np.zeros((3, 30, 40), np.uint8), np.zeros((3, 30, 40), np.uint8)
    mask[1, :, 20:] = 1
    take_out(band, 0, (x, y), codes, mask, np.zeros((30, 40), bool))
    assert (mask[0, 15, :20] == GROWN).all()
    assert not mask[0, :, 20:].any()
    assert not mask[0, :10].any()

    class Named:
        id, shape = "a", (1000, 1500)

    listed = [{"kind": "unknown", "x1": 0, "y1": 40 * n, "x2": 1400, "y2": 40 * n, "width_px": 3.0} for n in range(12)]
    assert len(passes_of([Named()], {"a": listed[:3]}, ())) == 3
    assert len(passes_of([Named()], {"a": listed[:3]}, [Band(0, (0, 40, 1400, 40), 9.0)])) == 2
    assert not passes_of([Named()], {"a": listed}, ())
