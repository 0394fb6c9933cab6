"""What every step shares: logging, errors as sentences, progress that the front door shows, and timings."""

from __future__ import annotations

import argparse
import contextlib
import errno
import logging
import os
import resource
import sys
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from pipeline.errors import InputError, MoonlessError
from pipeline.files import shown, write_json
from pipeline.run.locks import share_jobs

log = logging.getLogger("moonless")


def run_step(
    name: str,
    parser: argparse.ArgumentParser,
    work: Callable[[argparse.Namespace], None],
    argv: Sequence[str] | None,
) -> int:
    """Parse, run and report one step; returns the exit status (0 done, 1 failed, 2 bad arguments).

    A `MoonlessError` or `OSError` becomes one sentence on standard error; anything else is a fault of this program and
    keeps its traceback, in the log only.
    """
    logging.basicConfig(
        level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s", stream=sys.stderr, force=True
    )
    arguments = parser.parse_args(argv)
    project: Path | None = getattr(arguments, "project", None)
    try:
        if project is not None and not project.is_dir():
            raise InputError(f"--project: {shown(project)} is not a folder")
        with contextlib.nullcontext() if project is None else share_jobs(project):
            work(arguments)
        if project is not None:
            _failure_file(project, name, arguments).unlink(missing_ok=True)
        return 0
    except MoonlessError as error:
        sentence = str(error)
    except OSError as error:
        where = f"{shown(error.filename)}: " if isinstance(error.filename, (str, bytes, os.PathLike)) else ""
        sentence = f"{where}{error.strerror or error}"
        if error.errno in (errno.ENOSPC, errno.EDQUOT) and error.strerror == os.strerror(error.errno):
            sentence += "; free some, or put the project on a larger disk, and run again"
        elif error.errno == errno.EFBIG:
            sentence += "; raise the limit on the size of files (ulimit -f), or the disk's, and run again"
    except MemoryError:
        sentence = "out of memory; lower limits.memory_mb or close other programs"
    except Exception as error:
        log.exception("%s", name)
        sentence = f"a fault of moonless itself ({type(error).__name__}: {error}); please report it with the log"
    print(f"{name}: {sentence}", file=sys.stderr)
    _record_failure(project, name, arguments, sentence)
    return 1


def _subject(arguments: argparse.Namespace) -> str:
    given = next((getattr(arguments, k) for k in ("scene", "batch", "set") if getattr(arguments, k, None)), None)
    return Path(given).stem if given else "trip"


def _failure_file(project: Path, step: str, arguments: argparse.Namespace) -> Path:
    """Where the page of the scene looks for the sentence of a step that failed."""
    return project / "work" / "failures" / f"{step}-{_subject(arguments)}.json"


def _record_failure(project: Path | None, step: str, arguments: argparse.Namespace, sentence: str) -> None:
    if project is None or not project.is_dir():
        return
    name = _subject(arguments)
    scene = name if getattr(arguments, "scene", None) else None
    try:
        write_json(
            _failure_file(project, step, arguments),
            {"step": step, "name": name, "scene": scene, "sentence": sentence},
        )
    except OSError as error:
        log.warning("the failure could not be recorded: %s", error)


class Progress:
    """Tells the front door how far a job is, through a small file that it reads; silent without a project folder.

    Use as a context manager; on a good end the wall seconds are written to `work/timings/`.
    """

    def __init__(self, project: Path | None, step: str, name: str, total: int = 1, scene: str | None = None) -> None:
        self.project, self.step, self.name, self.total, self.scene = project, step, name, total, scene
        self.done = 0.0
        self.note = ""  # told behind the numbers
        self._told = 0.0
        # a clock that is set meanwhile must not count
        self._begun, self._started = time.time(), time.monotonic()

    def __enter__(self) -> Progress:
        self._tell()
        return self

    def advance(self, by: float = 1) -> None:
        """Count finished units (frames, tiles), or parts of them; writes at most twice a second."""
        self.done += by
        if time.monotonic() - self._told > 0.5:
            self._tell()

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if self.project is None:
            return
        (self.project / "work" / "progress" / f"{self.step}-{self.name}.json").unlink(missing_ok=True)
        if kind is None:
            write_json(
                self.project / "work" / "timings" / f"{self.step}-{self.name}.json",
                {
                    "step": self.step,
                    "name": self.name,
                    "scene": self.scene,
                    "wall_s": round(time.monotonic() - self._started, 3),
                    # with what imports took before; children count once they have ended
                    "cpu_s": round(_cpu_s(), 3),
                    "begun": datetime.fromtimestamp(self._begun, UTC).isoformat(timespec="milliseconds"),
                    "units": self.total,
                },
            )

    def _tell(self) -> None:
        self._told = time.monotonic()
        if self.project is not None:
            write_json(
                self.project / "work" / "progress" / f"{self.step}-{self.name}.json",
                {
                    "step": self.step,
                    "name": self.name,
                    "scene": self.scene,
                    "done": round(self.done, 2) if self.done % 1 else int(self.done),
                    "total": self.total,
                    "note": self.note,
                    "begun": self._begun,
                    "pid": os.getpid(),
                },
            )


def _cpu_s() -> float:
    """Processor seconds of this process and of its children that have ended."""
    own, children = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def project_argument(parser: argparse.ArgumentParser) -> None:
    """Add `--project`."""
    parser.add_argument(
        "--project",
        type=Path,
        default=None,
        metavar="DIR",
        help="project folder with trip.yaml (settings); defaults hold without it",
    )
