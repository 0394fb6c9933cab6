"""What grading a frame costs, by its parts, beside decoding the same raw files in the same run.

    python -m tests.benchmarks.grading RAW... [--frames 6]

Processor seconds (user and system) of one process; the parts are those that the step calls for a frame among its
neighbours (electrons per ADU are told from two pairs a batch and left out), the rest is its own.
Decoding is the pipeline's own (a child process does the unpacking), its processor seconds and its children's counted.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline import grade
from pipeline.config import GradeSettings
from pipeline.sensor.mosaic import MosaicFile, write_mosaic
from pipeline.sensor.worker import Decoder
from pipeline.stars import detect, measure

PARTS = (
    (measure, "pixel_noise", "noise"),
    (measure, "green_half", "half-size image, hot pixels"),
    (detect, "sky_mesh", "sky"),
    (detect, "smoothed", "detection"),
    (detect, "find_objects", "detection"),
    (measure, "fit_shapes", "shapes"),
    (grade, "doubling", "doubled stars"),
    (grade, "neighbour_of", "streaks"),
    (grade, "witnesses", "streaks"),
    (grade, "beyond_neighbours", "streaks"),
    (grade, "find_streaks", "streaks"),
    (grade, "light_of", "streaks"),
    (grade, "colour_offsets", "offsets of the colours"),
    (grade, "full_star_colours", "colours of full stars"),
    (grade, "write_pictures", "small pictures"),
)


def spent() -> float:
    """Processor seconds of this process and of its children that have ended."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(u.ru_utime + u.ru_stime for u in both)


def counted(work: Callable[..., Any], name: str, sums: dict[str, float]) -> Callable[..., Any]:
    """The same function, its processor time added up."""

    def timed(*arguments: Any, **more: Any) -> Any:
        begun = time.process_time()
        try:
            return work(*arguments, **more)
        finally:
            sums[name] += time.process_time() - begun

    return timed


def graded(mosaics: list[Path], folder: Path, sums: dict[str, float]) -> int:
    """Grade frames as the step does; the number of their stars."""
    stars, passers = 0, grade.Passers(folder)
    rooms: list[Any] = [None, None]
    for path in mosaics:
        mosaic = MosaicFile(path)
        pixels, header = counted(mosaic.pixels, "reading", sums)(rooms[0]), mosaic.header
        rooms = [rooms[1], pixels]
        measured = grade.measured_frame(pixels, header, GradeSettings())
        found, levels = measured.found, (header.cfa, header.black, header.saturation)
        grade.colour_offsets(pixels, *levels, found.stars)
        grade.full_star_colours(pixels, *levels, found.noise, found.stars, 0)
        passers.see(measured)
        stars += len(found.stars)
    passers.end()
    return stars


def main() -> None:
    """Print the shares and the ratio."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("raw", type=Path, nargs="+", help="raw files, or folders of them")
    parser.add_argument("--frames", type=int, default=6)
    arguments = parser.parse_args()
    paths = [p for given in arguments.raw for p in (sorted(given.glob("light*")) if given.is_dir() else [given])]
    paths = paths[: arguments.frames]
    sums: dict[str, float] = defaultdict(float)
    with tempfile.TemporaryDirectory() as folder:
        mosaics = []
        with Decoder() as decoder:  # what starting a worker costs is spread over a batch, not over these few
            decoder.decode(paths[0], "first")
        begun = spent()
        with Decoder() as decoder:
            for n, path in enumerate(paths):
                decoded = decoder.decode(path, f"frame{n}")
                mosaics.append(Path(folder) / f"frame{n}.fits")
                write_mosaic(mosaics[-1], decoded.pixels, decoded.header)
        decoding = (spent() - begun) / len(paths)
        graded(mosaics[:2], Path(folder), sums)  # compiled code is loaded once
        sums.clear()
        for module, name, said in PARTS:
            setattr(module, name, counted(getattr(module, name), said, sums))
        begun = time.process_time()
        stars = graded(mosaics, Path(folder), sums)
        whole = (time.process_time() - begun) / len(paths)
    n, (height, width) = len(paths), decoded.pixels.shape
    print(f"{n} frames of {width} x {height} px, {stars / n:.0f} stars measured each")
    rest = whole * n - sum(sums.values())
    for name, seconds in (*sorted(sums.items(), key=lambda i: -i[1]), ("the rest", rest)):
        print(f"{name:<30}{seconds / n:>8.3f} s {100 * seconds / n / whole:>5.0f} %")
    print(f"{'grading':<30}{whole:>8.3f} s\n{'decoding and writing':<30}{decoding:>8.3f} s")
    print(f"grading costs {whole / decoding:.2f} of decoding")


if __name__ == "__main__":
    main()
