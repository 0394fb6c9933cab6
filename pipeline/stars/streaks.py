"""Aircraft, satellites, meteors: long thin marks that are no star trails, bright by detection, faint by votes.

They are looked for in what a frame shows beyond its neighbours (`beyond.beyond_neighbours`); of a frame without
neighbours in the frame itself, where only what stands alone is sure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import uniform_filter1d
from scipy.special import pdtrc

from pipeline.pixels.ordering import first_of
from pipeline.stars.beyond import STEP, Beyond, block_means
from pipeline.stars.blocks import ANGLES, BESIDE, BLOCK_PX, farthest, flattened, free_means, line_sums, over_spread
from pipeline.stars.detect import Detections
from pipeline.stars.followed import follow, is_edge, laid, strip_of
from pipeline.stars.lines import fullest_line, on_lines
from pipeline.stars.objects import axes

HALF, BEYOND = 2, STEP  # px of the mosaic to one of the half-size image, of what a frame shows beyond its neighbours


# What a detection of the frame alone must be, in px by its moments: close pairs of stars are shorter, rows of blended
# stars in the Milky Way reach ratios of length to width of 7, strings of separate stars fill less of their length.
ALONE_LENGTH, ALONE_WIDTH, ALONE_RATIO, ALONE_FILL = 48.0, 8.0, 8.0, 0.5
LENGTH_OF_STARS = 4.0  # times the length of the frame's own star images
# ... and one beside neighbours, to be followed: length, ratio, mean and sum over the noise.
PIECE_LENGTH, PIECE_RATIO, PIECE_HEIGHT, PIECE_SUM = 18.0, 2.0, 1.5, 25.0
# What follows from a piece is a streak if it is so long (px), its light so many standard deviations, more where it is
# short and neighbours tell poorly what stands there (trees in the wind leave short lines of up to 15) or the frame has
# many pieces, lit in so many of its parts, and beside it, from 6 to 14 px off, less light than this share: clouds leave
# 0.2 and more there, streaks and the glare of fireballs 0.1.
LENGTH_MIN, SURE, SURE_SHORT, LIT, FLANKS = 20.0, 8.0, 1000.0, 0.7, 0.15
PARTS, PART_SIGMA = 8, 1.5  # of its length, of which each is lit or not
JOIN_ANGLE = 3.0  # degrees; how well pieces of one streak line up over a fast wide lens
JOIN_ANGLE_SHORT = 10.0  # degrees; a star that lies on the end of a piece shorter than SHORT turns it by so much
SHORT = 160.0  # px
JOIN_OFFSET = 12.0  # px off the line
FAINT_SIGMA = 2.0  # a block above this votes
# A line has so many standard deviations more votes than lines of its length have by chance; what is found beside
# neighbours is looked at again.
VOTE_SIGMA = {HALF: 8.0, BEYOND: 6.0}
VOTES_MIN = {HALF: 40, BEYOND: 20}
# Share of a line's blocks that vote: 0.02 by chance, 0.5 and more on a line of 2 sigma.
FAINT_COVER = {HALF: 0.4, BEYOND: 0.2}
UPRIGHT = 0.02  # sine of the angle to a row or column within which faint lines are defects and edges, not streaks
# The brightest detections, among which an aircraft's strobes are; of the fewer chance puts fewer on a line.
FLASH_POINTS = {HALF: (75, 300), BEYOND: (75,)}
FLASH_WITHIN = 3.0  # px off their line
KNOWN_WITHIN = 8.0  # px off a streak's line, that are its own light
# What is brighter may be one; of so many chance places on one line (a frame has some 1e5 lines, and stars stand in
# groups). Beside neighbours dimmer and fewer ones do where lamps light the line between them.
FLASH_SIGMA, FLASH_CHANCE = 6.0, 1e-9
LAMP_SIGMA, LAMP_CHANCE = 2.0, 1e-6
FLASHES_MIN = {HALF: 8, BEYOND: 5}
FLASH_GAP = 5.0  # times the usual step from one to the next
FLASH_ALIKE = 0.5  # of the logarithm of their height about the usual one's: the lens's falloff; stars differ by more
FOLLOWED_MAX = 12  # of the longest; clouds and treetops make many
PIECES_MAX = 24  # of the brightest
PIECES_MANY = 10  # clear sky among steady stars has one or two
SHARE_MAX = 0.2  # of the blocks may vote; clouds and treetops beyond that hide any line
ASTRAY = 2  # half-size px by which a line told on the coarser picture is laid anew on the frame's


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

    def ends(self, step: int) -> NDArray[np.float64]:
        """Both ends, (2, 2) float64: x, y in px of a picture of `step` px of the mosaic to one of its own."""
        return (np.array([[self.x1, self.y1], [self.x2, self.y2]]) - (step - 1) / 2) / step

    def as_dict(self) -> dict[str, float]:
        """Rounded figures for a file."""
        return {key: round(float(value), 1) for key, value in asdict(self).items()}


def _streak(ends: ArrayLike, step: int, signal: float) -> Streak:
    """The streak with these ends in px of such a picture."""
    x1, y1, x2, y2 = (step * np.asarray(ends, np.float64) + (step - 1) / 2).ravel().tolist()
    return Streak(x1, y1, x2, y2, float(signal))


def find_streaks(found: Detections, beside: Beyond | None = None) -> list[Streak]:
    """Streaks of a frame, longest first.

    Parameters
    ----------
    found : what `detect` gave for the half-size image
    beside : what `beyond.beyond_neighbours` gave; None where the frame has no neighbour
    """
    if beside is None:
        # a short piece's own line lies askew, and would take strobes far off for its own
        lines = _join(_long_marks(found) + _faint_lines(found, HALF, []))
        pieces = _longest_first(_join(lines + _flashes(found, HALF, lines)))
        whole = [_followed(found, HALF, piece) for piece in pieces[:FOLLOWED_MAX]]
        return _longest_first(_join(whole + pieces[FOLLOWED_MAX:]))

    pieces = _pieces(beside)
    # a frame clearer than its neighbours, out of focus or kicked shows its stars beyond them, and chance makes lines
    short = SURE_SHORT * (1 + len(pieces) / PIECES_MANY)

    def sure(candidates: list[Streak]) -> list[Streak]:
        lines: list[Streak] = []
        for piece in candidates:
            if any(_within(line, piece) for line in lines):
                continue
            line = _followed(beside, BEYOND, piece)
            # where land moves through the picture, it uncovers sky that no neighbour shows: an edge in the frame itself
            if _stands_out(beside, line, short) and not is_edge(found, line.ends(HALF), HALF):
                lines.append(line)
        return lines

    lines = _join(sure(pieces[:PIECES_MAX]))
    lines = _join(lines + sure(_faint_lines(beside, BEYOND, lines)))
    strobes = _flashes(beside, BEYOND, lines) or [
        row for row in _flashes(beside, BEYOND, lines, LAMP_SIGMA, LAMP_CHANCE) if _stands_out(beside, row, short)
    ]
    whole = _join(lines + strobes)
    return _longest_first([_streak(laid(found, s.ends(HALF), ASTRAY), HALF, s.signal) for s in whole])


def _longest_first(streaks: list[Streak]) -> list[Streak]:
    return sorted(streaks, key=lambda s: (-s.length, s.x1, s.y1))


def _followed(seen: Detections, step: int, streak: Streak) -> Streak:
    """The streak with its ends where its light ends."""
    return _streak(follow(seen, streak.ends(step), step, step == HALF), step, streak.signal)


def _marks(seen: Detections, chosen: NDArray[np.bool_], step: int) -> list[Streak]:
    """Lines through these detections, the brightest first."""
    objects = seen.objects
    along, _, angle = axes(objects)
    marks = []
    for n in sorted(np.flatnonzero(chosen), key=lambda n: -objects["flux"][n]):
        middle = np.array([objects["x"][n], objects["y"][n]])
        # an even line of length l has a standard deviation of l / sqrt(12) along itself
        reach = math.sqrt(3) * along[n] * np.array([math.cos(angle[n]), math.sin(angle[n])])
        height = objects["flux"][n] / objects["npix"][n] / seen.noise
        marks.append(_streak([middle - reach, middle + reach], step, height))
    return marks


def _pieces(beside: Detections) -> list[Streak]:
    """Detections beside neighbours that may be pieces of a streak."""
    along, across, _ = axes(beside.objects)
    flux = beside.objects["flux"] / beside.noise
    chosen = (math.sqrt(12) * along > PIECE_LENGTH / BEYOND) & (along > PIECE_RATIO * across)
    chosen &= (flux > PIECE_HEIGHT * beside.objects["npix"]) & (flux > PIECE_SUM)
    return _marks(beside, chosen, BEYOND)


def _stands_out(beside: Beyond, streak: Streak, short: float) -> bool:
    """Whether the light along a line is sure, and narrow; by how much more it must be so where it is `short`."""
    ends = streak.ends(BEYOND)
    length = max(float(np.hypot(*(ends[1] - ends[0]))), 1.0)
    if length * BEYOND < LENGTH_MIN:
        return False
    strip = strip_of(
        beside.residual, (ends[0, 0], ends[0, 1]), tuple((ends[1] - ends[0]) / length), np.arange(length + 1), 5
    )
    light = strip[:, 4:7].sum(axis=1) - 3 * np.median(strip[:, [0, 1, 9, 10]], axis=1)
    profile = strip.mean(axis=0)
    profile -= np.median(profile[[0, 1, 9, 10]])
    sigma = math.sqrt(3) * beside.noise
    least = SURE + short * beside.missed_along(ends) / streak.length
    sure = light.sum() > least * sigma * math.sqrt(len(light))
    parts = np.array([part.sum() / math.sqrt(len(part)) for part in np.array_split(light, PARTS) if len(part)])
    narrow = np.mean(profile[[2, 3, 7, 8]]) < FLANKS * np.mean(profile[4:7])
    return bool(sure and narrow and np.mean(parts > PART_SIGMA * sigma) > LIT)


def _long_marks(found: Detections) -> list[Streak]:
    """Detections of a frame alone that are long, thin, filled, and longer than its stars."""
    objects = found.objects
    if len(objects) == 0:
        return []
    along, across, angle = axes(objects)
    length = math.sqrt(12) * along
    limit = max(ALONE_LENGTH / HALF, LENGTH_OF_STARS * _length_of_stars(found))
    thin = (across < ALONE_WIDTH / HALF) & (along > ALONE_RATIO * across)
    # a defective column is exactly upright and one pixel wide
    upright = (np.abs(np.abs(angle) - math.pi / 2) < 0.02) | (np.abs(angle) < 0.02)
    column = upright & (across < 0.45)
    return _marks(found, (length > limit) & thin & ~column & (objects["npix"] > ALONE_FILL * length), HALF)


def _length_of_stars(found: Detections) -> float:
    """Length of the image of a frame's usual bright star, px of the picture."""
    bright = first_of(found.objects["flux"], 300)
    return math.sqrt(12) * float(np.median(axes(found.objects[bright])[0]))


