"""Star sizes of the result against its reference frame, star by star, demosaiced the same way."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.sensor.demosaic import MARGIN, green_padded
from pipeline.sensor.mosaic import MosaicFile
from pipeline.stack.sources import Calibration, Frame, calibrated
from pipeline.stars.measure import measure_mosaic, measure_picture
from pipeline.stars.shapes import fwhm_px

STARS_MAX = 1500  # the size's error is then below 0.2 %
SNR_MIN = 20.0
# Stars whose distance from the middle is above this share of the half diagonal count as corners.
CORNER = 0.75
# And those below this share as the middle.
MIDDLE = 0.4
STARS_MIN = 5
BAND = 512  # rows demosaiced at once
BYTES_PER_PIXEL = 6  # that measuring the reference takes beside what a scene holds (measured: 5.9 of 60 megapixels)


@dataclass(frozen=True)
class ReferenceStars:
    """Stars of the reference frame, and as measured in its green plane: arrays of `STAR_DTYPE`; their full level, ADU,
    and what size to begin with, px."""

    found: NDArray[Any]
    single: NDArray[Any]
    limit: float
    start_fwhm_px: float


def reference_stars(mosaic: MosaicFile, frame: Frame, calibration: Calibration) -> ReferenceStars | None:
    """Measure the reference's stars, demosaiced as those of the result; None where it shows too few."""
    header = frame.header
    found = measure_mosaic(mosaic.pixels(), header.cfa, header.black, header.saturation, stars_max=STARS_MAX)
    found = found[~found["saturated"] & (found["flux"] > SNR_MIN * found["flux_error"])]
    if len(found) < STARS_MIN:
        return None
    start = float(np.median(_fwhm(found)))
    limit = 0.9 * (header.saturation - max(header.black))
    green = _green(mosaic, frame, calibration)
    single = measure_picture(green, found["x"], found["y"], saturation=limit, start_fwhm_px=start)
    return ReferenceStars(found, single, limit, start)


def compare(reference: ReferenceStars | None, shape: tuple[int, int], combined: Path) -> dict[str, Any]:
    """Median sizes (FWHM, px, green, adaptive Gaussian moments) and their ratios; of the combined picture in the middle
    and in the corners too, with how many times as long as wide stars are there.

    Parameters
    ----------
    reference : of `reference_stars`
    shape : (height, width) of the finished file
    combined : the finished file
    """
    nothing = {
        "fwhm_px_reference": None,
        "fwhm_px_combined": None,
        "size_ratio": None,
        "size_ratio_corners": None,
        "fwhm_px_middle": None,
        "fwhm_px_corners": None,
        "elongation_middle": None,
        "elongation_corners": None,
        "stars_compared": 0,
    }
    if reference is None:
        return nothing
    x, y, single = reference.found["x"], reference.found["y"], reference.single
    with fits.open(combined, memmap=True) as hdus:
        offset = hdus[0].fileinfo()["datLoc"]
    plane = np.memmap(combined, ">f4", "r", offset, (3, *shape))[1].astype(np.float32)
    stacked = measure_picture(plane, x, y, saturation=reference.limit, start_fwhm_px=reference.start_fwhm_px)
    one, all_ = _fwhm(single), _fwhm(stacked)
    good = np.isfinite(one) & np.isfinite(all_) & (one > 0) & (single["flux"] > SNR_MIN * single["flux_error"])
    if good.sum() < STARS_MIN:
        return nothing
    half = np.hypot(*shape) / 2
    away = np.hypot(x - (shape[1] - 1) / 2, y - (shape[0] - 1) / 2) / half
    middle, corner = good & (away < MIDDLE), good & (away > CORNER)
    ratio, long = all_ / np.where(one > 0, one, np.nan), elongation(stacked)

    def median(values: NDArray[np.float64], where: NDArray[np.bool_]) -> float | None:
        return float(np.median(values[where])) if where.sum() >= STARS_MIN else None

    return {
        "fwhm_px_reference": float(np.median(one[good])),
        "fwhm_px_combined": float(np.median(all_[good])),
        "size_ratio": float(np.median(ratio[good])),
        "size_ratio_corners": median(ratio, corner),
        "fwhm_px_middle": median(all_, middle),
        "fwhm_px_corners": median(all_, corner),
        "elongation_middle": median(long, middle),
        "elongation_corners": median(long, corner),
        "stars_compared": int(good.sum()),
    }


def _fwhm(stars: NDArray[Any]) -> NDArray[np.float64]:
    with np.errstate(invalid="ignore"):
        return np.asarray(fwhm_px(stars["mxx"], stars["myy"]), np.float64)


def elongation(stars: NDArray[Any]) -> NDArray[np.float64]:
    """How many times as long as wide stars are, by the principal axes of their second moments."""
    half, apart = (stars["mxx"] + stars["myy"]) / 2, np.hypot((stars["mxx"] - stars["myy"]) / 2, stars["mxy"])
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.sqrt((half + apart) / (half - apart)), np.float64)


def _green(mosaic: MosaicFile, frame: Frame, calibration: Calibration) -> NDArray[np.float32]:
    """The reference's green plane, in bands, so that what it is made from never stands whole in memory."""
    height, width = frame.shape
    green = np.empty((height, width), np.float32)
    for top in range(0, height, BAND):
        bottom = min(top + BAND, height)
        padded = calibrated(mosaic, frame, calibration, top - MARGIN, bottom + MARGIN, -MARGIN, width + MARGIN)
        if frame.header.cfa == "MONO":
            green[top:bottom] = padded[MARGIN:-MARGIN, MARGIN:-MARGIN]
        else:
            green_padded(padded, frame.header.cfa, top, 0, green[top:bottom], frame.balance)
    return green
