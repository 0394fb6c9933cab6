"""One mosaic made clean: black level and dark taken off, flat divided out, defective pixels repaired. Arrays only.

A defective pixel is refilled from sound pixels of its own colour: the mean of the opposite pair that differs least,
which follows an edge, a trail or a bad column instead of averaging across it. Defects never feed a repair, so that the
order of the pixels does not matter and a tile gives the same numbers as the whole frame.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.lanes import bits_of, lanes_of
from pipeline.pixels.ordering import median_first
from pipeline.pixels.vector import lowest_bit
from pipeline.sensor.banding import Banding
from pipeline.sensor.mosaic import colour_planes

# How far a repair looks for sound pixels of the same colour. A region with this margin around what is wanted gives the
# same numbers as the whole frame. Reaches across four bad columns of the same colour side by side.
REPAIR_MARGIN = 8

# Offsets (row, column) of one end of each opposite pair, nearest pairs first; the other end is the negative.
_PAIRS_SPARSE = ((0, 2), (2, 0), (2, 2), (2, -2))  # red and blue: one pixel in four
_PAIRS_CHESS = ((1, 1), (1, -1), (0, 2), (2, 0))  # green: every other pixel
_PAIRS_FULL = ((0, 1), (1, 0), (1, 1), (1, -1))  # mono: every pixel

SPARSE, CHESS, FULL = 0, 1, 2


def lattices(cfa: str) -> NDArray[np.int64]:
    """What lattice the pixels of a colour form at each CFA position: SPARSE, CHESS or FULL.

    Parameters
    ----------
    cfa : str
        RGGB, BGGR, GRBG, GBRG or MONO.

    Returns
    -------
    (4,) int64 array, by CFA position 00, 01, 10, 11
    """
    result = np.empty(4, np.int64)
    for places in colour_planes(cfa).values():
        for row, column in places:
            result[2 * row + column] = {1: SPARSE, 2: CHESS, 4: FULL}[len(places)]
    return result


def calibrate(
    pixels: NDArray[np.uint16],
    black: tuple[float, float, float, float],
    dark: NDArray[np.float32] | None = None,
    scale: float = 1.0,
    offset: float = 0.0,
    defects: NDArray[np.uint8] | None = None,
    cfa: str = "MONO",
    flat: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Calibrate a mosaic, or a region of one whose top-left pixel lies at an even row and an even column.

    Without repair it computes ``(pixels - black[2 * (row % 2) + column % 2] - offset - scale * dark) / flat``.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU as the camera wrote them
    black : 4 floats, ADU, by CFA position 00, 01, 10, 11
    dark : (height, width) float32 array, ADU above black, optional
    scale : float
        Dark factor of the frame.
    offset : float
        What the frame's black level lies above `black`, ADU.
    defects : (height, width) uint8 array, optional
        Any value but 0 marks a pixel that is refilled from its like (`repair`).
    cfa : str
        RGGB, BGGR, GRBG, GBRG or MONO.
    flat : (height, width) float32 array, near 1, optional
        A pixel whose flat is not above 0 is left undivided.

    Returns
    -------
    (height, width) float32 array, ADU above black; values below 0 are kept

    Raises
    ------
    ValueError
        Where the shapes differ, `pixels` is no 2-D uint16 array or `scale` or `offset` is not finite.
    """
    if pixels.ndim != 2 or pixels.dtype != np.uint16:
        raise ValueError(f"pixels must be a 2-D uint16 array (got {pixels.dtype}, {pixels.ndim}-D)")
    for name, array in (("dark", dark), ("defects", defects), ("flat", flat)):
        if array is not None and array.shape != pixels.shape:
            raise ValueError(f"{name} must have the shape of pixels (got {array.shape} and {pixels.shape})")
    if not (math.isfinite(scale) and math.isfinite(offset)):
        raise ValueError(f"scale and offset must be finite (got {scale} and {offset})")
    kinds = lattices(cfa)
    levels = black_levels(black, offset, pixels.shape[1])
    out = np.empty(pixels.shape, np.float32)
    if dark is None:
        _subtract_levels(pixels, levels, out)
    else:
        # in one piece, or the loop is no vector code
        _subtract_dark(pixels, levels, np.ascontiguousarray(dark, np.float32), np.float32(scale), out)
    if flat is not None:
        _divide(out, np.ascontiguousarray(flat, np.float32))
    if defects is not None:
        _repair(out, np.ascontiguousarray(defects), kinds)
    return out


def black_levels(black: tuple[float, float, float, float], offset: float, width: int) -> NDArray[np.float32]:
    """What is taken off even and odd rows, (2, width): black level and offset, ADU."""
    levels = np.empty((2, width), np.float32)
    for row in (0, 1):
        levels[row, 0::2] = black[2 * row] + offset
        levels[row, 1::2] = black[2 * row + 1] + offset
    return levels


