"""Offsets of rows and columns that differ from frame to frame: banding of the readout. Arrays only.

A line of the sensor (a row, or a column) is set against the lines of its colours beside it, a stretch of the frame
after the other, and each quarter of the frame by itself: what the readout adds is the same in all quarters, and neither
stars nor land, nor a streak, nor an aurora's rays are. That it changes between frames tells it from what stands still
before the camera, however level that lies; a line that stands out in the mean of all frames too keeps what it has
there. All of it goes by octaves of how far lines are apart: where the sky has structure of its own as broad as that,
nothing is told from it.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.sensor.lineoffsets import BROAD, BROAD_SIGMA, OFF_SIGMA, add_lines, spread_of
from pipeline.sensor.strips import HELD_LEFT, Strips

# Lines of its colours that a line is set against, to both sides: near ones for the sharp, far ones for the broad.
STEPS = np.array([2, 4, 8, 14, 22, 32, 46, 64])
# Differences of stretches further out than this are stars and edges, in standard deviations of all differences.
CUT = 4.0
QUARTERS = 4
APART = ((0, 2), (0, 3), (1, 3))  # quarters with others between them: of a sea's waves neighbours show the same
RANGE_OF_FOUR = 2.06  # of normal values of sigma 1, the mean
# What the quarters of the lines have in common is banding beyond so many of its standard errors, in a single frame of a
# scene that has some beyond fewer; and it is worth taking off where it adds 1 % to the noise of means over 16 x 16 px:
# 16 (0.025)^2.
SIGMAS, SIGMAS_FRAME, LEAST = 6.0, 3.0, 0.025
# By how much a quarter may have more or less of it than the others.
UNEVEN = 0.1
# In how many parts of the lines it is looked for, and what share of the mean each must have of it.
PARTS, EVERYWHERE = 4, 0.25
# How much more power waves of an octave may have than the shortest. Light comes through a lens: of what that draws 2.5
# px wide (FWHM) the shortest octave has an eightieth of the power, exp(-4 pi^2 s^2 f^2), of a cloud next to nothing.
SHARP = 30.0
BROADEST = 3  # the octave of the broadest of which that is believed, waves of 64 to 32 lines
# The longest waves that are looked at, lines, and how much of them may be lost by setting lines against those beside.
LONGEST, KEPT_LEAST = 256, 0.2


@dataclass(frozen=True)
class Banding:
    """What is taken off one frame's lines, ADU, float32: `rows` (height, 2) by the column's parity, `columns`
    (2, width) by the row's."""

    rows: NDArray[np.float32]
    columns: NDArray[np.float32]

    def at_pixels(self, window: tuple[slice | NDArray[np.int64], slice]) -> NDArray[np.float32]:
        """Both together in a window of the frame that begins at an even column, or in some of its rows."""
        rows, columns = self.rows[window[0]], self.columns[:, window[1]]
        plane = columns[np.arange(len(self.rows))[window[0]] % 2]
        for parity in (0, 1):
            plane[:, parity::2] += rows[:, parity, None]
        return plane


def quarters_of(strips: Strips, mono: bool) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """How far each line lies above those beside it in one frame, as each quarter of it shows.

    Returns
    -------
    rows (parities, 4, height), columns (parities, 4, width) : float32 arrays, ADU; NaN where a line is not told. Of a
    sensor without colours both parities are one.
    """
    rows, columns = (
        np.stack([_quarters(part) for part in ([lines.reshape(-1, lines.shape[2])] if mono else lines.swapaxes(0, 1))])
        for lines in (strips.rows, strips.columns)
    )
    return rows, columns


def _quarters(across: NDArray[np.float32]) -> NDArray[np.float32]:
    """(4, length) of stretches of lines, (stretches, length)."""
    length = across.shape[1]
    told = np.full((QUARTERS, length), np.nan, np.float32)
    if length < 4 * STEPS[-1] or len(across) < 2 * QUARTERS:
        return told
    apart = np.abs(across[:, 2::8] - across[:, :-2:8])
    limit = np.float32(max(CUT * MAD_TO_SIGMA * float(np.median(apart)), 1e-6))
    sums, counts = np.zeros((2, 2, length)), np.zeros((2, 2, length))
    middle = len(across) // 2
    for half, part in enumerate((across[:middle], across[middle:])):
        add_lines(np.ascontiguousarray(part), limit, STEPS, sums[half], counts[half])
    mean, counts = (sums / np.maximum(counts, 1)).reshape(told.shape), counts.reshape(told.shape)
    # lines at the edges have others on one side only, and show the slope of the sky: that is taken out of them
    place = np.arange(STEPS[-1])
    inside = np.array([place >= k for k in STEPS])
    # of steps inwards and outwards, where there is a line outwards
    beyond = -((~inside) * STEPS[:, None]).sum(axis=0) / (len(STEPS) + inside.sum(axis=0))
    for quarter in mean:
        for edge in (quarter[: STEPS[-1]], quarter[: -STEPS[-1] - 1 : -1]):
            edge -= beyond * (edge @ beyond) / (beyond @ beyond)
    known = counts > 0.25 * np.median(counts, axis=1, keepdims=True)
    told[known] = mean[known]
    return told


