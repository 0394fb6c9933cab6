"""Connected objects and the sky's mesh: against scipy and sep, and with planted answers."""

from __future__ import annotations

import numpy as np
import pytest
import sep
from scipy.ndimage import label

from pipeline.stars.connected import label as label_groups
from pipeline.stars.connected import places_above
from pipeline.stars.linear import solve_positive
from pipeline.stars.mesh import sky_mesh
from pipeline.stars.objects import axes, find_objects
from pipeline.stars.votes import count_votes
from tests.starfields import Field, random_field, render


def star_image(rng, shape=(300, 400), number=60, noise=1.0):
    """Stars of FWHM 2.4 px on noise, sky 0."""
    field = random_field(rng, shape, number, (60, 6000))
    return (render(shape, field, 2.4) + rng.normal(0, noise, shape)).astype(np.float32), field


@pytest.mark.parametrize("density", [0.02, 0.3, 0.5, 0.9])
def test_groups_equal_scipy(density):
    """Without taking apart, the groups are scipy's 8-connected ones, numbered alike, whatever their tangle."""
    rng = np.random.default_rng(int(100 * density))
    image = (rng.random((83, 117)) < density).astype(np.float32)
    objects, labels = find_objects(image, 0.5)
    slow, number = label(image > 0.5, np.ones((3, 3)))
    np.testing.assert_array_equal(labels, slow)
    assert len(objects) == number
    np.testing.assert_array_equal(objects["npix"], np.bincount(slow.ravel())[1:])


def test_moments_equal_sep():
    """Places, moments, sums and peaks of single objects are sep's on the same image and threshold."""
    image, _ = star_image(np.random.default_rng(1))
    objects, labels = find_objects(image, 5.0)
    theirs, map_ = sep.extract(
        image, 5.0, minarea=1, filter_kernel=None, deblend_cont=1.0, clean=False, segmentation_map=True
    )
    np.testing.assert_array_equal(labels > 0, map_ > 0)
    order = [map_[y, x] - 1 for x, y in zip(objects["xpeak"], objects["ypeak"], strict=True)]
    for name in ("x", "y", "x2", "y2", "xy", "flux", "peak", "npix"):
        np.testing.assert_allclose(objects[name], theirs[name][order], rtol=2e-4, atol=2e-4)
    long, short, _ = axes(objects)
    np.testing.assert_allclose(long, theirs["a"][order], rtol=1e-3)
    np.testing.assert_allclose(short, theirs["b"][order], rtol=2e-3, atol=2e-3)


def test_close_stars_are_taken_apart():
    """Two stars 4.5 px apart whose light touches become two objects at their places; nothing of the group is lost."""
    rng = np.random.default_rng(2)
    x = np.array([50.0, 54.5, 120.0])
    light = render((100, 160), Field(x, np.array([50.0, 50.0, 40.0]), np.array([3000.0, 2500.0, 3000.0])), 2.4)
    image = (light + rng.normal(0, 1, light.shape)).astype(np.float32)
    together, one = find_objects(image, 5.0)
    objects, labels = find_objects(image, 5.0, contrast=0.02, dip=0.2, rise=4.0)
    assert (len(together), len(objects)) == (2, 3)
    np.testing.assert_array_equal(labels > 0, one > 0)
    np.testing.assert_allclose(np.sort(objects["x"]), x, atol=0.4)
    assert objects["flux"].sum() == pytest.approx(together["flux"].sum(), rel=1e-6)


def test_a_noisy_trail_stays_whole():
    """Of 40 trails of 30 px at 12 standard deviations a pixel none is cut to pieces by the noise on it."""
    rng = np.random.default_rng(3)
    field = random_field(rng, (600, 900), 40, (1200, 1201), apart=30)
    image = (render((600, 900), field, 2.4, motion=(24.0, 18.0)) + rng.normal(0, 1, (600, 900))).astype(np.float32)
    objects, _ = find_objects(image, 5.0, contrast=0.02, dip=0.2, rise=4.0)
    assert (objects["npix"] > 30).sum() == 40
    assert (objects["npix"] > 8).sum() == 40


@pytest.mark.parametrize("shape", [(1, 1), (3, 1), (1, 40), (2, 2)])
@pytest.mark.parametrize("level", [0.0, 7.0])
def test_small_pictures(shape, level):
    """One group or none in pictures of a few pixels, all of one level."""
    objects, labels = find_objects(np.full(shape, level, np.float32), 1.0, contrast=0.02)
    assert len(objects) == (level > 1)
    assert (labels == (level > 1)).all()


