"""Telling ground from sky: each part against a planted answer or a slow statement, and whole scenes against theirs."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from pipeline.pixels.ordering import sorting_network
from pipeline.sky import times
from pipeline.skyline import find
from pipeline.skyline.edges import Support, is_skyline, sharpness, support
from pipeline.skyline.empty import CELL, Emptiness, emptiness, least_height
from pipeline.skyline.find import find_ground, no_gap
from pipeline.skyline.hold import hold_of
from pipeline.skyline.labels import even_gaps, filled, least_cut
from pipeline.skyline.levels import follow, rough
from pipeline.skyline.matte import soften
from pipeline.skyline.rim import dim_gaps
from pipeline.skyline.still import Stills, choose, medians
from pipeline.skyline.tell import cloud_in, no_edge, tell
from pipeline.skyline.told import Told
from pipeline.skyline.witness import Witnesses
from pipeline.stack.sources import Calibration, Frame, Mosaics
from tests.planted_ground import MARGIN, Land, Nightscape, nightscape, pipeline_geometry, write_nightscape
from tests.planted_scenes import frame_ids

NOISE = np.ones(1, np.float32)


def test_medians_are_numpys_lower_middle():
    """The compiled median is that of the sorted numbers, whatever is no number."""
    rng = np.random.default_rng(1)
    values = rng.normal(size=(7, 500)).astype(np.float32)
    values[rng.random(values.shape) < 0.3] = np.nan
    values[:, 0] = np.nan
    out = np.empty(500, np.float32)
    medians(values, sorting_network(len(values)), out)
    count = np.isfinite(values).sum(axis=0)
    slow = np.sort(values, axis=0)[np.maximum(count - 1, 0) // 2, np.arange(500)]
    np.testing.assert_array_equal(out, slow)


@pytest.mark.parametrize("count", [1, 2, 3, 8, 17, 500])
def test_the_halves_are_early_and_late_and_as_large(count):
    """Frames of the stills are few, spread over each half of the run, and as many in both."""
    first, second = choose(count)
    assert len(first) == len(second) <= 8
    assert count == 1 or max(first) < min(second)
    assert first[0] == 0
    assert second[-1] == count - 1


def test_the_least_cut_is_the_least_of_all_labellings():
    """On 3 x 4 cells no labelling of the open ones costs less: all 1,024 are tried."""
    rng = np.random.default_rng(4)
    for _ in range(5):
        odds = rng.normal(0, 1, (3, 4)).astype(np.float32)
        across, down = (rng.uniform(0, 1.5, s).astype(np.float32) for s in ((3, 3), (2, 4)))
        open_ = np.ones((3, 4), bool)
        open_[0, 0] = open_[2, 3] = False
        ground = np.zeros((3, 4), bool)
        ground[2, 3] = True

        def cost(label, odds=odds, across=across, down=down):
            pays = np.where(label, -odds, odds)
            return (
                np.maximum(pays, 0).sum()
                + across[label[:, 1:] != label[:, :-1]].sum()
                + down[label[1:] != label[:-1]].sum()
            )

        least = np.inf
        for bits in product((False, True), repeat=10):
            label = ground.copy()
            label[open_] = bits
            least = min(least, cost(label))
        found = least_cut(odds, across, down, open_, ground)
        assert cost(found) == pytest.approx(least, abs=0.2)
        assert found[2, 3]
        assert not found[0, 0]


def test_holes_are_filled_unless_stars_or_levels_say_sky():
    """A hole with a star, or a small one that looks like sky, stays; what is neither is ground."""
    ground = np.ones((40, 40), bool)
    ground[:10] = False
    ground[15:18, 5:8] = ground[15:18, 15:18] = ground[20:35, 20:35] = False
    odds = np.zeros((40, 40), np.float32)
    odds[15:18, 5:8] = odds[20:35, 20:35] = -1
    stars = np.zeros((40, 40), bool)
    bright = alike = np.zeros_like(ground)
    result = filled(ground, odds, stars, 20, bright, alike)
    assert not result[:10].any()
    assert not result[15:18, 5:8].any()
    assert result[15:18, 15:18].all()
    assert result[20:35, 20:35].all()
    stars[30, 30] = True
    assert not filled(ground, odds, stars, 20, bright, alike)[20:35, 20:35].any()


def test_a_dark_place_in_bright_ground_is_a_gap_if_stars_were_seen_in_it_or_it_is_as_even_as_the_sky():
    """Rock in moonlit snow passes through the sky's level, and what lies within it does not keep to that; between twigs
    in moonlight lies the sky, of which by definition half is within the median of its departures."""
    ground = np.ones((40, 40), bool)
    ground[:10] = ground[15:20, 5:10] = ground[15:20, 15:20] = ground[15:20, 25:30] = False
    odds = np.full((40, 40), -1, np.float32)
    stars, bright, alike = np.zeros((40, 40), bool), np.ones((40, 40), bool), np.zeros((40, 40), bool)
    stars[16, 16] = True
    alike[16:19, 25:30] = (np.arange(15).reshape(3, 5) % 3) > 0
    alike[15:20, 5:10] = True
    alike[16:19, 6:9] = np.eye(3) > 0
    result = filled(ground, odds, stars, 25, bright, alike)
    assert result[15:20, 5:10].all()
    assert not result[15:20, 15:20].any()
    assert not result[15:20, 25:30].any()
    seen = even_gaps(result, alike)
    assert seen[16:19, 26:29].sum() == 6
    assert seen.sum() == 6
    bright[:, :12] = False
    assert not filled(ground, odds, stars, 25, bright, alike)[15:20, 5:10].any()


def _picture(line, noise=1.0, seed=2):
    """Sky of 300 over ground of 200 with a border that `line` blurs, (1, 200, 300)."""
    rng = np.random.default_rng(seed)
    y = np.arange(200.0)[:, None] - 120 - 10 * np.sin(np.arange(300) / 40)
    share = ndimage.gaussian_filter((y > 0).astype(float), line) if line else (y > 0).astype(float)
    return (300 - 100 * share + rng.normal(0, noise, share.shape)).astype(np.float32)[None], y > 0


def test_a_step_is_sharp_and_a_slope_is_not():
    """The lens's blur leaves a step many times the noise; a border 20 px wide, as of a cloud, shows none."""
    step, _ = _picture(0.8)
    slope, _ = _picture(10.0)
    sharp = sharpness(step, NOISE)
    rows = np.rint(120 + 10 * np.sin(np.arange(300) / 40)).astype(int)
    assert np.median(np.maximum(sharp[rows, np.arange(300)], sharp[rows - 1, np.arange(300)])) > 40
    assert np.percentile(sharp[:80], 99) < 6
    assert np.percentile(sharpness(slope, NOISE)[20:180], 99) < 6


