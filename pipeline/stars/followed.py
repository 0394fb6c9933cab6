"""A streak followed along its own light: of a faint one the search finds a piece, and that a few px off its line."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, median_filter

from pipeline.stars.detect import Detections

# All lengths are px of the mosaic.
REACH = 12, 6  # that an end may lie off the line, at first and after each new length
WIDE = 4  # to either side of the line that its light is summed over
BESIDE, OUTER = 20, 8  # within which the outermost so many px are its surroundings
NEAR = 6  # of a line, that are its own light where its sides are compared
RUN = 20  # of length in which half must be lit: stars on the line are shorter
EDGE_SHARE = 0.5  # of a line's height by which its sides differ: an edge
GOES_ON = 0.35  # of the streak's typical light: it goes on
LIT_SIGMA = 3.0  # of the light of the whole piece, among stars of a run, without which nothing leads on
COUNTS_MOST = 2.0  # times what is between light and none, of one place: a bright one does not bridge long gaps
AHEAD = 160  # that is looked at past either end, at least; at most the streak's own length
ROUNDS = 8  # each at most trebles the length
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


def follow(found: Detections, ends: NDArray[np.float64], step: int, stars: bool) -> NDArray[np.float64]:
    """Lay a line on the light of a streak and end it where the light ends.

    Parameters
    ----------
    found : of a picture
    ends : (2, 2) float64 array: x, y in px of it, near those of a piece of the streak
    step : px of the mosaic to one of its px
    stars : whether it shows stars, which may go on where the streak ends: its light must then be more like its own

    Returns
    -------
    (2, 2) float64 array
        The same of the whole; as given where the piece has no light of its own between its ends (strobes), or is the
        edge of something bright.
    """
    line = ends
    if is_edge(found, line, step):
        return ends
    for n in range(ROUNDS):
        line = laid(found, line, REACH[min(n, 1)] // step)
        whole = _whole(found, line, step, stars)
        if whole is None:
            break
        line = whole
    return line


def is_edge(found: Detections, line: NDArray[np.float64], step: int) -> bool:
    """Whether the sides of a line differ by half its height above the darker one and more: an edge of land or cloud.

    What goes on rising or falling on both sides is no edge but a slope, as an aurora's rays have. Parameters as of
    `follow`.
    """
    length, direction = _axis(line)
    beside, near = BESIDE // step, NEAR // step
    profile = np.median(
        strip_of(found.residual, (line[0, 0], line[0, 1]), direction, np.arange(length), beside), axis=0
    )
    across = np.arange(-beside, beside + 1.0)
    sides = np.abs(across) > near
    terms = np.stack([np.ones_like(across), across, np.sign(across)], axis=1)
    level, slope, half = np.linalg.lstsq(terms[sides], profile[sides], rcond=None)[0]
    height = float((profile - level - slope * across)[~sides].max()) + abs(half)
    return bool(2 * abs(half) > EDGE_SHARE * height)


def _axis(line: NDArray[np.float64]) -> tuple[float, tuple[float, float]]:
    """Length and direction."""
    dx, dy = line[1] - line[0]
    length = max(math.hypot(dx, dy), 1.0)
    return length, (dx / length, dy / length)


def laid(found: Detections, line: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Both ends, (2, 2), moved across by up to `reach` px, to where most light lies along the line between them."""
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


def _whole(found: Detections, line: NDArray[np.float64], step: int, stars: bool) -> NDArray[np.float64] | None:
    """The line from where its light begins to where it ends, looked for on at most its own length past either end; None
    where it has none or nothing changes."""
    length, direction = _axis(line)
    ahead = round(max(length, AHEAD / step))
    along = np.arange(-ahead, math.ceil(length) + ahead + 1.0)
    light = light_along(found, (line[0, 0], line[0, 1]), direction, along, step)
    own = light[(along >= 0) & (along <= length)]
    sigma = 1.25 * found.noise * math.sqrt(2 * (WIDE // step) + 1)
    typical = float(np.median(own))
    run = RUN // step | 1
    least = LIT_SIGMA * sigma / math.sqrt(run if stars else len(own))
    if typical < least:
        return None
    level = GOES_ON * typical if stars else min(GOES_ON * typical, LIT_SIGMA * sigma / math.sqrt(run))
    # the stretch that holds most above what is between light and none
    light = np.clip(median_filter(light, run, mode="nearest") / level - 1, -1, COUNTS_MOST)
    total = np.concatenate([[0.0], np.cumsum(light)])
    last = int(np.argmax(total[1:] - np.minimum.accumulate(total[:-1])))
    first = int(np.argmin(total[: last + 1]))
    if along[last] <= 0 or along[first] >= length:
        return None
    whole = line[0] + np.outer((along[first], along[last]), direction)
    return None if np.abs(whole - line).max() < 1 else whole


def light_along(
    found: Detections,
    start: tuple[float, float],
    direction: tuple[float, float],
    along: NDArray[np.float64],
    step: int,
) -> NDArray[np.float64]:
    """Light across a line at each place along it, above what lies beside it there: stars lie on both."""
    beside, outer, wide = BESIDE // step, OUTER // step, WIDE // step
    strip = strip_of(found.residual, start, direction, along, beside)
    middle = strip[:, beside - wide : beside + wide + 1]
    edges = np.concatenate([strip[:, :outer], strip[:, -outer:]], axis=1)
    return np.asarray(middle.sum(axis=1) - middle.shape[1] * np.median(edges, axis=1))
