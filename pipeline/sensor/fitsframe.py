"""FITS files as raw frames: monochrome cameras and mosaics. Runs inside the decoding process (`sensor/worker.py`)."""

from __future__ import annotations

import os
import warnings
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import FrameError
from pipeline.sensor.cfa import CFA_PATTERNS
from pipeline.sensor.colourcards import camera_matrix, white_balance
from pipeline.sensor.metadata import FrameMeta, parse_time
from pipeline.sensor.raw import MAX_PIXELS, MIN_SIDE, Levels

# FITS 4.0, 3.1: files are made of blocks of this many bytes
_BLOCK = 2880


class FitsFrame:
    """One FITS file, opened from a file descriptor; the same face as `raw.RawFrame`.

    Conventions where the trade has several: `BAYERPAT` names the colours of the rows as they are stored, from the
    first; `XBAYROFF`/`YBAYROFF` shift it; a file with `ROWORDER` BOTTOM-UP is turned over so that row 0 is the top,
    and its pattern with it; a file without `ROWORDER` is taken as top-down. `DATE-OBS` is UTC, as FITS 4.0, 9.1.3 says.

    Raises
    ------
    FrameError
        The file is no mosaic of whole ADU; the sentence names no path.
    """

    def __init__(self, descriptor: int) -> None:
        from astropy.io import fits

        self.file_size = os.fstat(descriptor).st_size
        self.coded_by_difference = False
        self._file = os.fdopen(os.dup(descriptor), "rb")
        self._file.seek(0)
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                self._hdus = fits.open(
                    self._file, memmap=False, lazy_load_hdus=True, do_not_scale_image_data=True, mode="readonly"
                )
                self._hdu, self._header = self._picture()
        except MemoryError:
            raise
        except FrameError:
            raise
        except Exception as error:
            raise FrameError(f"is no FITS file that can be read ({_first_line(error)})") from None
        self._check()
        self.meta = self._meta()

    def _picture(self) -> tuple[Any, Any]:
        for number in range(16):  # a raw frame stands in the first or second unit; a cube of hundreds is none
            try:
                hdu = self._hdus[number]
            except IndexError:
                break
            if hdu.is_image and hdu.header.get("NAXIS", 0) > 0:
                header = self._hdus[0].header.copy()
                if number:
                    header.update(hdu.header)
                return hdu, header
        raise FrameError("is a FITS file without a picture")

    def _check(self) -> None:
        axes = tuple(self._hdu.shape)
        while len(axes) > 2 and axes[0] == 1:
            axes = axes[1:]
        if len(axes) != 2:
            raise FrameError(
                f"is a FITS file of {' x '.join(str(axis) for axis in axes[::-1])} values, not one mosaic; give the raw"
            )
        self._shape: tuple[int, int] = (int(axes[0]), int(axes[1]))
        if axes[0] * axes[1] > MAX_PIXELS:
            raise FrameError(
                f"its header asks for {axes[1]} x {axes[0]} pixels, more than the {MAX_PIXELS // 1_000_000} million "
                "that are decoded; the file is broken"
            )
        if min(axes) < MIN_SIDE:
            raise FrameError(f"its picture has only {axes[1]} x {axes[0]} pixels, which is no raw frame")
        bits = self._hdu.header.get("ZBITPIX", self._hdu.header.get("BITPIX"))
        if bits == 8:
            raise FrameError("is an 8-bit FITS picture; only frames of 10 to 16 bits as the camera made them are used")

    def _cfa(self) -> str:
        text = str(self._header.get("BAYERPAT", self._header.get("COLORTYP", "")) or "").strip().upper()
        if text in ("", "NONE", "MONO", "MONOCHROME", "GRAY", "GREY"):
            return "MONO"
        if text not in CFA_PATTERNS:
            raise FrameError(f"its colour filters are {text[:20]!r}; only red, green and blue in 2 x 2 are processed")
        right = int(self._value("XBAYROFF") or 0)
        down = int(self._value("YBAYROFF") or 0)
        if self._bottom_up():
            # stored row r becomes row height - 1 - r
            down += self._shape[0] - 1
            cells = [(-row, column) for row in (0, 1) for column in (0, 1)]
        else:
            cells = [(row, column) for row in (0, 1) for column in (0, 1)]
        return "".join(text[2 * ((row + down) % 2) + (column + right) % 2] for row, column in cells)

    def _bottom_up(self) -> bool:
        return str(self._header.get("ROWORDER", "")).strip().upper().replace("_", "-") == "BOTTOM-UP"

    def _card(self, name: str) -> Any:
        """What a card says; nothing where it breaks the rules of FITS (a comma for the point)."""
        from astropy.io.fits.verify import VerifyError

        try:
            return self._header.get(name)
        except VerifyError:
            return None

    def _value(self, *names: str) -> float | None:
        for name in names:
            value = self._card(name)
            if isinstance(value, bool):
                continue
            try:
                number = float(value)
            except (TypeError, ValueError):
                continue
            if np.isfinite(number):
                return number
        return None

    def _positive(self, *names: str) -> float | None:
        value = self._value(*names)
        return value if value is not None and value > 0 else None

    def _exposure(self) -> float | None:
        """Biases are noted as exposed for no time at all, which is not the same as not saying."""
        value = self._value("EXPTIME", "EXPOSURE")
        return value if value is not None and value >= 0 else None

    def _text(self, *names: str) -> str | None:
        for name in names:
            value = self._card(name)
            if isinstance(value, str) and value.strip():
                return " ".join(value.split())[:120]
        return None

    def _taken(self) -> datetime | None:
        text = self._text("DATE-OBS") or ""
        if "T" not in text and self._text("TIME-OBS", "UT"):
            text = f"{text}T{self._text('TIME-OBS', 'UT')}"
        return parse_time(text)

    def _meta(self) -> FrameMeta:
        iso = self._positive("ISOSPEED", "ISO")
        taken = self._taken()
        temperature = self._value("CCD-TEMP", "DET-TEMP")
        if temperature is not None and not -273.15 < temperature < 95:
            temperature = None
        binning = self._positive("XBINNING") or 1.0
        pitch = self._positive("XPIXSZ") or (self._positive("PIXSIZE1") or 0.0) * binning or None
        return FrameMeta(
            width=self._shape[1],
            height=self._shape[0],
            cfa=self._cfa(),
            taken=taken,
            utc_offset_hours=None if taken is None else 0.0,
            exposure_s=self._exposure(),
            iso=None if iso is None else round(iso),
            f_number=self._positive("FNUMBER"),
            focal_mm=self._positive("FOCALLEN"),
            pixel_um=pitch,
            camera=self._text("INSTRUME", "CAMERA"),
            serial=self._text("CAMID", "SERIAL", "SERNUM"),
            lens=self._text("LENS", "TELESCOP"),
            temperature_c=temperature,
            gain=self._value("GAIN"),
            black_stated=self.levels().black_stated,
            image_type=(self._text("IMAGETYP", "IMGTYPE", "FRAME") or "").lower() or None,
            filter=self._text("FILTER", "FILTER1"),
            orientation=int(self._positive("ORIENTAT") or 1) if 1 <= (self._value("ORIENTAT") or 1) <= 8 else 1,
            white_balance=self._balance(),
            xyz_to_camera=camera_matrix(self._value),
            file_bytes_expected=self._bytes_needed(),
        )

    def _balance(self) -> tuple[float, float, float] | None:
        stated = white_balance(self._positive)
        if stated is None:
            return None
        red, green, blue = stated
        return red / green, 1.0, blue / green

    def unpack(self) -> NDArray[np.uint16]:
        """The whole picture, row 0 the top, (height, width) uint16, ADU.

        Raises
        ------
        FrameError
            Values that are no whole ADU between 0 and 65535, or a file that ends early.
        """
        self._check_length()
        header = self._hdu.header
        scale, zero = float(header.get("BSCALE", 1)), float(header.get("BZERO", 0))
        blank = header.get("BLANK")
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                stored = np.asarray(self._hdu.data).reshape(self._shape)
        except MemoryError:
            raise
        except Exception as error:
            raise FrameError(f"its picture data cannot be read ({_first_line(error)})") from None
        if stored.dtype.kind in "iu" and scale == 1 and zero.is_integer():
            if blank is not None and np.any(stored == blank):
                raise FrameError("has blank pixels; it is a processed picture, give the raw frame")
            low, high = int(stored.min()) + int(zero), int(stored.max()) + int(zero)
            if not 0 <= low <= high <= 65535:
                raise FrameError(f"holds values from {low} to {high}; raw frames hold 0 to 65535 ADU")
            pixels = (stored.astype(np.int64 if stored.itemsize > 2 else np.int32) + int(zero)).astype(np.uint16)
        else:
            pixels = self._whole_numbers(stored, scale, zero)
        return pixels[::-1] if self._bottom_up() else pixels

    def _whole_numbers(self, stored: NDArray[Any], scale: float, zero: float) -> NDArray[np.uint16]:
        pixels = np.empty(self._shape, np.uint16)
        for top in range(0, self._shape[0], 256):
            values = stored[top : top + 256].astype(np.float64) * scale + zero
            if not np.all(np.isfinite(values)) or values.min() < 0 or values.max() > 65535 or np.any(values % 1):
                raise FrameError(
                    "is a FITS file of fractions, hence a processed picture; only whole ADU from 0 to 65535 as the "
                    "camera made them are used"
                )
            pixels[top : top + 256] = values
        if pixels.max() <= 1:
            raise FrameError("is a FITS file scaled to 0-1, hence a processed picture; give the raw frame")
        return pixels

    def _bytes_needed(self) -> int | None:
        """The least length at which no value is lost: writers that leave out the last block's padding lose nothing."""
        from astropy.io import fits

        info = self._hdu.fileinfo()
        if info is None:
            return None
        if isinstance(self._hdu, fits.CompImageHDU):  # its size is that of the picture, not of what stands in the file
            return int(info["datLoc"] + info["datSpan"]) - _BLOCK + 1
        return int(info["datLoc"] + self._hdu.size)

    def _check_length(self) -> None:
        """A file cut short: astropy would warn or give an error that names bytes only."""
        needed = self.meta.file_bytes_expected
        if needed is not None and self.file_size < needed:
            raise FrameError(
                f"ends before its picture does ({self.file_size} of {needed} bytes); it is cut short or broken"
            )

    def levels(self) -> Levels:
        """Black and white as the header states them (BLACK1..4, BLKLEVEL or BLACKLEV; SATURATE, SATLEVEL or DATAMAX),
        else 0 and 65535; FITS has no standard keyword for black."""
        four = [self._value(f"BLACK{n}") for n in (1, 2, 3, 4)]
        common, stated = 0.0, False
        said = self._value("BLKLEVEL", "BLACKLEV")
        if said is not None and 0 <= said < 65535:
            common, stated = said, True
        if all(level is not None and 0 <= level < 65535 for level in four):
            black, stated = tuple(float(level) for level in four if level is not None), True
            if self._bottom_up() and self._shape[0] % 2 == 0:
                black = black[2:] + black[:2]
        else:
            black = (common,) * 4
        white = self._positive("SATURATE", "SATLEVEL", "DATAMAX")
        masked = self._value("MASKMEAN")
        return Levels(
            (black[0], black[1], black[2], black[3]), min(white or 65535.0, 65535.0), masked, stated, white is not None
        )

    def preview_level(self) -> float | None:
        """FITS files have no preview."""
        return None

    def close(self) -> None:
        """Close the file."""
        self._hdus.close()
        self._file.close()


def is_fits(head: bytes) -> bool:
    """Whether a file's first bytes are those of FITS."""
    return head.startswith(b"SIMPLE  =")


def _first_line(error: BaseException) -> str:
    return "".join(c if c.isprintable() else " " for c in str(error).split("\n")[0])[:160]
