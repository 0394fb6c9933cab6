"""The step `dark`: master darks, biases and flats; a scene's dark factors and defects; one calibrated frame."""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray

from pipeline.config import load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import FrameError, InputError, SceneError
from pipeline.files import replacing, shown
from pipeline.plan import DarkSet, PlannedFrame, ScenePlan, read_scene, read_set
from pipeline.sensor import darks, defects, flats
from pipeline.sensor.calibrate import calibrate
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader
from pipeline.sensor.warm import LINEAR_SHARE, DarkFactor, WarmPixels, dark_factor, warm_pixels
from pipeline.tables import read_table, table_from_rows, write_table

# Lights whose pixels are followed for defects: with 16, what stands out by 1.3 sigma of a frame is found at 5 sigma.
PERSISTENCE_FRAMES = 16
# Standard deviations of a persistence sum; 24 million pixels give about 14 by chance, which repair does no harm.
PERSISTENCE_SIGMA = 5.0
# With one frame a peak of noise persists as well as anything: ask for more.
SINGLE_SIGMA = 6.0
# Candidates looked at in one go (25 values each, a frame).
PATCHES_AT_ONCE = 100_000

CALIBRATION_COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "dark_scale": (float, None),
    "dark_scale_error": (float, None),
    "dark_offset": (float, "adu"),
    "warm_pixels": (int, None),
    "note": (str, None),
}


@dataclass(frozen=True)
class Master:
    """A master dark or flat as read from its file, native arrays."""

    header: fits.Header
    mean: NDArray[np.float32]
    noise: NDArray[np.float32]
    defects: NDArray[np.uint8]


