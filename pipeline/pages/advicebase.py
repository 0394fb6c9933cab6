"""One piece of advice, and what all advice reads of a scene's figures."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Advice:
    """One piece of advice; `outdoors` where it sends somebody out at night again."""

    head: str
    text: str
    outdoors: bool = True


def value_of(figures: Mapping[str, Any], key: str) -> float | None:
    """A figure as a number; None where it is none."""
    value = figures.get(key)
    return (
        float(value)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
        else None
    )


def were(n: int) -> str:
    """The verb for so many."""
    return "was" if n == 1 else "were"
