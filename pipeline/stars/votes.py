"""The difference of places that most pairs of stars share: a histogram in which every pair has a vote."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.leaf import leaf

Floats = NDArray[np.float64]


@leaf
def _bin_of(value: float, edges: Any) -> int:
    """``np.searchsorted(edges, value, "right") - 1`` of evenly spaced edges, -1 beyond either end; the last edge is of
    the last bin."""
    bins = edges.shape[0] - 1
    if not (edges[0] <= value <= edges[bins]):
        return -1
    n = min(max(int((value - edges[0]) / (edges[bins] - edges[0]) * bins), 0), bins - 1)
    # rounding may be off by one
    while n > 0 and edges[n] > value:
        n -= 1
    while n < bins - 1 and edges[n + 1] <= value:
        n += 1
    return n


@leaf
def _histogram(x: Any, y: Any, across: Any, down: Any, votes: Any) -> None:
    """``np.histogram2d(x, y, (across, down))`` added to `votes`; in a tenth of the time."""
    for n in range(x.shape[0]):
        i, j = _bin_of(x[n], across), _bin_of(y[n], down)
        if i >= 0 and j >= 0:
            votes[i, j] += 1


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
    votes = np.zeros(bins)
    across, down = (np.linspace(low, high, n + 1) for n, (low, high) in zip(bins, limits, strict=True))
    _histogram(x, y, across, down, votes)
    counts = votes[:-1, :-1] + votes[1:, :-1] + votes[:-1, 1:] + votes[1:, 1:]
    i, j = (int(k) for k in np.unravel_index(int(np.argmax(counts)), counts.shape))
    place = [(k + 1) * (high - low) / number + low for k, number, (low, high) in zip((i, j), bins, limits, strict=True)]
    return Votes(counts, (i, j), (place[0], place[1]))
