"""Numbers and dates as a person reads them; every number carries its unit."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from urllib.parse import quote

UNKNOWN = "not known"
SPACE = "\u202f"  # narrow no-break space between a number and its unit
MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
# px: 300 stars at a signal-to-noise of 30 tell a motion of 1 px to 0.06 (tests/accuracy.py), its square hence to 0.12.
MOTION_TOLD = 0.3
UNITS = {
    "electron / s": "e⁻/s",
    "adu / s": "ADU/s",
    "electron": "e⁻",
    "adu": "ADU",
    "mag / arcsec2": "mag/arcsec²",
    "arcsec": "″",
    "deg": "°",
    "pix": "px",
    "pixel": "px",
    "deg_C": "°C",
}


def unit_words(unit: str | None) -> str:
    """A unit as printed: `electron / s` becomes `e⁻/s`."""
    if not unit:
        return ""
    return UNITS.get(unit, UNITS.get(unit.lower(), unit))


def number(value: Any, unit: str | None = None, digits: int = 3, decimals: int | None = None) -> str:
    """A number with its unit, to `digits` significant digits (never fewer than the whole part) or fixed `decimals`."""
    if value is None or isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return UNKNOWN
    if decimals is None:
        whole = 0 if value == 0 else math.floor(math.log10(abs(value))) + 1
        decimals = 0 if isinstance(value, int) else max(0, min(digits - whole, 6))
    text = f"{value:,.{decimals}f}".replace(",", SPACE).replace("-", "\u2212")
    words = unit_words(unit)
    joint = "" if words in ("″", "°", "×") else SPACE
    return f"{text}{joint}{words}" if words else text


def setting(value: Any, unit: str | None = None) -> str:
    """A number that was set, not measured: no zeros after its last digit (`13 s`, `f/2.8`, `1/60 s` as `0.0167 s`)."""
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not math.isfinite(value):
        return UNKNOWN
    rounded = float(f"{value:.3g}") if abs(value) < 1000 else round(float(value))
    decimals = max(0, -Decimal(repr(float(rounded))).normalize().as_tuple().exponent)  # type: ignore[operator]
    return number(float(rounded), unit, decimals=decimals)


def percent(share: Any, decimals: int = 1) -> str:
    """A share as per cent."""
    return UNKNOWN if not isinstance(share, (int, float)) else number(100.0 * share, "%", decimals=decimals)


def motion(value: Any, unit: str | None = None, **form: int) -> str:
    """A motion as star shapes show it; below what they tell, that alone is said."""
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return "–"
    return f"< {number(MOTION_TOLD, unit, decimals=1)}" if value < MOTION_TOLD else number(value, unit, **form)


def duration(seconds: Any) -> str:
    """A time span: `45 s`, `2 min 15 s`, `12 min`, `1 h 05 min`."""
    if not isinstance(seconds, (int, float)) or not math.isfinite(seconds):
        return UNKNOWN
    if seconds < 90:
        return setting(seconds, "s")
    if seconds < 600:
        minutes, rest = divmod(round(seconds), 60)
        return number(minutes, "min") + (f"{SPACE}{rest:02d}{SPACE}s" if rest else "")
    minutes = round(seconds / 60)
    return number(minutes, "min") if minutes < 60 else f"{minutes // 60}{SPACE}h {minutes % 60:02d}{SPACE}min"


def moment(taken: Any) -> datetime | None:
    """Read an ISO 8601 time; None where it is none."""
    if not isinstance(taken, str):
        return None
    try:
        return datetime.fromisoformat(taken).replace(tzinfo=None)
    except ValueError:
        return None


def day(when: datetime | None) -> str | None:
    """`14 August 2026`."""
    return None if when is None else f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def night(evening: datetime) -> str:
    """`night of 14 to 15 August 2026`: frames after midnight bear the second date."""
    morning = evening + timedelta(days=1)
    parts = [str(evening.day)]
    parts += [MONTHS[evening.month - 1]] if evening.month != morning.month else []
    parts += [str(evening.year)] if evening.year != morning.year else []
    return f"night of {' '.join(parts)} to {day(morning)}"


def sentence(text: Any) -> str:
    """A text from elsewhere as a sentence: a capital first, a full stop last."""
    text = str(text).strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")


def file_size(size: int | None) -> str:
    """A size in bytes as `12.3 MB`; empty where it is None or negative."""
    if size is None or size < 0:
        return ""
    for unit, scale in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if size >= scale:
            return number(size / scale, unit)
    return number(size, "bytes")


def count(n: int, word: str, plural: str | None = None) -> str:
    """`1 frame`, `12 frames`."""
    return f"{number(n)}{SPACE}{word if n == 1 else plural or word + 's'}"


def coordinates(ra_deg: Any, dec_deg: Any) -> str:
    """Right ascension in hours and minutes, declination in degrees and minutes."""
    if not isinstance(ra_deg, (int, float)) or not isinstance(dec_deg, (int, float)):
        return UNKNOWN
    minutes = round(ra_deg % 360 * 4) % 1440
    arc = round(abs(dec_deg) * 60)
    sign = "\u2212" if dec_deg < 0 and arc else "+"
    return f"{minutes // 60:02d}ʰ{minutes % 60:02d}ᵐ, {sign}{arc // 60:02d}°{arc % 60:02d}′"


def link(*parts: str) -> str:
    """A relative address of path parts, percent-encoded; `./` in front so that no name can pose as a scheme."""
    return "./" + "/".join(quote(part.encode("utf-8", "surrogateescape"), safe="") for part in parts)
