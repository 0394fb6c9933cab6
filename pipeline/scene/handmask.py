"""Masks of the ground that a user gives: found, checked, read."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.config import Trip
from pipeline.errors import InputError
from pipeline.files import shown
from pipeline.pixels.orientation import as_taken, upright_shape

WIDE_MODES = ("I;16", "I;16B", "I", "F")  # one channel of more than eight bits


def mask_of(trip: Trip, project: Path | None, scene: str) -> Path | None:
    """The mask that the trip file gives a scene; None where it gives none."""
    hand = trip.scenes.get(scene)
    name = (hand.mask if hand is not None else None) or trip.ground.mask
    return None if name is None else (project or Path()) / Path(name).expanduser()


def digest(path: Path | None) -> str | None:
    """What a file holds, as a short hash; None where there is none."""
    try:
        return None if path is None else hashlib.sha256(path.read_bytes()).hexdigest()[:16]
    except OSError:
        return None


def check_masks(trip: Trip, project: Path, scenes: Sequence[str], inventory: Any) -> None:
    """See, before any work, that the masks of the trip file can be of their scenes.

    Parameters
    ----------
    inventory : table with columns `scene`, `width`, `height`

    Raises
    ------
    InputError
        Where one cannot be read or has another size, or nothing says of which scene it is.
    """
    if trip.ground.mask is not None and len(scenes) > 1:
        raise InputError(
            f"trip.yaml: ground.mask: the trip has {len(scenes)} scenes; say of which the mask is "
            f"(scenes: {{{scenes[0]}: {{mask: {shown(trip.ground.mask)}}}}})"
        )
    known = {"scene", "width", "height"} <= set(inventory.colnames)
    for scene in scenes:
        path = mask_of(trip, project, scene)
        if path is None:
            continue
        sizes: set[tuple[int, int]] = set()
        for row in inventory if known else ():
            if str(row["scene"]) == scene and row["width"] is not np.ma.masked:
                # upright or lying: which, the frames' headers tell later
                sizes |= {(int(row["width"]), int(row["height"])), (int(row["height"]), int(row["width"]))}
        check_mask(path, sizes)


def check_mask(path: Path, sizes: set[tuple[int, int]]) -> None:
    """See that a mask can be read and has one of these (width, height), without reading its pixels.

    Raises
    ------
    InputError
        As `read_mask`.
    """
    with _open(path) as image:
        if sizes and image.size not in sizes:
            raise InputError(_wrong_size(path, image.size, max(sizes)))


def read_mask(path: Path, shape: tuple[int, int], orientation: int = 1) -> NDArray[np.float32]:
    """Read a mask: white is ground, black is sky, grey is both.

    Parameters
    ----------
    path : a picture of one channel or of colours; where it has transparency, transparent is sky
    shape : (height, width) of the frames' visible area
    orientation : Exif orientation of the reference frame: the mask is of the picture as `combined.tif` shows it

    Returns
    -------
    (height, width) float32 array of 0-1, on the frames' grid

    Raises
    ------
    InputError
        Where the file cannot be read, or has another size.
    """
    height, width = upright_shape(shape, orientation)
    with _open(path) as image:
        if image.size != (width, height):
            raise InputError(_wrong_size(path, image.size, (width, height)))
        try:
            if image.mode in WIDE_MODES:
                values = np.asarray(image, np.float32)
                values = values / np.float32(65535 if values.max() > 1 else 1)
            else:
                both = np.asarray(image.convert("LA"), np.float32)
                values = both[..., 0] * both[..., 1] / np.float32(255 * 255)
        except (OSError, ValueError, SyntaxError) as error:
            raise InputError(f"{shown(path)}: is damaged ({error}); save the mask again as PNG") from None
    return np.ascontiguousarray(as_taken(np.clip(values, 0, 1), orientation))


def _open(path: Path) -> Image.Image:
    limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None  # a sensor may have more; the size is checked here
    try:
        return Image.open(path)
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such mask; put it there, or change trip.yaml") from None
    except (OSError, ValueError, SyntaxError):
        raise InputError(f"{shown(path)}: is no picture that can be read as a mask; save it as PNG") from None
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _wrong_size(path: Path, got: tuple[int, int], wanted: tuple[int, int]) -> str:
    return (
        f"{shown(path)}: the mask has {got[0]} x {got[1]} pixels, the picture {wanted[0]} x {wanted[1]}; "
        "make it on the scene's combined.tif"
    )
