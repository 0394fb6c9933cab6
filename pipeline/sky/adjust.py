"""The scene-wide fit: from rough attitudes to one camera, the air, and attitudes good to hundredths of a pixel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from pipeline.sky import refraction
from pipeline.sky.air import Fitting, latitude_instead, latitude_shown, with_air
from pipeline.sky.breathing import matters, rescaled, scale_changes
from pipeline.sky.camera import Camera
from pipeline.sky.fit import Bundle, Observations, fit, resect
from pipeline.sky.match import pairs_within
from pipeline.sky.table import FrameStars, catalogue_directions, gather, observations
from pipeline.sky.told import Doubt, Known

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

# As many frames, spread evenly in time, make the camera and the star table; the others are placed against it.
# 0.1 px centroids of 40 frames leave 0.016 px of a star's place, and the cost a frame stays flat.
FIT_FRAMES = 40
# Stars of the table at most: the most often seen.
TABLE_STARS = 2500
# Stars of two frames within this of each other are the same at first, when distortion and air are known roughly.
WIDE_PX = 4.0
# Later: this many standard deviations, within these bounds.
MATCH_SIGMAS, MATCH_MIN_PX, MATCH_MAX_PX = 5.0, 0.8, 3.0
# An observation further off than this takes no part in the last fit and in the figures.
OUTLIER_SIGMAS = 4.5
# Steps of the fit of a frame outside it, in its two rounds of matching.
ROUGH_THEN_FINE = (3, 8)
# Frames' scales and the rest of the fit take turns so often; the second round is exact to a thousandth of a pixel.
BREATHING_ROUNDS = 3


@dataclass(frozen=True)
class Adjusted:
    """The outcome for all frames.

    Parameters
    ----------
    bundle : camera, air, stars; `attitudes` of all frames that were given, in their order
    zeniths : (frames, 3), or None
    rms_px : (frames,) weighted root mean square distance of the stars, NaN for a frame without
    matched : (frames,) number of stars
    rows : for each frame (n,), the star's row in the table, -1 where none
    tied : how many stars of the table the catalogue holds
    scales : (frames,) of each frame's picture against the reference's, which the camera is; all 1 where one camera
        explains all
    doubt : where the stars contradict the latitude that was told
    """

    bundle: Bundle
    zeniths: Floats | None
    rms_px: Floats
    matched: Ints
    rows: list[Ints]
    tied: int
    scales: Floats
    doubt: Doubt | None = None


def adjust(
    frames: Sequence[FrameStars],
    camera: Camera,
    attitudes: Sequence[Floats],
    reference: int,
    *,
    known: Known | None,
    solved: bool,
    scales: Floats | None = None,
) -> Adjusted:
    """Fit one camera and one attitude a frame.

    Parameters
    ----------
    frames : the stars of each frame
    camera : the lens to start from
    attitudes : (3, 3) each, right to some pixels
    reference : which frame the result lies on; its attitude stays where the catalogue says nothing
    known : place and time; None where the frames' times are unknown (then without refraction)
    solved : whether attitudes are against ICRS
    scales : (frames,) of the frames' pictures, where some are known to differ
    """
    half = float(np.hypot(camera.width, camera.height)) / 2
    sizes = np.ones(len(frames)) if scales is None else scales / scales[reference]
    alike = rescaled(frames, sizes, (camera.centre_x, camera.centre_y))
    result = _adjust(alike, camera, attitudes, reference, known=known, solved=solved)
    for _ in range(BREATHING_ROUNDS):
        changes, sigmas = scale_changes(alike, result.bundle, result.zeniths, result.rows)
        if not matters(changes, sigmas, half):
            break
        sizes = sizes * (1.0 + changes) / (1.0 + changes[reference])
        lens = result.bundle.camera
        alike = rescaled(frames, sizes, (lens.centre_x, lens.centre_y))
        result = _adjust(alike, lens, result.bundle.attitudes, reference, known=known, solved=solved)
    return replace(result, scales=sizes)


def _adjust(
    frames: Sequence[FrameStars],
    camera: Camera,
    attitudes: Sequence[Floats] | Floats,
    reference: int,
    *,
    known: Known | None,
    solved: bool,
) -> Adjusted:
    """The fit of one camera, strictly."""
    chosen = _spread(frames, reference)
    mine = [frames[n] for n in chosen]
    ref = chosen.index(reference)
    bundle = Bundle(camera, np.stack([attitudes[n] for n in chosen]), np.zeros((0, 3)), None)
    hold = None if solved else ref
    velocity = np.zeros(3) if known is None else known.velocity
    all_seconds = [f.seconds for f in frames]
    timed = known is not None and all(s is not None for s in all_seconds)
    seconds = np.array([float(s or 0.0) for s in all_seconds]) - float(frames[reference].seconds or 0.0)

    def collect(width_px: float) -> tuple[Bundle, Observations, Floats]:
        return _collect(bundle, mine, ref, width_px, solved, velocity)

    bundle, obs, catalogue = collect(WIDE_PX)
    if len(obs) < 3 or not len(bundle.stars):
        nothing = np.full(len(frames), np.nan)
        kept = replace(bundle, attitudes=np.stack([np.asarray(a, np.float64) for a in attitudes]))
        rows = [np.full(len(f), -1, np.intp) for f in frames]
        return Adjusted(kept, None, nothing, np.zeros(len(frames), np.intp), rows, 0, np.ones(len(frames)))
    free = _free(bundle, obs, solved)
    prior = None if solved else camera
    bundle = fit(bundle, obs, catalogue, free=free, hold_frame=hold, hold_camera=prior, steps=4)
    obs = _steady(bundle, obs)
    doubt: Doubt | None = None
    airy = timed and solved and known is not None
    if airy and known is not None:
        bundle, doubt = with_air(bundle, Fitting(obs, catalogue, free, hold, prior, known, seconds[chosen]))
    bundle, obs, catalogue = collect(_width(bundle, obs))
    free = _free(bundle, obs, solved)
    bundle = fit(bundle, obs, catalogue, free=free, hold_frame=hold, hold_camera=prior)
    bundle, obs, catalogue = collect(_width(bundle, obs))
    bundle = fit(bundle, obs, catalogue, free=free, hold_frame=hold, hold_camera=prior)
    inliers = bundle.distance <= OUTLIER_SIGMAS * obs.sigma * bundle.scale[obs.frame]
    counts = np.bincount(obs.star[inliers], minlength=len(bundle.stars))
    inliers &= counts[obs.star] > 0
    obs = obs.only(inliers)
    bundle = fit(bundle, obs, catalogue, free=free, hold_frame=hold, hold_camera=prior)
    if airy and known is not None and doubt is None:
        fitting = Fitting(obs, catalogue, free, hold, prior, known, seconds[chosen])
        bundle, doubt = latitude_shown(bundle, fitting)
        if doubt is None:
            bundle, doubt = latitude_instead(bundle, fitting)
    placed = _place_all(frames, bundle, attitudes, chosen, seconds, int(np.isfinite(catalogue[:, 0]).sum()))
    return replace(placed, doubt=doubt)


def _spread(frames: Sequence[FrameStars], reference: int) -> list[int]:
    """At most FIT_FRAMES frames, evenly over the sequence, the reference among them."""
    count = len(frames)
    if count <= FIT_FRAMES:
        return list(range(count))
    picked = set(np.unique(np.linspace(0, count - 1, FIT_FRAMES).round().astype(int)).tolist())
    picked.add(reference)
    return sorted(picked)


def _steady(bundle: Bundle, obs: Observations) -> Observations:
    """The observations of what stays in its place among the stars.

    A light on the land follows the camera instead, and is taken for a star as long as the width of matching allows.
    """
    far = bundle.distance > np.maximum(OUTLIER_SIGMAS * obs.sigma * bundle.scale[obs.frame], MATCH_MIN_PX)
    seen = np.bincount(obs.star, minlength=len(bundle.stars))
    astray = np.bincount(obs.star[far], minlength=len(bundle.stars))
    return obs.only((2 * astray <= seen)[obs.star])


def _width(bundle: Bundle, obs: Observations) -> float:
    typical = float(np.median(obs.sigma)) * float(np.median(bundle.scale))
    return float(np.clip(MATCH_SIGMAS * typical, MATCH_MIN_PX, MATCH_MAX_PX))


def _directions(camera: Camera, attitude: Floats, xy: Floats, zenith: Floats | None, strength: float) -> Floats:
    vectors = camera.unproject(xy[:, 0], xy[:, 1]) @ attitude
    return vectors if zenith is None else refraction.unrefract(vectors, zenith, strength)


def _collect(
    bundle: Bundle,
    frames: Sequence[FrameStars],
    reference: int,
    width_px: float,
    solved: bool,
    velocity: Floats,
) -> tuple[Bundle, Observations, Floats]:
    camera, air = bundle.camera, bundle.air
    zeniths = None if air is None else air.zeniths()
    strength = 0.0 if air is None else air.strength
    directions = [
        _directions(camera, bundle.attitudes[n], f.xy, None if zeniths is None else zeniths[n], strength)
        for n, f in enumerate(frames)
    ]
    order = sorted(range(len(frames)), key=lambda n: (abs(n - reference), n))
    width = width_px / camera.focal_px
    rows, table, seen = gather(directions, width, order)
    fewest = 1 if len(frames) == 1 else 2 if len(frames) < 6 else 3
    keep = seen >= fewest
    if keep.sum() > TABLE_STARS:
        best = np.lexsort((np.arange(len(seen)), -seen))[:TABLE_STARS]
        keep = np.zeros(len(seen), bool)
        keep[best] = True
    obs, _ = observations(frames, rows, keep)
    stars = _mean_directions(directions, rows, keep, table)
    if solved:
        catalogue = catalogue_directions(stars, max(width, 1.5 / camera.focal_px), velocity)
        if len(frames) == 1:
            # a lone frame has nothing but the catalogue to hold its stars against
            known = np.isfinite(catalogue[:, 0])
            number = np.cumsum(known) - 1
            good = known[obs.star]
            obs = Observations(obs.frame[good], number[obs.star[good]], obs.xy[good], obs.sigma[good])
            stars, catalogue = catalogue[known].copy(), catalogue[known]
    else:
        catalogue = np.full(stars.shape, np.nan)
    return replace(bundle, stars=stars), obs, catalogue


def _mean_directions(
    directions: Sequence[Floats], rows: Sequence[Ints], keep: NDArray[np.bool_], table: Floats
) -> Floats:
    total = np.zeros_like(table)
    for vectors, mine in zip(directions, rows, strict=True):
        good = mine >= 0
        total[mine[good]] += vectors[good]
    kept = total[keep]
    return kept / np.linalg.norm(kept, axis=1, keepdims=True)


def _free(bundle: Bundle, obs: Observations, solved: bool) -> list[bool]:
    """Which of the camera's parameters the stars can carry."""
    n, frames = len(obs), len(bundle.attitudes)
    enough = n >= 40
    if not solved:
        # without a catalogue only the frames' mutual motion tells of the lens
        radial = frames >= 3 and n / frames >= 50
        return [False, False, False, radial, False, False, False, False]
    # a tilted element left out (0.1 px in the corners of a 50 mm lens) would pass for refraction
    return [n >= 8, n >= 100, n >= 100, enough, enough, n >= 100, n >= 200, n >= 200]


