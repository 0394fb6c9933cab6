"""Placing and fitting a scene: processor seconds a frame, and the map's error, by number of frames and of stars.

    python tests/benchmarks/registration.py [--frames 30 100 400] [--stars 800] [--mm 24] [--kind tripod]

Processor time (user and system, one thread of linear algebra) is what counts: wall time on a busy machine does not.
"""

from __future__ import annotations

import argparse
import os
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.sky import catalogue, times
from pipeline.sky.adjust import Known, adjust
from pipeline.sky.geometry import Geometry, Placement
from pipeline.sky.place import place
from tests.planted_sky import HEIGHT, WIDTH, sequence


def measure(mm: int, kind: str, frames: int, stars: int, site: bool) -> str:
    """One line of figures."""
    run = sequence(mm, kind, frames=frames, count=stars)
    middle = frames // 2
    jd = run.jd[middle]
    angles = (np.radians(run.latitude), float(times.sidereal_angle(jd, run.longitude))) if site else (None, None)
    known = Known(times.celestial_frame(jd), times.earth_velocity(jd), *angles)
    begun = time.process_time()
    placed = place(run.frames, WIDTH, HEIGHT, run.camera.focal_px, order=[middle], pole=known.axes[2])
    between = time.process_time()
    attitudes = [placed.attitudes[n] for n in range(frames)]
    result = adjust(run.frames, placed.camera, attitudes, middle, known=known, solved=True)
    ended = time.process_time()
    placements = {
        f.frame: Placement(
            Rotation.from_matrix(result.bundle.attitudes[n]).as_quat(scalar_first=True),
            zenith=None if result.zeniths is None else result.zeniths[n],
        )
        for n, f in enumerate(run.frames)
    }
    strength = 0.0 if result.bundle.air is None else result.bundle.air.strength
    name = run.frames[middle].frame
    geometry = Geometry(name, True, result.bundle.camera, placements, strength=strength)
    x, y = np.meshgrid(np.linspace(0, WIDTH - 1, 21), np.linspace(0, HEIGHT - 1, 15))
    squares = []
    for n in range(0, frames, max(1, frames // 30)):
        tx, ty = run.true_map(n, middle, x, y)
        gx, gy = geometry.from_reference(run.frames[n].frame, x, y)
        inside = (tx >= 0) & (tx < WIDTH) & (ty >= 0) & (ty < HEIGHT) & (run.altitude(middle, x, y) > 3)
        squares.append(((gx - tx) ** 2 + (gy - ty) ** 2)[inside])
    error = float(np.sqrt(np.concatenate(squares).mean()))
    return (
        f"{mm:4d} mm {kind:8s} {frames:>5} frames: placing {(between - begun) / frames:.4f} s, "
        f"fit {(ended - between) / frames:.4f} s, together {(ended - begun) / frames:.4f} s a frame; "
        f"map {error:.4f} px rms"
    )


def main() -> None:
    """Print a line for each number of frames."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, nargs="+", default=[30, 100, 400])
    parser.add_argument("--stars", type=int, default=800)
    parser.add_argument("--mm", type=int, default=24)
    parser.add_argument("--kind", choices=("tripod", "tracked"), default="tripod")
    parser.add_argument("--site", action="store_true", help="with the place known")
    arguments = parser.parse_args()
    catalogue.load()
    catalogue.patterns()
    for frames in arguments.frames:
        print(measure(arguments.mm, arguments.kind, frames, arguments.stars, arguments.site), flush=True)


if __name__ == "__main__":
    main()
