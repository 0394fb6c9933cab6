"""Pages: numbers in words, plots, advice, exposure rules."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ElementTree
from datetime import datetime
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.card.calibration_sets import CalibrationSet
from pipeline.card.matching import match_flats
from pipeline.config import Trip
from pipeline.pages import words
from pipeline.pages.advice import CAUTION, advise
from pipeline.pages.adviceframes import lamps
from pipeline.pages.adviceframes import read_noise as longer_frames
from pipeline.pages.adviceoptics import corners_of
from pipeline.pages.along import trailed_along
from pipeline.pages.facts import dark_sentence, made_facts, star_facts
from pipeline.pages.figures import read_noise, soft_kept
from pipeline.pages.finished import colour_facts
from pipeline.pages.frames import by_hand_sentence, cells
from pipeline.pages.ground import ground_facts
from pipeline.pages.headline import lead, warnings
from pipeline.pages.noise import lowered, noise_sentence
from pipeline.pages.plots import Panel, Point, noise_curve, over_time, ticks
from pipeline.pages.softscenes import soft_scenes
from pipeline.pages.trip import SceneEntry, grouped, trip_figures, trip_page
from pipeline.pages.weather import exposure_lost, lost_sentence, raised_sentence, sky_raised
from pipeline.plan import PlannedFrame, ScenePlan, scene_settings
from pipeline.sky import exposure
from pipeline.sky.motion import trail_px
from tests.cards import run

NARROW = "\u202f"


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ((None, "px"), "not known"),
        ((float("nan"), "px"), "not known"),
        ((True, "px"), "not known"),
        ((2.5678, "px"), f"2.57{NARROW}px"),
        ((0.012345, "px"), f"0.0123{NARROW}px"),
        ((12345.6, "adu"), f"12{NARROW}346{NARROW}ADU"),
        ((-1.5, "deg"), "\u22121.50°"),
        ((0.0, None), "0.000"),
        ((1500, None), f"1{NARROW}500"),
    ],
)
def test_numbers(given, text) -> None:  # type: ignore[no-untyped-def]
    """Three digits, a unit behind a narrow space, a real minus sign; what is no number is not known."""
    if text == "0.000":
        text = "0.000"
    assert words.number(*given) == text


@pytest.mark.parametrize(
    ("value", "text"), [(13.0, "13"), (2.8, "2.8"), (24, "24"), (0.0125, "0.0125"), (120.0, "120")]
)
def test_settings_have_no_idle_zeros(value: float, text: str) -> None:
    """What was set is printed as it was set."""
    assert words.setting(value) == text
    assert words.setting(None) == "not known"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (13.0, f"13{NARROW}s"),
        (100, f"1{NARROW}min{NARROW}40{NARROW}s"),
        (119.7, f"2{NARROW}min"),
        (715, f"12{NARROW}min"),
        (3900.0, f"1{NARROW}h 05{NARROW}min"),
        (None, "not known"),
    ],
)
def test_durations(seconds, text) -> None:  # type: ignore[no-untyped-def]
    """Seconds, minutes or hours, whichever reads best."""
    assert words.duration(seconds) == text


@pytest.mark.parametrize(
    ("ra", "dec", "text"),
    [(187.5, -0.25, "12ʰ30ᵐ, \u221200°15′"), (359.999, 89.999, "00ʰ00ᵐ, +90°00′"), (None, 1.0, "not known")],
)
def test_coordinates(ra, dec, text) -> None:  # type: ignore[no-untyped-def]
    """Hours and degrees, rounding carried over, the sign kept below one degree."""
    assert words.coordinates(ra, dec) == text


def test_links_are_encoded() -> None:
    """A name with spaces, quotes, a scheme or bytes that are no UTF-8 becomes a harmless relative address."""
    assert words.link("a b", 'c"d') == "./a%20b/c%22d"
    assert words.link("javascript:alert(1)") == "./javascript%3Aalert%281%29"
    assert words.link("x\udcff") == "./x%FF"


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (2.31, 2.64), (-3.0, 1e4), (41.0, 41.2)])
def test_ticks_are_round_and_inside(low: float, high: float) -> None:
    """Two to nine ticks, inside the range, evenly apart by 1, 2, 2.5 or 5 times a power of ten."""
    found = ticks(low, high)
    assert 2 <= len(found) <= 9
    assert all(low - 1e-9 <= t <= high + 1e-9 for t in found)
    step = found[1] - found[0]
    assert step / 10 ** math.floor(math.log10(step) + 1e-9) == pytest.approx(1) or any(
        step / 10 ** math.floor(math.log10(step) + 1e-9) == pytest.approx(m) for m in (2, 2.5, 5)
    )


def test_plot_tells_kept_from_aside_without_colour() -> None:
    """Kept frames are circles, set aside ones are diamonds, every label is escaped, the picture is well-formed XML."""
    points = [Point(0, 1.0, True, "<b>&"), Point(1, 9.0, False, "x"), Point(2, 1.1, True, "y")]
    svg = over_time([Panel("size", "px", points, 0.1, 1.05, "median"), Panel("empty", "px", [], 1.0)], "minutes")
    tree = ElementTree.fromstring(svg)
    names = [element.tag.split("}")[-1] for element in tree.iter()]
    assert names.count("circle") == 2
    assert names.count("path") == 1
    assert "<b>&" in [element.text for element in tree.iter("title")]
    assert over_time([Panel("empty", "px", [], 1.0)], "minutes") == ""


def test_plot_positions_follow_the_values() -> None:
    """Marks stand at heights in proportion to their values; a wild set aside frame is held at the edge."""
    points = [Point(0, 2.0, True, ""), Point(1, 3.0, True, ""), Point(2, 4.0, True, ""), Point(3, 1e6, False, "")]
    tree = ElementTree.fromstring(over_time([Panel("size", "px", points, 1.0)], "minutes"))
    heights = [float(e.get("cy", "nan")) for e in tree.iter("circle")]
    assert heights[0] - heights[1] == pytest.approx(heights[1] - heights[2], abs=0.2)
    assert heights[0] - heights[2] > 20


@pytest.mark.parametrize(
    ("values", "least"), [((2.58, 2.59, 2.58), 1.0), ((0.998, 1.0, 0.999), 0.2), ((0.8, 0.8), 1.0)]
)
def test_equal_frames_look_equal(values: tuple[float, ...], least: float) -> None:
    """Frames that differ by less than means anything stand at one height, on a scale of two numbers and more; what is
    set aside stands where it is, while there is room."""
    points = [Point(n, value, True, "") for n, value in enumerate(values)]
    tree = ElementTree.fromstring(over_time([Panel("", "", points, least)], "minutes"))
    heights = [float(e.get("cy", "nan")) for e in tree.iter("circle")]
    assert max(heights) - min(heights) < 6
    assert sum(e.get("class") == "grid" for e in tree.iter("line")) >= 2
    off = [*points, Point(9, values[0] + 2 * least, False, "")]
    tree = ElementTree.fromstring(over_time([Panel("", "", off, least)], "minutes"))
    (mark,) = (str(e.get("d")) for e in tree.iter("path"))
    lines = sorted(float(e.get("y1", "nan")) for e in tree.iter("line") if e.get("class") == "grid")
    circle = float(next(e for e in tree.iter("circle")).get("cy", "nan"))
    assert 24 + 3 < float(mark.split()[1].split("L")[0]) + 4.6 < circle - 40
    assert len(lines) >= 2


def test_single_frame_plots() -> None:
    """One frame, and equal values, make a plot without dividing by zero."""
    svg = over_time(
        [Panel("size", "px", [Point(0, 2.0, True, "a")], 1.0), Panel("sky", "", [Point(0, 0.0, True, "a")], 0.2)], "t"
    )
    assert ElementTree.fromstring(svg) is not None
    assert noise_curve([], 1.0, "ADU") == ""
    assert noise_curve([(1, 2.0), (2, 1.4)], 2.0, "ADU").startswith("<svg")


def test_noise_theory_is_straight() -> None:
    """On logarithmic axes a curve that follows 1/sqrt(N) lies on the line of theory."""
    curve = [(n, 12 / math.sqrt(n)) for n in (1, 4, 16, 64)]
    tree = ElementTree.fromstring(noise_curve(curve, 12.0, "ADU"))
    line = next(e for e in tree.iter("line") if e.get("class") == "level")
    few = ElementTree.fromstring(noise_curve([(1, 70.0), (2, 49.0), (6, 28.0)], 70.0, "ADU"))
    assert sum(e.get("class") == "grid" and e.get("x1") == "58" for e in few.iter("line")) >= 2
    x1, y1, x2, y2 = (float(line.get(k, "nan")) for k in ("x1", "y1", "x2", "y2"))
    for mark in tree.iter("circle"):
        x, y = float(mark.get("cx", "nan")), float(mark.get("cy", "nan"))
        assert y == pytest.approx(y1 + (y2 - y1) * (x - x1) / (x2 - x1), abs=0.3)


def test_reasons_that_differ_in_numbers_are_one() -> None:
    """Files are counted by reason, numbers given as a range; names with digits stay apart."""
    rows = [{"kind": "dark", "reason": f"60 s, level {0.09 + 0.01 * n:.2f} % in set_2"} for n in range(4)]
    rows.append({"kind": "light", "reason": None})
    assert grouped(rows) == [("light", "–", 1), ("dark", "60 s, level 0.09 to 0.12 % in set_2", 4)]


@pytest.mark.parametrize(("focal", "seconds"), [(14, 35.7), (20, 25.0), (24, 20.8), (35, 14.3), (50, 10.0), (85, 5.9)])
def test_rule_of_500(focal: float, seconds: float) -> None:
    """The values of check-values.md, 1 (common practice), and the crop factor's division."""
    assert exposure.rule_of_500(focal) == pytest.approx(seconds, abs=0.05)
    assert exposure.rule_of_500(focal, 1.5) == pytest.approx(exposure.rule_of_500(focal) / 1.5)


