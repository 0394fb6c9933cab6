"""The light of each star of a scene, parted from what stands before it: lens, air and clouds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.regression import robust_fit

Floats = NDArray[np.float64]

SCATTER = 0.03  # of a flux beyond its noise, where nothing may hang on a few bright stars
SCATTER_LEAST, SCATTER_STARS = 0.008, 50  # rendered frames show 0.006; so many bright sightings tell a scene's own
BRIGHT_ERROR = 0.015  # of a flux: what it scatters beyond that is no photon noise
INLIER = 3.0  # standard deviations about the part's median
CLEAR_SHARE = 0.9  # the quantile of frames that counts as clear
# What lens and air at a place take, as a logarithm a half diagonal from the middle, is about this or less; stars that
# move teach it, and where they hardly do little of it is believed.
USUAL_SHADING = 1.0
UNLIKE = 0.1  # of the logarithm, by which a part differs from its frame and tells of clouds, not of lens and air
NEAR_BEST = 0.03  # of the logarithm, within which a part is as clear as it is in its best frames
SOFT_WEIGHT = 0.01  # of a frame that does not say what is clear
TURNS, ROUNDS, REFINEMENTS = 2, 4, 3
# Signal-to-noise that a star should have in a frame to tell of it. Fainter ones are found where noise lifts them: what
# should have 5 to 6 shows 1.15 to 1.4 times its light, 7 to 8 1.00 to 1.1; and a bright sky makes faint ones of many.
LIFTED = 8.0
LIFTED_LEAST = 6  # stars of a frame, the surest, that tell whatever they have


@dataclass(frozen=True)
class Sightings:
    """Every star in every frame where it is or should be.

    Arrays of one length: `star`, `frame` numbers; `flux` ADU (NaN where the star was not found), `error` its standard
    deviation (what it would be, where it was not found), `x`, `y` px.
    """

    star: NDArray[np.int64]
    frame: NDArray[np.int64]
    flux: Floats
    error: Floats
    x: Floats
    y: Floats


@dataclass(frozen=True)
class StarLight:
    """Of each sighting: `expected` logarithm of its flux under a clear sky; `left` what it shows beside that (NaN where
    it was not found); `sigma` the standard deviation of `left`, inf where it was not found; `tells` whether it was
    found and no luck was needed for that."""

    expected: Floats
    left: Floats
    sigma: Floats
    tells: NDArray[np.bool_]


def star_light(
    seen: Sightings,
    log: Floats,
    cell: NDArray[np.int64],
    parts: int,
    frames: int,
    width: int,
    height: int,
    sharp: NDArray[np.bool_] | None,
) -> StarLight:
    """Settle how bright each star is.

    The logarithm of each flux is the star's own, plus the shading of lens and air at its place, plus the transparency
    of its part of the frame; medians of each in turn settle all three (a median polish), means about them by the noise
    of each flux make them as sure as photons allow. Of a star that noise must lift above the sky to be found, what is
    found does not tell.

    Parameters
    ----------
    seen, log : of linked frames, and the logarithms of their fluxes, NaN where not found
    cell : (n,) frame times `parts`, plus the part that each sighting lies in
    parts : their number
    sharp : (frames,) which may say what is clear; all where None
    """
    found = np.isfinite(log)
    # soft frames, whose stars come out brighter by what lies beside them, tell of those that no sharp one shows
    focus = 1.0 if sharp is None or not sharp.any() else np.where(sharp, 1.0, SOFT_WEIGHT)[seen.frame]
    clear = frame_levels(seen, log, frames)
    star = np.zeros(int(seen.star.max()) + 1)
    shading = np.zeros(len(log))
    shade = np.nan_to_num(clear[seen.frame])
    cells = np.zeros(frames * parts)
    with np.errstate(invalid="ignore", divide="ignore"):
        sound = np.where(found, 1 / ((seen.error / seen.flux) ** 2 + SCATTER**2), 0.0)
    known = log
    for turn in range(TURNS):
        if turn:
            found &= ~_lifted(seen, star[seen.star] + shading, found)
            log, sound = np.where(found, log, np.nan), np.where(found, sound, 0.0)
            alike = found & (np.abs(shade - clear[seen.frame]) < UNLIKE)
            left = log - star[seen.star] - clear[seen.frame]
            shading = _shading(seen, left, np.where(alike, sound, 0.0), width, height)
        for _ in range(ROUNDS):
            # clear frames say best how bright a star is
            weight = np.where(found, np.exp(2 * np.minimum(shade - np.nanmax(clear), 0.0)), 0.0) * focus
            star = weighted_medians(log - shading - shade, weight, seen.star, len(star))
            left = log - shading - star[seen.star]
            cells = weighted_medians(left, sound, cell, frames * parts)
            clear = weighted_medians(left, sound, seen.frame, frames)
            level = _clear_level(clear, sharp)
            cells, clear = cells - level, clear - level
            cells -= _standing(cells, clear)
            shade = np.where(np.isfinite(cells[cell]), cells[cell], np.nan_to_num(clear[seen.frame]))
    noise = np.where(found, seen.error / seen.flux, np.inf)
    scatter = _own_scatter(log - shading - star[seen.star] - shade, noise)
    for _ in range(REFINEMENTS):
        sigma = np.hypot(noise, scatter)
        star, star_error, _ = means(star, log - shading - shade, sigma / np.sqrt(weight), seen.star)
        left = log - shading - star[seen.star]
        level = _clear_level(weighted_medians(left, sound, seen.frame, frames), sharp)
        cells, _, _ = means(cells, left - level, sigma, cell)
        cells -= _standing(cells, clear)
        shade = np.where(np.isfinite(cells[cell]), cells[cell], shade)
    expected = star[seen.star] + shading
    left = known - expected
    level = _clear_level(weighted_medians(left, sound, seen.frame, frames), sharp)
    sigma = np.where(found, np.hypot(np.hypot(noise, scatter), star_error[seen.star]), np.inf)
    return StarLight(expected, left - level, sigma, found)


def _lifted(seen: Sightings, expected: Floats, found: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the sightings found would be missed but for noise, by the logarithm of the flux that is expected."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        ratio = np.where(found & np.isfinite(expected), np.exp(expected) / seen.error, -np.inf)
    order = np.lexsort((-ratio, seen.frame))
    begins = np.searchsorted(seen.frame[order], seen.frame[order])
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order)) - begins
    return found & (ratio < LIFTED) & (place >= LIFTED_LEAST)


def _standing(cells: Floats, clear: Floats) -> Floats:
    """What each part's logarithm is in the frames that show it clear, for every frame and part: it is the stars' own.

    Stars that stay in a part could all be so much brighter and the part so much darker. Clear frames are those near the
    best, not the usual ones: a bank of cloud may stand for most of a scene.
    """
    series = cells.reshape(len(clear), -1)
    base = np.zeros(series.shape[1])
    for n, part in enumerate(series.T):
        known = np.isfinite(part) & np.isfinite(clear)
        # what a part does beside its frame, from one frame to the next
        steps = np.abs(np.diff((part - clear)[known]))
        part = part[known]
        if len(part):
            noise = MAD_TO_SIGMA / np.sqrt(2) * float(np.median(steps)) if len(steps) else 0.0
            base[n] = np.median(part[part >= _clear_level(part) - NEAR_BEST - INLIER * noise])
    return np.tile(base, len(clear))


def _own_scatter(left: Floats, noise: Floats) -> float:
    """What fluxes scatter by beyond their noise, as the bright ones of the scene show it; `SCATTER` where few are."""
    bright = (noise < BRIGHT_ERROR) & np.isfinite(left)
    if bright.sum() < SCATTER_STARS:
        return SCATTER
    beyond = (MAD_TO_SIGMA * np.median(np.abs(left[bright]))) ** 2 - np.median(noise[bright]) ** 2
    return float(np.sqrt(np.clip(beyond, SCATTER_LEAST**2, SCATTER**2)))


def means(
    about: Floats, values: Floats, sigma: Floats, group: NDArray[np.int64]
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Mean of each group by the precision of its values, of those within `INLIER` sigma of `about`.

    Returns
    -------
    means (`about` where there is none), their standard errors (inf; larger where values differ by more than their
    sigmas), and of how many values they are
    """
    with np.errstate(invalid="ignore"):
        near = np.abs(values - about[group]) <= INLIER * sigma
    near &= np.isfinite(sigma) & np.isfinite(values)
    values, sigma, group = values[near], sigma[near], group[near]
    number = np.bincount(group, minlength=len(about))
    precision = np.bincount(group, sigma**-2.0, minlength=len(about))
    some = number > 0
    mean, error = about.copy(), np.full(len(about), np.inf)
    mean[some] = np.bincount(group, values / sigma**2, minlength=len(about))[some] / precision[some]
    square = np.bincount(group, ((values - mean[group]) / sigma) ** 2, minlength=len(about))
    unlike = np.sqrt(np.maximum(square / np.maximum(number - 1, 1), 1.0))
    error[some] = (unlike / np.sqrt(np.maximum(precision, 1e-300)))[some]
    return mean, error, number


