"""Where light broader than stars stands so that none would be found: fine rays of an aurora, a lamp's glare."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter

from pipeline.stars.measure import FrameStars
from pipeline.stars.mesh import FINE_SIDE

CELLS = (48, 64)  # rows, columns in which it is told
BROAD = 4 * FINE_SIDE**2  # px of the half-size image, of an object that the finer blocks do not follow
STEP = 4  # px of the half-size image, at which it is looked for


def broad_light(found: FrameStars) -> NDArray[np.bool_]:
    """Which cells of a frame such light reaches, and a block of the finer mesh about it.

    What is broad and smooth the mesh takes for sky; what is left runs together with the stars on it into one object,
    as land with its texture does too, be it little of a frame.

    Returns
    -------
    `CELLS` bool array
    """
    seen = found.within
    broad = np.append(False, seen.objects["npix"] > BROAD)
    if not broad.any():
        return np.zeros(CELLS, bool)
    there = broad[seen.segments[::STEP, ::STEP]]
    there = maximum_filter(there, 2 * (FINE_SIDE // STEP) + 1)
    down, across = (np.arange(n) * cells // n for n, cells in zip(there.shape, CELLS, strict=True))
    number = (down[:, None] * CELLS[1] + across).ravel()
    return (np.bincount(number, there.ravel(), minlength=CELLS[0] * CELLS[1]) > 0).reshape(CELLS)


def packed(cells: NDArray[np.bool_]) -> str:
    """The cells as hexadecimal digits, row by row, eight a byte; empty where none is set."""
    return np.packbits(cells).tobytes().hex() if cells.any() else ""


def reaches(
    code: str | None, x: NDArray[np.float64], y: NDArray[np.float64], width: int, height: int
) -> NDArray[np.bool_]:
    """Whether such light reaches places of a frame, px; `code` is of `packed`."""
    if not code:
        return np.zeros(len(x), bool)
    cells = np.unpackbits(np.frombuffer(bytes.fromhex(code), np.uint8)).astype(bool).reshape(CELLS)
    row = np.clip((y + 0.5) * CELLS[0] / height, 0, CELLS[0] - 1).astype(np.int64)
    return cells[row, np.clip((x + 0.5) * CELLS[1] / width, 0, CELLS[1] - 1).astype(np.int64)]
