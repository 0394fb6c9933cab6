"""The step `ground`: which part of a scene is ground, and a picture of it in which the ground stands still."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
from bisect import bisect
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.config import Trip, load_trip
from pipeline.console import Progress, run_step
from pipeline.errors import InputError
from pipeline.files import replacing, shown, write_json
from pipeline.pages.words import count
from pipeline.plan import ScenePlan, read_scene
from pipeline.scene.groundpicture import make_ground, unreached
from pipeline.scene.groundscene import separate_arguments, separate_ground
from pipeline.scene.handmask import mask_of, read_mask
from pipeline.scene.inputs import input_arguments, kept_mosaics, listed_streaks, read_inputs
from pipeline.scene.starlists import read_lists
from pipeline.sky import times
from pipeline.sky.geometry import Geometry
from pipeline.skyline.find import Found, find_ground
from pipeline.skyline.hold import Hold, hold_of
from pipeline.skyline.moving import areas_of, nearest
from pipeline.skyline.told import Told
from pipeline.stack.groundfile import GroundFile, append_moving, read_ground, write_no_ground
from pipeline.stack.land import Canvas
from pipeline.stack.sources import Frame, Inputs

log = logging.getLogger("moonless.ground")

# Share of the picture below which ground is not worth a picture of its own.
AREA_LEAST = 2e-4
PLACES = np.dtype([("x", "f8"), ("y", "f8"), ("flux", "f8")])
# How far a scene's own ground goes on under that of another's frames, px.
OVERLAP_PX = 8
# Places a side, or along a streak, at which it is looked up whether a frame shows land.
PROBES = 50
# A streak so near to land, px, is its edge: what a streak's line may be off.
BESIDE_PX = 12.0
WHOLLY = 0.95  # of a streak on land that lies still: a lamp's or a headlight's, its end a px off
BY_HAND = "the mask was given by hand"


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step from the command line."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.ground", description=__doc__)
    input_arguments(parser)
    separate_arguments(parser)
    parser.add_argument("--stars", type=Path, nargs="*", default=[], metavar="STARS.fits", help="the star lists")
    parser.add_argument("--mask", type=Path, metavar="MASK.png", help="the ground by hand: white is ground")
    parser.add_argument("--out", type=Path, required=True, metavar="GROUND.fits")
    parser.add_argument("--figures", type=Path, required=True, metavar="GROUND.json")
    return run_step("ground", parser, _work, argv)


def _work(arguments: argparse.Namespace) -> None:
    trip = load_trip(arguments.project)
    plan = read_scene(arguments.scene)
    geometry = Geometry.load(arguments.geometry)
    with Progress(arguments.project, "ground", plan.scene, 1, plan.scene) as progress:
        given = arguments.mask or mask_of(trip, arguments.project, plan.scene)
        if given is None and not trip.ground.find:
            why = "not looked for (ground.find is off)"
            write_no_ground(arguments.out, why)
            write_json(arguments.figures, {"found": False, "why": why})
            return
        paths = kept_mosaics(plan, arguments.verdicts, geometry, arguments.mosaics)
        inputs = read_inputs(plan, paths, geometry, arguments, trip.combine.vignetting)
        seconds = moments(geometry, plan)
        hold = hold_of(geometry, seconds, pole_of(geometry, plan))
        smear = hold.smear_px(seconds, float(np.median([frame.exposure_s or 0.0 for frame in plan.frames])))
        found = look(inputs, geometry, hold, smear, arguments) if given is None or arguments.from_scene else None
        told = by_hand(given, inputs) if given is not None else by_itself(found, inputs.shape)
        mask, moving = told.pop("mask"), [] if found is None or given is not None else found.moving
        separate = None
        if arguments.from_scene is not None and mask is not None and found is not None:
            separate, why = separate_ground(arguments, plan, inputs, geometry, hold, seconds, found)
            name = arguments.from_scene.stem
            told |= {"not_from": f"the frames of {name} were not used: {why}"} if separate is None else separate.told
            if separate is not None and given is None and separate.mask is not None:
                mask = separate.mask
                told["share"] = float(mask.mean(dtype=np.float64))
        told["hold"] = hold.to_json()
        if moving:
            told["moving"] = shares_of_moving(moving, hold, inputs.frames)
            told["streaks_of_land"] = streaks_of_land(moving, hold, arguments.verdicts, smear)
        elif mask is not None:
            told["streaks_of_land"] = streaks_on_land(mask, hold, arguments.verdicts)
        with replacing(arguments.out) as temporary:
            if mask is None:
                write_no_ground(temporary, told["why"])
            else:
                source, lying, scale, beyond = inputs, hold, 1.0, None
                if separate is not None:
                    source, lying, scale = separate.inputs, separate.hold, separate.scale
                    gap = unreached(lying, source.frames, inputs.shape)
                    told["not_reached_share"] = float(mask[gap].sum(dtype=np.float64) / mask.sum(dtype=np.float64))
                    if (gap & (mask > 0)).any():
                        beyond = own_ground(inputs, geometry, hold, mask, gap, temporary, trip, arguments, progress)
                told |= make_ground(
                    source, geometry, lying, mask, temporary, trip, arguments.threads, progress, scale, beyond=beyond
                )
                told["how"] = how(hold, told, source)
            if moving:
                append_moving(temporary, moving)
        write_json(arguments.figures, {"found": mask is not None, **told})


def own_ground(
    inputs: Inputs,
    geometry: Geometry,
    hold: Hold,
    mask: NDArray[np.float32],
    gap: NDArray[np.bool_],
    beside: Path,
    trip: Trip,
    arguments: argparse.Namespace,
    progress: Progress,
) -> GroundFile | None:
    """The ground as the scene's own frames show it where those of another do not reach."""
    only = ndimage.maximum_filter(gap, 2 * OVERLAP_PX + 1)
    with tempfile.TemporaryDirectory(prefix=beside.name, dir=beside.parent) as folder:
        path = Path(folder) / "ground.fits"
        make_ground(inputs, geometry, hold, mask, path, trip, arguments.threads, progress, only=only)
        # what is mapped stays until it is closed, without a name
        return read_ground(path)


