"""One warp a frame, without camera or sky: what a fit of plain formulae to the same star pairs reaches."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray
from skimage.transform import PolynomialTransform, ProjectiveTransform

Floats = NDArray[np.float64]


def warped(kind: str, here: Floats, there: Floats, points: Floats, scale: float) -> Floats:
    """Carry points by a warp fitted to star pairs.

    Parameters
    ----------
    kind : "homography" or "polynomial" (of fifth order)
    here, there : (n, 2), the same stars in two frames, px
    points : (m, 2), px of the first frame
    scale : half the frame's width, px; positions are normalised by it

    Returns
    -------
    (m, 2), px of the second frame
    """
    homography = kind == "homography"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FutureWarning)  # scikit-image renames its way to estimate
        warp = ProjectiveTransform() if homography else PolynomialTransform()
        if not warp.estimate(here / scale - 1, there / scale - 1, **({} if homography else {"order": 5})):
            raise ValueError(f"no {kind} through {len(here)} pairs")
    return np.asarray((warp(points / scale - 1) + 1) * scale)
