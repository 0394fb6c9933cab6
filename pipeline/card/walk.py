"""Finding the files of a card, and telling the same content from other content."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.config import TRIP_FILE
from pipeline.errors import InputError
from pipeline.files import shown

# What the pipeline itself makes in a project folder; a project folder is one that holds a trip file.
OWN_FOLDERS = frozenset({"results", "work", "logs", ".snakemake"})

# Files up to this size are hashed whole; of larger ones this many blocks are, evenly spread, first and last included.
# Eight blocks cost 3 ms a file from a warm disk; sensor noise makes them differ between any two exposures.
WHOLE_BYTES = 4 << 20
BLOCK_BYTES = 64 << 10
BLOCKS = 8
_HIDDEN = "a hidden file (its name begins with a dot)"


@dataclass(frozen=True)
class Root:
    """A folder to be searched: its path, its name in the trip file, and the key under which it stands there."""

    path: str
    name: str
    role: str  # frames, darks or flats


@dataclass(frozen=True)
class Found:
    """A file, or a folder that could not be opened.

    `path` may hold surrogate-escaped bytes; `shown` is printable and relative to its root. `skip` says why a file is
    not looked into, `problem` why it cannot be.
    """

    path: str
    shown: str
    root: Root
    size: int = 0
    mtime_ns: int = 0
    skip: str | None = None
    problem: str | None = None


def roots_of(project: Path, folders: dict[str, Sequence[str]]) -> list[Root]:
    """The folders to be searched.

    Parameters
    ----------
    project : Path
        What relative names are relative to.
    folders : mapping of role (frames, darks, flats) to names

    Raises
    ------
    InputError
        A folder does not exist, is no folder or cannot be opened.
    """
    roots = []
    for role, names in folders.items():
        for name in names:
            path = os.path.join(os.path.abspath(project), os.path.expanduser(name))
            where = f"trip.yaml: {role}: {shown(name)}"
            if not os.path.lexists(path):
                raise InputError(
                    f"{where}: there is no such folder ({shown(path)}); correct the name, or mount the card"
                )
            if not os.path.isdir(path):
                raise InputError(f"{where}: is not a folder; name the folder that holds the frames")
            refuse_whole_disk(path, where)
            try:
                os.scandir(path).close()
            except OSError as error:
                raise InputError(f"{where}: cannot be opened ({error.strerror}); mend its permissions") from error
            roots.append(Root(os.path.normpath(path), name, role))
    return roots


def refuse_whole_disk(path: str | Path, where: str) -> None:
    """The root of all files is searched for hours, and what is found there is no card.

    Raises
    ------
    InputError
    """
    if os.path.realpath(path) == os.sep:
        raise InputError(f"{where}: is the whole disk; name the folder that holds the frames")


def find_files(roots: Sequence[Root]) -> list[Found]:
    """Every file under the folders, each real file once, in order of folder and name.

    A file under several of the folders (one inside another) counts to the innermost; on equal depth `darks` and
    `flats` win over `frames`. Links are followed, loops are not; the pipeline's own folders are passed over.
    """
    priority = {"flats": 2, "darks": 1, "frames": 0}
    best: dict[str, tuple[tuple[int, int], int, Found]] = {}
    for number, root in enumerate(roots):
        rank = (root.path.count(os.sep), priority[root.role])
        for found in _walk(root.path, root, _above(root.path), ""):
            known = best.get(found.path)
            if known is None or rank > known[0]:
                best[found.path] = (rank, number, found)
    ordered = sorted(best.values(), key=lambda item: (item[1], os.fsencode(item[2].path)))
    return [found for _, _, found in ordered]


def _above(folder: str) -> frozenset[tuple[int, int]]:
    """The folders above one, as `_walk` knows them: a link out of it to one of them is a loop as well."""
    above = set()
    for parent in Path(os.path.realpath(folder)).parents:
        with contextlib.suppress(OSError):
            status = os.stat(parent)
            above.add((status.st_dev, status.st_ino))
    return frozenset(above)


def _walk(folder: str, root: Root, above: frozenset[tuple[int, int]], hidden: str) -> Iterator[Found]:
    """Walk one folder; `above` are the folders (device, inode) on the way down, `hidden` why all in it is ignored."""
    try:
        here = os.stat(folder)
        with os.scandir(folder) as entries:
            content = sorted(entries, key=lambda entry: os.fsencode(entry.name))
    except OSError as error:
        yield _found(folder, root, problem=f"folder cannot be opened ({error.strerror})", folder=True)
        return
    key = (here.st_dev, here.st_ino)
    if key in above:
        yield _found(folder, root, skip="a link that leads back to a folder above it", folder=True)
        return
    is_project = any(entry.name == TRIP_FILE for entry in content)
    for entry in content:
        skip = hidden or ("hidden" if entry.name.startswith(".") else "")
        try:
            status = os.stat(entry.path)
        except OSError as error:
            why = "a link that leads nowhere" if entry.is_symlink() else f"cannot be read ({error.strerror})"
            yield _found(entry.path, root, skip=skip or None, problem=why)
            continue
        if stat.S_ISDIR(status.st_mode):
            if not (is_project and entry.name in OWN_FOLDERS):
                yield from _walk(
                    entry.path, root, above | {key}, skip and "in a hidden folder (its name begins with a dot)"
                )
        elif not stat.S_ISREG(status.st_mode):
            yield _found(entry.path, root, skip="a pipe or a device, not a file")
        elif entry.name == TRIP_FILE:
            yield _found(entry.path, root, status, skip="the settings of a trip")
        else:
            yield _found(entry.path, root, status, skip=_HIDDEN if skip == "hidden" else skip or None)


def _found(
    path: str,
    root: Root,
    status: os.stat_result | None = None,
    skip: str | None = None,
    problem: str | None = None,
    folder: bool = False,
) -> Found:
    relative = os.path.relpath(path, root.path)
    return Found(
        path,
        shown(relative) + ("/" if folder else ""),
        root,
        0 if status is None else status.st_size,
        0 if status is None else status.st_mtime_ns,
        skip,
        problem,
    )


def in_reach(path: str) -> bool:
    """Whether a file can be opened and its beginning read: not where its card was pulled out, or its share is away."""
    try:
        with open(path, "rb", buffering=0) as handle:
            handle.read(BLOCK_BYTES)
    except (OSError, ValueError):
        return False
    return True


def content_hash(path: str, size: int, *, whole: bool = False) -> str:
    """32 hex digits that stand for the content of a file: its size and all of it, or blocks of it where it is large.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    digest = hashlib.blake2b(size.to_bytes(8, "little"), digest_size=16)
    with open(path, "rb", buffering=0) as handle:
        if whole or size <= WHOLE_BYTES:
            while block := handle.read(1 << 20):
                digest.update(block)
        else:
            for n in range(BLOCKS):
                handle.seek((size - BLOCK_BYTES) * n // (BLOCKS - 1))
                digest.update(handle.read(BLOCK_BYTES))
    return digest.hexdigest()
