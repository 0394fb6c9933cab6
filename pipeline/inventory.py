"""Sort the card: what every file is, which lights make a scene, which darks go with it; write the plan.

Writes `results/inventory.ecsv` (a row for every file found, with the reason) and `work/plan/`; files that would not
change are not written. What was learned of each file is kept in `work/plan/looks.json`, so that an unchanged card is
sorted again within a second or two.
"""

from __future__ import annotations

import argparse
import logging
import os
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.card.duplicates import OTHER_FILES, PICTURES, RAW_FILES, companions, duplicates, suffix
from pipeline.card.frame import CardFrame, Look, count, frame_id, set_clocks
from pipeline.card.kinds import BIAS_EXPOSURE_MAX_S, Sorter, Verdict
from pipeline.card.memory import Memory
from pipeline.card.planning import Before, Plan, make_plan
from pipeline.card.pointing import Looker, Similarity, Solved, StarView
from pipeline.card.reading import Reader
from pipeline.card.scenes import named
from pipeline.card.sentences import left_out, named_in_vain, nothing_to_do, passed_over
from pipeline.card.setback import set_back
from pipeline.card.table import facts_row, frame_row, read_before, write_inventory
from pipeline.card.twins import bodies_apart
from pipeline.card.walk import Found, Root, find_files, roots_of
from pipeline.config import Trip, load_trip
from pipeline.console import Progress, project_argument, run_step
from pipeline.errors import InputError, SettingsError
from pipeline.files import shown
from pipeline.plan import write_plan

log = logging.getLogger("moonless")

USABLE = ("light", "dark", "flat", "bias")

# What the folders of a key of the trip file hold. Folders of darks hold biases too; the exposure tells which.
DARK_OR_BIAS = "dark or bias"
FOLDER_KINDS = {"darks": DARK_OR_BIAS, "flats": "flat"}


@dataclass(frozen=True)
class Sorted:
    """A sorted card."""

    rows: list[dict[str, Any]]
    frames: list[CardFrame]
    plan: Plan


def sort_card(project: Path, trip: Trip, reader: Reader, before: Before) -> Sorted:
    """Find, read and sort every file of a trip, and plan what is to be made of it.

    Parameters
    ----------
    project : Path
        What relative folder names are relative to.
    trip : Trip
    reader : Reader
    before : Before
        Names that were given earlier.

    Raises
    ------
    InputError, SettingsError
        A folder cannot be searched; a folder under `roles` is not there.
    """
    roots = roots_of(project, {"frames": trip.frames, "darks": trip.darks, "flats": trip.flats})
    files = find_files(roots)
    by_hand = _Roles(project, trip, roots)
    row_of: dict[str, dict[str, Any]] = {}
    candidates: list[Found] = []
    others: list[Found] = []
    for found in files:
        row = {"file": found.shown, "folder": shown(found.root.name), "role": found.root.role}
        row_of[found.path] = row
        role = by_hand.of(found.path)
        if found.skip is not None:
            row |= {"kind": "ignored", "reason": found.skip}
        elif found.problem is not None:
            row |= {"kind": "unreadable", "reason": found.problem}
        elif role == "ignore":
            row |= {"kind": "ignored", "reason": "by hand (roles in trip.yaml)"}
        elif suffix(found.path) in OTHER_FILES or (suffix(found.path) in PICTURES and not _is_raw_inside(found.path)):
            others.append(found)
        else:
            candidates.append(found)

    reader.read_headers(candidates)
    frames = _frames(candidates, reader, row_of, others, trip)
    _mark_companions(others, frames, row_of)
    unique = _mark_duplicates(frames, reader, row_of)
    timed = set_back(bodies_apart(set_clocks(unique, trip.site.utc_offset_hours, trip.site.longitude)))
    placed = _sort(timed, reader, by_hand, row_of, trip)

    def match(a: CardFrame, view_a: StarView, b: CardFrame, view_b: StarView) -> Similarity | None:
        width, height = a.facts.width, a.facts.height
        found = reader.memory.match(a.id, b.id, lambda: match_stars(view_a.stars, view_b.stars, width, height))
        return None if found is None else Similarity(*found)

    looker = Looker(reader.view, match)
    # a light that cannot be used stays in its scene, whose page tells of it; a dark would be counted with its set
    usable = [f for f in placed if f.kind in USABLE and (f.kind == "light" or f.state is None)]
    plan = make_plan(usable, trip, looker, before)
    _note_scenes(plan, {f.id: row_of[f.path] for f in placed})
    return Sorted(list(row_of.values()), placed, plan)


