"""Batches: the frames that one job decodes and grades, chosen so that a new frame changes its own batch only."""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import pairwise

from pipeline.card.frame import CardFrame, in_order, median
from pipeline.card.scenes import safe_name

MIN_SLOT_S = 1.0
# The ladder of slot lengths, s. It begins off the powers of two and of ten, as cameras are set to round paces (32 s at
# 16 frames would lie on a border).
LADDER_START_S = 1.13
LADDER_STEP = math.sqrt(2)


def batches_of(owner: str, frames: Sequence[CardFrame], frames_per_job: int) -> dict[str, list[CardFrame]]:
    """Divide the frames of a scene or set into batches.

    A frame's batch follows from its time: the camera's clock is divided into slots that hold about `frames_per_job`
    frames at the pace at which most were taken, and a slot's frames are a batch. The length of the slots is one of a
    ladder of lengths, so that a frame more or less, which moves the pace a little, moves no border. Frames without a
    time, and slots that hold more than they should (bursts, a clock that stood still), are divided by their ids.

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
    slot = slot_s(frames, frames_per_job)
    slots: dict[str, list[CardFrame]] = defaultdict(list)
    for frame in in_order(frames):
        clock = frame.clock_s
        if clock is None:
            slots["undated"].append(frame)
        else:
            begins = datetime.fromtimestamp(math.floor(clock / slot) * slot, UTC)
            slots[begins.strftime("%Y%m%dT%H%M%S")].append(frame)
    result = {}
    for name, members in slots.items():
        for part, group in _by_id(members, frames_per_job).items():
            result[f"{prefix}-{name}{part}"] = group
    return result


def slot_s(frames: Sequence[CardFrame], frames_per_job: int) -> float:
    """Length of a batch's slot of time, s: between 0.7 and 1 times `frames_per_job` frames at their usual pace."""
    starts = sorted(f.clock_s for f in frames if f.clock_s is not None)
    paces = sorted(b - a for a, b in pairwise(starts) if b > a)
    exposure = median(f.facts.exposure_s for f in frames) or 0.0
    pace = max(paces[(len(paces) - 1) // 2] if paces else 0.0, exposure, MIN_SLOT_S / frames_per_job)
    steps = math.floor(math.log(pace * frames_per_job / LADDER_START_S) / math.log(LADDER_STEP))
    return max(LADDER_START_S * LADDER_STEP**steps, MIN_SLOT_S)


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
