"""Shape fields taken apart: planted motion, lens pattern and size come back."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.stars.measure import STAR_DTYPE, measure_mosaic
from pipeline.stars.motion import (
    LensPattern,
    Shapes,
    frame_shape,
    learn_pattern,
    star_sized,
    usable,
    visible_excess,
)
from pipeline.stars.trails import drawn_out
from tests.starfields import mosaic, random_field, render, star_flux

WIDTH, HEIGHT = 1400, 900
BLACK = (512.0,) * 4


def planted_frame(rng, length, angle, fwhm=2.5, snr=30):
    """A rendered frame of 300 stars of this signal-to-noise, all moved alike."""
    flux = star_flux(snr, fwhm, 10.0) * math.sqrt(2 * (1 + length / fwhm))
    field = random_field(rng, (HEIGHT, WIDTH), 300, (flux, 1.2 * flux), apart=22)
    light = render((HEIGHT, WIDTH), field, fwhm, motion=(length * math.cos(angle), length * math.sin(angle)))
    return usable(measure_mosaic(mosaic(rng, light, saturation=65535), "RGGB", BLACK, 65535))


@pytest.mark.parametrize("length", [1.0, 2.0, 5.0, 10.0])
def test_motion_comes_back_from_pixels(length):
    """Motion of 1 to 10 px of 300 stars at SNR 30 comes back to 0.1 px or 5 %, its angle to 3 (at 1 px 8) deg."""
    rng = np.random.default_rng(int(length))
    angle = rng.uniform(0, math.pi)
    part = frame_shape(planted_frame(rng, length, angle), LensPattern(WIDTH, HEIGHT))
    assert part.length == pytest.approx(length, abs=max(0.1, 0.05 * length))
    off = (part.angle_deg - math.degrees(angle) + 90) % 180 - 90
    assert abs(off) < (8 if length < 2 else 3)
    assert part.fwhm_px == pytest.approx(2.3548 * math.sqrt((2.5 / 2.3548) ** 2 + 1 / 12), rel=0.02)


def field_of_shapes(rng, motion=(0.0, 0.0), aberration=1.5, tilt=0.4, swelling=1.0, number=900, size=1.2, snr=60.0):
    """Shapes under a lens whose pattern grows outwards, with a part that is no radial law."""
    x, y = rng.uniform(0, WIDTH, number), rng.uniform(0, HEIGHT, number)
    dx, dy = x - (WIDTH - 1) / 2, y - (HEIGHT - 1) / 2
    rho2 = (dx**2 + dy**2) * 4 / (WIDTH**2 + HEIGHT**2)
    turn = 2 * np.arctan2(dy, dx)
    q1 = aberration * rho2 * np.cos(turn) + tilt * (x / WIDTH - 0.5)
    q2 = aberration * rho2 * np.sin(turn)
    t = size + swelling * rho2
    moments = drawn_out(np.stack([t + q1 / 2, q2 / 2, t - q1 / 2], axis=1), np.broadcast_to(motion, (number, 2)))
    noise = moments[:, :1] * rng.normal(0, 1.4 / snr + 0.02, (number, 3))
    return Shapes(x, y, moments + noise, np.full(number, 1.0))


def test_lens_pattern_is_not_motion_and_motion_not_the_lens():
    """Corner aberration as large as the star leaves motion right, and motion in all frames leaves the lens right."""
    rng = np.random.default_rng(1)
    motion = (1.2, 0.9)
    frames = [field_of_shapes(rng, motion) for _ in range(8)]
    pattern = learn_pattern(frames, [None] * 8, WIDTH, HEIGHT)
    assert pattern.radial[0] + pattern.radial[1] == pytest.approx(1.5, abs=0.15)
    assert pattern.size[0] + pattern.size[1] == pytest.approx(1.0, abs=0.15)
    corner = pattern.at(np.array([WIDTH - 60.0]), np.array([HEIGHT / 2]))[0]
    assert corner[1] == pytest.approx(1.5 * 0.69 * 0.84 + 0.4 * 0.457, abs=0.15)
    for frame in frames:
        part = frame_shape(frame, pattern)
        assert part.length == pytest.approx(1.5, abs=0.1)
        assert part.angle_deg == pytest.approx(math.degrees(math.atan2(0.9, 1.2)), abs=3)


def test_land_teaches_nothing_of_the_lens():
    """Blobs of land at the lower edge, in each frame the same, leave the lens and the motion of stars as they are."""
    rng = np.random.default_rng(4)
    frames = []
    for _ in range(8):
        sky = field_of_shapes(rng, (1.2, 0.9), aberration=0.2, tilt=0.0, swelling=0.3)
        land = (sky.y > 0.84 * HEIGHT) & (sky.x < 0.5 * WIDTH)
        moments = sky.moments.copy()
        moments[land] = rng.uniform(20, 300, (land.sum(), 1)) * [1.0, 0.2, 0.8]
        frames.append(Shapes(sky.x, sky.y, moments, sky.weight))
    pattern = learn_pattern(frames, [None] * 8, WIDTH, HEIGHT)
    assert pattern.maps is not None
    assert np.abs(pattern.maps).max() < 1
    assert frame_shape(frames[0], pattern).length == pytest.approx(1.5, abs=0.25)


def test_blobs_are_not_star_sized():
    """Detections many times the stars' moments are told from stars; saturated and unmeasured ones pass."""
    stars = np.zeros(12, STAR_DTYPE)
    stars["mxx"] = stars["myy"] = [1.1, 1.2, 1.0, 1.1, 4.0, 1.2, 1.1, 1.0, 20.0, 250.0, 250.0, np.nan]
    stars["saturated"][10] = True
    assert star_sized(stars).tolist() == [True] * 8 + [False, False, True, True]
    assert star_sized(stars[:0]).tolist() == []


