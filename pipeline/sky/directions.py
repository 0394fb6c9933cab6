"""Places on the sphere and unit vectors, one into the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def unit_vectors(longitude: ArrayLike, latitude: ArrayLike) -> Floats:
    """Unit vectors (..., 3) of right ascensions and declinations, or other longitudes and latitudes, in radians."""
    around, up = np.asarray(longitude, np.float64), np.asarray(latitude, np.float64)
    level = np.cos(up)
    return np.stack([level * np.cos(around), level * np.sin(around), np.sin(up)], axis=-1)


def right_ascension_declination(vectors: Floats) -> tuple[Floats, Floats]:
    """Degrees, right ascension from 0 to 360, of unit vectors (..., 3)."""
    ra = np.degrees(np.arctan2(vectors[..., 1], vectors[..., 0])) % 360.0
    return ra, np.degrees(np.arcsin(np.clip(vectors[..., 2], -1, 1)))
