"""What combination and calibration measure on planted frames: noise, its map, trails, fluxes and sizes.

    python -m tests.measured_light --out /somewhere/with/2/GB [--only noise edges trails fluxes wide]

Prints a table a question. Frames go through the step combine itself; nothing is asserted.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.spatial.transform import Rotation

from pipeline.pixels.noise import BLOCK
from pipeline.sensor.mosaic import MosaicFile, write_mosaic
from pipeline.sky.camera import Camera as Lens
from pipeline.sky.geometry import Geometry, Placement
from tests.planted_scenes import (
    BLACK,
    SATURATION,
    Camera,
    Place,
    PlantedGeometry,
    Stars,
    drifting,
    expose,
    frame_ids,
    header,
    random_stars,
    write_scene,
)
from tests.test_combine import Made, free_of, measured_noise, sky_truth

Folder = Callable[[str], Path]


def pixel_variance(camera: Camera, colour: int = 1) -> float:
    """Variance of a mosaic pixel at the mean sky, ADU^2: photons, read noise, rounding."""
    return (camera.sky[colour] + camera.read_noise**2) / camera.gain**2 + 1 / 12


# ---- noise ----------------------------------------------------------------------------------------------------------


def noise(folder: Folder, sizes: tuple[int, ...] = (3, 5, 8, 16, 64, 256)) -> None:
    """Noise against theory and against the truth, and what rejection costs."""
    print("noise: green, 5,900 blocks, 100 stars; drift 1.5 px a frame (64 and more: 0.4)")
    print("   N   combined/expected   error/expected   NOISE/error   efficiency of rejection")
    for n in sizes:
        shape = (1088, 1408)
        rng = np.random.default_rng(n)
        step = (1.37, -0.71) if n < 64 else (0.343, -0.178)
        geometry, camera = drifting(n, shape, step, 1e-5), Camera(slope=0.2)
        stars = random_stars(rng, 100, shape)
        here = folder(f"noise-{n}")
        write_scene(here, rng, camera, geometry, stars)
        made = Made(here, geometry, camera, threads=2)
        free = free_of(stars, shape) & (made.coverage == n)
        truth = sky_truth(geometry, camera)[1]
        bend = _smooth(made.picture[1] - truth, free)
        error = measured_noise(made.picture[1] - truth - bend, free)
        stated = float(np.sqrt((made.noise[1][free] ** 2).mean()))
        ratio, expected = made.figures["noise_ratio"], made.figures["noise_expected"]
        plain = Made(here, geometry, camera, threads=2, clip_sigma=10.0)
        kept = measured_noise(plain.picture[1] - truth - _smooth(plain.picture[1] - truth, free), free)
        gain = made.figures["electrons_per_adu"] / camera.gain
        print(
            f"{n:4d} {ratio:12.3f} {error / expected:18.3f} {stated / error:14.3f} {(kept / error) ** 2:16.3f}"
            f"   (sky's level off by {np.std(bend[free]) / np.mean(truth):.2%}, gain {gain:.3f}, "
            f"{made.figures['noise_blocks']} blocks)",
            flush=True,
        )
        shutil.rmtree(here)


def _smooth(error: NDArray[np.float64], free: NDArray[np.bool_]) -> NDArray[np.float64]:
    """What is smooth in an error: matching takes the frames' mean sky for a polynomial of degree 4, no noise at all."""
    v, u = (2 * np.arange(n) / (n - 1) - 1 for n in error.shape)
    across, down = np.polynomial.legendre.legvander(u, 4), np.polynomial.legendre.legvander(v, 4)
    terms = [down[:, None, i] * across[None, :, j] for i in range(5) for j in range(5 - i)]
    coefficients = np.linalg.lstsq(np.stack([t[free] for t in terms], axis=1), error[free], rcond=None)[0]
    return np.asarray(sum(c * t for c, t in zip(coefficients, terms, strict=True)))


