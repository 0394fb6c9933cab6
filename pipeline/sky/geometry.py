"""The geometry of a scene: where a pixel of one frame lies in another, and on the sky (`geometry.json`)."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import InputError
from pipeline.files import read_json, shown, write_json
from pipeline.sky import refraction, times
from pipeline.sky.camera import Camera
from pipeline.sky.directions import right_ascension_declination, unit_vectors

Floats = NDArray[np.float64]

# Lateral colour is small (some thousandths): the inversion gains three digits a step.
COLOUR_STEPS = 4


@dataclass(frozen=True)
class Placement:
    """One frame's place.

    Parameters
    ----------
    attitude : (4,) [w, x, y, z], rotates ICRS (or, unsolved, the reference frame's directions) into the camera
    rms_px : root mean square distance of its stars from where the fit puts them, pixels; None for a lone unsolved frame
    stars : how many stars that is
    flux_scale : multiplies the frame's values above its sky to match the reference's; with its error; None if unknown
    zenith : (3,) direction of the zenith in the frame of `attitude`; None where refraction is not part of the fit
    colour_shift : by colour ("R", "B"), by how many pixels (x, y) the frame's picture in it lies off green's, the lens
        left out: the air spreads colours towards the zenith
    scale : of the frame's picture about the lens's axis, against the shared camera's: focus changes it
    flux_scale_flat : `flux_scale` where the lens's fall-off (`learned["vignetting"]`) is divided out of both
    """

    attitude: Floats
    rms_px: float | None = None
    stars: int = 0
    flux_scale: float | None = None
    flux_scale_error: float | None = None
    zenith: Floats | None = None
    colour_shift: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    scale: float = 1.0
    flux_scale_flat: float | None = None


@dataclass(frozen=True)
class Geometry:
    """Camera, attitudes and what goes with them.

    A direction on the sky is shifted by aberration (`velocity`), raised by refraction (`strength` of the air and the
    frame's zenith), turned by the attitude and imaged by the camera. Between two frames aberration cancels.

    Parameters
    ----------
    reference : id of the frame whose pixel grid the result has
    solved : whether attitudes are against ICRS
    camera : the lens of all frames
    frames : placements by frame id
    left_out : why, by frame id
    strength : of refraction; 0 where it is not part of the fit
    velocity : (3,) the Earth's velocity over that of light, ICRS; zeros where the date is not known
    lateral_colour : by colour ("R", "B"), (a0, a2, a4): against green, positions are stretched from the axis by
        1 + a0 + a2 q^2 + a4 q^4, q the distance from the axis over half the diagonal
    learned : what else the fit found out (pole, drift, refraction, clock), plain values for pages and `scene.json`
    elsewhere : of those left out, the frames that make a field of their own, ids of each field
    """

    reference: str
    solved: bool
    camera: Camera
    frames: Mapping[str, Placement]
    left_out: Mapping[str, str] = field(default_factory=dict)
    strength: float = 0.0
    velocity: Floats = field(default_factory=lambda: np.zeros(3))
    lateral_colour: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    learned: Mapping[str, Any] = field(default_factory=dict)
    elsewhere: tuple[tuple[str, ...], ...] = ()

    def __post_init__(self) -> None:
        if self.reference not in self.frames:
            raise InputError(f"the reference {self.reference} is not among the placed frames; run register again")
        object.__setattr__(self, "_matrices", {k: _matrix(p.attitude) for k, p in self.frames.items()})

    # files

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Geometry:
        """Read `geometry.json`.

        Raises
        ------
        InputError
            The file is not what `save` writes.
        """
        try:
            return cls.from_json(read_json(path))
        except (KeyError, TypeError, ValueError, AttributeError) as error:
            raise InputError(f"{shown(Path(path))}: is not a geometry file ({error}); run register again") from error

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write `geometry.json`, under a temporary name first."""
        write_json(path, self.to_json())

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Geometry:
        """Read what `to_json` gave."""
        frames = {
            name: Placement(
                attitude=np.array(item["attitude"], np.float64),
                rms_px=item["rms_px"],
                stars=int(item["stars"]),
                flux_scale=item["flux_scale"],
                flux_scale_error=item["flux_scale_error"],
                flux_scale_flat=item.get("flux_scale_flat"),
                zenith=None if item.get("zenith") is None else np.array(item["zenith"], np.float64),
                colour_shift={c: (float(x), float(y)) for c, (x, y) in (item.get("colour_shift") or {}).items()},
                scale=float(item.get("scale") or 1.0),
            )
            for name, item in content["frames"].items()
        }
        air = content.get("refraction")
        return cls(
            reference=content["reference"],
            solved=bool(content["solved"]),
            camera=Camera.from_json(content["camera"]),
            frames=frames,
            left_out=dict(content["left_out"]),
            strength=0.0 if air is None else float(air["strength"]),
            velocity=np.array(content.get("velocity_c") or (0.0, 0.0, 0.0), np.float64),
            lateral_colour={c: tuple(map(float, a)) for c, a in (content.get("lateral_colour") or {}).items()},  # type: ignore[misc]
            learned=dict(content.get("learned") or {}),
            elsewhere=tuple(tuple(map(str, group)) for group in content.get("elsewhere") or ()),
        )

    def to_json(self) -> dict[str, Any]:
        """Plain values under the names of `geometry.json`."""
        return {
            "reference": self.reference,
            "solved": self.solved,
            "camera": self.camera.to_json(),
            "frames": {
                name: {
                    "attitude": [float(q) for q in p.attitude],
                    "rms_px": None if p.rms_px is None else float(p.rms_px),
                    "stars": int(p.stars),
                    "flux_scale": None if p.flux_scale is None else float(p.flux_scale),
                    "flux_scale_error": None if p.flux_scale_error is None else float(p.flux_scale_error),
                    "flux_scale_flat": None if p.flux_scale_flat is None else float(p.flux_scale_flat),
                    "zenith": None if p.zenith is None else [float(z) for z in p.zenith],
                    "colour_shift": {c: [float(v) for v in s] for c, s in p.colour_shift.items()} or None,
                    "scale": float(p.scale),
                }
                for name, p in self.frames.items()
            },
            "left_out": dict(self.left_out),
            "elsewhere": [list(group) for group in self.elsewhere],
            "refraction": {"strength": float(self.strength)} if self.strength else None,
            "velocity_c": [float(v) for v in self.velocity],
            "lateral_colour": {c: [float(v) for v in a] for c, a in self.lateral_colour.items()} or None,
            "learned": dict(self.learned),
        }

    # positions

    def beyond(self, px: float) -> Geometry:
        """The same where the map of a fisheye goes on for so many pixels past its picture (`Camera.beyond_px`)."""
        return replace(self, camera=self.camera.changed(beyond_px=px)) if self.camera.fisheye else self

    def directions(self, frame_id: str, x: ArrayLike, y: ArrayLike, colour: str = "G") -> Floats:
        """Directions (..., 3) of a frame's pixels, refraction taken out, aberration left in."""
        matrix = self._matrix(frame_id)
        x, y = self.to_green(frame_id, x, y, colour)
        scale, cx, cy = self.frames[frame_id].scale, self.camera.centre_x, self.camera.centre_y
        if scale != 1.0:
            x, y = cx + (x - cx) / scale, cy + (y - cy) / scale
        vectors = self.camera.unproject(x, y) @ matrix
        zenith = self.frames[frame_id].zenith
        return vectors if zenith is None or not self.strength else refraction.unrefract(vectors, zenith, self.strength)

    def positions(self, frame_id: str, directions: ArrayLike, colour: str = "G") -> tuple[Floats, Floats]:
        """Pixels of a frame (x, y) where such directions lie; NaN where the lens shows nothing."""
        vectors = np.asarray(directions, np.float64)
        matrix, zenith = self._matrix(frame_id), self.frames[frame_id].zenith
        if zenith is not None and self.strength:
            vectors = refraction.refract(vectors, zenith, self.strength)
        x, y = self.camera.project(vectors @ matrix.T)
        scale, cx, cy = self.frames[frame_id].scale, self.camera.centre_x, self.camera.centre_y
        if scale != 1.0:
            x, y = cx + (x - cx) * scale, cy + (y - cy) * scale
        return self.from_green(frame_id, x, y, colour)

    def from_reference(self, frame_id: str, x: ArrayLike, y: ArrayLike, colour: str = "G") -> tuple[Floats, Floats]:
        """Where in a frame the reference's pixels lie.

        Parameters
        ----------
        frame_id : a placed frame
        x, y : arrays of one shape, pixels of the reference (of the result)
        colour : which colour of the frame is asked for; the reference's positions are those of green

        Returns
        -------
        xs, ys : float64 arrays of that shape; NaN where the lens shows nothing
        """
        if frame_id == self.reference and colour == "G":
            return np.array(x, np.float64), np.array(y, np.float64)
        return self.positions(frame_id, self.directions(self.reference, x, y), colour)

    def to_reference(self, frame_id: str, x: ArrayLike, y: ArrayLike, colour: str = "G") -> tuple[Floats, Floats]:
        """Where in the reference (its green) a frame's pixels lie: the inverse of `from_reference`."""
        if frame_id == self.reference and colour == "G":
            return np.array(x, np.float64), np.array(y, np.float64)
        return self.positions(self.reference, self.directions(frame_id, x, y, colour))

    def to_sky(self, frame_id: str, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Right ascension and declination (degrees, ICRS) of a frame's pixels.

        Raises
        ------
        InputError
            The scene was not solved.
        """
        if not self.solved:
            raise InputError("the scene was not found on the sky: its stars match no part of the catalogue")
        v = times.unaberrated(self.directions(frame_id, x, y), self.velocity)
        return right_ascension_declination(v)

    def from_sky(self, frame_id: str, ra_deg: ArrayLike, dec_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Pixels of a frame where places on the sky (degrees, ICRS) lie: the inverse of `to_sky`."""
        if not self.solved:
            raise InputError("the scene was not found on the sky: its stars match no part of the catalogue")
        vectors = unit_vectors(np.radians(ra_deg), np.radians(dec_deg))
        return self.positions(frame_id, times.aberrated(vectors, self.velocity))

    def _matrix(self, frame_id: str) -> Floats:
        try:
            return self._matrices[frame_id]  # type: ignore[attr-defined]
        except KeyError:
            why = self.left_out.get(frame_id, "no frame of this scene has that id")
            raise InputError(f"{frame_id}: has no place in this scene ({why})") from None

    def _stretch(self, x: Floats, y: Floats, colour: str) -> Floats:
        a0, a2, a4 = self.lateral_colour.get(colour, (0.0, 0.0, 0.0))
        half = (self.camera.width**2 + self.camera.height**2) / 4.0
        q2 = ((x - self.camera.centre_x) ** 2 + (y - self.camera.centre_y) ** 2) / half
        return a0 + q2 * (a2 + q2 * a4)

    def _shift(self, frame_id: str | None, colour: str) -> tuple[float, float]:
        shifts = {} if frame_id is None else self.frames[frame_id].colour_shift
        return shifts.get(colour, (0.0, 0.0))

    def from_green(self, frame_id: str | None, x: ArrayLike, y: ArrayLike, colour: str) -> tuple[Floats, Floats]:
        """Where a colour lies of what green shows at x, y; of no frame, the lens alone counts and not the air."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        shift = self._shift(frame_id, colour)
        if colour not in self.lateral_colour and shift == (0.0, 0.0):
            return x, y
        stretch = self._stretch(x, y, colour)
        cx, cy = self.camera.centre_x, self.camera.centre_y
        return x + stretch * (x - cx) + shift[0], y + stretch * (y - cy) + shift[1]

    def to_green(self, frame_id: str | None, x: ArrayLike, y: ArrayLike, colour: str) -> tuple[Floats, Floats]:
        """Where in a frame green lies of what a colour shows at x, y; of no frame, as `from_green`."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        shift = self._shift(frame_id, colour)
        if colour not in self.lateral_colour and shift == (0.0, 0.0):
            return x, y
        x, y = x - shift[0], y - shift[1]
        cx, cy = self.camera.centre_x, self.camera.centre_y
        gx, gy = x, y
        for _ in range(COLOUR_STEPS):
            factor = 1.0 + self._stretch(gx, gy, colour)
            gx, gy = cx + (x - cx) / factor, cy + (y - cy) / factor
        return gx, gy


def _matrix(attitude: Floats) -> Floats:
    from scipy.spatial.transform import Rotation

    if np.shape(attitude) != (4,):
        raise InputError(f"an attitude must have four numbers (got {np.shape(attitude)})")
    return Rotation.from_quat(attitude, scalar_first=True).as_matrix()
