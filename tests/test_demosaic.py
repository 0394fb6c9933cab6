"""Demosaicing against a slow statement of the published sums and against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.sensor.cfa import CFA_PATTERNS
from pipeline.sensor.demosaic import NEUTRAL, demosaic, demosaic_padded, response, usable_balance
from pipeline.sensor.mosaic import colour_planes
from tests.planted_scenes import add_star

# Malvar, He & Cutler 2004, figure 2, in eighths: the kernels for green at red or blue; for red at green in a row with
# red; for red at green in a row with blue; for red at blue.
GREEN = [[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]
ROW = [[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]]
COLUMN = np.transpose(ROW).tolist()
CORNER = [[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]]


def malvar_by_convolution(mosaic: NDArray[np.float64], cfa: str) -> NDArray[np.float64]:
    """The same by scipy's convolutions, each kernel everywhere and then chosen by place."""
    sums = {
        name: ndimage.correlate(mosaic, np.array(kernel) / 8, mode="mirror")
        for name, kernel in (("green", GREEN), ("row", ROW), ("column", COLUMN), ("corner", CORNER))
    }
    where = {c: np.zeros(mosaic.shape, bool) for c in "RGB"}
    for colour, places in colour_planes(cfa).items():
        for i, j in places:
            where[colour][i::2, j::2] = True
    red_rows = where["R"].any(axis=1)[:, None] & np.ones(mosaic.shape, bool)
    planes = []
    for colour in "RGB":
        plane = mosaic.copy()
        if colour == "G":
            plane[~where["G"]] = sums["green"][~where["G"]]
        else:
            same_row = red_rows if colour == "R" else ~red_rows
            plane[where["G"] & same_row] = sums["row"][where["G"] & same_row]
            plane[where["G"] & ~same_row] = sums["column"][where["G"] & ~same_row]
            opposite = where["B" if colour == "R" else "R"]
            plane[opposite] = sums["corner"][opposite]
        planes.append(plane)
    return np.stack(planes)


@pytest.mark.parametrize("cfa", CFA_PATTERNS)
@pytest.mark.parametrize("shape", [(32, 40), (31, 37), (3, 3)])
def test_equals_the_published_kernels_by_scipy_convolution(cfa: str, shape: tuple[int, int]) -> None:
    """Every phase and odd sizes give what scipy's convolution with the paper's kernels gives, edges included."""
    mosaic = np.random.default_rng(1).normal(100, 30, shape)
    expected = malvar_by_convolution(mosaic, cfa)
    np.testing.assert_allclose(demosaic(mosaic.astype(np.float32), cfa), expected, rtol=2e-6, atol=1e-4)


@pytest.mark.parametrize("cfa", CFA_PATTERNS)
def test_a_grey_ramp_comes_back_exactly(cfa: str) -> None:
    """Every colour of a linear grey ramp is the ramp itself away from the edges."""
    y, x = np.mgrid[0:30, 0:36].astype(np.float32)
    ramp = 3 * x - 2 * y + 50
    np.testing.assert_allclose(demosaic(ramp, cfa)[:, 2:-2, 2:-2], np.stack([ramp] * 3)[:, 2:-2, 2:-2], atol=1e-4)


def test_mono_passes_through() -> None:
    """A monochrome mosaic is its only plane."""
    mosaic = np.random.default_rng(2).normal(size=(8, 9)).astype(np.float32)
    assert np.array_equal(demosaic(mosaic, "MONO"), mosaic[None])


@pytest.mark.parametrize(("top", "left"), [(0, 0), (1, 0), (4, 7), (5, 3)])
def test_a_region_equals_the_whole(top: int, left: int) -> None:
    """A region with its margin gives the same numbers as the whole mosaic, whatever row and column it begins at."""
    mosaic = np.random.default_rng(3).normal(size=(40, 44)).astype(np.float32)
    planes = np.empty((3, 12, 15), np.float32)
    padded = np.pad(mosaic, 2, mode="reflect")[top : top + 16, left : left + 19]
    demosaic_padded(np.ascontiguousarray(padded), "GRBG", top, left, planes)
    assert np.array_equal(planes, demosaic(mosaic, "GRBG")[:, top : top + 12, left : left + 15])


@pytest.mark.parametrize("cfa", CFA_PATTERNS)
def test_the_response_is_the_linear_map_itself(cfa: str) -> None:
    """Summing a mosaic with the stated responses gives the demosaiced picture."""
    mosaic = np.random.default_rng(4).normal(size=(20, 20)).astype(np.float32)
    kernels, planes = response(cfa), demosaic(mosaic, cfa)
    for c in range(3):
        for y, x in ((6, 6), (6, 7), (7, 6), (7, 7)):
            value = (kernels[c, y % 2, x % 2] * mosaic[y - 2 : y + 3, x - 2 : x + 3]).sum()
            assert value == pytest.approx(planes[c, y, x], abs=1e-5)


def test_star_colours_are_kept() -> None:
    """Red and blue fluxes of random-phase white stars of FWHM 2.5 stay within 0.8 % of green's (check-values.md, 6)."""
    rng = np.random.default_rng(5)
    ratios = []
    for _ in range(40):
        image = np.zeros((32, 32))
        x, y = rng.uniform(15, 17, 2)
        add_star(image, x, y, 1e4, 2.5)
        planes = demosaic(image.astype(np.float32), "RGGB")  # a white star: every colour sees the same
        fluxes = planes.sum(axis=(1, 2))
        ratios.append(fluxes[[0, 2]] / fluxes[1])
    # scatter by the sampling of red and blue: 2 exp(-pi^2 s^2 / 2) = 0.75 %, computed (check-values.md, 6)
    s = 2.5 / 2.3548
    assert np.std(ratios) < 2 * np.exp(-(np.pi**2) * s**2 / 2)
    assert abs(np.mean(ratios) - 1) < 0.002


