"""How much of a run is left, from what its jobs cost against one another."""

from __future__ import annotations

import re
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.telling import duration

# What a job costs against decoding one frame: (a frame, a job). Measured on the example and on 24-megapixel frames;
# only the time left depends on it.
COSTS = {
    "decode": (1.0, 0.5),
    "decode_calibration": (1.0, 0.5),
    "grade": (1.0, 0.5),
    "judge": (0.05, 1.0),
    "dark_master": (0.3, 0.5),
    "dark_scene": (0.2, 0.5),
    "register": (0.05, 1.0),
    "ground": (0.3, 2.0),
    "combine": (1.5, 2.0),
    "join": (0.0, 2.0),
    "finish": (0.0, 6.0),
    "summarise": (0.0, 2.0),
}


@dataclass(frozen=True)
class Job:
    """A job of the engine."""

    rule: str
    name: str


class Left:
    """How much work is left, in units of decoding a frame, and the time that it will take."""

    def __init__(self, pending: Sequence[Job], plan: dict[str, Any]) -> None:
        batches = [b for entry in (*plan["scenes"].values(), *plan["sets"].values()) for b in entry["batches"]]
        scenes = plan["scenes"].values()
        frames = sum(entry["frames"] for entry in scenes)
        self._frames = {
            rule: frames / max(1, len(batches))
            if rule.startswith(("decode", "grade"))
            else frames / max(1, len(scenes))
            for rule in COSTS
        }
        self._total = sum(self._cost(job.rule) for job in pending)
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


def planned_jobs(lines: Iterable[str]) -> list[Job]:
    """Read the jobs that the engine's dry run lists: of each its rule and the batch, set or scene that it works on."""
    jobs, rule = [], ""
    for line in lines:
        if match := re.match(r"(?:local)?rule (\w+):", line):
            rule = match.group(1)
        elif match := re.match(r"\s+wildcards: \w+=(.+)", line):
            if rule in COSTS:
                jobs.append(Job(rule, match.group(1)))
            rule = ""
    return jobs
