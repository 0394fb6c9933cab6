"""What is said of a sorted card as a whole: files passed over, series taken for no lights, nothing to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from pipeline.card.frame import count
from pipeline.files import is_named

# A series of exposures so long, so many alike, is worth a line where it is taken for no lights.
LONG_EXPOSURE_S, SERIES = 8.0, 4
NAMES_TOLD = 3


def passed_over(rows: Sequence[dict[str, Any]]) -> str | None:
    """A sentence where files were not looked at because of their names; None where there are none.

    `._` files are no frames but what some systems write beside each file they copy (common practice).
    """
    names = [row["file"] for row in rows if row["kind"] == "ignored" and "hidden" in (row["reason"] or "")]
    names = [name for name in names if not name.rpartition("/")[2].startswith("._")]
    if not names:
        return None
    why, were, them = "its own or its folder's name begins", "was", "it if it is a frame"
    if len(names) > 1:
        why, were, them = "their own or their folders' names begin", "were", "those that are frames"
    return (
        f"{count(len(names), 'hidden file')} ({why} with a dot) {were} passed over (first: {names[0]}); rename {them}"
    )


def left_out(rows: Sequence[dict[str, Any]]) -> str | None:
    """A sentence where a series of long exposures was taken for no lights; None where there is none.

    Whoever exposes that long and again and again means the night (common practice): if pixels say otherwise, the user
    should hear of it, and not have to look for it in a table.
    """
    long = [row for row in rows if row["kind"] == "other" and (row["exposure_s"] or 0) >= LONG_EXPOSURE_S]
    groups = Counter((row["file"].rpartition("/")[0], round(float(row["exposure_s"]), 1)) for row in long)
    series = [(key, number) for key, number in groups.items() if number >= SERIES]
    if not series:
        return None
    number = sum(n for _, n in series)
    first = next(r for r in long if (r["file"].rpartition("/")[0], round(float(r["exposure_s"]), 1)) == series[0][0])
    return (
        f"{count(number, 'long exposure')} in series are not taken for lights (first: {first['file']}: "
        f"{first['reason']}); if they show the night sky, name their folder under 'roles' in trip.yaml as light"
    )


def named_in_vain(rows: Sequence[dict[str, Any]], key: str, patterns: Sequence[str]) -> list[str]:
    """Sentences on names under `keep` or `drop` that mean no light but another file of the card: what that is, and why.

    Who names the copy of a frame, or a frame that was taken for something else, is told so.
    """
    sentences = []
    for pattern in patterns:
        meant = [row for row in rows if is_named(row["file"], [pattern])]
        if meant and not any(row["kind"] == "light" for row in meant):
            first = meant[0]
            more = f", the first of {len(meant)} files so named," if len(meant) > 1 else ""
            sentences.append(
                f"trip.yaml: {key}: {pattern!r}: {first['file']}{more} is no light frame ({first['kind']}: "
                f"{first['reason']})"
            )
    return sentences[:NAMES_TOLD]


def nothing_to_do(rows: Sequence[dict[str, Any]]) -> str | None:
    """A sentence where a card holds no frame that could be a light; None where it does."""
    kinds = Counter(row["kind"] for row in rows)
    folders = ", ".join(sorted({row["folder"] for row in rows if row["role"] == "frames"}))
    if kinds["light"] or kinds["other"]:
        return None
    if not any(number for kind, number in kinds.items() if kind != "ignored"):
        return "there are no files in the folders under 'frames'; copy the card there, or name its folder in trip.yaml"
    calibration = [count(kinds[kind], kind) for kind in ("dark", "flat", "bias") if kinds[kind]]
    if calibration:
        return (
            f"no light frames, only {', '.join(calibration)}; add the folder of the lights under 'frames' in "
            "trip.yaml, or say under 'roles' what the folder holds"
        )
    if kinds["unreadable"]:
        first = next(row for row in rows if row["kind"] == "unreadable")
        return (
            f"no frame can be read: {count(kinds['unreadable'], 'file')} unreadable "
            f"(first: {first['file']}: {first['reason']}); if these are the camera's raw files, copy the card again"
        )
    return (
        f"no raw frames among {count(sum(kinds.values()), 'file')} in {folders or 'the folders'}; the camera's raw "
        "files are needed, pictures (JPEG and the like) cannot be used"
    )
