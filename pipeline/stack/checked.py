"""The noise model set against what the frames' residuals in a sample of the picture show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.noise import SLOPE_SIGNIFICANT, PhotonTransfer
from pipeline.pixels.outliers import OWN_MIN
from pipeline.pixels.regression import robust_fit
from pipeline.stack.matching import ROUNDING_VARIANCE, Matching

# Residuals below which a frame's noise is left as its mosaic told it, and how far they may move it: among crowded stars
# a mosaic's neighbouring pixels differ by ten times their noise.
RATIOS_MIN = 300
FACTOR_RANGE = (0.01, 4.0)
# Share of the sky's variance that is left to the floor at least.
FLOOR_LEAST = 0.02
# Scatter of star cores where there are too few to measure it, and what is believed of what is measured.
SCATTER_DEFAULT, SCATTER_RANGE, CORES_MIN = 0.08, (0.03, 0.3), 20
# The quantile of the cores that tells it. Red and blue of stars of FWHM 2.0 px in 16 frames: by the median rejection
# leaves fluxes with 1.4 and 1.9 % of scatter, by this quantile 0.65 and 0.79; without any rejection 0.65 and 0.69.
SCATTER_QUANTILE = 0.95
# Points that tell a camera's photon transfer at least, and the share of each colour's, the farthest from stars, that is
# looked at.
POINTS_MIN, POINTS_FAINT = 5000, 0.1
# Stars are crowded where frames scatter by less than this share of the variance that their own pixels seem to have.
CROWDED = 0.5
ROUNDS = 4  # of weights


def corrected(
    matching: Matching, ratios: Sequence[NDArray[np.floating]], lit: bool = False
) -> tuple[Matching, NDArray[np.float64]]:
    """Bring the noise model to what the frames' residuals in a sample of the picture say.

    A mosaic's own pixels cannot tell faint stars from noise; residuals from the mean of all frames can.

    Parameters
    ----------
    ratios : n arrays
        Squared residuals of each frame over what the model expects.
    lit : of land, which has no one level: all of its variance is multiplied

    Returns
    -------
    matching : Matching
        With the variance at each frame's sky multiplied: its floor is changed, and where nothing would be left of that
        its slope too; and weights accordingly.
    factors : (n,) float64 array
        By what; 1 where a frame has too few residuals.
    """
    # the median is blind to outliers; of the square of a unit Gaussian it is 0.4549
    factors = np.array(
        [np.clip(np.median(r) / 0.454936, *FACTOR_RANGE) if len(r) >= RATIOS_MIN else 1.0 for r in ratios], np.float64
    )
    weights = matching.weights / factors
    weights = (weights / weights.mean()).astype(np.float32)
    if lit:
        floor, slope = (
            (matching.floor * factors[:, None]).astype(np.float32),
            (matching.slope * factors).astype(np.float32),
        )
        return replace(matching, floor=floor, slope=slope, weights=weights), factors
    # the slope is the camera's: what the residuals show beside it belongs to the floor, as long as any is left there
    level = np.median(matching.noise_sky[None] - matching.offsets, axis=(2, 3)).clip(0)
    photons = matching.slope[:, None] * level
    total = (matching.floor + photons) * factors[:, None]
    shrink = np.min(np.minimum(1.0, (1 - FLOOR_LEAST) * total / np.maximum(photons, 1e-30)), axis=1)
    return replace(
        matching,
        floor=(total - photons * shrink[:, None]).astype(np.float32),
        slope=(matching.slope * shrink).astype(np.float32),
        weights=weights,
    ), factors


def as_transferred(matching: Matching, scales: NDArray[np.float64]) -> Matching:
    """The noise model by the photon transfer that was told of the mosaics, in place of their own noise.

    Parameters
    ----------
    scales : (n,) flux scales
    """
    mean, told = float(scales.mean()), matching.transfer
    matched = PhotonTransfer(told.adu_per_electron * mean, told.read_variance * mean**2, told.measured)
    return with_transfer(matching, matched, scales)


def with_transfer(matching: Matching, told: PhotonTransfer, scales: NDArray[np.float64]) -> Matching:
    """The noise model with another photon transfer, told of the result (`transfer_of`), in place of one assumed.

    What the model had for the frames' green skies says only how much noisier one is than another.

    Parameters
    ----------
    scales : (n,) flux scales
    """
    share = scales / scales.mean()
    level = np.median(matching.noise_sky[None] - matching.offsets, axis=(2, 3)).clip(0)
    green = level.shape[1] // 2
    before = matching.floor[:, green] + matching.slope * level[:, green]
    floor = max(told.read_variance, ROUNDING_VARIANCE) * share**2
    slope = told.adu_per_electron * share
    noisier = before / (floor + slope * level[:, green])
    noisier /= np.median(noisier)
    floors, slope = np.repeat((floor * noisier)[:, None], level.shape[1], axis=1), slope * noisier
    mean = float(scales.mean())
    return replace(
        matching,
        floor=floors.astype(np.float32),
        slope=slope.astype(np.float32),
        sky_variance=(floors + slope[:, None] * level) / scales[:, None] ** 2,
        transfer=PhotonTransfer(told.adu_per_electron / mean, told.read_variance / mean**2, True),
    )


def transfer_of(points: NDArray[np.floating], frames: int) -> PhotonTransfer | None:
    """Photon transfer from how much the same pixels of the sky scatter among the frames, and how bright they are.

    Where stars are so crowded that no pixel is free of them, neither one mosaic nor the difference of two tells noise
    from stars, but frames laid on one another do. What interpolation makes of sharp stars goes with their height
    squared: ``variance = read + slope * level + t * peak**2``, `t` of each colour its own.

    Parameters
    ----------
    points : (m, 4) array
        As `pixels.residuals` tells them.

    Returns
    -------
    None where there are too few frames or points, or where they tell no slope.
    """
    if frames < OWN_MIN or len(points) < POINTS_MIN:
        return None
    colour, level, variance, peak = np.asarray(points, np.float64).T
    faint = variance > 0
    for c in np.unique(colour):
        faint &= (colour != c) | (peak <= np.quantile(peak[colour == c], POINTS_FAINT))
    colour, level, variance, square = colour[faint], level[faint], variance[faint], peak[faint] ** 2
    # the error of a variance goes with the variance
    model = np.full(len(level), np.median(variance))
    ring = max(float(np.median(square)), 1e-9)
    design = np.stack([level, *((colour == c) * square / ring for c in np.unique(colour)), np.ones(len(level))], axis=1)
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
