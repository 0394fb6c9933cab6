"""What a scene's page says of the colours of its TIFF."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.pages.placed import Facts
from pipeline.pages.words import UNKNOWN, count, number, percent

LEAST_SHARE = 1e-5  # of the pixels, printed to a thousandth of a per cent
OF_COLOURS = ("white balance", "colour matrix")  # what a monochrome sensor has none of
CODES_LOW = 3.0  # fewer 16-bit codes a sigma than this would show as steps after strong editing


def colour_sentence(finish: Mapping[str, Any]) -> str:
    """What the TIFF holds, and whether its codes are fine enough for strong curves."""
    if not finish:
        return "No picture was finished, so no colour was chosen."
    low = min([code for code in finish.get("codes_per_sigma") or [] if code is not None], default=0.0)
    text = (
        f"The TIFF holds linear light in {finish.get('space')} through the curve of its embedded profile. One sigma "
        f"of its noise "
        f"spans {number(low, digits=2)} or more of 65{chr(0x202F)}536 codes at the sky's level"
    )
    text += (
        ", so that strong curves show no steps."
        if low >= CODES_LOW
        else ", which strong curves may show as steps: edit in 32 bits from combined.fits instead."
    )
    return text


def _small_share(share: Any) -> str:
    """A share of which a few pixels are not printed as none."""
    few = isinstance(share, (int, float)) and 0 < share < LEAST_SHARE / 2
    return f"less than {percent(LEAST_SHARE, 3)}" if few else percent(share, 3)


def colour_facts(finish: Mapping[str, Any]) -> Facts:
    """Colour space, white, sky, pedestal and saturated stars of the finished TIFF."""
    if not finish:
        return []
    codes = finish.get("codes_per_sigma") or []
    balance = finish.get("white_balance") or []
    unit = finish.get("unit") or "adu"
    rgb = ("",) if finish.get("mono") else ("red ", "green ", "blue ")
    cores = finish.get("saturated_cores")
    facts = [
        ("colour space", f"{finish.get('space')}, white {finish.get('white_point')}: {finish.get('space_why')}"),
        ("transfer curve", str(finish.get("transfer_curve"))),
        (
            "white balance",
            ", ".join(f"{c}{number(b, '×', decimals=3)}" for c, b in zip(rgb, balance, strict=False))
            + f"; {finish.get('white_balance_from')}",
        ),
        ("colour matrix", str(finish.get("matrix_from"))),
        ("white", f"{number(finish.get('white_level'), unit, digits=5)}: {finish.get('white_level_from')}"),
        (
            "held at white",
            f"{_small_share(finish.get('held_at_white_share'))} of the pixels: brighter than white"
            + ("" if finish.get("mono") else ", drawn down with their colour kept"),
        ),
        (
            "sky",
            "kept as it is, gradient and all; codes "
            + ", ".join(f"{c}{number(v)}" for c, v in zip(rgb, finish.get("sky_code") or [], strict=False))
            + f" of 65{chr(0x202F)}535",
        ),
        (
            "pedestal",
            (
                f"{percent(finish.get('pedestal'), 3)} of white, so that no noise is cut off at black"
                if finish.get("pedestal")
                else "none needed: the sky itself keeps the noise clear of black"
            )
            + f"; {count(int(finish.get('below_black_pixels') or 0), 'pixel')} below black",
        ),
        (
            "16-bit codes a sigma",
            ", ".join(f"{c}{number(v, digits=3)}" for c, v in zip(rgb, codes, strict=False))
            + f" ({finish.get('noise_from')})",
        ),
        ("saturated stars", f"{number(cores)} {finish.get('saturated_cores_how')}" if cores is not None else UNKNOWN),
        ("orientation", str(finish.get("orientation_how"))),
    ]
    if finish.get("mono"):
        facts = [fact for fact in facts if fact[0] not in OF_COLOURS]
    return facts
