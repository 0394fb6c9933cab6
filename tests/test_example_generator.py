"""The maker of raw frames: what it writes must be what it says it wrote."""

from __future__ import annotations

import io
import json
import warnings
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import exifread
import numpy as np
import pytest
import rawpy
import tifffile
from scipy.optimize import least_squares
from scipy.special import erf

from example_project.maker import (
    Fault,
    FrameMeta,
    Ground,
    Lens,
    Optics,
    SceneTruth,
    Sensor,
    Site,
    expose,
    fixed_maps,
    make_scenario,
    plausible_lens,
    render_scene,
    trip,
    truncate,
    write_dng,
)
from example_project.maker.__main__ import main
from example_project.maker.dng import NEUTRAL
from example_project.maker.events import cloud_transmission
from example_project.maker.sky import Turning, aberrate, catalogue, radec_of, refract, refraction, unrefract, vectors_of
from example_project.maker.stamps import cell_colours, spread, stamp_points, stamp_stars
from example_project.maker.trip import SCENES, make_trip, scenario, shots
from example_project.maker.truth import optics_from_json, optics_json, read_stars, write_stars
from pipeline.config import load_trip

PHASES = ("RGGB", "BGGR", "GRBG", "GBRG")


def random_mosaic(height: int = 40, width: int = 64) -> np.ndarray:
    """Noise with a gradient, ADU."""
    rng = np.random.default_rng(3)
    return (rng.integers(500, 700, (height, width)) + 40 * np.arange(width)).astype(np.uint16)


def fit_star(image: np.ndarray, x: float, y: float, colour: str, cfa: str, half: int = 7) -> np.ndarray:
    """Least-squares fit of one pixel-integrated elliptical-free Gaussian on one colour's pixels: x, y, flux, sigma."""
    top, left = round(y) - half, round(x) - half
    rows, columns = np.mgrid[top : top + 2 * half + 1, left : left + 2 * half + 1]
    chosen = np.array(list(cfa)).reshape(2, 2)[rows % 2, columns % 2] == colour
    data = image[rows, columns][chosen].astype(float)
    i, j = rows[chosen], columns[chosen]

    def model(p: np.ndarray) -> np.ndarray:
        k = np.sqrt(0.5) / p[3]
        gx = erf((j + 0.5 - p[0]) * k) - erf((j - 0.5 - p[0]) * k)
        gy = erf((i + 0.5 - p[1]) * k) - erf((i - 0.5 - p[1]) * k)
        return p[2] * gx * gy / 4 + p[4]

    start = [x, y, data.max() * 8, 1.0, np.median(data)]
    return least_squares(lambda p: model(p) - data, start, x_scale=[0.1, 0.1, data.max(), 0.1, 1]).x


# --- DNG files


@pytest.mark.parametrize("cfa", PHASES)
@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("preview", [False, True])
def test_dng_is_read_back_by_an_independent_raw_decoder(
    tmp_path: Path, cfa: str, compressed: bool, preview: bool
) -> None:
    """LibRaw gives back pixels, phase, black, white, exposure, ISO, aperture, focal length and white balance."""
    mosaic = random_mosaic()
    meta = FrameMeta(13.0, 6400, 2.8, 24.0, cfa=cfa, black=(512, 520, 530, 540), white=15871)
    path = tmp_path / "a.dng"
    write_dng(path, mosaic, meta, compressed=compressed, preview=preview)
    with rawpy.imread(str(path)) as raw:
        assert np.array_equal(raw.raw_image_visible, mosaic)
        assert "".join("RGBG"[n] for n in raw.raw_pattern.ravel()) == cfa
        levels = [raw.black_level_per_channel[n] for n in raw.raw_pattern.ravel()]
        assert levels == [512, 520, 530, 540]
        assert raw.white_level == 15871
        assert raw.other.shutter_speed == pytest.approx(13.0)
        assert raw.other.iso_speed == 6400
        assert raw.other.aperture == pytest.approx(2.8)
        assert raw.other.focal_length == pytest.approx(24.0)
        balance, matrix = np.array(raw.camera_whitebalance[:3]), raw.color_matrix[:, :3].copy()
        assert balance / balance[1] == pytest.approx(1 / np.array(NEUTRAL), rel=1e-4)
    # LibRaw keeps the matrix of a DNG only as camera to sRGB: undo it with sRGB's primaries (IEC 61966-2-1)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    to_camera = np.array(meta.colour_matrix).reshape(3, 3) @ to_xyz
    to_camera /= to_camera.sum(axis=1, keepdims=True)
    assert matrix == pytest.approx(np.linalg.inv(to_camera), abs=2e-3)


def test_dng_tags_are_read_back_by_two_metadata_readers(tmp_path: Path) -> None:
    """Time with hundredths and zone, serial, lens, temperature, pitch and a preview stand where Exif puts them."""
    zone = timezone(timedelta(hours=-2))
    taken = datetime(2026, 8, 14, 23, 1, 2, 370_000, tzinfo=zone)
    meta = FrameMeta(
        13.0, 1600, taken=taken, temperature_c=-3.4, pitch_um=4.39, serial="A77", lens="24 mm f/2.8", orientation=8
    )
    path = tmp_path / "a.dng"
    write_dng(path, random_mosaic(), meta)
    with open(path, "rb") as handle:
        tags = exifread.process_file(handle, details=False)
    assert str(tags["EXIF DateTimeOriginal"]) == "2026:08:14 23:01:02"
    assert str(tags["EXIF SubSecTimeOriginal"]) == "37"
    assert str(tags["EXIF OffsetTimeOriginal"]) == "-02:00"
    assert str(tags["EXIF BodySerialNumber"]) == "A77"
    assert str(tags["EXIF LensModel"]) == "24 mm f/2.8"
    assert float(tags["EXIF Tag 0x9400"].values[0]) == pytest.approx(-3.4)
    assert float(tags["EXIF FocalPlaneXResolution"].values[0]) == pytest.approx(1e4 / 4.39, rel=1e-5)
    with tifffile.TiffFile(path) as tiff:
        first, raw = tiff.pages[0], tiff.pages[0].pages[0]
        assert first.tags[274].value == 8
        assert first.tags[50706].value == b"\x01\x07\x00\x00"
        assert first.tags[254].value == 1  # a preview
        assert raw.tags[254].value == 0
        assert raw.tags[262].value == 32803
        assert raw.tags[50717].value == 15871
        assert first.tags[34665].value["ISOSpeedRatings"] == 1600
        assert np.array_equal(raw.asarray(), random_mosaic())
    with rawpy.imread(str(path)) as decoded:
        assert decoded.extract_thumb().format == rawpy.ThumbFormat.JPEG


