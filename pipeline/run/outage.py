"""What a machine that went down during a run may have left: files that have their names, while what is in them never
reached the disk.

A file that is renamed when it is whole is whole for everybody on this machine, but not for one that lost its power:
the system writes files out up to half a minute late, their names first. So what was made in the last minutes before
that is made again; nothing is waited for while a run is at work.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

from pipeline.plan import FINISHED, JOINED, RESULTS, TRAILS, TRAILS_FITS

# Another after every start of the machine (Linux: random(4)).
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
# What is older than 30 s is written out, which is looked for every 5 s (Linux: vm.dirty_expire_centisecs and
# vm.dirty_writeback_centisecs, their defaults); disks may be slow.
WRITTEN_S = 120.0


def begin(project: Path) -> None:
    """Note that a run begins on this start of the machine."""
    with contextlib.suppress(OSError):
        _note(project).write_text(BOOT_ID.read_text())


def end(project: Path) -> None:
    """Note that the run has ended by itself."""
    _note(project).unlink(missing_ok=True)


def distrust(project: Path) -> int:
    """Remove what an earlier run made in the last `WRITTEN_S` before the machine went down; how much that was.

    Nothing where that run ended, or the machine has been up since. What the user keeps in the folders of results stays.
    """
    try:
        then, now = _note(project).read_text(), BOOT_ID.read_text()
    except OSError:
        return 0
    if then == now:
        return 0
    since, present = psutil.boot_time(), time.time()
    # what was changed since the machine is up again was not by that run: a picture that was worked on meanwhile
    made = [(when, path) for path in _made(project) if not since <= (when := _changed(path)) <= present]
    last = max((when for when, _ in made), default=0.0)
    young = [path for when, path in made if when > last - WRITTEN_S]
    for path in young:
        if path.is_dir():
            shutil.rmtree(path, ignore_errors=True)
        else:
            path.unlink(missing_ok=True)
    return len(young)


def _note(project: Path) -> Path:
    return project / "work" / "boot_id"


def _made(project: Path) -> Iterator[Path]:
    """What jobs make: files, and the folders of mosaics, which are made as a whole."""
    work = project / "work"
    yield from (work / "mosaics").glob("[!.]*")
    for pattern in ("grades/*", "darks/*", "scenes/*/*"):
        yield from (path for path in work.glob(pattern) if path.is_file())
    for name in (*RESULTS, *JOINED, *FINISHED, *TRAILS, TRAILS_FITS):
        yield from (project / "results").glob(f"*/{name}")


def _changed(path: Path) -> float:
    """When a file, or the last of a folder's, was changed, s since 1970."""
    times = [path.stat().st_mtime]
    if path.is_dir():
        times += [inner.stat().st_mtime for inner in path.iterdir()]
    return max(times)
