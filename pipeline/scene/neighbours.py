"""A frame beside its neighbours in time: which of them show the same stars, and where."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.judging.tracks import lay
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.stars.beyond import Glance, Witness, glance_of, laid_on
from pipeline.stars.measure import FrameStars

PLACES = 300  # of the brightest stars lay one frame on another


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
    lead = found.stars[:PLACES]
    shape = found.detections.residual.shape
    kind = (*shape, header.cfa, header.exposure_s, header.iso)
    return Neighbour(glance_of(found.detections), np.column_stack([lead["x"], lead["y"]]), kind, 2.0 * max(shape))


def witnesses(first: Neighbour, second: Neighbour) -> tuple[Witness, Witness] | None:
    """The second frame as the first one's witness, and the first as the second's; None where they tell nothing of one
    another: other exposures, or other stars."""
    laid = lay(first.places, second.places, first.extent) if first.kind == second.kind else None
    if laid is None:
        return None
    back = laid.back()
    return laid_on(second.glance, laid.coefficients, laid.scale), laid_on(first.glance, back.coefficients, back.scale)
