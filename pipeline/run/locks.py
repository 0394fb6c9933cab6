"""Two locks of a project folder, both freed by the kernel when their process ends, however it ends.

`run` is held by the one run that is at work; `jobs` is shared by the engine and every step, so that a new run sees
those that outlived a run which was killed.
"""

from __future__ import annotations

import errno
import fcntl
import os
from pathlib import Path
from typing import IO

from pipeline.errors import InputError
from pipeline.files import shown

# What file systems say that lock nothing, or no folders: not an error.
_NO_LOCKS = (errno.EBADF, errno.EINVAL, errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP)


def _open(project: Path, name: str) -> IO[str]:
    folder = project / "work" / "locks"
    folder.mkdir(parents=True, exist_ok=True)
    return (folder / name).open("a+")


class RunLock:
    """A project folder taken by this process until it is closed."""

    def __init__(self, handle: IO[str], folder: int) -> None:
        self._handle, self._folder = handle, folder

    def close(self) -> None:
        """Give the folder back."""
        self._handle.close()
        os.close(self._folder)


def hold_run(project: Path) -> RunLock:
    """Take the project folder for this process.

    Raises
    ------
    InputError
        Another run works on the folder, or it cannot be written to.
    """
    try:
        handle = _open(project, "run")
    except OSError as error:
        raise InputError(
            f"{shown(project)}: cannot be written to ({error.strerror}); put trip.yaml into a folder of your own and "
            "name the folder of the frames in it, they are only read"
        ) from None
    # the folder itself as well: 'work' may be deleted while a run is at work
    folder = os.open(project, os.O_RDONLY)
    taken = _take(handle.fileno()) and _take(folder)
    if not taken:
        handle.seek(0)
        holder = handle.read().strip() or "unknown"
        handle.close()
        os.close(folder)
        raise InputError(
            f"{shown(project)}: another run is working on this folder (process {holder}); wait for it, or stop it first"
        )
    handle.truncate(0)
    handle.write(str(os.getpid()))
    handle.flush()
    return RunLock(handle, folder)


def _take(descriptor: int) -> bool:
    """Lock it for this process alone; False where another has it."""
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    except OSError as error:
        return error.errno in _NO_LOCKS
    return True


def share_jobs(project: Path) -> IO[str]:
    """Take part in the lock of running jobs until the handle is closed."""
    handle = _open(project, "jobs")
    try:
        fcntl.flock(handle, fcntl.LOCK_SH)
    except OSError as error:
        if error.errno not in _NO_LOCKS:
            raise
    return handle


def no_jobs(project: Path) -> bool:
    """Whether no engine and no step is at work in the folder."""
    with _open(project, "jobs") as handle:
        return _take(handle.fileno())
