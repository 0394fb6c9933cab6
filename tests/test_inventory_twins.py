"""Bodies of one model whose headers tell no serial."""

import pytest

from pipeline.card.planning import Before, make_plan
from pipeline.card.pointing import Looker
from pipeline.card.twins import bodies_apart
from pipeline.config import parse_trip
from tests.cards import Sky, clocked, fixed, frame


def shots(count, begin_s, name, kind="light", first=1, **facts):
    """Frames of 10 s every 14 s, numbered, of a camera that tells no serial."""
    known = {"exposure_s": 10.0, "serial": None, **facts}
    return [frame(begin_s + 14 * n, kind, f"{name}{first + n:04d}.raw", **known) for n in range(count)]


def twins(*frames):
    """Which body each frame is of."""
    return [f.twin for f in bodies_apart(clocked(f for some in frames for f in some))]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ({"name": "a/IMG_"}, {"name": "b/IMG_"}),
        ({"name": "a/IMG_"}, {"name": "b/IMG_", "first": 501}),
        ({"name": "a/ONE"}, {"name": "a/TWO"}),
        ({"name": "a/IMG_"}, {"name": "a/IMG_", "first": 501}),
        ({"name": "a/IMG_", "first": 501}, {"name": "a/IMG_"}),
    ],
)
def test_bodies_without_serials_are_told_apart_by_exposures_that_overlap(one, other):
    """By folder, by how names begin, or by their numbers; and the frames are those of two runs then."""
    frames = bodies_apart(clocked([*shots(10, 0, **one), *shots(10, 7, **other)]))
    assert [f.twin for f in frames] == [1] * 10 + [2] * 10
    assert len({f.body for f in frames}) == 2


def test_a_later_folder_is_of_the_body_beside_whose_folder_it_lies_and_darks_of_no_folder_of_either():
    """`a/101` of the body of `a/100`; frames beside none of them could be of any."""
    first, second = shots(10, 0, "a/100/I"), shots(10, 7, "b/100/I")
    caps = shots(4, 3000, "caps/I", "dark")
    assert twins(first, second, shots(10, 140, "a/101/I"), shots(10, 147, "b/101/I"), caps) == [
        *[1] * 10,
        *[2] * 10,
        *[1] * 10,
        *[2] * 10,
        *[0] * 4,
    ]
    assert twins(first, second, shots(4, 900, "b/caps/I", "dark"))[-4:] == [2] * 4


def test_what_overlaps_by_a_slip_or_within_a_series_is_one_body():
    """A clock of whole seconds and exposures written too long, a clock put back, names without order, known serials."""
    assert not any(twins(shots(10, 0, "a/I", exposure_s=8.0), shots(10, 7, "b/I", exposure_s=8.0)))
    assert not any(twins(shots(20, 0, "a/I"), shots(2, 289, "b/I")))
    assert not any(twins(shots(20, 0, "a/I"), shots(20, 150, "a/I", first=21)))
    assert not any(twins(shots(9, 0, "a/I"), shots(9, 7, "a/I", first=10)))
    assert not any(twins(shots(10, 0, "a/I", serial="1"), shots(10, 7, "b/I", serial="2")))


def test_each_of_two_bodies_has_its_own_scene_and_darks():
    """Scenes and dark sets are of one body; what an earlier plan had mixed is not held on to."""
    lights = [shots(10, 0, "a/I"), shots(10, 7, "b/I")]
    darks = [shots(4, 400, "a/D", "dark"), shots(4, 407, "b/D", "dark")]
    frames = bodies_apart(clocked(f for some in (*lights, *darks) for f in some))
    sky = Sky(frames, fixed())
    mixed = Before({f.id: "s_a" if (f.start or 0.0) - sky.begin < 60 else "s_b" for f in frames if f.kind == "light"})
    plan = make_plan(frames, parse_trip("frames: [raw]"), Looker(sky.view, sky.match), mixed)
    assert [{f.shown[0] for f in s.frames} for s in plan.scenes] == [{"a"}, {"b"}]
    assert [len(s.frames) for s in plan.scenes] == [10, 10]
    own = {s.set: {f.shown[0] for f in s.frames} for s in plan.sets}
    assert [own[s.dark_set] for s in plan.scenes] == [{"a"}, {"b"}]
