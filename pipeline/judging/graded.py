"""What grade left of the frames of a scene, read together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.scene.starlists import read_lists
from pipeline.stars.measure import STAR_DTYPE
from pipeline.tables import read_table, rows_of

GRADE_FIGURES = (
    "status",
    "detail",
    "width",
    "height",
    "cfa",
    "exposure_s",
    "focal_mm",
    "pixel_um",
    "stars",
    "fwhm_px",
    "sky_adu",
    "sky_adu_s",
    "noise_adu",
    "electrons_per_adu",
    "balance_red",
    "balance_blue",
    "balance_stars",
    "room_adu",
    "saturated_fraction",
    "streaks",
    "streak_list",
    "double_px",
    "double_angle_deg",
    "tile_stars",
    "tile_sky_adu",
    "broad_light",
)


@dataclass(frozen=True)
class Graded:
    """One frame of the scene: its plan, its grade row, its stars."""

    plan: PlannedFrame
    row: Mapping[str, Any]
    stars: NDArray[Any]

    @property
    def sound(self) -> bool:
        """Whether there is anything to judge by."""
        return self.row["status"] == "ok"


def exposure_shares(frames: Sequence[Graded]) -> list[float]:
    """Each frame's exposure over the scene's median: a scene made by hand may mix them. 1 where one is not known."""
    exposures = [f.row["exposure_s"] or f.plan.exposure_s or math.nan for f in frames]
    if np.isnan(exposures).any():
        return [1.0] * len(frames)
    return [float(e / np.median(exposures)) for e in exposures]


def read_graded(scene: ScenePlan, grades: Sequence[Path], stars: Sequence[Path]) -> list[Graded]:
    """The frames of a scene with their grades and stars, in the order of time.

    Raises
    ------
    InputError
        Where the tables lack a column.
    """
    rows: dict[str, dict[str, Any]] = {}
    for path in grades:
        table = read_table(path)
        missing = [name for name in ("frame", *GRADE_FIGURES) if name not in table.colnames]
        if missing:
            raise InputError(f"{path.name}: column {missing[0]!r} is missing; run grade again")
        rows |= {str(row.pop("frame")): row for row in rows_of(table, ("frame", *GRADE_FIGURES))}
    lists = read_lists(stars, STAR_DTYPE)
    absent = dict.fromkeys(GRADE_FIGURES) | {"status": "unreadable", "detail": "was not graded"}
    frames = [
        Graded(frame, rows.get(frame.id, absent), lists.get(frame.id, np.zeros(0, STAR_DTYPE)))
        for frame in scene.frames
    ]
    return sorted(frames, key=lambda f: (f.plan.taken or "", f.plan.id))
