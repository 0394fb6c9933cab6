"""How true the measured figures are: motions and star widths of rendered frames beside what was planted.

    python -m tests.accuracy [--fields 6]

Motions of 1 to 10 px in random directions, 300 stars at a signal-to-noise of 30; widths of 1.8 to 4 px at a
signal-to-noise of 12 to 1000. Every row is the worst and the median over that many fields.
"""

from __future__ import annotations

import argparse
import math

import numpy as np
from numpy.typing import NDArray

from pipeline.stars.measure import measure_mosaic
from pipeline.stars.motion import LensPattern, Shapes, frame_shape, usable
from pipeline.stars.shapes import fwhm_px
from tests.starfields import mosaic, random_field, render, star_flux

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


def motions(fields: int) -> None:
    """Print how motions come back."""
    print(f"motion of {STARS} stars, signal-to-noise 30, {fields} fields a row\n")
    print("| motion, px | error, median px | worst px | allowed | angle, worst deg | allowed |")
    print("|---|---|---|---|---|---|")
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
            f"| {length:g} | {np.median(off):+.3f} | {worst:+.3f} | {max(0.1, 0.05 * length):.2f} "
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


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--fields", type=int, default=6)
    arguments = parser.parse_args()
    motions(arguments.fields)
    widths(arguments.fields)


if __name__ == "__main__":
    main()
