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
from pipeline.scene.glowscale import SceneGlow, scene_glow
from pipeline.scene.inputs import showing_land
from pipeline.scene.withoutdark import Gathered, moved, pedestal_of
from pipeline.sensor import defects
from pipeline.sensor.banding import Banding, quarters_of, scene_banding
from pipeline.sensor.calibrate import calibrate, dark_signal
from pipeline.sensor.master import Master, check_fits_together, is_dark, read_usable_master
from pipeline.sensor.mosaic import MosaicFile
from pipeline.sensor.pattern import Pattern, glow_at_pixels
from pipeline.sensor.patternfile import banding_hdus, dark_glow_hdus, pattern_hdus
from pipeline.sensor.strips import strips_of
from pipeline.sensor.warm import (
    DOUBLING_C,
    LINEAR_SHARE,
    DarkFactor,
    WarmPixels,
    dark_factor,
    expected_share,
    warm_pixels,
)
from pipeline.tables import read_table, rows_of, table_from_rows, write_table

# Lights whose pixels are followed for defects: with 16, what stands out by 1.3 sigma of a frame is found at 5 sigma.
PERSISTENCE_FRAMES = 16
# Standard deviations of a persistence sum; 24 million pixels give about 14 by chance, which repair does no harm.
PERSISTENCE_SIGMA = 5.0
# With one frame a peak of noise persists as well as anything: ask for more.
SINGLE_SIGMA = 6.0
# Up to so many frames rejection cannot tell what flickers: in two of three it looks like what is there.
FEW = 6
# The least dark factor of a light that has a dark.
FACTOR_LEAST = 1e-4
# Lights looked at beside one another, each of which takes two float32 frames of memory.
AT_ONCE = 2
# Times that candidates are looked at: of three defects that touch the second tells the third.
ROUNDS = 3
# Candidates looked at in one go (25 values each, a frame).
PATCHES_AT_ONCE = 100_000

CALIBRATION_COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "dark_scale": (float, None),
    "dark_scale_error": (float, None),
    "dark_offset": (float, "adu"),
    "warm_pixels": (int, None),
    "glow_scale": (float, None),
    "note": (str, None),
}


