"""A scene's frames made ready for its tiles, and the tiles made: in parallel, in order."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.average import noise_plan
from pipeline.pixels.grow import GROW_MARGIN
from pipeline.pixels.noise import PhotonTransfer
from pipeline.sensor.demosaic import colours as colour_count
from pipeline.stack import figures, meteors
from pipeline.stack.bands import frame_positions, reaches
from pipeline.stack.checked import (
    CROWDED,
    SCATTER_DEFAULT,
    corrected,
    of_the_quiet,
    star_scatter,
    transfer_of,
    with_transfer,
)
from pipeline.stack.land import Land
from pipeline.stack.matching import Matching, star_weights
from pipeline.stack.planes import half_matching, half_shape
from pipeline.stack.sources import Inputs
from pipeline.stack.surveys import gains_of, interpolation_factors, match_surveyed, survey_frames
from pipeline.stack.threads import in_order
from pipeline.stack.tiles import Check, Scene, Tile, check_window, make_tile, tell_window
from pipeline.stack.unrest import Blocks, blocks_on_disk
from pipeline.stack.windows import Cut, Window, cut, cut_at_land, cut_at_unrest, sample_windows, tile_side

# What Python, the libraries and the loops' machine code take before any pixel is there, MB (measured: 190-230).
PROGRAM_MB = 240
# Side of the tiles that a meteor's light is told from, px: along it, and little else.
LIGHT_SIDE = 128
# Frames multiplied by what is so far from 1 in places are looked at so many times more, until noise is told to this.
UNEVEN, LOOKS_AGAIN, SETTLED = 0.1, 3, 0.05


@dataclass(frozen=True)
class Ready:
    """What the tiles are made from; `factors` (n,) is what each frame's noise was corrected by."""

    scene: Scene
    factors: NDArray[np.float64]
    shared: figures.SharedDark


def make_ready(
    inputs: Inputs,
    clip_sigma: float,
    threads: int = 1,
    for_stars: bool = False,
    land: Land | None = None,
    samples: Sequence[Window] | None = None,
    lit: bool = False,
    planes: bool = False,
    tell: Callable[[], None] = lambda: None,
) -> Ready:
    """Match the frames of a scene and tell their noise.

    Parameters
    ----------
    inputs, clip_sigma, threads : as for `combine`
    for_stars : weight the frames by `star_weights` too
    land : what of the frames does not count; their skies are matched elsewhere
    samples : windows in which the noise is looked at; spread over the picture by default
    lit : the frames lie on the ground: what lights it changes in brightness, and else by no more than a plane; those
        that show it in another light are left out of the scene
    planes : the frames have not moved: combine their mosaics' planes (`stack.planes`), of which tiles and samples then
        are windows
    tell : called as each frame has been read
    """
    surveyed = survey_frames(inputs, land, lit, threads, tell)
    inputs, shape = surveyed.inputs, surveyed.inputs.shape
    matching = match_surveyed(surveyed, lit, threads)
    shared = _shared(inputs, _weighted(matching, inputs) if for_stars else matching, shape)
    factor, block_factor = interpolation_factors(inputs.cfa, matching, inputs.frames[inputs.reference].balance)
    colours = colour_count(inputs.cfa)
    scene = Scene(
        shape,
        colours,
        inputs.frames,
        inputs.mosaics,
        inputs.calibration,
        matching,
        factor,
        block_factor,
        (block_factor * shared.mean).astype(np.float32),
        noise_plan(len(inputs.frames)),
        clip_sigma,
        star_scatter=np.full(colours, SCATTER_DEFAULT, np.float32),
        land=land,
        lit=lit,
        reference=inputs.reference,
    )
    if planes:
        scene = _in_planes(scene, shared)
    # windows of all frames take as much memory as small tiles; a quarter of a million pixels a frame is enough
    samples = samples or list(sample_windows(shape, 128 if len(inputs.frames) <= 256 else 64))
    with ThreadPoolExecutor(threads) as pool:
        scene, factors = _checked(scene, samples, pool, threads)
    if for_stars:
        # last: the check against the mean takes weights for those of the noise
        scene = replace(scene, matching=_weighted(scene.matching, inputs))
    return Ready(scene, factors, shared)


