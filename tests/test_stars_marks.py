"""Streaks and doubled stars on rendered frames."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import convolve, gaussian_filter, map_coordinates
from scipy.spatial.transform import Rotation

from pipeline.judging.tracks import Laying, lay
from pipeline.scene.neighbours import finer, neighbour_of, witnesses
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sky.camera import Camera
from pipeline.stars.beyond import (
    MISSED,
    MISSED_TIMES,
    NEAR,
    OFF_MOST,
    ORDER,
    QUIET,
    RANGE,
    Glance,
    Witness,
    beyond_neighbours,
    flat,
    laid_on,
    narrow,
    unlike,
)
from pipeline.stars.blocks import farthest, flattened, free_means, line_sums, over_spread
from pipeline.stars.detect import Detections
from pipeline.stars.doubles import doubling, far_doubling
from pipeline.stars.followed import is_edge
from pipeline.stars.lights import light_of
from pipeline.stars.measure import measure_frame, measure_mosaic
from pipeline.stars.streaks import find_streaks
from tests.starfields import Field, mosaic, random_field, render

BLACK = (512.0,) * 4
SHAPE = (900, 1300)
HEADER = MosaicHeader("frame", "RGGB", BLACK, 16000)


def frame_with(rng, light, fwhm=2.4):
    """A frame of 250 stars and this light."""
    field = random_field(rng, SHAPE, 250, (800, 60000))
    return measure_frame(mosaic(rng, render(SHAPE, field, fwhm) + light), "RGGB", BLACK, 16000)


def line(x1, y1, x2, y2, height, width=1.0):
    """A straight streak of Gaussian profile."""
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    length = math.hypot(x2 - x1, y2 - y1)
    along = ((columns - x1) * (x2 - x1) + (rows - y1) * (y2 - y1)) / length
    across = ((columns - x1) * (y2 - y1) - (rows - y1) * (x2 - x1)) / length
    return height * np.exp(-(across**2) / (2 * width**2)) * ((along >= 0) & (along <= length))


SHIFT = 5.3, -2.1  # px, by which the sky moves from frame to frame


def seen_beside(rng, field, light, fwhm=2.4, neighbours=2, sky=None, air=1.0):
    """A frame of these stars and this light, and what it shows beyond frames before and after it without the light,
    whose air lets so much of the stars through; `sky` gives the light of frame -1, 0, 1."""
    frames = []
    for n in (0, -1, 1)[: neighbours + 1]:
        flux = field.flux * (air if n else 1)
        moved = Field(field.x + n * SHIFT[0], field.y + n * SHIFT[1], flux)
        image = render(SHAPE, moved, fwhm) + light * (n == 0) + (0 if sky is None else sky(n))
        frames.append(measure_frame(mosaic(rng, image), "RGGB", BLACK, 16000))
    kept = [neighbour_of(found, HEADER) for found in frames]
    beside = [witnesses(kept[0], other)[0] for other in kept[1:]]
    return frames[0].detections, beyond_neighbours(frames[0].detections, kept[0].glance, beside)


def streaks_beside(rng, field, light, fwhm=2.4, neighbours=2):
    """Streaks of that frame."""
    return find_streaks(*seen_beside(rng, field, light, fwhm, neighbours))


def rays(n):
    """Rays of an aurora, 400 ADU high and 90 px wide at half their height, that walk 70 px from frame to frame."""
    columns, rows = np.arange(SHAPE[1])[None], np.arange(SHAPE[0])[:, None]
    from_ray = (columns + 0.1 * rows - 70 * n) % 260 - 130
    return 400 * np.exp(-(from_ray**2) / (2 * 38**2)) * np.exp(-(((rows - 400) / 200) ** 2))


@pytest.mark.parametrize(("place", "found"), [((500, 330, 640, 450), 1), ((800, 420, 930, 330), 1), (None, 0)])
def test_a_meteor_among_an_auroras_rays_is_found(place, found):
    """A meteor of 130 ADU, where rays of 400 ADU walk from frame to frame, is listed once, in its place; rays alone
    are no streaks."""
    rng = np.random.default_rng(21)
    light = np.zeros(SHAPE) if place is None else line(*place, 130)
    field = random_field(rng, SHAPE, 250, (800, 60000))
    listed = find_streaks(*seen_beside(rng, field, light, sky=rays))
    assert len(listed) == found
    for streak in listed:
        ends = np.array(sorted([(streak.x1, streak.y1), (streak.x2, streak.y2)]))
        assert np.abs(ends - np.array(sorted([place[:2], place[2:]]))).max() < 40


def test_blocks_above_their_level_equal_scipys():
    """What is taken off is SciPy's cubic spline through the medians of cells of 8 blocks."""
    image = np.random.default_rng(3).normal(0, 9, (45, 70)).astype(np.float32)
    cells = image[:40, :64].reshape(5, 8, 8, 8).swapaxes(1, 2).reshape(5, 8, 64)
    level = np.sort(cells, axis=-1)[..., 31].astype(float)
    rows, columns = np.mgrid[0:45, 0:70]
    at = np.clip((rows + 0.5) / 8 - 0.5, 0, 4), np.clip((columns + 0.5) / 8 - 0.5, 0, 7)
    slow = image - map_coordinates(level, at, order=3, mode="mirror")
    np.testing.assert_allclose(narrow(image.copy()), slow, atol=1e-4)


