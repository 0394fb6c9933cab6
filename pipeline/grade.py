"""grade: mosaics of a batch to a row a frame (stars, focus, sky, streaks) and the star lists.

python -m pipeline.grade --project DIR --batch BATCH.json --mosaics DIR --out GRADES.ecsv --stars STARS.fits
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.table import MaskedColumn, Table
from numpy.typing import NDArray
from PIL import Image

from pipeline.config import GradeSettings, load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import FrameError
from pipeline.files import replacing
from pipeline.plan import read_batch
from pipeline.scene.neighbours import Neighbour, neighbour_of, witnesses
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader
from pipeline.sensor.transfer import line_through, transfer_blocks
from pipeline.stars.balance import sky_balance, star_balance
from pipeline.stars.beyond import Witness, beyond_neighbours
from pipeline.stars.broad import broad_light, packed
from pipeline.stars.colours import NOT_MEASURED, OFFSET_DTYPE, colour_offsets
from pipeline.stars.detect import Detections
from pipeline.stars.doubles import doubling, far_doubling
from pipeline.stars.fullcolour import RATIO_DTYPE, UNKNOWN, full_star_colours
from pipeline.stars.glimpse import streak_picture, whole_picture
from pipeline.stars.lights import light_of
from pipeline.stars.measure import STAR_DTYPE, FrameStars, measure_frame
from pipeline.stars.mesh import SkyMesh
from pipeline.stars.shapes import fwhm_px
from pipeline.stars.streaks import Streak, find_streaks
from pipeline.stars.tiles import TILES, tile_of
from pipeline.tables import read_table, rows_of, table_from_rows, write_table

SNR_SHAPE = 20.0  # of stars whose shapes count for the frame's figures
PEAK_SHARE = 0.6  # of saturation; the mean of two greens below it has neither of them saturated but in sharp cores
PAIRS = 2  # of consecutive frames that tell a batch's electrons per ADU; a scene has several batches
STREAKS_LISTED = 50
STREAKS_MEASURED = 16  # treetops may give fifty lines, and each costs 5 ms
STREAKS_SHOWN = 4  # the longest of a frame get a picture
JPEG_QUALITY = 80
SIXTEENTH = 4  # saturated pixels are counted on every fourth row and column of cells

COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "status": (str, None),
    "detail": (str, None),
    "width": (int, "pix"),
    "height": (int, "pix"),
    "cfa": (str, None),
    "exposure_s": (float, "s"),
    "focal_mm": (float, "mm"),
    "pixel_um": (float, "um"),
    "stars": (int, None),
    "detections": (int, None),
    "fwhm_px": (float, "pix"),
    "elongation": (float, None),
    "elongation_angle_deg": (float, "deg"),
    "double_px": (float, "pix"),
    "double_angle_deg": (float, "deg"),
    "sky_adu": (float, "adu"),
    "sky_adu_s": (float, "adu / s"),
    "noise_adu": (float, "adu"),
    "sky_gradient": (float, None),
    "electrons_per_adu": (float, "electron / adu"),
    "balance_red": (float, None),  # multipliers under which the colours of stars, or of the sky, rise and fall together
    "balance_blue": (float, None),
    "balance_stars": (int, None),  # of so many stars; 0: the sky's
    "room_adu": (float, "adu"),
    "saturated_fraction": (float, None),
    "hot_pixels": (int, None),
    "streaks": (int, None),
    "streak_list": (str, None),
    "tile_stars": (str, None),
    "tile_sky_adu": (str, None),
    "broad_light": (str, None),
}


@dataclass
class Measured:
    """One frame's row, as far as it tells it alone, what was found, and what its neighbours need of it."""

    row: dict[str, Any]
    found: FrameStars
    kept: Neighbour


def add_passing(measured: Measured, beside: Sequence[Witness]) -> list[Streak]:
    """Add to a frame's row what is told once its neighbours are known: streaks, and doubled stars beside them."""
    row, found = measured.row, measured.found
    seen = found.detections
    beyond = beyond_neighbours(seen, measured.kept.glance, beside) if beside else None
    streaks = find_streaks(seen, beyond)
    lines = np.array([[s.x1, s.y1, s.x2, s.y2] for s in streaks]).reshape(-1, 4)
    ceiling = PEAK_SHARE * row["room_adu"] - row["sky_adu"]
    double = doubling(seen.residual, seen.objects["ypeak"], seen.objects["xpeak"], seen.noise, ceiling, lines / 2)
    if double is None:
        double = far_doubling(found.stars, row["width"], row["height"], lines)
    row["double_px"] = None if double is None else double.length
    row["double_angle_deg"] = None if double is None else double.angle_deg
    row["streaks"] = len(streaks)
    listed = [{"number": n, **streak.as_dict()} for n, streak in enumerate(streaks[:STREAKS_LISTED])]
    for values, streak in zip(listed[:STREAKS_MEASURED], streaks, strict=False):
        values |= light_of(seen, streak, beyond).as_dict()
    row["streak_list"] = json.dumps(listed)
    return streaks


