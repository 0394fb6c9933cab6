"""An amplifier's glow told from light where no dark can be had.

On a tripod light that stays with the ground stays with the sensor as well, so that standing still tells nothing. Glow
is told by its colour: electrons that no light made are as many under red, green and blue filters alike, which no light
from the sky or the land is. Of the light two colours are learned from the frame itself (the sky's and a dome's, say);
the combination of red, green and blue that is blind to both is the one of least variance over the frame whose weights
sum to 1, and what stands out in it is grey, or light of a third colour. Where the frame has three (the Milky Way beside
sky and dome), the same is asked of what stands beside a smooth surface of each colour, and each must then have as much
of it but for what the sky's own colour explains. It is believed to be glow where it falls off evenly from a place at
the sensor's edge and is the same in the earlier and the later frames; otherwise nothing is done.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.normal import MAD_TO_SIGMA

# Share of the blocks, those nearest to the middle of all, from which the colours of the scene's light are learned.
TYPICAL = 0.7
ROUNDS = 6
# Standard deviations of the smoothed grey map above which a block glows, and what the peak must reach at least.
GLOWS_SIGMA, PEAK_SIGMA = 3.0, 8.0
# ... and, over a frame's noise: fainter glow is not worth the risk.
PEAK_MIN = 0.25
# Share of the frame beyond which it is no amplifier's.
GLOW_SHARE_MAX = 0.5
# Fewer blocks than this tell no colours.
BLOCKS_MIN = 60
# Error of the smoothed map, over a frame's noise, by the surfaces' degree, beyond which glow may be off by more than a
# fifth of that: where it was 0.035 up to 0.35 was left, below 0.03 at most 0.17. Beside surfaces each colour is asked.
ERROR_MAX = {0: 0.03, 3: 0.045}
# What the fall-off may leave of the glow, rms over the peak; how far inside the frame it may begin and how long it may
# be, as shares of the frame's sides; how far outside by the surfaces' degree (the fit's bound is 0.15): light that
# fades from a horizon has no place that it falls off from.
LEFT_MAX, INSIDE_MAX, LENGTH_MAX = 0.07, 0.05, 0.5
OUTSIDE_MAX = {0: 0.14, 3: 0.16}
# What each colour may have beyond the glow where that is brightest, over it, by the surfaces' degree. Beside surfaces
# that is glow and little else; without any vignetting makes it anything below, and of a dome of light two colours make
# up all but some hundredths.
BESIDE = {0: (-np.inf, 12.5), 3: (-0.6, 1.5)}
# ... and how much of it may be of another colour than the sky's, beside surfaces: vignetting that they do not follow is
# the sky's, a lamp's light is not.
THIRD_MAX = 0.06
# Degrees of those surfaces, the first tried first: 0 is the frame's level alone.
DEGREES = tuple(BESIDE)
# Times that a fall-off and the surfaces beside it are fitted in turn, and the share of its height down to which what
# stands out beyond it is taken for glow as well.
SETTLED, REACH = 3, 0.1
# What later frames may show of the earlier ones' glow: sensors warm up and cool by some degrees.
STEADY = (0.65, 1.5)
# Blocks about a region that its fall-off is fitted to as well.
AROUND = 4


@dataclass(frozen=True)
class Glow:
    """Glow by block, ADU, (rows, columns) float32, 0 where there is none; None where none was found or none is told.

    `why` says in words what was found or why nothing was done; `error` is that of a block, ADU.
    """

    level: NDArray[np.float32] | None
    why: str
    error: float | None = None


def grey_weights(levels: NDArray[np.float64], chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """The weights, of sum 1, of the combination of colours whose variance over the chosen blocks is least.

    ``C^-1 1 / (1' C^-1 1)`` with C the covariance of the colours.

    Parameters
    ----------
    levels : (3, blocks) float64 array, ADU
    chosen : (blocks,) bool array

    References
    ----------
    Bennett et al. 2003, ApJS 148:97, section 4 (internal linear combination).
    """
    covariance = np.cov(levels[:, chosen])
    inverse = np.linalg.pinv(covariance + 1e-9 * np.trace(covariance) * np.eye(3))
    return np.asarray(inverse.sum(axis=1) / inverse.sum())


def find_glow(halves: NDArray[np.floating], noise: float) -> Glow:
    """Find what is grey at the edges of the sensor.

    Parameters
    ----------
    halves : (2, 3, rows, columns) array, ADU above black
        Level of red, green and blue in blocks of the sensor in the earlier and in the later frames, between which the
        sky moved (`colour_levels`); NaN where a block has none.
    noise : float
        Of a pixel of one frame, ADU.
    """
    by_half = halves.reshape(2, 3, -1).astype(np.float64)
    if np.isfinite(by_half).all(axis=(0, 1)).sum() < BLOCKS_MIN:
        return Glow(None, "the frames are too small to tell an amplifier's glow")
    for degree in DEGREES:
        found = _beside_surfaces(by_half, halves.shape[2:], noise, degree)
        if found is not None:
            return found
    return Glow(None, "the light of the scene has too many colours to tell an amplifier's glow from it")


def _beside_surfaces(by_half: NDArray[np.float64], shape: tuple[int, ...], noise: float, degree: int) -> Glow | None:
    """Glow beside smooth light of any colour, surfaces of the position of this degree; None where what stands beside
    them has more than two colours."""
    flat = by_half.mean(axis=0)
    known = np.isfinite(flat).all(axis=0)
    terms, on_sensor = polynomials(shape, degree), known.reshape(shape)
    glowing = np.zeros(shape, bool)
    for _ in range(ROUNDS):
        beside = known & ~glowing.ravel()
        rest = flat - _fitted(flat, terms, beside)
        typical = _typical(rest, beside)
        weights = grey_weights(rest, typical)
        raw = _grey(weights, rest, known, typical, shape)
        grey = _smoothed(raw, on_sensor)
        spread = max(MAD_TO_SIGMA * float(np.median(np.abs(grey.ravel()[typical]))), 1e-6)
        seeds = ndimage.binary_dilation(grey > GLOWS_SIGMA * spread)
        if (seeds == glowing).all():
            break
        glowing = seeds
    if spread > ERROR_MAX[degree] * noise:
        return None
    level, refused = np.zeros(shape), 0
    regions, count = ndimage.label(glowing)
    for region in range(1, count + 1):
        here = regions == region
        peak = float(np.where(here, grey, 0).max())
        if peak < max(PEAK_SIGMA * spread, PEAK_MIN * noise):
            continue
        around = ndimage.binary_dilation(here, iterations=AROUND) & on_sensor
        shown, fall = raw, None
        for _ in range(SETTLED if here.mean() < GLOW_SHARE_MAX else 0):
            fall = _fall_off(_smoothed(shown, on_sensor), around, peak, spread, OUTSIDE_MAX[degree])
            if fall is None:
                break
            own = around & (fall > REACH * fall.max())
            beside = known & ~(glowing & ~own).ravel()
            # surfaces reach under the glow by what is left of it there, not by what they would be without it
            rest = flat - _fitted(flat - fall.ravel(), terms, beside)
            shown = _grey(weights, rest, known, typical, shape)
        if fall is not None:
            light = rest - np.median(rest[:, typical], axis=1)[:, None] - shown.ravel()
            beyond = light[:, (own & (shown > 0.5 * peak)).ravel()] / peak
        if (
            fall is None
            or not _only_glow(beyond, np.median(flat[:, typical], axis=1), degree)
            or not _steady(by_half, fall, terms, beside, weights)
        ):
            refused += 1
            continue
        left = _smoothed(np.where(own & here, shown - fall, 0), on_sensor)
        level += np.where(own & here, np.maximum(fall + left, 0), np.where(glowing & ~here, 0, fall))
    if not level.any():
        told = "something grey stands in the frame, but it cannot be told from light" if refused else ""
        return Glow(None, told or "no glow stands out", spread)
    share = float((level > GLOWS_SIGMA * spread).mean())
    return Glow(level.astype(np.float32), f"up to {level.max():.1f} ADU, in {100 * share:.0f} % of the frame", spread)


def polynomials(shape: tuple[int, ...], degree: int) -> NDArray[np.float64]:
    """The terms of a polynomial of the position up to this total degree, (terms, blocks)."""
    y, x = (a.ravel() for a in np.meshgrid(*(np.linspace(-1, 1, n) for n in shape), indexing="ij"))
    return np.stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])


def _fitted(flat: NDArray[np.float64], terms: NDArray[np.float64], chosen: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Least-squares surfaces of each colour through the chosen blocks, at all of them."""
    found = np.linalg.lstsq(terms[:, chosen].T, flat[:, chosen].T, rcond=None)[0]
    return np.asarray(found.T @ terms)


def _only_glow(beyond: NDArray[np.float64], sky: NDArray[np.float64], degree: int) -> bool:
    """Whether what colours have beyond the glow, over it, (3, blocks), is no more than the sky's own light may be."""
    if not beyond.size:
        return False
    usual = np.median(beyond, axis=1)
    least, most = BESIDE[degree]
    third = usual - sky * (sky @ usual) / (sky @ sky)
    coloured = degree > 0 and np.abs(third).max() > THIRD_MAX
    return bool(usual.min() > least and usual.max() < most and not coloured)


def _steady(
    by_half: NDArray[np.float64],
    fall: NDArray[np.float64],
    terms: NDArray[np.float64],
    beside: NDArray[np.bool_],
    weights: NDArray[np.float64],
) -> bool:
    """Whether as much falls off like this later as earlier."""
    both = np.vstack([terms, fall.ravel()])[:, beside].T
    earlier, later = (np.linalg.lstsq(both, half[:, beside].T, rcond=None)[0][-1] @ weights for half in by_half)
    return bool(earlier > 0 and STEADY[0] < later / earlier < STEADY[1])


def _grey(
    weights: NDArray[np.float64],
    flat: NDArray[np.float64],
    known: NDArray[np.bool_],
    typical: NDArray[np.bool_],
    shape: tuple[int, ...],
) -> NDArray[np.float64]:
    combined = np.where(known, weights @ np.where(known, flat, 0), 0.0)
    combined -= np.median(combined[typical])
    return combined.reshape(shape)


def _fall_off(
    grey: NDArray[np.float64], around: NDArray[np.bool_], peak: float, spread: float, outside: float
) -> NDArray[np.float64] | None:
    """Glow that falls off exponentially from a place at the edge, everywhere; None where a region is not like that."""
    from scipy.optimize import least_squares  # takes a third of a second to load, and few scenes need it

    y, x = np.nonzero(around)
    height, width = grey.shape
    v, u = (y + 0.5) / height, (x + 0.5) / width
    shown = grey[around]
    at = int(np.argmax(shown))

    def model(p: NDArray[np.float64], u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(p[0] * np.exp(-np.hypot((u - p[1]) / p[3], (v - p[2]) / p[4])))

    fit = least_squares(
        lambda p: (model(p, u, v) - shown) / (spread + 0.03 * peak),
        [1.5 * peak, float(u[at]), float(v[at]), 0.2, 0.2],
        bounds=([0, -0.15, -0.15, 0.01, 0.01], [50 * peak, 1.15, 1.15, 2.0, 2.0]),
        x_scale=[peak, 0.1, 0.1, 0.1, 0.1],
        loss="soft_l1",
    )
    fitted = model(fit.x, u, v)
    # where neither is, others may stand: an amplifier at the next edge
    reached = (fitted > REACH * fitted.max()) | (shown > 0.5 * peak)
    left = float(np.sqrt(np.mean((fitted - shown)[reached] ** 2)))
    edge = min(fit.x[1], 1 - fit.x[1], fit.x[2], 1 - fit.x[2])
    if left > LEFT_MAX * peak + 0.4 * spread or not -outside < edge < INSIDE_MAX or max(fit.x[3:]) > LENGTH_MAX:
        return None
    v, u = (np.indices(grey.shape) + 0.5) / np.array(grey.shape)[:, None, None]
    return model(fit.x, u, v)


def _typical(flat: NDArray[np.float64], usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The blocks whose colours lie nearest together, by Mahalanobis distance, found by concentration.

    References
    ----------
    Rousseeuw & Van Driessen 1999, Technometrics 41:212 (concentration steps).
    """
    chosen = usable.copy()
    number = max(int(TYPICAL * usable.sum()), 10)
    for _ in range(8):
        centre = np.median(flat[:, chosen], axis=1)
        covariance = np.cov(flat[:, chosen])
        inverse = np.linalg.pinv(covariance + 1e-9 * np.trace(covariance) * np.eye(3))
        apart = np.nan_to_num(flat) - centre[:, None]
        distance = np.einsum("ib,ij,jb->b", apart, inverse, apart)
        distance[~usable] = np.inf
        nearest = np.zeros_like(usable)
        nearest[np.argsort(distance, kind="stable")[:number]] = True
        if (nearest == chosen).all():
            break
        chosen = nearest
    return chosen


def _smoothed(values: NDArray[np.float64], known: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Means over 3 x 3 blocks of the known ones."""
    weight = ndimage.uniform_filter(known.astype(float), 3, mode="constant")
    total = ndimage.uniform_filter(np.where(known, values, 0), 3, mode="constant")
    return np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)


def colour_levels(surveys: Sequence[NDArray[np.float32]], cfa: str) -> NDArray[np.float64]:
    """Medians over the earlier and over the later frames of the levels of red, green and blue.

    Frames are set to one sky level first, so that one of them with cloud or haze does not shift what the median takes.

    Parameters
    ----------
    surveys : n of (rows, columns, 4), ADU above black, by CFA position

    Returns
    -------
    (2, 3, rows, columns) float64 array
    """
    planes = []
    middle = (len(surveys) + 1) // 2
    for colour in "RGB":
        places = [n for n in range(4) if cfa[n] == colour]
        frames = np.stack([level[..., places].mean(axis=-1) for level in surveys]).astype(np.float64)
        middles = np.nanmedian(frames, axis=(1, 2), keepdims=True)
        frames += np.median(middles) - middles
        planes.append([np.median(part, axis=0) for part in (frames[:middle], frames[middle:])])
    return np.stack(planes, axis=1)
