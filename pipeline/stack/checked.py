"""The noise model set against what the frames' residuals in a sample of the picture show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.noise import SLOPE_SIGNIFICANT, PhotonTransfer
from pipeline.pixels.outliers import OWN_MIN
from pipeline.pixels.regression import robust_fit
from pipeline.stack.matching import Matching
from pipeline.stack.skies import ROUNDING_VARIANCE

# Residuals below which a frame's noise is left as its mosaic told it, and how far they may move it: among crowded stars
# a mosaic's neighbouring pixels differ by ten times their noise.
RATIOS_MIN = 300
FACTOR_RANGE = (0.01, 4.0)
# Of land whose photon transfer pairs of frames have told, by no more than this: more is what moves there.
LIT_RANGE = (0.9, 1.15)
# Residuals of a window by which it can be told from louder ones: a median's error is then 2 %.
QUIET_LEAST = 5000
# Of land residuals count up to so many standard deviations, and what a unit Gaussian's variance loses by that. Their
# median, blind to the star or trail that stays in a residual of the sky, is blind to whole numbers too: of a pixel that
# scatters by less than 0.8 ADU most values are the same, and it tells a third of the variance.
LIT_CUT, LIT_KEPT = 3.0, 0.973337
# Share of the sky's variance that is left to the floor at least.
FLOOR_LEAST = 0.02
# Scatter of star cores where there are too few to measure it, and what is believed of what is measured.
SCATTER_DEFAULT, SCATTER_RANGE, CORES_MIN = 0.08, (0.03, 0.3), 20
# The quantile of the cores that tells it. Red and blue of stars of FWHM 2.0 px in 16 frames: by the median rejection
# leaves fluxes with 1.4 and 1.9 % of scatter, by this quantile 0.65 and 0.79; without any rejection 0.65 and 0.69.
SCATTER_QUANTILE = 0.95
# Points that tell a camera's photon transfer at least, and the share of each colour's, the farthest from stars, that is
# looked at; of land all are, and so many are as good.
POINTS_MIN, POINTS_FAINT = 5000, 0.1
# Stars are crowded where frames scatter by less than this share of the variance that their own pixels seem to have.
CROWDED = 0.5
ROUNDS, CUTS = 4, 20  # of weights, and of cutting residuals, at most


def corrected(
    matching: Matching, ratios: Sequence[NDArray[np.floating]], lit: bool = False, by_pairs: bool = False
) -> tuple[Matching, NDArray[np.float64]]:
    """Bring the noise model to what the frames' residuals in a sample of the picture say.

    A mosaic's own pixels cannot tell faint stars from noise; residuals from the mean of all frames can.

    Parameters
    ----------
    ratios : n arrays
        Squared residuals of each frame over what the model expects.
    lit : of land, which has no one level: all of its variance is multiplied
    by_pairs : pairs of frames told the land's photon transfer: there is little to correct

    Returns
    -------
    matching : Matching
        With the variance at each frame's sky multiplied: its floor is changed, and where nothing would be left of that
        its slope too; and weights accordingly.
    factors : (n,) float64 array
        By what; 1 where a frame has too few residuals.
    """
    told = _cut_mean if lit else _by_median
    limits = LIT_RANGE if lit and by_pairs else FACTOR_RANGE
    factors = np.array([np.clip(told(r), *limits) if len(r) >= RATIOS_MIN else 1.0 for r in ratios], np.float64)
    weights = matching.weights / factors
    weights = (weights / weights.mean()).astype(np.float32)
    if lit:
        floor, slope = (
            (matching.floor * factors[:, None]).astype(np.float32),
            (matching.slope * factors).astype(np.float32),
        )
        return replace(matching, floor=floor, slope=slope, weights=weights), factors
    # the slope is the camera's: what the residuals show beside it belongs to the floor, as long as any is left there
    squares, level = matching.at_sky
    photons = matching.slope[:, None] * level
    total = (matching.floor * squares + photons) * factors[:, None]
    shrink = np.min(np.minimum(1.0, (1 - FLOOR_LEAST) * total / np.maximum(photons, 1e-30)), axis=1)
    return replace(
        matching,
        floor=((total - photons * shrink[:, None]) / squares).astype(np.float32),
        slope=(matching.slope * shrink).astype(np.float32),
        weights=weights,
    ), factors


def of_the_quiet(windows: Sequence[Sequence[NDArray[np.floating]]]) -> list[NDArray[np.floating]]:
    """The residuals of each frame in the quieter half of some windows of land.

    What moves on land (stars mirrored in a lake, leaves, traffic) is no noise of a pixel: a lake that is most of the
    land made NOISE of all of it 1.6 times too large.

    Parameters
    ----------
    windows : by window n arrays of `corrected`
    """
    everywhere = [np.concatenate(of_frame) for of_frame in zip(*windows, strict=True)]
    told = [window for window in windows if sum(map(len, window)) >= QUIET_LEAST]
    if len(told) < 2:
        return everywhere
    order = np.argsort([_by_median(np.concatenate(window)) for window in told], kind="stable")
    quiet = zip(*(told[k] for k in order[: (len(told) + 1) // 2]), strict=True)
    some = [np.concatenate(of_frame) for of_frame in quiet]
    return [own if len(own) >= RATIOS_MIN else of_all for own, of_all in zip(some, everywhere, strict=True)]


def _by_median(ratios: NDArray[np.floating]) -> float:
    """The median is blind to outliers; of the square of a unit Gaussian it is 0.4549."""
    return float(np.median(ratios)) / 0.454936


def _cut_mean(ratios: NDArray[np.floating]) -> float:
    """Of what `LIT_CUT` leaves, begun where the model holds, or higher if most lie higher."""
    factor = max(_by_median(ratios), 1.0)
    for _ in range(CUTS):
        before, factor = factor, float(ratios[ratios <= LIT_CUT**2 * factor].mean(dtype=np.float64)) / LIT_KEPT
        if abs(factor - before) < 1e-3 * before or factor == 0:
            break
    return factor


def unlit_variance(told: PhotonTransfer, taken: NDArray[np.float64], gains: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of a mosaic pixel that has no light, ADU^2, of each frame, (n,).

    Parameters
    ----------
    told : of the mosaics as they come from the camera: their line is of light and dark together
    taken : (n,) what calibration takes off them, ADU: its electrons scatter all the same
    gains : (n,) ADU that an electron makes in each, over what it makes where `told` was told
    """
    return np.maximum(gains**2 * told.read_variance + gains * told.adu_per_electron * taken, ROUNDING_VARIANCE)


