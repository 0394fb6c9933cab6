"""How true the measured figures are: motions, star widths, transparency and sky of rendered frames beside the planted.

    python -m tests.accuracy [--fields 6] [--only motions widths sky]

Motions of 1 to 10 px in random directions, 300 stars at a signal-to-noise of 30; widths of 1.8 to 4 px at a
signal-to-noise of 12 to 1000. Every row is the worst and the median over that many fields.
"""

from __future__ import annotations

import argparse
import json
import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from example_project.maker import Fault as EventFault
from example_project.maker import Frame, Scenario, Sensor, make_scenario
from pipeline.config import GradeSettings, JudgeSettings
from pipeline.judging.clouds import cloud_figures, see_sky
from pipeline.judging.graded import Graded
from pipeline.judging.tracks import follow
from pipeline.judging.verdicts import Figures
from pipeline.plan import PlannedFrame, ScenePlan
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.stars.measure import measure_mosaic
from pipeline.stars.motion import LensPattern, Shapes, frame_shape, usable
from pipeline.stars.shapes import fwhm_px
from pipeline.stars.tiles import TILES
from pipeline.stars.trails import drawn_out
from tests.starfields import grade_mosaic, mosaic, random_field, render, star_flux

SHAPE = (900, 1400)
BLACK = (512.0,) * 4
NOISE = 10.0
STARS = 300
MOTIONS = (1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0)
WIDTHS = (1.8, 2.4, 3.0, 4.0)
RATIOS = (12.0, 20.0, 50.0, 200.0, 1000.0)


def measured(
    rng: np.random.Generator, snr: float, fwhm: float, motion: tuple[float, float] = (0.0, 0.0)
) -> NDArray[np.void]:
    """The star list of one rendered frame whose stars all have this signal-to-noise as they are drawn."""
    length = math.hypot(*motion)
    # a star drawn out covers more noise: the area of its Gaussian grows with its length
    sigma2 = (fwhm / 2.3548) ** 2 + 1 / 12
    flux = star_flux(snr, math.sqrt(sigma2) * 2.3548, NOISE) * math.sqrt(2) * (1 + length**2 / 12 / sigma2) ** 0.25
    field = random_field(rng, SHAPE, STARS, (flux, 1.0001 * flux), apart=22)
    light = render(SHAPE, field, fwhm, motion=motion)
    return measure_mosaic(mosaic(rng, light, saturation=65535, noise=NOISE), "RGGB", BLACK, 65535)


def least_scatter(length: float) -> float:
    """Standard deviation, px, that no estimate of a motion from these stars can fall below.

    Cramer-Rao of an elliptical Gaussian in background noise: each principal second moment is known to sqrt(8) of itself
    over the signal-to-noise (Condon 1997, PASP 109, 166), their difference to sqrt(8) hypot of both.
    """
    across = (2.5 / 2.3548) ** 2 + 1 / 12

    def along(motion: float) -> float:
        return float(drawn_out(np.array([across, 0.0, across]), np.array([motion, 0.0]))[0])

    slope = (along(length + 0.01) - along(length - 0.01)) / 0.02
    return math.sqrt(8 / STARS) / 30 * math.hypot(across, along(length)) / slope


def motions(fields: int) -> None:
    """Print how motions come back."""
    print(f"motion of {STARS} stars, signal-to-noise 30, {fields} fields a row\n")
    print("| motion, px | error, mean px | scatter | least scatter | worst px | allowed | angle, worst deg | allowed |")
    print("|---|---|---|---|---|---|---|---|")
    for length in MOTIONS:
        off, turned = [], []
        for seed in range(fields):
            rng = np.random.default_rng([seed, round(10 * length)])
            angle = rng.uniform(0, math.pi)
            stars = measured(rng, 30, 2.5, (length * math.cos(angle), length * math.sin(angle)))
            shapes: Shapes = usable(stars)
            part = frame_shape(shapes, LensPattern(SHAPE[1], SHAPE[0]))
            assert part is not None
            off.append(part.length - length)
            turned.append(abs((part.angle_deg - math.degrees(angle) + 90) % 180 - 90))
        worst = off[int(np.argmax(np.abs(off)))]
        print(
            f"| {length:g} | {np.mean(off):+.3f} | {np.std(off):.3f} | {least_scatter(length):.3f} | {worst:+.3f} "
            f"| {max(0.1, 0.05 * length):.2f} "
            f"| {max(turned):.1f} | {8 if length < 2 else 3} |",
            flush=True,
        )


