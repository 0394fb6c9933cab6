"""What the blocks of a restless sky are off the mean of all frames by, told before any tile is made.

Settling (`pixels.restless`) looks five blocks about a tile. Many frames leave memory for small tiles only, and with so
much about each of them every pixel would be read ten times over. Instead each block is told once, and kept in a file
without a name beside the picture.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.restless import SIDE


@dataclass(frozen=True)
class Blocks:
    """Blocks of `restless.tell_blocks` of a part of the picture.

    Attributes
    ----------
    off : (colours, frames, rows, columns) float32 array
    number : (rows, columns) int64 array
    """

    off: NDArray[np.float32]
    number: NDArray[np.int64]


def no_blocks(colours: int, frames: int, shape: tuple[int, int]) -> Blocks:
    """Room for the blocks of a part of (height, width) pixels."""
    rows, columns = -(-shape[0] // SIDE), -(-shape[1] // SIDE)
    return Blocks(np.empty((colours, frames, rows, columns), np.float32), np.zeros((rows, columns), np.int64))


def blocks_on_disk(
    parts: Iterable[tuple[tuple[int, int], NDArray[np.int64], Blocks]],
    colours: int,
    frames: int,
    shape: tuple[int, int],
    folder: Path,
) -> Blocks:
    """The blocks of the whole picture, mapped from a file that no one else sees and that goes with the array.

    Parameters
    ----------
    parts : first pixel (row, column), numbers of the frames, and their blocks; what no part tells is asked for by none
    shape : (height, width) of the picture
    folder : where there is room

    Raises
    ------
    OSError
        ENOSPC where there is none.
    """
    rows, columns = -(-shape[0] // SIDE), -(-shape[1] // SIDE)
    with tempfile.TemporaryFile(dir=folder) as handle:
        # taken now: a map cannot tell that a disk is full
        os.posix_fallocate(handle.fileno(), 0, 4 * colours * frames * rows * columns)
        off = np.memmap(handle, np.float32, "r+", shape=(rows, colours, frames, columns))
    number = np.zeros((rows, columns), np.int64)
    for (top, left), members, part in parts:
        high, wide = part.number.shape
        here = (slice(top // SIDE, top // SIDE + high), slice(left // SIDE, left // SIDE + wide))
        number[here] = part.number
        told = np.full((high, colours, frames, wide), np.nan, np.float32)
        told[:, :, members] = part.off.transpose(2, 0, 1, 3)
        off[here[0], :, :, here[1]] = told
    return Blocks(np.asarray(off).transpose(1, 2, 0, 3), number)


def blocks_about(
    blocks: Blocks, corner: tuple[int, int], shape: tuple[int, int], margin: int
) -> tuple[Blocks, tuple[int, int]]:
    """A copy of the blocks of a part of the picture and of so many pixels about it, and which is the part's first."""
    first = [at // SIDE for at in corner]
    begin = [max(at - margin // SIDE, 0) for at in first]
    end = [-(-(at + size) // SIDE) + margin // SIDE for at, size in zip(corner, shape, strict=True)]
    here = (slice(begin[0], end[0]), slice(begin[1], end[1]))
    part = Blocks(np.ascontiguousarray(blocks.off[:, :, *here]), blocks.number[here].copy())
    return part, (first[0] - begin[0], first[1] - begin[1])
