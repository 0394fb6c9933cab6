"""How inner loops are compiled: those that others call for every row, or every part of one."""

from __future__ import annotations

from numba import njit

# For functions that neither make arrays nor return any. Numba counts who holds an array, with locked instructions that
# wait for all that was written before: at each function's beginning and end and at each slice. Called row by row these
# took 31 % of the time of resampling. A leaf does not count; what it is given its caller holds.
leaf = njit(cache=True, nogil=True, error_model="numpy", _nrt=False)  # type: ignore[call-overload]
