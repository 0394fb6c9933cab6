"""Grouping lights into scenes: settings, pauses, pointings, overlap, names, batches."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.card.batches import batches_of, slot_s
from pipeline.card.division import divided_evenly
from pipeline.card.frame import set_clocks, taken_text
from pipeline.card.planning import Before, has_own_dark_pauses, make_plan
from pipeline.card.pointing import (
    Looker,
    Similarity,
    StarView,
    earth_turned,
    overlap_similar,
    overlap_solved,
    relate_similar,
    relate_solved,
)
from pipeline.card.scenes import by_pauses, by_settings, letters, name_groups, named, scene_prefix
from pipeline.card.setback import set_back
from pipeline.card.titles import told_apart
from pipeline.config import parse_trip
from pipeline.errors import SettingsError
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.sky.camera import Camera
from tests.cards import Sky, clocked, fixed, frame, run, towards, tracking

HALF_HOUR = 1800.0


def sizes(groups):
    return [len(g) for g in groups]


# ---- settings and pauses


@pytest.mark.parametrize(
    "other",
    [
        {"exposure_s": 15.0},
        {"iso": 3200},
        {"f_number": 4.0},
        {"focal_mm": 35.0},
        {"lens": "35 mm f/2"},
        {"width": 3000},
        {"serial": "99"},
        {"gain": 100.0},
        {"filter": "Red"},
    ],
)
def test_a_changed_setting_divides(other):
    """Frames that differ in one setting of the camera are two groups, also where they alternate."""
    frames = clocked([frame(n * 40, **(other if n % 2 else {})) for n in range(6)])
    assert sizes(by_settings(frames, HALF_HOUR)) == [3, 3]


@pytest.mark.parametrize("unknown", [{"focal_mm": None}, {"focal_mm": 0.0}, {"lens": None}, {"f_number": None}])
def test_a_value_missing_for_a_while_does_not_divide(unknown):
    """A lens whose contacts failed for some frames stays one lens."""
    frames = clocked([frame(n * 32, **(unknown if n in (2, 3, 9) else {})) for n in range(10)])
    assert sizes(by_settings(frames, HALF_HOUR)) == [10]


def test_a_manual_lens_is_one_group_with_an_unknown_focal_length():
    """Where no frame tells a focal length, all belong together and the name says so."""
    frames = run(5, focal_mm=None, f_number=None, lens=None)
    groups = by_settings(frames, HALF_HOUR)
    assert sizes(groups) == [5]
    assert scene_prefix(groups[0]) == "2026-08-14_unknown-focal"


def test_a_missing_focal_length_is_not_taken_from_another_night():
    """A manual lens on the second night is not the first night's 24 mm."""
    frames = clocked([*(frame(n * 32) for n in range(4)), *(frame(86400 + n * 32, focal_mm=None) for n in range(4))])
    assert sizes(by_settings(frames, HALF_HOUR)) == [4, 4]


def test_exposures_written_a_little_differently_are_one():
    """29.9 and 30 s are the same exposure, 25 s is another."""
    frames = clocked([frame(n * 40, exposure_s=(30.0, 29.9, 30.1)[n % 3]) for n in range(6)])
    frames += clocked([frame(300 + n * 40, exposure_s=25.0) for n in range(2)])
    assert sorted(sizes(by_settings(frames, HALF_HOUR))) == [2, 6]


def test_a_short_pause_does_not_divide_and_a_long_one_does():
    """Twenty minutes between end and start are no new scene, forty are."""
    frames = clocked([frame(0), frame(30 + 20 * 60), frame(60 + 60 * 60)])
    assert sizes(by_pauses(frames, HALF_HOUR)) == [2, 1]


def test_a_long_exposure_is_no_pause():
    """The pause is counted from the end of an exposure."""
    frames = clocked([frame(n * 1810, exposure_s=1800.0) for n in range(3)])
    assert sizes(by_pauses(frames, 60.0)) == [3]


def test_frames_without_a_time_keep_together():
    """A camera without a clock makes one scene of frames of the same settings in a folder."""
    frames = clocked([frame(None, name=f"a/{n}.raw") for n in range(3)] + [frame(None, name="b/1.raw")])
    assert sizes(by_settings(frames, HALF_HOUR)) == [3, 1]


