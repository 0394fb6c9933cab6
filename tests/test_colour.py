"""Colour: spaces, curve, profile, camera colours, encoding, saturated cores."""

from __future__ import annotations

import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms
from skimage import color as skcolor

from pipeline.colour import curves, icc
from pipeline.colour.camera import camera_colour, plausible, usable_matrix
from pipeline.colour.cores import find_cores, star_colour
from pipeline.colour.encode import codes_per_sigma, encode_slowly, encode_strip
from pipeline.colour.spaces import BT2020, D65, PCS_WHITE, SRGB, adaptation, rgb_to_xyz, white_xyz

MATRIX = np.array([[0.9, -0.3, -0.1], [-0.45, 1.25, 0.22], [-0.1, 0.2, 0.6]])  # invented, of a usual shape


@pytest.mark.parametrize(
    ("linear", "code"), [(0.0031308, 0.0404499), (0.01, 0.0998528), (0.18, 0.4613561), (0.5, 0.7353570)]
)
def test_curve_has_the_published_values(linear: float, code: float) -> None:
    """The curve gives the values of IEC 61966-2-1 (check-values.md, 9) to their last digit, and back."""
    assert curves.encode(np.array(linear)) == pytest.approx(code, abs=6e-8)
    assert curves.decode(np.array(code)) == pytest.approx(linear, abs=6e-8)


def test_slope_is_the_derivative() -> None:
    """The stated slope agrees with a finite difference on both pieces of the curve."""
    for x in (1e-4, 0.002, 0.01, 0.2, 0.9):
        step = 1e-6
        numeric = (curves.encode(np.array(x + step)) - curves.encode(np.array(x - step))) / (2 * step)
        assert curves.slope(x) == pytest.approx(float(numeric), rel=1e-5)


def test_table_is_finer_than_rounding() -> None:
    """Interpolating the table misses the formula by less than a twentieth of a 16-bit code."""
    x = np.linspace(0, 1, 1_000_003)
    place = np.sqrt(x) * curves.TABLE_INTERVALS
    step = place.astype(int)
    table = curves.table().astype(float)
    read = table[step] + (place - step) * (table[step + 1] - table[step])
    assert np.abs(read - curves.encode(x)).max() * 65535 < 0.05


def test_matrices_are_the_published_ones() -> None:
    """RGB to XYZ agrees with scikit-image (sRGB) and with ITU-R BT.2087 (BT.2020; four digits, from memory)."""
    np.testing.assert_allclose(rgb_to_xyz(SRGB), skcolor.rgb2xyz(np.eye(3)).T, atol=4e-4)
    published = [[0.6370, 0.1446, 0.1689], [0.2627, 0.6780, 0.0593], [0.0000, 0.0281, 1.0610]]
    np.testing.assert_allclose(rgb_to_xyz(BT2020), published, atol=6e-5)


def test_adaptation_moves_white_and_inverts() -> None:
    """Bradford takes D65 to D50 exactly, and its known matrix (Lindbloom, from memory) comes out."""
    forth = adaptation(white_xyz(D65), PCS_WHITE)
    np.testing.assert_allclose(forth @ white_xyz(D65), PCS_WHITE, atol=1e-12)
    np.testing.assert_allclose(forth @ adaptation(PCS_WHITE, white_xyz(D65)), np.eye(3), atol=1e-12)
    known = [[1.0478, 0.0229, -0.0501], [0.0295, 0.9905, -0.0171], [-0.0092, 0.0150, 0.7521]]
    np.testing.assert_allclose(forth, known, atol=5e-4)


def parse(profile: bytes) -> dict[str, bytes]:
    """An independent reading of a profile's tag table."""
    size, count = struct.unpack(">I", profile[:4])[0], struct.unpack(">I", profile[128:132])[0]
    assert size == len(profile)
    assert size % 4 == 0
    tags = {}
    for n in range(count):
        name, offset, length = struct.unpack(">4sII", profile[132 + 12 * n : 144 + 12 * n])
        assert offset % 4 == 0
        assert offset + length <= size
        tags[name.decode()] = profile[offset : offset + length]
    return tags