def test_rule_of_500_allows_the_stated_trail() -> None:
    """36.46 um on the sensor at the equator at any focal length (check-values.md, 1)."""
    for focal in (14.0, 50.0):
        assert trail_px(focal * 1e3, exposure.rule_of_500(focal)) == pytest.approx(36.46, abs=0.005)


@pytest.mark.parametrize(("focal", "full"), [(14, 7.78), (20, 5.47), (24, 4.58), (35, 3.17), (50, 2.25), (85, 1.36)])
def test_npf(focal: float, full: float) -> None:
    """The values of check-values.md, 1 (Michaud's rule) at f/2.8, 4.39 um, declination 0."""
    assert exposure.npf_full(2.8, 4.39, focal) == pytest.approx(full, abs=0.006)
    assert exposure.npf_full(2.8, 4.39, focal, 60.0, 3.0) == pytest.approx(6 * exposure.npf_full(2.8, 4.39, focal))
    assert exposure.npf_full(2.8, 4.39, focal, 90.0) == math.inf


@pytest.mark.parametrize(
    ("focal", "rate"), [(14, 0.2326), (20, 0.3322), (24, 0.3987), (35, 0.5814), (50, 0.8305), (85, 1.4119)]
)
def test_trail_rates(focal: float, rate: float) -> None:
    """Pixels a second at 4.39 um on the equator (check-values.md, 2), and the cosine of the declination."""
    assert trail_px(focal * 1e3 / 4.39) == pytest.approx(rate, abs=6e-5)
    assert trail_px(focal * 1e3 / 4.39, declination_deg=60.0) == pytest.approx(rate / 2, abs=6e-5)


