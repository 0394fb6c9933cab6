"""How much of a run is left, from what its jobs cost against one another."""

from __future__ import annotations

import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.run.telling import duration

# What a job costs, in units of decoding a frame: (a frame, a job). Wall time of two cores, measured on 24-megapixel
# frames; only the time left depends on it.
COSTS = {
    "decode": (1.0, 0.3),
    "decode_calibration": (1.0, 0.3),
    "grade": (0.65, 0.3),
    "judge": (0.1, 1.0),
    "dark_master": (0.5, 1.0),
    "dark_scene": (0.3, 1.0),
    "register": (0.15, 3.0),
    "ground": (0.3, 3.0),
    "combine": (2.8, 6.0),
    "join": (0.0, 1.0),
    "finish": (0.0, 5.0),
    "summarise": (0.0, 1.0),
}


@dataclass(frozen=True)
class Job:
    """A job of the engine."""

    rule: str
    name: str


class Left:
    """How much work is left, in units of decoding a frame, and the time that it will take.

    Parameters
    ----------
    pending : jobs to do
    frames : how many frames there are in each batch, set and scene
    """

    def __init__(self, pending: Sequence[Job], frames: dict[str, int]) -> None:
        self._frames = frames
        self._waiting = {job: self._cost(job) for job in pending}
        self._total = sum(self._waiting.values())
        self._begun = time.monotonic()

    def _cost(self, job: Job) -> float:
        a_frame, a_job = COSTS[job.rule]
        return a_frame * self._frames.get(job.name, 0) + a_job

    def finished(self, job: Job) -> None:
        """Count a job as done."""
        self._waiting.pop(job, None)

    def phrase(self, running: Sequence[dict[str, Any]]) -> str:
        """The share that is done and, where it can be told yet, the time that is left.

        Parameters
        ----------
        running : what the jobs at work tell of themselves (`console.Progress`)
        """
        told = {(job["step"], job["name"]): job["done"] / max(1, job["total"]) for job in running}
        waiting = list(self._waiting.items())  # jobs are counted as done from another thread
        left = sum(cost * (1 - told.get((_step(job.rule), job.name), 0.0)) for job, cost in waiting)
        share = min(1 - left / self._total, 0.99) if self._total else 0.0
        elapsed = time.monotonic() - self._begun
        if share < 0.03 or elapsed < 5:
            return f"{share:.0%} of all"
        return f"{share:.0%} of all, about {duration(elapsed * (1 - share) / share)} left"


def _step(rule: str) -> str:
    """The step that a rule calls."""
    return rule.partition("_")[0]


class JobLines:
    """Reads what the engine says, line by line: the jobs that it begins, or in a dry run lists, and those that end."""

    def __init__(self) -> None:
        self.begun: dict[str, Job] = {}  # by the engine's number
        self._rule = self._number = ""

    def read(self, line: str) -> Job | None:
        """Take in a line; the job that has ended by it."""
        if match := re.match(r"(?:local)?rule (\w+):", line):
            self._rule = match.group(1)
        elif match := re.match(r"\s+jobid: (\d+)", line):
            self._number = match.group(1)
        elif match := re.match(r"\s+wildcards: \w+=(.+)", line):
            if self._rule in COSTS:
                self.begun[self._number] = Job(self._rule, match.group(1))
        elif match := re.match(r"Finished jobid: (\d+) ", line):
            return self.begun.get(match.group(1))
        return None
