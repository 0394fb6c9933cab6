"""Verdicts: planted causes are named, sound frames kept, few frames and odd scenes judged without nonsense."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import rawpy

from pipeline import judge
from pipeline.config import GradeSettings, JudgeSettings, Site
from pipeline.grade import COLUMNS as GRADE_COLUMNS
from pipeline.grade import star_table
from pipeline.judge import Graded, judge_scene
from pipeline.judging.byhand import lay_by_hand, share_notes
from pipeline.judging.focus import focus_course
from pipeline.judging.movement import at_middle
from pipeline.judging.verdicts import Figures, Usual, decide, fluxes_tell, usual
from pipeline.plan import Look, PlannedFrame, ScenePlan, write_plan
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sky.motion import airmass, altitude_deg
from pipeline.sky.times import julian_date, parse
from pipeline.stars.measure import STAR_DTYPE
from pipeline.stars.tiles import TILES
from pipeline.stars.trails import drawn_out
from pipeline.tables import read_table, table_from_rows, write_table
from tests.labelled import PITCH_UM, RIGHT, Fault, Setting, make_scene
from tests.starfields import grade_mosaic

REAL = Path(__file__).parents[2] / "shared" / "real-sky" / "field"


def judged(setting, seed=1, settings=None, **plan):
    """Rows and notes of a made scene, its plan's lists by hand laid over them."""
    frames, scene = make_scene(setting, seed)
    scene = replace(scene, **plan)
    rows, notes, _ = judge_scene(frames, scene, settings or JudgeSettings(), Site())
    rows = lay_by_hand(rows, scene.keep, scene.drop)
    return rows, [*notes, *share_notes(rows)]


def aside(rows):
    """Which rows are set aside, with their reasons."""
    return {n: row["reasons"] for n, row in enumerate(rows) if row["verdict"] == "set aside"}


SPOILED = (
    Fault("slip", 1.0),
    Fault("kick", 1.2),
    Fault("defocus", 1.4),
    Fault("cloud", 0.6, share=0.5),
    Fault("haze", 0.45),
    Fault("bright", 5.0),
    Fault("beam", 8.0),
)


@pytest.mark.parametrize("tracked", [False, True])
@pytest.mark.parametrize("focal_mm", [14.0, 50.0])
def test_each_cause_is_named_and_sound_frames_are_kept(focal_mm, tracked):
    """Every planted fault is set aside for a right reason; every other frame is kept."""
    faults = {2 + 2 * n: replace(f, angle_deg=37.0 * n) for n, f in enumerate(SPOILED)}
    rows, _ = judged(Setting(focal_mm, tracked, 700, exposure_s=min(20.0, 350 / focal_mm), faults=faults))
    got = aside(rows)
    assert set(got) == set(faults)
    for n, fault in faults.items():
        assert RIGHT[fault.kind] & set(got[n].split("; ")), (fault, got[n], rows[n])
        assert rows[n]["margin"] < 0
        assert rows[n]["detail"]


def test_mild_faults_are_kept():
    """A tenth more width, a fifth of the light lost, twice the sky: weighted down later, not set aside."""
    faults = {3: Fault("defocus", 1.12), 6: Fault("haze", 0.8), 9: Fault("bright", 2.0), 12: Fault("slip", 0.3)}
    rows, _ = judged(Setting(35.0, True, 700, exposure_s=30, interval_s=33, faults=faults))
    assert aside(rows) == {}
    assert rows[6]["transparency"] == pytest.approx(0.8, abs=0.02)
    assert rows[3]["width_px"] / rows[4]["width_px"] == pytest.approx(1.12, abs=0.05)


def test_tripod_motion_is_expected():
    """A tripod scene whose frames all show the sky's motion is sound, and the motion is told."""
    rows, _ = judged(Setting(24.0, False, 700, exposure_s=15.0))
    assert aside(rows) == {}
    measured = np.median([row["motion_px"] for row in rows])
    expected = rows[0]["motion_expected_px"]
    # 24 mm, 6.0 um, 15 s, declination 20: 7.2921e-5 * 15 * 4000 * cos 20
    assert expected == pytest.approx(4.11, rel=0.05)
    assert measured == pytest.approx(expected, rel=0.03)
    assert max(row["motion_excess_px"] for row in rows) < 1.2


