"""A frame beside its neighbours in time: what it shows and they do not, in which streaks are searched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.sensor.mosaic import MosaicHeader
from pipeline.stars.beyond import Glance, beyond_neighbours, glance_of, laid_on
from pipeline.stars.detect import Detections
from pipeline.stars.measure import FrameStars
from pipeline.tracks import FOLLOWED, lay

SIGMA = 3.0  # a streak is cut by the stars on its way: what is searched are its pieces


@dataclass(frozen=True)
class Neighbour:
    """What is kept of a frame for those before and after it.

    `places` (n, 2) float64: of its brightest stars, px; `kind`: only frames of the same compare.
    """

    glance: Glance
    places: NDArray[np.float64]
    kind: tuple[Any, ...]


def neighbour_of(found: FrameStars, header: MosaicHeader) -> Neighbour:
    """What is kept of a frame."""
    lead = found.stars[:FOLLOWED]
    glance = glance_of(found.detections)
    kind = (*found.detections.residual.shape, header.cfa, header.exposure_s, header.iso)
    return Neighbour(glance, np.column_stack([lead["x"], lead["y"]]), kind)


def beside(found: Detections, own: Neighbour, others: Sequence[Neighbour]) -> Detections | None:
    """What a frame shows beyond its neighbours; None where it has none.

    Parameters
    ----------
    found : of its half-size image
    own : what is kept of it
    others : the same of the frames before and after it; those of another kind and those that cannot be laid on it tell
        nothing
    """
    witnesses = []
    for other in others:
        laid = lay(own.places, other.places, 2.0 * max(found.residual.shape)) if other.kind == own.kind else None
        if laid is not None:
            witnesses.append(laid_on(other.glance, laid.coefficients, laid.scale))
    return beyond_neighbours(found, own.glance, witnesses, SIGMA) if witnesses else None
