"""The shape field of a frame taken apart: a common motion, the lens's own pattern, a size.

Shapes are second moments (mxx, mxy, myy); with t = (mxx + myy) / 2, q1 = mxx - myy, q2 = 2 mxy they add up, to first
order, from the star's size, the lens's pattern and the motion. What a pattern means: a constant (q1, q2) is motion or
wind; one that grows outwards along or across the radius is the lens; a change of t is focus [1]_. The lens's pattern
is the same in every frame of a scene, so it is learned there: a radial law first, then what is left in every part of
the field, its mean taken out, since a constant is never the lens's.

References
----------
.. [1] Jarvis, Schechter & Jain 2008, arXiv:0810.0027
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from pipeline.pixels.normal import FWHM_PER_SIGMA, MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.pixels.regression import robust_fit, robust_mean
from pipeline.stars.trails import drawn_out, trail_length

SNR_MIN = 8.0  # flux over its error; below it the fit's size is biased by more than 1 %
STARS_USED = 1500  # the brightest; more add nothing to a mean
SCATTER = 0.04  # of t, of the shape of one star beside noise: phase on the mosaic, blends
BLOB = 8.0  # times the lower quartile of the stars' moments; corners of a fast 14 mm lens have 3 to 4
RADIAL_NEEDS = 30  # stars for the radial law's first term
QUARTIC_NEEDS = 120  # stars for its second
# Of the moment that a blur adds, what it may add to one axis more than to the other over the whole field: an aperture
# cut to an axis ratio of 0.8 by its housing has 0.22. Sizes up to 1.1 in width are seeing, not blur.
BLUR_SHAPE = 0.25
SHARP_SIZE = 1.2
SIZE_SLACK = 0.1  # of the scene's second moment, by which focus and seeing may change a frame's
MAP_SHAPE = (6, 8)  # what the radial law leaves, rows and columns over the field
MAP_FRAMES = 5  # that must show a part of the field before anything is learned of it
MAP_STARS = 3  # in the part, in a frame
# Of the stars' usual moment; what differs by more than this after the radial law is no lens but land with its texture
# (a part of the field full of it had 258 px^2 where the stars have 1.1).
MAP_MOST = 1.5


@dataclass(frozen=True)
class Shapes:
    """The usable stars of one frame.

    `x`, `y` px; `moments` (n, 3) mxx, mxy, myy px^2; `weight` (n,) inverse variance of q1 and q2, px^-4.
    """

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    moments: NDArray[np.float64]
    weight: NDArray[np.float64]

    @property
    def q(self) -> NDArray[np.float64]:
        """(n, 2) q1 and q2."""
        return np.stack([self.moments[:, 0] - self.moments[:, 2], 2 * self.moments[:, 1]], axis=1)

    @property
    def t(self) -> NDArray[np.float64]:
        """(n,) mean second moment."""
        return (self.moments[:, 0] + self.moments[:, 2]) / 2


@dataclass(frozen=True)
class LensPattern:
    """What the lens adds to a star's moments, by place.

    Radial law, rho the distance from the middle over half the diagonal: t grows by `size` @ (rho^2, rho^4), and
    (q1, q2) by `radial` @ (rho^2, rho^4) along the radius (positive) or across it (negative). `maps` (3, rows,
    columns) is what is left of t, q1, q2. `frames` is the number of frames that taught it.
    """

    width: int
    height: int
    size: tuple[float, float] = (0.0, 0.0)
    radial: tuple[float, float] = (0.0, 0.0)
    maps: NDArray[np.float64] | None = None
    frames: int = 0

    def at(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """(n, 3) array of t, q1, q2 at places, px^2."""
        rho2, cosine, sine = _polar(x, y, self.width, self.height)
        grown = self.radial[0] * rho2 + self.radial[1] * rho2**2
        out = np.stack([self.size[0] * rho2 + self.size[1] * rho2**2, grown * cosine, grown * sine], axis=-1)
        if self.maps is not None:
            rows = (np.asarray(y) + 0.5) * self.maps.shape[1] / self.height - 0.5
            columns = (np.asarray(x) + 0.5) * self.maps.shape[2] / self.width - 0.5
            for n in range(3):
                out[..., n] += map_coordinates(self.maps[n], [rows, columns], order=1, mode="nearest")
        return out

    def mean(self) -> tuple[float, float]:
        """Means over the field of t, and of the length of (q1, q2)."""
        y, x = np.mgrid[0.5:9, 0.5:12]
        there = self.at(x.ravel() * self.width / 12, y.ravel() * self.height / 9)
        return float(there[:, 0].mean()), float(np.hypot(there[:, 1], there[:, 2]).mean())


@dataclass(frozen=True)
class FrameShape:
    """One frame's part.

    Parameters
    ----------
    length, angle_deg : the constant motion that the shapes show, px, and its direction from +x towards +y, 0 to 180
    extra, extra_angle_deg : what is left of it when the explained motions are taken out, px
    fwhm_px : of a star without motion, mean over the field
    lens_ellipticity : mean |q| / 2t of the lens's pattern over the field
    stars : number used
    size : second moment of a star without motion at the middle of the field, px^2
    moments : mean mxx, mxy, myy with the lens's pattern and the explained motions taken out, px^2
    """

    length: float
    angle_deg: float
    extra: float
    extra_angle_deg: float
    fwhm_px: float
    lens_ellipticity: float
    stars: int
    size: float
    moments: tuple[float, float, float]


def star_sized(stars: NDArray[Any]) -> NDArray[np.bool_]:
    """Which detections are no larger than stars can be, (n,): land with its texture is found as blobs of all sizes.

    Parameters
    ----------
    stars : `STAR_DTYPE` array; the saturated and those without a measured shape pass
    """
    t = (np.asarray(stars["mxx"], np.float64) + np.asarray(stars["myy"], np.float64)) / 2
    known = np.isfinite(t) & ~np.asarray(stars["saturated"], bool)
    if not known.any():
        return np.ones(len(t), bool)
    return ~known | (t <= BLOB * np.percentile(t[known], 25))


def usable(stars: NDArray[Any]) -> Shapes:
    """Choose the stars whose shapes can be trusted.

    Parameters
    ----------
    stars : `STAR_DTYPE` array (or table columns of the same names), brightest first
    """
    ratio = stars["flux"] / np.maximum(stars["flux_error"], 1e-12)
    good = ~stars["saturated"] & np.isfinite(stars["mxx"]) & (ratio > SNR_MIN)
    chosen, ratio = stars[good][:STARS_USED], np.asarray(ratio[good][:STARS_USED], np.float64)
    moments = np.stack([np.asarray(chosen[name], np.float64) for name in ("mxx", "mxy", "myy")], axis=1)
    typical = float(np.median((moments[:, 0] + moments[:, 2]) / 2)) if len(moments) else 1.0
    # moments scatter by sqrt(2) t over the signal-to-noise of the flux at a known shape, q by sqrt(2) more
    weight = 1 / (typical**2 * (4 / ratio**2 + SCATTER**2))
    return Shapes(np.asarray(chosen["x"], np.float64), np.asarray(chosen["y"], np.float64), moments, weight)


def _polar(
    x: NDArray[np.float64], y: NDArray[np.float64], width: int, height: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Squared distance from the middle over half the diagonal; cosine and sine of twice the position angle."""
    dx, dy = np.asarray(x, np.float64) - (width - 1) / 2, np.asarray(y, np.float64) - (height - 1) / 2
    square = dx**2 + dy**2
    safe = np.maximum(square, 1e-12)
    return square * 4 / (width**2 + height**2), (dx**2 - dy**2) / safe, 2 * dx * dy / safe


