"""Pictures of a scene as files: saturated cores in their colours, TIFF and preview, and what finish.json says of them.

The half of the step `finish` that writes pixels.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from pipeline import versions
from pipeline.colour import curves, icc
from pipeline.colour.camera import CameraColour
from pipeline.colour.cores import TOUCHED, Cores, find_cores
from pipeline.colour.encode import CODES, codes_per_sigma, encode_strip
from pipeline.colour.spaces import BT2020, SRGB
from pipeline.files import replacing
from pipeline.pages.preview import area_mean, stretch
from pipeline.pixels.orientation import upright
from pipeline.scene.developing import SAMPLE_STEP, Choices, Combined

PROFILE_NAME = "moonless wide RGB: ITU-R BT.2020 primaries, D65, IEC 61966-2-1 curve"
STRIP_ROWS = 240  # about 70 MB in float32 at 6000 columns: small beside the 16-bit picture, large beside the overheads
JPEG_QUALITY = 92
NEAR_PX = 3.0  # from a pixel with a value, up to which one without takes it


def find_saturated(
    combined: Combined, choices: Choices, measured: NDArray[np.float64] | None, threads: int = 1
) -> Cores:
    """Saturated cores of the picture; none where the saturation level is not known. `measured` as in `find_cores`."""
    height, width = combined.planes.shape[1:]
    touched = np.zeros((height, width), bool)
    if combined.saturation is not None:
        full = np.float32(combined.saturation)

        def look(top: int) -> None:
            strip = combined.planes[:, top : top + STRIP_ROWS]
            for left in range(0, width, STRIP_ROWS):
                part = strip[:, :, left : left + STRIP_ROWS].astype(np.float32)
                # above the sky about it: one that a town or the Moon makes bright is no star
                about = np.median(part[:, ::SAMPLE_STEP, ::SAMPLE_STEP], axis=(1, 2), keepdims=True)
                limit = about + np.float32(TOUCHED) * np.maximum(full - about, 0)
                np.any(part >= limit, axis=0, out=touched[top : top + STRIP_ROWS, left : left + STRIP_ROWS])

        with ThreadPoolExecutor(max(1, threads)) as pool:
            list(pool.map(look, range(0, height, STRIP_ROWS)))
    return find_cores(touched, combined.planes, choices.sky, choices.white, choices.colour.multipliers, measured)


def fill_rim(strip: NDArray[np.float32]) -> None:
    """Give pixels that no frame reached, (3, rows, columns), what the nearest shows within `NEAR_PX`; NaN beyond.

    At the picture's edges a pixel's colours may lie just outside of the frames, the lens's lateral colour apart.
    """
    missing = (strip == 0).all(axis=0)  # a mean of light is never 0 in all colours
    if not missing.any():
        return
    strip[:, missing] = np.nan
    if missing.all():
        return
    distance, (row, column) = ndimage.distance_transform_edt(missing, return_indices=True)
    near = missing & (distance <= NEAR_PX)
    strip[:, near] = strip[:, row[near], column[near]]


def _strip(combined: Combined, choices: Choices, cores: Cores, top: int, rows: int) -> NDArray[np.float32]:
    """Rows from `top` on, (3, rows, width) float32 over white, rim filled and cores in their colours."""
    strip = combined.planes[:, top : top + rows].astype(np.float32)
    strip *= np.float32(1 / choices.white)
    fill_rim(strip)
    cores.restore(strip, top, choices.colour.multipliers)
    return strip


def _strips(combined: Combined, factor: int) -> tuple[int, range]:
    """Rows of a strip, whole cells of `factor` pixels, and the strips' first rows."""
    rows = max(factor, STRIP_ROWS // factor * factor)
    return rows, range(0, combined.planes.shape[1], rows)


def shrink(combined: Combined, choices: Choices, cores: Cores, preview_px: int, threads: int) -> NDArray[np.float32]:
    """The picture made small, (3, rows, columns) float32.

    Camera values over white, shrunk by a whole factor to `preview_px` or a little more on the long side.
    """
    factor = _factor(combined, preview_px)
    rows, tops = _strips(combined, factor)
    with ThreadPoolExecutor(max(1, threads)) as pool:
        parts = pool.map(lambda top: area_mean(_strip(combined, choices, cores, top, rows), factor), tops)
        return np.concatenate(list(parts), axis=1)


def _factor(combined: Combined, preview_px: int) -> int:
    return max(1, max(combined.planes.shape[1:]) // preview_px)


def render(
    combined: Combined, choices: Choices, cores: Cores, preview_px: int, threads: int
) -> tuple[NDArray[np.uint16], dict[str, int]]:
    """Encode the whole picture, strip by strip.

    Returns
    -------
    codes : (height, width, 3) uint16
    counts : pixels held at white, below black, without a value
    """
    # a rim is filled within its strip: by the same strips as the small picture
    rows, tops = _strips(combined, _factor(combined, preview_px))
    codes = np.empty((*combined.planes.shape[1:], 3), np.uint16)
    fill = choices.sky / choices.white

    def encode(top: int) -> tuple[int, int, int]:
        strip = _strip(combined, choices, cores, top, rows)
        return encode_strip(strip, choices.colour.whole, choices.pedestal, fill, codes[top : top + rows])

    with ThreadPoolExecutor(max(1, threads)) as pool:
        parts = list(pool.map(encode, tops))
    held, black, empty = (sum(counts[n] for counts in parts) for n in range(3))
    return codes, {"held_at_white": held, "below_black": black, "without_value": empty}


def preview_picture(
    small: NDArray[np.float32],
    choices: Choices,
    orientation: int,
    preview_px: int,
    mask: NDArray[np.uint8] | None,
    still: bool,
    threads: int,
) -> tuple[Any, dict[str, Any]]:
    """The preview as a Pillow image, its long side at most `preview_px`, and what was done to it."""
    rows, columns = small.shape[1:]
    share = min(1.0, preview_px / max(rows, columns))
    size = (max(1, round(columns * share)), max(1, round(rows * share)))
    planes = small
    if size != (columns, rows):
        filled = [
            np.where(np.isfinite(p), p, s).astype(np.float32)
            for p, s in zip(small, choices.sky / choices.white, strict=True)
        ]
        planes = np.stack(
            [np.asarray(Image.fromarray(p).resize(size, Image.Resampling.BOX), np.float32) for p in filled]
        )
    colour = choices.colour
    to_srgb = camera_matrix_for_preview(colour)
    linear = np.moveaxis(np.tensordot(to_srgb, planes.astype(float), axes=1), 0, -1)
    land = None
    if mask is not None:
        shrunk = Image.fromarray(mask).resize((linear.shape[1], linear.shape[0]), Image.Resampling.BOX)
        land = np.asarray(shrunk, np.float32) / np.float32(255)
    picture, done = stretch(linear, land, still, threads)
    return Image.fromarray(np.ascontiguousarray(upright(picture, orientation))), asdict(done)


def camera_matrix_for_preview(colour: CameraColour) -> NDArray[np.float64]:
    """Camera values to linear sRGB: by way of the wide space, of which it is a smaller cut with the same white."""
    from pipeline.colour.spaces import rgb_to_xyz

    result: NDArray[np.float64] = np.linalg.inv(rgb_to_xyz(SRGB)) @ rgb_to_xyz(BT2020) @ colour.whole
    return result


def write_tiff(path: Path, codes: NDArray[np.uint16], profile: bytes, description: str) -> None:
    """Write a 16-bit RGB TIFF with its profile.

    Uncompressed: the last bits of a deep picture are noise and do not pack. No date is written, so that equal
    pictures are equal files.
    """
    height, width, _ = codes.shape

    def strips() -> Iterator[NDArray[np.uint16]]:
        for top in range(0, height, STRIP_ROWS):
            yield np.ascontiguousarray(codes[top : top + STRIP_ROWS])

    with replacing(path) as temporary, tifffile.TiffWriter(temporary) as writer:
        writer.write(
            strips(),
            shape=(height, width, 3),
            dtype=np.uint16,
            photometric="rgb",
            planarconfig="contig",
            rowsperstrip=STRIP_ROWS,
            resolution=(300, 300),
            resolutionunit="INCH",
            software=f"moonless {versions.moonless()}",
            description=description,
            metadata=None,
            iccprofile=profile,
        )


def figures(combined: Combined, choices: Choices, cores: Cores, counts: dict[str, int]) -> dict[str, Any]:
    """What stands in finish.json."""
    total = combined.planes.shape[1] * combined.planes.shape[2]
    per_sigma = codes_per_sigma(choices.sky_rgb, choices.noise_rgb, choices.pedestal)
    at_sky = curves.encode((choices.sky_rgb + choices.pedestal) / (1 + choices.pedestal)) * CODES
    return {
        "mono": combined.mono,
        "space": BT2020.name,
        "space_why": (
            "the space of the colour pictures, so that all scenes open alike"
            if combined.mono
            else "real primaries wide enough for emission red and hot blue stars; an editor's saturation behaves"
        ),
        "profile": PROFILE_NAME,
        "transfer_curve": "IEC 61966-2-1 (sRGB): straight with slope 12.92 up to 0.0031308, then power 2.4",
        "white_point": "D65",
        "white_balance": [round(m, 6) for m in choices.colour.multipliers],
        "white_balance_from": choices.colour.balance_from,
        "matrix": [[round(float(v), 6) for v in row] for row in choices.colour.matrix],
        "matrix_from": choices.colour.matrix_from,
        "white_level": choices.white,
        "white_level_from": choices.white_from,
        "unit": combined.unit,
        "pedestal": choices.pedestal,
        "sky_kept": True,
        "gradient_removed_tiff": 0.0,
        "sky_level": [float(v) for v in choices.sky],
        "sky_linear": [float(v) for v in choices.sky_rgb],
        "sky_code": [int(np.rint(v)) for v in at_sky],
        "noise_level": [float(v) for v in choices.noise],
        "noise_from": choices.noise_from,
        "codes_per_sigma": [round(float(v), 2) for v in per_sigma],
        "held_at_white_pixels": counts["held_at_white"],
        "held_at_white_share": counts["held_at_white"] / total,
        "below_black_pixels": counts["below_black"],
        "without_value_pixels": counts["without_value"],
        "saturated_cores": cores.stars,
        "saturated_cores_measured": cores.measured,
        "saturated_cores_neutral": cores.neutral,
        "saturated_cores_how": (
            "not looked for: the saturation level is not known"
            if combined.saturation is None
            else "of a monochrome sensor, which have no colour to keep"
            if combined.mono
            else "cores and rims take the red over blue that the unsaturated pixels of their own star's frames show, "
            "or else its surroundings, and the green of a black body between; neutral where neither tells"
        ),
        "orientation": combined.orientation,
        "orientation_how": "applied to the pixels of TIFF and preview, so that every program shows them upright",
        "compression": "none",
    }


def describe(scene: str, content: dict[str, Any]) -> str:
    """The TIFF's description, one ASCII line."""
    text = (
        f"{scene}: linear combination, sky kept; {content['space']}, D65, curve "
        f"{content['transfer_curve'].split(':')[0]}; "
        f"white = {content['white_level']:.6g} {content['unit'] or ''}, pedestal {content['pedestal']:.6g}; "
        f"white balance from {content['white_balance_from']}"
    )
    return text.encode("ascii", "replace").decode()


@dataclass(frozen=True)
class Developer:
    """Makes pictures of one scene alike."""

    choices: Choices
    preview_px: int
    threads: int
    scene: str
    mask: NDArray[np.uint8] | None = None  # of land, (height, width)
    full: NDArray[np.float64] | None = None  # colours of full stars, as `find_cores` takes them

    def picture(self, source: Combined, tiff: Path, preview: Path | None, still: bool = True) -> dict[str, Any]:
        """Write a TIFF, and a preview where one is wanted (`still`: of land that stands still); the figures."""
        cores = find_saturated(source, self.choices, self.full, self.threads)
        if preview is None:
            return self._write_tiff(source, cores, tiff, self.threads)
        small = shrink(source, self.choices, cores, self.preview_px, self.threads)
        with ThreadPoolExecutor(1) as beside:
            written = beside.submit(self._write_tiff, source, cores, tiff, self.threads - 1)
            picture, stretched = preview_picture(
                small, self.choices, source.orientation, self.preview_px, self.mask, still, self.threads
            )
            content = written.result()
        content["preview"] = {**stretched, "space": SRGB.name, "quality": JPEG_QUALITY, "chroma": "4:4:4"}
        with replacing(preview) as temporary:
            picture.save(
                temporary,
                format="JPEG",
                quality=JPEG_QUALITY,
                subsampling=0,
                icc_profile=icc.profile(SRGB, "sRGB IEC 61966-2-1"),
            )
        return content

    def _write_tiff(self, source: Combined, cores: Cores, path: Path, threads: int) -> dict[str, Any]:
        codes, counts = render(source, self.choices, cores, self.preview_px, threads)
        content = figures(source, self.choices, cores, counts)
        codes = upright(codes, source.orientation)
        content["height"], content["width"] = codes.shape[:2]
        write_tiff(path, codes, icc.profile(BT2020, PROFILE_NAME), describe(self.scene, content))
        return content
