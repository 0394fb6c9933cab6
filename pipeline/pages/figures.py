"""The figures of a scene from what the steps left: the contract's JSON, and what the pages add to it."""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from pipeline.judging.verdicts import PIXEL_WIDTH, SURE_STARS
from pipeline.pages import words
from pipeline.pages.along import trailed_along
from pipeline.pages.frametable import KEPT, common, kept, mapping, median, positive, reason_counts
from pipeline.pages.ground import ground_figures
from pipeline.pages.noise import gain_beyond
from pipeline.pages.placed import placed_figures
from pipeline.pages.weather import exposure_lost, sky_events, sky_raised
from pipeline.plan import most_common
from pipeline.scene.records import SceneRecord

SOFT = 1.5  # times the narrowest stars of a scene: a kept frame so soft makes the picture's stars wide, and is named


def optics(record: SceneRecord, rows: list[dict[str, Any]]) -> dict[str, float | None]:
    """Focal length (mm), f-number, pixel pitch (um), scale (arcsec a px at the axis) as well as they are known."""
    camera = mapping(record.geometry.get("camera"))
    focal_px = positive(camera.get("focal_px"))
    focal = positive(common(rows, "focal_mm")) or positive(record.combined.get("FOCALLEN"))
    pixel = positive(record.combined.get("XPIXSZ"))
    scale = None
    if focal_px and record.geometry.get("solved"):
        scale = math.degrees(math.atan(1 / focal_px)) * 3600
    elif record.plan is not None and record.plan.look.pixel_scale_arcsec:
        scale = record.plan.look.pixel_scale_arcsec
    elif focal and pixel:
        scale = math.degrees(math.atan(pixel * 1e-3 / focal)) * 3600
    # a pitch that is worked out from the stated focal length says nothing of it
    focal_measured = focal_px * pixel * 1e-3 if focal_px and pixel and record.geometry.get("solved") else None
    if pixel is None and focal and scale:
        pixel = math.tan(math.radians(scale / 3600)) * focal * 1e3
    return {
        "focal_mm": focal or None,
        "focal_measured_mm": focal_measured,
        "f_number": positive(common(rows, "f_number")),
        "pixel_um": pixel,
        "scale_arcsec": scale,
    }


def field_deg(camera: Mapping[str, Any], scale_arcsec: float | None) -> list[float] | None:
    """About how wide and high the picture is, degrees, distortion left out; None where the scale is not known."""
    if not scale_arcsec or not camera.get("width"):
        return None
    halves = [math.radians(scale_arcsec / 3600) * camera[side] / 2 for side in ("width", "height")]
    return [round(math.degrees(2 * (half if camera.get("fisheye") else math.atan(half))), 2) for half in halves]


def centre(record: SceneRecord) -> tuple[float | None, float | None]:
    """Right ascension and declination (deg, ICRS) of the middle of the reference frame; None where not solved.

    The camera's model is undone for the middle pixel without its distortion: the middle lies within some pixels of the
    optical axis, where distortion is far below a pixel.
    """
    geometry = record.geometry
    camera = mapping(geometry.get("camera"))
    reference = mapping(mapping(geometry.get("frames")).get(str(geometry.get("reference"))))
    attitude = reference.get("attitude")
    if geometry.get("solved") and isinstance(attitude, list) and len(attitude) == 4 and camera.get("focal_px"):
        try:
            x = ((camera["width"] - 1) / 2 - camera["centre_x"]) / camera["focal_px"]
            y = ((camera["height"] - 1) / 2 - camera["centre_y"]) / camera["focal_px"]
            w, i, j, k = np.array(attitude, float) / np.linalg.norm(attitude)
        except (KeyError, TypeError, ValueError):
            return None, None
        rotation = np.array(
            [
                [1 - 2 * (j * j + k * k), 2 * (i * j - k * w), 2 * (i * k + j * w)],
                [2 * (i * j + k * w), 1 - 2 * (i * i + k * k), 2 * (j * k - i * w)],
                [2 * (i * k - j * w), 2 * (j * k + i * w), 1 - 2 * (i * i + j * j)],
            ]
        )
        vector = rotation.T @ np.array([x, y, 1.0])
        vector /= np.linalg.norm(vector)
        ra = math.degrees(math.atan2(vector[1], vector[0])) % 360
        return round(ra, 6), round(math.degrees(math.asin(float(np.clip(vector[2], -1, 1)))), 6)
    look = record.plan.look if record.plan is not None else None
    return (None, None) if look is None else (look.centre_ra_deg, look.centre_dec_deg)


