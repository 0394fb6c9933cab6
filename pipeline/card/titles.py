"""What the titles of scenes of one night and lens say more than those two, so that they can be told apart."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from pipeline.card.frame import three_digits
from pipeline.card.scenes import EXPOSURE_TOLERANCE
from pipeline.pages.words import SPACE
from pipeline.plan import ScenePlan, most_common


def told_apart(scenes: Sequence[ScenePlan], prefixes: Mapping[str, str]) -> list[ScenePlan]:
    """Fill `apart` of scenes without a title by hand: as many of `_WORDS` as it takes until no two are called alike.

    Parameters
    ----------
    scenes : the whole plan's
    prefixes : by scene, its night and lens
    """
    alike = defaultdict(list)
    for scene in scenes:
        if scene.title is None and scene.gives_ground_to is None:
            alike[prefixes[scene.scene]].append(scene)
    apart: dict[str, tuple[str, ...]] = {}
    for group in alike.values():
        words: list[tuple[str, ...]] = [()] * len(group)
        for word in _WORDS:
            more = [(*said, word(scene)) for said, scene in zip(words, group, strict=True)]
            if len(set(more)) > len(set(words)):
                words = more
        apart |= zip((scene.scene for scene in group), words, strict=True)
    return [replace(scene, apart=", ".join(filter(None, apart.get(scene.scene, ())))) for scene in scenes]


def _range(values: Iterable[float | None]) -> str:
    """The value that frames have, or `5 to 20` where those of a scene made by hand differ."""
    known = [value for value in values if value is not None]
    if not known:
        return ""
    if max(known) <= (1 + EXPOSURE_TOLERANCE) * min(known):
        return three_digits(most_common(known))
    return f"{three_digits(min(known))} to {three_digits(max(known))}"


def _filter(scene: ScenePlan) -> str:
    name = most_common([frame.filter or "" for frame in scene.frames])
    return f"filter{SPACE}{name}" if name else ""


def _exposure(scene: ScenePlan) -> str:
    exposure = _range(frame.exposure_s for frame in scene.frames)
    return f"{exposure}{SPACE}s" if exposure else ""


def _iso(scene: ScenePlan) -> str:
    iso = _range(frame.iso for frame in scene.frames)
    return f"ISO{SPACE}{iso}" if iso else ""


def _begin(scene: ScenePlan) -> str:
    first = min((frame for frame in scene.frames if frame.taken), key=lambda frame: str(frame.taken), default=None)
    return "" if first is None else f"from {str(first.taken)[11:16]}{' UTC' if first.utc else ''}"


def _name(scene: ScenePlan) -> str:
    return scene.scene


_WORDS: tuple[Callable[[ScenePlan], str], ...] = (_filter, _exposure, _iso, _begin, _name)
