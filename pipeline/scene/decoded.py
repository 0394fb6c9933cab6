"""What decode left in its folders: mosaics by frame, and which of them are damaged."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from pipeline.sensor.mosaic import MosaicFile
from pipeline.tables import read_table, rows_of

# How a sentence on a frame of a master begins that decode could not read, or called damaged.
UNREADABLE, DAMAGED = "could not be decoded", "is damaged"


def find_path(frame: str, folders: Sequence[Path]) -> Path | None:
    """The file of a frame's mosaic in any of the folders, damaged or not; None where decode made none."""
    return next((path for folder in folders if (path := folder / f"{frame}.fits").is_file()), None)


def find_mosaic(frame: str, folders: Sequence[Path]) -> MosaicFile | None:
    """The same, opened."""
    path = find_path(frame, folders)
    return None if path is None else MosaicFile(path)


def spoiled_frames(folders: Sequence[Path]) -> dict[str, str]:
    """What is wrong with the frames that decode called unreadable or damaged, by frame id; nothing where decode left no
    table."""
    words = {"unreadable": UNREADABLE, "damaged": DAMAGED}
    found = {}
    for folder in folders:
        path = folder / "decoded.ecsv"
        if not path.is_file():
            continue
        for row in rows_of(read_table(path), ("frame", "status", "detail")):
            if str(row["status"]) in words:
                found[str(row["frame"])] = f"{words[str(row['status'])]}: {row['detail']}"
    return found
