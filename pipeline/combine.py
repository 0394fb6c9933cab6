"""The step `combine`: every kept frame of a scene into one picture, with its noise, coverage and rejections."""

from __future__ import annotations

import argparse
import logging
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.config import CombineSettings, load_trip
from pipeline.console import Progress, run_step
from pipeline.errors import InputError
from pipeline.files import is_named, read_json, replacing, shown, write_json
from pipeline.pixels.bounds import FULL as SHARE_FULL
from pipeline.pixels.noise import BLOCK
from pipeline.plan import TRAILS_FITS, ScenePlan, read_scene
from pipeline.scene.inputs import input_arguments, kept_mosaics, listed_streaks, read_inputs
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sky import times
from pipeline.sky.geometry import Geometry
from pipeline.sky.wcs import wcs_header
from pipeline.skyline.hold import TRACKED, Hold
from pipeline.skyline.moving import moving_land
from pipeline.stack import figures, sizes
from pipeline.stack.bands import Band
from pipeline.stack.circle import lit_blocks
from pipeline.stack.groundfile import FULL, GroundFile, read_ground, read_moving
from pipeline.stack.land import REACH_PX, Land, land_in
from pipeline.stack.meteors import meteors_of, without_strays
from pipeline.stack.nodes import NODES_REACH
from pipeline.stack.output import CombinedWriter
from pipeline.stack.passes import passes_of
from pipeline.stack.sources import Frame, Inputs
from pipeline.stack.trails import star_trails
from pipeline.stack.whole import cut_picture, make_ready, make_tiles, room_beside, with_lights, with_unrest

log = logging.getLogger("moonless.combine")

# That looking for rings takes, about.
RINGS_BYTES = 200_000_000


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step from the command line."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.combine", description=__doc__)
    input_arguments(parser)
    parser.add_argument(
        "--ground", type=Path, metavar="GROUND.fits", help="the scene's ground, where it was looked for"
    )
    parser.add_argument("--ground-figures", type=Path, metavar="GROUND.json", help="what was told of it")
    parser.add_argument("--out", type=Path, required=True, metavar="COMBINED.fits")
    parser.add_argument("--figures", type=Path, required=True, metavar="COMBINE.json")
    return run_step("combine", parser, _work, argv)


def _work(arguments: argparse.Namespace) -> None:
    trip = load_trip(arguments.project)
    plan = read_scene(arguments.scene)
    geometry = Geometry.load(arguments.geometry)
    paths = kept_mosaics(plan, arguments.verdicts, geometry, arguments.mosaics)
    inputs = read_inputs(plan, paths, geometry, arguments, trip.combine.vignetting)
    streaks = _streaks(arguments)
    meteors = _meteors(plan, inputs, streaks, trip.combine)
    with (
        Progress(arguments.project, "combine", plan.scene, 1, plan.scene) as progress,
        replacing(arguments.out) as temporary,
    ):
        content = combine(
            inputs,
            temporary,
            geometry,
            threads=arguments.threads,
            memory_mb=trip.limits.memory_mb,
            clip_sigma=trip.combine.clip_sigma,
            for_stars=trip.combine.weights == "stars",
            progress=progress,
            land=read_land(arguments, inputs, geometry),
            meteors=meteors,
            passes=passes_of(inputs.frames, streaks, meteors),
            ground=_whole_ground(arguments.ground),
        )
        content["star_trails"] = trip.combine.star_trails and write_trails(arguments, plan, inputs, geometry)
        if not content["star_trails"]:
            (arguments.out.parent / TRAILS_FITS).unlink(missing_ok=True)
        content["meteors"] = [{"frame": inputs.frames[m.number].id, "ends": list(m.ends)} for m in meteors]
        told = geometry.learned.get("vignetting") or {}
        content["vignetting"] = {**told, "corrected": inputs.calibration.flat is not None and arguments.flat is None}
        write_json(arguments.figures, content)


def write_trails(arguments: argparse.Namespace, plan: ScenePlan, inputs: Inputs, geometry: Geometry) -> bool:
    """Write the picture of the star trails beside the combined one; whether there is one."""
    planned = {frame.id: frame for frame in plan.frames}
    moments = [times.parse(planned[frame.id].taken) for frame in inputs.frames]
    exposures = [planned[frame.id].exposure_s for frame in inputs.frames]
    told: dict[str, Any] = {} if arguments.ground_figures is None else read_json(arguments.ground_figures)
    if told.get("hold", {}).get("kind") == TRACKED:
        log.info("%s: no star trails: a tracker followed the sky", plan.scene)
        return False
    begins = [(moment - moments[0]).total_seconds() for moment in moments if moment and moments[0]]
    lengths = [exposure for exposure in exposures if exposure]
    if len(begins) < len(moments) or len(lengths) < len(moments):
        log.warning("%s: no star trails: the frames' times or exposures are not all known", plan.scene)
        return False
    middles = np.add(begins, np.divide(lengths, 2))
    if (np.diff(begins) <= 0).any() or (np.diff(middles) <= 0).any():
        log.warning("%s: no star trails: the frames' times say that some were taken at the same time", plan.scene)
        return False
    ground = None if arguments.ground is None else read_ground(arguments.ground)
    mask = None if ground is None else ground.mask / np.float32(FULL)
    planes = star_trails(inputs, geometry, begins, lengths, mask, arguments.threads)
    reference = inputs.frames[inputs.reference]
    header = result_header(reference.header, inputs.frames, geometry, inputs.scene, inputs.calibration.response_max)
    full = min(_full_level(frame) for frame in inputs.frames) / inputs.calibration.response_max
    header["SATURATE"] = (full, header.comments["SATURATE"])
    header["TRAILS"] = (True, "maximum over the frames as they stand, gaps filled")
    whole = np.broadcast_to(planes, (3, *planes.shape[1:])).astype(">f4")
    with replacing(arguments.out.parent / TRAILS_FITS) as temporary:
        fits.PrimaryHDU(whole, header).writeto(temporary, overwrite=True)
    return True


