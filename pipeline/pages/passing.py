"""What passed through single frames: the table of streaks, and pictures of them for the page."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.pages.render import picture_data
from pipeline.pages.words import count
from pipeline.scene.records import SceneRecord

PICTURES_MAX = 24
# a meteor is a gift, what cannot be told may be one
KINDS = ("meteor", "unknown", "satellite", "aircraft")
STREAK_COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "file": (str, None),
    "kind": (str, None),
    "x1": (float, "pix"),
    "y1": (float, "pix"),
    "x2": (float, "pix"),
    "y2": (float, "pix"),
    "width_px": (float, "pix"),
    "brightness": (float, "adu / pix"),
    "flashes": (int, None),
    "uneven": (float, None),
    "tapering": (float, None),
    "ends_inside": (int, None),
    "beyond": (float, None),
    "number": (int, None),
}


def streak_rows(rows: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """A row of `STREAK_COLUMNS` for every streak of a scene, in the order of its frames.

    Parameters
    ----------
    rows : of `frametable.frame_rows`
    """
    result = []
    for row in rows:
        try:
            listed = json.loads(row.get("streak_list") or "[]")
        except (TypeError, ValueError):
            continue
        for streak in listed:
            values = {key: streak.get(key) for key in STREAK_COLUMNS if key not in ("frame", "file")}
            whole = {k: int(v) for k, v in values.items() if STREAK_COLUMNS[k][0] is int and v is not None}
            result.append({"frame": row["frame"], "file": row.get("file"), **values, **whole})
    return result


def streak_pictures(record: SceneRecord, streaks: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Pictures of streaks, rarest kind first."""
    rank = {kind: n for n, kind in enumerate(KINDS)}
    ordered = sorted(streaks, key=lambda s: rank.get(str(s.get("kind")), len(rank)))
    result: list[dict[str, str]] = []
    for streak in ordered:
        whole: Path | None = record.thumbs.get(str(streak["frame"]))
        path = None if whole is None else whole.with_name(f"{whole.stem}-{streak.get('number')}.jpg")
        if path is None or not path.is_file() or len(result) == PICTURES_MAX:
            continue
        result.append({"data": picture_data(path), "file": str(streak.get("file")), "kind": str(streak.get("kind"))})
    return result


def streak_sentence(streaks: Sequence[Mapping[str, Any]], kept: int = 0, aside: int = 0) -> str:
    """How many of which kind, how many of them in frames set `aside`, and how many stayed in the picture; empty where
    there are none."""
    if not streaks:
        return ""
    kinds = Counter(str(streak.get("kind")) for streak in streaks)
    words = {
        "meteor": count(kinds["meteor"], "meteor"),
        "satellite": count(kinds["satellite"], "satellite"),
        "aircraft": count(kinds["aircraft"], "aircraft", "aircraft"),
        "unknown": f"{kinds['unknown']} not to be told",
    }
    parts = ", ".join(words[kind] for kind in KINDS if kinds[kind])
    places = "Their places stand in streaks.ecsv."
    if aside:
        places = f"{aside} of them {'is' if aside == 1 else 'are'} in frames that were set aside. {places}"
    text = f"{count(len(streaks), 'streak')}: {parts}, by what their light tells. {places}"
    if kept:
        text += f" {count(kept, 'streak')} {'is' if kept == 1 else 'are'} in the picture, in place among the stars."
    elif kinds["meteor"]:
        text += " None is in the picture; combine: {meteors: keep} lays the meteors back over it."
    return text
