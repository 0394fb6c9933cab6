"""How much of a run is left, from what its jobs cost against one another."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Iterable
from typing import Any

from pipeline.telling import duration

# What a job costs against decoding one frame: (a frame, a job). Measured on the example and on 24-megapixel frames;
# only the time left depends on it.
COSTS = {
    "decode": (1.0, 0.5),
    "grade": (1.0, 0.5),
    "judge": (0.05, 1.0),
    "dark_master": (0.3, 0.5),
    "dark_scene": (0.2, 0.5),
    "register": (0.05, 1.0),
    "combine": (1.5, 2.0),
    "finish": (0.0, 6.0),
    "summarise": (0.0, 2.0),
}


class Left:
    """How much work is left, in units of decoding a frame, and the time that it will take."""

    def __init__(self, pending: Counter[str], plan: dict[str, Any]) -> None:
        batches = [b for entry in (*plan["scenes"].values(), *plan["sets"].values()) for b in entry["batches"]]
        scenes = plan["scenes"].values()
        frames = sum(entry["frames"] for entry in scenes)
        self._frames = {
            rule: frames / max(1, len(batches)) if rule in ("decode", "grade") else frames / max(1, len(scenes))
            for rule in COSTS
        }
        self._total = sum(self._cost(rule) * count for rule, count in pending.items())
        self._done = 0.0
        self._begun = time.monotonic()

    def _cost(self, rule: str) -> float:
        a_frame, a_job = COSTS.get(rule, (0.0, 0.0))
        return a_frame * self._frames.get(rule, 0.0) + a_job

    def finished(self, rule: str) -> None:
        self._done += self._cost(rule)

    def phrase(self, jobs: list[dict[str, Any]]) -> str:
        part = sum(self._cost(j["step"]) * j["done"] / max(1, j["total"]) for j in jobs)
        done = min(self._done + part, self._total * 0.99)
        share = done / self._total if self._total else 0.0
        elapsed = time.monotonic() - self._begun
        if share < 0.03 or elapsed < 5:
            return f"{share:.0%} of all"
        return f"{share:.0%} of all, about {duration(elapsed * (1 - share) / share)} left"


def job_counts(lines: Iterable[str]) -> Counter[str]:
    """Read the engine's table of jobs: a rule and a number a line."""
    counts: Counter[str] = Counter()
    for line in lines:
        match = re.fullmatch(r"(\w+)\s+(\d+)", line.strip())
        if match and match.group(1) in COSTS:
            counts[match.group(1)] = int(match.group(2))
    return counts
