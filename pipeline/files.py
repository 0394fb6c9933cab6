"""Atomic files and printable file names."""

from __future__ import annotations

import contextlib
import errno
import fnmatch
import json
import os
import re
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

# Of blanks only a single one between other characters is sure to be seen: tables take off those at the ends of a value,
# pages show several as one, and those of other widths look like any other.
_UNSAFE = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff\\]|[^\S ]|(?:(?<=[\s/])|^) | (?=/|$)")
_ESCAPED = re.compile(r"\\(\\|x[0-9a-f]{2})")


# What writing says where there is no room: on the disk, in the user's share of it, below the limit on a file's size.
NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary name beside `path`; rename it to `path` when the block ends well, remove it otherwise.

    The temporary name keeps the suffix of `path`, for writers that choose a format by it. Where there is no room for
    what is written the error bears the name `path`, which the system's own leaves out.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".part-", suffix=path.suffix, dir=path.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        with contextlib.suppress(OSError):  # disks shared over a network, or formatted for cameras, know no modes
            temporary.chmod(0o666 & ~_UMASK)
        os.replace(temporary, path)
    except OSError as error:
        named = error.filename is not None and os.fspath(error.filename) != name
        # NumPy says of a file that could not be written whole no more than how much of it was
        partly = error.errno is None and "requested and" in str(error)
        if named or not (partly or error.errno in NO_ROOM):
            raise
        why = error.strerror or f"could not be written whole ({error}): is the disk full, or 'ulimit -f' too small?"
        raise OSError(error.errno or errno.EIO, why, os.fspath(path)) from error
    finally:
        temporary.unlink(missing_ok=True)


def _read_umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


# Once, while there is one thread: it can be read only by setting another.
_UMASK = _read_umask()


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


def holds(path: Path, text: str) -> bool:
    """Whether a file is there and holds this text and nothing else; what it holds may be no text at all."""
    return path.is_file() and path.read_bytes() == text.encode()


def write_json(path: str | os.PathLike[str], content: Any, *, only_if_changed: bool = False) -> bool:
    """Write JSON (sorted keys, ASCII, no NaN); with `only_if_changed` an equal file keeps its time. True if written."""
    text = json.dumps(content, indent=1, sort_keys=True, ensure_ascii=True, allow_nan=False) + "\n"
    path = Path(path)
    if only_if_changed and holds(path, text):
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
            try:
                os.posix_fallocate(handle.fileno(), 0, size)
            except OSError as error:
                raise OSError(error.errno, error.strerror, os.fspath(path)) from None


def shown(path: str | bytes | os.PathLike[str]) -> str:
    """Make a path printable: bytes that are no UTF-8, control characters and backslashes become `\\xNN` or `\\\\`.

    So do blanks that begin or end a name, follow another one or are no plain space: what tables and pages would lose.
    The result holds no control character, is valid Unicode, and no two paths give the same.

    Examples
    --------
    >>> shown("night 1/  a b .dng")
    'night 1/\\\\x20\\\\x20a b .dng'
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


def original(text: str) -> str:
    """Give back the path, with bytes that are no UTF-8 surrogate-escaped, that `shown` made printable."""
    raw, position = bytearray(), 0
    for match in _ESCAPED.finditer(text):
        raw += os.fsencode(text[position : match.start()])
        raw += b"\\" if match.group(1) == "\\" else bytes([int(match.group(1)[1:], 16)])
        position = match.end()
    return os.fsdecode(bytes(raw + os.fsencode(text[position:])))


def is_named(shown_path: str, patterns: Iterable[str], others: Iterable[str] = ()) -> bool:
    """Whether names or patterns of the trip file mean a file: its path in its folder, its name, or that without suffix.

    Each may stand as it is on the disk or as it is shown. A pattern holds `*`, `?` and `[...]`; large and small letters
    are different.

    Parameters
    ----------
    shown_path : as `shown` made it printable
    others : what else the file may be called by
    """
    names = set(others)
    for path in {shown_path, original(shown_path)}:
        base = os.path.basename(path)
        names |= {path, base, os.path.splitext(base)[0]}
    return any(pattern in names or any(fnmatch.fnmatchcase(name, pattern) for name in names) for pattern in patterns)
