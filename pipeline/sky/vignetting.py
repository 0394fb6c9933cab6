"""How much light the lens passes towards the corners, from stars that cross the field.

A star is as bright in one frame as in the next, but for the air and the lens. Where the sky moves across the sensor the
lens shows in how its flux changes with its distance from the optical axis. Asked for together: each star's own
magnitude, each frame's (clouds, exposure), extinction with the air mass where the zenith is known (within what clear
air takes: the turning sky makes it look much like a lens), slopes across the sensor (what stays with the ground, and on
a tracker turns with the hours), and a radial fall-off, which alone is believed to be the lens's. Its middle lies
beside the optical axis (a hood, a filter, a shifted sensor) where the stars show that beyond their errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.sky.camera import Camera
from pipeline.sky.table import FrameStars

Floats = NDArray[np.float64]

# Frames that are looked at, spread evenly: with 800 stars each, 64 tell little more than these (half a second).
FRAMES_MAX = 48
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
ROUNDS, BISQUARE = 8, 4.685
# Extinction of clear air, magnitudes an airmass, and how far it may be off (check-values.md, 4; haze); slopes of what
# stays with the ground, over half a diagonal.
EXTINCTION, EXTINCTION_ERROR, PER_MAGNITUDE, SLOPE = 0.17, 0.05, 0.4 * np.log(10), 0.05
# All but free: the lens's terms and a frame's level; what stars do not tell keeps this as its error.
LENS, LEVEL = 10.0, 100.0
# How far the fall-off's middle may lie beside the axis, half diagonals, one standard deviation (a stop or hood that
# cuts one side: 0.08). It is taken there where that is so many of its errors; else it lies on the axis, as a lens's
# does: a free one costs the corners 2 % where stars tell it to 0.02.
OFF_AXIS, ON_AXIS, OFF_SURE, OFF_MOST = 0.05, 1e-6, 2.5, 0.3
# ... and where every quarter of the frame shows stars so far out both across and down, as shares of the way to its
# edges (so many per cent of its stars lie nearer): beside land a middle that lies aside and a slope look alike, and the
# land would be lit by what the sky's half misses. There a middle that lies aside by so many of its errors adds what it
# would change to the error.
OFF_REACH, OFF_SHARE, OFF_BLIND = 0.5, 95, 5.0
# Slopes that turn with the hours over a tracked frame, where no zenith tells the air's: what half an hour's or more of
# sinking does to the air before a field of `FIELD_WITHOUT_ZENITH`.
TURNING = 0.05
# What a lens may do: brighter away from the axis by no more than this, and no darker in the corner than that.
RISE_MAX, CORNER_LEAST = 0.01, 0.1
PLACES, NODES = np.linspace(0.0, 1.0, 21), 13


@dataclass(frozen=True)
class Vignetting:
    """The lens's response: 1 in its middle, ``exp(a q^2 + b q^4)`` at q half diagonals from it; `terms` (a, b).

    `middle` is where the fall-off's middle lies beside the optical axis, half diagonals to the right and down, 0 where
    stars show it nowhere else, and `middle_error` how well they tell either; `error` is the largest of the response in
    the frame, the middle's included; `refused` says why it is not known well enough to be corrected, None where it is;
    `stars` how many tell.
    """

    terms: tuple[float, float]
    error: float
    stars: int
    refused: str | None = None
    middle: tuple[float, float] = (0.0, 0.0)
    middle_error: float = OFF_AXIS

    def to_json(self, camera: Camera) -> dict[str, Any]:
        """Plain values; `corner` is the mean of the frame's four."""
        x, y = np.array([0, camera.width - 1]), np.array([[0], [camera.height - 1]])
        return {
            "terms": [float(t) for t in self.terms],
            "middle": [float(m) for m in self.middle],
            "middle_error": float(self.middle_error),
            "corner": float(response(self.terms, self.middle, camera, x, y).mean()),
            "error": float(self.error) if np.isfinite(self.error) else None,
            "stars": self.stars,
            "refused": self.refused,
        }


def response(
    terms: Sequence[float] | Floats, middle: Sequence[float] | Floats, camera: Camera, x: Any, y: Any
) -> Floats:
    """The response at pixels of the frame; terms and middle as in `Vignetting`."""
    q2 = np.sum((_places(camera, x, y) - np.asarray(middle)) ** 2, axis=-1)
    return np.asarray(np.exp(q2 * (terms[0] + q2 * terms[1])))


