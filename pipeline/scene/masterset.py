"""The frames of one set of darks, biases or flats: which are alike, and what its master says of them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray

from pipeline.console import log
from pipeline.errors import FrameError
from pipeline.plan import DarkSet, PlannedFrame
from pipeline.scene.decoded import UNREADABLE, find_mosaic, spoiled_frames
from pipeline.sensor import darks, darkset
from pipeline.sensor.master import empty_master
from pipeline.sensor.mosaic import MosaicFile

# Frames, or blocks of rows, in work at once.
AT_ONCE = 2


@dataclass(frozen=True)
class Candidate:
    frame: PlannedFrame
    mosaic: MosaicFile


def like_frames(dark_set: DarkSet, folders: Sequence[Path]) -> tuple[list[Candidate], dict[str, str]]:
    """The decoded frames alike in size, CFA and ISO, as most of the set, and why the others are left out.

    Exposures may differ within the tolerance that made them a set: some cameras note what their shutter did, no two
    frames the same.
    """
    reasons: dict[str, str] = {}
    found: list[Candidate] = []
    spoiled = spoiled_frames(folders)
    for frame in dark_set.frames:
        if frame.id in spoiled:
            reasons[frame.id] = spoiled[frame.id]
            continue
        try:
            mosaic = find_mosaic(frame.id, folders)
        except FrameError as error:
            reasons[frame.id] = str(error)
            continue
        if mosaic is None:
            reasons[frame.id] = UNREADABLE
        else:
            found.append(Candidate(frame, mosaic))

    def likeness(c: Candidate) -> tuple[Any, ...]:
        return (c.mosaic.shape, c.mosaic.header.cfa, c.mosaic.header.iso)

    if not found:
        return [], reasons
    # the most common; of equally common ones the first met
    usual = Counter(likeness(c) for c in found).most_common(1)[0][0]
    for c in found:
        for name, got, want in zip(("size", "CFA", "ISO"), likeness(c), usual, strict=True):
            if got != want:
                reasons.setdefault(c.frame.id, f"has another {name} than most of its set ({got} against {want})")
    return [c for c in found if c.frame.id not in reasons], reasons


def sample_of(mosaic: MosaicFile, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """Rows of a mosaic, ADU above black."""
    black = np.array(mosaic.header.black, np.float32).reshape(2, 2)
    strips = mosaic[rows].astype(np.float32)
    strips[:, 0::2] -= black[rows % 2, 0][:, None]
    strips[:, 1::2] -= black[rows % 2, 1][:, None]
    return strips


def by_blocks(work: Any, shape: tuple[int, int], frames: int, memory_mb: int) -> int:
    """Call ``work(top, bottom)`` over row blocks side by side; the sum of what it returns."""
    # the planes of the master and one compiled environment stand beside the two blocks
    planes = 11 * shape[0] * shape[1] / 1e6
    room = max(40.0, (memory_mb - planes - 250) / 2)
    # blocks larger than 64 MB gain nothing
    rows = darks.block_rows(frames, shape[1], min(room, 64.0))
    tops = range(0, shape[0], rows)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return sum(pool.map(lambda top: work(top, min(top + rows, shape[0])), tops))


def empty(dark_set: DarkSet, reasons: dict[str, str]) -> fits.HDUList:
    """What stands in the place of a master without a usable frame: the scene is made without it, and says so."""
    why = f"none of its {len(dark_set.frames)} frames is usable; the first {reasons[dark_set.frames[0].id]}"
    log.warning("%s: %s", dark_set.set, why)
    return empty_master(master_cards([], dark_set, reasons), why, frame_table(dark_set, reasons, {}))


def master_cards(used: list[Candidate], dark_set: DarkSet, reasons: dict[str, str]) -> fits.Header:
    """What a master's header says of its frames."""
    headers = [c.mosaic.header for c in used]
    cards = headers[0].with_frame(f"master-{dark_set.set}").cards() if headers else fits.Header()
    for key in ("DATE-OBS", "MASKMEAN", "CCD-TEMP"):
        cards.remove(key, ignore_missing=True)
    cards["IMAGETYP"] = (f"master {dark_set.kind}", "")
    cards["NFRAMES"] = (len(used), "frames used")
    cards["NFOUND"] = (len(dark_set.frames), "frames of the set")
    cards["NLEFTOUT"] = (len(reasons), "frames left out; why stands in table FRAMES")
    temperatures = [
        t
        for c in used
        for t in [c.frame.temperature_c if c.frame.temperature_c is not None else c.mosaic.header.temperature_c]
        if t is not None
    ]
    if temperatures:
        cards["CCD-TEMP"] = (round(float(np.median(temperatures)), 2), "[C] median sensor temperature")
        cards["TEMPMIN"] = (round(float(min(temperatures)), 2), "[C]")
        cards["TEMPMAX"] = (round(float(max(temperatures)), 2), "[C]")
    masked = [h.masked_level - float(np.mean(h.black)) for h in headers if h.masked_level is not None]
    if masked and len(masked) == len(headers):
        cards["MASKDIFF"] = (round(float(np.mean(masked)), 4), "[ADU] masked columns above black")
    for frame in dark_set.frames:
        if frame.id in reasons:
            cards["HISTORY"] = f"{frame.id} left out: it {reasons[frame.id]}".encode("ascii", "replace").decode()
    return cards


def frame_table(
    dark_set: DarkSet, reasons: dict[str, str], figures: dict[str, darkset.FrameFigures]
) -> fits.BinTableHDU:
    """A row a frame of the set: whether it was used, why not, and its figures (NaN where there are none)."""
    rows = [figures.get(f.id) for f in dark_set.frames]
    why = [reasons.get(f.id, "").encode("ascii", "replace").decode() for f in dark_set.frames]
    table = Table(
        {
            "frame": [f.id for f in dark_set.frames],
            "used": [f.id not in reasons for f in dark_set.frames],
            "why": why,
            "level": [np.nan if r is None else r.level for r in rows],
            "noise": [np.nan if r is None else r.noise for r in rows],
            "factor": [np.nan if r is None or r.factor is None else r.factor for r in rows],
        }
    )
    table["level"].unit = table["noise"].unit = "adu"
    return fits.BinTableHDU(table, name="FRAMES")
