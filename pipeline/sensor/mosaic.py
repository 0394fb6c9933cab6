"""The scratch form of a frame: a linear CFA mosaic as a FITS file of unsigned 16-bit numbers."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numba import njit
from numpy.typing import NDArray

from pipeline.errors import FrameError
from pipeline.files import replacing
from pipeline.sensor.cfa import CFA_PATTERNS
from pipeline.sensor.colourcards import BALANCE_CARDS, MATRIX_CARDS, camera_matrix, white_balance

# FITS keeps unsigned numbers with the sign bit turned over, big-endian (FITS 4.0, 4.4.2.5: BZERO = 32768)
_SIGN = 0x8000
_BLOCK = 2880  # bytes; header and data fill whole blocks
# Rows are turned round and written in pieces of this many bytes, which stay in a core's cache meanwhile.
_PIECE = 512 * 1024


def _ascii(text: str | None) -> str | None:
    """Text as a FITS card may hold it."""
    return None if text is None else text.encode("ascii", "replace").decode()


@dataclass(frozen=True)
class MosaicHeader:
    """What goes with the pixels of one frame.

    `black` are four levels in ADU, for the CFA positions (0,0), (0,1), (1,0), (1,1); `saturation` is the raw level
    in ADU from which a pixel is not to be believed; `xyz_to_camera` is row by row, None where unknown.
    """

    frame: str
    cfa: str  # RGGB, BGGR, GRBG, GBRG or MONO
    black: tuple[float, float, float, float]
    saturation: float
    exposure_s: float | None = None
    iso: int | None = None
    f_number: float | None = None
    focal_mm: float | None = None
    pixel_um: float | None = None
    temperature_c: float | None = None
    masked_level: float | None = None
    taken: str | None = None
    camera: str | None = None
    filter: str | None = None
    orientation: int = 1
    white_balance: tuple[float, float, float] | None = None
    xyz_to_camera: tuple[float, ...] | None = None
    black_stated: bool = True  # False: no file says so, and `black` is 0
    full_from: str = "header"  # "pixels": from a pile-up of them; "guess": nothing shows where this camera is full

    @property
    def full_scale(self) -> float:
        """Saturation above black, ADU."""
        return self.saturation - sum(self.black) / 4

    def cards(self) -> fits.Header:
        """The header as FITS cards (names in DEVELOPERS.md)."""
        header = fits.Header()
        if self.cfa != "MONO":
            header["BAYERPAT"] = (self.cfa, "CFA colours, reading order")
            header["XBAYROFF"] = 0
            header["YBAYROFF"] = 0
        header["ROWORDER"] = ("TOP-DOWN", "first row is the top of the picture")
        header["FRAMEID"] = self.frame
        for key, value, comment in (
            ("EXPTIME", self.exposure_s, "[s] exposure"),
            ("DATE-OBS", self.taken, "start of exposure"),
            ("ISOSPEED", self.iso, "ISO setting"),
            ("FNUMBER", self.f_number, "aperture"),
            ("FOCALLEN", self.focal_mm, "[mm] focal length"),
            ("XPIXSZ", self.pixel_um, "[um] pixel pitch"),
            ("CCD-TEMP", self.temperature_c, "[C] sensor temperature"),
            ("MASKMEAN", self.masked_level, "[ADU] level of masked columns"),
            ("INSTRUME", _ascii(self.camera), "camera"),
            ("FILTER", _ascii(self.filter), "filter before the sensor"),
        ):
            if value is not None:
                header[key] = (value, comment)
        for n, level in enumerate(self.black, 1):
            header[f"BLACK{n}"] = (float(level), "[ADU] black level, CFA position")
        header["SATURATE"] = (float(self.saturation), "[ADU] raw level of saturation")
        if not self.black_stated:
            header["BLKKNOWN"] = (False, "the file states no black level")
        if self.full_from != "header":
            header["FULLFROM"] = (self.full_from, "where SATURATE comes from")
        header["ORIENTAT"] = (self.orientation, "Exif orientation, not applied")
        if self.white_balance is not None:
            for card, value in zip(BALANCE_CARDS, self.white_balance, strict=True):
                header[card] = (float(value), "camera's multiplier, green 1")
        if self.xyz_to_camera is not None:
            for card, value in zip(MATRIX_CARDS, self.xyz_to_camera, strict=True):
                header[card] = (float(value), "XYZ to camera")
        return header

    @classmethod
    def from_cards(cls, header: fits.Header) -> MosaicHeader:
        """Read what `cards` wrote."""
        return cls(
            frame=header["FRAMEID"],
            cfa=header.get("BAYERPAT", "MONO"),
            black=tuple(float(header[f"BLACK{n}"]) for n in (1, 2, 3, 4)),  # type: ignore[arg-type]
            saturation=float(header["SATURATE"]),
            exposure_s=header.get("EXPTIME"),
            iso=header.get("ISOSPEED"),
            f_number=header.get("FNUMBER"),
            focal_mm=header.get("FOCALLEN"),
            pixel_um=header.get("XPIXSZ"),
            temperature_c=header.get("CCD-TEMP"),
            masked_level=header.get("MASKMEAN"),
            taken=header.get("DATE-OBS"),
            camera=header.get("INSTRUME"),
            filter=header.get("FILTER"),
            orientation=header.get("ORIENTAT", 1),
            white_balance=white_balance(header.get),
            xyz_to_camera=camera_matrix(header.get),
            black_stated=header.get("BLKKNOWN", True),
            full_from=header.get("FULLFROM", "header"),
        )

    def with_frame(self, frame: str) -> MosaicHeader:
        """The same header under another id."""
        return replace(self, frame=frame)


@njit(cache=True, nogil=True)
def _to_stored(pixels: NDArray[np.uint16], out: NDArray[np.uint16]) -> None:
    for row in range(pixels.shape[0]):
        for column in range(pixels.shape[1]):
            value = pixels[row, column] ^ _SIGN
            out[row, column] = (value << 8) | (value >> 8)


@njit(cache=True, nogil=True)
def _to_native(stored: NDArray[np.uint16], top: int, left: int, out: NDArray[np.uint16]) -> None:
    # out[:] = stored[top:, left:].byteswap() ^ 0x8000, as far as `out` reaches;
    # the whole array and where to begin, no part of it: of rows with gaps between them no vector code is made
    for row in range(out.shape[0]):
        line = stored[top + row, left : left + out.shape[1]]
        for column in range(out.shape[1]):
            value = line[column]
            out[row, column] = ((value << 8) | (value >> 8)) ^ _SIGN


@njit(cache=True, nogil=True, inline="always")
def stored_value(raw):  # type: ignore[no-untyped-def]
    """A number that a FITS file holds, as the machine reads it, as float32 ADU: what `to_stored` did undone."""
    return np.float32(np.uint16((raw >> np.uint16(8)) | (raw << np.uint16(8))) ^ np.uint16(_SIGN))


def to_stored(pixels: NDArray[np.uint16], out: NDArray[np.uint16]) -> None:
    """Turn numbers into what a FITS file holds of them, as the machine reads it.

    What it computes: ``out[:] = (pixels ^ 0x8000).byteswap()``.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU
    out : array of the same shape and type
    """
    _to_stored(pixels, out)


def write_mosaic(path: str | os.PathLike[str], pixels: NDArray[np.uint16], header: MosaicHeader) -> None:
    """Write a mosaic, under a temporary name first.

    The bytes are those of ``fits.PrimaryHDU(pixels, header.cards()).writeto(path)``, with half the copying.

    Parameters
    ----------
    pixels : (height, width) uint16 array, ADU as the camera wrote them

    Raises
    ------
    OSError
        With its number, as a full disk.
    """
    if pixels.dtype != np.uint16 or pixels.ndim != 2:
        raise ValueError(f"pixels must be a 2-D uint16 array (got {pixels.dtype}, {pixels.ndim}-D)")
    height, width = pixels.shape
    rows = max(1, _PIECE // max(1, 2 * width))
    piece = np.empty((min(rows, height), width), np.uint16)
    with replacing(path) as temporary, open(temporary, "wb", buffering=0) as handle:
        _write_all(handle, _header(pixels.shape, header))
        for top in range(0, height, rows):
            part = pixels[top : top + rows]
            to_stored(part, piece[: len(part)])
            _write_all(handle, piece[: len(part)].data.cast("B"))
        _write_all(handle, b"\0" * (-2 * height * width % _BLOCK))


def _header(shape: tuple[int, ...], header: MosaicHeader) -> bytes:
    """The header's blocks, with the cards that FITS asks for."""
    cards = fits.PrimaryHDU(np.zeros((1, 1), np.uint16), header.cards()).header
    cards["NAXIS1"], cards["NAXIS2"] = shape[1], shape[0]
    return cards.tostring().encode("ascii")


