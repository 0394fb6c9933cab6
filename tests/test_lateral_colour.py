"""Lateral colour: measured on the mosaic, fitted over a scene, carried by the geometry, undone in the planes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial import cKDTree
from scipy.special import erf

from example_project.maker import make_scenario
from pipeline.pixels.displace import EDGE, displaced, displaced_slow, displacement_grid
from pipeline.pixels.lanczos import OVERREAD
from pipeline.pixels.resample import resample
from pipeline.sensor.demosaic import MARGIN, demosaic
from pipeline.sky.camera import Camera
from pipeline.sky.colour import lateral_colour
from pipeline.sky.geometry import Geometry, Placement
from pipeline.sky.table import FrameStars
from pipeline.stack.lateral import EXTRA, carry_green, malvar_colour
from pipeline.stars.colours import NOT_MEASURED, PER_PIXEL, colour_offsets
from pipeline.stars.measure import STAR_DTYPE, measure_frame, measure_picture


@pytest.fixture(scope="module")
def frame():
    """A rendered frame of a 24 mm lens with coma and 0.75 px of lateral colour in its corners; its stars."""
    scene = make_scenario(lens_mm=24, width=1620, height=1080, n=1, exposure_s=10)
    made = scene.render(0)
    stars = measure_frame(made.mosaic, made.meta.cfa, made.meta.black, made.meta.white).stars
    return scene, made, stars


def test_offsets_are_those_of_the_lens(frame):
    """Red and blue against green, without bias: medians to 0.01 px, towards the corners too; errors as stated."""
    scene, made, stars = frame
    meta, truth = made.meta, made.truth.stars
    offsets = colour_offsets(made.mosaic, meta.cfa, meta.black, meta.white, stars)
    distance, nearest = cKDTree(np.stack([truth.x[:, 1], truth.y[:, 1]], 1)).query(
        np.stack([stars["x"], stars["y"]], 1)
    )
    for name, colour in (("red", 0), ("blue", 2)):
        good = (offsets[f"{name}_dx"] != NOT_MEASURED) & (distance < 1)
        assert good.sum() > 150
        at = nearest[good]
        place = np.stack([truth.x[at, 1], truth.y[at, 1]], 1) - scene.optics.centre
        out = place / np.linalg.norm(place, axis=1, keepdims=True)
        seen = np.stack([offsets[f"{name}_{v}"][good] / PER_PIXEL for v in ("dx", "dy")], 1)
        true = np.stack([v[at, colour] - v[at, 1] for v in (truth.x, truth.y)], 1)
        miss = seen - true
        assert np.abs(np.median(miss, axis=0)).max() < 0.012
        outer = np.linalg.norm(place, axis=1) > 0.6 * scene.optics.half_diagonal
        assert outer.sum() > 30
        assert abs(np.median(np.sum(miss * out, axis=1)[outer])) < 0.04
        pull = np.hypot(*miss.T) / np.hypot(offsets[f"{name}_error"][good] / PER_PIXEL, 0.04)
        assert np.median(pull) / 1.1774 == pytest.approx(1.0, abs=0.4)


def test_the_compiled_fit_is_least_squares():
    """One star's red place is where scipy's least squares over sky, height and place puts it, far offsets too."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:64, 0:64]
    mxx, mxy, myy = 1.3, 0.2, 1.0
    inverse = np.linalg.inv([[mxx, mxy], [mxy, myy]])

    def light(px, py, height):
        d = np.stack([x - px, y - py])
        return height * np.exp(-0.5 * np.einsum("ihw,ij,jhw->hw", d, inverse, d))

    for shift in ((0.0, 0.0), (0.6, -0.4), (-3.1, 2.2)):
        image = 300 + rng.normal(0, 3, (64, 64)) + light(30.3, 31.8, 4000.0)
        red = (np.indices((64, 64)) % 2 == 0).all(axis=0)
        image[red] = (300 + rng.normal(0, 3, (64, 64)) + light(30.3 + shift[0], 31.8 + shift[1], 2500.0))[red]
        star = np.zeros(1, STAR_DTYPE)
        star["x"], star["y"], star["flux"], star["flux_error"] = 30.3, 31.8, 3e4, 100
        star["mxx"], star["mxy"], star["myy"] = mxx, mxy, myy
        found = colour_offsets(np.rint(image).astype(np.uint16), "RGGB", np.zeros(4), 60000.0, star)[0]

        def place(sites, near, image=image):
            at = sites & (np.hypot(x - near[0], y - near[1]) < 3.2 * np.sqrt(mxx) + 2)

            def miss(p):
                return (p[0] + light(p[2], p[3], p[1]) - np.rint(image))[at]

            return least_squares(miss, [300, 2000, *near], x_scale=[10, 100, 0.1, 0.1]).x[2:]

        green = np.mean([place(np.roll(red, 1, axis), (30.3, 31.8)) for axis in (0, 1)], axis=0)
        expected = place(red, (30.3 + shift[0], 31.8 + shift[1])) - green
        np.testing.assert_allclose([found["red_dx"], found["red_dy"]], PER_PIXEL * expected, atol=40)


