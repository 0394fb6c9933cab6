"""Which darks, biases and flats go with a scene, and why, in a sentence that its page shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.card.beside import DARKS_ENOUGH
from pipeline.card.calibration_sets import FOCAL_TOLERANCE, CalibrationSet
from pipeline.card.frame import CardFrame, count, median
from pipeline.card.likeness import (
    TEMPERATURE_STEP_C,
    Test,
    days_apart,
    degrees,
    described,
    ends_of,
    near,
    same_body,
    same_sensor,
    set_described,
    sieve,
    size,
    temperatures_of,
    when,
)
from pipeline.card.pairs import best_pair, held_described, nearer, pair_described, serves_nearer
from pipeline.plan import NO_FLATS_FIT
from pipeline.sensor.doubling import DOUBLING_C

# Darks are scaled by at most this factor up or down: pixels differ in how they follow temperature (0.7 to 0.9 eV), and
# a master scaled up by 4 brings 4 times its noise.
SCALE_MAX = 4.0
# A flat's own dark may differ from it in exposure by this factor: at such exposures dark current is next to nothing.
FLAT_DARK_EXPOSURE = 1.5


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


def match_darks(
    lights: Sequence[CardFrame],
    sets: Sequence[CalibrationSet],
    exposure_tolerance: float,
    temperature_tolerance_c: float,
) -> DarkMatch:
    """The darks (and biases) for a scene, and a sentence that says why these or why none.

    Camera, image size and ISO must be the same, the exposure within its tolerance and the sensor temperature, where
    both are known, within its own of the lights' median or of half of them. Of those that fit: sets of three and more
    first (what fewer show is held against others, where there are more: `card/beside.py`), then the nearest
    temperature, then the nearest night, then the most frames. Where lights lie outside that temperature's tolerance,
    two sets of the exposure between whose temperatures all lie, with the tolerance, serve them together, if that brings
    no more noise than one of them; so they do where some lights are nearer to another set (a second night's, of a scene
    made by hand): what the warmer show above the colder is dark signal alone, and each light takes its share of it, all
    of a set at whose temperature it was.
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
    sensor = same_sensor(light)
    same_exposure: Test = (
        "another exposure",
        lambda s: near(s.exposure_s, light.facts.exposure_s, exposure_tolerance),
    )
    same_settings: list[Test] = [
        same_exposure,
        ("another sensor temperature", lambda s: _warm_alike(lights, s, temperature_tolerance_c)),
    ]
    fitting, lacking = sieve(darks, [*sensor, *same_settings])
    alike, unlike = sieve(darks, [*sensor, same_exposure])
    pair = best_pair(lights, alike) if unlike is None else None
    between = pair is not None and pair.beyond <= temperature_tolerance_c and pair.noise <= pair.fewer**-0.5
    if lacking is None:
        chosen = _nearest(lights, fitting)
        if _farthest(lights, chosen) <= temperature_tolerance_c:
            between = False
        if pair is None or not (between or serves_nearer(lights, pair, chosen)):
            return _one_dark(lights, chosen, fitting, alike, bias, held_described(chosen, sets, exposure_tolerance))
        why = pair_described(lights, pair, alike, sets, exposure_tolerance)
        return DarkMatch(pair.warmer, pair.colder, why)
    if pair is not None and (between or bias is None):
        why = pair_described(lights, pair, alike, sets, exposure_tolerance)
        return DarkMatch(pair.warmer, pair.colder, why)
    if bias is not None:
        scalable = [s for s in sieve(darks, sensor)[0] if abs(_expected_scale(lights, s)) <= math.log2(SCALE_MAX)]
        if not sieve(darks, sensor)[1] and scalable:
            return _scaled_dark(lights, scalable, bias, sets, exposure_tolerance)

    def first(s: CalibrationSet) -> tuple[object, ...]:
        return (_distance(light, s), _nights(lights, s), -len(s.frames), s.name)

    best = min(fitting, key=first)
    more = f" (and {count(len(fitting) - 1, 'other set')})" if len(fitting) > 1 else ""
    why = f"no darks fit: {set_described(best)}{more}, but these lights are {described(light, lights)}: {lacking}"
    if bias is None and lacking in ("another exposure", "another sensor temperature"):
        why += "; with bias frames of this camera and ISO they could be scaled"
    return DarkMatch(None, bias, why + _bias_alone(bias), lacking or "")


def _bias_alone(bias: CalibrationSet | None) -> str:
    if bias is None:
        return ""
    return f"; {set_described(bias)} take off the pattern of the black level, not hot pixels and glow"


def _warm_alike(lights: Sequence[CardFrame], s: CalibrationSet, tolerance_c: float) -> bool:
    """Whether the lights' median temperature, or that of half of them, is within the tolerance of a set's."""
    wanted, at = temperatures_of(lights), s.temperature_c
    if at is None or not wanted:
        return True
    near = sum(abs(t - at) <= tolerance_c for t in wanted)
    return 2 * near >= len(wanted) or abs((median(wanted) or 0.0) - at) <= tolerance_c


