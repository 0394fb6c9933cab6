"""Camera, its slopes, refraction, times, geometry."""

import json
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy import units
from astropy.coordinates import GCRS, AltAz, EarthLocation, SkyCoord
from astropy.time import Time
from astropy.utils import iers
from scipy.spatial.transform import Rotation

from pipeline.errors import InputError
from pipeline.pixels.area import pixel_area
from pipeline.pixels.positions import LAGRANGE, grid_nodes, position_grid, positions
from pipeline.sky import refraction, times
from pipeline.sky.camera import Camera
from pipeline.sky.geometry import Geometry, Placement
from pipeline.sky.slopes import camera_vector, project_with_slopes, with_vector
from pipeline.stack.nodes import NODES_REACH
from tests.planted_sky import HEIGHT, Fisheye, lens

ARCSEC = np.pi / 648000
GRID = np.meshgrid(np.linspace(0, 6059, 41), np.linspace(0, 4039, 31))


@pytest.fixture(autouse=True)
def _offline():
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("iers_degraded_accuracy", "ignore"):
        yield


@pytest.mark.parametrize("mm", [14, 24, 135])
def test_projection_and_its_inverse_agree_over_the_frame(mm):
    """A pixel comes back to itself to 1e-6 px, at 8 % of distortion too."""
    camera = lens(mm)
    x, y = camera.project(camera.unproject(*GRID))
    assert camera.covers_frame()
    np.testing.assert_allclose(x, GRID[0], atol=1e-6)
    np.testing.assert_allclose(y, GRID[1], atol=1e-6)
    corner = camera.unproject(0.0, 0.0)
    plain = np.hypot(*(corner[:2] / corner[2])) * camera.focal_px
    seen = np.hypot(camera.centre_x, camera.centre_y)
    if mm == 14:
        assert -0.10 < seen / plain - 1 < -0.06


def test_a_mirrored_camera_is_the_picture_turned_over():
    """Row y of the one is row height - 1 - y of the other, and pixels come back to themselves."""
    camera = lens(24)
    turned = camera.changed(mirrored=True, centre_y=HEIGHT - 1 - camera.centre_y)
    np.testing.assert_allclose(turned.unproject(GRID[0], HEIGHT - 1 - GRID[1]), camera.unproject(*GRID), atol=1e-12)
    np.testing.assert_allclose(turned.project(turned.unproject(*GRID)), GRID, atol=1e-6)
    assert Camera.from_json(turned.to_json()) == turned


def test_no_picture_behind_the_lens_or_where_it_turns_back():
    """Directions behind the camera and beyond the turning radius give NaN, never a place in the frame."""
    camera = Camera(1000.0, 500.0, 400.0, (-0.3, 0.0, 0.0), width=1001, height=801)
    assert camera.limit == pytest.approx(np.sqrt(1 / 0.9))
    x, _ = camera.project([[0, 0, 1.0], [0, 0, -1.0], [2.0, 0, 1.0], [1.0, 0, 0.0]])
    assert np.isfinite(x).tolist() == [True, False, False, False]
    assert np.isnan(camera.unproject(3000.0, 400.0)).all()
    assert not camera.changed(focal_px=300.0).covers_frame()


@pytest.mark.parametrize(
    ("kind", "radial", "limit_px"),
    [
        ("ARC", (0.0, 0.0, 0.0), 1e-9),
        # the series of 2 sin(theta / 2) over theta
        ("ZEA", (-1 / 24, 1 / 1920, -1 / 322560), 2e-3),
        # of 2 tan(theta / 2), least squares to 85 degrees
        ("STG", (0.08393, 0.00722, 0.00143), 0.5),
    ],
)
def test_a_fisheye_draws_as_astropys_projections_do(kind, radial, limit_px):
    """Equidistant, equisolid and stereographic pictures of 15 mm on 36 mm (ARC, ZEA, STG), there and back."""
    planted = Fisheye(kind, 15, edge_deg=85.0)
    camera = Camera(planted.focal_px, 3029.5 + 7.5, 2019.5 - 4.5, radial, width=6060, height=4040, fisheye=True)
    seen = planted.unproject(*GRID)
    inside = np.isfinite(seen[..., 0])
    assert inside.sum() > 0.8 * inside.size
    np.testing.assert_allclose(np.array(camera.project(seen))[:, inside], np.array(GRID)[:, inside], atol=limit_px)
    back = camera.unproject(*GRID)
    np.testing.assert_allclose(back[inside], seen[inside], atol=limit_px / 1500)
    np.testing.assert_allclose(camera.project(back), GRID, atol=1e-6)
    np.testing.assert_allclose(camera.unproject(3037.0, 2015.0), [0, 0, 1], atol=1e-12)
    assert Camera.from_json(camera.to_json()) == camera


