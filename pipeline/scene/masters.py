"""Making the master of one set of darks, biases or flats: which of its frames belong, and their mean."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.table import Table
from numpy.typing import NDArray

from pipeline.config import load_trip
from pipeline.console import Progress, log
from pipeline.errors import FrameError, InputError
from pipeline.files import replacing, shown
from pipeline.plan import DarkSet, PlannedFrame, read_set
from pipeline.scene.decoded import UNREADABLE, find_mosaic, spoiled_frames
from pipeline.sensor import darks, darkset, defects, flats
from pipeline.sensor.banding import Banding, quarters_of, scene_banding
from pipeline.sensor.beside import Beside, Standing, beside, standing, with_real
from pipeline.sensor.calibrate import calibrate
from pipeline.sensor.likeliest import Structure, drawn, structure_of
from pipeline.sensor.master import Master, empty_master, master_hdus, read_rows, read_standing, read_usable_master
from pipeline.sensor.mosaic import MosaicFile
from pipeline.sensor.strips import strips_of

# Frames, or blocks of rows, in work at once.
AT_ONCE = 2


@dataclass(frozen=True)
class _Candidate:
    frame: PlannedFrame
    mosaic: MosaicFile


def make_master(arguments: argparse.Namespace) -> None:
    """Make the master of one set."""
    trip = load_trip(arguments.project)
    dark_set = read_set(arguments.set)
    if dark_set.kind not in ("dark", "bias", "flat"):
        raise InputError(f"{shown(arguments.set)}: a set of kind {dark_set.kind!r} makes no master")
    candidates, reasons = _like_frames(dark_set, arguments.mosaics)
    subtract, other, given = None, None, None
    if arguments.dark is not None and dark_set.kind == "flat":
        subtract = read_usable_master(arguments.dark)
        given = None if subtract is None else subtract.mean.shape
    elif arguments.dark is not None:
        other = read_standing(arguments.dark)
        given = None if other is None else other.shape
    if candidates and given is not None and given != candidates[0].mosaic.shape:
        raise InputError(
            f"{shown(arguments.dark)}: has another size than the frames (got {given} and {candidates[0].mosaic.shape})"
        )
    with Progress(arguments.project, "dark", dark_set.set, len(candidates)) as progress:
        if not candidates:
            hdus = _empty(dark_set, reasons)
        elif dark_set.kind == "flat":
            hdus = _master_flat(candidates, reasons, dark_set, subtract, trip.limits.memory_mb)
        else:
            against = None if other is None else (arguments.dark, other)
            hdus = _master_dark(candidates, reasons, dark_set, against, trip.dark.hot_sigma, trip.limits.memory_mb)
        progress.advance(len(candidates))
    with replacing(arguments.out) as temporary:
        hdus.writeto(temporary, overwrite=True, output_verify="exception")


def _empty(dark_set: DarkSet, reasons: dict[str, str]) -> fits.HDUList:
    """What stands in the place of a master without a usable frame: the scene is made without it, and says so."""
    why = f"none of its {len(dark_set.frames)} frames is usable; the first {reasons[dark_set.frames[0].id]}"
    log.warning("%s: %s", dark_set.set, why)
    return empty_master(_master_cards([], dark_set, reasons), why, _frame_table(dark_set, reasons, {}))


def _like_frames(dark_set: DarkSet, folders: Sequence[Path]) -> tuple[list[_Candidate], dict[str, str]]:
    """The decoded frames alike in size, CFA and ISO, as most of the set, and why the others are left out.

    Exposures may differ within the tolerance that made them a set: some cameras note what their shutter did, no two
    frames the same.
    """
    reasons: dict[str, str] = {}
    found: list[_Candidate] = []
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
            found.append(_Candidate(frame, mosaic))

    def likeness(c: _Candidate) -> tuple[Any, ...]:
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


def _sample(mosaic: MosaicFile, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """Rows of a mosaic, ADU above black."""
    black = np.array(mosaic.header.black, np.float32).reshape(2, 2)
    strips = mosaic[rows].astype(np.float32)
    strips[:, 0::2] -= black[rows % 2, 0][:, None]
    strips[:, 1::2] -= black[rows % 2, 1][:, None]
    return strips


def _levels(mosaic: MosaicFile, level: float) -> NDArray[np.float32]:
    """What is taken from even and odd rows, (2, width)."""
    levels = np.empty((2, mosaic.shape[1]), np.float32)
    for row in (0, 1):
        levels[row, 0::2] = mosaic.header.black[2 * row] + level
        levels[row, 1::2] = mosaic.header.black[2 * row + 1] + level
    return levels


def _master_dark(
    candidates: list[_Candidate],
    reasons: dict[str, str],
    dark_set: DarkSet,
    against: tuple[Path, Standing] | None,
    hot_sigma: float,
    memory_mb: int,
) -> fits.HDUList:
    """The master of darks or biases; of few it is held against another of more darks, its file and what that shows."""
    shape = candidates[0].mosaic.shape
    rows = darkset.sample_rows(*shape)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        sample = np.stack(list(pool.map(lambda c: _sample(c.mosaic, rows), candidates)))
    banding = _changing_banding(candidates)
    for part, shifts in zip(sample, banding, strict=True):
        if shifts is not None:
            part -= shifts.at_pixels((rows, slice(None)))
    figures = darkset.frame_figures(sample)
    full = candidates[0].mosaic.header.full_scale
    model = darks.fit_noise(sample - _column(figures), full)
    out = darkset.left_out(figures, model.sigma)
    if against is not None:
        out |= darkset.left_out_against(sample, read_rows(against[0], rows), model.sigma, str(dark_set.dark_set))
    for n, reason in out.items():
        reasons[candidates[n].frame.id] = reason
        log.info("%s: %s is left out: it %s", dark_set.set, candidates[n].frame.shown, reason)
    kept = [n for n in range(len(candidates)) if n not in out]
    if not kept:
        return _empty(dark_set, reasons)
    used = [candidates[n] for n in kept]
    if out:  # what was left out must not colour the figures of the others
        figures_kept = darkset.frame_figures(sample[kept])
        model = darks.fit_noise(sample[kept] - _column(figures_kept), full)
    else:
        figures_kept = figures
    average = float(np.mean([f.level for f in figures_kept]))
    levels = np.stack([_levels(c.mosaic, f.level - average) for c, f in zip(used, figures_kept, strict=True)])
    del sample
    mean = np.empty(shape, np.float32)
    noise = np.empty(shape, np.float32)
    unstable = np.empty(shape, np.bool_)

    def block(top: int, bottom: int) -> int:
        some = any(banding[n] is not None for n in kept)
        stack = np.empty((len(used), bottom - top, shape[1]), np.float32 if some else np.uint16)
        for n, c in enumerate(used):
            stack[n] = c.mosaic.region(top, bottom, 0, shape[1])
            shifts = banding[kept[n]]
            if shifts is not None:
                stack[n] -= shifts.at_pixels((slice(top, bottom), slice(None)))
        part, variance, number, unsteady = darks.robust_mean(stack, levels, model)
        mean[top:bottom] = part
        noise[top:bottom] = darks.standard_error(part, variance, number, model)
        unstable[top:bottom] = unsteady
        return int(len(used) * part.size - number.sum(dtype=np.int64))

    hits = _by_blocks(block, shape, len(used), memory_mb)
    header = used[0].mosaic.header
    structure = structure_of(mean, header.cfa)
    held = None if against is None else beside(mean, noise, structure.value, against[1], header.full_scale)
    # before what others show is taken over: no master tells another of its own pixels what that told it
    shows = standing(mean, noise, structure.value, unstable, header.full_scale) if dark_set.kind == "dark" else None
    below = None if shows is None else structure.value[shows.ys, shows.xs]
    full = header.full_scale
    find = partial(defects.master_defects, sigma=model.sigma, cfa=header.cfa, hot_sigma=hot_sigma, full_scale=full)
    mean, noise, flags = _single_pixels(mean, noise, unstable, structure, held, find)
    if shows is not None and below is not None:
        shows = with_real(shows, mean[shows.ys, shows.xs] - below)
    cards = _master_cards(used, dark_set, reasons)
    cards.update(_beside_cards(dark_set, against is not None, held))
    cards["TNOISE"] = (round(model.sigma, 4), "[ADU] temporal noise of one frame")
    cards["NOISEFRM"] = ("temporal" if len(used) > 1 else "spatial", "where the noise was measured")
    own = float(np.median(noise[::4, ::4])) / model.sigma
    cards["OWNNOISE"] = (round(own, 4), "noise of the master over that of one frame")
    cards["DGAIN"] = (round(model.gain, 5), "[ADU] temporal variance per ADU of dark signal")
    cards["DLEVEL"] = (round(model.bulk, 3), "[ADU] level of ordinary pixels above black")
    cards["NHITS"] = (hits, "values rejected (cosmic hits)")
    if len(used) == 1:
        cards["COMMENT"] = "One frame: hits and hot pixels not told apart; of pixels only what stands out is kept."
    elif len(used) == 2:
        cards["COMMENT"] = "Two frames: where they disagree the lower value is used; unstable pixels not judged."
    elif len(used) == 3:
        cards["COMMENT"] = "Three frames: unstable pixels are not judged."
    table = _frame_table(dark_set, reasons, {c.frame.id: f for c, f in zip(candidates, figures, strict=True)})
    log.info(
        "%s: %d of %d frames, %.2f ADU noise a frame, %d hot, %d cold, %d unstable pixels",
        dark_set.set,
        len(used),
        len(dark_set.frames),
        model.sigma,
        *(int(np.count_nonzero(flags & bit)) for bit in (defects.HOT, defects.COLD, defects.UNSTABLE)),
    )
    return master_hdus(cards, mean, noise, flags, table, shows)


def _single_pixels(
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    unstable: NDArray[np.bool_],
    structure: Structure,
    held: Beside | None,
    find: Callable[[NDArray[np.float32], NDArray[np.bool_]], NDArray[np.uint8]],
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.uint8]]:
    """Values of least error, their errors and the defects, which `find` tells of the mean and of what is unstable; the
    arrays are written over. Pixels that were held against others have from these what is theirs alone."""
    if held is None:
        flags = find(mean, unstable)
    else:
        places = (held.ys, held.xs)
        mean[places], noise[places] = structure.value[places] + held.excess, held.error
        unstable[places] |= held.apart
        flags = find(mean, unstable)
        mean[places] -= held.excess  # they are drawn to the structure already
    # of one frame all scatter counts as noise: what ordinary pixels have of their own is left to the lights, for that
    # frame's noise would be laid into every one of them
    mean, noise = drawn(mean, noise, structure)
    if held is not None:
        mean[places] += held.excess
        noise[places] = held.error
    return mean, noise, flags


def _beside_cards(dark_set: DarkSet, told: bool, held: Beside | None) -> dict[str, Any]:
    """What a master of few darks is held against; or why not, `told` whether those have a master."""
    if dark_set.dark_set is None:
        return {}
    cards: dict[str, Any] = {"BESIDE": dark_set.dark_set}  # names of sets leave no room for a comment
    if held is None:
        why = "the warm pixels do not tell by what factor" if told else "none of those frames is usable"
        return cards | {"BSNONE": (why, "why they are not")}
    return cards | {
        "BSFACTOR": (round(held.factor, 4), "dark signal over theirs"),
        "BSSCATT": (round(held.scatter, 4), "by what share of that pixels differ"),
        "BSAPART": (int(held.apart.sum()), "pixels apart from them (hits), repaired"),
    }


def _changing_banding(candidates: list[_Candidate]) -> list[Banding | None]:
    """What the lines of single frames are off by against the mean of all: what they have in it stays in the master."""
    mono = candidates[0].mosaic.header.cfa == "MONO"
    with ThreadPoolExecutor(AT_ONCE) as pool:
        quarters = list(pool.map(lambda c: quarters_of(strips_of(c.mosaic.stored), mono), candidates))
    found, _, _ = scene_banding(quarters, AT_ONCE)
    some = [own for own in found if own is not None]
    if not some:
        return found
    share = np.float32(len(some) / len(found))
    rows = share * np.mean([own.rows for own in some], axis=0)
    columns = share * np.mean([own.columns for own in some], axis=0)
    none = Banding(np.zeros_like(rows), np.zeros_like(columns))
    return [Banding(own.rows - rows, own.columns - columns) for own in (own or none for own in found)]


def _column(figures: Sequence[darkset.FrameFigures]) -> NDArray[np.float32]:
    return np.array([f.level for f in figures], np.float32)[:, None, None]


def _by_blocks(work: Any, shape: tuple[int, int], frames: int, memory_mb: int) -> int:
    """Call ``work(top, bottom)`` over row blocks side by side; the sum of what it returns."""
    # the planes of the master and one compiled environment stand beside the two blocks
    planes = 11 * shape[0] * shape[1] / 1e6
    room = max(40.0, (memory_mb - planes - 250) / 2)
    # blocks larger than 64 MB gain nothing
    rows = darks.block_rows(frames, shape[1], min(room, 64.0))
    tops = range(0, shape[0], rows)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return sum(pool.map(lambda top: work(top, min(top + rows, shape[0])), tops))


def _master_flat(
    candidates: list[_Candidate],
    reasons: dict[str, str],
    dark_set: DarkSet,
    subtract: Master | None,
    memory_mb: int,
) -> fits.HDUList:
    shape = candidates[0].mosaic.shape
    rows = darkset.sample_rows(*shape)
    header = candidates[0].mosaic.header
    full_scale = header.full_scale
    used: list[_Candidate] = []
    samples, gains = [], []
    for c in candidates:
        sample = _sample(c.mosaic, rows)
        saturated = float(np.mean(sample >= 0.99 * full_scale))
        if subtract is not None:
            sample -= subtract.mean[rows]
        levels = flats.flat_levels(sample, header.cfa)
        level = float(levels.mean())
        reason = flats.unusable_flat(level, saturated, full_scale)
        if reason is not None:
            reasons[c.frame.id] = reason
            log.info("%s: %s is left out: it %s", dark_set.set, c.frame.shown, reason)
            continue
        used.append(c)
        samples.append(sample)
        gains.append(1 / levels)
    if used:
        used, samples, gains = _alike_flats(used, samples, gains, dark_set, reasons)
    if not used:
        return _empty(dark_set, reasons)
    goal = 1 / np.mean(gains, axis=0)
    gain = np.array([flats.by_place(g * goal, shape[1]) for g in gains], np.float32)
    model = darks.fit_noise(np.stack([s * g[rows % 2] for s, g in zip(samples, gain, strict=True)]))
    del samples
    mean = np.empty(shape, np.float32)
    error = np.empty(shape, np.float32)

    def block(top: int, bottom: int) -> int:
        stack = np.empty((len(used), bottom - top, shape[1]), np.float32)
        for n, c in enumerate(used):
            dark = None if subtract is None else subtract.mean[top:bottom]
            values = calibrate(c.mosaic.region(top, bottom, 0, shape[1]), c.mosaic.header.black, dark)
            values[0::2] *= gain[n, 0]
            values[1::2] *= gain[n, 1]
            stack[n] = values
        none = np.zeros((len(used), 2, shape[1]), np.float32)
        part, variance, number, _ = darks.robust_mean(stack, none, model)
        mean[top:bottom] = part
        error[top:bottom] = darks.standard_error(part, variance, number, model)
        return int(len(used) * part.size - number.sum(dtype=np.int64))

    hits = _by_blocks(block, shape, 3 * len(used), memory_mb)
    try:
        flat, relative, colours = flats.normalise(mean, error, header.cfa)
    except ValueError as problem:
        raise InputError(f"{dark_set.set}: {problem}") from None
    cards = _master_cards(used, dark_set, reasons)
    cards["NHITS"] = (hits, "values rejected (cosmic hits)")
    for colour, level in colours.items():
        cards[f"LEVEL_{colour}"] = (round(level, 2), "[ADU] mean above black, divided out")
    cards["FLATDARK"] = (subtract is not None, "a dark or bias was taken off first")
    if subtract is None:
        cards["COMMENT"] = "No dark or bias of the flats: the header's black level was taken off."
    return master_hdus(
        cards, flats.usable(flat), relative, flats.flat_defects(flat), _frame_table(dark_set, reasons, {})
    )


def _alike_flats(
    used: list[_Candidate],
    samples: list[NDArray[np.float32]],
    gains: list[NDArray[np.float64]],
    dark_set: DarkSet,
    reasons: dict[str, str],
) -> tuple[list[_Candidate], list[NDArray[np.float32]], list[NDArray[np.float64]]]:
    """Leave out flats that are lit otherwise than the others."""
    width = samples[0].shape[1]
    parity = np.arange(len(samples[0])) % 2  # rows come in pairs that begin at an even one
    shapes = np.stack([s * flats.by_place(g, width)[parity] for s, g in zip(samples, gains, strict=True)])
    kept = []
    for n, off in enumerate(flats.shape_departures(shapes)):
        if off is None:
            kept.append(n)
            continue
        reasons[used[n].frame.id] = f"is lit otherwise than the others, by up to {100 * off:.1f} %"
        log.info("%s: %s is left out: it %s", dark_set.set, used[n].frame.shown, reasons[used[n].frame.id])
    return [used[n] for n in kept], [samples[n] for n in kept], [gains[n] for n in kept]


def _master_cards(used: list[_Candidate], dark_set: DarkSet, reasons: dict[str, str]) -> fits.Header:
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


def _frame_table(
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
