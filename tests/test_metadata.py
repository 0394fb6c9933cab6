"""What raw files say of themselves: Exif planted in DNGs and FITS headers, and read back."""

from __future__ import annotations

from datetime import datetime
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits

from pipeline.errors import FrameError
from pipeline.sensor.metadata import (
    FrameMeta,
    HeaderFacts,
    build_meta,
    colour_matrix,
    parse_time,
)
from pipeline.sensor.tags import bytes_needed, is_plain_tiff
from pipeline.sensor.worker import Decoder
from tests.raw_files import ASCII, RATIONAL, SHORT, SRATIONAL, rational, starry_mosaic, write_dng


@pytest.fixture(scope="module")
def decoder():
    """One decoder for all tests."""
    with Decoder() as shared:
        yield shared


def tag(*values, text: str | None = None):
    """A tag as the Exif reader gives it."""

    class Tag(SimpleNamespace):
        def __str__(self) -> str:
            return text if text is not None else "".join(map(str, values))

    return Tag(values=values[0] if len(values) == 1 and isinstance(values[0], str) else list(values))


def meta_of(**tags) -> FrameMeta:
    """Metadata of a 6000 x 4000 frame from tags whose names have underscores for spaces."""
    return build_meta(HeaderFacts(6000, 4000), {name.replace("_", " "): value for name, value in tags.items()})


def test_planted_exif_comes_back(decoder, tmp_path):
    """Every field that Exif has a tag for is read from a DNG."""
    path = write_dng(
        tmp_path / "a.dng",
        starry_mosaic(),
        exposure_s=13.0,
        iso=3200,
        exif={
            36881: (ASCII, "+05:30"),
            37521: (ASCII, "250"),
            42033: (ASCII, "SN 0815"),
            42036: (ASCII, "A Lens"),
            41989: (SHORT, 36),
            37888: (SRATIONAL, rational(-5.5)),
            41486: (RATIONAL, rational(2277.9)),
            41488: (SHORT, 3),
        },
        extra={274: (SHORT, 8)},
    )
    meta = decoder.metadata(path)
    assert (meta.width, meta.height, meta.cfa) == (384, 256, "RGGB")
    assert meta.taken == datetime(2026, 8, 14, 22, 15, 3, 250000)
    assert meta.utc_offset_hours == 5.5
    assert meta.taken_text == "2026-08-14T16:45:03.250"
    assert (meta.exposure_s, meta.iso, meta.f_number, meta.focal_mm, meta.focal_35mm) == (13.0, 3200, 2.8, 24.0, 36.0)
    assert meta.pixel_um == pytest.approx(4.39, abs=1e-3)
    assert (meta.camera, meta.serial, meta.lens) == ("Maker Body One", "SN 0815", "A Lens")
    assert meta.temperature_c == -5.5
    assert meta.orientation == 8
    assert meta.noise_reduction is None
    assert FrameMeta.from_json(meta.to_json()) == meta


def test_decoding_adds_colour(decoder, tmp_path):
    """White balance is the inverse of AsShotNeutral, green 1; the matrix is ColorMatrix1 (DNG 1.7.0.0, chapter 6)."""
    meta = decoder.decode(write_dng(tmp_path / "a.dng", starry_mosaic()), "a").meta
    assert meta.white_balance == pytest.approx((2.0, 1.0, 1.6), rel=1e-4)
    assert meta.xyz_to_camera == pytest.approx((0.9, -0.3, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6), abs=1e-4)