def _streaks(arguments: argparse.Namespace) -> dict[str, list[dict[str, Any]]]:
    """The streaks listed of each frame; lights on land and edges of land that moves are none."""
    of_land: dict[str, list[int]] = {}
    if arguments.ground_figures is not None:
        of_land = read_json(arguments.ground_figures).get("streaks_of_land") or {}
    return {
        name: [streak for streak in listed if streak.get("number") not in of_land.get(name, ())]
        for name, listed in listed_streaks(arguments.verdicts).items()
    }


def _meteors(
    plan: ScenePlan, inputs: Inputs, streaks: dict[str, list[dict[str, Any]]], settings: CombineSettings
) -> list[Band]:
    """The streaks that are to stay in the picture."""
    named = frozenset(
        frame.id for frame in plan.frames if is_named(frame.shown, settings.meteor_frames, (frame.id, frame.file))
    )
    kept = meteors_of(inputs.frames, streaks, named, settings.meteors == "keep")
    held = {inputs.frames[band.number].id for band in kept}
    for frame in plan.frames:
        if frame.id in named - held:
            log.warning("%s: combine.meteor_frames names %s, of which no streak is kept", plan.scene, frame.shown)
    return kept


def read_land(arguments: argparse.Namespace, inputs: Inputs, geometry: Geometry) -> Land | None:
    """Where the frames show land, as the step `ground` told it; None where there is none.

    Raises
    ------
    InputError
        Where its files do not fit the frames.
    """
    if arguments.ground is None:
        return None
    ground, moving = read_ground(arguments.ground), read_moving(arguments.ground)
    if ground is None and not moving:
        return None
    try:
        hold = Hold.from_json(geometry.beyond(NODES_REACH), read_json(arguments.ground_figures)["hold"])
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{arguments.ground_figures}: does not tell how the camera stood ({error}); run ground again"
        ) from None
    if moving:
        return moving_land(moving, hold.geometry, hold, inputs.frames)
    if ground is None or ground.mask.shape != inputs.shape:
        raise InputError(f"{shown(arguments.ground)}: is of other frames; run ground again")
    return land_in(ground.mask / np.float32(FULL), hold.geometry, hold, inputs.frames)


def _whole_ground(path: Path | None) -> GroundFile | None:
    """The picture of the ground, where it reaches as far as the ground does and that stays in its place."""
    ground = None if path is None or read_moving(path) else read_ground(path)
    return ground if ground is not None and ground.is_whole(REACH_PX) else None


