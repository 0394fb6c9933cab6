"""Master darks, biases and flats as files: the mean, its NOISE, its DEFECTS, table FRAMES with a row a frame,
and of darks table STANDING."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import shown
from pipeline.sensor.beside import Standing
from pipeline.sensor.defects import COLD, HOT, UNSTABLE
from pipeline.sensor.mosaic import MosaicHeader


@dataclass(frozen=True)
class Master:
    """A master dark or flat as read from its file, native arrays."""

    header: fits.Header
    mean: NDArray[np.float32]
    noise: NDArray[np.float32]
    defects: NDArray[np.uint8]


def unusable(header: fits.Header) -> str | None:
    """Why a master holds no picture, where none of its frames was usable; None where it does."""
    return str(header["UNUSABLE"]) if header.get("NFRAMES") == 0 else None


def is_dark(header: fits.Header) -> bool:
    """Whether a master is of darks: where a scene's bias is, the colder of two sets stand in its place."""
    return bool(header.get("IMAGETYP") == "master dark")


def read_usable_master(path: Path | None) -> Master | None:
    """Read a master file; None where none is given, or none of its frames was usable."""
    if path is None:
        return None
    with contextlib.suppress(OSError):  # a missing or foreign file has its sentence in `read_master`
        if unusable(fits.getheader(path, 0)) is not None:
            return None
    return read_master(path)


def read_master(path: Path) -> Master:
    """Read a master file.

    Raises
    ------
    InputError
        Where it is none.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            why = unusable(hdus[0].header)
            if why is not None:
                raise InputError(f"{shown(path)}: holds no picture: {why}")
            return Master(
                hdus[0].header.copy(),
                hdus[0].data.astype(np.float32),
                hdus["NOISE"].data.astype(np.float32),
                hdus["DEFECTS"].data.astype(np.uint8),
            )
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such master; run 'dark master' first") from None
    except (OSError, KeyError, AttributeError, TypeError) as error:
        raise InputError(f"{shown(path)}: not a master that 'dark master' wrote; make it again") from error


def check_fits_together(master: Master, header: MosaicHeader, shape: tuple[int, int], path: Path) -> None:
    """Refuse a master of another size or CFA than a frame."""
    if master.mean.shape != shape:
        raise InputError(f"{shown(path)}: has another size than the frame (got {master.mean.shape} and {shape})")
    cfa = master.header.get("BAYERPAT", "MONO")
    if cfa != header.cfa:
        raise InputError(f"{shown(path)}: has another CFA than the frame (got {cfa} and {header.cfa})")


def empty_master(cards: fits.Header, why: str, table: fits.BinTableHDU) -> fits.HDUList:
    """The content of a master's file where none of its frames was usable: no picture, and why."""
    cards["UNUSABLE"] = why.encode("ascii", "replace").decode()
    return fits.HDUList([fits.PrimaryHDU(None, cards), table])


def master_hdus(
    cards: fits.Header,
    mean: NDArray[np.float32],
    noise: NDArray[np.float32],
    flags: NDArray[np.uint8],
    table: fits.BinTableHDU,
    shows: Standing | None = None,
) -> fits.HDUList:
    """The content of a master's file; its cards are told the numbers of defects."""
    for bit, name, what in (
        (HOT, "NHOT", "hot"),
        (COLD, "NCOLD", "cold"),
        (UNSTABLE, "NUNSTABL", "unstable"),
    ):
        cards[name] = (int(np.count_nonzero(flags & bit)), f"{what} pixels")
    return fits.HDUList(
        [
            fits.PrimaryHDU(mean, cards),
            fits.ImageHDU(noise, name="NOISE"),
            fits.ImageHDU(flags, name="DEFECTS"),
            table,
            *([] if shows is None else [_standing_hdu(shows, mean.shape[1])]),
        ]
    )


def _standing_hdu(shows: Standing, width: int) -> fits.BinTableHDU:
    """What stands out of the mean of darks, before it is drawn to what is about."""
    hdu = fits.BinTableHDU.from_columns(
        [
            fits.Column("PIXEL", "J", array=shows.ys * width + shows.xs),
            fits.Column("EXCESS", "E", "adu", array=shows.excess),
            fits.Column("ERROR", "E", "adu", array=shows.error),
            fits.Column("REAL", "E", array=shows.real),
        ],
        name="STANDING",
    )
    hdu.header["USUAL"] = (shows.usual, "[ADU] error of an ordinary pixel of the mean")
    hdu.header["OWN"] = (shows.own, "[ADU] what ordinary pixels differ by beyond it")
    hdu.header["COMMENT"] = "pixel: row * width + column; what the mean of the darks shows above its structure"
    return hdu


def read_rows(path: Path, rows: NDArray[np.int64]) -> NDArray[np.float32]:
    """Some rows of a master's mean, ADU above black, the others unread."""
    with fits.open(path, memmap=True) as hdus:
        return np.asarray(hdus[0].data[rows], np.float32)


def read_standing(path: Path) -> Standing | None:
    """What stands out of a master of darks; None where none of its frames was usable, or nothing was noted.

    Raises
    ------
    InputError
        Where the file is no master.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            if unusable(hdus[0].header) is not None or "STANDING" not in hdus:
                return None
            rows, width, height = hdus["STANDING"].data, hdus[0].header["NAXIS1"], hdus[0].header["NAXIS2"]
            ys, xs = np.divmod(np.asarray(rows["PIXEL"], np.int64), width)
            excess, error, real = (np.asarray(rows[name], np.float32) for name in ("EXCESS", "ERROR", "REAL"))
            usual, own = (float(hdus["STANDING"].header[name]) for name in ("USUAL", "OWN"))
            return Standing(ys, xs, excess, error, real, usual, own, (height, width))
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such master; run 'dark master' first") from None
    except (OSError, KeyError, TypeError) as error:
        raise InputError(f"{shown(path)}: not a master that 'dark master' wrote; make it again") from error
