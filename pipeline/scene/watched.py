"""Lights of a scene that are followed for defects, and what stays with the sensor in all of them."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from functools import cached_property
from itertools import repeat

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.ordering import column_medians
from pipeline.scene.signal import Signal
from pipeline.sensor import defects, persistence
from pipeline.sensor.banding import Banding
from pipeline.sensor.calibrate import black_levels, calibrate, dark_signal
from pipeline.sensor.mosaic import MosaicFile

# Lights whose pixels are followed for defects: with 16, what stands out by 1.3 sigma of a frame is found at 5 sigma.
PERSISTENCE_FRAMES = 16
# Standard deviations of a persistence sum; 24 million pixels give about 14 by chance, which repair does no harm.
PERSISTENCE_SIGMA = 5.0
# With one frame a peak of noise persists as well as anything: ask for more.
SINGLE_SIGMA = 6.0
# Times that candidates are looked at: of three defects that touch the second tells the third.
ROUNDS = 3
# Candidates looked at in one go (25 values each, a frame).
PATCHES_AT_ONCE = 100_000
# Rows over which the lights are added up one after the other: those of dark and sum stay in a near cache.
BAND = 32
# Pixels of a CFA position that tell the sky's level, about.
SKY_SAMPLE = 20_000


@dataclass(frozen=True)
class Watched:
    """One light, its calibrated values to be had in parts: an index of rows gives those, float32, ADU above black."""

    mosaic: MosaicFile
    signal: Signal
    scale: float
    offset: float
    banding: Banding | None = None
    glow_scale: float | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        return self.mosaic.shape

    @cached_property
    def sky(self) -> NDArray[np.float32]:
        """Its level by CFA position, (2, 2), ADU above black, offset included."""
        levels = np.empty((2, 2), np.float32)
        for row in (0, 1):
            for column in (0, 1):
                rows, columns = (np.arange(first, n, 2) for first, n in zip((row, column), self.shape, strict=True))
                step = max(1, int(np.sqrt(rows.size * columns.size / SKY_SAMPLE)))
                values = self[rows[::step]][:, columns[::step]]
                levels[row, column] = float(np.median(values)) if values.size else 0.0
        return levels + self.offset

    @cached_property
    def sigma(self) -> float:
        """Noise of a pixel, ADU."""
        return max(defects.cross_residual_sigma(self), 1e-3)

    def _dark(self, rows: slice | NDArray[np.int64]) -> tuple[NDArray[np.float32] | None, float]:
        signal, window = self.signal, (rows, slice(None))
        return dark_signal(signal.dark, signal.bias, self.scale, window, self.banding, signal.glow, self.glow_scale)

    def __getitem__(self, rows: slice | NDArray[np.int64]) -> NDArray[np.float32]:
        parity = np.arange(self.shape[0])[rows] % 2
        values = self.mosaic[rows].astype(np.float32)
        values -= black_levels(self.mosaic.header.black, self.offset, self.shape[1])[parity]
        dark, factor = self._dark(rows)
        if dark is not None:
            values -= np.float32(factor) * dark
        return values

    def values(self) -> NDArray[np.float32]:
        """All of them."""
        return calibrate(self.mosaic.pixels(), self.mosaic.header.black, *self._dark(slice(None)), self.offset)

    def add_to(self, total: NDArray[np.float32], top: int) -> None:
        """Add what the light says to rows of a persistence sum, (rows, width), from row `top` on."""
        dark, scale = self._dark(slice(*persistence.rows_about(top, top + len(total), self.shape[0])))
        mosaic = self.mosaic
        persistence.add_light(total, top, mosaic.stored, mosaic.header.black, self.offset, dark, scale, self.sigma)

    def patches(self, ys: NDArray[np.int64], xs: NDArray[np.int64]) -> NDArray[np.float32]:
        """Calibrated 5 x 5 patches, (number, 25), the sky taken off."""
        values = defects.gather_patches(self.mosaic, ys, xs)
        level = self.sky + np.array(self.mosaic.header.black, np.float32).reshape(2, 2)
        reach = np.arange(-defects.REACH, defects.REACH + 1)
        rows, columns = (ys[:, None] + reach) % 2, (xs[:, None] + reach) % 2
        patches = values.astype(np.float32) - level[rows[:, :, None], columns[:, None, :]].reshape(len(ys), -1)
        signal = self.signal
        if signal.dark is not None and self.scale != 0:
            patches -= np.float32(self.scale) * defects.gather_patches(signal.dark, ys, xs)
        more_glow = 0.0 if self.glow_scale is None else self.glow_scale - self.scale
        if signal.glow is not None and more_glow != 0:
            patches -= np.float32(more_glow) * defects.gather_patches(signal.glow, ys, xs)
        if signal.bias is not None and self.scale != 0:
            patches -= defects.gather_patches(signal.bias, ys, xs)
        return patches


def persistence_of(lights: list[Watched], pool: Executor) -> NDArray[np.float32]:
    """The persistence sum over lights, (height, width)."""
    total = np.zeros(lights[0].shape, np.float32)
    list(pool.map(lambda light: (light.sky, light.sigma), lights))

    def add(top: int) -> None:
        for light in lights:
            light.add_to(total[top : top + BAND], top)

    list(pool.map(add, range(0, len(total), BAND)))
    return total


def add_persistent(
    flags: NDArray[np.uint8],
    total: NDArray[np.float32],
    watch: list[Watched],
    cfa: str,
    hot_sigma: float,
    full_scale: float,
    pool: Executor,
) -> None:
    """Add to `flags` what stays with the sensor over the watched lights."""
    frames = len(watch)
    limit = PERSISTENCE_SIGMA if frames > 1 else max(SINGLE_SIGMA, hot_sigma)
    ys, xs = persistence.persistence_candidates(total, frames, limit if frames > 1 else 0.6 * limit)
    free = flags[ys, xs] == 0
    ys, xs = ys[free], xs[free]
    sigma = float(np.mean([w.sigma for w in watch])) * _median_error(frames)
    for _ in range(ROUNDS):
        for start in range(0, len(ys), PATCHES_AT_ONCE):
            y, x = ys[start : start + PATCHES_AT_ONCE], xs[start : start + PATCHES_AT_ONCE]
            patches = column_medians(np.stack(list(pool.map(Watched.patches, watch, repeat(y), repeat(x)))))
            known = defects.gather_patches(flags, y, x) != 0
            hot, cold = defects.looks_like_defect(patches, y, x, cfa, sigma, limit, known)
            hot &= ~defects.full_beside(patches, known, 0.8 * full_scale)
            flags[y[hot], x[hot]] |= defects.HOT
            flags[y[cold], x[cold]] |= defects.COLD
        # those that touch a defect are looked at again without it
        touch = (flags[ys, xs] == 0) & (defects.gather_patches(flags, ys, xs) != 0).any(axis=1)
        ys, xs = ys[touch], xs[touch]
    if frames >= 3:

        def shown(ys: NDArray[np.int64], xs: NDArray[np.int64], rows: bool = False) -> float:
            return persistence.line_level([w.patches(ys, xs) for w in watch], [w.sigma for w in watch], rows)

        across = pool.submit(persistence.bad_columns, total.T, frames, lambda xs, ys: shown(ys, xs, True))
        down = np.nonzero(persistence.bad_columns(total, frames, shown))
        for place in (down, np.nonzero(across.result())[::-1]):
            flags[place] |= np.where(total[place] > 0, np.uint8(defects.HOT), np.uint8(defects.COLD))


def _median_error(frames: int) -> float:
    """Standard error of the median of that many normal values of sigma 1 (of one or two: of their mean)."""
    return float(np.sqrt((1.0 if frames <= 2 else np.pi / 2) / frames))
