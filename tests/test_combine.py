"""The step combine on planted mosaics: sky, noise, fluxes, trails, files, and what it says when it cannot."""

from __future__ import annotations

import json
import resource
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from pipeline import combine as step
from pipeline.combine import one_frame_share
from pipeline.errors import SceneError
from pipeline.files import write_json
from pipeline.pixels.noise import block_noise
from pipeline.pixels.positions import grid_nodes
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.sensor.demosaic import colours, demosaic
from pipeline.sensor.mosaic import write_mosaic
from pipeline.sky.camera import Camera as Lens
from pipeline.sky.geometry import Geometry, Placement
from pipeline.stack import figures
from pipeline.stack.circle import lit_blocks
from pipeline.stack.figures import noise_scale
from pipeline.stack.output import CombinedWriter
from pipeline.stack.sizes import ReferenceStars, compare, elongation
from pipeline.stack.sources import Calibration, Frame, Mosaics, allow_open_files, at_places, frame_grids, reflected
from pipeline.stack.windows import cut, tile_side
from pipeline.stars.measure import STAR_DTYPE, measure_picture
from pipeline.tables import table_from_rows, write_table
from tests.planted_scenes import (
    BLACK,
    SATURATION,
    Camera,
    PlantedGeometry,
    Stars,
    drifting,
    expose,
    header,
    random_stars,
    write_scene,
)

SHAPE = (384, 512)


def inputs_of(
    folder: Path, geometry: PlantedGeometry, camera: Camera, calibration: Calibration | None = None
) -> step.Inputs:
    """What the step would read from its files."""
    ids = list(geometry.frames)
    mosaics = Mosaics([folder / f"{name}.fits" for name in ids])
    frames = [
        Frame(
            name,
            mosaics[k].header,
            mosaics[k].shape,
            geometry.frames[name].flux_scale,
            1.0,
            0.0,
            frame_grids(geometry, name, geometry.shape, colours(camera.cfa)),
        )
        for k, name in enumerate(ids)
    ]
    return step.Inputs("scene", frames, mosaics, calibration or Calibration(), ids.index(geometry.reference))


class Made:
    """A combined scene, read back."""

    def __init__(
        self,
        folder: Path,
        geometry: PlantedGeometry,
        camera: Camera,
        calibration: Calibration | None = None,
        **options: Any,
    ) -> None:
        self.path = folder / "combined.fits"
        inputs = inputs_of(folder, geometry, camera, calibration)
        self.figures = step.combine(inputs, self.path, geometry, **options)
        with fits.open(self.path) as hdus:
            self.header = hdus[0].header.copy()
            self.picture = hdus[0].data.astype(float)
            self.noise = hdus["NOISE"].data.astype(float)
            self.coverage = hdus["COVERAGE"].data.copy()
            self.rejected = hdus["REJECTED"].data.copy()


def sky_truth(geometry: PlantedGeometry, camera: Camera) -> NDArray[np.float64]:
    """The mean over frames of the sky that each shows, ADU, (3, height, width)."""
    height, width = geometry.shape
    y, x = np.mgrid[0:height, 0:width]
    total = np.zeros(geometry.shape)
    for name in geometry.frames:
        xs, ys = geometry.from_reference(name, x, y)
        total += 1 + camera.slope * (0.7 * (2 * ys / (height - 1) - 1) + 0.3 * (2 * xs / (width - 1) - 1))
    total *= geometry.frames[geometry.reference].flux_scale / len(geometry.frames)
    return np.stack([total * sky / camera.gain for sky in camera.sky])


def free_of(stars: Stars, shape: tuple[int, int], radius: float = 14) -> NDArray[np.bool_]:
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    free = np.ones(shape, bool)
    for cx, cy in zip(stars.x, stars.y, strict=True):
        free &= (x - cx) ** 2 + (y - cy) ** 2 > radius**2
    return free


def measured_noise(error: NDArray[np.float64], free: NDArray[np.bool_]) -> float:
    """Block noise as the contract defines it, against the truth, over four offsets of the blocks."""
    found = []
    for top in (0, 8):
        for left in (0, 8):
            e, f = error[top:, left:], free[top:, left:]
            rows, columns = e.shape[0] // 16, e.shape[1] // 16
            cells = (rows, 16, columns, 16)
            e, f = e[: rows * 16, : columns * 16].reshape(cells), f[: rows * 16, : columns * 16].reshape(cells)
            found.append(block_noise((e * f).sum(axis=(1, 3)), f.sum(axis=(1, 3))).noise)
    return float(np.mean([v for v in found if v is not None]))


