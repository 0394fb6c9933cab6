"""A frame beside its neighbours in time: which of them show the same stars, and where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.judging.tracks import Laying, fitted, lay
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sky.match import pairs_within
from pipeline.stars.beyond import POWERS, Glance, Witness, glance_of, laid_on
from pipeline.stars.measure import FrameStars

PLACES = 300  # of the brightest stars lay one frame on another
# ... and so many tell how a wide lens bends it besides, paired within so many px, of which so many are needed
FINER_PLACES, FINER_RADII, FINER_NEEDS = 1000, (12.0, 6.0, 3.0), 100


@dataclass(frozen=True)
class Neighbour:
    """What is kept of a frame for those before and after it.

    `places` (n, 2) float64: of its brightest stars, px; `kind`: only frames of the same compare; `extent`: long side,
    px.
    """

    glance: Glance
    places: NDArray[np.float64]
    kind: tuple[Any, ...]
    extent: float


def neighbour_of(found: FrameStars, header: MosaicHeader) -> Neighbour:
    """What is kept of a frame."""
    lead = found.stars[:FINER_PLACES]
    shape = found.detections.residual.shape
    kind = (*shape, header.cfa, header.exposure_s, header.iso)
    return Neighbour(glance_of(found.detections), np.column_stack([lead["x"], lead["y"]]), kind, 2.0 * max(shape))


def witnesses(first: Neighbour, second: Neighbour) -> tuple[Witness, Witness] | None:
    """The second frame as the first one's witness, and the first as the second's; None where they tell nothing of one
    another: other exposures, or other stars."""
    alike = first.kind == second.kind
    laid = lay(first.places[:PLACES], second.places[:PLACES], first.extent) if alike else None
    if laid is None:
        return None
    return (
        laid_on(second.glance, finer(laid, first.places, second.places), laid.scale),
        laid_on(first.glance, finer(laid.back(), second.places, first.places), laid.scale),
    )


def finer(laid: Laying, first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients of the map of `laid` with all `POWERS`, where there are stars enough, else its own.

    Without those that a quadratic lacks, the edges of a frame of 14 mm three minutes later lie 3 to 9 px off, and stars
    there look like what passes.
    """
    tree, moved = cKDTree(second), laid(first)
    basis = np.stack([(first[:, 0] / laid.scale) ** p * (first[:, 1] / laid.scale) ** q for p, q in POWERS], axis=1)
    coefficients = laid.coefficients
    for radius in FINER_RADII:
        pairs = pairs_within(moved, tree, radius)
        if len(pairs) < FINER_NEEDS:
            return laid.coefficients
        coefficients = fitted(basis[pairs[:, 0]], second[pairs[:, 1]] - first[pairs[:, 0]])
        moved = first + basis @ coefficients
    return coefficients
