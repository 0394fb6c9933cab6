"""One tile of the result, from all its frames to finished pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.average import NoisePlan, average, tally_of
from pipeline.pixels.grow import GROW_MARGIN, grow
from pipeline.pixels.hidden import clearest
from pipeline.pixels.noise import BLOCK
from pipeline.pixels.reject import reject, settle_pairs
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.residuals import residuals
from pipeline.pixels.restless import SIDE, even_blocks, restless_pixels, settle, tell_blocks
from pipeline.pixels.starlight import spread, star_signal
from pipeline.pixels.variance import LandLight, of_sky
from pipeline.stack import meteors, passes
from pipeline.stack.bands import Band, frame_positions, reaches
from pipeline.stack.land import Land
from pipeline.stack.matching import Matching, NoiseLevel
from pipeline.stack.meteors import Light, Strip
from pipeline.stack.nodes import between_nodes
from pipeline.stack.planes import load_planes
from pipeline.stack.sources import Calibration, Frame, Mosaics, Part, Scratch, load_tile
from pipeline.stack.unrest import Blocks, blocks_about, no_blocks
from pipeline.stack.windows import UNQUIET_MARGIN, Window, is_unquiet

# Of the sky every third pixel each way is checked against the noise model: neighbours share their noise.
CHECK_STEP = 3
# Standard deviations of the sky below which a pixel is sky, and above which it is a star's core.
CHECK_FAINT, CHECK_BRIGHT = 3.0, 30.0
CORES_MAX = 4000


@dataclass(frozen=True)
class Scene:
    """All that a tile needs to know."""

    shape: tuple[int, int]
    colours: int
    frames: Sequence[Frame]
    mosaics: Mosaics
    calibration: Calibration
    matching: Matching
    factor: NDArray[np.float32]  # (colours, 256), as in `pixels.variance`
    block_factor: NDArray[np.float32]  # (colours,)
    common: NDArray[np.float32]  # (colours,), variance that all frames share, in blocks
    plan: NoisePlan
    clip_sigma: float
    star_scatter: NDArray[np.float32]  # (colours,)
    land: Land | None = None  # what of the frames does not count
    meteors: tuple[Band, ...] = ()  # streaks that stay in the picture
    lights: tuple[Light, ...] = ()  # of each meteor; without them tiles tell what they have of the meteors
    passes: tuple[Band, ...] = ()  # streaks that are taken out of their frames
    planes: bool = False  # the frames have not moved and are combined as their mosaics' planes (`stack.planes`)
    lit: bool = False  # the frames lie on the ground, and what is lit in many of them is no passer-by
    unrest: Blocks | None = None  # of its restless sky; without them each tile tells its own
    reference: int = 0  # the frame to whose light the others are brought
    # (height, width), where the picture is wanted, all of it by default: how tiles lie about that must not show
    wanted: NDArray[np.bool_] | None = None

    @cached_property
    def light(self) -> LandLight:
        """What the variance of land's pixels goes by: of all frames, whichever of them a tile holds."""
        return self._light(self.matching.of_pixels)

    @cached_property
    def block_light(self) -> LandLight:
        """What that of means over blocks goes by."""
        return self._light(self.matching.of_blocks)

    def _light(self, noise: NoiseLevel) -> LandLight:
        m = self.matching
        if not self.lit:
            return of_sky(self.colours)
        # the level goes on from the sky as far as the light does
        return LandLight(m.offsets.max(axis=(0, 2, 3)), noise.sky - noise.gain * m.sky, noise.gain)

    @cached_property
    def usual(self) -> tuple[NDArray[np.float32], np.float32]:
        """As in `average`."""
        m = self.matching
        if not self.lit:
            return m.floor.mean(axis=0), np.float32(m.slope.mean())
        w = m.weights.astype(np.float64)
        floor, slope = ((w**2 @ v) / w.sum() for v in (m.floor.astype(np.float64), m.slope.astype(np.float64)))
        return floor.astype(np.float32), np.float32(slope)


@dataclass(frozen=True)
class Tile:
    """A finished tile; arrays as `average` fills them."""

    window: Window
    picture: NDArray[np.float32]
    noise: NDArray[np.float32]
    coverage: NDArray[np.uint16]
    rejected: NDArray[np.uint16]
    sums: NDArray[np.float64]
    counts: NDArray[np.int32]
    model: NDArray[np.float64]
    tally: NDArray[np.int64]
    strips: list[tuple[int, Strip]] = field(default_factory=list)  # which meteor, and what the tile has of it


@dataclass(frozen=True)
class Laid:
    """The frames of a part of the picture, matched."""

    origin: tuple[int, int]
    members: NDArray[np.int64]
    values: NDArray[np.float32]
    codes: NDArray[np.uint8]
    mask: NDArray[np.uint8]  # as in `pixels.reject`, clear so far
    never: NDArray[np.bool_] | None  # pixels that no frame shows without land; None where there is no land