def test_what_cannot_be_measured_is_said_to_be(frame):
    """No colours, no stars, stars at the edge, stars on full pixels: no offset, no error."""
    _, made, stars = frame
    meta = made.meta
    for cfa, some, saturation in (("MONO", stars, meta.white), ("RGGB", stars[:0], meta.white), ("RGGB", stars, 0.0)):
        found = colour_offsets(made.mosaic, cfa, meta.black, saturation, some)
        assert len(found) == len(some)
        assert all((found[name] == NOT_MEASURED).all() for name in found.dtype.names)
    edge = stars[:40].copy()
    edge["x"], edge["y"], edge["saturated"] = -3.0, 5000.0, False
    colour_offsets(made.mosaic, "RGGB", meta.black, meta.white, edge)


CAMERA = Camera.simple(3000.0, 3000, 2000).changed(centre_x=1510.0, centre_y=980.0)
HALF = float(np.hypot(3000, 2000) / 2)


def _planted(rng, frames, red, blue, shift=(0.0, 0.0), stars=150, noise=0.08, false=0.05):
    """Star lists with offsets that a lens (terms) and the air (shift of red; blue's is its opposite) make."""
    lists = []
    for n in range(frames):
        xy = rng.uniform(0, 1, (stars, 2)) * [2999, 1999]
        place = xy - [CAMERA.centre_x, CAMERA.centre_y]
        q2 = np.sum(place**2, axis=1, keepdims=True) / HALF**2
        offsets = np.empty((stars, 2, 5))
        for k, (terms, sign) in enumerate(((red, 1), (blue, -1))):
            seen = (terms[0] + q2 * (terms[1] + q2 * terms[2])) * place + sign * np.array(shift)
            seen = seen + rng.normal(0, noise, seen.shape)
            wrong = rng.random(stars) < false
            seen[wrong] = rng.uniform(-4, 4, (wrong.sum(), 2))
            offsets[:, k] = np.concatenate([xy, seen, np.full((stars, 1), noise)], axis=1)
        empty = np.zeros(stars)
        lists.append(FrameStars(f"f{n}", xy, empty + 1, empty + 0.1, empty + 0.1, empty > 1, 10.0 * n, offsets))
    return lists


def test_a_lens_is_read_off_a_scene():
    """Third and fifth order and scale, a twentieth of the offsets false: to 0.02 px, to 0.04 px at the very corner.

    Measured over 24 draws: 0.016 px at most out to nine tenths of the way, 0.035 px at the corner, which few stars see.
    """
    rng = np.random.default_rng(5)
    red, blue = (2e-4, 6e-4, -3e-4), (0.0, -9e-4, 0.0)
    found = lateral_colour(_planted(rng, 12, red, blue), CAMERA)
    q = np.linspace(0, 1, 11)
    for colour, terms in (("R", red), ("B", blue)):
        a = np.array(found.terms[colour]) - terms
        off = np.abs(HALF * q * (a[0] + q**2 * (a[1] + q**2 * a[2])))
        assert off[:-1].max() < 0.02
        assert off[-1] < 0.04
    assert all(not s for s in found.shifts)


