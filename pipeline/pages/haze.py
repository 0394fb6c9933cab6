"""Scenes of a trip taken with the same camera and lens, their stars side by side: a night of haze shows by it."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from pipeline.pages.adviceoptics import width_at_rest
from pipeline.pages.words import percent

FIELDS_DIFFER = 0.05  # magnitudes by which the same stars' zero point differs from field to field, their colours mostly
AIR_GUESSED = 0.1  # magnitudes by which clear air may differ where nothing tells how high the field stood
FAINTER = 0.15  # magnitudes, and
SOFT = 1.5  # times the narrowest stars of such scenes: fluxes of stars twice as wide come out 4 % too large, and no
# scene whose frames are all so soft says how clear the others could have been
SURE = 3.0  # standard errors, from which on a scene is called hazy


def hazy_scenes(scenes: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Scenes whose stars came out fainter, under their own clearest sky, than those of another scene of the trip.

    Parameters
    ----------
    scenes : content of scene.json by name

    Returns
    -------
    list
        Of each `scene`, `against` which other, `fainter_mag` and its `error_mag`, a `sentence`.
    """
    alike: dict[tuple[Any, ...], list[tuple[str, float, float, float]]] = defaultdict(list)
    for name, figures in scenes.items():
        zero = figures.get("sky_zero") or {}
        star, error, what = (zero.get(key) for key in ("star_zero", "star_zero_error", "taken_with"))
        if isinstance(star, (int, float)) and isinstance(error, (int, float)) and what:
            guessed = 0.0 if zero.get("zenith") else AIR_GUESSED
            width = width_at_rest(figures) or 0.0
            alike[tuple(what)].append((name, float(star), math.hypot(error, guessed), width))
    told = []
    for group in alike.values():
        narrowest = min((width for *_, width in group if width), default=math.inf)
        best, star, error, _ = max((s for s in group if s[3] <= SOFT * narrowest), key=lambda scene: scene[1])
        for name, own, own_error, _ in group:
            fainter, sigma = star - own, math.hypot(error, own_error, FIELDS_DIFFER)
            if fainter > max(FAINTER, SURE * sigma):
                sentence = (
                    f"{name}: even at its clearest the stars are {fainter:.2f} ± {sigma:.2f} magnitudes fainter than "
                    f"in {best}, taken with the same camera, lens, aperture and ISO; what clear air takes by altitude "
                    f"is counted. Haze or thin cloud in every frame alike, or dew on the lens: "
                    f"{percent(10 ** (-0.4 * fainter), 0)} of the light came through."
                )
                told.append(
                    {
                        "scene": name,
                        "against": best,
                        "fainter_mag": round(fainter, 3),
                        "error_mag": round(sigma, 3),
                        "sentence": sentence,
                    }
                )
    return told
