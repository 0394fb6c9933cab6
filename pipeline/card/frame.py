"""One frame of the card as the sorting sees it: a file, what its header says, when it was taken."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from pipeline.sensor.metadata import FrameMeta

NO_TIME = "00000000T000000"


@dataclass(frozen=True)
class Facts:
    """What a frame's header says; None where it says nothing.

    `taken` is the camera's own clock at the start of the exposure, ISO 8601 without a zone, with as many decimals of
    a second as the camera gave.
    """

    width: int
    height: int
    exposure_s: float | None = None
    iso: int | None = None
    gain: float | None = None  # an astronomical camera's own setting, which is no ISO
    f_number: float | None = None
    focal_mm: float | None = None
    taken: str | None = None
    utc_offset_hours: float | None = None
    temperature_c: float | None = None
    camera: str | None = None
    serial: str | None = None
    lens: str | None = None
    pixel_um: float | None = None
    camera_subtracted: bool | None = None
    black_stated: bool | None = None  # of FITS files
    filter: str | None = None  # the name of one before the sensor, of FITS files
    image_type: str | None = None  # light, dark, flat or bias where the header claims one

    @property
    def sensitivity(self) -> tuple[int | None, float | None]:
        """ISO and gain: what must be equal for two frames to be alike."""
        return self.iso, self.gain

    @property
    def through(self) -> str:
        """The filter's name, however its letters are written; empty where none is named."""
        return (self.filter or "").casefold()

    def clock(self) -> datetime | None:
        """The camera's clock; None where there is no time."""
        return None if self.taken is None else datetime.fromisoformat(self.taken)

    @property
    def subsecond(self) -> bool:
        """Whether the clock was read finer than to the second."""
        return self.taken is not None and "." in self.taken


@dataclass(frozen=True)
class Look:
    """A coarse look at a frame.

    `level` is the median above black as a share of the range from black to saturation, `spread` the same of the
    difference between bright and faint blocks (5 % to 95 %), `noise` the same of a green cell's noise; `smooth` is
    the share of blocks that show nothing but noise and points, or crowded stars; in those, `stars` is the number of
    star-like points and `points` that of single bright pixels.
    """

    level: float
    spread: float
    noise: float
    smooth: float
    stars: int
    points: int


@dataclass(frozen=True)
class CardFrame:
    """A frame of the card. `start` are seconds on a clock that is the same for all frames of its camera body; by
    `ahead_h` the place's own time is ahead of the camera's clock, where that runs on UTC. `state` is `unreadable` or
    `damaged` where that is known. `twin` numbers bodies of a model that only their exposures tell apart; 0 where they
    do not. `stretch` counts how often its camera's clock had been set back before, `set_back` says so in a sentence.
    """

    id: str
    path: str
    shown: str
    folder: str
    role: str
    size: int
    facts: Facts
    kind: str = ""
    start: float | None = None
    body: str = ""
    ahead_h: float = 0.0
    state: str | None = None
    twin: int = 0
    stretch: int = 0
    set_back: str = ""

    @property
    def night(self) -> str | None:
        """The date of the evening on which the frame's night began, by the place's time (noon to noon)."""
        clock = self.facts.clock()
        return None if clock is None else (clock + timedelta(hours=self.ahead_h - 12)).strftime("%Y-%m-%d")

    @property
    def pixels(self) -> int:
        """Number of pixels."""
        return self.facts.width * self.facts.height

    @property
    def clock_s(self) -> float | None:
        """Seconds on the camera's own clock, whatever its zone; None where there is no time."""
        clock = self.facts.clock()
        return None if clock is None else clock.replace(tzinfo=UTC).timestamp()

    @property
    def exposure(self) -> float:
        """Exposure in seconds, 0 where unknown."""
        return self.facts.exposure_s or 0.0


def frame_id(facts: Facts, digest: str) -> str:
    """The id of a frame: the camera's time and 8 hex digits of its content's hash.

    Examples
    --------
    >>> frame_id(Facts(10, 10, taken="2026-08-14T22:15:03.25"), "1f3a9c20ffff")
    '20260814T221503-1f3a9c20'
    """
    clock = facts.clock()
    return f"{NO_TIME if clock is None else clock.strftime('%Y%m%dT%H%M%S')}-{digest[:8]}"


def taken_text(facts: Facts, site_offset_hours: float | None) -> tuple[str | None, bool]:
    """When a frame was taken, ISO 8601: UTC where the zone is known, else the camera's clock; and which of both."""
    clock = facts.clock()
    if clock is None:
        return None, False
    offset = facts.utc_offset_hours if facts.utc_offset_hours is not None else site_offset_hours
    if offset is not None:
        clock -= timedelta(hours=offset)
    return clock.isoformat(timespec="milliseconds" if facts.subsecond else "seconds"), offset is not None


