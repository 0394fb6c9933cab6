"""`moonless start FOLDER`: look at a folder of frames, say what it holds, and write a commented `trip.yaml` for it."""

from __future__ import annotations

import os
import shlex
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pipeline.card.duplicates import RAW_FILES, suffix
from pipeline.card.frame import CardFrame, count, median, seconds
from pipeline.card.memory import Memory
from pipeline.card.planning import Before
from pipeline.card.walk import OWN_FOLDERS, Root, find_files, refuse_whole_disk
from pipeline.config import TRIP_FILE, Trip, quoted
from pipeline.errors import InputError
from pipeline.files import shown, write_text
from pipeline.inventory import Sorted, looked_at, open_reader, sort_card
from pipeline.pages.words import duration
from pipeline.plan import ScenePlan
from pipeline.run.telling import Teller

# More folders of frames than this are not listed one by one.
FOLDERS_LISTED = 8
# Files named as examples of what cannot be used.
EXAMPLES = 3


def start(folder: str | os.PathLike[str]) -> None:
    """Write `trip.yaml` into a folder that holds raw frames, itself or in folders below, and print what was found.

    Raises
    ------
    InputError
        There is no such folder, no raw frame or no scene in it, a `trip.yaml` already, or no right to write one.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError(f"{shown(folder)}: there is no such folder; give the folder that holds the frames")
    refuse_whole_disk(folder, shown(folder))
    target = folder / TRIP_FILE
    if os.path.lexists(target):
        raise InputError(
            f"{shown(target)}: is there already and is left as it is; move it away to start anew, "
            f"or go on with: {_run_command(folder)}"
        )
    frames = frame_folders(folder)
    if not os.access(folder, os.W_OK):
        raise InputError(
            f"{shown(folder)}: cannot be written to; make a folder elsewhere with a {TRIP_FILE} that says "
            f"frames: [{quoted(str(folder.resolve()))}]"
        )
    trip = Trip(frames=frames)
    teller = Teller()

    def tell(read: int, files: int, seen: int) -> None:
        teller.status(f"reading, {read} of {files} files", looked_at(seen))

    memory = Memory(folder / "work" / "plan" / "looks.json", folder)
    try:
        with open_reader(memory, tell) as reader:
            card = sort_card(folder, trip, reader, Before())
    finally:
        memory.save()
        teller.end()
    for line in describe(folder, card):
        teller.say(line)
    if not card.plan.scenes:
        raise InputError(
            f"{shown(folder)}: holds no frame of the night sky to make a scene of; {TRIP_FILE} is not written"
        )
    write_text(target, trip_text(frames, card))
    teller.say(f"wrote {shown(target)}; look it over, then: {_run_command(folder)}")


def _run_command(folder: Path) -> str:
    """What to type to run a trip: a shell takes the folder's name for one word and runs nothing in it."""
    name = shown(folder)
    return f"moonless run {shlex.quote(f'./{name}' if name.startswith('-') else name)}"


def frame_folders(folder: Path) -> list[str]:
    """What to put under `frames`: the folder itself where raw frames lie in it, else its folders that hold any.

    Raises
    ------
    InputError
        There are none.
    """
    root = Root(os.path.abspath(folder), ".", "frames")
    tops: set[str] = set()
    files = [found for found in find_files([root]) if found.skip is None and found.problem is None]
    for found in files:
        if suffix(found.path) in RAW_FILES:
            first, _, rest = os.path.relpath(found.path, root.path).partition(os.sep)
            # the pipeline's own folders are passed over from now on, as the folder becomes a project's
            if not (rest and first in OWN_FOLDERS):
                tops.add(first if rest else ".")
    if not tops:
        kinds = Counter(suffix(found.path) or "no suffix" for found in files)
        seen = ", ".join(f"{number} {shown(kind)}" for kind, number in kinds.most_common(EXAMPLES))
        raise InputError(
            f"{shown(folder)}: no raw frames in it or in the folders below"
            + (f" (found {seen})" if seen else " (no files at all)")
            + "; the camera's raw files are needed, pictures (JPEG and the like) cannot be used"
        )
    if "." in tops or len(tops) > FOLDERS_LISTED:
        return ["."]
    # a name that begins with a tilde would mean somebody's home
    return [os.path.join(".", name) if name.startswith("~") else name for name in sorted(tops, key=os.fsencode)]


