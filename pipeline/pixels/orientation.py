"""Turning a picture as its Exif orientation asks, and back."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

# Exif orientation to what is done to an array [row, column]: transposed first, then rows and columns turned round
ORIENTATIONS = {
    1: (False, False, False),
    2: (False, False, True),
    3: (False, True, True),
    4: (False, True, False),
    5: (True, False, False),
    6: (True, False, True),
    7: (True, True, True),
    8: (True, True, False),
}


def upright(picture: NDArray[Any], orientation: int) -> NDArray[Any]:
    """A view of a (rows, columns, ...) array turned as its Exif orientation asks."""
    transposed, rows, columns = ORIENTATIONS[orientation]
    if transposed:
        picture = picture.swapaxes(0, 1)
    return picture[:: -1 if rows else 1, :: -1 if columns else 1]


def as_taken(picture: NDArray[Any], orientation: int) -> NDArray[Any]:
    """The inverse of `upright`: a view of a (rows, columns, ...) array on the sensor's own grid."""
    transposed, rows, columns = ORIENTATIONS[orientation]
    picture = picture[:: -1 if rows else 1, :: -1 if columns else 1]
    return picture.swapaxes(0, 1) if transposed else picture


def upright_shape(shape: tuple[int, int], orientation: int) -> tuple[int, int]:
    """(height, width) once upright."""
    return upright(np.broadcast_to(np.uint8(0), shape), orientation).shape[:2]


def up_turned_deg(orientation: int) -> float:
    """By how much the upward direction of the upright picture is turned from that of the sensor's own grid, degrees,
    anticlockwise as the grid is seen."""
    transposed, rows, _ = ORIENTATIONS[orientation]
    # the rows of the upright picture run along the grid's columns where it is transposed: its left is up, or its right
    if transposed:
        return -90.0 if rows else 90.0
    return 180.0 if rows else 0.0