def measured_frame(pixels: NDArray[np.uint16], header: MosaicHeader, settings: GradeSettings) -> Measured:
    """Measure one frame.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    header : its levels and exposure
    """
    found = measure_frame(
        pixels, header.cfa, header.black, header.saturation, settings.detection_sigma, settings.stars_max
    )
    mesh = found.detections.sky.level
    sky = float(np.median(mesh))
    low, high = np.percentile(mesh, [5, 95])
    row: dict[str, Any] = {
        "frame": header.frame,
        "width": pixels.shape[1],
        "cfa": header.cfa,
        "height": pixels.shape[0],
        "exposure_s": header.exposure_s,
        "focal_mm": header.focal_mm,
        "pixel_um": header.pixel_um,
        "stars": len(found.stars),
        "detections": found.found,
        "sky_adu": sky,
        "sky_adu_s": sky / header.exposure_s if header.exposure_s else None,
        "noise_adu": found.noise,
        "sky_gradient": float(high - low) / sky if sky > found.noise / 10 else None,
        "room_adu": header.saturation - float(np.mean(header.black)),
        "saturated_fraction": _saturated_share(pixels, header.saturation),
        "hot_pixels": found.hot,
        "tile_stars": json.dumps(_star_tiles(found, pixels.shape).tolist()),
        "tile_sky_adu": json.dumps(_sky_tiles(found.detections.sky, found.detections.residual.shape)),
        "broad_light": packed(broad_light(found)),
    }
    row.update(frame_shape(found.stars))
    return Measured(row, found, neighbour_of(found, header))


def write_pictures(folder: Path, frame: str, found: Detections, streaks: Sequence[Streak], room: float) -> None:
    """Write `<frame>.jpg` and, for the longest streaks, `<frame>-<number>.jpg` for the page."""
    folder.mkdir(parents=True, exist_ok=True)
    pictures = {frame: whole_picture(found, room)}
    pictures |= {
        f"{frame}-{n}": streak_picture(found, streak, room) for n, streak in enumerate(streaks[:STREAKS_SHOWN])
    }
    for name, picture in pictures.items():
        with replacing(folder / f"{name}.jpg") as temporary:
            Image.fromarray(picture).save(temporary, format="JPEG", quality=JPEG_QUALITY)


def frame_shape(stars: NDArray[Any]) -> dict[str, float]:
    """FWHM, elongation (1 - minor / major axis) and its angle of a frame: medians over its well-measured stars."""
    good = ~stars["saturated"] & (stars["flux"] >= SNR_SHAPE * stars["flux_error"])
    if not good.any():
        return {}
    chosen = stars[good]
    q1, q2 = np.median(chosen["mxx"] - chosen["myy"]), np.median(2 * chosen["mxy"])
    trace, spread = float(np.median(chosen["mxx"] + chosen["myy"])), math.hypot(q1, q2)
    return {
        "fwhm_px": float(np.median(fwhm_px(chosen["mxx"], chosen["myy"]))),
        "elongation": 1 - math.sqrt(max(trace - spread, 0.0) / (trace + spread)),
        "elongation_angle_deg": math.degrees(0.5 * math.atan2(q2, q1)) % 180.0,
    }


