"""Sky over ground against what was planted: a ridge, trees, a house and water before a turning sky, over an hour; the
sky against that of the same frames without land.

python -m tests.benchmarks.nightscape --out /somewhere [--lens 14 24] [--frames 16] [--width 1200] [--true-mask]
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage

from pipeline import combine, groundpicture, join
from pipeline.config import Trip
from pipeline.console import Progress
from pipeline.pixels.noise import block_noise
from pipeline.sensor.demosaic import demosaic
from pipeline.sky.times import celestial_frame
from pipeline.skyline.find import find_ground
from pipeline.skyline.hold import hold_of
from pipeline.stack.groundfile import read_ground
from pipeline.stack.land import land_in
from pipeline.stack.sources import Calibration, Frame, Inputs, Mosaics, frame_grids
from tests.planted_ground import nightscape, pipeline_geometry, write_nightscape
from tests.planted_scenes import frame_ids

RINGS = ((6, 8), (8, 12), (12, 20))


def noise_of(error: NDArray[np.float64], use: NDArray[np.bool_]) -> float:
    """Block noise as the contract defines it, smooth differences taken off by the neighbouring blocks."""
    rows, columns = error.shape[0] // 16, error.shape[1] // 16
    cells = (rows, 16, columns, 16)
    e, u = error[: rows * 16, : columns * 16].reshape(cells), use[: rows * 16, : columns * 16].reshape(cells)
    found = block_noise((e * u).sum(axis=(1, 3)), u.sum(axis=(1, 3)))
    return float(found.noise or np.nan)


def measure(out: Path, lens: float, count: int, width: int, true_mask: bool) -> None:
    """Make one scene and print what it came to."""
    height = width * 2 // 3
    night = nightscape(width=width, height=height, n=count, lens_mm=lens, interval_s=3600 / count)
    stars = write_nightscape(out, night, count)
    reference, ids, shape = count // 2, frame_ids(count), (height, width)
    geometry = pipeline_geometry(night.scenario, count, reference)
    mosaics = Mosaics([out / f"{name}.fits" for name in ids])
    frames = [
        Frame(name, mosaics[k].header, shape, 1.0, 1.0, 0.0, frame_grids(geometry, name, shape, 3), (1.9, 1.0, 1.6))
        for k, name in enumerate(ids)
    ]
    inputs = Inputs("nightscape", frames, mosaics, Calibration(), reference)
    pole = celestial_frame(sum(night.scenario.turning.jd))[2]
    hold = hold_of(geometry, {name: night.scenario.middle(k) for k, name in enumerate(ids)}, pole)
    opaque, light = night.truth(reference)
    begun = time.process_time()
    told = find_ground(geometry, hold, stars, frames, mosaics, inputs.calibration, 2).told
    found = time.process_time() - begun
    mask = told.mask(shape)
    if true_mask or mask is None:
        mask = opaque.astype(np.float32)
    land = opaque > 0.5
    distance = np.where(land, ndimage.distance_transform_edt(land), -ndimage.distance_transform_edt(~land))
    if told.cells is not None:
        far = np.abs(distance) > 4
        right = ((mask > 0.5) == land)[far].mean()
        print(f"{lens:g} mm: mask right beyond 4 px {right:.4f}, confidence {told.confidence}")
    begun = time.process_time()
    figures = groundpicture.make_ground(
        inputs, geometry, hold, mask, out / "ground.fits", Trip(), 2, Progress(None, "ground", "s")
    )
    made = time.process_time() - begun
    begun = time.process_time()
    combine.combine(inputs, out / "combined.fits", geometry, threads=2)
    without = time.process_time() - begun
    begun = time.process_time()
    combine.combine(inputs, out / "combined.fits", geometry, threads=2, land=land_in(mask, geometry, hold, frames))
    combined = time.process_time() - begun
    opened = read_ground(out / "ground.fits")
    assert opened is not None
    join.compose(join.read_sky(out / "combined.fits", shape), opened, out / "composite.fits")
    print(
        f"  processor s: looking for ground {found:.1f}, its picture {made:.1f}, combining {combined:.1f} "
        f"(without ground {without:.1f})"
    )
    gain, header = night.scenario.sensor.gain, frames[reference].header
    composite = fits.getdata(out / "composite.fits")[1].astype(float)
    sigma = float(np.median(fits.getdata(out / "composite.fits", "NOISE")[1]))
    truth = light[..., 1] / gain
    # what lights the ground is not the same in all frames; their mean is what is asked for
    units = [night._unit(k) for k in range(count)]
    mean = truth * np.mean(units) / units[reference]
    # water is opaque but mirrors the sky
    _, _, water = night.land.at(*night.shift(reference), shape)
    inside = (distance > 8) & (ndimage.maximum_filter(water, 9) < 0.01)
    # the lit window is full, and its halo hides the texture about it
    inside &= ~ndimage.maximum_filter(truth > 2 * np.median(truth[land]), 61)
    raw = mosaics[reference].pixels().astype(np.float32) - np.float32(np.mean(header.black))
    one = demosaic(raw, header.cfa, frames[reference].balance)[1].astype(float)
    single, many = noise_of(one - truth, inside), noise_of(composite - mean, inside)

    def contrast(picture: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
        detail = truth - ndimage.gaussian_filter(truth, 4)
        high = picture - ndimage.gaussian_filter(picture, 4)
        return float((high * detail)[inside].sum() / (detail**2)[inside].sum())

    print(
        f"  ground: noise {many:.3f}, one frame / sqrt(N) {single / np.sqrt(count):.3f}, ratio "
        f"{many * np.sqrt(count) / single:.3f} (told {figures['noise_ratio'] or np.nan:.3f}); "
        f"detail over one frame's {contrast(composite, mean) / contrast(one, truth):.3f}"
    )
    # the sky's level is the mean of what the frames show: that of the same frames without land is what is asked for
    (out / "sky").mkdir(exist_ok=True)
    bare = nightscape((), width=width, height=height, n=count, lens_mm=lens, interval_s=3600 / count)
    write_nightscape(out / "sky", bare, count)
    alone = replace(inputs, mosaics=Mosaics([out / "sky" / f"{name}.fits" for name in ids]))
    combine.combine(alone, out / "alone.fits", geometry, threads=2)
    image = fits.getdata(out / "alone.fits")[1].astype(float)
    green = np.abs(image - ndimage.median_filter(image, 25)) < 4 * sigma
    error = composite - image
    base = np.median(error[green & (distance < -25) & (distance > -45)])
    rings = []
    for near, wide in RINGS:
        sky = np.median(error[green & (distance < -near) & (distance >= -wide)]) - base
        ring = inside & (distance > near) & (distance <= wide)
        rings.append(f"{sky / sigma:+.2f} / {np.median((composite - mean)[ring]) / sigma if ring.any() else 0:+.2f}")
    print(f"  seam at {', '.join(f'{a}-{b} px' for a, b in RINGS)}, sky / ground, in sigma: {', '.join(rings)}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--lens", type=float, nargs="+", default=[14.0, 24.0])
    parser.add_argument("--frames", type=int, default=16)
    parser.add_argument("--width", type=int, default=1200)
    parser.add_argument("--true-mask", action="store_true", help="join by the planted mask, not by the one told")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    for lens in arguments.lens:
        measure(arguments.out, lens, arguments.frames, arguments.width, arguments.true_mask)


if __name__ == "__main__":
    main()
