"""Decode a batch: raw files in, linear CFA mosaics out, a row a frame; one bad frame never fails the batch."""

from __future__ import annotations

import argparse
import errno
import os
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

from astropy.io import fits

from pipeline.console import Progress, log, project_argument, run_step
from pipeline.errors import FrameError, InputError
from pipeline.files import shown, without_name, write_json
from pipeline.plan import PlannedFrame, read_batch
from pipeline.run.reach import UNOPENED, away_note
from pipeline.sensor.levels import settled_saturation
from pipeline.sensor.mosaic import MosaicHeader, write_mosaic
from pipeline.sensor.worker import Decoded, Decoder
from pipeline.tables import table_from_rows, write_table

COLUMNS: dict[str, tuple[type, str | None]] = {
    "frame": (str, None),
    "status": (str, None),  # ok, damaged (a mosaic was written all the same) or unreadable
    "detail": (str, None),
    "width": (int, "pix"),
    "height": (int, "pix"),
    "cfa": (str, None),
    "black_1": (float, "adu"),  # by CFA position: 00, 01, 10, 11
    "black_2": (float, "adu"),
    "black_3": (float, "adu"),
    "black_4": (float, "adu"),
    "masked_level": (float, "adu"),
    "saturation": (float, "adu"),  # from the pixels where they show it
    "white_level": (float, "adu"),  # as the file's header states it
}
TABLE = "decoded.ecsv"
# What opening a file says where card, disk or network share have gone away.
GONE = (errno.ENOENT, errno.ENOTDIR, errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE, errno.EHOSTDOWN)


def row_of(frame: PlannedFrame, decoded: Decoded | FrameError) -> dict[str, Any]:
    """A frame's row of `decoded.ecsv`."""
    if isinstance(decoded, FrameError):
        return {"frame": frame.id, "status": "unreadable", "detail": without_name(str(decoded), frame.file)}
    height, width = decoded.pixels.shape
    return {
        "frame": frame.id,
        "status": "ok" if decoded.damage is None else "damaged",
        "detail": decoded.damage or "",
        "width": width,
        "height": height,
        "cfa": decoded.header.cfa,
        "masked_level": decoded.header.masked_level,
        "saturation": decoded.header.saturation,
        "white_level": decoded.white,
    } | {f"black_{n}": level for n, level in enumerate(decoded.header.black, 1)}


def decode_all(decoder: Decoder, frames: Sequence[PlannedFrame]) -> Iterator[tuple[PlannedFrame, Decoded | FrameError]]:
    """Decode frames in order, the next one while the caller deals with the present one."""

    def one(frame: PlannedFrame) -> Decoded | FrameError:
        try:
            decoded = decoder.decode(frame.file, frame.id)
        except FrameError as error:
            return error
        if decoded.header.temperature_c is None and frame.temperature_c is not None:
            # the inventory has read the maker's tags, which decoding leaves alone
            decoded = replace(decoded, header=replace(decoded.header, temperature_c=frame.temperature_c))
        return decoded

    with ThreadPoolExecutor(1) as ahead:
        waiting = ahead.submit(one, frames[0]) if frames else None
        for number, frame in enumerate(frames):
            assert waiting is not None
            decoded = waiting.result()
            waiting = ahead.submit(one, frames[number + 1]) if number + 1 < len(frames) else None
            yield frame, decoded


def decode_batch(batch_file: Path, out: Path, project: Path | None) -> None:
    """Write `<id>.fits` for every frame that decodes and `decoded.ecsv`; the folder appears when all is there.

    Raises
    ------
    InputError
        The batch file cannot be read, or the card has been taken away: that must not be laid on the frames.
    OSError
        The folder cannot be written.
    """
    try:
        batch = read_batch(batch_file)
    except FileNotFoundError:
        raise InputError(f"{shown(batch_file)}: there is no such batch file; run the inventory") from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"{shown(batch_file)}: is no batch file ({error}); run the inventory again") from None
    out.parent.mkdir(parents=True, exist_ok=True)
    # always the same name, so that what a killed run has left is cleared by the next one
    building = out.parent / f".part-{out.name}"
    shutil.rmtree(building, ignore_errors=True)
    building.mkdir()
    rows = []
    unstated: dict[str, MosaicHeader] = {}
    try:
        with Progress(project, "decode", batch.batch, len(batch.frames)) as progress, Decoder() as decoder:
            for frame, decoded in decode_all(decoder, batch.frames):
                if isinstance(decoded, Decoded):
                    write_mosaic(building / f"{frame.id}.fits", decoded.pixels, decoded.header)
                    if decoded.header.full_from != "header":
                        unstated[frame.id] = decoded.header
                row = row_of(frame, decoded)
                rows.append(row)
                if row["status"] != "ok":
                    log.warning("%s: %s: %s", frame.shown, row["status"], row["detail"])
                progress.advance()
            _check_reach(batch.frames, rows)
            settled = _settle(building, unstated)
            for row in rows:
                row["saturation"] = settled.get(row["frame"], row.get("saturation"))
            write_table(table_from_rows(rows, COLUMNS, {"batch": batch.batch, "kind": batch.kind}), building / TABLE)
        _put_in_place(building, out)
        if project is not None:
            _note_away(away_note(project, batch.batch), rows)
    except OSError as error:
        if error.errno in (errno.ENOSPC, errno.EDQUOT):
            raise OSError(error.errno, _no_space(len(rows), len(batch.frames)), os.fspath(out)) from None
        raise
    finally:
        shutil.rmtree(building, ignore_errors=True)
    bad = sum(row["status"] != "ok" for row in rows)
    log.info("batch %s: %d frames decoded, %d damaged or unreadable", batch.batch, len(rows), bad)


