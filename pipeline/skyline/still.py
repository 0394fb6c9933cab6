"""What stays with the ground: medians over a few frames, at half the size or less, of their own unregistered pixels."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.cells import between, cell_sums, local_plane
from pipeline.pixels.ordering import put_in_order, sorting_network
from pipeline.sensor.mosaic import MosaicFile, colour_planes
from pipeline.skyline.hold import Hold
from pipeline.stack.sources import Calibration, Frame, Mosaics, calibrated
from pipeline.stack.windows import Window, cut

Floats = NDArray[np.float32]

# Frames of the stills, half of them in each; a median of eight passes over stars that half of a run of eight move past.
FRAMES_MOST = 16
HALF = 2  # mosaic pixels to one of the stills, where the ground stands still during an exposure
# Tiles in which frames are read, px: within one the ground is shifted as a whole. Where it turns through the picture
# tiles are smaller, so that the shift differs within one by no more than so many of the stills' pixels.
SIDE, SIDE_LEAST, BEND = 512, 64, 1.0
# Nodes, a side, at which shifts are compared.
NODES = 9
# Pixels of which the medians are taken at once: what is sorted stays in the fastest cache.
MEDIANS_AT_ONCE = 512
# Cells in which the two halves' levels are compared, pixels of the stills, and the reach of the planes through them.
LEVEL_CELL, LEVEL_REACH = 12, 2.5


@dataclass(frozen=True)
class Stills:
    """Two pictures of one scene before the ground, of the earlier and the later half of the frames.

    `first`, `second` : (colours, height // side, width // side) float32, ADU above black, NaN where no frame shows the
    ground that the reference shows; each pixel is one colour's mean over a cell of `side` x `side` mosaic pixels.
    """

    first: Floats
    second: Floats
    side: int = HALF

    @property
    def mean(self) -> Floats:
        """The mean of both; where one half of the frames alone shows a place, that one at the mean's level."""
        mean = (self.first + self.second) / np.float32(2)
        for plane, one, other in zip(mean, self.first, self.second, strict=True):
            known = np.isfinite(plane)
            early, late = np.isfinite(one) & ~known, np.isfinite(other) & ~known
            if not known.any() or not (early.any() or late.any()):
                continue
            off = _followed((one - other) / np.float32(2), known)
            plane[early], plane[late] = (one - off)[early], (other + off)[late]
        return mean


def _followed(values: Floats, known: NDArray[np.bool_]) -> Floats:
    """Smooth values, followed from where they are known to everywhere."""
    middle = np.median(values[known])
    most = 4.5 * np.median(np.abs(values[known] - middle))
    held = np.where(known, np.clip(values, middle - most, middle + most), 0)
    number = cell_sums(known.astype(np.float32), LEVEL_CELL)
    level = cell_sums(held.astype(np.float32), LEVEL_CELL) / np.maximum(number, 1)
    plane, _, total = local_plane(level, number / LEVEL_CELL**2, LEVEL_REACH)
    return between(np.where(total > 0.02, plane, middle), LEVEL_CELL, (values.shape[0], values.shape[1]))


def cells(pixels: Floats, cfa: str, side: int = HALF) -> Floats:
    """Means a colour over cells of `side` (even): (height, width) to (colours, height // side, width // side)."""
    height, width = pixels.shape[0] // side * side, pixels.shape[1] // side * side
    planes = []
    for places in colour_planes(cfa).values():
        parts = [pixels[i:height:2, j:width:2] for i, j in places]
        planes.append(sum(parts[1:], parts[0]) / np.float32(len(parts)))
    small = np.stack(planes)
    if side == HALF:
        return small
    k = side // HALF
    return np.asarray(small.reshape(len(small), height // side, k, width // side, k).mean(axis=(2, 4)), np.float32)


def choose(count: int, most: int = FRAMES_MOST) -> tuple[list[int], list[int]]:
    """Frames (by their place in time) of the two halves, spread evenly, as many in each; one frame serves both."""
    if count == 1:
        return [0], [0]
    wanted = min(count, most) // 2
    half = count // 2
    first = np.linspace(0, half - 1, wanted).round().astype(int)
    second = np.linspace(count - half, count - 1, wanted).round().astype(int)
    return sorted(set(first.tolist())), sorted(set(second.tolist()))


def make_stills(
    frames: Sequence[Frame],
    mosaics: Mosaics,
    calibration: Calibration,
    hold: Hold,
    threads: int = 1,
    side: int = HALF,
    numbers: Sequence[int] | None = None,
    box: tuple[slice, slice] | None = None,
) -> Stills:
    """Take the medians.

    Parameters
    ----------
    frames : of the scene, in order of time
    mosaics : theirs, in the same order
    calibration : of every frame
    threads : over tiles
    side : mosaic pixels to one of the stills, even
    numbers : the frames to choose from, in order of time; all by default
    box : rows and columns of the stills that are wanted, all by default; far from them there are none
    """
    height, width = frames[0].shape
    colours = len(colour_planes(frames[0].header.cfa))
    result = np.full((2, colours, height // side, width // side), np.nan, np.float32)
    numbers = range(len(frames)) if numbers is None else numbers
    halves = [[numbers[k] for k in half] for half in choose(len(numbers))]
    tile = _tile_side(hold, [frames[n].id for half in halves for n in half], (height, width), side)
    windows = cut((height // side * side, width // side * side), tile)
    if box is not None:
        windows = [w for w in windows if _reaches(w, box, side)]
    x, y = (np.array(middles) for middles in zip(*(_middle(window) for window in windows), strict=True))
    places = {n: hold.from_reference(frames[n].id, x, y) for half in halves for n in half}

    def fill(number: int) -> None:
        window = windows[number]
        i, j = window.top // side, window.left // side
        for which, chosen in enumerate(halves):
            parts = [
                _part(frames[n], mosaics[n], calibration, (places[n][0][number], places[n][1][number]), window, side)
                for n in chosen
            ]
            stack = [part for part in parts if part is not None]
            if stack:
                values = np.stack(stack)
                target = result[which, :, i : i + values.shape[2], j : j + values.shape[3]]
                out = np.empty(values[0].size, np.float32)
                medians(values.reshape(len(values), -1), sorting_network(len(values)), out)
                target[:] = out.reshape(target.shape)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, range(len(windows))))
    return Stills(result[0], result[1], side)


def _tile_side(hold: Hold, names: Sequence[str], shape: tuple[int, int], side: int) -> int:
    """Side of the tiles, px: a multiple of the cells' side."""
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, NODES), np.linspace(0, shape[0] - 1, NODES))
    steepest = 0.0
    for name in names:
        moved = [np.subtract(a, b) for a, b in zip(hold.from_reference(name, x, y), (x, y), strict=True)]
        for shift in moved:
            steps = (np.diff(shift, axis=0) / (y[1, 0] - y[0, 0]), np.diff(shift, axis=1) / (x[0, 1] - x[0, 0]))
            steepest = max([steepest, *(float(np.abs(s[np.isfinite(s)]).max(initial=0.0)) for s in steps)])
    # the far corner of a tile lies half a side off its middle in rows and in columns
    wanted = BEND * side / max(steepest, 1e-9)
    return max(int(min(max(wanted, SIDE_LEAST), SIDE)) // side, 1) * side


def _reaches(window: Window, box: tuple[slice, slice], side: int) -> bool:
    """Whether a window of the picture holds any of the stills' rows and columns."""
    spans = ((window.top, window.height), (window.left, window.width))
    return all(
        first < part.stop * side and first + size > part.start * side
        for part, (first, size) in zip(box, spans, strict=True)
    )


def _middle(window: Window) -> tuple[float, float]:
    """x and y of a window's middle."""
    return window.left + (window.width - 1) / 2, window.top + (window.height - 1) / 2


def _part(
    frame: Frame,
    mosaic: MosaicFile,
    calibration: Calibration,
    place: tuple[float, float],
    window: Window,
    side: int,
) -> Floats | None:
    """A frame's cells of a window, whose middle lies at `place` (x, y) in it, shifted by whole pairs of pixels so as to
    lie on the reference's; NaN beyond it."""
    height, width = (frame.shape[0] // 2 * 2, frame.shape[1] // 2 * 2)
    (xs, ys), (x0, y0) = place, _middle(window)
    if not (np.isfinite(xs) and np.isfinite(ys)):
        return None
    rows, columns = window.height // side, window.width // side
    top, left = window.top + 2 * round((ys - y0) / 2), window.left + 2 * round((xs - x0) / 2)
    # cells that lie wholly inside the frame
    i0, j0 = max(-(top // side), 0), max(-(left // side), 0)
    i1, j1 = min((height - top) // side, rows), min((width - left) // side, columns)
    if i1 <= i0 or j1 <= j0:
        return None
    pixels = calibrated(
        mosaic, frame, calibration, top + i0 * side, top + i1 * side, left + j0 * side, left + j1 * side
    )
    small = cells(pixels, frame.header.cfa, side)
    if small.shape[1:] == (rows, columns):
        return small
    whole = np.full((len(small), rows, columns), np.nan, np.float32)
    whole[:, i0:i1, j0:j1] = small
    return whole


@njit(cache=True, nogil=True, error_model="numpy")
def medians(values, network, out):  # type: ignore[no-untyped-def]
    """Median over the first axis of (n, pixels) float32 values, those that are no numbers left out.

    The lower middle of an even number, so that of two values a star's is passed over. As
    ``np.sort(values, axis=0)[(count - 1) // 2]``, which sorts what is no number last, `count` being how many are.
    `network` is the `sorting_network` of n: rows are put in order, not values.
    """
    n, size = values.shape
    held, counts = np.empty((n, MEDIANS_AT_ONCE), np.float32), np.empty(MEDIANS_AT_ONCE, np.int32)
    for first in range(0, size, MEDIANS_AT_ONCE):
        width = min(MEDIANS_AT_ONCE, size - first)
        counts[:] = 0
        for k in range(n):
            _take(values[k, first : first + width], held[k], counts)
        for pair in range(len(network)):
            put_in_order(held[network[pair, 0], :width], held[network[pair, 1], :width])
        for j in range(width):
            out[first + j] = held[(counts[j] - 1) // 2, j] if counts[j] > 0 else np.float32(np.nan)


@njit(cache=True, nogil=True, error_model="numpy")
def _take(values, held, counts):  # type: ignore[no-untyped-def]
    """Count what is a number, and let the rest be larger than any."""
    for j in range(np.uint64(len(values))):
        known = values[j] == values[j]
        held[j] = values[j] if known else np.float32(np.inf)
        counts[j] += np.int32(known)