def test_read_noise_rule() -> None:
    """3 electrons of read noise under 2 e/s ask for 43.9 s (5 %) and 21.4 s (10 %) (check-values.md, 4)."""
    assert exposure.read_noise_exposure(3, 2) == pytest.approx(43.9, abs=0.05)
    assert exposure.read_noise_exposure(3, 2, 0.10) == pytest.approx(21.4, abs=0.05)
    time = exposure.read_noise_exposure(3, 2, 0.05)
    assert math.sqrt(2 * time + 9) / math.sqrt(2 * time) == pytest.approx(1.05)


def test_read_noise_is_a_bias_or_a_dark_without_its_signal() -> None:
    """A dark's shot noise is no read noise: 22.2 e of glow and 2.8 e make 5.5 e (sums of variances, Janesick 2007)."""
    bias = {"IMAGETYP": "master bias", "TNOISE": 2.8}
    dark = {"IMAGETYP": "master dark", "TNOISE": 5.48, "DGAIN": 1.0, "DLEVEL": 22.2}
    assert read_noise(dark, bias) == 2.8
    assert read_noise(dark, {}) == pytest.approx(2.8, abs=0.02)
    assert read_noise(dark, dark | {"TNOISE": 4.0}) == pytest.approx(2.8, abs=0.02)  # colder darks in the bias's place
    assert read_noise(dark | {"BLKKNOWN": False, "DLEVEL": 622.2}, {}) == 5.48
    assert read_noise(dark | {"DGAIN": 0.0}, {}) == 5.48
    assert read_noise({}, {}) is None


def test_undithered_noise() -> None:
    """100 lights and 25 darks on the same pixels have 2.236 times the ideal noise (check-values.md, 5)."""
    assert exposure.undithered_noise(100, 25) * math.sqrt(100) == pytest.approx(2.236, abs=5e-4)


SOUND = {
    "frames_found": 60,
    "frames_kept": 58,
    "exposure_s": 4.0,
    "focal_mm": 24.0,
    "f_number": 2.8,
    "pixel_um": 4.39,
    "motion_expected_px": 1.2,
    "fwhm_px_frames": 2.4,
    "noise_ratio": 1.01,
    "darks": {"used": True, "number": 30, "camera_subtracted": False},
}


CREEPS = {"kind": "tripod", "creep_arcsec_h": [-2516.0, 873.0, 10.0], "knocked_before": []}
KNOCKED = {"kind": "tripod", "creep_arcsec_h": [20.0, -10.0, 1.0], "knocked_before": ["N0015.dng"]}


def heads(changes: dict[str, object], reasons: dict[str, int] | None = None) -> list[str]:
    return [item.head for item in advise({**SOUND, **changes}, reasons or {})]


def test_soft_frames_that_were_kept_are_named_as_the_reason_of_wide_stars() -> None:
    """Neither a lens stopped down nor more darks help there."""
    rows = [
        {"verdict": "kept", "width_px": 2.5, "stars": 900},
        {"verdict": "kept", "width_px": 5.6, "stars": 500},
        {"verdict": "set aside", "width_px": 5.7, "stars": 500},
        {"verdict": "kept", "width_px": 1.2, "stars": 20},  # noise
        {"verdict": "kept", "width_px": None, "stars": 3},
    ]
    assert soft_kept(rows) == {"frames": 1, "times": 2.24}
    assert soft_kept(rows[:1]) is soft_kept([]) is None
    wide = {"fwhm_px_frames": 4.8, "noise_ratio": 1.3, "motion_px": 0.0}
    assert {"Sharper stars", "Something besides light makes noise"} <= set(heads(wide))
    soft = {**wide, "soft_kept": soft_kept(rows), "frames_kept": 30}
    told = heads(soft)
    assert "Leave the soft frames out" in told
    assert not {"Sharper stars", "Something besides light makes noise"} & set(told)
    text = next(a.text for a in advise({**SOUND, **soft}, {}) if a.head == "Leave the soft frames out")
    assert "One of the 30 frames kept is out of focus" in text or "1 of the 30 frames kept is out of focus" in text


@pytest.mark.parametrize(
    ("share", "text"), [(0.0, "0.000\u202f%"), (2e-6, "less than 0.001\u202f%"), (2e-5, "0.002\u202f%")]
)
def test_a_few_white_pixels_are_not_none(share: float, text: str) -> None:
    """What rounds to nothing and is something is said to be less than the last digit."""
    facts = dict(colour_facts({"space": "any", "held_at_white_share": share}))
    assert facts["held at white"].startswith(f"{text} of the pixels")


