"""Where a camera's clock was set back while it worked: file numbers run on, the time does not."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from pipeline.card.frame import CardFrame, median
from pipeline.card.twins import NUMBERS_APART, beginning_and_number, folder_of

# From a minute on: exposures end and headers are rounded within one. To a day and an hour, a slip of the date
# with summer time; what is more is no clock that was set, but older frames or a battery that was taken out.
LEAST_S, MOST_S = 60.0, 25 * 3600.0
# Frames on either side between which time runs on; files that were renamed in another order have none.
ON_EITHER_SIDE = 3
# A clock is set back once or twice a trip; where times go back oftener the numbers say nothing of time.
TIMES_MOST = 2
# Zones and summer time differ by quarters of an hour; what is nearer to one than this, s, is that.
QUARTER_S, NEAR_S = 900.0, 120.0


def set_back(frames: Sequence[CardFrame]) -> list[CardFrame]:
    """The frames, in their order; those from a frame on before which the clock was set back with their `stretch` and a
    sentence of it."""
    series: dict[tuple[str, str, str], list[CardFrame]] = defaultdict(list)
    for frame in frames:
        if frame.start is not None:
            series[(frame.body, folder_of(frame), beginning_and_number(frame)[0])].append(frame)
    told: dict[str, tuple[int, str]] = {}
    for members in series.values():
        numbered = sorted(members, key=lambda f: (beginning_and_number(f)[1], f.path))
        places = _places(numbered)
        for stretch, (begin, end) in enumerate(itertools.pairwise([*places, len(numbered)]), 1):
            sentence = _sentence(numbered, begin)
            told |= {frame.path: (stretch, sentence) for frame in numbered[begin:end]}
    return [
        replace(frame, stretch=told[frame.path][0], set_back=told[frame.path][1]) if frame.path in told else frame
        for frame in frames
    ]


def _places(numbered: Sequence[CardFrame]) -> list[int]:
    """Places before which the clock was set back, of frames in the order of their numbers."""
    starts = [frame.start or 0.0 for frame in numbered]
    back = [n for n in range(1, len(starts)) if starts[n] < starts[n - 1]]
    if not back or len(back) > TIMES_MOST:
        return []
    bounds = [0, *back, len(starts)]
    for before, place, after in zip(bounds, back, bounds[2:], strict=False):
        numbers = [beginning_and_number(numbered[n])[1] for n in (place - 1, place)]
        by = starts[place - 1] - starts[place]
        enough = min(place - before, after - place) >= ON_EITHER_SIDE
        if not (LEAST_S <= by <= MOST_S and enough and 0 < numbers[1] - numbers[0] < NUMBERS_APART):
            return []
    return back


def _sentence(numbered: Sequence[CardFrame], place: int) -> str:
    near = numbered[max(place - 2 * ON_EITHER_SIDE, 0) : place + 2 * ON_EITHER_SIDE]
    steps = [(b.start or 0.0) - (a.start or 0.0) for a, b in itertools.pairwise(near)]
    pace = median(step for step in steps if step > 0) or 0.0
    before, after = numbered[place - 1], numbered[place]
    by = (before.start or 0.0) + pace - (after.start or 0.0)
    whole = round(by / QUARTER_S) * QUARTER_S
    about = "" if whole and abs(by - whole) < NEAR_S else "about "
    minutes = round((by if about else whole) / 60)
    return (
        f"the camera's clock was set back by {about}{minutes} min between {before.shown} and {after.shown}: the file "
        "numbers run on there while the time goes back. The frames before and after make scenes of their own, with "
        "times as the clock showed them"
    )
