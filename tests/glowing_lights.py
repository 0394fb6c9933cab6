"""Lights of the example's sensor with a glow of their own, looked at as the step dark looks at them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from example_project.maker import make_scenario
from example_project.maker.sensor import Sensor
from pipeline.pixels.survey import survey_mosaic
from pipeline.sensor import defects
from pipeline.sensor.calibrate import calibrate

WIDTH, HEIGHT = 960, 640


def looked_at(glow_e: float, **changes: Any) -> tuple[Sensor, list[NDArray[np.float32]], float, float]:
    """Eight lights of a tripod, or as `changes` of the scenario have it: the sensor, levels of each light's blocks
    (`Survey.level`, ADU), a frame's noise (ADU), and the seconds of glow in one at 20 degrees C, on average."""
    sensor = Sensor(WIDTH, HEIGHT, glow_e=glow_e, column_pattern=0.0)
    settings = {"width": WIDTH, "height": HEIGHT, "n": 8, "interval_s": 60.0, "stars_max": 2000, "sensor": sensor}
    scenario = make_scenario(**(settings | changes))
    surveys, noises, seconds = [], [], []
    for index in range(scenario.count):
        pixels = scenario.render(index).mosaic
        surveys.append(survey_mosaic(pixels, sensor.black, saturation=sensor.saturation).level)
        noises.append(defects.cross_residual_sigma(calibrate(pixels, sensor.black)))
        seconds.append(scenario.exposure_s * 2 ** ((scenario.temperature(index) - 20) / 6))
    return sensor, surveys, float(np.mean(noises)), float(np.mean(seconds))
