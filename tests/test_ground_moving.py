"""Land that a tracker carries through the picture: hidden frame by frame, its edges no streaks."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage

from example_project.maker.ground import Ground, hidden_share, ridge
from example_project.maker.scene import Scenario, make_scenario
from example_project.maker.sensor import Sensor
from pipeline import combine
from pipeline.ground import streaks_of_land, streaks_on_land
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.sky import times
from pipeline.skyline.find import find_ground
from pipeline.skyline.hold import Hold, hold_of
from pipeline.skyline.moving import areas_of, knots, moving_land, nearest
from pipeline.stack.groundfile import append_moving, read_moving, write_no_ground
from pipeline.stack.land import Canvas
from pipeline.stack.sources import Calibration, Frame, Inputs, Mosaics, frame_grids
from pipeline.stars.measure import measure_mosaic
from pipeline.tables import table_from_rows, write_table
from tests.planted_ground import pipeline_geometry
from tests.planted_scenes import frame_ids

SHAPE, COUNT, SKY_ALONE = (400, 600), 14, {"ground": None}


def scenario(**changes) -> Scenario:
    """A field that sets: behind a ridge that no frame of the first half shows, and a fifth of the last one."""
    settings = {
        "lens_mm": 50.0, "width": SHAPE[1], "height": SHAPE[0], "n": COUNT, "mount": "tracked", "exposure_s": 60.0,
        "interval_s": 360.0, "azimuth_deg": 250.0, "altitude_deg": 33.0, "seed": 7,
        "ground": Ground(share=0.005, trees_deg=1.5, light=0.12), "start": datetime(2026, 8, 14, 21, 0, tzinfo=UTC),
        "sensor": Sensor(SHAPE[1], SHAPE[0], gain=8.0, read_noise=12.0),
    }  # fmt: skip
    return make_scenario(**{**settings, **changes})


def hidden_in(made: Scenario, index: int) -> NDArray[np.float64]:
    """Share of each pixel that the planted ridge hides in the middle of a frame's exposure."""
    assert made.ground is not None
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    seen = made.optics.unproject(x, y) @ made.geometry(index).attitude @ made.turning.horizon(made.middle(index)).T
    return hidden_share(seen, ridge(made.ground) + made._skyline_base, 0.05)


@dataclass(frozen=True)
class Night:
    """The planted frames and what is told of them."""

    made: Scenario
    inputs: Inputs
    hold: Hold
    seconds: dict[str, float]
    canvases: list[Canvas]


def lamp_at(made: Scenario, index: int, lamp: NDArray[np.float64], seconds: float) -> tuple[float, float]:
    """Where a frame shows what stands in a direction before the ground, at a moment, px."""
    seen = lamp @ made.turning.horizon(seconds) @ made.geometry(index, seconds).attitude.T
    x, y = made.optics.project(seen[None])
    return float(x[0]), float(y[0])


def lamplight(made: Scenario, index: int, lamp: NDArray[np.float64]) -> NDArray[np.float64]:
    """Electrons of a lamp of FWHM 4 px and its halo, drawn out by the tracker during the exposure."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.zeros(SHAPE)
    for part in (0.1, 0.3, 0.5, 0.7, 0.9):
        cx, cy = lamp_at(made, index, lamp, index * made.interval_s + part * made.exposure_s)
        r2 = (x - cx) ** 2 + (y - cy) ** 2
        light += 8e4 * (np.exp(-r2 / 2 / 1.7**2) + 0.03 / (1 + r2 / 25) ** 1.5)
    return light


def written(
    folder: Path, made: Scenario, lamp: NDArray[np.float64] | None = None
) -> tuple[Inputs, dict[str, NDArray[np.float64]]]:
    """Mosaics of the frames, opened, and the stars in each; with a lamp in a direction before the ground."""
    ids, stars = frame_ids(made.count), {}
    for index, (name, frame) in enumerate(zip(ids, made.frames(), strict=True)):
        sensor, pixels = made.sensor, frame.mosaic
        if lamp is not None:
            light = pixels + lamplight(made, index, lamp) / sensor.gain
            pixels = np.minimum(np.rint(light), sensor.saturation).astype(np.uint16)
        header = MosaicHeader(name, sensor.cfa, sensor.black, float(sensor.saturation), made.exposure_s, 1600)
        write_mosaic(folder / f"{name}.fits", pixels, header)
        found = measure_mosaic(pixels, sensor.cfa, sensor.black, float(sensor.saturation))
        stars[name] = np.stack([found["x"], found["y"], found["flux"]], axis=1)
    geometry = pipeline_geometry(made, made.count, 5)
    mosaics = Mosaics([folder / f"{name}.fits" for name in ids])
    frames = [
        Frame(name, mosaics[k].header, SHAPE, 1.0, 1.0, 0.0, frame_grids(geometry, name, SHAPE, 3))
        for k, name in enumerate(ids)
    ]
    return Inputs("night", frames, mosaics, Calibration(), 5), stars


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Told through the library."""
    made = scenario()
    inputs, stars = written(tmp_path_factory.mktemp("setting"), made)
    geometry = pipeline_geometry(made, COUNT, 5)
    seconds = {frame.id: made.middle(k) for k, frame in enumerate(inputs.frames)}
    hold = hold_of(geometry, seconds, times.celestial_frame(sum(made.turning.jd))[2])
    smear = hold.smear_px(seconds, made.exposure_s)
    found = find_ground(geometry, hold, stars, inputs.frames, inputs.mosaics, inputs.calibration, 2, smear)
    return Night(made, inputs, hold, seconds, found.moving)