def test_a_fisheye_sees_all_of_its_hemisphere_and_nothing_behind():
    """An undistorted one covers 2 pi within 90 degrees (its pixels' areas summed up); beyond 110 is no picture."""
    camera = Camera.simple(100.0, 401, 401, fisheye=True)
    x, y = np.meshgrid(np.arange(401.0), np.arange(401.0))
    seen = camera.unproject(x, y)
    front = seen[..., 2] > 0
    assert camera.pixel_area(x, y)[front].sum() == pytest.approx(2 * np.pi, rel=2e-3)
    assert np.isfinite(camera.unproject(200 + 100 * np.radians(109), 200.0)).all()
    assert np.isnan(camera.unproject(200 + 100 * np.radians(111), 200.0)).all()
    assert camera.covers_frame()
    u, v = camera.to_gnomonic(x, y)
    np.testing.assert_allclose(np.stack([u, v], -1)[front], seen[front][:, :2] / seen[front][:, 2:], rtol=1e-9)
    assert np.isnan(u[seen[..., 2] < 0]).all()
    assert np.isnan(camera.project([0.0, 0.0, -1.0])).all()


@pytest.mark.parametrize("radial", [(0.0, 0.0, 0.0), (-1 / 24, 1 / 1920, -1 / 322560), (-0.1, 0.0, 0.0)])
def test_the_map_of_a_fisheye_may_go_on_past_its_picture(radial):
    """Within the last radius (110 degrees, or where the picture turns back) nothing changes by a bit; beyond it
    positions come back to themselves for as far as was asked, never lie within the picture, and then end."""
    camera = Camera(300.0, 498.0, 503.0, radial, (1e-5, -2e-5), 1000, 1000, fisheye=True)
    on = camera.changed(beyond_px=80.0)
    x, y = np.meshgrid(np.linspace(-200, 1200, 141), np.linspace(-200, 1200, 141))
    inside = camera.draws(x, y)
    distance = np.hypot(x - 498, y - 503)
    past = distance - distance[inside].max()
    np.testing.assert_array_equal(on.unproject(x, y)[inside], camera.unproject(x, y)[inside])
    assert np.isnan(camera.unproject(x, y)[~inside]).all()
    known = np.isfinite(on.unproject(x, y)).all(axis=-1)
    assert known[past < 70].all()
    assert not known[past > 90].any()
    back = np.array(on.project(on.unproject(x, y)))
    there = (past > 15) & (past < 70)
    np.testing.assert_allclose(back[:, there], np.array([x, y])[:, there], atol=0.1)
    assert (np.hypot(back[0] - 498, back[1] - 503)[known & ~inside] > distance[inside].max() - 1).all()
    np.testing.assert_array_equal(on.draws(x, y), inside)
    assert Camera.from_json(on.to_json()) == camera


