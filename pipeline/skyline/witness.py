"""Stars as witnesses of sky: what moved as the sky does, from frame to frame, was seen through open sky.

A lamp, a hot pixel or a lit window stays where it is; a star's image in water moves, but along another path, and is in
no catalogue. Only the star lists are needed: no pixel is read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from pipeline.sky import catalogue, times
from pipeline.sky.geometry import Geometry
from pipeline.skyline.hold import Hold

Floats = NDArray[np.float64]

# A sighting is the same star (or the same lamp) if it lies so close to where it must, px.
TOLERANCE_PX = 1.5
# Frames between which the sky moved against the ground by less than this tell nothing apart, px.
APART_PX = 4.0
# A star's image in still water moves as the sky does for a while; paths part by curving the other way. Beyond this
# motion of the sky, px, they are 7 px apart behind a lens whose focal length is 700 px, and in proportion.
FAR_PX = 70.0
# Frames whose stars are asked, and partners of each on either side in time; more add no new places.
FRAMES_MAX, PARTNERS = 40, 2
# A frame's stars are looked for among the brightest of the catalogue in its field, so many for each of its own.
CATALOGUE_TIMES = 2
# Nodes a side at which the sky's motion is reckoned.
NODES = 25
# Fluxes of one star in two frames differ by less than this factor.
FLUX_FACTOR = 2.5


@dataclass(frozen=True)
class Witnesses:
    """Places (px) of the reference's picture, as it stands before the ground, where a frame saw a star in the sky.

    `x`, `y` : (n,) float64; `frames` : how many frames were asked; `undecided` : stars that moved too little to tell;
    `path_px` : how far the sky moves from the first of the frames to the last.
    """

    x: Floats
    y: Floats
    frames: int
    undecided: int
    path_px: float = 0.0

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True)
class Seen:
    """Where each frame that was asked saw stars in the sky: `places` (x, y), px of the frame, by its id; the rest as of
    `Witnesses`."""

    places: Mapping[str, tuple[Floats, Floats]]
    undecided: int
    path_px: float

    def on(self, hold: Hold) -> Witnesses:
        """All of them on the picture of the reference of `hold`, where they lie before the ground."""
        found = [hold.to_reference(name, x, y) for name, (x, y) in self.places.items()]
        if not found:
            return Witnesses(np.zeros(0), np.zeros(0), 0, self.undecided, self.path_px)
        x, y = (np.concatenate(both) for both in zip(*found, strict=True))
        good = np.isfinite(x) & np.isfinite(y)
        return Witnesses(x[good], y[good], len(found), self.undecided, self.path_px)


class _Motions:
    """How far the sky moves against the ground between two frames: median over the field, px."""

    def __init__(self, geometry: Geometry, hold: Hold) -> None:
        self._geometry, self._hold = geometry, hold
        camera = geometry.camera
        x, y = np.meshgrid(np.linspace(0, camera.width - 1, 5), np.linspace(0, camera.height - 1, 5))
        self._x, self._y = x.ravel(), y.ravel()
        self._from: dict[str, tuple[Floats, tuple[Floats, Floats]]] = {}
        self._known: dict[tuple[str, str], float] = {}

    def between(self, one: str, other: str) -> float:
        if (one, other) not in self._known:
            if one not in self._from:
                ground = self._hold.to_reference(one, self._x, self._y)
                self._from[one] = self._geometry.directions(one, self._x, self._y), ground
            away, _, _ = _apart(self._geometry, self._hold, other, *self._from[one])
            away = away[np.isfinite(away)]
            self._known[one, other] = float(np.median(away)) if away.size else 0.0
        return self._known[one, other]


def _apart(
    geometry: Geometry, hold: Hold, other: str, directions: Floats, ground: tuple[Floats, Floats]
) -> tuple[Floats, tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Where what has these directions on the sky, or lies there before the reference, is seen in a frame, and how far
    apart."""
    as_sky = geometry.positions(other, directions)
    as_ground = hold.from_reference(other, *ground)
    return np.hypot(as_sky[0] - as_ground[0], as_sky[1] - as_ground[1]), as_sky, as_ground


def motion_over(geometry: Geometry, hold: Hold, one: str, other: str, side: int) -> NDArray[np.float32]:
    """How far the sky moves against the ground between two frames, px: about the pole next to nothing.

    Parameters
    ----------
    side : px of the cells of the reference's picture in which it is told

    Returns
    -------
    (height // side, width // side) float32 array; 0 where a frame shows no sky
    """
    camera = geometry.camera
    x, y = np.meshgrid(np.linspace(0, camera.width - 1, NODES), np.linspace(0, camera.height - 1, NODES))
    ground = x.ravel(), y.ravel()
    directions = geometry.directions(one, *hold.from_reference(one, *ground))
    away, _, _ = _apart(geometry, hold, other, directions, ground)
    nodes = np.nan_to_num(away.reshape(x.shape))
    factors = camera.height // side / NODES, camera.width // side / NODES
    return np.asarray(ndimage.zoom(nodes, factors, order=1), np.float32)