def _saturated_share(pixels: NDArray[np.uint16], saturation: float) -> float:
    """Share of pixels at saturation, from whole 2 x 2 cells of every fourth row and column of cells."""
    height, width = (n // 2 * 2 for n in pixels.shape)
    # whole numbers: as floating-point ones every pixel would be made one first
    limit = max(math.ceil(saturation), 0)
    if limit > 0xFFFF:
        return 0.0
    every = 2 * SIXTEENTH
    places = [pixels[row:height:every, column:width:every] for row in (0, 1) for column in (0, 1)]
    full = sum(int(np.count_nonzero(place >= np.uint16(limit))) for place in places)
    return full / sum(place.size for place in places)


def _star_tiles(found: FrameStars, shape: tuple[int, ...]) -> NDArray[np.int64]:
    stars = found.stars
    rows, columns = tile_of(stars["x"], stars["y"], shape[1], shape[0])
    counts = np.zeros(TILES, np.int64)
    np.add.at(counts, (rows, columns), 1)
    return counts


def _sky_tiles(sky: SkyMesh, shape: tuple[int, ...]) -> list[list[float]]:
    """Median sky of each part of the coarse grid, ADU above black; `shape` that of the half-size image."""
    rows, columns = TILES
    places = (np.arange(8) + 0.5) / 8  # eight by eight places in a part, on a mesh of three to twelve crossings
    y = (np.arange(rows)[:, None] + places).ravel() * shape[0] / rows - 0.5
    x = (np.arange(columns)[:, None] + places).ravel() * shape[1] / columns - 0.5
    there = sky.at(y[:, None], x[None]).reshape(rows, 8, columns, 8)
    return [[round(float(v), 2) for v in row] for row in np.median(there, axis=(1, 3))]


def star_table(
    lists: Sequence[tuple[str, NDArray[Any]]],
    offsets: Sequence[NDArray[Any]] | None = None,
    ratios: Sequence[NDArray[Any]] | None = None,
) -> Table:
    """One table of the stars of several frames, in the form that DEVELOPERS.md states.

    Parameters
    ----------
    lists : of each frame its id and its `STAR_DTYPE` array
    offsets : of each frame its `OFFSET_DTYPE` array; none are measured where None
    ratios : of each frame its `RATIO_DTYPE` array; likewise
    """
    stars = np.concatenate([s for _, s in lists]) if lists else np.empty(0, STAR_DTYPE)
    ids = np.repeat(np.array([f for f, _ in lists], dtype="S32"), [len(s) for _, s in lists])
    table = Table()
    table["frame"] = ids if len(ids) else np.empty(0, "S32")
    for name in STAR_DTYPE.names or ():
        kind = stars[name].dtype
        table[name] = stars[name].astype(np.float32) if kind == np.float64 and name not in ("x", "y") else stars[name]
    for name, unit in (("x", "pix"), ("y", "pix"), ("mxx", "pix2"), ("mxy", "pix2"), ("myy", "pix2")):
        table[name].unit = unit
    for name in ("flux", "flux_error", "peak", "background"):
        table[name].unit = "adu"
    for measured, kind, unknown in ((offsets, OFFSET_DTYPE, NOT_MEASURED), (ratios, RATIO_DTYPE, UNKNOWN)):
        for name in kind.names or ():
            values = np.concatenate([m[name] for m in measured]) if measured else np.full(len(stars), unknown, np.int16)
            table[name] = MaskedColumn(values, mask=values == unknown, fill_value=unknown)
    return table


def grade_batch(
    batch_path: Path, mosaics: Path, settings: GradeSettings, progress: Progress, thumbs: Path | None
) -> tuple[Table, Table]:
    """Grade every frame of a batch; a frame that cannot be read is a row with its reason. Pictures go to `thumbs`."""
    batch = read_batch(batch_path)
    decoded = _decoded(mosaics / "decoded.ecsv")
    rows: list[dict[str, Any]] = []
    lists: list[tuple[str, NDArray[Any]]] = []
    offsets: list[NDArray[Any]] = []
    ratios: list[NDArray[Any]] = []
    gain, isos = Gain(), {}
    passers = Passers(thumbs)
    rooms: list[NDArray[np.uint16] | None] = [None, None]  # of the frame before the last; the last `gain` may hold
    for frame in batch.frames:
        status = decoded.get(frame.id, {"status": "unreadable", "detail": "was not decoded"})
        row: dict[str, Any] = {}
        if status["status"] == "ok":
            try:
                mosaic = MosaicFile(mosaics / f"{frame.id}.fits")
                pixels, header = mosaic.pixels(rooms[0]), mosaic.header
                rooms = [rooms[1], pixels]
                measured = measured_frame(pixels, header, settings)
                row, stars = measured.row, measured.found.stars
                gain.see(pixels, header)
                isos[frame.id] = header.iso
                levels = header.cfa, header.black, header.saturation
                of_colours = (
                    colour_offsets(pixels, *levels, stars),
                    full_star_colours(pixels, *levels, measured.found.noise, stars, zlib.crc32(frame.id.encode())),
                )
            except (FrameError, OSError, ValueError) as error:
                log.warning("%s: %s", frame.shown, error)
                rooms = [None, None]  # turned already, while `gain` holds the frame before
                status = {"status": "unreadable", "detail": f"the mosaic cannot be graded: {error}"}
            else:
                row |= _balance(pixels, header, stars, of_colours[0])
                passers.see(measured)
                lists.append((frame.id, stars))
                offsets.append(of_colours[0])
                ratios.append(of_colours[1])
        row |= {"frame": frame.id, **status}
        rows.append(row)
        progress.advance()
    passers.end()
    electrons = gain.electrons_per_adu()
    for row in rows:
        if row["status"] == "ok":
            row["electrons_per_adu"] = electrons[isos[row["frame"]]]
    return table_from_rows(rows, COLUMNS, {"tiles": list(TILES)}), star_table(lists, offsets, ratios)


def _balance(
    pixels: NDArray[np.uint16], header: MosaicHeader, stars: NDArray[Any], offsets: NDArray[Any]
) -> dict[str, Any]:
    """A frame's own balance of colours: its stars', or its sky's where they are few; empty where neither tells."""
    told = star_balance(pixels, header.cfa, header.black, stars, offsets)
    if told is None:
        # a pedestal has no colour
        sky = sky_balance(pixels, header.cfa, header.black) if header.black_stated else None
        if sky is None:
            return {}
        told = (*sky, 0)
    return dict(zip(("balance_red", "balance_blue", "balance_stars"), told, strict=True))


class Passers:
    """Streaks of frames in the order of time: one waits for the next, beside which and the one before it is searched.

    Small pictures of the frames and their streaks go to `thumbs`, where it is given.
    """

    def __init__(self, thumbs: Path | None) -> None:
        self._thumbs = thumbs
        self._held: Measured | None = None
        self._beside: list[Witness] = []

    def see(self, measured: Measured) -> None:
        """Take in the next frame and complete the one that waited."""
        pair = None if self._held is None else witnesses(self._held.kept, measured.kept)
        if pair is not None:
            self._beside.append(pair[0])
        self.end()
        self._held, self._beside = measured, [] if pair is None else [pair[1]]

    def end(self) -> None:
        """Complete the frame that waits."""
        if self._held is None:
            return
        row, found = self._held.row, self._held.found.detections
        streaks = add_passing(self._held, self._beside)
        if self._thumbs is not None:
            write_pictures(self._thumbs, row["frame"], found, streaks, row["room_adu"])


class Gain:
    """A batch's electrons per ADU at each ISO, from the first pairs of consecutive frames of one kind."""

    def __init__(self) -> None:
        self._last: tuple[NDArray[np.uint16], MosaicHeader] | None = None
        self._blocks: dict[int | None, list[tuple[NDArray[np.float64], NDArray[np.float64]]]] = {}

    def see(self, pixels: NDArray[np.uint16], header: MosaicHeader) -> None:
        """Take in the next frame."""
        told = self._blocks.setdefault(header.iso, [])
        if len(told) < PAIRS and self._last is not None:
            before, other = self._last
            alike = before.shape == pixels.shape and other.iso == header.iso and other.exposure_s == header.exposure_s
            if alike:
                told.append(transfer_blocks(before, pixels, header.cfa, header.black, header.saturation))
        self._last = (pixels, header) if len(told) < PAIRS else None

    def electrons_per_adu(self) -> dict[int | None, float | None]:
        """By ISO, as far as the pairs tell it."""
        return {iso: line_through(blocks).electrons_per_adu for iso, blocks in self._blocks.items()}


def _decoded(path: Path) -> dict[str, dict[str, Any]]:
    """What decode said of each frame."""
    return {
        str(row["frame"]): {key: row[key] or "" for key in ("status", "detail")}
        for row in rows_of(read_table(path), ("frame", "status", "detail"))
    }


def _work(arguments: argparse.Namespace) -> None:
    settings = load_trip(arguments.project).grade
    batch = read_batch(arguments.batch)
    with Progress(arguments.project, "grade", batch.batch, len(batch.frames)) as progress:
        thumbs = None if arguments.project is None else arguments.project / "work" / "thumbs"
        grades, stars = grade_batch(arguments.batch, arguments.mosaics, settings, progress, thumbs)
        with replacing(arguments.stars) as temporary:
            stars.write(temporary, format="fits", overwrite=True)
        write_table(grades, arguments.out)


def main(argv: Sequence[str] | None = None) -> int:
    """Command line of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.grade", description=__doc__.splitlines()[0])
    project_argument(parser)
    parser.add_argument("--batch", type=Path, required=True, help="batch file of the plan")
    parser.add_argument("--mosaics", type=Path, required=True, help="folder of the batch's mosaics")
    parser.add_argument("--out", type=Path, required=True, help="table of grades to write (ECSV)")
    parser.add_argument("--stars", type=Path, required=True, help="star lists to write (FITS)")
    return run_step("grade", parser, _work, argv)


if __name__ == "__main__":
    sys.exit(main())
