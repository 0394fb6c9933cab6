"""Telling ground from sky in the stills.

The sky is what can be reached from the stars without crossing a sharp edge that stands still: so a dome of light, dust,
thin cloud and dark corners, where stars are missing too, stay sky. Ground is what lies beyond such an edge and has no
stars. First coarsely over the whole picture, by stars and edges alone; then pixel by pixel along the skyline, where
levels count too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import cell_sums, nearest_known
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.skyline.edges import Support, is_skyline, sharpness, support
from pipeline.skyline.empty import Emptiness
from pipeline.skyline.labels import even_gaps, filled, least_cut, rooted
from pipeline.skyline.lamps import MOVED_PX, standing_lamps
from pipeline.skyline.levels import ROUGH_SIDE, apart, block_side, darkness, follow, rough
from pipeline.skyline.matte import CELL, soften
from pipeline.skyline.rim import DARK, dark_parts, tips
from pipeline.skyline.still import Stills
from pipeline.skyline.told import Told
from pipeline.skyline.witness import Witnesses

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# What a row of the picture that is empty for certain weighs for ground, as log odds; a smooth border costs 30 a pixel.
MISSING = 15.0
# What a place among stars weighs against it, over that: stars that hardly move have edges that stand still, too.
AMONG = 0.5
# What a sighting weighs against ground, as log odds: chance matches among lamps and texture are a hundred times rarer.
SIGHTING = -5.0
# Log odds of what is sky for certain.
SURE = 1000.0
# What a pixel's side of the border between sky and ground costs where there is no edge, and on one; an edge counts in
# full from some times `EDGE` standard deviations on. As log odds.
SMOOTH_COST, EDGE_COST, EDGE = 30.0, 0.05, 4.0
# Coarse cells along the picture's longer side.
COARSE = 600
# Reach of the smoothing of levels, blocks, and what they depart from planes, as a share.
SKY_REACH, SKY_ROUGH = 2.0, 0.02
# What of the sky departs from its level by more is a star, as standard deviations.
STARS = 5.0
GROUND_REACH, GROUND_ROUGH = 2.0, 0.2
# Log odds of a pixel by its level alone: levels are believed little, as neither sky nor ground is quite smooth.
LEVEL_MOST = 1.0
# What has no star and is dark (`rim.DARK`) by the light of the nearest sky that has stars is not followed as the sky's
# level, and beside sharp edges it is ground: tips of trees are an edge full of gaps, by which a wood would be reached.
# What is this near the sky's light, as a factor, is not darker land by its level: cloud departs by a quarter.
LIKE = 0.75
# Share of such a part that must be empty for certain, or it is no land: beside a skyline a few pixels of sky are. About
# the pole, where stars stand as still as land, a circle of sky was joined to the land all around it by 0.7 %.
CERTAIN = 0.02
# What differs from the ground's level may still be ground: a lamp, a wall.
UNLIKE_MOST = 4.0
# Levels count so far within the coarse ground, as a share of the picture's longer side.
DEEP = 0.05
# What about the empty places is looked at, as a share of the picture's longer side: trees among whose twigs stars are
# seen stand above them, on the benchmarks by up to 0.03.
ABOUT = 0.15
# Pixels on either side of the coarse border, beside two coarse cells, that are looked at one by one.
BAND = 6
# Sharpness from which a pixel may be part of a twig, as standard deviations.
TWIG = 6.0
# What such a pixel weighs for ground, as log odds: the sky has no sharp edges but its stars.
TEXTURE = 0.1
# What a pixel weighs for ground that is rough among rough ones: a square of 225 smooth ones is so once in thousands.
TEXTURED = 0.5
# Times its scatter that land may be off the sky's level for the level to tell nothing, and the share of the pixels that
# look like sky among twigs: of textured land a tenth does.
ALIKE, AIRY = 1.0, 0.25
# Largest gap between branches that is believed to be sky by its level alone, as a share of the picture.
GAP_MOST = 0.03
# The outermost rows and columns of an array: above, below, to the left, to the right.
EDGES: tuple[tuple[slice | int, ...], ...] = (
    (0, slice(None)),
    (-1, slice(None)),
    (slice(None), 0),
    (slice(None), -1),
)
# Pixels of stars seen in a gap from which it is sky for certain: three stars' or more.
GAP_STARS = 15
# Median of chi-square over its degrees of freedom, three.
MEDIAN_CHI2 = 0.79
# Least area of ground, as a share of the picture.
AREA_MIN = 5e-4
NO_EDGE = "stars are missing in a part of the picture, but no sharp edge stands still about it: cloud, dust or glow"
# Share of the edge about such a part from which some of it is told to be sharp and still: chance matches are fewer.
SOME_EDGE = 0.1


@dataclass(frozen=True)
class _Part:
    """The part of the stills that is looked at; arrays of (rows, columns), or (3, rows, columns) for pictures."""

    size: tuple[int, int]  # of the whole stills
    side: int  # px to a pixel of theirs
    box: tuple[slice, slice]
    halves: tuple[Floats, Floats]
    picture: Floats
    known: Bools
    roots: Bools  # empty for certain
    doubt: Floats
    noise: Floats  # by colour
    stars: Bools
    sharp: Floats

    @property
    def longer(self) -> int:
        """The longer side of the whole stills."""
        return max(self.size)

    @property
    def least(self) -> float:
        """The least area of ground, pixels."""
        return AREA_MIN * self.size[0] * self.size[1]

    @property
    def cut(self) -> tuple[bool, bool, bool, bool]:
        """Which of its `EDGES` the part has where the whole has none: beyond them is sky."""
        (rows, columns), (height, width) = self.box, self.size
        return rows.start > 0, rows.stop < height, columns.start > 0, columns.stop < width

    @cached_property
    def edges(self) -> Bools:
        """What may be part of a twig, and two pixels about."""
        return np.asarray(ndimage.binary_dilation(self.sharp > TWIG, iterations=2))

    def evidence(self) -> Floats:
        """Log odds of ground by stars and edges, without any level."""
        odds = np.where(self.doubt > 0, self.doubt, np.float32(-AMONG)) * np.float32(MISSING / self.longer)
        odds += np.where(self.sharp > TWIG, np.float32(TEXTURE), 0)
        # a sighting is spread over the pixels of a star
        odds = np.where(self.stars, np.float32(SIGHTING / 5), np.where(self.known, odds, 0)).astype(np.float32)
        for edge, before in zip(EDGES, self.cut, strict=True):
            if before:
                odds[edge] = -SURE
        return odds

    def cost(self) -> Floats:
        """What a pixel's side of the border between ground and sky costs."""
        return (EDGE_COST + SMOOTH_COST * np.exp(-((self.sharp / EDGE) ** 2) / 2)).astype(np.float32)