def as_transferred(
    matching: Matching, scales: NDArray[np.float64], unlit: NDArray[np.float64], gains: NDArray[np.float64]
) -> Matching:
    """The noise model by the photon transfer that was told of the mosaics, in place of their own noise.

    Parameters
    ----------
    scales : (n,) flux scales
    unlit : (n,) of `unlit_variance`; `gains` (n,) as there
    """
    return _with_line(matching, unlit, gains * matching.transfer.adu_per_electron, scales)


def with_transfer(
    matching: Matching, told: PhotonTransfer, scales: NDArray[np.float64], gains: NDArray[np.float64]
) -> Matching:
    """The noise model with another photon transfer, told of the result (`transfer_of`), in place of one assumed.

    What the model had for the frames' green skies says only how much noisier one is than another.

    Parameters
    ----------
    scales : (n,) flux scales; `gains` (n,) as for `unlit_variance`
    """
    mean = float((scales * gains).mean())
    of_frame = PhotonTransfer(told.adu_per_electron / mean, told.read_variance / mean**2, True)
    floor = np.maximum(gains**2 * of_frame.read_variance, ROUNDING_VARIANCE)
    return replace(_with_line(matching, floor, gains * of_frame.adu_per_electron, scales), transfer=of_frame)


def _with_line(
    matching: Matching, floor: NDArray[np.float64], per_level: NDArray[np.float64], scales: NDArray[np.float64]
) -> Matching:
    """The model with this variance against level of the frames' mosaic pixels: ``floor[k] + per_level[k] * level``
    (ADU^2 and ADU of the frame), times how much noisier a frame is than most by the model as it was."""
    squares, level = matching.at_sky
    green = level.shape[1] // 2
    before = matching.floor[:, green] * squares[:, green] + matching.slope * level[:, green]
    floor, slope = floor * scales**2, per_level * scales
    noisier = before / (floor * squares[:, green] + slope * level[:, green])
    noisier /= np.median(noisier)
    floors, slope = np.repeat((floor * noisier)[:, None], level.shape[1], axis=1), slope * noisier
    return replace(
        matching,
        floor=floors.astype(np.float32),
        slope=slope.astype(np.float32),
        sky_variance=(floors * squares + slope[:, None] * level) / scales[:, None] ** 2,
    )


