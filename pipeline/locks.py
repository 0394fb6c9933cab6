"""Two locks of a project folder, both freed by the kernel when their process ends, however it ends.

`run` is held by the one run that is at work; `jobs` is shared by the engine and every step, so that a new run sees
those that outlived a run which was killed.
"""

from __future__ import annotations

import fcntl
import os
from pathlib import Path
from typing import IO

from pipeline.errors import InputError
from pipeline.files import shown


def _open(project: Path, name: str) -> IO[str]:
    folder = project / "work" / "locks"
    folder.mkdir(parents=True, exist_ok=True)
    return (folder / name).open("a+")


def hold_run(project: Path) -> IO[str]:
    """Take the project folder for this process until the handle is closed.

    Raises
    ------
    InputError
        Another run works on the folder.
    """
    handle = _open(project, "run")
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        handle.seek(0)
        holder = handle.read().strip() or "unknown"
        handle.close()
        raise InputError(
            f"{shown(project)}: another run is working on this folder (process {holder}); wait for it, or stop it first"
        ) from None
    handle.truncate(0)
    handle.write(str(os.getpid()))
    handle.flush()
    return handle


def share_jobs(project: Path) -> IO[str]:
    """Take part in the lock of running jobs until the handle is closed."""
    handle = _open(project, "jobs")
    fcntl.flock(handle, fcntl.LOCK_SH)
    return handle


def no_jobs(project: Path) -> bool:
    """Whether no engine and no step is at work in the folder."""
    with _open(project, "jobs") as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            return False
        return True
