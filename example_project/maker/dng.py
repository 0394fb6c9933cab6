"""Raw frames as DNG files, written from the published tag definitions (TIFF 6.0, TIFF/EP, Exif 2.32, DNG 1.7.0.0).

Nothing of a real maker is in them: the layout is that of the specification, a small preview in the first directory
and the mosaic in a sub-directory, or the mosaic alone.
"""

from __future__ import annotations

import io
import os
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.files import replacing
from pipeline.sensor.cfa import CFA_PATTERNS

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10

# XYZ to camera, row by row: least squares of the invented sensor's dyes (`sky.DYES`) against the colour-matching
# functions of Wyman, Sloan & Shirley 2013 (JCGT 2:1) over smooth spectra, exact for 6504 K; and that white's
# camera values
COLOUR_MATRIX = (0.8449, -0.1111, -0.1476, -0.5521, 1.3461, 0.1682, -0.2654, 0.3792, 0.4767)
NEUTRAL = (0.5416, 1.0, 0.6566)


@dataclass(frozen=True)
class FrameMeta:
    """What a camera writes beside the pixels.

    Parameters
    ----------
    taken : aware datetime, start of the exposure as the camera's clock shows it; None leaves all times out
    black : levels in ADU at the CFA positions (0,0), (0,1), (1,0), (1,1)
    white : ADU, the saturation level that the header claims
    temperature_c : sensor temperature, written as Exif Temperature (0x9400)
    pitch_um : pixel pitch, written as FocalPlaneXResolution
    """

    exposure_s: float
    iso: int
    f_number: float | None = 2.8
    focal_mm: float | None = 24.0
    taken: datetime | None = None
    temperature_c: float | None = None
    pitch_um: float | None = None
    cfa: str = "RGGB"
    black: tuple[float, float, float, float] = (512.0, 512.0, 512.0, 512.0)
    white: int = 15871
    make: str = "Varno"
    model: str = "Varno N1"
    serial: str | None = "20417"
    lens: str | None = None
    orientation: int = 1
    neutral: tuple[float, float, float] = NEUTRAL
    colour_matrix: tuple[float, ...] = COLOUR_MATRIX


def _rational(value: float, limit: int = 1_000_000) -> tuple[int, int]:
    part = Fraction(value).limit_denominator(limit)
    return part.numerator, part.denominator


class _Directory:
    """One image file directory; values longer than four bytes and image data are laid out behind it."""

    def __init__(self) -> None:
        self.entries: dict[int, tuple[int, int, bytes]] = {}

    def put(self, tag: int, kind: int, *values: int | float | str | bytes) -> None:
        if kind == ASCII:
            raw = str(values[0]).encode("ascii", "replace") + b"\0"
            count = len(raw)
        elif kind in (BYTE, UNDEFINED):
            raw = values[0] if isinstance(values[0], bytes) else bytes(int(v) for v in values)
            count = len(raw)
        elif kind in (RATIONAL, SRATIONAL):
            code = "<II" if kind == RATIONAL else "<ii"
            raw = b"".join(struct.pack(code, *_rational(float(v))) for v in values)
            count = len(values)
        else:
            raw = struct.pack("<" + {SHORT: "H", LONG: "I"}[kind] * len(values), *(int(v) for v in values))
            count = len(values)
        self.entries[tag] = (kind, count, raw)

    def size(self) -> int:
        return (
            2 + 12 * len(self.entries) + 4 + sum(len(r) + len(r) % 2 for _, _, r in self.entries.values() if len(r) > 4)
        )

    def packed(self, offset: int) -> bytes:
        head = struct.pack("<H", len(self.entries))
        tail = b""
        behind = offset + 2 + 12 * len(self.entries) + 4
        for tag in sorted(self.entries):
            kind, count, raw = self.entries[tag]
            head += struct.pack("<HHI", tag, kind, count)
            if len(raw) <= 4:
                head += raw.ljust(4, b"\0")
            else:
                head += struct.pack("<I", behind + len(tail))
                tail += raw + b"\0" * (len(raw) % 2)
        return head + struct.pack("<I", 0) + tail


