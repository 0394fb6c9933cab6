"""Exif, TIFF and maker tags of a file, as numbers and text, and what they say of the raw picture's form."""

from __future__ import annotations

import io
import logging
import math
from collections.abc import Mapping
from typing import Any, BinaryIO


def read_exif(handle: BinaryIO, maker_notes: bool = True) -> dict[str, Any]:
    """Read Exif, TIFF and maker tags of a TIFF-based raw file or a JPEG.

    Parameters
    ----------
    handle : binary file, readable and seekable
    maker_notes : bool
        Whether to read the maker's own tags too (up to 50 ms for some makers, 1 ms without).

    Returns
    -------
    dict
        Name ("EXIF DateTimeOriginal") to the reader's tag object; empty where nothing can be read.
    """
    import exifread

    logging.getLogger("exifread").setLevel(logging.CRITICAL)
    for details in (True, False) if maker_notes else (False,):
        try:
            handle.seek(0)
            return dict(exifread.process_file(handle, details=details, extract_thumbnail=False))
        except MemoryError:
            raise
        except Exception:  # bytes of any kind stand here; what cannot be read is not said
            continue
    return {}


def exif_of_jpeg(data: bytes) -> dict[str, Any]:
    """Exif of an embedded JPEG preview; many raw forms that are no TIFF carry it there."""
    return read_exif(io.BytesIO(data))


def _values(tag: Any) -> list[Any]:
    values = getattr(tag, "values", None)
    if values is None:
        return []
    return list(values) if isinstance(values, (list, tuple)) else [values]


def numbers_of(tag: Any) -> list[float]:
    """A tag's values as numbers; empty where one of them is none."""
    numbers = []
    for value in _values(tag):
        try:
            number = float(value)
        except (TypeError, ValueError, ZeroDivisionError, OverflowError):
            return []
        if not math.isfinite(number):
            return []
        numbers.append(number)
    return numbers


def number_of(tags: Mapping[str, Any], *names: str) -> float | None:
    """The first number of the first of these tags that has one."""
    for name in names:
        numbers = numbers_of(tags.get(name))
        if numbers:
            return numbers[0]
    return None


def text_of(tag: Any) -> str:
    """A tag's value as one line of printable characters, at most 120; empty where there is none."""
    if tag is None:
        return ""
    values = getattr(tag, "values", tag)
    if isinstance(values, (list, tuple)):
        if values and all(isinstance(value, int) and 0 <= value < 256 for value in values):
            values = bytes(values).split(b"\0")[0].decode("latin-1")
        else:
            values = " ".join(str(value) for value in values)
    return " ".join("".join(c if c.isprintable() else " " for c in str(values)).split())[:120]


def first_text(tags: Mapping[str, Any], *names: str) -> str | None:
    """The text of the first of these tags that says something: more than noughts, dots and dashes."""
    for name in names:
        text = text_of(tags.get(name))
        if text and text.strip("0 -."):
            return text
    return None


def bits_per_sample(tags: Mapping[str, Any]) -> int | None:
    """Bits of the raw picture's samples where a TIFF directory of CFA kind says so."""
    for prefix in _raw_directories(tags):
        bits = numbers_of(tags.get(f"{prefix} BitsPerSample"))
        if bits and 1 <= bits[0] <= 16:
            return int(bits[0])
    return None


def bytes_needed(tags: Mapping[str, Any]) -> int | None:
    """Length that a TIFF-based raw must have for its picture data to be whole: the end of its last strip or tile."""
    end = 0
    for prefix in _raw_directories(tags):
        for offset_name, count_name in (("StripOffsets", "StripByteCounts"), ("TileOffsets", "TileByteCounts")):
            offsets = numbers_of(_directory_tag(tags, prefix, offset_name))
            counts = numbers_of(_directory_tag(tags, prefix, count_name))
            if offsets and len(offsets) == len(counts):
                end = max(end, *(int(o + c) for o, c in zip(offsets, counts, strict=True)))
    return end or None


_TILE_TAGS = {"TileOffsets": "0x0144", "TileByteCounts": "0x0145"}


def _directory_tag(tags: Mapping[str, Any], prefix: str, name: str) -> Any:
    return tags.get(f"{prefix} {name}") or tags.get(f"{prefix} Tag {_TILE_TAGS.get(name, name)}")


def _raw_directories(tags: Mapping[str, Any]) -> list[str]:
    """Prefixes of the directories whose PhotometricInterpretation is a colour filter array (TIFF/EP: 32803)."""
    ending = " PhotometricInterpretation"
    return [
        name.removesuffix(ending)
        for name, tag in tags.items()
        if name.endswith(ending) and numbers_of(tag)[:1] == [32803.0]
    ]


def is_plain_tiff(tags: Mapping[str, Any]) -> bool:
    """Whether a TIFF says of itself that it is a picture and nothing that a camera's raw file would say.

    A mosaic is marked by a directory of CFA or linear-raw kind (32803, 34892), by DNGVersion or by a maker's note.
    """
    photometric = [
        int(v) for name, tag in tags.items() if name.endswith("PhotometricInterpretation") for v in numbers_of(tag)[:1]
    ]
    if any(value >= 32767 for value in photometric):
        return False
    if any(name.startswith("MakerNote") or name in ("EXIF MakerNote", "Image Tag 0xC612") for name in tags):
        return False
    return bool(photometric) and "Image DNGVersion" not in tags and "EXIF CVAPattern" not in tags
