"""What calibrates a scene's lights: a dark factor and an offset a frame, and the scene's defective pixels."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.config import load_trip
from pipeline.console import Progress
from pipeline.decoded import find_mosaic
from pipeline.errors import SceneError
from pipeline.files import replacing
from pipeline.plan import PlannedFrame, ScenePlan, read_scene
from pipeline.sensor import defects
from pipeline.sensor.calibrate import calibrate
from pipeline.sensor.master import Master, check_fits_together, read_master
from pipeline.sensor.mosaic import MosaicFile
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
        check_fits_together(master, header, shape, arguments.master)
    flat = read_master(arguments.flat) if arguments.flat is not None else None
    if flat is not None:
        check_fits_together(flat, header, shape, arguments.flat)
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
        warm = warm_pixels(master.mean, master.noise, master.defects, header.full_scale)
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
    _add_persistent(flags, total, watch, dark, header.cfa, hot_sigma, header.full_scale)
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
    found = measure_factor(mosaic, warm)
    notes = []
    if found.factor is None:
        notes.append(no_factor(found))
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


def measure_factor(mosaic: MosaicFile, warm: WarmPixels) -> DarkFactor:
    """The dark factor that a light asks for."""
    pixels = _Mapped(mosaic)
    sigma = defects.cross_residual_sigma(pixels)
    return dark_factor(pixels, warm, sigma, mosaic.header.saturation * LINEAR_SHARE)


def no_factor(found: DarkFactor) -> str:
    """Why the factor is 1, in words."""
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
