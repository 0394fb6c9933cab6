"""Dark rings about sharp stars and lamps are filled, with their own light; sky, noise and land stay as they are."""

import numpy as np
import pytest
from astropy.io import fits
from scipy import ndimage

from pipeline.pixels.positions import position_grid
from pipeline.pixels.rings import ON_LAND, rings_filled_slow, with_rings_filled
from pipeline.sensor.mosaic import MosaicFile, MosaicHeader, write_mosaic
from pipeline.stack import output
from pipeline.stack.output import CombinedWriter
from pipeline.stack.sources import Calibration, Frame, Part, Scratch, load_tile

SIZE, SKY, BLACK, FULL, NOISE = 64, 300.0, 512.0, 15_000.0, 3.0
GAINS = (2.0, 1.0, 1.5)
SITES = np.tile([[0, 1], [1, 2]], (SIZE // 2, SIZE // 2))
WHITE, RED, BLUE = (0.5, 1.0, 0.67), (1.0, 0.6, 0.2), (0.25, 0.8, 1.0)


def star(fwhm, x=31.3, y=30.6):
    """Light of a star integrated over each pixel, peak about 1."""
    v, u = np.mgrid[: 8 * SIZE, : 8 * SIZE] / 8 - 7 / 16
    light = np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * (fwhm / 2.3548) ** 2))
    return light.reshape(SIZE, 8, SIZE, 8).mean(axis=(1, 3))


def mean_of_frames(folder, fwhm, colour, peak, frames=12):
    """The mean of frames, as combine demosaics and resamples them, in which a star stands at places of its own."""
    rng, total = np.random.default_rng(4), np.zeros((3, SIZE, SIZE))
    header = MosaicHeader("a", "RGGB", (BLACK,) * 4, FULL + BLACK)
    for number in range(frames):
        dx, dy = rng.uniform(-1, 1, 2)
        light = SKY + peak * np.array(colour)[SITES] * star(fwhm, 31.3 + dx, 30.6 + dy)
        write_mosaic(folder / f"{number}.fits", np.rint(light + BLACK).astype(np.uint16), header)
        grid = position_grid(lambda x, y, dx=dx, dy=dy: (x + dx, y + dy), (SIZE, SIZE))
        frame = Frame("a", header, (SIZE, SIZE), 1.0, 1.0, 0.0, (grid,), GAINS)
        values, codes = np.zeros((3, SIZE, SIZE), np.float32), np.zeros((SIZE, SIZE), np.uint8)
        part = Part(np.zeros((3, *grid.shift.shape[:2]), np.float32), (0, 0), values, codes)
        assert load_tile(MosaicFile(folder / f"{number}.fits"), frame, Calibration(), part, Scratch())
        total += values
    return (total / frames)[:, 8:-8, 8:-8].astype(np.float32)


def filled(planes, noise=NOISE, shown=None, full=0.95 * FULL, over=0.0):
    """The planes with their rings filled."""
    shown = np.ones(planes.shape[1:], bool) if shown is None else shown
    sigma = np.full(planes.shape, noise, np.float32)
    result = with_rings_filled(planes, sigma, shown, GAINS, full, over)
    return planes if result is None else result


@pytest.mark.parametrize("colour", [WHITE, RED, BLUE])
@pytest.mark.parametrize("fwhm", [1.8, 2.3, 3.0])
def test_a_sharp_star_has_no_ring_and_keeps_its_light(tmp_path, fwhm, colour):
    """In no colour is a pixel about a star darker than the sky by 0.3 % of the star's peak and what of noise is left;
    its light is the same to 1e-4, and its peak falls below nine tenths of what was planted in none."""
    before = mean_of_frames(tmp_path, fwhm, colour, 12_000.0)
    after = filled(before)
    for one, other, light in zip(before, after, colour, strict=True):
        peak = one.max() - SKY
        if fwhm < 2 and colour == WHITE:
            assert SKY - one.min() > 0.03 * peak
        assert SKY - other.min() < 0.003 * peak + 1.5 * NOISE
        assert (other - SKY).sum() == pytest.approx((one - SKY).sum(), rel=1e-4)
        assert other.max() - SKY > 0.9 * min(peak, 12_000.0 * light * star(fwhm).max())


def test_noise_and_faint_stars_stay_to_the_bit():
    """Where nothing stands 40 standard deviations above what is around it nothing changes."""
    rng = np.random.default_rng(1)
    planes = (SKY + rng.normal(0, NOISE, (3, SIZE, SIZE)) + 30 * NOISE * star(2.0)).astype(np.float32)
    np.testing.assert_array_equal(filled(planes), planes)


