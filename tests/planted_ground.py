"""Nightscapes with known ground: a rendered sky behind a ridge, trees with thin branches, a house with a lit window,
and water that shows the stars again, all fixed to the ground while the sky turns and the tripod creeps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy import ndimage

from example_project.maker.scene import Scenario, make_scenario
from example_project.maker.sensor import expose
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.sky.camera import Camera
from pipeline.sky.geometry import Geometry, Placement
from pipeline.stars.measure import measure_mosaic
from tests.planted_scenes import frame_ids

Floats = NDArray[np.float64]
FINE = 4  # subpixels a side at which outlines are drawn
BLUR = 0.75  # px, sigma of the lens for what stands far away
MARGIN = 64  # px drawn beyond the frame, for a camera that moves


@dataclass(frozen=True)
class Land:
    """What stands before the sky, on a canvas `MARGIN` px larger than the frame on every side.

    Parameters
    ----------
    opaque : share of the light behind that it hides, 0-1
    light : (rows, columns, 3), its own light over that of the sky in the frame's middle
    mirror : row (px of the frame) about which the sky is mirrored below, or None; `water` where, 0-1
    """

    opaque: Floats
    light: Floats
    water: Floats
    mirror: float | None = None

    def at(self, dx: float, dy: float, shape: tuple[int, int]) -> tuple[Floats, Floats, Floats]:
        """Hidden share, light and water of a frame in which the ground lies (dx, dy) px further right and down."""
        window = (slice(MARGIN, MARGIN + shape[0]), slice(MARGIN, MARGIN + shape[1]))

        def moved(plane: Floats) -> Floats:
            if dx == 0 and dy == 0:
                return plane[window]
            return np.asarray(ndimage.shift(plane, (dy, dx), order=3, mode="nearest")[window])

        light = np.stack([moved(self.light[..., c]) for c in range(3)], axis=-1)
        return np.clip(moved(self.opaque), 0, 1), light, np.clip(moved(self.water), 0, 1)


def _texture(shape: tuple[int, int], rng: np.random.Generator, scale: float) -> Floats:
    noise = sum(
        ndimage.gaussian_filter(rng.normal(size=shape), s) * s / (i + 1) for i, s in enumerate((scale, scale / 3, 1.2))
    )
    return np.asarray(noise / np.std(noise))


def make_land(
    width: int,
    height: int,
    parts: Sequence[str] = ("ridge", "trees", "house", "water"),
    share: float = 0.3,
    light: float = 0.15,
    detail: float = 0.35,
    seed: int = 7,
) -> Land:
    """Draw the land.

    Parameters
    ----------
    parts : of ridge, trees, house, water
    share : of the frame's height that the ridge takes, about
    light : of the ground over that of the sky
    detail : contrast of its texture
    """
    rng = np.random.default_rng([seed, 1])
    rows, columns = height + 2 * MARGIN, width + 2 * MARGIN
    big = Image.new("L", (columns * FINE, rows * FINE), 0)
    draw = ImageDraw.Draw(big)
    x = np.arange(columns * FINE)
    line = np.full(len(x), float(height * (1 - share) + MARGIN))
    for k in range(1, 14):
        line += height * 0.035 / k**1.1 * rng.normal() * np.sin(2 * np.pi * k * x / len(x) + rng.uniform(0, 7))
    line += 0.4 * ndimage.gaussian_filter1d(rng.normal(size=len(x)), FINE) * FINE
    if "ridge" in parts:
        outline = [
            (0, rows * FINE),
            *zip(x[::2].tolist(), (line[::2] * FINE).tolist(), strict=True),
            (len(x), rows * FINE),
        ]
        draw.polygon(outline, fill=255)
    window = None
    if "trees" in parts:
        for at in (0.12, 0.17, 0.23, 0.78):
            foot = (at * columns, float(line[int(at * columns * FINE)]) + 4)
            _tree(draw, foot, height * rng.uniform(0.13, 0.2), rng)
    if "house" in parts:
        left, base = 0.52 * columns, float(line[int(0.55 * columns * FINE)]) + 10
        w, h = 0.08 * columns, 0.09 * height
        f = FINE
        draw.rectangle([left * f, (base - h) * f, (left + w) * f, (base + 20) * f], fill=255)
        roof = [(left - 0.1 * w, base - h), (left + 0.5 * w, base - 1.6 * h), (left + 1.1 * w, base - h)]
        draw.polygon([(a * f, b * f) for a, b in roof], fill=255)
        window = (left + 0.3 * w, base - 0.7 * h, left + 0.55 * w, base - 0.35 * h)
    opaque = np.asarray(big, float).reshape(rows, FINE, columns, FINE).mean(axis=(1, 3)) / 255
    opaque = np.asarray(ndimage.gaussian_filter(opaque, BLUR))
    tint = np.array([0.8, 1.0, 0.7])
    surface = np.clip(1 + detail * _texture((rows, columns), rng, 9.0), 0.15, None)
    surface = np.asarray(ndimage.gaussian_filter(surface, BLUR))
    glow = light * surface[..., None] * tint
    if window is not None:
        lit = Image.new("L", (columns * FINE, rows * FINE), 0)
        ImageDraw.Draw(lit).rectangle([v * FINE for v in window], fill=255)
        shine = np.asarray(lit, float).reshape(rows, FINE, columns, FINE).mean(axis=(1, 3)) / 255
        glow = glow + ndimage.gaussian_filter(shine, BLUR)[..., None] * np.array([9.0, 5.0, 1.8])
    water = np.zeros((rows, columns))
    mirror = None
    if "water" in parts:
        shore = float(np.quantile(line, 0.9)) + 0.06 * height
        mirror = shore - MARGIN
        water = np.clip(np.arange(rows)[:, None] - shore, 0, 1) * np.ones(columns)
    return Land(opaque, glow, water, mirror)


def _tree(draw: ImageDraw.ImageDraw, foot: tuple[float, float], high: float, rng: np.random.Generator) -> None:
    """A bare tree: a trunk that divides six times, down to twigs of less than a pixel."""

    def branch(x: float, y: float, angle: float, length: float, thick: float, depth: int) -> None:
        ex, ey = x + length * np.sin(angle), y - length * np.cos(angle)
        draw.line([(x * FINE, y * FINE), (ex * FINE, ey * FINE)], fill=255, width=max(1, round(thick * FINE)))
        if depth == 0:
            return
        for _ in range(2 + int(rng.random() < 0.3)):
            branch(ex, ey, angle + rng.normal(0, 0.42), length * rng.uniform(0.6, 0.85), thick * 0.62, depth - 1)

    branch(foot[0], foot[1], rng.normal(0, 0.05), high * 0.3, high * 0.045, 6)


@dataclass
class Nightscape:
    """Frames of a scenario of sky alone with land put before it.

    `shifts` : (n, 2) px by which the ground lies further right and down than in frame 0 (from the mount's creep).
    """

    scenario: Scenario
    land: Land
    visits: dict[int, Any] = field(default_factory=dict)  # by frame: a function that changes (image, hidden) in place

    def shift(self, index: int) -> tuple[float, float]:
        """Where the ground lies against frame 0, px, at the picture's middle."""
        here = self.scenario.attitude(index, self.scenario.middle(index))
        first = self.scenario.attitude(0, self.scenario.middle(0))
        ground = here @ self.scenario.turning.horizon(self.scenario.middle(index)).T
        start = first @ self.scenario.turning.horizon(self.scenario.middle(0)).T
        ahead = ground @ start.T @ np.array([0.0, 0.0, 1.0])
        f = self.scenario.optics.focal_px
        return float(f * ahead[0] / ahead[2]), float(f * ahead[1] / ahead[2])

    def truth(self, index: int) -> tuple[Floats, Floats]:
        """Hidden share and, where all is hidden, the expected electrons of red, green and blue."""
        size = (self.scenario.optics.height, self.scenario.optics.width)
        opaque, light, water = self.land.at(*self.shift(index), size)
        return np.maximum(opaque, water), light * self._unit(index)

    def _unit(self, index: int) -> float:
        cached = getattr(self, "_units", None)
        if cached is None:
            cached = self._units = {}
        if index not in cached:
            image, _, _ = self.scenario.light(index)
            h, w = image.shape
            cached[index] = float(np.median(image[h // 2 - 32 : h // 2 + 32 : 2, w // 2 - 31 : w // 2 + 33 : 2]))
        return cached[index]

    def mosaic(self, index: int) -> NDArray[np.uint16]:
        """One raw frame."""
        scenario = self.scenario
        image, _, _ = scenario.light(index)
        h, w = image.shape
        if not hasattr(self, "_units"):
            self._units = {}
        unit = self._units.setdefault(
            index, float(np.median(image[h // 2 - 32 : h // 2 + 32 : 2, w // 2 - 31 : w // 2 + 33 : 2]))
        )
        opaque, light, water = self.land.at(*self.shift(index), (h, w))
        own = np.empty((h, w))
        for n, c in enumerate(scenario.sensor.cfa):
            own[n // 2 :: 2, n % 2 :: 2] = light[n // 2 :: 2, n % 2 :: 2, "RGB".index(c)]
        picture = image * (1 - opaque) + own * unit * opaque
        if self.land.mirror is not None:
            shore = self.land.mirror + self.shift(index)[1]
            # a row and its mirror image of the same parity, so that colours stay
            rows = np.clip(
                2 * np.round((2 * shore - np.arange(h)) / 2 - np.arange(h) % 2 / 2) + np.arange(h) % 2, 0, h - 1
            )
            seen = image[rows.astype(int)]
            calm = np.stack([seen[:, c::2] for c in (0, 1)])
            calm = ndimage.gaussian_filter1d(calm, 0.8, axis=2)
            seen = np.empty_like(seen)
            seen[:, 0::2], seen[:, 1::2] = calm[0], calm[1]
            picture = picture * (1 - water) + 0.45 * seen * water
        if index in self.visits:
            self.visits[index](picture, unit)
        scene_rng = np.random.default_rng([scenario.seed, index, 0])
        drift = float(scene_rng.normal(0, scenario.drift_adu))
        return expose(
            picture.astype(np.float32),
            scenario.sensor,
            scenario.exposure_s,
            scenario.temperature(index),
            scene_rng,
            drift,
        )


def nightscape(
    parts: Sequence[str] = ("ridge", "trees", "house", "water"), visits: Any = None, **settings: Any
) -> Nightscape:
    """A nightscape from a few words; `settings` go to `make_scenario` and, where it knows them, to `make_land`."""
    drawn = {k: settings.pop(k) for k in ("share", "light", "detail") if k in settings}
    scenario = make_scenario(**{"altitude_deg": 22.0, "interval_s": 60.0, **settings})
    land = make_land(scenario.optics.width, scenario.optics.height, parts, **drawn)
    return Nightscape(scenario, land, visits or {})


def pipeline_geometry(scenario: Scenario, count: int, reference: int) -> Geometry:
    """The exact geometry of the scenario's frames as registration would give it (its refraction apart)."""
    optics = scenario.optics
    camera = Camera(
        optics.focal_px, *optics.centre, optics.lens.radial, optics.lens.tangential, optics.width, optics.height
    )
    frames = {}
    for index in range(count):
        truth = scenario.geometry(index)
        frames[frame_ids(count)[index]] = Placement(np.array(truth.quaternion), 0.05, 500, 1.0, 0.0)
    return Geometry(frame_ids(count)[reference], True, camera, frames, velocity=scenario.turning.velocity)


def write_nightscape(folder: Path, night: Nightscape, count: int) -> dict[str, NDArray[np.float64]]:
    """Write the frames' mosaics; the stars found in each: x, y, flux."""
    stars = {}
    for index, name in enumerate(frame_ids(count)):
        pixels = night.mosaic(index)
        sensor = night.scenario.sensor
        header = MosaicHeader(
            name, sensor.cfa, sensor.black, float(sensor.saturation), night.scenario.exposure_s, 1600,
            white_balance=(1.9, 1.0, 1.6),
        )  # fmt: skip
        write_mosaic(folder / f"{name}.fits", pixels, header)
        found = measure_mosaic(pixels, sensor.cfa, sensor.black, float(sensor.saturation))
        stars[name] = np.stack([found["x"], found["y"], found["flux"]], axis=1)
    return stars
