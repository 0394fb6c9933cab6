"""Linear demosaicing (Malvar, He & Cutler 2004): every colour at every pixel, as fixed sums over 5 x 5 mosaic pixels.

Linear, because edge-directed methods scatter star colours by several per cent and make the noise depend on the picture;
with gradient correction, because plain bilinear sums make red and blue stars larger than green ones.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.sensor.cfa import CFA_PATTERNS

# Mosaic pixels that a demosaiced pixel reaches to each side.
MARGIN = 2

# Multipliers of red, green and blue under which they rise and fall together over the picture of a usual star.
Balance = tuple[float, float, float]
NEUTRAL: Balance = (1.0, 1.0, 1.0)
# Beyond these a camera's multipliers are not those of its filters but of a lamp.
BALANCE_LEAST, BALANCE_MOST = 0.4, 4.0


def usable_balance(multipliers: Balance | None) -> Balance:
    """A camera's multipliers, green 1, as demosaicing takes them: neutral where there are none that make sense."""
    if multipliers is None or not all(BALANCE_LEAST <= m <= BALANCE_MOST for m in multipliers):
        return NEUTRAL
    red, green, blue = multipliers
    return (red / green, 1.0, blue / green)


def colours(cfa: str) -> int:
    """How many planes a mosaic gives: 3, or 1 for MONO."""
    return 1 if cfa == "MONO" else 3


def demosaic(mosaic: NDArray[np.float32], cfa: str, balance: Balance = NEUTRAL) -> NDArray[np.float32]:
    """Give every pixel all its colours, linearly.

    The gradient correction takes it that colours rise and fall together. In raw values they do so only after
    balancing: a raw green twice as high as blue would carve dark rings into the blue of every star. So the correction
    is made on balanced values, and what comes out is in raw values again.

    The mosaic is continued beyond its edges by reflection about the outermost pixels' centres, which keeps every
    reflected pixel's colour.

    Parameters
    ----------
    mosaic : (height, width) float32 array, ADU above black; `cfa` holds for its top-left pixel
    cfa : str
        RGGB, BGGR, GRBG, GBRG or MONO.
    balance : (red, green, blue) multipliers, green 1

    Returns
    -------
    (3, height, width) float32 array: red, green, blue; for MONO (1, height, width), the mosaic itself copied

    Raises
    ------
    ValueError
        Where the mosaic is smaller than 3 x 3 or `cfa` is unknown.

    References
    ----------
    Malvar, He & Cutler 2004, "High-quality linear interpolation for demosaicing of Bayer-patterned color images",
    ICASSP, doi:10.1109/ICASSP.2004.1326587, figure 2.
    """
    if mosaic.ndim != 2 or min(mosaic.shape) < MARGIN + 1:
        raise ValueError(f"mosaic must be a 2-D array of at least 3 x 3 pixels (got shape {mosaic.shape})")
    height, width = mosaic.shape
    padded = np.pad(np.asarray(mosaic, np.float32), MARGIN, mode="reflect")
    planes = np.empty((colours(cfa), height, width), np.float32)
    demosaic_padded(padded, cfa, 0, 0, planes, balance)
    return planes