# ---- clocks


def test_the_night_is_that_of_the_evening():
    """Frames before and after midnight have one night's date."""
    assert frame(0).night == frame(4 * 3600).night == "2026-08-14"
    assert frame(15 * 3600).night == "2026-08-15"


def test_a_clock_on_utc_does_not_split_a_night_far_east():
    """Frames whose clock runs on UTC, from 21:00 to 1:00 by the Sun at 150 degrees east, are of one night; where the
    zone alone is known, by that; a camera's own clock is taken as it is."""
    pair = [frame(-11 * 3600, utc_offset_hours=0.0), frame(-7 * 3600, utc_offset_hours=0.0)]  # 11:00 and 15:00 UTC
    assert len({f.night for f in set_clocks(pair, None)}) == 2
    assert [f.night for f in set_clocks(pair, None, 150.0)] == ["2026-08-14"] * 2
    assert [f.night for f in set_clocks(pair, 10.0)] == ["2026-08-14"] * 2
    assert [f.night for f in set_clocks([frame(0), frame(4 * 3600)], 10.0, 150.0)] == ["2026-08-14"] * 2


def test_time_is_utc_where_the_zone_is_known():
    """A frame's own zone wins over the site's; without either it is the camera's clock."""
    assert taken_text(frame(0).facts, None) == ("2026-08-14T22:00:00", False)
    assert taken_text(frame(0).facts, 2.0) == ("2026-08-14T20:00:00", True)
    assert taken_text(frame(0, utc_offset_hours=-3.5).facts, 2.0) == ("2026-08-15T01:30:00", True)
    assert taken_text(frame(None).facts, 2.0) == (None, False)


def test_a_change_of_zone_is_no_pause():
    """A camera set from one zone to the next between frames goes on where it was."""
    frames = set_clocks([frame(0, utc_offset_hours=1.0), frame(3632, utc_offset_hours=2.0)], None)
    assert frames[1].start - frames[0].start == 32


def test_a_clock_set_back_by_an_hour_is_told():
    """Frames every 100 s, numbers running on, the clock an hour back from the 61st: it is said, with both frames, and
    what follows is apart, though its times lie among those before. Copies renamed at random, another series and a
    counter that began anew say nothing."""
    starts = [100.0 * n - 3600 * (n >= 60) for n in range(90)]
    frames = set_back(clocked(frame(t, name=f"raw/TL_{n + 1:04d}.dng") for n, t in enumerate(starts)))
    assert [f.stretch for f in frames] == [0] * 60 + [1] * 30
    assert "set back by 60 min between TL_0060.dng and TL_0061.dng" in frames[60].set_back.replace("raw/", "")
    groups = by_settings(frames, HALF_HOUR)
    assert sizes(groups) == [60, 30]
    assert len(by_pauses(groups[0], HALF_HOUR)) == 1
    sky = Sky(frames, fixed())
    lights = [replace(f, kind="light") for f in frames]
    plan = make_plan(lights, parse_trip("frames: [raw]"), Looker(sky.view, sky.match), Before())
    assert not any("to and fro" in note for scene in plan.scenes for note in scene.notes)
    assert [any("clock was set back" in note for note in scene.notes) for scene in plan.scenes] == [False, True]
    assert sum("clock was set back" in warning for warning in plan.warnings) == 1
    order = np.random.default_rng(1).permutation(90)
    for names in (
        [f"raw/TL_{n:04d}.dng" for n in order],
        [f"raw/{'AB'[n >= 60]}_{n:04d}.dng" for n in range(90)],
        [f"raw/TL_{9940 + n if n < 60 else n - 59:04d}.dng" for n in range(90)],
    ):
        others = set_back(clocked(frame(t, name=name) for t, name in zip(starts, names, strict=True)))
        assert {f.stretch for f in others} == {0}


def test_a_frame_without_serial_is_of_the_only_body_of_its_model():
    """One body: it must be that one. Two bodies: it is a third."""
    one = set_clocks([frame(0), frame(32, serial=None)], None)
    assert one[0].body == one[1].body
    three = set_clocks([frame(0), frame(32, serial=None), frame(64, serial="7")], None)
    assert len({f.body for f in three}) == 3


# ---- pointing


