"""Lateral colour: by how much a lens draws red and blue larger or smaller than green, from all frames of a scene."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.sky.camera import Camera
from pipeline.sky.table import FrameStars

Floats = NDArray[np.float64]

COLOURS = ("R", "B")
# As many frames, evenly spread, tell of the lens: a few hundred stars each, corners to 0.01 px.
FIT_FRAMES = 40
STARS_MIN = 60
# Shapes differ from colour to colour, and like pixels lie two apart: an offset is never better than this.
FLOOR_PX = 0.04
HUBER = 2.0
ROUNDS = 12
# A further term must lower the robust sum by this much (squares of standard deviations), and the whole must move
# something in the frame by this many pixels to be worth a resampling of its own.
GAIN, LEAST_PX = 25.0, 0.03
# Terms tried in turn: the third-order one of every lens, then a difference in scale, then the fifth-order one.
TERMS: tuple[tuple[int, ...], ...] = ((1,), (0, 1), (0, 1, 2))
# What any term may reach at the corner before the stars must insist, px.
PRIOR_PX = 4.0
# A frame's own shift between the colours (the air's dispersion) needs so many stars; else the scene's usual one stands.
SHIFT_STARS = 25

Terms = tuple[float, float, float]
Shift = tuple[float, float]


@dataclass(frozen=True)
class Lateral:
    """What was found.

    Parameters
    ----------
    terms : by colour, (a0, a2, a4) of `Geometry.lateral_colour`; a colour without is not there
    shifts : for each frame, by colour, the shift of the whole picture against green, px
    corner_px : by colour, the lens's displacement at the frame's corner, outwards, px
    stars : offsets that the fit stands on
    scatter_px : their scatter about it in either axis, px
    """

    terms: dict[str, Terms]
    shifts: list[dict[str, Shift]]
    corner_px: dict[str, float]
    stars: int
    scatter_px: float | None


@dataclass(frozen=True)
class _Offsets:
    """Offsets of one colour: frame, place from the axis in half diagonals (n, 2), offset (n, 2) and its error, px."""

    frame: NDArray[np.intp]
    place: Floats
    offset: Floats
    sigma: Floats


def lateral_colour(frames: Sequence[FrameStars], camera: Camera) -> Lateral:
    """Fit red and blue against green.

    The offset of a star at distance q from the axis (in half diagonals) is a shift that the whole frame has, which
    is the air's, and (a0 + a2 q^2 + a4 q^4) times its place from the axis, which is the lens's.

    Parameters
    ----------
    frames : stars with `offsets`, as `stars.colours` measured them
    camera : the scene's, for the axis
    """
    nothing = Lateral({}, [{} for _ in frames], {}, 0, None)
    half = float(np.hypot(camera.width, camera.height)) / 2
    sizes = _reach(camera, half)
    terms: dict[str, Terms] = {}
    corner: dict[str, float] = {}
    shifts: list[dict[str, Shift]] = [{} for _ in frames]
    count, scatters = 0, []
    for number, colour in enumerate(COLOURS):
        found = _gather(frames, number, camera, half)
        if len(found.frame) < STARS_MIN:
            continue
        coefficients, scatter = _fit(found)
        count += len(found.frame)
        scatters.append(scatter)
        a = coefficients / half  # the fit's are pixels at the corner
        if np.abs(_profile(coefficients, sizes)).max() >= LEAST_PX:
            terms[colour] = (float(a[0]), float(a[1]), float(a[2]))
            corner[colour] = float(_profile(coefficients, sizes)[-1])
        else:
            coefficients = np.zeros(3)
        _shifts(found, coefficients, colour, shifts)
    return Lateral(terms, shifts, corner, count, float(np.mean(scatters))) if count else nothing


def _reach(camera: Camera, half: float) -> Floats:
    """Distances from the axis, half diagonals, out to the farthest corner of the frame."""
    x, y = camera.outline(2)
    return np.linspace(0.0, float(np.hypot(x - camera.centre_x, y - camera.centre_y).max()) / half, 33)


def _profile(coefficients: Floats, q: Floats) -> Floats:
    """Outward displacement, px, at distances q."""
    return q * (coefficients[0] + q**2 * (coefficients[1] + q**2 * coefficients[2]))


def _gather(frames: Sequence[FrameStars], colour: int, camera: Camera, half: float) -> _Offsets:
    frame, place, offset, sigma = [], [], [], []
    for n, stars in enumerate(frames):
        if stars.offsets is None:
            continue
        mine = stars.offsets[:, colour]
        good = np.isfinite(mine).all(axis=1)
        frame.append(np.full(int(good.sum()), n, np.intp))
        place.append((mine[good, :2] - [camera.centre_x, camera.centre_y]) / half)
        offset.append(mine[good, 2:4])
        sigma.append(np.hypot(mine[good, 4], FLOOR_PX))
    if not frame:
        return _Offsets(np.zeros(0, np.intp), np.zeros((0, 2)), np.zeros((0, 2)), np.zeros(0))
    return _Offsets(*(np.concatenate(part) for part in (frame, place, offset, sigma)))


def _fit(found: _Offsets) -> tuple[Floats, float]:
    """Coefficients (3,), px at the corner, of the terms that the offsets ask for; and the scatter about them."""
    seen = np.unique(found.frame)
    if len(seen) > FIT_FRAMES:
        seen = seen[np.unique(np.linspace(0, len(seen) - 1, FIT_FRAMES).round().astype(int))]
    chosen = np.isin(found.frame, seen)
    part = _Offsets(
        np.searchsorted(seen, found.frame[chosen]), found.place[chosen], found.offset[chosen], found.sigma[chosen]
    )
    best = np.zeros(3)
    # the scatter about the fullest model sets the unit in which gains are counted
    fullest, shift = _solve(part, TERMS[-1], 1.0)
    scale = _scale(part, fullest, shift)
    _, shift = _solve(part, (), scale)
    cost = _cost(part, best, shift, scale)
    for terms in TERMS:
        trial, shift = _solve(part, terms, scale)
        lower = _cost(part, trial, shift, scale)
        if cost - lower > GAIN * max(1, len(terms) - int(np.count_nonzero(best))):
            best, cost = trial, lower
    return best, float(scale * np.median(part.sigma))


def _residual(found: _Offsets, coefficients: Floats, shift: Floats) -> Floats:
    q2 = np.sum(found.place**2, axis=1)
    stretch = coefficients[0] + q2 * (coefficients[1] + q2 * coefficients[2])
    return found.offset - stretch[:, None] * found.place - shift[found.frame]


def _scale(found: _Offsets, coefficients: Floats, shift: Floats) -> float:
    """By how much the scatter exceeds the stated errors (median of a Rayleigh variable: 1.1774)."""
    distance = np.hypot(*_residual(found, coefficients, shift).T) / found.sigma
    return max(0.2, float(np.median(distance)) / 1.1774)


def _cost(found: _Offsets, coefficients: Floats, shift: Floats, scale: float) -> float:
    d = np.hypot(*_residual(found, coefficients, shift).T) / found.sigma / scale
    return float(np.where(d <= HUBER, d * d, HUBER * (2 * d - HUBER)).sum())


def _solve(found: _Offsets, terms: tuple[int, ...], scale: float) -> tuple[Floats, Floats]:
    """Coefficients and the frames' shifts by iterated reweighting (Huber); shifts are eliminated frame by frame."""
    frames = int(found.frame.max()) + 1
    coefficients, shift = np.zeros(3), np.zeros((frames, 2))
    q2 = np.sum(found.place**2, axis=1)
    slopes = np.stack([q2[:, None] ** k * found.place for k in terms], axis=-1) if terms else None
    for n in range(ROUNDS):
        distance = np.hypot(*_residual(found, coefficients, shift).T) / found.sigma
        if n == 0:  # nothing is known yet: all alike
            distance = np.zeros_like(distance)
        weight = np.minimum(1.0, HUBER * scale / np.maximum(distance, 1e-9)) / found.sigma**2
        total = np.asarray(np.bincount(found.frame, weight, frames), np.float64)

        def mean(values: Floats, weight: Floats = weight, total: Floats = total) -> Floats:
            return np.stack(
                [np.bincount(found.frame, weight * v, frames) / np.maximum(total, 1e-300) for v in values.T], axis=-1
            )

        if slopes is not None:
            flat = slopes.reshape(len(slopes), -1)
            centred = (flat - mean(flat)[found.frame]).reshape(slopes.shape)
            rest = found.offset - mean(found.offset)[found.frame]
            normal = np.einsum("nij,n,nik->jk", centred, weight, centred) + np.eye(len(terms)) * (scale / PRIOR_PX) ** 2
            step = np.linalg.solve(normal, np.einsum("nij,n,ni->j", centred, weight, rest))
            new = np.zeros(3)
            new[list(terms)] = step
        else:
            new = np.zeros(3)
        moved = float(np.abs(new - coefficients).max())
        coefficients = new
        shift = mean(_residual(found, coefficients, np.zeros_like(shift)))
        if n > 1 and moved < 1e-4:
            break
    return coefficients, shift


def _shifts(found: _Offsets, coefficients: Floats, colour: str, shifts: list[dict[str, Shift]]) -> None:
    """Enter each frame's shift: the median of what the lens leaves; frames of few stars get the scene's."""
    rest = _residual(found, coefficients, np.zeros((len(shifts), 2)))
    own: dict[int, Floats] = {}
    bounds = np.searchsorted(found.frame, np.arange(len(shifts) + 1))
    for n in range(len(shifts)):
        if bounds[n + 1] - bounds[n] >= SHIFT_STARS:
            own[n] = np.median(rest[bounds[n] : bounds[n + 1]], axis=0)
    usual = np.median(list(own.values()) if own else rest, axis=0)
    if max((float(np.hypot(*s)) for s in own.values()), default=float(np.hypot(*usual))) < LEAST_PX:
        return
    for n, mine in enumerate(shifts):
        x, y = own.get(n, usual)
        mine[colour] = (float(x), float(y))


def largest_shift(shifts: Sequence[Mapping[str, Shift]], colour: str) -> float | None:
    """The largest of the frames' shifts of a colour, px; None where there is none."""
    return max((float(np.hypot(*s[colour])) for s in shifts if colour in s), default=None)