def constellation(ra_deg: float | None, dec_deg: float | None) -> str | None:
    """The constellation that holds a direction (ICRS), by its Latin name; None where there is no direction."""
    if ra_deg is None or dec_deg is None:
        return None
    from pipeline.sky import wcs

    return wcs.constellation(ra_deg, dec_deg)


def title(record: SceneRecord, rows: list[dict[str, Any]], where: str | None, focal_mm: float | None) -> str:
    """What to call a scene: the title given by hand, else constellation, night and focal length, as far as known, and
    what tells it from others of its night and lens."""
    apart = None
    if record.plan is not None:
        if record.plan.title:
            return record.plan.title
        apart = record.plan.apart
    # the night's date, as in the folder's name: a frame after midnight belongs to the evening before
    named = re.match(r"(\d{4}-\d\d-\d\d)_", record.scene)
    evening = words.moment(named.group(1)) if named else None
    first = next((when for row in rows if (when := words.moment(row.get("taken")))), None)
    date = words.day(first) if evening is None else words.night(evening)
    parts = [where, date, words.setting(focal_mm, "mm") if focal_mm else None, apart]
    return ", ".join(part for part in parts if part) or record.scene


def _seen(record: SceneRecord) -> list[str]:
    """What the judge saw of the scene as a whole: a drift of the focus, a tracker that stood still, a usual motion."""
    notes = record.verdicts.meta.get("notes")
    return [note for note in notes if isinstance(note, str)] if isinstance(notes, list) else []


def _black(record: SceneRecord) -> list[str]:
    """What became of the black level where the files state none."""
    told = record.calibration.meta.get("black")
    return [told] if isinstance(told, str) else []


HAZY = 0.35  # magnitudes an airmass; clear air takes 0.15 to 0.3


def _haze(record: SceneRecord) -> list[str]:
    """A sentence about a whole night of haze, which no frame shows against its neighbours."""
    taken = record.sky_zero.get("extinction")
    if not record.sky_zero.get("measured") or taken is None or taken < HAZY:
        return []
    return [
        f"Towards the horizon the stars fade by {taken:.2f} magnitudes an airmass; clear air takes 0.15 to 0.3. "
        "Haze or thin cloud lay over the whole scene, in every frame alike."
    ]


