"""Places on straight lines."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

ANGLES = 720  # directions tried: a quarter of a degree, 3 px at the end of a line of 1,500


def on_lines(x: NDArray[Any], y: NDArray[Any], lines: NDArray[np.float64], within: float) -> NDArray[np.bool_]:
    """Which places lie on straight lines.

    Parameters
    ----------
    x, y : (n,) places, px
    lines : (m, 4) x1, y1, x2, y2; the whole line through both ends counts, since an aircraft's flashes go on where its
        wings' lamps are too faint to be found
    within : px
    """
    on = np.zeros(len(x), bool)
    for x1, y1, x2, y2 in np.asarray(lines, np.float64).reshape(-1, 4):
        length = max(math.hypot(x2 - x1, y2 - y1), 1e-9)
        on |= np.abs((x - x1) * (y2 - y1) - (y - y1) * (x2 - x1)) < within * length
    return on


def fullest_line(x: NDArray[Any], y: NDArray[Any], within: float) -> tuple[NDArray[np.float64], int]:
    """The straight line on which most of the places lie.

    Parameters
    ----------
    x, y : (n,) places, px
    within : px off the line

    Returns
    -------
    line : (1, 4) x1, y1, x2, y2, two points of it
    number : of the places on it
    """
    angle = np.arange(ANGLES) * math.pi / ANGLES
    cosine, sine = np.cos(angle), np.sin(angle)
    offset = np.rint((x[:, None] * cosine + y[:, None] * sine) / within).astype(np.int64)
    offset -= offset.min()
    width = int(offset.max()) + 2
    votes = np.bincount((np.arange(ANGLES) * width + offset).ravel(), minlength=ANGLES * width).reshape(ANGLES, width)
    k, n = np.unravel_index(int(np.argmax(votes[:, :-1] + votes[:, 1:])), (ANGLES, votes.shape[1] - 1))
    chosen = (offset[:, k] == n) | (offset[:, k] == n + 1)
    middle = np.array([x[chosen].mean(), y[chosen].mean()])
    # the direction between the steps of the angles, by least squares
    spread = np.cov(np.stack([x[chosen], y[chosen]]) if chosen.sum() > 1 else np.eye(2))
    along = np.linalg.eigh(spread)[1][:, 1]
    return np.array([[*(middle - along), *(middle + along)]]), int(chosen.sum())