def test_bare_dng_has_nothing_but_its_picture(decoder, tmp_path):
    """Without times, lens and colours the fields are None, and nothing is invented."""
    path = write_dng(
        tmp_path / "a.dng", starry_mosaic(), extra={306: None}, exif={36867: (ASCII, "0000:00:00 00:00:00")}
    )
    meta = decoder.metadata(path)
    assert meta.taken is None
    assert meta.taken_text is None
    assert (meta.serial, meta.lens, meta.pixel_um, meta.temperature_c, meta.utc_offset_hours) == (None,) * 5


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026:08:14 22:15:03", datetime(2026, 8, 14, 22, 15, 3)),
        ("2026-08-14T22:15:03.125", datetime(2026, 8, 14, 22, 15, 3, 125000)),
        ("0000:00:00 00:00:00", None),
        ("2026:13:40 22:15:03", None),
        ("    :  :     :  :  ", None),
        ("", None),
    ],
)
def test_times(text, moment):
    """Times are read, and what is none is None."""
    assert parse_time(text) == moment


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("On (unused)", False),
        ("On (dark subtracted)", True),
        ("On", True),
        ("Off", False),
        ("Auto", None),
        ("n/a", None),
    ],
)
def test_long_exposure_noise_reduction(text, expected):
    """The camera's own dark is told from its being switched on but unused, and from what only may have happened."""
    assert meta_of(MakerNote_LongExposureNoiseReduction2=tag(1, text=text)).noise_reduction is expected


def test_noise_reduction_of_other_names():
    """High-ISO noise reduction is another thing; one maker's tag says FPNR."""
    assert meta_of(MakerNote_HighISONoiseReduction=tag(1, text="On")).noise_reduction is None
    assert meta_of(MakerNote_NoiseReduction=tag("FPNR", text="FPNR")).noise_reduction is True


def test_pixel_pitch_from_either_source():
    """Pitch is the focal plane's, or by focal lengths where its unit is wrong; scaled where Exif means fewer pixels."""
    plane = {"EXIF_FocalPlaneXResolution": tag(6000 / 3.59), "EXIF_FocalPlaneResolutionUnit": tag(3)}
    lengths = {"EXIF_FocalLength": tag(50.0), "EXIF_FocalLengthIn35mmFilm": tag(50)}
    assert meta_of(**plane).pixel_um == pytest.approx(5.983, abs=1e-3)
    assert meta_of(**plane, **lengths).pixel_um == pytest.approx(5.983, abs=1e-3)
    wrong_unit = plane | {"EXIF_FocalPlaneResolutionUnit": tag(2)}
    assert meta_of(**wrong_unit, **lengths).pixel_um == pytest.approx(6.0, abs=0.01)
    half = {"EXIF_FocalPlaneXResolution": tag(3000 / 3.59), "EXIF_ExifImageWidth": tag(3000)}
    assert meta_of(**half, EXIF_FocalPlaneResolutionUnit=tag(3)).pixel_um == pytest.approx(5.983, abs=1e-3)
    assert meta_of(EXIF_FocalPlaneXResolution=tag(0)).pixel_um is None


def test_temperature_prefers_the_sensor():
    """The sensor's temperature wins over the body's and the air's; impossible ones are none."""
    tags = {"EXIF_AmbientTemperature": tag(3.0), "MakerNote_CameraTemperature": tag("21 C", text="21 C")}
    assert meta_of(**tags).temperature_c == 21
    assert meta_of(**tags, MakerNote_SensorTemperature=tag(25)).temperature_c == 25
    assert meta_of(EXIF_AmbientTemperature=tag(3.0)).temperature_c == 3
    assert meta_of(MakerNote_CameraTemperature=tag(255)).temperature_c is None


def test_large_iso_is_read_from_the_wider_tag():
    """A 16-bit ISO of 65535 points to the other tags."""
    tags = {"EXIF_ISOSpeedRatings": tag(65535), "EXIF_RecommendedExposureIndex": tag(102400)}
    assert meta_of(**tags).iso == 102400


def test_decoder_values_win():
    """Where LibRaw has a value, Exif's is not asked; where it has none, it is."""
    facts = HeaderFacts(600, 400, exposure_s=5.0, iso=0.0, clock=1_786_745_703, make="Maker", model="One")
    meta = build_meta(facts, {"EXIF ExposureTime": tag(4.0), "EXIF ISOSpeedRatings": tag(800)})
    assert (meta.exposure_s, meta.iso, meta.camera) == (5.0, 800, "Maker One")
    assert meta.taken == datetime(2026, 8, 14, 22, 15, 3)