def darks(record: SceneRecord) -> dict[str, Any]:
    """The master dark that was used, or the two of darks of two temperatures, or why none."""
    plan, header, below = record.plan, record.master, record.bias
    of_two = below.get("IMAGETYP") == "master dark" and below.get("NFRAMES") != 0
    taken, bias_set = (None, None) if plan is None else (plan.dark_set, plan.bias_set)
    why = header.get("UNUSABLE") or (plan.dark_why if plan is not None else "") or None
    if of_two and header.get("NFRAMES") == 0:
        # of darks of two temperatures the warmer are not usable: the colder serve alone, as `scene.signal` takes them
        why = f"Only the colder darks serve ({bias_set}), scaled to the lights' warm pixels: of {taken} {why}"
        header, below, taken, bias_set, of_two = below, {}, bias_set, None, False
    used = taken is not None and header.get("NFRAMES") != 0
    if used and why:
        why += _less(record, "dark", "bias")  # the plan counts what it was made of
    # a factor of 0 is that of a frame whose camera took its own dark off
    scales = [float(row["dark_scale"]) for row in record.calibration.rows if row.get("dark_scale")]
    subtracted = sum(bool(frame.camera_subtracted) for frame in plan.frames) if plan is not None else 0
    of_lights = [f.temperature_c for f in plan.frames if f.temperature_c is not None] if plan is not None else []
    number, own_noise, colder = header.get("NFRAMES"), header.get("OWNNOISE"), None
    if used and of_two:
        colder = {
            "set": bias_set,
            "number": below.get("NFRAMES"),
            "temperature_c": below.get("CCD-TEMP"),
            "shares": [min(scales), max(scales)] if scales else None,
        }
        number = (number or 0) + below.get("NFRAMES", 0)
        if own_noise is not None and scales:
            parts = [(x * own_noise) ** 2 + ((1 - x) * below.get("OWNNOISE", 0.0)) ** 2 for x in scales]
            own_noise = statistics.fmean(parts) ** 0.5
    return {
        "used": used,
        "set": taken,
        "why": why,
        "lacking": (plan.dark_lacking if plan is not None else "") or None,
        "lights_temperature_c": [min(of_lights), max(of_lights)] if of_lights else None,
        "bias_set": None if of_two else bias_set,
        "left_out_why": {**record.left_out.get("dark", {}), **record.left_out.get("bias", {})},
        "colder": colder,
        "held": [
            {"set": name, "against": of["BESIDE"], "apart": of.get("BSAPART"), "why_not": of.get("BSNONE")}
            for name, of in ((taken, header), (bias_set, below))
            if used and of.get("BESIDE") and of.get("NFRAMES") != 0
        ],
        "number": number if used else None,
        "own_noise": own_noise if used else None,
        "exposure_s": header.get("EXPTIME") if used else None,
        "iso": header.get("ISOSPEED") if used else None,
        "temperature_c": header.get("CCD-TEMP") if used else None,
        "left_out": header.get("NLEFTOUT") if used else None,
        "scale_median": float(statistics.median(scales)) if scales else None,
        "glow": {k: record.calibration.meta.get(f"dark_glow_{k}") for k in ("scale", "error", "told", "adu", "leaked")},
        "camera_subtracted": plan is not None and 0 < subtracted == len(plan.frames),
        "camera_subtracted_frames": subtracted,
        "banding": {k: record.calibration.meta.get(f"banding_{k}") for k in ("frames", "rows_adu", "columns_adu")},
        "without": {k: record.calibration.meta.get(k) for k in ("glow", "glow_adu", "rows_adu", "columns_adu")},
    }


# Exposures further apart than this are several; some cameras note what their shutter did, no two frames the same.
MIXED = 1.03
NOISE_KEYS = (
    "noise_frame",
    "noise_frame_exposure_s",
    "noise_frame_iso",
    "frames_alike",
    "noise_combined",
    "noise_expected",
    "noise_ratio",
    "noise_blocks",
    "noise_curve",
    "fwhm_px_reference",
    "fwhm_px_combined",
    "size_ratio",
    "size_ratio_corners",
    "fwhm_px_middle",
    "fwhm_px_corners",
    "elongation_middle",
    "elongation_corners",
    "stars_compared",
    "noise_dark_shared",
    "sensor_places",
    "restless_share",
    "noise_notes",
    "rejected_share",
    "one_frame_share",
    "electrons_per_adu",
    "noise_scale",
)
LENS_KEYS = ("focal_px", "centre_x", "centre_y", "radial", "tangential", "fisheye")
COLOUR_KEYS = ("space", "transfer_curve", "white_balance_from", "pedestal", "codes_per_sigma", "saturated_cores")


def read_noise(dark: Mapping[str, Any], bias: Mapping[str, Any]) -> float | None:
    """Noise of a pixel without light or dark signal, ADU; None where no master tells it.

    A bias shows it. In a dark is the noise of its dark signal and glow besides, which grow with the exposure as the sky
    does: told by how the noise rises with the level, and taken off where the level above black is known.

    Parameters
    ----------
    dark, bias : headers of the masters, empty where there is none; in the bias's place may stand colder darks
    """
    if bias.get("IMAGETYP") == "master bias" and positive(bias.get("TNOISE")):
        return float(bias["TNOISE"])
    noise = positive(dark.get("TNOISE"))
    if noise is None or not dark.get("BLKKNOWN", True):
        return noise
    rest = noise**2 - dark.get("DGAIN", 0.0) * max(dark.get("DLEVEL", 0.0), 0.0)
    return float(rest**0.5) if rest > 0 else noise


