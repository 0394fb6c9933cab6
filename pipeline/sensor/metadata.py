"""What a raw file says of itself: LibRaw's reading first, Exif for what LibRaw does not give."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from pipeline.sensor.tags import bytes_needed, first_text, number_of, numbers_of, text_of

# Exif 2.32, FocalPlaneResolutionUnit (tag 41488): how many micrometres one unit has
_UNIT_UM = {2: 25400.0, 3: 10000.0, 4: 1000.0, 5: 1.0}
# Pixels of cameras made for pictures are 0.8 um (phones) to 25 um (scientific CCDs) wide; the rest is an error.
_PITCH_UM = (0.8, 30.0)
# Diagonal of a 36 x 24 mm frame, which "focal length in 35 mm film" compares with (Exif 2.32, tag 41989)
_FULL_FRAME_DIAGONAL_MM = 43.267
# Exif 2.32, LightSource values used by DNG's CalibrationIlluminant, as correlated colour temperatures (K)
_ILLUMINANT_K = {1: 5500, 2: 4150, 3: 2850, 4: 5500, 9: 5500, 10: 6500, 11: 7500, 17: 2850, 18: 4870, 19: 6770}
_ILLUMINANT_K |= {20: 5500, 21: 6500, 22: 7500, 23: 5000, 24: 3200}
_D65_K = 6500


@dataclass(frozen=True)
class HeaderFacts:
    """What the raw decoder reads from a file's header; None where it says nothing.

    `width` and `height` are those of the visible area; `clock` counts seconds as if the camera's clock were UTC.
    """

    width: int
    height: int
    cfa: str | None = None
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    clock: int | None = None
    make: str = ""
    model: str = ""
    lens: str = ""
    orientation: int = 1


@dataclass(frozen=True)
class FrameMeta:
    """Metadata of one frame; None where the file does not say.

    `taken` is what the camera's clock showed at the start of the exposure, without a zone; `utc_offset_hours` is that
    clock minus UTC. `focal_35mm` is the focal length that gives the same field on 36 x 24 mm. `pixel_um` is the pitch
    of the full-size mosaic. `temperature_c` is the sensor's where the camera tells it, else the one it tells instead
    (body or air). `noise_reduction` says whether the camera has subtracted a dark frame of its own. `gain` is an
    astronomical camera's own setting (FITS GAIN), which is no ISO. `image_type` is FITS IMAGETYP in lower case,
    `filter` the name that FITS FILTER gives what was before the sensor.
    `orientation` is Exif's (1-8). `white_balance` (R, G, B multipliers, green 1) and `xyz_to_camera` (row by row) are
    there after decoding only. `black_stated` says of a FITS file whether it states its black level.
    `exposure_s` may be 0 in a FITS file: so biases are noted, and by some programs lights that they know nothing of.
    `file_bytes_expected` is the length that the file's own offsets ask for.
    """

    width: int
    height: int
    cfa: str | None = None
    taken: datetime | None = None
    utc_offset_hours: float | None = None
    exposure_s: float | None = None
    iso: int | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    focal_35mm: float | None = None
    pixel_um: float | None = None
    camera: str | None = None
    serial: str | None = None
    lens: str | None = None
    temperature_c: float | None = None
    gain: float | None = None
    black_stated: bool | None = None
    image_type: str | None = None
    filter: str | None = None
    orientation: int = 1
    noise_reduction: bool | None = None
    white_balance: tuple[float, float, float] | None = None
    xyz_to_camera: tuple[float, ...] | None = None
    file_bytes_expected: int | None = None

    @property
    def taken_utc(self) -> datetime | None:
        """The start of the exposure in UTC (still without a zone object), None where the zone is unknown."""
        if self.taken is None or self.utc_offset_hours is None:
            return None
        return self.taken - timedelta(hours=self.utc_offset_hours)

    @property
    def taken_text(self) -> str | None:
        """ISO 8601, UTC where the zone is known, the camera's clock otherwise; milliseconds."""
        moment = self.taken_utc or self.taken
        return None if moment is None else moment.isoformat(timespec="milliseconds")

    def to_json(self) -> dict[str, Any]:
        """Plain values for JSON."""
        content = asdict(self)
        content["taken"] = None if self.taken is None else self.taken.isoformat()
        return content

    @classmethod
    def from_json(cls, content: Mapping[str, Any]) -> FrameMeta:
        """Read what `to_json` gave."""
        values: dict[str, Any] = {field.name: content.get(field.name) for field in fields(cls)}
        values["taken"] = None if values["taken"] is None else datetime.fromisoformat(str(values["taken"]))
        for key in ("white_balance", "xyz_to_camera"):
            values[key] = None if values[key] is None else tuple(values[key])
        return cls(**values)


