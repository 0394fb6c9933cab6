"""Which detections of all frames are the same star: the table that the fit stands on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.sky import catalogue
from pipeline.sky.fit import Observations
from pipeline.sky.match import pairs_within

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

# A centroid is never better than this, whatever its signal: the pixels' own unevenness, and aberrations that change
# with the place in the frame.
FLOOR_PX = 0.03
# Windowed and model-fitted centroids in background-limited light: 0.6006 FWHM / SNR (check of the Cramer-Rao bound:
# Mendez et al. 2013, arXiv:1304.6361).
CENTROID_FACTOR = 0.6
# Added for a saturated star, whose middle is flat.
SATURATED_PX = 0.3


@dataclass(frozen=True)
class FrameStars:
    """The stars of one frame, brightest first.

    Parameters
    ----------
    frame : id
    xy : (n, 2), pixels
    flux, flux_error : (n,), ADU above sky
    sigma : (n,), expected standard deviation of a centroid in each axis, pixels
    saturated : (n,) bool
    seconds : middle of the exposure, s from any common start; None where the time is unknown
    offsets : (k, 2, 5), for red and for blue of some of its stars: place x, y, offset from green in x and y and the
        error of either, pixels, NaN where not measured; None where no colours were looked at
    """

    frame: str
    xy: Floats
    flux: Floats
    flux_error: Floats
    sigma: Floats
    saturated: NDArray[np.bool_]
    seconds: float | None = None
    offsets: Floats | None = None

    def __len__(self) -> int:
        return len(self.xy)


def centroid_sigma(flux: Floats, flux_error: Floats, fwhm_px: float, saturated: NDArray[np.bool_]) -> Floats:
    """Expected standard deviation of centroids in each axis, pixels; (n,)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        noise = np.where((flux > 0) & (flux_error > 0), flux_error / flux, 0.0)
    noise = np.minimum(CENTROID_FACTOR * fwhm_px * noise, 1.0)
    return np.sqrt(FLOOR_PX**2 + noise**2 + np.where(saturated, SATURATED_PX**2, 0.0))


def gather(directions: Sequence[Floats], width: float, order: Sequence[int]) -> tuple[list[Ints], Floats, Ints]:
    """Bring the detections of all frames together, star by star.

    Frames are taken in the given order; a detection that meets no star of the table within the width begins one.

    Parameters
    ----------
    directions : of each frame, (n, 3) unit vectors; NaN rows meet nothing
    width : radians
    order : of the frames

    Returns
    -------
    rows : for each frame (n,), the star's row in the table, -1 for rows without direction
    stars : (m, 3) unit vectors, as first seen
    seen : (m,) in how many frames
    """
    table = np.zeros((0, 3))
    seen = np.zeros(0, np.intp)
    rows: list[Ints] = [np.full(len(d), -1, np.intp) for d in directions]
    tree: cKDTree | None = None
    for n in order:
        good = np.flatnonzero(np.isfinite(directions[n][:, 0]))
        mine = directions[n][good]
        assigned = np.full(len(good), -1, np.intp)
        if tree is not None and len(good):
            ours, stars = pairs_within(mine, tree, width).T
            assigned[ours] = stars
            seen[stars] += 1
        new = assigned < 0
        if tree is not None and new.any():
            # a second detection beside a star that is taken is no new star: it would only confuse the next frame
            near = tree.query(mine, distance_upper_bound=width)[0]
            new &= ~np.isfinite(near)
        assigned[new] = len(table) + np.arange(new.sum())
        if new.any():
            table = np.concatenate([table, mine[new]])
            seen = np.concatenate([seen, np.ones(int(new.sum()), np.intp)])
            tree = cKDTree(table)
        rows[n][good] = assigned
    return rows, table, seen


def observations(
    frames: Sequence[FrameStars], rows: Sequence[Ints], keep: NDArray[np.bool_]
) -> tuple[Observations, Ints]:
    """Observations of the kept stars, renumbered; and the detection's row in its frame of each."""
    number = np.where(keep, np.cumsum(keep) - 1, -1)
    frame, star, xy, sigma, detection = [], [], [], [], []
    for n, (stars, mine) in enumerate(zip(frames, rows, strict=True)):
        good = np.flatnonzero((mine >= 0) & keep[np.maximum(mine, 0)]) if len(keep) else np.zeros(0, np.intp)
        frame.append(np.full(len(good), n, np.intp))
        star.append(number[mine[good]] if len(good) else np.zeros(0, np.intp))
        xy.append(stars.xy[good])
        sigma.append(stars.sigma[good])
        detection.append(good)
    return (
        Observations(np.concatenate(frame), np.concatenate(star), np.concatenate(xy), np.concatenate(sigma)),
        np.concatenate(detection),
    )


def catalogue_directions(stars: Floats, width: float, velocity: Floats) -> Floats:
    """(m, 3): where the catalogue has each star of a table (with aberration), NaN where it has none.

    Only as many of the catalogue's brightest in that part of the sky as the table holds stars, twice over: a faint
    catalogue star near a brighter one that is not in it would be no help.
    """
    result = np.full(stars.shape, np.nan)
    if not len(stars):
        return result
    stored = catalogue.load()
    centre = stars.mean(axis=0)
    centre /= np.linalg.norm(centre)
    reach = float(np.arccos(np.clip((stars @ centre).min(), -1, 1))) + 2 * width
    near = stored.within(centre, reach, 6 * len(stars) + 500)
    places = stored.vectors[near] + velocity
    places /= np.linalg.norm(places, axis=1, keepdims=True)
    if not len(near):
        return result
    rows, catalogued = pairs_within(stars, cKDTree(places), width).T
    result[rows] = places[catalogued]
    return result
