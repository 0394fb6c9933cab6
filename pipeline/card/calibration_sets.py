"""Darks, flats and biases: which belong together, and which go with a scene."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from pipeline.card.frame import CardFrame, count, in_order, median, near_values, night_of, seconds

# A master of fewer darks than this is taken only where there is no other: subtracting a mean of two adds half a
# frame's variance to each light.
DARKS_ENOUGH = 3
# Temperatures of two sets that differ by less than this are as good as one another, degrees C.
TEMPERATURE_STEP_C = 1.0
# A sensor's dark current and pattern age; a flat lives as long as lens, focus and dust stay.
FOCAL_TOLERANCE = 0.02


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
    tolerance of each of its frames.
    """
    frames = list(frames)
    exposures = near_values((f.facts.exposure_s for f in frames), exposure_tolerance)
    groups: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        facts = frame.facts
        key = (frame.kind, frame.body, facts.width, facts.height, facts.sensitivity, exposures[facts.exposure_s])
        groups[(*key, night_of(facts), facts.temperature_c is None)].append(frame)
    result = []
    for members in groups.values():
        coldest = None
        part: list[CardFrame] = []
        for frame in sorted(members, key=lambda f: f.facts.temperature_c or 0.0):
            temperature = frame.facts.temperature_c
            if temperature is not None and coldest is not None and temperature - coldest > 2 * temperature_tolerance_c:
                result.append(in_order(part))
                part, coldest = [], None
            if coldest is None:
                coldest = temperature
            part.append(frame)
        result.append(in_order(part))
    return _sorted(result)