def test_dng_refuses_what_is_no_mosaic(tmp_path: Path) -> None:
    """Wrong type, odd sides and unknown filters are named in the error."""
    meta = FrameMeta(1.0, 100)
    with pytest.raises(ValueError, match="2-D uint16 array of even sides"):
        write_dng(tmp_path / "a.dng", np.zeros((4, 4), np.float32), meta)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="even sides"):
        write_dng(tmp_path / "a.dng", np.zeros((5, 4), np.uint16), meta)
    with pytest.raises(ValueError, match="RGGB, BGGR, GRBG, GBRG"):
        write_dng(tmp_path / "a.dng", np.zeros((4, 4), np.uint16), replace(meta, cfa="RGBG"))
    assert not list(tmp_path.iterdir())


def test_truncated_file_keeps_its_share(tmp_path: Path) -> None:
    """`truncate` cuts a file at a share of its bytes."""
    path = tmp_path / "a"
    path.write_bytes(bytes(range(100)))
    truncate(path, 0.37)
    assert path.read_bytes() == bytes(range(37))


# --- light on pixels


@pytest.mark.parametrize("cfa", PHASES)
def test_points_equal_the_slow_sum(cfa: str) -> None:
    """The compiled stamp is the product of two error-function differences on the pixels of each colour."""
    rng = np.random.default_rng(5)
    x = 20 + rng.uniform(-8, 8, (6, 1)) + rng.uniform(-1, 1, (6, 3))
    y = 15 + rng.uniform(-8, 8, (6, 1)) + rng.uniform(-1, 1, (6, 3))
    light = rng.uniform(5e4, 2e5, (6, 3))
    sigma, width = rng.uniform(0.8, 2.0, 6), np.array([1.05, 1.0, 1.1])
    image = np.zeros((30, 42), np.float32)
    stamp_points(image, cell_colours(cfa), x, y, light, sigma, width)
    i, j = np.mgrid[:30, :42]
    colours = cell_colours(cfa)[i % 2, j % 2]
    slow = np.zeros((30, 42))
    for n in range(6):
        for c in range(3):
            k = np.sqrt(0.5) / (sigma[n] * width[c])
            gx = erf((j + 0.5 - x[n, c]) * k) - erf((j - 0.5 - x[n, c]) * k)
            gy = erf((i + 0.5 - y[n, c]) * k) - erf((i - 0.5 - y[n, c]) * k)
            slow += np.where(colours == c, light[n, c] * gx * gy / 4, 0)
    assert np.abs(image - slow).max() < 1e-6 * light.max()


def test_stars_equal_points_along_their_path() -> None:
    """A moving star of several parts is the sum of its points, red and blue displaced by lateral colour."""
    colours, axis = cell_colours("GRBG"), np.array([20.0, 14.0, 25.0])
    nodes_x, nodes_y = np.array([[24.0, 25.0, 26.2]]), np.array([[9.0, 9.3, 9.9]])
    share, light = np.array([0.2, 0.5, 0.3]), np.array([[4e5, 6e5, 5e5]])
    parts = np.array([[[0.3, -0.2, 0.7, 0.9], [-0.7, 0.4666, 0.3, 1.4]]])
    lateral = np.array([[0.01, 0.02], [0.0, 0.0], [-0.015, 0.01]])
    image = np.zeros((30, 40), np.float32)
    stamp_stars(image, colours, nodes_x, nodes_y, share, light, parts, np.ones(3), lateral, axis)
    slow = np.zeros_like(image)
    for k in range(3):
        for part in parts[0]:
            d = np.array([nodes_x[0, k] - 20, nodes_y[0, k] - 14])
            scale = 1 + lateral[:, 0] + lateral[:, 1] * (d @ d) / 25**2
            x, y = 20 + d[0] * scale + part[0], 14 + d[1] * scale + part[1]
            stamp_points(slow, colours, x[None], y[None], light * share[k] * part[2], part[3:4], np.ones(3))
    assert np.abs(image - slow).max() < 2e-5 * slow.max()


def test_spread_is_bilinear() -> None:
    """A plane on the coarse grid is that plane on the pixels of each colour."""
    a, b = np.mgrid[:4, :5] * 8.0
    coarse = np.stack([1 + 0.1 * a - 0.2 * b, 50 + 0.3 * b, 7 + a * 0], -1)
    image = np.zeros((20, 30), np.float32)
    spread(image, cell_colours("RGGB"), coarse, 8)
    i, j = np.mgrid[:20, :30]
    planes = np.stack([1 + 0.1 * i - 0.2 * j, 50 + 0.3 * j, 7 + 0 * i], -1)
    expected = np.take_along_axis(planes, cell_colours("RGGB")[i % 2, j % 2][..., None], -1)[..., 0]
    assert image == pytest.approx(expected, abs=1e-4)


# --- the sensor


