"""A scene's frames surveyed and matched before any tile is made: every sky in blocks, and the camera's noise."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.average import noise_plan
from pipeline.pixels.background import DEGREE_MAX, sample_map
from pipeline.pixels.noise import BLOCK, PhotonTransfer
from pipeline.pixels.resample import block_variance, interpolation_variance
from pipeline.pixels.survey import Survey, block_size, survey_mosaic
from pipeline.sensor.calibrate import dark_signal
from pipeline.sensor.demosaic import NEUTRAL, Balance, response
from pipeline.sensor.demosaic import colours as colour_count
from pipeline.sensor.flats import block_response
from pipeline.sensor.mosaic import colour_planes
from pipeline.sensor.transfer import line_through, transfer_blocks
from pipeline.stack.checked import as_transferred, unlit_variance
from pipeline.stack.land import Land
from pipeline.stack.lighting import OneLight, one_light
from pipeline.stack.matching import Matching, match_frames
from pipeline.stack.nodes import grid_positions
from pipeline.stack.skies import sky_levels
from pipeline.stack.sources import Frame, Inputs

# Degree of the surfaces that ground is matched by: it is a strip, often with water in it, which changes by itself, and
# higher ones, fitted there, run away: 28 ADU of 184 on a roof that rose above it.
LIT_DEGREE = 1


class Surveyed(NamedTuple):
    """Frames before they are matched: those that are used, their surveys, the camera's photon transfer;
    `unlit` is each frame's variance without light where land's texture hides it, and `partly` whether land was left out
    of the surveys.
    """

    inputs: Inputs
    surveys: list[Survey]
    transfer: PhotonTransfer
    unlit: NDArray[np.float64] | None
    partly: bool


def survey_frames(inputs: Inputs, land: Land | None, lit: bool, threads: int, tell: Callable[[], None]) -> Surveyed:
    """Survey every frame of a scene; parameters as for `make_ready`."""
    rows = land.rows() if lit and land is not None else None
    left_out = land
    with ThreadPoolExecutor(threads) as pool:
        if land is not None and not np.isfinite(survey_of(inputs, inputs.reference, rows, land).level).any():
            # a strip that is thinner than blocks tell: as all about it
            left_out = None
        surveys_of = pool.map(lambda k: survey_of(inputs, k, rows, left_out), range(len(inputs.frames)))
        # one after the other without a pause; of what is lit only when it is known which frames are used
        told = None if lit else _transfer_of_pairs(inputs, pool)
        pool.submit(_variance_tables, inputs.cfa, inputs.frames[inputs.reference].balance)  # asked for below
        surveys = []
        for survey in surveys_of:
            surveys.append(survey)
            tell()
        if told is not None:
            return Surveyed(inputs, surveys, line_through(told), None, left_out is not None)
    light = _light_of(inputs, surveys)
    used = np.flatnonzero(light.alike).tolist()
    inputs = replace(inputs, frames=_scaled(inputs.frames, light, used), reference=light.base).only(used)
    unlit = None
    with ThreadPoolExecutor(threads) as pool:
        transfer = line_through(_transfer_of_pairs(inputs, pool))
    if transfer.measured:
        taken = np.array([inputs.calibration.usual(frame.dark_scale) for frame in inputs.frames])
        unlit = unlit_variance(transfer, taken, gains_of(inputs.frames, inputs.reference))
    return Surveyed(inputs, [surveys[k] for k in used], transfer, unlit, left_out is not None)


def match_surveyed(surveyed: Surveyed, lit: bool, threads: int) -> Matching:
    """Match the frames; `lit` as for `make_ready`."""
    inputs, frames = surveyed.inputs, surveyed.inputs.frames
    scales, gains = np.array([f.flux_scale for f in frames]), gains_of(frames, inputs.reference)
    matching = match_frames(
        surveyed.surveys,
        [frame.grids[len(frame.grids) // 2] for frame in frames],
        scales.tolist(),
        [frame.header.cfa for frame in frames],
        inputs.reference,
        inputs.shape,
        [inputs.calibration.variance(frame.dark_scale) for frame in frames],
        [frame.area for frame in frames],
        surveyed.transfer,
        partly=surveyed.partly,
        degree_max=LIT_DEGREE if lit else DEGREE_MAX,
        follow=not lit,
        threads=threads,
        gains=gains,
    )
    if not lit:
        return matching
    # stars and cloud pass over land; it does not change itself
    matching = replace(matching, restless=np.zeros_like(matching.restless))
    if surveyed.unlit is None:
        return matching
    # its texture passes for noise in a single mosaic
    return as_transferred(matching, scales, surveyed.unlit, gains)


def _light_of(inputs: Inputs, surveys: Sequence[Survey]) -> OneLight:
    """What the frames, laid on the ground, show of the light on it."""
    levels = sky_levels(surveys, [frame.header.cfa for frame in inputs.frames])
    x, y = (a.ravel() for a in np.meshgrid(*surveys[inputs.reference].centres()))
    laid = []
    for frame, survey, level in zip(inputs.frames, surveys, levels, strict=True):
        at = grid_positions(frame.grids[len(frame.grids) // 2], x, y)
        laid.append(np.stack([sample_map(plane, survey.block, *at) for plane in level]))
    return one_light(laid, inputs.reference)


def _scaled(frames: Sequence[Frame], light: OneLight, used: Sequence[int]) -> list[Frame]:
    """The frames with factors that bring each to the mean brightness of those that are used."""
    factors = light.factors * np.mean(1 / light.factors[used])
    return [replace(f, flux_scale=f.flux_scale * float(by)) for f, by in zip(frames, factors, strict=True)]


def _transfer_of_pairs(
    inputs: Inputs, pool: ThreadPoolExecutor
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """What neighbours in time, each pair for itself, tell of the camera's photon transfer; for `line_through`. Of
    several ISO that of the reference's: values of the others are brought to it."""

    def look(pair: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        a, b = pair
        one, other = inputs.frames[a], inputs.frames[b]
        if gains[a] != gains[b]:
            return np.zeros(0), np.zeros(0)
        black = (np.add(one.header.black, other.header.black) + one.dark_offset + other.dark_offset) / 2
        full = min(one.header.saturation, other.header.saturation)
        second = inputs.mosaics[b] if a != b else None
        level, variance = transfer_blocks(inputs.mosaics[a], second, one.header.cfa, tuple(black.tolist()), full)
        return level / gains[a], variance / gains[a] ** 2

    gains = gains_of(inputs.frames, inputs.reference)
    return pool.map(look, [(int(a), int(b)) for a, b in noise_plan(len(inputs.frames)).pairs] or [(0, 0)])


def gains_of(frames: Sequence[Frame], reference: int) -> NDArray[np.float64]:
    """ADU that an electron makes in each frame over what it makes in the reference, (n,), by their ISO; 1 where one is
    not known."""
    isos = [frame.header.iso or 0 for frame in frames]
    return np.array(isos, np.float64) / isos[reference] if all(isos) else np.ones(len(frames))


def survey_of(inputs: Inputs, number: int, rows: tuple[int, int] | None = None, land: Land | None = None) -> Survey:
    """Measure one frame's sky in blocks, those that hold any of these rows or all, without what is to be left out."""
    frame, c = inputs.frames[number], inputs.calibration
    dark, scale = dark_signal(
        c.dark, c.bias, frame.dark_scale, banding=frame.banding, glow=c.glow, glow_scale=frame.glow_scale
    )
    survey = survey_mosaic(
        inputs.mosaics[number].stored,
        frame.header.black,
        dark,
        scale,
        frame.dark_offset,
        c.defects,
        frame.header.saturation,
        block_size(frame.shape),
        rows,
        None if land is None else land.left_out(number, frame.id, frame.shape),
    )
    if c.dark_blocks is not None:
        glows = frame.dark_scale if frame.glow_scale is None else frame.glow_scale
        survey = replace(survey, dark=np.float32(glows) * c.dark_blocks)
    return survey if c.flat is None else replace(survey, response=block_response(c.flat, survey.block))


def interpolation_factors(
    cfa: str, matching: Matching, balance: Balance = NEUTRAL
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What demosaicing and resampling make of a mosaic pixel's variance: (colours, 256) by `noise_code`, (colours,) for
    the means over blocks by which noise is defined.

    The other colours' pixels come in with their own variance: the median frame's ratio at its sky.
    """
    variance = matching.sky_variance
    ratio = np.median(variance[:, None, :] / variance[:, :, None], axis=0)  # [c, d] of colour d over colour c
    of_pixels, of_blocks = _variance_tables(cfa, balance)
    single, block = np.einsum("cdk,cd->ck", of_pixels, ratio), np.einsum("cd,cd->c", of_blocks, ratio)
    return single.astype(np.float32), block.astype(np.float32)


@cache
def _variance_tables(cfa: str, balance: Balance) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """`interpolation_variance` and `block_variance` of a pattern; a quarter of a second."""
    count = colour_count(cfa)
    places = np.zeros((2, 2), np.int64)
    if count == 3:
        for number, colour in enumerate("RGB"):
            for i, j in colour_planes(cfa)[colour]:
                places[i, j] = number
    kernels = response(cfa, balance)
    return interpolation_variance(kernels, places), block_variance(kernels, places, BLOCK)
