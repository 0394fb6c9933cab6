"""Sharp sky over sharp ground: land hidden from the stars' picture, the ground's own picture, and their joint."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from pipeline import combine, ground, join
from pipeline.config import Trip, load_trip
from pipeline.console import Progress
from pipeline.errors import InputError
from pipeline.pixels.hidden import LAND, NOTHING, SOME, WHOLE, clearest, clearest_slow, hide_plane
from pipeline.pixels.orientation import ORIENTATIONS, as_taken, upright
from pipeline.pixels.positions import LAGRANGE, position_grid
from pipeline.pixels.resample import NOT_COVERED
from pipeline.scene import groundpicture
from pipeline.scene.handmask import check_mask, check_masks, mask_of, read_mask
from pipeline.sensor.demosaic import demosaic
from pipeline.sensor.mosaic import write_mosaic
from pipeline.sky.camera import Camera as Lens
from pipeline.sky.geometry import Geometry, Placement
from pipeline.skyline.hold import Hold
from pipeline.stack import seam
from pipeline.stack.groundfile import read_ground, write_no_ground
from pipeline.stack.land import SHARE_LEAST, area_of, land_in
from pipeline.stack.sources import Calibration
from pipeline.stack.tiles import Tile
from pipeline.stack.windows import Window
from tests.planted_scenes import Camera, PlantedGeometry, Stars, add_star, drifting, header, read_out
from tests.test_combine import inputs_of, measured_noise

SHAPE = (256, 352)
FRAMES = 12
SKY, GAIN, READ = np.array([300.0, 500.0, 350.0]), 1.5, 4.0


@dataclass(frozen=True)
class Stand:
    """A tripod that creeps: the ground moves by (dx, dy) px a frame, counted from the reference."""

    geometry: PlantedGeometry
    creep: tuple[float, float] = (0.11, -0.07)
    kind: str = "tripod"

    def beyond(self, _px: float) -> Stand:
        return self

    def _moved(self, frame: str) -> tuple[float, float]:
        ids = list(self.geometry.frames)
        steps = ids.index(frame) - ids.index(self.geometry.reference)
        return steps * self.creep[0], steps * self.creep[1]

    def from_reference(self, frame: str, x: Any, y: Any) -> tuple[Any, Any]:
        dx, dy = self._moved(frame)
        return np.asarray(x, float) + dx, np.asarray(y, float) + dy

    def from_green(self, _frame: str, x: Any, y: Any, _colour: str) -> tuple[Any, Any]:
        return x, y

    def to_reference(self, frame: str, x: Any, y: Any) -> tuple[Any, Any]:
        dx, dy = self._moved(frame)
        return np.asarray(x, float) - dx, np.asarray(y, float) - dy


@dataclass(frozen=True)
class Nightscape:
    """What was planted: share of land, its light and the sky's (electrons, three colours), stars, and the frames."""

    folder: Path
    geometry: PlantedGeometry
    stand: Stand
    share: NDArray[np.float64]
    land: NDArray[np.float64]
    sky: NDArray[np.float64]
    stars: Stars
    camera: Camera


def torch_distance(margin: int = 0) -> NDArray[np.float64]:
    """Distance from the middle of the torch's light, px, over the frame and a margin about it."""
    y, x = np.mgrid[-margin : SHAPE[0] + margin, -margin : SHAPE[1] + margin].astype(float)
    return np.hypot(x - 250, y - 215)


