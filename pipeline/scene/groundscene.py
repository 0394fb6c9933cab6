"""The ground of a tracked scene from frames of another one, taken from a tripod: opened, placed, set in scale.

The half of the step `ground` that reads a second scene's files.
"""

from __future__ import annotations

import argparse
import logging
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import between
from pipeline.plan import ScenePlan, read_scene
from pipeline.scene.decoded import find_path
from pipeline.scene.inputs import read_inputs, showing_land
from pipeline.sky.geometry import Geometry, Placement
from pipeline.skyline.empty import CELL, emptiness
from pipeline.skyline.find import Found
from pipeline.skyline.hold import TRIPOD, Hold
from pipeline.skyline.still import HALF, Stills, make_stills
from pipeline.skyline.tell import tell
from pipeline.skyline.views import Levels, carried, levels_between, moved_through, place_view
from pipeline.stack.sources import Inputs

log = logging.getLogger("moonless.ground")

FILES = ("verdicts", "calibration", "defects", "master", "bias", "flat")
# Cells of the land's edge that tell nothing of its level.
EDGE_CELLS = 3
# Error of the measured scale, as a share of it, up to which it is believed rather than exposure and ISO.
SCALE_ERROR = 0.05


@dataclass(frozen=True)
class Separate:
    """Frames of the other scene, ready for the ground's picture.

    Attributes
    ----------
    inputs : theirs
    hold : where in each lies the ground that the tracked scene's reference shows
    scale : what their values are multiplied by
    mask : (height, width) share of ground as they show it sharply, or None
    told : plain values for ground.json
    """

    inputs: Inputs
    hold: Hold
    scale: float
    mask: NDArray[np.float32] | None
    told: dict[str, Any]


def separate_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments that name the other scene's files."""
    parser.add_argument("--from-scene", type=Path, metavar="SCENE.json", help="a scene whose frames give the ground")
    parser.add_argument("--from-mosaics", type=Path, nargs="+", default=[], metavar="DIR", help="its mosaics")
    for name in FILES:
        parser.add_argument(f"--from-{name}", type=Path, metavar="FILE", help=f"its --{name}")


def separate_ground(
    arguments: argparse.Namespace,
    plan: ScenePlan,
    inputs: Inputs,
    geometry: Geometry,
    hold: Hold,
    seconds: Mapping[str, float | None],
    found: Found,
) -> tuple[Separate | None, str]:
    """Open the other scene's frames and lay them on the reference.

    Parameters
    ----------
    plan, inputs, geometry, hold, seconds : of the tracked scene
    found : its ground as its own frames show it

    Returns
    -------
    separate : None where it cannot be used
    why : why not, a sentence's end
    """
    other = read_scene(arguments.from_scene)
    paths = _usable(other, arguments.from_verdicts, arguments.from_mosaics)
    if not paths:
        return None, "none of them is usable"
    level = np.array([1.0, 0.0, 0.0, 0.0])
    placements = {name: Placement(level) for name in paths}
    own = replace(geometry, reference=next(iter(paths)), frames=placements, left_out={}, elsewhere=())
    files = argparse.Namespace(**{name: getattr(arguments, f"from_{name}") for name in FILES})
    frames = read_inputs(other, paths, own, files)
    if (frames.shape, frames.cfa) != (inputs.shape, inputs.cfa):
        return None, (
            f"they have {frames.shape[1]} x {frames.shape[0]} pixels {frames.cfa}, the scene "
            f"{inputs.shape[1]} x {inputs.shape[0]} {inputs.cfa}"
        )
    if found.told.cells is None or found.stills is None or found.seen is None:
        return None, "the reference shows no ground on which they could be laid"
    still, side = found.stills, found.stills.side
    land = found.told.cells > 0.5
    camera, green = geometry.camera, len(still.first) // 2
    standing = Hold(own, TRIPOD, {name: np.eye(3) for name in paths})
    whole = make_stills(frames.frames, frames.mosaics, frames.calibration, standing, arguments.threads, side)
    here, there = still.mean[green], whole.mean[green]
    rows, columns = np.nonzero(land ^ ndimage.binary_erosion(land, border_value=1))
    exposure = _median(frame.exposure_s for frame in plan.frames)
    drift = hold.drift_px(seconds, exposure or 0.0, float(columns.mean()) * side, float(rows.mean()) * side)
    smear = (float(drift[0]), float(drift[1]))
    view = place_view(here, there, land, camera, side, _starts(hold, next(iter(paths))), smear)
    if view is None:
        return None, "they show nothing that the reference shows too"
    turns, left_out = _each(frames, standing, arguments.threads, there, carried(land, camera, side, view.turn), side)
    turns = {name: turn @ view.turn for name, turn in turns.items()}
    if not turns:
        return None, "they differ from one another"
    frames = frames.only([n for n, frame in enumerate(frames.frames) if frame.id in turns])
    reference = {geometry.reference: geometry.frames[geometry.reference]}
    laid = replace(own, reference=geometry.reference, frames={**reference, **{n: placements[n] for n in turns}})
    lying = Hold(laid, TRIPOD, {geometry.reference: np.eye(3), **turns})
    moved = moved_through(there, smear[0] / side, smear[1] / side)
    # where no file states a black level the camera's pedestal is known from the noise alone, to some ADU
    from_zero = all(frame.header.black_stated for frame in (*frames.frames, *inputs.frames))
    edge = EDGE_CELLS + int(np.ceil(max(abs(smear[0]), abs(smear[1])) / 2 / side))
    inner = ndimage.binary_erosion(land, iterations=edge, border_value=1)
    levels, told_scale = _scale(plan, other, levels_between(here, moved, inner, camera, side, view.turn, from_zero))
    if levels.offset:
        low = -levels.offset / levels.scale
        offset = [replace(frame, dark_offset=frame.dark_offset + low) for frame in frames.frames]
        frames = replace(frames, frames=offset)
    sharp = make_stills(frames.frames, frames.mosaics, frames.calibration, lying, arguments.threads)
    return (
        Separate(
            frames,
            lying,
            levels.scale,
            _mask(sharp, found, hold, inputs.shape),
            {
                "from": other.scene,
                "frames_left_out": left_out,
                "correlation": round(view.correlation, 3),
                "moved_px": round(float(hold.geometry.camera.focal_px * _angle(view.turn)), 1),
                **told_scale,
            },
        ),
        "",
    )


