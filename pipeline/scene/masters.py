"""Making the master of one set of darks, biases or flats."""

from __future__ import annotations

import argparse

from pipeline.config import load_trip
from pipeline.console import Progress
from pipeline.errors import InputError
from pipeline.files import replacing, shown
from pipeline.plan import read_set
from pipeline.scene.darkmaster import master_dark
from pipeline.scene.flatmaster import master_flat
from pipeline.scene.masterset import empty, like_frames
from pipeline.sensor.master import read_standing, read_usable_master


def make_master(arguments: argparse.Namespace) -> None:
    """Make the master of one set."""
    trip = load_trip(arguments.project)
    dark_set = read_set(arguments.set)
    if dark_set.kind not in ("dark", "bias", "flat"):
        raise InputError(f"{shown(arguments.set)}: a set of kind {dark_set.kind!r} makes no master")
    candidates, reasons = like_frames(dark_set, arguments.mosaics)
    subtract, other, given = None, None, None
    if arguments.dark is not None and dark_set.kind == "flat":
        subtract = read_usable_master(arguments.dark)
        given = None if subtract is None else subtract.mean.shape
    elif arguments.dark is not None:
        other = read_standing(arguments.dark)
        given = None if other is None else other.shape
    if candidates and given is not None and given != candidates[0].mosaic.shape:
        raise InputError(
            f"{shown(arguments.dark)}: has another size than the frames (got {given} and {candidates[0].mosaic.shape})"
        )
    with Progress(arguments.project, "dark", dark_set.set, len(candidates)) as progress:
        if not candidates:
            hdus = empty(dark_set, reasons)
        elif dark_set.kind == "flat":
            hdus = master_flat(candidates, reasons, dark_set, subtract, trip.limits.memory_mb)
        else:
            against = None if other is None else (arguments.dark, other)
            hdus = master_dark(candidates, reasons, dark_set, against, trip.dark.hot_sigma, trip.limits.memory_mb)
        progress.advance(len(candidates))
    with replacing(arguments.out) as temporary:
        hdus.writeto(temporary, overwrite=True, output_verify="exception")