def test_bilinear_widens_red_more() -> None:
    """Malvar's red stars stay within 4 % of their true size; bilinear ones are over 8 % too wide."""
    rng = np.random.default_rng(6)
    sizes: dict[str, list[float]] = {"malvar": [], "bilinear": []}
    y, x = np.mgrid[0:32, 0:32]
    red = (np.add.outer(np.arange(32) % 2, np.arange(32) % 2) == 0).astype(float)
    for _ in range(30):
        image = np.zeros((32, 32))
        cx, cy = rng.uniform(15, 17, 2)
        add_star(image, cx, cy, 1e4, 2.5)
        kernel = np.array([[0.25, 0.5, 0.25], [0.5, 1, 0.5], [0.25, 0.5, 0.25]])
        for name, plane in (
            ("malvar", demosaic(image.astype(np.float32), "RGGB")[0]),
            ("bilinear", ndimage.correlate(image * red, kernel, mode="mirror")),
        ):
            weight = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 2.0**2)) * plane
            sizes[name].append(float((weight * ((x - cx) ** 2 + (y - cy) ** 2)).sum() / weight.sum()))
        truth = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 2.0**2)) * image
        sizes.setdefault("truth", []).append(float((truth * ((x - cx) ** 2 + (y - cy) ** 2)).sum() / truth.sum()))
    widths = {name: np.sqrt(np.mean(values)) for name, values in sizes.items()}
    assert abs(widths["malvar"] / widths["truth"] - 1) < 0.04
    assert widths["bilinear"] / widths["truth"] > 1.08


@pytest.mark.parametrize(
    ("mosaic", "cfa", "words"),
    [
        (np.zeros((2, 9), np.float32), "RGGB", "at least 3 x 3"),
        (np.zeros((9, 9), np.float32), "RGBG", "must be MONO or one of"),
    ],
)
def test_what_cannot_be_demosaiced_is_said(mosaic: NDArray[np.float32], cfa: str, words: str) -> None:
    """Too small a mosaic and an unknown pattern are refused in words."""
    with pytest.raises((ValueError, KeyError), match=words):
        demosaic(mosaic, cfa)


def test_planes_of_another_size_are_refused() -> None:
    """A region must bring its margin."""
    with pytest.raises(ValueError, match="must be 4 larger than planes"):
        demosaic_padded(np.zeros((8, 8), np.float32), "RGGB", 0, 0, np.zeros((3, 8, 8), np.float32))
    with pytest.raises(ValueError, match="must hold 1 colours for MONO"):
        demosaic_padded(np.zeros((12, 12), np.float32), "MONO", 0, 0, np.zeros((3, 8, 8), np.float32))


BALANCE = (1.9, 1.0, 1.6)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_balance_is_multiplying_before_and_dividing_after(cfa):
    """The correction is made on balanced values: equal to balancing the mosaic, Malvar's sums, and balancing back."""
    mosaic = np.random.default_rng(7).normal(900, 200, (22, 26)).astype(np.float32)
    gains = np.array([BALANCE["RGB".index(c)] for c in cfa], np.float32).reshape(2, 2)
    slow = demosaic(mosaic * np.tile(gains, (11, 13)), cfa) / np.array(BALANCE, np.float32)[:, None, None]
    np.testing.assert_allclose(demosaic(mosaic, cfa, BALANCE), slow, rtol=3e-6, atol=2e-3)


def test_a_white_star_through_unequal_filters_has_no_dark_rings():
    """Of a star whose raw values are in the ratio of the multipliers, red and blue undershoot less than half as far."""
    y, x = np.mgrid[:41, :41]
    star = 10_000 * np.exp(-((x - 20.4) ** 2 + (y - 19.7) ** 2) / (2 * (2.4 / 2.3548) ** 2))
    mosaic = np.empty((41, 41), np.float32)
    for place, colour in enumerate("RGGB"):
        i, j = divmod(place, 2)
        mosaic[i::2, j::2] = star[i::2, j::2] / BALANCE["RGB".index(colour)]
    plain, balanced = demosaic(mosaic, "RGGB"), demosaic(mosaic, "RGGB", BALANCE)
    assert plain[[0, 2]].min() < 2 * balanced[[0, 2]].min() < 0
    flux = balanced.sum(axis=(1, 2)) * BALANCE
    # samples two pixels apart: 2 exp(-pi^2 s^2 / 2) of the flux hangs on where the star lies among them
    np.testing.assert_allclose(flux, star.sum(), rtol=2 * np.exp(-(np.pi**2) * (2.4 / 2.3548) ** 2 / 2))


def test_multipliers_that_make_no_sense_are_not_used():
    """A camera's multipliers count only where they can be those of its filters."""
    assert usable_balance((2.0, 1.0, 1.5)) == (2.0, 1.0, 1.5)
    assert usable_balance(None) == usable_balance((2.0, 1.0, 9.0)) == usable_balance((0.1, 1.0, 1.0)) == NEUTRAL