@dataclass(frozen=True)
class _InCommon:
    """By octave, summed over frames and waves: what quarters have in common, its standard error if they had nothing,
    what each quarter has with the others, (octaves, 4), and each's noise. Squares of `rfft`."""

    shared: NDArray[np.float64]
    chance: NDArray[np.float64]
    each: NDArray[np.float64]
    noise: NDArray[np.float64]


def _in_common(waves: NDArray[np.complex128], octave: NDArray[np.int64]) -> _InCommon:
    """Of n frames' waves, (n, 4, frequencies)."""
    noise = (np.abs(waves - waves.mean(axis=1, keepdims=True)) ** 2).sum(axis=(0, 1)) / (QUARTERS - 1)
    pairs = [(waves[:, a] * waves[:, b].conj()).real.sum(axis=0) for a, b in APART]
    number = np.array([np.count_nonzero(octave == k) for k in range(octave.max() + 1)])
    *products, noise = (np.array([row[octave == k].sum() for k in range(len(number))]) for row in (*pairs, noise))
    each = [np.mean([p for p, pair in zip(products, APART, strict=True) if q in pair], axis=0) for q in range(QUARTERS)]
    # of each pair half a wave's variance
    chance = noise / np.sqrt(2 * len(APART) * np.maximum(number * len(waves), 1))
    return _InCommon(np.mean(products, axis=0), chance, np.stack(each, axis=1), noise)


