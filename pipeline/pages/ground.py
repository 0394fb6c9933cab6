"""What a scene's page and figures say of its ground."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.pages.words import number, percent
from pipeline.pixels.noise import noise_error

KEYS = (
    "found",
    "share",
    "confidence",
    "why",
    "how",
    "frames",
    "frames_left_out",
    "noise_frame",
    "noise_combined",
    "noise_expected",
    "noise_ratio",
    "noise_blocks",
)


def ground_figures(ground: Mapping[str, Any], joined: Mapping[str, Any]) -> dict[str, Any] | None:
    """The key `ground` of scene.json from ground.json and join.json; None where nobody has looked for ground."""
    if "found" not in ground:
        return None
    hold = ground.get("hold")
    return {
        **{key: ground.get(key) for key in KEYS},
        "camera_stood": hold.get("kind") if isinstance(hold, Mapping) else None,
        "sky_never_seen_px": joined.get("sky_never_seen_px"),
        "level_step": joined.get("level_step"),
        "moving": _range(ground.get("moving")),
        "frames_lit_otherwise": len(ground.get("lit_otherwise") or ()),
    }


def _range(moving: Any) -> list[float] | None:
    """Least and most of a frame that is land, where it moves through the picture."""
    shares = moving.get("shares") if isinstance(moving, Mapping) else None
    return [min(shares.values()), max(shares.values())] if isinstance(shares, Mapping) and shares else None


def ground_sentence(ground: Mapping[str, Any] | None) -> str:
    """Whether the scene has ground, how that was told, and what was made of it."""
    if ground is None:
        return "Ground was not looked for."
    why = str(ground.get("why") or "").rstrip(".")
    moving = ground.get("moving")
    hidden = ""
    if moving:
        hidden = (
            f"Land moves through the picture, {percent(moving[0], 1)} to {percent(moving[1], 1)} of a frame, and is "
            "left out of each. "
        )
    if not ground["found"]:
        return f"{hidden}The reference frame shows no ground: {why}." if hidden else f"No ground: {why}."
    text = f"{hidden}{percent(ground.get('share'), 1)} of the picture is ground: {why}."
    return (
        f"{text} Its picture was made {ground.get('how')}, without what moved over it (a carried lamp, stars mirrored "
        "in water), and joined to the sky in linear light: composite.tif. The sky beside it counts only those frames "
        "in which that part was sky."
    )


def ground_facts(ground: Mapping[str, Any] | None) -> list[tuple[str, str]]:
    """Names and values below the sentence."""
    if ground is None or not ground["found"]:
        return []
    facts = []
    if ground.get("confidence") is not None:
        facts.append(("confidence of the mask", percent(ground["confidence"], 0)))
    if ground.get("noise_frame") and ground.get("noise_combined"):
        lower = number(ground["noise_frame"] / ground["noise_combined"], "×", digits=3)
        ratio = ground.get("noise_ratio")
        against = f", {number(ratio, '×', decimals=2)} the noise that theory expects" if ratio else ""
        if blocks := ground.get("noise_blocks"):
            against += f"; told from {number(blocks)} blocks, good to about {percent(noise_error(blocks), 0)}"
        facts.append(("noise of the ground lowered by", f"{lower} ({number(ground.get('frames'))} frames){against}"))
    if left := len(ground.get("frames_left_out") or ()):
        facts.append(("frames of the ground left out", f"{number(left)}: they do not show it as the others do"))
    facts.append(
        (
            "to join by hand",
            "combined.tif is the sky down to where every frame shows land, ground.tif the ground alone, "
            "ground_mask.png where it lies; a mask that you have mended goes into trip.yaml (ground: mask:)",
        )
    )
    return facts
