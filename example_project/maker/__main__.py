"""`python -m example_project.maker`: write the example trip."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from example_project.maker.trip import SCENES, make_trip


def main(arguments: list[str] | None = None) -> int:
    """Write the raw frames and the truth of the example trip; the exit status is 0 where all went well."""
    parser = argparse.ArgumentParser(
        prog="python -m example_project.maker", description="Write the raw frames of the example trip, and the truth."
    )
    parser.add_argument("--out", type=Path, default=Path("example_project"), help="the project folder to fill")
    parser.add_argument("--seed", type=int, default=1, help="another number, another night's noise (default 1)")
    parser.add_argument("--only", choices=SCENES, help="one scene alone")
    parser.add_argument("--jobs", type=int, help="processes (default: the number of cores, at most 4)")
    parser.add_argument("--compressed", action="store_true", help="lossless JPEG inside the DNG files")
    given = parser.parse_args(arguments)
    if given.seed < 0:
        parser.error(f"--seed must be 0 or more (got {given.seed})")
    if given.jobs is not None and given.jobs < 1:
        parser.error(f"--jobs must be 1 or more (got {given.jobs})")
    try:
        trip = make_trip(
            given.out, given.seed, given.only, given.jobs, given.compressed, lambda text: print(text, flush=True)
        )
    except OSError as error:
        print(f"cannot write the example: {error}", file=sys.stderr)
        return 1
    print(f"{len(trip['files'])} files in {given.out / 'raw'}, the truth in {given.out / 'truth'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
