"""Areas of pixels between frames: known maps."""

from __future__ import annotations

import numpy as np

from pipeline.pixels.area import pixel_area
from pipeline.pixels.positions import grid_nodes, position_grid

SHAPE = (300, 420)


def test_turns_and_shifts_change_no_area() -> None:
    """A rigid motion asks for nothing: exactly one, so that values stay to the last bit."""
    c, s = np.cos(0.3), np.sin(0.3)
    assert (pixel_area(position_grid(lambda x, y: (c * x - s * y + 7, s * x + c * y - 3), SHAPE)) == 1).all()


def test_known_area_and_places_without_one() -> None:
    """A map that stretches x by 1 + x / 1000 has that area; where it is not defined the area counts as one."""

    def stretched(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return np.where(x > 400, np.nan, x + x**2 / 2000), y

    area = pixel_area(position_grid(stretched, SHAPE))
    nodes = grid_nodes(SHAPE)[0]
    known = nodes < 300
    # between nodes either side; at the outermost from one side
    np.testing.assert_allclose(area[3, known][1:], 1 + nodes[known][1:] / 1000, atol=1e-5)
    assert (area[:, nodes > 400] == 1).all()