def _settle(folder: Path, headers: Mapping[str, MosaicHeader]) -> dict[str, float]:
    """Give frames of files that state no white the saturation that their like show, of the same camera and ISO.

    Which frames lie in a batch depends on the camera's clock alone, so that the same card gives the same numbers.

    Returns
    -------
    dict
        Saturation of each, ADU.
    """
    groups: dict[tuple[str | None, int | None], list[str]] = {}
    for name, header in headers.items():
        groups.setdefault((header.camera, header.iso), []).append(name)
    result = {}
    for names in groups.values():
        level, source = settled_saturation([(headers[n].saturation, headers[n].full_from) for n in names])
        for name in names:
            result[name] = level
            if (level, source) != (headers[name].saturation, headers[name].full_from):
                path = folder / f"{name}.fits"
                fits.setval(path, "SATURATE", value=level)
                fits.setval(path, "FULLFROM", value=source)
    return result


def _check_reach(frames: Sequence[PlannedFrame], rows: Sequence[dict[str, Any]]) -> None:
    """Tell a card that was taken away from frames that are broken: then none of them can be read, not even its start.

    Raises
    ------
    InputError
        It was taken away.
    """
    bad = [frame for frame, row in zip(frames, rows, strict=True) if row["status"] == "unreadable"]
    if not bad or not _out_of_reach(bad[0], alone=len(frames) == 1):
        return
    if all(_out_of_reach(frame) for frame in frames):
        raise InputError(
            f"{bad[0].shown}: cannot be read any more; is the card or disk still connected? Run again when it is"
        )


def _note_away(path: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Note the frames that could not be opened, for the next run (`run/reach.py`); no note where all could."""
    away = [row["frame"] for row in rows if UNOPENED in (row["detail"] or "")]
    if away:
        write_json(path, away)
    else:
        path.unlink(missing_ok=True)


def _out_of_reach(frame: PlannedFrame, alone: bool = False) -> bool:
    """Whether a file cannot be opened or its start be read; of one alone, a bad spot is no sign."""
    try:
        with open(frame.file, "rb") as handle:
            handle.read(1 << 16)
    except OSError as error:
        return error.errno in GONE or (error.errno == errno.EIO and not alone)
    except ValueError:  # no file name at all
        return False
    return False


def _no_space(done: int, total: int) -> str:
    return f"no space left on the disk after {done} of {total} mosaics; free some, or put the project on a larger disk"


def _put_in_place(building: Path, out: Path) -> None:
    """Move a finished folder to its name; an older one of that name (the engine makes an empty one) goes first."""
    if out.is_dir() and not out.is_symlink():
        shutil.rmtree(out)
    os.replace(building, out)


def decode_file(file: Path, out_file: Path) -> None:
    """Decode one raw file to one mosaic.

    Raises
    ------
    FrameError
        It cannot be decoded.
    """
    with Decoder() as decoder:
        decoded = decoder.decode(file, out_file.stem)
    write_mosaic(out_file, decoded.pixels, decoded.header)
    if decoded.damage is not None:
        log.warning("%s: damaged: %s", shown(file), decoded.damage)


def build_parser() -> argparse.ArgumentParser:
    """The step's arguments."""
    parser = argparse.ArgumentParser(prog="python -m pipeline.decode", description=__doc__)
    project_argument(parser)
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--batch", type=Path, metavar="BATCH.json", help="frames to decode, as the inventory wrote them")
    what.add_argument("--file", type=Path, metavar="RAW", help="one raw file")
    parser.add_argument("--out", type=Path, metavar="DIR", help="with --batch: folder for mosaics and decoded.ecsv")
    parser.add_argument("--out-file", type=Path, metavar="FITS", help="with --file: the mosaic")
    return parser


def _work(arguments: argparse.Namespace) -> None:
    if arguments.batch is not None:
        if arguments.out is None:
            raise InputError("--batch needs --out DIR")
        decode_batch(arguments.batch, arguments.out, arguments.project)
    else:
        if arguments.out_file is None:
            raise InputError("--file needs --out-file FITS")
        decode_file(arguments.file, arguments.out_file)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the step; returns the exit status."""
    return run_step("decode", build_parser(), _work, argv)


if __name__ == "__main__":
    sys.exit(main())