def _flashes(
    seen: Detections, step: int, known: Sequence[Streak], sigma: float = FLASH_SIGMA, chance: float = FLASH_CHANCE
) -> list[Streak]:
    """The line of an aircraft's strobes, whose lamps between them may be too faint: far more points of `sigma` and more
    on one straight line than `chance` puts on any. What lies on the lines of `known` streaks are pieces of those."""
    objects = seen.objects
    lines = np.array([s.ends(step).ravel() for s in known]).reshape(-1, 4)
    objects = objects[~on_lines(objects["x"], objects["y"], lines, KNOWN_WITHIN / step)]
    objects = objects[objects["peak"] > sigma * seen.noise]
    objects = objects[np.argsort(-objects["peak"], kind="stable")]
    for number in FLASH_POINTS[step]:
        line = _row_of_points(objects[:number], seen, step, chance)
        if line is not None:
            return [line]
    return []


def _row_of_points(bright: NDArray[Any], seen: Detections, step: int, chance: float) -> Streak | None:
    """The fullest line of points, as far as it is filled; None where chance fills lines so more often than that."""
    if len(bright) < FLASHES_MIN[step]:
        return None
    within = FLASH_WITHIN / step
    x, y = np.asarray(bright["x"], np.float64), np.asarray(bright["y"], np.float64)
    line, _ = fullest_line(x, y, 2 * within)
    on = on_lines(x, y, line, within)
    if np.count_nonzero(on) < FLASHES_MIN[step]:
        return None
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
    expected = alike.sum() * 2 * within * span / seen.residual.size
    # Poisson's; by name, in scipy.stats, it takes each run half a second to load
    few = len(chosen) < FLASHES_MIN[step] or pdtrc(len(chosen) - 1, expected) > chance
    if few or span < ALONE_LENGTH / step:
        return None
    ends = line[0, :2] + np.outer([along[chosen].min(), along[chosen].max()], direction)
    return _streak(ends, step, float(np.median(bright["peak"][chosen])) / seen.noise)


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


