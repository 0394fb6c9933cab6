"""What passes through single frames: streaks of aircraft and satellites."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.judging.clouds import Sky
from pipeline.judging.graded import Graded
from pipeline.judging.verdicts import Figures
from pipeline.sky.times import parse
from pipeline.stars.lights import SHORT, Light, kind_of

PERSISTENT = 3  # frames with a streak in the same place: it belongs to the ground
SAME_LINE = 15.0  # px
WITHIN = 2  # frames before and after, in one of which what crosses the sky shows again: one may miss it
OFF_COURSE = 0.02  # px a px along, by which a lens, and a mount between frames, bend a satellite's path
LIGHT_FIELDS = tuple(field.name for field in fields(Light))
# Times the star width: what is wider is an edge of land or cloud, a contrail, a branch in the wind; glare and fireballs
# may be, whose mean height is so many times the noise of a pixel of what is beyond the neighbours.
WIDE, FIREBALL = 3.0, 8.0
PLACES, ON_LAND = 21, 0.5  # places along a streak that are looked at; share of them on land, of what no meteor is
# Times the noise of a pixel that a satellite's line stands above it, for the frame after to show it for certain; and
# how far inside a frame the middle of its line there must lie, px.
SURE, INSIDE = 3.0, 50.0
FLASH = 12.0  # px from a streak within which what was measured is an aircraft's flash, or a star under its light


def passing_streaks(figures: Sequence[Figures], frames: Sequence[Graded]) -> None:
    """Name what passes, and leave out what does not.

    Lines in the same place in several frames are edges of land or defects; so are lines no brighter than what is beside
    them, or wide as no star is. `frames` are in the order of time.
    """
    lists = [json.loads(frame.row["streak_list"] or "[]") for frame in frames]
    places = [_places(found) for found in lists]
    for n, (f, frame) in enumerate(zip(figures, frames, strict=True)):
        near = [k for k in range(n - WITHIN, n + WITHIN + 1) if k != n and 0 <= k < len(places)]
        beside = np.concatenate([places[k] for k in near] or [np.empty((0, 4))])
        f.streak_list = []
        for streak, line in zip(lists[n], places[n], strict=True):
            seen = sum(_in_place(line, other) for other in places)
            if seen >= PERSISTENT:
                continue
            light = Light(**{name: streak[name] for name in LIGHT_FIELDS if name in streak})
            diagonal = math.hypot(frame.row["width"], frame.row["height"])
            length = math.hypot(line[2] - line[0], line[3] - line[1])
            known, goes_on = "uneven" in streak, bool(_goes_on(line, beside).any())
            kind = kind_of(light, length, diagonal, goes_on) if known else "unknown"
            if kind == "satellite" and not goes_on and streak.get("signal", 0.0) > SURE and _missed(line, n, frames):
                kind = "unknown"
            if kind == "meteor" and seen > 1:
                kind = "unknown"  # what comes back in its place is a lamp's light on something that stands
            wide = light.width_px > WIDE * max(frame.row["fwhm_px"] or 0.0, 2.0)
            wide &= kind in ("unknown", "satellite") or (kind == "meteor" and streak.get("signal", 0.0) < FIREBALL)
            if known and (wide or streak.get("brightness", 1.0) <= 0):
                continue
            f.streak_list.append({**streak, "kind": kind})
        f.streaks = len(f.streak_list)
    _name_by_neighbours([f.streak_list for f in figures])


def _missed(line: NDArray[np.float64], n: int, frames: Sequence[Graded]) -> bool:
    """Whether the frame before or the one after should show a satellite that drew a line in frame `n`, whichever way it
    flew: it is as long there, and as far on as the pause between the exposures says."""
    ends = line.reshape(2, 2)
    should = []
    for k in (n - 1, n + 1):
        pause = _pause(frames, min(k, n)) if 0 <= k < len(frames) else None
        exposure = frames[n].plan.exposure_s
        if pause is None or not exposure or pause > exposure:
            should.append([False, False])
            continue
        past = pause / exposure + 0.5  # lengths from its end to the middle of the next line
        places = ends[1] + past * (ends[1] - ends[0]), ends[0] + past * (ends[0] - ends[1])
        size = frames[k].row["width"], frames[k].row["height"]
        should.append([bool((place > INSIDE).all() and (place < np.subtract(size, INSIDE)).all()) for place in places])
    (before_far, before_near), (after_far, after_near) = should
    return (after_far or before_near) and (after_near or before_far)


def _pause(frames: Sequence[Graded], n: int) -> float | None:
    """Seconds from the end of a frame to the beginning of the next; None where that is not known."""
    one, other = (parse(frames[k].plan.taken) for k in (n, n + 1))
    exposure = frames[n].plan.exposure_s
    if one is None or other is None or exposure is None:
        return None
    return float((other - one).total_seconds() - exposure)


def _name_by_neighbours(lists: Sequence[list[dict[str, Any]]]) -> None:
    """Call an aircraft what goes on in one along its line: between two flashes, or cut by the frame, it shows none."""
    numbers = range(len(lists))
    for n in (*numbers, *reversed(numbers)):
        near = [k for k in range(n - WITHIN, n + WITHIN + 1) if k != n and 0 <= k < len(lists)]
        aircraft = _places([s for k in near for s in lists[k] if s["kind"] == "aircraft"])
        for streak, line in zip(lists[n], _places(lists[n]), strict=True):
            if _goes_on(line, aircraft).any():
                streak["kind"] = "aircraft"


def _places(streaks: Sequence[Mapping[str, Any]]) -> NDArray[np.float64]:
    """Their ends, (n, 4)."""
    return np.array([[s["x1"], s["y1"], s["x2"], s["y2"]] for s in streaks], np.float64).reshape(-1, 4)


def without_unlikely(figures: Sequence[Figures], blurred: Sequence[bool], sky: Sky, width: int, height: int) -> None:
    """Take the name from meteors and satellites that lie on land, as a lamp's light or a firefly's does; leave out of
    frames whose stars a kick has doubled, and set in rows, what neither flashes nor goes on in a frame near by, and of
    those that are `blurred`, trailed or out of focus, what is short besides."""
    least = SHORT * math.hypot(width, height)
    places = [_places(f.streak_list) for f in figures]
    for n, f in enumerate(figures):
        if f.doubled or blurred[n]:
            near = [places[k] for k in range(n - WITHIN, n + WITHIN + 1) if k != n and 0 <= k < len(figures)]
            beside = np.concatenate([*near, np.empty((0, 4))])
            f.streak_list = [
                streak
                for streak, line in zip(f.streak_list, places[n], strict=True)
                if streak["kind"] == "aircraft"
                or _goes_on(line, beside).any()
                or (not f.doubled and math.hypot(line[2] - line[0], line[3] - line[1]) > least)
            ]
            f.streaks = len(f.streak_list)
        for streak in f.streak_list:
            line = np.linspace((streak["x1"], streak["y1"]), (streak["x2"], streak["y2"]), PLACES)
            hidden = sky.on_land(n, line, width, height).mean() > ON_LAND
            if hidden and streak["kind"] in ("meteor", "satellite"):
                streak["kind"] = "unknown"


def without_flashes(frame: Graded, streaks: Sequence[Mapping[str, Any]]) -> Graded:
    """The frame without the stars on its passing streaks: in a sparse field an aircraft's flashes are half of them."""
    x, y = frame.stars["x"], frame.stars["y"]
    on = np.zeros(len(x), bool)
    for s in streaks:
        dx, dy = s["x2"] - s["x1"], s["y2"] - s["y1"]
        along = np.clip(((x - s["x1"]) * dx + (y - s["y1"]) * dy) / max(dx * dx + dy * dy, 1e-9), 0, 1)
        on |= np.hypot(x - s["x1"] - along * dx, y - s["y1"] - along * dy) < FLASH
    return replace(frame, stars=frame.stars[~on])


