"""How many fields are found on the sky, how many wrongly, and what finding or not finding costs.

    python -m tests.solved_fields [--fields 100] [--mm 14 20 24 35 50 85 135] [--stars 300]

Fields anywhere on the sky, of the brightest `--stars` stars within the frame (36 x 24 mm, 24 megapixels; 14 mm bends by
8 % in the corners): 30 % of them missing, 30 % of what is found false, of the same brightness distribution, 0.1 px of
centroid noise. Told the focal length 3 % wrong as Exif's is, nothing (a lens without contacts), or that of another lens
(half or double). A solution more than 3 px off (median over the frame) is wrong. Then what is no sky: noise, lamps in a
row of windows, the blobs of a cloud's edge.
"""

from __future__ import annotations

import argparse
import os
import time

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky import catalogue
from pipeline.sky.camera import Camera
from pipeline.sky.solve import Solution, solve
from tests.planted_sky import HEIGHT, WIDTH, lens, random_field

Floats = NDArray[np.float64]
GRID = np.stack([g.ravel() for g in np.meshgrid(np.linspace(0, WIDTH - 1, 9), np.linspace(0, HEIGHT - 1, 7))], axis=1)
WRONG_PX = 3.0
SAID = {"3 % wrong": 1.03, "missing": None, "times 1.5": 1.5, "over 1.5": 1 / 1.5, "halved": 0.5, "doubled": 2.0}


def error_px(found: Solution, camera: Camera, turn: Rotation) -> float:
    """Median distance over the frame of where a solution puts the sky's places from where they are, px."""
    carried = turn * Rotation.from_quat(found.attitude, scalar_first=True).inv()
    x, y = camera.project(carried.apply(found.camera.unproject(*GRID.T)))
    return float(np.nanmedian(np.hypot(x - GRID[:, 0], y - GRID[:, 1])))


def fields(mm: int, said: str, count: int, stars: int) -> str:
    """One line of the table."""
    camera, factor = lens(mm), SAID[said]
    right, wrong, seconds = 0, 0, []
    for n in range(count):
        *found, turn = random_field(camera, np.random.default_rng([mm, n]), stars)
        begun = time.process_time()
        answer = solve(*found, WIDTH, HEIGHT, None if factor is None else factor * camera.focal_px)
        seconds.append(time.process_time() - begun)
        if answer is not None:
            off = error_px(answer, camera, turn) > WRONG_PX
            right, wrong = right + (not off), wrong + off
    return (
        f"{mm:4d} mm, focal length {said:9}: {right} of {count} solved, {wrong} wrongly; "
        f"{np.median(seconds):.2f} s (median), {np.max(seconds):.2f} s (longest)"
    )


def no_sky(kind: str, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    """x, y, flux of what a detector finds where there are no stars."""
    n = int(rng.integers(30, 600))
    x, y, flux = rng.uniform(0, WIDTH - 1, n), rng.uniform(0, HEIGHT - 1, n), rng.pareto(1.0, n) + 0.1
    if kind == "lamps":
        # rows of windows and street lamps low in the frame
        x, y = np.round(x / 90) * 90 + rng.normal(0, 3, n), HEIGHT - 40 - 35 * rng.geometric(0.15, n)
    elif kind == "cloud":
        # knots of light along ragged edges
        t = rng.uniform(0, 2 * np.pi, n)
        edge = 900 + 260 * np.sin(3 * t + rng.uniform(0, 6)) + 120 * np.sin(11 * t)
        x, y = WIDTH / 2 + 2.2 * edge * np.cos(t), HEIGHT / 2 + 1.4 * edge * np.sin(t)
        x, y = x + rng.normal(0, 60, n), y + rng.normal(0, 60, n)
    return np.clip(x, 0, WIDTH - 1), np.clip(y, 0, HEIGHT - 1), flux


def nothing(kind: str, count: int) -> str:
    """One line: what was found where there is nothing."""
    solved, seconds = 0, []
    for n in range(count):
        rng = np.random.default_rng([len(kind), n])
        focal = None if n % 4 == 0 else float(rng.choice([14, 24, 50, 135])) / 36 * WIDTH
        begun = time.process_time()
        solved += solve(*no_sky(kind, rng), WIDTH, HEIGHT, focal, anywhere=n % 4 == 0) is not None
        seconds.append(time.process_time() - begun)
    return f"{kind}: {solved} of {count} solved; {np.median(seconds):.2f} s (median), {np.max(seconds):.2f} s (longest)"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fields", type=int, default=100)
    parser.add_argument("--mm", type=int, nargs="+", default=[14, 20, 24, 35, 50, 85, 135])
    parser.add_argument("--stars", type=int, default=300)
    parser.add_argument("--said", nargs="+", choices=list(SAID), default=list(SAID))
    arguments = parser.parse_args()
    catalogue.load()
    catalogue.patterns()
    catalogue.patterns(long=True)
    for said in arguments.said:
        for mm in arguments.mm:
            print(fields(mm, said, arguments.fields, arguments.stars), flush=True)
    for kind in ("noise", "lamps", "cloud"):
        print(nothing(kind, arguments.fields), flush=True)


if __name__ == "__main__":
    main()
