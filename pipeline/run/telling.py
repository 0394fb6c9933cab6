"""Words on the terminal: lines that stay, and one line of status that is written over."""

from __future__ import annotations

import contextlib
import shutil
import sys
import threading
import time


class Teller:
    """Writes to standard output; where it is no terminal, the status becomes a line now and then.

    A terminal that has gone away is no reason to stop: what cannot be written is not written.
    """

    QUIET_S = 30.0  # between two status lines where there is no terminal

    def __init__(self) -> None:
        self._terminal = sys.stdout.isatty()
        self._lock = threading.RLock()  # a signal may have something to say while a line is written
        self._shown = False
        self._last = 0.0  # when one was written

    def say(self, text: str) -> None:
        """Write a line that stays."""
        with self._lock:
            self._wipe()
            self._write(text + "\n")

    def status(self, doing: str, left: str) -> None:
        """Write what is being done and what is left."""
        line = f"{doing} ({left})" if left else doing
        now = time.monotonic()
        with self._lock:
            if self._terminal:
                width = shutil.get_terminal_size().columns - 1
                self._write("\r\x1b[2K" + line[:width])
                self._shown = True
            elif now - self._last >= self.QUIET_S:
                self._write(line + "\n")
                self._last = now

    def clear(self) -> None:
        """Take the status line away."""
        with self._lock:
            self._wipe()

    end = clear

    def _wipe(self) -> None:
        if self._shown:
            self._write("\r\x1b[2K")
            self._shown = False

    @staticmethod
    def _write(text: str) -> None:
        with contextlib.suppress(OSError, ValueError):
            sys.stdout.write(text)
            sys.stdout.flush()


def duration(seconds: float) -> str:
    """A time span in words: `40 s`, `12 min`, `3 h 05 min`."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"
