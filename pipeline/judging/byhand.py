"""The lists by hand (`keep`, `drop`) laid over the verdicts that the frames' own figures gave."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from pipeline.judging.verdicts import BY_HAND, NOT_JUDGED, SMALL_SCENE


def lay_by_hand(
    rows: Iterable[Mapping[str, Any]], keep: Collection[str], drop: Collection[str]
) -> list[dict[str, Any]]:
    """Verdicts as the lists want them.

    Either list wins over all figures, `keep` over `drop`; a frame that could not be judged cannot be kept. The measured
    figures, the margin and what befell the sky stay as they are: a hand changes nothing of them.

    Parameters
    ----------
    rows : of the table of verdicts, by the figures alone
    keep, drop : ids of frames
    """
    return [_with_hand(dict(row), row["frame"] in keep, row["frame"] in drop) for row in rows]


def _with_hand(row: dict[str, Any], keep: bool, drop: bool) -> dict[str, Any]:
    reasons, said = row["reasons"] or "", row["detail"] or ""
    if reasons in NOT_JUDGED:
        return row | {"detail": f"{said}; it cannot be kept by hand"} if keep else row
    if keep:
        though = f", though {said}" if reasons else ""
        return row | {"verdict": "kept", "reasons": "", "detail": f"kept by hand{though}"}
    if drop:
        return row | {"verdict": "set aside", "reasons": BY_HAND, "detail": "set aside by hand"}
    return row


def share_notes(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """A sentence where more than half of what no hand decided is set aside."""
    graded = [row for row in rows if row["reasons"] != BY_HAND]
    set_aside = sum(row["verdict"] == "set aside" for row in graded)
    if len(graded) >= SMALL_SCENE and set_aside == len(graded):
        return [f"All {len(graded)} frames are set aside; their reasons stand in the table."]
    if set_aside > len(graded) / 2:
        return [
            f"{set_aside} of {len(graded)} frames are set aside. Frames are held against the best quarter of their "
            "scene (sharpest stars, darkest sky, most stars); what is good enough all the same goes under keep: in "
            "trip.yaml."
        ]
    return []