def build_meta(facts: HeaderFacts, tags: Mapping[str, Any]) -> FrameMeta:
    """Put a frame's metadata together; LibRaw's values win where it has them.

    Parameters
    ----------
    facts : HeaderFacts
    tags : mapping from `read_exif`

    Returns
    -------
    FrameMeta
    """
    focal = _positive(facts.focal_mm) or _positive(number_of(tags, "EXIF FocalLength"))
    focal_35 = _positive(facts.focal_35mm) or _positive(number_of(tags, "EXIF FocalLengthIn35mmFilm"))
    iso = _positive(facts.iso) or _iso(tags)
    return FrameMeta(
        width=facts.width,
        height=facts.height,
        cfa=facts.cfa,
        taken=_taken(facts, tags),
        utc_offset_hours=_utc_offset(tags),
        exposure_s=_rounded(_positive(facts.exposure_s) or _positive(number_of(tags, "EXIF ExposureTime"))),
        iso=None if iso is None else round(iso),
        f_number=_rounded(_positive(facts.f_number) or _positive(number_of(tags, "EXIF FNumber", "Image FNumber"))),
        focal_mm=_rounded(focal),
        focal_35mm=_rounded(focal_35),
        pixel_um=_pixel_um(tags, facts.width, facts.height, focal, focal_35),
        camera=_camera(facts, tags),
        serial=first_text(
            tags, "EXIF BodySerialNumber", "Image Tag 0xC62F", "Image CameraSerialNumber", "MakerNote SerialNumber"
        ),
        lens=first_text(tags, "EXIF LensModel", "MakerNote LensModel") or facts.lens or None,
        temperature_c=_temperature(tags),
        orientation=facts.orientation,
        noise_reduction=_camera_dark(tags),
        file_bytes_expected=bytes_needed(tags),
    )


def colour_matrix(tags: Mapping[str, Any]) -> tuple[float, ...] | None:
    """XYZ-to-camera matrix of a DNG (tags 50721, 50722), the one made for the light nearest to D65, row by row.

    References
    ----------
    DNG 1.7.0.0, chapter 6: `AnalogBalance` (50727) times `ColorMatrix`.
    """
    found = []
    for number, (matrix, light) in enumerate((("0xC621", "0xC65A"), ("0xC622", "0xC65B"))):
        values = numbers_of(tags.get(f"Image Tag {matrix}") or tags.get(f"Image ColorMatrix{number + 1}"))
        if len(values) == 9 and any(values):
            light_tag = tags.get(f"Image Tag {light}") or tags.get(f"Image CalibrationIlluminant{number + 1}")
            kelvin = _ILLUMINANT_K.get(int((numbers_of(light_tag) or [0])[0]), 5000)
            found.append((abs(1 / kelvin - 1 / _D65_K), number, values))
    if not found:
        return None
    rows = np.array(min(found)[2]).reshape(3, 3)
    balance = numbers_of(tags.get("Image Tag 0xC627") or tags.get("Image AnalogBalance"))
    if len(balance) == 3 and all(value > 0 for value in balance):
        rows = np.array(balance)[:, None] * rows
    return tuple(float(value) for value in rows.ravel())


def _positive(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) and value > 0 else None


def _rounded(value: float | None) -> float | None:
    """Seven significant digits: what a 32-bit number holds, so that 1/640 s stays 0.0015625."""
    return None if value is None else float(f"{value:.7g}")


def _iso(tags: Mapping[str, Any]) -> float | None:
    """Exif's 16-bit field stops at 65535 and then means "see the other tags" (Exif 2.32, 4.6.5)."""
    iso = number_of(tags, "EXIF ISOSpeedRatings", "EXIF PhotographicSensitivity")
    if iso is None or iso == 65535:
        iso = number_of(tags, "EXIF RecommendedExposureIndex", "EXIF ISOSpeed", "EXIF StandardOutputSensitivity") or iso
    return _positive(iso)


def _taken(facts: HeaderFacts, tags: Mapping[str, Any]) -> datetime | None:
    for name, part in (
        ("EXIF DateTimeOriginal", "EXIF SubSecTimeOriginal"),
        ("Image DateTimeOriginal", "EXIF SubSecTimeOriginal"),
        ("EXIF DateTimeDigitized", "EXIF SubSecTimeDigitized"),
        ("Image DateTime", "EXIF SubSecTime"),
    ):
        moment = parse_time(text_of(tags.get(name)))
        if moment is not None:
            digits = re.fullmatch(r"(\d{1,9})", text_of(tags.get(part)))
            return moment if digits is None else moment + timedelta(seconds=float(f"0.{digits.group(1)}"))
    if facts.clock is not None and facts.clock > 0:
        try:
            return datetime(1970, 1, 1) + timedelta(seconds=facts.clock)
        except OverflowError:
            return None
    return None