def plant(folder: Path, seed: int = 5) -> Nightscape:
    """Twelve frames of a sky that drifts behind a wavy ridge with a mast; in one a torch shines on the ground."""
    rng = np.random.default_rng(seed)
    geometry = drifting(FRAMES, SHAPE, (2.3, 1.9), 0.001)
    stand = Stand(geometry)
    height, width = SHAPE
    margin = 8
    y, x = np.mgrid[-margin : height + margin, -margin : width + margin].astype(float)
    edge = 0.62 * height + 9 * np.sin(x / 27) + 5 * np.sin(x / 9 + 1)
    share = np.clip(y - edge + 0.5, 0, 1)
    share = np.maximum(share, (np.abs(x - 0.3 * width) < 1.2) & (y > 0.4 * height))
    share = ndimage.gaussian_filter(share.astype(float), 0.7)
    texture = ndimage.gaussian_filter(rng.normal(size=y.shape), 1.0)
    texture /= texture.std()
    shade = np.clip(90 * (1 + 0.3 * texture) * (1.2 - 0.3 * y / height), 10, None)
    land = np.stack([0.8 * shade, shade, 0.6 * shade])
    sky = SKY[:, None, None] * (1 + 0.25 * y / height + 0.1 * x / width)
    count = 90
    stars = Stars(
        rng.uniform(5, width - 6, count),
        rng.uniform(-20, 0.7 * height, count),
        10 ** rng.uniform(3.3, 4.6, (count, 1)) * np.ones((1, 3)),
    )
    camera = Camera(gain=GAIN, read_noise=READ)
    window = (slice(margin, -margin), slice(margin, -margin))
    torch = torch_distance(margin)
    for number, frame in enumerate(geometry.frames):
        dx, dy = stand._moved(frame)
        hidden = np.clip(ndimage.shift(share, (dy, dx), order=3, mode="nearest"), 0, 1)[window]
        xs, ys = geometry.from_reference(frame, stars.x, stars.y)
        light = np.zeros(SHAPE)
        for place, colour in enumerate((0, 1, 1, 2)):  # RGGB
            i, j = place // 2, place % 2
            plane = sky[colour][window].copy()
            for sx, sy, total in zip(xs, ys, stars.electrons[:, colour], strict=True):
                add_star(plane, sx, sy, total, 2.6)
            own = ndimage.shift(land[colour], (dy, dx), order=3, mode="nearest")[window]
            whole = plane * (1 - hidden) + own * hidden
            if number == 4:  # the torch
                whole = whole + 400 * np.exp(-(torch[window] ** 2) / 300) * hidden
            light[i::2, j::2] = whole[i::2, j::2]
        pixels = read_out(rng, camera, light)
        write_mosaic(folder / f"{frame}.fits", pixels, header(camera, frame))
    cut = (slice(None), *window)
    return Nightscape(folder, geometry, stand, share[window], land[cut], sky[cut], stars, camera)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Nightscape:
    """The planted frames."""
    return plant(tmp_path_factory.mktemp("nightscape"))


