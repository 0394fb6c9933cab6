"""Lossless JPEG as DNG files hold it (ITU-T T.81, process 14), decoded several times faster than by LibRaw.

Only what sound files hold: whatever is out of the ordinary is refused, and left to LibRaw. Runs inside the decoding
process (`sensor/serve.py`): the files are untrusted, and no read or write goes unchecked.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Bits of the stream that tell most differences by one look into a table: code and difference together.
_LOOK = 12
_CODES = 17  # lengths 1 to 16, and none of length 0
_MARKER = {"SOI": 0xD8, "DHT": 0xC4, "SOF3": 0xC3, "SOS": 0xDA, "EOI": 0xD9}


class NotOrdinaryError(ValueError):
    """Data that are not decoded here."""


@dataclass(frozen=True)
class _Head:
    precision: int
    height: int
    width: int
    components: int
    predictor: int
    tables: tuple[tuple[NDArray[np.uint8], NDArray[np.uint8]], ...]  # by component: codes of each length, symbols
    begins: int  # of the coded data


def decode(data: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """Decode one picture.

    Parameters
    ----------
    data : (n,) uint8 array, from its first marker on

    Returns
    -------
    (height, width * components) uint16 array, components interleaved

    Raises
    ------
    NotOrdinaryError
        It is broken, or of a kind that is not decoded here: with restart markers, a point transform, subsampling, or
        differences of 32768.
    """
    head = _head(data)
    fast = np.zeros((head.components, 1 << _LOOK), np.int32)
    limits = np.zeros((head.components, _CODES), np.int64)
    shifts = np.zeros((head.components, _CODES), np.int64)
    symbols = np.zeros((head.components, 256), np.uint8)
    for number, (counts, values) in enumerate(head.tables):
        _fill_tables(counts, values, fast[number], limits[number], shifts[number], symbols[number])
    # zeros are read beyond the end
    stream = np.zeros(len(data) - head.begins + 16, np.uint8)
    size = _unstuffed(data, head.begins, stream)
    if size < 0:
        raise NotOrdinaryError("a marker within the picture")
    # each pixel takes a bit at least
    if head.height * head.width * head.components > 8 * size:
        raise NotOrdinaryError("fewer bits than pixels")
    out = np.empty((head.height, head.width * head.components), np.uint16)
    if not _decode(stream, size, fast, limits, shifts, symbols, head.predictor, head.precision, head.components, out):
        raise NotOrdinaryError("broken data")
    return out


def compiled() -> None:
    """Have the loops compiled, or read from the compiler's cache: the decoding process may soon write no file.

    Decodes two by two equal pixels: one code, of one bit, for the difference 0.
    """

    def part(marker: str, body: bytes) -> bytes:
        return struct.pack(">BBH", 0xFF, _MARKER[marker], len(body) + 2) + body

    codes = part("DHT", bytes([0, 1, *[0] * 15, 0]))
    frame = part("SOF3", struct.pack(">BHHB", 16, 2, 2, 1) + bytes([1, 0x11, 0]))
    scan = part("SOS", bytes([1, 1, 0, 1, 0, 0]))
    tiny = bytes((0xFF, _MARKER["SOI"])) + codes + frame + scan + bytes((0, 0xFF, _MARKER["EOI"]))
    decode(np.frombuffer(tiny, np.uint8))


def _head(data: NDArray[np.uint8]) -> _Head:
    """Read the markers before the coded data."""
    text = data[: 1 << 16].tobytes()
    if text[:2] != bytes((0xFF, _MARKER["SOI"])):
        raise NotOrdinaryError("no picture")
    tables: dict[int, tuple[NDArray[np.uint8], NDArray[np.uint8]]] = {}
    frame: tuple[int, ...] = ()
    names: list[int] = []
    at = 2
    try:
        while True:
            sign, marker, length = struct.unpack_from(">BBH", text, at)
            part = text[at + 4 : at + 2 + length]
            if sign != 0xFF or length < 2 or len(part) != length - 2:
                raise NotOrdinaryError("broken markers")
            at += 2 + length
            if marker == _MARKER["DHT"]:
                while part:
                    counts = np.frombuffer(part, np.uint8, 16, 1)
                    total = int(counts.sum())
                    tables[part[0]] = (counts, np.frombuffer(part, np.uint8, total, 17))
                    part = part[17 + total :]
            elif marker == _MARKER["SOF3"]:
                frame = struct.unpack_from(">BHHB", part)
                names = [part[6 + 3 * c] for c in range(frame[3])]
                if any(part[7 + 3 * c] != 0x11 for c in range(frame[3])):
                    raise NotOrdinaryError("subsampling")
            elif marker == _MARKER["SOS"]:
                components = part[0]
                chosen = [(part[1 + 2 * c], part[2 + 2 * c] >> 4) for c in range(components)]
                predictor, _, low = part[1 + 2 * components : 4 + 2 * components]
                break
            elif not 0xE0 <= marker <= 0xEF and marker != 0xFE:  # applications' own, comments
                raise NotOrdinaryError("another kind of JPEG")
        precision, height, width, count = frame
        sound = (
            [name for name, _ in chosen] == names and 1 <= count <= 4 and 2 <= precision <= 16
            and min(height, width) > 0 and 1 <= predictor <= 7 and low == 0
        )  # fmt: skip
        if not sound:
            raise NotOrdinaryError("another kind of lossless JPEG")
        return _Head(precision, height, width, count, predictor, tuple(tables[t] for _, t in chosen), at)
    except (struct.error, ValueError, IndexError, KeyError) as error:
        raise NotOrdinaryError(f"broken markers ({error})") from None


def _fill_tables(
    counts: NDArray[np.uint8],
    values: NDArray[np.uint8],
    fast: NDArray[np.int32],
    limits: NDArray[np.int64],
    shifts: NDArray[np.int64],
    symbols: NDArray[np.uint8],
) -> None:
    """Make a Huffman table's codes (T.81, annex C) into what `_decode` looks up.

    fast : by the next `_LOOK` bits: 256 times the difference, plus the bits that it takes; 0 where they are too few
    limits : by length: the first code, made 16 bits long, that is longer
    shifts : by length: what is added to a code for its symbol's number
    """
    symbols[: len(values)] = values
    if len(values) == 0 or int(values.max()) > 15:
        raise NotOrdinaryError("differences that are not decoded here")
    code, number = 0, 0
    for length in range(1, _CODES):
        shifts[length] = number - code
        for _ in range(int(counts[length - 1])):
            category = int(values[number])
            total = length + category
            if length <= _LOOK and total <= _LOOK:
                for bits in range(1 << category):
                    difference = bits if category == 0 or bits >> (category - 1) else bits - (1 << category) + 1
                    first = ((code << category) | bits) << (_LOOK - total)
                    fast[first : first + (1 << (_LOOK - total))] = difference * 256 + total
            code += 1
            number += 1
        if code > 1 << length:
            raise NotOrdinaryError("more codes than there can be")
        limits[length] = code << (16 - length)
        code <<= 1


@njit(cache=True, nogil=True)
def _unstuffed(data, begin, out):  # type: ignore[no-untyped-def]
    """Copy coded data without the zeros behind each 0xFF; how many bytes, or -1 where a marker comes before the end."""
    size, at, end = 0, begin, len(data)
    while at < end:
        value = data[at]
        if value == 0xFF:
            if at + 1 >= end:
                break
            if data[at + 1] == 0xD9:
                break
            if data[at + 1] != 0:
                return -1
            at += 1
        out[size] = value
        size += 1
        at += 1
    return size


@njit(cache=True, nogil=True)
def _decode(stream, size, fast, limits, shifts, symbols, predictor, precision, components, out):  # type: ignore[no-untyped-def]
    """Decode all rows; False where the data break off or give what the precision does not hold.

    stream : uint8 array of `size` bytes and 16 zeros more
    """
    height, width = out.shape
    buffer, held, at = np.uint64(0), 0, 0  # the next bits, uppermost first; how many; the next byte
    look, whole = np.uint64(64 - _LOOK), np.uint64(1)
    for row in range(height):
        line, above = out[row], out[max(row - 1, 0)]
        component = 0
        for column in range(width):
            if held < 32:
                if at > size + 8:
                    return False
                four = (np.uint64(stream[at]) << np.uint64(24)) | (np.uint64(stream[at + 1]) << np.uint64(16))
                four |= (np.uint64(stream[at + 2]) << np.uint64(8)) | np.uint64(stream[at + 3])
                buffer |= four << np.uint64(32 - held)
                held += 32
                at += 4
            entry = fast[component, buffer >> look]
            if entry != 0:
                difference, used = np.int64(entry >> 8), entry & 0xFF
            else:
                sixteen, length = np.int64(buffer >> np.uint64(48)), 1
                while length < 17 and sixteen >= limits[component, length]:
                    length += 1
                if length > 16:
                    return False
                number = (sixteen >> (16 - length)) + shifts[component, length]
                if number < 0 or number > 255:
                    return False
                category = np.int64(symbols[component, number])
                used, difference = length + category, np.int64(0)
                if category > 0:
                    bits = np.int64((buffer << np.uint64(length)) >> np.uint64(64 - category))
                    difference = bits if bits >> (category - 1) else bits - (1 << category) + 1
            buffer <<= np.uint64(used)
            held -= used
            if column < components:
                before = np.int64(above[column]) if row > 0 else np.int64(whole << np.uint64(precision - 1))
            elif row == 0 or predictor == 1:
                before = np.int64(line[column - components])
            else:
                a, b = np.int64(line[column - components]), np.int64(above[column])
                c = np.int64(above[column - components])
                if predictor == 6:
                    before = b + ((a - c) >> 1)
                elif predictor == 7:
                    before = (a + b) >> 1
                elif predictor == 5:
                    before = a + ((b - c) >> 1)
                elif predictor == 4:
                    before = a + b - c
                else:
                    before = b if predictor == 2 else c
            value = before + difference
            if value < 0 or value >> precision != 0:
                return False
            line[column] = value
            component = component + 1 if component + 1 < components else 0
    return 8 * at - held <= 8 * size


__all__ = ["NotOrdinaryError", "compiled", "decode"]
