"""A run of one pointing divided where the field turns out of the frame, and as it was divided before."""

from __future__ import annotations

from bisect import bisect
from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from pipeline.card.frame import CardFrame


def divided_evenly(
    frames: Sequence[CardFrame], shared: Callable[[float], float], overlap: float
) -> list[list[CardFrame]]:
    """The fewest parts of equal time in which every frame shares `overlap` with the middle.

    Parameters
    ----------
    frames : in order of time
    shared : callable
        What two frames so many seconds apart have in common.
    overlap : share asked for
    """
    starts = [f.start for f in frames if f.start is not None]
    if len(starts) != len(frames) or len(frames) < 2:
        return [list(frames)]
    begin, end = starts[0], starts[-1]
    number = 1
    while number < len(frames) and shared((end - begin) / number / 2) < overlap:
        number += 1
    step = (end - begin) / number
    parts: list[list[CardFrame]] = [[] for _ in range(number)]
    for frame, start in zip(frames, starts, strict=True):
        parts[min(int((start - begin) / step), number - 1) if step else 0].append(frame)
    return [part for part in parts if part]


def divided_as_before(
    frames: Sequence[CardFrame], shared: Callable[[float], float], overlap: float, before: Mapping[str, str]
) -> list[list[CardFrame]] | None:
    """The division that the frames had, new frames joining their neighbours in time; None where it holds no longer."""
    starts = [f.start for f in frames if f.start is not None]
    known = [n for n, f in enumerate(frames) if f.id in before]
    if len(starts) != len(frames) or not known:
        return None
    names = []
    for n, frame in enumerate(frames):
        after = bisect(known, n)
        nearest = min(known[max(0, after - 1) : after + 1], key=lambda k: (abs(starts[k] - starts[n]), k))
        names.append(before.get(frame.id, before[frames[nearest].id]))
    parts: list[list[int]] = [[0]]
    for n in range(1, len(frames)):
        if names[n] != names[n - 1]:
            parts.append([])
        parts[-1].append(n)
    in_pieces = len({names[part[0]] for part in parts}) != len(parts)
    too_long = any(shared((starts[part[-1]] - starts[part[0]]) / 2) < overlap for part in parts)
    return None if in_pieces or too_long else [[frames[n] for n in part] for part in parts]


def undivided(before: Mapping[str, str], runs: Sequence[Sequence[CardFrame]]) -> dict[str, str]:
    """The names that frames had, without those that frames of several runs bear: these were divided otherwise."""
    bearers = Counter(name for run in runs for name in {before[f.id] for f in run if f.id in before})
    return {id_: name for id_, name in before.items() if bearers[name] < 2}