def test_a_skyline_is_sharp_and_stands_still():
    """A sharp border is supported, at dawn too, when all grows lighter by five times; a slope is not, nor one that is
    gone in the later frames."""
    step, truth = _picture(0.8)
    again, _ = _picture(0.8, seed=3)
    slope, _ = _picture(10.0)
    flat = np.full_like(step, 300) + np.random.default_rng(5).normal(0, 1, step.shape).astype(np.float32)
    assert support(truth, (step, again)).share > 0.95
    assert support(truth, (step, 5 * again)).share > 0.95
    assert support(truth, (slope, slope)).share < 0.1
    assert support(truth, (step, flat)).share < 0.1


def test_a_long_sharp_edge_is_a_skyline_though_trees_hide_most_of_it():
    """Half of a border, or a third and more of a long one, must be sharp."""
    for share, length, skyline in ((0.6, 60, True), (0.43, 2200, True), (0.43, 300, False), (0.2, 6000, False)):
        assert is_skyline(Support(share, length), 1500) is skyline


def test_levels_are_followed_beyond_what_is_known():
    """A sloping sky is followed under the ground that hides it; stars in it do not raise it."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[0:240, 0:320]
    sky = 400 + 0.5 * x - 0.3 * y
    picture = (sky + rng.normal(0, 2, sky.shape)).astype(np.float32)[None]
    picture[0, rng.integers(0, 150, 60), rng.integers(0, 320, 60)] += 500
    level = follow(picture, y < 150, np.array([2.0], np.float32), 2.0, 0.02, 5.0)
    assert level is not None
    off = np.abs(level[0][0] - sky)
    assert np.percentile(off[:150], 99) < 8
    assert off[150:165].max() < 14
    assert follow(picture, np.zeros(sky.shape, bool), np.array([2.0], np.float32), 2.0, 0.02) is None


def test_shares_are_recovered_and_a_lamp_is_no_mixture():
    """Where contrast allows, a pixel's planted share comes back; a lamp in the ground stays ground."""
    picture, truth = _picture(0.8)
    share = (300 - picture[0]) / 100
    picture[0, 125:128, 100:103] = 5000
    ground = truth.copy()
    sky = (np.full_like(picture, 300), np.full_like(picture, 1.0))
    land = (np.full_like(picture, 200), np.full_like(picture, 10))
    soft = soften(ground, picture, sky, land, np.zeros(truth.shape, bool))
    band = ndimage.binary_dilation(truth) & ~ndimage.binary_erosion(truth, border_value=1)
    band[120:132, 95:108] = False
    assert np.sqrt(np.mean((soft - share)[band] ** 2)) < 0.02
    assert soft[140:160].min() == 1
    assert soft[:100].max() == 0
    lamp = truth[125:128, 100:103]
    assert (soft[125:128, 100:103][lamp] == 1).all()


