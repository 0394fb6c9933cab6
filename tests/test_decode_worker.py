"""The decoding process: what it gives, and what it survives."""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from pipeline.errors import FrameError
from pipeline.sensor.worker import Decoder
from tests.raw_files import BYTE, LONG, SHORT, starry_mosaic, write_dng

REAL = Path(__file__).resolve().parents[2] / "shared"
needs_real = pytest.mark.skipif(not (REAL / "real-frames").is_dir(), reason="../shared/real-frames is not here")
LEVEL = {"R": 1000, "G": 2000, "B": 3000}


@pytest.fixture(scope="module")
def decoder():
    """One decoder for all tests that do not break it."""
    with Decoder() as shared:
        yield shared


def coloured_mosaic(cfa: str, top: int = 0, left: int = 0) -> np.ndarray:
    """A mosaic whose colours have the levels of LEVEL; the pattern begins at (top, left)."""
    rows, columns = np.mgrid[:256, :384]
    levels = np.array([LEVEL[colour] for colour in cfa])
    return (starry_mosaic() + levels[2 * ((rows - top) % 2) + (columns - left) % 2] - 700).astype(np.uint16)


@needs_real
@pytest.mark.parametrize(
    ("name", "shape", "cfa", "black", "saturation", "exposure", "iso"),
    [
        ("old-dslr.nef", (1324, 2012), "BGGR", 0, (3980, 4095), 1 / 250, 200),
        ("early-dslr-5s.crw", (1448, 2176), "RGGB", 128, (3780, 3830), 5.0, 100),
        ("mirrorless-18mp.arw", (3464, 5184), "RGGB", 512, (16372, 16372), 1 / 640, 3200),
    ],
)
def test_real_frames_are_read_as_they_are_known(decoder, name, shape, cfa, black, saturation, exposure, iso):
    """Size, phase, black, saturation, exposure and ISO of real frames agree with what is known of them.

    Size to ISO: REAL-FRAMES.md. Saturation: read off the histograms by eye (heaps at 3984 in green and 4095 in red and
    blue; at 3816 +- 20; at 16372).
    """
    decoded = decoder.decode(REAL / "real-frames" / name, "a")
    assert decoded.pixels.shape == shape
    assert decoded.pixels.dtype == np.uint16
    assert decoded.header.cfa == decoded.meta.cfa == cfa
    assert all(abs(level - black) <= 1 for level in decoded.header.black)
    assert saturation[0] <= decoded.header.saturation <= saturation[1]
    assert decoded.header.exposure_s == pytest.approx(exposure, rel=0.01)
    assert decoded.header.iso == iso
    assert decoded.damage is None
    assert (decoded.header.masked_level is not None) == (name == "early-dslr-5s.crw")


@needs_real
def test_pixels_are_those_that_rawpy_gives(decoder):
    """The shared memory holds LibRaw's visible area bit for bit."""
    import rawpy

    path = REAL / "real-frames" / "early-dslr-5s.crw"
    with rawpy.imread(str(path)) as raw:
        expected = raw.raw_image_visible.copy()
    np.testing.assert_array_equal(decoder.decode(path, "a").pixels, expected)


@needs_real
def test_masked_columns_give_their_level(decoder):
    """The level of the 48 masked columns is the mean that NumPy gives of their inner part."""
    import rawpy

    path = REAL / "real-frames" / "early-dslr-5s.crw"
    with rawpy.imread(str(path)) as raw:
        columns = raw.raw_image[6 : 6 + 1448, 2:46].astype(float)
    assert decoder.decode(path, "a").header.masked_level == pytest.approx(columns.mean(), abs=0.05)


@needs_real
def test_real_sky_frames_are_sound(decoder):
    """None of the 34 real CCD frames is called damaged, and their exposure and serial are read."""
    paths = sorted((REAL / "real-sky").glob("*/*.dng"))
    assert len(paths) == 34
    for path in paths:
        decoded = decoder.decode(path, "a")
        assert decoded.damage is None
        assert (decoded.meta.exposure_s, decoded.meta.serial, decoded.header.saturation) == (60.0, "C1", 59000.0)


