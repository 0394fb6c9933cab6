"""Areas of pixels between frames: known maps, the compiled loop against NumPy, fluxes under a wide lens."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.pixels.area import pixel_area, scale_by_area, scale_by_area_slow
from pipeline.pixels.positions import grid_nodes, position_grid
from pipeline.pixels.resample import NOT_COVERED

SHAPE = (300, 420)


def test_turns_and_shifts_change_no_area() -> None:
    """A rigid motion asks for nothing."""
    c, s = np.cos(0.3), np.sin(0.3)
    assert pixel_area(position_grid(lambda x, y: (c * x - s * y + 7, s * x + c * y - 3), SHAPE)) is None


def test_known_area_and_places_without_one() -> None:
    """A map that stretches x by 1 + x / 1000 has that area; where it is not defined the area counts as one."""

    def stretched(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.where(x > 400, np.nan, x + x**2 / 2000), y

    area = pixel_area(position_grid(stretched, SHAPE))
    assert area is not None
    nodes = grid_nodes(SHAPE)[0]
    known = nodes < 300
    # between nodes either side; at the outermost from one side
    np.testing.assert_allclose(area[3, known][1:], 1 + nodes[known][1:] / 1000, atol=1e-5)
    assert (area[:, nodes > 400] == 1).all()


@pytest.mark.parametrize("origin", [(0, 0), (37, 101), (128, 64)])
def test_the_loop_is_the_slow_sentence(origin: tuple[int, int]) -> None:
    """Compiled and NumPy agree, uncovered values stay, and a part of a tile gives the bits of the whole."""
    rng = np.random.default_rng(1)
    nodes = (len(grid_nodes(SHAPE)[1]), len(grid_nodes(SHAPE)[0]))
    area = rng.uniform(0.7, 1.4, nodes).astype(np.float32)
    offset = rng.normal(0, 20, (3, *nodes)).astype(np.float32)
    values = rng.normal(100, 30, (3, 90, 150)).astype(np.float32)
    codes = np.where(rng.random((90, 150)) < 0.1, NOT_COVERED, 5).astype(np.uint8)
    slow, fast, part = values.copy(), values.copy(), values[:, 11:, 23:].copy()
    scale_by_area_slow(slow, codes, area, offset, origin)
    scale_by_area(fast, codes, area, offset, origin)
    scale_by_area(part, np.ascontiguousarray(codes[11:, 23:]), area, offset, (origin[0] + 11, origin[1] + 23))
    np.testing.assert_allclose(fast, slow, atol=2e-4)
    np.testing.assert_array_equal(part, fast[:, 11:, 23:])
    np.testing.assert_array_equal(fast[:, codes == NOT_COVERED], values[:, codes == NOT_COVERED])