def test_a_sky_that_dims_to_the_horizon_is_no_land_above_it():
    """The sky falls by 2 % a pixel towards a sharp skyline (air at 3 degrees of altitude), where its level, followed by
    wide planes, stays 15 % too high: what lies above the skyline is land to less than a twelfth."""
    rng = np.random.default_rng(12)
    y = np.arange(120.0)[:, None] * np.ones(160)
    light = 400 * (1 - np.clip((y - 72) / 8, 0, 1) * 0.15)
    truth = np.clip(y - 80, 0, 1)
    picture = np.stack([(light * (1 - truth) + 60 * truth) * k for k in (0.5, 1.0, 0.6)]).astype(np.float32)
    picture += rng.normal(0, 4, picture.shape).astype(np.float32)
    wide = np.stack([np.full(y.shape, 400.0 * k) for k in (0.5, 1.0, 0.6)]).astype(np.float32)
    ground = np.stack([np.full(y.shape, 60.0 * k) for k in (0.5, 1.0, 0.6)]).astype(np.float32)
    sigma = np.full_like(picture, 8)
    soft = soften(y > 80, picture, (wide, sigma), (ground, sigma), np.zeros(y.shape, bool))
    assert soft[:81].mean(axis=1).max() < 0.08
    assert soft[84:].min() == 1


def test_among_twigs_pixels_are_shared_and_solid_ground_is_not():
    """A crown of twigs told as solid: planted shares come back where stars were seen through it; a field whose
    texture comes as near to the sky stays ground, a star beside the crown does not."""
    rng = np.random.default_rng(11)
    share = np.zeros((200, 300))
    share[120:] = 1
    crown = np.zeros(share.shape, bool)
    crown[60:120, 100:160] = True
    twigs = ndimage.gaussian_filter(rng.normal(size=share.shape), 1.2)
    share[crown] = np.clip(0.5 + 2.5 * twigs, 0, 1)[crown]
    texture = np.clip(1 + 1.2 * ndimage.gaussian_filter(rng.normal(size=share.shape), 1.2), 0.1, None)
    land = np.where(crown, 40, 250 * texture)
    light = share * land + (1 - share) * 500
    picture = np.stack([light] * 3).astype(np.float32) + rng.normal(0, 4, (3, *share.shape)).astype(np.float32)
    sky = (np.full_like(picture, 500), np.full_like(picture, 8.0))
    stars = np.zeros(share.shape, bool)
    stars[90, 130] = stars[75, 110] = True
    # the widest gaps were told, as stars there show
    ground = (crown & (ndimage.uniform_filter(share, 3) > 0.1)) | (share > 0.5)
    # a star beside the crown, which hardly moved, was taken for its part
    picture[:, 56:59, 128:131], ground[56:60, 128:131] = 5000, True
    soft = soften(ground, picture, sky, (np.full_like(picture, 250), np.full_like(picture, 10)), stars)
    inside = ndimage.binary_erosion(crown, iterations=3)
    error, hard = (np.sqrt(np.mean((m - share)[inside] ** 2)) for m in (soft, ground))
    assert error < 0.3
    assert error < 0.6 * hard
    assert (soft > 0.5)[inside & (share < 0.2)].mean() < 0.1 < ground[inside & (share < 0.2)].mean()
    assert soft[125:].min() == 1
    assert soft[56:59, 128:131].max() == 0
    # where the sky moved further than that it is no star
    for moved, least in ((4.0, 0), (12.0, 1)):
        told = soften(
            ground, picture, sky, (np.full_like(picture, 250), np.full_like(picture, 10)), stars,
            moved=np.full(share.shape, moved, np.float32),
        )  # fmt: skip
        assert told[56:59, 128:131].min() == least
    # lit snow, whose texture passes through the sky's level, is no twigs beyond the pixels beside what was told for sky
    lit = (np.full_like(picture, 520), np.full_like(picture, 150))
    field = ndimage.binary_erosion(ground, iterations=4, border_value=1) & (np.arange(200) >= 120)[:, None]
    picture[:, field] = 520 * np.clip(texture + 0.4 * (texture - 1), 0.1, None)[field]
    assert soften(ground, picture, sky, lit, stars)[field].min() == 1


def test_among_moonlit_twigs_gaps_are_sky_right_about_where_stars_were_seen():
    """A crown three times as bright as the sky, told as solid but for its widest gap: planted gaps come back about a
    star that was seen there, though the land's level passes through the sky's; further off all stays ground."""
    rng = np.random.default_rng(13)
    share = np.clip(0.5 + 2.5 * ndimage.gaussian_filter(rng.normal(size=(100, 300)), 1.2), 0, 1)
    share[:20] = 0
    light = (share * 1500 + (1 - share) * 500).astype(np.float32)
    picture = np.stack([light] * 3) + rng.normal(0, 4, (3, *share.shape)).astype(np.float32)
    sky = (np.full_like(picture, 500), np.full_like(picture, 10.0))
    land = (np.full_like(picture, 1000), np.full_like(picture, 400.0))
    ground = np.arange(100)[:, None] >= np.full(300, 20)
    ground[48:53, 148:153], share[47:54, 147:154] = False, 0
    picture[:, 47:54, 147:154] = 500
    stars = np.zeros(share.shape, bool)
    stars[50, 150] = True
    soft = soften(ground, picture, sky, land, stars, 600)
    near = np.hypot(*(np.mgrid[:100, :300] - np.array([50, 150])[:, None, None])) < 10
    assert (soft > 0.5)[near & (share < 0.2)].mean() < 0.1
    assert (soft > 0.5)[near & (share > 0.8)].mean() > 0.9
    assert soft[30:, 190:].min() == 1


