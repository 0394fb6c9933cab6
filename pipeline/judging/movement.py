"""How far the stars of each frame were drawn out, what of it was to be expected, and what is left."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from pipeline.config import JudgeSettings
from pipeline.judging.graded import Graded
from pipeline.judging.tracks import Tracks, drift, drift_at
from pipeline.judging.verdicts import SHAPE_STARS, SMALL_SCENE, Figures, Usual
from pipeline.pixels.normal import FWHM_PER_SIGMA
from pipeline.plan import ScenePlan
from pipeline.sky.motion import trail_px
from pipeline.sky.times import parse
from pipeline.stars.motion import FrameShape, LensPattern, Shapes, beyond_blur, frame_shape, visible_excess

STILL_SHARE = 0.3  # of the equator's rate: a field that moves so fast on average is not tracked (its pole apart)
VISIBLE = 2.0  # star widths: a motion that is no kick of a tracker's in every frame
SKY_LEAST, SKY_MOST = 0.7, 1.1  # of what the sky's turning makes, between which it does
# From how many star widths on a drift would be seen in the stars, and what share of it three frames in four show less
# of where it is none: of 2 widths and more the shapes tell the length to some per cent.
ROUND_TELLS, ROUND, ROUND_FRAMES = 1.0, 0.5, 0.75
FEW = 3  # frames, whose steps tell no dithers from a kick
STEADY = 0.3  # spread of the drift from step to step over its length, of a camera that stands still
BASE_SHARE = (
    0.5  # of the frames, the least drawn out, say what is usual: all of them sound if no more than half are bad
)
PITCH_MAX_UM = 12.0  # no sensor in use behind a lens has larger pixels, so the sky moves over it at least so fast
BASE_MAX = 1.3  # star widths; a usual motion longer than that is nothing to get used to
BASE_FEWEST = 3
# Cosine of the angle to the sky's motion within which a usual one is along it; how much of that it may be: trails a
# tenth longer than expected leave 0.46 of it, squares taken off.
ALONG, TRAILS_LONGER = 0.97, 0.5
NARROWEST = 0.25  # quantile of a frame's stars
BLURRED = 1.4  # times the scene's star width
RIM = 1.6  # star widths; the sides of an even ring lie 1.2 of its fitted widths apart
FAR_OFF = 5.0  # times the limit of motion; the fluxes of evenly drawn-out stars are right to 1 % up to there, measured


@dataclass(frozen=True)
class Expected:
    """The motion that a camera standing still would see: `at(x, y)` px, or a length alone; both None if tracked."""

    length: float | None  # at the middle of the field
    # times that, which a wide lens makes of it over the field on the mean: where no direction is known
    most: float = 1.0
    middle: NDArray[np.float64] | None = None  # (2,) px, the same with its direction
    field: NDArray[np.float64] | None = None  # of `drift_at`, px a second times the exposure
    extent: float = 1.0

    def times(self, share: float) -> Expected:
        """What it is in an exposure of that share."""
        return replace(
            self,
            length=None if self.length is None else self.length * share,
            middle=None if self.middle is None else self.middle * share,
            field=None if self.field is None else self.field * share,
        )

    def at(self, shapes: Shapes) -> NDArray[np.float64] | None:
        """(n, 2) motion of each star, where its direction is known."""
        return None if self.field is None else drift_at(self.field, shapes.x, shapes.y, self.extent)


def expected_motion(
    frames: Sequence[Graded],
    shapes: Sequence[Shapes],
    tracks: Tracks,
    scene: ScenePlan,
    settings: JudgeSettings,
    extent: int,
    notes: list[str],
) -> Expected:
    """What the turning of the sky does during the frames' median exposure.

    Best of all the drift between the frames says it, direction and all; where frames cannot be laid on one another,
    scale and declination do; else focal length and pixel size, for stars at the equator (the longest trails). Where one
    or two frames show no drift, stars drawn out as far as the sky turns say that the camera stood still.
    """
    first = frames[0].row
    exposures = [f.row["exposure_s"] or f.plan.exposure_s for f in frames]
    known = [e for e in exposures if e]
    exposure = float(np.median(known)) if known else None
    look = scene.look
    ceiling = None
    if exposure is not None:
        if look.pixel_scale_arcsec:
            ceiling = trail_px(exposure_s=exposure, scale_arcsec=look.pixel_scale_arcsec)
        elif first["focal_mm"] and first["pixel_um"]:
            ceiling = trail_px(1000 * first["focal_mm"] / first["pixel_um"], exposure)
    # stars stand where they were in the middle of an exposure: where exposures differ, starts lie otherwise apart
    begun = [parse(f.plan.taken) for f in frames]
    times = [
        None if b is None else (b - datetime(2000, 1, 1, tzinfo=b.tzinfo)).total_seconds() + (e or 0.0) / 2
        for b, e in zip(begun, exposures, strict=True)
    ]
    # the least that a camera standing still shows of stars at the equator
    floor = ceiling
    if floor is None and exposure is not None and first["focal_mm"]:
        floor = trail_px(1000 * first["focal_mm"] / PITCH_MAX_UM, exposure)
    moved = drift(tracks, times, float(extent))
    still, follows, measured = False, False, None
    if moved is not None and exposure is not None:
        measured, spread = moved
        grid = np.linspace(0.1, 0.9, 5) * extent
        across, down = (a.ravel() for a in np.meshgrid(grid, grid))
        rate = float(np.hypot(*drift_at(measured, across, down, extent).T).mean())
        # a mount that tracks, or one moved about between frames, has no steady drift near the sky's rate; near the pole
        # none has, but there the look tells a camera that stood still
        enough = look.tracked is False or floor is None or rate * exposure > STILL_SHARE * floor
        near = ceiling is None or rate * exposure < 2 * ceiling
        rounder = _rounder_than(rate * exposure, frames, shapes)
        still = enough and near and spread < STEADY and not rounder
        # of two or three frames a kicked one makes the drift unsteady; no tracker does what a look contradicts
        follows = rounder or (look.tracked is not False and (not enough or len(frames) > FEW))
    most = 1.0
    if ceiling is not None and exposure is not None:
        # of a rectilinear lens, along the radius: 1 / cos^2 of the angle to the axis
        focal_px = ceiling / trail_px(1.0, exposure)
        most = 1 + (first["width"] ** 2 + first["height"] ** 2) / 12 / focal_px**2
    if look.tracked is not None and moved is None:
        still = not look.tracked or _drawn_out_by_the_sky(
            frames, shapes, _at_declination(ceiling, look.centre_dec_deg), most
        )
    if settings.mount == "tripod":
        still = True
    elif settings.mount == "tracker" and still:
        notes.append(
            "The stars drift at the rate of the sky: the camera stood still where a tracker was meant. "
            "The frames are judged as from a tripod."
        )
    if look.tracked and settings.mount != "tripod" and not still:
        return Expected(0.0)
    if not still:
        if settings.mount == "tracker" or follows:
            return Expected(0.0)
        # nothing tells: the sky may explain as much as it can
        return Expected(_at_declination(ceiling, look.centre_dec_deg), most)
    if measured is not None and exposure is not None and moved is not None and moved[1] < STEADY:
        middle = drift_at(measured * exposure, *_middle(frames), extent)[0]
        return Expected(float(np.hypot(*middle)), 1.0, middle, measured * exposure, float(extent))
    return Expected(_at_declination(ceiling, look.centre_dec_deg), most)


def _rounder_than(length: float, frames: Sequence[Graded], shapes: Sequence[Shapes]) -> bool:
    """Whether stars are far less drawn out than this, px: what moves from frame to frame then stands still while they
    are taken, as dithers do that go on in one direction."""
    widths = [width for frame in frames if (width := frame.row["fwhm_px"])]
    if not widths or length < ROUND_TELLS * float(np.median(widths)):
        return False
    seen = [p.length for p in _as_they_are(frames, shapes) if p is not None and p.stars >= SHAPE_STARS]
    return bool(seen) and float(np.quantile(seen, ROUND_FRAMES)) < ROUND * length


def _as_they_are(frames: Sequence[Graded], shapes: Sequence[Shapes]) -> list[FrameShape | None]:
    """The frames' shapes with nothing known of the lens."""
    pattern = LensPattern(frames[0].row["width"], frames[0].row["height"])
    return [frame_shape(s, pattern) for s in shapes]


