"""What stars' paths tell of the land before them: stretches on which a star shows, and on which it does not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NEIGHBOURS = 7  # stretches of stars' paths that say what a place is
STRETCH = 0.5  # of the distance between stars: its length. Frame by frame a cloud that stays would look like land
NEAR = 0.5  # of the distance between stars, within which a stretch counts fully
HIDDEN_SHARE = 0.45  # of them found at most, where it is land: cloud leaves more of them open in other frames
SPELLS = 8  # parts of a scene from a tripod; a place that in one of them
SHOWS_SHARE = 0.6  # or more of the stars around it shows is no land: cloud came or went
WITHIN = 1.5  # of the distance between stars, that counts as around it


class Ground:
    """What each place of the land's own picture is, by the stretches of stars' paths around it.

    A stretch counts once, with the share of its sightings that show the star: of what hides one star for a while all
    its sightings are one witness, and others that pass there at other times are heard too.

    Parameters
    ----------
    places : (n, 2) float64 array
        Where on the land's own picture each sighting lies, px.
    star, frame, found : (n,) arrays
        Which star, in which frame, and whether it was found.
    spacing : px, the distance between stars
    spells : of `spells_of`, where the camera stands
    """

    def __init__(
        self,
        places: Floats,
        star: NDArray[np.int64],
        frame: NDArray[np.int64],
        found: Bools,
        spacing: float,
        spells: Sequence[tuple[cKDTree, Floats]] = (),
    ):
        order = np.lexsort((frame, star))
        places, star, frame, found = places[order], star[order], frame[order], found[order]
        same = np.diff(star, prepend=-1) == 0
        step = np.where(same, np.hypot(*np.diff(places, axis=0, prepend=places[:1]).T), 0.0)
        run = np.cumsum(step)
        # along each star's path, from its first place
        run -= np.repeat(run[~same], np.diff(np.append(np.flatnonzero(~same), len(star))))
        part = np.floor(run / (STRETCH * spacing)).astype(np.int64)
        begins = ~same | (np.diff(part, prepend=-1) != 0)
        number = np.cumsum(begins) - 1
        times = np.bincount(number)
        middle = np.column_stack([np.bincount(number, places[:, k]) / times for k in (0, 1)])
        self.tree, self.spacing = cKDTree(middle), spacing
        self.share = np.bincount(number, found) / times
        self.alone = np.where(times == 1, frame[begins], -2)
        self.spells = spells

    def hidden(self, places: Floats, frame: NDArray[np.int64]) -> Bools:
        """Whether places (n, 2), seen in given frames, are land; False where that cannot be told."""
        out = np.zeros(len(places), bool)
        good = np.flatnonzero(np.isfinite(places[:, 0]))
        count = min(2 * NEIGHBOURS, len(self.share))
        if not len(good) or count < 2:
            return out
        distance, near = self.tree.query(places[good], count)
        # sightings of the same frame share its clouds and say nothing of the land
        other = self.alone[near] != frame[good][:, None]
        counted = other & (np.cumsum(other, axis=1) <= NEIGHBOURS)
        weight = counted / (1 + (distance / (NEAR * self.spacing)) ** 2)
        share = (weight * self.share[near]).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
        out[good] = (counted.sum(axis=1) >= 3) & (share <= HIDDEN_SHARE)
        told = np.flatnonzero(out)
        out[told] = ~self._shows(places[told])
        return out

    def _shows(self, places: Floats) -> Bools:
        """Whether stars shine through places (n, 2) for a spell: what hides them at other times is no land."""
        out = np.zeros(len(places), bool)
        for tree, found in self.spells:
            distance, near = tree.query(places, 3, distance_upper_bound=WITHIN * self.spacing)
            there = np.isfinite(distance)
            out |= there.all(axis=1) & (found[np.where(there, near, 0)].mean(axis=1) >= SHOWS_SHARE)
        return out


def spells_of(
    places: Floats, star: NDArray[np.int64], frame: NDArray[np.int64], found: Bools
) -> list[tuple[cKDTree, Floats]]:
    """For each of `SPELLS` parts of the scene: where its stars stood (a tree of places, px), and the share of its
    frames in which each was found. Arguments as for `Ground`."""
    spells = []
    frames = np.unique(frame)
    part = np.searchsorted(frames, frame) * min(SPELLS, len(frames)) // len(frames)
    for n in np.unique(part):
        here = part == n
        _, number = np.unique(star[here], return_inverse=True)
        times = np.bincount(number)
        middle = np.column_stack([np.bincount(number, places[here, k]) / times for k in (0, 1)])
        if len(times) >= 3:
            spells.append((cKDTree(middle), np.bincount(number, found[here]) / times))
    return spells