def test_the_ground_moves_as_the_sky_turns(night: Night) -> None:
    """Its motion in an exposure is the sidereal rate (IERS: 7.2921159e-5 rad/s) times time and focal length."""
    expected = 7.2921159e-5 * night.made.exposure_s * night.made.optics.focal_px
    assert night.hold.kind == "tracked"
    assert night.hold.smear_px(night.seconds, night.made.exposure_s) == pytest.approx(expected, rel=0.02)
    chosen = knots(night.hold, [frame.id for frame in night.inputs.frames])
    assert chosen[0] == night.inputs.frames[0].id
    assert chosen[-1] == night.inputs.frames[-1].id
    assert night.hold.geometry.reference in chosen
    assert chosen == sorted(chosen)


def test_land_is_known_in_every_frame(night: Night) -> None:
    """Of the planted land beyond its edge 99 % is hidden in each frame, of open sky beyond 12 px at most 1 %."""
    ids = [frame.id for frame in night.inputs.frames]
    areas = areas_of(night.canvases, night.hold)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    most = 0.0
    for k, n in enumerate(nearest(night.hold, ids, night.canvases)):
        truth = hidden_in(night.made, k) > 0.5
        found = areas[n].at(ids[k], x, y)
        inner = ndimage.binary_erosion(truth, iterations=3, border_value=1)
        sky = ~ndimage.binary_dilation(truth, iterations=12)
        if inner.mean() > 0.004:
            assert found[inner].mean() > 0.99, k
        assert found[sky].mean() < 0.01, k
        most = max(most, truth.mean())
    assert not hidden_in(night.made, 4).any()
    assert most > 0.15


def test_what_moved_into_the_picture_leaves_nothing(night: Night, tmp_path: Path) -> None:
    """The combined picture is that of the same frames without land, where the last ones do not show it as well; but for
    its smooth level, which is the mean of the frames that do."""
    land = moving_land(night.canvases, night.hold.geometry, night.hold, night.inputs.frames)
    combine.combine(night.inputs, tmp_path / "with.fits", night.hold.geometry, threads=2, land=land)
    (tmp_path / "alone").mkdir()
    alone, _ = written(tmp_path / "alone", scenario(**SKY_ALONE))
    combine.combine(alone, tmp_path / "without.fits", night.hold.geometry, threads=2)
    one, other = (fits.getdata(tmp_path / f"{name}.fits")[1].astype(float) for name in ("with", "without"))
    noise = fits.getdata(tmp_path / "with.fits", "NOISE")[1]
    coverage = fits.getdata(tmp_path / "with.fits", "COVERAGE")
    late = (coverage > 0) & (coverage < COUNT - 2)
    assert late.mean() > 0.15
    off = ndimage.median_filter(one - other, 5)
    off = (off - ndimage.gaussian_filter(off, 12)) / noise
    inner = np.zeros(SHAPE, bool)
    inner[20:-20, 20:-20] = True
    # stars near the horizon shine otherwise in other frames
    inner &= ~ndimage.binary_dilation(other - ndimage.median_filter(other, 15) > 5 * noise, iterations=4)
    assert np.abs(off[late & inner]).max() < 3
    # smooth differences of the frames that are missing: under a third of the noise
    assert off[late & inner].std() < 0.3


