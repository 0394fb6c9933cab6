"""What befell a scene's sky is named, on planted scenes, through judge and the page; nothing is named on clean ones."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.coordinates import AltAz, EarthLocation, get_body
from astropy.time import Time

from pipeline.config import Site
from pipeline.judging.events import CAUSES, Course
from pipeline.judging.weather import frame_causes, weather
from pipeline.pages.weather import _WORDS, REASONS_OF, _sentence
from pipeline.sky.sunmoon import sun_and_moon
from pipeline.sky.times import julian_date, parse
from tests.judged_pages import FRAMES, told
from tests.labelled import Fault

SITE = Site(latitude=40.0, longitude=10.0)


def test_thin_haze(tmp_path: Path) -> None:
    """A fifth of the light gone everywhere for seven frames: thin haze with its times; what it costs by weights."""
    got = told(tmp_path, {n: Fault("haze", 0.78) for n in range(8, 15)})
    assert got.causes == ["haze"]
    event = got.figures["sky_events"][0]
    assert event["clear_least"] == pytest.approx(0.78, abs=0.02)
    assert [n for n, row in enumerate(got.rows) if row["cause"] == "haze"] == list(range(8, 15))
    assert "Thin haze over the whole field alike from 22:02 to 22:04 (7 frames)" in got.text
    assert re.search("7[789] % of the starlight", got.text)
    # seven frames of 13 s at the square of 0.78
    assert event["lost_by_weight_s"] == pytest.approx(7 * 13 * (1 - 0.78**2), rel=0.1)
    assert got.figures["exposure_lost"]["frames_set_aside"] == 0
    assert "Light lost: as much as" in got.text


def test_fog_that_thickens(tmp_path: Path) -> None:
    """Light that falls steadily while the stars keep their width is fog in the air, not on the lens."""
    got = told(tmp_path, {n: Fault("haze", 1 - 0.04 * (n - 8)) for n in range(9, FRAMES)})
    assert got.causes == ["haze"]
    assert "Haze or fog thickened over the whole field" in got.text
    aside = got.figures["exposure_lost"]
    assert aside["frames_set_aside"] == sum(row["verdict"] == "set aside" for row in got.rows) > 5
    assert aside["set_aside_s"] == pytest.approx(13 * aside["frames_set_aside"])


@pytest.mark.parametrize("tracked", [False, True])
def test_dew_on_the_lens(tmp_path: Path, tracked: bool) -> None:
    """Light that falls and stars that grow, from the middle: dew, how far it went, and a heated band for next time."""
    faults = {n: Fault("dew", 1 - 0.035 * (n - 6), share=0.4) for n in range(7, FRAMES)}
    got = told(tmp_path, faults, tracked=tracked, focal_mm=35.0)
    assert got.causes == ["dew"]
    event = got.figures["sky_events"][0]
    assert event["course"] == "middle"
    # the last third of frames has on average 1 - 0.25 x 0.48 times the width beside the lens's own
    assert event["wider"] == pytest.approx(1.09, abs=0.03)
    assert "Dew or fog on the lens" in got.text
    assert "from the middle of the lens outwards" in got.text
    assert "Keep the lens warm" in got.text
    lost = [row for row in got.rows if "cloud" in str(row["reasons"])]
    assert lost
    assert all(row["reasons"] == "cloud" and row["cause"] == "dew" for row in lost)
    assert all(str(row["detail"]).startswith("dew or fog on the lens: ") for row in lost)
    assert "cloud (dew)" in got.text
    assert "lost to cloud" not in got.text


def test_light_that_creeps_away_while_the_focus_drifts(tmp_path: Path) -> None:
    """Stars that grow from the first frame on, and light that is lost over the last nine: one event from its beginning,
    dew or haze, and a heated band for next time; frames a little out of focus tell of it as well."""
    left = {n: 1 - 0.05 * (n - 14) for n in range(15, FRAMES)}
    faults = {n: Fault("defocus", 1 + 0.02 * n, left=left.get(n, 1.0)) for n in range(FRAMES)}
    got = told(tmp_path, faults)
    assert got.causes == ["haze"]
    assert [n for n, row in enumerate(got.rows) if row["cause"] == "haze"] == list(left)
    assert all(got.rows[n]["transparency"] == pytest.approx(left[n], abs=0.03) for n in left)
    assert "or dew settled on the lens" in got.text
    assert "Keep the lens warm" in got.text


def test_what_few_places_lack_in_a_clear_frame_is_no_haze() -> None:
    """Where two parts tell and 99.5 % of the light comes through all, a seventh of the places that lack theirs are not
    an even loss."""
    clear, share = np.ones(12), np.full(12, 0.03)
    clear[7], share[7] = 0.995, 0.144
    parts = np.ones((12, 1, 2))
    sky = np.full((12, 1, 2), 100.0)
    times = 30.0 * np.arange(12)
    course = Course(times, clear, share, parts, sky.mean(axis=(1, 2)), sky, np.full(12, 2.5), clear > 0)
    assert weather(course) == []


def test_focus_that_drifts_is_no_dew(tmp_path: Path) -> None:
    """Stars that grow and keep their light: a drift of the focus, and nothing befell the sky."""
    got = told(tmp_path, {n: Fault("defocus", 1 + 0.012 * n) for n in range(FRAMES)})
    assert got.causes == []
    assert "The focus drifted slowly" in got.text


def test_a_passing_cloud(tmp_path: Path) -> None:
    """A bank over two fifths of the field for three frames, clear before and after."""
    got = told(tmp_path, {n: Fault("cloud", 0.6, share=0.4, angle_deg=30) for n in range(8, 11)})
    assert got.causes == ["passing cloud"]
    event = got.figures["sky_events"][0]
    assert event["share_most"] == pytest.approx(0.4, abs=0.1)
    assert event["clear_least"] == pytest.approx(0.6, abs=0.06)
    assert "A cloud passed from 22:02 to 22:03 (3 frames)" in got.text


def test_broken_cloud(tmp_path: Path) -> None:
    """Patches that are elsewhere in every frame; the cost of those set aside stands in the sentence."""
    got = told(tmp_path, {n: Fault("patches", 0.4, share=0.35, angle_deg=n) for n in range(4, 18)}, stars=900)
    assert got.causes == ["broken cloud"]
    event = got.figures["sky_events"][0]
    assert event["clear_least"] == pytest.approx(0.4, abs=0.08)
    assert event["frames_set_aside"] == sum("cloud" in (row["reasons"] or "") for row in got.rows) > 5
    assert f"{event['frames_set_aside']} of them set aside" in got.text


def test_haze_and_a_cloud_soon_after_are_told_apart(tmp_path: Path) -> None:
    """Two clear frames between them."""
    faults = {n: Fault("haze", 0.8) for n in (5, 6, 7, 8)} | {11: Fault("cloud", 0.5, share=0.5, angle_deg=20)}
    assert told(tmp_path, faults).causes == ["haze", "passing cloud"]


def test_three_wisps_are_broken_cloud(tmp_path: Path) -> None:
    """Clouds that pass three times in a scene make its sky one of broken cloud, told once."""
    faults = {n: Fault("cloud", 0.6, share=0.4, angle_deg=40.0 * n) for n in (4, 5, 11, 12, 18, 19)}
    assert told(tmp_path, faults).causes == ["broken cloud"]


def test_a_bank_that_comes_in(tmp_path: Path) -> None:
    """Cloud that grows over the field and stays."""
    faults = {n: Fault("cloud", 0.3, share=min(1.0, 0.1 * (n - 10)), angle_deg=30) for n in range(11, FRAMES)}
    got = told(tmp_path, faults)
    assert got.causes == ["cloud"]
    assert "A bank of cloud came in" in got.text


def test_a_lamp(tmp_path: Path) -> None:
    """Half of the field lit to eight times its sky in one frame, to three times in the next."""
    got = told(tmp_path, {9: Fault("beam", 8.0), 10: Fault("beam", 3.0)})
    assert got.causes == ["lamp"]
    assert got.figures["sky_events"][0]["sky_most"] == pytest.approx(8.0, rel=0.05)
    assert "A lamp (headlights, a torch), lightning or a fireball shone" in got.text
    assert "Away from lamps" in got.text


def lamps(levels: np.ndarray) -> list[int]:
    """Frames that a lamp is told of, where parts of a clear sky, (frames, rows, columns), have these levels."""
    n = len(levels)
    clear, nothing = np.ones(n), np.zeros(n)
    course = Course(
        30.0 * np.arange(n), clear, nothing, np.ones_like(levels), levels.mean(axis=(1, 2)), levels, 2 + nothing,
        np.ones(n, bool),
    )  # fmt: skip
    return [k for event in weather(course) if event.cause == "lamp" for k in event.frames]


def test_a_burst_of_an_aurora_is_no_lamp() -> None:
    """Light 2.3 times as bright in one frame: a lamp's over a dark sky, an aurora's own where it stood all the time. 20
    times as bright all over the field it is lightning under an aurora, too."""
    levels = np.full((12, 6, 8), 10.0)
    flash = levels.copy()
    flash[6, :, :5] *= 2.3
    assert lamps(flash) == [6]
    aurora = levels + np.where(np.arange(8) < 5, 12.0, 0.0) * (np.arange(12) > 3)[:, None, None]
    aurora[7, :, 1:6] *= 2.3
    assert lamps(aurora) == []
    aurora[9] *= 20.0
    assert lamps(aurora) == [9]


def test_a_frame_before_darker_ones_is_no_lamp() -> None:
    """Cloud darkens the second to the fourth frame: the first, bright as the rest, is none that a lamp lit."""
    levels = np.full((12, 6, 8), 10.0)
    levels[1:4] = 4.0
    assert lamps(levels) == []


RISING = {n: Fault("bright", 1 + 0.15 * (n - 10)) for n in range(11, FRAMES)}


@pytest.mark.parametrize(
    ("begin", "cause", "words"),
    [
        # by the astronomical algorithms of a general library, at 40 N 10 E, to some minutes: the Moon, two thirds lit,
        # rises at 20:24; the Sun passes 18 degrees below the horizon at 03:21 with a thin Moon down; neither is up
        (datetime(2026, 9, 2, 20, 10), "moonlight", "Moonrise"),
        (datetime(2026, 9, 12, 3, 20), "twilight", "Dawn"),
        (datetime(2026, 9, 12, 0, 30), "brightening", "neither Sun nor Moon was up"),
    ],
)
def test_what_brightens_the_sky(tmp_path: Path, begin: datetime, cause: str, words: str) -> None:
    """The same course of the sky's level is moonrise, dawn or neither, by where Sun and Moon stood (a field that is up
    all night)."""
    sky = {"tracked": True, "declination": 60.0}
    got = told(tmp_path, RISING, begin=begin, site=SITE, interval_s=120.0, exposure_s=15.0, **sky)
    assert got.causes == [cause]
    assert words in got.text
    assert got.figures["sky_events"][0]["sky_most"] == pytest.approx(1 + 0.15 * 13, rel=0.03)
    assert "A darker hour" in got.text


def test_a_sky_that_grows_dark_is_told_as_that(tmp_path: Path) -> None:
    """An evening without a site: the sky grew darker, and to begin later would have helped."""
    got = told(tmp_path, {FRAMES - 1 - n: fault for n, fault in RISING.items()})
    assert got.causes == ["brightening"]
    assert got.figures["sky_events"][0]["course"] == "falls"
    assert "Under clear air the sky grew darker from" in got.text
    assert "at first up to" in got.text
    assert "the Sun still close below the horizon, begin later" in got.text
    assert "look up moonrise" not in got.text


def test_without_a_site_brightening_is_not_named_further(tmp_path: Path) -> None:
    """The page says what to give so that it can tell."""
    got = told(tmp_path, RISING)
    assert got.causes == ["brightening"]
    assert "with site and utc_offset_hours in trip.yaml this page tells which" in got.text


@pytest.mark.parametrize(
    "setting",
    [
        {"focal_mm": 14.0, "stars": 900, "ground": 0.33},
        {"focal_mm": 50.0, "stars": 150, "tracked": True},
        {"focal_mm": 135.0, "stars": 900, "tracked": True, "ground": 0.33},
    ],
)
def test_nothing_is_named_where_nothing_befell_the_sky(tmp_path: Path, setting: dict[str, Any]) -> None:
    """Kicks and lost focus are no weather, nor is land, nor the scatter of few stars."""
    faults = {3: Fault("kick", 2.0), 9: Fault("defocus", 1.6), 12: Fault("slip", 2.0)}
    got = told(tmp_path, faults, seed=1, **setting)
    assert got.causes == []
    assert "What befell the sky" not in got.text
    assert all(not row["cause"] for row in got.rows)


def test_sun_and_moon_against_a_general_library() -> None:
    """Altitudes within 0.02 degrees of astropy's; Sun and Moon meet where and when an eclipse was greatest."""
    jd = np.array([2461253.4, 2461260.1, 2461270.77, 2461300.3, 2461000.9])
    got = sun_and_moon(jd, 40.0, 10.0)
    place = EarthLocation.from_geodetic(10.0, 40.0)
    times = Time(jd, format="jd", scale="utc")
    for body, values in (("sun", got.sun_deg), ("moon", got.moon_deg)):
        there = get_body(body, times, place).transform_to(AltAz(obstime=times, location=place))
        np.testing.assert_allclose(values, there.alt.deg, atol=0.02)
    # total solar eclipse of 2026 August 12: greatest at 17:45:51 UT, 65 13.3 N 25 13.7 W, Sun's altitude 25.8 degrees
    # (Espenak & Meeus 2006, NASA/TP-2006-214141)
    moment = parse("2026-08-12T17:45:51")
    assert moment is not None
    eclipse = sun_and_moon([julian_date(moment)], 65 + 13.3 / 60, -(25 + 13.7 / 60))
    assert eclipse.sun_deg[0] == pytest.approx(25.8, abs=0.1)
    assert eclipse.moon_deg[0] == pytest.approx(eclipse.sun_deg[0], abs=0.05)
    assert eclipse.lit[0] < 1e-5