def _exif(meta: FrameMeta) -> _Directory:
    exif = _Directory()
    exif.put(33434, RATIONAL, meta.exposure_s)
    if meta.f_number is not None:
        exif.put(33437, RATIONAL, meta.f_number)
    exif.put(34850, SHORT, 1)  # exposure program: manual
    exif.put(34855, SHORT, min(meta.iso, 65535))
    exif.put(34864, SHORT, 2)  # sensitivity type: recommended exposure index
    exif.put(34866, LONG, meta.iso)
    exif.put(36864, UNDEFINED, b"0232")
    if meta.taken is not None:
        stamp = meta.taken.strftime("%Y:%m:%d %H:%M:%S")
        exif.put(36867, ASCII, stamp)
        exif.put(36868, ASCII, stamp)
        if meta.taken.tzinfo is not None:
            zone = meta.taken.strftime("%z")
            zone = f"{zone[:3]}:{zone[3:5]}"
            for tag in (36880, 36881, 36882):  # OffsetTime, ...Original, ...Digitized
                exif.put(tag, ASCII, zone)
        for tag in (37520, 37521, 37522):  # SubSecTime, ...Original, ...Digitized: hundredths
            exif.put(tag, ASCII, f"{meta.taken.microsecond // 10000:02d}")
    if meta.focal_mm is not None:
        exif.put(37386, RATIONAL, meta.focal_mm)
    if meta.temperature_c is not None:
        exif.put(37888, SRATIONAL, round(meta.temperature_c, 1))
    if meta.pitch_um is not None:
        exif.put(41486, RATIONAL, 1e4 / meta.pitch_um)
        exif.put(41487, RATIONAL, 1e4 / meta.pitch_um)
        exif.put(41488, SHORT, 3)  # per centimetre
    exif.put(41986, SHORT, 1)  # exposure mode: manual
    if meta.serial is not None:
        exif.put(42033, ASCII, meta.serial)
    if meta.lens is not None:
        exif.put(42036, ASCII, meta.lens)
    return exif


def _common(ifd: _Directory, meta: FrameMeta) -> None:
    ifd.put(271, ASCII, meta.make)
    ifd.put(272, ASCII, meta.model)
    ifd.put(274, SHORT, meta.orientation)
    if meta.taken is not None:
        ifd.put(306, ASCII, meta.taken.strftime("%Y:%m:%d %H:%M:%S"))
    ifd.put(50706, BYTE, 1, 7, 0, 0)
    ifd.put(50707, BYTE, 1, 4, 0, 0)
    ifd.put(50708, ASCII, meta.model)
    ifd.put(50721, SRATIONAL, *meta.colour_matrix)
    ifd.put(50728, RATIONAL, *meta.neutral)
    ifd.put(50778, SHORT, 21)  # D65
    if meta.serial is not None:
        ifd.put(50735, ASCII, meta.serial)


def _raw(ifd: _Directory, mosaic: NDArray[np.uint16], meta: FrameMeta, compression: int) -> None:
    height, width = mosaic.shape
    ifd.put(254, LONG, 0)
    ifd.put(256, LONG, width)
    ifd.put(257, LONG, height)
    ifd.put(258, SHORT, 16)
    ifd.put(259, SHORT, compression)
    ifd.put(262, SHORT, 32803)
    ifd.put(277, SHORT, 1)
    ifd.put(278, LONG, height)
    ifd.put(284, SHORT, 1)
    ifd.put(33421, SHORT, 2, 2)
    ifd.put(33422, BYTE, *("RGB".index(c) for c in meta.cfa))
    ifd.put(50710, BYTE, 0, 1, 2)
    ifd.put(50711, SHORT, 1)
    ifd.put(50713, SHORT, 2, 2)
    ifd.put(50714, RATIONAL, *meta.black)
    ifd.put(50717, LONG, meta.white)