def test_bright_land_beside_a_crown_is_no_gap_where_colours_tell():
    """Under a green sky gaps among twigs are green: grey land as bright as that stays ground, below a
    crown whose gaps are given back as planted (common practice: unmixing by known colours)."""
    rng = np.random.default_rng(12)
    share = np.zeros((200, 300))
    share[120:] = 1
    crown = np.zeros(share.shape, bool)
    crown[60:120, 100:160] = True
    share[crown] = np.clip(0.5 + 2.5 * ndimage.gaussian_filter(rng.normal(size=share.shape), 1.2), 0, 1)[crown]
    green, grey = np.array([150, 350, 200])[:, None, None], np.full((3, 1, 1), 80)
    texture = 1 + 0.3 * ndimage.gaussian_filter(rng.normal(size=share.shape), 1.2)
    # a lit patch of 12 px below the skyline
    texture[122:134, 110:122] = 3.1
    light = share * grey * np.where(crown, 0.5, texture) + (1 - share) * green
    picture = (light + rng.normal(0, 4, light.shape)).astype(np.float32)
    sky = (np.broadcast_to(green, light.shape).astype(np.float32), np.full_like(picture, 9.0))
    land = (np.broadcast_to(grey, light.shape).astype(np.float32), np.full_like(picture, 18.0))
    stars = np.zeros(share.shape, bool)
    stars[90, 130] = stars[115, 116] = True
    ground = (crown & (ndimage.uniform_filter(share, 3) > 0.1)) | (share > 0.5)
    soft = soften(ground, picture, sky, land, stars)
    assert soft[122:].min() == 1
    inside = ndimage.binary_erosion(crown, iterations=3)
    error, hard = (np.sqrt(np.mean((m - share)[inside] ** 2)) for m in (soft, ground))
    assert error < 0.6 * hard


def _scatter(count, keep, seed=8):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 800, count), rng.uniform(0, 600, count)
    good = keep(x, y)
    return Witnesses(x[good], y[good], 10, 0, 1000.0)


def test_a_hole_among_stars_is_empty_and_an_open_sky_is_not():
    """The planted hole is found, inward of its edge, wherever in the picture; a sky full of stars has none."""
    assert emptiness(_scatter(6000, lambda x, y: x > -1), (600, 800)) is None
    assert emptiness(_scatter(40, lambda x, y: x > -1), (600, 800)) is None
    found = emptiness(_scatter(6000, lambda x, y: np.hypot(x - 300, y - 200) > 120), (600, 800))
    assert found is not None
    i, j = np.mgrid[0:150, 0:200]
    away = np.hypot(j * CELL + 1.5 - 300, i * CELL + 1.5 - 200)
    assert not found.region[away > 120].any()
    assert found.region[away < 50].all()
    assert found.doubt[away < 100].min() > 0
    assert np.median(found.doubt[away > 150]) == 0


@pytest.mark.parametrize(("path", "stars"), [(12, 150), (60, 60)])
def test_few_stars_seen_often_leave_no_empty_places_between_them(path, stars):
    """Of a sky that hardly moves each star is seen in every frame: hardly a place of an open one is empty for certain
    (without counting stars four fifths were), and what lies deep in land of the picture's lowest 40 % is."""
    rng, count = np.random.default_rng(5), 25
    x, y = (rng.uniform(-60, size + 60, int(stars * 920 * 720 / 480_000)) for size in (800, 600))
    part = np.linspace(-0.5, 0.5, count) * path
    x, y = (x[:, None] + 0.9 * part).ravel(), (y[:, None] + 0.4 * part).ravel()

    def seen(low):
        good = (x > 0) & (x < 800) & (y > 0) & (y < low)
        return emptiness(Witnesses(x[good], y[good], count, 0, path), (600, 800))

    open_sky = seen(600)
    assert open_sky is None or open_sky.region.mean() < 0.03
    land = seen(360)
    assert land is not None
    assert land.region[130:].mean() > 0.5
    assert land.region[:80].mean() < 0.03


@pytest.mark.parametrize(("y", "there"), [(300, False), (599, True)])
def test_a_small_hole_is_land_only_at_the_edge(y, there):
    """What is empty about a bright star in the open sky is no land; a tree's top at the picture's edge is."""
    found = emptiness(_scatter(30000, lambda sx, sy: np.hypot(sx - 300, sy - y) > 45), (600, 800))
    assert (found is not None) == there


