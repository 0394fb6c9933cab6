"""Two views of the same land laid on one another: what was taken from a tripod, on the reference of a tracked scene.

The lens is the same, so what differs is a turn of the camera. It is found from what both views show of the land, its
outline against the sky first of all: first by the shift at which they agree best, coarsely and anywhere, then by least
squares on the turn's three angles (after Lucas, B. & Kanade, T. 1981, Proc. IJCAI, 674), from blurred to sharp. Where a
tracker blurred the one, the other is blurred alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage
from scipy.spatial.transform import Rotation

from pipeline.pixels.cells import cell_sums
from pipeline.pixels.normal import MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.pixels.regression import robust_fit
from pipeline.sky.camera import Camera

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Cells to one of the coarse pictures, and the largest shift that is looked for, as a share of the picture's sides.
COARSE, SHIFT_MOST = 4, 0.3
# Levels are compared with those about, within so many cells; contrasts beyond count as this.
ABOUT, CONTRAST = 24.0, 1.0
# Blurs at which the turn is fitted, cells, rounds at each, and the cells that are looked at, at most.
BLURS, ROUNDS, CELLS_MOST = (4.0, 2.0, 1.0), 12, 60_000
# Sky and land beside the land's edge that take part, cells.
BESIDE = 12
# Correlation of the two views from which they are the same place: unlike ones reached 0.2.
ALIKE = 0.5
# Cells of the blocks whose ratios tell the scale between the views, and how many of them are asked for.
BLOCK, BLOCKS_LEAST = 8, 12


@dataclass(frozen=True)
class View:
    """How one view lies on another: `turn` (3, 3) takes a direction in the first one's axes into the second's;
    `correlation` of what both show."""

    turn: Floats
    correlation: float


def place_view(
    here: NDArray[np.floating],
    there: NDArray[np.floating],
    land: Bools,
    camera: Camera,
    side: int,
    starts: Sequence[Floats],
    smear: tuple[float, float] = (0.0, 0.0),
    coarse: bool = True,
) -> View | None:
    """Find the turn between two views.

    Parameters
    ----------
    here, there : (rows, columns) float arrays, cells of `side` px, NaN where nothing is known
    land : (rows, columns) bool array, where the first one shows land
    camera : of both
    starts : turns to begin from
    smear : by which the land moved through the first view during its exposure, x and y in px
    coarse : look for a shift first

    Returns
    -------
    View
        None where the views have too little in common to tell.
    """
    edge = land ^ ndimage.binary_erosion(land, border_value=1)
    weight = np.asarray(ndimage.binary_dilation(edge, iterations=BESIDE), float)
    one, other = contrast(here), contrast(moved_through(there, smear[0] / side, smear[1] / side))
    weight *= np.isfinite(here)
    if not (weight > 0).any():
        return None
    best: View | None = None
    for start in starts:
        turn = _shifted(one, other, weight, camera, side, start) if coarse else start
        view = _fitted(one, other, weight, camera, side, turn)
        if view is not None and (best is None or view.correlation > best.correlation):
            best = view
    return best if best is not None and best.correlation >= ALIKE else None


def moved_through(picture: NDArray[np.floating], right: float, down: float) -> NDArray[np.floating]:
    """A picture as it would be had it moved by so many cells during the exposure, about its middle."""
    count = int(np.ceil(np.hypot(right, down))) + 1
    if count < 2:
        return picture
    known = np.isfinite(picture)
    filled, weight = np.where(known, picture, 0.0), known.astype(float)
    total, weights = np.zeros(picture.shape), np.zeros(picture.shape)
    for part in (np.arange(count) + 0.5) / count - 0.5:
        for plane, sums in ((filled, total), (weight, weights)):
            sums += ndimage.shift(plane, (part * down, part * right), order=1, mode="nearest")
    return np.where(known, total / np.maximum(weights, 1e-6), np.nan)


def contrast(picture: NDArray[np.floating]) -> Floats:
    """A picture's levels over those about, less one: the same whatever the exposure; 0 where nothing is known.

    Not the logarithm: that would make as much of the dark land's texture and noise as of its edge.
    """
    known = np.isfinite(picture)
    if not known.any():
        return np.zeros(picture.shape)
    light = np.where(known, np.maximum(picture, 0), 0.0)
    total = ndimage.gaussian_filter(known.astype(float), ABOUT)
    about = ndimage.gaussian_filter(light, ABOUT) / np.maximum(total, 1e-6)
    least = 1e-3 * max(float(light.mean()), 1e-9)
    return np.asarray(np.where(known, np.clip(light / np.maximum(about, least) - 1, -CONTRAST, CONTRAST), 0.0))


def _places(
    camera: Camera, side: int, turn: Floats, i: NDArray[np.floating], j: NDArray[np.floating]
) -> tuple[Floats, Floats]:
    """Which cells (row, column) of the second view show what the first one's do; NaN beyond the lens."""
    half = (side - 1) / 2
    x, y = camera.project(camera.unproject(j * side + half, i * side + half) @ turn.T)
    return (y - half) / side, (x - half) / side