def test_a_fisheye_s_whole_circle_has_places_in_every_frame():
    """The sky over an upright camera turned by 5 degrees: every pixel within 90 degrees of both axes has its place to
    0.06 px from nodes 64 px apart, of which the outermost lie past what the lens draws; between nodes of a lens that
    draws all of them it is no nearer."""
    radial = (-1 / 24, 1 / 1920, -1 / 322560)  # of 2 sin(theta / 2), 342 px to a radian: a circle of 484 px
    camera = Camera(342.0, 503.0, 497.0, radial, width=1000, height=1000, fisheye=True)
    turn = Rotation.from_rotvec(np.radians(5) * np.array([0.38, 0.58, 0.72])).as_quat(scalar_first=True)
    frames = {"a": Placement(np.array([1.0, 0, 0, 0])), "b": Placement(turn)}
    geometry = Geometry("a", True, camera, frames)
    y, x = np.mgrid[:1000:7, :1000.0]
    vectors = camera.unproject(x, y)
    there = np.array(geometry.from_reference("b", x, y))
    with np.errstate(invalid="ignore"):
        seen = (vectors[..., 2] > 0) & (np.hypot(there[0] - 503, there[1] - 497) < 483)
    found = {}
    for name, wide in (("ending", geometry), ("going on", geometry.beyond(NODES_REACH))):
        grid = position_grid(lambda x, y, wide=wide: wide.from_reference("b", x, y), (1000, 1000))
        places = np.empty((2, *x.shape), np.float32)
        nodes = np.empty((2, grid.shift.shape[1]), np.float32)
        for row in range(len(x)):
            positions(grid.shift, LAGRANGE, 7 * row, 0, places[0, row], places[1, row], nodes)
        found[name] = places
    assert np.isnan(found["ending"][0][seen]).mean() > 0.1
    assert np.abs(found["going on"] - there)[:, seen].max() < 0.06


@pytest.mark.parametrize(
    "camera",
    [lens(24), lens(24).changed(mirrored=True), lens(14).changed(fisheye=True, radial=(-0.04, 0.01, 1e-3))],
    ids=["plain", "mirrored", "fisheye"],
)
def test_slopes_are_the_derivatives_of_the_projection(camera):
    """Analytic slopes by rotation and camera agree with central differences."""
    rng = np.random.default_rng(3)
    v = camera.unproject(rng.uniform(0, 6059, 50), rng.uniform(0, 4039, 50))
    position, by_rotation, by_camera = project_with_slopes(camera, v)
    np.testing.assert_allclose(position, np.stack(camera.project(v), axis=1), atol=1e-9)
    for k in range(3):
        step = np.zeros(3)
        step[k] = 1e-5
        ahead = np.stack(camera.project(Rotation.from_rotvec(step).apply(v)), axis=1)
        behind = np.stack(camera.project(Rotation.from_rotvec(-step).apply(v)), axis=1)
        np.testing.assert_allclose((ahead - behind) / 2e-5, by_rotation[:, :, k], rtol=1e-5, atol=1e-2)
    values = camera_vector(camera)
    for k, step in enumerate([1e-2, 1e-2, 1e-2, 1e-6, 1e-6, 1e-6, 1e-7, 1e-7]):
        up, down = values.copy(), values.copy()
        up[k] += step
        down[k] -= step
        difference = np.stack(with_vector(camera, up).project(v), 1) - np.stack(with_vector(camera, down).project(v), 1)
        np.testing.assert_allclose(difference / (2 * step), by_camera[:, :, k], rtol=1e-4, atol=1e-3)


def test_area_of_a_pixel_falls_as_the_cube_of_the_cosine():
    """Without distortion the solid angle is cos^3 of the axis's, and the whole frame's area is that of its pyramid."""
    camera = Camera.simple(800.0, 1201, 801)
    x, y = np.meshgrid(np.arange(1201.0), np.arange(801.0))
    area = camera.pixel_area(x, y)
    cosine = camera.unproject(0.0, 0.0)[2]
    assert area[0, 0] == pytest.approx(cosine**3 / 800**2)
    a, b = 1201 / 2 / 800, 801 / 2 / 800
    assert area.sum() == pytest.approx(4 * np.arcsin(a * b / np.sqrt((1 + a * a) * (1 + b * b))), rel=1e-6)


def test_refraction_has_the_published_values():
    """104.8 arcsec seen at 30 degrees, 60.8 at 45 (Saemundsson 1986, check-values.md, 2)."""
    for seen, arcsec in ((30.0, 104.8), (45.0, 60.8)):
        assert refraction.bending(refraction.true_altitude(seen)) * 3600 == pytest.approx(arcsec, abs=0.15)
    assert refraction.strength(1010, 10) == pytest.approx(1.0)


