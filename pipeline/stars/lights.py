"""What drew a streak: the profile of its light along the line, its flashes, its ends."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from pipeline.stars.detect import Detections
from pipeline.stars.followed import light_along, strip_of
from pipeline.stars.streaks import BEYOND, HALF, Streak

BESIDE = 6  # half-size px to either side of the line that are looked at
FLASH_TIMES = 3.0  # the line's own light; an aircraft's strobes stand two to ten times and more above its lamps
FLASH_SIGMA = 6.0
# ... beside neighbours, where no star stands among an aircraft's strobes: on lines dimmer than so many standard
# deviations; on others so many times the line's course there, its median over so many half-size px.
DIM_SIGMA, DIM_LINE, FLASH_RISES, COURSE = 4.0, 3.0, 2.25, 81
FLASHES_MIN = 3
FLASHES_CHANCE = 5.0  # standard deviations more than stars alone make on lines beside it
LAMPS_APART = 4  # half-size px from the line of an aircraft's lamp to its strobes, where no star is taken for one
LANES_REACH, LANES_STEP, LANES_FROM = 40, 6, 10  # half-size px across: the lines beside it
# Parts of the line, for its course of brightness, each so many half-size px at least; medians in each leave flashes and
# stars out.
PARTS, PART_LEAST = 10, 9
UNEVEN = 1.5  # a satellite's light changes by less along its line
UNEVEN_ACROSS = 4.0  # ... over much of the frame, the lens's corners, haze and land on its way
TAPERING = 0.6  # a meteor's dimmer end, over its brightest part; of satellites 0.64 and more
METEOR_LENGTH = 0.3  # of the frame's diagonal, that few meteors reach: what is longer must flare
# ... below which an even line inside the frame may be the bright part of a meteor whose ends stars hide, or a lamp's
SHORT = 0.08
BEYOND_END, GOES_ON = 240, 0.35  # px looked at past either end; a meteor's light there, over its own, is less
BEYOND_WINDOW = 40  # ... in windows, whose medians count
EDGE = 24.0  # px from the frame's edge: a line that ends here goes on outside


@dataclass(frozen=True)
class Light:
    """The light of one streak.

    `width_px` : FWHM across, px of the mosaic; `brightness` : ADU above sky in green summed across, a px of its length;
    `flashes` : number of points far brighter than the line, those of chance stars taken off; `uneven` : brightest tenth
    of the line over its median; `tapering` : the dimmer end over the brightest tenth; `ends_inside` : 0, 1 or 2;
    `beyond` : light past the end where more of it goes on, over the line's median, 0 where that lies outside.
    """

    width_px: float = 0.0
    brightness: float = 0.0
    flashes: int = 0
    uneven: float = 1.0
    tapering: float = 1.0
    ends_inside: int = 0
    beyond: float = 0.0

    def as_dict(self) -> dict[str, float]:
        """Rounded figures for a file."""
        return {key: round(float(value), 2) for key, value in asdict(self).items()}


def light_of(found: Detections, streak: Streak, beside: Detections | None = None) -> Light:
    """Measure the light along a streak.

    Parameters
    ----------
    found : of the half-size image
    streak : one of `find_streaks`
    beside : what the frame shows beyond its neighbours, where it has any: there no star lies on the line
    """
    height, width = found.residual.shape
    (x1, y1), (x2, y2) = streak.ends(HALF).tolist()
    length = max(math.hypot(x2 - x1, y2 - y1), 1.0)
    direction = (x2 - x1) / length, (y2 - y1) / length
    wide = strip_of(found.residual, (x1, y1), direction, np.arange(length), LANES_REACH)
    strip = wide[:, LANES_REACH - BESIDE : LANES_REACH + BESIDE + 1]
    profile = _course(strip)
    # the ends that were found are a few px off the line's: it is followed where it lies
    middle = int(np.argmax(np.convolve(profile, np.ones(3), "same")[1:-1])) + 1
    number = int(np.clip(length / PART_LEAST, 1, PARTS))
    parts = _parts(found, streak, HALF, number)
    typical = float(np.median(parts))
    most = least = parts / max(typical, 1e-3)
    if beside is not None:
        other = _parts(beside, streak, BEYOND, number)
        other /= max(float(np.median(other)), 1e-3)
        # stars lift parts here, and hide them there
        most, least = np.maximum(most, other), np.minimum(least, other)
    brightest = float(least.max())
    line = LANES_REACH - BESIDE + middle
    if beside is None:
        flashes = _flashes(wide, line, FLASH_SIGMA * found.noise, 1)
    else:
        flashes = strobes(wide, _passing(beside, streak, wide.shape), line, found.noise)
    ends = sum(
        EDGE / 2 < px < width - EDGE / 2 and EDGE / 2 < py < height - EDGE / 2 for px, py in ((x1, y1), (x2, y2))
    )
    return Light(
        width_px=_width(profile),
        brightness=2 * typical,
        flashes=flashes,
        uneven=brightest if typical > 0 else 1.0,
        tapering=max(0.0, float(min(most[0], most[-1]))) / max(brightest, 1e-3),
        ends_inside=int(ends),
        beyond=_beyond(found, streak, HALF) if beside is None else _beyond(beside, streak, BEYOND),
    )


def _parts(seen: Detections, streak: Streak, step: int, number: int) -> NDArray[np.float64]:
    """Median light across each of so many parts of a streak, of a picture of `step` px of the mosaic a px."""
    first, last = streak.ends(step)
    length = max(float(np.hypot(*(last - first))), 1.0)
    direction = (last[0] - first[0]) / length, (last[1] - first[1]) / length
    light = light_along(seen, (first[0], first[1]), direction, np.arange(length), step)
    return np.array([np.median(part) for part in np.array_split(light, number)])


def _passing(beside: Detections, streak: Streak, shape: tuple[int, int]) -> NDArray[np.float64]:
    """What a frame shows about a streak beyond its neighbours, in standard deviations, as the half-size image has it
    beside the line."""
    first, last = streak.ends(BEYOND)
    direction = (last - first) / max(float(np.hypot(*(last - first))), 1e-9)
    times = BEYOND // HALF
    along = np.arange(float(math.ceil(shape[0] / times)))
    strip = strip_of(beside.residual, tuple(first), tuple(direction), along, LANES_REACH // times)
    return np.repeat(np.repeat(strip, times, axis=0), times, axis=1)[: shape[0], : shape[1]]


def strobes(wide: NDArray[np.float64], passing: NDArray[np.float64], line: int, noise: float) -> int:
    """How many flashes a line has by what its frame shows, and by what of that its neighbours do not.

    Parameters
    ----------
    wide : (n, lanes) float64 array, light along the line (rows) and beside it, ADU
    passing : array like `wide`, what is beyond the neighbours, in its own standard deviations
    line : the column of the line
    noise : of `wide`, ADU
    """
    beside = slice(line - 1, line + 2)
    if float(np.median(passing[:, beside].max(axis=1))) < DIM_LINE:
        return _flashes(passing, line, DIM_SIGMA, LAMPS_APART)
    # a star under the line takes from what passes, a strobe adds to it; between stars what passes stands out more, and
    # the line itself does not
    both = np.minimum(_over_course(wide, line), _over_course(passing, line))
    least = FLASH_SIGMA * noise / max(float(np.median(wide[:, line])), noise)
    return _flashes(both, line, least, LAMPS_APART, FLASH_RISES)


def _over_course(strip: NDArray[np.float64], middle: int) -> NDArray[np.float64]:
    """A strip over the line's own light as it swells and fades."""
    along = strip[:, middle - 1 : middle + 2].max(axis=1)
    course = median_filter(along, min(COURSE, len(along)), mode="nearest")
    return strip / np.maximum(course, max(0.2 * float(np.median(along)), 1e-3))[:, None]


