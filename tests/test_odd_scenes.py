"""Scenes of three frames, scenes all bad, scenes of two populations: what the page says of them is no nonsense."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pipeline.stars.motion import learn_pattern
from tests.judged_pages import told
from tests.labelled import Fault


def aside(rows: list[dict]) -> dict[int, str]:
    return {n: row["reasons"] for n, row in enumerate(rows) if row["verdict"] == "set aside"}


@pytest.mark.parametrize("tracked", [False, True])
def test_three_sound_frames(tmp_path: Path, tracked: bool) -> None:
    """All are kept, with figures; no course of anything is told from three."""
    got = told(tmp_path, {}, frames=3, tracked=tracked, focal_mm=35.0, exposure_s=8.0)
    assert aside(got.rows) == {}
    assert "All 3 frames were kept." in got.text
    assert all(row["transparency"] == pytest.approx(1.0, abs=0.05) for row in got.rows)
    assert got.figures["sky_events"] == []
    assert got.figures["notes"] == []
    assert "Light lost" not in got.text


@pytest.mark.parametrize(
    ("fault", "reason", "said"),
    [
        (
            Fault("haze", 0.3),
            "cloud",
            "100 % of the sky lets through less than 66 % of the starlight; limit 22 %",
        ),
        (Fault("defocus", 2.2), "out of focus", "as in the scene's sharp frames"),
        (Fault("kick", 2.5), "trailed", "that the sky's turning does not explain"),
    ],
)
def test_one_bad_of_three(tmp_path: Path, fault: Fault, reason: str, said: str) -> None:
    """The bad one is set aside with the measured value and its limit, and what it costs."""
    got = told(tmp_path, {1: fault}, frames=3, tracked=True, focal_mm=35.0)
    assert aside(got.rows) == {1: reason}
    assert "2 frames kept, 1 set aside." in got.text
    assert said in got.text.replace("&#39;", "'")
    assert "Light lost: 13 s in 1 frame set aside." in got.text


def test_two_of_three_kicked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What most frames show is not the lens's where it is a kick: the third, sound, alone tells what the lens does and
    is kept, its motion the sky's."""
    taught = []

    def learned(shapes: Any, *rest: Any) -> Any:
        taught.append(len(shapes))
        return learn_pattern(shapes, *rest)

    monkeypatch.setattr("pipeline.judge.learn_pattern", learned)
    kicks = {n: Fault("kick", 4.0, angle_deg=37.0) for n in (0, 2)}
    got = told(tmp_path, kicks, frames=3, focal_mm=24.0, exposure_s=8.0)
    assert aside(got.rows) == {0: "trailed", 2: "trailed"}
    assert got.rows[1]["motion_px"] == pytest.approx(got.rows[1]["motion_expected_px"], abs=0.25)
    assert taught == [1]


def test_all_frames_bad(tmp_path: Path) -> None:
    """Every frame kicked, each another way: none is kept, and no weather, cloud or focus is made up to explain it."""
    got = told(
        tmp_path,
        {n: Fault("kick", 2.0 + 0.2 * n, angle_deg=67.0 * n) for n in range(8)},
        frames=8,
        tracked=True,
        focal_mm=50.0,
        stars=900,
    )
    assert aside(got.rows) == dict.fromkeys(range(8), "trailed")
    assert got.figures["frames_kept"] == 0
    assert "None of 8 frames could be used." in got.text
    assert "All 8 frames are set aside; their reasons stand in the table." in got.text
    assert "Steady the camera" in got.text
    assert got.figures["sky_events"] == []
    assert got.figures["exposure_lost"] == {"frames_set_aside": 8, "set_aside_s": 104.0, "by_weight_s": None}


@pytest.mark.parametrize(("severity", "kept"), [(1.2, 20), (1.6, 10)])
def test_refocused_at_midnight(tmp_path: Path, severity: float, kept: int) -> None:
    """The jump is told with its frame and both widths; the soft half is kept where it still serves."""
    got = told(
        tmp_path,
        {n: Fault("defocus", severity) for n in range(10)},
        frames=20,
        tracked=True,
        focal_mm=50.0,
        stars=700,
    )
    assert got.figures["frames_kept"] == kept
    assert set(aside(got.rows).values()) <= {"out of focus"}
    assert "The focus jumped at f010" in got.text
    assert got.figures["sky_events"] == []
    if kept == 10:
        assert "Check the focus more often" in got.text


def test_a_lens_that_cools(tmp_path: Path) -> None:
    """Width that grows by a quarter over the night is told as a drift with both ends; no frame is lost."""
    got = told(
        tmp_path,
        {n: Fault("defocus", 1 + 0.25 * n / 19) for n in range(20)},
        frames=20,
        tracked=True,
        focal_mm=85.0,
        stars=700,
    )
    assert aside(got.rows) == {}
    assert "The focus drifted slowly (temperature, dew)" in got.text
    assert "jumped" not in got.text
