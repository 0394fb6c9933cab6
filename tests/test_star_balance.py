"""The balance of colours for demosaicing: planted stars' curvatures, and the sizes that a demosaic by it leaves.

A Gaussian of flux F and second moment m has the curvature F / (2 pi m^2) at its top (elementary calculus).
"""

from __future__ import annotations

import numpy as np
import pytest
from astropy.table import Table
from scipy.ndimage import shift

from pipeline.scene.inputs import scene_balance
from pipeline.sensor.demosaic import NEUTRAL, demosaic
from pipeline.stars.balance import sky_balance, star_balance
from pipeline.stars.colours import colour_offsets
from pipeline.stars.measure import STAR_DTYPE

COLOUR = (0.55, 1.0, 0.7)  # of the stars, raw values
WIDER = (1.05, 1.0, 1.0)  # their pictures, times the green one's width
BLACK, SKY, M = 500, (100.0, 150.0, 80.0), 1.05**2 + 1 / 12


def field(seed=1, apart=(0.0, 0.0), noise=2.0, number=12):
    """A mosaic of `number` squared stars, whose red and blue lie `apart` px beside green, and their list."""
    rng = np.random.default_rng(seed)
    side = 40 * (number + 1)
    y, x = np.mgrid[:side, :side].astype(np.float64)
    colour = np.array([0, 1, 1, 2])[2 * (np.arange(side)[:, None] & 1) + (np.arange(side) & 1)]
    light = np.array(SKY)[colour]
    stars = np.zeros(number**2, STAR_DTYPE)
    for n in range(len(stars)):
        x0, y0 = 40.0 * (n % number + 1) + rng.uniform(-1, 1), 40.0 * (n // number + 1) + rng.uniform(-1, 1)
        flux, red = 10 ** rng.uniform(4.2, 5), 10 ** rng.normal(0, 0.1)  # stars differ in colour
        cut = np.s_[int(y0) - 12 : int(y0) + 13, int(x0) - 12 : int(x0) + 13]
        for c in range(3):
            m = (WIDER[c] * 1.05) ** 2 + 1 / 12
            dx = x[cut] - x0 - (apart[0] if c == 0 else -apart[0] if c == 2 else 0.0)
            dy = y[cut] - y0 - (apart[1] if c == 0 else -apart[1] if c == 2 else 0.0)
            own = COLOUR[c] * flux * (red, 1.0, 1 / red)[c] / (2 * np.pi * m)
            light[cut] += np.where(colour[cut] == c, own * np.exp(-(dx**2 + dy**2) / 2 / m), 0.0)
        stars[n] = np.zeros(1, STAR_DTYPE)[0]
        for name, value in (("x", x0), ("y", y0), ("flux", flux), ("flux_error", 50.0), ("mxx", M), ("myy", M)):
            stars[name][n] = value
    pixels = np.rint(light + BLACK + rng.normal(0, noise, light.shape)).clip(0, 65535).astype(np.uint16)
    return pixels, stars[np.argsort(-stars["flux"])]


def told(pixels, stars):
    black = [BLACK] * 4
    return star_balance(pixels, "RGGB", black, stars, colour_offsets(pixels, "RGGB", black, 65000.0, stars))


@pytest.mark.parametrize("apart", [(0.0, 0.0), (1.3, -0.8)])
def test_the_balance_is_that_of_the_pictures_curvatures(apart):
    """Red a twentieth wider, a lens that displaces colours or none: (m of red over green) squared over flux."""
    red, blue, number = told(*field(apart=apart))
    assert number > 100
    assert red == pytest.approx((((1.05 * 1.05) ** 2 + 1 / 12) / M) ** 2 / COLOUR[0], rel=0.03)
    assert blue == pytest.approx(1 / COLOUR[2], rel=0.03)


def test_stars_have_their_planted_size_in_every_colour():
    """Mean pictures of the stars demosaiced by that balance, against the planted moments; without one red misses."""
    pixels, stars = field(noise=0.0)
    red, blue, _ = told(pixels, stars)
    mosaic = pixels.astype(np.float32) - BLACK
    true = np.array([(w * 1.05) ** 2 + 1 / 12 for w in WIDER])
    sizes = {}
    for balance in ((red, 1.0, blue), NEUTRAL):
        planes = demosaic(mosaic, "RGGB", balance)
        moments = []
        for c, plane in enumerate(planes.astype(np.float64)):
            total = np.zeros((17, 17))
            for star in stars:
                x, y = round(float(star["x"])), round(float(star["y"]))
                cut = plane[y - 12 : y + 13, x - 12 : x + 13] - SKY[c]
                total += shift(cut, (y - star["y"], x - star["x"]), order=5)[4:21, 4:21]
            moments.append(adaptive(total))
        sizes[balance] = np.sqrt(np.array(moments) / true)
    assert np.abs(sizes[red, 1.0, blue] - 1).max() < 0.03
    assert np.ptp(sizes[red, 1.0, blue]) < 0.02
    assert sizes[NEUTRAL][0] < 0.93


def adaptive(picture):
    """Second moment of the round Gaussian that matches its own weight (Bernstein & Jarvis 2002)."""
    y, x = np.mgrid[-8:9, -8:9]
    m = 1.5
    for _ in range(100):
        weighted = picture * np.exp(-(x**2 + y**2) / 2 / m)
        m = float((weighted * (x**2 + y**2)).sum() / weighted.sum())
    return m


def test_few_stars_tell_nothing_and_the_sky_its_median():
    pixels, stars = field(number=4)
    assert told(pixels, stars) is None
    assert sky_balance(pixels, "RGGB", [BLACK] * 4) == pytest.approx((1.5, 150 / 80), rel=0.02)
    assert sky_balance(pixels, "MONO", [BLACK] * 4) is None


def test_a_scene_has_one_balance(tmp_path):
    """The kept frames' median by their stars; else what the file states; else their sky's."""
    path = tmp_path / "v.ecsv"

    def scene(rows, stated=None):
        names = ("verdict", "balance_red", "balance_blue", "balance_stars")
        Table(rows=rows, names=names).write(path, overwrite=True)
        return scene_balance(path, stated)

    daylight = (2.0, 1.0, 1.5)
    stars = [("kept", 2.1, 1.3, 90), ("kept", 2.2, 1.4, 80), ("kept", 2.4, 1.6, 70), ("set aside", 9.0, 9.0, 99)]
    sky = [("kept", 1.1, 1.2, 0), ("kept", 1.3, 1.4, 0)]
    assert scene([*stars, *sky]) == scene([*stars, *sky], daylight) == (2.2, 1.0, 1.4)
    assert scene(sky, daylight) == daylight
    assert scene(sky) == (1.2, 1.0, 1.3)
    assert scene([("kept", 30.0, 1.2, 90)], daylight) == daylight  # a lamp's, or none
    assert scene([("set aside", 1.1, 1.2, 3)]) == NEUTRAL