def read_master(path: Path) -> Master:
    """Read a master file.

    Raises
    ------
    InputError
        Where it is none.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            return Master(
                hdus[0].header.copy(),
                hdus[0].data.astype(np.float32),
                hdus["NOISE"].data.astype(np.float32),
                hdus["DEFECTS"].data.astype(np.uint8),
            )
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such master; run 'dark master' first") from None
    except (OSError, KeyError, AttributeError, TypeError) as error:
        raise InputError(f"{shown(path)}: not a master that 'dark master' wrote; make it again") from error


def find_mosaic(frame: str, folders: Sequence[Path]) -> MosaicFile | None:
    """The mosaic of a frame in any of the folders; None where decode made none or called it damaged."""
    for folder in folders:
        path = folder / f"{frame}.fits"
        if path.is_file():
            return MosaicFile(path)
    return None


# ---- master ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Candidate:
    frame: PlannedFrame
    mosaic: MosaicFile


def make_master(arguments: argparse.Namespace) -> None:
    """Make the master of one set."""
    trip = load_trip(arguments.project)
    dark_set = read_set(arguments.set)
    if dark_set.kind not in ("dark", "bias", "flat"):
        raise InputError(f"{shown(arguments.set)}: a set of kind {dark_set.kind!r} makes no master")
    candidates, reasons = _like_frames(dark_set, arguments.mosaics)
    if not candidates:
        raise InputError(
            f"{dark_set.set}: none of its {len(dark_set.frames)} frames could be decoded; see decoded.ecsv"
        )
    subtract = read_master(arguments.dark) if arguments.dark is not None else None
    if subtract is not None and subtract.mean.shape != candidates[0].mosaic.shape:
        raise InputError(
            f"{shown(arguments.dark)}: has another size than the frames "
            f"(got {subtract.mean.shape} and {candidates[0].mosaic.shape})"
        )
    with Progress(arguments.project, "dark", dark_set.set, len(candidates)) as progress:
        if dark_set.kind == "flat":
            hdus = _master_flat(candidates, reasons, dark_set, subtract, trip.limits.memory_mb)
        else:
            hdus = _master_dark(candidates, reasons, dark_set, trip.dark.hot_sigma, trip.limits.memory_mb)
        progress.advance(len(candidates))
    with replacing(arguments.out) as temporary:
        hdus.writeto(temporary, overwrite=True, output_verify="exception")


def _like_frames(dark_set: DarkSet, folders: Sequence[Path]) -> tuple[list[_Candidate], dict[str, str]]:
    """The decoded frames alike in size, CFA, exposure and ISO, as most of the set, and why the others are left out."""
    reasons: dict[str, str] = {}
    found: list[_Candidate] = []
    for frame in dark_set.frames:
        try:
            mosaic = find_mosaic(frame.id, folders)
        except FrameError as error:
            reasons[frame.id] = str(error)
            continue
        if mosaic is None:
            reasons[frame.id] = "could not be decoded"
        else:
            found.append(_Candidate(frame, mosaic))

    def likeness(c: _Candidate) -> tuple[Any, ...]:
        h = c.mosaic.header
        exposure = None if h.exposure_s is None or dark_set.kind != "dark" else round(h.exposure_s, 3)
        return (c.mosaic.shape, h.cfa, h.iso, exposure)

    if not found:
        return [], reasons
    # the most common; of equally common ones the first met
    usual = Counter(likeness(c) for c in found).most_common(1)[0][0]
    for c in found:
        for name, got, want in zip(("size", "CFA", "ISO", "exposure"), likeness(c), usual, strict=True):
            if got != want:
                reasons.setdefault(c.frame.id, f"has another {name} than most of its set ({got} against {want})")
    return [c for c in found if c.frame.id not in reasons], reasons


def _sample(mosaic: MosaicFile, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """Rows of a mosaic, ADU above black."""
    black = np.array(mosaic.header.black, np.float32).reshape(2, 2)
    strips = np.concatenate([mosaic.region(int(r), int(r) + 1, 0, mosaic.shape[1]) for r in rows]).astype(np.float32)
    strips[:, 0::2] -= black[rows % 2, 0][:, None]
    strips[:, 1::2] -= black[rows % 2, 1][:, None]
    return strips


def _levels(mosaic: MosaicFile, level: float) -> NDArray[np.float32]:
    """What is taken from even and odd rows, (2, width)."""
    levels = np.empty((2, mosaic.shape[1]), np.float32)
    for row in (0, 1):
        levels[row, 0::2] = mosaic.header.black[2 * row] + level
        levels[row, 1::2] = mosaic.header.black[2 * row + 1] + level
    return levels


def _full_scale(header: MosaicHeader) -> float:
    return header.saturation - float(np.mean(header.black))


def _master_dark(
    candidates: list[_Candidate], reasons: dict[str, str], dark_set: DarkSet, hot_sigma: float, memory_mb: int
) -> fits.HDUList:
    shape = candidates[0].mosaic.shape
    rows = darks.sample_rows(*shape)
    sample = np.stack([_sample(c.mosaic, rows) for c in candidates])
    figures = darks.frame_figures(sample)
    model = darks.fit_noise(sample - _column(figures))
    out = darks.left_out(figures, model.sigma)
    for n, reason in out.items():
        reasons[candidates[n].frame.id] = reason
        log.info("%s: %s is left out: it %s", dark_set.set, candidates[n].frame.shown, reason)
    kept = [n for n in range(len(candidates)) if n not in out]
    used = [candidates[n] for n in kept]
    if out:  # what was left out must not colour the figures of the others
        figures_kept = darks.frame_figures(sample[kept])
        model = darks.fit_noise(sample[kept] - _column(figures_kept))
    else:
        figures_kept = figures
    average = float(np.mean([f.level for f in figures_kept]))
    levels = np.stack([_levels(c.mosaic, f.level - average) for c, f in zip(used, figures_kept, strict=True)])
    del sample
    mean = np.empty(shape, np.float32)
    noise = np.empty(shape, np.float32)
    unstable = np.empty(shape, np.bool_)
    hits = 0

    def block(top: int, bottom: int) -> int:
        stack = np.empty((len(used), bottom - top, shape[1]), np.uint16)
        for n, c in enumerate(used):
            stack[n] = c.mosaic.region(top, bottom, 0, shape[1])
        part, variance, number, unsteady = darks.robust_mean(stack, levels, model)
        mean[top:bottom] = part
        noise[top:bottom] = darks.standard_error(part, variance, number, model)
        unstable[top:bottom] = unsteady
        return int(len(used) * part.size - number.sum(dtype=np.int64))

    hits = _by_blocks(block, shape, len(used), memory_mb)
    header = used[0].mosaic.header
    flags = defects.master_defects(mean, unstable, model.sigma, header.cfa, hot_sigma, _full_scale(header))
    cards = _master_cards(used, dark_set, reasons)
    cards["TNOISE"] = (round(model.sigma, 4), "[ADU] temporal noise of one frame")
    cards["NOISEFRM"] = ("temporal" if len(used) > 1 else "spatial", "where the noise was measured")
    cards["DGAIN"] = (round(model.gain, 5), "[ADU] temporal variance per ADU of dark signal")
    cards["DLEVEL"] = (round(model.bulk, 3), "[ADU] level of ordinary pixels above black")
    cards["NHITS"] = (hits, "values rejected (cosmic hits)")
    if len(used) == 1:
        cards["COMMENT"] = "One frame: hits and hot pixels cannot be told apart, noise includes fixed pattern."
    elif len(used) == 2:
        cards["COMMENT"] = "Two frames: where they disagree the lower value is used; unstable pixels not judged."
    elif len(used) == 3:
        cards["COMMENT"] = "Three frames: unstable pixels are not judged."
    table = _frame_table(dark_set, reasons, {c.frame.id: f for c, f in zip(candidates, figures, strict=True)})
    log.info(
        "%s: %d of %d frames, %.2f ADU noise a frame, %d hot, %d cold, %d unstable pixels",
        dark_set.set,
        len(used),
        len(dark_set.frames),
        model.sigma,
        *(int(np.count_nonzero(flags & bit)) for bit in (defects.HOT, defects.COLD, defects.UNSTABLE)),
    )
    return _hdus(cards, mean, noise, flags, table)


def _column(figures: Sequence[darks.FrameFigures]) -> NDArray[np.float32]:
    return np.array([f.level for f in figures], np.float32)[:, None, None]


def _by_blocks(work: Any, shape: tuple[int, int], frames: int, memory_mb: int) -> int:
    """Call ``work(top, bottom)`` over row blocks on two threads; the sum of what it returns."""
    # the planes of the master and one compiled environment stand beside the two blocks
    planes = 11 * shape[0] * shape[1] / 1e6
    room = max(40.0, (memory_mb - planes - 250) / 2)
    # blocks larger than 64 MB gain nothing
    rows = darks.block_rows(frames, shape[1], min(room, 64.0))
    tops = range(0, shape[0], rows)
    with ThreadPoolExecutor(2) as pool:
        return sum(pool.map(lambda top: work(top, min(top + rows, shape[0])), tops))


def _master_flat(
    candidates: list[_Candidate],
    reasons: dict[str, str],
    dark_set: DarkSet,
    subtract: Master | None,
    memory_mb: int,
) -> fits.HDUList:
    shape = candidates[0].mosaic.shape
    rows = darks.sample_rows(*shape)
    header = candidates[0].mosaic.header
    full_scale = _full_scale(header)
    used: list[_Candidate] = []
    samples, values = [], []
    for c in candidates:
        sample = _sample(c.mosaic, rows)
        saturated = float(np.mean(sample >= 0.99 * full_scale))
        if subtract is not None:
            sample -= subtract.mean[rows]
        level = flats.flat_level(sample)
        reason = flats.unusable_flat(level, saturated, full_scale)
        if reason is not None:
            reasons[c.frame.id] = reason
            log.info("%s: %s is left out: it %s", dark_set.set, c.frame.shown, reason)
            continue
        used.append(c)
        samples.append(sample)
        values.append(level)
    if not used:
        raise InputError(
            f"{dark_set.set}: none of its {len(candidates)} flats is usable; "
            f"the first {reasons[candidates[0].frame.id]}"
        )
    goal = float(np.mean(values))
    gains = np.array([goal / v for v in values], np.float32)
    model = darks.fit_noise(np.stack(samples) * gains[:, None, None])
    del samples
    mean = np.empty(shape, np.float32)
    error = np.empty(shape, np.float32)

    def block(top: int, bottom: int) -> int:
        stack = np.empty((len(used), bottom - top, shape[1]), np.float32)
        for n, c in enumerate(used):
            dark = None if subtract is None else subtract.mean[top:bottom]
            stack[n] = calibrate(c.mosaic.region(top, bottom, 0, shape[1]), c.mosaic.header.black, dark) * gains[n]
        none = np.zeros((len(used), 2, shape[1]), np.float32)
        part, variance, number, _ = darks.robust_mean(stack, none, model)
        mean[top:bottom] = part
        error[top:bottom] = darks.standard_error(part, variance, number, model)
        return int(len(used) * part.size - number.sum(dtype=np.int64))

    hits = _by_blocks(block, shape, 3 * len(used), memory_mb)
    try:
        flat, relative, colours = flats.normalise(mean, error, header.cfa)
    except ValueError as problem:
        raise InputError(f"{dark_set.set}: {problem}") from None
    cards = _master_cards(used, dark_set, reasons)
    cards["NHITS"] = (hits, "values rejected (cosmic hits)")
    for colour, level in colours.items():
        cards[f"LEVEL_{colour}"] = (round(level, 2), "[ADU] mean above black, divided out")
    cards["FLATDARK"] = (subtract is not None, "a dark or bias was taken off first")
    if subtract is None:
        cards["COMMENT"] = "No dark or bias of the flats: the header's black level was taken off."
    return _hdus(cards, flats.usable(flat), relative, flats.flat_defects(flat), _frame_table(dark_set, reasons, {}))


def _master_cards(used: list[_Candidate], dark_set: DarkSet, reasons: dict[str, str]) -> fits.Header:
    """What a master's header says of its frames."""
    headers = [c.mosaic.header for c in used]
    cards = headers[0].with_frame(f"master-{dark_set.set}").cards()
    for key in ("DATE-OBS", "MASKMEAN", "CCD-TEMP"):
        cards.remove(key, ignore_missing=True)
    cards["IMAGETYP"] = (f"master {dark_set.kind}", "")
    cards["NFRAMES"] = (len(used), "frames used")
    cards["NFOUND"] = (len(dark_set.frames), "frames of the set")
    cards["NLEFTOUT"] = (len(reasons), "frames left out; why stands in table FRAMES")
    temperatures = [
        t
        for c in used
        for t in [c.frame.temperature_c if c.frame.temperature_c is not None else c.mosaic.header.temperature_c]
        if t is not None
    ]
    if temperatures:
        cards["CCD-TEMP"] = (round(float(np.median(temperatures)), 2), "[C] median sensor temperature")
        cards["TEMPMIN"] = (round(float(min(temperatures)), 2), "[C]")
        cards["TEMPMAX"] = (round(float(max(temperatures)), 2), "[C]")
    masked = [h.masked_level - float(np.mean(h.black)) for h in headers if h.masked_level is not None]
    if len(masked) == len(headers):
        cards["MASKDIFF"] = (round(float(np.mean(masked)), 4), "[ADU] masked columns above black")
    for frame in dark_set.frames:
        if frame.id in reasons:
            cards["HISTORY"] = f"{frame.id} left out: it {reasons[frame.id]}".encode("ascii", "replace").decode()
    return cards