def group_flats(frames: Iterable[CardFrame]) -> list[list[CardFrame]]:
    """Group flats by body, size, lens, focal length, aperture and night; each group in order of time."""
    frames = list(frames)
    focals = near_values((f.facts.focal_mm or None for f in frames), FOCAL_TOLERANCE)
    groups: dict[tuple[object, ...], list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        facts = frame.facts
        key = (frame.body, facts.width, facts.height, facts.lens, focals[facts.focal_mm or None], facts.f_number)
        groups[(*key, night_of(facts))].append(frame)
    return _sorted(groups.values())


def _sorted(groups: Iterable[list[CardFrame]]) -> list[list[CardFrame]]:
    return sorted(groups, key=lambda g: (g[0].kind, g[0].start is None, g[0].start or 0.0, g[0].shown, g[0].id))


def set_prefix(frames: Sequence[CardFrame]) -> str:
    """What a set's name begins with: kind, night, exposure and ISO (flats: focal length and aperture)."""
    facts = frames[0].facts
    parts = [frames[0].kind, night_of(facts) or "undated"]
    if frames[0].kind == "flat":
        parts.append(f"{facts.focal_mm:.0f}mm" if facts.focal_mm else "unknown-focal")
        if facts.f_number:
            parts.append(f"f{facts.f_number:.2g}")
    else:
        if facts.exposure_s is not None:
            parts.append(seconds(facts.exposure_s).replace(" s", "s").replace("/", "-"))
        if facts.iso is not None:
            parts.append(f"iso{facts.iso}")
    return "_".join(parts).replace(".", "-")


def _same_body(lights: CardFrame, others: CardFrame) -> bool:
    """The same camera body, as far as is known: equal serials where both are known, the same model otherwise."""
    a, b = lights.facts, others.facts
    if a.serial is not None and b.serial is not None and a.serial != b.serial:
        return False
    return a.camera is None or b.camera is None or a.camera == b.camera


def _days_apart(lights: Sequence[CardFrame], others: Sequence[CardFrame]) -> int | None:
    first, second = night_of(lights[0].facts), night_of(others[0].facts)
    if first is None or second is None:
        return None
    return abs((date.fromisoformat(first) - date.fromisoformat(second)).days)


def match_darks(
    lights: Sequence[CardFrame],
    sets: Sequence[CalibrationSet],
    exposure_tolerance: float,
    temperature_tolerance_c: float,
) -> tuple[CalibrationSet | None, str]:
    """The set of darks for a scene, and a sentence that says why this one or why none.

    Camera, image size and ISO must be the same, the exposure within its tolerance and the sensor temperature, where
    both are known, within its own. Of those that fit: sets of three and more first, then the nearest temperature,
    then the nearest night, then the most frames.
    """
    if lights and all(f.facts.camera_subtracted for f in lights):
        return None, "no dark is subtracted: the camera has taken its own dark from these frames already"
    darks = [s for s in sets if s.kind == "dark"]
    if not darks:
        return None, "no darks were found"
    light = lights[0]
    wanted = _described(light, lights)
    temperature = median(f.facts.temperature_c for f in lights)

    def first(of: Iterable[CalibrationSet]) -> CalibrationSet:
        return min(of, key=lambda s: (_distance(light, s), _days_apart(lights, s.frames) or 0, -len(s.frames), s.name))

    tests: list[tuple[str, Callable[[CalibrationSet], bool]]] = [
        ("another camera", lambda s: _same_body(light, s.frames[0])),
        ("another image size", lambda s: _size(s.frames[0]) == _size(light)),
        ("another ISO or gain", lambda s: s.frames[0].facts.sensitivity == light.facts.sensitivity),
        ("another exposure", lambda s: _near(s.exposure_s, light.facts.exposure_s, exposure_tolerance)),
        (
            "another sensor temperature",
            lambda s: (
                s.temperature_c is None
                or temperature is None
                or abs(s.temperature_c - temperature) <= temperature_tolerance_c
            ),
        ),
    ]
    fitting = darks
    for lacking, fits in tests:
        left = [s for s in fitting if fits(s)]
        if not left:
            best = first(fitting)
            more = f" (and {count(len(fitting) - 1, 'other set')})" if len(fitting) > 1 else ""
            return None, f"no darks fit: {_set_described(best)}{more}, but these lights are {wanted}: {lacking}"
        fitting = left

    def rank(s: CalibrationSet) -> tuple[object, ...]:
        apart = None if s.temperature_c is None or temperature is None else abs(s.temperature_c - temperature)
        days = _days_apart(lights, s.frames)
        return (
            len(s.frames) < DARKS_ENOUGH,
            apart is None,
            round((apart or 0.0) / TEMPERATURE_STEP_C),
            days is None,
            days or 0,
            -len(s.frames),
            s.name,
        )

    chosen = min(fitting, key=rank)
    why = f"{_set_described(chosen)}, {_when(_days_apart(lights, chosen.frames))}"
    if chosen.temperature_c is not None and temperature is not None:
        why += f", {abs(chosen.temperature_c - temperature):.1f} C from the lights' sensor temperature"
    elif temperature is not None or chosen.temperature_c is not None:
        why += ", sensor temperature not known of both"
    if light.facts.serial is None or chosen.frames[0].facts.serial is None:
        why += "; the camera is matched by its model, as no body serial is known of both"
    if len(fitting) > 1:
        why += f"; the nearest of {len(fitting)} sets that fit"
    if len(chosen.frames) < DARKS_ENOUGH:
        why += f"; only {count(len(chosen.frames), 'dark')}: their noise goes into the picture"
    return chosen, why


def match_flats(lights: Sequence[CardFrame], sets: Sequence[CalibrationSet]) -> tuple[CalibrationSet | None, str]:
    """The set of flats for a scene, and why: same body, size, lens, focal length and aperture, nearest night."""
    flats = [s for s in sets if s.kind == "flat"]
    if not flats:
        return None, "no flats were found"
    light = lights[0]
    focal, aperture = median(f.facts.focal_mm or None for f in lights), median(f.facts.f_number for f in lights)
    lens = next((f.facts.lens for f in lights if f.facts.lens is not None), None)
    tests: list[tuple[str, Callable[[CalibrationSet], bool]]] = [
        ("another camera", lambda s: _same_body(light, s.frames[0])),
        ("another image size", lambda s: _size(s.frames[0]) == _size(light)),
        ("another lens", lambda s: lens is None or s.frames[0].facts.lens in (None, lens)),
        ("another focal length", lambda s: _near(s.frames[0].facts.focal_mm or None, focal, FOCAL_TOLERANCE)),
        ("another aperture", lambda s: _near(s.frames[0].facts.f_number or None, aperture, 0.01)),
    ]
    fitting = flats
    for lacking, fits in tests:
        left = [s for s in fitting if fits(s)]
        if not left:
            return None, f"no flats fit: {count(sum(len(s.frames) for s in fitting), 'flat')} of {lacking}"
        fitting = left
    chosen = min(fitting, key=lambda s: (_days_apart(lights, s.frames) or 0, -len(s.frames), s.name))
    return chosen, f"{count(len(chosen.frames), 'flat')}, {_when(_days_apart(lights, chosen.frames))}"


def _distance(light: CardFrame, candidate: CalibrationSet) -> tuple[int, float]:
    """How far a set is that does not fit: what to tell of first."""
    a, b = light.facts, candidate.frames[0].facts
    exposure = abs((candidate.exposure_s or 0.0) - (a.exposure_s or 0.0))
    return (a.sensitivity != b.sensitivity), exposure


def _size(frame: CardFrame) -> tuple[int, int]:
    return frame.facts.width, frame.facts.height


def _near(a: float | None, b: float | None, tolerance: float) -> bool:
    if a is None or b is None:
        return a == b
    return abs(a - b) <= tolerance * max(abs(a), abs(b))


def _described(frame: CardFrame, frames: Sequence[CardFrame]) -> str:
    facts = frame.facts
    parts = [seconds(facts.exposure_s)]
    if facts.iso is not None:
        parts.append(f"at ISO {facts.iso}")
    temperature = median(f.facts.temperature_c for f in frames)
    if temperature is not None:
        parts.append(f"at {temperature:.0f} C")
    return " ".join(parts) + f", {facts.width} x {facts.height}, camera {frame.body}"


def _set_described(chosen: CalibrationSet) -> str:
    facts = chosen.frames[0].facts
    text = f"{count(len(chosen.frames), 'dark')} of {seconds(chosen.exposure_s)}"
    if facts.iso is not None:
        text += f" at ISO {facts.iso}"
    if chosen.temperature_c is not None:
        text += f" at {chosen.temperature_c:.0f} C"
    return text + f", {facts.width} x {facts.height}, camera {chosen.frames[0].body}"


def _when(days: int | None) -> str:
    if days is None:
        return "of an unknown night"
    return "of the same night" if days == 0 else f"of {count(days, 'night')} before or after"
