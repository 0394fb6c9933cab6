"""Planted sequences placed and fitted, and how far their maps lie from the true ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky import times
from pipeline.sky.adjust import Adjusted, adjust
from pipeline.sky.geometry import Geometry, Placement
from pipeline.sky.place import Placed, place
from pipeline.sky.told import Known
from tests.planted_sky import HEIGHT, WIDTH, Sequence
from tests.warps import warped

Floats = NDArray[np.float64]
Carry = Callable[[int], tuple[Floats, Floats]]

GRID: list[Floats] = list(np.meshgrid(np.linspace(0, WIDTH - 1, 21), np.linspace(0, HEIGHT - 1, 15)))
LOWEST_DEG = 3.0  # below, there is ground


def known_of(run: Sequence, reference: int, site: bool) -> Known:
    """What date, and place where it is told, say beforehand."""
    jd = run.jd[reference]
    angles = (np.radians(run.latitude), float(times.sidereal_angle(jd, run.longitude))) if site else (None, None)
    return Known(times.celestial_frame(jd), times.earth_velocity(jd), *angles)


def placed_run(run: Sequence, reference: int, said: float = 1.03) -> Placed:
    """First attitudes, the focal length told wrong by a factor."""
    pole = times.celestial_frame(run.jd[reference])[2]
    return place(run.frames, WIDTH, HEIGHT, run.camera.focal_px * said, order=[reference], pole=pole)


def fitted_run(
    run: Sequence, reference: int, placed: Placed, site: bool = False, *, known: Known | None = None, **start: Any
) -> tuple[Geometry, Adjusted]:
    """The geometry and the fit's outcome; `start` goes to `adjust`."""
    known = known_of(run, reference, site) if known is None else known
    attitudes = [placed.attitudes[n] for n in range(len(run.frames))]
    result = adjust(run.frames, placed.camera, attitudes, reference, known=known, solved=True, **start)
    frames = {
        f.frame: Placement(
            Rotation.from_matrix(result.bundle.attitudes[n]).as_quat(scalar_first=True),
            zenith=None if result.zeniths is None else result.zeniths[n],
            scale=float(result.scales[n]),
        )
        for n, f in enumerate(run.frames)
    }
    strength = 0.0 if result.bundle.air is None else result.bundle.air.strength
    name = run.frames[reference].frame
    return Geometry(name, True, result.bundle.camera, frames, strength=strength, velocity=known.velocity), result


def map_errors(run: Sequence, reference: int, carry: Carry, frames: list[int] | None = None) -> Floats:
    """Distances (frames, rows, columns) of a map's places from the true ones; NaN outside the frame and in ground."""
    result = []
    for n in range(len(run.frames)) if frames is None else frames:
        tx, ty = run.true_map(n, reference, *GRID)
        inside = (tx >= 0) & (tx <= WIDTH - 1) & (ty >= 0) & (ty <= HEIGHT - 1)
        inside &= run.altitude(reference, *GRID) > LOWEST_DEG
        x, y = carry(n)
        result.append(np.where(inside, np.hypot(x - tx, y - ty), np.nan))
    return np.array(result)


def ours(run: Sequence, geometry: Geometry) -> Carry:
    """The map of a geometry, over `GRID`."""
    return lambda n: geometry.from_reference(run.frames[n].frame, *GRID)


def one_warp(run: Sequence, reference: int, rows: list[NDArray[np.intp]], kind: str) -> Carry:
    """One warp a frame (`tests.warps`), fitted to the star matches of a fit."""

    def carry(n: int) -> tuple[Floats, Floats]:
        theirs = np.where(rows[n] >= 0, rows[n], -2)
        _, i, j = np.intersect1d(rows[reference], theirs, return_indices=True)
        points = np.stack([g.ravel() for g in GRID], axis=1)
        moved = warped(kind, run.frames[reference].xy[i], run.frames[n].xy[j], points, WIDTH / 2)
        return moved[:, 0].reshape(GRID[0].shape), moved[:, 1].reshape(GRID[0].shape)

    return carry


def rms(errors: Floats) -> float:
    """Root mean square over what is not NaN."""
    return float(np.sqrt(np.nanmean(errors**2)))


def corners(errors: Floats) -> Floats:
    """The four corners of the frame."""
    return errors[:, [0, 0, -1, -1], [0, -1, 0, -1]]