def test_a_wide_field_s_motion_is_told_at_its_middle():
    """Planted: a 14 mm rectilinear lens stands still; trails at its edges are longer than at the middle (1/cos of the
    angle off the axis along, its square outwards: common practice); a kick is the same everywhere."""
    focal, exposure = 1400.0, 20.0
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-1800, 1800, 25), np.linspace(-1200, 1200, 17)))
    ray = np.stack([x, y, np.full_like(x, focal)], axis=1)
    # the axis of the sky's turning lies 30 degrees above the picture's middle
    pole = np.array([0.0, -math.sin(math.radians(30)), math.cos(math.radians(30))])
    rate = 2 * math.pi / 86164.0905 * exposure * np.cross(pole, ray)
    field = rate[:, :2] - ray[:, :2] * rate[:, 2:] / focal
    middle = field[len(field) // 2]
    kick = np.array([3.0, 4.0])
    for more in (np.zeros(2), kick):
        # squares of motions add up as second moments do
        square = ((field @ [1, 1j]) ** 2).mean() + (more @ [1, 1j]) ** 2
        length, angle = at_middle(
            abs(square) ** 0.5, math.degrees(np.angle(square) / 2), field, np.ones(len(field)), middle
        )
        true = (middle @ [1, 1j]) ** 2 + (more @ [1, 1j]) ** 2
        assert length == pytest.approx(abs(true) ** 0.5, rel=1e-9)
        assert (angle - math.degrees(np.angle(true) / 2) + 90) % 180 == pytest.approx(90, abs=1e-6)
    # what the whole field shows is not what the middle shows
    assert abs(((field @ [1, 1j]) ** 2).mean()) ** 0.5 > 1.2 * np.hypot(*middle)


@pytest.mark.parametrize("tracked", [False, True])
def test_frames_of_mixed_exposures_are_judged_each_by_its_own(tracked):
    """Frames of 20 s and, every third, of 8 s in a scene made by hand: short ones are no haze, the sky moved less."""
    frames, scene = make_scene(Setting(24.0, tracked, 700, exposure_s=20.0), 6)
    mixed = []
    for n, frame in enumerate(frames):
        stars, row, share = frame.stars.copy(), dict(frame.row), 0.4 if n % 3 == 1 else 1.0
        stars["flux"] *= share
        stars["flux_error"] *= share**0.5
        row["tile_sky_adu"] = json.dumps((share * np.array(json.loads(row["tile_sky_adu"]))).tolist())
        row |= {"exposure_s": share * 20.0, "sky_adu": share * row["sky_adu"]}
        mixed.append(Graded(frame.plan, row, stars))
    rows, _, events = judge_scene(mixed, scene, JudgeSettings(), Site())
    assert [row["transparency"] for row in rows] == pytest.approx([1.0] * len(rows), abs=0.05)
    assert not events
    if tracked:
        assert aside(rows) == {}
    else:  # their stars were drawn for 20 s
        assert rows[1]["motion_expected_px"] == pytest.approx(0.4 * rows[0]["motion_expected_px"])


def test_a_bracket_s_motion_goes_by_the_middles_of_its_exposures():
    """5, 10 and 20 s in turn, middles 22 s apart: starts are 19.5, 17 and 29.5 s apart. By these the sky seemed to turn
    1.1 to 1.4 times as fast, in a scene made by hand, and sound frames were trailed."""
    frames, scene = make_scene(Setting(24.0, False, 700, exposure_s=10.0, interval_s=22.0), 8)
    mixed = []
    for n, frame in enumerate(frames):
        exposure = (5.0, 10.0, 20.0)[n % 3]
        taken = datetime.fromisoformat(frame.plan.taken) - timedelta(seconds=exposure / 2)
        plan = replace(frame.plan, taken=taken.isoformat(), exposure_s=exposure)
        mixed.append(Graded(plan, {**frame.row, "exposure_s": exposure}, frame.stars))
    rows, _, _ = judge_scene(mixed, replace(scene, frames=tuple(f.plan for f in mixed)), JudgeSettings(), Site())
    # 24 mm, 6.0 um, declination 20: 7.2921e-5 * 4000 * cos 20 px/s
    expected = [0.2741 * f.row["exposure_s"] for f in mixed]
    assert [row["motion_expected_px"] for row in rows] == pytest.approx(expected, rel=0.03)


def test_without_times_and_scale_the_common_motion_is_still_no_fault():
    """Where nothing is known of lens, direction or times, what all frames share is not held against them."""
    frames, scene = make_scene(Setting(24.0, False, 700, exposure_s=9.0), 2)
    bare = [Graded(replace(f.plan, taken=None), {**f.row, "focal_mm": None, "pixel_um": None}, f.stars) for f in frames]
    rows, notes, _ = judge_scene(bare, replace(scene, look=Look()), JudgeSettings(), None)
    assert aside(rows) == {}
    assert any("drawn out" in note for note in notes) or rows[0]["motion_expected_px"] is None


def test_fog_before_lit_land_is_cloud():
    """A lens that fogged over shows no star, and lit patches of the land below, wide as no star: no kick, no focus."""
    setting = Setting(14.0, False, 900, frames=12, exposure_s=14.0, interval_s=18.0, ground=0.4)
    frames, scene = make_scene(setting, 3)
    fogged = frames[8]
    deep = fogged.row["height"] * 0.93
    patches = fogged.stars[:40].copy()
    patches["x"] = np.linspace(0.1, 0.9, 40) * fogged.row["width"]
    patches["y"] = deep + np.arange(40) % 5
    patches["mxx"], patches["mxy"], patches["myy"] = 240.0, 30.0, 200.0
    patches["saturated"] = False
    row = {**fogged.row, "stars": 40, "tile_stars": json.dumps(np.zeros(TILES, int).tolist())}
    frames[8] = Graded(fogged.plan, row, patches)
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) in ({8: "cloud"}, {8: "few stars"})


@pytest.mark.parametrize(("number", "focal"), [(1, 14.0), (2, 24.0), (4, 24.0)])
def test_exposures_of_minutes_from_a_tripod(number, focal):
    """Trails as long as the sky makes them in 120 s (15.04" a second, cosine of the declination) are sound.

    The inventory takes such exposures for tracked where it finds no stars. A kick of five star widths shows in them.
    """
    setting = Setting(focal, False, 700, frames=number, exposure_s=120, interval_s=125)
    if number > 2:
        setting = replace(setting, faults={2: Fault("kick", 5.0, angle_deg=40)})
    frames, scene = make_scene(setting, 3)
    rows, _, _ = judge_scene(frames, replace(scene, look=replace(scene.look, tracked=True)), JudgeSettings(), Site())
    reasons = {n: reason.split("; ")[0] for n, reason in aside(rows).items()}
    assert reasons == ({2: "trailed"} if number > 2 else {})
    trail = 120 * math.radians(15.04 / 3600) * math.cos(math.radians(20.0)) * 1000 * focal / PITCH_UM
    assert rows[0]["motion_expected_px"] == pytest.approx(trail, rel=0.02)


def test_a_dense_field_beside_much_land_is_no_land() -> None:
    """Of 4,000 stars a third shows beside land that moves through seven tenths of the frame, over ten to each place
    that is looked at: the places are not land for that, and what spoils a third of the frames is told."""
    spoiled = {n: Fault("kick", 2.0, angle_deg=40.0) for n in (2, 4, 5, 9, 12, 16)}
    setting = Setting(
        35.0, True, 4000, exposure_s=45, interval_s=6750 / 35, ground=0.7, ground_light=0.05, faults=spoiled
    )
    frames, scene = make_scene(setting, 134)
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) == dict.fromkeys(spoiled, "trailed")


def test_trails_that_are_all_a_little_longer_than_expected_are_sound():
    """Four frames of 120 s from a tripod that say 111 s: every trail is 8 % longer than the drift lets expect, and none
    is at fault; a kick beside them is set aside."""
    setting = Setting(24.0, False, 700, frames=5, exposure_s=120, interval_s=125)
    setting = replace(setting, faults={2: Fault("kick", 5.0, angle_deg=40)})
    frames, scene = make_scene(setting, 3)
    for frame in frames:
        frame.row["exposure_s"] = 111.0
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert set(aside(rows)) == {2}


