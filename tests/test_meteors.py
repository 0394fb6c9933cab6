"""Meteors that stay in the picture: where they lie, how bright they are, and what NOISE and COVERAGE say of them."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage
from scipy.special import erf

from pipeline.combine import _meteors
from pipeline.config import CombineSettings
from pipeline.pixels.resample import NOT_COVERED
from pipeline.pixels.rings import MARGIN
from pipeline.stack.bands import Band
from pipeline.stack.meteors import lay_over, light_of, meteors_of, share_of, strip_of, without_strays
from pipeline.stack.passes import passes_of
from tests.planted_scenes import Camera, drifting, random_stars, write_scene
from tests.test_combine import Made, inputs_of

SHAPE = (256, 384)
ENDS = (90.0, 60.0, 250.0, 150.0)
WIDTH = 3.0
LIGHT = 900.0  # electrons a px of its length
FAINT = 250.0


def streak(shape, ends, light, fwhm=WIDTH):
    """Light of a line of even brightness, electrons a pixel."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]].astype(float)
    x1, y1, x2, y2 = ends
    length = np.hypot(x2 - x1, y2 - y1)
    along = ((x - x1) * (x2 - x1) + (y - y1) * (y2 - y1)) / length
    across = ((y - y1) * (x2 - x1) - (x - x1) * (y2 - y1)) / length
    sigma = fwhm / 2.3548
    inside = 0.5 * (erf(along / sigma / np.sqrt(2)) - erf((along - length) / sigma / np.sqrt(2)))
    return light * inside * np.exp(-(across**2) / 2 / sigma**2) / sigma / np.sqrt(2 * np.pi), along, across


def light_beside(xs, ys):
    """The streak's light at places of its frame, electrons a pixel (`streak`)."""
    light, _, _ = streak(SHAPE, ENDS, LIGHT)
    return ndimage.map_coordinates(light, [ys, xs], order=1, mode="nearest")


def planted(folder, seed, geometry, light):
    """Files of a scene with a meteor in its third frame; the meteor as it is told, its frame, the camera."""
    camera, frame = Camera(slope=0.2), list(geometry.frames)[2]
    rng = np.random.default_rng(seed)
    write_scene(folder, rng, camera, geometry, random_stars(rng, 40, SHAPE), {frame: streak(SHAPE, ENDS, light)[0]})
    told = {frame: [{"kind": "meteor", "x1": 90, "y1": 60, "x2": 250, "y2": 150, "width_px": WIDTH}]}
    return told, frame, camera


def along_and_across(geometry, frame):
    """Places of the result's pixels in the frame, along the meteor and across it, px; its length."""
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    xs, ys = geometry.from_reference(frame, x, y)
    length = np.hypot(ENDS[2] - ENDS[0], ENDS[3] - ENDS[1])
    ux, uy = (ENDS[2] - ENDS[0]) / length, (ENDS[3] - ENDS[1]) / length
    along, across = (xs - ENDS[0]) * ux + (ys - ENDS[1]) * uy, (ys - ENDS[1]) * ux - (xs - ENDS[0]) * uy
    return xs, ys, along, across, length


@pytest.fixture(scope="module")
def pictures(tmp_path_factory):
    """A scene of eight frames with a meteor in one, combined with it rejected and with it kept; its geometry."""
    folder, geometry = tmp_path_factory.mktemp("meteor"), drifting(8, SHAPE, (2.3, -1.1), 0.002)
    told, frame, camera = planted(folder, 3, geometry, LIGHT)
    meteors = meteors_of(inputs_of(folder, geometry, camera, None).frames, told, frozenset(), True)
    without = Made(folder, geometry, camera, threads=1)
    return without, Made(folder, geometry, camera, threads=1, meteors=meteors), geometry, camera, frame, meteors[0]


@pytest.mark.parametrize("side", [64, 128])
def test_a_meteor_is_the_same_however_tiles_are_cut(pictures, monkeypatch, tmp_path, side):
    """Small tiles and two threads make the picture, its noise and its coverage to the last bit."""
    _, made, geometry, camera, _, band = pictures
    for file in made.path.parent.glob("*.fits"):
        (tmp_path / file.name).symlink_to(file)
    (tmp_path / made.path.name).unlink()
    monkeypatch.setattr("pipeline.stack.whole.side_of_tiles", lambda *_: side)
    again = Made(tmp_path, geometry, camera, threads=2, meteors=[band])
    assert again.figures == made.figures
    for name in ("picture", "noise", "coverage", "rejected"):
        np.testing.assert_array_equal(getattr(again, name), getattr(made, name))


