"""Mosaics of a crowded sky: stars down to where they cannot be told apart, a sensor with a pattern of its own.

Stars follow a power law of number against brightness down to a hundredth of what can be detected, as the Milky Way has
them; every pixel answers light a little differently, the lens darkens its corners, the sky has a gradient. Light is
laid on a grid four times as fine, spread by a Gaussian (Fourier) and summed over pixels: nothing of the pipeline's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FINE = 4


@dataclass(frozen=True)
class Sensor:
    """Electrons per ADU, read noise (electrons), spread of the pixels' responses, dark current (electrons a frame)."""

    gain: float = 2.0
    read_noise: float = 3.0
    response: float = 0.008
    dark: float = 0.0
    black: float = 512.0
    full: float = 16383.0
    cfa: str = "RGGB"


@dataclass(frozen=True)
class CrowdedSky:
    """Stars (px of the first frame, electrons of green) and the smooth light: electrons a pixel in R, G, B."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    green: NDArray[np.float64]
    colours: NDArray[np.float64]  # (n, 3), of green
    sky: tuple[float, float, float] = (350.0, 600.0, 420.0)
    vignetting: float = 0.3
    gradient: float = 0.15
    fwhm: float = 2.4

    @classmethod
    def milky_way(
        cls,
        rng: np.random.Generator,
        shape: tuple[int, int],
        per_pixel: float = 0.05,
        least: float = 30.0,
        slope: float = 1.05,
        **smooth: float,
    ) -> CrowdedSky:
        """So many stars a pixel brighter than `least` electrons; their number falls with brightness to that power.

        Counts grow by 10^(0.42) a magnitude, a power of 1.05 [from memory, low galactic latitude].
        """
        margin = 60
        count = rng.poisson(per_pixel * (shape[0] + 2 * margin) * (shape[1] + 2 * margin))
        green = np.minimum(least * rng.random(count) ** (-1 / slope), 3e5)
        colours = np.stack([rng.uniform(0.4, 1.0, count), np.ones(count), rng.uniform(0.4, 1.1, count)], axis=1)
        x = rng.uniform(-margin, shape[1] + margin, count)
        y = rng.uniform(-margin, shape[0] + margin, count)
        return cls(x, y, green, colours, **smooth)

    def light(self, shape: tuple[int, int], dx: float = 0.0, dy: float = 0.0) -> NDArray[np.float64]:
        """Electrons that a frame shifted by (dx, dy) collects on average, (3, height, width)."""
        height, width = shape
        i = np.round((self.y + dy + 0.5) * FINE - 0.5).astype(int)
        j = np.round((self.x + dx + 0.5) * FINE - 0.5).astype(int)
        inside = (i >= 0) & (i < height * FINE) & (j >= 0) & (j < width * FINE)
        place = i[inside] * (width * FINE) + j[inside]
        sigma = self.fwhm / 2.3548 * FINE
        v, u = np.fft.fftfreq(height * FINE), np.fft.rfftfreq(width * FINE)
        spread = np.exp(-2 * np.pi**2 * sigma**2 * (v[:, None] ** 2 + u[None] ** 2))
        y, x = np.mgrid[0:height, 0:width]
        a, b = 2 * x / (width - 1) - 1, 2 * y / (height - 1) - 1
        lens = 1 - self.vignetting * (a**2 + b**2) / 2
        planes = []
        for c in range(3):
            stars = np.zeros(shape)
            if len(place):
                fine = np.bincount(place, self.green[inside] * self.colours[inside, c], height * width * FINE**2)
                fine = np.fft.irfft2(np.fft.rfft2(fine.reshape(height * FINE, width * FINE)) * spread)
                stars = fine.reshape(height, FINE, width, FINE).sum(axis=(1, 3))
            planes.append(lens * (stars + self.sky[c] * (1 + self.gradient * (0.6 * b + 0.4 * a))))
        return np.stack(planes)


def expose(
    rng: np.random.Generator, sensor: Sensor, light: NDArray[np.float64], pattern: int = 7
) -> NDArray[np.uint16]:
    """One raw mosaic; `pattern` seeds what the sensor's pixels have of their own, the same in every frame."""
    own = np.random.default_rng(pattern)
    shape = light.shape[1:]
    electrons = np.empty(shape)
    for number, colour in enumerate(sensor.cfa if sensor.cfa != "MONO" else "GGGG"):
        place = (slice(number // 2, None, 2), slice(number % 2, None, 2))
        electrons[place] = light["RGB".index(colour)][place]
    electrons *= own.normal(1, sensor.response, shape)
    electrons += sensor.dark * own.gamma(4.0, 0.25, shape)
    electrons = rng.poisson(np.maximum(electrons, 0)) + rng.normal(0, sensor.read_noise, shape)
    return np.clip(np.round(sensor.black + electrons / sensor.gain), 0, sensor.full).astype(np.uint16)
