"""Which darks, biases and flats go with a scene, and why, in a sentence that its page shows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from pipeline.card.calibration_sets import FOCAL_TOLERANCE, CalibrationSet
from pipeline.card.frame import CardFrame, count, median, seconds
from pipeline.sensor.warm import DOUBLING_C, expected_share

# A master of fewer darks than this is taken only where there is no other: subtracting a mean of two adds half a
# frame's variance to each light.
DARKS_ENOUGH = 3
# Temperatures of two sets that differ by less than this are as good as one another, degrees C.
TEMPERATURE_STEP_C = 1.0
# Where some lights are nearer to another set, both serve together at up to so many times the variance of the smaller
# one's mean: as if it had half as many darks. One alone would leave what does not go with temperature, in every light.
SPARED = 2.0
# Darks are scaled by at most this factor up or down: pixels differ in how they follow temperature (0.7 to 0.9 eV), and
# a master scaled up by 4 brings 4 times its noise.
SCALE_MAX = 4.0
# A flat's own dark may differ from it in exposure by this factor: at such exposures dark current is next to nothing.
FLAT_DARK_EXPOSURE = 1.5

Test = tuple[str, Callable[[CalibrationSet], bool]]


@dataclass(frozen=True)
class DarkMatch:
    """The sets of darks and of biases for a scene, and why. With both, the dark is scaled without its bias.

    Of darks of two temperatures the colder stand in the bias's place. `lacking` is in what the nearest darks differ
    from the lights where none are taken.
    """

    dark: CalibrationSet | None
    bias: CalibrationSet | None
    why: str
    lacking: str = ""


@dataclass(frozen=True)
class _Pair:
    """Darks of two temperatures for lights between them.

    `beyond` is how far lights lie outside, degrees C; `shares` what each light with a temperature is expected to take
    of the warmer; `noise` that of both masters in a light, over a dark's.
    """

    colder: CalibrationSet
    warmer: CalibrationSet
    beyond: float
    shares: tuple[float, ...]
    noise: float

    @property
    def fewer(self) -> int:
        """Darks of the smaller set: alone, its noise in a light is that of a dark over the root of these."""
        return min(len(self.colder.frames), len(self.warmer.frames))


def match_darks(
    lights: Sequence[CardFrame],
    sets: Sequence[CalibrationSet],
    exposure_tolerance: float,
    temperature_tolerance_c: float,
) -> DarkMatch:
    """The darks (and biases) for a scene, and a sentence that says why these or why none.

    Camera, image size and ISO must be the same, the exposure within its tolerance and the sensor temperature, where
    both are known, within its own of the lights' median or of half of them. Of those that fit: sets of three and more
    first, then the nearest temperature, then the nearest night, then the most frames. Where lights lie outside that
    temperature's tolerance, two sets of the exposure between whose temperatures all lie, with the tolerance, serve them
    together, if that brings no more noise than one of them; so they do where some lights are nearer to another set (a
    second night's, of a scene made by hand): what the warmer show above the colder is dark signal alone, and each light
    takes its share of it, all of a set at whose temperature it was.
    Where none fits but a bias does, darks of another
    exposure or temperature are taken, to be scaled without their bias: those expected to need the least scaling, at
    most by `SCALE_MAX`. Without a bias two sets of the exposure serve lights beyond them as well, as far as their noise
    allows. Where there are no darks at all, a bias alone takes off the pattern of the black level.
    """
    if lights and all(f.facts.camera_subtracted for f in lights):
        return DarkMatch(
            None, None, "no dark is subtracted: the camera has taken its own dark from these frames already"
        )
    bias = match_bias(lights[0], sets)
    darks = [s for s in sets if s.kind == "dark"]
    if not darks:
        return DarkMatch(None, bias, "no darks were found" + _bias_alone(bias))
    light = lights[0]
    same_sensor = _same_sensor(light)
    same_exposure: Test = (
        "another exposure",
        lambda s: _near(s.exposure_s, light.facts.exposure_s, exposure_tolerance),
    )
    same_settings: list[Test] = [
        same_exposure,
        ("another sensor temperature", lambda s: _warm_alike(lights, s, temperature_tolerance_c)),
    ]
    fitting, lacking = _sieve(darks, [*same_sensor, *same_settings])
    alike, unlike = _sieve(darks, [*same_sensor, same_exposure])
    pair = _best_pair(lights, alike) if unlike is None else None
    between = pair is not None and pair.beyond <= temperature_tolerance_c and pair.noise <= pair.fewer**-0.5
    if lacking is None:
        chosen = _nearest(lights, fitting)
        if _farthest(lights, chosen) <= temperature_tolerance_c:
            between = False
        if pair is None or not (between or _serves_nearer(lights, pair, chosen)):
            return _one_dark(lights, chosen, fitting, alike, bias)
        return _dark_pair(lights, pair)
    if pair is not None and (between or bias is None):
        return _dark_pair(lights, pair)
    if bias is not None:
        scalable = [s for s in _sieve(darks, same_sensor)[0] if abs(_expected_scale(lights, s)) <= math.log2(SCALE_MAX)]
        if not _sieve(darks, same_sensor)[1] and scalable:
            return _scaled_dark(lights, scalable, bias)

    def first(s: CalibrationSet) -> tuple[object, ...]:
        return (_distance(light, s), _days_apart(lights, s.frames) or 0, -len(s.frames), s.name)

    best = min(fitting, key=first)
    more = f" (and {count(len(fitting) - 1, 'other set')})" if len(fitting) > 1 else ""
    why = f"no darks fit: {_set_described(best)}{more}, but these lights are {_described(light, lights)}: {lacking}"
    if bias is None and lacking in ("another exposure", "another sensor temperature"):
        why += "; with bias frames of this camera and ISO they could be scaled"
    return DarkMatch(None, bias, why + _bias_alone(bias), lacking or "")


def _bias_alone(bias: CalibrationSet | None) -> str:
    if bias is None:
        return ""
    return f"; {_set_described(bias)} take off the pattern of the black level, not hot pixels and glow"


def _warm_alike(lights: Sequence[CardFrame], s: CalibrationSet, tolerance_c: float) -> bool:
    """Whether the lights' median temperature, or that of half of them, is within the tolerance of a set's."""
    wanted, at = _temperatures(lights), s.temperature_c
    if at is None or not wanted:
        return True
    near = sum(abs(t - at) <= tolerance_c for t in wanted)
    return 2 * near >= len(wanted) or abs((median(wanted) or 0.0) - at) <= tolerance_c


def _serves_nearer(lights: Sequence[CardFrame], pair: _Pair, chosen: CalibrationSet) -> bool:
    """Whether some lights are nearer to a set of the pair than to the chosen one, and the pair is not much noisier."""
    at, wanted = chosen.temperature_c, _temperatures(lights)
    if at is None or not any(_nearer(lights, s, chosen) for s in (pair.colder, pair.warmer)):
        return False
    scaled = math.sqrt(sum(4 ** ((t - at) / DOUBLING_C) for t in wanted) / len(wanted) / len(chosen.frames))
    return pair.noise <= max(math.sqrt(SPARED / pair.fewer), scaled)


def _nearer(lights: Sequence[CardFrame], s: CalibrationSet, chosen: CalibrationSet) -> int:
    """How many lights are nearer in temperature to a set than to the chosen one."""
    a, b = s.temperature_c, chosen.temperature_c
    if a is None or b is None:
        return 0
    return sum(abs(t - b) - abs(t - a) >= TEMPERATURE_STEP_C for t in _temperatures(lights))


def _nearest(lights: Sequence[CardFrame], fitting: Sequence[CalibrationSet]) -> CalibrationSet:
    temperature = median(f.facts.temperature_c for f in lights)

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

    return min(fitting, key=rank)


def _one_dark(
    lights: Sequence[CardFrame],
    chosen: CalibrationSet,
    fitting: Sequence[CalibrationSet],
    alike: Sequence[CalibrationSet],
    bias: CalibrationSet | None,
) -> DarkMatch:
    light, temperature = lights[0], median(f.facts.temperature_c for f in lights)
    why = f"{_set_described(chosen)}, {_when(lights, chosen.frames)}"
    wanted = _temperatures(lights)
    if chosen.temperature_c is not None and wanted and max(wanted) - min(wanted) >= 2 * TEMPERATURE_STEP_C:
        ends = [2 ** ((t - chosen.temperature_c) / DOUBLING_C) for t in _ends(wanted)]
        why += (
            f", for lights whose sensor was at {_degrees(lights)}: they have about {ends[0]:.2g} to {ends[1]:.2g} "
            "times their dark signal, set right by the warm pixels of each"
        )
    elif chosen.temperature_c is not None and temperature is not None:
        apart = chosen.temperature_c - temperature
        why += f", {abs(apart):.1f} °C from the lights' sensor temperature"
        if abs(apart) >= TEMPERATURE_STEP_C:
            factor = 2 ** (-apart / DOUBLING_C)  # the way round that the page states what they were scaled by
            why += f": the lights have about {factor:.2g} times their dark signal, set right by the warm pixels of each"
    elif temperature is not None or chosen.temperature_c is not None:
        why += ", sensor temperature not known of both"
    if light.facts.serial is None or chosen.frames[0].facts.serial is None:
        why += "; the camera is matched by its model, as no body serial is known of both"
    if len(fitting) > 1:
        why += f"; the nearest of {len(fitting)} sets that fit"
    why += _left_over(lights, chosen, alike)
    if len(chosen.frames) < DARKS_ENOUGH:
        costs = "it tells hot pixels and glow only" if len(chosen.frames) == 1 else "their noise goes into the picture"
        why += f"; only {count(len(chosen.frames), 'dark')}: {costs}"
    if bias is not None:
        why += f"; scaled to each light without its bias ({_set_described(bias)})"
    return DarkMatch(chosen, bias, why)


def _left_over(lights: Sequence[CardFrame], chosen: CalibrationSet, alike: Sequence[CalibrationSet]) -> str:
    """What is said of darks that are nearer to some of the lights than those taken; empty where there are none."""
    other = max(alike, key=lambda s: (_nearer(lights, s, chosen), s.name))
    if number := _nearer(lights, other, chosen):
        return (
            f"; {count(len(other.frames), 'dark')} at {other.temperature_c:.0f} °C are nearer to {number} of the "
            "lights, but left out for the noise that they would bring"
        )
    if chosen.temperature_c is not None and _temperatures(lights):
        return ""
    nights = {f.night for f in lights} - {None, chosen.frames[0].night}
    left = sum(len(s.frames) for s in alike if s.frames[0].night in nights)
    if not left:
        return ""
    return f"; {count(left, 'dark')} of the other lights' nights left out, as no file tells which were the warmer ones"


def _temperatures(frames: Sequence[CardFrame]) -> list[float]:
    return [t for f in frames if (t := f.facts.temperature_c) is not None]


def _farthest(lights: Sequence[CardFrame], s: CalibrationSet) -> float:
    """How far the sensor temperature of any light lies from a set's, degrees C; 0 where they are not known."""
    at = s.temperature_c
    return 0.0 if at is None else max((abs(t - at) for t in _temperatures(lights)), default=0.0)


def _best_pair(lights: Sequence[CardFrame], alike: Sequence[CalibrationSet]) -> _Pair | None:
    """The two sets nearest about the lights' temperatures whose masters' noise is less than that of `DARKS_ENOUGH`."""
    wanted = _temperatures(lights)
    if not wanted:
        return None
    usable = [(s.temperature_c, s) for s in alike if s.temperature_c is not None and len(s.frames) >= DARKS_ENOUGH]
    best: tuple[tuple[object, ...], _Pair] | None = None
    for cold, colder in usable:
        for warm, warmer in usable:
            if warm - cold < TEMPERATURE_STEP_C:
                continue
            shares = tuple(expected_share(t, cold, warm) for t in wanted)
            variance = sum(x**2 / len(warmer.frames) + (1 - x) ** 2 / len(colder.frames) for x in shares) / len(shares)
            if variance > 1 / DARKS_ENOUGH:
                continue
            beyond = max(cold - min(wanted), max(wanted) - warm, 0.0)
            nights = [_days_apart(lights, s.frames) for s in (colder, warmer)]
            rank = (
                round(beyond / TEMPERATURE_STEP_C),
                round((warm - cold) / TEMPERATURE_STEP_C),
                None in nights,
                sum(n or 0 for n in nights),
                -len(colder.frames) - len(warmer.frames),
                colder.name,
                warmer.name,
            )
            if best is None or rank < best[0]:
                best = rank, _Pair(colder, warmer, beyond, shares, math.sqrt(variance))
    return None if best is None else best[1]


def _dark_pair(lights: Sequence[CardFrame], pair: _Pair) -> DarkMatch:
    why = (
        f"{_set_described(pair.warmer)}, {_when(lights, pair.warmer.frames)}, and "
        f"{count(len(pair.colder.frames), 'dark')} at {pair.colder.temperature_c:.0f} °C, "
        f"{_when(lights, pair.colder.frames)}, for lights whose sensor was at {_degrees(lights)}: each "
        "light takes off the colder ones and the share of what the warmer show above them that its own warm pixels ask "
        f"for, about {max(pair.shares):.2f} to {min(pair.shares):.2f}; their noise in a light is {pair.noise:.2f} "
        "times a dark's"
    )
    return DarkMatch(pair.warmer, pair.colder, why)


def _degrees(frames: Sequence[CardFrame]) -> str:
    """The sensor's temperature, `19 °C`; where it ran, `25 to 15 °C` in the order that it took."""
    temperatures = _temperatures(frames)
    first, last = _ends(temperatures)
    if abs(first - last) < 2 * TEMPERATURE_STEP_C:
        return f"{median(temperatures):.0f} °C"
    return f"{first:.0f} to {last:.0f} °C"


def _ends(temperatures: Sequence[float]) -> tuple[float, float]:
    """The least and the most, in the order in which they came."""
    low, high = min(temperatures), max(temperatures)
    return (low, high) if temperatures.index(low) < temperatures.index(high) else (high, low)


def _expected_scale(lights: Sequence[CardFrame], s: CalibrationSet) -> float:
    """Logarithm to base 2 of what the lights' dark signal is expected to be over a set's; inf where unknown."""
    wanted, given = lights[0].facts.exposure_s, s.exposure_s
    if not wanted or not given:
        return math.inf
    temperature = median(f.facts.temperature_c for f in lights)
    warmer = 0.0 if temperature is None or s.temperature_c is None else temperature - s.temperature_c
    return math.log2(wanted / given) + warmer / DOUBLING_C


def _scaled_dark(lights: Sequence[CardFrame], usable: Sequence[CalibrationSet], bias: CalibrationSet) -> DarkMatch:
    def rank(s: CalibrationSet) -> tuple[object, ...]:
        scale = _expected_scale(lights, s)
        # what the master's noise becomes in a light; then the least scaling
        return (
            len(s.frames) < DARKS_ENOUGH,
            round(scale - math.log2(len(s.frames)) / 2),
            round(abs(scale), 1),
            _days_apart(lights, s.frames) or 0,
            s.name,
        )

    chosen = min(usable, key=rank)
    factor = 2 ** _expected_scale(lights, chosen)
    noise = factor / math.sqrt(len(chosen.frames))
    why = (
        f"{_set_described(chosen)}, {_when(lights, chosen.frames)}, for lights that are "
        f"{_described(lights[0], lights)}: scaled to each light, about {factor:.2g} times, without its bias "
        f"({_set_described(bias)}); its noise in a light is {noise:.2f} times a dark's"
    )
    return DarkMatch(chosen, bias, why)


def match_bias(like: CardFrame, sets: Sequence[CalibrationSet]) -> CalibrationSet | None:
    """The biases of the same camera, size and ISO of the nearest night; several nights' sets by their number first."""
    fitting, lacking = _sieve([s for s in sets if s.kind == "bias"], _same_sensor(like))
    if lacking is not None or not fitting:
        return None
    return min(
        fitting,
        key=lambda s: (len(s.frames) < DARKS_ENOUGH, _days_apart([like], s.frames) or 0, -len(s.frames), s.name),
    )


def match_flats(lights: Sequence[CardFrame], sets: Sequence[CalibrationSet]) -> tuple[CalibrationSet | None, str]:
    """The set of flats for a scene, and why: same body, size, lens, focal length and aperture, nearest night.

    What the focus was no header tells; flats of the scene's own night come first, as focus and dust stay over a night.
    """
    flats = [s for s in sets if s.kind == "flat"]
    if not flats:
        return None, "no flats were found"
    light = lights[0]
    focal, aperture = median(f.facts.focal_mm or None for f in lights), median(f.facts.f_number for f in lights)
    lens = next((f.facts.lens for f in lights if f.facts.lens is not None), None)
    tests: list[Test] = [
        ("another camera", lambda s: _same_body(light, s.frames[0])),
        ("another image size", lambda s: _size(s.frames[0]) == _size(light)),
        ("another lens", lambda s: lens is None or s.frames[0].facts.lens in (None, lens)),
        ("another focal length", lambda s: _near(s.frames[0].facts.focal_mm or None, focal, FOCAL_TOLERANCE)),
        ("another aperture", lambda s: _near(s.frames[0].facts.f_number or None, aperture, 0.01)),
    ]
    fitting, lacking = _sieve(flats, tests)
    if lacking is not None:
        there = _optics_described(fitting[0].frames[0])
        return None, (
            f"no flats fit: {count(sum(len(s.frames) for s in fitting), 'flat')} of {there}, "
            f"but these lights are of {_optics_described(light)}: {lacking}"
        )
    chosen = min(fitting, key=lambda s: (_days_apart(lights, s.frames) or 0, -len(s.frames), s.name))
    why = f"{count(len(chosen.frames), 'flat')} of {_optics_described(chosen.frames[0])}"
    why += f", {_when(lights, chosen.frames)}"
    if chosen.frames[0].facts.lens is None or lens is None:
        why += "; the lens is matched by its focal length, as no name is known of both"
    return chosen, why


def match_flat_dark(flats: CalibrationSet, sets: Sequence[CalibrationSet]) -> tuple[CalibrationSet | None, str]:
    """What is taken off a set of flats: darks of about their exposure and of their ISO, else a bias; and why."""
    like = flats.frames[0]
    exposure = flats.exposure_s
    darks, lacking = _sieve([s for s in sets if s.kind == "dark"], _same_sensor(like))
    if lacking is None and exposure:
        near = [s for s in darks if s.exposure_s and abs(math.log(s.exposure_s / exposure)) <= _FLAT_DARK_LOG]
        if near:
            chosen = min(near, key=lambda s: (_days_apart([like], s.frames) or 0, -len(s.frames), s.name))
            return chosen, f"less {_set_described(chosen)}"
    bias = match_bias(like, sets)
    if bias is not None:
        return bias, f"less {_set_described(bias)}"
    return None, "less the header's black level: no darks of their exposure and no biases were found"


_FLAT_DARK_LOG = math.log(FLAT_DARK_EXPOSURE)


def _same_sensor(light: CardFrame) -> list[Test]:
    return [
        ("another camera", lambda s: _same_body(light, s.frames[0])),
        ("another image size", lambda s: _size(s.frames[0]) == _size(light)),
        ("another ISO or gain", lambda s: s.frames[0].facts.sensitivity == light.facts.sensitivity),
    ]


def _sieve(sets: Sequence[CalibrationSet], tests: Iterable[Test]) -> tuple[list[CalibrationSet], str | None]:
    """Those that pass every test; or those that came furthest, and what they lack."""
    fitting = list(sets)
    for lacking, fits in tests:
        left = [s for s in fitting if fits(s)]
        if not left:
            return fitting, lacking
        fitting = left
    return fitting, None


def _same_body(lights: CardFrame, others: CardFrame) -> bool:
    """The same camera body, as far as is known: equal serials where both are known, the same model otherwise."""
    a, b = lights.facts, others.facts
    if a.serial is not None and b.serial is not None and a.serial != b.serial:
        return False
    return a.camera is None or b.camera is None or a.camera == b.camera


def _days_apart(lights: Sequence[CardFrame], others: Sequence[CardFrame]) -> int | None:
    """Nights between a set's and the nearest of the lights'; None where one is unknown."""
    nights, at = {f.night for f in lights} - {None}, others[0].night
    if not nights or at is None:
        return None
    return min(abs((date.fromisoformat(night) - date.fromisoformat(at)).days) for night in nights if night is not None)


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
    if _temperatures(frames):
        parts.append(f"at {_degrees(frames)}")
    return " ".join(parts) + f", {facts.width} x {facts.height}, camera {frame.body}"


def _optics_described(frame: CardFrame) -> str:
    """What a flat must agree in: lens, focal length, aperture, camera."""
    facts = frame.facts
    parts = [facts.lens or "an unnamed lens"]
    parts.append("focal length unknown" if not facts.focal_mm else f"at {facts.focal_mm:g} mm")
    parts.append("aperture unknown" if not facts.f_number else f"f/{facts.f_number:g}")
    return " ".join(parts[:2]) + f", {parts[2]}, {facts.width} x {facts.height}, camera {frame.body}"


def _set_described(chosen: CalibrationSet) -> str:
    facts = chosen.frames[0].facts
    text = f"{count(len(chosen.frames), chosen.kind)} of {seconds(chosen.exposure_s)}"
    if facts.iso is not None:
        text += f" at ISO {facts.iso}"
    if chosen.temperature_c is not None:
        text += f" at {chosen.temperature_c:.0f} °C"
    return text + f", {facts.width} x {facts.height}, camera {chosen.frames[0].body}"


def _when(lights: Sequence[CardFrame], others: Sequence[CardFrame]) -> str:
    days = _days_apart(lights, others)
    if days is None:
        return "of an unknown night"
    if days:
        return f"of {count(days, 'night')} before or after"
    own = sum(f.night == others[0].night for f in lights)
    return "of the same night" if own == len(lights) else f"of the night of {own} of these {len(lights)} lights"
