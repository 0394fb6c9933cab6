"""Programs forked from one process that has loaded their modules: a fork takes milliseconds, loading a second or two.

The front door keeps such a process for the length of a run (`Warm`). It listens on a socket in a folder that only this
user may enter. `warm_ask.py` hands it a command and its own streams, and waits for the status; a command whose asker
goes away is killed with all that it started. The steps know nothing of it.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import gc
import importlib
import json
import os
import platform
import selectors
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

import psutil

# Where the process listens, for the engine's jobs; absent where there is none.
ADDRESS = "MOONLESS_WARM"
# Programs whose `main` is not in the module that `python -m` runs.
ENTRIES = {"snakemake": "snakemake.cli"}
# What is loaded first, and may be asked for before the rest is: the front door sorts the card meanwhile.
FIRST, WAIT_S = "pipeline.inventory", 0.5
# What is loaded then: the engine and what it would load for every run, the largest library of its own first, ...
ENGINE = ("sqlmodel", "snakemake.cli", "smart_open", "pipeline.run.engine")
# ... and the steps that run once a scene, in the order of need, after the largest of their libraries: nobody is heard
# while one of these is loaded. What is not among them is loaded when it is asked for.
STEPS = (
    *("numba", "scipy.ndimage", "scipy.spatial.transform", "pipeline.dark", "pipeline.register", "pipeline.ground"),
    *("pipeline.combine", "pipeline.join", "pipeline.finish", "pipeline.summarise"),
)
PR_SET_PDEATHSIG = 1  # of Linux: prctl(2)
_ASKER = Path(__file__).with_name("warm_ask.py")


def command(module: str, address: str | None) -> list[str]:
    """The first words of a command that runs a module: through the process that listens there, or in a new one.

    This very interpreter, so that it also works under cron; nothing that lies in the project folder is ever imported.
    """
    if address is None:
        return [sys.executable, "-P", "-m", module]
    return [sys.executable, "-I", "-S", str(_ASKER), address, module]


def shell_command(module: str) -> str:
    """The same as a shell takes it, for the engine's jobs."""
    return shlex.join(command(module, os.environ.get(ADDRESS) or None))


class Warm:
    """The process, from the side of the front door; ends with it, and when everything that it forked has ended."""

    def __init__(self, project: Path) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="moonless-"))
        self.address = str(self._folder / "ask")
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
            try:
                listener.bind(self.address)
            except OSError:  # a name too long for a socket, or a file system that holds none
                self._folder.rmdir()
                raise
            listener.listen(64)
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", "pipeline.run.warm", str(listener.fileno()), str(self._folder)],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                cwd=project,
                pass_fds=[listener.fileno()],
                start_new_session=True,
            )

    def children(self) -> list[psutil.Process]:
        """The commands that are running."""
        try:
            return psutil.Process(self._process.pid).children()
        except psutil.NoSuchProcess:
            return []

    @classmethod
    def begun(cls, project: Path) -> Warm | None:
        """The process, where it can be had: it saves time, nothing else."""
        try:
            return cls(project)
        except OSError:
            return None

    def close(self, at_once: bool = False) -> None:
        """Let the process end; `at_once` with all that it has started, else when that has ended."""
        if at_once:
            for child in self.children():
                with contextlib.suppress(OSError):
                    os.killpg(child.pid, signal.SIGKILL)
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        if not (at_once or self.children()):
            self._process.terminate()  # it may be loading, and hears of nothing until it has
        self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)


# ---- the process ----------------------------------------------------------------------------------------------------


@dataclass
class _Job:
    pid: int
    pidfd: int
    asker: socket.socket


