"""Where the machine code of compiled functions is kept: a folder for each state of their sources.

Numba looks at the age of a function's own file, not of those whose functions it took in. After an update code of before
and of today would work on each other's data, and a step would end without a word.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterable
from pathlib import Path

VARIABLE = "NUMBA_CACHE_DIR"
# Folders that stay: this state's and that of the one before, which a run may still be using.
STAY = 2


def state_of(paths: Iterable[Path]) -> str:
    """Twelve hex digits of what the files that hold compiled functions say."""
    digest = hashlib.sha256()
    for path in sorted(paths):
        content = path.read_bytes()
        if b"numba" in content or b"pixels.leaf" in content:
            digest.update(path.name.encode() + b"\0" + hashlib.sha256(content).digest())
    return digest.hexdigest()[:12]


def choose_folder(package: Path) -> Path:
    """The folder for the machine code of a package, made where it is not there; those of old states go.

    Beside the sources, or in the user's cache where they cannot be written to.
    """
    beside = package / "__pycache__"
    try:
        beside.mkdir(exist_ok=True)
        home = beside if os.access(beside, os.W_OK) else None
    except OSError:
        home = None
    if home is None:
        home = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "moonless"
    folder = home / f"compiled-{state_of(package.rglob('*.py'))}"
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        others = [other for other in home.glob("compiled-*") if other != folder]
        for old in sorted(others, key=lambda other: other.stat().st_mtime, reverse=True)[STAY - 1 :]:
            shutil.rmtree(old, ignore_errors=True)
    return folder


def keep_compiled(package: Path) -> None:
    """Tell Numba where to keep machine code, unless the user has."""
    if VARIABLE in os.environ:
        return
    try:
        os.environ[VARIABLE] = str(choose_folder(package))
    except (OSError, RuntimeError):  # neither place can be written to: Numba chooses for itself
        return


def anything_kept() -> bool:
    """Whether machine code of a run is there already, or a first one will make it, function by function.

    Numba names the folders after those of the sources; the example's maker has some of its own there before.
    """
    return VARIABLE in os.environ and any(Path(os.environ[VARIABLE]).glob("pixels_*/*.nbc"))
