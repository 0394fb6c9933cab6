"""Aircraft and satellites: long thin marks that are no star trails, bright ones by detection, faint ones by votes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.stats import poisson

from pipeline.stars.bars import find_bars
from pipeline.stars.blocks import ANGLES, BESIDE, BLOCK, farthest, flattened, free_means, line_sums, over_spread
from pipeline.stars.crowds import crowded, lines_in_crowds
from pipeline.stars.detect import Detections
from pipeline.stars.followed import follow
from pipeline.stars.lines import fullest_line, on_lines
from pipeline.stars.objects import axes

LENGTH_MIN = 24.0  # half-size px; shorter marks cannot be told from close pairs of stars
LENGTH_OF_STARS = 4.0  # times the length of the frame's own star images
WIDTH_MAX = 4.0  # half-size px, sigma across; an aircraft's glare is wider than its line, not than this
BAR_LENGTH = 30.0  # half-size px; rows of stars in the Milky Way reach 26
BARS_MOST = 200  # treetops make hundreds
AXIS_RATIO = 8.0  # rows of blended stars in the Milky Way reach 7
LINE_FILL = 0.5  # detected pixels for each half-size px of length; strings of separate stars fill less
JOIN_ANGLE = 3.0  # degrees; how well pieces of one streak line up over a fast wide lens
JOIN_ANGLE_SHORT = 10.0  # degrees; a star that lies on the end of a piece shorter than SHORT turns it by so much
SHORT = 160.0  # px
JOIN_OFFSET = 6.0  # half-size px off the line
FAINT_SIGMA = 2.0  # a block above this votes
VOTE_SIGMA = 8.0  # a line has this many standard deviations more votes than lines of its length have by chance
VOTES_MIN = 40
FAINT_COVER = 0.4  # share of a line's blocks that vote: 0.02 by chance, 0.5 and more on a line of 2 sigma
UPRIGHT = 0.02  # sine of the angle to a row or column within which faint lines are defects and edges, not streaks
# The brightest detections, among which an aircraft's strobes are; of the fewer chance puts fewer on a line.
FLASH_POINTS = 75, 300
FLASH_WITHIN = 1.5  # half-size px off their line
KNOWN_WITHIN = 4.0  # half-size px off a streak's line, that are its own light
FLASHES_MIN = 8
FLASH_GAP = 5.0  # times the usual step from one to the next
FLASH_ALIKE = 0.5  # of the logarithm of their height about the usual one's: the lens's falloff; stars differ by more
FLASH_CHANCE = 1e-9  # of so many chance places on one line; a frame has some 1e5 lines, and stars stand in groups
FOLLOWED_MAX = 12  # of the longest; clouds and treetops make many
SHARE_MAX = 0.2  # of the blocks may vote; clouds and treetops beyond that hide any line


@dataclass(frozen=True)
class Streak:
    """One streak from (x1, y1) to (x2, y2), px of the mosaic; `signal` is its mean height over the noise of a pixel."""

    x1: float
    y1: float
    x2: float
    y2: float
    signal: float

    @property
    def length(self) -> float:
        """Length in px."""
        return math.hypot(self.x2 - self.x1, self.y2 - self.y1)

    def as_dict(self) -> dict[str, float]:
        """Rounded figures for a file."""
        return {key: round(float(value), 1) for key, value in asdict(self).items()}


def find_streaks(found: Detections) -> list[Streak]:
    """Streaks of a frame, longest first.

    Parameters
    ----------
    found : what `detect` gave for the half-size image
    """
    marks, bars = _long_marks(found), _bars(found)
    lines = _faint_lines(found)
    if crowded(found):
        known = np.array([[s.x1, s.y1, s.x2, s.y2] for s in marks + lines]).reshape(-1, 4)
        lines += [_of_blocks(*line) for line in lines_in_crowds(found, ((known - 0.5) / 2 - (BLOCK - 1) / 2) / BLOCK)]
    # a short piece's own line lies askew, and would take strobes far off for its own
    lines = _join(marks + bars + lines)
    pieces = _longest_first(_join(lines + _flashes(found, lines)))
    whole = [_followed(found, piece) for piece in pieces[:FOLLOWED_MAX]]
    return _longest_first(_join(whole + pieces[FOLLOWED_MAX:]))


def _longest_first(streaks: list[Streak]) -> list[Streak]:
    return sorted(streaks, key=lambda s: (-s.length, s.x1, s.y1))


def _followed(found: Detections, streak: Streak) -> Streak:
    """The streak with its ends where its light ends."""
    ends = follow(found, ((streak.x1 - 0.5) / 2, (streak.y1 - 0.5) / 2, (streak.x2 - 0.5) / 2, (streak.y2 - 0.5) / 2))
    x1, y1, x2, y2 = (2 * value + 0.5 for value in ends)
    return Streak(x1, y1, x2, y2, streak.signal)


def _least_length(found: Detections) -> float:
    """Length from which a line is no image of a star, half-size px."""
    bright = np.argsort(-found.objects["flux"], kind="stable")[:300]
    # an even line of length l has a standard deviation of l / sqrt(12) along itself
    typical = math.sqrt(12) * float(np.median(axes(found.objects[bright])[0]))
    return max(LENGTH_MIN, LENGTH_OF_STARS * typical)


def _bars(found: Detections) -> list[Streak]:
    """Lines lit all along, with the stars that they run together with."""
    if len(found.objects) == 0:
        return []
    bars, heights = find_bars(found, max(_least_length(found), BAR_LENGTH), BARS_MOST)
    ends = (2 * bars + 0.5).tolist()
    return [
        Streak(x1, y1, x2, y2, float(height / found.noise))
        for (x1, y1, x2, y2), height in zip(ends, heights, strict=True)
    ]


def _long_marks(found: Detections) -> list[Streak]:
    """Detections that are long, thin, filled, and longer than the stars of the frame."""
    objects = found.objects
    if len(objects) == 0:
        return []
    along, across, angle = axes(objects)
    length = math.sqrt(12) * along
    limit = _least_length(found)
    thin = (across < WIDTH_MAX) & (along > AXIS_RATIO * across)
    # a defective column is exactly upright and one pixel wide
    upright = (np.abs(np.abs(angle) - math.pi / 2) < 0.02) | (np.abs(angle) < 0.02)
    column = upright & (across < 0.45)
    chosen = np.flatnonzero((length > limit) & thin & ~column & (objects["npix"] > LINE_FILL * length))
    reach = math.sqrt(3) * along
    return [
        Streak(
            2 * (objects["x"][n] - reach[n] * math.cos(angle[n])) + 0.5,
            2 * (objects["y"][n] - reach[n] * math.sin(angle[n])) + 0.5,
            2 * (objects["x"][n] + reach[n] * math.cos(angle[n])) + 0.5,
            2 * (objects["y"][n] + reach[n] * math.sin(angle[n])) + 0.5,
            float(objects["flux"][n] / objects["npix"][n] / found.noise),
        )
        for n in chosen
    ]


def _flashes(found: Detections, known: Sequence[Streak]) -> list[Streak]:
    """The line of an aircraft's strobes, whose lamps between them may be too faint: far more bright points on one
    straight line than chance puts on any. What lies on the lines of `known` streaks are pieces of those."""
    objects = found.objects
    lines = np.array([[s.x1, s.y1, s.x2, s.y2] for s in known]).reshape(-1, 4)
    objects = objects[~on_lines(objects["x"], objects["y"], (lines - 0.5) / 2, KNOWN_WITHIN)]
    objects = objects[np.argsort(-objects["peak"], kind="stable")]
    for number in FLASH_POINTS:
        line = _row_of_points(objects[:number], found)
        if line is not None:
            return [line]
    return []


def _row_of_points(bright: NDArray[Any], found: Detections) -> Streak | None:
    """The fullest line of points, as far as it is filled; None where chance fills lines so."""
    if len(bright) < FLASHES_MIN:
        return None
    x, y = np.asarray(bright["x"], np.float64), np.asarray(bright["y"], np.float64)
    line, _ = fullest_line(x, y, 2 * FLASH_WITHIN)
    on = on_lines(x, y, line, FLASH_WITHIN)
    direction = np.array([line[0, 2] - line[0, 0], line[0, 3] - line[0, 1]]) / 2
    along = (x - line[0, 0]) * direction[0] + (y - line[0, 1]) * direction[1]
    # one lamp makes them all alike, as stars on a line are not; a star far off on it is none of them either
    height = np.log(np.asarray(bright["peak"], np.float64))
    alike = np.abs(height - np.median(height[on])) < FLASH_ALIKE
    on &= alike
    order = np.flatnonzero(on)[np.argsort(along[on], kind="stable")]
    steps = np.diff(along[order])
    runs = np.split(order, np.flatnonzero(steps > FLASH_GAP * np.median(steps)) + 1) if len(steps) else [order]
    chosen = max(runs, key=len)
    span = float(np.ptp(along[chosen])) if len(chosen) else 0.0
    area = found.residual.shape[0] * found.residual.shape[1]
    chance = alike.sum() * 2 * FLASH_WITHIN * span / area
    if len(chosen) < FLASHES_MIN or poisson.sf(len(chosen) - 1, chance) > FLASH_CHANCE or span < LENGTH_MIN:
        return None
    ends = np.array([[line[0, 0], line[0, 1]]]) + np.outer([along[chosen].min(), along[chosen].max()], direction)
    (x1, y1), (x2, y2) = 2 * ends + 0.5
    return Streak(float(x1), float(y1), float(x2), float(y2), float(np.median(bright["peak"][chosen]) / found.noise))


@lru_cache(maxsize=2)
def _chord_shares(height: int, width: int) -> NDArray[np.float64]:
    """Length inside the picture of the lines x cos + y sin = offset over what it is on average of the `BESIDE` parallel
    ones about, (angles, offsets); the same for every frame."""
    reach = farthest(height, width)
    angles, offsets = np.arange(ANGLES) * math.pi / ANGLES, np.arange(-reach, reach + 1)
    cosine, sine = np.cos(angles)[:, None], np.sin(angles)[:, None]
    low = np.full((len(angles), len(offsets)), -1e9)
    high = -low
    # points of a line: offset (cos, sin) + t (-sin, cos)
    for base, slope, size in ((offsets * cosine, -sine, width), (offsets * sine, cosine, height)):
        with np.errstate(divide="ignore", invalid="ignore"):
            ends = np.stack([(-0.5 - base) / slope, (size - 0.5 - base) / slope])
        level = np.abs(slope) < 1e-9
        outside = level & ((base < -0.5) | (base > size - 0.5))
        low = np.where(level, low, np.maximum(low, ends.min(axis=0)))
        high = np.where(outside, -1e9, np.where(level, high, np.minimum(high, ends.max(axis=0))))
    inside = np.maximum(high - low, 0.0)
    return inside / np.maximum(uniform_filter1d(inside, BESIDE, axis=1), 1)


def _faint_lines(found: Detections) -> list[Streak]:
    """Lines across the frame too faint for a detection, from means of 4 x 4 px with the detections left out."""
    height, width = (n // BLOCK for n in found.residual.shape)
    if min(height, width) < 30:
        return []
    blocks, spread = flattened(free_means(found.residual, found.segments))
    rows, columns = np.nonzero(over_spread(blocks, spread) > FAINT_SIGMA)
    if len(rows) < VOTES_MIN or len(rows) > SHARE_MAX * max(1, int(np.isfinite(blocks).sum())):
        return []
    offset = farthest(height, width)
    votes = line_sums(rows, columns, np.ones(len(rows)), (height, width))
    # what parallel lines nearby hold: treetops and star clouds vote for all of them
    expected = uniform_filter1d(votes, BESIDE, axis=1) * _chord_shares(height, width)
    excess = (votes - expected) / np.sqrt(np.maximum(expected, 4))
    lines: list[Streak] = []
    for _ in range(8):
        k, r = np.unravel_index(int(np.argmax(excess)), excess.shape)
        if excess[k, r] < VOTE_SIGMA or votes[k, r] < VOTES_MIN:
            break
        cosine, sine = math.cos(k * math.pi / ANGLES), math.sin(k * math.pi / ANGLES)
        near = np.abs(columns * cosine + rows * sine - (r - offset)) <= 1.0
        along = np.sort((rows * cosine - columns * sine)[near])
        first, last = _densest_stretch(along)
        beside = [
            int((np.abs(columns * cosine + rows * sine - (r - offset) - shift) <= 1.0).sum()) for shift in (-5, 5)
        ]
        upright = min(abs(cosine), abs(sine)) < UPRIGHT
        # an edge of the foreground is bright on one side as well
        if not upright and last - first > VOTES_MIN and near.sum() > 2 * max(beside):
            height_of = float(np.median(blocks[rows[near], columns[near]])) / found.noise
            lines.append(_of_blocks(float(r - offset), cosine, sine, first, last, height_of))
        window = (slice(max(0, k - 8), k + 9), slice(max(0, r - 12), r + 13))
        excess[window] = 0
    return lines


def _of_blocks(offset: float, cosine: float, sine: float, first: float, last: float, signal: float) -> Streak:
    """The streak on a line of blocks, from one place along it to another."""
    points = []
    for t in (first, last):
        column, row = offset * cosine - t * sine, offset * sine + t * cosine
        points += [2 * (BLOCK * column + (BLOCK - 1) / 2) + 0.5, 2 * (BLOCK * row + (BLOCK - 1) / 2) + 0.5]
    return Streak(points[0], points[1], points[2], points[3], signal)


def _densest_stretch(along: NDArray[np.float64]) -> tuple[float, float]:
    """The longest stretch of sorted positions that is filled to `FAINT_COVER` without a gap of 25 blocks."""
    if len(along) < 2:
        return 0.0, 0.0
    breaks = np.flatnonzero(np.diff(along) > 25)
    starts = np.concatenate([[0], breaks + 1])
    ends = np.concatenate([breaks, [len(along) - 1]])
    best = (0.0, 0.0)
    for a, b in zip(starts, ends, strict=True):
        length = along[b] - along[a]
        if length > best[1] - best[0] and (b - a + 1) > FAINT_COVER * length:
            best = (float(along[a]), float(along[b]))
    return best


def _join(pieces: list[Streak]) -> list[Streak]:
    """Put pieces on one line together."""
    pieces = sorted(pieces, key=lambda s: -s.length)
    joined: list[Streak] = []
    for piece in pieces:
        for n, whole in enumerate(joined):
            if _aligned(whole, piece):
                ends = [(whole.x1, whole.y1), (whole.x2, whole.y2), (piece.x1, piece.y1), (piece.x2, piece.y2)]
                ux, uy = (whole.x2 - whole.x1) / whole.length, (whole.y2 - whole.y1) / whole.length
                ends.sort(key=lambda e: e[0] * ux + e[1] * uy)
                joined[n] = Streak(*ends[0], *ends[-1], max(whole.signal, piece.signal))
                break
        else:
            joined.append(piece)
    return joined


def _aligned(whole: Streak, piece: Streak) -> bool:
    """Whether both ends of a piece lie on the line of a longer one; a star at its end may turn a short piece."""
    ux, uy = (whole.x2 - whole.x1) / whole.length, (whole.y2 - whole.y1) / whole.length
    turn = abs((piece.x2 - piece.x1) * uy - (piece.y2 - piece.y1) * ux) / piece.length
    if turn > math.sin(math.radians(JOIN_ANGLE_SHORT if piece.length < SHORT else JOIN_ANGLE)):
        return False
    for x, y in ((piece.x1, piece.y1), (piece.x2, piece.y2)):
        dx, dy = x - whole.x1, y - whole.y1
        along, across = dx * ux + dy * uy, abs(dx * uy - dy * ux)
        if across > 2 * JOIN_OFFSET + 0.02 * max(whole.length, along, whole.length - along):
            return False
    return True
