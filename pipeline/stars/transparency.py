"""How clear each part of each frame is, from the fluxes of its stars against the scene's clearest frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.stars.ownlight import SCATTER, Sightings, means, star_light, weighted_medians

Floats = NDArray[np.float64]

GRIDS = ((6, 8), (4, 5), (3, 4), (2, 2), (1, 1))  # rows, columns; the finest that leaves `PART_STARS` in a part
PART_STARS = 6  # median over so many stars of 5 % scatter is good to 0.03
PART_LEAST = 3  # stars that should be seen in a part before it says anything
MIXED = 0.2  # of a part's stars beyond them: a cloud's edge crosses it, it has no one transparency
CLEAR_ERROR, CLOUD_ERROR, IN_CLOUD = 0.008, 0.02, 0.9  # a part is stated where known so well; below 0.9 it is in cloud
NEAREST = 5  # stars around a place that tell its transparency at the least: a lost one or two at an edge do not
NEARBY = 24  # at most, and
NEARBY_SHARE = 0.03  # of the frame's stars: of fewer a sky near a limit lies below it in many places by chance
REACH = 2.0  # of the radius that holds so many on average, beyond which they are not around it
SURE = 12.0  # signal-to-noise at which a star that should be there and is not means cloud
FOUND_SHARE = 0.7  # of the brightest stars of a part, that tell how thick a cloud is which hides the rest
RUN = 4  # frames one after the other in which a star is found


@dataclass(frozen=True)
class Clearness:
    """What `clearness` gives.

    `parts` (frames, rows, columns) transparency, 1 is clear, NaN where nothing can be told; `overall` (frames,) the
    median over all stars; `sky` (rows, columns) whether a part ever shows stars; `error` the standard error of `parts`,
    inf where a cloud's edge crosses one. `x`, `y` px, `deficit` of the stars of each frame that tell: the logarithm of
    the share of its light that each shows, -inf for one that has vanished; `weight` one over its variance.
    """

    parts: Floats
    overall: Floats
    sky: NDArray[np.bool_]
    error: Floats
    x: tuple[Floats, ...] = ()
    y: tuple[Floats, ...] = ()
    deficit: tuple[Floats, ...] = ()
    weight: tuple[Floats, ...] = ()

    @property
    def stated(self) -> NDArray[np.bool_]:
        """(frames, rows, columns) parts that are known to 0.02 (2.5 standard errors) where clear, 0.05 in cloud."""
        return self.error <= np.where(self.parts < IN_CLOUD, CLOUD_ERROR, CLEAR_ERROR)

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
    seen: Sightings,
    frames: int,
    width: int,
    height: int,
    behind: NDArray[np.bool_] | None = None,
    sharp: NDArray[np.bool_] | None = None,
) -> Clearness:
    """Transparency of every part of every frame.

    What each star lacks of its own light (`ownlight`), averaged over the parts. The clearest frames are 1. A star that
    should be seen at `SURE` and is not counts as fainter than all that are.

    Parameters
    ----------
    seen : of linked frames
    frames : their number
    behind : (n,) which sightings lie behind land: not to be found there says nothing of clouds
    sharp : (frames,) which may say what is clear; all where None
    """
    if len(seen.star) == 0:
        nothing = np.full((frames, 1, 1), np.nan)
        return Clearness(nothing, nothing[:, 0, 0], np.zeros((1, 1), bool), np.full_like(nothing, np.inf))
    grid = _grid(seen, frames)
    part = _part(seen.x, seen.y, width, height, grid)
    number = grid[0] * grid[1]
    cell = seen.frame * number + part
    with np.errstate(invalid="ignore", divide="ignore"):
        log = np.where(seen.flux > 0, np.log(seen.flux), np.nan)
    found = np.isfinite(log)
    light = star_light(seen, log, cell, number, frames, width, height, sharp)
    deficit = np.where(found, light.left, -np.inf)
    with np.errstate(over="ignore"):
        expected = np.exp(light.expected)
        sure = expected > SURE * seen.error
        sound = 1 / (np.minimum(seen.error / expected, 1.0) ** 2 + SCATTER**2)
    open_sky = np.ones(len(found), bool) if behind is None else ~behind
    counted = light.tells | (~found & sure & _true_stars(seen, found, open_sky))
    counted &= open_sky & np.isfinite(light.expected)
    order = np.flatnonzero(counted)
    order = order[np.argsort(seen.frame[order], kind="stable")]
    weight = np.where(counted, sound, 0.0)
    parts = _deficits(deficit, light.expected, weight, cell, frames * number)
    parts, error, near = means(parts, deficit, np.where(counted, light.sigma, np.inf), cell)
    present = np.bincount(cell, counted, minlength=len(parts))
    error[present - near > MIXED * present] = np.inf
    # stars that have set behind land's edge, or stand behind that of an opaque cloud, beside others that shine
    shining = np.bincount(cell, counted & found, minlength=len(parts))
    error[np.isneginf(parts)] = 0.0
    error[np.isneginf(parts) & (shining > MIXED * present)] = np.inf
    parts, error = parts.reshape(frames, *grid), error.reshape(frames, *grid)
    overall = _deficits(deficit, light.expected, weight, seen.frame, frames)
    frame_rows = np.split(order, np.searchsorted(seen.frame[order], np.arange(1, frames)))
    often = np.bincount(part[found], minlength=number) / max(1, frames)
    return Clearness(
        _exp(parts),
        _exp(overall),
        (often >= 1.0).reshape(grid) & np.isfinite(parts).any(axis=0),
        np.where(np.isinf(error), np.inf, error) * np.where(np.isinf(error), 1.0, np.minimum(_exp(parts), 1.0)),
        *(tuple(values[rows] for rows in frame_rows) for values in (seen.x, seen.y, deficit, sound)),
    )


def _true_stars(seen: Sightings, found: NDArray[np.bool_], open_sky: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which sightings are of true stars: found in a third of its frames, or in `RUN` one after the other.

    What is found now and then is none, or hides in another; what was there for a while stands behind cloud since.
    """
    star = seen.star
    number = np.bincount(star, found | open_sky)
    times = np.bincount(star, found, minlength=len(number))
    order = np.lexsort((seen.frame, star))
    # sightings of one star since it was last missed
    missed = ~found[order] | (np.diff(star[order], prepend=-1) != 0)
    place = np.arange(len(order))
    since = place - np.maximum.accumulate(np.where(missed, place, 0)) + found[order]
    longest = np.zeros(len(number), np.int64)
    np.maximum.at(longest, star[order], since)
    return ((times >= np.maximum(2, number / 3)) | (longest >= RUN))[star]


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
    out = weighted_medians(deficit, weight, group, groups, least=PART_LEAST)
    for n in np.flatnonzero(np.isneginf(out)):
        members = np.flatnonzero((weight > 0) & (group == n))
        members = members[np.argsort(-expected[members], kind="stable")]
        found = np.cumsum(np.isfinite(deficit[members]))
        enough = np.flatnonzero(found >= FOUND_SHARE * (np.arange(len(members)) + 1))
        if len(enough) and enough[-1] + 1 >= PART_LEAST:
            out[n] = np.median(np.maximum(deficit[members[: enough[-1] + 1]], -1e3))
    return out


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
