"""Night frames with known answers, for the example project, tests and benchmarks.

    from example_project.maker import Fault, make_scenario, render_scene, write_dng

    scenario = make_scenario(lens_mm=24, width=1620, height=1080, n=20, mount="tripod", exposure_s=15,
                             altitude_deg=40, faults={3: Fault("kick", 4.0)}, seed=1)
    for frame in scenario.frames():          # or render_scene(...) with the same arguments
        write_dng(folder / frame.name, frame.mosaic, frame.meta)
        frame.truth.stars.x[:, 1]            # green positions, brightest first
        frame.truth.geometry.to_sky(x, y)    # exact mapping, also from_sky, to_frame
    for frame in scenario.darks(8): ...

Same arguments, same pixels. See `Scenario`, `make_scenario`, `Fault`, `Lens`, `Sensor`, `Mount`, `Ground`, `Glow`
for every knob; `scenario.light(i)` gives expected electrons without noise.
"""

from example_project.maker.dng import FrameMeta, truncate, write_dng, write_jpeg
from example_project.maker.events import Fault
from example_project.maker.ground import Ground
from example_project.maker.lens import Lens, Optics, plausible_lens
from example_project.maker.mount import Mount
from example_project.maker.scene import Frame, Scenario, make_scenario, render_scene
from example_project.maker.sensor import Sensor, expose, fixed_maps
from example_project.maker.sky import Glow, Site
from example_project.maker.truth import FrameGeometry, FrameTruth, SceneTruth, StarTruth

__all__ = [
    "Fault",
    "Frame",
    "FrameGeometry",
    "FrameMeta",
    "FrameTruth",
    "Glow",
    "Ground",
    "Lens",
    "Mount",
    "Optics",
    "Scenario",
    "SceneTruth",
    "Sensor",
    "Site",
    "StarTruth",
    "expose",
    "fixed_maps",
    "make_scenario",
    "plausible_lens",
    "render_scene",
    "truncate",
    "write_dng",
    "write_jpeg",
]