def _places(camera: Camera, x: Any, y: Any) -> Floats:
    """Pixels (...) as half diagonals from the optical axis, (..., 2)."""
    half = np.hypot(camera.width, camera.height) / 2
    u, v = np.broadcast_arrays((np.asarray(x) - camera.centre_x) / half, (np.asarray(y) - camera.centre_y) / half)
    return np.stack([u, v], axis=-1)


def measure_vignetting(
    frames: Sequence[FrameStars],
    rows: Sequence[NDArray[np.intp]],
    camera: Camera,
    altitudes: Sequence[Floats] | None,
    tracked: bool,
) -> Vignetting:
    """Measure the fall-off.

    Parameters
    ----------
    frames : their star lists
    rows : for each frame (n,), the star's row in the common table, -1 where none
    camera : the lens
    altitudes : for each frame (n,), sine of each star's altitude; None where the zenith is not known
    tracked : the camera follows the stars, so that what stays with the ground changes over the sensor
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
        few = f"it takes {SEEN_MIN} frames"
        if len(chosen) >= SEEN_MIN:
            few = f"{number if number else 'no'} star{'' if number == 1 else 's'} of the {STARS_MIN} that it takes"
            few = f"only {few}" if number else few
            few += f" {'is' if number == 1 else 'are'} seen in {SEEN_MIN} frames and more"
        return Vignetting(nothing, np.inf, number, few)
    _, star = np.unique(star, return_inverse=True)
    place = _places(camera, seen[:, 2], seen[:, 3])
    # what is not the lens's: the ground's slopes and the air
    others, prior = [place], [SLOPE, SLOPE]
    if altitudes is not None:
        others, prior = [*others, seen[:, 6:7]], [*prior, EXTINCTION_ERROR * PER_MAGNITUDE]
    elif tracked:
        late = seen[:, :1] / max(len(chosen) - 1, 1) * 2 - 1
        others, prior = [*others, place * late, place * late**2], [*prior, *[TURNING] * 4]
    error = np.hypot(seen[:, 5] / seen[:, 4], SCATTER)
    level = np.log(seen[:, 4]) + EXTINCTION * PER_MAGNITUDE * seen[:, 6]
    known = level, error, star, seen[:, 0].astype(int), place, np.column_stack(others), prior
    lens, covariance = _fit(*known, OFF_AXIS)
    middle_error = float(np.sqrt((covariance[2, 2] + covariance[3, 3]) / 2))
    # what is stated holds wherever the middle may lie; whether it is corrected goes by what is taken
    stated = _worst(camera, lens, covariance)
    aside, off = float(np.hypot(*lens[2:])) / middle_error, 0.0
    all_round = _all_round(seen[:, 2:4], camera)
    if aside <= OFF_SURE or not all_round:
        free = lens
        lens, covariance = _fit(*known, ON_AXIS)
        lens[2:] = 0
        off = _apart(camera, free, lens) if aside > OFF_BLIND else 0.0
    worst = float(np.hypot(_worst(camera, lens, covariance), off))
    stated = float(np.hypot(stated, off))
    terms, middle = (float(lens[0]), float(lens[1])), (float(lens[2]), float(lens[3]))
    reach = float(np.sqrt(np.percentile(np.sum(place**2, axis=1), 98)))
    fall = np.exp(np.column_stack([PLACES**2, PLACES**4]) @ terms)
    refused = None
    if reach < REACH_MIN:
        refused = f"no stars are seen farther out than {100 * reach:.0f} % of the way to the corners"
    elif worst > ERROR_MAX:
        why = "the sky moved too little, or they are too few"
        if off > ERROR_MAX:
            why = "beside land they do not tell whether its middle lies beside the lens's axis"
        refused = f"only to {100 * worst:.1f} %: {why}" if worst < 1 else why
    elif (np.diff(fall) > RISE_MAX / len(PLACES)).any() or fall[-1] < CORNER_LEAST:
        refused = "what the stars show is no lens's: it does not fall evenly towards the corners"
    return Vignetting(terms, stated, number, refused, middle, middle_error)


def _all_round(xy: Floats, camera: Camera) -> bool:
    """Whether there are stars, at pixels (n, 2), far out in every quarter of the frame."""
    half = np.array([camera.width, camera.height]) / 2
    out = xy / half - 1
    quarter, far = 2 * (out[:, 0] > 0) + (out[:, 1] > 0), np.abs(out).min(axis=1)
    parts = [far[quarter == number] for number in range(4)]
    return all(len(part) > 0 and bool(np.percentile(part, OFF_SHARE) >= OFF_REACH) for part in parts)


def _worst(camera: Camera, lens: Floats, covariance: Floats) -> float:
    """The largest error of the response in the frame; one level for all of it is nobody's error."""
    x, y = np.meshgrid(np.linspace(0, camera.width - 1, NODES), np.linspace(0, camera.height - 1, NODES))
    slopes = _slopes(_places(camera, x.ravel(), y.ravel()), lens)
    slopes -= slopes.mean(axis=0)
    errors = np.sqrt(np.einsum("ij,jk,ik->i", slopes, covariance, slopes))
    errors *= response(lens[:2], lens[2:], camera, x, y).ravel()
    return float(np.hypot(errors.max(), SHAPE_ERROR))


