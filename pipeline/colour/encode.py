"""Camera values to 16-bit codes: colour, white that keeps its hue, pedestal, transfer curve, rounding, in one pass."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.colour import curves

CODES = 65535


@njit(cache=True, nogil=True)
def _encode(camera, matrix, pedestal, table, fill, out):  # type: ignore[no-untyped-def]  # pragma: no cover
    rows, columns = camera.shape[1], camera.shape[2]
    intervals = table.size - 2
    scale = np.float32(1.0 / (1.0 + pedestal))
    held = np.int64(0)
    black = np.int64(0)
    empty = np.int64(0)
    one = np.float32(1.0)
    for row in range(rows):
        for column in range(columns):
            a, b, c = camera[0, row, column], camera[1, row, column], camera[2, row, column]
            if not (np.isfinite(a) and np.isfinite(b) and np.isfinite(c)):
                a, b, c = fill[0], fill[1], fill[2]
                empty += 1
            red = matrix[0, 0] * a + matrix[0, 1] * b + matrix[0, 2] * c
            green = matrix[1, 0] * a + matrix[1, 1] * b + matrix[1, 2] * c
            blue = matrix[2, 0] * a + matrix[2, 1] * b + matrix[2, 2] * c
            top = max(red, green, blue)
            if top > one:
                held += 1
                red, green, blue = red / top, green / top, blue / top
            dark = False
            for channel in range(3):
                x = red if channel == 0 else (green if channel == 1 else blue)
                x = (x + pedestal) * scale
                if x < 0:
                    dark = True
                    x = np.float32(0.0)
                if x > one:
                    x = one
                place = np.sqrt(x) * np.float32(intervals)
                step = int(place)
                share = place - np.float32(step)
                code = table[step] + share * (table[step + 1] - table[step])
                out[row, column, channel] = np.uint16(code * np.float32(65535.0) + np.float32(0.5))
            if dark:
                black += 1
    return held, black, empty


def encode_strip(
    camera: NDArray[np.float32],
    matrix: NDArray[np.float64],
    pedestal: float,
    fill: NDArray[np.float64],
    out: NDArray[np.uint16],
) -> tuple[int, int, int]:
    """Encode a strip; equals `encode_slowly` to one code.

    Parameters
    ----------
    camera : (3, rows, columns) float32
        Camera values over the level that is to be white, so that 1 is white.
    matrix : (3, 3)
        Camera to linear RGB, white balance in it.
    pedestal : float
        Added to every channel, in units of white.
    fill : (3,)
        Camera values for pixels that are not finite.
    out : (rows, columns, 3) uint16
        Filled.

    Returns
    -------
    held, black, empty : int
        Pixels held at white with their hue, pixels with a channel below black, pixels without a value.
    """
    counts = _encode(
        np.ascontiguousarray(camera, np.float32),
        np.asarray(matrix, np.float32),
        np.float32(pedestal),
        curves.table(),
        np.asarray(fill, np.float32),
        out,
    )
    return int(counts[0]), int(counts[1]), int(counts[2])


def encode_slowly(
    camera: NDArray[np.float32], matrix: NDArray[np.float64], pedestal: float, fill: NDArray[np.float64]
) -> NDArray[np.uint16]:
    """The slow statement of `encode_strip`: the codes (rows, columns, 3)."""
    values = np.moveaxis(camera.astype(float), 0, -1)
    values = np.where(np.isfinite(values).all(axis=-1, keepdims=True), values, fill)
    rgb = values @ np.asarray(matrix, float).T
    rgb = rgb / np.maximum(rgb.max(axis=-1, keepdims=True), 1.0)
    light = np.clip((rgb + pedestal) / (1 + pedestal), 0, 1)
    return np.floor(curves.encode(light) * CODES + 0.5).astype(np.uint16)


def codes_per_sigma(level: NDArray[np.float64], sigma: NDArray[np.float64], pedestal: float) -> NDArray[np.float64]:
    """How many 16-bit codes one standard deviation spans, a channel.

    Parameters
    ----------
    level, sigma : (3,)
        Linear RGB and its noise, in units of white, before the pedestal.
    pedestal : float
    """
    return np.array(
        [
            curves.slope(float((here + pedestal) / (1 + pedestal))) * s / (1 + pedestal) * CODES
            for here, s in zip(level, sigma, strict=True)
        ]
    )