def test_a_slope_is_no_edge():
    """A line of light on the slope of something broad has no edge beside it; where one side stays brighter it has."""
    columns = np.arange(200.0)[None] + np.zeros((100, 1))
    light = 50 * np.exp(-((columns - 100) ** 2) / 8)
    for sky, edge in ((3 * columns, False), (60.0 * (columns > 100), True), (3 * columns + 60 * (columns > 100), True)):
        seen = Detections(np.empty(0), np.empty((0, 0)), None, (light + sky).astype(np.float32), 1.0)
        assert is_edge(seen, np.array([[100.0, 20.0], [100.0, 80.0]]), 2) is edge


def test_strobes_in_a_crowd_are_told_beside_neighbours():
    """Where stars as bright as strobes stand beside every line, those on an aircraft's are told by a neighbour that
    does not show them; by the frame alone they are not."""
    rng = np.random.default_rng(12)
    x = np.linspace(150, 1150, 14)
    strobes = render(SHAPE, Field(x, 100 + 0.5 * x, np.full(14, 30000.0)), 2.8)
    crowd = random_field(rng, SHAPE, 4000, (1500, 60000), apart=4.0)
    seen, beside = seen_beside(rng, crowd, line(50, 125, 1250, 725, 150) + strobes, neighbours=1)
    streak = find_streaks(seen, beside)[0]
    assert streak.length > 1100
    assert light_of(seen, streak, beside).flashes >= 7
    assert light_of(seen, streak).flashes < 3


@pytest.mark.parametrize("seed", [21, 22, 23])
def test_dim_strobes_on_dim_lamps_are_told_beside_neighbours(seed):
    """Eight strobes of four standard deviations of what is beyond the neighbours, on lamps of one: too dim for pieces
    and too short for votes, but a row that a line of light joins. It is an aircraft and ends at its strobes."""
    rng = np.random.default_rng(seed)
    x = np.linspace(600, 852, 8)
    strobes = render(SHAPE, Field(x, 90 + 0.22 * x, np.full(8, 1100.0)), 2.4)
    light = line(582, 218, 870, 281.4, 8) + strobes
    seen, beside = seen_beside(rng, random_field(rng, SHAPE, 800, (800, 60000)), light)
    (streak,) = find_streaks(seen, beside)
    left, right = sorted(((streak.x1, streak.y1), (streak.x2, streak.y2)))
    assert math.dist(left, (600, 222)) < 37 + 4  # a star may hide the first
    assert math.dist(right, (852, 277.4)) < 4
    assert light_of(seen, streak, beside).flashes >= 5


