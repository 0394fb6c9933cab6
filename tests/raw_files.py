"""Minimal raw files for tests, written from published tag definitions (TIFF 6.0, Exif 2.32, DNG 1.7.0.0)."""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
_SIZES = {BYTE: 1, ASCII: 1, SHORT: 2, LONG: 4, RATIONAL: 8, UNDEFINED: 1, SRATIONAL: 8}
_COLOURS = {"R": 0, "G": 1, "B": 2}

Tags = dict[int, tuple[int, Any]]


def rational(*values: float, scale: int = 10000) -> list[int]:
    """Values as TIFF rationals, flattened to numerators and denominators."""
    return [part for value in values for part in (round(value * scale), scale)]


def _packed(kind: int, value: Any) -> tuple[int, bytes]:
    if kind in (BYTE, UNDEFINED):
        return len(value), bytes(value)
    if kind == ASCII:
        data = value.encode("ascii") + b"\0"
        return len(data), data
    values: Sequence[int] = value if isinstance(value, Sequence) else [value]
    if kind in (RATIONAL, SRATIONAL):
        letter = "I" if kind == RATIONAL else "i"
        return len(values) // 2, struct.pack(f"<{len(values)}{letter}", *values)
    return len(values), struct.pack(f"<{len(values)}{'H' if kind == SHORT else 'I'}", *values)


def _directory(tags: Tags, offset: int) -> bytes:
    """One image file directory that begins at `offset`, its long values after it."""
    entries, extra = b"", b""
    after = offset + 2 + 12 * len(tags) + 4
    for tag, (kind, value) in sorted(tags.items()):
        count, data = _packed(kind, value)
        if len(data) > 4:
            position = after + len(extra)
            extra += data + b"\0" * (len(data) % 2)
            data = struct.pack("<I", position)
        entries += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
    return struct.pack("<H", len(tags)) + entries + b"\0\0\0\0" + extra


def write_dng(
    path: str | Path,
    pixels: np.ndarray,
    cfa: str | None = "RGGB",
    *,
    black: Sequence[int] = (512, 512, 512, 512),
    white: int | None = 16383,
    active: tuple[int, int, int, int] | None = None,
    exposure_s: float = 10.0,
    iso: int = 1600,
    compressed: bool = False,
    parts: Sequence[bytes] | None = None,
    part: tuple[int, int] | None = None,
    extra: Mapping[int, tuple[int, Any] | None] | None = None,
    exif: Mapping[int, tuple[int, Any]] | None = None,
) -> Path:
    """Write a 16-bit DNG: one strip, uncompressed or lossless JPEG; `cfa` is that of the active area.

    `parts` are the pixels as lossless JPEGs already, strips or (narrower) tiles of `part` rows and columns. `extra` and
    `exif` add or (None) leave out tags; `active` is top, left, bottom, right.
    """
    height, width = pixels.shape[:2]
    if parts is not None:
        compressed = True
    elif compressed:
        # two interleaved components, as cameras write them: each predicts from its own colour
        parts = [bytes(imagecodecs.ljpeg_encode(np.ascontiguousarray(pixels), bitspersample=16))]
    else:
        parts = [pixels.astype("<u2").tobytes()]
    rows, columns = part or (height, width)
    offsets, counts = (273, 279) if columns == width else (324, 325)
    tags: Tags = {
        254: (LONG, 0),
        256: (LONG, width),
        257: (LONG, height),
        258: (SHORT, [16] * (1 if pixels.ndim == 2 else pixels.shape[2])),
        259: (SHORT, 7 if compressed else 1),
        262: (SHORT, 34892 if cfa is None else 32803),
        271: (ASCII, "Maker"),
        272: (ASCII, "Body One"),
        274: (SHORT, 1),
        277: (SHORT, 1 if pixels.ndim == 2 else pixels.shape[2]),
        counts: (LONG, [len(data) for data in parts]),
        284: (SHORT, 1),
        306: (ASCII, "2026:08:14 22:15:03"),
        50706: (BYTE, [1, 4, 0, 0]),
        50707: (BYTE, [1, 1, 0, 0]),
        50708: (ASCII, "Maker Body One"),
        50713: (SHORT, [2, 2]),
        50714: (SHORT, list(black)),
        50721: (SRATIONAL, rational(0.9, -0.3, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6)),
        50728: (RATIONAL, rational(0.5, 1.0, 0.625)),
        50778: (SHORT, 21),
    }
    tags |= {278: (LONG, rows)} if columns == width else {322: (LONG, columns), 323: (LONG, rows)}
    if cfa is not None:
        tags |= {33421: (SHORT, [2, 2]), 33422: (BYTE, [_COLOURS[c] for c in cfa]), 50710: (BYTE, [0, 1, 2])}
        tags |= {50711: (SHORT, 1)}
    if white is not None:
        tags[50717] = (LONG, white)
    if active is not None:
        tags[50829] = (LONG, list(active))
    for tag, value in (extra or {}).items():
        if value is None:
            tags.pop(tag, None)
        else:
            tags[tag] = value
    exif_tags: Tags = {
        33434: (RATIONAL, rational(exposure_s)),
        33437: (RATIONAL, rational(2.8)),
        34855: (SHORT, iso),
        36864: (UNDEFINED, b"0232"),
        36867: (ASCII, "2026:08:14 22:15:03"),
        37386: (RATIONAL, rational(24.0)),
        **(exif or {}),
    }
    exif_at = 8
    exif_bytes = _directory(exif_tags, exif_at)
    main_at = exif_at + len(exif_bytes)
    tags[34665] = (LONG, exif_at)
    tags[offsets] = (LONG, [0] * len(parts))
    data_at = main_at + len(_directory(tags, main_at))
    tags[offsets] = (LONG, [data_at + sum(map(len, parts[:n])) for n in range(len(parts))])
    main_bytes = _directory(tags, main_at)
    Path(path).write_bytes(struct.pack("<2sHI", b"II", 42, main_at) + exif_bytes + main_bytes + b"".join(parts))
    return Path(path)


def starry_mosaic(
    height: int = 256,
    width: int = 384,
    *,
    level: float = 700.0,
    noise: float = 8.0,
    clip: int = 16383,
    seed: int = 7,
) -> np.ndarray:
    """Noise about a level with a few bright pixels, uint16: enough for a decoder, which knows nothing of stars."""
    rng = np.random.default_rng(seed)
    pixels = rng.normal(level, noise, (height, width))
    pixels.ravel()[rng.choice(pixels.size, 40, replace=False)] += rng.uniform(50, 6000, 40)
    return np.clip(np.round(pixels), 0, clip).astype(np.uint16)