@pytest.mark.parametrize("seed", range(24))
def test_figures_that_cannot_be_had(seed: int) -> None:
    """Whatever is missing, in whatever mixture, events name frames of the scene and finite figures; nothing warns."""
    rng = np.random.default_rng(seed)
    n, grid = int(rng.integers(0, 30)), [(6, 8), (4, 5), (2, 2), (1, 1)][seed % 4]
    missing = rng.choice([0.0, 0.3, 1.0], 6)

    def some(values: np.ndarray, share: float) -> np.ndarray:
        return np.where(rng.random(values.shape) < share, np.nan, values)

    course = Course(
        seconds=np.sort(rng.uniform(0, 4000, n)),
        clear=some(rng.choice([0.0, 0.5, 1.0], n), missing[0]),
        share=some(rng.uniform(0, 1, n), missing[1]),
        parts=some(rng.choice([0.0, 0.6, 1.0], (n, *grid)), missing[2]),
        sky=some(rng.choice([-1.0, 0.0, 5.0, 40.0], n), missing[3]),
        sky_parts=some(rng.choice([-1.0, 0.0, 5.0, 90.0], (n, 6, 8)), missing[4]),
        width=some(rng.uniform(2, 4, n), missing[5]),
        told=rng.random(n) < 0.8,
        **(dict(zip(("sun", "moon", "lit"), rng.uniform(-30, 1, (3, n)), strict=True)) if seed % 2 else {}),
    )
    events = weather(course)
    for event in events:
        assert set(event.frames) <= set(range(n))
        assert event.cause in CAUSES
        figures = (event.clear_least, event.share_most, event.sky_most, event.wider)
        assert all(value is None or np.isfinite(value) for value in figures)
    assert len(frame_causes(events, n)) == n


