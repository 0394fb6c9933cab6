"""Places measured against what was planted: of maps from star lists, of combined stars from raw files, beside warps.

    python -m tests.measured_places [--out /somewhere/with/2/GB] [--only 14t 50p ...] [--frames 14] [--width 1800]

An hour each, boresight at 30 degrees with refraction; 14 mm bends by 8 % in the corners, trackers are 0.5 degrees off
the pole and dither. First star lists of 24 megapixels as `tests.planted_sky` makes them (0.1 px centroids, 30 % of the
stars missing, 30 % false), the map's error over the field and in the four corners. Then rendered raw files, through
`moonless run`; a line a case:

- places: combined stars against the reference frame rendered without noise and demosaiced alike, both by windowed
  centroids of a general library: rms over the field, in the corners (beyond 0.75 of the half diagonal)
- exact: the same against the exact centres of the stars' light, and one noiseless frame's: a window sees less of a
  comet-shaped star's tail, in either picture
- size: `size_ratio`, `size_ratio_corners`
- map: `from_reference` against the true map, rms over field and corners, all kept frames
- wcs: true directions of a grid above 8 degrees, through astropy, against where the reference has them, px
- homography, polynomial: the map's error with one warp a frame, fitted to the same stars
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import sep
from astropy.io import fits
from astropy.wcs import WCS
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from example_project.maker import Mount, Optics, Scenario, make_scenario, write_dng
from pipeline.files import read_json
from pipeline.sensor.demosaic import demosaic
from pipeline.sky.geometry import Geometry
from tests.placed_runs import corners, fitted_run, map_errors, one_warp, ours, placed_run
from tests.placed_runs import rms as of_all
from tests.planted_sky import sequence
from tests.warps import warped

Floats = NDArray[np.float64]
CORNER = 0.75
SPAN_S = 3600.0
PLANTED_FRAMES = 12
LOWEST_DEG = 8.0  # of the WCS; of maps 3


@dataclass(frozen=True)
class Case:
    """A lens on a mount."""

    name: str
    lens_mm: float
    mount: str
    exposure_s: float
    corner: float  # relative displacement of the corners by the lens


CASES = (
    Case("14t", 14.0, "tripod", 15.0, -0.08),
    Case("24t", 24.0, "tripod", 13.0, -0.04),
    Case("50t", 50.0, "tripod", 8.0, -0.012),
    Case("50p", 50.0, "tracked", 40.0, -0.012),
    Case("135p", 135.0, "tracked", 40.0, 0.003),
)


def scenario(case: Case, frames: int, width: int) -> Scenario:
    """The sky, the lens and the mount of a case."""
    plain = make_scenario(lens_mm=case.lens_mm, width=width, height=width * 2 // 3, n=frames, altitude_deg=30.0)
    lens, half = plain.optics.lens, plain.optics.half_diagonal
    tan = half / plain.optics.focal_px
    lens = replace(lens, radial=(1.3 * case.corner / tan**2, -0.3 * case.corner / tan**4, 0.0))
    mount = Mount(case.mount, 150.0, 30.0, 3.0, creep_arcsec_h=(40.0, -25.0, 30.0))
    if case.mount == "tracked":
        mount = replace(mount, polar_error_deg=0.5, periodic_arcsec=10.0, dither_px=12.0)
    return replace(
        plain, optics=Optics(lens, plain.optics.pitch_um, width, width * 2 // 3), mount=mount,
        exposure_s=case.exposure_s, interval_s=SPAN_S / (frames - 1), seed=int(case.lens_mm),
    )  # fmt: skip


def made(sky: Scenario, folder: Path) -> Path:
    """Write the frames and run the front door; the scene's results."""
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "raw").mkdir(parents=True)
    for frame in sky.frames():
        write_dng(folder / "raw" / frame.name, frame.mosaic, frame.meta)
    # the places are asked for, not the verdicts: every frame is sound
    site = f"site: {{latitude: {sky.site.latitude}, longitude: {sky.site.longitude}}}"
    (folder / "trip.yaml").write_text(f"frames: [raw]\n{site}\ninventory: {{overlap: 0.35}}\n")
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.moonless", "run", str(folder)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{folder}: status {done.returncode}\n{done.stdout[-2000:]}\n{done.stderr[-2000:]}")
    (results,) = (p for p in (folder / "results").iterdir() if p.is_dir())
    return results


