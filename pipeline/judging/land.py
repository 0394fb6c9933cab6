"""Where land stands before the sky: places that hide every star that passes, whatever moves, camera or sky.

Land stays where it is on the Earth. Behind a camera on a tripod it lies still in the picture; behind one that follows
the stars it moves as the sky would move over a camera that stands still: it turns about the pole, the other way round.
Which of the two it is is told by whether the stars move; where the pole lies, by the stars that vanish: laid on one
another as the land moves, their places fall together, and no star is seen among them. A cloud's do not. Where no star
is ever seen, though many should be, is land too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree
from scipy.special import betaln

from pipeline.judging.stretches import NEIGHBOURS, Ground, spells_of
from pipeline.judging.veil import veiled
from pipeline.sky.motion import pole_direction
from pipeline.sky.times import SIDEREAL_RATE
from pipeline.stars.tiles import TILES
from pipeline.stars.transparency import SURE, Sightings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

OPEN_SHARE = 0.3  # of a frame's sure stars found at the least, for it to tell land from sky
EVIDENCE = 6.0  # sightings in a cell, by which laying them on one another is judged; cells are as large as that asks
CELL_LEAST = 1 / 32  # of the frame's width
UNEXPLAINED = 0.02  # of the sure sightings: fewer that vanish where land lies still are no reason to seek moving land
LEAD = 12.0  # by which the logarithm of the odds must rise before land is believed to move
SHARP = 0.75  # of its light a star keeps up to the edge of land; at the edge of a cloud it fades
FRAMES = 60  # that take part in the search, at most, and
SIGHTINGS = 6000  # of theirs
WIDEST = 0.2  # cosine to the axis below which a ray leaves the plane of the picture
ROLL_STEP = 6.0  # degrees, of the first search of the pole
STANDS = 0.75  # of the sky's own pace that stars show before a camera that stands: land lies still in its picture
VOID_STARS = 10.0  # that a circle should hold on average: one that never shows any is land
VOID_INSIDE = 0.85  # of its radius, which is counted as land
POINTS = 3  # a side, of each part of the grid in which the share of land is told


@dataclass(frozen=True)
class Land:
    """`behind` (n,) whether a sighting lies behind land or on it; `fine` (frames, rows, columns) whether the places of
    `fine_grid` are land; `on` (by frame) which stars of its list stand on land: trees, lamps; `moves` whether the land
    moves through the picture."""

    behind: Bools
    fine: Bools
    on: tuple[Bools, ...]
    moves: bool

    def tiles(self, frame: int) -> Floats:
        """Share of each part of the grid of `stars.tiles` that is land in a frame."""
        return self.fine[frame].reshape(TILES[0], POINTS, TILES[1], POINTS).mean(axis=(1, 3))


def fine_grid(width: int, height: int) -> tuple[Floats, Floats]:
    """Places (x, y) px, `POINTS` a side for each part of the coarse grid, row by row."""
    rows, columns = (n * POINTS for n in TILES)
    x = (np.arange(columns) + 0.5) / columns * width - 0.5
    y = (np.arange(rows) + 0.5) / rows * height - 0.5
    down, across = np.meshgrid(y, x, indexing="ij")
    return across.ravel(), down.ravel()


@dataclass(frozen=True)
class _Turn:
    """How land moves through the picture: it turns about `pole` (camera axes) at `rate` of the sky's."""

    focal_px: float
    pole: Floats
    rate: float

    def rays(self, places: Floats) -> Floats:
        """(n, 3) unit vectors to places of the picture, px from its middle."""
        out = np.column_stack([places, np.full(len(places), self.focal_px)])
        return out / np.linalg.norm(out, axis=1)[:, None]

    def __call__(self, x: Floats, y: Floats, seconds: Floats) -> Floats:
        """(n, 2) where the land at (x, y), px from the middle, was at second 0; NaN where out of sight."""
        if self.rate == 0:
            return np.column_stack([x, y])
        rays = np.column_stack([x, y, np.full(len(x), self.focal_px)])
        angle = SIDEREAL_RATE * self.rate * seconds
        cosine, sine = np.cos(angle)[:, None], np.sin(angle)[:, None]
        turned = (
            rays * cosine - np.cross(self.pole, rays) * sine + self.pole * (rays @ self.pole)[:, None] * (1 - cosine)
        )
        depth = turned[:, 2] / np.linalg.norm(turned, axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            plane = self.focal_px * turned[:, :2] / turned[:, 2:]
        return np.where(depth[:, None] > WIDEST, plane, np.nan)


def find_land(
    seen: Sightings,
    seconds: Sequence[float | None],
    width: int,
    height: int,
    focal_px: float | None,
    declination_deg: float | None,
    lists: Sequence[NDArray[Any]],
) -> Land | None:
    """Tell what hides stars for good from what hides them for a while.

    Parameters
    ----------
    seen : of linked frames
    seconds : start of each frame, s, on any clock; where one is missing land is taken to lie still
    width, height : px
    focal_px : focal length over pixel pitch; without it land is taken to lie still
    declination_deg : of the middle of the field, if known
    lists : the frames' star lists

    Returns
    -------
    Land, or None where no stars tell
    """
    frames = len(seconds)
    sure, found, light = _evidence(seen)
    rows = np.flatnonzero(sure)
    if len(rows) < NEIGHBOURS + 1:
        return None
    x, y = seen.x - (width - 1) / 2, seen.y - (height - 1) / 2
    total = np.bincount(seen.frame[rows], minlength=frames)
    shown = np.bincount(seen.frame[rows], found[rows], minlength=frames)
    open_frames = shown >= OPEN_SHARE * np.maximum(total, 1)
    rows = rows[open_frames[seen.frame[rows]]]
    if len(rows) < NEIGHBOURS + 1:
        return None
    times = _times(seconds)
    still = _Turn(focal_px or float(width), np.array([0.0, 0.0, 1.0]), 0.0)
    turn = still
    spacing = float(np.sqrt(width * height / max(float(np.median(np.bincount(seen.frame[rows]))), 1.0)))
    stands = times is not None and focal_px and _stands(seen, found, times, focal_px, declination_deg)
    if times is not None and focal_px and not stands:
        turn = _best_turn(seen, rows, found, light, x, y, times, still, focal_px, declination_deg, width)
    moment = np.zeros(frames) if times is None else times
    places = turn(x[rows], y[rows], moment[seen.frame[rows]])
    good = np.isfinite(places[:, 0])
    told = places[good], seen.star[rows][good], seen.frame[rows][good], found[rows][good]
    # land that moves, known to be or not, covers what showed stars before
    ground = Ground(*told, spacing, spells_of(*told) if stands else ())
    everywhere = turn(x, y, moment[seen.frame])
    behind = ground.hidden(everywhere, seen.frame)
    fine = _fine(ground, turn, moment, width, height)
    times_seen = np.bincount(seen.star, found, minlength=int(seen.star.max()) + 1)[seen.star]
    shows = found & (times_seen >= 2) & np.isfinite(everywhere[:, 0])
    if shows.any():
        usual = float(np.quantile(np.bincount(seen.frame[shows], minlength=frames), 0.75))
        fine |= _void(everywhere[shows], usual, fine, turn, moment, width, height)
        behind |= ~found & fine[(seen.frame, *fine_cell(seen.x, seen.y, width, height))]
    trees = _trees(seen, everywhere, sure, light, turn, moment, spacing, width, height)
    behind |= trees[(seen.frame, *fine_cell(seen.x, seen.y, width, height))]
    fine |= trees
    on = []
    for n, stars in enumerate(lists):
        there = turn(stars["x"] - (width - 1) / 2, stars["y"] - (height - 1) / 2, np.full(len(stars), moment[n]))
        # no star near by tells of what stands deep inside
        deep = ndimage.binary_erosion(fine[n], np.ones((3, 3)), border_value=1)
        inside = deep[fine_cell(stars["x"], stars["y"], width, height)]
        on.append(ground.hidden(there, np.full(len(stars), n)) | inside)
    return Land(behind, fine, tuple(on), turn.rate != 0)


def _evidence(seen: Sightings) -> tuple[Bools, Bools, Floats]:
    """Which sightings should show a star for sure, which do, and the share of its usual light that each shows."""
    found = np.isfinite(seen.flux) & (seen.flux > 0)
    number = int(seen.star.max()) + 1 if len(seen.star) else 0
    times = np.bincount(seen.star, minlength=number)
    shows = np.bincount(seen.star, found, minlength=number)
    # what is found in fewer than a third of its frames is no star, or hides in another: or stands behind land for long
    order = np.lexsort((np.where(found, seen.flux, np.inf), seen.star))
    first = np.searchsorted(seen.star[order], np.arange(number))
    middle = np.minimum(first + np.maximum(shows.astype(int) - 1, 0) // 2, len(order) - 1)
    usual = np.where(shows > 0, np.nan_to_num(seen.flux[order][middle]), 0.0) if number else np.zeros(0)
    real = (shows >= 2) & (times >= 2)
    with np.errstate(invalid="ignore", divide="ignore"):
        sure = real[seen.star] & (usual[seen.star] > 1.5 * SURE * seen.error)
        light = np.where(found, seen.flux / usual[seen.star], 0.0)
    return sure, found, np.nan_to_num(light)


def _trees(
    seen: Sightings,
    everywhere: Floats,
    sure: Bools,
    light: Floats,
    turn: _Turn,
    moment: Floats,
    spacing: float,
    width: int,
    height: int,
) -> Bools:
    """Places of `fine_grid`, by frame, at which trees stand before the sky; `everywhere` on the land's own picture."""
    rows = np.flatnonzero(sure)
    with np.errstate(invalid="ignore", divide="ignore"):
        error = seen.error[rows] * light[rows] / seen.flux[rows]
    # what is not found has no light to be unsure of
    told = everywhere[rows], seen.frame[rows], light[rows], np.where(light[rows] > 0, error, 0.0), spacing
    x, y = fine_grid(width, height)
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    shape = (TILES[0] * POINTS, TILES[1] * POINTS)
    if turn.rate == 0:
        return np.broadcast_to(veiled(*told, np.column_stack([x, y])).reshape(shape), (len(moment), *shape))
    return np.array([veiled(*told, turn(x, y, np.full(len(x), when))).reshape(shape) for when in moment])


def _times(seconds: Sequence[float | None]) -> Floats | None:
    known = [s for s in seconds if s is not None]
    if len(known) < len(seconds) or len(known) < 2:
        return None
    moments = np.array(known, np.float64)
    return moments - moments[len(moments) // 2]


def _stands(seen: Sightings, found: Bools, times: Floats, focal_px: float, declination_deg: float | None) -> bool:
    """Whether the stars move through the picture as before a camera that stands still."""
    rows = np.flatnonzero(found)
    rows = rows[np.lexsort((seen.frame[rows], seen.star[rows]))]
    first = np.flatnonzero(np.diff(seen.star[rows], prepend=-1))
    last = np.append(first[1:], len(rows)) - 1
    a, b = rows[first], rows[last]
    taken = times[seen.frame[b]] - times[seen.frame[a]]
    if not (taken > 0).any():
        return False
    a, b, taken = a[taken > 0], b[taken > 0], taken[taken > 0]
    pace = float(np.median(np.hypot(seen.x[b] - seen.x[a], seen.y[b] - seen.y[a]) / taken))
    sky = SIDEREAL_RATE * focal_px * (1.0 if declination_deg is None else np.cos(np.radians(declination_deg)))
    return bool(pace > STANDS * sky)


def _best_turn(
    seen: Sightings,
    rows: NDArray[np.int64],
    found: Bools,
    light: Floats,
    x: Floats,
    y: Floats,
    times: Floats,
    still: _Turn,
    focal_px: float,
    declination_deg: float | None,
    width: int,
) -> _Turn:
    """The turn that lays the vanished stars on one another best; `still` unless another is better beyond doubt."""
    frames = np.unique(seen.frame[rows])
    some = frames[np.unique(np.linspace(0, len(frames) - 1, min(FRAMES, len(frames))).round().astype(int))]
    few = rows[np.isin(seen.frame[rows], some)]
    few = few[np.unique(np.linspace(0, len(few) - 1, min(SIGHTINGS, len(few))).round().astype(int))]
    px, py, at, there, number = x[few], y[few], times[seen.frame[few]], found[few], seen.frame[few]
    area = (np.ptp(px) + 1) * (np.ptp(py) + 1)
    cell = max(CELL_LEAST * width, float(np.sqrt(area * EVIDENCE / len(few))))
    if SIDEREAL_RATE * np.ptp(at) * focal_px < cell:
        return still
    base = _odds(np.column_stack([px, py]), there, cell)
    spacing = float(np.sqrt(area * len(some) / len(few)))
    ground = Ground(np.column_stack([px, py]), seen.star[few], number, there, spacing)
    lost = ~there
    unexplained = lost.copy()
    unexplained[lost] = ~ground.hidden(np.column_stack([px, py])[lost], number[lost])
    if unexplained.sum() < UNEXPLAINED * len(few):
        return still
    best, score = still, base + LEAD

    def tried(candidates: Sequence[tuple[float, float, float]]) -> tuple[float, float, float] | None:
        nonlocal best, score
        leader = None
        for declination, north, rate in candidates:
            turn = _Turn(focal_px, pole_direction(declination, north), rate)
            odds = _odds(turn(px, py, at), there, cell)
            if odds > score:
                best, score, leader = turn, odds, (declination, north, rate)
        return leader

    declinations = np.arange(-75.0, 90.0, 15.0) if declination_deg is None else [declination_deg]
    rolls = np.arange(0.0, 360.0, ROLL_STEP if declination_deg is not None else 2 * ROLL_STEP)
    leader = tried([(float(d), float(r), rate) for d in declinations for r in rolls for rate in (1.0, 0.5)])
    step = ROLL_STEP / 2 if declination_deg is not None else ROLL_STEP
    for _ in range(3):
        if leader is None:
            break
        d0, r0, rate = leader
        lifts = (0.0,) if declination_deg is not None else (-step, 0.0, step)
        leader = tried([(d0 + a, r0 + b, rate) for a in lifts for b in (-step, 0.0, step)]) or leader
        step /= 2
    if best is still or not _sharp(seen, found, light, best, x, y, times, rows):
        return still
    return best


def _odds(places: Floats, found: Bools, cell: float) -> float:
    """Logarithm of the odds of what was found and lost, cell by cell, each with a share of its own (beta 0.5, 0.5)."""
    good = np.isfinite(places[:, 0])
    key = np.floor(places[good] / cell).astype(np.int64)
    key -= key.min(axis=0)
    _, number = np.unique(key[:, 0] * (key[:, 1].max() + 1) + key[:, 1], return_inverse=True)
    hit = np.bincount(number, found[good])
    miss = np.bincount(number, ~found[good])
    # what leaves the plane is told by nothing: even odds
    return float(np.sum(betaln(hit + 0.5, miss + 0.5) - betaln(0.5, 0.5)) - (~good).sum() * np.log(2))


def _sharp(
    seen: Sightings,
    found: Bools,
    light: Floats,
    turn: _Turn,
    x: Floats,
    y: Floats,
    times: Floats,
    rows: NDArray[np.int64],
) -> bool:
    """Whether stars keep their light up to the moment at which they vanish, as behind land and not behind cloud."""
    order = rows[np.lexsort((seen.frame[rows], seen.star[rows]))]
    same = seen.star[order][1:] == seen.star[order][:-1]
    goes = same & found[order][:-1] & ~found[order][1:]
    comes = same & ~found[order][:-1] & found[order][1:]
    edge = np.concatenate([light[order][:-1][goes], light[order][1:][comes]])
    return len(edge) >= 3 and float(np.median(edge)) >= SHARP


def fine_cell(x: Floats, y: Floats, width: int, height: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of the fine grid at a position."""
    rows, columns = (n * POINTS for n in TILES)
    row = np.clip((y + 0.5) * rows / height, 0, rows - 1).astype(np.int64)
    return row, np.clip((x + 0.5) * columns / width, 0, columns - 1).astype(np.int64)


def _void(stars: Floats, usual: float, fine: Bools, turn: _Turn, moment: Floats, width: int, height: int) -> Bools:
    """Where land hides every star for as long as the scene lasts, so that nothing tells that any stand there.

    Parameters
    ----------
    stars : (n, 2) places in the land's own picture at which stars are seen, in all frames
    usual : how many a frame shows
    fine : what is land already
    """
    x, y = fine_grid(width, height)
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    rays = turn.rays(np.column_stack([x, y]))
    apart = np.linalg.norm(rays[:, None] - rays, axis=2)
    tree = cKDTree(turn.rays(stars))
    # the distance from cell to cell where each is: a circle smaller than a cell holds less than one
    side = np.partition(apart, 1, axis=1)[:, 1]
    found = np.zeros_like(fine)
    for _ in range(2):
        # of the open sky alone; what was found at first leaves less of it
        open_cells = max(float((~(fine | found)).mean()) * len(x), 1.0)
        for n, when in enumerate(moment):
            if turn.rate == 0 and n:
                found[n] = found[0]
                continue
            places = turn(x, y, np.full(len(x), when))
            told = np.isfinite(places[:, 0])
            clear = np.zeros(len(x))
            clear[told] = tree.query(turn.rays(places[told]))[0]
            # of a circle that reaches over the edge of the picture what is inside counts
            within = np.minimum((apart <= clear[:, None]).sum(axis=1), np.pi * (clear / side) ** 2)
            empty = np.flatnonzero(within * usual / open_cells >= VOID_STARS)
            if len(empty):
                found[n] = (apart[empty] <= VOID_INSIDE * clear[empty, None]).any(axis=0).reshape(fine.shape[1:])
    return found


def _fine(ground: Ground, turn: _Turn, moment: Floats, width: int, height: int) -> Bools:
    x, y = fine_grid(width, height)
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    fine = np.empty((len(moment), TILES[0] * POINTS, TILES[1] * POINTS), bool)
    for n, when in enumerate(moment):
        if turn.rate == 0 and n:
            fine[n] = fine[0]
            continue
        # no frame is left out: of the land itself all tell
        fine[n] = ground.hidden(turn(x, y, np.full(len(x), when)), np.full(len(x), -1)).reshape(fine.shape[1:])
    return fine
