"""Scenes without a master dark: what their lights tell of what stays with the sensor, and in words why no more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.pixels.survey import block_size, survey_mosaic
from pipeline.plan import PlannedFrame
from pipeline.sensor.glow import colour_levels, find_glow
from pipeline.sensor.lineoffsets import Lines, line_offsets
from pipeline.sensor.mosaic import MosaicFile
from pipeline.sensor.pattern import Pattern
from pipeline.sensor.pedestal import Pedestal, pedestal
from pipeline.sensor.transfer import transfer_blocks
from pipeline.sky import times

# Frames from which on it is looked for what stays with the sensor without a dark, and how far the sky must have moved
# across it for glow, in blocks: crowds of stars must not stay in one.
PATTERN_FRAMES, GLOW_MOVED = 4, 0.5
# Pairs of neighbouring frames that tell a pedestal.
PAIRS = 4


def moved(frames: Sequence[PlannedFrame], kept: Mapping[str, Any]) -> float | None:
    """How far the sky moved over the sensor of a fixed camera, px; None where that is not known."""
    speeds = []
    for frame in frames:
        row = kept[frame.id]
        expected = row.get("motion_expected_px")
        if expected is not None and frame.exposure_s:
            speeds.append(float(expected) / frame.exposure_s)
    moments = [moment for frame in frames if (moment := times.parse(frame.taken)) is not None]
    if not speeds or len(moments) < 2:
        return None
    return float(np.median(speeds)) * (max(moments) - min(moments)).total_seconds()


@dataclass
class Gathered:
    """What the watched lights of a scene without a dark show of the sensor.

    `lines` : whether rows and columns are looked at (no bias takes their offsets off); `moved` : as `moved` gives it.
    """

    cfa: str
    shape: tuple[int, int]
    lines: bool
    moved: float | None
    levels: list[NDArray[np.float32]] = field(default_factory=list)
    noises: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._rows, self._columns = Lines(self.shape[0]), Lines(self.shape[1])

    def add(self, mosaic: MosaicFile, values: NDArray[np.float32], noise: float, bias: Any) -> None:
        """Take a light in, its calibrated values and their noise."""
        header = mosaic.header
        self.levels.append(
            survey_mosaic(
                mosaic.stored, header.black, bias, saturation=header.saturation, block=block_size(self.shape)
            ).level
        )
        self.noises.append(noise)
        if self.lines:
            self._columns.add(values, noise)
            self._rows.add(values.T, noise)

    def pattern(self) -> tuple[Pattern, dict[str, Any]]:
        """What is taken off, and what is told of it."""
        block, noise = block_size(self.shape), float(np.mean(self.noises))
        told: dict[str, Any] = {"glow_adu": None, "rows_adu": None, "columns_adu": None}
        if len(self.levels) < PATTERN_FRAMES:
            return Pattern(), told | {"glow": f"too few frames ({len(self.levels)})"}
        level = None
        if self.cfa == "MONO":
            told["glow"] = "without colours it cannot be told from light"
        elif self.moved is None or self.moved < GLOW_MOVED * block:
            told["glow"] = "the sky moved too little over the sensor to tell it from light"
        else:
            glow = find_glow(colour_levels(self.levels, self.cfa), noise)
            level, told["glow"] = glow.level, glow.why
            if level is not None:
                told["glow_adu"] = round(float(level.max()), 2)
        rows, columns = (line_offsets(lines) if self.lines else None for lines in (self._rows, self._columns))
        for name, offsets in (("rows_adu", rows), ("columns_adu", columns)):
            if offsets is not None:
                told[name] = round(float(np.std(offsets)), 3)
        return Pattern(level, block, rows, columns), told


def pedestal_of(mosaics: Sequence[MosaicFile]) -> Pedestal | None:
    """The pedestal of frames whose files state no black level, from pairs of neighbours; None where not told."""
    firsts = np.unique(np.linspace(0, max(len(mosaics) - 2, 0), PAIRS).round().astype(int))
    levels, variances = [], []
    for n in firsts:
        one, other = mosaics[n], mosaics[n + 1] if n + 1 < len(mosaics) else None
        found = transfer_blocks(one, other, one.header.cfa, one.header.black, one.header.saturation)
        levels.append(found[0])
        variances.append(found[1])
    return pedestal(np.concatenate(levels), np.concatenate(variances))
