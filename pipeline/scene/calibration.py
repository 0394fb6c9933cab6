"""What calibrates a scene's lights: a dark factor and an offset a frame, and the scene's defective pixels."""

from __future__ import annotations

import argparse
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.config import load_trip
from pipeline.console import Progress
from pipeline.errors import SceneError
from pipeline.files import replacing
from pipeline.plan import PlannedFrame, ScenePlan, read_scene
from pipeline.scene.decoded import find_mosaic
from pipeline.scene.glowscale import SceneGlow, glow_between, scene_glow
from pipeline.scene.inputs import showing_land
from pipeline.scene.signal import Signal
from pipeline.scene.watched import PERSISTENCE_FRAMES, Watched, add_persistent, persistence_of
from pipeline.scene.withoutdark import Gathered, moved, pedestal_of
from pipeline.sensor import defects
from pipeline.sensor.banding import Banding, quarters_of, scene_banding
from pipeline.sensor.master import check_fits_together, read_usable_master
from pipeline.sensor.mosaic import MosaicFile
from pipeline.sensor.pattern import Pattern, glow_at_pixels
from pipeline.sensor.patternfile import banding_hdus, dark_glow_hdus, pattern_hdus
from pipeline.sensor.strips import strips_of
from pipeline.sensor.warm import (
    LINEAR_SHARE,
    DarkFactor,
    WarmPixels,
    dark_factor,
)
from pipeline.tables import read_table, rows_of, table_from_rows, write_table

# Up to so many frames rejection cannot tell what flickers: in two of three it looks like what is there.
FEW = 6
# The least dark factor of a light that has a dark.
FACTOR_LEAST = 1e-4
# Lights looked at beside one another, each of which takes two float32 frames of memory.
AT_ONCE = 2

CALIBRATION_COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "dark_scale": (float, None),
    "dark_scale_error": (float, None),
    "dark_offset": (float, "adu"),
    "warm_pixels": (int, None),
    "glow_scale": (float, None),
    "note": (str, None),
}


def make_scene(arguments: argparse.Namespace) -> None:
    """Find a scene's dark factors, offsets and defects."""
    trip = load_trip(arguments.project)
    scene = read_scene(arguments.scene)
    verdicts = {str(row["frame"]): row for row in rows_of(read_table(arguments.verdicts))}
    kept = {name: row for name, row in verdicts.items() if str(row["verdict"]) == "kept"}
    if scene.gives_ground_to is not None or not kept:
        # long exposures of land: the stars in them trail
        kept = {name: verdicts[name] for name in showing_land(arguments.verdicts)}
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
    masters = []
    for path in (arguments.master, arguments.bias, arguments.flat):
        masters.append(read_usable_master(path))
        if masters[-1] is not None:
            check_fits_together(masters[-1], header, shape, path)
    master, bias, flat = masters
    signal = Signal.of(master, bias, header.full_scale)
    from_master = 0 if signal.defects is None else int(np.count_nonzero(signal.defects))
    dead = None if flat is None else flat.defects
    used = None if master is None else scene.dark_set
    del masters, master, bias, flat  # their noise planes: half a gigabyte that the lights need
    gathered = None
    if signal.dark is None and not any(frame.camera_subtracted for frame, _ in lights):
        gathered = Gathered(header.cfa, shape, signal.bias is None, moved([f for f, _ in lights], kept))
    with Progress(arguments.project, "dark", scene.scene, len(lights), scene.scene) as progress:
        rows, flags, found, glow = _scene(scene, lights, signal, trip.dark.hot_sigma, progress, gathered)
    pattern, told = (Pattern(), {}) if gathered is None else gathered.pattern()
    told = told | found.told() | ({} if glow is None else glow.told)
    if not header.black_stated:
        told = told | _take_pedestal(rows, lights, signal)
    if dead is not None:
        flags |= dead
    counts = {
        "hot_pixels": int(np.count_nonzero(flags & (defects.HOT | defects.UNSTABLE))),
        "cold_pixels": int(np.count_nonzero(flags & defects.COLD)),
        "from_master": from_master,
        "repaired_share": round(float(np.count_nonzero(flags)) / flags.size, 8),
    }
    write_table(
        table_from_rows(rows, CALIBRATION_COLUMNS, {"master": used, **counts, **told}),
        arguments.out,
    )
    cards = fits.Header()
    cards["NHOT"] = (counts["hot_pixels"], "hot or unstable pixels")
    cards["NCOLD"] = (counts["cold_pixels"], "cold pixels")
    cards["COMMENT"] = "1 hot, 2 cold, 4 unstable; any of them is repaired"
    of_glow = [] if glow is None else dark_glow_hdus(glow.blocks, glow.block, glow.law)
    with replacing(arguments.defects) as temporary:
        hdus = fits.HDUList(
            [fits.PrimaryHDU(flags, cards), *pattern_hdus(pattern), *banding_hdus(found.by_frame), *of_glow]
        )
        hdus.writeto(temporary, overwrite=True, output_verify="exception")


