"""What a scene's frames are multiplied by, what is added to them, how noisy they are, and what each weighs."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.background import DEGREE_MAX, Surface, sample_map
from pipeline.pixels.cells import local_plane, nearest_known
from pipeline.pixels.noise import PhotonTransfer
from pipeline.pixels.positions import PositionGrid, grid_nodes
from pipeline.pixels.restless import carried, restlessness
from pipeline.pixels.survey import Survey
from pipeline.stack.nodes import held_near, to_the_edge, where_shown
from pipeline.stack.skies import (
    Differences,
    Skies,
    by_colour,
    fit_differences,
    lay_reference,
    sky_levels,
    tell_noise,
)
from pipeline.stack.unlike import Unlike, unlike_light

# How far beyond the blocks that they were fitted to surfaces are believed, blocks.
BEYOND_BLOCKS = 1.5
# Points a side, about, at which surfaces are evaluated for their mean.
MEAN_POINTS = 24
# Reach, in blocks, of the planes that follow what surfaces leave, the share of blocks about a place that must be known
# for them, and how much of it is followed: so many standard deviations of a frame's pixel, or so many times what the
# others leave there, rms; more is one frame's alone and for the rejection.
BROAD_REACH, BROAD_KNOWN, BROAD_MOST, BROAD_USUAL = 2.0, 0.05, 1.0, 3.0

Nodes = tuple[NDArray[np.float64], NDArray[np.float64]]


class NoiseLevel(NamedTuple):
    """The levels that go into the noise model; that of frame k is ``sky - offsets[k]`` where the picture shows sky.

    Attributes
    ----------
    sky : (colours, rows, columns) float32 array
        The sky's own level at the nodes, ADU, and where the frames' noise does not go by that as much higher as makes
        floor and slope give what they have there on average.
    gain : (colours, rows, columns) float32 array
        How much it rises with the picture's own light: by 1, or by what the frames were multiplied by on average.
    offsets : (n, colours, rows, columns) float32 array
        What is taken off for each frame: what matching added to it, and what sets its noise there apart from that of
        all.
    """

    sky: NDArray[np.float32]
    gain: NDArray[np.float32]
    offsets: NDArray[np.float32]


@dataclass(frozen=True)
class Matching:
    """How n frames are brought to one sky and one scale.

    Attributes
    ----------
    offsets : (n, colours, rows, columns) float32 array
        Added to a frame's values times its flux scale, at the nodes of the position grid.
    sky : (colours, rows, columns) float32 array
        The result's smooth sky at the nodes, ADU above black.
    unlike : Unlike, optional
        Where the frames' noise does not go by their levels alone.
    floor : (n, colours) float32 array
        Read noise and what does not go with the level, squared, in the result's scale.
    slope : (n,) float32 array
        Variance a level, in the result's scale.
    weights : (n,) float32 array
        Their mean is 1.
    sky_difference : (n, colours) float64 array
        Median of the frame's sky minus the reference's, after scaling.
    sky_variance : (n, colours) float64 array
        Variance of a mosaic pixel of the frame at its sky, ADU^2 of the frame.
    scatter : (n,) float64 array
        Robust standard deviation of a frame's green sky blocks about its surface, ADU.
    transfer : PhotonTransfer
    restless : (rows, columns) float32 array
        How restless the sky is (`pixels.restless`) at the nodes.
    """

    offsets: NDArray[np.float32]
    sky: NDArray[np.float32]
    unlike: Unlike | None
    floor: NDArray[np.float32]
    slope: NDArray[np.float32]
    weights: NDArray[np.float32]
    sky_difference: NDArray[np.float64]
    sky_variance: NDArray[np.float64]
    scatter: NDArray[np.float64]
    transfer: PhotonTransfer
    restless: NDArray[np.float32]

    @cached_property
    def of_pixels(self) -> NoiseLevel:
        """What the noise of single pixels goes by."""
        return self._noise_level(in_blocks=False)

    @cached_property
    def of_blocks(self) -> NoiseLevel:
        """What the noise goes by that means over blocks have."""
        return self._noise_level(in_blocks=True)

    def _noise_level(self, in_blocks: bool) -> NoiseLevel:
        if self.unlike is None:
            return NoiseLevel(self.sky, np.ones_like(self.sky), self.offsets)
        share = self.unlike.shares(self.weights)
        own, sky, gain = np.empty_like(self.offsets), self.sky.astype(np.float64), np.ones(self.sky.shape)
        # frame by frame: of hundreds a copy of all their maps counts
        for k, offset in enumerate(self.offsets):
            level, by = self.sky - offset, self.unlike.by[k].astype(np.float64)
            per = self.unlike.area[k] if in_blocks else np.float32(1)
            own[k] = level
            if self.slope[k] > 0:
                # where floor and slope give what the frame's variance is
                floor = (self.floor[k] / self.slope[k])[:, None, None]
                own[k] = floor * (by**2 / per - 1) + self.unlike.light(k, level) / per
            sky += share[k] * (own[k] - level)
            gain += share[k] * (by / per - 1)
        sky32 = sky.astype(np.float32)
        offsets = np.where(self.unlike.shown, np.subtract(sky32, own, out=own), self.offsets)
        return NoiseLevel(sky32, gain.astype(np.float32), offsets)

    @property
    def at_sky(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """What multiplies floor, and what slope, in each frame's usual variance at its sky: (n, colours) both."""
        squares, light = np.ones(self.offsets.shape[:2]), np.empty(self.offsets.shape[:2])
        for k, offset in enumerate(self.offsets):
            level = self.sky - offset
            if self.unlike is None:
                light[k] = np.median(level, axis=(1, 2))
                continue
            by = self.unlike.by[k].astype(np.float64)
            squares[k] = self.unlike.usual(k, np.broadcast_to(by**2, level.shape))
            light[k] = self.unlike.usual(k, self.unlike.light(k, level))
        return squares, light.clip(0)