def _frame_table(
    dark_set: DarkSet, reasons: dict[str, str], figures: dict[str, darks.FrameFigures]
) -> fits.BinTableHDU:
    """A row a frame of the set: whether it was used, why not, and its figures (NaN where there are none)."""
    rows = [figures.get(f.id) for f in dark_set.frames]
    why = [reasons.get(f.id, "").encode("ascii", "replace").decode() for f in dark_set.frames]
    table = Table(
        {
            "frame": [f.id for f in dark_set.frames],
            "used": [f.id not in reasons for f in dark_set.frames],
            "why": why,
            "level": [np.nan if r is None else r.level for r in rows],
            "noise": [np.nan if r is None else r.noise for r in rows],
            "factor": [np.nan if r is None or r.factor is None else r.factor for r in rows],
        }
    )
    table["level"].unit = table["noise"].unit = "adu"
    return fits.BinTableHDU(table, name="FRAMES")


def _hdus(
    cards: fits.Header,
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    flags: NDArray[np.uint8],
    table: fits.BinTableHDU,
) -> fits.HDUList:
    for bit, name, what in (
        (defects.HOT, "NHOT", "hot"),
        (defects.COLD, "NCOLD", "cold"),
        (defects.UNSTABLE, "NUNSTABL", "unstable"),
    ):
        cards[name] = (int(np.count_nonzero(flags & bit)), f"{what} pixels")
    return fits.HDUList(
        [
            fits.PrimaryHDU(mean, cards),
            fits.ImageHDU(noise, name="NOISE"),
            fits.ImageHDU(flags, name="DEFECTS"),
            table,
        ]
    )


