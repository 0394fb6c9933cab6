"""The frames of a scene, opened, and what calibrates them: what the steps `ground` and `combine` work on."""

from __future__ import annotations

import argparse
import json
import logging
import math
import statistics
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.console import project_argument
from pipeline.errors import InputError, SceneError
from pipeline.files import shown
from pipeline.plan import ScenePlan
from pipeline.scene.decoded import find_path
from pipeline.sensor.demosaic import NEUTRAL, Balance, usable_balance
from pipeline.sensor.demosaic import colours as colour_count
from pipeline.sensor.levels import settled_saturation
from pipeline.sensor.master import is_dark, unusable
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sensor.patternfile import read_banding, read_dark_glow, read_pattern
from pipeline.sky.geometry import Geometry
from pipeline.sky.vignetting import response
from pipeline.stack.nodes import NODES_REACH
from pipeline.stack.sources import Calibration, Frame, Inputs, Mosaics, frame_grids, green_grids
from pipeline.tables import read_table, rows_of

log = logging.getLogger("moonless.inputs")

# Frames set aside for one of these show no land worth having; stars that trail and cloud do it no harm.
USELESS = frozenset({"unreadable", "damaged", "out of focus", "overexposed", "different camera or settings", "by hand"})


def input_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that name a scene's files, and the number of threads."""
    project_argument(parser)
    parser.add_argument("--scene", type=Path, required=True, metavar="SCENE.json", help="the scene, from the plan")
    parser.add_argument("--verdicts", type=Path, required=True, metavar="VERDICTS.ecsv")
    parser.add_argument("--geometry", type=Path, required=True, metavar="GEOMETRY.json")
    parser.add_argument("--calibration", type=Path, required=True, metavar="CALIBRATION.ecsv")
    parser.add_argument("--defects", type=Path, metavar="DEFECTS.fits", help="the scene's map of defective pixels")
    parser.add_argument("--master", type=Path, metavar="MASTER.fits", help="master dark, where one matches")
    parser.add_argument("--bias", type=Path, metavar="BIAS.fits", help="master bias, or that of colder darks")
    parser.add_argument("--flat", type=Path, metavar="FLAT.fits", help="master flat, where one matches")
    parser.add_argument("--mosaics", type=Path, nargs="+", required=True, metavar="DIR", help="folders of mosaics")
    parser.add_argument("--threads", type=_positive, default=1, metavar="N", help="threads over tiles")


def _positive(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"must be at least 1 (got {number})")
    return number


def showing_land(verdicts: Path) -> list[str]:
    """Ids of the frames that show land: those kept, and those set aside for what does it no harm.

    Raises
    ------
    InputError
        Where the verdicts are not what judge writes.
    """
    table = read_table(verdicts)
    names = ("frame", "verdict", "reasons")
    if not set(names) <= set(table.colnames):
        raise InputError(f"{shown(verdicts)}: has no columns 'frame', 'verdict' and 'reasons'; run judge again")
    return sorted(
        str(row["frame"])
        for row in rows_of(table, names)
        if row["verdict"] == "kept" or not USELESS & set(str(row["reasons"] or "").split("; "))
    )


def listed_streaks(verdicts: Path) -> dict[str, list[dict[str, Any]]]:
    """The streaks of each frame, by id, as judge tells them; none where it tells none."""
    table = read_table(verdicts)
    if "streak_list" not in table.colnames:
        return {}
    rows = rows_of(table, ("frame", "streak_list"))
    return {str(row["frame"]): json.loads(str(row["streak_list"] or "[]")) for row in rows}


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
    kept = {str(row["frame"]) for row in rows_of(table, ("frame", "verdict")) if row["verdict"] == "kept"}
    paths = {}
    for frame in sorted(kept & set(geometry.frames)):
        path = find_path(frame, folders)
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


