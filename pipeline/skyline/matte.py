"""Soft edges: the share of a pixel that is ground, from where its level lies between the ground's and the sky's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.pixels.cells import between, in_cells
from pipeline.skyline.levels import apart

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# Pixels on either side of the skyline that may be shared.
BAND = 2
# Pixels beyond these by which the sky's level beside the skyline is told, the reach of their mean, what their share
# about a place is at least, and how far the level may be off the wider one, as a share.
RING, RING_REACH, RING_LEAST, LOCAL_MOST = 2, 3.0, 0.02, 0.25
# Contrast of ground and sky over the noise from which a pixel may be shared between them; shares below that of so many
# standard deviations are none.
CONTRAST, SURE = 6.0, 2.5
# Further in a pixel is shared where less than this of it is ground, and open sky, of which less than that is, is no
# further off than so many pixels: solid ground has texture. No further in than that where the texture passes through
# the sky's level: lit snow is full of what looks like gaps.
SHARED, OPEN, NEAR = 0.6, 0.15, 3
# Side of the cells in which the ground's own level is taken, pixels, of how many pixels at least, of which share of
# them that differ most from the sky, and over how many cells each way: among twigs the rest are mixed with sky.
CELL, CELL_PIXELS, PURE, REACH = 8, 6, 0.1, 5
# Solid ground has texture that looks like sky between twigs. Twigs are where stars were seen within the ground, gaps of
# twice this width closed, or gaps as even as the sky, and so far about, as shares of the picture; and where the ground
# is blacker than this share of the sky's level. Where the texture passes through the sky's level, twigs are further in
# than `NEAR` only so near to those.
GAP, AIRY, BLACK, AMID = 0.01, 0.05, 0.05, 0.02
# What is brighter than the sky and has less ground than this about it is a star, where ground is darker than this share
# of the sky's level.
HALF, DARK = 0.5, 0.5
# ... but where the sky moves by so many times its width from the one half of the frames to the other no star stays: it
# is a lamp.
LEAVES = 2.0


def soften(
    ground: Bools,
    picture: Floats,
    sky: tuple[Floats, Floats],
    land: tuple[Floats, Floats],
    stars: Bools,
    size: int | None = None,
    moved: Floats | None = None,
) -> Floats:
    """Make a soft mask of a hard one.

    Parameters
    ----------
    ground : (rows, columns) bool array
    picture : (colours, rows, columns) float32 array
    sky, land : the sky's and the ground's level and scatter, each an array like `picture`
    stars : (rows, columns) bool array, where stars were seen in the sky
    size : longer side of the picture of which these are a part, pixels; theirs by default
    moved : (rows, columns) float32 array, pixels that the sky moves from the earlier half of the frames to the later

    Returns
    -------
    (rows, columns) float32 array, 0-1; as `ground` away from the skyline and twigs, where contrast is poor, and where a
    pixel is no mixture of the two: a lamp, a star
    """
    if not ground.any():
        return ground.astype(np.float32)
    size = size or max(ground.shape)
    sky = _beside(ground, picture, sky)
    deep = ndimage.distance_transform_cdt(ground, "taxicab")
    planes = zip(picture, sky[0], land[0], strict=True)
    pure = np.stack([own_level(plane, level, own, ground) for plane, level, own in planes])
    airy = stars & _closed(ground, round(GAP * size))
    light = (pure / np.maximum(sky[0], np.float32(1e-3))).mean(axis=0)
    twiggy = light < BLACK
    amid = np.zeros_like(ground)
    if airy.any():
        off = ndimage.distance_transform_cdt(~airy, "chessboard")
        twiggy |= off <= AIRY * size
        amid = off <= AMID * size
    share, contrast = _shares(picture, sky, np.where(twiggy, pure, land[0]))
    within = ground & (deep <= np.where(apart(sky, land) | amid, max(BAND, round(AIRY * size)), NEAR))
    sure = SURE / np.sqrt(contrast)
    mixed = (contrast > CONTRAST**2) & (share > -2 * sure - 0.1)
    gap = mixed & ~_lit_land(picture, sky, land[0], share)
    open_sky = ~ground | (gap & (share < OPEN))
    twigs = within & twiggy & gap & (share < SHARED) & ndimage.binary_dilation(open_sky, iterations=NEAR)
    band = ndimage.binary_dilation(ground, iterations=BAND) & (deep <= BAND)
    good = (band | twigs) & mixed
    soft = ground.astype(np.float32)
    soft[good] = np.clip(np.where(share < sure, 0, share), 0, 1)[good]
    bright = within & (light < DARK) & (contrast > CONTRAST**2) & ~mixed
    soft[_in_the_open(bright, soft, moved)] = 0
    return soft


def _beside(ground: Bools, picture: Floats, sky: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """The sky's level and scatter with the level as the pixels just above the skyline have it.

    Towards the horizon the sky dims faster than a plane through wide blocks follows, and all of a band would be part
    ground: a frame's stars are left out there.
    """
    off = ndimage.distance_transform_cdt(~ground, "chessboard")
    ring = ((off > BAND) & (off <= BAND + RING)).astype(np.float32)
    about = ndimage.gaussian_filter(ring, RING_REACH) + np.float32(RING_LEAST)
    levels = np.empty_like(sky[0])
    for level, plane, result in zip(sky[0], picture, levels, strict=True):
        ratio = np.clip(plane / np.maximum(level, np.float32(1e-3)), 1 - LOCAL_MOST, 1 + LOCAL_MOST)
        result[:] = level * (1 + ndimage.gaussian_filter((ratio - 1) * ring, RING_REACH) / about)
    return levels, sky[1]


def _in_the_open(bright: Bools, soft: Floats, moved: Floats | None) -> Bools:
    """Those of some brighter pixels that stand among sky more than among ground: stars, where a lamp stands on land."""
    labels, _ = ndimage.label(bright, structure=np.ones((3, 3)))
    open_ = np.zeros_like(bright)
    for number, part in enumerate(ndimage.find_objects(labels), 1):
        window = tuple(slice(max(s.start - 1, 0), s.stop + 1) for s in part)
        here = labels[window] == number
        if moved is not None and moved[window].min() >= LEAVES * max(s.stop - s.start for s in part):
            continue
        about = ndimage.binary_dilation(here, np.ones((3, 3))) & ~here
        if soft[window][about].mean() < HALF:
            open_[window] |= here
    return open_


def _closed(ground: Bools, width: int) -> Bools:
    """The ground with its gaps of up to twice this width, pixels, closed."""
    wide = ndimage.distance_transform_cdt(~ground, "taxicab") <= width
    if wide.all():
        return wide
    return np.asarray(ndimage.distance_transform_cdt(wide, "taxicab") > width)


def _shares(picture: Floats, sky: tuple[Floats, Floats], land: Floats) -> tuple[Floats, Floats]:
    """How far each pixel lies from the sky's level towards the ground's, and the squared contrast of these."""
    top, contrast = np.zeros(picture.shape[1:], np.float32), np.zeros(picture.shape[1:], np.float32)
    for plane, level, sigma, own in zip(picture, *sky, land, strict=True):
        step = (own - level) / sigma
        top += step * (plane - level) / sigma
        contrast += step**2
    contrast = np.maximum(contrast, np.float32(1e-6))
    return top / contrast, contrast


def _lit_land(picture: Floats, sky: tuple[Floats, Floats], land: Floats, share: Floats) -> Bools:
    """Pixels whose colour tells that they are bright land and no gap: of so much of the ground's light and so much of
    the sky's as make their colours (least squares), the sky's is less than half of what their level would have it.

    Nothing is told where both have one colour: the sky's part is not known to that.
    """
    gg, gs, ss, gp, sp = (np.zeros(share.shape, np.float32) for _ in range(5))
    for plane, level, sigma, own in zip(picture, *sky, land, strict=True):
        here, there, value = own / sigma, level / sigma, plane / sigma
        gg += here * here
        gs += here * there
        ss += there * there
        gp += here * value
        sp += there * value
    gg = np.maximum(gg, np.float32(1e-6))
    # the sky's light that the ground's colour does not account for
    own_sky = np.maximum(ss - gs * gs / gg, np.float32(1e-6))
    part = (sp - gs * gp / gg) / own_sky
    return np.asarray(part + SURE / np.sqrt(own_sky) < (1 - share) / 2)


def own_level(plane: Floats, level: Floats, land: Floats, ground: Bools) -> Floats:
    """The ground's level as its purest pixels about each place show it: those furthest above the sky where the land is
    the brighter of the two, those furthest below elsewhere.

    Parameters
    ----------
    plane, level, land : (rows, columns) float32 arrays, one colour and the levels of sky and land in it
    ground : (rows, columns) bool array

    Returns
    -------
    (rows, columns) float32 array; the sky's level where no ground is near
    """
    over = np.asarray(plane / np.maximum(level, np.float32(1e-3)) - 1, np.float32)
    brighter = land > level
    up, down = _purest(over, ground & brighter), _purest(-over, ground & ~brighter)
    return np.asarray(level * (1 + np.where(brighter, up, -down)), np.float32)


def _purest(over: Floats, ground: Bools) -> Floats:
    """The most by which pixels of ground exceed the sky about each place, at least 0."""
    if not ground.any():
        return np.zeros_like(over)
    cells = tuple(-(-n // CELL) for n in ground.shape)
    inside, values = (in_cells(plane, CELL).swapaxes(1, 2).reshape(*cells, -1) for plane in (ground, over))
    asked = inside.sum(axis=2) >= CELL_PIXELS
    values = np.where(inside[asked], values[asked], -np.inf)
    number = inside[asked].sum(axis=1)
    place = np.minimum((number * PURE).astype(int), CELL * CELL - 1)
    purest = -np.sort(-values, axis=1)
    found = np.zeros(cells, np.float32)
    found[asked] = np.maximum(np.take_along_axis(purest, place[:, None], axis=1)[:, 0], 0)
    found = ndimage.uniform_filter(ndimage.maximum_filter(found, REACH), 3)
    return np.asarray(between(found, CELL, over.shape), np.float32)
