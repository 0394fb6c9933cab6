"""The page of a whole trip and its JSON."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.pages.haze import hazy_scenes
from pipeline.pages.headline import warnings
from pipeline.pages.noise import lowered, noise_gain, one_frame
from pipeline.pages.render import REASON_MEANINGS, page
from pipeline.pages.softscenes import soft_scenes
from pipeline.pages.together import together
from pipeline.pages.words import UNKNOWN, count, duration, link, number

GROUPS_MAX = 80
COMPANION = "companion"  # of a frame, as the inventory calls it
OTHERS_MAX = 500  # files that are no frames, listed on the page; the rest is in inventory.ecsv
# kinds of the inventory that are frames of a scene or calibration; anything else is listed with its reason
FRAME_KINDS = ("light", "dark", "flat", "bias")


@dataclass(frozen=True)
class SceneEntry:
    """One scene as the trip's page shows it."""

    scene: str
    figures: dict[str, Any]
    made: bool
    page: str | None  # name of its page within its folder
    preview: str | None  # name of its picture within its folder
    failures: tuple[dict[str, Any], ...] = field(default_factory=tuple)
    to_come: bool = False  # the run that writes the page has not reached it


def trip_figures(
    entries: Sequence[SceneEntry],
    inventory: Sequence[Mapping[str, Any]],
    failures: Sequence[Mapping[str, Any]],
    stale: Sequence[str],
    card_warnings: Sequence[str],
    settings: Mapping[str, Any],
    versions: Mapping[str, Any],
) -> dict[str, Any]:
    """The content of trip.json; null where unknown, no time of processing.

    Parameters
    ----------
    entries : scenes in the plan's order
    inventory : rows of inventory.ecsv
    failures : failures of steps that belong to no scene
    stale : folders of results that no scene of the plan has
    card_warnings : what the inventory warned of
    settings, versions : as in scene.json
    """
    reasons: Counter[str] = Counter()
    for entry in entries:
        reasons.update(entry.figures.get("frames_set_aside") or {})
    made = {entry.scene: entry.figures for entry in entries if entry.made}
    totals = [figures.get("exposure_total_s") for figures in made.values()]
    return {
        "scenes": [
            {
                "scene": entry.scene,
                "title": entry.figures.get("title") or entry.scene,
                "made": entry.made,
                "page": f"{entry.scene}/{entry.page}" if entry.page else None,
                "failures": [{k: f.get(k) for k in ("step", "name", "sentence")} for f in entry.failures],
                "warnings": warnings(entry.figures) if entry.figures.get("frames_kept") is not None else [],
                "noise_gain": noise_gain(entry.figures),
                **{
                    key: entry.figures.get(key)
                    for key in (
                        "frames_found",
                        "frames_kept",
                        "frames_set_aside",
                        "exposure_total_s",
                        "noise_ratio",
                        "constellation",
                        "fwhm_px_combined",
                        "size_ratio",
                    )
                },
            }
            for entry in entries
        ],
        "scenes_made": sum(entry.made for entry in entries),
        "frames_found": sum(entry.figures.get("frames_found") or 0 for entry in entries),
        "frames_kept": sum(entry.figures.get("frames_kept") or 0 for entry in entries if entry.made),
        "exposure_total_s": sum(t for t in totals if t is not None) if any(t is not None for t in totals) else None,
        "frames_set_aside": dict(sorted(reasons.items(), key=lambda item: (-item[1], item[0]))),
        "files": kinds(inventory) if inventory else None,
        "failures": [{k: f.get(k) for k in ("step", "name", "sentence")} for f in failures],
        "hazy": hazy_scenes(made),
        "soft": soft_scenes(made, inventory),
        "together": together(made, inventory),
        "results_of_no_scene": list(stale),
        "warnings": list(card_warnings),
        "settings": dict(settings),
        "versions": dict(versions),
    }