@dataclass(frozen=True)
class Signal:
    """What the masters say of the sensor without light.

    `dark` is what a dark shows above the bias where there is one, else above black; ADU. Of darks of two temperatures
    the colder stand in the bias's place: what the warmer show above them is dark signal alone.
    """

    dark: NDArray[np.float32] | None = None
    bias: NDArray[np.float32] | None = None
    warm: WarmPixels | None = None
    defects: NDArray[np.uint8] | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    colder_c: float | None = None  # temperature of the darks that stand in the bias's place
    masked: tuple[float, float] | None = None  # level of masked columns above black: the bias's, what a dark adds
    level: float = 0.0  # of an ordinary pixel of the dark, above black
    glow: NDArray[np.float32] | None = None  # the part of the dark that has a factor of its own

    @classmethod
    def of(cls, dark: Master | None, bias: Master | None, full_scale: float) -> Signal:
        """What a master dark and a bias, either of which may be missing, say together."""
        if dark is None and bias is not None and is_dark(bias.header):
            dark, bias = bias, None
        if dark is None:
            return cls() if bias is None else cls(bias=bias.mean)
        mean, noise, flags, fixed = dark.mean, dark.noise, dark.defects, 0.0
        masked = dark.header.get("MASKDIFF")
        colder = bias if bias is not None and is_dark(bias.header) else None
        if bias is not None:
            mean, noise = mean - bias.mean, np.hypot(noise, bias.noise)
            fixed = bias.header.get("MASKDIFF", masked if masked is not None else 0.0)
        below: tuple[NDArray[np.float32], ...] = ()
        if colder is not None:
            flags, below = flags | colder.defects, (colder.mean, colder.noise)
        return cls(
            mean,
            None if bias is None else bias.mean,
            warm_pixels(mean, noise, flags, full_scale, *below),
            flags,
            dark.header.get("EXPTIME"),
            dark.header.get("CCD-TEMP"),
            None if colder is None else colder.header.get("CCD-TEMP"),
            None if masked is None else (float(fixed), float(masked) - float(fixed)),
            float(dark.header.get("DLEVEL", 0.0)),
        )

    def lasting(self, exposure_s: float | None) -> float:
        """The dark factor that the exposure alone lets expect."""
        return exposure_s / self.exposure_s if self.bias is not None and exposure_s and self.exposure_s else 1.0

    def expected_factor(self, frame: PlannedFrame) -> float:
        """The dark factor that exposure and temperature let expect; 1 where a dark is not scaled without its bias."""
        if self.colder_c is not None and self.temperature_c is not None:
            if frame.temperature_c is None:
                return 0.5
            return expected_share(frame.temperature_c, self.colder_c, self.temperature_c)
        if self.bias is None or not frame.exposure_s or not self.exposure_s:
            return 1.0
        warmer = 0.0
        if frame.temperature_c is not None and self.temperature_c is not None:
            warmer = frame.temperature_c - self.temperature_c
        return float(self.lasting(frame.exposure_s) * 2 ** (warmer / DOUBLING_C))


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
    of_glow = [] if glow is None else dark_glow_hdus(glow.blocks, glow.block, glow.power)
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
            "electrons do not hold; some biases or darks of this camera would take it off"
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
    watched = set(np.unique(np.linspace(0, len(lights) - 1, min(PERSISTENCE_FRAMES, len(lights))).round().astype(int)))
    total = np.zeros(shape, np.float32)
    watch: list[_Watched] = []
    with ThreadPoolExecutor(AT_ONCE) as pool:
        rows = list(pool.map(lambda n: _dark_row(*lights[n], signal, scene), range(len(lights))))
        glow = _glow(lights, rows, signal, pool)
        if glow is not None:
            signal = replace(signal, glow=glow_at_pixels(glow.blocks, glow.block, shape))
        found = _banding(lights, [row.get("dark_scale", 1.0) for row in rows], signal, pool, progress)

        def look(n: int) -> tuple[NDArray[np.float32], _Watched]:
            frame, mosaic = lights[n]
            offset, scale = rows[n].get("dark_offset") or 0.0, rows[n].get("dark_scale", 1.0)
            glows = rows[n].get("glow_scale")
            dark, factor = dark_signal(
                signal.dark,
                signal.bias,
                scale,
                banding=found.by_frame.get(frame.id),
                glow=signal.glow,
                glow_scale=glows,
            )
            values = calibrate(mosaic.pixels(), mosaic.header.black, dark, factor, offset)
            sky = np.array([[clipped_level(values[r::2, c::2]) for c in (0, 1)] for r in (0, 1)], np.float32)
            sigma = max(defects.cross_residual_sigma(values), 1e-3)
            return values, _Watched(mosaic, scale, sky + offset, sigma, 0.0 if glows is None else glows - scale)

        order = sorted(watched)
        strays: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
        for first in range(0, len(order), AT_ONCE):
            for values, seen in pool.map(look, order[first : first + AT_ONCE]):
                defects.add_persistence(total, values, seen.sigma)
                watch.append(seen)
                if 1 < len(lights) <= FEW:
                    strays.append(defects.stray_pixels(values, header.cfa))
                if gathered is not None:
                    gathered.add(seen.mosaic, values, seen.sigma, signal.bias)
    flags = np.zeros(shape, np.uint8) if signal.defects is None else signal.defects.copy()
    _add_persistent(flags, total, watch, signal, header.cfa, hot_sigma, header.full_scale)
    for place in strays:
        flags[place] |= defects.UNSTABLE
    return rows, flags, found, glow


