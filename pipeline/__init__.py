"""moonless: from raw night-sky frames to one deep picture a scene. One module a step; see DEVELOPERS.md."""

from pathlib import Path

from pipeline.compiled import keep_compiled

keep_compiled(Path(__file__).parent)  # before anything imports Numba
