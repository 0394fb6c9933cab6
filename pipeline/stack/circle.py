"""The circle in which a fisheye's picture ends within the frame: what lies about it is black and no sky."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.noise import BLOCK
from pipeline.pixels.positions import grid_nodes
from pipeline.stack.nodes import between_nodes

# Share of the light in the middle of the circle below which a place shows none: outside there is what the dark leaves,
# and a fisheye dims towards its edge by a half at most. Land as dark is no sky either.
LIGHT_LEAST = 0.3
# What counts for the middle, as a share of the radius up to which the lens draws.
MIDDLE = 0.5


def lit_blocks(sky: NDArray[np.floating], shape: tuple[int, int], camera: Any) -> NDArray[np.bool_] | None:
    """Which blocks of `noise.BLOCK` px show light, (rows, columns).

    Parameters
    ----------
    sky : (colours, rows, columns) array
        The picture's smooth level at the nodes of the position grid, ADU above black.
    shape : (height, width) of the picture
    camera : `sky.camera.Camera`, or None where it is not known

    Returns
    -------
    None where the lens is no fisheye, or its picture fills the frame: all is sky then, however a lens darkens it.
    """
    height, width = shape
    if camera is None or not camera.fisheye or camera.draws([0, 0, width - 1, width - 1], [0, height - 1] * 2).all():
        return None
    light = sky.sum(axis=0, dtype=np.float64)
    x, y = np.meshgrid(*grid_nodes(shape))
    off_axis = np.hypot(x - camera.centre_x, y - camera.centre_y)
    middle = light[off_axis < MIDDLE * camera.limit * camera.focal_px]
    if not middle.size:
        return None
    rows, columns = -(-height // BLOCK), -(-width // BLOCK)
    u, v = np.meshgrid(*((np.arange(n) + 0.5) * BLOCK - 0.5 for n in (columns, rows)))
    found = between_nodes(light[..., None], u.ravel(), v.ravel()).reshape(rows, columns)
    return np.asarray(found >= LIGHT_LEAST * np.median(middle))
