"""The step `combine`: every kept frame of a scene into one picture, with its noise, coverage and rejections."""

from __future__ import annotations

import argparse
import logging
import math
import queue
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.config import load_trip
from pipeline.console import Progress, project_argument, run_step
from pipeline.errors import InputError, SceneError
from pipeline.files import replacing, shown, write_json
from pipeline.pixels.average import noise_plan
from pipeline.pixels.background import Survey, block_size, survey_mosaic
from pipeline.pixels.noise import BLOCK
from pipeline.pixels.resample import block_variance, interpolation_variance
from pipeline.plan import ScenePlan, read_scene
from pipeline.sensor.calibrate import dark_signal
from pipeline.sensor.demosaic import NEUTRAL, Balance, response, usable_balance
from pipeline.sensor.demosaic import colours as colour_count
from pipeline.sensor.flats import block_response
from pipeline.sensor.master import unusable
from pipeline.sensor.mosaic import MosaicHeader, colour_planes
from pipeline.sky.geometry import Geometry
from pipeline.sky.wcs import wcs_header
from pipeline.stack import figures, sizes
from pipeline.stack.matching import SCATTER_DEFAULT, Matching, corrected, match_frames, star_scatter
from pipeline.stack.output import CombinedWriter
from pipeline.stack.sources import Calibration, Frame, Mosaics, Scratch, frame_grids, green_grids
from pipeline.stack.tiles import Scene, check_window, cut, make_tile, sample_windows, tile_side
from pipeline.tables import read_table, row_values

log = logging.getLogger("moonless.combine")

# What Python, the libraries and the loops' machine code take before any pixel is there, MB (measured: 190-230).
PROGRAM_MB = 240


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step from the command line."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.combine", description=__doc__)
    project_argument(parser)
    parser.add_argument("--scene", type=Path, required=True, metavar="SCENE.json", help="the scene, from the plan")
    parser.add_argument("--verdicts", type=Path, required=True, metavar="VERDICTS.ecsv")
    parser.add_argument("--geometry", type=Path, required=True, metavar="GEOMETRY.json")
    parser.add_argument("--calibration", type=Path, required=True, metavar="CALIBRATION.ecsv")
    parser.add_argument("--defects", type=Path, metavar="DEFECTS.fits", help="the scene's map of defective pixels")
    parser.add_argument("--master", type=Path, metavar="MASTER.fits", help="master dark, where one matches")
    parser.add_argument("--bias", type=Path, metavar="BIAS.fits", help="master bias, where one matches")
    parser.add_argument("--flat", type=Path, metavar="FLAT.fits", help="master flat, where one matches")
    parser.add_argument("--mosaics", type=Path, nargs="+", required=True, metavar="DIR", help="folders of mosaics")
    parser.add_argument("--out", type=Path, required=True, metavar="COMBINED.fits")
    parser.add_argument("--figures", type=Path, required=True, metavar="COMBINE.json")
    parser.add_argument("--threads", type=_positive, default=1, metavar="N", help="threads over tiles")
    return run_step("combine", parser, _work, argv)


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"must be at least 1 (got {number})")
    return number


def _work(arguments: argparse.Namespace) -> None:
    trip = load_trip(arguments.project)
    plan = read_scene(arguments.scene)
    geometry = Geometry.load(arguments.geometry)
    paths = kept_mosaics(plan, arguments.verdicts, geometry, arguments.mosaics)
    inputs = read_inputs(plan, paths, geometry, arguments)
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
            progress=progress,
        )
        write_json(arguments.figures, content)


# ---- what goes in ---------------------------------------------------------------------------------------------------


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