@pytest.mark.parametrize("space", [BT2020, SRGB], ids=lambda s: s.name)
def test_profile_holds_what_icc_asks_for(space) -> None:  # type: ignore[no-untyped-def]
    """Header fields, required tags, a white that sums exactly and an MD5 identifier stand where ICC.1 puts them."""
    import hashlib

    profile = icc.profile(space, "a name")
    assert profile == icc.profile(space, "a name")
    assert profile[8:12] == b"\x04\x30\x00\x00"
    assert profile[12:24] == b"mntrRGB XYZ "
    assert profile[36:40] == b"acsp"
    assert struct.unpack(">6H", profile[24:36]) == icc.CREATED
    tags = parse(profile)
    assert set(tags) == {"desc", "cprt", "wtpt", "chad", "rXYZ", "gXYZ", "bXYZ", "rTRC", "gTRC", "bTRC"}
    columns = np.array([struct.unpack(">3i", tags[f"{c}XYZ"][8:20]) for c in "rgb"])
    assert tuple(columns.sum(axis=0)) == (0xF6D6, 0x10000, 0xD32D)
    assert tags["desc"][:4] == b"mluc"
    assert tags["desc"][28:].decode("utf-16-be") == "a name"
    zeroed = bytearray(profile)
    zeroed[44:48], zeroed[64:68], zeroed[84:100] = bytes(4), bytes(4), bytes(16)
    assert profile[84:100] == hashlib.md5(zeroed).digest()


def test_littlecms_agrees_with_the_colour_mathematics() -> None:
    """LittleCMS, reading our profiles, turns BT.2020 codes into the sRGB codes of matrix algebra, to one of 255."""
    wide = ImageCms.ImageCmsProfile(io.BytesIO(icc.profile(BT2020, "wide")))
    small = ImageCms.ImageCmsProfile(io.BytesIO(icc.profile(SRGB, "small")))
    assert ImageCms.getProfileName(wide).strip() == "wide"
    srgb = np.random.default_rng(1).uniform(0, 1, (500, 3))
    to_wide = np.linalg.inv(rgb_to_xyz(BT2020)) @ rgb_to_xyz(SRGB)
    codes = np.rint(curves.encode(srgb @ to_wide.T) * 255).astype(np.uint8)
    # what an eight-bit wide code means, carried to sRGB by hand
    want = curves.encode(np.clip(curves.decode(codes / 255) @ np.linalg.inv(to_wide).T, 0, 1)) * 255
    image = Image.fromarray(codes[None])
    got = np.asarray(ImageCms.profileToProfile(image, wide, small, renderingIntent=1), float)[0]
    assert np.abs(got - want).max() <= 1.1


def test_littlecms_sees_our_srgb_as_its_own() -> None:
    """Our sRGB profile and LittleCMS's built-in one are the same space: codes pass unchanged."""
    ours = ImageCms.ImageCmsProfile(io.BytesIO(icc.profile(SRGB, "ours")))
    codes = np.random.default_rng(2).integers(0, 256, (1, 2000, 3), dtype=np.uint8)
    got = np.asarray(ImageCms.profileToProfile(Image.fromarray(codes), ours, ImageCms.createProfile("sRGB")), int)
    assert np.abs(got - codes).max() <= 1


def test_camera_white_becomes_neutral() -> None:
    """What the camera's multipliers balance comes out with equal R, G and B; the smallest multiplier becomes 1."""
    colour = camera_colour(BT2020, (1.0, 0.5, 0.8), MATRIX)
    assert min(colour.multipliers) == 1.0
    neutral = colour.whole @ (1 / np.array([1.0, 0.5, 0.8]))
    np.testing.assert_allclose(neutral, neutral[0], rtol=1e-12)
    assert colour.balance_from == "the camera's multipliers"


def test_matrix_recovers_planted_colours() -> None:
    """Colours seen by a camera of known matrix under D65 come back as the BT.2020 values they were made from."""
    rgb = np.random.default_rng(3).uniform(0.02, 1, (200, 3))
    seen = rgb @ rgb_to_xyz(BT2020).T @ MATRIX.T
    colour = camera_colour(BT2020, None, MATRIX)
    got = seen @ colour.whole.T
    np.testing.assert_allclose(got / got.sum(), rgb / rgb.sum(), rtol=1e-9)
    assert "daylight" in colour.balance_from