def test_strobes_beside_satellites_and_a_meteor():
    """An aircraft of 14 strobes and no lamps is found in a frame that two satellites and a meteor cross, once each."""
    rng = np.random.default_rng(2)
    light = line(100, 100, 1200, 700, 70) + line(1150, 80, 300, 820, 60) + line(600, 600, 760, 560, 50)
    strobes = Field(np.linspace(200, 1100, 14), np.linspace(850, 350, 14), np.full(14, 40000.0))
    found = find_streaks(frame_with(rng, light + render(SHAPE, strobes, 2.4)).detections)
    assert len(found) == 4
    ends = [sorted([(s.x1, s.y1), (s.x2, s.y2)]) for s in found]
    assert min(np.abs(np.array(e) - [(200, 850), (1100, 350)]).max() for e in ends) < 15


@pytest.mark.parametrize(
    ("height", "place"), [(60, (200, 150, 700, 500)), (12, (0, 700, 1299, 250)), (40, (900, 80, 990, 300))]
)
def test_streaks_are_found_with_their_ends(height, place):
    """A bright satellite, one of 1.2 sigma across the whole frame and a short one come back once, in their place."""
    found = find_streaks(frame_with(np.random.default_rng(height), line(*place, height)).detections)
    assert len(found) == 1
    ends = sorted([(found[0].x1, found[0].y1), (found[0].x2, found[0].y2)])
    true = sorted([place[:2], place[2:]])
    # a line without end is cut short by a few blocks of 8 px
    assert np.abs(np.array(ends) - np.array(true)).max() < 60
    slope = math.atan2(found[0].y2 - found[0].y1, found[0].x2 - found[0].x1) - math.atan2(
        place[3] - place[1], place[2] - place[0]
    )
    assert abs(math.sin(slope)) < 0.03


def test_frames_without_streaks_have_none():
    """Stars, trailed stars, a defective column and a horizon are no streaks."""
    rng = np.random.default_rng(2)
    assert find_streaks(frame_with(rng, np.zeros(SHAPE)).detections) == []
    field = random_field(rng, SHAPE, 250, (3000, 90000))
    trailed = mosaic(rng, render(SHAPE, field, 2.4, motion=(14.0, 9.0)))
    trailed[:, 400] += 300
    assert find_streaks(measure_frame(trailed, "RGGB", BLACK, 16000).detections) == []


def test_a_kick_doubles_every_star():
    """Stars drawn twice 9 px apart, 60 % and 40 % of the time, give the separation within 0.6 px and 4 degrees."""
    rng = np.random.default_rng(3)
    field = random_field(rng, SHAPE, 250, (5000, 90000))
    light = render(SHAPE, Field(field.x, field.y, 0.6 * field.flux), 2.3)
    light += render(SHAPE, Field(field.x + 7.2, field.y + 5.4, 0.4 * field.flux), 2.3)
    found = measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections
    double = doubling(found.residual, found.objects["ypeak"], found.objects["xpeak"], found.noise, 9000.0)
    assert double is not None
    assert double.length == pytest.approx(9.0, abs=0.6)
    assert double.angle_deg == pytest.approx(36.9, abs=4)
    assert double.height == pytest.approx(0.67, abs=0.12)


@pytest.mark.parametrize("share", [0.25, 0.4, 0.6, 0.72])
def test_either_image_may_be_the_higher_one(share):
    """A kick early or late in the exposure is found as well: a fainter companion before or behind the brighter star."""
    rng = np.random.default_rng(int(100 * share))
    field = random_field(rng, SHAPE, 60, (9000, 40000))
    light = render(SHAPE, Field(field.x, field.y, share * field.flux), 2.3)
    light += render(SHAPE, Field(field.x - 7.0, field.y + 7.0, (1 - share) * field.flux), 2.3)
    found = measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections
    double = doubling(found.residual, found.objects["ypeak"], found.objects["xpeak"], found.noise, 9000.0)
    assert double is not None
    assert double.length == pytest.approx(9.9, abs=0.7)
    assert double.angle_deg == pytest.approx(135, abs=5)


