"""Lamps before the sky: told by their light, their halo and that they stand still."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.skyline.lamps import CORE, standing_lamps

SHAPE = (160, 240)
AT = (60.0, 120.0)


def halves(
    apart: float = 0.0, light: float = 400.0, halo: float = 0.03, wide: float = 2.0
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Two stills of a sky of 100 with noise of 1, and a light that the second shows so many pixels further right."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    made = []
    for shift in (0.0, apart):
        r2 = (y - AT[0]) ** 2 + (x - AT[1] - shift) ** 2
        lamp = light * (np.exp(-r2 / 2 / wide**2) + halo / (1 + r2 / 36) ** 1.5)
        made.append((100 + lamp + rng.normal(0, 1, (3, *SHAPE))).astype(np.float32))
    return made[0], made[1]


def told(
    both: tuple[NDArray[np.float32], NDArray[np.float32]],
    moved: float = 30.0,
    light: float = 20.0,
    **changes: NDArray[np.bool_],
) -> NDArray[np.float32]:
    """The lamps of such stills, whose sky's level is good to 2.2, a fiftieth and the noise, land's to a fifth."""
    sky = np.full((3, *SHAPE), 100, np.float32), np.full((3, *SHAPE), 2.2, np.float32)
    ground = np.zeros(SHAPE, bool)
    ground[120:] = True
    given = {"ground": ground, "stars": np.zeros(SHAPE, bool), **changes}
    land = np.full((3, *SHAPE), light, np.float32), np.full((3, *SHAPE), 0.2 * light, np.float32)
    return standing_lamps(both, sky, land, given["ground"], given["stars"], np.full(SHAPE, moved, np.float32))


@pytest.mark.parametrize("halo", [0.0, 0.03, 0.05])
def test_a_lamp_is_told_with_its_halo(halo: float) -> None:
    """All that it lights by 3.5 standard deviations of the sky's level is told, and little beyond two of them."""
    share = told(halves(halo=halo))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    far = np.hypot(y - AT[0], x - AT[1])
    light = 400 * (np.exp(-(far**2) / 8) + halo / (1 + far**2 / 36) ** 1.5) / 2.2
    assert (share[light > 3.5] == 1).all()
    assert not share[(light < 2) & (far > 4)][far[(light < 2) & (far > 4)] > far[light > 2].max() + 2].any()


def test_what_is_no_lamp_is_left() -> None:
    """A star that moved by its width between the halves, one that is seen to be a star, what is faint, a hot pixel, a
    sky that did not move further than the light is wide, and land in moonlight."""
    assert told(halves()).any()
    for apart in (2.0, 4.0, 7.0, 10.0):
        assert not told(halves(apart=apart), moved=apart).any()
    star = np.zeros(SHAPE, bool)
    star[int(AT[0]) - 1, int(AT[1])] = True
    assert not told(halves(), stars=star).any()
    assert not told(halves(light=0.8 * CORE * 2.2)).any()
    assert not told(halves(), moved=5.0).any()
    assert not told(halves(), moved=0.0).any()
    assert told(halves(wide=0.45, halo=0.0)).any()
    assert not told(halves(wide=0.1, halo=0.0)).any()
    lit = halves(light=0.0)
    for half in lit:
        half[:, 120:] += 100
        half[:, 119, 100:104] += 100  # a stone above the mask's edge
    assert not told(lit, light=200.0).any()
    # a lamp of 500 before it is one
    assert told(halves(), light=200.0).any()


def test_a_lamp_on_the_skyline_is_land_as_far_as_it_lights_the_sky() -> None:
    """One that stands on land, which hides half of its halo, is told by the other half."""
    both = halves()
    ground = np.zeros(SHAPE, bool)
    ground[int(AT[0]) :] = True
    for half in both:
        half[:, ground] = np.minimum(half[:, ground], 20.0)
    for half, whole in zip(both, halves(), strict=True):
        half[:, 58:63, 117:124] = whole[:, 58:63, 117:124]
    share = told(both, ground=ground)
    # 400 * 0.03 / (1 + 4 ** 2 / 36) ** 1.5 = 6.9, of 2.2; a row further up 3.9
    assert share[56, 120] == 1
    assert share[45, 120] == 0