@pytest.fixture(scope="module")
def starry(tmp_path_factory: pytest.TempPathFactory) -> tuple[Made, Stars, PlantedGeometry, Camera]:
    """Twelve frames of a drifting, turning, unevenly clear sky over a gradient that stays with the ground."""
    folder = tmp_path_factory.mktemp("starry")
    rng = np.random.default_rng(1)
    geometry = drifting(12, SHAPE, (2.31, -1.13), 0.003)
    places = {
        name: replace(place, transparency=1.0 if name == geometry.reference else float(1 - 0.3 * rng.random()))
        for name, place in geometry.frames.items()
    }
    geometry = replace(geometry, frames=places)
    camera = Camera(slope=0.4)
    grid = np.array([(x, y) for y in range(40, SHAPE[0] - 40, 38) for x in range(40, SHAPE[1] - 40, 38)], float)
    grid += rng.uniform(-4, 4, grid.shape)
    bright = 10 ** rng.uniform(4.0, 4.7, len(grid))
    colour = np.stack([rng.uniform(0.6, 1.4, len(grid)), np.ones(len(grid)), rng.uniform(0.6, 1.4, len(grid))], axis=1)
    stars = Stars(grid[:, 0], grid[:, 1], bright[:, None] * colour)
    write_scene(folder, rng, camera, geometry, stars)
    return Made(folder, geometry, camera, threads=2), stars, geometry, camera


Starry = tuple[Made, Stars, PlantedGeometry, Camera]


def test_fluxes_and_colours_of_stars_are_kept(starry: Starry) -> None:
    """Stars of 10,000 to 50,000 electrons keep flux and colour: medians within 0.5 %, R:G:B within 1 %."""
    made, stars, _, camera = starry
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    ratios = []
    for k in range(len(stars.x)):
        r2 = (x - stars.x[k]) ** 2 + (y - stars.y[k]) ** 2
        aperture, ring = r2 < 7**2, (r2 > 9**2) & (r2 < 15**2)
        flux = [p[aperture].sum() - aperture.sum() * np.median(p[ring]) for p in made.picture]
        ratios.append(np.array(flux) * camera.gain / stars.electrons[k])
    ratio = np.array(ratios)
    np.testing.assert_allclose(np.median(ratio, axis=0), 1, atol=0.005)
    np.testing.assert_allclose(np.median(ratio[:, [0, 2]] / ratio[:, [1]], axis=0), 1, atol=0.005)
    scatter = 1.4826 * np.median(np.abs(ratio - np.median(ratio, axis=0)), axis=0)
    assert (scatter < 0.02).all()  # photon noise of the faintest is 1 %


def test_star_sizes_are_those_of_the_reference(starry: Starry) -> None:
    """Star by star, the result's stars are as wide as the reference's within 2 %, and near the planted width."""
    made, _, _, camera = starry
    f = made.figures
    assert f["stars_compared"] > 60
    assert f["size_ratio"] == pytest.approx(1, abs=0.02)
    # pixel integration left in: a pixel's own second moment is 1/12
    assert f["fwhm_px_combined"] == pytest.approx(np.hypot(camera.fwhm, 2.3548 / np.sqrt(12)), rel=0.03)


