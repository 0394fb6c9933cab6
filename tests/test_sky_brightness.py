"""Sky brightness and the camera's gain, told from rendered frames whose every photon is known."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from example_project.maker import Fault, make_scenario
from example_project.maker.sky import unrefract
from pipeline.config import GradeSettings
from pipeline.grade import Gain
from pipeline.pages.haze import hazy_scenes
from pipeline.plan import PlannedFrame
from pipeline.scene.skyzero import _in_focus, dark_adu
from pipeline.sensor.mosaic import MosaicHeader
from pipeline.sky.brightness import Frame, sky_zero
from pipeline.sky.camera import Camera
from pipeline.sky.geometry import Geometry, Placement
from tests.starfields import grade_mosaic

WIDTH, HEIGHT = 1080, 720


@pytest.fixture(scope="module")
def rendered():
    """Two frames at 24 mm over 60 degrees of altitude, graded, with their exact geometry."""
    scenario = make_scenario(
        24.0, width=WIDTH, height=HEIGHT, n=2, mount="tracked", exposure_s=60.0, altitude_deg=42.0, ideal_lens=True,
    )  # fmt: skip
    frames, stars, gain, placed = list(scenario.frames()), [], Gain(), {}
    for n, frame in enumerate(frames):
        sensor = scenario.sensor
        header = MosaicHeader(f"f{n}", sensor.cfa, sensor.black, float(sensor.saturation), exposure_s=60.0)
        stars.append(grade_mosaic(frame.mosaic, header, GradeSettings())[1])
        gain.see(frame.mosaic, header)
        geometry = frame.truth.geometry
        placed[f"f{n}"] = Placement(np.array(geometry.quaternion), zenith=geometry.zenith)
    optics = scenario.optics
    camera = Camera(optics.focal_px, *optics.centre, (0.0, 0.0, 0.0), (0.0, 0.0), WIDTH, HEIGHT)
    air, velocity = frames[0].truth.geometry.air, frames[0].truth.geometry.velocity
    geometry = Geometry("f0", True, camera, placed, strength=air, velocity=velocity)
    return scenario, frames, stars, next(iter(gain.electrons_per_adu().values())), geometry


def test_gain_of_consecutive_frames(rendered):
    """The photon transfer between two frames gives the electrons per ADU that the sensor was made with (1.2)."""
    assert rendered[3] == pytest.approx(rendered[0].sensor.gain, rel=0.06)


def test_sky_brightness_of_a_rendered_sky(rendered):
    """The sky is told to 0.2 mag per square arcsecond, extinction to 0.04 an airmass, where the zenith is known.

    The stars that tell are hotter than the planted sky (5,200 K): in green that makes the sky look 0.15 mag fainter.
    """
    scenario, frames, stars, _, geometry = rendered
    dark = scenario.sensor.dark_current * 2 ** ((12 - 20) / 6) * 60 / scenario.sensor.gain
    some = [Frame(f"f{n}", stars[n], 60.0, 2000.0, dark, frames[n].truth.geometry.zenith) for n in range(2)]
    told = sky_zero(some, geometry)
    assert told is not None
    assert told.stars > 200
    planted = []
    for frame, found in zip(frames, stars, strict=True):
        exact = frame.truth.geometry
        seen = scenario.optics.unproject(found["x"], found["y"]) @ exact.attitude
        horizontal = seen @ scenario.turning.horizon(frame.truth.figures["middle_s"]).T
        light = scenario.glow.radiance(horizontal, unrefract(seen, exact.zenith, exact.air))[:, 1]
        planted.append(scenario.glow.zenith_mag - 2.5 * np.log10(light))
    assert told.magnitude - 2.5 * np.log10(2000.0 / 60) == pytest.approx(np.median(np.concatenate(planted)), abs=0.2)
    assert told.measured
    assert told.extinction == pytest.approx(0.17, abs=0.04)  # EXTINCTION["G"] of the maker
    # where nothing tells of the zenith the error is that of the airmass
    blind = sky_zero([replace(f, zenith=None) for f in some], geometry)
    assert blind is not None
    assert not blind.measured
    assert blind.magnitude == pytest.approx(told.magnitude, abs=0.2)


def test_too_few_stars_tell_nothing(rendered):
    """Of a handful of stars no brightness is told."""
    _, _, stars, _, geometry = rendered
    assert sky_zero([Frame("f0", stars[0][:10], 60.0, 500.0)], geometry) is None
    assert sky_zero([], geometry) is None


def test_the_dark_of_a_frame_set_aside_is_the_scenes():
    """A frame's dark level goes by its own factor; one that was given none has the scene's median, not nothing."""
    rows = [{"frame": "a", "dark_scale": 1.0}, {"frame": "b", "dark_scale": 1.2}, {"frame": "c", "dark_scale": None}]
    calibration = SimpleNamespace(rows=rows, meta={})
    record = SimpleNamespace(master={"DLEVEL": 10.0}, bias={}, calibration=calibration)
    assert [dark_adu(record, name) for name in "abcd"] == pytest.approx([10.0, 12.0, 11.0, 11.0])
    assert dark_adu(SimpleNamespace(master={}, bias={}, calibration=calibration), "a") == 0.0


def test_a_pedestal_in_bias_and_dark_is_not_scaled():
    """Where no file states a black level: the bias's 500 ADU, 10 of dark signal above them times the factor, and the
    frame's drift (elementary); a bias alone takes its level off; of a frame whose camera did, nothing is."""
    rows = [
        {"frame": "a", "dark_scale": 0.5, "dark_offset": 0.0}, {"frame": "b", "dark_scale": 2.0, "dark_offset": 3.0},
        {"frame": "c", "dark_scale": 0.0, "dark_offset": 0.0},
    ]  # fmt: skip
    record = SimpleNamespace(
        master={"DLEVEL": 510.0}, bias={"DLEVEL": 500.0}, calibration=SimpleNamespace(rows=rows, meta={})
    )
    assert [dark_adu(record, name) for name in "abc"] == pytest.approx([505.0, 523.0, 0.0])
    alone = [{"frame": "a", "dark_scale": None, "dark_offset": None}]
    record = SimpleNamespace(master={}, bias={"DLEVEL": 500.0}, calibration=SimpleNamespace(rows=alone, meta={}))
    assert dark_adu(record, "a") == 500.0


