"""A scene: camera, mount, sky and faults, and the rendering of its frames."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from example_project.maker.dng import FrameMeta
from example_project.maker.events import (
    LIGHT,
    MOTION,
    STREAKS,
    Fault,
    cloud_transmission,
    headlight_beam,
    motion_of,
    streak,
    waves,
)
from example_project.maker.ground import Ground, hidden_share, hide, ridge
from example_project.maker.lens import GAUSS_FWHM, Optics, plausible_lens
from example_project.maker.mount import Mount, small_turn
from example_project.maker.sensor import Sensor, expose
from example_project.maker.sky import (
    EARTH_RATE,
    EXTINCTION,
    Glow,
    Site,
    Stars,
    Turning,
    aberrate,
    airmass,
    altitude_of,
    catalogue,
    electrons_of,
    refract,
    sky_electrons,
    unrefract,
)
from example_project.maker.stamps import cell_colours, spread, stamp_points, stamp_stars
from example_project.maker.truth import FrameGeometry, FrameTruth, StarTruth

Floats = NDArray[np.float64]

COLOURS = "RGB"
# a cloud seen from below sends back this share of the sky's own light (town and airglow scattered), times its opacity
CLOUD_LIGHT = 1.35
# the field's stars are looked up this often along a scene: the sky turns by 0.8 degrees, less than the margin
FIELD_STEP_S = 180.0
# of the stars of a small frame that stands in for a large one only so many are kept: more crowd it as no real
# frame of its lens is crowded
PIXELS_PER_STAR = 120
# Gauss-Legendre nodes of order two, as shares of the exposure about its middle
TWO_NODES = np.array([-0.5, 0.5]) / np.sqrt(3)
EXTINCTION_RGB = np.array([EXTINCTION[c] for c in COLOURS])


@dataclass(frozen=True)
class Frame:
    """A rendered frame: file name, mosaic (uint16, ADU), what the camera notes, the truth."""

    name: str
    mosaic: NDArray[np.uint16]
    meta: FrameMeta
    truth: FrameTruth


@dataclass(frozen=True)
class Scenario:
    """All that fixes a scene.

    Parameters
    ----------
    start : aware datetime, start of the first exposure (true time; the camera's clock is `clock_error_s` ahead of it)
    interval_s : from one exposure's start to the next's
    faults : frame index to what happens to it
    temperature_c, cooling_c_h : the sensor's at the start, and how fast it cools
    utc_offset_h : the camera clock's zone
    magnitude_limit : stars fainter than this are left out
    stars_max : only so many of the stars that come near the field, the brightest; None: all of the catalogue
    rest : True where a kicked camera stays where the kick left it
    extinction : False for a sky without air (no extinction, no refraction)
    refraction : False for no refraction
    drift_adu : rms of the black level's change from frame to frame
    """

    optics: Optics
    sensor: Sensor
    start: datetime
    exposure_s: float
    interval_s: float
    count: int
    mount: Mount = field(default_factory=Mount)
    site: Site = field(default_factory=Site)
    glow: Glow = field(default_factory=Glow)
    ground: Ground | None = None
    faults: Mapping[int, Fault] = field(default_factory=dict)
    iso: int = 1600
    temperature_c: float = 12.0
    cooling_c_h: float = 2.0
    utc_offset_h: float = 0.0
    clock_error_s: float = 0.0
    magnitude_limit: float = 10.0
    stars_max: int | None = None
    rest: bool = False
    extinction: bool = True
    refraction: bool = True
    drift_adu: float = 0.4
    seed: int = 1

    @cached_property
    def turning(self) -> Turning:
        """The Earth from `start` on."""
        return Turning(self.site, self.start)

    @cached_property
    def air(self) -> float:
        """1 at 1010 hPa and 10 C, 0 for no refraction."""
        return self.turning.air if self.refraction and self.extinction else 0.0

    def middle(self, index: int) -> float:
        """Seconds from `start` to the middle of a frame's exposure."""
        return index * self.interval_s + self.exposure_s / 2

    def temperature(self, index: int) -> float:
        """Sensor temperature of a frame, C; it cools exponentially towards the night's end."""
        hours = index * self.interval_s / 3600
        return self.temperature_c - self.cooling_c_h * hours / (1 + 0.15 * hours)

    def meta(self, index: int) -> FrameMeta:
        """What the camera notes of a frame."""
        shown = self.start + timedelta(seconds=index * self.interval_s + self.clock_error_s)
        lens = self.optics.lens
        return FrameMeta(
            exposure_s=self.exposure_s,
            iso=self.iso,
            f_number=lens.f_number,
            focal_mm=lens.focal_mm,
            taken=shown.astimezone(timezone(timedelta(hours=self.utc_offset_h))),
            temperature_c=self.temperature(index),
            pitch_um=self.optics.pitch_um,
            cfa=self.sensor.cfa,
            black=self.sensor.black,
            white=self.sensor.saturation,
            lens=f"{lens.focal_mm:g} mm f/{lens.f_number:g}",
        )

    def _draws(self, index: int, what: int) -> np.random.Generator:
        return np.random.default_rng([self.seed, index, what])

    def _angle(self, index: int) -> float:
        fault = self.faults.get(index)
        if fault is not None and fault.angle_deg is not None:
            return float(np.radians(fault.angle_deg))
        return float(self._draws(index, 2).uniform(0, 2 * np.pi))

    @cached_property
    def _rests(self) -> list[tuple[float, float]]:
        """Where the kicks so far have left the picture at each frame's start, px."""
        places, x, y = [], 0.0, 0.0
        for index in range(self.count):
            places.append((x, y))
            fault = self.faults.get(index)
            if self.rest and fault is not None and fault.kind in ("kick", "slip"):
                x += fault.severity * np.cos(self._angle(index))
                y += fault.severity * np.sin(self._angle(index))
        return places

    def attitude(self, index: int, seconds: float, shake: tuple[float, float] = (0.0, 0.0)) -> Floats:
        """Rotation matrix from ICRS to the camera at a moment of a frame; `shake` moves the picture, px."""
        dx, dy = self._rests[index] if index < self.count else (0.0, 0.0)
        if self.mount.kind == "tracked" and self.mount.dither_px and index > 0:
            step = self._draws(index, 1).normal(0, self.mount.dither_px, 2)
            dx, dy = dx + step[0], dy + step[1]
        fault = self.faults.get(index)
        at = seconds
        if fault is not None and fault.kind == "stopped":
            at = index * self.interval_s  # it stands where the frame began
        camera = self.mount.camera(at, self.site.latitude)
        turn = small_turn(dx + shake[0], dy + shake[1], self.optics.focal_px)
        return turn @ camera @ self.turning.horizon(seconds)

    def geometry(self, index: int, seconds: float | None = None, shake: tuple[float, float] = (0, 0)) -> FrameGeometry:
        """Exact geometry of a frame, at the middle of its exposure or at another moment."""
        moment = self.middle(index) if seconds is None else seconds
        zenith = self.turning.horizon(moment)[2]
        return FrameGeometry(self.optics, self.attitude(index, moment, shake), zenith, self.turning.velocity, self.air)

    @cached_property
    def field(self) -> tuple[Stars, Floats]:
        """Catalogue stars that come near the frame during the scene, and their electrons a second (n, 3), no air."""
        stars = catalogue()
        reach = np.cos(min(self.optics.corner_angle + 0.03, 1.5))
        near = np.zeros(len(stars), bool)
        bright = stars.magnitude <= self.magnitude_limit
        every = max(1, int(FIELD_STEP_S / self.interval_s))
        for index in {*range(0, self.count, every), self.count - 1}:
            near |= bright & (stars.vectors @ self.attitude(index, self.middle(index))[2] > reach)
        chosen = np.flatnonzero(near)
        chosen = chosen[np.argsort(stars.magnitude[chosen], kind="stable")][: self.stars_max]
        part = Stars(stars.source[chosen], stars.vectors[chosen], stars.magnitude[chosen], stars.temperature[chosen])
        lens = self.optics.lens
        light = electrons_of(part.magnitude, part.temperature) * lens.aperture_cm2 * lens.transmission
        return part, light

    @cached_property
    def _step(self) -> int:
        return int(max(8, np.ceil(self.optics.width / 100)))

    @cached_property
    def _grid(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Coarse grid over the frame: x, y, unit camera vectors, and arcsec^2 times throughput of its pixels."""
        step = self._step
        x, y = np.meshgrid(
            np.arange(self.optics.width // step + 2) * float(step),
            np.arange(self.optics.height // step + 2) * float(step),
        )
        weight = self.optics.solid_angle(x, y) * self.optics.throughput(x, y)
        return x, y, self.optics.unproject(x, y), weight

    @cached_property
    def _skyline_base(self) -> float:
        """Altitude of the ridge's foot at which it hides the share that was asked for."""
        assert self.ground is not None
        _, _, camera, _ = self._grid
        middle = self.count // 2
        horizontal = camera @ self.geometry(middle).attitude @ self.turning.horizon(self.middle(middle)).T
        shape = ridge(self.ground)
        low, high = -40.0, 80.0
        for _ in range(40):
            base = (low + high) / 2
            if hidden_share(horizontal, shape + base, 0.1).mean() > self.ground.share:
                high = base
            else:
                low = base
        return (low + high) / 2

    def _nodes(self, index: int) -> tuple[Floats, NDArray[np.float64], list[tuple[float, float]]]:
        """Moments (shares of the exposure), their weights, and the shake at each."""
        fault = self.faults.get(index)
        if fault is None or fault.kind not in MOTION or fault.kind == "stopped":
            return np.array([]), np.array([]), []
        when = float(self._draws(index, 3).uniform(0.3, 0.7))
        time, dx, dy = motion_of(fault, self._angle(index), when)
        path = np.concatenate([[0], np.cumsum(np.hypot(np.diff(dx), np.diff(dy)))])
        # even in time and along the path at once; half the width of a star apart
        count = int(np.clip(np.ceil(path[-1] / 0.6) + 4, 8, 48))
        measure = (time - time[0]) / (time[-1] - time[0]) + (path / path[-1] if path[-1] > 0 else 0)
        group = np.minimum((measure / measure[-1] * count).astype(int), count - 1)
        weight = np.bincount(group, minlength=count).astype(float)
        used = weight > 0
        mean = [np.bincount(group, v, count)[used] / weight[used] for v in (time, dx, dy)]
        return mean[0], weight[used] / weight.sum(), list(zip(mean[1], mean[2], strict=True))

    def light(self, index: int) -> tuple[NDArray[np.float32], StarTruth, dict[str, Any]]:
        """Expected electrons of a frame, the truth of its stars, and figures.

        Returns
        -------
        image : (height, width) float32
        """
        optics, lens, fault = self.optics, self.optics.lens, self.faults.get(index)
        colours = cell_colours(self.sensor.cfa)
        image = np.zeros((optics.height, optics.width), np.float32)
        size = (optics.width, optics.height)
        angle = self._angle(index)
        geometry = self.geometry(index)
        horizon = self.turning.horizon(self.middle(index))
        x, y, camera, weight = self._grid
        seen = camera @ geometry.attitude  # ICRS axes, as seen through the air
        horizontal = seen @ horizon.T

        # the smooth sky
        unit = sky_electrons(self.glow, lens.aperture_cm2) * lens.transmission * self.exposure_s
        directions = unrefract(seen, geometry.zenith, self.air) if self.air else seen
        sky = self.glow.radiance(horizontal, directions) * weight[..., None] * unit
        open_sky = sky.copy()
        figures: dict[str, Any] = {}
        passed = np.ones(x.shape)
        cloud_seed = [self.seed, 77]
        if fault is not None and fault.kind in LIGHT:
            if fault.kind in ("cloud", "haze"):
                passed = cloud_transmission(fault, x, y, size, angle, cloud_seed)
                inside = (x < optics.width) & (y < optics.height)
                figures["cloud_share"] = float(np.mean(passed[inside] < 0.9))
                figures["transmission_mean"] = float(np.mean(passed[inside]))
                sky *= (passed + CLOUD_LIGHT * (1 - passed))[..., None]
            elif fault.kind == "bright":
                sky *= fault.severity
            else:
                level = open_sky[y.shape[0] // 2, x.shape[1] // 2]
                beam = headlight_beam(x, y, size, float(self._draws(index, 4).uniform(0.2, 0.8)))
                sky += (fault.severity - 1) * beam[..., None] * level * np.array([1.25, 1.0, 0.7])
        spread(image, colours, sky, self._step)

        # the stars
        stars = self._stars(index, image, colours, geometry, angle, cloud_seed)

        # lights that cross
        middle = sky[y.shape[0] // 2, x.shape[1] // 2]
        if fault is not None and fault.kind in STREAKS:
            noise = float(np.sqrt(middle[1] + self.sensor.read_noise**2))
            sigma = lens.fwhm_px / GAUSS_FWHM
            course = streak(fault, size, angle, noise, sigma, self._draws(index, 5))
            xs = np.stack([optics.to_colour(course.x, course.y, c)[0] for c in COLOURS], -1)
            ys = np.stack([optics.to_colour(course.x, course.y, c)[1] for c in COLOURS], -1)
            stamp_points(image, colours, xs, ys, course.electrons, course.sigma, np.array(lens.colour_width))
            figures["streak"] = list(course.ends)

        # the ground
        if self.ground is not None:
            sway = float(self._draws(index, 6).normal(0, self.ground.sway_deg)) if self.ground.sway_deg else 0.0
            skyline = ridge(self.ground, sway) + self._skyline_base
            texture = 1 + 0.35 * waves(x, y * 2, [self.ground.seed, 9], 0.3 * optics.width)
            dim = middle * self.ground.light * np.array([0.8, 1.0, 0.85])
            earth = np.clip(texture, 0.2, None)[..., None] * dim * (weight / weight.max())[..., None]
            soft = float(np.degrees(1 / optics.focal_px))
            self._hide(index, image, colours, skyline, soft, earth)
            hidden = hidden_share(
                optics.unproject(stars.x[:, 1], stars.y[:, 1]) @ geometry.attitude @ horizon.T, skyline, soft
            )
            stars.hidden[:] = hidden
            inside = (x < optics.width) & (y < optics.height)
            figures["ground_share"] = float(hidden_share(horizontal, skyline, soft)[inside].mean())
        figures["sky_e_s"] = [float(v) / self.exposure_s for v in middle]
        figures["middle_s"] = self.middle(index)
        figures["altitude_deg"] = float(np.degrees(np.arcsin((geometry.attitude[2] @ horizon.T)[2])))
        return image, stars, figures

    def _hide(
        self,
        index: int,
        image: NDArray[np.float32],
        colours: NDArray[np.int64],
        skyline: Floats,
        soft_deg: float,
        earth: Floats,
    ) -> None:
        """Put the ground before the sky, in place; a tracker carries it on during the exposure."""
        camera, moments = self._grid[2], 1
        if self.mount.kind == "tracked":
            path = EARTH_RATE * self.exposure_s * self.optics.focal_px
            moments = int(np.clip(np.ceil(path / 2), 1, 24))
        total = np.zeros_like(image)
        for moment in range(moments):
            seconds = index * self.interval_s + (moment + 0.5) / moments * self.exposure_s
            horizon = self.turning.horizon(seconds)
            hidden = image.copy()
            horizontal = camera @ self.geometry(index, seconds).attitude @ horizon.T
            hide(hidden, colours, horizontal, self._step, skyline, soft_deg, earth)
            total += hidden
        image[:] = total / np.float32(moments)

    def _stars(
        self,
        index: int,
        image: NDArray[np.float32],
        colours: NDArray[np.int64],
        geometry: FrameGeometry,
        angle: float,
        cloud_seed: list[int],
    ) -> StarTruth:
        optics, lens, fault = self.optics, self.optics.lens, self.faults.get(index)
        stars, rate = self.field
        begin = index * self.interval_s
        apparent = aberrate(stars.vectors, self.turning.velocity)
        boresight = geometry.attitude[2]
        near = apparent @ boresight > np.cos(min(optics.corner_angle + 0.02, 1.5))
        altitude = altitude_of(apparent, geometry.zenith)
        near &= altitude > np.radians(-0.6)
        gx, gy = geometry.from_vectors(stars.vectors[near])
        margin = 12 + 8 * lens.fwhm_px
        if fault is not None and fault.kind in MOTION:
            margin += fault.severity
        inside = (gx > -margin) & (gx < optics.width + margin) & (gy > -margin) & (gy < optics.height + margin)
        chosen = np.flatnonzero(near)[inside]
        gx, gy, vectors = gx[inside], gy[inside], stars.vectors[chosen]

        ends = [self.geometry(index, begin + share * self.exposure_s).from_vectors(vectors) for share in (0.0, 1.0)]
        motion = np.stack([ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]], -1)
        longest = float(np.hypot(*motion.T).max()) if len(motion) else 0.0
        shares, weights, shakes = self._nodes(index)
        if len(shares):
            places = [
                self.geometry(index, begin + s * self.exposure_s, d).from_vectors(vectors)
                for s, d in zip(shares, shakes, strict=True)
            ]
            nodes_x, nodes_y = (np.ascontiguousarray(np.stack(p, -1)) for p in zip(*places, strict=True))
            wide_x, wide_y, wide_weights = nodes_x, nodes_y, weights
        else:
            # so many Gauss-Legendre nodes reproduce an even trail, blurred by a star's width, to 2e-4 of its peak
            count = 1 if longest < 0.01 else int(np.ceil(0.8 * longest / (lens.fwhm_px / GAUSS_FWHM))) + 2
            points, weights = np.polynomial.legendre.leggauss(count)
            weights = weights / 2

            def path(first: Floats, mid: Floats, last: Floats, s: Floats) -> Floats:
                slope, bend = last - first, 2 * (first + last) - 4 * mid
                return np.ascontiguousarray(mid[:, None] + slope[:, None] * s + bend[:, None] * s**2)

            nodes_x, nodes_y = (path(ends[0][i], m, ends[1][i], points / 2) for i, m in enumerate((gx, gy)))
            # the halo is so wide that two nodes, which keep its second moments, serve it
            wide_x, wide_y = (path(ends[0][i], m, ends[1][i], TWO_NODES) for i, m in enumerate((gx, gy)))
            wide_weights = np.array([0.5, 0.5])

        passed = np.ones(len(gx))
        if fault is not None and fault.kind in ("cloud", "haze"):
            passed = cloud_transmission(fault, gx, gy, (optics.width, optics.height), angle, cloud_seed)
        electrons = rate[chosen] * (self.exposure_s * optics.throughput(gx, gy) * passed)[:, None]
        if self.extinction:
            seen = altitude_of(refract(apparent[chosen], geometry.zenith, self.air), geometry.zenith)
            electrons *= 10 ** (-0.4 * EXTINCTION_RGB * airmass(seen)[:, None])
        spread_out = fault.severity if fault is not None and fault.kind == "defocus" else 1.0
        parts = optics.components(gx, gy, spread_out)
        lateral = np.array([lens.lateral[0], (0.0, 0.0), lens.lateral[1]])
        axis = np.array([*optics.centre, optics.half_diagonal])
        width = np.array(lens.colour_width)
        core = np.ascontiguousarray(parts[:, :-1] if lens.halo else parts)
        stamp_stars(image, colours, nodes_x, nodes_y, weights, electrons, core, width, lateral, axis)
        if lens.halo:
            halo = np.ascontiguousarray(parts[:, -1:])
            stamp_stars(image, colours, wide_x, wide_y, wide_weights, electrons, halo, width, lateral, axis)
        by_colour = [optics.to_colour(gx, gy, c) for c in COLOURS]
        on = (gx > -0.5) & (gx < optics.width - 0.5) & (gy > -0.5) & (gy < optics.height - 0.5)
        order = np.flatnonzero(on)
        order = order[np.argsort(-electrons[order, 1], kind="stable")]
        return StarTruth(
            stars.source[chosen][order],
            stars.magnitude[chosen][order],
            np.stack([p[0] for p in by_colour], -1)[order],
            np.stack([p[1] for p in by_colour], -1)[order],
            electrons[order],
            motion[order],
            passed[order],
            np.zeros(len(order)),
        )

    def render(self, index: int) -> Frame:
        """One light frame."""
        if not 0 <= index < self.count:
            raise ValueError(f"index must be from 0 to {self.count - 1} (got {index})")
        fault = self.faults.get(index)
        image, stars, figures = self.light(index)
        rng = self._draws(index, 0)
        drift = float(rng.normal(0, self.drift_adu))
        temperature = self.temperature(index)
        mosaic = expose(image, self.sensor, self.exposure_s, temperature, rng, drift)
        figures |= {"temperature_c": temperature, "drift_adu": drift, "exposure_s": self.exposure_s}
        kind, severity = (None, None) if fault is None else (fault.kind, fault.severity)
        truth = FrameTruth(index, "light", kind, severity, self.geometry(index), stars, figures)
        return Frame(f"light_{index:04d}.dng", mosaic, self.meta(index), truth)

    def render_dark(self, index: int, after_s: float | None = None) -> Frame:
        """One dark frame, the `index`-th, taken after the lights (or `after_s` seconds after the scene's start)."""
        place = self.count + index if after_s is None else after_s / self.interval_s + index
        rng = self._draws(100_000 + index, 0)
        drift = float(rng.normal(0, self.drift_adu))
        temperature = self.temperature(place)  # type: ignore[arg-type]
        mosaic = expose(None, self.sensor, self.exposure_s, temperature, rng, drift)
        figures = {"temperature_c": temperature, "drift_adu": drift, "exposure_s": self.exposure_s}
        truth = FrameTruth(index, "dark", None, None, None, None, figures)
        return Frame(f"dark_{index:04d}.dng", mosaic, self.meta(place), truth)  # type: ignore[arg-type]

    def frames(self) -> Iterator[Frame]:
        """All light frames, in order."""
        return (self.render(index) for index in range(self.count))

    def darks(self, count: int) -> Iterator[Frame]:
        """`count` dark frames."""
        return (self.render_dark(index) for index in range(count))


def make_scenario(
    lens_mm: float = 24.0,
    pitch_um: float | None = None,
    width: int = 1620,
    height: int = 1080,
    n: int = 20,
    mount: str = "tripod",
    exposure_s: float = 15.0,
    interval_s: float | None = None,
    azimuth_deg: float = 180.0,
    altitude_deg: float = 45.0,
    roll_deg: float = 0.0,
    f_number: float = 2.8,
    fwhm_px: float = 2.3,
    cfa: str = "RGGB",
    ground: Ground | float | None = None,
    faults: Mapping[int, Fault] | None = None,
    start: datetime | None = None,
    ideal_lens: bool = False,
    seed: int = 1,
    **changes: Any,
) -> Scenario:
    """A scenario from a few words, for tests and benchmarks.

    Parameters
    ----------
    pitch_um : pixel pitch; None: the pitch at which `width` pixels make 36 mm
    n : frames
    mount : tripod or tracked (then with 0.2 degrees of polar error and dithers of 3 px)
    interval_s : from start to start; None: exposure and two seconds
    ground : share of the frame that a wooded ridge hides (or a `Ground`)
    ideal_lens : no distortion, aberration, halo, lateral colour or vignetting
    changes : further fields of `Scenario` (sensor, glow, site, iso, extinction, stars_max ...); `stars_max` is a star
        for every 120 pixels unless given, so that a small frame that stands in for a large one is not crowded
    """
    pitch = 36_000.0 / width if pitch_um is None else pitch_um
    half = float(np.hypot(width, height) / 2)
    if ideal_lens:
        lens = plausible_lens(
            lens_mm, 1.0, half, f_number=f_number, fwhm_px=fwhm_px, radial=(0.0, 0.0, 0.0), tangential=(0.0, 0.0),
            decentre_px=(0.0, 0.0), lateral=((0.0, 0.0), (0.0, 0.0)), curvature=0.0, coma_px=0.0, astigmatism_px=0.0,
            halo=0.0, vignetting=0.0,
        )  # fmt: skip
    else:
        lens = plausible_lens(lens_mm, half * pitch / (lens_mm * 1e3), half, f_number=f_number, fwhm_px=fwhm_px)
    tracker = {"polar_error_deg": 0.2, "periodic_arcsec": 6.0, "dither_px": 3.0} if mount == "tracked" else {}
    held = Mount(mount, azimuth_deg, altitude_deg, roll_deg, **tracker)  # type: ignore[arg-type]
    given: dict[str, Any] = {
        "optics": Optics(lens, pitch, width, height),
        "sensor": Sensor(width, height, cfa=cfa),
        "start": start or datetime(2026, 8, 14, 23, 30, tzinfo=UTC),
        "exposure_s": exposure_s,
        "interval_s": exposure_s + 2 if interval_s is None else interval_s,
        "count": n,
        "mount": held,
        "ground": Ground(share=ground) if isinstance(ground, (int, float)) and ground else ground or None,
        "faults": dict(faults or {}),
        "stars_max": width * height // PIXELS_PER_STAR,
        "seed": seed,
    }
    given.update(changes)
    return Scenario(**given)


def render_scene(*args: Any, **settings: Any) -> Iterator[Frame]:
    """The light frames of `make_scenario` with the same arguments, one by one."""
    return make_scenario(*args, **settings).frames()
