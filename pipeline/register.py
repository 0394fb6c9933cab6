"""register: star lists of a scene's kept frames to one camera and one attitude a frame.

python -m pipeline.register --project DIR --scene SCENE.json --verdicts V.ecsv --stars A.stars.fits ... --out G.json

and, to carry positions by a geometry that is made already:

python -m pipeline.register --geometry G.json --from ID --to ID --xy X Y [--xy X Y ...]
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.config import load_trip
from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import InputError
from pipeline.plan import read_scene
from pipeline.scene.placing import rank, register
from pipeline.scene.starlists import focal_px, read_stars, sizes
from pipeline.sky.geometry import Geometry
from pipeline.tables import read_table, rows_of

KEPT = "kept"


def _work(arguments: argparse.Namespace) -> None:
    if arguments.geometry is not None:
        _carry(arguments)
        return
    missing = [f"--{k}" for k in ("scene", "verdicts", "stars", "out") if not getattr(arguments, k)]
    if missing:
        raise InputError(f"{', '.join(missing)} must be given (or --geometry to carry positions); see --help")
    trip = load_trip(arguments.project)
    settings = trip.register_
    plan = read_scene(arguments.scene)
    rows = {str(row["frame"]): row for row in rows_of(read_table(arguments.verdicts))}
    kept = [f for f in plan.frames if rows.get(f.id, {}).get("verdict") == KEPT]
    with Progress(arguments.project, "register", plan.scene, len(kept), plan.scene) as progress:
        lists = read_stars(arguments.stars, kept, rows, settings.stars, trip.site)
        size, pitch = sizes(rows, arguments.stars, lists)
        width, height = Counter(size.values()).most_common(1)[0][0] if size else (1, 1)
        other = {
            i: f"is {w} x {h} px; the scene's frames are {width} x {height}"
            for i, (w, h) in size.items()
            if (w, h) != (width, height)
        }
        lists = {i: stars for i, stars in lists.items() if i not in other}
        order = rank(rows, lists)
        by_id = {f.id: f for f in plan.frames}
        focal = focal_px(by_id[order[0]], pitch, width) if order else None
        geometry = register(plan, lists, order, width, height, focal, settings, trip.site)
        geometry = replace(geometry, left_out={**geometry.left_out, **other})
        for frame, why in geometry.left_out.items():
            log.info("%s: not registered: %s", by_id[frame].shown, why)
        rms = [p.rms_px for p in geometry.frames.values() if p.rms_px is not None]
        log.info(
            "%d of %d frames placed, %s, %s px rms",
            len(geometry.frames),
            len(kept),
            "found on the sky" if geometry.solved else "not found on the sky, matched to one another",
            f"{np.median(rms):.3f}" if rms else "no",
        )
        if geometry.camera.mirrored:
            log.info("%s: its frames are mirror images of the sky: their rows run from the bottom up", plan.scene)
        geometry.save(arguments.out)
        progress.advance(len(kept))


def _carry(arguments: argparse.Namespace) -> None:
    """Print positions of one frame in another, or on the sky."""
    geometry = Geometry.load(arguments.geometry)
    if not arguments.xy:
        raise InputError("--xy X Y must be given with --geometry, as often as there are positions")
    x, y = np.array(arguments.xy, np.float64).T
    source = arguments.source or geometry.reference
    target = arguments.target or geometry.reference
    if target == "sky":
        values, digits = geometry.to_sky(source, x, y), 7
    else:
        values, digits = geometry.positions(target, geometry.directions(source, x, y)), 4
    for a, b in zip(*values, strict=True):
        print(f"{a:.{digits}f} {b:.{digits}f}")


def main(argv: Sequence[str] | None = None) -> int:
    """Command line of the step."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.register", description=(__doc__ or "").splitlines()[0])
    project_argument(parser)
    parser.add_argument("--scene", type=Path, help="scene file of the plan")
    parser.add_argument("--verdicts", type=Path, help="verdicts of the scene's frames (ECSV)")
    parser.add_argument("--stars", type=Path, nargs="+", default=[], help="star lists of its batches (FITS)")
    parser.add_argument("--out", type=Path, help="geometry to write (JSON)")
    carry = parser.add_argument_group("carrying positions")
    carry.add_argument("--geometry", type=Path, help="a geometry that is made already")
    carry.add_argument("--from", dest="source", metavar="ID", help="frame the positions are of (the reference)")
    carry.add_argument(
        "--to",
        dest="target",
        metavar="ID",
        help="frame they are wanted in (the reference), or 'sky' (RA, Dec in degrees)",
    )
    carry.add_argument("--xy", type=float, nargs=2, action="append", metavar=("X", "Y"), help="a position, px")
    return run_step("register", parser, _work, argv)


if __name__ == "__main__":
    sys.exit(main())
