"""Reading the frames of a card through the decoder: headers, looks, stars, each once."""

from __future__ import annotations

import hashlib
import math
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.card.frame import CardFrame, Facts, Look, facts_of
from pipeline.card.kinds import impression
from pipeline.card.memory import Memory, Record
from pipeline.card.pointing import SENSOR_MM, Solved, StarView
from pipeline.card.walk import Found, content_hash, in_reach
from pipeline.errors import FrameError
from pipeline.files import without_name

# Stars kept of a frame: enough to solve a field and to match two.
STARS_KEPT = 300
# Frames larger than this have their stars measured when they are looked at, so that they are decoded once; smaller
# ones only when they are needed, as most of them are looked at and few are.
MEASURE_AT_ONCE_PIXELS = 8_000_000
WORKERS = 2
# Fields narrower than this are not solved: the solver tries 7.3 degrees and wider, and a second is lost on each frame.
FIELD_MIN_DEG = 4.0
# No file was changed then: what was found of one while it was out of reach holds for this call alone. A card that is
# back, or a share, bears the same files.
NEVER_NS = -1


class Reader:
    """Looks into files. Use as a context manager; decoders are started when first needed.

    Parameters
    ----------
    memory : Memory
        What is known already, and where what is learned goes.
    open_decoder : callable
        Gives a decoder (`pipeline.sensor.worker.Decoder`).
    look_at : callable
        `pipeline.card.looks.look_at`.
    measure : callable
        `pipeline.stars.measure.measure_mosaic`.
    solve : callable
        `solve(stars, width, height, focal_px)` gives a dictionary that `Solution` is made of, or None.
    tell : callable
        Called with the number of files whose headers are read, of all files, and of frames whose pixels were looked at.
    """

    def __init__(
        self,
        memory: Memory,
        open_decoder: Callable[[], Any],
        look_at: Callable[..., Look],
        measure: Callable[..., Any],
        solve: Callable[[NDArray[np.float64], int, int, float | None], dict[str, Any] | None],
        restore: Callable[[dict[str, Any]], Solved],
        tell: Callable[[int, int, int], None],
    ) -> None:
        self.memory = memory
        self._open, self._look_at, self._measure = open_decoder, look_at, measure
        self._solve, self._restore, self._tell = solve, restore, tell
        self._decoders: list[Any] = []
        self._free: list[Any] = []
        self._lock, self._telling = threading.Lock(), threading.Lock()
        self._read, self._files = 0, 0
        self._seen: set[str] = set()  # some frames are decoded twice, once for their stars

    def __enter__(self) -> Reader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for decoder in self._decoders:
            decoder.__exit__(kind, error, trace)

    def _decoder(self) -> Any:
        with self._lock:
            if self._free:
                return self._free.pop()
        decoder = self._open().__enter__()
        with self._lock:
            self._decoders.append(decoder)
        return decoder

    def _each(self, items: Sequence[Any], work: Callable[[Any, Any], None]) -> None:
        """Do `work(item, decoder)` for each item, in `WORKERS` threads; decoding runs in processes of its own."""
        queue = list(reversed(items))
        errors: list[BaseException] = []

        def go(ended: threading.Event) -> None:
            decoder = None
            while not errors:
                with self._lock:
                    if not queue:
                        break
                    item = queue.pop()
                try:
                    decoder = decoder or self._decoder()
                    work(item, decoder)
                except BaseException as error:
                    errors.append(error)
            if decoder is not None:
                with self._lock:
                    self._free.append(decoder)
            ended.set()

        # waited for by events: a thread whose `join` Ctrl-C interrupts passes for one that has ended (Python 3.11)
        ends = [threading.Event() for _ in range(min(WORKERS, len(items)))]
        threads = [threading.Thread(target=go, args=(ended,)) for ended in ends]
        try:
            for thread in threads:
                thread.start()
            for ended in ends:
                ended.wait()
        except BaseException as error:  # Ctrl-C: what is still to be done is left
            errors.append(error)
            for thread, ended in zip(threads, ends, strict=True):
                if thread.ident is not None:
                    ended.wait()
            raise
        for thread in threads:
            thread.join()
        if errors:
            raise errors[0]

    # ---- headers

    def read_headers(self, files: Sequence[Found]) -> None:
        """Hash and read the header of each file that is not known unchanged; results are in the memory."""
        unknown = [f for f in files if self.memory.recall(f.path, f.size, f.mtime_ns) is None]
        self._files += len(files)
        self._read += len(files) - len(unknown)
        self._each(unknown, self._read_header)

    def _read_header(self, found: Found, decoder: Any) -> None:
        record = Record(found.size, found.mtime_ns, "")
        try:
            if not found.size:
                raise FrameError("the file is empty")
            record = Record(found.size, found.mtime_ns, content_hash(found.path, found.size))
            meta = decoder.metadata(found.path)
            record = Record(found.size, found.mtime_ns, record.hash, facts_of(meta))
            if meta.file_bytes_expected is not None and found.size < meta.file_bytes_expected:
                record = self._cut_short(found, record, decoder)
        except FrameError as error:
            record = Record(found.size, found.mtime_ns, record.hash, unreadable=without_name(str(error), found.path))
            if found.size and not in_reach(found.path):
                record = replace(record, size=-1, mtime_ns=0)
        except OSError as error:
            # not remembered: a card that was pulled out, or permissions, can be mended without changing the file
            record = Record(-1, 0, record.hash, unreadable=f"cannot be read ({error.strerror or error})")
        with self._lock:
            self.memory.keep(found.path, record)
            self._read += 1
        self._said()

    @staticmethod
    def _cut_short(found: Found, record: Record, decoder: Any) -> Record:
        """The record of a file that ends before its picture does: forms differ in what of it can be decoded."""
        try:
            return replace(record, damage=decoder.decode(found.path, "").damage)
        except FrameError as error:
            return replace(record, broken=without_name(str(error), found.path), **_if_away(found.path))

    def _said(self) -> None:
        with self._telling:  # one at a time, or an earlier number would come last
            self._tell(self._read, self._files, len(self._seen))

    def whole_hash(self, path: str) -> str:
        """The hash of all of a file's content."""
        record = self.memory[path]
        if record.whole_hash is None:
            record = self.memory.change(path, whole_hash=content_hash(path, record.size, whole=True))
        return record.whole_hash or ""

    # ---- pixels

    def pixels(self, frame: CardFrame) -> str | None:
        """The hash of a frame's decoded pixels; None where it cannot be decoded."""
        record = self.memory[frame.path]
        if record.pixels is None and record.broken is None:
            decoder = self._decoder()
            try:
                pixels = np.ascontiguousarray(decoder.decode(frame.path, frame.id).pixels)
                told = hashlib.blake2b(pixels.reshape(-1).data, digest_size=16).hexdigest()
                record = self.memory.change(frame.path, pixels=told)
            except FrameError:
                pass  # looking at it will tell why
            finally:
                self._free.append(decoder)
        return record.pixels

    def preview(self, frame: CardFrame) -> float | None:
        """Mean level of a frame's embedded preview, as a share of white."""
        record = self.memory[frame.path]
        if not record.preview_seen:
            decoder = self._decoder()
            try:
                level = decoder.preview_level(frame.path)
            except (FrameError, OSError):
                level = None
            self._free.append(decoder)
            away = _if_away(frame.path) if level is None else {}
            record = self.memory.change(
                frame.path, preview=None if level is None else round(float(level) / 255, 4), preview_seen=True, **away
            )
        return record.preview

    def look_at_all(self, frames: Sequence[CardFrame]) -> None:
        """Look at several frames at once."""
        unknown = [f for f in frames if self.memory[f.path].look is None and self.memory[f.path].broken is None]
        self._each(unknown, lambda frame, decoder: self._decode(frame, decoder, None))

    def look(self, frame: CardFrame) -> Any:
        """The `Look` of a frame; None where it cannot be decoded."""
        self.look_at_all([frame])
        return self.memory[frame.path].look

    def broken(self, frame: CardFrame) -> str | None:
        """Why a frame cannot be decoded, or what is wrong with its pixels; None where it is sound or was not tried."""
        record = self.memory[frame.path]
        return record.broken or record.damage

    def state(self, frame: CardFrame) -> str | None:
        """The same in a word, `unreadable` or `damaged`."""
        record = self.memory[frame.path]
        return "unreadable" if record.broken else "damaged" if record.damage else None

    def _decode(self, frame: CardFrame, decoder: Any, with_stars: bool | None) -> None:
        try:
            decoded = decoder.decode(frame.path, frame.id)
        except FrameError as error:
            with self._lock:
                self.memory.change(frame.path, broken=without_name(str(error), frame.path), **_if_away(frame.path))
                self._seen.add(frame.path)
            self._said()
            return
        header = decoded.header
        look = self.memory[frame.path].look
        if look is None:
            # against an unknown black a level is a share of what the file's form holds, alike for lights and darks
            full = header.saturation if header.black_stated or header.full_from == "header" else decoded.white
            look = self._look_at(decoded.pixels, header.cfa, header.black, full)
        if with_stars is None:
            starry = impression(look, frame.facts.exposure_s) == "stars"
            with_stars = starry and decoded.pixels.size > MEASURE_AT_ONCE_PIXELS
        stars = None
        if with_stars:
            found = self._measure(
                np.asarray(decoded.pixels), header.cfa, header.black, header.saturation, stars_max=STARS_KEPT
            )
            stars = tuple((round(float(s["x"]), 2), round(float(s["y"]), 2), float(f"{s['flux']:.4g}")) for s in found)
        with self._lock:
            self.memory.change(
                frame.path, look=look, damage=decoded.damage, **({} if stars is None else {"stars": stars})
            )
            self._seen.add(frame.path)
        self._said()

    # ---- stars

    def view(self, frame: CardFrame) -> StarView | None:
        """The stars of a frame and where it points; None where it cannot be decoded."""
        record = self.memory[frame.path]
        if record.stars is None and record.broken is None:
            self._each([frame], lambda item, decoder: self._decode(item, decoder, True))
            record = self.memory[frame.path]
        if record.stars is None:
            return None
        stars = np.array(record.stars, np.float64).reshape(-1, 3)
        if record.solved is None:
            found = None if field_too_small(facts := frame.facts) else self._solve_with(stars, facts)
            record = self.memory.change(frame.path, solved=found or {})
        return StarView(stars, self._restore(record.solved) if record.solved else None)

    def _solve_with(self, stars: NDArray[np.float64], facts: Facts) -> dict[str, Any] | None:
        known = facts.focal_mm and facts.pixel_um
        focal_px = 1000 * facts.focal_mm / facts.pixel_um if known else None  # type: ignore[operator]
        return self._solve(stars, facts.width, facts.height, focal_px)


def _if_away(path: str) -> dict[str, Any]:
    """What is to be noted besides of a file that could not be decoded: that it was out of reach, if it is."""
    return {} if in_reach(path) else {"mtime_ns": NEVER_NS}


def field_too_small(facts: Facts) -> bool:
    """Whether the catalogue cannot hold enough stars for the field, even if the sensor is as large as it may be."""
    if not facts.focal_mm:
        return False
    long_side = max(facts.width, facts.height)
    side_mm = long_side * facts.pixel_um / 1000 if facts.pixel_um else SENSOR_MM
    return math.degrees(2 * math.atan(side_mm / 2 / facts.focal_mm)) < FIELD_MIN_DEG
