"""A camera that goes to and fro between several pointings."""

import pytest

from pipeline.card.pointing import Looker, Similarity
from pipeline.card.visits import by_fields
from tests.cards import Sky, fixed, run, tracking


def numbers(pieces, frames):
    """The places in the run of each piece's frames."""
    place = {f.id: n for n, f in enumerate(frames)}
    return sorted([place[f.id] for f in p.frames] for p in pieces)


@pytest.mark.parametrize("solved", [True, False])
@pytest.mark.parametrize("count", [8, 9, 20, 21, 64])
@pytest.mark.parametrize(("fields", "each"), [(2, 1), (3, 1), (2, 2), (2, 3)])
def test_frames_of_a_camera_that_goes_to_and_fro_are_grouped_by_what_they_show(count, fields, each, solved):
    """Two or three pointings in turn, one frame or three at a time, tripod, the catalogue told or matching alone."""
    frames = run(count, 14.0)
    aims = [fixed(40 + 50 * k) for k in range(fields)]

    def field(t):
        return round(t / 14) // each % fields

    sky = Sky(frames, lambda t: aims[field(t)](t), solved)
    if not solved:
        sky.match = lambda a, va, b, vb: (
            Similarity(1, 0, 0, 0) if field(a.start - sky.begin) == field(b.start - sky.begin) else None
        )
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.5)
    expected = sorted([n for n in range(count) if n // each % fields == k] for k in range(fields))
    # three frames elsewhere are no going to and fro; and of nine in twos the three looks show the first pointing
    if (each == 3 and count < 10) or (each, count) == (2, 9):
        expected = [[*range(count)]]
    assert numbers(pieces, frames) == expected


def test_what_cloud_hides_goes_with_the_frames_one_round_away():
    """Frames without stars, and one that a kick took elsewhere, among two pointings in turn."""
    frames = run(20, 14.0)
    aims = [tracking(40), tracking(90)]
    sky = Sky(frames, lambda t: None if t in (56, 70) else tracking(300)(t) if t == 140 else aims[round(t / 14) % 2](t))
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.5)
    assert numbers(pieces, frames) == [list(range(0, 20, 2)), list(range(1, 20, 2))]


def test_a_field_that_is_not_seen_again_is_no_going_to_and_fro():
    """One pointing after the other; and what is seen once among fields that come again has a group of its own."""

    def same(shown):
        return lambda a, b: float(shown[a] == shown[b])

    assert by_fields(9, lambda n: True, same("AAABBBCCC")) is None
    assert by_fields(12, lambda n: True, same("ABABCCCCABAB")) == [[0, 2, 8, 10], [1, 3, 9, 11], [4, 5, 6, 7]]


@pytest.mark.parametrize("count", [2, 3, 4, 5, 7, 26, 40, 64, 300])
def test_an_ordinary_run_is_looked_at_three_times(count):
    """The first frame, the last and one between, whatever their number."""
    frames = run(count)
    sky = Sky(frames, tracking())
    Looker(sky.view, sky.match).pieces(frames, 0.5)
    assert len(set(sky.viewed)) == min(count, 3)


def test_a_camera_re_aimed_once_is_not_looked_at_all_over():
    """Two pointings one after the other need the looks of halving, and those that each one's division needs."""
    frames = run(64)
    sky = Sky(frames, lambda t: fixed(40 if t < 25 * 32 else 100)(t))
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.5)
    assert [len(p.frames) for p in pieces] == [25, 39]
    assert len(set(sky.viewed)) <= 13