def test_sound_scene_needs_no_advice() -> None:
    """A scene without fault gets none, nor does one of which only darks are known."""
    assert heads({}) == []
    assert advise({"darks": SOUND["darks"]}, {}) == []


def test_stars_wide_by_the_turning_sky_are_not_called_unfocused() -> None:
    """Stars of 2.3 px drawn out by 4.5 px: 3.7 px wide by the mean of both axes (variances add, elementary). The page
    says that they are bars; the focus is not blamed."""
    scene = {"exposure_s": 20.0, "fwhm_px_frames": 3.7, "motion_px": 4.5, "motion_expected_px": 4.4}
    assert heads(scene) == ["Expose shorter for round stars"]
    assert any("Every star is a bar" in line for line in warnings({**SOUND, **scene}))
    round_stars = {**SOUND, "fwhm_px_frames": 2.5, "motion_px": 0.5, "motion_expected_px": 0.5}
    assert not any("bar" in line for line in warnings(round_stars))


@pytest.mark.parametrize(
    ("changes", "reasons", "head"),
    [
        ({"exposure_s": 20.0, "motion_expected_px": 8.0}, {}, "Expose shorter for round stars"),
        ({}, {"trailed": 12}, "Steady the camera"),
        ({}, {"out of focus": 12}, "Check the focus more often"),
        ({"exposure_s": 20.0, "motion_expected_px": 2.0, "focal_mm": None}, {}, "Expose shorter for round stars"),
        ({"fwhm_px_frames": 4.4}, {}, "Sharper stars"),
        ({"darks": {"used": False}}, {}, "Take darks"),
        ({"darks": {"used": True, "number": 5}}, {}, "Take more darks"),
        (
            {"darks": {"used": False, "lacking": "another sensor temperature", "lights_temperature_c": [14.8, 25.0]}},
            {},
            "Take darks at the lights' temperatures",
        ),
        ({"darks": {"used": False, "camera_subtracted": True}}, {}, "Switch off the camera's own dark subtraction"),
        ({"frames_kept": 1}, {}, "Take more frames"),
        ({"frames_found": 8, "frames_kept": 8}, {}, "Take more frames"),
        ({"noise_ratio": 1.3}, {}, "Something besides light makes noise"),
        ({"read_noise_e": 3.0, "sky_e_s_median": 0.5}, {}, "Longer frames, if the stars allow"),
        ({}, {"cloud": 20}, "Cloud"),
        ({}, {"bright sky": 20}, "A darker hour"),
        ({}, {"underexposed": 20}, "More light"),
        ({"saturated_fraction": 0.02}, {}, "Lower ISO keeps star colours"),
        ({"mount": CREEPS, "pixel_scale_arcsec": 137.5}, {}, "Fasten the camera"),
        ({"mount": KNOCKED}, {}, "Let nothing touch the tripod"),
        ({"mount": KNOCKED}, {"trailed": 12}, "Steady the camera"),
        ({"clock_error_min": 420.0}, {}, "Set the camera's clock"),
    ],
)
def test_each_fault_gets_its_advice(changes, reasons, head) -> None:  # type: ignore[no-untyped-def]
    """One fault, one piece of advice."""
    assert heads(changes, reasons) == [head]


def test_advice_knows_the_cause() -> None:
    """Stars that dew made wide ask for no focus, noise of an aurora for no darks."""
    dew = {"cause": "dew", "frames_set_aside": 20}
    assert heads({"sky_events": [dew]}, {"out of focus": 20}) == ["Keep the lens warm"]
    assert heads({"noise_ratio": 1.3, "restless_share": 0.6}, {}) == []


def test_a_proven_tripod_is_not_told_of_trackers() -> None:
    """Where the stars do not tell the mount, both are spoken of."""
    texts = {
        kind: advise({**SOUND, "mount": {"kind": kind} if kind else None}, {"trailed": 12})[0].text
        for kind in ("tripod", "tracked", None)
    }
    assert "tripod" in texts["tripod"]
    assert "tracker" not in texts["tripod"]
    assert "Balance the tracker" in texts["tracked"]
    assert "with a tracker" in texts[None]


@pytest.mark.parametrize(
    ("evening", "text"),
    [
        ((2026, 6, 16), "night of 16 to 17 June 2026"),
        ((2026, 6, 30), "night of 30 June to 1 July 2026"),
        ((2026, 12, 31), "night of 31 December 2026 to 1 January 2027"),
    ],
)
def test_a_night_has_two_dates(evening: tuple[int, int, int], text: str) -> None:
    """A scene's folder bears that of the evening, frames after midnight the other."""
    assert words.night(datetime(*evening)) == text


def test_a_count_that_was_cut_off_is_told_as_such() -> None:
    """At most `grade.stars_max` stars are measured."""
    said = [cells({"frame": "a", "stars": n}, False, "sky_e_s", 3000)["stars"] for n in (None, 2999, 3000)]
    assert said == ["–", "2\u202f999", "3\u202f000 or more"]


def test_one_frame_was_and_two_were() -> None:
    """Advice agrees with its number."""
    for reason in ("out of focus", "cloud", "bright sky", "underexposed"):
        one, two = (advise({**SOUND, "frames_found": 18}, {reason: n})[0].text for n in (1, 2))
        assert "of 18 was " in one, one
        assert "of 18 were " in two, two


