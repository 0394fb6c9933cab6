"""A coarse look at where the camera points: a fixed tripod or a tracker, re-aimed or not, how far the field turns.

Only a few frames of a run are looked at: the first, the last, one in the middle, and between two that point elsewhere
as many as it takes to find the frame at which the camera was moved. Where it comes back to where it pointed before
(`card/visits.py`), all of them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.card.division import divided_as_before, divided_evenly, undivided
from pipeline.card.frame import CardFrame
from pipeline.card.visits import STRAY_FRAMES, by_fields
from pipeline.sky.times import SIDEREAL_RATE

if TYPE_CHECKING:
    from scipy.spatial.transform import Rotation

# Two frames whose attitudes agree this well, fixed to the sky or to the ground, have the same pointing, degrees:
# refraction, polar error over an hour and the creep of a tripod are smaller, moving a camera by hand is not.
STEADY_DEG = 0.4
STEADY_SHARE = 0.01  # or this share of the picture's diagonal, for wide lenses and dithering
FOCAL_SHARE = 0.03  # solved focal lengths that differ by more were zoomed
# Frames that follow one another and share less than this of their field are two pointings. A kick moves less.
REAIMED_OVERLAP = 0.8
# Frames with more stars than this and nothing in common do point elsewhere; fewer tell nothing.
STARS_RICH = 25
# All frames between two that are so far apart are looked at before one of them is said to tell where it points.
TRIED = 6
# A wait so many times as long as others, within which frames follow at their pace, is one in which a camera is aimed.
PAUSES = 2.0
# A camera that goes to and fro changes its pointing so often at the least, and stays for so many frames at the most.
VISITS_MIN, VISIT_MAX = 4, 8
# Exposure times focal length, s mm, beyond which a fixed camera is out of the question: a trail of 36 um per 500.
FIXED_LIMIT = 2500.0
# Long side assumed where nothing tells the size of the sensor, mm.
SENSOR_MM = 36.0
# The split leaves room for a reference that is not quite in the middle.
SPLIT_MARGIN = 0.02
GRID = 24
# No card is worth more looks than this, at a second and a half each; a run that needs them is one of nonsense.
LOOKS_MAX = 400


class CameraModel(Protocol):
    """What is needed of `pipeline.sky.camera.Camera`."""

    @property
    def focal_px(self) -> float: ...

    def to_json(self) -> dict[str, Any]: ...
    def unproject(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.float64]: ...
    def project(self, vectors: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]: ...


@dataclass(frozen=True)
class Solved:
    """Where a frame points: `attitude` rotates an ICRS vector into the camera."""

    attitude: Rotation
    camera: CameraModel
    pixel_scale_arcsec: float
    centre_ra_deg: float
    centre_dec_deg: float


@dataclass(frozen=True)
class Similarity:
    """b = scale R(rotation) a + (shift_x, shift_y), px and radians, both measured from the middle of the picture."""

    scale: float
    rotation: float
    shift_x: float
    shift_y: float


@dataclass(frozen=True)
class StarView:
    """What a frame shows: number of stars, and the solution if there is one."""

    stars: NDArray[np.float64]  # (n, 3): x, y, flux; brightest first
    solved: Solved | None


@dataclass(frozen=True)
class Relation:
    """How two frames lie to one another; `tracked` None where that cannot be told; not `sure` where all that is known
    is that no star of the one was found in the other."""

    overlap: float
    steady: bool
    tracked: bool | None = None
    sure: bool = True


@dataclass(frozen=True)
class Piece:
    """Frames of one pointing, and what was seen of it; `solved_id` is the frame that `solved` is of."""

    frames: tuple[CardFrame, ...]
    tracked: bool | None
    solved: Solved | None
    why: str
    solved_id: str = ""


def overlap_of(to_other: Callable[[NDArray[np.float64], NDArray[np.float64]], tuple[ArrayLike, ArrayLike]],
               width: int, height: int) -> float:  # fmt: skip
    """Share of a picture's area that falls inside another of the same size, `to_other` mapping pixels."""
    x, y = np.meshgrid((np.arange(GRID) + 0.5) / GRID * width - 0.5, (np.arange(GRID) + 0.5) / GRID * height - 0.5)
    a, b = (np.asarray(v) for v in to_other(x.ravel(), y.ravel()))
    inside = (a > -0.5) & (a < width - 0.5) & (b > -0.5) & (b < height - 0.5)
    return float(np.mean(inside))


