"""A streak followed along its own light: of a faint one the search finds a piece, and that a few px off its line."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from pipeline.stars.detect import Detections

REACH = 6, 3  # half-size px that an end may lie off the line, at first and after each lengthening
WIDE = 2  # ... to either side of the line that its light is summed over
BESIDE, OUTER = 10, 4  # ... within which the outermost so many px are its surroundings
WINDOW = 20  # ... of length that are judged as one
EDGE_SHARE = 0.5  # of a line's height on one side of it: an edge
GOES_ON = 0.35  # of the streak's typical light in a window: it goes on
GOES_ON_SIGMA = 3.0
FADED = 2  # windows without light in a row end it
BRIGHT_SIGMA = 3.0  # of the light of one px of its length: a bright line
GAPS = 0.2  # of a window of a bright line may be dark
ROUNDS = 8  # each at most doubles the length
CAP_SIGMA, CAP_TIMES = 5.0, 2.0  # stars on the line count for no more than this


def strip_of(
    image: NDArray[np.float32],
    start: tuple[float, float],
    direction: tuple[float, float],
    along: NDArray[np.float64],
    beside: int,
) -> NDArray[np.float64]:
    """The image beside a line: a row a point `along` it from `start`, 2 `beside` + 1 columns a px across; 0 outside."""
    across = np.arange(-beside, beside + 1.0)
    x = start[0] + along[:, None] * direction[0] - across[None] * direction[1]
    y = start[1] + along[:, None] * direction[1] + across[None] * direction[0]
    return np.asarray(map_coordinates(image, [y, x], order=1, mode="constant"), np.float64)


def follow(found: Detections, ends: tuple[float, float, float, float]) -> tuple[float, float, float, float]:
    """Lay a line on the light of a streak and lengthen it while the light goes on.

    Parameters
    ----------
    found : of the half-size image
    ends : x1, y1, x2, y2 in px of the half-size image, near those of a piece of it

    Returns
    -------
    tuple of float
        The same of the whole; as given where the piece has no light of its own between its ends (strobes), or is the
        edge of something bright.
    """
    line = np.array(ends, np.float64).reshape(2, 2)
    if _is_edge(found, line):
        return ends
    for n in range(ROUNDS):
        line = _laid(found, line, REACH[min(n, 1)])
        longer = _lengthened(found, line)
        if longer is None:
            break
        line = longer
    return tuple(float(value) for value in line.ravel())  # type: ignore[return-value]


def _is_edge(found: Detections, line: NDArray[np.float64]) -> bool:
    """Whether one side of a line is half as bright as the line and more: an edge of land or cloud."""
    length, direction = _axis(line)
    profile = np.median(
        strip_of(found.residual, (line[0, 0], line[0, 1]), direction, np.arange(length), BESIDE), axis=0
    )
    sides = float(np.median(profile[:OUTER])), float(np.median(profile[-OUTER:]))
    return max(sides) > EDGE_SHARE * float(profile[OUTER:-OUTER].max())


def _axis(line: NDArray[np.float64]) -> tuple[float, tuple[float, float]]:
    """Length and direction."""
    dx, dy = line[1] - line[0]
    length = max(math.hypot(dx, dy), 1.0)
    return length, (dx / length, dy / length)


def _laid(found: Detections, line: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Both ends moved across by up to `reach`, to where most light lies along the line between them."""
    length, direction = _axis(line)
    strip = strip_of(found.residual, (line[0, 0], line[0, 1]), direction, np.arange(length), reach + 1)
    height = float(np.median(strip[:, 1:-1].max(axis=1)))
    light = np.clip(strip, None, max(CAP_SIGMA * found.noise, CAP_TIMES * height))
    light = light[:, :-2] + light[:, 1:-1] + light[:, 2:]
    share = np.arange(len(light)) / max(len(light) - 1, 1)
    offsets = np.arange(-reach, reach + 1)
    best, chosen = -np.inf, (0, 0)
    for first in offsets:
        for last in offsets:
            column = np.rint(first + (last - first) * share).astype(np.intp) + reach
            total = float(light[np.arange(len(light)), column].sum())
            # of equals the one that moves the line least
            if total > best or (total == best and abs(first) + abs(last) < sum(map(abs, chosen))):
                best, chosen = total, (int(first), int(last))
    normal = np.array([-direction[1], direction[0]])
    return line + np.outer(chosen, normal)


def _lengthened(found: Detections, line: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """The line with what goes on at its ends, at most its own length at each; None where nothing does."""
    length, direction = _axis(line)
    within = windows(found, line[0], direction, np.arange(length))
    typical = float(np.median(within))
    # the median of a window's sums across the line
    sigma = 1.25 * found.noise * math.sqrt((2 * WIDE + 1) / WINDOW)
    if typical < GOES_ON_SIGMA * sigma / math.sqrt(len(within)):
        return None
    least = max(GOES_ON * typical, GOES_ON_SIGMA * sigma)
    # a bright line is lit all along, and stars that follow it are not
    bright = typical > BRIGHT_SIGMA * found.noise * math.sqrt(2 * WIDE + 1)
    share = GAPS if bright else 0.5
    ends = line.copy()
    for n, outward in ((0, (-direction[0], -direction[1])), (1, direction)):
        steps = max(math.ceil(length / WINDOW), FADED + 1)
        lit = windows(found, line[n], outward, np.arange(float(steps * WINDOW)), share) > least
        on, missed = 0, 0
        for step, here in enumerate(lit):
            missed = 0 if here else missed + 1
            if here:
                on = step + 1
            elif missed == FADED:
                break
        ends[n] += on * WINDOW * np.array(outward)
    return None if np.array_equal(ends, line) else ends


def windows(
    found: Detections,
    start: NDArray[np.float64],
    direction: tuple[float, float],
    along: NDArray[np.float64],
    share: float = 0.5,
) -> NDArray[np.float64]:
    """Light across the line in each window along it, of which `share` is fainter (the median), above what lies beside
    it there: stars lie on both."""
    strip = strip_of(found.residual, (start[0], start[1]), direction, along, BESIDE)
    middle = strip[:, BESIDE - WIDE : BESIDE + WIDE + 1]
    edges = np.concatenate([strip[:, :OUTER], strip[:, -OUTER:]], axis=1)
    sums = middle.sum(axis=1)
    parts = np.array_split(np.arange(len(sums)), max(1, len(sums) // WINDOW))
    return np.array([np.quantile(sums[part], share) - middle.shape[1] * np.median(edges[part]) for part in parts])
