"""What drew a streak, told from its light; small pictures of frames."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from pipeline.config import JudgeSettings
from pipeline.judge import Graded, judge_scene
from pipeline.judging.clouds import Sky
from pipeline.judging.land import Land
from pipeline.judging.passing import passing_streaks, without_unlikely
from pipeline.judging.verdicts import Figures
from pipeline.pages.passing import streak_rows, streak_sentence
from pipeline.stars.followed import follow
from pipeline.stars.glimpse import streak_picture, whole_picture
from pipeline.stars.lights import LANES_REACH, Light, kind_of, light_of, strobes
from pipeline.stars.lines import fullest_line, on_lines
from pipeline.stars.measure import measure_frame
from pipeline.stars.streaks import Streak, find_streaks
from pipeline.stars.tiles import TILES
from tests.labelled import Setting, make_scene
from tests.starfields import Field, mosaic, random_field, render

BLACK = (512.0,) * 4
SHAPE = (900, 1300)
DIAGONAL = math.hypot(*SHAPE)


def drawn(rng, x1, y1, x2, y2, course, stars=60):
    """What is found of a frame with this light along a line, `course` its height at shares 0 to 1, sigma 1.2 px."""
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    length = math.hypot(x2 - x1, y2 - y1)
    along = ((columns - x1) * (x2 - x1) + (rows - y1) * (y2 - y1)) / length**2
    across = ((columns - x1) * (y2 - y1) - (rows - y1) * (x2 - x1)) / length
    light = np.where((along >= 0) & (along <= 1), course(np.clip(along, 0, 1)), 0.0) * np.exp(-(across**2) / 2.88)
    light += render(SHAPE, random_field(rng, SHAPE, stars, (2000, 60000)), 2.4)
    return measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections


def test_a_meteor_brightens_and_fades_inside_the_frame():
    """A short line that brightens and fades is a meteor; its width and brightness come back."""
    found = drawn(np.random.default_rng(1), 400, 300, 590, 420, lambda s: 900 * s**1.5 * (1 - s) ** 0.35)
    (streak,) = find_streaks(found)
    light = light_of(found, streak)
    assert kind_of(light, streak.length, DIAGONAL, goes_on=False) == "meteor"
    assert kind_of(light, streak.length, DIAGONAL, goes_on=True) == "satellite"
    # a Gaussian of sigma 1.2 px, seen in means of 2 px and 3 px of its profile
    assert light.width_px == pytest.approx(2.3548 * 1.2, rel=0.5)
    assert light.flashes == 0
    assert light.ends_inside == 2


@pytest.mark.parametrize("flares", [True, False])
def test_a_long_meteor_flares(flares):
    """Light over two fifths of the frame that rises and fades within it is a meteor's; an even line is none, though the
    end it was followed to lies past its light."""
    found = drawn(
        np.random.default_rng(5), 300, 200, 900, 350, lambda s: 700 * s**3 * (1 - s) if flares else 70 + 0 * s
    )
    light = light_of(found, Streak(300, 200, 900 + 70 * (not flares), 350 + 17.5 * (not flares), 5.0))
    assert light.tapering < 0.6
    assert (kind_of(light, 620, DIAGONAL, goes_on=False) == "meteor") == flares


@pytest.mark.parametrize("height", [25, 60])
def test_a_piece_is_followed_to_the_ends_of_its_light(height):
    """Of a faint line a piece is found, some px off and turned: the whole lies on the light drawn, and ends with it."""
    found = drawn(np.random.default_rng(4), 150, 650, 1299, 200, lambda s: height + 0 * s, stars=400)
    piece = Streak(545.0, 487.0, 645.0, 456.0, 1.0)  # 8 px off the line, turned by 4 degrees
    (x1, y1), (x2, y2) = 2 * follow(found, piece.ends(2), 2, True) + 0.5
    along = np.array([1149.0, -450.0]) / math.hypot(1149, 450)
    for (x, y), (tx, ty) in (((x1, y1), (150, 650)), ((x2, y2), (1299, 200))):
        off = np.array([x - tx, y - ty])
        assert abs(off @ along) < 45  # a window of 40 px is lit or not
        assert abs(off @ np.array([-along[1], along[0]])) < 4
    assert (
        kind_of(light_of(found, Streak(x1, y1, x2, y2, 1.0)), math.hypot(x2 - x1, y2 - y1), DIAGONAL, False)
        == "satellite"
    )


@pytest.mark.parametrize(("length", "kind"), [(80, "unknown"), (300, "satellite")])
def test_a_short_even_line_is_not_told(length, kind):
    """What is even, ends within the frame and shows in no other is a satellite where it is long; where it is short it
    may be the bright part of a meteor."""
    light = Light(3.0, 200.0, 0, 1.0, 0.95, 2, 0.0)
    assert kind_of(light, length, DIAGONAL, goes_on=False) == kind
    assert kind_of(light, length, DIAGONAL, goes_on=True) == "satellite"


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_piece_of_a_line_that_goes_on_is_no_meteor(goes_on):
    """A piece inside the frame that brightens and fades is a meteor, unless the line's light goes on past an end."""

    def course(share):
        wave = np.sin(np.pi * 6 * share) ** 2
        return 300 * (0.5 + wave) if goes_on else np.where((share > 1 / 3) & (share < 1 / 2), 450 * wave, 0)

    light = light_of(drawn(np.random.default_rng(3), 100, 150, 1150, 700, course), Streak(450, 333.3, 625, 425, 5.0))
    assert (light.beyond > 0.5) == goes_on
    assert (kind_of(light, 198, DIAGONAL, goes_on=False) == "meteor") != goes_on


