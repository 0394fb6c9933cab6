"""What the masters of a scene say of its sensor without light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.plan import PlannedFrame
from pipeline.sensor.doubling import DOUBLING_C, expected_share
from pipeline.sensor.master import Master, is_dark
from pipeline.sensor.warm import WARM_FEWEST, WarmPixels, warm_pixels


@dataclass(frozen=True)
class Signal:
    """What the masters say of the sensor without light.

    `dark` is what a dark shows above the bias where there is one, else above black; ADU. Of darks of two temperatures
    the colder stand in the bias's place: what the warmer show above them is dark signal alone.
    """

    dark: NDArray[np.float32] | None = None
    bias: NDArray[np.float32] | None = None
    warm: WarmPixels | None = None
    defects: NDArray[np.uint8] | None = None
    exposure_s: float | None = None
    temperature_c: float | None = None
    colder_c: float | None = None  # temperature of the darks that stand in the bias's place
    masked: tuple[float, float] | None = None  # level of masked columns above black: the bias's, what a dark adds
    level: float = 0.0  # of an ordinary pixel of the dark, above black
    glow: NDArray[np.float32] | None = None  # the part of the dark that has a factor of its own

    @classmethod
    def of(cls, dark: Master | None, bias: Master | None, full_scale: float) -> Signal:
        """What a master dark and a bias, either of which may be missing, say together."""
        if dark is None and bias is not None and is_dark(bias.header):
            dark, bias = bias, None
        if dark is None:
            return cls() if bias is None else cls(bias=bias.mean)
        mean, noise, flags, fixed = dark.mean, dark.noise, dark.defects, 0.0
        masked = dark.header.get("MASKDIFF")
        colder = bias if bias is not None and is_dark(bias.header) else None
        if bias is not None:
            mean, noise = mean - bias.mean, np.hypot(noise, bias.noise)
            fixed = bias.header.get("MASKDIFF", masked if masked is not None else 0.0)
        below: tuple[NDArray[np.float32], ...] = ()
        if colder is not None:
            flags, below = flags | colder.defects, (colder.mean, colder.noise)
        return cls(
            mean,
            None if bias is None else bias.mean,
            warm_pixels(mean, noise, flags, full_scale, *below),
            flags,
            dark.header.get("EXPTIME"),
            dark.header.get("CCD-TEMP"),
            None if colder is None else colder.header.get("CCD-TEMP"),
            None if masked is None else (float(fixed), float(masked) - float(fixed)),
            float(dark.header.get("DLEVEL", 0.0)),
        )

    @property
    def rise(self) -> float:
        """How many times the colder darks' signal the warmer ones' is, as the warm pixels show it; where few do, as the
        temperatures let expect; 1 where there are no colder ones."""
        if self.colder_c is None or self.temperature_c is None:
            return 1.0
        warm = self.warm
        if warm is not None and len(warm) >= WARM_FEWEST:
            strong = warm.excess >= np.median(warm.excess)
            base = np.broadcast_to(warm.base, warm.excess.shape)
            share = float(np.median(base[strong] / warm.excess[strong]))
            if share > 0:
                return 1 + 1 / share
        return float(2 ** ((self.temperature_c - self.colder_c) / DOUBLING_C))

    def lasting(self, exposure_s: float | None) -> float:
        """The dark factor that the exposure alone lets expect."""
        return exposure_s / self.exposure_s if self.bias is not None and exposure_s and self.exposure_s else 1.0

    def expected_factor(self, frame: PlannedFrame) -> float:
        """The dark factor that exposure and temperature let expect; 1 where a dark is not scaled without its bias."""
        if self.colder_c is not None and self.temperature_c is not None:
            if frame.temperature_c is None:
                return 0.5
            return expected_share(frame.temperature_c, self.colder_c, self.temperature_c)
        if self.bias is None or not frame.exposure_s or not self.exposure_s:
            return 1.0
        warmer = 0.0
        if frame.temperature_c is not None and self.temperature_c is not None:
            warmer = frame.temperature_c - self.temperature_c
        return float(self.lasting(frame.exposure_s) * 2 ** (warmer / DOUBLING_C))