def test_a_meteor_is_as_bright_as_in_its_frame_and_in_its_place(pictures):
    """Its light above the sky is the planted light to 4 % in every colour, its middle where it belongs to 0.3 px."""
    without, made, geometry, camera, frame, band = pictures
    xs, ys, along, across, length = along_and_across(geometry, frame)
    part = (along > 10) & (along < length - 10) & (np.abs(across) < 8)
    added = made.picture - without.picture
    for plane in added:
        total = plane[part].sum() * camera.gain / (length - 20)
        assert total == pytest.approx(LIGHT, rel=0.04)
        assert abs((plane[part] * across[part]).sum() / plane[part].sum()) < 0.3
    # nothing else has changed but by the dark rings that are filled beside what is bright
    apart = np.hypot(np.maximum(np.abs(across) - 8, 0), np.maximum(np.maximum(-20 - along, along - length - 20), 0))
    assert not added[:, apart > 2 * MARGIN].any()
    share = share_of(band, xs, ys)
    assert not added[:, ndimage.maximum_filter(share, 2 * MARGIN + 1) == 0].any()
    assert (added[:, share == 0] != 0).mean() < 0.01


def test_noise_and_coverage_say_that_it_is_one_frames(pictures):
    """On it COVERAGE is 1 and NOISE that of one frame with the streak's own light; off it all is as before."""
    without, made, geometry, _, frame, band = pictures
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    xs, ys = geometry.from_reference(frame, x, y)
    share = share_of(band, xs, ys)
    whole = without.coverage == 8
    core, off = (light_beside(xs, ys) > 100) & whole, share == 0
    assert core.sum() > 500
    assert (made.coverage[core] == 1).mean() > 0.98
    assert made.coverage[core].max() <= 2
    assert (made.rejected[core] == 0).all()
    np.testing.assert_array_equal(made.coverage[off], without.coverage[off])
    np.testing.assert_array_equal(made.noise[:, off], without.noise[:, off])
    # beside it, where the frame shows nothing but its noise, the picture stays as it was
    rim = (share > 0.1) & (light_beside(xs, ys) < 0.5) & whole
    assert rim.sum() > 100
    changed = np.abs(made.picture - without.picture)[:, rim] / without.noise[:, rim]
    assert np.median(changed) < 0.3
    assert np.median(made.noise[:, rim] / without.noise[:, rim]) == pytest.approx(1, abs=0.1)


@pytest.fixture(scope="module")
def faint(tmp_path_factory):
    """Sixteen frames with a meteor whose peak is some three times the noise of a pixel; as `pictures`."""
    folder, geometry = tmp_path_factory.mktemp("faint"), drifting(16, SHAPE, (1.3, -0.6), 0.001)
    told, frame, camera = planted(folder, 5, geometry, FAINT)
    inputs = inputs_of(folder, geometry, camera, None)
    meteors = meteors_of(inputs.frames, told, frozenset(), True)
    none = Made(folder, geometry, camera, threads=1, passes=passes_of(inputs.frames, told, ()))
    return none, Made(folder, geometry, camera, threads=1, meteors=meteors), geometry, camera, frame, meteors[0]


def test_a_faint_meteor_is_a_line_of_light_and_no_strip_of_noise(faint):
    """Its planted light is kept to 10 %; nowhere is the picture darker for it by more than its own noise (where the
    frame without it counted less), and at the flanks, where nothing but noise is, it stays (common practice)."""
    without, made, geometry, camera, frame, band = faint
    xs, ys, along, across, length = along_and_across(geometry, frame)
    part = (along > 10) & (along < length - 10) & (np.abs(across) < 8)
    added = made.picture - without.picture
    rim = part & (np.abs(across) > 3.5) & (share_of(band, xs, ys) > 0)
    assert rim.sum() > 100
    for plane, noise in zip(added, without.noise, strict=True):
        assert plane[part].sum() * camera.gain / (length - 20) == pytest.approx(FAINT, rel=0.1)
        assert (plane[part] / noise[part]).min() > -1.5
        assert np.std(plane[rim] / noise[rim]) < 0.3


FLICKERING = [(71, 84), (63, 102), (112, 171), (105, 180), (138, 232), (57, 80)]  # row, column; within the band


