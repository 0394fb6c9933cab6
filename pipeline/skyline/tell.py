"""Telling ground from sky on the reference's grid.

Ground is where no star was ever seen to move with the sky although stars ought to have passed, and what bounds it stays
with the camera and is sharp: a skyline. A bank of cloud, the dust of the Milky Way or a dome of light hide stars too,
but have no edge that is sharp and stands still; such a region is taken for sky. Between the two the pixels' own levels
decide: the sky is smooth and continues over a skyline, the ground is what departs from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.skyline.still import HALF, Stills
from pipeline.skyline.told import Told
from pipeline.skyline.witness import Sightings

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# Cells of the map of sightings, px.
CELL = 4
# Sightings below which nothing can be said.
SIGHTINGS_MIN = 60
# A place is empty where so many sightings were to be expected in the largest disc without one. They come in arcs, as
# the stars pass, with gaps between: in an open sky of 55,000 sightings the emptiest place had 26.
EMPTY = 60.0
EMPTY_PX = 12.0
# The density at a place is that of the nearest sightings: of so many.
NEIGHBOURS = 12
# Least area of ground, as a share of the picture.
AREA_MIN = 5e-4
# Noise of the sky's level as a share of it: what is smooth is not quite a plane.
SKY_ROUGH, GROUND_ROUGH = 0.015, 0.05
# Edge of the blocks on which levels are followed, pixels of the stills, and the reach of their smoothing, blocks.
BLOCK, SKY_REACH, GROUND_REACH = 8, 4.0, 5.0
# A skyline's step is looked for between so many still pixels beyond it and so many within, and further off.
NEAR, FAR = 3, 9
STEP_SIGMA = 5.0
# Of the whole step so much must lie in the narrow one, or it is no edge but a slope: cloud, dust, glow, mist.
SHARP = 0.6
# Rounds in which levels and regions are brought to agree, and how much a pixel's neighbours count in it, as log odds.
ROUNDS, NEIGHBOUR_ODDS = 4, 4.0
# Largest gap between branches that is believed to be sky by its level alone, pixels of the stills.
GAP_MOST = 2000
# Squared contrast of ground and sky, over the noise, from which a pixel may be shared between them.
CLEAR = 36.0
# Share of the skyline that must be a sharp, standing edge.
CONFIDENT = 0.5


@dataclass(frozen=True)
class Empty:
    """Where stars ought to have been seen and were not, on cells of `CELL` px.

    `region` : (rows, columns) bool; `distance` : to the nearest sighting, px; `need` : px that distance must exceed
    """

    region: Bools
    distance: NDArray[np.float64]
    need: NDArray[np.float64]


def empty_places(seen: Sightings, shape: tuple[int, int]) -> Empty | None:
    """Find the places without stars.

    Returns
    -------
    Empty
        None where there are too few sightings to say anything, or no place of any size is empty.
    """
    rows, columns = -(-shape[0] // CELL), -(-shape[1] // CELL)
    i, j = np.floor((seen.y + 0.5) / CELL).astype(int), np.floor((seen.x + 0.5) / CELL).astype(int)
    inside = (i >= 0) & (j >= 0) & (i < rows) & (j < columns)
    if inside.sum() < SIGHTINGS_MIN:
        return None
    counts = np.zeros((rows, columns))
    np.add.at(counts, (i[inside], j[inside]), 1)
    distance, nearest = ndimage.distance_transform_edt(counts == 0, return_indices=True)
    # density about each sighting, from discs that hold some: the widest disc needed anywhere is tried last
    density = np.zeros((rows, columns))
    for radius in (2, 4, 8, 16, 32, 64):
        size = 2 * radius + 1
        held = ndimage.uniform_filter(counts, size, mode="constant") * size**2
        area = ndimage.uniform_filter(np.ones_like(counts), size, mode="constant") * size**2
        settled = (density == 0) & (held >= NEIGHBOURS)
        density[settled] = held[settled] / area[settled]
    density[density == 0] = inside.sum() / counts.size
    # cells to px; a sighting's own neighbourhood says how many there are to expect about an empty place nearby
    near = density[tuple(nearest)] / CELL**2
    need = np.maximum(np.sqrt(EMPTY / (np.pi * near)), EMPTY_PX)
    region = distance * CELL > need
    labels, count = ndimage.label(region)
    if count:
        sizes = np.bincount(labels.ravel())
        small = sizes < max(AREA_MIN * region.size, 9)
        region &= ~small[labels]
    return Empty(region, distance * CELL, need) if region.any() else None


def near_places(empty: Empty, shape: tuple[int, int], reach: int) -> Bools:
    """(rows, columns) of cells within `reach` px of an empty place: what has to be looked at."""
    return np.asarray(ndimage.distance_transform_edt(~empty.region) * CELL <= reach)


def tell(stills: Stills, seen: Sightings, empty: Empty, shape: tuple[int, int]) -> Told:
    """Tell ground from sky.

    Parameters
    ----------
    stills : as `make_stills` makes them, about the empty places at least
    seen : sightings
    empty : as `empty_places` finds them
    shape : (height, width) of the reference
    """
    picture = stills.mean
    size = picture.shape[1:]
    known: Bools = np.asarray(np.isfinite(picture).all(axis=0))
    deep = _enlarged(empty.region, size)
    stars = _star_map(seen, size) & ~deep
    noise = np.array([_pixel_noise(plane) for plane in picture], np.float32)
    away = _enlarged(empty.distance / empty.need, size)
    # near a sighting as those of an open sky are to one another: sky; far beyond: ground; between, the levels say
    prior = np.clip(6.0 * (away - 0.6), -6.0, 10.0).astype(np.float32)
    ground, sky = deep & known, (away < 0.4) & known
    levels = None
    for _ in range(ROUNDS):
        levels = _levels(picture, sky, noise, SKY_REACH, SKY_ROUGH)
        if levels is None:
            return Told(None, 0.0, "no sky is left from which its level could be followed to a skyline")
        likely = _likelihood(picture, known, ground, levels, noise)
        belief = _settle(likely, prior, stars)
        ground = _whole(belief > 0, likely, deep, stars, known)
        sky = ~ndimage.binary_dilation(ground, iterations=3) & known & (belief < -0.5)
    assert levels is not None
    kept, supports = _supported(ground, deep, stills, noise, known, shape)
    if not kept.any():
        best = max((share for share, _ in supports), default=0.0)
        return Told(
            None,
            round(best, 3),
            "stars are missing in a part of the picture, but no sharp edge stands still about it: cloud, dust or glow",
        )
    accepted = [(share, length) for share, length in supports if share >= CONFIDENT]
    confidence = sum(s * n for s, n in accepted) / max(sum(n for _, n in accepted), 1)
    mask = _full_size(_soften(kept, picture, known, levels), shape)
    why = f"no star moves with the sky there, and {confidence:.0%} of its edge is sharp and stands still"
    return Told(mask, round(float(confidence), 3), why, float(mask.mean()))


def _supported(
    ground: Bools, deep: Bools, stills: Stills, noise: Floats, known: Bools, shape: tuple[int, int]
) -> tuple[Bools, list[tuple[float, int]]]:
    """Those regions whose edge towards the sky is sharp and stands still, and every region's support and length."""
    rows, columns = ground.shape
    labels, _ = ndimage.label(ground, structure=np.ones((3, 3)))
    scale = noise[:, None, None]
    fixed = (stills.first / scale, stills.second / scale)
    kept = np.zeros_like(ground)
    supports: list[tuple[float, int]] = []
    for number, part in enumerate(ndimage.find_objects(labels), 1):
        window = tuple(
            slice(max(s.start - FAR - 2, 0), min(s.stop + FAR + 2, n))
            for s, n in zip(part, (rows, columns), strict=True)
        )
        region = labels[window] == number
        if not (deep[window] & region).any() or region.sum() * HALF**2 < AREA_MIN * shape[0] * shape[1]:
            continue
        supports.append(_support(region, fixed, window))
        if supports[-1][0] >= CONFIDENT:
            kept[window] |= region
    return kept, supports