def read_inputs(
    plan: ScenePlan, paths: dict[str, Path], geometry: Geometry, arguments: argparse.Namespace, vignetting: str = "keep"
) -> Inputs:
    """Open every mosaic, and read what calibrates them; `vignetting` as in the settings of combine."""
    factors, sizes = _factors(arguments.calibration), _star_sizes(arguments.verdicts)
    mosaics = Mosaics(list(paths.values()))
    reference = list(paths).index(geometry.reference)
    shape, cfa = mosaics[reference].shape, mosaics[reference].header.cfa
    balance = scene_balance(arguments.verdicts, mosaics[reference].header.white_balance)
    wide = geometry.beyond(NODES_REACH)
    with ThreadPoolExecutor(1) as pool:
        # where pixels lie is worked out while the masters are read
        reading = pool.submit(_read_calibration, arguments, shape)
        grids = {frame: frame_grids(wide, frame, shape, colour_count(cfa)) for frame in paths}
        green = {frame: green_grids(geometry, frame, shape) for frame in paths if len(grids[frame]) > 1}
        calibration = reading.result()
    banding = {} if arguments.defects is None else read_banding(arguments.defects)
    pedestal = 0.0 if mosaics[reference].header.black_stated else take_pedestal(calibration)
    lens = lens_response(geometry, shape) if vignetting == "stars" and calibration.flat is None else None
    if lens is not None:
        calibration = replace(calibration, flat=lens)
    frames = []
    headers = [mosaics[number].header for number in range(len(paths))]
    unstated = [(h.saturation, h.full_from) for h in headers if h.full_from != "header"]
    full = settled_saturation(unstated) if unstated else None
    for number, frame in enumerate(paths):
        mosaic, header = mosaics[number], headers[number]
        if full is not None and header.full_from != "header":
            header = replace(header, saturation=full[0], full_from=full[1])
        if mosaic.shape != shape or mosaic.header.cfa != cfa:
            raise SceneError(
                f"{frame}: has {mosaic.shape[1]} x {mosaic.shape[0]} pixels {mosaic.header.cfa}, the reference "
                f"{shape[1]} x {shape[0]} {cfa}; give it a scene of its own"
            )
        scale, offset, glow_scale = factors.get(frame, (1.0, 0.0, None))
        if pedestal:
            header, offset = above_pedestal(header, offset, scale, pedestal, calibration)
        placed = geometry.frames[frame]
        flux = placed.flux_scale if lens is None else placed.flux_scale_flat
        if flux is None or not math.isfinite(flux) or flux <= 0:
            if frame != geometry.reference:
                log.warning("%s: its brightness against the reference is not known; taken as the same", frame)
            flux = 1.0
        frames.append(
            Frame(
                frame,
                header,
                shape,
                float(flux),
                scale,
                offset,
                grids[frame],
                balance,
                green.get(frame),
                sizes.get(frame),
                banding.get(frame),
                glow_scale,
            )
        )
    return Inputs(plan.scene, frames, mosaics, calibration, reference)


def scene_balance(verdicts: Path, stated: Balance | None) -> Balance:
    """The balance of colours by which all frames of a scene are demosaiced: that of the kept frames' own stars.

    Where these tell none, the reference's white balance as its file states it (a camera on automatic white balance may
    give every frame another); where it states none, that of their skies.
    """
    table = read_table(verdicts)
    names = ("verdict", "balance_red", "balance_blue", "balance_stars")
    rows = [r for r in rows_of(table, names) if r["verdict"] == "kept"] if set(names) <= set(table.colnames) else []
    known = [row for row in rows if row["balance_red"] and row["balance_blue"]]

    def usual(told: Sequence[Mapping[str, Any]]) -> Balance | None:
        if not told:
            return None
        red, blue = (round(statistics.median(float(row[key]) for row in told), 3) for key in names[1:3])
        return red, 1.0, blue

    of_stars = [row for row in known if row["balance_stars"]]
    for told in (usual(of_stars), stated, usual(known)):
        if usable_balance(told) != NEUTRAL:
            return usable_balance(told)
    return NEUTRAL


