"""Blocks of a raw file that stand in it twice: planted at known places, and what must not be taken for them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.sensor.damage import find_damage
from pipeline.sensor.levels import histogram
from pipeline.sensor.repeats import LIVELY, RUN, equal_stretches, find_repeats
from pipeline.sensor.worker import Decoder
from tests.raw_files import starry_mosaic, write_dng

FULL = 16383.0


def twice(pixels: np.ndarray, first: int, number: int, further: int) -> np.ndarray:
    """A mosaic in whose file `number` pixels from `first` on are written a second time, `further` pixels on."""
    values = pixels.ravel().copy()
    values[first + further : first + further + number] = np.resize(values[first : first + min(number, further)], number)
    return values.reshape(pixels.shape)


def damage_of(pixels: np.ndarray) -> str | None:
    return find_damage(pixels, histogram(pixels), FULL, 512, FULL)


def rows_of(first: int, number: int, width: int) -> list[int]:
    """Rows of which a stretch of the file holds a run that counts."""
    ends = range(first // width, (first + number - 1) // width + 1)
    held = [min(first + number, (r + 1) * width) - max(first, r * width) for r in ends]
    return [r for r, n in zip(ends, held, strict=True) if n >= RUN]


@pytest.mark.parametrize("noise", [30.0, 3.0, 0.7])
@pytest.mark.parametrize(
    ("first", "number", "further"),
    [
        (120_011, 60_000, 60_000),  # a block and, next to it, the same block
        (7, 40_000, 271_828),  # by an odd number: the colours change
        (90_000, 32_768, 90_000),  # by whole rows
        (150_300, 32_768, 2999),  # over itself: every 2999 px the same
        (0, 16_384, 200_001),
    ],
)
def test_a_block_written_twice_is_found_whatever_its_shift(first, number, further, noise):
    """The rows are those that were overwritten, their sources those that were planted; the frame itself is sound."""
    width = 900
    pixels = starry_mosaic(600, width, noise=noise)
    assert find_repeats(pixels, FULL) == []
    found = find_repeats(twice(pixels, first, number, further), FULL)
    assert found
    told = sorted({int(row) for repeat in found for row in repeat.rows})
    expected = rows_of(first + further, number, width)
    assert set(told) <= set(range(expected[0] - 1, expected[-1] + 2))
    assert set(told) >= set(expected[1:-1])
    best = found[0]
    assert (best.rows - best.sources)[0] * width + best.columns == further
    assert damage_of(twice(pixels, first, number, further)) is not None


def test_the_sentence_says_which_rows_repeat_which():
    """188 rows and 320 px further in a frame 1860 px wide, as a card that wrote 700,000 bytes twice leaves them."""
    pixels = twice(starry_mosaic(1240, 1860), 803_200, 350_000, 350_000)
    assert damage_of(pixels) == (
        "rows 620 to 807 of 1240 repeat rows 432 to 619 to the bit, shifted right by 320 px; the card or a copy from "
        "it wrote a block of the file twice; copy the file again if it is still on the card"
    )
    assert "rows 300 to 399 of 1240 repeat rows 100 to 199 to the bit; the card" in (
        damage_of(twice(starry_mosaic(1240, 1860), 100 * 1860, 100 * 1860, 200 * 1860)) or ""
    )


def test_margins_beside_the_picture_do_not_hide_a_block(tmp_path: Path):
    """Of a sensor with masked columns, rows of file and picture differ in length: found by decoding such a file."""
    whole = twice(starry_mosaic(640, 1000), 130_000, 100_000, 250_123)
    path = write_dng(tmp_path / "a.dng", whole, active=(20, 60, 640, 1000))
    with Decoder() as decoder:
        decoded = decoder.decode(path, "f")
        assert decoded.pixels.shape == (620, 940)
        assert decoded.damage is not None
        assert decoded.damage.startswith(
            "rows 360 to 459 of 620 repeat rows 110 to 209 to the bit, shifted right by 123"
        )
        assert decoder.decode(write_dng(tmp_path / "b.dng", starry_mosaic(640, 1000)), "f").damage is None


def sound_frames() -> dict[str, np.ndarray]:
    """What looks alike in many places by right."""
    rng = np.random.default_rng(21)
    shape = 600, 900
    rows, columns = np.indices(shape)

    def noise(sigma: float) -> np.ndarray:
        return rng.normal(0, sigma, shape)

    by_column, by_row = rng.normal(0, 3, 900)[None, :], rng.normal(0, 3, 600)[:, None]
    blocks = np.kron(rng.integers(0, 2, (75, 113)), np.round(9 * np.cos(np.arange(8)))[None, :] * np.ones((8, 1)))
    found = {
        "black": np.zeros(shape),
        "full but for holes": np.where(noise(1) > -3, FULL, 16000),
        "levels of the colours": 600 + 50 * (columns % 2) + 20 * (rows % 2),
        "one in twenty hot, no noise": np.where(rng.random(shape) < 0.05, 4000, 600),
        "eight bits": 257 * np.clip(20 + noise(0.4), 0, 255).round(),
        "few electrons": 32 * rng.poisson(0.5, shape),
        "transform of blocks": 600 + blocks[:, :900],
        "clipped at black": np.maximum(noise(3) - 3, 0),
    }
    for sigma in (0.02, 0.1, 0.2, 0.5, 3.0):
        found |= {
            f"dark, {sigma}": 600 + noise(sigma),
            f"columns, {sigma}": 600 + by_column + noise(sigma),
            f"rows, {sigma}": 600 + by_row + noise(sigma),
            f"columns of two rows, {sigma}": 600 + np.where(rows % 2, by_column, -by_column) * 5 + noise(sigma),
            f"master, {sigma}": 600 + by_column + by_row + noise(sigma),
            f"flat, {sigma}": 9000 - 3000 * ((rows - 300) ** 2 + (columns - 450) ** 2) / 292_500 + noise(sigma),
            f"slope, {sigma}": 600 + 0.37 * columns + 0.21 * rows + noise(sigma),
            f"bands, {sigma}": 600 + (20 * np.sin((columns + 3 * rows) * np.pi / 32)).round() + noise(sigma),
            f"fence, {sigma}": 4000 + 3000 * np.sin(columns / 1.7) + noise(sigma),
            f"full by columns, {sigma}": np.where(rows > 150, 15000 + 30 * by_column, 600) + noise(sigma),
        }
    return {name: np.clip(np.round(values), 0, 65535).astype(np.uint16) for name, values in found.items()}


def test_what_is_alike_by_right_is_no_repeat():
    """Clipped and empty frames, few bits, columns and rows beside rounded noise, flats, slopes, waves, trails."""
    for name, pixels in sound_frames().items():
        assert find_repeats(pixels, FULL) == [], name


def test_star_trails_are_no_repeat():
    """Three hundred arcs about a pole, half of them clipped."""
    rng = np.random.default_rng(22)
    sky = starry_mosaic(600, 900, noise=3.0).astype(int)
    for _ in range(300):
        radius, angle = rng.uniform(20, 500), rng.uniform(0, 2 * np.pi) + np.linspace(0, 0.4, 600)
        y, x = (300 + radius * np.sin(angle)).astype(int), (450 + radius * np.cos(angle)).astype(int)
        inside = (y >= 0) & (y < 600) & (x >= 0) & (x < 900)
        sky[y[inside], x[inside]] += int(rng.uniform(50, 30000))
    assert find_repeats(np.minimum(sky, int(FULL)).astype(np.uint16), FULL) == []


def slow_stretches(pixels: np.ndarray, down: int, right: int, saturation: float) -> np.ndarray:
    """What `equal_stretches` computes."""
    height, width = pixels.shape
    counts = np.zeros(height, int)
    for r in range(max(0, down), min(height, height + down)):
        places = list(range(max(0, right), min(width, width + right)))
        same = [pixels[r, c] == pixels[r - down, c - right] for c in places]
        lively = [c >= 2 and pixels[r, c] != pixels[r, c - 2] and pixels[r, c] < saturation for c in places]
        start = 0
        for n in range(len(places) + 1):
            if n == len(places) or not same[n]:
                if n - start >= RUN and LIVELY * sum(lively[start:n]) >= n - start:
                    counts[r] += n - start
                start = n + 1
    return counts


@pytest.mark.parametrize(("down", "right"), [(0, 0), (3, 40), (2, -33), (0, 150), (-4, 7)])
def test_equal_stretches_equal_their_slow_statement(down, right):
    """Runs are counted as NumPy and Python say, at every side of the frame, full and constant parts left out."""
    pixels = twice(starry_mosaic(40, 500, noise=1.0), 2_100, 6_000, 3 * 500 + 40)
    pixels[30:33, 100:400] = 600
    pixels[36, 50:300] = 16383
    found = equal_stretches(pixels, down, right, FULL)
    np.testing.assert_array_equal(found, slow_stretches(pixels, down, right, FULL))
    assert (down, right) != (3, 40) or found.sum() > 1000