def kept_mosaics(plan: ScenePlan, verdicts: Path, geometry: Geometry, folders: Sequence[Path]) -> dict[str, Path]:
    """The mosaics to combine, by frame id in order of time.

    Raises
    ------
    SceneError
        Where nothing is left, or the reference is not among them.
    """
    table = read_table(verdicts)
    if not {"frame", "verdict"} <= set(table.colnames):
        raise InputError(f"{shown(verdicts)}: has no columns 'frame' and 'verdict'; run judge again")
    kept = {str(row["frame"]) for row in table if str(row["verdict"]) == "kept"}
    paths = {}
    for frame in sorted(kept & set(geometry.frames)):
        path = next((folder / f"{frame}.fits" for folder in folders if (folder / f"{frame}.fits").is_file()), None)
        if path is None:
            log.warning("%s: its mosaic is not there and it is left out", frame)
        else:
            paths[frame] = path
    if not paths:
        raise SceneError(f"{plan.scene}: no frame was kept and placed; there is nothing to combine")
    if geometry.reference not in paths:
        raise SceneError(
            f"{plan.scene}: the reference frame {geometry.reference} is not among the kept; run register again"
        )
    return paths


def read_inputs(plan: ScenePlan, paths: dict[str, Path], geometry: Geometry, arguments: argparse.Namespace) -> Inputs:
    """Open every mosaic, and read what calibrates them."""
    factors = _factors(arguments.calibration)
    mosaics = Mosaics(list(paths.values()))
    reference = list(paths).index(geometry.reference)
    shape, cfa = mosaics[reference].shape, mosaics[reference].header.cfa
    # the reference's: a camera on automatic white balance may give every frame another
    balance = usable_balance(mosaics[reference].header.white_balance)
    frames = []
    for number, frame in enumerate(paths):
        mosaic = mosaics[number]
        if mosaic.shape != shape or mosaic.header.cfa != cfa:
            raise SceneError(
                f"{frame}: has {mosaic.shape[1]} x {mosaic.shape[0]} pixels {mosaic.header.cfa}, the reference "
                f"{shape[1]} x {shape[0]} {cfa}; give it a scene of its own"
            )
        scale, offset = factors.get(frame, (1.0, 0.0))
        flux = geometry.frames[frame].flux_scale
        if flux is None or not math.isfinite(flux) or flux <= 0:
            if frame != geometry.reference:
                log.warning("%s: its brightness against the reference is not known; taken as the same", frame)
            flux = 1.0
        grids = frame_grids(geometry, frame, shape, colour_count(cfa))
        green = green_grids(geometry, frame, shape) if len(grids) > 1 else None
        frames.append(Frame(frame, mosaic.header, shape, float(flux), scale, offset, grids, balance, green))
    return Inputs(plan.scene, frames, mosaics, _read_calibration(arguments, shape), reference)


def _factors(path: Path) -> dict[str, tuple[float, float]]:
    table = read_table(path)
    names = ("frame", "dark_scale", "dark_offset")
    if not set(names) <= set(table.colnames):
        raise InputError(f"{shown(path)}: has no columns {', '.join(names)}; run dark again")
    result = {}
    for row in table:
        values = row_values(row, names)
        scale, offset = values["dark_scale"], values["dark_offset"]
        result[str(values["frame"])] = (
            1.0 if scale is None else float(scale),
            0.0 if offset is None else float(offset),
        )
    return result


def _read_calibration(arguments: argparse.Namespace, shape: tuple[int, int]) -> Calibration:
    dark, variance = _read_master(arguments.master, shape)
    bias, bias_variance = _read_master(arguments.bias, shape)
    if dark is not None and bias is not None:
        dark -= bias
    defects = None
    if arguments.defects is not None:
        with _open(arguments.defects) as hdus:
            defects = _plane(hdus, _first_image(hdus), arguments.defects, shape, np.uint8)
    flat, _ = _read_master(arguments.flat, shape)
    brightest = 1.0 if flat is None else float(np.percentile(flat[::8, ::8], 99.5))
    return Calibration(dark, variance, defects, flat, bias, bias_variance, brightest)


def _read_master(path: Path | None, shape: tuple[int, int]) -> tuple[NDArray[np.float32] | None, float]:
    """A master's mean and the variance of a pixel of it; None where none is given or none of its frames was usable."""
    if path is None:
        return None, 0.0
    with _open(path) as hdus:
        if unusable(hdus[0].header) is not None:
            return None, 0.0
        mean = _plane(hdus, 0, path, shape, np.float32)
        if "NOISE" not in hdus:
            return mean, 0.0
        return mean, float(np.median(np.asarray(hdus["NOISE"].data, np.float32)[::4, ::4]) ** 2)


