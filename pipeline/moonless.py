"""The front door: `moonless run PROJECT` and `moonless start FOLDER`."""

from __future__ import annotations

import argparse
import contextlib
import os
import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from pipeline.errors import MoonlessError
from pipeline.files import shown
from pipeline.run.warm import Warm
from pipeline.versions import moonless

# A frame of 24 megapixels being decoded and another being graded take 0.6 to 0.9 GB each, with their programs.
CORE_BYTES = 1e9
DONE, SCENE_FAILED, NOT_STARTED = 0, 1, 2
STOPPED = 130  # by the keyboard, as shells have it: 128 and the number of SIGINT


def usable_cores() -> int:
    """Processor cores that this process was given, as far as there is memory for what works on each."""
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    return max(min(len(os.sched_getaffinity(0)), int(memory / CORE_BYTES)), 1)


class _Parser(argparse.ArgumentParser):
    """What is wrong with a command is one sentence, as all else that the front door says."""

    def error(self, message: str) -> NoReturn:
        self.exit(NOT_STARTED, f"moonless: {message}; see {self.prog} --help\n")


def _cores(text: str) -> int:
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a whole number, at least 1 (got {text!r})") from None


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="moonless", description="From a card of raw night-sky frames to one deep picture a scene.")
    parser.add_argument("--version", action="version", version=f"moonless {moonless()}")
    commands = parser.add_subparsers(dest="command", required=True)
    run = commands.add_parser("run", help="make, or bring up to date, everything of a project folder")
    run.add_argument("project", type=Path, help="folder with trip.yaml")
    run.add_argument(
        "--cores", type=_cores, default=usable_cores(), metavar="N",
        help="processor cores (default: all, as far as there is a gigabyte of memory for each)",
    )  # fmt: skip
    run.add_argument("--dry-run", action="store_true", help="say what would be done, do none of it")
    start = commands.add_parser(
        "start", help="write a commented trip.yaml for a folder of frames and say what it holds"
    )
    start.add_argument("folder", type=Path)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; 0 every scene was made, 1 a scene failed, 2 nothing could start, 130 it was stopped."""
    arguments = _parser().parse_args(argv)
    # a terminal that goes away (a dropped connection) must not end the night
    with contextlib.suppress(ValueError):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends as orderly as by the keyboard
    try:
        if arguments.command == "start":
            from pipeline.start import start

            start(arguments.folder)
            return DONE
        return _run(arguments)
    except MoonlessError as error:
        print(f"moonless: {_as_given(str(error), getattr(arguments, 'project', None))}", file=sys.stderr)
    except KeyboardInterrupt:
        print("moonless: stopped; run the same command again to go on where it was", file=sys.stderr)
        return STOPPED
    except OSError as error:
        where = f"{shown(error.filename)}: " if isinstance(error.filename, (str, bytes, os.PathLike)) else ""
        print(f"moonless: {where}{error.strerror or error}", file=sys.stderr)
    return NOT_STARTED


def _as_given(sentence: str, project: Path | None) -> str:
    """A sentence on a trip file with the name of its folder as it was given; steps know it by another, or by none."""
    if project is None:
        return sentence
    own = shown(project / "trip.yaml")
    for name in (shown(Path(os.path.realpath(project)) / "trip.yaml"), "trip.yaml"):
        if sentence.startswith((f"{name}: ", f"{name}, ")):
            return own + sentence.removeprefix(name)
    return sentence


def _run(arguments: argparse.Namespace) -> int:
    if arguments.cores < 1:
        raise MoonlessError(f"--cores: must be at least 1 (got {arguments.cores})")
    if not arguments.project.is_dir():
        raise MoonlessError(f"{shown(arguments.project)}: is not a folder; give the folder that holds trip.yaml")
    project = arguments.project.resolve()
    # it goes on loading while the card is sorted
    warm = None if arguments.dry_run else Warm.begun(project)
    try:
        # only here: what they load takes half a second, in which that process loads what it needs
        from pipeline.config import load_trip
        from pipeline.run.night import Night

        trip = load_trip(project)
        with Night(project, trip, arguments.cores, arguments.dry_run, warm) as night:
            night.sort_card()
            if arguments.dry_run:
                night.tell_plan()
                return DONE
            failed = night.make_scenes()
    finally:
        if warm is not None:
            warm.close()  # where the night has not begun
    return SCENE_FAILED if failed else DONE


if __name__ == "__main__":
    sys.exit(main())