@dataclass(frozen=True)
class _Levels:
    """The levels of sky and land over a part, each (level, scatter), and what they do not hold for."""

    sky: tuple[Floats, Floats]
    land: tuple[Floats, Floats]
    dark: Bools  # what has no star and is far darker than the sky nearby
    tip: Bools  # of it, what stands at the picture's edge
    passing: Bools  # textured land of the sky's light


def tell(
    stills: Stills, seen: Witnesses, empty: Emptiness, moved: Floats | None = None, only_dark: bool = False
) -> Told:
    """Tell ground from sky.

    Parameters
    ----------
    stills : as `make_stills` makes them
    seen : sightings
    empty : as `emptiness` finds them, on cells of so many of the stills' pixels
    moved : how far the sky moved against the ground from one half of the frames to the other, px, at each pixel of the
        stills; where it is not known no lamp is told
    only_dark : what `empty` is for certain, few stars tell: no ground is believed that is not dark
    """
    part = _part(stills, seen, empty)
    evidence, cost, side = part.evidence(), part.cost(), max(1, round(part.longer / COARSE))
    coarse = rooted(_coarse_ground(evidence, cost, side), part.roots)
    levels = _levels(part, coarse) if coarse.any() else None
    if levels is None:
        return Told(None, 0.0, NO_EDGE)
    odds, held = evidence + _odds_by_level(part, coarse, levels), part.roots | levels.tip
    coarse = rooted(_coarse_ground(odds, cost, side), held)
    open_ = _band(coarse | levels.tip, part.edges, part.known, side, part.longer)
    ground = rooted(least_cut(odds, *_borders(cost), open_, coarse | levels.tip), held)
    alike = off_level(part.picture, levels.sky) < MEDIAN_CHI2 * len(part.picture)
    ground = _tidied(ground, part, levels, odds, alike)
    if only_dark:
        ground = dark_parts(ground, part.picture.sum(axis=0), levels.sky[0].sum(axis=0))
    first, second = (half / part.noise[:, None, None] / np.sqrt(2) for half in part.halves)
    kept, supports = _supported(ground, part.roots, (first, second), part.least, part.longer)
    if not kept.any():
        best = max((s.share for s in supports), default=0.0)
        return Told(None, round(best, 3), no_edge(best))
    kept |= rooted(ground, levels.tip) & ~rooted(ground, part.roots)
    good = [s for s in supports if is_skyline(s, part.longer)]
    confidence = sum(s.share * s.length for s in good) / max(sum(s.length for s in good), 1)
    share = np.zeros(part.size, np.float32)
    share[part.box] = _softened(kept, part, levels, alike, moved)
    why = f"no star moves with the sky there, and {100 * confidence:.0f} % of its edge is sharp and stands still"
    return Told(share, round(float(confidence), 3), why, part.side)


