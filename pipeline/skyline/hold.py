"""How the camera stood against the ground: what a tripod's creep, a knock or a tracker moved from frame to frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from pipeline.sky.geometry import Geometry
from pipeline.sky.times import SIDEREAL_RATE

Floats = NDArray[np.float64]

TRIPOD, TRACKED, UNKNOWN = "tripod", "tracked", "unknown"
# The camera of a tripod turns against the ground by less than this share of what the sky does; a knock in a short run
# may be a good part of it.
STANDS = 0.6
# A motion below this, px, is the attitudes' own error: nothing need be interpolated for it.
STILL_PX = 0.02


@dataclass(frozen=True)
class Hold:
    """Where what is fixed to the ground lies in each frame.

    A ground point's direction in the reference's camera axes is turned by the frame's `turns` and imaged by the scene's
    camera.

    Parameters
    ----------
    geometry : of the scene; its camera and lateral colour are used, not its attitudes
    kind : "tripod", "tracked" or "unknown"
    turns : (3, 3) rotation by frame id
    """

    geometry: Geometry
    kind: str
    turns: Mapping[str, Floats]

    def from_reference(self, frame_id: str, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Where in a frame lies the ground that the reference shows at (x, y), green; as `Geometry.from_reference`."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        if self._rests(frame_id):
            return x.copy(), y.copy()
        camera = self.geometry.camera
        x, y = self._scaled(x, y, 1.0 / self._scale(self.geometry.reference))
        xs, ys = camera.project(camera.unproject(x, y) @ self.turns[frame_id].T)
        return self._scaled(xs, ys, self._scale(frame_id))

    def to_reference(self, frame_id: str, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Where in the reference lies the ground that a frame shows at (x, y), green; inverse of `from_reference`."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        if self._rests(frame_id):
            return x.copy(), y.copy()
        camera = self.geometry.camera
        x, y = self._scaled(x, y, 1.0 / self._scale(frame_id))
        xs, ys = camera.project(camera.unproject(x, y) @ self.turns[frame_id])
        return self._scaled(xs, ys, self._scale(self.geometry.reference))

    def beyond(self, px: float) -> Hold:
        """The same where the map of a fisheye goes on past its picture (`Geometry.beyond`)."""
        return replace(self, geometry=self.geometry.beyond(px))

    def about(self, frame_id: str) -> Hold:
        """The same with another frame for its reference."""
        back = self.turns[frame_id].T
        turns = {name: turn @ back for name, turn in self.turns.items()}
        return Hold(replace(self.geometry, reference=frame_id), self.kind, turns)

    def moved_px(self, one: str, other: str) -> float:
        """How far the ground moves through the picture between two frames, px, where it moves most."""
        turn = Rotation.from_matrix(self.turns[one] @ self.turns[other].T)
        return float(turn.magnitude() * self.geometry.camera.focal_px)

    def smear_px(self, seconds: Mapping[str, float | None], exposure_s: float) -> float:
        """How far the ground moves during an exposure, px, where it moves most; 0 before a tripod.

        Parameters
        ----------
        seconds : middle of each frame's exposure, s
        exposure_s : its length
        """
        return float(np.linalg.norm(self._rate(seconds)) * exposure_s * self.geometry.camera.focal_px)

    def drift_px(
        self, seconds: Mapping[str, float | None], exposure_s: float, x: ArrayLike, y: ArrayLike
    ) -> tuple[Floats, Floats]:
        """By how much the ground at (x, y) of the reference moves right and down during an exposure, px; 0 before a
        tripod. The first two as of `smear_px`."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        camera = self.geometry.camera
        turn = Rotation.from_rotvec(self._rate(seconds) * exposure_s).as_matrix()
        xs, ys = camera.project(camera.unproject(x, y) @ turn.T)
        return xs - x, ys - y

    def _rate(self, seconds: Mapping[str, float | None]) -> Floats:
        """Of the ground's turning in the reference's axes, rad/s."""
        if self.kind != TRACKED:
            return np.zeros(3)
        names = [name for name in self.turns if seconds.get(name) is not None]
        t = np.array([seconds[name] for name in names], float)
        turned = Rotation.from_matrix(np.stack([self.turns[name] for name in names])).as_rotvec()
        t, turned = t - t.mean(), turned - turned.mean(axis=0)
        return np.asarray((t @ turned) / max(float(t @ t), 1e-9))

    def _rests(self, frame_id: str) -> bool:
        """Whether the ground lies in a frame as in the reference, to `STILL_PX`."""
        if frame_id not in self._resting:
            self._resting[frame_id] = self._moves_little(frame_id)
        return self._resting[frame_id]

    @cached_property
    def _resting(self) -> dict[str, bool]:
        return {}

    def _moves_little(self, frame_id: str) -> bool:
        scale = abs(self._scale(frame_id) / self._scale(self.geometry.reference) - 1.0)
        camera = self.geometry.camera
        off = scale * np.hypot(camera.width, camera.height) / 2
        return bool(self.moved_px(frame_id, self.geometry.reference) + off < STILL_PX)

    def _scale(self, frame_id: str) -> float:
        """Of a frame's picture against the shared camera's: focus changes the ground's as it does the stars'."""
        return self.geometry.frames[frame_id].scale

    def _scaled(self, x: Floats, y: Floats, scale: float) -> tuple[Floats, Floats]:
        if scale == 1.0:
            return x, y
        cx, cy = self.geometry.camera.centre_x, self.geometry.camera.centre_y
        return cx + (x - cx) * scale, cy + (y - cy) * scale

    def from_green(self, frame_id: str, x: ArrayLike, y: ArrayLike, colour: str) -> tuple[Floats, Floats]:
        """Where in a frame another colour shows of the ground what green shows at (x, y): the air's colours apart."""
        return self.geometry.from_green(None, x, y, colour)

    def to_green(self, frame_id: str, x: ArrayLike, y: ArrayLike, colour: str) -> tuple[Floats, Floats]:
        """Where in a frame green shows of the ground what another colour shows at (x, y): the air's colours apart."""
        return self.geometry.to_green(None, x, y, colour)

    def to_json(self) -> dict[str, Any]:
        """Plain values: the kind, and a quaternion [w, x, y, z] a frame."""
        return {
            "kind": self.kind,
            "frames": {
                name: [float(q) for q in Rotation.from_matrix(turn).as_quat(canonical=True, scalar_first=True)]
                for name, turn in self.turns.items()
            },
        }

    @classmethod
    def from_json(cls, geometry: Geometry, content: Mapping[str, Any]) -> Hold:
        """Read what `to_json` gave."""
        turns = {n: Rotation.from_quat(q, scalar_first=True).as_matrix() for n, q in content["frames"].items()}
        return cls(geometry, content["kind"], turns)


