"""How frames that do not show the same part of the sky are brought to one."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.pixels.area import pixel_area
from pipeline.pixels.noise import PhotonTransfer
from pipeline.pixels.positions import position_grid
from pipeline.pixels.survey import Survey
from pipeline.stack.matching import Matching, grid_nodes, match_frames
from pipeline.stack.nodes import grid_positions


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


def test_noise_of_a_wide_lens_that_turned_goes_by_the_pixels_of_each_place() -> None:
    """Before a lens that draws straight lines straight a pixel sees cos^3 of its distance from the axis (elementary).
    Frames turned by up to 32 degrees are multiplied by what that makes of areas, a; a pixel's variance is then a^2
    times that of the mosaic's, in means over blocks a times it. Told within 2 % wherever a frame shows something, and
    nowhere is there noise of places that it does not show."""
    shape, side, focal_px, floor, slope = (1002, 1500), 32, 583.0, 6.0, 0.5
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    turns = np.radians(np.linspace(-32, 32, 9))
    axis = np.array([0.0, -0.77, 0.64])

    def slant(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return 1 / np.sqrt(1 + ((x - middle[0]) ** 2 + (y - middle[1]) ** 2) / focal_px**2)

    def turned(x: np.ndarray, y: np.ndarray, angle: float) -> tuple[np.ndarray, np.ndarray]:
        ray = np.stack([(x - middle[0]) / focal_px, (y - middle[1]) / focal_px, np.ones(np.shape(x))], -1)
        seen = ray @ Rotation.from_rotvec(angle * axis).as_matrix().T
        with np.errstate(divide="ignore", invalid="ignore"):
            ahead = np.where(seen[..., 2] > 0.05, seen[..., 2], np.nan)
            return middle[0] + focal_px * seen[..., 0] / ahead, middle[1] + focal_px * seen[..., 1] / ahead

    y, x = (np.mgrid[: shape[0] // side, : shape[1] // side] + 0.5) * side
    level = 160.0 * slant(x, y) ** 3
    variance = floor + slope * level
    survey = Survey(*((plane[..., None] * np.ones(4)).astype(np.float32) for plane in (level, variance)), side)
    grids = [position_grid(lambda x, y, angle=angle: turned(x, y, angle), shape) for angle in turns]
    n = len(turns)
    found = match_frames(
        [survey] * n, grids, [1.0] * n, ["MONO"] * n, n // 2, shape, [0.0] * n, [pixel_area(grid) for grid in grids],
        PhotonTransfer(slope, floor, True),
    )  # fmt: skip
    node_x, node_y = np.meshgrid(*grid_nodes(shape))
    inside = (node_x >= 0) & (node_x < shape[1]) & (node_y >= 0) & (node_y < shape[0])
    for k, grid in enumerate(grids):
        there_x, there_y = (a.reshape(node_x.shape) for a in grid_positions(grid, node_x.ravel(), node_y.ravel()))
        shown = inside & (there_x > 0) & (there_x < shape[1] - 1) & (there_y > 0) & (there_y < shape[0] - 1)
        area = (slant(node_x, node_y) / slant(there_x, there_y)) ** 3
        mosaic = floor + slope * 160 * slant(there_x, there_y) ** 3
        for noise, power in ((found.of_pixels, 2), (found.of_blocks, 1)):
            told = found.floor[k, 0] + found.slope[k] * (noise.sky[0] - noise.offsets[k, 0])
            np.testing.assert_allclose(told[shown] / (mosaic * area**power)[shown], 1, atol=0.02)
            assert noise.sky.max() < 2000


def test_a_glowing_dark_before_a_fisheye_whose_map_ends_leaves_the_noise_known() -> None:
    """Half of the nodes of some frames have no place in them, as in the corners about a fisheye's circle; the dark that
    was taken off glows. Floors, slopes and levels are numbers everywhere, and within the circle the noise is that of
    level and glow (elementary) to 2 %."""
    shape, side, level, floor, slope = (640, 768), 32, 160.0, 6.0, 0.5
    x = (np.mgrid[: shape[0] // side, : shape[1] // side][1] + 0.5) * side
    glow = 40 * x / shape[1]
    planes = (np.broadcast_to(value, (*x.shape, 4)).astype(np.float32) for value in (level, floor + slope * level))
    survey = Survey(*planes, side, dark=glow.astype(np.float32))

    def cut_off(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        drawn = np.hypot(x - shape[1] / 2, y - shape[0] / 2) < 300
        return np.where(drawn, x + 5, np.nan), np.where(drawn, y, np.nan)

    grids = [position_grid(lambda x, y: (x, y), shape), *(position_grid(cut_off, shape) for _ in range(3))]
    assert np.isnan(grids[1].shift).any(axis=-1).mean() > 0.5
    found = match_frames(
        [survey] * 4, grids, [1.0] * 4, ["MONO"] * 4, 0, shape, [0.0] * 4, [pixel_area(grid) for grid in grids],
        PhotonTransfer(slope, floor, True),
    )  # fmt: skip
    for values in (found.offsets, found.sky, found.of_pixels.sky, found.of_pixels.offsets, *found.at_sky):
        assert np.isfinite(values).all()
    node_x, node_y = np.meshgrid(*grid_nodes(shape))
    inner = np.hypot(node_x - shape[1] / 2, node_y - shape[0] / 2) < 300
    for k in range(4):
        told = found.floor[k, 0] + found.slope[k] * (found.of_pixels.sky[0] - found.of_pixels.offsets[k, 0])
        there = node_x + (5 if k else 0)
        np.testing.assert_allclose(told[inner], (floor + slope * (level + 40 * there / shape[1]))[inner], rtol=0.02)