# ---- scene ----------------------------------------------------------------------------------------------------------


def make_scene(arguments: argparse.Namespace) -> None:
    """Find a scene's dark factors, offsets and defects."""
    trip = load_trip(arguments.project)
    scene = read_scene(arguments.scene)
    verdicts = read_table(arguments.verdicts)
    kept = {str(row["frame"]) for row in verdicts if str(row["verdict"]) == "kept"}
    lights: list[tuple[PlannedFrame, MosaicFile]] = []
    for frame in scene.frames:
        if frame.id in kept:
            mosaic = find_mosaic(frame.id, arguments.mosaics)
            if mosaic is None:
                raise SceneError(f"{scene.scene}: {frame.shown} was kept but its mosaic is missing; run decode again")
            lights.append((frame, mosaic))
    if not lights:
        raise SceneError(f"{scene.scene}: no frame was kept; see its verdicts")
    shape, header = lights[0][1].shape, lights[0][1].header
    for frame, mosaic in lights:
        if mosaic.shape != shape or mosaic.header.cfa != header.cfa:
            raise SceneError(f"{scene.scene}: {frame.shown} has another size or CFA than the scene's first frame")
    master = read_master(arguments.master) if arguments.master is not None else None
    if master is not None:
        _check_fits_together(master, header, shape, arguments.master)
    flat = read_master(arguments.flat) if arguments.flat is not None else None
    if flat is not None:
        _check_fits_together(flat, header, shape, arguments.flat)
    with Progress(arguments.project, "dark", scene.scene, len(lights), scene.scene) as progress:
        rows, flags = _scene(scene, lights, master, trip.dark.hot_sigma, progress)
    if flat is not None:
        flags |= flat.defects
    counts = {
        "hot_pixels": int(np.count_nonzero(flags & (defects.HOT | defects.UNSTABLE))),
        "cold_pixels": int(np.count_nonzero(flags & defects.COLD)),
        "from_master": 0 if master is None else int(np.count_nonzero(master.defects)),
        "repaired_share": round(float(np.count_nonzero(flags)) / flags.size, 8),
    }
    write_table(
        table_from_rows(rows, CALIBRATION_COLUMNS, {"master": None if master is None else scene.dark_set, **counts}),
        arguments.out,
    )
    cards = fits.Header()
    cards["NHOT"] = (counts["hot_pixels"], "hot or unstable pixels")
    cards["NCOLD"] = (counts["cold_pixels"], "cold pixels")
    cards["COMMENT"] = "1 hot, 2 cold, 4 unstable; any of them is repaired"
    with replacing(arguments.defects) as temporary:
        fits.PrimaryHDU(flags, cards).writeto(temporary, overwrite=True, output_verify="exception")


