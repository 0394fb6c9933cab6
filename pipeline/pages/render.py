"""Templates to HTML: everything from outside is escaped by the template engine."""

from __future__ import annotations

from base64 import b64encode
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline import versions

# What a reason means, in a few words.
REASON_MEANINGS = {
    "unreadable": "could not be decoded",
    "damaged": "decodes, but rows are missing or repeated",
    "trailed": "stars longer than the sky's turning explains",
    "out of focus": "stars wider than in the scene's sharp frames",
    "cloud": "stars dimmed, in places or over the whole field, by cloud, haze or dew",
    "bright sky": "sky far above the scene's",
    "underexposed": "hardly any light in the frame",
    "overexposed": "too much of the frame saturated",
    "few stars": "too few stars to judge or place it",
    "not registered": "its stars could not be laid on the others'",
    "different camera or settings": "does not match the rest of the scene",
    "by hand": "named under drop: in trip.yaml",
}


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("pipeline", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def page(template: str, view: dict[str, Any]) -> str:
    """Fill a template of this folder."""
    environment = _environment()
    assert environment.loader is not None
    style = environment.loader.get_source(environment, "style.css")[0]
    return environment.get_template(template).render(view, style=Markup(style), version=versions.moonless()) + "\n"


def picture_data(path: Path) -> str:
    """A JPEG as the address of a picture that stands in the page itself: what is in `work` may be deleted."""
    return "data:image/jpeg;base64," + b64encode(path.read_bytes()).decode("ascii")