def test_a_tripod_is_not_called_tracked() -> None:
    """Where no motion was expected and the geometry tells a tripod, the words say nothing of a tracker."""
    figures = {"motion_px": 0.2, "motion_expected_px": 0.0, "mount": {"kind": "tripod"}}
    record = SimpleNamespace(geometry={})
    assert "tracked" not in dict(star_facts(record, figures))["motion"]
    assert "tracked camera" in dict(star_facts(record, figures | {"mount": None}))["motion"]


def test_a_clock_wrong_by_hours_may_be_its_zone() -> None:
    """A clock that shows UTC+9 with UTC+2 said of it is seven hours ahead: the zone that agrees is named (elementary).
    An error of 5.4 h, or a scene's sound clock, names none."""
    site = {"settings": {"site": {"utc_offset_hours": 2.0}}}
    (item,) = advise({**SOUND, **site, "clock_error_min": 421.0}, {})
    assert f"7.0{NARROW}h ahead" in item.text
    assert "(9 in place of 2 agrees with the stars)" in item.text
    assert not item.outdoors
    assert "in place of" not in advise({**SOUND, **site, "clock_error_min": 321.5}, {})[0].text
    assert heads({"clock_error_min": -9.0}) == []


def test_bright_frames_that_were_kept_tell_what_they_do_to_the_sky() -> None:
    """Six frames of 100, two twice as bright with half the weight: (600 + 2 x 100) / (6 + 1) is 14 % more (elementary);
    a tenth brighter it is 1.4 %, of which nothing is said."""
    usual = {"verdict": "kept", "exposure_s": 10.0, "flux_scale": 1.0, "weight": 1.0, "sky_e_s": 10.0, "cause": None}
    bright = {**usual, "weight": 0.5, "sky_e_s": 20.0, "cause": "moonlight"}
    raised = sky_raised([usual] * 6 + [bright] * 2)
    assert raised is not None
    assert raised["share"] == pytest.approx(1 / 7, abs=1e-4)
    assert "2 brightened frames" in raised_sentence(raised)
    assert "by 14\u202f% against the 6 others alone" in raised_sentence(raised)
    assert raised_sentence(sky_raised([usual] * 6 + [{**bright, "sky_e_s": 11.0}] * 2)) == ""
    assert sky_raised([usual] * 6) is None
    assert sky_raised([bright] * 6 + [usual]) is None


def test_scenes_that_the_run_has_not_reached_are_still_to_come() -> None:
    """The page that a run writes after its first scene does not say that it was stopped."""
    for to_come, said in ((True, "It is still to come"), (False, "the run was stopped before it")):
        entries = [
            SceneEntry("made", {"title": "made", "frames_found": 9, "frames_kept": 9}, True, "index.html", None),
            SceneEntry("next", {"frames_found": 9}, False, "not-made.html", None, to_come=to_come),
        ]
        page = trip_page(trip_figures(entries, [], [], [], [], {}, {}), entries, [], [])
        assert said in page
        assert ("It is still to come" in page) == to_come


def test_frames_without_an_exposure_say_so() -> None:
    """Neither `0 s` nor `not known of light`."""
    assert "9 frames were combined: exposure not known" in lead(
        {**SOUND, "frames_found": 9, "frames_kept": 9, "exposure_total_s": None, "exposure_s": None, "made": True}
    ).replace(NARROW, " ")


def test_a_drive_that_swings_is_told_from_wind() -> None:
    """Trailed frames of a tracker along one line (planted, 2 degrees, 5 of scatter): the drive is spoken of first; in
    all directions, or of a tripod, it is not."""
    rng = np.random.default_rng(2)
    line = [{"reasons": "trailed", "motion_angle_deg": a % 180} for a in rng.normal(2, 5, 12)]
    wind = [{"reasons": "trailed", "motion_angle_deg": a} for a in rng.uniform(0, 180, 12)]
    along = trailed_along(line)
    assert along is not None
    assert min(along["angle_deg"], 180 - along["angle_deg"]) < 6
    assert trailed_along(wind) is None
    assert trailed_along(line[:3]) is None
    tracked = {**SOUND, "mount": {"kind": "tracked"}, "trailed_along": along}
    assert "worm" in advise(tracked, {"trailed": 12})[0].text
    unsolved = {**SOUND, "mount": None, "motion_expected_px": 0.0, "trailed_along": along}
    text = advise(unsolved, {"trailed": 12})[0].text
    assert "worm" in text
    assert "tripod" not in text
    assert "worm" not in advise({**tracked, "mount": {"kind": "tripod"}}, {"trailed": 12})[0].text


def test_single_frames_come_last_on_the_trips_page() -> None:
    """Test shots before a scene do not open its trip's page."""
    entries = [
        SceneEntry(name, {"title": name, "frames_found": n, "frames_kept": n}, True, "index.html", None)
        for name, n in (("shot", 1), ("scene", 9), ("second", 2))
    ]
    page = trip_page(trip_figures(entries, [], [], [], [], {}, {}), entries, [], [])
    assert page.index(">scene<") < page.index(">second<") < page.index(">shot<")