def _part(stills: Stills, seen: Witnesses, empty: Emptiness) -> _Part:
    """What is looked at of the stills, and what stars and edges say of it."""
    size = (stills.first.shape[1], stills.first.shape[2])
    times, box = empty.cell // stills.side, box_about(empty, stills.side, size)
    planes = (slice(None), *box)
    stills = replace(stills, first=stills.first[planes], second=stills.second[planes])
    picture = stills.mean
    known = np.asarray(np.isfinite(picture).all(axis=0))
    picture = _filled(picture, known)
    roots = enlarged(empty.region, times, size)[box] & known
    # the less of what ground and the rest show: both hold structure, which is no noise
    parts = [part for part in (roots, known & ~roots) if part.any()]
    noise = np.array([min(_pixel_noise(plane, part) for part in parts) for plane in picture], np.float32)
    stars = _star_map(seen, stills.side, size)[box]
    doubt = enlarged(empty.doubt.astype(np.float32), times, size)[box]
    halves = (stills.first, stills.second)
    return _Part(size, stills.side, box, halves, picture, known, roots, doubt, noise, stars, sharpness(picture, noise))


def _levels(part: _Part, coarse: Bools) -> _Levels | None:
    """The levels of sky and land by where ground coarsely is; None where one of them is nowhere to be seen."""
    away, cells = ~_near_border(coarse, BAND), block_side(part.size)
    sky, empty = part.known & ~coarse & away, part.doubt > 0
    light = darkness(part.picture, sky & (part.doubt == 0), cells)
    dark, tip = np.zeros_like(part.known), np.zeros_like(part.known)
    if light is not None:
        dark = part.known & empty & (light < DARK)
        tip = tips(part.known & ~part.stars & (light < DARK), part.edges, part.roots, part.cut)
        dark |= tip
    level = follow(part.picture, sky & ~dark, part.noise, SKY_REACH, SKY_ROUGH, STARS, cells)
    land = follow(part.picture, coarse & away, part.noise, GROUND_REACH, GROUND_ROUGH, side=cells)
    if level is None or land is None:
        return None
    # land of the sky's light passes for its level, but has texture
    textured = rough(part.picture) & empty
    passing = textured & ~apart(level, land, ALIKE)
    if passing.any():
        level = follow(part.picture, sky & ~dark & ~passing, part.noise, SKY_REACH, SKY_ROUGH, STARS, cells) or level
    return _Levels(level, land, dark, tip, textured & ~apart(level, land, ALIKE))


