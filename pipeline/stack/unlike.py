"""Where a frame's noise does not go by its level alone: it was divided by a flat, its pixels cover other areas under a
wide lens that turned, or a dark's glow was taken off it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import nearest_known
from pipeline.pixels.positions import PositionGrid
from pipeline.pixels.survey import Survey
from pipeline.stack.nodes import grid_positions, to_the_edge

# The noise of pixels that a flat multiplies by more than 1 / 0.05 is not followed further.
FLAT_LEAST = 0.05
# Factors within this of 1 change no variance by more than a hundredth.
ALIKE = 0.005


@dataclass(frozen=True)
class Unlike:
    """What n frames were multiplied by beside their scales, at the nodes of the position grid.

    The variance of a frame's pixel is ``floor * by**2 + slope * (level * by + glow * by**2)`` where a mosaic's is
    ``floor + slope * level``; in means over blocks it is that over `area`: so many of the frame's pixels come into one.

    Attributes
    ----------
    area : (n, 1, rows, columns) float32 array
        Pixels of a frame that one of the result covers, which it is multiplied by; 1 where it shows nothing.
    by : (n, colours or 1, rows, columns) float32 array
        That over the flat; likewise.
    glow : (n, 1, rows, columns) float32 array, None where no frame has any
        How far the dark that was taken off lies above what it is in most of the frame, ADU in the result's scale: its
        electrons scatter like light's.
    shown : (n, 1, rows, columns) bool array
        The nodes about which a frame shows something: beyond, what a wide lens would do has no limit.
    """

    area: NDArray[np.float32]
    by: NDArray[np.float32]
    glow: NDArray[np.float32] | None
    shown: NDArray[np.bool_]

    def varies(self, by: float) -> bool:
        """Whether frames were multiplied by what is further than so much from 1 somewhere."""
        return bool(np.abs(self.by - 1).max() > by)

    def light(self, k: int, level: NDArray[np.floating]) -> NDArray[np.float64]:
        """The light that goes into the variance of a frame's pixels, ADU: of its own level, and of the glow; (colours,
        rows, columns) both."""
        by = self.by[k].astype(np.float64)
        light = level + np.maximum(level, 0) * (by - 1)
        return light if self.glow is None else light + self.glow[k] * by**2

    def usual(self, k: int, values: NDArray[np.floating]) -> NDArray[np.float64]:
        """The medians of a frame's node maps (colours, rows, columns) where it shows something: (colours,)."""
        here = self.shown[k, 0]
        return np.asarray(np.median(values[:, here if here.any() else ~here], axis=1), np.float64)

    def shares(self, weights: NDArray[np.floating]) -> NDArray[np.float32]:
        """Of what each frame is of the mean over those that show something at a node, (n, 1, rows, columns); 0 where
        none does."""
        share = weights.astype(np.float32)[:, None, None, None] * self.shown
        share /= np.maximum(share.sum(axis=0), np.float32(1e-30))
        return share


def unlike_light(
    surveys: Sequence[Survey],
    responses: Sequence[NDArray[np.float64] | None],
    areas: Sequence[NDArray[np.float32]],
    scales: Sequence[float],
    grids: Sequence[PositionGrid],
    node_x: NDArray[np.float64],
    node_y: NDArray[np.float64],
) -> Unlike | None:
    """What n frames were multiplied by; None where that is of no account, and no dark glows.

    Parameters
    ----------
    surveys : n surveys
        Whose darks are read.
    responses : n of (colours, rows, columns), the flats in the blocks of the surveys
    areas : n of (rows, columns), as in `match_frames`
    node_x, node_y : (rows, columns) places of the nodes in the result, px
    """
    colours = max((len(flat) for flat in responses if flat is not None), default=1)
    by = np.ones((len(surveys), colours, *node_x.shape), np.float32)
    glow = np.zeros((len(surveys), 1, *node_x.shape), np.float32)
    shown = np.empty(glow.shape, bool)
    for k, survey in enumerate(surveys):
        x, y = (a.reshape(node_x.shape) for a in grid_positions(grids[k], node_x.ravel(), node_y.ravel()))
        rows, columns = (n * survey.block for n in survey.level.shape[:2])
        inside = (x > -0.5) & (x < columns - 0.5) & (y > -0.5) & (y < rows - 0.5)
        shown[k, 0] = ndimage.binary_dilation(inside, np.ones((3, 3), bool))
        flat = responses[k]
        for c in range(colours):
            f = np.ones(node_x.shape)
            if flat is not None:
                f = np.nan_to_num(to_the_edge(flat[c], survey.block, x, y), nan=1.0)
            by[k, c] = 1 / np.maximum(f / areas[k], FLAT_LEAST)
        if survey.dark is not None:
            # a fisheye draws no place for some nodes: one without a number would leave none in the whole picture
            there = scales[k] * to_the_edge(survey.dark, survey.block, x, y)
            glow[k, 0] = np.nan_to_num(nearest_known(there, np.isfinite(there)))
    area = np.where(shown, np.stack(areas)[:, None], np.float32(1))
    found = Unlike(area, np.where(shown, by, np.float32(1)), glow if glow.any() else None, shown)
    return found if found.glow is not None or found.varies(ALIKE) else None
