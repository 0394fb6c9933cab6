"""How clear each part of each frame is, from the fluxes of its stars against the scene's clearest frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.pixels.regression import robust_fit

Floats = NDArray[np.float64]

GRIDS = ((6, 8), (4, 5), (3, 4), (2, 2), (1, 1))  # rows, columns; the finest that leaves `PART_STARS` in a part
PART_STARS = 6  # median over so many stars of 5 % scatter is good to 0.03
PART_LEAST = 3  # stars that should be seen in a part before it says anything
SCATTER = 0.03  # of a flux beyond its noise: brighter stars tell no more than others
NEAREST = 5  # stars around a place that tell its transparency at the least: a lost one or two at an edge do not
NEARBY = 24  # at most, and
NEARBY_SHARE = 0.03  # of the frame's stars: of fewer a sky near a limit lies below it in many places by chance
REACH = 2.0  # of the radius that holds so many on average, beyond which they are not around it
CLEAR_SHARE = 0.9  # the quantile of frames that counts as clear
SURE = 12.0  # signal-to-noise at which a star that should be there and is not means cloud
FOUND_SHARE = 0.7  # of the brightest stars of a part, that tell how thick a cloud is which hides the rest
# Spread of rho^2 within stars from which the falloff towards the corners is learned from them. It need not be known
# well: it counts only between the places of one star. Half an hour at 24 mm spreads it by 0.049, and parts at the rim
# of a clear sky read 0.83 without.
SPREAD_NEEDS = 0.01
# What a lens may leave in the corner, as a logarithm: else it is no lens that was learned.
CORNER_MOST, CORNER_LEAST = 0.05, -2.5
ROUNDS = 8


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
class Clearness:
    """What `clearness` gives.

    `parts` (frames, rows, columns) transparency, 1 is clear, NaN where nothing can be told; `overall` (frames,) its
    median over all stars; `sky` (rows, columns) whether a part ever shows stars. `x`, `y` px, `deficit` of the stars
    of each frame that tell: the logarithm of the share of its light that each shows, -inf for one that has vanished;
    `weight` one over its variance.
    """

    parts: Floats
    overall: Floats
    sky: NDArray[np.bool_]
    x: tuple[Floats, ...] = ()
    y: tuple[Floats, ...] = ()
    deficit: tuple[Floats, ...] = ()
    weight: tuple[Floats, ...] = ()

    def at(self, frame: int, x: Floats, y: Floats, area: float) -> Floats:
        """Transparency at places of a frame, px: the weighted median of the nearest stars'; NaN where none are near.

        Parameters
        ----------
        area : of the frame, px^2, by which it is told how near stars should be
        """
        deficit = self.deficit[frame]
        if len(deficit) < PART_LEAST:
            return np.full(len(x), np.nan)
        least = min(NEAREST, len(deficit))
        count = max(least, min(NEARBY, int(NEARBY_SHARE * len(deficit))))
        tree = cKDTree(np.column_stack([self.x[frame], self.y[frame]]))
        distance, near = tree.query(np.column_stack([x, y]), count)
        weight = self.weight[frame][near]
        order = np.argsort(deficit[near], axis=1, kind="stable")
        running = np.cumsum(np.take_along_axis(weight, order, axis=1), axis=1)
        middle_rank = (running < running[:, -1:] / 2).sum(axis=1)
        middle = deficit[np.take_along_axis(near, order, axis=1)[np.arange(len(x)), middle_rank]]
        # of stars spread evenly over the frame so many lie within pi r^2
        reach = REACH * np.sqrt(least * area / (np.pi * len(deficit)))
        return np.where(distance[:, least - 1] <= reach, _exp(middle), np.nan)


def clearness(
    seen: Sightings, frames: int, width: int, height: int, behind: NDArray[np.bool_] | None = None
) -> Clearness:
    """Transparency of every part of every frame.

    The logarithm of each flux is the star's own, plus the falloff of the lens at its place, plus the part's
    transparency in that frame; medians of each in turn settle all three (a median polish). The clearest frames are 1.
    A star that should be seen at `SURE` and is not counts as fainter than all that are.

    Parameters
    ----------
    seen : of linked frames
    frames : their number
    behind : (n,) which sightings lie behind land: not to be found there says nothing of clouds
    """
    if len(seen.star) == 0:
        return Clearness(np.full((frames, 1, 1), np.nan), np.full(frames, np.nan), np.zeros((1, 1), bool))
    grid = _grid(seen, frames)
    part = _part(seen.x, seen.y, width, height, grid)
    number = grid[0] * grid[1]
    cell = seen.frame * number + part
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.where(seen.flux > 0, np.log(seen.flux), np.nan)
    found = np.isfinite(log)
    rho2 = (4 * ((seen.x - width / 2) ** 2 + (seen.y - height / 2) ** 2)) / (width**2 + height**2)
    clear = _chain(seen, log, frames)
    star = np.zeros(int(seen.star.max()) + 1)
    falloff = np.zeros_like(rho2)
    shade = np.nan_to_num(clear[seen.frame])
    cells = np.zeros(frames * number)
    with np.errstate(invalid="ignore", divide="ignore"):
        sound = np.where(found, 1 / ((seen.error / seen.flux) ** 2 + SCATTER**2), 0.0)
    for _ in range(ROUNDS):
        # clear frames say best how bright a star is
        weight = np.where(found, np.exp(2 * np.minimum(shade - np.nanmax(clear), 0.0)), 0.0)
        falloff = _falloff(log - shade, rho2, seen.star, found)
        star = _weighted_medians(log - falloff - shade, weight, seen.star, len(star))
        left = log - falloff - star[seen.star]
        cells = _weighted_medians(left, sound, cell, frames * number)
        clear = _weighted_medians(left, sound, seen.frame, frames)
        level = _clear_level(clear)
        cells, clear = cells - level, clear - level
        shade = np.where(np.isfinite(cells[cell]), cells[cell], np.nan_to_num(clear[seen.frame]))
    expected = star[seen.star] + falloff
    with np.errstate(over="ignore", invalid="ignore"):
        sure = np.exp(expected) > SURE * seen.error
        sound = 1 / (np.minimum(seen.error / np.exp(expected), 1.0) ** 2 + SCATTER**2)
    deficit = np.where(found, log - expected - level, -np.inf)
    open_sky = np.ones(len(found), bool) if behind is None else ~behind
    counted = (found | (sure & _true_stars(seen.star, found, open_sky))) & open_sky & np.isfinite(expected)
    order = np.flatnonzero(counted)
    order = order[np.argsort(seen.frame[order], kind="stable")]
    weight = np.where(counted, sound, 0.0)
    parts = _deficits(deficit, expected, weight, cell, frames * number).reshape(frames, *grid)
    overall = _deficits(deficit, expected, weight, seen.frame, frames)
    frame_rows = np.split(order, np.searchsorted(seen.frame[order], np.arange(1, frames)))
    often = np.bincount(part[found], minlength=number) / max(1, frames)
    return Clearness(
        _exp(parts),
        _exp(overall),
        (often >= 1.0).reshape(grid) & np.isfinite(parts).any(axis=0),
        *(tuple(values[rows] for rows in frame_rows) for values in (seen.x, seen.y, deficit, sound)),
    )


def _true_stars(star: NDArray[np.int64], found: NDArray[np.bool_], open_sky: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which sightings are of true stars: one found in fewer than a third of its frames is none, or hides in another."""
    number = np.bincount(star, found | open_sky)
    times = np.bincount(star, found, minlength=len(number))
    return (times >= np.maximum(2, number / 3))[star]


