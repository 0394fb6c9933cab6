"""Lossless JPEG (ITU-T T.81, process 14) against an encoder written from the standard, and against LibRaw on DNGs."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import rawpy

from pipeline.errors import FrameError
from pipeline.sensor.dngplain import plain_dng
from pipeline.sensor.losslessjpeg import NotOrdinaryError, decode
from pipeline.sensor.worker import Decoder
from tests.raw_files import LONG, starry_mosaic, write_dng


def predicted(samples: np.ndarray, predictor: int, precision: int) -> np.ndarray:
    """T.81, table H.1, and H.1.1 for the first row and column; (height, width, components) int arrays."""
    a, b, c = np.zeros((3, *samples.shape), np.int64)
    a[:, 1:], b[1:], c[1:, 1:] = samples[:, :-1], samples[:-1], samples[:-1, :-1]
    result = [None, a, b, c, a + b - c, a + ((b - c) >> 1), b + ((a - c) >> 1), (a + b) >> 1][predictor].copy()
    result[0], result[:, 0] = a[0], b[:, 0]
    result[0, 0] = 1 << (precision - 1)
    return result


def encode(samples: np.ndarray, predictor: int = 1, precision: int = 16, lengths: tuple[int, ...] = (5,) * 16) -> bytes:
    """Encode (height, width, components); `lengths` rise and are those of the codes of categories 0 to 15."""
    height, width, components = samples.shape
    differences = (samples.astype(np.int64) - predicted(samples.astype(np.int64), predictor, precision)).ravel()
    codes, code, last = [], 0, lengths[0]
    for length in lengths:
        code <<= length - last
        codes.append((code, length))
        code, last = code + 1, length
    bits = []
    for difference in differences.tolist():
        category = abs(difference).bit_length()
        code, length = codes[category]
        bits.append(format(code, f"0{length}b"))
        if category:
            bits.append(format(difference if difference > 0 else difference + (1 << category) - 1, f"0{category}b"))
    text = "".join(bits)
    text += "1" * (-len(text) % 8)
    coded = int(text, 2).to_bytes(len(text) // 8, "big").replace(b"\xff", b"\xff\0")
    counts = bytes(lengths.count(n) for n in range(1, 17))
    table = b"\0" + counts + bytes(range(len(lengths)))
    frame = struct.pack(">BHHB", precision, height, width, components)
    frame += b"".join(bytes((n, 0x11, 0)) for n in range(components))
    scan = bytes((components, *(v for n in range(components) for v in (n, 0)), predictor, 0, 0))
    parts = [(0xC4, table), (0xC3, frame), (0xDA, scan)]
    head = b"".join(struct.pack(">BBH", 0xFF, marker, len(part) + 2) + part for marker, part in parts)
    return b"\xff\xd8" + head + coded + b"\xff\xd9"


def picture(height: int, width: int, components: int, precision: int) -> np.ndarray:
    """Noise with some bright samples, the least and the greatest number among them."""
    rng = np.random.default_rng(height + components)
    samples = rng.normal(0.04 * 2**precision, 0.002 * 2**precision, (height, width, components))
    samples[rng.random(samples.shape) < 0.02] += rng.uniform(0, 0.4 * 2**precision)
    samples = np.clip(np.round(samples), 0, 2**precision - 1).astype(np.uint16)
    samples[3, 4], samples[3, 5] = 0, 2 ** (precision - 2)
    return samples


@pytest.mark.parametrize("predictor", range(1, 8))
@pytest.mark.parametrize(("components", "precision"), [(1, 16), (2, 14), (3, 12), (4, 8)])
def test_what_the_standard_encodes_is_decoded(predictor: int, components: int, precision: int) -> None:
    """Every predictor, one to four components."""
    samples = picture(23, 31, components, precision)
    data = encode(samples, predictor, precision)
    assert np.array_equal(decode(np.frombuffer(data, np.uint8)), samples.reshape(23, -1))


def test_codes_longer_than_the_look_up() -> None:
    """Codes of up to 16 bits, of which a look into the table tells nothing."""
    samples = picture(23, 31, 1, 16)
    lengths = (*range(1, 16), 16)
    data = encode(samples, 1, 16, lengths)
    assert np.array_equal(decode(np.frombuffer(data, np.uint8)), samples[..., 0])


def test_broken_data_are_refused() -> None:
    """Cut short, with a marker within, of more bits than the precision: left to LibRaw, never decoded wrongly."""
    good = encode(picture(23, 31, 1, 12), 1, 12)
    begins = good.index(b"\xff\xda") + 10
    for broken in (
        good[: len(good) // 2],
        good[:begins],
        good[:30],
        b"",
        good[: begins + 9] + b"\xff\xd0" + good[begins + 11 :],
        good.replace(struct.pack(">BHH", 12, 23, 31), struct.pack(">BHH", 4, 23, 31)),
        good.replace(struct.pack(">BHH", 12, 23, 31), struct.pack(">BHH", 12, 65535, 65535)),
    ):
        with pytest.raises(NotOrdinaryError):
            decode(np.frombuffer(broken, np.uint8))


def test_no_bytes_can_break_the_decoder() -> None:
    """Bytes overwritten anywhere give a picture of the same size or a refusal."""
    good = np.frombuffer(encode(picture(16, 16, 1, 12), 6, 12), np.uint8)
    rng = np.random.default_rng(5)
    for _ in range(400):
        broken = good.copy()
        broken[rng.integers(0, len(good), 3)] = rng.integers(0, 256, 3)
        try:
            assert decode(broken).size > 0
        except NotOrdinaryError:
            continue


def tiled_dng(path: Path, mosaic: np.ndarray, across: int, down: int) -> Path:
    """A DNG of tiles as converters write it: two components side by side, the last tiles filled up by repetition."""
    height, width = mosaic.shape
    padded = np.pad(mosaic, ((0, -height % down), (0, -width % across)), "edge")
    parts = []
    for top in range(0, height, down):
        for left in range(0, width, across):
            tile = padded[top : top + down, left : left + across]
            part = encode(tile.reshape(down, across // 2, 2), 1)
            parts.append(part + b"\0" * (len(part) % 2))
    places = np.cumsum([8, *(len(part) for part in parts)])
    tags = {259: (3, 7), 273: None, 278: None, 279: None, 322: (LONG, across), 323: (LONG, down)}
    tags |= {324: (LONG, places[:-1].tolist()), 325: (LONG, [len(part) for part in parts])}
    write_dng(path, mosaic, extra=tags)
    # the tiles go to the front, and every offset behind them: written once more with the room that they take
    plain = path.read_bytes()
    moved = shifted(plain, int(places[-1]) - 8)
    path.write_bytes(moved[:8] + b"".join(parts) + moved[8:])
    return path


def shifted(data: bytes, by: int) -> bytes:
    """A little-endian TIFF's directories as they must read `by` bytes further on; offsets of tiles stay."""
    out = bytearray(data)
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}
    waiting = [struct.unpack_from("<I", data, 4)[0]]
    struct.pack_into("<I", out, 4, waiting[0] + by)
    while waiting:
        at = waiting.pop()
        for number in range(struct.unpack_from("<H", data, at)[0]):
            entry = at + 2 + 12 * number
            tag, kind, count = struct.unpack_from("<HHI", data, entry)
            value = struct.unpack_from("<I", data, entry + 8)[0]
            if tag == 34665:
                waiting.append(value)
            elif tag == 273:
                struct.pack_into("<H", out, entry, 65000)
                continue
            if tag == 34665 or sizes[kind] * count > 4:
                struct.pack_into("<I", out, entry + 8, value + by)
    return bytes(out)


