"""Bodies of one model whose headers tell no serial: no camera begins an exposure while one of its own goes on.

Where exposures overlap, and folders or series of file names part the frames so that within none of them they do, each
is of a body of its own.
"""

from __future__ import annotations

import os
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

from pipeline.card.frame import CardFrame, in_order

# Exposures are as long as stated but for a share (a nominal 13 s is 12.7 s), and clocks of whole seconds are cut off.
EXPOSURE_SHARE, WHOLE_SECOND = 0.95, 1.0
# Overlaps that tell two bodies: one or two may be a slip of a header.
OVERLAPS_MIN = 3
# ... and the share of them that may remain within a series: a copy of a frame, cut short, is not known for one.
SLIPS = 0.05
NEXT = 8  # frames after one that are asked whether it still went on
# In one folder a new series begins where time goes back and the numbers leap so far: a clock that was put back does the
# first alone, a counter past its end is not begun before the last of it.
NUMBERS_APART = 20


def bodies_apart(frames: Sequence[CardFrame]) -> list[CardFrame]:
    """The frames, in their order, those of bodies told apart with their `twin` and a body's name of their own."""
    bodies: dict[str, list[CardFrame]] = defaultdict(list)
    for frame in frames:
        bodies[frame.body].append(frame)
    twins: dict[str, int] = {}
    for members in bodies.values():
        if all(f.facts.serial is None for f in members):
            twins |= _twins(members)
    return [
        replace(frame, body=f"{frame.body}, body {twins[frame.path]}", twin=twins[frame.path])
        if frame.path in twins
        else frame
        for frame in frames
    ]


def _twins(frames: Iterable[CardFrame]) -> dict[str, int]:
    """By path the number of the body; without those that could be of any. Empty where nothing tells several."""
    timed = [f for f in in_order(frames) if f.start is not None]
    pairs = _overlaps(timed)
    if len(pairs) < OVERLAPS_MIN:
        return {}
    for series_of in (_folders, _beginnings, _numbers):
        series = series_of(timed)
        clashes = Counter(frozenset((series[a.path], series[b.path])) for a, b in pairs)
        within = sum(number for names, number in clashes.items() if len(names) == 1)
        if within <= SLIPS * len(pairs):
            bodies = _shared_out(list(dict.fromkeys(series[f.path] for f in timed)), set(clashes))
            return {f.path: bodies[series[f.path]] for f in timed if series[f.path] in bodies}
    return {}


def _overlaps(timed: Sequence[CardFrame]) -> list[tuple[CardFrame, CardFrame]]:
    """Pairs of frames of which the second, for certain, began before the first had ended."""
    pairs = []
    for n, frame in enumerate(timed):
        for other in timed[n + 1 : n + 1 + NEXT]:
            unsure = 0.0 if frame.facts.subsecond and other.facts.subsecond else WHOLE_SECOND
            if (other.start or 0.0) - (frame.start or 0.0) >= EXPOSURE_SHARE * frame.exposure - unsure:
                break
            pairs.append((frame, other))
    return pairs


Series = tuple[str, str, int]


def _folders(timed: Sequence[CardFrame]) -> dict[str, Series]:
    return {f.path: (folder_of(f), "", 0) for f in timed}


def _beginnings(timed: Sequence[CardFrame]) -> dict[str, Series]:
    return {f.path: (folder_of(f), beginning_and_number(f)[0], 0) for f in timed}


def _numbers(timed: Sequence[CardFrame]) -> dict[str, Series]:
    """Of one folder and beginning, stretches of numbers that go on in time."""
    beginnings = _beginnings(timed)
    groups: dict[Series, list[CardFrame]] = defaultdict(list)
    for frame in timed:
        groups[beginnings[frame.path]].append(frame)
    result: dict[str, Series] = {}
    for (folder, beginning, _), members in groups.items():
        part, before = 0, None
        for frame in sorted(members, key=lambda f: (beginning_and_number(f)[1], f.path)):
            if before is not None and beginning_and_number(frame)[1] - beginning_and_number(before)[1] >= NUMBERS_APART:
                part += (frame.start or 0.0) < (before.start or 0.0)
            result[frame.path] = (folder, beginning, part)
            before = frame
    return result


def folder_of(frame: CardFrame) -> str:
    """The folder that a frame's file lies in."""
    return os.path.dirname(frame.path)


def beginning_and_number(frame: CardFrame) -> tuple[str, int]:
    """A file's name without its last number, and that."""
    stem = os.path.splitext(os.path.basename(frame.path))[0]
    found = re.fullmatch(r"(.*?)(\d+)\D*", stem)
    return (stem, 0) if found is None else (found[1], int(found[2]))


def _shared_out(series: Sequence[Series], clashes: set[frozenset[Series]]) -> dict[Series, int]:
    """Numbers of bodies: for every series, in order of time, the first of which none overlaps it, rather one of the
    same folder; a series that overlaps none has the body that its folder alone tells, if one does."""
    bodies: list[list[Series]] = []

    def near(one: Series) -> Callable[[int], int]:
        return lambda n: max(_common(one[0], other[0]) for other in bodies[n])

    at_odds = {name for names in clashes if len(names) > 1 for name in names}
    for one in (s for s in series if s in at_odds):
        free = [n for n, body in enumerate(bodies) if not any(frozenset((one, other)) in clashes for other in body)]
        if free:
            bodies[max(free, key=near(one))].append(one)
        else:
            bodies.append([one])
    numbers = {one: n + 1 for n, body in enumerate(bodies) for one in body}
    for one in (s for s in series if s not in at_odds):
        common = [near(one)(n) for n in range(len(bodies))]
        if common.count(max(common)) == 1:
            numbers[one] = common.index(max(common)) + 1
    return numbers


def _common(one: str, other: str) -> int:
    """How many folders two paths have in common."""
    return len(os.path.commonpath([one, other]).split(os.sep)) if one and other else 0