def hold_of(geometry: Geometry, seconds: Mapping[str, float | None], pole: Floats | None) -> Hold:
    """Tell from attitudes and times how the camera stood.

    Parameters
    ----------
    geometry : of the scene
    seconds : middle of each frame's exposure, s; None where not known
    pole : (3,) the Earth's axis in the axes of the attitudes; None where they are not those of the sky, or the date is
        not known: then the axis about which the frames turn is taken for it

    Returns
    -------
    Hold
        Its turns are the identity where times are missing: a camera is then taken to stand still.
    """
    ids = list(geometry.frames)
    reference = geometry.reference
    attitudes = np.stack([_matrix(geometry, name) for name in ids])
    ref = ids.index(reference)
    known = [seconds.get(name) for name in ids]
    still = {name: np.eye(3) for name in ids}
    if any(t is None for t in known) or np.ptp(np.array(known, float)) <= 0:
        return Hold(geometry, UNKNOWN, still)
    t = np.array(known, float) - float(known[ref] or 0.0)
    turned = Rotation.from_matrix(attitudes[ref].T @ attitudes).as_rotvec()  # about -pole in the sky's axes
    if pole is None:
        slope = (t @ turned) / float(t @ t)
        speed = float(np.linalg.norm(slope))
        if speed < 0.1 * SIDEREAL_RATE:
            return Hold(
                geometry, TRACKED, {n: np.asarray(a @ attitudes[ref].T) for n, a in zip(ids, attitudes, strict=True)}
            )
        pole = -slope / speed
    earth = Rotation.from_rotvec(np.outer(SIDEREAL_RATE * t, pole)).as_matrix()
    turns = attitudes @ earth @ attitudes[ref].T
    moved = t != 0
    by_ground = np.linalg.norm(Rotation.from_matrix(turns).as_rotvec()[moved], axis=1)
    by_stars = np.linalg.norm(turned[moved], axis=1)
    sky = SIDEREAL_RATE * np.abs(t[moved])
    on_ground, on_stars = float(np.median(by_ground / sky)), float(np.median(by_stars / sky))
    kind = TRIPOD if on_ground < STANDS and on_ground < on_stars else TRACKED
    return Hold(geometry, kind, dict(zip(ids, turns, strict=True)))


def _matrix(geometry: Geometry, name: str) -> Floats:
    return np.asarray(Rotation.from_quat(geometry.frames[name].attitude, scalar_first=True).as_matrix())