def _drawn_out_by_the_sky(
    frames: Sequence[Graded], shapes: Sequence[Shapes], length: float | None, most: float
) -> bool:
    """Whether the stars of every frame are drawn out as before a camera that stands still."""
    if not length:
        return False
    return all(
        part is not None
        and part.stars >= SHAPE_STARS
        and part.length > VISIBLE * part.fwhm_px
        and SKY_LEAST * length < part.length < SKY_MOST * most * length
        for part in _as_they_are(frames, shapes)
    )


def _middle(frames: Sequence[Graded]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    row = frames[0].row
    return np.array([(row["width"] - 1) / 2]), np.array([(row["height"] - 1) / 2])


def _at_declination(equator: float | None, declination_deg: float | None) -> float | None:
    if equator is None or declination_deg is None:
        return equator
    return equator * math.cos(math.radians(declination_deg))


def motion_figures(
    figures: Sequence[Figures],
    shapes: Sequence[Shapes],
    motions: Sequence[NDArray[np.float64] | None],
    pattern: LensPattern,
    expected: Sequence[Expected],
    notes: list[str],
) -> None:
    """Fill in sizes and motions; what the steadiest frames share is the scene's usual, and no frame's fault."""
    known = [[] if m is None else [m] for m in motions]
    parts = [frame_shape(s, pattern, k) for s, k in zip(shapes, known, strict=True)]
    longest = max(expected, key=lambda e: e.length or 0.0)
    usual_part = _usual_motion(parts, longest)
    sizes = [part.size for part in parts if part is not None and part.stars >= SHAPE_STARS]
    usual_size = float(np.quantile(sizes, 0.5)) if sizes else None
    for f, s, k, part, sky in zip(figures, shapes, known, parts, expected, strict=True):
        f.motion_expected_px = sky.length
        if part is None:
            continue
        f.shape_stars = part.stars
        f.width_px, f.lens_ellipticity = part.fwhm_px, part.lens_ellipticity
        f.narrow_px = _narrow(s)
        f.motion_px, f.motion_angle_deg = part.length, part.angle_deg
        if k and sky.middle is not None:
            f.motion_px, f.motion_angle_deg = at_middle(part.length, part.angle_deg, k[0], s.weight, sky.middle)
        f.excess_px = part.extra
        explained = list(k)
        if usual_part is not None:
            explained.append(np.broadcast_to(usual_part, (len(s.x), 2)))
            again = frame_shape(s, pattern, explained)
            f.excess_px = min(f.excess_px, part.extra if again is None else again.extra)
            part = part if again is None else again
        elif not k and sky.length:
            # length known, direction not: the sky explains what is no longer than its trail; squares add up
            f.excess_px = math.sqrt(max(part.length**2 - (sky.most * sky.length) ** 2, 0.0))
        if usual_size is not None:
            if explained:
                f.excess_px = min(f.excess_px, visible_excess(part, usual_size))
            f.excess_px = beyond_blur(f.excess_px, part.size, usual_size)
    if usual_part is not None and longest.field is None:
        length = float(np.hypot(*usual_part))
        widths = [part.fwhm_px for part in parts if part is not None]
        if length > 0.5 * float(np.median(widths)) and not longest.length:
            notes.append(
                f"Even the steadiest frames show stars drawn out by {length:.1f} px in one direction; "
                "only what exceeds that is held against a frame."
            )


def _narrow(shapes: Shapes) -> float:
    """FWHM of a frame's stars across their longest axis, px, of the narrowest quarter: of stars that ran together in
    pairs along a kick, or are drawn twice, the others are as wide as the pair lies."""
    across = shapes.t - np.hypot(*shapes.q.T) / 2
    return FWHM_PER_SIGMA * math.sqrt(max(float(np.quantile(across, NARROWEST)), 0.0))


def at_middle(
    length: float,
    angle_deg: float,
    field: NDArray[np.float64],
    weight: NDArray[np.float64],
    middle: NDArray[np.float64],
) -> tuple[float, float]:
    """A motion that was measured over the whole field, at its middle.

    A wide lens draws the same turning out more in its corners. Squares of motions add up as moments do, so what the
    field's stars should show beyond its middle is taken off; a motion of the camera, the same everywhere, stays.

    Parameters
    ----------
    length, angle_deg : of the motion that all stars show together, px, degrees from +x towards +y
    field : (n, 2) px, expected at each star; `weight` (n,) of the stars
    middle : (2,) px, expected at the middle
    """

    def square(motion: NDArray[np.float64]) -> NDArray[np.complex128]:
        result: NDArray[np.complex128] = (motion[..., 0] + 1j * motion[..., 1]) ** 2
        return result

    measured = length**2 * np.exp(2j * np.radians(angle_deg))
    there = complex(measured + square(middle) - np.average(square(field), weights=weight))
    return math.sqrt(abs(there)), math.degrees(0.5 * math.atan2(there.imag, there.real)) % 180.0


def doubled_figures(figures: Sequence[Figures], frames: Sequence[Graded]) -> None:
    """A star drawn twice is two round stars to the shapes; their common separation is the motion."""
    widths = [f.width_px for f in figures if f.width_px is not None and f.shape_stars >= SHAPE_STARS]
    usual = float(np.median(widths)) if widths else None
    for f, frame in zip(figures, frames, strict=True):
        length = frame.row["double_px"]
        if length is None:
            continue
        # the disc of a star far out of focus has a bright rim, whose two sides are no two stars
        blurred = f.width_px is not None and usual is not None and f.width_px > BLURRED * usual
        if blurred and length < RIM * (f.width_px or 0.0):
            continue
        # what shook, too, draws stars with a brighter side: the shapes then show the whole of it
        if f.excess_px is not None and f.excess_px > length:
            continue
        f.motion_px, f.motion_angle_deg = length, frame.row["double_angle_deg"]
        f.excess_px, f.doubled = length, True


def unsure_fluxes(figures: Sequence[Figures], scene: Usual, settings: JudgeSettings) -> None:
    """Where stars are drawn twice, or far out, their fluxes tell nothing of clouds: those figures cannot be had."""
    for f in figures:
        limit = settings.motion_max * (scene.width_px or math.inf)
        drawn_out = f.excess_px is not None and f.shape_stars >= SHAPE_STARS and f.excess_px > FAR_OFF * limit
        if f.doubled or drawn_out:
            f.transparency = f.cloud_fraction = None


def _usual_motion(parts: Sequence[FrameShape | None], expected: Expected) -> NDArray[np.float64] | None:
    """The motion that the least drawn-out frames share beyond the expected, px; None where that says nothing."""
    good = sorted((p for p in parts if p is not None and p.stars >= SHAPE_STARS), key=lambda p: p.extra)
    if len(good) < SMALL_SCENE:
        return None
    base = good[: max(BASE_FEWEST, round(BASE_SHARE * len(good)))]
    q = np.median(
        [
            [
                p.extra**2 * math.cos(2 * math.radians(p.extra_angle_deg)),
                p.extra**2 * math.sin(2 * math.radians(p.extra_angle_deg)),
            ]
            for p in base
        ],
        axis=0,
    )
    length = math.sqrt(math.hypot(*q))
    width = float(np.median([p.fwhm_px for p in base]))
    allowed = BASE_MAX * width
    angle = 0.5 * math.atan2(q[1], q[0])
    if expected.field is None and expected.length:
        allowed = max(allowed, 1.15 * expected.length)
    elif expected.middle is not None and expected.length:
        along = math.cos(angle - math.atan2(expected.middle[1], expected.middle[0]))
        # what all trails of minutes are too long by, along themselves, is their measuring's
        if abs(along) > ALONG:
            allowed = max(allowed, TRAILS_LONGER * expected.length)
    if length > allowed:
        return None
    return length * np.array([math.cos(angle), math.sin(angle)])
