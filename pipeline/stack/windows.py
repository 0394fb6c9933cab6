"""How the result is cut into tiles: by the memory there is, along a skyline, and where the sky itself changes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import SceneError
from pipeline.pixels.grow import GROW_MARGIN
from pipeline.pixels.positions import GRID_STEP
from pipeline.pixels.restless import SETTLE_MARGIN, SIDE, restless_pixels
from pipeline.stack.land import Land

# Larger tiles save little of the margins and fall out of the caches.
TILE_MAX = 512
TILE_STEP = GRID_STEP
# Tiles smaller than this are not cut further, and what is read about a tile, px: its margin, and the kernels' reach.
SPLIT_LEAST, READ_MARGIN = 192, GROW_MARGIN + 8
# Pixels about a tile with restless sky: what growth looks at, and about that what settling does, in whole blocks.
UNQUIET_MARGIN = SETTLE_MARGIN + (GROW_MARGIN - 1) // SIDE * SIDE


@dataclass(frozen=True)
class Window:
    """A tile: `height` x `width` pixels from (top, left) on."""

    top: int
    left: int
    height: int
    width: int

    def of(self, picture: NDArray[Any]) -> NDArray[Any]:
        """Its part, a view, of a (height, width) array of the whole picture."""
        return picture[self.top : self.top + self.height, self.left : self.left + self.width]


def bytes_per_pixel(frames: int, colours: int) -> int:
    """Memory that a pixel of a tile takes while it is worked on."""
    return frames * (4 * colours + 2) + 8 * colours * 4


def tile_side(frames: int, colours: int, budget: int, margin: int = GROW_MARGIN) -> int:
    """The side of a tile, with so many pixels about it, for which one thread has so many bytes.

    Raises
    ------
    SceneError
        Where even the smallest does not fit.
    """
    each = bytes_per_pixel(frames, colours)
    for side in range(TILE_MAX, 0, -TILE_STEP):
        # a frame's region is up to twice the tile when turned: raw, calibrated, padded, planes
        region = 2 * (side + 2 * margin + 32) ** 2 * (2 + 8 + 4 * colours)
        if (side + 2 * margin) ** 2 * each + region <= budget:
            return side
    raise SceneError(
        f"{frames} frames need more memory than limits.memory_mb leaves for their smallest tile; "
        "raise it, or use fewer cores"
    )


def cut(shape: tuple[int, int], side: int) -> list[Window]:
    """Tiles of at most `side` (a multiple of 64) pixels, row by row."""
    return [
        Window(top, left, min(side, shape[0] - top), min(side, shape[1] - left))
        for top in range(0, shape[0], side)
        for left in range(0, shape[1], side)
    ]


def cut_at_land(windows: Sequence[Window], land: Land, frames: int) -> list[Window]:
    """The windows, those cut in four, and again, for which fewer pixels of the frames must be read thereby.

    A frame is not read for a tile in which it shows land only: small tiles along the skyline read less.
    """

    def parts(window: Window, cost: int) -> tuple[list[Window], int]:
        """The windows to take instead, and what they cost."""
        if not cost or min(window.height, window.width) < SPLIT_LEAST or not shown(window):
            return [window], cost
        quarters = [parts(q, pixels_read(q)) for q in _quarters(window)]
        split = sum(c for _, c in quarters)
        return ([w for ws, _ in quarters for w in ws], split) if split < cost else ([window], cost)

    def shown(window: Window) -> bool:
        return any(land.shows(number, *with_margin(window)) for number in range(frames))

    def pixels_read(window: Window) -> int:
        read = sum(not land.skips(number, *with_margin(window)) for number in range(frames))
        return read * (window.height + 2 * READ_MARGIN) * (window.width + 2 * READ_MARGIN)

    def with_margin(window: Window) -> tuple[tuple[int, int], tuple[int, int]]:
        corner = (max(window.top - GROW_MARGIN, 0), max(window.left - GROW_MARGIN, 0))
        return corner, (window.height + 2 * GROW_MARGIN, window.width + 2 * GROW_MARGIN)

    return [part for w in windows for part in parts(w, pixels_read(w))[0]]


@dataclass(frozen=True)
class Cut:
    """Tiles of a picture whose sky is restless in places.

    Attributes
    ----------
    tiles : all of them
    before : windows in which blocks of the restless sky are told before any tile is made (`stack.unrest`); where there
        are none, each tile tells its own from a margin of `UNQUIET_MARGIN`
    """

    tiles: list[Window]
    before: list[Window]


def cut_at_unrest(
    windows: Sequence[Window], restless: NDArray[np.float32], shape: tuple[int, int], side: Callable[[int], int]
) -> Cut:
    """The windows, those with restless sky cut in four, and again, until what is read about them fits into memory.

    Settling looks far about a tile. Few frames are read with all of that at once; of many, whose tiles are small, that
    would be many times the tile: their blocks are told first. What comes out is the same.

    Parameters
    ----------
    restless : (rows, columns) float32 array, at the nodes of the position grid
    shape : (height, width) of the picture
    side : the side of tiles that have so many pixels about them; SceneError where not even the smallest fits
    """
    near = [part for window in windows for part in _cut_unquiet(window, restless, side(SIDE))]
    unquiet = [window for window in near if is_unquiet(restless, window)]
    before = _touching(cut(shape, side(0)), unquiet, UNQUIET_MARGIN)
    try:
        most = side(UNQUIET_MARGIN)
    except SceneError:
        return Cut(near, before)
    wide = [part for window in windows for part in _cut_unquiet(window, restless, most)]
    if _read(wide, restless, UNQUIET_MARGIN) <= _read(near, restless, SIDE) + sum(w.height * w.width for w in before):
        return Cut(wide, [])
    return Cut(near, before)


def _cut_unquiet(window: Window, restless: NDArray[np.float32], most: int) -> list[Window]:
    """A window, or what it is cut into where its sky is restless, with no side longer than `most` pixels."""
    if max(window.height, window.width) <= most or not is_unquiet(restless, window):
        return [window]
    return [part for quarter in _quarters(window) for part in _cut_unquiet(quarter, restless, most)]


def _read(windows: Sequence[Window], restless: NDArray[np.float32], margin: int) -> int:
    """How many pixels are read of a frame, with such a margin about restless sky."""
    total = 0
    for window in windows:
        about = margin if is_unquiet(restless, window) else GROW_MARGIN
        total += (window.height + 2 * about) * (window.width + 2 * about)
    return total


def _touching(windows: Sequence[Window], others: Sequence[Window], margin: int) -> list[Window]:
    """Those that share a pixel with one of the others or with what lies so near it."""
    if not others:
        return []
    edges = np.array([(w.top - margin, w.left - margin, w.top + w.height + margin, w.left + w.width + margin)
                      for w in others])  # fmt: skip

    def touches(w: Window) -> bool:
        rows = (edges[:, 0] < w.top + w.height) & (edges[:, 2] > w.top)
        return bool((rows & (edges[:, 1] < w.left + w.width) & (edges[:, 3] > w.left)).any())

    return [w for w in windows if touches(w)]


def is_unquiet(restless: NDArray[np.float32], window: Window) -> bool:
    """Whether some sky of a tile, or of what settling looks at about it, is restless."""
    corner = (window.top - UNQUIET_MARGIN, window.left - UNQUIET_MARGIN)
    wide = (window.height + 2 * UNQUIET_MARGIN, window.width + 2 * UNQUIET_MARGIN)
    return bool(restless_pixels(restless, corner, wide).any())


def _quarters(window: Window) -> list[Window]:
    """A window in four, or two or one where it is narrow; their corners at nodes of the position grid."""
    high, wide = (min(-(-size // (2 * TILE_STEP)) * TILE_STEP, size) for size in (window.height, window.width))
    return [
        Window(window.top + y, window.left + x, h, w)
        for y, h in ((0, high), (high, window.height - high))
        for x, w in ((0, wide), (wide, window.width - wide))
        if h > 0 and w > 0
    ]


def box_of(windows: Sequence[Window]) -> Window:
    """The smallest window that holds these."""
    top, left = min(w.top for w in windows), min(w.left for w in windows)
    bottom, right = max(w.top + w.height for w in windows), max(w.left + w.width for w in windows)
    return Window(top, left, bottom - top, right - left)


def sample_windows(shape: tuple[int, int], side: int = 128, across: int = 4, down: int = 3) -> Iterator[Window]:
    """Windows spread over the picture, for measuring what the whole is like."""
    for i in range(down):
        for j in range(across):
            top = int((i + 0.5) / down * shape[0] - side / 2) // TILE_STEP * TILE_STEP
            left = int((j + 0.5) / across * shape[1] - side / 2) // TILE_STEP * TILE_STEP
            top, left = max(top, 0), max(left, 0)
            if top < shape[0] and left < shape[1]:
                yield Window(top, left, min(side, shape[0] - top), min(side, shape[1] - left))
