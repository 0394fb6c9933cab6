"""Advice on focus and lens."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from pipeline.pages.advicebase import Advice, value_of, were
from pipeline.pages.words import count, number

FWHM_SOFT_PX = 3.6  # stars wider than this at the middle of the scene mean focus, haze or a lens wide open
# Stars in the corners so many times as wide as in the middle are worth a word, if they are no wider than in single
# frames by more than this; from this aperture on a lens is stopped down already.
WIDE_CORNERS, PLACED_WELL, STOPPED_DOWN = 1.5, 1.1, 5.6
# Stars that move by more than this in an exposure may owe their width in the corners to that, px.
MOTION_SEEN_PX = 1.0
SHARE_SEEN = 0.05  # a reason that costs this share of the frames is worth a sentence


def width_at_rest(figures: Mapping[str, Any]) -> float | None:
    """FWHM of the frames' stars, px, without what they move during an exposure.

    A uniform motion L adds L^2/12 to the second moment along it, and half of that to the mean of both axes; a FWHM
    squared is 8 ln 2 times a Gaussian's second moment. 0 where stars are no wider than that.
    """
    width, moved = value_of(figures, "fwhm_px_frames"), value_of(figures, "motion_px") or 0.0
    if width is None:
        return None
    return math.sqrt(max(width**2 - 8 * math.log(2) * moved**2 / 24, 0.0))


def focus(figures: Mapping[str, Any], reasons: Mapping[str, int], found: int) -> list[Advice]:
    """Frames out of focus, and stars that are wide in all of them."""
    soft, width = reasons.get("out of focus", 0), width_at_rest(figures)
    # dew makes stars wide as well
    soft -= sum(e.get("frames_set_aside") or 0 for e in figures.get("sky_events") or [] if e["cause"] == "dew")
    kept_soft = figures.get("soft_kept")
    if isinstance(kept_soft, Mapping):
        n, of = int(kept_soft["frames"]), int(figures.get("frames_kept") or 0)
        which = "The frame" if of == 1 else f"{number(n)} of the {number(of)} frames"
        return [
            Advice(
                "Leave the soft frames out",
                f"{which} kept {'is' if n == 1 else 'are'} out of focus, with stars up to "
                f"{number(kept_soft['times'], '×', digits=2)} as wide as in the scene's sharpest frame: that is why "
                f"the picture's stars are wide. Name {'it' if n == 1 else 'them'} under drop: in trip.yaml and run "
                "again.",
                outdoors=False,
            )
        ]
    if found and soft / found >= SHARE_SEEN:
        return [
            Advice(
                "Check the focus more often",
                f"{count(soft, 'frame')} of {number(found)} {were(soft)} out of focus. Focus anew on a bright star "
                "every half hour and whenever it gets colder; a strip of tape holds the ring, a warm band keeps dew "
                "off.",
            )
        ]
    if width is not None and width > FWHM_SOFT_PX:
        return [
            Advice(
                "Sharper stars",
                f"The stars are {number(width, 'px')} wide in the frames kept, their motion taken out. Focus at the "
                f"highest magnification "
                f"on a bright star, "
                "and try the lens one stop down.",
            )
        ]
    return []


def corners_of(figures: Mapping[str, Any]) -> list[Advice]:
    """A lens that draws stars wide in the corners, if it is that: what placing frames does there, single ones lack."""
    middle, corners, long, ratio, aperture = (
        value_of(figures, key)
        for key in ("fwhm_px_middle", "fwhm_px_corners", "elongation_corners", "size_ratio_corners", "f_number")
    )
    if not middle or not corners or not long or corners < WIDE_CORNERS * middle or (ratio or 1) > PLACED_WELL:
        return []
    # the sky's own motion draws stars longer in the corners of a wide lens, in each frame too
    moved = max(value_of(figures, "motion_px") or 0.0, value_of(figures, "motion_expected_px") or 0.0)
    if moved >= MOTION_SEEN_PX or (aperture is not None and aperture >= STOPPED_DOWN):
        return []
    at = "" if aperture is None else f" at f/{aperture:g}"
    return [
        Advice(
            "Stars in the corners",
            f"In the corners stars are {number(corners, 'px')} wide, {number(corners / middle, '×', digits=2)} as wide "
            f"as in the middle, and {number(long, '×', digits=2)} as long as wide, in each single frame too: the lens "
            f"draws them so{at}. A stop or two down makes them smaller there, for less light in every frame; or leave "
            "the outermost part out of the picture.",
        )
    ]
