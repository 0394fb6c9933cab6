"""Combination under a sky that changes between frames: it is averaged, and a satellite before it still goes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline import combine
from pipeline.errors import SceneError
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.restless import carried, even_blocks, restless_pixels, restlessness, settle, tell_blocks
from pipeline.stack.unrest import no_blocks
from pipeline.stack.whole import cut_picture
from pipeline.stack.windows import Cut, Window, cut, cut_at_unrest, is_unquiet
from tests.planted_scenes import Camera, drifting, write_scene
from tests.test_combine import Made, sky_truth

SHAPE, FRAMES = (320, 448), 10
CAMERA = Camera(slope=0.2)


def curtain(k: int, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Electrons of an aurora's rays in frame k: 20 px wide, wandering 7 px a frame, brightening and fading."""
    rays = np.zeros(np.broadcast(x, y).shape)
    for at, width, speed in ((60.0, 16.0, 7.0), (110.0, 24.0, -5.0), (170.0, 20.0, 9.0)):
        rays += np.exp(-((x - at - speed * k - 0.15 * y) ** 2) / 2 / width**2)
    return np.asarray(400 * (1.2 + np.sin(1.1 * k)) * rays * np.clip((260 - y) / 120, 0, 1))


@pytest.fixture(scope="module")
def lit(tmp_path_factory: pytest.TempPathFactory) -> tuple[Made, Made, NDArray[np.float64], NDArray[np.float64]]:
    """The scene without and with a satellite in frame 6; the truth in green; the distance from the satellite's line."""
    geometry = drifting(FRAMES, SHAPE, (0.9, -0.6))
    names = list(geometry.frames)
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    extras = {name: curtain(k, x, y) for k, name in enumerate(names)}
    off = (y - 100) * np.cos(0.3) - (x - 40) * np.sin(0.3)
    place = geometry.frames[names[6]]
    there = off - place.dy * np.cos(0.3) + place.dx * np.sin(0.3)
    made = []
    for satellite in (0.0, 300.0):
        folder = tmp_path_factory.mktemp("lit")
        light = dict(extras)
        light[names[6]] = extras[names[6]] + satellite * np.exp(-(there**2) / 2 / 1.1**2)
        write_scene(folder, np.random.default_rng(3), CAMERA, geometry, extras=light)
        made.append(Made(folder, geometry, CAMERA, threads=2))
    truth = sky_truth(geometry, CAMERA)[1]
    for k, name in enumerate(names):
        weight = made[0].figures["frames"][name]["weight"]
        truth = truth + weight * curtain(k, *geometry.from_reference(name, x, y)) / CAMERA.gain / FRAMES
    return made[0], made[1], truth, off


def test_a_changing_sky_is_averaged(lit: tuple[Made, Made, NDArray[np.float64], NDArray[np.float64]]) -> None:
    """What is left beside the mean of what the frames show is noise as NOISE says; hardly anything is rejected."""
    made, _, truth, _ = lit
    aurora = np.zeros(SHAPE, bool)
    aurora[32:192, 48:240] = True
    assert made.rejected[aurora].mean() < 0.06 * FRAMES
    assert made.figures["restless_share"] > 0.1
    assert any("changed between frames" in note for note in made.figures["noise_notes"])
    error = made.picture[1] - truth
    # the aurora adds 150 ADU here
    assert abs(np.median(error[aurora])) < 2.0
    means = error[32:192, 48:240].reshape(10, 16, 12, 16).mean(axis=(1, 3))
    # means over 16 x 16 px: matching is by surfaces and may leave slopes, no patches
    assert np.std(np.diff(means, axis=1)) / np.sqrt(2) < 1.5 * np.median(made.noise[1][aurora]) / 16
    quiet = np.s_[230:300, 260:430]
    photons = np.sqrt(np.mean(truth[aurora]) / np.mean(truth[quiet]))
    assert np.std(error[aurora]) < 1.35 * np.std(error[quiet]) * photons


def test_a_sky_that_changes_in_red_alone_is_averaged(tmp_path: Path) -> None:
    """Rays as an aurora's above its green: of the mean of what the frames show in red nothing is lost, and hardly a
    value is rejected."""
    geometry = drifting(FRAMES, SHAPE, (0.9, -0.6))
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    red = np.zeros(SHAPE)
    red[::2, ::2] = 1
    extras = {name: red * curtain(k, x, y) for k, name in enumerate(geometry.frames)}
    write_scene(tmp_path, np.random.default_rng(3), CAMERA, geometry, extras=extras)
    made = Made(tmp_path, geometry, CAMERA, threads=2)
    truth = sky_truth(geometry, CAMERA)[0]
    for k, name in enumerate(geometry.frames):
        weight = made.figures["frames"][name]["weight"]
        truth = truth + weight * curtain(k, *geometry.from_reference(name, x, y)) / CAMERA.gain / FRAMES
    aurora = np.s_[32:192, 48:240]
    assert made.figures["restless_share"] > 0.1
    assert made.rejected[aurora].mean() < 0.06 * FRAMES
    assert abs(np.median((made.picture[0] - truth)[aurora])) < 2.0