def _in_planes(scene: Scene, shared: figures.SharedDark) -> Scene:
    """The scene of the frames' planes, whose values come as they are."""
    ones = np.ones(4, np.float32)
    return replace(
        scene,
        shape=half_shape(scene.shape),
        colours=4,
        matching=half_matching(scene.matching, scene.shape),
        factor=np.ones((4, 256), np.float32),
        block_factor=ones,
        common=ones * np.float32(shared.mean),
        star_scatter=ones * np.float32(SCATTER_DEFAULT),
        planes=True,
    )


def _weighted(matching: Matching, inputs: Inputs) -> Matching:
    return replace(matching, weights=star_weights(matching.weights, [f.fwhm_px for f in inputs.frames]))


def side_of_tiles(scene: Scene, memory_mb: int, threads: int, margin: int = GROW_MARGIN) -> int:
    """The side of tiles, with so many pixels about each, for which so many threads have room.

    Raises
    ------
    SceneError
        Where the frames do not fit into the memory allowed.
    """
    return tile_side(len(scene.frames), scene.colours, room_beside(scene, memory_mb) // threads, margin)


def room_beside(scene: Scene, memory_mb: int) -> int:
    """How many bytes of the memory allowed are left beside the program and what a scene holds all the time."""
    fixed = scene.calibration
    arrays = (fixed.dark, fixed.bias, fixed.glow, fixed.defects, fixed.flat)
    # what is added to the frames, and what their noise goes by
    held = sum(a.nbytes for a in arrays if a is not None) + 4 * scene.matching.offsets.nbytes
    if scene.land is not None:
        held += scene.land.nbytes
    held += 4 * scene.shape[0] * scene.shape[1] + len(scene.frames) * scene.frames[0].grids[0].shift.nbytes
    return (memory_mb - PROGRAM_MB) * 1_000_000 - held


def cut_picture(scene: Scene, memory_mb: int, threads: int) -> Cut:
    """The tiles of a scene, for which so many threads have room.

    Raises
    ------
    SceneError
        Where the frames do not fit into the memory allowed.
    """

    def side(margin: int) -> int:
        return side_of_tiles(scene, memory_mb, threads, margin)

    windows = cut(scene.shape, side(GROW_MARGIN))
    if scene.land is not None and scene.land.replaced:
        windows = cut_at_land(windows, scene.land, len(scene.frames))
    restless = scene.matching.restless
    return cut_at_unrest(windows, restless, scene.shape, side) if restless.any() else Cut(windows, [])


def with_unrest(
    scene: Scene,
    windows: Sequence[Window],
    folder: Path,
    pool: ThreadPoolExecutor,
    threads: int,
    tell: Callable[[], None] = lambda: None,
) -> Scene:
    """The scene with the blocks of its restless sky, as these windows show them; kept in a file in the folder."""
    if not windows:
        return scene

    def parts() -> Iterator[tuple[tuple[int, int], NDArray[np.int64], Blocks]]:
        for part in in_order(pool, lambda w, s: tell_window(scene, w, s), windows, threads):
            yield part
            tell()

    return replace(scene, unrest=blocks_on_disk(parts(), scene.colours, len(scene.frames), scene.shape, folder))


def make_tiles(scene: Scene, windows: Sequence[Window], pool: ThreadPoolExecutor, threads: int) -> Iterator[Tile]:
    """Make tiles, in the order of their windows."""
    return in_order(pool, lambda w, s: make_tile(scene, w, s), windows, threads)


def with_lights(scene: Scene, pool: ThreadPoolExecutor, threads: int) -> Scene:
    """The scene with the light of its meteors, as small tiles along them show it."""
    if not scene.meteors:
        return scene

    def shows_one(window: Window) -> bool:
        origin, shape = (window.top, window.left), (window.height, window.width)
        for meteor in scene.meteors:
            frame = scene.frames[meteor.number]
            if reaches(meteor, meteors.reach_of(meteor), frame, origin, shape):
                places = frame_positions(frame, origin, shape)
                if meteors.share_of(meteor, *places).any():
                    return True
        return False

    strips: list[list[meteors.Strip]] = [[] for _ in scene.meteors]
    for tile in make_tiles(scene, [w for w in cut(scene.shape, LIGHT_SIDE) if shows_one(w)], pool, threads):
        for number, strip in tile.strips:
            strips[number].append(strip)
    lights = [meteors.light_of(m, found, scene.colours) for m, found in zip(scene.meteors, strips, strict=True)]
    return replace(scene, lights=tuple(lights))


def _shared(inputs: Inputs, matching: Matching, shape: tuple[int, int]) -> figures.SharedDark:
    """What the noise of the masters leaves in the result."""
    c = inputs.calibration
    of_frames = [c.masters(frame.dark_scale) or [(0.0, 0.0)] * 2 for frame in inputs.frames]
    total = figures.SharedDark(0.0, 0.0)
    for which in range(max(len(masters) for masters in of_frames)):
        pairs = [masters[which] if which < len(masters) else (0.0, 0.0) for masters in of_frames]
        variance = max(v for _, v in pairs)
        part = figures.shared_dark(inputs.frames, matching.weights, [f for f, _ in pairs], variance, shape)
        total = figures.SharedDark(total.mean + part.mean, total.hidden + part.hidden)
    return total


def _checked(
    scene: Scene, samples: Sequence[Window], pool: ThreadPoolExecutor, threads: int
) -> tuple[Scene, NDArray[np.float64]]:
    """The scene with its noise model brought to what a sample of windows shows."""
    n = len(scene.frames)
    if n < 2:
        return scene, np.ones(n)

    def look(scene: Scene) -> tuple[list[Check], list[NDArray[np.float32]], PhotonTransfer | None]:
        checks = list(in_order(pool, lambda w, s: check_window(scene, w, s), samples, threads))
        if scene.lit:
            ratios = of_the_quiet([c.ratios for c in checks])
        else:
            ratios = [np.concatenate([c.ratios[k] for c in checks]) for k in range(n)]
        return checks, ratios, transfer_of(np.concatenate([c.points for c in checks]), n, scene.lit)

    checks, ratios, told = look(scene)
    by_pairs = scene.matching.transfer.measured
    matching, factors = corrected(scene.matching, ratios, scene.lit, by_pairs)
    last = factors
    uneven = matching.unlike is not None and matching.unlike.varies(UNEVEN)
    for _ in range(LOOKS_AGAIN if uneven else 0):
        if abs(np.median(last) - 1) < SETTLED:
            break
        # its floor says how a frame's noise goes from place to place, and was another
        checks, ratios, _ = look(replace(scene, matching=matching))
        matching, last = corrected(matching, ratios, scene.lit, by_pairs)
        factors = factors * last
    if told is not None and not matching.transfer.measured and (scene.lit or np.median(factors) < CROWDED):
        scales, gains = np.array([f.flux_scale for f in scene.frames]), gains_of(scene.frames, scene.reference)
        # what demosaicing mixes goes by the colours' noise, too: once more with what was told
        for _ in range(2):
            known = with_transfer(matching, told, scales, gains)
            scene = replace(scene, matching=known)
            if not scene.planes:
                mixed = interpolation_factors(scene.frames[0].header.cfa, known, scene.frames[0].balance)
                scene = replace(scene, factor=mixed[0], block_factor=mixed[1])
            checks, ratios, again = look(scene)
            told = again or told
        if scene.lit:
            # a robust line lies below the mean of variances, which are skewed
            matching, factors = corrected(scene.matching, ratios, scene.lit)
        else:
            matching = with_transfer(matching, told, scales, gains)
    scatter = [star_scatter(np.concatenate([c.scatters[k] for c in checks]), n) for k in range(scene.colours)]
    return replace(scene, matching=matching, star_scatter=np.array(scatter, np.float32)), factors