def test_second_pictures_of_frames_are_counted_and_not_listed() -> None:
    """A camera that writes two files a frame would else fill the list with names that nobody misses."""
    rows: list[dict[str, object]] = [
        {"file": f"n_{k}.jpg", "kind": "companion", "reason": f"goes along with n_{k}.dng"} for k in range(40)
    ]
    rows += [
        {"file": "n_1.dng", "kind": "light", "scene": "s", "reason": "a light"},
        {"file": "lost.dng", "kind": "light", "scene": None, "reason": "no time"},
        {"file": "notes.txt", "kind": "other", "reason": "no picture"},
    ]
    page = trip_page(trip_figures([], [], [], [], [], {}, {}), [], rows, [])
    assert "of no use (2)" in page
    listed = page[page.index("of no use (2)") :]
    assert all(name in listed for name in ("lost.dng", "notes.txt"))
    assert not any(name in listed for name in ("n_0.jpg", "n_1.dng"))
    assert "goes along with a frame of the same name" in page


def test_frames_dropped_by_hand_are_no_warning() -> None:
    """Three of seven are in the picture because four were dropped by hand: that is what was asked for."""
    seven = {**SOUND, "frames_found": 7, "frames_kept": 3}
    assert any("Only 3 of 7" in line.replace(NARROW, " ") for line in warnings(seven))
    assert not any("Only" in line for line in warnings({**seven, "frames_set_aside": {"by hand": 4}}))


def test_noise_that_rose_is_not_called_low() -> None:
    """0.8 times lower is 1.25 times higher (elementary)."""
    assert lowered(4.0) == "4.0× lower"
    assert lowered(0.8) == "1.2× higher"


def test_frames_that_do_not_lie_on_one_another_are_told() -> None:
    """Half a pixel is more than any ordinary lens leaves."""
    assert not any("lie on one another" in line for line in warnings({**SOUND, "registration_rms_px": 0.08}))
    assert any("lie on one another" in line for line in warnings({**SOUND, "registration_rms_px": 0.55}))


def test_equal_weights_lose_no_light() -> None:
    """Equal frames, whose measured weights scatter by 2 %, lose nothing; one of half the weight half its light."""
    rows = [{"verdict": "kept", "exposure_s": 10.0, "weight": w} for w in (0.977, 0.99, 1.0, 1.0, 1.0, 1.005, 1.01)]
    assert lost_sentence(exposure_lost(rows)) == ""
    lost = exposure_lost([*rows, {"verdict": "kept", "exposure_s": 10.0, "weight": 0.5, "cause": "haze"}])
    assert lost["by_weight_s"] == pytest.approx(5.0, abs=0.1)


def test_motion_below_what_is_told_is_no_figure() -> None:
    """No camera moves by 0.000 px."""
    assert words.motion(0.0, "px") == f"< 0.3{NARROW}px"
    assert words.motion(1.234, "px") == f"1.23{NARROW}px"
    assert words.motion(None) == "–"


def test_a_sky_that_changed_from_frame_to_frame_is_told() -> None:
    """Where more is rejected than passes through single frames, the page says what that does to the picture."""
    assert not any("rejected" in line for line in warnings({**SOUND, "rejected_share": 0.06}))
    (line,) = [line for line in warnings({**SOUND, "rejected_share": 0.29}) if "rejected" in line]
    assert "29.0\u202f%" in line
    assert "aurora" in line


def test_it_is_told_of_which_frames_a_dark_was_taken() -> None:
    """Where the camera took its own dark off some frames, and where only a bias was there, the sentence says so."""
    darks = {"used": True, "why": "", "camera_subtracted": False, "camera_subtracted_frames": 2, "bias_set": None}
    told = dark_sentence({"darks": darks})
    assert told.startswith(f"A master dark is subtracted from every frame but 2{NARROW}frames of which the camera")
    told = dark_sentence({"darks": {**darks, "used": False, "bias_set": "bias_a", "why": "no darks"}, "made": False})
    assert told == "No master dark was subtracted, only a bias. Why none: No darks."


def test_times_in_advice_are_of_a_clock() -> None:
    """A time without its zone would be read as the reader's own."""
    dusk = {"cause": "twilight", "course": "dusk", "begins": "2026-08-14T20:00:00", "ends": "2026-08-14T20:40:00"}
    (item,) = advise({**SOUND, "sky_events": [dusk]}, {}, "UTC")
    assert "begin after 20:40 (UTC)" in item.text


def test_more_darks_are_asked_for_by_what_their_noise_costs() -> None:
    """Where the master's noise left in the picture was measured, that decides, not the worst case."""
    few = {**SOUND, "darks": {"used": True, "number": 5}, "noise_combined": 10.0}
    assert "Take more darks" not in [item.head for item in advise({**few, "noise_dark_shared": 1.0}, {})]
    (item,) = [i for i in advise({**few, "noise_dark_shared": 6.0}, {}) if i.head == "Take more darks"]
    assert f"1.25{NARROW}×" in item.text or "1.25×" in item.text  # 10 / sqrt(10^2 - 6^2)


def test_advice_carries_the_numbers() -> None:
    """A scene without fault gets none, nor does one of which only the darks are known."""
    item = advise({**SOUND, "exposure_s": 20.0, "motion_expected_px": 8.0}, {})[0]
    assert f"4.58{NARROW}s" in item.text
    assert f"13.7{NARROW}s" in item.text
    assert item.outdoors
    for word in ("rules of the place", "know the ground", "weather", "dress", "alone"):
        assert word in CAUTION


