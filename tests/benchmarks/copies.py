"""The yardstick of memory: a copy of one frame as float32 RGB."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

TIMES = 7


def copy_seconds(height: int, width: int) -> tuple[float, float]:
    """Seconds that a copy takes onto memory that is in use already, and into new memory, which costs its pages too."""
    picture: NDArray[np.float32] = np.ones((height, width, 3), np.float32)
    target = np.zeros_like(picture)
    return _median(lambda: np.copyto(target, picture)), _median(lambda: picture.copy())


def _median(work: Callable[[], object]) -> float:
    seconds = []
    for _ in range(TIMES):
        begun = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - begun)
    return float(np.median(seconds))