def curtain(dims: float) -> Course:
    """24 frames of a sky of 10 ADU/s; over twelve a slow band of twice that wanders, under which stars dim."""
    n, grid = 24, (6, 8)
    levels, parts = np.full((n, *grid), 10.0), np.ones((n, *grid))
    for frame in range(6, 18):
        first = (frame - 6) // 4
        levels[frame, :, first : first + 3] = 20.0
        parts[frame, :, first : first + 3] = dims
    parts *= np.random.default_rng(3).normal(1, 0.01, parts.shape)
    clear = np.ones(n)
    return Course(
        30.0 * np.arange(n), clear, np.zeros(n), parts, np.full(n, 10.0), levels, np.full(n, 2.5), np.ones(n, bool)
    )


def test_light_that_wanders_and_dims_no_star_is_a_glow() -> None:
    """A curtain of light is named for what it is; the same under which stars fade is cloud."""
    lit = weather(curtain(1.0))
    assert [event.cause for event in lit] == ["glow"]
    assert lit[0].frames == tuple(range(6, 18))
    assert lit[0].sky_most == pytest.approx(2.0)
    assert lit[0].share_most == pytest.approx(3 / 8)
    assert [event.cause for event in weather(curtain(0.5))] == ["broken cloud"]


def test_light_over_stars_that_tell_nothing_is_no_glow() -> None:
    """Of frames whose stars are spoiled nobody can say that they did not dim: cloud lights the sky as well."""
    course = curtain(1.0)
    assert [e.cause for e in weather(course)] == ["glow"]
    assert weather(replace(course, told=np.zeros_like(course.told))) == []