def test_a_tracker_that_stood_still_is_a_note_not_a_hundred_rejections():
    """With a tracker meant and the sky drifting, the scene is judged as from a tripod and the page is told."""
    rows, notes = judged(Setting(24.0, False, 700), settings=JudgeSettings(mount="tracker"))
    assert aside(rows) == {}
    assert any("stood still where a tracker was meant" in note for note in notes)


def test_a_tracker_that_slips_once_is_trailed():
    """On a tracked scene nothing is expected, and a slip of one star width is trailed."""
    rows, _ = judged(Setting(85.0, True, 700, exposure_s=60, interval_s=64, faults={4: Fault("slip", 1.0)}))
    assert aside(rows) == {4: "trailed"}
    assert rows[0]["motion_expected_px"] == 0
    # 1 FWHM of this field, lens and pixels counted, is 2.75 px
    assert rows[4]["motion_px"] == pytest.approx(2.75, rel=0.08)


def test_dithers_in_one_direction_are_no_standing_camera():
    """A tracker whose dithers go on at nine tenths of the sky's pace: stars are round, no frame is trailed, and a
    slip is still seen."""
    setting = Setting(85.0, True, 700, exposure_s=20, interval_s=24, faults={4: Fault("slip", 1.0)})
    frames, scene = make_scene(setting, 5)
    step = 0.9 * 7.2921159e-5 * 85_000 / PITCH_UM * 24
    moved = []
    for n, frame in enumerate(frames):
        stars = frame.stars.copy()
        stars["x"] += 0.8 * step * n
        stars["y"] -= 0.6 * step * n
        moved.append(replace(frame, stars=stars))
    rows, _, _ = judge_scene(moved, scene, JudgeSettings(), Site())
    assert aside(rows) == {4: "trailed"}
    assert rows[0]["motion_expected_px"] == 0


@pytest.mark.parametrize("right", [True, False])
def test_air_that_the_stars_do_not_show_is_not_given_back(right):
    """A field that by clock and site rises from 15 to 50 degrees in three hours, with the extinction that this makes
    (0.17 magnitudes an airmass: check value of clear sites) and, as by a clock that is hours wrong, without: the sky
    was clear in every frame."""
    frames, scene = make_scene(Setting(50.0, True, 700, exposure_s=60, interval_s=600), 7)
    site = Site(latitude=40.0, longitude=10.0)
    look = replace(scene.look, centre_ra_deg=15.0, centre_dec_deg=20.0)
    airy, heights = [], []
    for frame in frames:
        plan = replace(frame.plan, utc=True)
        height = altitude_deg(15.0, 20.0, 40.0, 10.0, julian_date(parse(plan.taken)))
        heights.append(height)
        stars = frame.stars.copy()
        if right:
            for name in ("flux", "flux_error", "peak"):
                stars[name] *= 10 ** (-0.4 * 0.17 * airmass(height))
        airy.append(replace(frame, plan=plan, stars=stars))
    assert max(heights) > min(heights) + 25
    rows, _, _ = judge_scene(airy, replace(scene, look=look), JudgeSettings(), site)
    assert aside(rows) == {}
    assert [row["transparency"] for row in rows] == pytest.approx([1.0] * len(rows), abs=0.03)


def test_ground_is_not_cloud():
    """A foreground that hides a third of the frame is no cloud, and cloud above it is seen as a share of the sky."""
    rows, _ = judged(Setting(24.0, False, 900, ground=0.33, faults={5: Fault("cloud", 0.4, share=0.5)}))
    assert set(aside(rows)) == {5}
    assert rows[5]["cloud_fraction"] == pytest.approx(0.5, abs=0.15)
    assert max(row["cloud_fraction"] for n, row in enumerate(rows) if n != 5) < 0.05


@pytest.mark.parametrize("fault", [Fault("defocus", 1.6), Fault("haze", 0.4), Fault("slip", 1.5), Fault("bright", 8.0)])
def test_half_of_the_frames_bad(fault):
    """With ten of twenty frames bad the ten good ones are kept and the bad ones set aside for their reason."""
    faults = {n: replace(fault, angle_deg=25.0 * n) for n in range(0, 20, 2)}
    rows, notes = judged(Setting(50.0, True, 700, exposure_s=30, interval_s=34, faults=faults))
    got = aside(rows)
    assert set(got) == set(faults)
    assert all(RIGHT[fault.kind] & set(reasons.split("; ")) for reasons in got.values())
    assert not any("All" in note for note in notes)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_frames_are_judged_by_absolute_limits(count):
    """Scenes of one, two and three sound frames are kept; relative figures that cannot be had are masked."""
    rows, _ = judged(Setting(35.0, False, 700, frames=count, exposure_s=8.0))
    assert aside(rows) == {}
    assert (rows[0]["transparency"] is None) == (count == 1)
    assert rows[0]["motion_px"] is not None


def test_one_bad_of_three():
    """Of three frames the one behind thick cloud and the one far out of focus are set aside."""
    rows, _ = judged(Setting(35.0, True, 700, frames=3, exposure_s=20, interval_s=24, faults={1: Fault("haze", 0.3)}))
    assert aside(rows) == {1: "cloud"}
    rows, _ = judged(
        Setting(35.0, True, 700, frames=3, exposure_s=20, interval_s=24, faults={2: Fault("defocus", 2.0)})
    )
    assert aside(rows) == {2: "out of focus"}


@pytest.mark.parametrize(("count", "soft"), [(3, {0, 1}), (4, {1, 2, 3}), (5, {0, 1, 3, 4}), (4, set())])
def test_of_few_frames_the_sharpest_tells_which_are_out_of_focus(count, soft):
    """Where most of a few frames are twice as wide as the others they are set aside, and say nothing of the sky; where
    all are as soft nothing is."""
    faults = {n: Fault("defocus", 2.2) for n in soft or range(count)}
    setting = Setting(35.0, True, 700, frames=count, exposure_s=20, interval_s=24, faults=faults)
    frames, scene = make_scene(setting, 1)
    for n in faults:
        frames[n].stars["flux"] *= 1.065  # more than the 4 % that are measured
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) == dict.fromkeys(sorted(soft), "out of focus")
    if soft:
        assert all(rows[n]["transparency"] == pytest.approx(1, abs=0.01) for n in set(range(count)) - soft)


