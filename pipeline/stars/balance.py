"""Under which multipliers the colours of a frame's stars rise and fall together, as demosaicing wants them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.pixels.regression import robust_fit
from pipeline.stars.colours import NOT_MEASURED, PER_PIXEL

Floats = NDArray[np.float64]

STARS_MOST, STARS_LEAST = 150, 20  # of a frame, the brightest that nothing saturates; fewer do not tell their colour
REACH = 8  # px of the window
WINDOW_Q = 12.5  # it ends where exp(-q / 2) is 0.002
EVERY = 5  # cells, each way, whose pixels tell the sky's colour


def star_balance(
    pixels: NDArray[np.uint16], cfa: str, black: ArrayLike, stars: NDArray[Any], offsets: NDArray[Any]
) -> tuple[float, float, int] | None:
    """Multipliers of red and blue, green 1, under which a star's picture is as curved at its top in each colour.

    The correction of a demosaic lends one colour's second differences to another. What these have of each other is not
    the ratio of their light: of a picture a twentieth wider, as a lens's red is, all light is there and a fifth of
    the curvature is not, and lent too much of it red comes out 3 % too small. So each colour's own pixels are fitted,
    about their own place, by least squares with a sky, a Gaussian of the star's green shape and its Laplacian, whose
    curvatures at the top are as 1 to 2.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    cfa : pattern of the first cell
    black : 4 levels by place of the cell, ADU
    stars : (n,) star list with x, y, mxx, mxy, myy, brightest first
    offsets : (n,) of `colour_offsets`: stars that it measured are taken

    Returns
    -------
    red, blue : medians over the stars
    number : of them; None where they are fewer than `STARS_LEAST`
    """
    height, width = pixels.shape
    x, y = stars["x"].astype(np.float64), stars["y"].astype(np.float64)
    inside = (x > REACH + 1) & (x < width - REACH - 2) & (y > REACH + 1) & (y < height - REACH - 2)
    told = (offsets["red_error"] != NOT_MEASURED) & (offsets["blue_error"] != NOT_MEASURED)
    chosen = np.flatnonzero(inside & told)[:STARS_MOST]
    if len(chosen) < STARS_LEAST or cfa == "MONO":
        return None
    x, y, stars, offsets = x[chosen], y[chosen], stars[chosen], offsets[chosen]
    around = np.arange(-REACH, REACH + 1)
    rows = np.rint(y).astype(np.int64)[:, None, None] + around[:, None]
    columns = np.rint(x).astype(np.int64)[:, None, None] + around
    place = 2 * (rows & 1) + (columns & 1)
    light = pixels[rows, columns] - np.asarray(black, np.float64)[place]
    colour = np.array(["RGB".index(letter) for letter in cfa])[place]
    curved = []
    for number, name in enumerate(("red", None, "blue")):
        dx, dy = columns - x[:, None, None], rows - y[:, None, None]
        if name is not None:
            dx, dy = (
                d - o[:, None, None] for d, o in zip((dx, dy), _lens(x, y, offsets, name, pixels.shape), strict=True)
            )
        curved.append(_curvature(light, colour == number, dx, dy, stars))
    red, green, blue = curved
    good = (red > 0) & (green > 0) & (blue > 0)
    if np.count_nonzero(good) < STARS_LEAST:
        return None
    ratios = [float(np.median(green[good] / one[good])) for one in (red, blue)]
    return ratios[0], ratios[1], int(np.count_nonzero(good))


def _lens(x: Floats, y: Floats, offsets: NDArray[Any], name: str, shape: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Where the lens and the air draw a colour of each star, px: a star's own offset goes to where its few pixels look
    brightest, and would make its picture 8 % more curved."""
    half = float(np.hypot(shape[0], shape[1])) / 2
    u, v = (x - shape[1] / 2) / half, (y - shape[0] / 2) / half
    square = u**2 + v**2
    terms = np.stack([np.ones_like(u), u, v, u * square, v * square], axis=1)
    weight = (offsets[f"{name}_error"] + 1.0) ** -2.0
    dx, dy = (terms @ robust_fit(terms, offsets[f"{name}_d{axis}"] / PER_PIXEL, weight)[0] for axis in "xy")
    return dx, dy


def _curvature(light: Floats, of: NDArray[np.bool_], dx: Floats, dy: Floats, stars: NDArray[Any]) -> Floats:
    """Of each star's picture in one colour, in units of a Gaussian of its green shape; NaN where it is not told.

    Parameters
    ----------
    light : (n, h, w) ADU; `of` which pixels are of the colour; `dx`, `dy` from its picture's place, px
    """
    mxx, mxy, myy = (stars[name].astype(np.float64)[:, None, None] for name in ("mxx", "mxy", "myy"))
    q = (myy * dx**2 - 2 * mxy * dx * dy + mxx * dy**2) / (mxx * myy - mxy**2)
    used = (of & (q < WINDOW_Q)).astype(np.float64).reshape(len(light), -1)
    height = np.exp(-0.5 * q)
    terms = np.stack([np.ones_like(q), height, (1 - q / 2) * height], axis=-1).reshape(len(light), -1, 3)
    normal = np.einsum("np,npa,npb->nab", used, terms, terms)
    right = np.einsum("np,npa,np->na", used, terms, light.reshape(len(light), -1))
    result = np.full(len(light), np.nan)
    able = np.linalg.cond(normal) < 1e8
    solved = np.linalg.solve(normal[able], right[able][..., None])[..., 0]
    result[able] = solved[:, 1] + 2 * solved[:, 2]
    return result


def sky_balance(pixels: NDArray[np.uint16], cfa: str, black: ArrayLike) -> tuple[float, float] | None:
    """Multipliers of red and blue, green 1, under which its median is grey; None where a colour has no light."""
    if cfa == "MONO":
        return None
    levels = np.asarray(black, np.float64)
    light = np.zeros(3)
    for place, letter in enumerate(cfa):
        plane = pixels[place // 2 :: 2 * EVERY, place % 2 :: 2 * EVERY]
        light["RGB".index(letter)] += (np.median(plane) - levels[place]) / cfa.count(letter)
    return None if light.min() <= 0 else (float(light[1] / light[0]), float(light[1] / light[2]))
