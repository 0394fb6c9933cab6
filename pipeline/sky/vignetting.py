"""How much light the lens passes towards the corners, from stars that cross the field.

A star is as bright in one frame as in the next, but for the air and the lens. Where the sky moves across the sensor the
lens shows in how its flux changes with its distance from the optical axis. Asked for together: each star's own
magnitude, each frame's (clouds, exposure), extinction with the air mass where the zenith is known (within what clear
air takes: the turning sky makes it look much like a lens), slopes across the sensor (what stays with the ground), and a
radial fall-off, which alone is believed to be the lens's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.regression import MAD_TO_SIGMA
from pipeline.sky.camera import Camera
from pipeline.sky.table import FrameStars

Floats = NDArray[np.float64]

# Frames that are looked at, spread evenly: with 800 stars each, more tell no more.
FRAMES_MAX = 24
# Stars of this signal to noise and more, seen in so many frames at least.
SNR_MIN, SEEN_MIN = 20.0, 3
# Scatter of a star's flux beyond its noise: its place among the pixels, seeing.
SCATTER = 0.015
STARS_MIN = 60
# Error of the response anywhere in the frame beyond which nothing is corrected, and how far out stars must be seen.
ERROR_MAX, REACH_MIN = 0.03, 0.8
# Half the field's diagonal beyond which extinction would be taken for the lens's where no zenith is known, degrees.
FIELD_WITHOUT_ZENITH = 20.0
# What two radial terms may miss of a lens: a lens of cos^4 and a hard stop is followed to 0.3 % inside 0.8 of the half
# diagonal, to 1.3 % beyond.
SHAPE_ERROR = 0.01
ROUNDS, BISQUARE = 6, 4.685
# Extinction of clear air, magnitudes an airmass, and how far it may be off (check-values.md, 4; haze); slopes of what
# stays with the ground, over half a diagonal.
EXTINCTION, EXTINCTION_ERROR, PER_MAGNITUDE, SLOPE = 0.17, 0.05, 0.4 * np.log(10), 0.05
# All but free: the lens's terms and a frame's level; what stars do not tell keeps this as its error.
LENS, LEVEL = 10.0, 100.0
# What a lens may do: brighter away from the axis by no more than this, and no darker in the corner than that.
RISE_MAX, CORNER_LEAST = 0.01, 0.1
PLACES = np.linspace(0.0, 1.0, 21)


@dataclass(frozen=True)
class Vignetting:
    """The lens's response: 1 on the axis, ``exp(a q^2 + b q^4)`` at q half diagonals from it; `terms` (a, b).

    `error` is the largest of it in the frame; `refused` says why it is not known well enough to be corrected, None
    where it is; `stars` how many tell.
    """

    terms: tuple[float, float]
    error: float
    stars: int
    refused: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "terms": [float(t) for t in self.terms],
            "corner": float(np.exp(sum(self.terms))),
            "error": float(self.error) if np.isfinite(self.error) else None,
            "stars": self.stars,
            "refused": self.refused,
        }


def response(terms: Sequence[float], camera: Camera, x: Any, y: Any) -> Floats:
    """The response at pixels of the frame; terms as in `Vignetting`."""
    half = (camera.width**2 + camera.height**2) / 4.0
    q2 = ((np.asarray(x) - camera.centre_x) ** 2 + (np.asarray(y) - camera.centre_y) ** 2) / half
    return np.asarray(np.exp(q2 * (terms[0] + q2 * terms[1])))


def measure_vignetting(
    frames: Sequence[FrameStars],
    rows: Sequence[NDArray[np.intp]],
    camera: Camera,
    altitudes: Sequence[Floats] | None,
) -> Vignetting:
    """Measure the radial fall-off.

    Parameters
    ----------
    frames : their star lists
    rows : for each frame (n,), the star's row in the common table, -1 where none
    camera : the lens
    altitudes : for each frame (n,), sine of each star's altitude; None where the zenith is not known
    """
    nothing = (0.0, 0.0)
    angle = float(np.degrees(np.arctan(np.hypot(camera.width, camera.height) / 2 / camera.focal_px)))
    if altitudes is None and angle > FIELD_WITHOUT_ZENITH:
        return Vignetting(nothing, np.inf, 0, "the zenith is not known, and the air's extinction looks alike")
    chosen = np.unique(np.linspace(0, len(frames) - 1, min(len(frames), FRAMES_MAX)).round().astype(int))
    parts = []
    for k, n in enumerate(chosen):
        stars, mine = frames[n], rows[n]
        use = np.flatnonzero((mine >= 0) & ~stars.saturated & (stars.flux >= SNR_MIN * stars.flux_error))
        air = np.zeros(len(use)) if altitudes is None else 1 / np.maximum(altitudes[n][use], 0.08)
        parts.append(
            np.column_stack(
                [np.full(len(use), k), mine[use], stars.xy[use], stars.flux[use], stars.flux_error[use], air]
            )
        )
    seen = np.concatenate(parts) if parts else np.zeros((0, 7))
    _, star, times = np.unique(seen[:, 1], return_inverse=True, return_counts=True)
    seen, star = seen[times[star] >= SEEN_MIN], star[times[star] >= SEEN_MIN]
    number = len(np.unique(star))
    if number < STARS_MIN:
        return Vignetting(nothing, np.inf, number, f"only {number} stars are seen in {SEEN_MIN} frames and more")
    _, star = np.unique(star, return_inverse=True)
    frame = seen[:, 0].astype(int)
    half = float(np.hypot(camera.width, camera.height)) / 2
    u, v = (seen[:, 2] - camera.centre_x) / half, (seen[:, 3] - camera.centre_y) / half
    q2 = u * u + v * v
    # the first two are the lens's; the air's and the ground's are taken out with them
    terms = np.column_stack([q2, q2 * q2, u, v, seen[:, 6]])
    error = np.hypot(seen[:, 5] / seen[:, 4], SCATTER)
    prior = np.array([LENS, LENS, SLOPE, SLOPE, EXTINCTION_ERROR * PER_MAGNITUDE])
    if altitudes is None:
        terms, prior = terms[:, :-1], prior[:-1]
    level = np.log(seen[:, 4]) + EXTINCTION * PER_MAGNITUDE * seen[:, 6]
    solution, covariance = _fit(level, error, star, frame, terms, prior)
    a, b = float(solution[0]), float(solution[1])
    powers = np.column_stack([PLACES**2, PLACES**4])
    shape = np.exp(powers @ [a, b])
    errors = shape * np.sqrt(np.einsum("ij,jk,ik->i", powers, covariance[:2, :2], powers))
    worst = float(np.hypot(errors.max(), SHAPE_ERROR))
    reach = float(np.sqrt(np.percentile(q2, 98)))
    refused = None
    if reach < REACH_MIN:
        refused = f"no stars are seen farther out than {100 * reach:.0f} % of the way to the corners"
    elif worst > ERROR_MAX:
        told = f"to {100 * worst:.1f} % only" if worst < 1 else "not at all"
        refused = f"the stars tell it {told}: the sky moved too little, or they are too few"
    elif (np.diff(shape) > RISE_MAX / len(PLACES)).any() or shape[-1] < CORNER_LEAST:
        refused = "what the stars show is no lens's: it does not fall evenly towards the corners"
    return Vignetting((a, b), worst, number, refused)


def _fit(
    level: Floats, error: Floats, star: NDArray[np.intp], frame: NDArray[np.intp], terms: Floats, prior: Floats
) -> tuple[Floats, Floats]:
    """Robust least squares of the terms beside a level a star and a level a frame; and their covariance.

    `prior` is how far each term may be from 0, one standard deviation.
    """
    # the first frame's level is the others' measure
    frames = np.asarray(frame[:, None] == np.arange(1, int(frame.max()) + 1), np.float64)
    scale = np.maximum(np.abs(terms).max(axis=0), 1e-9)
    columns = np.column_stack([terms / scale, frames])
    known = np.diag(1 / np.concatenate([prior * scale, np.full(frames.shape[1], LEVEL)]) ** 2)
    weight = 1 / error**2
    solution = np.zeros(columns.shape[1])
    for _ in range(ROUNDS):
        root = np.sqrt(weight)[:, None]
        design = np.column_stack([_centred(c, weight, star) for c in columns.T]) * root
        wanted = _centred(level, weight, star)
        inverse = np.linalg.inv(design.T @ design + known)
        solution = inverse @ (design.T @ (wanted * root[:, 0]))
        left = (wanted - (design / root) @ solution) / error
        spread = max(MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left)))), 1e-6)
        robust = np.clip(1 - (left / (BISQUARE * spread)) ** 2, 1e-6, None) ** 2
        weight = robust / error**2
    count = terms.shape[1]
    scatter = float(np.sum(robust * left**2) / max(np.sum(robust) - star.max() - 1 - columns.shape[1], 1))
    covariance = inverse[:count, :count] * max(scatter, 1e-6) / np.outer(scale, scale)
    return solution[:count] / scale, covariance


def _centred(values: Floats, weight: Floats, star: NDArray[np.intp]) -> Floats:
    """Values less each star's own weighted mean."""
    total = np.maximum(np.bincount(star, weight), 1e-30)
    return np.asarray(values - (np.bincount(star, weight * values) / total)[star])


__all__ = ["Vignetting", "measure_vignetting", "response"]
