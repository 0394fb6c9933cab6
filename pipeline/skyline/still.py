"""What stays with the ground: medians over a few frames, at half the size, of the frames' own unregistered pixels."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from pipeline.sensor.mosaic import colour_planes
from pipeline.skyline.hold import Hold
from pipeline.stack.sources import Calibration, Frame, Mosaics, calibrated
from pipeline.stack.tiles import Window, cut

Floats = NDArray[np.float32]

# Frames of the stills, half of them in each; a median of eight passes over stars that half of a run of eight move past.
FRAMES_MOST = 16
HALF = 2  # mosaic pixels to one of the stills
# Tiles in which frames are read, px: within one the ground is shifted as a whole.
SIDE = 512


@dataclass(frozen=True)
class Stills:
    """Two pictures of one scene before the ground, of the earlier and the later half of the frames.

    `first`, `second` : (colours, height // 2, width // 2) float32, ADU above black, NaN where no frame shows the ground
    that the reference shows; each pixel is one colour's mean over a cell of 2 x 2 mosaic pixels. Cell (i, j) has its
    middle at (2 j + 0.5, 2 i + 0.5).
    """

    first: Floats
    second: Floats

    @property
    def mean(self) -> Floats:
        """The mean of both."""
        return (self.first + self.second) / np.float32(2)


def cells(pixels: Floats, cfa: str) -> Floats:
    """Means a colour over cells of 2 x 2: (height, width) to (colours, height // 2, width // 2)."""
    height, width = pixels.shape[0] // 2 * 2, pixels.shape[1] // 2 * 2
    planes = []
    for places in colour_planes(cfa).values():
        parts = [pixels[i:height:2, j:width:2] for i, j in places]
        planes.append(sum(parts[1:], parts[0]) / np.float32(len(parts)))
    return np.stack(planes)


def choose(count: int, most: int = FRAMES_MOST) -> tuple[list[int], list[int]]:
    """Frames (by their place in time) of the two halves, spread evenly, as many in each; one frame serves both."""
    if count == 1:
        return [0], [0]
    wanted = min(count, most) // 2
    half = count // 2
    first = np.linspace(0, half - 1, wanted).round().astype(int)
    second = np.linspace(count - half, count - 1, wanted).round().astype(int)
    return sorted(set(first.tolist())), sorted(set(second.tolist()))


def make_stills(
    frames: Sequence[Frame], mosaics: Mosaics, calibration: Calibration, hold: Hold, threads: int = 1
) -> Stills:
    """Take the medians.

    Parameters
    ----------
    frames : of the scene, in order of time
    mosaics : theirs, in the same order
    calibration : of every frame
    threads : over tiles
    """
    height, width = frames[0].shape
    colours = len(colour_planes(frames[0].header.cfa))
    result = np.full((2, colours, height // 2, width // 2), np.nan, np.float32)
    halves = choose(len(frames))

    def fill(window: Window) -> None:
        i, j = window.top // 2, window.left // 2
        for which, numbers in enumerate(halves):
            parts = [_part(frames[n], mosaics, n, calibration, hold, window) for n in numbers]
            stack = [part for part in parts if part is not None]
            if stack:
                values = np.stack(stack)
                target = result[which, :, i : i + values.shape[2], j : j + values.shape[3]]
                out = np.empty(values[0].size, np.float32)
                medians(values.reshape(len(values), -1), out)
                target[:] = out.reshape(target.shape)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(fill, cut((height, width), SIDE)))
    return Stills(result[0], result[1])


def _part(
    frame: Frame, mosaics: Mosaics, number: int, calibration: Calibration, hold: Hold, window: Window
) -> Floats | None:
    """A frame's cells of a window, shifted by whole cells so as to lie on the reference's; NaN beyond the frame."""
    height, width = (frame.shape[0] // 2 * 2, frame.shape[1] // 2 * 2)
    x0, y0 = window.left + (window.width - 1) / 2, window.top + (window.height - 1) / 2
    xs, ys = hold.from_reference(frame.id, np.array([x0]), np.array([y0]))
    if not (np.isfinite(xs[0]) and np.isfinite(ys[0])):
        return None
    rows, columns = window.height // 2, window.width // 2
    top, left = window.top + 2 * round((ys[0] - y0) / 2), window.left + 2 * round((xs[0] - x0) / 2)
    first_row, first_column = max(top, 0), max(left, 0)
    end_row, end_column = min(top + 2 * rows, height), min(left + 2 * columns, width)
    if end_row <= first_row or end_column <= first_column:
        return None
    pixels = calibrated(mosaics[number], frame, calibration, first_row, end_row, first_column, end_column)
    small = cells(pixels, frame.header.cfa)
    if small.shape[1:] == (rows, columns):
        return small
    whole = np.full((len(small), rows, columns), np.nan, np.float32)
    i, j = (first_row - top) // 2, (first_column - left) // 2
    whole[:, i : i + small.shape[1], j : j + small.shape[2]] = small
    return whole


@njit(cache=True, nogil=True, error_model="numpy")
def medians(values, out):  # type: ignore[no-untyped-def]
    """Median over the first axis of (n, pixels) float32 values, those that are no numbers left out.

    The lower middle of an even number, so that of two values a star's is passed over. As
    ``np.sort(values, axis=0)[(count - 1) // 2]``, which sorts what is no number last, `count` being how many are.
    """
    n, size = values.shape
    held = np.empty(n, np.float32)
    for p in range(size):
        count = 0
        for k in range(n):
            v = values[k, p]
            if v == v:
                at = count
                while at > 0 and held[at - 1] > v:
                    held[at] = held[at - 1]
                    at -= 1
                held[at] = v
                count += 1
        out[p] = held[(count - 1) // 2] if count else np.float32(np.nan)


__all__ = ["HALF", "Stills", "cells", "choose", "make_stills", "medians"]
