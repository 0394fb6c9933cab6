"""How much of a run is left."""

import pytest

from pipeline.run import timeleft
from pipeline.run.night import _phrase
from pipeline.run.timeleft import Job, JobLines, Left

SAID = """
[Wed Nov 25 09:36:07 2026]
localrule decode_calibration:
    input: work/plan/batches/dark_a.json
    jobid: 18
    reason: Missing output files: work/mosaics/dark_a
    wildcards: batch=dark_a
rule combine:
    jobid: 3
    wildcards: scene=2026-08-14_24mm_a
localrule all:
    jobid: 0
Finished jobid: 18 (Rule: decode_calibration)
Finished jobid: 0 (Rule: all)
"""


def test_jobs_are_read_from_what_the_engine_says():
    """Every job's rule and what it works on; a rule of no job counts for nothing."""
    lines = JobLines()
    ended = [job for line in SAID.splitlines() if (job := lines.read(line))]
    assert list(lines.begun.values()) == [Job("decode_calibration", "dark_a"), Job("combine", "2026-08-14_24mm_a")]
    assert ended == [Job("decode_calibration", "dark_a")]


def test_the_time_left_follows_what_is_done(monkeypatch):
    """Finished jobs and what running jobs tell of themselves count by what they cost; none is said too early."""
    clock = [100.0]
    monkeypatch.setattr(timeleft.time, "monotonic", lambda: clock[0])
    monkeypatch.setattr(timeleft, "COSTS", {"decode": (0.25, 0.5, 0.0), "combine": (0.0, 3.0, 0.0)})
    left = Left([Job("decode", "b"), Job("combine", "s")], {"b": 10, "s": 10}, {"b": 2.0, "s": 2.0})
    assert left.phrase([]) == "0 % of all"
    clock[0] += 20
    left.finished(Job("decode", "b"))
    assert left.phrase([]) == "25 % of all, about 47 s left"
    clock[0] += 30
    half = {"step": "combine", "name": "s", "done": 5, "total": 10}
    assert left.phrase([half]) == "62 % of all, about 26 s left"


@pytest.mark.parametrize("rule", timeleft.COSTS)
def test_every_rule_is_one_of_a_step(rule):
    """What a job of the rule tells of itself is found under the step's name."""
    told = {"step": rule.partition("_")[0], "name": "x", "done": 1, "total": 1}
    left = Left([Job(rule, "x"), Job("combine", "y")], {"x": 0, "y": 0}, {})
    assert left.phrase([told]) != left.phrase([])


def test_what_stays_is_decoded_by_another_rule():
    """Darks that were told as those whose mosaics go count as done when the other rule has decoded them."""
    left = Left([Job("decode_calibration", "d"), Job("combine", "s")], {"d": 10, "s": 10}, {})
    before = left.phrase([])
    left.finished(Job("decode", "d"))
    assert left.phrase([]) != before


def test_verdicts_by_hand_are_a_job_of_their_own():
    """They are of the same step and scene as the verdicts that they follow."""
    left = Left([Job("judge", "s"), Job("judge_by_hand", "s")], {"s": 30}, {})
    left.finished(Job("judge", "s"))
    assert list(left._waiting) == [Job("judge_by_hand", "s")]


def test_a_few_quick_jobs_do_not_make_the_guess(monkeypatch):
    """Planted: jobs that take what they cost, but for the first, which takes six times as long (a machine that wakes
    up): the guess is off by less than two times, where the share that is done alone says six times too much."""
    clock = [0.0]
    monkeypatch.setattr(timeleft.time, "monotonic", lambda: clock[0])
    monkeypatch.setattr(timeleft, "COSTS", {"decode": (0.0, 0.0, 1.0), "combine": (0.0, 0.0, 19.0)})
    left = Left([Job("decode", "b"), Job("combine", "s")], {}, {})
    clock[0] += 6
    left.finished(Job("decode", "b"))
    assert left.phrase([]) == "5 % of all, about 30 s left"


def test_small_frames_cost_more_of_a_job_than_their_pixels():
    """Sixteen times fewer pixels (24 and 1.5 megapixels) take more than a sixteenth, less than all (measured)."""
    small, large = (Left([Job("combine", "s")], {"s": 30}, {"s": size})._total for size in (1.5, 24.0))
    assert large / 16 < small < large / 2


def test_what_counts_frames_and_then_parts_is_told_in_per_cent():
    """Frames that are decoded are counted; of a picture half done it says half, whatever was counted to get there, and
    never more than all."""

    def job(step: str, done: float, total: int) -> dict[str, object]:
        return {"step": step, "done": done, "total": total, "note": ""}

    told = _phrase([job("decode", 3, 16), job("decode", 2, 4), job("combine", 18.0, 36)], "a")
    assert told == "scene a: decoding frames, 5 of 20; combining, 50\u202f%"
    assert _phrase([job("ground", 9, 6)], None) == "looking for ground, 100\u202f%"