def moments(geometry: Geometry, plan: ScenePlan) -> dict[str, float | None]:
    """Middles of the frames' exposures, s from the reference's; None where their times are not known."""
    days = _days(plan)
    begin = days.get(geometry.reference, 0.0)
    return {name: (days[name] - begin) * 86400.0 if name in days else None for name in geometry.frames}


def pole_of(geometry: Geometry, plan: ScenePlan) -> NDArray[np.float64] | None:
    """The Earth's axis in the axes of the attitudes; None where it is not known."""
    begin = _days(plan).get(geometry.reference)
    return None if begin is None or not geometry.solved else times.celestial_frame(begin)[2]


def _days(plan: ScenePlan) -> dict[str, float]:
    days: dict[str, float] = {}
    for frame in plan.frames:
        moment = times.parse(frame.taken)
        if moment is not None:
            days[frame.id] = times.julian_date(moment) + (frame.exposure_s or 0.0) / 2 / 86400.0
    return days


def by_hand(path: Path, inputs: Inputs) -> dict[str, Any]:
    """The user's mask.

    Raises
    ------
    InputError
        Where it is not of this picture, or leaves no sky.
    """
    mask = read_mask(path, inputs.shape, inputs.frames[inputs.reference].header.orientation)
    share = float(mask.mean(dtype=np.float64))
    if share > 0.99:
        raise InputError(f"{shown(path)}: all of the picture is ground by this mask; white is ground, black is sky")
    if share < AREA_LEAST:
        return {"mask": None, "why": "by hand: the mask holds no ground", "confidence": None, "share": share}
    return {"mask": mask, "why": BY_HAND, "confidence": None, "share": share}


def look(inputs: Inputs, geometry: Geometry, hold: Hold, smear_px: float, arguments: argparse.Namespace) -> Found:
    """What the scene shows of itself."""
    names = [frame.id for frame in inputs.frames]
    stars = read_places(arguments.stars, names)
    try:
        return find_ground(
            geometry, hold, stars, inputs.frames, inputs.mosaics, inputs.calibration, arguments.threads, smear_px
        )
    except (ArithmeticError, LookupError, ValueError, RuntimeError) as error:
        # the sky is worth more than the ground: a scene is not lost over it
        log.exception("%s: looking for ground failed", inputs.scene)
        return Found(Told(None, None, f"looking for it failed ({type(error).__name__})"))


def by_itself(found: Found | None, shape: tuple[int, int]) -> dict[str, Any]:
    """The mask that was found, and what is told of it."""
    told = Told(None, None, "not looked for") if found is None else found.told
    mask = told.mask(shape) if told.share >= AREA_LEAST else None
    return {
        "mask": mask,
        "why": told.why,
        "confidence": told.confidence,
        "share": told.share if mask is not None else 0.0,
    }


def shares_of_moving(canvases: Sequence[Canvas], hold: Hold, frames: Sequence[Frame]) -> dict[str, Any]:
    """What share of each frame is land that moves through the picture."""
    areas, shares = areas_of(canvases, hold), {}
    height, width = frames[0].shape
    x, y = np.meshgrid(*((np.arange(PROBES) + 0.5) / PROBES * size for size in (width, height)))
    for frame, n in zip(frames, nearest(hold, [frame.id for frame in frames], canvases), strict=True):
        shares[frame.id] = round(float(areas[n].at(frame.id, x, y).mean()), 4)
    return {"shares": shares}