@pytest.mark.parametrize("cfa", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize(("top", "left"), [(0, 0), (1, 1), (2, 3), (3, 2)])
def test_all_phases_with_and_without_margins(decoder, tmp_path, cfa, top, left):
    """The header's pattern names the planted colours, and each black level stays with its own pixels."""
    pixels = coloured_mosaic(cfa, top, left)
    path = write_dng(tmp_path / "a.dng", pixels, cfa, black=(500, 510, 520, 530), active=(top, left, 250, 380))
    decoded = decoder.decode(path, "a")
    seen = [float(np.median(decoded.pixels[n // 2 :: 2, n % 2 :: 2])) for n in range(4)]
    assert [LEVEL[colour] for colour in decoded.header.cfa] == pytest.approx(seen, abs=2)
    assert decoder.metadata(path).cfa == decoded.header.cfa
    # LibRaw moves an odd corner by one; colours and blacks move with it
    first, second = top + top % 2, left + left % 2
    height, width = decoded.pixels.shape
    np.testing.assert_array_equal(decoded.pixels, pixels[first : first + height, second : second + width])
    expected = np.roll(np.array([[500, 510], [520, 530]]), (-(top % 2), -(left % 2)), (0, 1))
    assert decoded.header.black == tuple(expected.ravel())


def test_lossless_compression_changes_nothing(decoder, tmp_path):
    """A lossless-JPEG DNG decodes to the planted pixels."""
    pixels = starry_mosaic()
    decoded = decoder.decode(write_dng(tmp_path / "a.dng", pixels, compressed=True), "a")
    np.testing.assert_array_equal(decoded.pixels, pixels)


def test_missing_white_level_is_that_of_the_bits(decoder, tmp_path):
    """Without WhiteLevel, BitsPerSample says where white is (DNG 1.7.0.0), not LibRaw's 65535."""
    path = write_dng(tmp_path / "a.dng", starry_mosaic(), white=None)
    assert decoder.decode(path, "a").white == 65535
    assert decoder.decode(write_dng(path, starry_mosaic(), white=4095), "a").white == 4095


@pytest.mark.parametrize("name", [b"two words.dng", b"-rf.dng", b"new\nline.dng", b"\xff\xfe.dng", b"$(touch x).dng"])
def test_any_file_name_is_read(decoder, tmp_path, name):
    """Names are bytes: none is misread, and the sentence about a bad one is printable."""
    write_dng(tmp_path / "plain.dng", starry_mosaic())
    path = os.fsencode(tmp_path) + b"/" + name
    os.rename(tmp_path / "plain.dng", path)
    assert decoder.metadata(path).width == 384
    assert decoder.decode(os.fsdecode(path), "a").pixels.shape == (256, 384)
    Path(os.fsdecode(path)).write_bytes(b"no frame at all")
    with pytest.raises(FrameError, match="no raw frame") as caught:
        decoder.decode(path, "a")
    assert str(caught.value).isprintable()
    assert sorted(os.listdir(os.fsencode(tmp_path))) == [name]


def save_jpeg(path: Path) -> None:
    Image.fromarray(np.zeros((200, 300, 3), np.uint8)).save(path, "JPEG")


def save_png(path: Path) -> None:
    Image.fromarray(np.zeros((200, 300), np.uint16)).save(path, "PNG")


def save_grey_tiff(path: Path) -> None:
    tifffile.imwrite(path, starry_mosaic(), photometric="minisblack")


def save_grey_tiff_of_a_camera(path: Path) -> None:
    tifffile.imwrite(
        path,
        starry_mosaic(),
        photometric="minisblack",
        extratags=[(271, 2, 0, "Maker", True), (272, 2, 0, "One", True)],
    )


def save_rgb_tiff(path: Path) -> None:
    tifffile.imwrite(path, np.repeat(starry_mosaic()[..., None], 3, 2), photometric="rgb")


def save_linear_dng(path: Path) -> None:
    pixels = np.repeat(starry_mosaic()[..., None], 3, 2)
    write_dng(path, pixels, None, extra={50713: (SHORT, [1, 1]), 50714: (SHORT, [512] * 3), 50717: (LONG, [16383] * 3)})


def save_six_by_six(path: Path) -> None:
    cells = [1, 2, 1, 1, 0, 1, 0, 1, 0, 2, 1, 2, 1, 2, 1, 1, 0, 1, 1, 0, 1, 1, 2, 1, 2, 1, 2, 0, 1, 0, 1, 0, 1, 1, 2, 1]
    write_dng(path, starry_mosaic(), extra={33421: (SHORT, [6, 6]), 33422: (BYTE, cells)})


def save_huge_header(path: Path) -> None:
    write_dng(path, starry_mosaic(), extra={256: (LONG, 60000), 257: (LONG, 60000), 278: (LONG, 60000)})


def save_empty(path: Path) -> None:
    path.touch()


@pytest.mark.parametrize(
    ("save", "sentence"),
    [
        (save_jpeg, "is a picture as cameras and editors write it"),
        (save_png, "is a picture as cameras and editors write it"),
        (save_grey_tiff, "is a plain TIFF picture"),
        (save_grey_tiff_of_a_camera, "is a plain TIFF picture"),
        (save_rgb_tiff, "is a plain TIFF picture"),
        (save_linear_dng, "holds whole colours at every pixel"),
        (save_six_by_six, "colour filters"),
        (save_huge_header, "more than"),
        (save_empty, "is empty"),
    ],
)
def test_what_is_no_mosaic_is_refused(decoder, tmp_path, save, sentence):
    """Pictures, linear raws, other patterns and impossible sizes get their own sentence, by both ways of reading."""
    path = tmp_path / "a.dng"
    save(path)
    for read in (decoder.metadata, lambda file: decoder.decode(file, "a")):
        with pytest.raises(FrameError, match=sentence):
            read(path)


def test_what_cannot_be_opened_is_refused(decoder, tmp_path):
    """A missing file, a folder and a pipe are refused at once."""
    with pytest.raises(FrameError, match="cannot be opened \\(No such file"):
        decoder.metadata(tmp_path / "none.dng")
    with pytest.raises(FrameError, match="no regular file"):
        decoder.metadata(tmp_path)
    os.mkfifo(tmp_path / "pipe.dng")
    with pytest.raises(FrameError, match="no regular file"):
        decoder.metadata(tmp_path / "pipe.dng")


@pytest.mark.parametrize("compressed", [False, True])
@pytest.mark.parametrize("share", [0.02, 0.3, 0.5, 0.9, 0.99, 0.999])
def test_truncated_files_never_pass(decoder, tmp_path, compressed, share):
    """A DNG cut at any share of its length is unreadable or damaged."""
    whole = write_dng(tmp_path / "a.dng", starry_mosaic(), compressed=compressed).read_bytes()
    (tmp_path / "b.dng").write_bytes(whole[: int(share * len(whole))])
    try:
        damage = decoder.decode(tmp_path / "b.dng", "a").damage
    except FrameError as error:
        damage = str(error)
    assert damage is not None
    assert "broken" in damage or "no raw frame" in damage


@needs_real
@pytest.mark.parametrize("share", [0.5, 0.8, 0.99, 0.999])
def test_truncated_real_frame_is_damaged(decoder, tmp_path, share):
    """LibRaw fills the missing rows of this form with repeats and says nothing; both file and pixels tell."""
    whole = (REAL / "real-frames" / "mirrorless-18mp.arw").read_bytes()
    (tmp_path / "a.arw").write_bytes(whole[: int(share * len(whole))])
    damage = decoder.decode(tmp_path / "a.arw", "a").damage
    assert damage is not None
    assert "the file is cut short" in damage
    assert "of 3464 repeat rows before them" in damage


@pytest.mark.parametrize("compressed", [False, True])
def test_zeroed_card_blocks_are_damage(decoder, tmp_path, compressed):
    """A block of 4,096 zero bytes in the picture's data is found, compressed or not."""
    whole = bytearray(write_dng(tmp_path / "a.dng", starry_mosaic(), compressed=compressed).read_bytes())
    middle = len(whole) // 2
    whole[middle : middle + 4096] = bytes(4096)
    (tmp_path / "a.dng").write_bytes(whole)
    assert "broken" in (decoder.decode(tmp_path / "a.dng", "a").damage or "")


def test_killed_worker_is_replaced(tmp_path):
    """After SIGKILL between two frames the next one decodes in a new process."""
    path = write_dng(tmp_path / "a.dng", starry_mosaic())
    with Decoder() as decoder:
        first = decoder.decode(path, "a")
        assert decoder.pid is not None
        old = decoder.pid
        os.kill(old, signal.SIGKILL)
        second = decoder.decode(path, "a")
        assert decoder.pid != old
        np.testing.assert_array_equal(first.pixels, second.pixels)


def test_frame_that_kills_twice_is_unreadable(tmp_path):
    """A worker that dies at both tries makes the frame unreadable, with the signal's name; the next frame is read."""
    path = write_dng(tmp_path / "a.dng", starry_mosaic())
    with Decoder() as decoder:
        decoder.metadata(path)
        killed: set[int] = set()  # each once, however many: the first may die before the frame is given to it
        done = threading.Event()

        def kill() -> None:
            while not done.is_set():
                pid = decoder.pid
                if pid is not None and pid not in killed:
                    killed.add(pid)
                    os.kill(pid, signal.SIGKILL)
                time.sleep(0.0002)

        killer = threading.Thread(target=kill)
        killer.start()
        try:
            with pytest.raises(FrameError, match="the decoder broke on it \\(signal SIGKILL\\)"):
                decoder.decode(path, "a")
        finally:
            done.set()
            killer.join()
        assert decoder.decode(path, "a").damage is None


def test_deadline_ends_a_stopped_worker(tmp_path):
    """A worker that does not answer in time is ended, the frame unreadable, the next one read."""
    path = write_dng(tmp_path / "a.dng", starry_mosaic())
    with Decoder(deadline_s=1.0) as decoder:
        decoder._deadline_s = 60.0  # the start of the process is not what is timed here
        decoder.metadata(path)
        decoder._deadline_s = 0.3
        assert decoder.pid is not None
        os.kill(decoder.pid, signal.SIGSTOP)
        begun = time.monotonic()
        with pytest.raises(FrameError, match=r"more than 0\.3 s and was ended"):
            decoder.decode(path, "a")
        assert time.monotonic() - begun < 10
        decoder._deadline_s = 60.0
        assert decoder.decode(path, "a").damage is None


def test_memory_cap_gives_a_second_try_and_then_a_sentence(tmp_path):
    """What does not fit the first cap is decoded under the second; what fits neither is refused with the figure."""
    pixels = np.tile(starry_mosaic(), (16, 10))  # 31 MB, which is in memory twice
    path = write_dng(tmp_path / "a.dng", pixels)
    with Decoder(memory_mb=40, retry_mb=400) as decoder:
        np.testing.assert_array_equal(decoder.decode(path, "a").pixels, pixels)
        child = decoder._child.process.pid
        decoder.decode(path, "b")  # the frames of a set are as large: no child is begun in vain again
        assert decoder._child.process.pid == child
    with Decoder(memory_mb=40, retry_mb=41) as decoder, pytest.raises(FrameError, match=r"MB to decode|broke on it"):
        decoder.decode(path, "a")


def test_worker_may_not_write_files(tmp_path):
    """The limits that the worker sets on itself forbid writing to files and cap its memory."""
    code = (
        "from pipeline.sensor.serve import _limit; _limit(100)\n"
        f"file = open({str(tmp_path / 'x')!r}, 'wb', buffering=0)\n"
        "try:\n    file.write(b'x')\nexcept OSError as error:\n    print(error.strerror)\n"
        "try:\n    bytearray(200_000_000)\nexcept MemoryError:\n    print('no memory')\n"
    )
    root = Path(__file__).resolve().parents[1]
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=root, check=True)
    assert result.stdout.splitlines() == ["File too large", "no memory"]
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[0] != 0


def test_the_worker_loads_no_compiler():
    """Every batch starts a decoding process: it loads neither Numba nor what only the steps need."""
    code = (
        "import sys, pipeline.sensor.serve, pipeline.sensor.raw, pipeline.sensor.fitsframe\n"
        "print({'numba', 'scipy', 'astropy'} & set(sys.modules))"
    )
    root = Path(__file__).resolve().parents[1]
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=root, check=True)
    assert result.stdout.strip() == "set()"


def test_arrays_outlive_the_frames_after_them(decoder, tmp_path):
    """Shared memory is used again only when no array shows it."""
    paths = [write_dng(tmp_path / f"{n}.dng", starry_mosaic(seed=n)) for n in range(4)]
    kept = [decoder.decode(path, "a").pixels[10:20] for path in paths]
    for number, rows in enumerate(kept):
        np.testing.assert_array_equal(rows, starry_mosaic(seed=number)[10:20])
    with Decoder() as other:
        last = other.decode(paths[0], "a").pixels
    np.testing.assert_array_equal(last, starry_mosaic(seed=0))


def test_preview_level_is_the_mean_grey(decoder, tmp_path):
    """A frame without a preview has None; FITS has none either."""
    assert decoder.preview_level(write_dng(tmp_path / "a.dng", starry_mosaic())) is None
    fits.PrimaryHDU(starry_mosaic()).writeto(tmp_path / "a.fits")
    assert decoder.preview_level(tmp_path / "a.fits") is None


@needs_real
def test_preview_level_of_a_real_frame(decoder):
    """The mean grey of an embedded preview agrees with Pillow's at full size."""
    import io

    import rawpy

    path = REAL / "real-frames" / "mirrorless-18mp.arw"
    with rawpy.imread(str(path)) as raw:
        grey = np.asarray(Image.open(io.BytesIO(raw.extract_thumb().data)).convert("L"))
    assert decoder.preview_level(path) == pytest.approx(grey.mean(), abs=1)


def test_garbage_never_raises_anything_else(decoder, tmp_path):
    """Random bytes behind the first bytes of known forms give FrameError only."""
    rng = np.random.default_rng(11)
    heads = [
        b"II*\0\x08\0\0\0",
        b"MM\0*\0\0\0\x08",
        b"SIMPLE  =                    T",
        b"IIU\0\x18\0\0\0",
        b"FUJIFILM",
        b"\0",
    ]
    for number in range(12):
        path = tmp_path / f"{number}.dng"
        path.write_bytes(heads[number % len(heads)] + rng.integers(0, 256, 5000, np.uint8).tobytes())
        with pytest.raises(FrameError):
            decoder.decode(path, "a")