def _open(path: Path) -> fits.HDUList:
    try:
        return fits.open(path, memmap=True)
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such file; run dark first") from None
    except OSError as error:
        raise InputError(f"{shown(path)}: not a readable FITS file ({error}); run dark again") from error


def _first_image(hdus: fits.HDUList) -> int:
    return next((n for n, hdu in enumerate(hdus) if hdu.header.get("NAXIS", 0) == 2), 0)


def _plane(hdus: fits.HDUList, which: int, path: Path, shape: tuple[int, int], dtype: type) -> NDArray[Any]:
    data = hdus[which].data
    if data is None or data.shape != shape:
        size = "no picture" if data is None else f"{data.shape[-1]} x {data.shape[-2]} pixels"
        raise InputError(f"{shown(path)}: holds {size}, the frames {shape[1]} x {shape[0]}; run dark again")
    return np.ascontiguousarray(data, dtype)


# ---- the work -------------------------------------------------------------------------------------------------------


def combine(
    inputs: Inputs,
    path: Path,
    geometry: Any,
    *,
    threads: int = 1,
    memory_mb: int = 1200,
    clip_sigma: float = 3.0,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Write the combined picture to `path` and return the figures for `combine.json`.

    Raises
    ------
    SceneError
        Where the frames do not fit into the memory allowed.
    """
    shape, colours, n = inputs.shape, colour_count(inputs.cfa), len(inputs.frames)
    with ThreadPoolExecutor(threads) as pool:
        surveys = list(pool.map(lambda k: _survey(inputs, k), range(n)))
    dark_variance = [inputs.calibration.variance(frame.dark_scale) for frame in inputs.frames]
    matching = match_frames(
        surveys,
        [frame.grids[len(frame.grids) // 2] for frame in inputs.frames],
        [frame.flux_scale for frame in inputs.frames],
        [frame.header.cfa for frame in inputs.frames],
        inputs.reference,
        shape,
        dark_variance,
    )
    shared = _shared(inputs, matching, shape)
    factor, block_factor = interpolation_factors(inputs.cfa, matching, inputs.frames[inputs.reference].balance)
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
        noise_plan(n),
        clip_sigma,
        star_scatter=SCATTER_DEFAULT,
    )
    with ThreadPoolExecutor(threads) as pool:
        scene, factors = _checked(scene, pool, threads)
    matching = scene.matching
    fixed = inputs.calibration
    held = sum(a.nbytes for a in (fixed.dark, fixed.bias, fixed.defects, fixed.flat, matching.offsets) if a is not None)
    held += 4 * shape[0] * shape[1] + n * inputs.frames[0].grids[0].shift.nbytes
    budget = (memory_mb - PROGRAM_MB) * 1_000_000 - held
    side = tile_side(n, colours, budget // threads)
    windows = cut(shape, side)
    if progress is not None:
        progress.total = len(windows)
    reference = inputs.frames[inputs.reference]
    header = result_header(reference.header, inputs.frames, geometry, inputs.scene, fixed.response_max)
    noise_header = fits.Header([("EXTNAME", "NOISE"), ("BUNIT", "adu", "standard deviation over blocks")])
    coverage, rejected = np.empty(shape, np.uint16), np.empty(shape, np.uint16)
    gathered = figures.Gathered(shape, scene.plan.rows, len(scene.plan.pairs), n)
    with CombinedWriter(path, shape, header, noise_header) as writer, ThreadPoolExecutor(threads) as pool:
        for tile in _in_order(pool, lambda w, s: make_tile(scene, w, s), windows, threads):
            w = tile.window
            writer.write(0, w.top, w.left, tile.picture)
            writer.write(1, w.top, w.left, tile.noise)
            coverage[w.top : w.top + w.height, w.left : w.left + w.width] = tile.coverage
            rejected[w.top : w.top + w.height, w.left : w.left + w.width] = tile.rejected
            gathered.add(tile)
            if progress is not None:
                progress.advance()
        writer.finish(coverage, rejected)
    del coverage, rejected
    content = figures.figures(inputs.frames, inputs.reference, scene, gathered, shared)
    content |= sizes.compare(inputs.mosaics[inputs.reference], reference, inputs.calibration, path)
    content["bunit"] = "adu"
    content["star_scatter"] = scene.star_scatter
    for frame, factor in zip(inputs.frames, factors, strict=True):
        content["frames"][frame.id]["noise_correction"] = float(factor)
    return content


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


def _survey(inputs: Inputs, number: int) -> Survey:
    frame, c = inputs.frames[number], inputs.calibration
    dark, scale = dark_signal(c.dark, c.bias, frame.dark_scale)
    survey = survey_mosaic(
        inputs.mosaics[number].stored,
        frame.header.black,
        dark,
        scale,
        frame.dark_offset,
        c.defects,
        frame.header.saturation,
        block_size(frame.shape),
    )
    if c.flat is None:
        return survey
    return replace(survey, response=block_response(c.flat, survey.block))


def _checked(scene: Scene, pool: ThreadPoolExecutor, threads: int) -> tuple[Scene, NDArray[np.float64]]:
    """The scene with its noise model brought to what a sample of windows shows."""
    n = len(scene.frames)
    if n < 2:
        return scene, np.ones(n)
    # windows of all frames take as much memory as small tiles; a quarter of a million pixels a frame is enough
    windows = list(sample_windows(scene.shape, 128 if n <= 256 else 64))
    checks = list(_in_order(pool, lambda w, s: check_window(scene, w, s), windows, threads))
    matching, factors = corrected(scene.matching, [np.concatenate([c.ratios[k] for c in checks]) for k in range(n)])
    scatter = star_scatter(np.concatenate([c.scatters for c in checks]), n)
    return replace(scene, matching=matching, star_scatter=scatter), factors


def _in_order(
    pool: ThreadPoolExecutor, work: Callable[[Any, Scratch], Any], items: Sequence[Any], threads: int
) -> Iterator[Any]:
    """Results in the order of the items, at most two a thread in work or waiting, each with a thread's own scratch."""
    spare: queue.SimpleQueue[Scratch] = queue.SimpleQueue()
    for _ in range(threads):
        spare.put(Scratch())

    def run(item: Any) -> Any:
        scratch = spare.get()
        try:
            return work(item, scratch)
        finally:
            spare.put(scratch)

    waiting: list[Any] = []
    for item in items:
        waiting.append(pool.submit(run, item))
        if len(waiting) >= 2 * threads:
            yield waiting.pop(0).result()
    for future in waiting:
        yield future.result()


def interpolation_factors(
    cfa: str, matching: Matching, balance: Balance = NEUTRAL
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What demosaicing and resampling make of a mosaic pixel's variance: (colours, 256) by `noise_code`, (colours,) for
    the means over blocks by which noise is defined.

    The other colours' pixels come in with their own variance: the median frame's ratio at its sky.
    """
    count = colour_count(cfa)
    places = np.zeros((2, 2), np.int64)
    if count == 3:
        for number, colour in enumerate("RGB"):
            for i, j in colour_planes(cfa)[colour]:
                places[i, j] = number
    variance = matching.sky_variance
    ratio = np.median(variance[:, None, :] / variance[:, :, None], axis=0)  # [c, d] of colour d over colour c
    kernels = response(cfa, balance)
    single = np.einsum("cdk,cd->ck", interpolation_variance(kernels, places), ratio)
    block = np.einsum("cd,cd->c", block_variance(kernels, places, BLOCK), ratio)
    return single.astype(np.float32), block.astype(np.float32)


def result_header(
    reference: MosaicHeader, frames: Sequence[Frame], geometry: Any, scene: str, response_max: float = 1.0
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


def saturation(frames: Sequence[Frame], response_max: float = 1.0) -> float:
    """The lowest level at which a frame's full pixels stand in the result's scale, ADU above black."""
    least = min(f.flux_scale * (f.header.saturation - max(f.header.black) - f.dark_offset) for f in frames)
    return float(least / response_max)


if __name__ == "__main__":
    sys.exit(main())
