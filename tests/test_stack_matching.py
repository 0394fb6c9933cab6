"""How frames that do not show the same part of the sky are brought to one."""

from __future__ import annotations

import numpy as np

from pipeline.pixels.noise import PhotonTransfer
from pipeline.pixels.positions import position_grid
from pipeline.pixels.survey import Survey
from pipeline.stack.matching import Matching, grid_nodes, match_frames


def light(x: np.ndarray, y: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """An even sky behind a lens that darkens towards its corners, on a pedestal, ADU."""
    across, down = 2 * x / shape[1] - 1, 2 * y / shape[0] - 1
    return 300 + 490 * (1 - 0.45 * (across**2 + down**2) / 2)


def drifted(scales: list[float], step: tuple[float, float], shape: tuple[int, int], side: int) -> Matching:
    """Frames of `light` whose stars move by so many px from each to the next, to be multiplied by `scales`."""
    rng = np.random.default_rng(3)
    y, x = (np.mgrid[: shape[0] // side, : shape[1] // side] + 0.5) * side
    shown = light(x, y, shape)[..., None] * np.ones(4)
    middle = len(scales) // 2
    surveys, grids = [], []
    for k in range(len(scales)):
        noisy = shown + rng.normal(0, 1.0, shown.shape)
        surveys.append(Survey(noisy.astype(np.float32), (50 + shown).astype(np.float32), side))
        dx, dy = (axis * (k - middle) for axis in step)
        grids.append(position_grid(lambda x, y, dx=dx, dy=dy: (x + dx, y + dy), shape))
    areas = [np.ones(grid.shift.shape[:2], np.float32) for grid in grids]
    transfer = PhotonTransfer(1.0, 50.0, True)
    return match_frames(
        surveys, grids, scales, ["MONO"] * len(scales), middle, shape, [0.0] * len(scales), areas, transfer
    )


def test_frames_through_haze_that_end_within_the_picture_leave_no_bands() -> None:
    """Six of seventeen frames on a drifting tracker are multiplied by 1.28 for their dimmed stars and do not reach the
    picture's edges: the sky is the frames' mean (elementary) to 0.2 %, rms, and within 1 % anywhere."""
    shape, step = (1100, 1350), (1.1, 0.7)
    scales = [1.0] * 9 + [1.28] * 6 + [1.0] * 2
    found = drifted(scales, step, shape, 32)
    node_x, node_y = np.meshgrid(*grid_nodes(shape))
    inside = (node_x > 0) & (node_x < shape[1]) & (node_y > 0) & (node_y < shape[0])
    expected = np.zeros(node_x.shape)
    for k, (scale, weight) in enumerate(zip(scales, found.weights / found.weights.sum(), strict=True)):
        x, y = (node + moved * (k - len(scales) // 2) for node, moved in ((node_x, step[0]), (node_y, step[1])))
        expected += weight * scale * light(x, y, shape)
    off = (found.sky[0] / expected - 1)[inside]
    assert np.sqrt(np.mean(off**2)) < 0.002
    assert np.abs(off).max() < 0.01