def _off_and_along(
    line: NDArray[np.float64], others: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Of both ends of a line, (n, 2): how far off the lines through the others, px; where along them, in lengths."""
    direction = others[:, 2:] - others[:, :2]
    length = np.maximum(np.hypot(direction[:, 0], direction[:, 1]), 1e-9)[:, None]
    from_start = line.reshape(2, 2)[None] - others[:, None, :2]
    off = from_start[..., 0] * direction[:, 1:] - from_start[..., 1] * direction[:, :1]
    along = from_start[..., 0] * direction[:, :1] + from_start[..., 1] * direction[:, 1:]
    return np.abs(off) / length, along / length**2


def _in_place(line: NDArray[np.float64], others: NDArray[np.float64]) -> bool:
    """Whether a line lies within `SAME_LINE` px of the line through any of the others, and beside it."""
    off, along = _off_and_along(line, others)
    beside = (along.max(axis=1) > 0) & (along.min(axis=1) < 1)
    return bool(((off < SAME_LINE).all(axis=1) & beside).any())


def _goes_on(line: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which of the others lie farther along the same line, (n,)."""
    off, along = _off_and_along(line, others)
    allowed = SAME_LINE + OFF_COURSE * np.maximum(np.abs(along - 0.5).max(axis=1), 1) * np.hypot(
        *(others[:, 2:] - others[:, :2]).T
    )
    apart = (along.min(axis=1) > 0.9) | (along.max(axis=1) < 0.1)
    return (off < allowed[:, None]).all(axis=1) & apart
