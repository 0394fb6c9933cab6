"""Scenes of several nights that could be one: told where field and lens agree, with lines that mean their frames."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from pipeline.config import parse_trip
from pipeline.pages.together import together

FIELD = {
    "solved": True,
    "centre_ra_deg": 359.9,
    "centre_dec_deg": 60.0,
    "rotation_deg": 359.0,
    "pixel_scale_arcsec": 120.0,
    "field_deg": [54.0, 38.0],
    "exposure_total_s": 600.0,
    "ground": {"found": False},
}
SETTINGS = {
    "kind": "light", "camera": "one", "serial": "7", "width": 900, "height": 600, "iso": 1600, "gain": None,
    "lens": "35 mm", "f_number": 2.8, "focal_mm": 35.0, "exposure_s": 20.0,
}  # fmt: skip
NIGHTS = {"a": ["n1_0001.dng", "n1_0002.dng"], "b": ["n2_0001.dng", "n2_0002.dng"]}


def _told(
    change: Mapping[str, Any] | None = None,
    settings: Mapping[str, Any] | None = None,
    files: Mapping[str, list[str]] = NIGHTS,
) -> list[dict[str, Any]]:
    """What is told of two scenes, of which the second differs so."""
    scenes = {name: {**FIELD, **(change or {} if name == "b" else {})} for name in files}
    rows = [
        {**SETTINGS, **(settings or {} if name == "b" else {}), "scene": name, "file": file, "id": f"2026{name}{n}"}
        for name, mine in files.items()
        for n, file in enumerate(mine)
    ]
    return together(scenes, rows)


def test_two_nights_of_one_field_can_be_one() -> None:
    """Centres 0.2 degrees of right ascension apart across 0 h, turned by 2 degrees across north: one field
    (elementary). The lines are read by the settings and mean both nights' frames."""
    (item,) = _told({"centre_ra_deg": 0.1, "rotation_deg": 1.0})
    assert item["scenes"] == ["a", "b"]
    assert "20\u202fmin of light" in item["sentence"]
    scenes = parse_trip(item["lines"]).scenes
    assert scenes["a-together"].frames == ["n1_*", "n2_*"]


@pytest.mark.parametrize(
    ("change", "settings"),
    [
        ({"centre_dec_deg": 45.0}, {}),
        ({"rotation_deg": 90.0}, {}),
        ({"pixel_scale_arcsec": 123.0}, {}),
        ({"solved": False}, {}),
        ({"ground": {"found": True}}, {}),
        ({}, {"exposure_s": 30.0}),
        ({}, {"lens": "50 mm"}),
        ({}, {"iso": 800}),
        ({}, {"serial": "8"}),
    ],
)
def test_what_does_not_agree_is_not_told(change: dict[str, Any], settings: dict[str, Any]) -> None:
    """Another field, scale, setting or camera, land in the picture, or a field that is not known."""
    assert _told(change, settings) == []


def test_frames_without_a_beginning_of_their_own_are_named() -> None:
    """Where no pattern means them alone names do, and ids where a name means two frames."""
    (item,) = _told(files={"a": ["x_0001.dng", "x_0003.dng"], "b": ["x_0002.dng", "x_0004.dng"]})
    assert '["x_0001.dng", "x_0003.dng", "x_0002.dng", "x_0004.dng"]' in item["lines"]
    (item,) = _told(files={"a": ["x_1.dng", "y_2.dng"], "b": ["d/x_1.dng", "z_4.dng"]})
    assert '["2026a0", "2026a1", "2026b0", "2026b1"]' in item["lines"]
