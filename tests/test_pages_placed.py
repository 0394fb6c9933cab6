"""What the pages say of lens, mount, clock and frames of another field."""

from dataclasses import replace

import numpy as np
import pytest
import yaml

from pipeline.config import parse_trip
from pipeline.pages.headline import warnings
from pipeline.pages.placed import (
    clock_note,
    latitude_note,
    lens_facts,
    mirror_note,
    mount_facts,
    placed_figures,
    pointing_notes,
    unsolved_note,
)
from pipeline.pixels.orientation import ORIENTATIONS, upright
from pipeline.plan import ScenePlan
from pipeline.scene.records import Rows, SceneRecord

LEARNED = {
    "rotation_deg": 12.5,
    "scale_range": 0.0012,
    "distortion_corner": -0.08,
    "lateral_colour": {"corner_px": {"R": 0.61, "B": -0.02}},
    "clock_error_min": 63.0,
    "mount": "tripod",
    "knocks": [2],
    "creep_arcsec_h": [40.0, -25.0, 0.1],
    "pole_offset_arcmin": 1.5,
    "sidereal_ratio": 0.9999,
}
RECORD = SceneRecord(
    "s-a", ScenePlan("s-a", (), ()), Rows(), {}, Rows(), {}, {}, {}, {}, None, (), (), True, frozenset(), {}
)
FILES = {"f0": "A 0.dng", "f1": 'A "1": [x].dng', "f2": "A 2.dng"}


def _figures(**geometry):
    record = replace(RECORD, geometry={"frames": dict.fromkeys(FILES), "learned": LEARNED, **geometry})
    return placed_figures(record, FILES)


def test_a_latitude_that_the_stars_contradict_in_words():
    """Which, why and what to do where it is sure; beside the clock where it may be either."""
    wrong = {"told_deg": 51.5, "wrong": True, "never_up": True, "by_stars_deg": -33.2, "by_stars_sigma_deg": 2.2}
    note = latitude_note(_figures(learned={"latitude": wrong})) or ""
    assert "latitude given under “site:” in trip.yaml, 51.5°: this scene's field never rises there" in note
    assert "a latitude of \u221233° ± 2\u202f° agrees" in note or "a latitude of \u221233° ± 2° agrees" in note
    unsure = latitude_note(_figures(learned={"latitude": {**wrong, "never_up": False, "by_stars_deg": None}})) or ""
    assert "agrees" not in unsure
    either = {"told_deg": -45.0, "wrong": False, "never_up": False, "by_stars_deg": 46.7, "by_stars_sigma_deg": 3.9}
    figures = _figures(learned={**LEARNED, "latitude": either})
    assert latitude_note(figures) is None
    assert "47° ± 4" in (clock_note(figures) or "")
    assert "in place of \u221245°" in (clock_note(figures) or "")
    assert "latitude" not in (clock_note(_figures()) or "")


def test_a_tripod_in_words():
    """Creep by its direction (about the camera's axes right, down, ahead), knocks by file, the lens by its bend."""
    figures = _figures()
    assert figures["mount"]["knocked_before"] == ["A 2.dng"]
    facts = dict(mount_facts({**figures, "pixel_scale_arcsec": 40.0}))
    assert facts["creep of the camera"].startswith("40″ downwards, 25″ to the right an hour: 1.2\u202fpx an hour")
    assert facts["knocked"] == "before A 2.dng"
    assert "0.9999× the sidereal rate" in facts["check against the turning Earth"]
    lens = dict(lens_facts(figures))
    assert lens["focal length changed"].startswith("by 0.120\u202f% over the run")
    assert lens["distortion in the corners"] == "\u22128.00\u202f% (barrel)"
    assert lens["lateral colour in the corners"] == "red 0.61\u202fpx outwards; taken out"
    assert "63\u202fmin ahead of" in (clock_note(figures) or "")
    assert clock_note({**figures, "clock_error_min": -4.0}) is None


def test_a_tracker_in_words():
    """Polar error with its direction and its error; one within its error is not told from none."""
    learned = {
        "mount": "tracked", "polar_error_deg": 0.5, "polar_error_sigma_deg": 0.02, "polar_error_up_deg": -0.3,
        "polar_error_east_deg": 0.4, "rate_error": -0.001, "rate_error_sigma": 0.0002,
        "drift_arcsec_h": [300.0, -400.0, 2.0], "drift_sigma_arcsec_h": 20.0,
    }  # fmt: skip
    facts = dict(mount_facts({**_figures(learned=learned), "pixel_scale_arcsec": 10.0}))
    assert facts["polar axis"] == "0.50° ± 0.02° from the pole: 0.30° too low, 0.40° too far east"
    assert facts["drift of the picture"] == "500″ ± 20″ an hour (50\u202fpx)"
    assert facts["tracking rate"] == "0.10\u202f% too slow"
    assert "jumped" not in facts
    sure = {**learned, "polar_error_sigma_deg": 0.002, "drift_sigma_arcsec_h": None}
    facts = dict(mount_facts({**_figures(learned=sure), "pixel_scale_arcsec": 10.0}))
    assert facts["polar axis"].startswith("0.50° ± 0.01° from the pole")
    assert facts["drift of the picture"] == "500″ an hour (50\u202fpx)"
    jumped = mount_facts(_figures(learned={**learned, "knocks": [1]}))
    assert dict(jumped)["jumped"].startswith("before ")
    turned = mount_facts(_figures(learned={**learned, "knocks": [1], "knock_deg": [179.96]}))
    assert dict(turned)["jumped"].endswith(" (turned by 180°)")
    loose = {**learned, "polar_error_sigma_deg": 0.3}
    assert "too little to tell" in dict(mount_facts(_figures(learned=loose)))["polar axis"]
    # dithers at random make slopes of their own
    dithered = {**learned, "rate_error": 0.0875, "rate_error_sigma": 0.05, "drift_sigma_arcsec_h": 400.0}
    told = dict(mount_facts(_figures(learned=dithered)))
    assert "tracking rate" not in told
    assert "too little to tell" in told["drift of the picture"]