def electrons(record: SceneRecord, good: list[Mapping[str, Any]]) -> dict[str, float | None]:
    """Read noise and median sky in electrons, where the gain is known; null otherwise."""
    gain = positive(record.combine.get("electrons_per_adu"))
    read, sky = read_noise(record.master, record.bias), median(good, "sky_e_s")
    in_electrons = "electron" in record.verdicts.units.get("sky_e_s", "")
    return {
        "read_noise_e": read * gain if read and gain else None,
        "sky_e_s_median": sky if in_electrons else sky * gain if sky is not None and gain else None,
    }


def scene_figures(
    record: SceneRecord, rows: list[dict[str, Any]], settings: dict[str, Any], versions: dict[str, Any]
) -> dict[str, Any]:
    """The content of scene.json: the contract's keys, and more; null where unknown, no time of processing."""
    good = kept(rows)
    lens = optics(record, rows)
    ra, dec = centre(record)
    where = constellation(ra, dec)
    reference = next((row for row in rows if row["frame"] == record.geometry.get("reference")), None)
    filters = [frame.filter for frame in record.plan.frames if frame.filter] if record.plan is not None else []
    return {
        "scene": record.scene,
        "title": title(record, rows, where, lens["focal_mm"]),
        "made": record.made,
        "failures": [{key: failure.get(key) for key in ("step", "name", "sentence")} for failure in record.failures],
        "reference_file": reference.get("file") if reference else None,
        **_frames_and_exposures(record, rows, good),
        "f_number": lens["f_number"],
        "filter": most_common(filters) if filters else None,
        "focal_mm": lens["focal_mm"],
        "focal_measured_mm": lens["focal_measured_mm"],
        "pixel_um": lens["pixel_um"],
        "pixel_scale_arcsec": lens["scale_arcsec"],
        "centre_ra_deg": ra,
        "centre_dec_deg": dec,
        "constellation": where,
        "solved": record.geometry.get("solved"),
        **_lens_and_field(record, lens["scale_arcsec"]),
        **placed_figures(record, {str(row["frame"]): str(row.get("file") or row["frame"]) for row in rows}),
        **_of_kept_frames(record, rows, good),
        **{key: record.combine.get(key) for key in NOISE_KEYS},
        "noise_gain_beyond": gain_beyond({"frames_kept": len(good), **record.combine}),
        "effective_frames": record.combine.get("frames_effective"),
        "bunit": record.combine.get("bunit") or record.combined.get("BUNIT"),
        **electrons(record, good),
        "darks": darks(record),
        "flats": _flats(record),
        "vignetting": record.combine.get("vignetting"),
        "meteors": record.combine.get("meteors"),
        "hot_pixels": record.defects,
        "ground": ground_figures(record.ground, record.joined),
        "colour": {key: record.finish.get(key) for key in COLOUR_KEYS},
        "black": {k: record.calibration.meta.get(k) for k in ("black", "black_adu", "black_error_adu")},
        "notes": [
            *_black(record),
            *(record.plan.notes if record.plan is not None else ()),
            *_seen(record),
            *_haze(record),
        ],
        "versions": versions,
        "settings": settings,
    }


def _frames_and_exposures(
    record: SceneRecord, rows: list[dict[str, Any]], good: list[Mapping[str, Any]]
) -> dict[str, Any]:
    """How many frames were found, kept and set aside, and what light was gathered."""
    known = bool(record.verdicts.rows)
    exposures = [row["exposure_s"] for row in good if isinstance(row.get("exposure_s"), (int, float))]
    spread = [min(exposures), max(exposures)] if exposures else None
    mixed = spread is not None and spread[1] > MIXED * spread[0]
    isos = sorted({row["iso"] for row in good if isinstance(row.get("iso"), int)})
    return {
        "frames_found": len(rows),
        "frames_kept": len(good) if known else None,
        "frames_set_aside": reason_counts(rows) if known else None,
        "trailed_along": trailed_along(rows) if known else None,
        "exposure_total_s": round(sum(exposures), 6) if known and len(exposures) == len(good) else None,
        "exposure_s": None if mixed else common(rows, "exposure_s"),
        "exposure_range_s": spread,
        "iso": None if len(isos) > 1 else common(rows, "iso"),
        "iso_range": [isos[0], isos[-1]] if isos else None,
    }


