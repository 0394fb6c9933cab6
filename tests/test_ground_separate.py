"""The ground of a tracked scene from frames of a tripod: named or recognised, placed, set in scale, joined."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from scipy import ndimage

from pipeline.card.same_view import with_ground
from pipeline.config import parse_trip
from pipeline.errors import InputError
from pipeline.files import read_json
from pipeline.plan import Look, PlannedFrame, ScenePlan
from tests.conftest import moonless, planned
from tests.separate_ground import hidden, write_card

TRIP = 'frames: [raw]\nscenes: {sky: {frames: ["sky_*"], ground_from: land}, land: {frames: ["land_*"]}}\n'


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Any]:
    """A project on which the whole job has been done, and what made the tracked frames."""
    project = tmp_path_factory.mktemp("separate") / "trip"
    sky, _ = write_card(project / "raw")
    (project / "trip.yaml").write_text(TRIP)
    moonless("run", project, "--cores", 2, check=0)
    return project, sky


def test_the_land_stands_where_the_reference_shows_it(made: tuple[Path, Any]) -> None:
    """Frames of four times the exposure at a quarter of the ISO, the camera aside by 46 px, are joined within a px of
    the planted skyline; of the mask 99 % beyond 4 px are right; the page says where the ground is from."""
    project, sky = made
    geometry = read_json(project / "work" / "scenes" / "sky" / "geometry.json")
    truth = hidden(sky, sorted(geometry["frames"]).index(geometry["reference"]))
    told = read_json(project / "work" / "scenes" / "sky" / "ground.json")
    assert told["from"] == "land"
    assert told["scale"] == pytest.approx(1.0, rel=0.1)
    assert 30 < told["moved_px"] < 60
    path = project / "results" / "sky" / "composite.fits"
    green, mask = fits.getdata(path)[1].astype(float), fits.getdata(path, "MASK") / 255
    land = truth > 0.5
    inside, outside = ndimage.distance_transform_edt(land), ndimage.distance_transform_edt(~land)
    assert ((mask > 0.5) == land)[np.maximum(inside, outside) > 4].mean() > 0.99
    # to the picture's edges, where frames of a camera that stood aside do not reach and its own show the land
    assert 0.005 < told["not_reached_share"] < 0.3
    half = (np.median(green[mask == 0]) + np.median(green[mask == 1])) / 2
    beyond = np.zeros(mask.shape, bool)
    beyond[:, :40], beyond[:, -40:] = True, True
    assert np.mean(green[beyond & (mask > 0.98)] > half) < 0.01
    band = np.maximum(inside, outside) < 8
    band[:20], band[-20:], band[:, :50], band[:, -50:] = False, False, False, False
    # a shifted edge is the edge and so many times its slopes (first order); stars are held down
    slopes = np.gradient(ndimage.gaussian_filter(truth, 1.5))
    terms = np.stack([np.ones(truth.shape), ndimage.gaussian_filter(truth, 1.5), *slopes])[:, band]
    seen = ndimage.gaussian_filter(np.minimum(green, 1.2 * np.median(green[band & ~land])), 1.5)[band]
    fit = np.linalg.lstsq(terms.T, seen, rcond=None)[0]
    assert np.hypot(fit[2], fit[3]) / abs(fit[1]) < 1
    page = (project / "results" / "sky" / "index.html").read_text(encoding="utf-8")
    assert "of the scene land, laid on the reference by what both show of the land" in page
    assert "as the scene's own frames blurred it" in page.replace("&#39;", "'")


def test_a_scene_for_another_s_ground_is_no_picture_of_its_own(made: tuple[Path, Any]) -> None:
    """It has no folder and no place on the trip's page; a second run does nothing; a frame of it that is dropped redoes
    the ground and what follows, and registers nothing."""
    project, _ = made
    assert not (project / "results" / "land").exists()
    assert [scene["scene"] for scene in read_json(project / "results" / "trip.json")["scenes"]] == ["sky"]
    assert planned(project) == {}
    (project / "trip.yaml").write_text(TRIP + 'drop: ["land_light_0001*"]\n')
    jobs = planned(project)
    (project / "trip.yaml").write_text(TRIP)
    assert jobs["ground"] == jobs["combine"] == jobs["join"] == jobs["judge_by_hand"] == 1
    assert jobs["register"] == jobs["grade"] == jobs["judge"] == 0


def scene(name: str, begin: str, look: Look, focal_mm: float = 50.0) -> ScenePlan:
    """A scene of two frames, five minutes apart."""
    frames = tuple(
        PlannedFrame(f"{name}-{n}", "", "", "light", f"2026-08-14T{begin}:0{5 * n}", True, 60.0, 800, 2.8, focal_mm)
        for n in range(2)
    )
    return ScenePlan(name, (), frames, look=look)


SKY = scene("sky", "21:00", Look(20.0, 100.0, 20.0, True))
# ten minutes later the sky behind the same place before the ground lies 2.5 degrees further east
LAND = scene("land", "21:10", Look(20.0, 102.5, 20.0, False))


def told(*scenes: ScenePlan, trip: str = "frames: [raw]\n", body: str = "") -> dict[str, tuple[Any, Any]]:
    """`ground_from` and `gives_ground_to` by scene; `body` is that of all but the first."""
    bodies = {s.scene: "one" if n == 0 else body or "one" for n, s in enumerate(scenes)}
    found = with_ground(scenes, parse_trip(trip), bodies, dict.fromkeys(bodies, 4000))
    return {s.scene: (s.ground_from, s.gives_ground_to) for s in found}


def test_an_untracked_view_of_the_same_land_is_recognised() -> None:
    """By pointing before the ground, lens, body and time; it stays a scene of its own."""
    assert told(SKY, LAND) == {"sky": ("land", None), "land": (None, None)}
    found = with_ground(
        [SKY, LAND], parse_trip("frames: [raw]\n"), {"sky": "one", "land": "one"}, {"sky": 4000, "land": 4000}
    )
    assert found[0].notes == ()
    assert "the land under the sky of sky" in found[1].notes[0]
    assert told(SKY, LAND, body="two")["sky"] == (None, None)
    assert told(SKY, scene("land", "21:10", LAND.look, 35.0))["sky"] == (None, None)
    assert told(SKY, scene("land", "23:30", LAND.look))["sky"] == (None, None)
    # 20 arcsec a px: a quarter of 4000 px are 5.6 degrees
    assert told(SKY, scene("land", "21:10", Look(20.0, 110.0, 20.0, False)))["sky"] == (None, None)
    assert told(SKY, replace(LAND, look=Look(20.0, 102.5, 20.0, True)))["sky"] == (None, None)


def test_a_name_in_the_trip_file_wins_and_slips_are_said() -> None:
    """The named scene is there for the other's ground alone; a name that cannot serve stops the run with a sentence."""
    trip = "scenes: {sky: {ground_from: far}}\n"
    far = scene("far", "23:30", Look(None, None, None, None))
    assert told(SKY, LAND, far, trip=trip) == {"sky": ("far", None), "land": (None, None), "far": (None, "sky")}
    for text, words in (
        ("scenes: {sky: {ground_from: lnad}}\n", r"there is no scene 'lnad' \(the others found: land\)"),
        ("scenes: {sky: {ground_from: sky}}\n", "a scene cannot give its own ground"),
        ("scenes: {sky: {ground_from: land}, land: {ground_from: sky}}\n", "takes its own ground from another scene"),
    ):
        with pytest.raises(InputError, match=words):
            told(SKY, LAND, trip=text)
