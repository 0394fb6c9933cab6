"""What the decode step adds to LibRaw: processor seconds a frame beside plain decoding of the same files in turn.

    python -m tests.benchmarks.decoding FILE... [--out DIR]

Prints, for each file in turn and as medians, the processor seconds (user and system) of plain rawpy (open, unpack, copy
of the visible area), of our child process and of the parent (checks, levels, writing the mosaic), and their ratio.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import numpy as np
import psutil
import rawpy

from pipeline.sensor.mosaic import write_mosaic
from pipeline.sensor.worker import Decoder


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("files", nargs="+")
    parser.add_argument("--out", type=Path, help="a folder on the disk to be measured; default: a temporary one")
    arguments = parser.parse_args()
    plain, child, parent = [], [], []
    with tempfile.TemporaryDirectory(dir=arguments.out) as folder, Decoder() as decoder:
        for number, name in enumerate([arguments.files[0], *arguments.files]):  # the first one warms up
            begun = time.process_time()
            with rawpy.imread(name) as raw:
                raw.raw_image_visible.copy()
            plain.append(time.process_time() - begun)
            before = 0.0 if decoder.pid is None else sum(psutil.Process(decoder.pid).cpu_times()[:2])
            begun = time.process_time()
            decoded = decoder.decode(name, f"f{number}")
            write_mosaic(Path(folder) / f"f{number}.fits", decoded.pixels, decoded.header)
            del decoded
            parent.append(time.process_time() - begun)
            child.append(sum(psutil.Process(decoder.pid).cpu_times()[:2]) - before)
    medians = [float(np.median(each[1:])) for each in (plain, child, parent)]
    print(f"plain decoding {medians[0]:.3f} cpu s a frame, ours {medians[1]:.3f} in the child, {medians[2]:.3f} beside")
    ratios = (np.array(child[1:]) + np.array(parent[1:])) / np.array(plain[1:])
    print(f"ratio {np.median(ratios):.2f} (of single frames {ratios.min():.2f} to {ratios.max():.2f})")


if __name__ == "__main__":
    main()
