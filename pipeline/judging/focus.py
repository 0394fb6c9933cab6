"""How the focus of a scene went over the night: stretches in which it held or drifted, and the jumps between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA

FRAMES_MIN = 6
TOLD = 0.12  # of the star width: what changes by less is not told
SURE = 4.0  # standard deviations of a change that is told
LEAST_ERROR = 0.01  # of one width: seeing and motion leave it, however well stars are measured
LINE_FRAMES = 4  # of a stretch that may have a slope; a change within fewer is a jump
# times ln(frames): chi^2 that one stretch more must save, twice what its three figures are worth (Schwarz 1978,
# Ann. Statist. 6, 461: one ln(frames) each)
PIECE_COST = 6.0
CHANGES_MAX = 6  # told one by one
# Frames over which a drift is called one: fewer that differ were taken before somebody looked, or after a knock.
SLOW = 8


@dataclass(frozen=True)
class _Stretch:
    """Frames `start` to `stop` - 1, over which the logarithm of the width is `level` + `slope` x (n - `start`)."""

    start: int
    stop: int
    level: float
    slope: float

    def at(self, n: float) -> float:
        return self.level + self.slope * (n - self.start)


@dataclass(frozen=True)
class _Change:
    """A drift or a jump from one width to another, px, at or from a known frame on."""

    jumps: bool
    frame: int
    before: float
    after: float
    frames: int = 0  # of a drift


def focus_course(widths: Sequence[float | None], names: Sequence[str]) -> str | None:
    """Say how the focus of a scene went, where it did not stay: drifts, jumps, and what brought it back.

    Parameters
    ----------
    widths : star width of each frame in the order of time, px, motion taken out; None where not measured
    names : what to call the frames
    """
    known = [(names[n], w) for n, w in enumerate(widths) if w is not None]
    if len(known) < FRAMES_MIN:
        return None
    changes = _changes(np.log([w for _, w in known]))
    if not changes:
        return None
    if len(changes) > CHANGES_MAX:
        least = min(min(change.before, change.after) for change in changes)
        most = max(max(change.before, change.after) for change in changes)
        return f"The focus changed {len(changes)} times, between stars of {least:.1f} and {most:.1f} px: see the table."
    said = []
    for n, change in enumerate(changes):
        name, widths_said = known[change.frame][0], f"from {change.before:.1f} to {change.after:.1f} px"
        if n > 0 and change.jumps and change.after < change.before:
            said.append(f"At {name} it was brought back, {widths_said}.")
        elif n > 0:
            drifted = (
                f"drifted slowly from {name}" if change.frames >= SLOW else f"changed within {change.frames} frames"
            )
            said.append(f"Then it {f'jumped at {name}' if change.jumps else drifted}, {widths_said}.")
        elif change.jumps:
            before, after = f"{change.before:.1f} px wide before it", f"{change.after:.1f} px after it"
            said.append(f"The focus jumped at {name}: stars {before}, {after}.")
        else:
            last = "at last" if len(changes) == 1 else f"before {known[changes[1].frame][0]}"
            ends = f"{change.before:.1f} px wide at first, {change.after:.1f} px {last}"
            if change.frames >= SLOW:
                said.append(f"The focus drifted slowly (temperature, dew): stars {ends}.")
            else:
                said.append(f"The focus changed within {change.frames} frames: stars {ends}.")
    return " ".join(said)


def _changes(values: NDArray[np.float64]) -> list[_Change]:
    """Drifts and jumps in the logarithms of widths."""
    # what a straight course leaves between every three frames
    error = max(MAD_TO_SIGMA * float(np.median(np.abs(np.diff(values, 2)))) / math.sqrt(6), LEAST_ERROR)
    # one or two frames far off all about them are single events, not the course
    starts = np.clip(np.arange(len(values)) - 2, 0, len(values) - 5)
    smooth = np.array([np.median(values[n : n + 5]) for n in starts])
    stretches = _stretches(smooth, error)
    found, begun = [], stretches[0]
    for n, stretch in enumerate(stretches):
        following = stretches[n + 1] if n + 1 < len(stretches) else None
        if following is not None:
            between = stretch.stop - 0.5
            if abs(following.at(between) - stretch.at(between)) < max(TOLD, SURE * error):
                continue
        first, last = begun.at(begun.start), stretch.at(stretch.stop - 1)
        number = stretch.stop - begun.start
        if abs(last - first) > max(TOLD, SURE * error * math.sqrt(12 / number)):
            if number < SLOW:
                # the medians at a scene's ends are of the same five
                first, last = values[begun.start], values[stretch.stop - 1]
            found.append(_Change(False, begun.start, math.exp(first), math.exp(last), number))
        if following is not None:
            found.append(_Change(True, following.start, math.exp(last), math.exp(following.level)))
            begun = following
    return found


def _stretches(values: NDArray[np.float64], error: float) -> list[_Stretch]:
    """The fewest straight stretches of two frames and more that describe values to within their error: the least sum of
    squares and cost a stretch, among all ways to part them."""
    n = len(values)
    place = np.arange(n, dtype=float)
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (place, place**2, values, values**2, place * values)]
    best, came = np.full(n + 1, np.inf), np.zeros(n + 1, int)
    best[0] = 0.0
    for stop in range(2, n + 1):
        starts = np.arange(0, stop - 1)
        number = stop - starts
        x, xx, y, yy, xy = (s[stop] - s[starts] for s in sums)
        spread, common = xx - x * x / number, xy - x * y / number
        slope_saves = np.where(number >= LINE_FRAMES, common**2 / spread, 0.0)
        left = np.maximum(yy - y * y / number - slope_saves, 0.0) / error**2
        total = best[starts] + left + PIECE_COST * math.log(n)
        came[stop] = starts[int(np.argmin(total))]
        best[stop] = total.min()
    found: list[_Stretch] = []
    stop = n
    while stop:
        start = int(came[stop])
        part, along = values[start:stop], place[start:stop] - start
        slope, level = np.polyfit(along, part, 1) if stop - start >= LINE_FRAMES else (0.0, part.mean())
        found.insert(0, _Stretch(start, stop, float(level), float(slope)))
        stop = start
    return found