def parse_time(text: str) -> datetime | None:
    """Read an Exif or ISO time without its zone; None where it is none or its year lies outside 1980-2199."""
    match = re.match(r"(\d{4})[:-](\d\d)[:-](\d\d)[ T](\d\d):(\d\d):(\d\d)(\.\d{1,9})?", text)
    if match is None:
        return None
    try:
        year, month, day, hour, minute, second = (int(group) for group in match.groups()[:6])
        moment = datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None
    if not 1980 <= moment.year < 2200:
        return None
    return moment + timedelta(seconds=float(match.group(7) or 0))


def _utc_offset(tags: Mapping[str, Any]) -> float | None:
    for name in ("EXIF OffsetTimeOriginal", "EXIF OffsetTime", "EXIF OffsetTimeDigitized"):
        tag = tags.get(name) or tags.get({"EXIF OffsetTimeOriginal": "EXIF Tag 0x9011"}.get(name, ""))
        match = re.fullmatch(r"([+-])(\d\d):(\d\d)", text_of(tag))
        if match:
            hours = int(match.group(2)) + int(match.group(3)) / 60
            if hours <= 14:
                return -hours if match.group(1) == "-" else hours
    zone = number_of(tags, "Image TimeZoneOffset", "EXIF TimeZoneOffset")
    return zone if zone is not None and abs(zone) <= 14 else None


def _temperature(tags: Mapping[str, Any]) -> float | None:
    """The sensor's temperature; else the body's; else the air's (Exif 2.31, tag 37888), degrees C."""

    def rank(name: str) -> int:
        order = ("sensortemperature", "cameratemperature", "ambienttemperature", "temperature")
        last = name.split()[-1].lower()
        return order.index(last) if last in order else len(order)

    tags = dict(tags)
    if "EXIF Tag 0x9400" in tags:
        tags.setdefault("EXIF AmbientTemperature", tags["EXIF Tag 0x9400"])
    names = sorted((name for name in tags if rank(name) < 4), key=lambda name: (rank(name), name))
    for name in names:
        numbers = numbers_of(tags[name])
        match = re.search(r"-?\d+(\.\d+)?", str(tags[name]))
        value = numbers[0] if numbers else float(match.group()) if match else None
        # a rational of nought over nought and the byte 0 or 255 stand for "unknown"; sensors work at -80 to 90 C
        if value is not None and -90 < value < 95:
            return round(value, 2)
    return None


def _camera_dark(tags: Mapping[str, Any]) -> bool | None:
    """Whether long-exposure noise reduction has been applied, by the makers' tags; None where none says."""
    for name, tag in tags.items():
        last = name.split()[-1].lower()
        text = str(tag).strip().lower()
        if "longexposurenoisereduction" in last:
            if "unused" in text or text.startswith("off") or text == "0":
                return False
            if "auto" in text or "n/a" in text:
                continue
            if text.startswith("on") or "subtracted" in text:
                return True
        elif name == "MakerNote NoiseReduction" and text in ("fpnr", "off"):
            return text == "fpnr"
    return None


def _camera(facts: HeaderFacts, tags: Mapping[str, Any]) -> str | None:
    make = text_of(tags.get("Image Make")) or facts.make
    model = text_of(tags.get("Image Model")) or facts.model
    if make and model and not model.lower().startswith(make.split()[0].lower()):
        model = f"{make} {model}"
    return model or make or None


def _pixel_um(
    tags: Mapping[str, Any], width: int, height: int, focal_mm: float | None, focal_35mm: float | None
) -> float | None:
    """Pixel pitch from the focal-plane resolution, else from the two focal lengths; where they disagree, the latter.

    The resolution counts pixels of the picture that Exif describes, which may be smaller than the mosaic. It is wrong
    in some files (inches for centimetres); the ratio of focal lengths is rounded to whole millimetres, hence trusted
    against it only beyond 30 %.
    """
    by_focal = None
    if focal_mm and focal_35mm and 0.2 <= focal_35mm / focal_mm <= 12:
        by_focal = _FULL_FRAME_DIAGONAL_MM * 1000 * focal_mm / focal_35mm / math.hypot(width, height)
    by_plane = None
    resolution = _positive(number_of(tags, "EXIF FocalPlaneXResolution", "Image FocalPlaneXResolution"))
    if resolution:
        unit = int(number_of(tags, "EXIF FocalPlaneResolutionUnit", "Image FocalPlaneResolutionUnit") or 2)
        by_plane = _UNIT_UM.get(unit, _UNIT_UM[2]) / resolution
        described = number_of(tags, "EXIF ExifImageWidth")
        if described and described < 0.9 * width:
            by_plane *= described / width
    sane = [p for p in (by_plane, by_focal) if p is not None and _PITCH_UM[0] <= p <= _PITCH_UM[1]]
    if not sane:
        return None
    if len(sane) == 2 and not 1 / 1.3 < sane[0] / sane[1] < 1.3:
        return round(sane[1], 4)
    return round(sane[0], 4)