class _Roles:
    """What folders are by hand."""

    def __init__(self, project: Path, trip: Trip, roots: Sequence[Root]) -> None:
        self._kinds: dict[str, str] = {}
        for name, kind in trip.roles.items():
            bases = [os.path.abspath(project), *(root.path for root in roots)]
            places = [os.path.normpath(os.path.join(base, os.path.expanduser(name))) for base in bases]
            there = [place for place in places if os.path.lexists(place)]
            if not there:
                raise SettingsError(
                    f"trip.yaml: roles.{shown(name)}: there is no such folder in the project folder or the folders "
                    "searched; correct the name, or take the line out"
                )
            self._kinds |= dict.fromkeys(there, kind)
        for root in roots:
            if root.role in FOLDER_KINDS:
                self._kinds.setdefault(root.path, FOLDER_KINDS[root.role])

    def of(self, path: str) -> str | None:
        """The kind that the innermost named folder of a path gives it."""
        while path:
            if path in self._kinds:
                return self._kinds[path]
            parent = os.path.dirname(path)
            if parent == path:
                return None
            path = parent
        return None


def _is_raw_inside(path: str) -> bool:
    """Whether a file named like a picture does not begin like one; names are not to be trusted."""
    try:
        with open(path, "rb") as handle:
            head = handle.read(12)
    except OSError:
        return True
    known = (b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"RIFF", b"BM")
    return bool(head) and not head.startswith(known) and head[4:8] != b"ftyp"


def _frames(
    candidates: Sequence[Found],
    reader: Reader,
    row_of: dict[str, dict[str, Any]],
    others: list[Found],
    trip: Trip,
) -> list[CardFrame]:
    """The frames among the candidates; the rest gets its row, or may be a companion."""
    frames = []
    for found in candidates:
        record = reader.memory[found.path]
        row = row_of[found.path]
        if record.facts is None:
            row |= {"kind": "unreadable", "reason": record.unreadable}
            if suffix(found.path) not in RAW_FILES and record.size >= 0:
                row["kind"] = "not a frame"
                others.append(found)
            continue
        row |= facts_row(record.facts, trip.site.utc_offset_hours)
        frames.append(
            CardFrame(
                id=frame_id(record.facts, record.hash),
                path=found.path,
                shown=found.shown,
                folder=found.root.name,
                role=found.root.role,
                size=found.size,
                facts=record.facts,
            )
        )
    return frames


def _mark_companions(others: Sequence[Found], frames: Sequence[CardFrame], row_of: dict[str, dict[str, Any]]) -> None:
    shown_of = {frame.path: frame.shown for frame in frames}
    found = companions([o.path for o in others], [f.path for f in frames])
    for other in others:
        row = row_of[other.path]
        if other.path in found:
            row |= {"kind": "companion", "reason": f"goes along with {shown_of[found[other.path]]}"}
        elif "kind" not in row:
            what = "a picture, not a raw frame" if suffix(other.path) in PICTURES else "not a raw frame"
            row |= {"kind": "not a frame", "reason": what}


def _mark_duplicates(frames: list[CardFrame], reader: Reader, row_of: dict[str, dict[str, Any]]) -> list[CardFrame]:
    """Set copies apart; large files whose samples agree are compared whole."""
    hashes = {frame.path: reader.memory[frame.path].hash for frame in frames}
    times = Counter(hashes.values())
    for frame in frames:
        if times[hashes[frame.path]] > 1:
            hashes[frame.path] = reader.whole_hash(frame.path)
    found = duplicates(frames, hashes, reader.pixels)
    shown_of = {frame.path: frame.shown for frame in frames}
    folder_of = {frame.path: frame.folder for frame in frames}
    for path, (stays, why) in found.items():
        where = "" if folder_of[stays] == folder_of[path] else f" in {shown(folder_of[stays])}"
        row_of[path] |= {"kind": "duplicate", "reason": f"{why} {shown_of[stays]}{where}"}
    unique = [frame for frame in frames if frame.path not in found]
    return _with_own_ids(unique, hashes)