def _glow(
    lights: list[tuple[PlannedFrame, MosaicFile]],
    rows: list[dict[str, Any]],
    signal: Signal,
    pool: ThreadPoolExecutor,
) -> SceneGlow | None:
    """The factors that the dark's glow has of its own, put into the rows; None where the pixels' serve for it too.

    Between darks of two temperatures they do: what the warmer show above the colder is what the glow has risen by.
    """
    if signal.dark is None or signal.colder_c is not None:
        return None
    lasting = [signal.lasting(frame.exposure_s) for frame, _ in lights]
    scales = [row.get("dark_scale") for row in rows]
    found = scene_glow([mosaic for _, mosaic in lights], scales, lasting, signal.dark, signal.bias, pool)
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
    banding, rows, columns = scene_banding(quarters)
    by_frame = {frame.id: of for (frame, _), of in zip(lights, banding, strict=True) if of is not None}
    return SceneBanding(by_frame, rows, columns)


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
    more_glow: float = 0.0  # times the dark's glow, beyond what the scale takes


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


def _add_persistent(
    flags: NDArray[np.uint8],
    total: NDArray[np.float32],
    watch: list[_Watched],
    signal: Signal,
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
    for _ in range(ROUNDS):
        for start in range(0, len(ys), PATCHES_AT_ONCE):
            y, x = ys[start : start + PATCHES_AT_ONCE], xs[start : start + PATCHES_AT_ONCE]
            patches = np.median(np.stack([_patches(w, signal, y, x) for w in watch]), axis=0).astype(np.float32)
            known = defects.gather_patches(flags, y, x) != 0
            hot, cold = defects.looks_like_defect(patches, y, x, cfa, sigma, limit, known)
            hot &= ~defects.full_beside(patches, known, 0.8 * full_scale)
            flags[y[hot], x[hot]] |= defects.HOT
            flags[y[cold], x[cold]] |= defects.COLD
        # those that touch a defect are looked at again without it
        touch = (flags[ys, xs] == 0) & (defects.gather_patches(flags, ys, xs) != 0).any(axis=1)
        ys, xs = ys[touch], xs[touch]
    if frames >= 3:

        def shown(ys: NDArray[np.int64], xs: NDArray[np.int64], rows: bool = False) -> float:
            return defects.line_level([_patches(w, signal, ys, xs) for w in watch], [w.sigma for w in watch], rows)

        across = np.ascontiguousarray(total.T)
        with ThreadPoolExecutor(AT_ONCE) as pool:
            rows = pool.submit(defects.bad_columns, across, frames, lambda xs, ys: shown(ys, xs, True))
            lines = defects.bad_columns(total, frames, shown) | rows.result().T
        flags[lines & (total > 0)] |= defects.HOT
        flags[lines & (total <= 0)] |= defects.COLD


def _median_error(frames: int) -> float:
    """Standard error of the median of that many normal values of sigma 1 (of one or two: of their mean)."""
    return float(np.sqrt((1.0 if frames <= 2 else np.pi / 2) / frames))


def _patches(watched: _Watched, signal: Signal, ys: NDArray[np.int64], xs: NDArray[np.int64]) -> NDArray[np.float32]:
    """Calibrated patches of one light, its sky taken off."""
    values = defects.gather_patches(watched.mosaic, ys, xs)
    level = watched.sky + np.array(watched.mosaic.header.black, np.float32).reshape(2, 2)
    reach = np.arange(-defects.REACH, defects.REACH + 1)
    rows, columns = (ys[:, None] + reach) % 2, (xs[:, None] + reach) % 2
    patches = values.astype(np.float32) - level[rows[:, :, None], columns[:, None, :]].reshape(len(ys), -1)
    if signal.dark is not None and watched.scale != 0:
        patches -= np.float32(watched.scale) * defects.gather_patches(signal.dark, ys, xs)
    if signal.glow is not None and watched.more_glow != 0:
        patches -= np.float32(watched.more_glow) * defects.gather_patches(signal.glow, ys, xs)
    if signal.bias is not None and watched.scale != 0:
        patches -= defects.gather_patches(signal.bias, ys, xs)
    return patches
