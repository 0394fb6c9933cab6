"""Stars followed from frame to frame."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.config import JudgeSettings
from pipeline.judging.movement import expected_motion
from pipeline.judging.tracks import Tracks, drift, drift_at, follow, lay
from pipeline.plan import Look, PlannedFrame, ScenePlan
from pipeline.stars.measure import STAR_DTYPE

WIDTH, HEIGHT = 3000, 2000


def star_frames(rng, moves, number=400, loss=0.1, noise=0.1):
    """Frames of one field, each moved by its function of places; some stars lost, some false."""
    x, y = rng.uniform(-1500, WIDTH + 1500, number * 4), rng.uniform(-1000, HEIGHT + 1000, number * 4)
    flux = 1000 * (rng.pareto(1, len(x)) + 1)
    frames, truth = [], []
    for move in moves:
        px, py = move(x, y)
        seen = (px > 0) & (py > 0) & (px < WIDTH - 1) & (py < HEIGHT - 1) & (rng.random(len(x)) > loss)
        stars = np.zeros(seen.sum() + 20, STAR_DTYPE)
        stars["x"] = np.concatenate([px[seen] + rng.normal(0, noise, seen.sum()), rng.uniform(0, WIDTH, 20)])
        stars["y"] = np.concatenate([py[seen] + rng.normal(0, noise, seen.sum()), rng.uniform(0, HEIGHT, 20)])
        stars["flux"] = np.concatenate([flux[seen] * rng.normal(1, 0.03, seen.sum()), rng.uniform(500, 3000, 20)])
        order = np.argsort(-stars["flux"], kind="stable")
        frames.append(stars[order])
        truth.append(np.concatenate([np.flatnonzero(seen), np.full(20, -1)])[order])
    return frames, truth


def turned(angle, dx, dy):
    """A rotation about the middle and a shift."""
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    return lambda x, y: (
        c * (x - WIDTH / 2) - s * (y - HEIGHT / 2) + WIDTH / 2 + dx,
        s * (x - WIDTH / 2) + c * (y - HEIGHT / 2) + HEIGHT / 2 + dy,
    )


def test_stars_keep_their_numbers_through_a_drifting_scene():
    """In a field that drifts and turns, one star in a thousand or fewer takes another's number."""
    moves = [turned(0.15 * n, 35 * n, -12 * n) for n in range(12)]
    frames, truth = star_frames(np.random.default_rng(1), moves)
    tracks = follow(frames, WIDTH, HEIGHT)
    assert all(len(ids) for ids in tracks.ids)
    seen: dict[int, list[int]] = {}
    for n in range(12):
        found = tracks.rows[n] >= 0
        for star, row in zip(tracks.ids[n][found], tracks.rows[n][found], strict=True):
            if truth[n][row] >= 0:
                seen.setdefault(int(star), []).append(int(truth[n][row]))
    wrong = sum(len(set(t)) > 1 for t in seen.values())
    assert sum(len(t) for t in seen.values()) > 3000
    assert wrong <= len(seen) / 200


def test_missing_stars_are_expected_where_they_should_be():
    """Most of what is expected and not found is a hidden star within 1 px of its true place; the rest were false."""
    moves = [turned(0.1 * n, 20 * n, 8 * n) for n in range(6)]
    frames, _ = star_frames(np.random.default_rng(2), moves, loss=0.0)
    hidden = frames[4]
    whole = hidden.copy()
    frames[4] = hidden[(hidden["x"] > 1000) | (hidden["flux"] < 1500)]
    tracks = follow(frames, WIDTH, HEIGHT)
    absent = (tracks.rows[4] < 0) & (tracks.x[4] < 980)
    assert absent.sum() > 50
    places = np.column_stack([whole["x"], whole["y"]])
    misses = [
        np.hypot(*(places - [x, y]).T).min() for x, y in zip(tracks.x[4][absent], tracks.y[4][absent], strict=True)
    ]
    assert np.mean(np.array(misses) < 1.0) > 0.6


def test_a_spoiled_frame_does_not_break_the_chain():
    """A frame of false stars is not linked; those after it are linked to those before it."""
    moves = [turned(0, 15 * n, 0) for n in range(5)]
    rng = np.random.default_rng(3)
    frames, _ = star_frames(rng, moves)
    frames[2]["x"], frames[2]["y"] = rng.uniform(0, WIDTH, len(frames[2])), rng.uniform(0, HEIGHT, len(frames[2]))
    tracks = follow(frames, WIDTH, HEIGHT)
    assert [len(ids) > 0 for ids in tracks.ids] == [True, True, False, True, True]
    assert np.intersect1d(tracks.ids[1], tracks.ids[3]).size > 200


def test_stars_of_a_first_frame_under_cloud_are_no_others():
    """Four stars, too few to be met again, have the numbers of none in the frames after them."""
    frames, _ = star_frames(np.random.default_rng(6), [turned(0, 15 * n, 0) for n in range(4)])
    tracks = follow([frames[0][:4], *frames[1:]], WIDTH, HEIGHT)
    assert [len(ids) > 0 for ids in tracks.ids] == [False, True, True, True]
    assert tracks.number == np.unique(np.concatenate(tracks.ids)).size


