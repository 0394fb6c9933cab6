"""What calibration leaves of the sensor on rendered frames: hot pixels, glow, factor's error, stars touched by repair.

    python -m tests.measured_darks --out /somewhere/with/1/GB

Lights of 20 s on a tripod and on a tracker, 16 darks of 30 s, 16 biases and, in the last column, neither; glow of a
frame's noise. Frames go through the step dark itself; nothing is asserted.
"""

from __future__ import annotations

import argparse
import shutil
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from example_project.maker import Scenario, make_scenario
from example_project.maker.sensor import Sensor, expose, fixed_maps
from pipeline.dark import main as dark
from pipeline.files import write_json
from pipeline.plan import DarkSet, PlannedFrame, ScenePlan
from pipeline.sensor.calibrate import calibrate, dark_signal
from pipeline.sensor.clipped import clipped
from pipeline.sensor.master import read_master
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.sensor.patternfile import read_dark_glow, read_pattern
from pipeline.tables import read_table, table_from_rows, write_table
from tests.test_without_darks import blocks

WIDTH, HEIGHT, LIGHTS, DARKS, DARK_S = 1200, 800, 10, 16, 30.0


def write_frames(folder: Path, s: Scenario) -> tuple[list[NDArray[np.uint16]], list[NDArray[np.float32]], list[float]]:
    """Lights, darks and biases as mosaics with their plans; the lights, their light in electrons, their factors."""
    rng = np.random.default_rng(s.seed)
    cold = s.temperature(s.count)
    kinds: dict[str, list[PlannedFrame]] = {"light": [], "dark": [], "bias": []}

    def add(kind: str, pixels: NDArray[np.uint16], exposure: float, temperature: float) -> None:
        name = f"{kind}{len(kinds[kind]):03d}"
        header = MosaicHeader(name, s.sensor.cfa, s.sensor.black, s.sensor.saturation, exposure, s.iso)
        write_mosaic(folder / "m" / f"{name}.fits", pixels, header)
        taken = s.start + timedelta(seconds=len(kinds[kind]) * s.interval_s)
        kinds[kind].append(
            PlannedFrame(name, name, name, kind, taken.isoformat(), exposure_s=exposure, temperature_c=temperature)
        )

    lights, truths, factors = [], [], []
    for index in range(s.count):
        truths.append(s.light(index)[0])
        lights.append(s.render(index).mosaic)
        add("light", lights[-1], s.exposure_s, s.temperature(index))
        factors.append(s.exposure_s / DARK_S * 2 ** ((s.temperature(index) - cold) / 6.0))
    for _ in range(DARKS):
        add("dark", expose(None, s.sensor, DARK_S, cold, rng), DARK_S, cold)
        add("bias", expose(None, s.sensor, 1e-4, cold, rng), 1e-4, cold)
    for kind in ("dark", "bias"):
        write_json(folder / f"{kind}.json", asdict(DarkSet(kind, kind, ("m",), tuple(kinds[kind]))))
    write_json(folder / "scene.json", asdict(ScenePlan("scene", ("m",), tuple(kinds["light"]), dark_set="dark")))
    moved = 0.0 if s.mount.kind != "tripod" else 10.0
    rows = [{"frame": f.id, "verdict": "kept", "motion_expected_px": moved} for f in kinds["light"]]
    columns = {"frame": (str, None), "verdict": (str, None), "motion_expected_px": (float, None)}
    write_table(table_from_rows(rows, columns), folder / "verdicts.ecsv")
    return lights, truths, factors


def run(folder: Path, *masters: str) -> None:
    """The step on the scene."""
    given = ["--scene", str(folder / "scene.json"), "--verdicts", str(folder / "verdicts.ecsv")]
    given += ["--mosaics", str(folder / "m"), *masters]
    given += ["--out", str(folder / "calibration.ecsv"), "--defects", str(folder / "defects.fits")]
    assert dark(["scene", *given]) == 0


