"""Scenes of a trip taken with the same camera and lens, the widths of their stars side by side: a scene that is out of
focus from its first frame to its last has no sharp frame of its own that would show it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.pages.advicebase import value_of
from pipeline.pages.adviceoptics import width_at_rest
from pipeline.pages.words import number

# What widths go by beside focus, of the inventory's columns; where one of the first is not known two lenses may be one.
KNOWN = ("camera", "focal_mm", "f_number", "width", "height")
ALIKE = (*KNOWN, "serial", "lens", "filter")
# Times the narrowest of such scenes: missed focus of 1.4 times the size is told in single frames too, and with the
# altitude and the field's own stars widths differ by less than a fifth.
WIDER = 1.4
# Motion during an exposure that is taken out of the widths, as a share of them: of more too little is left.
MOVED_MOST = 1.0
# Frames kept from which on a scene is worth the words: test shots are taken to find the focus.
FEWEST = 3


def soft_scenes(
    scenes: Mapping[str, Mapping[str, Any]], inventory: Sequence[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """Scenes whose stars are far wider than those of another scene of the trip.

    Parameters
    ----------
    scenes : content of scene.json by name
    inventory : rows of inventory.ecsv

    Returns
    -------
    list
        Of each `scene`, `against` which other, `width_px`, `sharp_px`, a `sentence`.
    """
    taken = {row["scene"]: row for row in inventory if row.get("kind") == "light" and row.get("scene")}
    alike: dict[tuple[Any, ...], list[tuple[float, str]]] = defaultdict(list)
    for name, figures in scenes.items():
        frame, width = taken.get(name, {}), width_at_rest(figures)
        whole, moved = value_of(figures, "fwhm_px_frames"), value_of(figures, "motion_px") or 0.0
        if not width or not whole or moved > MOVED_MOST * whole or (figures.get("frames_kept") or 0) < FEWEST:
            continue
        if any(frame.get(key) is None for key in KNOWN):
            continue
        alike[tuple(frame.get(key) for key in ALIKE)].append((width, name))
    told = []
    for group in alike.values():
        sharp, best = min(group)
        for width, name in group:
            if width >= WIDER * sharp:
                sentence = (
                    f"{name}: the stars are {number(width, 'px', digits=2)} wide where in {best}, taken with the same "
                    f"camera, lens and aperture, they are {number(sharp, 'px', digits=2)} (their motion taken out). "
                    "Focus was off in all of its frames, or dew lay on the lens."
                )
                told.append(
                    {
                        "scene": name,
                        "against": best,
                        "width_px": round(width, 3),
                        "sharp_px": round(sharp, 3),
                        "sentence": sentence,
                    }
                )
    return told
