"""Scenes that show the same field with the same lens, and the lines of trip.yaml that make one picture of them."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.config import quoted
from pipeline.pages.words import count, duration

# What frames of one scene have in common; exposures alike to the share by which frames of a scene may differ.
ALIKE = ("camera", "serial", "width", "height", "iso", "gain", "lens", "f_number", "filter")
EXPOSURES_ALIKE, LENGTHS_ALIKE, SCALES_ALIKE = 0.03, 0.02, 0.01
# Centres no further apart than this share of the field's short side, pictures turned by no more: most is common.
APART, TURNED_DEG = 0.25, 15.0


def together(scenes: Mapping[str, Mapping[str, Any]], inventory: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Sets of scenes that can be combined into one: `scenes`, `sentence` and `lines` of each.

    Scenes with land in them are left alone: it lies elsewhere in another night's frames.

    Parameters
    ----------
    scenes : content of scene.json of the scenes that were made, by name
    inventory : rows of inventory.ecsv
    """
    lights = [row for row in inventory if row.get("kind") == "light" and row.get("scene")]
    frames = {name: [row for row in lights if row["scene"] == name] for name in scenes}
    sets: list[list[str]] = []
    for name, figures in scenes.items():
        if not frames[name] or not figures.get("solved") or (figures.get("ground") or {}).get("found"):
            continue
        if not _numbers(figures):
            continue
        for group in sets:
            first = group[0]
            if _alike(frames[first][0], frames[name][0]) and _same_field(scenes[first], figures):
                group.append(name)
                break
        else:
            sets.append([name])
    return [_told(group, scenes, frames, lights) for group in sets if len(group) > 1]


def _numbers(figures: Mapping[str, Any]) -> bool:
    keys = ("centre_ra_deg", "centre_dec_deg", "rotation_deg", "pixel_scale_arcsec")
    return bool(figures.get("field_deg")) and all(isinstance(figures.get(key), (int, float)) for key in keys)


def _alike(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether camera, lens and settings are the same."""
    near = (("exposure_s", EXPOSURES_ALIKE), ("focal_mm", LENGTHS_ALIKE))
    return all(one.get(key) == other.get(key) for key in ALIKE) and all(
        abs((one.get(key) or 0.0) - (other.get(key) or 0.0)) <= share * (one.get(key) or 0.0) for key, share in near
    )


def _same_field(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two scenes show the same part of the sky, at the same scale."""
    scale = one["pixel_scale_arcsec"] / other["pixel_scale_arcsec"]
    turned = (one["rotation_deg"] - other["rotation_deg"] + 180) % 360 - 180
    if abs(scale - 1) > SCALES_ALIKE or abs(turned) > TURNED_DEG:
        return False
    from astropy.coordinates import angular_separation  # takes half a second to load, and few trips come so far

    centres = (math.radians(f[key]) for f in (one, other) for key in ("centre_ra_deg", "centre_dec_deg"))
    return math.degrees(angular_separation(*centres)) <= APART * min(one["field_deg"])


def _told(
    group: Sequence[str],
    scenes: Mapping[str, Mapping[str, Any]],
    frames: Mapping[str, Sequence[Mapping[str, Any]]],
    lights: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    totals = [scenes[name].get("exposure_total_s") for name in group]
    light = f" of {duration(sum(totals))}" if all(isinstance(t, (int, float)) for t in totals) else ""
    darks = any(row.get("dark_set") for name in group for row in frames[name])
    sentence = (
        f"{count(len(group), 'scene')} show the same field with the same lens and settings: {', '.join(group)}. One "
        f"picture{light} of light can be made of them: put these lines into trip.yaml (below the line “scenes:” where "
        f"there is one already) and run again.{' It takes the darks of the first of them.' if darks else ''} The "
        "pictures that are there stay."
    )
    patterns = [pattern for name in group for pattern in _patterns(frames[name], lights)]
    lines = f"scenes:\n  {group[0]}-together:\n    frames: [{', '.join(map(quoted, patterns))}]"
    return {"scenes": list(group), "sentence": sentence, "lines": lines}


def _patterns(mine: Sequence[Mapping[str, Any]], lights: Sequence[Mapping[str, Any]]) -> list[str]:
    """One pattern that means these frames and no others, where their names have a beginning of their own; else the
    names, or ids where another frame has the same name."""
    names = [str(row["file"]) for row in mine]
    common = os.path.commonprefix(names)  # noqa: RUF071  letter by letter is what is wanted
    ids = {str(row["id"]) for row in mine}
    for start in (common.rstrip("0123456789"), common):  # without the digits later frames are meant, too
        if not start or set("*?[") & set(start):
            continue
        # a pattern means a frame by its path, its name or its id
        meant = {
            str(row["id"])
            for row in lights
            for said in (str(row["file"]), os.path.basename(str(row["file"])), str(row["id"]))
            if said.startswith(start)
        }
        if meant == ids:
            return [f"{start}*"]
    every = [os.path.basename(str(row["file"])) for row in lights]
    plain = all(every.count(os.path.basename(name)) == 1 and not set("*?[") & set(name) for name in names)
    return names if plain else sorted(ids)