@pytest.mark.parametrize(("share", "fwhm"), [(0.25, 2.3), (0.16, 2.3), (0.25, 3.2)])
@pytest.mark.parametrize("stars", [250, 4000])
def test_a_companion_in_the_stars_own_foot_is_found(share, fwhm, stars):
    """A quarter of the light 1.7 star widths off, a sixth of it of sharp stars: too near for a gap between the images,
    but on one side of every star; in a crowd too."""
    rng = np.random.default_rng(stars)
    field = random_field(rng, SHAPE, stars, (3000, 60000), apart=16.0 if stars < 1000 else 4.0)
    apart = 1.7 * fwhm
    light = render(SHAPE, Field(field.x, field.y, (1 - share) * field.flux), fwhm)
    light += render(SHAPE, Field(field.x + 0.9 * apart, field.y + 0.436 * apart, share * field.flux), fwhm)
    found = measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections
    double = doubling(found.residual, found.objects["ypeak"], found.objects["xpeak"], found.noise, 9000.0)
    assert double is not None
    assert double.length == pytest.approx(apart, abs=0.8)
    assert double.angle_deg == pytest.approx(25.8, abs=8)


def test_what_a_lens_and_an_uneven_trail_make_is_no_companion():
    """Coma, whose tail of a quarter of the light points outward in every part of the picture, of which land may hide
    one half, and a trail that a cloud dims towards its end have no companion that all stars share."""
    rng = np.random.default_rng(7)
    field = random_field(rng, SHAPE, 250, (5000, 90000))
    field = Field(*(values[field.y < 520] for values in (field.x, field.y, field.flux)))
    outward = np.stack([field.x - 650, field.y - 450]) / 790
    coma = render(SHAPE, Field(field.x, field.y, 0.75 * field.flux), 2.3)
    for t in np.linspace(0.2, 1, 8):
        tail = field.x + 6 * t * outward[0], field.y + 6 * t * outward[1]
        coma += render(SHAPE, Field(*tail, field.flux * 0.25 / 8), 2.3)
    trail = np.zeros(SHAPE)
    for t in np.linspace(0, 1, 12):
        trail += render(SHAPE, Field(field.x + 6 * t, field.y + 2 * t, field.flux * (1 - 0.5 * t) / 9), 2.3)
    for light in (coma, trail):
        found = measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections
        places = found.objects["ypeak"], found.objects["xpeak"]
        assert doubling(found.residual, *places, found.noise, 9000.0) is None


@pytest.mark.parametrize(("share", "number"), [(0.35, 60), (0.5, 250)])
def test_a_kick_of_a_hundred_pixels_is_found(share, number):
    """Stars drawn twice 110 px apart are doubled, in sparse fields and in fuller ones; single ones are not."""
    rng = np.random.default_rng(number)
    field = random_field(rng, SHAPE, number, (9000, 90000))
    light = render(SHAPE, Field(field.x, field.y, share * field.flux), 2.3)
    light += render(SHAPE, Field(field.x - 66.0, field.y + 88.0, (1 - share) * field.flux), 2.3)
    stars = measure_mosaic(mosaic(rng, light), "RGGB", BLACK, 16000)
    double = far_doubling(stars, SHAPE[1], SHAPE[0])
    assert double is not None
    assert double.length == pytest.approx(110, abs=0.5)
    assert double.angle_deg == pytest.approx(126.9, abs=0.5)
    assert double.height == pytest.approx(share / (1 - share), abs=0.1)
    single = measure_mosaic(mosaic(rng, render(SHAPE, field, 2.3)), "RGGB", BLACK, 16000)
    assert far_doubling(single, SHAPE[1], SHAPE[0]) is None
    assert far_doubling(single[:20], SHAPE[1], SHAPE[0]) is None


@pytest.mark.parametrize("known", [False, True])
def test_flashes_of_an_aircraft_are_no_doubled_stars(known):
    """Two thirds of a sparse field's peaks are an aircraft's double flashes: no star is doubled for that, whether the
    streak between the flashes was found or not."""
    rng = np.random.default_rng(6)
    field = random_field(rng, SHAPE, 40, (9000, 40000))
    first = np.arange(40.0, 1280.0, 30.0)
    x = np.concatenate([first, first + 9.0])
    flashes = Field(x, 60.0 + 0.6 * x, np.full(len(x), 15000.0))
    light = render(SHAPE, field, 2.3) + render(SHAPE, flashes, 2.8)
    found = measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections
    lines = np.array([[150.0, 120.0, 450.0, 300.0]]) if known else None  # half-size px: y = 30 + 0.6 x
    places = found.objects["ypeak"], found.objects["xpeak"]
    assert doubling(found.residual, *places, found.noise, 9000.0, lines) is None
    assert len(found.objects) > 3 * 40 - 10


