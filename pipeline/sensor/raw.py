"""Raw files through LibRaw. Runs inside the decoding process only (`sensor/worker.py`): the files are untrusted."""

from __future__ import annotations

import io
import os
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import rawpy
from numpy.typing import NDArray

from pipeline.errors import FrameError
from pipeline.pixels.normal import MAD_TO_SIGMA
from pipeline.sensor.cfa import CFA_PATTERNS
from pipeline.sensor.lossless import decode_segments, give_back, lossless_segments, without_pictures
from pipeline.sensor.metadata import HeaderFacts, build_meta, colour_matrix
from pipeline.sensor.rawheader import ORIENTATION, header_facts
from pipeline.sensor.tags import bits_per_sample, exif_of_jpeg, is_plain_tiff, read_exif

# The largest mosaic that is decoded. The largest sensors on sale have 150 million pixels; a header that asks for more
# than this is broken, and is refused before anything is allocated.
MAX_PIXELS = 250_000_000
# Fewer rows or columns than this are a thumbnail that was taken for a mosaic.
MIN_SIDE = 64
# Masked columns nearest to the picture and to the sensor's edge, left out: light leaks into the former, and cameras
# write marks into the latter.
_MASK_MARGIN = 2
_MASK_COLUMNS_MIN = 8


_UNKNOWN = "is no raw frame that can be read (unknown form, or its beginning is lost)"


class _CutShortError(FrameError):
    """LibRaw ran out of file."""


@dataclass(frozen=True)
class Levels:
    """Levels that the file states, ADU: black and masked level by CFA position, the header's white.

    `black_stated` and `white_stated` are False where the file says nothing of them, and 0 and the largest number that
    its form holds stand in their place.
    """

    black: tuple[float, float, float, float]
    white: float
    masked: float | None
    black_stated: bool = True
    white_stated: bool = True