def _take_pedestal(
    rows: list[dict[str, Any]], lights: list[tuple[PlannedFrame, MosaicFile]], signal: Signal
) -> dict[str, Any]:
    """Where no file states a black level: give the frames the pedestal as their offset, if it is told, and say so."""
    if signal.dark is not None or signal.bias is not None:
        taken = "dark" if signal.bias is None or signal.colder_c is not None else "bias"
        return {"black": f"the files state no black level; it is taken off with the {taken}"}
    found = pedestal_of([mosaic for _, mosaic in lights])
    if found is None:
        return {
            "black": "the files state no black level and the noise does not tell it: the camera's pedestal is still in "
            "the sky's level, so that the sky comes out too bright and too grey, and figures of its brightness and of "
            "electrons do not hold; some biases or darks of this camera would take it off",
            "black_left": True,
        }
    for row in rows:
        row["dark_offset"] = (row.get("dark_offset") or 0.0) + found.level
    return {
        "black": f"the files state no black level; from how the noise grows with the light it was told as "
        f"{found.level:.0f} ADU, give or take {max(found.error, 1):.0f}, and taken off; biases would tell it better",
        "black_adu": round(found.level, 3),
        "black_error_adu": round(found.error, 3),
    }


def _scene(
    scene: ScenePlan,
    lights: list[tuple[PlannedFrame, MosaicFile]],
    signal: Signal,
    hot_sigma: float,
    progress: Progress,
    gathered: Gathered | None,
) -> tuple[list[dict[str, Any]], NDArray[np.uint8], SceneBanding, SceneGlow | None]:
    shape, header = lights[0][1].shape, lights[0][1].header
    some = np.unique(np.linspace(0, len(lights) - 1, min(PERSISTENCE_FRAMES, len(lights))).round().astype(int))
    with ThreadPoolExecutor(AT_ONCE) as pool:
        rows = list(pool.map(lambda n: _dark_row(*lights[n], signal, scene), range(len(lights))))
        glow = _glow(lights, rows, signal, pool)
        if glow is not None:
            signal = replace(signal, glow=glow_at_pixels(glow.blocks, glow.block, shape))
        found = _banding(lights, [row.get("dark_scale", 1.0) for row in rows], signal, pool, progress)
        watch = [
            Watched(
                mosaic=lights[n][1],
                signal=signal,
                scale=rows[n].get("dark_scale", 1.0),
                offset=rows[n].get("dark_offset") or 0.0,
                banding=found.by_frame.get(lights[n][0].id),
                glow_scale=rows[n].get("glow_scale"),
            )
            for n in some
        ]
        total = persistence_of(watch, pool)
        strays: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        few = 1 < len(lights) <= FEW
        for first in range(0, len(watch) if few or gathered is not None else 0, AT_ONCE):
            seen = watch[first : first + AT_ONCE]
            for light, values in zip(seen, pool.map(Watched.values, seen), strict=True):
                if few:
                    strays.append(defects.stray_pixels(values, header.cfa))
                if gathered is not None:
                    gathered.add(light.mosaic, values, light.sigma, signal.bias)
        flags = np.zeros(shape, np.uint8) if signal.defects is None else signal.defects.copy()
        add_persistent(flags, total, watch, header.cfa, hot_sigma, header.full_scale, pool)
    for place in strays:
        flags[place] |= defects.UNSTABLE
    return rows, flags, found, glow


def _glow(
    lights: list[tuple[PlannedFrame, MosaicFile]],
    rows: list[dict[str, Any]],
    signal: Signal,
    pool: ThreadPoolExecutor,
) -> SceneGlow | None:
    """The factors that the dark's glow has of its own, put into the rows; None where the pixels' serve for it too."""
    if signal.dark is None:
        return None
    mosaics = [mosaic for _, mosaic in lights]
    scales = [row.get("dark_scale") for row in rows]
    if signal.colder_c is not None and signal.bias is not None:
        found = glow_between(mosaics, scales, signal.dark, signal.bias, signal.rise)
    else:
        lasting = [signal.lasting(frame.exposure_s) for frame, _ in lights]
        found = scene_glow(mosaics, scales, lasting, signal.dark, signal.bias, pool)
    for row, factor in zip(rows, [] if found is None else found.scales, strict=False):
        row["glow_scale"] = factor
    return found


