"""Levels and damage read off the pixels: planted, recovered, and compared with their slow statements."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import FrameError
from pipeline.sensor.damage import find_damage, longest_runs
from pipeline.sensor.garble import _median_step, lone_pixels
from pipeline.sensor.levels import histogram, pile_up, saturation_level
from pipeline.sensor.raw import masked_level
from pipeline.sensor.worker import Decoder
from tests.raw_files import starry_mosaic

BLACK, WHITE = 512.0, 16383.0
REAL = Path(__file__).parents[2] / "shared"


def slow_histogram(pixels: np.ndarray) -> np.ndarray:
    """What `histogram` computes."""
    return np.array([np.bincount(pixels[p // 2 :: 2, p % 2 :: 2].ravel(), minlength=65536) for p in range(4)])


def longest_true(values: np.ndarray) -> int:
    """Length of the longest run of True."""
    best = length = 0
    for value in values:
        length = length + 1 if value else 0
        best = max(best, length)
    return best


def slow_runs(pixels: np.ndarray, saturation: float) -> np.ndarray:
    """What `longest_runs` computes."""
    values = pixels.astype(np.int64)
    runs = np.zeros((3, len(values)), int)
    for row in range(len(values)):
        for back in range(min(3, row + 1)):
            for phase in (0, 1):
                mine = values[row, phase::2]
                other = mine[:-1] if back == 0 else values[row - back, phase::2]
                mine = mine[1:] if back == 0 else mine
                steps = (mine - other) % 65536
                told = (mine < saturation) | (other < saturation)
                runs[back, row] = max(runs[back, row], longest_true((steps[1:] == steps[:-1]) & told[1:] & told[:-1]))
    return runs


def exposed(signal: np.ndarray, seed: int = 5, clip: float = 65535.0) -> np.ndarray:
    """A mosaic of 1 e/ADU with 5 ADU of read noise over black."""
    rng = np.random.default_rng(seed)
    noisy = BLACK + signal + rng.normal(size=signal.shape) * np.sqrt(np.maximum(signal, 0) + 25)
    return np.clip(np.round(noisy), 0, clip).astype(np.uint16)


def star_field(height: int = 600, width: int = 900, stars: int = 250, seed: int = 3) -> np.ndarray:
    """Stars of a power law, FWHM 3.3 px, over a sky of 200 ADU."""
    rng = np.random.default_rng(seed)
    signal = np.full((height, width), 200.0)
    rows, columns = np.mgrid[:25, :25] - 12
    for y, x, peak in zip(
        rng.integers(12, height - 13, stars), rng.integers(12, width - 13, stars), rng.pareto(0.7, stars), strict=True
    ):
        signal[y - 12 : y + 13, x - 12 : x + 13] += 800 * peak * np.exp(-(rows**2 + columns**2) / 4)
    return signal


def level_of(pixels: np.ndarray, cfa: str = "RGGB", white: float = WHITE) -> float:
    """Saturation of a mosaic."""
    return saturation_level(histogram(pixels), cfa, BLACK, white)


@pytest.mark.parametrize("shape", [(64, 64), (65, 97), (66, 131)])
def test_histogram_equals_bincount(shape):
    """The compiled histogram equals NumPy's, odd sides included."""
    pixels = np.random.default_rng(1).integers(0, 65536, shape).astype(np.uint16)
    np.testing.assert_array_equal(histogram(pixels), slow_histogram(pixels))