@pytest.mark.parametrize("motion", [(0.0, 0.0), (6.0, 0.0), (20.0, 5.0)])
def test_single_and_trailed_stars_are_not_doubled(motion):
    """Round stars, and stars drawn out without a gap, are not doubled."""
    rng = np.random.default_rng(4)
    field = random_field(rng, SHAPE, 250, (5000, 90000))
    found = measure_frame(mosaic(rng, render(SHAPE, field, 2.3, motion=motion)), "RGGB", BLACK, 16000).detections
    assert doubling(found.residual, found.objects["ypeak"], found.objects["xpeak"], found.noise, 9000.0) is None


def test_free_means_equal_numpy():
    """The compiled block means equal their NumPy statement."""
    rng = np.random.default_rng(5)
    image = rng.normal(size=(26, 34)).astype(np.float32)
    segments = (rng.random((26, 34)) < 0.45).astype(np.int32)
    free = np.where(segments == 0, image, np.nan)[:24, :32].reshape(6, 4, 8, 4)
    number = np.isfinite(free).sum(axis=(1, 3))
    slow = np.where(number >= 8, np.nansum(free, axis=(1, 3)) / number, np.nan)
    np.testing.assert_allclose(free_means(image, segments, 4), slow, rtol=1e-5)
    assert np.isnan(slow).any()


def test_nothing_to_see_is_no_error():
    """An empty image has neither streaks nor doubles."""
    empty = measure_frame(np.full((200, 300), 600, np.uint16), "RGGB", BLACK, 16000).detections
    assert isinstance(empty, Detections)
    assert find_streaks(empty) == []
    assert doubling(empty.residual, empty.objects["ypeak"], empty.objects["xpeak"], 1.0, 9000.0) is None


def crowd(rng, number, free=(0, 0)):
    """So many stars, strewn evenly, numbers rising tenfold in 2.5 magnitudes; none between the columns `free`."""
    flux = np.minimum(400 * (1 + rng.pareto(1.0, number)), 3e5)
    x, y = rng.uniform(0, SHAPE[1] - 1, number), rng.uniform(0, SHAPE[0] - 1, number)
    there = (x < free[0]) | (x > free[1])
    return Field(x[there], y[there], flux[there])


@pytest.mark.parametrize(("stars", "height"), [(4000, 25), (9000, 40)])
def test_streaks_among_crowded_stars_are_found(stars, height):
    """A satellite of 2.3 sigma a pixel where stars cover a tenth of the frame, one of 3.3 where they cover a fifth."""
    place = (100, 150, 1150, 700)
    rng = np.random.default_rng(1)
    found = streaks_beside(rng, crowd(rng, stars), line(*place, height))
    assert len(found) == 1
    ends = np.array(sorted([(found[0].x1, found[0].y1), (found[0].x2, found[0].y2)]))
    direction = np.array([place[2] - place[0], place[3] - place[1]]) / math.hypot(1050, 550)
    off = (ends - place[:2]) @ np.array([-direction[1], direction[0]])
    assert np.abs(off).max() < 12
    # bright stars beyond the ends may be taken for more of it
    reach = (ends - place[:2]) @ direction
    assert -110 < reach[0] < 40
    assert 1140 < reach[1] < 1185 + 110


def test_a_streak_that_flares_in_a_gap_is_one():
    """A faint satellite that flares where a dark lane shows it well is listed once, with what the crowd hides of it."""
    light = line(100, 150, 1150, 700, 18) + line(660, 443.3, 745, 487.9, 30)
    rng = np.random.default_rng(5)
    (whole,) = streaks_beside(rng, crowd(rng, 9000, (640, 760)), light)
    low, high = sorted([(whole.x1, whole.y1), (whole.x2, whole.y2)])
    assert abs(low[0] - 100) < 110
    assert abs(high[0] - 1150) < 110