@pytest.mark.parametrize("count", [2, 3, 4])
def test_seeing_that_differs_is_no_fault_of_few_frames(count):
    """A quarter wider than the sharpest of two, three or four: kept."""
    faults = {n: Fault("defocus", 1.25) for n in range(1, count)}
    rows, _ = judged(Setting(35.0, True, 700, frames=count, exposure_s=20, interval_s=24, faults=faults))
    assert aside(rows) == {}


def test_few_noisy_detections_are_no_sharp_frame():
    """A frame whose two dozen stars seem half as wide as the hundreds of two others says nothing of the lens."""
    few = Figures("a", stars=24, width_px=1.2, shape_stars=24, excess_px=0.0)
    others = [Figures(name, stars=500, width_px=2.5, shape_stars=400, excess_px=0.0) for name in "bc"]
    assert usual([few, *others], JudgeSettings()).width_px > 1.8
    few.shape_stars = 200
    assert usual([few, *others], JudgeSettings()).width_px == pytest.approx(1.2)


@pytest.mark.parametrize(("across", "reasons"), [(2.3, "trailed"), (4.4, "trailed; out of focus")])
def test_a_kick_is_no_missed_focus(across, reasons):
    """Of stars that a kick draws out or doubles the width across the kick tells the focus."""
    f = Figures("a", stars=500, width_px=4.2, narrow_px=across, shape_stars=100, excess_px=9.7, doubled=True)
    assert "; ".join(decide(f, Usual(20, 2.4, None, 500, 2.2), JudgeSettings()).reasons) == reasons


def test_the_room_is_that_of_the_finding_that_is_shown():
    """A far blurred frame whose lost light counts for nothing is as far beyond the limit as its focus is."""
    f = Figures("a", stars=500, width_px=6.5, shape_stars=100, excess_px=0.0, transparency=0.66, cloud_fraction=1.0)
    verdict = decide(f, Usual(20, 2.5, None, 500), JudgeSettings())
    assert verdict.reasons == ("out of focus",)
    assert verdict.margin == pytest.approx((1.3 - 2.6) / 0.3, abs=0.001)


def test_a_sky_near_saturation_tells_of_no_cloud():
    """The last of eight frames, at nine tenths of saturation, shows a hundred false stars: no transparency is had of
    it, and it is set aside for its light alone."""
    frames, scene = make_scene(Setting(50.0, True, 700, exposure_s=30, interval_s=34, frames=8), 5)
    stars = frames[7].stars[:100].copy()
    stars["x"], stars["y"] = stars["y"], stars["x"] * 0.6
    stars["flux"] *= 70
    level = 0.9 * frames[7].row["room_adu"]
    stars["background"] = level
    row = {**frames[7].row, "sky_adu": level, "tile_sky_adu": json.dumps(np.full(TILES, level).tolist())}
    frames[7] = replace(frames[7], stars=stars, row=row)
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert "cloud" not in rows[7]["reasons"]
    assert "overexposed" in rows[7]["reasons"]
    assert rows[7]["transparency"] is rows[7]["cloud_fraction"] is None


def test_stars_of_another_pointing_say_nothing_of_the_sky():
    """Three frames of a field with other, brighter stars, as many: how clear it was is not known."""
    frames, scene = make_scene(Setting(50.0, True, 700, exposure_s=30, interval_s=34, frames=8), 5)
    others, _ = make_scene(Setting(50.0, True, 700, exposure_s=30, interval_s=34, frames=8), 6)
    for n in (5, 6, 7):
        stars = others[n].stars.copy()
        stars["flux"] *= 2.5
        frames[n] = replace(frames[n], stars=stars)
    rows, _, events = judge_scene(frames, scene, JudgeSettings(), Site())
    assert [row["transparency"] is None for row in rows] == [False] * 5 + [True] * 3
    assert events == []


def test_two_populations_are_told():
    """A scene refocused half way is judged against its sharp half, and the jump is told with its frame."""
    faults = {n: Fault("defocus", 1.2) for n in range(10)}
    rows, notes = judged(Setting(50.0, True, 700, exposure_s=30, interval_s=34, faults=faults))
    assert aside(rows) == {}
    assert any("The focus jumped at f010" in note for note in notes)


def test_slow_drift_of_focus_is_told():
    """A width that grows by a quarter over the night is a drift, not a jump; a steady one is nothing."""
    names = [f"f{n}" for n in range(20)]
    rng = np.random.default_rng(1)
    drifting = [2.4 * (1 + 0.25 * n / 19) + rng.normal(0, 0.02) for n in range(20)]
    assert "drifted slowly" in focus_course(drifting, names)
    assert focus_course([2.4 + rng.normal(0, 0.03) for _ in range(20)], names) is None
    jump = [2.4] * 10 + [3.1] * 10
    assert "jumped at f10" in focus_course(jump, names)
    dewed = [2.45 if n < 12 else 2.45 * 1.025 ** (n - 11) for n in range(20)]
    assert "jumped" not in (focus_course(dewed, names) or "")
    assert focus_course([2.4, 3.0], ["a", "b"]) is None
    # four frames until somebody looked: as they were measured, and no slow drift
    missed = [5.76, 5.76, 4.26, 3.15, *(2.1 * math.exp(rng.normal(0, 0.01)) for _ in range(16))]
    assert focus_course(missed, names) == (
        "The focus changed within 4 frames: stars 5.8 px wide at first, 3.1 px before f4. "
        "At f4 it was brought back, from 3.1 to 2.1 px."
    )


def test_a_night_of_focus_is_told_as_it_went():
    """A drift, then a jump, then focused anew: each with its frame and its widths; a single soft frame is none of it,
    and widths that scatter by twice the told change are no course."""
    names = [f"f{n}" for n in range(24)]
    rng = np.random.default_rng(2)
    night = [2.75 * (1.0 + 0.24 * n / 11) for n in range(12)] + [4.6, 4.6, 4.6] + [2.75] * 9
    night = [width * (1 + rng.normal(0, 0.01)) for width in night]
    night[20] = 3.9
    alone = [2.65 + rng.normal(0, 0.02) for _ in range(15)]
    for place in (1, 7, 13):
        assert focus_course([*alone[:place], 6.2, *alone[place + 1 :]], names) is None
        assert focus_course([*alone[:place], 6.2, 5.9, *alone[place + 2 :]], names) is None
    assert focus_course(night, names) == (
        "The focus drifted slowly (temperature, dew): stars 2.8 px wide at first, 3.4 px before f12. "
        "Then it jumped at f12, from 3.4 to 4.6 px. At f15 it was brought back, from 4.6 to 2.8 px."
    )
    assert focus_course([2.5 * math.exp(rng.normal(0, 0.1)) for _ in range(24)], names) is None


