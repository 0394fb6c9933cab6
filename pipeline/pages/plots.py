"""Plots as SVG text: pure functions, no library, colours from the page's style sheet (light and dark alike).

Kept frames are filled discs, set aside ones hollow diamonds: told apart without colour.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape


@dataclass(frozen=True)
class Point:
    """One frame in a plot; `label` is shown when the pointer rests on it."""

    x: float
    y: float
    kept: bool
    label: str


@dataclass(frozen=True)
class Panel:
    """One figure over time: its points, the least range that it is drawn over (smaller differences mean nothing), and a
    dashed level with its name where there is something to compare with."""

    name: str
    unit: str
    points: Sequence[Point]
    least: float
    level: float | None = None
    level_name: str = ""


WIDTH = 720
ROOM = 3.0  # times the kept frames' range, on either side
LEFT, RIGHT = 58, 14
PANEL_HEIGHT, GAP, BOTTOM, HEAD = 108, 30, 40, 24


def ticks(low: float, high: float, wanted: int = 4) -> list[float]:
    """Round numbers (1, 2, 2.5 or 5 times a power of ten apart) that lie within low..high, about `wanted` of them."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return [low] if math.isfinite(low) else []
    raw = (high - low) / max(1, wanted)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next((m * power for m in (1, 2, 2.5, 5, 10) if m * power >= raw * (1 - 1e-9)), 10 * power)
    first = math.ceil(low / step - 1e-9)
    return [round(n * step, 12) for n in range(first, math.floor(high / step + 1e-9) + 1)]


def tick_text(value: float) -> str:
    """A tick's number without needless zeros."""
    text = f"{value:.6g}"
    return text.replace("-", "\u2212")


def _mark(x: float, y: float, kept: bool, label: str) -> str:
    text = f"<title>{escape(label)}</title>"
    if kept:
        return f'<circle class="kept" cx="{x:.1f}" cy="{y:.1f}" r="2.8">{text}</circle>'
    return (
        f'<path class="aside" d="M{x:.1f} {y - 4.6:.1f}L{x + 4.6:.1f} {y:.1f}L{x:.1f} {y + 4.6:.1f}L{x - 4.6:.1f} '
        f'{y:.1f}Z">'
        f"{text}</path>"
    )


def over_time(panels: Sequence[Panel], x_name: str) -> Markup:
    """Panels under one another over a shared horizontal axis.

    The vertical range holds every kept frame; set aside frames beyond `ROOM` times that range are drawn at its edge.
    """
    panels = [panel for panel in panels if panel.points]
    if not panels:
        return Markup("")
    xs = [point.x for panel in panels for point in panel.points]
    x_low, x_high = min(xs), max(xs)
    if x_high <= x_low:
        x_low, x_high = x_low - 0.5, x_high + 0.5
    spread = (x_high - x_low) * 0.02
    x_low, x_high = x_low - spread, x_high + spread
    height = HEAD + len(panels) * (PANEL_HEIGHT + GAP) - GAP + BOTTOM
    inner = WIDTH - LEFT - RIGHT

    def across(x: float) -> float:
        return LEFT + (x - x_low) / (x_high - x_low) * inner

    names = ", ".join(panel.name for panel in panels)
    parts = [
        f'<svg class="plot" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(names)} of every frame '
        f'over time">'
    ]
    for n, panel in enumerate(panels):
        top = HEAD + n * (PANEL_HEIGHT + GAP)
        low, high = _range(panel)

        def down(y: float, top: float = top, low: float = low, high: float = high) -> float:
            return top + PANEL_HEIGHT * (1 - (min(max(y, low), high) - low) / (high - low))

        unit = f" ({panel.unit})" if panel.unit else ""
        parts.append(f'<text class="name" x="{LEFT}" y="{top - 7}">{escape(panel.name + unit)}</text>')
        few = ticks(low, high, 3)
        for tick in few if len(few) > 1 else ticks(low, high, 6):  # one alone gives no scale
            y = down(tick)
            parts.append(f'<line class="grid" x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}"/>')
            parts.append(
                f'<text class="tick" x="{LEFT - 7}" y="{y + 4:.1f}" text-anchor="end">{tick_text(tick)}</text>'
            )
        if panel.level is not None and low <= panel.level <= high:
            y = down(panel.level)
            parts.append(f'<line class="level" x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}"/>')
            parts.append(
                f'<text class="tick" x="{WIDTH - RIGHT}" y="{top - 7}" text-anchor="end">'
                f"- - {escape(panel.level_name)}</text>"
            )
        marks = sorted(panel.points, key=lambda point: not point.kept)
        parts += [_mark(across(p.x), down(p.y), p.kept, p.label) for p in marks]
    base = height - BOTTOM
    parts.append(f'<line class="axis" x1="{LEFT}" y1="{base + 4}" x2="{WIDTH - RIGHT}" y2="{base + 4}"/>')
    for tick in ticks(x_low, x_high, 6):
        x = across(tick)
        parts.append(f'<text class="tick" x="{x:.1f}" y="{base + 18}" text-anchor="middle">{tick_text(tick)}</text>')
    parts.append(
        f'<text class="tick" x="{LEFT + inner / 2:.0f}" y="{height - 6}" '
        f'text-anchor="middle">{escape(x_name)}</text></svg>'
    )
    return Markup("".join(parts))


