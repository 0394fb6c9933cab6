"""Frames of a camera that stood still, as the four planes of their mosaics: each pixel is compared with itself.

Nothing need be demosaiced or interpolated before such frames are combined: a value of the mosaic is one of three that a
picture would have, and the mean of all of them is made into a picture once. The planes are the places of the colour
filter pattern, of half the picture's size, in the order red, green, green, blue; to the kernels of a tile they are four
colours that come as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.variance import along_row
from pipeline.sensor.mosaic import MosaicFile, colour_planes
from pipeline.stack.matching import Matching
from pipeline.stack.sources import Calibration, Frame, Part, calibrated
from pipeline.stack.unlike import Unlike

# Frames count as unmoved where they lie within this of the reference, px: the mean of frames spread over +- 0.15 px is
# 0.5 % wider than one of them where its finest detail has a width of 2.0 px (5.545 * 0.15**2 / 3 = 0.04 px^2 of 4).
UNMOVED_PX = 0.15
# Which colour each plane is of.
COLOUR_OF = (0, 1, 1, 2)


def unmoved(frames: Sequence[Frame]) -> bool:
    """Whether the frames' mosaics may be combined as they are: of one pattern of four, and none has moved."""
    if len({frame.header.cfa for frame in frames}) > 1 or frames[0].header.cfa == "MONO":
        return False
    # where it is not known, a frame has moved
    return all(bool((np.abs(frame.grids[len(frame.grids) // 2].shift) <= UNMOVED_PX).all()) for frame in frames)


def places_of(cfa: str) -> NDArray[np.int64]:
    """(4, 2) row and column of each plane's place in the pattern."""
    places = colour_planes(cfa)
    return np.array([*places["R"], *places["G"], *places["B"]], np.int64)


def half_shape(shape: tuple[int, int]) -> tuple[int, int]:
    """Of the planes of a picture of (height, width)."""
    return -(-shape[0] // 2), -(-shape[1] // 2)


def half_nodes(nodes: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.float32]:
    """A map at the nodes of a picture's position grid, (..., rows, columns), at those of its planes.

    The planes' node n lies where the picture's node 2 n - 1 does. Beyond the picture's last nodes the map goes on as
    between them.
    """
    for axis, size in ((-2, half_shape(shape)[0]), (-1, half_shape(shape)[1])):
        wanted = 2 * np.arange((size - 1) // GRID_STEP + 4) - 1
        count = nodes.shape[axis]
        near = np.clip(wanted, 0, count - 2)
        part = (wanted - near).astype(np.float32)
        part = part[:, None] if axis == -2 else part
        low, high = np.take(nodes, near, axis), np.take(nodes, near + 1, axis)
        nodes = low + part * (high - low)
    return np.ascontiguousarray(nodes, np.float32)


def half_matching(matching: Matching, shape: tuple[int, int]) -> Matching:
    """How the planes of frames are matched that match so."""
    of = list(COLOUR_OF)
    return replace(
        matching,
        offsets=half_nodes(matching.offsets[:, of], shape),
        sky=half_nodes(matching.sky[of], shape),
        unlike=None if matching.unlike is None else _half_unlike(matching.unlike, of, shape),
        floor=np.ascontiguousarray(matching.floor[:, of]),
        sky_difference=matching.sky_difference[:, of],
        sky_variance=matching.sky_variance[:, of],
        restless=half_nodes(matching.restless, shape),
    )


def _half_unlike(unlike: Unlike, of: list[int], shape: tuple[int, int]) -> Unlike:
    by = unlike.by if unlike.by.shape[1] == 1 else unlike.by[:, of]
    return Unlike(
        half_nodes(unlike.area, shape),
        half_nodes(by, shape),
        None if unlike.glow is None else half_nodes(unlike.glow, shape),
        half_nodes(unlike.shown.astype(np.float32), shape) > 0.5,
    )


def load_planes(mosaic: MosaicFile, frame: Frame, calibration: Calibration, part: Part) -> None:
    """Fill an unmoved frame's part of a tile of planes: it covers all of it."""
    top, left = 2 * part.origin[0], 2 * part.origin[1]
    rows, columns = part.shape
    pixels = calibrated(mosaic, frame, calibration, top, top + 2 * rows, left, left + 2 * columns)
    scale = np.float32(frame.flux_scale)
    part_planes(pixels, places_of(frame.header.cfa), scale, part.offset, part.origin, part.values)
    part.codes[:] = 0


@njit(cache=True, nogil=True, error_model="numpy")
def part_planes(pixels, places, scale, offset, origin, values):  # type: ignore[no-untyped-def]
    """Part a mosaic into its planes, multiplied and matched.

    Parameters
    ----------
    pixels : (2 height, 2 width) float32 array, from an even row and column on
    places : (4, 2) int64 array of `places_of`
    scale : float32
    offset : (4, rows, columns) float32 array, at the nodes of the planes' position grid; between them linear
    origin : (row, column) of the planes' first pixel
    values : (4, height, width) float32 array, filled
    """
    _, height, width = values.shape
    added = np.empty(width, np.float32)
    for p in range(4):
        first = places[p, 1]
        for i in range(height):
            along_row(offset[p], origin[0] + i, origin[1], added)
            line = pixels[2 * i + places[p, 0]]
            for j in range(width):
                values[p, i, j] = scale * line[2 * j + first] + added[j]
