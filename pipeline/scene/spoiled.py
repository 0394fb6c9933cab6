"""Frames that the steps found to be of no use (cut short, unreadable, damaged), whatever the card's sorting said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from astropy.io import fits

from pipeline.scene.decoded import DAMAGED, UNREADABLE
from pipeline.scene.records import Rows, read_object, read_rows, tolerant

# Words of a master's table that say so, and the state they mean; darks left out for what they show are sound files.
_OF_MASTERS = {UNREADABLE: "unreadable", DAMAGED: "damaged"}
STATES = ("unreadable", "damaged")


def read_spoiled(work: Path) -> dict[str, tuple[str, str]]:
    """State (`unreadable` or `damaged`) and why, by frame id, of all lights and calibration frames of the plan."""
    plan = read_object(work / "plan" / "plan.json")
    found: dict[str, tuple[str, str]] = {}
    for scene in plan.get("scenes") or {}:
        table = read_rows(work / "scenes" / scene / "verdicts.ecsv")
        for row in table.rows:
            if row.get("reasons") in STATES:
                found[str(row["frame"])] = (str(row["reasons"]), str(row.get("detail") or f"it is {row['reasons']}"))
    for name in plan.get("sets") or {}:
        nothing: dict[str, str] = {}
        for frame, why in tolerant(_of_master, work / "darks" / f"{name}.fits", nothing).items():
            for words, state in _OF_MASTERS.items():
                if why.startswith(words):
                    found[frame] = (state, why.removeprefix(words).removeprefix(": ") or words)
    return found


def _of_master(path: Path) -> dict[str, str]:
    return {str(row["frame"]): str(row["why"]) for row in fits.getdata(path, "FRAMES")}


def with_spoiled(inventory: Rows, spoiled: Mapping[str, tuple[str, str]]) -> list[dict[str, Any]]:
    """The inventory's rows with what was found of them since, which is marked as `later`."""
    rows = []
    for row in inventory.rows:
        state, why = spoiled.get(str(row.get("id")), (None, ""))
        if state is not None and not row.get("state"):
            row = row | {"state": state, "problem": why, "later": True}
        elif state is not None:
            row = row | {"state": state}
        rows.append(row)
    return rows


def unusable(rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Files that are frames, or should be, and cannot be used: for trip.json and the terminal."""
    return [
        {
            "file": row.get("file"),
            "folder": row.get("folder"),
            "kind": row.get("kind"),
            "why": row.get("problem") or row.get("reason"),
        }
        for row in rows
        if row.get("state") or row.get("kind") == "unreadable"
    ]