def carried(land: Bools, camera: Camera, side: int, turn: Floats) -> Bools:
    """Where the second view shows what is land in the first one."""
    i, j = np.meshgrid(*(np.arange(n, dtype=float) for n in land.shape), indexing="ij")
    values, inside = _sampled(land.astype(float), *_places(camera, side, turn.T, i, j))
    return np.asarray((values > 0.5) & inside)


def _sampled(picture: Floats, i: Floats, j: Floats, order: int = 1) -> tuple[Floats, Bools]:
    inside = np.isfinite(i) & np.isfinite(j)
    inside &= (i >= 0) & (j >= 0) & (i <= picture.shape[0] - 1) & (j <= picture.shape[1] - 1)
    values = ndimage.map_coordinates(
        picture, [np.where(inside, i, 0), np.where(inside, j, 0)], order=order, mode="nearest"
    )
    return np.asarray(values), np.asarray(inside)


def _shifted(one: Floats, other: Floats, weight: Floats, camera: Camera, side: int, start: Floats) -> Floats:
    """The start, turned by the shift at which the coarse views agree best."""
    i, j = np.meshgrid(*(np.arange(n // COARSE) * COARSE + (COARSE - 1) / 2 for n in one.shape), indexing="ij")
    area = COARSE**2

    def small(plane: Floats) -> Floats:
        return cell_sums(plane, COARSE)[: i.shape[0], : i.shape[1]] / area

    blurred = ndimage.gaussian_filter(other, COARSE / 2)
    moved, inside = _sampled(blurred, *_places(camera, side, start, i, j))
    w = small(weight)
    left = small(ndimage.gaussian_filter(one, COARSE / 2)) * w
    right = moved * inside
    size = [fft.next_fast_len(2 * n) for n in left.shape]
    spectrum = np.conj(fft.rfft2(left, size))
    common = fft.irfft2(spectrum * fft.rfft2(right, size), size)
    light = fft.irfft2(np.conj(fft.rfft2(w, size)) * fft.rfft2(right**2, size), size)
    share = fft.irfft2(np.conj(fft.rfft2(w, size)) * fft.rfft2(inside.astype(float), size), size)
    total = float(w.sum())
    score = common / np.sqrt(np.maximum(light, 1e-3 * light.max() + 1e-12))
    down, across = (np.fft.fftfreq(n, 1 / n) for n in size)
    allowed = (np.abs(down)[:, None] <= SHIFT_MOST * left.shape[0]) & (
        np.abs(across)[None] <= SHIFT_MOST * left.shape[1]
    )
    score[~allowed | (share < 0.3 * total)] = -np.inf
    best = np.unravel_index(int(np.argmax(score)), score.shape)
    dx, dy = across[best[1]] * COARSE * side, down[best[0]] * COARSE * side
    f = camera.focal_px
    # what the first view shows at x lies at x + shift in the second
    return np.asarray(start @ Rotation.from_rotvec([-dy / f, dx / f, 0.0]).as_matrix())


def _fitted(one: Floats, other: Floats, weight: Floats, camera: Camera, side: int, turn: Floats) -> View | None:
    """Least squares on the turn's angles, from blurred to sharp."""
    rows, columns = np.nonzero(weight > 0)
    every = max(1, len(rows) // CELLS_MOST)
    i, j = rows[::every].astype(float), columns[::every].astype(float)
    correlation = 0.0
    for blur in BLURS:
        first = ndimage.gaussian_filter(one, blur)[rows[::every], columns[::every]]
        second = ndimage.gaussian_filter(other, blur)
        slope_i, slope_j = np.gradient(second)
        for _ in range(ROUNDS):
            y, x = _places(camera, side, turn, i, j)
            values, inside = _sampled(second, y, x)
            if inside.sum() < 0.2 * len(i) or inside.sum() < 50:
                return None
            down, across = (_sampled(slope, y, x)[0] for slope in (slope_i, slope_j))
            columns_of = [values, np.ones(len(i))]
            for axis in range(3):
                step = np.zeros(3)
                step[axis] = 0.5 / camera.focal_px
                y1, x1 = _places(camera, side, turn @ Rotation.from_rotvec(step).as_matrix(), i, j)
                columns_of.append((down * (y1 - y) + across * (x1 - x)) / step[axis])
            terms = np.stack(columns_of, axis=1)[inside & np.isfinite(columns_of[2])]
            target = first[inside & np.isfinite(columns_of[2])]
            scale = np.maximum(np.abs(terms).max(axis=0), 1e-12)
            solved = np.linalg.lstsq(terms / scale, target, rcond=None)[0] / scale
            gain = solved[0] if abs(solved[0]) > 1e-3 else 1.0
            step = solved[2:] / gain
            # a step of more than some cells is out of the slopes' reach
            most = 3 * blur * side / camera.focal_px
            step *= min(1.0, most / max(float(np.linalg.norm(step)), 1e-12))
            turn = np.asarray(turn @ Rotation.from_rotvec(step).as_matrix())
            if np.linalg.norm(step) * camera.focal_px < 0.01 * side:
                break
        y, x = _places(camera, side, turn, i, j)
        values, inside = _sampled(second, y, x)
        if inside.sum() < 50 or values[inside].std() == 0 or first[inside].std() == 0:
            return None
        correlation = float(np.corrcoef(values[inside], first[inside])[0, 1])
    return View(turn, correlation)


@dataclass(frozen=True)
class Levels:
    """What a view's levels are multiplied by, and what is added then, to be those of another; the `error` of the
    factor."""

    scale: float
    error: float
    offset: float = 0.0


def levels_between(
    here: NDArray[np.floating],
    there: NDArray[np.floating],
    land: Bools,
    camera: Camera,
    side: int,
    turn: Floats,
    from_zero: bool = True,
) -> Levels | None:
    """How the second view's levels of the land become the first one's.

    Parameters
    ----------
    here, there, land, camera, side : as of `place_view`; `land` holds nothing else
    turn : between them
    from_zero : the levels of both begin at no light; else an offset is told from the land's own contrast

    Returns
    -------
    Levels
        By the medians of blocks, or a line through them; None where there are too few.
    """
    i, j = np.meshgrid(np.arange(here.shape[0], dtype=float), np.arange(here.shape[1], dtype=float), indexing="ij")
    places = _places(camera, side, turn, i, j)
    known = np.isfinite(there)
    moved, inside = _sampled(np.where(known, there, 0.0), *places)
    whole, _ = _sampled(known.astype(float), *places)
    # beside what is not known light is missing
    use = land & inside & np.isfinite(here) & (whole > 1 - 1e-9)
    number = cell_sums(use.astype(np.float32), BLOCK)
    full = number > BLOCK**2 / 2
    if full.sum() < BLOCKS_LEAST:
        return None
    mine, theirs = (cell_sums(np.where(use, plane, 0.0), BLOCK)[full] / number[full] for plane in (here, moved))
    if not from_zero:
        line, errors = robust_fit(np.column_stack([theirs, np.ones(len(theirs))]), mine)
        return Levels(float(line[0]), float(errors[0]), float(line[1]))
    ratio = mine / np.where(theirs > 0, theirs, np.nan)
    ratio = ratio[np.isfinite(ratio)]
    if len(ratio) < BLOCKS_LEAST:
        return None
    middle = float(np.median(ratio))
    error = MEDIAN_ERROR * MAD_TO_SIGMA * float(np.median(np.abs(ratio - middle))) / np.sqrt(len(ratio))
    return Levels(middle, error)
