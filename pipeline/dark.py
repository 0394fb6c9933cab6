"""The step `dark`: master darks, biases and flats; a scene's dark factors and defects; one calibrated frame."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from astropy.io import fits

from pipeline.console import project_argument, run_step
from pipeline.errors import InputError
from pipeline.files import replacing, shown
from pipeline.scene.calibration import make_scene, measure_factor, no_factor
from pipeline.scene.masters import make_master
from pipeline.scene.signal import Signal
from pipeline.sensor.calibrate import calibrate, dark_signal
from pipeline.sensor.master import check_fits_together, read_master
from pipeline.sensor.mosaic import MosaicFile
from pipeline.sensor.patternfile import read_banding, read_dark_glow, read_pattern


def calibrate_one(arguments: argparse.Namespace) -> None:
    """Write one calibrated frame."""
    mosaic = MosaicFile(arguments.mosaic)
    header = mosaic.header
    pixels = mosaic.pixels()
    master = None if arguments.master is None else read_master(arguments.master)
    bias = None if arguments.bias is None else read_master(arguments.bias)
    flat = None if arguments.flat is None else read_master(arguments.flat)
    for given, path in ((master, arguments.master), (bias, arguments.bias), (flat, arguments.flat)):
        if given is not None:
            check_fits_together(given, header, mosaic.shape, path)
    scale, note = arguments.scale, "given"
    signal = Signal.of(master, bias, header.full_scale)
    if signal.warm is not None and scale is None:
        found = measure_factor(mosaic, signal.warm)
        scale, note = (1.0, no_factor(found)) if found.factor is None else (found.factor, "measured")
    flags = None if master is None else master.defects
    if arguments.defects is not None:
        try:
            flags = fits.getdata(arguments.defects).astype(np.uint8)
        except (OSError, AttributeError) as error:
            raise InputError(f"{shown(arguments.defects)}: not a defect map; run 'dark scene' again") from error
        if flags.shape != mosaic.shape:
            raise InputError(
                f"{shown(arguments.defects)}: has another size than the frame (got {flags.shape} and {mosaic.shape})"
            )
    scale = 1.0 if scale is None else scale
    bias_plane, banding, glow, of_glow = signal.bias, None, None, None
    if arguments.defects is not None:
        banding = read_banding(arguments.defects).get(header.frame)
        told = None if signal.dark is None else read_dark_glow(arguments.defects, mosaic.shape)
        if told is not None and (scale > 0 or (scale < 0 and told[1].rise is not None)):
            glow, of_glow = told[0], told[1].factor(scale, signal.lasting(header.exposure_s))
        pattern = read_pattern(arguments.defects)
        if pattern and signal.dark is None:
            plane = pattern.at_pixels(mosaic.shape)
            bias_plane = plane if bias_plane is None else bias_plane + plane
    dark, factor = dark_signal(signal.dark, bias_plane, scale, banding=banding, glow=glow, glow_scale=of_glow)
    values = calibrate(
        pixels,
        header.black,
        dark,
        factor,
        arguments.offset,
        flags,
        header.cfa,
        None if flat is None else flat.mean,
    )
    cards = header.cards()
    for n in (1, 2, 3, 4):
        cards[f"BLACK{n}"] = (0.0, "[ADU] taken off")
    cards["SATURATE"] = (header.full_scale, "[ADU] above black")
    cards["BUNIT"] = "adu"
    if master is not None:
        cards["DKSCALE"] = (float(scale), f"dark factor, {note}"[:47])
        cards["DKOFFSET"] = (arguments.offset, "[ADU] further offset taken off")
        cards["NDARKS"] = (master.header.get("NFRAMES", 0), "frames of the master dark")
    cards["FLATTED"] = (flat is not None, "divided by a flat")
    cards["NREPAIR"] = (0 if flags is None else int(np.count_nonzero(flags)), "pixels repaired")
    with replacing(arguments.out) as temporary:
        fits.PrimaryHDU(values, cards).writeto(temporary, overwrite=True, output_verify="exception")


# ---- arguments ------------------------------------------------------------------------------------------------------


def parser() -> argparse.ArgumentParser:
    """The arguments of the step."""
    top = argparse.ArgumentParser(prog="python -m pipeline.dark", description=__doc__)
    commands = top.add_subparsers(dest="command", required=True)

    master = commands.add_parser("master", help="make the master of one set of darks, biases or flats")
    project_argument(master)
    master.add_argument("--set", type=Path, required=True, metavar="SET.json", help="the set, from the plan")
    master.add_argument("--mosaics", type=Path, nargs="+", required=True, metavar="DIR", help="folders of mosaics")
    master.add_argument(
        "--dark",
        type=Path,
        metavar="MASTER.fits",
        help="for flats: master dark or bias of the flats; for few darks: one of more, that they are held against",
    )
    master.add_argument("--out", type=Path, required=True, metavar="MASTER.fits")
    master.set_defaults(work=make_master)

    scene = commands.add_parser("scene", help="find a scene's dark factors, offsets and defective pixels")
    project_argument(scene)
    scene.add_argument("--scene", type=Path, required=True, metavar="SCENE.json", help="the scene, from the plan")
    scene.add_argument("--verdicts", type=Path, required=True, metavar="VERDICTS.ecsv")
    scene.add_argument("--mosaics", type=Path, nargs="+", required=True, metavar="DIR", help="folders of mosaics")
    scene.add_argument("--master", type=Path, metavar="MASTER.fits", help="master dark, where one matches")
    scene.add_argument("--bias", type=Path, metavar="BIAS.fits", help="master bias, or that of colder darks")
    scene.add_argument("--flat", type=Path, metavar="FLAT.fits", help="master flat: its dead pixels join the map")
    scene.add_argument("--out", type=Path, required=True, metavar="CALIBRATION.ecsv")
    scene.add_argument("--defects", type=Path, required=True, metavar="DEFECTS.fits")
    scene.set_defaults(work=make_scene)

    one = commands.add_parser("calibrate", help="write one calibrated frame")
    project_argument(one)
    one.add_argument("--mosaic", type=Path, required=True, metavar="MOSAIC.fits")
    one.add_argument("--master", type=Path, metavar="MASTER.fits", help="master dark")
    one.add_argument(
        "--bias",
        type=Path,
        metavar="BIAS.fits",
        help="master bias, or that of colder darks: the dark is scaled without it",
    )
    one.add_argument("--flat", type=Path, metavar="FLAT.fits", help="master flat")
    one.add_argument("--defects", type=Path, metavar="DEFECTS.fits", help="defect map; the master's where not given")
    one.add_argument("--scale", type=float, help="dark factor; measured from the warm pixels where not given")
    one.add_argument("--offset", type=float, default=0.0, help="further offset taken off, ADU")
    one.add_argument("--out", type=Path, required=True, metavar="CALIBRATED.fits")
    one.set_defaults(work=calibrate_one)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step; the exit status."""
    return run_step("dark", parser(), lambda arguments: arguments.work(arguments), argv)


if __name__ == "__main__":
    sys.exit(main())
