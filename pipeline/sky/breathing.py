"""Focal lengths that change from frame to frame: a lens that cools or is focused anew draws at another scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.sky import refraction
from pipeline.sky.fit import HUBER, Bundle
from pipeline.sky.table import FrameStars

Floats = NDArray[np.float64]

# A focus that moves by a hundredth of a millimetre changes a 24 mm picture by 4 parts in 10,000: 1.5 px in the corner
# of 24 megapixels. Below a tenth of a pixel there, or five of its own standard deviations, one camera is kept.
MATTERS_PX, SURE_SIGMAS = 0.1, 5.0
# Stars that a frame's own scale needs.
STARS_MIN = 20
# Refraction changes a frame's scale slowly, a new focus at once: by more than this between one frame and the next.
JUMP = 4e-4


def jumps(scales: Sequence[float | None]) -> Floats:
    """(frames,) scales of the runs between one new focus and the next, of frames in order of time, the first run's 1.

    Parameters
    ----------
    scales : of each frame alone, against the catalogue; None where not known
    """
    result = np.ones(len(scales))
    before: float | None = None
    for n, scale in enumerate(scales):
        result[n] = result[n - 1] if n else 1.0
        if scale is None:
            continue
        if before is not None and abs(scale / before - 1.0) > JUMP:
            result[n] *= scale / before
        before = scale
    return result


def scale_changes(
    frames: Sequence[FrameStars], bundle: Bundle, zeniths: Floats | None, rows: Sequence[NDArray[np.intp]]
) -> tuple[Floats, Floats]:
    """By how much each frame's picture is larger than the shared camera has it.

    Shift, turn and scale of what the fit leaves over, robust least squares a frame.

    Parameters
    ----------
    frames : the stars of each frame
    bundle, zeniths, rows : as in `Adjusted`

    Returns
    -------
    changes, sigmas : (frames,) relative, against the frames' median; 0 and NaN where a frame does not tell
    """
    camera = bundle.camera
    strength = 0.0 if bundle.air is None else bundle.air.strength
    changes, sigmas = np.zeros(len(frames)), np.full(len(frames), np.nan)
    for n, (stars, mine) in enumerate(zip(frames, rows, strict=True)):
        seen = np.flatnonzero(mine >= 0)
        if len(seen) < STARS_MIN:
            continue
        vectors = bundle.stars[mine[seen]]
        if zeniths is not None:
            vectors = refraction.refract(vectors, zeniths[n], strength)
        x, y = camera.project(vectors @ bundle.attitudes[n].T)
        rest = stars.xy[seen] - np.stack([x, y], axis=1)
        good = np.isfinite(rest).all(axis=1)
        qx, qy, rest, sigma = (a[good] for a in (x - camera.centre_x, y - camera.centre_y, rest, stars.sigma[seen]))
        if len(qx) < STARS_MIN:
            continue
        one, nought = np.ones_like(qx), np.zeros_like(qx)
        slopes = np.stack([np.stack([one, nought, -qy, qx], axis=1), np.stack([nought, one, qx, qy], axis=1)], axis=1)
        spread = sigma * max(1.0, float(np.median(np.hypot(*rest.T) / sigma)) / 1.1774)
        step = np.zeros(4)
        for _ in range(4):
            left = rest - slopes @ step
            pull = np.minimum(1.0, HUBER / np.maximum(np.hypot(*left.T) / spread, 1e-9)) / spread**2
            root = np.sqrt(pull)[:, None]
            weighted = (slopes * root[:, :, None]).reshape(-1, 4)
            normal = weighted.T @ weighted
            step = step + np.linalg.solve(normal, weighted.T @ (left * root).ravel())
        changes[n], sigmas[n] = step[3], np.sqrt(np.linalg.inv(normal)[3, 3])
    told = np.isfinite(sigmas)
    if told.any():
        changes[told] -= np.median(changes[told])
    return changes, sigmas


def matters(changes: Floats, sigmas: Floats, half_diagonal_px: float) -> bool:
    """Whether some frame's scale differs by what is seen, and surely."""
    told = np.isfinite(sigmas)
    shift = np.abs(changes[told])
    return bool(np.any((shift * half_diagonal_px > MATTERS_PX) & (shift > SURE_SIGMAS * sigmas[told])))


def rescaled(frames: Sequence[FrameStars], scales: Floats, centre: tuple[float, float]) -> list[FrameStars]:
    """The stars where they would lie had every frame the same focal length."""
    middle = np.array(centre)
    return [replace(f, xy=middle + (f.xy - middle) / s) for f, s in zip(frames, scales, strict=True)]