def _nights(frames: Sequence[CardFrame], s: CalibrationSet) -> tuple[bool, int]:
    """How many nights lie between frames and a set; where that is not known the set comes last."""
    days = days_apart(frames, s.frames)
    return days is None, days or 0


def _nearest(lights: Sequence[CardFrame], fitting: Sequence[CalibrationSet]) -> CalibrationSet:
    temperature = median(f.facts.temperature_c for f in lights)

    def rank(s: CalibrationSet) -> tuple[object, ...]:
        apart = None if s.temperature_c is None or temperature is None else abs(s.temperature_c - temperature)
        return (
            len(s.frames) < DARKS_ENOUGH,
            apart is None,
            round((apart or 0.0) / TEMPERATURE_STEP_C),
            _nights(lights, s),
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
    held: str,
) -> DarkMatch:
    light, temperature = lights[0], median(f.facts.temperature_c for f in lights)
    why = f"{set_described(chosen)}, {when(lights, chosen.frames)}"
    wanted = temperatures_of(lights)
    if chosen.temperature_c is not None and wanted and max(wanted) - min(wanted) >= 2 * TEMPERATURE_STEP_C:
        ends = [2 ** ((t - chosen.temperature_c) / DOUBLING_C) for t in ends_of(wanted)]
        why += (
            f", for lights whose sensor was at {degrees(lights)}: they have about {ends[0]:.2g} to {ends[1]:.2g} "
            "times their dark signal, set right by the warm pixels of each"
        )
    elif chosen.temperature_c is not None and temperature is not None:
        apart = chosen.temperature_c - temperature
        why += f", {abs(apart):.1f} °C from the lights' sensor temperature"
        if abs(apart) >= TEMPERATURE_STEP_C:
            factor = 2 ** (-apart / DOUBLING_C)  # the way round that the page states what they were scaled by
            why += f": the lights have about {factor:.2g} times their dark signal, set right by the warm pixels of each"
    elif temperature is not None or chosen.temperature_c is not None:
        unknown = "the darks" if temperature is not None else "the lights"
        why += f", sensor temperature of {unknown} not known"
    if light.facts.serial is None or chosen.frames[0].facts.serial is None:
        why += "; the camera is matched by its model, as no body serial is known of both"
    if len(fitting) > 1:
        why += f"; the nearest of {len(fitting)} sets that fit"
    why += _left_over(lights, chosen, alike)
    why += held
    if bias is not None:
        why += f"; scaled to each light without its bias ({set_described(bias)})"
    return DarkMatch(chosen, bias, why)


def _left_over(lights: Sequence[CardFrame], chosen: CalibrationSet, alike: Sequence[CalibrationSet]) -> str:
    """What is said of darks that are nearer to some of the lights than those taken; empty where there are none."""
    other = max(alike, key=lambda s: (nearer(lights, s, chosen), s.name))
    if number := nearer(lights, other, chosen):
        return (
            f"; {count(len(other.frames), 'dark')} at {other.temperature_c:.0f} °C are nearer to {number} of the "
            "lights, but left out for the noise that they would bring"
        )
    if chosen.temperature_c is not None and temperatures_of(lights):
        return ""
    nights = {f.night for f in lights} - {None, chosen.frames[0].night}
    left = sum(len(s.frames) for s in alike if s.frames[0].night in nights)
    if not left:
        return ""
    return f"; {count(left, 'dark')} of the other lights' nights left out, as no file tells which were the warmer ones"


def _farthest(lights: Sequence[CardFrame], s: CalibrationSet) -> float:
    """How far the sensor temperature of any light lies from a set's, degrees C; 0 where they are not known."""
    at = s.temperature_c
    return 0.0 if at is None else max((abs(t - at) for t in temperatures_of(lights)), default=0.0)


def _expected_scale(lights: Sequence[CardFrame], s: CalibrationSet) -> float:
    """Logarithm to base 2 of what the lights' dark signal is expected to be over a set's; inf where unknown."""
    wanted, given = lights[0].facts.exposure_s, s.exposure_s
    if not wanted or not given:
        return math.inf
    temperature = median(f.facts.temperature_c for f in lights)
    warmer = 0.0 if temperature is None or s.temperature_c is None else temperature - s.temperature_c
    return math.log2(wanted / given) + warmer / DOUBLING_C


def _scaled_dark(
    lights: Sequence[CardFrame],
    usable: Sequence[CalibrationSet],
    bias: CalibrationSet,
    sets: Sequence[CalibrationSet],
    exposure_tolerance: float,
) -> DarkMatch:
    def rank(s: CalibrationSet) -> tuple[object, ...]:
        scale = _expected_scale(lights, s)
        # what the master's noise becomes in a light; then the least scaling
        return (
            len(s.frames) < DARKS_ENOUGH,
            round(scale - math.log2(len(s.frames)) / 2),
            round(abs(scale), 1),
            _nights(lights, s),
            s.name,
        )

    chosen = min(usable, key=rank)
    factor = 2 ** _expected_scale(lights, chosen)
    noise = factor / math.sqrt(len(chosen.frames))
    why = (
        f"{set_described(chosen)}, {when(lights, chosen.frames)}, for lights that are "
        f"{described(lights[0], lights)}: scaled to each light, about {factor:.2g} times, without its bias "
        f"({set_described(bias)}); its noise in a light is {noise:.2f} times a dark's"
    )
    return DarkMatch(chosen, bias, why + held_described(chosen, sets, exposure_tolerance))


