"""Small grey pictures of one frame, for the page: the whole with its middle enlarged, and what lies along a streak."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.stars.detect import Detections
from pipeline.stars.streaks import Streak

WIDTH = 320  # px of the whole frame's picture; its middle, at one pixel a half-size pixel, stands beside it
CROP = 320  # px, of the long side of a streak's picture
MARGIN = 0.15  # of a streak's length, shown around it
MARGIN_LEAST = 20  # half-size px
SOFT = 8.0  # times the noise: below it the curve is straight, above it a logarithm


def whole_picture(found: Detections, room: float) -> NDArray[np.uint8]:
    """The frame made small for clouds and light, its middle enlarged at its right for the shapes of stars.

    Parameters
    ----------
    found : of the half-size image
    room : ADU from black to saturation, drawn white; one curve for all frames of a camera, so that they compare

    Returns
    -------
    (rows, columns) uint8 array
    """
    height, width = found.residual.shape
    factor = max(1, -(-width // WIDTH))
    small = _shown(found, 0, 0, height, width, factor, room)
    side = min(small.shape[0], height, width)
    top, left = (height - side) // 2, (width - side) // 2
    return np.hstack([small, _shown(found, top, left, top + side, left + side, 1, room)[: len(small)]])


def streak_picture(found: Detections, streak: Streak, room: float) -> NDArray[np.uint8]:
    """What lies along a streak, made small where it is longer than the picture. Parameters as of `whole_picture`."""
    height, width = found.residual.shape
    margin = max(MARGIN_LEAST, MARGIN * streak.length / 2)
    xs, ys = sorted([streak.x1 / 2, streak.x2 / 2]), sorted([streak.y1 / 2, streak.y2 / 2])
    left, right = (int(np.clip(v, 0, width)) for v in (xs[0] - margin, xs[1] + margin))
    top, bottom = (int(np.clip(v, 0, height)) for v in (ys[0] - margin, ys[1] + margin))
    factor = max(1, -(-max(right - left, bottom - top) // CROP))
    return _shown(found, top, left, max(bottom, top + factor), max(right, left + factor), factor, room)


def _shown(
    found: Detections, top: int, left: int, bottom: int, right: int, factor: int, room: float
) -> NDArray[np.uint8]:
    """Means over factor x factor pixels of a part of the half-size image, sky and all, through the curve."""
    part = found.residual[top:bottom, left:right]
    rows, columns = part.shape[0] // factor, part.shape[1] // factor
    part = part[: rows * factor, : columns * factor]
    # whole rows are added first: in the order of memory, ten times as fast as `reduceat`
    light = np.zeros((rows, columns * factor), np.float32)
    for k in range(factor):
        light += part[k::factor]
    light = light.reshape(rows, columns, factor).sum(axis=2) / np.float32(factor * factor)
    y = top + (np.arange(rows) + 0.5) * factor - 0.5
    x = left + (np.arange(columns) + 0.5) * factor - 0.5
    light = light + found.sky.at(y[:, None], x[None])
    soft = SOFT * max(found.noise, 1e-3)
    code = np.arcsinh(np.maximum(light, 0) / soft) / np.arcsinh(max(room, soft) / soft)
    return np.rint(255 * np.clip(code, 0, 1)).astype(np.uint8)