def without_motion(shapes: Shapes, star: NDArray[np.float64], motion: NDArray[np.float64] | None) -> Shapes:
    """Take a known motion's part out of the moments of stars that are `star` (n, 3: mxx, mxy, myy) without it."""
    if motion is None:
        return shapes
    return Shapes(shapes.x, shapes.y, shapes.moments - (drawn_out(star, motion) - star), shapes.weight)


def learn_pattern(
    frames: Sequence[Shapes], motions: Sequence[NDArray[np.float64] | None], width: int, height: int
) -> LensPattern:
    """Learn the lens's pattern from the frames of a scene.

    Parameters
    ----------
    frames : their usable stars
    motions : (n, 2) expected motion at each star of each frame, or None
    """
    laws, kept = [], []
    for shapes, motion in zip(frames, motions, strict=True):
        if len(shapes.x) < RADIAL_NEEDS:
            continue
        round_star = np.tile([1.0, 0.0, 1.0], (len(shapes.x), 1)) * max(0.3, float(np.percentile(shapes.t, 25)))
        still = without_motion(shapes, round_star, motion)
        laws.append(_radial_law(still, width, height))
        kept.append(still)
    if not laws:
        return LensPattern(width, height)
    size = np.median([law[0] for law in laws], axis=0)
    radial = np.median([law[1] for law in laws], axis=0)
    law = (float(size[0]), float(size[1])), (float(radial[0]), float(radial[1]))
    pattern = LensPattern(width, height, *law, None, len(laws))
    maps = _left_over(kept, pattern) if len(kept) >= MAP_FRAMES else None
    return LensPattern(width, height, *law, maps, len(laws))


