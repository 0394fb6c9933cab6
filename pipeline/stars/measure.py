"""The stars of one picture: found, measured, and told from what only looks like one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.pixels.normal import FWHM_PER_SIGMA, MAD_TO_SIGMA, MEDIAN_ERROR
from pipeline.pixels.ordering import first_of
from pipeline.stars.detect import (
    HOT_SIGMA,
    KERNEL_VARIANCE,
    Detections,
    detect,
    green_half,
    green_places,
    pixel_noise,
    within_broad_light,
)
from pipeline.stars.mesh import sky_mesh
from pipeline.stars.motion import star_sized
from pipeline.stars.shapes import fit_shapes

STAR_DTYPE = np.dtype(
    [
        ("x", "f8"),
        ("y", "f8"),
        ("flux", "f8"),
        ("flux_error", "f8"),
        ("mxx", "f8"),
        ("mxy", "f8"),
        ("myy", "f8"),
        ("peak", "f8"),
        ("background", "f8"),
        ("saturated", "?"),
    ]
)

NARROWEST = 0.1  # px^2, of the smaller principal moment; a lone pixel fits to less, whatever is left of its neighbours
MISFIT_MAX = 0.25  # share of the model's power; sharp discs reach 0.1, trails 0.04, edges of trees 0.3 and more
MATCHED_MIN = 4.0  # signal-to-noise under the fitted shape; a cut in flux over its error would choose the narrow ones
SHARP_SHARE = 0.33  # of the median size; the centre of a fast wide lens holds 0.42 of the median of its field, measured
SHARP_NEEDS = 20  # stars before a median size means anything
MISSED_STARS = 300  # of the brightest, that tell what Gaussians do not hold
# No star's Gaussian holds so much light that is not there (a disc's or a trail's 0.03); the fits to land's texture do,
# by half, and when land is as bright as the sky they are most of the brightest detections: clear frames of a planted
# dusk read 0.86 for it, 0.81 at dawn.
MISSED_LEAST = -0.3
MISSED_MOST = 0.1  # trails and discs reach 0.06; more is a second image of each star
CANDIDATES = 1.3  # measured for each one wanted, for those that turn out to be none
START_MIN = 0.6  # px^2, the smallest second moment to begin a fit with


@dataclass(frozen=True)
class FrameStars:
    """What one mosaic shows.

    `stars` is a `STAR_DTYPE` array, brightest first; `found` the number of detections, measured or not; `detections`
    what stands out of the broad sky, `within` the same with the sky followed into light broader than stars, of which
    the stars are; `noise` that of one green pixel of the sky (ADU); `hot` the number of hot green pixels left out.
    """

    stars: NDArray[Any]
    found: int
    detections: Detections
    within: Detections
    noise: float
    hot: int


def measure_mosaic(
    pixels: NDArray[np.uint16],
    cfa: str,
    black: ArrayLike,
    saturation: float,
    detection_sigma: float = 5.0,
    stars_max: int = 3000,
) -> NDArray[Any]:
    """Find and measure the stars of a mosaic.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU as the camera wrote them
    cfa : pattern of the first cell (RGGB, BGGR, GRBG, GBRG) or MONO
    black : 4 levels, ADU, for the CFA positions (0,0), (0,1), (1,0), (1,1)
    saturation : raw level from which a pixel is not to be believed, ADU
    detection_sigma : threshold in standard deviations of the noise of the smoothed half-size green image
    stars_max : the brightest that are measured

    Returns
    -------
    `STAR_DTYPE` array, brightest first: positions px, fluxes ADU above sky, moments px^2; see DEVELOPERS.md

    Raises
    ------
    ValueError
        Where the arguments are no mosaic.
    """
    return measure_frame(pixels, cfa, black, saturation, detection_sigma, stars_max).stars


def measure_frame(
    pixels: NDArray[np.uint16],
    cfa: str,
    black: ArrayLike,
    saturation: float,
    detection_sigma: float = 5.0,
    stars_max: int = 3000,
) -> FrameStars:
    """As `measure_mosaic`, with what else was met on the way."""
    if pixels.ndim != 2 or pixels.dtype != np.uint16 or min(pixels.shape) < 16:
        raise ValueError(f"pixels must be a 2-D uint16 array of 16 px or more (got {pixels.dtype}, {pixels.shape})")
    levels = np.asarray(black, np.float64)
    if levels.shape != (4,):
        raise ValueError(f"black must hold 4 levels (got {levels.shape})")
    pixels = np.ascontiguousarray(pixels)
    noise = pixel_noise(pixels, cfa, levels)
    half, hot = green_half(pixels, cfa, levels, HOT_SIGMA * noise)
    greens = int(green_places(cfa).sum())
    plain = detect(half, detection_sigma, 1 / greens)
    found = within_broad_light(plain, detection_sigma)
    objects = found.objects
    brightest = first_of(objects["flux"], int(CANDIDATES * stars_max) + 20)
    chosen = objects[brightest]
    rows = np.clip(np.rint(chosen["y"]).astype(int), 0, half.shape[0] - 1)
    columns = np.clip(np.rint(chosen["x"]).astype(int), 0, half.shape[1] - 1)
    skies = found.sky.at(rows, columns)
    fit = fit_shapes(
        pixels,
        green_places(cfa),
        levels,
        saturation,
        _starts(chosen),
        skies,
        hot_excess=HOT_SIGMA * noise,
        segments=found.segments,
        numbers=(brightest + 1).astype(np.int32),
    )
    stars = _stars(fit, skies, noise)
    stars["saturated"] |= _clipped(pixels, chosen, saturation)
    _mend_saturated(stars, chosen)
    good = _is_star(stars, fit, noise)
    fitted = np.isfinite(fit["missed"])
    plain_stars = good & fitted & ~stars["saturated"]
    share = _missed_share(fit["missed"][plain_stars][star_sized(stars[plain_stars])])
    for name in ("flux", "flux_error"):
        stars[name][fitted] *= 1 + share
    order = np.argsort(-stars["flux"][good], kind="stable")[:stars_max]
    return FrameStars(stars[good][order], len(objects), plain, found, noise, hot)


def measure_picture(
    plane: NDArray[np.float32],
    x: ArrayLike,
    y: ArrayLike,
    *,
    saturation: float = np.inf,
    start_fwhm_px: float = 3.0,
) -> NDArray[Any]:
    """Measure stars at given places of a full-resolution plane of one colour.

    Parameters
    ----------
    plane : (height, width) float32 array, any unit
    x, y : (n,) positions to within about half a FWHM, px
    saturation : values from here on are left out
    start_fwhm_px : about the size of the stars

    Returns
    -------
    (n,) array of `STAR_DTYPE` in the order given, fluxes in the unit of the plane; NaN where no star could be measured
    """
    image = np.ascontiguousarray(plane, dtype=np.float32)
    columns, rows = np.atleast_1d(np.asarray(x, np.float64)), np.atleast_1d(np.asarray(y, np.float64))
    holes = ~np.isfinite(image)
    if holes.any():
        image = np.where(holes, np.float32(np.nanmedian(image)), image)
    sky = sky_mesh(image)
    noise = sky.noise if sky.noise > 0 else 1e-3
    i = np.clip(np.rint(rows).astype(int), 0, image.shape[0] - 1)
    j = np.clip(np.rint(columns).astype(int), 0, image.shape[1] - 1)
    skies = sky.at(i, j)
    starts = np.zeros((len(columns), 6))
    peak = np.array([image[max(0, a - 1) : a + 2, max(0, b - 1) : b + 2].max() for a, b in zip(i, j, strict=True)])
    starts[:, 0] = np.maximum(peak - skies, noise)
    starts[:, 1], starts[:, 2] = columns, rows
    starts[:, 3] = starts[:, 5] = (start_fwhm_px / FWHM_PER_SIGMA) ** 2
    fit = fit_shapes(image, np.ones((2, 2), bool), np.zeros(4), saturation, starts, skies)
    stars = _stars(fit, skies, noise)
    astray = ~(np.hypot(stars["x"] - columns, stars["y"] - rows) < max(3.0, start_fwhm_px))
    astray |= ~(np.sqrt(fit["power"]) > MATCHED_MIN * noise)
    for name in ("x", "y", "flux", "flux_error", "mxx", "mxy", "myy", "peak", "background"):
        stars[name][astray] = np.nan
    return stars


def _starts(objects: NDArray[Any]) -> NDArray[np.float64]:
    """First guesses in px of the mosaic from the objects of the half-size image."""
    starts = np.empty((len(objects), 6))
    starts[:, 0] = np.maximum(objects["peak"], 1e-3) * 1.5
    starts[:, 1] = 2 * objects["x"] + 0.5
    starts[:, 2] = 2 * objects["y"] + 0.5
    xx, yy = (4 * np.maximum(np.nan_to_num(objects[name]) - KERNEL_VARIANCE, 0) for name in ("x2", "y2"))
    xy = 4 * np.nan_to_num(objects["xy"])
    # the shape that is at least round and of START_MIN: its eigenvalues are lifted, its direction kept
    half_trace, half_spread = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    lift = np.maximum(START_MIN - (half_trace - half_spread), 0)
    starts[:, 3], starts[:, 4], starts[:, 5] = xx + lift, xy, yy + lift
    return starts


def _stars(fit: NDArray[Any], skies: NDArray[np.float64], noise: float) -> NDArray[Any]:
    """Star rows from fits.

    The photon noise of a star is known only as far as the sky tells the gain: variance over level, as if all of the
    sky's noise were photons. That is an upper limit, so that no star passes for better than it is.
    """
    stars = np.zeros(len(fit), STAR_DTYPE)
    for name in ("x", "y", "mxx", "mxy", "myy"):
        stars[name] = fit[name]
    stars["peak"] = fit["amplitude"]
    stars["background"] = skies
    stars["flux"] = 2 * np.pi * fit["amplitude"] * np.sqrt(fit["mxx"] * fit["myy"] - fit["mxy"] ** 2)
    gain = noise**2 / np.maximum(skies, max(noise, 1e-6))
    with np.errstate(invalid="ignore"):
        stars["flux_error"] = np.sqrt((fit["flux_error"] * noise) ** 2 + gain * np.maximum(stars["flux"], 0))
    stars["saturated"] = fit["masked"] > 0
    return stars


def _missed_share(missed: NDArray[np.float64]) -> float:
    """The share of a star's light that its Gaussian does not hold, as the frame's brightest stars show it.

    A trail of four star widths fits to 2 % too much light, a disc as wide as the star to 3 %: in a frame that is
    drawn out or soft all stars would pass for brighter. One share serves all, since a faint star's own is noise.

    Parameters
    ----------
    missed : of `fit_shapes`, of stars in the order of their detections, brightest first
    """
    missed = missed[missed > MISSED_LEAST][:MISSED_STARS]
    if len(missed) < SHARP_NEEDS:
        return 0.0
    middle = float(np.median(missed))
    error = 2 * MEDIAN_ERROR * MAD_TO_SIGMA * float(np.median(np.abs(missed - middle))) / len(missed) ** 0.5
    # of few faint stars the share is noise: drawn towards none where it is below two standard errors
    middle *= middle**2 / max(middle**2 + error**2, 1e-12)
    return min(max(middle, -MISSED_MOST), MISSED_MOST)


def _clipped(pixels: NDArray[np.uint16], objects: NDArray[Any], saturation: float) -> NDArray[np.bool_]:
    """Whether any pixel of any colour near the peak of an object is saturated."""
    clipped = np.zeros(len(objects), bool)
    row, column = 2 * objects["ypeak"].astype(int), 2 * objects["xpeak"].astype(int)
    for down in range(-1, 3):
        for right in range(-1, 3):
            i = np.clip(row + down, 0, pixels.shape[0] - 1)
            j = np.clip(column + right, 0, pixels.shape[1] - 1)
            clipped |= pixels[i, j] >= saturation
    return clipped


def _mend_saturated(stars: NDArray[Any], objects: NDArray[Any]) -> None:
    """The light of saturated stars, of which a fit sees the flanks only and an isophote no more than full pixels.

    Where too little is left to fit, the isophotal figures stand in. Else the geometric mean of both fluxes does: from
    flanks the brightest stars come out up to 4 magnitudes too faint and hardly in order, by which the catalogue's are
    told (of the 30 brightest of a field the faintest was number 128 by fits, 51 by isophotes, 69 by both; where
    little is clipped the isophote alone would put them out of order).
    """
    both = stars["saturated"] & (stars["flux"] > 0)
    plain = ~stars["saturated"] & (stars["flux"] > 0)
    if plain.any() and both.any():
        held = float(np.median(objects["flux"][plain] / stars["flux"][plain]))
        stars["flux"][both] = np.sqrt(stars["flux"][both] * objects["flux"][both] / held)
    lost = stars["saturated"] & ~np.isfinite(stars["flux"])
    for name, source in (("mxx", "x2"), ("myy", "y2"), ("mxy", "xy")):
        stars[name][lost] = 4 * objects[source][lost]
    stars["x"][lost] = 2 * objects["x"][lost] + 0.5
    stars["y"][lost] = 2 * objects["y"][lost] + 0.5
    stars["flux"][lost] = 4 * objects["flux"][lost]
    stars["peak"][lost] = objects["peak"][lost]
    stars["flux_error"][lost] = 0.1 * stars["flux"][lost]  # the clipped part is unknown


def _is_star(stars: NDArray[Any], fit: NDArray[Any], noise: float) -> NDArray[np.bool_]:
    """Tell stars from lone pixels, cosmic hits, defective columns and edges."""
    with np.errstate(invalid="ignore", divide="ignore"):
        good = np.isfinite(stars["flux"]) & (stars["saturated"] | (np.sqrt(fit["power"]) > MATCHED_MIN * noise))
        spread = np.hypot(stars["mxx"] - stars["myy"], 2 * stars["mxy"])
        narrow = (stars["mxx"] + stars["myy"] - spread) / 2
        misfit = (fit["square"] - fit["pixels"] * noise**2) / fit["power"]
        good &= stars["saturated"] | ((narrow > NARROWEST) & ~(misfit > MISFIT_MAX))
        size = np.sqrt(np.maximum(stars["mxx"] * stars["myy"] - stars["mxy"] ** 2, 0))
    plain = good & ~stars["saturated"]
    if plain.sum() >= SHARP_NEEDS:
        good &= stars["saturated"] | (size > SHARP_SHARE * np.median(size[plain]))
    return good
