"""A labelled set of rendered frames, graded and judged: recall and false alarms by cause and severity.

    python -m tests.labelled_pixels [--scenes 100] [--first 0] [--misses] [--add COUNTS.json]

Every scene has a lens of 14 to 135 mm, a tripod or a tracker, a sparse or a rich field, and either open sky or a wooded
ridge that hides a third of it, its trees in the wind, with lit windows and passing headlamps below. Its ten sound
frames are rendered once; three of them at a time are then replaced by frames to which one thing happened. `--add` keeps
counts in a file, so that several runs with different `--first` make one table.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from example_project.maker import Fault, Frame, Ground, Scenario, make_scenario
from pipeline.config import GradeSettings, JudgeSettings, Site
from pipeline.grade import Measured, Passers, measured_frame
from pipeline.judge import judge_scene
from pipeline.judging.graded import Graded
from pipeline.plan import Look, PlannedFrame, ScenePlan
from pipeline.sensor.mosaic import MosaicHeader

WIDTH, HEIGHT, PITCH_UM = 1080, 720, 12.0
FRAMES = 10
STRUCK = (2, 5, 8)  # the frames that something happens to
STAR_FWHM = 2.3
# what motions are counted in: the width that frames of these lenses show, pixels and aberrations counted
WIDTH_PX = 2.75

# what happens, how badly, and the reasons that are right, fixed beforehand; severities as `Fault` has them, of motions
# in star widths. No reason: the frame is sound.
TRAILED, FOCUS, CLOUD, BRIGHT = {"trailed"}, {"out of focus"}, {"cloud"}, {"bright sky", "overexposed"}
SOUND: set[str] = set()
CAUSES: tuple[tuple[str, float, set[str]], ...] = (
    ("slip", 0.5, TRAILED),
    ("slip", 1.0, TRAILED),
    ("slip", 2.0, TRAILED),
    ("kick", 0.5, TRAILED),
    ("kick", 1.0, TRAILED),
    ("kick", 3.0, TRAILED),
    ("wind", 1.0, TRAILED),
    ("wind", 2.0, TRAILED),
    ("defocus", 1.2, FOCUS),
    ("defocus", 1.4, FOCUS),
    ("defocus", 2.5, FOCUS),
    ("haze", 0.2, CLOUD),
    ("haze", 0.4, CLOUD),
    ("cloud", 0.2, CLOUD),
    ("cloud", 0.4, CLOUD),
    ("cloud", 0.8, CLOUD),
    ("bright", 2.0, BRIGHT),
    ("bright", 5.0, BRIGHT),
    ("headlights", 20.0, BRIGHT),
    ("satellite", 1.0, SOUND),
    ("aircraft", 1.0, SOUND),
    ("meteor", 1.0, SOUND),
)
# severities at which a practitioner may decide either way; all others are beyond doubt
DOUBTFUL = {("slip", 0.5), ("kick", 0.5), ("defocus", 1.2), ("haze", 0.2), ("cloud", 0.2), ("bright", 2.0)}
MOTIONS = ("slip", "kick", "wind")


@dataclass(frozen=True)
class Setting:
    """One scene's camera and place."""

    focal_mm: float
    tracked: bool
    sparse: bool
    ground: bool
    solved: bool
    seed: int

    @property
    def said(self) -> str:
        """In a few words."""
        mount = "tracked" if self.tracked else "tripod"
        return (
            f"seed {self.seed}: {self.focal_mm:g} mm {mount}, {'sparse' if self.sparse else 'rich'}"
            f"{', ground' if self.ground else ''}{'' if self.solved else ', not solved'}"
        )