def test_photon_transfer_gives_gain_and_read_noise() -> None:
    """From pairs of even exposures: variance against mean has the slope 1/gain (2 %), and the planted read noise."""
    sensor = Sensor(600, 400, gain=1.7, read_noise=4.2, dark_current=0, hot_share=0, telegraph_share=0)
    rng = np.random.default_rng(11)
    means, variances = [], []
    for electrons in (0, 60, 250, 1000, 4000, 9000):
        light = np.full((400, 600), electrons, np.float32)
        one, two = (expose(light, sensor, 1.0, 20.0, rng).astype(float) - 512 for _ in range(2))
        means.append((one.mean() + two.mean()) / 2)
        variances.append((one - two).var() / 2 - 1 / 12)  # rounding
    slope, at_zero = np.polyfit(means, variances, 1, w=1 / np.array(variances))
    assert 1 / slope == pytest.approx(1.7, rel=0.02)
    assert np.sqrt(at_zero) * 1.7 == pytest.approx(4.2, rel=0.02)
    assert np.array(means) * 1.7 == pytest.approx([0, 60, 250, 1000, 4000, 9000], rel=0.002, abs=0.1)


def test_pixel_sensitivity_and_offsets_stay_with_the_sensor() -> None:
    """The mean of many frames shows the planted fixed patterns, and frames of another gain show the same hot pixels."""
    sensor = Sensor(120, 80, gain=1.0, gain_pattern=0.01, telegraph_share=0, hot_share=5e-3)
    rng = np.random.default_rng(2)
    light = np.full((80, 120), 3000, np.float32)
    mean = np.mean([expose(light, sensor, 0.0, 20.0, rng) for _ in range(200)], axis=0) - 512
    maps = fixed_maps(sensor)
    expected = 3000 * maps.sensitivity + maps.offset
    assert np.std(mean - expected) == pytest.approx(np.sqrt(3009 / 200), rel=0.05)
    assert np.array_equal(maps.hot, fixed_maps(replace(sensor, gain=0.5)).hot)
    assert len(maps.hot) == round(120 * 80 * 5e-3)


def test_dark_current_doubles_in_six_degrees() -> None:
    """Dark electrons grow with time and double every 6 C (0.85 eV, check-values.md, 5)."""
    sensor = Sensor(300, 200, gain=1.0, read_noise=1.0, dark_current=2.0, hot_share=0, telegraph_share=0)
    rng = np.random.default_rng(4)
    cold, warm = (expose(None, sensor, 60.0, t, rng).mean() - 512 for t in (14.0, 20.0))
    assert warm == pytest.approx(120, rel=0.01)
    assert cold == pytest.approx(60, rel=0.01)


def test_levels_are_cut_at_saturation_and_black_follows_the_cell() -> None:
    """Too much light reads the saturation level; black levels lie at their places in the cell."""
    sensor = Sensor(60, 40, black=(500, 510, 520, 530), hot_share=0, offset_pattern=0, column_pattern=0, read_noise=0.1)
    sensor = replace(sensor, telegraph_share=0.0, dark_current=0.0)
    rng = np.random.default_rng(1)
    assert np.all(expose(np.full((40, 60), 1e6, np.float32), sensor, 1, 20, rng) == sensor.saturation)
    dark = expose(None, sensor, 1, 20, rng)
    assert [np.median(dark[i::2, j::2]) for i in (0, 1) for j in (0, 1)] == [500, 510, 520, 530]


def test_telegraph_pixels_show_two_levels() -> None:
    """A flickering pixel is high in about 40 % of the frames, by its planted step."""
    sensor = Sensor(100, 80, gain=1.0, hot_share=0, telegraph_share=2e-3, dark_current=0, telegraph_e=500.0)
    maps = fixed_maps(sensor)
    rng = np.random.default_rng(8)
    values = np.array([expose(None, sensor, 1, 20, rng).ravel()[maps.telegraph] for _ in range(300)]) - 512.0
    high = values > maps.telegraph_e / 2
    assert high.mean() == pytest.approx(0.4, abs=0.05)
    assert values[high].mean() - values[~high].mean() == pytest.approx(maps.telegraph_e.mean(), rel=0.05)


# --- sky


def test_sidereal_trail_is_that_of_the_table() -> None:
    """Near the axis, aimed at declination 0, a 24 mm lens at 4.39 um trails 0.3987 px/s (check-values.md, 2)."""
    for focal, rate in ((14, 0.2326), (24, 0.3987), (50, 0.8305), (85, 1.4119)):
        scene = make_scenario(focal, 4.39, 6000, 4000, n=1, exposure_s=20.0, altitude_deg=45.0, ideal_lens=True,
                              extinction=False, sensor=Sensor(6000, 4000), stars_max=None)  # fmt: skip
        axis = scene.geometry(0).to_vectors(np.array([2999.5]), np.array([1999.5]))
        ends = [scene.geometry(0, t).from_vectors(axis) for t in (0.0, 20.0)]
        length = np.hypot(ends[1][0] - ends[0][0], ends[1][1] - ends[0][1])[0]
        assert length / 20 == pytest.approx(rate, abs=6e-5)  # the table has four digits


def test_trail_grows_towards_the_edge_as_the_square_of_the_secant() -> None:
    """14 mm, 5.94 um, 20 s, declination 0: centre 3.44 px, edge of a 36 mm frame 9.02 (check-values.md, 2)."""
    scene = make_scenario(14, 5.94, 6000, 4000, n=1, exposure_s=20.0, altitude_deg=45.0, ideal_lens=True,
                          extinction=False, sensor=Sensor(6000, 4000))  # fmt: skip
    x, y = np.array([2999.5, 5999.5]), np.array([1999.5, 1999.5])
    vectors = scene.geometry(0).to_vectors(x, y)
    (x0, y0), (x1, y1) = (scene.geometry(0, t).from_vectors(vectors) for t in (0.0, 20.0))
    assert np.hypot(x1 - x0, y1 - y0) == pytest.approx([3.44, 9.02], abs=0.03)


