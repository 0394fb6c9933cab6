"""One camera and one attitude a frame, from all stars of all frames at once (bundle adjustment)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky import refraction, times
from pipeline.sky.camera import Camera
from pipeline.sky.slopes import CAMERA_PARAMETERS, camera_vector, prior_sigmas, project_with_slopes, with_vector

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

# Beyond this many standard deviations (of the distance in the plane) an observation pulls with constant force:
# 2 % of good ones lie there.
HUBER = 2.8
# Blends and catalogue errors move a star against its catalogue place by some tenths of a pixel, the same in all frames.
TIE_PX = 0.3
# A star that the catalogue does not hold is all but free.
FREE_PX = 50.0
# The fit ends when 99 of 100 stars move by less than this in a step.
SETTLED_PX = 2e-3
STEPS = 12
# The frames' scatter is read off in the first steps; after that it stands, and the fit can settle.
SCALE_STEPS = 3
# Steps of the numerical derivatives by the air's parameters (radians, radians, strength).
AIR_STEPS = (1e-4, 1e-4, 1e-2)
# What they change by at most in a step of the fit.
AIR_STEP_MAX = 0.17


@dataclass(frozen=True)
class Observations:
    """What was seen: rows sorted by frame, a star at most once in a frame.

    Parameters
    ----------
    frame, star : (n,) int, which frame, which star of the table
    xy : (n, 2), pixels
    sigma : (n,), standard deviation expected in each axis, pixels
    """

    frame: Ints
    star: Ints
    xy: Floats
    sigma: Floats

    def __len__(self) -> int:
        return len(self.frame)

    def only(self, rows: NDArray[np.bool_]) -> Observations:
        """Some of them."""
        return Observations(self.frame[rows], self.star[rows], self.xy[rows], self.sigma[rows])


@dataclass(frozen=True)
class Air:
    """Refraction: where the zenith is at each frame, and how strong the air is.

    The zenith goes round the Earth's axis at the sidereal rate, on a tripod as on a tracker: two angles say all.

    Parameters
    ----------
    axes : (3, 3), rows are the axes of the equator of date in the frame of the attitudes (last row: the pole)
    seconds : (frames,), times of mid-exposure against the reference's
    latitude, angle : radians, of the place; sidereal angle of the zenith at the reference's time
    strength : 1 at 1010 hPa and 10 C
    sigma : how well the three were known beforehand; 0 holds one fixed
    known : the values they are held to
    """

    axes: Floats
    seconds: Floats
    latitude: float
    angle: float
    strength: float
    sigma: tuple[float, float, float]
    known: tuple[float, float, float]

    @property
    def values(self) -> Floats:
        """Latitude, angle, strength."""
        return np.array([self.latitude, self.angle, self.strength])

    def changed(self, values: Floats) -> Air:
        """The same with other values; kept to what can be."""
        latitude = float(np.clip(values[0], -np.pi / 2, np.pi / 2))
        return replace(self, latitude=latitude, angle=float(values[1]), strength=float(np.clip(values[2], 0.3, 1.6)))

    def zeniths(self) -> Floats:
        """(frames, 3) directions of the zenith."""
        return times.zenith_from_angles(self.latitude, self.angle + times.SIDEREAL_RATE * self.seconds, self.axes)


@dataclass(frozen=True)
class Bundle:
    """A camera, attitudes and stars, and how well they agree.

    Parameters
    ----------
    camera : the lens
    attitudes : (frames, 3, 3)
    stars : (m, 3) unit vectors without air (aberration left in)
    air : refraction, or None
    distance : (n,) of each observation from where the model puts it, pixels
    scale : (frames,) by which the expected standard deviations had to be multiplied
    cost : robust sum of squares, in the units of the expected standard deviations times `scale`
    air_sigma : (3,) standard deviations of the air's latitude, angle and strength, all else free; 0 where held
    """

    camera: Camera
    attitudes: Floats
    stars: Floats
    air: Air | None
    distance: Floats = field(default_factory=lambda: np.zeros(0))
    scale: Floats = field(default_factory=lambda: np.ones(0))
    cost: float = np.inf
    air_sigma: Floats = field(default_factory=lambda: np.zeros(3))


def model_positions(bundle: Bundle, obs: Observations) -> Floats:
    """(n, 2) pixels where the model puts the observed stars; NaN behind the lens."""
    seen = _seen(bundle, obs)
    x, y = bundle.camera.project(seen)
    return np.stack([x, y], axis=-1)


def _seen(bundle: Bundle, obs: Observations, air: Air | None = None) -> Floats:
    air = bundle.air if air is None else air
    vectors = bundle.stars[obs.star]
    if air is not None:
        vectors = refraction.refract(vectors, air.zeniths()[obs.frame], air.strength)
    bounds = np.searchsorted(obs.frame, np.arange(len(bundle.attitudes) + 1))
    return turned(vectors, bundle.attitudes, bounds)


def turned(vectors: Floats, attitudes: Floats, bounds: Ints) -> Floats:
    """Vectors (n, ..., 3), sorted by frame, turned by each frame's attitude; frame k has rows bounds[k]:bounds[k + 1].

    One product a frame takes a third of the time of one for all with their attitudes spread out.
    """
    result = np.empty(vectors.shape)
    for attitude, a, b in zip(attitudes, bounds[:-1], bounds[1:], strict=True):
        result[a:b] = (vectors[a:b].reshape(-1, 3) @ attitude.T).reshape(vectors[a:b].shape)
    return result


def fit(
    bundle: Bundle,
    obs: Observations,
    catalogue: Floats,
    *,
    free: Sequence[bool] = (True,) * CAMERA_PARAMETERS,
    hold_frame: int | None = None,
    hold_camera: Camera | None = None,
    steps: int = STEPS,
) -> Bundle:
    """Fit camera, air, attitudes and star directions together, robustly.

    Gauss-Newton on Huber's function. The stars (two unknowns each) are eliminated from the normal equations by their
    Schur complement; what is left has the camera's, the air's and three unknowns a frame.

    Parameters
    ----------
    bundle : where to start, within some pixels
    obs : what was seen; every star of the table at least once
    catalogue : (m, 3) where the catalogue has the stars, NaN where it has none; a weak, robust tie
    free : which of the camera's eight parameters are fitted
    hold_frame : a frame whose attitude stays, where no catalogue says which way is up
    hold_camera : the camera that priors pull towards; an undistorted one where None

    Returns
    -------
    Bundle

    References
    ----------
    Triggs, B. et al. 2000, "Bundle adjustment: a modern synthesis", LNCS 1883, 298-372.
    Huber, P. J. 1964, "Robust estimation of a location parameter", Ann. Math. Statist. 35, 73-101.
    """
    free_camera = np.flatnonzero(np.asarray(free, bool))
    frames = len(bundle.attitudes)
    scale = bundle.scale if len(bundle.scale) == frames else np.ones(frames)
    work = _Work(obs, len(bundle.stars), frames)
    tied = np.isfinite(catalogue[:, 0])
    tie_to = np.where(tied[:, None], catalogue, bundle.stars)
    neutral = bundle.camera.plain if hold_camera is None else hold_camera
    for n in range(steps):
        fresh = n < SCALE_STEPS
        bundle, moved, scale = _step(bundle, obs, work, tie_to, tied, free_camera, neutral, scale, fresh, hold_frame)
        if moved < SETTLED_PX:
            break
    distance = np.hypot(*(obs.xy - model_positions(bundle, obs)).T)
    distance = np.where(np.isfinite(distance), distance, 1e6)
    return replace(bundle, distance=distance, scale=scale, cost=robust_cost(distance / obs.sigma / scale[obs.frame]))


def robust_cost(normalised: Floats) -> float:
    """Huber's sum of normalised distances."""
    d = np.minimum(normalised, 1e6)
    return float(np.where(d <= HUBER, d * d, HUBER * (2 * d - HUBER)).sum())


