"""Land of which the picture shows but the tips, at its edge: so small that few stars were missed there, or none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.sensor.mosaic import MosaicFile
from pipeline.skyline.empty import Emptiness
from pipeline.skyline.still import cells
from pipeline.stack.sources import Calibration, Frame, calibrated

Bools = NDArray[np.bool_]

Floats = NDArray[np.float32]

# What has less than this share of the sky's light is dark.
DARK = 0.5
# What one frame alone must show of that for stills to be made: a darkest part, as a share of an empty place, that has
# less than so much of the light about it, and how far about is looked, cells.
DARKEST, DIM, MARGIN = 0.1, 0.65, 8
# Share of the border with the sky that must be sharp: as of a skyline.
SHARP = 0.5


def tips(dark: Bools, sharp: Bools, roots: Bools, cut: tuple[bool, bool, bool, bool]) -> Bools:
    """The parts of what is dark that reach the picture's edge and end sharply: land goes on beyond the picture, while
    the lens's dark corners and cloud have no such edge, and what is dark within the picture may be anything.

    Parameters
    ----------
    dark : (rows, columns) bool array, what is much darker than the sky, without the places of stars
    sharp : (rows, columns) bool array, what lies on or beside a sharp edge
    roots : (rows, columns) bool array, what is empty for certain: a part with some of that is no tip but land, or cloud
        that stands on it and shares its edges
    cut : whether the array ends before the picture does: above, below, to the left, to the right

    Returns
    -------
    (rows, columns) bool array
    """
    labels, count = ndimage.label(dark, structure=np.ones((3, 3)))
    ends = (labels[0], labels[-1], labels[:, 0], labels[:, -1])
    good = np.zeros(count + 1, bool)
    good[np.concatenate([end for end, before in zip(ends, cut, strict=True) if not before] or [[0]])] = True
    border = dark & ndimage.binary_dilation(~dark)
    whole, edged = (np.bincount(labels[part], minlength=count + 1) for part in (border, border & sharp))
    good &= (whole > 0) & (edged >= SHARP * whole)
    good[labels[roots]] = False
    good[0] = False
    return np.asarray(good[labels])


def dark_parts(ground: Bools, light: Floats, sky: Floats) -> Bools:
    """The parts of what was told for ground that are dark: where few stars were missed, a bright star's or a lamp's
    glare, which hides as many, has a sharp edge too, but no land's light.

    Parameters
    ----------
    ground : (rows, columns) bool array
    light, sky : (rows, columns) float32 arrays, the picture's light and what the sky's would be there
    """
    labels, count = ndimage.label(ground, structure=np.ones((3, 3)))
    good = np.zeros(count + 1, bool)
    for number, part in enumerate(ndimage.find_objects(labels), 1):
        here = labels[part] == number
        good[number] = np.median(light[part][here]) < DARK * np.median(sky[part][here])
    return np.asarray(good[labels])


def dim_gaps(empty: Emptiness, frame: Frame, mosaic: MosaicFile, calibration: Calibration) -> Emptiness | None:
    """The places without stars in which one frame shows something dark: most of those at the edge are sky in which few
    stars happened to be, and stills of them all would be stills of most of the picture.

    Parameters
    ----------
    empty : of the frame's own pixels
    frame, mosaic, calibration : of the frame

    Returns
    -------
    Emptiness
        None where nothing dark is left.
    """
    labels, count = ndimage.label(empty.region)
    (height, width), side = frame.shape, empty.cell
    rows, columns = height // side, width // side
    dim = np.zeros(count + 1, bool)
    for number, (down, along) in enumerate(ndimage.find_objects(labels), 1):
        top, bottom = max(down.start - MARGIN, 0), min(down.stop + MARGIN, rows)
        left, right = max(along.start - MARGIN, 0), min(along.stop + MARGIN, columns)
        pixels = calibrated(mosaic, frame, calibration, top * side, bottom * side, left * side, right * side)
        light = ndimage.uniform_filter(cells(pixels, frame.header.cfa, side).sum(axis=0), 3, mode="nearest")
        window = (slice(top, bottom), slice(left, right))
        here, open_ = labels[window] == number, ~empty.region[window]
        if here.any() and open_.any():
            dim[number] = np.quantile(light[here], DARKEST) < DIM * np.median(light[open_])
    return replace(empty, region=dim[labels]) if dim.any() else None
