"""Making the master of one set of flats: those that are lit alike, and their mean."""

from __future__ import annotations

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.console import log
from pipeline.errors import InputError
from pipeline.plan import DarkSet
from pipeline.scene.masterset import Candidate, by_blocks, empty, frame_table, master_cards, sample_of
from pipeline.sensor import darks, darkset, flats
from pipeline.sensor.calibrate import calibrate
from pipeline.sensor.master import Master, master_hdus


def master_flat(
    candidates: list[Candidate],
    reasons: dict[str, str],
    dark_set: DarkSet,
    subtract: Master | None,
    memory_mb: int,
) -> fits.HDUList:
    """The master of flats, 1 on average in each colour; `subtract` is the master of their darks or biases.

    `reasons` takes why frames are left out, by their id.

    Raises
    ------
    InputError
        Where they show no light to divide by.
    """
    shape = candidates[0].mosaic.shape
    rows = darkset.sample_rows(*shape)
    header = candidates[0].mosaic.header
    full_scale = header.full_scale
    used: list[Candidate] = []
    samples, gains = [], []
    for c in candidates:
        sample = sample_of(c.mosaic, rows)
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
        return empty(dark_set, reasons)
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

    hits = by_blocks(block, shape, 3 * len(used), memory_mb)
    try:
        flat, relative, colours = flats.normalise(mean, error, header.cfa)
    except ValueError as problem:
        raise InputError(f"{dark_set.set}: {problem}") from None
    cards = master_cards(used, dark_set, reasons)
    cards["NHITS"] = (hits, "values rejected (cosmic hits)")
    for colour, level in colours.items():
        cards[f"LEVEL_{colour}"] = (round(level, 2), "[ADU] mean above black, divided out")
    cards["FLATDARK"] = (subtract is not None, "a dark or bias was taken off first")
    if subtract is None:
        cards["COMMENT"] = "No dark or bias of the flats: the header's black level was taken off."
    return master_hdus(
        cards, flats.usable(flat), relative, flats.flat_defects(flat), frame_table(dark_set, reasons, {})
    )


def _alike_flats(
    used: list[Candidate],
    samples: list[NDArray[np.float32]],
    gains: list[NDArray[np.float64]],
    dark_set: DarkSet,
    reasons: dict[str, str],
) -> tuple[list[Candidate], list[NDArray[np.float32]], list[NDArray[np.float64]]]:
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