def test_lines_for_another_field_make_it_a_scene():
    """The lines on the page are what trip.yaml takes, whatever stands in a file's name."""
    figures = _figures(elsewhere=[["f1", "f2"], ["f0"]])
    notes = pointing_notes(figures)
    assert notes[0]["text"].startswith('2\u202fframes, A "1": [x].dng to A 2.dng, show another field')
    assert notes[1]["text"].startswith("One frame, A 0.dng, shows another field")
    scenes = parse_trip(notes[0]["lines"]).scenes
    assert scenes["s-a-2"].frames == ['A "1": [x].dng', "A 2.dng"]
    assert list(yaml.safe_load(notes[1]["lines"])["scenes"]) == ["s-a-3"]


def test_a_mirrored_picture_is_told():
    """Only of a scene that was found on the sky, with what to do."""
    turned = {"solved": True, "camera": {"mirrored": True}}
    assert "turn them over" in (mirror_note(_figures(**turned)) or "")
    for plain in ({}, {"solved": True, "camera": {"mirrored": False}}, {"solved": False, "camera": {"mirrored": True}}):
        assert mirror_note(_figures(**plain)) is None


def test_a_scene_that_was_not_found_on_the_sky_says_why():
    """A small field, 2.3 by 1.5 degrees, holds some 40 of the catalogue's stars (482,176 over 41,253 square degrees);
    of a wide one the lens is not known; a fisheye that was found is named."""
    assert unsolved_note({"solved": True, "field_deg": [2.3, 1.5]}) is None
    assert "2.3° by 1.5°" in (small := unsolved_note({"solved": False, "field_deg": [2.3, 1.5]}) or "")
    assert "about 40\u202fstars there" in small
    wide = unsolved_note({"solved": False, "field_deg": [100.4, 77.3], "frames_kept": 9}) or ""
    assert "may not lie on one another" in wide
    assert "may not lie" not in (unsolved_note({"solved": False, "field_deg": [40.0, 30.0], "frames_kept": 9}) or "")
    assert "size of their pixels" in (unsolved_note({"solved": False, "focal_mm": 200.0}) or "")
    assert "no focal length" in (unsolved_note({"solved": False, "field_deg": None}) or "")
    camera = {"mirrored": False, "fisheye": True}
    lens = dict(lens_facts(_figures(solved=True, camera=camera)))
    assert lens["lens"].startswith("a fisheye")
    assert lens["distortion in the corners"].endswith("against equal angles")


def test_what_one_frame_alone_shows_is_told():
    """Three tenths of the picture by one frame of nine; a rim of 2 % is every tripod's."""
    figures = {"frames_found": 9, "frames_kept": 9, "one_frame_share": 0.289}
    assert any("28.9\u202f% of the sky in the picture is shown by one frame only" in note for note in warnings(figures))
    assert not any("one frame only" in note for note in warnings({**figures, "one_frame_share": 0.02}))


def test_nothing_told_is_nothing_said():
    """No geometry, or one of another form: nulls, and no words."""
    for geometry in ({}, {"frames": 3, "learned": [1]}, {"elsewhere": [1, [2]], "learned": {"mount": "tripod"}}):
        figures = placed_figures(replace(RECORD, geometry=geometry), FILES)
        assert figures["rotation_deg"] is None
        assert figures["pointings"] == []
        assert lens_facts(figures) == []
        assert not pointing_notes(figures)
        mount_facts(figures)


@pytest.mark.parametrize("orientation", sorted(ORIENTATIONS))
def test_the_upward_direction_is_that_of_the_picture_shown(orientation):
    """Against the places of the sensor's own pixels in the turned picture, for all eight Exif orientations; position
    angles grow anticlockwise, and clockwise in a mirror image (elementary)."""
    y, x = (upright(plane, orientation) for plane in np.mgrid[:4, :6])
    dx, dy = int(x[0, 1] - x[1, 1]), int(y[0, 1] - y[1, 1])
    turned = np.degrees(np.arctan2(-dx, -dy))
    for mirrored in (False, True):
        record = replace(
            RECORD,
            geometry={"solved": True, "learned": LEARNED, "camera": {"mirrored": mirrored}},
            finish={"orientation": orientation},
        )
        expected = (LEARNED["rotation_deg"] + turned * (-1 if mirrored else 1)) % 360
        assert placed_figures(record, FILES)["rotation_deg"] == pytest.approx(expected)
