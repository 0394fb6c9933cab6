"""Which frames of a run show which field, where the camera goes to and fro between several."""

from __future__ import annotations

import itertools
from collections.abc import Callable

# So few frames between others of the same pointing, or of a field seen at one time alone, were kicked or hit by cloud,
# not re-aimed.
STRAY_FRAMES = 3


def by_fields(number: int, tells: Callable[[int], bool], alike: Callable[[int, int], float]) -> list[list[int]] | None:
    """The frames of each field, by their places in the run.

    Parameters
    ----------
    number : of frames
    tells : whether a frame shows where it points
    alike : what an earlier frame and a later one have in common where they are of one pointing; else 0

    Returns
    -------
    list of sorted lists of places, every frame in one of them; None where no field is seen again once it was left
    """
    fields: list[list[int]] = []
    shown: dict[int, int] = {}
    for n in filter(tells, range(number)):
        common = [alike(field[-1], n) for field in fields]
        if not common or max(common) <= 0:
            common.append(1.0)
            fields.append([])
        shown[n] = common.index(max(common))
        fields[shown[n]].append(n)
    in_turn = [field for field, _ in itertools.groupby(shown.values())]
    again = [k for k in range(len(fields)) if in_turn.count(k) > 1]
    if not again:
        return None
    told = {n: k for n, k in shown.items() if k in again or len(fields[k]) > STRAY_FRAMES}
    result: dict[int, list[int]] = {}
    for n in range(number):
        # the camera comes round at its pace: what cloud hides is where it was one round before or after
        near = n if n in told else min(told, key=lambda k: (abs(k - n) != len(again), abs(k - n), k))
        result.setdefault(told[near], []).append(n)
    return list(result.values())
