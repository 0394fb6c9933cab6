"""A scene's frames laid on the ground instead of the stars, and the picture of the ground made of them.

The half of the step `ground` that makes the picture, once it is told where ground is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.config import Trip
from pipeline.console import Progress
from pipeline.pixels.cells import cell_sums
from pipeline.pixels.noise import BLOCK
from pipeline.pixels.rings import ON_LAND
from pipeline.sensor.demosaic import colours as colour_count
from pipeline.sky.geometry import Geometry
from pipeline.skyline.hold import Hold
from pipeline.stack import figures
from pipeline.stack.groundfile import FULL, GroundFile, append_mask, picture_header
from pipeline.stack.land import SHARE_LEAST, Land, land_in
from pipeline.stack.matching import Matching
from pipeline.stack.meanmosaic import AROUND, BYTES_PER_PIXEL, MeanMosaic, mean_level
from pipeline.stack.nodes import NODES_REACH
from pipeline.stack.output import CombinedWriter
from pipeline.stack.planes import COLOUR_OF, half_shape, unmoved
from pipeline.stack.sources import Frame, Inputs, frame_grids, green_grids
from pipeline.stack.surveys import interpolation_factors
from pipeline.stack.tiles import Scene, Tile
from pipeline.stack.whole import make_ready, make_tiles, side_of_tiles
from pipeline.stack.windows import TILE_MAX, TILE_STEP, Window, box_of, cut

# Sky about the ground that its picture holds, px: the sky's level is followed there to the skyline.
RIM = 24
# Windows in which the noise of the frames is looked at, and their side, px.
SAMPLES, SAMPLE_PX = 12, 128
# Side of the cells of which is told whether frames reach them, px, and how far these may lie beyond a frame's edge:
# what `fill_rim` sees to.
REACHED_CELL, RIM_PX = 8, 1.5


def on_ground(inputs: Inputs, geometry: Geometry, hold: Hold, scale: float = 1.0) -> Inputs:
    """The frames laid on the ground instead of the stars.

    Starlight says nothing of what lights the ground, so that all values have one scale.
    """
    shape, colours = inputs.shape, colour_count(inputs.cfa)
    hold = hold.beyond(NODES_REACH)
    frames: list[Frame] = []
    for frame in inputs.frames:
        grids = frame_grids(hold, frame.id, shape, colours)
        green = (frame.green or green_grids(geometry, frame.id, shape)) if len(grids) > 1 else None
        frames.append(replace(frame, grids=grids, green=green, flux_scale=scale))
    return replace(inputs, frames=frames)


def unreached(hold: Hold, frames: Sequence[Frame], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Which of the reference's pixels, (height, width), lie in cells that no frame shows whole."""
    rows, columns = (np.append(np.arange(0, size, REACHED_CELL), size - 1) for size in shape)
    x, y = np.meshgrid(columns, rows)
    reached = np.zeros((len(rows) - 1, len(columns) - 1), bool)
    for frame in frames:
        at = hold.from_reference(frame.id, x.ravel().astype(float), y.ravel().astype(float))
        inside = np.ones(x.shape, bool)
        for places, size in zip(at, reversed(frame.shape), strict=True):
            inside &= (np.abs(places - (size - 1) / 2) <= (size - 1) / 2 + RIM_PX).reshape(x.shape)
        reached |= inside[:-1, :-1] & inside[:-1, 1:] & inside[1:, :-1] & inside[1:, 1:]
    cells = np.repeat(np.repeat(~reached, REACHED_CELL, axis=0), REACHED_CELL, axis=1)
    return np.asarray(cells[: shape[0], : shape[1]])


def about_ground(mask: NDArray[np.floating], rim: int) -> NDArray[np.bool_]:
    """Where there is ground within so many px."""
    return np.asarray(ndimage.maximum_filter(mask > SHARE_LEAST, 2 * rim + 1))


