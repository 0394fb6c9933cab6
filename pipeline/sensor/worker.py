"""Decoding beside the pipeline: one persistent process that reads untrusted files under a cap.

Raw files are input for a large C++ library. The process that runs it has a cap on memory, a deadline a file, no right
to write files, and is given an open file and shared memory, never a path. It speaks JSON over a socket. When it dies
or overruns, the frame is unreadable and a new process takes its place.
"""

from __future__ import annotations

import mmap
import os
import signal
import socket
import stat
import subprocess
import sys
import tempfile
import threading
import time
import weakref
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import FrameError
from pipeline.files import shown
from pipeline.sensor.metadata import FrameMeta
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sensor.serve import MAP_FLAGS, receive, send

# What the process may allocate beyond its own start: a 24-megapixel frame takes about 150 MB, a 60-megapixel one about
# 400 MB (mosaic, its copy in shared memory, LibRaw's buffers, the file).
MEMORY_MB = 768
# ... and at the second try, for what ran out of memory or died: the largest mosaic that is decoded (250 million
# pixels) takes 1 GB with its copy.
MEMORY_MB_RETRY = 3072
# A 100-megapixel frame takes about 5 s on a busy core; the rest is patience with slow card readers.
DEADLINE_S = 60.0
# Compressed raws of the largest sensors reach 250 MB.
MAX_FILE_BYTES = 2_000_000_000
# The child's allocator keeps what was freed for the next frame: fresh pages cost a fifth of decoding.
_KEEPING = {"MALLOC_MMAP_THRESHOLD_": "1000000000", "MALLOC_TRIM_THRESHOLD_": "1000000000"}
_ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Decoded:
    """A decoded frame.

    `pixels` is a (height, width) uint16 array, the visible area, ADU as the camera wrote them, in memory of its own.
    `damage` says what is wrong with pixels that could be decoded all the same; None for a sound frame. `white` is the
    level that the file's header calls white.
    """

    pixels: NDArray[np.uint16]
    header: MosaicHeader
    meta: FrameMeta
    damage: str | None
    white: float


