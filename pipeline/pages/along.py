"""Whether the frames of a scene that are trailed moved along one line: a drive that swings, or wind and hands."""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from typing import Any

FEWEST = 4  # frames, below which chance puts motions along one line
ALONG = 0.9  # mean resultant length of twice the angle: 13 degrees of scatter


def trailed_along(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The key `trailed_along` of scene.json: the `angle_deg` of the line along which trailed frames moved, how many.

    Parameters
    ----------
    rows : of `frametable.frame_rows`

    Returns
    -------
    None where they moved along several lines, or are too few to tell; half a turn is the same line
    """
    angles = [
        math.radians(row["motion_angle_deg"])
        for row in rows
        if "trailed" in str(row.get("reasons") or "").split("; ")
        and isinstance(row.get("motion_angle_deg"), (int, float))
    ]
    if len(angles) < FEWEST:
        return None
    mean = sum(cmath.exp(2j * angle) for angle in angles) / len(angles)
    if abs(mean) < ALONG:
        return None
    return {"angle_deg": round(math.degrees(cmath.phase(mean)) / 2 % 180, 1), "frames": len(angles)}