def preview_of(mosaic: NDArray[np.uint16], meta: FrameMeta, long_side: int = 320) -> NDArray[np.uint8]:
    """A small picture of a mosaic, binned, white-balanced and stretched the way a camera's preview is.

    Parameters
    ----------
    mosaic : (height, width) uint16, ADU
    long_side : px, at most, of the result

    Returns
    -------
    picture : (height, width, 3) uint8
    """
    step = max(2, int(np.ceil(max(mosaic.shape) / long_side / 2)) * 2)
    rows, columns = mosaic.shape[0] // step * step, mosaic.shape[1] // step * step
    # rows first: sums along the short axis of a long-rowed array are many times faster than all at once
    strips = mosaic[:rows, :columns].reshape(rows // step, step // 2, 2, columns).sum(axis=1, dtype=np.uint32)
    sums = strips.reshape(rows // step, 2, columns // step, step // 2, 2).sum(axis=3)
    cells = sums / (step // 2) ** 2
    picture = np.zeros((rows // step, columns // step, 3))
    for n, colour in enumerate(meta.cfa):
        value = np.clip(cells[:, n // 2, :, n % 2] - meta.black[n], 0, None) / (meta.white - meta.black[n])
        index = "RGB".index(colour)
        picture[..., index] += value / meta.neutral[index] / meta.cfa.count(colour)
    return (255 * np.clip(picture, 0, 1) ** (1 / 2.2)).astype(np.uint8)


def _jpeg(picture: NDArray[np.uint8], quality: int = 85) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=quality, subsampling=0)
    return buffer.getvalue()


def write_dng(
    path: str | os.PathLike[str],
    mosaic: NDArray[np.uint16],
    meta: FrameMeta,
    *,
    compressed: bool = False,
    preview: bool = True,
) -> None:
    """Write a mosaic as a DNG file.

    Parameters
    ----------
    mosaic : (height, width) uint16 array, ADU, even sides
    compressed : lossless JPEG (ITU-T T.81, process 14) instead of plain 16-bit numbers
    preview : a small JPEG preview in the first directory and the mosaic in a sub-directory, as cameras do it;
        otherwise the mosaic is the first and only picture

    Raises
    ------
    ValueError
        Where the array is not such an array or the CFA is not one of the four.
    """
    if mosaic.dtype != np.uint16 or mosaic.ndim != 2 or mosaic.shape[0] % 2 or mosaic.shape[1] % 2:
        raise ValueError(f"mosaic must be a 2-D uint16 array of even sides (got {mosaic.dtype}, {mosaic.shape})")
    if meta.cfa not in CFA_PATTERNS:
        raise ValueError(f"cfa must be one of {', '.join(CFA_PATTERNS)} (got {meta.cfa!r})")
    if compressed:
        data = bytes(imagecodecs.ljpeg_encode(np.ascontiguousarray(mosaic), bitspersample=16))
    else:
        data = np.ascontiguousarray(mosaic, "<u2").tobytes()
    raw = _Directory()
    _raw(raw, mosaic, meta, 7 if compressed else 1)
    exif = _exif(meta)
    blobs: list[bytes] = [data]
    if preview:
        small = preview_of(mosaic, meta)
        jpeg = _jpeg(small)
        first = _Directory()
        first.put(254, LONG, 1)
        first.put(256, LONG, small.shape[1])
        first.put(257, LONG, small.shape[0])
        first.put(258, SHORT, 8, 8, 8)
        first.put(259, SHORT, 7)
        first.put(262, SHORT, 6)
        first.put(277, SHORT, 3)
        first.put(278, LONG, small.shape[0])
        first.put(284, SHORT, 1)
        first.put(530, SHORT, 1, 1)
        first.put(330, LONG, 0)
        blobs.append(jpeg)
        directories = [first, exif, raw]
    else:
        first = raw
        directories = [first, exif]
    _common(first, meta)
    first.put(34665, LONG, 0)
    for ifd, blob in zip([raw, first], blobs, strict=False):
        ifd.put(273, LONG, 0)
        ifd.put(279, LONG, len(blob))

    # offsets: directories first, then the preview, the mosaic last, as a card's writer streams it out
    offsets = [8]
    for ifd in directories[:-1]:
        offsets.append(offsets[-1] + ifd.size())
    end = offsets[-1] + directories[-1].size()
    if preview:
        first.put(273, LONG, end)
        end += len(blobs[1]) + len(blobs[1]) % 2
        first.put(330, LONG, offsets[2])
    first.put(34665, LONG, offsets[1])
    raw.put(273, LONG, end)
    with replacing(path) as temporary, open(temporary, "wb") as handle:
        handle.write(struct.pack("<2sHI", b"II", 42, 8))
        for ifd, offset in zip(directories, offsets, strict=True):
            handle.write(ifd.packed(offset))
        if preview:
            handle.write(blobs[1] + b"\0" * (len(blobs[1]) % 2))
        handle.write(data)


def write_jpeg(
    path: str | os.PathLike[str], mosaic: NDArray[np.uint16], meta: FrameMeta, long_side: int = 1200
) -> None:
    """Write the JPEG that a camera set to RAW + JPEG writes beside its raw file."""
    with replacing(path) as temporary:
        Path(temporary).write_bytes(_jpeg(preview_of(mosaic, meta, long_side), 88))


def truncate(path: str | os.PathLike[str], share: float) -> None:
    """Cut a file off after a share of its bytes, as a card pulled too early does."""
    os.truncate(path, int(os.path.getsize(path) * share))


__all__: Sequence[str] = ["FrameMeta", "preview_of", "truncate", "write_dng", "write_jpeg"]
