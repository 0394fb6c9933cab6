"""Points of light on the mosaic: moving sums of Gaussians, integrated over each pixel exactly."""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROOT_HALF = math.sqrt(0.5)
# beyond so many sigma a Gaussian is left out: 6e-5 of its light, per axis and side 3e-5
REACH_FAINT = 4.0
# for light of more than BRIGHT electrons: 6e-7
REACH_BRIGHT = 5.0
BRIGHT = 20_000.0


@numba.njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def stamp_points(
    image: NDArray[np.float32],
    colours: NDArray[np.int64],
    x: Floats,
    y: Floats,
    electrons: Floats,
    sigma: Floats,
    width: Floats,
) -> None:
    """Add points of light to a mosaic.

    For every point and colour c: `image[i, j] += electrons[n, c] * G(j - x[n, c]) * G(i - y[n, c])` on the pixels of
    that colour, where G is the integral over one pixel of a Gaussian of `sigma[n] * width[c]`.

    Parameters
    ----------
    image : (height, width) float32, changed in place
    colours : (2, 2) int64; colour (0, 1, 2) of each place of the cell
    x, y : (n, 3) px, by colour
    electrons : (n, 3), were every pixel of that colour
    sigma : (n,) px
    width : (3,) factor on sigma
    """
    height, columns = image.shape
    edges = np.empty(4096)
    for n in range(x.shape[0]):
        for c in range(3):
            light = electrons[n, c]
            if not light > 0.0:
                continue
            s = sigma[n] * width[c]
            reach = (REACH_BRIGHT if light > BRIGHT else REACH_FAINT) * s + 0.5
            left, right = max(0, math.ceil(x[n, c] - reach)), min(columns - 1, math.floor(x[n, c] + reach))
            top, bottom = max(0, math.ceil(y[n, c] - reach)), min(height - 1, math.floor(y[n, c] + reach))
            if right < left or bottom < top or right - left > 4000:
                continue
            k = ROOT_HALF / s
            last = math.erf((left - 0.5 - x[n, c]) * k)
            for j in range(left, right + 1):
                following = math.erf((j + 0.5 - x[n, c]) * k)
                edges[j - left] = 0.25 * light * (following - last)
                last = following
            last = math.erf((top - 0.5 - y[n, c]) * k)
            for i in range(top, bottom + 1):
                following = math.erf((i + 0.5 - y[n, c]) * k)
                row = following - last
                last = following
                for j in range(left, right + 1):
                    if colours[i & 1, j & 1] == c:
                        image[i, j] += np.float32(row * edges[j - left])


@numba.njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def stamp_stars(
    image: NDArray[np.float32],
    colours: NDArray[np.int64],
    nodes_x: Floats,
    nodes_y: Floats,
    share: Floats,
    electrons: Floats,
    parts: Floats,
    width: Floats,
    lateral: Floats,
    axis: Floats,
) -> None:
    """Add stars that move during the exposure: `stamp_points` for every node of the path and part of the shape.

    Parameters
    ----------
    image : (height, width) float32, changed in place
    colours : (2, 2) int64
    nodes_x, nodes_y : (n, k) px, green
    share : (k,) of the light at each node
    electrons : (n, 3)
    parts : (n, m, 4) as from `Optics.components`
    width : (3,) factor on the parts' sigma
    lateral : (3, 2) a, b by colour
    axis : x and y of the axis, half diagonal, px
    """
    height, columns = image.shape
    edges = np.empty(4096)
    for n in range(nodes_x.shape[0]):
        for k in range(nodes_x.shape[1]):
            dx, dy = nodes_x[n, k] - axis[0], nodes_y[n, k] - axis[1]
            square = (dx * dx + dy * dy) / (axis[2] * axis[2])
            for c in range(3):
                total = electrons[n, c] * share[k]
                if not total > 0.0:
                    continue
                scale = 1.0 + lateral[c, 0] + lateral[c, 1] * square
                for m in range(parts.shape[1]):
                    light = total * parts[n, m, 2]
                    s = parts[n, m, 3] * width[c]
                    px = axis[0] + dx * scale + parts[n, m, 0]
                    py = axis[1] + dy * scale + parts[n, m, 1]
                    reach = (REACH_BRIGHT if electrons[n, c] > BRIGHT else REACH_FAINT) * s + 0.5
                    left, right = max(0, math.ceil(px - reach)), min(columns - 1, math.floor(px + reach))
                    top, bottom = max(0, math.ceil(py - reach)), min(height - 1, math.floor(py + reach))
                    if right < left or bottom < top or right - left > 4000:
                        continue
                    h = ROOT_HALF / s
                    last = math.erf((left - 0.5 - px) * h)
                    for j in range(left, right + 1):
                        following = math.erf((j + 0.5 - px) * h)
                        edges[j - left] = 0.25 * light * (following - last)
                        last = following
                    last = math.erf((top - 0.5 - py) * h)
                    for i in range(top, bottom + 1):
                        following = math.erf((i + 0.5 - py) * h)
                        row = following - last
                        last = following
                        first = left
                        step = 1
                        if colours[i & 1, left & 1] != c:
                            first += 1
                        if colours[i & 1, 0] != colours[i & 1, 1]:
                            step = 2
                        if first > left and (first > right or colours[i & 1, first & 1] != c):
                            continue
                        for j in range(first, right + 1, step):
                            image[i, j] += np.float32(row * edges[j - left])


@numba.njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def spread(image: NDArray[np.float32], colours: NDArray[np.int64], coarse: Floats, step: int) -> None:
    """Add a smooth field given on a coarse grid, by linear interpolation: grid point (a, b) is pixel (a step, b step).

    Parameters
    ----------
    image : (height, width) float32, changed in place
    colours : (2, 2) int64
    coarse : (rows, columns, 3), covering the image
    step : px between grid points
    """
    for i in range(image.shape[0]):
        a = i // step
        f = (i - a * step) / step
        for j in range(image.shape[1]):
            b = j // step
            g = (j - b * step) / step
            c = colours[i & 1, j & 1]
            above = coarse[a, b, c] * (1 - g) + coarse[a, b + 1, c] * g
            below = coarse[a + 1, b, c] * (1 - g) + coarse[a + 1, b + 1, c] * g
            image[i, j] += np.float32(above * (1 - f) + below * f)


def cell_colours(cfa: str) -> NDArray[np.int64]:
    """The 2 x 2 cell as numbers: R 0, G 1, B 2."""
    return np.array(["RGB".index(c) for c in cfa], np.int64).reshape(2, 2)