def test_a_hazy_night_stands_on_the_trips_page() -> None:
    """Of two nights with one camera and lens the one that is 0.3 mag fainter is told, with the error; one without
    site or refraction could have stood lower, and is not."""

    def night(star: float, zenith: bool) -> dict[str, object]:
        zero = {"star_zero": star, "star_zero_error": 0.01, "zenith": zenith, "taken_with": ["body", 24.0, 2.8, 3200]}
        return {"frames_found": 9, "frames_kept": 9, "sky_zero": zero}

    nights = {"clear": night(13.3, True), "hazy": night(13.0, True), "guessed": night(13.0, False), "new": {}}
    entries = [SceneEntry(name, figures, True, "index.html", None) for name, figures in nights.items()]
    content = trip_figures(entries, [], [], [], [], {}, {})
    assert [(scene["scene"], scene["against"]) for scene in content["hazy"]] == [("hazy", "clear")]
    # 10^(-0.4 x 0.3) = 0.759 (check-values.md, 4)
    said = trip_page(content, entries, [], []).replace(NARROW, " ")
    assert "hazy: even at its clearest the stars are 0.30 ± 0.05 magnitudes fainter than in clear" in said
    assert "76 % of the light" in said


def test_flats_of_other_optics_are_worth_a_word() -> None:
    """Flats that were taken and do not fit; not where none were, nor where those of another body alone are there."""

    def heads(why: str, used: bool = False) -> list[str]:
        given = advise({"frames_found": 40, "flats": {"used": used, "why": why}}, {})
        return [a.head for a in given if a.head.startswith("Flats")]

    card = run(3, kind="flat", exposure_s=0.5, f_number=4.0)
    lights = run(3, begin_s=500, f_number=2.8)
    _, why = match_flats(lights, [CalibrationSet("f", "flat", tuple(card))])
    assert why.startswith("no flats fit") and why.endswith("another aperture")  # noqa: PT018
    assert heads(why) == ["Flats of this aperture"]
    assert heads("no flats were found") == heads(why, used=True) == []
    assert heads("no flats fit: 3 flats of x, but these lights are of y: another camera") == []


def test_every_lamp_is_counted_in_the_advice() -> None:
    """Two cars an hour apart are two events of a frame each."""
    events = [{"cause": "lamp", "frames": n, "frames_set_aside": n} for n in (1, 2)]
    given = advise({"frames_found": 40, "sky_events": events}, {"bright sky": 3})
    assert any(a.text.replace(NARROW, " ").startswith("3 frames caught headlights") for a in given)


def test_a_scene_all_out_of_focus_stands_on_the_trips_page() -> None:
    """Held against one taken with the same camera, lens and aperture; motion is taken out: a uniform motion of 2.4 px
    makes stars of 2.4 px sqrt(2.4^2 + 8 ln 2 x 2.4^2 / 24) = 2.66 px wide (`width_at_rest`), which is no focus. Test
    shots, which are there to find it, and lenses that no file names are left alone."""

    def scene(width: float, moved: float = 0.0, kept: int = 30) -> dict[str, object]:
        return {"frames_found": kept, "frames_kept": kept, "fwhm_px_frames": width, "motion_px": moved}

    taken = {"kind": "light", "camera": "c", "serial": "1", "lens": "l", "focal_mm": 24.0, "f_number": 2.8,
             "width": 6000, "height": 4000}  # fmt: skip
    scenes = {"sharp": scene(2.4), "soft": scene(3.6), "moved": scene(2.67, 2.4), "long": scene(9.0, 9.5),
              "shot": scene(8.0, kept=1), "open": scene(3.6), "manual": scene(3.6)}  # fmt: skip
    rows = [{**taken, "scene": name, "file": f"{name}.dng"} for name in scenes]
    rows[-2]["f_number"], rows[-1]["focal_mm"] = 1.8, None
    told = soft_scenes(scenes, rows)
    assert [(t["scene"], t["against"], t["width_px"], t["sharp_px"]) for t in told] == [("soft", "sharp", 3.6, 2.4)]
    entries = [SceneEntry(name, figures, True, "index.html", None) for name, figures in scenes.items()]
    content = trip_figures(entries, rows, [], [], [], {}, {})
    said = trip_page(content, entries, rows, []).replace(NARROW, " ")
    assert "soft: the stars are 3.6 px wide where in sharp" in said
    assert soft_scenes({"sharp": scenes["sharp"], "soft": scene(3.3)}, rows) == []


def test_settings_made_by_hand_are_named() -> None:
    """What of trip.yaml concerns a scene and differs from the defaults stands on its page: of what is named by hand its
    own; folders are no setting."""
    trip = Trip.model_validate({
        "frames": ["card"], "drop": ["*_0113.*", "*_0999.*"], "site": {"latitude": 40.0}, "limits": {"keep_mb": 1},
        "combine": {"clip_sigma": 3.5},
        "scenes": {"sky": {"frames": ["A*"], "title": "One"}, "sea": {"frames": ["B*"]}},
    })  # fmt: skip
    frames = tuple(PlannedFrame(id, f"/card/{id}.dng", f"{id}.dng", None, 1.0) for id in ("A_0113", "A_0114"))
    given = scene_settings(trip, ScenePlan("sky", (), frames, drop=("A_0113",)))
    facts = dict(made_facts(SimpleNamespace(plan=None), {"settings": given}))
    said = facts["settings changed in trip.yaml"].split("; ")
    assert set(said) == {
        "drop A_0113.dng", "site.latitude 40.0", "combine.clip_sigma 3.5", "scenes.sky frames A*, title One",
    }  # fmt: skip
    same = Trip().model_dump(by_alias=True, mode="json")
    assert dict(made_facts(SimpleNamespace(plan=None), {"settings": same})) == {
        "settings changed in trip.yaml": "none but where files lie: the defaults hold"
    }