def _apart(camera: Camera, one: Floats, other: Floats) -> float:
    """By what two lenses' responses differ at most in the frame, one level for all of it apart."""
    x, y = np.meshgrid(np.linspace(0, camera.width - 1, NODES), np.linspace(0, camera.height - 1, NODES))
    ratio = response(one[:2], one[2:], camera, x, y) / response(other[:2], other[2:], camera, x, y)
    return float(np.abs(ratio / np.median(ratio) - 1).max())


def _slopes(place: Floats, lens: Floats) -> Floats:
    """By what the logarithm of the response at places (n, 2) changes with the lens's a, b and middle: (n, 4)."""
    away = place - lens[2:]
    q2 = np.sum(away**2, axis=1)
    return np.column_stack([q2, q2 * q2, -2 * (lens[0] + 2 * lens[1] * q2)[:, None] * away])


def _fit(
    level: Floats,
    error: Floats,
    star: NDArray[np.intp],
    frame: NDArray[np.intp],
    place: Floats,
    others: Floats,
    prior: Sequence[float],
    off_axis: float,
) -> tuple[Floats, Floats]:
    """Robust least squares of the lens's terms and middle beside other terms, a level a star and a level a frame.

    `prior` is how far each of the other terms may be from 0, one standard deviation, `off_axis` the middle from the
    axis. The lens (4,) and its covariance.
    """
    # the first frame's level is the others' measure
    levels = int(frame.max())
    in_frame = np.asarray(frame[:, None] == np.arange(1, levels + 1), np.float64)
    known = 1 / np.concatenate([[LENS, LENS, off_axis, off_axis], prior, np.full(levels, LEVEL)]) ** 2
    design = np.empty((len(level), len(known)))
    lens, weight = np.zeros(4), 1 / error**2
    for _ in range(ROUNDS):
        root = np.sqrt(weight)[:, None]
        slopes = _slopes(place, lens)
        for n, column in enumerate((*slopes.T, *others.T)):
            design[:, n] = _centred(column, weight, star)
        design[:, len(known) - levels :] = in_frame - _shares(frame, weight, star, levels)[star]
        design *= root
        # the lens's terms are linear, its middle is sought step by step
        about = slopes[:, 2:] @ lens[2:]
        wanted = _centred(level + about, weight, star)
        inverse = np.linalg.inv(design.T @ design + np.diag(known))
        solution = inverse @ (design.T @ (wanted * root[:, 0]))
        left = (wanted - (design / root) @ solution) / error
        spread = max(MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left)))), 1e-6)
        robust = np.clip(1 - (left / (BISQUARE * spread)) ** 2, 1e-6, None) ** 2
        weight = robust / error**2
        lens = np.concatenate([solution[:2], np.clip(solution[2:4], -OFF_MOST, OFF_MOST)])
    scatter = float(np.sum(robust * left**2) / max(np.sum(robust) - star.max() - 1 - len(known), 1))
    return lens, np.asarray(inverse[:4, :4] * max(scatter, 1e-6), np.float64)


def _shares(frame: NDArray[np.intp], weight: Floats, star: NDArray[np.intp], levels: int) -> Floats:
    """What each frame but the first has of a star's weight, (stars, levels): the star's mean of 1 in that frame."""
    at = star * (levels + 1) + frame
    by_frame = np.bincount(at, weight, minlength=(int(star.max()) + 1) * (levels + 1)).reshape(-1, levels + 1)
    return np.asarray(by_frame[:, 1:] / np.maximum(np.bincount(star, weight), 1e-30)[:, None])


def _centred(values: Floats, weight: Floats, star: NDArray[np.intp]) -> Floats:
    """Values less each star's own weighted mean."""
    total = np.maximum(np.bincount(star, weight), 1e-30)
    return np.asarray(values - (np.bincount(star, weight * values) / total)[star])