def centroids(plane: Floats, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Windowed centroids (SEP) of stars near x, y."""
    plane = np.ascontiguousarray(plane, np.float32)
    rest = plane - sep.Background(plane, bw=32, bh=32).back()
    gx, gy, flag = sep.winpos(rest, x, y, np.full(len(x), 1.1))
    bad = flag != 0
    return np.where(bad, np.nan, gx), np.where(bad, np.nan, gy)


def rms(squares: Floats) -> float:
    """Root mean square of squared distances, the worst hundredth (blends) left out."""
    squares = squares[np.isfinite(squares)]
    if len(squares) < 5:
        return np.nan
    return float(np.sqrt(np.mean(np.sort(squares)[: max(5, int(0.99 * len(squares)))])))


def _stars(results: Path, sky: Scenario, index: int) -> dict[str, Any]:
    """Places of the combined stars against the reference's, and how many."""
    light, truth, _ = sky.light(index)
    single = demosaic(light.astype(np.float32), sky.sensor.cfa)[1]
    green = fits.getdata(results / "combined.fits")[1]
    x, y, flux = truth.x[:, 1], truth.y[:, 1], truth.electrons[:, 1]
    near = cKDTree(np.stack([x, y], 1)).query_ball_point(np.stack([x, y], 1), 9.0)
    alone = np.array([flux[others].sum() - flux[n] < 0.005 * flux[n] for n, others in enumerate(near)])
    height, width = green.shape
    inside = (x > 12) & (y > 12) & (x < width - 13) & (y < height - 13)
    # bright enough for a hundredth of a pixel, not full
    peak = flux / 8.0
    limit = 0.5 * (sky.sensor.saturation - max(sky.sensor.black)) * sky.sensor.gain
    use = alone & inside & (peak < limit) & (truth.hidden == 0)
    use &= flux > np.quantile(flux[use], 0.75)
    x, y = x[use], y[use]
    cx, cy = centroids(green, x, y)
    sx, sy = centroids(single, x, y)
    corner = np.hypot(x - width / 2, y - height / 2) > CORNER * np.hypot(width, height) / 2
    places, exact = (cx - sx) ** 2 + (cy - sy) ** 2, (cx - x) ** 2 + (cy - y) ** 2
    alone_off = (sx - x) ** 2 + (sy - y) ** 2
    return {
        "stars": int(np.isfinite(places).sum()),
        "places": (rms(places), rms(places[corner])),
        "exact": (rms(exact), rms(exact[corner])),
        "alone": (rms(alone_off), rms(alone_off[corner])),
    }


def _maps(geometry: Geometry, sky: Scenario, indices: dict[str, int], lists: Path) -> dict[str, Any]:
    """Errors of the maps from the reference: ours, and one warp a frame through the same stars."""
    width, height = sky.optics.width, sky.optics.height
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(0, width - 1, 21), np.linspace(0, height - 1, 15)))
    base = sky.geometry(indices[geometry.reference])
    high = _altitude(base, x, y) > 3.0
    corner = np.hypot(x - width / 2, y - height / 2) > 0.95 * np.hypot(width, height) / 2
    table = _read_lists(lists)
    squares: dict[str, list[Floats]] = {"map": [], "corner": [], "homography": [], "polynomial": []}
    for frame, index in indices.items():
        if frame == geometry.reference or frame not in geometry.frames:
            continue
        tx, ty = base.to_frame(sky.geometry(index), x, y)
        seen = high & (tx >= 0) & (ty >= 0) & (tx <= width - 1) & (ty <= height - 1)
        gx, gy = geometry.from_reference(frame, x, y)
        off = (gx - tx) ** 2 + (gy - ty) ** 2
        squares["map"].append(off[seen])
        squares["corner"].append(off[seen & corner])
        here, there = table[geometry.reference], table[frame]
        px, py = geometry.from_reference(frame, *here.T)
        good = np.isfinite(px)
        far, which = cKDTree(there).query(np.stack([px[good], py[good]], 1), distance_upper_bound=1.0)
        pair = np.isfinite(far)
        for kind in ("homography", "polynomial"):
            moved = warped(kind, here[good][pair], there[which[pair]], np.stack([x, y], 1), width / 2)
            squares[kind].append(((moved[:, 0] - tx) ** 2 + (moved[:, 1] - ty) ** 2)[seen])
    joined = {k: float(np.sqrt(np.mean(np.concatenate(v)))) if np.concatenate(v).size else np.nan
              for k, v in squares.items()}  # fmt: skip
    return {"map": (joined["map"], joined["corner"]), "warps": (joined["homography"], joined["polynomial"])}


def _read_lists(folder: Path) -> dict[str, Floats]:
    """Star lists by frame id, brightest first, at most 800 a frame."""
    result: dict[str, Floats] = {}
    for path in sorted(folder.glob("*.stars.fits")):
        data = fits.getdata(path)
        names = np.char.strip(np.asarray(data["frame"]).astype("U"))
        for name in np.unique(names):
            mine = data[names == name]
            order = np.argsort(-mine["flux"], kind="stable")[:800]
            result[str(name)] = np.stack([mine["x"][order], mine["y"][order]], 1).astype(np.float64)
    return result