@pytest.mark.parametrize("place", [(300, 200, 410, 240), (900, 300, 1050, 290)])
def test_a_short_line_among_crowded_stars_is_found(place):
    """Lines of 117 and 150 px and 8 sigma a pixel, cut up by stars over a tenth of the frame, lie where they were put;
    no other is found."""
    rng = np.random.default_rng(place[0])
    (found,) = streaks_beside(rng, crowd(rng, 4000), line(*place, 90))
    ends = sorted([(found.x1, found.y1), (found.x2, found.y2)])
    # an end is told by windows of 40 px
    assert np.abs(np.array(ends) - np.array(sorted([place[:2], place[2:]]))).max() < 60


def test_a_meteor_of_40_px_among_crowded_stars_is_found():
    """Where neighbours show the stars just so, what is as short as a meteor's bright part is sure: 40 px, 10 sigma."""
    rng = np.random.default_rng(6)
    places = [(400, 300, 432, 324), (900, 500, 925, 531), (300, 700, 340, 702)]
    for x1, y1, x2, y2 in places:
        found = streaks_beside(rng, crowd(rng, 4000), line(x1, y1, x2, y2, 110))
        assert len(found) == 1
        middle = np.array([found[0].x1 + found[0].x2, found[0].y1 + found[0].y2]) / 2
        assert np.abs(middle - ((x1 + x2) / 2, (y1 + y2) / 2)).max() < 15


@pytest.mark.parametrize(("fwhm", "air"), [(2.4, 0.75), (4.2, 1.0)])
def test_a_frame_unlike_its_neighbours_has_no_streak(fwhm, air):
    """A crowd that shows more than its neighbours, which haze dimmed, all over the frame makes no short lines."""
    rng = np.random.default_rng(11)
    field = crowd(rng, 9000)
    listed = find_streaks(*seen_beside(rng, field, np.zeros(SHAPE), fwhm, air=air))
    assert listed == []


def test_stars_on_one_line_are_no_strobes():
    """Ten bright stars that happen to stand on a line differ in brightness, as one lamp's flashes do not."""
    rng = np.random.default_rng(3)
    along = np.sort(rng.uniform(200, 1100, 10))
    for differ, number in ((1.6, 0), (0.0, 1)):
        flux = 30000.0 * np.exp(differ * rng.uniform(-1, 1, 10))
        stars = Field(along, 900 - 0.5 * along, flux)
        assert len(find_streaks(frame_with(rng, render(SHAPE, stars, 2.4)).detections)) == number


@pytest.mark.parametrize("stars", [4000, 9000])
def test_crowded_stars_alone_make_no_streak(stars):
    """Chance lines of a crowd, the fullest of a hundred thousand, stay below the limit."""
    rng = np.random.default_rng(2)
    assert streaks_beside(rng, crowd(rng, stars), np.zeros(SHAPE)) == []


def test_noise_votes_for_no_line_where_it_is_louder():
    """Where a lit horizon is four times as noisy as the rest, chance lifts 2.3 % above two spreads, here as there."""
    blocks = np.random.default_rng(1).normal(0, 1, (120, 180))
    blocks[96:] *= 4
    high = over_spread(*flattened(blocks)) > 2
    # the upper tail of a normal distribution beyond 2 standard deviations: 0.02275
    assert high[96:].mean() == pytest.approx(0.02275, abs=0.006)
    assert high[:96].mean() == pytest.approx(0.02275, abs=0.006)


def test_line_sums_equal_numpy():
    """Sums over lines are those of each angle's places counted one by one."""
    values = np.random.default_rng(4).normal(0, 1, (30, 41))
    rows, columns = np.mgrid[0:30, 0:41]
    sums = line_sums(rows.ravel(), columns.ravel(), values.ravel(), values.shape)
    for k in (1, 77, 200, 359):
        at = np.rint(columns * math.cos(k * math.pi / 360) + rows * math.sin(k * math.pi / 360)).astype(int)
        slow = np.bincount((at + farthest(30, 41)).ravel(), values.ravel(), sums.shape[1])
        np.testing.assert_allclose(sums[k], slow, atol=1e-9)


