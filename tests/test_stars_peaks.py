"""Peaks of a mosaic, counted."""

import numpy as np
import pytest

from pipeline.stars.peaks import count_peaks

BLACK = (512.0, 510.0, 511.0, 513.0)


def slow_count(pixels, black, levels, noises, side, allowed, sigma, beside_sigma, share):
    """What `count_peaks` computes."""
    height, width = (n * side for n in allowed.shape)
    rows, columns = np.indices((height, width))
    place = 2 * (rows % 2) + columns % 2
    block = rows // side, columns // side
    above = pixels[:height, :width].astype(np.float32) - np.asarray(black, np.float32)[place]
    rise = (above - levels[(place, *block)]) / noises[(place, *block)]
    stars = points = 0
    for row, column in np.argwhere(rise > sigma):
        if not (0 < row < height - 1 and 0 < column < width - 1 and allowed[row // side, column // side]):
            continue
        around = rise[row - 1 : row + 2, column - 1 : column + 2].ravel()
        peak = around[4]
        if not (np.all(peak > around[:4]) and np.all(peak >= around[5:])):
            continue
        beside = around[[1, 3, 5, 7]]
        spread = beside.sum() > 2 * beside_sigma
        spread &= min(max(around[1], around[7]), max(around[3], around[5])) > share * peak
        stars, points = stars + int(spread), points + int(not spread)
    return stars, points


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("shape", [(96, 128), (101, 135)])
def test_peaks_equal_their_slow_statement(seed, shape):
    """Single bright pixels, stars, equal neighbours, borders of blocks and forbidden blocks are counted as stated."""
    rng = np.random.default_rng(seed)
    side = 32
    pixels = rng.normal(540, 6, shape)
    y, x = np.indices(shape)
    for _ in range(40):
        pixels += rng.uniform(40, 900) * np.exp(
            -((y - rng.uniform(0, shape[0])) ** 2 + (x - rng.uniform(0, shape[1])) ** 2) / 2.2
        )
    pixels.flat[rng.integers(0, pixels.size, 60)] += rng.uniform(30, 3000, 60)
    pixels[50, 60:62] = 5000
    pixels = np.clip(np.rint(pixels), 0, 65535).astype(np.uint16)
    blocks = shape[0] // side, shape[1] // side
    levels = rng.normal(28, 2, (4, *blocks)).astype(np.float32)
    noises = rng.uniform(5, 7, (4, *blocks)).astype(np.float32)
    allowed = rng.random(blocks) > 0.2
    arguments = (pixels, BLACK, levels, noises, side, allowed, 6.0, 3.5, 0.2)
    stars, points = count_peaks(*arguments)
    assert (stars, points) == slow_count(*arguments)
    assert stars >= 5
    assert points >= 10