def _with_own_ids(frames: list[CardFrame], hashes: dict[str, str]) -> list[CardFrame]:
    """Frames whose ids are equal by chance, or whose samples but not whole files agree, are told apart by the hash."""
    times = Counter(frame.id for frame in frames)
    return [
        frame if times[frame.id] == 1 else replace(frame, id=frame_id(frame.facts, hashes[frame.path][-8:]))
        for frame in frames
    ]


def _sort(
    frames: list[CardFrame], reader: Reader, by_hand: _Roles, row_of: dict[str, dict[str, Any]], trip: Trip
) -> list[CardFrame]:
    """Give every frame its kind."""
    verdicts: dict[str, Verdict] = {}
    unknown, flats = [], []
    hand_made = [pattern for scene in trip.scenes.values() for pattern in scene.frames]
    for frame in frames:
        role = by_hand.of(frame.path)
        if role == DARK_OR_BIAS:
            short = frame.facts.exposure_s is not None and frame.facts.exposure_s <= BIAS_EXPOSURE_MAX_S
            kind = "bias" if short or frame.facts.image_type == "bias" else "dark"
            verdicts[frame.id] = Verdict(kind, "by hand (in a folder under 'darks' in trip.yaml)")
        elif role == "flat" and frame.role == "flats" and frame.facts.image_type in ("dark", "bias"):
            why = f"its header says it is a {frame.facts.image_type} frame, among the flats"
            verdicts[frame.id] = Verdict(frame.facts.image_type, why)
        elif role == "flat" and frame.role == "flats":
            flats.append(frame)
        elif role is not None:
            verdicts[frame.id] = Verdict(role, "by hand (roles in trip.yaml)")
        else:
            unknown.append(frame)
    sorter = Sorter(reader.look_at_all, reader.look, reader.broken, reader.preview)
    verdicts |= sorter.sort(unknown)
    # the darks of flats are often kept beside them
    for key, verdict in sorter.sort(flats).items():
        if verdict.kind in ("dark", "bias"):
            verdicts[key] = replace(verdict, reason=f"{verdict.reason}, among the flats")
        else:
            verdicts[key] = Verdict("flat", "by hand (flats in trip.yaml)")
    placed = []
    for frame in frames:
        verdict = verdicts[frame.id]
        if hand_made and verdict.kind == "other" and named(frame, hand_made):
            verdict = Verdict("light", f"by hand (scenes in trip.yaml); else: {verdict.reason}")
        broken = reader.broken(frame)
        frame = replace(frame, kind=verdict.kind, state=reader.state(frame) if verdict.kind in USABLE else None)
        reason = verdict.reason
        if broken is not None and broken not in reason:
            reason = f"{reason}; {broken}"
        row_of[frame.path] |= frame_row(frame, trip.site.utc_offset_hours) | {"reason": reason}
        row_of[frame.path]["problem"] = None if frame.state is None else broken
        placed.append(frame)
    return placed


def _note_scenes(plan: Plan, row_of_id: dict[str, dict[str, Any]]) -> None:
    for scene in plan.scenes:
        for frame in scene.frames:
            row_of_id[frame.id] |= {"scene": scene.scene, "dark_set": scene.dark_set, "flat_set": scene.flat_set}
            row_of_id[frame.id]["bias_set"] = scene.bias_set
    for each in plan.sets:
        for frame in each.frames:
            row_of_id[frame.id] |= {"dark_set": each.set}


# ---- the stars and the sky, for the coarse look


def solve_stars(stars: NDArray[np.float64], width: int, height: int, focal_px: float | None) -> dict[str, Any] | None:
    """Solve a star list (n, 3: x, y, flux); what `restore_solution` needs, as plain values."""
    from pipeline.sky.solve import solve

    solution = solve(stars[:, 0], stars[:, 1], stars[:, 2], width, height, focal_px)
    if solution is None:
        return None
    return {
        "attitude": [float(q) for q in solution.attitude],
        "camera": solution.camera.to_json(),
        "pixel_scale_arcsec": float(solution.pixel_scale_arcsec),
        "centre_ra_deg": float(solution.centre_ra_deg),
        "centre_dec_deg": float(solution.centre_dec_deg),
    }


