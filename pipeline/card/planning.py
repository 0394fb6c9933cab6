"""From sorted frames to the plan: scenes, calibration sets and batches, under names that last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.card.batches import batches_of
from pipeline.card.beside import held_against
from pipeline.card.calibration_sets import (
    CalibrationSet,
    group_darks,
    group_flats,
    set_prefix,
)
from pipeline.card.division import undivided
from pipeline.card.frame import CardFrame, in_order, near_values, taken_text
from pipeline.card.matching import match_darks, match_flat_dark, match_flats
from pipeline.card.pointing import Looker, Piece
from pipeline.card.same_view import with_ground
from pipeline.card.scenes import (
    EXPOSURE_TOLERANCE,
    by_hand,
    by_pauses,
    by_settings,
    name_groups,
    named,
    safe_name,
    scene_prefix,
)
from pipeline.card.titles import told_apart
from pipeline.config import Trip
from pipeline.errors import SettingsError
from pipeline.plan import Batch, DarkSet, Look, PlannedFrame, ScenePlan, most_common

# Pauses of 0.9 to 1.3 exposures after most exposures of a second and more: the camera takes its own darks.
OWN_DARK_PAUSE = (0.9, 1.3)
OWN_DARK_SHARE = 0.7
OWN_DARK_FRAMES = 4
# Batches of darks, biases and flats hold this many times fewer frames: a master waits for all of them, and two cores
# are to share a set of eight.
SET_PARTS = 4
# How many of the names that mean nothing are said.
NAMES_SAID = 5


@dataclass(frozen=True)
class Before:
    """What an earlier inventory has decided: names by frame id, other names that are in use, and whether it was made
    with the same settings, so that its division of scenes may stand."""

    scenes: Mapping[str, str] = field(default_factory=dict)
    sets: Mapping[str, str] = field(default_factory=dict)
    used: frozenset[str] = frozenset()
    same_settings: bool = True


@dataclass(frozen=True)
class Plan:
    """The plan, and what is to be said about it."""

    batches: list[Batch]
    scenes: list[ScenePlan]
    sets: list[DarkSet]
    warnings: list[str]


def make_plan(frames: Iterable[CardFrame], trip: Trip, looker: Looker, before: Before) -> Plan:
    """Plan the frames of known kind.

    Parameters
    ----------
    frames : lights, darks, flats and biases
    trip : Trip
    looker : Looker
        For where the lights point.
    before : Before

    Raises
    ------
    SettingsError
        A light is named under `keep` and under `drop`.
    """
    frames = list(frames)
    _refuse_both_ways(frames, trip)
    settings = trip.inventory
    sets = _calibration_sets(frames, trip, before)
    lights = [f for f in frames if f.kind == "light"]
    pieces, names, hand_made = _pieces(lights, trip, looker, before)

    batches: list[Batch] = []
    scenes: list[ScenePlan] = []
    bodies, sides, prefixes = {}, {}, {}
    for piece, name in sorted(zip(pieces, names, strict=True), key=lambda item: _scene_order(item[0].frames)):
        members = list(piece.frames)
        # those of a scene by hand that are of another size are set aside
        alike = _of_usual_size(members)
        own = batches_of(name, members, trip.limits.frames_per_job)
        batches += [Batch(key, "light", _planned(of, trip)) for key, of in own.items()]
        darks = match_darks(alike, sets, settings.exposure_tolerance, settings.temperature_tolerance_c)
        flat, flat_why = match_flats(alike, sets)
        if flat is not None:
            flat_why += f"; {match_flat_dark(flat, sets)[1]}"
        hand = trip.scenes.get(name)
        bodies[name] = str(alike[0].body)
        prefixes[name] = scene_prefix(members)
        sides[name] = min(alike[0].facts.width or 0, alike[0].facts.height or 0)
        scenes.append(
            ScenePlan(
                scene=name,
                batches=tuple(own),
                frames=_planned(members, trip),
                keep=tuple(f.id for f in members if named(f, trip.keep)),
                drop=tuple(f.id for f in members if named(f, trip.drop)),
                dark_set=None if darks.dark is None else darks.dark.name,
                bias_set=None if darks.bias is None else darks.bias.name,
                dark_why=darks.why,
                dark_lacking=darks.lacking,
                flat_set=None if flat is None else flat.name,
                flat_why=flat_why,
                look=_look(piece),
                notes=tuple(_notes(members, frames, piece, name in hand_made, darks.dark is not None)),
                title=None if hand is None else hand.title,
            )
        )
    scenes = told_apart(with_ground(scenes, trip, bodies, sides), prefixes)
    planned_sets = []
    for each in sets:
        own = batches_of(each.name, each.frames, max(1, trip.limits.frames_per_job // SET_PARTS))
        batches += [Batch(key, each.kind, _planned(of, trip)) for key, of in own.items()]
        if each.kind == "flat":
            dark, _ = match_flat_dark(each, sets)
        else:
            dark = held_against(each, sets, settings.exposure_tolerance)
        planned_sets.append(
            DarkSet(
                each.name,
                each.kind,
                tuple(own),
                _planned(each.frames, trip),
                None if dark is None else dark.name,
            )
        )
    warnings = _unused_names(frames, trip, {s.scene for s in scenes}) + _without_black(scenes, pieces, names)
    warnings += sorted({f.set_back for f in lights if f.set_back})
    return Plan(batches, scenes, planned_sets, warnings)


def _without_black(scenes: Sequence[ScenePlan], pieces: Sequence[Piece], names: Sequence[str]) -> list[str]:
    """A sentence for every scene whose files state no black level and which has no darks or biases to take it off."""
    unstated = {
        name
        for name, piece in zip(names, pieces, strict=True)
        if any(f.facts.black_stated is False for f in piece.frames)
    }
    return [
        f"{scene.scene}: its files state no black level and no darks or biases match: the camera's pedestal is told "
        "from the noise where that can be (the scene's page says so), else it stays in the sky's level; biases tell it"
        for scene in scenes
        if scene.scene in unstated and scene.dark_set is None and scene.bias_set is None
    ]


def _pieces(
    lights: list[CardFrame], trip: Trip, looker: Looker, before: Before
) -> tuple[list[Piece], list[str], set[str]]:
    """The scenes' frames and their names; and the names of those made by hand."""
    wanted = {name: scene.frames for name, scene in trip.scenes.items() if scene.frames}
    by_name, rest = by_hand(lights, wanted)
    pause_s = 60 * trip.inventory.pause_min
    found: list[Piece] = []
    runs = [run for group in by_settings(rest, pause_s) for run in by_pauses(group, pause_s)]
    divided = undivided(before.scenes, runs) if before.same_settings else {}
    for run in runs:
        found += looker.pieces(run, trip.inventory.overlap, divided)
    names = name_groups(
        [p.frames for p in found],
        [scene_prefix(p.frames) for p in found],
        {id_: name for id_, name in before.scenes.items() if name not in wanted},
        before.used | set(wanted),
    )
    made = [_hand_piece(frames, looker) for frames in by_name.values()]
    return [*made, *found], [*by_name, *names], set(by_name)


