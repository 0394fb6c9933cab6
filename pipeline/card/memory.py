"""What was learned of each file, kept between calls, so that a card is read once.

A record is valid for one path, size and time of change. It holds nothing of the settings: what depends on them is
derived anew each time.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.card.frame import Facts, Look
from pipeline.files import read_json, write_json

# Raise it when what is kept, or how it is found, changes.
FORM = 10


@dataclass(frozen=True)
class Record:
    """What is known of one file: the hash of its content, its header, or why it cannot be used, its look, its stars.

    `whole_hash` is the hash of all of the content where that was needed; `stars` are rows of x, y, flux.
    """

    size: int
    mtime_ns: int
    hash: str
    facts: Facts | None = None
    unreadable: str | None = None
    whole_hash: str | None = None
    pixels: str | None = None  # the hash of its pixels where that was needed
    preview: float | None = None
    preview_seen: bool = False
    look: Look | None = None
    broken: str | None = None  # why it could not be decoded
    damage: str | None = None  # what is wrong with pixels that could be decoded all the same
    stars: tuple[tuple[float, float, float], ...] | None = None
    solved: dict[str, Any] | None = None  # where the stars were solved; empty where that failed


class Memory:
    """The records of a card, by path; those asked for or kept since it was opened are the ones saved.

    Parameters
    ----------
    path : Path
        Where they are saved.
    base : Path, optional
        Paths inside this folder are kept relative to it, so that a project folder can be moved.
    """

    def __init__(self, path: Path, base: Path | None = None) -> None:
        self._path = path
        self._base = None if base is None else os.path.abspath(base) + os.sep
        self._old: dict[str, Record] = {}
        self._kept: dict[str, Record] = {}
        self._old_matches: dict[str, list[float] | None] = {}
        self._matches: dict[str, list[float] | None] = {}
        try:
            content = read_json(path)
            if content["form"] == FORM:
                self._old = {name: _record(item) for name, item in content["files"].items()}
                self._old_matches = dict(content["matches"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            pass  # a cache: what cannot be read is learned again

    def _key(self, path: str) -> str:
        inside = self._base is not None and path.startswith(self._base)
        return path[len(self._base) :] if inside and self._base is not None else path

    def recall(self, path: str, size: int, mtime_ns: int) -> Record | None:
        """The record of a file, if it is unchanged."""
        key = self._key(path)
        record = self._kept.get(key) or self._old.get(key)
        if record is None or (record.size, record.mtime_ns) != (size, mtime_ns):
            return None
        self._kept[key] = record
        return record

    def keep(self, path: str, record: Record) -> None:
        """Remember a record."""
        self._kept[self._key(path)] = record

    def __getitem__(self, path: str) -> Record:
        return self._kept[self._key(path)]

    def change(self, path: str, **values: Any) -> Record:
        """Remember more of a file."""
        key = self._key(path)
        self._kept[key] = replace(self._kept[key], **values)
        return self._kept[key]

    def match(self, first: str, second: str, find: Callable[[], list[float] | None]) -> list[float] | None:
        """What `find` gives for two frames, by their ids; asked once."""
        key = f"{first} {second}"
        if key not in self._matches:
            self._matches[key] = self._old_matches[key] if key in self._old_matches else find()
        return self._matches[key]

    def save(self) -> None:
        """Write the records, if any changed."""
        files = {}
        for path in sorted(self._kept):
            files[path] = {key: value for key, value in asdict(self._kept[path]).items() if value is not None}
        write_json(self._path, {"form": FORM, "files": files, "matches": self._matches}, only_if_changed=True)


def _record(content: dict[str, Any]) -> Record:
    facts, look, stars = content.pop("facts", None), content.pop("look", None), content.pop("stars", None)
    return Record(
        facts=None if facts is None else Facts(**facts),
        look=None if look is None else Look(**look),
        stars=None if stars is None else tuple((x, y, flux) for x, y, flux in stars),
        **content,
    )
