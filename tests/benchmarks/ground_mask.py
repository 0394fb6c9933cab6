"""How well ground is told from sky on planted nightscapes, and what it costs: a line a scene.

python -m tests.benchmarks.ground_mask --out FOLDER [NAME ...] [--width 1200]
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import numpy as np
from scipy import ndimage

from pipeline.sky import times
from pipeline.skyline.find import find_ground
from pipeline.skyline.hold import hold_of
from pipeline.skyline.told import Told
from pipeline.stack.sources import Calibration, Frame, Mosaics
from tests.planted_ground import Nightscape, nightscape, pipeline_geometry, write_nightscape
from tests.planted_scenes import frame_ids

HOUR = {"n": 20, "interval_s": 180.0}
# Ridge, trees with thin branches, a house with a lit window, water; the land's light is that of a seventh of the sky.
SCENES: dict[str, dict[str, Any]] = {
    "14 mm, an hour": {"lens_mm": 14.0, **HOUR},
    "24 mm, an hour": {"lens_mm": 24.0, **HOUR},
    "20 mm, 12 minutes": {"lens_mm": 20.0, "n": 12, "interval_s": 60.0},
    "bright land": {"lens_mm": 20.0, "n": 12, "interval_s": 60.0, "light": 0.6, "detail": 0.5},
    "black land, west": {"lens_mm": 20.0, "n": 12, "interval_s": 60.0, "light": 0.02, "azimuth_deg": 270.0},
    "five frames": {"lens_mm": 24.0, "n": 5, "interval_s": 20.0},
    "four frames in 38 s": {"lens_mm": 24.0, "n": 4, "interval_s": 12.7},
    "three frames": {"lens_mm": 20.0, "n": 3, "interval_s": 60.0},
    "moonlit land": {"lens_mm": 20.0, "n": 16, "interval_s": 120.0, "light": 1.6, "detail": 0.5},
    "moonlit snow": {"lens_mm": 20.0, "n": 16, "interval_s": 120.0, "light": 3.0, "detail": 0.5},
    "sky with a dome of light": {"lens_mm": 20.0, "n": 12, "interval_s": 60.0, "parts": ()},
}


def score(told: Told, night: Nightscape, index: int) -> str:
    """Share of pixels right beyond 4 px of the skyline, and of bright open stars that are not called ground."""
    opaque, _ = night.truth(index)
    truth = opaque > 0.5
    mask = told.mask((opaque.shape[0], opaque.shape[1]))
    if mask is None:
        return f"no mask; {truth.mean():.0%} is ground"
    found = mask > 0.5
    edge = ndimage.binary_dilation(truth) ^ ndimage.binary_erosion(truth, border_value=1)
    far = ndimage.distance_transform_edt(~edge) > 4
    stars = night.scenario.light(index)[1]
    x, y = np.rint(stars.x[:400, 1]).astype(int), np.rint(stars.y[:400, 1]).astype(int)
    inside = (x >= 0) & (y >= 0) & (x < truth.shape[1]) & (y < truth.shape[0])
    x, y = x[inside], y[inside]
    open_ = opaque[y, x] < 0.5
    return f"{(found == truth)[far].mean():.2%} of pixels, {1 - found[y, x][open_].mean():.2%} of {open_.sum()} stars"


def main() -> None:
    """Make each scene under the folder and tell its ground."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help="of the scenes; default all")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--width", type=int, default=1200, help="of the frames, px; the height is two thirds")
    arguments = parser.parse_args()
    for name in arguments.names or SCENES:
        settings = {"width": arguments.width, "height": arguments.width * 2 // 3, **SCENES[name]}
        count, folder = settings["n"], arguments.out / name.replace(" ", "-").replace(",", "")
        folder.mkdir(parents=True, exist_ok=True)
        night = nightscape(**settings)
        stars = write_nightscape(folder, night, count)
        ids, geometry = frame_ids(count), pipeline_geometry(night.scenario, count, count // 2)
        mosaics = Mosaics([folder / f"{i}.fits" for i in ids])
        frames = [Frame(i, mosaics[k].header, mosaics[k].shape, 1.0, 1.0, 0.0, ()) for k, i in enumerate(ids)]
        seconds = {i: night.scenario.middle(k) for k, i in enumerate(ids)}
        hold = hold_of(geometry, seconds, times.celestial_frame(sum(night.scenario.turning.jd))[2])
        start = time.process_time()
        told = find_ground(geometry, hold, stars, frames, mosaics, Calibration(), 2).told
        spent = time.process_time() - start
        print(f"{name}: {score(told, night, count // 2)}; confidence {told.confidence}; {spent:.1f} s", flush=True)


if __name__ == "__main__":
    main()