def demosaic_padded(
    padded: NDArray[np.float32],
    cfa: str,
    row: int,
    column: int,
    planes: NDArray[np.float32],
    balance: Balance = NEUTRAL,
) -> None:
    """Demosaic a region that brings its own margin of `MARGIN` pixels on each side.

    Parameters
    ----------
    padded : (height + 4, width + 4) float32 array
    cfa : str
        The pattern of the whole mosaic.
    row, column : int
        Where the region's first pixel (inside the margin) lies in the mosaic; only whether they are odd matters.
    planes : (3 or 1, height, width) float32 array
        Filled with the result.
    balance : (red, green, blue) multipliers, green 1
    """
    if padded.shape != (planes.shape[1] + 2 * MARGIN, planes.shape[2] + 2 * MARGIN):
        raise ValueError(f"padded must be {2 * MARGIN} larger than planes (got {padded.shape} and {planes.shape})")
    if planes.shape[0] != colours(cfa):
        raise ValueError(f"planes must hold {colours(cfa)} colours for {cfa} (got {planes.shape[0]})")
    if cfa == "MONO":
        planes[0] = padded[MARGIN:-MARGIN, MARGIN:-MARGIN]
        return
    if cfa not in CFA_PATTERNS:
        raise ValueError(f"cfa must be MONO or one of {', '.join(CFA_PATTERNS)} (got {cfa!r})")
    red = cfa.index("R")
    red_gain, blue_gain = np.float32(balance[0] / balance[1]), np.float32(balance[2] / balance[1])
    place = (red // 2 + row) & 1, (red % 2 + column) & 1
    _malvar(padded, *place, red_gain, blue_gain, planes[0], planes[1], planes[2])


def green_padded(
    padded: NDArray[np.float32], cfa: str, row: int, column: int, green: NDArray[np.float32], balance: Balance
) -> None:
    """The green plane of `demosaic_padded` alone, to the last bit; arguments as there, for the four CFA patterns."""
    red = cfa.index("R")
    place = (red // 2 + row) & 1, (red % 2 + column) & 1
    _malvar_green(padded, *place, np.float32(balance[0] / balance[1]), np.float32(balance[2] / balance[1]), green)


def response(cfa: str, balance: Balance = NEUTRAL) -> NDArray[np.float32]:
    """What each mosaic pixel adds to each demosaiced one, for working out noise.

    Returns
    -------
    (colours, 2, 2, 5, 5) float32 array
        [c, i, j, 2 + dy, 2 + dx] is the weight of the mosaic pixel (dy, dx) away from a pixel at CFA place (i, j).
    """
    size = 2 * MARGIN + 1
    result = np.empty((colours(cfa), 2, 2, size, size), np.float32)
    for dy in range(size):
        for dx in range(size):
            padded = np.zeros((2 + 2 * MARGIN, 2 + 2 * MARGIN), np.float32)
            planes = np.empty((colours(cfa), 2, 2), np.float32)
            for i in range(2):
                for j in range(2):
                    padded[:] = 0
                    padded[i + dy, j + dx] = 1
                    demosaic_padded(padded, cfa, 0, 0, planes, balance)
                    result[:, i, j, dy, dx] = planes[:, i, j]
    return result


@njit(cache=True, nogil=True, error_model="numpy")
def _malvar(m, red_row, red_column, red_gain, blue_gain, red, green, blue):  # type: ignore[no-untyped-def]
    height, width = red.shape
    # 1 where the column holds the row's own colour (red in rows with red), 0 where it holds green; both kinds of site
    # are computed everywhere and one is taken, which the compiler turns into straight vector code
    site = np.empty(width, np.float32)
    for y in range(height):
        in_red_row = ((y ^ red_row) & 1) == 0
        own = red if in_red_row else blue
        other = blue if in_red_row else red
        first = red_column if in_red_row else red_column ^ 1
        own_gain = red_gain if in_red_row else blue_gain
        other_gain = blue_gain if in_red_row else red_gain
        for x in range(width):
            site[x] = np.float32(1 - ((x ^ first) & 1))
        _malvar_row(
            m[y], m[y + 1], m[y + 2], m[y + 3], m[y + 4], site, own_gain, other_gain, own[y], green[y], other[y]
        )


@njit(cache=True, nogil=True, error_model="numpy")
def _malvar_row(a, b, c, d, e, site, own_gain, other_gain, own, green, other):  # type: ignore[no-untyped-def]
    # corrections measured in one colour are taken into another by the ratio of their multipliers
    own_to_other, green_to_own, green_to_other = own_gain / other_gain, 1 / own_gain, 1 / other_gain
    half, quarter, eighth, sixteenth = np.float32(0.5), np.float32(0.25), np.float32(0.125), np.float32(0.0625)
    for x in range(np.uint64(len(site))):
        here = c[x + 2]
        near_v = b[x + 2] + d[x + 2]
        near_h = c[x + 1] + c[x + 3]
        far_v = a[x + 2] + e[x + 2]
        far_h = c[x] + c[x + 4]
        diagonal = b[x + 1] + b[x + 3] + d[x + 1] + d[x + 3]
        far = far_v + far_h
        green_at_colour = own_gain * (half * here - eighth * far) + quarter * (near_v + near_h)
        other_at_colour = own_to_other * ((half + quarter) * here - (eighth + sixteenth) * far) + quarter * diagonal
        along = (half + eighth) * here - eighth * diagonal
        own_at_green = green_to_own * (along - eighth * far_h + sixteenth * far_v) + half * near_h
        other_at_green = green_to_other * (along - eighth * far_v + sixteenth * far_h) + half * near_v
        at_colour = site[x] > half
        own[x] = here if at_colour else own_at_green
        green[x] = green_at_colour if at_colour else here
        other[x] = other_at_colour if at_colour else other_at_green


@njit(cache=True, nogil=True, error_model="numpy")
def _malvar_green(m, red_row, red_column, red_gain, blue_gain, green):  # type: ignore[no-untyped-def]
    height, width = green.shape
    half, quarter, eighth = np.float32(0.5), np.float32(0.25), np.float32(0.125)
    site = np.empty(width, np.float32)
    for y in range(height):
        in_red_row = ((y ^ red_row) & 1) == 0
        first = red_column if in_red_row else red_column ^ 1
        gain = red_gain if in_red_row else blue_gain
        for x in range(width):
            site[x] = np.float32(1 - ((x ^ first) & 1))
        a, b, c, d, e, line = m[y], m[y + 1], m[y + 2], m[y + 3], m[y + 4], green[y]
        for x in range(np.uint64(width)):
            here = c[x + 2]
            near_v, near_h = b[x + 2] + d[x + 2], c[x + 1] + c[x + 3]
            far = (a[x + 2] + e[x + 2]) + (c[x] + c[x + 4])
            at_colour = gain * (half * here - eighth * far) + quarter * (near_v + near_h)
            line[x] = at_colour if site[x] > half else here