def test_refraction_is_saemundssons() -> None:
    """104.8 arcsec at 30 degrees, 60.8 at 45 (check-values.md, 2), and its inverse inverts it."""
    seconds = np.degrees(refraction(np.radians([30.0, 45.0]))) * 3600
    assert seconds == pytest.approx([104.8, 60.8], abs=0.05)
    up = vectors_of(np.array(40.0), np.array(33.0))
    rng = np.random.default_rng(1)
    vectors = rng.normal(size=(500, 3))
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    vectors = vectors[vectors @ up > 0.01]
    lifted = refract(vectors, up)
    assert unrefract(lifted, up) == pytest.approx(vectors, abs=1e-10)
    assert np.all(lifted @ up > vectors @ up)


def test_horizontal_positions_agree_with_astropy() -> None:
    """Altitude and azimuth of catalogue stars, an hour into a scene, are astropy's AltAz to 1.5 arcsec."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord
    from astropy.time import Time
    from astropy.utils import iers

    start = datetime(2026, 8, 14, 23, 40, 12, 370_000, tzinfo=UTC)
    turning = Turning(Site(45.0, -30.0), start)
    stars = catalogue()
    chosen = np.arange(0, len(stars), 4001)
    ra, dec = radec_of(stars.vectors[chosen])
    mine = aberrate(stars.vectors[chosen], turning.velocity) @ turning.horizon(3600.0).T
    with iers.conf.set_temp("auto_download", False), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # old Earth-orientation tables do for a comparison at an arc second
        when = Time(start + timedelta(hours=1))
        when.delta_ut1_utc = 0.0
        place = EarthLocation.from_geodetic(-30 * u.deg, 45 * u.deg, 0 * u.m)
        theirs = SkyCoord(ra * u.deg, dec * u.deg).transform_to(AltAz(obstime=when, location=place, pressure=0 * u.hPa))
    az, alt = theirs.az.rad, theirs.alt.rad
    expected = np.stack([np.sin(az) * np.cos(alt), np.cos(az) * np.cos(alt), np.sin(alt)], -1)
    away = np.degrees(np.linalg.norm(mine - expected, axis=1)) * 3600
    assert away.max() < 1.5


def test_catalogue_is_complete_and_fixed() -> None:
    """All 482,176 stars are read; brightest Vega-like G near 0 lie where they should; temperatures do not change."""
    stars = catalogue()
    assert len(stars) == 482_176
    assert np.linalg.norm(stars.vectors, axis=1) == pytest.approx(1)
    assert 3300 <= stars.temperature.min() < stars.temperature.max() <= 22000
    # Sirius (ICRS J2000, from memory): the brightest star of the night sky
    brightest = stars.vectors[np.argmin(stars.magnitude)]
    assert np.degrees(np.arccos(brightest @ vectors_of(np.array(101.2872), np.array(-16.7161)))) < 0.02


# --- lens and geometry


def test_projection_is_undone() -> None:
    """`unproject` undoes `project` to 1e-6 px in every colour, out to the corners of a strong 14 mm lens."""
    lens = plausible_lens(14.0, 1.55, 1000.0)
    optics = Optics(lens, 21.6, 1664, 1110)
    x, y = np.meshgrid(np.linspace(0, 1663, 15), np.linspace(0, 1109, 11))
    for colour in "RGB":
        back = optics.project(optics.unproject(x, y, colour), colour)
        assert back[0] == pytest.approx(x, abs=1e-6)
        assert back[1] == pytest.approx(y, abs=1e-6)
    assert np.isnan(optics.project(np.array([0.1, 0.0, -1.0]))[0])


def test_projection_is_brown_conradys() -> None:
    """Radial and tangential terms act as their formula says (opencv's model, worked by hand)."""
    optics = Optics(Lens(20.0, radial=(-0.1, 0.02, 0.003), tangential=(1e-3, -2e-3)), 10.0, 2000, 1000)
    u, v = 0.3, -0.2
    s = u * u + v * v
    f = 1 - 0.1 * s + 0.02 * s**2 + 0.003 * s**3
    x = 999.5 + 2000 * (u * f + 2e-3 * u * v - 2e-3 * (s + 2 * u * u))
    y = 499.5 + 2000 * (v * f + 1e-3 * (s + 2 * v * v) - 4e-3 * u * v)
    px, py = optics.project(np.array([u, v, 1.0]) * 7)
    assert (px, py) == (pytest.approx(x, abs=1e-9), pytest.approx(y, abs=1e-9))


def test_pixel_solid_angle_falls_as_cos_cubed() -> None:
    """Without distortion a pixel covers cos^3 of the centre's solid angle (check-values.md, 4)."""
    optics = Optics(Lens(24.0), 20.0, 1800, 1200)
    x = np.array([899.5, 1799.0])
    angle = np.arctan((x - 899.5) / 1200)
    area = optics.solid_angle(x, np.array([599.5, 599.5]))
    assert area[0] == pytest.approx((206264.806 * 20 / 24000) ** 2, rel=1e-5)
    assert area[1] / area[0] == pytest.approx(np.cos(angle[1]) ** 3, rel=1e-4)


@pytest.mark.parametrize("mount", ["tripod", "tracked"])
def test_geometry_carries_stars_from_frame_to_frame_and_to_the_sky(mount: str) -> None:
    """A star's place in one frame, carried by the geometry, is its place in the other, and its sky place is true."""
    scene = make_scenario(24, n=20, interval_s=110, mount=mount, altitude_deg=32, azimuth_deg=150, seed=4)
    one, two = scene.light(2), scene.light(17)
    a, b = scene.geometry(2), scene.geometry(17)
    _, first, second = np.intersect1d(one[1].source, two[1].source, return_indices=True)
    assert len(first) > 3000
    for n, colour in enumerate("RGB"):
        x, y = a.to_frame(b, one[1].x[first, 1], one[1].y[first, 1], colour)
        assert x == pytest.approx(two[1].x[second, n], abs=1e-5)
        assert y == pytest.approx(two[1].y[second, n], abs=1e-5)
    ra, dec = a.to_sky(one[1].x[:, 0], one[1].y[:, 0], "R")
    stars = catalogue()
    order = np.argsort(stars.source)
    at = order[np.searchsorted(stars.source, one[1].source, sorter=order)]
    assert vectors_of(ra, dec) == pytest.approx(stars.vectors[at], abs=1e-9)


def test_attitude_is_the_quaternion_of_the_conventions() -> None:
    """`[w, x, y, z]` turns an ICRS vector into the camera, +Z out of the lens, as DEVELOPERS.md says."""
    from scipy.spatial.transform import Rotation

    geometry = make_scenario(50, n=2, ideal_lens=True, refraction=False).geometry(1)
    turn = Rotation.from_quat(geometry.quaternion, scalar_first=True)
    vector = geometry.to_vectors(np.array(1000.0), np.array(300.0))
    camera = turn.apply(aberrate(vector, geometry.velocity))
    f = geometry.optics.focal_px
    assert camera[0] / camera[2] * f + 809.5 == pytest.approx(1000.0, abs=1e-6)
    assert camera[1] / camera[2] * f + 539.5 == pytest.approx(300.0, abs=1e-6)


def test_truth_survives_its_files(tmp_path: Path) -> None:
    """Optics, geometry and stars read back as they were written."""
    scene = make_scenario(14, 20.0, 400, 300, n=2, stars_max=500)
    optics = optics_from_json(json.loads(json.dumps(optics_json(scene.optics))))
    assert optics == scene.optics
    geometry = scene.geometry(1)
    again = type(geometry).from_json(optics, json.loads(json.dumps(geometry.as_json())))
    x, y = np.array([10.0, 390.0]), np.array([5.0, 290.0])
    assert again.to_vectors(x, y) == pytest.approx(geometry.to_vectors(x, y), abs=1e-14)
    stars = scene.light(1)[1]
    for name in ("a.npz", "b.npz"):
        write_stars(tmp_path / name, stars)
    assert np.array_equal(read_stars(tmp_path / "a.npz").x, stars.x)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "b.npz").read_bytes()


