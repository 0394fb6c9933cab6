"""Where trees stand before the sky: stars beside one another are dimmed there each for itself, in frame after frame.

A cloud takes alike of stars that stand together, and goes on; twigs and crowns that the wind moves take from one star
and not from its neighbour, always at the same places. At the edge of a bank of cloud that stands they differ as well,
but the brighter ones lie all on one side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

UNLIKE = 0.35  # of the logarithm of their light by which two neighbours differ
FAINT = 0.2  # of its usual light: a star with less, or none, counts as one with so much
SURE_TIMES = 2.0  # times the error of a sure sighting: noise alone makes no difference of `UNLIKE`
SPACINGS = 2.0  # distances between stars within which two are neighbours
PAIRS = 40  # about a place, over all frames, that tell; no farther than
REACH = 4.0  # distances between stars, and at least
FEWEST = 12  # of them, out of
FRAMES = 5  # frames
OFTEN = 0.25  # share of pairs that differ, from which on, and
ONE_SIDED = 0.9  # share of these pairs whose brighter star lies on the same side: an edge
CLEAREST, TIMES = 0.2, 4.0  # quantile of the picture's places and times their share, trees stand there


def veiled(
    places: Floats, frame: NDArray[np.int64], light: Floats, error: Floats, spacing: float, wanted: Floats
) -> Bools:
    """Tell places at which trees dim stars one by one.

    Parameters
    ----------
    places : (n, 2) where sightings of stars lie on the land's own picture, px
    frame : (n,) their frames
    light, error : (n,) share of its usual light that each star shows, 0 where it is not found, and the error of that
    spacing : px, the distance between stars
    wanted : (m, 2) places of the land's own picture, px, NaN where there is none

    Returns
    -------
    (m,) bool array; False where too few stars tell
    """
    out = np.zeros(len(wanted), bool)
    good = np.isfinite(places[:, 0]) & (SURE_TIMES * error < UNLIKE)
    places, frame, light = places[good], frame[good], np.log(np.maximum(light[good], FAINT))
    middles, differ, seen, ways = [], [], [], []
    for n in np.unique(frame):
        here = np.flatnonzero(frame == n)
        if len(here) < 2:
            continue
        distance, near = cKDTree(places[here]).query(places[here], 2)
        close = distance[:, 1] < SPACINGS * spacing
        one, other = here[close], here[near[close, 1]]
        middles.append((places[one] + places[other]) / 2)
        brighter = light[one] - light[other]
        differ.append(np.abs(brighter) > UNLIKE)
        ways.append((places[one] - places[other]) * (np.sign(brighter) / np.maximum(distance[close, 1], 1e-9))[:, None])
        seen.append(np.full(len(one), n))
    if len(middles) < FRAMES:
        return out
    middle, unlike, number = np.concatenate(middles), np.concatenate(differ), np.concatenate(seen)
    way = np.concatenate(ways)
    there = np.flatnonzero(np.isfinite(wanted[:, 0]))
    count = min(PAIRS, len(middle))
    if not len(there) or count < FEWEST:
        return out
    distance, near = cKDTree(middle).query(wanted[there], count)
    told = distance < REACH * spacing
    apart = unlike[near] & told
    share = apart.sum(axis=1) / np.maximum(told.sum(axis=1), 1)
    mean = (way[near] * apart[..., None]).sum(axis=1)
    same = ((way[near] * mean[:, None]).sum(axis=2) > 0) & apart
    edge = same.sum(axis=1) > ONE_SIDED * apart.sum(axis=1)
    ordered = np.sort(np.where(told, number[near], -1), axis=1)
    frames = ((np.diff(ordered, axis=1) > 0) & (ordered[:, 1:] >= 0)).sum(axis=1) + (ordered[:, 0] >= 0)
    enough = (told.sum(axis=1) >= FEWEST) & (frames >= FRAMES)
    if enough.any():
        clear = float(np.quantile(share[enough], CLEAREST))
        out[there] = enough & ~edge & (share > max(OFTEN, TIMES * clear))
    return out