@pytest.mark.parametrize("cfa", ["RGGB", "MONO"])
def test_pixels_that_flicker_beside_it_are_not_laid_back(tmp_path, cfa):
    """Single pixels full of charge in its frame alone leave neither a dot nor a ring; the meteor stays as it was."""
    camera, geometry = Camera(slope=0.2, cfa=cfa), drifting(8, SHAPE, (2.3, -1.1), 0.002)
    frame = list(geometry.frames)[2]
    light, _, _ = streak(SHAPE, ENDS, LIGHT)
    told = {frame: [{"kind": "meteor", "x1": 90, "y1": 60, "x2": 250, "y2": 150, "width_px": WIDTH}]}
    pictures = []
    for name, charge in (("sound", 0.0), ("flickering", 1500.0)):
        rng = np.random.default_rng(3)
        extra = light.copy()
        for place in FLICKERING:
            extra[place] += charge
        (tmp_path / name).mkdir()
        write_scene(tmp_path / name, rng, camera, geometry, random_stars(rng, 40, SHAPE), {frame: extra})
        inputs = inputs_of(tmp_path / name, geometry, camera, None)
        meteors = meteors_of(inputs.frames, told, frozenset(), True)
        if not charge:
            # nor is anything of the meteor, of stars and of noise taken for one
            assert without_strays(inputs, meteors) is inputs
        pictures.append(Made(tmp_path / name, geometry, camera, threads=1, meteors=meteors))
    sound, made = pictures
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]].astype(float)
    xs, ys = geometry.from_reference(frame, x, y)
    near = np.zeros(SHAPE, bool)
    for row, column in FLICKERING:
        near |= np.hypot(ys - row, xs - column) < 4
    # noise of one frame where a pixel is another's mean
    assert np.abs(made.picture - sound.picture)[:, near].max() < 7 * np.median(sound.noise[:, near])


def test_a_frame_that_is_named_for_its_meteor_keeps_its_streak(caplog):
    """By its file's name, a pattern of it or its id, whatever grading took it for; one without a streak is told of."""
    line = {"x1": 90, "y1": 60, "x2": 250, "y2": 150, "width_px": WIDTH}
    ids = ["20260814T220000-a", "20260814T220100-b", "20260814T220200-c"]
    files = [SimpleNamespace(id=name, file=f"n/{k}.dng", shown=f"n/{k}.dng") for k, name in enumerate(ids)]
    plan, inputs = SimpleNamespace(scene="s", frames=files), SimpleNamespace(frames=files)
    streaks = {ids[0]: [{"kind": "satellite", **line}], ids[1]: [{"kind": "meteor", **line}]}

    def kept(**settings):
        caplog.clear()
        return [band.number for band in _meteors(plan, inputs, streaks, CombineSettings(**settings))]

    assert kept() == []
    assert kept(meteors="keep") == [1]
    assert kept(meteor_frames=["0.dng"]) == kept(meteor_frames=[ids[0]]) == [0]
    assert not caplog.messages
    assert kept(meteor_frames=["*.dng"]) == [0, 1]
    assert caplog.messages == ["s: combine.meteor_frames names n/2.dng, of which no streak is kept"]


def test_land_hides_a_meteor():
    """Where its frame shows no sky nothing is laid over the picture."""

    shape = (20, 30)
    picture, noise = np.ones((1, *shape), np.float32), np.ones((1, *shape), np.float32)
    coverage, rejected = np.full(shape, 5, np.uint16), np.zeros(shape, np.uint16)
    codes = np.zeros(shape, np.uint8)
    codes[10:] = NOT_COVERED
    values = np.ones((1, *shape), np.float32)
    values[0, :, 13:18] = 9
    places = tuple(np.mgrid[0:20, 0:30][::-1].astype(np.float32))
    meteor = Band(0, (15.0, 0.0, 15.0, 19.0), 2.0)
    variance = np.full_like(values, 0.04)
    star_scatter = np.zeros(1, np.float32)
    light = light_of(meteor, [strip_of(meteor, places, values, codes, variance, picture, star_scatter)], 1)
    lay_over(meteor, light, places, values, codes, variance, picture, noise, coverage, rejected)
    assert picture[0, 5, 15] == pytest.approx(9, rel=0.01)
    assert coverage[5, 15] == 1
    assert noise[0, 5, 15] == pytest.approx(0.2, rel=0.01)
    assert (picture[0, 10:] == 1).all()
    assert (coverage[10:] == 5).all()


def test_which_streaks_stay():
    """Those told for meteors where asked; of a frame named by hand also what could not be told, or else what was taken
    for a satellite; no aircraft."""

    class Named:
        def __init__(self, name):
            self.id = name

    frames = [Named("a"), Named("b"), Named("c")]
    ends = {"x1": 0, "y1": 0, "x2": 9, "y2": 0, "width_px": 2.0}
    satellite = {"kind": "satellite", **ends}
    streaks = {
        "a": [{"kind": "meteor", **ends}, {"kind": "unknown", **ends}, satellite],
        "b": [{"kind": "aircraft", **ends}],
        "c": [satellite, {"kind": "aircraft", **ends}],
    }
    assert [m.number for m in meteors_of(frames, streaks, frozenset(), True)] == [0]
    assert len(meteors_of(frames, streaks, frozenset({"a"}), False)) == 2
    assert not meteors_of(frames, streaks, frozenset({"b"}), False)
    assert [m.number for m in meteors_of(frames, streaks, frozenset({"c"}), True)] == [0, 2]