# --- frames


def isolated(stars: object, size: tuple[int, int], count: int, margin: float = 14.0) -> list[int]:
    """Bright stars without neighbours of a thousandth of their light within 14 px, away from the edges."""
    x, y, light = stars.x[:, 1], stars.y[:, 1], stars.electrons[:, 1]  # type: ignore[attr-defined]
    found = []
    for n in range(len(x)):
        near = np.hypot(x - x[n], y - y[n]) < margin
        near[n] = False
        inside = margin < x[n] < size[0] - margin and margin < y[n] < size[1] - margin
        if inside and not np.any(near & (light > 1e-3 * light[n])):
            found.append(n)
        if len(found) == count:
            break
    return found


@pytest.mark.parametrize("cfa", PHASES)
def test_stars_lie_at_their_true_places_in_every_colour(cfa: str) -> None:
    """A fit to each colour's pixels of a noisy frame finds bright stars and their light within 0.02 px."""
    scene = make_scenario(50, 20.0, 1200, 900, n=3, mount="tracked", exposure_s=12.0, cfa=cfa,
                          ideal_lens=True, seed=9, stars_max=1500)  # fmt: skip
    lens = replace(scene.optics.lens, lateral=((0.0, 0.004), (0.001, -0.003)))
    roomy = replace(scene.sensor, saturation=60000, hot_share=0.0, telegraph_share=0.0, gain_pattern=0.0)
    scene = replace(scene, optics=replace(scene.optics, lens=lens), sensor=roomy)
    frame = scene.render(1)
    stars = frame.truth.stars
    assert stars is not None
    image = (frame.mosaic - 512.0) * scene.sensor.gain
    checked = 0
    for n in isolated(stars, (1200, 900), 60):
        for c, colour in enumerate("RGB"):
            electrons = stars.electrons[n, c]
            if electrons < (100_000 if colour == "G" else 180_000) or electrons > 400_000:
                continue  # 0.42 FWHM / SNR is to be well below the tolerance; below saturation
            x, y, flux, sigma = fit_star(image, stars.x[n, c], stars.y[n, c], colour, cfa)[:4]
            assert (x, y) == (pytest.approx(stars.x[n, c], abs=0.02), pytest.approx(stars.y[n, c], abs=0.02))
            assert flux == pytest.approx(electrons, rel=0.04)
            assert abs(sigma) * 2.3548 == pytest.approx(np.sqrt(2.3**2 - 2.3548**2 / 12), rel=0.04)
            checked += 1
    assert checked >= 8


def test_aberrated_stars_keep_their_centroid() -> None:
    """Coma and astigmatism change a star's shape and not the centre of its light, nor does a smeared motion."""
    scene = make_scenario(24, 22.0, 1200, 800, n=1, exposure_s=30.0, altitude_deg=60, stars_max=800, seed=2)
    scene = replace(scene, optics=replace(scene.optics, lens=replace(scene.optics.lens, coma_px=2.0)))
    scene = replace(scene, glow=replace(scene.glow, zenith_mag=40.0))
    image, stars, _ = scene.light(0)
    rows, columns = np.mgrid[:800, :1200]
    green = cell_colours("RGGB")[rows % 2, columns % 2] == 1
    checked = 0
    for n in isolated(stars, (1200, 800), 30, margin=26.0):
        if stars.electrons[n, 1] < 20_000:
            continue
        x, y = stars.x[n, 1], stars.y[n, 1]
        window = (slice(round(y) - 15, round(y) + 16), slice(round(x) - 15, round(x) + 16))
        value = np.where(green[window], image[window], 0).astype(float)
        centre = [np.sum(value * at[window]) / value.sum() for at in (columns, rows)]
        # neighbours of up to a thousandth and the checkerboard's own sampling leave 0.02 px
        assert centre == [pytest.approx(x, abs=0.03), pytest.approx(y, abs=0.03)]
        assert 2 * value.sum() == pytest.approx(stars.electrons[n, 1], rel=0.01)
        checked += 1
    assert checked >= 8