@dataclass(frozen=True)
class Stack(Laid):
    """The frames of one tile with its margin, matched, and where stars are in it."""

    signal: NDArray[np.float32]
    peak: NDArray[np.float32]
    broad: NDArray[np.float32]  # as in `pixels.reject`

    @property
    def unquiet(self) -> bool:
        """Some of its sky is restless."""
        return self.broad.size > 0


def load_stack(scene: Scene, window: Window, scratch: Scratch, settled: bool = True) -> Stack:
    """Read, calibrate, demosaic, resample and match what every frame shows of a tile and its margin.

    Parameters
    ----------
    settled : bring restless sky to its own mean, which asks for a wider margin, and tell of land the light that its
        variance goes by, not what lies above its level
    """
    unquiet = settled and is_unquiet(scene.matching.restless, window)
    margin = GROW_MARGIN if not unquiet else UNQUIET_MARGIN if scene.unrest is None else SIDE
    laid = _lay(scene, window, margin, scratch)
    (top, left), members, values, codes = laid.origin, laid.members, laid.values, laid.codes
    k, (height, width) = len(members), codes.shape[1:]
    broad = np.zeros((0, 0, 0), np.float32)
    if unquiet and k and (k > 1 or scene.unrest is not None):
        broad = scratch.take("broad", (scene.colours, height, width), np.float32)
        _settle(scene, laid, broad)
    signal = scratch.take("signal", (scene.colours, height, width), np.float32)
    peak = scratch.take("peak", (scene.colours, height, width), np.float32)
    # in an order of the whole scene's frames, so that those which miss this tile change nothing in it
    rank = np.argsort(spread(len(scene.frames)))
    chosen = np.argsort(rank[members]) if k else np.zeros(0, np.int64)
    if k:
        m, light = scene.matching, scene.light if settled else of_sky(scene.colours)
        star_signal(values, codes, chosen, m.sky, m.of_pixels.sky, (top, left), light, signal, peak)
    else:
        signal[:], peak[:] = 0, 0
    return Stack(**vars(laid), signal=signal, peak=peak, broad=broad)


def _lay(scene: Scene, window: Window, margin: int, scratch: Scratch) -> Laid:
    """Lay the frames on a window and so many pixels about it."""
    top, left = max(window.top - margin, 0), max(window.left - margin, 0)
    bottom = min(window.top + window.height + margin, scene.shape[0])
    right = min(window.left + window.width + margin, scene.shape[1])
    height, width, n = bottom - top, right - left, len(scene.frames)
    values = scratch.take("values", (n, scene.colours, height, width), np.float32)
    codes = scratch.take("codes", (n, height, width), np.uint8)
    mask = scratch.take("mask", (n, height, width), np.uint8)
    mask[:] = 0
    hidden = False
    members: list[int] = []
    for number, frame in enumerate(scene.frames):
        k = len(members)
        if scene.land is not None and scene.land.skips(number, (top, left), (height, width)):
            continue
        part = Part(scene.matching.offsets[number], (top, left), values[k], codes[k])
        if scene.planes:
            load_planes(scene.mosaics[number], frame, scene.calibration, part)
        elif not load_tile(scene.mosaics[number], frame, scene.calibration, part, scratch):
            continue
        members.append(number)
        if scene.land is not None and scene.land.grids:
            hidden |= scene.land.hide(number, (top, left), codes[k], mask[k])
    k = len(members)
    never = None
    if hidden:
        never = scratch.take("never", (height, width), np.bool_)
        clearest(codes[:k], mask[:k], never)
    return Laid((top, left), np.array(members, np.int64), values[:k], codes[:k], mask[:k], never)


def tell_window(scene: Scene, window: Window, scratch: Scratch) -> tuple[tuple[int, int], NDArray[np.int64], Blocks]:
    """What each frame is off the mean of all by in the blocks of a window: its first pixel, the frames, the blocks."""
    laid = _lay(scene, window, 0, scratch)
    return laid.origin, laid.members, _tell(scene, laid)


def _tell(scene: Scene, laid: Laid) -> Blocks:
    shape = laid.codes.shape[1:]
    blocks = no_blocks(scene.colours, len(laid.members), shape)
    weights = np.ascontiguousarray(scene.matching.weights[laid.members])
    tell_blocks(laid.values, laid.codes, weights, _land_alone(laid), blocks.off, blocks.number)
    return blocks


def _land_alone(laid: Laid) -> NDArray[np.bool_]:
    return np.zeros(laid.codes.shape[1:], np.bool_) if laid.never is None else laid.never


