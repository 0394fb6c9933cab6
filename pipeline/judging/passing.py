"""What passes through single frames: streaks of aircraft and satellites."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.judging.graded import Graded
from pipeline.verdicts import Figures

PERSISTENT = 3  # frames with a streak in the same place: it belongs to the ground
SAME_LINE = 15.0  # px
FLASH = 12.0  # px from a streak within which what was measured is an aircraft's flash, or a star under its light


def passing_streaks(figures: Sequence[Figures], frames: Sequence[Graded]) -> None:
    """Leave out streaks that lie in the same place in several frames: edges of the foreground, defects."""
    lists = [json.loads(frame.row["streak_list"] or "[]") for frame in frames]
    places = [np.array([[s["x1"], s["y1"], s["x2"], s["y2"]] for s in found]).reshape(-1, 4) for found in lists]
    for f, found, here in zip(figures, lists, places, strict=True):
        again = np.array([sum(_same_line(line, other) for other in places) for line in here])
        f.streak_list = [s for s, times in zip(found, again, strict=True) if times < PERSISTENT]
        f.streaks = len(f.streak_list)


def without_flashes(frame: Graded, streaks: Sequence[Mapping[str, float]]) -> Graded:
    """The frame without the stars on its passing streaks: in a sparse field an aircraft's flashes are half of them."""
    x, y = frame.stars["x"], frame.stars["y"]
    on = np.zeros(len(x), bool)
    for s in streaks:
        dx, dy = s["x2"] - s["x1"], s["y2"] - s["y1"]
        along = np.clip(((x - s["x1"]) * dx + (y - s["y1"]) * dy) / max(dx * dx + dy * dy, 1e-9), 0, 1)
        on |= np.hypot(x - s["x1"] - along * dx, y - s["y1"] - along * dy) < FLASH
    return replace(frame, stars=frame.stars[~on])


def _same_line(line: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Whether both ends of a line lie within `SAME_LINE` px of the lines through any of the others."""
    direction = others[:, 2:] - others[:, :2]
    length = np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-9)
    off = [
        np.abs((line[k] - others[:, 0]) * direction[:, 1] - (line[k + 1] - others[:, 1]) * direction[:, 0]) / length
        for k in (0, 2)
    ]
    return bool(((off[0] < SAME_LINE) & (off[1] < SAME_LINE)).any())
