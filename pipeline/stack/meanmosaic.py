"""The mean mosaic of frames that have not moved, and the picture that is made of it once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.resample import NOT_COVERED
from pipeline.sensor.demosaic import MARGIN
from pipeline.stack.planes import COLOUR_OF, places_of
from pipeline.stack.sources import Frame, Part, Scratch, full_level, lay, reach, reflected
from pipeline.stack.threads import in_order
from pipeline.stack.tiles import Scene, Tile
from pipeline.stack.windows import Window, box_of

# How much of the mean must lie about a tile of the picture, px: demosaicing, the colours' shifts and interpolation.
AROUND = 16
# Pixels beside a skyline at which demosaicing rings.
RINGING = 2
# Bytes of a pixel of the picture that the mean and what belongs to it take.
BYTES_PER_PIXEL = 10


@dataclass
class MeanMosaic:
    """What tiles of planes made, put together.

    Attributes
    ----------
    box : the part of the picture, px; its corner and size are even numbers
    mosaic : (height, width) float32 array, ADU above black; 0 where no tile was made
    noise : (4, height / 2, width / 2) float32 array, standard deviation of a mosaic pixel's mean
    coverage, rejected : (height / 2, width / 2) uint16 arrays
    skyline : (height, width) bool array, where black land may stand before a bright sky: sums that are right for stars
        ring at such an edge, in another place for every colour
    """

    box: Window
    mosaic: NDArray[np.float32]
    noise: NDArray[np.float32]
    coverage: NDArray[np.uint16]
    rejected: NDArray[np.uint16]
    skyline: NDArray[np.bool_]

    @classmethod
    def empty(cls, windows: Sequence[Window], mask: NDArray[np.float32]) -> MeanMosaic:
        """One that holds these windows of the planes; `mask` (height, width) the share of each pixel that is land."""
        box = box_of(windows)
        rows, columns = box.height, box.width
        whole = Window(2 * box.top, 2 * box.left, 2 * rows, 2 * columns)
        shown = whole.of(mask)
        edge = ndimage.maximum_filter(shown, 2 * RINGING + 1) > ndimage.minimum_filter(shown, 2 * RINGING + 1)
        return cls(
            whole,
            np.zeros((2 * rows, 2 * columns), np.float32),
            np.zeros((4, rows, columns), np.float32),
            np.zeros((rows, columns), np.uint16),
            np.zeros((rows, columns), np.uint16),
            np.pad(edge, [(0, 2 * n - size) for n, size in zip((rows, columns), edge.shape, strict=True)]),
        )

    def add(self, tile: Tile, cfa: str) -> None:
        """Put a tile of planes in its place."""
        w = tile.window
        top, left = w.top - self.box.top // 2, w.left - self.box.left // 2
        here = (slice(top, top + w.height), slice(left, left + w.width))
        for plane, (row, column) in zip(tile.picture, places_of(cfa), strict=True):
            self.mosaic[row::2, column::2][here] = plane
        self.noise[(slice(None), *here)] = tile.noise
        self.coverage[here], self.rejected[here] = tile.coverage, tile.rejected

    def only(self, wanted: NDArray[np.bool_]) -> None:
        """Count as not covered what is not wanted of the planes, (rows, columns) of the whole: how much more tiles hold
        goes by how they were cut."""
        top, left = self.box.top // 2, self.box.left // 2
        rows, columns = self.coverage.shape
        self.coverage[~wanted[top : top + rows, left : left + columns]] = 0

    def tiles(
        self,
        scene: Scene,
        frame: Frame,
        mixing: NDArray[np.floating],
        windows: Sequence[Window],
        pool: ThreadPoolExecutor,
        threads: int,
    ) -> Iterator[Tile]:
        """Tiles of the picture, in the order of their windows; they tell nothing of noise in blocks.

        Parameters
        ----------
        scene : of the planes
        frame : the reference, its flux scale 1
        mixing : (colours,) what the picture makes of a mosaic pixel's variance, in blocks
        """
        level = mean_level(scene)
        of_colour = [[p for p in range(4) if COLOUR_OF[p] == c] for c in range(3)]

        def make(w: Window, scratch: Scratch) -> Tile:
            picture = np.zeros((3, w.height, w.width), np.float32)
            covered = self._picture(frame, level, w, picture, scratch)
            rows, columns = (
                (np.arange(first, first + size) - begin) // 2
                for first, size, begin in ((w.top, w.height, self.box.top), (w.left, w.width, self.box.left))
            )
            at = np.ix_(rows, columns)
            noise = [
                np.sqrt(factor * np.mean([self.noise[p][at] ** 2 for p in planes], axis=0))
                for factor, planes in zip(mixing, of_colour, strict=True)
            ]
            coverage = np.where(covered, self.coverage[at], 0).astype(np.uint16)
            there = coverage > 0
            return Tile(
                w,
                picture * there,
                np.stack(noise).astype(np.float32) * there,
                coverage,
                self.rejected[at] * there,
                np.zeros((0, 0, 0)),
                np.zeros((0, 0, 0), np.int32),
                np.zeros((0, 0, 0)),
                np.zeros((0, 2), np.int64),
            )

        return in_order(pool, make, windows, threads)

    def _picture(
        self, frame: Frame, level: np.float32, window: Window, picture: NDArray[np.float32], scratch: Scratch
    ) -> NDArray[np.bool_]:
        """Fill a tile; where it has all its colours."""
        origin, codes = (window.top, window.left), scratch.take("codes", picture.shape[1:], np.uint8)
        region = reach(frame, origin, (window.height, window.width))
        if region is None:
            return np.zeros(codes.shape, bool)
        top, bottom, left, right = region
        rows, columns = (
            np.clip(reflected(first - MARGIN, last + MARGIN, size) - begin, 0, held - 1)
            for first, last, size, begin, held in (
                (top, bottom, frame.shape[0], self.box.top, self.box.height),
                (left, right, frame.shape[1], self.box.left, self.box.width),
            )
        )
        nothing = np.zeros((len(picture), *frame.grids[0].shift.shape[:2]), np.float32)
        part, here = Part(nothing, origin, picture, codes), np.ix_(rows, columns)
        lay(self.mosaic[here], frame, region, level, part, scratch, self.skyline[here])
        return codes != NOT_COVERED


def mean_level(scene: Scene) -> np.float32:
    """The level at which pixels of the frames' mean are full, as `full_level` of one frame's."""
    levels = [frame.flux_scale * float(full_level(frame, scene.calibration)) for frame in scene.frames]
    return np.float32(np.average(levels, weights=scene.matching.weights))
