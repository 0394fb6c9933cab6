"""Streaks as bands: where a frame shows one, and which of the result's pixels that touches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.positions import LAGRANGE, positions
from pipeline.stack.sources import Frame


@dataclass(frozen=True)
class Band:
    """A streak in one frame: the frame's number among the scene's, the streak's ends and half its width there, px."""

    number: int
    ends: tuple[float, float, float, float]
    half: float

    @property
    def length(self) -> float:
        """From end to end, px; 1 at least."""
        x1, y1, x2, y2 = self.ends
        return max(float(np.hypot(x2 - x1, y2 - y1)), 1.0)


def band_of(number: int, streak: Mapping[str, Any], widths: float, least: float) -> Band:
    """The band of a streak as judge tells it, to either side so many of its widths (FWHM) and px at least."""
    x1, y1, x2, y2 = (float(streak[key]) for key in ("x1", "y1", "x2", "y2"))
    return Band(number, (x1, y1, x2, y2), max(widths * float(streak.get("width_px") or 0.0), least))


def line_places(
    band: Band, x: NDArray[np.floating], y: NDArray[np.floating]
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """How far a frame's pixels (x, y) lie along a streak's line from its first end, and to its left or right, px."""
    x1, y1, x2, y2 = band.ends
    ux, uy = (x2 - x1) / band.length, (y2 - y1) / band.length
    return (x - x1) * ux + (y - y1) * uy, (y - y1) * ux - (x - x1) * uy


def beside(
    band: Band, x: NDArray[np.floating], y: NDArray[np.floating]
) -> tuple[NDArray[np.floating], NDArray[np.floating]]:
    """How far a frame's pixels (x, y) lie off a streak's line, and beyond its ends (0 between them), px."""
    along, across = line_places(band, x, y)
    return np.abs(across), np.maximum(np.maximum(-along, along - band.length), 0)


def frame_positions(
    frame: Frame, origin: tuple[int, int], shape: tuple[int, int]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Where in a frame lie the result's pixels from `origin` on, green: two arrays, NaN where nowhere."""
    shift = frame.grids[len(frame.grids) // 2].shift
    xs, ys = np.empty(shape, np.float32), np.empty(shape, np.float32)
    nodes = np.empty((2, shift.shape[1]), np.float32)
    for i in range(shape[0]):
        positions(shift, LAGRANGE, origin[0] + i, origin[1], xs[i], ys[i], nodes)
    return xs, ys


def reaches(band: Band, far: float, frame: Frame, origin: tuple[int, int], shape: tuple[int, int]) -> bool:
    """Whether what lies within `far` px of a streak's ends and line may come into a tile of the result."""
    bounds = frame.grids[len(frame.grids) // 2].region(origin[0], origin[0] + shape[0], origin[1], origin[1] + shape[1])
    if bounds is None:
        return False
    y0, y1, x0, x1 = bounds
    ends = np.array(band.ends).reshape(2, 2)
    low, high = ends.min(axis=0) - far, ends.max(axis=0) + far
    return bool(low[0] <= x1 and high[0] >= x0 and low[1] <= y1 and high[1] >= y0)