def test_parts_behind_thick_cloud_count_though_no_star_tells_of_them() -> None:
    """A thick cloud hides all stars of a quarter of the parts: the event holds all frames that it crossed, and its
    share."""
    rng = np.random.default_rng(4)
    n, grid = 24, (6, 8)
    parts = 1 + rng.normal(0, 0.01, (n, *grid))
    cloud = slice(10, 16)
    parts[cloud, :, :2] = np.nan
    parts[cloud, :, 2] = 0.9
    share = np.where((np.arange(n) >= 10) & (np.arange(n) < 16), 0.3, 0.0)
    nothing = np.full(n, np.nan)
    course = Course(
        seconds=np.arange(n) * 30.0, clear=np.full(n, 0.99), share=share, parts=parts, sky=nothing,
        sky_parts=np.full((n, *grid), np.nan), width=np.full(n, 2.5), told=np.ones(n, bool), sun=None, moon=None,
        lit=None, air_known=False,
    )  # fmt: skip
    events = weather(course)
    assert [e.cause for e in events] == ["broken cloud"]
    assert events[0].frames == tuple(range(10, 16))
    assert events[0].share_most == pytest.approx(0.25)


def test_a_patchy_cloud_whose_thick_parts_show_no_star_is_no_even_haze() -> None:
    """Two frames of which four tenths of the places lack most of their light, as stars tell, while the parts that still
    show any lose alike: no haze over the whole field."""
    rng = np.random.default_rng(9)
    n, grid = 20, (6, 8)
    parts = 1 + rng.normal(0, 0.01, (n, *grid))
    clear, share = np.full(n, 1.0), np.zeros(n)
    for k in (12, 13):
        parts[k] = 0.88 + rng.normal(0, 0.01, grid)
        parts[k, :, :3] = np.nan
        clear[k], share[k] = 0.89, 0.39
    nothing = np.full(n, np.nan)
    course = Course(
        seconds=np.arange(n) * 15.0, clear=clear, share=share, parts=parts, sky=nothing,
        sky_parts=np.full((n, *grid), np.nan), width=np.full(n, 2.5), told=np.ones(n, bool), sun=None, moon=None,
        lit=None, air_known=False,
    )  # fmt: skip
    (event,) = weather(course)
    assert event.cause != "haze"
    assert event.frames == (12, 13)


