"""A camera's colours in FITS headers: the cards of its white balance and of its matrix (names in DEVELOPERS.md)."""

from __future__ import annotations

from collections.abc import Callable

BALANCE_CARDS = ("WB_R", "WB_G", "WB_B")
MATRIX_CARDS = tuple(f"CM{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3))

# What a header holds under a card's name: `header.get`, or a reader that mistrusts what it finds. None: nothing.
Value = Callable[[str], float | None]


def white_balance(value: Value) -> tuple[float, float, float] | None:
    """The camera's multipliers of red, green and blue; None where one is lacking."""
    red, green, blue = (value(card) for card in BALANCE_CARDS)
    return None if red is None or green is None or blue is None else (float(red), float(green), float(blue))


def camera_matrix(value: Value) -> tuple[float, ...] | None:
    """The nine numbers of the matrix from XYZ to the camera, row by row; None where one is lacking."""
    values = [value(card) for card in MATRIX_CARDS]
    return None if None in values else tuple(float(number) for number in values if number is not None)
