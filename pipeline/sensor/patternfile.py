"""What stays with the sensor (`sensor/pattern.py`), and what its lines are off by in single frames
(`sensor/banding.py`), in the file of a scene's defects: GLOW, ROWS and COLUMNS; BANDING; and the part
of a master dark that has a factor of its own (`sensor/darkglow.py`): DARKGLOW."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import shown
from pipeline.sensor.banding import Banding
from pipeline.sensor.darkglow import GlowLaw
from pipeline.sensor.pattern import Pattern, glow_at_pixels

_PARTS = {"GLOW": "glow", "ROWS": "rows", "COLUMNS": "columns"}


def pattern_hdus(pattern: Pattern) -> list[fits.ImageHDU]:
    """The units that stand after the defect map; none where nothing was found."""
    hdus = []
    for name, field in _PARTS.items():
        part = getattr(pattern, field)
        if part is not None:
            hdus.append(fits.ImageHDU(part, name=name))
            hdus[-1].header["BUNIT"] = ("adu", "taken off every frame")
            if name == "GLOW":
                hdus[-1].header["BLOCK"] = (pattern.block, "[pix] side of a block")
    return hdus


def dark_glow_hdus(glow: NDArray[np.float32] | None, block: int, law: GlowLaw) -> list[fits.ImageHDU]:
    """The unit that holds a master's glow by blocks of `block` px, and its law; none where it has none."""
    if glow is None:
        return []
    hdu = fits.ImageHDU(glow, name="DARKGLOW")
    hdu.header["BUNIT"] = ("adu", "part of the dark with a factor of its own")
    hdu.header["BLOCK"] = (block, "[pix] side of a block")
    hdu.header["POWER"] = (law.power, "of the pixels' factor over the exposures'")
    if law.rise is not None:
        hdu.header["RISE"] = (law.rise, "dark signal of the warmer over the colder")
    if law.leaked is not None:
        hdu.header["LEAKED"] = (law.leaked, "no glow: light in the darks; what lights have")
    return [hdu]


def read_dark_glow(path: Path, shape: tuple[int, int]) -> tuple[NDArray[np.float32], GlowLaw] | None:
    """A master's glow at every pixel, (height, width) float32, ADU, and its law; None where the file holds none.

    Raises
    ------
    InputError
        Where it is no file of defects.
    """
    with _opened(path) as hdus:
        if "DARKGLOW" not in hdus:
            return None
        header = hdus["DARKGLOW"].header
        blocks = np.asarray(hdus["DARKGLOW"].data, np.float32)
        rise, leaked = (None if (value := header.get(key)) is None else float(value) for key in ("RISE", "LEAKED"))
        law = GlowLaw(float(header["POWER"]), rise, leaked)
        return glow_at_pixels(blocks, int(header["BLOCK"]), shape), law


def banding_hdus(banding: Mapping[str, Banding]) -> list[fits.BinTableHDU]:
    """The unit that holds the frames' banding; none where no frame has any."""
    if not banding:
        return []
    rows = np.stack([of.rows for of in banding.values()])
    columns = np.stack([of.columns for of in banding.values()])
    hdu = fits.BinTableHDU.from_columns(
        [
            fits.Column("FRAME", f"{max(len(frame) for frame in banding)}A", array=list(banding)),
            *(
                fits.Column(name, f"{part[0].size}E", "adu", dim=str(part.shape[:0:-1]), array=part)
                for name, part in (("ROWS", rows), ("COLUMNS", columns))
            ),
        ],
        name="BANDING",
    )
    hdu.header["COMMENT"] = "taken off one frame: of rows by the column's parity, of columns by the row's"
    return [hdu]


def read_banding(path: Path) -> dict[str, Banding]:
    """Read what `banding_hdus` gave, by frame; nothing where the file holds none.

    Raises
    ------
    InputError
        Where it is no file of defects.
    """
    with _opened(path) as hdus:
        if "BANDING" not in hdus:
            return {}
        return {
            str(row["FRAME"]): Banding(np.array(row["ROWS"], np.float32), np.array(row["COLUMNS"], np.float32))
            for row in hdus["BANDING"].data
        }


def read_pattern(path: Path) -> Pattern:
    """Read what `pattern_hdus` gave; an empty pattern where the file holds none.

    Raises
    ------
    InputError
        Where it is no file of defects.
    """
    with _opened(path) as hdus:
        parts = {f: np.asarray(hdus[n].data, np.float32) for n, f in _PARTS.items() if n in hdus}
        return Pattern(block=int(hdus["GLOW"].header["BLOCK"]) if "GLOW" in hdus else 0, **parts)


@contextmanager
def _opened(path: Path) -> Iterator[fits.HDUList]:
    """The file's units; what is amiss with it as an `InputError`."""
    try:
        with fits.open(path, memmap=False) as hdus:
            yield hdus
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such file; run dark first") from None
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{shown(path)}: not a defect map; run 'dark scene' again") from error