def setting_of(seed: int) -> Setting:
    """The seed-th of all combinations, in an order that mixes them."""
    lens = (14.0, 24.0, 35.0, 50.0, 85.0, 135.0)
    place = seed % 48
    return Setting(
        lens[(place * 5 + seed // 48) % 6], place // 6 % 2 == 1, place // 12 % 2 == 1, place // 24 % 2 == 1,
        seed % 3 > 0, seed,
    )  # fmt: skip


def scenario_of(setting: Setting) -> Scenario:
    """The camera before its sky."""
    rng = np.random.default_rng([setting.seed, 1])
    exposure = 60.0 if setting.tracked else round(300 / setting.focal_mm, 1)
    ground = Ground(share=0.33, sway_deg=4 * PITCH_UM / setting.focal_mm * 0.0573, seed=setting.seed + 1)
    return make_scenario(
        lens_mm=setting.focal_mm, pitch_um=PITCH_UM, width=WIDTH, height=HEIGHT, n=FRAMES,
        mount="tracked" if setting.tracked else "tripod", exposure_s=exposure, interval_s=exposure + 3,
        azimuth_deg=float(rng.uniform(0, 360)),
        altitude_deg=float(rng.uniform(12, 25) if setting.ground else rng.uniform(30, 70)),
        fwhm_px=STAR_FWHM, ground=ground if setting.ground else None, seed=setting.seed,
        **({"stars_max": 400} if setting.sparse else {}),
    )  # fmt: skip


def with_lamps(mosaic: NDArray[np.uint16], setting: Setting, index: int) -> NDArray[np.uint16]:
    """Lit windows at the foot of the ridge, and in every third frame a car that draws its headlamps along a road."""
    if not setting.ground:
        return mosaic
    lit = mosaic.copy()
    rng = np.random.default_rng([setting.seed, 2])
    for _ in range(6):
        top, left = int(rng.uniform(0.90, 0.97) * HEIGHT), int(rng.uniform(0.05, 0.9) * WIDTH)
        tall, wide = rng.integers(3, 9, 2)
        lit[top : top + tall, left : left + wide] = int(rng.uniform(3000, 15871))
    rng = np.random.default_rng([setting.seed, 3, index])
    if index % 3 == 1:
        top, left, long = int(0.93 * HEIGHT), int(rng.uniform(0.1, 0.6) * WIDTH), int(rng.uniform(30, 350))
        columns = np.arange(left, left + long)
        rows = (top + 0.04 * (columns - left)).astype(int)
        for down in (0, 1, 2):
            lit[rows + down, columns] = 9000
    return lit


def measured(frame: Frame, setting: Setting, scenario: Scenario, index: int) -> tuple[PlannedFrame, Measured]:
    """What grade measures in a frame."""
    meta, sensor = frame.meta, scenario.sensor
    header = MosaicHeader(
        f"f{index}", sensor.cfa, sensor.black, float(sensor.saturation), exposure_s=meta.exposure_s,
        f_number=meta.f_number, focal_mm=meta.focal_mm, pixel_um=PITCH_UM,
    )  # fmt: skip
    planned = PlannedFrame(
        f"f{index}", f"/none/f{index}", f"f{index}", "light", taken=meta.taken.replace(tzinfo=None).isoformat(),
        exposure_s=meta.exposure_s, focal_mm=meta.focal_mm, f_number=meta.f_number,
    )  # fmt: skip
    return planned, measured_frame(with_lamps(frame.mosaic, setting, index), header, GradeSettings())


def graded(frames: Sequence[tuple[PlannedFrame, Measured]]) -> list[Graded]:
    """What grade says of frames in the order of time, as judge gets it."""
    own = [replace(one, row={**one.row, "status": "ok", "detail": ""}) for _, one in frames]
    passers = Passers(None)
    for one in own:
        passers.see(one)
    passers.end()
    return [Graded(planned, one.row, one.found.stars) for (planned, _), one in zip(frames, own, strict=True)]


def fault_of(kind: str, severity: float, sound: Frame, rng: np.random.Generator) -> Fault:
    """The fault; a slip adds to the sky's own motion, in any direction that does not undo it."""
    angle = float(rng.uniform(0, 360))
    if kind in MOTIONS:
        motion = np.median(sound.truth.stars.motion, axis=0)
        if kind == "slip" and np.hypot(*motion) > 0.3:
            angle = math.degrees(math.atan2(motion[1], motion[0])) + float(rng.uniform(-80, 80))
        severity *= WIDTH_PX
    share = float(rng.uniform(0.45, 0.8))
    return Fault(kind, severity, share=share, angle_deg=angle)


def scene_rows(setting: Setting) -> Iterator[tuple[str, float, set[str], int, dict[str, Any], Frame | None]]:
    """Judge a scene once for each cause: cause, severity, right reasons, frame, its row, the struck frame."""
    scenario = scenario_of(setting)
    frames = list(scenario.frames())
    sound = [measured(frame, setting, scenario, n) for n, frame in enumerate(frames)]
    middle = frames[FRAMES // 2].truth.geometry
    look = Look(None, None, None, None)
    if setting.solved:
        ra, dec = (float(v) for v in middle.to_sky(np.array(WIDTH / 2), np.array(HEIGHT / 2)))
        look = Look(math.degrees(1 / scenario.optics.focal_px) * 3600, ra, dec, setting.tracked)
    plan = ScenePlan("scene", ("b",), tuple(planned for planned, _ in sound), look=look)
    for number, (kind, severity, right) in enumerate(CAUSES):
        rng = np.random.default_rng([setting.seed, 4, number])
        faults = {n: fault_of(kind, severity, frames[n], rng) for n in STRUCK}
        struck = replace(scenario, faults=faults)
        bad = {n: struck.render(n) for n in STRUCK}
        mixed = [measured(bad[n], setting, scenario, n) if n in bad else one for n, one in enumerate(sound)]
        rows, _, _ = judge_scene(graded(mixed), plan, JudgeSettings(), Site())
        for n, row in enumerate(rows):
            if n in bad:
                yield kind, severity, right, n, row, bad[n]
            else:
                yield "untouched", 0.0, SOUND, n, row, None


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--misses", action="store_true", help="print every verdict that is wrong")
    parser.add_argument("--add", type=Path, help="file of counts to add to")
    arguments = parser.parse_args()
    counts: dict[str, list[int]] = {}
    if arguments.add and arguments.add.is_file():
        counts = json.loads(arguments.add.read_text())
    for seed in range(arguments.first, arguments.first + arguments.scenes):
        setting = setting_of(seed)
        for kind, severity, right, n, row, _ in scene_rows(setting):
            total = counts.setdefault(f"{kind} {severity:g}", [0, 0, 0])
            aside = row["verdict"] == "set aside"
            good = bool(right & set(row["reasons"].split("; ")))
            total[0] += 1
            total[1] += aside and good
            total[2] += aside
            wrong = (aside and not good) or (not aside and bool(right) and (kind, severity) not in DOUBTFUL)
            if arguments.misses and wrong:
                said = row["detail"] if aside else f"kept, {row['detail']}"
                print(f"{setting.said}; {kind} {severity:g}, frame {n}: {row['reasons']} ({said})", flush=True)
        if arguments.add:
            arguments.add.write_text(json.dumps(counts))
    print("| what happened | severity | frames | set aside, right reason | set aside |\n|---|---|---|---|---|")
    for key, (total, right_ones, aside_ones) in sorted(counts.items()):
        kind, severity_said = key.split()
        shown = f"{100 * right_ones / total:.1f} %" if right_ones else "-"
        print(f"| {kind} | {severity_said} | {total} | {shown} | {100 * aside_ones / total:.2f} % |")


if __name__ == "__main__":
    main()
