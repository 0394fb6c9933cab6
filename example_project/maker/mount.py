"""How the camera is held: fixed tripod or star tracker, and what shakes it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from example_project.maker.sky import EARTH_RATE

Floats = NDArray[np.float64]

ARCSEC = np.pi / 648000


def aimed(azimuth_deg: float, altitude_deg: float, roll_deg: float = 0.0) -> Floats:
    """Rotation matrix from (east, north, up) to the camera, for a direction of aim; roll turns the camera clockwise."""
    a, h = np.radians(azimuth_deg), np.radians(altitude_deg)
    forward = np.array([np.sin(a) * np.cos(h), np.cos(a) * np.cos(h), np.sin(h)])
    right = np.array([np.cos(a), -np.sin(a), 0.0])
    level = np.stack([right, np.cross(forward, right), forward])
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) @ level


def small_turn(right_px: float, down_px: float, focal_px: float, roll: float = 0.0) -> Floats:
    """Rotation matrix in camera axes that moves the picture's middle by (right, down) px and turns it by roll (rad)."""
    return Rotation.from_rotvec([-down_px / focal_px, right_px / focal_px, roll]).as_matrix()


@dataclass(frozen=True)
class Mount:
    """What holds the camera.

    Parameters
    ----------
    kind : tripod or tracked
    azimuth_deg, altitude_deg, roll_deg : the aim at the first frame's start
    creep_arcsec_h : of a tripod that gives way: rotation about the camera's X, Y, Z, arcsec an hour
    polar_error_deg, polar_error_towards_deg : how far the tracker's axis is off the pole, and in which direction
        (position angle from the zenith, towards the east)
    periodic_arcsec, period_s : of the tracker's worm
    dither_px : rms of the random shift between two frames of a tracker
    """

    kind: str = "tripod"
    azimuth_deg: float = 180.0
    altitude_deg: float = 40.0
    roll_deg: float = 0.0
    creep_arcsec_h: tuple[float, float, float] = (0.0, 0.0, 0.0)
    polar_error_deg: float = 0.0
    polar_error_towards_deg: float = 60.0
    periodic_arcsec: float = 0.0
    period_s: float = 480.0
    dither_px: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in ("tripod", "tracked"):
            raise ValueError(f"kind must be tripod or tracked (got {self.kind!r})")

    def axis(self, latitude_deg: float) -> Floats:
        """The tracker's axis, (east, north, up)."""
        latitude, off = np.radians(latitude_deg), np.radians(self.polar_error_deg)
        towards = np.radians(self.polar_error_towards_deg)
        pole = np.array([0, np.cos(latitude), np.sin(latitude)])
        zenithward = np.array([0, -np.sin(latitude), np.cos(latitude)])
        east = np.array([1.0, 0, 0])
        return np.cos(off) * pole + np.sin(off) * (np.cos(towards) * zenithward + np.sin(towards) * east)

    def camera(self, seconds: float, latitude_deg: float) -> Floats:
        """Rotation matrix from (east, north, up) to the camera, `seconds` after the start, unshaken, undithered."""
        start = aimed(self.azimuth_deg, self.altitude_deg, self.roll_deg)
        if self.kind == "tripod":
            creep = Rotation.from_rotvec(np.array(self.creep_arcsec_h) * ARCSEC * seconds / 3600)
            return creep.as_matrix() @ start
        angle = EARTH_RATE * seconds
        angle += self.periodic_arcsec * ARCSEC * np.sin(2 * np.pi * seconds / self.period_s)
        return start @ Rotation.from_rotvec(angle * self.axis(latitude_deg)).as_matrix()
