"""Lossless JPEG of DNGs through libjpeg-turbo, which takes half of LibRaw's time for it; the rest is LibRaw's.

Runs inside the decoding process only: the files are untrusted. DNG 1.7.0.0, "Compression": the mosaic lies in strips or
tiles, each a lossless Huffman JPEG (ITU-T T.81, process 14) of one to four components side by side in a row of pixels.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any, BinaryIO

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray

_COMPRESSION_JPEG = 7  # TIFF 6.0 and DNG: of 16-bit mosaics always the lossless process
_CFA = 32803  # PhotometricInterpretation, TIFF/EP
_LINEARIZATION_TABLE = 50712
_SOI, _EOI, _SOF3, _SOS = 0xD8, 0xD9, 0xC3, 0xDA
# Erased flash memory reads 255 throughout. Every so many bytes are looked at; so many in a row that are 255 come by
# chance in one frame of 24 megapixels in 250.
_LOOK_EVERY, _ERASED = 128, 3  # `_holds_erased` compares as many


@dataclass(frozen=True)
class Segment:
    """A strip or tile: its corner and size in the whole mosaic, pixels, and where its bytes lie in the file."""

    row: int
    column: int
    height: int
    width: int
    offset: int
    count: int


def lossless_segments(stream: BinaryIO, raw_height: int, raw_width: int, file_size: int) -> list[Segment] | None:
    """Strips or tiles of a DNG's mosaic of these many pixels.

    Returns
    -------
    list of Segment or None
        None where the file is no DNG with one such mosaic in lossless JPEG, has a linearization table, or is cut short.
    """
    try:
        with tifffile.TiffFile(stream) as file:
            pages = [page for first in file.pages for page in (first, *(first.pages or ()))]
            mosaics = [page for page in pages if page.tags.valueof(262) == _CFA]
            if not file.is_dng or len(mosaics) != 1:
                return None
            return _segments_of(mosaics[0], raw_height, raw_width, file_size)
    except MemoryError:
        raise
    except Exception:  # bytes of any kind stand here; LibRaw says what is wrong with them
        return None


def _segments_of(page: Any, raw_height: int, raw_width: int, file_size: int) -> list[Segment] | None:
    plain = (
        page.compression == _COMPRESSION_JPEG
        and page.samplesperpixel == 1
        and 8 < page.bitspersample <= 16
        and (page.imagelength, page.imagewidth) == (raw_height, raw_width)
        and _LINEARIZATION_TABLE not in page.tags
    )
    if not plain:
        return None
    height, width = (page.tilelength, page.tilewidth) if page.is_tiled else (page.rowsperstrip, raw_width)
    height = min(height, raw_height)
    across = -(-raw_width // width)
    offsets, counts = page.dataoffsets, page.databytecounts
    if not len(offsets) == len(counts) == across * -(-raw_height // height):
        return None
    if any(
        offset < 8 or count < 4 or offset + count > file_size for offset, count in zip(offsets, counts, strict=True)
    ):
        return None
    return [
        Segment(n // across * height, n % across * width, height, width, offset, count)
        for n, (offset, count) in enumerate(zip(offsets, counts, strict=True))
    ]


def without_pictures(data: bytearray, segments: list[Segment]) -> list[int]:
    """Take the mark of a JPEG off every segment, so that LibRaw reads all of the file but these; the bytes taken."""
    taken = [data[segment.offset + 1] for segment in segments]
    for segment in segments:
        data[segment.offset + 1] = 0
    return taken


def give_back(data: bytearray, segments: list[Segment], taken: list[int]) -> None:
    """Undo `without_pictures`."""
    for segment, byte in zip(segments, taken, strict=True):
        data[segment.offset + 1] = byte


def decode_segments(data: bytearray, segments: list[Segment], mosaic: NDArray[np.uint16]) -> bool:
    """Decode all segments into the mosaic.

    Parameters
    ----------
    data : the whole file
    segments : of it
    mosaic : (raw_height, raw_width) uint16 array, written to

    Returns
    -------
    bool
        Whether all are lossless JPEG of the sizes that the file says, whole from mark to mark. What they hold may be
        damaged all the same.
    """
    view = memoryview(data)
    for segment in segments:
        part = view[segment.offset : segment.offset + segment.count]
        target = mosaic[segment.row : segment.row + segment.height, segment.column : segment.column + segment.width]
        form = _form(part)
        # the last strip may be as high as the others or end with the picture
        if form is None or form.height not in (segment.height, len(target)) or form.width != segment.width:
            return False
        if _holds_erased(part):
            return False  # LibRaw gives up at a mark amid the codes; libjpeg-turbo goes on with noughts
        shape = (form.height, form.width // form.components) + ((form.components,) if form.components > 1 else ())
        straight = target.shape == (form.height, form.width) and target.flags.c_contiguous
        out = target.reshape(shape) if straight else np.empty(shape, np.uint16)
        try:
            imagecodecs.jpeg8_decode(part, out=out)  # type: ignore[arg-type]  # takes all buffers
        except (imagecodecs.Jpeg8Error, ValueError):
            return False
        if not straight:
            target[:] = out.reshape(form.height, form.width)[: target.shape[0], : target.shape[1]]
    return True


def _holds_erased(part: memoryview) -> bool:
    """Whether a stretch of some 384 bytes and more may hold nothing but 255."""
    full = np.frombuffer(part, np.uint8)[::_LOOK_EVERY] == 0xFF
    return len(full) >= _ERASED and bool((full[2:] & full[1:-1] & full[:-2]).any())


@dataclass(frozen=True)
class _Form:
    """Rows and columns of pixels that a lossless JPEG holds, and in how many components side by side."""

    height: int
    width: int
    components: int


def _form(part: memoryview) -> _Form | None:
    """What a segment's JPEG says of itself; None where it is none of more than 8 bits or has no end."""
    if bytes(part[:2]) != bytes((0xFF, _SOI)) or bytes((0xFF, _EOI)) not in bytes(part[-4:]):
        return None
    form, at = None, 2
    while at + 4 <= len(part) and part[at] == 0xFF:
        marker, length = part[at + 1], struct.unpack_from(">H", part, at + 2)[0]
        if at + 2 + length > len(part):
            return None
        if marker == _SOF3 and length >= 8:
            precision, height, width, components = struct.unpack_from(">BHHB", part, at + 4)
            if precision <= 8 or not 1 <= components <= 4:
                return None
            form = _Form(height, width * components, components)
        if marker == _SOS:
            point_transform = part[at + 1 + length] & 0x0F
            return None if point_transform else form
        at += 2 + length
    return None