def _check_fits_together(master: Master, header: MosaicHeader, shape: tuple[int, int], path: Path) -> None:
    if master.mean.shape != shape:
        raise InputError(f"{shown(path)}: has another size than the frame (got {master.mean.shape} and {shape})")
    cfa = master.header.get("BAYERPAT", "MONO")
    if cfa != header.cfa:
        raise InputError(f"{shown(path)}: has another CFA than the frame (got {cfa} and {header.cfa})")


def _scene(
    scene: ScenePlan,
    lights: list[tuple[PlannedFrame, MosaicFile]],
    master: Master | None,
    hot_sigma: float,
    progress: Progress,
) -> tuple[list[dict[str, Any]], NDArray[np.uint8]]:
    shape, header = lights[0][1].shape, lights[0][1].header
    warm = None
    if master is not None:
        warm = warm_pixels(master.mean, master.noise, master.defects, _full_scale(header))
    watched = set(np.unique(np.linspace(0, len(lights) - 1, min(PERSISTENCE_FRAMES, len(lights))).round().astype(int)))
    total = np.zeros(shape, np.float32)
    rows: list[dict[str, Any]] = []
    watch: list[_Watched] = []
    for n, (frame, mosaic) in enumerate(lights):
        row = _dark_row(frame, mosaic, master, warm, scene)
        rows.append(row)
        if n in watched:
            pixels = mosaic.pixels()
            scale = row.get("dark_scale") or 0.0
            dark = None if master is None or scale == 0 else master.mean
            values = calibrate(pixels, mosaic.header.black, dark, scale, row.get("dark_offset") or 0.0)
            sky = np.array([[clipped_level(values[r::2, c::2]) for c in (0, 1)] for r in (0, 1)], np.float32)
            sigma = max(defects.cross_residual_sigma(values), 1e-3)
            defects.add_persistence(total, values, sigma)
            watch.append(_Watched(mosaic, scale, sky + (row.get("dark_offset") or 0.0), sigma))
            del pixels, values
        progress.advance()
    flags = np.zeros(shape, np.uint8) if master is None else master.defects.copy()
    dark = None if master is None else master.mean
    _add_persistent(flags, total, watch, dark, header.cfa, hot_sigma, _full_scale(header))
    return rows, flags


