"""First attitudes of a scene's frames: from the catalogue, from neighbours in time, from star patterns alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky import times
from pipeline.sky.camera import Camera
from pipeline.sky.match import FEWEST, FieldMatch, match_fields
from pipeline.sky.solve import Solution, refine, solve
from pipeline.sky.table import FrameStars

Floats = NDArray[np.float64]

# So many of the sharpest frames are tried before a scene counts as not to be found on the sky; other focal lengths
# than Exif's (2 s for a frame of noise) with the first, or where Exif has none with the first two.
SOLVE_TRIES = 6
# Stars of a frame that take part in the first placing; the fit uses all.
PLACING_STARS = 250
# A frame whose own focal length differs by more was taken with another setting of the lens.
ZOOM_TOLERANCE = 0.01
# A solve that leads nowhere costs 0.7 s with a known lens, 3 s with any: so many of a scene's frames may, then one in
# so many is tried with the known lens.
KNOWN_TRIES, FREE_TRIES, SPARSE_TRIES = 8, 3, 32
DEPTH_FRAMES = 8
ANOTHER_LENS = "was taken at another focal length"
MIRRORED = "is a mirror image of the scene's other frames: its file holds the rows in the other order"
# Field of the assumed camera across its diagonal where neither stars nor Exif tell: flat for every purpose.
ASSUMED_DIAGONAL_DEG = 3.0
# With a camera by Exif only, positions may be off by this share of their distance; the match allows for it.
ROUGH_LENS = 0.002
PATTERN_TOLERANCE_PX = 2.5
# Without a catalogue: so many frames are tried as the first of a group; one that none of its nearest matches shows
# nothing of its own; and so often the frames that were left are held against those placed since.
PATTERN_STARTS, LONE_TRIES, PATTERN_ROUNDS = 8, 24, 4


@dataclass(frozen=True)
class Placed:
    """First attitudes.

    Parameters
    ----------
    camera : the lens as one frame shows it, or as Exif has it
    attitudes : (3, 3) by position of the frame in the given list
    missing : why, by position, for frames without
    solved : whether attitudes are against ICRS
    scales : of frames' pictures against the camera's, as each shows it alone; by position, where it does
    apart : positions of frames without an attitude that belong together: another focal length, another field
    """

    camera: Camera
    attitudes: dict[int, Floats]
    missing: dict[int, str]
    solved: bool
    apart: list[list[int]] = field(default_factory=list)
    scales: dict[int, float] = field(default_factory=dict)


def place(
    frames: Sequence[FrameStars],
    width: int,
    height: int,
    focal_px: float | None,
    *,
    order: Sequence[int],
    pole: Floats | None,
) -> Placed:
    """Place frames roughly (to a pixel or some).

    Parameters
    ----------
    frames : stars of each frame
    width, height : pixels
    focal_px : by Exif; None where unknown
    order : positions of frames, best first: these are tried until one is found on the sky
    pole : (3,) the Earth's axis in ICRS; None where frames have no times
    """
    ladder_tries = 2 if focal_px is None else 1
    for attempt, n in enumerate(order[:SOLVE_TRIES]):
        if attempt >= ladder_tries and focal_px is None:
            break
        first = solve(*_lists(frames[n]), width, height, focal_px, anywhere=attempt < ladder_tries)
        if first is not None:
            return _from_catalogue(frames, n, first, pole)
    return _from_patterns(frames, width, height, focal_px, order)


def _lists(stars: FrameStars) -> tuple[Floats, Floats, Floats]:
    return stars.xy[:, 0], stars.xy[:, 1], stars.flux


def _matrix(quaternion: Floats) -> Floats:
    return Rotation.from_quat(quaternion, scalar_first=True).as_matrix()


@dataclass
class _Lens:
    """A focal length that was found, and the frames taken with it."""

    camera: Camera
    attitudes: dict[int, Floats]
    scales: dict[int, float]

    def near(self, n: int) -> Camera:
        """The camera as it was nearest to frame n: a zoom may creep, from frame to frame by little."""
        nearest = min(self.scales, key=lambda k: (abs(k - n), k))
        return self.camera.changed(focal_px=self.camera.focal_px * self.scales[nearest])

    def take(self, n: int, attitude: Floats, camera: Camera) -> None:
        """Frame n belongs to it."""
        self.attitudes[n] = attitude
        self.scales[n] = camera.focal_px / self.camera.focal_px


class _Tries:
    """How many solves may still lead nowhere: each costs up to a second, a scene of clouds has hundreds."""

    def __init__(self) -> None:
        self.known, self.free = KNOWN_TRIES, FREE_TRIES

    def may_solve(self, n: int) -> bool:
        """Whether frame n may be solved: the first failures are free, later every so-manieth frame is tried."""
        return self.known > 0 or n % SPARSE_TRIES == 0


def _from_catalogue(frames: Sequence[FrameStars], start: int, first: Solution, pole: Floats | None) -> Placed:
    lenses = [_Lens(first.camera, {start: _matrix(first.attitude)}, {start: 1.0})]
    tries = _Tries()
    missing: dict[int, str] = {}
    # outwards from the first: every frame has a placed neighbour
    for n in sorted(range(len(frames)), key=lambda n: (abs(n - start), n)):
        if n != start:
            why = _place_one(frames, n, lenses, pole, tries)
            if why:
                missing[n] = why
    # a frame that had no placed neighbour then may have one now
    for n in sorted(missing):
        if any(_by_neighbour(frames, n, lens) for lens in lenses):
            del missing[n]
    main = max(lenses, key=lambda lens: len(lens.attitudes))
    apart = []
    for lens in lenses:
        if lens is not main:
            apart.append(sorted(lens.attitudes))
            ratio = lens.camera.focal_px / main.camera.focal_px
            turned = lens.camera.mirrored != main.camera.mirrored
            why = MIRRORED if turned else f"{ANOTHER_LENS} ({ratio:.2f} times the scene's)"
            missing |= dict.fromkeys(lens.attitudes, why)
    return Placed(main.camera, main.attitudes, missing, solved=True, apart=apart, scales=main.scales)


def _place_one(frames: Sequence[FrameStars], n: int, lenses: list[_Lens], pole: Floats | None, tries: _Tries) -> str:
    """Place a frame with one of the lenses, or with a new one; a sentence where nothing explains its stars."""
    stars = frames[n]
    if len(stars) < 3:
        return f"shows {_stars(len(stars))}, too few to place it"
    nearest = sorted(lenses, key=lambda lens: min(abs(k - n) for k in lens.attitudes))
    for lens in nearest:
        if _by_prediction(frames, n, lens, pole):
            return ""
    camera = nearest[0].near(n)
    if tries.may_solve(n):
        own = solve(*_lists(stars), camera.width, camera.height, camera=camera)
        if own is not None:
            nearest[0].take(n, _matrix(own.attitude), own.camera)
            return ""
        tries.known -= 1
    if any(_by_neighbour(frames, n, lens) for lens in nearest):
        return ""
    if tries.free:
        # was the lens turned?
        free = solve(*_lists(stars), camera.width, camera.height)
        if free is not None:
            same = [lens for lens in lenses if _alike(free.camera, lens.near(n))]
            if same:
                same[0].take(n, _matrix(free.attitude), free.camera)
            else:
                lenses.append(_Lens(free.camera, {n: _matrix(free.attitude)}, {n: 1.0}))
            return ""
        tries.free -= 1
    return f"its {_stars(len(stars))} match neither the catalogue nor the scene's other frames"


def _alike(one: Camera, other: Camera) -> bool:
    return one.mirrored == other.mirrored and abs(one.focal_px / other.focal_px - 1) <= ZOOM_TOLERANCE


def _by_prediction(frames: Sequence[FrameStars], n: int, lens: _Lens, pole: Floats | None) -> bool:
    """Place a frame where it would point if the camera had stood still, or followed the stars."""
    positions = frames[n].xy[:PLACING_STARS]
    # clouds may hide the brightest: the catalogue is gone into as deep as in a clear frame, though by fewer stars
    clear = max(len(frames[k]) for k in _neighbours(n, lens.attitudes, DEPTH_FRAMES))
    depth = min(PLACING_STARS, clear) if len(positions) < PLACING_STARS else None
    camera = lens.near(n)
    for guess in _predictions(frames, n, lens.attitudes, pole):
        found = refine(positions, camera, guess, known=True, depth=depth)
        if found is not None:
            lens.take(n, found.attitude, found.camera)
            return True
    return False


def _stars(count: int) -> str:
    return "no stars" if count == 0 else "one star" if count == 1 else f"{count} stars"


def _predictions(
    frames: Sequence[FrameStars], n: int, attitudes: dict[int, Floats], pole: Floats | None
) -> list[Floats]:
    """Where the frame would point if the camera had stood still, or followed the stars, since its placed neighbours.

    What its neighbours did comes first.
    """
    mine = frames[n].seconds
    near = _neighbours(n, attitudes, 2)
    follows: list[Floats] = [attitudes[k] for k in near]
    if pole is None or mine is None:
        return follows

    def still(k: int, seconds: float) -> Floats | None:
        theirs = frames[k].seconds
        if theirs is None:
            return None
        turn = Rotation.from_rotvec(-times.SIDEREAL_RATE * (seconds - theirs) * pole)
        return attitudes[k] @ turn.as_matrix()

    stands = [guess for guess in (still(k, mine) for k in near) if guess is not None]
    other = frames[near[1]].seconds if len(near) > 1 else None
    expected = still(near[0], other) if other is not None else None
    if expected is not None:
        as_still = Rotation.from_matrix(expected @ attitudes[near[1]].T).magnitude()
        as_following = Rotation.from_matrix(attitudes[near[0]] @ attitudes[near[1]].T).magnitude()
        if as_following < as_still:
            return [*follows, *stands]
    return [*stands, *follows]


def _neighbours(n: int, attitudes: dict[int, Floats], count: int) -> list[int]:
    """The placed frames nearest in the run, and the very first: the nearest may point elsewhere."""
    near = sorted(attitudes, key=lambda k: (abs(k - n), k))[:count]
    return list(dict.fromkeys([*near, next(iter(attitudes))]))


def _by_neighbour(frames: Sequence[FrameStars], n: int, lens: _Lens) -> bool:
    """Place a frame by the pattern of its stars in the nearest placed frames."""
    for k in _neighbours(n, lens.attitudes, 3):
        found = _match(frames[k], frames[n], lens.camera, 2 * PATTERN_TOLERANCE_PX)
        if found is not None and found.quaternion is not None:
            lens.attitudes[n] = _matrix(found.quaternion) @ lens.attitudes[k]
            return True
    return False


def _match(one: FrameStars, other: FrameStars, camera: Camera, tolerance_px: float) -> FieldMatch | None:
    return match_fields(one.xy[:PLACING_STARS], other.xy[:PLACING_STARS], camera=camera, tolerance_px=tolerance_px)


def assumed_camera(width: int, height: int, focal_px: float | None) -> Camera:
    """A camera where the sky gives none: by Exif, else a narrow field, in which the focal length changes nothing."""
    if focal_px is None or not np.isfinite(focal_px) or focal_px <= 0:
        focal_px = float(np.hypot(width, height)) / 2 / float(np.tan(np.radians(ASSUMED_DIAGONAL_DEG / 2)))
    return Camera.simple(focal_px, width, height)


def _from_patterns(
    frames: Sequence[FrameStars], width: int, height: int, focal_px: float | None, order: Sequence[int]
) -> Placed:
    camera = assumed_camera(width, height, focal_px)
    half = float(np.hypot(width, height)) / 2
    tolerance = PATTERN_TOLERANCE_PX + (ROUGH_LENS * half if half / camera.focal_px > 0.2 else 0.0)
    groups: list[dict[int, Floats]] = []
    waiting = set(range(len(frames)))
    starts = [n for n in order if len(frames[n]) >= FEWEST]
    for _ in range(PATTERN_STARTS):
        start = next((n for n in starts if n in waiting), None)
        if start is None:
            break
        group = _grown(frames, start, waiting, camera, tolerance)
        starts.remove(start)
        if len(group) > 1 or not groups:
            groups.append(group)
            waiting -= set(group)
    groups.sort(key=len, reverse=True)
    best, *others = groups or [{}]
    apart = [sorted(group) for group in others if len(group) > 1]
    missing = {
        n: f"its {_stars(len(frames[n]))} do not match those of the other frames"
        if len(frames[n]) >= FEWEST
        else f"shows {_stars(len(frames[n]))}, too few to place it"
        for n in range(len(frames))
        if n not in best
    }
    for mine in apart:
        missing |= dict.fromkeys(mine, f"its stars and those of {_others(len(mine) - 1)} show another field")
    return Placed(camera, best, missing, solved=False, apart=apart)


def _others(count: int) -> str:
    return "one other frame" if count == 1 else f"{count} other frames"


def _grown(
    frames: Sequence[FrameStars], start: int, waiting: set[int], camera: Camera, tolerance: float
) -> dict[int, Floats]:
    """Attitudes of the frames that match a first one, or each other in turn, against the first."""
    placed = {start: np.eye(3)}
    left = sorted(waiting - {start}, key=lambda n: (abs(n - start), n))
    for _ in range(PATTERN_ROUNDS):
        before, todo, left = len(placed), left, []
        for n in todo:
            # the start first: errors do not add up; then the nearest placed frames
            for k in dict.fromkeys([start, *sorted(placed, key=lambda k: (abs(k - n), k))[:2]]):
                found = _match(frames[k], frames[n], camera, tolerance)
                if found is not None and found.quaternion is not None:
                    placed[n] = _matrix(found.quaternion) @ placed[k]
                    break
            else:
                left.append(n)
                if len(placed) == 1 and len(left) >= LONE_TRIES:
                    return placed  # a start without stars of its own
        if len(placed) == before or not left:
            break
    return placed