def set_clocks(
    frames: Iterable[CardFrame], site_offset_hours: float | None, longitude: float | None = None
) -> list[CardFrame]:
    """Tell camera bodies apart and give each frame its place on its body's clock.

    A frame without a body serial counts to the only body of its model, where there is only one. The clock is UTC
    where every frame of the body has a zone (so that a change of the zone does not show as a pause), else the
    camera's own time. Nights end at noon: of clocks that run on UTC, as FITS frames' do, at that of the site's
    longitude (degrees east), or else of its zone.
    """
    frames = list(frames)
    ahead = longitude / 15 if longitude is not None else site_offset_hours or 0.0
    serials: dict[str | None, set[str]] = defaultdict(set)
    for frame in frames:
        if frame.facts.serial is not None:
            serials[frame.facts.camera].add(frame.facts.serial)
    bodies: dict[str, list[CardFrame]] = defaultdict(list)
    for frame in frames:
        known = serials[frame.facts.camera]
        serial = frame.facts.serial or (next(iter(known)) if len(known) == 1 else "")
        body = f"{frame.facts.camera or 'unknown camera'} {serial}".strip()
        bodies[body].append(frame)
    placed = {}
    for body, members in bodies.items():
        timed = [f for f in members if f.facts.taken is not None]
        zoned = site_offset_hours is not None or all(f.facts.utc_offset_hours is not None for f in timed)
        for frame in members:
            start = None
            clock = frame.facts.clock()
            if clock is not None:
                start = clock.replace(tzinfo=UTC).timestamp()
                if zoned:
                    own = frame.facts.utc_offset_hours
                    start -= 3600 * (own if own is not None else site_offset_hours or 0.0)
            on_utc = frame.facts.utc_offset_hours == 0
            placed[id(frame)] = replace(frame, start=start, body=body, ahead_h=ahead if on_utc else 0.0)
    return [placed[id(frame)] for frame in frames]


def in_order(frames: Iterable[CardFrame]) -> list[CardFrame]:
    """By time; frames without a time come last, by name."""
    return sorted(frames, key=lambda f: (f.start is None, f.start or 0.0, f.shown, f.id))


def median(values: Iterable[float | None]) -> float | None:
    """Median of the known values; None where there are none."""
    known = sorted(v for v in values if v is not None)
    if not known:
        return None
    middle = len(known) // 2
    return known[middle] if len(known) % 2 else (known[middle - 1] + known[middle]) / 2


def near_values(values: Iterable[float | None], tolerance: float) -> dict[float | None, float | None]:
    """Map each value to one that stands for all within a share `tolerance` above it; None to None.

    Examples
    --------
    >>> near_values([30.0, 30.2, 60.0, None], 0.03)
    {None: None, 30.0: 30.0, 30.2: 30.0, 60.0: 60.0}
    """
    result: dict[float | None, float | None] = {None: None}
    leader = -math.inf
    for value in sorted({v for v in values if v is not None}):
        if value > leader * (1 + tolerance) or leader < 0:
            leader = value
        result[value] = leader
    return result


def seconds(exposure_s: float | None) -> str:
    """An exposure as photographers write it: `30 s`, `1/250 s`.

    Examples
    --------
    >>> seconds(0.004), seconds(2.5), seconds(1200.0), seconds(None)
    ('1/250 s', '2.5 s', '1200 s', 'unknown exposure')
    """
    if exposure_s is None:
        return "unknown exposure"
    if 0 < exposure_s < 0.3:
        return f"1/{round(1 / exposure_s)} s"
    return f"{three_digits(exposure_s)} s"


def three_digits(number: float) -> str:
    """A number to three digits, without an exponent.

    Examples
    --------
    >>> three_digits(2.5), three_digits(12.04), three_digits(1200.0)
    ('2.5', '12', '1200')
    """
    return f"{number:.0f}" if number >= 999.5 else f"{number:.3g}"


def count(number: int, word: str) -> str:
    """`1 dark`, `2 darks`."""
    return f"{number} {word}" + ("" if number == 1 else "es" if word.endswith("s") else "s")


_IMAGE_TYPES = ("bias", "zero", "dark", "flat", "light", "object", "science")


def facts_of(meta: FrameMeta) -> Facts:
    """What of a frame's metadata the sorting uses."""
    claimed = next((word for word in _IMAGE_TYPES if word in (meta.image_type or "")), None)
    taken = None
    if meta.taken is not None:
        taken = meta.taken.isoformat(timespec="milliseconds" if meta.taken.microsecond else "seconds")
    return Facts(
        width=meta.width,
        height=meta.height,
        exposure_s=meta.exposure_s,
        iso=meta.iso,
        gain=meta.gain,
        f_number=meta.f_number or None,
        focal_mm=meta.focal_mm or None,
        taken=taken,
        utc_offset_hours=meta.utc_offset_hours,
        temperature_c=meta.temperature_c,
        camera=meta.camera,
        serial=meta.serial,
        lens=meta.lens,
        pixel_um=meta.pixel_um,
        camera_subtracted=meta.noise_reduction,
        black_stated=meta.black_stated,
        filter=meta.filter,
        image_type={"zero": "bias", "object": "light", "science": "light"}.get(claimed or "", claimed),
    )