def measure(folder: Path, mount: str, fwhm: float) -> str:
    """One line of the table."""
    sensor = Sensor(WIDTH, HEIGHT, glow_e=6.0)
    s = make_scenario(
        width=WIDTH, height=HEIGHT, n=LIGHTS, mount=mount, fwhm_px=fwhm, exposure_s=20.0, interval_s=90.0,
        sensor=sensor, stars_max=4000, ideal_lens=True,
    )  # fmt: skip
    lights, truths, factors = write_frames(folder, s)
    for kind in ("dark", "bias"):
        made = ["--set", str(folder / f"{kind}.json"), "--mosaics", str(folder / "m")]
        assert dark(["master", *made, "--out", str(folder / f"{kind}.fits")]) == 0
    run(folder, "--master", str(folder / "dark.fits"), "--bias", str(folder / "bias.fits"))
    maps = fixed_maps(sensor)
    table, flags = read_table(folder / "calibration.ecsv"), fits.getdata(folder / "defects.fits")
    master, bias = read_master(folder / "dark.fits"), read_master(folder / "bias.fits")
    thermal, hot, left = master.mean - bias.mean, 0, []
    noises = []
    of_glow = read_dark_glow(folder / "defects.fits", flags.shape)
    for n, pixels in enumerate(lights):
        k = float(table["dark_scale"][n])
        glows = None if of_glow is None else float(table["glow_scale"][n])
        taken, factor = dark_signal(
            thermal, bias.mean, k, glow=None if of_glow is None else of_glow[0], glow_scale=glows
        )
        values = calibrate(pixels, sensor.black, taken, factor, 0.0, flags, sensor.cfa)
        truth = truths[n] * maps.sensitivity / sensor.gain
        rise = maps.dark * s.exposure_s * 2 ** ((s.temperature(n) - 20) / 6)
        noise = np.sqrt((truths[n] + rise) / sensor.gain**2 + (sensor.read_noise / sensor.gain) ** 2 + 1 / 12)
        # what is repaired on a star's flank is off by the star's own slope: the sky tells of hot pixels
        sky = truths[n] < 1.3 * np.median(truths[n])
        residual = values - truth
        residual -= clipped(residual[sky])[0]
        hot += int(np.count_nonzero((residual > 5 * noise) & sky))
        left.append(residual)
        noises.append(float(np.median(noise)))
    by_chance = 2.9e-7 * 1e6
    glow = np.abs(blocks(np.clip(np.median(left, axis=0), -60, 60), 80)).max() / np.mean(noises)
    unsound = np.zeros(flags.shape, bool)
    unsound.ravel()[maps.hot] = unsound.ravel()[maps.telegraph] = True
    bright = np.median(truths, axis=0) > 3 * np.median(truths[0]) if mount != "tripod" else np.zeros(flags.shape, bool)
    for truth in truths if mount == "tripod" else ():
        bright |= truth > 3 * np.median(truth)
    on_stars = int(np.count_nonzero((flags > 0) & ~unsound & (master.defects == 0) & bright))
    run(folder)
    pattern = read_pattern(folder / "defects.fits")
    true = (maps.dark - fixed_maps(Sensor(WIDTH, HEIGHT)).dark) * s.exposure_s / sensor.gain
    true *= np.mean([2 ** ((s.temperature(n) - 20) / 6) for n in range(LIGHTS)])
    without = "left" if pattern.glow is None else ""
    if pattern.glow is not None:
        off = np.abs(blocks(true - pattern.at_pixels(true.shape), 16)).max() / np.mean(noises)
        without = f"{off:.2f}"
    scale = np.max(np.abs(np.asarray(table["dark_scale"]) / factors - 1))
    return (
        f"{mount:8s} {fwhm:5.1f} {hot / (len(lights) * flags.size / 1e6) - by_chance:18.2f} {glow:14.3f} "
        f"{100 * scale:12.2f} {on_stars:14d} {true.max() / np.mean(noises):12.2f} {without:>12s}"
    )


def main() -> None:
    """Measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, required=True, help="folder for frames; what is made there is removed")
    out = parser.parse_args().out
    print("mount     FWHM  hot > 5 sigma a MP  glow, sigma  factor off, %  stars repaired  glow planted  without darks")
    for mount in ("tripod", "tracked"):
        for fwhm in (1.8, 2.3, 3.0):
            folder = out / f"{mount}-{fwhm}"
            (folder / "m").mkdir(parents=True)
            print(measure(folder, mount, fwhm), flush=True)
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