def test_stars_in_the_corners_are_told_from_those_in_the_middle(tmp_path: Path) -> None:
    """Stars planted as Gaussians of 2.4 px, and beyond three quarters of the half diagonal of 3.6 by 2.4 px, come out
    so: FWHM by the root of the mean second moment (contract), and as long as wide, within 2 %."""
    height, width = 700, 1000
    y, x = np.mgrid[: height // 50, : width // 50] * 50 + 25.3
    x, y = x.ravel(), y.ravel()
    away = np.hypot(x - (width - 1) / 2, y - (height - 1) / 2) / (np.hypot(height, width) / 2)
    plane = np.random.default_rng(4).normal(100, 1, (height, width))
    v, u = np.mgrid[-12:13, -12:13]
    for at_x, at_y, corner in zip(x, y, away > 0.75, strict=True):
        row, column = int(at_y), int(at_x)
        wide = (3.6 if corner else 2.4) / 2.3548
        dx, dy = u + column - at_x, v + row - at_y
        star = 4000 * np.exp(-(dx**2) / 2 / wide**2 - dy**2 / 2 / (2.4 / 2.3548) ** 2)
        plane[row - 12 : row + 13, column - 12 : column + 13] += star
    picture = plane.astype(np.float32)
    fits.PrimaryHDU(np.stack([picture] * 3)).writeto(tmp_path / "c.fits")
    found = measure_picture(picture, x, y)
    told = compare(ReferenceStars(found, found, 1e6, 3.0), (height, width), tmp_path / "c.fits")
    assert told["fwhm_px_middle"] == pytest.approx(2.4, rel=0.02)
    assert told["fwhm_px_corners"] == pytest.approx(np.sqrt((3.6**2 + 2.4**2) / 2), rel=0.02)
    assert told["elongation_middle"] == pytest.approx(1, abs=0.02)
    assert told["elongation_corners"] == pytest.approx(1.5, rel=0.02)
    assert told["size_ratio_corners"] == pytest.approx(1)


def test_how_long_stars_are_by_their_moments(starry: Starry) -> None:
    """A star of moments 4 and 1 px^2 along axes turned anyhow is twice as long as wide (elementary); where all are
    planted round, those of the picture are."""
    turn = np.radians([0, 30, 45, 100])
    stars = np.zeros(4, STAR_DTYPE)
    stars["mxx"], stars["myy"] = 4 * np.cos(turn) ** 2 + np.sin(turn) ** 2, 4 * np.sin(turn) ** 2 + np.cos(turn) ** 2
    stars["mxy"] = 3 * np.sin(turn) * np.cos(turn)
    np.testing.assert_allclose(elongation(stars), 2)
    made = starry[0]
    assert made.figures["fwhm_px_middle"] == pytest.approx(made.figures["fwhm_px_combined"], rel=0.03)
    assert made.figures["elongation_middle"] < 1.06


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Starry:
    """Eight frames with few stars, for noise."""
    folder = tmp_path_factory.mktemp("plain")
    rng = np.random.default_rng(2)
    geometry, camera = drifting(8, (640, 768), (1.37, -0.71), 0.001), Camera(slope=0.3)
    stars = random_stars(rng, 40, geometry.shape)
    write_scene(folder, rng, camera, geometry, stars)
    return Made(folder, geometry, camera, threads=2), stars, geometry, camera


def test_sky_and_noise_are_the_planted_ones(plain: Starry) -> None:
    """The sky is the mean of what the frames show; NOISE agrees with the errors' block noise within 4 %."""
    made, stars, geometry, camera = plain
    truth, free = sky_truth(geometry, camera), free_of(stars, geometry.shape)
    for c in range(3):
        error = made.picture[c] - truth[c]
        stated = np.sqrt((made.noise[c][free] ** 2).mean())
        # a fiftieth of the result's pixel noise
        assert abs(error[free].mean()) < 0.02 * stated
        assert measured_noise(error, free) == pytest.approx(stated, rel=0.04)


def test_noise_plane_follows_coverage_to_the_edges(plain: Starry) -> None:
    """Where fewer frames reach, NOISE grows as the measured noise does."""
    made, stars, geometry, camera = plain
    edge = (made.coverage >= 3) & (made.coverage <= 7)
    free = free_of(stars, geometry.shape) & edge
    error = (made.picture[1] - sky_truth(geometry, camera)[1]) / np.where(made.noise[1] > 0, made.noise[1], 1)
    # per pixel green noise is below its block noise by what the interpolation table says: the same ratio inside
    inside = free_of(stars, geometry.shape) & (made.coverage == 8)
    assert free.sum() > 3000
    assert np.std(error[free]) == pytest.approx(np.std(error[inside]), rel=0.07)


@pytest.mark.parametrize(
    ("measured", "model", "blocks", "scale"),
    [(12.9, 27.2, 1400, 12.9 / 27.2), (1.03, 1.0, 5000, 1.0), (1.3, 1.0, 40, 1.0), (None, 1.0, 0, 1.0)],
)
def test_the_noise_plane_follows_what_was_measured(
    tmp_path: Path, measured: float | None, model: float, blocks: int, scale: float
) -> None:
    """Only a model that is plainly off gives way; the plane in the file is scaled whole, the picture left alone."""
    told = noise_scale({"noise_combined": measured, "noise_model": model, "noise_blocks": blocks})
    assert told == pytest.approx(scale)
    values = np.random.default_rng(1).uniform(1, 2, (3, 50, 70)).astype(np.float32)
    zero = np.zeros((50, 70), np.uint16)
    with CombinedWriter(tmp_path / "c.fits", (50, 70), fits.Header(), fits.Header([("EXTNAME", "NOISE")])) as writer:
        writer.write(0, 0, 0, values)
        writer.write(1, 0, 0, values)
        writer.scale_noise(told)
        writer.finish(zero, zero)
    with fits.open(tmp_path / "c.fits") as hdus:
        assert np.array_equal(hdus[0].data, values)
        np.testing.assert_allclose(hdus["NOISE"].data, values * np.float32(scale), rtol=1e-6)


def test_tiles_of_any_cut_make_the_same_file(tmp_path: Path) -> None:
    """Tiles wait for those beside them; cut in four, of other heights, left out or late, each has its place."""
    values = np.random.default_rng(1).uniform(1, 2, (3, 96, 70)).astype(np.float32)
    zero = np.zeros((96, 70), np.uint16)
    quarters = [(0, 0, 16, 20), (0, 20, 16, 20), (16, 0, 16, 20), (16, 20, 16, 20)]
    cuts = {
        "even": [(y, x, 32, 35) for y in (0, 32, 64) for x in (0, 35)],
        "quarters": [*quarters, (0, 40, 32, 30), (32, 0, 32, 70), (64, 0, 32, 30), (64, 30, 32, 40)],
        "late": [(0, 0, 32, 35), (32, 0, 32, 70), (64, 0, 32, 70), (0, 35, 32, 35)],
        "without": [(0, 0, 32, 35), (32, 35, 32, 35), (64, 0, 32, 70)],
    }
    for name, tiles in cuts.items():
        expected = np.zeros_like(values)
        path = tmp_path / f"{name}.fits"
        with CombinedWriter(path, (96, 70), fits.Header(), fits.Header([("EXTNAME", "NOISE")])) as writer:
            for top, left, height, width in tiles:
                part = np.s_[:, top : top + height, left : left + width]
                writer.write(0, top, left, values[part])
                writer.write(1, top, left, values[part][:1])
                expected[part] = values[part]
            assert np.array_equal(writer.read(0, 8, 50), expected[:, 8:50])
            writer.finish(zero, zero)
        with fits.open(path) as hdus:
            assert np.array_equal(hdus[0].data, expected)
            assert np.array_equal(hdus["NOISE"].data, np.repeat(expected[:1], 3, axis=0))


def test_figures_of_noise_agree_with_theory(plain: Starry) -> None:
    """The curve falls as 1/sqrt(n); combined over expected is 1 within 4 %; the gain comes back within 5 %."""
    made, _, _, camera = plain
    f = made.figures
    assert f["noise_ratio"] == pytest.approx(1, abs=0.05)
    for n, noise in f["noise_curve"]:
        assert noise == pytest.approx(f["noise_frame"] / np.sqrt(n), rel=0.06)
    assert [n for n, _ in f["noise_curve"]] == [1, 2, 4, 8]
    assert f["noise_model"] == pytest.approx(f["noise_combined"], rel=0.05)
    assert f["electrons_per_adu"] == pytest.approx(camera.gain, rel=0.05)
    assert f["noise_blocks"] > 1500
    assert f["frames_kept"] == 8
    assert 7.9 < f["frames_effective"] <= 8
    for frame in f["frames"].values():
        assert 0.001 < frame["rejected_share"] < 0.006
        assert frame["noise_correction"] == pytest.approx(1, abs=0.1)


def test_noise_is_told_where_few_frames_reach_much_of_the_picture(tmp_path: Path) -> None:
    """Nine frames drift off the first, of which an eighth of the picture shows that one alone: the model, which is
    right, is not scaled (by 0.84 when it was averaged over what no difference of halves tells)."""
    rng = np.random.default_rng(5)
    geometry, camera = drifting(9, (384, 480), (38.0, -26.0)), Camera(slope=0.0)
    ids = list(geometry.frames)
    first = geometry.frames[ids[0]]
    placed = {name: replace(f, dx=f.dx - first.dx, dy=f.dy - first.dy) for name, f in geometry.frames.items()}
    geometry = replace(geometry, frames=placed, reference=ids[0])
    write_scene(tmp_path, rng, camera, geometry)
    made = Made(tmp_path, geometry, camera, threads=2)
    assert (made.coverage == 1).mean() > 0.12
    assert made.figures["noise_scale"] == 1.0
    # 600 blocks: good to 3 %
    assert made.figures["noise_ratio"] == pytest.approx(1, abs=0.07)
    assert made.figures["noise_model"] == pytest.approx(made.figures["noise_combined"], rel=0.07)


def test_the_header_says_what_it_is(plain: Starry) -> None:
    """Colours, units, black, saturation, exposure and reference stand in the header; every value is a number."""
    made, _, geometry, _ = plain
    h = made.header
    assert (h["BUNIT"], h["BLACK"], h["NFRAMES"], h["EXPTIME"]) == ("adu", 0, 8, 240)
    assert h["SATURATE"] == pytest.approx(SATURATION - BLACK)
    assert (h["WB_R"], h["WB_B"], h["CM11"]) == (2.0, 1.5, 1.0)
    assert h["DATE-OBS"].startswith("2026-08-14")
    assert h["REFFRAME"] == geometry.reference
    assert "BAYERPAT" not in h
    assert "BLACK1" not in h
    assert made.picture.shape == made.noise.shape == (3, *geometry.shape)
    assert made.coverage.shape == made.rejected.shape == geometry.shape
    assert np.isfinite(made.picture).all()
    assert np.isfinite(made.noise).all()
    with fits.open(made.path) as hdus:
        hdus.verify("exception")


def test_threads_and_memory_change_no_byte(tmp_path: Path) -> None:
    """One or two threads, large or small tiles, which hold fewer of the frames where these end within the picture: the
    same file and figures to the last bit."""
    rng = np.random.default_rng(3)
    geometry, camera = drifting(5, (300, 420), (71.3, 22.9), 0.01), Camera()
    y, x = np.mgrid[:300, :420]
    streak = 300 * np.exp(-((y - 0.6 * x - 20) ** 2) / 2 / 1.5**2)
    first, *_, last = geometry.frames
    extras = dict.fromkeys((first, last), streak)
    write_scene(tmp_path, rng, camera, geometry, random_stars(rng, 60, geometry.shape), extras=extras)
    results = []
    for options in ({"threads": 1}, {"threads": 2}, {"threads": 2, "memory_mb": 246}):
        made = Made(tmp_path, geometry, camera, **options)
        results.append((made.path.read_bytes(), json.dumps(made.figures, sort_keys=True)))
    assert results[0] == results[1]
    assert results[0] == results[2]


def test_an_aircraft_leaves_nothing(tmp_path: Path) -> None:
    """A bright streak with strobes in one frame of six is gone from the picture, and counted in that frame."""
    rng = np.random.default_rng(4)
    geometry, camera = drifting(6, SHAPE), Camera(slope=0.0)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    off = (y - 60) * 0.9 - (x - 80) * 0.43
    streak = 400 * np.exp(-(off**2) / 2 / 1.3**2)
    for k in range(8):
        streak += 9000 * np.exp(-((x - 80 - 45 * k) ** 2 + (y - 60 - 21.5 * k) ** 2) / 2 / 1.8**2)
    frame = list(geometry.frames)[1]
    write_scene(tmp_path, rng, camera, geometry, extras={frame: streak})
    made = Made(tmp_path, geometry, camera)
    place = geometry.frames[frame]
    along = np.abs((y + place.dy - 60) * 0.9 - (x + place.dx - 80) * 0.43)
    inside = (x > 100) & (x < 440) & (y > 80) & (y < 220)
    noise = np.median(made.noise[1])
    for low, high in ((0, 1), (1, 3), (3, 6)):
        strip = inside & (along >= low) & (along < high)
        assert abs((made.picture[1][strip] - camera.sky[1] / camera.gain).mean()) < 0.3 * noise
    shares = {name: f["rejected_share"] for name, f in made.figures["frames"].items()}
    assert max(shares, key=lambda name: shares[name]) == frame
    assert made.rejected[inside & (along < 1)].mean() > 0.95


def test_ground_fixed_light_leaves_no_step_where_frames_end(tmp_path: Path) -> None:
    """Steep gradients and vignetting that stay with the camera leave the sky smooth across the ends of coverage."""
    rng = np.random.default_rng(5)
    geometry = drifting(7, SHAPE, (18.0, 9.0))
    camera = Camera(slope=0.5, vignetting=0.35)
    write_scene(tmp_path, rng, camera, geometry)
    made = Made(tmp_path, geometry, camera, threads=2)
    # columns either side of where a frame's left edge lies
    for steps in (1, 2, 3):
        edge = 18 * steps
        rows = slice(60, 320)
        left = made.picture[1][rows, edge - 9 : edge - 1].mean()
        right = made.picture[1][rows, edge + 1 : edge + 9].mean()
        further = made.picture[1][rows, edge + 11 : edge + 19].mean()
        noise = np.median(made.noise[1][rows, edge - 9 : edge + 9]) / np.sqrt(260 * 8)
        assert abs((right - left) - (further - right)) < 6 * noise


def test_lateral_colour_is_taken_out(tmp_path: Path) -> None:
    """With red shifted by 0.8 px in every frame, the result's red stars lie where its green ones do."""
    rng = np.random.default_rng(6)
    geometry = replace(drifting(4, (200, 260)), colour_shift={"R": 0.8, "B": -0.4})
    camera = Camera(slope=0.0)
    stars = Stars(np.array([60.3, 130.6, 200.2]), np.array([100.4, 60.2, 140.7]), np.full((3, 3), 40_000.0))
    write_scene(tmp_path, rng, camera, geometry, stars)
    made = Made(tmp_path, geometry, camera)
    y, x = np.mgrid[0:200, 0:260]
    for cx, cy in zip(stars.x, stars.y, strict=True):
        near = (x - cx) ** 2 + (y - cy) ** 2 < 7**2
        for c in range(3):
            light = np.where(near, made.picture[c] - camera.sky[c] / camera.gain, 0)
            assert (light * x).sum() / light.sum() == pytest.approx(
                cx, abs=0.1
            )  # Malvar's red leans on green: 0.07 of 0.8 px


@pytest.mark.parametrize("cfa", ["BGGR", "GRBG", "GBRG", "MONO"])
def test_every_pattern(cfa: str, tmp_path: Path) -> None:
    """Each CFA phase gives each colour its own sky; a monochrome camera gives three equal planes."""
    rng = np.random.default_rng(7)
    geometry, camera = drifting(3, (160, 224)), Camera(cfa=cfa, slope=0.0)
    write_scene(tmp_path, rng, camera, geometry)
    made = Made(tmp_path, geometry, camera)
    expected = np.array(camera.sky if cfa != "MONO" else (camera.sky[1],) * 3) / camera.gain
    np.testing.assert_allclose(np.median(made.picture, axis=(1, 2)), expected, rtol=0.01)
    if cfa == "MONO":
        assert np.array_equal(made.picture[0], made.picture[2])
        assert made.header["COLORTYP"] == "MONO"


def test_one_frame_is_itself(tmp_path: Path) -> None:
    """A lone frame comes out demosaiced and otherwise untouched; its noise is not measured but modelled."""
    rng = np.random.default_rng(8)
    geometry, camera = drifting(1, (160, 192)), Camera()
    write_scene(tmp_path, rng, camera, geometry)
    made = Made(tmp_path, geometry, camera)
    raw = inputs_of(tmp_path, geometry, camera).mosaics[0].pixels().astype(np.float32) - np.float32(BLACK)
    np.testing.assert_allclose(made.picture, demosaic(raw, "RGGB"), rtol=1e-6, atol=1e-3)
    f = made.figures
    for key in ("noise_frame", "noise_combined", "noise_expected", "noise_ratio", "size_ratio"):
        assert f[key] is None
    assert f["noise_curve"] == []
    assert f["noise_model"] > 0
    assert "nothing to combine" in f["noise_notes"][0]
    assert (made.rejected == 0).all()


def test_two_frames_lose_only_what_is_bright_in_one(tmp_path: Path) -> None:
    """Of two frames a streak's pixels are taken from the other; all else is the mean of both."""
    rng = np.random.default_rng(9)
    geometry, camera = drifting(2, (160, 192)), Camera(slope=0.0)
    streak = np.zeros((160, 192))
    streak[80:83] = 5000
    write_scene(tmp_path, rng, camera, geometry, extras={next(iter(geometry.frames)): streak})
    made = Made(tmp_path, geometry, camera)
    sky = camera.sky[1] / camera.gain
    assert np.abs(np.median(made.picture[1][75:90], axis=1) - sky).max() < 10
    assert (made.rejected[76:86, 10:180] == 1).mean() > 0.3
    assert (made.rejected[100:] > 0).mean() < 0.001


def test_frames_that_miss_a_tile_or_all(tmp_path: Path) -> None:
    """A frame that shows nothing of the picture weighs nothing in it; coverage counts who shows what."""
    rng = np.random.default_rng(10)
    geometry, camera = drifting(3, (192, 256), (150.0, 0.0)), Camera(slope=0.0)
    ids = list(geometry.frames)
    far = {**geometry.frames, ids[0]: replace(geometry.frames[ids[0]], dx=-900.0)}
    geometry = replace(geometry, frames=far)
    write_scene(tmp_path, rng, camera, geometry)
    made = Made(tmp_path, geometry, camera)
    assert made.figures["frames"][ids[0]]["coverage"] == 0
    assert made.figures["frames"][ids[0]]["rejected_share"] is None
    assert set(np.unique(made.coverage)) == {1, 2}
    assert (made.coverage[:, :105] == 2).all()


def test_the_dark_is_taken_off_and_its_noise_carried(tmp_path: Path) -> None:
    """Undithered frames share the master dark's noise: NOISE and the figures count it, and it is really there."""
    rng = np.random.default_rng(11)
    geometry, camera = drifting(8, (512, 640), (0.0, 0.0)), Camera(slope=0.0, sky=(60.0, 60.0, 60.0))
    pattern = rng.gamma(2.0, 30.0, geometry.shape)
    write_scene(tmp_path, rng, camera, geometry, dark=pattern)
    sigma = 4.0
    dark = (pattern + rng.normal(0, sigma, geometry.shape)).astype(np.float32)
    made = Made(tmp_path, geometry, camera, Calibration(dark, sigma**2, None, None), threads=2)
    free = np.ones(geometry.shape, bool)
    measured = measured_noise(made.picture[1] - camera.sky[1] / camera.gain, free)
    assert measured == pytest.approx(np.median(made.noise[1]), rel=0.05)
    assert made.figures["noise_combined"] == pytest.approx(measured, rel=0.05)
    assert made.figures["noise_dark_shared"] == pytest.approx(sigma * np.sqrt(1.9), rel=0.02)
    assert measured > 1.3 * made.figures["noise_frame"] / np.sqrt(8)


def test_noise_follows_sky_and_glow_to_the_edge(tmp_path: Path) -> None:
    """NOISE goes with the root of the planted variance in every block, where vignetting, sky and a glow change it."""
    rng = np.random.default_rng(12)
    geometry, camera = drifting(4, (384, 576), (0.0, 0.0)), Camera(slope=0.3, vignetting=0.5)
    y, x = np.mgrid[0 : geometry.shape[0], 0 : geometry.shape[1]]
    v, u = 2 * y / (geometry.shape[0] - 1) - 1, 2 * x / (geometry.shape[1] - 1) - 1
    lens = 1 - camera.vignetting * (u**2 + v**2) / 2
    glow = 900 * np.exp(-np.hypot(y, x - geometry.shape[1]) / 120)
    write_scene(tmp_path, rng, camera, geometry, extras=dict.fromkeys(geometry.frames, glow / lens))
    dark = (glow / camera.gain).astype(np.float32)
    made = Made(tmp_path, geometry, camera, Calibration(dark, 0.0, None, None))
    # photons of light and glow, read noise and rounding (elementary statistics)
    electrons = camera.sky[1] * (1 + camera.slope * (0.7 * v + 0.3 * u)) * lens + glow + camera.read_noise**2
    ratio = made.noise[1] / np.sqrt(electrons / camera.gain**2 + 1 / 12)
    blocks = ratio.reshape(24, 16, 36, 16).mean(axis=(1, 3))
    assert np.sqrt(electrons).max() > 1.4 * np.median(np.sqrt(electrons))

    assert blocks / np.median(blocks) == pytest.approx(1, abs=0.04)


def test_tiles_fit_their_memory() -> None:
    """Tiles cover the picture once, in multiples of 64 px, smaller where more frames share the memory."""
    sides = [tile_side(n, 3, 400_000_000) for n in (8, 64, 256, 1000)]
    assert sides == sorted(sides, reverse=True)
    assert all(side % 64 == 0 for side in sides)
    covered = np.zeros((300, 500), int)
    for w in cut((300, 500), 128):
        covered[w.top : w.top + w.height, w.left : w.left + w.width] += 1
    assert (covered == 1).all()
    with pytest.raises(SceneError, match=r"need more memory than limits\.memory_mb"):
        tile_side(1000, 3, 20_000_000)


def test_reflection_is_that_of_numpy() -> None:
    """Numbers beyond the frame are reflected as numpy pads."""
    assert np.array_equal(reflected(-5, 13, 8), np.pad(np.arange(8), 5, mode="reflect"))


@pytest.mark.parametrize(
    ("top", "bottom", "left", "right"),
    [
        (-5, 20, 3, 25),
        (4, 17, -6, 12),
        (10, 27, 20, 37),
        (-4, 26, -7, 36),
        (2, 9, -9, -2),
        (5, 8, 32, 38),
        (3, 20, 4, 28),
    ],
)
def test_regions_beyond_a_frame_are_those_of_numpy(top: int, bottom: int, left: int, right: int) -> None:
    """Pixels of a region that reaches beyond the frame, or lies there, are those of the frame padded by numpy."""
    frame = np.random.default_rng(5).normal(size=(22, 30)).astype(np.float32)
    padded = np.pad(frame, 9, mode="reflect")
    rows, columns = reflected(top, bottom, 22), reflected(left, right, 30)
    taken = at_places(frame, rows, columns, max(-left, 0), max(right - 30, 0))
    assert np.array_equal(taken, padded[9 + top : 9 + bottom, 9 + left : 9 + right])
    assert taken.flags.c_contiguous


def test_files_are_opened_in_turns_where_few_may_be_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With few files allowed, mosaics close and open again; the limit is raised as far as it goes."""
    geometry, camera = drifting(12, (64, 64)), Camera()
    write_scene(tmp_path, np.random.default_rng(12), camera, geometry)
    monkeypatch.setattr("pipeline.stack.sources.allow_open_files", lambda wanted: 40)
    mosaics = Mosaics([tmp_path / f"{name}.fits" for name in geometry.frames])
    first = mosaics[0].pixels()
    for k in range(12):
        assert mosaics[k].shape == (64, 64)
    assert len(mosaics._open) == 8
    assert np.array_equal(mosaics[0].pixels(), first)
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        assert allow_open_files(soft + 10) >= min(soft + 10, hard if hard != resource.RLIM_INFINITY else soft + 10)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


# ---- the command ----------------------------------------------------------------------------------------------------


class Project:
    """A scene's files as the earlier steps would leave them."""

    def __init__(self, folder: Path, count: int = 3, shape: tuple[int, int] = (192, 256)) -> None:
        self.folder = folder
        self.planted, self.camera = drifting(count, shape, (0.0, 0.0)), Camera()
        self.ids = list(self.planted.frames)
        write_scene(folder / "mosaics", np.random.default_rng(13), self.camera, self.planted)
        frames = tuple(PlannedFrame(name, f"/raw/{name}", name, "light") for name in self.ids)
        write_json(folder / "scene.json", asdict(ScenePlan("2026-08-14_24mm_a", ("b",), frames)))
        self.verdicts(dict.fromkeys(self.ids, "kept"))
        lens = Lens.simple(3000.0, shape[1], shape[0])
        attitude = np.array([1.0, 0, 0, 0])
        self.geometry = Geometry(
            self.planted.reference,
            False,
            lens,
            {name: Placement(attitude, 0.1, 50, 1.0, 0.01) for name in self.ids},
        )
        self.geometry.save(folder / "geometry.json")
        columns = {"frame": (str, None), "dark_scale": (float, None), "dark_offset": (float, "adu")}
        rows = [{"frame": name, "dark_scale": 1.0, "dark_offset": 0.0} for name in self.ids]
        write_table(table_from_rows(rows, columns), folder / "calibration.ecsv")
        fits.PrimaryHDU(np.zeros(shape, np.uint8)).writeto(folder / "defects.fits")

    def verdicts(self, verdicts: dict[str, str]) -> None:
        rows = [{"frame": name, "verdict": verdict} for name, verdict in verdicts.items()]
        write_table(table_from_rows(rows, {"frame": (str, None), "verdict": (str, None)}), self.folder / "v.ecsv")

    def run(self, *more: str) -> int:
        f = self.folder
        return step.main(
            ["--scene", f"{f}/scene.json", "--verdicts", f"{f}/v.ecsv", "--geometry", f"{f}/geometry.json"]
            + ["--calibration", f"{f}/calibration.ecsv", "--defects", f"{f}/defects.fits", "--mosaics", f"{f}/mosaics"]
            + ["--out", f"{f}/out/combined.fits", "--figures", f"{f}/out/combine.json", *more]
        )


def test_the_command_makes_picture_and_figures(tmp_path: Path) -> None:
    """From files to files: kept frames only, nothing but the two outputs left behind."""
    project = Project(tmp_path, 4)
    project.verdicts({name: "set aside" if k == 0 else "kept" for k, name in enumerate(project.ids)})
    assert project.run("--threads", "2") == 0
    figures = json.loads((tmp_path / "out" / "combine.json").read_text())
    assert sorted(figures["frames"]) == project.ids[1:]
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["combine.json", "combined.fits"]
    with fits.open(tmp_path / "out" / "combined.fits") as hdus:
        assert [hdu.name for hdu in hdus] == ["PRIMARY", "NOISE", "COVERAGE", "REJECTED"]
        assert hdus["COVERAGE"].data.min() == 3


def test_weights_for_stars(tmp_path: Path) -> None:
    """With `weights: stars` weights go with one over the star size too, the median size where it is unknown."""
    project = Project(tmp_path, 4)
    sizes = [2.0, None, 2.5, 4.0]
    columns = {"frame": (str, None), "verdict": (str, None), "fwhm_px": (float, "pix")}
    rows = [{"frame": f, "verdict": "kept", "fwhm_px": s} for f, s in zip(project.ids, sizes, strict=True)]
    write_table(table_from_rows(rows, columns), tmp_path / "v.ecsv")
    weights = []
    for choice in ("sky", "stars"):
        (tmp_path / "trip.yaml").write_text(f"combine: {{weights: {choice}}}\n")
        assert project.run("--project", str(tmp_path)) == 0
        figures = json.loads((tmp_path / "out" / "combine.json").read_text())
        weights.append(np.array([figures["frames"][f]["weight"] for f in project.ids]))
    expected = weights[0] / [2.0, 2.5, 2.5, 4.0]
    np.testing.assert_allclose(weights[1], expected / expected.mean(), rtol=1e-5)


def test_what_cannot_be_combined_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No kept frame, no reference, other sizes, missing or wrong files: one sentence, status 1, no file."""
    project = Project(tmp_path)

    def said(words: str) -> None:
        assert project.run() == 1
        assert words in capsys.readouterr().err
        assert not (tmp_path / "out" / "combined.fits").exists()

    project.verdicts(dict.fromkeys(project.ids, "set aside"))
    said("no frame was kept and placed")
    project.verdicts({name: "kept" for name in project.ids if name != project.planted.reference})
    said("is not among the kept")
    project.verdicts(dict.fromkeys(project.ids, "kept"))
    small = drifting(3, (100, 120))
    pixels = expose(np.random.default_rng(1), project.camera, small, project.ids[0])
    other = tmp_path / "mosaics" / f"{project.ids[0]}.fits"
    kept = other.read_bytes()
    write_mosaic(other, pixels, header(project.camera, project.ids[0]))
    said("give it a scene of its own")
    other.write_bytes(kept)
    (tmp_path / "defects.fits").unlink()
    said("there is no such file; run dark first")
    fits.PrimaryHDU(np.zeros((5, 5), np.uint8)).writeto(tmp_path / "defects.fits")
    said("holds 5 x 5 pixels, the frames 256 x 192")
    (tmp_path / "defects.fits").write_bytes(b"no fits")
    said("not a readable FITS file")


def test_noise_that_differs_from_block_to_block_is_held_against_its_own():
    """A flattened picture whose corners are three times as noisy, most of its blocks so full of stars that they
    count for nothing: of twelve equal frames the noise is as theory has it (0.90 of it where all blocks' pixels made
    the model of one frame), within what 1,600 blocks tell."""
    rng = np.random.default_rng(7)
    rows, columns, frames = 55, 75, 12
    gathered = figures.Gathered((16 * rows, 16 * columns), 2, 1, frames)
    down, across = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    variance = (1 + np.hypot(down, across)) ** 2 * 900.0
    crowded = np.hypot(down, across) < 0.9
    counts = np.where(crowded, rng.integers(20, 120, (rows, columns)), 256).astype(np.int32)
    gathered.counts[:] = counts
    gathered.sums[0] = rng.normal(size=variance.shape) * np.sqrt(variance / frames * counts)
    gathered.sums[1] = rng.normal(size=variance.shape) * np.sqrt(variance * counts)
    gathered.model[0], gathered.model[1] = variance / frames * counts, counts
    gathered.model[2] = variance * counts
    halves, pair = (block_noise(s, c) for s, c in zip(gathered.sums, gathered.counts, strict=True))
    there = figures._model_there(gathered.sums[0], gathered.counts[0], gathered.model[0], gathered.model[1], halves)
    pair_model, noise_frame = figures._frame_noise(gathered, [pair], 0)
    expected = noise_frame * np.sqrt(there[0] / pair_model)
    assert halves.noise / expected == pytest.approx(1.0, abs=0.06)
    assert there[1] == pytest.approx(1.0, abs=0.04)


def test_what_lies_about_a_fisheye_s_circle_is_no_sky() -> None:
    """A circle of 400 px in 1024 x 1024, light of 300 ADU that falls to the half at its edge, 4 ADU outside: blocks
    within it tell of noise and of what one frame alone shows, those outside do not. Before any other lens all do."""
    shape, lens = (1024, 1024), Lens.simple(250.0, 1024, 1024, fisheye=True)
    x, y = np.meshgrid(*grid_nodes(shape))
    radius = np.hypot(x - 511.5, y - 511.5)
    sky = np.where(radius <= 400, 300 * (1 - radius / 800), 4.0)[None].repeat(3, axis=0)
    lit = lit_blocks(sky, shape, lens)
    assert lit is not None
    v, u = (np.mgrid[:64, :64] + 0.5) * 16 - 511.5
    assert lit[np.hypot(u, v) < 330].all()
    assert not lit[np.hypot(u, v) > 470].any()
    for other in (None, lens.changed(fisheye=False), lens.changed(focal_px=500.0)):
        assert lit_blocks(sky, shape, other) is None
    coverage = np.where(np.repeat(np.repeat(lit, 16, axis=0), 16, axis=1), 8, 1).astype(np.uint16)
    assert one_frame_share(coverage, lit) == 0.0
    assert one_frame_share(coverage, None) == round(float((~lit).mean()), 4)
    coverage[:512] = 0
    coverage[512:528] = 1
    expected = lit[32].sum() / lit[32:].sum()
    assert one_frame_share(coverage, lit) == pytest.approx(expected, abs=1e-4)
    assert one_frame_share(np.zeros_like(coverage), lit) is None