@pytest.mark.parametrize(("noise", "quantum"), [(1.3, 0.0), (9.0, 0.0), (1.3, 0.5), (0.6, 0.5), (9.0, 0.25)])
def test_the_mesh_follows_a_slope_under_stars(noise, quantum):
    """Sky within 0.03 of a pixel's noise on the mean, noise within 3 %, on a slope with stars, in steps or not."""
    rng = np.random.default_rng(4)
    slope = 200 + noise * (np.linspace(0, 5, 420)[None, :] + np.linspace(0, 3, 333)[:, None])
    field = random_field(rng, (333, 420), 60, (100 * noise, 1e4 * noise))
    image = slope + render((333, 420), field, 2.4) + rng.normal(0, noise, slope.shape)
    if quantum:
        image = np.round(image / quantum) * quantum
    mesh = sky_mesh(image.astype(np.float32), quantum)
    rows, columns = np.mgrid[0:333, 0:420]
    left = mesh.at(rows, columns) - slope
    assert abs(left.mean()) < 0.03 * noise
    assert left.std() < 0.12 * noise
    assert mesh.noise == pytest.approx(np.hypot(noise, quantum / 12**0.5), rel=0.03)
    image = image.astype(np.float32)
    np.testing.assert_allclose(
        mesh.subtracted(image, np.empty_like(image)), image - mesh.at(rows, columns), atol=2e-4 * 300
    )


def test_a_level_picture_has_its_level():
    """One level throughout is that level without noise, smaller than a block too."""
    for shape in ((5, 9), (64, 100)):
        mesh = sky_mesh(np.full(shape, 88.5, np.float32), 0.5)
        assert (mesh.level == 88.5).all()
        assert mesh.noise == 0


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6])
def test_groups_are_those_of_scipy(share: float) -> None:
    """Places above a threshold, and their groups in the order of their first pixels, are those of NumPy and SciPy."""
    image = np.random.default_rng(3).random((60, 150), np.float32)
    image[20:23] = 0.0
    mask = image > np.float32(1 - share)
    places, labels = places_above(image, np.float32(1 - share)), np.zeros(image.shape, np.int32)
    np.testing.assert_array_equal(places, np.argwhere(mask))
    grouped, bounds = label_groups(places, labels)
    wanted, number = label(mask, np.ones((3, 3)))
    np.testing.assert_array_equal(labels, wanted)
    np.testing.assert_array_equal(np.diff(bounds), np.bincount(wanted[mask])[1:])
    np.testing.assert_array_equal(labels[tuple(grouped.T)], np.repeat(np.arange(number) + 1, np.diff(bounds)))


@pytest.mark.parametrize("limits", [((-720.0, 720.0), (0.0, 720.0)), ((-1.0, 1.0), (-0.3, 0.3))])
def test_votes_are_those_of_numpys_histogram(limits: tuple[tuple[float, float], tuple[float, float]]) -> None:
    """Differences inside, outside, on edges of bins and next to them are counted as by `numpy.histogram2d`."""
    rng = np.random.default_rng(5)
    bins, places = (37, 18), []
    for number, (low, high) in zip(bins, limits, strict=True):
        edges = np.linspace(low, high, number + 1)
        on = rng.choice(edges, 2000)
        beside = np.nextafter(on, rng.choice([-1e9, 1e9], 2000))
        anywhere = rng.uniform(1.1 * low - 0.1, 1.1 * high, 2000)
        places.append(rng.permutation(np.concatenate([on, beside, anywhere])))
    votes = np.histogram2d(*places, bins, limits)[0]
    corners = votes[:-1, :-1] + votes[1:, :-1] + votes[:-1, 1:] + votes[1:, 1:]
    np.testing.assert_array_equal(count_votes(*places, bins, limits).counts, corners)


@pytest.mark.parametrize("size", [4, 6])
def test_small_systems_are_solved_as_numpy_solves_them(size: int) -> None:
    """A positive definite system comes out as from `numpy.linalg.solve`; one that is not positive is refused."""
    rng = np.random.default_rng(size)
    half = rng.normal(size=(size + 2, size))
    matrix, vector, out, room = half.T @ half, rng.normal(size=size), np.empty(size), np.full((size, size), np.nan)
    assert solve_positive(matrix, vector, out, room)
    np.testing.assert_allclose(out, np.linalg.solve(matrix, vector), rtol=1e-9)
    matrix[-1] = matrix[0]
    matrix[:, -1] = matrix[:, 0]
    assert not solve_positive(matrix, vector, out, room)
