"""Rows and columns that the readout shifts otherwise in each frame: found, and nothing else taken for them."""

import numpy as np
import pytest
from astropy.io import fits
from scipy import ndimage

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.sensor.banding import Banding, quarters_of, scene_banding
from pipeline.sensor.calibrate import dark_signal
from pipeline.sensor.mosaic import to_stored
from pipeline.sensor.patternfile import banding_hdus, read_banding
from pipeline.sensor.strips import strips_of
from pipeline.sensor.transfer import line_through, transfer_blocks

SHAPE, FRAMES, READ = (320, 480), 4, 4.0
Y, X = (a.astype(np.float32) for a in np.indices(SHAPE))
# what stands before a camera, or passes it, as a factor of the sky in frame k
SEEN = {
    "a clear sky": lambda k: 1.0,
    "a level horizon at dusk": lambda k: np.where(Y > 200, 0.3, 1 - 0.05 * k),
    "a roof's level tiles, lit more and more": lambda k: np.where((Y > 200) & (Y // 7 % 2 == 0), 1.5 + 0.1 * k, 1.0),
    "a dome of light along the horizon": lambda k: 1 + (1.5 + 0.1 * k) * np.exp(-(SHAPE[0] - Y) / 90),
    "rays of an aurora along the columns": lambda k: (
        1 + 0.5 * np.sin(X / 7 + 2 * k) ** 2 * np.exp(-(((Y - 160) / 160) ** 2))
    ),
    "a satellite along a row": lambda k: 1 + (k == 2) * 3 * np.exp(-(((Y - 100) / 1.2) ** 2) / 2),
}


def frames_of(seen, rows=0.0, columns=0.0, stars=150, hot=0.0, frames=FRAMES, step=3.0):
    """Mosaics as decode writes them, e- as ADU, and what was added to each row and column."""
    rng = np.random.default_rng(4)
    places, light = rng.uniform(8, 300, (stars, 2)), 10 ** rng.uniform(2, 4, stars)
    result = []
    charge = np.where(rng.random(SHAPE) < hot, 10 ** rng.uniform(1, 3.5, SHAPE), 0)
    for k in range(frames):
        mean = np.full(SHAPE, 60.0)
        mean[::2, ::2] *= 0.6
        mean[1::2, 1::2] *= 0.7
        mean *= SEEN[seen](k)
        for (y, x), flux in zip(places + [0, step * k], light, strict=True):
            near = (slice(int(y) - 6, int(y) + 7), slice(int(x) - 6, int(x) + 7))
            mean[near] += flux / 7.6 * np.exp(-((Y[near] - y) ** 2 + (X[near] - x) ** 2) / 2.4)
        shift = rows * rng.standard_normal(SHAPE[0]), columns * rng.standard_normal(SHAPE[1])
        values = rng.poisson(mean + charge) + READ * rng.standard_normal(SHAPE) + shift[0][:, None] + shift[1]
        result.append((np.clip(np.rint(values + 500), 0, 65535).astype(np.uint16), shift))
    return result


def banding_of(frames, mono=False):
    """What is found in them."""
    told = []
    for pixels, _ in frames:
        stored = np.empty(pixels.shape, np.uint16)
        to_stored(pixels, stored)
        told.append(quarters_of(strips_of(stored.view(">u2")), mono))
    return scene_banding(told)


@pytest.mark.parametrize("seen", SEEN)
def test_what_is_no_banding_is_left_alone(seen):
    """Sky, land and what passes make no banding."""
    assert banding_of(frames_of(seen)) == ([None] * FRAMES, None, None)


@pytest.mark.parametrize("seen", [seen for seen in SEEN if "lit" not in seen])
def test_what_is_seen_hides_no_banding(seen):
    """Where rows band, what is seen beside it is neither taken off with it nor hides it."""
    frames = frames_of(seen, rows=3.0)
    found, rows, columns = banding_of(frames)
    assert columns is None
    assert rows == pytest.approx(3.0, rel=0.15)
    left = [shift[0] - own.rows.mean(axis=1) for own, (_, shift) in zip(found, frames, strict=True)]
    assert np.std(left) < 1.2


@pytest.mark.parametrize("mono", [False, True])
def test_planted_shifts_come_back(mono):
    """Of rows and columns at once: what is left is near what 300 pixels of a line can tell, 0.5."""
    frames = frames_of("a clear sky", 2.0, 3.0)
    found, *_ = banding_of(frames, mono)
    for own, (_, (rows, columns)) in zip(found, frames, strict=True):
        assert np.std(rows - own.rows.mean(axis=1)) < 0.9
        assert np.std(columns - own.columns.mean(axis=0)) < 1.1


def test_stars_and_hot_pixels_hide_no_banding():
    """Behind a tracker, without a dark: what is left of small shifts is what 480 px cannot tell, and no star's light.

    A row's mean is known to 9 / sqrt(480) = 0.4, a third of the shifts. What stars and pixels that stay would bring
    into each frame alike is in the mean of all: no more may be left there than two thirds of what the shifts leave.
    """
    frames = frames_of("a clear sky", rows=1.2, stars=500, hot=0.01, frames=16, step=0.0)
    found, rows, columns = banding_of(frames)
    assert columns is None
    assert rows == pytest.approx(1.2, rel=0.25)
    planted = np.stack([shift[0] for _, shift in frames])
    left = planted - np.stack([own.rows.mean(axis=1) for own in found])
    assert np.std(left) < 0.5 * np.std(planted)
    assert np.std(left.mean(axis=0)) < 0.67 * np.std(planted.mean(axis=0))


def test_what_one_parity_is_shifted_by_is_its_own():
    """Two amplifiers a row: what the even columns' adds is taken off them alone."""
    frames = frames_of("a clear sky")
    rng = np.random.default_rng(9)
    shifted = []
    for pixels, _ in frames:
        rows = np.rint(3 * rng.standard_normal(SHAPE[0]))
        pixels[:, ::2] = (pixels[:, ::2] + rows[:, None]).astype(np.uint16)
        shifted.append((pixels, rows))
    found, *_ = banding_of(shifted)
    for own, (_, rows) in zip(found, shifted, strict=True):
        assert np.std(rows - own.rows[:, 0]) < 1.2
        assert np.std(own.rows[:, 1]) < 0.8


def test_pixels_noise_is_told_as_without_banding():
    """Photon transfer of two frames: banding is neither read noise nor gain."""
    plain, banded = (
        line_through([transfer_blocks(*(pixels for pixels, _ in frames[:2]), "RGGB", (500.0,) * 4, 65000.0)])
        for frames in (frames_of("a dome of light along the horizon", *shifts) for shifts in ((0, 0), (4.0, 3.0)))
    )
    assert plain.measured
    assert banded.measured
    assert banded.adu_per_electron == pytest.approx(plain.adu_per_electron, rel=0.05)
    assert banded.read_variance == pytest.approx(plain.read_variance, rel=0.15)


def test_banding_is_kept_in_the_file_of_defects(tmp_path):
    """What is written comes back, stands at every pixel of its parity, and is taken off with the dark."""
    rng = np.random.default_rng(1)
    own = Banding(rng.normal(0, 1, (6, 2)).astype(np.float32), rng.normal(0, 1, (2, 8)).astype(np.float32))
    flags = fits.PrimaryHDU(np.zeros((6, 8), np.uint8))
    fits.HDUList([flags, *banding_hdus({"one": own, "longer": own})]).writeto(tmp_path / "defects.fits")
    back = read_banding(tmp_path / "defects.fits")
    assert list(back) == ["one", "longer"]
    y, x = np.indices((6, 8))
    expected = own.rows[y, x % 2] + own.columns[y % 2, x]
    window = slice(2, 6), slice(4, 8)
    dark = np.full((6, 8), 3.0, np.float32)
    taken, factor = dark_signal(dark, None, 2.0, window, back["one"])
    np.testing.assert_allclose(taken * factor, expected[window] + 6, rtol=1e-6)
    taken, factor = dark_signal(dark, None, 0.0, banding=back["longer"])
    np.testing.assert_allclose(taken * factor, expected, rtol=1e-6)
    flags.writeto(tmp_path / "plain.fits")
    assert read_banding(tmp_path / "plain.fits") == {}


@pytest.mark.parametrize("masters", [0, 1, 2])
def test_strips_are_means_of_what_counts(masters):
    """The compiled loops give what plain NumPy says of stretches, medians to the last bit."""
    rng = np.random.default_rng(8)
    shape, across, down = (96, 422), 16, 16
    pixels = rng.poisson(400, shape).astype(np.uint16)
    pixels[rng.random(shape) < 0.02] = 5000
    planes = [rng.normal(20, 3, shape).astype(np.float32) for _ in range(masters)]
    stored = np.empty(shape, np.uint16)
    to_stored(pixels, stored)
    strips = strips_of(stored.view(">u2"), *[part for plane in planes for part in (plane, 0.5)][:3])
    values = pixels.astype(np.float32)
    for plane, by in zip(planes, (0.5, 1), strict=False):
        values -= np.float32(by) * plane
    off, far, middles = (np.empty(shape, np.float32) for _ in range(3))
    rows, columns = (
        np.minimum(np.arange(n) // side, n // side - 1) for n, side in zip(shape, (down, across), strict=True)
    )
    for i, j, row, column in np.ndindex(shape[0] // down, shape[1] // across, 2, 2):
        block = values[i * down + row : (i + 1) * down : 2, j * across + column : (j + 1) * across : 2]
        middle = np.median(block)
        reach = 3 * np.maximum(MAD_TO_SIGMA * np.median(np.abs(block - middle)), 1)
        here = np.ix_((rows == i) & (Y[: shape[0], 0] % 2 == row), (columns == j) & (X[0, : shape[1]] % 2 == column))
        off[here], far[here], middles[here] = values[here] - middle, reach, middle
    lit = ndimage.maximum_filter(off >= far, 3, mode="constant")
    counted = (np.abs(off) < far) & ~lit
    assert 0.7 < counted.mean() < 0.9
    for (k, parity), got in zip(np.ndindex(strips.rows.shape[:2]), strips.rows.reshape(-1, shape[0]), strict=True):
        part = np.s_[:, k * across + parity : (k + 1) * across : 2]
        number = np.maximum(counted[part].sum(axis=1), across // 4)
        expected = middles[:, k * across + parity] + (off * counted)[part].sum(axis=1) / number
        np.testing.assert_allclose(got, expected, rtol=1e-6)
    for (k, parity), got in zip(
        np.ndindex(strips.columns.shape[:2]), strips.columns.reshape(-1, shape[1]), strict=True
    ):
        part = np.s_[k * down + parity : (k + 1) * down : 2]
        number = np.maximum(counted[part].sum(axis=0), down // 4)
        expected = middles[k * down + parity] + (off * counted)[part].sum(axis=0) / number
        np.testing.assert_allclose(got, expected, rtol=1e-6)
