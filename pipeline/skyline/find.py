"""Finding the ground of a scene: from star lists and a few frames' pixels to a mask on the reference's grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.sky.geometry import Geometry
from pipeline.skyline.empty import CELL, emptiness, least_height
from pipeline.skyline.hold import Hold
from pipeline.skyline.moving import about, knots, lay_out
from pipeline.skyline.rim import dim_gaps
from pipeline.skyline.still import HALF, Stills, choose, make_stills
from pipeline.skyline.tell import box_about, tell
from pipeline.skyline.told import Told
from pipeline.skyline.witness import FRAMES_MAX, Seen, Witnesses, motion_over, sightings
from pipeline.stack.land import Canvas
from pipeline.stack.sources import Calibration, Frame, Mosaics

# Frames below which nothing is told: a star that one frame missed is no ground.
FRAMES_MIN = 3
# Cells across the picture's longer side below which nothing is told of what a tracker blurs.
CELLS_LEAST = 60
TOO_FEW = "too few stars were seen to move with the sky to tell ground from it"


@dataclass(frozen=True)
class Found:
    """`told` before the reference, from its `stills` and the stars `seen`; `moving` the land of all frames, where it
    moves through the picture or during an exposure and some do show it."""

    told: Told
    moving: list[Canvas] = field(default_factory=list)
    stills: Stills | None = None
    seen: Seen | None = None


def find_ground(
    geometry: Geometry,
    hold: Hold,
    stars: Mapping[str, NDArray[np.float64]],
    frames: Sequence[Frame],
    mosaics: Mosaics,
    calibration: Calibration,
    threads: int = 1,
    smear_px: float = 0.0,
) -> Found:
    """Tell which pixels of the reference show ground, and where it moves which of every frame.

    Parameters
    ----------
    geometry, hold : of the scene
    stars : by frame id, (n, 3) float64 arrays: x, y (px), flux
    frames : the scene's kept frames in order of time, all placed by `geometry`; their `grids` are not used
    mosaics : theirs, in the same order
    calibration : of every frame
    threads : how many to use; the result does not depend on it
    smear_px : how far the ground moves during an exposure

    Returns
    -------
    Found
        The `cells` of what is told are None where no ground was found, or nothing can be said.
    """
    if len(frames) < FRAMES_MIN:
        return Found(Told(None, None, "none was looked for, as fewer than three frames tell nothing"))
    shape, order = frames[0].shape, [frame.id for frame in frames]
    # edges are as wide as the ground's motion: at two cells to it they are sharp
    side = HALF * max(1, int(np.ceil(smear_px / 4)))
    if max(shape) // side < CELLS_LEAST:
        return Found(Told(None, None, "the tracker blurs the ground beyond telling"))
    places = knots(hold, order)
    seen = sightings(geometry, hold, stars, order, FRAMES_MAX * len(places), threads)
    result: dict[str, Told] = {}
    reference: Stills | None = None
    for knot in places:
        here = hold.about(knot) if knot != geometry.reference else hold
        sighted, cell = seen.on(here), max(CELL // side, 1) * side
        told = Told(None, None, no_gap(sighted, shape, cell))
        # a low ridge shows too little of itself for the first look
        for little in (False, True):
            empty = emptiness(sighted, shape, cell, at_edge=little) if told.cells is None else None
            if little and empty is not None:
                n = order.index(knot)
                empty = dim_gaps(empty, frames[n], mosaics[n], calibration)
            if empty is None:
                continue
            chosen = about(hold, order, knot) if len(places) > 1 else None
            box = box_about(empty, side, (shape[0] // side, shape[1] // side))
            stills = make_stills(frames, mosaics, calibration, here, threads, side, chosen, box)
            asked = [order[n] for n in (range(len(order)) if chosen is None else chosen)]
            early, late = (asked[half[len(half) // 2]] for half in choose(len(asked)))
            moved = motion_over(geometry, here, early, late, side)
            looked = tell(stills, sighted, empty, moved, only_dark=little)
            if looked.cells is not None or not little:
                told, reference = looked, stills if knot == geometry.reference else reference
        result[knot] = told
    moves = (len(places) > 1 or side > HALF) and any(told.cells is not None for told in result.values())
    return Found(result[geometry.reference], lay_out(hold, result, side) if moves else [], reference, seen)


def no_gap(seen: Witnesses, shape: tuple[int, int], cell: int = CELL) -> str:
    """Why no ground is told where no place without stars was found, and what would not have been noticed.

    Parameters
    ----------
    seen : sightings
    shape : (height, width) of the reference
    cell : of the map of places without stars, px
    """
    dark, any_light = (least_height(seen, shape, cell, at_edge) for at_edge in (True, False))
    if dark is None or any_light is None:
        return TOO_FEW
    return (
        f"stars were seen to move all over the picture; a strip of land along its edge that is lower than some "
        f"{dark:.0f} px ({100 * dark / min(shape):.1f} % of the picture's shorter side), or {any_light:.0f} px where "
        "it is not darker than half of the sky, cannot be told from it"
    )