def test_all_frames_hopeless():
    """A scene with the cap on: every frame is set aside, with a sentence for the scene."""
    frames, scene = make_scene(Setting(frames=5), 3)
    dark = [
        Graded(
            f.plan, {**f.row, "stars": 0, "sky_adu": 0.2, "sky_adu_s": 0.01, "fwhm_px": None}, np.zeros(0, STAR_DTYPE)
        )
        for f in frames
    ]
    rows, _, _ = judge_scene(dark, scene, JudgeSettings(), None)
    assert all(row["reasons"] == "underexposed" for row in rows)
    assert any("All 5 frames" in note for note in share_notes(rows))


def test_hand_lists_win():
    """A kept frame is kept though spoiled, a dropped one set aside though sound; an unreadable one cannot be kept."""
    setting = Setting(50.0, True, 700, exposure_s=30, interval_s=34, frames=8, faults={2: Fault("slip", 3.0)})
    rows, _ = judged(setting, keep=("f002",), drop=("f005",))
    assert aside(rows) == {5: "by hand"}
    _, notes = judged(setting, drop=tuple(f"f00{n}" for n in range(3, 8)))
    assert not any("are set aside" in note for note in notes)  # what was dropped by hand is no news
    assert "kept by hand, though stars drawn out" in rows[2]["detail"]
    damaged = {"frame": "a", "verdict": "set aside", "reasons": "damaged", "margin": None, "detail": "cut"}
    (row,) = lay_by_hand([damaged], ["a"], ["a"])
    assert row == damaged | {"detail": "cut; it cannot be kept by hand"}


def test_a_hand_changes_nothing_that_was_measured():
    """Haze passes: with its frames dropped, one of them kept, figures, margins and what befell the sky stay; both
    lists name one frame, which is kept."""
    setting = Setting(
        50.0, True, 700, exposure_s=30, interval_s=34, frames=12, faults={n: Fault("haze", 0.4) for n in (5, 6, 7)}
    )
    plain, _ = judged(setting)
    assert aside(plain) == dict.fromkeys((5, 6, 7), "cloud")
    rows, _ = judged(setting, keep=("f006",), drop=("f005", "f006", "f007"))
    assert aside(rows) == dict.fromkeys((5, 7), "by hand")
    assert rows[6]["detail"] == f"kept by hand, though {plain[6]['detail']}"
    words = ("verdict", "reasons", "detail")
    assert all(row[name] == was[name] for row, was in zip(rows, plain, strict=True) for name in row.keys() - {*words})
    assert {row["cause"] for row in rows[5:8]} == {"haze"}


def test_a_value_and_its_limit_never_read_alike():
    """69.8 % against 70 % is said with a decimal, 45 % without."""
    said = [
        decide(Figures("a", transparency=t), Usual(1, None, None, None), JudgeSettings()).detail for t in (0.698, 0.45)
    ]
    assert said[0] == "69.8 % of the starlight comes through; at least 70.0 % must"
    assert said[1] == "45 % of the starlight comes through; at least 70 % must"


def test_streaks_cost_no_frame_and_the_ground_is_no_streak():
    """A satellite leaves a frame kept and counted; a line that stays where it is in every frame is not counted."""
    frames, scene = make_scene(Setting(frames=6), 4)
    edge = {"x1": 0.0, "y1": 3900.0, "x2": 5000.0, "y2": 3905.0, "signal": 5.0}
    satellite = {"x1": 100.0, "y1": 200.0, "x2": 4000.0, "y2": 2500.0, "signal": 3.0}
    lists = [[edge, satellite] if n == 3 else [edge] for n in range(6)]
    marked = [
        Graded(f.plan, {**f.row, "streaks": len(m), "streak_list": json.dumps(m)}, f.stars)
        for f, m in zip(frames, lists, strict=True)
    ]
    rows, _, _ = judge_scene(marked, scene, JudgeSettings(), None)
    assert [row["streaks"] for row in rows] == [0, 0, 0, 1, 0, 0]
    assert aside(rows) == {}


def test_an_edge_of_land_is_no_streak_in_two_frames_either():
    """Too few frames to show what stays: a line no brighter than beside it, or five stars wide, is an edge; one as
    narrow as stars passes, whatever drew it, also where it is lit unevenly."""
    frames, scene = make_scene(Setting(frames=2), 4)
    line = {"x1": 100.0, "y1": 3000.0, "x2": 3000.0, "y2": 3900.0, "signal": 5.0}
    light = {"flashes": 0, "uneven": 3.0, "tapering": 0.4, "ends_inside": 1}
    fwhm = frames[0].row["fwhm_px"]
    dark = {**line, **light, "width_px": fwhm, "brightness": -188.6}
    wide = {**line, **light, "width_px": 5 * fwhm, "brightness": 2010.0}
    uneven = {**line, **light, "width_px": 2 * fwhm, "brightness": 390.0, "uneven": 6.8}
    narrow = {**line, **light, "width_px": 1.2 * fwhm, "brightness": 300.0}
    marked = [
        Graded(f.plan, {**f.row, "streaks": len(m), "streak_list": json.dumps(m)}, f.stars)
        for f, m in zip(frames, [[dark, wide], [narrow, uneven]], strict=True)
    ]
    rows, _, _ = judge_scene(marked, scene, JudgeSettings(), None)
    assert [row["streaks"] for row in rows] == [0, 2]


@pytest.mark.parametrize(
    ("times", "motion", "reasons"), [(4.0, 0.0, "out of focus"), (4.0, 14.0, "trailed; out of focus")]
)
def test_a_blur_that_is_not_round_is_no_motion(times, motion, reasons):
    """Stars of twice the width, drawn out by a tenth as a lens's aperture does, are out of focus and not trailed; a
    motion that no blur can feign is told beside it."""
    frames, scene = make_scene(Setting(85.0, True, 400, exposure_s=60, interval_s=64, frames=8), 10)
    stars = frames[4].stars
    blurred = np.stack([times * 1.1 * stars["mxx"], times * stars["mxy"], times * 0.9 * stars["myy"]], axis=1)
    blurred = drawn_out(blurred, np.broadcast_to((motion, 0.0), (len(stars), 2)))
    stars["mxx"], stars["mxy"], stars["myy"] = blurred.T
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) == {4: reasons}
    assert rows[4]["motion_px"] > 2.5


