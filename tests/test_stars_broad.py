"""Stars in light broader than they are: rays of an aurora, the glow about a town."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.config import JudgeSettings, Site
from pipeline.judge import judge_scene
from pipeline.stars.broad import CELLS, broad_light, packed, reaches
from pipeline.stars.measure import FrameStars, measure_frame
from tests.labelled import HEIGHT, WIDTH, Setting, make_scene
from tests.starfields import Field, mosaic, random_field, render

SHAPE = (600, 900)


def frame_under_rays(width: float) -> tuple[Field, FrameStars, NDArray[np.bool_], NDArray[np.float64]]:
    """Stars under slanting rays twice as bright as the sky (200 ADU), of Gaussian profile of this sigma (px).

    Returns the planted stars, what is found, which of the planted are, and the share of its flux that each shows.
    """
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    light = sum(400 * np.exp(-((columns - at - 0.2 * rows) ** 2) / 2 / width**2) for at in (100, 350, 600, 850))
    rng = np.random.default_rng(4)
    field = random_field(rng, SHAPE, 250, (2500, 40000))
    found = measure_frame(mosaic(rng, render(SHAPE, field, 2.4) + light), "RGGB", (512.0,) * 4, 16000)
    tree = cKDTree(np.column_stack([found.stars["x"], found.stars["y"]]))
    distance, nearest = tree.query(np.column_stack([field.x, field.y]))
    return field, found, distance < 1, found.stars["flux"][nearest] / field.flux


def test_stars_on_rays_are_found_and_measured():
    """No planted star is lost, on rays or between them (without following the rays 90 of 250 are), few are false, and
    their light is what was planted."""
    field, found, seen, ratio = frame_under_rays(30.0)
    assert seen.all()
    assert len(found.stars) < 1.03 * len(field.x)
    assert np.median(ratio) == pytest.approx(1, abs=0.01)
    assert np.quantile(np.abs(ratio - 1), 0.9) < 0.06
    assert not broad_light(found).any()


def test_where_rays_are_too_fine_to_be_followed_is_noted():
    """Stars are lost on rays of 24 px (FWHM), each of them where the frame's grade says that none can be found."""
    field, found, seen, _ = frame_under_rays(10.0)
    code = packed(broad_light(found))
    assert (~seen).sum() > 20
    assert reaches(code, field.x[~seen], field.y[~seen], SHAPE[1], SHAPE[0]).all()


def test_where_no_star_would_be_found_none_is_lost_to_cloud():
    """Two fifths of a frame's stars are missing: cloud, or fine rays, where such light is noted."""
    frames, scene = make_scene(Setting(35.0, True, 600, exposure_s=45, interval_s=49, frames=8), 6)
    cells = np.zeros(CELLS, bool)
    cells[:, :28] = True
    kept = frames[3].stars[frames[3].stars["x"] > 0.4 * WIDTH]
    for code, lost in (("", True), (packed(cells), False)):
        frames[3] = replace(frames[3], stars=kept, row={**frames[3].row, "broad_light": code})
        rows, _, _ = judge_scene(frames, scene, JudgeSettings(), Site())
        assert (rows[3]["reasons"] == "cloud") == lost


def test_cells_come_back_as_they_were_packed():
    """Also for a frame that is not a multiple of the cells."""
    cells = np.random.default_rng(2).random(CELLS) < 0.3
    y, x = (np.mgrid[0 : CELLS[0], 0 : CELLS[1]] + 0.5) * np.array([HEIGHT / CELLS[0], WIDTH / CELLS[1]])[:, None, None]
    assert (reaches(packed(cells), x.ravel() - 0.5, y.ravel() - 0.5, WIDTH, HEIGHT) == cells.ravel()).all()
    assert not reaches(packed(np.zeros(CELLS, bool)), x.ravel(), y.ravel(), WIDTH, HEIGHT).any()


def test_stars_that_run_together_with_a_little_land_are_noted():
    """Land that stands out over a fiftieth of a frame, too little for the sky to be followed into it, hides stars too:
    nine in ten of them where the frame's grade says that none can be found."""
    rng = np.random.default_rng(4)
    field = random_field(rng, SHAPE, 250, (2500, 40000))
    rows, columns = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]]
    land = 500 * np.exp(-(((rows - 500) / 16) ** 2 + ((columns - 450) / 70) ** 2) / 2) * (1 + np.sin(columns / 6))
    found = measure_frame(mosaic(rng, render(SHAPE, field, 2.4) + land), "RGGB", (512.0,) * 4, 16000)
    assert found.within is found.detections
    tree = cKDTree(np.column_stack([found.stars["x"], found.stars["y"]]))
    lost = tree.query(np.column_stack([field.x, field.y]))[0] > 1
    assert lost.any()
    assert reaches(packed(broad_light(found)), field.x[lost], field.y[lost], SHAPE[1], SHAPE[0]).mean() > 0.9