def test_what_a_cloud_in_shreds_leaves_is_told_by_places_where_no_part_has_one_transparency() -> None:
    """A cloud's edges cross every part that it dims, and none of these tells: what it left where it was thickest is not
    what the field lost on the median."""
    rng = np.random.default_rng(3)
    n, grid = 20, (6, 8)
    parts = 1 + rng.normal(0, 0.01, (n, *grid))
    clear, share, thickest = np.full(n, 1.0), np.zeros(n), np.full(n, 0.97)
    parts[9, :, :4] = np.nan
    clear[9], share[9], thickest[9] = 0.87, 0.44, 0.24
    nothing = np.full(n, np.nan)
    course = Course(
        seconds=np.arange(n) * 60.0, clear=clear, share=share, parts=parts, sky=nothing,
        sky_parts=np.full((n, *grid), np.nan), width=np.full(n, 2.5), told=np.ones(n, bool), thickest=thickest,
    )  # fmt: skip
    (event,) = weather(course)
    assert event.cause == "passing cloud"
    assert event.clear_least == pytest.approx(0.24)
    thickest[9] = 0.0
    (event,) = weather(course)
    assert event.clear_least == pytest.approx(0.02)


def test_a_sudden_light_under_a_standing_moon_is_no_moonlight() -> None:
    """The Moon climbs from 21 to 23 degrees while the sky grows six times as bright within a few frames: it adds less
    than a tenth (the sine of its altitude, elementary), so it was something else; where it rises from the horizon on
    it is the Moon."""
    n, grid = 24, (6, 8)
    ratio = np.where(np.arange(n) < 14, 1.0, np.minimum(1 + (np.arange(n) - 13) * 0.8, 6.4))

    def events(moon: np.ndarray) -> list[str]:
        course = Course(
            seconds=np.arange(n) * 30.0, clear=np.full(n, 1.0), share=np.zeros(n), parts=np.ones((n, *grid)),
            sky=10 * ratio, sky_parts=10 * ratio[:, None, None] * np.ones((n, *grid)), width=np.full(n, 2.5),
            told=np.ones(n, bool), sun=np.full(n, -40.0), moon=moon, lit=np.full(n, 0.8), air_known=True,
        )  # fmt: skip
        return [event.cause for event in weather(course)]

    assert "moonlight" not in events(np.linspace(21, 23, n))
    assert "moonlight" in events(np.linspace(-6, 8, n))


