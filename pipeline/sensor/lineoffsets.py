"""Offsets that whole rows and columns of a sensor keep, told from the lights where no dark or bias can be had.

Lines are told by what both halves of each show alike against the lines beside: neither stars nor land are as straight
as that, but for a level horizon, which is told by being broad.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.sensor.clipped import clipped

# Lines of the same colours to either side that a line is set against, every second one.
BESIDE = 8
STEPS = np.arange(2, 2 * BESIDE + 1, 2)
# Values further than this from one beside are left out (stars, edges of land), in standard deviations of a pixel; what
# is left of a small offset then, noise being normal: with c = cut / sqrt(2), 1 - 2 c phi(c) / (2 Phi(c) - 1).
LINE_CUT, LINE_LEFT = 3.0, 0.8149
# Lines across that are looked at in a frame, about: with 16 frames a line is known to 0.01 of a frame's noise.
ACROSS = 1000
# Correlation of the halves, over that of chance, from which lines have offsets of their own.
LINES_SIGMA = 6.0
SHIFTS = 200
# Outliers and broad structures (a level horizon) by their robust standard deviations; such lines are left alone.
OFF_SIGMA, BROAD_SIGMA, BROAD, WAVE = 6.0, 5.0, 9, 33


class Lines:
    """Sums over frames of what columns (or rows) differ by from those beside, each half of them by itself."""

    def __init__(self, length: int) -> None:
        self.sums = np.zeros((2, length))
        self.counts = np.zeros((2, length))

    def add(self, values: NDArray[np.float32], sigma: float) -> None:
        """Take in a frame whose last axis is the one of these lines; about `ACROSS` lines across are looked at.

        Parameters
        ----------
        values : (across, length) float32 array, ADU above black
        sigma : noise of a pixel, ADU
        """
        step = max(1, values.shape[0] // ACROSS) | 1  # odd: both colours of each line
        part = np.ascontiguousarray(values[::step])
        add_lines(part, np.float32(LINE_CUT * max(sigma, 1e-3)), STEPS, self.sums, self.counts)


@njit(cache=True, nogil=True)
def add_lines(values, limit, steps, sums, counts):  # type: ignore[no-untyped-def]
    """Sums and numbers of the differences ``v[x] - v[x + k]`` that are below the limit, k = +-`steps`.

    What one line of a pair gains the other loses, so that stars, left out or not, shift no mean over lines.
    """
    height, width = values.shape
    apart, told = np.empty(width, np.float32), np.empty(width, np.float32)
    for y in range(height):
        half = 0 if 2 * y < height else 1
        row, total, number = values[y], sums[half], counts[half]
        for k in steps:
            _differences(row[k:], row[: width - k], limit, apart, told)
            _add(apart, told, total[k:], number[k:], np.float32(1))
            _add(apart, told, total[: width - k], number[: width - k], np.float32(-1))


@njit(cache=True, nogil=True)
def _differences(one, other, limit, apart, told):  # type: ignore[no-untyped-def]
    for x in range(len(one)):
        step = one[x] - other[x]
        counted = np.float32(abs(step) < limit)
        apart[x], told[x] = step * counted, counted


@njit(cache=True, nogil=True)
def _add(apart, told, total, number, sign):  # type: ignore[no-untyped-def]
    for x in range(len(total)):
        total[x] += sign * apart[x]
        number[x] += told[x]


def line_offsets(lines: Lines) -> NDArray[np.float32] | None:
    """Offsets of the lines, ADU, as far as they are told from noise; None where none are.

    Lines that a broad structure crosses (within `BROAD` lines the mean stands out), whose halves disagree or that lie
    at the edges have 0; the others are drawn towards 0 by what noise makes of them.
    """
    halves = lines.sums / np.maximum(lines.counts, 1) / LINE_LEFT
    usable = lines.counts.min(axis=0) > 0.25 * np.median(lines.counts)
    usable[: 2 * BESIDE] = usable[-2 * BESIDE :] = False
    if usable.sum() < 64:
        return None
    one, other = (np.where(usable, h - np.median(h[usable]), 0) for h in halves)
    mean, apart = (one + other) / 2, one - other
    # curved skies show as broad waves; so do level horizons, which are left alone whole
    wave = ndimage.median_filter(mean, WAVE)
    one, other, mean = one - wave, other - wave, mean - wave
    error = clipped(apart[usable])[1] / 2
    broad = ndimage.uniform_filter1d(mean, BROAD)
    wide = np.abs(broad) > BROAD_SIGMA * max(spread_of(broad[usable]), error / np.sqrt(BROAD))
    usable &= ~ndimage.binary_dilation(wide, iterations=2 * BESIDE)
    usable &= np.abs(apart) < 2 * OFF_SIGMA * max(error, 1e-6)
    if usable.sum() < 64:
        return None
    # single lines far off are no pattern, and must not make one by themselves
    near = usable & (np.abs(mean) < OFF_SIGMA * max(spread_of(mean[usable]), 1e-6))
    shared = float(np.mean(one[near] * other[near]))
    # stars leave their mark on neighbouring lines: what chance gives is seen where the halves are shifted
    a, b = np.where(near, one, 0), np.where(near, other, 0)
    shifts = range(WAVE, len(a) - WAVE, max(1, (len(a) - 2 * WAVE) // SHIFTS))
    by_chance = float(np.std([a @ np.roll(b, k) for k in shifts])) / near.sum()
    if shared < LINES_SIGMA * max(by_chance, 1e-12):
        return None
    offsets = mean.copy()
    for _ in range(2):  # what the lines beside have of their own was taken off with them
        around = sum(np.roll(offsets, k) for s in range(2, 2 * BESIDE + 1, 2) for k in (-s, s)) / (2 * BESIDE)
        offsets = mean + np.where(usable, around, 0)
    offsets *= shared / (shared + error**2)
    return np.where(usable, offsets, 0).astype(np.float32)


def spread_of(values: NDArray[np.floating]) -> float:
    """Robust standard deviation; 0 of nothing."""
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0
