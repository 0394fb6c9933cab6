"""From linear camera values to pictures: `combined.fits` opened; colour, white and pedestal chosen once for a scene."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.colour.black import lowest_noise
from pipeline.colour.camera import CameraColour, camera_colour
from pipeline.colour.cores import TOUCHED
from pipeline.colour.encode import CODES
from pipeline.colour.spaces import BT2020
from pipeline.errors import InputError
from pipeline.pages.gradient import robust_level
from pipeline.pixels.orientation import ORIENTATIONS
from pipeline.sensor.colourcards import camera_matrix, white_balance

SAMPLE_STEP = 4  # every 4th pixel each way tells sky, darkest value and grey: 1.5 million of 24
GREY_STAR_SIGMA = 20.0  # star pixels this far above the sky tell grey where the camera gives no white balance
GREY_STAR_PIXELS = 200
NO_COLOURS = "none: a monochrome sensor, all three channels alike"


@dataclass(frozen=True)
class Combined:
    """`combined.fits` as finish needs it; `planes` is mapped from disk, big-endian."""

    planes: NDArray[np.floating]  # (3, height, width)
    noise: tuple[float, float, float] | None
    saturation: float | None
    balance: tuple[float, float, float] | None
    xyz_to_camera: NDArray[np.float64] | None
    orientation: int
    unit: str | None
    mono: bool = False  # one plane, thrice
    noise_sample: NDArray[np.float32] | None = None  # (3, rows, columns), at every SAMPLE_STEP-th pixel each way


def read_combined(path: Path) -> Combined:
    """Open `combined.fits`.

    Raises
    ------
    InputError
        If it is no FITS file of three float32 planes, or its plane NOISE holds no number at all.
    """
    try:
        with fits.open(path, memmap=True) as hdus:
            header = hdus[0].header
            if header.get("NAXIS") != 3 or header.get("NAXIS3") != 3 or header.get("BITPIX") != -32:
                raise InputError(f"{path.name}: must hold three planes of 32-bit floats; run combine again")
            shape = (3, header["NAXIS2"], header["NAXIS1"])
            planes = np.memmap(path, ">f4", "r", hdus[0].fileinfo()["datLoc"], shape)
            noise, noise_sample = None, None
            if "NOISE" in hdus:
                data = np.asarray(hdus["NOISE"].data)
                if not np.isfinite(data).any():
                    raise InputError(
                        f"{path.name}: no pixel of its plane NOISE holds a number, so that neither its black nor its "
                        "grey can be told; run combine again, and where that does not help report its log"
                    )
                if data.shape[-2:] == shape[1:]:
                    sampled = data[..., ::SAMPLE_STEP, ::SAMPLE_STEP].astype(np.float32)
                    noise_sample = np.broadcast_to(sampled, (3, *sampled.shape[-2:]))
                step = max(1, max(data.shape[-2:]) // 1000)
                thin = data[..., ::step, ::step].astype(float)
                levels = [_middle(plane) for plane in (thin if thin.ndim == 3 else (thin, thin, thin))]
                if len(levels) == 3 and all(level is not None for level in levels):
                    noise = (float(levels[0]), float(levels[1]), float(levels[2]))  # type: ignore[arg-type]
            balance, matrix = white_balance(header.get), camera_matrix(header.get)
            saturation = header.get("SATURATE")
    except InputError:
        raise
    except (OSError, TypeError, ValueError, KeyError) as error:
        raise InputError(f"{path.name}: cannot be read as the picture that combine writes ({error})") from error
    orientation = header.get("ORIENTAT", 1)
    return Combined(
        planes=planes,
        noise=noise,
        saturation=float(saturation) if isinstance(saturation, (int, float)) and saturation > 0 else None,
        balance=balance,
        xyz_to_camera=None if matrix is None else np.array(matrix, float).reshape(3, 3),
        orientation=orientation if orientation in ORIENTATIONS else 1,
        unit=header.get("BUNIT"),
        mono=header.get("COLORTYP") == "MONO",
        noise_sample=noise_sample,
    )


def _middle(plane: NDArray[np.float64]) -> float | None:
    good = plane[np.isfinite(plane) & (plane > 0)]
    return float(np.median(good)) if good.size else None


def grey_multipliers(
    sample: NDArray[np.float64], sky: NDArray[np.float64], noise: NDArray[np.float64], saturation: float
) -> tuple[tuple[float, float, float] | None, str]:
    """Multipliers that make the stars, or else the sky, grey on average, and on what they were measured.

    Parameters
    ----------
    sample : (3, n) finite camera values
    sky, noise : (3,)
    saturation : float
    """
    above = sample - sky[:, None]
    stars = (above > GREY_STAR_SIGMA * noise[:, None]).all(axis=0) & (sample < TOUCHED * saturation).all(axis=0)
    if np.count_nonzero(stars) >= GREY_STAR_PIXELS:
        light, what = above[:, stars].sum(axis=1), "the light of the stars"
    else:
        light, what = sky, "the sky"
    if (light <= 0).any():
        return None, what
    gains = light[1] / light
    return (float(gains[0]), float(gains[1]), float(gains[2])), what


@dataclass(frozen=True)
class Choices:
    """All that was chosen for a picture before its pixels are encoded; levels in camera values over `white`."""

    colour: CameraColour
    white: float
    white_from: str
    sky: NDArray[np.float64]
    noise: NDArray[np.float64]
    noise_from: str
    pedestal: float
    sky_rgb: NDArray[np.float64]
    noise_rgb: NDArray[np.float64]


def choose(combined: Combined, composite: Combined | None = None, land: NDArray[np.bool_] | None = None) -> Choices:
    """Decide colour, white and pedestal from the header and a sample of the pixels, once for all pictures of a scene.

    Parameters
    ----------
    combined : the picture of the stars
    composite : that of stars and land, where there is one; how low its noise reaches counts too
    land : (height, width), where there is land: it says nothing of the sky
    """
    thin = (slice(None), slice(None, None, SAMPLE_STEP), slice(None, None, SAMPLE_STEP))
    sample = np.asarray(combined.planes[thin], float).reshape(3, -1)
    good = _with_value(sample)
    if land is not None and (good & ~land[thin[1:]].ravel()).any():
        good &= ~land[thin[1:]].ravel()
    sample = sample[:, good]
    if sample.shape[1] == 0:
        raise InputError("combined.fits: holds no pixel with a value in all three colours; run combine again")
    levels = [robust_level(channel) for channel in sample]
    sky = np.array([level for level, _ in levels])
    if combined.noise is not None:
        noise, noise_from = np.array(combined.noise), "median of the NOISE plane"
    else:
        noise, noise_from = (
            np.array([sigma for _, sigma in levels]),
            "scatter of sky pixels, the sky's own structure in it",
        )
    if combined.saturation is not None:
        white, white_from = combined.saturation, "the saturation level, in the colour whose multiplier is 1"
    else:
        white, white_from = max(float(sample.max()), 1e-6), "the brightest value (the saturation level is not known)"
    if combined.mono:
        colour = CameraColour((1.0, 1.0, 1.0), np.eye(3), NO_COLOURS, NO_COLOURS)
    else:
        grey, grey_from = grey_multipliers(sample, sky, noise, white)
        colour = camera_colour(BT2020, combined.balance, combined.xyz_to_camera, grey, grey_from)
    sky_rgb, noise_rgb = colour.whole @ sky / white, colour.noise(noise / white)
    lowest = _lowest(combined, colour, white, noise, good)
    if composite is not None:
        every = _with_value(np.asarray(composite.planes[thin], float).reshape(3, -1))
        lowest = np.minimum(lowest, _lowest(composite, colour, white, noise, every))
    need = float(np.max(-lowest))
    pedestal = float(np.ceil(max(need, 0.0) * CODES) / CODES)
    return Choices(colour, white, white_from, sky, noise, noise_from, pedestal, sky_rgb, noise_rgb)


def _lowest(
    picture: Combined, colour: CameraColour, white: float, noise: NDArray[np.float64], good: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """How low the noise of a picture reaches in linear RGB over white; `good` (n,) says which of its sample counts."""
    sample = np.asarray(picture.planes[:, ::SAMPLE_STEP, ::SAMPLE_STEP], float)
    sigma = noise[:, None, None] if picture.noise_sample is None else picture.noise_sample
    rgb = np.tensordot(colour.whole, sample / white, axes=1)
    sigma = np.sqrt(np.tensordot(colour.whole**2, (np.asarray(sigma, float) / white) ** 2, axes=1))
    known = np.broadcast_to(np.isfinite(sigma).all(axis=0), sample.shape[1:])
    return lowest_noise(rgb, sigma, good.reshape(sample.shape[1:]) & known)


def _with_value(sample: NDArray[np.floating]) -> NDArray[np.bool_]:
    """Which pixels of a sample (3, n) some frame reached: a mean of light is never 0 in all colours."""
    return np.asarray(np.isfinite(sample).all(axis=0) & (sample != 0).any(axis=0))