def test_overlap_of_a_shift_is_what_geometry_says():
    """Shifted by a quarter of the width, three quarters are shared; turned by 180 degrees, all is."""
    assert overlap_similar(Similarity(1, 0, 1500, 0), 6000, 4000) == pytest.approx(0.75, abs=0.03)
    assert overlap_similar(Similarity(1, np.pi, 0, 0), 6000, 4000) == 1.0


def test_overlap_on_the_sphere_agrees_with_the_plane_for_a_long_lens():
    """A narrow field turned by a small angle moves by focal length times the angle."""
    camera = Camera.simple(60000.0, 6000, 4000)
    turn = Rotation.from_euler("y", np.degrees(np.arctan(1500 / 60000)), degrees=True)
    start = towards(40, 20)
    assert overlap_solved(camera, start, turn * start, 6000, 4000) == pytest.approx(0.75, abs=0.03)


def test_a_camera_on_the_ground_sees_a_star_move_west():
    """An hour on, the point that stood in the middle of the picture is where an hour angle 15 degrees larger is."""
    start = towards(40.0, 0.0)
    later = earth_turned(start, 3600.0)
    centre = later.inv().apply([0, 0, 1.0])
    ra = np.degrees(np.arctan2(centre[1], centre[0])) % 360
    assert ra == pytest.approx(40.0 + 15.0410686, abs=1e-4)  # sidereal rate, arcsec/s: IERS


@pytest.mark.parametrize(("aim", "tracked"), [(fixed(), False), (tracking(), True)])
def test_tripod_and_tracker_are_told_apart(aim, tracked):
    """Half an hour is enough to see whether the camera turns with the sky."""
    frames = run(57)
    sky = Sky(frames, aim)
    (piece,) = Looker(sky.view, sky.match).pieces(frames, 0.6)
    assert piece.tracked is tracked
    assert len(piece.frames) == 57
    assert len(set(sky.viewed)) <= 4


@pytest.mark.parametrize("solved", [True, False])
@pytest.mark.parametrize("at", [1, 20, 37, 59])
def test_a_camera_re_aimed_without_a_pause_is_found_at_the_very_frame(at, solved):
    """A turn of 60 degrees between two frames divides the run there, with few frames looked at."""
    frames = run(60)
    first, second = fixed(40), fixed(100)
    sky = Sky(frames, lambda t: (first if t < at * 32 else second)(t), solved)
    if not solved:
        # matching finds frames of one pointing again, and nothing else
        sky.match = lambda a, va, b, vb: (
            Similarity(1, 0, 0.02 * (b.start - a.start), 0)
            if (a.start - sky.begin < at * 32) == (b.start - sky.begin < at * 32)
            else None
        )
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.5)
    if at in (1, 59) and not solved:
        # a lone frame that only fails to match may be shaken: it stays, and registration decides
        assert sizes(p.frames for p in pieces) == [60]
    else:
        assert sizes(p.frames for p in pieces) == [at, 60 - at]
    assert len(set(sky.viewed)) <= 20


def test_a_nudge_or_a_turn_of_the_camera_does_not_divide():
    """Two degrees off, or turned by 180 degrees about the lens, the field is the same."""
    frames = run(40)
    for other in (tracking(42), tracking(40, 20, 180)):
        sky = Sky(frames, lambda t, other=other: (tracking() if t < 600 else other)(t))
        assert sizes(p.frames for p in Looker(sky.view, sky.match).pieces(frames, 0.6)) == [40]


def test_a_zoom_that_the_header_does_not_tell_divides():
    """Solved focal lengths that differ are two scenes."""
    frames = run(40, focal_mm=None)
    sky = Sky(frames, tracking())
    plain = sky.view

    def view(one):
        sky.focal_px = 4000.0 if one.start - sky.begin < 500 else 6000.0
        return plain(one)

    assert sizes(p.frames for p in Looker(view, sky.match).pieces(frames, 0.6)) == [16, 24]


def test_a_kicked_frame_does_not_divide():
    """A frame that points nowhere known, in the middle of a run, stays in its scene."""
    frames = run(41)
    sky = Sky(frames, tracking(), solved=False)
    bad = frames[20].id
    sky.match = lambda a, va, b, vb: None if bad in (a.id, b.id) else Similarity(1, 0, 0, 0)
    assert sizes(p.frames for p in Looker(sky.view, sky.match).pieces(frames, 0.6)) == [41]


