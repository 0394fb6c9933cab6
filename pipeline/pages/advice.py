"""What to do differently next time, derived from the figures of a scene. No figure, no advice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.pages.advicebase import Advice
from pipeline.pages.adviceframes import darks_wanted, flats_wanted, lamps, more_frames, read_noise
from pipeline.pages.adviceoptics import corners_of, focus
from pipeline.pages.advicesky import light
from pipeline.pages.advicestand import clock_error, standing, tracking, trailing

CAUTION = (
    "Before you go out again at night: follow the rules of the place and its owners, ask people who know the ground "
    "and the season, look at the weather, dress for colder than forecast, keep off water, cliffs, roads and rails in "
    "the dark, tell somebody where you are and when you are back, and do not go alone. Their word goes before anything "
    "written here."
)


def advise(figures: Mapping[str, Any], reasons: Mapping[str, int], clock: str = "the camera's clock") -> list[Advice]:
    """Advice for the next night, the weightiest first.

    Parameters
    ----------
    figures : mapping
        The content of scene.json.
    reasons : mapping
        Frames set aside, by reason.
    clock : str
        Which clock the times of `figures` are of.
    """
    found = int(figures.get("frames_found") or 0)
    parts = [
        *trailing(figures, reasons, found),
        *tracking(figures),
        *standing(figures, reasons, found),
        *clock_error(figures),
        *focus(figures, reasons, found),
        *corners_of(figures),
        *darks_wanted(figures),
        *flats_wanted(figures),
        *more_frames(figures),
        *read_noise(figures),
        *lamps(figures),
        *light(figures, reasons, found, clock),
    ]
    return parts