def _odds_by_level(part: _Part, coarse: Bools, levels: _Levels) -> Floats:
    """Log odds of ground by what each pixel's level and texture say beside what stars and edges do."""
    near = part.known & (~coarse | _near_border(coarse, round(DEEP * part.longer)))
    odds = np.where(near, _by_level(part.picture, levels.sky, levels.land), 0).astype(np.float32)
    # what departs from the sky's level without an edge is the sky's own: glow, cloud
    odds[(odds > 0) & ~part.edges] = 0
    # where both have one level it tells nothing, but texture does where less looks like sky than among twigs
    odds[near & levels.passing & ~_airy(part.picture, levels.sky)] = TEXTURED
    # and so is a gap in which stars were seen: the sky's level is not followed into it
    odds[(odds > 0) & _starry_gaps(part.known & ~coarse, part.stars)] = 0
    odds[levels.dark & near & part.edges] = LEVEL_MOST
    return odds


def _tidied(ground: Bools, part: _Part, levels: _Levels, odds: Floats, alike: Bools) -> Bools:
    """The ground with its gaps that are none filled, and without cloud."""
    bright = levels.land[0].sum(axis=0) > levels.sky[0].sum(axis=0)
    ground = filled(ground, odds, part.stars, int(GAP_MOST * part.size[0] * part.size[1]), bright, alike)
    cloud = cloud_in(ground, part.roots, part.picture, levels.sky[0], levels.land[0])
    return rooted(ground & ~cloud, part.roots | levels.tip)


def _softened(kept: Bools, part: _Part, levels: _Levels, alike: Bools, moved: Floats | None) -> Floats:
    """How much of each pixel of the part is ground, lamps among it."""
    moves = None
    if moved is not None:
        here = moved[part.box]
        moves = np.where(here < MOVED_PX, 0, here / part.side).astype(np.float32)
    open_ = part.stars | even_gaps(kept, alike)
    share = soften(kept, part.picture, levels.sky, levels.land, open_, part.longer, moves)
    if moves is None:
        return share
    return np.maximum(share, standing_lamps(part.halves, levels.sky, levels.land, kept, part.stars, moves))


def no_edge(share: float) -> str:
    """Why what lacks stars is not told for ground, of whose border so much is sharp and stands still."""
    if share < SOME_EDGE:
        return NO_EDGE
    return (
        f"stars are missing in a part of the picture, but only {100 * share:.0f} % of the edge about it is sharp and "
        "stands still: cloud, dust or glow, or land that was not parted from the sky beside it; a mask by hand would "
        "tell it"
    )


def box_about(empty: Emptiness, side: int, shape: tuple[int, int]) -> tuple[slice, slice]:
    """The rows and columns of stills that hold what is empty for certain and the doubtful places beside it, and so far
    about that the rest of the picture is sky, and far from any skyline.

    Parameters
    ----------
    empty : of the picture
    side : px to a pixel of the stills
    shape : (rows, columns) of the whole stills
    """
    times, about = empty.cell // side, round(ABOUT * max(shape))
    # whole cells of all kinds, as they lie in the picture
    step = int(np.lcm.reduce([block_side(shape), max(1, round(max(shape) / COARSE)), CELL]))
    doubtful = rooted(empty.doubt > 0, empty.region)
    spans = []
    for axis, size in ((1, shape[0]), (0, shape[1])):
        there = np.flatnonzero(doubtful.any(axis=axis)) * times
        first, last = max(int(there[0]) - about, 0) // step * step, int(there[-1]) + times + about
        spans.append(slice(first, min(last, size)))
    return spans[0], spans[1]


