"""The file form of a scene's ground: its mask, and where there is ground its picture, with noise and counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.errors import InputError
from pipeline.files import replacing, shown
from pipeline.stack.land import Canvas
from pipeline.stack.output import compressed
from pipeline.stack.tiles import Tile
from pipeline.stack.windows import Window

FULL = 255  # a pixel that is ground and nothing else


@dataclass(frozen=True)
class GroundFile:
    """An opened file.

    Attributes
    ----------
    mask : (height, width) uint8 array, share of ground in 1/255
    box : the part of the picture that the planes cover
    planes, noise : (3, box.height, box.width) big-endian float32, mapped from disk; 0 where no tile was made
    coverage : (box.height, box.width) uint16 array, of how many frames it is; 0 where no tile was made
    """

    mask: NDArray[np.uint8]
    box: Window
    planes: NDArray[np.floating]
    noise: NDArray[np.floating]
    coverage: NDArray[np.uint16]

    @cached_property
    def covered(self) -> NDArray[np.bool_]:
        """Where it is of any frame."""
        return self.coverage > 0

    def is_whole(self, rim: int) -> bool:
        """Whether it reaches everywhere where there is ground within so many px."""
        box = self.box
        wide = ndimage.maximum_filter((self.mask > 0).view(np.uint8), 2 * rim + 1)
        part = wide[box.top : box.top + box.height, box.left : box.left + box.width] > 0
        return bool(np.count_nonzero(wide) == np.count_nonzero(part & self.covered))

    def fill(self, tile: Tile, counts: bool = False) -> None:
        """Put the picture and its noise, and if asked its coverage, into a tile where that is of no frame, as far as it
        reaches."""
        w, box = tile.window, self.box
        y0, y1 = max(w.top, box.top), min(w.top + w.height, box.top + box.height)
        x0, x1 = max(w.left, box.left), min(w.left + w.width, box.left + box.width)
        if y0 >= y1 or x0 >= x1:
            return
        here = (slice(y0 - box.top, y1 - box.top), slice(x0 - box.left, x1 - box.left))
        there = (slice(y0 - w.top, y1 - w.top), slice(x0 - w.left, x1 - w.left))
        hole = (tile.coverage[there] == 0) & self.covered[here]
        if not hole.any():
            return
        for mine, theirs in ((self.planes, tile.picture), (self.noise, tile.noise)):
            part = theirs[(slice(None), *there)]
            np.copyto(part, mine[(slice(0, len(part)), *here)], where=hole)
        if counts:
            np.copyto(tile.coverage[there], self.coverage[here], where=hole)


@dataclass(frozen=True)
class LaidOver:
    """The ground's picture as far as it reaches, the combined one about it; (3, height, width), read by windows."""

    planes: NDArray[np.floating]
    ground: GroundFile

    @property
    def shape(self) -> tuple[int, ...]:
        return self.planes.shape

    def __getitem__(self, key: tuple[slice, ...]) -> NDArray[np.float32]:
        """Any window (all planes, rows, columns) of it."""
        rows, columns = (key + (slice(None),) * 2)[1:3]
        strip = np.array(self.planes[:, rows, columns], np.float32)
        box, (_, height, width) = self.ground.box, self.planes.shape
        top, bottom, _ = rows.indices(height)
        left, right, _ = columns.indices(width)
        y0, y1 = max(top, box.top), min(bottom, box.top + box.height)
        x0, x1 = max(left, box.left), min(right, box.left + box.width)
        if y0 < y1 and x0 < x1:
            here = (slice(y0 - box.top, y1 - box.top), slice(x0 - box.left, x1 - box.left))
            part = strip[:, y0 - top : y1 - top, x0 - left : x1 - left]
            part[:] = np.where(self.ground.covered[here], self.ground.planes[(slice(None), *here)], part)
        return strip


def write_no_ground(path: Path, why: str) -> None:
    """Write the file of a scene without ground: a header."""
    hdu = fits.PrimaryHDU()
    hdu.header["GROUND"] = (False, "whether the scene has ground")
    hdu.header["COMMENT"] = why.encode("ascii", "replace").decode()
    with replacing(path) as temporary:
        hdu.writeto(temporary, overwrite=True)


def picture_header(box: Window, unit: str = "adu") -> fits.Header:
    """Header of the picture of a scene that has ground."""
    header = fits.Header()
    header["GROUND"] = (True, "whether the scene has ground")
    header["BUNIT"] = (unit, "above black; camera's own colours")
    header["BOXTOP"] = (box.top, "[px] first row of the picture in the result")
    header["BOXLEFT"] = (box.left, "[px] first column")
    return header


def append_mask(path: Path, mask: NDArray[np.uint8]) -> None:
    """Add the mask (height, width; share of ground in 1/255) to a written picture."""
    hdu = compressed(mask, "MASK")
    with fits.open(path, mode="append", memmap=True, lazy_load_hdus=True) as hdus:
        hdus.append(hdu)


def append_moving(path: Path, canvases: Sequence[Canvas]) -> None:
    """Add the land that moves through the picture to a written file, a plane a knot."""
    hdu = fits.CompImageHDU(np.stack([canvas.share for canvas in canvases]), name="LAND", compression_type="RICE_1")
    hdu.header["SIDE"] = (canvases[0].side, "[px] of a cell")
    hdu.header["MARGIN"] = (canvases[0].margin, "[px] from the first cell to the picture")
    for number, canvas in enumerate(canvases, 1):
        hdu.header[f"KNOT{number}"] = (canvas.knot, "the plane's frame")
    with fits.open(path, mode="append", memmap=True, lazy_load_hdus=True) as hdus:
        hdus.append(hdu)


def read_moving(path: Path) -> list[Canvas]:
    """The land that moves through the picture; none where it does not.

    Raises
    ------
    InputError
        Where the file is not what the step `ground` writes.
    """
    try:
        with fits.open(path) as hdus:
            if "LAND" not in hdus:
                return []
            header, planes = hdus["LAND"].header, np.asarray(hdus["LAND"].data, np.uint8)
            return [
                Canvas(header[f"KNOT{n}"], np.ascontiguousarray(plane), header["SIDE"], header["MARGIN"])
                for n, plane in enumerate(planes, 1)
            ]
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{shown(path)}: is not a scene's ground ({error}); run ground again") from error


def read_ground(path: Path) -> GroundFile | None:
    """Open a scene's ground; None where it has none.

    Raises
    ------
    InputError
        Where it is not what the step `ground` writes.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            header = hdus[0].header
            if not header["GROUND"]:
                return None
            shape = (3, header["NAXIS2"], header["NAXIS1"])
            box = Window(header["BOXTOP"], header["BOXLEFT"], shape[1], shape[2])
            planes = np.memmap(path, ">f4", "r", hdus[0].fileinfo()["datLoc"], shape)
            noise = np.memmap(path, ">f4", "r", hdus["NOISE"].fileinfo()["datLoc"], shape)
            coverage = np.ascontiguousarray(hdus["COVERAGE"].data, np.uint16)
            mask = np.ascontiguousarray(hdus["MASK"].data, np.uint8)
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{shown(path)}: is not a scene's ground ({error}); run ground again") from error
    return GroundFile(mask, box, planes, noise, coverage)
