"""Batches: the frames that one job decodes and grades, chosen so that a new frame changes its own batch only."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime

from pipeline.card.frame import CardFrame, in_order, median
from pipeline.card.scenes import safe_name

MIN_SLOT_S = 1.0


def batches_of(owner: str, frames: Sequence[CardFrame], frames_per_job: int) -> dict[str, list[CardFrame]]:
    """Divide the frames of a scene or set into batches.

    A frame's batch follows from its time alone: the clock is divided into slots as long as `frames_per_job` exposures,
    which hold at most as many frames (one more at an edge cannot be: exposures do not overlap). Frames without a time,
    and slots that hold more all the same (a clock that stood still), are divided by their ids.

    Parameters
    ----------
    owner : str
        Scene or set; the names of its batches begin with it.
    frames : sequence of frames
    frames_per_job : int

    Returns
    -------
    dict
        Name to frames, in order of time; names hold letters, digits, `-` and `_` only.
    """
    prefix = safe_name(owner)
    if prefix != owner:
        prefix += "-" + hashlib.blake2b(owner.encode(), digest_size=2).hexdigest()
    # three digits: exposures that a camera writes a little differently make the same slots
    exposure = float(f"{median(f.facts.exposure_s for f in frames) or MIN_SLOT_S:.3g}")
    slot = max(frames_per_job * exposure, MIN_SLOT_S)
    slots: dict[str, list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        if frame.start is None:
            slots["undated"].append(frame)
        else:
            begins = datetime.fromtimestamp(math.floor(frame.start / slot) * slot, UTC)
            slots[begins.strftime("%Y%m%dT%H%M%S")].append(frame)
    result = {}
    for name, members in slots.items():
        for part, group in _by_id(members, frames_per_job).items():
            result[f"{prefix}-{name}{part}"] = group
    return result


def _by_id(frames: list[CardFrame], most: int) -> dict[str, list[CardFrame]]:
    """Halve groups that are too large, by the bits of the hash in their ids; parts are named by those bits."""
    if len(frames) <= most:
        return {"": frames}
    whole: dict[str, list[CardFrame]] = {"": frames}
    parts: dict[str, list[CardFrame]] = {}
    for bit in range(32):
        halves: dict[str, list[CardFrame]] = defaultdict(list)
        for part, members in whole.items():
            for frame in members:
                halves[f"{part or '-'}{int(frame.id[-8:], 16) >> (31 - bit) & 1}"].append(frame)
        whole = {part: members for part, members in halves.items() if len(members) > most}
        parts |= {part: members for part, members in halves.items() if len(members) <= most}
        if not whole:
            break
    return dict(sorted((parts | whole).items()))