def _range(panel: Panel) -> tuple[float, float]:
    sound = [p.y for p in panel.points if p.kept] or [p.y for p in panel.points]
    low, high = min(sound), max(sound)
    if panel.level is not None:
        low, high = min(low, panel.level), max(high, panel.level)
    lowest = 0.0 if low >= 0 else -math.inf
    missing = max(panel.least - (high - low), 0.0)
    low = max(low - missing / 2, lowest)
    high = max(high, low + panel.least)
    span = high - low
    everything = [p.y for p in panel.points]
    low = min(low, max(min(everything), low - ROOM * span))
    high = max(high, min(max(everything), high + ROOM * span))
    margin = 0.06 * (high - low)
    return max(low - margin, lowest), high + margin


def noise_curve(curve: Sequence[tuple[float, float]], frame_noise: float, unit: str) -> Markup:
    """Noise against the number of frames on logarithmic axes, with 1/sqrt(N) from the noise of one frame.

    Parameters
    ----------
    curve : sequence of (number of frames, noise)
    frame_noise : float
        Noise of one frame, where the line of theory begins.
    unit : str
    """
    points = [(n, noise) for n, noise in curve if n >= 1 and noise > 0]
    if not points or frame_noise <= 0:
        return Markup("")
    n_max = max(2.0, max(n for n, _ in points))
    low = min(min(noise for _, noise in points), frame_noise / math.sqrt(n_max)) / 1.25
    high = max(max(noise for _, noise in points), frame_noise) * 1.25
    height, base = 330, 290
    inner = WIDTH - LEFT - RIGHT

    def across(n: float) -> float:
        return LEFT + math.log(n) / math.log(n_max * 1.06) * inner

    def down(noise: float) -> float:
        return HEAD + (base - HEAD) * math.log(high / noise) / math.log(high / low)

    parts = [
        f'<svg class="plot" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="Noise against the number of frames">'
    ]
    parts.append(f'<text class="name" x="{LEFT}" y="15">noise ({escape(unit)})</text>')
    parts.append(
        f'<text class="tick" x="{WIDTH - RIGHT}" y="15" text-anchor="end">- - one frame\u2019s noise / \u221aN'
        "&#160;&#160; \u25cf measured</text>"
    )
    for tick in _log_ticks(low, high):
        y = down(tick)
        parts.append(f'<line class="grid" x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}"/>')
        parts.append(f'<text class="tick" x="{LEFT - 7}" y="{y + 4:.1f}" text-anchor="end">{tick_text(tick)}</text>')
    for tick in [t for t in _log_ticks(1.0, n_max) if float(t).is_integer()]:
        x = across(tick)
        parts.append(f'<line class="grid" x1="{x:.1f}" y1="{HEAD}" x2="{x:.1f}" y2="{base}"/>')
        parts.append(f'<text class="tick" x="{x:.1f}" y="{base + 17}" text-anchor="middle">{tick_text(tick)}</text>')
    parts.append(
        f'<line class="level" x1="{across(1):.1f}" y1="{down(frame_noise):.1f}" x2="{across(n_max):.1f}" '
        f'y2="{down(frame_noise / math.sqrt(n_max)):.1f}"/>'
    )
    line = " ".join(f"{across(n):.1f},{down(noise):.1f}" for n, noise in points)
    parts.append(f'<polyline class="curve" points="{line}"/>')
    for n, noise in points:
        text = f"{tick_text(n)} frames: {noise:.4g} {unit}"
        parts.append(_mark(across(n), down(noise), True, text))
    parts.append(
        f'<text class="tick" x="{LEFT + inner / 2:.0f}" y="{height - 4}" text-anchor="middle">frames combined '
        f"(N)</text></svg>"
    )
    return Markup("".join(parts))


def _log_ticks(low: float, high: float) -> list[float]:
    powers = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    found: list[float] = []
    for steps in ((1, 2, 5), range(1, 10)):  # one tick alone gives no scale
        every = (m * 10.0**power for power in powers for m in steps)
        found = [round(t, 12) for t in every if low * (1 - 1e-9) <= t <= high * (1 + 1e-9)]
        if len(found) > 1:
            break
    return found
