"""A camera that goes to and fro between several pointings."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.card.pointing import Looker, Similarity, StarView, relate_solved
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


class BentSky(Sky):
    """A sky near the horizon, whose refraction is solved in some frames as a lens with its axis 200 px off the middle:
    the picture is the same to 3 px, the attitude 4 degrees another."""

    OFF_PX = 200.0

    def view(self, one):
        seen = super().view(one)
        n = round(((one.start or 0.0) - self.begin) / 118)
        if seen is None or seen.solved is None or not (7 <= n <= 15 or n == 20 or n >= 23):
            return seen
        solved = seen.solved
        lens = solved.camera.changed(centre_y=solved.camera.centre_y + self.OFF_PX)
        tilt = Rotation.from_euler("x", np.arctan(self.OFF_PX / lens.focal_px))
        return StarView(seen.stars, replace(solved, camera=lens, attitude=tilt * solved.attitude))


def test_frames_are_compared_by_what_they_show_not_by_where_their_lens_was_put():
    """A tripod's frames, the refraction of some solved as a lens off its middle, are of one pointing, divided in time
    alone."""
    frames = run(30, 118.0, width=1002, height=668)
    sky = BentSky(frames, fixed(42, -37), focal_px=2915.0)
    first, other = (sky.view(frames[n]).solved for n in (0, 20))
    assert np.degrees((other.attitude * fixed(42, -37)(20 * 118.0).inv()).magnitude()) > 3.9
    relation = relate_solved(first, other, 20 * 118.0, 1002, 668)
    assert relation.steady
    assert relation.tracked is False
    pieces = Looker(sky.view, sky.match).pieces(frames, 0.8)
    parts = numbers(pieces, frames)
    assert len(parts) > 1
    assert [n for part in parts for n in part] == list(range(30))
    assert not any("to and fro" in piece.why for piece in pieces)