def trip_text(frames: Sequence[str], card: Sorted) -> str:
    """The text of a trip file: what was found is filled in, what may be wanted stands ready as a comment."""
    names = ", ".join(map(quoted, frames))
    scenes = [scene.scene for scene in card.plan.scenes]
    example = scenes[0] if scenes else "2026-08-14_24mm_a"
    zoned = any(f.facts.utc_offset_hours is not None for f in card.frames)
    zone = "the frames tell the zone themselves" if zoned else "the frames do not tell the zone"
    return f"""\
# A trip: which frames there are and what is to be made of them.
# Every setting with its default and meaning: config/defaults.yaml beside the program. Only what differs stands here.

# Folders with the frames, searched through; relative to this file, or absolute. They are only ever read.
frames: [{names}]

# Further folders: darks kept from other nights or trips, and flats.
darks: []
flats: []

# What the files of a folder are, where that is known better than their pixels show: light, dark, flat, bias, ignore.
# roles: {{caps: dark, tests: ignore}}

# Where the camera stood, degrees north and east ({zone}). Optional.
# site: {{latitude: 46.5, longitude: 8.0, utc_offset_hours: 2}}

# Frames kept or set aside by hand, whatever their grades: names or patterns.
keep: []
drop: []

# Scenes by hand, and titles. Those found: {", ".join(scenes) or "none"}.
# scenes: {{{example}: {{title: "Our summer sky"}}, comet: {{frames: ["IMG_01[0-4]?.*"]}}}}
"""


def describe(folder: Path, card: Sorted) -> list[str]:
    """What was found, in lines a person can read."""
    kinds = Counter(row.get("state") or row["kind"] for row in card.rows)
    names = {"light": "lights", "dark": "darks", "flat": "flats", "bias": "biases", "other": "others"}
    listed = ", ".join(f"{number} {names.get(kind, kind)}" for kind, number in kinds.most_common())
    lines = [f"{shown(folder)}: {count(len(card.rows), 'file')}: {listed}"]
    by_id = {frame.id: frame for frame in card.frames}
    lights = [frame for frame in card.frames if frame.kind == "light"]
    if lights:
        lines.append(_summary(lights, len(card.plan.scenes)))
    for scene in card.plan.scenes:
        lines += _scene_lines(scene, [by_id[frame.id] for frame in scene.frames])
    used = {s for scene in card.plan.scenes for s in (scene.dark_set, scene.bias_set, scene.flat_set)}
    while more := {each.dark_set for each in card.plan.sets if each.set in used} - used:
        used |= more
    for each in card.plan.sets:
        if each.set not in used:
            lines.append(f"  not used: {count(len(each.frames), each.kind)} ({each.set})")
    lines += _odd_files(card.rows)
    return lines


def _summary(lights: Sequence[CardFrame], scenes: int) -> str:
    nights = sorted({n for n in (f.night for f in lights) if n is not None})
    focals = sorted({round(f.facts.focal_mm) for f in lights if f.facts.focal_mm})
    unknown = any(not f.facts.focal_mm for f in lights)
    lengths = ", ".join(f"{focal} mm" for focal in focals) + (", unknown" if focals and unknown else "")
    when = "unknown nights" if not nights else nights[0] if len(nights) == 1 else f"{nights[0]} to {nights[-1]}"
    return (
        f"  {count(scenes, 'scene')}, {count(len(nights), 'night')} ({when}), "
        f"focal lengths: {lengths or 'unknown (a lens without contacts?)'}"
    )


def _scene_lines(scene: ScenePlan, frames: Sequence[CardFrame]) -> Iterable[str]:
    facts = frames[0].facts
    parts = [f"{count(len(frames), 'frame')} of {seconds(median(f.facts.exposure_s for f in frames))}"]
    bad = sum(frame.state is not None for frame in frames)
    parts += [f"{bad} of them cannot be used"] if bad else []
    parts += [f"ISO {facts.iso}"] if facts.iso is not None else []
    parts += [f"f/{facts.f_number:.3g}"] if facts.f_number else []
    total = sum(frame.exposure for frame in frames)
    unknown = any(not f.facts.exposure_s for f in frames)
    whole = "exposure not known" if unknown else f"{duration(total)} in all"
    parts.append(whole if len(frames) > 1 else "a test shot?")
    yield f"  scene {scene.scene}: {', '.join(parts)}"
    yield f"    darks: {scene.dark_why}"
    if scene.flat_set is not None:
        yield f"    flats: {scene.flat_why}"


def _odd_files(rows: Sequence[dict[str, Any]]) -> list[str]:
    """A line a kind for files that a person may miss in the pictures."""
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in rows:
        kind = row.get("state") or row["kind"]
        if kind in ("unreadable", "damaged", "other", "duplicate"):
            found[kind].append(row)
    lines = []
    for kind, members in found.items():
        named = "; ".join(f"{row['file']}: {row.get('problem') or row['reason']}" for row in members[:EXAMPLES])
        more = f"; and {len(members) - EXAMPLES} more" if len(members) > EXAMPLES else ""
        lines.append(f"  {kind}: {named}{more}")
    return lines
