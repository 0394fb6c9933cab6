"""Land that moves through the picture, as a tracker carries it: told before some of the frames, and laid out for all.

A frame that a tracker turned far shows land that the reference does not. So ground is told anew at every so many
pixels that the ground moved (at knots), each time from the frames about; and what one knot tells counts for the others
too, as far as the ground that they show lies in its picture: of a strip at the edge that has just come in too few
stars tell, but later it lies further in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.cells import between, nearest_known
from pipeline.sky.geometry import Geometry
from pipeline.skyline.hold import TRACKED, Hold
from pipeline.skyline.told import Told
from pipeline.stack.land import SHARE_LEAST, Area, Canvas, Land, area_of, land_over
from pipeline.stack.sources import Frame

Floats = NDArray[np.float64]

# What the ground moves from knot to knot, as a share of the picture's shorter side.
SPACING = 1 / 8
# A scene's first and last frame are knots if the ground moved by this share of that beyond the last knot.
ENDS = 0.25
# Frames about a knot from which it is told, at the least; all that lie within half the spacing.
FRAMES_LEAST = 6
# Cells from node to node of the grid on which places are carried from knot to knot.
NODE = 16


def spacing_px(hold: Hold) -> float:
    """What the ground moves from knot to knot, px."""
    camera = hold.geometry.camera
    return SPACING * min(camera.width, camera.height)


def knots(hold: Hold, order: Sequence[str]) -> list[str]:
    """The frames before which ground is told: the reference, and where it moves through the picture, others.

    Parameters
    ----------
    hold : how the camera stood
    order : frame ids in order of time
    """
    reference = hold.geometry.reference
    if hold.kind != TRACKED:
        return [reference]
    most = spacing_px(hold)

    def walk(ids: Sequence[str]) -> list[str]:
        """Knots from the first of these on, without it."""
        found, last = [], ids[0]
        for before, name in pairwise(ids):
            if hold.moved_px(last, name) > most:
                last = name if before == last else before
                found.append(last)
        if ids[-1] != last and hold.moved_px(last, ids[-1]) > ENDS * most:
            found.append(ids[-1])
        return found

    at = list(order).index(reference)
    return [*reversed(walk(order[at::-1])), reference, *walk(order[at:])]


def about(hold: Hold, order: Sequence[str], knot: str) -> list[int]:
    """Frames (by their place in time) from which ground is told before a knot."""
    moved = np.array([hold.moved_px(knot, name) for name in order])
    chosen = moved <= max(spacing_px(hold) / 2, np.sort(moved)[min(FRAMES_LEAST, len(moved)) - 1])
    return np.flatnonzero(chosen).tolist()


def nearest(hold: Hold, names: Sequence[str], canvases: Sequence[Canvas]) -> list[int]:
    """For each frame the number of the canvas from whose knot the ground has moved least."""
    return [int(np.argmin([hold.moved_px(name, canvas.knot) for canvas in canvases])) for name in names]


def areas_of(canvases: Sequence[Canvas], hold: Hold) -> list[Area]:
    """What the canvases say is to be left out."""
    return [
        area_of(canvas.share > SHARE_LEAST * 255, hold.about(canvas.knot), canvas.side, canvas.margin)
        for canvas in canvases
    ]


def moving_land(canvases: Sequence[Canvas], geometry: Geometry, hold: Hold, frames: Sequence[Frame]) -> Land:
    """Land to be left out of the stars' picture where it moves through the frames."""
    areas = areas_of(canvases, hold)
    return land_over([areas[n] for n in nearest(hold, [f.id for f in frames], canvases)], geometry, frames)


def lay_out(hold: Hold, told: Mapping[str, Told], side: int) -> list[Canvas]:
    """What is told before the knots, each with the others' word and a margin.

    Parameters
    ----------
    hold : how the camera stood
    told : by knot, in order of time
    side : of their cells, px
    """
    ids = list(told)
    camera = hold.geometry.camera
    rows, columns = camera.height // side, camera.width // side
    margin = int(np.ceil(0.75 * spacing_px(hold) / side))
    canvases = []
    for n, knot in enumerate(ids):
        shape = (rows + 2 * margin, columns + 2 * margin)
        here = hold.about(knot)
        share = np.full(shape, -1.0, np.float32)
        for number, other in enumerate(ids):
            if abs(number - n) > 1 and told[other].cells is None:
                continue
            i, j = _cells_of(here, other, shape, margin, side)
            inside = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
            cells = told[other].cells
            value = 0.0 if cells is None else cells[i[inside], j[inside]]
            share[inside] = np.maximum(share[inside], value)
        share = nearest_known(share, share >= 0)
        canvases.append(Canvas(knot, np.rint(share * 255).astype(np.uint8), side, margin * side))
    return canvases


def _cells_of(
    hold: Hold, other: str, shape: tuple[int, int], margin: int, side: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Which cells (row, column) of another knot's picture the cells of a canvas lie on; far outside where on none."""
    i, j = np.meshgrid(np.arange(shape[0]) - margin, np.arange(shape[1]) - margin, indexing="ij")
    if other == hold.geometry.reference:
        return i, j
    # node (a, b) stands in the middle of its cells
    y, x = (((np.arange(-(-n // NODE)) + 0.5) * NODE - 0.5 - margin) * side + (side - 1) / 2 for n in shape)
    x, y = np.meshgrid(x, y)
    xs, ys = hold.from_reference(other, x, y)
    far = 10.0 * max(shape) * side
    right, down = (np.nan_to_num(shift, nan=-far) for shift in (xs - x, ys - y))
    return (
        i + np.rint(between(down / side, NODE, shape)).astype(np.int64),
        j + np.rint(between(right / side, NODE, shape)).astype(np.int64),
    )
