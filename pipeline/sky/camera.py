"""What a lens makes of directions: a pinhole or a fisheye with radial and tangential distortion, and its inverse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

# Directions further off the axis than this are never in a rectilinear picture; a 14 mm lens on full frame ends at 57.
WIDEST_DEG = 80.0
# A fisheye draws to 90 degrees, some a little beyond; what lies further off is no picture.
WIDEST_FISHEYE_DEG = 110.0
# Past that a fisheye may be taken to go on (`Camera.beyond_px`), by no less than so many focal lengths a radian, and up
# to here: no further than what is right behind it.
LEAST_SLOPE, BEHIND_DEG = 0.3, 170.0
# Where the field of a fisheye ends in a circle, the lens must be one to one at least so far.
FISHEYE_REACH_DEG = 90.0
# A rectilinear model puts what is so near the plane of the lens (cosine of the angle off the axis) out of reach.
FLATTEST = 0.05
# Nodes of the table that starts the inversion; Newton steps do the rest, so its own accuracy matters little.
TABLE_NODES = 1024
# Two steps from the table bring 8 % of distortion to 1e-9 px; the third is for strong tangential terms.
NEWTON_STEPS = 3


@dataclass(frozen=True)
class Camera:
    r"""One lens on one sensor.

    A unit vector (X right, Y down, Z out of the lens) is brought to the plane Z = 1, distorted there and scaled,
    with u = X / Z, v = Y / Z, r^2 = u^2 + v^2:

    .. math::
        x = c_x + f\,[u (1 + k_1 r^2 + k_2 r^4 + k_3 r^6) + 2 p_1 u v + p_2 (r^2 + 2 u^2)]

        y = c_y + f\,[v (1 + k_1 r^2 + k_2 r^4 + k_3 r^6) + p_1 (r^2 + 2 v^2) + 2 p_2 u v]

    A fisheye draws the angle off the axis itself, not its tangent: there u and v are X and Y scaled so that
    r is that angle in radians, and all else is the same. With its radial terms this serves equidistant
    (r = theta), equisolid (2 sin(theta / 2)) and stereographic lenses (2 tan(theta / 2)) alike: to 90 degrees the
    first two exactly to a thousandth of a pixel, the third to a part in 10,000 of the radius.

    In a mirror image (a file whose rows run from the bottom up) y is counted the other way: y = c_y - f [...].
    Beyond the radius where the radial term turns back (and beyond 80 degrees, of a fisheye 110) there is no picture:
    both directions give NaN there, or with `beyond_px` a fisheye's map goes on as it is at that radius, straight along
    each radius: for what is interpolated between places of which some have no picture any more.

    Parameters
    ----------
    focal_px : focal length, pixels
    centre_x, centre_y : where the optical axis meets the sensor, pixels (pixel centres at whole numbers)
    radial : k1, k2, k3
    tangential : p1, p2
    width, height : size of the picture, pixels
    mirrored : the picture is a mirror image of what the lens drew
    fisheye : the lens draws angles, not their tangents
    beyond_px : how far past its last radius a fisheye's map goes on, pixels; not part of the lens, and kept in no file

    References
    ----------
    Brown, D. C. 1966, "Decentering Distortion of Lenses", Photogrammetric Engineering 32(3), 444-462.
    Kannala, J. & Brandt, S. S. 2006, "A generic camera model and calibration method for conventional, wide-angle, and
    fish-eye lenses", IEEE Trans. Pattern Anal. Mach. Intell. 28(8), 1335-1340.
    """

    focal_px: float
    centre_x: float
    centre_y: float
    radial: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tangential: tuple[float, float] = (0.0, 0.0)
    width: int = 0
    height: int = 0
    mirrored: bool = False
    fisheye: bool = False
    beyond_px: float = 0.0

    @classmethod
    def simple(cls, focal_px: float, width: int, height: int, mirrored: bool = False, fisheye: bool = False) -> Camera:
        """A camera without distortion, its axis in the middle of the picture."""
        return cls(
            float(focal_px),
            (width - 1) / 2,
            (height - 1) / 2,
            width=int(width),
            height=int(height),
            mirrored=mirrored,
            fisheye=fisheye,
        )

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> Camera:
        """Read what `to_json` gave."""
        return cls(
            float(content["focal_px"]),
            float(content["centre_x"]),
            float(content["centre_y"]),
            tuple(map(float, content["radial"])),  # type: ignore[arg-type]
            tuple(map(float, content["tangential"])),  # type: ignore[arg-type]
            int(content["width"]),
            int(content["height"]),
            bool(content.get("mirrored", False)),
            bool(content.get("fisheye", False)),
        )

    def to_json(self) -> dict[str, Any]:
        """Plain values under the names of `geometry.json`."""
        return {
            "focal_px": float(self.focal_px),
            "centre_x": float(self.centre_x),
            "centre_y": float(self.centre_y),
            "radial": [float(k) for k in self.radial],
            "tangential": [float(p) for p in self.tangential],
            "width": int(self.width),
            "height": int(self.height),
            "mirrored": bool(self.mirrored),
            "fisheye": bool(self.fisheye),
        }

    def changed(self, **values: Any) -> Camera:
        """The same camera with some values replaced."""
        return replace(self, **values)

    @property
    def down(self) -> float:
        """1 where rows run down the picture that the lens drew, -1 in a mirror image."""
        return -1.0 if self.mirrored else 1.0

    @property
    def plain(self) -> Camera:
        """The same kind of lens without distortion, its axis in the middle of the picture."""
        return Camera.simple(self.focal_px, self.width, self.height, self.mirrored, self.fisheye)

    @cached_property
    def limit(self) -> float:
        """Largest r for which the lens is one to one: a tangent of the angle off the axis, of a fisheye the angle."""
        k1, k2, k3 = self.radial
        widest = self.plane_radius(np.radians(WIDEST_FISHEYE_DEG if self.fisheye else WIDEST_DEG))
        if not np.isfinite([k1, k2, k3]).all():
            return 0.0
        # d/dr of r (1 + k1 r^2 + k2 r^4 + k3 r^6), as a polynomial in r^2
        roots = np.roots([7 * k3, 5 * k2, 3 * k1, 1.0])
        turning = roots[(np.abs(roots.imag) < 1e-12) & (roots.real > 0)].real
        return min(widest, float(np.sqrt(turning.min()))) if turning.size else widest

    def plane_radius(self, angle_rad: float) -> float:
        """r at an angle off the axis."""
        return float(angle_rad if self.fisheye else np.tan(angle_rad))

    def angle(self, radius: float) -> float:
        """Angle off the axis, radians, at r: the inverse of `plane_radius`."""
        return float(radius if self.fisheye else np.arctan(radius))

    @cached_property
    def _going_on(self) -> tuple[float, float]:
        """How far past `limit` the map goes on, radians, and by how many focal lengths a radian it does."""
        if not self.fisheye or self.beyond_px <= 0:
            return 0.0, 1.0
        k1, k2, k3 = self.radial
        r2 = self.limit**2
        slope = max(1.0 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3)), LEAST_SLOPE)
        return max(0.0, min(self.beyond_px / self.focal_px / slope, np.radians(BEHIND_DEG) - self.limit)), slope

    @cached_property
    def _table(self) -> tuple[Floats, Floats]:
        radius = np.linspace(0.0, self.angle(self.limit), TABLE_NODES)
        if not self.fisheye:
            radius = np.tan(radius)
        return radius, radius * self._radial_factor(radius**2)

    def _radial_factor(self, r2: Floats) -> Floats:
        k1, k2, k3 = self.radial
        return 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))

    def distort(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Places of an undistorted lens, in focal lengths from the axis, to where this one draws them."""
        p1, p2 = self.tangential
        r2 = u * u + v * v
        factor = self._radial_factor(r2)
        uv = 2.0 * u * v
        return u * factor + p1 * uv + p2 * (r2 + 2 * u * u), v * factor + p1 * (r2 + 2 * v * v) + p2 * uv

    def distortion_slopes(self, u: Floats, v: Floats) -> tuple[Floats, Floats, Floats]:
        """Derivatives of `distort`: d(first)/du, d(first)/dv = d(second)/du, d(second)/dv."""
        k1, k2, k3 = self.radial
        p1, p2 = self.tangential
        r2 = u * u + v * v
        factor = self._radial_factor(r2)
        slope = 2.0 * (k1 + r2 * (2 * k2 + r2 * 3 * k3))
        return (
            factor + slope * u * u + 2 * p1 * v + 6 * p2 * u,
            slope * u * v + 2 * p1 * u + 2 * p2 * v,
            factor + slope * v * v + 6 * p1 * v + 2 * p2 * u,
        )

    def project(self, vectors: ArrayLike) -> tuple[Floats, Floats]:
        """Where directions fall.

        Parameters
        ----------
        vectors : (..., 3) array, directions in the camera's frame, of any length

        Returns
        -------
        x, y : (...) float64 arrays, pixels; NaN where the direction is not in front of the lens
        """
        u, v = self.from_vectors(np.asarray(vectors, np.float64))
        angle, slope = self._going_on
        if angle > 0:
            u, v, du, dv = _held(u, v, self.limit, angle)
            a, b = self.distort(u, v)
            a, b = a + slope * du, b + slope * dv
        else:
            inside = u * u + v * v <= self.limit**2
            a, b = self.distort(np.where(inside, u, np.nan), np.where(inside, v, np.nan))
        return self.centre_x + self.focal_px * a, self.centre_y + self.down * self.focal_px * b

    def from_vectors(self, vectors: Floats) -> tuple[Floats, Floats]:
        """Directions (..., 3) on the undistorted picture: (u, v); NaN behind a rectilinear lens."""
        x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
        if self.fisheye:
            across = np.hypot(x, y)
            # theta / sin(theta); 1 on the axis itself, and nothing right behind
            ratio = np.arctan2(across, z) / np.where(across > 0, across, 1.0)
            ratio = np.where(across > 0, ratio, np.where(z > 0, 1.0 / np.where(z > 0, z, 1.0), np.nan))
            return x * ratio, y * ratio
        front = np.where(z > 0, z, np.nan)
        return x / front, y / front

    def reached(self, vectors: Floats) -> NDArray[np.bool_]:
        """Which unit vectors (..., 3) the lens may draw."""
        if self.fisheye:
            return np.asarray(vectors[..., 2] >= np.cos(self.limit))
        return np.asarray(vectors[..., 2] > FLATTEST)

    def to_plane(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Where pixels lie on the undistorted picture: (u, v); NaN where the lens gives no picture."""
        a = (np.asarray(x, np.float64) - self.centre_x) / self.focal_px
        b = self.down * (np.asarray(y, np.float64) - self.centre_y) / self.focal_px
        plain = not any(self.radial) and not any(self.tangential)
        if plain and not self.fisheye:
            return a, b
        _, distorted = self._table
        angle, slope = self._going_on
        if angle > 0:
            a, b, da, db = _held(a, b, distorted[-1], angle * slope)
            u, v = (a, b) if plain else self._undistorted(a, b)
            # on the last radius itself, where the picture may turn back, Newton's steps lead astray
            past, out = (da != 0) | (db != 0), self.limit / distorted[-1]
            return np.where(past, out * a + da / slope, u), np.where(past, out * b + db / slope, v)
        outside = np.hypot(a, b) > distorted[-1]
        u, v = (a, b) if plain else self._undistorted(a, b)
        return np.where(outside, np.nan, u), np.where(outside, np.nan, v)

    def _undistorted(self, a: Floats, b: Floats) -> tuple[Floats, Floats]:
        """The inverse of `distort` up to `limit`."""
        radius, distorted = self._table
        r = np.hypot(a, b)
        ratio = np.where(r > 0, np.interp(r, distorted, radius) / np.where(r > 0, r, 1.0), 1.0)
        u, v = a * ratio, b * ratio
        for _ in range(NEWTON_STEPS):
            au, bv = self.distort(u, v)
            uu, mixed, vv = self.distortion_slopes(u, v)
            da, db = a - au, b - bv
            determinant = uu * vv - mixed * mixed
            # at the very limit the slope vanishes: there the table's answer stands
            determinant = np.where(determinant > 1e-6, determinant, np.inf)
            u, v = u + (vv * da - mixed * db) / determinant, v + (uu * db - mixed * da) / determinant
        return u, v

    def draws(self, x: ArrayLike, y: ArrayLike) -> NDArray[np.bool_]:
        """Whether pixels x, y (...) lie within the picture of the lens, whatever `beyond_px`."""
        if not self.fisheye and not any(self.radial) and not any(self.tangential):
            return np.ones(np.broadcast_shapes(np.shape(x), np.shape(y)), bool)
        r = np.hypot(np.asarray(x, np.float64) - self.centre_x, np.asarray(y, np.float64) - self.centre_y)
        return np.asarray(r <= self._table[1][-1] * self.focal_px)

    def to_gnomonic(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Where pixels would lie on the plane Z = 1, distortion taken out: X / Z and Y / Z; NaN behind it."""
        u, v = self.to_plane(x, y)
        if not self.fisheye:
            return u, v
        theta = np.hypot(u, v)
        with np.errstate(invalid="ignore", divide="ignore"):
            stretch = np.where(theta < np.pi / 2, np.where(theta > 0, np.tan(theta) / theta, 1.0), np.nan)
        return u * stretch, v * stretch

    def unproject(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Unit vectors (..., 3) in the camera's frame of pixels x, y (...); NaN where the lens gives no picture."""
        u, v = self.to_plane(x, y)
        if self.fisheye:
            theta = np.hypot(u, v)
            shrink = np.sinc(theta / np.pi)
            return np.stack([u * shrink, v * shrink, np.cos(theta)], axis=-1)
        length = np.sqrt(1.0 + u * u + v * v)
        return np.stack([u / length, v / length, 1.0 / length], axis=-1)

    def covers_frame(self) -> bool:
        """Whether every pixel of the picture has one direction: the distortion does not turn back inside the frame.

        A fisheye's picture may end in a circle within the frame.
        """
        if self.fisheye and self.limit >= np.radians(FISHEYE_REACH_DEG):
            return True
        return bool(np.isfinite(self.unproject(*self.outline())).all())

    def outline(self, steps: int = 9) -> tuple[Floats, Floats]:
        """Points along the edge of the picture: x, y."""
        s = np.linspace(0.0, 1.0, steps)
        w, h = self.width - 1.0, self.height - 1.0
        x = np.concatenate([s * w, np.full(steps, w), s * w, np.zeros(steps)])
        y = np.concatenate([np.zeros(steps), s * h, np.full(steps, h), s * h])
        return x, y

    def bent(self) -> float:
        """Relative displacement of the picture's corners by the distortion (negative: barrel); NaN where none is seen.

        Of a fisheye, against one that draws equal angles alike.
        """
        x, y = self.outline(2)
        u, v = self.to_plane(x, y)
        plain = np.hypot(u, v) * self.focal_px
        seen = np.hypot(x - self.centre_x, y - self.centre_y)
        return float(np.mean(seen / plain - 1.0))

    def pixel_area(self, x: ArrayLike, y: ArrayLike) -> Floats:
        """Solid angle of pixels, steradians: the plane's area element times cos^3, with the distortion's stretch.

        Of a fisheye times sin(theta) / theta.
        """
        u, v = self.to_plane(x, y)
        uu, mixed, vv = self.distortion_slopes(u, v)
        if self.fisheye:
            return np.sinc(np.hypot(u, v) / np.pi) / (self.focal_px**2 * (uu * vv - mixed * mixed))
        return (1.0 + u * u + v * v) ** -1.5 / (self.focal_px**2 * (uu * vv - mixed * mixed))

    @property
    def scale_arcsec(self) -> float:
        """Pixel scale on the axis, arcsec."""
        return float(np.degrees(1.0 / self.focal_px) * 3600.0)


def _held(u: Floats, v: Floats, edge: float, most: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Places drawn in to a circle about the origin, and by how much each lay past it; NaN more than `most` past."""
    r = np.hypot(u, v)
    share = np.where(r > edge, edge / np.where(r > edge, r, 1.0), 1.0)
    share = np.where(r <= edge + most, share, np.nan)
    inner, outer = (u * share, v * share), (u * (1 - share), v * (1 - share))
    return *inner, *outer