def _star_map(seen: Sightings, shape: tuple[int, int]) -> Bools:
    i, j = np.rint((seen.y - 0.5) / HALF).astype(int), np.rint((seen.x - 0.5) / HALF).astype(int)
    inside = (i >= 0) & (j >= 0) & (i < shape[0]) & (j < shape[1])
    stars = np.zeros(shape, bool)
    stars[i[inside], j[inside]] = True
    return stars


def _enlarged(cells: NDArray[Any], shape: tuple[int, int]) -> NDArray[Any]:
    """Cells of `CELL` px as pixels of the stills."""
    times = CELL // HALF
    big = np.repeat(np.repeat(cells, times, axis=0), times, axis=1)[: shape[0], : shape[1]]
    return np.pad(big, ((0, shape[0] - big.shape[0]), (0, shape[1] - big.shape[1])), mode="edge")


def _pixel_noise(plane: Floats) -> float:
    """Noise of a still's pixel from neighbours' differences, blind to what is smooth."""
    steps = np.diff(plane, axis=1)
    steps = steps[np.isfinite(steps)]
    if not steps.size:
        return 1.0
    return max(float(np.median(np.abs(steps[:: max(1, steps.size // 200_000)])) / 0.6745 / np.sqrt(2)), 1e-3)


def _blocks(plane: NDArray[np.floating]) -> NDArray[np.float64]:
    rows, columns = -(-plane.shape[0] // BLOCK) * BLOCK, -(-plane.shape[1] // BLOCK) * BLOCK
    padded = np.pad(plane, ((0, rows - plane.shape[0]), (0, columns - plane.shape[1])))
    return np.asarray(padded.reshape(rows // BLOCK, BLOCK, columns // BLOCK, BLOCK).sum(axis=(1, 3)), np.float64)


def _spread(blocks: NDArray[np.floating], shape: tuple[int, int]) -> Floats:
    """Block values between the blocks' middles, linearly."""
    i = np.clip((np.arange(shape[0]) - (BLOCK - 1) / 2) / BLOCK, 0, blocks.shape[0] - 1)
    j = np.clip((np.arange(shape[1]) - (BLOCK - 1) / 2) / BLOCK, 0, blocks.shape[1] - 1)
    i0, j0 = (
        np.minimum(i.astype(int), max(blocks.shape[0] - 2, 0)),
        np.minimum(j.astype(int), max(blocks.shape[1] - 2, 0)),
    )
    i1, j1 = np.minimum(i0 + 1, blocks.shape[0] - 1), np.minimum(j0 + 1, blocks.shape[1] - 1)
    fi, fj = (i - i0).astype(np.float32)[:, None], (j - j0).astype(np.float32)[None, :]
    values = blocks.astype(np.float32)
    across = values[:, j0] * (1 - fj) + values[:, j1] * fj
    return np.asarray(across[i0] * (1 - fi) + across[i1] * fi, np.float32)


def _levels(picture: Floats, use: Bools, noise: Floats, reach: float, rough: float) -> tuple[Floats, Floats] | None:
    """The level of one kind of pixels and its scatter, followed smoothly: local straight planes through block means.

    Parameters
    ----------
    picture : (colours, rows, columns)
    use : (rows, columns), pixels of the kind

    Returns
    -------
    level, sigma : (colours, rows, columns) float32 arrays; None where too little is known
    """
    used = use.astype(np.float32)
    weight = _blocks(used)
    if (weight > 0).sum() < 8:
        return None
    levels, sigmas = [], []
    for plane, sigma in zip(picture, noise, strict=True):
        filled = np.where(use, plane, 0).astype(np.float32)
        total = _blocks(filled)
        mean = total / np.maximum(weight, 1)
        # blocks whose level their like do not share (ground among the sky) lose their weight, twice
        w = weight.copy()
        for _ in range(3):
            surface = _plane_through(mean, w, reach)
            off = mean - surface
            scale = 1.4826 * float(np.median(np.abs(off[w > 0]))) + 0.3 * float(sigma)
            w = np.where(np.abs(off) < 4 * scale, weight, 0.0)
            if not (w > 0).any():
                w = weight.copy()
                break
        level = _spread(_plane_through(mean, w, reach), plane.shape)
        square = _blocks(np.where(use, np.minimum((plane - level) ** 2, 25 * sigma**2), 0).astype(np.float32))
        variance = _mean_through(square / np.maximum(weight, 1), w, reach)
        levels.append(level)
        sigmas.append(np.sqrt(np.maximum(_spread(variance, plane.shape), sigma**2) + (rough * level) ** 2))
    return np.stack(levels), np.stack(sigmas).astype(np.float32)


def _mean_through(values: NDArray[np.float64], weight: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """Smoothed values, those without weight filled from ever further away."""
    result = np.full(values.shape, np.nan)
    for wide in (reach, 3 * reach, 9 * reach, 27 * reach):
        bottom = ndimage.gaussian_filter(weight, wide, mode="constant", truncate=3)
        top = ndimage.gaussian_filter(values * weight, wide, mode="constant", truncate=3)
        fill = np.isnan(result) & (bottom > 1e-3 * BLOCK**2)
        result[fill] = top[fill] / bottom[fill]
    mean = float((values * weight).sum() / max(weight.sum(), 1e-9))
    return np.where(np.isnan(result), mean, result)


def _plane_through(values: NDArray[np.float64], weight: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """Local straight planes, weighted by a Gaussian of `reach` blocks, so that a level continues beyond its edge with
    its slope; further off, and where a slope is not determined, the mean of what is near.

    Normalised convolution of first order (Knutsson & Westin 1993).
    """
    mean = _mean_through(values, weight, reach)
    y, x = np.meshgrid(np.arange(values.shape[0], dtype=float), np.arange(values.shape[1], dtype=float), indexing="ij")

    def smooth(a: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(ndimage.gaussian_filter(a, reach, mode="constant", truncate=3))

    w = smooth(weight)
    good = w > 0.02 * BLOCK**2
    safe = np.maximum(w, 1e-9)
    mx, my, mv = smooth(weight * x) / safe, smooth(weight * y) / safe, smooth(weight * values) / safe
    xx, yy = smooth(weight * x * x) / safe - mx**2, smooth(weight * y * y) / safe - my**2
    xy = smooth(weight * x * y) / safe - mx * my
    xv, yv = smooth(weight * x * values) / safe - mx * mv, smooth(weight * y * values) / safe - my * mv
    # a little is added to the spread, so that a row of blocks has no slope across
    xx, yy = xx + 0.3, yy + 0.3
    det = xx * yy - xy**2
    a, b = (yy * xv - xy * yv) / det, (xx * yv - xy * xv) / det
    # the slope is followed one reach beyond what is known, no further
    dx, dy = np.clip(x - mx, -2 * reach, 2 * reach), np.clip(y - my, -2 * reach, 2 * reach)
    return np.where(good, mv + a * dx + b * dy, mean)


def _likelihood(picture: Floats, known: Bools, ground: Bools, sky: tuple[Floats, Floats], noise: Floats) -> Floats:
    """Log of how much likelier each pixel is ground than sky, by its levels; 0 where nothing is known."""
    land = _levels(picture, ground, noise, GROUND_REACH, GROUND_ROUGH)
    result = np.zeros(picture.shape[1:], np.float32)
    if land is None:
        return result
    for plane, s, ss, g, gs in zip(picture, *sky, *land, strict=True):
        # tails are heavier than a Gaussian's on either side: stars, texture
        as_sky = np.log1p(((plane - s) / ss) ** 2 / 4) * 2.5 + np.log(ss)
        as_ground = np.log1p(((plane - g) / gs) ** 2 / 4) * 2.5 + np.log(gs)
        result += np.where(known, as_sky - as_ground, 0).astype(np.float32)
    return result


def _settle(likely: Floats, prior: Floats, stars: Bools) -> Floats:
    """From single pixels' odds to a belief (-1 sky to 1 ground) in which neighbours count; sightings are sky."""
    odds = np.clip(likely, -8, 8) + prior
    odds[stars] = -12.0
    belief = np.tanh(odds / 2)
    for _ in range(4):
        belief = np.tanh((odds + NEIGHBOUR_ODDS * ndimage.uniform_filter(belief, 3)) / 2)
    return np.asarray(belief, np.float32)


def _whole(ground: Bools, likely: Floats, deep: Bools, stars: Bools, known: Bools) -> Bools:
    """Regions as they can be: holes are sky only if they look it; ground is rooted where no star shone."""
    ground = ground & known
    holes, count = ndimage.label(~ground & known)
    if count > 1:
        sizes = np.bincount(holes.ravel(), minlength=count + 1)
        starry = np.bincount(holes.ravel(), weights=stars.ravel(), minlength=count + 1) > 0
        # narrow gaps between branches rarely show a star; they are as bright as the sky is
        level = np.bincount(holes.ravel(), weights=np.clip(likely, -8, 8).ravel(), minlength=count + 1)
        skylike = (level < -sizes) & (sizes < GAP_MOST)
        closed = ~(starry | skylike | (sizes >= sizes[1:].max()))
        closed[0] = False
        ground |= closed[holes]
    # what departs from the sky's level far from any ground is the sky's own
    labels, count = ndimage.label(ground, structure=np.ones((3, 3)))
    if count:
        rooted = np.bincount(labels.ravel(), weights=deep.ravel(), minlength=count + 1) > 0
        rooted[0] = False
        ground = rooted[labels]
    return np.asarray(ground)


def _support(region: Bools, fixed: tuple[Floats, Floats], window: tuple[slice, ...]) -> tuple[float, int]:
    """Share of a region's skyline along which a sharp step stands still, and the skyline's length.

    Steps are differences of means a few pixels within and beyond, taken along the outward direction; the earlier and
    the later frames must show the same step. Twigs have no two sides to compare and are passed over.
    """
    disc = np.hypot(*np.mgrid[-NEAR - 1 : NEAR + 2, -NEAR - 1 : NEAR + 2]) <= NEAR + 1
    bold = ndimage.binary_opening(np.pad(region, NEAR + 1, mode="edge"), disc)[
        NEAR + 1 : -NEAR - 1, NEAR + 1 : -NEAR - 1
    ]
    region = bold if bold.any() else region
    outside = ~region
    inner = ndimage.distance_transform_edt(region)
    outer = ndimage.distance_transform_edt(outside)
    smooth = ndimage.gaussian_filter(np.where(region, -inner + 0.5, outer - 0.5), 2.0)
    gy, gx = np.gradient(smooth)
    length = np.hypot(gx, gy)
    line = region & ndimage.binary_dilation(outside) & (length > 0.3)
    i, j = np.nonzero(line)
    if len(i) == 0:
        return 0.0, 0
    thin = slice(None, None, max(1, len(i) // 20_000))
    i, j = i[thin], j[thin]
    ny, nx = gy[i, j] / length[i, j], gx[i, j] / length[i, j]

    def values(away: float) -> NDArray[np.float64]:
        """(2, colours, n) means of three pixels about a distance outward; NaN beyond what is known."""
        total = np.zeros((2, len(fixed[0]), len(i)))
        for extra in (-1.0, 0.0, 1.0):
            y, x = np.rint(i + (away + extra) * ny).astype(int), np.rint(j + (away + extra) * nx).astype(int)
            inside = (y >= 0) & (x >= 0) & (y < region.shape[0]) & (x < region.shape[1])
            yy, xx = np.clip(y, 0, region.shape[0] - 1), np.clip(x, 0, region.shape[1] - 1)
            both = np.stack([half[(slice(None), *window)][:, yy, xx] for half in fixed]).astype(np.float64)
            both[:, :, ~inside] = np.nan
            total = total + both / 3
        return np.asarray(total)

    near = values(NEAR) - values(-NEAR)
    far = values(FAR) - values(-FAR)
    far = np.where(np.isfinite(far), far, near)
    usable = np.isfinite(near).all(axis=(0, 1))
    if not usable.any():
        return 0.0, 0
    # noise of the difference of two means of three, each over its own noise
    sigma = np.sqrt(2 / 3)
    together = (near[0] * near[1]).sum(axis=0)
    strong = together > (STEP_SIGMA * sigma) ** 2
    # along the direction in colour in which the far sides differ
    direction = far.mean(axis=0)
    norm = np.sqrt((direction**2).sum(axis=0))
    narrow = (near.mean(axis=0) * direction).sum(axis=0) / np.maximum(norm, 1e-9)
    sharp = narrow > SHARP * norm
    good = strong & sharp & usable
    return float(good.sum() / usable.sum()), int(usable.sum())


def _soften(ground: Bools, picture: Floats, known: Bools, sky: tuple[Floats, Floats]) -> Floats:
    """The share of each pixel that is ground: where it lies between the levels of the ground and the sky beside it."""
    band = ndimage.binary_dilation(ground, iterations=2) & ~ndimage.binary_erosion(ground, iterations=2, border_value=1)
    soft = ground.astype(np.float32)
    # the ground's level just within, spread outwards
    core = ndimage.binary_erosion(ground, iterations=1, border_value=1)
    core = (core if core.any() else ground) & known
    weight = ndimage.gaussian_filter(core.astype(np.float32), 3.0, truncate=3)
    top, clear = np.zeros(ground.shape, np.float32), np.zeros(ground.shape, np.float32)
    for plane, s, ss in zip(picture, *sky, strict=True):
        filled = np.where(core, plane, 0).astype(np.float32)
        level = ndimage.gaussian_filter(filled, 3.0, truncate=3) / np.maximum(weight, 1e-6)
        contrast = (level - s) / ss
        top += contrast * (plane - s) / ss
        clear += contrast**2
    share = np.clip(top / np.maximum(clear, 1e-6), 0, 1)
    good = band & known & (clear > CLEAR) & (weight > 1e-3)
    soft[good] = share[good]
    return soft


def _full_size(soft: Floats, shape: tuple[int, int]) -> Floats:
    """Cells of 2 x 2 mosaic pixels as pixels, linearly between the cells' middles."""
    i = np.clip((np.arange(shape[0]) - 0.5) / HALF, 0, soft.shape[0] - 1)
    j = np.clip((np.arange(shape[1]) - 0.5) / HALF, 0, soft.shape[1] - 1)
    i0, j0 = np.minimum(i.astype(int), soft.shape[0] - 2), np.minimum(j.astype(int), soft.shape[1] - 2)
    fi, fj = (i - i0).astype(np.float32)[:, None], (j - j0).astype(np.float32)[None, :]
    across = soft[:, j0] * (1 - fj) + soft[:, j0 + 1] * fj
    return np.asarray(across[i0] * (1 - fi) + across[i0 + 1] * fi, np.float32)


__all__ = ["Empty", "empty_places", "near_places", "tell"]
