"""Master darks, biases and flats as files: the mean, its NOISE, its DEFECTS, and table FRAMES with a row a frame."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.errors import InputError
from pipeline.files import shown
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
        ]
    )
