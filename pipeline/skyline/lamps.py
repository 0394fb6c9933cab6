"""Lamps that stand before the sky, on a mast or a tower: land with light of its own, told by standing still.

A lamp has no sharp dark edge, and its halo lies over the sky; where a tracker carries it through the picture it would
be drawn out into a line among the stars, as each place is lit in too many frames to be rejected.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

# A lamp's middle stands this far above the sky's level in both halves of the frames, and its halo reaches as far as it
# does by this much, as standard deviations of a still's pixel, a fiftieth of the sky's light included
# (`tell.SKY_ROUGH`): what is fainter leaves traces as stars do before land, which rejection takes out.
CORE, HALO = 25.0, 2.5
# It also stands above the land's level by so many of its standard deviations: land in moonlight and snow are no lamps.
ABOVE_LAND = 5.0
# Halves of the frames that show it in the same place differ by less than this share of its light: 0.2 to 0.4 where the
# land is followed to a fifth of a pixel; a star that moved by half its width between them, by more.
APART = 0.5
# A light's brightest pixel has this share of its own in the four beside it: a lens of FWHM 1.8 px, on cells of 2 px,
# gives them a tenth and more, a hot pixel that no dark told nothing.
BESIDE = 0.05
# The sky must have moved from half to half by so many pixels, and by as much as the lamp's middle is wide, for stars to
# have left their places.
MOVED_PX = 8.0
# Largest middle, as a share of the picture, and largest halo, as a share of its longer side: what is larger is land in
# moonlight, or a dome of light.
CORE_MOST, HALO_MOST = 2e-3, 0.05


def standing_lamps(
    halves: tuple[Floats, Floats],
    sky: tuple[Floats, Floats],
    land: tuple[Floats, Floats],
    ground: Bools,
    stars: Bools,
    moved: Floats,
) -> Floats:
    """The share of each pixel that belongs to a lamp and what it lights about it.

    Parameters
    ----------
    halves : two (colours, rows, columns) float32 arrays, stills of the earlier and the later frames
    sky, land : two (colours, rows, columns) float32 arrays each, their level and its standard deviation
    ground : (rows, columns) bool array, what is known for land
    stars : (rows, columns) bool array, where stars of the sky were seen
    moved : (rows, columns) float32 array, how far the sky moved from half to half, pixels of the stills: 0 where that
        is too little to tell, as about the pole, whose star stands as still as a lamp

    Returns
    -------
    (rows, columns) float32 array
    """
    share = np.zeros(ground.shape, np.float32)
    above, over = ([np.mean((half - of[0]) / of[1], axis=0) for half in halves] for of in (sky, land))
    lit = np.nan_to_num(np.minimum(*above), nan=0.0)
    labels, _ = ndimage.label((lit > CORE) & (np.minimum(*over) > ABOVE_LAND), structure=np.ones((3, 3)))
    either, _ = ndimage.label(np.nan_to_num(np.maximum(*above), nan=0.0) > CORE, structure=np.ones((3, 3)))
    boxes = ndimage.find_objects(either)
    most = max(2, round(HALO_MOST * max(ground.shape)))
    for number, part in enumerate(ndimage.find_objects(labels), 1):
        core = labels[part] == number
        wide = max(core.shape)
        if core.sum() > CORE_MOST * ground.size or moved[part][core].min() < wide or (stars[part] & core).any():
            continue
        if _sharper_than_light(lit, part, core):
            continue
        # where either half shows it: of a star that moved the halves have a middle in common
        which = int(either[part][core].max())
        box = boxes[which - 1]
        one, other = (np.nan_to_num(a[box][either[box] == which]) for a in above)
        if np.abs(one - other).sum() > APART * (one + other).sum():
            continue
        y, x = (c + s.start for c, s in zip(ndimage.center_of_mass(core), part, strict=True))
        reach = most + wide // 2 + 2
        window = (
            slice(max(int(y) - reach, 0), int(y) + reach + 1),
            slice(max(int(x) - reach, 0), int(x) + reach + 1),
        )
        far = np.hypot(*np.meshgrid(*(np.arange(s.start, s.start + n) - c for s, n, c in zip(
            window, share[window].shape, (y, x), strict=True)), indexing="ij"))  # fmt: skip
        radius = _halo(lit[window], far, ~ground[window], wide / 2, most + wide / 2)
        # with an edge of a pixel, as the lens draws land's
        share[window] = np.maximum(share[window], np.clip(radius + 1.5 - far, 0, 1).astype(np.float32))
    return share


def _sharper_than_light(lit: Floats, part: tuple[slice, ...], core: Bools) -> bool:
    """Whether a light's brightest pixel stands alone."""
    i, j = np.unravel_index(int(np.argmax(np.where(core, lit[part], -np.inf))), core.shape)
    y, x = part[0].start + int(i), part[1].start + int(j)
    beside = [lit[v, u] for v, u in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1))
              if 0 <= v < lit.shape[0] and 0 <= u < lit.shape[1]]  # fmt: skip
    return bool(np.mean(beside) < BESIDE * lit[y, x])


def _halo(lit: Floats, far: NDArray[np.float64], sky: Bools, least: float, most: float) -> float:
    """How far a lamp's light reaches over the sky: to before the first ring whose median is not above the outermost's.

    The sky's level is followed from afar, and beside a skyline a dome of light may stand above it.
    """
    values, ring = lit[sky], np.rint(far[sky]).astype(int)
    beyond = values[ring >= most]
    level = np.median(beyond) if beyond.size else 0.0
    radius = int(np.ceil(least))
    while radius < most:
        here = values[ring == radius + 1]
        if here.size and np.median(here) - level < HALO:
            break
        radius += 1
    return float(radius)
