"""The step register: files in, geometry out; frames that cannot be placed; the command that carries positions."""

import json
from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.wcs import WCS
from scipy.spatial.transform import Rotation

from pipeline.config import RegisterSettings, Site
from pipeline.errors import SceneError
from pipeline.files import write_json
from pipeline.grade import star_table
from pipeline.plan import Look, PlannedFrame, ScenePlan
from pipeline.register import main
from pipeline.scene.placing import rank, register
from pipeline.sky import catalogue, times
from pipeline.sky.geometry import Geometry
from pipeline.sky.table import FrameStars
from pipeline.sky.wcs import wcs_header
from pipeline.stars.measure import STAR_DTYPE, measure_frame
from pipeline.tables import table_from_rows, write_table
from tests.planted_sky import HEIGHT, WIDTH, detections, lens, random_field, sequence

SHARED = Path(__file__).resolve().parents[2] / "shared" / "real-sky"
START = datetime(2026, 8, 14, 22, 0, tzinfo=UTC)
SETTINGS, SITE = RegisterSettings(), Site()


def _plan(frames, focal_mm=24.0):
    planned = tuple(
        PlannedFrame(
            f.frame, f"/card/{f.frame}.dng", f"{f.frame}.dng", "light", utc=True, exposure_s=10.0, focal_mm=focal_mm,
            taken=None if f.seconds is None else (START + timedelta(seconds=f.seconds)).isoformat(),
        )
        for f in frames
    )  # fmt: skip
    return ScenePlan("2026-08-14_24mm_a", ("b",), planned, look=Look())


def _run(frames, focal_mm=24.0, width=WIDTH, height=HEIGHT, settings=SETTINGS, site=SITE, pitch_um=5.94):
    lists = {f.frame: f for f in frames}
    focal = None if focal_mm is None else focal_mm * 1e3 / pitch_um
    return register(_plan(frames, focal_mm), lists, rank({}, lists), width, height, focal, settings, site)


def _files(folder, frames, focal_mm=24.0, verdicts=None, sizes=None):
    """The files that the step reads, as inventory, grade and judge write them; its arguments."""
    write_json(folder / "scene.json", asdict(_plan(frames, focal_mm)))
    lists = []
    for f in frames:
        stars = np.zeros(len(f), STAR_DTYPE)
        stars["x"], stars["y"] = f.xy.T
        stars["flux"], stars["flux_error"], stars["saturated"] = f.flux, f.flux * 0.07, f.saturated
        lists.append((f.frame, stars))
    star_table(lists).write(folder / "b.stars.fits", overwrite=True)
    size = {f.frame: (WIDTH, HEIGHT) for f in frames} | (sizes or {})
    grades = [{"frame": i, "width": w, "height": h, "pixel_um": 5.94} for i, (w, h) in size.items()]
    columns = {"frame": (str, None), "width": (int, "pix"), "height": (int, "pix"), "pixel_um": (float, "um")}
    write_table(table_from_rows(grades, columns), folder / "b.ecsv")
    rows = [{"frame": f.frame, "fwhm_px": 2.5, "verdict": (verdicts or {}).get(f.frame, "kept")} for f in frames]
    columns = {"frame": (str, None), "fwhm_px": (float, "pix"), "transparency": (float, None), "verdict": (str, None)}
    write_table(table_from_rows(rows, columns), folder / "v.ecsv")
    return [
        "--scene", str(folder / "scene.json"), "--verdicts", str(folder / "v.ecsv"),
        "--stars", str(folder / "b.stars.fits"), "--out", str(folder / "g.json"),
    ]  # fmt: skip


@pytest.fixture(scope="module")
def tripod():
    return sequence(24, "tripod", frames=5, span_s=1200)