def weighted_medians(values: Floats, weight: Floats, group: NDArray[np.int64], groups: int, least: int = 1) -> Floats:
    """Weighted median of each group, values of no weight left out; NaN below `least` of them; -inf is a value."""
    out = np.full(groups, np.nan)
    use = (weight > 0) & ~np.isnan(values)
    order = np.lexsort((values[use], group[use]))
    keys, sorted_values, running = group[use][order], values[use][order], np.cumsum(weight[use][order])
    first = np.searchsorted(keys, np.arange(groups))
    last = np.searchsorted(keys, np.arange(groups), side="right")
    some = np.flatnonzero(last - first >= least)
    if len(some) == 0:
        return out
    begin = np.where(first[some] > 0, running[np.maximum(first[some] - 1, 0)], 0.0)
    half = (begin + running[last[some] - 1]) / 2
    out[some] = sorted_values[np.clip(np.searchsorted(running, half), first[some], last[some] - 1)]
    return out


def frame_levels(seen: Sightings, log: Floats, frames: int) -> Floats:
    """First guess of each frame's level, from the stars it shares with those before it."""
    level = np.zeros(frames)
    latest = np.full(int(seen.star.max()) + 1, np.nan)
    order = np.argsort(seen.frame, kind="stable")
    bounds = np.searchsorted(seen.frame[order], np.arange(frames + 1))
    for n in range(frames):
        here = order[bounds[n] : bounds[n + 1]]
        here = here[np.isfinite(log[here])]
        if len(here) == 0:
            level[n] = np.nan
            continue
        change = log[here] - latest[seen.star[here]]
        change = change[np.isfinite(change)]
        level[n] = np.median(change) if len(change) else 0.0
        # a star's own level, as the first sight of it gave it
        new = here[~np.isfinite(latest[seen.star[here]])]
        latest[seen.star[new]] = log[new] - level[n]
    return level - _clear_level(level)


