"""First attitudes of a scene's frames: from the catalogue, from neighbours in time, from star patterns alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky import times
from pipeline.sky.camera import Camera
from pipeline.sky.match import FieldMatch, match_fields
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
ZOOM_TRIES = 3
ANOTHER_LENS = "was taken at another focal length"
# Field of the assumed camera across its diagonal where neither stars nor Exif tell: flat for every purpose.
ASSUMED_DIAGONAL_DEG = 3.0
# With a camera by Exif only, positions may be off by this share of their distance; the match allows for it.
ROUGH_LENS = 0.002
PATTERN_TOLERANCE_PX = 2.5


@dataclass(frozen=True)
class Placed:
    """First attitudes.

    Parameters
    ----------
    camera : the lens as one frame shows it, or as Exif has it
    attitudes : (3, 3) by position of the frame in the given list
    missing : why, by position, for frames without
    solved : whether attitudes are against ICRS
    """

    camera: Camera
    attitudes: dict[int, Floats]
    missing: dict[int, str]
    solved: bool


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


def _from_catalogue(frames: Sequence[FrameStars], start: int, first: Solution, pole: Floats | None) -> Placed:
    camera = first.camera
    attitudes = {start: _matrix(first.attitude)}
    missing: dict[int, str] = {}
    # outwards from the first: every frame has a placed neighbour
    for n in sorted(range(len(frames)), key=lambda n: (abs(n - start), n)):
        if n in attitudes:
            continue
        attitude, why = _one(frames, n, camera, attitudes, pole)
        if attitude is None:
            # was the lens turned? asked of a few frames only: it takes seconds of a frame that shows no sky at all
            zoomed = sum(ANOTHER_LENS in said for said in missing.values())
            if len(missing) - zoomed < ZOOM_TRIES:
                why = _another_lens(frames[n], camera) or why
            missing[n] = why
        else:
            attitudes[n] = attitude
    # a frame that had no placed neighbour then may have one now
    for n in sorted(missing):
        attitude = _by_neighbour(frames, n, camera, attitudes)
        if attitude is not None:
            attitudes[n] = attitude
            del missing[n]
    return Placed(camera, attitudes, missing, solved=True)


def _one(
    frames: Sequence[FrameStars],
    n: int,
    camera: Camera,
    attitudes: dict[int, Floats],
    pole: Floats | None,
) -> tuple[Floats | None, str]:
    stars = frames[n]
    positions = stars.xy[:PLACING_STARS]
    if len(positions) < 3:
        return None, f"shows {_stars(len(stars))}, too few to place it"
    # clouds may hide the brightest: the catalogue is gone into as deep as in a clear frame, though by fewer stars
    depth = min(PLACING_STARS, max(len(frames[k]) for k in attitudes)) if len(positions) < PLACING_STARS else None
    for guess in _predictions(frames, n, attitudes, pole):
        found = refine(positions, camera, guess, known=True, depth=depth)
        if found is not None:
            return found.attitude, ""
    own = solve(*_lists(stars), camera.width, camera.height, camera=camera)
    if own is not None:
        return _matrix(own.attitude), ""
    attitude = _by_neighbour(frames, n, camera, attitudes)
    if attitude is not None:
        return attitude, ""
    return None, f"its {_stars(len(stars))} match neither the catalogue nor the scene's other frames"


def _another_lens(stars: FrameStars, camera: Camera) -> str | None:
    """A sentence where a frame was taken at another focal length than the scene."""
    free = solve(*_lists(stars), camera.width, camera.height)
    if free is None or abs(free.focal_px / camera.focal_px - 1) <= ZOOM_TOLERANCE:
        return None
    return (
        f"{ANOTHER_LENS} ({free.focal_px / camera.focal_px:.2f} times the scene's); "
        "make its frames a scene of their own under 'scenes' in trip.yaml"
    )


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


def _by_neighbour(frames: Sequence[FrameStars], n: int, camera: Camera, attitudes: dict[int, Floats]) -> Floats | None:
    """By the pattern of its stars in the nearest placed frames."""
    for k in _neighbours(n, attitudes, 3):
        found = _match(frames[k], frames[n], camera, 2 * PATTERN_TOLERANCE_PX)
        if found is not None and found.quaternion is not None:
            return _matrix(found.quaternion) @ attitudes[k]
    return None


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
    best: dict[int, Floats] = {}
    for start in order[:SOLVE_TRIES]:
        if start in best:
            continue
        placed = {start: np.eye(3)}
        waiting = sorted((n for n in range(len(frames)) if n != start), key=lambda n: (abs(n - start), n))
        while waiting:
            left = []
            for n in waiting:
                # the start first: errors do not add up; then the nearest placed frames
                for k in dict.fromkeys([start, *sorted(placed, key=lambda k: (abs(k - n), k))[:2]]):
                    found = _match(frames[k], frames[n], camera, tolerance)
                    if found is not None and found.quaternion is not None:
                        placed[n] = _matrix(found.quaternion) @ placed[k]
                        break
                else:
                    left.append(n)
            if len(left) == len(waiting):
                break
            waiting = left
        if len(placed) > len(best):
            best = placed
        if len(best) > len(frames) / 2:
            break
    missing = {
        n: f"its {_stars(len(frames[n]))} do not match those of the other frames"
        if len(frames[n]) >= 6
        else f"shows {_stars(len(frames[n]))}, too few to place it"
        for n in range(len(frames))
        if n not in best
    }
    return Placed(camera, best, missing, solved=False)