def dark_signal(
    dark: NDArray[np.float32] | None,
    bias: NDArray[np.float32] | None,
    scale: float,
    window: tuple[slice | NDArray[np.int64], slice] = (slice(None), slice(None)),
    banding: Banding | None = None,
    glow: NDArray[np.float32] | None = None,
    glow_scale: float | None = None,
) -> tuple[NDArray[np.float32] | None, float]:
    """What is taken off a light of dark factor `scale`, as `calibrate` takes it: an array and what multiplies it.

    ``bias + scale * dark + (glow_scale - scale) * glow + banding``, where `dark` is what a master dark shows above the
    bias (without a bias: above black), `glow` its part that has a factor of its own, and any may be None; `banding` is
    the frame's own. A factor of exactly 0 means that the camera has taken its own dark off, bias and all.
    """
    if banding is not None:
        own = banding.at_pixels(window)
        rest, factor = dark_signal(dark, bias, scale, window, None, glow, glow_scale)
        return (own if rest is None else own + np.float32(factor) * rest), 1.0
    if scale == 0 or (dark is None and bias is None):
        return None, 1.0
    if dark is not None and glow is not None and glow_scale is not None and glow_scale != scale:
        total = np.float32(scale) * dark[window]
        total += np.float32(glow_scale - scale) * glow[window]
        return (total if bias is None else total + bias[window]), 1.0
    if bias is None:
        assert dark is not None
        return dark[window], scale
    if dark is None:
        return bias[window], 1.0
    return bias[window] + np.float32(scale) * dark[window], 1.0


def repair(values: NDArray[np.float32], defects: NDArray[np.uint8], cfa: str) -> NDArray[np.float32]:
    """Refill defective pixels in place from sound pixels of their own colour, and return `values`.

    Of the four opposite pairs of nearest neighbours whose pixels are both sound, the mean of the pair that differs
    least. Where no pair is whole: the median of the sound pixels of the nearest square ring, up to `REPAIR_MARGIN`
    pixels away. Where there is none either, the pixel keeps its value. Red and blue neighbours lie 2 pixels away,
    green ones on the diagonals and 2 pixels away, those of a mono sensor 1 pixel away.

    Parameters
    ----------
    values : (height, width) float32 array; its top-left pixel at an even row and an even column
    defects : (height, width) uint8 array, 0 for sound pixels
    cfa : str
        RGGB, BGGR, GRBG, GBRG or MONO.
    """
    if values.shape != defects.shape:
        raise ValueError(f"defects must have the shape of values (got {defects.shape} and {values.shape})")
    _repair(values, np.ascontiguousarray(defects), lattices(cfa))
    return values


@njit(cache=True, nogil=True)
def _subtract_levels(pixels, levels, out):  # type: ignore[no-untyped-def]
    for y in range(pixels.shape[0]):
        parity = y & 1
        for x in range(pixels.shape[1]):
            out[y, x] = np.float32(pixels[y, x]) - levels[parity, x]


@njit(cache=True, nogil=True)
def _subtract_dark(pixels, levels, dark, scale, out):  # type: ignore[no-untyped-def]
    for y in range(pixels.shape[0]):
        parity = y & 1
        for x in range(pixels.shape[1]):
            out[y, x] = np.float32(pixels[y, x]) - levels[parity, x] - scale * dark[y, x]


@njit(cache=True, nogil=True)
def _divide(out, flat):  # type: ignore[no-untyped-def]
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            if flat[y, x] > 0:
                out[y, x] /= flat[y, x]


@njit(cache=True, nogil=True)
def _repair(values, defects, kinds):  # type: ignore[no-untyped-def]
    height, width = values.shape
    for y in range(height):
        for begin in range(0, width, 64):
            if begin + 64 <= width:
                # most stretches hold none, and lanes see that at once
                bad = bits_of(lanes_of(defects, np.uint64(y * width + begin), 64) != np.uint8(0))
            else:
                bad = np.uint64(0)
                for x in range(begin, width):
                    bad |= np.uint64(defects[y, x] != 0) << np.uint64(x - begin)
            while bad != 0:
                x = begin + lowest_bit(bad)  # type: ignore[call-arg]
                bad &= bad - np.uint64(1)
                _repair_pixel(values, defects, kinds[2 * (y & 1) + (x & 1)], y, x)


@njit(cache=True, nogil=True)
def _repair_pixel(values, defects, kind, y, x):  # type: ignore[no-untyped-def]
    height, width = values.shape
    pairs = _PAIRS_SPARSE if kind == SPARSE else (_PAIRS_CHESS if kind == CHESS else _PAIRS_FULL)
    best = np.float32(np.inf)
    found = False
    for dy, dx in pairs:
        if y - dy < 0 or y + dy >= height or min(x - dx, x + dx) < 0 or max(x - dx, x + dx) >= width:
            continue
        if defects[y - dy, x - dx] != 0 or defects[y + dy, x + dx] != 0:
            continue
        one, other = values[y - dy, x - dx], values[y + dy, x + dx]
        if abs(one - other) < best:
            best = abs(one - other)
            values[y, x] = np.float32(0.5) * (one + other)
            found = True
    if found:
        return
    ring = np.empty(8 * REPAIR_MARGIN, np.float32)
    for radius in range(1, REPAIR_MARGIN + 1):
        count = 0
        for dy in range(-radius, radius + 1):
            step = 1 if abs(dy) == radius else 2 * radius
            for dx in range(-radius, radius + 1, step):
                if not _same_colour(kind, dy, dx):
                    continue
                ny, nx = y + dy, x + dx
                if 0 <= ny < height and 0 <= nx < width and defects[ny, nx] == 0:
                    ring[count] = values[ny, nx]
                    count += 1
        if count > 0:
            values[y, x] = median_first(ring, count)
            return


@njit(cache=True, nogil=True)
def _same_colour(kind, dy, dx):  # type: ignore[no-untyped-def]
    if kind == SPARSE:
        return dy % 2 == 0 and dx % 2 == 0
    if kind == CHESS:
        return (dy + dx) % 2 == 0
    return True