def match_frames(
    surveys: Sequence[Survey],
    grids: Sequence[PositionGrid],
    scales: Sequence[float],
    cfas: Sequence[str],
    reference: int,
    shape: tuple[int, int],
    dark_variance: Sequence[float],
    areas: Sequence[NDArray[np.float32]],
    transfer: PhotonTransfer | None = None,
    partly: bool = False,
    degree_max: int = DEGREE_MAX,
    follow: bool = True,
    threads: int = 1,
    gains: NDArray[np.float64] | None = None,
) -> Matching:
    """Match every frame's sky to the scene's mean, and tell its noise.

    For each frame and colour the difference of its scaled sky to the reference's, block by block at the same stars, is
    taken as a smooth surface (`fit_surface`); what is added is the mean of all frames' surfaces minus its own. So the
    result's sky is the weighted mean of what the frames show; no frame's noise or nebula light enters by the matching.

    Parameters
    ----------
    surveys : n surveys, one a frame
    grids : n position grids
    scales : n flux scales
    cfas : n patterns
    reference : number of the frame whose grid the result has
    shape : (height, width) of the result
    dark_variance : n variances of the master dark's noise as it stands in each frame, ADU^2: it is no frame's own
    areas : n of `pixel_area`
        What each frame's values are multiplied by before anything is added.
    transfer : PhotonTransfer, optional
        What pairs of frames told (`sensor/transfer.py`). Without it, or where they did not, the line through the blocks
        of the surveys is taken: stars and the pixels' unlike responses make it a tenth or two too steep, and no gain is
        told.
    partly : bool
        Frames show what is to be matched in some blocks only, and others tell nothing; surfaces go on a little beyond.
    degree_max : int
        Of the surfaces.
    follow : bool
        Whether what these leave that is broad is followed too.
    threads : that fit frames side by side; what comes out does not depend on them
    gains : (n,) float64 array, optional
        ADU that an electron makes in each frame over what it makes in the reference, of which `transfer` is; all alike
        where None.
    """
    n = len(surveys)
    gains = np.ones(n) if gains is None else gains
    scale = np.asarray(scales, np.float64)
    skies = Skies(surveys, sky_levels(surveys, cfas), grids, scale, areas, reference)
    noise = tell_noise(surveys, cfas, dark_variance, gains, transfer)
    weights = 1 / (scale**2 * np.exp(np.log(noise.at_sky).mean(axis=1)))
    weights /= weights.mean()
    laid = lay_reference(skies)
    apart = fit_differences(skies, laid, shape, degree_max, partly, threads)
    nodes = np.meshgrid(*grid_nodes(shape))
    offsets, sky = _to_their_mean(skies, laid, apart, weights, shape, nodes, partly)
    in_scale = scale[:, None] * np.sqrt(noise.at_sky)
    restless = _restless(skies, apart, in_scale, nodes)
    if follow and n > 1:
        broad = _broad(skies, apart, in_scale, nodes, threads)
        # what one frame alone shows is for the rejection and must not lift the others; where the sky itself changes the
        # mean of all stays what it was
        together = np.tensordot(weights / weights.sum(), broad, 1)
        middle = restless * together + (1 - restless) * np.median(broad, axis=0)
        offsets += middle - broad
        sky += middle
    responses = [
        None if s.response is None else by_colour(s.response, cfa) for s, cfa in zip(surveys, cfas, strict=True)
    ]
    return Matching(
        offsets,
        sky,
        unlike_light(surveys, responses, areas, scales, grids, *nodes),
        (scale[:, None] ** 2 * noise.floor).astype(np.float32),
        (scale * noise.per_level).astype(np.float32),
        weights.astype(np.float32),
        apart.median,
        noise.at_sky,
        apart.scatter,
        noise.transfer,
        restless.astype(np.float32),
    )


