"""Machine code goes with the sources it was made from."""

import importlib
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
from numba import njit
from numba.core.dispatcher import Dispatcher

from pipeline.compiled import anything_kept, choose_folder, state_of
from pipeline.pixels.curves import MIDDLES, ROWS_ROOM, UNITS_ROOM, cell_curves
from pipeline.pixels.positions import LAGRANGE

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


MAKES_ARRAYS = {
    "empty",
    "zeros",
    "ones",
    "full",
    "array",
    "arange",
    "copy",
    "astype",
    "sort",
    "empty_like",
    "zeros_like",
}


def called_by(function):
    """A compiled function and all compiled ones that it calls, directly or not."""
    found, left = {}, [function]
    while left:
        one = left.pop()
        if id(one) not in found:
            found[id(one)] = one
            named = (one.py_func.__globals__.get(name) for name in one.py_func.__code__.co_names)
            left += [each for each in named if isinstance(each, Dispatcher)]
    return found.values()


def test_leaves_make_no_arrays_and_call_none_that_do():
    """For a leaf such a function is an error of the compiler, unless another has had it compiled before."""
    for path in (ROOT / "pipeline").rglob("*.py"):
        importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
    modules = [module for name, module in sys.modules.items() if name.startswith("pipeline.")]
    compiled = {id(v): v for module in modules for v in vars(module).values() if isinstance(v, Dispatcher)}
    leaves = [one for one in compiled.values() if one.targetoptions.get("_nrt") is False]
    assert len(leaves) > 20
    for one in leaves:
        for each in called_by(one):
            made = MAKES_ARRAYS & set(each.py_func.__code__.co_names)
            assert not made, f"{one.__name__} calls {each.__name__}, which makes arrays ({', '.join(sorted(made))})"


def test_leaves_do_not_count_who_holds_an_array():
    """A loop that is called row by row holds no call to Numba's counting; compiled as others are it would."""
    shift, ends, kinds = np.zeros((4, 4, 2), np.float32), np.zeros(2, np.float32), np.zeros(64, np.int32)
    nodes, rows, units = (np.zeros(room, np.float32) for room in (8 * 64, ROWS_ROOM, UNITS_ROOM))
    calls = []
    for options in ({"_nrt": cell_curves.targetoptions["_nrt"]}, {}):
        own = njit(nogil=True, **options)(cell_curves.py_func)
        own(shift, LAGRANGE, MIDDLES, 0, 0, 1, ends, ends, nodes, rows, units, kinds)
        calls.append(next(iter(own.inspect_llvm().values())).count("call void @NRT_incref"))
    assert calls[0] == 0 < calls[1]


def test_linear_algebra_has_one_thread_whatever_is_asked_for():
    """Sums must not depend on the number of cores: it is set before NumPy, which reads it once, is there."""
    names = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    code = f"import os, sys, pipeline; print('numpy' in sys.modules, *(os.environ[n] for n in {names}))"
    many = os.environ | dict.fromkeys(names, "4")
    told = subprocess.run([sys.executable, "-c", code], env=many, cwd=ROOT, capture_output=True, text=True, check=True)
    assert told.stdout.split() == ["False", "1", "1", "1"]