def kinds(inventory: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    """How many files were taken for what."""
    counts = Counter(kind_of(row) for row in inventory)
    order = {kind: n for n, kind in enumerate(FRAME_KINDS)}
    return dict(sorted(counts.items(), key=lambda item: (order.get(item[0], len(order)), item[0])))


def kind_of(row: Mapping[str, Any]) -> str:
    """What the inventory took a file for; of a frame that cannot be used that."""
    return str(row.get("state") or row.get("kind") or UNKNOWN)


def why_of(row: Mapping[str, Any]) -> str:
    """Why it did so; of a frame that cannot be used what is wrong with it."""
    return str(next((row[key] for key in ("problem", "why", "reason", "detail") if row.get(key)), "–"))


def trip_page(
    content: Mapping[str, Any],
    entries: Sequence[SceneEntry],
    inventory: Sequence[Mapping[str, Any]],
    downloads: Sequence[str],
) -> str:
    """The HTML of the trip's page; scenes that could not be made come first.

    Parameters
    ----------
    content : what `trip_figures` gave
    entries : scenes in the plan's order
    inventory : rows of inventory.ecsv
    downloads : those of trip.json and inventory.ecsv that stand beside the page
    """
    others = [row for row in inventory if _is_other(row)]
    what = {
        "trip.json": "this page's figures, for programs",
        "inventory.ecsv": "every file found, what it was taken for, and why",
    }
    notes = [f"{failure['step']}: {failure['sentence']}" for failure in content["failures"]]
    notes += [scene["sentence"] for scene in (*content["hazy"], *content["soft"])]
    notes += content["warnings"]
    if content["results_of_no_scene"]:
        names = ", ".join(content["results_of_no_scene"])
        notes.append(
            f"Folders of earlier runs that belong to no scene any more: {names}. They are left as they are; remove "
            f"them by hand."
        )
    view = {
        "title": "The trip",
        "lead": _lead(content),
        "notes": notes,
        "failed": [_card(entry) for entry in entries if not entry.made],
        # single frames, most of them test shots, come last
        "made": [_card(e) for e in sorted(entries, key=lambda e: e.figures.get("frames_found") == 1) if e.made],
        "together": content["together"],
        "reasons": [
            (reason, count(n, "frame"), REASON_MEANINGS.get(reason, ""))
            for reason, n in content["frames_set_aside"].items()
        ],
        "no_reasons": "None." if entries else "There are no scenes, so there was nothing to set aside.",
        "card_sentence": _card_sentence(content, sum(bool(row.get("later")) for row in inventory)),
        "kinds": [{"kind": kind, "why": why, "files": number(n)} for kind, why, n in grouped(inventory)[:GROUPS_MAX]],
        "others": [
            {"file": str(row.get("file") or row.get("path") or "–"), "kind": kind_of(row), "why": why_of(row)}
            for row in others[:OTHERS_MAX]
        ],
        "others_more": number(len(others)) if len(others) > OTHERS_MAX else None,
        "downloads": [{"name": name, "href": link(name), "what": what.get(name, "")} for name in downloads],
    }
    return page("trip.html.j2", view)


def _is_other(row: Mapping[str, Any]) -> bool:
    """Whether a file is listed by its name: a frame that found no place, or none at all. A camera's second pictures of
    frames are only counted: hundreds of them would hide the others."""
    kind = kind_of(row)
    return kind != COMPANION and (kind not in FRAME_KINDS or not _used(row))


def _used(row: Mapping[str, Any]) -> bool:
    """Whether a frame found a place: a light in a scene, a calibration frame in a set."""
    places = ("scene",) if kind_of(row) == "light" else ("dark_set", "flat_set")
    return any(row.get(place) for place in places)


def grouped(inventory: Sequence[Mapping[str, Any]]) -> list[tuple[str, str, int]]:
    """Kind, reason and number of files; reasons that differ in their numbers only are one, with the numbers' range,
    and so are companions.

    Examples
    --------
    >>> grouped([{"kind": "dark", "reason": f"level {n} %"} for n in (3, -1, 2)])
    [('dark', 'level -1 to 3 %', 3)]
    """
    groups: dict[tuple[str, str], list[list[str]]] = {}
    for row in inventory:
        why = why_of(row)
        if kind_of(row) == COMPANION:
            why = "goes along with a frame of the same name"
        groups.setdefault((kind_of(row), _NUMBER.sub("\0", why)), []).append(_NUMBER.findall(why))
    order = {kind: n for n, kind in enumerate(FRAME_KINDS)}
    result = []
    for (kind, frame), numbers in groups.items():
        slots = [_range_text(column) for column in zip(*numbers, strict=True)]
        parts = frame.split("\0")
        why = "".join(part + slot for part, slot in zip(parts, [*slots, ""], strict=True))
        result.append((kind, why, len(numbers)))
    return sorted(result, key=lambda item: (order.get(item[0], len(order)), item[0], -item[2], item[1]))


# a number of a reason; not a digit within a word or a name
_NUMBER = re.compile(r"(?<![\w.-])-?\d+(?:\.\d+)?(?![\w.-]*\w)")


def _range_text(column: Sequence[str]) -> str:
    low, high = min(column, key=float), max(column, key=float)
    return low if float(low) == float(high) else f"{low} to {high}"


def _lead(content: Mapping[str, Any]) -> str:
    total, made = len(content["scenes"]), content["scenes_made"]
    if not total:
        return "No scene was found on the card. What was found instead stands below, with the reason for each file."
    text = f"{number(made)} of {count(total, 'scene')} made" if made < total else f"{count(total, 'scene')} made"
    text += f", from {number(content['frames_kept'])} of {count(content['frames_found'], 'light frame')}"
    if content["exposure_total_s"] is not None:
        text += f": {duration(content['exposure_total_s'])} of light"
    return text + "."


def _card_sentence(content: Mapping[str, Any], later: int) -> str:
    files = content["files"]
    if files is None:
        return "The inventory is not there; run again to have every file accounted for."
    parts = [f"{number(n)} {kind}" for kind, n in files.items()]
    text = f"{count(sum(files.values()), 'file')}: {', '.join(parts)}. Each stands in inventory.ecsv with the reason"
    if later:
        what = "that it is" if later == 1 else "that they are"
        text += f"; of {count(later, 'file')} {what} of no use was found only when the frames were decoded"
    return f"{text}."


def _card(entry: SceneEntry) -> dict[str, Any]:
    figures = entry.figures
    kept, found = figures.get("frames_kept"), figures.get("frames_found")
    lines = []
    if found is not None:
        lines.append(
            f"{number(kept)} of {count(found, 'frame')} {'kept' if entry.made else 'sound'}"
            if kept is not None
            else count(found, "frame")
        )
    if figures.get("exposure_total_s") is not None and entry.made:
        lines[-1:] = [f"{lines[-1]}, {duration(figures['exposure_total_s'])} of light"] if lines else []
    gain, ratio = noise_gain(figures), figures.get("noise_ratio")
    if gain is not None and entry.made and kept != 1:
        against = f" ({number(ratio, '×', decimals=2)} the noise of theory)" if ratio else ""
        lines.append(f"noise {lowered(gain)} than in {one_frame(figures)}{against}")
    return {
        "scene": entry.scene,
        "title": figures.get("title") or entry.scene,
        "href": link(entry.scene, entry.page) if entry.page else None,
        "preview": link(entry.scene, entry.preview) if entry.preview else None,
        "lines": lines,
        "warnings": warnings(figures) if kept is not None and entry.made else [],
        "why": entry.failures
        or (
            {
                "step": "",
                "sentence": "It is still to come: when this page was written the run was at other scenes. If it has "
                "been stopped since, run again."
                if entry.to_come
                else "It has no picture: the run was stopped before it, or a step left no reason; "
                "run again, and see logs/.",
            },
        ),
    }