def test_the_step_places_a_scene_and_carries_positions(tripod, tmp_path, capsys):
    """Files in, the same bytes out each time; positions carried by the command are those of the truth."""
    arguments = _files(tmp_path, tripod.frames, verdicts={"frame004": "set aside"})
    assert main(arguments) == 0
    first = (tmp_path / "g.json").read_bytes()
    assert main(arguments) == 0
    assert (tmp_path / "g.json").read_bytes() == first
    geometry = Geometry.load(tmp_path / "g.json")
    assert geometry.solved
    assert sorted(geometry.frames) == ["frame000", "frame001", "frame002", "frame003"]
    assert geometry.left_out == {}
    assert geometry.learned["mount"] == "tripod"
    assert geometry.learned["constellation"]
    assert all(0.08 < p.rms_px < 0.2 for p in geometry.frames.values())
    assert geometry.frames["frame000"].flux_scale == pytest.approx(1.0, abs=0.05)
    reference = int(geometry.reference[-1])
    capsys.readouterr()
    asked = ["--geometry", str(tmp_path / "g.json"), "--to", "frame000", "--xy", "1500", "900", "--xy", "4000", "2500"]
    assert main(asked) == 0
    told = np.array([line.split() for line in capsys.readouterr().out.splitlines()], float)
    true = tripod.true_map(0, reference, np.array([1500.0, 4000]), np.array([900.0, 2500]))
    np.testing.assert_allclose(told, np.stack(true, axis=1), atol=0.2)
    back = ["--geometry", str(tmp_path / "g.json"), "--from", "frame000", "--xy", *map(str, told[0])]
    assert main(back) == 0
    np.testing.assert_allclose(np.array(capsys.readouterr().out.split(), float), [1500, 900], atol=1e-3)
    assert main([*asked[:3], "sky", *asked[4:]]) == 0
    sky = np.array([line.split() for line in capsys.readouterr().out.splitlines()], float)
    np.testing.assert_allclose(sky.T, geometry.to_sky(geometry.reference, [1500, 4000], [900, 2500]), atol=1e-6)
    assert main([*asked[:3], "elsewhere", *asked[4:]]) == 1
    assert "elsewhere: has no place in this scene" in capsys.readouterr().err


def test_nothing_kept_is_a_sentence(tripod, tmp_path, capsys):
    """A scene without a kept frame fails with a sentence, and so does a call without its files."""
    arguments = _files(tmp_path, tripod.frames, verdicts={f.frame: "set aside" for f in tripod.frames})
    assert main(arguments) == 1
    assert "no frame of this scene was kept" in capsys.readouterr().err
    with pytest.raises(SceneError, match="no frame of this scene was kept"):
        _run([])
    assert main(["--scene", arguments[1]]) == 1
    assert "--verdicts, --stars, --out must be given" in capsys.readouterr().err
    (tmp_path / "b.stars.fits").write_bytes(b"no table")
    assert main(arguments) == 1
    assert "is not a table of stars" in capsys.readouterr().err


def test_a_frame_of_another_size_is_left_out(tripod, tmp_path):
    """It cannot be compared; the sentence gives both sizes."""
    arguments = _files(tmp_path, tripod.frames[:3], sizes={"frame002": (3000, 2000)})
    assert main(arguments) == 0
    left_out = json.loads((tmp_path / "g.json").read_text())["left_out"]
    assert left_out == {"frame002": "is 3000 x 2000 px; the scene's frames are 6060 x 4040"}


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_frames_are_placed(tripod, count):
    """One, two and three frames: solved, the reference among them, positions right to 0.3 px where stars are."""
    geometry = _run(tripod.frames[:count])
    assert geometry.solved
    assert len(geometry.frames) == count
    assert geometry.camera.focal_px == pytest.approx(tripod.camera.focal_px, rel=1e-3)
    reference = int(geometry.reference[-1])
    x, y = np.meshgrid(np.linspace(300, 5700, 9), np.linspace(300, 2500, 5))
    for n in range(count):
        there = geometry.from_reference(f"frame{n:03d}", x, y)
        true = tripod.true_map(n, reference, x, y)
        assert np.sqrt(np.mean((there[0] - true[0]) ** 2 + (there[1] - true[1]) ** 2)) < 0.15


def test_one_frame_without_a_sky_has_a_geometry():
    """A lone frame that cannot be solved: reference, identity, unsolved, no figures invented."""
    rng = np.random.default_rng(0)
    stars = FrameStars(
        "a", rng.uniform(0, 2000, (30, 2)), np.ones(30), np.ones(30) * 0.1, np.full(30, 0.1), np.zeros(30, bool), 0.0
    )
    geometry = _run([stars], focal_mm=None, width=2001, height=2001)
    assert not geometry.solved
    assert geometry.frames["a"].rms_px is None
    assert geometry.frames["a"].attitude.tolist() == [1, 0, 0, 0]
    empty = replace(stars, xy=np.zeros((0, 2)), flux=np.zeros(0), flux_error=np.zeros(0), sigma=np.zeros(0),
                    saturated=np.zeros(0, bool))  # fmt: skip
    assert not _run([empty], width=2001, height=2001).solved
    both = _run([stars, replace(empty, frame="b")], focal_mm=None, width=2001, height=2001)
    assert both.reference == "a"
    assert both.left_out == {"b": "shows no stars, too few to place it"}


