"""From the camera's own colours to a named RGB space: white balance and colour matrix."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.spaces import D65, Space, adaptation, rgb_to_xyz, white_xyz

# Multipliers beyond this are no white balance but a broken tag: the strongest seen in practice (tungsten blue) is
# about 4.
MULTIPLIER_MAX = 12.0


@dataclass(frozen=True)
class CameraColour:
    """How camera values become RGB of a space: `multipliers` (smallest 1), then `matrix` (rows sum to 1)."""

    multipliers: tuple[float, float, float]
    matrix: NDArray[np.float64]
    balance_from: str
    matrix_from: str

    @property
    def whole(self) -> NDArray[np.float64]:
        """The (3, 3) matrix with the multipliers in it."""
        return self.matrix * np.array(self.multipliers)

    def noise(self, sigma: NDArray[np.float64]) -> NDArray[np.float64]:
        """Noise (3,) of R, G, B in the space from the camera channels' independent noise (3,)."""
        return np.sqrt((self.whole**2) @ np.asarray(sigma, float) ** 2)


def plausible(multipliers: NDArray[np.float64] | tuple[float, ...] | None) -> bool:
    """Whether three multipliers can be a white balance."""
    if multipliers is None:
        return False
    values = np.asarray(multipliers, float)
    return bool(
        values.shape == (3,)
        and np.isfinite(values).all()
        and (values > 0).all()
        and values.max() / values.min() <= MULTIPLIER_MAX
    )


def usable_matrix(xyz_to_camera: NDArray[np.float64] | None) -> bool:
    """Whether a (3, 3) XYZ-to-camera matrix can be inverted and sees daylight in all three channels."""
    if xyz_to_camera is None:
        return False
    matrix = np.asarray(xyz_to_camera, float)
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all() or np.linalg.cond(matrix) > 1e3:
        return False
    return bool((matrix @ white_xyz(D65) > 0).all())


def camera_colour(
    space: Space,
    camera_balance: tuple[float, float, float] | None,
    xyz_to_camera: NDArray[np.float64] | None,
    grey: tuple[float, float, float] | None = None,
    grey_from: str = "",
) -> CameraColour:
    """Choose white balance and matrix from what is known.

    The camera's matrix is given for D65; divided by its own answer to D65 it takes balanced white (1, 1, 1) to D65,
    which the Bradford adaptation takes to the space's white (for a D65 space it changes nothing). Balance: the camera's
    multipliers, else daylight from the matrix, else `grey`, else none.

    Parameters
    ----------
    space : Space
    camera_balance : three multipliers or None
    xyz_to_camera : (3, 3) array or None
    grey : three multipliers or None
        What would make the picture's stars or sky grey on average.
    grey_from : str
        What `grey` was measured on.

    References
    ----------
    DNG 1.7.0.0, chapter 6 (ColorMatrix1 takes XYZ to camera; white balance by the camera's neutral).
    """
    good = usable_matrix(xyz_to_camera)
    daylight = np.asarray(xyz_to_camera, float) @ white_xyz(D65) if good else None
    if plausible(camera_balance):
        balance, balance_from = np.asarray(camera_balance, float), "the camera's multipliers"
    elif daylight is not None and plausible(1 / daylight):
        balance, balance_from = (
            1 / daylight,
            "daylight (D65) by the camera's colour matrix; the frames give no multipliers",
        )
    elif plausible(grey):
        balance, balance_from = (
            np.asarray(grey, float),
            f"grey on average over {grey_from}; the frames give no multipliers",
        )
    else:
        balance, balance_from = (
            np.ones(3),
            "none: the frames give no multipliers and the picture shows no grey to go by",
        )
    if good and daylight is not None:
        to_xyz = np.linalg.inv(np.asarray(xyz_to_camera, float) / daylight[:, None])
        matrix = np.linalg.inv(rgb_to_xyz(space)) @ adaptation(white_xyz(D65), white_xyz(space.white)) @ to_xyz
        matrix = matrix / matrix.sum(axis=1, keepdims=True)  # exact to rounding already; makes white exactly neutral
        matrix_from = "the camera's XYZ matrix for D65, inverted"
    else:
        matrix = np.eye(3)
        matrix_from = f"none known: the camera's channels stand for the primaries of {space.name}"
    balance = balance / balance.min()
    return CameraColour((float(balance[0]), float(balance[1]), float(balance[2])), matrix, balance_from, matrix_from)