def test_broken_tags_are_as_good_as_none():
    """Rationals over nought, wrong types and control characters neither raise nor show."""
    meta = meta_of(
        EXIF_ExposureTime=tag("x"),
        EXIF_FNumber=tag(float("nan")),
        EXIF_FocalLength=tag(float("inf")),
        EXIF_BodySerialNumber=tag("ab\x00\x1b[2Jcd"),
        EXIF_OffsetTimeOriginal=tag("+99:99"),
        Image_Model=tag(),
    )
    assert (meta.exposure_s, meta.f_number, meta.focal_mm, meta.utc_offset_hours, meta.camera) == (None,) * 5
    assert meta.serial is not None
    assert meta.serial.isprintable()


def test_matrix_for_daylight_is_chosen():
    """Of two matrices the one whose illuminant is nearer to D65 is taken, times AnalogBalance."""
    first, second = [float(n) for n in range(1, 10)], [float(n) for n in range(11, 20)]
    tags = {"Image Tag 0xC621": tag(*first), "Image Tag 0xC622": tag(*second)}
    lights = {"Image Tag 0xC65A": tag(17), "Image Tag 0xC65B": tag(21)}
    assert colour_matrix(tags | lights) == tuple(second)
    swapped = {"Image Tag 0xC65A": tag(21), "Image Tag 0xC65B": tag(17)}
    assert colour_matrix(tags | swapped) == tuple(first)
    balanced = colour_matrix(tags | swapped | {"Image Tag 0xC627": tag(2.0, 1.0, 1.0)})
    assert balanced is not None
    assert balanced[:3] == (2.0, 4.0, 6.0)


def test_bytes_needed_is_the_end_of_the_last_strip():
    """Offsets and counts of the mosaic's directory give the least length of the file."""
    tags = {
        "EXIF SubIFD0 PhotometricInterpretation": tag(32803),
        "EXIF SubIFD0 StripOffsets": tag(1000, 3000),
        "EXIF SubIFD0 StripByteCounts": tag(2000, 500),
        "Image PhotometricInterpretation": tag(2),
        "Image StripOffsets": tag(99000),
        "Image StripByteCounts": tag(5),
    }
    assert bytes_needed(tags) == 3500
    assert bytes_needed({}) is None
    assert not is_plain_tiff(tags)


FITS_CARDS = {
    "EXPTIME": 120.0,
    "DATE-OBS": "2026-08-14T22:15:03.5",
    "CCD-TEMP": -10.2,
    "GAIN": 100,
    "FOCALLEN": 135.0,
    "XPIXSZ": 3.76,
    "INSTRUME": "A Camera",
    "IMAGETYP": "Light Frame",
    "FILTER": "Red",
}


def write_fits(path, pixels, **cards):
    """Write a FITS file by astropy."""
    header = fits.Header()
    for key, value in cards.items():
        header[key.replace("_", "-")] = value
    fits.PrimaryHDU(pixels, header).writeto(path)
    return path


def test_fits_frame_is_read(decoder, tmp_path):
    """A monochrome FITS frame gives its pixels bit for bit and the header's figures; DATE-OBS is UTC."""
    pixels = starry_mosaic(clip=65535)
    path = write_fits(tmp_path / "a.fit", pixels, **FITS_CARDS)
    decoded = decoder.decode(path, "a")
    np.testing.assert_array_equal(decoded.pixels, pixels)
    meta = decoded.meta
    assert meta.cfa == decoded.header.cfa == "MONO"
    assert (meta.exposure_s, meta.temperature_c, meta.gain, meta.iso) == (120.0, -10.2, 100.0, None)
    assert (meta.focal_mm, meta.pixel_um, meta.camera, meta.image_type) == (135.0, 3.76, "A Camera", "light frame")
    assert meta.taken_utc == datetime(2026, 8, 14, 22, 15, 3, 500000)
    assert meta.filter == decoded.header.filter == decoded.header.cards()["FILTER"] == "Red"
    assert decoded.header.black == (0.0,) * 4
    assert decoded.damage is None
    assert decoder.metadata(path) == meta