def _exp(values: Floats) -> Floats:
    return np.exp(np.minimum(values, 1.0))


def _grid(seen: Sightings, frames: int) -> tuple[int, int]:
    usual = np.median(np.bincount(seen.frame, minlength=frames))
    for rows, columns in GRIDS:
        if usual >= PART_STARS * rows * columns:
            return rows, columns
    return GRIDS[-1]


def _part(x: Floats, y: Floats, width: int, height: int, grid: tuple[int, int]) -> NDArray[np.int64]:
    rows = np.clip((y + 0.5) * grid[0] / height, 0, grid[0] - 1).astype(np.int64)
    columns = np.clip((x + 0.5) * grid[1] / width, 0, grid[1] - 1).astype(np.int64)
    return rows * grid[1] + columns


def _deficits(deficit: Floats, expected: Floats, weight: Floats, group: NDArray[np.int64], groups: int) -> Floats:
    """Weighted median deficit of each group; where most stars are gone, of as many of the brightest as mostly are not.

    The brightest so far are enough as long as seven in ten of them are found. Where not even three are, all is gone.
    """
    out = _weighted_medians(deficit, weight, group, groups, least=PART_LEAST)
    for n in np.flatnonzero(np.isneginf(out)):
        members = np.flatnonzero((weight > 0) & (group == n))
        members = members[np.argsort(-expected[members], kind="stable")]
        found = np.cumsum(np.isfinite(deficit[members]))
        enough = np.flatnonzero(found >= FOUND_SHARE * (np.arange(len(members)) + 1))
        if len(enough) and enough[-1] + 1 >= PART_LEAST:
            out[n] = np.median(np.maximum(deficit[members[: enough[-1] + 1]], -1e3))
    return out