def edges(folder: Folder, pairs: int = 3) -> None:
    """NOISE over what two pictures of the same light differ by, for each number of frames and part of the picture."""
    print("NOISE over measured, 5 frames that drift by 104 px, vignetting 0.5, turning; block means over 16 px")
    shape = (832, 1088)
    classes: dict[str, list[NDArray[np.float64]]] = {}
    for pair in range(pairs):
        geometry, camera = drifting(5, shape, (88.0, -56.0), 0.004), Camera(slope=0.3, vignetting=0.5)
        both = []
        for seed in (2 * pair, 2 * pair + 1):
            here = folder(f"edges-{seed}")
            write_scene(here, np.random.default_rng(100 + seed), camera, geometry)
            both.append(Made(here, geometry, camera, threads=2))
            shutil.rmtree(here)
        made, other = both
        for c, name in enumerate("RGB"):
            number = _blocks(made.coverage.astype(float), np.mean)
            whole = _blocks(made.coverage.astype(float), np.ptp) == 0
            stated = np.hypot(made.noise[c], other.noise[c])
            pull = _block_pull(made.picture[c] - other.picture[c], stated, np.where(whole, number, 0))
            whole &= np.isfinite(pull)
            y, x = np.mgrid[0 : pull.shape[0], 0 : pull.shape[1]]
            outer = np.minimum(np.minimum(x, pull.shape[1] - 1 - x), np.minimum(y, pull.shape[0] - 1 - y)) == 0
            corner = np.hypot(2 * x / pull.shape[1] - 1, 2 * y / pull.shape[0] - 1) > 1.1
            for k in range(1, 6):
                classes.setdefault(f"{name} {k} frames", []).append(pull[whole & (number == k)])
            classes.setdefault(f"{name} corners", []).append(pull[whole & corner])
            classes.setdefault(f"{name} outermost blocks", []).append(pull[outer & whole])
    for name, parts in classes.items():
        values = np.concatenate(parts)
        if len(values) < 50:
            continue
        spread = np.sqrt(np.mean((values - values.mean()) ** 2))
        print(f"  {name:22s} {1 / spread:6.3f} +- {1 / np.sqrt(2 * len(values)):.3f}   ({len(values)} blocks)")