def test_noise_that_is_not_known_says_why() -> None:
    """Without figures the sentence holds what `combine` noted."""
    said = noise_sentence({"frames_kept": 8, "noise_notes": ["Frames differ by more than noise everywhere."]})
    assert said == "The noise of this scene is not known. Frames differ by more than noise everywhere."


def test_a_sensors_own_pattern_is_told_where_it_is_in_no_figure():
    """Of frames that met the same pixels, without flats; not where they moved, nor with flats and darks."""
    figures = {"frames_kept": 26, "noise_frame": 30.0, "noise_combined": 6.0, "sensor_places": 1.62}
    said = noise_sentence(figures | {"darks": {"used": True}, "flats": {"used": False}})
    assert "(no flats) is in none of these figures" in said
    assert "as over 1.6" in said
    assert "no flats and no darks" in noise_sentence(figures)
    for more in ({"sensor_places": 20.0}, {"flats": {"used": True}, "darks": {"camera_subtracted": True}}):
        assert "has of its own" not in noise_sentence(figures | more)


def test_a_tracker_that_drifts_asks_for_its_axis() -> None:
    """4,500 arcsec an hour at 44 arcsec a pixel are 0.85 px in 30 s (elementary); within its errors: nothing."""
    mount = {"kind": "tracked", "drift_arcsec_h": [2700.0, 3600.0, 10.0], "drift_sigma_arcsec_h": 100.0}
    figures = {**SOUND, "mount": mount, "pixel_scale_arcsec": 44.0, "exposure_s": 30.0}
    (item,) = [i for i in advise(figures, {}) if i.head == "Align the tracker on the pole"]
    assert "0.85" in item.text
    unsure = {**mount, "drift_sigma_arcsec_h": 2000.0}
    for other in (unsure, {**mount, "kind": "tripod"}, {**mount, "drift_arcsec_h": [200.0, 100.0, 0.0]}):
        heads = [i.head for i in advise({**figures, "mount": other}, {})]
        assert "Align the tracker on the pole" not in heads


def test_frames_kept_by_hand_are_named() -> None:
    """With what stood against them; those that nothing stood against by their names alone; others are not."""
    rows = [
        {"frame": "a", "file": "a.raw", "verdict": "kept", "detail": "kept by hand, though stars 2.0 times as wide"},
        {"frame": "b", "file": "b <i>.raw", "verdict": "kept", "detail": "kept by hand"},
        {"frame": "c", "file": "c.raw", "verdict": "kept", "detail": "closest: 99 % of the starlight comes through"},
        {"frame": "d", "file": "d.raw", "verdict": "set aside", "detail": "stars 1.4 times as wide"},
    ]
    assert by_hand_sentence(rows) == "Kept by hand: a.raw (though stars 2.0 times as wide); b <i>.raw."
    assert by_hand_sentence(rows[2:]) == ""


def test_a_lens_that_draws_wide_corners_is_told_from_frames_that_do_not_fit() -> None:
    """Stars twice as wide in the corners, in each frame too, are the lens's; wider than in a frame they are not. A fast
    lens is not asked for a faster aperture (common practice)."""
    wide = {"fwhm_px_middle": 2.1, "fwhm_px_corners": 4.3, "elongation_corners": 1.4, "size_ratio_corners": 1.01}
    (told,) = corners_of({**wide, "f_number": 1.4})
    assert "2.0\u202f×" in told.text or "2.0×" in told.text
    assert "at f/1.4" in told.text
    assert "stop or two down" in told.text
    assert corners_of({**wide, "size_ratio_corners": 1.3}) == []
    assert corners_of({**wide, "f_number": 8.0}) == []
    # a fixed wide lens draws longer trails in its corners
    assert corners_of({**wide, "f_number": 2.8, "motion_expected_px": 3.4}) == []
    assert corners_of({**wide, "fwhm_px_corners": 2.6}) == []
    short = {"read_noise_e": 5.0, "sky_e_s_median": 0.5, "exposure_s": 10.0}
    assert "faster aperture" in longer_frames({**short, "f_number": 4.0})[0].text
    assert "faster aperture" not in longer_frames({**short, "f_number": 1.4})[0].text


def test_lamps_on_the_land_in_many_frames_are_worth_a_word() -> None:
    """Nine of thirty are, one is not."""
    assert "9\u202fframes of 30 showed" in lamps({"frames_kept": 30, "ground": {"frames_lit_otherwise": 9}})[0].text
    assert lamps({"frames_kept": 30, "ground": {"frames_lit_otherwise": 1}}) == []
    assert lamps({"frames_kept": 30, "ground": None}) == []


def test_noise_of_the_ground_says_how_sure_it_is() -> None:
    """Of 292 blocks a noise is good to 1.25 / sqrt(2 x 292), 5 % (the error of a standard deviation, elementary, and
    what `BLOCK_ERROR` says of neighbours)."""
    told = {"found": True, "noise_frame": 6.35, "noise_combined": 1.10, "noise_ratio": 0.86, "frames": 26}
    facts = dict(ground_facts({**told, "noise_blocks": 292}))
    assert "told from 292 blocks, good to about 5\u202f%" in facts["noise of the ground lowered by"]
    assert "good to" not in dict(ground_facts(told))["noise of the ground lowered by"]
