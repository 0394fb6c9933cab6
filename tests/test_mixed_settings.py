"""Scenes of several ISO and exposures: frames are compared by the light they had, which their stars and what is stated
tell. A sensor is linear: its values go with light, exposure and gain (elementary; EMVA 1288, section 2.1)."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from pipeline.config import JudgeSettings, Site
from pipeline.judge import Graded, judge_scene
from tests.labelled import Setting, make_scene

STATED = 4.0  # times, from ISO 800 to ISO 3200


def made(true, through=None, sky=None):
    """A clear tracked scene whose first half is taken at ISO 800, where light makes `true` times less than at 3200.

    `through` is what of the starlight comes through in each frame of that half, `sky` how bright its sky is.
    """
    frames, scene = make_scene(Setting(50.0, True, 700, exposure_s=30.0), 3)
    half = len(frames) // 2
    through, sky = through or [1.0] * half, sky or [1.0] * half
    mixed = []
    for n, frame in enumerate(frames):
        stars, row = frame.stars.copy(), dict(frame.row)
        low = n < half
        light, level = (through[n] / true, sky[n] / true) if low else (1.0, 1.0)
        stars["flux"] *= light
        stars["flux_error"] *= 1 / true if low else 1.0
        row["tile_sky_adu"] = json.dumps((level * np.array(json.loads(row["tile_sky_adu"]))).tolist())
        row |= {key: level * row[key] for key in ("sky_adu", "sky_adu_s")}
        row |= {"noise_adu": row["noise_adu"] / (true if low else 1.0), "electrons_per_adu": true if low else 1.0}
        mixed.append(Graded(replace(frame.plan, iso=800 if low else 3200), row, stars))
    rows, _, events = judge_scene(mixed, scene, JudgeSettings(), Site())
    return rows, events, half


@pytest.mark.parametrize("true", [STATED, 1.15 * STATED, STATED / 1.2, 1.0])
def test_frames_of_two_iso_are_compared_by_their_light(true):
    """As stated, off by as much as cameras are, and an extended ISO that is a number alone: a clear night."""
    rows, events, half = made(true)
    assert [row["transparency"] for row in rows] == pytest.approx([1.0] * len(rows), abs=0.03)
    assert {row["verdict"] for row in rows} == {"kept"}
    assert not events
    assert rows[-1]["sensitivity"] / rows[0]["sensitivity"] == pytest.approx(true, rel=0.02)
    # a sky of the same light has the same electrons a second
    levels = np.array([row["sky_e_s"] for row in rows])
    assert np.median(levels[:half]) == pytest.approx(np.median(levels[half:]), rel=0.03)


def test_frames_of_one_iso_that_stand_under_cloud_are_told():
    """Planted: 0.3 to 0.65 of the starlight in the frames of one ISO, another share in each."""
    frames = len(make_scene(Setting(50.0, True, 700, exposure_s=30.0), 3)[0])
    through = np.tile([0.65, 0.5, 0.3, 0.4, 0.55], frames)[: frames // 2].tolist()
    rows, events, half = made(STATED, through)
    assert [row["transparency"] for row in rows[:half]] == pytest.approx(through, abs=0.05)
    assert {row["reasons"] for row in rows[:half]} == {"cloud"}
    assert {row["verdict"] for row in rows[half:]} == {"kept"}
    assert {event["cause"] for event in events} <= {"haze", "broken cloud", "cloud", "passing cloud"}


def test_even_haze_over_the_frames_of_one_iso_is_no_setting():
    """Haze takes the stars' light and not the sky's: half of it lost in all frames of one ISO alike is told."""
    frames = len(make_scene(Setting(50.0, True, 700, exposure_s=30.0), 3)[0])
    rows, events, half = made(STATED, [0.5] * (frames // 2))
    assert [row["transparency"] for row in rows[:half]] == pytest.approx([0.5] * half, abs=0.04)
    assert {row["verdict"] for row in rows[half:]} == {"kept"}
    assert [event["cause"] for event in events] == ["haze"]
