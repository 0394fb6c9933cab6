"""Darks, flats and biases: which of their frames belong together."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from pipeline.card.frame import CardFrame, in_order, median, near_values, seconds
from pipeline.card.scenes import safe_name

# Focal lengths that differ by less than this share are one: zooms round what they note.
FOCAL_TOLERANCE = 0.02
# Darks of one night between whose sensor temperatures no other lies are of two sets; cameras note whole degrees.
APART_C = 1.5


@dataclass(frozen=True)
class CalibrationSet:
    """Frames of one kind, camera, ISO, size, exposure, temperature and night (flats: of one lens and aperture)."""

    name: str
    kind: str
    frames: tuple[CardFrame, ...]

    @property
    def temperature_c(self) -> float | None:
        """Median sensor temperature."""
        return median(f.facts.temperature_c for f in self.frames)

    @property
    def exposure_s(self) -> float | None:
        """Median exposure."""
        return median(f.facts.exposure_s for f in self.frames)


def group_darks(
    frames: Iterable[CardFrame], exposure_tolerance: float, temperature_tolerance_c: float
) -> list[list[CardFrame]]:
    """Group darks (or biases) by body, size, ISO, exposure, night and temperature; each group in order of time.

    Within a night a group spans at most twice the tolerance in temperature, so that its median is within the
    tolerance of each of its frames; a gap of `APART_C` parts two groups, whose common master would be neither's.
    """
    frames = list(frames)
    exposures = near_values((f.facts.exposure_s for f in frames), exposure_tolerance)
    groups: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        facts = frame.facts
        key = (frame.kind, frame.body, facts.width, facts.height, facts.sensitivity, exposures[facts.exposure_s])
        groups[(*key, frame.night, facts.temperature_c is None)].append(frame)
    result: list[list[CardFrame]] = []
    for members in groups.values():
        coldest = last = -math.inf
        for frame in sorted(members, key=lambda f: f.facts.temperature_c or 0.0):
            temperature = frame.facts.temperature_c or 0.0
            if temperature - coldest > 2 * temperature_tolerance_c or temperature - last > APART_C:
                result.append([])
                coldest = temperature
            result[-1].append(frame)
            last = temperature
    return _sorted(in_order(part) for part in result)


def group_flats(frames: Iterable[CardFrame]) -> list[list[CardFrame]]:
    """Group flats by body, size, lens, focal length, aperture, filter and night; each group in order of time."""
    frames = list(frames)
    focals = near_values((f.facts.focal_mm or None for f in frames), FOCAL_TOLERANCE)
    groups: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        facts = frame.facts
        optics = (facts.lens, focals[facts.focal_mm or None], facts.f_number, facts.through)
        groups[(frame.body, facts.width, facts.height, *optics, frame.night)].append(frame)
    return _sorted(groups.values())


def _sorted(groups: Iterable[list[CardFrame]]) -> list[list[CardFrame]]:
    return sorted(groups, key=lambda g: (g[0].kind, g[0].start is None, g[0].start or 0.0, g[0].shown, g[0].id))


def set_prefix(frames: Sequence[CardFrame]) -> str:
    """What a set's name begins with: kind, night, exposure and ISO (flats: focal length, aperture and filter)."""
    facts = frames[0].facts
    parts = [frames[0].kind, frames[0].night or "undated"]
    if frames[0].kind == "flat":
        parts.append(f"{facts.focal_mm:.0f}mm" if facts.focal_mm else "unknown-focal")
        if facts.f_number:
            parts.append(f"f{float(f'{facts.f_number:.2g}'):g}")
        if facts.through:
            parts.append(re.sub(r"[^a-z0-9]+", "-", facts.through).strip("-") or "filter")
    else:
        if facts.exposure_s is not None:
            parts.append(seconds(facts.exposure_s).replace(" s", "s").replace("/", "-"))
        if facts.iso is not None:
            parts.append(f"iso{facts.iso}")
    return safe_name("_".join(parts))
