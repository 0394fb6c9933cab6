"""Atomic files and printable file names."""

from __future__ import annotations

import contextlib
import json
import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

_UNSAFE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff\\]")


@contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary name beside `path`; rename it to `path` when the block ends well, remove it otherwise.

    The temporary name keeps the suffix of `path`, for writers that choose a format by it.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".part-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        with contextlib.suppress(OSError):  # disks shared over a network, or formatted for cameras, know no modes
            temporary.chmod(0o666 & ~_umask())
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def check_writable(folder: Path) -> None:
    """Make sure that files can be made in a folder, or raise the OSError that a step would meet hours later."""
    handle, name = tempfile.mkstemp(prefix=".part-", dir=folder)
    os.close(handle)
    os.unlink(name)


def without_name(sentence: str, path: str | os.PathLike[str]) -> str:
    """A sentence on a file without the name it begins with, for a table whose rows bear the name already."""
    return sentence.removeprefix(f"{shown(os.path.basename(os.fsencode(path)))}: ")


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write UTF-8 text under a temporary name, then rename."""
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def write_json(path: str | os.PathLike[str], content: Any, *, only_if_changed: bool = False) -> bool:
    """Write JSON (sorted keys, ASCII, no NaN); with `only_if_changed` an equal file keeps its time. True if written."""
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=True, allow_nan=False) + "\n"
    path = Path(path)
    if only_if_changed and path.is_file() and path.read_text(encoding="utf-8") == text:
        return False
    write_text(path, text)
    return True


def read_json(path: str | os.PathLike[str]) -> Any:
    """Read a JSON file."""
    return json.loads(Path(path).read_text(encoding="utf-8"))


def reserve(path: str | os.PathLike[str], size: int) -> None:
    """Create `path` with `size` bytes taken on disk, so that a later memory map cannot die of a full disk.

    Raises
    ------
    OSError
        ENOSPC where there is no room.
    """
    with open(path, "w+b") as handle:
        if size:
            os.posix_fallocate(handle.fileno(), 0, size)


def shown(path: str | bytes | os.PathLike[str]) -> str:
    """Make a path printable: bytes that are no UTF-8, control characters and backslashes become `\\xNN` or `\\\\`.

    The result holds no control character, is valid Unicode, and no two paths give the same.
    """
    text = os.fsdecode(path)

    def escape(match: re.Match[str]) -> str:
        character = match.group()
        if character == "\\":
            return "\\\\"
        code = ord(character)
        if 0xDC80 <= code <= 0xDCFF:
            return f"\\x{code - 0xDC00:02x}"
        return "".join(f"\\x{byte:02x}" for byte in character.encode("utf-8", "surrogatepass"))

    return _UNSAFE.sub(escape, text)