class RawFrame:
    """One raw file, opened by LibRaw from a file descriptor.

    Parameters
    ----------
    descriptor : int
        Open for reading; stays the caller's.
    maker_notes : bool
        Whether to read the maker's own tags, which takes up to half as long as decoding.

    Raises
    ------
    FrameError
        The file is no raw frame that can be used; the sentence names no path.
    """

    def __init__(self, descriptor: int, maker_notes: bool) -> None:
        self._path = f"/proc/self/fd/{descriptor}" if os.path.isdir("/proc/self/fd") else f"/dev/fd/{descriptor}"
        self._descriptor = descriptor
        # whether each value was coded as the difference to its neighbours: no block of bytes is then pixels twice
        self.coded_by_difference = False
        self.file_size = os.fstat(descriptor).st_size
        with self._stream() as stream:
            head = stream.read(16)
            if is_picture(head):
                raise FrameError("is a picture as cameras and editors write it, not a raw frame")
            self._raw = rawpy.RawPy()
            self._open()
            self.tags = read_exif(stream, maker_notes)
            if not maker_notes and is_plain_tiff(self.tags):
                self.tags = read_exif(stream)  # only the maker's tags tell some raw files from pictures
        if is_plain_tiff(self.tags):
            raise FrameError("is a plain TIFF picture without a colour filter array, not a raw frame")
        sizes = self._raw.sizes
        if sizes.raw_height * sizes.raw_width > MAX_PIXELS:
            raise FrameError(
                f"its header asks for {sizes.raw_width} x {sizes.raw_height} pixels, more than the "
                f"{MAX_PIXELS // 1_000_000} million that are decoded; the file is broken"
            )
        if min(sizes.height, sizes.width) < MIN_SIDE:
            raise FrameError(f"its picture has only {sizes.width} x {sizes.height} pixels, which is no raw frame")
        self.sizes = sizes
        if not self.tags:
            self.tags = self._tags_of_preview()
        self.facts = header_facts(self._path, sizes) or self._facts_after_unpacking()
        if self.facts.cfa is not None and self.facts.cfa.startswith("?"):
            raise FrameError(self.facts.cfa[1:])
        self.meta = build_meta(self.facts, self.tags)

    def _open(self) -> None:
        try:
            _call(self._raw.open_file, self._path)
        except _CutShortError:
            # very short files end before LibRaw knows what they are
            raise FrameError(_UNKNOWN) from None
        except FrameError:
            with self._stream() as stream:
                if is_plain_tiff(read_exif(stream, maker_notes=False)):
                    raise FrameError("is a plain TIFF picture, not a raw frame") from None
            raise

    def _stream(self) -> io.BufferedReader:
        return open(self._path, "rb")

    def _tags_of_preview(self) -> dict[str, Any]:
        preview = self.preview()
        return exif_of_jpeg(preview) if isinstance(preview, bytes) else {}

    def preview(self) -> bytes | NDArray[np.uint8] | None:
        """The embedded preview: JPEG bytes or an (h, w, 3) uint8 array; None where there is none."""
        raw = rawpy.RawPy()
        try:
            raw.open_file(self._path)
            thumb = raw.extract_thumb()
        except MemoryError:
            raise
        except (rawpy.LibRawError, OSError, ValueError, RuntimeError):
            return None
        return bytes(thumb.data) if thumb.format == rawpy.ThumbFormat.JPEG else np.array(thumb.data)

    def preview_level(self) -> float | None:
        """Mean grey of the embedded preview, 0 to 255, as the camera rendered it; None where there is none."""
        preview = self.preview()
        if preview is None:
            return None
        if isinstance(preview, bytes):
            from PIL import Image

            try:
                with Image.open(io.BytesIO(preview)) as picture:
                    picture.draft("L", (160, 160))
                    preview = np.asarray(picture.convert("L"))
            except MemoryError:
                raise
            except Exception:  # a broken preview is no preview
                return None
        return float(preview.mean()) if preview.size else None

    def _facts_after_unpacking(self) -> HeaderFacts:
        """The same facts by rawpy alone, which decodes the whole frame for them."""
        _call(self._raw.unpack)
        other, lens = self._raw.other, self._raw.lens
        return HeaderFacts(
            width=self.sizes.width,
            height=self.sizes.height,
            exposure_s=other.shutter_speed,
            iso=other.iso_speed,
            f_number=other.aperture,
            focal_mm=other.focal_length,
            clock=None if other.timestamp is None else int(other.timestamp.timestamp()),
            lens=lens.model,
            orientation=ORIENTATION.get(self.sizes.flip, 1),
        )

    def unpack(self) -> NDArray[np.uint16]:
        """Decode and give the visible area, a (height, width) uint16 view that lives as long as this object.

        Raises
        ------
        FrameError
            No mosaic of a 2 x 2 colour pattern, or data that LibRaw cannot decode.
        """
        if not self._unpack_lossless():
            _call(self._raw.unpack)
        if self._raw.raw_type != rawpy.RawType.Flat:
            raise FrameError("holds whole colours at every pixel, not the mosaic of the sensor; shoot uncompressed raw")
        cfa = self._pattern()
        self.meta = replace(
            self.meta, cfa=cfa, white_balance=self._white_balance(), xyz_to_camera=self._xyz_to_camera()
        )
        visible = self._raw.raw_image_visible
        if visible.shape != (self.sizes.height, self.sizes.width):
            raise FrameError(
                f"its visible area of {self.sizes.width} x {self.sizes.height} pixels lies outside its "
                f"data of {self.sizes.raw_width} x {self.sizes.raw_height}"
            )
        return visible

    def _unpack_lossless(self) -> bool:
        """Decode a DNG's lossless JPEG by libjpeg-turbo into LibRaw's mosaic; False where it must be left to LibRaw.

        LibRaw gets the file without its pictures, whose place it leaves empty, and tells all else as ever.
        """
        sizes = self.sizes
        with self._stream() as stream:
            segments = lossless_segments(stream, sizes.raw_height, sizes.raw_width, self.file_size)
            if segments is None:
                return False
            data = bytearray(self.file_size)
            stream.seek(0)
            if stream.readinto(data) != len(data):
                return False
        taken = without_pictures(data, segments)
        raw = rawpy.RawPy()
        try:
            _call(raw.open_buffer, _Whole(data))
            _call(raw.unpack)
            mosaic = None if raw.raw_type != rawpy.RawType.Flat or raw.sizes != sizes else raw.raw_image
        except FrameError:
            mosaic = None
        if mosaic is None or mosaic.shape != (sizes.raw_height, sizes.raw_width):
            return False
        give_back(data, segments, taken)
        if not decode_segments(data, segments, mosaic):
            return False
        if int(mosaic.max()) >> int(raw.white_level or 65535).bit_length():
            return False  # more bits than the sensor has: LibRaw tells where damage carried a value over 16 bits
        self._raw.close()
        self._raw = raw
        self.coded_by_difference = True
        return True

    def _pattern(self) -> str:
        raw, sizes = self._raw, self.sizes
        cells = raw.raw_pattern
        side = 0 if cells is None else cells.shape[0]
        if side == 1:
            return "MONO"
        names = raw.color_desc.decode("ascii", "replace")
        if side != 2:
            raise FrameError(f"its colour filters repeat every {side} pixels; only 2 x 2 patterns are processed")
        pattern = "".join(
            names[raw.raw_color(sizes.top_margin + row, sizes.left_margin + column)]
            for row in (0, 1)
            for column in (0, 1)
        )
        if pattern not in CFA_PATTERNS:
            raise FrameError(f"its colour filters are {pattern}; only red, green and blue in 2 x 2 are processed")
        return pattern

    def levels(self) -> Levels:
        """Black, white and masked levels as the file states them (after `unpack`)."""
        raw, sizes = self._raw, self.sizes
        by_colour = raw.black_level_per_channel
        if self.meta.cfa == "MONO":
            black = (float(by_colour[0]),) * 4
        else:
            black = tuple(  # type: ignore[assignment]
                float(by_colour[raw.raw_color(sizes.top_margin + row, sizes.left_margin + column)])
                for row in (0, 1)
                for column in (0, 1)
            )
        rows, columns = self._active_shift()
        black = tuple(black[2 * ((n // 2 + rows) % 2) + (n % 2 + columns) % 2] for n in range(4))  # type: ignore[assignment]
        white = float(raw.white_level or 65535)
        bits = bits_per_sample(self.tags)
        if white >= 65535 and bits is not None and bits < 16 and "Image Tag 0xC61D" not in self.tags:
            white = float((1 << bits) - 1)  # DNG 1.7.0.0: the default of a missing WhiteLevel
        return Levels(black, white, self._masked_level(black, white))

    def _active_shift(self) -> tuple[int, int]:
        """Rows and columns (0 or 1) by which LibRaw's visible area begins later than a DNG's ActiveArea.

        LibRaw moves an area that begins on an odd row or column by one and its colours with it, but not its black
        levels, whose 2 x 2 cell DNG 1.7.0.0 anchors at the active area's corner.
        """
        for name, tag in self.tags.items():
            if name.endswith((" Tag 0xC68D", " ActiveArea")):
                values = tag.values if isinstance(tag.values, list) else []
                if len(values) == 4 and all(isinstance(value, int) for value in values):
                    return (self.sizes.top_margin - values[0]) % 2, (self.sizes.left_margin - values[1]) % 2
        return 0, 0

    def _masked_level(self, black: tuple[float, float, float, float], white: float) -> float | None:
        sizes, image = self.sizes, self._raw.raw_image
        rows = slice(sizes.top_margin, sizes.top_margin + sizes.height)
        right = sizes.left_margin + sizes.width
        for columns in (image[rows, : sizes.left_margin], image[rows, right:]):
            if columns.shape[1] >= _MASK_COLUMNS_MIN:
                level = masked_level(columns[:, _MASK_MARGIN:-_MASK_MARGIN], black, white)
                if level is not None:
                    return level
        return None

    def _white_balance(self) -> tuple[float, float, float] | None:
        """The camera's multipliers; those for daylight where the camera gives none that can be."""
        dng = "Image Tag 0xC612" in self.tags or "Image DNGVersion" in self.tags
        for values, neutral in ((self._raw.camera_whitebalance, dng), (self._raw.daylight_whitebalance, True)):
            red, green, blue = (float(value) for value in values[:3])
            if min(red, green, blue) > 0 and max(red, green, blue) < 20 * min(red, green, blue):
                if red == green == blue and not neutral:
                    continue
                return red / green, 1.0, blue / green
        return None

    def _xyz_to_camera(self) -> tuple[float, ...] | None:
        matrix = np.asarray(self._raw.rgb_xyz_matrix, float)[:3]
        if np.all(np.isfinite(matrix)) and abs(np.linalg.det(matrix)) > 1e-6:
            # LibRaw keeps 32-bit numbers; four decimals are what the published matrices have
            return tuple(round(float(value), 6) for value in matrix.ravel())
        return colour_matrix(self.tags)

    def close(self) -> None:
        """Free LibRaw's memory."""
        self._raw.close()


class _Whole:
    """A file that gives all its bytes at once, without a copy."""

    def __init__(self, data: bytearray) -> None:
        self._data = data

    def read(self) -> bytearray:
        return self._data


def is_picture(head: bytes) -> bool:
    """Whether a file's first bytes are those of JPEG, PNG, GIF, WebP or a film."""
    return head.startswith((b"\xff\xd8\xff", b"\x89PNG", b"GIF8", b"RIFF")) or head[4:12] in (
        b"ftypmp42",
        b"ftypisom",
        b"ftypqt  ",
        b"ftypheic",
    )


def masked_level(columns: NDArray[np.uint16], black: tuple[float, float, float, float], white: float) -> float | None:
    """Mean of masked pixels, those off the rest left out; None where the margin is no dark one.

    A margin counts as masked where the medians of all CFA positions lie within 0.4 % of the range of the black level:
    drifting black levels stay within that; margins that only repeat the picture's edge do not.

    Parameters
    ----------
    columns : (rows, columns) uint16 array, ADU
    black : ADU by CFA position
    white : ADU

    Returns
    -------
    float or None
        ADU.
    """
    limit = 0.004 * (white - min(black)) + 1
    for position in range(4):
        part = columns[position // 2 :: 2, position % 2 :: 2]
        # the margin need not begin at the picture's CFA phase: the nearest of the four levels counts
        if part.size == 0 or min(abs(float(np.median(part)) - level) for level in black) > limit:
            return None
    values = columns.astype(np.float64).ravel()
    centre = np.median(values)
    spread = MAD_TO_SIGMA * np.median(np.abs(values - centre))
    kept = values[np.abs(values - centre) <= 5 * spread + 2]
    return round(float(kept.mean()), 4)


def _call(function: Any, *arguments: Any) -> None:
    """Run one LibRaw call; its errors become sentences, lack of memory stays itself."""
    try:
        function(*arguments)
    except rawpy.LibRawUnsufficientMemoryError:
        raise MemoryError from None
    except rawpy.LibRawTooBigError:
        raise FrameError("its header asks for more memory than raw frames need; the file is broken") from None
    except rawpy.LibRawFileUnsupportedError:
        raise FrameError(_UNKNOWN) from None
    except rawpy.LibRawIOError:
        raise _CutShortError("ends before its picture does; it is cut short or broken") from None
    except rawpy.LibRawDataError:
        raise FrameError("its picture data are broken") from None
    except (rawpy.LibRawError, OSError, ValueError) as error:
        detail = error.args[0] if error.args else error
        text = detail.decode("ascii", "replace") if isinstance(detail, bytes) else str(error)
        raise FrameError(f"cannot be decoded ({text})") from None
