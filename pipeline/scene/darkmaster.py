"""Making the master of one set of darks or biases: which of its frames belong, and their mean."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.console import log
from pipeline.plan import DarkSet
from pipeline.scene.masterset import AT_ONCE, Candidate, by_blocks, empty, frame_table, master_cards, sample_of
from pipeline.sensor import darks, darkset, defects
from pipeline.sensor.banding import Banding, quarters_of, scene_banding
from pipeline.sensor.beside import Beside, Standing, beside, standing, with_real
from pipeline.sensor.likeliest import Structure, drawn, structure_of
from pipeline.sensor.master import master_hdus, read_rows
from pipeline.sensor.mosaic import MosaicFile
from pipeline.sensor.strips import strips_of

# What masters of few frames say of themselves, by how many.
FEW = {
    1: "One frame: hits and hot pixels not told apart; of pixels only what stands out is kept.",
    2: "Two frames: where they disagree the lower value is used; unstable pixels not judged.",
    3: "Three frames: unstable pixels are not judged.",
}


def master_dark(
    candidates: list[Candidate],
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
        sample = np.stack(list(pool.map(lambda c: sample_of(c.mosaic, rows), candidates)))
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
        return empty(dark_set, reasons)
    used = [candidates[n] for n in kept]
    if out:  # what was left out must not colour the figures of the others
        figures_kept = darkset.frame_figures(sample[kept])
        model = darks.fit_noise(sample[kept] - _column(figures_kept), full)
    else:
        figures_kept = figures
    average = float(np.mean([f.level for f in figures_kept]))
    levels = np.stack([_levels(c.mosaic, f.level - average) for c, f in zip(used, figures_kept, strict=True)])
    del sample
    mean, noise, unstable, hits = _mean_of(used, [banding[n] for n in kept], levels, model, memory_mb)
    header = used[0].mosaic.header
    structure = structure_of(mean, header.cfa)
    held = None if against is None else beside(mean, noise, structure.value, against[1], header.full_scale)
    # before what others show is taken over: no master tells another of its own pixels what that told it
    shows = standing(mean, noise, structure.value, unstable, header.full_scale) if dark_set.kind == "dark" else None
    below = None if shows is None else structure.value[shows.ys, shows.xs]
    find = partial(
        defects.master_defects, sigma=model.sigma, cfa=header.cfa, hot_sigma=hot_sigma, full_scale=header.full_scale
    )
    mean, noise, flags = _single_pixels(mean, noise, unstable, structure, held, find)
    if shows is not None and below is not None:
        shows = with_real(shows, mean[shows.ys, shows.xs] - below)
    cards = master_cards(used, dark_set, reasons)
    cards.update(_beside_cards(dark_set, against is not None, held))
    own = float(np.median(noise[::4, ::4])) / model.sigma
    cards.update(_noise_cards(model, own, hits, len(used)))
    table = frame_table(dark_set, reasons, {c.frame.id: f for c, f in zip(candidates, figures, strict=True)})
    log.info(
        "%s: %d of %d frames, %.2f ADU noise a frame, %d hot, %d cold, %d unstable pixels",
        dark_set.set,
        len(used),
        len(dark_set.frames),
        model.sigma,
        *(int(np.count_nonzero(flags & bit)) for bit in (defects.HOT, defects.COLD, defects.UNSTABLE)),
    )
    return master_hdus(cards, mean, noise, flags, table, shows)


def _mean_of(
    used: list[Candidate],
    banding: Sequence[Banding | None],
    levels: NDArray[np.float32],
    model: darks.NoiseModel,
    memory_mb: int,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_], int]:
    """The frames' mean, its standard error, which pixels are unstable, and how many values were hits.

    Parameters
    ----------
    banding : of each frame, what its lines are off by
    levels : (n, 2, width) of `_levels`
    """
    shape = used[0].mosaic.shape
    mean, noise, unstable = np.empty(shape, np.float32), np.empty(shape, np.float32), np.empty(shape, np.bool_)
    kind = np.uint16 if all(shifts is None for shifts in banding) else np.float32

    def block(top: int, bottom: int) -> int:
        stack = np.empty((len(used), bottom - top, shape[1]), kind)
        for plane, c, shifts in zip(stack, used, banding, strict=True):
            plane[:] = c.mosaic.region(top, bottom, 0, shape[1])
            if shifts is not None:
                plane -= shifts.at_pixels((slice(top, bottom), slice(None)))
        part, variance, number, unsteady = darks.robust_mean(stack, levels, model)
        mean[top:bottom] = part
        noise[top:bottom] = darks.standard_error(part, variance, number, model)
        unstable[top:bottom] = unsteady
        return int(len(used) * part.size - number.sum(dtype=np.int64))

    return mean, noise, unstable, by_blocks(block, shape, len(used), memory_mb)


def _noise_cards(model: darks.NoiseModel, own: float, hits: int, count: int) -> dict[str, Any]:
    """What a master's header says of the noise of its frames, `own` that of the master over it, and of their number."""
    cards: dict[str, Any] = {
        "TNOISE": (round(model.sigma, 4), "[ADU] temporal noise of one frame"),
        "NOISEFRM": ("temporal" if count > 1 else "spatial", "where the noise was measured"),
        "OWNNOISE": (round(own, 4), "noise of the master over that of one frame"),
        "DGAIN": (round(model.gain, 5), "[ADU] temporal variance per ADU of dark signal"),
        "DLEVEL": (round(model.bulk, 3), "[ADU] level of ordinary pixels above black"),
        "NHITS": (hits, "values rejected (cosmic hits)"),
    }
    if count in FEW:
        cards["COMMENT"] = FEW[count]
    return cards


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


def _changing_banding(candidates: list[Candidate]) -> list[Banding | None]:
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


def _levels(mosaic: MosaicFile, level: float) -> NDArray[np.float32]:
    """What is taken from even and odd rows, (2, width)."""
    levels = np.empty((2, mosaic.shape[1]), np.float32)
    for row in (0, 1):
        levels[row, 0::2] = mosaic.header.black[2 * row] + level
        levels[row, 1::2] = mosaic.header.black[2 * row + 1] + level
    return levels


def _column(figures: Sequence[darkset.FrameFigures]) -> NDArray[np.float32]:
    return np.array([f.level for f in figures], np.float32)[:, None, None]
