"""Solving, star patterns between frames, the catalogue and its cache."""

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from example_project.maker.sky import vectors_of
from pipeline.sky import catalogue
from pipeline.sky.camera import Camera
from pipeline.sky.match import match_fields
from pipeline.sky.solve import refine, solve
from tests.planted_sky import HEIGHT, WIDTH, Fisheye, detections, lens, random_field

GRID = np.stack(np.meshgrid(np.linspace(0, WIDTH - 1, 13), np.linspace(0, HEIGHT - 1, 9)), axis=-1).reshape(-1, 2)


def _error(solution, camera, turn):
    """Root mean square distance over the frame between where a solution and the truth put the same directions."""
    attitude = Rotation.from_quat(solution.attitude, scalar_first=True)
    x, y = camera.project((turn * attitude.inv()).apply(solution.camera.unproject(*GRID.T)))
    return float(np.sqrt(np.mean((x - GRID[:, 0]) ** 2 + (y - GRID[:, 1]) ** 2)))


@pytest.mark.parametrize("mm", [14, 20, 24, 35, 50, 85, 135])
def test_fields_all_over_the_sky_are_solved(mm):
    """With 30 % of the stars missing and 30 % false, every field is found and fits to 0.5 px over the frame."""
    camera, rng = lens(mm), np.random.default_rng(mm)
    for _ in range(4):
        *stars, turn = random_field(camera, rng)
        solution = solve(*stars, WIDTH, HEIGHT, camera.focal_px * rng.uniform(0.95, 1.05))
        assert solution is not None
        assert not solution.camera.fisheye
        assert _error(solution, camera, turn) < 0.5
        assert solution.rms_px < 0.25
        assert solution.matched > 100
        axis = turn.inv().apply(camera.unproject((WIDTH - 1) / 2, (HEIGHT - 1) / 2))
        centre = vectors_of(solution.centre_ra_deg, solution.centre_dec_deg)
        assert np.degrees(np.arccos(min(1.0, axis @ centre))) * 3600 < 2 * solution.pixel_scale_arcsec


@pytest.mark.parametrize(("mm", "said"), [(14, None), (24, None), (50, 24.0), (135, 50.0)])
def test_a_missing_or_wrong_focal_length_is_no_hindrance(mm, said):
    """Without Exif, or with another lens's, the focal length is found to one part in a thousand."""
    camera, rng = lens(mm), np.random.default_rng(mm)
    *stars, turn = random_field(camera, rng)
    solution = solve(*stars, WIDTH, HEIGHT, None if said is None else said / 36 * WIDTH)
    assert solution is not None
    assert solution.focal_px == pytest.approx(camera.focal_px, rel=1e-3)
    assert _error(solution, camera, turn) < 0.5


@pytest.mark.parametrize(
    ("kind", "mm", "sensor_mm", "said", "count"),
    [
        ("ARC", 15, 36.0, 15, 300),  # 165 degrees across the diagonal
        ("ZEA", 15, 36.0, 15, 120),  # few stars, a third of them false
        ("ZEA", 17, 23.5, 17, 300),  # 48 degrees off the axis in the corners: a bent rectilinear lens nearly fits
        ("STG", 8, 23.5, 8, 300),
        ("ZEA", 8, 36.0, 8, 300),  # a circle in a black frame
        ("ZEA", 10, 23.5, None, 300),
    ],
)
def test_a_fisheye_is_told_by_the_stars(kind, mm, sensor_mm, said, count):
    """Pictures drawn by astropy's projections: found as a fisheye's, to 0.5 px; by few stars to 3."""
    camera, rng = Fisheye(kind, mm, sensor_mm=sensor_mm, edge_deg=89.0), np.random.default_rng(mm)
    *stars, turn = random_field(camera, rng, count=count, lowest=0.02)
    solution = solve(*stars, WIDTH, HEIGHT, None if said is None else said / sensor_mm * WIDTH)
    assert solution is not None
    assert solution.camera.fisheye
    directions = camera.unproject(*GRID.T)
    inside = np.isfinite(directions[:, 0])
    attitude = Rotation.from_quat(solution.attitude, scalar_first=True)
    x, y = solution.camera.project((attitude * turn.inv()).apply(directions[inside]))
    off = np.hypot(x - GRID[inside, 0], y - GRID[inside, 1])
    assert np.sqrt(np.mean(off**2)) < (0.5 if count > 200 else 3.0)