def serve(listener: socket.socket) -> None:
    """Fork a process for every command asked for, until standard input ends and none is left."""
    selector = selectors.DefaultSelector()
    selector.register(0, selectors.EVENT_READ)
    jobs: list[_Job] = []
    loaded = _Loaded()
    wanted, ended = True, False  # until standard input ends; whether a command has, and the next may be at hand

    def attend(timeout: float | None) -> None:
        """Answer what has come in, or the first that comes."""
        nonlocal wanted, ended
        for key, _ in selector.select(timeout):
            if key.fileobj is listener:
                job = _begin(listener, selector, jobs, loaded)
                if job is not None:
                    ended = False
                    jobs.append(job)
                    selector.register(job.asker, selectors.EVENT_READ, job)
                    selector.register(job.pidfd, selectors.EVENT_READ, job)
            elif key.fileobj == 0:
                wanted = False
                selector.unregister(0)
            elif key.data in jobs and key.fileobj is key.data.asker:
                _pass_on(key.data, selector)
            elif key.data in jobs:
                jobs.remove(key.data)
                _finish(key.data, selector)
                ended = True

    gc.disable()  # what is loaded stays: looking for garbage in it takes an eighth of loading
    importlib.import_module(FIRST)
    selector.register(listener, selectors.EVENT_READ)
    attend(WAIT_S)
    # the engine is asked for next, and not begun before it is loaded; that the card is sorted is told meanwhile
    selector.unregister(listener)
    for load in _engine_loads():
        attend(0)
        if not (wanted or jobs):
            return
        load()
    selector.register(listener, selectors.EVENT_READ)
    for load in loaded.ahead():
        attend(0)
        if ended and not jobs:  # who has waited for it asks for the next at once, and would wait for what is loaded now
            attend(WAIT_S)
            ended = False
        if not (wanted or jobs):
            return
        load()
    while wanted or jobs:
        attend(None)


def _engine_loads() -> Iterator[Callable[[], Any]]:
    """What is loaded for the engine, piece by piece."""
    for name in ENGINE:
        yield partial(importlib.import_module, name)
    yield _begin_engine


class _Loaded:
    """What is loaded of the steps' programs, in this process for all that are forked from it."""

    def __init__(self) -> None:
        self._waiting: dict[str, list[Any]] = {}  # by step that was asked for once, compiled functions that it brought
        self._loaded: set[int] = set()

    def ahead(self) -> Iterator[Callable[[], Any]]:
        """What is loaded before it is asked for, piece by piece."""
        yield _begin_libraries
        for name in STEPS:
            yield partial(importlib.import_module, name)
            for function in _compiled(sys.modules):
                if id(function) not in self._loaded:
                    yield partial(self._load, function)

    def asked(self, module: str) -> None:
        """Load a step that is asked for; what is asked for once more will be again, and has its machine code loaded."""
        if not module.startswith("pipeline."):
            return
        if module in self._waiting:
            while self._waiting[module]:
                self._load(self._waiting[module].pop())
            return
        before = set(sys.modules)
        with contextlib.suppress(Exception):  # the command that was asked for will tell
            importlib.import_module(module)
        self._waiting[module] = _compiled(set(sys.modules) - before)

    def _load(self, function: Any) -> None:
        if id(function) not in self._loaded:
            self._loaded.add(id(function))
            _load_kept(function)


# What libraries do when they are first used takes a third of a processor second each; here it is done once for all.
# Imported only here: the front door imports this module too, and needs none of them.
def _begin_engine() -> None:
    """Have the engine look for extensions of itself, as it does when it readies the words that it understands, and
    Python for the processor's name, which it asks a program for and keeps."""
    from snakemake.cli import get_argument_parser

    get_argument_parser()
    platform.platform()


def _begin_libraries() -> None:
    """Ready what tables with units load."""
    from astropy.io.misc import yaml  # noqa: F401


def _compiled(names: Iterable[str]) -> list[Any]:
    """The compiled functions of those modules of the pipeline's that are among them."""
    if "numba" not in sys.modules:
        return []
    from numba.core.dispatcher import Dispatcher

    modules = [sys.modules[name] for name in sorted(names) if name.startswith("pipeline.")]
    found = {id(value): value for module in modules for value in vars(module).values() if isinstance(value, Dispatcher)}
    return list(found.values())