def test_kicked_frames_tell_no_pointing():
    """Three pointings 40 degrees apart, five minutes between: kick, good, kick; kick, good; eight good. Kicked frames,
    full of stars and found nowhere, hide no cut and go with the frames beside which they were taken."""
    begins = [*(13.0 * n for n in range(3)), *(339.0 + 13 * n for n in range(2)), *(665.0 + 13 * n for n in range(8))]
    frames = clocked(frame(t, exposure_s=10.0) for t in begins)
    kicked = {frames[n].id for n in (0, 2, 3)}
    aims = [fixed(40), fixed(80), fixed(120)]
    sky = Sky(frames, lambda t: aims[(t > 300) + (t > 600)](t))
    plain = sky.view

    def view(one):
        return replace(plain(one), solved=None) if one.id in kicked else plain(one)

    assert sizes(p.frames for p in Looker(view, sky.match).pieces(frames, 0.6)) == [3, 2, 8]


def test_frames_that_match_nothing_do_not_divide():
    """Where not even neighbours match (streaks, noise), nothing is known: one scene, and few looks."""
    frames = run(500, focal_mm=None)
    sky = Sky(frames, tracking(), solved=False)
    (piece,) = Looker(sky.view, sky.match).pieces(frames, 0.6)
    assert len(piece.frames) == 500
    assert len(set(sky.viewed)) <= 30


def test_cloud_does_not_divide():
    """Frames without stars in the middle and at an end stay in their scene."""
    frames = run(41)
    sky = Sky(frames, lambda t: None if 500 < t < 800 or t > 1200 else fixed()(t))
    assert sizes(p.frames for p in Looker(sky.view, sky.match).pieces(frames, 0.5)) == [41]


def test_a_whole_run_of_cloud_is_one_scene():
    """Where nothing can be seen, nothing is divided that need not be."""
    frames = run(30)
    sky = Sky(frames, lambda t: None)
    (piece,) = Looker(sky.view, sky.match).pieces(frames, 0.6)
    assert piece.tracked is None
    assert piece.solved is None


def test_a_long_tripod_run_is_divided_so_that_every_frame_overlaps_the_middle():
    """Four hours at 50 mm: even parts, each within the overlap, none smaller than needed."""
    frames = run(450)
    sky = Sky(frames, fixed(40, 0), focal_px=8333.0)
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.6)
    camera = Camera.simple(8333.0, 6000, 4000)
    aim = fixed(40, 0)
    for piece in pieces:
        middle = piece.frames[len(piece.frames) // 2].start - sky.begin
        for end in (piece.frames[0], piece.frames[-1]):
            assert overlap_solved(camera, aim(end.start - sky.begin), aim(middle), 6000, 4000) >= 0.6
    counts = sizes(p.frames for p in pieces)
    assert max(counts) - min(counts) <= 1
    one_fewer = 4 * 3600 / (len(pieces) - 1) / 2
    assert overlap_solved(camera, aim(0), aim(one_fewer), 6000, 4000) < 0.63
    assert "one of" in pieces[0].why


def test_a_tracked_night_is_not_divided():
    """Four hours on a tracker stay one scene."""
    frames = run(450)
    sky = Sky(frames, tracking(), focal_px=8333.0)
    assert sizes(p.frames for p in Looker(sky.view, sky.match).pieces(frames, 0.6)) == [450]


def test_where_nothing_is_seen_the_worst_is_supposed_of_a_short_exposure_and_not_of_a_long_one():
    """Without stars to tell, 24 mm for four hours is taken for a tripod; 700 mm for a minute cannot be one."""
    wide = run(450)
    sky = Sky(wide, lambda t: None)
    pieces = Looker(sky.view, sky.match).pieces(wide, 0.6)
    # 24 mm, 6 um, 4000 px high: 40 % of 24 mm is 9.6 mm, 21.8 degrees, 1.45 h from the middle to an end
    assert len(pieces) == 2
    long = run(60, pace_s=65, focal_mm=700.0, exposure_s=60.0)
    assert len(Looker(sky.view, sky.match).pieces(long, 0.6)) == 1


def test_drift_that_only_matching_shows_divides_by_what_was_measured():
    """A field that moves by more than a frame's width in the run, unsolved, is divided by the measured drift."""
    frames = run(101, pace_s=30)
    sky = Sky(frames, tracking(), solved=False)
    sky.match = lambda a, va, b, vb: (
        Similarity(1, 0, 2.5 * (b.start - a.start), 0) if abs(b.start - a.start) < 1500 else None
    )
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.6)
    for piece in pieces:
        half = (piece.frames[-1].start - piece.frames[0].start) / 2
        assert 1 - 2.5 * half / 6000 >= 0.59
    assert len(pieces) == 2


