"""Frames of a card that never was, for the tests of the inventory."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial.transform import Rotation

from example_project.maker.sky import vectors_of
from pipeline.card.frame import CardFrame, Facts, frame_id, set_clocks
from pipeline.card.pointing import Solved, StarView
from pipeline.sky.camera import Camera
from pipeline.sky.times import SIDEREAL_RATE

EVENING = datetime(2026, 8, 14, 22, 0, 0)
SHARED = Path(__file__).resolve().parents[2] / "shared"

FACTS: dict[str, Any] = {
    "width": 6000,
    "height": 4000,
    "exposure_s": 30.0,
    "iso": 1600,
    "f_number": 2.8,
    "focal_mm": 24.0,
    "camera": "Varno N1",
    "serial": "20417",
    "lens": "24 mm f/2.8",
    "pixel_um": 6.0,
}


def frame(after_s: float | None = 0.0, kind: str = "light", name: str | None = None, size: int = 30_000_000, **facts):
    """A frame taken so many seconds after the evening began; None for a frame without a time."""
    taken = None if after_s is None else (EVENING + timedelta(seconds=after_s)).isoformat()
    known = Facts(**{**FACTS, "taken": taken, **facts})
    path = f"/card/{name or f'F{0 if after_s is None else round(after_s):05d}.raw'}"
    digest = hashlib.blake2b(f"{path}{known}".encode(), digest_size=16).hexdigest()
    return CardFrame(frame_id(known, digest), path, path.removeprefix("/card/"), "raw", "frames", size, known, kind)


def run(count: int, pace_s: float = 32.0, begin_s: float = 0.0, **facts) -> list[CardFrame]:
    """Frames one after the other, on one clock."""
    return clocked(frame(begin_s + n * pace_s, **facts) for n in range(count))


def clocked(frames) -> list[CardFrame]:
    """The frames with their body and their place on its clock."""
    return set_clocks(frames, None)


class Sky:
    """What the frames of a run show: a view and a match for `Looker`, from given pointings.

    `aim` gives a frame's attitude by seconds after the first; None stands for a frame without stars.
    """

    def __init__(self, frames: Sequence[CardFrame], aim, solved: bool = True, focal_px: float = 4000.0) -> None:
        self.begin = frames[0].start or 0.0
        self.aim, self.solved, self.focal_px = aim, solved, focal_px
        self.viewed: list[str] = []

    def view(self, one: CardFrame) -> StarView | None:
        self.viewed.append(one.id)
        attitude = self.aim((one.start or 0.0) - self.begin)
        if attitude is None:
            return StarView(np.zeros((3, 3)), None)
        camera = Camera.simple(self.focal_px, one.facts.width, one.facts.height)
        solved = Solved(attitude, camera, camera.scale_arcsec, 10.0, 20.0) if self.solved else None
        return StarView(np.zeros((200, 3)), solved)

    def match(self, a, view_a, b, view_b):
        return None


def fixed(ra_deg: float = 40.0, dec_deg: float = 20.0, roll_deg: float = 0.0):
    """A camera on a tripod: the sky turns."""
    start = towards(ra_deg, dec_deg, roll_deg)
    return lambda t: start * Rotation.from_euler("z", -SIDEREAL_RATE * t)


def tracking(ra_deg: float = 40.0, dec_deg: float = 20.0, roll_deg: float = 0.0):
    """A camera that follows the sky."""
    start = towards(ra_deg, dec_deg, roll_deg)
    return lambda t: start


def towards(ra_deg: float, dec_deg: float, roll_deg: float = 0.0) -> Rotation:
    """An attitude that brings a place of the sky to the middle of the picture."""
    ahead, ra = vectors_of(ra_deg, dec_deg), np.radians(ra_deg)
    right = np.array([np.sin(ra), -np.cos(ra), 0.0])
    down = np.cross(ahead, right)
    return Rotation.from_euler("z", roll_deg, degrees=True) * Rotation.from_matrix([right, down, ahead])
