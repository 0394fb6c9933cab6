"""The step `join`: of a scene with ground, the sky of `combined.fits` over the ground of `ground.fits`."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import ndimage

from pipeline.console import Progress, project_argument, run_step
from pipeline.errors import InputError
from pipeline.files import replacing, shown, write_json
from pipeline.plan import read_scene
from pipeline.stack.groundfile import FULL, GroundFile, append_mask, read_ground
from pipeline.stack.land import REACH_PX
from pipeline.stack.output import CombinedWriter
from pipeline.stack.seam import join, seam_cells, sky_levels

BAND = 128  # rows joined at once: 60 MB at 6000 columns


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step from the command line."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.join", description=__doc__)
    project_argument(parser)
    parser.add_argument("--scene", type=Path, metavar="SCENE.json", help="the scene, from the plan")
    parser.add_argument("--combined", type=Path, required=True, metavar="COMBINED.fits")
    parser.add_argument("--ground", type=Path, required=True, metavar="GROUND.fits")
    parser.add_argument(
        "--composite", type=Path, required=True, metavar="COMPOSITE.fits", help="written if there is ground"
    )
    parser.add_argument("--figures", type=Path, required=True, metavar="JOIN.json")
    return run_step("join", parser, _work, argv)


def _work(arguments: argparse.Namespace) -> None:
    scene = read_scene(arguments.scene).scene if arguments.scene is not None else "picture"
    with Progress(arguments.project, "join", scene, 1, scene):
        ground = read_ground(arguments.ground)
        content: dict[str, Any] = {"composite": ground is not None}
        if ground is None:
            arguments.composite.unlink(missing_ok=True)
        else:
            with replacing(arguments.composite) as temporary:
                content |= compose(read_sky(arguments.combined, ground.mask.shape), ground, temporary)
        write_json(arguments.figures, content)


@dataclass(frozen=True)
class Sky:
    """`combined.fits`: planes and noise mapped from disk, (3, height, width); counts; the headers."""

    planes: NDArray[np.floating]
    noise: NDArray[np.floating]
    coverage: NDArray[np.uint16]
    rejected: NDArray[np.uint16]
    header: fits.Header
    noise_header: fits.Header


def read_sky(path: Path, shape: tuple[int, ...]) -> Sky:
    """Open the picture of the stars.

    Raises
    ------
    InputError
        Where it is not what combine writes, or not of these frames.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            header, noise = hdus[0].header, hdus["NOISE"].header
            whole = (3, header["NAXIS2"], header["NAXIS1"])
            planes, spread = (
                np.memmap(path, ">f4", "r", hdus[name].fileinfo()["datLoc"], whole) for name in (0, "NOISE")
            )
            counts = [np.asarray(hdus[name].data).astype(np.uint16) for name in ("COVERAGE", "REJECTED")]
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{shown(path)}: cannot be read as what combine writes ({error}); run combine again"
        ) from error
    if whole[1:] != shape:
        raise InputError(f"{shown(path)}: is of other frames than the ground; run ground and combine again")
    return Sky(planes, spread, counts[0], counts[1], header, noise)


def compose(sky: Sky, ground: GroundFile, path: Path) -> dict[str, Any]:
    """Write the joined picture; what is told of it."""
    box = ground.box
    window = (slice(box.top, box.top + box.height), slice(box.left, box.left + box.width))
    mask = ground.mask[window]
    seen = sky.coverage[window] > 0
    land = ndimage.maximum_filter(mask, 2 * REACH_PX + 1) > 0
    open_sky = ~land & seen & ground.covered
    near = seam_cells(mask > 0, mask < FULL)
    stars_level = sky_levels(sky.planes[(slice(None), *window)], open_sky, near)
    ground_level = sky_levels(ground.planes, open_sky, near)
    noise_header = fits.Header([("EXTNAME", "NOISE"), ("BUNIT", "adu", "standard deviation over blocks")])
    header = sky.header.copy()
    header["GROUND"] = (True, "the scene's sky over its ground")
    hidden = 0
    with CombinedWriter(path, ground.mask.shape, header, noise_header) as writer:
        for top in range(0, ground.mask.shape[0], BAND):
            picture, noise = (p[:, top : top + BAND] for p in (sky.planes, sky.noise))
            first, last = max(top, box.top), min(top + picture.shape[1], box.top + box.height)
            if first < last:
                picture, noise = (np.array(p, np.float32) for p in (picture, noise))
                here = slice(first - box.top, last - box.top)
                share = mask[here].astype(np.float32) / np.float32(FULL)
                shown_sky = seen[here]
                use = ground.covered[here] & ((share > 0) | ~shown_sky)
                at = (slice(None), slice(first - top, last - top), window[1])
                joined, spread = (np.asarray(p[:, here], np.float32) for p in (ground.planes, ground.noise))
                if (use & (share < 1)).any():
                    joined, spread = join(
                        picture[at],
                        noise[at],
                        shown_sky,
                        joined,
                        spread,
                        share,
                        stars_level.at(here.start, last - first, box.width),
                        ground_level.at(here.start, last - first, box.width),
                    )
                np.copyto(picture[at], joined, where=use)
                np.copyto(noise[at], spread, where=use)
                hidden += int(np.count_nonzero(~shown_sky & (share < 0.5) & ground.covered[here]))
            writer.write(0, top, 0, picture)
            writer.write(1, top, 0, noise)
        writer.finish(sky.coverage, sky.rejected)
    append_mask(path, ground.mask)
    step = (stars_level.cells - ground_level.cells)[:, near]
    return {
        "level_step": [float(np.median(s)) if s.size else None for s in step],
        "sky_never_seen_px": hidden,
        "ground_share": float(ground.mask.mean(dtype=np.float64) / FULL),
    }


if __name__ == "__main__":
    sys.exit(main())