def test_relations_know_what_they_cannot_know():
    """After a second, tripod and tracker look alike."""
    solved = Sky(run(1), tracking()).view(run(1)[0]).solved
    assert relate_solved(solved, solved, 1.0, 6000, 4000).tracked is None
    assert relate_similar(Similarity(1, 0, 0, 0), 1.0, 6000, 4000).tracked is None
    assert relate_similar(Similarity(1, 0, 0, 0), 3600.0, 6000, 4000).tracked is True


def test_division_holds_the_least_number_of_parts():
    """Overlap 1 - t/1000 at 0.8 allows 200 s either side of the middle."""
    frames = run(11, pace_s=100)
    parts = divided_evenly(frames, lambda t: 1 - t / 1000, 0.8)
    assert sizes(parts) == [4, 3, 4]


# ---- names


def test_letters_go_on_after_z():
    """More than 26 scenes of a night and lens have names too."""
    assert [letters(n) for n in (0, 25, 26, 27, 701, 702)] == ["a", "z", "aa", "ab", "zz", "aaa"]


def test_names_are_given_once():
    """Known frames keep their scene's name, new scenes take a free letter, no name is given twice."""
    old, new = run(3), run(3, begin_s=9000)
    before = {f.id: "2026-08-14_24mm_b" for f in old}
    prefixes = ["2026-08-14_24mm"] * 2
    assert name_groups([new, old], prefixes, before) == ["2026-08-14_24mm_a", "2026-08-14_24mm_b"]
    # an old scene that falls apart: the larger part keeps the name
    assert name_groups([old[:1], old[1:]], prefixes, before) == ["2026-08-14_24mm_a", "2026-08-14_24mm_b"]
    assert name_groups([new], prefixes[:1], {}, {"2026-08-14_24mm_a"}) == ["2026-08-14_24mm_b"]


def test_a_frame_is_named_by_id_file_or_pattern():
    """Names, stems, relative paths, patterns and ids all mean a frame; parts of names do not."""
    one = frame(0, name="DCIM/100/IMG_0001.raw")
    for pattern in ("IMG_0001.raw", "IMG_0001", "IMG_00*", "DCIM/100/IMG_0001.raw", "DCIM/*", one.id, "/card/DCIM/*"):
        assert named(one, [pattern])
    for pattern in ("img_0001", "IMG_000", "0001", ""):
        assert not named(one, [pattern])


def test_a_pattern_with_a_bracket_in_a_file_name_means_that_file():
    """A name with brackets can be given as it is, though brackets have a meaning in patterns."""
    assert named(frame(0, name="a [1].raw"), ["a [1].raw"])


# ---- batches