def _write_all(handle: io.FileIO, data: bytes | memoryview) -> None:
    """Write all of some bytes; an unbuffered file may take a part of them at a time."""
    rest = memoryview(data)
    while rest:
        rest = rest[handle.write(rest) :]


class MosaicFile:
    """A mosaic on disk, mapped into memory: `header`, `shape`, `region`; an index gives a copy of those pixels."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        try:
            with fits.open(self.path, memmap=True, do_not_scale_image_data=True) as hdus:
                hdu = hdus[0]
                if hdu.header.get("BITPIX") != 16 or hdu.header.get("NAXIS") != 2:
                    raise FrameError(f"{self.path.name}: not a mosaic of 16-bit numbers; run decode again")
                self.header = MosaicHeader.from_cards(hdu.header)
                self.shape: tuple[int, int] = (hdu.header["NAXIS2"], hdu.header["NAXIS1"])
                offset = hdu.fileinfo()["datLoc"]
        except (OSError, KeyError) as error:
            raise FrameError(f"{self.path.name}: not a readable mosaic ({error}); run decode again") from error
        # big-endian, stored with the sign bit turned over
        self.stored: NDArray[np.uint16] = np.memmap(self.path, ">u2", "r", offset, self.shape)
        self._words: NDArray[np.uint16] = np.asarray(self.stored).view(np.uint16)

    def region(
        self, top: int, bottom: int, left: int, right: int, room: NDArray[np.uint16] | None = None
    ) -> NDArray[np.uint16]:
        """Pixels of rows top..bottom-1 and columns left..right-1, native uint16, a copy; in `room` where it fits."""
        shape = self._words[top:bottom, left:right].shape
        out = room if room is not None and room.shape == shape else np.empty(shape, np.uint16)
        _to_native(self._words, top, left, out)
        return out

    def __getitem__(self, index: Any) -> NDArray[np.uint16]:
        """Pixels at any NumPy index, native uint16, without reading the others."""
        return self.stored[index].astype(np.uint16) ^ np.uint16(_SIGN)

    def pixels(self, room: NDArray[np.uint16] | None = None) -> NDArray[np.uint16]:
        """All pixels, native uint16, a copy; in `room` where it fits: fresh memory takes a third as long again."""
        return self.region(0, self.shape[0], 0, self.shape[1], room)


def colour_planes(cfa: str) -> dict[str, tuple[tuple[int, int], ...]]:
    """Where each colour lies in the 2 x 2 cell: colour to (row, column) offsets; MONO gives every place to G.

    Examples
    --------
    >>> colour_planes("RGGB")["G"]
    ((0, 1), (1, 0))
    """
    if cfa == "MONO":
        return {"G": ((0, 0), (0, 1), (1, 0), (1, 1))}
    if cfa not in CFA_PATTERNS:
        raise ValueError(f"cfa must be MONO or one of {', '.join(CFA_PATTERNS)} (got {cfa!r})")
    return {c: tuple((n // 2, n % 2) for n in range(4) if cfa[n] == c) for c in "RGB"}
