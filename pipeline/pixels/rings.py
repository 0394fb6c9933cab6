"""Dark rings about what is bright and sharp, filled up to the level around; their light is taken from what they ring.

Sums that are right for stars (gradient-corrected demosaicing, Lanczos) sharpen, and a star hardly wider than the pixels
of one colour comes out with a ring darker than the sky, at another place in every colour: 2 to 6 % of its peak deep, of
coloured stars more. In a finished picture the ring is told by this: a pixel is darker than what lies around beyond the
reach of the bright thing, by less than ringing can make of it. Where the contrast is not far above the noise nothing is
touched.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Standard deviations of noise that something bright stands above what is `AWAY` px beside it; at 2 to 6 % the ring of
# fainter ones does not show in the noise.
BRIGHT = 40.0
AWAY = 6
# How far from something bright its ring lies, and its light, px.
NEAR = 4
# Middles of the squares of 3 x 3 px that tell the level around, px beside a pixel; how far the pixels between are
# looked at for what is bright itself; how many of the eight squares must have nothing bright before them, and the
# number from 0 on, from below, of the one that tells.
SQUARES = np.array([(-7, 0), (7, 0), (0, -7), (0, 7), (-5, -5), (-5, 5), (5, -5), (5, 5)], np.int64)
BETWEEN = 5
SQUARES_LEAST, THIRD = 3, 2
# Standard deviations below the level around that are left: noise is not filled.
LEFT = 1.0
# What a ring's depth is at most of the contrast, white balance apart: a red pixel makes 3/16 of blue in one frame.
DEEPEST = 0.2
# How uneven the level around may be, of the contrast: snow among rocks is, the sky about a star or a wall about a
# lamp is not.
UNEVEN = 0.1
# How many times the level around the contrast of a lamp is at least: that of rocks among snow is less.
ON_LAND = 5.0
# How many rows beside them the filled ones depend on.
MARGIN = max(AWAY, 8) + 2 * NEAR


@njit(cache=True, nogil=True, error_model="numpy")
def find_bright(plane, noise, first, bright):  # type: ignore[no-untyped-def]
    """Mark the pixels that stand above the least of four beside them, `AWAY` px in rows and columns.

    Parameters
    ----------
    plane, noise : (height, width) float32 arrays
    first : bool, whether to clear what is not marked
    bright : (height, width) bool array, filled
    """
    height, width = plane.shape
    for y in range(height):
        row, sigma, out = plane[y], noise[y], bright[y]
        above, below = plane[max(y - AWAY, 0)], plane[min(y + AWAY, height - 1)]
        limit = np.float32(BRIGHT)
        if first:
            out[:] = False
        for x in range(min(AWAY, width)):
            low = min(min(above[x], below[x]), row[min(x + AWAY, width - 1)])
            out[x] |= row[x] > low + limit * sigma[x]
        for x in range(AWAY, width - AWAY):
            low = min(min(above[x], below[x]), min(row[x - AWAY], row[x + AWAY]))
            out[x] |= row[x] > low + limit * sigma[x]
        for x in range(max(width - AWAY, min(AWAY, width)), width):
            low = min(min(above[x], below[x]), row[x - AWAY])
            out[x] |= row[x] > low + limit * sigma[x]


@njit(cache=True, nogil=True, error_model="numpy")
def level_around(plane, y, x, sigma):  # type: ignore[no-untyped-def]
    """The level around a pixel: of the medians of the squares that nothing bright stands before the third from below,
    for along the edge of a window the ring itself goes on in two; and how far the lowest is below their middle. NaN
    where too few are free, and where the pixel is no darker."""
    height, width = plane.shape
    nothing = np.float32(np.nan), np.float32(0)
    darker = plane[y, x] + np.float32(LEFT) * sigma
    if _dark_squares(plane, y, x, darker, sigma) > THIRD:
        return nothing
    nine, levels, free = np.empty(9, np.float32), np.empty(len(SQUARES), np.float32), 0
    for k in range(len(SQUARES)):
        dy, dx = SQUARES[k, 0], SQUARES[k, 1]
        if y + dy < 1 or y + dy > height - 2 or x + dx < 1 or x + dx > width - 2:
            continue
        n = 0
        for v in range(-1, 2):
            for u in range(-1, 2):
                n = _insert(nine, n, plane[y + dy + v, x + dx + u])
        if nine[8] == np.inf:
            continue
        if _between(plane, y, x, dy, dx) > max(nine[4], darker) + np.float32(BRIGHT / 2) * sigma:
            continue
        free = _insert(levels, free, nine[4])
    level = levels[min(THIRD, free // 2)]
    if free < SQUARES_LEAST or level <= darker:
        return nothing
    return level, levels[free // 2] - levels[0]


@njit(cache=True, nogil=True, error_model="numpy")
def _dark_squares(plane, y, x, darker, sigma):  # type: ignore[no-untyped-def]
    """How many squares about a pixel are free and no brighter than it, up to one more than `THIRD`: of most pixels this
    tells already, without a median, that they are in no ring."""
    height, width = plane.shape
    found = 0
    for k in range(len(SQUARES)):
        dy, dx = SQUARES[k, 0], SQUARES[k, 1]
        if y + dy < 1 or y + dy > height - 2 or x + dx < 1 or x + dx > width - 2:
            continue
        dark, most = 0, np.float32(0)
        for v in range(-1, 2):
            for u in range(-1, 2):
                here = plane[y + dy + v, x + dx + u]
                dark += here <= darker
                most = max(most, here)
        if dark < 5 or most == np.inf:
            continue
        if _between(plane, y, x, dy, dx) <= darker + np.float32(BRIGHT / 2) * sigma:
            found += 1
            if found > THIRD:
                break
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _between(plane, y, x, dy, dx):  # type: ignore[no-untyped-def]
    """The brightest pixel on the way to the square (dy, dx) from a pixel."""
    sy, sx = np.sign(dy), np.sign(dx)
    most = np.float32(-np.inf)
    for step in range(1, BETWEEN if sy and sx else BETWEEN + 1):
        most = max(most, plane[y + step * sy, x + step * sx])
    return most


@njit(cache=True, nogil=True, error_model="numpy")
def _insert(ordered, count, value):  # type: ignore[no-untyped-def]
    """Put a value in its place among the first `count`, which are in order; how many there are now."""
    m = count
    while m > 0 and ordered[m - 1] > value:
        ordered[m] = ordered[m - 1]
        m -= 1
    ordered[m] = value
    return count + 1


@njit(cache=True, nogil=True, error_model="numpy")
def fill_rings(planes, noise, shown, bright, gains, full, over, added):  # type: ignore[no-untyped-def]
    """What is to be added to a picture to fill its rings; its sum is 0 but where something is full.

    Parameters
    ----------
    planes, noise : (colours, height, width) float32 arrays; infinite where not shown
    shown : (height, width) bool array
    bright : (height, width) bool array of `find_bright` of every colour
    gains : (colours,) float32 array, multipliers under which a white star is the same in each colour
    full : float32
        The level from which pixels count as full: their light is not known, so that they have none to spare.
    over : float32
        How many times the level around the contrast must be: `ON_LAND` on land, whose texture is no ring, else 0.
    added : (colours, height, width) float32 array, filled

    Returns
    -------
    How many values were raised.
    """
    colours, height, width = planes.shape
    near = np.zeros((height, width), np.bool_)
    for y in range(height):
        for x in range(width):
            if bright[y, x]:
                near[max(y - NEAR, 0) : y + NEAR + 1, max(x - NEAR, 0) : x + NEAR + 1] = True
    added[:] = 0
    raised = 0
    for y in range(height):
        for x in range(width):
            if not (near[y, x] and shown[y, x]):
                continue
            y0, y1, x0, x1 = max(y - NEAR, 0), min(y + NEAR + 1, height), max(x - NEAR, 0), min(x + NEAR + 1, width)
            for c in range(colours):
                value, sigma = planes[c, y, x], noise[c, y, x]
                level, uneven = level_around(planes[c], y, x, sigma)
                if np.isnan(level):
                    continue
                contrast = np.float32(0)
                for d in range(colours):
                    most = planes[d, y, x]
                    for v in range(y0, y1):
                        for u in range(x0, x1):
                            if shown[v, u]:
                                most = max(most, planes[d, v, u])
                    contrast = max(contrast, (most - planes[d, y, x]) * gains[d] / gains[c])
                if contrast < over * level:
                    continue
                if level - value > np.float32(DEEPEST) * contrast or uneven > np.float32(UNEVEN) * contrast:
                    continue
                wanted = level - np.float32(LEFT) * sigma
                spare, is_full = np.float32(0), False
                for v in range(y0, y1):
                    for u in range(x0, x1):
                        if shown[v, u]:
                            spare += max(planes[c, v, u] - level, np.float32(0))
                            is_full |= planes[c, v, u] >= full
                lack = wanted - value
                if not is_full:
                    if spare < lack:
                        continue
                    share = lack / spare
                    for v in range(y0, y1):
                        for u in range(x0, x1):
                            if shown[v, u]:
                                added[c, v, u] -= share * max(planes[c, v, u] - level, np.float32(0))
                added[c, y, x] += lack
                raised += 1
    return raised


def with_rings_filled(
    planes: NDArray[np.float32],
    noise: NDArray[np.float32],
    shown: NDArray[np.bool_],
    gains: tuple[float, float, float],
    full: float,
    over: float = 0.0,
) -> NDArray[np.float32] | None:
    """The planes with their rings filled; None where there is none.

    Parameters
    ----------
    planes, noise : (colours, height, width) float32 arrays
    shown : (height, width) bool array
        Which pixels count: the others stay as they are, and nothing depends on them.
    gains, full, over : as of `fill_rings`
    """
    bright, seen = np.empty(planes.shape[1:], np.bool_), planes
    if not shown.all():
        seen = planes.copy()
        seen[:, ~shown] = np.inf
    for c, (plane, sigma) in enumerate(zip(seen, noise, strict=True)):
        find_bright(plane, sigma, c == 0, bright)
    bright &= shown
    if not bright.any():
        return None
    added = np.empty_like(planes)
    factors = np.array(gains if len(planes) == 3 else (1.0,), np.float32)
    limits = np.float32(full), np.float32(over)
    return planes + added if fill_rings(seen, noise, shown, bright, factors, *limits, added) else None


def rings_filled_slow(
    planes: NDArray[np.float32],
    noise: NDArray[np.float32],
    shown: NDArray[np.bool_],
    gains: tuple[float, float, float],
    full: float,
    over: float = 0.0,
) -> NDArray[np.float64]:
    """What `with_rings_filled` computes, in NumPy."""
    colours, height, width = planes.shape
    shift = int(np.abs(SQUARES).max()) + 1
    edge = [(0, 0), (shift, shift), (shift, shift)]
    wide = np.pad(np.where(shown, planes, np.inf).astype(float), edge, constant_values=np.inf)

    def at(plane: NDArray[np.float64], dy: int, dx: int) -> NDArray[np.float64]:
        return plane[shift + dy : shift + dy + height, shift + dx : shift + dx + width]

    def window(plane: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.stack([at(plane, dy, dx) for dy in range(-NEAR, NEAR + 1) for dx in range(-NEAR, NEAR + 1)])

    beside = [(-AWAY, 0), (AWAY, 0), (0, -AWAY), (0, AWAY)]
    bright = np.zeros((height, width), bool)
    # beyond the upper and lower edge the outermost row
    continued = np.pad(wide[:, shift:-shift], [(0, 0), (shift, shift), (0, 0)], mode="edge")
    for plane, sigma in zip(continued, noise, strict=True):
        bright |= at(plane, 0, 0) > np.min([at(plane, *d) for d in beside], axis=0) + BRIGHT * sigma
    near = window(np.pad((bright & shown).astype(float), shift)).any(axis=0)
    finite = np.where(np.isfinite(wide), wide, -np.inf)
    with np.errstate(invalid="ignore"):
        contrast = np.stack([window(plane).max(axis=0) - at(plane, 0, 0) for plane in finite])
    result = planes.astype(float)
    for c, (plane, sigma) in enumerate(zip(wide, noise, strict=True)):
        value, levels = at(plane, 0, 0), []
        for dy, dx in SQUARES:
            nine = np.stack([at(plane, dy + v, dx + u) for v in (-1, 0, 1) for u in (-1, 0, 1)])
            steps = range(1, BETWEEN if dy and dx else BETWEEN + 1)
            between = np.max([at(plane, k * np.sign(dy), k * np.sign(dx)) for k in steps], axis=0)
            middle = np.median(nine, axis=0)
            free = np.isfinite(nine).all(axis=0) & (
                between <= np.maximum(middle, value + LEFT * sigma) + BRIGHT / 2 * sigma
            )
            levels.append(np.where(free, middle, np.inf))
        ordered = np.sort(levels, axis=0)
        count = np.isfinite(ordered).sum(axis=0)
        rank = np.minimum(THIRD, count // 2)[None]
        level, half = (np.take_along_axis(ordered, k, axis=0)[0] for k in (rank, count[None] // 2 % len(SQUARES)))
        factors = np.array(gains[:colours] if colours == 3 else (1.0,)) / (gains[c] if colours == 3 else 1.0)
        most = (contrast * factors[:, None, None]).max(axis=0)
        with np.errstate(invalid="ignore"):
            ring = near & shown & (count >= SQUARES_LEAST) & (level - LEFT * sigma > value)
            ring &= most >= over * level
            ring &= (level - value <= DEEPEST * most) & (half - ordered[0] <= UNEVEN * most)
        for y, x in zip(*np.nonzero(ring), strict=True):
            here = (slice(max(y - NEAR, 0), y + NEAR + 1), slice(max(x - NEAR, 0), x + NEAR + 1))
            lack = level[y, x] - LEFT * sigma[y, x] - value[y, x]
            spare = np.where(shown[here], np.maximum(planes[c][here] - level[y, x], 0), 0)
            if not (shown[here] & (planes[c][here] >= full)).any():
                if spare.sum() < lack:
                    continue
                result[c][here] -= lack / spare.sum() * spare
            result[c, y, x] += lack
    return result