def widths(fields: int) -> None:
    """Print the bias of star widths against the planted, pixel integration counted."""
    print("\nbias of the star width, %, median over the stars of all fields (allowed 1)\n")
    print(f"| signal-to-noise | {' | '.join(f'{w:g} px' for w in WIDTHS)} |\n|---|{'---|' * len(WIDTHS)}")
    for snr in RATIOS:
        cells = []
        for width in WIDTHS:
            true = 2.3548 * math.sqrt((width / 2.3548) ** 2 + 1 / 12)
            found = []
            for seed in range(fields):
                stars = measured(np.random.default_rng([seed, round(snr), round(10 * width)]), snr, width)
                good = ~stars["saturated"]
                found.append(fwhm_px(stars["mxx"][good], stars["myy"][good]))
            cells.append(f"{100 * (float(np.median(np.concatenate(found))) / true - 1):+.2f}")
        print(f"| {snr:g} | {' | '.join(cells)} |", flush=True)


SKIES = ((14.0, False), (24.0, False), (35.0, True), (50.0, True), (85.0, True))  # focal lengths, tracked
SKY_FAULTS = {
    1: EventFault("haze", 0.25),
    2: EventFault("cloud", 0.4, share=0.5),
    3: EventFault("cloud", 0.7, share=0.5, phase=0.1),
    5: EventFault("bright", 2.0),
}
SKY_FRAMES, SKY_SIZE, PITCH_UM = 8, (1296, 864), 12.0


def _sky_scenario(focal: float, tracked: bool, seed: int, **changes: Any) -> Scenario:
    width, height = SKY_SIZE
    exposure = 60.0 if tracked else round(300 / focal, 1)
    return make_scenario(
        lens_mm=focal, pitch_um=PITCH_UM, width=width, height=height, n=SKY_FRAMES, exposure_s=exposure,
        mount="tracked" if tracked else "tripod", altitude_deg=50.0, azimuth_deg=70.0 * seed, seed=seed,
        sensor=Sensor(width, height, dark_current=0.0), faults=SKY_FAULTS, **changes,
    )  # fmt: skip


def _part_medians(x: NDArray[Any], y: NDArray[Any], values: NDArray[Any], grid: tuple[int, ...]) -> NDArray[np.float64]:
    """Median and spread of values at places over the parts of a grid, (2, rows, columns); NaN where none is."""
    rows = np.clip(y * grid[0] / SKY_SIZE[1], 0, grid[0] - 1).astype(int)
    columns = np.clip(x * grid[1] / SKY_SIZE[0], 0, grid[1] - 1).astype(int)
    out = np.full((2, *grid), np.nan)
    for i, j in np.ndindex(*grid):
        here = values[(rows == i) & (columns == j)]
        if len(here):
            out[:, i, j] = np.median(here), np.ptp(here)
    return out


