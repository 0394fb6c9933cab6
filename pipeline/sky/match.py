"""Star patterns of one frame found again in another, without a catalogue: any shift, any rotation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.special import pdtrc

from pipeline.sky.camera import Camera

Floats = NDArray[np.float64]

# Triangles are made of the brightest stars with their nearest bright neighbours: with a third of the stars missing and
# a third false in either list, about one neighbourhood in four still holds a common triangle.
PATTERN_STARS = 60
# How many of the brightest of each list take part.
STARS_USED = 400
# How much the scales of two frames may differ.
SCALE_TOLERANCE = 0.01
NEIGHBOURS = 7
# Sides (natural logarithm) that agree within this; 1 % leaves room for distortion and refraction across a triangle.
SIDE_TOLERANCE = 0.012
# A triangle's shortest side is at least this many tolerances, else centroid noise alone spoils it.
SHORTEST = 8.0
# How many of the best-agreeing triangle pairs are tried; a true one is nearly always among the first twenty.
TRIES = 400
# An answer by chance: fewer than one in a thousand million.
CHANCE = 1e-9
FEWEST = 6


@dataclass(frozen=True)
class FieldMatch:
    """One frame laid on another.

    Parameters
    ----------
    pairs : (n, 2) int, rows of the first and of the second list that are the same star
    scale, angle_deg, shift_x, shift_y : the similarity b = scale R(angle) a + shift in pixels, least squares over the
        pairs (R turns x towards y)
    rms_px : root mean square distance of the pairs after the best transformation
    quaternion : [w, x, y, z] rotating the first frame's directions into the second's, where a camera was given
    """

    pairs: NDArray[np.intp]
    scale: float
    angle_deg: float
    shift_x: float
    shift_y: float
    rms_px: float
    quaternion: Floats | None = None

    def apply(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Positions of the first frame in the second, by the similarity."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        c, s = self.scale * np.cos(np.radians(self.angle_deg)), self.scale * np.sin(np.radians(self.angle_deg))
        return c * x - s * y + self.shift_x, s * x + c * y + self.shift_y


def match_fields(
    xy_a: ArrayLike,
    xy_b: ArrayLike,
    *,
    tolerance_px: float = 2.5,
    camera: Camera | None = None,
) -> FieldMatch | None:
    """Find the stars that two lists have in common.

    The brightest `STARS_USED` of each take part. Without a camera the frames are taken as flat: right for narrow fields
    (below about 20 degrees) and for small motions in any; with one, directions are matched by a rotation, at any field,
    and no difference of scales is sought.

    Parameters
    ----------
    xy_a, xy_b : (n, 2) and (m, 2) arrays, pixels, brightest first
    tolerance_px : stars this near after the transformation are the same
    camera : the lens both frames were taken with

    Returns
    -------
    FieldMatch or None
        None where no transformation brings more stars together than chance does.

    References
    ----------
    Groth, E. J. 1986, "A pattern-matching algorithm for two-dimensional coordinate lists", AJ 91, 1244.
    """
    a, b = _clean(xy_a)[:STARS_USED], _clean(xy_b)[:STARS_USED]
    if len(a) < FEWEST or len(b) < FEWEST:
        return None
    if camera is None:
        p, q, tolerance = a, b, float(tolerance_px)
        extent = np.ptp(np.concatenate([a, b]), axis=0)
        area = float(max(extent[0], 1.0) * max(extent[1], 1.0))
    else:
        p, q = camera.unproject(*a.T), camera.unproject(*b.T)
        keep_a, keep_b = np.isfinite(p[:, 0]), np.isfinite(q[:, 0])
        if keep_a.sum() < FEWEST or keep_b.sum() < FEWEST:
            return None
        p, q = np.where(keep_a[:, None], p, 9.0), np.where(keep_b[:, None], q, -9.0)
        tolerance = float(tolerance_px) / camera.focal_px
        area = camera.width * camera.height / camera.focal_px**2
    found = _best(p, q, tolerance, SCALE_TOLERANCE if camera is None else 0.0, area)
    if found is None:
        return None
    pairs, matrix, offset = found
    scale, angle, shift = _similarity(a[pairs[:, 0]], b[pairs[:, 1]])
    moved = p[pairs[:, 0]] @ matrix.T + offset
    rms = float(np.sqrt(np.mean(np.sum((moved - q[pairs[:, 1]]) ** 2, axis=1))))
    quaternion = None
    if camera is not None:
        from scipy.spatial.transform import Rotation

        quaternion = Rotation.from_matrix(matrix).as_quat(canonical=True, scalar_first=True)
        rms *= camera.focal_px
    return FieldMatch(pairs, scale, angle, float(shift[0]), float(shift[1]), rms, quaternion)


def _clean(xy: ArrayLike) -> Floats:
    xy = np.asarray(xy, np.float64)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"positions must be an (n, 2) array (got shape {xy.shape})")
    # a star that is nowhere must stay in its row, for the pairs to name it; far away it meets nothing
    return np.where(np.isfinite(xy).all(axis=1)[:, None], xy, np.arange(len(xy))[:, None] * 1e5 + 1e9)


def _triangles(points: Floats, shortest: float) -> tuple[NDArray[np.intp], Floats, NDArray[np.bool_]]:
    """Triangles of neighbours: corners (t, 3) ordered by the side opposite (short to long), log sides (t, 3), sense."""
    n = min(len(points), PATTERN_STARS)
    points = points[:n]
    k = min(NEIGHBOURS + 1, n)
    near = cKDTree(points).query(points, k)[1]
    i, j = np.triu_indices(k - 1, 1)
    corners = np.stack([np.repeat(near[:, :1], len(i), axis=1), near[:, 1:][:, i], near[:, 1:][:, j]], axis=-1).reshape(
        -1, 3
    )
    corners = np.unique(np.sort(corners, axis=1), axis=0)
    t = points[corners]
    sides = np.stack([np.linalg.norm(t[:, (m + 1) % 3] - t[:, (m + 2) % 3], axis=-1) for m in range(3)], axis=-1)
    order = np.argsort(sides, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    sides = np.take_along_axis(sides, order, axis=1)
    # two sides nearly equal: the order of the corners is chance
    good = (sides[:, 0] > shortest) & (sides[:, 1] > sides[:, 0] * 1.02) & (sides[:, 2] > sides[:, 1] * 1.02)
    corners, sides = corners[good], sides[good]
    t = points[corners]
    if points.shape[1] == 2:
        one, two = t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]
        sense = one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0] > 0
    else:
        sense = np.linalg.det(t) > 0
    return corners, np.log(sides), sense


def _transformation(p: Floats, q: Floats, with_scale: bool) -> tuple[Floats, Floats]:
    """Matrix and offset from p to q, least squares: a similarity in the plane, a rotation in space (Kabsch 1976)."""
    flat = p.shape[1] == 2
    p0, q0 = (p.mean(axis=0), q.mean(axis=0)) if flat else (np.zeros(3), np.zeros(3))
    u, s, vt = np.linalg.svd((q - q0).T @ (p - p0))
    signs = np.ones(len(s))
    signs[-1] = np.sign(np.linalg.det(u) * np.linalg.det(vt)) or 1.0
    matrix = (u * signs) @ vt
    if flat and with_scale:
        matrix = matrix * float((s * signs).sum() / max(((p - p0) ** 2).sum(), 1e-300))
    return matrix, q0 - matrix @ p0


def pairs_within(moved: Floats, tree: cKDTree, tolerance: float) -> NDArray[np.intp]:
    """(k, 2): rows of `moved` and of the tree's points that are each other's nearest within a distance."""
    distance, nearest = tree.query(moved, distance_upper_bound=tolerance)
    hit = np.flatnonzero(np.isfinite(distance))
    order = hit[np.argsort(distance[hit], kind="stable")]
    _, first = np.unique(nearest[order], return_index=True)
    chosen = np.sort(order[first])
    return np.stack([chosen, nearest[chosen]], axis=1)


def _best(
    p: Floats, q: Floats, tolerance: float, scale_tolerance: float, area: float
) -> tuple[NDArray[np.intp], Floats, Floats] | None:
    corners_p, sides_p, sense_p = _triangles(p, SHORTEST * tolerance)
    corners_q, sides_q, sense_q = _triangles(q, SHORTEST * tolerance)
    if not len(corners_p) or not len(corners_q):
        return None
    radius = SIDE_TOLERANCE + 1.8 * scale_tolerance
    candidates = cKDTree(sides_p).query_ball_tree(cKDTree(sides_q), radius)
    left = np.repeat(np.arange(len(candidates)), [len(c) for c in candidates])
    right = np.array([k for c in candidates for k in c], dtype=np.intp)
    same = sense_p[left] == sense_q[right] if len(left) else np.zeros(0, bool)
    left, right = left[same], right[same]
    if not len(left):
        return None
    difference = sides_q[right] - sides_p[left]
    scale = difference.mean(axis=1)
    keep = np.abs(scale) <= scale_tolerance + SIDE_TOLERANCE
    left, right, difference = left[keep], right[keep], difference[keep]
    order = np.argsort(difference.std(axis=1), kind="stable")[:TRIES]

    tree = cKDTree(q)
    density = len(q) / area
    chance = len(p) * density * np.pi * tolerance**2
    best: NDArray[np.intp] | None = None
    enough = 0.5 * min(len(p), len(q))
    # only the brighter stars are counted while searching; all of them settle the winner
    sample = p[: 3 * PATTERN_STARS]
    tried: set[tuple[int, ...]] = set()
    for n in order:
        a, b = corners_p[left[n]], corners_q[right[n]]
        matrix, offset = _transformation(p[a], q[b], scale_tolerance > 0)
        if p.shape[1] == 2 and abs(np.log(np.sqrt(abs(np.linalg.det(matrix))))) > scale_tolerance + SIDE_TOLERANCE:
            continue
        # transformations already tried (to twice the tolerance) need no second trial
        where = (sample[: min(3, len(sample))] @ matrix.T + offset).ravel()
        key = tuple(np.round(where / (4 * tolerance)).astype(np.int64))
        if key in tried:
            continue
        tried.add(key)
        # a triangle's own errors are stretched across the frame: look wider first, then close in
        pairs = pairs_within(sample @ matrix.T + offset, tree, 3 * tolerance)
        for width in (3.0, 2.0, 1.0):
            if len(pairs) < 4:
                break
            matrix, offset = _transformation(p[pairs[:, 0]], q[pairs[:, 1]], scale_tolerance > 0)
            pairs = pairs_within(p @ matrix.T + offset, tree, width * tolerance)
        if best is None or len(pairs) > len(best):
            best = pairs
            if len(best) >= max(enough, 3 * FEWEST):
                break
    if best is None or len(best) < FEWEST:
        return None
    # three stars made the transformation and are no evidence; every trial was a chance to be wrong
    if pdtrc(len(best) - 4, chance) * max(len(tried), 1) > CHANCE:
        return None
    matrix, offset = _transformation(p[best[:, 0]], q[best[:, 1]], scale_tolerance > 0)
    best = pairs_within(p @ matrix.T + offset, tree, tolerance)
    if len(best) < FEWEST:
        return None
    matrix, offset = _transformation(p[best[:, 0]], q[best[:, 1]], scale_tolerance > 0)
    if p.shape[1] == 2 and abs(np.log(np.sqrt(abs(np.linalg.det(matrix))))) > max(scale_tolerance, 1e-9):
        return None
    return best, matrix, offset


def _similarity(p: Floats, q: Floats) -> tuple[float, float, Floats]:
    matrix, offset = _transformation(p, q, True)
    scale = float(np.sqrt(abs(np.linalg.det(matrix))))
    return scale, float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0]))), offset