def test_no_term_where_nothing_asks_for_it():
    """A lens without lateral colour, and a handful of stars: no terms, no shifts."""
    rng = np.random.default_rng(6)
    for lists in (_planted(rng, 10, (0, 0, 0), (0, 0, 0)), _planted(rng, 2, (0, 9e-4, 0), (0, 0, 0), stars=20)):
        found = lateral_colour(lists, CAMERA)
        assert found.terms == {}
        assert all(not s for s in found.shifts)
    bare = [FrameStars("a", np.zeros((0, 2)), *[np.zeros(0)] * 3, np.zeros(0, bool))]
    assert lateral_colour(bare, CAMERA).stars == 0


def test_the_air_is_not_taken_for_the_lens():
    """A shift of all stars alike is each frame's own, the lens's terms stay nothing; it is carried, and undone."""
    lists = _planted(np.random.default_rng(7), 8, (0, 0, 0), (0, 0, 0), shift=(0.3, -0.4))
    found = lateral_colour(lists, CAMERA)
    assert found.terms == {}
    for shift in found.shifts:
        np.testing.assert_allclose(shift["R"], (0.3, -0.4), atol=0.03)
        np.testing.assert_allclose(shift["B"], (-0.3, 0.4), atol=0.03)


def test_positions_of_colours_go_there_and_back(tmp_path):
    """from_reference and to_reference undo each other in every colour, through the file too."""
    half = np.array([np.cos(0.004), 0.0, np.sin(0.004), 0.0])
    frames = {"a": Placement(np.array([1.0, 0, 0, 0])), "b": Placement(half, colour_shift={"R": (0.2, -0.1)})}
    terms = {"R": (1e-4, 5e-4, 1e-4), "B": (0.0, -6e-4, 0.0)}
    Geometry("a", False, CAMERA, frames, lateral_colour=terms).save(tmp_path / "g.json")
    geometry = Geometry.load(tmp_path / "g.json")
    x, y = np.meshgrid(np.linspace(200, 2800, 7), np.linspace(100, 1900, 5))
    gx, gy = geometry.from_reference("b", x, y)
    for colour in "RB":
        cx, cy = geometry.from_reference("b", x, y, colour)
        assert 0.3 < np.hypot(cx - gx, cy - gy).max() < 2.0
        np.testing.assert_allclose(geometry.to_reference("b", cx, cy, colour), (x, y), atol=1e-6)
        np.testing.assert_allclose(geometry.to_green("b", cx, cy, colour), (gx, gy), atol=1e-6)
    rx, ry = geometry.from_reference("a", x, y, "R")
    assert np.hypot(rx - x, ry - y).max() > 0.5