@pytest.mark.parametrize("seed", range(4))
def test_runs_equal_their_slow_statement(seed):
    """The compiled search finds every run of 32 steps and more at its full length, and nothing else of that length."""
    rng = np.random.default_rng(seed)
    pixels = rng.integers(490, 530, (60, 301)).astype(np.uint16)
    pixels[10, 20:150] = 505
    pixels[20] = pixels[19]
    pixels[30, 100:260] = pixels[28, 100:260] + 7
    pixels[40, 33:200] = (np.arange(167) // 2 * 9000) % 65536
    pixels[50:53, 50:250] = 60000
    pixels[44, 1:69] = 500  # 34 equal pixels of each colour: 33 steps, 32 of them like the one before
    expected, found = slow_runs(pixels, 60000), longest_runs(pixels, 60000)
    long = (expected >= 32) | (found >= 32)
    assert np.flatnonzero(long[0]).tolist() == [10, 40, 44]
    assert np.flatnonzero(long[1]).tolist() == [20]
    assert np.flatnonzero(long[2]).tolist() == [30]
    np.testing.assert_array_equal(found[long], expected[long])
    assert np.all(found <= expected)


def test_no_run_of_32_is_missed_wherever_it_begins():
    """A row of 33 equal steps among noise is found at every place it can begin, with either phase of the columns."""
    rng = np.random.default_rng(9)
    pixels = rng.integers(400, 700, (200, 260)).astype(np.uint16)
    begins = np.arange(20, 200)
    for row in begins:
        left = row - 20
        pixels[row, left : left + 68 : 2] = 500 + 3 * np.arange(34)  # 34 pixels of one colour: 33 steps, 32 repeats
    assert np.all(longest_runs(pixels, 60000)[0, begins] >= 32)
    assert not longest_runs(pixels, 60000)[0, :20].any()


@pytest.mark.parametrize("clip", [16383, 15800, 12000])
def test_clip_level_is_found_whatever_the_header_says(clip):
    """Stars clipped below or at the header's white give the clip level exactly."""
    assert level_of(exposed(star_field(), clip=clip)) == clip


def test_clip_level_above_the_header_is_found():
    """A header white that lies below the clip level does not lower it."""
    assert level_of(exposed(star_field(), clip=16383), white=15360) == 16383


def test_soft_clip_is_found_at_its_lower_edge():
    """A sensor that clips before its converter, with 30 ADU of noise, saturates 1-3 sigma below the mean clip level."""
    pixels = exposed(star_field(stars=1500))
    noise = np.random.default_rng(2).normal(15000, 30, pixels.shape)
    pixels = np.where(pixels > 15000, np.round(noise), pixels).astype(np.uint16)
    assert 15000 - 90 <= level_of(pixels) <= 15000 - 30


def test_channel_scaled_after_clipping_lowers_the_level():
    """Where green clips at 15984 and the others at 16383, green's level counts."""
    pixels = exposed(star_field(), clip=16383)
    for part in (pixels[0::2, 1::2], pixels[1::2, 0::2]):
        np.minimum(part, 15984, out=part)
    assert level_of(pixels) == 15984


@pytest.mark.parametrize("scale", [0.6, 0.95])
@pytest.mark.parametrize("cfa", ["RGGB", "MONO"])
def test_evenly_lit_frames_are_not_saturated(scale, cfa):
    """A flat, and a dusk sky over dark ground, keep the header's white: a heap alone is no saturation."""
    relative = np.tile([[0.5, 1.0], [1.0, 0.6]], (300, 450)) if cfa == "RGGB" else np.ones((600, 900))
    flat = relative * scale * (WHITE - BLACK)
    assert level_of(exposed(flat), cfa) == WHITE
    flat[330:] = 100
    assert level_of(exposed(flat), cfa) == WHITE


def test_wholly_overexposed_frame_is_saturated():
    """A frame clipped everywhere has its clip level as saturation."""
    assert level_of(exposed(np.full((200, 300), 40000.0), clip=16000)) == 16000


def test_frame_without_clipped_pixels_keeps_the_header():
    """Neither a dark nor unclipped stars nor an empty histogram make a heap."""
    assert level_of(starry_mosaic()) == WHITE
    signal = star_field()
    assert level_of(exposed(signal * 12000 / signal.max())) == WHITE
    assert pile_up(np.zeros(65536, np.int64), BLACK, WHITE) is None


def damage_of(pixels: np.ndarray, saturation: float = WHITE) -> str | None:
    """Damage of a mosaic."""
    return find_damage(pixels, histogram(pixels), saturation, 512, 16383)


def test_sound_frames_are_sound():
    """Noise, low noise of 0.5 ADU, clipped black, saturated areas and an overexposed frame are no damage."""
    rng = np.random.default_rng(8)
    assert damage_of(starry_mosaic()) is None
    assert damage_of(starry_mosaic(noise=0.5)) is None
    assert damage_of(np.maximum(rng.normal(-4, 3, (300, 2000)), 0).round().astype(np.uint16)) is None
    blown = starry_mosaic()
    blown[50:200] = 16383
    assert damage_of(blown) is None
    assert damage_of(np.full((300, 400), 16383, np.uint16)) is None


@pytest.mark.parametrize(
    ("spoil", "sentence"),
    [
        (lambda p: p[200:].fill(0), "rows 200 to 255 of 256 hold no picture over long stretches"),
        (lambda p: p[100:103].fill(0), "rows 100 to 102 of 256 hold no picture"),
        (lambda p: p[17].fill(0), "row 17 of 256 hold no picture"),
        (lambda p: p.__setitem__(slice(200, None), p[199]), "rows 200 to 255 of 256 repeat rows before them"),
        (lambda p: p.__setitem__(slice(202, None), np.tile(p[200:202], (27, 1))), "rows 202 to 255 of 256 repeat"),
        (lambda p: p.__setitem__(90, p[88]), "row 90 of 256 repeat rows before"),
        (lambda p: p[60, 100:356].fill(0), "row 60 of 256"),
        (lambda p: p[20:].fill(0), "rows 20 to 255 of 256 hold no picture"),
        (lambda p: p.fill(0), "every pixel is 0; the file holds no picture"),
        (lambda p: p[10::20].fill(0), "rows 10, 30, 50 and 10 more places of 256"),
    ],
)
def test_planted_damage_is_named(spoil, sentence):
    """Zeroed, constant and repeated rows at the end or in the middle are found at their places."""
    pixels = starry_mosaic()
    spoil(pixels)
    assert sentence in (damage_of(pixels) or "")


def slow_lone(pixels: np.ndarray, jump: int) -> np.ndarray:
    """What `lone_pixels` computes."""
    p = pixels.astype(np.int64)
    d = p[2:-2, 2:-2] - np.stack([p[2:-2, :-4], p[2:-2, 4:], p[:-4, 2:-2], p[4:, 2:-2]])
    alone = (d.min(0) > jump) | (d.max(0) < -jump)
    whole = alone.shape[1] // 128 * 128
    return alone[::3, :whole].reshape(len(alone[::3]), -1, 128).sum(axis=2)


def test_lone_pixels_equal_numpy():
    """The compiled count equals its slow statement, on 16-bit values and narrow frames."""
    rng = np.random.default_rng(11)
    for width, height in ((800, 20), (387, 21), (132, 22), (131, 9)):
        pixels = rng.integers(0, 65536, (height, width)).astype(np.uint16)
        np.testing.assert_array_equal(lone_pixels(pixels, 3000), slow_lone(pixels, 3000))
        assert lone_pixels(pixels, 3000).sum() > 0 or width == 131


def random_bytes(rng: np.random.Generator, pixels: np.ndarray, first: int, number: int, share: float = 1.0) -> None:
    """Write random bytes over this share of a stretch of a little-endian 16-bit mosaic."""
    data = pixels.reshape(-1).view(np.uint8)
    place = first + rng.choice(number, round(share * number), replace=False)
    data[place] = rng.integers(0, 256, len(place))


@pytest.mark.parametrize("bits", [12, 14, 16])
@pytest.mark.parametrize(
    ("first", "number", "share", "sentence"),
    [
        (0.3, 0.1, 1.0, "rows 7"),
        (0.5, 0.01, 1.0, "of 256 hold random values, about "),
        (0.0, 1.0, 0.1, "the frame holds random values, "),
    ],
)
def test_random_bytes_are_named(first, number, share, sentence, bits):
    """A tenth or a hundredth of the file in one place, or a tenth of its bytes strewn over it, is damage, whatever the
    depth that the values are cut to."""
    pixels = starry_mosaic()
    random_bytes(np.random.default_rng(bits), pixels, int(first * pixels.nbytes), int(number * pixels.nbytes), share)
    pixels &= np.uint16(2**bits - 1)
    white = min(2**bits - 1, 16383)
    found = find_damage(pixels, histogram(pixels), white, 512, white)
    assert sentence in (found or "")


def test_a_file_of_random_bytes_is_named():
    """A frame that is random from top to bottom is damage, though its noise is as wide as its range."""
    pixels = np.random.default_rng(12).integers(0, 16384, (256, 384)).astype(np.uint16)
    assert "random values" in (damage_of(pixels) or "")


def test_bright_texture_is_no_garble():
    """Hot pixels, one in fifty, the noise of the highest amplification, and a lit picket fence are sound."""
    rng = np.random.default_rng(13)
    hot = starry_mosaic()
    hot[rng.random(hot.shape) < 0.02] += 3000
    assert damage_of(hot) is None
    assert damage_of(np.clip(rng.normal(1500, 500, (256, 384)), 0, 16383).astype(np.uint16)) is None
    fence = starry_mosaic()
    fence[150:] += (3000 * (1 + np.sin(np.arange(fence.shape[1]) / 1.7))).astype(np.uint16)
    assert damage_of(fence) is None


@pytest.mark.skipif(not REAL.is_dir(), reason="the shared real frames are not here")
def test_real_frames_are_sound_and_found_when_hurt(tmp_path):
    """The real raw files at hand are sound; with a tenth of its bytes random each is refused or named damaged."""
    files = sorted(REAL.glob("real-frames/*.[nca]?[wf]")) + [*sorted(REAL.glob("real-sky/*/*.dng"))[::11]]
    assert len(files) >= 6
    rng = np.random.default_rng(14)
    with Decoder() as decoder:
        for path in files:
            assert decoder.decode(path, "f").damage is None, path.name
            data = np.fromfile(path, np.uint8)
            data[len(data) // 2 :][: len(data) // 10] = rng.integers(0, 256, len(data) // 10)
            hurt = tmp_path / path.name
            data.tofile(hurt)
            try:
                damage = decoder.decode(hurt, "f").damage
            except FrameError as error:
                damage = str(error)
            assert "random values" in (damage or "") or "data are broken" in (damage or ""), path.name


def test_masked_level_leaves_out_what_is_off():
    """The mean of masked pixels is kept from hot ones; a lit margin has no masked level."""
    rng = np.random.default_rng(4)
    columns = rng.normal(2049.3, 6, (800, 40)).round().astype(np.uint16)
    columns[rng.random(columns.shape) < 0.001] = 12000
    assert masked_level(columns, (2048.0,) * 4, WHITE) == pytest.approx(2049.3, abs=4 * 6 / np.sqrt(columns.size))
    assert masked_level(columns + np.uint16(300), (2048.0,) * 4, WHITE) is None


def test_what_is_coded_by_difference_is_not_searched_for_blocks_that_stand_twice():
    """The same pixels twice are told of a file of plain numbers; of one of differences they can be no card's block."""
    pixels = starry_mosaic()
    pixels.reshape(-1)[30000:40000] = pixels.reshape(-1)[10000:20000]
    counts = histogram(pixels)
    assert "to the bit" in (find_damage(pixels, counts, 16383, 512, 16383) or "")
    assert find_damage(pixels, counts, 16383, 512, 16383, coded_by_difference=True) is None


def test_the_median_step_equals_numpy():
    """The noise that `find_garble` measures by counting is NumPy's median of the differences."""
    rng = np.random.default_rng(3)
    for shape in ((65, 130), (129, 133), (640, 200)):
        pixels = rng.integers(400, 9000, shape).astype(np.uint16)
        some = pixels[::64].astype(int)
        assert _median_step(pixels) == np.median(np.abs(some[:, 2:] - some[:, :-2]))
