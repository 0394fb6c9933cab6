"""The glow of a master dark, and how much of it lights have, apart from what its pixels have. Arrays only.

A sensor's own dark current doubles every 6 degrees, in every pixel about alike; an amplifier's glow is light that goes
with the exposure, hardly with temperature. Where darks of another exposure or temperature are scaled, the master's
smooth part therefore has a factor of its own: that of the exposures times a power of what the pixels' factor is beyond
it, 0 where glow does not follow temperature at all, 1 where it does as the pixels do. The lights tell that power: glow
has the shape that the master shows and is as many electrons under red, green and blue filters alike, what sky, land and
lens bring is mostly of two colours. Between darks of two temperatures the darks themselves tell it: what the glow has
risen by from the colder to the warmer, beside what the pixels have.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.pixels.ordering import median_by_counts
from pipeline.sensor.glow import polynomials

# Degrees of the polynomials of the position that each colour's light may follow beside the colours of the whole frame;
# that of the least error is taken: glow that ends near its edge is told best beside the third, which takes a dome's and
# the Milky Way's third colour as well; of broad glow in a corner its errors grow tenfold. With 0 a dome is taken for
# glow; 2 never told more than both.
DEGREES = (1, 3)
ROUNDS = 12
# Blocks whose colours lie farther from what is fitted than so many times the usual count nothing: land, crowded stars.
FAR = 3.0
# Side, in blocks, of the parts of a frame whose errors are taken as independent.
PART = 4
# Fewer blocks than this tell nothing.
BLOCKS_MIN = 60
# What light of a third colour was taken for glow in planted skies, domes and land, rms over a frame's noise.
LIGHT_LEFT = 0.12
# Fewer blocks of risen glow than this do not tell by how much.
RISEN_MIN = 12
# Times the colder darks' signal that a light has at least, however much colder still it was.
LEAST_SIGNAL = 1e-3
# How sure it is, before the lights are asked, that glow does not follow temperature: standard deviation of the power.
POWER_SIGMA = 0.5


@dataclass(frozen=True)
class GlowFactor:
    """How many times a master's glow the lights have, and its standard error."""

    factor: float
    error: float


@dataclass(frozen=True)
class GlowLaw:
    """How a glow's factor follows from the pixels': by `power`, 0 to 1, of what that is beyond the exposures' own.

    Between darks of two temperatures the factors are shares of what the warmer show above the colder: `rise` is how
    many times the colder ones' dark signal the warmer ones' is; None of one dark. `leaked`: what the lights have of it
    where it is light that came in while the darks were taken, whatever their pixels' factor.
    """

    power: float
    rise: float | None = None
    leaked: float | None = None

    def factor(self, scale: float, lasting: float = 1.0) -> float:
        """The glow's factor where the pixels' is `scale`, and `lasting` what the exposures let expect of it."""
        if self.leaked is not None:
            return self.leaked
        if self.rise is None:
            return glow_scale(scale, lasting, self.power)
        return glow_share(scale, self.rise, self.power)


@dataclass(frozen=True)
class GlowPower:
    """The power by which glow follows the pixels' factor, 0 to 1, and its standard error."""

    power: float
    error: float