def _hand_piece(frames: list[CardFrame], looker: Looker) -> Piece:
    """A scene made by hand is not divided, but looked at like any other."""
    pieces = looker.pieces(frames, 1e-6)
    best = max(pieces, key=lambda p: len(p.frames))
    return Piece(tuple(frames), best.tracked if len(pieces) == 1 else None, best.solved, "made by hand", best.solved_id)


def _of_usual_size(frames: Sequence[CardFrame]) -> list[CardFrame]:
    sizes = [(f.facts.width, f.facts.height) for f in frames]
    usual = most_common(sizes)
    return [frame for frame, size in zip(frames, sizes, strict=True) if size == usual]


def _scene_order(frames: Sequence[CardFrame]) -> tuple[bool, str, str]:
    first = frames[0]
    return (first.facts.taken is None, first.facts.taken or "", first.id)


def _calibration_sets(frames: list[CardFrame], trip: Trip, before: Before) -> list[CalibrationSet]:
    settings = trip.inventory
    groups = group_darks(
        (f for f in frames if f.kind in ("dark", "bias")),
        settings.exposure_tolerance,
        settings.temperature_tolerance_c,
    )
    groups += group_flats(f for f in frames if f.kind == "flat")
    # a former name stays where it is of this kind (a folder may have another role now), and one that the engine takes
    kind_of = {f.id: f.kind for group in groups for f in group}
    former = {
        id_: name
        for id_, name in before.sets.items()
        if name == safe_name(name) and name.startswith(f"{kind_of.get(id_)}_")
    }
    names = name_groups(groups, [set_prefix(g) for g in groups], former)
    return [CalibrationSet(name, g[0].kind, tuple(g)) for name, g in zip(names, groups, strict=True)]


def _planned(frames: Iterable[CardFrame], trip: Trip) -> tuple[PlannedFrame, ...]:
    result = []
    for frame in in_order(frames):
        facts = frame.facts
        taken, utc = taken_text(facts, trip.site.utc_offset_hours)
        result.append(
            PlannedFrame(
                id=frame.id,
                file=frame.path,
                shown=frame.shown,
                kind=frame.kind,
                taken=taken,
                utc=utc,
                exposure_s=facts.exposure_s or None,
                iso=facts.iso,
                f_number=facts.f_number,
                focal_mm=facts.focal_mm,
                temperature_c=facts.temperature_c,
                camera=facts.camera,
                filter=facts.filter,
                camera_subtracted=facts.camera_subtracted,
            )
        )
    return tuple(result)


