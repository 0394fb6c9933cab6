"""The colour of stars whose cores are saturated.

A saturated core says nothing of the star's colour: where green is full first, white balance makes it magenta. What lies
close around says little of green: demosaicing and resampling carry full values outwards, red and blue further. So core
and surroundings take the ratio of red to blue alone; green is what black bodies have between the two: no star is green
or magenta. The ratio is told twice: by the mosaics' own samples (`stars/fullcolour.py`), and by the picture around the
core. The mean of both counts; where they differ much a neighbour stood in the mosaics' narrow ring, and the picture's
counts. The core keeps the largest brightness any channel still shows, the surroundings that of green. Where no frame
was full the colour is the light's own. A core of which nothing tells turns neutral.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.stars.connected import label

# Share of the way from the sky to saturation from which a pixel of the combined picture is taken to be touched by it in
# some frame. Below 1 since frames of a scene are scaled to one transparency and interpolated; low costs nothing, as an
# unsaturated core has its star's colour already.
TOUCHED = 0.8
# How far around the core full values reach (demosaicing 2 px, resampling 3): measured, red and blue lie above the
# star's colour by 94 and 67 ADU at 2 px, by 12 at 4 (a combined pixel's noise is 10) and by 3 at 5.
RIM_PX = 4
FLANK_PX = 3  # further out than the rim by so much no light of the star counts as sky
SKY_PX = 6  # how wide around that the sky is read
SKY_MIN = 8  # pixels; from fewer the picture's sky is taken
# Below this share of the saturation level no frame was full: that is the lowest of the frames', brought to one scale.
NOT_FULL = 0.95
# Share of red in green's logarithm along the line of black bodies, in balanced values: Wien's law at 600, 530 and 460
# nm, (1/460 - 1/530) / (1/460 - 1/600).
RED_IN_GREEN = 0.57
# Difference of the two natural logarithms of red over blue from which the picture's counts alone. On ten scenes of
# three renderers they scatter by 0.03 to 0.16 about each other, in crowded fields with a tail of some per cent beyond.
AGREE = 0.5
CORE_MAX_PX = 40_000  # larger areas are no stars (moon, lamps, burnt ground): neutral


@dataclass(frozen=True)
class Cores:
    """Pixels of saturated cores and their rims, sorted by row.

    `colour` (n, 3) camera colour, balanced, largest channel 1; `sky` (n, 3) camera values over white around the star;
    `core` (n,) bool: there the largest channel above the sky gives the brightness, in the rim green.
    """

    row: NDArray[np.int64]
    column: NDArray[np.int64]
    colour: NDArray[np.float32]
    sky: NDArray[np.float32]
    core: NDArray[np.bool_]
    stars: int
    measured: int
    neutral: int

    def restore(self, strip: NDArray[np.float32], top: int, multipliers: tuple[float, float, float]) -> None:
        """Give the cores within a strip (3, rows, columns over white; first row `top`) their colour, in place."""
        first, last = np.searchsorted(self.row, [top, top + strip.shape[1]])
        if first == last:
            return
        rows, columns = self.row[first:last] - top, self.column[first:last]
        gains = np.array(multipliers, np.float32)[:, None]
        colour, sky = self.colour[first:last].T, self.sky[first:last].T
        values = strip[:, rows, columns]
        above = (values - sky) * gains / colour
        light = np.where(self.core[first:last], np.max(above, axis=0), above[1])
        strip[:, rows, columns] = sky + light * colour / gains


def find_cores(
    touched: NDArray[np.bool_],
    window: NDArray[np.floating],
    sky: NDArray[np.float64],
    saturation: float,
    multipliers: tuple[float, float, float],
    measured: NDArray[np.float64] | None = None,
) -> Cores:
    """Find saturated cores and the colours of their stars.

    Parameters
    ----------
    touched : (height, width) bool
        Pixels in which a channel is at least TOUCHED of the way from the sky about it to `saturation`.
    window : (3, height, width) array-like, camera values
        Sliced near cores only (it may be mapped from disk).
    sky : (3,)
        The sky's level.
    saturation : float
    multipliers : three white-balance multipliers
    measured : (n, 4), optional
        x, y (px) of stars and the logarithms of their red and blue light over green's, camera values, one row for each
        time one was measured.
    """
    height, width = touched.shape
    labels = np.zeros(touched.shape, np.int32)
    # that of stars: of few pixels among many it takes a third of scipy's time
    found, begins = label(np.argwhere(touched).astype(np.int32), labels)
    gains = np.asarray(multipliers, float)
    told = _told(labels, measured, gains)
    rows, columns, colours, skies, cores = [], [], [], [], []
    stars = neutral = 0
    wide = RIM_PX + FLANK_PX + SKY_PX
    square = np.ones((3, 3), bool)
    taken = touched.copy()
    for number in range(1, len(begins)):
        group = found[begins[number - 1] : begins[number]]
        top, left = np.maximum(group.min(axis=0) - wide, 0).tolist()
        bottom, right = np.minimum(group.max(axis=0) + 1 + wide, (height, width)).tolist()
        core = labels[top:bottom, left:right] == number
        colour, level = None, np.zeros(3)
        rim = np.zeros_like(core)
        if np.count_nonzero(core) <= CORE_MAX_PX:
            near = ndimage.binary_dilation(core, square, RIM_PX)
            apart = ~ndimage.binary_dilation(near, square, FLANK_PX)
            values = np.asarray(window[:, top:bottom, left:right], float)
            free = ~touched[top:bottom, left:right] & np.isfinite(values).all(axis=0)
            around = values[:, apart & free]
            level = np.median(around, axis=1) if around.shape[1] >= SKY_MIN else sky
            full = values[1, core].max() >= NOT_FULL * saturation
            own = near & free if full else near & (core | free)
            light = (values[:, own] - level[:, None]).sum(axis=1) * gains
            colour = _full_colour(told.get(number), light) if full or number in told else star_colour(light)
            rim = near & free & ~taken[top:bottom, left:right]
            taken[top:bottom, left:right] |= rim
        elif max(float(np.max(window[c, top:bottom, left:right][core])) for c in range(3)) < NOT_FULL * saturation:
            continue  # a sky that is bright, no more
        stars += 1
        if colour is None:
            colour = np.ones(3)
            neutral += 1
        below = level / saturation
        for pixels, is_core in ((core, True), (rim, False)):
            at = np.nonzero(pixels)
            rows.append(at[0] + top)
            columns.append(at[1] + left)
            colours.append(np.broadcast_to(colour.astype(np.float32), (at[0].size, 3)))
            skies.append(np.broadcast_to(below.astype(np.float32), (at[0].size, 3)))
            cores.append(np.full(at[0].size, is_core))
    if not rows:
        none, nothing = np.zeros(0, np.int64), np.zeros((0, 3), np.float32)
        return Cores(none, none, nothing, nothing, np.zeros(0, bool), 0, 0, 0)
    row, column = np.concatenate(rows), np.concatenate(columns)
    order = np.lexsort((column, row))
    every, skies_of, inner = np.concatenate(colours)[order], np.concatenate(skies)[order], np.concatenate(cores)[order]
    return Cores(row[order], column[order], every, skies_of, inner, stars, len(told), neutral)


def _told(
    labels: NDArray[np.int32], measured: NDArray[np.float64] | None, gains: NDArray[np.float64]
) -> dict[int, NDArray[np.float64]]:
    """Balanced red and blue of cores by number, (2,), over green: medians over what was measured within each."""
    if measured is None or not len(measured):
        return {}
    x, y = (np.rint(measured[:, n]).astype(int) for n in (0, 1))
    inside = (x >= 0) & (y >= 0) & (x < labels.shape[1]) & (y < labels.shape[0])
    number = labels[y[inside], x[inside]]
    ratios = measured[inside, 2:]
    return {
        core: np.exp(np.median(ratios[number == core], axis=0)) * gains[[0, 2]] / gains[1]
        for core in np.unique(number[number > 0]).tolist()
    }


def _full_colour(told: NDArray[np.float64] | None, light: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Colour of a full core from the balanced red and blue that mosaics tell, if they do, and the light around."""
    if told is None or not (light > 0).all():
        return black_body_colour(light if told is None else np.array([told[0], 1.0, told[1]]))
    apart = float(np.log(light[0] / light[2]) - np.log(told[0] / told[1]))
    # halfway between the logarithms, or all of the way
    red = told[0] * np.exp(apart / 2 if abs(apart) < AGREE else apart)
    return black_body_colour(np.array([red, 1.0, told[1]]))


def black_body_colour(balanced: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """As `star_colour`, of fluxes whose green is not trusted: black bodies of that red and blue have it."""
    if not (balanced[[0, 2]] > 0).all():
        return None
    red, _, blue = balanced
    return star_colour(np.array([red, red**RED_IN_GREEN * blue ** (1 - RED_IN_GREEN), blue]))


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
