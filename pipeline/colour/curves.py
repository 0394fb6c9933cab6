"""The transfer curve of IEC 61966-2-1: exact, its slope, and as a table for compiled loops.

It serves the 16-bit TIFF as well as the preview: its toe is a straight line of slope 12.92, so that the faint end gets
12.9 times the codes a linear file of the same depth gives it, the curve is exactly known to every colour engine (five
numbers in the profile), and at no level does it ask for more than an editor's 16 bits can hold.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TOE_END = 0.0031308
TOE_SLOPE = 12.92
EXPONENT = 2.4
OFFSET = 0.055

# Intervals of the table over sqrt(x). The square root makes the curve nearly straight; with 8192 intervals the largest
# error measured against the formula is 0.043 codes of 65535 (at the kink where toe and power law meet), far below
# rounding's 0.5.
TABLE_INTERVALS = 8192


def encode(linear: NDArray[np.floating]) -> NDArray[np.float64]:
    """Linear light to code value, 0..1 to 0..1; below 0 the straight toe goes on."""
    x = np.asarray(linear, float)
    power = (1 + OFFSET) * np.maximum(x, TOE_END) ** (1 / EXPONENT) - OFFSET
    return np.where(x <= TOE_END, TOE_SLOPE * x, power)


def decode(code: NDArray[np.floating]) -> NDArray[np.float64]:
    """Code value to linear light, the inverse of `encode`."""
    y = np.asarray(code, float)
    power = ((np.maximum(y, TOE_SLOPE * TOE_END) + OFFSET) / (1 + OFFSET)) ** EXPONENT
    return np.where(y <= TOE_SLOPE * TOE_END, y / TOE_SLOPE, power)


def slope(linear: float) -> float:
    """How fast the code value rises with linear light (codes of full scale 1 per linear unit)."""
    if linear <= TOE_END:
        return TOE_SLOPE
    return (1 + OFFSET) / EXPONENT * linear ** (1 / EXPONENT - 1)


def table() -> NDArray[np.float32]:
    """`encode` at (k / TABLE_INTERVALS)^2 for k = 0..TABLE_INTERVALS + 1 (the last repeated), float32."""
    knots = (np.minimum(np.arange(TABLE_INTERVALS + 2), TABLE_INTERVALS) / TABLE_INTERVALS) ** 2
    return encode(knots).astype(np.float32)