def test_a_lamp_above_the_skyline_is_land(tmp_path: Path) -> None:
    """A lamp on a mast too thin to be seen, which a tracker carries through 60 px, is hidden in every frame, with its
    halo and little else; no line of it is left in the stars' picture."""
    made = scenario(
        lens_mm=24.0, n=12, interval_s=180.0, azimuth_deg=190.0, altitude_deg=20.0,
        ground=Ground(share=0.18, trees_deg=1.0, light=0.08),
    )  # fmt: skip
    x, y = made.optics.width / 2 - 30.0, 0.62 * made.optics.height
    lamp = made.optics.unproject(x, y) @ made.geometry(5).attitude @ made.turning.horizon(made.middle(5)).T
    kept = {}
    for name, light in (("with", lamp), ("without", None)):
        (tmp_path / name).mkdir()
        inputs, stars = written(tmp_path / name, made, light)
        geometry = pipeline_geometry(made, made.count, 5)
        seconds = {frame.id: made.middle(k) for k, frame in enumerate(inputs.frames)}
        hold = hold_of(geometry, seconds, times.celestial_frame(sum(made.turning.jd))[2])
        smear = hold.smear_px(seconds, made.exposure_s)
        found = find_ground(geometry, hold, stars, inputs.frames, inputs.mosaics, inputs.calibration, 2, smear)
        land = moving_land(found.moving, geometry, hold, inputs.frames)
        combine.combine(inputs, tmp_path / f"{name}.fits", geometry, threads=2, land=land)
        kept[name] = fits.getdata(tmp_path / f"{name}.fits")[1].astype(float), found, hold, inputs
    (one, found, hold, inputs), (other, alone, *_) = kept["with"], kept["without"]
    places = [lamp_at(made, k, lamp, made.middle(k)) for k in range(made.count)]
    assert np.hypot(*np.subtract(places[0], places[-1])) > 50
    assert alone.told.cells is not None
    at = [round((v - 0.5) / alone.told.side) for v in (y, x)]
    assert alone.told.cells[at[0], at[1]] == 0
    rows, columns = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    areas, areas_alone = areas_of(found.moving, hold), areas_of(alone.moving, hold)
    ids = [frame.id for frame in inputs.frames]
    for k, n in enumerate(nearest(hold, ids, found.moving)):
        far = np.hypot(columns - places[k][0], rows - places[k][1])
        hidden = areas[n].at(ids[k], columns, rows)
        assert hidden[far < 6].all(), k
        assert hidden.sum() - areas_alone[n].at(ids[k], columns, rows).sum() < np.pi * 20**2, k
    # beside the lamp on its way, where every place was lit in some frames
    noise = fits.getdata(tmp_path / "without.fits", "NOISE")[1] * np.sqrt(made.count)
    path = np.hypot(columns - x, rows - y) > 12
    path &= (np.abs(columns - x) < 25) & (np.abs(rows - y) < 6)
    off = ndimage.median_filter((one - other) / noise, 5)[path]
    assert np.abs(off).max() < 1


def test_a_streak_along_the_skyline_is_land_s(night: Night, tmp_path: Path) -> None:
    """Of two streaks of a frame the one along the ridge is told as its edge; also in a frame that was not placed."""
    index = COUNT - 2
    truth = hidden_in(night.made, index) > 0.5
    top = [int(np.argmax(truth[:, x])) for x in (150, 420)]
    streaks = [
        {"number": 0, "x1": 150.0, "y1": float(top[0]), "x2": 420.0, "y2": float(top[1])},
        {"number": 1, "x1": 100.0, "y1": 60.0, "x2": 500.0, "y2": 140.0},
    ]
    name = night.inputs.frames[index].id
    rows = [{"frame": n, "streak_list": json.dumps(streaks)} for n in (name, name[:-8] + "ffffffff")]
    write_table(table_from_rows(rows, {"frame": (str, None), "streak_list": (str, None)}), tmp_path / "v.ecsv")
    told = streaks_of_land(night.canvases, night.hold, tmp_path / "v.ecsv", 4.0)
    assert told == {row["frame"]: [0] for row in rows}


def test_a_light_on_land_is_no_streak(night: Night, tmp_path: Path) -> None:
    """Of three streaks of a frame the one that lies on land from end to end is land's, where the camera carried the
    land to; one that comes down behind the skyline is not. So in a frame that was not placed."""
    name = night.inputs.frames[7].id
    # below row 200 of the reference all is land; the lines are those of its pixels as that frame shows them
    mask = (np.arange(SHAPE[0])[:, None] >= 200).repeat(SHAPE[1], axis=1).astype(np.float32)
    lines = [(150.0, 230.0, 260.0, 250.0), (100.0, 60.0, 300.0, 140.0), (200.0, 100.0, 240.0, 290.0)]
    streaks = []
    for number, (x1, y1, x2, y2) in enumerate(lines):
        x, y = night.hold.from_reference(name, [x1, x2], [y1, y2])
        streaks.append({"number": number, "x1": x[0], "y1": y[0], "x2": x[1], "y2": y[1]})
    rows = [{"frame": n, "streak_list": json.dumps(streaks)} for n in (name, name[:-8] + "ffffffff")]
    write_table(table_from_rows(rows, {"frame": (str, None), "streak_list": (str, None)}), tmp_path / "v.ecsv")
    assert streaks_on_land(mask, night.hold, tmp_path / "v.ecsv") == {row["frame"]: [0] for row in rows}


def test_moving_land_is_kept_beside_a_picture_or_none(night: Night, tmp_path: Path) -> None:
    """What is written into the file of a scene without a picture of its ground comes back as it was."""
    path = tmp_path / "ground.fits"
    write_no_ground(path, "none in the reference")
    assert read_moving(path) == []
    append_moving(path, night.canvases)
    again = read_moving(path)
    assert [c.knot for c in again] == [c.knot for c in night.canvases]
    assert all((a.share == b.share).all() and a.side == b.side for a, b in zip(again, night.canvases, strict=True))
    assert again[0].margin == night.canvases[0].margin
