"""A labelled set of scenes for the verdicts: star lists with planted causes at a ladder of severities.

    python -m tests.labelled [--frames 300] [--hard]

prints recall and false alarms by cause and severity. Frames are made as star lists (what `grade` hands to `judge`), so
that hundreds take seconds; that `grade` measures pixels rightly is the business of its own tests.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.config import JudgeSettings, Site
from pipeline.grade import TILES, tile_of
from pipeline.judge import Graded, judge_scene
from pipeline.plan import Look, PlannedFrame, ScenePlan
from pipeline.sky.motion import pole_direction
from pipeline.sky.times import SIDEREAL_RATE
from pipeline.stars.measure import STAR_DTYPE
from pipeline.stars.trails import drawn_out

Floats = NDArray[np.float64]

WIDTH, HEIGHT, PITCH_UM = 6000, 4000, 6.0
NOISE = 12.0  # ADU a pixel
SKY = 400.0  # ADU
ROOM = 15000.0
PIXEL_FWHM = 2.3548
FINE = 5  # places a side of each part of the grid, by which open sky is told

# what counts as right for a cause, fixed beforehand
RIGHT = {
    "slip": {"trailed"},
    "kick": {"trailed"},
    "defocus": {"out of focus"},
    "cloud": {"cloud"},
    "haze": {"cloud"},
    "bright": {"bright sky", "overexposed"},
    "beam": {"bright sky", "overexposed"},
}


def sidereal_velocity(x: Floats, y: Floats, focal_px: float, pole: Floats) -> tuple[Floats, Floats]:
    """How fast stars move over the sensor of a rectilinear camera that stands still, px/s.

    They turn about the pole against the turn of the Earth: dn/dt = -rate * pole x n.
    """
    px, py, pz = pole
    # of the ray (x, y, focal), unnormalised: its projection moves as that of the unit vector
    rx = -SIDEREAL_RATE * (py * focal_px - pz * y)
    ry = -SIDEREAL_RATE * (pz * x - px * focal_px)
    rz = -SIDEREAL_RATE * (px * y - py * x)
    return rx - x * rz / focal_px, ry - y * rz / focal_px


@dataclass(frozen=True)
class Fault:
    """One thing that happens to one frame: `slip` and `kick` in star widths, `defocus` and `bright` as factors,
    `cloud` and `haze` as the transparency that is left, `cloud` over `share` of the frame's open sky; so `patches` of
    cloud, whose places `angle_deg` chooses, and `dew`, thickest in the middle, which draws stars wider as well; `beam`
    as a factor over the lower half of the open sky and what lies below. `left` of the light comes through a `defocus`
    besides."""

    kind: str
    severity: float
    share: float = 0.34
    angle_deg: float = 0.0
    left: float = 1.0


@dataclass(frozen=True)
class Setting:
    """A lens, a mount and a sky."""

    focal_mm: float = 24.0
    tracked: bool = False
    stars: int = 900
    frames: int = 20
    exposure_s: float = 15.0
    interval_s: float = 20.0
    fwhm: float = 2.4
    aberration: float = 1.2  # px^2 of (q1, q2) in the corner, along the radius
    swelling: float = 0.8  # px^2 of t in the corner
    tilt: float = 0.25  # px^2 of q1 across the field
    ground: float = 0.0  # share of the frame that land hides
    ground_light: float = 0.05  # over the sky's
    declination: float = 20.0
    jitter: float = 0.15  # px rms, of motions that every frame has
    focus_scatter: float = 0.02  # of the star width from frame to frame
    faults: dict[int, Fault] = field(default_factory=dict)


def make_scene(setting: Setting, seed: int) -> tuple[list[Graded], ScenePlan]:
    """The frames of a scene as `judge` gets them."""
    rng = np.random.default_rng(seed)
    focal = 1000 * setting.focal_mm / PITCH_UM
    pole = pole_direction(setting.declination, rng.uniform(-180, 180))
    duration = setting.frames * setting.interval_s
    drift = 0.0 if setting.tracked else SIDEREAL_RATE * duration * focal * 1.5
    wide = np.array([WIDTH / 2 + drift, HEIGHT / 2 + drift])
    number = int(setting.stars * 4 * wide[0] * wide[1] / (WIDTH * HEIGHT))
    x, y = rng.uniform(-wide[0], wide[0], number), rng.uniform(-wide[1], wide[1], number)
    # star numbers rise 2.5 times a magnitude
    snr = 15 * rng.pareto(1.0, number) + 15
    sigma2 = (setting.fwhm / 2.3548) ** 2 + 1 / 12
    flux = np.minimum(snr * NOISE * math.sqrt(8 * math.pi * sigma2) * math.sqrt(2), 3e6)
    rays = np.stack([x, y, np.full(number, focal)], axis=1)
    begin = datetime(2026, 8, 14, 22, 0, 0)
    frames, plans = [], []
    for n in range(setting.frames):
        moved = rays
        if not setting.tracked:
            angle = -SIDEREAL_RATE * (n - setting.frames / 2) * setting.interval_s
            moved = (
                rays * math.cos(angle)
                + np.cross(pole, rays) * math.sin(angle)
                + pole * (rays @ pole)[:, None] * (1 - math.cos(angle))
            )
        px, py = focal * moved[:, 0] / moved[:, 2], focal * moved[:, 1] / moved[:, 2]
        above, open_sky = np.ones(number, bool), np.ones((TILES[0] * FINE, TILES[1] * FINE), bool)
        if setting.ground:
            above = _above_ground(rays if setting.tracked else moved, setting, focal, pole, n)
            open_sky = _above_ground(_places(focal), setting, focal, pole, n).reshape(open_sky.shape)
        if setting.tracked:
            px, py = px + rng.normal(0, 3), py + rng.normal(0, 3)
        plan = PlannedFrame(
            id=f"f{n:03d}",
            file=f"/none/f{n:03d}",
            shown=f"f{n:03d}",
            kind="light",
            taken=(begin + timedelta(seconds=n * setting.interval_s)).isoformat(),
            exposure_s=setting.exposure_s,
        )
        vx, vy = (np.zeros(number),) * 2 if setting.tracked else sidereal_velocity(px, py, focal, pole)
        trail = np.stack([vx, vy], axis=1) * setting.exposure_s
        px, py = px[above] + WIDTH / 2, py[above] + HEIGHT / 2
        stars, sky = _frame(rng, setting, setting.faults.get(n), px, py, flux[above], trail[above], open_sky)
        most = np.median(open_sky.reshape(TILES[0], FINE, TILES[1], FINE), axis=(1, 3)) > 0.5
        sky = sky * np.where(most, 1.0, setting.ground_light)
        frames.append(Graded(plan, _row(setting, stars, sky), stars))
        plans.append(plan)
    scale = math.degrees(math.atan(1 / focal)) * 3600
    look = Look(scale, 100.0, setting.declination, setting.tracked)
    return frames, ScenePlan("scene", ("b",), tuple(plans), look=look)


def _above_ground(
    rays: NDArray[np.float64], setting: Setting, focal: float, pole: NDArray[np.float64], index: int
) -> NDArray[np.bool_]:
    """Which directions are open sky. Land lies still before a tripod; before a tracker it turns about the pole."""
    if setting.tracked:
        angle = SIDEREAL_RATE * (index - setting.frames / 2) * setting.interval_s
        cosine, sine = math.cos(angle), math.sin(angle)
        rays = rays * cosine - np.cross(pole, rays) * sine + pole * (rays @ pole)[:, None] * (1 - cosine)
    x, y = focal * rays[:, 0] / rays[:, 2] + WIDTH / 2, focal * rays[:, 1] / rays[:, 2] + HEIGHT / 2
    return (y < HEIGHT * (1 - setting.ground - 0.06 * np.sin(x / 700))) | (rays[:, 2] <= 0)


def _places(focal: float) -> NDArray[np.float64]:
    """Rays to places over the frame, `FINE` a side for each part of the grid, row by row."""
    rows, columns = TILES[0] * FINE, TILES[1] * FINE
    y, x = (np.mgrid[0:rows, 0:columns] + 0.5) * np.array([HEIGHT / rows, WIDTH / columns])[:, None, None]
    return np.stack([x - WIDTH / 2, y - HEIGHT / 2, np.full_like(x, focal)], axis=-1).reshape(-1, 3)


def _frame(
    rng: np.random.Generator,
    setting: Setting,
    fault: Fault | None,
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: NDArray[np.float64],
    trail: NDArray[np.float64],
    open_sky: NDArray[np.bool_],
) -> tuple[NDArray[Any], NDArray[np.float64]]:
    """Star list and sky of the grid's parts of one frame, of whose places (`_places`) `open_sky` are sky."""
    inside = (x > 2) & (y > 2) & (x < WIDTH - 3) & (y < HEIGHT - 3)
    x, y, flux, trail = x[inside], y[inside], flux[inside], trail[inside]
    clear, sky_factor = np.ones(len(x)), np.ones(TILES)
    size = setting.fwhm * (1 + rng.normal(0, setting.focus_scatter))
    shake = np.zeros(2)
    heading = rng.uniform(0, 2 * math.pi)
    jolt = abs(rng.normal(0, setting.jitter)) * np.array([math.cos(heading), math.sin(heading)])
    # of the scene's stars, mean over the field, without motion
    width = PIXEL_FWHM * math.sqrt((setting.fwhm / PIXEL_FWHM) ** 2 + 1 / 12 + 0.35 * setting.swelling)
    if fault is not None:
        heading = math.radians(fault.angle_deg)
        direction = np.array([math.cos(heading), math.sin(heading)])
        if fault.kind == "slip":
            # evenly, with the sky's own motion where there is one: the lengths add up
            sign = np.sign(trail @ direction) + (trail @ direction == 0)
            trail = trail + sign[:, None] * fault.severity * width * direction
        elif fault.kind == "kick":
            shake = fault.severity * width * direction
        elif fault.kind == "defocus":
            # of the width over the whole field, the lens's swelling (half of it on the mean) with it
            size = math.sqrt(size**2 + width**2 * (fault.severity**2 - 1))
            clear = np.full(len(x), fault.left)
        elif fault.kind == "haze":
            clear = np.full(len(x), fault.severity)
        elif fault.kind == "cloud":
            # a bank whose edge crosses the field, soft over a tenth of its width
            along = _bank(x / WIDTH, y / HEIGHT, fault, open_sky)
            clear = 1 - (1 - fault.severity) * along
            i, j = np.mgrid[0 : TILES[0], 0 : TILES[1]]
            sky_factor = 1 + 0.3 * _bank((j + 0.5) / TILES[1], (i + 0.5) / TILES[0], fault, open_sky)
        elif fault.kind == "patches":
            clear = 1 - (1 - fault.severity) * _patches(x / WIDTH, y / HEIGHT, fault)
        elif fault.kind == "dew":
            rho = np.hypot(x - WIDTH / 2, y - HEIGHT / 2) * 2 / math.hypot(WIDTH, HEIGHT)
            clear = 1 - (1 - fault.severity) * np.exp(-((rho / fault.share) ** 2) / 2)
            size *= 1 + 0.25 * (1 - fault.severity)
        elif fault.kind == "bright":
            sky_factor = np.full(TILES, fault.severity)
        elif fault.kind == "beam":
            # whole rows of the grid, so that half of the sky is lit at the least
            first = int(np.median(np.nonzero(open_sky)[0]) / FINE)
            sky_factor[first:] = fault.severity
    sigma2 = (size / PIXEL_FWHM) ** 2 + 1 / 12
    rho2 = ((x - WIDTH / 2) ** 2 + (y - HEIGHT / 2) ** 2) * 4 / (WIDTH**2 + HEIGHT**2)
    turn = np.arctan2(y - HEIGHT / 2, x - WIDTH / 2)
    q1 = setting.aberration * rho2 * np.cos(2 * turn) + setting.tilt * (x / WIDTH - 0.5)
    q2 = setting.aberration * rho2 * np.sin(2 * turn)
    t = sigma2 + setting.swelling * rho2
    moments = np.stack([t + q1 / 2, q2 / 2, t - q1 / 2], axis=1)
    for motion in (trail, np.broadcast_to(jolt, trail.shape), np.broadcast_to(shake, trail.shape)):
        moments = drawn_out(moments, motion)
    vignetting = 1 - 0.45 * rho2
    rows, columns = tile_of(x, y, WIDTH, HEIGHT)
    noise = NOISE * np.sqrt(sky_factor[rows, columns])
    area = np.sqrt(moments[:, 0] * moments[:, 2] - moments[:, 1] ** 2)
    error = noise * np.sqrt(8 * math.pi * area) * math.sqrt(2)
    seen = flux * clear * vignetting
    snr = seen / error
    found = snr > 5
    stars = np.zeros(int(found.sum()), STAR_DTYPE)
    snr, moments = snr[found], moments[found]
    stars["flux"] = seen[found] * (1 + rng.normal(0, 1, len(stars)) / snr + rng.normal(0, 0.03, len(stars)))
    stars["flux_error"] = error[found]
    centre = 0.6 * PIXEL_FWHM * np.sqrt(area[found]) / snr
    stars["x"], stars["y"] = x[found] + rng.normal(0, centre), y[found] + rng.normal(0, centre)
    size_noise = (moments[:, 0] + moments[:, 2]) / 2 / snr * 1.4
    wobble = rng.normal(0, 1, (3, len(stars))) * size_noise + rng.normal(0, 0.03, (3, len(stars))) * moments[:, 0]
    stars["mxx"] = np.maximum(moments[:, 0] + wobble[0] + wobble[1], 0.2)
    stars["myy"] = np.maximum(moments[:, 2] + wobble[0] - wobble[1], 0.2)
    limit = 0.9 * np.sqrt(stars["mxx"] * stars["myy"])
    stars["mxy"] = np.clip(moments[:, 1] + wobble[2], -limit, limit)
    stars["peak"] = stars["flux"] / (2 * math.pi * area[found])
    stars["background"] = SKY * sky_factor[rows, columns][found]
    stars["saturated"] = stars["peak"] > ROOM
    order = np.argsort(-stars["flux"], kind="stable")[:3000]
    return stars[order], SKY * sky_factor