def bundle_cost(bundle: Bundle, obs: Observations, scale: Floats) -> float:
    """The robust sum of squares of a bundle with given scales of the frames: what two fits are compared by."""
    distance = np.hypot(*(obs.xy - model_positions(bundle, obs)).T)
    distance = np.where(np.isfinite(distance), distance, 1e6)
    return robust_cost(distance / obs.sigma / scale[obs.frame])


def frame_scales(distance: Floats, sigma: Floats, frame: Ints, frames: int, before: Floats | None = None) -> Floats:
    """(frames,) how much larger each frame's scatter is than expected (median over Rayleigh's 1.1774, at least 0.2)."""
    result = np.ones(frames) if before is None else before.copy()
    ratio = distance / sigma
    for n in range(frames):
        mine = (
            ratio[frame == n] if len(ratio) < 2000 else ratio[np.searchsorted(frame, n) : np.searchsorted(frame, n + 1)]
        )
        if len(mine) >= 8:
            result[n] = np.clip(np.median(mine) / 1.1774, 0.2, 50.0)
    return result


class _Work:
    """What stays the same over the steps: the orders in which observations are summed."""

    def __init__(self, obs: Observations, stars: int, frames: int) -> None:
        if np.any(np.diff(obs.frame) < 0):
            raise ValueError("observations must be sorted by frame")
        self.bounds = np.searchsorted(obs.frame, np.arange(frames + 1))
        self.order = np.argsort(obs.star, kind="stable")
        sorted_star = obs.star[self.order]
        self.present, self.starts = np.unique(sorted_star, return_index=True)
        self.stars = stars

    def by_star(self, values: Floats) -> Floats:
        """Sums (stars, ...) of values (n, ...) over the observations of each star."""
        result = np.zeros((self.stars, *values.shape[1:]))
        result[self.present] = np.add.reduceat(values[self.order], self.starts, axis=0)
        return result


