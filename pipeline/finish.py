"""The step `finish`: from `combined.fits` to a 16-bit TIFF for an editor and a preview for the eye."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pipeline.config import load_trip
from pipeline.console import Progress, project_argument, run_step
from pipeline.files import replacing, write_json
from pipeline.pixels.orientation import upright
from pipeline.plan import FINISHED, TRAILS, TRAILS_FITS, read_scene
from pipeline.scene.developing import choose, read_combined
from pipeline.scene.pictures import Developer
from pipeline.scene.starlists import full_star_places
from pipeline.sky.geometry import Geometry
from pipeline.stack.groundfile import LaidOver, read_ground


def run(arguments: argparse.Namespace) -> None:
    """Make the pictures and figures of one scene."""
    settings = load_trip(arguments.project).finish
    scene = read_scene(arguments.scene).scene if arguments.scene is not None else "picture"
    ground = None if arguments.ground is None else read_ground(arguments.ground)
    with Progress(arguments.project, "finish", scene, 2 if ground is None else 4, scene) as progress:
        with ThreadPoolExecutor(1) as beside:
            listed = beside.submit(_full_stars, arguments.stars, arguments.geometry)
            combined = read_combined(arguments.combined)
            composite = None if ground is None else read_combined(arguments.composite)
            choices = choose(combined, composite, None if ground is None else ground.mask > 0)
            full = listed.result()
        progress.advance()
        mask = None if ground is None else ground.mask
        develop = Developer(choices, settings.preview_px, arguments.threads, scene, mask, full)
        content = develop.picture(combined, arguments.tiff, arguments.preview, still=False)
        progress.advance()
        content["composite"] = ground is not None
        folder = arguments.tiff.parent
        if ground is None:
            for name in FINISHED:
                (folder / name).unlink(missing_ok=True)
        else:
            assert composite is not None
            both, small, alone, where = (folder / name for name in FINISHED)
            made = develop.picture(composite, both, small)
            content["composite_preview"] = made["preview"]
            progress.advance()
            standing = LaidOver(combined.planes, ground)
            develop.picture(replace(combined, planes=standing), alone, None)  # type: ignore[arg-type]
            with replacing(where) as temporary:
                turned = np.ascontiguousarray(upright(ground.mask, combined.orientation))
                Image.fromarray(turned).save(temporary, format="PNG")
            progress.advance()
        trails = arguments.combined.parent / TRAILS_FITS
        content["star_trails"] = trails.is_file()
        if trails.is_file():
            develop.picture(read_combined(trails), *(folder / name for name in TRAILS))
        else:
            for name in TRAILS:
                (folder / name).unlink(missing_ok=True)
        write_json(arguments.figures, content)


def _full_stars(stars: Sequence[Path], geometry: Path | None) -> NDArray[np.float64] | None:
    """Colours of full stars, as `find_cores` takes them, where it is known how the frames lie."""
    return None if geometry is None else full_star_places(stars, Geometry.load(geometry))


def build_parser() -> argparse.ArgumentParser:
    """Arguments of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.finish", description=__doc__)
    project_argument(parser)
    parser.add_argument("--scene", type=Path, metavar="SCENE.json", help="the scene's plan; names it in the TIFF")
    parser.add_argument("--combined", type=Path, required=True, metavar="COMBINED.fits")
    parser.add_argument("--geometry", type=Path, metavar="GEOMETRY.json", help="how the frames lie; needs --stars")
    parser.add_argument(
        "--stars", type=Path, nargs="+", default=[], metavar="STARS.fits", help="star lists: colours of saturated stars"
    )
    parser.add_argument(
        "--ground", type=Path, metavar="GROUND.fits", help="the scene's ground, where it was looked for"
    )
    parser.add_argument("--composite", type=Path, metavar="COMPOSITE.fits", help="read where the scene has ground")
    parser.add_argument("--tiff", type=Path, required=True, metavar="FILE", help="16-bit RGB TIFF to write")
    parser.add_argument("--preview", type=Path, required=True, metavar="FILE", help="JPEG to write")
    parser.add_argument("--figures", type=Path, required=True, metavar="FINISH.json", help="what was chosen, to write")
    parser.add_argument("--threads", type=int, default=2, metavar="N", help="threads (same result for any number)")
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step."""
    return run_step("finish", build_parser(), run, argv)


if __name__ == "__main__":
    sys.exit(main())