def _bank(
    x: NDArray[np.float64], y: NDArray[np.float64], fault: Fault, open_sky: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """How far each place is inside the bank that covers `share` of the open sky: 0 outside, 1 inside."""
    heading = math.radians(fault.angle_deg)
    down, across = (np.argwhere(open_sky) + 0.5).T / np.array(open_sky.shape)[:, None] - 0.5
    edge = float(np.quantile(across * math.cos(heading) + down * math.sin(heading), 1 - fault.share))
    along = (x - 0.5) * math.cos(heading) + (y - 0.5) * math.sin(heading)
    return np.clip((along - edge) / 0.05 + 0.5, 0, 1)


def _patches(x: NDArray[np.float64], y: NDArray[np.float64], fault: Fault) -> NDArray[np.float64]:
    """How far each place is inside one of the clouds, of a fifth of the field's width, that cover `share` or so."""
    rng = np.random.default_rng(round(1000 * fault.angle_deg))
    thick = np.zeros(len(x))
    for _ in range(max(1, round(fault.share / 0.07))):
        cx, cy = rng.uniform(0, 1, 2)
        far = np.hypot(x - cx, (y - cy) / 1.5) / 0.12
        thick = np.maximum(thick, np.clip((1.2 - far) / 0.3, 0, 1))
    return thick


def _row(setting: Setting, stars: NDArray[Any], sky: NDArray[np.float64]) -> dict[str, Any]:
    rows, columns = tile_of(stars["x"], stars["y"], WIDTH, HEIGHT)
    counts = np.zeros(TILES, int)
    np.add.at(counts, (rows, columns), 1)
    level = float(np.median(sky))
    return {
        "status": "ok",
        "detail": "",
        "width": WIDTH,
        "height": HEIGHT,
        "cfa": "RGGB",
        "exposure_s": setting.exposure_s,
        "focal_mm": setting.focal_mm,
        "pixel_um": PITCH_UM,
        "stars": len(stars),
        "fwhm_px": 2.3548 * math.sqrt(float(np.median(stars["mxx"] + stars["myy"])) / 2) if len(stars) else None,
        "sky_adu": level,
        "sky_adu_s": level / setting.exposure_s,
        "noise_adu": NOISE * math.sqrt(level / SKY),
        "electrons_per_adu": None,
        "room_adu": ROOM,
        "saturated_fraction": 0.0,
        "streaks": 0,
        "streak_list": "[]",
        "double_px": None,
        "double_angle_deg": None,
        "tile_stars": json.dumps(counts.tolist()),
        "tile_sky_adu": json.dumps(sky.tolist()),
        "broad_light": "",
    }


def settings_of_the_set(count: int) -> list[Setting]:
    """Lenses 14-135 mm, tripod and tracked, sparse and rich, with and without a third of the frame hidden."""
    out: list[Setting] = []
    for focal in (14.0, 24.0, 35.0, 50.0, 85.0, 135.0):
        for tracked in (False, True):
            for stars in (150, 900, 4000):
                for ground in (0.0, 0.33):
                    exposure = 45.0 if tracked else min(20.0, 350 / focal)
                    out.append(
                        Setting(focal, tracked, stars, exposure_s=exposure, interval_s=exposure + 4, ground=ground)
                    )
    return out[:count]


def hard_settings() -> list[Setting]:
    """Tracked for so long that land, of a third to seven tenths of the frame, dark and lit, moves through a third."""
    return [
        Setting(focal, True, stars, exposure_s=45, interval_s=6750 / focal, ground=land, ground_light=light)
        for focal in (14.0, 24.0, 35.0, 50.0, 85.0, 135.0)
        for stars in (150, 900, 4000)
        for land, light in ((0.33, 0.05), (0.5, 1.5), (0.7, 0.05))
    ]


LADDER: tuple[Fault, ...] = (
    Fault("slip", 0.5),
    Fault("slip", 1.0),
    Fault("slip", 2.0),
    Fault("kick", 0.5),
    Fault("kick", 1.0),
    Fault("kick", 2.0),
    Fault("defocus", 1.2),
    Fault("defocus", 1.4),
    Fault("defocus", 2.0),
    Fault("haze", 0.8),
    Fault("haze", 0.5),
    Fault("cloud", 0.85),
    Fault("cloud", 0.69),
    Fault("cloud", 0.3),
    Fault("bright", 2.0),
    Fault("bright", 5.0),
    Fault("beam", 8.0),
)


# severities at which a practitioner may decide either way
DOUBTFUL = {("slip", 0.5), ("kick", 0.5), ("defocus", 1.2), ("haze", 0.8), ("cloud", 0.85), ("bright", 2.0)}


def measure(frames: int, chosen: list[Setting], ladder: Sequence[Fault], bad_share: float) -> None:
    """Judge scenes until there are `frames` frames a fault, and print of each, as it is done, how many frames there
    were, how many were set aside with a right reason, and at all; the sound ones of all scenes last."""
    print("| cause | severity | frames | set aside, right reason | set aside |\n|---|---|---|---|---|")
    sound = [0, 0]
    seed = 0
    for fault in ladder:
        done = right = aside = 0
        while done < frames:
            setting = chosen[seed % len(chosen)]
            rng = np.random.default_rng(100_000 + seed)
            bad = rng.permutation(setting.frames)[: int(bad_share * setting.frames)]
            faults = {
                int(n): replace(fault, angle_deg=float(rng.uniform(0, 360)), share=float(rng.uniform(0.34, 0.7)))
                for n in bad
            }
            scene_frames, plan = make_scene(replace(setting, faults=faults), seed)
            rows, _, _ = judge_scene(scene_frames, plan, JudgeSettings(), Site())
            for n, row in enumerate(rows):
                lost = row["verdict"] == "set aside"
                if n not in faults:
                    sound[0] += 1
                    sound[1] += lost
                    continue
                aside += lost
                right += lost and bool(RIGHT[fault.kind] & set(row["reasons"].split("; ")))
            done += len(faults)
            seed += 1
        print(
            f"| {fault.kind} | {fault.severity:g} | {done} | {100 * right / done:.1f} % | {100 * aside / done:.1f} % |",
            flush=True,
        )
    print(f"| sound | - | {sound[0]} | - | {100 * sound[1] / max(sound[0], 1):.2f} % |")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m tests.labelled", description=__doc__)
    parser.add_argument("--frames", type=int, default=300, help="frames a cause and severity (default 300)")
    parser.add_argument("--hard", action="store_true", help="tracked scenes with much land that moves")
    parser.add_argument("--sure", action="store_true", help="only severities beyond doubt")
    parser.add_argument("--bad-share", type=float, default=0.25, help="share of a scene's frames that are spoiled")
    arguments = parser.parse_args()
    ladder = [f for f in LADDER if not arguments.sure or (f.kind, f.severity) not in DOUBTFUL]
    chosen = hard_settings() if arguments.hard else settings_of_the_set(1000)
    measure(arguments.frames, chosen, ladder, arguments.bad_share)


if __name__ == "__main__":
    main()