def test_same_arguments_give_the_same_bytes(tmp_path: Path) -> None:
    """Two renderings of a frame, one by itself and one in its row, make equal files; another seed does not."""
    settings = {"lens_mm": 24, "width": 400, "height": 300, "n": 3, "faults": {1: Fault("cloud", 0.7)}}
    row = list(render_scene(**settings))
    alone = make_scenario(**settings).render(1)  # type: ignore[arg-type]
    other = make_scenario(**settings, seed=2).render(1)  # type: ignore[arg-type]
    files = []
    for n, frame in enumerate((row[1], alone, other)):
        write_dng(tmp_path / f"{n}.dng", frame.mosaic, frame.meta)
        files.append((tmp_path / f"{n}.dng").read_bytes())
    assert files[0] == files[1]
    assert files[0] != files[2]


def test_sky_noise_is_that_of_its_photons() -> None:
    """The difference of two tracked frames, stars apart, varies as photons and read noise say, within 2 %."""
    scene = make_scenario(50, 20.0, 600, 400, n=2, mount="tracked", stars_max=1, seed=3)
    scene = replace(scene, mount=replace(scene.mount, dither_px=0.0), drift_adu=0.0)
    first, second = scene.light(0)[0], scene.light(1)[0]
    one, two = (scene.render(n).mosaic.astype(float) for n in (0, 1))
    expected = first + second + 2 * scene.sensor.read_noise**2 + 2 * scene.sensor.gain**2 / 12
    z = ((one - two) * scene.sensor.gain - (first - second)) / np.sqrt(expected)
    good = np.abs(z) < 6  # hot pixels
    assert good.mean() > 0.99
    assert z[good].std() == pytest.approx(1, abs=0.02)


def moments(image: np.ndarray, x: float, y: float, half: int = 20) -> tuple[float, float, float, float, float]:
    """Light, centre and second moments of a lone star on a white mosaic."""
    rows, columns = np.mgrid[round(y) - half : round(y) + half + 1, round(x) - half : round(x) + half + 1]
    value = image[rows, columns].astype(float)
    cx, cy = np.sum(value * columns) / value.sum(), np.sum(value * rows) / value.sum()
    sxx = np.sum(value * (columns - cx) ** 2) / value.sum()
    syy = np.sum(value * (rows - cy) ** 2) / value.sum()
    return float(value.sum()), float(cx), float(cy), float(sxx), float(syy)


def lone_star(**settings: object) -> tuple[np.ndarray, object]:
    """A frame of few stars, no sky, as if all pixels were green; and the truth of its brightest star that is alone."""
    images = []
    for cfa in PHASES:
        scene = make_scenario(50, 20.0, 1000, 700, n=1, cfa=cfa, ideal_lens=True, stars_max=150, **settings)  # type: ignore[arg-type]
        scene = replace(scene, glow=replace(scene.glow, zenith_mag=60.0))
        light, stars, _ = scene.light(0)
        rows, columns = np.mgrid[:700, :1000]
        images.append(np.where(cell_colours(cfa)[rows % 2, columns % 2] == 1, light, 0))
    lone = isolated(stars, (1000, 700), 1, margin=45.0)[0]
    chosen = type(stars)(*(getattr(stars, name)[lone : lone + 1] for name in stars.__dataclass_fields__))
    return sum(images) / 2, chosen  # every pixel is green in two of the four phases


BRIGHT = {"exposure_s": 1.0, "altitude_deg": 60.0, "azimuth_deg": 140.0}


def test_defocus_widens_by_its_severity() -> None:
    """A star out of focus by 1.6 has 1.6 times the root mean square width of a sharp one."""
    sharp, stars = lone_star(**BRIGHT)
    assert len(stars) == 1
    x, y = stars.x[0, 1], stars.y[0, 1]
    for severity in (1.2, 1.6, 2.5):
        soft, _ = lone_star(**BRIGHT, faults={0: Fault("defocus", severity)})
        a, b = moments(sharp, x, y), moments(soft, x, y)
        assert (b[3] + b[4]) / (a[3] + a[4]) == pytest.approx(severity**2, rel=0.01)
        assert b[0] == pytest.approx(a[0], rel=1e-3)
        assert b[1:3] == pytest.approx(a[1:3], abs=1e-3)


def test_slip_adds_its_length_to_the_second_moment() -> None:
    """An even motion of length L adds L^2/12 to the second moment along it (check-values.md, 3)."""
    still, stars = lone_star(**BRIGHT)
    x, y = stars.x[0, 1], stars.y[0, 1]
    slipped, _ = lone_star(**BRIGHT, faults={0: Fault("slip", 8.0, angle_deg=0.0)})
    a, b = moments(still, x, y), moments(slipped, x, y)
    drift = stars.motion[0]
    # the sky's own motion d adds to the slip: ((L + d)^2 - d^2) / 12
    assert b[3] - a[3] == pytest.approx(((8 + drift[0]) ** 2 - drift[0] ** 2) / 12, rel=0.02)
    assert b[4] == pytest.approx(a[4], rel=0.01)
    assert a[3] == pytest.approx((2.3 / 2.3548) ** 2 + drift[0] ** 2 / 12, rel=0.002)


def test_kick_ends_where_it_says_and_the_camera_may_rest_there() -> None:
    """With `rest`, the frames after a kick of 6 px to the right are 6 px to the right."""
    faults = {1: Fault("kick", 6.0, angle_deg=0.0)}
    settings = {"lens_mm": 50, "n": 3, "ideal_lens": True, "faults": faults, "extinction": False}
    moved, still = make_scenario(**settings, rest=True), make_scenario(**settings)  # type: ignore[arg-type]
    axis = still.geometry(2).to_vectors(np.array(809.5), np.array(539.5))
    x, y = moved.geometry(2).from_vectors(axis)
    assert (x - 809.5, y - 539.5) == (pytest.approx(6, abs=1e-3), pytest.approx(0, abs=1e-3))
    assert moved.geometry(1).attitude == pytest.approx(still.geometry(1).attitude, abs=1e-15)