def test_drift_is_measured():
    """The field's velocity comes back within 1 %, the same everywhere for a shift, growing outwards for a rotation."""
    moves = [turned(0.01 * n, 6.0 * n, -2.0 * n) for n in range(8)]
    frames, _ = star_frames(np.random.default_rng(4), moves)
    got = drift(follow(frames, WIDTH, HEIGHT), [20.0 * n for n in range(8)], WIDTH)
    assert got is not None
    coefficients, spread = got
    middle = drift_at(coefficients, np.array([WIDTH / 2]), np.array([HEIGHT / 2]), WIDTH)[0]
    np.testing.assert_allclose(middle, [0.3, -0.1], rtol=0.02)
    edge = drift_at(coefficients, np.array([WIDTH - 1.0]), np.array([HEIGHT / 2]), WIDTH)[0]
    assert edge[1] - middle[1] == pytest.approx(np.radians(0.01) * WIDTH / 2 / 20, abs=4e-3)
    assert spread < 0.2


def test_frames_that_share_nothing_are_not_laid():
    """Two fields of different stars are not laid on one another; nor are empty ones."""
    rng = np.random.default_rng(5)
    first, second = rng.uniform(0, 3000, (300, 2)), rng.uniform(0, 3000, (300, 2))
    assert lay(first, second, 3000.0) is None
    assert lay(first, np.empty((0, 2)), 3000.0) is None
    tracks = follow([np.zeros(0, STAR_DTYPE)] * 3, WIDTH, HEIGHT)
    assert [len(ids) for ids in tracks.ids] == [0, 0, 0]
    assert drift(tracks, [0.0, 1.0, 2.0], WIDTH) is None


def test_large_rotations_are_laid_by_patterns():
    """A field turned by 40 degrees, which no shift explains, is laid all the same."""
    rng = np.random.default_rng(6)
    frames, _ = star_frames(rng, [turned(0, 0, 0), turned(40, 100, 50)], loss=0.05)
    first, second = (np.column_stack([f["x"], f["y"]]) for f in frames)
    laid = lay(first, second, 3000.0)
    assert laid is not None
    x, y = turned(40, 100, 50)(np.array([1500.0]), np.array([1000.0]))
    assert np.hypot(*(laid(np.array([[1500.0, 1000.0]]))[0] - [x[0], y[0]])) < 0.5


@pytest.mark.parametrize(
    ("tracked", "dec", "steps", "expected"),
    [
        # 24 mm, pixels of 8 um, 8 s, at 80 degrees south: 7.292e-5 x 8 x 3000 x cos 80 = 0.304 px
        (False, -80.0, [(0.038, 0.0)] * 5, pytest.approx(0.304, abs=0.005)),
        (None, -80.0, [(0.038, 0.0)] * 5, 0.0),
        # of three frames one was kicked; the sky moves by 7.292e-5 x 8 x 3000 = 1.75 px at the equator
        (False, 0.0, [(2.0, -1.5), (0.219, 0.0)], pytest.approx(1.75, abs=0.01)),
        (None, 0.0, [(2.0, -1.5), (0.219, 0.0)], pytest.approx(1.75, abs=0.01)),
        (True, 0.0, [(2.0, -1.5), (0.001, 0.0)], 0.0),
        # dithers before every frame
        (None, 0.0, [(1.0, 0.5), (-0.7, 0.3), (0.2, -1.0), (0.5, 0.9), (-1.0, 0.1)], 0.0),
    ],
)
def test_a_tripod_near_the_pole_and_a_kick_are_no_tracker(tracked, dec, steps, expected):
    """A camera that the look tells from its pointing to stand still is no tracker, though the sky hardly moves near the
    pole; nor are two or three frames of which a kicked one makes the drift unsteady."""
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 1500, 100), rng.uniform(0, 1000, 100)
    tracks = Tracks(
        [], [], [], [], [], [(n, n + 1, x, y, x * 0 + 10 * u, x * 0 + 10 * v) for n, (u, v) in enumerate(steps)]
    )
    row = {"exposure_s": 8.0, "focal_mm": 24.0, "pixel_um": 8.0, "width": 1500, "height": 1000, "fwhm_px": None}
    plans = [
        PlannedFrame(str(n), "", "", "light", f"2026-08-15T22:00:{10 * n:02d}+00:00", True, 8.0)
        for n in range(len(steps) + 1)
    ]
    frames = [SimpleNamespace(row=row, plan=plan) for plan in plans]
    look = Look(centre_ra_deg=10.0, centre_dec_deg=dec, tracked=tracked)
    scene = ScenePlan("s", (), tuple(plans), look=look)
    assert expected_motion(frames, [], tracks, scene, JudgeSettings(), 1500, []).length == expected
