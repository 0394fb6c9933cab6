"""The decoding process itself: its limits and its loop. `sensor/worker.py` starts it and speaks to it.

It imports as little as it can, since every batch starts one.
"""

from __future__ import annotations

import json
import mmap
import os
import resource
import signal
import socket
import struct
import time
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.errors import FrameError

MAP_FLAGS = mmap.MAP_SHARED | getattr(mmap, "MAP_POPULATE", 0)  # all pages at once
FOREVER = float("inf")
# Metadata of one frame are 1 kB; more than this is a broken stream.
_MESSAGE_MAX = 4_000_000


def send(connection: socket.socket, message: dict[str, Any], descriptors: tuple[int, ...], deadline: float) -> None:
    """Send a message and open files over a local socket.

    Raises
    ------
    TimeoutError, ConnectionError
    """
    data = json.dumps(message).encode()
    connection.settimeout(_remaining(deadline))
    socket.send_fds(connection, [struct.pack(">I", len(data))], descriptors)
    connection.sendall(data)


def receive(connection: socket.socket, deadline: float, descriptors: int = 0) -> tuple[dict[str, Any], list[int]]:
    """Receive what `send` sent; a broken stream is a closed one.

    Raises
    ------
    TimeoutError, ConnectionError, EOFError
    """
    connection.settimeout(_remaining(deadline))
    head, files, _, _ = socket.recv_fds(connection, 4, descriptors)
    if len(head) < 4:
        raise EOFError
    size = struct.unpack(">I", head)[0]
    if size > _MESSAGE_MAX:
        raise EOFError
    data = bytearray()
    while len(data) < size:
        connection.settimeout(_remaining(deadline))
        part = connection.recv(size - len(data))
        if not part:
            raise EOFError
        data += part
    try:
        return json.loads(data), list(files)
    except ValueError:
        raise EOFError from None


def _remaining(deadline: float) -> float | None:
    if deadline == FOREVER:
        return None
    remaining = deadline - time.monotonic()
    if remaining <= 0:
        raise TimeoutError
    return remaining


def serve(descriptor: int, memory_mb: int) -> None:
    """The child's loop: answer questions until the parent goes away. Never returns files' contents by any other way."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    import pipeline.sensor.fitsframe
    import pipeline.sensor.raw  # noqa: F401  imported before the cap is set

    _limit(memory_mb)
    connection = socket.socket(fileno=descriptor)
    while True:
        try:
            question, files = receive(connection, FOREVER, 1)
        except (EOFError, ConnectionError):
            return
        try:
            _answer(connection, question["do"], files[0])
        except ConnectionError:
            return
        finally:
            for file in files:
                os.close(file)


def _limit(memory_mb: int) -> None:
    """No files written, no core dumps, and no more memory than asked for beyond what is mapped already."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
    except OSError:
        pages = 0
    limit = pages * resource.getpagesize() + memory_mb * 1_000_000
    hard = resource.getrlimit(resource.RLIMIT_AS)[1]
    if hard != resource.RLIM_INFINITY:
        limit = min(limit, hard)
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def _answer(connection: socket.socket, what: str, file: int) -> None:
    frame = None
    try:
        frame = _open_frame(file, maker_notes=what == "metadata")
        if what == "metadata":
            answer: dict[str, Any] = {"meta": frame.meta.to_json()}
        elif what == "preview":
            answer = {"level": frame.preview_level()}
        else:
            send(connection, {"shape": [frame.meta.height, frame.meta.width]}, (), FOREVER)
            _, shared = receive(connection, FOREVER, 1)
            try:
                answer = _decode_into(frame, shared[0])
            finally:
                for descriptor in shared:
                    os.close(descriptor)
    except FrameError as error:
        answer = {"error": str(error)}
    except MemoryError:
        answer = {"memory": True}
    except ConnectionError:
        raise
    except Exception as error:  # whatever a file can provoke is a fault of that file
        said = "".join(c if c.isprintable() else " " for c in f"{type(error).__name__}: {error}")
        answer = {"error": f"cannot be decoded ({said[:300]})"}
    finally:
        if frame is not None:
            frame.close()
    send(connection, answer, (), FOREVER)


def _open_frame(file: int, maker_notes: bool) -> Any:
    from pipeline.sensor.fitsframe import FitsFrame, is_fits
    from pipeline.sensor.raw import RawFrame

    return FitsFrame(file) if is_fits(os.pread(file, 16, 0)) else RawFrame(file, maker_notes)


def _decode_into(frame: Any, shared: int) -> dict[str, Any]:
    pixels = frame.unpack()
    with mmap.mmap(shared, pixels.size * 2, flags=MAP_FLAGS) as memory:
        target = np.frombuffer(memory, np.uint16).reshape(pixels.shape)
        target[:] = pixels
        del target
    levels = frame.levels()
    return {
        "meta": frame.meta.to_json(),
        "black": list(levels.black),
        "white": levels.white,
        "masked": levels.masked,
        "black_stated": levels.black_stated,
        "white_stated": levels.white_stated,
        "file_bytes": frame.file_size,
        "coded_by_difference": frame.coded_by_difference,
    }