def _reach(scale: float) -> float:
    """How far a frame's stars may lie from their places, by its scatter over that of centroids, px."""
    return float(np.clip(MATCH_SIGMAS * scale * 0.1, MATCH_MIN_PX, MATCH_MAX_PX))


def _place_all(
    frames: Sequence[FrameStars],
    bundle: Bundle,
    attitudes: Sequence[Floats] | Floats,
    chosen: list[int],
    seconds: Floats,
    tied: int,
) -> Adjusted:
    """Every frame against the table: those of the fit keep their attitude, the others get theirs."""
    camera = bundle.camera
    air = None if bundle.air is None else replace(bundle.air, seconds=seconds)
    zeniths = None if air is None else air.zeniths()
    strength = 0.0 if air is None else air.strength
    tree = cKDTree(bundle.stars)
    final = [np.asarray(a, np.float64) for a in attitudes]
    # the fit has moved the axis within the frame, and with it all attitudes alike
    turns = np.stack([bundle.attitudes[place] @ final[n].T for place, n in enumerate(chosen)])
    common = Rotation.from_matrix(turns).mean().as_matrix()
    in_fit = {n: bundle.attitudes[place] for place, n in enumerate(chosen)}
    spread = dict(zip(chosen, bundle.scale.tolist(), strict=True))
    final = [in_fit[n] if n in in_fit else common @ attitude for n, attitude in enumerate(final)]
    rms, matched = np.full(len(frames), np.nan), np.zeros(len(frames), np.intp)
    rows = [np.full(len(f), -1, np.intp) for f in frames]
    for n, stars in enumerate(frames):
        zenith = None if zeniths is None else zeniths[n]
        reach = _reach(spread[n]) if n in in_fit else 2 * WIDE_PX
        # a frame of the fit stands; any other is brought near first, then matched anew
        for steps in (0,) if n in in_fit else ROUGH_THEN_FINE:
            seen = _directions(camera, final[n], stars.xy, zenith, strength)
            good = np.flatnonzero(np.isfinite(seen[:, 0]))
            pairs = pairs_within(seen[good], tree, reach / camera.focal_px)
            if len(pairs) < 3:
                break
            star, detection = pairs[:, 1], good[pairs[:, 0]]
            directions = bundle.stars[star]
            if zenith is not None:
                directions = refraction.refract(directions, zenith, strength)
            turned, distance, scale = resect(
                camera, final[n], directions, stars.xy[detection], stars.sigma[detection], steps=steps
            )  # fmt: skip
            final[n], reach = turned, _reach(scale)
            inlier = distance <= OUTLIER_SIGMAS * stars.sigma[detection] * scale
            if inlier.sum() >= 3:
                weight = 1.0 / stars.sigma[detection[inlier]] ** 2
                rms[n] = np.sqrt(np.sum(weight * distance[inlier] ** 2) / weight.sum())
                matched[n] = int(inlier.sum())
                rows[n][:] = -1
                rows[n][detection[inlier]] = star[inlier]
    whole = replace(bundle, attitudes=np.stack(final), air=air)
    return Adjusted(whole, zeniths, rms, matched, rows, tied, np.ones(len(frames)))
