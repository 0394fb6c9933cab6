"""The file form of a combined picture: FITS planes of fixed size, written tile by tile from several threads."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.files import reserve
from pipeline.pixels.rings import MARGIN, with_rings_filled
from pipeline.stack.sources import Scratch
from pipeline.stack.threads import in_order

_BLOCK = 2880  # FITS 4.0, 3.1
_PIECE = 2**24  # bytes read and written at once
# Rows of the picture that are looked at for rings at once, large beside what they depend on about them; and so many
# bytes of wide pictures, of which a few strips wait.
_STRIP, _STRIP_BYTES = 256, 24_000_000
_ROWS = 64  # of a piece of compressed numbers: row by row, the usual way, takes three times as long


_Tile = tuple[int, int, NDArray[np.float32]]  # first row and column, planes


def _top(tiles: list[_Tile]) -> int:
    return min(top for top, _, _ in tiles)


def _bottom(tiles: list[_Tile]) -> int:
    return max(top + values.shape[1] for top, _, values in tiles)


class CombinedWriter:
    """Writes PICTURE (primary) and NOISE, both (3, height, width) float32, then COVERAGE and REJECTED.

    The space of the two large arrays is taken on disk before anything is written; tiles are written with `os.pwrite`,
    so that a full disk is an error with a name, and no page of the file counts as this process's memory.
    """

    def __init__(self, path: Path, shape: tuple[int, int], header: fits.Header, noise_header: fits.Header) -> None:
        self.path, self.shape = path, shape
        data = (3, *shape)
        self._heads = (_head(data, header, True), _head(data, noise_header, False))
        size = 12 * shape[0] * shape[1]
        whole = size + -size % _BLOCK
        first = len(self._heads[0])
        self._starts = (first, first + whole + len(self._heads[1]))
        reserve(path, self._starts[1] + whole)
        self._file = os.open(path, os.O_RDWR)
        # tiles side by side that wait for the others of their rows: row by row they would be half a million writes
        self._waiting: tuple[list[_Tile], list[_Tile]] = ([], [])
        os.pwrite(self._file, self._heads[0], 0)
        os.pwrite(self._file, self._heads[1], first + whole)

    def __enter__(self) -> CombinedWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file >= 0:
            os.close(self._file)
            self._file = -1

    def write(self, which: int, top: int, left: int, values: NDArray[np.float32]) -> None:
        """Write a tile of the picture (0) or the noise (1), (3 or 1, height, width); one colour goes to all planes."""
        waiting = self._waiting[which]
        if waiting and not _top(waiting) <= top < _bottom(waiting):
            self._flush(which)
        waiting.append((top, left, values))
        area = sum(tile.shape[1] * tile.shape[2] for _, _, tile in waiting)
        if area == (_bottom(waiting) - _top(waiting)) * self.shape[1]:
            self._flush(which)

    def _flush(self, which: int) -> None:
        """Write the tiles that wait: whole rows at once where they fill them, else each row of each."""
        waiting = self._waiting[which]
        if not waiting:
            return
        (height, width), top, bottom = self.shape, _top(waiting), _bottom(waiting)
        whole = sum(tile.shape[1] * tile.shape[2] for _, _, tile in waiting) == (bottom - top) * width
        for plane in range(3):
            start = self._starts[which] + 4 * plane * height * width
            rows: Any = np.empty((bottom - top, width), ">f4") if whole else None
            for first, left, tile in waiting:
                values = tile[plane if len(tile) == 3 else 0]
                if whole:
                    rows[first - top : first - top + len(values), left : left + values.shape[1]] = values
                    continue
                for i, row in enumerate(values.astype(">f4")):
                    os.pwrite(self._file, row, start + 4 * ((first + i) * width + left))
            if whole:
                os.pwrite(self._file, rows, start + 4 * top * width)
        waiting.clear()

    def read(self, which: int, top: int, bottom: int, planes: int = 3) -> NDArray[np.float32]:
        """Rows of the picture (0) or the noise (1) as they were written: (planes, rows, width)."""
        self._flush(which)
        height, width = self.shape
        result = np.empty((planes, bottom - top, width), np.float32)
        for plane in range(planes):
            start = self._starts[which] + 4 * (plane * height + top) * width
            result[plane] = np.frombuffer(os.pread(self._file, 4 * width * (bottom - top), start), ">f4").reshape(
                -1, width
            )
        return result

    def fill_rings(
        self,
        shown: NDArray[np.bool_],
        gains: tuple[float, float, float],
        full: float,
        over: float = 0.0,
        colours: int = 3,
        threads: int = 1,
    ) -> None:
        """Fill the dark rings about what is bright in the picture, once all of it and of the noise is written.

        Parameters
        ----------
        shown, gains, full, over : as of `pixels.rings.with_rings_filled`
        colours : 1 where all planes hold the same
        threads : that look for rings; what comes out does not depend on them
        """
        height, width = self.shape
        tall = min(_STRIP, max(2 * MARGIN, _STRIP_BYTES // (4 * 2 * colours * width)))

        def strips() -> Iterator[tuple[int, slice, NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]]:
            """In order: those that wait hold the rows about them as they were before any was filled."""
            above = self.read(0, 0, 0, colours)
            for top in range(0, height, tall):
                bottom = min(top + tall, height)
                first, last = top - above.shape[1], min(bottom + MARGIN, height)
                planes = np.concatenate([above, self.read(0, top, last, colours)], axis=1)
                yield (
                    top,
                    slice(top - first, bottom - first),
                    planes,
                    self.read(1, first, last, colours),
                    shown[first:last],
                )
                above = planes[:, bottom - first - MARGIN : bottom - first]

        def filled(strip: Any, _: Scratch) -> tuple[int, NDArray[np.float32] | None]:
            top, inside, planes, noise, here = strip
            whole = with_rings_filled(planes, noise, here, gains, full, over)
            return top, None if whole is None else whole[:, inside]

        with ThreadPoolExecutor(threads) as pool:
            for top, rows in in_order(pool, filled, strips(), threads):
                if rows is not None:
                    self.write(0, top, 0, rows)

    def scale_noise(self, factor: float) -> None:
        """Multiply all of the noise that was written."""
        self._flush(1)
        size, start = 12 * self.shape[0] * self.shape[1], self._starts[1]
        for first in range(0, size, _PIECE):
            piece = np.frombuffer(os.pread(self._file, min(_PIECE, size - first), start + first), ">f4")
            os.pwrite(self._file, (piece * np.float32(factor)).astype(">f4").tobytes(), start + first)

    def finish(self, coverage: NDArray[np.uint16], rejected: NDArray[np.uint16]) -> None:
        """Append the counts, compressed without loss, and close."""
        for which in (0, 1):
            self._flush(which)
        os.close(self._file)
        self._file = -1
        with fits.open(self.path, mode="append", memmap=True, lazy_load_hdus=True) as hdus:
            for name, data, comment in (
                ("COVERAGE", coverage, "frames that show the pixel"),
                ("REJECTED", rejected, "frames whose value was rejected in some colour"),
            ):
                hdu = compressed(data.astype(np.int16), name)
                hdu.header["BUNIT"] = ("frames", comment)
                hdus.append(hdu)


def compressed(data: NDArray[Any], name: str) -> fits.CompImageHDU:
    """An extension of whole numbers (height, width), compressed without loss."""
    tiles = (min(_ROWS, data.shape[0]), data.shape[1])
    return fits.CompImageHDU(data, name=name, compression_type="RICE_1", tile_shape=tiles)


def _head(shape: tuple[int, int, int], header: fits.Header, primary: bool) -> bytes:
    """The header of an array of big-endian float32, as bytes."""
    kind = fits.PrimaryHDU if primary else fits.ImageHDU
    hdu = kind(header=header)
    first = fits.Header()
    if primary:
        first["SIMPLE"] = (True, "FITS 4.0")
    else:
        first["XTENSION"] = ("IMAGE", "image")
    first["BITPIX"] = (-32, "32-bit floats")
    first["NAXIS"] = 3
    for axis, size in enumerate(reversed(shape), 1):
        first[f"NAXIS{axis}"] = size
    if primary:
        first["EXTEND"] = True
    else:
        first["PCOUNT"], first["GCOUNT"] = 0, 1
    for card in hdu.header.cards:
        if card.keyword not in first and card.keyword not in ("SIMPLE", "XTENSION"):
            first.append(card)
    return first.tostring(endcard=True, padding=True).encode("ascii")