def test_what_is_beyond_neighbours_equals_numpy():
    """The compiled loops give what NumPy and SciPy do: neighbours laid by linear interpolation, the brighter of stars
    and pixels taken off, over an error that grows with the range about a place as in its part of the picture."""
    rng = np.random.default_rng(8)
    light, first, second = (rng.normal(0, 9, (40, 70)).astype(np.float32) for _ in range(3))
    rows, columns = np.mgrid[0:40, 0:70].astype(float)
    most, wide, shifts = np.full((40, 70), -np.inf), np.zeros((40, 70)), ((1.25, -2.5), (-3.75, 0.5))
    for other, (x, y) in zip((first, second), shifts, strict=True):
        inside = (columns + x >= 0) & (columns + x < 69) & (rows + y >= 0) & (rows + y < 39)
        laid = map_coordinates(other.astype(float), [rows + y, columns + x], order=1, mode="nearest")
        most = np.where(inside, np.maximum(most, laid), most)
        corners = [np.roll(other, (-math.floor(y) - a, -math.floor(x) - b), (0, 1)) for a in (0, 1) for b in (0, 1)]
        wide = np.where(inside, np.maximum(wide, np.ptp(corners, axis=0)), wide)
    slow = light - np.maximum(most, np.minimum(first, second))
    telling = np.isfinite(most) & (wide > 2 * RANGE)
    off = np.minimum(np.maximum(np.abs(slow) - 2 * QUIET, 0) / np.where(telling, wide, 1), OFF_MOST)
    sums = [np.pad(np.where(telling, part, 0), ((0, 8), (0, 10))) for part in (off, np.ones_like(off))]
    sums = [np.add.reduceat(np.add.reduceat(part, range(0, 48, NEAR), 0), range(0, 80, NEAR), 1) for part in sums]
    sums = [convolve(part, np.ones((3, 3)), mode="constant") for part in sums]
    missed = np.clip(MISSED_TIMES * sums[0] / np.maximum(sums[1], 1), *MISSED)
    missed = np.repeat(np.repeat(missed, NEAR, 0), NEAR, 1)[:40, :70]
    slow /= np.sqrt(4 + (missed * wide) ** 2)
    terms = [np.pad(np.array([[shift]]), ((0, ORDER), (0, ORDER), (0, 0))) for shift in shifts]
    witnessed = [Witness(Glance(other, 2.0), t) for other, t in zip((first, second), terms, strict=True)]
    fast, _ = unlike(Glance(light, 2.0), witnessed)
    assert np.isfinite(most).mean() > 0.9
    np.testing.assert_allclose(fast, np.where(np.isfinite(most), slow, 0), rtol=1e-4, atol=1e-4)


def test_a_neighbours_streak_leaves_no_band_beside_it() -> None:
    """Where a neighbour alone has a bright streak a frame lies below nothing, at its flanks by little: what is beside
    them stood out by 0.2 of a block's noise, and chance made a streak of it."""
    y, x = np.mgrid[:240, :360]
    off = np.abs((y - 120) - 0.62 * (x - 180)) / np.hypot(1, 0.62)
    image = np.random.default_rng(4).normal(0, 1, off.shape).astype(np.float32)
    image[off < 1.5] -= 2.5
    flat(image)
    # the error of a mean of some 4,200 blocks is 0.015
    assert abs(image[(off > 3) & (off < 8)].mean()) < 0.08
    assert abs(image[off > 30].mean()) < 0.03


def test_each_part_has_its_own_spread():
    """A sky that changes over half a picture, ten times as much as the noise, leaves a line over the other half its
    height: 3 standard deviations of there."""
    rng = np.random.default_rng(4)
    image = rng.normal(0, 1, (160, 300)).astype(np.float32)
    image[:, 150:] *= 10
    image[80, 20:90] += 3
    flat(image)
    quiet, restless = np.delete(image[10:-10, 10:110], 70, axis=0), image[10:-10, 190:290]
    assert np.std(quiet) == pytest.approx(1, abs=0.1)
    assert np.std(restless) == pytest.approx(1, abs=0.15)
    assert np.mean(image[80, 25:85]) == pytest.approx(3, abs=0.5)