def _field(name, seconds, camera, rng, **kinds):
    x, y, flux, _ = random_field(camera, rng, **kinds)
    return FrameStars(
        name, np.stack([x, y], 1), flux, flux * 0.05, np.full(len(x), 0.1), np.zeros(len(x), bool), seconds
    )


def test_what_points_elsewhere_is_left_out_and_told(tripod):
    """Unrelated fields, another focal length, noise: each is left out with its reason; the scene stays as it is."""
    rng = np.random.default_rng(12)
    anything = rng.uniform(0, 1, (len(tripod.frames[0]), 2)) * [WIDTH - 1, HEIGHT - 1]
    noise = replace(tripod.frames[0], frame="noise", seconds=1500.0, xy=anything)
    strangers = [_field(f"stranger{n}", 1300.0 + n, lens(24), rng) for n in range(2)]
    zoomed = _field("zoomed", 1400.0, lens(35), rng)
    cloudy = replace(tripod.frames[2], frame="cloudy", seconds=610.0, **{
        k: getattr(tripod.frames[2], k)[::14] for k in ("xy", "flux", "flux_error", "sigma", "saturated")
    })  # fmt: skip
    geometry = _run([*tripod.frames, *strangers, zoomed, noise, cloudy])
    assert {f.frame for f in tripod.frames} <= set(geometry.frames)
    assert "cloudy" in geometry.frames
    assert set(geometry.left_out) == {"stranger0", "stranger1", "zoomed", "noise"}
    assert "points elsewhere" in geometry.left_out["stranger0"]
    assert ("zoomed",) in geometry.elsewhere
    assert "another focal length (1.46 times the scene's)" in geometry.left_out["zoomed"]
    assert "match neither the catalogue nor" in geometry.left_out["noise"]
    alone = _run(tripod.frames)
    for name in alone.frames:
        here, there = (g.positions(name, g.directions("frame001", 900.0, 700.0)) for g in (alone, geometry))
        np.testing.assert_allclose(here, there, atol=0.05)


def _aimed_anew(run, names, turn):
    """Frames of a tripod run as they would be had the camera been turned: its stars where it then shows them."""
    frames = []
    for name in names:
        n = int(name[-3:])
        stars = catalogue.load()
        seen = times.aberrated(stars.vectors[:40000], times.earth_velocity(run.jd[n])) @ (turn @ run.attitudes[n]).T
        x, y, flux = detections(
            run.camera,
            seen[seen[:, 2] > 0.1],
            stars.magnitudes[:40000][seen[:, 2] > 0.1],
            np.random.default_rng(n),
            400,
        )
        full = np.ones(len(x))
        frames.append(replace(
            run.frames[n], frame=f"panel{n}", seconds=run.frames[n].seconds + 60.0, xy=np.stack([x, y], 1), flux=flux,
            flux_error=full, sigma=0.1 * full, saturated=np.zeros(len(x), bool),
        ))  # fmt: skip
    return frames


@pytest.mark.parametrize("degrees", [32.0, 45.0])
def test_panels_of_a_panorama_are_not_averaged(degrees):
    """At 24 mm a panel turned by 32 (45) degrees shares 55 (40) % of the field: it is another picture, and is told."""
    run = sequence(24, "tripod", frames=8, span_s=80, altitude=55.0, strength=0.0, blends_px=0.0)
    turn = Rotation.from_euler("y", -degrees, degrees=True).as_matrix()
    panels = _aimed_anew(run, ["frame005", "frame006", "frame007"], turn)
    geometry = _run([*run.frames[:5], *panels])
    assert sorted(geometry.frames) == [f"frame{n:03d}" for n in range(5)]
    assert geometry.elsewhere == (("panel5", "panel6", "panel7"),)
    assert "it points elsewhere with 2 others" in geometry.left_out["panel5"]


def test_a_tripod_that_stood_still_through_a_gap_is_one_pointing():
    """An hour at 50 mm of which only the ends were kept: the sky has moved by half the field, the camera has not."""
    run = sequence(50, "tripod", frames=9)
    geometry = _run([*run.frames[:2], *run.frames[-1:]], 50.0)
    assert len(geometry.frames) == 3