@pytest.mark.parametrize("mm", [24, 50])
def test_false_stars_brighter_than_all_are_no_hindrance(mm):
    """45 hot pixels or lamps above every star: by the patterns of the stars beneath them."""
    camera, rng = lens(mm), np.random.default_rng(mm)
    x, y, flux, turn = random_field(camera, rng)
    x, y = np.r_[rng.uniform(0, WIDTH, 45), x], np.r_[rng.uniform(0, HEIGHT, 45), y]
    solution = solve(x, y, np.r_[np.full(45, 3 * flux.max()), flux], WIDTH, HEIGHT, camera.focal_px, anywhere=False)
    assert solution is not None
    assert _error(solution, camera, turn) < 0.5


@pytest.mark.parametrize(("mm", "said"), [(14, 14.0), (50, None)])
def test_a_mirror_image_of_the_sky_is_solved_as_one(mm, said):
    """Rows from the bottom up: the same place on the sky, to the same accuracy, and it is said that it is mirrored."""
    camera, rng = lens(mm), np.random.default_rng(mm)
    x, y, flux, turn = random_field(camera, rng)
    solution = solve(x, HEIGHT - 1 - y, flux, WIDTH, HEIGHT, None if said is None else said / 36 * WIDTH)
    assert solution is not None
    assert solution.camera.mirrored
    assert _error(solution, camera.changed(mirrored=True, centre_y=HEIGHT - 1 - camera.centre_y), turn) < 0.5
    known = solve(x, HEIGHT - 1 - y, flux, WIDTH, HEIGHT, camera=solution.camera)
    assert known is not None
    assert solve(x, y, flux, WIDTH, HEIGHT, camera=solution.camera) is None


def test_a_field_half_hidden_by_ground_is_solved():
    """Stars in the upper half only, lamps below."""
    camera, rng = lens(24), np.random.default_rng(8)
    x, y, flux, turn = random_field(camera, rng)
    ground = y > 2000
    y[ground] = rng.uniform(2000, 2300, ground.sum())
    x[ground] = rng.uniform(0, WIDTH, ground.sum())
    flux[ground] *= 30
    solution = solve(x, y, flux, WIDTH, HEIGHT, camera.focal_px, anywhere=False)
    assert solution is None or _error(solution, camera, turn) < 200
    upper = ~ground
    solution = solve(x[upper], y[upper], flux[upper], WIDTH, HEIGHT, camera.focal_px)
    assert solution is not None
    assert np.median(np.hypot(*(np.stack(camera.project((turn * Rotation.from_quat(
        solution.attitude, scalar_first=True).inv()).apply(
            solution.camera.unproject(*GRID[GRID[:, 1] < 1900].T)))) - GRID[GRID[:, 1] < 1900].T))) < 1.0  # fmt: skip


def test_noise_and_lamps_are_never_solved():
    """Places without a sky behind them: none is found, and few stars are no error."""
    rng = np.random.default_rng(0)
    for n in (40, 400):
        noise = rng.uniform(0, WIDTH - 1, n), rng.uniform(0, HEIGHT - 1, n), rng.pareto(1.0, n) + 0.1
        assert solve(*noise, WIDTH, HEIGHT, 24 / 36 * WIDTH, anywhere=n == 40) is None
        lamps = noise[0], HEIGHT - rng.exponential(120, n), noise[2]
        assert solve(*lamps, WIDTH, HEIGHT, 24 / 36 * WIDTH, anywhere=False) is None
    assert solve([1.0], [2.0], [3.0], WIDTH, HEIGHT) is None
    assert solve([], [], [], WIDTH, HEIGHT) is None
    assert solve([np.nan] * 20, [1.0] * 20, [1.0] * 20, WIDTH, HEIGHT) is None
    with pytest.raises(ValueError, match="of one length"):
        solve([1.0, 2.0], [2.0], [3.0], WIDTH, HEIGHT)


