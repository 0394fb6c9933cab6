"""Where on the sky a frame points: offline, from its stars alone, whatever the focal length is said to be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import tetra3rs
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation
from scipy.special import pdtrc

from pipeline.sky import catalogue
from pipeline.sky.camera import Camera
from pipeline.sky.directions import right_ascension_declination
from pipeline.sky.match import pairs_within
from pipeline.sky.slopes import camera_vector, prior_sigmas, project_with_slopes, with_vector

Floats = NDArray[np.float64]

# The pattern search is right for a focal length within 15 % of its guess, and found nothing false up to 20 %.
GUESS_SPAN, KNOWN_SPAN = 0.14, 0.03
# Focal lengths, in long sides of the frame, that are tried where Exif's is missing or wrong: from 14 mm on full frame
# (0.39) to a telephoto with 8 degrees. Steps of 22 %, the commonest first.
LADDER = (0.71, 0.58, 0.87, 1.06, 0.48, 0.39, 1.3, 1.58, 1.93, 2.36, 2.88, 3.5, 4.3, 5.2, 6.4)
# The same of fisheyes, tried last: 180 degrees across the diagonal (0.42) to a circle within the frame (0.22).
FISHEYE_LADDER = (0.42, 0.34, 0.27, 0.22)
# Lenses whose focal length lies between these, in half diagonals, may be fisheyes (1.3: 44 degrees off the axis in the
# corners); one whose corners its distortion moves by more than this share may be of the other kind.
FISHEYE_LEAST, FISHEYE_FOCAL, BENT = 0.15, 1.3, 0.1
# Half-diagonal of the inner field in which the patterns are sought, degrees: a lens with 8 % of distortion at 57
# degrees bends positions there by less than 2 %.
INNER_DEG = 33.0
# The search's own bounds: patterns, not seconds, so that the answer is the same on every machine. With a third of the
# stars false, 32 bright stars and 200,000 patterns found 240 of 240 fields (24 and 60,000: 235); a frame of noise then
# costs 0.4 s, a step of the ladder 0.13 s.
PATTERNS_MAX, LADDER_PATTERNS_MAX = 200_000, 60_000
BRIGHT_STARS = 32
# Where that leads nowhere they may all be hot pixels or lamps: once more without so many of the brightest.
LEFT_OUT = 48
# Fields between these widths (by a focal length that was told) are sought by the patterns of long lenses.
LONG_LENS_DEG = 3.0, 11.0
# Catalogue stars are sought so far from the axis, of a rectilinear lens and of a fisheye, whose picture may end in a
# circle: of any kind within so many focal lengths (stereographic at 90 degrees).
WIDEST_DEG, WIDEST_FISHEYE_DEG, CIRCLE = 75, 95, 2.0
# Catalogue stars per detected star that take part: detections miss some and hold false ones.
CATALOGUE_FACTOR = 1.6
DETECTIONS_MAX = 1500
# A chance meeting of this many stars: fewer than one in 10^12 frames.
CHANCE = 1e-12
FEWEST = 8
# A fit to chance pairs, which least squares drew together, is no better than this share of the width of the search.
SPREAD = 0.4
# A fit of one frame has converged when no star moves by more than this; the scene's own fit goes further. While stars
# are still being matched, this share of the distance within which they are is enough.
SETTLED_PX, SETTLED_SHARE = 0.01, 0.03
# An unknown lens is fitted from this share of the half-diagonal outwards.
START_REACH = 0.5
# The outer part of the frame must hold at least this share of what the inner part holds of matched stars (ground may
# hide most of it): else the distortion has run away from the stars out there.
OUTER_SHARE = 0.2
# Of the detections and of the catalogue's stars, whichever are fewer, at least this share must meet.
SHARE = 0.12


@dataclass(frozen=True)
class Solution:
    """Where a frame points.

    Parameters
    ----------
    attitude : (4,) float64, [w, x, y, z], rotates ICRS into the camera's frame
    focal_px : focal length, pixels
    camera : the lens as this one frame shows it; `mirrored` where the frame is a mirror image of the sky
    matched : number of stars that were found in the catalogue
    rms_px : root mean square distance of those, pixels
    centre_ra_deg, centre_dec_deg : direction of the middle of the picture
    pixel_scale_arcsec : on the axis
    stars, catalogue : rows of the given list and of the catalogue that are the same star
    """

    attitude: Floats
    focal_px: float
    camera: Camera
    matched: int
    rms_px: float
    centre_ra_deg: float
    centre_dec_deg: float
    pixel_scale_arcsec: float
    stars: NDArray[np.intp]
    catalogue: NDArray[np.intp]


def solve(
    x: ArrayLike,
    y: ArrayLike,
    flux: ArrayLike,
    width: int,
    height: int,
    focal_px: float | None = None,
    *,
    camera: Camera | None = None,
    anywhere: bool = True,
) -> Solution | None:
    """Find attitude and lens of a frame.

    Parameters
    ----------
    x, y, flux : (n,) arrays, positions (pixels) and brightness of its stars
    width, height : size of the frame, pixels
    focal_px : focal length in pixels by Exif; None or wrong is allowed
    camera : a known lens; its distortion is taken out before the search
    anywhere : try other focal lengths where the given one leads nowhere

    Returns
    -------
    Solution or None
        None where no place on the sky explains the stars beyond chance.
    """
    x, y, flux = (np.asarray(a, np.float64).ravel() for a in (x, y, flux))
    if not x.shape == y.shape == flux.shape:
        raise ValueError(f"x, y and flux must be of one length (got {x.shape}, {y.shape}, {flux.shape})")
    good = np.flatnonzero(np.isfinite(x) & np.isfinite(y) & np.isfinite(flux) & (flux > 0))
    order = good[np.argsort(-flux[good], kind="stable")][:DETECTIONS_MAX]
    if len(order) < FEWEST:
        return None
    positions, brightness = np.stack([x[order], y[order]], axis=1), flux[order]
    told_lenses, others = _guesses(width, height, focal_px, camera, anywhere)
    tries = [(guess, True, 0) for guess in told_lenses]
    if camera is None and len(order) >= 3 * LEFT_OUT:
        tries = [(guess, True, first) for guess in told_lenses for first in (0, LEFT_OUT)]
    tries += [(guess, False, 0) for guess in others]
    for guess, told, first in tries:
        start = _search(positions[first:], brightness[first:], guess, told, camera is not None)
        if start is None:
            continue
        attitude, lens = start
        found = refine(positions, lens, attitude, known=camera is not None)
        if found is not None and camera is None:
            found = _either_kind(positions, brightness, first, found)
        if found is not None:
            return _solution(found, order)
    return None


def _guesses(
    width: int, height: int, focal_px: float | None, camera: Camera | None, anywhere: bool
) -> tuple[list[Camera], list[Camera]]:
    """Lenses that were told, and lenses to be tried."""
    if camera is not None:
        return [camera], []
    told: list[Camera] = []
    if focal_px is not None and np.isfinite(focal_px) and focal_px > 0:
        half = float(np.hypot(width, height)) / 2
        if 0.5 < np.degrees(2 * np.arctan(width / 2 / focal_px)) < 130:
            told.append(Camera.simple(focal_px, width, height))
        if FISHEYE_LEAST * half < focal_px < FISHEYE_FOCAL * half:
            told.append(Camera.simple(focal_px, width, height, fisheye=True))
    if told and not anywhere:
        return told, []
    side = max(width, height)
    others = [Camera.simple(step * side, width, height) for step in LADDER]
    return told, others + [Camera.simple(step * side, width, height, fisheye=True) for step in FISHEYE_LADDER]


def _either_kind(positions: Floats, brightness: Floats, first: int, found: Refined) -> Refined:
    """A lens that bends as the other kind does (a rectilinear one inwards, a fisheye outwards) is sought as that too:
    whichever leaves less over at as many stars. It is sought among the stars from number `first` on."""
    camera = found.camera
    if not (-camera.bent() if not camera.fisheye else camera.bent()) > BENT:
        return found
    other = Camera.simple(camera.focal_px, camera.width, camera.height, camera.mirrored, not camera.fisheye)
    start = _search(positions[first:], brightness[first:], other, True, False)
    rival = None if start is None else refine(positions, start[1], start[0])
    if rival is None or len(rival.stars) < len(found.stars) or rival.rms_px >= found.rms_px:
        return found
    return rival


def _search(
    positions: Floats, brightness: Floats, camera: Camera, told: bool, known: bool, turned: bool = False
) -> tuple[Floats, Camera] | None:
    """Attitude (3, 3) and lens by patterns of four stars in the inner field; `told` is a focal length not just tried.

    A pattern and its mirror image have the same sides: where the sky fits mirrored, the frame is turned over (once).
    """
    u, v = camera.to_gnomonic(positions[:, 0], positions[:, 1])
    a, b = u * camera.focal_px, v * camera.focal_px  # undistorted where the lens is known
    half_diagonal = np.hypot(camera.width, camera.height) / 2
    reach = camera.focal_px * np.tan(np.radians(INNER_DEG))
    if not camera.fisheye:
        reach = min(half_diagonal, reach)
    share = reach / half_diagonal
    half_w, half_h = share * camera.width / 2, share * camera.height / 2
    inner = (np.abs(a) < half_w) & (np.abs(b) < half_h)
    if inner.sum() < FEWEST:
        return None
    field = float(np.degrees(2 * np.arctan(half_w / camera.focal_px)))
    span = KNOWN_SPAN if known else GUESS_SPAN
    long = told and LONG_LENS_DEG[0] < field < LONG_LENS_DEG[1]
    result = catalogue.patterns(long).solve_from_centroids(
        np.column_stack([a, b, brightness])[inner],
        fov_estimate_deg=field,
        image_width=max(1, round(2 * half_w)),
        image_height=max(1, round(2 * half_h)),
        fov_max_error_deg=span * field,
        solve_timeout_ms=None,
        max_patterns_checked=PATTERNS_MAX if told else LADDER_PATTERNS_MAX,
        pattern_checking_stars=BRIGHT_STARS,
    )
    if not isinstance(result, tetra3rs.SolveResult):
        return None
    if result.parity_flip:
        if known or turned:
            return None
        return _search(positions, brightness, camera.changed(mirrored=not camera.mirrored), told, known, True)
    focal = float(half_w / np.tan(np.radians(result.fov_deg) / 2))
    attitude = np.asarray(result.rotation_matrix_icrs_to_camera, np.float64)
    return attitude, camera if known else camera.changed(focal_px=focal)


@dataclass(frozen=True)
class Refined:
    """A lens and an attitude that bring catalogue and detections together."""

    camera: Camera
    attitude: Floats  # (3, 3)
    stars: NDArray[np.intp]
    catalogue: NDArray[np.intp]
    rms_px: float


def refine(
    positions: Floats, camera: Camera, attitude: Floats, *, known: bool = False, depth: int | None = None
) -> Refined | None:
    """Grow a start from the middle of the frame to its edges, and keep it only if it explains the stars beyond chance.

    Parameters
    ----------
    positions : (n, 2), pixels, brightest first
    camera : the lens to start from
    attitude : (3, 3), ICRS to camera, right to about half a per cent of the field
    known : the lens is known: only a quarter of a per cent of scale is left to find
    depth : how many stars a clear frame shows, where this one may show fewer: so deep the catalogue is gone into
    """
    n = len(positions)
    depth = n if depth is None else max(n, depth)
    stars = catalogue.load()
    middle = np.array([(camera.width - 1) / 2, (camera.height - 1) / 2])
    half = float(np.hypot(*(middle + 0.5)))
    widest = WIDEST_DEG
    if camera.fisheye:
        half, widest = min(half, CIRCLE * camera.focal_px), WIDEST_FISHEYE_DEG
    corner_angle = camera.angle(1.1 * half / camera.focal_px)
    centre = attitude.T @ camera.unproject(*middle)
    # the frame fills a good third of the circle around it; the brightest of six times its share are enough
    candidates = stars.within(
        centre, min(corner_angle * 1.15, np.radians(widest)), 6 * int(CATALOGUE_FACTOR * depth) + 200
    )
    vectors = stars.vectors[candidates]

    def inside(lens: Camera, turn: Floats) -> tuple[NDArray[np.intp], Floats]:
        x, y = lens.project(vectors @ turn.T)
        with np.errstate(invalid="ignore"):
            seen = (x >= -0.5) & (x <= lens.width - 0.5) & (y >= -0.5) & (y <= lens.height - 0.5)
        rows = np.flatnonzero(seen)[: int(CATALOGUE_FACTOR * depth) + 30]
        return rows, np.stack([x[rows], y[rows]], axis=1)

    rows, _ = inside(camera, attitude)
    if len(rows) < FEWEST:
        return None
    tree = cKDTree(positions)
    reach = 1.0 if known else min(START_REACH, camera.focal_px * camera.plane_radius(np.radians(INNER_DEG)) / half)
    tolerance = max(3.0, 0.004 * half)
    steps: list[tuple[float, float]] = [(reach, tolerance), (reach, tolerance / 2)]
    while reach < 1.0:
        reach = min(1.0, reach * 1.15)
        steps += [(reach, tolerance), (reach, tolerance / 2)]
    steps += [(1.0, 0.0)] if known else [(1.0, tolerance / 2), (1.0, 0.0), (1.0, 0.0), (1.0, 0.0)]
    rms = tolerance
    matched: tuple[NDArray[np.intp], NDArray[np.intp]] | None = None
    for n_step, (radius, width) in enumerate(steps):
        rows, predicted = inside(camera, attitude)
        width = width or max(1.0, 3.5 * rms)
        near = np.hypot(*(predicted - middle).T) <= radius * half * 1.001
        rows, predicted = rows[near], predicted[near]
        pairs = pairs_within(predicted, tree, width)
        if len(pairs) < FEWEST:
            return None
        seen_at = positions[pairs[:, 1]]
        # terms enter as far out as there are stars to carry them
        carried = min(radius, float(np.quantile(np.hypot(*(seen_at - middle).T), 0.97)) / half)
        settled = SETTLED_PX if n_step == len(steps) - 1 else SETTLED_SHARE * width
        fitted = _fit(camera, attitude, vectors[rows[pairs[:, 0]]], seen_at, carried, known, settled)
        if fitted is None:
            return None
        camera, attitude, rms = fitted
        matched = pairs[:, 1], candidates[rows[pairs[:, 0]]]
        final = width, len(rows)
    assert matched is not None
    width, expected = final
    count = len(matched[0])
    if not _covered(positions[matched[0]], predicted, middle, half):
        return None
    # what chance would bring together: every catalogue star meets a detection with this probability
    density = n / (camera.width * camera.height)
    chance = expected * density * np.pi * width**2
    spent = 2 if known else 5  # stars' worth of parameters the fit has used up
    if count - spent < FEWEST - 3 or count < SHARE * min(n, expected):
        return None
    # chance pairs lie anywhere within the width, 0.71 of it off by their root mean square; right ones 0.29
    if rms > SPREAD * width:
        return None
    if pdtrc(count - spent - 1, chance) > CHANCE or not camera.covers_frame():
        return None
    return Refined(camera, attitude, *matched, rms)


def _covered(matched: Floats, predicted: Floats, middle: Floats, half: float) -> bool:
    """Whether the outer part of the frame takes part in the match as the inner does."""
    ours, all_of_them = (np.hypot(*(p - middle).T) > 0.6 * half for p in (matched, predicted))
    outer, inner = int(all_of_them.sum()), int((~all_of_them).sum())
    if outer < 20 or inner < 20:
        return True
    return float(ours.sum()) / outer >= OUTER_SHARE * float((~ours).sum()) / inner


def _fit(
    camera: Camera, attitude: Floats, vectors: Floats, positions: Floats, radius: float, known: bool, settled: float
) -> tuple[Camera, Floats, float] | None:
    """Camera and attitude by robust least squares; terms enter as the field grows and the stars can carry them."""
    n = len(vectors)
    free = np.zeros(8, bool)
    free[0] = True
    if not known:
        free[3] = n >= 12
        free[4] = n >= 20 and radius > 0.5
        free[[1, 2]] = n >= 40 and radius > 0.6
        free[5] = n >= 40 and radius > 0.7
        free[[6, 7]] = n >= 120 and radius > 0.75
    sigma = prior_sigmas(camera)
    neutral = camera_vector(camera.plain)
    if known:
        sigma[0], neutral = 0.0025 * camera.focal_px, camera_vector(camera)
    noise = 1.0
    for _ in range(6):
        seen = vectors @ attitude.T
        model, by_rotation, by_camera = project_with_slopes(camera, seen)
        residual = positions - model
        distance = np.hypot(*residual.T)
        if not np.isfinite(distance).all():
            return None
        noise = max(0.05, float(np.median(distance)) / 1.1774)  # Rayleigh: median 1.1774 sigma
        weight = np.minimum(1.0, 2.0 * noise / np.maximum(distance, 1e-9)) / noise**2
        slopes = np.concatenate([by_rotation, by_camera[:, :, free]], axis=2).reshape(2 * n, -1)
        w = np.repeat(weight, 2)
        normal = (slopes.T * w) @ slopes
        right = (slopes.T * w) @ residual.ravel()
        held = 1.0 / sigma[free] ** 2
        current = camera_vector(camera)
        normal[3:, 3:] += np.diag(held)
        right[3:] += held * (neutral[free] - current[free])
        scale = 1.0 / np.sqrt(np.diag(normal))
        step = scale * np.linalg.solve(normal * np.outer(scale, scale), right * scale)
        attitude = Rotation.from_rotvec(step[:3]).as_matrix() @ attitude
        current[free] += step[3:]
        if not 0.3 < current[0] / camera.focal_px < 3.0:
            return None
        camera = with_vector(camera, current)
        moved = float(np.abs(by_rotation @ step[:3] + by_camera[:, :, free] @ step[3:]).max())
        if moved < settled:
            break
    model, _, _ = project_with_slopes(camera, vectors @ attitude.T)
    distance = np.hypot(*(positions - model).T)
    limit = 5.0 * max(0.05, float(np.median(distance)) / 1.1774)
    kept = distance[distance < limit]
    if not len(kept):
        return None
    return camera, attitude, float(np.sqrt(np.mean(kept**2)))


def _solution(found: Refined, order: NDArray[np.intp]) -> Solution:
    camera = found.camera
    axis = found.attitude.T @ camera.unproject((camera.width - 1) / 2, (camera.height - 1) / 2)
    ra, dec = right_ascension_declination(axis)
    return Solution(
        attitude=Rotation.from_matrix(found.attitude).as_quat(canonical=True, scalar_first=True),
        focal_px=camera.focal_px,
        camera=camera,
        matched=len(found.stars),
        rms_px=found.rms_px,
        centre_ra_deg=float(ra),
        centre_dec_deg=float(dec),
        pixel_scale_arcsec=camera.scale_arcsec,
        stars=order[found.stars],
        catalogue=found.catalogue,
    )