def test_steady_stars_cost_little():
    """Among stars that stay as they are the error beside neighbours is the noise's and a twentieth of their light's
    range; where they were blurred by wind it is more."""
    rng = np.random.default_rng(5)
    steady = gaussian_filter(rng.random((160, 240)) ** 200, 1.2).astype(np.float32) * 4000
    windy = gaussian_filter(steady, 1.0)
    noise = [rng.normal(0, 1, steady.shape).astype(np.float32) for _ in range(3)]
    witnessed = [Witness(Glance(steady + part, 1.0), np.zeros((ORDER + 1, ORDER + 1, 2))) for part in noise[:2]]
    seen = (unlike(Glance(sky + noise[2], 1.0), witnessed)[0] for sky in (steady, windy))
    still, blown = (np.abs(image[20:-20, 20:-20]) for image in seen)
    # of the difference of one value of noise and the larger of two others the usual size is 1.2
    assert 0.7 < np.mean(still) < 1.3
    assert np.quantile(blown, 0.99) < 6


def test_a_wide_lens_is_laid_on_its_neighbour_to_its_edges():
    """A lens of 14 mm over 36 mm that bends the picture, the sky three minutes on: along the edges a map of squares is
    several px off, the finer one less than half a block of 4 px, there and back, and so are the blocks' terms."""
    rng = np.random.default_rng(6)
    camera, turn = Camera.simple(584.0, 1500, 1002), Rotation.from_rotvec([0.4, -0.6, 0.69], degrees=True)
    middle = np.array([749.5, 500.5])

    def bent(straight):
        square = (((straight - middle) / 584) ** 2).sum(axis=1, keepdims=True)
        return middle + (straight - middle) * (1 - 0.11 * square + 0.035 * square**2)

    def later(straight, turn):
        return np.column_stack(camera.project(turn.apply(camera.unproject(*straight.T))))

    def inside(xy, rim=0):
        return (xy >= rim).all(axis=1) & (xy < np.array([1500, 1002]) - rim).all(axis=1)

    stars = rng.uniform((-300, -200), (1800, 1202), (2400, 2))
    first, second = (bent(xy) + rng.normal(0, 0.1, xy.shape) for xy in (stars, later(stars, turn)))
    first, second = first[inside(first)], second[inside(second)]
    laid = lay(first[:300], second[:300], 1500.0)
    grid = np.stack(np.meshgrid(np.arange(-300, 1800, 12.0), np.arange(-200, 1200, 12.0)), axis=-1).reshape(-1, 2)
    rim = grid[inside(bent(grid)) & ~inside(bent(grid), 20)]
    assert np.hypot(*(laid(bent(rim)) - bent(later(rim, turn))).T).max() > 4
    for map_, ones, others, way in ((laid, first, second, turn), (laid.back(), second, first, turn.inv())):
        terms = laid_on(Glance(np.zeros((4, 4), np.float32), 1.0), finer(map_, ones, others), map_.scale).terms
        blocks = (bent(rim) - 1.5) / 4
        there = blocks + np.polynomial.polynomial.polyval2d(*blocks.T, terms).T
        assert np.hypot(*(4 * there + 1.5 - bent(later(rim, way))).T).max() < 2


def test_a_map_turned_back_leads_back():
    """Through a map of a turned, bent sky and back again a place is where it was, to a hundredth of a pixel."""
    bend = np.array([[12.0, -30.0], [-4.0, 22.0], [-22.0, -5.0], [3.0, 1.0], [-2.0, 2.5], [1.0, -3.0]])
    laid = Laying(np.empty((0, 2), np.int64), 6, bend, 6000.0)
    there = np.random.default_rng(1).uniform((0, 0), (6000, 4000), (50, 2))
    np.testing.assert_allclose(laid.back()(laid(there)), there, atol=0.01)
