"""Detection and shapes of stars: planted stars come back, other things do not."""

from __future__ import annotations

import numpy as np
import pytest
import sep
from photutils.aperture import CircularAperture, aperture_photometry
from scipy.ndimage import convolve
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from pipeline.stars.detect import KERNEL, green_half, green_places, is_hot, pixel_noise, smoothed
from pipeline.stars.measure import STAR_DTYPE, _missed_share, measure_frame, measure_mosaic, measure_picture
from pipeline.stars.shapes import fit_shapes, fwhm_px
from tests.starfields import Field, mosaic, random_field, render, star_flux

BLACK = (512.0, 512.0, 512.0, 512.0)
PIXEL = 1 / 12  # px^2, what integration over the pixel adds to a second moment


def found_of(stars, field, reach=2.0):
    """For each true star the index of the measured one nearest to it, and whether that is within reach."""
    distance, index = cKDTree(np.column_stack([stars["x"], stars["y"]])).query(np.column_stack([field.x, field.y]))
    return index, distance < reach


def true_fwhm(fwhm):
    """FWHM by the contract's definition of a Gaussian star integrated over pixels."""
    return 2.3548 * np.sqrt((fwhm / 2.3548) ** 2 + PIXEL)


def test_half_size_image_is_the_mean_of_the_greens():
    """The compiled half-size image equals its NumPy statement for all patterns, black levels by place."""
    rng = np.random.default_rng(1)
    pixels = rng.integers(400, 4000, (20, 24)).astype(np.uint16)
    black = np.array([500.0, 501.0, 502.0, 503.0])
    above = pixels - np.tile(black.reshape(2, 2), (10, 12))
    for cfa, places in {"RGGB": (1, 2), "BGGR": (1, 2), "GRBG": (0, 3), "GBRG": (0, 3), "MONO": (0, 1, 2, 3)}.items():
        slow = np.mean([above[k // 2 :: 2, k % 2 :: 2] for k in places], axis=0)
        half, hot = green_half(pixels, cfa, black)
        np.testing.assert_allclose(half, slow, rtol=1e-6)
        assert hot == 0


def test_smoothing_equals_scipy():
    """The compiled smoothing equals scipy's convolution with zeros beyond the edges."""
    image = np.random.default_rng(2).normal(size=(17, 23)).astype(np.float32)
    np.testing.assert_allclose(smoothed(image), convolve(image, KERNEL, mode="constant"), atol=1e-6)


def test_a_lone_pixel_is_hot_and_a_star_is_not():
    """A pixel alone above its neighbours is hot; the centre of a star of FWHM 1.5 px in a camera's colours is not."""
    pixels = np.full((21, 21), 600, np.uint16)
    pixels[10, 11] = 900
    black = np.full(4, 512.0)
    assert is_hot(pixels, 10, 11, black, 80.0)
    star = render((21, 21), Field(np.array([11.0]), np.array([10.0]), np.array([3000.0])), 1.5)
    pixels = mosaic(np.random.default_rng(3), star, sky=88.0, noise=0.01)
    assert not is_hot(pixels, 10, 11, black, 80.0)


@pytest.mark.parametrize("noise", [1.3, 10.0])
def test_pixel_noise_is_right_on_whole_numbers(noise):
    """The noise of a pixel comes back within 2 %, rounding counted, where medians of whole numbers would be coarse."""
    pixels = mosaic(np.random.default_rng(4), np.zeros((800, 800)), noise=noise)
    expected = np.hypot(noise, 12**-0.5)
    assert pixel_noise(pixels, "RGGB", np.array(BLACK)) == pytest.approx(expected, rel=0.02)


def _gaussian(parameters, x, y):
    amplitude, x0, y0, mxx, mxy, myy = parameters
    dx, dy = x - x0, y - y0
    return amplitude * np.exp(-0.5 * (myy * dx**2 - 2 * mxy * dx * dy + mxx * dy**2) / (mxx * myy - mxy**2))


def test_fit_equals_least_squares_of_scipy():
    """The compiled fit finds the minimum that scipy finds on the same green pixels."""
    rng = np.random.default_rng(5)
    field = Field(np.array([20.3]), np.array([19.6]), np.array([9000.0]))
    pixels = mosaic(rng, render((40, 40), field, 2.6, motion=(2.0, 1.0)))
    start = np.array([[600.0, 20.0, 20.0, 2.0, 0.0, 2.0]])
    fit = fit_shapes(pixels, green_places("RGGB"), np.array(BLACK), 1e9, start, np.array([300.0]))[0]
    p = np.array([fit[n] for n in ("amplitude", "x", "y", "mxx", "mxy", "myy")])
    rows, columns = np.mgrid[0:40, 0:40]
    dx, dy = columns - p[1], rows - p[2]
    q = (p[5] * dx**2 - 2 * p[4] * dx * dy + p[3] * dy**2) / (p[3] * p[5] - p[4] ** 2)
    use = ((rows + columns) % 2 == 1) & ((q <= 12.5) | (dx**2 + dy**2 <= 2.6**2))
    values = pixels[use] - 512.0 - 300.0
    solved = least_squares(
        lambda t: _gaussian(t, columns[use], rows[use]) - values, start[0], x_scale=[100, 1, 1, 1, 1, 1]
    )
    np.testing.assert_allclose(p, solved.x, rtol=2e-3, atol=2e-3)
    assert fit["pixels"] == pytest.approx(use.sum(), abs=4)


@pytest.mark.parametrize("fwhm", [1.8, 2.5, 4.0])
@pytest.mark.parametrize("snr", [12, 30, 1000])
def test_fwhm_is_unbiased_with_brightness(fwhm, snr):
    """FWHM bias stays below 1 % (and its own error) from SNR 12 to 1000, FWHM 1.8 to 4 px."""
    rng = np.random.default_rng(int(10 * fwhm + snr))
    # signal-to-noise as measured: the fit does not know the shape, which doubles the variance of the flux
    flux = star_flux(snr * np.sqrt(2), fwhm, 10.0) * np.sqrt(2)  # half the pixels are green
    field = random_field(rng, (1100, 1100), 400, (flux, flux * 1.001), apart=24)
    stars = measure_mosaic(mosaic(rng, render((1100, 1100), field, fwhm), saturation=65535), "RGGB", BLACK, 65535)
    index, near = found_of(stars, field)
    assert near.mean() > 0.99
    sizes = fwhm_px(stars["mxx"], stars["myy"])[index[near]]
    error = 1.2533 * sizes.std() / np.sqrt(len(sizes))
    assert abs(np.median(sizes) / true_fwhm(fwhm) - 1) < 0.01 + 2 * error / true_fwhm(fwhm)
    assert np.median(stars["flux"][index[near]]) == pytest.approx(flux, rel=0.01 + 0.5 / snr)


# check-values.md section 3: pixel-integrated Cramer-Rao bound, px (Mendez et al. 2013, arXiv:1304.6361)
@pytest.mark.parametrize(("fwhm", "snr", "bound"), [(2.0, 20, 0.0635), (2.5, 50, 0.0311), (3.0, 100, 0.0185)])
def test_centroids_reach_the_cramer_rao_bound(fwhm, snr, bound):
    """Centroid errors on a monochrome mosaic are within 12 % of the Cramer-Rao bound (its scatter here is 3 %)."""
    rng = np.random.default_rng(snr)
    flux = star_flux(snr, true_fwhm(fwhm), 10.0)
    field = random_field(rng, (1100, 1100), 500, (flux, flux * 1.001), apart=20)
    pixels = mosaic(rng, render((1100, 1100), field, fwhm), cfa="MONO", saturation=65535)
    stars = measure_mosaic(pixels, "MONO", BLACK, 65535)
    index, near = found_of(stars, field, 1.0)
    errors = np.concatenate([(stars["x"][index] - field.x)[near], (stars["y"][index] - field.y)[near]])
    assert near.mean() > 0.99
    assert 0.9 < errors.std() / bound < 1.12
    assert abs(errors.mean()) < 3 * bound / np.sqrt(len(errors))


def test_fluxes_agree_with_aperture_photometry():
    """Fluxes of isolated stars equal those of sep and photutils in wide apertures within 1.5 %."""
    rng = np.random.default_rng(6)
    flux = (star_flux(300, 2.4, 10.0), star_flux(3000, 2.4, 10.0))
    field = random_field(rng, (800, 800), 120, flux, apart=28)
    pixels = mosaic(rng, render((800, 800), field, 2.4), cfa="MONO", saturation=65535)
    stars = measure_mosaic(pixels, "MONO", BLACK, 65535)
    image = pixels.astype(np.float64) - 812.0
    by_sep, _, _ = sep.sum_circle(image, stars["x"], stars["y"], 8.0)
    table = aperture_photometry(image, CircularAperture(np.column_stack([stars["x"], stars["y"]]), 8.0))
    assert len(stars) == 120
    assert np.median(stars["flux"] / by_sep) == pytest.approx(1, abs=0.015)
    assert np.median(stars["flux"] / np.asarray(table["aperture_sum"])) == pytest.approx(1, abs=0.015)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_all_phases_of_the_mosaic_give_the_same_stars(cfa):
    """Positions do not depend on which pixels are green."""
    rng = np.random.default_rng(7)
    flux = star_flux(100, 2.2, 10.0)
    field = random_field(rng, (500, 500), 60, (flux, 3 * flux))
    stars = measure_mosaic(mosaic(rng, render((500, 500), field, 2.2), cfa=cfa), cfa, BLACK, 16000)
    index, near = found_of(stars, field)
    assert near.all()
    assert len(stars) == 60
    assert abs(np.mean(stars["x"][index] - field.x)) < 0.01
    assert abs(np.mean(stars["y"][index] - field.y)) < 0.01


def test_hot_pixels_are_no_stars():
    """Of five thousand hot pixels among 150 stars, hardly a star is lost and only neighbouring pairs may pass."""
    rng = np.random.default_rng(8)
    field = random_field(rng, (1200, 1200), 150, (star_flux(60, 2.0, 10.0), star_flux(2000, 2.0, 10.0)), apart=30)
    stars = measure_mosaic(mosaic(rng, render((1200, 1200), field, 2.0), hot=5000), "RGGB", BLACK, 16000)
    index, near = found_of(stars, field)
    assert near.mean() > 0.98
    # 2,500 hot greens of 1.44 million pixels have 17 diagonal and 35 direct hot neighbours by chance
    assert len(stars) - near.sum() < 20
    assert np.median(stars["x"][index[near]] - field.x[near]) == pytest.approx(0, abs=0.01)


def test_defective_columns_and_cosmic_hits_are_no_stars():
    """A bright column, a bright row and sharp two-pixel hits give no stars."""
    rng = np.random.default_rng(9)
    field = random_field(rng, (600, 600), 60, (star_flux(100, 2.5, 10.0), star_flux(1000, 2.5, 10.0)), apart=30)
    pixels = mosaic(rng, render((600, 600), field, 2.5))
    pixels[:, 301] += 400
    pixels[200, :] += 300
    for row, column in rng.integers(20, 580, (30, 2)):
        pixels[row, column] += 3000
        pixels[row + 1, column] += 2000
    stars = measure_mosaic(pixels, "RGGB", BLACK, 16000)
    index, near = found_of(stars, field)
    assert near.mean() > 0.95
    assert len(stars) - near.sum() <= 3
    assert (stars["x"][index[near]] > 0).all()


def test_saturated_stars_are_flagged_and_placed():
    """Stars over saturation are flagged, kept, and placed within half a pixel; others are not flagged."""
    rng = np.random.default_rng(10)
    field = random_field(rng, (700, 700), 40, (3e4, 3e4), apart=40)
    field = Field(field.x, field.y, np.where(np.arange(40) < 20, 4e5, 2e4))
    stars = measure_mosaic(mosaic(rng, render((700, 700), field, 2.5)), "RGGB", BLACK, 16000)
    index, near = found_of(stars, field)
    assert near.all()
    assert stars["saturated"][index[:20]].all()
    assert not stars["saturated"][index[20:]].any()
    assert np.hypot(stars["x"][index] - field.x, stars["y"][index] - field.y).max() < 0.5


def test_saturated_stars_come_in_the_order_of_their_light():
    """By its brightest stars a field is found in the catalogue. Of 1,500 stars, 180 of them clipped, drawn with a faint
    halo as lenses and mist filters draw them (common practice: 7 % of the light, six times as wide), the 25 brightest
    are among the first 50 listed; flanks alone, of which the halo is most, put some at 60 to 73."""
    for seed in range(3):
        rng = np.random.default_rng(seed)
        x, y = rng.uniform(20, 580, (2, 1500))
        flux = np.minimum(3e3 * rng.uniform(0, 1, 1500) ** (-1 / 0.55), 3e7)
        light, (ys, xs) = np.zeros((680, 680)), np.mgrid[-30:31, -30:31]
        for a, b, f in zip(x, y, flux, strict=True):
            column, row = round(a), round(b)
            square = (xs + column - a) ** 2 + (ys + row - b) ** 2
            star = (0.93 * np.exp(-square / 2) + 0.07 * np.exp(-square / 72) / 36) / (2 * np.pi)
            light[row + 10 : row + 71, column + 10 : column + 71] += f * star
        stars = measure_mosaic(mosaic(rng, light[40:-40, 40:-40], gain=2.0), "RGGB", BLACK, 16000)
        assert np.count_nonzero(stars["saturated"]) > 150
        listed, _ = found_of(stars, Field(x, y, flux))
        assert max(listed[np.argsort(-flux)[:25]]) < 50


@pytest.mark.parametrize("length", [8, 15, 30])
def test_trails_are_measured(length):
    """Trailed stars up to 30 px long are found as one, at their middle, along their direction."""
    rng = np.random.default_rng(length)
    flux = (star_flux(200, 2.3, 10.0), star_flux(3000, 2.3, 10.0))
    field = random_field(rng, (1000, 1000), 120, flux, apart=36)
    light = render((1000, 1000), field, 2.3, motion=(0.8 * length, 0.6 * length))
    stars = measure_mosaic(mosaic(rng, light, saturation=65535), "RGGB", BLACK, 65535)
    index, near = found_of(stars, field, 1.5)
    assert near.mean() > 0.9
    angle = np.degrees(0.5 * np.arctan2(2 * stars["mxy"], stars["mxx"] - stars["myy"]))[index[near]]
    assert np.median(angle) == pytest.approx(np.degrees(np.arctan2(0.6, 0.8)), abs=0.5)


def test_out_of_focus_discs_are_measured():
    """Discs of 16 px across come back as wide stars."""
    rng = np.random.default_rng(11)
    flux = (star_flux(400, 2.3, 10.0), star_flux(4000, 2.3, 10.0))
    field = random_field(rng, (800, 800), 80, flux, apart=32)
    stars = measure_mosaic(mosaic(rng, render((800, 800), field, 2.3, disc=8.0)), "RGGB", BLACK, 16000)
    index, near = found_of(stars, field, 1.5)
    assert near.mean() > 0.95
    assert 10 < np.median(fwhm_px(stars["mxx"], stars["myy"])[index[near]]) < 20


def test_brightest_first_and_no_more_than_asked():
    """The list is ordered by flux and cut at its brightest."""
    rng = np.random.default_rng(12)
    field = random_field(rng, (600, 600), 100, (1e3, 1e5))
    pixels = mosaic(rng, render((600, 600), field, 2.2))
    stars = measure_mosaic(pixels, "RGGB", BLACK, 16000, stars_max=30)
    assert stars.dtype == STAR_DTYPE
    assert len(stars) == 30
    assert (np.diff(stars["flux"]) <= 0).all()
    assert stars["flux"][-1] > np.sort(field.flux)[-35]
    again = measure_mosaic(pixels, "RGGB", BLACK, 16000, stars_max=30)
    assert again.tobytes() == stars.tobytes()


@pytest.mark.parametrize("level", [0, 512, 900, 16000, 65535])
def test_empty_frames_have_no_stars(level):
    """Frames of one level, black or saturated throughout, give an empty list."""
    stars = measure_mosaic(np.full((200, 300), level, np.uint16), "RGGB", BLACK, 16000)
    assert len(stars) == 0


def test_noise_alone_has_hardly_any_stars():
    """A starless sky of 2.6 million pixels shows no more than two false stars at 5 sigma."""
    pixels = mosaic(np.random.default_rng(13), np.zeros((1600, 1600)))
    assert len(measure_mosaic(pixels, "RGGB", BLACK, 16000)) <= 2


def test_daylight_does_not_break_the_search():
    """A frame full of structure at every scale is measured without an error."""
    rng = np.random.default_rng(14)
    pixels = np.clip(rng.normal(0, 1, (300, 300)).cumsum(0).cumsum(1) * 300 + 8000, 0, 16383).astype(np.uint16)
    found = measure_frame(pixels, "RGGB", BLACK, 16000)
    assert found.found >= len(found.stars)


def test_wrong_arguments_are_named():
    """What is no mosaic is refused with the reason."""
    with pytest.raises(ValueError, match="2-D uint16 array of 16 px"):
        measure_mosaic(np.zeros((4, 4), np.uint16), "RGGB", BLACK, 16000)
    with pytest.raises(ValueError, match="cfa must be MONO or a pattern"):
        measure_mosaic(np.zeros((64, 64), np.uint16), "RGBW", BLACK, 16000)
    with pytest.raises(ValueError, match="black must hold 4 levels"):
        measure_mosaic(np.zeros((64, 64), np.uint16), "RGGB", (512.0,), 16000)


def test_stars_of_a_picture_at_given_places():
    """On a full-resolution plane the stars at given places come back, and a place without a star is NaN or faint."""
    rng = np.random.default_rng(15)
    field = random_field(rng, (500, 500), 60, (star_flux(100, 2.4, 3.0), star_flux(900, 2.4, 3.0)), apart=24)
    plane = (render((500, 500), field, 2.4) + 40 + rng.normal(0, 3, (500, 500))).astype(np.float32)
    plane[:8] = np.nan
    stars = measure_picture(plane, field.x + 0.4, field.y - 0.4)
    assert len(stars) == 60
    assert np.nanmax(np.hypot(stars["x"] - field.x, stars["y"] - field.y)) < 0.15
    assert np.nanmedian(fwhm_px(stars["mxx"], stars["myy"])) == pytest.approx(true_fwhm(2.4), rel=0.01)
    assert np.nanmedian(stars["flux"] / field.flux) == pytest.approx(1, abs=0.01)
    empty = measure_picture(np.full((64, 64), 5.0, np.float32), [30.0], [30.0])
    assert np.isnan(empty["flux"][0])


@pytest.mark.parametrize(("motion", "disc"), [(2.0, 0.0), (6.0, 0.0), (0.0, 2.2)])
def test_fluxes_do_not_depend_on_the_shape_of_the_stars(motion, disc):
    """Stars drawn out by 6 px or blurred to discs come back with the light they have; their Gaussians hold 3 % more."""
    rng = np.random.default_rng(7)
    field = random_field(rng, (500, 700), 100, (8000, 60000), apart=18)
    light = render((500, 700), field, 2.4, motion=(0.8 * motion, 0.6 * motion), disc=disc)
    stars = measure_mosaic(mosaic(rng, light, saturation=65535), "RGGB", BLACK, 65535)
    distance, nearest = cKDTree(np.column_stack([stars["x"], stars["y"]])).query(np.column_stack([field.x, field.y]))
    assert (distance < 1).all()
    assert float(np.median(stars["flux"][nearest] / field.flux)) == pytest.approx(1, abs=0.005)


def test_texture_of_land_does_not_say_what_a_star_s_gaussian_misses():
    """Fits to land's texture, which hold half as much again as is there, say nothing of the stars' light, though they
    are most of the brightest; of stars alone their own share is told."""
    rng = np.random.default_rng(7)
    stars, land = rng.normal(0.012, 0.02, 130), rng.normal(-0.5, 0.06, 170)
    told = _missed_share(rng.permutation(np.concatenate([stars, land])))
    assert told == pytest.approx(0.012, abs=0.004)
    assert told == pytest.approx(_missed_share(stars), abs=1e-9)