def _clear_level(level: Floats, sharp: NDArray[np.bool_] | None = None) -> float:
    """What counts as clear: a high quantile of the frames, of the sharp ones where some tell; the best of few."""
    if sharp is not None and np.isfinite(level[sharp]).any():
        level = level[sharp]
    good = level[np.isfinite(level)]
    if len(good) == 0:
        return 0.0
    return float(np.quantile(good, CLEAR_SHARE)) if len(good) >= 10 else float(good.max())


def _shading(seen: Sightings, left: Floats, weight: Floats, width: int, height: int) -> Floats:
    """What lens and air take at the place of each sighting (logarithm), from stars that move to other places.

    What stays with the camera: the lens's falloff, and before a camera that stands the air, thicker towards the
    horizon. Half an hour at 24 mm moves stars so far that parts at the rim of a clear sky read 0.83 without, three
    minutes at 14 mm so that they read 0.98.

    Parameters
    ----------
    left : (n,) logarithms of flux without the stars' and the frames' levels
    weight : (n,) inverse variances; 0 for those that do not tell
    """
    use = weight > 0
    half = np.hypot(width, height) / 2
    u, v = (seen.x - (width - 1) / 2) / half, (seen.y - (height - 1) / 2) / half
    rho2 = u**2 + v**2
    terms = np.column_stack([rho2, rho2**2, u * v, u**2 - v**2])
    design = terms[use]
    # only what changes within a star, and is not the same for a whole frame, tells
    for group in (seen.star[use], seen.frame[use]) * 3:
        number = np.maximum(np.bincount(group), 1)
        design = design - np.column_stack([np.bincount(group, c) / number for c in design.T])[group]
    prior = np.eye(terms.shape[1])
    solution, _ = robust_fit(
        np.concatenate([design, prior]),
        np.concatenate([left[use], np.zeros(len(prior))]),
        np.concatenate([weight[use], np.full(len(prior), USUAL_SHADING**-2.0)]),
    )
    return terms @ solution