def test_flashes_are_no_stars_of_the_frame():
    """What was measured on a passing streak is left out of the shapes: two thirds of the list here, wide."""
    frames, scene = make_scene(Setting(50.0, True, 60, exposure_s=30, interval_s=34, frames=6, aberration=0), 9)
    stars = frames[3].stars
    flashes = np.resize(stars, 2 * len(stars))
    flashes["x"] = np.linspace(0, 5900, len(flashes))
    flashes["y"] = 200 + 0.5 * flashes["x"]
    flashes["mxx"] = flashes["myy"] = 2.2 * np.median(stars["mxx"])
    flashes["flux"] = np.max(stars["flux"])
    streak = {"x1": 0.0, "y1": 200.0, "x2": 5900.0, "y2": 3150.0, "signal": 3.0}
    row = {**frames[3].row, "streaks": 1, "streak_list": json.dumps([streak])}
    frames[3] = Graded(frames[3].plan, row, np.concatenate([flashes, stars]))
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), None)
    assert aside(rows) == {}
    assert rows[3]["width_px"] == pytest.approx(rows[2]["width_px"], rel=0.05)


def test_doubled_stars_are_trailed():
    """A frame whose stars are drawn twice 7 px apart is trailed, though every image is round."""
    frames, scene = make_scene(Setting(50.0, True, 700, exposure_s=30, interval_s=34, frames=6), 5)
    frames[3] = Graded(frames[3].plan, {**frames[3].row, "double_px": 7.0, "double_angle_deg": 30.0}, frames[3].stars)
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), None)
    assert aside(rows) == {3: "trailed"}
    assert rows[3]["motion_px"] == 7.0
    # each image holds a part of the light, which is no cloud
    assert rows[3]["transparency"] is None
    assert rows[3]["cloud_fraction"] is None
    assert rows[2]["transparency"] == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize(
    ("width", "clear", "clouded", "reasons", "tells"),
    [
        (2.5, 0.29, 0.19, "trailed", False),  # a jump
        (2.5, 0.98, 0.0, "trailed", True),
        (5.0, 1.01, 0.0, "out of focus", True),
        (9.0, 0.76, 0.5, "out of focus", False),
        (14.0, 0.94, 0.2, "out of focus", False),
        (5.0, 0.4, 0.6, "out of focus; cloud", True),
        (2.5, 0.5, 0.6, "cloud", True),
    ],
)
def test_spoiled_stars_say_nothing_of_clouds(width, clear, clouded, reasons, tells):
    """Where stars that jumped or are far out of focus would say cloud under a clear sky, it is neither blamed nor are
    its figures believed; where they are right, or cloud is told beside, they stay."""
    jumped = 6.0 if reasons == "trailed" else 0.0
    f = Figures("a", stars=500, width_px=width, shape_stars=100, excess_px=jumped, motion_expected_px=0.0)
    f.transparency, f.cloud_fraction = clear, clouded
    scene = Usual(20, 2.5, None, 500)
    verdict = decide(f, scene, JudgeSettings())
    assert "; ".join(verdict.reasons) == reasons
    assert fluxes_tell(f, verdict, scene) == tells


def test_a_frame_far_out_of_focus_shows_no_transparency():
    """Its row has none, those of the frames about have theirs, and no cloud is told."""
    faults = {3: Fault("defocus", 4.0)}
    frames, scene = make_scene(Setting(50.0, True, 500, exposure_s=30, interval_s=34, frames=8, faults=faults), 5)
    rows, _, events = judge_scene(frames, scene, JudgeSettings(), None)
    assert aside(rows) == {3: "out of focus"}
    assert [row["transparency"] is None for row in rows] == [n == 3 for n in range(8)]
    assert [row["cloud_fraction"] is None for row in rows] == [n == 3 for n in range(8)]
    assert events == []


def test_the_rim_of_a_disc_is_no_second_star():
    """Two sides of the ring that a star out of focus becomes are no doubled stars."""
    faults = {3: Fault("defocus", 3.0)}
    frames, scene = make_scene(Setting(50.0, True, 500, exposure_s=30, interval_s=34, frames=6, faults=faults), 5)
    frames[3] = Graded(frames[3].plan, {**frames[3].row, "double_px": 9.0, "double_angle_deg": 30.0}, frames[3].stars)
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), None)
    assert aside(rows) == {3: "out of focus"}


def test_the_step_on_files(tmp_path):
    """The command reads grades and star lists of several batches and writes every column, the same bytes at once and in
    two halves."""
    frames, scene = make_scene(
        Setting(50.0, True, 400, exposure_s=30, interval_s=34, frames=6, faults={2: Fault("slip", 3.0)}), 6
    )
    lost = PlannedFrame("lost", "/none/lost", "lost", "light", taken="2026-08-14T22:01:00")
    scene = replace(scene, frames=(*scene.frames, lost), keep=("lost",), drop=("f004",))
    write_plan(tmp_path, [], [scene], [])
    for name, part in (("a", frames[:3]), ("b", frames[3:])):
        rows = [{"frame": f.plan.id, **f.row} for f in part]
        write_table(table_from_rows(rows, GRADE_COLUMNS), tmp_path / f"{name}.ecsv")
        star_table([(f.plan.id, f.stars) for f in part]).write(tmp_path / f"{name}.stars.fits")
    graded = ["--grades", str(tmp_path / "a.ecsv"), str(tmp_path / "b.ecsv")]
    graded += ["--stars", str(tmp_path / "a.stars.fits"), str(tmp_path / "b.stars.fits")]
    for out, given in (
        ("one.ecsv", graded),
        ("measured.ecsv", [*graded, "--as-measured"]),
        ("two.ecsv", ["--measured", str(tmp_path / "measured.ecsv")]),  # the lists laid over what was measured
    ):
        plan = str(tmp_path / "scenes" / "scene.json")
        assert judge.main(["--scene", plan, *given, "--out", str(tmp_path / out)]) == 0
    measured = read_table(tmp_path / "measured.ecsv")
    assert "by hand" not in "".join([*measured["reasons"].filled(""), *measured["detail"].filled("")])
    table = read_table(tmp_path / "one.ecsv")
    assert table.colnames == list(judge.COLUMNS)
    verdicts = dict(zip(table["frame"], table["reasons"].filled(""), strict=True))
    assert verdicts["f002"] == "trailed"
    assert verdicts["lost"] == "unreadable"
    assert verdicts["f004"] == "by hand"
    assert sum(v == "kept" for v in table["verdict"]) == 4
    assert table["sky_e_s"].unit == "adu / s"
    assert (tmp_path / "one.ecsv").read_bytes() == (tmp_path / "two.ecsv").read_bytes()


