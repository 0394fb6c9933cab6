"""Frames that could not be opened when they were decoded and can be now: a share or disk that was away for a moment, a
file that was moved and is back. They are the same frames, so no key of the engine would tell that they are there again.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.files import read_json

# What the decoder says of them (`sensor/worker.py`), as grades and the headers of masters hold it.
UNOPENED = "cannot be opened"
_HEAD = 1 << 17  # bytes of a master in which its header ends, however many frames it tells of


def back_in_reach(project: Path, scenes: Mapping[str, Any], sets: Mapping[str, Any]) -> list[str]:
    """The batches that have to be decoded again because of such frames.

    Parameters
    ----------
    scenes, sets : of plan.json
    """
    work = project / "work"
    told = {
        batch: [line for line in _text(work / "grades" / f"{batch}.ecsv").splitlines() if UNOPENED in line]
        for entry in scenes.values()
        for batch in entry["batches"]
    }
    for name, entry in sets.items():
        head = _text(work / "darks" / f"{name}.fits", _HEAD)
        cards = (head[k : k + 80] for k in range(0, len(head), 80))
        # sentences go on from card to card
        history = "".join(card[8:] for card in cards if card.startswith("HISTORY "))
        # a frame's id and what was wrong with it
        before = [part[-80:] for part in history.split(f": {UNOPENED}")[:-1]]
        told |= dict.fromkeys(entry["batches"], before)
    for batch in told:
        # what was graded, or was in a master, when all could be opened, may have been away when it was decoded again
        told[batch] = [*told[batch], _text(away_note(project, batch))]
    return [
        batch
        for batch, lines in told.items()
        if any(lines) and _any_opens(work / "plan" / "batches" / f"{batch}.json", "\n".join(lines))
    ]


def away_note(project: Path, batch: str) -> Path:
    """Where `decode` notes the ids of frames of a batch that it could not open."""
    return project / "work" / "away" / f"{batch}.json"


def _text(path: Path, most: int = -1) -> str:
    try:
        with path.open("rb") as handle:
            return handle.read(most).decode("latin-1")
    except OSError:
        return ""


def _any_opens(batch: Path, told: str) -> bool:
    """Whether one of a batch's frames whose id was told can be opened."""
    return any(frame["id"] in told and _opens(frame["file"]) for frame in read_json(batch)["frames"])


def _opens(file: str) -> bool:
    try:
        with open(file, "rb") as handle:
            return bool(handle.read(1))
    except (OSError, ValueError):
        return False
