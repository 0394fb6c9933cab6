"""The exact geometry of a rendered frame, and the truth written beside it."""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from example_project.maker.lens import Lens, Optics
from example_project.maker.sky import aberrate, radec_of, refract, unrefract, vectors_of
from pipeline.files import read_json, replacing

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FrameGeometry:
    """The mapping from sky to pixels of one frame, at the middle of its exposure, without its shake.

    A star's ICRS vector is aberrated, refracted towards `zenith`, turned by `attitude` into the camera and projected.

    Parameters
    ----------
    attitude : (3, 3), ICRS to camera
    zenith : (3,) ICRS
    velocity : (3,) of the Earth, units of the speed of light
    air : 1 at 1010 hPa and 10 C, 0 for no refraction
    """

    optics: Optics
    attitude: Floats
    zenith: Floats
    velocity: Floats
    air: float = 1.0

    def from_vectors(self, vectors: Floats, colour: str = "G") -> tuple[Floats, Floats]:
        """Pixel positions of ICRS unit vectors (..., 3)."""
        seen = refract(aberrate(np.asarray(vectors, float), self.velocity), self.zenith, self.air)
        return self.optics.project(seen @ self.attitude.T, colour)

    def to_vectors(self, x: Floats, y: Floats, colour: str = "G") -> Floats:
        """ICRS unit vectors (..., 3) of pixel positions."""
        seen = self.optics.unproject(np.asarray(x, float), np.asarray(y, float), colour) @ self.attitude
        return aberrate(unrefract(seen, self.zenith, self.air), -self.velocity)

    def from_sky(self, ra_deg: Floats, dec_deg: Floats, colour: str = "G") -> tuple[Floats, Floats]:
        """Pixel positions of ICRS coordinates in degrees."""
        return self.from_vectors(vectors_of(ra_deg, dec_deg), colour)

    def to_sky(self, x: Floats, y: Floats, colour: str = "G") -> tuple[Floats, Floats]:
        """ICRS coordinates in degrees of pixel positions."""
        return radec_of(self.to_vectors(x, y, colour))

    def to_frame(self, other: FrameGeometry, x: Floats, y: Floats, colour: str = "G") -> tuple[Floats, Floats]:
        """Where what lies at (x, y) here in green lies in another frame in `colour`."""
        return other.from_vectors(self.to_vectors(x, y), colour)

    @property
    def quaternion(self) -> list[float]:
        """`attitude` as [w, x, y, z]."""
        return [float(v) for v in Rotation.from_matrix(self.attitude).as_quat(canonical=True, scalar_first=True)]

    def as_json(self) -> dict[str, Any]:
        """The geometry as plain numbers (the optics are the scene's)."""
        return {
            "attitude": self.quaternion,
            "zenith": [float(v) for v in self.zenith],
            "velocity_c": [float(v) for v in self.velocity],
            "air": float(self.air),
        }

    @classmethod
    def from_json(cls, optics: Optics, content: dict[str, Any]) -> FrameGeometry:
        """What `as_json` gave, with the scene's optics."""
        attitude = Rotation.from_quat(content["attitude"], scalar_first=True).as_matrix()
        return cls(optics, attitude, np.array(content["zenith"]), np.array(content["velocity_c"]), content["air"])


@dataclass(frozen=True)
class StarTruth:
    """The stars that fall on a frame, brightest first.

    Parameters
    ----------
    source : (n,) int64, catalogue ids
    magnitude : (n,) G
    x, y : (n, 3) px, of R, G, B light at the middle of the exposure, without shake
    electrons : (n, 3) expected in the exposure, were every pixel of that colour
    motion : (n, 2) px, green: how far the sky moved over the exposure, without shake
    transmission : (n,) share that cloud let through
    hidden : (n,) share that the ground hides
    """

    source: NDArray[np.int64]
    magnitude: Floats
    x: Floats
    y: Floats
    electrons: Floats
    motion: Floats
    transmission: Floats
    hidden: Floats

    def __len__(self) -> int:
        return len(self.source)

    def first(self, count: int) -> StarTruth:
        """The brightest `count`."""
        return StarTruth(*(getattr(self, name)[:count] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class FrameTruth:
    """All that is known of a rendered frame.

    `figures` holds plain numbers: the seconds of the middle since the scene's start, sky (electrons per second in the
    middle of the frame, R, G, B), temperature, black drift, streaks' ends, share of the field under cloud, and so on.
    """

    index: int
    kind: str
    fault: str | None
    severity: float | None
    geometry: FrameGeometry | None
    stars: StarTruth | None
    figures: dict[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """All but the stars."""
        return {
            "index": self.index,
            "kind": self.kind,
            "fault": self.fault,
            "severity": self.severity,
            "geometry": None if self.geometry is None else self.geometry.as_json(),
            **self.figures,
        }


def optics_json(optics: Optics) -> dict[str, Any]:
    """Optics as plain numbers, with the names of DEVELOPERS.md beside the lens's own."""
    lens = optics.lens
    return {
        "width": optics.width,
        "height": optics.height,
        "pitch_um": optics.pitch_um,
        "focal_px": optics.focal_px,
        "centre_x": optics.centre[0],
        "centre_y": optics.centre[1],
        "radial": list(lens.radial),
        "tangential": list(lens.tangential),
        "lateral": {"R": list(lens.lateral[0]), "G": [0.0, 0.0], "B": list(lens.lateral[1])},
        "half_diagonal_px": optics.half_diagonal,
        "lens": asdict(lens),
    }


def optics_from_json(content: dict[str, Any]) -> Optics:
    """What `optics_json` gave."""
    lens: dict[str, Any] = {
        k: tuple(tuple(part) if isinstance(part, list) else part for part in v) if isinstance(v, list) else v
        for k, v in content["lens"].items()
    }
    return Optics(Lens(**lens), content["pitch_um"], content["width"], content["height"])


def write_stars(path: str | os.PathLike[str], stars: StarTruth) -> None:
    """Write star truth as an .npz file (same stars, same bytes)."""
    with replacing(path) as temporary:
        np.savez_compressed(temporary, **{name: getattr(stars, name) for name in stars.__dataclass_fields__})


def read_stars(path: str | os.PathLike[str]) -> StarTruth:
    """Read what `write_stars` wrote."""
    with np.load(path) as content:
        return StarTruth(**{name: content[name] for name in StarTruth.__dataclass_fields__})


class SceneTruth:
    """The truth of one scene of the example: `truth/<scene>/scene.json` and the star files beside it."""

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)
        self.content: dict[str, Any] = read_json(self.folder / "scene.json")
        self.optics = optics_from_json(self.content["optics"])
        self.frames: dict[str, dict[str, Any]] = self.content["frames"]

    def geometry(self, name: str) -> FrameGeometry:
        """Geometry of a frame, by file name."""
        return FrameGeometry.from_json(self.optics, self.frames[name]["geometry"])

    def stars(self, name: str) -> StarTruth:
        """Stars of a frame, by file name."""
        return read_stars(self.folder / (Path(name).stem + ".npz"))
