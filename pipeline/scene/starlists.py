"""Star lists as the fit needs them: which frames' stars, how large the frames are, when they were taken."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from pipeline.config import Site
from pipeline.errors import InputError
from pipeline.files import shown
from pipeline.plan import PlannedFrame
from pipeline.sky import times
from pipeline.sky.geometry import Geometry
from pipeline.sky.table import FrameStars, centroid_sigma
from pipeline.stars.colours import NOT_MEASURED, OFFSET_DTYPE, PER_PIXEL
from pipeline.stars.fullcolour import PER_UNIT, RATIO_DTYPE, UNKNOWN
from pipeline.tables import read_table, rows_of

Floats = NDArray[np.float64]

WIDTH_GUESS_FWHM = 2.5
# What the fit needs of a star, all in double precision, and its colours where they were measured.
STAR_FIELDS = np.dtype([(name, "?" if name == "saturated" else "f8")
                        for name in ("x", "y", "flux", "flux_error", "saturated")])  # fmt: skip
COLOURS = np.dtype([(name, "f8") for name in OFFSET_DTYPE.names or ()])


def read_lists(
    paths: Sequence[Path],
    fields: np.dtype[Any],
    wanted: Iterable[str] | None = None,
    optional: np.dtype[Any] | None = None,
) -> dict[str, NDArray[Any]]:
    """Star lists by frame id, as grade wrote them; a frame without stars is not among them.

    Parameters
    ----------
    paths : tables of stars (FITS)
    fields : a structured type: the columns that are read, as what
    wanted : ids of frames; all where None
    optional : further columns, read where a table has all of them

    Raises
    ------
    InputError
        A file is no table of stars, or lacks a column.
    """
    names = None if wanted is None else set(wanted)
    found: dict[str, NDArray[Any]] = {}
    for path in paths:
        try:
            with fits.open(path, memmap=False) as hdus:
                data = hdus[1].data
                # as the bytes that it is: FITS's own view of text takes longer than all the numbers
                column = data.view(np.ndarray)["frame"]
                if column.dtype.kind != "S":
                    raise TypeError("its column frame holds no text")
                kinds = fields.descr
                if optional is not None and set(optional.names or ()) <= set(data.names):
                    kinds = kinds + optional.descr
                stars = np.empty(len(column), kinds)
                for name in stars.dtype.names or ():
                    stars[name] = data[name]
        except (OSError, KeyError, IndexError, TypeError) as error:
            raise InputError(f"{shown(path)}: is not a table of stars ({error}); run grade again") from error
        own: dict[str, NDArray[Any]] = {}
        # a frame's stars stand together as grade writes them: no search for each of its frames
        begins = np.flatnonzero(np.append(True, column[1:] != column[:-1])[: len(column)])
        for name, part in zip(column[begins].tolist(), np.split(stars, begins[1:]), strict=False):
            frame = name.decode("ascii", "replace").strip()
            if names is None or frame in names:
                own[frame] = np.concatenate([own[frame], part]) if frame in own else part
        found |= own
    return found


def read_stars(
    paths: Sequence[Path], wanted: Sequence[PlannedFrame], rows: Mapping[str, Mapping[str, Any]], limit: int, site: Site
) -> dict[str, FrameStars]:
    """Star lists of the wanted frames, by id in order of time; a frame without stars has an empty list."""
    # lists of other programs may lack the colours
    found = read_lists(paths, STAR_FIELDS, [f.id for f in wanted], COLOURS)
    lists: dict[str, FrameStars] = {}
    for frame in sorted(wanted, key=lambda f: (f.taken or "", f.id)):
        middle = middle_of(frame, site)
        fwhm = figure(rows.get(frame.id, {}), "fwhm_px")
        lists[frame.id] = frame_stars(
            frame.id,
            found.get(frame.id),
            limit,
            fwhm if np.isfinite(fwhm) else WIDTH_GUESS_FWHM,
            None if middle is None else (middle[0] - 2451545.0) * 86400.0,
        )
    return lists


def full_star_places(paths: Sequence[Path], geometry: Geometry) -> Floats:
    """Where on the reference's grid full stars lie, and what their colours are, as the placed frames show them.

    Returns
    -------
    (n, 4) x, y (px), logarithms of red's and blue's light over green's; a row for each star of each frame
    """
    names = np.dtype([("x", "f8"), ("y", "f8"), *((name, "i2") for name in RATIO_DTYPE.names or ())])
    rows = [np.zeros((0, 4))]
    for frame, stars in read_lists(paths, names, geometry.frames).items():
        known = stars[(stars["full_red"] != UNKNOWN) & (stars["full_blue"] != UNKNOWN)]
        x, y = geometry.to_reference(frame, known["x"], known["y"])
        rows.append(np.stack([x, y, known["full_red"] / PER_UNIT, known["full_blue"] / PER_UNIT], axis=1))
    return np.concatenate(rows)


def frame_stars(
    frame: str, stars: NDArray[Any] | None, limit: int, fwhm_px: float, seconds: float | None
) -> FrameStars:
    """The brightest stars of a list (`STAR_FIELDS`, and `COLOURS` where measured), as the fit needs them."""
    if stars is None or not len(stars):
        empty = np.zeros(0)
        return FrameStars(frame, np.zeros((0, 2)), empty, empty, empty, np.zeros(0, bool), seconds)
    good = np.isfinite(stars["x"]) & np.isfinite(stars["y"]) & np.isfinite(stars["flux"]) & (stars["flux"] > 0)
    chosen = np.flatnonzero(good)
    chosen = chosen[np.argsort(-stars["flux"][chosen], kind="stable")][:limit]
    flux, error, full = (np.asarray(stars[k][chosen]) for k in ("flux", "flux_error", "saturated"))
    return FrameStars(
        frame,
        np.stack([stars["x"][chosen], stars["y"][chosen]], axis=1),
        flux,
        error,
        centroid_sigma(flux, error, fwhm_px, full),
        full.astype(bool),
        seconds,
        _offsets(stars[good]),
    )


def _offsets(stars: NDArray[Any]) -> Floats | None:
    """(k, 2, 5) of `FrameStars.offsets`, of the stars that have one."""
    names = COLOURS.names or ()
    if not set(names) <= set(stars.dtype.names or ()):
        return None
    values = np.stack([np.asarray(stars[name], np.float64) for name in names], axis=1)
    values = np.where(values == NOT_MEASURED, np.nan, values / PER_PIXEL).reshape(-1, 2, 3)
    places = np.stack([stars["x"], stars["y"]], axis=1)[:, None].repeat(2, axis=1)
    return np.concatenate([places, values], axis=2)[np.isfinite(values).any(axis=(1, 2))]


def sizes(
    rows: Mapping[str, Mapping[str, Any]], stars: Sequence[Path], lists: Mapping[str, FrameStars]
) -> tuple[dict[str, tuple[int, int]], float | None]:
    """Width and height of frames by id, and the pixel pitch (um): from the grades that lie beside the star lists.

    A frame of which nothing is told has the size of the others, or that which its stars span.
    """
    figures: dict[str, dict[str, Any]] = {i: dict(rows.get(i, {})) for i in lists}
    for path in stars:
        grades = path.with_name(path.name.removesuffix(".stars.fits") + ".ecsv")
        if path.name.endswith(".stars.fits") and grades.is_file():
            table = read_table(grades)
            names = [n for n in ("width", "height", "pixel_um") if n in table.colnames]
            for row in rows_of(table, ("frame", *names)):
                if str(row["frame"]) in figures:
                    figures[str(row["frame"])].update({name: row[name] for name in names})
    sizes = {i: (int(f["width"]), int(f["height"])) for i, f in figures.items() if f.get("width") and f.get("height")}
    pitch = next((float(f["pixel_um"]) for f in figures.values() if f.get("pixel_um")), None)
    if not sizes:
        spans = [s.xy.max(axis=0) for s in lists.values() if len(s)] or [np.zeros(2)]
        width, height = np.max(spans, axis=0)
        sizes = {i: (int(width) + 2, int(height) + 2) for i in lists}
    common = Counter(sizes.values()).most_common(1)[0][0] if sizes else (1, 1)
    return {i: sizes.get(i, common) for i in lists}, pitch


def focal_px(frame: PlannedFrame, pitch_um: float | None, width: int) -> float | None:
    """Focal length in pixels by Exif; a sensor of unknown pitch is taken for 36 mm wide (others are tried after it)."""
    if not frame.focal_mm or frame.focal_mm <= 0:
        return None
    return frame.focal_mm * 1e3 / pitch_um if pitch_um else frame.focal_mm / 36.0 * width


def middle_of(frame: PlannedFrame, site: Site) -> tuple[float, bool] | None:
    """Julian date of the middle of a frame's exposure, and whether it is UTC; None without a time."""
    moment = times.parse(frame.taken)
    if moment is None or not 1990 <= moment.year <= 2100:
        return None
    jd = times.julian_date(moment) + (frame.exposure_s or 0.0) / 2 / 86400.0
    if frame.utc:
        return jd, True
    if site.utc_offset_hours is not None:
        return jd - site.utc_offset_hours / 24.0, True
    return jd, False


def figure(row: Mapping[str, Any], key: str) -> float:
    value = row.get(key)
    return float(value) if value is not None else np.nan