@pytest.mark.parametrize("kind", ["kick", "wind"])
def test_shaken_stars_keep_their_light(kind: str) -> None:
    """A kick or wind spreads a star over its path and loses nothing of it."""
    still, stars = lone_star(**BRIGHT)
    shaken, _ = lone_star(**BRIGHT, faults={0: Fault(kind, 5.0, angle_deg=90.0)})
    a, b = moments(still, stars.x[0, 1], stars.y[0, 1]), moments(shaken, stars.x[0, 1], stars.y[0, 1])
    assert b[0] == pytest.approx(a[0], rel=1e-3)
    assert b[4] - a[4] > 1.5
    assert abs(b[3] - a[3]) < 0.05


def test_cloud_takes_its_share_and_is_in_the_fluxes() -> None:
    """Deep inside a bank a planted share is lost (its depth varies by a fifth), beyond its front nothing."""
    fault = Fault("cloud", 0.6, share=0.5, angle_deg=0.0)
    x, y = np.meshgrid(np.arange(0, 1000, 10.0), np.arange(0, 700, 10.0))
    passed = cloud_transmission(fault, x, y, (1000, 700), 0.0, [1, 2])
    assert passed[:, -10:].min() > 0.99
    assert passed[:, :10].mean() == pytest.approx(0.4, abs=0.06)
    assert np.mean(passed < 0.7) == pytest.approx(0.5, abs=0.12)
    clear = make_scenario(24, width=600, height=400, n=1)
    hazy = replace(clear, faults={0: Fault("haze", 0.3)})
    assert hazy.light(0)[1].electrons == pytest.approx(0.7 * clear.light(0)[1].electrons)


def test_tracker_holds_the_stars_and_a_stopped_one_does_not() -> None:
    """Tracked, stars move by the polar error alone; stopped, by the sidereal trail."""
    scene = make_scenario(50, 20.0, 900, 600, n=2, mount="tracked", exposure_s=60.0, faults={1: Fault("stopped")})
    held, stopped = (np.hypot(*scene.light(n)[1].motion.T) for n in (0, 1))
    assert held.max() < 0.1
    assert np.median(stopped) > 3


def test_tracker_without_error_points_at_one_place() -> None:
    """A perfect tracker without air keeps every star at its pixel for an hour."""
    scene = make_scenario(50, n=30, interval_s=120, mount="tracked", extinction=False)
    scene = replace(scene, mount=replace(scene.mount, polar_error_deg=0.0, periodic_arcsec=0.0, dither_px=0.0))
    vectors = scene.geometry(0).to_vectors(np.array([5.0, 1600.0]), np.array([9.0, 1000.0]))
    x, y = scene.geometry(29).from_vectors(vectors)
    assert x == pytest.approx([5.0, 1600.0], abs=1e-4)
    assert y == pytest.approx([9.0, 1000.0], abs=1e-4)


def test_ground_hides_the_share_that_was_asked_for() -> None:
    """A third of the frame is ground, dark and without stars, and the truth says which stars it hides."""
    scene = make_scenario(24, width=900, height=600, n=1, ground=0.33)
    image, stars, figures = scene.light(0)
    assert figures["ground_share"] == pytest.approx(0.33, abs=0.03)
    assert 0.1 < np.mean(stars.hidden > 0.5) < 0.5
    assert image[-20:].mean() < 0.2 * image[:20].mean()
    assert make_scenario(24, width=900, height=600, n=1).light(0)[1].hidden.max() == 0


@pytest.mark.parametrize("kind", ["aircraft", "satellite", "meteor", "headlights", "bright"])
def test_lights_add_light(kind: str) -> None:
    """Crossing lights and beams brighten the frame where the truth says, and nothing else changes."""
    clear = make_scenario(24, width=600, height=400, n=1)
    image, _, figures = replace(clear, faults={0: Fault(kind, 2.0)}).light(0)
    extra = image - clear.light(0)[0]
    assert extra.min() > -1e-2
    if kind in ("headlights", "bright"):
        assert extra.mean() > 0.3 * clear.light(0)[0].mean()
        return
    x0, y0, x1, y1 = figures["streak"]
    rows, columns = np.nonzero(extra > 1)
    away = np.abs((columns - x0) * (y1 - y0) - (rows - y0) * (x1 - x0)) / np.hypot(x1 - x0, y1 - y0)
    assert len(rows) > 50
    assert away.max() < 12


def test_faults_and_scenes_are_checked() -> None:
    """Unknown faults, mounts, scenes and frames are refused with what is allowed."""
    with pytest.raises(ValueError, match="kind must be one of kick, slip"):
        Fault("earthquake")
    with pytest.raises(ValueError, match="kind must be tripod or tracked"):
        make_scenario(mount="balloon")
    with pytest.raises(ValueError, match="scene must be one of tripod, tracker"):
        scenario("moon")
    with pytest.raises(ValueError, match="scene must be one of tripod, tracker"):
        make_trip("/nowhere", only="moon")
    with pytest.raises(ValueError, match="index must be from 0 to 2"):
        make_scenario(n=3, width=100, height=100).render(3)


# --- the trip


