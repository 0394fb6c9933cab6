"""Two views of the same land: the planted turn between them, and their scale, come back."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial.transform import Rotation

from pipeline.sky.camera import Camera
from pipeline.skyline.views import levels_between, moved_through, place_view

SHAPE, SIDE = (240, 360), 2
CAMERA = Camera.simple(900.0, SHAPE[1] * SIDE, SHAPE[0] * SIDE)


def outline(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """The skyline's row, px, anywhere along the picture."""
    return 300 + 25 * np.sin(x / 61) + 14 * np.sin(x / 23 + 1) + 6 * np.sin(x / 7)


def view(turn: NDArray[np.float64], scale: float, smear: float = 0.0, noise: float = 1.0, seed: int = 1):
    """Cells of a picture taken with a camera so turned; blurred along x by `smear` px; and where it shows land."""
    rng = np.random.default_rng(seed)
    i, j = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    x, y = CAMERA.project(CAMERA.unproject(j * SIDE + 0.5, i * SIDE + 0.5) @ turn)
    share = np.clip((y - outline(x)) / 2 + 0.5, 0, 1)
    texture = 1 + 0.3 * np.sin(x / 11) * np.sin(y / 9) + 0.2 * np.sin(x / 31 + y / 17)
    picture = scale * (400 * (1 + 0.0004 * y) * (1 - share) + 80 * texture * share)
    if smear:
        picture = ndimage.uniform_filter1d(picture, max(1, round(smear / SIDE)), axis=1)
    return picture + rng.normal(0, noise, SHAPE), share > 0.5


@pytest.mark.parametrize(
    ("moved", "roll", "scale", "smear"), [((47.0, -23.0), 0.4, 1.0, 0.0), ((-30.0, 41.0), -1.0, 4.0, 14.0)]
)
def test_the_turn_comes_back(moved: tuple[float, float], roll: float, scale: float, smear: float) -> None:
    """A camera moved by up to 50 px and rolled is laid on the other view to a fifth of a px everywhere on the skyline,
    whatever the exposure, a tracker's blur of 14 px in the one notwithstanding; and the levels' ratio to 1 %."""
    f = CAMERA.focal_px
    turn = Rotation.from_rotvec([-moved[1] / f, moved[0] / f, np.radians(roll)]).as_matrix()
    here, land = view(np.eye(3), 1.0, smear)
    there, _ = view(turn, scale, seed=2)
    found = place_view(here, there, land, CAMERA, SIDE, [np.eye(3)], (smear, 0.0))
    assert found is not None
    assert found.correlation > 0.8
    x = np.linspace(60, 660, 30)
    rays = CAMERA.unproject(x, outline(x))
    expected, got = CAMERA.project(rays @ turn.T), CAMERA.project(rays @ found.turn.T)
    assert np.hypot(got[0] - expected[0], got[1] - expected[1]).max() < 0.2
    inner = ndimage.binary_erosion(land, iterations=8)
    there[:, ::7] = np.nan  # what no frame shows takes no light from the blocks
    alike = moved_through(there, smear / SIDE, 0.0)
    levels = levels_between(here, alike, inner, CAMERA, SIDE, found.turn)
    assert levels is not None
    assert levels.scale == pytest.approx(1 / scale, rel=0.01)
    assert levels.error < 0.01 / scale
    assert levels.offset == 0
    # a pedestal that is not known leaves the ratio of levels wrong, and a line through them right
    high = levels_between(here, alike + 15 * scale, inner, CAMERA, SIDE, found.turn, from_zero=False)
    assert high is not None
    assert high.scale == pytest.approx(1 / scale, rel=0.02)
    assert high.offset == pytest.approx(-15, abs=1.5)


def test_another_place_is_not_taken_for_this_one() -> None:
    """Noise, and land of another outline, have nothing in common with the view."""
    here, land = view(np.eye(3), 1.0)
    rng = np.random.default_rng(3)
    assert place_view(here, 300 + rng.normal(0, 20, SHAPE), land, CAMERA, SIDE, [np.eye(3)]) is None
    assert place_view(here, here, np.zeros(SHAPE, bool), CAMERA, SIDE, [np.eye(3)]) is None
