"""Colours of saturated stars, told from their pixels that are not full. Planted: Moffat stars [Moffat 1969,
A&A 3, 455] on a mosaic, cut at saturation."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.stars.fullcolour import PER_UNIT, UNKNOWN, full_star_colours
from pipeline.stars.measure import STAR_DTYPE

FULL, BLACK, NOISE = 15_000.0, 512.0, 20.0
SPACING = 48


def planted(beta: float, fwhm: float, shift: float, trail: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A mosaic RGGB of 5 x 8 saturated stars, red and blue `shift` px off green; star list; log colours."""
    rng = np.random.default_rng(5)
    rows, columns = 5, 8
    height, width = rows * SPACING, columns * SPACING
    truth = rng.normal([-0.5, -0.4], 0.35, (rows * columns, 2))
    alpha = fwhm / 2 / np.sqrt(2 ** (1 / beta) - 1)
    yy, xx = np.mgrid[0:height, 0:width]
    place = 2 * (yy & 1) + (xx & 1)
    letter = np.array([0, 1, 1, 2])[place]
    light = np.full((height, width), 300.0)
    stars = np.zeros(rows * columns + 20, STAR_DTYPE)
    for n in range(rows * columns):
        x, y = (rng.uniform(-0.5, 0.5, 2) + SPACING / 2) + SPACING * np.array([n % columns, n // columns])
        height_of = np.exp([truth[n, 0], 0.0, truth[n, 1]]) * FULL * rng.uniform(3, 20)
        box = (slice(int(y) - 22, int(y) + 23), slice(int(x) - 22, int(x) + 23))
        total = np.zeros((45, 45))
        for du in np.linspace(-0.4, 0.4, 5):
            for dv in np.linspace(-0.4, 0.4, 5):
                for t in np.linspace(-0.5, 0.5, 5) * trail:
                    off = shift * (letter[box] - 1)
                    r2 = (xx[box] + du - x - off - t) ** 2 + (yy[box] + dv - y) ** 2
                    total += (1 + r2 / alpha**2) ** -beta / 125
        light[box] += total * height_of[letter[box]]
        stars[n] = (x + rng.normal(0, 0.15), y + rng.normal(0, 0.15), 1e6, 1e3, 0, 0, 0, FULL, 300, True)
    sigma2 = (fwhm / 2.3548) ** 2
    # the frame's other stars, whose shapes are known
    stars[rows * columns :] = (5, 5, 1e4, 1e2, sigma2 + trail**2 / 12, 0, sigma2, 2e3, 300, False)
    raw = rng.normal(light, np.sqrt(NOISE**2 + light / 2)) + BLACK
    return np.clip(np.rint(raw), 0, FULL + BLACK).astype(np.uint16), stars, truth


@pytest.mark.parametrize(
    ("beta", "fwhm", "shift", "trail"),
    [(50.0, 2.2, 0.0, 0.0), (50.0, 3.0, 0.5, 0.0), (3.5, 2.2, 0.3, 0.0), (2.5, 2.6, 0.3, 0.0), (3.5, 2.6, 0.3, 2.5)],
)
def test_colours_come_back(beta: float, fwhm: float, shift: float, trail: float) -> None:
    """Medians within 6 %, two thirds of single stars in a single frame within 20 %; a scene has many frames."""
    pixels, stars, truth = planted(beta, fwhm, shift, trail)
    found = full_star_colours(pixels, "RGGB", [BLACK] * 4, FULL + BLACK, NOISE, stars)
    known = (found["full_red"] != UNKNOWN)[: len(truth)]
    assert known.mean() > 0.6
    assert (found["full_red"][len(truth) :] == UNKNOWN).all()
    for column, name in enumerate(("full_red", "full_blue")):
        off = found[name][: len(truth)][known] / PER_UNIT - truth[known, column]
        assert abs(np.median(off)) < 0.06
        assert np.quantile(np.abs(off), 2 / 3) < 0.2


def test_a_star_beyond_the_edge_is_left_out() -> None:
    """A place that was fitted outside of the frame, or to nothing, has no pixels to go by."""
    pixels, stars, _ = planted(3.5, 2.2, 0.0, 0.0)
    whole = full_star_colours(pixels, "RGGB", [BLACK] * 4, FULL + BLACK, NOISE, stars)
    stars["x"][0], stars["y"][1], stars["x"][2] = -30.0, 1e4, np.nan
    found = full_star_colours(pixels, "RGGB", [BLACK] * 4, FULL + BLACK, NOISE, stars)
    assert (found["full_red"][:3] == UNKNOWN).all()
    assert np.array_equal(found[3:], whole[3:])


def test_nothing_to_tell() -> None:
    """A monochrome frame has no colours; without stars of known shape none are measured."""
    pixels, stars, _ = planted(3.5, 2.2, 0.0, 0.0)
    assert (full_star_colours(pixels, "MONO", [BLACK] * 4, FULL + BLACK, NOISE, stars)["full_red"] == UNKNOWN).all()
    few = stars[:40]
    assert (full_star_colours(pixels, "RGGB", [BLACK] * 4, FULL + BLACK, NOISE, few)["full_red"] == UNKNOWN).all()