def test_the_plain_median_would_be_wrong():
    """Without the lens's pattern the stars of one corner read 0.1 px and more too long or too short."""
    rng = np.random.default_rng(2)
    frames = [field_of_shapes(rng, (1.5, 0.0)) for _ in range(6)]
    corner = [Shapes(f.x[c], f.y[c], f.moments[c], f.weight[c]) for f in frames for c in [(f.x > 900) & (f.y < 350)]]
    pattern = learn_pattern(frames, [None] * 6, WIDTH, HEIGHT)
    bare = np.median([frame_shape(c, LensPattern(WIDTH, HEIGHT)).length for c in corner])
    learned = np.median([frame_shape(c, pattern).length for c in corner])
    assert abs(bare - 1.5) > 0.1
    assert learned == pytest.approx(1.5, abs=0.12)


def test_expected_motion_leaves_no_extra():
    """A motion that is expected leaves nothing; a kick across it comes back by itself."""
    rng = np.random.default_rng(3)
    pattern = LensPattern(WIDTH, HEIGHT)
    expected = np.broadcast_to((4.0, 0.0), (900, 2))
    plain = field_of_shapes(rng, (4.0, 0.0), 0, 0, 0)
    part = frame_shape(plain, pattern, [expected])
    assert part.length == pytest.approx(4.0, abs=0.15)
    assert part.extra < 0.5
    kicked = Shapes(plain.x, plain.y, drawn_out(plain.moments, np.broadcast_to((0.0, 2.5), (900, 2))), plain.weight)
    part = frame_shape(kicked, pattern, [expected])
    assert part.extra == pytest.approx(2.5, abs=0.4)
    assert part.extra_angle_deg == pytest.approx(90, abs=5)
    assert visible_excess(part, 1.2) > 2.0


def test_less_motion_than_expected_is_no_extra():
    """Where the sky should have moved the stars further than it did, no motion across is made up."""
    rng = np.random.default_rng(4)
    shapes = field_of_shapes(rng, (3.0, 0.0), 0, 0, 0)
    part = frame_shape(shapes, LensPattern(WIDTH, HEIGHT), [np.broadcast_to((4.0, 0.0), (900, 2))])
    assert min(part.extra, visible_excess(part, 1.2)) < 1.3
    assert part.extra > 2  # which is why the visible excess is asked


def test_few_stars_say_nothing():
    """With two stars there is no shape of a frame; with none there is nothing at all."""
    none = usable(np.zeros(0, STAR_DTYPE))
    assert len(none.x) == 0
    assert frame_shape(none, LensPattern(10, 10)) is None
    assert learn_pattern([none], [None], 10, 10).frames == 0