def as_libraw_has_it(path: Path) -> np.ndarray:
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image_visible.copy()


@pytest.mark.parametrize("kind", ["strip", "strip, active area", "linearised", "tiles"])
def test_a_compressed_dng_gives_what_libraw_gives(tmp_path: Path, kind: str) -> None:
    """Pixels, levels and metadata of the plain form are those that LibRaw makes of the compressed one."""
    mosaic = starry_mosaic(130, 200)
    path = tmp_path / "a.dng"
    if kind == "tiles":
        tiled_dng(path, mosaic, 64, 48)
    else:
        active = (4, 8, 128, 196) if kind.endswith("area") else None
        curve = {50712: (3, (np.arange(16384) // 2).tolist())} if kind == "linearised" else {}
        write_dng(path, mosaic, compressed=True, active=active, extra=curve)
    data = path.read_bytes()
    assert len(plain_dng(data, 10**6)) >= len(data) + 2 * mosaic.size  # it is not left to LibRaw
    expected = as_libraw_has_it(path)
    assert not np.array_equal(expected, np.zeros_like(expected))
    with Decoder() as decoder:
        decoded = decoder.decode(path, "f")
    assert np.array_equal(decoded.pixels, expected)
    assert decoded.damage is None
    with rawpy.imread(str(path)) as raw:
        assert decoded.header.black == tuple(raw.black_level_per_channel[c] for c in (0, 1, 3, 2))
        assert decoded.white == raw.white_level
        assert decoded.header.white_balance == pytest.approx(
            [v / raw.camera_whitebalance[1] for v in raw.camera_whitebalance[:3]]
        )


def test_a_broken_compressed_dng_is_left_to_libraw(tmp_path: Path) -> None:
    """Frames with bytes overwritten have the pixels that LibRaw gives them, or fail as they do with it."""
    whole = np.frombuffer(write_dng(tmp_path / "a.dng", starry_mosaic(), compressed=True).read_bytes(), np.uint8)
    path = tmp_path / "b.dng"
    rng = np.random.default_rng(3)
    same = 0
    with Decoder() as decoder:
        for number in range(20):
            broken = whole.copy()
            where = rng.integers(len(whole) // 2, len(whole) - 100)
            broken[where : where + (1 + number % 4) ** 3] = rng.integers(0, 255) if number % 2 else 0
            path.write_bytes(broken[: where if number == 19 else None].tobytes())
            try:
                pixels = decoder.decode(path, "f").pixels
            except FrameError:
                with pytest.raises(rawpy.LibRawError):
                    as_libraw_has_it(path)
                continue
            assert np.array_equal(pixels, as_libraw_has_it(path))
            same += 1
    assert same > 5


def test_other_files_are_left_alone(tmp_path: Path) -> None:
    """Plain DNGs, other files, and pictures larger than allowed are refused."""
    plain = write_dng(tmp_path / "a.dng", starry_mosaic()).read_bytes()
    packed = write_dng(tmp_path / "b.dng", starry_mosaic(), compressed=True).read_bytes()
    for data, most in ((plain, 10**6), (b"", 10**6), (b"II*\0" + b"\xff" * 40, 10**6), (packed, 1000)):
        with pytest.raises(NotOrdinaryError):
            plain_dng(data, most)


def test_a_first_run_decodes_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With nothing compiled yet: the decoding process may write no file, the compiler's cache among them."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "cache"))
    mosaic = starry_mosaic(130, 200)
    path = write_dng(tmp_path / "a.dng", mosaic, compressed=True)
    with Decoder() as decoder:
        np.testing.assert_array_equal(decoder.decode(path, "f").pixels, mosaic)