def _blocks(values: NDArray[np.float64], what: Callable[..., Any]) -> NDArray[np.float64]:
    rows, columns = values.shape[0] // BLOCK, values.shape[1] // BLOCK
    cells = values[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
    return np.asarray(what(cells.transpose(0, 2, 1, 3).reshape(rows, columns, -1), axis=-1))


def _block_pull(
    error: NDArray[np.float64], noise: NDArray[np.float64], number: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Block means of the error in units of what NOISE says of them, less the surfaces that matching may differ by.

    These are polynomials of degree 4 wherever the same frames reach; `number` is how many do, by block. NaN in regions
    of fewer than 80 blocks.
    """
    means = _blocks(error, np.mean) * BLOCK / np.maximum(np.sqrt(_blocks(noise**2, np.mean)), 1e-9)
    result = np.full(means.shape, np.nan)
    v, u = (2 * np.arange(n) / (n - 1) - 1 for n in means.shape)
    across, down = np.polynomial.legendre.legvander(u, 4), np.polynomial.legendre.legvander(v, 4)
    terms = np.stack([down[:, None, i] * across[None, :, j] for i in range(5) for j in range(5 - i)], axis=-1)
    for k in range(1, int(number.max()) + 1):
        regions, count = label(number == k)
        for region in range(1, count + 1):
            here = regions == region
            if here.sum() < 80:
                continue
            base, _ = np.linalg.qr(terms[here])
            left = means[here] - base @ (base.T @ means[here])
            result[here] = left / np.sqrt(1 - (base**2).sum(axis=1))
    return result


# ---- trails ---------------------------------------------------------------------------------------------------------


def streak(shape: tuple[int, int], height: float, fwhm: float = 3.0) -> tuple[NDArray[np.float64], ...]:
    """A line across the frame and the distance of every pixel from it, px; the other array is inside its length."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    angle = np.radians(24.7)
    off = (y - 0.22 * shape[0]) * np.cos(angle) - (x - 0.1 * shape[1]) * np.sin(angle)
    along = (y - 0.22 * shape[0]) * np.sin(angle) + (x - 0.1 * shape[1]) * np.cos(angle)
    inside = (along > 0) & (along < 0.75 * shape[1])
    return np.where(inside, height * np.exp(-(off**2) / 2 / (fwhm / 2.3548) ** 2), 0), off, along


def trails(folder: Folder) -> None:
    """What a streak in one frame leaves: the result with it less the result without it, in sigma of the result."""
    print("trails: mean residual along a streak of FWHM 3 px in one frame, sigma of a result's pixel")
    print("   N   core/sigma of a frame   in the core   most over the profile")
    shape = (512, 768)
    for n, sigmas in [
        (3, 50.0),
        (5, 50.0),
        (8, 50.0),
        (16, 5.0),
        (32, 5.0),
        (64, 5.0),
        (16, 3.0),
        (16, 10.0),
        (16, 50.0),
    ]:
        camera = Camera(slope=0.0)
        geometry = drifting(n, shape)
        frame = list(geometry.frames)[n // 2 - 1]
        size = sigmas * np.sqrt(pixel_variance(camera)) * camera.gain
        extra, off, along = streak(shape, size)
        here = folder(f"trail-{n}-{sigmas}")
        core, profile = _trail_left(here, geometry, camera, frame, extra, off, (along > 30) & (along < 500), n)
        print(f"{n:4d} {sigmas:14.0f} {core:22.3f} {profile:16.3f}", flush=True)
        shutil.rmtree(here)
    print("strobes: 8 flashes of 9,000 electrons a pixel on a streak of 6 sigma, N = 16: largest residual, in sigma")
    geometry, camera = drifting(16, shape), Camera(slope=0.0)
    extra, off, along = streak(shape, 6 * np.sqrt(pixel_variance(camera)) * camera.gain)
    for k in range(8):
        extra += 9000 * np.exp(-(off**2 + (along - 40 - 60 * k) ** 2) / 2 / 1.8**2)
    here = folder("strobes")
    rng = np.random.default_rng(5)
    write_scene(here, rng, camera, geometry)
    without = Made(here, geometry, camera, threads=2)
    frame = list(geometry.frames)[7]
    pixels = expose(np.random.default_rng(77), camera, geometry, frame, extra=extra)
    write_mosaic(here / f"{frame}.fits", pixels, header(camera, frame))
    made = Made(here, geometry, camera, threads=2)
    place = geometry.frames[frame]
    sigma = np.std((without.picture[1] - np.median(without.picture[1]))[100:400, 100:600])
    near = np.zeros(shape, bool)
    for k in range(8):
        spot = off**2 + (along - 40 - 60 * k) ** 2 < 8**2
        near |= np.roll(spot, (-round(place.dy), -round(place.dx)), (0, 1))
    apart = (made.picture[1] - camera.sky[1] / camera.gain) / sigma
    quiet = (without.picture[1] - camera.sky[1] / camera.gain) / sigma
    print(f"     with {apart[near].max():.1f} (mean {apart[near].mean():+.3f}), without {quiet[near].max():.1f}")
    shutil.rmtree(here)


def _trail_left(
    here: Path, geometry: PlantedGeometry, camera: Camera, frame: str, extra: Any, off: Any, where: Any, n: int
) -> tuple[float, float]:
    """Residual in the core and the largest over the profile, means over what is `where` along the streak."""
    rng = np.random.default_rng(1000 + n)
    write_scene(here, rng, camera, geometry)
    without = Made(here, geometry, camera, threads=2)
    # the same noise with the streak's light on it
    plain = MosaicFile(here / f"{frame}.fits").pixels()
    light = np.random.default_rng(2000 + n).poisson(extra) / camera.gain
    pixels = np.clip(np.round(plain + light), 0, SATURATION).astype(np.uint16)
    write_mosaic(here / f"{frame}.fits", pixels, header(camera, frame))
    made = Made(here, geometry, camera, threads=2)
    place = geometry.frames[frame]
    angle = np.radians(24.7)
    # the streak lies in the frame; the result is on the reference's grid
    distance = off + place.dy * np.cos(angle) - place.dx * np.sin(angle)
    sigma = np.std((without.picture[1] - np.median(without.picture[1]))[100:400, 100:600])
    left = (made.picture[1] - without.picture[1]) / sigma
    bins = [float(left[where & (np.abs(np.abs(distance) - d) < 0.5)].mean()) for d in range(8)]
    core = float(left[where & (np.abs(distance) < 0.75)].mean())
    return core, float(max(bins, key=abs))


# ---- stars ----------------------------------------------------------------------------------------------------------


def star_grid(rng: np.random.Generator, shape: tuple[int, int], step: int, low: float, high: float) -> Stars:
    """Stars on a jittered grid, electrons of green between the powers of ten `low` and `high`, colours of their own."""
    grid = np.array([(x, y) for y in range(24, shape[0] - 24, step) for x in range(24, shape[1] - 24, step)], float)
    grid += rng.uniform(-3, 3, grid.shape)
    bright = 10 ** rng.uniform(low, high, len(grid))
    colour = np.stack([rng.uniform(0.6, 1.2, len(grid)), np.ones(len(grid)), rng.uniform(0.5, 1.2, len(grid))], axis=1)
    return Stars(grid[:, 0], grid[:, 1], bright[:, None] * colour)


def aperture_fluxes(picture: NDArray[np.float64], stars: Stars, radius: float = 7.0) -> NDArray[np.float64]:
    """(n, colours) sums within a radius above the ring around, of fractional pixels none."""
    result = np.empty((len(stars.x), len(picture)))
    reach = 14
    for k, (cx, cy) in enumerate(zip(stars.x, stars.y, strict=True)):
        i, j = round(cy), round(cx)
        window = (slice(i - reach, i + reach + 1), slice(j - reach, j + reach + 1))
        y, x = np.mgrid[window]
        r2 = (x - cx) ** 2 + (y - cy) ** 2
        inside, ring = r2 < radius**2, (r2 > 9**2) & (r2 < 13**2)
        for c, plane in enumerate(picture):
            part = plane[window]
            middle = np.median(part[ring])
            apart = np.abs(part[ring] - middle)
            sky = part[ring][apart < 3 * 1.4826 * np.median(apart)].mean()
            result[k, c] = (part[inside] - sky).sum()
    return result


def widths(picture: NDArray[np.float64], stars: Stars, start: float) -> NDArray[np.float64]:
    """(n, colours) FWHM by adaptive Gaussian moments, pixel integration left in; NaN where they do not settle."""
    result = np.full((len(stars.x), len(picture)), np.nan)
    for k, (cx, cy) in enumerate(zip(stars.x, stars.y, strict=True)):
        window = (slice(round(cy) - 10, round(cy) + 11), slice(round(cx) - 10, round(cx) + 11))
        y, x = np.mgrid[window]
        edge = np.hypot(x - cx, y - cy) > 8
        for c, plane in enumerate(picture):
            light = plane[window] - np.median(plane[window][edge])
            mx, my, s2 = cx, cy, (start / 2.3548) ** 2
            for _ in range(60):
                w = light * np.exp(-((x - mx) ** 2 + (y - my) ** 2) / 2 / s2)
                total = w.sum()
                mx, my = (w * x).sum() / total, (w * y).sum() / total
                new = (w * ((x - mx) ** 2 + (y - my) ** 2)).sum() / total  # half of 2 s^2 under its own weight
                if abs(new - s2) < 1e-6:
                    break
                s2 = new
            result[k, c] = 2.3548 * np.sqrt(s2)
    return result


def fluxes(folder: Folder, sizes: tuple[float, ...] = (2.0, 2.6, 3.4)) -> None:
    """Linearity, position, scatter beyond photon noise, size by colour: stars of known light in 16 frames."""
    shape, n = (960, 1280), 16
    rng = np.random.default_rng(21)
    geometry = drifting(n, shape, (2.31, -1.13), 0.0015)
    places = {
        name: replace(p, transparency=1.0 if name == geometry.reference else float(rng.uniform(0.75, 1.0)))
        for name, p in geometry.frames.items()
    }
    geometry = replace(geometry, frames=places)
    for fwhm in sizes:
        camera = Camera(slope=0.3, fwhm=fwhm, gain=2.0, sky=(300.0, 500.0, 350.0))
        full = (SATURATION - BLACK) * camera.gain
        peak = full / (0.88 / fwhm**2)  # electrons of a star whose pixel is full
        stars = star_grid(rng, shape, 28, 2.6, float(np.log10(0.85 * peak)))
        here = folder(f"flux-{fwhm}")
        write_scene(here, rng, camera, geometry, stars)
        made = Made(here, geometry, camera, threads=2)
        inner = (stars.x > 60) & (stars.x < shape[1] - 60) & (stars.y > 60) & (stars.y < shape[0] - 60)
        stars = Stars(stars.x[inner], stars.y[inner], stars.electrons[inner])
        found = aperture_fluxes(made.picture, stars) * camera.gain
        ratio = found / stars.electrons
        sky = np.array(camera.sky) + camera.read_noise**2
        share = np.mean([1 / p.flux_scale for p in geometry.frames.values()])
        # noise of an aperture of 7 px: block noise, four mosaic pixels for one of a colour (green two); own photons
        area, cells = np.pi * 49, np.array([4.0, 2.0, 4.0])
        photon = np.sqrt((stars.electrons * cells / share + area * sky * cells / share**2) / n) / stars.electrons
        snr = 1 / photon
        print(f"fluxes: FWHM {fwhm}, 16 frames, transparency 0.75-1; found over planted by colour")
        order = np.argsort(stars.electrons[:, 1])
        for part in np.array_split(order, max(1, len(order) // 200)):
            middle = np.median(ratio[part], axis=0)
            error = 1.2533 * np.median(photon[part], axis=0) / np.sqrt(len(part))
            print(
                f"  {np.median(stars.electrons[part, 1]):9.0f} e, SNR {np.median(snr[part, 1]):5.0f}: "
                + "  ".join(f"{m:.4f} +- {e:.4f}" for m, e in zip(middle, error, strict=True))
            )
        bright = snr[:, 1] > 100
        ninth = np.stack([stars.x * 3 // shape[1], stars.y * 3 // shape[0]])
        third = np.array(
            [np.median(ratio[bright & (ninth == [[j], [i]]).all(axis=0)], axis=0) for i in range(3) for j in range(3)]
        )
        print("  by ninth of the picture, least and most:", third.min(axis=0).round(4), third.max(axis=0).round(4))
        for name, values, noise_ in (
            ("scatter beyond photon noise above SNR 200 (R G B)", ratio, photon),
            ("of colours R/G, B/G", ratio[:, [0, 2]] / ratio[:, [1]], np.hypot(photon[:, [0, 2]], photon[:, [1]])),
        ):
            sure = snr.min(axis=1) > 200
            if sure.sum() < 20:
                continue
            apart = values[sure] - np.median(values[sure], axis=0)
            spread = 1.4826 * np.median(np.abs(apart), axis=0)
            beyond = np.sqrt(np.maximum(spread**2 - (noise_[sure] ** 2).mean(axis=0), 0))
            print(f"  {name}: {(100 * beyond).round(2)} %  (all {(100 * spread).round(2)} %, {sure.sum()} stars)")
        chosen = Stars(stars.x[bright], stars.y[bright], stars.electrons[bright])
        size = np.nanmedian(widths(made.picture, chosen, fwhm), axis=0)
        planted = float(np.hypot(fwhm, 2.3548 / np.sqrt(12)))
        between = f"R/G {size[0] / size[1]:.4f}, B/G {size[2] / size[1]:.4f}"
        print(f"  size over planted, R G B: {(size / planted).round(4)}; {between}", flush=True)
        shutil.rmtree(here)


def weights(folder: Folder) -> None:
    """What weights by star size give, by the scatter of the sizes: Gaussian stars, 60 draws of 24 frames."""
    print(
        "weights by FWHM to a power: signal of stars over noise, FWHM, noise of the sky, against weights by noise alone"
    )
    rng = np.random.default_rng(1)
    y, x = np.mgrid[-12:13, -12:13]
    for scatter in (0.05, 0.1, 0.2, 0.3):
        draws = 2.5 * np.exp(rng.normal(0, scatter, (60, 24)))
        variance = (draws / 2.3548) ** 2
        stars = np.exp(-(x**2 + y**2) / 2 / variance[..., None, None])
        stars /= stars.sum(axis=(2, 3), keepdims=True)
        results = []
        for power in (0.0, 1.0, 2.0):
            w = draws**-power / (draws**-power).sum(axis=1, keepdims=True)
            mean = np.einsum("dk,dkyx->dyx", w, stars)
            noise_ = np.sqrt((w**2).sum(axis=1))
            signal = np.sqrt((mean**2).sum(axis=(1, 2))) / noise_
            size = np.sqrt((mean * x**2).sum(axis=(1, 2)))
            results.append([signal.mean(), size.mean(), noise_.mean()])
        one, two = (np.array(r) / results[0] for r in results[1:])
        print(f"  scatter {scatter:4.2f}: 1/FWHM {one.round(4)}   1/FWHM^2 {two.round(4)}")


class WideGeometry:
    """A tripod under a turning sky: a true lens, one attitude a frame; the first frame is the reference."""

    solved = False

    def __init__(self, count: int, shape: tuple[int, int], focal_px: float, step_deg: float) -> None:
        self.shape = shape
        centre = ((shape[1] - 1) / 2, (shape[0] - 1) / 2)
        lens = Lens(focal_px, *centre, (0.0, 0.0, 0.0), (0.0, 0.0), shape[1], shape[0])
        pole = Rotation.from_euler("x", 50, degrees=True).apply([0.0, -1.0, 0.0])
        placed = {}
        for n, name in enumerate(frame_ids(count)):
            turn = Rotation.from_rotvec(np.radians(step_deg * n) * pole)
            placed[name] = Placement(turn.as_quat(scalar_first=True), flux_scale=1.0)
        self.reference = next(iter(placed))
        self.geometry = Geometry(self.reference, False, lens, placed)
        self.frames = {name: Place() for name in placed}
        self.radius = lambda x, y: np.hypot(x - centre[0], y - centre[1]) / focal_px

    def from_reference(self, frame: str, x: Any, y: Any, colour: str = "G") -> tuple[Any, Any]:
        """Where in a frame the reference's pixel lies."""
        return self.geometry.from_reference(frame, x, y, colour)

    def from_green(self, _frame: str, x: Any, y: Any, _colour: str) -> tuple[Any, Any]:
        """All colours lie on one another."""
        return x, y


def wide(folder: Folder) -> None:
    """Fluxes under a wide lens, where a star's place on the sensor changes how many pixels its light is spread over."""
    print(
        "wide lens: 14 mm on 36 x 24 mm, 7 frames over 6 degrees of turning, the first is the reference;\n"
        "green flux found over planted by where the star is drawn (medians)"
    )
    shape = (800, 1200)
    geometry = WideGeometry(7, shape, 14 / 36 * shape[1], 1.0)
    rng = np.random.default_rng(31)
    stars = star_grid(rng, shape, 28, 4.3, 5.0)
    camera = Camera(slope=0.2, fwhm=2.6, gain=2.0)
    here = folder("wide")
    write_scene(here, rng, camera, geometry, stars)  # type: ignore[arg-type]
    made = Made(here, geometry, camera, threads=2)  # type: ignore[arg-type]
    inside = np.ones(len(stars.x), bool)
    for name in geometry.frames:
        x, y = geometry.from_reference(name, stars.x, stars.y)
        inside &= (x > 15) & (x < shape[1] - 16) & (y > 15) & (y < shape[0] - 16)
    stars = Stars(stars.x[inside], stars.y[inside], stars.electrons[inside])
    ratio = aperture_fluxes(made.picture, stars)[:, 1] * camera.gain / stars.electrons[:, 1]
    for i in range(3):
        row = [ratio[(stars.x * 5 // shape[1] == j) & (stars.y * 3 // shape[0] == i)] for j in range(5)]
        print("   " + "  ".join(f"{np.median(v):.4f}" if len(v) > 8 else "   -  " for v in row), flush=True)
    shutil.rmtree(here)


QUESTIONS: dict[str, Callable[[Folder], None]] = {
    "noise": noise,
    "edges": edges,
    "trails": trails,
    "fluxes": fluxes,
    "wide": wide,
    "weights": weights,
}


def main() -> None:
    """Ask, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="folder for frames; what is made there is removed")
    parser.add_argument("--only", nargs="+", choices=list(QUESTIONS), default=list(QUESTIONS))
    arguments = parser.parse_args()

    def folder(name: str) -> Path:
        path: Path = arguments.out / name
        path.mkdir(parents=True)
        return path

    for name in arguments.only:
        QUESTIONS[name](folder)


if __name__ == "__main__":
    main()
