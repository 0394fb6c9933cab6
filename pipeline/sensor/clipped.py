"""Mean and standard deviation that outliers do not move."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray


def clipped(values: NDArray[np.floating], sigma: float = 4.0, rounds: int = 8) -> tuple[float, float]:
    """Mean and standard deviation without outliers; unlike the median and the MAD true for coarsely rounded numbers.

    Starts from the median and the quartiles, then clips at `sigma` standard deviations until nothing changes.
    """
    values = np.asarray(values, np.float32).ravel()
    if values.size == 0:
        raise ValueError("values must not be empty")
    # the start may be rough: a sample will do
    low, centre, high = np.percentile(values[:: max(1, values.size // 20_000)], (25, 50, 75))
    # rounding to whole numbers can make the quartiles equal; one unit is then the least sensible width
    spread = max(float(high - low) / 1.349, 0.5)
    return _clip_rounds(values, float(centre), spread, sigma, rounds)


@njit(cache=True, nogil=True)
def _clip_rounds(values, centre, spread, sigma, rounds):  # type: ignore[no-untyped-def]
    last = -1
    for _ in range(rounds):
        limit = sigma * spread
        count = 0
        total = 0.0
        square = 0.0
        for v in values:
            d = np.float64(v) - centre
            if abs(d) <= limit:
                count += 1
                total += d
                square += d * d
        if count < 2:
            break
        shift = total / count
        centre += shift
        spread = np.sqrt(max(square / count - shift * shift, 0.0))
        if count == last or spread == 0:
            break
        last = count
    return centre, spread