@pytest.fixture(scope="module")
def made(night: Nightscape, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Ground, combined picture and composite of the planted frames, with the true mask, by file."""
    out = tmp_path_factory.mktemp("made")
    inputs = inputs_of(night.folder, night.geometry, night.camera)
    mask = night.share.astype(np.float32)
    told = groundpicture.make_ground(
        inputs, night.geometry, night.stand, mask, out / "ground.fits", Trip(), 2, Progress(None, "ground", "s")
    )  # type: ignore[arg-type]
    land = land_in(mask, night.geometry, night.stand, inputs.frames)
    figures = combine.combine(inputs, out / "combined.fits", night.geometry, threads=2, land=land)
    opened = read_ground(out / "ground.fits")
    assert opened is not None
    joined = join.compose(join.read_sky(out / "combined.fits", opened.mask.shape), opened, out / "composite.fits")
    result: dict[str, Any] = {"told": told, "figures": figures, "joined": joined, "ground": opened}
    result["path"] = out / "ground.fits"
    for name in ("combined", "composite"):
        with fits.open(out / f"{name}.fits") as hdus:
            result[name] = hdus[0].data.astype(float)
            result[f"{name}_noise"] = hdus["NOISE"].data.astype(float)
            result[f"{name}_coverage"] = hdus["COVERAGE"].data.copy()
    return result


def away(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance from the skyline, px; positive over land."""
    land = share > 0.5
    return np.asarray(np.where(land, ndimage.distance_transform_edt(land), -ndimage.distance_transform_edt(~land)))


def starless(night: Nightscape, radius: float = 9) -> NDArray[np.bool_]:
    """Pixels free of stars in the reference."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    free = np.ones(SHAPE, bool)
    for sx, sy in zip(night.stars.x, night.stars.y, strict=True):
        free &= (x - sx) ** 2 + (y - sy) ** 2 > radius**2
    return free


def test_the_ground_is_as_deep_as_its_frames(night: Nightscape, made: dict[str, Any]) -> None:
    """Noise in the composite's ground, against the planted light, is 1/sqrt(N) of one frame's to 5 % (elementary)."""
    inside = (away(night.share) > 8) & (torch_distance() > 40)
    error = made["composite"][1] - night.land[1] / GAIN
    error -= ndimage.gaussian_filter(np.where(inside, error, 0), 40) / np.maximum(
        ndimage.gaussian_filter(inside.astype(float), 40), 1e-6
    )
    # block means of a linear demosaic: green has two of four mosaic pixels
    variance = (night.land[1].mean(where=inside) + READ**2) / GAIN**2 + 1 / 12
    theory = np.sqrt(2 * variance / FRAMES)
    assert measured_noise(error, inside) == pytest.approx(theory, rel=0.12)  # 120 blocks: 6 %
    assert made["composite_noise"][1][inside].mean() == pytest.approx(theory, rel=0.1)
    assert made["told"]["noise_ratio"] == pytest.approx(1, abs=0.12)


def test_ground_detail_is_as_sharp_as_in_one_frame(night: Nightscape, made: dict[str, Any]) -> None:
    """The planted texture comes back with the contrast that one demosaiced frame gives it, to 3 %."""
    inside = away(night.share) > 12
    texture = night.land[1] / GAIN
    texture = texture - ndimage.gaussian_filter(texture, 4)

    def contrast(picture: NDArray[np.floating]) -> float:
        detail = picture - ndimage.gaussian_filter(picture, 4)
        return float((detail * texture)[inside].sum() / (texture**2)[inside].sum())

    mosaic = np.zeros(SHAPE, np.float32)
    for place, colour in enumerate((0, 1, 1, 2)):
        mosaic[place // 2 :: 2, place % 2 :: 2] = night.land[colour][place // 2 :: 2, place % 2 :: 2] / GAIN
    assert contrast(made["composite"][1]) == pytest.approx(contrast(demosaic(mosaic, "RGGB")[1]), rel=0.03)


def test_no_seam_beside_the_skyline(night: Nightscape, made: dict[str, Any]) -> None:
    """Ring by ring from 6 px off the skyline, levels differ from the planted ones by less than 2 sigma of a pixel."""
    distance, free = away(night.share), starless(night)
    sigma = float(np.median(made["composite_noise"][1]))
    for near, far in ((6, 8), (8, 12), (12, 20)):
        sky = free & (distance < -near) & (distance >= -far)
        land = (distance > near) & (distance <= far)
        for c in range(3):
            error = made["composite"][c] - night.sky[c] / GAIN
            # the sky's level is the mean of what the frames show; its own drift against the ground is smooth
            assert abs(np.median(error[sky]) - np.median(error[free & (distance < -25) & (distance > -45)])) < 2 * sigma
            assert abs(np.median((made["composite"][c] - night.land[c] / GAIN)[land])) < 2 * sigma


def test_branches_keep_their_place_and_the_sky_its_stars(night: Nightscape, made: dict[str, Any]) -> None:
    """Pixels that are part land are the planted mixture; stars next to the skyline keep their light."""
    mixed = (night.share > 0.1) & (night.share < 0.9) & starless(night, 7)
    expected = (night.share * night.land[1] + (1 - night.share) * night.sky[1]) / GAIN
    error = (made["composite"][1] - expected)[mixed]
    assert abs(np.median(error)) < 2 * np.median(made["composite_noise"][1])
    assert np.std(error) < 0.05 * night.sky[1].mean() / GAIN
    combined, composite = made["combined"][1], made["composite"][1]
    clear = night.share == 0
    assert (
        composite[clear & (made["combined_coverage"] > 0)] == combined[clear & (made["combined_coverage"] > 0)]
    ).all()


def test_only_frames_that_show_sky_count_as_covering(night: Nightscape, made: dict[str, Any]) -> None:
    """Coverage is full in the open, less beside the skyline, none deep in the land; the picture has no hole there. What
    the reference shows of the sky from 3 px off the mask on is covered, though it be no further from land in any."""
    coverage, distance = made["combined_coverage"], away(night.share)
    inner = np.zeros(SHAPE, bool)
    inner[30:-30, 30:-30] = True
    assert (coverage[inner & (distance < -60)] == FRAMES).all()
    beside = coverage[inner & (distance < -2) & (distance > -8)]
    assert 0 < np.median(beside) < FRAMES
    off = ndimage.distance_transform_cdt(night.share <= SHARE_LEAST, "chessboard")
    assert (coverage[inner & (off >= 3)] > 0).all()
    deep = inner & (distance > 30)
    assert (coverage[deep] == 0).all()
    assert (made["combined"][1][deep] > 0).all()
    assert (made["combined_noise"][1][deep] > 0).all()
    # where the sky shows, its noise is told right although fewer frames do
    assert made["figures"]["noise_ratio"] == pytest.approx(1, abs=0.12)


def test_a_torch_in_one_frame_is_gone(night: Nightscape, made: dict[str, Any]) -> None:
    """Where a torch lit the ground in one of twelve frames, 270 ADU above it, less than 2 sigma are left; of its
    faint edge, which no limit on single pixels sees, at most 0.3 sigma (0.19 measured)."""
    spot = (slice(209, 222), slice(244, 257))
    left = np.median((made["composite"][1] - night.land[1] / GAIN)[spot])
    assert abs(left) < 2 * np.median(made["composite_noise"][1][spot])
    edge = (torch_distance() > 20) & (torch_distance() < 34) & (away(night.share) > 8)
    left = (made["composite"][1] - night.land[1] / GAIN).mean(where=edge)
    assert abs(left) < 0.3 * made["composite_noise"][1].mean(where=edge)


@pytest.mark.parametrize("side", [64, 128])
def test_threads_and_tiles_change_nothing(
    night: Nightscape, made: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, side: int
) -> None:
    """One thread and small tiles make the same bytes of the ground as two threads, and the same figures."""
    inputs = inputs_of(night.folder, night.geometry, night.camera)
    mask = night.share.astype(np.float32)
    monkeypatch.setattr(groundpicture, "side_of_tiles", lambda *_: side)
    told = groundpicture.make_ground(
        inputs, night.geometry, night.stand, mask, tmp_path / "g.fits", Trip(), 1, Progress(None, "ground", "s")
    )  # type: ignore[arg-type]
    assert told == made["told"]
    assert (tmp_path / "g.fits").read_bytes() == made["path"].read_bytes()


def test_a_scene_without_ground_is_as_before(night: Nightscape, tmp_path: Path) -> None:
    """A file that says there is no ground gives no land, no composite, and takes an old one away."""
    write_no_ground(tmp_path / "ground.fits", "stars all over the picture")
    assert read_ground(tmp_path / "ground.fits") is None
    assert (tmp_path / "ground.fits").stat().st_size < 10_000
    (tmp_path / "composite.fits").write_bytes(b"old")
    arguments = ["--combined", "none.fits", "--ground", str(tmp_path / "ground.fits")]
    assert (
        join.main([*arguments, "--composite", str(tmp_path / "composite.fits"), "--figures", str(tmp_path / "j.json")])
        == 0
    )
    assert not (tmp_path / "composite.fits").exists()


def test_cells_hide_what_each_of_their_pixels_does() -> None:
    """Where cells are told to show land alone, or none, the pixels are hidden as one by one: over a bent map, parts of
    it unknown, land that goes on beyond its map, tiles that begin within a cell."""
    rng = np.random.default_rng(5)
    shape, side = (150, 230), 2
    area = area_of(ndimage.gaussian_filter(rng.normal(size=(70, 120)), 6) > 0.01, None, side)  # type: ignore[arg-type]
    grid = position_grid(lambda x, y: (1.02 * x - 4 + 2e-4 * (y - 70) ** 2, y + 3 + 2e-4 * (x - 90) ** 2), shape)
    grid.shift[-1, :2] = np.nan
    (cells,) = area.in_cells([grid], shape)
    assert set(np.unique(cells)) == {NOTHING, SOME, WHOLE}
    for origin, size in (((0, 0), shape), ((37, 51), (64, 150))):
        codes = rng.integers(0, 196, size).astype(np.uint8)
        codes[rng.random(size) < 0.1] = NOT_COVERED
        results = []
        for shown in (cells, np.full_like(cells, SOME)):
            hidden = np.zeros(size, np.uint8)
            assert hide_plane(area.near, side, grid.shift, LAGRANGE, origin, shown, codes, hidden)
            results.append(hidden)
        np.testing.assert_array_equal(results[0], results[1])
        assert set(np.unique(results[0])) == {0, 1, LAND}
        assert (results[0][codes == NOT_COVERED] == 0).all()


def test_hiding_equals_its_slow_sentence() -> None:
    """Of a pixel's values those count that are least near to land; all where all are land's (against plain NumPy)."""
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 196, (5, 40, 50)).astype(np.uint8)
    codes[rng.random(codes.shape) < 0.2] = NOT_COVERED
    nearness = rng.choice(np.arange(LAND + 1), codes.shape, p=(0.2, 0.2, 0.6)).astype(np.uint8)
    hidden = np.where(codes != NOT_COVERED, nearness, 0).astype(np.uint8)
    expected, never_slow = clearest_slow(codes, hidden)
    here, never = codes.copy(), np.empty(codes.shape[1:], bool)
    clearest(here, hidden, never)
    assert (never == never_slow).all()
    assert never.any()
    assert (here == expected).all()
    assert (hidden == 0).all()
    # two frames far from land, one beside it, one that does not reach there
    codes = np.array([7, 9, 11, NOT_COVERED], np.uint8)[:, None, None]
    for near, left in (((0, 0, 1), (7, 9, 255)), ((2, 2, 1), (255, 255, 11)), ((2, 2, 2), (7, 9, 11))):
        here = codes.copy()
        clearest(here, np.array([*near, 0], np.uint8)[:, None, None], never[:1, :1])
        assert tuple(here[:3, 0, 0]) == left
        assert never[0, 0] == (near == (2, 2, 2))


def test_a_lens_that_breathes_moves_the_ground_too() -> None:
    """A frame whose picture is larger by 0.1 % has its ground further out by as much; the way back is the inverse."""
    camera = Lens.simple(1500.0, 800, 600)
    level = np.array([1.0, 0, 0, 0])
    frames = {"a": Placement(level), "b": Placement(level, scale=1.001)}
    hold = Hold(Geometry("a", False, camera, frames), "tripod", {"a": np.eye(3), "b": np.eye(3)})
    x, y = np.array([10.0, 400.0, 700.0]), np.array([20.0, 300.0, 590.0])
    xs, ys = hold.from_reference("b", x, y)
    np.testing.assert_allclose(xs - camera.centre_x, 1.001 * (x - camera.centre_x), atol=1e-9)
    np.testing.assert_allclose(hold.to_reference("b", xs, ys), (x, y), atol=1e-9)


def test_a_mixed_pixel_is_joined_exactly() -> None:
    """Share of land times land and the rest starry sky, whatever the level of either picture's sky."""
    rng = np.random.default_rng(4)
    share = rng.uniform(seam.FADE, 1, (1, 20, 30))
    land, stars = rng.uniform(10, 50, share.shape), rng.uniform(0, 400, share.shape)
    picture = share * land + (1 - share) * 100.0
    one = np.ones_like(share)
    joined, noise = seam.join(
        (107.0 + stars).astype(np.float32), 3 * one, np.ones((20, 30), bool), picture.astype(np.float32), 4 * one,
        share[0].astype(np.float32), 107 * one, 100 * one,
    )  # fmt: skip
    np.testing.assert_allclose(joined, share * land + (1 - share) * (107 + stars), rtol=1e-5)
    np.testing.assert_allclose(noise, np.hypot(3 * (1 - share), 4), rtol=1e-5)


def test_land_told_for_sky_does_not_turn_black() -> None:
    """Where moonlit frames were brought to one light the ground's sky is twice the stars': a pixel of lit land that the
    mask takes for sky keeps the light that it has, in the stars' proportion (elementary)."""
    one = np.ones((3, 4, 5), np.float32)
    lit, none = 300 * one, np.zeros((4, 5), bool)
    for share in (0.0, 0.3):
        joined, _ = seam.join(
            0 * one, one, none, lit, 2 * one, np.full((4, 5), share, np.float32), 600 * one, 1300 * one
        )
        assert joined.min() > 300 * 600 / 1300 - 4
        assert joined.max() < 300


def test_the_sky_level_goes_on_behind_the_ground() -> None:
    """A sloping sky is followed to the skyline and two cells beyond it, stars and noise notwithstanding, also a bright
    star that fills what land leaves open of a cell."""
    rng = np.random.default_rng(6)
    y, x = np.mgrid[:200, :160].astype(float)
    sky = 300 + 0.5 * y + 0.2 * x
    picture = np.stack([sky + rng.normal(0, 5, sky.shape)])
    picture[0][rng.random(sky.shape) < 0.01] += 3000
    land = y > 120
    picture[0][110:117, 80:88] += 9000
    picture[0][land] = 20
    levels = seam.sky_levels(picture, ~land & (y < 117), seam.seam_cells(land, ~land))
    found = levels.at(0, 200, 160)[0]
    near = (y > 90) & (y < 136)
    assert np.abs(found - sky)[near].max() < 8
    assert np.abs(found - sky)[near].mean() < 2


# ---- a user's mask --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", ["L", "1", "RGB", "RGBA", "LA", "I;16", "P"])
def test_masks_of_every_kind_are_read(tmp_path: Path, mode: str) -> None:
    """White is ground, black and transparent are sky, in grey, colour, palette and 16 bits."""
    white = np.zeros((40, 60), np.uint8)
    white[25:] = 255
    picture = Image.fromarray(white)
    if mode == "I;16":
        picture = Image.fromarray(white.astype(np.uint16) * 257)
    elif mode != "L":
        picture = picture.convert(mode)
    picture.save(tmp_path / "m.png")
    mask = read_mask(tmp_path / "m.png", (40, 60))
    assert (mask == white / 255).all()


@pytest.mark.parametrize("orientation", sorted(ORIENTATIONS))
def test_a_mask_is_of_the_picture_as_it_is_shown(tmp_path: Path, orientation: int) -> None:
    """A mask drawn on the upright picture lands on the sensor's own pixels, for all eight Exif orientations."""
    truth = np.zeros((30, 50), np.uint8)
    truth[20:, :13] = 255
    assert (as_taken(upright(truth, orientation), orientation) == truth).all()
    Image.fromarray(np.ascontiguousarray(upright(truth, orientation))).save(tmp_path / "m.png")
    assert (read_mask(tmp_path / "m.png", truth.shape, orientation) == truth / 255).all()


def test_what_is_wrong_with_a_mask_is_said(tmp_path: Path) -> None:
    """No file, no picture, another size, a damaged file: a sentence each."""
    with pytest.raises(InputError, match="there is no such mask"):
        check_mask(tmp_path / "none.png", {(60, 40)})
    (tmp_path / "text.png").write_text("no picture")
    with pytest.raises(InputError, match="is no picture that can be read as a mask"):
        check_mask(tmp_path / "text.png", {(60, 40)})
    Image.fromarray(np.zeros((40, 61), np.uint8)).save(tmp_path / "wide.png")
    with pytest.raises(InputError, match=r"the mask has 61 x 40 pixels, the picture 60 x 40"):
        check_mask(tmp_path / "wide.png", {(60, 40), (40, 60)})
    with pytest.raises(InputError, match=r"the mask has 61 x 40 pixels, the picture 60 x 40"):
        read_mask(tmp_path / "wide.png", (40, 60))
    noisy = np.random.default_rng(1).integers(0, 255, (40, 60)).astype(np.uint8)
    Image.fromarray(noisy).save(tmp_path / "cut.png")
    content = (tmp_path / "cut.png").read_bytes()
    (tmp_path / "cut.png").write_bytes(content[: len(content) // 2])
    with pytest.raises(InputError, match="is damaged"):
        read_mask(tmp_path / "cut.png", (40, 60))


def test_the_trip_file_names_masks_for_all_or_one(tmp_path: Path) -> None:
    """A scene's own mask wins over the trip's; paths are relative to the project folder."""
    (tmp_path / "trip.yaml").write_text("ground: {mask: all.png}\nscenes: {s-a: {mask: one.png}}\n")
    trip = load_trip(tmp_path)
    assert mask_of(trip, tmp_path, "s-a") == tmp_path / "one.png"
    assert mask_of(trip, tmp_path, "s-b") == tmp_path / "all.png"
    assert mask_of(Trip(), tmp_path, "s-a") is None
    table = Table({"scene": ["s-a"], "width": [60], "height": [40]})
    with pytest.raises(InputError, match=r"ground\.mask: the trip has 2 scenes; say of which the mask is"):
        check_masks(trip, tmp_path, ["s-a", "s-b"], table)
    Image.fromarray(np.zeros((41, 60), np.uint8)).save(tmp_path / "one.png")
    with pytest.raises(InputError, match="the mask has 60 x 41 pixels, the picture 60 x 40"):
        check_masks(trip, tmp_path, ["s-a"], table)


def test_a_mask_of_nothing_or_of_everything(night: Nightscape, tmp_path: Path) -> None:
    """A black mask says that there is no ground; a white one leaves no sky and is refused."""
    inputs = inputs_of(night.folder, night.geometry, night.camera, Calibration())
    inputs = replace(inputs, frames=inputs.frames[:3], reference=0)
    Image.fromarray(np.zeros(SHAPE, np.uint8)).save(tmp_path / "black.png")
    assert ground.by_hand(tmp_path / "black.png", inputs)["mask"] is None
    Image.fromarray(np.full(SHAPE, 255, np.uint8)).save(tmp_path / "white.png")
    with pytest.raises(InputError, match="all of the picture is ground"):
        ground.by_hand(tmp_path / "white.png", inputs)


def test_a_rim_that_no_frame_shows_in_all_colours_is_as_the_next_pixels() -> None:
    """In the tile at the picture's lower right corner what is bare of the last row and column is filled, and nothing of
    the other sides, which lie within; so are noise and counts."""
    planes = np.arange(2.0 * 3 * 4 * 5, dtype=np.float32).reshape(2, 3, 4, 5)
    coverage = np.full((4, 5), 7, np.uint16)
    coverage[3, 1:3] = coverage[3, 4] = coverage[1:3, 4] = coverage[0, 0] = 0
    nothing = np.zeros((0, 0))
    tile = Tile(Window(60, 95, 4, 5), *planes.copy(), coverage, coverage.copy(), *(nothing,) * 4)
    groundpicture.fill_rim(tile, (64, 100))
    assert tile.coverage[0, 0] == 0
    assert (tile.coverage.ravel()[1:] == 7).all()
    for found, before in zip((tile.picture, tile.noise), planes, strict=True):
        np.testing.assert_array_equal(found[:, 3, 1:3], before[:, 2, 1:3])
        np.testing.assert_array_equal(found[:, 1:3, 4], before[:, 1:3, 3])
        np.testing.assert_array_equal(found[:, :3, :4], before[:, :3, :4])


def test_where_all_frames_show_land_the_ground_is_read_not_made_again(
    night: Nightscape, made: dict[str, Any], tmp_path: Path
) -> None:
    """With the ground's picture given, what some frame shows of the sky is the same to the byte, counts too; the rest
    is that picture and its noise. Most tiles of land are then read from no frame."""
    inputs = inputs_of(night.folder, night.geometry, night.camera)
    land = land_in(night.share.astype(np.float32), night.geometry, night.stand, inputs.frames)
    opened = made["ground"]
    assert opened.is_whole(4)
    deep = replace(land, replaced=True)
    assert all(deep.skips(number, (224, 64), (32, 64)) for number in range(FRAMES))
    assert not any(deep.skips(number, (128, 64), (64, 64)) for number in range(FRAMES))
    assert not land.skips(0, (224, 64), (32, 64))
    combine.combine(inputs, tmp_path / "c.fits", night.geometry, threads=2, land=land, ground=opened, memory_mb=260)
    box = opened.box
    window = (slice(None), slice(box.top, box.top + box.height), slice(box.left, box.left + box.width))
    with fits.open(tmp_path / "c.fits") as hdus:
        counts = hdus["COVERAGE"].data
        seen = counts > 0
        np.testing.assert_array_equal(counts, made["combined_coverage"])
        assert (~seen).sum() > 5000
        for found, before, there in (
            (hdus[0].data, made["combined"], opened.planes),
            (hdus["NOISE"].data, made["combined_noise"], opened.noise),
        ):
            np.testing.assert_array_equal(found[:, seen], before.astype(np.float32)[:, seen])
            np.testing.assert_array_equal(found[window][:, ~seen[window[1:]]], there[:, ~seen[window[1:]]])
