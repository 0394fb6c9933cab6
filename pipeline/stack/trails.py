"""The star trails of a scene taken from a tripod: the maximum over its frames as they stand, gaps filled.

Between two exposures the sky moves on, and the trails would be dotted. What a frame shows of the sky is therefore put
again where the known motion carries it until the next exposure begins: the first half of a gap from the frame before,
the second from the one after. What it shows of the land stays.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation, Slerp

from pipeline.pixels.hidden import hide_plane
from pipeline.pixels.positions import LAGRANGE, grid_nodes
from pipeline.pixels.resample import NOT_COVERED
from pipeline.sensor.demosaic import colours as colour_count
from pipeline.sky.geometry import Geometry
from pipeline.sky.times import SIDEREAL_RATE
from pipeline.stack.land import SHARE_LEAST, area_of
from pipeline.stack.nodes import NODES_REACH
from pipeline.stack.sources import Frame, Inputs, Part, Scratch, frame_grids, green_grids, load_tile
from pipeline.stack.threads import in_order
from pipeline.stack.windows import Window, cut

# Side of the tiles, px.
SIDE = 512
# What the sky moves from one copy to the next, px, where an exposure is shorter: less than a star's width.
STEP_PX = 1.0
# Copies of a gap at most: what was lost for longer is no gap of a trail.
COPIES_MOST = 600


@dataclass(frozen=True)
class Copy:
    """A frame (its number) shown where the sky stands `after` s from the middle of its exposure; 0 as it was taken."""

    number: int
    after: float


def copies(begins: Sequence[float], exposures: Sequence[float], focal_px: float) -> list[Copy]:
    """Frames and what fills the gaps between them.

    Parameters
    ----------
    begins, exposures : of the frames in order of time, s
    focal_px : focal length, px
    """
    result = [Copy(n, 0.0) for n in range(len(begins))]
    for n, other in pairwise(range(len(begins))):
        end = begins[n] + exposures[n]
        gap = begins[other] - end
        wide = max(min(exposures[n], exposures[other]), STEP_PX / (SIDEREAL_RATE * focal_px))
        number = int(np.ceil(gap / wide - 1e-6))
        if not 0 < number <= COPIES_MOST:
            continue
        for j in range(number):
            moment = end + gap * (j + 0.5) / number
            source = n if j < (number + 1) // 2 else other
            result.append(Copy(source, moment - begins[source] - exposures[source] / 2))
    return result


@dataclass(frozen=True)
class Carried:
    """Where in a frame lies the sky that the camera, standing as it did then, shows at another moment.

    Stands for a geometry in `frame_grids`: `moment` is how the camera stood against the sky.
    """

    geometry: Geometry
    moment: NDArray[np.float64]

    def from_reference(self, frame_id: str, x: Any, y: Any) -> tuple[Any, Any]:
        """Where in the frame lies what the result shows at (x, y), green."""
        frames = self.geometry.frames
        virtual = replace(frames[frame_id], attitude=self.moment)
        both = replace(self.geometry, frames={**frames, "moment": virtual})
        return both.positions(frame_id, both.directions("moment", x, y))

    def from_green(self, frame_id: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """As `Geometry.from_green`, the air's colours apart."""
        return self.geometry.from_green(None, x, y, colour)

    def to_green(self, frame_id: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """As `Geometry.to_green`."""
        return self.geometry.to_green(frame_id, x, y, colour)


def laid(inputs: Inputs, geometry: Geometry, begins: Sequence[float], exposures: Sequence[float]) -> list[Frame]:
    """The frames and the copies of them, each with where its pixels lie; those as taken first.

    Parameters
    ----------
    begins, exposures : as of `copies`
    """
    middles = np.add(begins, np.divide(exposures, 2))
    attitudes = Rotation.from_quat(
        np.stack([geometry.frames[frame.id].attitude for frame in inputs.frames]), scalar_first=True
    )
    turning = Slerp(middles, attitudes) if len(middles) > 1 else None
    shape, colours = inputs.shape, colour_count(inputs.cfa)
    result = []
    for copy in copies(begins, exposures, geometry.camera.focal_px):
        frame = inputs.frames[copy.number]
        attitude = np.asarray(geometry.frames[frame.id].attitude)
        if copy.after and turning is not None:
            attitude = turning(middles[copy.number] + copy.after).as_quat(scalar_first=True)
        grids = frame_grids(Carried(geometry.beyond(NODES_REACH), attitude), frame.id, shape, colours)
        green = (frame.green or green_grids(geometry, frame.id, shape)) if len(grids) > 1 else None
        result.append(replace(frame, grids=grids, green=green, flux_scale=1.0))
    return result


def star_trails(
    inputs: Inputs,
    geometry: Geometry,
    begins: Sequence[float],
    exposures: Sequence[float],
    mask: NDArray[np.floating] | None = None,
    threads: int = 1,
) -> NDArray[np.float32]:
    """Make the picture.

    Parameters
    ----------
    inputs, geometry : of the scene
    begins, exposures : as of `copies`
    mask : (height, width) share of land, which no copy moves
    threads : how many to use; the result does not depend on it

    Returns
    -------
    (colours, height, width) float32 array, ADU above black; 0 where no frame shows anything
    """
    shape, colours = inputs.shape, colour_count(inputs.cfa)
    numbers: Mapping[str, int] = {frame.id: n for n, frame in enumerate(inputs.frames)}
    frames = laid(inputs, geometry, begins, exposures)
    land = None if mask is None else area_of(np.asarray(mask > SHARE_LEAST), None)  # type: ignore[arg-type]
    moved = [frame.grids[len(frame.grids) // 2] for frame in frames[len(inputs.frames) :]]
    shown = [] if land is None else land.in_cells(moved, shape)
    node_x, node_y = grid_nodes(shape)
    nothing = np.zeros((colours, len(node_y), len(node_x)), np.float32)
    result = np.zeros((colours, *shape), np.float32)

    def brightest(window: Window, scratch: Scratch) -> tuple[Window, NDArray[np.float32]]:
        size = (window.height, window.width)
        top = np.full((colours, *size), -np.inf, np.float32)
        values, codes = np.empty((colours, *size), np.float32), np.empty(size, np.uint8)
        aside, origin = np.zeros(size, np.uint8), (window.top, window.left)
        part = Part(nothing, origin, values, codes)
        for k, frame in enumerate(frames):
            n = numbers[frame.id]
            if not load_tile(inputs.mosaics[n], frame, inputs.calibration, part, scratch):
                continue
            use = codes != NOT_COVERED
            if k >= len(inputs.frames) and land is not None:
                copy = k - len(inputs.frames)
                aside[:] = 0
                hide_plane(land.near, 1, moved[copy].shift, LAGRANGE, origin, shown[copy], codes, aside)
                here = land.near[window.top : window.top + window.height, window.left : window.left + window.width]
                use = (codes != NOT_COVERED) & (aside == 0) & (here == 0)
            np.maximum(top, values, out=top, where=use[None])
        return window, np.where(np.isfinite(top), top, 0).astype(np.float32)

    with ThreadPoolExecutor(threads) as pool:
        for window, tile in in_order(pool, brightest, list(cut(shape, SIDE)), threads):
            result[:, window.top : window.top + window.height, window.left : window.left + window.width] = tile
    return result
