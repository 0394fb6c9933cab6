"""Sharp edges, which a skyline has, apart from slopes, which cloud, dust and glow have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# A skyline is as sharp as the lens draws it; what also shows at the wide scale, pixels, is a slope.
SHARP_PX, WIDE_PX = 1.0, 6.0
# Gradient of noise of standard deviation 1 after smoothing by a Gaussian of SHARP_PX: 1 / (sqrt(8 pi) SHARP_PX^2).
GRADIENT_NOISE = 0.2
# A skyline's step is looked for between so many still pixels beyond it and so many within, and further off.
NEAR, FAR = 3, 9
STEP_SIGMA = 5.0
# Of the whole step so much must lie in the narrow one, or it is no edge but a slope: cloud, dust, glow, mist.
SHARP = 0.6
# The smaller of both halves' steps is at least this share of the larger: lamps and cloud change what the land shows.
STANDS = 0.3
# The light beyond a border is taken for at least this, in the noise of a still's pixel.
LIGHT_LEAST = 1.0
# Places along a border that are looked at, at most.
PLACES = 20_000
# Share of a skyline that must be a sharp, standing edge; less where it is long, in the picture's longer sides: bare
# trees on a shore hide most of what is sharp, and no cloud has an edge as long that stands.
CONFIDENT, CONFIDENT_LONG, LONG = 0.5, 0.35, 0.5


def sharpness(picture: Floats, noise: Floats) -> Floats:
    """How far each pixel's gradient exceeds what a slope would show, in standard deviations of the noise; at least 0.

    ``|gradient of G(SHARP_PX) * v| - 2 |gradient of G(WIDE_PX) * v|``: on a slope both gradients are the same, on a
    step of the lens's width the second is a sixth of the first.

    Parameters
    ----------
    picture : (colours, rows, columns) float32 array, without NaN
    noise : (colours,) of a pixel

    Returns
    -------
    (rows, columns) float32 array
    """
    light = sum((plane / sigma for plane, sigma in zip(picture, noise, strict=True)), np.float32(0))
    light = np.asarray(light / np.float32(np.sqrt(len(picture))), np.float32)
    rows, columns = light.shape[0] // 2 * 2, light.shape[1] // 2 * 2
    small = light[:rows, :columns].reshape(rows // 2, 2, columns // 2, 2).mean(axis=(1, 3))
    narrow = ndimage.gaussian_gradient_magnitude(light, SHARP_PX, truncate=3.0)
    wide = ndimage.gaussian_gradient_magnitude(small, WIDE_PX / 2, truncate=3.0) / 2
    wide = np.repeat(np.repeat(wide, 2, axis=0), 2, axis=1)
    wide = np.pad(wide, ((0, light.shape[0] - rows), (0, light.shape[1] - columns)), mode="edge")
    return np.asarray(np.maximum(narrow - 2 * wide, 0) / GRADIENT_NOISE, np.float32)


@dataclass(frozen=True)
class Support:
    """`share` of the `length` places along a border at which a sharp step stands still."""

    share: float
    length: int


def is_skyline(border: Support, longer: int) -> bool:
    """Whether a border is a skyline: sharp and still over most of it, or over a good part of a long one.

    Parameters
    ----------
    border : of a region
    longer : the picture's longer side, in the same pixels
    """
    long = border.share >= CONFIDENT_LONG and border.share * border.length >= LONG * longer
    return border.share >= CONFIDENT or long


def support(region: Bools, halves: tuple[Floats, Floats]) -> Support:
    """Look along a region's border towards what is not of it.

    Steps are differences of means a few pixels within and beyond, along the outward direction; the earlier and the
    later frames must show the same step, by the light that the rest has in each: at dawn that rises by several times.
    Twigs have no two sides to compare and are passed over.

    Parameters
    ----------
    region : (rows, columns) bool array
    halves : two (colours, rows, columns) float32 arrays, pictures of the earlier and the later frames over their noise
    """
    rows, columns = region.shape
    pad = NEAR + 1
    disc = np.hypot(*np.mgrid[-pad : pad + 1, -pad : pad + 1]) <= pad
    bold = ndimage.binary_opening(np.pad(region, pad, mode="edge"), disc)[pad:-pad, pad:-pad]
    region = np.asarray(bold) if bold.any() else region
    outside = ~region
    away = np.where(region, 0.5 - ndimage.distance_transform_edt(region), ndimage.distance_transform_edt(outside) - 0.5)
    gy, gx = np.gradient(ndimage.gaussian_filter(away, 2.0))
    length = np.hypot(gx, gy)
    i, j = np.nonzero(region & ndimage.binary_dilation(outside) & (length > 0.3))
    if not len(i):
        return Support(0.0, 0)
    every = slice(None, None, -(-len(i) // PLACES))
    i, j = i[every], j[every]
    ny, nx = gy[i, j] / length[i, j], gx[i, j] / length[i, j]

    def values(distance: float) -> NDArray[np.float64]:
        """(2, colours, n) means of three pixels about a distance outward; NaN beyond the picture."""
        total = np.zeros((2, len(halves[0]), len(i)))
        for step in (-1.0, 0.0, 1.0):
            y = np.rint(i + (distance + step) * ny).astype(int)
            x = np.rint(j + (distance + step) * nx).astype(int)
            inside = (y >= 0) & (x >= 0) & (y < rows) & (x < columns)
            y, x = np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)
            total += np.where(inside, np.stack([half[:, y, x] for half in halves]) / 3, np.nan)
        return total

    near = values(NEAR) - values(-NEAR)
    far = values(FAR) - values(-FAR)
    far = np.where(np.isfinite(far), far, near)
    usable = np.isfinite(near).all(axis=(0, 1))
    if not usable.any():
        return Support(0.0, 0)
    # along the direction in colour in which the far sides differ
    direction = far.mean(axis=0)
    norm = np.maximum(np.sqrt((direction**2).sum(axis=0)), 1e-9)
    steps = (near * direction).sum(axis=1) / norm
    light = np.array([max(float(np.nanmedian(half[:, outside].sum(axis=0))), LIGHT_LEAST) for half in halves])
    alike = steps / (light / light.mean())[:, None]
    # noise of the difference of two means of three, each over its own noise
    strong = steps.min(axis=0) > STEP_SIGMA * np.sqrt(2 / 3)
    stands = alike.min(axis=0) > STANDS * alike.max(axis=0)
    good = strong & stands & (steps.mean(axis=0) > SHARP * norm) & usable
    return Support(float(good.sum() / usable.sum()), int(usable.sum()))