def _each(
    frames: Inputs,
    standing: Hold,
    threads: int,
    there: NDArray[np.floating],
    land: NDArray[np.bool_],
    side: int,
) -> tuple[dict[str, NDArray[np.float64]], list[str]]:
    """How each frame lies on all of them together, a turn by id, and those that do not: a tripod may creep, and
    somebody may have moved it.

    Parameters
    ----------
    standing : as if the camera had not moved
    there, land : (rows, columns) all of them together, and where they show land; cells of `side` px
    """
    names = [frame.id for frame in frames.frames]
    if len(names) == 1:
        return {names[0]: np.eye(3)}, []
    turns, left_out = {}, []
    for number, name in enumerate(names):
        alone = make_stills(frames.frames, frames.mosaics, frames.calibration, standing, threads, side, [number])
        planes = alone.mean
        lies = place_view(
            there, planes[len(planes) // 2], land, standing.geometry.camera, side, [np.eye(3)], coarse=False
        )
        if lies is None:
            left_out.append(name)
        else:
            turns[name] = lies.turn
    return turns, left_out


def _usable(plan: ScenePlan, verdicts: Path, folders: list[Path]) -> dict[str, Path]:
    """Mosaics of the frames that show ground, by id in order of time."""
    paths = {}
    for frame in showing_land(verdicts):
        path = find_path(frame, folders)
        if path is None:
            log.warning("%s: %s: its mosaic is not there and it is left out", plan.scene, frame)
        else:
            paths[frame] = path
    return paths


def _starts(hold: Hold, first: str) -> list[NDArray[np.float64]]:
    """Turns from which the other camera's is looked for: as the reference stood, and as the frame nearest in time."""
    names = sorted(hold.turns)
    after = next((name for name in names if name > first), names[-1])
    before = next((name for name in reversed(names) if name < first), names[0])
    return [np.eye(3), *(np.asarray(hold.turns[name]) for name in dict.fromkeys((before, after)))]


def _median(values: Any) -> float | None:
    known = [float(v) for v in values if v]
    return float(np.median(known)) if known else None


def _angle(turn: NDArray[np.float64]) -> float:
    """Between the axes of two views, rad."""
    return float(np.arccos(np.clip(turn[2, 2], -1, 1)))


def _scale(plan: ScenePlan, other: ScenePlan, measured: Levels | None) -> tuple[Levels, dict[str, Any]]:
    """What the other frames' values are multiplied by, and what is added, and how that is known.

    Parameters
    ----------
    measured : on the land
    """
    light = []
    for scene in (plan, other):
        exposure, iso = (_median(getattr(frame, key) for frame in scene.frames) for key in ("exposure_s", "iso"))
        light.append(exposure * iso if exposure and iso else None)
    told = light[0] / light[1] if light[0] and light[1] else None
    sure = measured is not None and measured.scale > 0 and measured.error < SCALE_ERROR * measured.scale
    levels = measured if measured is not None and sure else Levels(told or 1.0, 0.0)
    return levels, {
        "scale": round(levels.scale, 4),
        "scale_measured": bool(sure),
        "scale_of_exposure_and_iso": None if told is None else round(told, 4),
        "offset_adu": round(levels.offset, 3),
    }


def _mask(sharp: Stills, found: Found, hold: Hold, shape: tuple[int, int]) -> NDArray[np.float32] | None:
    """The ground as the other frames show it sharply, and beyond them as the tracked ones do, whose stars are witnesses
    of sky all the same."""
    assert found.seen is not None
    seen = found.seen.on(hold)
    empty = emptiness(seen, shape, max(CELL, HALF))
    mask = None if empty is None else tell(sharp, seen, empty).mask(shape)
    own = found.told.mask(shape)
    if mask is None or own is None:
        return mask
    reached = np.asarray(np.isfinite(sharp.mean).all(axis=0), np.float32)
    return np.where(between(reached, sharp.side, shape) > 0.5, mask, own)
