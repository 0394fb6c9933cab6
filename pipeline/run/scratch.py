"""The scratch of a project folder: what the mosaics of a scene take, whether there is room, which of them stay."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import InputError
from pipeline.files import read_json, shown

if TYPE_CHECKING:
    from astropy.table import Table


# What darks' mosaics that stay may take of what the lights' do.
STAYING_SHARE = 0.1


def mosaic_bytes(inventory: Table) -> dict[str, int]:
    """What the mosaics of each scene, and of each set of darks, biases or flats, take, two bytes a pixel; those of
    unknown size are left out."""
    need: dict[str, int] = {}
    if not {"scene", "dark_set", "width", "height", "kind"} <= set(inventory.colnames):
        return need
    from pipeline.tables import rows_of  # only here: see `Night.sort_card`

    for row in rows_of(inventory, ("kind", "scene", "dark_set", "width", "height")):
        owner = row["scene"] if row["kind"] == "light" else row["dark_set"]
        if None not in (owner, row["width"], row["height"]):
            need[owner] = need.get(owner, 0) + 2 * row["width"] * row["height"]
    return need


def check_room(project: Path, need: dict[str, int], limit_mb: int | None) -> None:
    """Stop before any work where a scene's mosaics cannot fit; those that are there may stay or go.

    Raises
    ------
    InputError
        The largest scene needs more than is allowed, or than the disk has.
    """
    if not need:
        return
    scene, size = max(need.items(), key=lambda item: item[1])
    if limit_mb is not None and size > limit_mb * 1e6:
        raise InputError(
            f"trip.yaml: limits.scratch_mb: scene {scene} needs {size / 1e6:.0f} MB of scratch (got {limit_mb}); "
            "raise it, or split the scene under 'scenes:'"
        )
    free = shutil.disk_usage(project).free + sum(held(folder) for folder in _batches(project))
    if size > free:
        raise InputError(
            f"{shown(project)}: scene {scene} needs {size / 1e6:.0f} MB of scratch, "
            f"and the disk has {free / 1e6:.0f} MB for it; make room, or move the project folder"
        )


def held(folder: Path) -> int:
    """Bytes on the disk of the files in a folder."""
    total = 0
    for path in folder.glob("*"):
        try:
            total += path.stat().st_blocks * 512
        except OSError:  # gone meanwhile
            continue
    return total


def staying_darks(project: Path, plan: Mapping[str, Any], scene: str) -> list[str]:
    """Batches of a scene's darks and biases whose mosaics stay with those of its lights: when new darks come, the
    others need not be decoded again. As many as take no more than a tenth of what the lights do.

    Parameters
    ----------
    plan : content of plan.json
    """
    entry = plan["scenes"][scene]
    stay: list[str] = []
    room = STAYING_SHARE * entry["frames"]
    for name in (entry["dark_set"], entry["bias_set"]):
        for batch in plan["sets"][name]["batches"] if name else ():
            frames = len(read_json(project / "work" / "plan" / "batches" / f"{batch}.json")["frames"])
            if frames <= room:
                room -= frames
                stay.append(batch)
    return stay


def clear(project: Path, but: Iterable[str] = ()) -> None:
    """Remove all mosaics but those of the batches named."""
    stay = set(but)
    for folder in _batches(project):
        if folder.name not in stay:
            shutil.rmtree(folder, ignore_errors=True)


def clear_halves(project: Path) -> None:
    """Remove what killed jobs have left half-written (`files.replacing`, `decode`); none may be at work."""
    for folder in (project / "results", project / "work"):
        for path in folder.rglob(".part-*"):
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)
            else:
                with contextlib.suppress(OSError):  # a folder that cannot be written to has its sentence later
                    path.unlink(missing_ok=True)


def _batches(project: Path) -> list[Path]:
    return [p for p in (project / "work" / "mosaics").glob("*") if p.is_dir() and not p.is_symlink()]