def match_bias(like: CardFrame, sets: Sequence[CalibrationSet]) -> CalibrationSet | None:
    """The biases of the same camera, size and ISO of the nearest night; several nights' sets by their number first."""
    fitting, lacking = sieve([s for s in sets if s.kind == "bias"], same_sensor(like))
    if lacking is not None or not fitting:
        return None
    return min(
        fitting,
        key=lambda s: (len(s.frames) < DARKS_ENOUGH, _nights([like], s), -len(s.frames), s.name),
    )


def match_flats(lights: Sequence[CardFrame], sets: Sequence[CalibrationSet]) -> tuple[CalibrationSet | None, str]:
    """The set of flats for a scene, and why: same body, size, lens, focal length, aperture and filter, nearest night.

    What the focus was no header tells; flats of the scene's own night come first, as focus and dust stay over a night.
    """
    flats = [s for s in sets if s.kind == "flat"]
    if not flats:
        return None, "no flats were found"
    light = lights[0]
    focal, aperture = median(f.facts.focal_mm or None for f in lights), median(f.facts.f_number for f in lights)
    lens = next((f.facts.lens for f in lights if f.facts.lens is not None), None)
    tests: list[Test] = [
        ("another camera", lambda s: same_body(light, s.frames[0])),
        ("another image size", lambda s: size(s.frames[0]) == size(light)),
        ("another lens", lambda s: lens is None or s.frames[0].facts.lens in (None, lens)),
        ("another focal length", lambda s: near(s.frames[0].facts.focal_mm or None, focal, FOCAL_TOLERANCE)),
        ("another aperture", lambda s: near(s.frames[0].facts.f_number or None, aperture, 0.01)),
        ("another filter", lambda s: s.frames[0].facts.through == light.facts.through),
    ]
    fitting, lacking = sieve(flats, tests)
    if lacking is not None:
        there = _optics_described(fitting[0].frames[0])
        return None, (
            f"{NO_FLATS_FIT}{count(sum(len(s.frames) for s in fitting), 'flat')} of {there}, "
            f"but these lights are of {_optics_described(light)}: {lacking}"
        )
    chosen = min(fitting, key=lambda s: (_nights(lights, s), -len(s.frames), s.name))
    why = f"{count(len(chosen.frames), 'flat')} of {_optics_described(chosen.frames[0])}"
    why += f", {when(lights, chosen.frames)}"
    if chosen.frames[0].facts.lens is None or lens is None:
        why += "; the lens is matched by its focal length, as no name is known of both"
    return chosen, why


def match_flat_dark(flats: CalibrationSet, sets: Sequence[CalibrationSet]) -> tuple[CalibrationSet | None, str]:
    """What is taken off a set of flats: darks of about their exposure and of their ISO, else a bias; and why."""
    like = flats.frames[0]
    exposure = flats.exposure_s
    darks, lacking = sieve([s for s in sets if s.kind == "dark"], same_sensor(like))
    if lacking is None and exposure:
        near = [s for s in darks if s.exposure_s and abs(math.log(s.exposure_s / exposure)) <= _FLAT_DARK_LOG]
        if near:
            chosen = min(near, key=lambda s: (_nights([like], s), -len(s.frames), s.name))
            return chosen, f"less {set_described(chosen)}"
    bias = match_bias(like, sets)
    if bias is not None:
        return bias, f"less {set_described(bias)}"
    return None, "less the header's black level: no darks of their exposure and no biases were found"


_FLAT_DARK_LOG = math.log(FLAT_DARK_EXPOSURE)


def _distance(light: CardFrame, candidate: CalibrationSet) -> tuple[int, float]:
    """How far a set is that does not fit: what to tell of first."""
    a, b = light.facts, candidate.frames[0].facts
    exposure = abs((candidate.exposure_s or 0.0) - (a.exposure_s or 0.0))
    return (a.sensitivity != b.sensitivity), exposure


def _optics_described(frame: CardFrame) -> str:
    """What a flat must agree in: lens, focal length, aperture, filter, camera."""
    facts = frame.facts
    parts = [facts.lens or "an unnamed lens"]
    parts.append("focal length unknown" if not facts.focal_mm else f"at {facts.focal_mm:g} mm")
    parts.append("aperture unknown" if not facts.f_number else f"f/{facts.f_number:g}")
    parts[2] += f", filter {facts.filter}" if facts.filter else ""
    return " ".join(parts[:2]) + f", {parts[2]}, {facts.width} x {facts.height}, camera {frame.body}"