@pytest.mark.parametrize(("altitude", "azimuth"), [(42.0, 90.0), (60.0, 240.0)])
def test_a_whole_night_of_haze_shows_against_another(rendered, altitude, azimuth):
    """Stars of another field, night and height, behind a haze that leaves 0.75 of the light: 0.312 mag fainter."""
    _, frames, stars, _, geometry = rendered
    clear = sky_zero([Frame("f0", stars[0], 60.0, 2000.0, 0.0, frames[0].truth.geometry.zenith)], geometry)
    zeros = []
    for fault in ({}, {0: Fault("haze", 0.25)}):
        scenario = make_scenario(
            24.0, width=WIDTH, height=HEIGHT, n=1, mount="tracked", exposure_s=60.0, altitude_deg=altitude,
            azimuth_deg=azimuth, ideal_lens=True, faults=fault,
        )  # fmt: skip
        frame, sensor = scenario.render(0), scenario.sensor
        header = MosaicHeader("f0", sensor.cfa, sensor.black, float(sensor.saturation), exposure_s=60.0)
        found, exact = grade_mosaic(frame.mosaic, header, GradeSettings())[1], frame.truth.geometry
        placed = {"f0": Placement(np.array(exact.quaternion), zenith=exact.zenith)}
        there = replace(geometry, frames=placed, strength=exact.air, velocity=exact.velocity)
        zeros.append(sky_zero([Frame("f0", found, 60.0, 2000.0, 0.0, exact.zenith)], there))
    same = [{"sky_zero": {"star_zero": z.star_zero, "star_zero_error": z.star_zero_error, "zenith": True,
                          "taken_with": ["camera", 24.0, 2.8, 1600]}} for z in (clear, *zeros)]  # fmt: skip
    assert hazy_scenes({"first": same[0], "second": same[1]}) == []
    told = hazy_scenes({"first": same[0], "second": same[2]})
    assert [scene["scene"] for scene in told] == ["second"]
    assert told[0]["fainter_mag"] == pytest.approx(-2.5 * np.log10(0.75), abs=0.06)
    assert f"{told[0]['fainter_mag']:.2f} ± 0.0" in told[0]["sentence"]
    # taken with another lens it says nothing
    same[2]["sky_zero"]["taken_with"][1] = 35.0
    assert hazy_scenes({"first": same[0], "second": same[2]}) == []


def test_soft_stars_do_not_say_how_clear_a_night_was():
    """A scene all out of focus, whose stars come out 0.17 mag too bright, makes no haze of a sharp one; nor are a
    scene's soft frames among those that tell, though they read clearest."""
    zero = {"star_zero_error": 0.01, "zenith": True, "taken_with": ["camera", 24.0, 2.8, 1600]}
    scenes = {
        "soft": {"sky_zero": {**zero, "star_zero": 20.17}, "fwhm_px_frames": 4.8, "motion_px": 0.0},
        "sharp": {"sky_zero": {**zero, "star_zero": 20.0}, "fwhm_px_frames": 2.4, "motion_px": 0.0},
    }
    assert hazy_scenes(scenes) == []
    scenes["soft"]["fwhm_px_frames"] = 2.6
    assert [told["scene"] for told in hazy_scenes(scenes)] == ["sharp"]
    frames = [PlannedFrame(name, f"{name}.dng", f"{name}.dng", "light") for name in "abc"]
    rows = {"a": {"width_px": 2.5}, "b": {"width_px": 5.6}, "c": {"width_px": None}}
    assert [f.id for f in _in_focus(frames, rows)] == ["a", "c"]
