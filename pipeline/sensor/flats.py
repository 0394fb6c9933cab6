"""Master flats: the sensor's and lens's response, one per CFA colour, gradients kept. Arrays only."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.sensor.clipped import clipped
from pipeline.sensor.coarse import coarse_level
from pipeline.sensor.defects import COLD, HOT, same_colour_excess
from pipeline.sensor.mosaic import colour_planes

# A pixel that answers to light by this share more or less than its like is given up: division would also multiply its
# noise, and such pixels are as a rule not linear.
RESPONSE_LIMIT = 0.4
# Below this share of the brightest the flat is too dark to divide by (outside a fish-eye's circle).
FLAT_FLOOR = 0.02
# Flats count as exposed between these shares of full scale: above, they are no longer linear, below, noise rules.
FLAT_LOW, FLAT_HIGH = 0.02, 0.9


# A flat whose blocks depart from the middle of its set by more than this share, and five times as far as its fellows
# do, is lit otherwise (a cloud, a lamp, a hand). An evening sky's own gradient turns by less than that within a set.
DEPARTURE_MAX = 0.02
DEPARTURE_RATIO = 5.0
DEPARTURE_BLOCKS = 8


def flat_levels(rows: NDArray[np.float32], cfa: str) -> NDArray[np.float64]:
    """Levels of a flat by CFA place, ADU above black: means, outliers clipped, of a sample of rows.

    Parameters
    ----------
    rows : (rows, width) float32 array, even and odd rows of the frame in turns
    cfa : str

    Returns
    -------
    (2, 2) float64 array; places of one colour have one level
    """
    levels = np.empty((2, 2))
    for places in colour_planes(cfa).values():
        level = float(np.mean([clipped(rows[r::2, c::2], sigma=5.0)[0] for r, c in places]))
        for r, c in places:
            levels[r, c] = max(level, 1e-3)
    return levels


def by_place(values: NDArray[np.float64], width: int) -> NDArray[np.float32]:
    """Spread (2, 2) values by CFA place over an even and an odd row of a frame: (2, width) float32."""
    return np.tile(values, (1, (width + 1) // 2))[:, :width].astype(np.float32)


def shape_departures(flats: NDArray[np.float32]) -> list[float | None]:
    """How far each flat's light departs from the middle of its set, where that is too far; None where it is not.

    Parameters
    ----------
    flats : (frames, rows, width) float32 array, 1 on average

    Notes
    -----
    Largest difference of block medians from the median over frames, as a share. With fewer than three flats nothing
    tells which one is wrong, and all are kept; so they are where half or more would go.
    """
    if len(flats) < 3:
        return [None] * len(flats)
    blocks = np.stack(
        [
            [
                [np.median(part) for part in np.array_split(strip, DEPARTURE_BLOCKS, axis=1)]
                for strip in np.array_split(flat, min(DEPARTURE_BLOCKS, len(flat)), axis=0)
            ]
            for flat in flats
        ]
    )
    middle = np.median(blocks, axis=0)
    off = np.abs(blocks / np.maximum(middle, 1e-6) - 1).max(axis=(1, 2))
    limit = max(DEPARTURE_MAX, DEPARTURE_RATIO * float(np.median(off)))
    if np.count_nonzero(off > limit) * 2 >= len(flats):
        return [None] * len(flats)
    return [float(o) if o > limit else None for o in off]


def unusable_flat(level: float, saturated: float, full_scale: float) -> str | None:
    """Why a flat cannot be used, in words; None where it can.

    Parameters
    ----------
    level : float
        ADU above black.
    saturated : float
        Share of saturated pixels.
    full_scale : float
        Saturation above black, ADU.
    """
    if saturated > 0.001 or level > FLAT_HIGH * full_scale:
        return "is overexposed"
    if level < FLAT_LOW * full_scale:
        return f"is too dark ({level:.0f} ADU above black)"
    return None


def normalise(
    mean: NDArray[np.float32], error: NDArray[np.float32], cfa: str
) -> tuple[NDArray[np.float32], NDArray[np.float32], dict[str, float]]:
    """Divide a mean flat by each CFA colour's own mean, so that every colour's flat has mean 1.

    The colour of the light that the flat was taken in falls out; its gradient stays, as nothing in the flat alone can
    tell it from the lens's.

    Parameters
    ----------
    mean, error : (height, width) float32 arrays, ADU above black
    cfa : str

    Returns
    -------
    flat, error : (height, width) float32 arrays, 1 on average
    levels : dict
        Colour to its mean, ADU above black.
    """
    flat, relative = mean.copy(), error.copy()
    levels = {}
    for colour, places in colour_planes(cfa).items():
        level = float(np.mean([mean[r::2, c::2].mean(dtype=np.float64) for r, c in places]))
        if not level > 0:
            raise ValueError(f"the flat's {colour} pixels have no light (mean {level:.1f} ADU above black)")
        levels[colour] = level
        for r, c in places:
            flat[r::2, c::2] /= np.float32(level)
            relative[r::2, c::2] /= np.float32(level)
    return flat, relative, levels


def block_response(flat: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """Means of a flat over blocks by CFA place, as surveys of the sky have them.

    Parameters
    ----------
    flat : (height, width) float32 array, 0 where it is not to be divided by
    block : int
        Side of the blocks, px, even.

    Returns
    -------
    (rows, columns, 4) float32 array; 1 in blocks that are not divided
    """
    rows, columns = flat.shape[0] // block, flat.shape[1] // block
    cells = flat[: rows * block, : columns * block].reshape(rows, block // 2, 2, columns, block // 2, 2)
    total = cells.sum(axis=(1, 4), dtype=np.float64).swapaxes(1, 2).reshape(rows, columns, 4)
    number = np.count_nonzero(cells > 0, axis=(1, 4)).swapaxes(1, 2).reshape(rows, columns, 4)
    return np.where(number > 0, total / np.maximum(number, 1), 1.0).astype(np.float32)


def flat_defects(flat: NDArray[np.float32]) -> NDArray[np.uint8]:
    """Pixels whose response differs from their like by more than `RESPONSE_LIMIT`; COLD where less, HOT where more."""
    defects = np.zeros(flat.shape, np.uint8)
    rows = np.arange(len(flat))
    coarse = coarse_level(flat).rows(rows, flat.shape[1])
    ys, xs = np.nonzero(np.abs(flat - coarse) > 0.5 * RESPONSE_LIMIT * np.abs(coarse))
    excess = same_colour_excess(flat, ys, xs)
    like = flat[ys, xs] - excess
    flags = np.where(excess > RESPONSE_LIMIT * like, HOT, 0) | np.where(excess < -RESPONSE_LIMIT * like, COLD, 0)
    defects[ys, xs] = flags.astype(np.uint8)
    return defects


def usable(flat: NDArray[np.float32]) -> NDArray[np.float32]:
    """The flat with 0 (which `calibrate` leaves undivided) where it is too dark to divide by."""
    return np.where(flat > FLAT_FLOOR * float(np.percentile(flat[::8, ::8], 99)), flat, np.float32(0))
