"""The example trip: an evening by a wooded ridge, a fixed tripod first, a star tracker later, on one card.

The card is as cards are: lights and darks in one row of numbers, a stray daylight picture, a JPEG beside a raw file,
a note, one file copied twice, one cut off. Nothing in a name tells what a file is.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from example_project.maker.dng import FrameMeta, truncate, write_dng, write_jpeg
from example_project.maker.events import Fault, waves
from example_project.maker.ground import Ground
from example_project.maker.lens import Optics, plausible_lens
from example_project.maker.mount import Mount
from example_project.maker.scene import Frame, Scenario
from example_project.maker.sensor import Sensor, expose, fixed_maps
from example_project.maker.sky import Glow, Site
from example_project.maker.truth import optics_json, write_stars
from pipeline.files import write_json, write_text

SCENES = ("tripod", "tracker")
WIDTH, HEIGHT = 1620, 1080
PITCH_UM = 36_000.0 / WIDTH  # so that the lenses see what they see on 36 mm
SITE = Site(latitude=45.0, longitude=-30.0)
UTC_OFFSET_H = -2.0
CLOCK_ERROR_S = 41.0
BLACK = (512.0, 513.0, 511.0, 512.0)
DARKS = 8
STARS_KEPT = 4000  # of a frame's truth, brightest first

# what a fault should come to; streaks cost pixels, not frames
REASONS: dict[str, tuple[str, ...]] = {
    "kick": ("trailed",),
    "slip": ("trailed",),
    "wind": ("trailed",),
    "stopped": ("trailed",),
    "defocus": ("out of focus",),
    "cloud": ("cloud",),
    "haze": ("cloud",),
    "headlights": ("bright sky", "overexposed"),
    "bright": ("bright sky", "overexposed"),
    "truncated": ("damaged", "unreadable"),
}


@lru_cache(maxsize=4)
def scenario(name: str, seed: int = 1) -> Scenario:
    """One of the two scenes of the trip."""
    half = float(np.hypot(WIDTH, HEIGHT) / 2)

    def optics(focal_mm: float, fwhm_px: float) -> Optics:
        lens = plausible_lens(focal_mm, half * PITCH_UM / (focal_mm * 1e3), half, f_number=2.8, fwhm_px=fwhm_px)
        return Optics(lens, PITCH_UM, WIDTH, HEIGHT)

    evening = datetime(2026, 8, 14, 23, 40, 12, 370_000, tzinfo=UTC)
    sensor = Sensor(WIDTH, HEIGHT, black=BLACK)
    if name == "tripod":
        return Scenario(
            optics=optics(24.0, 2.25),
            sensor=replace(sensor, gain=0.6, read_noise=3.1),
            start=evening,
            exposure_s=13.0,
            interval_s=88.0,
            count=26,
            mount=Mount(
                "tripod", azimuth_deg=196.0, altitude_deg=36.0, roll_deg=1.4, creep_arcsec_h=(70.0, -45.0, 30.0)
            ),
            site=SITE,
            glow=Glow(zenith_mag=21.4, lamps=0.55, lamps_azimuth=245.0),
            ground=Ground(share=0.10),
            faults={
                3: Fault("aircraft", 1.0, angle_deg=14.0),
                6: Fault("kick", 5.5, angle_deg=65.0),
                8: Fault("satellite", 1.0, angle_deg=-38.0),
                11: Fault("cloud", 0.82, share=0.55, angle_deg=10.0, phase=-0.2),
                12: Fault("cloud", 0.82, share=0.85, angle_deg=10.0, phase=0.05),
                15: Fault("defocus", 1.65),
                17: Fault("meteor", 1.0, angle_deg=118.0),
                18: Fault("aircraft", 1.3, angle_deg=171.0),
                20: Fault("headlights", 9.0),
                22: Fault("kick", 4.0, angle_deg=-20.0),
                24: Fault("satellite", 0.7, angle_deg=77.0),
            },
            iso=1600,
            temperature_c=14.0,
            cooling_c_h=2.2,
            utc_offset_h=UTC_OFFSET_H,
            clock_error_s=CLOCK_ERROR_S,
            rest=True,
            stars_max=14_000,
            seed=seed * 1000 + 1,
        )
    if name == "tracker":
        return Scenario(
            optics=optics(50.0, 2.35),
            sensor=replace(sensor, gain=1.2, read_noise=3.9),
            start=evening + timedelta(minutes=71),
            exposure_s=45.0,
            interval_s=53.0,
            count=18,
            mount=Mount(
                "tracked",
                azimuth_deg=72.0,
                altitude_deg=58.0,
                roll_deg=-23.0,
                polar_error_deg=0.35,
                polar_error_towards_deg=140.0,
                periodic_arcsec=14.0,
                dither_px=3.5,
            ),
            site=SITE,
            glow=Glow(zenith_mag=21.5, lamps=0.5, lamps_azimuth=245.0),
            faults={
                2: Fault("satellite", 1.0, angle_deg=155.0),
                7: Fault("kick", 6.0, angle_deg=200.0),
                10: Fault("truncated", 0.63),
                13: Fault("defocus", 1.6),
                14: Fault("satellite", 1.5, angle_deg=31.0),
            },
            iso=800,
            temperature_c=11.5,
            cooling_c_h=1.6,
            utc_offset_h=UTC_OFFSET_H,
            clock_error_s=CLOCK_ERROR_S,
            stars_max=10_000,
            seed=seed * 1000 + 2,
        )
    raise ValueError(f"scene must be one of {', '.join(SCENES)} (got {name!r})")


@dataclass(frozen=True)
class Shot:
    """One press of the button: scene, kind (light or dark), index in its row, path under `raw/`."""

    scene: str
    kind: str
    index: int
    path: str


def shots(seed: int = 1) -> list[Shot]:
    """The card: every night shot in the order of the evening, with the path it gets."""
    rows: list[tuple[str, str, int]] = []
    for scene in SCENES:
        rows += [(scene, "light", n) for n in range(scenario(scene, seed).count)]
        rows += [(scene, "dark", n) for n in range(DARKS)]
    result = []
    for place, (scene, kind, index) in enumerate(rows):
        number = 412 + place
        # the camera opens a new folder at a number of its own choosing
        folder = "DCIM/102VARNO" if number < 441 else "DCIM/103VARNO"
        result.append(Shot(scene, kind, index, f"{folder}/VRN_{number:04d}.DNG"))
    return result


def _textured(scale: float, flattened: float, seed: list[int]) -> NDArray[np.float64]:
    """`waves` over the frame at a quarter of its size, enlarged: nobody looks closely at the afternoon."""
    x, y = np.meshgrid(np.arange(0.0, WIDTH, 4), np.arange(0.0, HEIGHT, 4))
    return np.asarray(np.kron(waves(x, flattened * y, seed, scale, 6), np.ones((4, 4))), np.float64)


def daylight(seed: int = 1) -> tuple[NDArray[np.uint16], FrameMeta]:
    """A picture of the ridge in the afternoon, 1/400 s: bright, no stars."""
    sensor = Sensor(WIDTH, HEIGHT, black=BLACK, gain=9.6, read_noise=9.0)
    x, y = np.meshgrid(np.arange(WIDTH) * 1.0, np.arange(HEIGHT) * 1.0)
    skyline = (
        0.62 * HEIGHT + 60 * waves(x[0], 0 * x[0], [seed, 51], 900.0) + 6 * waves(x[0], 0 * x[0], [seed, 52], 40.0)
    )
    sky = np.stack([0.30 + 0.12 * y / HEIGHT, 0.55 + 0.12 * y / HEIGHT, 0.62 - 0.02 * y / HEIGHT], -1)
    cumulus = np.clip(_textured(700.0, 2.2, [seed, 53]) - 0.6, 0, 1.2)[..., None]
    sky = sky * (1 - 0.6 * np.minimum(cumulus, 1)) + np.array([0.50, 0.86, 0.55]) * 0.6 * np.minimum(cumulus, 1)
    wood = np.clip(1 + 0.35 * _textured(60.0, 1.0, [seed, 54]), 0.2, 2)[..., None] * np.array([0.045, 0.09, 0.03])
    scene = np.where((y < skyline)[..., None], sky, wood) * 0.8 * 9.6 * 15_000
    light = np.empty((HEIGHT, WIDTH), np.float32)
    for n, c in enumerate(sensor.cfa):
        light[n // 2 :: 2, n % 2 :: 2] = scene[n // 2 :: 2, n % 2 :: 2, "RGB".index(c)]
    mosaic = expose(light, sensor, 1 / 400, 24.0, np.random.default_rng([seed, 50]))
    zone = timezone(timedelta(hours=UTC_OFFSET_H))
    meta = FrameMeta(
        exposure_s=1 / 400,
        iso=100,
        f_number=8.0,
        focal_mm=24.0,
        taken=datetime(2026, 8, 14, 17, 52, 9, 120_000, tzinfo=zone),
        temperature_c=24.0,
        pitch_um=PITCH_UM,
        black=BLACK,
        white=sensor.saturation,
        lens="24 mm f/2.8",
    )
    return mosaic, meta


def _render(shot: Shot, seed: int) -> Frame:
    scene = scenario(shot.scene, seed)
    if shot.kind == "dark":
        return scene.render_dark(shot.index)
    return scene.render(shot.index)


def _make(shot: Shot, out: str, seed: int, compressed: bool) -> tuple[Shot, dict[str, Any]]:
    frame = _render(shot, seed)
    path = Path(out) / "raw" / shot.path
    write_dng(path, frame.mosaic, frame.meta, compressed=compressed)
    fault = frame.truth.fault
    if fault == "truncated":
        truncate(path, float(frame.truth.severity or 0.5))
    if frame.truth.stars is not None:
        write_stars(Path(out) / "truth" / shot.scene / (path.stem + ".npz"), frame.truth.stars.first(STARS_KEPT))
    return shot, {"file": "raw/" + shot.path, **frame.truth.as_json()}


def _row(path: str, what: str, **more: Any) -> dict[str, Any]:
    return {"file": path, "what": what, "scene": None, "fault": None, "verdict": None, "reasons": [], **more}


def make_trip(
    out: str | os.PathLike[str],
    seed: int = 1,
    only: str | None = None,
    jobs: int | None = None,
    compressed: bool = False,
    say: Callable[[str], None] = lambda text: None,
) -> dict[str, Any]:
    """Write the trip's frames into `out/raw` and its truth into `out/truth`.

    Parameters
    ----------
    only : one scene's frames and darks alone
    jobs : processes; None: as many as there are cores, at most 4
    compressed : lossless JPEG inside the DNG files
    say : told a line now and then

    Returns
    -------
    trip : what stands in `truth/trip.json`

    Raises
    ------
    ValueError
        Where `only` names no scene.
    """
    out = Path(out)
    if only is not None and only not in SCENES:
        raise ValueError(f"scene must be one of {', '.join(SCENES)} (got {only!r})")
    for folder in ("raw", "truth"):
        shutil.rmtree(out / folder, ignore_errors=True)
    todo = [shot for shot in shots(seed) if only in (None, shot.scene)]
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    jobs = max(1, min(4, cores) if jobs is None else jobs)
    made: dict[Shot, dict[str, Any]] = {}
    for shot, truth in _all(todo, str(out), seed, compressed, jobs):
        made[shot] = truth
        if len(made) % 10 == 0 or len(made) == len(todo):
            say(f"{len(made)} of {len(todo)} frames")
    files = [_night_row(shot, made[shot]) for shot in todo]
    if only is None:
        files += _strays(out, seed, todo)
    scenes = sorted({shot.scene for shot in todo})
    for name in scenes:
        write_json(out / "truth" / name / "scene.json", _scene_json(name, seed, made))
    trip = {"seed": seed, "scenes": scenes, "files": sorted(files, key=lambda row: str(row["file"]))}
    write_json(out / "truth" / "trip.json", trip)
    return trip


def _all(todo: list[Shot], out: str, seed: int, compressed: bool, jobs: int) -> Iterator[tuple[Shot, dict[str, Any]]]:
    if jobs == 1:
        yield from (_make(shot, out, seed, compressed) for shot in todo)
        return
    yield _make(todo[0], out, seed, compressed)  # compiles the loops once; the others find them in the cache
    # fresh processes: a fork would copy locks of compiled code and of the array library's threads
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        futures = [pool.submit(_make, shot, out, seed, compressed) for shot in todo[1:]]
        yield from (future.result() for future in futures)


def _night_row(shot: Shot, truth: dict[str, Any]) -> dict[str, Any]:
    fault = truth["fault"]
    reasons = list(REASONS.get(fault or "", ()))
    verdict = None if shot.kind == "dark" else "set aside" if reasons else "kept"
    return _row(
        "raw/" + shot.path,
        shot.kind,
        scene=shot.scene,
        fault=fault,
        severity=truth["severity"],
        verdict=verdict,
        reasons=reasons,
    )


def _strays(out: Path, seed: int, todo: list[Shot]) -> list[dict[str, Any]]:
    """What else lies on a card: a daylight frame, a JPEG beside its raw file, a note, a copy."""
    mosaic, meta = daylight(seed)
    write_dng(out / "raw/DCIM/102VARNO/VRN_0411.DNG", mosaic, meta)
    beside = todo[9]
    frame = _render(beside, seed)
    companion = "raw/" + beside.path.replace(".DNG", ".JPG")
    write_jpeg(out / companion, frame.mosaic, frame.meta)
    note = "raw/" + todo[4].path.replace(".DNG", ".TXT")
    write_text(out / note, "Wind from the west, a little haze over the ridge. Refocused on a bright star at 21:35.\n")
    copied = "raw/copied twice/" + todo[13].path.rsplit("/", 1)[1]
    (out / copied).parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(out / "raw" / todo[13].path, out / copied)
    return [
        _row("raw/DCIM/102VARNO/VRN_0411.DNG", "daylight"),
        _row(companion, "companion", of="raw/" + beside.path),
        _row(note, "note", of="raw/" + todo[4].path),
        _row(copied, "copy", of="raw/" + todo[13].path),
    ]


def _scene_json(name: str, seed: int, made: dict[Shot, dict[str, Any]]) -> dict[str, Any]:
    scene = scenario(name, seed)
    rows = {Path(shot.path).name: truth for shot, truth in made.items() if shot.scene == name}
    maps = fixed_maps(scene.sensor)
    return {
        "scene": name,
        "optics": optics_json(scene.optics),
        "sensor": asdict(scene.sensor),
        "hot_pixels": len(maps.hot),
        "telegraph_pixels": len(maps.telegraph),
        "mount": asdict(scene.mount),
        "site": asdict(scene.site),
        "glow": asdict(scene.glow),
        "ground": None if scene.ground is None else asdict(scene.ground),
        "start": scene.start.isoformat(),
        "exposure_s": scene.exposure_s,
        "interval_s": scene.interval_s,
        "iso": scene.iso,
        "clock_error_s": scene.clock_error_s,
        "frames": {n: t for n, t in rows.items() if t["kind"] == "light"},
        "darks": {n: t for n, t in rows.items() if t["kind"] == "dark"},
    }
