"""Stars followed from frame to frame of a scene, under any sky motion and any mount."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.sky.match import match_fields, pairs_within
from pipeline.stars.votes import count_votes

Floats = NDArray[np.float64]

FOLLOWED = 700  # of the brightest stars of each frame
VOTERS = 120  # of the brightest stars that vote on the shift between two frames
VOTE_BIN = 8.0  # px; over a wide lens the shift of half a minute differs by about so much from place to place
REACH = 0.35  # of the frame's width; larger shifts are left to the search by patterns
RADII = (12.0, 6.0, 3.0)  # px, of one nearest-neighbour round after the other
PAIRS_MIN = 6
SHARE_MIN = 0.3  # of the fewer stars of two frames that a true match brings together; chance brings 0.05
CLEAR_LEAD = 1.5  # the winning shift has so many times the votes of the best one elsewhere
QUADRATIC_NEEDS = 40
AFFINE_NEEDS = 12
GRID = 6  # places a side on which a map is turned back
BACK_ROUNDS = 6  # in which that is done; each brings it a hundred times nearer
LOOK_BACK = 3  # frames: one spoiled frame must not break the chain


@dataclass
class Tracks:
    """Which star is which.

    `number` is the count of stars. For frame n, `ids[n]` are stars, `rows[n]` their row in the frame's list (-1 where
    the star should be in the frame and was not found), `x[n]`, `y[n]` where they are or should be, px; all empty where
    the frame could not be laid on its neighbours. `steps` are (earlier, later, x, y, dx, dy) of linked pairs.
    """

    number: int = 0
    ids: list[NDArray[np.int64]] = field(default_factory=list)
    rows: list[NDArray[np.int64]] = field(default_factory=list)
    x: list[Floats] = field(default_factory=list)
    y: list[Floats] = field(default_factory=list)
    steps: list[tuple[int, int, Floats, Floats, Floats, Floats]] = field(default_factory=list)


@dataclass(frozen=True)
class Laying:
    """One frame laid on another: row pairs, and the fitted map of all places."""

    pairs: NDArray[np.int64]
    terms: int
    coefficients: Floats
    scale: float

    def __call__(self, xy: Floats) -> Floats:
        """Where places of the first frame lie in the second."""
        return xy + _basis(xy / self.scale, self.terms) @ self.coefficients

    def back(self) -> Laying:
        """The map the other way, as good as its terms allow."""
        y, x = np.meshgrid(*(np.linspace(0, self.scale, GRID),) * 2, indexing="ij")
        there = np.column_stack([x.ravel(), y.ravel()])
        here = there
        for _ in range(BACK_ROUNDS):
            here = here + there - self(here)
        coefficients = np.linalg.lstsq(_basis(there / self.scale, self.terms), here - there, rcond=None)[0]
        return Laying(self.pairs[:, ::-1], self.terms, np.asarray(coefficients, np.float64), self.scale)


def follow(frames: Sequence[NDArray[Any]], width: int, height: int) -> Tracks:
    """Follow the stars through the frames of a scene.

    Parameters
    ----------
    frames : star lists in the order of time, brightest first, with fields x, y
    width, height : px
    """
    tracks = Tracks()
    # the sky so far: places of all stars carried along to each of the last linked frames
    recent: list[tuple[int, NDArray[np.int64], Floats]] = []
    for n, stars in enumerate(frames):
        xy = np.column_stack([np.asarray(stars["x"], np.float64), np.asarray(stars["y"], np.float64)])
        lead = min(FOLLOWED, len(xy))
        if not recent:
            # fewer are never met again: they must not have the numbers of stars to come
            tracks.number = lead = lead if lead >= PAIRS_MIN else 0
            ids = np.arange(lead)
            _add(tracks, ids, np.arange(lead), xy[:lead])
            if lead:
                recent.append((n, ids, xy[:lead]))
            continue
        laid, earlier = None, recent[-1]
        for earlier in reversed(recent):
            laid = lay(earlier[2], xy, float(max(width, height)))
            if laid is not None:
                break
        if laid is None:
            _add(tracks, np.empty(0, np.int64), np.empty(0, np.int64), np.empty((0, 2)))
            continue
        before, ids, places = earlier
        carried = laid(places)
        rows = np.full(len(ids), -1, np.int64)
        rows[laid.pairs[:, 0]] = laid.pairs[:, 1]
        found = rows >= 0
        tracks.steps.append((before, n, *places[found].T, *(xy[rows[found]] - places[found]).T))
        carried[found] = xy[rows[found]]
        inside = (carried[:, 0] > -0.5) & (carried[:, 1] > -0.5)
        inside &= (carried[:, 0] < width - 0.5) & (carried[:, 1] < height - 0.5)
        fresh = np.setdiff1d(np.arange(lead), rows[found])
        # a new star must stand clear of where a known one should be, or a near miss becomes a second star
        if len(fresh) and len(carried):
            distance, _ = cKDTree(carried).query(xy[fresh])
            fresh = fresh[distance > RADII[0]]
        ids = np.concatenate([ids[inside], tracks.number + np.arange(len(fresh))])
        rows = np.concatenate([rows[inside], fresh])
        places = np.concatenate([carried[inside], xy[fresh]])
        tracks.number += len(fresh)
        _add(tracks, ids, rows, places)
        recent = [*recent, (n, ids, places)][-LOOK_BACK:]
    _carry_back(tracks, frames, width, height)
    return tracks


def _carry_back(tracks: Tracks, frames: Sequence[NDArray[Any]], width: int, height: int) -> None:
    """Carry the stars that were met late back to the frames before: hidden there by cloud or land, or only faint."""
    extent = float(max(width, height))
    for earlier, later, x, y, dx, dy in reversed(tracks.steps):
        late = ~np.isin(tracks.ids[later], tracks.ids[earlier])
        if not late.any() or len(x) < PAIRS_MIN:
            continue
        there = np.column_stack([x + dx, y + dy])
        terms = 6 if len(x) >= QUADRATIC_NEEDS else 3 if len(x) >= AFFINE_NEEDS else 1
        back = np.linalg.lstsq(_basis(there / extent, terms), -np.column_stack([dx, dy]), rcond=1e-9)[0]
        places = np.column_stack([tracks.x[later][late], tracks.y[later][late]])
        places = places + _basis(places / extent, terms) @ back
        inside = (places > -0.5).all(axis=1) & (places[:, 0] < width - 0.5) & (places[:, 1] < height - 0.5)
        ids, places = tracks.ids[later][late][inside], places[inside]
        stars = frames[earlier]
        rows = np.full(len(ids), -1, np.int64)
        free = np.setdiff1d(np.arange(len(stars)), tracks.rows[earlier])
        if len(free) and len(ids):
            tree = cKDTree(np.column_stack([stars["x"][free], stars["y"][free]]))
            chosen, nearest = pairs_within(places, tree, RADII[-1]).T
            rows[chosen] = free[nearest]
            places[chosen] = np.column_stack([stars["x"][rows[chosen]], stars["y"][rows[chosen]]])
        tracks.ids[earlier] = np.concatenate([tracks.ids[earlier], ids])
        tracks.rows[earlier] = np.concatenate([tracks.rows[earlier], rows])
        tracks.x[earlier] = np.concatenate([tracks.x[earlier], places[:, 0]])
        tracks.y[earlier] = np.concatenate([tracks.y[earlier], places[:, 1]])


def _add(tracks: Tracks, ids: NDArray[np.int64], rows: NDArray[np.int64], places: Floats) -> None:
    tracks.ids.append(ids)
    tracks.rows.append(rows)
    tracks.x.append(places[:, 0].copy())
    tracks.y.append(places[:, 1].copy())


def _basis(xy: Floats, terms: int) -> Floats:
    x, y = xy[:, 0], xy[:, 1]
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y][:terms], axis=1)


def lay(first: Floats, second: Floats, extent: float) -> Laying | None:
    """Lay one frame's stars on another's.

    A shift that most stars agree on is sought first; where there is none, patterns are (any rotation).

    Parameters
    ----------
    first, second : (n, 2) and (m, 2) places, px, brightest first
    extent : long side of the frame, px
    """
    if min(len(first), len(second)) < PAIRS_MIN:
        return None
    shift = _voted_shift(first[:VOTERS], second[:VOTERS], REACH * extent)
    if shift is not None:
        laid = _closer(first, second, first + shift, extent)
        if laid is not None:
            return laid
    match = match_fields(first[:200], second[:200], tolerance_px=4.0)
    if match is None:
        return None
    return _closer(first, second, np.column_stack(match.apply(first[:, 0], first[:, 1])), extent)


def _voted_shift(first: Floats, second: Floats, reach: float) -> Floats | None:
    """The difference of places that most pairs share, or None where no one stands out."""
    difference = (second[None] - first[:, None]).reshape(-1, 2)
    difference = difference[(np.abs(difference) < reach).all(axis=1)]
    if len(difference) < PAIRS_MIN:
        return None
    bins = int(np.ceil(2 * reach / VOTE_BIN))
    votes = count_votes(difference[:, 0], difference[:, 1], (bins, bins), ((-reach, reach), (-reach, reach)))
    i, j = votes.fullest
    most = votes.counts[i, j]
    elsewhere = votes.counts.copy()
    elsewhere[max(0, i - 3) : i + 4, max(0, j - 3) : j + 4] = 0
    if most < PAIRS_MIN or most < CLEAR_LEAD * elsewhere.max():
        return None
    near = difference[(np.abs(difference - votes.place) < VOTE_BIN).all(axis=1)]
    return np.median(near, axis=0)


def _closer(first: Floats, second: Floats, guess: Floats, extent: float) -> Laying | None:
    """Pair nearest neighbours within shrinking circles, each round on a better map."""
    tree = cKDTree(second)
    moved = guess
    terms = 1
    coefficients: Floats = np.zeros((1, 2))
    pairs = np.empty((0, 2), np.int64)
    for radius in RADII:
        pairs = pairs_within(moved, tree, radius)
        if len(pairs) < PAIRS_MIN:
            return None
        terms = 6 if len(pairs) >= QUADRATIC_NEEDS else 3 if len(pairs) >= AFFINE_NEEDS else 1
        basis = _basis(first[pairs[:, 0]] / extent, terms)
        step = second[pairs[:, 1]] - first[pairs[:, 0]]
        coefficients = fitted(basis, step)
        moved = first + _basis(first / extent, terms) @ coefficients
    bright = min(len(first), len(second), VOTERS)
    together = np.sum(pairs[:, 0] < bright)
    if len(pairs) < PAIRS_MIN or together < SHARE_MIN * bright:
        return None
    return Laying(pairs, terms, coefficients, extent)


def fitted(basis: Floats, step: Floats) -> Floats:
    """Coefficients of a map's basis for steps, (n, 2); what lies far off the others counts for little."""
    coefficients: Floats = np.zeros((basis.shape[1], 2))
    weight = np.ones(len(step))
    for _ in range(5):
        root = np.sqrt(weight)[:, None]
        coefficients = np.asarray(np.linalg.lstsq(basis * root, step * root, rcond=1e-9)[0], np.float64)
        miss = np.hypot(*(step - basis @ coefficients).T)
        weight = 1 / (1 + (miss / max(np.median(miss), 0.05)) ** 2) ** 2
    return coefficients


