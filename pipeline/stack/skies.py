"""What each frame's blocks show of the sky and its noise, and how its sky differs from the reference's."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.background import Surface, fit_surface, sample_map
from pipeline.pixels.noise import PhotonTransfer, photon_transfer
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.pixels.positions import PositionGrid
from pipeline.pixels.survey import Survey
from pipeline.sensor.mosaic import colour_planes
from pipeline.stack.nodes import between_nodes, grid_positions

# Blocks of all frames together from which the photon transfer is fitted; more adds time, not accuracy.
TRANSFER_BLOCKS = 60_000
# Least variance of a mosaic pixel, ADU^2: that of rounding to whole numbers.
ROUNDING_VARIANCE = 1 / 12


@dataclass(frozen=True)
class Skies:
    """The skies of n frames, as their surveys tell them.

    Attributes
    ----------
    surveys : n surveys
    levels : n of `sky_levels`
    grids : n position grids
    scale : (n,) float64 array, the frames' flux scales
    areas : n of `pixel_area`
    reference : number of the frame whose grid the result has
    """

    surveys: Sequence[Survey]
    levels: Sequence[NDArray[np.float64]]
    grids: Sequence[PositionGrid]
    scale: NDArray[np.float64]
    areas: Sequence[NDArray[np.float32]]
    reference: int

    @property
    def block(self) -> int:
        """The side of the reference's blocks, px."""
        return self.surveys[self.reference].block

    def places(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The middles of the reference's blocks, px, row after row."""
        x, y = np.meshgrid(*self.surveys[self.reference].centres())
        return x.ravel(), y.ravel()

    def seen_in(self, number: int) -> NDArray[np.float64]:
        """What a frame shows at the reference's places, brought to its scale: (colours, places), ADU."""
        x, y = self.places()
        at = grid_positions(self.grids[number], x, y)
        by = self.scale[number] * between_nodes(self.areas[number][..., None], x, y)[:, 0]
        return np.stack([by * sample_map(level, self.surveys[number].block, *at) for level in self.levels[number]])


class FrameNoise(NamedTuple):
    """What blocks tell of n frames' noise, in the frames' own ADU.

    `transfer` the photon transfer of the reference, `per_level` (n,) each frame's variance a level, `floor` (n,
    colours) that at no light, and `at_sky` (n, colours) that of a mosaic pixel of its sky.
    """

    transfer: PhotonTransfer
    per_level: NDArray[np.float64]
    floor: NDArray[np.float64]
    at_sky: NDArray[np.float64]


@dataclass(frozen=True)
class Differences:
    """How each frame's sky differs from the reference's.

    Attributes
    ----------
    surfaces : n lists of a surface a colour
    seen : (n, places) bool array, the reference's blocks that a frame shows
    median : (n, colours) float64 array, of the differences
    scatter : (n,) float64 array, robust standard deviation of green about its surface, ADU; NaN where nothing is told
    left : (n, colours, places) float64 array, what surfaces leave
    """

    surfaces: list[list[Surface]]
    seen: NDArray[np.bool_]
    median: NDArray[np.float64]
    scatter: NDArray[np.float64]
    left: NDArray[np.float64]


def by_colour(values: NDArray[np.floating], cfa: str) -> NDArray[np.float64]:
    """Means over the CFA places of each colour: (rows, columns, 4) to (colours, rows, columns)."""
    places = colour_planes(cfa)
    names = "G" if cfa == "MONO" else "RGB"
    return np.stack([np.mean([values[..., 2 * i + j] for i, j in places[c]], axis=0, dtype=np.float64) for c in names])


def sky_levels(surveys: Sequence[Survey], cfas: Sequence[str]) -> list[NDArray[np.float64]]:
    """Levels of each frame's blocks, (colours, rows, columns), ADU, its flat divided out; NaN where nothing is told."""
    levels = []
    for survey, cfa in zip(surveys, cfas, strict=True):
        level = by_colour(survey.level, cfa)
        levels.append(level if survey.response is None else level / by_colour(survey.response, cfa))
    return levels


def tell_noise(
    surveys: Sequence[Survey],
    cfas: Sequence[str],
    dark_variance: Sequence[float],
    gains: NDArray[np.float64],
    transfer: PhotonTransfer | None,
) -> FrameNoise:
    """The noise of frames from their blocks; parameters as for `match_frames`."""
    raw = [by_colour(s.level, cfa) for s, cfa in zip(surveys, cfas, strict=True)]
    variances = [by_colour(s.variance, cfa) for s, cfa in zip(surveys, cfas, strict=True)]
    variances = [np.maximum(v - d, 0.1 * v) for v, d in zip(variances, dark_variance, strict=True)]
    if transfer is None or not transfer.measured:
        alike = [[v / g**power for v, g in zip(of, gains, strict=True)] for of, power in ((raw, 1), (variances, 2))]
        transfer = replace(_transfer(*alike), measured=False)
    per_level = gains * transfer.adu_per_electron
    floor, at_sky = (np.empty((len(surveys), len(raw[0]))) for _ in range(2))
    for k, c in np.ndindex(floor.shape):
        floor[k, c] = _middle_mean(variances[k][c] - per_level[k] * np.maximum(raw[k][c], 0))
        at_sky[k, c] = _middle_mean(variances[k][c])
    return FrameNoise(transfer, per_level, _of_the_others(floor), _of_the_others(at_sky))


def lay_reference(skies: Skies) -> NDArray[np.float64]:
    """The reference's levels as they lie on the result, (colours, rows, columns), ADU, at its blocks.

    It may itself be laid on another grid than its own, and is multiplied like any frame: in a picture of the ground not
    by 1.
    """
    own = skies.levels[skies.reference]
    if skies.grids[skies.reference].shift.any():
        return skies.seen_in(skies.reference).reshape(own.shape)
    return np.asarray(skies.scale[skies.reference] * own)


def fit_differences(
    skies: Skies, laid: NDArray[np.float64], shape: tuple[int, int], degree_max: int, partly: bool, threads: int
) -> Differences:
    """Take the differences to the reference, block by block, as smooth surfaces.

    Parameters
    ----------
    laid : of `lay_reference`
    shape, degree_max, partly, threads : as for `match_frames`
    """
    n, colours = len(skies.surveys), len(laid)
    x, y = skies.places()
    base = laid.reshape(colours, -1)
    seen = np.zeros((n, len(x)), bool)
    median, scatter = np.zeros((n, colours)), np.full(n, np.nan)
    left = np.where(np.isfinite(base), 0.0, np.nan) * np.ones((n, 1, 1))

    def fitted(k: int) -> list[Surface]:
        """A frame's surfaces; its row of the arrays above is filled."""
        if k == skies.reference:
            seen[k] = np.isfinite(base[-1]) if partly else True
            scatter[k] = 0.0
            return [Surface(np.zeros(1), 0, shape)] * colours
        row = []
        for c, delta in enumerate(skies.seen_in(k) - base):
            surface, spread = fit_surface(x, y, delta, shape, degree_max)
            seen[k] |= np.isfinite(delta)
            median[k, c] = _median(delta)
            left[k, c] = delta - surface(x, y)
            row.append(surface)
            if c == colours // 2:
                scatter[k] = spread
        return row

    with ThreadPoolExecutor(threads) as pool:
        surfaces = list(pool.map(fitted, range(n)))
    return Differences(surfaces, seen, median, scatter, left)


def _median(values: NDArray[np.floating]) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if good.size else 0.0


def _middle_mean(values: NDArray[np.floating]) -> float:
    """The mean of what lies within 3 robust standard deviations of the median; NaN where nothing is known.

    Variances from few pixels are skewed: their median lies below their mean.
    """
    good = values[np.isfinite(values)]
    if not good.size:
        return np.nan
    apart = np.abs(good - np.median(good))
    return float(good[apart <= 3 * MAD_TO_SIGMA * np.median(apart)].mean())


def _of_the_others(variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variances (n, colours), at least that of rounding; of a frame that shows nothing the median of the others'."""
    usual = np.array([_median(column) for column in variance.T])
    return np.maximum(np.where(np.isfinite(variance), variance, usual), ROUNDING_VARIANCE)


def _transfer(levels: list[NDArray[np.float64]], variances: list[NDArray[np.float64]]) -> PhotonTransfer:
    level = np.concatenate([a.ravel() for a in levels])
    variance = np.concatenate([a.ravel() for a in variances])
    step = max(1, len(level) // TRANSFER_BLOCKS)
    return photon_transfer(level[::step], variance[::step])