def clipped_level(values: NDArray[np.float32]) -> float:
    """Sky level of a plane, from a sample of it."""
    step = max(1, int(np.sqrt(values.size / 20_000)))
    return float(np.median(values[::step, ::step])) if values.size else 0.0


@dataclass(frozen=True)
class _Watched:
    mosaic: MosaicFile
    scale: float
    sky: NDArray[np.float32]  # (2, 2), ADU above black, offset included
    sigma: float


class _Mapped:
    """A mapped mosaic that gives single pixels and rows without being read as a whole, ADU."""

    def __init__(self, mosaic: MosaicFile) -> None:
        self.stored, self.shape = mosaic.stored, mosaic.shape

    def __getitem__(self, index: Any) -> NDArray[np.uint16]:
        return self.stored[index].astype(np.uint16) ^ np.uint16(0x8000)


def _dark_row(
    frame: PlannedFrame, mosaic: MosaicFile, master: Master | None, warm: WarmPixels | None, scene: ScenePlan
) -> dict[str, Any]:
    """The factor and offset of one light, and in words where they come from."""
    header = mosaic.header
    row: dict[str, Any] = {"frame": frame.id}
    if frame.camera_subtracted:
        return row | {"dark_scale": 0.0, "dark_offset": 0.0, "note": "the camera has subtracted a dark already"}
    if master is None or warm is None:
        why = scene.dark_why or "no master dark"
        return row | {"note": f"no dark subtracted: {why}; defects are found from the lights"}
    found = _measure_factor(mosaic, warm)
    notes = []
    if found.factor is None:
        notes.append(_no_factor(found))
    row |= {
        "dark_scale": 1.0 if found.factor is None else found.factor,
        "dark_scale_error": found.error,
        "warm_pixels": found.pixels,
        "dark_offset": 0.0,
    }
    masked_dark = master.header.get("MASKDIFF")
    if header.masked_level is not None and masked_dark is not None:
        row["dark_offset"] = header.masked_level - float(np.mean(header.black)) - float(masked_dark)
        notes.append("offset from the masked columns")
    return row | {"note": "; ".join(notes)}


def _measure_factor(mosaic: MosaicFile, warm: WarmPixels) -> DarkFactor:
    pixels = _Mapped(mosaic)
    sigma = defects.cross_residual_sigma(pixels)
    return dark_factor(pixels, warm, sigma, mosaic.header.saturation * LINEAR_SHARE)


