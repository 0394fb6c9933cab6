"""The sensor: from expected electrons to the numbers in the file."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

# rows done at a time, so that a 24 MP frame needs no more than about 60 MB of random numbers at once
STRIP = 512
DOUBLING_C = 6.0  # dark current doubles (0.85 eV; check-values.md, 5)
REFERENCE_C = 20.0


@dataclass(frozen=True)
class Sensor:
    """A CFA sensor at one ISO setting.

    Parameters
    ----------
    gain : electrons per ADU
    read_noise : electrons rms
    black : ADU at the CFA positions
    saturation : ADU, what a full pixel reads
    dark_current : electrons per second at 20 C
    hot_share, hot_rate : share of hot pixels and the median of their dark current, e/s at 20 C (log-normal, 1.2)
    telegraph_share : share of pixels that flicker between two levels from frame to frame
    telegraph_e : how far apart these levels are, electrons
    gain_pattern : rms of the pixels' sensitivity
    offset_pattern, column_pattern : rms of the pixels' and the columns' fixed offsets, ADU
    glow_e : amplifier glow in the lower right corner, electrons per second at 20 C
    """

    width: int
    height: int
    cfa: str = "RGGB"
    gain: float = 1.2
    read_noise: float = 3.0
    black: tuple[float, float, float, float] = (512.0, 512.0, 512.0, 512.0)
    saturation: int = 15871
    dark_current: float = 0.15
    hot_share: float = 1e-3
    hot_rate: float = 12.0
    telegraph_share: float = 1e-4
    telegraph_e: float = 90.0
    gain_pattern: float = 0.004
    offset_pattern: float = 0.6
    column_pattern: float = 0.25
    glow_e: float = 0.0
    seed: int = 20417


@dataclass(frozen=True)
class FixedMaps:
    """What stays with the sensor: sensitivity, offset (ADU), dark current (e/s at 20 C), all (height, width) float32;
    flickering pixels as flat indices and their step (electrons)."""

    sensitivity: NDArray[np.float32]
    offset: NDArray[np.float32]
    dark: NDArray[np.float32]
    hot: NDArray[np.int64]
    telegraph: NDArray[np.int64]
    telegraph_e: NDArray[np.float32]


@lru_cache(maxsize=2)
def fixed_maps(sensor: Sensor) -> FixedMaps:
    """The sensor's fixed maps; they depend on its seed and size only."""
    rng = np.random.default_rng([sensor.seed, 1])
    shape = (sensor.height, sensor.width)
    count = sensor.height * sensor.width
    sensitivity = 1 + np.float32(sensor.gain_pattern) * rng.standard_normal(shape, np.float32)
    offset = np.float32(sensor.offset_pattern) * rng.standard_normal(shape, np.float32)
    offset += np.float32(sensor.column_pattern) * rng.standard_normal(sensor.width, np.float32)
    dark = np.full(shape, sensor.dark_current, np.float32)
    if sensor.glow_e:
        rows, columns = np.ogrid[: sensor.height, : sensor.width]
        distance = np.hypot((sensor.height - rows) / sensor.height, (sensor.width - columns) / sensor.width)
        dark += (sensor.glow_e * np.exp(-5 * distance)).astype(np.float32)
    chosen = rng.choice(count, round(count * (sensor.hot_share + sensor.telegraph_share)), replace=False)
    hot = np.sort(chosen[: round(count * sensor.hot_share)])
    telegraph = np.sort(chosen[len(hot) :])
    dark.ravel()[hot] += sensor.hot_rate * np.exp(1.2 * rng.standard_normal(len(hot))).astype(np.float32)
    steps = (sensor.telegraph_e * rng.uniform(0.4, 2.2, len(telegraph))).astype(np.float32)
    return FixedMaps(sensitivity, offset, dark, hot, telegraph, steps)


def expose(
    light: NDArray[np.float32] | None,
    sensor: Sensor,
    exposure_s: float,
    temperature_c: float,
    rng: np.random.Generator,
    drift: float = 0.0,
) -> NDArray[np.uint16]:
    """One exposure.

    Photo-electrons and dark electrons are Poisson; read noise is normal; ADU = electrons / gain + black + fixed
    pattern + drift, rounded, cut at 0 and at saturation.

    Parameters
    ----------
    light : (height, width) expected photo-electrons at unit sensitivity, None for a covered lens
    drift : ADU, of the black level in this frame

    Returns
    -------
    mosaic : (height, width) uint16, ADU
    """
    maps = fixed_maps(sensor)
    seconds = exposure_s * 2.0 ** ((temperature_c - REFERENCE_C) / DOUBLING_C)
    flicker = rng.random(len(maps.telegraph)) < 0.4
    mosaic = np.empty((sensor.height, sensor.width), np.uint16)
    black = np.array(sensor.black, np.float32).reshape(2, 2)
    inverse = np.float32(1 / sensor.gain)
    extra = np.zeros(mosaic.shape, np.float32) if len(maps.telegraph) else None
    if extra is not None:
        extra.ravel()[maps.telegraph[flicker]] = maps.telegraph_e[flicker]
    for top in range(0, sensor.height, STRIP):
        rows = slice(top, min(top + STRIP, sensor.height))
        mean = maps.dark[rows] * np.float32(seconds)
        if light is not None:
            mean += light[rows] * maps.sensitivity[rows]
        if extra is not None:
            mean += extra[rows]
        value = rng.poisson(mean).astype(np.float32)
        value += np.float32(sensor.read_noise) * rng.standard_normal(value.shape, np.float32)
        value *= inverse
        value += maps.offset[rows]
        value += np.float32(drift)
        for i in range(2):
            for j in range(2):
                value[i::2, j::2] += black[i, j]  # STRIP is even, so that rows keep their place in the cell
        np.rint(value, out=value)
        np.clip(value, 0, sensor.saturation, out=value)
        mosaic[rows] = value
    return mosaic
