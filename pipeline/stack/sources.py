"""The frames of a scene, open, and one tile's pixels of one frame: calibrated, demosaiced, resampled, matched."""

from __future__ import annotations

import resource
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.area import pixel_area
from pipeline.pixels.bounds import FULL, REACH, bound_demosaiced, bound_resampled, near_full
from pipeline.pixels.displace import displacement_grid
from pipeline.pixels.lanczos import LANCZOS, OVERREAD, REACH_AFTER, REACH_BEFORE
from pipeline.pixels.positions import LAGRANGE, PositionGrid, grid_nodes, grid_through
from pipeline.pixels.resample import NOT_COVERED, resample_plane
from pipeline.pixels.survey import block_size
from pipeline.sensor.banding import Banding
from pipeline.sensor.calibrate import REPAIR_MARGIN, calibrate, dark_signal
from pipeline.sensor.demosaic import MARGIN, NEUTRAL, Balance, demosaic_padded, green_padded
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader
from pipeline.stack.lateral import EXTRA, carry_green

# Positions of red and blue that differ from green's by less than this are taken as green's, px.
SAME_POSITION = 0.005
# Files that other parts of the program hold open beside the mosaics.
OTHER_FILES = 64


class Map(Protocol):
    """What is asked of a scene's geometry."""

    def from_reference(self, frame_id: str, x: Any, y: Any) -> tuple[Any, Any]:
        """Where in a frame the reference's pixel (x, y) lies, in green."""

    def from_green(self, frame_id: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """Where in a frame another colour shows what green shows at (x, y)."""

    def to_green(self, frame_id: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """Where in a frame green shows what another colour shows at (x, y)."""


class Mosaics:
    """Mosaics that stay open, as many as the system allows; beyond that the longest unused is closed."""

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = list(paths)
        self._lock = threading.Lock()
        self._open: OrderedDict[int, MosaicFile] = OrderedDict()
        self._limit = max(allow_open_files(len(paths) + OTHER_FILES) - OTHER_FILES, 8)

    def __getitem__(self, number: int) -> MosaicFile:
        with self._lock:
            mosaic = self._open.pop(number, None)
            if mosaic is None:
                if len(self._open) >= self._limit:
                    self._open.popitem(last=False)
                mosaic = MosaicFile(self._paths[number])
            self._open[number] = mosaic
            return mosaic

    def __len__(self) -> int:
        return len(self._paths)

    def only(self, numbers: Sequence[int]) -> Mosaics:
        """Some of them."""
        return Mosaics([self._paths[n] for n in numbers])


def allow_open_files(wanted: int) -> int:
    """Raise this process's limit of open files as far as it may; how many there can be."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        soft = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return wanted if soft == resource.RLIM_INFINITY else soft


@dataclass(frozen=True)
class Calibration:
    """What calibrates every frame of a scene; (height, width) arrays in memory, None where there is none.

    `dark` float32, ADU above the bias where there is one, else above black; `dark_variance` that of a pixel of the
    master, ADU^2; `defects` uint8; `flat` float32; `bias` float32, ADU above black, and its `bias_variance`.
    """

    dark: NDArray[np.float32] | None = None
    dark_variance: float = 0.0
    defects: NDArray[np.uint8] | None = None
    flat: NDArray[np.float32] | None = None
    bias: NDArray[np.float32] | None = None
    bias_variance: float = 0.0
    response_max: float = 1.0  # the flat where the lens passes most
    glow: NDArray[np.float32] | None = None  # the part of the dark that has a factor of its own, ADU

    def masters(self, scale: float) -> list[tuple[float, float]]:
        """What the noise of each master is multiplied by in a frame of that dark factor, and its variance, ADU^2."""
        if scale == 0:
            return []
        if self.dark is None:
            return [] if self.bias is None else [(1.0, self.bias_variance)]
        # dark and bias were measured apart: bias + scale * (dark - bias)
        return [(scale, self.dark_variance), *([] if self.bias is None else [(1 - scale, self.bias_variance)])]

    @cached_property
    def dark_blocks(self) -> NDArray[np.float32] | None:
        """How far the dark lies above its usual level, in the blocks of a survey, ADU: where the amplifier glows."""
        if self.dark is None:
            return None
        block = block_size(self.dark.shape)
        rows, columns = (n // block for n in self.dark.shape)
        if not rows or not columns:
            return None
        # every fourth pixel each way is one CFA position's, but glow is no light: all have as much of it
        part = self.dark[: rows * block : 4, : columns * block : 4]
        level = np.median(part.reshape(rows, block // 4, columns, block // 4), axis=(1, 3))
        return np.asarray(level - np.median(level), np.float32)

    def usual(self, scale: float) -> float:
        """What the masters take off most pixels of a frame of that dark factor, ADU."""
        if scale == 0:
            return 0.0
        dark, bias = self._medians
        return scale * dark + bias

    @cached_property
    def _medians(self) -> tuple[float, float]:
        # every fifth pixel each way: of all places of the pattern
        dark, bias = (0.0 if a is None else float(np.median(a[::5, ::5])) for a in (self.dark, self.bias))
        return dark, bias

    def variance(self, scale: float) -> float:
        """Variance that the masters bring into a pixel of a frame of that dark factor, ADU^2."""
        return sum(factor**2 * variance for factor, variance in self.masters(scale))


@dataclass(frozen=True)
class Frame:
    """One kept frame. `grids` holds one position grid for all colours, or one for each; in the latter case `green`
    holds where, in the frame itself, green lies of what red and what blue show at a pixel.
    """

    id: str
    header: MosaicHeader
    shape: tuple[int, int]
    flux_scale: float
    dark_scale: float
    dark_offset: float
    grids: tuple[PositionGrid, ...]
    balance: Balance = NEUTRAL  # the scene's, the same for every frame
    green: tuple[PositionGrid, PositionGrid] | None = None
    fwhm_px: float | None = None  # of its stars
    banding: Banding | None = None  # what its rows and columns are off by
    glow_scale: float | None = None  # how many times the dark's glow it has, where that is not `dark_scale`

    @cached_property
    def area(self) -> NDArray[np.float32]:
        """Pixels of the frame that one of the result covers, at the grid's nodes (`pixel_area`)."""
        return pixel_area(self.grids[len(self.grids) // 2])


@dataclass(frozen=True)
class Inputs:
    """The frames of a scene, in order of time, and what calibrates them."""

    scene: str
    frames: list[Frame]
    mosaics: Mosaics
    calibration: Calibration
    reference: int

    @property
    def shape(self) -> tuple[int, int]:
        return self.frames[self.reference].shape

    @property
    def cfa(self) -> str:
        return self.frames[self.reference].header.cfa

    def only(self, numbers: Sequence[int]) -> Inputs:
        """Some of the frames; where the reference is not among them, the first is taken for it."""
        reference = list(numbers).index(self.reference) if self.reference in numbers else 0
        return replace(
            self, frames=[self.frames[n] for n in numbers], mosaics=self.mosaics.only(numbers), reference=reference
        )


def frame_grids(geometry: Map, frame: str, shape: tuple[int, int], colours: int) -> tuple[PositionGrid, ...]:
    """Positions of the result's pixels in a frame: one grid where the colours agree, else one a colour."""
    x, y = np.meshgrid(*grid_nodes(shape))
    in_green = geometry.from_reference(frame, x.ravel(), y.ravel())
    names = "RGB" if colours == 3 else "G"
    grids = [grid_through(*geometry.from_green(frame, *in_green, name), shape) for name in names]
    green = grids[len(grids) // 2]
    with np.errstate(invalid="ignore"):
        apart = max(float(np.nan_to_num(np.abs(grid.shift - green.shift)).max()) for grid in grids)
    return (green,) if apart < SAME_POSITION else tuple(grids)


def green_grids(geometry: Map, frame: str, shape: tuple[int, int]) -> tuple[PositionGrid, PositionGrid]:
    """`Frame.green` of a frame whose colours do not agree, as `displaced` takes it."""

    def grid(colour: str) -> PositionGrid:
        return displacement_grid(lambda x, y: geometry.to_green(frame, x, y, colour), shape)

    return grid("R"), grid("B")


class Scratch:
    """Memory that one thread uses again and again: taking it anew for every tile would cost more than filling it."""

    def __init__(self) -> None:
        self._arrays: dict[str, NDArray[Any]] = {}

    def take(self, name: str, shape: tuple[int, ...], dtype: Any) -> NDArray[Any]:
        """An array of this shape, its content undefined; the same memory as last time where that was large enough."""
        size = int(np.prod(shape))
        array = self._arrays.get(name)
        if array is None or array.size < size or array.dtype != dtype:
            # zeros: the vector code may read, with weight 0, what was never written; it must be a number
            array = self._arrays[name] = np.zeros(size, dtype)
        return array[:size].reshape(shape)


@dataclass(frozen=True)
class Part:
    """One frame's part of a tile, to be filled.

    Attributes
    ----------
    offset : (colours, rows, columns) float32 array, what matching adds, at the nodes of the position grid
    origin : (row, column) of the tile's first pixel in the result
    values : (colours, height, width) float32 array
    codes : (height, width) uint8 array
    """

    offset: NDArray[np.float32]
    origin: tuple[int, int]
    values: NDArray[np.float32]
    codes: NDArray[np.uint8]

    @property
    def shape(self) -> tuple[int, int]:
        return self.codes.shape[0], self.codes.shape[1]


def load_tile(mosaic: MosaicFile, frame: Frame, calibration: Calibration, part: Part, scratch: Scratch) -> bool:
    """Fill one frame's part of a tile; False, and nothing touched, where the frame covers nothing of it."""
    region = reach(frame, part.origin, part.shape)
    if region is None:
        return False
    top, bottom, left, right = region
    padded = calibrated(mosaic, frame, calibration, top - MARGIN, bottom + MARGIN, left - MARGIN, right + MARGIN)
    lay(padded, frame, region, full_level(frame, calibration), part, scratch)
    return True


def reach(frame: Frame, origin: tuple[int, int], shape: tuple[int, int]) -> tuple[int, int, int, int] | None:
    """Which of a frame's pixels a tile is made from, without those that demosaicing needs beside them.

    Parameters
    ----------
    origin, shape : of the tile in the result

    Returns
    -------
    First row, the row after the last, first column, the column after the last; they may lie beyond the frame. None
    where the frame covers nothing of the tile.
    """
    height, width = frame.shape
    bounds = [grid.region(origin[0], origin[0] + shape[0], origin[1], origin[1] + shape[1]) for grid in frame.grids]
    known = [b for b in bounds if b is not None]
    if not known:
        return None
    y0, y1 = min(b[0] for b in known), max(b[1] for b in known)
    x0, x1 = min(b[2] for b in known), max(b[3] for b in known)
    # a pixel to spare for the bend of the map between the rows that `region` looks at, one for that within a cell, one
    # for what two passes read in vain
    top, bottom = int(max(y0 - 3, 0)), int(min(y1 + 3, height - 1)) + 1
    left, right = int(max(x0 - 3, 0)), int(min(x1 + 3, width - 1)) + 1
    if top >= bottom or left >= right or y1 < -0.5 or x1 < -0.5:
        return None
    extra = 0 if frame.green is None else EXTRA
    return (
        top - REACH_BEFORE - extra,
        bottom + REACH_AFTER + extra,
        left - REACH_BEFORE - extra,
        right + REACH_AFTER + extra,
    )


def full_level(frame: Frame, calibration: Calibration) -> np.float32:
    """The level at which a frame's pixels are full, after black and drift, where the flat makes least of it."""
    return np.float32(
        FULL * (frame.header.saturation - max(frame.header.black) - frame.dark_offset) / calibration.response_max
    )


def lay(
    padded: NDArray[np.float32],
    frame: Frame,
    region: tuple[int, int, int, int],
    level: np.float32,
    part: Part,
    scratch: Scratch,
    cliffs: NDArray[np.bool_] | None = None,
) -> None:
    """Fill a frame's part of a tile from the mosaic: demosaic and resample it.

    Parameters
    ----------
    padded : float32 array, the calibrated mosaic of the region with `MARGIN` pixels to spare
    region : of `reach`
    level : from which pixels are full
    cliffs : array like `padded`, where values are kept within their neighbours' as about full pixels
    """
    top, bottom, left, right = region
    colours = part.values.shape[0]
    shape = (bottom - top, right - left)
    source = scratch.take("planes", (colours * shape[0] * shape[1] + OVERREAD,), np.float32)
    planes = source[:-OVERREAD].reshape(colours, *shape)
    if frame.green is None:
        demosaic_padded(padded, frame.header.cfa, top, left, planes, frame.balance)
    else:
        green_padded(padded, frame.header.cfa, top, left, planes[1], frame.balance)
        virtual = scratch.take("virtual", padded.shape, np.float32)
        carry_green(padded, frame.header.cfa, (top, left), source, frame.green, frame.balance, virtual)
    near = cliffs
    if padded.max() >= level:
        full = near_full(padded, level, REACH)
        near = full if near is None else near | full
    if near is not None and not near.any():
        near = None
    if near is not None:
        if colours == 3:
            bound_demosaiced(padded, near, _sites(frame.header.cfa, top, left), planes)
        near = near[MARGIN:-MARGIN, MARGIN:-MARGIN]
    whole, missing = len(frame.grids) == 1, None
    for number, grid in enumerate(frame.grids):
        covered = resample_plane(
            source, shape, (top, left), frame.shape, grid.shift, LAGRANGE, LANCZOS, part.origin,
            0 if whole else number, colours if whole else 1, np.float32(frame.flux_scale), frame.area, part.offset,
            part.values, part.codes, number == len(frame.grids) - 1,
        )  # fmt: skip
        if near is not None:
            bound_resampled(
                planes, near, (top, left), grid.shift, LAGRANGE, part.origin,
                0 if whole else number, colours if whole else 1, np.float32(frame.flux_scale), frame.area, part.offset,
                part.values, part.codes,
            )  # fmt: skip
        if not covered:
            gaps = part.codes == NOT_COVERED
            missing = gaps if missing is None else missing | gaps
    if missing is not None:
        # a pixel counts as covered where all its colours are; its place among the pixels is told by the last, blue
        part.codes[missing] = NOT_COVERED


def _sites(cfa: str, top: int, left: int) -> NDArray[np.int64]:
    """Which colour (0 red, 1 green, 2 blue) the mosaic samples at even and odd rows and columns from (top, left) on."""
    colour = np.array(["RGB".index(c) for c in cfa]).reshape(2, 2)
    return np.ascontiguousarray(np.roll(colour, (-(top & 1), -(left & 1)), axis=(0, 1)))


def calibrated(
    mosaic: MosaicFile, frame: Frame, calibration: Calibration, top: int, bottom: int, left: int, right: int
) -> NDArray[np.float32]:
    """Calibrated pixels of a region that may reach beyond the frame, reflected there about the outermost pixels."""
    height, width = frame.shape
    repair = 0 if calibration.defects is None else REPAIR_MARGIN
    # reflected rows lie within the margin inside the edge; region and margin begin at an even row and column
    y0, y1 = max(top - repair, 0) & ~1, min(max(bottom + repair, REPAIR_MARGIN), height)
    x0, x1 = max(left - repair, 0) & ~1, min(max(right + repair, REPAIR_MARGIN), width)
    y0, x0 = min(y0, max(height - REPAIR_MARGIN, 0) & ~1), min(x0, max(width - REPAIR_MARGIN, 0) & ~1)
    window = (slice(y0, y1), slice(x0, x1))
    c = calibration
    dark, scale = dark_signal(c.dark, c.bias, frame.dark_scale, window, frame.banding, c.glow, frame.glow_scale)
    pixels = calibrate(
        mosaic.region(y0, y1, x0, x1),
        frame.header.black,
        dark,
        scale,
        frame.dark_offset,
        None if calibration.defects is None else calibration.defects[window],
        frame.header.cfa,
        None if calibration.flat is None else calibration.flat[window],
    )
    if top >= 0 and left >= 0 and bottom <= height and right <= width:
        # in one piece: of rows with gaps between them no vector code is made, and demosaicing takes three times as long
        return np.ascontiguousarray(pixels[top - y0 : bottom - y0, left - x0 : right - x0])
    rows, columns = reflected(top, bottom, height) - y0, reflected(left, right, width) - x0
    return at_places(pixels, rows, columns, max(-left, 0), max(right - width, 0))


def at_places(
    pixels: NDArray[np.float32], rows: NDArray[np.int64], columns: NDArray[np.int64], before: int, after: int
) -> NDArray[np.float32]:
    """``pixels[np.ix_(rows, columns)]``, where all columns but some of the first and last stand side by side.

    Whole rows are copied, and only the few columns beyond the frame one by one: looking up every pixel takes longer
    than calibrating it.

    Parameters
    ----------
    pixels : (height, width) float32 array
    rows, columns : int64 arrays, numbers of rows and columns
    before, after : how many of the first and of the last columns may stand anywhere; more than there are will do
    """
    whole = pixels[rows]
    first, last = min(before, len(columns)), max(len(columns) - after, min(before, len(columns)))
    if first == last:
        return np.ascontiguousarray(whole[:, columns])
    out = np.empty((len(rows), len(columns)), np.float32)
    out[:, :first], out[:, last:] = whole[:, columns[:first]], whole[:, columns[last:]]
    out[:, first:last] = whole[:, columns[first] : columns[first] + last - first]
    return out


def reflected(first: int, last: int, size: int) -> NDArray[np.int64]:
    """Numbers first..last-1, those beyond 0..size-1 reflected about the outermost: -1 is 1, size is size - 2."""
    period = max(2 * (size - 1), 1)
    numbers = np.arange(first, last) % period
    return np.where(numbers < size, numbers, period - numbers)