def _settle(scene: Scene, laid: Laid, broad: NDArray[np.float32]) -> None:
    """Bring the restless sky of a part to its own mean; `broad` is filled."""
    m, members = scene.matching, laid.members
    weights = np.ascontiguousarray(m.weights[members])
    if scene.unrest is None:
        blocks, first = _tell(scene, laid), (0, 0)
        even_blocks(blocks.off, weights, blocks.number)
        off = blocks.off
    else:
        blocks, first = blocks_about(scene.unrest, laid.origin, laid.codes.shape[1:], UNQUIET_MARGIN - SIDE)
        even_blocks(blocks.off, m.weights, blocks.number)
        off = np.ascontiguousarray(blocks.off[:, members])
    settle(laid.values, laid.codes, weights, off, first, m.restless, laid.origin, _land_alone(laid), broad)


@dataclass(frozen=True)
class Check:
    """What a window says of the noise model; see `pixels.residuals`."""

    ratios: list[NDArray[np.float32]]
    scatters: tuple[NDArray[np.float32], ...]  # by colour
    points: NDArray[np.float32]  # (m, 4)


def check_window(scene: Scene, window: Window, scratch: Scratch) -> Check:
    """Set the frames' residuals in a window against the noise model."""
    # restless sky says nothing of the noise and is left out
    stack = load_stack(scene, window, scratch, settled=False)
    if stack.never is not None:
        stack.codes[:, stack.never] = NOT_COVERED
    m, members, noise = scene.matching, stack.members, scene.matching.of_pixels
    stack.codes[:, restless_pixels(m.restless, stack.origin, stack.codes.shape[1:])] = NOT_COVERED
    k = len(members)
    if k < 2:
        nothing = np.zeros(0, np.float32)
        return Check([nothing] * len(scene.frames), (nothing,) * scene.colours, np.zeros((0, 4), np.float32))
    height, width = stack.codes.shape[1:]
    ratios = np.empty((k, (height // CHECK_STEP + 1) * (width // CHECK_STEP + 1)), np.float32)
    counts, cores = np.zeros(k, np.int64), np.zeros(scene.colours, np.int64)
    scatters = np.empty((scene.colours, CORES_MAX), np.float32)
    points = np.empty((ratios.shape[1] * scene.colours, 4), np.float32)
    told = residuals(
        stack.values, stack.codes, np.ascontiguousarray(m.weights[members]), np.ascontiguousarray(m.floor[members]),
        np.ascontiguousarray(m.slope[members]), scene.factor, noise.offsets, members, noise.sky, scene.light,
        stack.signal, stack.peak, stack.origin, CHECK_FAINT, CHECK_BRIGHT, CHECK_STEP, ratios, counts, scatters, cores,
        points,
    )  # fmt: skip
    result = [np.zeros(0, np.float32)] * len(scene.frames)
    for number, row, count in zip(members, ratios, counts, strict=True):
        result[number] = row[:count].copy()
    return Check(result, tuple(row[:count].copy() for row, count in zip(scatters, cores, strict=True)), points[:told])


def make_tile(scene: Scene, window: Window, scratch: Scratch) -> Tile:
    """Make one tile of the result."""
    stack = load_stack(scene, window, scratch)
    m, members, n = scene.matching, stack.members, len(scene.frames)
    noise, in_blocks = m.of_pixels, m.of_blocks
    mask = stack.mask
    weights = np.ascontiguousarray(m.weights[members])
    floor, slope = np.ascontiguousarray(m.floor[members]), np.ascontiguousarray(m.slope[members])
    if len(members) > 1:
        unsteady = scratch.take("unsteady", mask.shape[1:], np.float32)
        reject(
            stack.values, stack.codes, weights, floor, slope, scene.factor, noise.offsets, members, noise.sky,
            stack.signal, stack.peak, scene.star_scatter, scene.clip_sigma, stack.origin, stack.broad,
            mask, unsteady, scene.lit,
        )  # fmt: skip
        # a tile of two of more frames would be another where it is cut otherwise
        if n == len(members) == 2:
            settle_pairs(stack.values, stack.codes, mask)
        grow(mask, unsteady, floor, slope, noise.offsets, members, noise.sky, stack.origin)
        _take_out(scene, stack)
    if scene.land is not None and not scene.land.grids:
        # the noise of what stands still may be measured on it, bright or not: only halves of the frames are compared
        stack.peak[:] = 0
    plan = scene.plan
    blocks = (-(-window.height // BLOCK), -(-window.width // BLOCK))
    tile = Tile(
        window,
        np.zeros((scene.colours, window.height, window.width), np.float32),
        np.zeros((scene.colours, window.height, window.width), np.float32),
        np.zeros((window.height, window.width), np.uint16),
        np.zeros((window.height, window.width), np.uint16),
        np.zeros((plan.rows, *blocks)),
        np.zeros((plan.rows, *blocks), np.int32),
        np.zeros((2 + len(plan.pairs), *blocks)),
        np.zeros((n, 2), np.int64),
    )
    tally = np.zeros((len(members), 2), np.int64)
    average(
        stack.values, stack.codes, mask, weights, floor, slope, scene.block_factor, scene.common,
        in_blocks.offsets, members, in_blocks.sky, scene.block_light, stack.signal, stack.peak, stack.origin,
        scene.usual, (window.top - stack.origin[0], window.left - stack.origin[1]), plan.groups, 1 + len(plan.sizes),
        plan.pairs, tile.picture, tile.noise, tile.coverage, tile.rejected, tile.sums, tile.counts, tile.model, tally,
    )  # fmt: skip
    tile.tally[members] = tally
    if stack.unquiet:
        # means over blocks were taken off: their differences tell nothing of noise any more
        whole = (BLOCK * blocks[0], BLOCK * blocks[1])
        pixels = restless_pixels(m.restless, (window.top, window.left), whole)
        changing = pixels.reshape(blocks[0], BLOCK, blocks[1], BLOCK).any(axis=(1, 3))
        tile.sums[:, changing], tile.counts[:, changing], tile.model[:, changing] = 0, 0, 0
    for number in range(len(scene.meteors)):
        _keep(number, scene, stack, tile)
    hole = np.zeros(tile.coverage.shape, bool)
    top, left = window.top - stack.origin[0], window.left - stack.origin[1]
    if stack.never is not None:
        # what no frame shows without land tells nothing of the sky's noise
        hole |= stack.never[top : top + window.height, left : left + window.width]
    if scene.wanted is not None:
        hole |= ~window.of(scene.wanted)
    if hole.any():
        tile.coverage[hole], tile.rejected[hole] = 0, 0
        codes, bits = (
            a[:, top : top + window.height, left : left + window.width][:, hole] for a in (stack.codes, mask)
        )
        tile.tally[members] -= tally_of(codes, bits, scene.colours)
        padded = np.zeros((blocks[0] * BLOCK, blocks[1] * BLOCK), bool)
        padded[: window.height, : window.width] = hole
        silent = padded.reshape(blocks[0], BLOCK, blocks[1], BLOCK).any(axis=(1, 3))
        tile.sums[:, silent], tile.counts[:, silent], tile.model[:, silent] = 0, 0, 0
    return tile


def _take_out(scene: Scene, stack: Stack) -> None:
    """Take the passes out that come into a tile."""
    shape = stack.codes.shape[1:]
    places = {int(number): k for k, number in enumerate(stack.members)}
    unless = None
    for band in scene.passes:
        frame = scene.frames[band.number]
        if band.number not in places or not reaches(band, passes.reach_of(band), frame, stack.origin, shape):
            continue
        if unless is None:
            # where the sky itself changes a frame that is missing would show
            unless = restless_pixels(scene.matching.restless, stack.origin, shape)
        where = frame_positions(frame, stack.origin, shape)
        passes.take_out(band, places[band.number], where, stack.codes, stack.mask, unless)


def _keep(number: int, scene: Scene, stack: Stack, tile: Tile) -> None:
    """Lay a meteor over a tile, where it comes into it; or tell what the tile has of it, if its light is not known."""
    meteor = scene.meteors[number]
    w, frame, m = tile.window, scene.frames[meteor.number], scene.matching
    found = np.flatnonzero(stack.members == meteor.number)
    if not len(found) or not reaches(meteor, meteors.reach_of(meteor), frame, (w.top, w.left), (w.height, w.width)):
        return
    k = int(found[0])
    rows = slice(w.top - stack.origin[0], w.top - stack.origin[0] + w.height)
    columns = slice(w.left - stack.origin[1], w.left - stack.origin[1] + w.width)
    values = stack.values[k][:, rows, columns]
    y, x = np.mgrid[w.top : w.top + w.height, w.left : w.left + w.width]
    # at each pixel: means over a tile would go by how it is cut
    offset = between_nodes(np.moveaxis(m.offsets[meteor.number], 0, -1), x.ravel(), y.ravel()).T.reshape(values.shape)
    variance = m.floor[meteor.number][:, None, None] + m.slope[meteor.number] * np.maximum(
        values - offset.astype(np.float32), 0
    )
    variance = scene.block_factor[:, None, None] * variance + scene.common[:, None, None]
    places = frame_positions(frame, (w.top, w.left), (w.height, w.width))
    codes = stack.codes[k][rows, columns]
    if not scene.lights:
        strip = meteors.strip_of(meteor, places, values, codes, variance, tile.picture, scene.star_scatter)
        tile.strips.append((number, strip))
        return
    meteors.lay_over(
        meteor, scene.lights[number], places, values, codes, variance,
        tile.picture, tile.noise, tile.coverage, tile.rejected,
    )  # fmt: skip