def test_an_edge_is_not_followed():
    """The border of something bright, as of a cloud, is no line: its ends stay as they were found."""
    rng = np.random.default_rng(9)
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    off = (rows - 400 - 0.2 * columns) / math.hypot(1, 0.2)
    band = 80 / (1 + np.exp(-off / 2)) * np.exp(-np.maximum(off, 0) / 60)
    found = measure_frame(mosaic(rng, band), "RGGB", BLACK, 16000).detections
    ends = np.array([[100.0, 222.0], [300.0, 262.0]])
    assert (follow(found, ends, 2, True) == ends).all()


def test_nothing_is_followed_where_no_light_is():
    """Between the strobes of an aircraft without lamps nothing leads on: the ends stay."""
    found = drawn(np.random.default_rng(5), 0, 0, 1, 1, lambda s: 0 * s, stars=400)
    ends = np.array([[100.0, 100.0], [300.0, 180.0]])
    np.testing.assert_allclose(follow(found, ends, 2, True), ends, atol=6)


def test_a_satellite_is_steady_and_long():
    """An even line across the frame is a satellite, its light summed across that of the Gaussian drawn."""
    found = drawn(np.random.default_rng(2), 0, 700, 1299, 250, lambda s: 60 + 0 * s)
    (streak,) = find_streaks(found)
    light = light_of(found, streak)
    assert kind_of(light, streak.length, DIAGONAL, goes_on=False) == "satellite"
    assert light.brightness == pytest.approx(60 * 1.2 * math.sqrt(2 * math.pi), rel=0.15)
    assert light.ends_inside == 0


def test_strobes_among_many_stars():
    """In a rich field an aircraft's strobes are told from stars by their number on the line; a satellite has none."""
    rng = np.random.default_rng(6)
    first = np.arange(30.0, 1280.0, 80.0)
    x = np.concatenate([first, first + 14.0])
    strobes = render(SHAPE, Field(x, 100.0 + 0.5 * x, np.full(len(x), 15000.0)), 2.8)
    for seed, flashing, kind in ((7, strobes, "aircraft"), (8, 0.0, "satellite")):
        rng = np.random.default_rng(seed)
        field = render(SHAPE, random_field(rng, SHAPE, 4000, (800, 20000), apart=5.0), 2.4)
        rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
        lamps = 60 * np.exp(-(((columns - 2 * (rows - 100)) / math.sqrt(5)) ** 2) / 8)
        found = measure_frame(mosaic(rng, field + lamps + flashing), "RGGB", BLACK, 16000).detections
        streak = find_streaks(found)[0]
        assert streak.length > 1200
        assert kind_of(light_of(found, streak), streak.length, DIAGONAL, goes_on=False) == kind


