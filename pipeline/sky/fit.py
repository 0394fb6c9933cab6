"""One camera and one attitude a frame, from all stars of all frames at once (bundle adjustment)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky import refraction, times
from pipeline.sky.camera import Camera
from pipeline.sky.normal import Elimination, Groups, Linearised, frame_equations, solve_balanced, star_equations
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

    Gauss-Newton on Huber's function. The stars (two unknowns each) are eliminated from the normal equations
    (`normal.py`); what is left has the camera's, the air's and three unknowns a frame.

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
    Huber, P. J. 1964, "Robust estimation of a location parameter", Ann. Math. Statist. 35, 73-101.
    """
    frames = len(bundle.attitudes)
    scale = bundle.scale if len(bundle.scale) == frames else np.ones(frames)
    neutral = bundle.camera.plain if hold_camera is None else hold_camera
    problem = _Problem(bundle, obs, catalogue, free, hold_frame, neutral)
    for n in range(steps):
        bundle, moved, scale = _step(bundle, problem, scale, n < SCALE_STEPS)
        if moved < SETTLED_PX:
            break
    distance = _distances(bundle, obs)
    return replace(bundle, distance=distance, scale=scale, cost=robust_cost(distance / obs.sigma / scale[obs.frame]))


def _distances(bundle: Bundle, obs: Observations) -> Floats:
    """(n,) of each observation from where the model puts it, pixels; far where it puts it nowhere."""
    distance = np.hypot(*(obs.xy - model_positions(bundle, obs)).T)
    return np.where(np.isfinite(distance), distance, 1e6)


def robust_cost(normalised: Floats) -> float:
    """Huber's sum of normalised distances."""
    d = np.minimum(normalised, 1e6)
    return float(np.where(d <= HUBER, d * d, HUBER * (2 * d - HUBER)).sum())


def bundle_cost(bundle: Bundle, obs: Observations, scale: Floats) -> float:
    """The robust sum of squares of a bundle with given scales of the frames: what two fits are compared by."""
    distance = _distances(bundle, obs)
    return robust_cost(distance / obs.sigma / scale[obs.frame])


def frame_scales(distance: Floats, sigma: Floats, frame: Ints, before: Floats) -> Floats:
    """(frames,) how much larger each frame's scatter is than expected (median over Rayleigh's 1.1774, at least 0.2).

    What few stars cannot tell stays as it was before.
    """
    result = before.copy()
    ratio = distance / sigma
    for n in range(len(before)):
        mine = (
            ratio[frame == n] if len(ratio) < 2000 else ratio[np.searchsorted(frame, n) : np.searchsorted(frame, n + 1)]
        )
        if len(mine) >= 8:
            result[n] = np.clip(np.median(mine) / 1.1774, 0.2, 50.0)
    return result


class _Problem:
    """What stays the same over the steps: what was seen, what is fitted, and what is known beforehand."""

    def __init__(
        self,
        bundle: Bundle,
        obs: Observations,
        catalogue: Floats,
        free: Sequence[bool],
        hold_frame: int | None,
        neutral: Camera,
    ) -> None:
        self.obs, self.hold_frame, self.neutral = obs, hold_frame, neutral
        self.groups = Groups(obs.frame, obs.star, len(bundle.attitudes), len(bundle.stars))
        self.free_camera = np.flatnonzero(np.asarray(free, bool))
        self.free_air = [] if bundle.air is None else [k for k in range(3) if bundle.air.sigma[k] > 0]
        self.shared = len(self.free_camera) + len(self.free_air)
        tied = np.isfinite(catalogue[:, 0])
        self.tie_to = np.where(tied[:, None], catalogue, bundle.stars)
        self.tie_px = np.where(tied, TIE_PX, FREE_PX)