def _load_kept(function: Any) -> None:
    """Load the machine code that is kept of a function, which would take every job that calls it ten milliseconds;
    nothing where that is another machine's or of older sources."""
    with contextlib.suppress(Exception):  # the index is Numba's own affair; loading early saves time, nothing else
        kept = function._cache._cache_file._load_index()
        for signature in {key[0] for key in kept}:
            if function._cache._index_key(signature, function.targetctx.codegen()) in kept:
                function.compile(signature)


def _begin(
    listener: socket.socket, selector: selectors.BaseSelector, others: list[_Job], loaded: _Loaded
) -> _Job | None:
    asker, _ = listener.accept()
    streams: list[int] = []
    try:
        asker.settimeout(10)
        head, streams, _, _ = socket.recv_fds(asker, 4, 3)
        content = bytearray()
        while len(content) < int.from_bytes(head, "big"):
            part = asker.recv(1 << 16)
            if not part:
                raise OSError("the asker is gone")
            content += part
        order = json.loads(content)
        asker.settimeout(None)
    except (OSError, ValueError):
        asker.close()
        for stream in streams:
            os.close(stream)
        return None
    loaded.asked(order["module"])
    gc.freeze()  # collecting garbage would copy the pages that all of them share
    pid = os.fork()
    if pid == 0:
        gc.enable()
        # what it holds open itself would hide from an asker that this process has ended
        selector.close()
        for held in (listener, asker, *(job.asker for job in others)):
            held.close()
        for job in others:
            os.close(job.pidfd)
        _become(order, streams)
    for stream in streams:
        os.close(stream)
    with contextlib.suppress(OSError):
        asker.sendall(b"a")
    return _Job(pid, os.pidfd_open(pid), asker)


def _become(order: dict[str, Any], streams: list[int]) -> NoReturn:
    """Be the program that was asked for."""
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    # without the process that tells its asker how it ended it is taken for failed, and must not go on writing
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    os.setsid()  # its own group, so that all that it starts can be ended with it
    for number, stream in enumerate(streams):
        os.dup2(stream, number)
        os.close(stream)
    os.environ.clear()
    os.environ.update(order["environment"])
    os.chdir(order["folder"])
    sys.argv = [order["module"], *order["arguments"]]
    status = 1
    try:
        status = importlib.import_module(ENTRIES.get(order["module"], order["module"])).main(order["arguments"]) or 0
    except SystemExit as error:
        status = error.code if isinstance(error.code, int) else int(error.code is not None)
    except BaseException:
        traceback.print_exc()
    # taking down what the first process has loaded would cost half a second, and memory of its own
    atexit._run_exitfuncs()
    for written in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            written.flush()
    os._exit(status)


def _pass_on(job: _Job, selector: selectors.BaseSelector) -> None:
    """What the asker sends is a wish to end; that it is gone, a command to."""
    try:
        word = job.asker.recv(1)
    except OSError:
        word = b""
    if word:
        signal.pidfd_send_signal(job.pidfd, signal.SIGTERM)
        return
    selector.unregister(job.asker)
    for kill in (lambda: os.killpg(job.pid, signal.SIGKILL), lambda: os.kill(job.pid, signal.SIGKILL)):
        with contextlib.suppress(OSError):  # it may not have got as far as a group of its own
            kill()


def _finish(job: _Job, selector: selectors.BaseSelector) -> None:
    status = os.waitstatus_to_exitcode(os.waitpid(job.pid, 0)[1])
    selector.unregister(job.pidfd)
    os.close(job.pidfd)
    with contextlib.suppress(KeyError):
        selector.unregister(job.asker)
    with contextlib.suppress(OSError):
        job.asker.sendall(str(status).encode())
    job.asker.close()


if __name__ == "__main__":
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    try:
        serve(socket.socket(fileno=int(sys.argv[1])))
    finally:
        shutil.rmtree(sys.argv[2], ignore_errors=True)  # where the front door was killed
        # the front door waits for the end, and taking down all that was loaded takes the better part of a second
        os._exit(0)
