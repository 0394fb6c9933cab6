"""What spoils a night: faults of the camera and its holder, cloud, and lights that cross the field."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MOTION = ("kick", "slip", "wind", "stopped")
LIGHT = ("cloud", "haze", "headlights", "bright")
STREAKS = ("aircraft", "satellite", "meteor")
KINDS = (*MOTION, "defocus", *LIGHT, *STREAKS, "truncated")


@dataclass(frozen=True)
class Fault:
    """Something that happens to one frame.

    Parameters
    ----------
    kind : one of
        kick       the camera jumps by `severity` px during the exposure and rings for a moment
        slip       it drifts evenly by `severity` px over the exposure
        wind       it swings to and fro over `severity` px
        stopped    a tracker that does not track (severity unused)
        defocus    root mean square width of a star, `severity` times the sharp one (1.4: 40 % wider)
        cloud      a bank that takes `severity` (0-1) of the light over `share` of the field
        haze       `severity` (0-1) of the light lost everywhere
        headlights a beam across the lower part of the frame, `severity` times the sky at its brightest
        bright     the whole sky `severity` times as bright
        aircraft, satellite, meteor    a streak, `severity` times as bright as usual
        truncated  the file ends after `severity` (0-1) of its bytes
    share : of the field, for cloud
    angle_deg : direction, for motion (of the picture, 0 right, 90 down), streaks, and the wind that drives the cloud;
        None: drawn at random
    phase : where along its path a cloud bank stands, in widths of the frame, 0 the middle
    """

    kind: str
    severity: float = 1.0
    share: float = 0.5
    angle_deg: float | None = None
    phase: float = 0.0
    name: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)} (got {self.kind!r})")


def motion_of(fault: Fault, angle: float, when: float) -> tuple[Floats, Floats, Floats]:
    """How a shaken camera's picture moves during an exposure.

    Parameters
    ----------
    angle : radians
    when : share of the exposure at which a kick comes

    Returns
    -------
    time, dx, dy : (n,) moments as shares of the exposure, dense and even, and the picture's offset in px
    """
    time = (np.arange(2000) + 0.5) / 2000
    if fault.kind == "kick":
        since = np.maximum(time - when, 0)
        # rings at 3-4 % of an exposure's length, which dies out within a tenth of it; ends at the full offset
        path = (time > when) * (1 - np.exp(-since / 0.06) * np.cos(2 * np.pi * since / 0.11))
    elif fault.kind == "slip":
        path = time - 0.5
    else:
        path = 0.5 * np.sin(2 * np.pi * (3 * time + when))
    return time, fault.severity * path * np.cos(angle), fault.severity * path * np.sin(angle)


def waves(x: Floats, y: Floats, seed: list[int], scale: float, octaves: int = 5) -> Floats:
    """Smooth random field of unit variance, a sum of plane waves whose amplitude falls with frequency.

    Parameters
    ----------
    x, y : any shape, px
    scale : longest wave, px
    """
    rng = np.random.default_rng(seed)
    total = np.zeros(np.shape(x))
    power = 0.0
    for octave in range(octaves):
        for _ in range(5):
            angle, phase = rng.uniform(0, 2 * np.pi, 2)
            k = 2 * np.pi / scale * 1.9**octave * rng.uniform(0.75, 1.3)
            amplitude = 0.62**octave
            total += amplitude * np.sin(k * (x * np.cos(angle) + y * np.sin(angle)) + phase)
            power += amplitude**2 / 2
    return total / np.sqrt(power)


def cloud_transmission(
    fault: Fault, x: Floats, y: Floats, size: tuple[int, int], angle: float, seed: list[int]
) -> Floats:
    """Share of the light that passes, at (x, y) px; the bank's front lies across `angle`.

    Parameters
    ----------
    size : width, height, px
    """
    width, height = size
    if fault.kind == "haze":
        return np.full(np.shape(x), 1 - fault.severity)
    along = ((x - width / 2) * np.cos(angle) + (y - height / 2) * np.sin(angle)) / width
    span = abs(np.cos(angle)) + abs(np.sin(angle)) * height / width
    drifted_x, drifted_y = x - fault.phase * width * np.cos(angle), y - fault.phase * width * np.sin(angle)
    texture = waves(drifted_x, drifted_y, seed, 0.55 * width)
    front = (fault.share - 0.5) * span - along + 0.07 * texture
    thickness = np.clip(0.5 + front / 0.16, 0, 1)
    thickness = thickness**2 * (3 - 2 * thickness)
    # inside the bank it is uneven: optical depth varies by a fifth
    depth = -np.log(max(1 - fault.severity, 1e-3)) * (
        1 + 0.2 * np.tanh(waves(drifted_x, drifted_y, [*seed, 7], 0.3 * width))
    )
    return np.exp(-depth * thickness)


def headlight_beam(x: Floats, y: Floats, size: tuple[int, int], across: float) -> Floats:
    """Brightness (0-1) of a car's beam on mist and lens, from below: highest at (across * width, bottom)."""
    width, height = size
    dx, dy = (x / width - across), (height - y) / height
    return np.exp(-2.2 * dy) * (0.35 + 0.65 * np.exp(-0.5 * (dx / (0.18 + 0.35 * dy)) ** 2))