def drift(tracks: Tracks, times_s: Sequence[float | None], extent: float) -> tuple[Floats, float] | None:
    """How fast the field moves over the sensor: a quadratic of the place for the median of steps.

    Parameters
    ----------
    tracks : of a scene
    times_s : middle of each exposure, s, on any clock; None where not known
    extent : long side of the frame, px

    Returns
    -------
    coefficients of vx and vy (6, 2; use `drift_at`), px/s, and the spread of the steps' mean velocities over the
    median's length; None where fewer than two steps are timed
    """
    rows, means = [], []
    for earlier, later, x, y, dx, dy in tracks.steps:
        begin, end = times_s[earlier], times_s[later]
        if begin is None or end is None or end <= begin or len(x) < PAIRS_MIN:
            continue
        basis = _basis(
            np.column_stack([x, y]) / extent, 6 if len(x) >= QUADRATIC_NEEDS else 3 if len(x) >= AFFINE_NEEDS else 1
        )
        fitted = np.zeros((6, 2))
        fitted[: basis.shape[1]] = np.linalg.lstsq(basis, np.column_stack([dx, dy]), rcond=1e-9)[0]
        rows.append(fitted / (end - begin))
        means.append([np.median(dx) / (end - begin), np.median(dy) / (end - begin)])
    if len(rows) < 2:
        return None
    middle = np.median(means, axis=0)
    spread = float(np.median(np.hypot(*(np.array(means) - middle).T)) / max(float(np.hypot(*middle)), 1e-12))
    return np.median(rows, axis=0), spread


def drift_at(coefficients: Floats, x: Floats, y: Floats, extent: float) -> Floats:
    """(n, 2) velocities at places, px/s."""
    return _basis(np.column_stack([x, y]) / extent, 6) @ coefficients