def test_names_on_the_card_give_nothing_away() -> None:
    """Numbers run on through lights and darks; no path tells a scene or a kind."""
    rows = shots()
    numbers = [int(Path(row.path).stem.removeprefix("VRN_")) for row in rows]
    assert numbers == list(range(numbers[0], numbers[0] + len(rows)))
    assert not any(word in row.path.lower() for row in rows for word in (*SCENES, "dark", "light"))
    assert {row.kind for row in rows} == {"light", "dark"}


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A part of the example's card, with its strays, made by the command."""
    out = tmp_path_factory.mktemp("trip")
    rows = shots()
    lights = [row for row in rows if row.kind == "light"]
    chosen = [row for row in lights if row.index < 7 or (row.scene, row.index) in (("tracker", 7), ("tracker", 10))]
    chosen += [row for row in rows if row.kind == "dark" and row.index == 3]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(trip, "shots", lambda seed: [row for row in rows if row in chosen])
        assert main(["--out", str(out), "--jobs", "1"]) == 0
    return out


def test_command_writes_frames_and_truth(card: Path) -> None:
    """Every file on the card stands in the truth, and raw files show what the truth says."""
    content = json.loads((card / "truth/trip.json").read_text())
    found = sorted(str(p.relative_to(card)) for p in (card / "raw").rglob("*") if p.is_file())
    assert [row["file"] for row in content["files"]] == found
    kinds = [row["what"] for row in content["files"]]
    assert {k: kinds.count(k) for k in kinds} == {
        "light": 16, "dark": 2, "daylight": 1, "companion": 1, "note": 1, "copy": 1,
    }  # fmt: skip
    for row in content["files"]:
        path = card / row["file"]
        if row["what"] in ("companion", "note"):
            assert path.with_suffix(".DNG") == card / row["of"]
            continue
        if row["what"] == "copy":
            assert path.read_bytes() == (card / row["of"]).read_bytes()
            continue
        assert (path.stat().st_size < 3e6) == (row["fault"] == "truncated")
        if row["fault"] == "truncated":
            continue
        with rawpy.imread(str(path)) as raw:
            assert raw.raw_image_visible.shape == (1080, 1620)
            level = np.median(raw.raw_image_visible)
            exposure = raw.other.shutter_speed
        assert {"dark": level < 600, "light": 800 < level < 2500, "daylight": level > 3000}[row["what"]]
        assert exposure == pytest.approx({"tripod": 13, "tracker": 45, None: 1 / 400}[row["scene"]])
    spoiled = {row["fault"]: row["reasons"] for row in content["files"] if row["verdict"] == "set aside"}
    assert spoiled == {"kick": ["trailed"], "truncated": ["damaged", "unreadable"]}


def test_truth_of_a_scene_is_read_back(card: Path) -> None:
    """`SceneTruth` gives the lens, the geometry and the stars of each frame, and they agree."""
    truth = SceneTruth(card / "truth/tripod")
    assert truth.optics == scenario("tripod").optics
    assert truth.content["sensor"]["gain"] == scenario("tripod").sensor.gain
    assert len(truth.frames) == 7
    for name in truth.frames:
        stars, geometry = truth.stars(name), truth.geometry(name)
        sky = geometry.to_sky(stars.x[:, 1], stars.y[:, 1])
        assert geometry.from_sky(*sky, "B")[0] == pytest.approx(stars.x[:, 2], abs=1e-6)


def test_processes_do_not_change_the_bytes(card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same frames made by two other processes, one scene alone, are the same files, the truth too."""
    chosen = [row for row in shots() if row.scene == "tracker" and (row.index, row.kind) in ((5, "light"), (3, "dark"))]
    monkeypatch.setattr(trip, "shots", lambda seed: chosen)
    assert main(["--out", str(tmp_path), "--only", "tracker", "--jobs", "2"]) == 0
    assert len(list((tmp_path / "raw").rglob("*.DNG"))) == 2
    for shot in chosen:
        assert (tmp_path / "raw" / shot.path).read_bytes() == (card / "raw" / shot.path).read_bytes()
    stars = f"truth/tracker/{Path(chosen[0].path).stem}.npz"
    assert (tmp_path / stars).read_bytes() == (card / stars).read_bytes()


def test_camera_clock_is_ahead_by_what_the_truth_says(card: Path) -> None:
    """DateTimeOriginal is the start of the exposure on a clock that runs 41 s fast, two hours west of UTC."""
    truth = SceneTruth(card / "truth/tracker")
    for name, row in list(truth.frames.items())[:3]:
        with open(card / row["file"], "rb") as handle:
            tags = exifread.process_file(io.BytesIO(handle.read(4096)), details=False)
        shown = datetime.strptime(str(tags["EXIF DateTimeOriginal"]) + "-0200", "%Y:%m:%d %H:%M:%S%z")
        start = datetime.fromisoformat(truth.content["start"]) + timedelta(seconds=row["middle_s"] - 22.5)
        assert 40 < (shown - start).total_seconds() <= 41, name


def test_trip_file_of_the_example_is_valid() -> None:
    """The settings of the example pass the pipeline's own check."""
    settings = load_trip(Path(__file__).parents[1] / "example_project")
    assert settings.site.latitude == scenario("tripod").site.latitude
    assert settings.site.longitude == scenario("tripod").site.longitude
    assert settings.site.utc_offset_hours == scenario("tripod").utc_offset_h


def test_command_refuses_bad_numbers(capsys: pytest.CaptureFixture[str]) -> None:
    """A negative seed and no processes are refused before anything is written."""
    for arguments in (["--seed", "-1"], ["--jobs", "0"], ["--only", "moon"]):
        with pytest.raises(SystemExit) as stop:
            main(arguments)
        assert stop.value.code == 2
    assert "--seed must be 0 or more (got -1)" in capsys.readouterr().err


def test_ground_sways_only_where_asked() -> None:
    """Trees stand still unless the wind is asked for; then the skyline changes from frame to frame."""
    still = make_scenario(24, width=300, height=200, n=2, ground=0.3, stars_max=1)
    swaying = replace(still, ground=Ground(share=0.3, sway_deg=0.3))
    same = still.light(0)[0] - still.light(1)[0]
    moved = swaying.light(0)[0] - swaying.light(1)[0]
    assert np.abs(moved).max() > 5 * np.abs(same).max()