def test_fallbacks_say_which_they_are() -> None:
    """Without multipliers and matrix the grey of the stars is used; without that nothing, and the text says so."""
    colour = camera_colour(BT2020, None, None, (2.0, 1.0, 1.5), "the light of the stars")
    assert colour.multipliers == (2.0, 1.0, 1.5)
    assert colour.balance_from == "grey on average over the light of the stars; the frames give no multipliers"
    assert colour.matrix_from.startswith("none known")
    assert camera_colour(BT2020, None, None).multipliers == (1.0, 1.0, 1.0)


@pytest.mark.parametrize("bad", [None, (0.0, 1.0, 1.0), (1.0, float("nan"), 1.0), (-1.0, 1.0, 1.0), (50.0, 1.0, 1.0)])
def test_broken_multipliers_are_not_used(bad) -> None:  # type: ignore[no-untyped-def]
    """Zeros, negatives, NaN and absurd ratios in the camera's tag are no white balance."""
    assert not plausible(bad)
    assert camera_colour(BT2020, bad, MATRIX).balance_from.startswith("daylight")


def test_singular_matrix_is_not_used() -> None:
    """A matrix that cannot be inverted, or is blind in a channel, counts as none."""
    assert not usable_matrix(np.ones((3, 3)))
    assert not usable_matrix(-MATRIX)
    assert not usable_matrix(np.full((3, 3), np.nan))
    assert usable_matrix(MATRIX)


def test_noise_of_the_space_is_that_of_simulated_pixels() -> None:
    """The propagated noise agrees with the scatter of transformed random pixels to 1 %."""
    colour = camera_colour(BT2020, (2.0, 1.0, 1.5), MATRIX)
    sigma = np.array([1.0, 2.0, 0.5])
    pixels = np.random.default_rng(4).normal(0, sigma, (100_000, 3)) @ colour.whole.T
    np.testing.assert_allclose(colour.noise(sigma), pixels.std(axis=0), rtol=0.01)


def strip(rng: np.random.Generator) -> np.ndarray:
    values = rng.normal(0.05, 0.02, (3, 40, 57)).astype(np.float32)
    values[:, 3, 5] = (1.4, 0.9, 0.3)
    values[:, 4, 5] = 2.0
    values[1, 5, 5] = -0.3
    values[0, 6, 5] = np.nan
    values[:, 7, 7] = np.inf
    return values


def test_compiled_encoding_equals_its_slow_statement() -> None:
    """The compiled loop gives the codes of the NumPy statement to one code, and counts what it says it counts."""
    camera = strip(np.random.default_rng(5))
    colour = camera_colour(BT2020, (2.0, 1.0, 1.5), MATRIX)
    fill = np.array([0.04, 0.05, 0.03])
    out = np.empty((40, 57, 3), np.uint16)
    held, black, empty = encode_strip(camera, colour.whole, 0.01, fill, out)
    slow = encode_slowly(camera, colour.whole, 0.01, fill)
    assert np.abs(out.astype(int) - slow.astype(int)).max() <= 1
    assert empty == 2
    rgb = np.moveaxis(camera.astype(float), 0, -1)
    good = np.isfinite(rgb).all(axis=-1)
    rgb = np.where(good[..., None], rgb, fill) @ colour.whole.T
    assert held == np.count_nonzero(rgb.max(axis=-1) > 1)
    assert black == np.count_nonzero((rgb + 0.01 < 0).any(axis=-1))


def test_brighter_than_white_keeps_its_hue() -> None:
    """A pixel brighter than white comes out with its largest channel at full scale and its ratios in linear light."""
    out = np.empty((1, 1, 3), np.uint16)
    camera = np.array([1.8, 0.9, 0.45], np.float32).reshape(3, 1, 1)
    encode_strip(camera, np.eye(3), 0.0, np.zeros(3), out)
    np.testing.assert_allclose(curves.decode(out[0, 0] / 65535), [1.0, 0.5, 0.25], atol=2e-5)


def test_codes_per_sigma_are_what_encoded_noise_shows() -> None:
    """The stated number of codes a sigma is the scatter of encoded noisy pixels, to 1 %."""
    rng = np.random.default_rng(6)
    level, sigma, pedestal = np.array([0.05, 0.002, 0.01]), np.array([2e-4, 1e-4, 3e-5]), 0.001
    camera = rng.normal(level, sigma, (300, 400, 3)).astype(np.float32)
    out = np.empty((300, 400, 3), np.uint16)
    encode_strip(np.moveaxis(camera, -1, 0), np.eye(3), pedestal, level, out)
    np.testing.assert_allclose(codes_per_sigma(level, sigma, pedestal), out.reshape(-1, 3).std(axis=0), rtol=0.01)


