"""Placing and fitting a scene: processor seconds a frame, and the map's error, by number of frames and of stars.

    python tests/benchmarks/registration.py [--frames 30 100 400] [--stars 800] [--mm 24] [--kind tripod]

Processor time (user and system, one thread of linear algebra) is what counts: wall time on a busy machine does not.
"""

from __future__ import annotations

import argparse
import os
import resource
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from pipeline.sky import catalogue
from tests.placed_runs import fitted_run, map_errors, ours, placed_run, rms
from tests.planted_sky import sequence


def measure(mm: int, kind: str, frames: int, stars: int, site: bool) -> str:
    """One line of figures."""
    run = sequence(mm, kind, frames=frames, count=stars)
    middle = frames // 2
    held = memory_mb()
    begun = time.process_time()
    placed = placed_run(run, middle, said=1.0)
    between = time.process_time()
    geometry, _ = fitted_run(run, middle, placed, site)
    ended = time.process_time()
    error = rms(map_errors(run, middle, ours(run, geometry), list(range(0, frames, max(1, frames // 30)))))
    return (
        f"{mm:4d} mm {kind:8s} {frames:>5} frames: placing {(between - begun) / frames:.4f} s, "
        f"fit {(ended - between) / frames:.4f} s, together {(ended - begun) / frames:.4f} s a frame; "
        f"{memory_mb() - held:.0f} MB more at most; map {error:.4f} px rms"
    )


def memory_mb() -> float:
    """The most memory this process has held so far, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


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