def _faint_lines(seen: Detections, step: int, known: Sequence[Streak]) -> list[Streak]:
    """Lines across the frame too faint for a detection, from means of blocks; of a frame alone with the detections left
    out, and beside neighbours what `known` streaks light."""
    side = BLOCK_PX // step
    height, width = (n // side for n in seen.residual.shape)
    if min(height, width) < 30:
        return []
    means = free_means(seen.residual, seen.segments, side) if step == HALF else block_means(seen.residual)
    blocks, spread = flattened(means.astype(np.float64))
    high = over_spread(blocks, spread) > FAINT_SIGMA
    for streak in known:
        (x, y), end = streak.ends(BLOCK_PX)
        for t in np.linspace(0, 1, math.ceil(streak.length / BLOCK_PX) + 1):
            row, column = round(y + t * (end[1] - y)), round(x + t * (end[0] - x))
            high[max(row - 2, 0) : max(row + 3, 0), max(column - 2, 0) : max(column + 3, 0)] = False
    rows, columns = np.nonzero(high)
    least = VOTES_MIN[step]
    if len(rows) < least or len(rows) > SHARE_MAX * max(1, int(np.isfinite(blocks).sum())):
        return []
    offset = farthest(height, width)
    votes = line_sums(rows, columns, np.ones(len(rows)), (height, width))
    # what parallel lines nearby hold: treetops and star clouds vote for all of them
    expected = uniform_filter1d(votes, BESIDE, axis=1)
    expected *= _chord_shares(height, width)
    excess = votes - expected
    excess /= np.sqrt(np.maximum(expected, 4, out=expected), out=expected)
    lines: list[Streak] = []
    for _ in range(8):
        k, r = np.unravel_index(int(np.argmax(excess)), excess.shape)
        if excess[k, r] < VOTE_SIGMA[step] or votes[k, r] < least:
            break
        cosine, sine = math.cos(k * math.pi / ANGLES), math.sin(k * math.pi / ANGLES)
        near = np.abs(columns * cosine + rows * sine - (r - offset)) <= 1.0
        along = np.sort((rows * cosine - columns * sine)[near])
        first, last = _densest_stretch(along, FAINT_COVER[step])
        beside = [
            int((np.abs(columns * cosine + rows * sine - (r - offset) - shift) <= 1.0).sum()) for shift in (-5, 5)
        ]
        upright = min(abs(cosine), abs(sine)) < UPRIGHT
        # an edge of the foreground is bright on one side as well
        if not upright and last - first > least and near.sum() > 2 * max(beside):
            t, across = np.array([[first], [last]]), float(r - offset)
            ends = np.hstack([across * cosine - t * sine, across * sine + t * cosine])
            lines.append(_streak(ends, BLOCK_PX, float(np.median(blocks[rows[near], columns[near]])) / seen.noise))
        window = (slice(max(0, k - 8), k + 9), slice(max(0, r - 12), r + 13))
        excess[window] = 0
    return lines


def _densest_stretch(along: NDArray[np.float64], cover: float) -> tuple[float, float]:
    """The longest stretch of sorted positions that is filled to `cover` without a gap of 25 blocks."""
    if len(along) < 2:
        return 0.0, 0.0
    breaks = np.flatnonzero(np.diff(along) > 25)
    starts = np.concatenate([[0], breaks + 1])
    ends = np.concatenate([breaks, [len(along) - 1]])
    best = (0.0, 0.0)
    for a, b in zip(starts, ends, strict=True):
        length = along[b] - along[a]
        if length > best[1] - best[0] and (b - a + 1) > cover * length:
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


def _within(whole: Streak, piece: Streak) -> bool:
    """Whether the middle of a piece lies on a longer one."""
    x, y = (piece.x1 + piece.x2) / 2 - whole.x1, (piece.y1 + piece.y2) / 2 - whole.y1
    ux, uy = (whole.x2 - whole.x1) / whole.length, (whole.y2 - whole.y1) / whole.length
    return 0 < x * ux + y * uy < whole.length and abs(x * uy - y * ux) < JOIN_OFFSET


def _aligned(whole: Streak, piece: Streak) -> bool:
    """Whether both ends of a piece lie on the line of a longer one; a star at its end may turn a short piece."""
    ux, uy = (whole.x2 - whole.x1) / whole.length, (whole.y2 - whole.y1) / whole.length
    turn = abs((piece.x2 - piece.x1) * uy - (piece.y2 - piece.y1) * ux) / piece.length
    if turn > math.sin(math.radians(JOIN_ANGLE_SHORT if piece.length < SHORT else JOIN_ANGLE)):
        return False
    for x, y in ((piece.x1, piece.y1), (piece.x2, piece.y2)):
        dx, dy = x - whole.x1, y - whole.y1
        along, across = dx * ux + dy * uy, abs(dx * uy - dy * ux)
        if across > JOIN_OFFSET + 0.02 * max(whole.length, along, whole.length - along):
            return False
    return True