def restore_solution(content: dict[str, Any]) -> Solved:
    """Read what `solve_stars` gave."""
    # only here: it takes a third of a second to load, in which the engine is being loaded
    from scipy.spatial.transform import Rotation

    from pipeline.sky.camera import Camera

    return Solved(
        Rotation.from_quat(content["attitude"], scalar_first=True),
        Camera.from_json(content["camera"]),
        content["pixel_scale_arcsec"],
        content["centre_ra_deg"],
        content["centre_dec_deg"],
    )


def match_stars(
    stars_a: NDArray[np.float64], stars_b: NDArray[np.float64], width: int, height: int
) -> list[float] | None:
    """The similarity between two star lists (n, 3), about the middle of the picture: the fields of `Similarity`."""
    from pipeline.sky.match import match_fields

    found = match_fields(stars_a[:, :2], stars_b[:, :2])
    if found is None:
        return None
    middle = (width - 1) / 2, (height - 1) / 2
    x, y = found.apply(*middle)
    return [float(found.scale), float(np.radians(found.angle_deg)), float(x) - middle[0], float(y) - middle[1]]


def looked_at(seen: int) -> str:
    """Words on how many frames were looked at, which are seldom all; none before the first."""
    return f"the pixels of {seen} looked at" if seen else ""


def open_reader(memory: Memory, tell: Callable[[int, int, int], None]) -> Reader:
    """A reader on the pipeline's own decoder, look, star measurement and solver, loaded when first used."""
    return Reader(memory, _open_decoder, _look_at, _measure, solve_stars, restore_solution, tell)


def _open_decoder() -> Any:
    from pipeline.sensor.worker import Decoder

    return Decoder()


def _look_at(*arguments: Any) -> Look:
    from pipeline.card.looks import look_at

    return look_at(*arguments)


def _measure(*arguments: Any, **settings: Any) -> NDArray[Any]:
    from pipeline.stars.measure import measure_mosaic

    return measure_mosaic(*arguments, **settings)


# ---- the step


def take_inventory(project: Path, trip: Trip) -> Sorted:
    """Sort the card of a project folder and write the table and the plan.

    Raises
    ------
    InputError
        There is nothing to make a picture of; the table is written all the same, and says why.
    """
    settings = trip.section("inventory")
    before = read_before(project, settings)
    memory = Memory(project / "work" / "plan" / "looks.json", project)
    with Progress(project, "inventory", "trip", total=0) as progress:

        def tell(read: int, files: int, seen: int) -> None:
            progress.total, progress.note = files, looked_at(seen)
            progress.advance(read - progress.done)

        try:
            with open_reader(memory, tell) as reader:
                card = sort_card(project, trip, reader, before)
        finally:
            memory.save()
        notes = (passed_over(card.rows), left_out(card.rows))
        card.plan.warnings.extend(note for note in notes if note is not None)
        for key, patterns in (("keep", trip.keep), ("drop", trip.drop)):
            card.plan.warnings.extend(named_in_vain(card.rows, key, patterns))
        write_inventory(
            project / "results" / "inventory.ecsv",
            card.rows,
            {"settings": settings, "warnings": card.plan.warnings},
        )
        write_plan(project / "work" / "plan", card.plan.batches, card.plan.scenes, card.plan.sets)
    for warning in card.plan.warnings:
        log.warning("%s", warning)
    why = nothing_to_do(card.rows)
    if why is not None:
        raise InputError(f"{shown(project)}: {why}")
    return card


def _work(arguments: argparse.Namespace) -> None:
    project = arguments.project.resolve()
    trip = load_trip(project)
    card = take_inventory(project, trip)
    kinds = Counter(row["kind"] for row in card.rows)
    log.info("%s", ", ".join(count(n, "file") + f" {kind}" for kind, n in kinds.most_common()))
    for scene in card.plan.scenes:
        log.info("scene %s: %s; %s", scene.scene, count(len(scene.frames), "frame"), scene.dark_why)
    if not card.plan.scenes:
        log.warning("no scene: results/inventory.ecsv says of every file what it is taken for and why")


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.inventory", description=__doc__)
    project_argument(parser)
    parser.set_defaults(project=Path())
    return run_step("inventory", parser, _work, argv)


if __name__ == "__main__":
    sys.exit(main())
