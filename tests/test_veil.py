"""Trees before the sky are told from clouds by stars that stand side by side; the lights are planted."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.judging.veil import veiled

WIDTH, HEIGHT, STARS, FRAMES = 1500.0, 1000.0, 600, 20
SPACING = float(np.sqrt(WIDTH * HEIGHT / STARS))


def sky(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Where stars stand that cross the picture by 2 px a frame, and in which frame."""
    first = rng.uniform((-60, 0), (WIDTH, HEIGHT), (STARS, 2))
    places = np.concatenate([first + (2.0 * n, 0.3 * n) for n in range(FRAMES)])
    return places, np.repeat(np.arange(FRAMES), STARS)


def grid() -> np.ndarray:
    """Places at which trees are asked for."""
    x, y = np.meshgrid(np.arange(25, WIDTH, 50), np.arange(25, HEIGHT, 50))
    return np.column_stack([x.ravel(), y.ravel()])


def told(places: np.ndarray, frame: np.ndarray, light: np.ndarray) -> np.ndarray:
    """Where trees are told of lights with an error of a twentieth."""
    noisy = light * np.random.default_rng(9).normal(1, 0.05, len(light))
    return veiled(places, frame, noisy, np.full(len(light), 0.05), SPACING, grid())


def test_twigs_dim_one_star_and_not_the_next() -> None:
    """Bare trees over a quarter of the picture, through which three stars of five shine by a random share."""
    rng = np.random.default_rng(1)
    places, frame = sky(rng)
    behind = (places[:, 0] > 300) & (places[:, 0] < 900) & (places[:, 1] > 400)
    light = np.where(behind & (rng.random(len(places)) < 0.6), rng.uniform(0, 0.8, len(places)), 1.0)
    found, at = told(places, frame, light), grid()
    inside = (at[:, 0] > 350) & (at[:, 0] < 850) & (at[:, 1] > 450)
    outside = (at[:, 0] < 150) | (at[:, 0] > 1050) | (at[:, 1] < 250)
    assert found[inside].mean() > 0.95
    assert found[outside].mean() < 0.01


@pytest.mark.parametrize("moves", [0.0, 60.0], ids=["stands", "passes"])
@pytest.mark.parametrize("edge", [5.0, 150.0])
def test_clouds_are_no_trees(edge: float, moves: float) -> None:
    """A bank that takes nine tenths of the light of what stands below it, sharp or soft, at rest or passing."""
    places, frame = sky(np.random.default_rng(2))
    depth = (places[:, 1] - 600 + moves * frame - 0.2 * places[:, 0]) / edge
    assert not told(places, frame, 1 - 0.9 / (1 + np.exp(-depth))).any()


def test_broken_cloud_is_no_tree() -> None:
    """Patches of 100 px that are elsewhere in every frame differ as often everywhere."""
    rng = np.random.default_rng(3)
    places, frame = sky(rng)
    shift = rng.uniform(0, 1000, (FRAMES, 2))[frame]
    wave = np.sin((places[:, 0] + shift[:, 0]) / 32) * np.sin((places[:, 1] + shift[:, 1]) / 32)
    assert told(places, frame, np.where(wave > 0.3, 0.3, 1.0)).mean() < 0.02


def test_few_stars_tell_nothing() -> None:
    """Ten stars in three frames."""
    places, frame = np.random.default_rng(4).uniform(0, 500, (30, 2)), np.repeat(np.arange(3), 10)
    assert not veiled(places, frame, np.ones(30), np.full(30, 0.05), 150.0, grid()).any()