def test_a_strip_of_land_that_smears_is_not_called_aurora(tmp_path: Path) -> None:
    """Land along the picture's lower edge that was not told for ground: the page says that frames differ there, and no
    more."""
    shape = (448, 448)
    geometry = drifting(FRAMES, shape, (5.0, -1.0))
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    ridge = 900 * np.clip((y - 425) / 4, 0, 1) * np.exp(-(((x - 200) / 40) ** 2))
    light = dict.fromkeys(geometry.frames, ridge)
    write_scene(tmp_path, np.random.default_rng(3), CAMERA, geometry, extras=light)
    made = Made(tmp_path, geometry, CAMERA, threads=2)
    assert made.figures["restless_share"] > 0.01
    (note,) = [note for note in made.figures["noise_notes"] if "is averaged there" in note]
    assert "all of it along the edge: a strip of land too low to be told" in note
    assert "aurora" not in note


@pytest.mark.parametrize("before", [[], cut(SHAPE, 128)], ids=["margins", "told before"])
def test_tiles_cut_where_the_sky_changes_change_no_byte(
    lit: tuple[Made, Made, NDArray[np.float64], NDArray[np.float64]],
    monkeypatch: pytest.MonkeyPatch,
    before: list[Window],
) -> None:
    """Tiles of any size make the same file, whether each tells its blocks of changing sky or all were told before."""
    large = lit[0]
    expected, cuts = large.path.read_bytes(), []

    def watched(*arguments: Any) -> Cut:
        cuts.append(cut_picture(*arguments))
        return Cut(cut(SHAPE, 64), before)

    monkeypatch.setattr(combine, "cut_picture", watched)
    small = Made(large.path.parent, drifting(FRAMES, SHAPE, (0.9, -0.6)), CAMERA, threads=2)
    # of few frames one tile holds all
    assert [(len(one.tiles), one.before) for one in cuts] == [(1, [])]
    assert small.path.read_bytes() == expected


