"""RGB spaces by their primaries, and the step from one white to another.

References
----------
ITU-R BT.2020-2 (2015), table 3 (primaries and white of the wide space); IEC 61966-2-1 (1999) (sRGB);
ICC.1:2022 (D50 of the profile connection space); Lam (1985), quoted in ICC.1:2022 annex E (Bradford adaptation).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

D65 = (0.3127, 0.3290)
# the profile connection space's illuminant as ICC.1 writes it in s15Fixed16 (0xF6D6, 0x10000, 0xD32D), so that sums
# agree exactly
PCS_WHITE = np.array([0xF6D6, 0x10000, 0xD32D], float) / 65536.0

BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])


@dataclass(frozen=True)
class Space:
    """An RGB space: CIE 1931 chromaticities (x, y) of its primaries and of its white."""

    name: str
    red: tuple[float, float]
    green: tuple[float, float]
    blue: tuple[float, float]
    white: tuple[float, float]


# Why this one for the TIFF: its primaries are spectral lights (630, 532, 467 nm), so that red emission regions and blue
# stars lie inside where sRGB and film-era spaces clip them; all three are real colours, so that an editor's saturation
# and curves behave, which imaginary primaries do not; its white is the D65 for which camera matrices are given, so
# that the pixels need no adaptation.
BT2020 = Space("ITU-R BT.2020", (0.708, 0.292), (0.170, 0.797), (0.131, 0.046), D65)
SRGB = Space("sRGB (IEC 61966-2-1)", (0.640, 0.330), (0.300, 0.600), (0.150, 0.060), D65)


def white_xyz(xy: tuple[float, float]) -> NDArray[np.float64]:
    """XYZ of a chromaticity at Y = 1, shape (3,)."""
    x, y = xy
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def rgb_to_xyz(space: Space) -> NDArray[np.float64]:
    """The (3, 3) matrix from linear RGB of a space to XYZ with Y = 1 at its white (not adapted).

    References
    ----------
    SMPTE RP 177-1993: the primaries are scaled so that (1, 1, 1) is the white.
    """
    primaries = np.column_stack([white_xyz(xy) for xy in (space.red, space.green, space.blue)])
    return primaries * np.linalg.solve(primaries, white_xyz(space.white))


def adaptation(source: NDArray[np.float64], target: NDArray[np.float64]) -> NDArray[np.float64]:
    """The (3, 3) Bradford matrix that takes XYZ under the white `source` (XYZ) to XYZ under the white `target`."""
    gains = (BRADFORD @ target) / (BRADFORD @ source)
    matrix: NDArray[np.float64] = np.linalg.inv(BRADFORD) @ (gains[:, None] * BRADFORD)
    return matrix