def transfer_of(points: NDArray[np.floating], frames: int, lit: bool = False) -> PhotonTransfer | None:
    """Photon transfer from how much the same pixels of the sky scatter among the frames, and how bright they are.

    Where stars are so crowded that no pixel is free of them, neither one mosaic nor the difference of two tells noise
    from stars, but frames laid on one another do. What interpolation makes of sharp stars goes with their height
    squared: ``variance = read + slope * level + t * peak**2``, `t` of each colour its own.

    Parameters
    ----------
    points : (m, 4) array
        As `pixels.residuals` tells them.
    lit : of land, which stands still: what is bright there is no star, and all of it tells

    Returns
    -------
    None where there are too few frames or points, or where they tell no slope.
    """
    if frames < OWN_MIN or len(points) < (POINTS_FAINT * POINTS_MIN if lit else POINTS_MIN):
        return None
    colour, level, variance, peak = np.asarray(points, np.float64).T
    faint = variance > 0
    for c in () if lit else np.unique(colour):
        faint &= (colour != c) | (peak <= np.quantile(peak[colour == c], POINTS_FAINT))
    colour, level, variance, square = colour[faint], level[faint], variance[faint], peak[faint] ** 2
    # the error of a variance goes with the variance
    model = np.full(len(level), np.median(variance))
    ring = max(float(np.median(square)), 1e-9)
    sharp = [] if lit else [(colour == c) * square / ring for c in np.unique(colour)]
    design = np.stack([level, *sharp, np.ones(len(level))], axis=1)
    # no camera reads with less than no noise
    for terms in (design, design[:, :-1]):
        for _ in range(ROUNDS):
            line, error = robust_fit(terms, variance, 1 / model**2)
            model = np.maximum(terms @ line, 0.05 * np.median(variance))
        read = float(line[-1]) if terms is design else 0.0
        if read >= 0:
            break
    if line[0] < SLOPE_SIGNIFICANT * error[0]:
        return None
    return PhotonTransfer(float(line[0]), read, True)


def star_scatter(scatters: NDArray[np.floating], frames: int) -> float:
    """How much star cores vary between frames, as a share of their height, from variances less the noise.

    A high quantile over cores: a linear demosaic makes stars of unusual colour vary most, whose brightest values would
    be rejected by what the usual star shows. Trails do not count as long as they cross less than a twentieth of the
    cores. Where all cores vary by the same (clear air and haze) it is just that; where each varies by itself, a
    variance from few values is uncertain, and the quantile lies above the true one (1.5 times with 5 frames).
    """
    if len(scatters) < CORES_MIN or frames < 3:
        return SCATTER_DEFAULT
    found = max(float(np.quantile(scatters, SCATTER_QUANTILE)), 0.0)
    return float(np.clip(np.sqrt(found), *SCATTER_RANGE))