def test_about_what_is_full_the_ring_is_filled_and_no_light_taken():
    """A lamp's full pixels keep their level, the ring about them is gone."""
    planes = np.full((3, SIZE, SIZE), SKY, np.float32)
    planes[:, 24:40, 24:40] = SKY - 700
    planes[:, 26:38, 26:38] = FULL
    result = filled(planes)
    assert result[:, 24:40, 24:40].min() >= SKY - 1.01 * NOISE
    np.testing.assert_array_equal(result[:, 26:38, 26:38], planes[:, 26:38, 26:38])


def test_the_texture_of_bright_land_stays():
    """Snow among rocks, two hundred times brighter than its noise and uneven by a third of it, keeps its texture to
    a hundredth."""
    rng = np.random.default_rng(2)
    texture = ndimage.gaussian_filter(rng.normal(size=(3, 160, 160)), (0, 1.2, 1.2))
    planes = (600 + 200 * texture / texture.std()).clip(20).astype(np.float32)
    change = filled(planes, over=ON_LAND) - planes
    assert change.std() < 0.01 * planes.std()
    assert (change > NOISE).mean() < 0.005


def scene_of(seed):
    """Noise, stars of many brightnesses with rings as deep as ringing makes them, and pixels that are not shown."""
    rng = np.random.default_rng(seed)
    planes = SKY + rng.normal(0, NOISE, (3, 96, 70))
    y, x = np.mgrid[:96, :70]
    for _ in range(14):
        r = np.hypot(x - rng.uniform(0, 70), y - rng.uniform(0, 96))
        shape = np.exp(-(r**2) / 2) - 0.05 * np.exp(-((r - 3.2) ** 2) / 0.5)
        planes += 10 ** rng.uniform(2, 4) * shape * rng.uniform(0.3, 1.5, 3)[:, None, None]
    shown = np.ones(planes.shape[1:], bool)
    shown[60:75, 40:55] = False
    return np.minimum(planes, FULL).astype(np.float32), shown


def test_the_compiled_loops_are_what_the_slow_sentence_says():
    """To rounding, at the edges and beside what is not shown too; of one colour alike."""
    planes, shown = scene_of(5)
    noise = np.full(planes.shape, NOISE, np.float32)
    for count, over in ((3, 0.0), (3, 2.0), (1, 0.0)):
        slow = rings_filled_slow(planes[:count], noise[:count], shown, GAINS, 9_000.0, over)
        quick = with_rings_filled(planes[:count], noise[:count], shown, GAINS, 9_000.0, over)
        assert (np.abs(slow - planes[:count]) > 1).sum() > 30
        np.testing.assert_allclose(quick, slow, rtol=1e-5, atol=0.01)


def test_what_is_not_shown_stays_and_changes_nothing():
    """Other values there, even a lamp, give the same picture elsewhere, to the bit."""
    planes, shown = scene_of(6)
    other = planes.copy()
    other[:, ~shown] = 0
    other[:, 64:68, 44:48] = 12_000
    one, two = filled(planes, shown=shown), filled(other, shown=shown)
    np.testing.assert_array_equal(one[:, shown], two[:, shown])
    np.testing.assert_array_equal(two[:, ~shown], other[:, ~shown])


@pytest.mark.parametrize("rows", [16, 40, 256])
def test_strips_of_a_file_are_filled_as_the_whole(tmp_path, monkeypatch, rows):
    """However a picture on disk is cut into strips, it comes out to the bit as in one piece; its noise stays."""
    monkeypatch.setattr(output, "_STRIP", rows)
    planes, shown = scene_of(7)
    noise = np.full(planes.shape, NOISE, np.float32)
    headers = fits.Header(), fits.Header([("EXTNAME", "NOISE")])
    with CombinedWriter(tmp_path / "c.fits", planes.shape[1:], *headers) as writer:
        writer.write(0, 0, 0, planes)
        writer.write(1, 0, 0, noise)
        writer.fill_rings(shown, GAINS, 0.95 * FULL, threads=2)
        writer.finish(shown.astype(np.uint16), shown.astype(np.uint16))
    expected = filled(planes, shown=shown)
    assert (expected != planes).any()
    with fits.open(tmp_path / "c.fits") as hdus:
        np.testing.assert_array_equal(hdus[0].data, expected)
        np.testing.assert_array_equal(hdus["NOISE"].data, noise)
