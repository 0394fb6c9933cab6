"""A losslessly compressed DNG made into the uncompressed one that it stands for, in memory.

LibRaw takes four times as long to decompress such a frame as `losslessjpeg.py`. So the picture is decompressed here and
LibRaw is given the same file with the numbers plain: what it makes of black levels, linearisation, margins and tags is
its own as ever. (DNG 1.7.0.0, TIFF 6.0; runs inside the decoding process only.)
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.sensor.losslessjpeg import NotOrdinaryError, decode

_SHORT, _LONG = 3, 4
_SIZES = {1: 1, 2: 1, _SHORT: 2, _LONG: 4, 13: 4}
# Tags: kind of picture, columns, rows, bits, compression, meaning, samples, planes; its parts; other pictures
_KIND, _WIDTH, _HEIGHT, _BITS, _COMPRESSION, _MEANING, _SAMPLES, _PLANES = 254, 256, 257, 258, 259, 262, 277, 284
_STRIPS, _ROWS, _STRIP_BYTES, _TILE_WIDTH, _TILE_HEIGHT, _TILES, _TILE_BYTES = 273, 278, 279, 322, 323, 324, 325
_OTHERS, _DNG = 330, 50706
# Prediction, rows interleaved, tiles in sub-blocks: pictures with these are left to LibRaw
_UNUSUAL = (317, 50974, 50975)
_MOSAIC, _LOSSLESS_JPEG, _PLAIN = 32803, 7, 1
# More directories, parts, or bytes than a camera writes.
_DIRECTORIES_MAX, _PARTS_MAX = 16, 65536


@dataclass(frozen=True)
class _Entry:
    at: int  # of the entry in the file
    kind: int
    values: tuple[int, ...]


def plain_dng(data: bytes, pixels_max: int) -> bytes:
    """The file with its mosaic uncompressed.

    Parameters
    ----------
    data : the whole file
    pixels_max : of the mosaic

    Raises
    ------
    NotOrdinaryError
        It is no DNG with one losslessly compressed mosaic of 16-bit numbers, or a broken one.
    """
    order = {b"II*\0": "<", b"MM\0*": ">"}.get(data[:4])
    if order is None:
        raise NotOrdinaryError("no TIFF")
    try:
        directories = _directories(data, order)
        if not any(_DNG in tags for tags in directories):
            raise NotOrdinaryError("no DNG")
        mosaics = [tags for tags in directories if _value(tags, _MEANING) == _MOSAIC]
        if len(mosaics) != 1:
            raise NotOrdinaryError("not one mosaic")
        (tags,) = mosaics
        pixels = _mosaic(data, tags, pixels_max)
    except (struct.error, KeyError, IndexError) as error:
        raise NotOrdinaryError(f"broken directories ({error})") from None
    head = bytearray(data)
    head += b"\0" * (len(data) % 2)
    place, (height, width) = len(head), pixels.shape
    if place + pixels.nbytes >= 1 << 32:
        raise NotOrdinaryError("too long for its form")
    _put(head, order, tags[_COMPRESSION], _COMPRESSION, _PLAIN)
    if _TILES in tags:
        # one strip in place of the tiles
        _put(head, order, tags[_TILES], _STRIPS, place)
        _put(head, order, tags[_TILE_BYTES], _STRIP_BYTES, pixels.nbytes)
        _put(head, order, tags[_TILE_HEIGHT], _ROWS, height)
        _put(head, order, tags[_TILE_WIDTH], _WIDTH, width)
    else:
        _put(head, order, tags[_STRIPS], _STRIPS, place)
        _put(head, order, tags[_STRIP_BYTES], _STRIP_BYTES, pixels.nbytes)
    return b"".join((head, pixels.astype(f"{order}u2", copy=False).view(np.uint8).data))


def _directories(data: bytes, order: str) -> list[dict[int, _Entry]]:
    """All image file directories, those of other pictures included."""
    waiting = [struct.unpack_from(f"{order}I", data, 4)[0]]
    result: list[dict[int, _Entry]] = []
    seen: set[int] = set()
    while waiting:
        at = waiting.pop()
        if at == 0 or at in seen:
            continue
        seen.add(at)
        if len(seen) > _DIRECTORIES_MAX:
            raise NotOrdinaryError("too many directories")
        count = struct.unpack_from(f"{order}H", data, at)[0]
        tags = {}
        for number in range(count):
            entry = at + 2 + 12 * number
            tag, kind, length = struct.unpack_from(f"{order}HHI", data, entry)
            if kind in _SIZES and length <= _PARTS_MAX:
                size = _SIZES[kind] * length
                where = entry + 8 if size <= 4 else struct.unpack_from(f"{order}I", data, entry + 8)[0]
                letter = {1: "B", 2: "B", _SHORT: "H"}.get(kind, "I")
                tags[tag] = _Entry(entry, kind, struct.unpack_from(f"{order}{length}{letter}", data, where))
        result.append(tags)
        waiting.append(struct.unpack_from(f"{order}I", data, at + 2 + 12 * count)[0])
        waiting.extend(tags[_OTHERS].values if _OTHERS in tags else ())
    return result


def _value(tags: dict[int, _Entry], tag: int, default: int | None = None) -> int | None:
    return tags[tag].values[0] if tag in tags and tags[tag].values else default


def _mosaic(data: bytes, tags: dict[int, _Entry], pixels_max: int) -> NDArray[np.uint16]:
    """Decompress the mosaic that a directory describes."""
    width, height = tags[_WIDTH].values[0], tags[_HEIGHT].values[0]
    ordinary = (
        _value(tags, _COMPRESSION) == _LOSSLESS_JPEG and tags[_BITS].values == (16,) and _value(tags, _SAMPLES, 1) == 1
        and _value(tags, _PLANES, 1) == 1 and _value(tags, _KIND, 0) == 0 and not any(tag in tags for tag in _UNUSUAL)
        and 0 < width * height <= pixels_max
    )  # fmt: skip
    if not ordinary:
        raise NotOrdinaryError("another kind of mosaic")
    if _TILES in tags:
        across, down = tags[_TILE_WIDTH].values[0], tags[_TILE_HEIGHT].values[0]
        places, sizes = tags[_TILES].values, tags[_TILE_BYTES].values
    else:
        across, down = width, height
        places, sizes = tags[_STRIPS].values, tags[_STRIP_BYTES].values
    if not (0 < across <= width and 0 < down <= height):
        raise NotOrdinaryError("tiles beyond the picture")
    columns = -(-width // across)
    if len(places) != columns * -(-height // down) or len(sizes) != len(places):
        raise NotOrdinaryError("not all of its parts")
    pixels = np.zeros((height, width), np.uint16)
    for number, (place, size) in enumerate(zip(places, sizes, strict=True)):
        if place + size > len(data):
            raise NotOrdinaryError("cut short")
        part = decode(np.frombuffer(data, np.uint8, size, place))
        if len(places) == 1 and part.size == pixels.size:
            return part.reshape(height, width)
        if part.size != across * down:
            raise NotOrdinaryError("parts of another size")
        # the numbers are laid along the part's rows, however wide the JPEG says that it is
        part = part.reshape(down, across)
        top, left = number // columns * down, number % columns * across
        here = pixels[top : top + down, left : left + across]
        here[:] = part[: here.shape[0], : here.shape[1]]
    return pixels


def _put(head: bytearray, order: str, entry: _Entry, tag: int, value: int) -> None:
    """Make an entry of a directory into one of a single number."""
    struct.pack_into(f"{order}HHII", head, entry.at, tag, _LONG, 1, value)


__all__ = ["plain_dng"]