@dataclass(frozen=True)
class Streak:
    """Points of light along a line: position (green, px), electrons in R, G, B at each, sigma px; and its two ends."""

    x: Floats
    y: Floats
    electrons: Floats
    sigma: Floats
    ends: tuple[float, float, float, float]


# light per px of path of an ordinary streak, in units of the sky's noise times the star width: well visible
STREAK_SNR = {"aircraft": 6.0, "satellite": 4.0, "meteor": 12.0}


def streak(
    fault: Fault, size: tuple[int, int], angle: float, sky_noise: float, sigma: float, rng: np.random.Generator
) -> Streak:
    """A crossing light.

    Parameters
    ----------
    size : width, height, px
    angle : radians, of its course
    sky_noise : electrons rms of a green pixel of the frame's middle
    sigma : px, of a sharp star
    """
    width, height = size
    through = np.array([rng.uniform(0.2, 0.8) * width, rng.uniform(0.15, 0.7) * height])
    course = np.array([np.cos(angle), np.sin(angle)])
    reach = np.hypot(width, height)
    if fault.kind == "meteor":
        start, stop = -0.5 * rng.uniform(0.1, 0.2) * width, 0.5 * rng.uniform(0.1, 0.2) * width
    elif fault.kind == "satellite":
        start, stop = -rng.uniform(0.2, 0.9) * width, rng.uniform(0.2, 0.9) * width
    else:
        start, stop = -reach, reach
    path = np.arange(start, stop, 0.4)
    level = fault.severity * STREAK_SNR[fault.kind] * sky_noise * 0.4 * sigma * np.sqrt(2 * np.pi)
    share = np.linspace(0, 1, len(path))
    tint = np.array([1.0, 1.0, 1.0])
    if fault.kind == "meteor":
        light = level * 4 * share**1.5 * (1 - share) ** 0.35
        tint = np.array([0.75, 1.3, 0.9])
    elif fault.kind == "satellite":
        light = level * (0.75 + 0.25 * np.sin(np.pi * share + rng.uniform(0, 2)))
        tint = np.array([0.95, 1.0, 0.62])
    else:
        light = level * 0.35 * np.ones(len(path))
    x, y = through[0] + path * course[0], through[1] + path * course[1]
    electrons = light[:, None] * tint
    width_px = np.full(len(path), sigma)
    if fault.kind == "aircraft":
        normal = np.array([-course[1], course[0]])
        lanes = []
        for side, colour in ((-2.2, (1.0, 0.25, 0.12)), (2.2, (0.2, 1.0, 0.35))):  # the wings' lamps
            lanes.append((x + side * sigma * normal[0], y + side * sigma * normal[1], electrons * np.array(colour)))
        gap = rng.uniform(0.045, 0.07) * width
        flashes = np.arange(start + rng.uniform(0, gap), stop, gap)
        flashes = np.sort(np.concatenate([flashes, flashes + 0.18 * gap]))
        flash = np.tile(level * 40 * np.array([1.0, 1.0, 0.8]), (len(flashes), 1))
        lanes.append((through[0] + flashes * course[0], through[1] + flashes * course[1], flash))
        x, y = np.concatenate([lane[0] for lane in lanes]), np.concatenate([lane[1] for lane in lanes])
        electrons = np.concatenate([lane[2] for lane in lanes])
        width_px = np.concatenate([np.full(2 * len(path), sigma), np.full(len(flashes), 1.25 * sigma)])
    ends = (*(through + start * course), *(through + stop * course))
    return Streak(x, y, electrons, width_px, tuple(float(v) for v in ends))  # type: ignore[arg-type]
