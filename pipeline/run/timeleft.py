"""How much of a run is left, from what its jobs cost against one another."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.run.telling import duration

# What a job costs, s: (a megapixel, a frame, a job). Wall time of two cores that have other work besides: 24-megapixel
# frames hold their ratios to one another, 49 runs of frames of 0.5 to 2.3 megapixels what is spent on frames and jobs
# of any size. Only the time left depends on it.
COSTS = {
    "decode": (0.025, 0.01, 0.5),
    "decode_calibration": (0.025, 0.01, 0.5),
    "grade": (0.01, 0.2, 0.4),
    "judge": (0.0, 0.13, 0.3),
    "judge_by_hand": (0.0, 0.0, 0.3),
    "dark_master": (0.012, 0.05, 1.9),
    "dark_scene": (0.006, 0.08, 0.8),
    "register": (0.0, 0.06, 1.8),
    "ground": (0.006, 0.09, 1.3),
    "combine": (0.048, 0.47, 3.2),
    "join": (0.0, 0.0, 0.5),
    "finish": (0.0, 0.0, 3.7),
    "summarise": (0.0, 0.0, 0.6),
}
# The costs count as if so many seconds had gone by them already: a few jobs do not tell how fast the machine is.
BEFORE_S = 8.0
MEGAPIXELS = 24.0  # of frames whose size is not known


@dataclass(frozen=True)
class Job:
    """A job of the engine."""

    rule: str
    name: str


class Left:
    """How much work is left, by what it costs, and the time that it will take.

    Parameters
    ----------
    pending : jobs to do
    frames : how many frames there are in each batch, set and scene
    megapixels : of one of them, in each
    """

    def __init__(self, pending: Sequence[Job], frames: Mapping[str, int], megapixels: Mapping[str, float]) -> None:
        self._frames, self._megapixels = frames, megapixels
        self._waiting = {job: self._cost(job) for job in pending}
        self._total = sum(self._waiting.values())
        self._begun = time.monotonic()

    def _cost(self, job: Job) -> float:
        a_megapixel, a_frame, a_job = COSTS[job.rule]
        size = self._megapixels.get(job.name, MEGAPIXELS)
        return (a_megapixel * size + a_frame) * self._frames.get(job.name, 0) + a_job

    def finished(self, job: Job) -> None:
        """Count a job as done."""
        # what stays for another run is decoded by another rule than was told beforehand
        alike = [each for each in self._waiting if (each.name, _step(each.rule)) == (job.name, _step(job.rule))]
        done = {job} if job in alike else set(alike)
        self._waiting = {each: cost for each, cost in self._waiting.items() if each not in done}

    def phrase(self, running: Sequence[dict[str, Any]]) -> str:
        """The share that is done and, where it can be told yet, the time that is left.

        Parameters
        ----------
        running : what the jobs at work tell of themselves (`console.Progress`)
        """
        told = {(job["step"], job["name"]): job["done"] / max(1, job["total"]) for job in running}
        waiting = list(self._waiting.items())  # jobs are counted as done from another thread
        left = sum(cost * (1 - told.get((_step(job.rule), job.name), 0.0)) for job, cost in waiting)
        done = self._total - left
        share = min(done / self._total, 0.99) if self._total else 0.0
        elapsed = time.monotonic() - self._begun
        if share < 0.03 or elapsed < 5:
            return f"{100 * share:.0f} % of all"
        return f"{100 * share:.0f} % of all, about {duration((elapsed + BEFORE_S) / (done + BEFORE_S) * left)} left"


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