def overlap_solved(
    camera: CameraModel, first: Rotation, second: Rotation, width: int, height: int, other: CameraModel | None = None
) -> float:
    """Share of the first attitude's picture that the second's, taken with the same lens or as `other`, shows too."""
    turn = second * first.inv()

    def carry(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[ArrayLike, ArrayLike]:
        return (other or camera).project(turn.apply(camera.unproject(x, y)))

    with np.errstate(invalid="ignore"):
        return overlap_of(carry, width, height)


def overlap_similar(similarity: Similarity, width: int, height: int) -> float:
    """Share of a picture's area that is inside the other, by a similarity."""
    c, s = math.cos(similarity.rotation) * similarity.scale, math.sin(similarity.rotation) * similarity.scale
    mx, my = (width - 1) / 2, (height - 1) / 2

    def carry(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[ArrayLike, ArrayLike]:
        u, v = x - mx, y - my
        return c * u - s * v + similarity.shift_x + mx, s * u + c * v + similarity.shift_y + my

    return overlap_of(carry, width, height)


def turn_between(a: Solved, b: Solved, width: int, height: int, earth_rad: float = 0.0) -> Rotation:
    """The rotation of the sky's own axes that brings what the pixels of one frame see to what those of another see.

    The pictures are compared, not the attitudes: near the horizon refraction bends a picture as a lens does whose axis
    lies off its middle, and single frames are solved now with the one, now with the other, their axes degrees apart.

    Parameters
    ----------
    earth_rad : what the Earth turned from the first to the second, to be taken for a camera that stands
    """
    from scipy.spatial.transform import Rotation  # only here: see `inventory.restore_solution`

    x, y = np.meshgrid((np.arange(GRID) + 0.5) / GRID * width - 0.5, (np.arange(GRID) + 0.5) / GRID * height - 0.5)
    first, second = (s.attitude.inv().apply(s.camera.unproject(x.ravel(), y.ravel())) for s in (a, b))
    first = Rotation.from_euler("z", earth_rad).apply(first)
    there = np.isfinite(first[:, 0]) & np.isfinite(second[:, 0])
    if not there.any():
        return b.attitude.inv() * a.attitude
    return Rotation.align_vectors(second[there], first[there])[0]


def earth_turned(attitude: Rotation, after_s: float) -> Rotation:
    """Attitude of a camera fixed to the ground, `after_s` seconds later: the sky has turned about the pole."""
    from scipy.spatial.transform import Rotation  # only here: see `inventory.restore_solution`

    return attitude * Rotation.from_euler("z", -SIDEREAL_RATE * after_s)


def relate_solved(a: Solved, b: Solved, after_s: float, width: int, height: int) -> Relation:
    """Relation of two solved frames, the second `after_s` seconds later."""
    overlap = overlap_solved(a.camera, a.attitude, b.attitude, width, height, b.camera)
    diagonal = math.degrees(2 * math.atan(math.hypot(width, height) / 2 / a.camera.focal_px))
    tolerance = max(STEADY_DEG, STEADY_SHARE * diagonal)
    from_sky = math.degrees(turn_between(a, b, width, height).magnitude())
    from_ground = math.degrees(turn_between(a, b, width, height, SIDEREAL_RATE * after_s).magnitude())
    zoomed = abs(b.camera.focal_px / a.camera.focal_px - 1) > FOCAL_SHARE
    steady = not zoomed and min(from_sky, from_ground) < tolerance
    tracked = None
    turned = math.degrees(abs(SIDEREAL_RATE * after_s))
    if steady and turned > 0.05 and abs(from_sky - from_ground) > 0.5 * turned:
        tracked = from_sky < from_ground
    return Relation(0.0 if zoomed else overlap, steady, tracked)


def relate_similar(similarity: Similarity, after_s: float, width: int, height: int) -> Relation:
    """Relation of two frames matched star by star."""
    overlap = overlap_similar(similarity, width, height)
    zoomed = abs(similarity.scale - 1) > FOCAL_SHARE
    half = math.hypot(width, height) / 2
    moved = math.hypot(similarity.shift_x, similarity.shift_y) + half * abs(similarity.rotation)
    # at the least, at the pole, a fixed camera's corners move by this; the field's middle moves more anywhere else
    least = half * SIDEREAL_RATE * abs(after_s)
    tracked = True if least > 20 and moved < 0.3 * least else None
    return Relation(0.0 if zoomed else overlap, not zoomed and overlap > 0.9, tracked)


class Looker:
    """Relates frames of a run to one another, looking at each at most once.

    Parameters
    ----------
    view : callable
        Gives the `StarView` of a frame, or None where it cannot be looked at.
    match : callable
        Gives the `Similarity` from the stars of one frame to those of another, or None.
    """

    def __init__(
        self,
        view: Callable[[CardFrame], StarView | None],
        match: Callable[[CardFrame, StarView, CardFrame, StarView], Similarity | None],
    ) -> None:
        self._view, self._match = view, match
        self._views: dict[str, StarView | None] = {}
        self._relations: dict[tuple[str, str], Relation | None] = {}

    def view(self, frame: CardFrame) -> StarView | None:
        """The stars of a frame."""
        if frame.id not in self._views:
            self._views[frame.id] = self._view(frame)
        return self._views[frame.id]

    def relate(self, a: CardFrame, b: CardFrame) -> Relation | None:
        """How two frames lie to one another; None where that cannot be told."""
        key = (a.id, b.id)
        if key not in self._relations:
            self._relations[key] = self._relate(a, b)
        return self._relations[key]

    def _relate(self, a: CardFrame, b: CardFrame) -> Relation | None:
        first, second = self.view(a), self.view(b)
        if first is None or second is None:
            return None
        width, height = a.facts.width, a.facts.height
        after = (b.start or 0.0) - (a.start or 0.0) if a.start is not None and b.start is not None else 0.0
        if first.solved is not None and second.solved is not None:
            return relate_solved(first.solved, second.solved, after, width, height)
        similarity = self._match(a, first, b, second)
        if similarity is not None:
            return relate_similar(similarity, after, width, height)
        if min(len(first.stars), len(second.stars)) >= STARS_RICH:
            return Relation(0.0, False, sure=False)
        return None

    def rich(self, frame: CardFrame) -> bool:
        """Whether a frame shows enough to tell where it points."""
        view = self.view(frame)
        return view is not None and (view.solved is not None or len(view.stars) >= STARS_RICH)

    # ---- cutting a run

    def _telling(self, run: Sequence[CardFrame], low: int, high: int, near: int) -> int | None:
        """The place nearest to `near`, from `low` to `high`, of a frame that tells where it points; a few are tried.

        In a run that is found on the sky a frame full of stars that is not found there was kicked or is out of focus:
        others tell before it.
        """
        half = TRIED // 2 - 1
        tried = sorted(range(max(low, near - half), min(high, near + half) + 1), key=lambda n: (abs(n - near), n))
        rich = next((n for n in tried if self.rich(run[n])), None)
        if rich is None or self._found(run[rich]) or not any(view and view.solved for view in self._views.values()):
            return rich
        return next((n for n in tried if self._found(run[n])), rich)

    def _found(self, frame: CardFrame) -> bool:
        """Whether a frame was found on the sky."""
        view = self.view(frame)
        return view is not None and view.solved is not None

    def cuts(self, run: Sequence[CardFrame]) -> tuple[list[int], bool]:
        """Places at which a new pointing begins; and whether a few frames that stand out come again at their pace."""
        last = len(run) - 1
        places = sorted({0, middle_of(last), last})
        for n in places:  # whether the run is found on the sky says what tells in it
            self.view(run[n])
        anchors = [self._telling(run, 0, last, n) for n in places]
        known = sorted({n for n in anchors if n is not None})
        found: list[int] = []
        for a, b in itertools.pairwise(known):
            found += self._cuts_between(run, a, b)
        return self._without_strays(run, sorted(set(found)))

    def _comes_again(self, run: Sequence[CardFrame], begin: int, end: int) -> bool:
        """Whether what a few frames show, from `begin` to before `end`, is seen again near by, beyond others."""
        many = end - begin
        pairs = [(begin - n, begin) for n in (2, 3, many + 1)] + [(end - 1, end - 1 + n) for n in (2, 3, many + 1)]
        beyond = dict.fromkeys((a, b) for a, b in pairs if 0 <= a < begin or end <= b < len(run))
        return any(self._common(run[a], run[b]) > 0 for a, b in beyond if a >= 0 and b < len(run))

    def _cuts_between(self, run: Sequence[CardFrame], a: int, b: int) -> list[int]:
        relation = self.relate(run[a], run[b])
        if relation is None or relation.steady or len(self._views) > LOOKS_MAX:
            return []
        if not relation.sure and not (self._matches(run, a) and self._matches(run, b)):
            # where not even neighbours are found in one another, a failed match says nothing
            return []
        moved = relation.overlap < REAIMED_OVERLAP
        if b - a == 1:
            return [b] if moved else []
        middle = self._telling(run, a + 1, b - 1, (a + b) // 2)
        if middle is None:
            return [b] if moved else []
        if moved and b - a <= TRIED and not self._found(run[middle]) and self._found(run[a]) and self._found(run[b]):
            # both ends tell where they point and nothing between does: the camera is aimed anew in a pause
            starts = [run[n].start or 0.0 for n in range(a, b + 1)]
            waits = [later - earlier for earlier, later in itertools.pairwise(starts)]
            longest = max(waits)
            return [b if longest < PAUSES * min(waits) else a + 1 + waits.index(longest)]
        return self._cuts_between(run, a, middle) + self._cuts_between(run, middle, b)

    def _matches(self, run: Sequence[CardFrame], place: int) -> bool:
        """Whether a frame has something in common with one of the three before or after it (a kicked one may be among
        them, or others to which the camera turned meanwhile)."""
        beside = (place + n for n in (1, -1, 2, -2, 3, -3) if 0 <= place + n < len(run))
        found = (self.relate(run[min(n, place)], run[max(n, place)]) for n in beside)
        return any(relation is not None and relation.overlap > 0 for relation in found)

    def _without_strays(self, run: Sequence[CardFrame], cuts: list[int]) -> tuple[list[int], bool]:
        """Leave out cuts around a few frames between two stretches of the same pointing, and around lone frames at
        the ends that nothing but a failed match puts elsewhere; and whether any of the few come again."""
        kept = list(cuts)
        again = False
        n = 0
        while n + 1 < len(kept):
            begin, end = kept[n], kept[n + 1]
            if end - begin <= STRAY_FRAMES:
                across = self.relate(run[begin - 1], run[end])
                if across is not None and (across.steady or across.overlap >= REAIMED_OVERLAP):
                    again |= self._comes_again(run, begin, end)
                    del kept[n : n + 2]
                    continue
            n += 1
        for cut, lone, beside in ((1, 0, 1), (len(run) - 1, len(run) - 1, len(run) - 2)):
            if cut in kept and len(run) > 2:
                a, b = self.view(run[lone]), self.view(run[beside])
                if a is None or b is None or a.solved is None or b.solved is None:
                    again |= self._comes_again(run, lone, lone + 1)
                    kept.remove(cut)
        return kept, again

    def pieces(self, run: Sequence[CardFrame], overlap: float, before: Mapping[str, str] | None = None) -> list[Piece]:
        """Divide a run where the camera was re-aimed, then evenly where the field turns out of the frame.

        Parameters
        ----------
        run : frames of the same settings in order of time, without a long pause
        overlap : share of the picture that every frame must have in common with the middle of its piece
        before : mapping of frame id to the name of the scene that it was in; an even division that still holds is
            kept, so that a new frame does not move all the others
        """
        cuts, returns = self.cuts(run)
        parts = [run[begin:end] for begin, end in itertools.pairwise([0, *cuts, len(run)])]
        # a part of one pointing has no cut of its own; what is looked at for it is what its division needs anyway
        fields = None
        if returns or self._comes_back(parts) or (cuts and any(any(self.cuts(part)) for part in parts)):
            fields = self._by_fields(run)
        before = undivided(before or {}, fields or parts)
        pieces = [piece for part in fields or parts for piece in self._split(part, overlap, before)]
        if fields is None:
            return pieces
        how = f"one of {len(fields)} pointings between which the camera went to and fro, told frame by frame"
        return [replace(piece, why=f"{piece.why}; {how}") for piece in pieces]

    def _comes_back(self, parts: Sequence[Sequence[CardFrame]]) -> bool:
        """Whether the frames beside a cut are seen again a few frames beyond it, or a camera that never stays long
        points where it did two parts before and more."""
        for before, after in itertools.pairwise(parts):
            near = [(before[-n], after[0]) for n in (2, 3) if n <= len(before)]
            near += [(before[-1], after[n]) for n in (1, 2) if n < len(after)]
            if any(self._common(*pair) > 0 for pair in near):
                return True
        if len(parts) < VISITS_MIN or max(map(len, parts)) > VISIT_MAX:
            return False
        return any(
            self._common(parts[k][-1], part[0]) > 0 for n, part in enumerate(parts) for k in range(max(n - 3, 0), n - 1)
        )

    def _by_fields(self, run: Sequence[CardFrame]) -> list[Sequence[CardFrame]] | None:
        """The frames of each pointing to which the camera came back, all of them looked at; None where it did not."""
        if len({*self._views, *(frame.id for frame in run)}) > LOOKS_MAX:
            return None
        fields = by_fields(len(run), lambda n: self.rich(run[n]), lambda a, b: self._common(run[a], run[b]))
        return None if fields is None else [[run[n] for n in field] for field in fields]

    def _common(self, a: CardFrame, b: CardFrame) -> float:
        """What two frames have in common where they are of one pointing, else 0."""
        relation = self.relate(a, b)
        same = relation is not None and (relation.steady or relation.overlap >= REAIMED_OVERLAP)
        return relation.overlap if relation is not None and same else 0.0

    def _split(self, frames: Sequence[CardFrame], overlap: float, before: Mapping[str, str]) -> list[Piece]:
        last = len(frames) - 1
        places = [self._telling(frames, 0, last, n) for n in (0, middle_of(last), last)]
        first, middle, end = (None if n is None else frames[n] for n in places)
        tracked: bool | None = None
        if first is not None and end is not None and first is not end:
            relation = self.relate(first, end)
            tracked = None if relation is None else relation.tracked
            if tracked is None and relation is not None and relation.overlap > 0 and beyond_fixed(first):
                tracked = True
            if tracked is None and middle is not None and middle is not end:
                nearer = self.relate(middle, end)
                tracked = None if nearer is None else nearer.tracked
        shared, how = self._shared(frames, first, middle, tracked)
        parts = divided_as_before(frames, shared, overlap, before)
        if parts is None:
            parts = divided_evenly(frames, shared, min(1.0, overlap + SPLIT_MARGIN))
        pieces = []
        for part in parts:
            begin = frames.index(part[0])
            near = self._telling(frames, 0, last, begin + middle_of(len(part) - 1))
            view = None if near is None else self.view(frames[near])
            held = f"each frame shares {100 * overlap:.0f} % with the middle of its part"
            why = f"{how}; one of {len(parts)} parts, so that {held}"
            solved, of = (None, "") if view is None or near is None else (view.solved, frames[near].id)
            pieces.append(Piece(tuple(part), tracked, solved, why if len(parts) > 1 else how, of))
        return pieces

    def _drift(self, frames: Sequence[CardFrame], first: CardFrame | None) -> tuple[float, float] | None:
        """Share of the picture lost between two frames, and the seconds between them; the pair is the first frame and
        the last that still has something in common with it."""
        begin = 0 if first is None else frames.index(first)
        place = len(frames) - 1
        while first is not None and place > begin:
            near = self._telling(frames, begin + 1, len(frames) - 1, place)
            other = None if near is None else frames[near]
            relation = None if other is None else self.relate(first, other)
            if relation is not None and other is not None and relation.overlap > 0:
                apart = (other.start or 0.0) - (first.start or 0.0)
                return (1 - relation.overlap, apart) if apart > 0 else None
            place = begin + (place - begin) // 2
        return None

    def _shared(
        self,
        frames: Sequence[CardFrame],
        first: CardFrame | None,
        middle: CardFrame | None,
        tracked: bool | None,
    ) -> tuple[Callable[[float], float], str]:
        """What two frames some seconds apart have in common, as a function of the seconds, and how it is known."""
        facts = frames[0].facts
        width, height = facts.width, facts.height
        view = None if middle is None else self.view(middle)
        if view is not None and view.solved is not None and tracked is False:
            solved = view.solved

            def turned(after: float) -> float:
                return overlap_solved(
                    solved.camera, solved.attitude, earth_turned(solved.attitude, after), width, height
                )

            return turned, "fixed tripod (solved)"
        measured = self._drift(frames, first)
        if measured is not None:
            lost, apart = measured
            how = {None: "drift measured from the stars", True: "tracked", False: "fixed tripod"}[tracked]
            return (lambda after: 1 - lost * after / apart), how
        focal = facts.focal_mm or None
        if tracked or focal is None or beyond_fixed(frames[0]) or len(frames) == 1:
            return (lambda after: 1.0), "tracked" if tracked else "movement not known"
        pixel_mm = facts.pixel_um / 1000 if facts.pixel_um else SENSOR_MM / max(width, height)
        short = min(width, height) * pixel_mm

        def worst(after: float) -> float:
            # straight across the short side, at the celestial equator
            return 1 - focal * math.tan(min(SIDEREAL_RATE * after, 1.5)) / short

        return worst, "movement not known, a fixed tripod supposed"


def middle_of(last: int) -> int:
    """A place about halfway from 0 to `last` at which a camera that goes to and fro between two or three pointings, a
    few frames at a time, mostly shows another than the first."""
    half, off = last // 2, max(last / 4, 2)
    for pace in (12, 6, 2):
        places = [n for n in range(pace - 1, last, pace) if abs(n - half) <= off]
        if places:
            return min(places, key=lambda n: abs(n - half))
    return half


def beyond_fixed(frame: CardFrame) -> bool:
    """Whether the exposure is so long for the focal length that nobody takes it without tracking."""
    return (frame.facts.focal_mm or 0.0) * frame.exposure > FIXED_LIMIT
