"""How positions on the sensor change with the camera, its attitude and the star: what every fit here stands on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.sky.camera import Camera

Floats = NDArray[np.float64]

# Order of the camera's parameters in every fit: focal length, centre x and y, k1 k2 k3, p1 p2.
CAMERA_PARAMETERS = 8


def camera_vector(camera: Camera) -> Floats:
    """The camera's eight parameters as an array."""
    return np.array([camera.focal_px, camera.centre_x, camera.centre_y, *camera.radial, *camera.tangential])


def with_vector(camera: Camera, values: Floats) -> Camera:
    """The camera with its eight parameters replaced."""
    v = [float(value) for value in values]
    return camera.changed(
        focal_px=v[0], centre_x=v[1], centre_y=v[2], radial=(v[3], v[4], v[5]), tangential=(v[6], v[7])
    )


def project_with_slopes(camera: Camera, vectors: Floats) -> tuple[Floats, Floats, Floats]:
    """Positions and their derivatives.

    Parameters
    ----------
    camera : the lens
    vectors : (n, 3) float64, unit vectors in the camera's frame, all where the lens draws

    Returns
    -------
    positions : (n, 2), pixels
    by_rotation : (n, 2, 3), change with a small rotation of the vectors (rotation vector, camera's axes, radians)
    by_camera : (n, 2, 8), change with the camera's parameters, in the order of `camera_vector`
    """
    u, v, du, dv = _fisheye(camera, vectors) if camera.fisheye else _plane(vectors)
    f = camera.focal_px
    a, b = camera.distort(u, v)
    uu, mixed, vv = camera.distortion_slopes(u, v)
    r2 = u * u + v * v
    by_rotation = f * np.stack([uu[:, None] * du + mixed[:, None] * dv, mixed[:, None] * du + vv[:, None] * dv], axis=1)
    by_camera = np.zeros((len(u), 2, CAMERA_PARAMETERS))
    by_camera[:, 0, 0], by_camera[:, 1, 0] = a, b
    by_camera[:, 0, 1] = by_camera[:, 1, 2] = 1.0
    for n in range(3):
        power = f * r2 ** (n + 1)
        by_camera[:, 0, 3 + n], by_camera[:, 1, 3 + n] = power * u, power * v
    uv = 2 * f * u * v
    by_camera[:, 0, 6], by_camera[:, 1, 6] = uv, f * (r2 + 2 * v * v)
    by_camera[:, 0, 7], by_camera[:, 1, 7] = f * (r2 + 2 * u * u), uv
    if camera.mirrored:
        by_rotation[:, 1] *= -1.0
        by_camera[:, 1, [0, 3, 4, 5, 6, 7]] *= -1.0
    positions = np.stack([camera.centre_x + f * a, camera.centre_y + camera.down * f * b], axis=-1)
    return positions, by_rotation, by_camera


def _plane(vectors: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """(u, v) on the plane Z = 1, and how they (n, 3) change with a rotation by d: d x V, seen there."""
    with np.errstate(invalid="ignore", divide="ignore"):
        u, v = vectors[:, 0] / vectors[:, 2], vectors[:, 1] / vectors[:, 2]
    du = np.stack([-u * v, 1 + u * u, -v], axis=-1)
    dv = np.stack([-1 - v * v, u * v, u], axis=-1)
    return u, v, du, dv


def _fisheye(camera: Camera, vectors: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """The same of a fisheye: along the radius a rotation changes the angle itself, across it theta / tan(theta)."""
    u, v = camera.from_vectors(vectors)
    theta, sine = np.hypot(u, v), np.hypot(vectors[:, 0], vectors[:, 1])
    off = sine > 1e-12
    c, s = np.where(off, u / np.where(off, theta, 1.0), 1.0), np.where(off, v / np.where(off, theta, 1.0), 0.0)
    across = np.where(off, theta * vectors[:, 2] / np.where(off, sine, 1.0), 1.0)
    du = np.stack([-c * s * (1 - across), c * c + s * s * across, -v], axis=-1)
    dv = np.stack([-s * s - c * c * across, c * s * (1 - across), u], axis=-1)
    return u, v, du, dv


def prior_sigmas(camera: Camera) -> Floats:
    """How far each camera parameter may go from an undistorted centred lens before the fit holds it back.

    Photographic lenses: a few per cent of distortion at the corner for each radial term, the axis within 1.5 % of the
    diagonal of the middle, tangential terms of some thousandths. They only matter where the stars say nothing.
    """
    diagonal = float(np.hypot(camera.width, camera.height))
    corner = diagonal / 2 / camera.focal_px
    if camera.fisheye:
        # its picture may end in a circle within the frame
        corner = min(corner, np.pi / 2)
    return np.array(
        [
            0.3 * camera.focal_px,
            0.015 * diagonal,
            0.015 * diagonal,
            0.10 / corner**2,
            0.05 / corner**4,
            0.03 / corner**6,
            0.002 / corner,
            0.002 / corner,
        ]
    )