def tangents(vectors: Floats) -> Floats:
    """(m, 3, 2): two unit vectors at right angles to each direction."""
    other = np.where(np.abs(vectors[:, 2:3]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    one = np.cross(other, vectors)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return np.stack([one, np.cross(vectors, one)], axis=-1)


def _step(
    bundle: Bundle,
    obs: Observations,
    work: _Work,
    tie_to: Floats,
    tied: NDArray[np.bool_],
    free_camera: Ints,
    neutral: Camera,
    scale: Floats,
    fresh_scale: bool,
    hold_frame: int | None,
) -> tuple[Bundle, float, Floats]:
    camera, air = bundle.camera, bundle.air
    frames, stars = len(bundle.attitudes), len(bundle.stars)
    seen = _seen(bundle, obs)
    model, by_rotation, by_camera = project_with_slopes(camera, seen)
    residual = obs.xy - model
    distance = np.hypot(*residual.T)
    usable = np.isfinite(distance) & camera.reached(seen)
    residual = np.where(usable[:, None], residual, 0.0)
    if fresh_scale:
        scale = frame_scales(np.where(usable, distance, 1e6), obs.sigma, obs.frame, frames, scale)
    sigma = obs.sigma * scale[obs.frame]
    normalised = np.where(usable, distance, 1.0) / sigma
    weight = np.where(usable, np.minimum(1.0, HUBER / np.maximum(normalised, 1e-9)) / sigma**2, 0.0)
    root = np.sqrt(weight)[:, None, None]

    free_air = [] if air is None else [k for k in range(3) if air.sigma[k] > 0]
    shared = len(free_camera) + len(free_air)
    parts = [by_camera[:, :, free_camera]]
    if air is not None:
        for k in free_air:
            values = air.values
            values[k] += AIR_STEPS[k]
            other = _seen(bundle, obs, replace(air, latitude=values[0], angle=values[1], strength=values[2]))
            turn = np.cross(seen, other - seen) / AIR_STEPS[k]
            parts.append(np.einsum("nij,nj->ni", by_rotation, turn)[:, :, None])
    slopes = np.where(usable[:, None, None], np.concatenate([*parts, by_rotation], axis=2), 0.0) * root
    residual = residual * root[:, :, 0]
    # a star's move by a tangent is a small rotation of what is seen
    across = tangents(bundle.stars)
    moved = turned(across.transpose(0, 2, 1)[obs.star], bundle.attitudes, work.bounds)
    turns = np.cross(seen[:, None, :], moved)
    star_slopes = np.einsum("nij,nkj->nik", slopes[:, :, shared:], turns)

    size = shared + 3 * frames
    normal, right = np.zeros((size, size)), np.zeros(size)
    for n in range(frames):
        a, b = work.bounds[n], work.bounds[n + 1]
        if a == b:
            normal[shared + 3 * n : shared + 3 * n + 3, shared + 3 * n : shared + 3 * n + 3] += np.eye(3)
            continue
        j = slopes[a:b].reshape(-1, shared + 3)
        block, force = j.T @ j, j.T @ residual[a:b].ravel()
        at = slice(shared + 3 * n, shared + 3 * n + 3)
        normal[:shared, :shared] += block[:shared, :shared]
        normal[:shared, at] = block[:shared, shared:]
        normal[at, :shared] = block[shared:, :shared]
        normal[at, at] = block[shared:, shared:]
        right[:shared] += force[:shared]
        right[at] = force[shared:]

    star_normal = work.by_star(np.einsum("nij,nik->njk", star_slopes, star_slopes))
    star_right = work.by_star(np.einsum("nij,ni->nj", star_slopes, residual))
    offset = np.einsum("mij,mi->mj", across, tie_to - bundle.stars)
    tie = np.where(tied, TIE_PX, FREE_PX) / camera.focal_px
    pull = np.minimum(1.0, HUBER / np.maximum(np.hypot(*offset.T) / tie, 1e-9)) / tie**2
    star_normal += pull[:, None, None] * np.eye(2)
    star_right += pull[:, None] * offset

    cross = np.zeros((stars, 2, size))
    cross[:, :, :shared] = work.by_star(np.einsum("nij,nik->njk", star_slopes, slopes[:, :, :shared]))
    columns = shared + 3 * obs.frame[:, None] + np.arange(3)
    cross[obs.star[:, None], :, columns] = np.einsum("nij,nik->nkj", star_slopes, slopes[:, :, shared:])
    # Cholesky factors of the 2 x 2 blocks, written out
    l00 = np.sqrt(star_normal[:, 0, 0])
    l10 = star_normal[:, 1, 0] / l00
    l11 = np.sqrt(star_normal[:, 1, 1] - l10 * l10)
    whitened = np.empty_like(cross)
    whitened[:, 0] = cross[:, 0] / l00[:, None]
    whitened[:, 1] = (cross[:, 1] - l10[:, None] * whitened[:, 0]) / l11[:, None]
    white_right = np.empty_like(star_right)
    white_right[:, 0] = star_right[:, 0] / l00
    white_right[:, 1] = (star_right[:, 1] - l10 * white_right[:, 0]) / l11
    flat = whitened.reshape(-1, size)
    normal -= flat.T @ flat
    right -= flat.T @ white_right.ravel()

    # what is known of the lens and the air beforehand
    sigma_camera = prior_sigmas(camera)[free_camera]
    away = (camera_vector(neutral) - camera_vector(camera))[free_camera]
    index = np.arange(len(free_camera))
    normal[index, index] += 1.0 / sigma_camera**2
    right[index] += away / sigma_camera**2
    if air is not None:
        for place, k in enumerate(free_air, len(free_camera)):
            normal[place, place] += 1.0 / air.sigma[k] ** 2
            right[place] += (air.known[k] - air.values[k]) / air.sigma[k] ** 2
    if hold_frame is not None:
        held = np.arange(shared + 3 * hold_frame, shared + 3 * hold_frame + 3)
        normal[held, held] += 1e6 * camera.focal_px**2
    balance = 1.0 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    places = np.arange(len(free_camera), shared)
    sides = np.concatenate([(right * balance)[:, None], np.eye(size)[:, places]], axis=1)
    solved = balance[:, None] * np.linalg.solve(normal * np.outer(balance, balance) + 1e-12 * np.eye(size), sides)
    step = solved[:, 0]
    air_sigma = np.zeros(3)
    air_sigma[free_air] = np.sqrt(np.maximum(balance[places] * solved[places, 1 + np.arange(len(places))], 0.0))

    rest = white_right - whitened @ step
    star_step = np.empty_like(rest)
    star_step[:, 1] = rest[:, 1] / l11
    star_step[:, 0] = (rest[:, 0] - l10 * star_step[:, 1]) / l00
    # the zenith is found in steps of at most ten degrees: its pull is far from linear; all else goes no further
    longest = float(np.abs(step[len(free_camera) : shared]).max(initial=0.0))
    share = min(1.0, AIR_STEP_MAX / longest) if longest > 0 else 1.0
    step, star_step = share * step, share * star_step
    values = camera_vector(camera)
    values[free_camera] += step[: len(free_camera)]
    attitudes = Rotation.from_rotvec(step[shared:].reshape(frames, 3)).as_matrix() @ bundle.attitudes
    directions = bundle.stars + np.einsum("mij,mj->mi", across, star_step)
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    if air is not None and free_air:
        changed = air.values
        changed[free_air] += step[len(free_camera) : shared]
        air = air.changed(changed)
    lens = with_vector(camera, values)
    result = replace(bundle, camera=lens, attitudes=attitudes, stars=directions, air=air, air_sigma=air_sigma)
    shift = model_positions(result, obs) - model
    shift = np.abs(shift[usable & np.isfinite(shift[:, 0])])
    return result, float(np.quantile(shift, 0.99)) if shift.size else 0.0, scale


def resect(
    camera: Camera, attitude: Floats, directions: Floats, xy: Floats, sigma: Floats, steps: int = 8
) -> tuple[Floats, Floats, float]:
    """One frame's attitude against stars of known direction (air put on already), robustly.

    Parameters
    ----------
    attitude : (3, 3), to start from
    directions : (n, 3)
    xy : (n, 2), pixels
    sigma : (n,), pixels

    Returns
    -------
    attitude : (3, 3)
    distance : (n,), pixels
    scale : by which the expected standard deviations had to be multiplied
    """
    for _ in range(steps):
        model, by_rotation, _ = project_with_slopes(camera, directions @ attitude.T)
        residual = xy - model
        distance = np.hypot(*residual.T)
        usable = np.isfinite(distance)
        spread = sigma * _spread(distance, sigma)
        weight = np.where(usable, np.minimum(1.0, HUBER / np.maximum(distance / spread, 1e-9)) / spread**2, 0.0)
        root = np.sqrt(weight)[:, None]
        slopes = (np.where(usable[:, None, None], by_rotation, 0.0) * root[:, :, None]).reshape(-1, 3)
        residual = np.where(usable[:, None], residual, 0.0) * root
        turn = np.linalg.lstsq(slopes.T @ slopes, slopes.T @ residual.ravel(), rcond=1e-12)[0]
        attitude = Rotation.from_rotvec(turn).as_matrix() @ attitude
        if float(np.abs(turn).max()) * camera.focal_px < SETTLED_PX / 10:
            break
    x, y = camera.project(directions @ attitude.T)
    distance = np.hypot(xy[:, 0] - x, xy[:, 1] - y)
    distance = np.where(np.isfinite(distance), distance, 1e6)
    return attitude, distance, _spread(distance, sigma)


def _spread(distance: Floats, sigma: Floats) -> float:
    """How much larger the scatter is than expected."""
    ratio = np.where(np.isfinite(distance), distance, 1e6) / sigma
    return float(np.clip(np.median(ratio) / 1.1774, 0.2, 50.0)) if len(ratio) else 1.0
