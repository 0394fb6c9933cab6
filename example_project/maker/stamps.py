"""Points of light on the mosaic: moving sums of Gaussians, integrated over each pixel exactly."""

from __future__ import annotations

import math

import numba
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# A Gaussian is cut so many sigma from its middle; per axis 5e-4, 6e-5 and 6e-7 of its light are lost, which is a
# thirtieth of the photon noise of a star of so many electrons, or less.
REACH = ((2_000.0, 3.5), (20_000.0, 4.0), (np.inf, 5.0))
# the normal integral's table: to 5.5 sigma, 1/512 apart; linear interpolation errs by 1.2e-7 at most
TABLE_STEPS = 512
TABLE_END = 5.5
NORMAL = np.array([0.5 * math.erf(t / TABLE_STEPS * math.sqrt(0.5)) for t in range(int(TABLE_END * TABLE_STEPS) + 2)])


@numba.njit(cache=True, nogil=True)
def _normal(t: float, table: Floats) -> float:
    """Integral of the unit normal density from 0 to t."""
    u = abs(t) * TABLE_STEPS
    if u >= TABLE_END * TABLE_STEPS:
        return 0.5 if t > 0 else -0.5
    k = int(u)
    value = table[k] + (u - k) * (table[k + 1] - table[k])
    return value if t > 0 else -value


@numba.njit(cache=True, nogil=True)
def _stamp(
    image: NDArray[np.float32],
    colours: NDArray[np.int64],
    c: int,
    x: float,
    y: float,
    light: float,
    sigma: float,
    reach: float,
    edges: Floats,
    table: Floats,
) -> None:
    """Add one round Gaussian, integrated over each pixel, on the pixels of colour c."""
    height, width = image.shape
    far = reach * sigma + 0.5
    left, right = max(0, math.ceil(x - far)), min(width - 1, math.floor(x + far))
    top, bottom = max(0, math.ceil(y - far)), min(height - 1, math.floor(y + far))
    if right < left or bottom < top or right - left >= edges.size:
        return
    k = 1.0 / sigma
    last = _normal((left - 0.5 - x) * k, table)
    for j in range(left, right + 1):
        following = _normal((j + 0.5 - x) * k, table)
        edges[j - left] = light * (following - last)
        last = following
    last = _normal((top - 0.5 - y) * k, table)
    for i in range(top, bottom + 1):
        following = _normal((i + 0.5 - y) * k, table)
        row = following - last
        last = following
        even, odd = colours[i & 1, 0] == c, colours[i & 1, 1] == c
        if not (even or odd):
            continue
        # of the two columns of the cell at most one has the colour
        first = left + ((left & 1) if even else 1 - (left & 1))
        for j in range(first, right + 1, 2):
            image[i, j] += np.float32(row * edges[j - left])


@numba.njit(cache=True, nogil=True)
def _reach(light: float) -> float:
    for limit, sigmas in REACH:
        if light < limit:
            return sigmas
    return REACH[-1][1]


@numba.njit(cache=True, nogil=True)
def stamp_points(
    image: NDArray[np.float32],
    colours: NDArray[np.int64],
    x: Floats,
    y: Floats,
    electrons: Floats,
    sigma: Floats,
    width: Floats,
    table: Floats = NORMAL,
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
    edges = np.empty(4096)
    for n in range(x.shape[0]):
        for c in range(3):
            light = electrons[n, c]
            if light > 0.0:
                reach = _reach(light)
                _stamp(image, colours, c, x[n, c], y[n, c], light, sigma[n] * width[c], reach, edges, table)


@numba.njit(cache=True, nogil=True)
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
    table: Floats = NORMAL,
) -> None:
    """Add stars that move during the exposure: what `stamp_points` does, for every node of the path and part of the
    shape.

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
    edges = np.empty(4096)
    for n in range(nodes_x.shape[0]):
        for k in range(nodes_x.shape[1]):
            dx, dy = nodes_x[n, k] - axis[0], nodes_y[n, k] - axis[1]
            square = (dx * dx + dy * dy) / (axis[2] * axis[2])
            for c in range(3):
                light = electrons[n, c] * share[k]
                if not light > 0.0:
                    continue
                scale = 1.0 + lateral[c, 0] + lateral[c, 1] * square
                x, y = axis[0] + dx * scale, axis[1] + dy * scale
                for m in range(parts.shape[1]):
                    _stamp(
                        image,
                        colours,
                        c,
                        x + parts[n, m, 0],
                        y + parts[n, m, 1],
                        light * parts[n, m, 2],
                        parts[n, m, 3] * width[c],
                        _reach(electrons[n, c] * parts[n, m, 2]),
                        edges,
                        table,
                    )


@numba.njit(cache=True, nogil=True)
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
