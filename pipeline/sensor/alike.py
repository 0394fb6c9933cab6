"""Which frames were taken with the same settings."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

ALIKE_EXPOSURES = 1.03  # times; frames whose exposures differ by less have one setting


def numbered(stated: Sequence[tuple[float | None, int | None, float | None]]) -> NDArray[np.int64]:
    """Number of the setting of each frame's exposure (s), ISO and f-number: exposures are alike to 3 %."""
    exposures = [exposure or 0.0 for exposure, *_ in stated]
    order = np.argsort(exposures, kind="stable")
    class_of = np.zeros(len(stated), np.int64)
    for before, after in itertools.pairwise(order):
        class_of[after] = class_of[before] + (exposures[after] > ALIKE_EXPOSURES * exposures[before])
    keys = [(iso or 0, f_number or 0.0, int(c)) for (_, iso, f_number), c in zip(stated, class_of, strict=True)]
    numbers = {key: n for n, key in enumerate(sorted(set(keys)))}
    return np.array([numbers[key] for key in keys], np.int64)
