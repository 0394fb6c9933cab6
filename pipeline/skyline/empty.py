"""Places without stars: where the sightings round about say that stars ought to have been seen, and none was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.skyline.witness import Witnesses

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Cells of the map, px, where nothing coarser is asked for.
CELL = 4
# Sightings below which nothing can be said.
SIGHTINGS_MIN = 60
# A place is empty for certain where so many sightings were to be expected in the largest disc without one. They come in
# arcs, as the stars pass, with gaps between: in an open sky of 55,000 sightings the emptiest place had 26.
EMPTY = 60.0
EMPTY_PX = 12.0
# At the picture's edge land may show so little of itself that no more than these were missed. Open skies have such
# places too, so that there the picture must show dark land with a sharp edge as well (`rim.dark_parts`).
EMPTY_AT_EDGE = 20.0
# A star seen more often than this within a place tells no more of it: where the sky hardly moves, sightings are few
# stars. So set, of open skies of 60 to 600 random stars in 10 and 40 frames, moving by 0 to 300 px, at most 0.1 % is
# empty for certain; without it up to 91 %.
AGAIN = 8.0
# The density at a place is that about the nearest sighting: of so many, of so many stars.
NEIGHBOURS, STARS = 12, 6
# Sightings this much sparser than most are chance matches among lamps and texture, not stars.
STRAY = 1 / 30
# Sightings to be expected where there are none from which a pixel may be ground; among stars 5 % of an open sky. Where
# sightings are thinner than this share of the usual, the usual is what is expected.
DOUBT, THIN = 3.0, 0.2
# Times what would do on average that land at the picture's edge must reach into it to be noticed wherever stars happen
# to be: so it was in 12 of 12 random skies each of 200 to 3,000 stars, 3 and 20 times as long as high.
SURELY = 1.6
# Least area of an empty place, as a share of the picture; and of one that does not reach the picture's edge, as land
# does: a bright star's surroundings are empty, too.
AREA_MIN, INNER_MIN = 5e-4, 5e-3


@dataclass(frozen=True)
class Emptiness:
    """On cells of `cell` px, (rows, columns) arrays.

    `region` : empty for certain; `doubt` : 0-1, how far a cell may be ground: 0 among stars, 1 where all is empty.
    """

    region: Bools
    doubt: Floats
    cell: int = CELL


def emptiness(seen: Witnesses, shape: tuple[int, int], cell: int = CELL, at_edge: bool = False) -> Emptiness | None:
    """Find the places without stars.

    Parameters
    ----------
    seen : sightings
    shape : (height, width) of the reference
    cell : of the map, px
    at_edge : only what reaches the picture's edge is asked for, and `EMPTY_AT_EDGE` is enough

    Returns
    -------
    Emptiness
        None where there are too few sightings to say anything, or no place of any size is empty.
    """
    rows, columns = -(-shape[0] // cell), -(-shape[1] // cell)
    i, j = np.floor((seen.y + 0.5) / cell).astype(int), np.floor((seen.x + 0.5) / cell).astype(int)
    inside = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
    if inside.sum() < SIGHTINGS_MIN:
        return None
    sure = EMPTY_AT_EDGE if at_edge else EMPTY
    counts = np.zeros((rows, columns))
    np.add.at(counts, (i[inside], j[inside]), 1)
    density = _density(counts, seen, cell)
    stray = density < STRAY * np.median(density[counts > 0])
    counts[stray] = 0
    distance, nearest = ndimage.distance_transform_edt(counts == 0, return_indices=True)
    near = density[tuple(nearest)] / cell**2
    # within a cell of a sighting nothing is known of its distance
    radius = np.maximum(distance - 0.5, 0) * cell
    disc = np.pi * radius**2 * np.minimum(1, AGAIN / np.maximum(_times(radius, seen), 1))
    region = (disc * near > sure) & (distance * cell > EMPTY_PX)
    # stars thin out towards the horizon and the corners
    expected = disc * np.maximum(near, THIN * np.median(density[counts > 0]) / cell**2)
    doubt = np.where(expected > DOUBT, np.minimum(expected / sure, 1), 0)
    labels, count = ndimage.label(region)
    if count:
        least = np.full(count + 1, np.inf if at_edge else max(INNER_MIN * region.size, 9))
        # a low ridge has few places that far from the stars above it
        of_edge = 0.0 if at_edge else AREA_MIN * region.size
        least[np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])] = max(of_edge, 9)
        region &= ~(np.bincount(labels.ravel(), minlength=count + 1) < least)[labels]
    return Emptiness(region, doubt, cell) if region.any() else None


def least_height(seen: Witnesses, shape: tuple[int, int], cell: int = CELL, at_edge: bool = False) -> float | None:
    """How far land must reach into the picture from its edge for its lack of stars to be noticed for certain, px, where
    stars are as dense as on average; None where there are too few sightings to say anything. Arguments as of
    `emptiness`."""
    inside = (seen.x > -0.5) & (seen.y > -0.5) & (seen.x < shape[1] - 0.5) & (seen.y < shape[0] - 0.5)
    if inside.sum() < SIGHTINGS_MIN:
        return None
    radius = np.arange(EMPTY_PX, max(shape))
    missed = np.pi * radius**2 * inside.sum() / (shape[0] * shape[1])
    missed *= np.minimum(1, AGAIN / np.maximum(_times(radius, seen), 1))
    enough = np.flatnonzero(missed > (EMPTY_AT_EDGE if at_edge else EMPTY))
    return SURELY * (float(radius[enough[0]]) + cell / 2) if len(enough) else float(max(shape))


def _times(radius: Floats | float, seen: Witnesses) -> Floats:
    """In how many frames a star is seen within a disc of so many px that its path crosses at random: it runs through
    ``pi radius / 2`` (the mean chord of a circle), or as far as it goes."""
    return np.asarray(seen.frames / (1 + 2 * seen.path_px / (np.pi * np.maximum(radius, 1e-9))))


def _density(counts: Floats, seen: Witnesses, cell: int) -> Floats:
    """Sightings a cell about every cell, from the smallest square that holds enough of them."""
    density = np.zeros(counts.shape)
    for radius in (2, 4, 8, 16, 32, 64):
        size = 2 * radius + 1
        held = ndimage.uniform_filter(counts, size, mode="constant") * size**2
        area = ndimage.uniform_filter(np.ones_like(counts), size, mode="constant") * size**2
        enough = np.maximum(NEIGHBOURS, STARS * _times(size * cell / np.sqrt(np.pi), seen))
        settled = (density == 0) & (held >= enough - 0.5)
        density[settled] = held[settled] / area[settled]
    density[density == 0] = counts.sum() / counts.size / 4
    return density