def windows_over(wide: NDArray[np.bool_], side: int) -> list[Window]:
    """Tiles of at most `side` px that hold what is wanted, each no larger than it must be."""
    windows = []
    for w in cut((wide.shape[0], wide.shape[1]), side):
        there = w.of(wide)
        rows, columns = np.flatnonzero(there.any(axis=1)), np.flatnonzero(there.any(axis=0))
        if not len(rows):
            continue
        # corners at nodes of the position grid, which are corners of the noise's blocks too
        y0, x0 = int(rows[0]) // TILE_STEP * TILE_STEP, int(columns[0]) // TILE_STEP * TILE_STEP
        y1 = min(-(-(int(rows[-1]) + 1) // TILE_STEP) * TILE_STEP, w.height)
        x1 = min(-(-(int(columns[-1]) + 1) // TILE_STEP) * TILE_STEP, w.width)
        windows.append(Window(w.top + y0, w.left + x0, y1 - y0, x1 - x0))
    return windows


def samples_of(windows: Sequence[Window]) -> list[Window]:
    """Smaller windows spread over these."""
    chosen = np.unique(np.linspace(0, len(windows) - 1, min(len(windows), SAMPLES)).round().astype(int))
    result = []
    for number in chosen:
        w = windows[number]
        height, width = min(w.height, SAMPLE_PX), min(w.width, SAMPLE_PX)
        # the lower end: further from the skyline
        top = (w.top + w.height - height) // TILE_STEP * TILE_STEP
        result.append(Window(max(top, w.top), w.left, min(height, w.top + w.height - max(top, w.top)), width))
    return result


def halved(windows: Sequence[Window]) -> list[Window]:
    """The windows of the planes that show what those of the picture do."""
    return [Window(w.top // 2, w.left // 2, -(-w.height // 2), -(-w.width // 2)) for w in windows]


def half_mask(mask: NDArray[np.float32]) -> NDArray[np.float32]:
    """The largest share of ground among the pixels of the picture that a pixel of the planes is of."""
    rows, columns = half_shape((mask.shape[0], mask.shape[1]))
    even = np.pad(mask, ((0, 2 * rows - mask.shape[0]), (0, 2 * columns - mask.shape[1])), mode="edge")
    upper, lower = even[::2], even[1::2]
    return np.maximum(np.maximum(upper[:, ::2], upper[:, 1::2]), np.maximum(lower[:, ::2], lower[:, 1::2]))


def solid_blocks(land: Land, side: int) -> NDArray[np.bool_]:
    """Blocks of so many px in which there is nothing but ground."""
    solid = cell_sums((land.areas[0].near == 0).astype(np.int32), side) == side**2
    return np.asarray(solid)


def make_ground(
    inputs: Inputs,
    geometry: Geometry,
    hold: Hold,
    mask: NDArray[np.float32],
    path: Path,
    trip: Trip,
    threads: int,
    progress: Progress,
    scale: float = 1.0,
    only: NDArray[np.bool_] | None = None,
    beyond: GroundFile | None = None,
) -> dict[str, Any]:
    """Write the ground's picture, noise and mask; what is told of them.

    Parameters
    ----------
    scale : what the frames' values are multiplied by
    only : (height, width), where the picture is wanted; by default wherever there is ground
    beyond : another picture of it, which stands where these frames do not reach
    """
    inputs = on_ground(inputs, geometry, hold, scale)
    planes = unmoved(inputs.frames)
    sky = land_in(mask, geometry, hold, inputs.frames, ground=True)
    wide = about_ground(mask, RIM)
    if only is not None:
        wide &= only
    samples = samples_of(windows_over(wide, SAMPLE_PX * 4))
    samples = halved(samples) if planes else samples
    ready = make_ready(inputs, trip.combine.clip_sigma, threads, land=sky, samples=samples, lit=True, planes=planes)
    wanted = about_ground(half_mask(mask), (RIM + AROUND) // 2) if planes else wide
    scene = replace(ready.scene, wanted=wanted)
    n, used = len(scene.frames), {frame.id for frame in scene.frames}
    solid = solid_blocks(sky, 2 * BLOCK if planes else BLOCK)
    gathered = figures.Gathered(scene.shape, scene.plan.rows, len(scene.plan.pairs), n, solid)
    noise_header = fits.Header([("EXTNAME", "NOISE"), ("BUNIT", "adu", "standard deviation over blocks")])
    with ThreadPoolExecutor(threads) as pool:

        def combined(windows: Sequence[Window]) -> Iterator[Tile]:
            progress.total = len(windows)
            for tile in make_tiles(scene, windows, pool, threads):
                gathered.add(tile)
                progress.advance()
                yield tile

        if planes:
            reference = replace(inputs.frames[inputs.reference], flux_scale=1.0)
            mixing = mixing_of(scene.matching, reference)
            mean = _mean(scene, wanted, mask, trip.limits.memory_mb, threads, combined)
            windows = windows_over(wide, TILE_MAX)
            tiles = mean.tiles(scene, reference, mixing, windows, pool, threads)
        else:
            mixing = np.ones(scene.colours, np.float32)
            windows = windows_over(wide, side_of_tiles(scene, trip.limits.memory_mb, threads))
            tiles = combined(windows)
        box = box_of(windows)
        with CombinedWriter(path, (box.height, box.width), picture_header(box), noise_header) as writer:
            coverage, rejected = _write(writer, tiles, box, wide, beyond)
            balance = inputs.frames[inputs.reference].balance
            writer.fill_rings(
                coverage > 0, balance, float(mean_level(scene)), ON_LAND, colour_count(inputs.cfa), threads
            )
            writer.finish(coverage, rejected)
    append_mask(path, np.rint(mask * np.float32(FULL)).astype(np.uint8))
    told = figures.figures(scene, gathered, ready.shared)
    # what the planes tell is of a pixel of the mosaic
    mixed = float(np.sqrt(mixing[len(mixing) // 2]))
    noise = {key: told[key] and told[key] * mixed for key in ("noise_frame", "noise_combined", "noise_expected")}
    keys = ("noise_ratio", "noise_blocks", "rejected_share", "noise_notes")
    otherwise = [frame.id for frame in inputs.frames if frame.id not in used]
    return {"frames": n, "lit_otherwise": otherwise, **noise, **{key: told[key] for key in keys}}


def _write(
    writer: CombinedWriter, tiles: Iterable[Tile], box: Window, wide: NDArray[np.bool_], beyond: GroundFile | None
) -> tuple[NDArray[np.uint16], NDArray[np.uint16]]:
    """Write the tiles' picture and noise as far as they are wanted; COVERAGE and REJECTED of the box, (rows, columns).

    Parameters
    ----------
    wide : (height, width) of the whole picture, where it is wanted
    beyond : as in `make_ground`
    """
    coverage, rejected = (np.zeros((box.height, box.width), np.uint16) for _ in range(2))
    for tile in tiles:
        w = tile.window
        if beyond is not None:
            beyond.fill(tile, counts=True)
        fill_rim(tile, (wide.shape[0], wide.shape[1]))
        unasked = ~w.of(wide)
        for plane in (*tile.picture, *tile.noise, tile.coverage, tile.rejected):
            plane[unasked] = 0
        top, left = w.top - box.top, w.left - box.left
        writer.write(0, top, left, tile.picture)
        writer.write(1, top, left, tile.noise)
        coverage[top : top + w.height, left : left + w.width] = tile.coverage
        rejected[top : top + w.height, left : left + w.width] = tile.rejected
    return coverage, rejected


def mixing_of(matching: Matching, frame: Frame) -> NDArray[np.float32]:
    """What a picture makes of the variance of the mosaic's pixels, in blocks, (colours,).

    Parameters
    ----------
    matching : of the planes
    """
    variance = matching.sky_variance[:, [COLOUR_OF.index(colour) for colour in range(3)]]
    return interpolation_factors(frame.header.cfa, replace(matching, sky_variance=variance), frame.balance)[1]


def _mean(
    scene: Scene,
    wanted: NDArray[np.bool_],
    mask: NDArray[np.float32],
    memory_mb: int,
    threads: int,
    combined: Callable[[Sequence[Window]], Iterator[Tile]],
) -> MeanMosaic:
    """Combine the planes of unmoved frames where they are wanted: as far about the ground as its picture needs."""
    mean = MeanMosaic.empty(windows_over(wanted, TILE_MAX // 2), mask)
    held = BYTES_PER_PIXEL * mean.mosaic.size // 1_000_000
    side = side_of_tiles(scene, memory_mb - held, threads)
    for tile in combined(windows_over(wanted, min(side, TILE_MAX // 2))):
        mean.add(tile, scene.frames[0].header.cfa)
    mean.only(about_ground(half_mask(mask), RIM // 2))
    return mean


def fill_rim(tile: Tile, shape: tuple[int, int]) -> None:
    """Let the picture's outermost rows and columns be as the next ones where no frame shows all colours of them: a lens
    draws one beyond the edge, and before a tripod every frame alike."""
    w, planes = tile.window, (*tile.picture, *tile.noise, tile.coverage, tile.rejected)
    height, width = tile.coverage.shape
    sides = ((w.top == 0, 0, 1), (w.top + w.height == shape[0], -1, -2))
    for at_edge, rim, inner in sides if height > 1 else ():
        bare = (tile.coverage[rim] == 0) & at_edge
        for plane in planes:
            plane[rim, bare] = plane[inner, bare]
    sides = ((w.left == 0, 0, 1), (w.left + w.width == shape[1], -1, -2))
    for at_edge, rim, inner in sides if width > 1 else ():
        bare = (tile.coverage[:, rim] == 0) & at_edge
        for plane in planes:
            plane[bare, rim] = plane[bare, inner]