def bank(levels: float) -> Course:
    """24 frames; over half of the field of the last eight an opaque bank, whose sky is so many times as bright, that
    hides all its stars; the frame as a whole shows a fifth of its light."""
    n, grid = 24, (6, 8)
    rng = np.random.default_rng(6)
    sky, parts = np.full((n, *grid), 10.0), rng.normal(1, 0.01, (n, *grid))
    clear, share = np.ones(n), np.zeros(n)
    sky[16:, :, :4] *= levels
    parts[16:, :, :4] = np.nan
    clear[16:], share[16:] = 0.2, 0.5
    return Course(30.0 * np.arange(n), clear, share, parts, sky.mean(axis=(1, 2)), sky, np.full(n, 2.5), clear > 0)


def test_the_light_of_an_opaque_bank_is_no_glow() -> None:
    """Its stars are hidden, where those under an aurora shine: one event, of cloud, that leaves what the frame as a
    whole tells, not what its clear parts show. Planted."""
    for levels in (1.0, 1.6):
        (event,) = weather(bank(levels))
        assert event.cause in ("cloud", "broken cloud")
        assert event.frames == tuple(range(16, 24))
        assert event.clear_least == pytest.approx(0.2)


@pytest.mark.parametrize("sun", [None, -40.0])
def test_a_field_that_brightens_as_a_whole_to_the_end_is_no_glow(sun: float | None) -> None:
    """Five last frames that grow 1.08 to 3.5 times as bright everywhere, of which three show it plainly: a brightening,
    whose cause nobody tells; the same light for three frames in the midst of the scene is none. Planted."""
    n, grid = 30, (6, 8)
    rise = np.array([1.08, 1.24, 1.58, 2.2, 3.5])
    body = None if sun is None else np.full(n, sun)

    def events(first: int) -> list[tuple[str, tuple[int, ...]]]:
        ratio = np.ones(n)
        ratio[first : first + 5] = rise
        course = Course(
            30.0 * np.arange(n), np.ones(n), np.zeros(n), np.ones((n, *grid)), 10 * ratio,
            10 * ratio[:, None, None] * np.ones((n, *grid)), np.full(n, 2.5), np.ones(n, bool), body, body, body,
        )  # fmt: skip
        return [(event.cause, event.frames) for event in weather(course)]

    assert events(25) == [("brightening", (27, 28, 29))]
    assert "brightening" not in [cause for cause, _ in events(12)]


def test_a_sky_that_brightens_while_the_sun_sinks_is_no_dusk() -> None:
    """Twilight follows the Sun (elementary): a sky that grows brighter under a sinking Sun has another light."""
    n, grid = 24, (6, 8)
    ratio = np.where(np.arange(n) < 14, 1.0, 1 + (np.arange(n) - 13) * 0.3)
    for ways, cause in ((1, "brightening"), (-1, "twilight")):
        level = 10 * ratio[::ways]
        course = Course(
            30.0 * np.arange(n), np.ones(n), np.zeros(n), np.ones((n, *grid)), level,
            level[:, None, None] * np.ones((n, *grid)), np.full(n, 2.5), np.ones(n, bool),
            np.linspace(-10, -14, n) if ways > 0 else np.linspace(-8, -12, n), np.full(n, -30.0), np.full(n, 0.3),
        )  # fmt: skip
        (event,) = weather(course)
        assert event.cause == cause
        assert event.course == ("dusk" if ways < 0 else "")