def sky(seeds: int) -> None:
    """Print how transparencies of parts and sky levels come back, from pixels through grade and judge."""
    print(f"\ntransparency of parts of the field against planted, sky level in electrons, {seeds} scenes a row; of the"
          " parts that are stated\n")  # fmt: skip
    columns = ("lens", "clear parts", "stated", "off by, 95 %", "beyond 0.02", "scatter over error", "parts in cloud",
               "stated", "off by, 95 %", "beyond 0.05", "sky, median %", "worst %")  # fmt: skip
    print(f"| {' | '.join(columns)} |\n|{'---|' * len(columns)}")
    for focal, tracked in SKIES:
        clear_off, cloud_off, level_off = [], [], []  # of parts: off by, error, whether stated
        for seed in range(1, seeds + 1):
            scenario = _sky_scenario(focal, tracked, seed)
            rendered = [scenario.render(n) for n in range(SKY_FRAMES)]
            frames = [graded_sky(frame, n) for n, frame in enumerate(rendered)]
            dim, bright = (_sky_scenario(focal, tracked, seed, stars_max=1).light(n)[0] for n in (0, 5))
            for n, smooth in ((0, dim), (5, bright)):
                planted = np.median(_green_parts(smooth), axis=(0, 1)) / scenario.exposure_s
                told = np.median(json.loads(frames[n].row["tile_sky_adu"])) * scenario.sensor.gain / scenario.exposure_s
                level_off.append(100 * (told / planted - 1))
            plan = ScenePlan("scene", ("b",), tuple(f.plan for f in frames))
            tracks = follow([f.stars for f in frames], *SKY_SIZE)
            figures = [Figures(f.plan.id) for f in frames]
            seen = see_sky(frames, tracks, plan, JudgeSettings(), None)
            told_parts = cloud_figures(figures, frames, seen, JudgeSettings())
            assert told_parts is not None
            for n, frame in enumerate(rendered):
                stars = frame.truth.stars
                assert stars is not None
                planted, spread = _part_medians(
                    stars.x[:, 1], stars.y[:, 1], stars.transmission, told_parts.parts.shape[1:]
                )
                off = np.stack([told_parts.parts[n] - planted, told_parts.error[n], told_parts.stated[n]])
                known = np.isfinite(off[0])
                clear_off.append(off[:, known & (planted > 0.995)])
                cloud_off.append(off[:, known & (planted < 0.9) & (spread < 0.1)])
        clear, cloud = (np.concatenate(part, axis=1) for part in (clear_off, cloud_off))
        shares = [f"{part.shape[1]} | {100 * part[2].mean():.0f} %" for part in (clear, cloud)]
        clear, cloud = (part[:, part[2] > 0] for part in (clear, cloud))
        pull = float(np.std(clear[0] / clear[1]))
        clear, cloud = np.abs(clear[0]), np.abs(cloud[0])
        levels = np.array(level_off)
        print(
            f"| {focal:g} mm {'tracked' if tracked else 'tripod'} | {shares[0]} | {np.quantile(clear, 0.95):.3f} "
            f"| {100 * np.mean(clear > 0.02):.1f} % | {pull:.2f} | {shares[1]} | {np.quantile(cloud, 0.95):.3f} "
            f"| {100 * np.mean(cloud > 0.05):.1f} % | {np.median(levels):+.2f} "
            f"| {levels[np.argmax(np.abs(levels))]:+.2f} |",
            flush=True,
        )


def _green_parts(image: NDArray[np.float32]) -> NDArray[np.float64]:
    """Medians of the green pixels (RGGB) over the parts of the coarse grid."""
    green = (image[0::2, 1::2] + image[1::2, 0::2]) / 2
    rows, columns = TILES
    parts = green[: green.shape[0] // rows * rows, : green.shape[1] // columns * columns]
    return np.median(parts.reshape(rows, parts.shape[0] // rows, columns, -1), axis=(1, 3))


def graded_sky(frame: Frame, index: int) -> Graded:
    """A rendered frame, graded."""
    meta = frame.meta
    header = MosaicHeader(
        f"f{index}", "RGGB", (512.0,) * 4, 15871.0, exposure_s=meta.exposure_s, focal_mm=meta.focal_mm,
        pixel_um=PITCH_UM,
    )  # fmt: skip
    row, stars = grade_mosaic(frame.mosaic, header, GradeSettings())
    taken = meta.taken.replace(tzinfo=None).isoformat()
    plan = PlannedFrame(f"f{index}", "/none", f"f{index}", "light", taken=taken, exposure_s=meta.exposure_s)
    return Graded(plan, {**row, "status": "ok", "detail": ""}, stars)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fields", type=int, default=6)
    parser.add_argument("--only", nargs="+", choices=("motions", "widths", "sky"), default=("motions", "widths", "sky"))
    arguments = parser.parse_args()
    for name, table in (("motions", motions), ("widths", widths), ("sky", sky)):
        if name in arguments.only:
            table(arguments.fields)


if __name__ == "__main__":
    main()
