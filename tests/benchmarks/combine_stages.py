"""What each stage of `combine` costs on frames of camera size, as multiples of a copy of one frame as float32 RGB.

    python -m tests.benchmarks.combine_stages --out /somewhere/with/space [--frames 16] [--width 6000 --height 4000]

Stages are timed in processor seconds of one thread on sample tiles, the whole in wall seconds with `--threads`. The
frames are noise, stars and a gradient made here, turned and shifted a little from one to the next, red and blue drawn
larger and smaller than green; with a master dark and a defect map.
"""

from __future__ import annotations

import argparse
import gc
import re
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import combine as step
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.stack import sources, surveys, tiles, whole
from pipeline.stack.sources import Calibration, Frame, Mosaics, Scratch, frame_grids, green_grids
from tests.benchmarks.copies import copy_seconds


class Turning:
    """A sky that drifts and turns from frame to frame about the middle of the reference."""

    solved = False

    def __init__(self, frames: int, shape: tuple[int, int], turn: float, drift: float, corner_px: float) -> None:
        self.ids = [f"20260814T22{n // 60:02d}{n % 60:02d}-{n:08x}" for n in range(frames)]
        self.reference, self.shape, self.turn, self.drift = self.ids[frames // 2], shape, turn, drift
        size = corner_px / (np.hypot(*shape) / 2)
        self.sizes = {"R": 1 + size, "G": 1.0, "B": 1 - size}

    def from_reference(self, frame: str, x: Any, y: Any) -> tuple[Any, Any]:
        """Where in a frame the reference's pixel lies, in green."""
        n = self.ids.index(frame) - len(self.ids) // 2
        c, s = np.cos(self.turn * n), np.sin(self.turn * n)
        cx, cy = self.shape[1] / 2, self.shape[0] / 2
        u, v = np.asarray(x) - cx, np.asarray(y) - cy
        return cx + c * u - s * v + self.drift * n, cy + s * u + c * v - self.drift / 2 * n

    def from_green(self, _frame: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """Where another colour shows what green shows."""
        cx, cy = self.shape[1] / 2, self.shape[0] / 2
        return cx + self.sizes[colour] * (np.asarray(x) - cx), cy + self.sizes[colour] * (np.asarray(y) - cy)

    def to_green(self, _frame: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """Where green shows what another colour shows."""
        cx, cy = self.shape[1] / 2, self.shape[0] / 2
        return cx + (np.asarray(x) - cx) / self.sizes[colour], cy + (np.asarray(y) - cy) / self.sizes[colour]


def make(folder: Path, geometry: Turning, seed: int = 1) -> None:
    """Write the mosaics; those that are there from an earlier run of the same size stay."""
    rng = np.random.default_rng(seed)
    height, width = geometry.shape
    template = np.round(rng.normal(900, 18, (height + 64, width + 64))).astype(np.int32)
    ramp = (np.arange(height) // 40).astype(np.int32)[:, None]
    x, y = rng.uniform(20, width - 20, 4000), rng.uniform(20, height - 20, 4000)
    flux = 10 ** rng.uniform(2.5, 4.5, 4000)
    kernel = np.exp(-(np.add.outer(np.arange(-5, 6.0) ** 2, np.arange(-5, 6.0) ** 2)) / 2 / 1.2**2)
    kernel /= kernel.sum()
    for n, frame in enumerate(geometry.ids):
        path = folder / f"{frame}.fits"
        if path.is_file():
            continue
        i, j = (17 * n) % 64, (29 * n) % 64
        pixels = template[i : i + height, j : j + width] + ramp
        for cx, cy, total in zip(*geometry.from_reference(frame, x, y), flux, strict=True):
            top, left = round(cy) - 5, round(cx) - 5
            if 0 <= top < height - 11 and 0 <= left < width - 11:
                pixels[top : top + 11, left : left + 11] += (total * kernel).astype(np.int32)
        header = MosaicHeader(frame, "RGGB", (512.0,) * 4, 15800.0, exposure_s=20.0)
        write_mosaic(path, np.clip(pixels, 0, 16383).astype(np.uint16), header)


class Clock:
    """Processor seconds by stage, taken by wrapping functions where they are used."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = defaultdict(float)

    def wrap(self, module: Any, name: str) -> None:
        plain: Callable[..., Any] = getattr(module, name)

        def timed(*args: Any, **kwargs: Any) -> Any:
            begun = time.thread_time()
            try:
                return plain(*args, **kwargs)
            finally:
                self.seconds[name] += time.thread_time() - begun

        setattr(module, name, timed)


class Memory:
    """Peak of this process's anonymous memory in MB, ten times a second."""

    def __enter__(self) -> Memory:
        self.peak, self._over = 0.0, threading.Event()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()
        return self

    def _watch(self) -> None:
        while not self._over.wait(0.1):
            found = re.search(r"Anonymous:\s+(\d+)", Path("/proc/self/smaps_rollup").read_text())
            self.peak = max(self.peak, int(found.group(1)) / 1024 if found else 0.0)

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()


def main() -> None:
    """Make the frames, time, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--frames", type=int, default=16)
    parser.add_argument("--width", type=int, default=6000)
    parser.add_argument("--height", type=int, default=4000)
    parser.add_argument("--turn", type=float, default=0.002, help="radians a frame")
    parser.add_argument("--drift", type=float, default=3.7, help="px a frame")
    parser.add_argument("--lateral", type=float, default=0.7, help="red and blue against green in the corners, px")
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--memory-mb", type=int, default=1200)
    arguments = parser.parse_args()
    shape = (arguments.height, arguments.width)
    geometry = Turning(arguments.frames, shape, arguments.turn, arguments.drift, arguments.lateral)
    folder = arguments.out / f"mosaics-{arguments.width}x{arguments.height}-{arguments.frames}"
    folder.mkdir(parents=True, exist_ok=True)
    make(folder, geometry)
    rng = np.random.default_rng(2)
    dark = rng.gamma(2.0, 2.0, shape).astype(np.float32)
    defects = (rng.random(shape, np.float32) < 2e-4).astype(np.uint8)
    mosaics = Mosaics([folder / f"{name}.fits" for name in geometry.ids])
    frames = []
    for k, name in enumerate(geometry.ids):
        grids = frame_grids(geometry, name, shape, 3)
        green = green_grids(geometry, name, shape) if len(grids) > 1 else None
        frames.append(Frame(name, mosaics[k].header, shape, 1.0, 1.0, 0.0, grids, green=green))
    calibration = Calibration(dark, 0.5, defects, None)
    inputs = step.Inputs("benchmark", frames, mosaics, calibration, len(frames) // 2)
    copy, anew = copy_seconds(*shape)
    megapixels = shape[0] * shape[1] / 1e6
    print(f"copy of one frame as float32 RGB: {copy:.3f} s, {anew:.3f} into new memory ({megapixels:.1f} MP)")

    seen: dict[str, Any] = {}

    def keep_scene(scene: Any, window: Any, scratch: Any) -> Any:
        seen.setdefault("scene", scene)
        return tiles.make_tile(scene, window, scratch)

    whole.make_tile = keep_scene
    step.combine(inputs, arguments.out / "warm.fits", geometry, threads=1, memory_mb=arguments.memory_mb)
    gc.collect()
    begun, used = time.perf_counter(), time.process_time()
    with Memory() as memory:
        step.combine(
            inputs, arguments.out / "combined.fits", geometry, threads=arguments.threads, memory_mb=arguments.memory_mb
        )
    wall, used = time.perf_counter() - begun, time.process_time() - used
    n = len(frames)
    print(f"whole: {wall / n:.3f} s a frame wall, {used / n:.3f} s processor: {wall / n / copy:.1f} copies a frame")
    print(f"peak memory of its own, mapped mosaics apart: {memory.peak:.0f} MB of {arguments.memory_mb} MB allowed")

    clock = Clock()
    for module, name in (
        (sources, "calibrated"), (sources, "demosaic_padded"), (sources, "green_padded"), (sources, "carry_green"),
        (sources, "resample_plane"), (tiles, "load_stack"),
        (tiles, "star_signal"), (tiles, "reject"), (tiles, "grow"), (tiles, "average"),
    ):  # fmt: skip
        clock.wrap(module, name)
    windows = whole.cut_picture(seen["scene"], arguments.memory_mb, arguments.threads).tiles
    sample = windows[len(windows) // 3 :: max(1, len(windows) // 6)][:6]
    scratch, pixels = Scratch(), 0
    for window in sample:
        tiles.make_tile(seen["scene"], window, scratch)
        pixels += window.height * window.width
    begun = time.thread_time()
    for k in range(min(n, 4)):
        surveys.survey_of(inputs, k)
    clock.seconds["survey"] = (time.thread_time() - begun) / min(n, 4) * n * pixels / (megapixels * 1e6)
    clock.seconds["other loading"] = clock.seconds.pop("load_stack") - sum(
        clock.seconds[k]
        for k in ("calibrated", "demosaic_padded", "green_padded", "carry_green", "resample_plane", "star_signal")
    )
    print(f"tiles of {sample[0].height} x {sample[0].width} px; processor seconds of one thread a frame, and in copies")
    for name, seconds in clock.seconds.items():
        each = seconds / pixels * megapixels * 1e6 / n
        print(f"  {name.strip('_'):16s} {each:7.3f} s {each / copy:6.1f}")
    for name in ("warm.fits", "combined.fits"):
        (arguments.out / name).unlink()


if __name__ == "__main__":
    main()
