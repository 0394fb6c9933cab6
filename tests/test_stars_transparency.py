"""Transparency by parts of the field, planted and recovered."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stars.transparency import Sightings, clearness, rank_transparency

WIDTH, HEIGHT = 6000, 4000


def sightings(rng, clear, number=700, drift=0.0, falloff=0.5, error=0.03, limit=125.0):
    """Stars of a drifting field behind a cover: `clear(frame, x, y)` is what is let through."""
    x0, y0 = rng.uniform(-drift * 12, WIDTH, number), rng.uniform(0, HEIGHT, number)
    true = 400 * (rng.pareto(1.0, number) + 1)
    columns = [[] for _ in range(6)]
    for frame in range(12):
        x, y = x0 + drift * frame, y0 + 0.2 * drift * frame
        inside = (x > 0) & (x < WIDTH) & (y < HEIGHT)
        rho2 = ((x - WIDTH / 2) ** 2 + (y - HEIGHT / 2) ** 2) * 4 / (WIDTH**2 + HEIGHT**2)
        flux = true * (1 - falloff * rho2) * clear(frame, x, y) * (1 + rng.normal(0, error, number))
        seen = np.where(flux > limit, flux, np.nan)
        for column, values in zip(
            columns, (np.arange(number), np.full(number, frame), seen, np.full(number, 25.0), x, y), strict=True
        ):
            column.append(values[inside])
    return Sightings(*(np.concatenate(c) for c in columns))


def test_clear_scene_is_clear():
    """Clear frames read 1 within 0.02 overall and 0.05 in every part, tracked and drifting under vignetting."""
    for drift in (0.0, 60.0):
        got = clearness(
            sightings(np.random.default_rng(1), lambda n, x, y: np.ones_like(x), drift=drift), 12, WIDTH, HEIGHT
        )
        np.testing.assert_allclose(got.overall, 1, atol=0.02)
        assert got.parts.shape == (12, 6, 8)
        assert np.nanmedian(np.abs(got.parts - 1)) < 0.02
        assert np.nanpercentile(np.abs(got.parts - 1), 99) < 0.05


# check-values.md section 4: 0.1, 0.3 and 1 mag of cloud let through .912, .759, .398
@pytest.mark.parametrize("share", [0.912, 0.759, 0.398])
def test_planted_cloud_comes_back_by_parts(share):
    """A bank over the left third in frame 5 comes back within 0.05 there and 0.02 on the clear parts."""

    def clear(frame, x, y):
        return np.where((frame == 5) & (x < WIDTH / 4), share, 1.0)

    got = clearness(sightings(np.random.default_rng(2), clear, number=1500), 12, WIDTH, HEIGHT)
    assert np.median(got.parts[5, :, :2]) == pytest.approx(share, abs=0.02)
    assert np.abs(got.parts[5, :, :2] - share).max() < 0.08
    assert np.median(got.parts[5, :, 2:]) == pytest.approx(1, abs=0.02)
    assert got.sky.all()


def test_a_sky_that_grows_dark_shows_no_cloud():
    """Under a bright sky faint stars are found where noise lifts them: 12 frames, each a little darker than the one
    before, four times from first to last as at dusk, read alike."""
    rng = np.random.default_rng(15)
    number = 700
    x, y = rng.uniform(0, WIDTH, number), rng.uniform(0, HEIGHT, number)
    true = 90 * (rng.pareto(2.5, number) + 1)
    columns = [[] for _ in range(6)]
    for frame in range(12):
        noise = 40 * 0.25 ** (frame / 11)
        flux = true + rng.normal(0, noise, number)
        seen = np.where(flux > 5 * noise, flux, np.nan)
        values = (np.arange(number), np.full(number, frame), seen, np.full(number, noise), x, y)
        for column, each in zip(columns, values, strict=True):
            column.append(each)
    got = clearness(Sightings(*(np.concatenate(c) for c in columns)), 12, WIDTH, HEIGHT)
    # 0.06 where what noise lifted counts
    assert np.polyfit(np.arange(12), got.overall, 1)[0] * 11 == pytest.approx(0, abs=0.02)


def test_stated_parts_are_right_within_their_errors():
    """Of the parts told to be known, 99 in 100 lie within 0.02 of 1, and their scatter is what their errors say."""
    off, error, stated = [], [], []
    for seed, drift in ((11, 0.0), (12, 40.0)):
        seen = sightings(np.random.default_rng(seed), lambda n, x, y: np.ones_like(x), 1500, drift, error=0.025)
        got = clearness(seen, 12, WIDTH, HEIGHT)
        off.append((got.parts - 1)[got.stated])
        error.append(got.error[got.stated])
        stated.append(got.stated.mean())
    off, error = np.concatenate(off), np.concatenate(error)
    assert np.mean(stated) > 0.7
    assert np.mean(np.abs(off) > 0.02) < 0.01
    # stars' own scatter of 0.025 beside noise: each error by photons and counts alone
    assert 0.8 < np.std(off / error) < 1.25


def test_a_bank_that_stands_for_most_of_a_scene_is_cloud():
    """Stars that hardly move are behind cloud in nine of twelve frames: their own light is that of the other three."""

    def clear(frame, x, y):
        return np.where((frame > 2) & (y > HEIGHT / 2), 0.5, 1.0)

    seen = sightings(np.random.default_rng(13), clear, number=1000, drift=2.0)
    got = clearness(seen, 12, WIDTH, HEIGHT)
    assert np.median(got.parts[3:, 3:]) == pytest.approx(0.5, abs=0.02)
    assert np.median(got.parts[:3, 3:]) == pytest.approx(1, abs=0.02)
    assert np.median(got.parts[:, :3]) == pytest.approx(1, abs=0.02)


def test_a_part_crossed_by_an_edge_is_not_stated():
    """Half of the stars of a column of parts behind a cloud: no one transparency is told of them."""
    seen = sightings(
        np.random.default_rng(14), lambda n, x, y: np.where((n == 5) & (x < WIDTH * 3 / 16), 0.6, 1.0), number=1500
    )
    got = clearness(seen, 12, WIDTH, HEIGHT)
    assert not got.stated[5, :, 1].any()
    assert got.stated[5, :, 4:].mean() > 0.7


def test_a_part_of_which_half_has_set_is_not_opaque():
    """Three in five stars of a column of parts are gone and the others shine, as behind the edge of land: no one
    transparency is told of them; where nearly all are gone the part is opaque for certain."""
    for beyond, known in ((WIDTH * 3.2 / 16, False), (WIDTH * 3.95 / 16, True)):
        seen = sightings(
            np.random.default_rng(14),
            lambda n, x, y, b=beyond: np.where((n == 5) & (x < b), 0.0, 1.0),
            number=1500,
        )
        got = clearness(seen, 12, WIDTH, HEIGHT)
        gone = got.parts[5, :, 1] == 0
        assert gone.mean() > 0.6
        assert np.isfinite(got.error[5, gone, 1]).all() == known


def test_what_soft_frames_show_beside_stars_is_not_the_stars_light():
    """Three sharp frames of twelve; the others, out of focus, find 10 % more light of every other star, as of one that
    has a neighbour: in the sharp ones all of them have their own."""
    sharp = np.arange(12) < 3
    seen = sightings(np.random.default_rng(15), lambda n, x, y: np.ones(len(x)), number=1500)
    close = (seen.star % 2 == 1) & (seen.x > 0)
    seen.flux[close & (seen.frame >= 3)] *= 1.1
    got = clearness(seen, 12, WIDTH, HEIGHT, sharp=sharp)
    assert got.overall[sharp] == pytest.approx(1, abs=0.01)
    first = {(x, y): d for x, y, d in zip(got.x[0], got.y[0], got.deficit[0], strict=True)}
    mine = np.flatnonzero(close & (seen.frame == 0))
    left = [first[seen.x[k], seen.y[k]] for k in mine if (seen.x[k], seen.y[k]) in first]
    assert np.median(left) == pytest.approx(0, abs=0.01)


def test_thick_cloud_hides_stars_and_is_seen():
    """Where stars that should show are gone, the part is opaque, not unknown."""

    def clear(frame, x, y):
        return np.where((frame == 5) & (x < WIDTH / 2), 0.02, 1.0)

    got = clearness(sightings(np.random.default_rng(3), clear), 12, WIDTH, HEIGHT)
    assert (got.parts[5, :, :4] < 0.3).mean() > 0.9
    assert np.nanmedian(got.parts[5, :, 4:]) == pytest.approx(1, abs=0.03)


def test_half_the_frames_hazy():
    """With haze in half of the frames the clear half is still 1."""
    got = clearness(
        sightings(np.random.default_rng(4), lambda n, x, y: np.full_like(x, 0.6 if n % 2 else 1.0), drift=30.0),
        12,
        WIDTH,
        HEIGHT,
    )
    np.testing.assert_allclose(got.overall[::2], 1.0, atol=0.03)
    np.testing.assert_allclose(got.overall[1::2], 0.6, atol=0.03)


def test_ground_is_no_sky():
    """Parts that never show stars are not sky."""
    seen = sightings(np.random.default_rng(5), lambda n, x, y: np.where(y > HEIGHT * 2 / 3, 0.0, 1.0))
    got = clearness(seen, 12, WIDTH, HEIGHT)
    assert not got.sky[got.sky.shape[0] * 5 // 6 :].any()
    assert got.sky[: got.sky.shape[0] // 2].all()
    np.testing.assert_allclose(got.overall, 1, atol=0.03)


def test_nothing_seen():
    """Without stars everything is unknown."""
    none = np.zeros(0)
    got = clearness(Sightings(none.astype(int), none.astype(int), none, none, none, none), 3, WIDTH, HEIGHT)
    assert np.isnan(got.overall).all()
    assert not got.sky.any()


def test_thin_cloud_above_a_limit_is_not_below_it_by_chance():
    """Under a cloud of 0.79 whose stars scatter by 6 % hardly a place reads below 0.75, nor a clear one of it."""
    seen = sightings(np.random.default_rng(8), lambda n, x, y: np.full_like(x, 0.79 if n == 5 else 1.0), error=0.06)
    got = clearness(seen, 12, WIDTH, HEIGHT)
    x, y = (a.ravel() for a in np.meshgrid(np.arange(24) * 250.0 + 125, np.arange(16) * 250.0 + 125))
    there = got.at(5, x, y, WIDTH * HEIGHT)
    assert np.mean(there < 0.75) < 0.04
    assert np.median(there) == pytest.approx(0.79, abs=0.015)
    assert np.mean(got.at(4, x, y, WIDTH * HEIGHT) < 0.93) < 0.02


def test_ranks_tell_haze_of_a_field_that_cannot_be_matched():
    """Fluxes of the same rank give the transparency; too few stars give none."""
    rng = np.random.default_rng(6)
    sky = 400 * (rng.pareto(1.0, 400) + 1)
    assert rank_transparency(0.4 * sky[sky > 1500], [sky, sky * 1.01]) == pytest.approx(0.4, abs=0.03)
    assert rank_transparency(sky[:2], [sky]) is None
    assert rank_transparency(sky, []) is None


def test_ranks_of_a_frame_whose_land_hides_most():
    """A frame that shows a quarter of the sky of the others is held against a quarter of their stars."""
    rng = np.random.default_rng(7)
    sky = 400 * (rng.pareto(1.0, 2000) + 1)
    part = 0.8 * sky[rng.random(2000) < 0.25]
    assert rank_transparency(part, [sky, sky], [4.0, 4.0]) == pytest.approx(0.8, abs=0.06)
    assert rank_transparency(part, [sky, sky]) < 0.4
