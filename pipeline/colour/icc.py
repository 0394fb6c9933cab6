"""ICC display profiles of the matrix and curve kind (ICC.1:2022, version 4.3), the same bytes every time.

References
----------
ICC.1:2022, 7.2 (header), 7.3 (tag table), 8.4.3 (three-component matrix-based), 10.15 (multiLocalizedUnicode),
10.18 (parametricCurve, function type 3), 10.31 (XYZ), annex E (chromatic adaptation).
"""

from __future__ import annotations

import hashlib
import struct

import numpy as np
from numpy.typing import NDArray

from pipeline.colour import curves
from pipeline.colour.spaces import PCS_WHITE, Space, adaptation, rgb_to_xyz, white_xyz

# A profile carries its time of creation; a fixed one keeps files the same from run to run.
CREATED = (2026, 1, 1, 0, 0, 0)
COPYRIGHT = "No copyright, use freely"


def _s15fixed16(value: float) -> int:
    return int(np.rint(value * 65536))


def _xyz(values: tuple[int, ...] | list[int]) -> bytes:
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *values)


def _text(text: str) -> bytes:
    encoded = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(encoded), 28) + encoded


def _curve() -> bytes:
    # Y = (aX + b)^g for X >= d, else cX
    a, b = 1 / (1 + curves.OFFSET), curves.OFFSET / (1 + curves.OFFSET)
    numbers = (curves.EXPONENT, a, b, 1 / curves.TOE_SLOPE, curves.TOE_SLOPE * curves.TOE_END)
    return b"para\0\0\0\0" + struct.pack(">HH5i", 3, 0, *(_s15fixed16(n) for n in numbers))


def colorants(space: Space) -> NDArray[np.int64]:
    """The (3, 3) matrix of a profile in units of 1/65536: column by column the D50-adapted XYZ of R, G, B.

    Each row is rounded so that it sums to the connection space's white exactly: white stays neutral to the last bit.
    """
    exact = adaptation(white_xyz(space.white), PCS_WHITE) @ rgb_to_xyz(space) * 65536
    rounded = np.rint(exact).astype(np.int64)
    for row in range(3):
        miss = int(np.rint(PCS_WHITE[row] * 65536)) - int(rounded[row].sum())
        rounded[row, int(np.argmax(np.abs(exact[row])))] += miss
    return rounded


def profile(space: Space, name: str) -> bytes:
    """Write a profile for an RGB space with the sRGB transfer curve.

    Parameters
    ----------
    space : Space
    name : str
        What programs show for it.

    Returns
    -------
    bytes
    """
    matrix = colorants(space)
    chad = adaptation(white_xyz(space.white), PCS_WHITE)
    curve = _curve()
    tags: list[tuple[bytes, bytes]] = [
        (b"desc", _text(name)),
        (b"cprt", _text(COPYRIGHT)),
        (b"wtpt", _xyz([_s15fixed16(v) for v in PCS_WHITE])),
        (b"chad", b"sf32\0\0\0\0" + struct.pack(">9i", *(_s15fixed16(v) for v in chad.ravel()))),
        *((b"%cXYZ" % c, _xyz([int(v) for v in matrix[:, n]])) for n, c in enumerate(b"rgb")),
        *((b"%cTRC" % c, curve) for c in b"rgb"),
    ]
    offset = 128 + 4 + 12 * len(tags)
    directory, body, placed = struct.pack(">I", len(tags)), b"", dict[bytes, int]()
    for signature, data in tags:
        if data not in placed:  # the three curves are one piece
            placed[data] = offset + len(body)
            body += data + b"\0" * (-len(data) % 4)
        directory += signature + struct.pack(">II", placed[data], len(data))
    size = offset + len(body)
    header = struct.pack(
        ">I4sI4s4s4s6H4s4sI4s4sQI3i4s16s28s",
        size,
        b"\0" * 4,  # no preferred engine
        0x04300000,
        b"mntr",
        b"RGB ",
        b"XYZ ",
        *CREATED,
        b"acsp",
        b"\0" * 4,
        0,
        b"\0" * 4,
        b"\0" * 4,
        0,
        1,  # rendering intent: media-relative colorimetric
        *(_s15fixed16(v) for v in PCS_WHITE),
        b"\0" * 4,
        b"\0" * 16,
        b"\0" * 28,
    )
    whole = header + directory + body
    # 7.2.18: the identifier is the MD5 sum with flags, intent and identifier set to zero
    plain = whole[:44] + b"\0" * 4 + whole[48:64] + b"\0" * 4 + whole[68:84] + b"\0" * 16 + whole[100:]
    identifier = hashlib.md5(plain, usedforsecurity=False).digest()
    return whole[:84] + identifier + whole[100:]