def streaks_of_land(canvases: Sequence[Canvas], hold: Hold, verdicts: Path, smear_px: float) -> dict[str, list[int]]:
    """Numbers of the streaks, by frame, of which half or more lies along land that moves, or on it: its edges."""
    placed = sorted(hold.turns)
    areas = areas_of(canvases, hold)
    knots = dict(zip(placed, nearest(hold, placed, canvases), strict=True))

    def of_land(like: Sequence[str], x: NDArray[np.float64], y: NDArray[np.float64]) -> bool:
        reach = BESIDE_PX + smear_px + (hold.moved_px(like[0], like[-1]) if len(like) > 1 else 0.0)
        return any(areas[knots[one]].about(one, x, y, reach)[0].mean() >= 0.5 for one in like)

    return _streaks_where(of_land, placed, verdicts)


def streaks_on_land(mask: NDArray[np.float32], hold: Hold, verdicts: Path) -> dict[str, list[int]]:
    """Numbers of the streaks, by frame, that lie on land from end to end, as lamps and headlights do.

    Parameters
    ----------
    mask : (height, width) share of ground in the reference's pixels
    """
    height, width = mask.shape

    def of_land(like: Sequence[str], x: NDArray[np.float64], y: NDArray[np.float64]) -> bool:
        for one in like:
            column, row = (np.rint(np.nan_to_num(v, nan=-9.0)).astype(np.int64) for v in hold.to_reference(one, x, y))
            inside = (row >= 0) & (row < height) & (column >= 0) & (column < width)
            if np.count_nonzero(mask[row[inside], column[inside]] > 0.5) < WHOLLY * len(x):
                return False
        return True

    return _streaks_where(of_land, sorted(hold.turns), verdicts)


def _streaks_where(
    of_land: Callable[[Sequence[str], NDArray[np.float64], NDArray[np.float64]], bool],
    placed: Sequence[str],
    verdicts: Path,
) -> dict[str, list[int]]:
    """Numbers of the streaks, by frame, whose places (x, y) px are of land. A frame that is not placed shows the land
    about where the frame before or after it does: ids begin with times."""
    part, result = (np.arange(PROBES) + 0.5) / PROBES, {}
    for name, streaks in sorted(listed_streaks(verdicts).items()):
        at = min(max(bisect(placed, name), 1), len(placed) - 1)
        like = [name] if name in placed else placed[max(at - 1, 0) : at + 1]
        lines = {int(s["number"]): [s[f"{v}1"] + part * (s[f"{v}2"] - s[f"{v}1"]) for v in "xy"] for s in streaks}
        told = [number for number, (x, y) in lines.items() if of_land(like, x, y)]
        if told:
            result[name] = told
    return result


def read_places(paths: Sequence[Path], names: Sequence[str]) -> dict[str, NDArray[np.float64]]:
    """Stars of each frame: (n, 3) x, y (px) and flux, from the star lists."""
    found = dict.fromkeys(names, np.zeros((0, 3)))
    for name, stars in read_lists(paths, PLACES, names).items():
        values = np.stack([stars["x"], stars["y"], stars["flux"]], axis=1)
        found[name] = values[np.isfinite(values).all(axis=1)]
    return found


def how(hold: Hold, told: Mapping[str, Any], source: Inputs) -> str:
    """How the ground's picture was made, a sentence's end."""
    if "from" in told:
        known = "as measured on the land" if told["scale_measured"] else "by exposure and ISO"
        exposure = source.frames[0].header.exposure_s
        each = f" of {exposure:g} s" if exposure else ""
        text = (
            f"from {count(told['frames'], 'frame')}{each} of the scene {told['from']}, laid on the reference by "
            f"what both show of the land, their light multiplied by {told['scale']:g} ({known})"
        )
        if told["not_reached_share"] > 0:
            share = max(told["not_reached_share"], 0.001)
            text += f"; where they do not reach, {100 * share:.1f} % of the land, it is as the scene's own frames "
            text += "blurred it"
    else:
        text = "from the scene's own frames laid on the ground"
        if hold.kind == "tracked":
            text += ": the tracker moved on during each exposure, and the ground is blurred by as much"
        if "not_from" in told:
            text += f" ({told['not_from']})"
    others = len(told["lit_otherwise"])
    if others:
        text += f", without {count(others, 'frame')} that showed it in another light (a lamp, a car, a flash, the moon)"
    return text


if __name__ == "__main__":
    sys.exit(main())