def dark_glow(dark: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """What a master shows beyond its usual level in blocks of `block` px, (rows, columns) float32, ADU: medians."""
    rows, columns = (n // block for n in dark.shape)
    level = np.empty((rows, columns), np.float32)
    _block_medians(dark, block, level)
    return level - np.median(level) if level.size else level


@njit(cache=True, nogil=True, error_model="numpy")
def _block_medians(values, block, medians):  # type: ignore[no-untyped-def]
    held = np.empty((block, block), np.float32)
    for i in range(medians.shape[0]):
        for j in range(medians.shape[1]):
            for k in range(block):
                held[k] = values[i * block + k, j * block : (j + 1) * block]
            medians[i, j] = median_by_counts(held.reshape(-1))


def glow_scale(scale: float, lasting: float, power: float) -> float:
    """The factor of the glow where that of the pixels is `scale`, and `lasting` what the exposures let expect of it."""
    return lasting * (scale / lasting) ** power


def glow_share(share: float, rise: float, power: float) -> float:
    """The share of what the glow has risen by, between darks of two temperatures, where that of the pixels is `share`.

    Pixels are at ``1 + share * (rise - 1)`` times the colder darks' signal, glow at that to the power:
    ``((1 + share * (rise - 1))**power - 1) / (rise**power - 1)``, 0 at the colder ones and 1 at the warmer.
    """
    pixels = max(1 + share * (rise - 1), LEAST_SIGNAL)
    if power * np.log(rise) < 1e-6:  # its limit: what has hardly risen goes with temperature itself
        return float(np.log(pixels) / np.log(rise))
    return float((pixels**power - 1) / (rise**power - 1))


def glow_rise(colder: NDArray[np.floating], risen: NDArray[np.floating]) -> float | None:
    """How many times the colder darks' glow the warmer ones' is; None where it has not risen, or the colder have none.

    ``1 + 1 / a``, a the slope of the colder's levels on what they have risen by, beside a plane of the position, where
    that is a quarter of its most and more: a shading of the black level is in the colder ones alone, and broad.

    Parameters
    ----------
    colder : (rows, columns) float array, ADU: of the colder darks, as `dark_glow` gives it
    risen : (rows, columns) float array, ADU: what the warmer show above these
    """
    bright = risen > 0.25 * risen.max(initial=0.0)
    if bright.sum() < RISEN_MIN:
        return None
    terms = np.stack([risen[bright], np.ones(bright.sum()), *np.nonzero(bright)], axis=1).astype(np.float64)
    slope = float(np.linalg.lstsq(terms, colder[bright].astype(np.float64))[0][0])
    return 1 + 1 / slope if slope > 0 else None


def glow_power(scales: NDArray[np.float64], lasting: NDArray[np.float64], told: GlowFactor | None) -> GlowPower:
    """The likeliest power where lights of these factors have, in the mean, `told` times the glow: before they are asked
    it is 0, give or take `POWER_SIGMA`.
    """
    powers = np.linspace(0, 1, 201)
    off = (powers / POWER_SIGMA) ** 2
    if told is not None:
        factors = (lasting[:, None] * (scales / lasting)[:, None] ** powers).mean(axis=0)
        off += ((factors - told.factor) / told.error) ** 2
    chance = np.exp(-0.5 * (off - off.min()))
    best = float(powers[np.argmin(off)])
    return GlowPower(best, float(np.sqrt(np.average((powers - best) ** 2, weights=chance))))


def glow_factor(levels: NDArray[np.floating], glow: NDArray[np.floating], noise: float) -> GlowFactor | None:
    """How many times `glow` there is in the levels of red, green and blue; None where too few blocks are known.

    Generalised least squares: ``levels[c] = surface of c + factor * glow``, the covariance C of the colours taken from
    what is left, so that ``factor = sum(g 1' C^-1 l) / (1' C^-1 1 sum(g**2))`` with g and l without their surfaces: the
    combination of the colours that is blind to the light's own is asked for the glow. Of the surfaces' degrees that
    whose factor has the least error is taken.

    The error is the larger of that of sums over parts of the frame (the sandwich estimate) and of what the mirror
    images of the glow find in what is left, where no glow is; and what light of a third colour may be taken for it.

    Parameters
    ----------
    levels : (3, rows, columns) float array, ADU; NaN where a block is not known
    glow : (rows, columns) float array, ADU, of the master
    noise : float
        Of a pixel of one frame, ADU.

    References
    ----------
    Aitken 1935, Proc. R. Soc. Edinburgh 55:42 (generalised least squares); Bennett et al. 2003, ApJS 148:97, section 4
    (the combination of colours).
    """
    if np.isfinite(levels).all(axis=0).sum() < BLOCKS_MIN:
        return None
    found = [of for degree in DEGREES if (of := _beside_surfaces(levels, glow, degree)) is not None]
    if not found:
        return None
    best = min(found, key=lambda of: of.error)
    third = LIGHT_LEFT * noise / max(float(np.abs(glow).max()), 1e-9)
    return GlowFactor(best.factor, float(np.hypot(best.error, third)))


def _beside_surfaces(levels: NDArray[np.floating], glow: NDArray[np.floating], degree: int) -> GlowFactor | None:
    """The factor beside surfaces of one degree, and its error without what light of a third colour may add."""
    shape, flat = glow.shape, levels.reshape(len(levels), -1).astype(np.float64)
    known = np.isfinite(flat).all(axis=0)
    terms = polynomials(shape, degree)
    flat = np.where(known, flat, 0.0)
    both = np.vstack([flat, glow.ravel().astype(np.float64)])
    weight, factor = known.astype(np.float64), 0.0
    for _ in range(ROUNDS):
        surfaces = np.linalg.solve((terms * weight) @ terms.T, (terms * weight) @ both.T)
        *light, own = both - surfaces.T @ terms
        left = np.array(light) - factor * own
        covariance = (left * weight) @ left.T / weight.sum()
        inverse = np.linalg.inv(covariance + 1e-9 * max(np.trace(covariance), 1e-9) * np.eye(len(flat)))
        combine = inverse.sum(axis=0) / inverse.sum()
        size = float(weight @ own**2)
        if not size > 0:
            return None
        before, factor = factor, float((weight * own) @ (combine @ np.array(light))) / size
        left = np.array(light) - factor * own
        distance = np.sqrt(np.einsum("ib,ij,jb->b", left, inverse, left))
        usual = max(float(np.median(distance[known])), 1e-12)
        weight = np.where(known, np.clip(1 - (distance / (FAR * usual)) ** 2, 0, 1) ** 2, 0.0)
        if abs(factor - before) < 1e-5 * max(abs(factor), 1.0):
            break
    pull = (weight * own / size).reshape(shape)
    rest = (combine @ left).reshape(shape)
    parts = np.add.reduceat(pull * rest, np.arange(0, shape[0], PART), axis=0)
    parts = np.add.reduceat(parts, np.arange(0, shape[1], PART), axis=1)
    seen = rest * (weight > 0).reshape(shape)
    images = [float(np.sum(seen * image)) for image in (pull[::-1], pull[:, ::-1], pull[::-1, ::-1])]
    return GlowFactor(factor, float(np.sqrt(max(np.sum(parts**2), np.mean(np.square(images))))))
