"""Invented star fields with known answers, for tests: pixel-integrated stars, CFA, noise, hot pixels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from pipeline.config import GradeSettings
from pipeline.grade import add_passing, measured_frame
from pipeline.sensor.mosaic import MosaicHeader

COLOUR = {"R": 0.55, "G": 1.0, "B": 0.6}  # of a white star, as a camera sees it without white balance


@dataclass(frozen=True)
class Field:
    """True stars: positions px, fluxes ADU (green)."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    flux: NDArray[np.float64]


def random_field(
    rng: np.random.Generator, shape: tuple[int, int], number: int, flux: tuple[float, float], apart: float = 16.0
) -> Field:
    """Stars at random places at least `apart` px from one another and from the edge; fluxes even in magnitude."""
    height, width = shape
    cells = [
        (r, c)
        for r in range(int((height - 2 * apart) // (2 * apart)))
        for c in range(int((width - 2 * apart) // (2 * apart)))
    ]
    if number > len(cells):
        raise ValueError(f"{number} stars do not fit {apart} px apart (room for {len(cells)})")
    chosen = rng.permutation(len(cells))[:number]
    places = np.array([cells[n] for n in chosen], float).reshape(-1, 2)
    y = apart + (places[:, 0] + 0.25 + 0.5 * rng.random(number)) * 2 * apart
    x = apart + (places[:, 1] + 0.25 + 0.5 * rng.random(number)) * 2 * apart
    low, high = math.log(flux[0]), math.log(flux[1])
    return Field(x, y, np.exp(rng.uniform(low, high, number)))


def star_flux(snr: float, fwhm: float, noise: float) -> float:
    """Flux (ADU) of a star of this signal-to-noise in all pixels under background noise (ADU a pixel)."""
    return snr * noise * math.sqrt(4 * math.pi) * fwhm / 2.3548


def _gaussian_pixels(
    x0: float, y0: float, sigma: float, xs: NDArray[np.int64], ys: NDArray[np.int64]
) -> NDArray[np.float64]:
    """A round Gaussian of unit flux, integrated over the pixels."""
    s = sigma * math.sqrt(2)
    ex = 0.5 * (erf((xs + 0.5 - x0) / s) - erf((xs - 0.5 - x0) / s))
    ey = 0.5 * (erf((ys + 0.5 - y0) / s) - erf((ys - 0.5 - y0) / s))
    return ey[:, None] * ex[None, :]


def render(
    shape: tuple[int, int],
    field: Field,
    fwhm: float | NDArray[np.float64],
    *,
    motion: tuple[float, float] | NDArray[np.float64] = (0.0, 0.0),
    disc: float = 0.0,
    stretch: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Noise-free light of the stars, ADU of green in every pixel.

    Parameters
    ----------
    fwhm : px, one or one a star (Gaussian, before the pixel's own width)
    motion : (dx, dy) during the exposure, px, one or an (n, 2) array; even speed
    disc : radius px of an even disc, for out-of-focus stars
    stretch : (n, 2) array, root of the added second moment along x and y of each star (a lens's own pattern): the
        star becomes two copies at plus and minus it
    """
    light = np.zeros(shape)
    fwhms = np.broadcast_to(np.asarray(fwhm, float), field.x.shape)
    motions = np.broadcast_to(np.asarray(motion, float), (len(field.x), 2))
    for n, (x, y, flux) in enumerate(zip(field.x, field.y, field.flux, strict=True)):
        sigma = fwhms[n] / 2.3548
        length = math.hypot(*motions[n])
        steps = max(2, int(np.ceil(length / max(0.25 * sigma, 0.1)))) if length > 0 else 1
        # so many points have the variance of the even trail between them, 1/12, not 1/12 (1 - 1/steps^2)
        along = ((np.arange(steps) + 0.5) / steps - 0.5) / math.sqrt(max(1 - 1 / steps**2, 0.25))
        offsets = np.outer(along, motions[n])
        if disc > 0:
            ring = np.array(
                [(a, b) for a in np.linspace(-1, 1, 13) for b in np.linspace(-1, 1, 13) if a * a + b * b <= 1]
            )
            offsets = (offsets[:, None, :] + disc * ring[None]).reshape(-1, 2)
        if stretch is not None:
            offsets = np.concatenate([offsets + stretch[n], offsets - stretch[n]])
        reach = 5 * sigma + 1 + np.abs(offsets).max()
        ys = np.arange(max(0, int(y - reach)), min(shape[0], int(y + reach) + 2))
        xs = np.arange(max(0, int(x - reach)), min(shape[1], int(x + reach) + 2))
        if not (len(xs) and len(ys)):
            continue
        stamp = sum(_gaussian_pixels(x + dx, y + dy, sigma, xs, ys) for dx, dy in offsets)
        light[ys[0] : ys[-1] + 1, xs[0] : xs[-1] + 1] += flux * stamp / len(offsets)
    return light


def mosaic(
    rng: np.random.Generator,
    light: NDArray[np.float64],
    *,
    cfa: str = "RGGB",
    sky: float = 300.0,
    black: tuple[float, float, float, float] = (512.0, 512.0, 512.0, 512.0),
    gain: float = 0.0,
    noise: float = 10.0,
    saturation: int = 16000,
    hot: int = 0,
) -> NDArray[np.uint16]:
    """A raw frame of the light: `noise` ADU a pixel, and `gain` ADU per electron of photon noise on top where not 0."""
    height, width = light.shape
    level = np.empty(light.shape)
    for k in range(4):
        place = (slice(k // 2, None, 2), slice(k % 2, None, 2))
        share = 1.0 if cfa == "MONO" else COLOUR[cfa[k]]
        level[place] = (light[place] + sky) * share
    if gain > 0:
        level = gain * rng.poisson(np.maximum(level, 0) / gain)
    level += rng.normal(0, noise, light.shape)
    if hot:
        rows, columns = rng.integers(0, height, hot), rng.integers(0, width, hot)
        level[rows, columns] += np.exp(rng.uniform(math.log(12 * noise), math.log(2000 * noise), hot))
    for k in range(4):
        level[k // 2 :: 2, k % 2 :: 2] += black[k]
    return np.clip(np.rint(level), 0, saturation).astype(np.uint16)


def grade_mosaic(
    pixels: NDArray[np.uint16], header: MosaicHeader, settings: GradeSettings
) -> tuple[dict[str, Any], NDArray[Any]]:
    """A frame graded by itself, without neighbours: its row, and its stars, brightest first."""
    measured = measured_frame(pixels, header, settings)
    add_passing(measured, [])
    return measured.row, measured.found.stars