def test_refraction_and_its_inverse_agree_down_to_the_horizon():
    """Raised and lowered again, a direction comes back to 0.01 arcsec above 5 degrees and 1 arcsec at the horizon."""
    zenith = np.array([0.0, 0.6, 0.8])
    rng = np.random.default_rng(1)
    v = rng.normal(size=(4000, 3))
    v /= np.linalg.norm(v, axis=1, keepdims=True)
    height = np.degrees(np.arcsin(v @ zenith))
    back = refraction.unrefract(refraction.refract(v, zenith, 1.05), zenith, 1.05)
    off = np.linalg.norm(back - v, axis=1) / ARCSEC
    assert off[height > 5].max() < 0.01
    assert off[height > 0].max() < 1.0
    up = refraction.refract(v, zenith)
    assert (up @ zenith >= v @ zenith).all()
    np.testing.assert_allclose(np.cross(up, v) @ zenith, 0, atol=1e-12)


def test_sidereal_time_zenith_and_pole_are_those_of_astropy():
    """Against astropy: sidereal time to 0.1 arcsec (same UT1), the zenith of a place to 30 arcsec (UT1)."""
    moment = Time("2026-08-14T22:15:03", scale="utc")
    ut1 = Time(moment.jd, format="jd", scale="ut1")
    ours = np.degrees(times.sidereal_angle(moment.jd, -30.0))
    theirs = ut1.sidereal_time("apparent", longitude=-30 * units.deg).deg
    assert abs((ours - theirs + 180) % 360 - 180) * 3600 < 0.1
    place = EarthLocation.from_geodetic(-30 * units.deg, 45 * units.deg)
    zenith = times.zenith(moment.jd, 45.0, -30.0)
    moment.delta_ut1_utc = 0.0
    up = SkyCoord(az=0 * units.deg, alt=90 * units.deg, frame=AltAz(obstime=moment, location=place))
    there = up.transform_to(GCRS(obstime=moment)).cartesian.xyz.value
    assert np.degrees(np.arccos(np.clip(zenith @ there, -1, 1))) * 3600 < 30
    assert pytest.approx(15.0410686, abs=1e-6) == times.SIDEREAL_RATE / ARCSEC  # check-values.md, 2
    assert times.julian_date(times.parse("2000-01-01T12:00:00+00:00")) == 2451545.0
    assert times.parse("not a time") is None
    assert times.parse(None) is None
    assert times.parse("2026-08-15T00:15:03+02:00") == datetime(2026, 8, 14, 22, 15, 3, tzinfo=UTC)


def test_aberration_is_that_of_astropy():
    """Directions moved by the Earth's velocity agree with astropy's GCRS to 0.02 arcsec away from the Sun."""
    moment = Time("2026-08-14T22:15:03", scale="utc")
    ra, dec = np.array([300.0, 20.0, 270.0]), np.array([10.0, 60.0, -40.0])
    stars = SkyCoord(ra * units.deg, dec * units.deg, distance=1e9 * units.pc)
    there = stars.transform_to(GCRS(obstime=moment)).cartesian.xyz.value.T
    there /= np.linalg.norm(there, axis=1, keepdims=True)
    velocity = times.earth_velocity(moment.jd)
    v = stars.cartesian.xyz.value.T / 1e9
    moved = times.aberrated(v, velocity)
    assert np.linalg.norm(moved - there, axis=1).max() / ARCSEC < 0.02
    np.testing.assert_allclose(times.unaberrated(moved, velocity), v, atol=1e-14)


def _geometry(**changes):
    first = Rotation.random(random_state=1)
    second = Rotation.from_rotvec([0.05, 0.02, 0.1]) * first
    zenith = first.inv().apply([0.1, -0.78, 0.62])
    zenith /= np.linalg.norm(zenith)
    frames = {
        "a": Placement(first.as_quat(scalar_first=True), 0.1, 200, 1.0, 0.0, zenith),
        "b": Placement(second.as_quat(scalar_first=True), 0.12, 180, 1.04, 0.002, zenith, scale=1.0008),
    }
    values = {
        "left_out": {"c": "shows no stars, too few to place it", "d": "shows 0 % of the scene's field"},
        "elsewhere": (("d",),),
        "strength": 0.9,
        "velocity": times.earth_velocity(2461000.5),
        "lateral_colour": {"R": (1e-4, 3e-4, 0.0)},
        "learned": {"constellation": "Lyra"},
    }
    return Geometry("a", True, lens(24), frames, **{**values, **changes})