def sightings(
    geometry: Geometry,
    hold: Hold,
    stars: Mapping[str, NDArray[np.float64]],
    order: Sequence[str],
    most: int = FRAMES_MAX,
    threads: int = 1,
) -> Seen:
    """Find the stars that moved with the sky.

    Parameters
    ----------
    geometry, hold : of the scene
    stars : by frame id, (n, 3) float64 arrays: x, y (px), flux
    order : frame ids in order of time
    most : frames that are asked
    threads : how many to use; the result does not depend on it
    """
    ids = [name for name in order if name in stars and len(stars[name]) and name in geometry.frames]
    trees: dict[str, cKDTree] = {}
    motions = _Motions(geometry, hold)
    chosen = sorted(set(np.linspace(0, len(ids) - 1, min(len(ids), most)).round().astype(int).tolist()))
    asked = {ids[number]: (_partners(motions, ids, number), _far(motions, ids, number)) for number in chosen}
    asked = {name: beside for name, beside in asked.items() if beside[0]}
    for partners, far in asked.values():
        for other in partners if far is None else [*partners, far]:
            if other not in trees:
                trees[other] = cKDTree(stars[other][:, :2])

    if geometry.solved:
        catalogue.load()  # once, before several ask for it

    def look(name: str) -> tuple[NDArray[np.bool_], int]:
        return _seen_in(geometry, hold, stars, name, *asked[name], trees)

    places, undecided = {}, 0
    with ThreadPoolExecutor(max(1, threads)) as pool:
        for name, (seen, still) in zip(asked, pool.map(look, asked), strict=True):
            places[name] = (stars[name][seen, 0], stars[name][seen, 1])
            undecided += still
    return Seen(places, undecided, motions.between(ids[0], ids[-1]) if ids else 0.0)


def _seen_in(
    geometry: Geometry,
    hold: Hold,
    stars: Mapping[str, NDArray[np.float64]],
    name: str,
    partners: Sequence[str],
    far: str | None,
    trees: Mapping[str, cKDTree],
) -> tuple[NDArray[np.bool_], int]:
    """Which stars of a frame are seen in others where the sky took them, and how many of these it did not move."""
    x, y, flux = stars[name].T
    shown = geometry.directions(name, x, y), hold.to_reference(name, x, y)
    tests, hits, fixed, met = (np.zeros(len(x), int) for _ in range(4))
    for other in partners:
        away, sky, ground = _apart(geometry, hold, other, *shown)
        width, height = geometry.camera.width, geometry.camera.height
        inside = np.isfinite(away) & (sky[0] > 0) & (sky[1] > 0) & (sky[0] < width - 1) & (sky[1] < height - 1)
        telling = inside & (away > APART_PX)
        found = _near(trees[other], stars[other][:, 2], sky, flux, inside)
        tests += telling
        hits += telling & found
        met += inside & found
        fixed += telling & _near(trees[other], stars[other][:, 2], ground, flux, inside)
    moved = (hits >= np.maximum(1, (tests + 1) // 2)) & (hits > fixed)
    again = np.zeros(len(x), bool)
    if far is not None:
        away, sky, _ = _apart(geometry, hold, far, *shown)
        again = _near(trees[far], stars[far][:, 2], sky, flux, np.isfinite(sky[0]) & np.isfinite(sky[1]))
        again &= away > FAR_PX
    # about the pole of the sky nothing moves; what lies where a star must is taken for one
    still = (tests == 0) & (met >= 2)
    listed = _listed(geometry, name, x, y)
    if listed is not None:
        moved &= listed | again
        still &= listed
    elif far is not None:
        moved &= again
    return moved | still, int(still.sum())


def _partners(motions: _Motions, ids: Sequence[str], number: int) -> list[str]:
    """The nearest frames before and after between which the sky moved far enough; else the farthest there is."""
    result: list[str] = []
    for step in (-1, 1):
        at, found, last = number + step, 0, None
        while 0 <= at < len(ids) and found < PARTNERS:
            last = ids[at]
            if motions.between(ids[number], last) >= APART_PX:
                result.append(last)
                found += 1
            at += step
        if not found and last is not None:
            result.append(last)
    return result


def _far(motions: _Motions, ids: Sequence[str], number: int) -> str | None:
    """The nearest frame in time between which the sky moved far; None where there is none."""
    for step in range(1, len(ids)):
        for at in (number - step, number + step):
            if 0 <= at < len(ids) and motions.between(ids[number], ids[at]) > 1.3 * FAR_PX:
                return ids[at]
    return None


def _listed(geometry: Geometry, name: str, x: Floats, y: Floats) -> NDArray[np.bool_] | None:
    """Which stars of a frame are in the catalogue; None where the scene was not found on the sky."""
    if not geometry.solved:
        return None
    camera = geometry.camera
    edge_x, edge_y = camera.outline(3)
    rays = geometry.directions(
        name, np.append(edge_x, (camera.width - 1) / 2), np.append(edge_y, (camera.height - 1) / 2)
    )
    rays = rays[np.isfinite(rays).all(axis=1)]
    centre = rays[-1]
    radius = float(np.arccos(np.clip(rays @ centre, -1, 1)).max()) + 0.01
    known = catalogue.load()
    # the circle about the field holds some three times its stars
    found = known.within(centre, radius, 3 * CATALOGUE_TIMES * len(x))
    px, py = geometry.positions(name, times.aberrated(known.vectors[found], geometry.velocity))
    inside = np.isfinite(px) & np.isfinite(py)
    if not inside.any():
        return np.zeros(len(x), bool)
    distance, _ = cKDTree(np.stack([px[inside], py[inside]], axis=1)).query(
        np.stack([x, y], axis=1), distance_upper_bound=TOLERANCE_PX
    )
    return np.isfinite(distance)


def _near(
    tree: cKDTree, fluxes: Floats, places: tuple[Floats, Floats], flux: Floats, use: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    found = np.zeros(len(flux), bool)
    points = np.stack(places, axis=-1)[use]
    distance, which = tree.query(points, distance_upper_bound=TOLERANCE_PX)
    near = np.isfinite(distance)
    ratio = np.ones(len(points))
    ratio[near] = fluxes[which[near]] / np.maximum(flux[use][near], 1e-9)
    found[use] = near & (ratio < FLUX_FACTOR) & (ratio > 1 / FLUX_FACTOR)
    return found