def combine(
    inputs: Inputs,
    path: Path,
    geometry: Any,
    *,
    threads: int = 1,
    memory_mb: int = 1200,
    clip_sigma: float = 3.0,
    for_stars: bool = False,
    progress: Progress | None = None,
    land: Land | None = None,
    meteors: Sequence[Band] = (),
    passes: Sequence[Band] = (),
    ground: GroundFile | None = None,
) -> dict[str, Any]:
    """Write the combined picture to `path` and return the figures for `combine.json`.

    Where every frame shows land, it is as `ground` has it, the picture of the land: read from there, not made again.

    Raises
    ------
    SceneError
        Where the frames do not fit into the memory allowed.
    """
    inputs = without_strays(inputs, meteors)
    shape, n = inputs.shape, len(inputs.frames)
    progress = Progress(None, "combine", inputs.scene) if progress is None else progress
    if land is not None and ground is not None:
        land = replace(land, replaced=True)
    progress.total = 4 * n  # reading every frame once takes about a quarter of the time
    ready = make_ready(inputs, clip_sigma, threads, for_stars, land, tell=progress.advance)
    scene = replace(ready.scene, meteors=tuple(meteors), passes=tuple(passes))
    windows = cut_picture(scene, memory_mb, threads)
    tile_share = 3 * n / (len(windows.before) + len(windows.tiles))
    reference = inputs.frames[inputs.reference]
    header = result_header(reference.header, inputs.frames, geometry, inputs.scene, inputs.calibration.response_max)
    noise_header = fits.Header([("EXTNAME", "NOISE"), ("BUNIT", "adu", "standard deviation over blocks")])
    coverage, rejected = np.empty(shape, np.uint16), np.empty(shape, np.uint16)
    lit = lit_blocks(scene.matching.sky, shape, getattr(geometry, "camera", None))
    gathered = figures.Gathered(shape, scene.plan.rows, len(scene.plan.pairs), n, lit)
    with CombinedWriter(path, shape, header, noise_header) as writer, ThreadPoolExecutor(threads) as pool:
        scene = with_unrest(scene, windows.before, path.parent, pool, threads, partial(progress.advance, tile_share))
        scene = with_lights(scene, pool, threads)
        for tile in make_tiles(scene, windows.tiles, pool, threads):
            w = tile.window
            if ground is not None:
                ground.fill(tile)
            writer.write(0, w.top, w.left, tile.picture)
            writer.write(1, w.top, w.left, tile.noise)
            w.of(coverage)[:], w.of(rejected)[:] = tile.coverage, tile.rejected
            gathered.add(tile)
            progress.advance(tile_share)
        # beside what one core does alone at the end, where there is room: of 60 megapixels there is not
        measured = partial(sizes.reference_stars, inputs.mosaics[inputs.reference], reference, inputs.calibration)
        beside = room_beside(scene, memory_mb) >= RINGS_BYTES + sizes.BYTES_PER_PIXEL * shape[0] * shape[1]
        stars = pool.submit(measured) if beside else None
        told = pool.submit(figures.figures, scene, gathered, ready.shared)
        full = SHARE_FULL * header["SATURATE"]
        # the ground's picture stays as it is: no frame shows the sky there
        writer.fill_rings(coverage > 0, reference.balance, full, colours=scene.colours, threads=threads)
        content = told.result()
        content["noise_scale"] = figures.noise_scale(content)
        if content["noise_scale"] != 1.0:
            writer.scale_noise(content["noise_scale"])
        writer.finish(coverage, rejected)
    content["one_frame_share"] = one_frame_share(coverage, lit) if n > 1 else None
    del coverage, rejected
    content |= sizes.compare(measured() if stars is None else stars.result(), reference.shape, path)
    content["reference"] = reference.id
    content["bunit"] = "adu"
    content["star_scatter"] = [float(v) for v in scene.star_scatter]
    for frame, factor in zip(inputs.frames, ready.factors, strict=True):
        content["frames"][frame.id]["noise_correction"] = float(factor)
    return content


def one_frame_share(coverage: NDArray[np.uint16], lit: NDArray[np.bool_] | None) -> float | None:
    """Share of the picture's pixels with a value that one frame alone shows, to four digits; None where none has one.

    Parameters
    ----------
    coverage : (height, width) uint16 array, how many frames show each pixel
    lit : as of `circle.lit_blocks`; what lies about a fisheye's circle is no sky that a frame could show
    """
    shown = alone = 0
    for row, numbers in enumerate(coverage):
        if lit is not None:
            numbers = numbers[np.repeat(lit[row // BLOCK], BLOCK)[: len(numbers)]]
        shown += int(np.count_nonzero(numbers))
        alone += int(np.count_nonzero(numbers == 1))
    return round(alone / shown, 4) if shown else None


def result_header(
    reference: MosaicHeader, frames: Sequence[Frame], geometry: Any, scene: str, response_max: float
) -> fits.Header:
    """The header of `combined.fits`: the reference's camera and colours, what was combined, and where the sky is."""
    header = fits.Header()
    header["BUNIT"] = ("adu", "above black; camera's own colours, sky kept")
    header["OBJECT"] = scene
    for card in reference.cards().cards:
        if card.keyword in ("BAYERPAT", "XBAYROFF", "YBAYROFF", "FRAMEID", "SATURATE", "MASKMEAN", "EXPTIME"):
            continue
        if not card.keyword.startswith("BLACK"):
            header.append(card)
    header["COLORTYP"] = ("MONO" if reference.cfa == "MONO" else "RGB", "planes: red, green, blue; or one, thrice")
    header["BLACK"] = (0.0, "[adu] black level of the values")
    header["SATURATE"] = (saturation(frames, response_max), "[adu] above black; full from here on")
    exposures = [frame.header.exposure_s for frame in frames]
    if all(e is not None for e in exposures):
        header["EXPTIME"] = (float(sum(e for e in exposures if e is not None)), "[s] all frames together")
    header["NFRAMES"] = (len(frames), "frames combined")
    header["REFFRAME"] = (reference.frame, "frame whose pixel grid this is")
    if geometry.solved:
        for card in wcs_header(geometry).cards:
            header.append(card)
    return header


def saturation(frames: Sequence[Frame], response_max: float) -> float:
    """The lowest level at which a frame's full pixels stand in the result's scale, ADU above black."""
    return float(min(f.flux_scale * _small_area(f) * _full_level(f) for f in frames) / response_max)


def _full_level(frame: Frame) -> float:
    """The level of a frame's full pixels as it stands, ADU above black."""
    return float(frame.header.saturation - max(frame.header.black) - frame.dark_offset)


def _small_area(frame: Frame) -> float:
    """What a frame's values are multiplied by where one of its pixels covers most; the outermost corners left out."""
    return min(float(np.percentile(frame.area, 5)), 1.0)


if __name__ == "__main__":
    sys.exit(main())