def test_an_answer_is_the_same_each_time():
    """The same list gives the same bytes."""
    camera, rng = lens(35), np.random.default_rng(4)
    *stars, _ = random_field(camera, rng)
    one, other = (solve(*stars, WIDTH, HEIGHT, camera.focal_px) for _ in range(2))
    assert one.attitude.tobytes() == other.attitude.tobytes()
    assert one.camera == other.camera


def _two_lists(rng, n, noise=0.2, related=True):
    """Two lists of a narrow field (1092 x 736), one turned and shifted; 30 % missing, 30 % false; the true map."""
    size = np.array([1092, 736])
    p, flux = rng.uniform(-300, 1400, (3 * n, 2)), rng.pareto(1.2, 3 * n) + 1
    angle = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    shift = rng.uniform(-150, 150, 2)

    def carry(a):
        return (a - size / 2) @ turn.T + size / 2 + shift

    def seen(a):
        inside = ((a > 0) & (a < size)).all(axis=1) & (rng.random(len(a)) > 0.3)
        b = a[inside] + rng.normal(0, noise, (inside.sum(), 2))
        wrong = int(0.43 * len(b))
        b = np.concatenate([b, rng.uniform(0, 1, (wrong, 2)) * size])
        bright = np.r_[flux[inside] * np.exp(rng.normal(0, 0.1, inside.sum())), rng.pareto(1.2, wrong) + 1]
        return b[np.argsort(-bright)]

    return seen(p), seen(carry(p) if related else rng.uniform(-300, 1400, p.shape)), carry


def test_patterns_are_found_at_any_turn_and_never_where_there_are_none():
    """Eight pairs of narrow fields lie on each other to 1 px; eight unrelated pairs do not match."""
    rng = np.random.default_rng(3)
    for n in np.linspace(40, 250, 8).astype(int):
        a, b, carry = _two_lists(rng, n)
        found = match_fields(a, b)
        assert found is not None
        test = rng.uniform(0, 1, (50, 2)) * [1092, 736]
        assert np.hypot(*(np.stack(found.apply(*test.T), axis=1) - carry(test)).T).max() < 1.0
        assert found.scale == pytest.approx(1.0, abs=1e-3)
        assert found.rms_px < 0.6
        assert np.hypot(*(carry(a[found.pairs[:, 0]]) - b[found.pairs[:, 1]]).T).max() < 3
        assert match_fields(*_two_lists(rng, n, related=False)[:2]) is None


def test_wide_fields_match_by_directions():
    """With a camera, frames of a wide lens turned by 30 degrees against each other give that rotation."""
    camera, rng = lens(24), np.random.default_rng(5)
    x, y, *_ = random_field(camera, rng)
    turn = Rotation.from_rotvec([0.1, 0.2, 0.5])
    v = turn.apply(camera.unproject(x, y))
    there = np.stack(camera.project(v), axis=1)
    found = match_fields(np.stack([x, y], axis=1), there, camera=camera)
    assert found is not None
    assert (Rotation.from_quat(found.quaternion, scalar_first=True) * turn.inv()).magnitude() < 1e-6


def test_match_takes_odd_lists():
    """Empty lists, a few stars, places that are nowhere: no match, no error; a wrong shape is told."""
    some = np.random.default_rng(1).uniform(0, 900, (30, 2))
    assert match_fields(np.zeros((0, 2)), some) is None
    assert match_fields(some[:4], some) is None
    holes = some.copy()
    holes[3] = np.nan
    found = match_fields(holes, some)
    assert found is not None
    assert 3 not in found.pairs[:, 0]
    assert match_fields(np.zeros((30, 2)), some) is None
    with pytest.raises(ValueError, match="must be an \\(n, 2\\) array"):
        match_fields(np.zeros(8), some)