class Decoder:
    """Reads raw files in one child process; a context manager. Safe to call from several threads, one at a time.

    Parameters
    ----------
    memory_mb, retry_mb : int
        What the child may allocate at the first and the second try, MB.
    deadline_s : float
        Wall seconds for one file.

    Examples
    --------
    >>> with Decoder() as decoder:                                          # doctest: +SKIP
    ...     decoded = decoder.decode("raw/a.dng", "20260814T221503-1f3a9c20")
    """

    def __init__(
        self, memory_mb: int = MEMORY_MB, retry_mb: int = MEMORY_MB_RETRY, deadline_s: float = DEADLINE_S
    ) -> None:
        self._memory_mb, self._retry_mb, self._deadline_s = memory_mb, max(retry_mb, memory_mb), deadline_s
        self._child: _Child | None = None
        self._buffers = _Buffers()
        self._lock = threading.Lock()

    def __enter__(self) -> Decoder:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the child; arrays handed out stay good."""
        self._end_child()
        self._buffers.close()

    def _end_child(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.end()

    @property
    def pid(self) -> int | None:
        """Process id of the child, None where none runs."""
        return None if self._child is None else self._child.process.pid

    def metadata(self, path: str | bytes | os.PathLike[str]) -> FrameMeta:
        """Read a frame's metadata without decoding it (about 1 ms; up to 50 ms where the maker's own tags are many).

        Raises
        ------
        FrameError
            The file cannot be read or is no raw frame that is processed.
        """
        answer, _ = self._ask("metadata", path)
        return FrameMeta.from_json(answer["meta"])

    def preview_level(self, path: str | bytes | os.PathLike[str]) -> float | None:
        """Mean grey of the embedded preview, 0 (black) to 255, as the camera rendered it; None where there is none.

        Raises
        ------
        FrameError
            As `metadata`.
        """
        answer, _ = self._ask("preview", path)
        return None if answer["level"] is None else float(answer["level"])

    def decode(self, path: str | bytes | os.PathLike[str], frame_id: str) -> Decoded:
        """Decode a frame; the makers' own tags (some cameras' temperature) are read by `metadata` only.

        Raises
        ------
        FrameError
            The file cannot be read, is no raw frame that is processed, or broke the decoder.
        """
        from pipeline.sensor.damage import find_damage
        from pipeline.sensor.levels import histogram, saturation_level, unstated_saturation

        answer, pixels = self._ask("decode", path)
        assert pixels is not None
        meta = FrameMeta.from_json(answer["meta"])
        black = tuple(float(level) for level in answer["black"])
        white = float(answer["white"])
        counts = histogram(pixels)
        if answer["white_stated"]:
            saturation, source = saturation_level(counts, meta.cfa or "MONO", min(black), white), "header"
        else:
            saturation, source = unstated_saturation(counts, meta.cfa or "MONO")
        damage = find_damage(pixels, counts, saturation, min(black), white, answer["coded_by_difference"])
        expected = meta.file_bytes_expected
        if expected is not None and answer["file_bytes"] < expected:
            short = f"the file is cut short ({answer['file_bytes']} of {expected} bytes)"
            damage = short if damage is None else f"{short}; {damage}"
        header = MosaicHeader(
            frame=frame_id,
            cfa=meta.cfa or "MONO",
            black=black,  # type: ignore[arg-type]
            saturation=saturation,
            exposure_s=meta.exposure_s or None,  # nothing can be scaled by 0 s
            iso=meta.iso,
            f_number=meta.f_number,
            focal_mm=meta.focal_mm,
            pixel_um=meta.pixel_um,
            temperature_c=meta.temperature_c,
            masked_level=answer["masked"],
            taken=meta.taken_text,
            camera=meta.camera,
            filter=meta.filter,
            orientation=meta.orientation,
            white_balance=meta.white_balance,
            xyz_to_camera=meta.xyz_to_camera,
            black_stated=answer["black_stated"],
            full_from=source,
        )
        return Decoded(pixels, header, meta, damage, white)

    def _ask(self, what: str, path: str | bytes | os.PathLike[str]) -> tuple[dict[str, Any], NDArray[np.uint16] | None]:
        name = shown(os.path.basename(os.fsencode(path)))
        descriptor = _open_regular(path, name)
        try:
            with self._lock:
                return self._ask_twice(what, descriptor, name)
        finally:
            os.close(descriptor)

    def _ask_twice(self, what: str, descriptor: int, name: str) -> tuple[dict[str, Any], NDArray[np.uint16] | None]:
        """Ask the child; where it dies or runs out of memory, ask a new one with more memory."""
        for again, memory_mb in ((True, self._memory_mb), (False, self._retry_mb)):
            if self._child is not None and (self._child.memory_mb != memory_mb or not self._child.alive()):
                self._end_child()
            if self._child is None:
                self._child = _Child(memory_mb)
            try:
                answer, pixels = self._child.ask(what, descriptor, self._buffers, time.monotonic() + self._deadline_s)
            except TimeoutError:
                self._end_child()
                raise FrameError(
                    f"{name}: decoding took more than {self._deadline_s:g} s and was ended; the file is broken, or the "
                    "disk very slow"
                ) from None
            except (ConnectionError, EOFError):
                how = self._child.how_it_died()
                self._end_child()
                if again:
                    continue
                raise FrameError(f"{name}: the decoder broke on it ({how}); the file is broken") from None
            if answer.get("memory"):
                self._end_child()
                if again:
                    continue
                raise FrameError(f"{name}: needs more than {memory_mb} MB to decode; the file is broken") from None
            if "error" in answer:
                raise FrameError(f"{name}: {answer['error']}")
            self._memory_mb = memory_mb  # the next frame is as large: it must not cost two children again
            return answer, pixels
        raise AssertionError("two tries were made")


def _open_regular(path: str | bytes | os.PathLike[str], name: str) -> int:
    """Open a regular file for reading; a pipe or device would block."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise FrameError(f"{name}: cannot be opened ({error.strerror})") from None
    except ValueError:
        raise FrameError(f"{name}: is no file name") from None
    status = os.fstat(descriptor)
    reason = None
    if not stat.S_ISREG(status.st_mode):
        reason = "is no regular file"
    elif status.st_size == 0:
        reason = "is empty"
    elif status.st_size > MAX_FILE_BYTES:
        reason = f"is {status.st_size / 1e9:.1f} GB long, which no raw frame is"
    if reason is not None:
        os.close(descriptor)
        raise FrameError(f"{name}: {reason}")
    return descriptor


