"""How a sensor's dark signal goes with its temperature. Numbers only: sorting the card needs this, and no pixels."""

from __future__ import annotations

# Dark current doubles in so many degrees C (0.85 eV): tells which of several darks is nearest, and what to expect
# where a light's own pixels do not tell its factor.
DOUBLING_C = 6.0


def expected_share(temperature_c: float, colder_c: float, warmer_c: float) -> float:
    """What a sensor's dark signal at one temperature is expected to lie above that of colder darks, over what that of
    warmer darks of the same exposure does: 0 at the colder, 1 at the warmer, below and above beyond them.
    """
    colder, warmer = (2 ** ((c - temperature_c) / DOUBLING_C) for c in (colder_c, warmer_c))
    return (1 - colder) / (warmer - colder)