def restless_nodes(shape: tuple[int, int], part: tuple[slice, slice] = np.s_[:, :]) -> NDArray[np.float32]:
    """Nodes of the position grid of a picture that is restless in a part of its cells."""
    nodes = np.zeros((-(-shape[0] // 64) + 3, -(-shape[1] // 64) + 3), np.float32)
    nodes[1:-1, 1:-1][part] = 1
    return nodes


@pytest.mark.parametrize("shape", [(200, 1800), (72, 136), (8, 300), (64, 64)])
def test_tiles_are_cut_within_the_picture(shape: tuple[int, int]) -> None:
    """However narrow a picture's last tiles are, every pixel lies in one tile of those that a changing sky cuts."""
    times = np.zeros(shape, int)
    for w in cut_at_unrest(cut(shape, 128), restless_nodes(shape), shape, lambda margin: 64).tiles:
        assert max(w.height, w.width) <= 64
        assert times[w.top : w.top + w.height, w.left : w.left + w.width].shape == (w.height, w.width)
        times[w.top : w.top + w.height, w.left : w.left + w.width] += 1
    assert (times == 1).all()


def test_many_frames_have_their_changing_sky_told_before() -> None:
    """About tiles of 512 px settling reads 1.7 times as much, about tiles of 64 px 12 times, told before 3.3 times."""
    shape = (1200, 1800)
    part = np.s_[10:, 20:]
    restless = restless_nodes(shape, part)
    wide = cut_at_unrest(cut(shape, 512), restless, shape, lambda margin: 512)
    assert wide == Cut(cut(shape, 512), [])
    near = cut_at_unrest(cut(shape, 192), restless, shape, lambda margin: 192 if margin <= 16 else 64)
    assert near.tiles == cut(shape, 192)
    told = np.zeros(shape, bool)
    for w in near.before:
        told[w.top : w.top + w.height, w.left : w.left + w.width] = True
    assert 0.2 < told.mean() < 0.6  # a quarter of the picture changes
    for w in near.tiles:
        if is_unquiet(restless, w):
            assert told[max(w.top - 80, 0) : w.top + w.height + 80, max(w.left - 80, 0) : w.left + w.width + 80].all()

    def no_room(margin: int) -> int:
        if margin > 16:
            raise SceneError("too many frames")
        return 64

    assert cut_at_unrest(cut(shape, 64), restless, shape, no_room).before


def test_a_satellite_before_a_changing_sky(
    lit: tuple[Made, Made, NDArray[np.float64], NDArray[np.float64]],
) -> None:
    """A streak of eleven standard deviations goes where the sky changes, too: a fifth of its light stays at most."""
    without, with_it, _, off = lit
    core = np.zeros(SHAPE, bool)
    core[110:185, 60:240] = np.abs(off[110:185, 60:240]) < 1
    left = float(np.mean((with_it.picture[1] - without.picture[1])[core]))
    assert left < 0.2 * 300 / CAMERA.gain / FRAMES, left


def settled(
    values: NDArray[np.float32],
    codes: NDArray[np.uint8],
    weights: NDArray[np.float32],
    restless: NDArray[np.float32],
    never: NDArray[np.bool_],
    scatter: NDArray[np.float32],
) -> None:
    """`settle` of a whole picture by its own blocks."""
    blocks = no_blocks(values.shape[1], len(values), never.shape)
    tell_blocks(values, codes, weights, never, blocks.off, blocks.number)
    even_blocks(blocks.off, weights, blocks.number)
    settle(values, codes, weights, blocks.off, (0, 0), restless, (0, 0), never, scatter)


def test_settling_leaves_the_mean_and_takes_broad_differences_off() -> None:
    """Frames that differ by slopes become alike, their mean stays; where the sky is quiet nothing is touched."""
    rng = np.random.default_rng(1)
    n, size = 6, 128
    y, x = np.mgrid[0:size, 0:size]
    slopes = np.linspace(-1, 1, n)[:, None, None] * (x + y)
    values = (slopes + rng.normal(0, 1, (n, size, size)))[:, None].astype(np.float32)
    before = values.copy()
    codes = np.zeros((n, size, size), np.uint8)
    weights = np.ones(n, np.float32)
    restless = np.zeros((6, 6), np.float32)
    restless[:3] = 1
    scatter = np.empty((1, size, size), np.float32)
    settled(values, codes, weights, restless, np.zeros((size, size), bool), scatter)
    np.testing.assert_allclose(values.mean(axis=0), before.mean(axis=0), atol=1e-3)
    inside = restless_pixels(restless, (0, 0), (size, size))
    np.testing.assert_array_equal(values[:, 0][:, ~inside], before[:, 0][:, ~inside])
    assert (scatter[0][~inside] == 0).all()
    assert scatter[0, 8:56, 8:-8].mean() == pytest.approx(1, abs=0.25)  # chi-squared's median is 0.87 of its mean
    wholly = np.s_[:, 0, 8:56, 8:-8]
    assert np.std(before[wholly] - before[wholly].mean(axis=0)) > 50
    assert np.std(values[wholly] - values[wholly].mean(axis=0)) < 1.1


def test_settling_carries_the_mean_to_where_frames_show_land() -> None:
    """Frames that brighten one after the other before a skyline that sinks: where the last ones alone show sky, and on
    their way there, the level stays that of all (common practice: two-way tables with missing cells by least squares).

    A plain mean of those that show it would be off by 60 of 200 ADU.
    """
    rng = np.random.default_rng(4)
    n, size, noise = 12, 160, 5.0
    y, x = np.mgrid[0:size, 0:size]
    differences = np.linspace(-60, 60, n)[:, None, None] * (1 + 0.2 * np.sin(x / 25))
    values = (200 + differences + rng.normal(0, noise, (n, size, size)))[:, None].astype(np.float32)
    # twelve rows in which ever fewer frames show sky, and land below that shows another light in every frame
    skyline = 98 + np.arange(n)[:, None, None] + 5 * np.sin(x / 30)
    land = y >= skyline
    never = land.all(axis=0)
    values[:, 0][land] = rng.uniform(0, 400, np.count_nonzero(land))
    codes = np.where(land & ~never, NOT_COVERED, 0).astype(np.uint8)
    restless = np.ones((7, 7), np.float32)
    scatter = np.empty((1, size, size), np.float32)
    before = np.where(land, np.nan, values[:, 0])
    settled(values, codes, np.ones(n, np.float32), restless, never, scatter)
    few = land.any(axis=0) & ~never
    after = np.where(land, np.nan, values[:, 0])
    off = {"plain": np.nanmean(before[:, few], axis=0) - 200, "settled": np.nanmean(after[:, few], axis=0) - 200}
    last = land[:-3].all(axis=0)[few]
    assert np.median(off["plain"][last]) > 45
    assert abs(np.median(off["settled"][last])) < 2, np.median(off["settled"][last])
    expected = noise / np.sqrt((~land).sum(axis=0)[few])
    assert np.std(off["settled"] / expected) < 1.3
    # what is told of the scatter is the sky's, not the land's
    assert np.median(scatter[0][few]) < 2 * noise**2


def test_fewer_frames_do_not_calm_the_sky() -> None:
    """Where the half of the frames that show sky beside land are quiet it is as restless as where all show it."""
    restless = np.array([[1.0, 1.0, 0.2], [0.0, np.nan, 0.2], [np.nan, np.nan, 0.2]])
    shown = np.array([[20, 20, 20], [11, 6, 20], [3, 3, 20]])
    np.testing.assert_array_equal(carried(restless, shown), [[1.0, 1.0, 0.2]] * 3)


def test_restlessness_needs_more_than_one_frame() -> None:
    """A lamp in one frame is no restless sky, changes in many are; too few frames tell nothing."""
    left, noise = np.zeros((8, 4)), np.full(8, 10.0)
    left[3, 1] = 500.0
    left[:, 2] = 30 * np.arange(8)
    left[2:, 3] = np.nan
    np.testing.assert_array_equal(restlessness(left, noise), [0, 0, 1, np.nan])