def _inside(skies: Skies, nodes: Nodes) -> tuple[NDArray[np.float64], ...]:
    """The nodes' places, in a row, those beyond the outermost blocks' middles moved there."""
    middles = skies.surveys[skies.reference].centres()
    return tuple(np.clip(at.ravel(), of[0], of[-1]) for at, of in zip(nodes, middles, strict=True))


def _to_their_mean(
    skies: Skies,
    laid: NDArray[np.float64],
    apart: Differences,
    weights: NDArray[np.float64],
    shape: tuple[int, int],
    nodes: Nodes,
    partly: bool,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What surfaces add to each frame, (n, colours, rows, columns), and the sky that comes of it, at the nodes."""
    x, y = skies.places()
    at = nodes
    if partly:
        known = apart.seen.any(axis=0)
        at = held_near(*nodes, x[known], y[known], BEYOND_BLOCKS * skies.block)
    offsets = np.empty((*apart.median.shape, *nodes[0].shape), np.float32)
    sky = np.empty(offsets.shape[1:], np.float32)
    step = max(1, round(np.sqrt(len(x)) / MEAN_POINTS))
    thin = np.arange(len(x)).reshape(laid.shape[1:])[step // 2 :: step, step // 2 :: step].ravel()
    thin = thin[apart.seen[:, thin].any(axis=0)]
    places = [where_shown(shown, x[thin], y[thin]) for shown in apart.seen[:, thin]]
    for c in range(len(laid)):
        mean = _mean_surface([row[c] for row in apart.surfaces], places, weights, x[thin], y[thin], shape)
        level = mean(*at)
        for k, row in enumerate(apart.surfaces):
            offsets[k, c] = level - row[c](*at)
        sky[c] = to_the_edge(_filled(laid[c]), skies.block, *nodes) + level
    return offsets, sky


def _restless(
    skies: Skies,
    apart: Differences,
    noise: NDArray[np.float64],
    nodes: Nodes,
) -> NDArray[np.float64]:
    """How restless the sky is at the nodes; `noise` (n, colours) that of a frame's pixel in the result's scale."""
    blocks = skies.levels[skies.reference].shape[1:]
    # an aurora's red changes where its green does not
    each = [restlessness(apart.left[:, c], noise[:, c]) for c in range(noise.shape[1])]
    unrest = np.fmax.reduce(each).reshape(blocks)
    green = apart.left[:, noise.shape[1] // 2]
    unrest = carried(unrest, np.isfinite(green).sum(axis=0).reshape(blocks))
    # beside land, where few frames show sky, it is as restless as next to that
    return sample_map(_filled(unrest), skies.block, *_inside(skies, nodes)).reshape(nodes[0].shape)


def _broad(
    skies: Skies, apart: Differences, noise: NDArray[np.float64], nodes: Nodes, threads: int
) -> NDArray[np.float64]:
    """What surfaces leave of the frames' differences that is broad, (n, colours, rows, columns) at the nodes, followed
    to where a frame shows no sky: a frame that ends at land, or beyond the picture, must leave no step there.

    `noise` (n, colours) is that of a frame's pixel in the result's scale.
    """
    left = apart.left.reshape(*noise.shape, *skies.levels[skies.reference].shape[1:])
    x, y = _inside(skies, nodes)
    result = np.empty((*left.shape[:2], len(x)))
    shown = np.isfinite(left).sum(axis=0)
    squares = np.sort(np.nan_to_num(left / noise[..., None, None]) ** 2, axis=0)[:-1].sum(axis=0)
    usual = np.sqrt(squares / np.maximum(shown - 1, 1))
    limits = np.where(shown > 0, np.maximum(BROAD_MOST, BROAD_USUAL * usual), np.nan)
    limits = np.stack([_filled(limit) for limit in limits])

    def follow(k: int) -> None:
        for c in range(left.shape[1]):
            known, most = np.isfinite(left[k, c]), noise[k, c] * limits[c]
            held = np.clip(np.nan_to_num(left[k, c]), -most, most)
            plane, _, total = local_plane(held, known.astype(np.float64), BROAD_REACH)
            plane = _filled(np.where(total > BROAD_KNOWN, plane, np.nan)).clip(-most, most)
            result[k, c] = sample_map(plane, skies.block, x, y)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(follow, range(len(left))))
    return result.reshape(*noise.shape, *nodes[0].shape)


def _filled(level: NDArray[np.float64]) -> NDArray[np.float64]:
    """A block map whose unknown blocks hold what the nearest known one does; 0 where none is known."""
    return np.nan_to_num(nearest_known(level, np.isfinite(level)))


def star_weights(weights: NDArray[np.float32], fwhm_px: Sequence[float | None]) -> NDArray[np.float32]:
    """Weights for the most signal from stars over the noise: those for the sky, divided by each frame's star size.

    A star is seen against the noise over the area of its picture, the mean of all frames' pictures. What a frame adds
    to the signal over the root of that area and the noise is greatest, to first order, for weights that go with 1/FWHM,
    not with its square: that is the best where each frame is filtered by its own star. Where sizes scatter by 20 %
    stars gain 2.0 % and the picture is 3.9 % sharper, for 1.9 % more noise of the sky; at 10 % 0.5, 0.9 and 0.5 %.

    Parameters
    ----------
    weights : (n,) float32 array
    fwhm_px : n sizes, px; where one is unknown, the median is taken
    """
    known = np.array([np.nan if size is None else size for size in fwhm_px], np.float64)
    if not np.isfinite(known).any():
        return weights
    new = weights / np.where(np.isfinite(known), known, np.nanmedian(known))
    return np.asarray(new / new.mean(), np.float32)


def _mean_surface(
    surfaces: Sequence[Surface],
    places: Sequence[Nodes | None],
    weights: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    shape: tuple[int, int],
) -> Surface:
    """The smooth surface nearest to the weighted mean of all frames' surfaces at the places (x, y).

    Parameters
    ----------
    places : n of `where_shown`
    """
    degree = max(surface.degree for surface in surfaces)
    total, weight = np.zeros(len(x)), 0.0
    for surface, at, w in zip(surfaces, places, weights.tolist(), strict=True):
        if at is not None:
            total += w * surface(*at)
            weight += w
    if weight == 0 or not len(x):
        return Surface(np.zeros(1), 0, shape)
    terms = Surface(np.eye((degree + 1) * (degree + 2) // 2), degree, shape)(x, y)
    coefficients = np.asarray(np.linalg.lstsq(terms, total / weight, rcond=None)[0], np.float64)
    return Surface(coefficients, min(degree, DEGREE_MAX), shape)