def test_geometry_goes_to_a_file_and_back(tmp_path):
    """What is saved is loaded: the same positions, the same bytes again."""
    geometry = _geometry()
    geometry.save(tmp_path / "g.json")
    again = Geometry.load(tmp_path / "g.json")
    for one, other in zip(geometry.from_reference("b", *GRID), again.from_reference("b", *GRID), strict=True):
        np.testing.assert_array_equal(one, other)
    again.save(tmp_path / "h.json")
    assert (tmp_path / "g.json").read_bytes() == (tmp_path / "h.json").read_bytes()
    assert again.left_out == geometry.left_out
    assert again.elsewhere == (("d",),)
    assert set(json.loads((tmp_path / "g.json").read_text())["frames"]["b"]) == {
        "attitude", "rms_px", "stars", "flux_scale", "flux_scale_error", "flux_scale_flat", "zenith",
        "colour_shift", "scale",
    }  # fmt: skip


@pytest.mark.parametrize("colour", ["G", "R"])
def test_positions_come_back_from_frames_and_from_the_sky(colour):
    """from_reference and to_reference, to_sky and from_sky undo each other to 1e-4 px; the reference is itself."""
    geometry = _geometry()
    x, y = geometry.from_reference("b", *GRID, colour)
    inside = np.isfinite(x)
    for one, other in zip(geometry.to_reference("b", x, y, colour), GRID, strict=True):
        np.testing.assert_allclose(one[inside], other[inside], atol=1e-4)
    for one, other in zip(geometry.from_sky("b", *geometry.to_sky("b", *GRID)), GRID, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-4)
    np.testing.assert_array_equal(geometry.from_reference("a", *GRID)[0], GRID[0])
    if colour == "R":
        green = geometry.from_reference("b", *GRID)
        shift = np.hypot(x - green[0], y - green[1])
        assert 0.5 < np.nanmax(shift) < 3.0


def test_area_of_a_frame_is_the_ratio_of_solid_angles():
    """Without air, a frame's pixels in one of the reference's: solid angle of the one over that of the other."""
    geometry = _geometry(strength=0.0)
    frame = next(name for name in geometry.frames if name != geometry.reference)
    camera, size = geometry.camera, geometry.frames[frame].scale
    shape = camera.height, camera.width
    grid = position_grid(lambda x, y: geometry.from_reference(frame, x, y), shape)
    inner = slice(2, -3)
    x, y = (a[inner, inner] for a in np.meshgrid(*grid_nodes(shape)))
    there = geometry.from_reference(frame, x, y)
    there = (
        camera.centre_x + (there[0] - camera.centre_x) / size,
        camera.centre_y + (there[1] - camera.centre_y) / size,
    )
    ratio = camera.pixel_area(x, y) / camera.pixel_area(*there)
    np.testing.assert_allclose(pixel_area(grid)[inner, inner], ratio * 1.0008**2, rtol=2e-4)
    assert np.ptp(ratio) > 0.01


def test_geometry_says_what_it_cannot_do(tmp_path):
    """No place for a frame left out, no sky without a solution, no geometry from another file."""
    geometry = _geometry()
    with pytest.raises(InputError, match="c: has no place in this scene \\(shows no stars"):
        geometry.from_reference("c", 1.0, 2.0)
    unsolved = _geometry(left_out={})
    object.__setattr__(unsolved, "solved", False)
    with pytest.raises(InputError, match="not found on the sky"):
        unsolved.to_sky("a", 1.0, 2.0)
    (tmp_path / "x.json").write_text('{"reference": "a"}')
    with pytest.raises(InputError, match=r"is not a geometry file .*run register again"):
        Geometry.load(tmp_path / "x.json")