def _beyond(seen: Detections, streak: Streak, step: int) -> float:
    """Light past the end where more of it goes on, over that of the line, both above what lies beside them there."""
    first, last = streak.ends(step)
    along = (last - first) / max(float(np.hypot(*(last - first))), 1.0)
    own = float(np.median(_parts(seen, streak, step, 1)))
    # stars beyond the end are shorter than a window
    past, windows = np.arange(float(BEYOND_END // step)), BEYOND_END // BEYOND_WINDOW
    on = max(
        float(np.mean(np.median(light_along(seen, tuple(end), tuple(way), past, step).reshape(windows, -1), axis=1)))
        for end, way in ((first, -along), (last, along))
    )
    return max(on, 0.0) / max(own, 1e-3)


def _flashes(wide: NDArray[np.float64], middle: int, least: float, about: int, times: float = FLASH_TIMES) -> int:
    """Points within `about` px of the line so many times as bright as it, by `least` more at the least, less those that
    stars make on lines beside it; 0 if not many more."""

    def number(column: int, floor: float) -> int:
        light = wide[:, max(column - about, 0) : column + about + 1].max(axis=1)
        # one flash ends where its light is half gone: noise on a meteor's flare makes many peaks
        up, down = light > floor, light < (floor + max(line, 0.0)) / 2
        up = up[up | down]
        return int(np.sum(up[1:] & ~up[:-1])) + int(up[:1].sum())

    line = float(np.median(wide[:, middle - 1 : middle + 2].max(axis=1)))
    lowest = max(times * line, line + least)
    lanes = [c for c in range(1, wide.shape[1] - 1, LANES_STEP) if abs(c - middle) >= LANES_FROM]
    # in a rich field only the brighter ones stand out by their number
    for floor in (lowest, 2 * lowest, 4 * lowest, 8 * lowest):
        # a star on the line stands on the line's own light
        by_chance = float(np.mean([number(lane, floor - max(line, 0.0)) for lane in lanes]))
        more = number(middle, floor) - by_chance
        if more > FLASHES_CHANCE * math.sqrt(by_chance):
            return round(more)
    return 0


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
    `aircraft` (it flashes), `satellite` (goes on, or is steady and not short, or long, or even and cut by the frame),
    `meteor` (in one frame only, both ends inside, brightening and fading, plainly where it is long, dark past either
    end), or `unknown`
    """
    if light.flashes >= FLASHES_MIN:
        return "aircraft"
    if goes_on:
        return "satellite"
    fades = light.tapering < TAPERING and light.beyond < GOES_ON
    long = length_px > METEOR_LENGTH * diagonal_px
    # of a faint satellite followed past its end, the end is dim as well, and no part bright
    if light.ends_inside == 2 and fades and (light.uneven > UNEVEN or not long):
        return "meteor"
    short = light.ends_inside == 2 and length_px < SHORT * diagonal_px
    steady = light.uneven <= UNEVEN and light.tapering >= TAPERING and not short
    if light.ends_inside < 2 and long and light.uneven <= UNEVEN_ACROSS:
        return "satellite"
    if steady or (light.uneven <= UNEVEN and (long or light.ends_inside < 2)):
        return "satellite"
    return "unknown"