def tangents(vectors: Floats) -> Floats:
    """(m, 3, 2): two unit vectors at right angles to each direction."""
    other = np.where(np.abs(vectors[:, 2:3]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    one = np.cross(other, vectors)
    one /= np.linalg.norm(one, axis=1, keepdims=True)
    return np.stack([one, np.cross(vectors, one)], axis=-1)


def _step(bundle: Bundle, problem: _Problem, scale: Floats, fresh_scale: bool) -> tuple[Bundle, float, Floats]:
    """The bundle after a step of Gauss and Newton, how far (px) 99 of 100 stars moved by it, the frames' scales."""
    obs, cameras, shared = problem.obs, len(problem.free_camera), problem.shared
    seen = _seen(bundle, obs)
    model, by_rotation, by_camera = project_with_slopes(bundle.camera, seen)
    residual = obs.xy - model
    distance = np.hypot(*residual.T)
    usable = np.isfinite(distance) & bundle.camera.reached(seen)
    if fresh_scale:
        scale = frame_scales(np.where(usable, distance, 1e6), obs.sigma, obs.frame, scale)
    root = np.sqrt(_weights(distance, usable, obs.sigma * scale[obs.frame]))[:, None]

    by_air = _slopes_by_air(bundle, problem, seen, by_rotation)
    slopes = np.concatenate([by_camera[:, :, problem.free_camera], *by_air, by_rotation], axis=2)
    slopes = np.where(usable[:, None, None], slopes, 0.0) * root[:, :, None]
    across = tangents(bundle.stars)
    star_slopes = _slopes_by_star(bundle, problem, seen, across, slopes[:, :, shared:])
    linear = Linearised(slopes, star_slopes, np.where(usable[:, None], residual, 0.0) * root, shared)

    normal, right = frame_equations(linear, problem.groups)
    star_normal, star_right, cross = star_equations(linear, problem.groups)
    _add_ties(bundle, problem, across, star_normal, star_right)
    eliminated = Elimination(star_normal, star_right, cross)
    eliminated.reduce(normal, right)
    _add_known(bundle, problem, normal, right)
    step, variance = solve_balanced(normal, right, np.arange(cameras, shared))
    star_step = eliminated.star_steps(step)

    # the zenith is found in steps of at most ten degrees: its pull is far from linear; all else goes no further
    longest = float(np.abs(step[cameras:shared]).max(initial=0.0))
    share = min(1.0, AIR_STEP_MAX / longest) if longest > 0 else 1.0
    step, star_step = share * step, share * star_step
    air_sigma = np.zeros(3)
    air_sigma[problem.free_air] = np.sqrt(np.maximum(variance, 0.0))
    result = replace(
        with_steps(bundle, problem.free_camera, step[:cameras], step[shared:], star_step),
        air=_changed_air(bundle.air, problem.free_air, step[cameras:shared]),
        air_sigma=air_sigma,
    )
    shift = model_positions(result, obs) - model
    shift = np.abs(shift[usable & np.isfinite(shift[:, 0])])
    return result, float(np.quantile(shift, 0.99)) if shift.size else 0.0, scale


def _weights(distance: Floats, usable: NDArray[np.bool_], sigma: Floats) -> Floats:
    """(n,) Huber's weights over the variances, px^-2; 0 of what is not usable."""
    normalised = np.where(usable, distance, 1.0) / sigma
    return np.where(usable, np.minimum(1.0, HUBER / np.maximum(normalised, 1e-9)) / sigma**2, 0.0)


def _slopes_by_air(bundle: Bundle, problem: _Problem, seen: Floats, by_rotation: Floats) -> list[Floats]:
    """(n, 2, 1) derivatives of the positions by each of the air's free parameters."""
    slopes: list[Floats] = []
    if bundle.air is None:
        return slopes
    for k in problem.free_air:
        values = bundle.air.values
        values[k] += AIR_STEPS[k]
        air = replace(bundle.air, latitude=values[0], angle=values[1], strength=values[2])
        turn = np.cross(seen, _seen(bundle, problem.obs, air) - seen) / AIR_STEPS[k]
        slopes.append(np.einsum("nij,nj->ni", by_rotation, turn)[:, :, None])
    return slopes


def _slopes_by_star(bundle: Bundle, problem: _Problem, seen: Floats, across: Floats, by_rotation: Floats) -> Floats:
    """(n, 2, 2) derivatives by the star's two tangents: a move by one is a small rotation of what is seen."""
    moved = turned(across.transpose(0, 2, 1)[problem.obs.star], bundle.attitudes, problem.groups.bounds)
    turns = np.cross(seen[:, None, :], moved)
    return np.asarray(np.einsum("nij,nkj->nik", by_rotation, turns))


def _add_ties(bundle: Bundle, problem: _Problem, across: Floats, star_normal: Floats, star_right: Floats) -> None:
    """The pull of each star, in place, to where the catalogue has it, or weakly to where it was at first."""
    offset = np.einsum("mij,mi->mj", across, problem.tie_to - bundle.stars)
    tie = problem.tie_px / bundle.camera.focal_px
    pull = np.minimum(1.0, HUBER / np.maximum(np.hypot(*offset.T) / tie, 1e-9)) / tie**2
    star_normal += pull[:, None, None] * np.eye(2)
    star_right += pull[:, None] * offset


def _add_known(bundle: Bundle, problem: _Problem, normal: Floats, right: Floats) -> None:
    """What is known beforehand of the lens, the air and a frame that is held, in place."""
    camera, free, air = bundle.camera, problem.free_camera, bundle.air
    sigma = prior_sigmas(camera)[free]
    index = np.arange(len(free))
    normal[index, index] += 1.0 / sigma**2
    right[index] += (camera_vector(problem.neutral) - camera_vector(camera))[free] / sigma**2
    if air is not None:
        for place, k in enumerate(problem.free_air, len(free)):
            normal[place, place] += 1.0 / air.sigma[k] ** 2
            right[place] += (air.known[k] - air.values[k]) / air.sigma[k] ** 2
    if problem.hold_frame is not None:
        held = problem.shared + 3 * problem.hold_frame + np.arange(3)
        normal[held, held] += 1e6 * camera.focal_px**2


def _changed_air(air: Air | None, free: list[int], step: Floats) -> Air | None:
    if air is None or not free:
        return air
    values = air.values
    values[free] += step
    return air.changed(values)


def with_steps(bundle: Bundle, free_camera: Ints, camera_step: Floats, turns: Floats, star_step: Floats) -> Bundle:
    """The bundle with camera, attitudes and stars moved by small steps.

    Parameters
    ----------
    free_camera, camera_step : which of the camera's parameters, and by how much
    turns : (3 * frames,) rotation vectors of the attitudes
    star_step : (m, 2) along the stars' `tangents`
    """
    values = camera_vector(bundle.camera)
    values[free_camera] += camera_step
    attitudes = Rotation.from_rotvec(turns.reshape(len(bundle.attitudes), 3)).as_matrix() @ bundle.attitudes
    stars = bundle.stars + np.einsum("mij,mj->mi", tangents(bundle.stars), star_step)
    stars /= np.linalg.norm(stars, axis=1, keepdims=True)
    return replace(bundle, camera=with_vector(bundle.camera, values), attitudes=attitudes, stars=stars)


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
        root = np.sqrt(_weights(distance, usable, sigma * _spread(distance, sigma)))[:, None]
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
