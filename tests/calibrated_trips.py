"""Trips with every kind of calibration frame, whose response, dark signal and stars are known."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from example_project.maker import FrameTruth, Scenario, expose, make_scenario, write_dng
from example_project.maker.stamps import cell_colours


def dusty_lens(shape: tuple[int, int], vignetting: float = 0.45, tilt: float = 0.06) -> NDArray[np.float32]:
    """A response of 1 in the middle: falling off towards the corners, tilted, with a few dust shadows."""
    rows, columns = np.indices(shape, np.float32)
    v, u = rows / shape[0] - 0.5, columns / shape[1] - 0.5
    radius2 = (v**2 + u**2) / 0.5
    response = (1 - vignetting * radius2 * (0.6 + 0.4 * radius2)) * (1 + tilt * u)
    for y, x, depth, size in ((0.3, 0.3, 0.12, 9), (0.62, 0.55, 0.2, 14), (0.75, 0.2, 0.08, 22), (0.4, 0.8, 0.15, 7)):
        distance = np.hypot(rows - y * shape[0], columns - x * shape[1])
        response *= 1 - depth / (1 + np.exp(np.minimum((distance - size) / 1.5, 50)))
    return response.astype(np.float32)


@dataclass(frozen=True)
class Rig:
    """A camera before a sky; `response` multiplies all light that reaches it."""

    scenario: Scenario
    response: NDArray[np.float32]

    def lights(self, folder: Path) -> list[FrameTruth]:
        """Write the lights; the truth of each, its stars without the response."""
        truths = []
        for index in range(self.scenario.count):
            s = self.scenario
            light, stars, figures = s.light(index)
            rng = np.random.default_rng([s.seed, index, 0])
            drift = float(rng.normal(0, s.drift_adu))
            pixels = expose(light * self.response, s.sensor, s.exposure_s, s.temperature(index), rng, drift)
            write_dng(folder / f"light_{index:03d}.dng", pixels, s.meta(index))
            truths.append(FrameTruth(index, "light", None, None, s.geometry(index), stars, figures | {"drift": drift}))
        return truths

    def flats(
        self,
        folder: Path,
        count: int = 6,
        *,
        electrons: float = 6000.0,
        exposure_s: float = 0.04,
        iso: int = 100,
        spoil: dict[int, NDArray[np.float32]] | None = None,
        **meta: Any,
    ) -> None:
        """Write flats of an evenly lit warm panel, `electrons` in green; `spoil` multiplies the light of some."""
        colours = cell_colours(self.scenario.sensor.cfa)
        rows, columns = np.indices(self.response.shape)
        panel = np.array([0.8, 1.0, 0.45])[colours[rows % 2, columns % 2]]
        for n in range(count):
            rng = np.random.default_rng([self.scenario.seed, n, 7])
            light = (electrons * (1 - 0.04 * n) * panel * self.response).astype(np.float32)
            light *= (spoil or {}).get(n, np.float32(1))
            self._write(folder / f"flat_{n:03d}.dng", light, exposure_s, n, rng, iso=iso, **meta)

    def covered(self, folder: Path, count: int, exposure_s: float, name: str, warmer: float = 0.0, **meta: Any) -> None:
        """Write darks or biases: the lens covered."""
        for n in range(count):
            rng = np.random.default_rng([self.scenario.seed, n, len(name), round(exposure_s * 1e4)])
            # one after the other: a camera takes no two frames at one time
            later = 100 * len(name) + n
            self._write(folder / f"{name}_{n:03d}.dng", None, exposure_s, later, rng, warmer, **meta)

    def _write(
        self,
        path: Path,
        light: NDArray[np.float32] | None,
        exposure_s: float,
        number: int,
        rng: np.random.Generator,
        warmer: float = 0.0,
        **meta: Any,
    ) -> None:
        s = self.scenario
        temperature = s.temperature(s.count) + warmer
        drift = float(rng.normal(0, s.drift_adu))
        pixels = expose(light, s.sensor, exposure_s, temperature, rng, drift)
        base = s.meta(s.count)
        taken = base.taken + timedelta(minutes=20, seconds=number * (exposure_s + 2)) if base.taken else None
        known = {"exposure_s": exposure_s, "taken": taken, "temperature_c": temperature, **meta}
        write_dng(path, pixels, replace(base, **known))


def rig(response: NDArray[np.float32] | float = 1.0, **changes: Any) -> Rig:
    """A rig of 720 x 480 pixels and a lens without faults of its own (so that `response` is all), from a few words."""
    settings: dict[str, Any] = {"lens_mm": 85.0, "width": 720, "height": 480, "n": 6, "ideal_lens": True}
    settings |= {"stars_max": 700, **changes}
    scenario = make_scenario(**settings)
    shape = (scenario.optics.height, scenario.optics.width)
    return Rig(scenario, np.broadcast_to(np.float32(response), shape))


def star_ratios(
    picture: NDArray[np.float32], truths: list[FrameTruth], reference: int, brightest: float, radius: float = 4.0
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Flux of isolated unsaturated stars over what was planted.

    Parameters
    ----------
    picture : (height, width) float32 array, green
    truths : of the kept frames
    reference : which of them the picture's grid is
    brightest : electrons of the brightest star to look at

    Returns
    -------
    x, y, ratio : positions in the picture, and measured over planted, aperture of `radius` px, median sky about it
    """
    stars = truths[reference].stars
    assert stars is not None
    x, y, flux = stars.x[:, 1], stars.y[:, 1], stars.electrons[:, 1]
    inside = (x > 15) & (x < picture.shape[1] - 16) & (y > 15) & (y < picture.shape[0] - 16)
    chosen = np.flatnonzero(inside & (flux < brightest))
    found = []
    for n in chosen[:1500]:
        near = np.hypot(x - x[n], y - y[n]) < 2 * radius + 6
        if flux[near].sum() > 1.004 * flux[n] + 30:
            continue
        i, j = round(y[n]), round(x[n])
        reach = 14
        part = picture[i - reach : i + reach + 1, j - reach : j + reach + 1].astype(float)
        rows, columns = np.indices(part.shape)
        distance = np.hypot(rows - reach + i - y[n], columns - reach + j - x[n])
        sky = np.median(part[distance > radius + 3])
        share = np.clip(radius + 0.5 - distance, 0, 1)  # pixels that the rim cuts count in part
        found.append((x[n], y[n], ((part - sky) * share).sum() / flux[n], flux[n]))
    table = np.array(found)
    return table[:, 0], table[:, 1], table[:, 2]