def _weighted_medians(values: Floats, weight: Floats, group: NDArray[np.int64], groups: int, least: int = 1) -> Floats:
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


def _chain(seen: Sightings, log: Floats, frames: int) -> Floats:
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


def _clear_level(level: Floats) -> float:
    """What counts as clear: a high quantile of the frames; the best of few."""
    good = level[np.isfinite(level)]
    if len(good) == 0:
        return 0.0
    return float(np.quantile(good, CLEAR_SHARE)) if len(good) >= 10 else float(good.max())


def _falloff(left: Floats, rho2: Floats, star: NDArray[np.int64], found: NDArray[np.bool_]) -> Floats:
    """The lens's falloff (logarithm) from stars that move to other distances from the middle; 0 where none do."""
    groups = int(star.max()) + 1
    use = found & np.isfinite(left)
    if not use.any():
        return np.zeros_like(rho2)

    def centred(values: Floats) -> Floats:
        number = np.maximum(np.bincount(star[use], minlength=groups), 1)
        return values[use] - (np.bincount(star[use], values[use], minlength=groups) / number)[star[use]]

    design = np.column_stack([centred(rho2), centred(rho2**2)])
    if float(np.std(design[:, 0])) < SPREAD_NEEDS:
        return np.zeros_like(rho2)
    target = centred(left)
    solution, _ = robust_fit(design, target)
    if not CORNER_LEAST <= solution.sum() <= CORNER_MOST:
        return np.zeros_like(rho2)
    return rho2 * solution[0] + rho2**2 * solution[1]


def rank_transparency(flux: Floats, reference: Sequence[Floats], larger: Sequence[float] | None = None) -> float | None:
    """Transparency of a frame whose stars cannot be told apart, from its brightest against others' of the same rank.

    Parameters
    ----------
    flux : fluxes of the frame, ADU
    reference : fluxes of clear frames of the same sky
    larger : how much larger a sky each of these shows, where land stands before the frames
    """
    ordered = -np.sort(-np.asarray(flux, np.float64))
    lists = [-np.sort(-np.asarray(r, np.float64)) for r in reference]
    times = np.ones(len(lists)) if larger is None else np.asarray(larger, np.float64)
    depth = min([len(ordered), *(int(len(r) / t) for r, t in zip(lists, times, strict=True))]) if lists else 0
    if depth < PART_LEAST:
        return None
    # the n-th brightest of this frame beside the one of the same place in a sky so much larger
    ranks = np.arange(depth) + 0.5
    usual = np.median(
        [r[np.minimum((ranks * t).astype(int), len(r) - 1)] for r, t in zip(lists, times, strict=True)], axis=0
    )
    return float(np.exp(np.median(np.log(ordered[:depth] / usual))))
