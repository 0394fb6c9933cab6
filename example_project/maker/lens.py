"""The lens: where light of each colour falls, how much of it, and in what shape.

Positions follow DEVELOPERS.md: x = column, y = row, pixel centres at whole numbers. Camera axes: +X right, +Y down,
+Z out of the lens. Green obeys the Brown-Conrady form exactly; red and blue are green's picture, larger or smaller.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GAUSS_FWHM = 2.354820045  # 2 sqrt(2 ln 2)
# a disc of confusion is made of points on rings (share of its radius, number); one ring serves while it is small
# against the star, FEW being the widening up to which its points run together
FEW_POINTS = ((0.0, 1), (1.0, 6))
MANY_POINTS = ((0.0, 1), (0.5, 6), (1.0, 12))
FEW = 1.8


@dataclass(frozen=True)
class Lens:
    """An objective.

    Parameters
    ----------
    focal_mm, f_number : mm, and focal length over aperture
    radial : k1, k2, k3 of x' = x (1 + k1 r^2 + k2 r^4 + k3 r^6), r = tan(angle off axis)
    tangential : p1, p2 of the same form (Brown 1966)
    decentre_px : of the axis from the middle of the sensor, px
    lateral : for R and B, (a, b): (position - axis) of that colour = green's times 1 + a + b rho^2, rho = distance
        from the axis over half the diagonal
    fwhm_px : 2.3548 times the root of the mean second moment of a star in the middle, pixel integration included,
        aberrations and halo left out, px
    curvature : share by which the width grows at rho = 1 (as rho^2)
    coma_px, astigmatism_px : length of the comet tail (grows as rho) and half the tangential splitting (as rho^2),
        px, at rho = 1
    halo : share of the light in a wide halo of 2.5 times the width
    colour_width : width of R, G, B relative to fwhm_px
    vignetting : light lost at rho = 1 beyond the natural cos^4
    transmission : of the glass
    """

    focal_mm: float = 24.0
    f_number: float = 2.8
    radial: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tangential: tuple[float, float] = (0.0, 0.0)
    decentre_px: tuple[float, float] = (0.0, 0.0)
    lateral: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0))
    fwhm_px: float = 2.3
    curvature: float = 0.0
    coma_px: float = 0.0
    astigmatism_px: float = 0.0
    halo: float = 0.0
    colour_width: tuple[float, float, float] = (1.0, 1.0, 1.0)
    vignetting: float = 0.0
    transmission: float = 0.9

    @property
    def aperture_cm2(self) -> float:
        """Area of the entrance pupil."""
        return float(np.pi / 4 * (self.focal_mm / self.f_number / 10) ** 2)


def plausible_lens(
    focal_mm: float, corner_tan: float, half_diagonal_px: float, *, f_number: float = 2.8, **changes: object
) -> Lens:
    """A lens with the faults that such a focal length has in practice, growing towards short ones.

    Parameters
    ----------
    corner_tan : tan of the angle off axis in the corner of the frame
    half_diagonal_px : px
    changes : fields of `Lens` to set otherwise
    """
    wide = float(np.clip((40.0 - focal_mm) / 26.0, 0, 1))  # 1 at 14 mm, 0 from 40 mm on
    corner = -0.008 - 0.05 * wide  # barrel distortion in the corner
    shift = 0.35 + 0.65 * wide  # lateral colour in the corner, px
    settings: dict[str, object] = {
        "focal_mm": focal_mm,
        "f_number": f_number,
        "radial": (1.5 * corner / corner_tan**2, -0.5 * corner / corner_tan**4, 0.0),
        "tangential": (6e-5, -4e-5),
        "decentre_px": (0.0021 * half_diagonal_px, -0.0035 * half_diagonal_px),
        "lateral": ((0.0, shift / half_diagonal_px), (0.0, -0.8 * shift / half_diagonal_px)),
        "curvature": 0.10 + 0.10 * wide,
        "coma_px": 0.5 + 0.9 * wide,
        "astigmatism_px": 0.4 + 0.6 * wide,
        "halo": 0.06,
        "vignetting": 0.2 + 0.15 * wide,
    }
    settings.update(changes)
    return Lens(**settings)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Optics:
    """A lens before a sensor of `width` x `height` pixels of `pitch_um`."""

    lens: Lens
    pitch_um: float
    width: int
    height: int

    @property
    def focal_px(self) -> float:
        """Focal length, px."""
        return self.lens.focal_mm * 1e3 / self.pitch_um

    @property
    def centre(self) -> tuple[float, float]:
        """Where the axis meets the sensor, px."""
        dx, dy = self.lens.decentre_px
        return (self.width - 1) / 2 + dx, (self.height - 1) / 2 + dy

    @property
    def half_diagonal(self) -> float:
        """Half the diagonal, px."""
        return float(np.hypot(self.width, self.height) / 2)

    @property
    def corner_angle(self) -> float:
        """Angle off axis of the farthest corner, radians (distortion left out, with 8 % to spare)."""
        dx, dy = self.lens.decentre_px
        return float(np.arctan(1.08 * (self.half_diagonal + np.hypot(dx, dy)) / self.focal_px))

    def rho(self, x: Floats, y: Floats) -> Floats:
        """Distance from the axis over half the diagonal."""
        cx, cy = self.centre
        return np.hypot(x - cx, y - cy) / self.half_diagonal

    def project(self, vectors: Floats, colour: str = "G") -> tuple[Floats, Floats]:
        """Camera vectors to pixels.

        Parameters
        ----------
        vectors : (..., 3), +X right, +Y down, +Z out of the lens, any length
        colour : R, G or B

        Returns
        -------
        x, y : (...) px; NaN for what lies behind the camera
        """
        vectors = np.asarray(vectors, float)
        z = np.where(vectors[..., 2] > 1e-6, vectors[..., 2], np.nan)
        u, v = vectors[..., 0] / z, vectors[..., 1] / z
        du, dv = self._distort(u, v)
        cx, cy = self.centre
        return self.to_colour(cx + self.focal_px * du, cy + self.focal_px * dv, colour)

    def unproject(self, x: Floats, y: Floats, colour: str = "G") -> Floats:
        """Pixels to unit camera vectors: the inverse of `project`, to 1e-9 px."""
        x, y = self.from_colour(np.asarray(x, float), np.asarray(y, float), colour)
        cx, cy = self.centre
        p, q = (x - cx) / self.focal_px, (y - cy) / self.focal_px
        u, v = p.copy(), q.copy()
        for _ in range(60):  # fixed point; each round gains a factor of at least four at 8 % distortion
            du, dv = self._distort(u, v)
            u, v = u + (p - du) / (1 + self._slope(u, v)), v + (q - dv) / (1 + self._slope(u, v))
            if np.all(np.abs(p - du) + np.abs(q - dv) < 1e-13):
                break
        vectors = np.stack([u, v, np.ones_like(u)], axis=-1)
        return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)

    def _slope(self, u: Floats, v: Floats) -> Floats:
        k1, k2, k3 = self.lens.radial
        s = u * u + v * v
        return s * (k1 + s * (k2 + s * k3))

    def _distort(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        p1, p2 = self.lens.tangential
        s = u * u + v * v
        factor = 1 + self._slope(u, v)
        return (
            u * factor + 2 * p1 * u * v + p2 * (s + 2 * u * u),
            v * factor + p1 * (s + 2 * v * v) + 2 * p2 * u * v,
        )

    def to_colour(self, x: Floats, y: Floats, colour: str) -> tuple[Floats, Floats]:
        """From green's position to that of the same light in another colour."""
        if colour == "G":
            return x, y
        a, b = self.lens.lateral["RB".index(colour)]
        cx, cy = self.centre
        factor = 1 + a + b * self.rho(x, y) ** 2
        return cx + (x - cx) * factor, cy + (y - cy) * factor

    def from_colour(self, x: Floats, y: Floats, colour: str) -> tuple[Floats, Floats]:
        """From a colour's position to green's."""
        if colour == "G":
            return x, y
        a, b = self.lens.lateral["RB".index(colour)]
        cx, cy = self.centre
        target = self.rho(x, y)
        rho = target / (1 + a)
        for _ in range(8):
            rho = rho - (rho * (1 + a + b * rho**2) - target) / (1 + a + 3 * b * rho**2)
        factor = 1 / (1 + a + b * rho**2)
        return cx + (x - cx) * factor, cy + (y - cy) * factor

    def throughput(self, x: Floats, y: Floats) -> Floats:
        """Share of a star's light that arrives there: projected pupil (cos) and vignetting; 1 on the axis.

        A smooth sky gets this times the pixel's solid angle (`solid_angle`), which makes the natural cos^4.
        """
        cx, cy = self.centre
        cosine = 1 / np.sqrt(1 + ((x - cx) ** 2 + (y - cy) ** 2) / self.focal_px**2)
        rho = self.rho(x, y)
        return cosine * (1 - self.lens.vignetting * np.minimum(rho, 1.2) ** 4)

    def solid_angle(self, x: Floats, y: Floats) -> Floats:
        """Arcsec^2 that the pixel at (x, y) sees, distortion included (numerically, over one pixel)."""
        right, left = self.unproject(x + 0.5, y), self.unproject(x - 0.5, y)
        below, above = self.unproject(x, y + 0.5), self.unproject(x, y - 0.5)
        area = np.linalg.norm(np.cross(right - left, below - above), axis=-1)
        return area * np.degrees(3600.0) ** 2

    def components(self, x: Floats, y: Floats, defocus: float = 1.0) -> Floats:
        """The picture of a point at (x, y) as a sum of round Gaussians (before pixel integration).

        Parameters
        ----------
        x, y : (n,) px
        defocus : factor by which a disc of confusion widens the core (root mean square)

        Returns
        -------
        parts : (n, m, 4) float64; offset in x and y, weight (sum 1, weighted offsets 0), sigma, px; the halo last
        """
        lens = self.lens
        core = np.sqrt((lens.fwhm_px / GAUSS_FWHM) ** 2 - 1 / 12)  # a pixel adds 1/12 px^2
        cx, cy = self.centre
        dx, dy = x - cx, y - cy
        distance = np.maximum(np.hypot(dx, dy), 1e-9)
        radial = np.stack([dx, dy], -1) / distance[:, None]
        across = np.stack([-radial[:, 1], radial[:, 0]], -1)
        rho = self.rho(x, y)
        sigma = core * (1 + lens.curvature * rho**2)
        tail, split = lens.coma_px * rho, lens.astigmatism_px * rho**2
        rows: list[tuple[Floats, float, Floats]] = []
        if lens.coma_px or lens.astigmatism_px:
            rows.append((split[:, None] * across, 0.34, sigma))
            rows.append((-split[:, None] * across, 0.34, sigma))
            rows.append((tail[:, None] * radial, 0.22, sigma * (1 + 0.25 * tail)))
            rows.append((2 * tail[:, None] * radial, 0.10, sigma * (1 + 0.5 * tail)))
        else:
            rows.append((0 * across, 1.0, sigma))
        if defocus > 1:
            rings = FEW_POINTS if defocus <= FEW else MANY_POINTS
            number = sum(n for _, n in rings)
            mean_square = sum(n * share**2 for share, n in rings) / number
            # per axis the disc's mean square is (defocus^2 - 1) times that of the pixel-integrated core
            radius = np.sqrt((defocus**2 - 1) * 2 / mean_square) * lens.fwhm_px / GAUSS_FWHM
            points = [
                (share * radius * np.cos(t), share * radius * np.sin(t))
                for share, n in rings
                for t in (np.arange(n) + share) * 2 * np.pi / n
            ]
            rows = [(o + np.array(p), w / len(points), s) for o, w, s in rows for p in points]
        if lens.halo:
            rows = [(o, w * (1 - lens.halo), s) for o, w, s in rows] + [(0 * across, lens.halo, 2.5 * sigma * defocus)]
        parts = np.empty((len(x), len(rows), 4))
        for m, (offset, weight, width) in enumerate(rows):
            parts[:, m, :2], parts[:, m, 2], parts[:, m, 3] = offset, weight, width
        parts[:, :, :2] -= np.sum(parts[:, :, :2] * parts[:, :, 2:3], axis=1, keepdims=True)
        return parts
