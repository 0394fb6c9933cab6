"""Red and blue planes of a frame whose lens draws the colours at different sizes.

Demosaicing lends red and blue the fine detail of green. Where the lens has drawn green elsewhere, that detail comes in
at the wrong place: in the corners of a fast wide lens stars would end up with a red core beside a red halo, and moving
the red plane afterwards moves both. So green is displaced to where red (blue) was drawn before its detail is lent.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.displace import EDGE, displaced
from pipeline.pixels.positions import PositionGrid
from pipeline.sensor.demosaic import MARGIN, Balance

# A plane must reach this much further than what is resampled from it: detail of green is gathered over `MARGIN` pixels
# about each pixel, and displaced from well inside the planes.
EXTRA = EDGE + MARGIN


def carry_green(
    padded: NDArray[np.float32],
    cfa: str,
    origin: tuple[int, int],
    source: NDArray[np.float32],
    grids: tuple[PositionGrid, PositionGrid],
    balance: Balance,
    virtual: NDArray[np.float32],
) -> None:
    """Demosaic red and blue with green's detail from where it belongs.

    Parameters
    ----------
    padded : (height + 4, width + 4) float32 array, the mosaic with `MARGIN` pixels to spare
    cfa : pattern of the whole mosaic
    origin : (row, column) of the planes' first pixel in the frame
    source : 1-D float32 array, planes red, green, blue of (height, width) one behind the other, and `OVERREAD` floats;
        green is read, red and blue are filled
    grids : where green lies of what red shows at a pixel, and of what blue shows
    balance : (red, green, blue) multipliers, green 1
    virtual : scratch of the shape of `padded`
    """
    height, width = padded.shape[0] - 2 * MARGIN, padded.shape[1] - 2 * MARGIN
    planes = source[: 3 * height * width].reshape(3, height, width)
    for number, letter, grid in ((0, "R", grids[0]), (2, "B", grids[1])):
        place = cfa.index(letter)
        row, column = (place // 2 + origin[0]) & 1, (place % 2 + origin[1]) & 1
        gain = balance[1] / balance[number]
        displaced(source, 1, (height, width), origin, grid, gain, MARGIN, virtual)
        # the margin is even: parities of the padded mosaic are those of the planes
        virtual[row::2, column::2] = padded[row::2, column::2]
        malvar_colour(virtual, row, column, planes[number])


@njit(cache=True, nogil=True, error_model="numpy")
def malvar_colour(m, own_row, own_column, out):  # type: ignore[no-untyped-def]
    """One colour by the sums of `sensor.demosaic`, all other sites holding green in that colour's units.

    Parameters
    ----------
    m : (height + 4, width + 4) float32 array
    own_row, own_column : 0 or 1, first row and column of `out` that hold the colour
    out : (height, width) float32 array, filled
    """
    height, width = out.shape
    half, quarter, eighth, sixteenth = np.float32(0.5), np.float32(0.25), np.float32(0.125), np.float32(0.0625)
    site = np.empty(width, np.float32)
    for x in range(width):
        site[x] = np.float32(1 - ((x ^ own_column) & 1))
    for y in range(height):
        a, b, c, d, e, line = m[y], m[y + 1], m[y + 2], m[y + 3], m[y + 4], out[y]
        if ((y ^ own_row) & 1) == 0:
            for x in range(np.uint64(width)):
                here = c[x + 2]
                diagonal = b[x + 1] + b[x + 3] + d[x + 1] + d[x + 3]
                between = (
                    (half + eighth) * here
                    - eighth * diagonal
                    - eighth * (c[x] + c[x + 4])
                    + sixteenth * (a[x + 2] + e[x + 2])
                    + half * (c[x + 1] + c[x + 3])
                )
                line[x] = here if site[x] > half else between
        else:
            for x in range(np.uint64(width)):
                here = c[x + 2]
                diagonal = b[x + 1] + b[x + 3] + d[x + 1] + d[x + 3]
                far_v, far_h = a[x + 2] + e[x + 2], c[x] + c[x + 4]
                above = (
                    (half + eighth) * here
                    - eighth * diagonal
                    - eighth * far_v
                    + sixteenth * far_h
                    + half * (b[x + 2] + d[x + 2])
                )
                opposite = (half + quarter) * here - (eighth + sixteenth) * (far_v + far_h) + quarter * diagonal
                line[x] = above if site[x] > half else opposite
