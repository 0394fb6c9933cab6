"""Scenes of planted frames for the tests of combination: mosaics whose every photon is known, and where they lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from pipeline.sensor.mosaic import MosaicHeader, colour_planes, write_mosaic

BLACK = 512.0
SATURATION = 16383.0


@dataclass(frozen=True)
class Place:
    """A frame's shift (px), turn about the middle (rad), and brightness against the reference."""

    dx: float = 0.0
    dy: float = 0.0
    turn: float = 0.0
    transparency: float = 1.0

    @property
    def flux_scale(self) -> float:
        return 1.0 / self.transparency


@dataclass(frozen=True)
class PlantedGeometry:
    """Stands for a scene's geometry: plain shifts and turns."""

    reference: str
    frames: dict[str, Place]
    shape: tuple[int, int]
    solved: bool = False
    colour_shift: dict[str, float] = field(default_factory=dict)  # px along x, of red and blue

    def from_reference(self, frame_id: str, x: Any, y: Any, colour: str = "G") -> tuple[Any, Any]:
        """Where in a frame the reference's pixel lies."""
        place = self.frames[frame_id]
        cx, cy = (self.shape[1] - 1) / 2, (self.shape[0] - 1) / 2
        u, v = np.asarray(x, float) - cx, np.asarray(y, float) - cy
        c, s = np.cos(place.turn), np.sin(place.turn)
        return self.from_green(frame_id, cx + c * u - s * v + place.dx, cy + s * u + c * v + place.dy, colour)

    def from_green(self, _frame_id: str, x: Any, y: Any, colour: str) -> tuple[Any, Any]:
        """Where another colour shows what green shows."""
        return x + self.colour_shift.get(colour, 0.0), y


@dataclass(frozen=True)
class Stars:
    """Positions in the reference (px) and electrons in red, green and blue, (n, 3)."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    electrons: NDArray[np.float64]


def random_stars(rng: np.random.Generator, count: int, shape: tuple[int, int], margin: float = 12.0) -> Stars:
    """Stars of 1,000 to 60,000 electrons with colours of their own, anywhere in the frame."""
    bright = 10 ** rng.uniform(3.0, 4.8, count)
    colour = np.stack([rng.uniform(0.5, 1.5, count), np.ones(count), rng.uniform(0.5, 1.5, count)], axis=1)
    return Stars(
        rng.uniform(margin, shape[1] - 1 - margin, count),
        rng.uniform(margin, shape[0] - 1 - margin, count),
        bright[:, None] * colour,
    )


def add_star(image: NDArray[np.float64], x: float, y: float, total: float, fwhm: float) -> None:
    """Add a Gaussian star integrated over pixels."""
    reach = int(np.ceil(3 * fwhm)) + 1
    i0, j0 = max(round(y) - reach, 0), max(round(x) - reach, 0)
    i1, j1 = min(round(y) + reach + 1, image.shape[0]), min(round(x) + reach + 1, image.shape[1])
    if i0 >= i1 or j0 >= j1:
        return
    s = fwhm / 2.3548 * np.sqrt(2)
    down = np.diff(erf((np.arange(i0, i1 + 1) - 0.5 - y) / s)) / 2
    across = np.diff(erf((np.arange(j0, j1 + 1) - 0.5 - x) / s)) / 2
    image[i0:i1, j0:j1] += total * np.outer(down, across)


@dataclass(frozen=True)
class Camera:
    """The sensor: electrons to ADU, read noise (electrons), sky (electrons a pixel in red, green, blue)."""

    cfa: str = "RGGB"
    gain: float = 1.5  # electrons per ADU
    read_noise: float = 4.0
    sky: tuple[float, float, float] = (300.0, 500.0, 350.0)
    slope: float = 0.3  # of the sky's glow across the frame, fixed to the ground
    vignetting: float = 0.0  # light lost in the corner
    fwhm: float = 2.6


def expose(
    rng: np.random.Generator,
    camera: Camera,
    geometry: PlantedGeometry,
    frame: str,
    stars: Stars | None = None,
    extra: NDArray[np.float64] | None = None,
    dark: NDArray[np.float64] | None = None,
) -> NDArray[np.uint16]:
    """One raw mosaic. `extra` are electrons added to every colour, `dark` is in ADU."""
    height, width = geometry.shape
    place = geometry.frames[frame]
    y, x = np.mgrid[0:height, 0:width]
    u, v = 2 * x / (width - 1) - 1, 2 * y / (height - 1) - 1
    lens = 1 - camera.vignetting * (u**2 + v**2) / 2
    light = np.zeros((height, width))
    offsets = colour_planes(camera.cfa)
    for number, name in enumerate("RGB" if camera.cfa != "MONO" else "G"):
        which = number if camera.cfa != "MONO" else 1
        plane = camera.sky[which] * (1 + camera.slope * (0.7 * v + 0.3 * u))
        if stars is not None:
            sky = np.zeros((height, width))
            xs, ys = geometry.from_reference(frame, stars.x, stars.y, name)
            for sx, sy, total in zip(xs, ys, stars.electrons[:, which], strict=True):
                add_star(sky, sx, sy, total * place.transparency, camera.fwhm)
            plane = plane + sky
        if extra is not None:
            plane = plane + extra
        for i, j in offsets[name]:
            light[i::2, j::2] = (plane * lens)[i::2, j::2]
    return read_out(rng, camera, light, dark)


def read_out(
    rng: np.random.Generator, camera: Camera, light: NDArray[np.float64], dark: NDArray[np.float64] | None = None
) -> NDArray[np.uint16]:
    """The mosaic of so many electrons a pixel: photon and read noise, gain, black level; `dark` is in ADU."""
    electrons = rng.poisson(light) + rng.normal(0, camera.read_noise, light.shape)
    level = BLACK + electrons / camera.gain + (0 if dark is None else dark)
    return np.clip(np.round(level), 0, SATURATION).astype(np.uint16)


def header(camera: Camera, frame: str) -> MosaicHeader:
    """What the camera says of its frame."""
    return MosaicHeader(
        frame=frame,
        cfa=camera.cfa,
        black=(BLACK,) * 4,
        saturation=SATURATION,
        exposure_s=30.0,
        iso=1600,
        taken="2026-08-14T22:15:03.000",
        camera="planted",
        white_balance=(2.0, 1.0, 1.5),
        xyz_to_camera=(1.0, 0, 0, 0, 1.0, 0, 0, 0, 1.0),
    )


def frame_ids(count: int) -> list[str]:
    """Ids in order of time."""
    return [f"20260814T22{n // 60:02d}{n % 60:02d}-{n:08x}" for n in range(count)]


def write_scene(
    folder: Path,
    rng: np.random.Generator,
    camera: Camera,
    geometry: PlantedGeometry,
    stars: Stars | None = None,
    extras: dict[str, NDArray[np.float64]] | None = None,
    dark: NDArray[np.float64] | None = None,
) -> None:
    """Write every frame's mosaic."""
    for frame in geometry.frames:
        pixels = expose(rng, camera, geometry, frame, stars, (extras or {}).get(frame), dark)
        write_mosaic(folder / f"{frame}.fits", pixels, header(camera, frame))


def drifting(
    count: int, shape: tuple[int, int], step: Sequence[float] = (1.37, -0.71), turn: float = 0.0
) -> PlantedGeometry:
    """A sequence that drifts evenly; the middle frame is the reference."""
    ids = frame_ids(count)
    middle = count // 2
    places = {
        name: Place(step[0] * (n - middle), step[1] * (n - middle), turn * (n - middle)) for n, name in enumerate(ids)
    }
    return PlantedGeometry(ids[middle], places, shape)