def _no_factor(found: DarkFactor) -> str:
    if found.error is None:
        return f"factor 1 taken: too few warm pixels ({found.pixels})"
    return f"factor 1 taken: the warm pixels tell it to {found.error:.2f} only"


def _add_persistent(
    flags: NDArray[np.uint8],
    total: NDArray[np.float32],
    watch: list[_Watched],
    dark: NDArray[np.float32] | None,
    cfa: str,
    hot_sigma: float,
    full_scale: float,
) -> None:
    """Add to `flags` what stays with the sensor over the watched lights."""
    frames = len(watch)
    limit = PERSISTENCE_SIGMA if frames > 1 else max(SINGLE_SIGMA, hot_sigma)
    ys, xs = defects.persistence_candidates(total, frames, limit if frames > 1 else 0.6 * limit)
    free = flags[ys, xs] == 0
    ys, xs = ys[free], xs[free]
    sigma = float(np.mean([w.sigma for w in watch])) * _median_error(frames)
    for start in range(0, len(ys), PATCHES_AT_ONCE):
        y, x = ys[start : start + PATCHES_AT_ONCE], xs[start : start + PATCHES_AT_ONCE]
        patches = np.median(np.stack([_patches(w, dark, y, x) for w in watch]), axis=0).astype(np.float32)
        hot, cold = defects.looks_like_defect(patches, y, x, cfa, sigma, limit)
        # a saturated star bleeds along its column, as sharp as any defect
        hot &= np.delete(patches, patches.shape[1] // 2, axis=1).max(axis=1, initial=0) < 0.8 * full_scale
        flags[y[hot], x[hot]] |= defects.HOT
        flags[y[cold], x[cold]] |= defects.COLD
    if frames >= 3:
        lines = defects.bad_columns(total, frames) | defects.bad_columns(np.ascontiguousarray(total.T), frames).T
        flags[lines & (total > 0)] |= defects.HOT
        flags[lines & (total <= 0)] |= defects.COLD


def _median_error(frames: int) -> float:
    """Standard error of the median of that many normal values of sigma 1 (of one or two: of their mean)."""
    return float(np.sqrt((1.0 if frames <= 2 else np.pi / 2) / frames))


def _patches(
    watched: _Watched, dark: NDArray[np.float32] | None, ys: NDArray[np.int64], xs: NDArray[np.int64]
) -> NDArray[np.float32]:
    """Calibrated patches of one light, its sky taken off."""
    values = defects.gather_patches(_Mapped(watched.mosaic), ys, xs)
    level = watched.sky + np.array(watched.mosaic.header.black, np.float32).reshape(2, 2)
    reach = np.arange(-defects.REACH, defects.REACH + 1)
    rows, columns = (ys[:, None] + reach) % 2, (xs[:, None] + reach) % 2
    patches = values.astype(np.float32) - level[rows[:, :, None], columns[:, None, :]].reshape(len(ys), -1)
    if dark is not None and watched.scale != 0:
        patches -= np.float32(watched.scale) * defects.gather_patches(dark, ys, xs)
    return patches


# ---- calibrate ------------------------------------------------------------------------------------------------------


def calibrate_one(arguments: argparse.Namespace) -> None:
    """Write one calibrated frame."""
    mosaic = MosaicFile(arguments.mosaic)
    header = mosaic.header
    pixels = mosaic.pixels()
    master = None if arguments.master is None else read_master(arguments.master)
    flat = None if arguments.flat is None else read_master(arguments.flat)
    for given, path in ((master, arguments.master), (flat, arguments.flat)):
        if given is not None:
            _check_fits_together(given, header, mosaic.shape, path)
    scale, note = arguments.scale, "given"
    if master is not None and scale is None:
        warm = warm_pixels(master.mean, master.noise, master.defects, _full_scale(header))
        found = _measure_factor(mosaic, warm)
        scale, note = (1.0, _no_factor(found)) if found.factor is None else (found.factor, "measured")
    flags = None if master is None else master.defects
    if arguments.defects is not None:
        try:
            flags = fits.getdata(arguments.defects).astype(np.uint8)
        except (OSError, AttributeError) as error:
            raise InputError(f"{shown(arguments.defects)}: not a defect map; run 'dark scene' again") from error
        if flags.shape != mosaic.shape:
            raise InputError(
                f"{shown(arguments.defects)}: has another size than the frame (got {flags.shape} and {mosaic.shape})"
            )
    values = calibrate(
        pixels,
        header.black,
        None if master is None else master.mean,
        1.0 if scale is None else scale,
        arguments.offset,
        flags,
        header.cfa,
        None if flat is None else flat.mean,
    )
    cards = header.cards()
    for n in (1, 2, 3, 4):
        cards[f"BLACK{n}"] = (0.0, "[ADU] taken off")
    cards["SATURATE"] = (_full_scale(header), "[ADU] above black")
    cards["BUNIT"] = "adu"
    if master is not None:
        cards["DKSCALE"] = (float(scale), f"dark factor, {note}"[:47])
        cards["DKOFFSET"] = (arguments.offset, "[ADU] further offset taken off")
        cards["NDARKS"] = (master.header.get("NFRAMES", 0), "frames of the master dark")
    cards["FLATTED"] = (flat is not None, "divided by a flat")
    cards["NREPAIR"] = (0 if flags is None else int(np.count_nonzero(flags)), "pixels repaired")
    with replacing(arguments.out) as temporary:
        fits.PrimaryHDU(values, cards).writeto(temporary, overwrite=True, output_verify="exception")


# ---- arguments ------------------------------------------------------------------------------------------------------


def parser() -> argparse.ArgumentParser:
    """The arguments of the step."""
    top = argparse.ArgumentParser(prog="python -m pipeline.dark", description=__doc__)
    commands = top.add_subparsers(dest="command", required=True)

    master = commands.add_parser("master", help="make the master of one set of darks, biases or flats")
    project_argument(master)
    master.add_argument("--set", type=Path, required=True, metavar="SET.json", help="the set, from the plan")
    master.add_argument("--mosaics", type=Path, nargs="+", required=True, metavar="DIR", help="folders of mosaics")
    master.add_argument("--dark", type=Path, metavar="MASTER.fits", help="for flats: master dark or bias of the flats")
    master.add_argument("--out", type=Path, required=True, metavar="MASTER.fits")
    master.set_defaults(work=make_master)

    scene = commands.add_parser("scene", help="find a scene's dark factors, offsets and defective pixels")
    project_argument(scene)
    scene.add_argument("--scene", type=Path, required=True, metavar="SCENE.json", help="the scene, from the plan")
    scene.add_argument("--verdicts", type=Path, required=True, metavar="VERDICTS.ecsv")
    scene.add_argument("--mosaics", type=Path, nargs="+", required=True, metavar="DIR", help="folders of mosaics")
    scene.add_argument("--master", type=Path, metavar="MASTER.fits", help="master dark, where one matches")
    scene.add_argument("--flat", type=Path, metavar="FLAT.fits", help="master flat: its dead pixels join the map")
    scene.add_argument("--out", type=Path, required=True, metavar="CALIBRATION.ecsv")
    scene.add_argument("--defects", type=Path, required=True, metavar="DEFECTS.fits")
    scene.set_defaults(work=make_scene)

    one = commands.add_parser("calibrate", help="write one calibrated frame")
    project_argument(one)
    one.add_argument("--mosaic", type=Path, required=True, metavar="MOSAIC.fits")
    one.add_argument("--master", type=Path, metavar="MASTER.fits", help="master dark")
    one.add_argument("--flat", type=Path, metavar="FLAT.fits", help="master flat")
    one.add_argument("--defects", type=Path, metavar="DEFECTS.fits", help="defect map; the master's where not given")
    one.add_argument("--scale", type=float, help="dark factor; measured from the warm pixels where not given")
    one.add_argument("--offset", type=float, default=0.0, help="further offset taken off, ADU")
    one.add_argument("--out", type=Path, required=True, metavar="CALIBRATED.fits")
    one.set_defaults(work=calibrate_one)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step; the exit status."""
    return run_step("dark", parser(), lambda arguments: arguments.work(arguments), argv)


if __name__ == "__main__":
    sys.exit(main())
