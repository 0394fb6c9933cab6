"""What the attitudes of a scene say of the tripod or tracker: creep, polar error, drift, the turning sky itself."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky.times import SIDEREAL_RATE

Floats = NDArray[np.float64]

ARCSEC = np.pi / 648000
# A mount that turns by less than this share of the sidereal rate against the ground (or the stars) stands still there.
STILL = 0.15
# Below this many seconds between first and last frame a rate is not worth a figure.
SHORTEST_S = 60.0
# A camera was knocked between two frames where it turned by this much more than it usually does from frame to frame:
# arcsec, and times the usual scatter.
KNOCK_ARCSEC, KNOCK_SIGMAS = 30.0, 10.0
# What it usually turns by is the middle of all steps. A tracker may be dithered before every other frame: there it is
# told from the calmest, times the median of a Rayleigh distribution over its first quartile; and the smallest of its
# dithers are more than it usually turns by so many times.
CALM, CALM_TO_MEDIAN, DITHER_SIGMAS = 0.25, 1.552, 4.0
# After a pause longer than this, s, a camera may have been aimed anew: no rate runs across it.
PAUSE_S = 3600.0
# More jumps than this share of the frames of a tracker are dithers. Rates run across them where else fewer frames
# than these would be left to tell how well they are known.
JUMPS_MOST, FREE_LEAST = 0.15, 2


def mount_figures(attitudes: Floats, seconds: Floats, axes: Floats, zenith: Floats | None) -> dict[str, Any]:
    """Read the mount off attitudes.

    Parameters
    ----------
    attitudes : (n, 3, 3), ICRS to camera
    seconds : (n,), times, s
    axes : (3, 3), rows are the axes of the equator of date in ICRS; the last is the Earth's axis
    zenith : (3,) in ICRS at seconds = 0, or None

    Returns
    -------
    dict
        `mount`: "tripod", "tracked", or None where neither fits.
        `knocks`: positions of the frames before which it was knocked, or a tracker slipped; a tracker's dithers are
        none. `knock_deg`: by how much it was turned there.
        For a tripod: `creep_arcsec_h` (rotation about the camera's X, Y, Z) and `creep_scatter_arcsec`, of the longest
        run between two knocks; `pole_offset_arcmin` (of the axis about which the stars were seen to turn from the
        Earth's) and `sidereal_ratio` (its rate over the sidereal).
        For a tracker: `polar_error_deg` with `polar_error_sigma_deg`, `polar_error_up_deg`, `polar_error_east_deg`
        (of its axis from the pole above the horizon: towards the zenith, towards the east; None without a zenith),
        `rate_error` (relative), `drift_arcsec_h`, `drift_scatter_arcsec`; `rate_error_sigma`, `drift_sigma_arcsec_h`
        (standard deviations that the scatter about the straight line leaves them). The rates are those between jumps:
        one line for each run of frames, all of one slope.
    """
    nothing: dict[str, Any] = {"mount": None}
    if len(seconds) < 2 or np.ptp(seconds) < SHORTEST_S:
        return nothing
    middle = int(np.argmin(np.abs(seconds)))
    hours = seconds / 3600.0
    turn = Rotation.from_rotvec(np.outer(SIDEREAL_RATE * seconds, [0.0, 0.0, 1.0])).as_matrix()
    ground = attitudes @ axes.T @ turn
    by_stars = Rotation.from_matrix(attitudes @ attitudes[middle].T).as_rotvec() / ARCSEC
    knocks = _knocks(ground, hours)
    jumps = _jumps(attitudes, hours)
    breaks = np.union1d(jumps, _pauses(seconds))
    if len(seconds) - len(breaks) < FREE_LEAST + 2:
        breaks = _pauses(seconds)
    calm = _longest(np.union1d(knocks, _pauses(seconds)), seconds)
    by_ground = Rotation.from_matrix(ground[calm] @ ground[calm][0].T).as_rotvec() / ARCSEC
    creep, creep_scatter, _ = _rate(hours[calm], by_ground)
    drift, drift_scatter, lever_h = _rate(hours, by_stars, breaks)
    sidereal = SIDEREAL_RATE * 3600 / ARCSEC
    pole = axes[2]
    if np.linalg.norm(creep) < STILL * sidereal:
        in_sky = Rotation.from_matrix(attitudes[calm][0].T @ attitudes[calm]).as_rotvec()
        rate, _, _ = _rate(seconds[calm], in_sky)
        speed = float(np.linalg.norm(rate))
        if speed == 0.0:  # frames whose clock stood still
            return nothing
        axis = -rate / speed
        return {
            "mount": "tripod",
            "knocks": [int(k) for k in knocks],
            "knock_deg": _turns(ground, knocks),
            "creep_arcsec_h": [round(float(c), 2) for c in creep],
            "creep_scatter_arcsec": round(float(np.linalg.norm(creep_scatter)), 2),
            "pole_offset_arcmin": round(
                float(np.arctan2(np.linalg.norm(np.cross(axis, pole)), axis @ pole)) / ARCSEC / 60, 3
            ),
            "sidereal_ratio": round(speed / SIDEREAL_RATE, 7),
        }
    if np.linalg.norm(drift) < STILL * sidereal:
        in_sky = Rotation.from_matrix(attitudes[middle].T @ attitudes).as_rotvec() @ axes.T
        rate, scatter, lever = _rate(seconds, in_sky, breaks)
        off, unsure = rate / SIDEREAL_RATE, scatter / lever / SIDEREAL_RATE
        across = off[:2] @ axes[:2]
        up = east = None
        if zenith is not None:
            toward = zenith - (zenith @ pole) * pole
            if np.linalg.norm(toward) > 1e-6:
                toward /= np.linalg.norm(toward)
                # a southern tracker's axis points at the other pole: what lies too high there lies too low here
                side = 1.0 if zenith @ pole >= 0 else -1.0
                up = round(side * float(np.degrees(across @ toward)), 4)
                east = round(side * float(np.degrees(across @ np.cross(pole, toward))), 4)
        told = jumps if len(jumps) <= JUMPS_MOST * len(seconds) else jumps[:0]
        return {
            "mount": "tracked",
            "knocks": [int(k) for k in told],
            "knock_deg": _turns(attitudes, told),
            "polar_error_deg": round(float(np.degrees(np.linalg.norm(across))), 4),
            "polar_error_sigma_deg": round(float(np.degrees(np.hypot(*unsure[:2]))), 4),
            "polar_error_up_deg": up,
            "polar_error_east_deg": east,
            "rate_error": round(float(off[2]), 6),
            "rate_error_sigma": round(float(unsure[2]), 6),
            "drift_arcsec_h": [round(float(d), 2) for d in drift],
            "drift_scatter_arcsec": round(float(np.hypot(*drift_scatter[:2])), 2),
            "drift_sigma_arcsec_h": round(float(np.hypot(*drift_scatter[:2]) / lever_h), 2),
        }
    return nothing


def _turns(stood: Floats, knocks: NDArray[np.intp]) -> list[float]:
    """By how much a camera was turned from the frames before to these, degrees."""
    between = Rotation.from_matrix(stood[knocks] @ stood[knocks - 1].transpose(0, 2, 1))
    return [round(float(turn), 3) for turn in np.degrees(between.magnitude())]


def _knocks(stood: Floats, hours: Floats) -> NDArray[np.intp]:
    """Positions of frames before which a camera was turned suddenly; its attitudes (n, 3, 3) against the ground."""
    off = _steps(stood, hours)
    if len(off) < 3:
        return np.zeros(0, np.intp)
    return np.flatnonzero(off > max(KNOCK_ARCSEC, KNOCK_SIGMAS * float(np.median(off)))) + 1


def _jumps(stood: Floats, hours: Floats) -> NDArray[np.intp]:
    """The same against the stars, all of a tracker's dithers if there are many."""
    off = _steps(stood, hours)
    if len(off) < 3:
        return np.zeros(0, np.intp)
    usual = CALM_TO_MEDIAN * float(np.quantile(off, CALM))
    jumps = np.flatnonzero(off > max(KNOCK_ARCSEC, KNOCK_SIGMAS * usual)) + 1
    return jumps if len(jumps) <= JUMPS_MOST * len(stood) else np.flatnonzero(off > DITHER_SIGMAS * usual) + 1


def _steps(stood: Floats, hours: Floats) -> Floats:
    """By how much a camera turned otherwise than usual from each frame to the next, arcsec."""
    # from each frame to the next: turns of more than half a circle have no sum
    turns = Rotation.from_matrix(stood[1:] @ stood[:-1].transpose(0, 2, 1)).as_rotvec() / ARCSEC
    between = np.maximum(np.diff(hours), 1e-6)[:, None]
    return np.asarray(np.linalg.norm(turns - np.median(turns / between, axis=0) * between, axis=1))


def _pauses(seconds: Floats) -> NDArray[np.intp]:
    """Positions of frames before which nothing was taken for long."""
    return np.flatnonzero(np.diff(seconds) > PAUSE_S) + 1


def _longest(knocks: NDArray[np.intp], seconds: Floats) -> slice:
    """The longest run of frames without a knock."""
    bounds = [0, *knocks.tolist(), len(seconds)]
    runs = [slice(a, b) for a, b in pairwise(bounds) if b > a]
    return max(runs, key=lambda run: float(seconds[run.stop - 1] - seconds[run.start]))


def _rate(time: Floats, values: Floats, jumps: Sequence[int] | NDArray[np.intp] = ()) -> tuple[Floats, Floats, float]:
    """Slopes (k,) of values (n, k) over time by least squares, each run of frames between jumps with a level of its
    own; the scatter (k,) of the rest, by the freedom left; and the lever: the root of the sum of squared times."""
    centred, rest = time.astype(np.float64), values.astype(np.float64)
    for run in (slice(a, b) for a, b in pairwise([0, *jumps, len(time)])):
        centred[run] -= time[run].mean()
        rest[run] -= values[run].mean(axis=0)
    lever = max(float(np.linalg.norm(centred)), 1e-9)
    slope = centred @ rest / lever**2
    rest -= np.outer(centred, slope)
    free = max(len(time) - len(jumps) - 2, 1)
    return slope, np.sqrt(np.sum(rest**2, axis=0) / free), lever
