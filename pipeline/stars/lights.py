"""What drew a streak: the profile of its light along the line, its flashes, its ends."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from pipeline.stars.detect import Detections
from pipeline.stars.streaks import Streak

BESIDE = 6  # half-size px to either side of the line that are looked at
CORE = 3  # ... and that the light of the line is summed over
FLASH_TIMES = 3.0  # the line's own light; an aircraft's strobes stand ten times and more above its lamps
FLASH_SIGMA = 6.0
FLASHES_MIN = 3
PARTS = 10  # of the line, for its course of brightness; medians in each leave flashes and stars out
UNEVEN = 1.5  # a satellite's light changes by less along its line
TAPERING = 0.6  # a meteor's dimmer end, over its brightest part; of satellites 0.64 and more
METEOR_LENGTH = 0.3  # of the frame's diagonal
EDGE = 24.0  # px from the frame's edge: a line that ends here goes on outside
# Of a faint line the search finds a piece: what lies before and behind it is measured.
BEYOND = (4, 40)  # half-size px past an end that are looked at: the end itself is found to a few px
GOES_ON = 0.35  # of the line's typical light
GOES_ON_SIGMA = 3.0


@dataclass(frozen=True)
class Light:
    """The light of one streak.

    `width_px` : FWHM across, px of the mosaic; `brightness` : ADU above sky in green summed across, a px of its length;
    `flashes` : number of points far brighter than the line, those of chance stars taken off; `uneven` : brightest tenth
    of the line over its median; `tapering` : the dimmer end over the brightest tenth; `ends_inside` : 0, 1 or 2; an end
    beyond which the light goes on is none.
    """

    width_px: float = 0.0
    brightness: float = 0.0
    flashes: int = 0
    uneven: float = 1.0
    tapering: float = 1.0
    ends_inside: int = 0

    def as_dict(self) -> dict[str, float]:
        """Rounded figures for a file."""
        return {key: round(float(value), 2) for key, value in asdict(self).items()}


def light_of(found: Detections, streak: Streak) -> Light:
    """Measure the light along a streak.

    Parameters
    ----------
    found : of the half-size image
    streak : one of `find_streaks`
    """
    height, width = found.residual.shape
    x1, y1, x2, y2 = (value / 2 for value in (streak.x1, streak.y1, streak.x2, streak.y2))
    length = max(math.hypot(x2 - x1, y2 - y1), 1.0)
    direction = (x2 - x1) / length, (y2 - y1) / length
    strip = _strip(found.residual, (x1, y1), direction, np.arange(0.0, length))
    profile = _course(strip)
    # the ends that were found are a few px off the line's: it is followed where it lies
    middle = int(np.argmax(np.convolve(profile, np.ones(3), "same")[1:-1])) + 1
    lane = slice(max(0, middle - CORE), middle + CORE + 1)
    core = strip[:, lane]
    parts = [float(np.median(part.sum(axis=1))) for part in np.array_split(core, PARTS) if len(part)]
    typical, brightest = float(np.median(parts)), max(parts)
    height_of = np.max(core, axis=1)
    line = float(np.median(height_of))
    floor = max(FLASH_TIMES * line, line + FLASH_SIGMA * found.noise)
    flashing = height_of > floor
    number = int(np.sum(flashing[1:] & ~flashing[:-1])) + int(flashing[0])
    by_chance = np.sum(found.objects["peak"] > floor / 2) / (height * width) * core.size
    past = np.arange(float(BEYOND[0]), BEYOND[1])
    scatter = GOES_ON_SIGMA * 1.25 * found.noise * math.sqrt(core.shape[1] / len(past))
    ends = 0
    for (px, py), outward in (((x1, y1), -past), ((x2, y2), past)):
        inside = EDGE / 2 < px < width - EDGE / 2 and EDGE / 2 < py < height - EDGE / 2
        beyond = float(np.median(_strip(found.residual, (px, py), direction, outward)[:, lane].sum(axis=1)))
        ends += inside and not beyond > max(GOES_ON * typical, scatter)
    return Light(
        width_px=_width(profile),
        brightness=2 * typical,
        flashes=max(0, round(number - by_chance)) if number > 3 * by_chance else 0,
        uneven=brightest / max(typical, 1e-3) if brightest > 0 else 1.0,
        tapering=max(0.0, min(parts[0], parts[-1])) / max(brightest, 1e-3),
        ends_inside=int(ends),
    )


def _strip(
    image: NDArray[np.float32], start: tuple[float, float], direction: tuple[float, float], along: NDArray[np.float64]
) -> NDArray[np.float64]:
    """The image beside a line: a row a point `along` it from `start`, a column a px across it."""
    across = np.arange(-BESIDE, BESIDE + 1.0)
    x = start[0] + along[:, None] * direction[0] - across[None] * direction[1]
    y = start[1] + along[:, None] * direction[1] + across[None] * direction[0]
    return np.asarray(map_coordinates(image, [y, x], order=1, mode="constant"), np.float64)


def _course(strip: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median profile across the line."""
    profile = np.median(strip, axis=0)
    return np.asarray(profile - np.median(np.sort(profile)[: len(profile) // 2]), np.float64)


def _width(profile: NDArray[np.float64]) -> float:
    """Full width of a profile at half its height, px of the mosaic."""
    top = float(profile.max())
    if top <= 0:
        return 0.0
    middle = int(np.argmax(profile))
    sides = []
    for side in (profile[middle::-1], profile[middle:]):
        below = np.flatnonzero(side < top / 2)
        if len(below) == 0:
            sides.append(float(len(side)))
            continue
        k = int(below[0])
        sides.append(k - (top / 2 - side[k]) / max(side[k - 1] - side[k], 1e-9))
    return 2 * sum(sides)


def kind_of(light: Light, length_px: float, diagonal_px: float, goes_on: bool) -> str:
    """What drew a streak, as far as its pixels say.

    Parameters
    ----------
    light : its light
    length_px, diagonal_px : its length and that of the frame
    goes_on : whether the frame before or after has a streak farther along the same line

    Returns
    -------
    `aircraft` (it flashes), `satellite` (goes on, or is steady and long), `meteor` (in one frame only, both ends
    inside, not long, brightening and fading), or `unknown`
    """
    if light.flashes >= FLASHES_MIN:
        return "aircraft"
    if goes_on:
        return "satellite"
    fades = light.tapering < TAPERING
    if light.ends_inside == 2 and length_px < METEOR_LENGTH * diagonal_px and fades:
        return "meteor"
    if light.uneven <= UNEVEN and (light.ends_inside < 2 or length_px > METEOR_LENGTH * diagonal_px):
        return "satellite"
    return "unknown"
