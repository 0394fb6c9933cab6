"""Finding the ground of a scene: from star lists and a few frames' pixels to a mask on the reference's grid."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.sky.geometry import Geometry
from pipeline.skyline.empty import emptiness
from pipeline.skyline.hold import Hold
from pipeline.skyline.still import make_stills
from pipeline.skyline.tell import tell
from pipeline.skyline.told import Told
from pipeline.skyline.witness import sightings
from pipeline.stack.sources import Calibration, Frame, Mosaics

# Frames below which nothing is told: a star that one frame missed is no ground.
FRAMES_MIN = 3


def find_ground(
    geometry: Geometry,
    hold: Hold,
    stars: Mapping[str, NDArray[np.float64]],
    frames: Sequence[Frame],
    mosaics: Mosaics,
    calibration: Calibration,
    threads: int = 1,
) -> Told:
    """Tell which pixels of the reference show ground.

    Parameters
    ----------
    geometry, hold : of the scene
    stars : by frame id, (n, 3) float64 arrays: x, y (px), flux
    frames : the scene's kept frames in order of time, all placed by `geometry`; their `grids` are not used
    mosaics : theirs, in the same order
    calibration : of every frame
    threads : how many to use; the result does not depend on it

    Returns
    -------
    Told
        Its `mask` is None where no ground was found, or nothing can be said.
    """
    if len(frames) < FRAMES_MIN:
        return Told(None, None, f"{len(frames)} frames tell nothing of what stands still")
    seen = sightings(geometry, hold, stars, [frame.id for frame in frames])
    shape = frames[0].shape
    empty = emptiness(seen, shape)
    if empty is None:
        return Told(None, None, "stars were seen to move all over the picture, or too few to tell")
    return tell(make_stills(frames, mosaics, calibration, hold, threads), seen, empty, shape)


__all__ = ["find_ground"]