@pytest.mark.parametrize("at_edge", [True, False])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_land_as_high_as_is_said_is_noticed(seed, at_edge):
    """In a dense sky, that has no empty place itself, the stars missed over land of the height that the page names make
    one, also where it is but three times as long."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 800, 30000), rng.uniform(0, 600, 30000)
    sky = Witnesses(x, y, 17, 0, 1000.0)
    assert emptiness(sky, (600, 800), at_edge=at_edge) is None
    height = least_height(sky, (600, 800), at_edge=at_edge)
    assert height is not None
    seen = (np.abs(x - 400) > 1.5 * height) | (y < 599.5 - height)
    found = emptiness(Witnesses(x[seen], y[seen], 17, 0, 1000.0), (600, 800), at_edge=at_edge)
    assert found is not None
    assert found.region[-1].any()
    assert not found.region[: int(599.5 - height) // CELL].any()


def _told(folder: Path, night: Nightscape, count: int, twice: bool = False) -> Told:
    reference = count // 2
    geometry = pipeline_geometry(night.scenario, count, reference)
    stars = write_nightscape(folder, night, count)
    ids = frame_ids(count)
    mosaics = Mosaics([folder / f"{name}.fits" for name in ids])
    frames = [Frame(i, mosaics[k].header, mosaics[k].shape, 1.0, 1.0, 0.0, ()) for k, i in enumerate(ids)]
    seconds = {name: night.scenario.middle(k) for k, name in enumerate(ids)}
    hold = hold_of(geometry, seconds, times.celestial_frame(sum(night.scenario.turning.jd))[2])
    told = find_ground(geometry, hold, stars, frames, mosaics, Calibration(), 2).told
    if twice:
        again = find_ground(geometry, hold, stars, frames, mosaics, Calibration(), 1).told
        np.testing.assert_array_equal(told.cells, again.cells)
    return told


SMALL = {"width": 720, "height": 480, "n": 6, "lens_mm": 20.0, "interval_s": 120.0}


@pytest.mark.parametrize("turned", [False, True], ids=["below", "above"])
def test_the_planted_ground_is_told(tmp_path, turned):
    """Ridge, trees, a house with a lit window and water, or land at the picture's top: 99 % of the pixels beyond 4 px
    from the skyline are right, and so are 99.5 % of the bright stars; threads change nothing."""
    if turned:
        night = nightscape(("ridge", "house"), **{**SMALL, "altitude_deg": 45.0})
        land = night.land
        night.land = Land(land.opaque[::-1].copy(), land.light[::-1].copy(), land.water)
    else:
        night = nightscape(**SMALL)
    told = _told(tmp_path, night, 6, twice=turned)
    assert told.cells is not None, told.why
    assert told.confidence is not None
    assert told.confidence > 0.5
    opaque, _ = night.truth(3)
    mask = told.mask(opaque.shape)
    assert mask is not None
    truth, found = opaque > 0.5, mask > 0.5
    edge = ndimage.binary_dilation(truth) ^ ndimage.binary_erosion(truth, border_value=1)
    far = ndimage.distance_transform_edt(~edge) > 4
    assert (found == truth)[far].mean() > 0.99
    assert told.share == pytest.approx(truth.mean(), abs=0.02)
    stars = night.scenario.light(3)[1]
    x, y = np.rint(stars.x[:300, 1]).astype(int), np.rint(stars.y[:300, 1]).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < 720) & (y < 480)
    open_ = opaque[y[inside], x[inside]] < 0.05
    assert found[y[inside], x[inside]][open_].mean() <= 0.005


def test_a_sky_of_cloud_and_glow_has_no_ground(tmp_path):
    """A bank of cloud that stands over the horizon and a dome of light hide the stars, but have no skyline."""
    y, x = np.mgrid[0:480, 0:720]
    rough = sum(ndimage.gaussian_filter(np.random.default_rng(s).normal(size=y.shape), s) * s**1.3 for s in (60, 20, 7))
    clear = 1 - 0.97 / (1 + np.exp(-(y - 310 - 25 * rough / np.std(rough)) / 10))
    dome = 10 * np.exp(-(((x - 500) / 200) ** 2) - ((480 - y) / 110) ** 2)

    def cloud(picture, unit):
        picture[:] = picture * clear + unit * (1.6 * (1 - clear) + dome)

    night = nightscape((), dict.fromkeys(range(6), cloud), **{**SMALL, "altitude_deg": 35.0})
    told = _told(tmp_path, night, 6)
    assert told.cells is None
    assert "no sharp edge" in told.why


def test_stars_that_hardly_move_are_no_ground():
    """A few frames in a short time: stars stand still in the stills, sharp, and half of them are in no catalogue; the
    planted land below is told all the same, and no star of the sky above."""
    rng = np.random.default_rng(6)
    plane, land = _picture(1.0, 3.0)
    high, wide = plane.shape[1:]
    sky = np.zeros((high, wide))
    y, x = (rng.uniform(2, size - 2, 500) for size in (high, wide))
    open_ = ~land[y.astype(int), x.astype(int)]
    y, x = y[open_], x[open_]
    sky[y.astype(int), x.astype(int)] = rng.uniform(200, 4000, len(y))
    plane = plane + ndimage.gaussian_filter(sky, 1.0).astype(np.float32)
    stills = Stills(plane + rng.normal(0, 2, plane.shape).astype(np.float32), plane)
    listed = np.tile(np.arange(0, len(y), 2), 3)
    seen = Witnesses(np.floor(x[listed]) * 2 + 0.5, np.floor(y[listed]) * 2 + 0.5, 4, len(listed))
    empty = emptiness(seen, (2 * high, 2 * wide))
    assert empty is not None
    cells = tell(stills, seen, empty).cells
    assert cells is not None
    far = ndimage.distance_transform_edt(land) + ndimage.distance_transform_edt(~land) > 3
    assert ((cells > 0.5) == land)[far].mean() > 0.999


@pytest.mark.parametrize("light", [2.0, 15.0])
def test_a_dark_wood_above_a_sharp_shore_is_no_sky(light):
    """Tips of trees that thin out over 30 px are an edge full of gaps, and the shore below them has none: stars are
    reached from the wood sooner than water is, and yet a tenth of the sky's light is no sky."""
    rng = np.random.default_rng(8)
    high, wide = 300, 450
    y, x = np.mgrid[0:high, 0:wide]
    tips = ndimage.gaussian_filter1d(np.repeat(rng.uniform(110, 150, wide // 5), 5), 1.0)
    wood = np.clip((y - tips) / 30, 0, 1)
    water = y > 220 + 3 * np.sin(x / 40)
    plane = np.where(water, 50, (100 + y / 4) * (1 - wood) + light * wood)
    plane = ndimage.gaussian_filter(plane, 0.7).astype(np.float32)
    halves = [np.stack([plane + rng.normal(0, 2, plane.shape).astype(np.float32)] * 2) for _ in range(2)]
    sx, sy = rng.uniform(2, wide - 2, 5000), rng.uniform(2, high - 2, 5000)
    open_ = sy < tips[sx.astype(int)] - 3
    seen = Witnesses(2 * sx[open_] + 0.5, 2 * sy[open_] + 0.5, 20, 0, 60.0)
    empty = emptiness(seen, (2 * high, 2 * wide))
    assert empty is not None
    told = tell(Stills(*halves), seen, empty)
    assert told.cells is not None, told.why
    assert (told.cells > 0.5)[(wood > 0.95) | water].mean() > 0.999
    assert (told.cells > 0.5)[(wood == 0) & ~water].mean() < 0.005


def test_tips_of_land_at_the_picture_edge_are_told():
    """Trees of which the picture shows the topmost pixels stand beside a hill, too small for a star to be missed there:
    they are told. A corner that the lens darkens to a fifth, a dark mark among the stars, and a dark one at the edge
    without a sharp border are no land."""
    rng = np.random.default_rng(11)
    high, wide = 300, 450
    y, x = np.mgrid[0:high, 0:wide]
    hill = y > 240 + 0.8 * x
    trees = np.zeros_like(hill)
    for at, top in ((200, 286), (231, 292), (300, 289), (371, 284)):
        trees |= abs(x - at) < (y - top) * 0.35
    mark = np.hypot(x - 250, y - 60) < 5
    soft = np.exp(-(((x - 420) / 12) ** 2) - ((y - high) / 12) ** 2)
    corner = 1 - 0.8 * np.exp(-((x - wide) ** 2 + y**2) / 2 / 60**2)
    light = 100 * corner * (1 - 0.9 * soft)
    plane = np.where(hill | trees | mark, 8, light)
    plane = ndimage.gaussian_filter(plane, 0.5).astype(np.float32)
    halves = [np.stack([plane + rng.normal(0, 2, plane.shape).astype(np.float32)] * 2) for _ in range(2)]
    sx, sy = rng.uniform(0, wide, 6000), rng.uniform(0, high, 6000)
    near = ndimage.binary_dilation(hill | trees | mark, iterations=2)[sy.astype(int), sx.astype(int)]
    dim = light[sy.astype(int), sx.astype(int)] < 50
    sx, sy = sx[~near & ~dim], sy[~near & ~dim]
    seen = Witnesses(2 * sx + 0.5, 2 * sy + 0.5, 20, 0, 60.0)
    empty = emptiness(seen, (2 * high, 2 * wide))
    assert empty is not None
    assert not empty.region[2 * 284 // CELL :, 2 * 180 // CELL : 2 * 395 // CELL].any()
    told = tell(Stills(*halves), seen, empty)
    assert told.cells is not None, told.why
    found = told.cells > 0.5
    assert (found == trees)[280:, 150:400].mean() > 0.995
    assert found[trees].mean() > 0.9
    assert not found[:240].any()
    assert not found[:, 400:].any()


@pytest.mark.parametrize(
    ("kind", "there"), [("ridge", True), ("lit ridge", False), ("glare", False), ("corner", False), ("mist", False)]
)
def test_a_low_dark_ridge_at_the_edge_is_told_where_few_stars_were_missed(kind, there):
    """A ridge of 0.5 % of the picture, too low for the sky above it to be empty for certain, is told to 2 pixels by its
    dark, sharp edge. As lit as the sky it is not, nor is a star's glare, the lens's corner or mist, which hide as many
    stars."""
    rng = np.random.default_rng(17)
    high, wide = 300, 450
    y, x = np.mgrid[0:high, 0:wide]
    up, away = high - y, np.hypot(x - 200, y - high)
    hidden = {"glare": away < 22, "corner": np.hypot(x - wide, y - high) < 22, "mist": up < 16 + x / 150}.get(
        kind, up < (20 + 2 * np.sin(x / 4)) * np.exp(-(((x - 200) / 20) ** 4)) - 0.5
    )
    sky = {
        "glare": 100 + 20_000 * np.exp(-((away / 6) ** 2)) + 300 * np.exp(-away / 8),
        "corner": 100 - 95 * np.exp(-((np.hypot(x - wide, y - high) / 24) ** 3)),
        "mist": 100 - 70 / (1 + np.exp((up - 18) / 4)),
        "ridge": np.where(hidden, 8, 100),
        "lit ridge": np.where(hidden, 70, 100),
    }[kind]
    plane = ndimage.gaussian_filter(np.asarray(sky, np.float64), 0.5)
    halves = [np.stack([plane + rng.normal(0, 2, plane.shape)] * 2).astype(np.float32) for _ in range(2)]
    sx, sy = rng.uniform(0, wide, 6500), rng.uniform(0, high, 6500)
    seen_there = ~ndimage.binary_dilation(hidden, iterations=2)[sy.astype(int), sx.astype(int)]
    seen = Witnesses(2 * sx[seen_there] + 0.5, 2 * sy[seen_there] + 0.5, 20, 0, 600.0)
    shape = (2 * high, 2 * wide)
    assert emptiness(seen, shape) is None
    empty = emptiness(seen, shape, at_edge=True)
    assert empty is not None
    told = tell(Stills(*halves), seen, empty, only_dark=True)
    assert (told.cells is not None) == there, told.why
    if told.cells is not None:
        far = ndimage.distance_transform_edt(hidden) + ndimage.distance_transform_edt(~hidden) > 2
        assert ((told.cells > 0.5) == hidden)[far].all()
        assert 0.004 < hidden.mean() < 0.006


def test_a_low_ridge_is_found_and_what_would_not_be_is_said(tmp_path, monkeypatch):
    """Frames of a ridge of 1 % of the picture, lower than what the first look notices, are enough; of an open sky the
    sentence says how low land must be not to be noticed. Of its places where few stars happened to be no stills are
    made, as one frame shows nothing dark there."""
    looks: list[tuple[Emptiness, Emptiness | None]] = []

    def glance(empty, *frame):
        looks.append((empty, dim_gaps(empty, *frame)))
        return looks[-1][1]

    monkeypatch.setattr(find, "dim_gaps", glance)
    night = nightscape((), **{**SMALL, "altitude_deg": 45.0})
    y, x = np.mgrid[0 : night.land.opaque.shape[0], 0 : night.land.opaque.shape[1]]
    row, column = 480 + MARGIN - y, x - MARGIN - 450
    ridge = row < 36 * np.exp(-((column / 52) ** 4)) + 3 * np.sin(column / 6)
    told = _told(tmp_path, night, 6)
    assert told.cells is None
    ((places, left),) = looks
    assert places.region.any()
    assert left is None
    assert (low := re.search(r"lower than some (\d+) px \(([\d.]+) % of the picture's shorter side\)", told.why))
    assert int(low[1]) / 480 == pytest.approx(float(low[2]) / 100, abs=0.002)
    night.land = Land(ridge.astype(np.float64), np.full((*ridge.shape, 3), 0.1), np.zeros(ridge.shape))
    told = _told(tmp_path, night, 6)
    assert told.cells is not None, told.why
    truth = night.truth(3)[0] > 0.5
    edge = ndimage.binary_dilation(truth) ^ ndimage.binary_erosion(truth, border_value=1)
    far = ndimage.distance_transform_edt(~edge) > 4
    assert 0.005 < truth.mean() < 0.015
    left = looks[1][1]
    assert left is not None
    i, j = np.nonzero(left.region)
    assert truth[CELL * i + 2, CELL * j + 2].mean() > 0.6
    assert ((told.mask(truth.shape) > 0.5) == truth)[far].mean() > 0.999
    few = Witnesses(np.zeros(5), np.zeros(5), 6, 0, 100.0)
    assert "too few stars" in no_gap(few, (480, 720))


def test_land_of_the_sky_level_in_a_dark_corner_is_land():
    """A lens darkens the sky's corners to the light of the land below: the sky's level is not followed through land,
    whose texture tells it. Beyond 2 pixels of the skyline, which has no edge where both have one light, 97 % are right
    in either corner; followed through the land, 92 % are."""
    rng = np.random.default_rng(25)
    high, wide = 480, 720
    y, x = np.mgrid[0:high, 0:wide]
    land = y > 200 + 12 * np.sin(x / 50)
    open_sky = np.exp(-(((x - wide / 2) / 150) ** 2))
    texture = sum(
        ndimage.gaussian_filter(rng.normal(size=land.shape), s) * s / k for k, s in ((1, 4.5), (2, 1.5), (3, 0.6))
    )
    ground = 11.7 * np.clip(1 + 0.35 * texture / np.std(texture), 0.15, None)
    tint, glow = (np.array(v)[:, None, None] for v in ((0.8, 1.0, 0.7), (0.65, 1.0, 0.55)))
    plane = np.where(land, ground * tint, (12 + 60 * open_sky) * glow)
    plane = ndimage.gaussian_filter(plane, (0, 0.5, 0.5)).astype(np.float32)
    halves = [plane + rng.normal(0, 1.5, plane.shape).astype(np.float32) for _ in range(2)]
    sx, sy = rng.uniform(0, wide, 30000), rng.uniform(0, high, 30000)
    place = sy.astype(int), sx.astype(int)
    there = ~ndimage.binary_dilation(land, iterations=2)[place]
    there &= rng.random(len(sx)) < np.sqrt(open_sky)[place] + 0.05
    seen = Witnesses(2 * sx[there] + 0.5, 2 * sy[there] + 0.5, 20, 0, 60.0)
    empty = emptiness(seen, (2 * high, 2 * wide))
    assert empty is not None
    told = tell(Stills(*halves), seen, empty)
    assert told.cells is not None, told.why
    found = told.cells > 0.5
    far = ndimage.distance_transform_edt(land) + ndimage.distance_transform_edt(~land) > 2
    for corner in (slice(0, 100), slice(620, wide)):
        assert (found == land)[:, corner][far[:, corner]].mean() > 0.97


def test_texture_is_rough_and_noise_is_not_at_any_level():
    """Noise that is ten times as deep in one half of a picture as in the other, and a slope, are not rough; a texture
    of four times the noise is."""
    rng = np.random.default_rng(13)
    x = np.mgrid[0:120, 0:240][1]
    noise = rng.normal(size=(3, *x.shape)) * np.where(x < 120, 1, 10)
    assert rough((noise + 0.3 * x).astype(np.float32)).mean() < 0.01
    texture = ndimage.gaussian_filter(rng.normal(size=x.shape), 3)
    found = rough((noise + 4 * texture / np.std(texture) * np.where(x < 120, 1, 10)).astype(np.float32))
    assert found[8:-8, 8:112].mean() > 0.95
    assert found[8:-8, 128:-8].mean() > 0.95


def test_an_edge_that_is_sharp_in_part_is_not_denied():
    """Of a border a third of which is sharp and still the page says so, of one with hardly any that there is none."""
    assert "no sharp edge stands still" in no_edge(0.04)
    assert "only 35 % of the edge about it is sharp and stands still" in no_edge(0.349)
    assert "no sharp edge" not in no_edge(0.349)


def test_cloud_beside_dark_land_is_cut_off_again():
    """Of what was told for ground, planted lit cloud within a fifth of the sky's light goes, be a hundredth of it empty
    for certain or nothing; a dark hill, a lamp's pool three times the sky's light, a pale wall a fifth of which is
    empty for certain, and all beside land of the sky's light stay."""
    rng = np.random.default_rng(9)
    y, x = np.mgrid[0:200, 0:300]
    hill, cloud = y >= 150, (y >= 60) & (y < 150) & (abs(x - 150) < 60)
    pool, wall = hill & (x < 60), hill & (x > 240)
    level = np.where(pool, 1500, np.where(wall, 550, np.where(hill, 40, 500 * rng.uniform(0.8, 1.2, y.shape))))
    picture, sky = np.stack([level] * 3).astype(np.float32), np.full((3, 200, 300), 500, np.float32)
    roots = hill & (y > 190)
    found = cloud_in(hill | cloud, roots, picture, sky, np.full_like(sky, 40))
    np.testing.assert_array_equal(found, cloud)
    few = roots | (cloud & (y < 61))
    assert 0.005 < few[cloud].mean() < 0.015
    np.testing.assert_array_equal(cloud_in(hill | cloud, few, picture, sky, np.full_like(sky, 40)), cloud)
    assert not cloud_in(hill | cloud, roots, picture, sky, np.full_like(sky, 400)).any()


def test_two_frames_tell_nothing():
    """Of fewer than three frames nothing is told, and the sentence says so."""
    night = nightscape((), **SMALL)
    geometry = pipeline_geometry(night.scenario, 2, 0)
    hold = replace(hold_of(geometry, {}, None))
    frames = [Frame(name, None, (480, 720), 1.0, 1.0, 0.0, ()) for name in frame_ids(2)]  # type: ignore[arg-type]
    told = find_ground(geometry, hold, {}, frames, Mosaics([]), Calibration()).told
    assert told.cells is None
    assert "fewer than three frames" in told.why
