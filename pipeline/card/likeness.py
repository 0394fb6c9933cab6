"""In what calibration frames and lights are alike: body, size, ISO, exposure, temperature, night."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date

from pipeline.card.calibration_sets import CalibrationSet
from pipeline.card.frame import CardFrame, count, median, seconds

# Temperatures of two sets that differ by less than this are as good as one another, degrees C.
TEMPERATURE_STEP_C = 1.0
# Darks are kept for a year or two; further apart a clock that began anew is likelier.
CLOCK_RESET_NIGHTS = 1000

Test = tuple[str, Callable[[CalibrationSet], bool]]


def temperatures_of(frames: Sequence[CardFrame]) -> list[float]:
    """Sensor temperatures of the frames that state one, degrees C."""
    return [t for f in frames if (t := f.facts.temperature_c) is not None]


def same_sensor(light: CardFrame) -> list[Test]:
    """What darks and biases of a frame's sensor must agree with it in: body, image size, ISO or gain."""
    return [
        ("another camera", lambda s: same_body(light, s.frames[0])),
        ("another image size", lambda s: size(s.frames[0]) == size(light)),
        ("another ISO or gain", lambda s: s.frames[0].facts.sensitivity == light.facts.sensitivity),
    ]


def sieve(sets: Sequence[CalibrationSet], tests: Iterable[Test]) -> tuple[list[CalibrationSet], str | None]:
    """Those that pass every test; or those that came furthest, and what they lack."""
    fitting = list(sets)
    for lacking, fits in tests:
        left = [s for s in fitting if fits(s)]
        if not left:
            return fitting, lacking
        fitting = left
    return fitting, None


def same_body(lights: CardFrame, others: CardFrame) -> bool:
    """The same camera body, as far as is known: equal serials where both are known, the same model otherwise, where
    exposures do not tell its bodies apart."""
    a, b = lights.facts, others.facts
    if a.serial is not None and b.serial is not None and a.serial != b.serial:
        return False
    if a.camera == b.camera and lights.twin and others.twin and lights.twin != others.twin:
        return False
    return a.camera is None or b.camera is None or a.camera == b.camera


def days_apart(lights: Sequence[CardFrame], others: Sequence[CardFrame]) -> int | None:
    """Nights between a set's and the nearest of the lights'; None where one is unknown."""
    nights, at = {f.night for f in lights} - {None}, others[0].night
    if not nights or at is None:
        return None
    return min(abs((date.fromisoformat(night) - date.fromisoformat(at)).days) for night in nights if night is not None)


def size(frame: CardFrame) -> tuple[int, int]:
    """Width and height, px."""
    return frame.facts.width, frame.facts.height


def near(a: float | None, b: float | None, tolerance: float) -> bool:
    """Whether two values differ by no more than a share of the larger; what is not known is near nothing but that."""
    if a is None or b is None:
        return a == b
    return abs(a - b) <= tolerance * max(abs(a), abs(b))


def set_described(chosen: CalibrationSet) -> str:
    """Number, exposure, ISO, temperature, size and camera of a set."""
    facts = chosen.frames[0].facts
    text = f"{count(len(chosen.frames), chosen.kind)} of {seconds(chosen.exposure_s)}"
    if facts.iso is not None:
        text += f" at ISO {facts.iso}"
    if chosen.temperature_c is not None:
        text += f" at {chosen.temperature_c:.0f} °C"
    return text + f", {facts.width} x {facts.height}, camera {chosen.frames[0].body}"


def degrees(frames: Sequence[CardFrame]) -> str:
    """The sensor's temperature, `19 °C`; where it ran, `25 to 15 °C` in the order that it took."""
    temperatures = temperatures_of(frames)
    first, last = ends_of(temperatures)
    if abs(first - last) < 2 * TEMPERATURE_STEP_C:
        return f"{median(temperatures):.0f} °C"
    return f"{first:.0f} to {last:.0f} °C"


def ends_of(temperatures: Sequence[float]) -> tuple[float, float]:
    """The least and the most, in the order in which they came."""
    low, high = min(temperatures), max(temperatures)
    return (low, high) if temperatures.index(low) < temperatures.index(high) else (high, low)


def when(lights: Sequence[CardFrame], others: Sequence[CardFrame]) -> str:
    """How far in nights a set is from the lights."""
    days = days_apart(lights, others)
    if days is None:
        return "of an unknown night"
    if days > CLOCK_RESET_NIGHTS:
        return f"of {count(days, 'night')} before or after (was the camera's clock reset?)"
    if days:
        return f"of {count(days, 'night')} before or after"
    own = sum(f.night == others[0].night for f in lights)
    return "of the same night" if own == len(lights) else f"of the night of {own} of these {len(lights)} lights"


def described(frame: CardFrame, frames: Sequence[CardFrame]) -> str:
    """Exposure, ISO, temperatures, size and camera of lights, of which `frame` is one."""
    facts = frame.facts
    parts = [seconds(facts.exposure_s)]
    if facts.iso is not None:
        parts.append(f"at ISO {facts.iso}")
    if temperatures_of(frames):
        parts.append(f"at {degrees(frames)}")
    return " ".join(parts) + f", {facts.width} x {facts.height}, camera {frame.body}"