def test_batches_hold_no_more_frames_than_asked_and_not_much_fewer():
    """A run of one pace is divided into batches of nearly the size asked for."""
    for pace in (2.0, 6.2, 31.0, 32.0, 33.3, 64.0, 301.0):
        groups = batches_of("s", run(300, pace_s=pace, exposure_s=1.0), 16)
        counts = sizes(groups.values())
        assert max(counts) <= 16
        assert sorted(counts)[len(counts) // 2] >= 10
        assert sum(counts) == 300


def test_an_added_frame_changes_its_own_batch_only():
    """Leaving any frame out changes one batch, and no batch's name but by making it empty."""
    frames = run(97)
    whole = batches_of("s", frames, 16)
    for n in (0, 13, 50, 96):
        fewer = batches_of("s", frames[:n] + frames[n + 1 :], 16)
        changed = [name for name in whole if whole[name] != fewer.get(name)]
        assert len(changed) == 1
        assert set(fewer) <= set(whole)


def test_batches_do_not_follow_the_zone():
    """Telling the site's zone later makes no batch anew."""
    frames = [frame(n * 32) for n in range(40)]
    without, told = set_clocks(frames, None), set_clocks(frames, 2.0)
    assert [f.start for f in without] != [f.start for f in told]
    ids = [{name: [f.id for f in group] for name, group in batches_of("s", of, 8).items()} for of in (without, told)]
    assert ids[0] == ids[1]


def test_frames_without_a_time_and_bursts_are_divided_too():
    """A clock that stands still, or none, still makes batches of at most the size asked for."""
    for frames in (
        clocked([frame(None, name=f"{n}.raw") for n in range(100)]),
        clocked([frame(0, name=f"{n}.raw") for n in range(100)]),
    ):
        groups = batches_of("s", frames, 16)
        assert max(sizes(groups.values())) <= 16
        assert sum(sizes(groups.values())) == 100


def test_batch_names_are_safe():
    """A scene's dot does not come into a batch's name, and two scenes stay two."""
    a, b = batches_of("my.sky", run(3), 16), batches_of("my-sky", run(3), 16)
    assert all(set(name) <= set("abcdefghijklmnopqrstuvwxyzT0123456789-_") for name in [*a, *b])
    assert not set(a) & set(b)


def test_one_frame_is_a_batch():
    """The least there can be."""
    assert sizes(batches_of("s", run(1), 16).values()) == [1]
    assert slot_s(run(1), 16) <= 16 * 30


# ---- the plan


def plan(frames, text="", before=None, aim=None, solved=True):
    """Plan the frames as seen by a camera aimed so."""
    sky = Sky(frames, aim or tracking(), solved)
    return make_plan(frames, parse_trip(text), Looker(sky.view, sky.match), before or Before())


def ids(scene):
    return [f.id for f in scene.frames]


def test_a_lone_frame_is_a_scene_of_one():
    """One star frame makes a scene, with its look."""
    (scene,) = plan(run(1)).scenes
    assert scene.scene == "2026-08-14_24mm_a"
    assert len(scene.frames) == len(scene.batches) == 1
    assert scene.look.centre_ra_deg == 10.0
    assert scene.look.tracked is None


def test_adding_a_frame_changes_its_scene_and_its_batch_and_nothing_else():
    """A frame more in the first of two scenes leaves the other scene and all other batches as they were."""
    frames = run(60) + run(30, begin_s=20000)
    some = plan(frames[:59] + frames[60:])
    names = {f.id: s.scene for s in some.scenes for f in s.frames}
    more = plan(frames, before=Before(names))
    assert [s.scene for s in more.scenes] == [s.scene for s in some.scenes]
    assert more.scenes[1] == some.scenes[1]
    old = {b.batch: b for b in some.batches}
    assert sum(old.get(b.batch) != b for b in more.batches) == 1


def test_a_divided_run_that_grows_keeps_its_division():
    """One more frame at the end of a tripod run in parts joins the last part; the others stay as they are."""
    frames = run(451)
    aim = fixed(40, 0)
    some = plan(frames[:-1], aim=aim)
    assert len(some.scenes) > 1
    names = {f.id: s.scene for s in some.scenes for f in s.frames}
    more = plan(frames, before=Before(names), aim=aim)
    assert more.scenes[:-1] == some.scenes[:-1]
    assert ids(more.scenes[-1]) == [*ids(some.scenes[-1]), frames[-1].id]
    # with another setting the division is made anew
    anew = plan(frames, before=Before(names, same_settings=False), aim=aim, text="inventory: {overlap: 0.8}")
    assert len(anew.scenes) > len(some.scenes)


def test_scenes_by_hand_win():
    """Frames named under `scenes` are one scene, whatever divides them, and carry its title."""
    frames = run(10) + run(10, begin_s=20000)
    made = plan(frames, "scenes: {both: {frames: ['F0*', 'F2000*'], title: A sky}}")
    by_name = {s.scene: s for s in made.scenes}
    assert len(by_name["both"].frames) > 10
    assert by_name["both"].title == "A sky"
    assert sum(len(s.frames) for s in made.scenes) == 20
    assert not made.warnings


def test_darks_are_those_of_the_size_that_most_frames_of_a_scene_have():
    """A first frame of another size, in a scene by hand, does not ask for darks of its own."""
    frames = run(1, width=3000) + run(5, begin_s=60) + run(4, begin_s=600, kind="dark")
    made = plan(frames, "scenes: {both: {frames: ['*']}}")
    assert made.scenes[0].dark_set == made.sets[0].set
    assert "those of another size than most are set aside" in made.scenes[0].notes[0]


def test_a_scene_by_hand_of_several_exposures_says_whose_darks_it_has():
    """Darks are matched to the first of its frames; without darks there is nothing to say."""
    frames = run(3) + run(3, begin_s=200, iso=3200)
    text = "scenes: {both: {frames: ['*']}}"
    (note,) = plan(frames + run(4, begin_s=600, kind="dark"), text).scenes[0].notes
    assert note.startswith(
        "made by hand of frames of several exposures, ISOs or gains; its darks are those of the first"
    )
    assert plan(frames, text).scenes[0].notes == ()


def test_frames_of_several_filters_are_scenes_whose_titles_say_so():
    """Red and blue frames of one field and evening, taken in turn, make two scenes; one made of both by hand says what
    that means."""
    frames = [replace(f, facts=replace(f.facts, filter=("Red", "Blue")[n % 2])) for n, f in enumerate(run(6))]
    made = plan(frames, "")
    assert sorted((len(s.frames), s.apart) for s in made.scenes) == [(3, "filter\u202fBlue"), (3, "filter\u202fRed")]
    (scene,) = plan(frames, "scenes: {both: {frames: ['*']}}").scenes
    assert scene.notes[0].startswith("made by hand of frames of several filters (Blue, Red)")


def test_a_former_name_of_a_set_stays_where_the_engine_takes_it():
    """Darks keep the name that they had, but for one in which a long exposure left a sign that no rule matches."""
    frames = run(3, exposure_s=1200.0) + run(3, begin_s=9000.0, kind="dark", exposure_s=1200.0)
    for name, now in (("dark_old_a", "dark_old_a"), ("dark_1-2e+03s_a", "dark_2026-08-14_1200s_iso1600_a")):
        made = plan(frames, before=Before(sets={f.id: name for f in frames if f.kind == "dark"}))
        assert [s.set for s in made.sets] == [now]
        assert made.scenes[0].dark_set == now


def test_a_set_whose_folder_has_another_role_has_another_name():
    """The same frames as flats instead of darks: under the darks' name their master would be taken for made."""
    flats = [replace(f, kind="flat") for f in run(3, begin_s=9000.0, kind="dark")]
    made = plan(run(3) + flats, before=Before(sets={f.id: "dark_old_a" for f in flats}))
    assert [s.set for s in made.sets] == ["flat_2026-08-14_24mm_f2-8_a"]


def test_a_title_for_an_automatic_scene():
    """A scene entry without frames titles the scene of that name; one that means nothing is said."""
    made = plan(run(3), "scenes: {2026-08-14_24mm_a: {title: A sky}, nowhere: {title: B}}")
    assert made.scenes[0].title == "A sky"
    assert made.warnings == ["trip.yaml: scenes.nowhere: there is no such scene, and no frames are named to make one"]


def test_titles_tell_scenes_of_a_night_and_lens_apart():
    """By exposure where that does, by when they began where nothing else differs, at last by name; no ground's."""
    frames = [PlannedFrame("a", "a", "a", "light", f"2026-08-14T2{n}:00:09", True, 15.0, 1600) for n in range(3)]
    long = replace(frames[2], exposure_s=60.0)
    scenes = [ScenePlan(name, (), (f,)) for name, f in zip("pqr", (frames[0], frames[1], long), strict=True)]
    same = dict.fromkeys("pqrs", "2026-08-14_24mm")
    unit = "15\u202fs"
    assert [s.apart for s in told_apart(scenes[1:], same)] == [unit, "60\u202fs"]
    got = [s.apart for s in told_apart([*scenes, replace(scenes[0], scene="s")], same)]
    assert got == [f"{unit}, from 20:00 UTC, p", f"{unit}, from 21:00 UTC, q", "60\u202fs, from 22:00 UTC, r",
                   f"{unit}, from 20:00 UTC, s"]  # fmt: skip
    assert [s.apart for s in told_apart(scenes[:1], same)] == [""]
    bracket = ScenePlan("q", (), (replace(frames[1], exposure_s=5.0), long, replace(frames[0], exposure_s=15.2)))
    assert told_apart([scenes[0], bracket], same)[1].apart == "5 to 60\u202fs"
    assert [s.apart for s in told_apart([scenes[0], replace(scenes[2], gives_ground_to="p")], same)] == ["", ""]


def test_keep_and_drop_are_turned_into_ids_and_slips_are_told():
    """Patterns become the ids of the scene's frames; a pattern that means no frame is said."""
    frames = run(3)
    made = plan(frames, "keep: ['F00000.raw']\ndrop: ['F0003*', nothing]")
    assert made.scenes[0].keep == (frames[0].id,)
    assert made.scenes[0].drop == (frames[1].id,)
    assert made.warnings == ["trip.yaml: drop: no light frame is named 'nothing'"]
    many = plan(frames, f"drop: [{', '.join(f'x{n:03d}' for n in range(300))}]")
    assert many.warnings[0].endswith("is named 'x000', 'x001', 'x002', 'x003', 'x004' and 295 more")
    with pytest.raises(SettingsError, match=f"trip.yaml: {frames[1].shown}: named under keep and under drop"):
        plan(frames, "keep: ['F0003?.raw']\ndrop: ['F0003*']")


def test_pauses_as_long_as_exposures_are_noted():
    """A camera that takes its own darks pauses as long as it exposes; a tag that says otherwise wins."""
    assert has_own_dark_pauses(run(10, pace_s=62), [])
    assert not has_own_dark_pauses(run(10, pace_s=32), [])
    assert not has_own_dark_pauses(run(10, pace_s=120), [])
    assert not has_own_dark_pauses(run(3, pace_s=62), [])
    assert any("noise reduction" in note for note in plan(run(10, pace_s=62)).scenes[0].notes)
    # another exposure was taken in each of them
    every = run(20, pace_s=31)
    assert has_own_dark_pauses(every[::2], every[::2])
    assert not has_own_dark_pauses(every[::2], every)
    assert not any("noise" in note for note in plan(run(10, pace_s=62, camera_subtracted=False)).scenes[0].notes)


# ---- with the pipeline's own solver


@pytest.mark.parametrize(
    ("aim", "focal_px", "counts", "tracked"),
    [
        (lambda t: (fixed(40, 30) if t < 37 * 32 else fixed(85, 20))(t), 4000.0, [37, 23], False),
        (tracking(40, 30), 8333.0, [60], True),
    ],
)
def test_catalogue_fields_are_solved_and_divided(aim, focal_px, counts, tracked):
    """Star lists from the catalogue, a fifth missing, 0.2 px of noise: the re-aimed frame and the mount are found."""
    from pipeline import inventory
    from pipeline.sky import catalogue

    frames = run(60)
    camera = Camera.simple(focal_px, 6000, 4000)
    rng = np.random.default_rng(1)
    sky = catalogue.load()

    def view(one):
        turn = aim(one.start - frames[0].start).as_matrix()
        rows = sky.within(turn.T @ [0.0, 0.0, 1.0], np.arctan(3606 / focal_px))
        x, y = camera.project(sky.vectors[rows] @ turn.T)
        inside = np.flatnonzero((x > 0) & (x < 6000) & (y > 0) & (y < 4000))[:250]
        inside = inside[rng.random(len(inside)) < 0.8]
        flux = 10 ** (-0.4 * np.linspace(0, 5, len(inside)))
        stars = np.column_stack([x[inside], y[inside], flux]) + [[*rng.normal(0, 0.2, 2), 0] for _ in inside]
        found = inventory.solve_stars(stars, 6000, 4000, focal_px)
        return StarView(stars, None if found is None else inventory.restore_solution(found))

    def match(a, view_a, b, view_b):
        found = inventory.match_stars(view_a.stars, view_b.stars, 6000, 4000)
        return None if found is None else Similarity(*found)

    pieces = Looker(view, match).pieces(frames, 0.6)
    assert sizes(p.frames for p in pieces) == counts
    assert {p.tracked for p in pieces} == {tracked}
    assert all(p.solved.pixel_scale_arcsec == pytest.approx(206264.8 / focal_px, rel=1e-3) for p in pieces)
