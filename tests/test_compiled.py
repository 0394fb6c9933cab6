"""Machine code goes with the sources it was made from."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
from numba import njit

from pipeline.compiled import anything_kept, choose_folder, state_of
from pipeline.pixels.separable import CELLS, stretch, stretch_scratch

ROOT = Path(__file__).parents[1]


def test_changed_sources_have_a_folder_of_their_own(tmp_path):
    """Another only where a file with compiled functions changed; the one before stays, older ones go."""
    one, plain = tmp_path / "one.py", tmp_path / "plain.py"
    one.write_text("from numba import njit\n")
    plain.write_text("x = 1\n")
    first = choose_folder(tmp_path)
    plain.write_text("x = 2\n")
    assert choose_folder(tmp_path) == first
    found = [first]
    for n in range(3):
        one.write_text(f"from numba import njit\ny = {n}\n")
        os.utime(found[-1], (n, n))
        found.append(choose_folder(tmp_path))
    assert len(set(found)) == 4
    assert [folder.is_dir() for folder in found] == [False, False, True, True]


def test_leaves_alone_are_compiled_functions_too(tmp_path):
    """A file that names only the project's own decorator tells another state."""
    (tmp_path / "leafy.py").write_text("from pipeline.pixels.leaf import leaf\n")
    assert state_of(tmp_path.glob("*.py")) != state_of([])


def test_numba_keeps_its_code_there(tmp_path):
    """A new process compiles into the folder (Numba's documented environment variable), or where the user says."""
    code = "import pipeline, os; from numba.core import config; print(config.CACHE_DIR)"
    plain = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"} | {"PYTHONPATH": str(ROOT)}
    run = [sys.executable, "-c", code]
    told = subprocess.run(run, env=plain, capture_output=True, text=True, check=True).stdout.strip()
    assert Path(told).parent == ROOT / "pipeline" / "__pycache__"
    assert Path(told).name.startswith("compiled-")
    wanted = plain | {"NUMBA_CACHE_DIR": str(tmp_path)}
    assert subprocess.run(run, env=wanted, capture_output=True, text=True, check=True).stdout.strip() == str(tmp_path)


def test_a_first_run_is_told_by_the_empty_folder(tmp_path, monkeypatch):
    """Numba's own call leaves what tells a later run that nothing need be compiled."""
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    assert not anything_kept()
    (tmp_path / "pixels").mkdir()
    one = tmp_path / "pixels" / "one.py"
    one.write_text("from numba import njit\n\n\n@njit(cache=True)\ndef f(x):\n    return x\n\n\nf(1)\n")
    subprocess.run([sys.executable, str(one)], check=True)
    assert anything_kept()


def test_leaves_do_not_count_who_holds_an_array():
    """A loop that is called row by row holds no call to Numba's counting; compiled as others are it would."""
    work, whole = stretch_scratch()
    source, curves = np.zeros(40_000, np.float32), np.zeros(12 * CELLS, np.float32)
    calls = []
    for options in ({"_nrt": stretch.targetoptions["_nrt"]}, {}):
        own = njit(nogil=True, **options)(stretch.py_func)
        own(source, 0, 40_000, 200, 200, 1, curves, 0, 0, 64, 50, 50, work, whole)
        calls.append(next(iter(own.inspect_llvm().values())).count("call void @NRT_incref"))
    assert calls[0] == 0 < calls[1]