def _altitude(frame: Any, x: Floats, y: Floats) -> Floats:
    vectors = frame.to_vectors(x, y)
    return np.asarray(np.degrees(np.arcsin(np.clip(vectors @ frame.zenith, -1, 1))))


def _wcs(results: Path, sky: Scenario, index: int) -> float:
    """Error (px, rms) of the combined picture's WCS on a grid above 8 degrees."""
    width, height = sky.optics.width, sky.optics.height
    x, y = (g.ravel() for g in np.meshgrid(np.linspace(4, width - 5, 21), np.linspace(4, height - 5, 15)))
    base = sky.geometry(index)
    high = _altitude(base, x, y) > LOWEST_DEG
    ra, dec = base.to_sky(x[high], y[high])
    wcs = WCS(fits.getheader(results / "combined.fits"), naxis=2)
    wx, wy = wcs.all_world2pix(ra, dec, 0, maxiter=60, tolerance=1e-3, quiet=True)
    return float(np.sqrt(np.nanmean((wx - x[high]) ** 2 + (wy - y[high]) ** 2)))


def measure(case: Case, folder: Path, frames: int, width: int, again: bool) -> str:
    """One line of the table."""
    sky = scenario(case, frames, width)
    results = next((p for p in (folder / "results").glob("*/") if (p / "combined.fits").is_file()), None)
    if again or results is None:
        results = made(sky, folder)
    figures = read_json(results / "scene.json")
    geometry = Geometry.load(folder / "work" / "scenes" / results.name / "geometry.json")
    plan = read_json(folder / "work" / "plan" / "scenes" / f"{results.name}.json")
    indices = {f["id"]: int(Path(f["shown"]).stem.rpartition("_")[2]) for f in plan["frames"]}
    reference = indices[geometry.reference]
    stars = _stars(results, sky, reference)
    maps = _maps(geometry, sky, indices, folder / "work" / "grades")
    outer = figures["size_ratio_corners"]
    return (
        f"{case.name:>5} {figures['frames_kept']:>3}/{frames} placed {figures['registration_rms_px']:.3f} | places "
        f"{stars['places'][0]:.3f} {stars['places'][1]:.3f} ({stars['stars']}) exact {stars['exact'][0]:.3f} "
        f"{stars['exact'][1]:.3f} (one frame {stars['alone'][0]:.3f} {stars['alone'][1]:.3f}) | size "
        f"{figures['size_ratio']:.3f} {'  -  ' if outer is None else f'{outer:.3f}'} | map "
        f"{maps['map'][0]:.3f} {maps['map'][1]:.3f} | wcs {_wcs(results, sky, reference):.3f} | "
        f"homography {maps['warps'][0]:.2f} polynomial {maps['warps'][1]:.3f}"
    )


def planted(case: Case, seeds: int) -> str:
    """One line of the table of planted star lists: map errors, the worst run's in brackets, and plain warps'."""
    kinds = ("homography", "polynomial")
    field, edge, warps = [], [], []
    for seed in range(1, seeds + 1):
        run = sequence(int(case.lens_mm), case.mount, frames=PLANTED_FRAMES, seed=seed)
        reference = PLANTED_FRAMES // 2
        geometry, result = fitted_run(run, reference, placed_run(run, reference))
        errors = map_errors(run, reference, ours(run, geometry))
        field.append(of_all(errors))
        edge.append(of_all(corners(errors)))
        warps.append([of_all(map_errors(run, reference, one_warp(run, reference, result.rows, k))) for k in kinds])
    homography, polynomial = np.mean(warps, axis=0)
    return (
        f"{case.lens_mm:4g} mm {case.mount:8} map {np.mean(field):.4f} ({max(field):.4f}), corners {np.mean(edge):.4f} "
        f"({max(edge):.4f}) | homography {homography:.3f} polynomial {polynomial:.3f}"
    )


def main() -> None:
    """Print a line a case."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, help="folder for frames and results; without it the first table alone")
    parser.add_argument("--seeds", type=int, default=4, help="planted runs of each case")
    parser.add_argument("--only", nargs="+", choices=[c.name for c in CASES])
    parser.add_argument("--frames", type=int, default=14)
    parser.add_argument("--width", type=int, default=1800)
    parser.add_argument("--again", action="store_true", help="make and run what is there already once more")
    arguments = parser.parse_args()
    cases = [case for case in CASES if arguments.only is None or case.name in arguments.only]
    for case in cases:
        print(planted(case, arguments.seeds), flush=True)
    for case in cases if arguments.out is not None else ():
        folder = arguments.out / case.name
        print(measure(case, folder, arguments.frames, arguments.width, arguments.again), flush=True)


if __name__ == "__main__":
    main()
