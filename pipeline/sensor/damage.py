"""What raw decoders pass in silence: rows that are missing, repeated or zeroed, and frames without content."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Rows look alike where nothing is in them; a run of equal pixels this long does not occur in a sensor's noise. (At a
# noise as low as 0.5 ADU two neighbours are equal with a chance of about 0.5; 64 in a row with 1e-19.)
_RUN = 64


@njit(cache=True, nogil=True)
def _survey(
    pixels: NDArray[np.uint16],
    saturation: int,
    same1: NDArray[np.bool_],
    same2: NDArray[np.bool_],
    run: NDArray[np.int32],
) -> None:
    height, width = pixels.shape
    for row in range(height):
        longest = 0
        for phase in range(2):
            length = 0
            last = -1
            for column in range(phase, width, 2):
                value = int(pixels[row, column])
                if value == last and value < saturation:
                    length += 1
                    if length > longest:
                        longest = length
                else:
                    length = 0
                last = value
        run[row] = longest
        for lag in range(1, 3):
            if row < lag:
                continue
            equal = True
            told = False
            for column in range(width):
                value = pixels[row, column]
                if value != pixels[row - lag, column]:
                    equal = False
                    break
                if value < saturation:
                    told = True
            if lag == 1:
                same1[row] = equal and told
            else:
                same2[row] = equal and told


def survey_rows(
    pixels: NDArray[np.uint16], saturation: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.int32]]:
    """For each row: whether it repeats the row before, the row before that, and its longest run of equal values.

    Rows at or above saturation throughout are equal by right and count as neither. What it computes, in NumPy:
    ``same_k[r] = (pixels[r] == pixels[r - k]).all() and (pixels[r] < saturation).any()``; ``run[r]`` is the largest
    number of successive equal neighbours below saturation among ``pixels[r, 0::2]`` and ``pixels[r, 1::2]``.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    saturation : float, ADU

    Returns
    -------
    same1, same2 : (height,) bool arrays
    run : (height,) int32 array
    """
    height = pixels.shape[0]
    same1, same2 = np.zeros(height, np.bool_), np.zeros(height, np.bool_)
    run = np.zeros(height, np.int32)
    _survey(pixels, int(min(saturation, 65535)), same1, same2, run)
    return same1, same2, run


def find_damage(pixels: NDArray[np.uint16], counts: NDArray[np.int64], saturation: float) -> str | None:
    """Say what is wrong with a decoded mosaic; None for a sound one.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    counts : (4, 65536) int array, `levels.histogram(pixels)`
    saturation : float, ADU

    Returns
    -------
    str or None
        One clause, such as "rows 2391 to 3463 repeat one another; the file is cut short or broken".
    """
    occupied = np.flatnonzero(counts.sum(0))
    if occupied.size == 1 and occupied[0] < saturation:
        return f"every pixel is {occupied[0]}; the file holds no picture"
    if occupied.size == 1:
        return None
    same1, same2, run = survey_rows(pixels, saturation)
    height, width = pixels.shape
    # frames whose black level is clipped at 0 or whose noise is rounded away have long runs by nature
    ordinary = float(np.median(run))
    flat = run >= max(_RUN, 4 * ordinary)
    empty = run >= width // 2 - 1
    if empty.mean() > 0.5:
        flat &= empty
    repeated = (same1 | same2) & ~flat
    parts = []
    for rows, what in ((flat, "hold one value over long runs"), (repeated, "repeat rows before them")):
        if rows.any():
            parts.append(f"{_row_ranges(np.flatnonzero(rows))} of {height} {what}")
    return f"{'; '.join(parts)}; the file is cut short or broken" if parts else None


def _row_ranges(rows: NDArray[np.intp], most: int = 3) -> str:
    breaks = np.flatnonzero(np.diff(rows) > 1) + 1
    groups = np.split(rows, breaks)
    texts = [f"{group[0]}" if group.size == 1 else f"{group[0]} to {group[-1]}" for group in groups[:most]]
    more = "" if len(groups) <= most else f" and {len(groups) - most} more places"
    return f"row{'' if rows.size == 1 else 's'} {', '.join(texts)}{more}"


def short_files(sizes: Sequence[int], groups: Iterable[object], compressed: Sequence[bool]) -> list[str | None]:
    """Tell which files are shorter than their like, from lengths alone.

    Uncompressed frames of one camera and size differ in length only by their previews and metadata; losslessly
    compressed ones with their content, by a factor of up to about two between a black and a noisy frame.

    Parameters
    ----------
    sizes : sequence of int
        Bytes.
    groups : iterable of hashable
        What belongs together: camera, format, picture size, and for compressed files exposure and ISO.
    compressed : sequence of bool

    Returns
    -------
    list of str or None
        A clause for each short file.
    """
    members: dict[object, list[int]] = {}
    for number, group in enumerate(groups):
        members.setdefault(group, []).append(number)
    verdicts: list[str | None] = [None] * len(sizes)
    for numbers in members.values():
        if len(numbers) < 3:
            continue
        usual = float(np.median([sizes[n] for n in numbers]))
        for n in numbers:
            if sizes[n] < usual * (0.5 if compressed[n] else 0.9):
                verdicts[n] = f"the file is {sizes[n]} bytes long, its like {usual:.0f}; it is cut short"
    return verdicts