def test_a_camera_turned_round_is_placed(tripod):
    """A camera turned by 180 degrees within the run: the frame lies where it should."""
    half_turn = np.diag([-1.0, -1.0, 1.0])

    def turned_round(x, y):
        return tripod.camera.project(tripod.camera.unproject(x, y) @ half_turn)

    last = tripod.frames[3]
    xy = np.stack(turned_round(*last.xy.T), axis=1)
    inside = ((xy > 0) & (xy < [WIDTH - 1, HEIGHT - 1])).all(axis=1)
    kept = {k: getattr(last, k)[inside] for k in ("flux", "flux_error", "sigma", "saturated")}
    geometry = _run([*tripod.frames[:3], replace(last, xy=xy[inside], **kept)])
    assert "frame003" in geometry.frames
    reference = int(geometry.reference[-1])
    x, y = geometry.from_reference("frame003", 3000.0, 1500.0)
    tx, ty = turned_round(*tripod.true_map(3, reference, np.array(3000.0), np.array(1500.0)))
    assert np.hypot(x - tx, y - ty) < 0.15


def _narrow(frames=6, seed=3, drift=25.0):
    """A drifting narrow field (1092 x 736) that no catalogue knows, slowly turning; and its true maps."""
    rng = np.random.default_rng(seed)
    sky, flux = rng.uniform(-400, 1500, (900, 2)), 1000 * (rng.pareto(1.2, 900) + 1)
    lists, maps = [], []
    for n in range(frames):
        turn = Rotation.from_rotvec([0, 0, np.radians(0.05 * n)]).as_matrix()[:2, :2]
        p = (sky - 500) @ turn.T + 500 + [drift * n, -drift * n]
        inside = (p[:, 0] > 0) & (p[:, 0] < 1091) & (p[:, 1] > 0) & (p[:, 1] < 735) & (rng.random(900) > 0.3)
        xy = np.concatenate(
            [p[inside] + rng.normal(0, 0.1, (inside.sum(), 2)), rng.uniform(0, 1, (60, 2)) * [1091, 735]]
        )
        bright = np.r_[flux[inside] * 0.9**n, 1000 * (rng.pareto(1.2, 60) + 1)]
        order = np.argsort(-bright)
        lists.append(
            FrameStars(f"n{n}", xy[order], bright[order], np.full(len(order), 30.0), np.full(len(order), 0.1),
                       np.zeros(len(order), bool), 60.0 * n)
        )  # fmt: skip
        maps.append((turn, np.array([drift * n, -drift * n])))
    return lists, maps


def test_a_narrow_field_without_a_catalogue_is_placed_by_patterns():
    """Frames matched to one another only: places right to 0.03 px, brightness to 1 %, and it is said to be unsolved."""
    frames, maps = _narrow()
    geometry = _run(frames, focal_mm=700.0, width=1092, height=736)
    assert not geometry.solved
    assert len(geometry.frames) == 6
    ref = int(geometry.reference[1:])
    x, y = np.meshgrid(np.linspace(0, 1091, 9), np.linspace(0, 735, 7))
    for n, (turn, shift) in enumerate(maps):
        sky = (np.stack([x, y], -1) - 500 - maps[ref][1]) @ maps[ref][0] + 500
        true = (sky - 500) @ turn.T + 500 + shift
        there = np.stack(geometry.from_reference(f"n{n}", x, y), -1)
        assert np.sqrt(np.mean(np.sum((there - true) ** 2, -1))) < 0.05
        scale = geometry.frames[f"n{n}"]
        assert scale.flux_scale == pytest.approx(0.9 ** (ref - n), rel=0.01)
        assert scale.rms_px < 0.2


def test_a_limit_on_residuals_is_kept():
    """A frame whose stars scatter by more than rms_max_px is not registered, and the sentence gives both figures."""
    frames, _ = _narrow(4)
    rng = np.random.default_rng(1)
    frames[3] = replace(frames[3], xy=frames[3].xy + rng.normal(0, 0.4, frames[3].xy.shape))
    geometry = _run(frames, 700.0, 1092, 736, settings=RegisterSettings(rms_max_px=0.3))
    assert list(geometry.left_out) == ["n3"]
    assert "register.rms_max_px is 0.3" in geometry.left_out["n3"]


def test_misplaced_frames_and_another_field_are_told_without_a_catalogue():
    """Five times the scatter of the others is left out below the absolute limit too; a second field is one group."""
    frames, _ = _narrow(5)
    rng = np.random.default_rng(2)
    frames[4] = replace(frames[4], xy=frames[4].xy + rng.normal(0, 0.5, frames[4].xy.shape))
    other = [replace(f, frame=f"o{n}", seconds=400.0 + 60 * n) for n, f in enumerate(_narrow(3, seed=9)[0])]
    geometry = _run([*frames, *other], 700.0, 1092, 736)
    assert sorted(geometry.frames) == ["n0", "n1", "n2", "n3"]
    assert "times as far as those of the scene's other frames" in geometry.left_out["n4"]
    assert geometry.elsewhere == (("o0", "o1", "o2"),)
    assert geometry.left_out["o1"] == "its stars and those of 2 other frames show another field"