@dataclass(frozen=True)
class SceneBanding:
    """What is taken off the lines of single frames, by their ids, and how far lines are off, ADU rms; None: not."""

    by_frame: dict[str, Banding]
    rows_adu: float | None
    columns_adu: float | None

    def told(self) -> dict[str, Any]:
        """For the header of the table."""
        rms = {"banding_rows_adu": self.rows_adu, "banding_columns_adu": self.columns_adu}
        return {
            "banding_frames": len(self.by_frame),
            **{key: None if value is None else round(value, 3) for key, value in rms.items()},
        }


def _banding(
    lights: list[tuple[PlannedFrame, MosaicFile]],
    scales: list[float],
    signal: Signal,
    pool: ThreadPoolExecutor,
    progress: Progress,
) -> SceneBanding:
    """What rows and columns are off by in single lights: each is set against those of the other lights."""
    mono = lights[0][1].header.cfa == "MONO"

    def look(n: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        masters = (signal.dark, scales[n], signal.bias) if scales[n] != 0 else ()
        return quarters_of(strips_of(lights[n][1].stored, *masters), mono)

    quarters = []
    for found in pool.map(look, range(len(lights))):
        quarters.append(found)
        progress.advance()
    banding, rows, columns = scene_banding(quarters, AT_ONCE)
    by_frame = {frame.id: of for (frame, _), of in zip(lights, banding, strict=True) if of is not None}
    return SceneBanding(by_frame, rows, columns)


def _dark_row(frame: PlannedFrame, mosaic: MosaicFile, signal: Signal, scene: ScenePlan) -> dict[str, Any]:
    """The factor and offset of one light, and in words where they come from."""
    header = mosaic.header
    row: dict[str, Any] = {"frame": frame.id}
    if frame.camera_subtracted:
        return row | {"dark_scale": 0.0, "dark_offset": 0.0, "note": "the camera has subtracted a dark already"}
    if signal.warm is None:
        why = scene.dark_why or "no master dark"
        taken = "no dark subtracted" if signal.bias is None else "a bias subtracted, no dark"
        return row | {"note": f"{taken}: {why}; defects are found from the lights"}
    found = measure_factor(mosaic, signal.warm)
    notes = []
    factor = found.factor
    if factor is None:
        factor = signal.expected_factor(frame)
        notes.append(no_factor(found, factor))
    # a factor of exactly 0 is kept for frames whose camera took its own dark off; one colder than the colder darks has
    # less than these show
    if signal.colder_c is None or factor == 0:
        factor = max(factor, FACTOR_LEAST)
    row |= {
        "dark_scale": factor,
        "dark_scale_error": found.error,
        "warm_pixels": found.pixels,
        "dark_offset": 0.0,
    }
    if not header.black_stated and signal.bias is None:
        # the camera's pedestal is in the dark, and does not go with time and temperature
        row["dark_offset"] = (1 - factor) * signal.level
        notes.append("what an ordinary pixel of the dark shows is taken off whole, as no black level is stated")
    if header.masked_level is not None and signal.masked is not None:
        fixed, thermal = signal.masked
        scaled = thermal * (factor if signal.bias is not None else 1.0)
        row["dark_offset"] += header.masked_level - float(np.mean(header.black)) - fixed - scaled
        notes.append("offset from the masked columns")
    return row | {"note": "; ".join(notes)}


def measure_factor(mosaic: MosaicFile, warm: WarmPixels) -> DarkFactor:
    """The dark factor that a light asks for."""
    sigma = defects.cross_residual_sigma(mosaic)
    return dark_factor(mosaic, warm, sigma, mosaic.header.saturation * LINEAR_SHARE)


def no_factor(found: DarkFactor, taken: float = 1.0) -> str:
    """Why the factor is not the light's own, in words."""
    what = "factor 1 taken" if taken == 1 else f"factor {taken:.2f} taken from exposure and temperature"
    if found.error is None:
        return f"{what}: too few warm pixels ({found.pixels})"
    return f"{what}: the warm pixels tell it to {found.error:.2f} only"