def test_grades_of_another_make_are_refused(tmp_path, capsys):
    """A grade table without its columns ends with a sentence that names the column."""
    _, scene = make_scene(Setting(frames=1), 7)
    write_plan(tmp_path, [], [scene], [])
    write_table(table_from_rows([{"frame": "f000"}], {"frame": (str, None)}), tmp_path / "a.ecsv")
    star_table([]).write(tmp_path / "a.stars.fits")
    arguments = ["--scene", str(tmp_path / "scenes" / "scene.json"), "--grades", str(tmp_path / "a.ecsv")]
    arguments += ["--stars", str(tmp_path / "a.stars.fits"), "--out", str(tmp_path / "v.ecsv")]
    assert judge.main(arguments) == 1
    assert "column 'status' is missing; run grade again" in capsys.readouterr().err
    halves = [*arguments[:2], "--out", str(tmp_path / "v.ecsv")]
    assert judge.main([*halves, "--measured", str(tmp_path / "a.ecsv")]) == 1
    assert "a.ecsv: column 'stars' is missing; run judge again" in capsys.readouterr().err
    assert judge.main(halves) == 1
    assert "give --grades and --stars, or --measured" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("other", "said"),
    [({"width": 3000, "height": 2000}, "is 3000 x 2000 px RGGB"), ({"cfa": "BGGR"}, "px BGGR; ")],
)
def test_a_frame_of_another_size_or_pattern_is_no_error(other, said):
    """A frame of another size or CFA among its scene is set aside, wanted by hand or not, and spoils nothing."""
    frames, scene = make_scene(Setting(frames=5), 8)
    frames[2] = Graded(frames[2].plan, {**frames[2].row, **other}, frames[2].stars)
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), None)
    rows = lay_by_hand(rows, [frames[2].plan.id], [])
    assert aside(rows) == {2: "different camera or settings"}
    assert said in rows[2]["detail"]
    assert rows[2]["detail"].endswith("; it cannot be kept by hand")
    assert "the scene's frames are" in rows[2]["detail"]
    assert rows[2]["motion_px"] is None
    assert rows[1]["motion_px"] is not None


@pytest.mark.skipif(not REAL.is_dir(), reason="the shared real frames are not here")
def test_real_frames_are_kept():
    """Eight frames of the real drifting field, slightly but evenly elongated, are all kept (looking confirms it)."""
    frames = []
    for n, path in enumerate(sorted(REAL.glob("*.dng"))[::3]):
        with rawpy.imread(str(path)) as raw:
            pixels = raw.raw_image_visible.copy()
            header = MosaicHeader(f"r{n}", "RGGB", (100.0,) * 4, float(raw.white_level), exposure_s=60.0)
        row, stars = grade_mosaic(pixels, header, GradeSettings())
        plan = PlannedFrame(f"r{n}", str(path), path.name, "light", taken=f"2012-06-17T02:{4 * n:02d}:00")
        frames.append(Graded(plan, {"status": "ok", "detail": "", **dict.fromkeys(GRADE_COLUMNS), **row}, stars))
        frames[-1].row.update(status="ok", detail="")
    rows, _, _ = judge_scene(frames, ScenePlan("real", (), tuple(f.plan for f in frames)), JudgeSettings(), None)
    assert aside(rows) == {}
    assert all(0.85 < row["transparency"] < 1.05 for row in rows)
    assert all(row["stars"] > 800 for row in rows)


@pytest.mark.parametrize(("focal_mm", "light"), [(50.0, 0.05), (135.0, 0.05), (135.0, 3.0)])
def test_land_that_moves_through_a_tracked_scene_is_no_cloud(focal_mm, light):
    """Land that hides a third of the field and sinks or rises by a third more, dark or lit, costs no frame."""
    setting = Setting(
        focal_mm, True, 900, exposure_s=45, interval_s=6750 / focal_mm, ground=0.33, ground_light=light,
        faults={9: Fault("cloud", 0.5, share=0.6)},
    )  # fmt: skip
    rows, _ = judged(setting, 3)
    assert aside(rows) == {9: "cloud"}
    assert max(row["cloud_fraction"] for n, row in enumerate(rows) if n != 9) < 0.15
    # the planted sky is 400 ADU in every frame but the clouded one, whatever stands before it
    levels = [row["sky_e_s"] for n, row in enumerate(rows) if n != 9]
    assert levels == pytest.approx([400 / 45] * 19, rel=0.02)


@pytest.mark.parametrize("tracked", [False, True])
@pytest.mark.parametrize("left", [0.05, 0.6])
def test_a_bank_that_comes_and_stays_is_cloud_and_no_land(left, tracked):
    """A bank, thick or thin, that grows from frame to frame until it covers most of the field is not taken for land."""
    shares = [0.02 + 0.045 * n for n in range(20)]
    faults = {n: Fault("cloud", left, share=share, angle_deg=70.0) for n, share in enumerate(shares)}
    rows, _ = judged(Setting(85.0, tracked, 700, exposure_s=8.0, interval_s=60.0, faults=faults))
    got = aside(rows)
    assert all(n in got for n, share in enumerate(shares) if share > 0.6)
    assert not any(n in got for n, share in enumerate(shares) if share < 0.1)
    assert set(got.values()) == {"cloud"}