def line_banding(quarters: NDArray[np.float32], pixels: int) -> NDArray[np.float32] | None:
    """The banding of one set of lines over the frames of a scene.

    Parameters
    ----------
    quarters : (frames, 4, length) float32 array, in order of time
        Of `quarters_of`, one parity.
    pixels : that a quarter's line was averaged over, about

    Returns
    -------
    (frames, length) float32 array, ADU to be taken off; 0 for frames without; None where no frame has any.
    """
    frames, _, length = quarters.shape
    if frames < 2:
        return None
    known: NDArray[np.bool_] = np.all(np.isfinite(quarters), axis=1)
    values = np.where(known[:, None], quarters, 0).astype(np.float64)
    frequency = np.fft.rfftfreq(length)
    # octave 0 is what is left alone: waves too long for it, which the matching of skies follows
    octave = np.where(
        frequency * LONGEST >= 1, np.floor(np.log2(np.maximum(frequency * LONGEST, 1))).clip(max=6) + 1, 0
    ).astype(np.int64)
    apart = _without_outliers(np.diff(values, axis=0) / np.sqrt(2), known[1:] & known[:-1])
    changes = _in_common(np.fft.rfft(apart), octave)
    # two neighbouring changes hold the same frame
    chance = np.sqrt(1.5) * _gathered(apart) * changes.chance
    found = changes.shared > SIGMAS * chance
    found[0] = False
    power = changes.shared / np.maximum(np.bincount(octave), 1)
    smooth = found & (power > SHARP * power[-1])
    # what is as smooth as light brings its harmonics with it, if it is no broader than a cloud
    if smooth[BROADEST:].any() or not found[-1] or not _everywhere(np.diff(apart, axis=2)):
        return None
    found &= ~smooth
    with np.errstate(divide="ignore", invalid="ignore"):
        uneven = np.abs(changes.each / changes.shared[:, None] - 1).max(axis=1)
        found &= uneven < UNEVEN + 2 * np.sqrt(len(APART)) * chance / changes.shared
    if not changes.shared[found].sum() > LEAST**2 * pixels * changes.noise.sum():
        return None
    fixed = np.where(known, values.mean(axis=1), 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    own = np.where(known[:, None], values - fixed, 0)
    # what the frames have in common is stars, pixels and lines that stay, and of banding what their number leaves of it
    common = np.fft.rfft(np.where(_stands_out(fixed), 0, fixed))
    common_power = np.bincount(octave, np.abs(common) ** 2)
    likely = np.where(found, changes.shared / len(apart) / frames / np.maximum(common_power, 1e-30), 0).clip(max=1)
    # of waves so much is left where lines are set against those beside them
    beside = np.mean([np.cos(2 * np.pi * frequency * k) for k in STEPS], axis=0)
    left = HELD_LEFT * np.maximum(1 - beside, KEPT_LEAST)
    result = np.zeros(known.shape, np.float32)
    for n in range(frames):
        held = _without_outliers(own[n : n + 1], known[n : n + 1])
        waves = np.fft.rfft(held)
        told = _in_common(waves, octave)
        share = np.where(found & (told.shared > SIGMAS_FRAME * told.chance), told.shared, 0)
        share = share / np.maximum(share + told.noise / QUARTERS, 1e-30)
        if share.any():
            offsets = np.fft.irfft((waves[0].mean(axis=0) * share[octave] + common * likely[octave]) / left, length)
            result[n] = np.where(held[0].any(axis=0), offsets, 0)
    return result if result.any() else None


def _everywhere(quarters: NDArray[np.float64]) -> bool:
    """Whether quarters have as much in common in each part of the lines, about: what is lit has its place."""
    products = np.mean([quarters[:, a] * quarters[:, b] for a, b in APART], axis=0)
    parts = np.array([part.mean() for part in np.array_split(products, PARTS, axis=1)])
    return bool((parts > EVERYWHERE * parts.mean()).all())


def _gathered(quarters: NDArray[np.float64]) -> float:
    """By how much chance is larger where noise is gathered in some of the lines: on land, among a sea's waves."""
    variance = ndimage.uniform_filter1d(quarters.var(axis=1).mean(axis=0), STEPS[-1])
    return float(np.sqrt(np.mean(variance**2)) / max(np.mean(variance), 1e-30))


def _without_outliers(values: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Quarters of n frames, (n, 4, length), with 0 for lines that stand far out or whose quarters disagree."""
    result = np.zeros(values.shape)
    for frame, there, out in zip(values, known, result, strict=True):
        if there.any():
            middle, apart = frame.mean(axis=0), np.ptp(frame, axis=0)
            used = there & (np.abs(middle) < OFF_SIGMA * max(spread_of(middle[there]), 1e-9))
            used &= apart < OFF_SIGMA * max(float(np.median(apart[there])) / RANGE_OF_FOUR, 1e-9)
            out[:, used] = frame[:, used]
    return result


def _stands_out(fixed: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Lines that stand out in the mean of all frames, alone or with those beside them: a horizon, a level roof."""
    broad = ndimage.uniform_filter1d(fixed, BROAD)
    out = np.abs(broad) > BROAD_SIGMA * max(spread_of(broad), 1e-9)
    out |= np.abs(fixed) > OFF_SIGMA * max(spread_of(fixed), 1e-9)
    return np.asarray(ndimage.binary_dilation(out, iterations=BROAD))


def scene_banding(
    frames: Sequence[tuple[NDArray[np.float32], NDArray[np.float32]]], threads: int = 1
) -> tuple[list[Banding | None], float | None, float | None]:
    """The banding of a scene's frames, in order of time.

    Parameters
    ----------
    frames : of each what `quarters_of` gives
    threads : in which rows and columns, and their parities, are looked at side by side

    Returns
    -------
    what is taken off each frame, None where nothing is; how far its rows, and its columns, are off (rms over the frames
    that are, ADU), None where none are
    """
    found: list[NDArray[np.float32] | None] = []
    told: list[float | None] = []
    lengths = [frames[0][which].shape[2] for which in (0, 1)]

    def lines_of(which: int, parity: int) -> NDArray[np.float32] | None:
        quarters = np.stack([frame[which][0] for frame in frames])
        if len(frames[0][which]) > 1:
            # what both parities are shifted by alike is told from all of the line, what they differ by apart from that
            other = np.stack([frame[which][1] for frame in frames])
            quarters = np.float32(0.5) * (other - quarters if parity else quarters + other)
        return line_banding(quarters, lengths[1 - which] // QUARTERS)

    looks = [(which, parity) for which in (0, 1) for parity in range(frames[0][which].shape[0])]
    with ThreadPoolExecutor(threads) as pool:
        banding = dict(zip(looks, pool.map(lambda look: lines_of(*look), looks), strict=True))
    for which in (0, 1):
        lines = [banding[look] for look in looks if look[0] == which]
        if all(part is None for part in lines):
            found.append(None)
            told.append(None)
            continue
        none = np.zeros((len(frames), lengths[which]), np.float32)
        alike, apart = (none if part is None else part for part in (*lines, None)[:2])
        both = np.stack([alike - apart, alike + apart], axis=1)
        found.append(both)
        told.append(float(np.sqrt(np.mean(both[both.any(axis=(1, 2))].astype(np.float64) ** 2))))
    result: list[Banding | None] = []
    for n in range(len(frames)):
        rows, columns = (
            np.zeros((2, length), np.float32) if part is None else part[n]
            for part, length in zip(found, lengths, strict=True)
        )
        some = rows.any() or columns.any()
        result.append(Banding(np.ascontiguousarray(rows.T), columns) if some else None)
    return result, told[0], told[1]