class _Child:
    """The child process and the parent's end of its socket."""

    def __init__(self, memory_mb: int) -> None:
        self.memory_mb = memory_mb
        ours, theirs = socket.socketpair()
        code = (
            f"import sys; sys.path.insert(0, {str(_ROOT)!r}); "
            f"from pipeline.sensor.serve import serve; serve({theirs.fileno()}, {memory_mb})"
        )
        # one clock: LibRaw turns camera times into seconds by the local zone
        environment = os.environ | {"TZ": "UTC", "PYTHONDONTWRITEBYTECODE": "1"} | _KEEPING
        self.process = subprocess.Popen(
            # -P: the working directory may hold files named like our modules
            [sys.executable, "-P", "-c", code],
            pass_fds=(theirs.fileno(),),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=environment,
        )
        theirs.close()
        self.socket = ours

    def alive(self) -> bool:
        return self.process.poll() is None

    def end(self) -> None:
        self.socket.close()
        self.process.kill()
        self.process.wait()

    def how_it_died(self) -> str:
        try:
            status = self.process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            return "it stopped answering"
        return f"signal {signal.Signals(-status).name}" if status < 0 else f"status {status}"

    def ask(
        self, what: str, descriptor: int, buffers: _Buffers, deadline: float
    ) -> tuple[dict[str, Any], NDArray[np.uint16] | None]:
        """Send one question; a decoded frame's pixels come back in shared memory.

        Raises
        ------
        TimeoutError, ConnectionError, EOFError
            The deadline passed; the child died.
        """
        send(self.socket, {"do": what}, (descriptor,), deadline)
        answer, _ = receive(self.socket, deadline)
        if what != "decode" or "shape" not in answer:
            return answer, None
        height, width = (int(side) for side in answer["shape"])
        shared = buffers.take(2 * height * width)
        send(self.socket, {}, (shared.descriptor,), deadline)
        done, _ = receive(self.socket, deadline)
        if "error" in done or done.get("memory"):
            return done, None
        return answer | done, shared.array((height, width))


class _Buffer:
    """An unnamed file in memory (a file without a name on disk where the system has none such)."""

    def __init__(self, size: int) -> None:
        self.size = size
        if hasattr(os, "memfd_create"):
            self.descriptor = os.memfd_create("mosaic", os.MFD_CLOEXEC)
            os.ftruncate(self.descriptor, size)
        else:
            with tempfile.TemporaryFile() as handle:
                self.descriptor = os.dup(handle.fileno())
            os.posix_fallocate(self.descriptor, 0, size)  # a map of a full disk would end in SIGBUS
        self._user: weakref.ref[mmap.mmap] | None = None

    def free(self) -> bool:
        """Whether no array shows this memory any more."""
        return self._user is None or self._user() is None

    def array(self, shape: tuple[int, int]) -> NDArray[np.uint16]:
        memory = mmap.mmap(self.descriptor, 2 * shape[0] * shape[1], flags=MAP_FLAGS)
        self._user = weakref.ref(memory)
        return np.frombuffer(memory, np.uint16).reshape(shape)


class _Buffers:
    """Shared memory that is used again once nobody looks at it: fresh pages cost as much as a quarter of decoding."""

    def __init__(self) -> None:
        self._all: list[_Buffer] = []

    def take(self, size: int) -> _Buffer:
        free = [buffer for buffer in self._all if buffer.free()]
        for buffer in free:
            if size <= buffer.size <= 2 * size:
                return buffer
        for buffer in free:
            self._drop(buffer)
        buffer = _Buffer(size)
        self._all.append(buffer)
        return buffer

    def _drop(self, buffer: _Buffer) -> None:
        os.close(buffer.descriptor)
        self._all.remove(buffer)

    def close(self) -> None:
        for buffer in list(self._all):
            self._drop(buffer)