def _radial_law(shapes: Shapes, width: int, height: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rho2, cosine, sine = _polar(shapes.x, shapes.y, width, height)
    powers = [rho2, rho2**2] if len(rho2) >= QUARTIC_NEEDS else [rho2]
    one, zero = np.ones_like(rho2), np.zeros_like(rho2)
    t_law, _ = robust_fit(np.stack([one, *powers], axis=1), shapes.t, shapes.weight)
    design = np.concatenate(
        [
            np.stack([one, zero, *(p * cosine for p in powers)], axis=1),
            np.stack([zero, one, *(p * sine for p in powers)], axis=1),
        ]
    )
    q_law, _ = robust_fit(design, shapes.q.T.ravel(), np.tile(shapes.weight, 2))
    size, radial = np.zeros(2), np.zeros(2)
    size[: len(powers)], radial[: len(powers)] = t_law[1:], q_law[2:]
    return size, radial


def _left_over(frames: Sequence[Shapes], pattern: LensPattern) -> NDArray[np.float64] | None:
    """Median over frames of what the radial law leaves of t, q1, q2 in each part of the field, shrunk by its error."""
    rows, columns = MAP_SHAPE
    each = np.full((len(frames), 3, rows, columns), np.nan)
    held = np.zeros((rows, columns))
    for n, shapes in enumerate(frames):
        left = np.column_stack([shapes.t, shapes.q]) - pattern.at(shapes.x, shapes.y)
        left -= np.median(left, axis=0)
        i = np.clip((shapes.y + 0.5) * rows / pattern.height, 0, rows - 1).astype(int)
        j = np.clip((shapes.x + 0.5) * columns / pattern.width, 0, columns - 1).astype(int)
        for part in np.unique(i * columns + j):
            here = i * columns + j == part
            if here.sum() >= MAP_STARS:
                each[n, :, part // columns, part % columns] = np.median(left[here], axis=0)
                held[part // columns, part % columns] += here.sum()
    number = np.isfinite(each[:, 0]).sum(axis=0)
    if not (number >= MAP_FRAMES).any():
        return None
    filled = np.where(number[None, None] > 0, each, 0.0)
    middle = np.nanmedian(filled, axis=0)
    error = MAD_TO_SIGMA * np.nanmedian(np.abs(filled - middle), axis=0) * MEDIAN_ERROR / np.sqrt(np.maximum(number, 1))
    most = MAP_MOST * float(np.median([np.percentile(shapes.t, 25) for shapes in frames]))
    known = (number >= MAP_FRAMES) & (np.abs(middle) <= most).all(axis=0)
    # a part's median shrunk towards nothing where its own error is as large
    middle *= middle**2 / np.maximum(middle**2 + error**2, 1e-12)
    middle[:, ~known] = 0.0
    if not known.any():
        return None
    for n in range(3):
        middle[n][known] -= np.average(middle[n][known], weights=held[known])
    return middle


def frame_shape(
    shapes: Shapes, pattern: LensPattern, explained: Sequence[NDArray[np.float64]] = ()
) -> FrameShape | None:
    """Take one frame's shapes apart.

    Parameters
    ----------
    shapes : its usable stars
    pattern : of the lens
    explained : motions at each star, (n, 2) px, that `extra` leaves out: the expected one, the usual one

    Returns
    -------
    None where fewer than 3 stars can be used.
    """
    if len(shapes.x) < 3:
        return None
    lens = pattern.at(shapes.x, shapes.y)
    size, length, angle, moments = _size_and_motion(shapes, lens)
    extra, extra_angle = length, angle
    if explained:
        still = size
        for _ in range(3):
            rest = shapes
            for motion in explained:
                rest = without_motion(rest, _star(still, lens), motion)
            still, extra, extra_angle, moments = _size_and_motion(rest, lens)
        size = still
    mean_t, mean_q = pattern.mean()
    return FrameShape(
        length=length,
        angle_deg=angle,
        extra=extra,
        extra_angle_deg=extra_angle,
        fwhm_px=FWHM_PER_SIGMA * math.sqrt(max(size + mean_t, 0.05)),
        lens_ellipticity=min(1.0, mean_q / (2 * max(size + mean_t, 0.05))),
        stars=len(shapes.x),
        size=size,
        moments=moments,
    )


def _star(size: float, lens: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, 3) moments of stars without motion; kept positive where the pattern would not be."""
    t = np.maximum(size + lens[:, 0], 0.1)
    stretch = np.hypot(lens[:, 1], lens[:, 2])
    factor = np.minimum(1.0, 1.8 * t / np.maximum(stretch, 1e-12))
    q1, q2 = lens[:, 1] * factor, lens[:, 2] * factor
    return np.stack([t + q1 / 2, q2 / 2, t - q1 / 2], axis=1)


def _size_and_motion(
    shapes: Shapes, lens: NDArray[np.float64]
) -> tuple[float, float, float, tuple[float, float, float]]:
    """Size (px^2, at the middle), length (px), angle (deg) of the constant motion, mean moments."""
    q1, e1 = robust_mean(shapes.q[:, 0] - lens[:, 1], shapes.weight)
    q2, e2 = robust_mean(shapes.q[:, 1] - lens[:, 2], shapes.weight)
    t, _ = robust_mean(shapes.t - lens[:, 0], shapes.weight)
    noise = math.hypot(e1, e2)
    # the length of a noisy vector is too long: its square, by the noise's
    drawn = math.sqrt(max(q1**2 + q2**2 - noise**2, 0.0))
    size = max(t - drawn / 2, 0.1)
    length = math.sqrt(size) * float(trail_length(1 + drawn / size))
    angle = 0.5 * math.atan2(q2, q1)
    direction = np.array([math.cos(angle), math.sin(angle)])
    star = _star(size, lens)
    total = shapes.weight.sum()
    # over a field whose stars differ, the mean of the drawn-out shapes is not the drawn-out mean shape
    for _ in range(6):
        if length < 1e-3:
            break
        more = drawn_out(star, np.broadcast_to(length * direction, (len(star), 2))) - star
        mean = (shapes.weight[:, None] * more).sum(axis=0) / total
        shown = math.hypot(mean[0] - mean[2], 2 * mean[1])
        factor = math.sqrt(drawn / shown) if shown > 0 else 1.0
        length *= factor
        if abs(factor - 1) < 1e-5:
            break
    moments = t + q1 / 2, q2 / 2, t - q1 / 2
    return size, length, math.degrees(angle) % 180.0, moments


def beyond_blur(length: float, size: float, usual_size: float) -> float:
    """What of a motion is sure in a frame whose stars are blurred, px.

    A star out of focus is no larger round one: the lens's astigmatism and the shape of its aperture draw it out, and
    differently on either side of the focus. What they may feign is taken off the squares, which add up.

    Parameters
    ----------
    length : the motion that the shapes show, px
    size, usual_size : second moment across the motion, of the frame and of the scene, px^2
    """
    feigned = 12 * BLUR_SHAPE * max(size - SHARP_SIZE * usual_size, 0.0)
    return math.sqrt(max(length**2 - feigned, 0.0))


def visible_excess(part: FrameShape, usual_size: float) -> float:
    """The longest extra motion that a frame's shapes allow, px.

    Where less happened than was expected, what is left after the expected is taken out looks like a motion across it.
    But then no star is wider in that direction than a usual one.

    Parameters
    ----------
    part : of the frame
    usual_size : second moment of the scene's stars without motion, px^2
    """
    angle = math.radians(part.extra_angle_deg)
    u, v = math.cos(angle), math.sin(angle)
    along = part.moments[0] * u**2 + 2 * part.moments[1] * u * v + part.moments[2] * v**2
    return math.sqrt(usual_size) * float(trail_length(max(along / usual_size + SIZE_SLACK, 1.0)))