def star_field(colour: tuple[float, float, float], amplitude: float, sigma: float = 1.5) -> np.ndarray:
    """One star of a camera colour on a flat sky, cut at a saturation of 1."""
    y, x = np.mgrid[0:41, 0:41] - 20.0
    shape = np.exp(-(x**2 + y**2) / (2 * sigma**2))
    return np.minimum(0.02 + np.array(colour)[:, None, None] * amplitude * shape, 1.0)


def black_body(kelvin: float) -> np.ndarray:
    """Balanced colour (white: 6,000 K) of a black body through a camera's colours: Planck's law at 605, 535, 462 nm."""
    metres = np.array([605e-9, 535e-9, 462e-9])
    light = np.expm1(1.438777e-2 / (metres * 6000.0)) / np.expm1(1.438777e-2 / (metres * kelvin))
    return np.asarray(light / light.max())


@pytest.mark.parametrize("kelvin", [3200.0, 4500.0, 6000.0, 15_000.0])
@pytest.mark.parametrize("brightness", [0.95, 8.0])
def test_saturated_core_takes_the_colour_of_its_flanks(kelvin: float, brightness: float) -> None:
    """Without a colour that was measured the core of a star eight times too bright gets its colour to 3 % from around
    it, and one that was never full keeps its own."""
    gains, balanced = (2.0, 1.0, 1.5), black_body(kelvin)
    if brightness < 1:
        brightness /= (balanced / gains).max()
    field = star_field(tuple(balanced / gains), brightness, 4.5)
    cores = find_cores((field >= 0.8).any(axis=0), field, np.full(3, 0.02), 1.0, gains)
    assert (cores.stars, cores.measured, cores.neutral) == (1, 0, 0)
    np.testing.assert_allclose(cores.colour[0], balanced, rtol=0.03)
    restored = field.astype(np.float32)
    cores.restore(restored, 0, gains)
    # the star's light stands on the sky's
    middle = (restored[:, 20, 20] - 0.02) * np.array(gains)
    np.testing.assert_allclose(middle / middle.max(), balanced, rtol=0.03)
    assert middle.max() >= 0.9
    np.testing.assert_array_equal(restored[:, 0], field[:, 0].astype(np.float32))


def test_restoring_strips_equals_restoring_the_whole() -> None:
    """A core that lies across two strips is restored the same as in one piece."""
    field = star_field((0.5, 0.8, 0.4), 8.0).astype(np.float32)
    gains = (2.0, 1.0, 1.5)
    cores = find_cores((field >= 0.8).any(axis=0), field, np.full(3, 0.02), 1.0, gains)
    whole = field.copy()
    cores.restore(whole, 0, gains)
    parts = [field[:, :20].copy(), field[:, 20:].copy()]
    cores.restore(parts[0], 0, gains)
    cores.restore(parts[1], 20, gains)
    np.testing.assert_array_equal(np.concatenate(parts, axis=1), whole)


def test_core_without_flanks_turns_neutral() -> None:
    """An area that is saturated to the picture's edge has no flanks and becomes white, not magenta."""
    field = np.ones((3, 20, 20))
    cores = find_cores(np.ones((20, 20), bool), field, np.zeros(3), 1.0, (2.0, 1.0, 1.5))
    assert (cores.stars, cores.neutral) == (1, 1)
    restored = field.astype(np.float32)
    cores.restore(restored, 0, (2.0, 1.0, 1.5))
    balanced = restored[:, 9, 9] * np.array([2.0, 1.0, 1.5])
    np.testing.assert_allclose(balanced, balanced[0], rtol=1e-6)


def test_no_star_is_green_or_magenta() -> None:
    """Flanks fringed by a lens (green low or high) give a colour with green between red and blue."""
    magenta = star_colour(np.array([1.0, 0.3, 0.9]))
    green = star_colour(np.array([0.5, 1.0, 0.6]))
    assert magenta is not None
    assert green is not None
    assert magenta[1] == pytest.approx(0.9)
    np.testing.assert_allclose(green, [0.5 / 0.6, 1.0, 1.0])
    assert star_colour(np.zeros(3)) is None