@pytest.mark.parametrize(("tracked", "ground"), [(False, 0.0), (False, 0.33), (True, 0.0)])
def test_a_thick_cloud_that_stays_among_few_stars_is_no_land(tracked, ground):
    """A cloud that hides all stars of its place for a third of a sparse scene is cloud in every frame that it covers.

    Star by star it looks like land: whatever stood behind it was hidden in every frame next to it.
    """
    exposure = 45.0 if tracked else 14.0
    faults = {n: Fault("cloud", 0.02, share=0.4, angle_deg=200.0) for n in range(10, 20)}
    rows, _ = judged(Setting(24.0, tracked, 150, 30, exposure, exposure + 4, ground=ground, faults=faults), 7)
    assert aside(rows) == dict.fromkeys(faults, "cloud")
    assert all(0.3 < rows[n]["cloud_fraction"] < 0.5 for n in faults)


@pytest.mark.parametrize("left", [0.03, 0.3])
@pytest.mark.parametrize(("stars", "ground"), [(300, 0.0), (900, 0.33)])
def test_a_bank_over_the_horizon_for_most_of_a_scene_is_no_land(stars, ground, left):
    """A cloud that stands over two fifths of the sky, on the land below, in four fifths of the frames from a tripod."""
    faults = {n: Fault("cloud", left, share=0.4, angle_deg=90.0) for n in range(4, 20)}
    setting = Setting(24.0, False, stars, exposure_s=14.0, interval_s=18.0, ground=ground, faults=faults)
    rows, _ = judged(setting, 3)
    assert aside(rows) == dict.fromkeys(faults, "cloud")
    assert all(0.3 < rows[n]["cloud_fraction"] < 0.5 for n in faults)


@pytest.mark.parametrize(("left", "lost"), [(0.74, False), (0.71, False), (0.69, True)])
def test_haze_over_all_is_held_against_its_own_limit(left, lost):
    """The whole sky may let through seven tenths; that it does so everywhere is no cloud over part of it."""
    faults = {n: Fault("haze", left) for n in range(8, 13)}
    rows, _ = judged(Setting(24.0, True, 700, exposure_s=30, interval_s=34, faults=faults))
    assert aside(rows) == (dict.fromkeys(faults, "cloud") if lost else {})
    if not lost:
        assert max(rows[n]["cloud_fraction"] for n in faults) < 0.1


def test_cloud_in_haze_is_cloud():
    """Where haze leaves 0.85, a bank of 0.7 of that over half of the sky is set aside."""
    frames, scene = make_scene(
        Setting(35.0, True, 900, exposure_s=30, interval_s=34, faults={6: Fault("cloud", 0.7, share=0.5)}), 4
    )
    for n in (5, 6, 7):
        frames[n].stars["flux"] *= 0.85
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) == {6: "cloud"}


def test_soft_frames_do_not_say_what_is_clear():
    """A fit of wide stars finds up to 3.5 % more of their light (measured on rendered frames refocused by 1.7): sharp
    frames stay at 1."""
    faults = {n: Fault("defocus", 1.6) for n in range(6, 12)}
    frames, scene = make_scene(Setting(50.0, True, 700, exposure_s=30, interval_s=34, faults=faults), 5)
    for n in faults:
        frames[n].stars["flux"] *= 1.035
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert [rows[n]["transparency"] for n in range(20) if n not in faults] == pytest.approx([1] * 14, abs=0.01)


def test_what_a_crowd_of_full_pixels_covers_is_not_lost_to_cloud():
    """Where stars run together into one full blob in every third frame, a quarter of the field loses its stars."""
    frames, scene = make_scene(Setting(50.0, True, 900, exposure_s=30, interval_s=34), 6)
    for frame in frames[::3]:
        covered = np.hypot(frame.stars["x"] - 3000, frame.stars["y"] - 2000) < 1500
        blob = frame.stars[:1].copy()
        blob["x"], blob["y"], blob["saturated"] = 3000, 2000, True
        blob["mxx"] = blob["myy"] = 700.0**2
        blob["mxy"] = 0
        blob["flux"] = 1e9
        frames[frames.index(frame)] = replace(frame, stars=np.concatenate([blob, frame.stars[~covered]]))
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) == {}
    assert max(row["cloud_fraction"] for row in rows) < 0.05


@pytest.mark.parametrize("stars", [150, 900])
def test_land_behind_which_no_star_ever_shows_is_land(stars):
    """Where stars hardly move land hides what stands behind it from first to last: it is told by having no stars.

    The sky is lit over a quarter of what is open; over the whole frame, land with it, that were no fifth.
    """
    setting = Setting(135.0, False, stars, ground=0.33, exposure_s=2.6, interval_s=6.6, faults={9: Fault("beam", 8.0)})
    rows, _ = judged(setting, 351)
    assert aside(rows) == {9: "bright sky"}


@pytest.mark.parametrize(("light", "parts", "lost"), [(5, 6, False), (5, 13, True), (9, 7, True), (90, 3, False)])
def test_the_brighter_a_beam_the_less_of_the_field_it_may_light(light, parts, lost):
    """Of n frames one with a share s lit to k times the sky loses there what it wins elsewhere where s = 1 / (k - 1).

    That is photon statistics: variances (n - 1 + k) / n^2 and 1 / n against 1 / (n - 1), to first order in 1 / n.
    A lamp, however bright, spoils only where it shines.
    """
    frames, scene = make_scene(Setting(35.0, True, 300, 12, exposure_s=45, interval_s=49), 5)
    sky = np.array(json.loads(frames[4].row["tile_sky_adu"]))
    sky.ravel()[:parts] *= light
    frames[4].row["tile_sky_adu"] = json.dumps(sky.tolist())
    assert sky.size == 48
    rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
    assert aside(rows) == ({4: "bright sky"} if lost else {})


def test_stars_saturated_but_behind_cloud_do_not_hide_it():
    """Where clear frames saturate most stars, a cloud that brings them below saturation is measured all the same."""
    setting = Setting(135.0, True, 60, exposure_s=60, interval_s=64, faults={5: Fault("cloud", 0.6, share=0.6)})
    frames, scene = make_scene(setting, 4)
    room = 20 * float(np.median(frames[0].stars["peak"]))
    full = []
    for frame in frames:
        stars = frame.stars.copy()
        stars["peak"] *= 20
        stars["flux"] *= 20
        stars["saturated"] = stars["peak"] > room
        full.append(Graded(frame.plan, {**frame.row, "room_adu": room}, stars))
    rows, _, _ = judge_scene(full, scene, JudgeSettings(), Site())
    assert aside(rows) == {5: "cloud"}