@pytest.mark.parametrize(("left", "cause"), [(0.01, "obstruction"), (0.4, "passing cloud"), (1.3, "passing cloud")])
def test_what_hides_stars_and_the_sky_is_no_cloud(left: float, cause: str) -> None:
    """Half of the field hidden for two frames: a hand leaves a hundredth of the sky's light there, a cloud over a land
    without lamps some, scattered, one over a town more than there was. Planted."""
    n, grid = 24, (6, 8)
    sky, parts = np.full((n, *grid), 10.0), np.random.default_rng(7).normal(1, 0.01, (n, *grid))
    clear, share = np.ones(n), np.zeros(n)
    sky[9:11, :, 4:] *= left
    parts[9:11, :, 4:] = np.nan
    clear[9:11], share[9:11] = 0.3, 0.5
    course = Course(
        30.0 * np.arange(n), clear, share, parts, sky.mean(axis=(1, 2)), sky, np.full(n, 2.5), np.ones(n, bool)
    )
    (event,) = weather(course)
    assert (event.cause, event.frames) == (cause, (9, 10))
    assert event.share_most == pytest.approx(0.5)


@pytest.mark.parametrize(("air_known", "way", "course"), [(False, 1, "sinks"), (False, -1, "rises"), (True, 1, "")])
def test_a_field_that_sinks_is_no_cloud(air_known: bool, way: int, course: str) -> None:
    """An hour of a field that sinks by 8 degrees, from 12 to 24 (0.20 magnitudes an airmass, planted): without a site
    haze or the field's sinking. A bank that comes in from one side is cloud still."""
    n, grid = 30, (6, 8)
    rng, time = np.random.default_rng(9), np.linspace(0, 1, 30)
    height = np.linspace(24, 12, grid[0])[None, :, None] - 8.0 * time[:, None, None]
    air = 1 / (np.sin(np.radians(height)) + 0.50572 * (height + 6.07995) ** -1.6364)
    sinks = 10 ** (-0.4 * 0.2 * (air - air[:1])) * np.ones((n, *grid)) * rng.normal(1, 0.01, (n, *grid))
    across = np.arange(grid[1])[None, None, :] / grid[1]
    bank = np.where(across < 1.4 * time[:, None, None] - 0.3, 0.6, 1.0) * rng.normal(1, 0.01, (n, *grid))
    for parts, causes in ((sinks, ["haze"]), (bank, ["cloud"])):
        if way < 0:
            parts = parts[::-1]
        clear = np.median(parts, axis=(1, 2))
        sky = np.full((n, *grid), 10.0)
        course_ = Course(
            118.0 * np.arange(n), clear, np.mean(parts < 0.75, axis=(1, 2)), parts, sky.mean(axis=(1, 2)), sky,
            np.full(n, 2.5), np.ones(n, bool), air_known=air_known,
        )  # fmt: skip
        events = weather(course_)
        if parts is bank or not air_known:
            assert [event.cause for event in events] == causes
        if causes == ["haze"] and course:
            assert events[0].course == course
            said = _WORDS["haze"]({"course": course, "clear_least": 0.67}, "from 19:01 to 19:13 (7 frames)")
            assert "Haze, or the field " in said
            assert "cloud" not in said


def test_a_single_frame_is_spoken_of_as_one() -> None:
    """Of one frame the sentence says `it`, of several how many of them."""
    event = {
        "cause": "passing cloud", "begins": "2026-08-14T22:13:00", "ends": "2026-08-14T22:13:00", "frames": 1,
        "frames_set_aside": 1, "set_aside_s": 60.0, "lost_by_weight_s": None, "share_most": 0.45, "clear_least": 0.24,
    }  # fmt: skip
    assert _sentence(event).endswith("left where it was thickest; it was set aside (60\u202fs of light).")
    light = {**event, "frames_set_aside": 0, "lost_by_weight_s": 21.0}
    assert _sentence(light).endswith("; by its weight it counts 21\u202fs less.")
    some = {**event, "frames": 3, "frames_set_aside": 2, "lost_by_weight_s": 21.0}
    assert "; 2 of them set aside (60\u202fs of light), those kept count 21\u202fs less." in _sentence(some)
    assert "by their weights they count" in _sentence({**some, "frames_set_aside": 0})


def test_every_cause_has_its_words_and_reasons() -> None:
    """The page tells of all that can befall a sky."""
    assert set(_WORDS) == set(REASONS_OF) == set(CAUSES)
    said = _WORDS["obstruction"]({"share_most": 0.54}, "at 22:13 (2 frames)")
    assert "before the lens at 22:13 (2 frames)" in said
    assert "up to 54" in said