def test_rows_from_the_bottom_up_are_placed_on_the_grid_as_read(tripod):
    """Mirror images of the sky: solved, mapped as well as others, the WCS right; what is none is left out."""
    turned = [replace(f, xy=np.stack([f.xy[:, 0], HEIGHT - 1 - f.xy[:, 1]], axis=1)) for f in tripod.frames]
    geometry = _run([*turned[:4], tripod.frames[4]])
    assert geometry.solved
    assert geometry.camera.mirrored
    assert list(geometry.left_out) == ["frame004"]
    assert "mirror image" in geometry.left_out["frame004"]
    reference = int(geometry.reference[-1])
    x, y = np.array([900.0, 3000, 5000]), np.array([700.0, 2000, 3300])
    tx, ty = tripod.true_map(0, reference, x, HEIGHT - 1 - y)
    np.testing.assert_allclose(geometry.from_reference("frame000", x, y), [tx, HEIGHT - 1 - ty], atol=0.2)
    wcs = WCS(wcs_header(geometry), naxis=2)
    sky = wcs.all_pix2world(x, y, 0)
    np.testing.assert_allclose(sky, geometry.to_sky(geometry.reference, x, y), atol=1e-4)  # 0.01 px
    assert np.linalg.det(wcs.wcs.cd) < 0  # north up, east left, as FITS pictures have it


def test_frames_without_times_are_placed(tripod):
    """No time, no refraction, no mount; the frames are placed all the same."""
    geometry = _run([replace(f, seconds=None) for f in tripod.frames[:3]])
    assert geometry.solved
    assert len(geometry.frames) == 3
    assert geometry.learned["refraction"] is None
    assert geometry.learned["mount"] is None


def test_the_reference_is_sharp_clear_and_near_the_middle():
    """Size counts, then cloud, then the place in the run; unknown figures do not decide; a frame that was kept by hand
    against its grade comes last."""
    stars = _narrow(5)[0]
    lists = {f.frame: f for f in stars}
    assert rank({}, lists)[0] == "n2"
    rows = {f"n{n}": {"fwhm_px": 2.5, "transparency": 1.0} for n in range(5)}
    assert rank(rows, lists)[0] == "n2"
    assert rank(rows | {"n3": {"fwhm_px": 2.2, "transparency": 1.0}}, lists)[0] == "n3"
    assert rank(rows | {"n2": {"fwhm_px": 2.5, "transparency": 0.7}}, lists)[0] in ("n1", "n3")
    assert rank(rows | {"n2": {"fwhm_px": None, "transparency": None}}, lists)[0] in ("n1", "n3")
    clouded = {"fwhm_px": 2.5, "transparency": 1.0, "cloud_fraction": 0.14}
    assert rank(rows | {"n2": clouded}, lists)[0] in ("n1", "n3")
    by_hand = {"fwhm_px": 2.2, "transparency": 1.0, "margin": -0.4}
    assert rank(rows | {"n2": by_hand}, lists)[-1] == "n2"


@pytest.mark.skipif(not SHARED.is_dir(), reason="../shared/real-sky is not there")
def test_real_frames_of_a_drifting_field_are_placed():
    """Real CCD frames that no catalogue reaches: every one placed, residual at most 0.25 px, drift as it was."""
    rawpy = pytest.importorskip("rawpy")
    frames = []
    for n, path in enumerate(sorted((SHARED / "field").glob("*.dng"))[::4]):
        with rawpy.imread(str(path)) as raw:
            pixels = raw.raw_image_visible.copy()
            black = [float(b) for b in raw.black_level_per_channel]
        stars = measure_frame(pixels, "RGGB", black, 65535.0, stars_max=800).stars
        xy = np.stack([stars["x"], stars["y"]], axis=1)
        sigma = np.hypot(0.03, 1.4 * stars["flux_error"] / stars["flux"])
        frames.append(FrameStars(f"r{n}", xy, stars["flux"], stars["flux_error"], sigma, stars["saturated"], 260.0 * n))
    geometry = _run(frames, focal_mm=None, width=1092, height=736)
    assert len(geometry.frames) == len(frames) == 6
    assert geometry.left_out == {}
    assert max(p.rms_px for p in geometry.frames.values()) <= 0.25
    assert min(p.stars for p in geometry.frames.values()) > 200
    x, y = geometry.positions("r5", geometry.directions("r0", 546.0, 368.0))
    assert 5 < np.hypot(x - 546, y - 368) < 200
