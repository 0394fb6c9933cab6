"""Lossless JPEG of DNGs by libjpeg-turbo, held to LibRaw's decoding of the same files and to the planted pixels."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import rawpy

from pipeline.errors import FrameError
from pipeline.sensor import raw as raw_module
from pipeline.sensor.lossless import lossless_segments
from pipeline.sensor.raw import RawFrame
from tests.raw_files import LONG, SHORT, starry_mosaic, write_dng

REAL_SKY = Path(__file__).parents[2] / "shared" / "real-sky" / "field"


def encoded(pixels: np.ndarray, part: tuple[int, int], components: int, **how: Any) -> list[bytes]:
    """Strips or tiles of lossless JPEG; those at the right and lower edge are filled up with the edge's pixels."""
    rows, columns = part
    height, width = pixels.shape
    filled = np.pad(pixels, ((0, -height % rows), (0, -width % columns)), mode="edge")
    return [
        bytes(
            imagecodecs.jpeg8_encode(
                np.ascontiguousarray(filled[top : top + rows, left : left + columns]).reshape(
                    (rows, columns) if components == 1 else (rows, columns // components, components)
                ),
                lossless=True,
                colorspace=1 if components == 1 else 0,
                outcolorspace=1 if components == 1 else 0,
                **how,
            )
        )
        for top in range(0, height, rows)
        for left in range(0, width, columns)
    ]


class Watched:
    """A frame decoded, and whether LibRaw decoded the picture itself."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch | None = None, only_libraw: bool = False) -> None:
        descriptor = os.open(path, os.O_RDONLY)
        try:
            frame = RawFrame(descriptor, maker_notes=False)
            before = frame._raw
            if only_libraw:
                assert monkeypatch is not None
                with monkeypatch.context() as changed:
                    changed.setattr(RawFrame, "_unpack_lossless", lambda _: False)
                    self.pixels = frame.unpack().copy()
            else:
                self.pixels = frame.unpack().copy()
            self.by_libraw = frame._raw is before
            self.levels, self.meta = frame.levels(), frame.meta
            frame.close()
        finally:
            os.close(descriptor)


def same(path: Path, monkeypatch: pytest.MonkeyPatch) -> Watched:
    """Decode both ways and compare everything that is told of the frame."""
    ours, theirs = Watched(path), Watched(path, monkeypatch, only_libraw=True)
    np.testing.assert_array_equal(ours.pixels, theirs.pixels)
    assert (ours.levels, ours.meta) == (theirs.levels, theirs.meta)
    return ours


@pytest.mark.parametrize("predictor", range(1, 8))
def test_every_predictor(tmp_path, monkeypatch, predictor):
    """The seven predictors of ITU-T T.81, table H.1, for 14 bits."""
    pixels = starry_mosaic()
    parts = encoded(pixels, pixels.shape, 1, bitspersample=14, predictor=predictor)
    decoded = same(write_dng(tmp_path / "a.dng", pixels, parts=parts), monkeypatch)
    assert not decoded.by_libraw
    np.testing.assert_array_equal(decoded.pixels, pixels)


@pytest.mark.parametrize("bits", [10, 12, 14, 16])
@pytest.mark.parametrize("components", [1, 2])
@pytest.mark.parametrize("part", [(256, 384), (64, 384), (100, 384), (112, 128), (96, 112)])
def test_strips_and_tiles(tmp_path, monkeypatch, bits, components, part):
    """Strips and tiles that end with the picture or beyond it, of one component or two side by side.

    Of several strips LibRaw 0.22 reads the first alone; TIFF 6.0 (section 9 and "RowsPerStrip") allows them.
    """
    pixels = starry_mosaic(clip=(1 << bits) - 1)
    parts = encoded(pixels, part, components, bitspersample=bits, predictor=1)
    path = write_dng(tmp_path / "a.dng", pixels, parts=parts, part=part, white=(1 << bits) - 1)
    strips = part[1] == 384 and len(parts) > 1
    decoded = Watched(path) if strips else same(path, monkeypatch)
    assert not decoded.by_libraw
    np.testing.assert_array_equal(decoded.pixels, pixels)


def test_a_last_strip_that_ends_with_the_picture(tmp_path):
    """TIFF 6.0: the last strip may hold fewer rows than RowsPerStrip."""
    pixels = starry_mosaic()
    parts = [
        *encoded(pixels[:200], (100, 384), 2, bitspersample=14, predictor=1),
        *encoded(pixels[200:], (56, 384), 2, bitspersample=14, predictor=1),
    ]
    decoded = Watched(write_dng(tmp_path / "a.dng", pixels, parts=parts, part=(100, 384)))
    assert not decoded.by_libraw
    np.testing.assert_array_equal(decoded.pixels, pixels)


@pytest.mark.parametrize("corner", [(0, 0), (8, 32), (3, 17)])
def test_margins_and_masked_columns(tmp_path, monkeypatch, corner):
    """The visible area, the black levels of its corner and the masked columns beside it are LibRaw's."""
    top, left = corner
    pixels = starry_mosaic()
    pixels[:, :left] = 515
    parts = encoded(pixels, pixels.shape, 2, bitspersample=14, predictor=1)
    path = write_dng(tmp_path / "a.dng", pixels, parts=parts, black=(500, 510, 520, 530), active=(top, left, 250, 380))
    decoded = same(path, monkeypatch)
    assert not decoded.by_libraw
    assert decoded.pixels.shape[0] <= 250 - top


@pytest.mark.parametrize(
    "extra",
    [
        {50712: (SHORT, [min(65535, 2 * n) for n in range(16384)])},  # LinearizationTable: stored codes are no ADU
        {258: (SHORT, [8])},
    ],
)
def test_what_is_left_to_libraw(tmp_path, monkeypatch, extra):
    """A linearization table, and files that say one thing of their bits and hold another."""
    pixels = starry_mosaic()
    parts = encoded(pixels, pixels.shape, 2, bitspersample=14, predictor=1)
    assert same(write_dng(tmp_path / "a.dng", pixels, parts=parts, extra=extra), monkeypatch).by_libraw


def test_a_mosaic_of_another_size_than_its_jpeg_is_left_to_libraw(tmp_path):
    """Sizes of JPEG and directory that differ: whatever LibRaw says of it stands."""
    pixels = starry_mosaic()
    parts = encoded(pixels[:200], (200, 384), 2, bitspersample=14, predictor=1)
    path = write_dng(tmp_path / "a.dng", pixels, parts=parts)
    assert Watched(path).by_libraw


def decoded_or_refused(path: Path, monkeypatch: pytest.MonkeyPatch, only_libraw: bool) -> str:
    try:
        Watched(path, monkeypatch, only_libraw)
    except FrameError as error:
        return str(error)
    return "decoded"


@pytest.mark.parametrize("seed", range(6))
def test_damage_that_libraw_finds_is_found(tmp_path, monkeypatch, seed):
    """Cut files, and bytes changed so that a value grows beyond 16 bits: LibRaw's word stands; nothing else breaks."""
    generator = np.random.default_rng(seed)
    pixels = starry_mosaic(seed=seed)
    parts = encoded(pixels, pixels.shape, 2, bitspersample=14, predictor=1)
    whole = write_dng(tmp_path / "a.dng", pixels, parts=parts).read_bytes()
    path = tmp_path / "b.dng"
    for turn in range(8):
        data = bytearray(whole)
        place = int(generator.integers(len(data) // 10, len(data) - 600))
        if turn < 2:
            del data[place:]
        else:
            data[place : place + 500 // turn] = generator.integers(0, 256, 500 // turn, np.uint8).tobytes()
        path.write_bytes(data)
        told = decoded_or_refused(path, monkeypatch, only_libraw=True)
        if turn < 2 or told != "decoded":
            ours = decoded_or_refused(path, monkeypatch, only_libraw=False)
            assert ours == told or ours == "decoded"
            assert turn >= 2 or ours == told


@pytest.mark.parametrize("place", [0.2, 0.5, 0.9])
def test_erased_blocks_are_left_to_libraw(tmp_path, monkeypatch, place):
    """A card's sector that reads 255 throughout: what LibRaw says of it, libjpeg-turbo does not notice."""
    pixels = starry_mosaic(height=512, width=768)
    parts = encoded(pixels, pixels.shape, 2, bitspersample=14, predictor=1)
    data = bytearray(write_dng(tmp_path / "a.dng", pixels, parts=parts).read_bytes())
    begin = int(place * len(data))
    data[begin : begin + 512] = b"\xff" * 512
    (tmp_path / "b.dng").write_bytes(data)
    told = decoded_or_refused(tmp_path / "b.dng", monkeypatch, only_libraw=True)
    assert told != "decoded"
    assert decoded_or_refused(tmp_path / "b.dng", monkeypatch, only_libraw=False) == told


def segments_of(path: Path) -> list[Any] | None:
    with rawpy.imread(str(path)) as raw, open(path, "rb") as stream:
        sizes = raw.sizes
        return lossless_segments(stream, sizes.raw_height, sizes.raw_width, path.stat().st_size)


def test_offsets_beyond_the_file_are_no_segments(tmp_path):
    """Nothing outside the file is ever read."""
    pixels = starry_mosaic()
    parts: Sequence[bytes] = encoded(pixels, (64, 384), 2, bitspersample=14, predictor=1)
    path = write_dng(tmp_path / "a.dng", pixels, parts=parts, part=(64, 384))
    segments = segments_of(path)
    assert segments is not None
    assert [(s.row, s.column, s.count) for s in segments] == [(64 * n, 0, len(part)) for n, part in enumerate(parts)]
    with open(path, "rb") as stream:
        assert lossless_segments(stream, 256, 384, path.stat().st_size - 1) is None
        assert lossless_segments(stream, 256, 386, path.stat().st_size) is None
    write_dng(path, pixels, parts=parts, part=(64, 384), extra={279: (LONG, [len(part) for part in parts[1:]])})
    with open(path, "rb") as stream:
        assert lossless_segments(stream, 256, 384, path.stat().st_size) is None


def test_lack_of_memory_is_no_verdict_on_the_file(tmp_path, monkeypatch):
    """A frame for which memory does not suffice is tried again with more, not left to LibRaw."""
    pixels = starry_mosaic()
    path = write_dng(tmp_path / "a.dng", pixels, compressed=True)

    def none_left(*_: Any) -> bool:
        raise MemoryError

    monkeypatch.setattr(raw_module, "decode_segments", none_left)
    with pytest.raises(MemoryError):
        Watched(path)


def test_real_frames(monkeypatch):
    """Real exposures, losslessly compressed: equal to LibRaw's decoding, value for value."""
    if not REAL_SKY.is_dir():
        pytest.skip("the real frames do not lie beside this checkout")
    frames = sorted(REAL_SKY.glob("*.dng"))[:6]
    assert frames
    for path in frames:
        assert not same(path, monkeypatch).by_libraw
