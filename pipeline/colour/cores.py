"""The colour of stars whose cores are saturated.

A saturated core says nothing of the star's colour: where green is full first, white balance makes it magenta. The
flanks of the same star tell the colour; the core takes it, at the largest brightness any channel still shows. No star
is green or magenta (black bodies run from red over white to blue), so the green of a core is kept between its red and
its blue. A core without flanks to go by turns neutral.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

# Share of the saturation level from which a pixel of the combined picture is taken to be touched by saturation in some
# frame. Below 1 since frames of a scene are scaled to one transparency and interpolated; low costs nothing, as an
# unsaturated core has its flanks' colour already.
TOUCHED = 0.8
FLANK_PX = 3  # how far around the core its flanks are read
FLANK_MIN = 8  # fewer flank pixels tell no colour
# A flank must rise above the sky by this share of the saturation level, else a lamp's dark surroundings would colour
# it.
FLANK_RISE = 0.03
CORE_MAX_PX = 40_000  # larger areas are no stars (moon, lamps, burnt ground): neutral


@dataclass(frozen=True)
class Cores:
    """Pixels of saturated cores, sorted by row, and the camera colour (largest balanced channel 1) of each."""

    row: NDArray[np.int64]
    column: NDArray[np.int64]
    colour: NDArray[np.float32]  # (n, 3), balanced
    stars: int
    neutral: int

    def restore(self, strip: NDArray[np.float32], top: int, multipliers: tuple[float, float, float]) -> None:
        """Give the cores within a strip (3, rows, columns; first row `top`) their colour, in place."""
        first, last = np.searchsorted(self.row, [top, top + strip.shape[1]])
        if first == last:
            return
        rows, columns = self.row[first:last] - top, self.column[first:last]
        gains = np.array(multipliers, np.float32)[:, None]
        colour = self.colour[first:last].T
        level = np.max(strip[:, rows, columns] * gains / colour, axis=0)
        strip[:, rows, columns] = level * colour / gains


def find_cores(
    touched: NDArray[np.bool_],
    window: NDArray[np.floating],
    sky: NDArray[np.float64],
    saturation: float,
    multipliers: tuple[float, float, float],
) -> Cores:
    """Find saturated cores and the colour of their flanks.

    Parameters
    ----------
    touched : (height, width) bool
        Pixels in which a channel is at least TOUCHED of `saturation`.
    window : (3, height, width) array-like, camera values
        Sliced near cores only (it may be mapped from disk).
    sky : (3,)
        The sky's level.
    saturation : float
    multipliers : three white-balance multipliers
    """
    labels, count = ndimage.label(touched, structure=np.ones((3, 3), bool))
    height, width = touched.shape
    gains = np.asarray(multipliers, float)
    rows, columns, colours = [], [], []
    neutral = 0
    for number, place in enumerate(ndimage.find_objects(labels), 1):
        top, bottom = max(place[0].start - FLANK_PX, 0), min(place[0].stop + FLANK_PX, height)
        left, right = max(place[1].start - FLANK_PX, 0), min(place[1].stop + FLANK_PX, width)
        core = labels[top:bottom, left:right] == number
        colour = None
        if np.count_nonzero(core) <= CORE_MAX_PX:
            flank = ndimage.binary_dilation(core, np.ones((3, 3), bool), FLANK_PX) & ~touched[top:bottom, left:right]
            values = np.asarray(window[:, top:bottom, left:right], float)[:, flank] - sky[:, None]
            values = values[:, np.isfinite(values).all(axis=0)]
            values = values[:, values.max(axis=0, initial=0) > FLANK_RISE * saturation]
            if values.shape[1] >= FLANK_MIN:
                colour = star_colour(values.sum(axis=1) * gains)
        if colour is None:
            colour = np.ones(3)
            neutral += 1
        at = np.nonzero(core)
        rows.append(at[0] + top)
        columns.append(at[1] + left)
        colours.append(np.broadcast_to(colour.astype(np.float32), (at[0].size, 3)))
    if not count:
        none = np.zeros(0, np.int64)
        return Cores(none, none, np.zeros((0, 3), np.float32), 0, 0)
    row, column, colour_all = np.concatenate(rows), np.concatenate(columns), np.concatenate(colours)
    order = np.lexsort((column, row))
    return Cores(row[order], column[order], colour_all[order], count, neutral)


def star_colour(balanced: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """A star's colour (3,), largest channel 1, from balanced fluxes (3,); None where they are no star's.

    Green is kept between red and blue; no channel falls below a tenth of the largest (the reddest carbon stars).
    """
    if not np.isfinite(balanced).all() or balanced.max() <= 0:
        return None
    colour = np.maximum(balanced / balanced.max(), 0.1)
    low, high = min(colour[0], colour[2]), max(colour[0], colour[2])
    colour[1] = np.clip(colour[1], low, high)
    result: NDArray[np.float64] = colour / colour.max()
    return result