def take_pedestal(calibration: Calibration) -> float:
    """The camera's pedestal where no file states a black level: it is taken out of the bias, or of the dark where there
    is none, in place, and is the frames' black level instead, ADU; 0 where there is neither.

    What is taken off a frame stays the same; but where pixels are full, and how noise goes with light, is told from
    levels above black.
    """
    held = calibration.dark if calibration.bias is None else calibration.bias
    if held is None:
        return 0.0
    level = float(np.median(held[::8, ::8]))
    held -= np.float32(level)
    return level


def above_pedestal(
    header: MosaicHeader, offset: float, scale: float, pedestal: float, calibration: Calibration
) -> tuple[MosaicHeader, float]:
    """A frame's header and offset with what `take_pedestal` took; as they are where the camera took its own dark off,
    and its pedestal with it."""
    if scale == 0:
        return header, offset
    # without a bias the pedestal was part of what is scaled
    scaled = (1 - scale) * pedestal if calibration.bias is None else 0.0
    black = tuple(level + pedestal for level in header.black)
    return replace(header, black=black), offset - scaled  # type: ignore[arg-type]


def lens_response(geometry: Geometry, shape: tuple[int, int]) -> NDArray[np.float32] | None:
    """What the lens passes at every pixel, (height, width) float32, as the stars show it; None where they do not."""
    told = geometry.learned.get("vignetting")
    if not isinstance(told, Mapping) or told.get("refused") is not None:
        return None
    y, x = np.ogrid[: shape[0], : shape[1]]
    return response(told["terms"], told["middle"], geometry.camera, x, y).astype(np.float32)


def _star_sizes(path: Path) -> dict[str, float]:
    """FWHM of the frames' stars, px, where the verdicts state it."""
    table = read_table(path)
    if "fwhm_px" not in table.colnames:
        return {}
    rows = ((str(row["frame"]), row["fwhm_px"]) for row in rows_of(table, ("frame", "fwhm_px")))
    return {frame: float(size) for frame, size in rows if size is not None and float(size) > 0}


def _factors(path: Path) -> dict[str, tuple[float, float, float | None]]:
    """By frame: dark factor, offset (ADU), factor of the dark's glow where it has one of its own."""
    table = read_table(path)
    names = ("frame", "dark_scale", "dark_offset")
    if not set(names) <= set(table.colnames):
        raise InputError(f"{shown(path)}: has no columns {', '.join(names)}; run dark again")
    result = {}
    own = ("glow_scale",) if "glow_scale" in table.colnames else ()
    for values in rows_of(table, (*names, *own)):
        scale, offset, glow = values["dark_scale"], values["dark_offset"], values.get("glow_scale")
        result[str(values["frame"])] = (
            1.0 if scale is None else float(scale),
            0.0 if offset is None else float(offset),
            None if glow is None else float(glow),
        )
    return result


def _read_calibration(arguments: argparse.Namespace, shape: tuple[int, int]) -> Calibration:
    dark, variance = _read_master(arguments.master, shape)
    bias, bias_variance = _read_master(arguments.bias, shape)
    if dark is None and bias is not None and is_dark(fits.getheader(arguments.bias)):
        # of darks of two temperatures the warmer are not usable
        dark, variance, bias, bias_variance = bias, bias_variance, None, 0.0
    if dark is not None and bias is not None:
        dark -= bias
    defects = glow = None
    if arguments.defects is not None:
        with _open(arguments.defects) as hdus:
            defects = _plane(hdus, _first_image(hdus), arguments.defects, shape, np.uint8)
        told = None if dark is None else read_dark_glow(arguments.defects, shape)
        glow = None if told is None else told[0]
        pattern = read_pattern(arguments.defects)
        if pattern and dark is None:
            # every frame has it, as it has the bias
            bias = pattern.at_pixels(shape) if bias is None else bias + pattern.at_pixels(shape)
    flat, _ = _read_master(arguments.flat, shape)
    brightest = 1.0 if flat is None else float(np.percentile(flat[::8, ::8], 99.5))
    return Calibration(dark, variance, defects, flat, bias, bias_variance, brightest, glow)


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