def _look(piece: Piece) -> Look:
    solved = piece.solved
    if solved is None:
        return Look(tracked=piece.tracked)
    return Look(
        round(solved.pixel_scale_arcsec, 4),
        round(solved.centre_ra_deg, 4),
        round(solved.centre_dec_deg, 4),
        piece.tracked,
        tuple(round(float(q), 7) for q in solved.attitude.as_quat(canonical=True, scalar_first=True)),
        solved.camera.to_json(),
        piece.solved_id,
    )


def _notes(
    frames: Sequence[CardFrame], card: Sequence[CardFrame], piece: Piece, hand_made: bool, darks: bool
) -> list[str]:
    # how the camera stood is worth a note only where it is not known; a split always is
    plain = ("tracked", "fixed tripod", "fixed tripod (solved)", "drift measured from the stars", "made by hand")
    notes = [piece.why] if piece.why and piece.why not in plain and len(frames) > 1 else []
    told = {f.facts.camera_subtracted for f in frames}
    if told == {True, False}:
        notes.append("some of these frames have been dark-subtracted by the camera, others not")
    elif told == {None} and not darks and has_own_dark_pauses(frames, card):
        # where darks match, the lights themselves tell how much of them is still in
        notes.append(
            "the pauses are as long as the exposures: the camera may have subtracted darks of its own "
            "(long-exposure noise reduction), though its tags do not say so"
        )
    notes += sorted({f.set_back for f in frames if f.set_back})
    if hand_made and len({(f.facts.width, f.facts.height, f.body) for f in frames}) > 1:
        notes.append(
            "made by hand of frames of several cameras or image sizes; those of another size than most are set aside"
        )
    filters = {f.facts.through: f.facts.filter or "none" for f in frames}
    if len(filters) > 1:
        notes.append(
            f"made by hand of frames of several filters ({', '.join(sorted(filters.values()))}): they make one picture "
            "in which these cannot be told apart, and the transparency of each frame is against all of them"
        )
    exposures = near_values((f.facts.exposure_s for f in frames), EXPOSURE_TOLERANCE)
    if hand_made and darks and len({(f.facts.sensitivity, exposures[f.facts.exposure_s]) for f in frames}) > 1:
        notes.append(
            "made by hand of frames of several exposures, ISOs or gains; its darks are those of the first of them, "
            "scaled to each"
        )
    return notes


def has_own_dark_pauses(frames: Sequence[CardFrame], card: Sequence[CardFrame]) -> bool:
    """Whether most pauses between exposures are as long as the exposures, as when a camera takes its own darks.

    Parameters
    ----------
    frames : of a scene
    card : all there are: a pause in which another frame was taken, of a bracket, is none
    """
    timed = [(f.start, f.exposure) for f in in_order(frames) if f.start is not None]
    if len(timed) < OWN_DARK_FRAMES or min(exposure for _, exposure in timed) < 1:
        return False
    begun, pauses = np.array([start for start, _ in timed]), np.diff([start for start, _ in timed])
    exposures = np.array([exposure for _, exposure in timed[:-1]])
    pauses = pauses / exposures - 1
    inside = (pauses > OWN_DARK_PAUSE[0]) & (pauses < OWN_DARK_PAUSE[1])
    own, body = {f.id for f in frames}, frames[0].body
    for other in card:
        if other.start is not None and other.id not in own and other.body == body:
            between = int(np.searchsorted(begun, other.start, "right")) - 1
            if 0 <= between < len(inside):
                inside[between] = False
    return bool(inside.mean() >= OWN_DARK_SHARE)


def _refuse_both_ways(frames: list[CardFrame], trip: Trip) -> None:
    both = [f.shown for f in frames if f.kind == "light" and named(f, trip.keep) and named(f, trip.drop)]
    if both:
        more = f" and {len(both) - NAMES_SAID} more" if len(both) > NAMES_SAID else ""
        raise SettingsError(
            f"trip.yaml: {', '.join(both[:NAMES_SAID])}{more}: named under keep and under drop; take the name or "
            "pattern out of one of them"
        )


def _unused_names(frames: list[CardFrame], trip: Trip, scenes: set[str]) -> list[str]:
    """Sentences about names in the trip file that mean nothing on this card: mostly slips of the pen."""
    sentences = []
    for key, patterns in (("keep", trip.keep), ("drop", trip.drop)):
        unused = [p for p in patterns if not any(named(f, [p]) for f in frames if f.kind == "light")]
        if unused:
            more = f" and {len(unused) - NAMES_SAID} more" if len(unused) > NAMES_SAID else ""
            said = ", ".join(map(repr, unused[:NAMES_SAID]))
            sentences.append(f"trip.yaml: {key}: no light frame is named {said}{more}")
    for name, scene in trip.scenes.items():
        if scene.frames and name not in scenes:
            sentences.append(
                f"trip.yaml: scenes.{name}: no light frame is named {' or '.join(map(repr, scene.frames))}"
            )
        elif not scene.frames and name not in scenes:
            sentences.append(f"trip.yaml: scenes.{name}: there is no such scene, and no frames are named to make one")
    return sentences