@pytest.mark.parametrize("height", [256, 255])
@pytest.mark.parametrize("order", ["TOP-DOWN", "BOTTOM-UP"])
@pytest.mark.parametrize(("right", "down"), [(0, 0), (1, 0), (0, 1), (1, 1)])
def test_fits_mosaic_pattern(decoder, tmp_path, height, order, right, down):
    """Offsets shift the pattern; a bottom-up file is turned over and its colours stay with their pixels."""
    stored = starry_mosaic(height)
    stored_colours = np.array(
        [["RGGB"[2 * ((row + down) % 2) + (column + right) % 2] for column in range(384)] for row in range(height)]
    )
    path = write_fits(
        tmp_path / "a.fits", stored, BAYERPAT="RGGB", XBAYROFF=right, YBAYROFF=down, ROWORDER=order, EXPOSURE=5.0
    )
    decoded = decoder.decode(path, "a")
    flip = slice(None, None, -1) if order == "BOTTOM-UP" else slice(None)
    np.testing.assert_array_equal(decoded.pixels, stored[flip])
    assert decoded.header.cfa == "".join(stored_colours[flip][:2, :2].ravel())
    assert decoded.meta.exposure_s == 5.0


def test_other_number_types_of_whole_adu_are_accepted(decoder, tmp_path):
    """Signed 16-bit, 32-bit and floating FITS of whole ADU in 0..65535 are what they are."""
    pixels = starry_mosaic()
    for number, kind in enumerate((np.int16, np.int32, np.float32)):
        path = write_fits(tmp_path / f"{number}.fits", pixels.astype(kind))
        np.testing.assert_array_equal(decoder.decode(path, "a").pixels, pixels)


def test_a_card_that_cannot_be_read_says_nothing(decoder, tmp_path):
    """A comma where FITS wants a point costs the exposure, not the frame."""
    path = write_fits(tmp_path / "a.fits", starry_mosaic(), EXPTIME=30.5, INSTRUME="a camera")
    path.write_bytes(path.read_bytes().replace(b"30.5", b"30,5"))
    meta = decoder.metadata(path)
    assert (meta.exposure_s, meta.camera) == (None, "a camera")


def test_tile_compressed_fits_is_read(decoder, tmp_path):
    """A Rice-compressed image in the first extension is read."""
    pixels = starry_mosaic()
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(pixels, compression_type="RICE_1")]).writeto(tmp_path / "a.fits")
    np.testing.assert_array_equal(decoder.decode(tmp_path / "a.fits", "a").pixels, pixels)


@pytest.mark.parametrize(
    ("pixels", "cards", "sentence"),
    [
        (np.random.default_rng(0).random((100, 100)).astype(np.float32), {}, "FITS file of fractions"),
        (np.full((100, 100), -5, np.int16), {}, "holds values from -5 to -5"),
        (np.zeros((100, 100), np.uint8), {}, "8-bit FITS"),
        (np.zeros((3, 100, 100), np.uint16), {}, "not one mosaic"),
        (np.zeros((100, 100), np.float32), {}, "scaled to 0-1"),
        (np.zeros((20, 20), np.uint16), {}, "only 20 x 20 pixels"),
        (starry_mosaic(), {"BAYERPAT": "CYGM"}, "only red, green and blue"),
    ],
)
def test_fits_that_are_no_raw_frames(decoder, tmp_path, pixels, cards, sentence):
    """Processed, coloured and tiny pictures are refused with what they are."""
    path = write_fits(tmp_path / "a.fits", pixels, **cards)
    with pytest.raises(FrameError, match=sentence):
        decoder.decode(path, "a")


def test_truncated_fits_is_refused(decoder, tmp_path):
    """A FITS file cut short says so, at any share."""
    whole = write_fits(tmp_path / "a.fits", starry_mosaic()).read_bytes()
    for share in (0.3, 0.9, 0.98):
        (tmp_path / "b.fits").write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(FrameError, match="ends before its picture does"):
            decoder.decode(tmp_path / "b.fits", "a")
