"""The colour of stars whose cores are full, from the pixels around that are not.

In a combined picture the surroundings of a full core have its colour, not the star's: demosaicing and resampling carry
full values outwards, and balanced full values are magenta. On the mosaic each colour has samples of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Natural logarithms of red's and blue's light over green's, thousandths: whole numbers have a value for "not measured".
PER_UNIT = 1000
UNKNOWN = -32768
RATIO_DTYPE = np.dtype([("full_red", "i2"), ("full_blue", "i2")])

# Full stars of a frame that are measured: where there are more the brightest half of so many, and as many of the
# others, which each frame chooses differently.
STARS = 150
FULL = 0.97  # of the room above black: a sample from here on tells nothing
REACH = 1.5  # px beyond the outermost full sample: by 2.5 neighbours have half of the light in a crowded field
SKY_FROM, SKY_TO = 7.0, 11.0  # px beyond it, where the sky around is read
NEAR, FAR = 10.0, 40.0  # px; the windows that are tried. What is full further out is no star
RISE = 6.0  # times the noise of one pixel, of samples that are used
SAMPLES, SKY_SAMPLES = 2, 10  # of each colour, at least, about the core and of the sky
# What is known beforehand, as standard deviations: of a sample's logarithm beside its noise (pixels are no points, and
# no star is a Gaussian), of the star's place and of a colour's against green's (px), and of how much flatter a star's
# slopes are than its core.
ROUGH, PLACE, COLOUR_PLACE = 0.15, 0.4, 0.4
FLATTER, FLATTER_ERROR = 0.8, 0.3
ERROR_MAX = 0.35  # of a ratio's logarithm; frames are many
SHAPE_STARS = 10  # whose shapes make the frame's


def full_star_colours(
    pixels: NDArray[np.uint16],
    cfa: str,
    black: ArrayLike,
    saturation: float,
    noise: float,
    stars: NDArray[Any],
    turn: int = 0,
) -> NDArray[Any]:
    """Light of red and of blue over green's of the saturated stars of a mosaic.

    The logarithm of a star's light above its sky is taken for a quadratic of place: that of the frame's stars, flatter
    by a factor that is fitted, with a height and a place for each colour. (A Gaussian's logarithm is such a quadratic;
    in a narrow ring that of any star nearly is, and alike in all colours.) The heights are compared.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    cfa : pattern of the first cell; ``MONO`` has no colours
    black : 4 levels by place of the cell, ADU
    saturation : raw level of a full pixel, ADU
    noise : standard deviation of one pixel of the sky, ADU
    stars : (n,) star list with x, y, flux, flux_error, mxx, mxy, myy, saturated, brightest first
    turn : a number of the frame's, by which it chooses among many full stars

    Returns
    -------
    (n,) array of `RATIO_DTYPE`, of raw values, not white-balanced; `UNKNOWN` where not measured
    """
    result = np.full(len(stars), UNKNOWN, np.int16).astype(RATIO_DTYPE)
    good = ~stars["saturated"] & np.isfinite(stars["mxx"]) & (stars["flux"] > 20 * stars["flux_error"])
    if cfa == "MONO" or np.count_nonzero(good) < SHAPE_STARS:
        return result
    mxx, mxy, myy = (float(np.median(stars[name][good])) for name in ("mxx", "mxy", "myy"))
    if mxx * myy - mxy * mxy <= 0:
        return result
    shape = np.linalg.inv(np.array([[mxx, mxy], [mxy, myy]]))
    frame = _Mosaic(pixels, np.array(["RGB".index(c) for c in cfa]), np.asarray(black, np.float64), saturation, noise)
    for number in _chosen(np.flatnonzero(stars["saturated"]), turn):
        ring = _ring(frame, float(stars["x"][number]), float(stars["y"][number]))
        ratios = None if ring is None else _heights(*ring, noise, shape)
        if ratios is not None:
            result[number] = tuple(np.rint(PER_UNIT * ratios).astype(np.int16))
    return result


def _chosen(full: NDArray[np.intp], turn: int) -> NDArray[np.intp]:
    """Which of a frame's full stars are measured."""
    if len(full) <= STARS:
        return full
    rest = full[STARS // 2 :]
    every = -(-2 * len(rest) // STARS)
    return np.concatenate([full[: STARS // 2], rest[turn % every :: every]])


@dataclass(frozen=True)
class _Mosaic:
    """`colour` (0 red, 1 green, 2 blue) and `black` (ADU) by place of the cell; `noise` of a pixel, ADU."""

    pixels: NDArray[np.uint16]
    colour: NDArray[np.intp]
    black: Floats
    saturation: float
    noise: float


def _ring(frame: _Mosaic, x: float, y: float) -> tuple[Floats, Floats, NDArray[np.intp], Floats] | None:
    """Samples about a full core: dx, dy from the star's place (px), colour, light above the sky (ADU)."""
    if not (0 <= x < frame.pixels.shape[1] and 0 <= y < frame.pixels.shape[0]):
        return None  # the place was fitted to a star that the frame's edge cuts, or to none
    for reach in (NEAR, FAR):
        dx, dy, colour, value, full = _window(frame, x, y, reach + SKY_TO)
        core = _reach_of(np.hypot(dx[full], dy[full]))
        if core <= reach:
            break
    else:
        return None
    radius = np.hypot(dx, dy)
    around = (radius > core + SKY_FROM) & (radius < core + SKY_TO) & ~full
    skies = [value[around & (colour == c)] for c in range(3)]
    if min(len(sky) for sky in skies) < SKY_SAMPLES:
        return None
    light = value - np.array([np.median(sky) for sky in skies])[colour]
    used = ~full & (radius > core - 1.0) & (radius < core + REACH) & (light > RISE * frame.noise)
    if min(np.count_nonzero(used & (colour == c)) for c in range(3)) < SAMPLES:
        return None
    return dx[used], dy[used], colour[used], light[used]


def _window(frame: _Mosaic, x: float, y: float, reach: float) -> tuple[NDArray[Any], ...]:
    """Samples about a place: dx, dy, colour, ADU above black, whether full."""
    height, width = frame.pixels.shape
    top, bottom = max(0, int(y - reach)), min(height, int(y + reach) + 2)
    left, right = max(0, int(x - reach)), min(width, int(x + reach) + 2)
    rows, columns = np.mgrid[top:bottom, left:right]
    place = 2 * (rows & 1) + (columns & 1)
    colour, level = frame.colour[place], frame.black[place]
    value = frame.pixels[top:bottom, left:right] - level
    full = value >= FULL * (frame.saturation - level)
    return (columns - x).ravel(), (rows - y).ravel(), colour.ravel(), value.ravel(), full.ravel()


def _reach_of(radius: Floats) -> float:
    """How far the full samples reach that hang together with the star's place, px; `radius` of all full samples."""
    radius = np.sort(radius)
    apart = np.flatnonzero(np.diff(radius, prepend=0.0) > 3.0)
    radius = radius[: apart[0]] if apart.size else radius
    return float(radius[-1]) if radius.size else 0.0


def _heights(
    dx: Floats,
    dy: Floats,
    colour: NDArray[np.intp],
    light: Floats,
    noise: float,
    shape: Floats,
) -> Floats | None:
    """Logarithms of red's and blue's height over green's; None where they cannot be told well enough.

    Ten unknowns by least squares with what is known beforehand: three heights, the slopes of all colours together
    (2), what red's and blue's have more (4), and the factor on `shape` (2 x 2, px^-2).
    """
    design = np.zeros((len(dx), 10))
    design[np.arange(len(dx)), colour] = 1.0
    design[:, 3:5] = np.stack([dx, dy], axis=1)
    for c, first in ((0, 5), (2, 7)):
        here = colour == c
        design[here, first : first + 2] = design[here, 3:5]
    design[:, 9] = -0.5 * (shape[0, 0] * dx * dx + 2 * shape[0, 1] * dx * dy + shape[1, 1] * dy * dy)
    steep = float(np.sqrt(np.trace(shape @ shape) / 2))  # slope a pixel of offset makes
    known = np.zeros(10)
    known[9] = FLATTER
    deviation = np.array([np.inf] * 3 + [steep * PLACE] * 2 + [steep * COLOUR_PLACE] * 4 + [FLATTER_ERROR])
    weight = 1 / (ROUGH**2 + (noise / light) ** 2)
    wanted = np.log(light)
    for _ in range(2):  # a neighbour's light is left out once
        normal = (design.T * weight) @ design + np.diag(deviation**-2.0)
        solution = np.linalg.solve(normal, (design.T * weight) @ wanted + known * deviation**-2.0)
        miss = np.abs(wanted - design @ solution) * np.sqrt(weight)
        weight = np.where(miss > 3.0, 0.0, weight)
        if min(np.count_nonzero(weight[colour == c]) for c in range(3)) < SAMPLES:
            return None
    error = np.linalg.inv(normal)
    own = np.array([solution[3:5] + solution[5:7], solution[3:5], solution[3:5] + solution[7:9]])
    factor = max(float(solution[9]), 0.2)
    # a colour's height is that at its own top, not at the star's place
    heights = solution[:3] + 0.5 * np.einsum("ci,ij,cj->c", own, np.linalg.inv(shape), own) / factor
    variance = [error[c, c] + error[1, 1] - 2 * error[c, 1] for c in (0, 2)]
    ratios: Floats = heights[[0, 2]] - heights[1]
    return ratios if max(variance) < ERROR_MAX**2 and np.abs(ratios).max() < 4 else None
