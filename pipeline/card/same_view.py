"""Which scene of untracked frames shows the land of a tracked one: named by hand, or told by pointing and lens."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from pipeline.config import Trip
from pipeline.errors import InputError
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.sky import times
from pipeline.sky.times import SIDEREAL_RATE

# Views whose middles lie within this share of the frame's shorter side show the same land.
NEAR = 0.25
# Longest pause between a tracked run and frames for its ground that are recognised, h.
PAUSE_H = 1.0
# Focal lengths that differ by less than this share are of one lens and setting.
SAME_FOCAL = 0.02


def with_ground(
    scenes: Sequence[ScenePlan], trip: Trip, bodies: Mapping[str, str], sides: Mapping[str, int]
) -> list[ScenePlan]:
    """The scenes, each told from which its ground is taken, if from any.

    Parameters
    ----------
    bodies : by scene, what tells its camera from others
    sides : by scene, shorter side of its frames, px

    Raises
    ------
    InputError
        Where the trip file names a scene for this that cannot serve.
    """
    by_name = {scene.scene: scene for scene in scenes}
    named: dict[str, str] = {}
    for name, hand in trip.scenes.items():
        if hand.ground_from is not None and name in by_name:
            _check(name, hand.ground_from, by_name, trip)
            named[name] = hand.ground_from
    gives = {source: name for name, source in named.items()}
    result = []
    for scene in scenes:
        source = named.get(scene.scene)
        if source is None and scene.scene not in gives:
            body = bodies[scene.scene]
            others = [other for other in scenes if other.scene not in gives and bodies[other.scene] == body]
            source = _recognised(scene, others, sides[scene.scene])
        result.append(replace(scene, ground_from=source, gives_ground_to=gives.get(scene.scene)))
    return [_noted(scene, result) for scene in result]


def _noted(scene: ScenePlan, scenes: Sequence[ScenePlan]) -> ScenePlan:
    """The scene, with a word about those to which it was found to give its land."""
    takers = [s.scene for s in scenes if s.ground_from == scene.scene and scene.gives_ground_to is None]
    if not takers:
        return scene
    line = f"scenes: {{{takers[0]}: {{ground_from: {scene.scene}}}}}"
    note = (
        f"its frames give the land under the sky of {' and '.join(takers)}; what is said below is of its own sky. "
        f"If it is there for the land alone, say so in trip.yaml: {line}"
    )
    return replace(scene, notes=(*scene.notes, note))


def _check(name: str, source: str, scenes: Mapping[str, ScenePlan], trip: Trip) -> None:
    key = f"trip.yaml: scenes.{name}.ground_from"
    if source == name:
        raise InputError(f"{key}: a scene cannot give its own ground; name the one of the untracked frames")
    if source not in scenes:
        known = ", ".join(other for other in scenes if other != name) or "none"
        raise InputError(f"{key}: there is no scene {source!r} (the others found: {known}); correct the name")
    hand = trip.scenes.get(source)
    if hand is not None and hand.ground_from is not None:
        raise InputError(f"{key}: {source!r} takes its own ground from another scene; name a scene of untracked frames")
    takers = [n for n, h in trip.scenes.items() if h.ground_from == source and n in scenes]
    if takers[0] != name:
        raise InputError(
            f"{key}: {source!r} gives its ground to {takers[0]!r} already; make a scene of frames for each"
        )


def _recognised(scene: ScenePlan, others: Sequence[ScenePlan], side_px: int) -> str | None:
    """The untracked scene, next in time, whose middle stands before the ground where the tracked one's stood."""
    look = scene.look
    if not look.tracked or look.centre_ra_deg is None or look.centre_dec_deg is None or not look.pixel_scale_arcsec:
        return None
    from astropy.coordinates import angular_separation  # takes half a second to load, and few trips come so far

    radius = NEAR * side_px * look.pixel_scale_arcsec / 3600
    best: tuple[float, str] | None = None
    for other in others:
        view = other.look
        if view.tracked is not False or view.centre_ra_deg is None or view.centre_dec_deg is None:
            continue
        if not _same_lens(scene, other):
            continue
        for end in (scene.frames[0], scene.frames[-1]):
            for near in (other.frames[0], other.frames[-1]):
                pause = _seconds(end, near)
                if pause is None or abs(pause) > 3600 * PAUSE_H:
                    continue
                # the sky behind a place before the ground moves on
                moved = math.degrees(SIDEREAL_RATE * pause)
                ra_deg, dec_deg = look.centre_ra_deg + moved, look.centre_dec_deg
                here, there = (ra_deg, dec_deg), (view.centre_ra_deg, view.centre_dec_deg)
                away = math.degrees(angular_separation(*map(math.radians, (*here, *there))))
                if away < radius and (best is None or abs(pause) < best[0]):
                    best = (abs(pause), other.scene)
    return None if best is None else best[1]


def _same_lens(one: ScenePlan, other: ScenePlan) -> bool:
    first, second = one.frames[0].focal_mm, other.frames[0].focal_mm
    return bool(first and second and abs(first - second) <= SAME_FOCAL * first)


def _seconds(one: PlannedFrame, other: PlannedFrame) -> float | None:
    first, second = times.parse(one.taken), times.parse(other.taken)
    return None if first is None or second is None else (second - first).total_seconds()