def _starry_gaps(sky: Bools, stars: Bools) -> Bools:
    """The parts of the sky, other than the largest, in which more stars were seen than chance matches."""
    labels, count = ndimage.label(sky)
    seen = np.bincount(labels[stars], minlength=count + 1)
    gaps = seen >= GAP_STARS
    gaps[[0, int(np.bincount(labels[sky], minlength=count + 1).argmax())]] = False
    return np.asarray(gaps[labels])


def _near_border(ground: Bools, most: int) -> Bools:
    """What lies within a square of so many pixels about the border between ground and sky."""
    border = ndimage.binary_dilation(ground) ^ ndimage.binary_erosion(ground, border_value=1)
    return np.asarray(ndimage.maximum_filter(border, 2 * most + 1))


def _filled(picture: Floats, known: Bools) -> Floats:
    """The picture with what no still shows as the nearest pixel that one does: a margin must not look like an edge."""
    return nearest_known(picture, known) if known.any() else np.zeros_like(picture)


def _coarse_ground(evidence: Floats, cost: Floats, side: int) -> Bools:
    """Ground by stars and edges alone, decided on coarse cells of so many pixels a side, as pixels of the stills.

    The border between two cells may run anywhere between their middles: for each line of pixels from one to the other
    it costs what the cheapest place on it does.
    """
    rows, columns = -(-cost.shape[0] // side), -(-cost.shape[1] // side)
    pad = ((0, rows * side - cost.shape[0]), (0, columns * side - cost.shape[1]))
    odds = cell_sums(evidence, side)
    padded = np.pad(cost, pad, mode="edge")

    def between(costs: Floats) -> Floats:
        """(rows, columns - 1) of the borders between neighbours in a row."""
        lines = costs.reshape(costs.shape[0], -1, side)
        half = (side + 1) // 2
        least = lines[:, 1:, 0].copy()
        for k in range(half):
            np.minimum(least, lines[:, 1:, k], out=least)
            np.minimum(least, lines[:, :-1, side - 1 - k], out=least)
        return np.asarray(least.reshape(-1, side, least.shape[1]).sum(axis=1), np.float32)

    across, down = between(padded), between(np.ascontiguousarray(padded.T)).T
    everywhere = np.ones((rows, columns), bool)
    ground = least_cut(odds.astype(np.float32), across, down, everywhere, everywhere)
    return np.repeat(np.repeat(ground, side, axis=0), side, axis=1)[: cost.shape[0], : cost.shape[1]]


def _borders(cost: Floats) -> tuple[Floats, Floats]:
    """Costs of the borders between pixels, across and down."""
    return np.minimum(cost[:, 1:], cost[:, :-1]), np.minimum(cost[1:], cost[:-1])


def _band(coarse: Bools, edges: Bools, known: Bools, side: int, longer: int) -> Bools:
    """Pixels to look at one by one: along the coarse border, and where sharp edges go on from there: twigs."""
    near = _near_border(coarse, BAND + 2 * side)
    twigs = ndimage.binary_fill_holes(edges) & (~coarse | _near_border(coarse, round(DEEP * longer)))
    return np.asarray(rooted(near | twigs, near) & known)


def _by_level(picture: Floats, sky: tuple[Floats, Floats], land: tuple[Floats, Floats]) -> Floats:
    """Log of how much likelier each pixel is ground than sky, by its levels.

    Sky is smooth: where ground of the sky's level is about, a pixel looks like sky only if a square of 3 x 3 about or
    beside it does. Ground has texture, lamps and windows: its tails are heavier than a Gaussian's.
    """
    single = off_level(picture, sky)
    as_sky = np.where(apart(sky, land), single, _squared(single)) / 2
    as_ground = np.minimum(2.5 * np.log1p(off_level(picture, land) / (4 * len(picture))), np.float32(UNLIKE_MOST))
    # what looks like the sky to within its small scatter is hardly ground by chance
    scatter = sum((np.log(g / s) for g, s in zip(land[1], sky[1], strict=True)), np.float32(0))
    return np.clip(as_sky - as_ground - scatter, -LEVEL_MOST, LEVEL_MOST).astype(np.float32)


def _squared(off: Floats) -> Floats:
    """The mean of the square of 3 x 3 about or beside each pixel that is least off."""
    return np.asarray(ndimage.minimum_filter(ndimage.uniform_filter(off, 3), 3))


def _airy(picture: Floats, sky: tuple[Floats, Floats]) -> Bools:
    """Where a good part of what is about looks like sky, whose squares are no further off than its noise is."""
    like = _squared(off_level(picture, sky)) < len(picture)
    return np.asarray(ndimage.uniform_filter(like.astype(np.float32), ROUGH_SIDE) > AIRY)


def off_level(picture: Floats, levels: tuple[Floats, Floats]) -> Floats:
    """How far each pixel lies off a level: the sum over colours of squares, in standard deviations."""
    total = np.zeros(picture.shape[1:], np.float32)
    for plane, level, sigma in zip(picture, *levels, strict=True):
        total += ((plane - level) / sigma) ** 2
    return total


def cloud_in(ground: Bools, roots: Bools, picture: Floats, sky: Floats, land: Floats) -> Bools:
    """The parts of the ground, all but without a root, that are near the sky's light and far from dark land's: cloud
    before a dome of light hides stars and has edges, which it does not share with the land below."""
    light, level, own = (planes.sum(axis=0) for planes in (picture, sky, land))
    like = ground & (own < DARK * level) & (light > LIKE * level) & (light < level / LIKE)
    labels, count = ndimage.label(like)
    area, certain = (np.bincount(labels[of], minlength=count + 1) for of in (like, roots & like))
    parts = (area >= AREA_MIN * ground.size) & (certain < CERTAIN * area)
    parts[0] = False
    return np.asarray(parts[labels])


def _supported(
    ground: Bools, roots: Bools, halves: tuple[Floats, Floats], least: float, longer: int
) -> tuple[Bools, list[Support]]:
    """Those regions of at least so many pixels whose border with the sky is a skyline, and every region's support."""
    labels, _ = ndimage.label(ground, structure=np.ones((3, 3)))
    kept = np.zeros_like(ground)
    supports: list[Support] = []
    for number, part in enumerate(ndimage.find_objects(labels), 1):
        window = tuple(slice(max(s.start - 12, 0), s.stop + 12) for s in part)
        region = labels[window] == number
        if not (roots[window] & region).any() or region.sum() < least:
            continue
        supports.append(support(region, (halves[0][:, *window], halves[1][:, *window])))
        if is_skyline(supports[-1], longer):
            kept[window] |= region
    return kept, supports


def _star_map(seen: Witnesses, side: int, shape: tuple[int, int]) -> Bools:
    """Pixels of the stills on which a star was seen in the sky, and their neighbours."""
    i, j = (np.rint((v - (side - 1) / 2) / side).astype(int) for v in (seen.y, seen.x))
    inside = (i >= 0) & (j >= 0) & (i < shape[0]) & (j < shape[1])
    stars = np.zeros(shape, bool)
    stars[i[inside], j[inside]] = True
    return np.asarray(ndimage.binary_dilation(stars))


def enlarged(cells: NDArray[Any], times: int, shape: tuple[int, int]) -> NDArray[Any]:
    """Cells as pixels of the stills, so many a side."""
    return np.repeat(np.repeat(cells, times, axis=0), times, axis=1)[: shape[0], : shape[1]]


def _pixel_noise(plane: Floats, known: Bools) -> float:
    """Noise of a still's pixel from neighbours' differences, blind to what is smooth."""
    steps = np.diff(plane, axis=1)[known[:, 1:] & known[:, :-1]]
    if not steps.size:
        return 1.0
    return max(MAD_TO_SIGMA / np.sqrt(2) * float(np.median(np.abs(steps[:: max(1, steps.size // 200_000)]))), 1e-3)
