"""Which lights make a scene, and what its folder is called."""

from __future__ import annotations

import itertools
import os
import re
import string
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence, Set
from typing import TypeVar

from pipeline.card.frame import CardFrame, in_order, median, near_values
from pipeline.files import is_named

EXPOSURE_TOLERANCE = 0.03
# Zooms tell the focal length in steps; the same step may read 24.0 or 24.2 with focus.
FOCAL_TOLERANCE = 0.02

_T = TypeVar("_T")


def by_settings(frames: Iterable[CardFrame], pause_s: float) -> list[list[CardFrame]]:
    """Group lights by body, what its clock was set to, image size, ISO, exposure, filter, lens, focal length and
    aperture, each in order of time.

    What a frame does not say of lens, focal length or aperture (contacts that failed once) it takes from the nearest
    frame in time that says it, within the pause that would end a scene.
    """
    frames = in_order(frames)
    exposures = near_values((f.facts.exposure_s for f in frames), EXPOSURE_TOLERANCE)
    bodies: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for frame in frames:
        facts = frame.facts
        exposure = exposures[facts.exposure_s]
        bodies[
            (
                *(frame.body, frame.stretch, facts.width, facts.height),
                *(facts.sensitivity, exposure, facts.through),
            )
        ].append(frame)
    groups: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for key, members in bodies.items():
        focal = near_values((f.facts.focal_mm or None for f in members), FOCAL_TOLERANCE)
        focals = _fill(members, [focal[f.facts.focal_mm or None] for f in members], pause_s)
        lenses = _fill(members, [f.facts.lens for f in members], pause_s)
        apertures = _fill(members, [f.facts.f_number or None for f in members], pause_s)
        for frame, optics in zip(members, zip(focals, lenses, apertures, strict=True), strict=True):
            folder = os.path.dirname(frame.path) if frame.start is None else ""
            groups[(*key, *optics, folder)].append(frame)
    return sorted(groups.values(), key=lambda g: _place(g[0]))


def _fill(frames: Sequence[CardFrame], own: Sequence[_T | None], pause_s: float) -> list[_T | None]:
    """The value of each frame, of its nearest neighbour in time (at most `pause_s` off) where it has none."""
    known = [n for n, v in enumerate(own) if v is not None and frames[n].start is not None]
    filled = list(own)
    for n, frame in enumerate(frames):
        if own[n] is not None or frame.start is None or not known:
            continue
        distance = [abs((frames[k].start or 0.0) - frame.start) for k in known]
        best = min(range(len(known)), key=lambda k: distance[k])
        if distance[best] <= pause_s:
            filled[n] = own[known[best]]
    return filled


def _place(frame: CardFrame) -> tuple[bool, float, str]:
    return (frame.start is None, frame.start or 0.0, frame.shown)


def by_pauses(frames: Sequence[CardFrame], pause_s: float) -> list[list[CardFrame]]:
    """Split frames in order of time where more than `pause_s` lies between the end of one and the start of the next."""
    parts = [[frames[0]]]
    for before, frame in itertools.pairwise(frames):
        timed = before.start is not None and frame.start is not None
        if timed and (frame.start or 0.0) - (before.start or 0.0) - before.exposure > pause_s:
            parts.append([])
        parts[-1].append(frame)
    return parts


def by_hand(
    frames: Sequence[CardFrame], patterns: Mapping[str, Sequence[str]]
) -> tuple[dict[str, list[CardFrame]], list[CardFrame]]:
    """Take out the frames of scenes made by hand; a frame goes to the first scene that names it.

    Returns
    -------
    scenes : dict
        Name to frames in order of time; only those that got any.
    rest : list
    """
    made: dict[str, list[CardFrame]] = defaultdict(list)
    rest = []
    for frame in in_order(frames):
        name = next((name for name, wanted in patterns.items() if named(frame, wanted)), None)
        if name is None:
            rest.append(frame)
        else:
            made[name].append(frame)
    return dict(made), rest


def named(frame: CardFrame, patterns: Iterable[str]) -> bool:
    """Whether a frame is meant by one of the names or patterns: by its id, its name, or its path in its folder."""
    return is_named(frame.shown, patterns, (frame.id, frame.path))


def scene_prefix(frames: Sequence[CardFrame]) -> str:
    """What a scene's name begins with: the night's date and the focal length."""
    nights = sorted({n for n in (f.night for f in frames) if n is not None})
    focal = median(f.facts.focal_mm or None for f in frames)
    # 24.3 mm and 24.0 mm are both a 24 mm picture; below 10 mm (telephones) a decimal tells more
    length = "unknown-focal" if focal is None else f"{focal:.0f}mm" if focal >= 9.95 else f"{focal:.1f}mm"
    return f"{nights[0] if nights else 'undated'}_{length.replace('.', '-')}"


def letters(number: int) -> str:
    """`a` .. `z`, `aa` .. for 0, 1, ...

    Examples
    --------
    >>> letters(0), letters(25), letters(26), letters(51)
    ('a', 'z', 'aa', 'az')
    """
    text = ""
    number += 1
    while number:
        number, digit = divmod(number - 1, 26)
        text = string.ascii_lowercase[digit] + text
    return text


def name_groups(
    groups: Sequence[Sequence[CardFrame]],
    prefixes: Sequence[str],
    before: Mapping[str, str],
    taken: Set[str] = frozenset(),
) -> list[str]:
    """Name groups of frames: as before where their frames bear a name already, else with a free letter.

    Parameters
    ----------
    groups : sequences of frames
    prefixes : what each group's name begins with, if it is a new one
    before : mapping of frame id to the name it had
    taken : names that must not be given

    Returns
    -------
    list of str
        A name a group, no two the same. A former name goes to the group with most of its frames.
    """
    names: list[str | None] = [None] * len(groups)
    claims = [
        (-number, n, name)
        for n, group in enumerate(groups)
        for name, number in Counter(before[f.id] for f in group if f.id in before).items()
    ]
    used = set(taken)
    for _, n, name in sorted(claims):
        if names[n] is None and name not in used:
            names[n] = name
            used.add(name)
    used |= set(before.values())
    for n, prefix in enumerate(prefixes):
        if names[n] is None:
            number = 0
            while f"{prefix}_{letters(number)}" in used:
                number += 1
            names[n] = f"{prefix}_{letters(number)}"
            used.add(names[n] or "")
    return [name or "" for name in names]


def safe_name(text: str) -> str:
    """Text as part of a file name: letters, digits, `-` and `_` only.

    Examples
    --------
    >>> safe_name("a b/c.d")
    'a-b-c-d'
    """
    return re.sub(r"[^A-Za-z0-9_-]+", "-", text).strip("-") or "x"