@pytest.mark.parametrize("steepness", [1e-4, 2e-3, 6e-3])
def test_a_displaced_plane_equals_its_slow_statement(steepness):
    """The compiled loop is the pixel-by-pixel sum with Lanczos weights, to the step of the table; where the planes were
    cut is not seen."""
    rng = np.random.default_rng(8)
    plane = np.cumsum(np.cumsum(rng.normal(0, 0.1, (90, 210)), axis=1), axis=0).astype(np.float32)
    grid = displacement_grid(lambda x, y: (x + 0.4 + steepness / 2 * y, y - 0.4 + steepness * x), (300, 400))

    def made(cut):
        source = np.concatenate([plane[:, cut:].ravel(), np.zeros(OVERREAD, np.float32)])
        out = np.empty((94, 214 - cut), np.float32)
        displaced(source, 0, (90, 210 - cut), (20, 31 + cut), grid, 2.0, 2, out)
        return out[2 + EDGE : -2 - EDGE, 2 + EDGE : -2 - EDGE]

    y, x = np.mgrid[EDGE : 90 - EDGE, EDGE : 210 - EDGE].astype(float)
    slow = displaced_slow(plane, x + 0.4 + steepness / 2 * (y + 20), y - 0.4 + steepness * (x + 31))
    np.testing.assert_allclose(made(0), 2 * slow, atol=0.02)
    np.testing.assert_array_equal(made(37), made(0)[:, 37:])


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_one_colour_is_that_of_the_whole_demosaic(cfa):
    """On a mosaic in which the colours are balanced the sums for one colour are those for all three."""
    mosaic = np.random.default_rng(9).normal(100, 10, (40, 50)).astype(np.float32)
    padded = np.pad(mosaic, MARGIN, mode="reflect")
    planes = demosaic(mosaic, cfa)
    for number, letter in ((0, "R"), (2, "B")):
        place = cfa.index(letter)
        out = np.empty(mosaic.shape, np.float32)
        malvar_colour(padded, place // 2, place % 2, out)
        np.testing.assert_allclose(out, planes[number], rtol=1e-5)


def _star_field(x, y, sigma, shape):
    light = np.zeros(shape)
    for px, py in zip(x, y, strict=True):
        across = [erf((np.arange(n) - p + 0.5) / sigma / 2**0.5) - erf((np.arange(n) - p - 0.5) / sigma / 2**0.5)
                  for n, p in ((shape[1], px), (shape[0], py))]  # fmt: skip
        light += 2500.0 * np.outer(across[1], across[0])
    return light


def test_colours_agree_and_keep_their_shape():
    """Sixteen dithered frames, red off by 0.8 px and blue by -0.6: the means agree with green to 0.04 px.

    Moving the planes of an ordinary demosaic instead leaves more than 0.15 px. Sizes come within 5 % of green's.
    """
    rng = np.random.default_rng(10)
    shape, balance = (128, 128), (2.0, 1.0, 1.6)
    gx, gy = (
        g.ravel() + rng.uniform(0, 1, 16) for g in np.meshgrid(np.arange(20, 110, 26.0), np.arange(20, 110, 26.0))
    )
    lens = {"R": 0.8, "G": 0.0, "B": -0.6}
    grids = tuple(displacement_grid(lambda x, y, c=c: (x - lens[c], y), shape) for c in "RB")
    total, plain = np.zeros((2, 3, *shape))
    for _ in range(16):
        dx, dy = rng.uniform(-2, 2, 2)
        mosaic = np.zeros(shape, np.float32)
        for k, (c, multiplier) in enumerate((("R", 2.0), ("G", 1.0), ("G", 1.0), ("B", 1.6))):
            light = _star_field(gx + dx + lens[c], gy + dy, 0.95, shape) / multiplier
            mosaic[k // 2 :: 2, k % 2 :: 2] = light[k // 2 :: 2, k % 2 :: 2]
        padded = np.pad(mosaic, MARGIN, mode="reflect")
        planes = demosaic(mosaic, "RGGB", balance)
        source = np.concatenate([planes.ravel(), np.zeros(OVERREAD, np.float32)])
        carry_green(padded, "RGGB", (0, 0), source, grids, balance, np.zeros(padded.shape, np.float32))
        ours = source[:-OVERREAD].reshape(planes.shape)
        for k, c in enumerate("RGB"):
            for into, have in ((total, ours), (plain, planes)):
                into[k] += (
                    resample(have[k : k + 1], lambda x, y, c=c, dx=dx, dy=dy: (x + dx + lens[c], y + dy))[0][0] / 16
                )

    def measured(pictures):
        noise = rng.normal(0, 0.5, shape)
        found = [measure_picture((p + noise).astype(np.float32), gx, gy, start_fwhm_px=2.3) for p in pictures]
        return [float(np.median(f["x"] - gx)) for f in found], [float(np.median(f["mxx"] + f["myy"])) for f in found]

    place, size = measured(total)
    assert max(abs(place[0] - place[1]), abs(place[2] - place[1])) < 0.04
    np.testing.assert_allclose(np.sqrt([size[0] / size[1], size[2] / size[1]]), 1.0, atol=0.05)
    place, _ = measured(plain)
    assert min(abs(place[0] - place[1]), abs(place[2] - place[1])) > 0.15
    assert EXTRA >= MARGIN + 3