def test_catalogue_holds_the_sky():
    """482,176 stars, the brightest first and where it should be; a circle's stars are those in the circle."""
    stars = catalogue.load()
    assert len(stars.magnitudes) == 482_176
    assert (np.diff(stars.magnitudes) >= 0).all()
    np.testing.assert_allclose(np.linalg.norm(stars.vectors, axis=1), 1)
    brightest = np.degrees([np.arctan2(*stars.vectors[0, [1, 0]]) % (2 * np.pi), np.arcsin(stars.vectors[0, 2])])
    assert brightest == pytest.approx([101.287, -16.716], abs=0.01)  # J2000 [mem], less its motion
    centre = np.array([0.3, -0.5, 0.8]) / np.linalg.norm([0.3, -0.5, 0.8])
    near = stars.within(centre, 0.1, 200)
    brute = np.flatnonzero(np.arccos(np.clip(stars.vectors @ centre, -1, 1)) <= 0.1)[:200]
    np.testing.assert_array_equal(near, brute)


class _Database:
    made = 0

    @staticmethod
    def generate_from_gaia(**_):
        _Database.made += 1
        return _Database()

    @staticmethod
    def load_from_file(path):
        if Path(path).read_bytes() != b"whole":
            raise ValueError("damaged")
        return _Database()

    def save_to_file(self, path):
        Path(path).write_bytes(b"whole")


@pytest.fixture
def fake_patterns(monkeypatch):
    _Database.made = 0
    monkeypatch.setattr(catalogue.tetra3rs, "SolverDatabase", _Database)
    catalogue.patterns.cache_clear()
    yield catalogue.patterns
    monkeypatch.undo()
    catalogue.patterns.cache_clear()


def test_the_pattern_database_is_made_once_and_mended(fake_patterns, monkeypatch, tmp_path):
    """Made and kept under the user's cache folder, loaded after that; a damaged file is made again."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    for _ in range(3):
        fake_patterns()
        fake_patterns.cache_clear()
    assert _Database.made == 1
    (kept,) = (tmp_path / "moonless").iterdir()
    kept.write_bytes(b"half")
    fake_patterns()
    assert _Database.made == 2
    assert kept.read_bytes() == b"whole"
    fake_patterns(long=True)
    assert _Database.made == 3
    assert len(list((tmp_path / "moonless").iterdir())) == 2


def test_a_cache_that_cannot_be_written_costs_time_only(fake_patterns, monkeypatch, tmp_path):
    """A cache path that is a file, a home that is none: the temporary folder serves."""
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setenv("HOME", str(blocked))
    monkeypatch.setattr(catalogue.tempfile, "tempdir", str(tmp_path))
    fake_patterns()
    assert [p.parent.name[:9] for p in tmp_path.rglob("*.bin")] == ["moonless-"]


@pytest.mark.parametrize(("seed", "start"), [(6, 4), (13, 0), (29, 1), (5, 0)])
def test_a_start_beyond_reach_is_not_settled_by_chance(seed, start):
    """A camera that was nudged by 0.55 to 1 degree starts 11 to 20 px off: it is found in its place or not at all,
    though thirty chance pairs of a dense catalogue can be fitted."""
    rng, stars = np.random.default_rng(1), catalogue.load()
    camera = Camera.simple(1130.0, 1860, 1240)
    for number in range(seed + 1):
        turn = Rotation.random(random_state=number)
        vectors = turn.apply(stars.vectors)
        front = vectors[:, 2] > 0.05
        x, y, _ = detections(camera, vectors[front], stars.magnitudes[front], rng, 250)
        axes = rng.normal(size=(8, 3))
    axis = axes[start] / np.linalg.norm(axes[start])
    for degrees in (0.55, 0.76, 1.0):
        first = (Rotation.from_rotvec(np.radians(degrees) * axis) * turn).as_matrix()
        found = refine(np.stack([x, y], axis=1), camera, first, known=True)
        if found is not None:
            assert np.degrees((Rotation.from_matrix(found.attitude) * turn.inv()).magnitude()) < 0.02
