"""Sky over ground against what was planted: a ridge, trees, a house and water before a turning sky, over an hour; the
sky against that of the same frames without land.

Stars beside the skyline are set against the same sky's without land, too.

Noise of the ground is told twice, both as means over blocks show it: half the difference of the ground made of every
other frame and of the rest; and what the composite is off by from the planted light as the same demosaic draws it
without noise. What is smooth is told apart, as a share of the planted light. Either is set against the frames' own,
the first against differences of pairs.

    python -m tests.benchmarks.nightscape --out /somewhere [--lens 14 24] [--frames 16] [--minutes 60] [--width 1200]
                                          [--share 0.3] [--parts ridge trees house water] [--creep 60] [--true-mask]
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

from example_project.maker.scene import Scenario
from example_project.maker.sensor import DOUBLING_C, REFERENCE_C, fixed_maps
from pipeline import combine, join
from pipeline.config import Trip
from pipeline.console import Progress
from pipeline.pixels.noise import block_noise
from pipeline.scene import groundpicture
from pipeline.sensor.demosaic import demosaic
from pipeline.sky.geometry import Geometry
from pipeline.sky.times import celestial_frame
from pipeline.skyline.find import find_ground
from pipeline.skyline.hold import Hold, hold_of
from pipeline.stack.groundfile import read_ground
from pipeline.stack.land import land_in
from pipeline.stack.sources import Calibration, Frame, Inputs, Mosaics, frame_grids
from tests.planted_ground import Nightscape, nightscape, pipeline_geometry, write_nightscape
from tests.planted_scenes import frame_ids

RINGS = ((2, 4), (4, 6), (6, 8), (8, 12), (12, 20))
PARTS = ("ridge", "trees", "house", "water")
# Distances of stars from the skyline, px, the square in which their light is taken, and its least over its noise.
APART, SQUARE, BRIGHT = ((0, 2), (2, 4), (4, 8), (8, 20), (20, 60)), 5, 20.0


def starlight(
    composite: NDArray[np.float64],
    alone: NDArray[np.float64],
    opaque: NDArray[np.float64],
    land: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    sigma: float,
) -> list[str]:
    """By distance from the skyline: the stars' light over what the land leaves of the same sky's without land: median,
    mean, the share of stars that keep less than half, and how many there are.

    Parameters
    ----------
    composite, alone : (height, width), the picture, and that of the same frames without land
    opaque, land : (height, width), what of the sky the land hides, and its own light
    x, y : (n,) of the stars, px
    sigma : noise of a pixel
    """
    level = ndimage.median_filter(alone, 25)
    clear = 1 - opaque
    wanted, there = clear * (alone - level), composite - clear * level - opaque * land
    wanted, there = (ndimage.uniform_filter(v, SQUARE) * SQUARE**2 for v in (wanted, there))
    distance = ndimage.distance_transform_edt(opaque < 0.5)
    i, j = np.rint(y).astype(int), np.rint(x).astype(int)
    inside = (i > 9) & (j > 9) & (i < opaque.shape[0] - 10) & (j < opaque.shape[1] - 10)
    i, j = i[inside], j[inside]
    bright = wanted[i, j] > BRIGHT * SQUARE * sigma
    # one place of several stars counts once
    i, j = np.unique(np.stack([i[bright], j[bright]]), axis=1)
    ratio, far = there[i, j] / wanted[i, j], distance[i, j]
    result = []
    for near, wide in APART:
        part = ratio[(far > near) & (far <= wide)]
        if len(part):
            lost = (part < 0.5).mean()
            result.append(f"{near}-{wide} px {np.median(part):.3f} {part.mean():.3f} {lost:.1%} of {len(part)}")
    return result


def noise_of(error: NDArray[np.float64], use: NDArray[np.bool_]) -> float:
    """Block noise as the contract defines it, smooth differences taken off by the neighbouring blocks."""
    rows, columns = error.shape[0] // 16, error.shape[1] // 16
    cells = (rows, 16, columns, 16)
    e, u = error[: rows * 16, : columns * 16].reshape(cells), use[: rows * 16, : columns * 16].reshape(cells)
    found = block_noise((e * u).sum(axis=(1, 3)), u.sum(axis=(1, 3)))
    return float(found.noise or np.nan)


def creeping(night: Nightscape, arcsec_h: float) -> Nightscape:
    """The same on a tripod that gives way."""
    mount = replace(night.scenario.mount, creep_arcsec_h=(arcsec_h, arcsec_h / 2, 0.0))
    return replace(night, scenario=replace(night.scenario, mount=mount))


def perfect_dark(scenario: Scenario, count: int) -> NDArray[np.float32]:
    """What the sensor shows without light, ADU above black, the flickering pixels' mean, at the frames' mean warmth."""
    sensor, maps = scenario.sensor, fixed_maps(scenario.sensor)
    warmth = np.mean([2.0 ** ((scenario.temperature(k) - REFERENCE_C) / DOUBLING_C) for k in range(count)])
    dark = maps.offset + maps.dark * np.float32(scenario.exposure_s * warmth / sensor.gain)
    dark.ravel()[maps.telegraph] += np.float32(0.4 / sensor.gain) * maps.telegraph_e
    return np.asarray(dark, np.float32)


def smooth_error(error: NDArray[np.float64], truth: NDArray[np.float64], use: NDArray[np.bool_]) -> tuple[float, ...]:
    """Error over the planted light, both blurred by 24 px over the pixels used: at 5, 50 and 95 % of these."""
    wide = [ndimage.gaussian_filter(np.where(use, v, 0.0), 24)[use] for v in (error, truth)]
    return tuple(float(v) for v in np.quantile(wide[0] / wide[1], (0.05, 0.5, 0.95)))


def rms(values: list[float]) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


def half_of(
    inputs: Inputs,
    paths: list[Path],
    geometry: Geometry,
    hold: Hold,
    mask: NDArray[np.float32],
    out: Path,
    which: int,
) -> NDArray[np.float32]:
    """The ground made of every other frame, over the whole picture."""
    chosen = list(range(which, len(paths), 2))
    reference = int(np.argmin(np.abs(np.array(chosen) - inputs.reference)))
    half = replace(
        inputs,
        frames=[inputs.frames[k] for k in chosen],
        mosaics=Mosaics([paths[k] for k in chosen]),
        reference=reference,
    )
    groundpicture.make_ground(half, geometry, hold, mask, out / "half.fits", Trip(), 2, Progress(None, "ground", "s"))
    read = read_ground(out / "half.fits")
    assert read is not None
    whole, box = np.zeros((3, *mask.shape), np.float32), read.box
    whole[:, box.top : box.top + box.height, box.left : box.left + box.width] = read.planes
    return whole


def measure(lens: float, arguments: argparse.Namespace) -> None:
    """Make one scene and print what it came to."""
    out, count, width, creep = arguments.out, arguments.frames, arguments.width, arguments.creep
    height = width * 2 // 3
    settings = {
        "width": width,
        "height": height,
        "n": count,
        "lens_mm": lens,
        "interval_s": 60 * arguments.minutes / count,
    }
    night = creeping(nightscape(arguments.parts, **settings, share=arguments.share), creep)
    stars = write_nightscape(out, night, count)
    reference, ids, shape = count // 2, frame_ids(count), (height, width)
    geometry = pipeline_geometry(night.scenario, count, reference)
    paths = [out / f"{name}.fits" for name in ids]
    mosaics, dark = Mosaics(paths), perfect_dark(night.scenario, count)
    frames = [
        Frame(name, mosaics[k].header, shape, 1.0, 1.0, 0.0, frame_grids(geometry, name, shape, 3), (1.9, 1.0, 1.6))
        for k, name in enumerate(ids)
    ]
    inputs = Inputs("nightscape", frames, mosaics, Calibration(dark=dark), reference)
    pole = celestial_frame(sum(night.scenario.turning.jd))[2]
    hold = hold_of(geometry, {name: night.scenario.middle(k) for k, name in enumerate(ids)}, pole)
    opaque, light = night.truth(reference)
    begun = time.process_time()
    told = find_ground(geometry, hold, stars, frames, mosaics, inputs.calibration, 2).told
    found = time.process_time() - begun
    mask = told.mask(shape)
    if arguments.true_mask or mask is None:
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
    opened = read_ground(out / "ground.fits")
    assert opened is not None
    land_hidden = land_in(mask, geometry, hold, frames)
    combine.combine(inputs, out / "combined.fits", geometry, threads=2, land=land_hidden, ground=opened)
    combined = time.process_time() - begun
    join.compose(join.read_sky(out / "combined.fits", shape), opened, out / "composite.fits")
    print(
        f"  processor s: looking for ground {found:.1f}, its picture {made:.1f}, combining {combined:.1f} "
        f"(without ground {without:.1f})"
    )
    gain, header = night.scenario.sensor.gain, frames[reference].header
    composite = fits.getdata(out / "composite.fits").astype(float)
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
    cfa, balance = header.cfa, frames[reference].balance

    def drawn(mosaic: NDArray[np.floating]) -> NDArray[np.float64]:
        return demosaic(np.asarray(mosaic, np.float32), cfa, balance).astype(float)

    def planted(number: int) -> NDArray[np.float64]:
        """A frame's land as the demosaic draws it: its own errors on texture are in one frame too, hidden by noise."""
        mosaic, light = np.empty(shape), night.truth(number)[1]
        for place, colour in enumerate(cfa):
            i, j = place // 2, place % 2
            mosaic[i::2, j::2] = light[i::2, j::2, "RGB".index(colour)] / gain
        return drawn(mosaic)

    clean = planted(reference) * np.mean(units) / units[reference]
    singles = [drawn(mosaics[k].pixels() - np.float32(np.mean(header.black)) - dark) for k in range(count)]
    halves = [half_of(inputs, paths, geometry, hold, mask, out, which) for which in (0, 1)]
    errors = [single - planted(k) for k, single in enumerate(singles)]
    for c, name in enumerate("RGB"):
        pairs = [noise_of((singles[k + 1][c] - singles[k][c]) / np.sqrt(2), inside) for k in range(0, count - 1, 2)]
        own = [noise_of(one[c], inside) for one in errors]
        error = composite[c] - clean[c]
        by_halves = noise_of((halves[0][c] - halves[1][c]) / 2, inside) * np.sqrt(count) / rms(pairs)
        by_truth = noise_of(error, inside) * np.sqrt(count) / rms(own)
        low, middle, high = smooth_error(error, clean[c], inside)
        print(
            f"  ground, {name}: noise over one frame's / sqrt(N) by halves {by_halves:.3f}, against the "
            f"planted light {by_truth:.3f}; smooth error {low:+.2%} {middle:+.2%} {high:+.2%}"
        )
    one, composite = singles[reference][1], composite[1]

    def contrast(picture: NDArray[np.float64], truth: NDArray[np.float64]) -> float:
        detail = truth - ndimage.gaussian_filter(truth, 4)
        high = picture - ndimage.gaussian_filter(picture, 4)
        return float((high * detail)[inside].sum() / (detail**2)[inside].sum())

    print(
        f"  told {figures['noise_ratio'] or np.nan:.3f}; detail over one frame's "
        f"{contrast(composite, mean) / contrast(one, truth):.3f}"
    )
    # the sky's level is the mean of what the frames show: that of the same frames without land is what is asked for
    (out / "sky").mkdir(exist_ok=True)
    bare = creeping(nightscape((), **settings), creep)
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
    stars_there = night.scenario.light(reference)[1]
    kept = starlight(composite, image, opaque, mean, stars_there.x[:, 1], stars_there.y[:, 1], sigma)
    print(f"  stars' light over what is left of it (median, mean, less than half): {', '.join(kept)}")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--lens", type=float, nargs="+", default=[14.0, 24.0])
    parser.add_argument("--frames", type=int, default=16)
    parser.add_argument("--width", type=int, default=1200)
    parser.add_argument("--share", type=float, default=0.3, help="of the picture that is land, about")
    parser.add_argument("--parts", nargs="+", default=PARTS, help="of the land; without water more of it tells noise")
    parser.add_argument("--minutes", type=float, default=60.0, help="from the first frame to the last, about")
    parser.add_argument("--creep", type=float, default=60.0, help="of the tripod, about two axes, arcsec an hour")
    parser.add_argument("--true-mask", action="store_true", help="join by the planted mask, not by the one told")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    for lens in arguments.lens:
        measure(lens, arguments)


if __name__ == "__main__":
    main()