def _lens_and_field(record: SceneRecord, scale_arcsec: float | None) -> dict[str, Any]:
    """The lens as it was fitted, and how much of the sky it shows."""
    camera = mapping(record.geometry.get("camera"))
    return {
        "lens": {key: camera.get(key) for key in LENS_KEYS} if camera else None,
        "field_deg": field_deg(camera, scale_arcsec),
    }


def _of_kept_frames(record: SceneRecord, rows: list[dict[str, Any]], good: list[Mapping[str, Any]]) -> dict[str, Any]:
    """What is usual of the frames that were kept, and what befell the sky."""
    darkness = median(good, "sky_mag_arcsec2")
    streaks = [row["streaks"] for row in good if isinstance(row.get("streaks"), int)]
    return {
        "fwhm_px_frames": median(good, "fwhm_px"),
        "soft_kept": soft_kept(rows),
        "registration_rms_px": median(good, "registration_rms_px"),
        "sky_mag_arcsec2": None if darkness is None else round(darkness, 3),
        "sky_zero": record.sky_zero or None,
        "sky_events": sky_events(record, rows),
        "sky_raised": sky_raised(rows),
        "exposure_lost": exposure_lost(rows),
        "motion_px": median(good, "motion_px"),
        "motion_expected_px": median(good, "motion_expected_px"),
        "transparency": median(good, "transparency"),
        "streaks": sum(streaks) if streaks else None,
    }


def soft_kept(rows: Sequence[Mapping[str, Any]]) -> dict[str, Any] | None:
    """The key `soft_kept` of scene.json: how many frames with stars far wider than the scene's sharpest were kept, by
    hand or because too few told better, and how wide at most; None where none was."""
    known = [
        (float(width), row)
        for row in rows
        if isinstance(width := row.get("width_px"), (int, float)) and (row.get("stars") or 0) >= SURE_STARS
    ]
    narrowest = min((width for width, _ in known if width > PIXEL_WIDTH), default=math.inf)
    soft = [width for width, row in known if row.get("verdict") == KEPT and width > SOFT * narrowest]
    return {"frames": len(soft), "times": round(max(soft) / narrowest, 3)} if soft else None


def _less(record: SceneRecord, *kinds: str) -> str:
    """What is said behind the plan's number of calibration frames where some of them were left out."""
    number = sum(len(record.left_out.get(kind, {})) for kind in kinds)
    return f"; {number} of them {'is' if number == 1 else 'are'} left out" if number else ""


def _flats(record: SceneRecord) -> dict[str, Any]:
    """The flat that was used, or why none."""
    plan, header = record.plan, record.flat
    used = plan is not None and plan.flat_set is not None and header.get("NFRAMES") != 0
    why = header.get("UNUSABLE") or (plan.flat_why if plan is not None else "") or None
    return {
        "used": used,
        "set": plan.flat_set if plan is not None else None,
        "why": why + _less(record, "flat") if used and why else why,
        "number": header.get("NFRAMES"),
        "left_out_why": record.left_out.get("flat", {}),
    }


def timings(record: SceneRecord) -> dict[str, Any]:
    """The content of timings.json: wall seconds of each job and each step, and when they began."""
    jobs = sorted(
        (
            {key: job.get(key) for key in ("step", "name", "wall_s", "units", "begun")}
            for job in record.timings
            if isinstance(job.get("wall_s"), (int, float))
        ),
        key=lambda job: (str(job["begun"]), str(job["step"]), str(job["name"])),
    )
    steps: dict[str, float] = {}
    for job in jobs:
        steps[str(job["step"])] = round(steps.get(str(job["step"]), 0.0) + float(job["wall_s"] or 0.0), 3)
    return {
        "scene": record.scene,
        "steps": steps,
        "total_wall_s": round(sum(steps.values()), 3),
        "jobs": jobs,
        "note": "wall seconds of each job; jobs that ran side by side overlap",
    }
