"""moonless: from raw night-sky frames to one deep picture a scene. One module a step; see DEVELOPERS.md."""

import os
from pathlib import Path

from pipeline.compiled import keep_compiled

# Before anything imports NumPy: threads of its linear algebra gain nothing on systems as small as ours, and sums must
# not depend on how many there are.
os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"))
keep_compiled(Path(__file__).parent)  # before anything imports Numba