@pytest.mark.parametrize(
    ("course", "every", "flashes"),
    [
        (lambda s: 260 * s**1.5 * (1 - s) ** 0.2, None, 0),  # a fireball
        (lambda s: 10 + 0 * s, None, 0),  # a satellite
        (lambda s: 12 + 0 * s, 30, 22),  # strobes of two to three times the lamps' light
    ],
)
def test_stars_under_a_bright_line_are_no_strobes(course, every, flashes):
    """A line of many standard deviations over 30 stars, whose neighbours leave less of it where stars stand and more
    between: neither makes it flash."""
    rng = np.random.default_rng(5)
    length, line, noise = 700, LANES_REACH, 10.0
    light = course((np.arange(length) + 0.5) / length)
    if every:
        light[every // 2 :: every] *= rng.uniform(3.0, 4.5, len(light[every // 2 :: every]))
    wide = rng.normal(size=(length, 2 * LANES_REACH + 1)) * noise
    passing = rng.normal(size=wide.shape)
    wide[:, line] += noise * light
    # in standard deviations that differ with what stars stand about
    passing[:, line] += light * np.repeat(rng.uniform(0.7, 1.5, length // 14), 14)
    for place in rng.choice(length - 8, 30, replace=False):
        wide[place : place + 3, line - 2 : line + 3] += noise * rng.uniform(20, 300)
        passing[place - 1 : place + 4, line - 2 : line + 3] *= 0.15
    told = strobes(wide, passing, line, noise)
    assert told == 0 if not flashes else told >= flashes // 2


def test_strobes_make_an_aircraft_though_nothing_joins_them():
    """Double flashes on a line are found as one streak from the first to the last, and are an aircraft."""
    rng = np.random.default_rng(3)
    first = np.arange(60.0, 1240.0, 60.0)
    x = np.concatenate([first, first + 11.0])
    flashes = Field(x, 100.0 + 0.5 * x, np.full(len(x), 20000.0))
    light = render(SHAPE, random_field(rng, SHAPE, 80, (2000, 60000)), 2.4) + render(SHAPE, flashes, 2.8)
    found = measure_frame(mosaic(rng, light), "RGGB", BLACK, 16000).detections
    (streak,) = find_streaks(found)
    ends = sorted([(streak.x1, streak.y1), (streak.x2, streak.y2)])
    np.testing.assert_allclose(ends, [(60, 130), (1211, 705.5)], atol=6)
    light_seen = light_of(found, streak)
    assert light_seen.flashes > 25
    assert kind_of(light_seen, streak.length, DIAGONAL, goes_on=False) == "aircraft"


@pytest.mark.parametrize("number", [20, 60, 250])
def test_chance_rows_of_stars_are_no_strobes(number):
    """No line of stars of a sparse or a rich field is a streak."""
    for seed in range(6):
        rng = np.random.default_rng([number, seed])
        field = random_field(rng, SHAPE, number, (3000, 60000))
        assert (
            find_streaks(measure_frame(mosaic(rng, render(SHAPE, field, 2.4)), "RGGB", BLACK, 16000).detections) == []
        )


def test_the_fullest_line_is_the_planted_one():
    """Of 100 places with 30 on a line, that line comes back to a pixel at its ends."""
    rng = np.random.default_rng(4)
    x, y = rng.uniform(0, 1000, 100), rng.uniform(0, 700, 100)
    y[:30] = 90 + 0.45 * x[:30]
    line, number = fullest_line(x, y, 3.0)
    assert number >= 30
    assert on_lines(np.array([0.0, 1000.0]), np.array([90.0, 540.0]), line, 1.5).all()


def test_a_satellite_that_goes_on_for_many_frames_is_not_the_ground():
    """A light that is farther along one line in each of five frames is a satellite in all of them; an edge that stays
    is none."""
    frames, scene = make_scene(Setting(frames=6), 4)
    edge = {"number": 1, "x1": 0.0, "y1": 3900.0, "x2": 5000.0, "y2": 3905.0, "signal": 5.0}
    marked = []
    for n, f in enumerate(frames):
        passing = {"number": 0, "x1": 900.0 * n, "y1": 300.0 + 450 * n, "x2": 900.0 * n + 700, "y2": 650.0 + 450 * n}
        light = {"signal": 3.0, "uneven": 1.1, "tapering": 0.3, "ends_inside": 2, "flashes": 0}
        marked.append(Graded(f.plan, {**f.row, "streak_list": json.dumps([{**passing, **light}, edge])}, f.stars))
    rows, _, _ = judge_scene(marked, scene, JudgeSettings(), None)
    assert [row["streaks"] for row in rows] == [1] * 6
    listed = streak_rows([{"frame": row["frame"], "file": "f", "streak_list": row["streak_list"]} for row in rows])
    assert [s["kind"] for s in listed] == ["satellite"] * 6
    assert "6\u202fsatellites" in streak_sentence(listed)
    assert "set aside" not in streak_sentence(listed)
    # the page's other count is of frames that were kept
    assert "2 of them are in frames that were set aside" in streak_sentence(listed, aside=2)
    assert streak_rows([{"frame": "a", "streak_list": "no json"}, {"frame": "b"}]) == []
    # flashes in one of them tell what drew them all
    lists = [json.loads(str(f.row["streak_list"])) for f in marked]
    lists[2][0]["flashes"] = 5
    seen = [
        Graded(f.plan, {**f.row, "streak_list": json.dumps(s)}, f.stars) for f, s in zip(marked, lists, strict=True)
    ]
    figures = [Figures(f.plan.id) for f in seen]
    passing_streaks(figures, seen)
    assert [[s["kind"] for s in f.streak_list] for f in figures] == [["aircraft"]] * 6


def test_pictures_show_the_frame_and_its_streak():
    """Small pictures are of the size stated, brighter where more light is, and hold the streak."""
    found = drawn(np.random.default_rng(5), 100, 100, 1100, 700, lambda s: 300 + 0 * s)
    whole = whole_picture(found, 15000.0)
    assert whole.dtype == np.uint8
    assert whole.shape == (150, 216 + 150)
    (streak,) = find_streaks(found)
    crop = streak_picture(found, streak, 15000.0)
    assert max(crop.shape) <= 320
    middle = crop[:, crop.shape[1] // 2]
    assert int(middle.max()) > np.median(crop) + 15
    bright = found.sky.level.copy()
    found.sky.level[:] = bright + 3000
    assert np.median(whole_picture(found, 15000.0)) > np.median(whole) + 40


@pytest.mark.parametrize(
    ("line", "signal", "pause", "kind"),
    [
        ((2000, 1500, 2700, 1800), 6.0, 0.2, "unknown"),
        # across the picture: the frames beside show nothing of it, whichever way it flew
        ((2000, 300, 2700, 3700), 6.0, 0.2, "satellite"),
        # too faint to be found for certain, or gone by the next frame
        ((2000, 1500, 2700, 1800), 1.5, 0.2, "satellite"),
        ((2000, 1500, 2700, 1800), 6.0, 3.0, "satellite"),
    ],
)
def test_what_the_next_frame_would_show_is_no_satellite_without_it(line, signal, pause, kind):
    """An even line inside one frame of a series: a satellite goes on at the same speed (elementary)."""
    frames, _ = make_scene(Setting(frames=5), 4)
    exposure = frames[0].plan.exposure_s
    begin = datetime(2026, 8, 14, 22)
    plans = [
        replace(f.plan, taken=(begin + timedelta(seconds=n * exposure * (1 + pause))).isoformat())
        for n, f in enumerate(frames)
    ]
    light = {"uneven": 1.1, "tapering": 0.9, "ends_inside": 2, "flashes": 0, "brightness": 500.0, "width_px": 3.0}
    streak = {**dict(zip(("x1", "y1", "x2", "y2"), map(float, line), strict=True)), "signal": signal, **light}
    seen = [
        Graded(plan, {**f.row, "streak_list": json.dumps([streak] if n == 2 else [])}, f.stars)
        for n, (f, plan) in enumerate(zip(frames, plans, strict=True))
    ]
    figures = [Figures(f.plan.id) for f in seen]
    passing_streaks(figures, seen)
    assert [s["kind"] for s in figures[2].streak_list] == [kind]


def test_what_comes_back_in_its_place_is_no_meteor():
    """A light like a meteor's, in the same place in two frames, is none; in one frame it is."""
    frames, scene = make_scene(Setting(frames=6), 4)
    there = {"x1": 900.0, "y1": 700.0, "x2": 1100.0, "y2": 780.0, "signal": 9.0}
    light = {"uneven": 1.6, "tapering": 0.3, "ends_inside": 2, "flashes": 0, "brightness": 900.0, "width_px": 4.0}
    for seen, kind in (((2,), "meteor"), ((2, 4), "unknown")):
        lists = [json.dumps([{"number": 0, **there, **light}] if n in seen else []) for n in range(len(frames))]
        marked = [Graded(f.plan, {**f.row, "streak_list": s}, f.stars) for f, s in zip(frames, lists, strict=True)]
        rows, _, _ = judge_scene(marked, scene, JudgeSettings(), None)
        (streak,) = json.loads(rows[2]["streak_list"])
        assert streak["kind"] == kind


def test_lights_on_land_and_doubled_stars_are_nothing_of_the_sky() -> None:
    """The lower half of the picture is land, the third frame was kicked and the last is out of focus: on land no such
    name stays, of rows of doubled stars nothing but what goes on in the frame before, or flashes, of blurred ones what
    is long besides."""
    rows, columns = TILES[0] * 3, TILES[1] * 3
    fine = np.zeros((4, rows, columns), bool)
    fine[:, rows // 2 :] = True
    nothing = np.zeros(0, bool)
    sky = Sky(None, nothing, (), Land(nothing, fine, (nothing,) * 4, False))  # type: ignore[arg-type]

    def drawn(x: float, y: float, kind: str = "meteor") -> dict[str, object]:
        return {"x1": x, "y1": y, "x2": x + 200.0, "y2": y + 40.0, "kind": kind}

    frames = [Figures("a", streak_list=[drawn(100, 50), drawn(100, 500)])]
    frames.append(Figures("b", streak_list=[drawn(100, 340), drawn(500, 100, "satellite")]))
    kicked = [drawn(100, 200), drawn(720, 144, "satellite"), drawn(100, 300, "satellite"), drawn(100, 250, "aircraft")]
    frames.append(Figures("c", doubled=True, streak_list=kicked))
    short = {"x1": 900.0, "y1": 90.0, "x2": 940.0, "y2": 110.0, "kind": "satellite"}
    frames.append(Figures("d", streak_list=[drawn(650, 20, "satellite"), short]))
    without_unlikely(frames, [False, False, True, True], sky, 1200, 800)
    kinds = [[streak["kind"] for streak in f.streak_list] for f in frames]
    assert kinds == [["meteor", "unknown"], ["meteor", "satellite"], ["satellite", "aircraft"], ["satellite"]]
    assert frames[2].streaks == 2
