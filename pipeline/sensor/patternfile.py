"""What stays with the sensor (`sensor/pattern.py`) in the file of a scene's defects: GLOW, ROWS and COLUMNS."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io import fits

from pipeline.errors import InputError
from pipeline.files import shown
from pipeline.sensor.pattern import Pattern

_PARTS = {"GLOW": "glow", "ROWS": "rows", "COLUMNS": "columns"}


def pattern_hdus(pattern: Pattern) -> list[fits.ImageHDU]:
    """The units that stand after the defect map; none where nothing was found."""
    hdus = []
    for name, field in _PARTS.items():
        part = getattr(pattern, field)
        if part is not None:
            hdus.append(fits.ImageHDU(part, name=name))
            hdus[-1].header["BUNIT"] = ("adu", "taken off every frame")
            if name == "GLOW":
                hdus[-1].header["BLOCK"] = (pattern.block, "[pix] side of a block")
    return hdus


def read_pattern(path: Path) -> Pattern:
    """Read what `pattern_hdus` gave; an empty pattern where the file holds none.

    Raises
    ------
    InputError
        Where it is no file of defects.
    """
    try:
        with fits.open(path, memmap=False) as hdus:
            parts = {f: np.asarray(hdus[n].data, np.float32) for n, f in _PARTS.items() if n in hdus}
            return Pattern(block=int(hdus["GLOW"].header["BLOCK"]) if "GLOW" in hdus else 0, **parts)
    except FileNotFoundError:
        raise InputError(f"{shown(path)}: there is no such file; run dark first") from None
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{shown(path)}: not a defect map; run 'dark scene' again") from error
