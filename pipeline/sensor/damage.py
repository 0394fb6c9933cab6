"""What raw decoders pass in silence: rows missing, repeated or zeroed, random bytes, frames without content."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.sensor.garble import find_garble
from pipeline.sensor.repeats import Repeat, find_repeats

# A run of this many pixels of one colour along a row in which each differs from its neighbour of that colour, from the
# pixel above it or from the one two rows above by the same step does not occur in a sensor's noise: even at a noise of
# 0.5 ADU one step equals the one before with a chance of 0.35 only, 32 in succession with 3e-15. The longest in the
# real frames at hand is 6. Missing rows decode to repeats or zeros; zeroed card blocks to zeros where the file is not
# compressed and to ramps where it is, since each zero codeword is the same difference from the predicted value.
_RUN = 32
# ... and this many times the median row's, for frames whose noise is rounded away or clipped at zero
_RUN_FACTOR = 4
# A row is walked through only where this many equal steps stand at one of the places this far apart (in pixels of one
# colour): 33 equal steps, a run of 32, hold such a place with its 8 wherever they begin. Of a dark and of a light of 24
# megapixels no row is walked through; asked for three equal steps, it was nine of ten rows of the dark and half of the
# light's, and the search took ten times as long.
_EQUAL = 8
_STRIDE = _RUN + 1 - _EQUAL
_PLACES_NAMED = 3  # of broken rows, in a sentence
# What is said where nothing else is wrong: the original may still be sound.
TWICE = "the card or a copy from it wrote a block of the file twice; copy the file again if it is still on the card"
_MOST_TOLD = 2


@njit(cache=True, nogil=True)
def _suspicious(row: NDArray[np.uint16], other: NDArray[np.uint16], saturation: int) -> bool:
    for phase in range(2):
        for column in range(phase, row.shape[0] - 2 * (_EQUAL - 1), 2 * _STRIDE):
            step = np.uint16(row[column] - other[column])
            equal = 1
            while equal < _EQUAL and step == np.uint16(row[column + 2 * equal] - other[column + 2 * equal]):
                equal += 1
            if equal < _EQUAL:
                continue
            clear = True
            for place in range(column, column + 2 * _EQUAL, 2):
                clear = clear and not (row[place] >= saturation and other[place] >= saturation)
            if clear:
                return True
    return False


@njit(cache=True, nogil=True)
def _longest(row: NDArray[np.uint16], other: NDArray[np.uint16], saturation: int) -> int:
    longest = 0
    for phase in range(2):
        length = 0
        last_step = -1
        for column in range(phase, row.shape[0], 2):
            step = int(np.uint16(row[column] - other[column]))
            if row[column] >= saturation and other[column] >= saturation:
                step = -1
            length = length + 1 if step >= 0 and step == last_step else 0
            longest = max(longest, length)
            last_step = step
    return longest


@njit(cache=True, nogil=True)
def _survey(pixels: NDArray[np.uint16], saturation: int, runs: NDArray[np.int32]) -> None:
    for number in range(pixels.shape[0]):
        for back in range(min(3, number + 1)):
            if back:
                row, other = pixels[number], pixels[number - back]
            else:
                row, other = pixels[number, 2:], pixels[number, :-2]
            if _suspicious(row, other, saturation):
                runs[back, number] = _longest(row, other, saturation)


def longest_runs(pixels: NDArray[np.uint16], saturation: float) -> NDArray[np.int32]:
    """Longest run of equal steps in each row: along the row, from the row above, from the second row above.

    Runs shorter than 32 may come out as 0.

    What it computes: with d the differences modulo 65536 of ``pixels[r, p::2]`` along the row, or of it to
    ``pixels[r - 1, p::2]`` or ``pixels[r - 2, p::2]``, the largest number of successive True in ``d[1:] == d[:-1]`` for
    p = 0, 1; pairs of pixels at or above saturation, which differ by the same amount by right, count as False.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    saturation : float, ADU

    Returns
    -------
    (3, height) int32 array
    """
    runs = np.zeros((3, pixels.shape[0]), np.int32)
    _survey(pixels, int(min(saturation, 65535)), runs)
    return runs


def find_damage(
    pixels: NDArray[np.uint16],
    counts: NDArray[np.int64],
    saturation: float,
    black: float,
    white: float,
    coded_by_difference: bool = False,
) -> str | None:
    """Say what is wrong with a decoded mosaic; None for a sound one.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    counts : (4, 65536) int array, `levels.histogram(pixels)`
    saturation : float, ADU
    black, white : float
        Levels of the header, ADU.
    coded_by_difference : bool
        Whether the file holds differences of neighbours, as lossless JPEG does: blocks that stand in it twice are not
        looked for, since their pixels differ.

    Returns
    -------
    str or None
        Clauses such as "rows 2391 to 3463 of 3464 repeat rows before them; the file is cut short or broken".
    """
    occupied = np.flatnonzero(counts.sum(0))
    if occupied.size == 1:
        return None if occupied[0] >= saturation else f"every pixel is {occupied[0]}; the file holds no picture"
    runs = longest_runs(pixels, saturation)
    limits = np.maximum(_RUN, _RUN_FACTOR * np.median(runs, axis=1))
    # where more than half of the rows are broken the median is theirs: nothing sound has runs over half a row
    limits = np.minimum(limits, max(_RUN, pixels.shape[1] // 4))
    empty, above, second = runs >= limits[:, None]
    repeated = (above | second) & ~empty
    parts = [
        f"{_row_ranges(np.flatnonzero(rows))} of {pixels.shape[0]} {what}"
        for rows, what in ((empty, "hold no picture over long stretches"), (repeated, "repeat rows before them"))
        if rows.any()
    ]
    garbled = find_garble(pixels, black, white)
    if garbled is not None:
        rows, share = garbled
        where = f"{_row_ranges(rows)} of {pixels.shape[0]}" if rows.size else "the frame"
        parts.append(f"{where} hold{'' if rows.size else 's'} random values, about {100 * share:.2g} % of the pixels")
    known = np.flatnonzero(empty | repeated)
    found = [] if coded_by_difference else find_repeats(pixels, saturation)
    twice = [repeat for repeat in found if not np.isin(repeat.rows, known).all()]
    why = "the file is cut short or broken" if parts or not twice else TWICE
    parts += [_told_twice(repeat, pixels.shape[0]) for repeat in twice[:_MOST_TOLD]]
    if len(twice) > _MOST_TOLD:
        parts.append(f"and {len(twice) - _MOST_TOLD} more such places")
    return "; ".join((*parts, why)) if parts else None


def _told_twice(repeat: Repeat, height: int) -> str:
    side = "right" if repeat.columns > 0 else "left"
    shifted = f", shifted {side} by {abs(repeat.columns)} px" if repeat.columns else ""
    verb = "repeats" if repeat.rows.size == 1 else "repeat"
    return f"{_row_ranges(repeat.rows)} of {height} {verb} {_row_ranges(repeat.sources)} to the bit{shifted}"


def _row_ranges(rows: NDArray[np.intp]) -> str:
    breaks = np.flatnonzero(np.diff(rows) > 1) + 1
    groups = np.split(rows, breaks)
    texts = [f"{group[0]}" if group.size == 1 else f"{group[0]} to {group[-1]}" for group in groups[:_PLACES_NAMED]]
    more = "" if len(groups) <= _PLACES_NAMED else f" and {len(groups) - _PLACES_NAMED} more places"
    return f"row{'' if rows.size == 1 else 's'} {', '.join(texts)}{more}"
