"""The difference of places that most pairs of stars share: a histogram in which every pair has a vote."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Votes:
    """Votes by corners of bins.

    Parameters
    ----------
    counts : (columns, rows) votes in the four bins about each inner corner, along x and along y
    fullest : column and row of the corner with the most
    place : x and y of that corner, px
    """

    counts: Floats
    fullest: tuple[int, int]
    place: tuple[float, float]


def count_votes(
    x: Floats, y: Floats, bins: tuple[int, int], limits: tuple[tuple[float, float], tuple[float, float]]
) -> Votes:
    """Count differences of places; one near the border of bins is shared by up to four of them.

    Parameters
    ----------
    x, y : (n,) differences, px
    bins : how many along x and along y
    limits : lowest and highest value that counts, along x and along y, px
    """
    votes, _, _ = np.histogram2d(x, y, bins, limits)
    counts = votes[:-1, :-1] + votes[1:, :-1] + votes[:-1, 1:] + votes[1:, 1:]
    i, j = (int(k) for k in np.unravel_index(int(np.argmax(counts)), counts.shape))
    across, down = (
        (k + 1) * (high - low) / number + low for k, number, (low, high) in zip((i, j), bins, limits, strict=True)
    )
    return Votes(counts, (i, j), (across, down))
