"""Where the zenith is, from nothing but how the air bends a field: a start for the fit where no place is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import qr, solve_triangular

from pipeline.sky import refraction, times
from pipeline.sky.camera import Camera
from pipeline.sky.fit import HUBER, TIE_PX, Air, Bundle, Observations, bundle_cost, fit, tangents, with_steps
from pipeline.sky.slopes import prior_sigmas, project_with_slopes

Floats = NDArray[np.float64]

# So many frames and stars take part: what air does is of pixels, and shows in few.
FRAMES, STARS = 6, 160
FEWEST = 40
# The grid of zeniths: altitudes of the axis above the horizon, and the direction of up in the picture, degrees.
ALTITUDES_DEG = (5.0, 9.0, 14.0, 20.0, 28.0, 37.0, 48.0, 60.0, 75.0)
# A fisheye aimed at the zenith shows all of the horizon: there the air differs least from the lens's own bending.
OVERHEAD_DEG = 88.0
ROLLS_DEG = tuple(range(0, 360, 20))
# The best of the grid that lie this far apart (degrees) go on into the fit proper.
APART_DEG, STARTS = 14.0, 4
STEPS = 8
FREE_RAD = 1.0
# Latitudes that are tried where the time is known, degrees, and how fast that then is, radians.
LATITUDES_DEG = tuple(range(-85, 90, 10))
HELD_RAD = 0.01


def seek_zenith(
    bundle: Bundle,
    obs: Observations,
    catalogue: Floats,
    free: list[bool],
    axes: Floats,
    seconds: Floats,
    latitude: float | None,
    strength: float,
    strength_sigma: float,
    angle: float | None = None,
) -> tuple[Air, Camera] | None:
    """Air and camera to start the fit from.

    What the air would do to each observation, for every zenith of a grid, is held against the residuals of a fit
    without air, after attitudes, camera and stars have taken from both what they can (linear, one decomposition for
    all). The best few go on into the fit proper.

    Parameters
    ----------
    bundle : a fit without air
    obs, catalogue, free : as for `fit`
    axes : (3, 3), rows are the axes of the equator of date
    seconds : (frames,), against the reference's time
    latitude : radians, if known
    strength, strength_sigma : of the air, beforehand
    angle : sidereal angle of the zenith at the reference's time, radians, if known: then latitudes are tried

    Returns
    -------
    (air, camera), or None where there are too few stars
    """
    small, few, tie_to, some = _sample(bundle, obs, catalogue)
    if len(few) < FEWEST:
        return None
    model = _Linear(small, few, tie_to, np.flatnonzero(free))
    at = int(np.argmin(np.abs(seconds)))
    known = (0.0, 0.0, strength)
    tried: list[tuple[float, Floats, Air, float]] = []
    for zenith in _grid(bundle.camera, bundle.attitudes[at]) if angle is None else _meridian(angle, axes, bundle):
        x, y, z = axes @ zenith
        here = float(np.arcsin(np.clip(z, -1, 1)))
        if latitude is not None and abs(here - latitude) > np.radians(15.0):
            continue
        air = Air(axes, seconds[some], here, float(np.arctan2(y, x)), strength, (0.0, 0.0, 0.0), known)
        cost, amount = model.cost(air, strength_sigma / strength)
        tried.append((cost, zenith, air, amount))
    settled: list[tuple[float, Air, Camera]] = []
    chosen: list[Floats] = []
    for _, zenith, air, amount in sorted(tried, key=lambda t: t[0]):
        if any(zenith @ other > np.cos(np.radians(APART_DEG)) for other in chosen):
            continue
        chosen.append(zenith)
        strong = float(np.clip(amount, 0.7, 1.3)) * strength
        start = model.moved(replace(air, strength=strong), amount)
        assert start.air is not None
        loose = replace(
            start.air,
            sigma=(FREE_RAD, FREE_RAD if angle is None else HELD_RAD, strength_sigma),
            known=(air.latitude, air.angle, strength),
        )
        gone_on = fit(replace(start, air=loose), few, tie_to, free=free, steps=STEPS)
        assert gone_on.air is not None
        settled.append((bundle_cost(gone_on, few, small.scale), gone_on.air, gone_on.camera))
        if len(chosen) == STARTS:
            break
    if not settled:
        return None
    _, best, camera = min(settled, key=lambda s: s[0])
    return replace(best, seconds=seconds), camera


def _grid(camera: Camera, attitude: Floats) -> list[Floats]:
    """Zeniths (3,) about the picture of a camera of that attitude (3, 3)."""
    right, down, axis = attitude
    altitudes = np.radians((*ALTITUDES_DEG, OVERHEAD_DEG) if camera.fisheye else ALTITUDES_DEG)
    return [
        np.sin(altitude) * axis + np.cos(altitude) * (np.sin(roll) * right - np.cos(roll) * down)
        for altitude in altitudes
        for roll in np.radians(ROLLS_DEG)
    ]


def _meridian(angle: float, axes: Floats, bundle: Bundle) -> list[Floats]:
    """Zeniths (3,) of a sidereal angle from which the middle of the stars is up."""
    zeniths = [times.zenith_from_angles(np.radians(latitude), angle, axes) for latitude in LATITUDES_DEG]
    return [zenith for zenith in zeniths if np.median(bundle.stars @ zenith) > 0]


def _sample(
    bundle: Bundle, obs: Observations, catalogue: Floats
) -> tuple[Bundle, Observations, Floats, NDArray[np.intp]]:
    """A few frames, and some stars that several of them show."""
    frames = len(bundle.attitudes)
    some = np.unique(np.linspace(0, frames - 1, min(frames, FRAMES)).round().astype(int))
    rows = np.isin(obs.frame, some)
    often = np.bincount(obs.star[rows], minlength=len(bundle.stars))
    good = np.flatnonzero(often >= min(3, len(some)))
    good = good[np.unique(np.linspace(0, len(good) - 1, min(len(good), STARS)).round().astype(int))]
    chosen = np.zeros(len(bundle.stars), bool)
    chosen[good] = True
    rows &= chosen[obs.star]
    number = np.cumsum(chosen) - 1
    few = Observations(np.searchsorted(some, obs.frame[rows]), number[obs.star[rows]], obs.xy[rows], obs.sigma[rows])
    small = replace(bundle, attitudes=bundle.attitudes[some], stars=bundle.stars[chosen], scale=bundle.scale[some])
    return small, few, catalogue[chosen], some


class _Linear:
    """The fit without air, linearised: what any further displacement leaves over once all else has given way."""

    def __init__(self, bundle: Bundle, obs: Observations, catalogue: Floats, free: NDArray[np.intp]) -> None:
        self.bundle, self.obs, self.free, self.catalogue = bundle, obs, free, catalogue
        frames, stars, camera = len(bundle.attitudes), len(bundle.stars), bundle.camera
        seen = np.einsum("nij,nj->ni", bundle.attitudes[obs.frame], bundle.stars[obs.star])
        self.model, by_rotation, by_camera = project_with_slopes(camera, seen)
        residual = obs.xy - self.model
        sigma = obs.sigma * bundle.scale[obs.frame]
        pull = np.minimum(1.0, HUBER / np.maximum(np.hypot(*residual.T) / sigma, 1e-9))
        self.weight = (np.sqrt(pull) / sigma)[:, None]
        self.across = tangents(bundle.stars)
        moved = np.einsum("nij,njk->nik", bundle.attitudes[obs.frame], self.across[obs.star])
        by_star = np.einsum("nij,nkj->nik", by_rotation, np.cross(seen[:, None, :], moved.transpose(0, 2, 1)))

        shared = len(free)
        size = shared + 3 * frames + 2 * stars
        slopes = np.zeros((len(obs), 2, size))
        slopes[:, :, :shared] = by_camera[:, :, free]
        row = np.arange(len(obs))[:, None]
        at_frame = shared + 3 * obs.frame[:, None] + np.arange(3)
        at_star = shared + 3 * frames + 2 * obs.star[:, None] + np.arange(2)
        slopes[row, :, at_frame] = by_rotation.transpose(0, 2, 1)
        slopes[row, :, at_star] = by_star.transpose(0, 2, 1)
        slopes *= self.weight[:, :, None]
        tied = np.isfinite(catalogue[:, 0])
        tie = np.where(tied, TIE_PX, 10.0) / camera.focal_px
        offset = np.einsum("mij,mi->mj", self.across, np.where(tied[:, None], catalogue, bundle.stars) - bundle.stars)
        held = np.zeros((2 * stars, size))
        held[np.arange(2 * stars), shared + 3 * frames + np.arange(2 * stars)] = np.repeat(1.0 / tie, 2)
        lens = np.zeros((shared, size))
        lens[np.arange(shared), np.arange(shared)] = 1.0 / prior_sigmas(camera)[free]
        matrix = np.concatenate([slopes.reshape(-1, size), held, lens])
        # columns of like size, for a decomposition without loss
        self.column = np.linalg.norm(matrix, axis=0)
        self.column[self.column == 0] = 1.0
        self.q, self.r = qr(matrix / self.column, mode="economic", check_finite=False)
        self.more = 2 * stars + shared
        self.residual = np.concatenate([
            (residual * self.weight).ravel(), (offset / tie[:, None]).ravel(), np.zeros(shared)
        ])  # fmt: skip
        self.left = self._left(self.residual)

    def _left(self, values: Floats) -> Floats:
        return values - self.q @ (self.q.T @ values)

    def _displacement(self, air: Air) -> Floats:
        """Weighted displacement by the air of every observation, and none of the priors."""
        bundle, obs = self.bundle, self.obs
        bent = refraction.refract(bundle.stars[obs.star], air.zeniths()[obs.frame], air.strength)
        x, y = bundle.camera.project(np.einsum("nij,nj->ni", bundle.attitudes[obs.frame], bent))
        shift = np.nan_to_num(np.stack([x, y], axis=-1) - self.model) * self.weight
        return np.concatenate([shift.ravel(), np.zeros(self.more)])

    def cost(self, air: Air, amount_sigma: float) -> tuple[float, float]:
        """Sum of squares left with the best amount of such air, and that amount (1 as given)."""
        effect = self._left(self._displacement(air))
        weight = 1.0 / amount_sigma**2
        amount = float((self.left @ effect + weight) / (effect @ effect + weight))
        rest = self.left - amount * effect
        return float(rest @ rest + weight * (amount - 1.0) ** 2), amount

    def moved(self, air: Air, amount: float) -> Bundle:
        """The bundle with that air, all else moved to where it then belongs."""
        bundle = self.bundle
        target = self.q.T @ (self.residual - amount * self._displacement(air))
        step = solve_triangular(self.r, target, check_finite=False) / self.column
        of_lens, of_frames, of_stars = np.split(step, [len(self.free), len(self.free) + 3 * len(bundle.attitudes)])
        return replace(with_steps(bundle, self.free, of_lens, of_frames, of_stars.reshape(-1, 2)), air=air)
